//! Exact designs that tell the most in so many runs, from nothing or as additions to runs that
//! have been made.
//!
//! A row is what a run puts into the model: 1 for the mean, then one number a column. The
//! information of rows is `M = X'X + K`, with `K` a diagonal of prior information (mostly 0). A design is
//! D-optimal if no other from the same candidates has a larger `det M`.
//!
//! # Sources
//! Fedorov VV (1972) Theory of Optimal Experiments, Academic Press, chapter 3 (exchange); Evans JW
//! (1979) Computer augmentation of experimental designs to maximize |X'X|, Technometrics 21:321-330
//! (additions); DuMouchel W, Jones B (1994) A simple Bayesian modification of D-optimal designs to
//! reduce dependence on an assumed model, Technometrics 36:37-47 (prior). Citations from memory.

use serde::Serialize;
use thiserror::Error;

use crate::rng::{Stream, stream};

/// The most exchanges of one start.
const MOST_EXCHANGES: usize = 200;
/// An exchange that gains less than this share of the determinant is rounding.
const GAIN: f64 = 1e-8;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum OptimalError {
    /// No candidate, no run, or no start.
    #[error("there is no candidate, no run to choose or no start to choose from")]
    Nothing,
    /// Rows of different lengths.
    #[error("a row has {found} numbers where {expected} were expected")]
    Length {
        /// Numbers of the first row.
        expected: usize,
        /// Numbers found.
        found: usize,
    },
    /// A value that is infinite or not a number, or a prior below 0.
    #[error("a row or the prior has a number that is not finite, or a prior below 0")]
    NotFinite,
    /// No choice of so many candidates tells all columns apart.
    #[error("{runs} runs from these candidates tell {rank} of {columns} columns apart")]
    Singular {
        /// Runs in all.
        runs: usize,
        /// Columns that can be told apart.
        rank: usize,
        /// Columns of the model.
        columns: usize,
    },
}

/// A design that was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exact {
    /// The candidates chosen, by place, ascending; one may be there several times.
    pub chosen: Vec<usize>,
    /// The logarithm of `det (X'X + K)`, rows that were given included.
    pub log_det: f64,
    /// How many of the starts ended at a determinant as large.
    pub starts_agreeing: usize,
    /// How many starts were made.
    pub starts: usize,
}

/// Chooses `runs` of the candidates (any of them again and again) so that together with the rows
/// `given` the determinant of the information is as large as can be found: from each random start
/// the best exchange of one chosen for one other candidate is made until none gains. The
/// logarithm of the determinant's ratio is `log((1 + d_jj)(1 - d_ii) + d_ij^2)`, `d_ij = x_i' M^-1 x_j`.
///
/// `given` and `candidates`: one row a run, all of one length p; `prior`: p numbers, the diagonal of
/// K. The same seed gives the same design on every machine.
///
/// # Errors
/// [`OptimalError::Singular`] where no start becomes regular (then a prior above 0 helps); else see
/// [`OptimalError`].
///
/// # Source
/// Fedorov (1972), chapter 3; with rows given, Evans (1979); the prior, DuMouchel and Jones
/// (1994): the head of this module.
pub fn exchange(
    given: &[Vec<f64>],
    candidates: &[Vec<f64>],
    runs: usize,
    prior: &[f64],
    starts: usize,
    seed: u64,
) -> Result<Exact, OptimalError> {
    let p = checked(given.iter().chain(candidates), prior)?;
    if candidates.is_empty() || runs == 0 || starts == 0 {
        return Err(OptimalError::Nothing);
    }
    let base = information(given.iter(), prior, p);
    let n = given.len() + runs;
    let scale = candidates.iter().flatten().fold(1.0_f64, |a, v| a.max(v.abs())).powi(2);
    // While chosen rows leave the information singular, this much of it makes exchanges that add a
    // direction gain far more than any that do not.
    let ridge = 1e-6 * scale;
    let mut best: Option<(f64, Vec<usize>)> = None;
    let mut ends: Vec<f64> = Vec::with_capacity(starts);
    for start in 0..starts {
        let mut draws = stream(seed, start as u64);
        let chosen: Vec<usize> = (0..runs).map(|_| draws.below(candidates.len())).collect();
        let mut chosen = improve(&base, candidates, chosen, ridge, &mut draws);
        chosen.sort_unstable();
        let rows = given.iter().chain(chosen.iter().map(|c| &candidates[*c]));
        let Some(log_det) = log_det(&information(rows, prior, p)) else { continue };
        ends.push(log_det);
        let better = |(known, places): &(f64, Vec<usize>)| {
            log_det > known + GAIN || (log_det > known - GAIN && chosen < *places)
        };
        if best.as_ref().is_none_or(better) {
            best = Some((log_det, chosen));
        }
    }
    let Some((log_det, chosen)) = best else {
        let rows: Vec<&Vec<f64>> = given.iter().chain(candidates).collect();
        let rank = rank(rows.iter().map(|r| r.as_slice()), p).min(n);
        return Err(OptimalError::Singular { runs: n, rank, columns: p });
    };
    let starts_agreeing = ends.iter().filter(|e| **e > log_det - 1e-6).count();
    Ok(Exact { chosen, log_det, starts_agreeing, starts })
}

fn improve(
    base: &[Vec<f64>],
    candidates: &[Vec<f64>],
    mut chosen: Vec<usize>,
    ridge: f64,
    draws: &mut Stream,
) -> Vec<usize> {
    let p = base.len();
    for _ in 0..MOST_EXCHANGES {
        let mut m = base.to_vec();
        for c in &chosen {
            add(&mut m, &candidates[*c], 1.0);
        }
        (0..p).for_each(|i| m[i][i] += ridge);
        let Some(inverse) = inverse(&m) else { break };
        let of_chosen: Vec<Vec<f64>> =
            chosen.iter().map(|c| times(&inverse, &candidates[*c])).collect();
        let own: Vec<f64> =
            chosen.iter().zip(&of_chosen).map(|(c, v)| dot(&candidates[*c], v)).collect();
        let mut best = (GAIN, 0, 0);
        let mut n_equal = 1;
        for (j, x) in candidates.iter().enumerate() {
            let d_jj = dot(x, &times(&inverse, x));
            for (i, v) in of_chosen.iter().enumerate() {
                if chosen[i] == j {
                    continue;
                }
                let d_ij = dot(x, v);
                let gain = (1.0 + d_jj) * (1.0 - own[i]) + d_ij * d_ij - 1.0;
                if gain > best.0 * (1.0 + 1e-9) {
                    best = (gain, i, j);
                    n_equal = 1;
                } else if gain > best.0 * (1.0 - 1e-9) && best.0 > GAIN {
                    // Equals are drawn by lot, so that starts differ.
                    n_equal += 1;
                    if draws.below(n_equal) == 0 {
                        best = (gain, i, j);
                    }
                }
            }
        }
        if best.0 <= GAIN {
            break;
        }
        chosen[best.1] = best.2;
    }
    chosen
}

/// How well rows tell the columns of a model apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Efficiency {
    /// `100 det(X'X)^(1/p) / n`: 100 for orthogonal columns of -1 and 1.
    pub d: f64,
    /// `100 p / (n trace (X'X)^-1)`, likewise.
    pub a: f64,
}

/// Returns the D- and A-efficiency of `rows` (one a run, the mean's 1 among its p numbers), in
/// percent: `100 det(X'X)^(1/p) / n` and `100 p / (n tr (X'X)⁻¹)`.
///
/// # Errors
/// Rows that do not tell all columns apart; else see [`OptimalError`].
///
/// # Source
/// Atkinson AC, Donev AN (1992), Optimum Experimental Designs, chapters 10 and 11 (from memory).
pub fn efficiency(rows: &[Vec<f64>]) -> Result<Efficiency, OptimalError> {
    let p = checked(rows.iter(), &[])?;
    let n = rows.len() as f64;
    let m = information(rows.iter(), &vec![0.0; p], p);
    let singular = || OptimalError::Singular {
        runs: rows.len(),
        rank: rank(rows.iter().map(Vec::as_slice), p),
        columns: p,
    };
    let log_det = log_det(&m).ok_or_else(singular)?;
    let inverse = inverse(&m).ok_or_else(singular)?;
    let trace: f64 = (0..p).map(|i| inverse[i][i]).sum();
    Ok(Efficiency { d: 100.0 * (log_det / p as f64).exp() / n, a: 100.0 * p as f64 / (n * trace) })
}

/// Returns the number of columns that `rows`, of `columns` numbers each, tell apart: the rank of
/// X, by Gram and Schmidt's orthogonal rows (textbook linear algebra).
#[must_use]
pub fn rank<'a>(rows: impl Iterator<Item = &'a [f64]>, columns: usize) -> usize {
    let mut basis = crate::least_squares::Basis::new(columns);
    for row in rows {
        if basis.rank() == columns {
            break;
        }
        basis.push(row);
    }
    basis.rank()
}

fn checked<'a>(
    rows: impl Iterator<Item = &'a Vec<f64>>,
    prior: &[f64],
) -> Result<usize, OptimalError> {
    let mut expected = None;
    for row in rows {
        let expected = *expected.get_or_insert(row.len());
        if row.len() != expected {
            return Err(OptimalError::Length { expected, found: row.len() });
        }
        if row.iter().any(|v| !v.is_finite()) {
            return Err(OptimalError::NotFinite);
        }
    }
    let p = expected.filter(|p| *p > 0).ok_or(OptimalError::Nothing)?;
    if !prior.is_empty() && prior.len() != p {
        return Err(OptimalError::Length { expected: p, found: prior.len() });
    }
    if prior.iter().any(|k| !(k.is_finite() && *k >= 0.0)) {
        return Err(OptimalError::NotFinite);
    }
    Ok(p)
}

fn information<'a>(
    rows: impl Iterator<Item = &'a Vec<f64>>,
    prior: &[f64],
    p: usize,
) -> Vec<Vec<f64>> {
    let mut m = vec![vec![0.0; p]; p];
    prior.iter().enumerate().for_each(|(i, k)| m[i][i] = *k);
    rows.for_each(|row| add(&mut m, row, 1.0));
    m
}

fn add(m: &mut [Vec<f64>], row: &[f64], weight: f64) {
    for (i, a) in row.iter().enumerate() {
        if *a != 0.0 {
            m[i].iter_mut().zip(row).for_each(|(v, b)| *v += weight * a * b);
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(u, v)| u * v).sum()
}

fn times(m: &[Vec<f64>], x: &[f64]) -> Vec<f64> {
    m.iter().map(|row| dot(row, x)).collect()
}

/// The lower Cholesky factor; `None` if a pivot is rounding beside its diagonal.
fn cholesky(m: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let p = m.len();
    let mut l = vec![vec![0.0; p]; p];
    for i in 0..p {
        for j in 0..=i {
            let rest = m[i][j] - dot(&l[i][..j], &l[j][..j]);
            if i == j {
                if !(rest > 1e-11 * m[i][i] && m[i][i] > 0.0) {
                    return None;
                }
                l[i][i] = rest.sqrt();
            } else {
                l[i][j] = rest / l[j][j];
            }
        }
    }
    Some(l)
}

/// The logarithm of the determinant of a positive definite matrix.
fn log_det(m: &[Vec<f64>]) -> Option<f64> {
    Some(2.0 * cholesky(m)?.iter().enumerate().map(|(i, row)| row[i].ln()).sum::<f64>())
}

fn inverse(m: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let l = cholesky(m)?;
    let p = m.len();
    // Column by column: L z = e, L' x = z.
    let mut all = vec![vec![0.0; p]; p];
    for column in 0..p {
        let mut x = vec![0.0; p];
        for i in column..p {
            let e = if i == column { 1.0 } else { 0.0 };
            x[i] = (e - dot(&l[i][column..i], &x[column..i])) / l[i][i];
        }
        for i in (0..p).rev() {
            let later: f64 = (i + 1..p).map(|k| l[k][i] * x[k]).sum();
            x[i] = (x[i] - later) / l[i][i];
        }
        for (row, v) in all.iter_mut().zip(x) {
            row[column] = v;
        }
    }
    Some(all)
}
