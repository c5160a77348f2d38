//! What moves together, and lines through it: correlations, variance inflation, groups of columns
//! that cannot be told apart, ordinary least squares.

use crate::dist::{f_sf, t_quantile_upper, t_two_sided};
use crate::kendall::mid_ranks;
use crate::least_squares::{Basis, centred, regress};
use serde::Serialize;
use thiserror::Error;

/// Correlations this near to 1 are called exact: what is left is rounding.
pub const EXACT: f64 = 1e-9;

/// Spearman's p is counted over all orders up to so many pairs.
const COUNTED: usize = 9;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LinksError {
    /// Columns of different lengths.
    #[error("a column has {found} values where {expected} were expected")]
    Length {
        /// Values of the first column.
        expected: usize,
        /// Values found.
        found: usize,
    },
    /// A value that is infinite or not a number.
    #[error("value {index} of column {column} is not a finite number")]
    NotFinite {
        /// The column, from 0.
        column: usize,
        /// The place in it, from 0.
        index: usize,
    },
    /// Too few values.
    #[error("{n} values are too few: at least {least} are needed")]
    TooFew {
        /// Values there are.
        n: usize,
        /// Values there must be.
        least: usize,
    },
    /// A column that never varies.
    #[error("column {column} never varies")]
    Constant {
        /// The column, from 0.
        column: usize,
    },
    /// A column that the others explain.
    #[error("a column depends on the others, or no degrees of freedom are left")]
    Dependent,
}

fn checked<'a>(columns: impl Iterator<Item = &'a [f64]>, least: usize) -> Result<(), LinksError> {
    let mut expected = None;
    for (column, values) in columns.enumerate() {
        let expected = *expected.get_or_insert(values.len());
        if values.len() != expected {
            return Err(LinksError::Length { expected, found: values.len() });
        }
        if let Some(index) = values.iter().position(|v| !v.is_finite()) {
            return Err(LinksError::NotFinite { column, index });
        }
    }
    match expected {
        Some(n) if n < least => Err(LinksError::TooFew { n, least }),
        _ => Ok(()),
    }
}

/// A column less its mean, of length 1; `None` if it never varies.
fn direction(values: &[f64]) -> Option<Vec<f64>> {
    let mut column = centred(values);
    let mean = column.iter().sum::<f64>() / column.len() as f64;
    column.iter_mut().for_each(|v| *v -= mean);
    let size = column.iter().map(|v| v * v).sum::<f64>().sqrt();
    let largest = values.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    if size <= 1e-12 * largest || size == 0.0 {
        return None;
    }
    column.iter_mut().for_each(|v| *v /= size);
    Some(column)
}

fn directions(columns: &[&[f64]]) -> Result<Vec<Vec<f64>>, LinksError> {
    columns
        .iter()
        .enumerate()
        .map(|(column, values)| direction(values).ok_or(LinksError::Constant { column }))
        .collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(u, v)| u * v).sum()
}

/// Pearson's product-moment correlation, -1 to 1.
///
/// # Errors
/// Columns of different lengths, of fewer than 2 values, with values that are not finite, or that
/// never vary.
///
/// # Source
/// Pearson K (1896), Philosophical Transactions of the Royal Society A 187:253-318.
pub fn pearson(x: &[f64], y: &[f64]) -> Result<f64, LinksError> {
    checked([x, y].into_iter(), 2)?;
    let both = directions(&[x, y])?;
    Ok(dot(&both[0], &both[1]).clamp(-1.0, 1.0))
}

/// Spearman's rank correlation with its two-sided p.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spearman {
    /// The correlation of the mid-ranks.
    pub rho: f64,
    /// The chance of one at least as far from 0 where no order prefers another.
    pub p_value: f64,
    /// The orders that were counted for it; none: by Student's t with n - 2 degrees of freedom.
    pub orders: Option<u64>,
}

/// Returns Spearman's rank correlation: Pearson's correlation of the mid-ranks, ties included.
///
/// Up to nine pairs p is exact, ties or not: the share of all n! orders of the one column whose
/// sum of rank products lies at least as far from its mean as the one observed. Beyond, it is that
/// of `t = rho sqrt((n - 2) / (1 - rho^2))` with n - 2 degrees of freedom.
///
/// # Errors
/// As for [`pearson`]; at least 3 pairs.
///
/// # Source
/// Spearman C (1904), American Journal of Psychology 15:72-101; the count as in Hollander and
/// Wolfe (1973), Nonparametric Statistical Methods, chapter 8.
pub fn spearman(x: &[f64], y: &[f64]) -> Result<Spearman, LinksError> {
    checked([x, y].into_iter(), 3)?;
    let n = x.len();
    let (rx, ry) = (mid_ranks(x), mid_ranks(y));
    let rho = pearson(&rx, &ry)?;
    if n <= COUNTED {
        // Twice a mid-rank is whole, so that sums compare exactly.
        let whole = |r: &[f64]| -> Vec<i64> {
            r.iter().map(|v| (2.0 * v).round() as i64 - (n as i64 + 1)).collect()
        };
        let (far, all) = count_orders(&whole(&rx), whole(&ry));
        return Ok(Spearman { rho, p_value: far as f64 / all as f64, orders: Some(all) });
    }
    let df = n as f64 - 2.0;
    let t = rho * (df / (1.0 - rho * rho).max(0.0)).sqrt();
    Ok(Spearman { rho, p_value: t_two_sided(t, df), orders: None })
}

/// How many orders of `b` have a sum of products with `a` at least as large in size as the one
/// given, and how many there are. One exchange a step (Heap 1963, Computer Journal 6:293-298).
fn count_orders(a: &[i64], mut b: Vec<i64>) -> (u64, u64) {
    let n = b.len();
    let mut sum: i64 = a.iter().zip(&b).map(|(x, y)| x * y).sum();
    let observed = sum.abs();
    let (mut far, mut all) = (1_u64, 1_u64);
    let mut counters = vec![0_usize; n];
    let mut i = 0;
    while i < n {
        if counters[i] < i {
            let j = if i % 2 == 0 { 0 } else { counters[i] };
            sum += (a[i] - a[j]) * (b[j] - b[i]);
            b.swap(i, j);
            all += 1;
            far += u64::from(sum.abs() >= observed);
            counters[i] += 1;
            i = 0;
        } else {
            counters[i] = 0;
            i += 1;
        }
    }
    (far, all)
}

/// Returns the variance inflation of each column: `1 / (1 - R_j^2)`, with `R_j^2` the share of
/// column j that all others and a mean explain; infinite where they explain all of it.
///
/// # Errors
/// As for [`pearson`].
///
/// # Source
/// Marquardt DW (1970), Technometrics 12:591-612.
pub fn variance_inflation(columns: &[&[f64]]) -> Result<Vec<f64>, LinksError> {
    checked(columns.iter().copied(), 2)?;
    let all = directions(columns)?;
    let n = all.first().map_or(0, Vec::len);
    Ok((0..all.len())
        .map(|j| {
            let mut basis = Basis::new(n);
            basis.push(&vec![1.0; n]);
            for (k, other) in all.iter().enumerate() {
                if k != j {
                    basis.push(other);
                }
            }
            let mut rest = all[j].clone();
            basis.residual(&mut rest);
            let left = dot(&rest, &rest);
            // What is left of a unit after two passes is rounding below this.
            if left <= 1e-14 { f64::INFINITY } else { 1.0 / left }
        })
        .collect())
}

/// Columns that move together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Group {
    /// The columns, in their order; one alone is a group too.
    pub members: Vec<usize>,
    /// The one whose mean size of correlation to the others is the largest; of equals the first.
    pub representative: usize,
    /// Whether any two of them are the same but for origin and unit (|r| = 1 within [`EXACT`]).
    pub exact: bool,
}

/// Returns the groups of `columns` (one value a row each, all of one length) that are joined by
/// chains of `|r| >= near`, in the order of their first members: single linkage of Pearson's r
/// (Sneath PHA 1957, Journal of General Microbiology 17:201-226; from memory). The representative
/// of a group is the member with the largest sum of |r| with the others.
///
/// # Errors
/// As for [`pearson`].
pub fn groups(columns: &[&[f64]], near: f64) -> Result<Vec<Group>, LinksError> {
    checked(columns.iter().copied(), 2)?;
    let all = directions(columns)?;
    let r = |i: usize, j: usize| dot(&all[i], &all[j]).abs();
    let mut free: Vec<usize> = (0..all.len()).collect();
    let mut found = Vec::new();
    while !free.is_empty() {
        let mut members = vec![free.remove(0)];
        let mut at = 0;
        while at < members.len() {
            let (joined, others) =
                free.into_iter().partition(|j| r(members[at], *j) >= near - 1e-12);
            free = others;
            members.extend::<Vec<usize>>(joined);
            at += 1;
        }
        members.sort_unstable();
        let nearness = |i: usize| members.iter().filter(|j| **j != i).map(|j| r(i, *j)).sum();
        let mut best: (usize, f64) = (members[0], nearness(members[0]));
        for &i in &members[1..] {
            let own: f64 = nearness(i);
            if own > best.1 + EXACT {
                best = (i, own);
            }
        }
        let exact = members.len() > 1
            && members.iter().all(|i| members.iter().all(|j| r(*i, *j) >= 1.0 - EXACT));
        found.push(Group { members, representative: best.0, exact });
    }
    Ok(found)
}

/// Returns the columns that together explain `target`, by forward selection: each time the one
/// that adds most to `R² = 1 - RSS / SS` beside a mean, until it reaches `enough` or none adds
/// anything. Places in `others`, in the order in which they were taken, with the R² reached.
///
/// # Errors
/// As for [`pearson`]; columns among `others` that never vary are never taken.
///
/// # Source
/// Forward selection: Draper NR, Smith H (1998), Applied Regression Analysis, 3rd ed., chapter 15
/// (from memory).
pub fn explained_by(
    target: &[f64],
    others: &[&[f64]],
    enough: f64,
) -> Result<(Vec<usize>, f64), LinksError> {
    checked(std::iter::once(target).chain(others.iter().copied()), 2)?;
    let mut rest = direction(target).ok_or(LinksError::Constant { column: 0 })?;
    let n = rest.len();
    let mut basis = Basis::new(n);
    basis.push(&vec![1.0; n]);
    let mut taken = Vec::new();
    let mut r2 = 0.0;
    while r2 < enough {
        let gain = |column: &[f64]| {
            let mut own = column.to_vec();
            basis.residual(&mut own);
            let size = dot(&own, &own);
            if size <= 1e-18 * dot(column, column) { 0.0 } else { dot(&own, &rest).powi(2) / size }
        };
        let best = (0..others.len())
            .filter(|j| !taken.contains(j))
            .map(|j| (j, gain(others[j])))
            .fold(None, |best: Option<(usize, f64)>, (j, g)| match best {
                Some((_, b)) if g <= b * (1.0 + EXACT) => best,
                _ => Some((j, g)),
            });
        match best {
            Some((j, gain)) if gain > 1e-12 => {
                basis.push(others[j]);
                taken.push(j);
                basis.residual(&mut rest);
                r2 = 1.0 - dot(&rest, &rest);
            }
            _ => break,
        }
    }
    Ok((taken, r2))
}

/// A coefficient with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coefficient {
    /// The estimate.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Estimate over standard error.
    pub t: f64,
    /// Two-sided p of a coefficient that is truly zero.
    pub p_value: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// An ordinary regression.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ols {
    /// The mean at columns of 0, then one coefficient a column.
    pub coefficients: Vec<Coefficient>,
    /// Residual standard deviation.
    pub sigma: f64,
    /// Residual degrees of freedom.
    pub df: f64,
    /// Share of the variance explained.
    pub r2: f64,
    /// F of all columns together.
    pub f: f64,
    /// Its p.
    pub p_value: f64,
}

/// Ordinary least squares of `y` on a mean and `columns`, with t intervals at `level`:
/// `estimate ± t(1 - (1 - level) / 2, n - p - 1) se`.
///
/// `level` lies between 0 and 1. Where `y` never varies, R² and F are NaN.
///
/// # Errors
/// [`LinksError`] where lengths differ or a value is not finite; [`LinksError::Dependent`] where a
/// column never varies or depends on the others, or nothing is left to measure chance by.
///
/// # Source
/// Legendre (1805), Gauss (1809); intervals: Fisher RA (1922), Journal of the Royal Statistical
/// Society 85:597-612.
pub fn ols(columns: &[&[f64]], y: &[f64], level: f64) -> Result<Ols, LinksError> {
    checked(std::iter::once(y).chain(columns.iter().copied()), 2)?;
    let n = y.len();
    let mut regressors = vec![vec![1.0; n]];
    regressors.extend(columns.iter().map(|c| c.to_vec()));
    let fit = regress(&Basis::new(n), &regressors, y).ok_or(LinksError::Dependent)?;
    let variance = fit.residual_ss / fit.df;
    let reach = t_quantile_upper(0.5 * (1.0 - level), fit.df);
    let coefficients = fit
        .coefficients
        .iter()
        .enumerate()
        .map(|(i, &estimate)| {
            let se = (variance * fit.inverse[i][i]).sqrt();
            let t = estimate / se;
            Coefficient {
                estimate,
                se,
                t,
                p_value: t_two_sided(t, fit.df),
                lower: estimate - reach * se,
                upper: estimate + reach * se,
            }
        })
        .collect();
    let around: Vec<f64> = centred(y);
    let mean = around.iter().sum::<f64>() / n as f64;
    let total: f64 = around.iter().map(|v| (v - mean).powi(2)).sum();
    let p = columns.len() as f64;
    let f = (total - fit.residual_ss) / p / variance;
    Ok(Ols {
        coefficients,
        sigma: variance.sqrt(),
        df: fit.df,
        r2: 1.0 - fit.residual_ss / total,
        f,
        p_value: f_sf(f, p, fit.df),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_chain_of_near_columns_is_one_group_and_the_middle_one_stands_for_it() {
        let a = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        let b = [1.0, 2.4, 2.6, 4.4, 4.6, 6.4];
        let c = [0.6, 3.2, 1.8, 5.0, 3.6, 7.2];
        let d = [1.0, -1.0, 1.0, 1.0, -1.0, 1.0];
        let columns: [&[f64]; 4] = [&a, &b, &c, &d];
        assert!(pearson(&a, &c).unwrap() < 0.9 && pearson(&a, &b).unwrap() > 0.9);
        let found = groups(&columns, 0.9).unwrap();
        assert_eq!(found.len(), 2);
        assert_eq!(found[0], Group { members: vec![0, 1, 2], representative: 1, exact: false });
        assert_eq!(found[1].members, [3]);
    }

    #[test]
    fn the_same_column_in_another_unit_is_exact_and_the_first_stands_for_both() {
        let hours = [1.75, 5.0, 3.0, 2.5];
        let minutes: Vec<f64> = hours.iter().map(|h| 300.0 - 60.0 * h).collect();
        let found = groups(&[&hours, &minutes], 0.9).unwrap();
        assert_eq!(found, [Group { members: vec![0, 1], representative: 0, exact: true }]);
        let inflated = variance_inflation(&[&hours, &minutes]).unwrap();
        assert!(inflated.iter().all(|v| v.is_infinite()));
    }

    #[test]
    fn a_sum_is_explained_by_its_parts() {
        let a = [1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0];
        let b = [1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0];
        let other = [1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0, -1.0];
        let sum: Vec<f64> = a.iter().zip(&b).map(|(x, y)| 2.0 * x + y).collect();
        let (taken, r2) = explained_by(&sum, &[&other, &b, &a], 0.9).unwrap();
        assert_eq!(taken, [2, 1]);
        assert!((r2 - 1.0).abs() < 1e-12);
        // R^2 of the larger part alone: 4 of 5.
        assert_eq!(explained_by(&sum, &[&other, &b, &a], 0.8 - 1e-9).unwrap().0, [2]);
    }

    #[test]
    fn what_never_varies_and_what_is_no_number_is_refused() {
        assert_eq!(pearson(&[1.0, 1.0], &[1.0, 2.0]), Err(LinksError::Constant { column: 0 }));
        let bad = pearson(&[1.0, 2.0], &[f64::NAN, 2.0]);
        assert_eq!(bad, Err(LinksError::NotFinite { column: 1, index: 0 }));
        let short = pearson(&[1.0, 2.0], &[1.0]);
        assert_eq!(short, Err(LinksError::Length { expected: 2, found: 1 }));
        assert_eq!(ols(&[&[1.0, 2.0]], &[1.0, 3.0], 0.95), Err(LinksError::Dependent));
    }
}
