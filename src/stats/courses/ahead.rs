//! One further estimate, later than the others.

use super::{Course, Form, Value};
use crate::dist::t_quantile_upper;

impl Course {
    /// Returns what one further estimate at each time of `at` would be, with the interval at
    /// confidence `level` that holds it: the average over the straight and the saturating form, by
    /// their weights among these two. Its variance is that of the average, and the spread of one
    /// estimate of its own, `mean of V_ii - mean of V_ij` (what all estimates share is in the average
    /// as well, so that it is not counted again), both widened. t as in [`Course::values`].
    ///
    /// Whether the estimates carry a look ahead at all is for the caller to judge.
    #[must_use]
    pub fn ahead(&self, at: &[f64], level: f64) -> Vec<Value> {
        let mut two = self.clone();
        for (f, weight) in two.fitted.iter().zip(&mut two.weights) {
            if f.form == Form::Smooth {
                *weight = 0.0;
            }
        }
        let sum: f64 = two.weights.iter().sum();
        two.weights.iter_mut().for_each(|w| *w /= sum);
        let n = self.given.n();
        let own = (0..n).map(|i| self.family.covariance(i, i)).sum::<f64>() / n as f64;
        let pairs = (0..n).flat_map(|i| (0..i).map(move |j| (i, j)));
        let shared = pairs.map(|(i, j)| self.family.covariance(i, j)).sum::<f64>()
            / (n * (n - 1) / 2) as f64;
        let widened = self.widening(&self.fitted[self.chosen]);
        let further = (own - shared).max(0.0) * widened;
        let all: Vec<(f64, f64, f64)> = at.iter().map(|t| two.average(*t)).collect();
        let df = all.iter().fold(f64::INFINITY, |least, v| least.min(v.2));
        let quantile = t_quantile_upper(0.5 * (1.0 - level), df);
        at.iter()
            .zip(all)
            .map(|(at, (value, variance, _))| {
                // Var(new - average) = own + variance - 2 shared.
                let se = ((variance - shared * widened).max(0.0) + further).sqrt();
                let half = quantile * se;
                Value { at: *at, value, se, lower: value - half, upper: value + half }
            })
            .collect()
    }
}
