//! Agreement: intraclass correlations, Kendall's W, alpha, ticks.

use crate::cases::{Table, case, close, number, numbers, table};
use blindsteep_stats::alpha::{Metric, alpha};
use blindsteep_stats::anova::two_way_replicated;
use blindsteep_stats::icc::{IccComponents, from_components, shrout_fleiss};
use blindsteep_stats::kappa::{Weighting, cohen_kappa};
use blindsteep_stats::kendall::{
    PermutationMethod, chance_level, friedman, kendall_w, permutation_p,
};
use blindsteep_stats::ticks::{cochran_q, fleiss_kappa, mcnemar};

/// A long table as rows and columns, in the order of their numbers from 1.
fn wide(data: &Table, row: &str, column: &str, value: &str) -> Vec<Vec<Option<f64>>> {
    let at =
        |name: &str| -> Vec<usize> { data.numbers(name).iter().map(|v| *v as usize - 1).collect() };
    let (rows, columns) = (at(row), at(column));
    let width = columns.iter().max().unwrap() + 1;
    let mut table = vec![vec![None; width]; rows.iter().max().unwrap() + 1];
    for (i, text) in data.text(value).iter().enumerate() {
        table[rows[i]][columns[i]] = text.parse().ok();
    }
    table
}

fn complete(data: &Table, row: &str, column: &str, value: &str) -> Vec<Vec<f64>> {
    wide(data, row, column, value)
        .into_iter()
        .map(|r| r.into_iter().map(Option::unwrap).collect())
        .collect()
}

// Shrout and Fleiss 1979, tables 2 to 4; limits from psych 2.2.9. Closed forms of 14 printed
// digits; the limits go through F quantiles, hence 1e-9.
#[test]
fn six_intraclass_correlations_with_limits() {
    let expected = &case("g01_icc_shrout_fleiss")["expected"];
    let lots = complete(&table("g01_icc_shrout_fleiss.csv"), "target", "judge", "score");
    let fit = shrout_fleiss(&lots, 0.95).unwrap();
    let want = &expected["icc"];
    let column = |name: &str| numbers(&want[name]);
    for (i, form) in fit.forms.iter().enumerate() {
        close(form.value, column("icc")[i], 1e-12, "value");
        close(form.f, column("F")[i], 1e-12, "F");
        assert_eq!(form.df1, column("df1")[i]);
        assert_eq!(form.df2, column("df2")[i]);
        close(form.p_value, column("p")[i], 1e-9, "p");
        close(form.lower, column("lower")[i], 1e-9, "lower limit");
        close(form.upper, column("upper")[i], 1e-9, "upper limit");
    }
    let squares = &expected["mean_squares"];
    close(fit.lots.ms, number(&squares["BMS"]), 1e-12, "BMS");
    close(fit.tasters.ms, number(&squares["JMS"]), 1e-12, "JMS");
    close(fit.residual.ms, number(&squares["EMS"]), 1e-12, "EMS");
    close(fit.within.ms, number(&squares["WMS"]), 1e-12, "WMS");

    // McGraw and Wong 1996: with one score a cell the components give the same numbers.
    let cells: Vec<Vec<Vec<f64>>> =
        lots.iter().map(|r| r.iter().map(|v| vec![*v]).collect()).collect();
    let c = two_way_replicated(&cells).unwrap().components();
    let components =
        IccComponents { lot: c.lot, taster: c.taster, lot_taster: 0.0, residual: c.lot_taster };
    let from = from_components(&components, 4, 1.0).unwrap();
    close(from.agreement_single, column("icc")[1], 1e-12, "A,1");
    close(from.consistency_single, column("icc")[2], 1e-12, "C,1");
    close(from.agreement_mean, column("icc")[4], 1e-12, "A,k");
    close(from.consistency_mean, column("icc")[5], 1e-12, "C,k");
}

// Siegel 1956 (executives and applicants), Kendall 1948 (ties), Hollander and Wolfe 1973
// (first base); R 4.2.2. Closed forms of 14 printed digits.
#[test]
fn kendall_w_with_and_without_ties() {
    let expected = &case("g02_kendall_friedman")["expected"];
    let tables = [
        ("a_noties", complete(&table("g02_kendall_noties.csv"), "object", "rater", "rank")),
        ("b_ties", complete(&table("g02_kendall_ties.csv"), "object", "rater", "rank")),
        ("c_friedman", complete(&table("g02_friedman_ties.csv"), "treatment", "block", "value")),
    ];
    for (key, lots) in &tables {
        let want = &expected[key];
        let fit = kendall_w(lots).unwrap();
        assert_eq!(fit.rank_sums, numbers(&want["rank_sums"]), "{key}");
        assert_eq!(fit.ties, numbers(&want["T_per_rater"]), "{key}");
        for (got, name) in [
            (fit.s, "s"),
            (fit.w, "W_corrected"),
            (fit.w_uncorrected, "W_uncorrected"),
            (fit.mean_spearman, "mean_spearman"),
            (fit.chi2, "chisq_corrected"),
            (fit.chi2_df, "df"),
            (fit.n_tasters as f64, "raters"),
            (fit.n_lots as f64, "objects"),
            (fit.f, "iman_davenport_F"),
        ] {
            close(got, number(&want[name]), 1e-12, name);
        }
        close(fit.chi2_p, number(&want["p_chisq_corrected"]), 1e-10, key);
        close(fit.f_p, number(&want["iman_davenport_p"]), 1e-10, key);
        assert_eq!([fit.f_df1, fit.f_df2].to_vec(), numbers(&want["iman_davenport_df"]));
    }
    // stats::friedman.test, also printed in its help page as 11.143 and 0.003805.
    let want = &expected["c_friedman"]["friedman"];
    let fit = friedman(&tables[2].1, 0.05).unwrap();
    close(fit.chi2, number(&want["chisq"]), 1e-12, "chi-square");
    close(fit.p_value, number(&want["p"]), 1e-10, "p");
}

// g02: all 720^2 rankings counted; so the p-value is a whole number over 518400.
#[test]
fn the_exact_permutation_p_of_three_executives() {
    let lots = complete(&table("g02_kendall_noties.csv"), "object", "rater", "rank");
    let got = permutation_p(&lots, 0, 0).unwrap();
    assert_eq!(got.method, PermutationMethod::Exact);
    let want = number(&case("g02_kendall_friedman")["expected"]["a_noties"]["p_exact_permutation"]);
    close(got.p_value, want, 1e-12, "p");
}

// Printed tables of Friedman's exact distribution (Siegel 1956, table N, three to four
// digits; from memory): chi-square 6.0 of 3 lots by 3 tasters .028, 6.5 of 3 by 4 .042,
// 8.2 of 4 by 3 .017, 9.0 of 4 by 3 .0017.
#[test]
fn exact_permutation_p_values_are_those_of_the_printed_table() {
    let of = |tasters: &[&[f64]]| -> Vec<Vec<f64>> {
        (0..tasters[0].len()).map(|lot| tasters.iter().map(|t| t[lot]).collect()).collect()
    };
    let (abc, acb) = ([1.0, 2.0, 3.0], [1.0, 3.0, 2.0]);
    let (abcd, acbd) = ([1.0, 2.0, 3.0, 4.0], [1.0, 3.0, 2.0, 4.0]);
    let tables: [(Vec<Vec<f64>>, f64, f64, f64); 4] = [
        (of(&[&abc, &abc, &abc]), 6.0, 0.028, 5e-4),
        (of(&[&abc, &abc, &abc, &acb]), 6.5, 0.042, 5e-4),
        (of(&[&abcd, &abcd, &acbd]), 8.2, 0.017, 5e-4),
        (of(&[&abcd, &abcd, &abcd]), 9.0, 0.0017, 5e-5),
    ];
    for (lots, chi2, p, half_digit) in tables {
        close(kendall_w(&lots).unwrap().chi2, chi2, 1e-12, "chi-square");
        let got = permutation_p(&lots, 0, 0).unwrap();
        assert_eq!(got.method, PermutationMethod::Exact);
        assert!((got.p_value - p).abs() <= half_digit, "{chi2}: {got:?}");
    }
}

// Upper 5% points of W by chance, computed by simulation elsewhere and given to two digits.
// With four lots and four tasters W moves in steps of .025 and its tail passes 5% between
// .625 and .65 (printed tables: .054 and .036), so that one step must be allowed.
#[test]
fn the_chance_level_of_small_panels() {
    for (n_lots, n_tasters, point) in [
        (6, 3, 0.64),
        (6, 4, 0.50),
        (6, 6, 0.35),
        (8, 3, 0.59),
        (8, 4, 0.46),
        (8, 6, 0.32),
        (4, 3, 0.78),
        (4, 4, 0.60),
        (4, 6, 0.41),
    ] {
        let lots: Vec<Vec<f64>> = (0..n_lots).map(|lot| vec![f64::from(lot); n_tasters]).collect();
        let level = chance_level(&lots, 20_000, 5).unwrap();
        let what = format!("{n_lots} lots, {n_tasters} tasters: {level:?}");
        assert!((level.point_95 - point).abs() <= 0.026, "{what}");
        // The mean of W under random rankings is 1/k exactly, ties or not; the standard
        // error of 20000 draws is below .0015.
        assert!((level.mean - 1.0 / n_tasters as f64).abs() < 0.006, "{what}");
    }
}

// Krippendorff 2011, sections A to D; R 4.2.2 and the krippendorff package 0.9.0. 14 digits.
#[test]
fn alpha_of_the_worked_examples() {
    let expected = &case("g03_krippendorff_alpha")["expected"];
    let four = wide(&table("g03_alpha_4x12.csv"), "unit", "observer", "value");
    for (metric, name) in [
        (Metric::Nominal, "nominal"),
        (Metric::Ordinal, "ordinal"),
        (Metric::Interval, "interval"),
        (Metric::Ratio, "ratio"),
    ] {
        let want = &expected["four_by_twelve"][name];
        let got = alpha(&four, metric).unwrap();
        close(got.value, number(&want["alpha"]), 1e-12, name);
        close(got.d_o, number(&want["Do"]), 1e-12, name);
        close(got.d_e, number(&want["De"]), 1e-12, name);
        assert_eq!((got.n_pairable, got.n_units), (40, 11));
    }
    for (file, key) in [("g03_alpha_binary.csv", "binary"), ("g03_alpha_nominal2.csv", "nominal2")]
    {
        let units = wide(&table(file), "unit", "observer", "value");
        let got = alpha(&units, Metric::Nominal).unwrap();
        let want = &expected[key];
        close(got.value, number(&want["alpha"]), 1e-12, key);
        close(got.d_o, number(&want["Do"]), 1e-12, key);
        close(got.d_e, number(&want["De"]), 1e-12, key);
        assert_eq!(got.n_pairable as f64, number(&want["n_pairable"]));
    }
}

// Siegel 1956, chapter 7 (prints 16.7), and Agresti 1990, p. 350; R 4.2.2.
#[test]
fn cochran_q_and_mcnemar() {
    let expected = &case("g06a_cochran_q_mcnemar")["expected"];
    let rows: Vec<Vec<bool>> = complete(&table("g06_cochran_q.csv"), "subject", "condition", "yes")
        .iter()
        .map(|r| r.iter().map(|v| *v == 1.0).collect())
        .collect();
    let got = cochran_q(&rows).unwrap();
    let want = &expected["cochran_q"];
    close(got.q, number(&want["Q"]), 1e-12, "Q");
    close(got.p_value, number(&want["p"]), 1e-10, "p");
    assert_eq!(got.n_informative as f64, number(&want["n_informative_rows"]));

    assert_eq!(got.df, number(&want["df"]));
    let totals: Vec<f64> = got.column_totals.iter().map(|t| *t as f64).collect();
    assert_eq!(totals, numbers(&want["column_totals"]));

    let mut pairs: Vec<&serde_json::Value> =
        expected["pairwise_mcnemar"].as_array().unwrap().iter().collect();
    pairs.push(&expected["mcnemar_agresti"]);
    for want in pairs {
        let (b, c) = (number(&want["b"]), number(&want["c"]));
        let got = mcnemar(b as u64, c as u64);
        close(got.chi2, number(&want["chisq_uncorrected"]), 1e-12, "chi-square");
        close(got.chi2_p, number(&want["p_uncorrected"]), 1e-10, "p");
        close(got.chi2_corrected, number(&want["chisq_corrected"]), 1e-12, "corrected");
        close(got.chi2_corrected_p, number(&want["p_corrected"]), 1e-10, "corrected p");
        close(got.exact_p, number(&want["p_exact"]), 1e-10, "exact p");
        close(got.mid_p, number(&want["p_midp"]), 1e-10, "mid p");
    }
    // The counts of the pairs are those of the table.
    let changed = |from: usize, to: usize| rows.iter().filter(|r| r[from] && !r[to]).count();
    assert_eq!([changed(0, 2), changed(2, 0), changed(0, 1), changed(1, 0)], [10, 0, 2, 2]);
}

// Fleiss 1971, table 1 (kappa .430); R 4.2.2, statsmodels 0.15.0.
#[test]
fn kappa_of_thirty_diagnoses() {
    let data = table("g06_fleiss1971.csv");
    let columns: Vec<Vec<f64>> =
        ["depression", "personality", "schizophrenia", "neurosis", "other"]
            .iter()
            .map(|name| data.numbers(name))
            .collect();
    let counts: Vec<Vec<u64>> =
        (0..30).map(|i| columns.iter().map(|c| c[i] as u64).collect()).collect();
    let got = fleiss_kappa(&counts).unwrap();
    let want = &case("g06b_kappa_family")["expected"]["fleiss1971"];
    close(got.kappa, number(&want["kappa"]), 1e-12, "kappa");
    close(got.observed, number(&want["Pbar"]), 1e-12, "observed");
    close(got.expected, number(&want["Pe"]), 1e-12, "expected");
    close(got.se_no_agreement, number(&want["se_H0_FleissNeeLandis1979"]), 1e-12, "se");
    close(got.z, number(&want["z_1979"]), 1e-12, "z");
    close(got.se_1971, number(&want["se_Fleiss1971"]), 1e-12, "the printed se");
    close(got.kappa / got.se_1971, number(&want["z_1971"]), 1e-12, "its z");
    for (share, want) in got.shares.iter().zip(numbers(&want["p_category"])) {
        close(*share, want, 1e-12, "share");
    }
    for (kappa, want) in got.by_category.iter().zip(numbers(&want["kappa_category"])) {
        close(kappa.unwrap(), want, 1e-12, "category");
    }
}

/// A square table of counts from rows of row, column and count, numbered from 1.
fn square(data: &Table) -> Vec<Vec<u64>> {
    let (rows, columns, counts) = (data.numbers("row"), data.numbers("col"), data.numbers("count"));
    let k = rows.iter().fold(0.0_f64, |m, v| m.max(*v)) as usize;
    let mut table = vec![vec![0; k]; k];
    for ((row, column), count) in rows.iter().zip(&columns).zip(&counts) {
        table[*row as usize - 1][*column as usize - 1] = *count as u64;
    }
    table
}

// Cohen 1968 (prints .492 and .348) and Hout, Duncan and Sobel 1987 in Agresti 1990, table 2.10; R
// 4.2.2, psych 2.2.9, vcd 1.4.11 (its standard errors), scikit-learn. Closed forms of 14 digits.
#[test]
fn cohens_kappa_of_two_judges() {
    let expected = &case("g06b_kappa_family")["expected"];
    let cohen = &expected["cohen1968"];
    let given: Vec<Vec<f64>> =
        cohen["disagreement_weights"].as_array().unwrap().iter().map(numbers).collect();
    let hout = &expected["hout1987"];
    for (file, weighting, want) in [
        ("g06_cohen1968.csv", Weighting::Equal, &cohen["unweighted"]),
        ("g06_cohen1968.csv", Weighting::Given(given), &cohen["cohen_weights"]),
        ("g06_hout1987_weighted_kappa.csv", Weighting::Equal, &hout["unweighted"]),
        ("g06_hout1987_weighted_kappa.csv", Weighting::Linear, &hout["linear"]),
        ("g06_hout1987_weighted_kappa.csv", Weighting::Quadratic, &hout["quadratic"]),
    ] {
        let got = cohen_kappa(&square(&table(file)), &weighting, 0.95).unwrap();
        for (got, name) in [
            (got.kappa, "kappa"),
            (got.observed, "po"),
            (got.expected, "pe"),
            (got.se, "se"),
            (got.se_no_agreement, "se_H0"),
            (got.z, "z"),
        ] {
            close(got, number(&want[name]), 1e-12, name);
        }
        let (lower, upper) = got.limits.unwrap();
        close(lower, number(&want["lower"]), 1e-9, "lower");
        close(upper, number(&want["upper"]), 1e-9, "upper");
    }
}

// With no taster offsets F = MS lots / MS rest is (1 + k rho / (1 - rho)) times a central F,
// so that the sampling limits of ICC(C,1) = (F - 1)/(F + k - 1) are known exactly. 4000
// tables leave a standard error of about .005 at these percentiles.
#[test]
fn bootstrap_limits_of_the_consistency_are_those_of_its_f() {
    use blindsteep_stats::dist::f_quantile;
    use blindsteep_stats::icc::{SimulatedPart, parametric_bootstrap};
    let (n_lots, k) = (10_usize, 5_usize);
    let codes: Vec<u32> = (0..n_lots * k).map(|i| (i / k) as u32).collect();
    let parts = [SimulatedPart { codes, n_levels: n_lots, variance: 1.5 }];
    let refit = |y: &[f64]| {
        let cells: Vec<Vec<Vec<f64>>> =
            y.chunks(k).map(|lot| lot.iter().map(|v| vec![*v]).collect()).collect();
        let c = two_way_replicated(&cells).ok()?.components();
        Some(IccComponents {
            lot: c.lot.max(0.0),
            taster: c.taster.max(0.0),
            lot_taster: 0.0,
            residual: c.lot_taster,
        })
    };
    let got =
        parametric_bootstrap(&parts, 1.0, n_lots * k, (k, 1.0), (0.95, 4000, 3), refit).unwrap();
    assert_eq!(got.n_failed, 0);
    for (which, p) in [(0, 0.025), (1, 0.975)] {
        let ratio = (1.0 + k as f64 * 1.5) * f_quantile(p, 9.0, 36.0);
        let want = (ratio - 1.0) / (ratio + k as f64 - 1.0);
        assert!((got.consistency_single[which] - want).abs() < 0.025, "{got:?}: {want}");
    }
}

// g11, the wine panel of Randall 1989: nine judges, eight bottles; R 4.2.2 and the krippendorff package.
#[test]
fn concordance_and_alpha_of_the_wine_panel() {
    let data = table("g11_wine.csv");
    let expected = &case("g11_ordinal_wine")["expected"];
    let ratings = complete(&data, "bottle", "judge", "rating");
    let responses = complete(&data, "bottle", "judge", "response");
    for (lots, key) in [(&ratings, "kendall_rating"), (&responses, "kendall_response")] {
        let (got, want) = (kendall_w(lots).unwrap(), &expected[key]);
        assert_eq!(got.rank_sums, numbers(&want["rank_sums"]), "{key}");
        assert_eq!(got.ties, numbers(&want["T_per_rater"]), "{key}");
        for (got, name) in [
            (got.s, "s"),
            (got.w, "W_corrected"),
            (got.w_uncorrected, "W_uncorrected"),
            (got.chi2, "chisq_corrected"),
            (got.mean_spearman, "mean_spearman"),
            (got.f, "iman_davenport_F"),
        ] {
            close(got, number(&want[name]), 1e-12, name);
        }
        close(got.chi2_p, number(&want["p_chisq_corrected"]), 1e-9, key);
        close(got.f_p, number(&want["iman_davenport_p"]), 1e-9, key);
    }
    let fit = friedman(&ratings, 0.05).unwrap();
    close(fit.chi2, number(&expected["friedman_rating"]["chisq"]), 1e-12, "chi-square");
    close(fit.p_value, number(&expected["friedman_rating"]["p"]), 1e-9, "p");
    let units = |lots: &[Vec<f64>]| -> Vec<Vec<Option<f64>>> {
        lots.iter().map(|row| row.iter().map(|v| Some(*v)).collect()).collect()
    };
    for (metric, name) in
        [(Metric::Ordinal, "ordinal"), (Metric::Interval, "interval"), (Metric::Nominal, "nominal")]
    {
        let got = alpha(&units(&ratings), metric).unwrap();
        close(got.value, number(&expected["alpha_rating"][name]), 1e-11, name);
    }
    let got = alpha(&units(&responses), Metric::Interval).unwrap();
    close(got.value, number(&expected["alpha_interval_response"]), 1e-11, "interval");
}
