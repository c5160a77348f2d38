//! How closely categories go with numbers, and with one another.

use crate::dist::{chi2_sf, f_sf};
use serde::Serialize;
use thiserror::Error;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum AssociationError {
    /// Columns of different lengths.
    #[error("a column has {found} values where {expected} were expected")]
    Length {
        /// Values of the first column.
        expected: usize,
        /// Values found.
        found: usize,
    },
    /// A value that is infinite or not a number.
    #[error("a value is not a finite number")]
    NotFinite,
    /// One of the two never varies.
    #[error("one of the two never varies")]
    Constant,
}

/// How closely a number goes with categories.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CorrelationRatio {
    /// The root of the share of the number's variance that lies between categories.
    pub eta: f64,
    /// The same less what luck alone gives (epsilon), never below 0.
    pub adjusted: f64,
    /// p of the F of the categories; none where each value has a category of its own.
    pub p_value: Option<f64>,
}

/// Returns the correlation ratio `eta = sqrt(SS between / SS whole)` of `values` in `categories`
/// (numbered from 0), 0 to 1; `adjusted = sqrt(1 - (1 - eta²) (n - 1) / (n - k))`; p by F with
/// `k - 1` and `n - k` degrees of freedom. With two categories eta is the size of r.
///
/// # Errors
/// See [`AssociationError`].
///
/// # Source
/// Pearson K (1905), Drapers' Company Research Memoirs, Biometric Series 2; adjusted: Kelley TL
/// (1935), Proceedings of the National Academy of Sciences 21:554-559 (citations from memory).
pub fn correlation_ratio(
    values: &[f64],
    categories: &[u32],
) -> Result<CorrelationRatio, AssociationError> {
    let n = values.len();
    if categories.len() != n {
        return Err(AssociationError::Length { expected: n, found: categories.len() });
    }
    if !values.iter().all(|v| v.is_finite()) {
        return Err(AssociationError::NotFinite);
    }
    let sizes = counts(categories);
    let k = sizes.iter().filter(|s| **s > 0.0).count();
    let mean = values.iter().sum::<f64>() / n.max(1) as f64;
    let mut sums = vec![0.0; sizes.len()];
    for (v, c) in values.iter().zip(categories) {
        sums[*c as usize] += v - mean;
    }
    let whole: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let largest = values.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    if k < 2 || whole <= (1e-12 * largest).powi(2) {
        return Err(AssociationError::Constant);
    }
    let between: f64 =
        sums.iter().zip(&sizes).filter(|(_, n)| **n > 0.0).map(|(s, n)| s * s / n).sum();
    let share = (between / whole).clamp(0.0, 1.0);
    let (num, den) = (k as f64 - 1.0, n as f64 - k as f64);
    let adjusted = if den > 0.0 { 1.0 - (1.0 - share) * (n as f64 - 1.0) / den } else { 0.0 };
    Ok(CorrelationRatio {
        eta: share.sqrt(),
        adjusted: adjusted.max(0.0).sqrt(),
        p_value: (den > 0.0).then(|| f_sf(share / num / ((1.0 - share) / den), num, den)),
    })
}

/// How closely two sets of categories go together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Contingency {
    /// Cramér's V, 0 to 1.
    pub v: f64,
    /// The same less what luck alone gives, never below 0.
    pub adjusted: f64,
    /// Pearson's chi-square.
    pub chi_square: f64,
    /// Its p; rough where few are expected in a cell.
    pub p_value: f64,
    /// The least number expected in a cell.
    pub least_expected: f64,
}

/// Returns Cramér's V of two categories (numbered from 0): `sqrt(phi² / min(r - 1, c - 1))` with
/// `phi² = chi² / n`; adjusted: with `phi² - (r - 1)(c - 1) / (n - 1)`, at least 0, and
/// `r - (r - 1)² / (n - 1)` for r, c likewise.
///
/// # Errors
/// See [`AssociationError`].
///
/// # Source
/// Cramér H (1946), Mathematical Methods of Statistics, 21.9; adjusted: Bergsma W (2013), Journal
/// of the Korean Statistical Society 42:323-328 (citations from memory).
pub fn cramers_v(a: &[u32], b: &[u32]) -> Result<Contingency, AssociationError> {
    let n = a.len();
    if b.len() != n {
        return Err(AssociationError::Length { expected: n, found: b.len() });
    }
    let (rows, columns) = (counts(a), counts(b));
    let levels = |c: &[f64]| c.iter().filter(|n| **n > 0.0).count() as f64;
    let (r, c) = (levels(&rows), levels(&columns));
    if r < 2.0 || c < 2.0 {
        return Err(AssociationError::Constant);
    }
    let mut cells = vec![vec![0.0; columns.len()]; rows.len()];
    for (i, j) in a.iter().zip(b) {
        cells[*i as usize][*j as usize] += 1.0;
    }
    let n = n as f64;
    let (mut chi_square, mut least_expected) = (0.0, f64::INFINITY);
    for (row, own) in rows.iter().zip(&cells) {
        for (column, seen) in columns.iter().zip(own) {
            let expected = row * column / n;
            if expected > 0.0 {
                chi_square += (seen - expected).powi(2) / expected;
                least_expected = least_expected.min(expected);
            }
        }
    }
    let phi2 = chi_square / n;
    let free = (r - 1.0) * (c - 1.0);
    let less = |k: f64| k - (k - 1.0).powi(2) / (n - 1.0);
    let room = (less(r) - 1.0).min(less(c) - 1.0);
    let over = (phi2 - free / (n - 1.0)).max(0.0);
    Ok(Contingency {
        v: (phi2 / (r - 1.0).min(c - 1.0)).sqrt().min(1.0),
        adjusted: if room > 0.0 { (over / room).sqrt().min(1.0) } else { 0.0 },
        chi_square,
        p_value: chi2_sf(chi_square, free),
        least_expected,
    })
}

fn counts(codes: &[u32]) -> Vec<f64> {
    let mut all = vec![0.0; codes.iter().max().map_or(0, |m| *m as usize + 1)];
    codes.iter().for_each(|c| all[*c as usize] += 1.0);
    all
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn two_categories_have_the_size_of_r() {
        let (values, codes) = ([1.0, 4.0, 2.0, 8.0, 5.0, 7.0], [0, 1, 0, 1, 0, 1]);
        let as_numbers: Vec<f64> = codes.iter().map(|c| f64::from(*c)).collect();
        let r = crate::links::pearson(&values, &as_numbers).unwrap();
        let found = correlation_ratio(&values, &codes).unwrap();
        assert!((found.eta - r.abs()).abs() < 1e-12);
        // The t test of r is the F test of two groups.
        let t2 = 4.0 * r * r / (1.0 - r * r);
        assert!((found.p_value.unwrap() - f_sf(t2, 1.0, 4.0)).abs() < 1e-12);
    }

    #[test]
    fn what_is_the_same_has_v_of_one_and_what_never_varies_has_none() {
        let found = cramers_v(&[0, 1, 2, 0, 1, 2], &[2, 0, 1, 2, 0, 1]).unwrap();
        assert!((found.v - 1.0).abs() < 1e-12 && (found.adjusted - 1.0).abs() < 1e-12);
        assert_eq!(cramers_v(&[0, 0], &[0, 1]), Err(AssociationError::Constant));
        assert_eq!(correlation_ratio(&[1.0, 1.0], &[0, 1]), Err(AssociationError::Constant));
        assert_eq!(correlation_ratio(&[1.0, 2.0], &[0, 0]), Err(AssociationError::Constant));
        let each = correlation_ratio(&[1.0, 2.0, 3.0], &[0, 1, 2]).unwrap();
        assert!(each.p_value.is_none() && each.adjusted == 0.0);
    }
}
