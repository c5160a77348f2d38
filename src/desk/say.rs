//! The words of pages, in the language of whoever reads them.

use crate::plots::Lang;

/// Picks among languages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Say(pub Lang);

impl Say {
    /// The text of the reader's language.
    #[must_use]
    pub fn of<T>(self, en: T, zh: T) -> T {
        match self.0 {
            Lang::En => en,
            Lang::Zh => zh,
        }
    }

    /// The key of labels in the book's files.
    #[must_use]
    pub fn key(self) -> &'static str {
        self.of("en", "zh")
    }

    /// The language as HTML names it.
    #[must_use]
    pub fn html(self) -> &'static str {
        self.of("en", "zh-Hans")
    }
}
