//! The record on disk.

#![allow(clippy::unwrap_used)]

mod begin;
mod calendar;
mod clock;
mod commands;
mod derived;
mod due;
mod kept;
mod lots;
mod making;
mod parting;
mod readings;
mod readme;
mod reread;
mod retasting;
mod schemas;
mod tasters;
mod trials;

use blindsteep::book::Book;
use blindsteep::book::starter::{Beginning, begin};
use blindsteep::book::time::Moment;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

/// A new book in a folder of its own.
fn new_book() -> (tempfile::TempDir, Book) {
    let dir = tempfile::tempdir().unwrap();
    let book = begin(&dir.path().join("book"), &Beginning::default()).unwrap();
    (dir, book)
}

fn rng() -> ChaCha12Rng {
    ChaCha12Rng::seed_from_u64(1)
}

fn noon() -> Moment {
    "2026-05-01T12:00:00+08:00".parse().unwrap()
}
