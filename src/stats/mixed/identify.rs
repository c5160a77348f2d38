//! Whether the variances can be told apart in a layout at all.

use super::Method;
use super::MixedError;
use super::matrices::Model;
use super::objective::Objective;
use faer::Mat;

impl Model {
    /// Checks that no term's contribution to the covariance of what the fixed part leaves depends
    /// on those before it: the residual first, then the terms in order.
    ///
    /// The matrix of `tr(P V_i P V_j)` at ratios of zero, with the residual as `V_0 = I`, is the
    /// Gram matrix of these contributions, which is returned.
    pub(super) fn contributions(&self) -> Result<Mat<f64>, MixedError> {
        let k = self.terms.len();
        let scores = self.no_scores();
        let objective = Objective { model: self, scores: &scores, method: Method::Reml };
        let Some(at) = objective.derivatives(&vec![0.0; k]) else {
            return Err(MixedError::NotSettled { evaluations: 1 });
        };
        let df = objective.df();
        let single = |i: usize| at.trace[i];
        let gram = Mat::from_fn(k + 1, k + 1, |i, j| match (i, j) {
            (0, 0) => df,
            (0, t) | (t, 0) => single(t - 1),
            (i, j) => at.traces[(i - 1, j - 1)],
        });
        let names: Vec<String> = self.terms.iter().map(|t| t.name.clone()).collect();
        let totals: Vec<f64> = (0..=k).map(|j| self.square_sum(j)).collect();
        told_apart(&gram, &names, &totals)?;
        Ok(gram)
    }

    /// `|Z'Z|^2` of a term, against which rounding is measured; for the residual the rows.
    fn square_sum(&self, j: usize) -> f64 {
        if j == 0 {
            return self.n as f64;
        }
        let term = &self.terms[j - 1];
        let mut sums = vec![0.0; term.n_levels];
        for (row, &code) in term.codes.iter().enumerate() {
            sums[code as usize] += term.value(row) * term.value(row);
        }
        sums.iter().map(|s| s * s).sum()
    }
}

/// Checks that in a Gram matrix no row depends on those before it, the residual first, then what is
/// in `names`; rounding is measured against `totals`.
pub(super) fn told_apart(
    gram: &Mat<f64>,
    names: &[String],
    totals: &[f64],
) -> Result<(), MixedError> {
    let confounded = |j: usize, from: &str| MixedError::NotIdentified {
        term: names[j - 1].clone(),
        from: from.into(),
    };
    // Cholesky by hand, so that the first dependent term is named.
    let size = gram.nrows();
    let mut lower = Mat::<f64>::zeros(size, size);
    for j in 0..size {
        let mut left = gram[(j, j)];
        for c in 0..j {
            let sum: f64 = (0..c).map(|r| lower[(j, r)] * lower[(c, r)]).sum();
            lower[(j, c)] = (gram[(j, c)] - sum) / lower[(c, c)];
            left -= lower[(j, c)] * lower[(j, c)];
        }
        if gram[(j, j)] <= 1e-12 * totals[j] {
            return Err(confounded(j, "the fixed effects"));
        }
        if left <= 1e-9 * gram[(j, j)] {
            // The weights of those before it: L' w = the row just found.
            let mut weights: Vec<f64> = (0..j).map(|c| lower[(j, c)]).collect();
            for c in (0..j).rev() {
                weights[c] /= lower[(c, c)];
                for r in 0..c {
                    weights[r] -= lower[(c, r)] * weights[c];
                }
            }
            let name = |c: usize| match c {
                0 => "the residual",
                _ => names[c - 1].as_str(),
            };
            let size = |c: usize| weights[c].abs() * gram[(c, c)].sqrt();
            let others: Vec<&str> =
                (0..j).filter(|&c| size(c) > 1e-4 * gram[(j, j)].sqrt()).map(name).collect();
            return Err(confounded(j, &others.join(" and ")));
        }
        lower[(j, j)] = left.sqrt();
    }
    Ok(())
}
