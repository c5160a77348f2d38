//! What runs through all terms: a taster's habits, with one rule for naming each.

use super::paired::{Codes, SlopeParts, Term};
use super::swap::{SwapTest, tests_of};
use super::term::{by_family, jackknifed_slope, mean_over_lots};
use super::{
    Correlation, Estimate, NotEstimated, Repeatability, TasterError, TasterRow, correlation,
    repeatabilities,
};
use crate::anova::mean;
use crate::least_squares::{Basis, regress};
use crate::mixed::{Factor, FixedPart, Method, MixedError, Model, RandomTerm};
use crate::multiple::holm;
use serde::Serialize;
use std::collections::BTreeMap;

/// How large a habit must be to be named, besides being significant. The defaults are for
/// line scales of 0 to 10; common practice, no source.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HabitLimits {
    /// Smallest offset, in points.
    pub offset: f64,
    /// A slope below this is narrow.
    pub narrow: f64,
    /// A slope above this is wide.
    pub wide: f64,
    /// Repeatability over the panel's median from which a taster is noisy.
    pub noisy: f64,
    /// Smallest drift over the whole time of the record, in points.
    pub drift: f64,
    /// Level of the adjusted p-values.
    pub alpha: f64,
}

impl Default for HabitLimits {
    fn default() -> Self {
        Self { offset: 0.5, narrow: 0.7, wide: 1.4, noisy: 1.5, drift: 0.5, alpha: 0.05 }
    }
}

/// An estimate, or why there is none, with the p-value adjusted over the panel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tested<T> {
    /// The estimate.
    pub estimate: Result<T, NotEstimated>,
    /// By Holm over the tasters (crossed terms: over tasters and terms).
    pub p_adjusted: Option<f64>,
    /// Significant and large enough to be named.
    pub named: bool,
}

/// A habit that is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Flag {
    /// Scores higher or lower than the others in all.
    Offset,
    /// Uses less of the scale.
    Narrow,
    /// Uses more of the scale.
    Wide,
    /// Repeats lie further apart than the others'.
    Noisy,
    /// Moves against the others over the months.
    Drift,
    /// High where the others are low, in this term.
    Crossed {
        /// Place of the term in the input.
        term: usize,
    },
    /// Two terms swapped.
    Swapped {
        /// Place of the first term.
        a: usize,
        /// Place of the second.
        b: usize,
    },
}

/// One term of a taster that runs against the others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CrossedTerm {
    /// Place of the term in the input.
    pub term: usize,
    /// Correlation over lots; its p-value is one-sided.
    pub tested: Tested<Correlation>,
}

/// The habits of one taster.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TasterHabits {
    /// Code of the taster.
    pub taster: u32,
    /// Scores shared with at least one other, over all terms.
    pub n_scores: usize,
    /// Lots of those.
    pub n_lots: usize,
    /// Mean of own minus others' over all terms, in points.
    pub offset: Tested<Estimate>,
    /// The offset against only those others whose own offset was not named; `None` when
    /// that changes nothing or leaves fewer than two.
    pub offset_without_named: Option<f64>,
    /// Slope on the others pooled over terms, corrected for their error; terms of a named
    /// swap are left out.
    pub slope: Tested<Estimate>,
    /// Own repeats against the others', pooled over terms.
    pub noise: Tested<Repeatability>,
    /// Change of own against the others' (times the taster's own slope), in points a month.
    pub drift: Tested<Estimate>,
    /// Each term's correlation with the others.
    pub terms: Vec<CrossedTerm>,
    /// The habits that are named.
    pub flags: Vec<Flag>,
}

/// The habits of a panel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Habits {
    /// One entry a taster, in the order of the codes.
    pub tasters: Vec<TasterHabits>,
    /// Every swap that could be tested.
    pub swaps: Vec<SwapTest>,
    /// The rule by which habits are named.
    pub limits: HabitLimits,
    /// Coverage of the intervals.
    pub level: f64,
}

/// Returns each taster's habits over all terms of one scale, and names those that are both
/// significant and large.
///
/// `terms[i]` holds the rows of term i, all on scales of the same length. Evidence is
/// pooled over terms, lots stay the unit:
/// - offset: for each lot the mean over terms of own minus others', t over lots;
/// - slope: `sum of sxy over terms / sum of (sxx - noise)`, noise the part of the others'
///   spread that their disagreement explains; jackknife over lots;
/// - noise: own variance within lot and session over the others', F interval;
/// - drift: own minus slope times others' of each cup on months, a mixed model with lots and
///   sessions random, with the taster's own slope from above;
/// - swaps: see [`super::swap_tests`];
/// - crossed: r below 0 over lots, by term, not for terms of a named swap.
///
/// p-values are adjusted by Holm over the tasters for each kind of habit (crossed and
/// swapped: over terms or pairs as well), so that a clean panel is accused of one kind with
/// a chance below `alpha`. Offsets are named one by one, the largest first, and what is
/// left must still be large against those not named: one high taster does not make the
/// others low. With two or three tasters who is off cannot be told; the numbers stand, but
/// should be read as opinions.
///
/// Measured over 100 seeds of the demo's record (ten sessions, six tasters): a slope of .45, an
/// offset of 1.3, a noise of 1.7 against .6 and two swapped terms are named in 100, 100, 100
/// and 96; a sound taster is accused in 1 (drift). One session of six cups twice, 200 panels:
/// offset and noise in 200, slope in 99, swap in none (it takes six lots); of 200 clean panels
/// none is accused.
///
/// # Errors
/// [`TasterError`]: fewer than two tasters, a value that is not a number, a bad level.
///
/// # Source
/// As in [`super::taster_table`]; pooling and the rule for naming are our own.
pub fn habits(
    terms: &[&[TasterRow]],
    limits: &HabitLimits,
    level: f64,
) -> Result<Habits, TasterError> {
    for found in [level, limits.alpha] {
        if !(found > 0.0 && found < 1.0) {
            return Err(TasterError::BadLevel { found });
        }
    }
    let codes = Codes::of(terms)?;
    let n = codes.tasters.len();
    let data: Vec<Term> = terms.iter().map(|rows| Term::new(rows, &codes)).collect();
    let parts: Vec<Vec<SlopeParts>> =
        data.iter().map(|term| (0..n).map(|t| SlopeParts::new(term, t)).collect()).collect();
    let swaps = tests_of(&codes, &parts, limits.alpha, level);
    let in_swap = |taster: usize, term: usize| {
        swaps
            .iter()
            .any(|s| s.named && s.taster == codes.tasters[taster] && (s.a == term || s.b == term))
    };
    let (offsets, without_named) = offsets(&data, n, limits, level);
    let slopes: Vec<Tested<Estimate>> = tested(
        (0..n)
            .map(|t| {
                let kept: Vec<&SlopeParts> = parts
                    .iter()
                    .enumerate()
                    .filter(|(term, _)| !in_swap(t, *term))
                    .map(|(_, p)| &p[t])
                    .collect();
                jackknifed_slope(&kept, level)
            })
            .collect(),
        |e| e.p_value,
        |e| e.value < limits.narrow || e.value > limits.wide,
        limits.alpha,
    );
    let within = data.iter().map(Term::within).fold(
        vec![(0.0, 0.0); n],
        |mut sum: Vec<(f64, f64)>, term| {
            for (s, w) in sum.iter_mut().zip(term) {
                s.0 += w.0;
                s.1 += w.1;
            }
            sum
        },
    );
    let noises = tested(
        repeatabilities(&within, level),
        |r| r.p_noisier,
        |r| r.sd >= limits.noisy * r.panel_median,
        limits.alpha,
    );
    let span = months(&data);
    let drifts = tested(
        (0..n)
            .map(|t| {
                let slope = slopes[t].estimate.as_ref().map_or(1.0, |e| e.value);
                drift(&data, t, slope, level)
            })
            .collect(),
        |e| e.p_value,
        |e| (e.value * span).abs() >= limits.drift,
        limits.alpha,
    );
    let mut crossed = crossed_terms(&parts, n, &in_swap, limits.alpha, level);
    let mut tasters = Vec::with_capacity(n);
    for (t, (((offset, slope), noise), drift)) in
        offsets.into_iter().zip(slopes).zip(noises).zip(drifts).enumerate()
    {
        let terms = std::mem::take(&mut crossed[t]);
        let mut flags = Vec::new();
        if offset.named {
            flags.push(Flag::Offset);
        }
        if let (true, Ok(e)) = (slope.named, &slope.estimate) {
            flags.push(if e.value < 1.0 { Flag::Narrow } else { Flag::Wide });
        }
        if noise.named {
            flags.push(Flag::Noisy);
        }
        if drift.named {
            flags.push(Flag::Drift);
        }
        flags.extend(
            terms.iter().filter(|c| c.tested.named).map(|c| Flag::Crossed { term: c.term }),
        );
        flags.extend(
            swaps
                .iter()
                .filter(|s| s.named && s.taster == codes.tasters[t])
                .map(|s| Flag::Swapped { a: s.a, b: s.b }),
        );
        let mut lots: Vec<usize> = parts.iter().flat_map(|p| p[t].lots()).collect();
        lots.sort_unstable();
        lots.dedup();
        tasters.push(TasterHabits {
            taster: codes.tasters[t],
            n_scores: data.iter().map(|term| term.pairs(t, &[]).len()).sum(),
            n_lots: lots.len(),
            offset,
            offset_without_named: without_named[t],
            slope,
            noise,
            drift,
            terms,
            flags,
        });
    }
    Ok(Habits { tasters, swaps, limits: limits.clone(), level })
}

/// Adjusts over the tasters and names what is significant and large.
fn tested<T>(
    estimates: Vec<Result<T, NotEstimated>>,
    p_of: impl Fn(&T) -> f64,
    large: impl Fn(&T) -> bool,
    alpha: f64,
) -> Vec<Tested<T>> {
    let raw: Vec<f64> = estimates
        .iter()
        .filter_map(|e| e.as_ref().ok().map(&p_of))
        .map(|p| if p.is_nan() { 1.0 } else { p.clamp(0.0, 1.0) })
        .collect();
    let mut adjusted =
        holm(&raw).expect("each p-value was just brought between 0 and 1").into_iter();
    estimates
        .into_iter()
        .map(|estimate| {
            let p_adjusted = estimate.is_ok().then(|| adjusted.next()).flatten();
            let named = match (&estimate, p_adjusted) {
                (Ok(e), Some(p)) => p <= alpha && large(e),
                _ => false,
            };
            Tested { estimate, p_adjusted, named }
        })
        .collect()
}

/// For each lot (with all its stores) the mean over terms of own minus others'.
fn offset_of(
    data: &[Term],
    taster: usize,
    without: &[usize],
    level: f64,
) -> Result<Estimate, NotEstimated> {
    let points: Vec<_> = data.iter().flat_map(|t| t.lot_points(taster, without)).collect();
    mean_over_lots(&by_family(points.iter()), level)
}

fn offsets(
    data: &[Term],
    n: usize,
    limits: &HabitLimits,
    level: f64,
) -> (Vec<Tested<Estimate>>, Vec<Option<f64>>) {
    let mut all = tested(
        (0..n).map(|t| offset_of(data, t, &[], level)).collect(),
        |e| e.p_value,
        |e| e.value.abs() >= limits.offset,
        limits.alpha,
    );
    let mut without_named = vec![None; n];
    let size = |t: &Tested<Estimate>| t.estimate.as_ref().map_or(0.0, |e| e.value.abs());
    let mut candidates: Vec<usize> = (0..n).filter(|&t| all[t].named).collect();
    candidates.sort_by(|&a, &b| size(&all[b]).total_cmp(&size(&all[a])));
    let mut named: Vec<usize> = Vec::new();
    while !candidates.is_empty() {
        // Taken in the order of what is left against those not yet named.
        let now: Vec<(usize, f64)> = candidates
            .iter()
            .map(|&t| {
                let left = if named.is_empty() || n - named.len() < 3 {
                    all[t].estimate.as_ref().map_or(0.0, |e| e.value)
                } else {
                    offset_of(data, t, &named, level).map_or(0.0, |e| e.value)
                };
                (t, left)
            })
            .collect();
        let Some(&(next, left)) = now.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) else {
            break;
        };
        if left.abs() < limits.offset {
            break;
        }
        named.push(next);
        candidates.retain(|&t| t != next);
    }
    for t in 0..n {
        let others_named: Vec<usize> = named.iter().copied().filter(|&o| o != t).collect();
        if !others_named.is_empty() && n - 1 - others_named.len() >= 2 {
            without_named[t] = offset_of(data, t, &others_named, level).ok().map(|e| e.value);
        }
        all[t].named = named.contains(&t);
    }
    (all, without_named)
}

fn months(data: &[Term]) -> f64 {
    let all = || data.iter().flat_map(|t| t.rows.iter()).filter_map(|r| r.row.month);
    let low = all().fold(f64::INFINITY, f64::min);
    let high = all().fold(f64::NEG_INFINITY, f64::max);
    (high - low).max(0.0)
}

/// Own minus `slope` times the others' of each cup, over the terms, on the months: a mixed model
/// with a line in months fixed, lots and sessions random. The slope is the taster's own: one who
/// uses less of the scale must not seem to drift when higher or lower lots are served. Lots are
/// random since a taster's view of a lot returns whenever the lot does, and would pass for a drift
/// where the lots of the beginning are not those of the end. t on Satterthwaite's degrees of
/// freedom, never more than sessions less 2.
pub(super) fn drift(
    data: &[Term],
    taster: usize,
    slope: f64,
    level: f64,
) -> Result<Estimate, NotEstimated> {
    let mut by_cup: BTreeMap<(u32, u32, u32), (f64, Vec<f64>)> = BTreeMap::new();
    for term in data {
        let pairs = term.pairs(taster, &[]);
        // Less the term's own means, since not every session asks for every term.
        let centre = mean(&pairs.iter().map(|p| p.level).collect::<Vec<_>>());
        let own = mean(&pairs.iter().map(|p| p.placed.row.value).collect::<Vec<_>>());
        for pair in pairs {
            let row = pair.placed.row;
            if let Some(month) = row.month {
                let cup = by_cup.entry((row.session, row.family, row.cup)).or_default();
                cup.0 = month;
                // The others' mean without their offsets: an absence must not look like a drift.
                cup.1.push(row.value - own - slope * (pair.level - centre));
            }
        }
    }
    let codes = |of: fn(&(u32, u32, u32)) -> u32| {
        Factor::from_labels(&by_cup.keys().map(of).collect::<Vec<_>>()).0
    };
    let (session, lot) = (codes(|k| k.0), codes(|k| k.1));
    if session.n_levels < 3 {
        return Err(NotEstimated::TooFewSessions);
    }
    let most_df = session.n_levels as f64 - 2.0;
    let month: Vec<f64> = by_cup.values().map(|c| c.0).collect();
    let difference: Vec<f64> = by_cup.values().map(|c| mean(&c.1)).collect();
    let n = month.len();
    let mut random = vec![RandomTerm::new("lot", lot), RandomTerm::new("session", session)];
    random.retain(|r| r.factor.n_levels < n);
    let fixed = FixedPart::intercept(n).with_column("month", month.clone());
    loop {
        match Model::new(&fixed, &random) {
            Ok(model) => match model.fit(&difference, Method::Reml) {
                Ok(fit) => {
                    let c = fit.contrast(&[0.0, 1.0], level);
                    if !c.estimable {
                        return Err(NotEstimated::TooFewSessions);
                    }
                    return Ok(Estimate::about(c.estimate, c.se, c.df.min(most_df), 0.0, level));
                }
                // Nothing varies about the line: least squares say so.
                Err(_) => break,
            },
            Err(MixedError::NotIdentified { term, .. })
                if random.iter().any(|r| r.name == term) =>
            {
                random.retain(|r| r.name != term);
            }
            Err(_) => break,
        }
    }
    let mut constant = Basis::new(n);
    constant.push(&vec![1.0; n]);
    let fit = regress(&constant, &[month], &difference).ok_or(NotEstimated::TooFewSessions)?;
    let se = (fit.residual_ss / fit.df * fit.inverse[0][0]).sqrt();
    Ok(Estimate::about(fit.coefficients[0], se, fit.df.min(most_df), 0.0, level))
}

fn crossed_terms(
    parts: &[Vec<SlopeParts>],
    n: usize,
    in_swap: &dyn Fn(usize, usize) -> bool,
    alpha: f64,
    level: f64,
) -> Vec<Vec<CrossedTerm>> {
    let mut flat = Vec::new();
    for t in 0..n {
        for term in parts {
            let points = term[t].points();
            let own: Vec<f64> = points.iter().map(|p| p.own).collect();
            let others: Vec<f64> = points.iter().map(|p| p.others).collect();
            flat.push(correlation(&others, &own, level));
        }
    }
    let mut all = tested(flat, |c| c.p_below_zero, |_| true, alpha).into_iter();
    (0..n)
        .map(|t| {
            all.by_ref()
                .take(parts.len())
                .enumerate()
                .map(|(term, mut tested)| {
                    tested.named &= !in_swap(t, term);
                    CrossedTerm { term, tested }
                })
                .collect()
        })
        .collect()
}
