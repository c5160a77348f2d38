//! The time to half of a whole change.

use super::forms::LONGEST;
use super::{Course, Form};
use crate::dist::t_quantile_upper;
use std::f64::consts::LN_2;
use thiserror::Error;

/// Halvings of the bracket of a limit.
const HALVINGS: usize = 40;

/// The time to half of the whole change of a saturating course, from the first time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Half {
    /// `length ln 2`.
    pub after: f64,
    /// Lower limit; 0 where a step right after the first time is as good.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// The whole change.
    pub whole: f64,
    /// Degrees of freedom.
    pub df: f64,
}

/// Why there is no time to half of the change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum NoHalf {
    /// Too few times.
    #[error("a course that levels off needs five tastings")]
    TooFew,
    /// Another form leads.
    #[error("a course that levels off does not follow these tastings best")]
    NotChosen,
    /// The change includes 0.
    #[error("the whole change may be none")]
    NoChange,
    /// No upper limit.
    #[error(
        "whether the course levels off or goes on is not told, so that there is no upper limit"
    )]
    Unbounded,
}

impl Course {
    /// Returns the time from the first one to half of the whole change, of a saturating course that
    /// is the chosen form: `length ln 2`, with the limits of the profile: lengths at which Q is no
    /// more than `w² t²` above its least, t the quantile at confidence `level`.
    ///
    /// # Errors
    /// [`NoHalf`] where another form is chosen, the whole change may be 0, or there is no upper limit.
    ///
    /// # Source
    /// Bates DM, Watts DG (1988), Nonlinear Regression Analysis and Its Applications, section 6.1
    /// (profile t; from memory).
    pub fn half(&self, level: f64) -> Result<Half, NoHalf> {
        let own = self.fitted.iter().find(|f| f.form == Form::Saturating).ok_or(NoHalf::TooFew)?;
        if self.chosen() != Form::Saturating {
            return Err(NoHalf::NotChosen);
        }
        let Some(length) = own.length else { return Err(NoHalf::TooFew) };
        let whole = self.slope_of(own, level);
        if !(whole.lower > 0.0 || whole.upper < 0.0) {
            return Err(NoHalf::NoChange);
        }
        let given = &self.given;
        let t = t_quantile_upper(0.5 * (1.0 - level), whole.df);
        let least = given.taken_off(length) - t * t * self.widening(own);
        let inside = |l: f64| given.taken_off(l) >= least;
        if inside(LONGEST * given.range) {
            return Err(NoHalf::Unbounded);
        }
        let limit = |mut within: f64, mut out: f64| {
            for _ in 0..HALVINGS {
                let middle = 0.5 * (within + out);
                if inside(middle) { within = middle } else { out = middle }
            }
            0.5 * (within + out)
        };
        let lower = if inside(0.0) { 0.0 } else { limit(length, 0.0) };
        let upper = limit(length, LONGEST * given.range);
        Ok(Half {
            after: length * LN_2,
            lower: lower * LN_2,
            upper: upper * LN_2,
            whole: whole.estimate,
            df: whole.df,
        })
    }
}
