//! All against one control: the largest of several correlated t statistics that share a standard
//! deviation (Dunnett's test), one- and two-sided.
//!
//! # Formula
//! `T_i = Z_i / S`, `Z_i` standard normals with correlations `r_ij`, `S` the root of an independent
//! chi-square over its `df`. The adjusted p-value of a statistic `t` is the chance that
//! `max |T_i|` (one-sided `max T_i`) is as large. Where `r_ij = l_i l_j` (equal n: every `l` is
//! the root of 1/2) the `Z_i` are independent given one normal `z`, so that over known deviations
//! `T(w) = integral of phi(z) (1 - product of P(|l_i z + c_i e| <= w)) dz`, `c_i^2 = 1 - l_i^2`:
//! a deterministic double integral with the one over `S`. Any other matrix takes the nearest such
//! product and corrects its tail by a ratio found with a randomly shifted lattice on the separated
//! variables; its error is given.
//!
//! # Sources
//! Dunnett CW (1955), JASA 50:1096-1121, and (1964), Biometrics 20:482-491; Dunnett CW, Sobel M
//! (1955), Biometrika 42:258-260 (product correlations; from memory); Genz A (1992), Journal of
//! Computational and Graphical Statistics 1:141-149 (separated variables; from memory).

use crate::dist::{normal_cdf, normal_pdf, normal_quantile, normal_sf};
use crate::rng::stream;
use crate::studentized::Studentized;
use serde::Serialize;
use thiserror::Error;

/// Above this a tail is under 1e-43.
const W_MAX: i32 = 14;
/// Beyond this from where a tail comes from, the one normal adds nothing.
const Z_AROUND: f64 = 9.0;
/// How far a correlation may be from a product and still count as one.
const NEAR: f64 = 1e-6;
/// Shifts of the lattice, and its points times comparisons.
const SHIFTS: usize = 8;
const LATTICE_WORK: usize = 12_000;
/// Chebyshev points at which the ratio is found, and the last of their range.
const RATIO_POINTS: usize = 7;
const RATIO_END: f64 = 7.0;
/// The error is stated for tails above this.
const TAIL_STATED: f64 = 1e-3;

/// Which way a difference counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Sides {
    /// More or less than the control.
    Two,
    /// Only more than the control.
    One,
}

/// By which route the distribution was found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Route {
    /// The correlations are products: a deterministic double integral.
    Product,
    /// They are not: a lattice of so many points, its tails uncertain by so much.
    Lattice {
        /// Points, all shifts together.
        points: usize,
        /// Three standard errors of the tail, relative to it, the largest over tails above .001.
        error: f64,
    },
}

/// Why there is no such distribution.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum DunnettError {
    /// Nothing to compare.
    #[error("there is nothing to compare with the control")]
    Nothing,
    /// The matrix is not square with ones on its diagonal and numbers from -1 to 1.
    #[error("row {row} of the correlations is not that of a correlation matrix")]
    NotCorrelations {
        /// The row, from 0.
        row: usize,
    },
}

/// The largest of several statistics against a control, ready for many tails.
#[derive(Debug, Clone)]
pub struct Dunnett {
    tail: Studentized,
    route: Route,
}

impl Dunnett {
    /// Prepares `k` comparisons of equal n with their control: every correlation is 1/2, every
    /// loading `sqrt(1/2)` (Dunnett 1955; the formula is at the head of this module).
    ///
    /// # Errors
    /// [`DunnettError::Nothing`] for `k` of 0.
    pub fn equal(k: usize, sides: Sides) -> Result<Self, DunnettError> {
        Self::product(&vec![std::f64::consts::FRAC_1_SQRT_2; k], sides)
    }

    /// Prepares comparisons whose correlations are the products of `loadings`, `r_ij = l_i l_j`,
    /// each strictly between -1 and 1: the deterministic double integral at the head of this
    /// module (Dunnett and Sobel 1955). For unequal n, `l_i² = n_i / (n_i + n_0)` (Dunnett 1964).
    ///
    /// # Errors
    /// [`DunnettError`] without loadings, or for one outside that range.
    pub fn product(loadings: &[f64], sides: Sides) -> Result<Self, DunnettError> {
        if loadings.is_empty() {
            return Err(DunnettError::Nothing);
        }
        if let Some(row) = loadings.iter().position(|l| !(l.is_finite() && l.abs() < 1.0)) {
            return Err(DunnettError::NotCorrelations { row });
        }
        let given = Given::new(loadings, sides);
        let tail = Studentized::new(panels(sides), |w| given.tail(w));
        Ok(Self { tail, route: Route::Product })
    }

    /// Prepares comparisons with any correlations `r`, a matrix as its rows. Products to 1e-6 take
    /// the exact route; others the nearest product, corrected by a lattice with the shifts of
    /// `seed` (Genz 1992; the head of this module), whose error is in [`Dunnett::route`].
    ///
    /// # Errors
    /// [`DunnettError`] for no matrix or one that is not of correlations.
    pub fn new(r: &[Vec<f64>], sides: Sides, seed: u64) -> Result<Self, DunnettError> {
        let k = r.len();
        if k == 0 {
            return Err(DunnettError::Nothing);
        }
        for (row, values) in r.iter().enumerate() {
            let fits = values.len() == k
                && values.iter().all(|v| v.is_finite() && v.abs() <= 1.0 + 1e-9)
                && (values[row] - 1.0).abs() < 1e-9
                && (0..k).all(|j| (values[j] - r[j].get(row).copied().unwrap_or(9.0)).abs() < 1e-9);
            if !fits {
                return Err(DunnettError::NotCorrelations { row });
            }
        }
        let (loadings, off) = nearest_product(r);
        if off <= NEAR {
            return Self::product(&loadings, sides);
        }
        let given = Given::new(&loadings, sides);
        let ratio = Ratio::new(r, &given, sides, seed);
        let tail = Studentized::new(panels(sides), |w| ratio.tail(w, &given, k, sides));
        Ok(Self { tail, route: Route::Lattice { points: ratio.points, error: ratio.error } })
    }

    /// Returns the chance that the largest statistic exceeds `t`: the adjusted p-value of `|t|`
    /// (two-sided) or of `t` (one-sided), the mean of `T(t S)` over S (Dunnett 1955, 1964; the
    /// head of this module). `df` may be broken or infinite; NaN for `df <= 0`.
    pub fn sf(&self, t: f64, df: f64) -> f64 {
        self.tail.sf(t, df)
    }

    /// Returns the statistic that the largest exceeds with chance `p_upper`: the inverse of
    /// [`Dunnett::sf`] (the critical values of Dunnett 1955, 1964). NaN for a chance outside 0 to
    /// 1 or `df <= 0`.
    pub fn quantile_upper(&self, p_upper: f64, df: f64) -> f64 {
        self.tail.quantile_upper(p_upper, df)
    }

    /// Returns by which route the distribution was found, and the error of the second (three
    /// standard errors over the lattice's shifts, relative to the tail).
    pub fn route(&self) -> Route {
        self.route
    }
}

fn panels(sides: Sides) -> std::ops::Range<i32> {
    match sides {
        Sides::Two => 0..W_MAX,
        Sides::One => -W_MAX..W_MAX,
    }
}

/// The tail given one normal, integrated over it.
struct Given {
    sides: Sides,
    loadings: Vec<f64>,
    /// Loading, its `c`, and how many comparisons share it.
    groups: Vec<(f64, f64, f64)>,
    step: f64,
}

impl Given {
    fn new(loadings: &[f64], sides: Sides) -> Self {
        let mut groups: Vec<(f64, f64, f64)> = Vec::new();
        for &l in loadings {
            match groups.iter_mut().find(|g| (g.0 - l).abs() < 1e-9) {
                Some(known) => known.2 += 1.0,
                None => groups.push((l, ((1.0 - l) * (1.0 + l)).sqrt(), 1.0)),
            }
        }
        // The narrowest step of a conditional probability is c wide, measured in e.
        let narrow = groups.iter().map(|g| g.1 / g.0.abs().max(0.1)).fold(1.0, f64::min);
        Self { sides, loadings: loadings.to_vec(), groups, step: (0.25 * narrow).max(1e-3) }
    }

    fn tail(&self, w: f64) -> f64 {
        // A large statistic comes from near z = l w.
        let most = self.loadings.iter().fold(0.0, |m: f64, l| m.max(l.abs()));
        let n = ((Z_AROUND + most * w.max(0.0)) / self.step).ceil() as i64;
        let mut sum = 0.0;
        for i in -n..=n {
            let z = i as f64 * self.step;
            let mut log_inside = 0.0;
            for (l, c, count) in &self.groups {
                let mut outside = normal_sf((w - l * z) / c);
                if self.sides == Sides::Two {
                    outside += normal_sf((w + l * z) / c);
                }
                log_inside += count * (-outside.min(1.0)).ln_1p();
            }
            sum -= normal_pdf(z) * log_inside.exp_m1();
        }
        (sum * self.step).min(1.0)
    }
}

/// The loadings whose products come nearest in squares, and how far the farthest stays off.
fn nearest_product(r: &[Vec<f64>]) -> (Vec<f64>, f64) {
    let k = r.len();
    let others = |i: usize| (0..k).filter(move |j| *j != i);
    let mut l: Vec<f64> = (0..k)
        .map(|i| {
            let mean = others(i).map(|j| r[i][j]).sum::<f64>() / (k - 1).max(1) as f64;
            mean.abs().sqrt().copysign(mean)
        })
        .collect();
    if l.iter().all(|v| *v <= 0.0) {
        l.iter_mut().step_by(2).for_each(|v| *v = -*v);
    }
    for _ in 0..500 {
        let mut moved = 0.0_f64;
        for i in 0..k {
            let weight: f64 = others(i).map(|j| l[j] * l[j]).sum();
            let next = if weight > 1e-300 {
                others(i).map(|j| r[i][j] * l[j]).sum::<f64>() / weight
            } else {
                0.0
            };
            let next = next.clamp(-0.9999, 0.9999);
            moved = moved.max((next - l[i]).abs());
            l[i] = next;
        }
        if moved < 1e-14 {
            break;
        }
    }
    let off = (0..k)
        .flat_map(|i| (0..i).map(move |j| (i, j)))
        .map(|(i, j)| (r[i][j] - l[i] * l[j]).abs())
        .fold(0.0, f64::max);
    (l, off)
}

/// The logarithm of the true tail over that of the nearest product, as a polynomial.
struct Ratio {
    low: f64,
    log_ratio: [f64; RATIO_POINTS],
    points: usize,
    error: f64,
}

impl Ratio {
    fn new(r: &[Vec<f64>], given: &Given, sides: Sides, seed: u64) -> Self {
        let k = r.len();
        let factor = cholesky(r);
        // The nearest product on the same lattice: what both have in common cancels in the ratio.
        let l = &given.loadings;
        let product = |i: usize, j: usize| if i == j { 1.0 } else { l[i] * l[j] };
        let near: Vec<Vec<f64>> = (0..k).map(|i| (0..k).map(|j| product(i, j)).collect()).collect();
        let near = cholesky(&near);
        let per_shift = (LATTICE_WORK / k).clamp(64, 1500);
        let low = if sides == Sides::Two { 0.0 } else { -2.0 };
        let roots = prime_roots(k);
        let shifts: Vec<Vec<f64>> = (0..SHIFTS as u64)
            .map(|s| {
                let mut dice = stream(seed, s);
                (0..k).map(|_| dice.uniform()).collect()
            })
            .collect();
        let mut ratio = Self { low, log_ratio: [0.0; RATIO_POINTS], points: 0, error: 0.0 };
        for j in 0..RATIO_POINTS {
            let w = ratio.node(j);
            let logs: Vec<f64> = shifts
                .iter()
                .map(|shift| {
                    let own = lattice(&factor, &roots, shift, per_shift, w, sides);
                    (own / lattice(&near, &roots, shift, per_shift, w, sides)).ln()
                })
                .collect();
            let mean = logs.iter().sum::<f64>() / SHIFTS as f64;
            let squares: f64 = logs.iter().map(|m| (m - mean).powi(2)).sum();
            let se = (squares / (SHIFTS * (SHIFTS - 1)) as f64).sqrt();
            ratio.log_ratio[j] = mean;
            // Further out the tail lies between its bounds and no decision hangs on it.
            if given.tail(w) > TAIL_STATED {
                ratio.error = ratio.error.max(3.0 * se);
            }
        }
        ratio.points = per_shift * SHIFTS;
        ratio
    }

    fn node(&self, j: usize) -> f64 {
        let angle = (2 * j + 1) as f64 * std::f64::consts::PI / (2 * RATIO_POINTS) as f64;
        self.low + (RATIO_END - self.low) * (0.5 - 0.5 * angle.cos())
    }

    fn at(&self, w: f64) -> f64 {
        let w = w.clamp(self.low, RATIO_END);
        let (mut above, mut below) = (0.0, 0.0);
        for j in 0..RATIO_POINTS {
            let gap = w - self.node(j);
            if gap == 0.0 {
                return self.log_ratio[j];
            }
            let angle = (2 * j + 1) as f64 * std::f64::consts::PI / (2 * RATIO_POINTS) as f64;
            let share = if j % 2 == 0 { angle.sin() } else { -angle.sin() } / gap;
            above += share * self.log_ratio[j];
            below += share;
        }
        above / below
    }

    /// The corrected tail, between that of one comparison and the sum over all (Bonferroni).
    fn tail(&self, w: f64, given: &Given, k: usize, sides: Sides) -> f64 {
        let one = if sides == Sides::Two { 2.0 * normal_sf(w.max(0.0)) } else { normal_sf(w) };
        let corrected = given.tail(w) * self.at(w).exp();
        corrected.clamp(one, (k as f64 * one).min(1.0))
    }
}

/// The chance that any leaves its bounds, on one shifted lattice: the sum over comparisons of
/// "all before inside, this one outside", which keeps small tails exact relative to their size.
fn lattice(
    factor: &[Vec<f64>],
    roots: &[f64],
    shift: &[f64],
    n: usize,
    w: f64,
    sides: Sides,
) -> f64 {
    let k = factor.len();
    let mut y = vec![0.0; k];
    let mut sum = 0.0;
    for point in 1..=n {
        let mut inside = 1.0;
        for i in 0..k {
            let before: f64 = factor[i][..i].iter().zip(&y).map(|(l, y)| l * y).sum();
            let c = factor[i][i];
            let high = (w - before) / c;
            let low = if sides == Sides::Two { (-w - before) / c } else { f64::NEG_INFINITY };
            let below = if low.is_finite() { normal_cdf(low) } else { 0.0 };
            let outside = (normal_sf(high) + below).min(1.0);
            sum += inside * outside;
            inside *= 1.0 - outside;
            if inside < 1e-16 {
                break;
            }
            // The lattice folded at its middle, so that it has no jump at its ends.
            let u = (point as f64 * roots[i] + shift[i]).fract();
            let u = (2.0 * u - 1.0).abs().clamp(1e-12, 1.0 - 1e-12);
            y[i] = normal_quantile((below + u * (1.0 - outside)).clamp(1e-300, 1.0 - 1e-16));
        }
    }
    sum / n as f64
}

/// The lower factor of a correlation matrix; a pivot that vanishes is kept just above zero.
pub(crate) fn cholesky(r: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let k = r.len();
    let mut l = vec![vec![0.0; k]; k];
    for i in 0..k {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|m| l[i][m] * l[j][m]).sum();
            l[i][j] =
                if i == j { (r[i][i] - dot).max(1e-10).sqrt() } else { (r[i][j] - dot) / l[j][j] };
        }
    }
    l
}

/// The broken parts of the square roots of the first primes: Richtmyer's lattice.
fn prime_roots(k: usize) -> Vec<f64> {
    let mut primes: Vec<u64> = Vec::with_capacity(k);
    let mut n = 2;
    while primes.len() < k {
        if primes.iter().take_while(|p| **p * **p <= n).all(|p| n % p != 0) {
            primes.push(n);
        }
        n += 1;
    }
    primes.into_iter().map(|p| (p as f64).sqrt().fract()).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::dist::{t_sf, t_two_sided};
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]

        // One comparison is a t test, on either side.
        #[test]
        fn one_comparison_is_a_t_test(t in -6.0..6.0f64, df in 1.5..300.0f64) {
            let two = Dunnett::equal(1, Sides::Two).unwrap();
            let one = Dunnett::equal(1, Sides::One).unwrap();
            assert_relative_eq!(two.sf(t.abs(), df), t_two_sided(t, df), max_relative = 1e-9);
            assert_relative_eq!(one.sf(t, df), t_sf(t, df), max_relative = 1e-9);
        }

        // Between one comparison and the sum over all of them (Bonferroni).
        #[test]
        fn the_tail_lies_within_its_bounds(
            l in proptest::collection::vec(-0.95..0.95f64, 2..7), t in 0.5..6.0f64, df in 2.0..80.0f64,
        ) {
            let k = l.len() as f64;
            let p = Dunnett::product(&l, Sides::Two).unwrap().sf(t, df);
            let alone = t_two_sided(t, df);
            prop_assert!(p >= alone * (1.0 - 1e-9) && p <= (k * alone).min(1.0) * (1.0 + 1e-9));
            let p = Dunnett::product(&l, Sides::One).unwrap().sf(t, df);
            let alone = t_sf(t, df);
            prop_assert!(p >= alone * (1.0 - 1e-9) && p <= (k * alone).min(1.0) * (1.0 + 1e-9));
        }

        #[test]
        fn a_quantile_gives_back_its_tail(p in 1e-5..0.95f64, k in 1usize..9, df in 2.0..200.0f64) {
            for sides in [Sides::One, Sides::Two] {
                let d = Dunnett::equal(k, sides).unwrap();
                assert_relative_eq!(d.sf(d.quantile_upper(p, df), df), p, max_relative = 1e-8);
            }
        }
    }

    // A matrix of products, handed over as a matrix, takes the exact route; one that is bent well
    // away from any product comes to what 200,000 draws say (four binomial standard errors).
    #[test]
    fn bent_correlations_agree_with_draws() {
        let l = [0.8, 0.6, 0.5, 0.75, 0.3];
        let matrix = |bend: f64| -> Vec<Vec<f64>> {
            let entry = |i: usize, j: usize| {
                let bent = if i + j == 3 && i != j { bend } else { 0.0 };
                if i == j { 1.0 } else { l[i] * l[j] + bent }
            };
            (0..5).map(|i| (0..5).map(|j| entry(i, j)).collect()).collect()
        };
        let exact = Dunnett::new(&matrix(0.0), Sides::Two, 1).unwrap();
        assert_eq!(exact.route(), Route::Product);
        let factor = cholesky(&matrix(-0.25));
        let draws: Vec<(f64, f64)> = crate::rng::replicates(200_000, 3, |dice| {
            let e: Vec<f64> = (0..5).map(|_| dice.normal()).collect();
            let z = |i: usize| factor[i][..=i].iter().zip(&e).map(|(l, e)| l * e).sum::<f64>();
            let all: Vec<f64> = (0..5).map(z).collect();
            let two = all.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
            (two, all.iter().fold(-9.0, |m: f64, v| m.max(*v)))
        });
        for sides in [Sides::Two, Sides::One] {
            let bent = Dunnett::new(&matrix(-0.25), sides, 1).unwrap();
            let Route::Lattice { error, .. } = bent.route() else { panic!("{:?}", bent.route()) };
            assert!(error < 0.01, "{error}");
            for t in [-0.5, 0.7, 1.5, 2.2, 2.8] {
                let above = |d: &&(f64, f64)| (if sides == Sides::Two { d.0 } else { d.1 }) > t;
                let share = draws.iter().filter(above).count() as f64 / 2e5;
                let got = if sides == Sides::Two && t < 0.0 { 1.0 } else { bent.sf(t, 1e12) };
                let noise = 4.0 * (share * (1.0 - share) / 2e5).sqrt();
                assert!((got - share).abs() <= noise + error * share, "{t}: {got} and {share}");
            }
        }
    }

    // Correlations 0.9 and 0: no product. Two pairs of twins that nearly coincide behave as two
    // independent statistics; the chance for those is known.
    #[test]
    fn correlations_that_are_no_products() {
        let r = vec![
            vec![1.0, 0.9999, 0.0, 0.0],
            vec![0.9999, 1.0, 0.0, 0.0],
            vec![0.0, 0.0, 1.0, 0.9999],
            vec![0.0, 0.0, 0.9999, 1.0],
        ];
        let got = Dunnett::new(&r, Sides::Two, 1).unwrap();
        let two = Dunnett::product(&[0.0, 0.0], Sides::Two).unwrap();
        for t in [1.5, 2.2, 3.0] {
            let (a, b) = (got.sf(t, f64::INFINITY), two.sf(t, f64::INFINITY));
            assert!(a > b * 0.99 && a < b * 1.05, "{t}: {a} and {b}");
        }
    }

    #[test]
    fn what_is_no_correlation_matrix_is_refused() {
        assert_eq!(Dunnett::equal(0, Sides::Two).unwrap_err(), DunnettError::Nothing);
        let ragged = vec![vec![1.0, 0.5], vec![0.5]];
        assert!(Dunnett::new(&ragged, Sides::Two, 1).is_err());
        let wild = vec![vec![1.0, 2.0], vec![2.0, 1.0]];
        let e = Dunnett::new(&wild, Sides::Two, 1).unwrap_err();
        assert_eq!(e, DunnettError::NotCorrelations { row: 0 });
        assert!(Dunnett::product(&[1.0], Sides::One).is_err());
    }
}
