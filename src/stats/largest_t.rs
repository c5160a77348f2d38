//! The largest of several t statistics with any correlations and one number of degrees of freedom:
//! the two-sided equicoordinate multivariate t.
//!
//! # Formula
//! `Z = L z`, `z` independent standard normals of k dimensions, `L L'` the correlations; `z = R u` with
//! a direction `u` of length 1, `R² / (k S²)` of an F distribution with k and `df` degrees of freedom.
//! So `P(max |T_i| > t) = mean over u of P(F > t² / (k m(u)²))`, `m(u) = max |(L u)_i|`: the radius is
//! integrated exactly, the directions over a fixed lattice (k of 2: over equal angles). The logarithms
//! of `m` are gathered once in fine bins, so that each further tail costs a few products.
//! [`crate::dunnett`] is exact where the correlations are products, and slower.
//!
//! # Sources
//! Genz A, Bretz F (2009), Computation of Multivariate Normal and t Probabilities, Lecture Notes in
//! Statistics 195, section 4.1.2 (spherical-radial transformation), and Deák I (1980), Numerische
//! Mathematik 35:369-380; both from memory.

use crate::dist::{f_sf, normal_quantile, t_quantile_upper, t_two_sided};
use crate::dunnett::{DunnettError, cholesky, prime_roots};
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Directions, of so many dimensions kept ready.
const DIRECTIONS: usize = 1000;
const READY: usize = 32;
/// Directions times dimensions at most, beyond those.
const WORK: usize = 32_000;
/// Bins of the logarithm of m.
const BINS: usize = 96;
/// Places at which the tail of F is tabulated, a root of m apart from end to end.
const NODES: usize = 40;
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
    /// Prepares statistics with the correlations `r`, a matrix as its rows; the error of a tail near
    /// .05 is below .001 up to 20 statistics (tests/stats/courses.rs).
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
        let factor = cholesky(r);
        let largest = |z: &[f64]| {
            let size = z[..k].iter().map(|v| v * v).sum::<f64>().sqrt();
            let along = |row: &Vec<f64>, i: usize| {
                row[..=i].iter().zip(z).map(|(l, z)| l * z).sum::<f64>().abs()
            };
            let most = factor.iter().enumerate().map(|(i, row)| along(row, i)).fold(0.0, f64::max);
            (most / size).max(1e-6).ln()
        };
        let logs: Vec<f64> = match k {
            1 => vec![0.0],
            2 => (0..DIRECTIONS)
                .map(|i| {
                    let angle = PI * (i as f64 + 0.5) / DIRECTIONS as f64;
                    largest(&[angle.cos(), angle.sin()])
                })
                .collect(),
            _ if k <= READY => ready().chunks_exact(READY).map(&largest).collect(),
            _ => normals(k, (WORK / k).max(100)).chunks_exact(k).map(&largest).collect(),
        };
        Ok(Self { k, bins: binned(&logs) })
    }

    /// Returns the chance that the largest statistic exceeds `t` in absolute value: the adjusted
    /// p-value of `t`. `df` may be broken or infinite; NaN for `df <= 0`.
    #[must_use]
    pub fn sf(&self, t: f64, df: f64) -> f64 {
        let k = self.k as f64;
        let log_x = 2.0 * t.abs().ln() - k.ln();
        self.bins.iter().map(|(m, share)| share * f_sf((log_x - 2.0 * m).exp(), k, df)).sum()
    }

    /// Returns the value that the largest statistic exceeds in absolute value with chance `p_upper`,
    /// between 0 and 1; NaN for others and for `df <= 0`.
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
        let farthest = self.bins.iter().fold(0.0, |least: f64, b| least.min(b.0));
        let table = Table::new(low - k.ln(), high - k.ln() - 2.0 * farthest, k, df);
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
            if high - low < 1e-7 {
                break;
            }
        }
        (0.25 * (low + high)).exp()
    }
}

/// The bound that holds whatever the correlations are (Šidák 1967, JASA 62:626-633): the quantile of
/// one statistic at `1 - (1 - p)^(1/k)`.
#[must_use]
pub fn sidak_quantile_upper(k: usize, p_upper: f64, df: f64) -> f64 {
    let one = -((-p_upper).ln_1p() / k.max(1) as f64).exp_m1();
    t_quantile_upper(0.5 * one, df)
}

/// The chance of a larger statistic among `k` at most, by the same bound.
#[must_use]
pub fn sidak_sf(k: usize, t: f64, df: f64) -> f64 {
    -(k as f64 * (-t_two_sided(t, df)).ln_1p()).exp_m1()
}

/// Directions on a lattice of the roots of primes, as normals.
fn normals(k: usize, n: usize) -> Vec<f64> {
    let roots = prime_roots(k);
    (1..=n)
        .flat_map(|point| {
            roots.iter().map(move |root| {
                normal_quantile((point as f64 * root + 0.5).fract().clamp(1e-9, 1.0 - 1e-9))
            })
        })
        .collect()
}

fn ready() -> &'static [f64] {
    static READY_NORMALS: OnceLock<Vec<f64>> = OnceLock::new();
    READY_NORMALS.get_or_init(|| normals(READY, DIRECTIONS))
}

/// Values in bins, each shared between the two next to it by its distance.
fn binned(values: &[f64]) -> Vec<(f64, f64)> {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let width = (high - low) / (BINS - 1) as f64;
    if width <= 0.0 {
        return vec![(low, 1.0)];
    }
    let mut bins: Vec<(f64, f64)> = (0..BINS).map(|i| (low + i as f64 * width, 0.0)).collect();
    let share = 1.0 / values.len() as f64;
    for v in values {
        let at = ((v - low) / width).clamp(0.0, (BINS - 1) as f64);
        let below = (at.floor() as usize).min(BINS - 2);
        let above = at - below as f64;
        bins[below].1 += share * (1.0 - above);
        bins[below + 1].1 += share * above;
    }
    bins.retain(|b| b.1 > 0.0);
    bins
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
        let at = (log_x - self.low) / self.width;
        let middle = (at.round().max(1.0) as usize).min(NODES - 2);
        let s = at - middle as f64;
        let [a, b, c] = [self.logs[middle - 1], self.logs[middle], self.logs[middle + 1]];
        (b + 0.5 * s * (c - a) + 0.5 * s * s * (a - 2.0 * b + c)).exp()
    }
}
