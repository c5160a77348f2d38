//! Charts: each a pure function from a plain input to an SVG text. Nothing is computed here but places on paper.
//!
//! Every chart says its n and its interval, holds its own cut of the embedded face, and gives the same bytes for
//! the same input.

pub mod answers;
mod axis;
mod canvas;
pub mod courses;
pub mod dots;
pub mod effects;
pub mod font;
pub mod map;
pub mod matrix;
mod names;
pub mod palette;
mod paper;
mod places;
pub mod precision;
pub mod ranks;
pub mod scatter;
pub mod steeps;
pub mod tasters;
pub mod then_now;
pub mod together;
mod words;

use thiserror::Error;

pub use font::MissingGlyph;
pub use paper::Paper;

/// Language of the words that a chart or sheet writes itself; labels come from the vocabulary.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Lang {
    /// English.
    #[default]
    En,
    /// Simplified Chinese.
    Zh,
}

/// Signs between the parts of a line: full-width ones in Chinese, which take no space behind them.
impl Lang {
    const fn sign(self, en: &'static str, zh: &'static str) -> &'static str {
        match self {
            Self::En => en,
            Self::Zh => zh,
        }
    }

    /// A comma.
    #[must_use]
    pub const fn comma(self) -> &'static str {
        self.sign(", ", "，")
    }

    /// A colon.
    #[must_use]
    pub const fn colon(self) -> &'static str {
        self.sign(": ", "：")
    }

    /// A semicolon.
    #[must_use]
    pub const fn semicolon(self) -> &'static str {
        self.sign("; ", "；")
    }

    /// What stands between the names of a list.
    #[must_use]
    pub const fn between(self) -> &'static str {
        self.sign(", ", "、")
    }
}

/// What the numbers of a chart rest on; printed below its title.
#[derive(Debug, Clone, PartialEq)]
pub struct Basis {
    /// How many tasters scored.
    pub n_tasters: usize,
    /// How many scores were used.
    pub n_scores: usize,
    /// Coverage of the intervals: 0.95 for 95%.
    pub level: f64,
    /// What the interval is of, in the chart's language, such as `adjusted mean, tasters random`.
    pub of: String,
}

/// A value with its interval, on the axis of its panel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Lower end of the interval.
    pub lower: f64,
    /// Upper end of the interval.
    pub upper: f64,
}

/// Why a chart could not be drawn.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PlotError {
    /// Characters that the embedded face cannot show.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    MissingGlyphs(Vec<MissingGlyph>),
    /// There is nothing to draw.
    #[error("{chart}: there is nothing to draw; expected at least one {expected}")]
    Empty {
        /// Title of the chart.
        chart: String,
        /// What was expected.
        expected: &'static str,
    },
    /// A number that has no place on the axis.
    #[error("{place}: found {found}; expected {expected}")]
    BadNumber {
        /// Which number it is.
        place: String,
        /// What was found.
        found: String,
        /// What was expected.
        expected: &'static str,
    },
    /// The drawing library or the font refused.
    #[error("the chart \"{chart}\" could not be written: {reason}")]
    Drawing {
        /// Title of the chart.
        chart: String,
        /// The reason that the library gave.
        reason: String,
    },
}
