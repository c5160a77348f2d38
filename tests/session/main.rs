//! Blind sessions: planning, sealing, tasting, revealing.

mod alone;
mod blind;
mod common;
mod enter;
mod files;
mod orders;
mod plan;
mod reveal;
mod states;
