//! Do numbers look as if drawn from one normal distribution?

use crate::dist::{normal_quantile, normal_sf};
use serde::Serialize;
use std::f64::consts::PI;

/// The result of [`shapiro_wilk`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Normality {
    /// The statistic: 1 where the numbers lie as normal scores do.
    pub w: f64,
    /// The p-value of normal numbers.
    pub p_value: f64,
}

/// The test of Shapiro and Wilk: `W = (sum of a_i x_(i))^2 / sum of (x_i - mean)^2` over the ordered
/// numbers, with the weights and the p-value of Royston's approximation.
///
/// None for fewer than 3 or more than 5000 numbers, or if all are equal. Numbers that hang together,
/// as residuals do, make the p-value approximate.
///
/// # Source
/// Royston P (1995), Applied Statistics 44:547-551, algorithm AS R94; its coefficients from memory,
/// checked against R's shapiro.test.
pub fn shapiro_wilk(values: &[f64]) -> Option<Normality> {
    let n = values.len();
    if !(3..=5000).contains(&n) || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut x = values.to_vec();
    x.sort_by(f64::total_cmp);
    let mean = x.iter().sum::<f64>() / n as f64;
    let total: f64 = x.iter().map(|v| (v - mean) * (v - mean)).sum();
    if total <= 0.0 || x[0] == x[n - 1] {
        return None;
    }
    let a = weights(n);
    let along: f64 = a.iter().enumerate().map(|(i, a)| a * (x[n - 1 - i] - x[i])).sum();
    let w = (along * along / total).min(1.0);
    let size = n as f64;
    if n == 3 {
        let p = 6.0 / PI * (w.sqrt().asin() - 0.75f64.sqrt().asin());
        return Some(Normality { w, p_value: p.clamp(0.0, 1.0) });
    }
    let y = (1.0 - w).max(f64::MIN_POSITIVE).ln();
    let (y, m, s) = if n <= 11 {
        let gamma = polynomial(&[-2.273, 0.459], size);
        if y >= gamma {
            return Some(Normality { w, p_value: 0.0 });
        }
        (
            -(gamma - y).ln(),
            polynomial(&[0.544, -0.39978, 0.025054, -6.714e-4], size),
            polynomial(&[1.3822, -0.77857, 0.062767, -0.0020322], size).exp(),
        )
    } else {
        let log = size.ln();
        (
            y,
            polynomial(&[-1.5861, -0.31082, -0.083751, 0.0038915], log),
            polynomial(&[-0.4803, -0.082676, 0.0030302], log).exp(),
        )
    };
    Some(Normality { w, p_value: normal_sf((y - m) / s) })
}

/// The weights of the differences of the largest and the least number, the next ones, and so on.
fn weights(n: usize) -> Vec<f64> {
    if n == 3 {
        return vec![0.5f64.sqrt()];
    }
    let size = n as f64;
    let m: Vec<f64> =
        (1..=n / 2).map(|i| -normal_quantile((i as f64 - 0.375) / (size + 0.25))).collect();
    let sum: f64 = 2.0 * m.iter().map(|m| m * m).sum::<f64>();
    let (root, small) = (sum.sqrt(), 1.0 / size.sqrt());
    let first =
        m[0] / root + polynomial(&[0.0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056], small);
    let mut a = vec![first];
    let factor = if n > 5 {
        let second = m[1] / root
            + polynomial(&[0.0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633], small);
        a.push(second);
        ((sum - 2.0 * (m[0] * m[0] + m[1] * m[1]))
            / (1.0 - 2.0 * (first * first + second * second)))
            .sqrt()
    } else {
        ((sum - 2.0 * m[0] * m[0]) / (1.0 - 2.0 * first * first)).sqrt()
    };
    let rest = a.len();
    a.extend(m[rest..].iter().map(|m| m / factor));
    a
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}
