//! What the order of the cups does: the first cup of a flight, and the cup before.

use super::paired::{Codes, Term};
use super::{Estimate, NotEstimated, TasterError, TasterRow};
use crate::least_squares::{Basis, Regression, regress};
use serde::Serialize;
use std::collections::BTreeMap;

/// The effects of order in one term, for the panel and for each taster.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OrderEffects {
    /// First cup of a flight against the later ones, in points.
    pub first_cup: Result<Estimate, NotEstimated>,
    /// Change for each point by which the cup before lay above its flight's mean.
    pub carry_over: Result<Estimate, NotEstimated>,
    /// The same for each taster.
    pub tasters: Vec<TasterOrderEffects>,
    /// Scores used.
    pub n_scores: usize,
    /// Coverage of the intervals.
    pub level: f64,
}

/// The effects of order on one taster.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TasterOrderEffects {
    /// Code of the taster.
    pub taster: u32,
    /// First cup against the later ones.
    pub first_cup: Result<Estimate, NotEstimated>,
    /// Change for each point of the cup before.
    pub carry_over: Result<Estimate, NotEstimated>,
}

/// Returns the effect of being the first cup of a flight and of the cup before, in one term.
///
/// Least squares of the scores on cups, taster × flight, an indicator of the taster's
/// lowest position in the flight, and the level of the cup tasted before (the panel's mean
/// of that cup less the mean of the flight's cups; 0 for the first cup). Every cup is
/// compared with itself in other places, so that the lots do not matter; the orders must
/// differ between tasters. A taster's own effects come from the differences to the others'
/// mean on the same cups, with the difference of the two regressors. The level of the cup
/// before carries the panel's error, which pulls the carry-over a little towards 0.
///
/// # Errors
/// [`TasterError`]: fewer than two tasters, a value that is not a number, a bad level. Rows
/// without a position are left out; if too few are left the effects say so.
///
/// # Source
/// MacFie HJ, Bratchell N, Greenhoff K, Vallis LV (1989), Journal of Sensory Studies
/// 4:129-148, for the effects; the model is ordinary least squares.
pub fn order_effects(rows: &[TasterRow], level: f64) -> Result<OrderEffects, TasterError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(TasterError::BadLevel { found: level });
    }
    let codes = Codes::of(&[rows])?;
    let term = Term::new(rows, &codes);
    let used = with_order(&term);
    let panel = panel_fit(&used);
    let [first_cup, carry_over] = both(panel.as_ref(), level);
    let tasters = codes
        .tasters
        .iter()
        .enumerate()
        .map(|(t, &taster)| {
            let [first_cup, carry_over] = both(taster_fit(&used, t).as_ref(), level);
            TasterOrderEffects { taster, first_cup, carry_over }
        })
        .collect();
    Ok(OrderEffects { first_cup, carry_over, tasters, n_scores: used.len(), level })
}

/// The effects of order over several terms together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PooledOrder {
    /// First cup of a flight against the later ones, in points, the same in all terms.
    pub first_cup: Result<Estimate, NotEstimated>,
    /// Change for each point by which the cup before lay above its flight's mean.
    pub carry_over: Result<Estimate, NotEstimated>,
    /// Flights as one taster had them.
    pub n_servings: usize,
    /// Scores used.
    pub n_scores: usize,
}

/// Returns the effects of order that all terms have in common: one first-cup effect and one
/// carry-over for `terms`, which must lie on scales of the same length.
///
/// The scores, the first-cup indicator and the level of the cup before are freed of cups and
/// taster × flight in each term and flight as in [`order_effects`]; then least squares over
/// all terms. What one taster writes in one flight hangs together over terms, so errors are
/// summed by taster and flight (a sandwich), times `g / (g - f - 2)` for `g` such servings in
/// `f` flights, t on `g - f - 2` degrees of freedom.
///
/// # Errors
/// As [`order_effects`].
///
/// # Source
/// As [`order_effects`]; Liang KY, Zeger SL (1986), Biometrika 73:13-22, for the sandwich.
pub fn pooled_order(terms: &[&[TasterRow]], level: f64) -> Result<PooledOrder, TasterError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(TasterError::BadLevel { found: level });
    }
    let codes = Codes::of(terms)?;
    // For each serving: squares and products of the two regressors, and theirs with the score.
    let mut servings: BTreeMap<(u32, usize), Vec<[f64; 3]>> = BTreeMap::new();
    for rows in terms {
        for flight in freed(&with_order(&Term::new(rows, &codes))) {
            for (o, row) in flight.keys.iter().zip(flight.rows) {
                servings.entry(*o).or_default().push(row);
            }
        }
    }
    let n_scores = servings.values().map(Vec::len).sum();
    let [first_cup, carry_over] = pooled(&servings, level);
    Ok(PooledOrder { first_cup, carry_over, n_servings: servings.len(), n_scores })
}

fn pooled(
    servings: &BTreeMap<(u32, usize), Vec<[f64; 3]>>,
    level: f64,
) -> [Result<Estimate, NotEstimated>; 2] {
    let none = || [Err(NotEstimated::NoPositions), Err(NotEstimated::NoPositions)];
    let rows: Vec<&[f64; 3]> = servings.values().flatten().collect();
    let column = |k: usize| -> Vec<f64> { rows.iter().map(|r| r[k]).collect() };
    let Some(fit) = regress(&Basis::new(rows.len()), &[column(1), column(2)], &column(0)) else {
        return none();
    };
    let flights: std::collections::BTreeSet<u32> = servings.keys().map(|k| k.0).collect();
    let g = servings.len() as f64;
    let df = g - flights.len() as f64 - 2.0;
    if df < 1.0 {
        return none();
    }
    // What each serving leaves of the two sums; `inverse` times it is its part in the estimates.
    let scores: Vec<[f64; 2]> = servings
        .values()
        .map(|own| {
            own.iter().fold([0.0; 2], |sum, r| {
                let left = r[0] - fit.coefficients[0] * r[1] - fit.coefficients[1] * r[2];
                [sum[0] + r[1] * left, sum[1] + r[2] * left]
            })
        })
        .collect();
    [0, 1].map(|k| {
        let inverse = &fit.inverse[k];
        let part = |u: &[f64; 2]| (inverse[0] * u[0] + inverse[1] * u[1]).powi(2);
        let variance = scores.iter().map(part).sum::<f64>() * g / df;
        Ok(Estimate::about(fit.coefficients[k], variance.sqrt(), df, 0.0, level))
    })
}

/// One flight with cups and taster × flight taken out: score, first cup, cup before.
struct Freed {
    keys: Vec<(u32, usize)>,
    rows: Vec<[f64; 3]>,
    rank: usize,
}

/// Cups and taster × flight both lie within flights, so that they are taken out flight by
/// flight: the same fit as with all of them at once, in a small part of the time.
fn freed(used: &[Ordered]) -> Vec<Freed> {
    let mut flights: BTreeMap<u32, Vec<&Ordered>> = BTreeMap::new();
    for o in used {
        flights.entry(o.flight).or_default().push(o);
    }
    flights
        .into_values()
        .map(|scores| {
            let mut nuisance = Basis::new(scores.len());
            push_levels(&mut nuisance, &scores.iter().map(|o| o.cup).collect::<Vec<_>>());
            push_levels(&mut nuisance, &scores.iter().map(|o| o.taster).collect::<Vec<_>>());
            let rest = |f: fn(&Ordered) -> f64| {
                let mut column: Vec<f64> = scores.iter().map(|o| f(o)).collect();
                nuisance.residual(&mut column);
                column
            };
            let (value, first, before) = (rest(|o| o.value), rest(|o| o.first), rest(|o| o.before));
            Freed {
                keys: scores.iter().map(|o| (o.flight, o.taster)).collect(),
                rows: (0..value.len()).map(|i| [value[i], first[i], before[i]]).collect(),
                rank: nuisance.rank(),
            }
        })
        .collect()
}

/// A score with what its place in the order amounts to.
struct Ordered {
    taster: usize,
    cup: usize,
    flight: u32,
    value: f64,
    first: f64,
    before: f64,
}

fn with_order(term: &Term) -> Vec<Ordered> {
    let levels = term.cup_levels();
    let mut flight_cups: BTreeMap<u32, BTreeMap<usize, f64>> = BTreeMap::new();
    let mut servings: BTreeMap<(u32, usize), Vec<(u32, usize)>> = BTreeMap::new();
    for (i, r) in term.rows.iter().enumerate() {
        if let Some(position) = r.row.position {
            let cup = term.cup_of(i);
            flight_cups.entry(r.row.flight).or_default().insert(cup, levels[cup]);
            servings.entry((r.row.flight, r.taster)).or_default().push((position, i));
        }
    }
    let flight_mean: BTreeMap<u32, f64> = flight_cups
        .into_iter()
        .map(|(flight, cups)| (flight, cups.values().sum::<f64>() / cups.len() as f64))
        .collect();
    let mut used = Vec::new();
    for ((flight, taster), mut order) in servings {
        order.sort_unstable();
        let mut before: Option<usize> = None;
        for (_, i) in order {
            let cup = term.cup_of(i);
            used.push(Ordered {
                taster,
                cup,
                flight,
                value: term.rows[i].row.value,
                first: f64::from(u8::from(before.is_none())),
                before: before.map_or(0.0, |b| levels[b] - flight_mean[&flight]),
            });
            before = Some(cup);
        }
    }
    used
}

/// Levels of a factor as indicator columns in a basis.
fn push_levels<K: Ord>(basis: &mut Basis, keys: &[K]) {
    let mut rows: BTreeMap<&K, Vec<usize>> = BTreeMap::new();
    for (i, key) in keys.iter().enumerate() {
        rows.entry(key).or_default().push(i);
    }
    for at in rows.into_values() {
        let mut column = vec![0.0; keys.len()];
        at.into_iter().for_each(|i| column[i] = 1.0);
        basis.push(&column);
    }
}

fn panel_fit(used: &[Ordered]) -> Option<Regression> {
    let flights = freed(used);
    let rank: usize = flights.iter().map(|f| f.rank).sum();
    let rows: Vec<&[f64; 3]> = flights.iter().flat_map(|f| &f.rows).collect();
    let column = |k: usize| -> Vec<f64> { rows.iter().map(|r| r[k]).collect() };
    let mut fit = regress(&Basis::new(rows.len()), &[column(1), column(2)], &column(0))?;
    fit.df -= rank as f64;
    (fit.df >= 1.0).then_some(fit)
}

fn taster_fit(used: &[Ordered], taster: usize) -> Option<Regression> {
    let mut by_cup: BTreeMap<usize, Vec<&Ordered>> = BTreeMap::new();
    for o in used {
        by_cup.entry(o.cup).or_default().push(o);
    }
    let mut flights = Vec::new();
    let (mut value, mut first, mut before) = (Vec::new(), Vec::new(), Vec::new());
    for cup in by_cup.values() {
        let others: Vec<&&Ordered> = cup.iter().filter(|o| o.taster != taster).collect();
        if others.is_empty() {
            continue;
        }
        let n = others.len() as f64;
        let less = |own: &Ordered, f: fn(&Ordered) -> f64| {
            f(own) - others.iter().map(|o| f(o)).sum::<f64>() / n
        };
        for own in cup.iter().filter(|o| o.taster == taster) {
            flights.push(own.flight);
            value.push(less(own, |o| o.value));
            first.push(less(own, |o| o.first));
            before.push(less(own, |o| o.before));
        }
    }
    let mut nuisance = Basis::new(value.len());
    push_levels(&mut nuisance, &flights);
    regress(&nuisance, &[first, before], &value)
}

fn both(fit: Option<&Regression>, level: f64) -> [Result<Estimate, NotEstimated>; 2] {
    [0, 1].map(|which| {
        let fit = fit.ok_or(NotEstimated::NoPositions)?;
        let se = (fit.residual_ss / fit.df * fit.inverse[which][which]).sqrt();
        Ok(Estimate::about(fit.coefficients[which], se, fit.df, 0.0, level))
    })
}
