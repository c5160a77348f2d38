//! The desk and the ballots over HTTP.

#![allow(clippy::unwrap_used, reason = "a test that fails says where")]

mod api;
mod browser;
mod common;
mod crash;
mod disk;
mod late;
mod panel;
mod questions;
mod record;
mod secured;
mod told;
