//! The record on disk: a folder of TOML descriptions and append-only CSV logs, read with every
//! mistake at its place, written whole or not at all.

pub mod air;
pub mod balance;
pub mod book_file;
pub mod check;
mod copies;
pub mod course;
pub mod csv_file;
pub mod derived;
pub mod family;
pub mod far;
pub mod fitness;
pub mod ids;
pub mod labels;
pub mod left_over;
mod logger_clock;
mod logger_form;
mod logger_parts;
mod logger_rows;
mod logging;
pub(crate) mod lot_graph;
pub(crate) mod lot_log;
pub mod lot_warnings;
pub mod lots;
pub mod making;
pub mod masses;
pub mod moves;
pub mod oxidation;
pub mod parameters;
pub mod parting;
pub mod problem;
pub mod proposed;
pub mod quarantine;
pub mod reading;
pub mod readings;
pub mod recipes;
pub mod retasting;
mod roles;
mod rolling;
mod scales;
pub mod schemas;
pub mod session_files;
mod session_logs;
pub mod span;
pub mod starter;
pub mod stays;
pub mod store;
pub mod stores;
pub mod tasters;
pub mod time;
pub mod toml_file;
mod trial_files;
pub mod trial_rules;
pub mod trials;
pub mod units;
pub mod vocabulary;
pub mod when;
mod withering;
pub mod writing;

use std::path::{Path, PathBuf};

use problem::Problems;
use store::StoreError;

/// Why a book could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// The records are wrong.
    #[error("{0}")]
    Records(Problems),
    /// The disk refused.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The folder holds no book.
    #[error("{} is not a book: it has no book.toml\n  to mend:  name a book with --book DIR, set BLINDSTEEP_BOOK, stand in one, or start one with `blindsteep begin DIR`", .0.display())]
    NotABook(PathBuf),
    /// What was asked does not fit the record (an unknown lot, a session in the wrong state).
    #[error("{0}")]
    Refused(String),
}

impl From<Problems> for BookError {
    fn from(problems: Problems) -> Self {
        Self::Records(problems)
    }
}

/// A book: a folder with book.toml in it.
#[derive(Debug, Clone)]
pub struct Book {
    root: PathBuf,
}

impl Book {
    /// Opens the book in a folder.
    ///
    /// # Errors
    /// [`BookError::NotABook`] if there is no book.toml in it.
    pub fn open(root: &Path) -> Result<Self, BookError> {
        if root.join("book.toml").is_file() {
            Ok(Self { root: root.to_owned() })
        } else {
            Err(BookError::NotABook(root.to_owned()))
        }
    }

    /// Finds the book around a folder: the folder itself or the nearest one above it.
    ///
    /// # Errors
    /// [`BookError::NotABook`] if there is none.
    pub fn around(folder: &Path) -> Result<Self, BookError> {
        folder
            .ancestors()
            .find_map(|f| Self::open(f).ok())
            .ok_or_else(|| BookError::NotABook(folder.to_owned()))
    }

    /// The book's folder.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }
}
