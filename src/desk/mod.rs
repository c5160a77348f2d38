//! The desk and the ballots: the whole job in a browser, from one process, with nothing fetched from anywhere.
//!
//! Two listeners. The desk is the maker's and is on this machine only; the ballots, and the step clock of
//! the workshop, are what others reach, on the local network if it was asked for. [`doors`] says who may come in,
//! [`guard`] what every request must pass. Pages are made on the server ([`page`]); they show
//! the same findings as the commands and write the same files.

mod alone;
pub mod assets;
pub mod ballot;
pub mod cache;
pub mod doors;
pub mod due_kept;
pub mod guard;
mod mistakes;
pub mod page;
pub mod panel;
pub mod posted;
pub mod questions;
pub mod record;
pub mod say;
mod seats;
pub mod server;
mod terms;
pub mod told;
mod unreadable;

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use crate::book::book_file::clock;
use crate::book::time::Moment;
use crate::book::{Book, BookError};
use crate::plots::Lang;
use crate::session::live::Live;
use ballot::live::Tastings;
use cache::Cache;
use doors::Doors;
use due_kept::DueKept;

/// What all requests share.
#[derive(Debug)]
pub struct App {
    book: Book,
    /// Links and cookies.
    pub doors: Doors,
    /// Where the ballots are reached, as `http://192.168.1.5:7371`.
    pub ballots_at: String,
    /// Whether phones of the local network can reach them.
    pub on_lan: bool,
    /// What was read of the book.
    pub cache: Cache,
    /// The sessions that are being tasted.
    pub live: Tastings,
    /// The forms that were taken lately.
    pub taken: posted::Taken,
    told: Mutex<Vec<String>>,
    due_kept: DueKept,
}

/// The state of a handler.
pub type Shared = Arc<App>;

impl App {
    /// Ready to serve a book.
    #[must_use]
    pub fn new(book: Book, doors: Doors, ballots_at: String, on_lan: bool) -> Self {
        let cache = Cache::new(book.clone());
        let live = Tastings::new(Live::new(book.clone()), &book);
        Self {
            book,
            doors,
            ballots_at,
            on_lan,
            cache,
            live,
            taken: posted::Taken::default(),
            told: Mutex::default(),
            due_kept: DueKept::default(),
        }
    }

    /// The same with another place for what is being tasted.
    #[must_use]
    pub fn with_live(self, live: Live) -> Self {
        Self { live: Tastings::new(live, &self.book), ..self }
    }

    /// The book.
    #[must_use]
    pub fn book(&self) -> &Book {
        &self.book
    }

    /// The moment, on the book's clock.
    #[must_use]
    pub fn now(&self) -> Moment {
        match self.cache.book_file() {
            Ok(file) => Moment::now().on_clock_of(&clock(&file)),
            Err(_) => Moment::now(),
        }
    }

    /// The language of somebody who has not chosen one: the book's first.
    #[must_use]
    pub fn language(&self) -> Lang {
        match self.cache.book_file() {
            Ok(file) if file.value.language().starts_with("zh") => Lang::Zh,
            _ => Lang::En,
        }
    }

    /// Says something on the next page of the desk: what has just been done.
    pub fn tell(&self, text: impl Into<String>) {
        self.told.lock().unwrap_or_else(PoisonError::into_inner).push(text.into());
    }

    /// What was to be said.
    #[must_use]
    pub fn told(&self) -> Vec<String> {
        std::mem::take(&mut *self.told.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// Why the desk could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    /// The book or its disk.
    #[error(transparent)]
    Book(#[from] BookError),
    /// What was asked does not fit.
    #[error("{0}")]
    Refused(String),
    /// The network or the system refused.
    #[error("cannot {doing}: {source}{mend}")]
    System {
        /// What was tried.
        doing: String,
        /// What the system said.
        source: std::io::Error,
        /// How to mend it, if that is known.
        mend: &'static str,
    },
}

impl DeskError {
    fn system(doing: impl Into<String>, source: std::io::Error) -> Self {
        Self::System { doing: doing.into(), source, mend: "" }
    }
}

/// Where the desk keeps what is its own and no part of the record, in the book's folder.
#[must_use]
pub fn own_folder(book: &Book) -> PathBuf {
    book.root().join(".desk")
}
