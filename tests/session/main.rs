//! Blind sessions: planning, sealing, tasting, revealing.

#![allow(clippy::unwrap_used, reason = "a test that fails says where")]

mod alone;
mod blind;
mod common;
mod due;
mod enter;
mod files;
mod kinds;
mod orders;
mod plan;
mod reveal;
mod sequences;
mod states;
mod unfit;
