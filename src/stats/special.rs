//! Special functions and root finding under the distributions.
//!
//! # Sources
//! The incomplete beta by the continued fraction of Didonato and Morris (1992, ACM Transactions on
//! Mathematical Software 18:360-373, BFRAC); its leading factor by the saddle-point form of Loader
//! (2000), "Fast and accurate computation of binomial probabilities", so that large degrees of
//! freedom lose no digits by cancelling logarithms of gamma functions; the incomplete gamma by
//! Abramowitz and Stegun (1964) 6.5.29 and 6.5.31; roots by Brent (1973), Algorithms for
//! Minimization without Derivatives, chapter 4.

use statrs::function::gamma::ln_gamma;
use std::f64::consts::{LN_2, PI};

/// Half the logarithm of 2 pi.
pub(crate) const HALF_LN_2PI: f64 = 0.918_938_533_204_672_8;
/// The largest number of terms of a series or continued fraction.
const MAX_TERMS: usize = 200_000;

/// Returns the error of the Stirling approximation to the logarithm of the factorial of `x`.
pub(crate) fn stirling_error(x: f64) -> f64 {
    if x == 0.5 {
        // Of every t statistic.
        return 0.153_426_409_720_027_35;
    }
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
pub(crate) fn binomial_density(x: f64, n: f64, p: f64, q: f64) -> f64 {
    if p == 0.0 {
        return if x == 0.0 { 1.0 } else { 0.0 };
    }
    if q == 0.0 {
        return if x == n { 1.0 } else { 0.0 };
    }
    if x == 0.0 {
        return if p < 0.1 { (-deviance_part(n, n * q) - n * p).exp() } else { (n * q.ln()).exp() };
    }
    if x == n {
        return if q < 0.1 { (-deviance_part(n, n * p) - n * q).exp() } else { (n * p.ln()).exp() };
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
pub(crate) fn incomplete_beta(a: f64, b: f64, x: f64, y: f64) -> f64 {
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

/// The series `1 + (a+b)/(a+1) x + (a+b)(a+b+1)/((a+1)(a+2)) x^2 + ...`, for a small `x`: all its parts
/// are positive (Abramowitz and Stegun 1964, 26.5.4).
fn incomplete_beta_series(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let front = b / (a + b) * binomial_density(a, a + b, x, y);
    let (mut term, mut sum, mut n) = (1.0, 1.0, 0.0);
    while term > 1e-17 * sum && n < 1000.0 {
        term *= (a + b + n) * x / (a + 1.0 + n);
        sum += term;
        n += 1.0;
    }
    (front * sum).min(1.0)
}

/// Returns the upper tail of Student's t where neither tail is small: `t` up to 2.5 or so, `df` of 10
/// or more.
pub(crate) fn near_tail_of_t(y: f64, x: f64, df: f64) -> f64 {
    0.5 * (1.0 - incomplete_beta_series(0.5, 0.5 * df, y, x))
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
    let lambda = if x > 0.5 { (a + b) * y - b } else { a - (a + b) * x };
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
pub(crate) fn incomplete_gamma(a: f64, x: f64) -> (f64, f64) {
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
        if direction == Direction::Rising { log - goal } else { goal - log }
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
        b += if d.abs() > tolerance { d } else { tolerance.copysign(m) };
        fb = f(b);
    }
    b
}
