//! The search for the parameters: the method of Broyden, Fletcher, Goldfarb and Shanno.

use super::likelihood::{Modes, Problem};
use super::solve::{dot, times};

/// Where a search ended.
pub(super) struct Found {
    pub parameters: Vec<f64>,
    pub value: f64,
    pub modes: Modes,
    pub evaluations: usize,
    pub settled: bool,
}

/// Minimises minus the log-likelihood from `start`, the metric (an estimate of the inverse of its
/// second derivatives, row by row) given. It ends when the fall to be expected is below 1e-10.
///
/// Source: Nocedal J, Wright SJ (2006), Numerical Optimization, chapter 6 (citation from memory).
pub(super) fn minimise(problem: &Problem, start: Vec<f64>, mut metric: Vec<f64>) -> Option<Found> {
    let n = start.len();
    let mut modes = problem.no_modes();
    let (mut value, mut slope) = problem.value(&start, &mut modes)?;
    let mut found = Found { parameters: start, value, modes, evaluations: 1, settled: false };
    for _ in 0..500 {
        let mut step: Vec<f64> = times(&metric, &slope).iter().map(|s| -s).collect();
        let mut fall = -dot(&step, &slope);
        if fall.is_nan() || fall <= 0.0 {
            // A metric that has gone bad: down the slope instead.
            metric = identity(n);
            step = slope.iter().map(|s| -s).collect();
            fall = dot(&slope, &slope);
        }
        if fall < 1e-10 {
            found.settled = true;
            return Some(found);
        }
        let mut length = 1.0;
        let next = loop {
            let trial: Vec<f64> =
                found.parameters.iter().zip(&step).map(|(p, s)| p + length * s).collect();
            let mut modes = found.modes.clone();
            found.evaluations += 1;
            match problem.value(&trial, &mut modes) {
                Some((v, g)) if v <= value - 1e-4 * length * fall => {
                    break Some((trial, v, g, modes));
                }
                _ if length > 1e-8 => length *= if length == 1.0 { 0.4 } else { 0.3 },
                _ => break None,
            }
        };
        let Some((parameters, next_value, next_slope, modes)) = next else {
            // What is left to fall is less than the evaluation's own rounding.
            found.settled = fall < 1e-6;
            return Some(found);
        };
        let moved: Vec<f64> =
            parameters.iter().zip(&found.parameters).map(|(a, b)| a - b).collect();
        let turned: Vec<f64> = next_slope.iter().zip(&slope).map(|(a, b)| a - b).collect();
        update(&mut metric, &moved, &turned);
        (value, slope) = (next_value, next_slope);
        found.parameters = parameters;
        found.value = value;
        found.modes = modes;
    }
    Some(found)
}

fn identity(n: usize) -> Vec<f64> {
    let mut m = vec![0.0; n * n];
    for i in 0..n {
        m[i * n + i] = 1.0;
    }
    m
}

fn update(metric: &mut [f64], moved: &[f64], turned: &[f64]) {
    let along = dot(moved, turned);
    // Where the curvature is not positive there is nothing to learn.
    if along.is_nan() || along <= 1e-14 * (dot(moved, moved) * dot(turned, turned)).sqrt() {
        return;
    }
    let n = moved.len();
    let pushed = times(metric, turned);
    let scale = (1.0 + dot(turned, &pushed) / along) / along;
    for i in 0..n {
        for k in 0..n {
            metric[i * n + k] +=
                scale * moved[i] * moved[k] - (pushed[i] * moved[k] + moved[i] * pushed[k]) / along;
        }
    }
}
