//! The sheet of a lot, for a buyer: PDF, PNG and HTML of one finding.

mod cup;
mod html;
pub mod issued;
mod page;
mod tasting;
mod words;

use serde_json::json;

use super::ballots::date_data;
use super::words::words_in;
use super::world::Typeset;
use super::{Lang, SheetError, world};
use crate::findings::sheet::Sheet;

pub use page::{Issue, Page, VERSION, page};
pub use words::SEASONS;

const TEMPLATE: &str = include_str!("../typ/lot.typ");

/// Dots an inch of the PNG.
pub const DPI: f64 = 150.0;

/// The sheet in one or two languages, a page each.
#[derive(Debug, Clone, PartialEq)]
pub struct LotSheet {
    name: String,
    pages: Vec<Page>,
    day: jiff::civil::Date,
}

impl LotSheet {
    /// The pages of a finding.
    ///
    /// # Errors
    /// [`SheetError::MissingGlyphs`] if a text of it cannot be printed; [`SheetError::Incomplete`] without a language.
    pub fn of(finding: &Sheet, issue: &Issue<'_>, languages: &[Lang]) -> Result<Self, SheetError> {
        let name = format!("sheet of {}", finding.sample);
        if languages.is_empty() {
            return Err(SheetError::Incomplete {
                sheet: name,
                found: "no language".to_owned(),
                expected: "at least one language",
            });
        }
        let pages: Vec<Page> = languages.iter().map(|lang| page(finding, issue, *lang)).collect();
        let sheet = Self { name, pages, day: issue.day.0 };
        world::check_glyphs(&sheet.name, &sheet.data())?;
        Ok(sheet)
    }

    /// The pages.
    #[must_use]
    pub fn pages(&self) -> &[Page] {
        &self.pages
    }

    /// Sets the pages on A4, to be written as PDF and as PNG.
    ///
    /// # Errors
    /// [`SheetError::Layout`], which is a fault of this program.
    pub fn set(&self) -> Result<Typeset, SheetError> {
        Typeset::of(world::Sheet {
            name: &self.name,
            template: TEMPLATE,
            data: self.data(),
            files: Vec::new(),
            date: self.day,
        })
    }

    /// A page for the browser that needs no other file.
    ///
    /// # Errors
    /// [`SheetError::Layout`] if the embedded face cannot be cut, which is a fault of this program.
    pub fn html(&self) -> Result<String, SheetError> {
        html::html(&self.title(), &self.pages)
            .map_err(|reason| SheetError::Layout { sheet: self.name.clone(), reason })
    }

    fn title(&self) -> String {
        let first = &self.pages[0];
        format!("{} · {} · {}", first.kicker, first.name, first.issuer)
    }

    fn data(&self) -> serde_json::Value {
        json!({
            "title": self.title(),
            "date": date_data(self.day),
            "words": words_in(&[Lang::En]),
            "pages": self.pages,
        })
    }
}
