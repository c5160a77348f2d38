//! Correlated effects and the sparse route: against lme4, lmerTest and pbkrtest (cases g13, g05 and
//! m01), against the other route, and against the definition.

use crate::cases::{case, close, number, numbers, table, words};
use crate::mixed::{ATTRIBUTES, both_panels, layout, spec};
use blindsteep_stats::mixed::{
    Factor, Fit, FixedPart, Method, MixedError, Model, RandomTerm, Route,
};
use blindsteep_stats::normality::shapiro_wilk;
use blindsteep_stats::rng::stream;
use serde_json::Value;

/// Rows of the sleep study with a subject's effects in days, and in a bend of them, correlated.
fn sleep(keep: impl Fn(usize, u32) -> bool, bend: bool) -> (Model, Vec<f64>) {
    let table = table("g13_sleepstudy.csv");
    let (subject, _) = Factor::from_labels(&table.text("Subject"));
    let kept: Vec<usize> =
        (0..subject.codes.len()).filter(|&r| keep(r + 1, subject.codes[r] + 1)).collect();
    let pick = |name: &str| -> Vec<f64> {
        let all = table.numbers(name);
        kept.iter().map(|&r| all[r]).collect()
    };
    let (y, days) = (pick("Reaction"), pick("Days"));
    let codes: Vec<u32> = kept.iter().map(|&r| subject.codes[r]).collect();
    let subject = Factor::from_labels(&codes).0;
    let mut fixed = FixedPart::intercept(y.len()).with_column("Days", days.clone());
    let mut slopes = vec![("Days".to_string(), days.clone())];
    if bend {
        let bend: Vec<f64> = days.iter().map(|d| (d - 4.0).max(0.0)).collect();
        fixed = fixed.with_column("Bend", bend.clone());
        slopes.push(("Bend".into(), bend));
    }
    let random = [RandomTerm::correlated("Subject", subject, slopes)];
    (Model::new(&fixed, &random).expect("a sound layout"), y)
}

fn expect_fit(fit: &Fit, expected: &Value, names: &[&str], what: &str) {
    // lme4's own optimiser leaves about 1e-6 in the variances.
    close(fit.minus2_log_likelihood, number(&expected["criterion"]), 1e-10, what);
    let (a, b) = (words(&expected["a"]), words(&expected["b"]));
    let value = numbers(&expected["vcov"]);
    let sum: f64 = value.iter().zip(&b).filter(|(_, b)| b.is_empty()).map(|(v, _)| v).sum();
    let place = |name: &str| names.iter().position(|n| *n == name).expect("a known effect");
    let pair = |i: usize, j: usize| {
        let (i, j) = (i.min(j), i.max(j));
        let at = (0..i).map(|i| names.len() - 1 - i).sum::<usize>() + j - i - 1;
        fit.correlations[at].covariance
    };
    for i in 0..value.len() {
        let got = match (a[i].as_str(), b[i].as_str()) {
            ("", _) => fit.sigma2,
            (a, "") => fit.components[place(a)].variance,
            (a, b) => pair(place(a), place(b)),
        };
        assert!(
            (got - value[i]).abs() < 3e-6 * sum,
            "{what} {} {}: {got} {}",
            a[i],
            b[i],
            value[i]
        );
    }
    for (j, (beta, se)) in
        numbers(&expected["beta"]).iter().zip(numbers(&expected["se"])).enumerate()
    {
        close(fit.beta[j], *beta, 1e-6, what);
        close(fit.vcov_beta[(j, j)].sqrt(), se, 1e-5, what);
    }
}

#[test]
fn correlated_effects_of_the_sleep_study_are_met() {
    let g13 = case("g13_ageing");
    let (model, y) = sleep(|_, _| true, false);
    for (name, method) in
        [("sleep_random_slope_REML", Method::Reml), ("sleep_random_slope_ML", Method::Ml)]
    {
        let expected = &g13["expected"][name];
        let fit = model.fit(&y, method).expect("a fit");
        close(fit.minus2_log_likelihood, number(&expected["criterion"]), 1e-11, name);
        let vcov = numbers(&expected["vcov_terms"]["vcov"]);
        close(fit.components[0].variance, vcov[0], 1e-5, name);
        close(fit.components[1].variance, vcov[1], 1e-5, name);
        close(fit.correlations[0].covariance, vcov[2], 1e-4, name);
        close(fit.sigma2, vcov[3], 1e-6, name);
        for (j, l) in [[1.0, 0.0], [0.0, 1.0]].iter().enumerate() {
            let c = fit.contrast(l, 0.95);
            close(c.estimate, number(&expected["fixed"]["estimate"][j]), 1e-8, name);
            close(c.se, number(&expected["fixed"]["se"][j]), 1e-6, name);
            // By REML 17 and by ML 18 exactly: a balanced table with one stratum of subjects.
            let df = number(&expected["fixed"]["df"][j]);
            assert!(
                (c.df - df.round()).abs() < 1e-5 && (c.df - df).abs() < 1e-4,
                "{name} {}",
                c.df
            );
        }
        for (effect, component) in [("(Intercept)", "Subject"), ("Days", "Subject × Days")] {
            let modes = fit.conditional_modes(component);
            for (m, expected) in modes.iter().zip(numbers(&expected["blup"][effect])) {
                assert!((m.value - expected).abs() < 1e-4, "{name} {effect}");
            }
        }
    }
}

#[test]
fn other_blocks_are_those_of_lme4() {
    let m01 = case("m01_lme4");
    let two = ["(Intercept)", "Days"];
    let lost = |r: usize, _: u32| !(r % 5 == 2 || r > 175);
    let (model, y) = sleep(lost, false);
    let fit = model.fit(&y, Method::Reml).expect("a fit");
    expect_fit(&fit, &m01["expected"]["sleep_unbalanced"], &two, "unbalanced");
    let (model, y) = sleep(|_, _| true, true);
    let fit = model.fit(&y, Method::Reml).expect("a fit");
    let three = ["(Intercept)", "Days", "Bend"];
    expect_fit(&fit, &m01["expected"]["sleep_three"], &three, "three");
    // At the edge: a correlation of one, and intercepts that do not vary.
    let (model, y) = sleep(|_, s| [3, 6, 7, 10, 18].contains(&s), false);
    let fit = model.fit(&y, Method::Reml).expect("a fit");
    expect_fit(&fit, &m01["expected"]["sleep_one"], &two, "correlation of one");
    let r = &fit.correlations[0];
    assert!(r.at_boundary && r.correlation.is_some_and(|r| (r - 1.0).abs() < 1e-6), "{r:?}");
    assert!(fit.contrast(&[0.0, 1.0], 0.95).df > 2.0);
    let (model, y) = sleep(|_, s| [6, 7, 9, 12, 15].contains(&s), false);
    let fit = model.fit(&y, Method::Reml).expect("a fit");
    expect_fit(&fit, &m01["expected"]["sleep_minus_one"], &two, "correlation of minus one");
    assert!(fit.correlations[0].correlation.is_some_and(|r| (r + 1.0).abs() < 1e-6));
}

fn nested(
    name: &str,
    columns: [&str; 2],
    y: &str,
    cross: bool,
) -> (FixedPart, Vec<RandomTerm>, Vec<f64>) {
    let table = table(name);
    let y = table.numbers(y);
    let (a, _) = Factor::from_labels(&table.text(columns[0]));
    let (b, _) = Factor::from_labels(&table.text(columns[1]));
    let b = if cross { Factor::cross(&a, &b) } else { b };
    let random = vec![RandomTerm::new(columns[0], a), RandomTerm::new(columns[1], b)];
    (FixedPart::intercept(y.len()), random, y)
}

/// Casks in batches, and plates crossed with samples, by both routes, with the errors of the modes
/// given the fixed effects as lme4 has them.
#[test]
fn nested_and_crossed_layouts_are_those_of_lme4() {
    let m01 = case("m01_lme4");
    for (name, file, columns, y, cross, method, groups) in [
        (
            "pastes",
            "m01_pastes.csv",
            ["batch", "cask"],
            "strength",
            true,
            Method::Reml,
            ["batch", "batch:cask"],
        ),
        (
            "penicillin",
            "m01_penicillin.csv",
            ["plate", "sample"],
            "diameter",
            false,
            Method::Reml,
            ["plate", "sample"],
        ),
        (
            "penicillin_ml",
            "m01_penicillin.csv",
            ["plate", "sample"],
            "diameter",
            false,
            Method::Ml,
            ["plate", "sample"],
        ),
    ] {
        let expected = &m01["expected"][name];
        let (fixed, random, y) = nested(file, columns, y, cross);
        for route in [Route::Absorbed, Route::Sparse] {
            let model = Model::by_route(&fixed, &random, route).expect("a layout");
            assert_eq!(model.route(), route);
            let fit = model.fit(&y, method).expect("a fit");
            close(fit.minus2_log_likelihood, number(&expected["criterion"]), 1e-10, name);
            let (group, vcov) = (words(&expected["group"]), numbers(&expected["vcov"]));
            for (g, v) in group.iter().zip(&vcov) {
                let at = groups.iter().position(|x| x == g);
                let got = at.map_or(fit.sigma2, |at| fit.components[at].variance);
                close(got, *v, 3e-5, &format!("{name} {g}"));
            }
            close(fit.beta[0], number(&expected["beta"][0]), 1e-9, name);
            close(fit.vcov_beta[(0, 0)].sqrt(), number(&expected["se"][0]), 1e-5, name);
            for (at, group) in groups.iter().enumerate() {
                let mut modes: Vec<f64> =
                    fit.conditional_modes(columns[at]).iter().map(|m| m.value).collect();
                let mut wanted = numbers(&expected[&format!("modes {group}")]);
                modes.sort_by(f64::total_cmp);
                wanted.sort_by(f64::total_cmp);
                for (m, w) in modes.iter().zip(&wanted) {
                    assert!((m - w).abs() < 1e-4, "{name} {group} {m} {w}");
                }
            }
        }
    }
}

/// The two routes share no equations beyond the columns; everything they say is the same.
#[test]
fn both_routes_say_the_same() {
    for (_, table) in both_panels() {
        for attribute in ATTRIBUTES {
            let mut spec = spec(&table, attribute);
            let (repeat, levels) = Factor::from_labels(&table.text("Repeat"));
            spec.fixed = spec.fixed.with_factor("Repeat", &repeat, &levels);
            let (set, _) = Factor::from_labels(&table.text("TVset"));
            spec.random.push(RandomTerm::new(
                "Assessor:TVset",
                Factor::cross(&spec.random[0].factor, &set),
            ));
            let [one, other] = [Route::Absorbed, Route::Sparse]
                .map(|r| Model::by_route(&spec.fixed, &spec.random, r).expect("a layout"));
            for method in [Method::Reml, Method::Ml] {
                let [a, b] = [&one, &other].map(|m| m.fit(&spec.y, method).expect("a fit"));
                same(&a, &b, &format!("{attribute} {method:?}"));
            }
            for theta in [[0.0, 0.4, 0.2], [1.0, 0.0, 3.0]] {
                let [a, b] = [&one, &other]
                    .map(|m| m.deviance(&spec.y, &theta, Method::Reml).expect("sound"));
                close(a, b, 1e-11, attribute);
            }
            let [a, b] = [&one, &other].map(|m| m.fit(&spec.y, Method::Reml).expect("a fit"));
            let tests = [(&one, &a), (&other, &b)]
                .map(|(m, f)| m.variance_tests(&spec.y, f).expect("tests"));
            for (x, y) in tests[0].iter().zip(&tests[1]) {
                assert!((x.statistic - y.statistic).abs() < 1e-6, "{attribute} {x:?} {y:?}");
            }
            let [x, y] = [(&one, &a), (&other, &b)]
                .map(|(m, f)| m.one_step_bootstrap(f, 20, 4).expect("tables"));
            for (x, y) in x.iter().zip(&y) {
                for (x, y) in x.terms.iter().zip(&y.terms) {
                    assert!((x - y).abs() < 1e-5, "{attribute} {x} {y}");
                }
            }
        }
    }
}

/// A record of some size, where curvatures are no longer made of the whole inverse.
#[test]
fn both_routes_say_the_same_of_a_record() {
    let mut draws = stream(5, 0);
    let mut rows: Vec<[u32; 3]> = Vec::new();
    for session in 0..12 {
        for cup in 0..6 {
            let lot = (session * 6 + cup) * 5 % 31;
            rows.extend((0..7).filter(|t| (t + session) % 8 != 0).map(|t| [lot, t, session]));
        }
    }
    let factor = |i: usize| Factor::new(rows.iter().map(|r| r[i]).collect());
    let (lot, who, session) = (factor(0), factor(1), factor(2));
    let random = [
        RandomTerm::new("lot", lot.clone()),
        RandomTerm::new("taster", who.clone()),
        RandomTerm::new("lot by taster", Factor::cross(&lot, &who)),
        RandomTerm::new("session", session),
    ];
    let mut y: Vec<f64> = (0..rows.len()).map(|_| draws.normal()).collect();
    for (term, sd) in random.iter().zip([0.8, 0.5, 0.6, 0.4]) {
        let effects: Vec<f64> = (0..term.factor.n_levels).map(|_| sd * draws.normal()).collect();
        y.iter_mut().zip(&term.factor.codes).for_each(|(y, &c)| *y += effects[c as usize]);
    }
    let fixed = FixedPart::intercept(rows.len());
    for method in [Method::Reml, Method::Ml] {
        let [a, b] = [Route::Absorbed, Route::Sparse].map(|r| {
            let model = Model::by_route(&fixed, &random, r).expect("a layout");
            model.fit(&y, method).expect("a fit")
        });
        same(&a, &b, &format!("record {method:?}"));
        let [x, y] = [&a, &b].map(|f| f.contrast(&[1.0], 0.95));
        close(x.df, y.df, 1e-5, "df of the mean");
        close(x.se, y.se, 1e-7, "its error");
    }
}

fn same(a: &Fit, b: &Fit, what: &str) {
    close(a.minus2_log_likelihood, b.minus2_log_likelihood, 1e-11, what);
    close(a.sigma2, b.sigma2, 1e-7, what);
    for (x, y) in a.components.iter().zip(&b.components) {
        assert!((x.variance - y.variance).abs() < 1e-6, "{what} {x:?} {y:?}");
        assert_eq!(x.at_boundary, y.at_boundary, "{what}");
    }
    for (x, y) in a.adjusted_means(0.95).iter().zip(&b.adjusted_means(0.95)) {
        close(x.estimate, y.estimate, 1e-6, what);
        close(x.se, y.se, 1e-6, what);
        close(x.df, y.df, 1e-5, what);
    }
    let (x, y) = (a.test_term("Product"), b.test_term("Product"));
    if x.num_df > 0.0 {
        close(x.f, y.f, 1e-6, what);
        close(x.den_df, y.den_df, 1e-5, what);
    }
    for (i, component) in a.components.iter().enumerate() {
        let (x, y) = (a.conditional_modes(&component.name), b.conditional_modes(&component.name));
        assert_eq!(x.len(), y.len(), "{i}");
        for (x, y) in x.iter().zip(&y) {
            assert!((x.value - y.value).abs() < 1e-6 && (x.se - y.se).abs() < 1e-6, "{what}");
        }
    }
}

/// lmerTest's own tests of each variance; both p-values from the same statistic.
#[test]
fn variance_tests_are_those_of_the_panel() {
    for (case, table) in both_panels() {
        for attribute in ATTRIBUTES {
            let expected = &case["expected"][attribute]["ranova_lrt"];
            let (fixed, random, _) = layout(&table);
            let model = Model::new(&fixed, &random).expect("a layout");
            let y = table.numbers(attribute);
            let fit = model.fit(&y, Method::Reml).expect("a fit");
            let tests = model.variance_tests(&y, &fit).expect("tests");
            assert_eq!(tests.len(), 2);
            for (i, test) in tests.iter().enumerate() {
                let statistic = number(&expected["LRT"][i]);
                assert!((test.statistic - statistic).abs() < 1e-6, "{attribute} {test:?}");
                let p = number(&expected["p"][i]);
                assert!((test.p_chi2 - p).abs() < 1e-6, "{attribute} {test:?}");
                let half = if test.statistic > 1e-9 { 0.5 * p } else { 1.0 };
                assert!((test.p_mixture - half).abs() < 1e-6, "{attribute} {test:?}");
            }
        }
    }
    // The slope of the sleep study, its variance and its covariance: 1786.465 less 1743.628 (g13).
    let g13 = case("g13_ageing");
    let (model, y) = sleep(|_, _| true, false);
    let fit = model.fit(&y, Method::Reml).expect("a fit");
    let tests = model.variance_tests(&y, &fit).expect("tests");
    let wanted = number(&g13["expected"]["sleep_random_intercept_REML"]["criterion"])
        - number(&g13["expected"]["sleep_random_slope_REML"]["criterion"]);
    assert_eq!((tests.len(), tests[0].df), (1, 2.0));
    close(tests[0].statistic, wanted, 1e-7, "slope");
    close(tests[0].p_chi2, (-0.5 * wanted).exp(), 1e-6, "chi-square on two");
}

#[test]
fn kenward_and_roger_are_those_of_pbkrtest() {
    let m01 = case("m01_lme4");
    let check = |model: &Model, y: &[f64], name: &str, turn: &dyn Fn(usize) -> Vec<f64>| {
        let expected = &m01["expected"][name];
        let fit = model.fit(y, Method::Reml).expect("a fit");
        let kr = fit.kenward_roger(model).expect("adjusted");
        let (df, se) = (numbers(&expected["df"]), numbers(&expected["se"]));
        for j in 0..df.len() {
            let c = kr.contrast(&turn(j), 0.95);
            close(c.df, df[j], 2e-5, &format!("{name} {j} df"));
            close(c.se, se[j], 1e-5, &format!("{name} {j} se"));
        }
        if df.len() > 2 {
            let rows: Vec<Vec<f64>> = (1..df.len()).map(turn).collect();
            let test = kr.f_test(&rows);
            close(test.den_df, number(&expected["ddf"][0]), 2e-5, name);
            close(test.f, number(&expected["F"][0]), 2e-5, name);
            close(test.p_value, number(&expected["p"][0]), 1e-3, name);
        }
    };
    let unit = |n: usize| move |j: usize| (0..n).map(|i| f64::from(u8::from(i == j))).collect();
    let lost = |r: usize, _: u32| !(r % 5 == 2 || r > 175);
    let (model, y) = sleep(lost, false);
    check(&model, &y, "kr_sleep_unbalanced", &unit(2));
    let (model, y) = sleep(|_, _| true, false);
    check(&model, &y, "kr_sleep_correlated", &unit(2));
    let (model, y) = sleep(|_, _| true, true);
    check(&model, &y, "kr_sleep_three", &unit(3));
    let (g05, table) = both_panels().remove(1);
    let (fixed, random, _) = layout(&table);
    let model = Model::new(&fixed, &random).expect("a layout");
    for attribute in ATTRIBUTES {
        let y = table.numbers(attribute);
        // R's coding: the first product, and each other less the first.
        let coded = |j: usize| -> Vec<f64> {
            (0..12)
                .map(|i| f64::from(u8::from(i == j)) - f64::from(u8::from(j > 0 && i == 0)))
                .collect()
        };
        check(&model, &y, &format!("kr_tv_{attribute}"), &coded);
        let expected = &g05["expected"][attribute]["kenward_roger_for_information"];
        let fit = model.fit(&y, Method::Reml).expect("a fit");
        let test = fit.kenward_roger(&model).expect("adjusted").test_term("Product");
        close(test.den_df, number(&expected["DenDF"]), 1e-5, attribute);
        close(test.f, number(&expected["F"]), 1e-5, attribute);
    }
    let fit = model.fit(&table.numbers("Noise"), Method::Ml).expect("a fit");
    assert!(matches!(fit.kenward_roger(&model), Err(MixedError::NotOffered { .. })));
}

#[test]
fn normality_is_that_of_r() {
    let m01 = case("m01_lme4");
    for name in ["reaction", "strength", "3", "4", "11", "12", "ties", "skew"] {
        let expected = &m01["expected"][&format!("shapiro_{name}")];
        let got = shapiro_wilk(&numbers(&expected["x"])).expect("a test");
        close(got.w, number(&expected["w"][0]), 1e-8, name);
        close(got.p_value, number(&expected["p"][0]), 1e-5, name);
    }
    assert!(shapiro_wilk(&[1.0, 2.0]).is_none());
    assert!(shapiro_wilk(&[3.0; 9]).is_none());
    assert!(shapiro_wilk(&[1.0, f64::NAN, 2.0]).is_none());
}

/// Residuals from their definition, with matrices as large as the table; and what they must find.
#[test]
fn residuals_are_those_of_the_definition() {
    let (_, table) = both_panels().remove(1);
    let (fixed, random, _) = layout(&table);
    let y = table.numbers("Sharpness");
    let [one, other] =
        [Route::Absorbed, Route::Sparse].map(|r| Model::by_route(&fixed, &random, r).expect("one"));
    let fit = one.fit(&y, Method::Reml).expect("a fit");
    let [a, b] = [&one, &other].map(|m| m.residuals(&y, &fit).expect("residuals"));
    let (assessor, cell) =
        (fit.conditional_modes("Assessor"), fit.conditional_modes("Assessor:Product"));
    let means = fit.adjusted_means(0.95);
    let (product, _) = Factor::from_labels(&table.text("Product"));
    for r in 0..y.len() {
        let fitted = means[product.codes[r] as usize].estimate
            + assessor[random[0].factor.codes[r] as usize].value
            + cell[random[1].factor.codes[r] as usize].value;
        assert!((a.rows[r].fitted - fitted).abs() < 1e-6);
        assert!((a.rows[r].residual - (y[r] - fitted)).abs() < 1e-6);
        assert!((a.rows[r].standardised - b.rows[r].standardised).abs() < 1e-6);
    }
    let mut y = y;
    y[17] += 12.0;
    let fit = one.fit(&y, Method::Reml).expect("a fit");
    let check = one.residuals(&y, &fit).expect("residuals");
    let largest = check.largest(1)[0];
    assert_eq!(largest.row, 17);
    assert!(largest.standardised > check.limit, "{largest:?} {}", check.limit);
    assert!(check.normality.is_some_and(|t| t.p_value < 1e-3));
}

/// With planted normal scores the limit of the largest residual is passed in about one table of
/// twenty, and p below .05 is found nearly as seldom.
#[test]
fn residual_checks_keep_their_size_nearly() {
    let (_, table) = both_panels().remove(1);
    let (fixed, random, _) = layout(&table);
    let model = Model::new(&fixed, &random).expect("a layout");
    let n = random[0].factor.codes.len();
    let tables = 400;
    let (mut beyond, mut skewed, mut spread) = (0, 0, 0);
    for i in 0..tables {
        let mut draws = stream(808, i);
        let who: Vec<f64> = (0..8).map(|_| draws.normal()).collect();
        let cell: Vec<f64> = (0..random[1].factor.n_levels).map(|_| 0.8 * draws.normal()).collect();
        let y: Vec<f64> = (0..n)
            .map(|r| {
                who[random[0].factor.codes[r] as usize]
                    + cell[random[1].factor.codes[r] as usize]
                    + draws.normal()
            })
            .collect();
        let fit = model.fit(&y, Method::Reml).expect("a fit");
        let check = model.residuals(&y, &fit).expect("residuals");
        beyond += usize::from(check.largest(1)[0].standardised.abs() > check.limit);
        skewed += usize::from(check.normality.is_some_and(|t| t.p_value < 0.05));
        spread += usize::from(check.spread.is_some_and(|t| t.p_value < 0.05));
    }
    println!("of {tables}: largest {beyond}, normality {skewed}, spread {spread}");
    // 5% of 400 is 20, four standard errors more is 37; the spread is said to ring in 9 of 100.
    assert!(beyond <= 37 && skewed <= 37 && spread <= 48, "{beyond} {skewed} {spread}");
}

#[test]
fn covariances_that_cannot_be_told_apart_are_named() {
    // Two rows a subject: intercept, slope, their covariance and a residual are one too many.
    let subject = Factor::new((0..24).map(|r| r / 2).collect());
    let x: Vec<f64> = (0..24).map(|r| f64::from(r % 2)).collect();
    let fixed = FixedPart::intercept(24).with_column("x", x.clone());
    let random = [RandomTerm::correlated("subject", subject, vec![("x".into(), x)])];
    let error = Model::new(&fixed, &random).expect_err("too many");
    assert!(matches!(error, MixedError::NotIdentified { .. }), "{error}");
}

/// Any scores give a fit or an error by the sparse route too, no lower anywhere near.
#[test]
fn the_sparse_search_ends_at_a_minimum() {
    let days: Vec<f64> = (0..60).map(|r| f64::from(r % 5) - 2.0).collect();
    let subject = Factor::new((0..60).map(|r| r / 5).collect());
    let flight = Factor::new((0..60).map(|r| r * 7 % 9).collect());
    let fixed = FixedPart::intercept(60).with_column("day", days.clone());
    let random = [
        RandomTerm::correlated("subject", subject, vec![("day".into(), days)]),
        RandomTerm::new("flight", flight),
    ];
    let model = Model::new(&fixed, &random).expect("sound");
    let (mut edges, mut inside) = (0, 0);
    for table in 0..150 {
        let mut draws = stream(77, table);
        // From nothing planted at all to strong and correlated effects.
        let size = [0.0, 0.3, 1.5][table as usize % 3];
        let effects: Vec<[f64; 2]> = (0..12)
            .map(|_| {
                let (a, b) = (draws.normal(), draws.normal());
                [size * a, 0.4 * size * (0.9 * a + 0.44 * b)]
            })
            .collect();
        let y: Vec<f64> = (0..60)
            .map(|r| effects[r / 5][0] + effects[r / 5][1] * (r % 5) as f64 + draws.normal())
            .collect();
        let fit = model.fit(&y, Method::Reml).expect("a fit");
        let (v, c) = (&fit.components, fit.correlations[0].covariance);
        let root = (v[0].variance / fit.sigma2).sqrt();
        let across = if root > 0.0 { c / fit.sigma2 / root } else { 0.0 };
        let rest = (v[1].variance / fit.sigma2 - across * across).max(0.0).sqrt();
        let theta = [root, across, rest, (v[2].variance / fit.sigma2).sqrt()];
        let here = model.deviance(&y, &theta, Method::Reml).expect("sound");
        assert!((here - fit.minus2_log_likelihood).abs() < 1e-6, "{here} {fit:?}");
        for i in 0..4 {
            for step in [-0.4, -0.02, 0.02, 0.4] {
                let mut other = theta;
                other[i] += step;
                let there = model.deviance(&y, &other, Method::Reml).expect("sound");
                assert!(there >= here - 1e-7, "table {table}, {i} {step}: {here} {there}");
            }
        }
        if fit.correlations[0].at_boundary { edges += 1 } else { inside += 1 }
    }
    assert!(edges > 20 && inside > 40, "{edges} {inside}");
}

/// Prints how often tests at 5% cry wolf in small unbalanced tables with lots that are alike, by
/// Satterthwaite's method and by Kenward and Roger's; what was measured stands in the docs of
/// `Fit::kenward_roger`.
#[test]
#[ignore = "slow; run it when the tests change"]
fn sizes_of_both_methods_in_small_tables() {
    for (lots, tasters, lost, cell_sd) in
        [(4, 3, 5, 0.7), (4, 3, 5, 0.0), (6, 4, 5, 0.7), (8, 6, 4, 0.7), (8, 6, 4, 0.0)]
    {
        let rows: Vec<[u32; 2]> = (0..lots * tasters * 2)
            .filter(|r| (r * 7 + r / 5) % lost != 1)
            .map(|r| [r % lots, r / lots % tasters])
            .collect();
        let factor = |i: usize| Factor::new(rows.iter().map(|r| r[i]).collect());
        let (lot, who) = (factor(0), factor(1));
        let cell = Factor::cross(&lot, &who);
        let fixed = FixedPart::cell_means("lot", &lot, &[]);
        let random =
            [RandomTerm::new("taster", who.clone()), RandomTerm::new("cell", cell.clone())];
        let model = Model::new(&fixed, &random).expect("a layout");
        let (mut counts, mut n) = ([0.0; 4], 0.0);
        let mut pair = vec![0.0; lots as usize];
        (pair[0], pair[1]) = (1.0, -1.0);
        for table in 0..4000 {
            let mut draws = stream(909, table);
            let a: Vec<f64> = (0..tasters).map(|_| draws.normal()).collect();
            let b: Vec<f64> = (0..cell.n_levels).map(|_| cell_sd * draws.normal()).collect();
            let y: Vec<f64> = (0..rows.len())
                .map(|r| a[who.codes[r] as usize] + b[cell.codes[r] as usize] + draws.normal())
                .collect();
            let Ok(fit) = model.fit(&y, Method::Reml) else { continue };
            let kr = fit.kenward_roger(&model).expect("adjusted");
            n += 1.0;
            for (count, p) in counts.iter_mut().zip([
                fit.test_term("lot").p_value,
                kr.test_term("lot").p_value,
                fit.contrast(&pair, 0.95).p_value,
                kr.contrast(&pair, 0.95).p_value,
            ]) {
                *count += f64::from(u8::from(p < 0.05));
            }
        }
        let [f, f_kr, t, t_kr] = counts.map(|c| 100.0 * c / n);
        println!(
            "{lots} lots x {tasters} tasters, {} scores, cell sd {cell_sd}: F {f:.1}% by Satterthwaite, \
             {f_kr:.1}% by Kenward-Roger; a pair {t:.1}%, {t_kr:.1}%",
            rows.len()
        );
        assert!(f_kr < 8.0 && t_kr < 8.0);
    }
}
