//! The search for the least deviance with no variance ratio below zero.

use super::MixedError;
use faer::Side;
use faer::linalg::solvers::Solve;
use faer::{Col, Mat};

/// A ratio above this means that the residual variance vanishes beside another.
const RATIO_MAX: f64 = 1e9;
/// Newton steps from one start.
const STEPS_MAX: usize = 100;

/// Which search finds the variances.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Search {
    /// Newton steps on exact derivatives, projected on ratios of zero or more.
    #[default]
    Newton,
    /// The simplex of Nelder and Mead (1965) on the square roots of the ratios: slow, without
    /// derivatives, there to check the other.
    Simplex,
}

/// What is searched for its least value.
pub(super) trait Target {
    /// What the derivatives come with.
    type At: Slopes;
    /// Whether the curvature is exact, or an average of it.
    const EXACT: bool;

    /// The deviance; none where the equations have no solution.
    fn deviance(&self, ratios: &[f64]) -> Option<f64>;
    /// The deviance with slope and curvature.
    fn derivatives(&self, ratios: &[f64]) -> Option<Self::At>;
    /// The degrees of freedom of the residual variance.
    fn df(&self) -> f64;
    /// The square sum that the fixed part leaves, then `|Z_i' e|^2` of each term.
    fn crude(&self) -> &[f64];
    /// `tr(P V_i P V_j)` at ratios of zero, the residual first.
    fn gram(&self) -> &Mat<f64>;
    /// A start nearer than [`first_guess`], if there is one at hand.
    fn near(&self) -> Option<Vec<f64>> {
        None
    }
    /// The deviance with one ratio, zero where the search stands, moved inside; good to .01 or better.
    fn deviance_inside(
        &self,
        _: &Self::At,
        ratios: &[f64],
        term: usize,
        ratio: f64,
    ) -> Option<f64> {
        let mut ratios = ratios.to_vec();
        ratios[term] = ratio;
        self.deviance(&ratios)
    }
}

/// The deviance with its slope and curvature.
pub(super) trait Slopes {
    fn deviance(&self) -> f64;
    fn slope(&self) -> &[f64];
    fn curvature(&self) -> &Mat<f64>;
}

/// Where a search ended.
pub(super) struct Minimum<At> {
    pub ratios: Vec<f64>,
    pub at: At,
    pub evaluations: usize,
    pub ending: Ending,
}

/// How a search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ending {
    /// At a minimum.
    Settled,
    /// Still falling while a ratio grows beyond measure: the residual variance goes to zero.
    NoResidual,
    /// Without an end in the steps allowed.
    Unsettled,
}

/// Finds the minimum from a start at hand or that of [`first_guess`], and from other starts if that leads nowhere;
/// then looks inside wherever a ratio came out as zero, searches again from there if the deviance is
/// nearly as low, and keeps the better. Ratios marked in `out` stay at zero (with Newton's steps).
pub(super) fn minimise<T: Target>(
    objective: &T,
    search: Search,
    out: &[bool],
) -> Result<Minimum<T::At>, MixedError> {
    let run = |start: &[f64]| match search {
        Search::Newton => newton(objective, start, out),
        Search::Simplex => simplex(objective, start),
    };
    let without = |mut start: Vec<f64>| {
        start.iter_mut().zip(out).filter(|(_, out)| **out).for_each(|(g, _)| *g = 0.0);
        start
    };
    let near = if out.contains(&true) { None } else { objective.near() };
    let mut best = run(&near.unwrap_or_else(|| first_guess(objective, out)))?;
    if best.ending != Ending::Settled {
        for ratio in [0.5, 0.05, 5.0] {
            let other = run(&without(vec![ratio; best.ratios.len()]))?;
            better(&mut best, other);
        }
    }
    for i in 0..best.ratios.len() {
        if out[i] || best.ratios[i] > 0.0 || best.ending != Ending::Settled {
            continue;
        }
        // The slope at zero is upwards, so zero is a minimum; is it the only one?
        for inside in [0.05, 0.3, 1.5] {
            let mut start = best.ratios.clone();
            start[i] = inside;
            best.evaluations += 1;
            let limit = best.at.deviance() + 0.2;
            let there = objective.deviance_inside(&best.at, &best.ratios, i, inside);
            if there.is_some_and(|v| v < limit) {
                better(&mut best, run(&start)?);
            }
        }
    }
    match best.ending {
        Ending::Settled => Ok(best),
        Ending::NoResidual => Err(MixedError::NoResidual),
        Ending::Unsettled => Err(MixedError::NotSettled { evaluations: best.evaluations }),
    }
}

/// Keeps the lower of two ends; one that is settled also if the other is no lower but for rounding.
fn better<At: Slopes>(best: &mut Minimum<At>, other: Minimum<At>) {
    let evaluations = best.evaluations + other.evaluations;
    let gap = other.at.deviance() - best.at.deviance();
    let preferred = other.ending == Ending::Settled && best.ending != Ending::Settled;
    if gap < -1e-9 || (preferred && gap < 1e-6) {
        *best = other;
    }
    best.evaluations = evaluations;
}

/// Variances from equating square sums with their expectations at ratios of zero (MINQUE(0), Rao
/// 1971, Journal of Multivariate Analysis 1:445-456): exact for balanced tables with no variance
/// at zero. Negative ones become zero.
fn first_guess<T: Target>(objective: &T, out: &[bool]) -> Vec<f64> {
    let crude = objective.crude();
    let n_terms = crude.len() - 1;
    let kept: Vec<usize> =
        std::iter::once(0).chain((1..=n_terms).filter(|&i| !out[i - 1])).collect();
    let squares = Col::from_fn(kept.len(), |i| crude[kept[i]]);
    let gram = Mat::from_fn(kept.len(), kept.len(), |i, j| objective.gram()[(kept[i], kept[j])]);
    let mut guess = vec![0.0; n_terms];
    let Ok(factor) = gram.llt(Side::Lower) else {
        kept[1..].iter().for_each(|&i| guess[i - 1] = 0.5);
        return guess;
    };
    let variances = factor.solve(&squares);
    let residual = variances[0].max(0.05 * crude[0] / objective.df());
    for (at, &i) in kept.iter().enumerate().skip(1) {
        guess[i - 1] = (variances[at] / residual).clamp(0.0, 20.0);
    }
    guess
}

/// Projected Newton steps with a line search (Bertsekas 1982, SIAM Journal on Control and
/// Optimization 20:221-246).
pub(super) fn newton<T: Target>(
    objective: &T,
    start: &[f64],
    out: &[bool],
) -> Result<Minimum<T::At>, MixedError> {
    let mut ratios = start.to_vec();
    let mut evaluations = 1;
    let mut at = objective.derivatives(&ratios).ok_or(MixedError::NotSettled { evaluations })?;
    let mut ending = Ending::Unsettled;
    for _ in 0..STEPS_MAX {
        // Free: inside, or at zero with a slope that leads inside.
        let free: Vec<usize> = (0..ratios.len())
            .filter(|&i| !out[i] && (ratios[i] > 0.0 || at.slope()[i] < 0.0))
            .collect();
        if free.is_empty() {
            ending = Ending::Settled;
            break;
        }
        let Some((step, gain)) = direction(&ratios, (at.slope(), at.curvature()), &free) else {
            break;
        };
        // Half of the gain is what a full step promises. Deviances carry rounding of about 1e-13 of
        // their size, so with a gain below it the next step is the last. Each full step inside
        // squares the distance that is left, so 1e-12 before such a step is below rounding after it.
        let scale = 1.0 + at.deviance().abs();
        let inside = free.iter().zip(&step).all(|(&i, s)| ratios[i] > 0.0 && ratios[i] + s > 0.0);
        // An average of the curvature leaves a part of the way, a tenth or so.
        let inside = inside && T::EXACT;
        let last = gain < if inside { 1e-12 } else { 1e-13 } * scale;
        // In one step a ratio grows by no more than twice itself and two.
        let longest =
            free.iter().zip(&step).map(|(&i, s)| s.abs() / (ratios[i] + 1.0)).fold(0.0, f64::max);
        let mut length = if longest > 2.0 { 2.0 / longest } else { 1.0 };
        let mut moved = None;
        for halving in 0..40 {
            let mut next = ratios.clone();
            for (&i, s) in free.iter().zip(&step) {
                next[i] = (ratios[i] + length * s).max(0.0);
            }
            evaluations += 1;
            let change: f64 = free.iter().map(|&i| at.slope()[i] * (next[i] - ratios[i])).sum();
            let limit = at.deviance() + 1e-4 * change.min(0.0) + 1e-12 * scale;
            // The full step is mostly right, so its derivatives are taken at once.
            let there = if halving == 0 {
                objective.derivatives(&next)
            } else if objective.deviance(&next).is_some_and(|v| v <= limit) {
                evaluations += 1;
                objective.derivatives(&next)
            } else {
                None
            };
            if let Some(there) = there.filter(|t| t.deviance() <= limit) {
                moved = Some((next, there));
                break;
            }
            length *= 0.5;
        }
        let grown = |ratios: &[f64], limit: f64| ratios.iter().any(|&g| g > limit);
        let Some((next, there)) = moved else {
            // No descent within rounding: the end if the slope says so too.
            if gain < 1e-8 * scale {
                ending = Ending::Settled;
            } else if grown(&ratios, 1e-4 * RATIO_MAX) {
                ending = Ending::NoResidual;
            }
            break;
        };
        let still = next == ratios;
        ratios = next;
        at = there;
        if grown(&ratios, RATIO_MAX) {
            ending = Ending::NoResidual;
            break;
        }
        if last || still {
            ending = Ending::Settled;
            break;
        }
    }
    Ok(Minimum { ratios, at, evaluations, ending })
}

/// A descent direction among the free ratios and twice the gain it promises. It is Newton's where
/// the deviance curves upwards; where it curves downwards, as it does for large ratios, the size of
/// the curvature serves without its sign. Ratios are measured against one more than themselves, so
/// that large ones count by their logarithm.
fn direction(
    ratios: &[f64],
    (slope, curvature): (&[f64], &Mat<f64>),
    free: &[usize],
) -> Option<(Vec<f64>, f64)> {
    let scale: Vec<f64> = free.iter().map(|&i| 1.0 + ratios[i]).collect();
    let curvature = Mat::from_fn(free.len(), free.len(), |a, b| {
        scale[a] * curvature[(free[a], free[b])] * scale[b]
    });
    let eigen = curvature.self_adjoint_eigen(Side::Lower).ok()?;
    let (u, values) = (eigen.U(), eigen.S().column_vector());
    let floor = 1e-10 * values.iter().fold(0.0f64, |m, v| m.max(v.abs())) + f64::MIN_POSITIVE;
    let mut step = vec![0.0; free.len()];
    let mut gain = 0.0;
    for k in 0..free.len() {
        let along: f64 = (0..free.len()).map(|a| u[(a, k)] * scale[a] * slope[free[a]]).sum();
        let size = values[k].abs().max(floor);
        gain += along * along / size;
        for (a, s) in step.iter_mut().enumerate() {
            *s -= u[(a, k)] * along / size * scale[a];
        }
    }
    gain.is_finite().then_some((step, gain))
}

/// Nelder and Mead (1965), Computer Journal 7:308-313, on roots that are reflected at zero.
fn simplex<T: Target>(objective: &T, start: &[f64]) -> Result<Minimum<T::At>, MixedError> {
    let n = start.len();
    let mut evaluations = 0;
    let squares = |x: &[f64]| x.iter().map(|v| v * v).collect::<Vec<f64>>();
    let mut value = |x: &[f64]| {
        evaluations += 1;
        objective.deviance(&squares(x)).unwrap_or(f64::INFINITY)
    };
    let mut centre: Vec<f64> = start.iter().map(|g| g.sqrt()).collect();
    // Several rounds, each from a fresh simplex about the best point so far.
    for round in 0..4 {
        let size = 0.5 / 4f64.powi(round);
        let mut points: Vec<(f64, Vec<f64>)> = Vec::with_capacity(n + 1);
        for i in 0..=n {
            let mut x = centre.clone();
            if i > 0 {
                x[i - 1] += size;
            }
            points.push((value(&x), x));
        }
        for _ in 0..400 * n {
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            let spread: f64 = (0..n)
                .map(|i| {
                    let all = points.iter().map(|p| p.1[i]);
                    all.clone().fold(f64::MIN, f64::max) - all.fold(f64::MAX, f64::min)
                })
                .fold(0.0, f64::max);
            if spread < 1e-9 {
                break;
            }
            let mean: Vec<f64> = (0..n)
                .map(|i| points[..n].iter().map(|p| p.1[i]).sum::<f64>() / n as f64)
                .collect();
            let worst = points[n].clone();
            let along = |t: f64| -> Vec<f64> {
                (0..n).map(|i| mean[i] + t * (mean[i] - worst.1[i])).collect()
            };
            let reflected = along(1.0);
            let at_reflected = value(&reflected);
            let replacement = if at_reflected < points[0].0 {
                let expanded = along(2.0);
                let at_expanded = value(&expanded);
                if at_expanded < at_reflected {
                    (at_expanded, expanded)
                } else {
                    (at_reflected, reflected)
                }
            } else if at_reflected < points[n - 1].0 {
                (at_reflected, reflected)
            } else {
                let contracted = along(if at_reflected < worst.0 { 0.5 } else { -0.5 });
                (value(&contracted), contracted)
            };
            if replacement.0 < worst.0 {
                points[n] = replacement;
            } else {
                let best = points[0].1.clone();
                for point in &mut points[1..] {
                    for (x, b) in point.1.iter_mut().zip(&best) {
                        *x = 0.5 * (*x + b);
                    }
                    point.0 = value(&point.1);
                }
            }
        }
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        centre.clone_from(&points[0].1);
    }
    // Whatever lies within reach of zero is set to zero if that is no worse but for rounding.
    for i in 0..n {
        let mut edge = centre.clone();
        edge[i] = 0.0;
        let (at_edge, here) = (value(&edge), value(&centre));
        if at_edge <= here + 1e-12 * (1.0 + here.abs()) {
            centre = edge;
        }
    }
    let ratios = squares(&centre);
    let at = objective.derivatives(&ratios).ok_or(MixedError::NotSettled { evaluations })?;
    Ok(Minimum { ratios, at, evaluations: evaluations + 1, ending: Ending::Settled })
}

#[cfg(test)]
mod tests {
    use super::super::objective::Objective;
    use super::*;
    use crate::mixed::{Factor, FixedPart, Method, Model, RandomTerm};

    /// From a false zero, from far away and from the first guess: one minimum. The scores are
    /// invented, with both variances well above zero.
    #[test]
    fn a_search_leaves_a_false_zero() {
        let lot = Factor::new((0..48).map(|r| r / 2 % 4).collect());
        let taster = Factor::new((0..48).map(|r| r / 8).collect());
        let cell = Factor::cross(&lot, &taster);
        let y: Vec<f64> = (0..48u32)
            .map(|r| {
                let (t, c) = (f64::from(r / 8), f64::from(r / 2));
                2.0 * (t * 1.7).sin() + (c * 2.9).sin() + 0.5 * (f64::from(r) * 4.3).sin()
            })
            .collect();
        let model = Model::new(
            &FixedPart::cell_means("lot", &lot, &[]),
            &[RandomTerm::new("taster", taster), RandomTerm::new("lot by taster", cell)],
        )
        .expect("the layout is sound");
        let scores = model.scores(&y).expect("the scores are sound");
        for method in [Method::Reml, Method::Ml] {
            let objective = Objective { model: &model, scores: &scores, method };
            let best = minimise(&objective, Search::Newton, &[false; 2]).expect("a minimum");
            assert!(best.ratios.iter().all(|&g| g > 0.5), "{:?}", best.ratios);
            for start in [[0.0, 0.0], [0.0, 5.0], [20.0, 0.0], [300.0, 300.0]] {
                let found = newton(&objective, &start, &[false; 2]).expect("a minimum");
                assert_eq!(found.ending, Ending::Settled);
                for (a, b) in found.ratios.iter().zip(&best.ratios) {
                    assert!((a - b).abs() < 1e-7 * b, "from {start:?}: {a} and {b}");
                }
            }
        }
    }

    /// The exact slope and curvature are those of the deviance itself, by central differences.
    #[test]
    fn derivatives_are_those_of_the_deviance() {
        let lot = Factor::new((0..40).map(|r| r % 5).collect());
        let taster = Factor::new((0..40).map(|r| r / 10).collect());
        let flight = Factor::new((0..40).map(|r| r * 7 % 6).collect());
        let y: Vec<f64> = (0..40u32).map(|r| (f64::from(r) * 2.1).sin() * 3.0).collect();
        let weights = (0..40u32).map(|r| 0.2 + f64::from(r % 9)).collect();
        let model = Model::new(
            &FixedPart::cell_means("lot", &lot, &[]),
            &[
                RandomTerm::new("taster", taster.clone()),
                RandomTerm::new("lot by taster", Factor::cross(&lot, &taster)),
                RandomTerm::slope("drift", flight, weights),
            ],
        )
        .expect("the layout is sound");
        let scores = model.scores(&y).expect("the scores are sound");
        for method in [Method::Reml, Method::Ml] {
            let objective = Objective { model: &model, scores: &scores, method };
            for at in [[0.4, 0.7, 0.1], [3.0, 0.2, 0.9], [40.0, 60.0, 2.0]] {
                let exact = objective.derivatives(&at).expect("sound");
                for i in 0..3 {
                    let h = 1e-4 * at[i];
                    let [low, high] = [-h, h].map(|step| {
                        let mut ratios = at;
                        ratios[i] += step;
                        objective.derivatives(&ratios).expect("sound")
                    });
                    let slope = (high.value.deviance - low.value.deviance) / (2.0 * h);
                    let scale = 1e-5 * (exact.slope[i].abs() + 1e-3);
                    assert!((slope - exact.slope[i]).abs() < scale, "{slope} {}", exact.slope[i]);
                    for j in 0..3 {
                        let curve = (high.slope[j] - low.slope[j]) / (2.0 * h);
                        let value = exact.curvature[(i, j)];
                        assert!(
                            (curve - value).abs() < 1e-6 * (value.abs() + 1e-3),
                            "{curve} {value}"
                        );
                    }
                }
            }
            // At zero the formulas take another way: the slope must run on smoothly.
            let [zero, near] =
                [0.0, 1e-9].map(|g| objective.derivatives(&[g, g, g]).expect("sound"));
            for i in 0..3 {
                assert!((zero.slope[i] - near.slope[i]).abs() < 1e-4 * (1.0 + near.slope[i].abs()));
                let gap = zero.curvature[(i, i)] - near.curvature[(i, i)];
                assert!(gap.abs() < 1e-4 * (1.0 + near.curvature[(i, i)].abs()));
            }
        }
    }
}
