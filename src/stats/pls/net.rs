//! The elastic net: coefficients pulled towards 0, and many of them to it.

use serde::Serialize;

use super::PlsError;
use super::cross::Response;
use super::folds::Prepared;

/// Penalties tried, from the one that leaves nothing down to a hundredth of it.
const STEPS: usize = 30;
/// A round that changes no standardised coefficient by more than this share of the response's
/// standard deviation is the last.
const STILL: f64 = 1e-9;
/// The same where rows are only left out to choose the penalty.
const STILL_ENOUGH: f64 = 1e-5;
const MOST_ROUNDS: usize = 10_000;

/// A fitted net.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Net {
    /// The share of the penalty that is on absolute values; the rest is on squares.
    pub mix: f64,
    /// The penalty taken.
    pub penalty: f64,
    /// Coefficients in units; 0 for what is not taken.
    pub coefficients: Vec<f64>,
    /// The same for a standard deviation of the column.
    pub standardised: Vec<f64>,
    /// Q² of rows left out, against the mean of the rows that stay, with this penalty.
    pub q2: f64,
}

/// Fits the elastic net: the least of
/// `1/(2n) Σ (y - Xb)² + λ (mix Σ|b| + (1 - mix)/2 Σ b²)` on standardised columns, by coordinate
/// descent on cross products; λ is the largest whose mean squared error of rows left out is within
/// one standard error (over the folds) of the least.
///
/// # Errors
/// As for [`super::cross_validate`].
///
/// # Source
/// Zou H, Hastie T (2005), Journal of the Royal Statistical Society B 67:301-320; Friedman J,
/// Hastie T, Tibshirani R (2010), Journal of Statistical Software 33(1) (citations from memory).
pub fn net(x: &Prepared, y: &[f64], mix: f64) -> Result<Net, PlsError> {
    let response = Response::new(x, y)?;
    let p = x.columns;
    let mut c = vec![0.0; p];
    response.of_part(x, &x.whole, &mut c);
    let n = x.whole.n;
    let mix = mix.clamp(1e-3, 1.0);
    let most = c.iter().fold(0.0_f64, |a, v| a.max(v.abs())) / (n * mix);
    let size = (response.about_mean / (n - 1.0)).sqrt();
    let penalties: Vec<f64> =
        (0..STEPS).map(|k| most * 0.01_f64.powf(k as f64 / (STEPS - 1) as f64)).collect();
    // Per penalty and fold the mean squared error, and the sum of squares.
    let mut by_fold: Vec<Vec<f64>> = vec![Vec::new(); STEPS];
    let (mut sums, mut of_mean) = (vec![0.0; STEPS], 0.0);
    for part in &x.parts {
        let mean = response.of_part(x, part, &mut c);
        let mut b = vec![0.0; p];
        for (k, penalty) in penalties.iter().enumerate() {
            descend(&part.cross, &c, part.n, *penalty, mix, STILL_ENOUGH * size, &mut b);
            let mut own = 0.0;
            for (i, z) in part.held.iter().zip(part.z.chunks_exact(p)) {
                own += (response.y[*i] - mean - super::dot(&b, z)).powi(2);
            }
            sums[k] += own;
            by_fold[k].push(own / part.held.len() as f64);
        }
        of_mean += part.held.iter().map(|i| (response.y[*i] - mean).powi(2)).sum::<f64>();
    }
    let chosen = one_error(&by_fold);
    response.of_part(x, &x.whole, &mut c);
    let mut b = vec![0.0; p];
    descend(&x.whole.cross, &c, n, penalties[chosen], mix, STILL * size, &mut b);
    let scaled: Vec<f64> = b.iter().zip(&x.whole.by).map(|(b, by)| b * by).collect();
    Ok(Net {
        mix,
        penalty: penalties[chosen],
        coefficients: scaled.iter().zip(&x.sd).map(|(b, s)| b / s).collect(),
        standardised: scaled,
        q2: 1.0 - sums[chosen] / of_mean,
    })
}

/// The first (largest) penalty within one standard error of the best.
fn one_error(by_fold: &[Vec<f64>]) -> usize {
    let mean = |v: &Vec<f64>| v.iter().sum::<f64>() / v.len() as f64;
    let means: Vec<f64> = by_fold.iter().map(mean).collect();
    let best = (0..means.len()).fold(0, |a, k| if means[k] < means[a] { k } else { a });
    let g = by_fold[best].len() as f64;
    let spread: f64 = by_fold[best].iter().map(|v| (v - means[best]).powi(2)).sum();
    let limit = means[best] + (spread / (g * (g - 1.0).max(1.0))).sqrt();
    means.iter().position(|m| *m <= limit).unwrap_or(best)
}

/// Coordinate descent from `b` on, for X'X (row by row) and X'y.
fn descend(cross: &[f64], c: &[f64], n: f64, penalty: f64, mix: f64, still: f64, b: &mut [f64]) {
    let p = c.len();
    // X'(y - Xb), kept up to date.
    let mut rest: Vec<f64> =
        (0..p).map(|j| c[j] - super::dot(&cross[j * p..(j + 1) * p], b)).collect();
    for _ in 0..MOST_ROUNDS {
        let mut moved = 0.0_f64;
        for j in 0..p {
            let own = cross[j * p + j];
            if own <= 0.0 {
                continue;
            }
            let pull = (rest[j] + own * b[j]) / n;
            let soft = (pull.abs() - penalty * mix).max(0.0).copysign(pull);
            let new = soft / (own / n + penalty * (1.0 - mix));
            let by = new - b[j];
            if by != 0.0 {
                b[j] = new;
                let row = &cross[j * p..(j + 1) * p];
                rest.iter_mut().zip(row).for_each(|(r, v)| *r -= by * v);
                moved = moved.max(by.abs());
            }
        }
        if moved <= still {
            return;
        }
    }
}

/// Returns coefficients of standardised columns for one `penalty` λ and `mix` α of `net`, without
/// choosing it: the least of `|y - Xb|² / (2 n) + λ (α |b|_1 + (1 - α) |b|² / 2)` by coordinate
/// descent, in units of the response (Friedman J, Hastie T, Tibshirani R 2010, Journal of
/// Statistical Software 33(1)).
///
/// # Errors
/// As for [`net`].
pub fn at_penalty(x: &Prepared, y: &[f64], penalty: f64, mix: f64) -> Result<Vec<f64>, PlsError> {
    let response = Response::new(x, y)?;
    let mut c = vec![0.0; x.columns];
    response.of_part(x, &x.whole, &mut c);
    let mut b = vec![0.0; x.columns];
    let size = (response.about_mean / (x.whole.n - 1.0)).sqrt();
    descend(&x.whole.cross, &c, x.whole.n, penalty, mix, 1e-3 * STILL * size, &mut b);
    Ok(b.iter().zip(&x.whole.by).map(|(b, by)| b * by).collect())
}
