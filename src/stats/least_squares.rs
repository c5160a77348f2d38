//! A small orthogonal basis: sequential sums of squares and adjusted regressions without a
//! matrix library, columns that add nothing are noticed and passed over.

/// Orthonormal columns, grown one at a time by Gram-Schmidt with a second pass.
#[derive(Debug, Clone)]
pub(crate) struct Basis {
    n: usize,
    columns: Vec<Vec<f64>>,
}

impl Basis {
    pub(crate) fn new(n: usize) -> Self {
        Self { n, columns: Vec::new() }
    }

    /// Adds a column unless it lies in the span of the others; says whether it was added.
    pub(crate) fn push(&mut self, column: &[f64]) -> bool {
        debug_assert_eq!(column.len(), self.n);
        let size = norm(column);
        let mut rest = column.to_vec();
        self.residual(&mut rest);
        let left = norm(&rest);
        // A column that keeps less than a part in 10^9 of its length is rounding.
        if size == 0.0 || left <= 1e-9 * size {
            return false;
        }
        rest.iter_mut().for_each(|v| *v /= left);
        self.columns.push(rest);
        true
    }

    pub(crate) fn rank(&self) -> usize {
        self.columns.len()
    }

    /// How much of each value the basis takes for itself: the diagonal of its projection.
    pub(crate) fn leverages(&self) -> Vec<f64> {
        (0..self.n).map(|i| self.columns.iter().map(|q| q[i] * q[i]).sum()).collect()
    }

    /// The columns, each of length 1 and square to the others.
    pub(crate) fn columns(&self) -> &[Vec<f64>] {
        &self.columns
    }

    /// Replaces `y` by what the basis does not explain.
    pub(crate) fn residual(&self, y: &mut [f64]) {
        for _ in 0..2 {
            for q in &self.columns {
                let along: f64 = q.iter().zip(y.iter()).map(|(a, b)| a * b).sum();
                for (v, a) in y.iter_mut().zip(q) {
                    *v -= along * a;
                }
            }
        }
    }
}

fn norm(v: &[f64]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

/// `values` less their first one, which keeps digits when all share a large part.
pub(crate) fn centred(values: &[f64]) -> Vec<f64> {
    let first = values.first().copied().unwrap_or(0.0);
    values.iter().map(|v| v - first).collect()
}

/// A regression of y on a few regressors after a nuisance basis was taken out of both.
#[derive(Debug, Clone)]
pub(crate) struct Regression {
    pub(crate) coefficients: Vec<f64>,
    /// Inverse of the cross products: times the residual variance it is the covariance.
    pub(crate) inverse: Vec<Vec<f64>>,
    pub(crate) residual_ss: f64,
    pub(crate) df: f64,
}

/// Fits `y` on `regressors` given `nuisance`; `None` when a regressor is explained by the
/// others or no degrees of freedom are left.
pub(crate) fn regress(nuisance: &Basis, regressors: &[Vec<f64>], y: &[f64]) -> Option<Regression> {
    let p = regressors.len();
    let df = y.len() as f64 - nuisance.rank() as f64 - p as f64;
    if df < 1.0 {
        return None;
    }
    let mut x: Vec<Vec<f64>> = regressors.to_vec();
    let mut y = y.to_vec();
    nuisance.residual(&mut y);
    for (column, raw) in x.iter_mut().zip(regressors) {
        let before = norm(raw);
        nuisance.residual(column);
        if norm(column) <= 1e-9 * before || before == 0.0 {
            return None;
        }
    }
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(u, v)| u * v).sum::<f64>();
    let mut cross: Vec<Vec<f64>> =
        x.iter().map(|a| x.iter().map(|b| dot(a, b)).collect()).collect();
    let mut inverse: Vec<Vec<f64>> =
        (0..p).map(|i| (0..p).map(|j| f64::from(u8::from(i == j))).collect()).collect();
    // Gauss-Jordan without exchanges: the cross products are positive definite.
    for i in 0..p {
        let pivot = cross[i][i];
        if pivot <= 1e-12 * dot(&x[i], &x[i]) {
            return None;
        }
        for j in 0..p {
            cross[i][j] /= pivot;
            inverse[i][j] /= pivot;
        }
        for other in (0..p).filter(|&o| o != i) {
            let factor = cross[other][i];
            for j in 0..p {
                let (c, v) = (cross[i][j], inverse[i][j]);
                cross[other][j] -= factor * c;
                inverse[other][j] -= factor * v;
            }
        }
    }
    let against: Vec<f64> = x.iter().map(|a| dot(a, &y)).collect();
    let coefficients: Vec<f64> = inverse.iter().map(|row| dot(row, &against)).collect();
    let residual_ss = (0..y.len())
        .map(|i| {
            let fitted: f64 = coefficients.iter().zip(&x).map(|(b, c)| b * c[i]).sum();
            (y[i] - fitted).powi(2)
        })
        .sum();
    Some(Regression { coefficients, inverse, residual_ss, df })
}
