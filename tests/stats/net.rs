//! The elastic net: against closed forms, by the conditions at its least value, and with planted
//! truth.

use crate::cases::close;
use crate::pls::{OILS, near, oils, planted, refs};
use blindsteep_stats::links::ols;
use blindsteep_stats::pls::{Folds, Prepared, Scaling, net};
use blindsteep_stats::rng::stream;

/// Orthonormal columns (a full factorial): the lasso's coefficients are the least squares ones with
/// the penalty taken off (Tibshirani 1996, section 2.2); ridge's shrink by 1 / (1 + λ n/(n-1)).
#[test]
fn the_net_is_soft_thresholds_and_ridge_where_columns_are_orthogonal() {
    let x: Vec<Vec<f64>> =
        (0..3).map(|j| (0..8_u32).map(|i| f64::from((i >> j) & 1) * 2.0 - 1.0).collect()).collect();
    let y = [3.0, 1.0, 4.5, 1.5, 5.0, 9.0, 2.0, 6.5];
    let prepared = Prepared::new(&refs(&x), &Folds::one_out(8), Scaling::Inside).unwrap();
    let plain = ols(&refs(&x), &y, 0.95).unwrap();
    // The deviations are n - 1 ones: a standardised column is the signs times sqrt(7/8).
    let sd = (8.0_f64 / 7.0).sqrt();
    for penalty in [0.1, 0.5, 1.0] {
        let lasso = net::at_penalty(&prepared, &y, penalty, 1.0).unwrap();
        let ridge = net::at_penalty(&prepared, &y, penalty, 0.0).unwrap();
        for j in 0..3 {
            let slope = plain.coefficients[j + 1].estimate;
            // x'x / n is 7/8 for a standardised column: minimise 7/16 (b - B)² + λ|b|.
            let whole = slope * sd;
            let soft = (whole.abs() - penalty * 8.0 / 7.0).max(0.0).copysign(whole);
            close(lasso[j], soft, 1e-9, "soft threshold");
            close(ridge[j], whole / (1.0 + penalty * 8.0 / 7.0), 1e-9, "ridge");
        }
    }
}

/// At the least value no direction leads down (the conditions of Karush, Kuhn and Tucker): the
/// slope is the penalty's where a coefficient is taken, and within it where it is not.
#[test]
fn the_net_lies_at_its_least_value() {
    let (x, y) = (oils(&OILS), oils(&["syrup"]).remove(0));
    let prepared = Prepared::new(&refs(&x), &Folds::one_out(16), Scaling::Inside).unwrap();
    let scaled: Vec<Vec<f64>> = x
        .iter()
        .map(|c| {
            let mean = c.iter().sum::<f64>() / 16.0;
            let ss: f64 = c.iter().map(|v| (v - mean).powi(2)).sum();
            c.iter().map(|v| (v - mean) / (ss / 15.0).sqrt()).collect()
        })
        .collect();
    let mean = y.iter().sum::<f64>() / 16.0;
    let mut some_are_left = false;
    for (penalty, mix) in [(0.05, 0.5), (0.4, 0.5), (0.4, 1.0), (1.2, 0.9)] {
        let b = net::at_penalty(&prepared, &y, penalty, mix).unwrap();
        for j in 0..5 {
            let slope: f64 = (0..16)
                .map(|i| {
                    let fitted: f64 = (0..5).map(|k| b[k] * scaled[k][i]).sum();
                    scaled[j][i] * (y[i] - mean - fitted) / 16.0
                })
                .sum::<f64>()
                - penalty * (1.0 - mix) * b[j];
            if b[j] == 0.0 {
                some_are_left = true;
                assert!(slope.abs() <= penalty * mix + 1e-9, "{j}: {slope}");
            } else {
                near(slope, penalty * mix * b[j].signum(), "slope");
            }
        }
    }
    assert!(some_are_left);
    let found = net::net(&prepared, &y, 0.5).unwrap();
    let again = net::at_penalty(&prepared, &y, found.penalty, 0.5).unwrap();
    for (a, b) in found.standardised.iter().zip(&again) {
        assert!((a - b).abs() < 1e-5, "{a} {b}");
    }
    assert!(found.q2 < 1.0 && found.q2 > -1.0);
}

#[test]
fn the_net_takes_what_was_planted_and_leaves_most_of_the_rest() {
    let (mut taken, mut rest, mut n_rest) = (0, 0, 0);
    for run in 0..100 {
        let data = planted(30, 10, 2.0, &mut stream(40, run));
        let folds = Folds::random(30, 10, &mut stream(41, run));
        let x = Prepared::new(&refs(&data.x), &folds, Scaling::Inside).unwrap();
        let found = net::net(&x, &data.y, 0.5).unwrap();
        taken += usize::from(found.standardised[0] > 0.0 && found.standardised[2] > 0.0);
        // The odd columns share nothing with what was planted.
        rest += (0..5).filter(|j| found.standardised[2 * j + 1] != 0.0).count();
        n_rest += 5;
    }
    println!("planted taken {taken} of 100; others {rest} of {n_rest}");
    assert!(taken >= 95 && 2 * rest < n_rest, "{taken}, {rest} of {n_rest}");
}
