//! What can be asked of a fitted model: contrasts, means, pairs, tests and modes.

use super::FixedKind;
use super::dense::times;
use super::matrices::dot;
use super::report::{Contrast, FTest, Fit, Mode, Pair};
use crate::dist::{f_sf, t_quantile_upper, t_two_sided};
use faer::{Mat, Side};

pub(super) fn form(m: &Mat<f64>, l: &[f64]) -> f64 {
    let used: Vec<usize> = (0..l.len()).filter(|&i| l[i] != 0.0).collect();
    let mut sum = 0.0;
    for &j in &used {
        for &i in &used {
            sum += l[i] * m[(i, j)] * l[j];
        }
    }
    sum
}

/// An estimate with its variance and degrees of freedom, as a contrast.
pub(super) fn contrast_of(estimate: f64, variance: f64, df: f64, level: f64) -> Contrast {
    let se = variance.max(0.0).sqrt();
    let t = estimate / se;
    let half = t_quantile_upper(0.5 * (1.0 - level), df) * se;
    Contrast {
        estimable: true,
        estimate,
        se,
        df,
        t,
        p_value: t_two_sided(t, df),
        lower: estimate - half,
        upper: estimate + half,
    }
}

impl Contrast {
    /// Returns an estimate with its variance and degrees of freedom as a contrast: `se =
    /// sqrt(variance)`, `t = estimate / se`, two-sided p and the interval `estimate ± t se` at
    /// confidence `level` by Student's t (Student 1908; textbook).
    #[must_use]
    pub fn of(estimate: f64, variance: f64, df: f64, level: f64) -> Self {
        contrast_of(estimate, variance, df, level)
    }

    /// What the layout does not determine.
    pub(super) fn not_estimable() -> Self {
        let nan = f64::NAN;
        Contrast {
            estimable: false,
            estimate: nan,
            se: nan,
            df: nan,
            t: nan,
            p_value: nan,
            lower: nan,
            upper: nan,
        }
    }
}

/// The entries that are not zero.
fn sparse(l: &[f64]) -> Vec<(usize, f64)> {
    l.iter().copied().enumerate().filter(|w| w.1 != 0.0).collect()
}

impl FTest {
    /// Nothing can be tested.
    pub(super) fn nothing() -> Self {
        FTest { f: f64::NAN, num_df: 0.0, den_df: f64::NAN, p_value: f64::NAN }
    }

    /// From the sum of the squared statistics of independent parts and their degrees of freedom.
    pub(super) fn of(sum: f64, dfs: &[f64]) -> Self {
        if dfs.is_empty() {
            return Self::nothing();
        }
        let rank = dfs.len() as f64;
        let (f, den_df) = (sum / rank, joint_df(dfs));
        FTest { f, num_df: rank, den_df, p_value: f_sf(f, rank, den_df) }
    }
}

impl Fit {
    /// The same of a combination that is given by its columns and their weights.
    pub(super) fn is_estimable_sparse(&self, l: &[(usize, f64)]) -> bool {
        if l.iter().any(|(at, w)| *at >= self.beta.len() || !w.is_finite()) {
            return false;
        }
        if self.aliases.is_empty() {
            return true;
        }
        let mut whole = vec![0.0; self.beta.len()];
        for (at, w) in l {
            whole[*at] += w;
        }
        self.is_estimable(&whole)
    }

    /// Whether the layout determines a combination: each aliased column must carry the weight that
    /// the columns it depends on give it.
    fn is_estimable(&self, l: &[f64]) -> bool {
        let scale = l.iter().fold(0.0f64, |a, v| a.max(v.abs()));
        l.len() == self.beta.len()
            && l.iter().all(|v| v.is_finite())
            && self.aliases.iter().all(|(j, weights)| {
                let implied: f64 = weights.iter().zip(&self.kept).map(|(w, &k)| w * l[k]).sum();
                (l[*j] - implied).abs() <= 1e-8 * scale
            })
    }

    /// Satterthwaite's degrees of freedom `2 v^2 / var(v)` of a combination with variance `v`, by
    /// the delta method (Giesbrecht and Burns 1985).
    fn satterthwaite(&self, l: &[f64], variance: f64) -> f64 {
        let g: Vec<f64> = self.gradients.iter().map(|m| form(m, l)).collect();
        // The curvature is of the deviance, twice that of the log-likelihood.
        let spread = dot(&g, &times(self.information_inverse.as_ref(), &g));
        variance * variance / spread
    }

    /// Returns the combination `l' beta`, with one weight for each fixed column in `l`, and its
    /// interval at confidence `level`, such as 0.95: variance `l' C l`, C the covariance of beta,
    /// and Satterthwaite's `2 v² / var(v)` degrees of freedom (Giesbrecht and Burns 1985). Not
    /// estimable, with NaN for every number, where the layout does not determine it or `l` has
    /// another length.
    pub fn contrast(&self, l: &[f64], level: f64) -> Contrast {
        if !self.is_estimable(l) {
            return Contrast::not_estimable();
        }
        if self.joint.is_some() {
            return self.family(&[sparse(l)]).contrast(&[1.0], level);
        }
        let variance = form(&self.vcov_beta, l);
        contrast_of(dot(l, &self.beta), variance, self.satterthwaite(l, variance), level)
    }

    /// Tests that every combination in `l` is zero: F over as many independent combinations as are
    /// estimable, its denominator degrees of freedom by Fai and Cornelius (1996).
    ///
    /// In unbalanced tables the degrees of freedom depend a little on how a hypothesis is written;
    /// F does not.
    pub fn f_test(&self, l: &[Vec<f64>]) -> FTest {
        if self.joint.is_some() {
            let rows: Vec<Vec<(usize, f64)>> = l.iter().map(|row| sparse(row)).collect();
            return self.family(&rows).test();
        }
        let Some((turned, variances)) = self.independent_parts(l) else {
            return FTest::nothing();
        };
        let (mut sum, mut dfs) = (0.0, Vec::new());
        for (row, variance) in turned.iter().zip(&variances) {
            let estimate = dot(row, &self.beta);
            sum += estimate * estimate / variance;
            dfs.push(self.satterthwaite(row, *variance));
        }
        FTest::of(sum, &dfs)
    }

    /// Uncorrelated combinations that span those in `l` that are estimable, with their variances;
    /// none if there are none.
    fn independent_parts(&self, l: &[Vec<f64>]) -> Option<(Vec<Vec<f64>>, Vec<f64>)> {
        let rows: Vec<&Vec<f64>> = l.iter().filter(|row| self.is_estimable(row)).collect();
        if rows.is_empty() {
            return None;
        }
        let p = self.beta.len();
        let matrix = Mat::from_fn(rows.len(), p, |i, j| rows[i][j]);
        let covariance = &matrix * &self.vcov_beta * matrix.transpose();
        let eigen = covariance.self_adjoint_eigen(Side::Lower).ok()?;
        let (u, values) = (eigen.U(), eigen.S().column_vector());
        let largest = values.iter().fold(0.0f64, |a, &v| a.max(v));
        let turned = u.transpose() * &matrix;
        let kept: Vec<usize> =
            (0..rows.len()).filter(|&k| largest > 0.0 && values[k] > 1e-10 * largest).collect();
        let parts = kept.iter().map(|&k| (0..p).map(|j| turned[(k, j)]).collect()).collect();
        let variances: Vec<f64> = kept.iter().map(|&k| values[k]).collect();
        (!variances.is_empty()).then_some((parts, variances))
    }

    /// The same as a matrix, a row each.
    pub(super) fn independent(&self, l: &[Vec<f64>]) -> Option<Mat<f64>> {
        let (parts, _) = self.independent_parts(l)?;
        Some(Mat::from_fn(parts.len(), self.beta.len(), |i, j| parts[i][j]))
    }

    /// Returns the adjusted means of the cell columns at another reference than the plain averages:
    /// `grid` names fixed terms and gives the value of each of their columns, in order. For a factor
    /// of deviations that sum to zero with weights `w` over its levels that is `w_j - w_last` for
    /// each level but the last; for one of differences from the first level `w_j` for each but the
    /// first; for a covariate its distance from its mean. Terms that are not named stay at zero: the
    /// plain average. Empty if the fixed part has no cell means, or a term is unknown or has another
    /// number of columns.
    pub fn adjusted_means_at(&self, grid: &[(&str, Vec<f64>)], level: f64) -> Vec<Contrast> {
        let mut others = vec![0.0; self.beta.len()];
        for (name, values) in grid {
            match self.term_columns.iter().find(|t| t.0 == *name) {
                Some((_, kind, first, n)) if *n == values.len() && *kind != FixedKind::Cells => {
                    others[*first..first + n].copy_from_slice(values);
                }
                _ => return Vec::new(),
            }
        }
        let (first, n) = self.cells.unwrap_or((0, 0));
        (first..first + n)
            .map(|j| {
                let mut l = others.clone();
                l[j] = 1.0;
                self.contrast(&l, level)
            })
            .collect()
    }

    /// Returns the adjusted mean of each cell column, in order, in units of the scores, with
    /// intervals at `level`, as [`Fit::contrast`] of that column alone (population marginal means:
    /// Searle, Speed and Milliken 1980, The American Statistician 34:216-221; from memory); empty
    /// if the fixed part has no cell means.
    pub fn adjusted_means(&self, level: f64) -> Vec<Contrast> {
        let (first, n) = self.cells.unwrap_or((0, 0));
        (first..first + n).map(|j| self.contrast(&self.weights(&[(j, 1.0)]), level)).collect()
    }

    /// Returns the differences of all pairs of cell columns, first less second, in the order (1,
    /// 2), (1, 3), ..., (2, 3), ..., each as [`Fit::contrast`] with weights 1 and -1, for itself
    /// alone.
    pub fn pairs(&self, level: f64) -> Vec<Pair> {
        let (first, n) = self.cells.unwrap_or((0, 0));
        let mut pairs = Vec::with_capacity(n * n.saturating_sub(1) / 2);
        for a in 0..n {
            for b in a + 1..n {
                let l = self.weights(&[(first + a, 1.0), (first + b, -1.0)]);
                pairs.push(Pair { a, b, difference: self.contrast(&l, level) });
            }
        }
        pairs
    }

    /// Tests a fixed term by its name: that its cell means are equal, or that its effects are
    /// zero, by [`Fit::f_test`] (Fai and Cornelius 1996). Of unknown terms everything is NaN.
    pub fn test_term(&self, name: &str) -> FTest {
        self.f_test(&self.rows_of_term(name))
    }

    /// The combinations that [`Fit::test_term`] tests.
    pub(super) fn rows_of_term(&self, name: &str) -> Vec<Vec<f64>> {
        let mut rows = Vec::new();
        if let Some((_, kind, first, n)) = self.term_columns.iter().find(|t| t.0 == name) {
            let columns = *first..first + n;
            if *kind == FixedKind::Cells {
                let base = columns.clone().find(|&j| self.is_estimable(&self.weights(&[(j, 1.0)])));
                let base = base.unwrap_or(*first);
                for j in columns.filter(|&j| j != base) {
                    rows.push(self.weights(&[(j, 1.0), (base, -1.0)]));
                }
            } else {
                rows.extend(columns.map(|j| self.weights(&[(j, 1.0)])));
            }
        }
        rows
    }

    /// Returns the predicted effects of a random term, `g_i Z_i' P y` for each level of its factor,
    /// with the root of their prediction error (Henderson 1975, Biometrics 31:423-447; citation from
    /// memory); empty if there is no such term.
    pub fn conditional_modes(&self, term: &str) -> Vec<Mode> {
        self.modes.iter().find(|m| m.0 == term).map(|m| m.1.clone()).unwrap_or_default()
    }

    /// Returns the variance of a random term, in squared units of the scores (of a slope also per
    /// squared unit of its covariate), by the likelihood that was maximised; none if there is no
    /// such term.
    pub fn variance(&self, term: &str) -> Option<f64> {
        self.components.iter().find(|c| c.name == term).map(|c| c.variance)
    }

    fn weights(&self, entries: &[(usize, f64)]) -> Vec<f64> {
        let mut l = vec![0.0; self.beta.len()];
        for &(j, weight) in entries {
            l[j] = weight;
        }
        l
    }
}

/// The degrees of freedom of an F from those of its independent parts: matched to the mean of F,
/// with `E = sum of v / (v - 2)` (Fai and Cornelius 1996). Where a part has two or less the mean
/// does not exist and 2 stands in.
fn joint_df(dfs: &[f64]) -> f64 {
    let q = dfs.len() as f64;
    let first = dfs[0];
    if dfs.iter().all(|v| (v - first).abs() <= 1e-8 * first.abs()) {
        return dfs.iter().sum::<f64>() / q;
    }
    if dfs.iter().any(|&v| v <= 2.0) {
        return 2.0;
    }
    // E - q = sum of 2 / (v - 2), without the cancellation.
    let excess: f64 = dfs.iter().map(|v| 2.0 / (v - 2.0)).sum();
    2.0 * (q + excess) / excess
}
