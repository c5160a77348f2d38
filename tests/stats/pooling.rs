//! Estimates pooled with the others taken as evidence.

use crate::cases::close;
use blindsteep_stats::pooling::{PoolingError, pool};
use blindsteep_stats::rng::stream;

fn diagonal(v: &[f64]) -> Vec<Vec<f64>> {
    (0..v.len()).map(|i| (0..v.len()).map(|j| if i == j { v[i] } else { 0.0 }).collect()).collect()
}

/// Coaching in eight schools (Rubin 1981, J Educational Statistics 6:377-401; from memory): by REML
/// the schools do not differ beyond their errors, the pooled effect is 7.7 with standard error 4.1
/// (Gelman et al., Bayesian Data Analysis, section 5.5; from memory).
#[test]
fn eight_schools() {
    let effects = [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0];
    let errors = [15.0_f64, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0];
    let squares: Vec<f64> = errors.iter().map(|e| e * e).collect();
    let found = pool(&effects, &diagonal(&squares), None, 0.95).expect("a pool");
    assert_eq!(found.tau, 0.0);
    close(found.mean.value, 7.7, 0.05, "mean");
    close(found.mean.se, 4.1, 0.05, "standard error");
    for each in &found.each {
        close(each.value, found.mean.value, 1e-9, "drawn wholly to the mean");
        assert!(each.se > found.mean.se && each.se < 15.0);
    }
}

/// BCG vaccine against tuberculosis: log relative risks of thirteen trials and their variances
/// (Colditz et al. 1994, JAMA 271:698-702, to four digits), by REML tau^2 = .3132 and
/// mean -.7145 with standard error .1798 (general-purpose meta-analysis software). Data and figures
/// from memory; that the one gives the other is the check of both.
#[test]
fn thirteen_trials_of_a_vaccine() {
    let b = [
        -0.8893, -1.5854, -1.3481, -1.4416, -0.2175, -0.7861, -1.6209, 0.0120, -0.4694, -1.3713,
        -0.3394, 0.4459, -0.0173,
    ];
    let v = [
        0.3256, 0.1946, 0.4154, 0.0200, 0.0512, 0.0069, 0.2230, 0.0040, 0.0564, 0.0730, 0.0124,
        0.5325, 0.0714,
    ];
    let found = pool(&b, &diagonal(&v), None, 0.95).expect("a pool");
    close(found.tau * found.tau, 0.3132, 2e-4, "tau squared");
    close(found.mean.value, -0.7145, 1e-4, "mean");
    close(found.mean.se, 0.1798, 1e-4, "standard error");
    // By hand: a trial alone keeps tau^2 / (tau^2 + v) of its distance.
    let keeps = 0.3132 / (0.3132 + 0.3256);
    let first = found.mean.value + keeps * (b[0] - found.mean.value);
    close(found.each[0].value, first, 1e-3, "the first trial");
}

/// Equal errors with a covariance shared by all: the mean is the plain mean, its variance that of
/// one over k plus what is shared (by hand), and tau is not touched by what is shared.
#[test]
fn errors_that_all_share_stay_in_the_mean() {
    let b = [0.1, 0.5, -0.2, 0.4, 0.9, 0.3];
    let shared = |c: f64| -> Vec<Vec<f64>> {
        (0..6).map(|i| (0..6).map(|j| c + if i == j { 0.02 } else { 0.0 }).collect()).collect()
    };
    let (alone, together) = (
        pool(&b, &shared(0.0), None, 0.95).expect("a pool"),
        pool(&b, &shared(0.3), None, 0.95).expect("a pool"),
    );
    close(alone.tau, together.tau, 1e-6, "tau");
    // REML of equal errors: the variance of the estimates less that of their errors.
    let mean = 2.0 / 6.0;
    let variance = b.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 5.0;
    close(alone.tau * alone.tau, variance - 0.02, 1e-7, "tau squared");
    close(together.mean.value, mean, 1e-9, "mean");
    close(together.mean.se * together.mean.se, variance / 6.0 + 0.3, 1e-7, "variance of the mean");
}

#[test]
fn what_cannot_be_pooled_is_said() {
    let two = pool(&[1.0, 2.0], &diagonal(&[1.0, 1.0]), None, 0.95);
    assert_eq!(two, Err(PoolingError::TooFew { n: 2 }));
    let size = pool(&[1.0, 2.0, 3.0], &diagonal(&[1.0, 1.0]), None, 0.95);
    assert_eq!(size, Err(PoolingError::Size { n: 3 }));
    for bad in [[1.0, 0.0, 1.0], [1.0, f64::NAN, 1.0], [1.0, -1.0, 1.0]] {
        let found = pool(&[1.0, 2.0, 3.0], &diagonal(&bad), None, 0.95);
        assert_eq!(found, Err(PoolingError::NotACovariance));
    }
}

/// Twelve quantities with equal errors of 1, that differ by a planted tau (invented; a statistical
/// test of what the intervals promise). The limits: at 2,000 tables of twelve a share of .95 strays
/// by .005 at most in 99 of 100 cases; where tau is small the errors are rather too wide by
/// construction.
#[test]
fn intervals_hold_whatever_the_quantities_share() {
    const TABLES: u64 = 2000;
    for (tau, least, most) in
        [(0.0, 0.945, 1.0), (0.5, 0.945, 1.0), (1.0, 0.94, 0.98), (2.0, 0.94, 0.96)]
    {
        let (mut each, mut mean) = (0, 0);
        for table in 0..TABLES {
            let mut draws = stream(41, table);
            let mut normal = || draws.normal();
            let truth: Vec<f64> = (0..12).map(|_| 0.7 + tau * normal()).collect();
            let b: Vec<f64> = truth.iter().map(|t| t + normal()).collect();
            let found = pool(&b, &diagonal(&[1.0; 12]), None, 0.95).expect("a pool");
            mean += u64::from(found.mean.lower <= 0.7 && 0.7 <= found.mean.upper);
            each += found
                .each
                .iter()
                .zip(&truth)
                .filter(|(e, t)| e.lower <= **t && **t <= e.upper)
                .count();
        }
        let (each, mean) = (each as f64 / (12.0 * TABLES as f64), mean as f64 / TABLES as f64);
        assert!((least..=most).contains(&each), "tau {tau}: each {each:.3}, mean {mean:.3}");
        assert!(mean >= 0.93, "tau {tau}: the mean {mean:.3}");
    }
}

/// A variance that all share, known with few degrees of freedom, widens the interval of the mean:
/// Satterthwaite's degrees of freedom by hand.
#[test]
fn a_shared_variance_that_is_estimated_counts_with_its_degrees_of_freedom() {
    let b = [0.1, 0.1, 0.1, 0.1, 0.1, 0.1];
    let covariance: Vec<Vec<f64>> =
        (0..6).map(|i| (0..6).map(|j| 0.3 + if i == j { 0.06 } else { 0.0 }).collect()).collect();
    let known = pool(&b, &covariance, None, 0.95).expect("a pool").mean;
    let estimated = pool(&b, &covariance, Some((0.3, 3.0)), 0.95).expect("a pool").mean;
    // Variance 0.3 + 0.06 / 6; degrees of freedom 3 (0.31 / 0.3)^2, fewer than 5.
    let df = 3.0 * (0.31_f64 / 0.3).powi(2);
    close(known.se, 0.31_f64.sqrt(), 1e-9, "standard error");
    let half = |df: f64| blindsteep_stats::dist::t_quantile_upper(0.025, df) * 0.31_f64.sqrt();
    close(estimated.upper - estimated.value, half(df), 1e-9, "half-width");
    close(known.upper - known.value, half(5.0), 1e-9, "half-width");
}
