//! Numbers.
