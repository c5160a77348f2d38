//! Distributions: tails and quantiles of the normal, t, F, chi-square, beta and binomial.
//!
//! Degrees of freedom may be any positive real number, or infinite. Each upper tail is computed as
//! a tail, so a p-value of 1e-40 keeps its digits. An argument outside the domain (a negative
//! number of degrees of freedom, a probability outside 0 to 1, NaN) gives NaN: there is no such
//! probability, and nothing here panics.
//!
//! # Sources
//! The incomplete beta by the continued fraction of Didonato and Morris (1992, ACM Transactions on
//! Mathematical Software 18:360-373, BFRAC); its leading factor by the saddle-point form of Loader
//! (2000), "Fast and accurate computation of binomial probabilities", so that large degrees of
//! freedom lose no digits by cancelling logarithms of gamma functions; the incomplete gamma by
//! Abramowitz and Stegun (1964) 6.5.29 and 6.5.31; quantiles by the root finder of Brent (1973), in
//! the logarithm of the tail.

use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::{LN_2, PI, SQRT_2};

/// Half the logarithm of 2 pi.
const HALF_LN_2PI: f64 = 0.918_938_533_204_672_8;
/// The largest number of terms of a series or continued fraction.
const MAX_TERMS: usize = 200_000;

/// Returns the density of the standard normal distribution at `x`.
pub fn normal_pdf(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// Returns the probability that a standard normal variable is at most `x`.
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / SQRT_2)
}

/// Returns the probability that a standard normal variable exceeds `x`.
pub fn normal_sf(x: f64) -> f64 {
    0.5 * erfc(x / SQRT_2)
}

/// Returns the `x` that a standard normal variable exceeds with probability `p_upper`.
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

/// Returns the `x` below which a standard normal variable falls with probability `p`.
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
    0.5 * incomplete_beta(0.5 * df, 0.5, x, y)
}

/// Returns the two-sided p-value of a t statistic: the probability of `|T| >= |t|`.
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    2.0 * t_sf(t.abs(), df)
}

/// Returns the `t` that a Student t variable exceeds with probability `p_upper`.
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
    solve_tail(p_upper, |u| t_sf(u.exp(), df), Direction::Falling).exp()
}

/// Returns the `t` below which a Student t variable falls with probability `p`.
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

/// Returns the probability that an F variable with `d1` and `d2` degrees of freedom is at most `f`.
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
            (
                incomplete_beta(0.5 * d1, 0.5 * d2, x, y),
                incomplete_beta(0.5 * d2, 0.5 * d1, y, x),
            )
        }
    }
}

/// Returns the `f` below which an F variable falls with probability `p`.
pub fn f_quantile(p: f64, d1: f64, d2: f64) -> f64 {
    positive_quantile(p, 1.0 - p, |f| f_tails(f, d1, d2))
}

/// Returns the `f` that an F variable exceeds with probability `p_upper`.
pub fn f_quantile_upper(p_upper: f64, d1: f64, d2: f64) -> f64 {
    positive_quantile(1.0 - p_upper, p_upper, |f| f_tails(f, d1, d2))
}

/// Returns the probability that a chi-square variable with `df` degrees of freedom exceeds `x`.
pub fn chi2_sf(x: f64, df: f64) -> f64 {
    chi2_tails(x, df).1
}

/// Returns the probability that a chi-square variable with `df` degrees of freedom is at most `x`.
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

/// Returns the `x` below which a chi-square variable falls with probability `p`.
pub fn chi2_quantile(p: f64, df: f64) -> f64 {
    positive_quantile(p, 1.0 - p, |x| chi2_tails(x, df))
}

/// Returns the `x` that a chi-square variable exceeds with probability `p_upper`.
pub fn chi2_quantile_upper(p_upper: f64, df: f64) -> f64 {
    positive_quantile(1.0 - p_upper, p_upper, |x| chi2_tails(x, df))
}

/// Returns the probability that a beta variable with shapes `a` and `b` is at most `x`.
pub fn beta_cdf(x: f64, a: f64, b: f64) -> f64 {
    beta_domain(x, a, b).unwrap_or_else(|| incomplete_beta(a, b, x, 1.0 - x))
}

/// Returns the probability that a beta variable with shapes `a` and `b` exceeds `x`.
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

/// Returns the `x` below which a beta variable with shapes `a` and `b` falls with probability `p`.
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

/// Returns the probability of exactly `k` successes among `n` trials with chance `p` each.
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

/// Returns the probability of `k` or fewer successes among `n` trials with chance `p` each.
pub fn binomial_at_most(k: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if k >= n {
        return 1.0;
    }
    binomial_at_least(n - k, n, 1.0 - p)
}

/// Returns the error of the Stirling approximation to the logarithm of the factorial of `x`.
fn stirling_error(x: f64) -> f64 {
    if x < 16.0 {
        return ln_gamma(x + 1.0) - (x + 0.5) * x.ln() + x - HALF_LN_2PI;
    }
    let xx = x * x;
    (1.0 / 12.0
        - (1.0 / 360.0
            - (1.0 / 1260.0 - (1.0 / 1680.0 - (1.0 / 1188.0 - 691.0 / 360_360.0 / xx) / xx) / xx)
                / xx)
            / xx)
        / x
}

/// Returns `x ln(x / m) + m - x` without cancellation when `x` is close to `m` (Loader 2000).
fn deviance_part(x: f64, m: f64) -> f64 {
    if x == 0.0 {
        return m;
    }
    let d = x - m;
    if d.abs() < 0.1 * (x + m) {
        let v = d / (x + m);
        let mut sum = d * v;
        let mut term = 2.0 * x * v;
        let mut j = 1.0;
        loop {
            term *= v * v;
            let next = sum + term / (2.0 * j + 1.0);
            if next == sum || j > 1000.0 {
                return next;
            }
            sum = next;
            j += 1.0;
        }
    }
    x * (x / m).ln() - d
}

/// Returns `Gamma(n+1) / (Gamma(x+1) Gamma(n-x+1)) p^x q^(n-x)` for real `x` and `n` (Loader 2000).
fn binomial_density(x: f64, n: f64, p: f64, q: f64) -> f64 {
    if p == 0.0 {
        return if x == 0.0 { 1.0 } else { 0.0 };
    }
    if q == 0.0 {
        return if x == n { 1.0 } else { 0.0 };
    }
    if x == 0.0 {
        return if p < 0.1 {
            (-deviance_part(n, n * q) - n * p).exp()
        } else {
            (n * q.ln()).exp()
        };
    }
    if x == n {
        return if q < 0.1 {
            (-deviance_part(n, n * p) - n * q).exp()
        } else {
            (n * p.ln()).exp()
        };
    }
    let y = n - x;
    let log = stirling_error(n)
        - stirling_error(x)
        - stirling_error(y)
        - deviance_part(x, n * p)
        - deviance_part(y, n * q);
    log.exp() * (n / (2.0 * PI * x * y)).sqrt()
}

/// Returns the regularised incomplete beta `I_x(a, b)`; `y` is `1 - x`, given apart to keep digits.
fn incomplete_beta(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if y <= 0.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta_below(b, a, y, x);
    }
    incomplete_beta_below(a, b, x, y)
}

/// The continued fraction of Didonato and Morris, for `x` below `(a + 1) / (a + b + 2)`, where all
/// its parts are positive and it converges fast.
fn incomplete_beta_below(a: f64, b: f64, x: f64, y: f64) -> f64 {
    // x^a y^b / B(a, b)
    let front = a * b / (a + b) * binomial_density(a, a + b, x, y);
    if front == 0.0 {
        return 0.0;
    }
    // a - (a + b) x, from whichever of x and y is the smaller.
    let lambda = if x > 0.5 {
        (a + b) * y - b
    } else {
        a - (a + b) * x
    };
    let c = 1.0 + lambda;
    let c0 = b / a;
    let c1 = 1.0 + 1.0 / a;
    let (mut p, mut s) = (1.0, a + 1.0);
    let (mut an, mut bn, mut an1, mut bn1) = (0.0, 1.0, 1.0, c / c1);
    let mut r = c1 / c;
    for n in 1..MAX_TERMS {
        let n = n as f64;
        let t = n / a;
        let w = n * (b - n) * x;
        let e = a / s;
        let alpha = p * (p + c0) * e * e * (w * x);
        let e = (1.0 + t) / (c1 + 2.0 * t);
        let beta = n + w / s + e * (c + n * (1.0 + y));
        p = 1.0 + t;
        s += 2.0;
        (an, an1) = (an1, alpha * an + beta * an1);
        (bn, bn1) = (bn1, alpha * bn + beta * bn1);
        let before = r;
        r = an1 / bn1;
        if (r - before).abs() <= 2e-16 * r {
            break;
        }
        an /= bn1;
        bn /= bn1;
        an1 = r;
        bn1 = 1.0;
    }
    (front * r).min(1.0)
}

/// Returns the regularised incomplete gamma functions, lower and upper, at shape `a` and point `x`.
fn incomplete_gamma(a: f64, x: f64) -> (f64, f64) {
    // x^a e^-x / Gamma(a + 1)
    let front = (-stirling_error(a) - deviance_part(a, x)).exp() / (2.0 * PI * a).sqrt();
    if x < a + 1.0 {
        let mut term = 1.0;
        let mut sum = 1.0;
        for n in 1..MAX_TERMS {
            term *= x / (a + n as f64);
            sum += term;
            if term < 1e-17 * sum {
                break;
            }
        }
        let lower = (front * sum).min(1.0);
        return (lower, 1.0 - lower);
    }
    let tiny = 1e-300;
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / tiny;
    let mut d = 1.0 / b;
    let mut h = d;
    for n in 1..MAX_TERMS {
        let n = n as f64;
        let an = -n * (n - a);
        b += 2.0;
        d = an * d + b;
        if d.abs() < tiny {
            d = tiny;
        }
        c = b + an / c;
        if c.abs() < tiny {
            c = tiny;
        }
        d = 1.0 / d;
        let step = d * c;
        h *= step;
        if (step - 1.0).abs() < 1e-16 {
            break;
        }
    }
    // The fraction is of x^a e^-x / Gamma(a), which is `a` times the front.
    let upper = (front * a * h).min(1.0);
    (1.0 - upper, upper)
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

/// Whether a tail grows or shrinks with its argument.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Direction {
    Rising,
    Falling,
}

/// Finds `u` with `tail(u) = target` for a monotone tail, between -745 and 745, by Brent's method
/// on the logarithm of the tail.
pub(crate) fn solve_tail(target: f64, tail: impl Fn(f64) -> f64, direction: Direction) -> f64 {
    // An underflowed tail counts as far below any target, but finite, for the interpolation.
    let goal = target.ln();
    let miss = |u: f64| {
        let t = tail(u);
        let log = if t > 0.0 { t.ln() } else { -1100.0 * LN_2 };
        if direction == Direction::Rising {
            log - goal
        } else {
            goal - log
        }
    };
    // `miss` rises with u: widen a bracket around zero.
    let (mut low, mut high) = (-1.0, 1.0);
    let (mut at_low, mut at_high) = (miss(low), miss(high));
    while at_low > 0.0 {
        if low <= -745.0 {
            return low;
        }
        (high, at_high) = (low, at_low);
        low = (2.0 * low).max(-745.0);
        at_low = miss(low);
    }
    while at_high < 0.0 {
        if high >= 745.0 {
            return high;
        }
        (low, at_low) = (high, at_high);
        high = (2.0 * high).min(745.0);
        at_high = miss(high);
    }
    brent_root((low, at_low), (high, at_high), miss)
}

/// Brent's root finder (Brent 1973, chapter 4) between two points whose values differ in sign.
pub(crate) fn brent_root(low: (f64, f64), high: (f64, f64), f: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut fa) = low;
    let (mut b, mut fb) = high;
    if fa == 0.0 {
        return a;
    }
    if fb == 0.0 {
        return b;
    }
    let (mut c, mut fc) = (a, fa);
    let mut d = b - a;
    let mut e = d;
    for _ in 0..200 {
        if (fb > 0.0) == (fc > 0.0) {
            (c, fc) = (a, fa);
            d = b - a;
            e = d;
        }
        if fc.abs() < fb.abs() {
            (a, fa) = (b, fb);
            (b, fb) = (c, fc);
            (c, fc) = (a, fa);
        }
        let tolerance = 2.0 * f64::EPSILON * b.abs() + 1e-300;
        let m = 0.5 * (c - b);
        if m.abs() <= tolerance || fb == 0.0 {
            break;
        }
        if e.abs() < tolerance || fa.abs() <= fb.abs() {
            d = m;
            e = m;
        } else {
            let s = fb / fa;
            let (mut p, mut q) = if a == c {
                (2.0 * m * s, 1.0 - s)
            } else {
                let q = fa / fc;
                let r = fb / fc;
                (
                    s * (2.0 * m * q * (q - r) - (b - a) * (r - 1.0)),
                    (q - 1.0) * (r - 1.0) * (s - 1.0),
                )
            };
            if p > 0.0 {
                q = -q;
            }
            p = p.abs();
            if 2.0 * p < (3.0 * m * q - (tolerance * q).abs()).min((e * q).abs()) {
                e = d;
                d = p / q;
            } else {
                d = m;
                e = m;
            }
        }
        (a, fa) = (b, fb);
        b += if d.abs() > tolerance {
            d
        } else {
            tolerance.copysign(m)
        };
        fb = f(b);
    }
    b
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
        assert_relative_eq!(
            binomial_at_most(0, 10, 0.5),
            1.0 / 1024.0,
            max_relative = 1e-13
        );
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
