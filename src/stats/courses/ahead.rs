//! One further estimate, later than the others.

use super::{Course, Form, Value};
use crate::dist::t_quantile_upper;

impl Course {
    /// Returns what one further estimate at each time of `at` would be, in units of the estimates,
    /// with the interval at confidence `level` that holds it: the average over the straight and
    /// the saturating form, by their weights among these two. With `s` the mean of `V_ij` and `o`
    /// that of `V_ii` its variance is `(variance of the average - w² s) + w² (o - s)`, each part 0
    /// or more: what all estimates share is in both and does not part them; `w²` is the widening
    /// of the chosen form. t as in [`Course::values`].
    ///
    /// Whether the estimates carry a look ahead at all is for the caller to judge.
    ///
    /// # Source
    /// The variance of a prediction error, `var(new) + var(f) - 2 cov` (Goldberger 1962, Journal
    /// of the American Statistical Association 57:369-375; from memory), with one covariance for
    /// all pairs: ours, and checked by simulation (tests/stats/courses.rs).
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
