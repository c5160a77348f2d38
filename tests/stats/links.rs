//! Correlations, inflation and regressions against numbers of R, and by simulation; permutation
//! tests by simulation.
//!
//! Olive oils: data set `oliveoil` of the R package pls (Massart et al. 1998, Handbook of
//! Chemometrics and Qualimetrics B, chapter 35), by lm and car::vif of R. Tuna: Hollander and
//! Wolfe (1973), p. 185, as on the help page of stats::cor.test.

use crate::cases::{case, close, number, numbers, table};
use blindsteep_stats::links::{groups, ols, pearson, spearman, variance_inflation};
use blindsteep_stats::permute::freedman_lane;
use blindsteep_stats::rng::stream;

#[test]
fn olive_oils_regress_as_in_r() {
    let expected = &case("g10_links")["expected"]["ols_syrup_on_chemical"];
    let oils = table("g10_oliveoil.csv");
    let names = ["Acidity", "Peroxide", "K232", "K270", "DK"];
    let columns: Vec<Vec<f64>> = names.iter().map(|n| oils.numbers(n)).collect();
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = ols(&columns, &oils.numbers("syrup"), 0.95).unwrap();
    // The case is printed to 14 digits; the columns' sizes differ by 10^4, which costs some.
    let want = |key: &str| numbers(&expected[key]);
    for (i, c) in fit.coefficients.iter().enumerate() {
        close(c.estimate, want("estimate")[i], 1e-8, "estimate");
        close(c.se, want("se")[i], 1e-8, "se");
        close(c.t, want("t")[i], 1e-8, "t");
        close(c.p_value, want("p")[i], 1e-8, "p");
        close(c.lower, want("lower")[i], 1e-8, "lower");
        close(c.upper, want("upper")[i], 1e-8, "upper");
    }
    close(fit.sigma, number(&expected["sigma"]), 1e-9, "sigma");
    close(fit.df, number(&expected["df"]), 0.0, "df");
    close(fit.r2, number(&expected["r2"]), 1e-9, "r2");
    close(fit.f, number(&expected["F"]), 1e-9, "F");
    close(fit.p_value, number(&expected["p_F"]), 1e-9, "p of F");
    for (name, vif) in names.iter().zip(variance_inflation(&columns).unwrap()) {
        close(vif, number(&expected["vif"][name]), 1e-9, name);
    }
}

#[test]
fn ranks_correlate_as_counted_over_all_orders() {
    for (file, key) in [
        ("g10_spearman_tuna.csv", "spearman_tuna"),
        ("g10_spearman_ties.csv", "spearman_with_ties"),
    ] {
        let expected = &case("g10_links")["expected"][key];
        let data = table(file);
        let (x, y) = (data.numbers("x"), data.numbers("y"));
        let found = spearman(&x, &y).unwrap();
        close(found.rho, number(&expected["rho"]), 1e-12, "rho");
        // A count over n!: nothing but rounding may differ.
        close(found.p_value, number(&expected["p_two_sided_abs"]), 1e-12, "p");
        let all: u64 = (1..=x.len() as u64).product();
        assert_eq!(found.orders, Some(all));
        close(pearson(&x, &y).unwrap(), number(&expected["pearson"]), 1e-12, "pearson");
    }
}

#[test]
fn beyond_nine_pairs_p_is_that_of_t() {
    // The tuna's pairs and one more; t and its p by the formula, from R's pt through the tuna's
    // own t_approx: the same function of rho and n.
    let expected = &case("g10_links")["expected"]["spearman_tuna"];
    let (rho, n) = (number(&expected["rho"]), 9.0_f64);
    let t = rho * ((n - 2.0) / (1.0 - rho * rho)).sqrt();
    close(t, number(&expected["t_approx"]), 1e-12, "t");
    let x: Vec<f64> = (0..10).map(f64::from).collect();
    let y = [3.0, 1.0, 4.0, 2.0, 9.0, 5.0, 6.0, 8.0, 7.0, 10.0];
    let found = spearman(&x, &y).unwrap();
    // By hand: sum of squared rank differences 4+1+1+4+16+1+1+1+1+0 … of ranks less places.
    let d2: f64 = y.iter().enumerate().map(|(i, v)| (v - (i as f64 + 1.0)).powi(2)).sum();
    let by_formula = 1.0 - 6.0 * d2 / (10.0 * 99.0);
    close(found.rho, by_formula, 1e-12, "rho");
    assert_eq!(found.orders, None);
    let t = by_formula * (8.0 / (1.0 - by_formula * by_formula)).sqrt();
    close(found.p_value, blindsteep_stats::dist::t_two_sided(t, 8.0), 1e-12, "p");
}

/// Random designs of two columns with a true correlation from .5 to 1: joined if and only if the
/// correlation found, by its own formula, reaches .9.
#[test]
fn columns_are_joined_exactly_from_nine_tenths_on() {
    let mut draws = stream(41, 0);
    let (mut joined, mut apart) = (0, 0);
    for step in 0..600 {
        let rho = 0.5 + 0.5 * f64::from(step) / 599.0;
        let n = 5 + draws.below(20);
        let x: Vec<f64> = (0..n).map(|_| draws.normal()).collect();
        let sign = if draws.below(2) == 0 { 1.0 } else { -1.0 };
        let y: Vec<f64> = x
            .iter()
            .map(|v| sign * (rho * v + (1.0 - rho * rho).max(0.0).sqrt() * draws.normal()))
            .collect();
        let mean = |v: &[f64]| v.iter().sum::<f64>() / n as f64;
        let (mx, my) = (mean(&x), mean(&y));
        let sum = |f: &dyn Fn(usize) -> f64| (0..n).map(f).sum::<f64>();
        let r = sum(&|i| (x[i] - mx) * (y[i] - my))
            / (sum(&|i| (x[i] - mx).powi(2)) * sum(&|i| (y[i] - my).powi(2))).sqrt();
        let together = groups(&[&x, &y], 0.9).unwrap().len() == 1;
        assert_eq!(together, r.abs() >= 0.9, "r = {r}");
        if together { joined += 1 } else { apart += 1 }
    }
    assert!(joined > 60 && apart > 200, "{joined} {apart}");
}

/// Under the null the p of a permutation test is at most its level as often as the level says.
#[test]
fn permutation_p_is_uniform_where_nothing_is_there() {
    let n_tables = 1000;
    let mut below = [0_i32; 3];
    let levels = [0.05, 0.2, 0.5];
    for index in 0..n_tables {
        let mut draws = stream(42, index);
        // Twelve lots in three sessions; another column correlated with the tested one, and scores
        // that follow it and the session; skewed errors.
        let blocks: Vec<u32> = (0..12).map(|i| i / 4).collect();
        let other: Vec<f64> = (0..12).map(|_| draws.normal()).collect();
        let tested: Vec<f64> = other.iter().map(|z| 0.6 * z + 0.8 * draws.normal()).collect();
        let levels_of: Vec<f64> = (0..3).map(|_| 2.0 * draws.normal()).collect();
        let y: Vec<f64> = (0..12)
            .map(|i| 1.5 * other[i] + levels_of[i / 4] - (1.0 - draws.uniform()).ln())
            .collect();
        let mut columns: Vec<Vec<f64>> =
            (0..3).map(|b| blocks.iter().map(|k| f64::from(u8::from(*k == b))).collect()).collect();
        columns.push(other);
        let found = freedman_lane(&y, &tested, &columns, &blocks, 199, &mut draws).unwrap();
        for (count, level) in below.iter_mut().zip(levels) {
            *count += i32::from(found.p_value <= level + 1e-12);
        }
    }
    for (count, level) in below.into_iter().zip(levels) {
        let (expected, sd) = (1000.0 * level, (1000.0 * level * (1.0 - level) as f64).sqrt());
        let off = (f64::from(count) - expected) / sd;
        // Four binomial standard deviations; exchanging residuals of an estimated model is exact
        // only in the limit, and at n = 12 the difference is smaller than that.
        assert!(off.abs() < 4.0, "p <= {level} in {count} of 1000 tables");
    }
}

/// With only a mean beside the tested column the test counts all arrangements and is that of
/// Pearson's correlation over all orders; of ranks it is Spearman's.
#[test]
fn of_ranks_all_arrangements_are_spearmans() {
    let expected = &case("g10_links")["expected"]["spearman_with_ties"];
    let data = table("g10_spearman_ties.csv");
    let ranks = |name: &str| blindsteep_stats::kendall::mid_ranks(&data.numbers(name));
    let (x, y) = (ranks("x"), ranks("y"));
    let ones = vec![vec![1.0; 8]];
    let found = freedman_lane(&y, &x, &ones, &[0; 8], 40_320, &mut stream(1, 0)).unwrap();
    assert!(found.all && found.n_arrangements == 40_320);
    close(found.correlation, number(&expected["rho"]), 1e-12, "rho");
    close(found.p_value, number(&expected["p_two_sided_abs"]), 1e-12, "p");
}
