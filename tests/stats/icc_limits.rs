//! Limits of intraclass correlations from drawn mean squares, where the truth was planted.

use crate::cases::{case, close, numbers, table};
use crate::one_step::{Layout, components, crossed, layout, planted};
use blindsteep_stats::anova::two_way_replicated;
use blindsteep_stats::icc::{
    IccComponents, IccIntervals, from_components, generalised_limits, one_way_forms,
};
use blindsteep_stats::mixed::{Fit, Method};
use blindsteep_stats::rng::stream;

/// Residual first, then from the finest term to the coarsest, lots last.
fn order(layout: &Layout) -> Vec<usize> {
    let mut order: Vec<usize> = (1..layout.random.len()).collect();
    order.sort_by_key(|t| std::cmp::Reverse(layout.random[*t].factor.n_levels));
    order.push(0);
    std::iter::once(0).chain(order.into_iter().map(|t| t + 1)).collect()
}

fn limits(layout: &Layout, fit: &Fit, n_draws: usize, seed: u64) -> IccIntervals {
    let order = order(layout);
    let mut all = vec![fit.sigma2];
    all.extend(fit.components.iter().map(|c| c.variance));
    let whole = layout.model.variance_covariance(fit).unwrap();
    let estimates: Vec<f64> = order.iter().map(|&i| all[i]).collect();
    let covariance: Vec<Vec<f64>> =
        order.iter().map(|&i| order.iter().map(|&j| whole[i][j]).collect()).collect();
    let pick = |drawn: &[f64]| {
        let mut terms = vec![0.0; order.len()];
        for (place, value) in order.iter().zip(drawn) {
            terms[*place] = *value;
        }
        components(&terms[1..], terms[0])
    };
    generalised_limits(&estimates, &covariance, pick, layout.panel, (0.95, n_draws, seed)).unwrap()
}

// The television panel is balanced: the covariance must be that of its mean squares, 2 MS^2 / df.
// Coloursaturation has all variances above zero.
#[test]
fn the_covariance_of_a_balanced_table_is_that_of_its_mean_squares() {
    let data = table("g04_tvbo_balanced.csv");
    let factor = |name: &str| blindsteep_stats::mixed::Factor::from_labels(&data.text(name)).0;
    let (lot, who) = (factor("Product"), factor("Assessor"));
    let rows: Vec<[u32; 3]> = lot.codes.iter().zip(&who.codes).map(|(&l, &w)| [l, w, 0]).collect();
    let layout = layout(&rows);
    let y = data.numbers("Coloursaturation");
    let fit = layout.model.fit(&y, Method::Reml).unwrap();
    let mut cells = vec![vec![Vec::new(); who.n_levels]; lot.n_levels];
    for ((l, w), v) in lot.codes.iter().zip(&who.codes).zip(&y) {
        cells[*l as usize][*w as usize].push(*v);
    }
    let a = two_way_replicated(&cells).unwrap();
    let square = |l: &blindsteep_stats::anova::Line| 2.0 * l.ms * l.ms / l.df;
    let (r, n, k) = (2.0, lot.n_levels as f64, who.n_levels as f64);
    let got = layout.model.variance_covariance(&fit).unwrap();
    // The places are residual, lot, taster, lot by taster.
    for (i, j, want) in [
        (0, 0, square(&a.error)),
        (3, 0, -square(&a.error) / r),
        (3, 3, (square(&a.interaction) + square(&a.error)) / (r * r)),
        (1, 1, (square(&a.lot) + square(&a.interaction)) / (r * k * r * k)),
        (2, 2, (square(&a.taster) + square(&a.interaction)) / (r * n * r * n)),
        (1, 2, square(&a.interaction) / (r * n * r * k)),
    ] {
        close(got[i][j], want, 1e-4, &format!("{i} {j}"));
        close(got[j][i], want, 1e-4, &format!("{j} {i}"));
    }
}

// Shrout and Fleiss 1979, forms 1: with as many scores a lot the limits are theirs.
#[test]
fn one_way_forms_are_those_of_the_published_table() {
    let data = table("g01_icc_shrout_fleiss.csv");
    let mut groups = vec![Vec::new(); 6];
    for (lot, score) in data.numbers("target").iter().zip(data.numbers("score")) {
        groups[*lot as usize - 1].push(score);
    }
    let want = &case("g01_icc_shrout_fleiss")["expected"]["icc"];
    for (got, at) in one_way_forms(&groups, 0.95).unwrap().iter().zip([0, 3]) {
        close(got.value, numbers(&want["icc"])[at], 1e-12, "value");
        close(got.lower, numbers(&want["lower"])[at], 1e-9, "lower");
        close(got.upper, numbers(&want["upper"])[at], 1e-9, "upper");
        close(got.p_value, numbers(&want["p"])[at], 1e-9, "p");
    }
    assert!(one_way_forms(&groups[..1], 0.95).is_err());
    assert!(one_way_forms(&[vec![2.0, 2.0], vec![2.0, 2.0]], 0.95).is_err());
}

/// The share of planted tables whose limits hold the truth, and the shares below and above it.
fn coverage(rows: &[[u32; 3]], variances: &[f64], n_tables: u64) -> [[f64; 3]; 4] {
    let layout = layout(rows);
    let k = variances.len() - 1;
    let truth: IccComponents = components(&variances[..k], variances[k]);
    let t = from_components(&truth, layout.panel.0, layout.panel.1).unwrap();
    let truth = [t.agreement_single, t.consistency_single, t.agreement_mean, t.consistency_mean];
    let mut counts = [[0.0; 3]; 4];
    for at in 0..n_tables {
        let y = planted(&layout, variances, &mut stream(78, at));
        let fit = layout.model.fit(&y, Method::Reml).unwrap();
        let l = limits(&layout, &fit, 1000, at);
        let found =
            [l.agreement_single, l.consistency_single, l.agreement_mean, l.consistency_mean];
        for ((count, l), truth) in counts.iter_mut().zip(found).zip(truth) {
            let which = if l[1] < truth {
                1
            } else if l[0] > truth {
                2
            } else {
                0
            };
            count[which] += 1.0 / n_tables as f64;
        }
    }
    counts
}

// 300 panels: below 0.91 would be more than three binomial standard errors (.0126) under .95.
#[test]
fn limits_hold_what_was_planted() {
    let shares = coverage(&crossed(6, 5, 2), &[1.0, 0.5, 0.3, 1.0], 300);
    for (form, [held, low, high]) in ["A,1", "C,1", "A,k", "C,k"].iter().zip(shares) {
        assert!(held > 0.91, "({form}) {held} {low} {high}");
    }
}

/// Prints the coverage that the documentation states.
#[test]
#[ignore = "slow; run it when the limits change"]
fn coverage_of_many_layouts() {
    let sessions: Vec<[u32; 3]> = (0..10_u32)
        .flat_map(|s| {
            (0..6_u32).map(move |c| (s, if c == 0 { 0 } else { (s * 5 / 2 + c) % 24 + 1 }))
        })
        .flat_map(|(s, lot)| (0..6_u32).flat_map(move |t| [[lot, t, s], [lot, t, s]]))
        .collect();
    let lost: Vec<[u32; 3]> =
        crossed(8, 5, 2).into_iter().enumerate().filter(|r| r.0 % 5 != 3).map(|r| r.1).collect();
    for (name, rows, variances) in [
        ("6 lots, 5 tasters, 2 times", crossed(6, 5, 2), vec![1.0, 0.5, 0.3, 1.0]),
        ("the same, lots alike", crossed(6, 5, 2), vec![0.1, 0.5, 0.3, 1.0]),
        ("the same, no lot x taster", crossed(6, 5, 2), vec![1.0, 0.5, 0.0, 1.0]),
        ("8 lots, 5 tasters, a fifth lost", lost, vec![1.0, 0.5, 0.3, 1.0]),
        ("12 lots, 8 tasters, 2 times", crossed(12, 8, 2), vec![1.0, 0.5, 0.3, 1.0]),
        ("25 lots, 6 tasters, 10 sessions", sessions, vec![0.6, 0.5, 0.15, 0.05, 0.75]),
    ] {
        let shares = coverage(&rows, &variances, 1000);
        println!("{name}");
        for (form, [held, low, high]) in ["A,1", "C,1", "A,k", "C,k"].iter().zip(shares) {
            println!("  ({form}) holds {held:.3}, too low {low:.3}, too high {high:.3}");
            assert!(held > 0.88, "{name} {form}: {held}");
        }
    }
}
