//! The demo book: the invented Tavrinel garden, made by a seeded generator from one planted truth.

pub mod book;
pub mod garden;
pub mod history;
mod set_sessions;
pub mod simulated;
pub mod truth;
