//! Mixed models against a published panel (cases g04 and g05: lme4, lmerTest and emmeans, with a
//! second route by exact derivatives), a published longitudinal study (g13), and closed forms.

use crate::cases::{Table, case, close, number, numbers, table, words};
use blindsteep_stats::mixed::{
    Factor, Fit, FixedPart, Method, MixedError, Model, ModelSpec, RandomTerm, Search, fit,
};
use blindsteep_stats::range::StudentizedRange;
use serde_json::Value;

const ATTRIBUTES: [&str; 4] = ["Sharpness", "Coloursaturation", "Noise", "Flickeringstationary"];

/// The panel's layout: product fixed as cell means, assessor and assessor by product random.
fn layout(table: &Table) -> (FixedPart, Vec<RandomTerm>, Vec<String>) {
    let (product, products) = Factor::from_labels(&table.text("Product"));
    let (assessor, _) = Factor::from_labels(&table.text("Assessor"));
    let both = Factor::cross(&assessor, &product);
    let fixed = FixedPart::cell_means("Product", &product, &products);
    let random =
        vec![RandomTerm::new("Assessor", assessor), RandomTerm::new("Assessor:Product", both)];
    (fixed, random, products)
}

fn spec(table: &Table, attribute: &str) -> ModelSpec {
    let (fixed, random, _) = layout(table);
    ModelSpec { y: table.numbers(attribute), fixed, random }
}

fn both_panels() -> Vec<(Value, Table)> {
    vec![
        (case("g04_mixed_balanced"), table("g04_tvbo_balanced.csv")),
        (case("g05_mixed_unbalanced"), table("g05_tvbo_unbalanced.csv")),
    ]
}

#[test]
fn variances_and_criterion_are_those_of_the_panel() {
    for (case, table) in both_panels() {
        for attribute in ATTRIBUTES {
            let expected = &case["expected"][attribute];
            let fit = fit(&spec(&table, attribute), Method::Reml).expect("the panel has a fit");
            let criterion = number(&expected["REML_criterion"]);
            close(fit.minus2_log_likelihood, criterion, 1e-11, attribute);
            // To the 1e-6 of the case, of the sum of the variances.
            let sum: f64 = ["Assessor", "Assessor:Product", "Residual"]
                .map(|name| number(&expected["varcomp"][name]))
                .iter()
                .sum();
            for component in &fit.components {
                let variance = number(&expected["varcomp"][&component.name]);
                assert!(
                    (component.variance - variance).abs() <= 1e-9 * sum,
                    "{attribute} {component:?}"
                );
                assert_eq!(component.at_boundary, variance == 0.0, "{attribute} {component:?}");
            }
            close(fit.sigma2, number(&expected["varcomp"]["Residual"]), 1e-9, attribute);
            assert!(fit.converged && fit.steepest < 1e-6, "{attribute} {}", fit.steepest);
        }
    }
}

#[test]
fn products_are_tested_as_published() {
    for (i, (case, table)) in both_panels().into_iter().enumerate() {
        for attribute in ATTRIBUTES {
            let expected = &case["expected"][attribute]["anova_product"];
            let test = fit(&spec(&table, attribute), Method::Reml)
                .expect("the panel has a fit")
                .test_term("Product");
            close(test.f, number(&expected["F"]), 1e-7, attribute);
            assert_eq!(test.num_df, 11.0);
            let df = number(&expected["DenDF"]);
            // Exact in the balanced table; in the other the choice of contrasts shows, 0.05 or so.
            let tolerance = if i == 0 { 1e-5 * df } else { 0.1 };
            assert!((test.den_df - df).abs() <= tolerance, "{attribute}: {} not {df}", test.den_df);
            close(
                test.p_value,
                number(&expected["p"]),
                if i == 0 { 1e-6 } else { 0.02 },
                attribute,
            );
        }
    }
}

#[test]
fn adjusted_means_are_those_of_the_panel() {
    for (case, table) in both_panels() {
        for attribute in ATTRIBUTES {
            let expected = &case["expected"][attribute]["emmeans"];
            let fit = fit(&spec(&table, attribute), Method::Reml).expect("the panel has a fit");
            let means = fit.adjusted_means(0.95);
            let (_, _, products) = layout(&table);
            assert_eq!(words(&expected["product"]), products);
            for (i, mean) in means.iter().enumerate() {
                let what = format!("{attribute} {}", products[i]);
                close(mean.estimate, number(&expected["mean"][i]), 1e-9, &what);
                close(mean.se, number(&expected["se"][i]), 1e-7, &what);
                close(mean.df, number(&expected["df"][i]), 1e-5, &what);
                close(mean.lower, number(&expected["lower"][i]), 1e-7, &what);
                close(mean.upper, number(&expected["upper"][i]), 1e-7, &what);
            }
        }
    }
}

#[test]
fn all_pairs_are_those_of_the_panel_with_tukey_p() {
    let range = StudentizedRange::new(12);
    for (case, table) in both_panels() {
        for attribute in ATTRIBUTES {
            let expected = &case["expected"][attribute]["pairs"];
            let fit = fit(&spec(&table, attribute), Method::Reml).expect("the panel has a fit");
            let (_, _, products) = layout(&table);
            let (a, b) = (words(&expected["a"]), words(&expected["b"]));
            let pairs = fit.pairs(0.95);
            assert_eq!(pairs.len(), 66);
            for (i, pair) in pairs.iter().enumerate() {
                assert_eq!((&products[pair.a], &products[pair.b]), (&a[i], &b[i]));
                let what = format!("{attribute} {} - {}", a[i], b[i]);
                let d = &pair.difference;
                let close_to = |got, name: &str, tolerance: f64| {
                    let value = number(&expected[name][i]);
                    assert!(
                        (got - value) <= tolerance && value - got <= tolerance,
                        "{what} {name}: {got} not {value}"
                    );
                };
                close_to(d.estimate, "diff", 1e-8);
                close(d.se, number(&expected["se"][i]), 1e-7, &what);
                close(d.df, number(&expected["df"][i]), 1e-5, &what);
                close_to(d.t, "t", 1e-6);
                close_to(d.p_value, "p_unadjusted", 1e-7);
                let tukey = range.sf(d.t.abs() * 2f64.sqrt(), d.df);
                close_to(tukey, "p_tukey", 1e-6);
                let half = range.quantile_upper(0.05, d.df) / 2f64.sqrt() * d.se;
                close_to(d.estimate - half, "tukey_lower", 1e-5);
                close_to(d.estimate + half, "tukey_upper", 1e-5);
            }
        }
    }
}

#[test]
fn modes_are_those_of_the_panel() {
    for (case, table) in both_panels() {
        let (assessor, assessors) = Factor::from_labels(&table.text("Assessor"));
        let (product, products) = Factor::from_labels(&table.text("Product"));
        let both = Factor::cross(&assessor, &product);
        for attribute in ATTRIBUTES {
            let expected = &case["expected"][attribute]["blup"];
            let fit = fit(&spec(&table, attribute), Method::Reml).expect("the panel has a fit");
            let modes = fit.conditional_modes("Assessor");
            assert_eq!(modes.len(), 8);
            for (level, value) in words(&expected["Assessor"]["level"])
                .iter()
                .zip(numbers(&expected["Assessor"]["blup"]))
            {
                let at =
                    assessors.iter().position(|a| a == level).expect("an assessor of the panel");
                assert!((modes[at].value - value).abs() < 1e-7, "{attribute} {level}");
            }
            let modes = fit.conditional_modes("Assessor:Product");
            assert_eq!(modes.len(), both.n_levels);
            let Some(cells) = expected.get("Assessor:Product") else {
                // The variance is zero, and so are all its effects.
                assert!(modes.iter().all(|m| m.value == 0.0 && m.se == 0.0));
                continue;
            };
            let mut n = 0;
            for (level, value) in words(&cells["level"]).iter().zip(numbers(&cells["blup"])) {
                let (a, p) = level.split_once('|').expect("assessor and product");
                let row = (0..both.codes.len())
                    .find(|&r| {
                        assessors[assessor.codes[r] as usize] == a
                            && products[product.codes[r] as usize] == p
                    })
                    .expect("the cell has a row");
                assert!(
                    (modes[both.codes[row] as usize].value - value).abs() < 1e-7,
                    "{attribute} {level}"
                );
                n += 1;
            }
            assert_eq!(n, both.n_levels);
        }
    }
}

/// In a balanced table with no variance at zero REML gives the variances of the classical analysis
/// of variance, and lots are tested on the interaction (Searle, Casella and McCulloch 1992, 4.7).
#[test]
fn balanced_variances_are_those_of_mean_squares() {
    let (case, table) = both_panels().remove(0);
    let mut n = 0;
    for attribute in &ATTRIBUTES[..3] {
        let ms = numbers(&case["expected"][*attribute]["classical_anova"]["ms"]);
        let fit = fit(&spec(&table, attribute), Method::Reml).expect("the panel has a fit");
        // Mean squares of assessor, product, interaction, residual; 12 products, 2 replicates.
        close(fit.sigma2, ms[3], 1e-10, attribute);
        close(fit.components[1].variance, (ms[2] - ms[3]) / 2.0, 1e-9, attribute);
        close(fit.components[0].variance, (ms[0] - ms[2]) / 24.0, 1e-9, attribute);
        close(fit.test_term("Product").f, ms[1] / ms[2], 1e-9, attribute);
        n += 1;
    }
    assert_eq!(n, 3);
}

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

/// The reaction times of Belenky et al. (2003) by lme4: random intercepts, and with uncorrelated
/// random slopes.
#[test]
fn the_sleep_study_is_met() {
    let case = case("g13_ageing");
    let table = table("g13_sleepstudy.csv");
    let (subject, subjects) = Factor::from_labels(&table.text("Subject"));
    let (y, days) = (table.numbers("Reaction"), table.numbers("Days"));
    let fixed = FixedPart::intercept(y.len()).with_column("Days", days.clone());
    let intercept = RandomTerm::new("Subject", subject.clone());
    let slope = RandomTerm::slope("Subject Days", subject, days);
    for (name, random) in [
        ("sleep_random_intercept_REML", vec![intercept.clone()]),
        ("sleep_uncorrelated_REML", vec![intercept, slope]),
    ] {
        let expected = &case["expected"][name];
        let spec = ModelSpec { y: y.clone(), fixed: fixed.clone(), random };
        let fit = fit(&spec, Method::Reml).expect("a fit");
        // lme4's own optimiser leaves about 1e-6 in the variances and 1e-3 in its degrees of
        // freedom (numerical derivatives).
        close(fit.minus2_log_likelihood, number(&expected["criterion"]), 1e-9, name);
        let variances = numbers(&expected["vcov_terms"]["vcov"]);
        assert_eq!(variances.len(), fit.components.len() + 1);
        for (component, variance) in fit.components.iter().zip(&variances) {
            close(component.variance, *variance, 1e-5, &component.name);
        }
        close(fit.sigma2, variances[variances.len() - 1], 1e-5, name);
        for (j, l) in [[1.0, 0.0], [0.0, 1.0]].iter().enumerate() {
            let c = fit.contrast(l, 0.95);
            close(c.estimate, number(&expected["fixed"]["estimate"][j]), 1e-7, name);
            close(c.se, number(&expected["fixed"]["se"][j]), 1e-5, name);
            close(c.df, number(&expected["fixed"]["df"][j]), 1e-3, name);
        }
        assert_eq!(fit.conditional_modes("Subject").len(), subjects.len());
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
