//! Each taster against the others: offset, width of scale, noise, swapped terms, drift, and
//! the effects of the order in which cups were tasted.
//!
//! The mean a taster is compared with never includes the taster. The unit is the lot: a
//! taster's liking for one lot returns in every cup of it, so that cups of one lot are no
//! independent evidence of an offset or a slope.

mod corrected;
mod habits;
mod joint;
mod order;
mod paired;
mod search;
mod swap;
mod term;

pub use habits::{CrossedTerm, Flag, HabitLimits, Habits, TasterHabits, Tested, habits};
pub use joint::{CorrectedLot, JointModel, JointTaster, joint_model};
pub use order::{OrderEffects, PooledOrder, TasterOrderEffects, order_effects, pooled_order};
pub use swap::{SwapPart, SwapTest, swap_tests};
pub use term::{TasterTerm, TermFlag, TermTable, taster_table};

use crate::dist::{
    chi2_quantile, chi2_quantile_upper, f_quantile_upper, f_sf, normal_quantile_upper, normal_sf,
    t_quantile_upper, t_two_sided,
};
use serde::Serialize;
use thiserror::Error;

/// One score of one term.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TasterRow {
    /// Code of the lot (of the sample, where a lot is stored in several ways).
    pub lot: u32,
    /// Code of what the lot is one store or one steep of: a taster's view of it returns in all of
    /// them, so that only families are independent evidence. Elsewhere the lot's own code.
    pub family: u32,
    /// Code of the taster.
    pub taster: u32,
    /// Code of the session.
    pub session: u32,
    /// Code of the flight, unique over all sessions.
    pub flight: u32,
    /// Code of the cup that the tasters shared, unique over all sessions. Where tasters
    /// shared none, one code for each lot, session and replicate serves.
    pub cup: u32,
    /// Place of the cup in this taster's order within the flight, if known.
    pub position: Option<u32>,
    /// Months since some fixed day, if known.
    pub month: Option<f64>,
    /// The score.
    pub value: f64,
}

/// Why there is no table at all.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TasterError {
    /// Nobody to compare with.
    #[error("{found} tasters: a taster is compared with the others, so two are needed")]
    TooFewTasters {
        /// Tasters found.
        found: usize,
    },
    /// A score or month that is infinite or not a number.
    #[error("term {term}, row {row}: {found} is not a finite number")]
    NotFinite {
        /// Term, from 0.
        term: usize,
        /// Row of that term, from 0.
        row: usize,
        /// What stood there.
        found: f64,
    },
    /// A level outside 0 to 1.
    #[error("level {found} is not between 0 and 1")]
    BadLevel {
        /// What was asked for.
        found: f64,
    },
}

/// Why one number of a taster could not be estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Error)]
#[serde(rename_all = "snake_case")]
pub enum NotEstimated {
    /// The taster shares cups of too few lots with the others.
    #[error("too few lots in common with the others")]
    TooFewLots,
    /// One other taster cannot show how far the others' mean is to be trusted.
    #[error("needs at least two other tasters")]
    TooFewOthers,
    /// The others' means of the lots differ no more than their disagreement explains.
    #[error("the others do not tell these lots apart")]
    LotsAlike,
    /// No lot was tasted twice in one session.
    #[error("no lot was tasted twice in one session")]
    NoRepeats,
    /// Fewer than three sessions, or no months.
    #[error("needs three sessions with their months")]
    TooFewSessions,
    /// No positions, or too few flights to tell them from lots and tasters.
    #[error("needs the order of the cups in enough flights")]
    NoPositions,
    /// Nothing varies, so that there is no ratio.
    #[error("nothing varies")]
    NoVariation,
}

/// An estimate with its interval.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Its standard error.
    pub se: f64,
    /// Degrees of freedom of the t interval.
    pub df: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Two-sided p-value against "nothing to report" (0; 1 for a slope).
    pub p_value: f64,
}

impl Estimate {
    fn about(value: f64, se: f64, df: f64, null: f64, level: f64) -> Self {
        let reach = t_quantile_upper((1.0 - level) / 2.0, df) * se;
        let p_value = if se > 0.0 {
            t_two_sided((value - null) / se, df)
        } else if value == null {
            1.0
        } else if value == 0.0 && null == 1.0 {
            // One score for everything: nobody gives that who follows the others.
            0.0
        } else {
            // All say the same: their number alone is evidence, as in a sign test of df + 1 signs
            // (Dixon WJ, Mood AM 1946, Journal of the American Statistical Association 41:557-566, from
            // memory), not that they do not vary.
            (-df).exp2()
        };
        Self { value, se, df, lower: value - reach, upper: value + reach, p_value }
    }
}

/// A correlation over lots with its interval.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Correlation {
    /// Pearson's r.
    pub r: f64,
    /// Lower limit (Fisher's z); -1 with fewer than four lots.
    pub lower: f64,
    /// Upper limit; 1 with fewer than four lots.
    pub upper: f64,
    /// One-sided p-value that it is below 0; 1 with fewer than four lots.
    pub p_below_zero: f64,
    /// Lots.
    pub n_lots: usize,
}

fn correlation(x: &[f64], y: &[f64], level: f64) -> Result<Correlation, NotEstimated> {
    let n = x.len();
    if n < 3 {
        return Err(NotEstimated::TooFewLots);
    }
    let r = pearson(x, y).ok_or(NotEstimated::NoVariation)?;
    if n < 4 {
        return Ok(Correlation { r, lower: -1.0, upper: 1.0, p_below_zero: 1.0, n_lots: n });
    }
    let z = fisher_z(r);
    let se = 1.0 / (n as f64 - 3.0).sqrt();
    let reach = normal_quantile_upper((1.0 - level) / 2.0) * se;
    Ok(Correlation {
        r,
        lower: (z - reach).tanh(),
        upper: (z + reach).tanh(),
        p_below_zero: normal_sf(-z / se),
        n_lots: n,
    })
}

fn pearson(x: &[f64], y: &[f64]) -> Option<f64> {
    let (mx, my) = (crate::anova::mean(x), crate::anova::mean(y));
    let sxy: f64 = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum();
    let sxx: f64 = crate::anova::squares_about(x, mx);
    let syy: f64 = crate::anova::squares_about(y, my);
    (sxx > 0.0 && syy > 0.0).then(|| (sxy / (sxx * syy).sqrt()).clamp(-1.0, 1.0))
}

/// Fisher's z; an r of 1 counts as all but 1, so that sums stay finite.
fn fisher_z(r: f64) -> f64 {
    r.clamp(-1.0 + 1e-12, 1.0 - 1e-12).atanh()
}

/// How far a taster's repeats of one lot in one session lie apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Repeatability {
    /// Standard deviation within lot and session (brews and cups included).
    pub sd: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Lower limit (chi-square).
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Median of this standard deviation over the panel.
    pub panel_median: f64,
    /// The same standard deviation pooled over the others.
    pub others_sd: f64,
    /// Own variance over the others'.
    pub variance_ratio: f64,
    /// Lower limit of that ratio (F).
    pub ratio_lower: f64,
    /// Upper limit of that ratio.
    pub ratio_upper: f64,
    /// One-sided p-value that the taster is noisier than the others (F test).
    pub p_noisier: f64,
}

/// Makes the repeatabilities of a panel from each taster's within sum of squares and df.
fn repeatabilities(within: &[(f64, f64)], level: f64) -> Vec<Result<Repeatability, NotEstimated>> {
    let mut sds: Vec<f64> =
        within.iter().filter(|(_, df)| *df > 0.0).map(|(ss, df)| (ss / df).sqrt()).collect();
    sds.sort_by(f64::total_cmp);
    let panel_median = crate::rng::quantile_of_sorted(&sds, 0.5).unwrap_or(0.0);
    let total = within.iter().fold((0.0, 0.0), |sum, w| (sum.0 + w.0, sum.1 + w.1));
    let tail = (1.0 - level) / 2.0;
    within
        .iter()
        .enumerate()
        .map(|(i, &(ss, df))| {
            // Others are added up, not subtracted from the total, to keep small sums exact.
            let others: (f64, f64) = within
                .iter()
                .enumerate()
                .filter(|(j, _)| *j != i)
                .fold((0.0, 0.0), |sum, (_, w)| (sum.0 + w.0, sum.1 + w.1));
            if df < 1.0 || others.1 < 1.0 {
                return Err(NotEstimated::NoRepeats);
            }
            if total.0 <= 0.0 || others.0 <= 0.0 {
                return Err(NotEstimated::NoVariation);
            }
            let ratio = (ss / df) / (others.0 / others.1);
            // One noisy taster among the others makes their pooled variance as uncertain as fewer
            // degrees of freedom would (Satterthwaite 1946).
            let squares: f64 = within
                .iter()
                .enumerate()
                .filter(|(j, w)| *j != i && w.1 > 0.0)
                .map(|(_, w)| w.0 * w.0 / w.1)
                .sum();
            let others_df = others.0 * others.0 / squares;
            Ok(Repeatability {
                sd: (ss / df).sqrt(),
                df,
                lower: (ss / chi2_quantile_upper(tail, df)).sqrt(),
                upper: (ss / chi2_quantile(tail, df)).sqrt(),
                panel_median,
                others_sd: (others.0 / others.1).sqrt(),
                variance_ratio: ratio,
                ratio_lower: ratio / f_quantile_upper(tail, df, others_df),
                ratio_upper: ratio * f_quantile_upper(tail, others_df, df),
                p_noisier: f_sf(ratio, df, others_df),
            })
        })
        .collect()
}
