//! Findings as pages. Each is one HTML file that fetches nothing, or the middle of a page of the desk.

mod age;
pub mod age_words;
mod agree;
mod agree_words;
mod chinese;
mod compare;
mod compare_words;
mod difference;
mod difference_words;
mod link;
mod parts;
mod ranking;
mod trial;
mod trial_words;

pub use age::age;
pub use agree::agree;
pub use compare::compare;
pub use difference::difference;
pub use link::link;
pub use parts::STYLE;
pub use ranking::ranking;
pub use trial::{made, trial};

use crate::sheets::html::document;

/// A finding as HTML.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// What is asked.
    pub title: &'static str,
    /// The language, as HTML names it.
    pub language: &'static str,
    /// An article; it looks as it should under [`STYLE`].
    pub article: String,
}

impl Page {
    /// A file of its own.
    ///
    /// # Errors
    /// The reason in words, should the embedded face not be readable.
    pub fn document(&self) -> Result<String, String> {
        document(self.language, self.title, STYLE, &self.article)
    }
}
