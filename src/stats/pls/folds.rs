//! Which rows are left out together, and the columns of what stays.

use super::{PlsError, checked, standardised};
use crate::rng::Stream;

/// A partition of the rows: each row is left out once, with those of its part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folds {
    /// Number of rows.
    pub rows: usize,
    /// The rows left out together.
    pub held: Vec<Vec<usize>>,
}

impl Folds {
    /// Returns parts of one row each, of `rows`: leave-one-out (Stone 1974, Journal of the Royal
    /// Statistical Society B 36:111-147; from memory).
    #[must_use]
    pub fn one_out(rows: usize) -> Self {
        Self { rows, held: (0..rows).map(|i| vec![i]).collect() }
    }

    /// Returns parts of the rows with the same number in `groups`, one a row, in the order of the
    /// numbers: for rows that hang together (common practice, no source).
    #[must_use]
    pub fn by_group(groups: &[u32]) -> Self {
        let mut held = std::collections::BTreeMap::<u32, Vec<usize>>::new();
        for (row, g) in groups.iter().enumerate() {
            held.entry(*g).or_default().push(row);
        }
        Self { rows: groups.len(), held: held.into_values().collect() }
    }

    /// Returns `parts` random parts of `rows`, their sizes alike but for one row, `parts` brought
    /// within 1 to `rows`: every `parts`-th of a random order from `stream` (k-fold
    /// cross-validation: Stone 1974, see [`Folds::one_out`]).
    #[must_use]
    pub fn random(rows: usize, parts: usize, stream: &mut Stream) -> Self {
        let mut order: Vec<usize> = (0..rows).collect();
        stream.shuffle(&mut order);
        let parts = parts.clamp(1, rows.max(1));
        let held = (0..parts)
            .map(|k| {
                let mut part: Vec<usize> = order.iter().skip(k).step_by(parts).copied().collect();
                part.sort_unstable();
                part
            })
            .collect();
        Self { rows, held }
    }

    pub(crate) fn are_a_partition(&self) -> bool {
        let mut seen = vec![false; self.rows];
        for row in self.held.iter().flatten() {
            match seen.get_mut(*row) {
                Some(s) if !*s => *s = true,
                _ => return false,
            }
        }
        seen.iter().all(|s| *s)
            && self.held.iter().all(|h| !h.is_empty() && self.rows - h.len() >= 2)
    }
}

/// Where means and standard deviations come from when rows are left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scaling {
    /// Both from the rows that stay: what is left out stays unseen.
    Inside,
    /// Standard deviations once from all rows, means from those that stay.
    Outside,
}

/// What stays in one fold.
#[derive(Debug, Clone)]
pub(crate) struct Part {
    /// The rows that are left out.
    pub(crate) held: Vec<usize>,
    /// How many stay.
    pub(crate) n: f64,
    /// Mean of each (standardised) column.
    pub(crate) mean: Vec<f64>,
    /// One over the standard deviation; 0 for a column that does not vary among those that stay.
    pub(crate) by: Vec<f64>,
    /// Cross products of the scaled columns, row by row.
    pub(crate) cross: Vec<f64>,
    /// The rows left out, scaled.
    pub(crate) z: Vec<f64>,
}

/// Columns prepared for one way of leaving rows out; any number of responses can then be asked.
#[derive(Debug, Clone)]
pub struct Prepared {
    pub(crate) rows: usize,
    pub(crate) columns: usize,
    /// The standardised columns, row by row.
    pub(crate) x: Vec<f64>,
    pub(crate) sd: Vec<f64>,
    pub(crate) parts: Vec<Part>,
    /// All rows, as a part that leaves none out.
    pub(crate) whole: Part,
}

impl Prepared {
    /// Prepares columns. The cross products of each fold are those of all rows less the rows left
    /// out, so that a fold costs p² for each of them.
    ///
    /// # Errors
    /// See [`PlsError`]; at least 3 rows, and each fold must leave 2.
    pub fn new(columns: &[&[f64]], folds: &Folds, scaling: Scaling) -> Result<Self, PlsError> {
        let n = folds.rows;
        checked(columns, n, 0, 3)?;
        if !folds.are_a_partition() {
            return Err(PlsError::Folds);
        }
        let p = columns.len();
        let (mut x, mut sd) = (vec![0.0; n * p], Vec::new());
        for (j, c) in columns.iter().enumerate() {
            let (own, _, s) = standardised(c).ok_or(PlsError::Constant { column: j })?;
            for (i, v) in own.into_iter().enumerate() {
                x[i * p + j] = v;
            }
            sd.push(s);
        }
        let (mut sums, mut products) = (vec![0.0; p], vec![0.0; p * p]);
        for row in x.chunks_exact(p) {
            add(row, 1.0, &mut sums, &mut products);
        }
        let part = |held: &[usize]| part(&x, p, n, (&sums, &products), held, scaling);
        let parts = folds.held.iter().map(|h| part(h)).collect();
        let whole = part(&[]);
        Ok(Self { rows: n, columns: p, x, sd, parts, whole })
    }

    /// The most components worth asking for: one to every four rows that stay, at most 6, and no
    /// more than columns (common practice, no source).
    #[must_use]
    pub fn most_components(&self) -> usize {
        let least = self.parts.iter().fold(f64::INFINITY, |a, p| a.min(p.n));
        ((least + 1.0) as usize / 4).clamp(1, 6).min(self.columns)
    }

    /// How many parts are left out one after the other.
    #[must_use]
    pub fn n_left_out(&self) -> usize {
        self.parts.len()
    }

    pub(crate) fn row(&self, i: usize) -> &[f64] {
        &self.x[i * self.columns..(i + 1) * self.columns]
    }
}

fn add(row: &[f64], sign: f64, sums: &mut [f64], products: &mut [f64]) {
    for (j, v) in row.iter().enumerate() {
        sums[j] += sign * v;
        let own = &mut products[j * row.len()..(j + 1) * row.len()];
        own.iter_mut().zip(row).for_each(|(s, u)| *s += sign * v * u);
    }
}

fn part(
    x: &[f64],
    p: usize,
    rows: usize,
    (sums, products): (&[f64], &[f64]),
    held: &[usize],
    scaling: Scaling,
) -> Part {
    let (mut mean, mut cross) = (sums.to_vec(), products.to_vec());
    for i in held {
        add(&x[i * p..(i + 1) * p], -1.0, &mut mean, &mut cross);
    }
    let n = (rows - held.len()) as f64;
    mean.iter_mut().for_each(|m| *m /= n);
    let by: Vec<f64> = (0..p)
        .map(|j| {
            let variance = (cross[j * p + j] - n * mean[j] * mean[j]) / (n - 1.0);
            // Columns have a variance of one over all rows: this is rounding.
            if variance <= 1e-12 {
                return 0.0;
            }
            if scaling == Scaling::Inside { 1.0 / variance.sqrt() } else { 1.0 }
        })
        .collect();
    for i in 0..p {
        for j in 0..p {
            let c = &mut cross[i * p + j];
            *c = (*c - n * mean[i] * mean[j]) * by[i] * by[j];
        }
    }
    let z = held
        .iter()
        .flat_map(|i| {
            x[i * p..(i + 1) * p].iter().zip(&mean).zip(&by).map(|((v, m), b)| (v - m) * b)
        })
        .collect();
    Part { held: held.to_vec(), n, mean, by, cross, z }
}
