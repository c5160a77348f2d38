//! The table of one term: each taster against the others.

use super::habits::drift;
use super::paired::{Codes, LotPoint, SlopeParts, Term, corrected_slope};
use super::{
    Correlation, Estimate, NotEstimated, Repeatability, TasterError, TasterRow, correlation,
    repeatabilities,
};
use crate::anova::{FRatio, mean, one_way, squares_about};
use crate::multiple::holm;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// What stands out in one term. A remark, never a reason to drop a taster.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TermFlag {
    /// Scores higher or lower than the others.
    Offset,
    /// Uses less of the scale.
    Narrow,
    /// Uses more of the scale.
    Wide,
    /// Repeats lie further apart than the others'.
    Noisy,
    /// High where the others are low.
    Crossed,
}

/// One taster in one term.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TasterTerm {
    /// Code of the taster.
    pub taster: u32,
    /// Cups shared with at least one other.
    pub n_cups: usize,
    /// Lots of those cups.
    pub n_lots: usize,
    /// Own mean less the mean of the others on the same cups, lots weighing alike.
    pub offset: Result<Estimate, NotEstimated>,
    /// Slope of own lot means on the others', as it is: error in the others' mean pulls it
    /// towards 0.
    pub slope: Result<Estimate, NotEstimated>,
    /// Share of the variance of the others' lot means that is not their disagreement.
    pub reliability_of_others: Result<f64, NotEstimated>,
    /// The slope with that pull taken out; interval by leaving out one lot at a time.
    pub corrected_slope: Result<Estimate, NotEstimated>,
    /// Correlation of own lot means with the others'.
    pub correlation: Result<Correlation, NotEstimated>,
    /// Own repeats within lot and session.
    pub repeatability: Result<Repeatability, NotEstimated>,
    /// One-way analysis of variance of own scores by lot.
    pub discrimination: Option<FRatio>,
    /// Change of own against the others' (times the taster's own slope), in points a month;
    /// t over sessions.
    pub drift: Result<Estimate, NotEstimated>,
    /// What stands out, each at 0.05 after Holm over the tasters.
    pub flags: Vec<TermFlag>,
}

/// All tasters in one term.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TermTable {
    /// One entry a taster, in the order of the codes.
    pub tasters: Vec<TasterTerm>,
    /// Coverage of the intervals.
    pub level: f64,
}

/// Returns each taster's figures in one term, always against the mean of the others on the
/// same cups.
///
/// - offset: own minus others' per cup, averaged by lot, t interval over lots;
/// - slope b of own on others' lot means (least squares, t on lots - 2 df), and
///   `b / lambda`, lambda = 1 - (lot × taster mean square of the others / their number) /
///   variance of their lot means; its interval is a jackknife over lots (t on lots - 1 df);
///   for slopes the others' own offsets are taken out first, so that an absence moves
///   nothing;
/// - r with Fisher's z interval over lots;
/// - repeatability: standard deviation within lot and session, chi-square interval, F test
///   against the others' pooled variance (pots and cups differ too: it is not the taster's
///   alone);
/// - own F of lots over what is left within lots;
/// - drift: session means of own minus slope times others' on months, t over sessions.
///
/// With two tasters the corrected slope is not estimable. Flags are adjusted by Holm over
/// the tasters of this term, not over terms; for what runs through all terms see
/// [`super::habits`].
///
/// # Errors
/// [`TasterError`]: fewer than two tasters, a value that is not a number, a bad level.
///
/// # Source
/// Fuller WA (1987), Measurement Error Models, section 1.2 (correction of the slope);
/// Quenouille and Tukey's jackknife as in Efron B (1982); Holm S (1979).
pub fn taster_table(rows: &[TasterRow], level: f64) -> Result<TermTable, TasterError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(TasterError::BadLevel { found: level });
    }
    let codes = Codes::of(&[rows])?;
    let term = Term::new(rows, &codes);
    let repeats = repeatabilities(&term.within(), level);
    let mut tasters: Vec<TasterTerm> = codes
        .tasters
        .iter()
        .zip(repeats)
        .enumerate()
        .map(|(i, (&taster, repeatability))| {
            let parts = SlopeParts::new(&term, i);
            let points = parts.points();
            let own: Vec<f64> = points.iter().map(|p| p.own).collect();
            let others: Vec<f64> = points.iter().map(|p| p.others).collect();
            let differences = by_family(points.iter());
            let n_cups = term.pairs(i, &[]).len();
            TasterTerm {
                taster,
                n_cups,
                n_lots: points.len(),
                offset: mean_over_lots(&differences, level),
                slope: raw_slope(&parts, level),
                reliability_of_others: reliability(&parts),
                drift: drift(
                    std::slice::from_ref(&term),
                    i,
                    corrected_slope(&[&parts], None).unwrap_or(1.0),
                    level,
                ),
                corrected_slope: jackknifed_slope(&[&parts], level),
                correlation: correlation(&others, &own, level),
                repeatability,
                discrimination: own_discrimination(&term, i, codes.lots.len()),
                flags: Vec::new(),
            }
        })
        .collect();
    flag(&mut tasters, 1.0 - level);
    Ok(TermTable { tasters, level })
}

fn flag(tasters: &mut [TasterTerm], alpha: f64) {
    let mark = |tasters: &mut [TasterTerm],
                p: &dyn Fn(&TasterTerm) -> Option<f64>,
                which: &dyn Fn(&TasterTerm) -> TermFlag| {
        let (at, raw): (Vec<usize>, Vec<f64>) =
            tasters.iter().enumerate().filter_map(|(i, t)| p(t).map(|p| (i, p))).unzip();
        // A p-value that is not a number flags nothing.
        let Ok(adjusted) = holm(&raw) else { return };
        for (i, p) in at.into_iter().zip(adjusted) {
            if p <= alpha {
                let found = which(&tasters[i]);
                tasters[i].flags.push(found);
            }
        }
    };
    mark(tasters, &|t| t.offset.as_ref().ok().map(|e| e.p_value), &|_| TermFlag::Offset);
    mark(tasters, &|t| t.corrected_slope.as_ref().ok().map(|e| e.p_value), &|t| match &t
        .corrected_slope
    {
        Ok(e) if e.value > 1.0 => TermFlag::Wide,
        _ => TermFlag::Narrow,
    });
    mark(tasters, &|t| t.repeatability.as_ref().ok().map(|r| r.p_noisier), &|_| TermFlag::Noisy);
    mark(tasters, &|t| t.correlation.as_ref().ok().map(|c| c.p_below_zero), &|_| TermFlag::Crossed);
    // Whoever is crossed does not merely use less of the scale.
    for t in tasters.iter_mut() {
        if t.flags.contains(&TermFlag::Crossed) {
            t.flags.retain(|f| *f != TermFlag::Narrow);
        }
    }
}

/// Each family's mean of own minus others'.
pub(super) fn by_family<'a>(points: impl Iterator<Item = &'a LotPoint>) -> Vec<f64> {
    let mut all: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for p in points {
        all.entry(p.family).or_default().push(p.difference);
    }
    all.values().map(|d| mean(d)).collect()
}

/// Mean with a t interval, one number a lot.
pub(super) fn mean_over_lots(values: &[f64], level: f64) -> Result<Estimate, NotEstimated> {
    let n = values.len() as f64;
    if values.len() < 2 {
        return Err(NotEstimated::TooFewLots);
    }
    let centre = mean(values);
    let se = (squares_about(values, centre) / (n - 1.0) / n).sqrt();
    Ok(Estimate::about(centre, se, n - 1.0, 0.0, level))
}

fn raw_slope(parts: &SlopeParts, level: f64) -> Result<Estimate, NotEstimated> {
    let sums = parts.sums(None);
    if sums.n_lots < 3 {
        return Err(NotEstimated::TooFewLots);
    }
    if sums.sxx <= 0.0 {
        return Err(NotEstimated::LotsAlike);
    }
    let df = sums.n_lots as f64 - 2.0;
    let slope = sums.sxy / sums.sxx;
    let rest = (sums.syy - slope * sums.sxy).max(0.0);
    let se = (rest / df / sums.sxx).sqrt();
    Ok(Estimate::about(slope, se, df, 1.0, level))
}

fn reliability(parts: &SlopeParts) -> Result<f64, NotEstimated> {
    let sums = parts.sums(None);
    if sums.n_lots < 3 {
        return Err(NotEstimated::TooFewLots);
    }
    let noise = sums.noise.ok_or(NotEstimated::TooFewOthers)?;
    if sums.sxx <= 0.0 {
        return Err(NotEstimated::LotsAlike);
    }
    Ok((1.0 - noise / sums.sxx).max(0.0))
}

/// The corrected slope over one or more terms with its jackknife interval: whole families of
/// lots are left out, in all terms at once.
pub(super) fn jackknifed_slope(
    terms: &[&SlopeParts],
    level: f64,
) -> Result<Estimate, NotEstimated> {
    let families: BTreeSet<u32> = terms.iter().flat_map(|t| t.families()).collect();
    if families.len() < 4 {
        return Err(NotEstimated::TooFewLots);
    }
    let whole = corrected_slope(terms, None)?;
    let left_out: Vec<f64> =
        families.iter().map(|&f| corrected_slope(terms, Some(f))).collect::<Result<_, _>>()?;
    let n = families.len() as f64;
    let se = ((n - 1.0) / n * squares_about(&left_out, mean(&left_out))).sqrt();
    Ok(Estimate::about(whole, se, n - 1.0, 1.0, level))
}

fn own_discrimination(term: &Term, taster: usize, n_lots: usize) -> Option<FRatio> {
    let mut groups = vec![Vec::new(); n_lots];
    for r in term.rows.iter().filter(|r| r.taster == taster) {
        groups[r.lot].push(r.row.value);
    }
    one_way(&groups).ok()?.f_test
}
