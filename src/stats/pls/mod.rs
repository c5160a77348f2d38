//! Partial least squares: many columns that move together, few rows.
//!
//! Columns are centred and scaled to a standard deviation (n - 1) of one; components come one after
//! another by orthogonal scores. [`fit`] describes; [`cross`] predicts rows that were left out and
//! chooses the number of components; [`luck`] asks how well noise would be predicted; [`predict`]
//! gives a new row with its interval; [`net`] is another way to the same coefficients.
//!
//! # Source
//! Wold S, Sjöström M, Eriksson L (2001), Chemometrics and Intelligent Laboratory Systems
//! 58:109-130.

pub mod cross;
pub mod folds;
pub mod luck;
pub mod net;
pub mod predict;

use faer::{Mat, Side};
use serde::Serialize;
use thiserror::Error;

pub use cross::{Chosen, CrossValidated, cross_validate, cross_validate_together};
pub use folds::{Folds, Prepared, Scaling};

/// Less than this of what there was at first is rounding: no further component.
pub(crate) const NOTHING: f64 = 1e-9;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PlsError {
    /// Columns of different lengths.
    #[error("column {column} has {found} values where {expected} were expected")]
    Length {
        /// The column, from 0.
        column: usize,
        /// Values expected.
        expected: usize,
        /// Values found.
        found: usize,
    },
    /// A value that is infinite or not a number.
    #[error("row {row} of column {column} is not a finite number")]
    NotFinite {
        /// The column, from 0, those of the responses after those of the predictors.
        column: usize,
        /// The row, from 0.
        row: usize,
    },
    /// A predictor that never varies.
    #[error("column {column} never varies")]
    Constant {
        /// The column, from 0.
        column: usize,
    },
    /// A response that never varies.
    #[error("response {response} never varies")]
    ConstantResponse {
        /// The response, from 0.
        response: usize,
    },
    /// Too few rows, or no column.
    #[error("{rows} rows of {columns} columns are too few: {least} rows of one are needed")]
    TooSmall {
        /// Rows.
        rows: usize,
        /// Columns.
        columns: usize,
        /// The least number of rows.
        least: usize,
    },
    /// Folds that are no partition of the rows, or leave too few.
    #[error("the rows left out are not each row once, or leave fewer than 2 behind")]
    Folds,
    /// No component was asked for.
    #[error("at least one component is needed")]
    NoComponent,
}

/// A fitted model. `A` components, `p` columns, `m` responses, `n` rows; everything is on the
/// standardised scale unless it says otherwise. The sign of a component is arbitrary: here its
/// largest weight is positive.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pls {
    /// Mean of each column.
    pub x_mean: Vec<f64>,
    /// Standard deviation (n - 1) of each column.
    pub x_sd: Vec<f64>,
    /// Mean of each response.
    pub y_mean: Vec<f64>,
    /// Standard deviation (n - 1) of each response.
    pub y_sd: Vec<f64>,
    /// `weights[component][column]`, each of length one, of the columns that are left after the
    /// components before (W).
    pub weights: Vec<Vec<f64>>,
    /// `rotations[component][column]`: scores are standardised columns times these, R = W (P'W)⁻¹.
    pub rotations: Vec<Vec<f64>>,
    /// `x_loadings[component][column]` (P).
    pub x_loadings: Vec<Vec<f64>>,
    /// `y_loadings[component][response]` (Q).
    pub y_loadings: Vec<Vec<f64>>,
    /// `scores[component][row]` (T), each orthogonal to the others.
    pub scores: Vec<Vec<f64>>,
    /// `coefficients[components - 1][column][response]`.
    pub coefficients: Vec<Vec<Vec<f64>>>,
    /// Share of the columns' variance that each component explains.
    pub x_explained: Vec<f64>,
    /// `y_explained[response][component]`: share of the response's variance.
    pub y_explained: Vec<Vec<f64>>,
    /// Share of the variance of all responses that each component explains.
    pub y_explained_total: Vec<f64>,
    /// `vip[components - 1][column]`: importance in the projection,
    /// `sqrt(p Σ SSY_a w_ja² / Σ SSY_a)`; the mean of their squares is one.
    pub vip: Vec<Vec<f64>>,
}

impl Pls {
    /// The components there are.
    #[must_use]
    pub fn n_components(&self) -> usize {
        self.weights.len()
    }

    /// Returns the coefficient of a column for a response in units of the response for one unit of
    /// the column, `b sd(y) / sd(x)` from the standardised b of `components` components
    /// (definition); none if there are not so many, or no such column or response.
    #[must_use]
    pub fn in_units(&self, components: usize, column: usize, response: usize) -> Option<f64> {
        let b = self.coefficients.get(components.checked_sub(1)?)?.get(column)?.get(response)?;
        Some(b * self.y_sd.get(response)? / self.x_sd.get(column)?)
    }

    /// Returns what the model with `components` components says of a row in the columns' own
    /// units, for one response in its: `mean(y) + sum of b_j (x_j - mean(x_j))`, b as
    /// [`Pls::in_units`] (definition); none as there, or for a row longer than the columns.
    #[must_use]
    pub fn value(&self, components: usize, response: usize, row: &[f64]) -> Option<f64> {
        let mut value = *self.y_mean.get(response)?;
        for (j, x) in row.iter().enumerate() {
            value += self.in_units(components, j, response)? * (x - self.x_mean.get(j)?);
        }
        Some(value)
    }
}

pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    // Four sums beside one another: one would wait for itself.
    let (mut s, n) = ([0.0_f64; 4], a.len().min(b.len()));
    let (a, b) = (&a[..n], &b[..n]);
    let (mut ca, mut cb) = (a.chunks_exact(4), b.chunks_exact(4));
    for (x, y) in ca.by_ref().zip(cb.by_ref()) {
        for k in 0..4 {
            s[k] += x[k] * y[k];
        }
    }
    let rest: f64 = ca.remainder().iter().zip(cb.remainder()).map(|(x, y)| x * y).sum();
    (s[0] + s[1]) + (s[2] + s[3]) + rest
}

/// Checks columns of numbers: alike in length, finite; `first` is the number of the first one.
pub(crate) fn checked(
    columns: &[&[f64]],
    rows: usize,
    first: usize,
    least: usize,
) -> Result<(), PlsError> {
    if columns.is_empty() || rows < least {
        return Err(PlsError::TooSmall { rows, columns: columns.len(), least });
    }
    for (j, values) in columns.iter().enumerate() {
        let column = first + j;
        if values.len() != rows {
            return Err(PlsError::Length { column, expected: rows, found: values.len() });
        }
        if let Some(row) = values.iter().position(|v| !v.is_finite()) {
            return Err(PlsError::NotFinite { column, row });
        }
    }
    Ok(())
}

/// A column less its mean over its standard deviation (n - 1), with both; none if it never varies.
pub(crate) fn standardised(values: &[f64]) -> Option<(Vec<f64>, f64, f64)> {
    let n = values.len() as f64;
    let first = *values.first()?;
    let shift = values.iter().map(|v| v - first).sum::<f64>() / n;
    let mean = first + shift;
    let mut own: Vec<f64> = values.iter().map(|v| (v - first) - shift).collect();
    let sd = (dot(&own, &own) / (n - 1.0)).sqrt();
    let largest = values.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    if sd <= 1e-12 * largest || !sd.is_finite() {
        return None;
    }
    own.iter_mut().for_each(|v| *v /= sd);
    Some((own, mean, sd))
}

/// Fits partial least squares with up to `components` components, for one response (PLS1) or
/// several (PLS2).
///
/// The weights of a component are the dominant left singular vector of X'Y after the components
/// before were taken out of X, found from the smaller of the two symmetric products, so that
/// nothing iterates; t = Xw, p = X't / t't, q = Y't / t't, X ← X - tp'. Components end where X'Y
/// has nothing left: there may be fewer than asked, never more than the rank.
///
/// # Errors
/// See [`PlsError`]; at least 2 rows.
///
/// # Source
/// Wold, Sjöström, Eriksson (2001), with the weights by singular value decomposition after
/// Höskuldsson A (1988), Journal of Chemometrics 2:211-228 (the latter from memory).
pub fn fit(x: &[&[f64]], y: &[&[f64]], components: usize) -> Result<Pls, PlsError> {
    let n = x.first().map_or(0, |c| c.len());
    checked(x, n, 0, 2)?;
    checked(y, n, x.len(), 2)?;
    if components == 0 {
        return Err(PlsError::NoComponent);
    }
    let split = |columns: &[&[f64]], wrong: fn(usize) -> PlsError| {
        let mut all = (Vec::new(), Vec::new(), Vec::new());
        for (j, c) in columns.iter().enumerate() {
            let (own, mean, sd) = standardised(c).ok_or(wrong(j))?;
            all.0.push(own);
            all.1.push(mean);
            all.2.push(sd);
        }
        Ok::<_, PlsError>(all)
    };
    let (xs, x_mean, x_sd) = split(x, |column| PlsError::Constant { column })?;
    let (ys, y_mean, y_sd) = split(y, |response| PlsError::ConstantResponse { response })?;
    Ok(of_standardised(xs, &ys, components, Moments { x_mean, x_sd, y_mean, y_sd }))
}

/// Means and standard deviations.
pub(crate) struct Moments {
    pub(crate) x_mean: Vec<f64>,
    pub(crate) x_sd: Vec<f64>,
    pub(crate) y_mean: Vec<f64>,
    pub(crate) y_sd: Vec<f64>,
}

/// The model of columns that are centred already.
pub(crate) fn of_standardised(
    mut x: Vec<Vec<f64>>,
    y: &[Vec<f64>],
    components: usize,
    moments: Moments,
) -> Pls {
    let (p, m) = (x.len(), y.len());
    let n = y.first().map_or(0, Vec::len);
    let whole = |columns: &[Vec<f64>]| columns.iter().map(|c| dot(c, c)).sum::<f64>();
    let (x_whole, y_whole) = (whole(&x), whole(y));
    let mut found = Pls {
        x_mean: moments.x_mean,
        x_sd: moments.x_sd,
        y_mean: moments.y_mean,
        y_sd: moments.y_sd,
        weights: Vec::new(),
        rotations: Vec::new(),
        x_loadings: Vec::new(),
        y_loadings: Vec::new(),
        scores: Vec::new(),
        coefficients: Vec::new(),
        x_explained: Vec::new(),
        y_explained: vec![Vec::new(); m],
        y_explained_total: Vec::new(),
        vip: Vec::new(),
    };
    let (mut at_first, mut vip_sums, mut y_sum) = (0.0, vec![0.0; p], 0.0);
    let mut b = vec![vec![0.0; m]; p];
    while found.weights.len() < components.min(p).min(n.saturating_sub(1)) {
        let cross: Vec<Vec<f64>> =
            x.iter().map(|c| y.iter().map(|r| dot(c, r)).collect()).collect();
        let size = whole(&cross).sqrt();
        if found.weights.is_empty() {
            at_first = size;
        }
        if size <= NOTHING * at_first || !size.is_finite() {
            break;
        }
        let Some(w) = dominant(&cross, size) else { break };
        let mut t = vec![0.0; n];
        for (c, wj) in x.iter().zip(&w) {
            t.iter_mut().zip(c).for_each(|(t, v)| *t += wj * v);
        }
        let tt = dot(&t, &t);
        if tt <= NOTHING * NOTHING * x_whole || !tt.is_finite() {
            break;
        }
        let loading: Vec<f64> = x.iter().map(|c| dot(c, &t) / tt).collect();
        let q: Vec<f64> = y.iter().map(|r| dot(r, &t) / tt).collect();
        for (c, l) in x.iter_mut().zip(&loading) {
            c.iter_mut().zip(&t).for_each(|(v, t)| *v -= l * t);
        }
        let mut r = w.clone();
        for (pk, rk) in found.x_loadings.iter().zip(&found.rotations) {
            let along = dot(pk, &w);
            r.iter_mut().zip(rk).for_each(|(a, b)| *a -= along * b);
        }
        let mut own = 0.0;
        for (k, qk) in q.iter().enumerate() {
            let ss = qk * qk * tt;
            own += ss;
            found.y_explained[k].push(ss / dot(&y[k], &y[k]));
        }
        y_sum += own;
        for j in 0..p {
            vip_sums[j] += own * w[j] * w[j];
            b[j].iter_mut().zip(&q).for_each(|(b, q)| *b += r[j] * q);
        }
        found.vip.push(vip_sums.iter().map(|s| (p as f64 * s / y_sum).sqrt()).collect());
        found.coefficients.push(b.clone());
        found.x_explained.push(dot(&loading, &loading) * tt / x_whole);
        found.y_explained_total.push(own / y_whole);
        found.weights.push(w);
        found.rotations.push(r);
        found.x_loadings.push(loading);
        found.y_loadings.push(q);
        found.scores.push(t);
    }
    found
}

/// The dominant left singular vector of `cross` (rows by columns), its largest entry positive.
fn dominant(cross: &[Vec<f64>], size: f64) -> Option<Vec<f64>> {
    let (p, m) = (cross.len(), cross.first().map_or(0, Vec::len));
    let mut w: Vec<f64> = if m == 1 {
        cross.iter().map(|row| row[0]).collect()
    } else {
        let small = p.min(m);
        let product = Mat::from_fn(small, small, |i, j| {
            let s: f64 = if m <= p {
                cross.iter().map(|row| row[i] * row[j]).sum()
            } else {
                dot(&cross[i], &cross[j])
            };
            s / (size * size)
        });
        let eigen = product.self_adjoint_eigen(Side::Lower).ok()?;
        // Eigenvalues rise: the last is the largest.
        let v: Vec<f64> = (0..small).map(|i| eigen.U()[(i, small - 1)]).collect();
        if m <= p { cross.iter().map(|row| dot(row, &v)).collect() } else { v }
    };
    let length = dot(&w, &w).sqrt();
    if length <= 0.0 || !length.is_finite() {
        return None;
    }
    let largest =
        w.iter().fold(0.0_f64, |a, v| if v.abs() > a.abs() * (1.0 + 1e-9) { *v } else { a });
    let by = if largest < 0.0 { -length } else { length };
    w.iter_mut().for_each(|v| *v /= by);
    Some(w)
}
