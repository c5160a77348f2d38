//! Blind sessions: planning, sealing, tasting, revealing.

#![allow(clippy::unwrap_used, reason = "a test that fails says where")]

mod alone;
mod blind;
mod common;
mod enter;
mod files;
mod orders;
mod plan;
mod reveal;
mod states;
