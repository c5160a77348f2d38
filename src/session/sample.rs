//! What can stand behind a code.

use std::fmt;

use serde::Serialize;

/// A lot, or one of the arms that it was split into.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct Sample {
    /// The lot.
    pub lot: String,
    /// The arm: `main` unless the lot was split.
    pub arm: String,
}

impl fmt::Display for Sample {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.arm == "main" {
            f.write_str(&self.lot)
        } else {
            write!(f, "{}@{}", self.lot, self.arm)
        }
    }
}

/// Why a cup is in a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// A sample that is asked about.
    Lot,
    /// A second code of a sample in the same flight.
    Duplicate,
    /// The frozen sample that stays the same for years.
    Reference,
    /// Tasted first and not analysed.
    WarmUp,
}

impl Role {
    const ALL: [Self; 4] = [Self::Lot, Self::Duplicate, Self::Reference, Self::WarmUp];

    /// The word for it in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Lot => "lot",
            Self::Duplicate => "duplicate",
            Self::Reference => "reference",
            Self::WarmUp => "warm-up",
        }
    }

    pub(super) fn of_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.word() == word)
    }
}
