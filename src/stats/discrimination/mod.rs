//! Tests of difference between two samples: triangle, duo-trio, paired comparison.
//!
//! * [`Protocol`]: how often an answer is right by chance, and as a function of how far apart two
//!   samples lie (d-prime).
//! * [`p_value`], [`least_correct`], [`power`], [`answers_needed`]: the exact binomial test.
//! * [`most_correct`], [`likeness_needed`]: testing that few can tell two samples apart.
//! * [`d_prime`], [`share`]: how far apart, with intervals.
//! * [`repeated`]: few tasters who answer again and again.
//!
//! An exact test keeps below its level, since whole numbers jump: the true level of a least number
//! stands beside it ([`Least::size`]).

mod exact;
mod protocol;
pub mod repeated;

pub use exact::{
    Interval, Least, MOST_ANSWERS, Needed, Sides, answers_needed, d_prime, detectable_share,
    least_correct, likeness_needed, most_correct, p_value, power, share, share_to_proportion,
    signed, signed_d_prime,
};
pub use protocol::Protocol;

use thiserror::Error;

/// Why a number cannot be given.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum DiscriminationError {
    /// No answers.
    #[error("0 answers: a test needs at least one")]
    NoAnswers,
    /// More right than answered.
    #[error("{correct} of {answers} right: no more can be right than were given")]
    TooManyCorrect {
        /// Right ones.
        correct: u64,
        /// All.
        answers: u64,
    },
    /// A probability outside its range.
    #[error("{what} is {found}, expected more than 0 and less than 1")]
    OutOfRange {
        /// Which.
        what: &'static str,
        /// What it was.
        found: f64,
    },
    /// A number of answers beyond [`exact::MOST_ANSWERS`].
    #[error("more than {} answers would be needed", exact::MOST_ANSWERS)]
    TooMany,
}

fn inside(what: &'static str, found: f64) -> Result<f64, DiscriminationError> {
    if found > 0.0 && found < 1.0 {
        Ok(found)
    } else {
        Err(DiscriminationError::OutOfRange { what, found })
    }
}
