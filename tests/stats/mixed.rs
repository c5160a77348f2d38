//! Mixed models against a published panel (cases g04 and g05: lme4, lmerTest and emmeans, with a
//! second route by exact derivatives), a published longitudinal study (g13), and closed forms.

use crate::cases::{Table, case, close, number, numbers, table, words};
use blindsteep_stats::mixed::{
    Factor, FixedPart, Method, MixedError, Model, ModelSpec, RandomTerm, fit,
};
use blindsteep_stats::range::StudentizedRange;
use serde_json::Value;

pub const ATTRIBUTES: [&str; 4] =
    ["Sharpness", "Coloursaturation", "Noise", "Flickeringstationary"];

/// The panel's layout: product fixed as cell means, assessor and assessor by product random.
pub fn layout(table: &Table) -> (FixedPart, Vec<RandomTerm>, Vec<String>) {
    let (product, products) = Factor::from_labels(&table.text("Product"));
    let (assessor, _) = Factor::from_labels(&table.text("Assessor"));
    let both = Factor::cross(&assessor, &product);
    let fixed = FixedPart::cell_means("Product", &product, &products);
    let random =
        vec![RandomTerm::new("Assessor", assessor), RandomTerm::new("Assessor:Product", both)];
    (fixed, random, products)
}

pub fn spec(table: &Table, attribute: &str) -> ModelSpec {
    let (fixed, random, _) = layout(table);
    ModelSpec { y: table.numbers(attribute), fixed, random }
}

pub fn both_panels() -> Vec<(Value, Table)> {
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

/// At the ratios of another fit of the same scores everything is as in that fit; there, without a
/// search, each evaluation is one.
#[test]
fn a_fit_at_the_ratios_of_another_is_that_fit() {
    let table = table("g13_sleepstudy.csv");
    let (subject, _) = Factor::from_labels(&table.text("Subject"));
    let (y, days) = (table.numbers("Reaction"), table.numbers("Days"));
    let fixed = FixedPart::intercept(y.len()).with_column("Days", days.clone());
    let random = [
        RandomTerm::new("Subject", subject.clone()),
        RandomTerm::slope("Subject Days", subject, days),
    ];
    let model = Model::new(&fixed, &random).expect("a layout");
    let searched = model.fit(&y, Method::Reml).expect("a fit");
    let ratios: Vec<f64> =
        searched.components.iter().map(|c| c.variance / searched.sigma2).collect();
    let given = model.fit_at(&y, &ratios, Method::Reml).expect("a fit");
    assert_eq!(given.evaluations, 1);
    close(given.minus2_log_likelihood, searched.minus2_log_likelihood, 1e-12, "deviance");
    let (a, b) = (searched.contrast(&[0.0, 1.0], 0.95), given.contrast(&[0.0, 1.0], 0.95));
    for (a, b) in [(a.estimate, b.estimate), (a.se, b.se), (a.df, b.df), (a.lower, b.lower)] {
        close(b, a, 1e-9, "slope");
    }
    // At other ratios it lies higher: the search was at the lowest place.
    let other = model.fit_at(&y, &[ratios[0] * 2.0, ratios[1]], Method::Reml).expect("a fit");
    assert!(other.minus2_log_likelihood > searched.minus2_log_likelihood + 0.1);
    assert!(matches!(model.fit_at(&y, &[1.0], Method::Reml), Err(MixedError::Rows { .. })));
    let bad = model.fit_at(&y, &[1.0, -0.1], Method::Reml);
    assert!(matches!(bad, Err(MixedError::NotFinite { row: 2, .. })));
}
