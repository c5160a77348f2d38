//! The largest of several t statistics with any correlations and one number of degrees of freedom:
//! the two-sided equicoordinate multivariate t.
//!
//! # Formula
//! `Z = L z`, `z` independent standard normals of k dimensions, `L L'` the correlations; `z = R u` with
//! a direction `u` of length 1, `R² / (k S²)` of an F distribution with k and `df` degrees of freedom.
//! So `P(max |T_i| > t) = mean over u of P(F > t² / (k m(u)²))`, `m(u) = max |(L u)_i|`: the radius is
//! integrated exactly, the directions over a fixed set of 4096 (a shifted Halton sequence, each number
//! turned into a normal; k of 2: equal angles). The squares of `m` are gathered once in fine bins, so
//! that each further tail costs a few products.
//! [`crate::dunnett`] is exact where the correlations are products, and slower.
//!
//! # Sources
//! Genz A, Bretz F (2009), Computation of Multivariate Normal and t Probabilities, Lecture Notes in
//! Statistics 195, section 4.1.2 (spherical-radial transformation), and Deák I (1980), Numerische
//! Mathematik 35:369-380; Halton JH (1960), Numerische Mathematik 2:84-90; all from memory.

use crate::dist::{f_sf, normal_quantile, t_quantile_upper};
use crate::dunnett::{DunnettError, cholesky};
use crate::rng::stream;
use std::borrow::Cow;
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Directions.
const DIRECTIONS: usize = 4096;
/// So many of them at a time, which divides them.
const BLOCK: usize = 512;
/// The bases of the sequence, a dimension each. More dimensions than these are drawn at random from
/// a fixed seed: beyond, the sequence is no more even than that.
const BASES: [usize; 40] = [
    2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97,
    101, 103, 107, 109, 113, 127, 131, 137, 139, 149, 151, 157, 163, 167, 173,
];
const SEED: u64 = 1;
/// The sequence begins here: its first numbers are the least even.
const FROM: usize = 101;
/// So many dimensions are kept once they are worked out.
const READY: usize = 128;
/// Bins of the square of m.
const BINS: usize = 128;
/// Places at which the tail of F is tabulated.
const NODES: usize = 32;
/// Steps of the search for a quantile.
const STEPS: usize = 60;

/// The largest of several t statistics, ready for many tails.
#[derive(Debug, Clone)]
pub struct LargestT {
    k: usize,
    /// ln m of each bin with its share of the directions.
    bins: Vec<(f64, f64)>,
}

impl LargestT {
    /// Prepares statistics with the correlations `r`, a matrix as its rows, for the formula at the
    /// head of this module (Genz and Bretz 2009); the error of a tail near .05 is below .001 up to
    /// 20 statistics (tests/stats/courses.rs).
    ///
    /// # Errors
    /// [`DunnettError`] for no matrix or one that is not of correlations.
    pub fn new(r: &[Vec<f64>]) -> Result<Self, DunnettError> {
        let k = r.len();
        if k == 0 {
            return Err(DunnettError::Nothing);
        }
        let square = |row: &Vec<f64>| row.len() == k && row.iter().all(|v| v.abs() <= 1.0 + 1e-9);
        if let Some(row) = (0..k).find(|i| !square(&r[*i]) || (r[*i][*i] - 1.0).abs() > 1e-9) {
            return Err(DunnettError::NotCorrelations { row });
        }
        let squares = match k {
            1 => vec![1.0],
            _ => largest_squares(&cholesky(r)),
        };
        Ok(Self { k, bins: binned(&squares) })
    }

    /// Returns the chance that the largest statistic exceeds `t` in absolute value, the adjusted
    /// p-value of `t`: `mean over u of P(F > t² / (k m(u)²))` (Genz and Bretz 2009; the head of
    /// this module). `df` may be broken or infinite; NaN for `df <= 0`.
    #[must_use]
    pub fn sf(&self, t: f64, df: f64) -> f64 {
        if t == 0.0 && df > 0.0 {
            return 1.0;
        }
        let k = self.k as f64;
        let log_x = 2.0 * t.abs().ln() - k.ln();
        if !(log_x.is_finite() && df > 0.0) {
            return self.bins.iter().map(|(_, share)| share * f_sf(t * t, k, df)).sum();
        }
        let table = Table::new(log_x, log_x - 2.0 * self.farthest(), k, df);
        self.bins.iter().map(|(m, share)| share * table.at(log_x - 2.0 * m)).sum()
    }

    /// The smallest logarithm of m.
    fn farthest(&self) -> f64 {
        self.bins.iter().fold(0.0, |least: f64, b| least.min(b.0))
    }

    /// Returns the value that the largest statistic exceeds in absolute value with chance
    /// `p_upper`, between 0 and 1: the inverse of [`LargestT::sf`] by halving between one
    /// statistic's quantile and Bonferroni's bound. NaN for others and for `df <= 0`.
    #[must_use]
    pub fn quantile_upper(&self, p_upper: f64, df: f64) -> f64 {
        // Between one statistic and Bonferroni's sum.
        let k = self.k as f64;
        let low = t_quantile_upper(0.5 * p_upper, df);
        let high = t_quantile_upper(0.5 * p_upper / k, df);
        if !(low.is_finite() && high.is_finite()) || self.k == 1 {
            return low;
        }
        let (mut low, mut high) = (2.0 * low.ln(), 2.0 * high.ln());
        let table = Table::new(low - k.ln(), high - k.ln() - 2.0 * self.farthest(), k, df);
        let tail = |log_square: f64| -> f64 {
            self.bins.iter().map(|(m, share)| share * table.at(log_square - k.ln() - 2.0 * m)).sum()
        };
        for _ in 0..STEPS {
            let middle = 0.5 * (low + high);
            if tail(middle) > p_upper {
                low = middle
            } else {
                high = middle
            }
            if high - low < 1e-6 {
                break;
            }
        }
        (0.25 * (low + high)).exp()
    }
}

/// The square of m in each direction, direction by direction in columns so that the machine can take
/// several at once.
fn largest_squares(factor: &[Vec<f64>]) -> Vec<f64> {
    let k = factor.len();
    let columns: Vec<Cow<'static, [f64]>> = if k == 2 {
        let angle = |i: usize| PI * (i as f64 + 0.5) / DIRECTIONS as f64;
        let along =
            |of: fn(f64) -> f64| (0..DIRECTIONS).map(|i| of(angle(i))).collect::<Vec<f64>>();
        vec![Cow::Owned(along(f64::cos)), Cow::Owned(along(f64::sin))]
    } else {
        (0..k).map(column).collect()
    };
    let mut squares = Vec::with_capacity(DIRECTIONS);
    let (mut size, mut most, mut sum) = ([0.0; BLOCK], [0.0_f64; BLOCK], [0.0; BLOCK]);
    for from in (0..DIRECTIONS).step_by(BLOCK) {
        size.fill(0.0);
        most.fill(0.0);
        for (i, row) in factor.iter().enumerate() {
            sum.fill(0.0);
            for (l, column) in row[..=i].iter().zip(&columns) {
                for (sum, z) in sum.iter_mut().zip(&column[from..from + BLOCK]) {
                    *sum += l * z;
                }
            }
            for (most, sum) in most.iter_mut().zip(&sum) {
                *most = most.max(sum * sum);
            }
            for (size, z) in size.iter_mut().zip(&columns[i][from..from + BLOCK]) {
                *size += z * z;
            }
        }
        squares.extend(most.iter().zip(&size).map(|(most, size)| most / size));
    }
    squares
}

/// The normals of one dimension.
fn column(j: usize) -> Cow<'static, [f64]> {
    static COLUMNS: [OnceLock<Vec<f64>>; READY] = [const { OnceLock::new() }; READY];
    match COLUMNS.get(j) {
        Some(ready) => Cow::Borrowed(ready.get_or_init(|| normals(j))),
        None => Cow::Owned(normals(j)),
    }
}

fn normals(j: usize) -> Vec<f64> {
    let Some(base) = BASES.get(j) else {
        let mut dice = stream(SEED, j as u64);
        return (0..DIRECTIONS).map(|_| dice.normal()).collect();
    };
    let shift = (*base as f64).sqrt();
    (FROM..FROM + DIRECTIONS)
        .map(|i| {
            let (mut rest, mut place, mut value) = (i, 1.0 / *base as f64, 0.0);
            while rest > 0 {
                value += place * (rest % base) as f64;
                rest /= base;
                place /= *base as f64;
            }
            normal_quantile((value + shift).fract().clamp(1e-9, 1.0 - 1e-9))
        })
        .collect()
}

/// The logarithm of the root of values in bins, each value shared between the two bins next to it by
/// its distance.
fn binned(squares: &[f64]) -> Vec<(f64, f64)> {
    let low = squares.iter().copied().fold(f64::INFINITY, f64::min).max(1e-9);
    let high = squares.iter().copied().fold(low, f64::max);
    let width = (high - low) / (BINS - 1) as f64;
    if width <= 0.0 {
        return vec![(0.5 * low.ln(), 1.0)];
    }
    let mut shares = [0.0; BINS];
    let share = 1.0 / squares.len() as f64;
    for v in squares {
        let at = ((v - low) / width).clamp(0.0, (BINS - 1) as f64);
        let below = (at as usize).min(BINS - 2);
        let above = at - below as f64;
        shares[below] += share * (1.0 - above);
        shares[below + 1] += share * above;
    }
    let root = |i: usize| 0.5 * (low + i as f64 * width).ln();
    (0..BINS).filter(|i| shares[*i] > 0.0).map(|i| (root(i), shares[i])).collect()
}

/// The logarithm of the tail of F over that of its place.
struct Table {
    low: f64,
    width: f64,
    logs: Vec<f64>,
}

impl Table {
    fn new(low: f64, high: f64, k: f64, df: f64) -> Self {
        let width = (high - low) / (NODES - 1) as f64;
        let logs = (0..NODES)
            .map(|i| f_sf((low + i as f64 * width).exp(), k, df).max(1e-300).ln())
            .collect();
        Self { low, width, logs }
    }

    /// By a parabola through the three nearest places.
    fn at(&self, log_x: f64) -> f64 {
        // All places are one where every m is 1.
        let at = if self.width > 0.0 { (log_x - self.low) / self.width } else { 0.0 };
        let middle = (at.round().max(1.0) as usize).min(NODES - 2);
        let s = at - middle as f64;
        let [a, b, c] = [self.logs[middle - 1], self.logs[middle], self.logs[middle + 1]];
        (b + 0.5 * s * (c - a) + 0.5 * s * s * (a - 2.0 * b + c)).exp()
    }
}
