//! Since when a change is real, and what changed since.

use blindsteep_stats::courses::from_first;
use blindsteep_stats::mixed::Family;
use schemars::JsonSchema;
use serde::Serialize;

use super::super::Answer;
use super::Change;
use super::forms::Tasted;
use super::sums::change;

/// The first tasting at which the change from the first is beyond luck, all tastings asked together.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FirstReal {
    /// Its session.
    pub session: String,
    /// Its age, in months.
    pub month: f64,
    /// The change from the first tasting; its limits and p hold for all tastings together, by the
    /// errors of their means: with one pot a tasting these do not hold how pots differ.
    pub change: Change,
    /// Tastings that were compared with the first.
    pub n_compared: usize,
    /// The factor of the standard error in these limits.
    pub critical: f64,
    /// Whether the last change points the same way and is itself, asked alone, beyond luck; if not, it
    /// went back.
    pub lasts: bool,
}

/// The change from one tasting to the last.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Since {
    /// The session of the tasting.
    pub session: String,
    /// Its age, in months.
    pub month: f64,
    /// The change from there to the last tasting; its limits are of this change alone.
    pub change: Answer<Change>,
}

/// When the change from the first tasting is first beyond luck.
#[must_use]
pub fn first_real(family: &Family, tasted: &[Tasted], level: f64) -> Answer<FirstReal> {
    if tasted.len() < 2 {
        return Answer::unknown("there are no two tastings to compare");
    }
    let Some(found) = from_first(family, level).filter(|f| f.df.is_finite()) else {
        return Answer::unknown("too little is left to measure chance by");
    };
    match found.first.zip(found.critical) {
        Some((first, critical)) => Answer::Known(FirstReal {
            session: tasted[first.place].session.clone(),
            month: tasted[first.place].month,
            change: Change {
                value: first.estimate,
                se: first.se,
                df: found.df,
                lower: first.lower,
                upper: first.upper,
                p_value: first.p_value,
                q_value: None,
            },
            n_compared: found.n_compared,
            critical,
            lasts: found.lasts,
        }),
        None => Answer::unknown(match found.n_compared {
            1 => "the one change from the first tasting is not beyond luck".to_owned(),
            n => format!(
                "none of the {n} changes from the first tasting is beyond luck when all are asked \
                 together"
            ),
        }),
    }
}

/// What changed from each tasting to the last.
#[must_use]
pub fn since(family: &Family, tasted: &[Tasted], level: f64) -> Vec<Since> {
    let Some(last) = tasted.len().checked_sub(1) else { return Vec::new() };
    (0..last)
        .map(|i| {
            let mut row = vec![0.0; tasted.len()];
            (row[i], row[last]) = (-1.0, 1.0);
            Since {
                session: tasted[i].session.clone(),
                month: tasted[i].month,
                change: change(&family.contrast(&row, level)),
            }
        })
        .collect()
}
