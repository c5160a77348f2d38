//! Which batches, in which order, on which day.

use std::collections::BTreeMap;

use blindsteep_stats::optimal::{self, Exact, OptimalError};
use blindsteep_stats::rng::{Stream, stream};
use schemars::JsonSchema;
use serde::Serialize;

use super::factors::Asked;
use super::fractions::{self, FractionTold};
use super::{TrialError, Wish};
use crate::book::trials::{Level, MadeBy};
use crate::findings::{Answer, Settings, count};

/// Beyond so many combinations of levels so many are drawn by lot.
const MOST_COMBINATIONS: usize = 4096;
/// Starts of the search.
const STARTS: usize = 24;
/// Prior information on each column where nothing tells all of them apart.
const PRIOR: f64 = 1e-3;
/// Orders among which the one is taken whose days are most alike.
const ORDERS: usize = 400;

/// A batch to be made.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Batch {
    /// Its number, in the order of making.
    pub run: u32,
    /// The day, from 1; batches of one day belong together.
    pub day: u32,
    /// The level of each factor.
    pub settings: BTreeMap<String, Level>,
}

/// The batches that were chosen.
pub struct Chosen {
    /// How.
    pub made_by: MadeBy,
    /// In order.
    pub batches: Vec<Batch>,
    /// The level of each factor, batch by batch.
    pub levels: Vec<Vec<Level>>,
    /// Allowed combinations.
    pub n_combinations: usize,
    /// Whether the combinations were too many to be tried all.
    pub drawn: bool,
    /// Whether no choice tells all columns apart.
    pub singular: bool,
    /// Starts that agree.
    pub starts_agreeing: Answer<usize>,
    /// The aliases of a fraction.
    pub fraction: Answer<FractionTold>,
}

/// Chooses the batches.
pub fn choose(asked: &Asked, wish: &Wish, settings: &Settings) -> Result<Chosen, TrialError> {
    let p = asked.columns.len() + 1;
    let n = asked.lots.len() + wish.batches;
    if n < p {
        let needed = p - asked.lots.len();
        return Err(TrialError::new(
            format!(
                "{} {} cannot tell {} apart",
                count(wish.batches, "batch", "batches"),
                if asked.lots.is_empty() { "alone" } else { "with the lots made so far" },
                count(
                    p - 1,
                    "column of factors and their mean",
                    "columns of factors and their mean"
                ),
            ),
            format!("at least {needed} batches, better {}", needed + 4),
            "ask for more batches, or name fewer factors or levels with --factor",
        ));
    }
    let (combinations, drawn) = combinations(asked, settings.seed);
    if combinations.is_empty() {
        return Err(TrialError::new(
            "--never forbids every combination of levels",
            "at least one combination that can be made",
            "take one of the --never out",
        ));
    }
    for (f, factor) in asked.factors.iter().enumerate() {
        let mut all = asked.made.iter().chain(&combinations).map(|levels| &levels[f]);
        let first = all.next();
        if let Some(first) = first.filter(|first| all.all(|l| l.same(first))) {
            return Err(TrialError::new(
                format!("--never leaves {} one level only, {first}", factor.parameter),
                "two levels at least of each factor",
                format!(
                    "take one of the --never out, or leave {} out of the factors",
                    factor.parameter
                ),
            ));
        }
    }
    let n_combinations = combinations.len();
    if let Some((levels, told)) = fractions::fraction(asked, wish) {
        let batches = in_order(asked, &levels, wish, settings.seed);
        let levels = batches.1;
        return Ok(Chosen {
            made_by: MadeBy::Fraction,
            batches: batches.0,
            levels,
            n_combinations,
            drawn,
            singular: false,
            starts_agreeing: Answer::unknown("a classical fraction is not searched for"),
            fraction: Answer::Known(told),
        });
    }
    let rows: Vec<Vec<f64>> = combinations.iter().map(|c| asked.row(c)).collect();
    let given: Vec<Vec<f64>> = asked.made.iter().map(|m| asked.row(m)).collect();
    let search = |prior: f64| {
        let mut all = vec![prior; p];
        all[0] = 0.0;
        optimal::exchange(&given, &rows, wish.batches, &all, STARTS, settings.seed)
    };
    let (found, singular) = match search(0.0) {
        Ok(found) => (found, false),
        Err(OptimalError::Singular { .. }) => (search(PRIOR).map_err(failed)?, true),
        Err(e) => return Err(failed(e)),
    };
    let Exact { chosen, starts_agreeing, .. } = found;
    let levels: Vec<Vec<Level>> = chosen.iter().map(|c| combinations[*c].clone()).collect();
    let (batches, levels) = in_order(asked, &levels, wish, settings.seed);
    Ok(Chosen {
        made_by: if asked.lots.is_empty() { MadeBy::Optimal } else { MadeBy::Additions },
        batches,
        levels,
        n_combinations,
        drawn,
        singular,
        starts_agreeing: Answer::Known(starts_agreeing),
        fraction: Answer::unknown(if asked.lots.is_empty() {
            "a classical fraction needs two levels of each factor, all combinations allowed, and 4, 8, \
             16 or 32 batches that hold the factors"
        } else {
            "these are additions to lots made before"
        }),
    })
}

fn failed(e: OptimalError) -> TrialError {
    TrialError::new(
        format!("no batches can be chosen: {e}"),
        "levels that differ and can be combined",
        "name other levels, or fewer factors, with --factor",
    )
}

/// The combinations of levels that are allowed, or some of them drawn by lot where they are many.
fn combinations(asked: &Asked, seed: u64) -> (Vec<Vec<Level>>, bool) {
    let sizes: Vec<usize> = asked.factors.iter().map(|f| f.levels.len()).collect();
    let total = sizes.iter().fold(1_usize, |all, s| all.saturating_mul(*s));
    let at = |places: &[usize]| -> Vec<Level> {
        places.iter().zip(&asked.factors).map(|(p, f)| f.levels[*p].clone()).collect()
    };
    let allowed = |levels: &Vec<Level>| {
        !asked.never.iter().any(|all| all.iter().all(|(f, l)| levels[*f].same(l)))
    };
    if total <= MOST_COMBINATIONS {
        let all = (0..total).map(|mut i| {
            let places: Vec<usize> = sizes
                .iter()
                .map(|s| {
                    let place = i % s;
                    i /= s;
                    place
                })
                .collect();
            at(&places)
        });
        return (all.filter(allowed).collect(), false);
    }
    let mut draws = stream(seed, u64::MAX);
    let drawn = (0..MOST_COMBINATIONS).map(|_| {
        // The ends of each factor twice as often as its middle: designs live at the ends.
        let places: Vec<usize> = sizes.iter().map(|s| place(&mut draws, *s)).collect();
        at(&places)
    });
    (drawn.filter(allowed).collect(), true)
}

fn place(draws: &mut Stream, size: usize) -> usize {
    if draws.below(2) == 0 { draws.below(2) * (size - 1) } else { draws.below(size) }
}

/// Puts batches in a random order: those of one season together, spread over days so that the levels
/// of each factor are as even over the days of a season as the drawn orders allow.
fn in_order(
    asked: &Asked,
    levels: &[Vec<Level>],
    wish: &Wish,
    seed: u64,
) -> (Vec<Batch>, Vec<Vec<Level>>) {
    let mut draws = stream(seed, u64::MAX - 1);
    let seasons: Vec<Option<&Level>> = match asked.season() {
        Some(f) => asked.factors[f].levels.iter().map(Some).collect(),
        None => vec![None],
    };
    let (mut ordered, mut days) = (Vec::new(), Vec::new());
    for season in seasons {
        let own: Vec<&Vec<Level>> = levels
            .iter()
            .filter(|l| match (season, asked.season()) {
                (Some(s), Some(f)) => l[f].same(s),
                _ => true,
            })
            .collect();
        if own.is_empty() {
            continue;
        }
        let first = days.last().map_or(1, |d| d + 1);
        let n_days = own.len().div_ceil(wish.a_day);
        // Days as alike in size as can be.
        let day_of = |place: usize| (place * n_days / own.len()) as u32;
        let rows: Vec<Vec<f64>> = own.iter().map(|l| asked.row(l)).collect();
        let mut best: Option<(f64, Vec<usize>)> = None;
        for _ in 0..if n_days > 1 { ORDERS } else { 1 } {
            let mut order: Vec<usize> = (0..own.len()).collect();
            draws.shuffle(&mut order);
            let uneven = uneven(&rows, &order, n_days, &day_of);
            if best.as_ref().is_none_or(|(known, _)| uneven < known - 1e-12) {
                best = Some((uneven, order));
            }
        }
        for (place, i) in best.map(|b| b.1).unwrap_or_default().into_iter().enumerate() {
            ordered.push(own[i].clone());
            days.push(first + day_of(place));
        }
    }
    let batches = ordered
        .iter()
        .zip(&days)
        .zip(1..)
        .map(|((levels, day), run)| Batch {
            run,
            day: *day,
            settings: asked
                .factors
                .iter()
                .zip(levels)
                .map(|(f, l)| (f.parameter.clone(), l.clone()))
                .collect(),
        })
        .collect();
    (batches, ordered)
}

/// How far the days' means lie from the mean of all, over all columns.
fn uneven(rows: &[Vec<f64>], order: &[usize], n_days: usize, day_of: &dyn Fn(usize) -> u32) -> f64 {
    let n = rows.len() as f64;
    (1..rows[0].len())
        .map(|j| {
            let all = rows.iter().map(|r| r[j]).sum::<f64>() / n;
            (0..n_days as u32)
                .map(|day| {
                    let own: Vec<f64> = order
                        .iter()
                        .enumerate()
                        .filter(|(place, _)| day_of(*place) == day)
                        .map(|(_, i)| rows[*i][j])
                        .collect();
                    let m = own.len() as f64;
                    if own.is_empty() {
                        0.0
                    } else {
                        m * (own.iter().sum::<f64>() / m - all).powi(2)
                    }
                })
                .sum::<f64>()
        })
        .sum()
}
