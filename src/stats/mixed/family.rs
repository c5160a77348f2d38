//! Combinations of fixed effects that are asked together: their joint covariances once, then any
//! further combination of them for a few products.

use super::cells::Asked;
use super::inference::contrast_of;
use super::matrices::dot;
use super::report::{Contrast, FTest, Fit};
use super::unpooled::Unpooled;
use faer::{Mat, Side};
use std::sync::Arc;

/// Some combinations of fixed effects, the basis, with what is needed to combine them further.
#[derive(Debug, Clone)]
pub struct Family {
    estimable: Vec<bool>,
    estimates: Vec<f64>,
    moments: Arc<Moments>,
    /// Inverse of the curvature of the deviance in these variances.
    information_inverse: Arc<Mat<f64>>,
    /// Where asked for and a variance is at zero: errors that do not pool it.
    unpooled: Option<Arc<Unpooled>>,
}

/// The covariance of a basis.
#[derive(Debug)]
pub(super) struct Moments {
    pub covariance: Mat<f64>,
    /// For each variance that is not zero, then for the residual: how the covariance moves with it.
    pub gradients: Vec<Mat<f64>>,
}

impl Moments {
    /// Of combinations, given what makes a matrix of them into one of theirs.
    fn of<'a>(
        covariance: &'a Mat<f64>,
        gradients: &'a [Mat<f64>],
        form: impl Fn(&'a Mat<f64>) -> Mat<f64>,
    ) -> Arc<Self> {
        let covariance = form(covariance);
        Arc::new(Self { covariance, gradients: gradients.iter().map(form).collect() })
    }
}

impl Fit {
    /// Returns the combinations `basis`, each a list of fixed columns (their places) with weights,
    /// as one family: estimates `L beta` and covariance `L C L'`, with how it moves with each
    /// variance (Giesbrecht and Burns 1985), from which everything further is asked. A place
    /// beyond the fixed columns makes its combination not estimable.
    #[must_use]
    pub fn family(&self, basis: &[Vec<(usize, f64)>]) -> Family {
        let estimable = basis.iter().map(|l| self.is_estimable_sparse(l)).collect();
        let information_inverse = Arc::new(self.information_inverse.clone());
        if let Some(joint) = &self.joint {
            let n_effects = self.beta.len();
            let told =
                |l: &Vec<(usize, f64)>| l.iter().copied().filter(|w| w.0 < n_effects).collect();
            let basis: Vec<Vec<(usize, f64)>> = basis.iter().map(told).collect();
            let Asked { estimates, moments } = joint.ask(&basis);
            return Family { estimable, estimates, moments, information_inverse, unpooled: None };
        }
        let form = form_of(basis);
        Family {
            estimable,
            estimates: basis
                .iter()
                .map(|l| l.iter().map(|(a, x)| x * self.beta.get(*a).copied().unwrap_or(0.0)).sum())
                .collect(),
            moments: Moments::of(&self.vcov_beta, &self.gradients, form),
            information_inverse,
            unpooled: None,
        }
    }

    /// Returns the same family with errors that do not rest on a variance's being estimated as zero:
    /// each combination has the variance and degrees of freedom of [`family`](Self::family), or those
    /// from unbiased variances without a limit at zero, `sum of t_i g_i` on `2 v² / (g' W g)`,
    /// whichever makes the wider 95% interval. Where no variance is at zero nothing differs. What is
    /// computed and why stands at the head of `unpooled.rs` (Bancroft 1944, Rao 1971, Kenward and
    /// Roger 1997). Covariances between combinations stay those of the fit.
    ///
    /// Layouts that are fitted by the sparse system, or whose cells stand apart, have so many scores
    /// that pooling matters little: they have the plain family.
    #[must_use]
    pub fn family_unpooled(&self, basis: &[Vec<(usize, f64)>]) -> Family {
        let plain = self.family(basis);
        let unpooled = self.unpooled.as_ref().map(|u| Arc::new(u.with(form_of(basis))));
        Family { unpooled, ..plain }
    }
}

/// What makes a matrix over the fixed columns into one over combinations of them.
fn form_of(basis: &[Vec<(usize, f64)>]) -> impl Fn(&Mat<f64>) -> Mat<f64> {
    let n = basis.len();
    move |m| {
        Mat::from_fn(n, n, |i, j| {
            let mut sum = 0.0;
            for (a, x) in &basis[i] {
                for (b, y) in &basis[j] {
                    if *a < m.nrows() && *b < m.ncols() {
                        sum += x * m[(*a, *b)] * y;
                    }
                }
            }
            sum
        })
    }
}

impl Family {
    /// Tests that all combinations of the basis that are estimable are zero, as [`Fit::f_test`].
    pub(super) fn test(&self) -> FTest {
        let told: Vec<usize> = (0..self.len()).filter(|&i| self.estimable[i]).collect();
        let part =
            |m: &Mat<f64>| Mat::from_fn(told.len(), told.len(), |i, j| m[(told[i], told[j])]);
        let Ok(eigen) = part(&self.moments.covariance).self_adjoint_eigen(Side::Lower) else {
            return FTest::nothing();
        };
        let (u, values) = (eigen.U(), eigen.S().column_vector());
        let largest = values.iter().fold(0.0f64, |a, &v| a.max(v));
        let (mut sum, mut dfs) = (0.0, Vec::new());
        for k in (0..told.len()).filter(|&k| largest > 0.0 && values[k] > 1e-10 * largest) {
            let mut weights = vec![0.0; self.len()];
            told.iter().enumerate().for_each(|(i, &at)| weights[at] = u[(i, k)]);
            sum += dot(&weights, &self.estimates).powi(2) / values[k];
            dfs.push(self.variance_and_df(&weights).map_or(f64::NAN, |v| v.1));
        }
        FTest::of(sum, &dfs)
    }

    /// Returns estimates with a `covariance` (its rows) that is known up to one factor, which was
    /// estimated with `df` degrees of freedom (infinite where it is known): every combination `w'
    /// e` has the variance `w' C w` and these (Student 1908; textbook). None unless the covariance
    /// has as many rows and columns as there are estimates, all is finite, and `df` is positive.
    #[must_use]
    pub fn scaled(estimates: &[f64], covariance: &[Vec<f64>], df: f64) -> Option<Self> {
        let n = estimates.len();
        let square = covariance.len() == n && covariance.iter().all(|row| row.len() == n);
        let finite = covariance.iter().flatten().chain(estimates).all(|v| v.is_finite());
        if !(square && finite && df > 0.0) {
            return None;
        }
        let covariance = Mat::from_fn(n, n, |i, j| covariance[i][j]);
        Some(Self {
            estimable: vec![true; n],
            estimates: estimates.to_vec(),
            moments: Arc::new(Moments { gradients: vec![covariance.clone()], covariance }),
            information_inverse: Arc::new(Mat::from_fn(1, 1, |_, _| 1.0 / df)),
            unpooled: None,
        })
    }

    /// Returns combinations of the basis, `rows` of weights, as a family of their own: what is asked
    /// of it further costs no more than their number. A row of another length, or with weight on
    /// what is not estimable, is not estimable.
    #[must_use]
    pub fn combined(&self, rows: &[Vec<f64>]) -> Self {
        let told = |w: &[f64]| self.told(w);
        let weight = |i: usize, j: usize| rows[i].get(j).copied().unwrap_or(0.0);
        let w = Mat::from_fn(rows.len(), self.len(), weight);
        let form = |m: &Mat<f64>| &w * m * w.transpose();
        Self {
            estimable: rows.iter().map(|row| told(row)).collect(),
            estimates: rows.iter().map(|row| dot(row, &self.estimates)).collect(),
            moments: Moments::of(&self.moments.covariance, &self.moments.gradients, form),
            information_inverse: Arc::clone(&self.information_inverse),
            unpooled: self.unpooled.as_ref().map(|u| Arc::new(u.with(form))),
        }
    }

    /// Returns the variance of the combination of the basis with `weights` and its degrees of freedom,
    /// as [`contrast`](Self::contrast) has them; none where that is not estimable.
    #[must_use]
    pub fn variance_and_df(&self, weights: &[f64]) -> Option<(f64, f64)> {
        self.inflated(weights, 1.0)
    }

    /// The same where what the covariance says was found `by` times too small: that of the fit times
    /// `by`. What is asked apart from the fit stays, since that factor is in units of the fit's errors.
    pub(crate) fn inflated(&self, weights: &[f64], by: f64) -> Option<(f64, f64)> {
        if !self.told(weights) {
            return None;
        }
        // Most weights are zero.
        let used: Vec<(usize, f64)> =
            weights.iter().copied().enumerate().filter(|w| w.1 != 0.0).collect();
        let form = |m: &Mat<f64>| -> f64 {
            let along = |j: usize| {
                let column = m.col_as_slice(j);
                used.iter().map(|(i, w)| w * column[*i]).sum::<f64>()
            };
            used.iter().map(|(j, w)| w * along(*j)).sum()
        };
        let variance = form(&self.moments.covariance);
        let g: Vec<f64> = self.moments.gradients.iter().map(form).collect();
        let spread: f64 = (0..g.len())
            .map(|j| g[j] * dot(&g, &self.information_inverse.col_as_slice(j)[..g.len()]))
            .sum();
        let pooled = (by * variance, variance * variance / spread);
        let Some(u) = &self.unpooled else { return Some(pooled) };
        let g: Vec<f64> = u.forms.iter().map(form).collect();
        Some(u.wider(variance, pooled, &g))
    }

    fn told(&self, weights: &[f64]) -> bool {
        weights.len() == self.len()
            && weights.iter().all(|w| w.is_finite())
            && weights.iter().zip(&self.estimable).all(|(w, e)| *w == 0.0 || *e)
    }

    /// How many combinations the basis has.
    #[must_use]
    pub fn len(&self) -> usize {
        self.estimates.len()
    }

    /// Whether the basis is empty.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.estimates.is_empty()
    }

    /// Whether the layout determines the combination `i` of the basis.
    #[must_use]
    pub fn is_estimable(&self, i: usize) -> bool {
        self.estimable[i]
    }

    /// The estimates of the basis, in its order.
    #[must_use]
    pub fn estimates(&self) -> &[f64] {
        &self.estimates
    }

    /// Returns the covariance of the estimates of the combinations `i` and `j` of the basis at the
    /// fit, in squared units of the scores: `l_i' C l_j`.
    #[must_use]
    pub fn covariance(&self, i: usize, j: usize) -> f64 {
        self.moments.covariance[(i, j)]
    }

    /// Returns the combination of the basis with `weights`, one each, with its interval at
    /// confidence `level`: `w' e`, its variance `w' C w`, and Satterthwaite's degrees of freedom
    /// `2 v^2 / var(v)` by the delta method (Giesbrecht and Burns 1985), the same as
    /// [`Fit::contrast`] of the same combination of fixed effects; of a family that
    /// [pools nothing](Fit::family_unpooled) its own where they are wider. Not estimable where a weight
    /// that is not zero is on a combination that is not, or the number of weights is another.
    #[must_use]
    pub fn contrast(&self, weights: &[f64], level: f64) -> Contrast {
        let Some((variance, df)) = self.variance_and_df(weights) else {
            return Contrast::not_estimable();
        };
        contrast_of(dot(weights, &self.estimates), variance, df, level)
    }
}
