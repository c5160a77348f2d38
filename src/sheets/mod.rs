//! Printed matter: ballots, the pouring plan, labels for the cups, the sheet of a lot. Each is a function from plain input
//! to the bytes of a PDF, set by typst in the embedded face.

pub mod age;
pub mod ballots;
pub mod html;
pub mod lot;
pub mod pouring;
pub mod practice;
pub mod scales;
pub mod trial;
mod words;
pub mod world;

use thiserror::Error;

pub use crate::plots::{Lang, MissingGlyph};
pub use scales::BallotScale;
pub use words::{both_cautions, cautions, fault_words};

/// Why a sheet could not be printed.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SheetError {
    /// Characters that the embedded face cannot show.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    MissingGlyphs(Vec<MissingGlyph>),
    /// Something that a sheet of this kind needs is not there or does not fit.
    #[error("{sheet}: {found}; expected {expected}")]
    Incomplete {
        /// Which sheet.
        sheet: String,
        /// What was found.
        found: String,
        /// What was expected.
        expected: &'static str,
    },
    /// Typst refused; a fault of this program, not of the record.
    #[error("{sheet}: the page could not be set: {reason}")]
    Layout {
        /// Which sheet.
        sheet: String,
        /// What typst said.
        reason: String,
    },
}

/// The languages of a book that sheets can be printed in, in its order; English if there is none.
#[must_use]
pub fn languages(of_book: &[String]) -> Vec<Lang> {
    let mut own: Vec<Lang> = Vec::new();
    for language in of_book {
        let lang = if language.starts_with("zh") {
            Lang::Zh
        } else if language.starts_with("en") {
            Lang::En
        } else {
            continue;
        };
        if !own.contains(&lang) {
            own.push(lang);
        }
    }
    if own.is_empty() { vec![Lang::En] } else { own }
}
