//! A moment as somebody names it: with its offset, or by the book's clock.

use std::str::FromStr;

use jiff::tz::TimeZone;

use super::Book;
use super::book_file::clock;
use super::time::{Day, Moment};

/// A moment as somebody names it.
#[derive(Debug, Clone, PartialEq)]
pub enum When {
    /// With its offset.
    Moment(Moment),
    /// A day and a time without an offset, or a day alone: its noon.
    Local(String),
}

impl When {
    /// The moment; what has no offset is by the book's clock.
    #[must_use]
    pub fn on_clock_of(&self, book: &Book) -> Moment {
        match self {
            Self::Moment(moment) => *moment,
            Self::Local(text) => {
                let zone = book.book_file().map_or_else(|_| TimeZone::system(), |f| clock(&f));
                Moment::by_clock_of(&zone, text).unwrap_or_else(Moment::now)
            }
        }
    }
}

impl FromStr for When {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let local = match text.parse::<Day>() {
            Ok(day) => format!("{day}T12:00"),
            Err(_) => text.to_owned(),
        };
        match text.parse::<Moment>() {
            Ok(moment) => Ok(Self::Moment(moment)),
            Err(_) if Moment::by_clock_of(&TimeZone::UTC, &local).is_some() => {
                Ok(Self::Local(local))
            }
            Err(_) => {
                Err("write a day as 2026-05-14, a moment as 2026-05-14T15:04 (by the book's \
                           clock), or one with its offset as 2026-05-14T15:04:05+08:00"
                    .to_owned())
            }
        }
    }
}
