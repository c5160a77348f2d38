//! The search for the least deviance with no variance ratio below zero.

use super::MixedError;
use super::objective::{Derivatives, Objective};
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

/// Where a search ended.
pub(super) struct Minimum {
    pub ratios: Vec<f64>,
    pub at: Derivatives,
    pub evaluations: usize,
    pub converged: bool,
}

/// Finds the minimum from a middling start, then again from inside wherever a ratio came out as
/// zero, and keeps the better.
pub(super) fn minimise(objective: &Objective<'_>, search: Search) -> Result<Minimum, MixedError> {
    let n_terms = objective.model.terms.len();
    let run = |start: &[f64]| match search {
        Search::Newton => newton(objective, start),
        Search::Simplex => simplex(objective, start),
    };
    let start = vec![0.5; n_terms];
    let mut best = run(&start)?;
    if best.ratios.contains(&0.0) {
        let typical = best.ratios.iter().sum::<f64>() / n_terms as f64;
        let again: Vec<f64> = best
            .ratios
            .iter()
            .map(|&g| if g > 0.0 { g } else { 0.1 * typical + 0.05 })
            .collect();
        let second = run(&again)?;
        let evaluations = best.evaluations + second.evaluations;
        if second.at.value.deviance < best.at.value.deviance - 1e-9 || !best.converged {
            best = second;
        }
        best.evaluations = evaluations;
    }
    if !best.converged {
        return Err(MixedError::NotSettled {
            evaluations: best.evaluations,
        });
    }
    Ok(best)
}

/// Projected Newton steps with a line search (Bertsekas 1982, SIAM Journal on Control and
/// Optimization 20:221-246).
pub(super) fn newton(objective: &Objective<'_>, start: &[f64]) -> Result<Minimum, MixedError> {
    let mut ratios = start.to_vec();
    let mut evaluations = 1;
    let broken = |ratios: &[f64], evaluations| {
        if ratios.iter().any(|&g| g > 1e-4 * RATIO_MAX) {
            MixedError::NoResidual
        } else {
            MixedError::NotSettled { evaluations }
        }
    };
    let mut at = objective
        .derivatives(&ratios)
        .ok_or_else(|| broken(&ratios, 1))?;
    let mut converged = ratios.is_empty();
    for _ in 0..STEPS_MAX {
        if converged {
            break;
        }
        // Free: inside, or at zero with a slope that leads inside.
        let free: Vec<usize> = (0..ratios.len())
            .filter(|&i| ratios[i] > 0.0 || at.slope[i] < 0.0)
            .collect();
        if free.is_empty() {
            converged = true;
            break;
        }
        let (step, decrease) = direction(&at, &free);
        // Half of this is the gain that a full step promises. Deviances carry rounding of about
        // 1e-13 of their size, so a gain far below it is the end.
        let scale = 1.0 + at.value.deviance.abs();
        let settled = decrease < 1e-15 * scale;
        let mut moved = None;
        let mut length = 1.0;
        for _ in 0..40 {
            let next: Vec<f64> = (0..ratios.len())
                .map(|i| match free.iter().position(|&f| f == i) {
                    // No ratio grows beyond measure in one step.
                    Some(f) => (ratios[i] + length * step[f]).clamp(0.0, 20.0 * ratios[i] + 10.0),
                    None => ratios[i],
                })
                .collect();
            evaluations += 1;
            if let Some(value) = objective.value(&next) {
                let change: f64 = free
                    .iter()
                    .map(|&i| at.slope[i] * (next[i] - ratios[i]))
                    .sum();
                if value.deviance <= at.value.deviance + 1e-4 * change.min(0.0) + 1e-12 * scale {
                    moved = Some(next);
                    break;
                }
            }
            length *= 0.5;
        }
        let Some(next) = moved else {
            // No descent within rounding: the end if the slope says so too.
            converged = decrease < 1e-8 * scale;
            if !converged && ratios.iter().any(|&g| g > 1e-4 * RATIO_MAX) {
                return Err(MixedError::NoResidual);
            }
            break;
        };
        if next.iter().any(|&g| g > RATIO_MAX) {
            return Err(MixedError::NoResidual);
        }
        let still = next == ratios;
        ratios = next;
        evaluations += 1;
        at = objective
            .derivatives(&ratios)
            .ok_or_else(|| broken(&ratios, evaluations))?;
        converged = settled || still;
    }
    Ok(Minimum {
        ratios,
        at,
        evaluations,
        converged,
    })
}

/// A descent direction among the free ratios and twice the gain it promises: by the exact
/// curvature if that is positive, else by the expected one, else along the slope.
fn direction(at: &Derivatives, free: &[usize]) -> (Vec<f64>, f64) {
    let slope = Col::from_fn(free.len(), |i| -at.slope[free[i]]);
    for source in [&at.curvature, &at.expected] {
        let part = Mat::from_fn(free.len(), free.len(), |i, j| source[(free[i], free[j])]);
        if let Ok(factor) = part.llt(Side::Lower) {
            let step = factor.solve(&slope);
            let gain: f64 = (0..free.len()).map(|i| slope[i] * step[i]).sum();
            if gain.is_finite() && gain > 0.0 {
                return (step.iter().copied().collect(), gain);
            }
        }
    }
    let step: Vec<f64> = slope.iter().copied().collect();
    let gain = step.iter().map(|s| s * s).sum();
    (step, gain)
}

/// Nelder and Mead (1965), Computer Journal 7:308-313, on roots that are reflected at zero.
fn simplex(objective: &Objective<'_>, start: &[f64]) -> Result<Minimum, MixedError> {
    let n = start.len();
    let mut evaluations = 0;
    let squares = |x: &[f64]| x.iter().map(|v| v * v).collect::<Vec<f64>>();
    let mut value = |x: &[f64]| {
        evaluations += 1;
        objective
            .value(&squares(x))
            .map_or(f64::INFINITY, |v| v.deviance)
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
                (0..n)
                    .map(|i| mean[i] + t * (mean[i] - worst.1[i]))
                    .collect()
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
    let at = objective
        .derivatives(&ratios)
        .ok_or(MixedError::NotSettled { evaluations })?;
    Ok(Minimum {
        ratios,
        at,
        evaluations: evaluations + 1,
        converged: true,
    })
}
