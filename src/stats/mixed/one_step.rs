//! Simulated tables whose variances are estimated in one step instead of by a search.

use super::matrices::{Model, dot};
use super::objective::{Objective, Solution};
use super::report::Fit;
use super::variances::Variances;
use super::{Method, MixedError};
use crate::rng::{Stream, replicates};
use faer::linalg::solvers::Solve;
use faer::{Col, Mat, Side};

/// What every simulated table shares.
struct World<'a> {
    model: &'a Model,
    ratios: &'a [f64],
    solution: Solution,
    /// `tr(P V_i P V_j)`, the residual first.
    information: Mat<f64>,
    /// The share of the sum of its rows that each level of the absorbed term takes off its rows.
    pulls: Vec<f64>,
}

impl Model {
    /// Returns the variances estimated from each of `n_tables` simulated tables of this layout, in
    /// which the variances are those of `fit`: a parametric bootstrap without a search in each table.
    ///
    /// With `V = sum of s_i V_i` at the variances of the fit (`V_0 = I` for the residual,
    /// `V_i = Z_i Z_i'`) and `P` as in `objective`, the estimate from a table `y` solves
    /// `S t = q`, `S_ij = tr(P V_i P V_j)`, `q_i = y' P V_i P y`. That is one step of Fisher's
    /// scoring for REML from the true variances of the simulated world, or MINQUE with these as
    /// prior; unbiased before truncation, and equal to the REML estimate in balanced tables
    /// without a variance at zero. Where `t` has a negative part, the point without one that is
    /// nearest in the metric of `S` takes its place, so that a negative variance becomes zero
    /// and the others share in what it explained, as under REML. A variance that the fit put at
    /// zero stays a candidate and may be above zero in a table.
    ///
    /// Fixed effects do not matter and are left out of the tables. Table `i` has stream `i` of
    /// `seed`: the result does not depend on the number of cores.
    ///
    /// What it does not do: follow the skewness that a search adds in small unbalanced layouts,
    /// and, like every bootstrap at the estimates, allow for their being wrong.
    ///
    /// # Errors
    /// [`MixedError::Rows`] for a fit with another number of random terms;
    /// [`MixedError::NotSettled`] if the equations have no solution at the variances of the fit.
    ///
    /// # Source
    /// Rao CR (1971), Journal of Multivariate Analysis 1:445-456; Searle SR, Casella G, McCulloch
    /// CE (1992), Variance Components, chapter 11 (MINQUE) and 8 (scoring).
    pub fn one_step_bootstrap(
        &self,
        fit: &Fit,
        n_tables: usize,
        seed: u64,
    ) -> Result<Vec<Variances>, MixedError> {
        if fit.components.len() != self.terms.len() {
            return Err(MixedError::Rows {
                what: "the list of variances".into(),
                found: fit.components.len(),
                expected: self.terms.len(),
            });
        }
        let ratios: Vec<f64> = fit.components.iter().map(|c| c.variance / fit.sigma2).collect();
        let world = World::new(self, &ratios).ok_or(MixedError::NotSettled { evaluations: 1 })?;
        Ok(replicates(n_tables, seed, |stream| {
            let t = at_least_zero(&world.information, &world.squares(&world.table(stream)));
            Variances {
                terms: t[1..].iter().map(|v| v * fit.sigma2).collect(),
                residual: t[0] * fit.sigma2,
            }
        }))
    }
}

impl<'a> World<'a> {
    fn new(model: &'a Model, ratios: &'a [f64]) -> Option<Self> {
        let scores = model.no_scores();
        let objective = Objective { model, scores: &scores, method: Method::Reml };
        let at = objective.derivatives(ratios)?;
        let k = ratios.len();
        // From P = P V P: with g_0 = 1, sum over j of S_ij g_j = tr(P V_i), and of tr(P V_j) g_j = n - p.
        let with_residual: Vec<f64> = (0..k)
            .map(|i| at.trace[i] - (0..k).map(|j| ratios[j] * at.traces[(i, j)]).sum::<f64>())
            .collect();
        let own = objective.df() - dot(ratios, &at.trace) - dot(ratios, &with_residual);
        let information = Mat::from_fn(k + 1, k + 1, |i, j| match (i, j) {
            (0, 0) => own,
            (0, t) | (t, 0) => with_residual[t - 1],
            (i, j) => at.traces[(i - 1, j - 1)],
        });
        let g1 = objective.ratio_of_absorbed(ratios);
        let pulls = model.levels.iter().map(|l| g1 / (1.0 + g1 * l.square)).collect();
        let finite = (0..=k).all(|i| (0..=k).all(|j| information[(i, j)].is_finite()));
        finite.then_some(World { model, ratios, solution: at.solution, information, pulls })
    }

    /// A table of normal scores with residual variance 1.
    fn table(&self, stream: &mut Stream) -> Vec<f64> {
        let mut y: Vec<f64> = (0..self.model.n).map(|_| stream.normal()).collect();
        for (term, ratio) in self.model.terms.iter().zip(self.ratios) {
            if *ratio <= 0.0 {
                continue;
            }
            let sd = ratio.sqrt();
            let effects: Vec<f64> = (0..term.n_levels).map(|_| sd * stream.normal()).collect();
            for (row, (y, &code)) in y.iter_mut().zip(&term.codes).enumerate() {
                *y += term.value(row) * effects[code as usize];
            }
        }
        y
    }

    /// `y' P V_i P y`, the residual first.
    fn squares(&self, y: &[f64]) -> Vec<f64> {
        let (model, s) = (self.model, &self.solution);
        // R y, from the sums over the levels of the absorbed term.
        let mut sums = vec![0.0; self.pulls.len()];
        let mut within = y.to_vec();
        if let Some(term) = model.absorbed.map(|i| &model.terms[i]) {
            for (row, (v, &code)) in y.iter().zip(&term.codes).enumerate() {
                sums[code as usize] += term.value(row) * v;
            }
            for (row, (v, &code)) in within.iter_mut().zip(&term.codes).enumerate() {
                *v -= term.value(row) * self.pulls[code as usize] * sums[code as usize];
            }
        }
        let mut b = vec![0.0; model.rest.size];
        for (i, term) in model.terms.iter().enumerate() {
            if Some(i) != model.absorbed {
                for (row, (v, &code)) in within.iter().zip(&term.codes).enumerate() {
                    b[term.first + code as usize] += term.value(row) * v;
                }
            }
        }
        for (column, b) in model.basis.used.iter().zip(&mut b[model.rest.n_random..]) {
            *b = dot(column, &within);
        }
        let mut effects = vec![0.0; b.len()];
        for (c, &value) in b.iter().enumerate() {
            for (e, g) in effects.iter_mut().zip(s.g.col_as_slice(c)) {
                *e += value * g;
            }
        }
        let mut squares = vec![dot(y, &within) - dot(&b, &effects)];
        for (i, term) in model.terms.iter().enumerate() {
            let ratio = self.ratios[i];
            let columns = term.first..term.first + term.n_levels;
            // Z_i' P y.
            let square = if Some(i) == model.absorbed {
                let mode = |(level, sum): (&super::matrices::Level, &f64)| {
                    let parts = level.columns.iter().zip(&level.products);
                    let fitted: f64 = parts.map(|(&c, f)| f * effects[c]).sum();
                    ((sum - fitted) / (1.0 + ratio * level.square)).powi(2)
                };
                model.levels.iter().zip(&sums).map(mode).sum()
            } else if ratio > 0.0 {
                columns.map(|c| (effects[c] / ratio).powi(2)).sum()
            } else {
                columns.map(|c| (b[c] - dot(s.a.col_as_slice(c), &effects)).powi(2)).sum()
            };
            squares.push(square);
        }
        // y' P y = y' P V P y, so that the residual has what the terms leave.
        for (i, ratio) in self.ratios.iter().enumerate() {
            squares[0] -= ratio * squares[i + 1];
        }
        squares
    }
}

/// The least of `t' S t / 2 - q' t` among `t` of zero or more (the active sets of Lawson and Hanson
/// 1974, Solving Least Squares Problems, chapter 23).
fn at_least_zero(s: &Mat<f64>, q: &[f64]) -> Vec<f64> {
    let n = q.len();
    // In units in which the diagonal of S is 1.
    let unit: Vec<f64> = (0..n).map(|i| s[(i, i)].max(f64::MIN_POSITIVE).sqrt()).collect();
    let s = Mat::from_fn(n, n, |i, j| s[(i, j)] / (unit[i] * unit[j]));
    let q: Vec<f64> = q.iter().zip(&unit).map(|(q, u)| q / u).collect();
    let floor = 1e-12 * q.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let mut free: Vec<usize> = (0..n).collect();
    let mut t = vec![0.0; n];
    // Begins with all of them free, which mostly is the end; each round lowers the target.
    for round in 0..10 * n {
        if round > 0 {
            let pull = |i: usize| q[i] - (0..n).map(|j| s[(i, j)] * t[j]).sum::<f64>();
            let bound = (0..n).filter(|i| !free.contains(i)).map(|i| (pull(i), i));
            match bound.max_by(|a, b| a.0.total_cmp(&b.0)) {
                Some((pull, i)) if pull > floor => free.push(i),
                _ => break,
            }
        }
        loop {
            let block = Mat::from_fn(free.len(), free.len(), |a, b| s[(free[a], free[b])]);
            let right = Col::from_fn(free.len(), |a| q[free[a]]);
            let Ok(factor) = block.llt(Side::Lower) else {
                break;
            };
            let best = factor.solve(&right);
            // As far towards the best as nothing falls below zero; from all zero, the first
            // round, that is nowhere, and the negative ones are left out at once.
            let steps = free.iter().enumerate().filter(|&(a, _)| best[a] <= 0.0);
            let length = steps.map(|(a, &i)| t[i] / (t[i] - best[a])).fold(1.0f64, f64::min);
            let mut kept = Vec::with_capacity(free.len());
            for (a, &i) in free.iter().enumerate() {
                t[i] += length * (best[a] - t[i]);
                if best[a] > 0.0 || t[i] > floor {
                    kept.push(i);
                } else {
                    t[i] = 0.0;
                }
            }
            if kept.len() == free.len() {
                break;
            }
            free = kept;
            if free.is_empty() {
                break;
            }
        }
        if free.is_empty() {
            break;
        }
    }
    t.iter().zip(&unit).map(|(t, u)| t.max(0.0) / u).collect()
}
