//! Principal components of a table of cases and variables.

use faer::{Mat, Side};
use serde::Serialize;
use thiserror::Error;

/// How the variables are weighed against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weighing {
    /// As they are: components of the covariances.
    Covariance,
    /// Each over its own standard deviation: components of the correlations.
    Correlation,
}

/// Why there are no components.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PcaError {
    /// Too little to turn.
    #[error("{n_cases} cases by {n_variables} variables: two of each are needed")]
    TooSmall {
        /// Rows.
        n_cases: usize,
        /// Columns.
        n_variables: usize,
    },
    /// Rows of different length.
    #[error("case {case} has {found} values, the first one has {expected}")]
    Ragged {
        /// Row, from 0.
        case: usize,
        /// Its length.
        found: usize,
        /// Length of the first row.
        expected: usize,
    },
    /// A value that is infinite or not a number.
    #[error("case {case}, variable {variable}: {found} is not a finite number")]
    NotFinite {
        /// Row, from 0.
        case: usize,
        /// Column, from 0.
        variable: usize,
        /// What stood there.
        found: f64,
    },
    /// A variable without spread has no correlations.
    #[error("variable {variable} is the same in all cases")]
    NoSpread {
        /// Column, from 0.
        variable: usize,
    },
    /// Nothing varies at all, or the decomposition failed.
    #[error("nothing varies between the cases")]
    NothingVaries,
}

/// Principal components, the largest first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Components {
    /// Mean of each variable.
    pub centre: Vec<f64>,
    /// What each variable is divided by: 1, or its standard deviation (n - 1).
    pub scale: Vec<f64>,
    /// Variance of each component (n - 1).
    pub variances: Vec<f64>,
    /// Each over their sum.
    pub shares: Vec<f64>,
    /// `loadings[variable][component]`, each component of length 1, its largest loading positive.
    pub loadings: Vec<Vec<f64>>,
    /// `scores[case][component]`: the centred (and scaled) case times the loadings.
    pub scores: Vec<Vec<f64>>,
}

/// Returns the principal components of a table, one row a case and one column a variable.
///
/// The eigenvectors of the covariance (or correlation) matrix, divisor n - 1, in falling order of
/// their eigenvalues; as many as there are variables. Signs are arbitrary: here the loading of
/// largest size is positive (the first of equal ones).
///
/// # Errors
/// [`PcaError`].
///
/// # Source
/// Hotelling H (1933), Journal of Educational Psychology 24:417-441 (citation from memory).
pub fn components(cases: &[Vec<f64>], weighing: Weighing) -> Result<Components, PcaError> {
    let n = cases.len();
    let k = cases.first().map_or(0, Vec::len);
    if n < 2 || k < 2 {
        return Err(PcaError::TooSmall { n_cases: n, n_variables: k });
    }
    for (case, row) in cases.iter().enumerate() {
        if row.len() != k {
            return Err(PcaError::Ragged { case, found: row.len(), expected: k });
        }
        if let Some(variable) = row.iter().position(|v| !v.is_finite()) {
            return Err(PcaError::NotFinite { case, variable, found: row[variable] });
        }
    }
    // Shifted by the first case, so that means far from zero cost no digits.
    let centre: Vec<f64> = (0..k)
        .map(|j| cases[0][j] + cases.iter().map(|r| r[j] - cases[0][j]).sum::<f64>() / n as f64)
        .collect();
    let mut centred: Vec<Vec<f64>> =
        cases.iter().map(|row| row.iter().zip(&centre).map(|(v, c)| v - c).collect()).collect();
    let mut scale = vec![1.0; k];
    if weighing == Weighing::Correlation {
        for (variable, s) in scale.iter_mut().enumerate() {
            let ss: f64 = centred.iter().map(|r| r[variable] * r[variable]).sum();
            *s = (ss / (n - 1) as f64).sqrt();
            if *s <= 1e-12 * centre[variable].abs().max(1e-300) {
                return Err(PcaError::NoSpread { variable });
            }
        }
        for row in &mut centred {
            row.iter_mut().zip(&scale).for_each(|(v, s)| *v /= s);
        }
    }
    let covariance = Mat::from_fn(k, k, |i, j| {
        centred.iter().map(|r| r[i] * r[j]).sum::<f64>() / (n - 1) as f64
    });
    let eigen = covariance.self_adjoint_eigen(Side::Lower).map_err(|_| PcaError::NothingVaries)?;
    let (u, values) = (eigen.U(), eigen.S().column_vector());
    let variances: Vec<f64> = (0..k).rev().map(|j| values[j].max(0.0)).collect();
    let total: f64 = variances.iter().sum();
    if !(total > 0.0 && total.is_finite()) {
        return Err(PcaError::NothingVaries);
    }
    let mut loadings = vec![vec![0.0; k]; k];
    for component in 0..k {
        let from = k - 1 - component;
        let mut largest = 0.0_f64;
        for i in 0..k {
            let value = u[(i, from)];
            if value.abs() > largest.abs() * (1.0 + 1e-9) {
                largest = value;
            }
        }
        let sign = if largest < 0.0 { -1.0 } else { 1.0 };
        for (i, row) in loadings.iter_mut().enumerate() {
            row[component] = sign * u[(i, from)];
        }
    }
    let scores = centred.iter().map(|row| project(row, &loadings, k)).collect();
    let shares = variances.iter().map(|v| v / total).collect();
    Ok(Components { centre, scale, variances, shares, loadings, scores })
}

/// A centred case on the first `n` components.
pub(crate) fn project(row: &[f64], loadings: &[Vec<f64>], n: usize) -> Vec<f64> {
    (0..n).map(|c| row.iter().zip(loadings).map(|(v, l)| v * l[c]).sum()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_components_says_why() {
        let two = |a: f64, b: f64| vec![vec![a, b], vec![a, b + 1.0]];
        let e = components(&two(1.0, 2.0), Weighing::Correlation).unwrap_err();
        assert_eq!(e, PcaError::NoSpread { variable: 0 });
        let same = vec![vec![1.0, 2.0]; 3];
        assert_eq!(components(&same, Weighing::Covariance), Err(PcaError::NothingVaries));
        assert!(matches!(
            components(&[vec![1.0, 2.0]], Weighing::Covariance),
            Err(PcaError::TooSmall { .. })
        ));
        let bad = vec![vec![1.0, 2.0], vec![f64::NAN, 1.0]];
        assert!(matches!(
            components(&bad, Weighing::Covariance),
            Err(PcaError::NotFinite { case: 1, variable: 0, .. })
        ));
    }
}
