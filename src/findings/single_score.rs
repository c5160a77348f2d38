//! One term: differences beside what one score varies by, and what blind duplicates say a panel
//! can see.

use std::collections::BTreeMap;

use blindsteep_stats::dist::t_quantile_upper;
use blindsteep_stats::effect::share_of_levels;
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{Panel, lot_test, pots};
use super::unit_table::mean;
use super::{Answer, Estimate, Settings};
use crate::scores::{TermScores, cross};

/// What one score varies by, and how much of it are the lots.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SingleScore {
    /// Standard deviation of one score of one lot: the root of all variances of the model together
    /// (taster, lot × taster, flight, pot, residual, as far as they are in it). Differences over
    /// it are effect sizes.
    pub sd: f64,
    /// Share of the variance of one score that lies between these lots, their estimation error
    /// taken off; limits with the other variances as known.
    pub lots: Answer<Estimate>,
}

/// What one score varies by: Westfall, Kenny and Judd (2014), Journal of Experimental Psychology:
/// General 143:2020-2045 (citation from memory) for the divisor.
pub(super) fn single_score(p: &Panel, settings: &Settings) -> Answer<SingleScore> {
    let other: f64 = p.fit.components.iter().map(|c| c.variance).sum::<f64>() + p.fit.sigma2;
    if !(other > 0.0 && other.is_finite()) {
        return Answer::unknown("nothing varies within the lots");
    }
    let mut squares: Vec<f64> = p
        .fit
        .pairs(settings.level)
        .iter()
        .filter(|d| d.difference.estimable && d.difference.se > 0.0)
        .map(|d| d.difference.se.powi(2))
        .collect();
    squares.sort_by(f64::total_cmp);
    let lots = lot_test(p).and_then(|test| {
        let Some(error) = mean(&squares).map(|v| 0.5 * v) else {
            return Answer::unknown("there are no two lots whose difference can be estimated");
        };
        let share =
            share_of_levels(test.f, (test.num_df, test.den_df), error, other, settings.level);
        share.map_or_else(
            || Answer::unknown("too little varies for an interval"),
            |s| Estimate::of(s.share, s.lower.min(s.share), s.upper.max(s.share)),
        )
    });
    Answer::Known(SingleScore { sd: other.sqrt(), lots })
}

/// What blind duplicates say: two cups of one lot in one flight, as the panel's mean saw them.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Duplicates {
    /// Pairs of cups of one lot in one flight, both scored by two tasters or more.
    pub n_pairs: usize,
    /// Root of the mean square of their differences, each in the panel's mean.
    pub rms_difference: f64,
    /// Cups a lot has, on average, over which a difference of lots is taken.
    pub cups_a_lot: f64,
    /// The smallest difference of two lots with as many cups that pots and repeats alone would not
    /// make up, p .05 (t with `n_pairs` degrees of freedom). That tasters see lots differently is
    /// not in it: the model's figure has that.
    pub smallest: f64,
}

/// Fewer pairs tell too little about what chance does.
const FEWEST_PAIRS: usize = 3;

/// The differences of blind duplicates.
pub(super) fn duplicates(t: &TermScores) -> Answer<Duplicates> {
    let (Some(taster), Some(cup)) = (&t.taster, pots(t)) else {
        return Answer::unknown("which cup a score belongs to, or who gave it, is not recorded");
    };
    let Some(flight) = t.flight.as_ref().or(t.session.as_ref()) else {
        return Answer::unknown(
            "flights are not recorded, so duplicates cannot be told from repeats",
        );
    };
    let place = cross(&t.lot, flight);
    // [lot in flight][cup][taster]: scores.
    let mut sets: BTreeMap<u32, BTreeMap<u32, BTreeMap<u32, Vec<f64>>>> = BTreeMap::new();
    for (row, value) in t.values.iter().enumerate() {
        let set = sets.entry(place.codes[row]).or_default().entry(cup.codes[row]).or_default();
        set.entry(taster.codes[row]).or_default().push(*value);
    }
    let mut squares = Vec::new();
    for cups in sets.values() {
        let cups: Vec<_> = cups.values().collect();
        // Of three cups or more, neighbours only: pairs that share no cup.
        for pair in cups.chunks_exact(2) {
            let both = pair[0].iter().filter_map(|(who, a)| {
                let b = pair[1].get(who)?;
                Some(mean(a)? - mean(b)?)
            });
            let both: Vec<f64> = both.collect();
            if both.len() > 1 {
                squares.push(mean(&both).unwrap_or_default().powi(2));
            }
        }
    }
    let n_pairs = squares.len();
    if n_pairs < FEWEST_PAIRS {
        return Answer::unknown(format!(
            "{} of one lot in one flight: three pairs or more are needed",
            super::count(n_pairs, "pair of cups", "pairs of cups")
        ));
    }
    let rms_difference = (squares.iter().sum::<f64>() / n_pairs as f64).sqrt();
    let cups_a_lot =
        cross(&t.lot, &cross(flight, cup)).names.len() as f64 / t.lot.names.len() as f64;
    Answer::Known(Duplicates {
        n_pairs,
        rms_difference,
        cups_a_lot,
        smallest: t_quantile_upper(0.025, n_pairs as f64) * rms_difference / cups_a_lot.sqrt(),
    })
}
