//! D-optimal designs and additions against all subsets, and efficiencies against
//! tests/data/g15_factorial.json.

use blindsteep_stats::factorial::full;
use blindsteep_stats::optimal::{OptimalError, efficiency, exchange, rank};

use crate::cases::{case, close, number, numbers};

fn with_mean(row: &[f64]) -> Vec<f64> {
    std::iter::once(1.0).chain(row.iter().copied()).collect()
}

fn main_effects(k: usize) -> Vec<Vec<f64>> {
    full(k).iter().map(|r| with_mean(r)).collect()
}

/// A determinant by cofactors: another route than the library's.
fn det(m: &[Vec<f64>]) -> f64 {
    if m.is_empty() {
        return 1.0;
    }
    (0..m.len())
        .filter(|j| m[0][*j] != 0.0)
        .map(|j| {
            let rest: Vec<Vec<f64>> = m[1..]
                .iter()
                .map(|r| r.iter().enumerate().filter(|(k, _)| *k != j).map(|(_, v)| *v).collect())
                .collect();
            (if j % 2 == 0 { 1.0 } else { -1.0 }) * m[0][j] * det(&rest)
        })
        .sum()
}

fn det_of(rows: &[&Vec<f64>], prior: &[f64]) -> f64 {
    let p = prior.len();
    let m: Vec<Vec<f64>> = (0..p)
        .map(|i| {
            (0..p)
                .map(|j| {
                    rows.iter().map(|r| r[i] * r[j]).sum::<f64>()
                        + if i == j { prior[i] } else { 0.0 }
                })
                .collect()
        })
        .collect();
    det(&m)
}

/// The largest determinant over all choices with repeats.
fn best_of_all(given: &[Vec<f64>], candidates: &[Vec<f64>], runs: usize, prior: &[f64]) -> f64 {
    fn go(
        given: &[Vec<f64>],
        candidates: &[Vec<f64>],
        left: usize,
        from: usize,
        chosen: &mut Vec<usize>,
        prior: &[f64],
    ) -> f64 {
        if left == 0 {
            let rows: Vec<&Vec<f64>> =
                given.iter().chain(chosen.iter().map(|c| &candidates[*c])).collect();
            return det_of(&rows, prior);
        }
        let mut best = 0.0_f64;
        for c in from..candidates.len() {
            chosen.push(c);
            best = best.max(go(given, candidates, left - 1, c, chosen, prior));
            chosen.pop();
        }
        best
    }
    go(given, candidates, runs, 0, &mut Vec::new(), prior)
}

#[test]
fn efficiencies_are_the_printed_ones() {
    let expected = &case("g15_factorial")["expected"]["d_efficiency"];
    let whole = efficiency(&main_effects(3)).unwrap();
    close(whole.d, number(&expected["full_2_3_main_effects"]), 1e-12, "full");
    close(whole.a, 100.0, 1e-12, "A of orthogonal columns");
    let rows = |key: &str| -> Vec<Vec<f64>> {
        expected[key]["design"].as_array().unwrap().iter().map(numbers).collect()
    };
    let six: Vec<Vec<f64>> = rows("six_run_three_factor").iter().map(|r| with_mean(r)).collect();
    let found = efficiency(&six).unwrap();
    close(found.d, number(&expected["six_run_three_factor"]["value"]), 1e-12, "six runs");
    let nine: Vec<Vec<f64>> = rows("three_by_three_quadratic")
        .iter()
        .map(|r| vec![1.0, r[0], r[1], r[0] * r[1], r[0] * r[0], r[1] * r[1]])
        .collect();
    let found = efficiency(&nine).unwrap();
    close(found.d, number(&expected["three_by_three_quadratic"]["value"]), 1e-12, "nine runs");
}

#[test]
fn small_designs_are_the_best_of_all_choices() {
    for (k, runs) in [(2, 3), (2, 4), (2, 5), (3, 4), (3, 5), (3, 6)] {
        let candidates = main_effects(k);
        let prior = vec![0.0; k + 1];
        let found = exchange(&[], &candidates, runs, &prior, 20, 5).unwrap();
        let best = best_of_all(&[], &candidates, runs, &prior);
        close(found.log_det.exp(), best, 1e-9, &format!("{k} factors in {runs} runs"));
        assert!(found.starts_agreeing > 0 && found.starts == 20);
    }
    // A curve in two factors: nine points, six columns.
    let curve: Vec<Vec<f64>> = (0..9)
        .map(|i| (f64::from(i % 3) - 1.0, f64::from(i / 3) - 1.0))
        .map(|(a, b)| vec![1.0, a, b, a * b, a * a, b * b])
        .collect();
    let found = exchange(&[], &curve, 7, &[0.0; 6], 30, 5).unwrap();
    close(found.log_det.exp(), best_of_all(&[], &curve, 7, &[0.0; 6]), 1e-9, "curve");
}

#[test]
fn additions_are_the_best_of_all_choices_and_break_an_alias() {
    // Six runs in which the third factor is always the opposite of the first.
    let given: Vec<Vec<f64>> = full(3)
        .iter()
        .filter(|r| r[2] == -r[0])
        .chain(full(3).iter().filter(|r| r[2] == -r[0] && r[1] > 0.0))
        .map(|r| with_mean(r))
        .collect();
    assert_eq!((given.len(), rank(given.iter().map(Vec::as_slice), 4)), (6, 3));
    let candidates = main_effects(3);
    for prior in [[0.0; 4], [0.0, 0.5, 0.5, 0.5]] {
        for runs in 1..=4 {
            let found = exchange(&given, &candidates, runs, &prior, 20, 9).unwrap();
            let best = best_of_all(&given, &candidates, runs, &prior);
            close(found.log_det.exp(), best, 1e-9, "additions");
            // With next to no prior each addition breaks the alias.
            if prior[1] == 0.0 && runs == 2 {
                assert!(found.chosen.iter().any(|c| candidates[*c][1] == candidates[*c][3]));
            }
        }
    }
}

#[test]
fn what_no_choice_can_tell_apart_is_said_and_a_prior_helps() {
    let candidates: Vec<Vec<f64>> =
        full(3).iter().filter(|r| r[2] == r[0]).map(|r| with_mean(r)).collect();
    assert_eq!(
        exchange(&[], &candidates, 6, &[0.0; 4], 5, 1),
        Err(OptimalError::Singular { runs: 6, rank: 3, columns: 4 })
    );
    let prior = [0.0, 0.01, 0.01, 0.01];
    let found = exchange(&[], &candidates, 4, &prior, 20, 1).unwrap();
    close(found.log_det.exp(), best_of_all(&[], &candidates, 4, &prior), 1e-9, "prior");
    assert_eq!(
        exchange(&[], &main_effects(3), 3, &[0.0; 4], 5, 1),
        Err(OptimalError::Singular { runs: 3, rank: 3, columns: 4 })
    );
    assert_eq!(exchange(&[], &[], 3, &[0.0], 5, 1), Err(OptimalError::Nothing));
    assert!(exchange(&[vec![1.0]], &main_effects(2), 3, &[0.0; 3], 5, 1).is_err());
    assert_eq!(
        exchange(&[], &[vec![1.0, f64::NAN]], 3, &[0.0; 2], 5, 1),
        Err(OptimalError::NotFinite)
    );
}

#[test]
fn the_same_seed_gives_the_same_design() {
    let candidates = main_effects(5);
    let one = exchange(&[], &candidates, 8, &[0.0; 6], 10, 3).unwrap();
    assert_eq!(one, exchange(&[], &candidates, 8, &[0.0; 6], 10, 3).unwrap());
    // Eight runs of five factors can be orthogonal: det = 8^6.
    close(one.log_det, 6.0 * 8.0_f64.ln(), 1e-12, "orthogonal");
}
