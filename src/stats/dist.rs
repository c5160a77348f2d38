//! Distributions: tails and quantiles of the normal, t, F, chi-square, beta and binomial.
//!
//! Degrees of freedom may be any positive real number, or infinite. Each upper tail is computed as
//! a tail, so a p-value of 1e-40 keeps its digits. An argument outside the domain (a negative
//! number of degrees of freedom, a probability outside 0 to 1, NaN) gives NaN: there is no such
//! probability, and nothing here panics.
//!
//! # Sources
//! Each tail is an incomplete beta or gamma function by the numbered formula of Abramowitz and
//! Stegun (1964) at its function; quantiles invert the smaller tail by Brent's method.

use crate::special::{
    Direction, binomial_density, incomplete_beta, incomplete_gamma, near_tail_of_t, solve_tail,
};
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::{PI, SQRT_2};

/// Returns the density of the standard normal distribution at `x`: `exp(-x^2 / 2) / sqrt(2 pi)`
/// (Abramowitz and Stegun 1964, 26.2.1).
pub fn normal_pdf(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// Returns the probability that a standard normal variable is at most `x`: `erfc(-x / sqrt 2) / 2`
/// (Abramowitz and Stegun 1964, 26.2.29); good to about 1e-10.
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / SQRT_2)
}

/// Returns the probability that a standard normal variable exceeds `x`: `erfc(x / sqrt 2) / 2`, as
/// [`normal_cdf`].
pub fn normal_sf(x: f64) -> f64 {
    0.5 * erfc(x / SQRT_2)
}

/// Returns the `x` that a standard normal variable exceeds with probability `p_upper`: `sqrt 2
/// erfc^-1(2 p)`, the inverse of [`normal_sf`] (Abramowitz and Stegun 1964, 26.2.29), with one
/// Newton step. Infinite at 0 and 1; NaN outside.
pub fn normal_quantile_upper(p_upper: f64) -> f64 {
    if !(0.0..=1.0).contains(&p_upper) {
        return f64::NAN;
    }
    if p_upper == 0.0 {
        return f64::INFINITY;
    }
    if p_upper == 1.0 {
        return f64::NEG_INFINITY;
    }
    let mut x = SQRT_2 * erfc_inv(2.0 * p_upper);
    // One Newton step on the logarithm of the tail; it only mends the last digits.
    let tail = normal_sf(x);
    if x.is_finite() && tail > 0.0 && normal_pdf(x) > 0.0 {
        x += (tail / p_upper).ln() * tail / normal_pdf(x);
    }
    x
}

/// Returns the `x` below which a standard normal variable falls with probability `p`: less
/// [`normal_quantile_upper`] of `p`, by symmetry.
pub fn normal_quantile(p: f64) -> f64 {
    -normal_quantile_upper(p)
}

/// Returns the probability that a Student t variable with `df` degrees of freedom exceeds `t`.
///
/// For `t >= 0` this is half of `I_x(df / 2, 1 / 2)` at `x = df / (df + t^2)` (Abramowitz and
/// Stegun 1964, 26.7.1). `df` may be infinite (the normal).
pub fn t_sf(t: f64, df: f64) -> f64 {
    if t.is_nan() || df.is_nan() || df <= 0.0 {
        return f64::NAN;
    }
    if df.is_infinite() {
        return normal_sf(t);
    }
    if t < 0.0 {
        return 1.0 - t_sf(-t, df);
    }
    if t.is_infinite() {
        return 0.0;
    }
    // t * t may overflow; then the tail is taken from the ratio.
    let r = t / df.sqrt();
    let x = 1.0 / (1.0 + r * r);
    let y = 1.0 - x;
    let y = if y < 0.5 { r * r / (1.0 + r * r) } else { y };
    if x == 0.0 {
        return 0.0;
    }
    if df >= 10.0 && t > 0.0 && t < 2.5 {
        return near_tail_of_t(y, x, df);
    }
    0.5 * incomplete_beta(0.5 * df, 0.5, x, y)
}

/// Returns the two-sided p-value of a t statistic with `df` degrees of freedom: the probability of
/// `|T| >= |t|`, twice [`t_sf`] of `|t|` (Abramowitz and Stegun 1964, 26.7.1); NaN where that is.
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    2.0 * t_sf(t.abs(), df)
}

/// Returns the `t` that a Student t variable with `df` degrees of freedom exceeds with probability
/// `p_upper`: the inverse of [`t_sf`], by steps from an expansion about the normal (Abramowitz and
/// Stegun 1964, 26.7.5) or Brent's method. NaN for a probability outside 0 to 1 or `df <= 0`.
pub fn t_quantile_upper(p_upper: f64, df: f64) -> f64 {
    if !(0.0..=1.0).contains(&p_upper) || df.is_nan() || df <= 0.0 {
        return f64::NAN;
    }
    if df.is_infinite() {
        return normal_quantile_upper(p_upper);
    }
    if p_upper > 0.5 {
        return -t_quantile_upper(1.0 - p_upper, df);
    }
    if p_upper == 0.5 {
        return 0.0;
    }
    if p_upper == 0.0 {
        return f64::INFINITY;
    }
    nearby_t(p_upper, df)
        .unwrap_or_else(|| solve_tail(p_upper, |u| t_sf(u.exp(), df), Direction::Falling).exp())
}

/// The quantile by Halley's steps on the logarithm of the tail, from an expansion about the normal
/// (Abramowitz and Stegun 1964, 26.7.5); none where that start is not near or the steps do not end.
fn nearby_t(p_upper: f64, df: f64) -> Option<f64> {
    if df < 3.0 || !(1e-8..=0.49).contains(&p_upper) {
        return None;
    }
    let z = normal_quantile_upper(p_upper);
    let (s, w) = (z * z, 1.0 / df);
    let fourth = (((79.0 * s + 776.0) * s + 1482.0) * s - 1920.0) * s - 945.0;
    let third = ((3.0 * s + 19.0) * s + 17.0) * s - 15.0;
    let second = (5.0 * s + 16.0) * s + 3.0;
    let further = w * (third / 384.0 + w * fourth / 92160.0);
    let mut t = z * (1.0 + w * ((s + 1.0) / 4.0 + w * (second / 96.0 + further)));
    let constant = log_gamma_half_step(0.5 * df) - 0.5 * (df * PI).ln();
    let mut before = f64::INFINITY;
    for _ in 0..12 {
        let tail = t_sf(t, df);
        let density = (constant - 0.5 * (df + 1.0) * (t * t / df).ln_1p()).exp();
        let newton = (tail / p_upper).ln() * tail / density;
        // How the slope of the logarithm, -density / tail, bends.
        let bend = density / tail - (df + 1.0) * t / (df + t * t);
        let step = newton / (1.0 + 0.5 * newton * bend).max(0.5);
        if !(step.is_finite() && t + step > 0.0) {
            return None;
        }
        // Each step leaves about the cube of itself; or steps have shrunk to rounding.
        let small = step.abs() <= 1e-6 * t;
        if small || (step.abs() >= before && before < 1e-12 * t) {
            return Some(if small { t + step } else { t });
        }
        (t, before) = (t + step, step.abs());
    }
    None
}

/// `ln gamma(a + 1/2) - ln gamma(a)`: where `a` is large by its expansion (from memory; its error is
/// below 1e-13), which cancels nothing.
fn log_gamma_half_step(a: f64) -> f64 {
    if a < 20.0 {
        return ln_gamma(a + 0.5) - ln_gamma(a);
    }
    let w = 1.0 / (a * a);
    let series = 1.0 / 8.0 - w * (1.0 / 192.0 - w * (1.0 / 640.0 - w * 17.0 / 14336.0));
    0.5 * a.ln() - series / a
}

/// Returns the `t` below which a Student t variable falls with probability `p`: less
/// [`t_quantile_upper`] of `p`, by symmetry.
pub fn t_quantile(p: f64, df: f64) -> f64 {
    -t_quantile_upper(p, df)
}

/// Returns the probability that an F variable with `d1` and `d2` degrees of freedom exceeds `f`.
///
/// `I_y(d2 / 2, d1 / 2)` at `y = d2 / (d2 + d1 f)` (Abramowitz and Stegun 1964, 26.6.2). Either
/// number may be infinite.
pub fn f_sf(f: f64, d1: f64, d2: f64) -> f64 {
    f_tails(f, d1, d2).1
}

/// Returns the probability that an F variable with `d1` and `d2` degrees of freedom is at most
/// `f`: `I_x(d1 / 2, d2 / 2)` at `x = d1 f / (d2 + d1 f)`, the other tail of [`f_sf`] (Abramowitz
/// and Stegun 1964, 26.6.2). Either number may be infinite; NaN for one that is not positive.
pub fn f_cdf(f: f64, d1: f64, d2: f64) -> f64 {
    f_tails(f, d1, d2).0
}

fn f_tails(f: f64, d1: f64, d2: f64) -> (f64, f64) {
    if f.is_nan() || d1.is_nan() || d2.is_nan() || d1 <= 0.0 || d2 <= 0.0 {
        return (f64::NAN, f64::NAN);
    }
    if f <= 0.0 {
        return (0.0, 1.0);
    }
    if f.is_infinite() {
        return (1.0, 0.0);
    }
    match (d1.is_infinite(), d2.is_infinite()) {
        (true, true) => {
            if f < 1.0 {
                (0.0, 1.0)
            } else {
                (1.0, 0.0)
            }
        }
        (false, true) => (chi2_cdf(f * d1, d1), chi2_sf(f * d1, d1)),
        (true, false) => (chi2_sf(d2 / f, d2), chi2_cdf(d2 / f, d2)),
        (false, false) => {
            let ratio = d1 / d2 * f;
            let (x, y) = if ratio.is_infinite() {
                (1.0, 0.0)
            } else {
                (ratio / (1.0 + ratio), 1.0 / (1.0 + ratio))
            };
            (incomplete_beta(0.5 * d1, 0.5 * d2, x, y), incomplete_beta(0.5 * d2, 0.5 * d1, y, x))
        }
    }
}

/// Returns the `f` below which an F variable with `d1` and `d2` degrees of freedom falls with
/// probability `p`: the inverse of [`f_cdf`], by Brent's method on the smaller tail. NaN as there,
/// or for `p` outside 0 to 1.
pub fn f_quantile(p: f64, d1: f64, d2: f64) -> f64 {
    positive_quantile(p, 1.0 - p, |f| f_tails(f, d1, d2))
}

/// Returns the `f` that an F variable exceeds with probability `p_upper`: the inverse of [`f_sf`],
/// as [`f_quantile`].
pub fn f_quantile_upper(p_upper: f64, d1: f64, d2: f64) -> f64 {
    positive_quantile(1.0 - p_upper, p_upper, |f| f_tails(f, d1, d2))
}

/// Returns the probability that a chi-square variable with `df` degrees of freedom exceeds `x`:
/// `Q(df / 2, x / 2)`, the upper incomplete gamma function over the whole (Abramowitz and Stegun
/// 1964, 26.4.19; number from memory). NaN for `df` that is not positive and finite.
pub fn chi2_sf(x: f64, df: f64) -> f64 {
    chi2_tails(x, df).1
}

/// Returns the probability that a chi-square variable with `df` degrees of freedom is at most `x`:
/// `P(df / 2, x / 2)`, the other tail of [`chi2_sf`].
pub fn chi2_cdf(x: f64, df: f64) -> f64 {
    chi2_tails(x, df).0
}

fn chi2_tails(x: f64, df: f64) -> (f64, f64) {
    if x.is_nan() || !df.is_finite() || df <= 0.0 {
        return (f64::NAN, f64::NAN);
    }
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    incomplete_gamma(0.5 * df, 0.5 * x)
}

/// Returns the `x` below which a chi-square variable with `df` degrees of freedom falls with
/// probability `p`: the inverse of [`chi2_cdf`], by Brent's method on the smaller tail; NaN as
/// there.
pub fn chi2_quantile(p: f64, df: f64) -> f64 {
    positive_quantile(p, 1.0 - p, |x| chi2_tails(x, df))
}

/// Returns the `x` that a chi-square variable exceeds with probability `p_upper`: the inverse of
/// [`chi2_sf`], as [`chi2_quantile`].
pub fn chi2_quantile_upper(p_upper: f64, df: f64) -> f64 {
    positive_quantile(1.0 - p_upper, p_upper, |x| chi2_tails(x, df))
}

/// Returns the probability that a beta variable with shapes `a` and `b` is at most `x`: the
/// incomplete beta function `I_x(a, b)` (Abramowitz and Stegun 1964, 26.5.1; number from memory).
/// NaN for shapes that are not positive and finite.
pub fn beta_cdf(x: f64, a: f64, b: f64) -> f64 {
    beta_domain(x, a, b).unwrap_or_else(|| incomplete_beta(a, b, x, 1.0 - x))
}

/// Returns the probability that a beta variable with shapes `a` and `b` exceeds `x`: `I_(1-x)(b,
/// a)`, the other tail of [`beta_cdf`] (Abramowitz and Stegun 1964, 26.5.2; number from memory).
pub fn beta_sf(x: f64, a: f64, b: f64) -> f64 {
    match beta_domain(x, a, b) {
        Some(edge) => 1.0 - edge,
        None => incomplete_beta(b, a, 1.0 - x, x),
    }
}

fn beta_domain(x: f64, a: f64, b: f64) -> Option<f64> {
    let bad = |v: f64| !v.is_finite() || v <= 0.0;
    if x.is_nan() || bad(a) || bad(b) {
        Some(f64::NAN)
    } else if x <= 0.0 {
        Some(0.0)
    } else if x >= 1.0 {
        Some(1.0)
    } else {
        None
    }
}

/// Returns the exact limits of a proportion of which `k` of `n` were seen, leaving out `tail` on either
/// side: the beta quantiles of `tail` at (k, n - k + 1) and of `1 - tail` at (k + 1, n - k), or the end of
/// the range. Never of zero width; NaN for no answers or a tail outside 0 to 1 (Clopper and Pearson 1934,
/// Biometrika 26:404-413).
pub fn proportion_limits(k: u64, n: u64, tail: f64) -> (f64, f64) {
    if n == 0 || k > n {
        return (f64::NAN, f64::NAN);
    }
    let (seen, not) = (k as f64, (n - k) as f64);
    let lower = if k == 0 { 0.0 } else { beta_quantile(tail, seen, not + 1.0) };
    let upper = if k == n { 1.0 } else { beta_quantile(1.0 - tail, seen + 1.0, not) };
    (lower, upper)
}

/// Returns the `x` below which a beta variable with shapes `a` and `b` falls with probability `p`:
/// the inverse of [`beta_cdf`], by Brent's method in the logit of x on the smaller tail. NaN as
/// there, or for `p` outside 0 to 1.
pub fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) || beta_domain(0.5, a, b).is_some() {
        return f64::NAN;
    }
    if p == 0.0 || p == 1.0 {
        return p;
    }
    // In the logit of x, so that an x near 0 or near 1 keeps its digits.
    let share = |u: f64| (1.0 / (1.0 + (-u).exp()), 1.0 / (1.0 + u.exp()));
    let u = if p <= 0.5 {
        solve_tail(
            p,
            |u| {
                let (x, y) = share(u);
                incomplete_beta(a, b, x, y)
            },
            Direction::Rising,
        )
    } else {
        solve_tail(
            1.0 - p,
            |u| {
                let (x, y) = share(u);
                incomplete_beta(b, a, y, x)
            },
            Direction::Falling,
        )
    };
    share(u).0
}

/// Returns the probability of exactly `k` successes among `n` trials with chance `p` each: `n! /
/// (k! (n - k)!) p^k (1 - p)^(n - k)` (definition), by way of its logarithm's small parts so that
/// large `n` keep their digits. NaN for `p` outside 0 to 1.
pub fn binomial_pmf(k: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if k > n {
        return 0.0;
    }
    binomial_density(k as f64, n as f64, p, 1.0 - p)
}

/// Returns the probability of `k` or more successes among `n` trials with chance `p` each:
/// `I_p(k, n - k + 1)` (Abramowitz and Stegun 1964, 26.5.24).
pub fn binomial_at_least(k: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if k == 0 {
        return 1.0;
    }
    if k > n || p == 0.0 {
        return 0.0;
    }
    if p == 1.0 {
        return 1.0;
    }
    incomplete_beta(k as f64, (n - k) as f64 + 1.0, p, 1.0 - p)
}

/// Returns the probability of `k` or fewer successes among `n` trials with chance `p` each: `1 -
/// I_p(k + 1, n - k) = I_(1-p)(n - k, k + 1)` (Abramowitz and Stegun 1964, 26.5.24). NaN for `p`
/// outside 0 to 1.
pub fn binomial_at_most(k: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if k >= n {
        return 1.0;
    }
    binomial_at_least(n - k, n, 1.0 - p)
}

/// Solves for a quantile on the positive axis through whichever tail is the smaller.
fn positive_quantile(p: f64, p_upper: f64, tails: impl Fn(f64) -> (f64, f64)) -> f64 {
    if !(0.0..=1.0).contains(&p) || !(0.0..=1.0).contains(&p_upper) || tails(1.0).0.is_nan() {
        return f64::NAN;
    }
    if p == 0.0 {
        return 0.0;
    }
    if p_upper == 0.0 {
        return f64::INFINITY;
    }
    if p <= p_upper {
        solve_tail(p, |u| tails(u.exp()).0, Direction::Rising).exp()
    } else {
        solve_tail(p_upper, |u| tails(u.exp()).1, Direction::Falling).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    #[test]
    fn t_with_one_and_two_df_has_its_closed_form() {
        // Cauchy: 1/2 - atan(t)/pi. Two df: 1/2 - t / (2 sqrt(2 + t^2)).
        for t in [0.0, 0.001, 0.3, 1.0, 2.5, 40.0] {
            assert_relative_eq!(t_sf(t, 1.0), (1.0 / t).atan() / PI, max_relative = 1e-13);
            let two = 1.0 / (2.0 + t * t).sqrt() / (t + (2.0 + t * t).sqrt());
            assert_relative_eq!(t_sf(t, 2.0), two, max_relative = 1e-13);
        }
    }

    /// By the series, and by the continued fraction.
    #[test]
    fn both_ways_to_a_tail_of_t_end_at_one() {
        for df in [10.0, 10.7, 33.0, 417.3, 8e3, 3e7] {
            for t in [1e-9, 0.02, 0.7, 1.6, 1.96, 2.4, 2.499] {
                let (t, df): (f64, f64) = (t, df);
                let x = 1.0 / (1.0 + t * t / df);
                let fraction = 0.5 * incomplete_beta(0.5 * df, 0.5, x, t * t / df * x);
                assert_relative_eq!(t_sf(t, df), fraction, max_relative = 1e-11);
            }
        }
    }

    /// From nearby, and by a bracket from afar.
    #[test]
    fn both_ways_to_a_t_quantile_end_at_one() {
        let mut nearby = 0;
        for df in [3.0, 3.2, 4.7, 11.0, 58.3, 400.0, 9e3, 4e6] {
            for p in [1e-7, 1e-4, 0.005, 0.025, 0.05, 0.2, 0.45] {
                let afar = solve_tail(p, |u| t_sf(u.exp(), df), Direction::Falling).exp();
                nearby += usize::from(nearby_t(p, df).is_some());
                assert_relative_eq!(t_quantile_upper(p, df), afar, max_relative = 1e-12);
            }
        }
        assert!(nearby > 50, "{nearby}");
    }

    #[test]
    fn f_with_two_numerator_df_has_its_closed_form() {
        // (1 + 2 f / d2)^(-d2 / 2), far into the tail.
        for d2 in [1.0f64, 3.7, 20.0, 173.0, 4000.0] {
            for f in [0.01f64, 0.7, 3.0, 50.0] {
                let exact = (-0.5 * d2 * (2.0 * f / d2).ln_1p()).exp();
                assert_relative_eq!(f_sf(f, 2.0, d2), exact, max_relative = 1e-12);
            }
        }
    }

    #[test]
    fn chi_square_with_even_df_has_its_closed_form() {
        // exp(-x/2) times the sum of (x/2)^j / j! for j < df/2.
        for x in [0.1, 2.0, 9.0, 60.0] {
            let h: f64 = 0.5 * x;
            assert_relative_eq!(chi2_sf(x, 2.0), (-h).exp(), max_relative = 1e-13);
            assert_relative_eq!(
                chi2_sf(x, 6.0),
                (-h).exp() * (1.0 + h + h * h / 2.0),
                max_relative = 1e-13
            );
        }
    }

    #[test]
    fn printed_percentage_points_are_met() {
        // Percentage points as printed in the common tables (Pearson and Hartley, Biometrika
        // Tables for Statisticians I), quoted from memory, to the digits printed.
        assert!((t_quantile(0.975, 10.0) - 2.228).abs() < 5e-4);
        assert!((t_quantile(0.995, 5.0) - 4.032).abs() < 5e-4);
        assert!((f_quantile(0.95, 5.0, 10.0) - 3.33).abs() < 5e-3);
        assert!((f_quantile_upper(0.01, 3.0, 12.0) - 5.95).abs() < 5e-3);
        assert!((chi2_quantile(0.95, 10.0) - 18.307).abs() < 5e-4);
        assert!((chi2_quantile(0.05, 10.0) - 3.940).abs() < 5e-4);
        assert!((normal_quantile(0.975) - 1.959964).abs() < 5e-7);
    }

    #[test]
    fn p_values_of_a_published_panel_are_met() {
        // Television-picture panel TVbo (R package lmerTest): F, df and p of the analysis of
        // variance by R 4.2.2.
        assert_relative_eq!(
            f_sf(11.807518131598, 11.0, 77.0),
            1.3938104185412e-12,
            max_relative = 1e-10
        );
        assert_relative_eq!(
            f_sf(26.806831931067, 11.0, 77.0),
            6.0094495164013e-22,
            max_relative = 1e-10
        );
        assert_relative_eq!(
            t_two_sided(12.47643428571, 77.0),
            3.5717595813489e-20,
            max_relative = 1e-9
        );
        assert_relative_eq!(
            t_two_sided(-0.40962848824956, 77.0),
            0.68321583456096,
            max_relative = 1e-11
        );
        assert_relative_eq!(
            chi2_sf(31.48455785955, 1.0),
            2.0103266916701e-08,
            max_relative = 1e-10
        );
    }

    #[test]
    fn thirteen_right_of_twenty_four_triangles() {
        // Whole numbers: sum over i = 13..=24 of C(24, i) 2^(24 - i), over 3^24.
        assert_relative_eq!(
            binomial_at_least(13, 24, 1.0 / 3.0),
            0.028441128095468803,
            max_relative = 1e-12
        );
        assert_relative_eq!(binomial_at_most(0, 10, 0.5), 1.0 / 1024.0, max_relative = 1e-13);
        assert_relative_eq!(binomial_pmf(3, 6, 0.5), 20.0 / 64.0, max_relative = 1e-13);
        assert_eq!(binomial_at_least(0, 5, 0.2), 1.0);
        assert_eq!(binomial_at_least(6, 5, 0.2), 0.0);
    }

    #[test]
    fn infinite_df_is_the_limit() {
        assert_relative_eq!(t_sf(1.5, 1e12), normal_sf(1.5), max_relative = 1e-10);
        assert_eq!(t_sf(1.5, f64::INFINITY), normal_sf(1.5));
        assert_relative_eq!(
            f_sf(2.0, 4.0, 1e12),
            f_sf(2.0, 4.0, f64::INFINITY),
            max_relative = 1e-10
        );
        assert_relative_eq!(
            f_sf(2.0, 1e12, 4.0),
            f_sf(2.0, f64::INFINITY, 4.0),
            max_relative = 1e-10
        );
    }

    #[test]
    fn what_has_no_probability_is_nan() {
        for v in [
            t_sf(1.0, 0.0),
            t_sf(f64::NAN, 3.0),
            f_sf(1.0, -1.0, 3.0),
            chi2_sf(1.0, f64::NAN),
            t_quantile(1.5, 3.0),
            f_quantile(-0.1, 3.0, 3.0),
            beta_cdf(0.5, 0.0, 1.0),
            normal_quantile(2.0),
            binomial_pmf(1, 2, 7.0),
        ] {
            assert!(v.is_nan());
        }
    }

    proptest! {
        #[test]
        fn a_quantile_gives_back_its_tail(p in 1e-12..0.5f64, d1 in 0.2..300.0f64, d2 in 0.2..3000.0f64) {
            assert_relative_eq!(t_sf(t_quantile_upper(p, d2), d2), p, max_relative = 1e-9);
            assert_relative_eq!(f_sf(f_quantile_upper(p, d1, d2), d1, d2), p, max_relative = 1e-8);
            assert_relative_eq!(chi2_sf(chi2_quantile_upper(p, d1), d1), p, max_relative = 1e-9);
            assert_relative_eq!(normal_sf(normal_quantile_upper(p)), p, max_relative = 1e-11);
            let x = beta_quantile(p, d1, d2);
            if x > 1e-300 {
                assert_relative_eq!(beta_cdf(x, d1, d2), p, max_relative = 1e-8);
            }
        }

        #[test]
        fn both_tails_make_one(x in 0.001..50.0f64, d1 in 0.2..300.0f64, d2 in 0.2..3000.0f64) {
            prop_assert!((f_sf(x, d1, d2) + f_cdf(x, d1, d2) - 1.0).abs() < 1e-12);
            prop_assert!((chi2_sf(x, d1) + chi2_cdf(x, d1) - 1.0).abs() < 1e-12);
            prop_assert!((t_sf(x, d2) + t_sf(-x, d2) - 1.0).abs() < 1e-12);
        }

        #[test]
        fn one_more_success_is_never_likelier(k in 0u64..200, n in 1u64..200, p in 0.0..1.0f64) {
            prop_assert!(binomial_at_least(k + 1, n, p) <= binomial_at_least(k, n, p) + 1e-15);
        }

        #[test]
        fn squared_t_is_f(t in 0.0..30.0f64, df in 0.3..500.0f64) {
            assert_relative_eq!(t_two_sided(t, df), f_sf(t * t, 1.0, df), max_relative = 1e-10);
        }
    }
}
