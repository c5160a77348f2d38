//! Correlation ratio and Cramér's V against published tables; curves by simulation.

use crate::cases::close;
use blindsteep_stats::association::{correlation_ratio, cramers_v};
use blindsteep_stats::curves::{Curve, curves};
use blindsteep_stats::partial::Blocks;
use blindsteep_stats::rng::replicates;

/// Weights of plants under a control and two treatments: Dobson AJ (1983), An Introduction to
/// Statistical Modelling, 7.1 ("PlantGrowth" in R); its analysis of variance on R's help page has
/// sums of squares 3.76634 and 10.49209, F = 4.846 with 2 and 27 df, p = 0.01591 (data and print
/// from memory).
#[test]
fn the_correlation_ratio_is_that_of_the_analysis_of_variance() {
    let weights = [
        4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14, 4.81, 4.17, 4.41, 3.59, 5.87,
        3.83, 6.03, 4.89, 4.32, 4.69, 6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26,
    ];
    let groups: Vec<u32> = (0..30).map(|i| i / 10).collect();
    let found = correlation_ratio(&weights, &groups).unwrap();
    let share = 3.76634 / (3.76634 + 10.49209);
    close(found.eta.powi(2), share, 1e-5, "eta squared");
    close(found.p_value.unwrap(), 0.01591, 3e-4, "p");
    // Epsilon squared is (SS between - df MS within) / SS whole.
    let epsilon = (3.76634 - 2.0 * 10.49209 / 27.0) / (3.76634 + 10.49209);
    close(found.adjusted.powi(2), epsilon, 1e-5, "epsilon squared");
}

/// Hair and eyes of 592 students: Snee RD (1974), The American Statistician 28:9-12 ("HairEyeColor"
/// in R, both sexes together); Pearson's chi-square 138.29 with 9 df is often printed, and V = 0.279
/// (data and figures from memory).
#[test]
fn cramers_v_is_that_of_hair_and_eyes() {
    let table = [[68, 20, 15, 5], [119, 84, 54, 29], [26, 17, 14, 14], [7, 94, 10, 16]];
    let (mut hair, mut eyes) = (Vec::new(), Vec::new());
    for (h, row) in (0..).zip(&table) {
        for (e, n) in (0..).zip(row) {
            hair.extend(vec![h; *n]);
            eyes.extend(vec![e; *n]);
        }
    }
    assert_eq!(hair.len(), 592);
    let found = cramers_v(&hair, &eyes).unwrap();
    close(found.chi_square, 138.29, 1e-4, "chi-square");
    close(found.v, 0.279, 2e-3, "V");
    assert!(found.p_value < 1e-20);
}

/// Of unrelated categories V less luck is nothing in most tables and little on the whole, where V
/// itself is far above.
#[test]
fn luck_is_taken_off_v_and_eta() {
    let all = replicates(400, 21, |draws| {
        let mut codes = |k: usize| -> Vec<u32> { (0..40).map(|_| draws.below(k) as u32).collect() };
        let (a, b) = (codes(3), codes(4));
        let numbers: Vec<f64> = (0..40).map(|_| draws.normal()).collect();
        let (v, eta) = (cramers_v(&a, &b).unwrap(), correlation_ratio(&numbers, &b).unwrap());
        let low = f64::from(u8::from(eta.p_value.unwrap() < 0.05));
        [v.v.powi(2), v.adjusted.powi(2), eta.eta.powi(2), eta.adjusted.powi(2), low]
    });
    let mean = |at: usize| all.iter().map(|x| x[at]).sum::<f64>() / all.len() as f64;
    let (v, less) = (mean(0), mean(1));
    assert!(v > 0.06 && less < 0.6 * v, "{v} {less}");
    let (eta, less) = (mean(2), mean(3));
    // E(eta²) of luck is (k - 1) / (n - 1) = 3/39.
    assert!((eta - 3.0 / 39.0).abs() < 0.01 && less < 0.6 * eta, "{eta} {less}");
    let low = mean(4);
    // Four binomial standard deviations of 400 at .05.
    assert!((low - 0.05).abs() < 0.044, "{low}");
}

/// How often a curve is chosen, how often its p is below .05, and how often the interval of the
/// turn holds it.
fn chosen(n: usize, k: usize, levelling: bool, bend: f64) -> (f64, f64, f64) {
    let all = replicates(500, 31 + n as u64, |draws| {
        let x: Vec<f64> = (0..n).map(|i| (i * 7 % n) as f64 / n as f64).collect();
        let mut others: Vec<Vec<f64>> =
            (1..k).map(|_| (0..n).map(|_| draws.normal()).collect()).collect();
        others.push(vec![1.0; n]);
        let y: Vec<f64> =
            x.iter().map(|v| 1.5 * v - bend * (v - 0.6).powi(2) + 0.4 * draws.normal()).collect();
        let others: Vec<&[f64]> = others.iter().map(Vec::as_slice).collect();
        let none = Blocks::new(&vec![0; n], 1.0, 0.0);
        let found = curves(&y, &x, &others, &none, levelling, 0.95).unwrap();
        // 1.5 v - b (v - 0.6)² turns at 0.6 + 0.75 / b.
        let at = 0.6 + 0.75 / bend.max(1e-9);
        let held = found.turn.map(|t| t.lower <= at && at <= t.upper);
        (found.chosen != Curve::Straight, found.p_value < 0.05, held)
    });
    let share = |n: usize, of: usize| n as f64 / of.max(1) as f64;
    let curved = all.iter().filter(|a| a.0).count();
    let low = all.iter().filter(|a| a.1).count();
    let turns = all.iter().filter(|a| a.2.is_some()).count();
    let held = all.iter().filter(|a| a.2 == Some(true)).count();
    (share(curved, all.len()), share(low, all.len()), share(held, turns))
}

/// A straight truth is called curved in at most one of ten tables, with few lots and many, beside
/// one column and beside six; a clear bend is seen, and its turn covered.
#[test]
fn a_straight_truth_is_seldom_called_curved() {
    for levelling in [false, true] {
        for (n, k) in [(10, 1), (12, 3), (16, 6), (30, 4), (60, 6)] {
            let (curved, low, _) = chosen(n, k, levelling, 0.0);
            println!(
                "{n} lots, {k} columns, levelling {levelling}: {curved:.3} curved, p {low:.3}"
            );
            // Two binomial standard deviations of 500 at .08 are .024.
            assert!(curved <= 0.1, "{n} {k} {levelling}: {curved}");
            assert!(low <= 0.05 + 0.03, "{n} {k} {levelling}: p below .05 in {low}");
        }
    }
    let (curved, _, held) = chosen(30, 2, false, 6.0);
    println!("bent: {curved:.3} seen, {held:.3} of turns covered");
    assert!(curved > 0.8 && held > 0.92, "{curved} {held}");
}
