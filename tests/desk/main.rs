//! The desk and the ballots over HTTP.

#![allow(clippy::unwrap_used, reason = "a test that fails says where")]

mod again;
mod api;
mod batch;
mod browser;
mod common;
mod crash;
mod days;
mod disk;
mod few_files;
mod forms;
mod late;
mod musty;
mod panel;
mod questions;
mod record;
mod secured;
mod told;
