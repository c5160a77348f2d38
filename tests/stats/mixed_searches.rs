//! Mixed models by two ways: the deviance against its definition, one search against the other, and
//! what must change nothing.

use crate::cases::{close, table};
use crate::mixed::{ATTRIBUTES, both_panels, spec};
use blindsteep_stats::mixed::{
    Factor, Fit, FixedPart, Method, MixedError, Model, ModelSpec, RandomTerm, Search, fit,
};

/// Minus twice the log-likelihood straight from its definition, with dense matrices of all rows.
fn dense_deviance(spec: &ModelSpec, theta: &[f64], method: Method) -> f64 {
    let n = spec.y.len();
    let p = spec.fixed.columns.len();
    let mut v = vec![vec![0.0; n]; n];
    for (i, row) in v.iter_mut().enumerate() {
        for (j, cell) in row.iter_mut().enumerate() {
            *cell = if i == j { 1.0 } else { 0.0 };
            for (term, t) in spec.random.iter().zip(theta) {
                if term.factor.codes[i] == term.factor.codes[j] {
                    *cell += t * t;
                }
            }
        }
    }
    // Cholesky of V, then L^-1 X and L^-1 y.
    let mut log_det = cholesky(&mut v);
    let mut columns: Vec<Vec<f64>> = spec.fixed.columns.clone();
    columns.push(spec.y.clone());
    for column in &mut columns {
        for i in 0..n {
            let sum: f64 = (0..i).map(|k| v[i][k] * column[k]).sum();
            column[i] = (column[i] - sum) / v[i][i];
        }
    }
    let product = |a: usize, b: usize| -> f64 {
        columns[a].iter().zip(&columns[b]).map(|(x, y)| x * y).sum()
    };
    let mut cross: Vec<Vec<f64>> =
        (0..=p).map(|a| (0..=p).map(|b| product(a, b)).collect()).collect();
    cholesky(&mut cross);
    let square = cross[p][p] * cross[p][p];
    let df = match method {
        Method::Reml => {
            log_det += (0..p).map(|k| 2.0 * cross[k][k].ln()).sum::<f64>();
            (n - p) as f64
        }
        Method::Ml => n as f64,
    };
    log_det + df * (1.0 + (2.0 * std::f64::consts::PI * square / df).ln())
}

/// Replaces a matrix by its lower Cholesky factor and returns the logarithm of its determinant.
fn cholesky(m: &mut [Vec<f64>]) -> f64 {
    let mut log_det = 0.0;
    for j in 0..m.len() {
        for i in j..m.len() {
            let sum: f64 = (0..j).map(|k| m[i][k] * m[j][k]).sum();
            let value = m[i][j] - sum;
            m[i][j] = if i == j { value.sqrt() } else { value / m[j][j] };
        }
        log_det += 2.0 * m[j][j].ln();
    }
    log_det
}

/// The objective apart from its optimiser: at fixed relative standard deviations it is the density
/// of its definition.
#[test]
fn the_deviance_at_given_variances_is_that_of_its_definition() {
    let table = table("g05_tvbo_unbalanced.csv");
    for attribute in ["Sharpness", "Noise"] {
        let mut spec = spec(&table, attribute);
        let (picture, levels) = Factor::from_labels(&table.text("Repeat"));
        let row: Vec<f64> = table.numbers("row");
        spec.fixed =
            spec.fixed.with_factor("Repeat", &picture, &levels).with_covariate("row", &row);
        let (set, _) = Factor::from_labels(&table.text("TVset"));
        spec.random
            .push(RandomTerm::new("Assessor:TVset", Factor::cross(&spec.random[0].factor, &set)));
        let model = Model::new(&spec.fixed, &spec.random).expect("the layout is sound");
        for theta in [
            [0.0, 0.0, 0.0],
            [0.9, 0.7, 0.0],
            [0.0, 1.3, 0.4],
            [30.0, 0.01, 5.0],
            [1.0, 1000.0, 1.0],
        ] {
            for method in [Method::Reml, Method::Ml] {
                let got = model.deviance(&spec.y, &theta, method).expect("scores are sound");
                close(
                    got,
                    dense_deviance(&spec, &theta, method),
                    1e-9,
                    &format!("{theta:?} {method:?}"),
                );
            }
        }
    }
}

#[test]
fn two_searches_find_the_same_minimum() {
    for (_, table) in both_panels() {
        for attribute in ATTRIBUTES {
            let spec = spec(&table, attribute);
            let model = Model::new(&spec.fixed, &spec.random).expect("the layout is sound");
            for method in [Method::Reml, Method::Ml] {
                let newton = model.fit_by(&spec.y, method, Search::Newton).expect("a fit");
                let simplex = model.fit_by(&spec.y, method, Search::Simplex).expect("a fit");
                let (a, b) = (newton.minus2_log_likelihood, simplex.minus2_log_likelihood);
                assert!((a - b).abs() < 1e-9 && a <= b + 1e-10, "{attribute}: {a} and {b}");
                for (x, y) in newton.components.iter().zip(&simplex.components) {
                    assert!((x.variance - y.variance).abs() < 1e-5, "{attribute} {x:?} {y:?}");
                    assert_eq!(x.at_boundary, y.at_boundary);
                }
                assert!(newton.evaluations < 40, "{}", newton.evaluations);
            }
        }
    }
}

/// Everything a fit says that must not depend on how levels are numbered, rows ordered or terms
/// listed.
fn essence(fit: &Fit) -> Vec<f64> {
    let mut all = vec![fit.minus2_log_likelihood, fit.sigma2];
    let mut variances: Vec<f64> = fit.components.iter().map(|c| c.variance).collect();
    variances.sort_by(f64::total_cmp);
    all.extend(variances);
    let mut means: Vec<(f64, f64, f64)> =
        fit.adjusted_means(0.9).iter().map(|c| (c.estimate, c.se, c.df)).collect();
    means.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.extend(means.iter().flat_map(|m| [m.0, m.1, m.2]));
    all.push(fit.test_term("Product").f);
    all
}

mod properties {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn relabelled_levels_and_shuffled_rows_change_nothing(
            attribute in 0..4usize,
            order in Just((0..173usize).collect::<Vec<_>>()).prop_shuffle(),
            products in Just((0..12u32).collect::<Vec<_>>()).prop_shuffle(),
            assessors in Just((0..8u32).collect::<Vec<_>>()).prop_shuffle(),
            shift in -1000.0..1000.0f64,
        ) {
            let table = table("g05_tvbo_unbalanced.csv");
            let y = table.numbers(ATTRIBUTES[attribute]);
            let (product, _) = Factor::from_labels(&table.text("Product"));
            let (assessor, _) = Factor::from_labels(&table.text("Assessor"));
            let plain = fit(&spec(&table, ATTRIBUTES[attribute]), Method::Reml).expect("a fit");
            let product = Factor::new(order.iter().map(|&r| products[product.codes[r] as usize]).collect());
            let assessor = Factor::new(order.iter().map(|&r| assessors[assessor.codes[r] as usize]).collect());
            let both = Factor::cross(&product, &assessor);
            let moved = ModelSpec {
                // A common shift of all scores moves the means alone.
                y: order.iter().map(|&r| y[r] + shift).collect(),
                fixed: FixedPart::cell_means("Product", &product, &[]),
                random: vec![RandomTerm::new("both", both), RandomTerm::new("one", assessor)],
            };
            let moved = fit(&moved, Method::Reml).expect("a fit");
            let (a, mut b) = (essence(&plain), essence(&moved));
            for mean in b[4..40].iter_mut().step_by(3) {
                *mean -= shift;
            }
            for (x, y) in a.iter().zip(&b) {
                prop_assert!((x - y).abs() <= 1e-6 * (1.0 + x.abs()), "{x} {y}");
            }
        }

        /// Scores in other units: variances by the square, F not at all.
        #[test]
        fn the_unit_of_the_scores_does_not_matter(attribute in 0..4usize, log_unit in -12.0..12.0f64) {
            let unit = log_unit.exp();
            let table = table("g05_tvbo_unbalanced.csv");
            let mut spec = spec(&table, ATTRIBUTES[attribute]);
            let a = fit(&spec, Method::Reml).expect("a fit");
            for y in &mut spec.y {
                *y *= unit;
            }
            let b = fit(&spec, Method::Reml).expect("a fit");
            close(b.sigma2, a.sigma2 * unit * unit, 1e-7, "residual");
            close(b.test_term("Product").f, a.test_term("Product").f, 1e-7, "F");
            for (x, y) in a.components.iter().zip(&b.components) {
                close(y.variance, x.variance * unit * unit, 1e-5, "variance");
            }
        }

        /// Any scores at all give a fit or an error, and never fewer than zero.
        #[test]
        fn any_scores_give_a_fit_or_an_error(scores in prop::collection::vec(0..4u8, 48)) {
            let lot = Factor::new((0..48).map(|r| r / 2 % 4).collect());
            let taster = Factor::new((0..48).map(|r| r / 8).collect());
            let brew = Factor::cross(&lot, &Factor::new((0..48).map(|r| r % 2).collect()));
            let spec = ModelSpec {
                y: scores.iter().map(|&s| f64::from(s)).collect(),
                fixed: FixedPart::cell_means("lot", &lot, &[]),
                random: vec![
                    RandomTerm::new("taster", taster.clone()),
                    RandomTerm::new("lot by taster", Factor::cross(&lot, &taster)),
                    RandomTerm::new("brew", brew),
                ],
            };
            match fit(&spec, Method::Reml) {
                Ok(fit) => {
                    prop_assert!(fit.sigma2 > 0.0 && fit.minus2_log_likelihood.is_finite());
                    prop_assert!(fit.components.iter().all(|c| c.variance >= 0.0));
                    // The minimum is one: nothing near it is lower.
                    let model = Model::new(&spec.fixed, &spec.random).expect("sound");
                    let theta: Vec<f64> =
                        fit.components.iter().map(|c| (c.variance / fit.sigma2).sqrt()).collect();
                    for i in 0..3 {
                        for step in [-0.3, -0.01, 0.01, 0.3] {
                            let mut other = theta.clone();
                            other[i] = (other[i] + step).max(0.0);
                            let there = model.deviance(&spec.y, &other, Method::Reml).expect("sound");
                            prop_assert!(there >= fit.minus2_log_likelihood - 1e-8);
                        }
                    }
                }
                Err(error) => prop_assert!(
                    matches!(error, MixedError::NoVariation | MixedError::NoResidual),
                    "{error}"
                ),
            }
        }
    }
}
