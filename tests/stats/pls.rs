//! Partial least squares: against published numbers, second routes, and by
//! simulation with planted truth.
//!
//! Olive oils: data set `oliveoil` of the R package pls (Massart et al. 1998, Handbook of
//! Chemometrics and Qualimetrics B, chapter 35/36). All numbers of the case agree between own code
//! in R, the R package pls and (left out with means and deviations from the rows that stay)
//! scikit-learn; the case says which.

use crate::cases::{case, number, numbers, table};
use blindsteep_stats::links::ols;
use blindsteep_stats::pls::cross::{Coefficient, jackknife};
use blindsteep_stats::pls::luck::{Among, Luck, among_all, luck};
use blindsteep_stats::pls::predict::predictor;
use blindsteep_stats::pls::{
    CrossValidated, Folds, Pls, PlsError, Prepared, Scaling, cross_validate,
    cross_validate_together, fit,
};
use blindsteep_stats::rng::{Stream, stream};
use serde_json::Value;

pub const OILS: [&str; 5] = ["Acidity", "Peroxide", "K232", "K270", "DK"];
const CASES: [(&str, &[&str]); 3] = [
    ("pls2_all_sensory", &["yellow", "green", "brown", "glossy", "transp", "syrup"]),
    ("pls1_syrup", &["syrup"]),
    ("pls1_green", &["green"]),
];

pub fn refs(columns: &[Vec<f64>]) -> Vec<&[f64]> {
    columns.iter().map(Vec::as_slice).collect()
}

pub fn oils(names: &[&str]) -> Vec<Vec<f64>> {
    let data = table("g10_oliveoil.csv");
    names.iter().map(|n| data.numbers(n)).collect()
}

fn matrix(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().expect("rows").iter().map(numbers).collect()
}

/// The case is printed to 14 digits; small entries lose some by the columns' sizes.
pub fn near(got: f64, want: f64, what: &str) {
    assert!((got - want).abs() <= 1e-6 * want.abs().max(1e-3), "{what}: {got}, not {want}");
}

/// Compares columns of a matrix (rows by components) up to the sign of each component.
fn up_to_sign(got: &[Vec<f64>], want: &[Vec<f64>], signs: &[f64], what: &str) {
    for (i, row) in want.iter().enumerate() {
        for (a, w) in row.iter().enumerate() {
            near(signs[a] * got[a][i], *w, &format!("{what}[{i}][{a}]"));
        }
    }
}

fn as_published(model: &Pls, want: &Value, m: usize) {
    let rows = |key: &str| matrix(&want[key]);
    let weights = rows("weights_W");
    assert_eq!(model.n_components(), 5);
    let signs: Vec<f64> = (0..5)
        .map(|a| {
            let both: f64 = (0..5).map(|j| model.weights[a][j] * weights[j][a]).sum();
            both.signum()
        })
        .collect();
    up_to_sign(&model.weights, &weights, &signs, "W");
    up_to_sign(&model.x_loadings, &rows("x_loadings_P"), &signs, "P");
    up_to_sign(&model.y_loadings, &rows("y_loadings_Q"), &signs, "Q");
    up_to_sign(&model.scores, &rows("scores_T"), &signs, "T");
    for (a, vip) in model.vip.iter().enumerate() {
        for (j, row) in rows("vip_rows_x_cols_comp").iter().enumerate() {
            near(vip[j], row[a], "VIP");
        }
    }
    for a in 0..5 {
        near(model.x_explained[a], numbers(&want["x_explained"])[a], "explained of X");
        let total = numbers(&want["y_explained_total"])[a];
        near(model.y_explained_total[a], total, "explained of Y");
        let key = format!("ncomp{}", a + 1);
        let coefficients = matrix(&want["coefficients_standardised"][key]);
        for (j, row) in coefficients.iter().enumerate() {
            (0..m).for_each(|k| near(model.coefficients[a][j][k], row[k], "coefficient"));
        }
    }
    for (k, row) in rows("y_explained_each_rows_y_cols_comp").iter().enumerate() {
        (0..5).for_each(|a| near(model.y_explained[k][a], row[a], "explained of a response"));
    }
}

#[test]
fn olive_oils_have_the_components_of_r() {
    let x = oils(&OILS);
    for (name, responses) in CASES {
        let want = &case("g10_links")["expected"][name];
        let y = oils(responses);
        let model = fit(&refs(&x), &refs(&y), 5).unwrap();
        for (j, m) in numbers(&want["x_mean"]).iter().enumerate() {
            near(model.x_mean[j], *m, "mean");
            near(model.x_sd[j], numbers(&want["x_sd"])[j], "sd");
        }
        for k in 0..y.len() {
            near(model.y_mean[k], numbers(&want["y_mean"])[k], "mean");
            near(model.y_sd[k], numbers(&want["y_sd"])[k], "sd");
        }
        as_published(&model, want, y.len());
        // More components than the rank: those there are.
        assert_eq!(fit(&refs(&x), &refs(&y), 40).unwrap().n_components(), 5);
    }
}

fn left_out(all: &[CrossValidated], want: &Value, per_unit: &[f64]) {
    for (key, of) in [
        ("RMSEP", (|c| &c.rmsep) as fn(&CrossValidated) -> &Vec<f64>),
        ("PRESS", |c| &c.press),
        ("Q2_total_SS", |c| &c.q2_total),
        ("Q2_vs_LOO_mean", |c| &c.q2),
    ] {
        // Q² is given from one component on.
        let skip = usize::from(key.starts_with('Q'));
        for (a, row) in matrix(&want[key]).iter().enumerate() {
            for (k, w) in row.iter().enumerate() {
                let unit = match key {
                    "RMSEP" => per_unit[k],
                    "PRESS" => per_unit[k] * per_unit[k],
                    _ => 1.0,
                };
                near(of(&all[k])[a + skip] / unit, *w, key);
            }
        }
    }
}

#[test]
fn olive_oils_that_are_left_out_are_predicted_as_by_r_and_python() {
    let x = oils(&OILS);
    let folds = Folds::one_out(16);
    for (name, responses) in CASES {
        let want = &case("g10_links")["expected"][name];
        let y = oils(responses);
        let sd = numbers(&want["y_sd"]);
        let ones = vec![1.0; y.len()];
        for (key, scaling, unit) in [
            ("loo_scaling_inside", Scaling::Inside, &ones),
            ("loo_scaling_outside", Scaling::Outside, &sd),
        ] {
            let all = cross_validate_together(&refs(&x), &refs(&y), &folds, scaling, 5).unwrap();
            left_out(&all, &want[key], unit);
            if y.len() == 1 {
                let prepared = Prepared::new(&refs(&x), &folds, scaling).unwrap();
                left_out(&[cross_validate(&prepared, &y[0], 5).unwrap()], &want[key], unit);
            }
        }
    }
}

/// With as many components as columns it is least squares (here: R's, of the same case), whose rows
/// left out have the errors e / (1 - h).
#[test]
fn with_all_components_it_is_least_squares() {
    let (x, y) = (oils(&OILS), oils(&["syrup"]));
    let want = &case("g10_links")["expected"]["ols_syrup_on_chemical"];
    let model = fit(&refs(&x), &refs(&y), 5).unwrap();
    for j in 0..5 {
        near(model.in_units(5, j, 0).unwrap(), numbers(&want["estimate"])[j + 1], "slope");
    }
    let folds = Folds::one_out(16);
    let prepared = Prepared::new(&refs(&x), &folds, Scaling::Inside).unwrap();
    let found = cross_validate(&prepared, &y[0], 5).unwrap();
    near(found.press[5], number(&want["press"]), "PRESS");
    near(found.q2_total[5], number(&want["predicted_r2"]), "predicted R²");
    // 1/n and the place among the scores together are the diagonal of the hat matrix.
    let predictor = predictor(&prepared, &refs(&x), &y[0], 5).unwrap();
    for i in 0..16 {
        let row: Vec<f64> = x.iter().map(|c| c[i]).collect();
        let found = predictor.row(&row, 0.95).unwrap();
        near(found.leverage, numbers(&want["hat"])[i], "hat");
        near(found.value, model.value(5, 0, &row).unwrap(), "fitted");
    }
    // The jackknife's deviations, by fits that know nothing of folds.
    let b = jackknife(&prepared, &y[0], 2).unwrap();
    let whole = fit(&refs(&x), &refs(&y), 2).unwrap();
    for (j, b) in b.iter().enumerate() {
        let own = whole.in_units(2, j, 0).unwrap();
        near(b.value, own, "coefficient");
        let sum: f64 = (0..16)
            .map(|out| {
                let without = |c: &[Vec<f64>]| -> Vec<Vec<f64>> {
                    let stay = |c: &Vec<f64>| {
                        c.iter().enumerate().filter(|(i, _)| *i != out).map(|v| *v.1).collect()
                    };
                    c.iter().map(stay).collect()
                };
                let part = fit(&refs(&without(&x)), &refs(&without(&y)), 2).unwrap();
                (part.in_units(2, j, 0).unwrap() - own).powi(2)
            })
            .sum();
        near(b.se, (sum * 15.0 / 16.0).sqrt(), "jackknife");
    }
}

/// Groups left out: fits that know nothing of folds predict the same.
#[test]
fn whole_groups_left_out_are_predicted_by_what_stays() {
    let (x, y) = (oils(&OILS), oils(&["green"]));
    let groups: Vec<u32> = (0..16).map(|i| i / 4).collect();
    let folds = Folds::by_group(&groups);
    let prepared = Prepared::new(&refs(&x), &folds, Scaling::Inside).unwrap();
    let found = cross_validate(&prepared, &y[0], 3).unwrap();
    for held in &folds.held {
        let take = |c: &Vec<f64>| -> Vec<f64> {
            (0..16).filter(|i| !held.contains(i)).map(|i| c[i]).collect()
        };
        let xs: Vec<Vec<f64>> = x.iter().map(take).collect();
        let ys: Vec<Vec<f64>> = y.iter().map(take).collect();
        let model = fit(&refs(&xs), &refs(&ys), 3).unwrap();
        for i in held {
            let row: Vec<f64> = x.iter().map(|c| c[*i]).collect();
            for a in 1..=3 {
                near(found.errors[a][*i], y[0][*i] - model.value(a, 0, &row).unwrap(), "error");
            }
        }
    }
    let random = Folds::random(16, 5, &mut stream(1, 0));
    let sizes: Vec<usize> = random.held.iter().map(Vec::len).collect();
    assert_eq!(sizes, [4, 3, 3, 3, 3]);
    assert!(Prepared::new(&refs(&x), &random, Scaling::Inside).is_ok());
}

#[test]
fn what_cannot_be_fitted_says_why() {
    let (a, b) = ([1.0, 2.0, 4.0, 3.0], [2.0, 1.0, 0.0, 5.0]);
    let still = [3.0; 4];
    assert_eq!(fit(&[&a, &still], &[&b], 1), Err(PlsError::Constant { column: 1 }));
    assert_eq!(fit(&[&a], &[&still], 1), Err(PlsError::ConstantResponse { response: 0 }));
    let short = PlsError::Length { column: 1, expected: 4, found: 3 };
    assert_eq!(fit(&[&a, &b[..3]], &[&b], 1), Err(short));
    let gap = [1.0, f64::NAN, 2.0, 3.0];
    assert_eq!(fit(&[&a], &[&gap], 1), Err(PlsError::NotFinite { column: 1, row: 1 }));
    assert_eq!(fit(&[&a], &[&b], 0), Err(PlsError::NoComponent));
    assert!(matches!(fit(&[], &[&b], 1), Err(PlsError::TooSmall { .. })));
    assert!(matches!(fit(&[&a[..1]], &[&b[..1]], 1), Err(PlsError::TooSmall { rows: 1, .. })));
    let twice = Folds { rows: 4, held: vec![vec![0, 1], vec![1, 2], vec![3]] };
    assert_eq!(Prepared::new(&[&a], &twice, Scaling::Inside).err(), Some(PlsError::Folds));
    let all_but_one = Folds { rows: 4, held: vec![vec![0, 1, 2], vec![3]] };
    assert_eq!(Prepared::new(&[&a], &all_but_one, Scaling::Inside).err(), Some(PlsError::Folds));
    // A column that varies in one row only is not used where that row is left out.
    let one = [0.0, 0.0, 1.0, 0.0];
    let x = Prepared::new(&[&a, &one], &Folds::one_out(4), Scaling::Inside).unwrap();
    let found = cross_validate(&x, &b, 2).unwrap();
    assert!(found.errors.iter().flatten().all(|e| e.is_finite()));
}

/// Columns that are the same thing twice: as many components as there are directions.
#[test]
fn aliased_columns_share_a_coefficient_and_add_no_component() {
    let x = oils(&["Acidity", "Peroxide"]);
    let minus: Vec<f64> = x[0].iter().map(|v| 3.0 - 2.0 * v).collect();
    let columns: Vec<&[f64]> = vec![&x[0], &x[1], &minus];
    let y = oils(&["syrup"]);
    let model = fit(&columns, &refs(&y), 3).unwrap();
    assert_eq!(model.n_components(), 2);
    for b in &model.coefficients {
        near(b[0][0], -b[2][0], "shared");
    }
    // With both directions it predicts as least squares on the two.
    let plain = ols(&columns[..2], &y[0], 0.95).unwrap();
    let row = [0.5, 12.0, 2.0];
    let b: Vec<f64> = plain.coefficients.iter().map(|c| c.estimate).collect();
    near(model.value(2, 0, &row).unwrap(), b[0] + b[1] * 0.5 + b[2] * 12.0, "fitted");
}

/// A table of rows: columns that move together through two hidden ones, and a response.
pub struct Planted {
    pub x: Vec<Vec<f64>>,
    pub y: Vec<f64>,
    pub next: Vec<f64>,
    pub next_y: f64,
}

/// `signal`: standard deviation of what is planted where the noise has 1.
pub fn planted(n: usize, p: usize, signal: f64, s: &mut Stream) -> Planted {
    let mut rows: Vec<(Vec<f64>, f64)> = (0..=n)
        .map(|_| {
            let hidden = [s.normal(), s.normal()];
            let x: Vec<f64> = (0..p).map(|j| hidden[j % 2] + 0.7 * s.normal()).collect();
            let mean = (x[0] + x[2 % p]) / (2.0 * 1.49 + 2.0_f64).sqrt();
            (x, signal * mean + s.normal())
        })
        .collect();
    let (next, next_y) = rows.pop().unwrap();
    let x = (0..p).map(|j| rows.iter().map(|r| r.0[j]).collect()).collect();
    Planted { x, y: rows.iter().map(|r| r.1).collect(), next, next_y }
}

/// Share of `n` trials that are hits; four binomial standard deviations are allowed.
fn allowed(share: f64, n: usize) -> f64 {
    4.0 * (share * (1.0 - share) / n as f64).sqrt()
}

/// Pure noise: the verdict "better than the mean" among several responses that hang together comes
/// in no more than 5 of 100, choice of components and all. Within blocks whose levels differ, too.
#[test]
fn noise_is_called_no_better_than_the_mean() {
    for (n, p, blocked) in [(8, 5, false), (12, 8, false), (16, 8, true), (24, 12, true)] {
        let runs = 600;
        let mut false_alarms = 0;
        for run in 0..runs {
            let mut s = stream(500 + n as u64, run);
            let data = planted(n, p, 0.0, &mut s);
            let blocks: Vec<u32> = (0..n as u32).map(|i| if blocked { i / 4 } else { 0 }).collect();
            let levels: Vec<f64> = (0..n).map(|_| 2.0 * s.normal()).collect();
            let shift = |i: usize| if blocked { levels[i / 4] } else { 0.0 };
            // The columns differ between blocks as well, as seasons do.
            let x: Vec<Vec<f64>> = data
                .x
                .iter()
                .map(|c| c.iter().enumerate().map(|(i, v)| v + 0.8 * shift(i)).collect())
                .collect();
            let x = Prepared::new(&refs(&x), &Folds::one_out(n), Scaling::Inside).unwrap();
            let all: Vec<Luck> = (0..4)
                .map(|_| {
                    let y: Vec<f64> =
                        (0..n).map(|i| 0.6 * data.y[i] + 0.8 * s.normal() + shift(i)).collect();
                    luck(&x, &y, x.most_components(), &blocks, 99, run).unwrap()
                })
                .collect();
            let p = among_all(&all, 0.05);
            false_alarms += usize::from(p.iter().any(|p| p.p_value <= 0.05));
            // Among others nothing is surer than it is alone.
            assert!(p.iter().zip(&all).all(|(p, l)| p.p_value >= l.p_value() - 1e-12));
        }
        let share = false_alarms as f64 / runs as f64;
        println!("n {n}, p {p}, blocks {blocked}: false alarms {share:.3}");
        assert!(share <= 0.05 + allowed(0.05, runs as usize), "n {n}: {share}");
        // A test that never speaks would pass, too: 5 of 100 is what it should reach.
        assert!(share >= 0.05 - allowed(0.05, runs as usize) - 0.01, "n {n}: {share}");
    }
}

#[test]
fn what_was_planted_is_found_and_noise_beside_it_is_not() {
    // Signal twice the noise: R² is .8.
    let (mut found, mut false_alarms, runs) = (0, 0, 200);
    for run in 0..runs {
        let mut s = stream(77, run);
        let data = planted(16, 8, 2.0, &mut s);
        let x = Prepared::new(&refs(&data.x), &Folds::one_out(16), Scaling::Inside).unwrap();
        let ask = |y: &[f64]| luck(&x, y, x.most_components(), &[0; 16], 99, run).unwrap();
        let mut all = vec![ask(&data.y)];
        for _ in 0..3 {
            let noise: Vec<f64> = (0..16).map(|_| s.normal()).collect();
            all.push(ask(&noise));
        }
        let p: Vec<f64> = among_all(&all, 0.05).iter().map(|a: &Among| a.p_value).collect();
        found += usize::from(p[0] <= 0.05);
        false_alarms += usize::from(p[1..].iter().any(|p| *p <= 0.05));
        // The best of four has to reach further than one alone.
        let among = among_all(&all, 0.05);
        for (a, l) in among.iter().zip(&all) {
            assert!(a.luck > l.reached(0.05).unwrap(), "{a:?}");
        }
    }
    println!("found {found}, false alarms {false_alarms} of {runs}");
    // A variance explained of .8, 16 rows, 8 columns, the best of four: at least 8 in 10.
    assert!(found as f64 >= 0.8 * runs as f64, "{found}");
    let share = false_alarms as f64 / runs as f64;
    assert!(share <= 0.05 + allowed(0.05, runs as usize), "{share}");
}

/// New rows fall into their 95 % interval, with the number of components chosen by the same data,
/// and into the mean's where the mean is taken.
#[test]
fn new_rows_fall_into_their_intervals() {
    for (n, p, signal) in
        [(10, 8, 0.0), (10, 8, 1.0), (10, 12, 2.0), (16, 10, 1.0), (24, 20, 2.0), (40, 12, 1.0)]
    {
        let runs = 1500;
        let (mut held, mut by_mean) = (0, 0);
        for run in 0..runs {
            let data = planted(n, p, signal, &mut stream(900 + n as u64, run));
            let columns = refs(&data.x);
            let x = Prepared::new(&columns, &Folds::one_out(n), Scaling::Inside).unwrap();
            let a = cross_validate(&x, &data.y, x.most_components()).unwrap().chosen().components;
            let hit = |a: usize| {
                let found = predictor(&x, &columns, &data.y, a).unwrap();
                let found = found.row(&data.next, 0.95).unwrap();
                usize::from(found.lower <= data.next_y && data.next_y <= found.upper)
            };
            held += hit(a);
            by_mean += hit(0);
        }
        let share = |k: usize| k as f64 / runs as f64;
        println!("n {n}, p {p}, signal {signal}: {:.3}, mean {:.3}", share(held), share(by_mean));
        // Components are chosen on the same rows, which costs something; limits fixed before:
        // no less than 92 % (less four binomial standard deviations), no more than 99 %.
        assert!(
            share(held) >= 0.92 - allowed(0.92, runs as usize) && share(held) <= 0.99,
            "n {n}: {}",
            share(held)
        );
        assert!((share(by_mean) - 0.95).abs() <= 0.0225, "mean, n {n}: {}", share(by_mean));
    }
}

/// As a planned batch is predicted: by the columns if they do better than luck does in 1 of 20, else by
/// the mean. That choice must not cost the interval what it says.
#[test]
fn new_rows_fall_into_their_intervals_whether_the_columns_or_the_mean_were_taken() {
    for (n, p, signal) in [(8, 6, 0.8), (12, 8, 1.0), (16, 8, 2.0)] {
        let runs = 600;
        let (mut held, mut by_columns) = (0, 0);
        for run in 0..runs {
            let data = planted(n, p, signal, &mut stream(600 + n as u64, run));
            let columns = refs(&data.x);
            let x = Prepared::new(&columns, &Folds::one_out(n), Scaling::Inside).unwrap();
            let most = x.most_components();
            let test = luck(&x, &data.y, most, &vec![0; n], 99, run).unwrap();
            let better = test.p_value() <= 0.05 && test.observed > 0.0;
            let chosen = cross_validate(&x, &data.y, most).unwrap().chosen().components;
            let predictor =
                predictor(&x, &columns, &data.y, if better { chosen } else { 0 }).unwrap();
            let found = predictor.row(&data.next, 0.95).unwrap();
            by_columns += usize::from(better);
            held += usize::from(found.lower <= data.next_y && data.next_y <= found.upper);
        }
        let share = |k: usize| k as f64 / runs as f64;
        println!("n {n}, signal {signal}: {:.3}, by columns {:.3}", share(held), share(by_columns));
        assert!(share(held) >= 0.92 - allowed(0.92, runs as usize), "n {n}: {}", share(held));
        assert!(share(by_columns) > 0.05, "n {n}: {}", share(by_columns));
    }
}

/// The jackknife says how far a coefficient moves from one set of rows to the next: its intervals hold
/// what the same number of components finds on average (limits fixed before: no less than 90 %). They
/// are no intervals for what a column does: partial least squares shares an effect among columns that
/// move together and pulls it towards 0, and of what was planted they hold far less.
#[test]
fn jackknife_intervals_hold_what_the_model_finds_on_average_not_what_was_planted() {
    for (n, p, a) in [(10, 6, 1), (16, 8, 1), (16, 8, 2), (40, 10, 2)] {
        let (runs, signal) = (600, 1.5);
        let all: Vec<Vec<_>> = (0..runs)
            .map(|run| {
                let data = planted(n, p, signal, &mut stream(300 + n as u64, run));
                let folds = Folds::one_out(n);
                let x = Prepared::new(&refs(&data.x), &folds, Scaling::Inside).unwrap();
                jackknife(&x, &data.y, a).unwrap()
            })
            .collect();
        let t = blindsteep_stats::dist::t_quantile_upper(0.025, n as f64 - 1.0);
        let own = signal / (2.0 * 1.49 + 2.0_f64).sqrt();
        let held = |j: usize, truth: f64| {
            let hit = |b: &&Vec<Coefficient>| (b[j].value - truth).abs() <= t * b[j].se;
            all.iter().filter(hit).count() as f64 / runs as f64
        };
        for j in [0, 1, 3] {
            let average = all.iter().map(|b| b[j].value).sum::<f64>() / runs as f64;
            let planted = if j == 0 { own } else { 0.0 };
            let share = held(j, average);
            println!(
                "n {n}, p {p}, {a}: column {j} {share:.3}, of planted {:.3}",
                held(j, planted)
            );
            assert!(share >= 0.9 - allowed(0.9, runs as usize), "n {n}, column {j}: {share}");
        }
    }
}
