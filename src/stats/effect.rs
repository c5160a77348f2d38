//! How large a difference is beside what varies anyway: the share of levels in the variance of a
//! single score, with limits from the noncentral F.

use crate::dist::{beta_sf, f_sf};
use crate::special::brent_root;
use serde::Serialize;

/// Returns the chance that a noncentral F exceeds `f`, with `d1` and `d2` degrees of freedom and
/// noncentrality `lambda` (the sum of squared standardised means).
///
/// `sum over j of Poisson(j; lambda / 2) P(Beta(d1/2 + j, d2/2) > x)`, `x = d1 f / (d1 f + d2)`.
///
/// # Source
/// Johnson NL, Kotz S, Balakrishnan N (1995), Continuous Univariate Distributions 2, chapter 30
/// (from memory).
pub fn noncentral_f_sf(f: f64, d1: f64, d2: f64, lambda: f64) -> f64 {
    if lambda == 0.0 {
        return f_sf(f, d1, d2);
    }
    if f <= 0.0 {
        return 1.0;
    }
    let x = d1 * f / (d1 * f + d2);
    let half = 0.5 * lambda;
    // Poisson weights outwards from their mode, relative to it, so that none underflows early.
    let mode = half.floor();
    let part = |j: f64, weight: f64| weight * beta_sf(x, 0.5 * d1 + j, 0.5 * d2);
    let (mut sum, mut total) = (part(mode, 1.0), 1.0);
    let (mut j, mut weight) = (mode, 1.0);
    while weight > 1e-18 {
        j += 1.0;
        weight *= half / j;
        sum += part(j, weight);
        total += weight;
    }
    (j, weight) = (mode, 1.0);
    while j >= 1.0 && weight > 1e-18 {
        weight *= j / half;
        j -= 1.0;
        sum += part(j, weight);
        total += weight;
    }
    sum / total
}

/// Returns the limits of the noncentrality of an observed F at coverage `level`: those values for
/// which F would lie on the upper or lower tail point; 0 where none is that small. `None` if a
/// number is not usable.
///
/// # Source
/// Steiger JH (2004), Psychological Methods 9:164-182 (citation from memory).
pub fn noncentrality_limits(f: f64, d1: f64, d2: f64, level: f64) -> Option<(f64, f64)> {
    let usable = f.is_finite() && f >= 0.0 && d1 > 0.0 && d2 > 0.0 && level > 0.0 && level < 1.0;
    if !usable {
        return None;
    }
    let side = 0.5 * (1.0 - level);
    let solve = |p: f64| {
        let miss = |lambda: f64| noncentral_f_sf(f, d1, d2, lambda) - p;
        let at_zero = miss(0.0);
        if at_zero >= 0.0 {
            return Some(0.0);
        }
        let mut high = (d1 * f).max(1.0);
        while miss(high) < 0.0 {
            high *= 2.0;
            if high > 1e7 {
                return None;
            }
        }
        Some(brent_root((0.0, at_zero), (high, miss(high)), miss))
    };
    Some((solve(side)?, solve(1.0 - side)?))
}

/// How much of the variance of a single score lies between the levels of a fixed factor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// Variance between the levels, estimation error taken off; never below 0.
    pub variance: f64,
    /// Its part of itself and the other variances.
    pub share: f64,
    /// Lower limit of the share.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Returns the share of the levels of a fixed factor in the variance of a single score.
///
/// `F` with `d1` and `d2` degrees of freedom tests the levels, `error` is the error variance of one
/// level's mean (half the squared standard error of a difference), `other` the sum of all other
/// variances of a single score. Variance between the levels: `max(0, F - 1) error`; its share:
/// over itself and `other`. Limits: those of the noncentrality over `d1`, times `error`, with
/// `error` and `other` taken as known. `None` where there is nothing to divide by.
///
/// # Source
/// Definition; limits after Steiger JH (2004), Psychological Methods 9:164-182 (from memory).
pub fn share_of_levels(
    f: f64,
    (d1, d2): (f64, f64),
    error: f64,
    other: f64,
    level: f64,
) -> Option<Share> {
    let (low, high) = noncentrality_limits(f, d1, d2, level)?;
    let share = |variance: f64| variance / (variance + other);
    let variance = (f - 1.0).max(0.0) * error;
    let all = Share {
        variance,
        share: share(variance),
        lower: share(low / d1 * error),
        upper: share(high / d1 * error),
    };
    [all.share, all.lower, all.upper].iter().all(|v| v.is_finite()).then_some(all)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::rng::replicates;

    // A noncentral F is a ratio of sums of squared normals: 100,000 draws; four binomial standard
    // errors are at most 0.0064.
    #[test]
    fn the_tail_is_that_of_draws() {
        for (d1, d2, lambda) in [(3, 10, 4.0f64), (5, 40, 25.0), (1, 6, 0.5)] {
            let draws = replicates(100_000, 5, |dice| {
                let mut squares = |n: i32, shift: f64| -> f64 {
                    (0..n).map(|i| (dice.normal() + if i == 0 { shift } else { 0.0 }).powi(2)).sum()
                };
                let above = squares(d1, lambda.sqrt()) / f64::from(d1);
                above / (squares(d2, 0.0) / f64::from(d2))
            });
            for f in [0.5, 2.0, 5.0] {
                let share = draws.iter().filter(|d| **d > f).count() as f64 / 1e5;
                let got = noncentral_f_sf(f, f64::from(d1), f64::from(d2), lambda);
                assert!((got - share).abs() < 0.0064, "{d1} {d2} {lambda} {f}: {got}, {share}");
            }
        }
    }

    #[test]
    fn limits_put_f_on_its_tail_points() {
        let (low, high) = noncentrality_limits(6.0, 5.0, 30.0, 0.95).unwrap();
        assert!((noncentral_f_sf(6.0, 5.0, 30.0, low) - 0.025).abs() < 1e-9);
        assert!((noncentral_f_sf(6.0, 5.0, 30.0, high) - 0.975).abs() < 1e-9);
        assert_eq!(noncentrality_limits(0.01, 5.0, 30.0, 0.95).unwrap(), (0.0, 0.0));
        assert!(noncentrality_limits(f64::NAN, 5.0, 30.0, 0.95).is_none());
    }

    // One-way tables of 5 levels by 8 scores with a true variance between levels of 0.64 beside 1:
    // the share is 0.64 / 1.64 where the levels are these very ones; 4000 tables, limits at 95 %
    // hold it in 95 % (four binomial standard errors 0.0138, and a little for `error` as known).
    #[test]
    fn the_limits_cover_the_planted_share() {
        let means: [f64; 5] = [-1.0, -0.5, 0.0, 0.3, 1.2];
        let centre = means.iter().sum::<f64>() / 5.0;
        let spread = means.iter().map(|m| (m - centre).powi(2)).sum::<f64>() / 4.0;
        let truth = spread / (spread + 1.0);
        let held = replicates(4000, 3, |dice| {
            let rows: Vec<Vec<f64>> =
                means.iter().map(|m| (0..8).map(|_| m + dice.normal()).collect()).collect();
            let table = crate::anova::one_way(&rows).unwrap();
            let f = table.between.ms / table.within.ms;
            let got = share_of_levels(f, (4.0, 35.0), table.within.ms / 8.0, table.within.ms, 0.95)
                .unwrap();
            got.lower <= truth && truth <= got.upper
        });
        let share = held.iter().filter(|h| **h).count() as f64 / 4000.0;
        assert!((share - 0.95).abs() < 0.018, "{share}");
    }
}
