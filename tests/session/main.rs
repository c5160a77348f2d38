//! Blind sessions: planning, sealing, tasting, revealing.

mod orders;
