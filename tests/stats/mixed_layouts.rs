//! Mixed models in layouts of their own: closed forms, and what a layout cannot tell.

use crate::cases::{close, table};
use blindsteep_stats::mixed::{
    Factor, FixedPart, Method, MixedError, Model, ModelSpec, RandomTerm, fit,
};

fn factor(codes: &[u32]) -> Factor {
    Factor::new(codes.to_vec())
}

/// The sleep of ten patients under two drugs (Student 1908, Biometrika 6:1-25): t = -4.0621 on 9
/// degrees of freedom, p = 0.002833 for the difference within patients (R, help page of `sleep`;
/// quoted from memory). With one score a cell the mixed model is that paired test.
#[test]
fn two_lots_and_one_score_a_taster_are_a_paired_t_test() {
    let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    let drug = Factor::new((0..20).map(|r| r / 10).collect());
    let patient = Factor::new((0..20).map(|r| r % 10).collect());
    let spec = ModelSpec {
        y: first.iter().chain(&second).copied().collect(),
        fixed: FixedPart::cell_means("drug", &drug, &[]),
        random: vec![RandomTerm::new("patient", patient)],
    };
    let fit = fit(&spec, Method::Reml).expect("a fit");
    let pairs = fit.pairs(0.95);
    assert_eq!(pairs.len(), 1);
    let d = &pairs[0].difference;
    close(d.estimate, -1.58, 1e-12, "mean difference");
    close(d.df, 9.0, 1e-8, "df");
    assert!((d.t - -4.0621).abs() < 5e-5, "{}", d.t);
    assert!((d.p_value - 0.002833).abs() < 5e-7, "{}", d.p_value);
}

/// By hand: means 2, 3 and 6, mean square within 1, between 13.
#[test]
fn without_random_terms_it_is_least_squares() {
    let lot = factor(&[0, 0, 0, 1, 1, 1, 2, 2, 2]);
    let spec = ModelSpec {
        y: vec![1.0, 2.0, 3.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0],
        fixed: FixedPart::cell_means("lot", &lot, &["a".into(), "b".into(), "c".into()]),
        random: vec![],
    };
    let reml = fit(&spec, Method::Reml).expect("a fit");
    close(reml.sigma2, 1.0, 1e-12, "residual variance");
    let test = reml.test_term("lot");
    close(test.f, 13.0, 1e-12, "F");
    close(test.den_df, 6.0, 1e-12, "df");
    assert_eq!(reml.beta_names, ["lot a", "lot b", "lot c"]);
    close(reml.adjusted_means(0.95)[2].estimate, 6.0, 1e-12, "mean");
    let ml = fit(&spec, Method::Ml).expect("a fit");
    close(ml.sigma2, 6.0 / 9.0, 1e-12, "residual variance");
    close(
        ml.minus2_log_likelihood,
        9.0 * (1.0 + (2.0 * std::f64::consts::PI * 6.0 / 9.0).ln()),
        1e-12,
        "deviance",
    );
}

/// One random factor, balanced: `(MSB - MSE) / n` by REML and `((1 - 1/a) MSB - MSE) / n` by ML
/// (Searle, Casella and McCulloch 1992, sections 3.7 and 3.8), and the error of a prediction
/// `sigma_a^2 (1 - L (1 - 1/a))` with `L` the shrinkage.
#[test]
fn one_balanced_random_factor_has_its_closed_form() {
    let table = table("g13_sleepstudy.csv");
    let (subject, subjects) = Factor::from_labels(&table.text("Subject"));
    let y = table.numbers("Reaction");
    let (a, n) = (subjects.len() as f64, y.len() as f64 / subjects.len() as f64);
    let grand = y.iter().sum::<f64>() / y.len() as f64;
    let mut means = vec![0.0; subjects.len()];
    for (&code, v) in subject.codes.iter().zip(&y) {
        means[code as usize] += v / n;
    }
    let msb = n * means.iter().map(|m| (m - grand).powi(2)).sum::<f64>() / (a - 1.0);
    let mse =
        subject.codes.iter().zip(&y).map(|(&c, v)| (v - means[c as usize]).powi(2)).sum::<f64>()
            / (a * (n - 1.0));
    let spec = ModelSpec {
        y,
        fixed: FixedPart::intercept(table.numbers("Reaction").len()),
        random: vec![RandomTerm::new("subject", subject)],
    };
    let reml = fit(&spec, Method::Reml).expect("a fit");
    let variance = (msb - mse) / n;
    close(reml.sigma2, mse, 1e-10, "REML residual");
    close(reml.components[0].variance, variance, 1e-9, "REML");
    let ml = fit(&spec, Method::Ml).expect("a fit");
    close(ml.sigma2, mse, 1e-10, "ML residual");
    close(ml.components[0].variance, ((1.0 - 1.0 / a) * msb - mse) / n, 1e-9, "ML");
    let shrink = n * variance / (n * variance + mse);
    for (mode, mean) in reml.conditional_modes("subject").iter().zip(&means) {
        close(mode.value, shrink * (mean - grand), 1e-8, "prediction");
        close(mode.se, (variance * (1.0 - shrink * (1.0 - 1.0 / a))).sqrt(), 1e-8, "its error");
    }
    // The mean rests on the subjects alone: a - 1 degrees of freedom.
    let mean = reml.contrast(&[1.0], 0.95);
    close(mean.df, a - 1.0, 1e-7, "df");
    close(mean.se, (msb / (a * n)).sqrt(), 1e-9, "se");
}

/// Two flights that share no lot: differences within a flight stand, others cannot be known.
#[test]
fn what_the_layout_cannot_tell_is_not_estimable() {
    let lot = factor(&[0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3]);
    let flight = factor(&[0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1]);
    let taster = factor(&[0, 1, 2, 0, 1, 2, 0, 1, 2, 0, 1, 2]);
    let y = vec![3.0, 5.0, 4.5, 6.0, 7.0, 8.5, 2.0, 5.0, 4.0, 1.0, 2.5, 2.0];
    let random = vec![RandomTerm::new("taster", taster)];
    let plain = FixedPart::cell_means("lot", &lot, &[]);
    let with = plain.clone().with_factor("flight", &flight, &["morning".into(), "noon".into()]);
    let a = fit(&ModelSpec { y: y.clone(), fixed: plain, random: random.clone() }, Method::Reml)
        .expect("a fit");
    let b = fit(&ModelSpec { y, fixed: with, random }, Method::Reml).expect("a fit");
    assert!(a.aliased.is_empty());
    assert_eq!(b.aliased, ["flight morning"]);
    for (x, y) in a.pairs(0.95).iter().zip(b.pairs(0.95)) {
        let same_flight = x.a / 2 == x.b / 2;
        assert_eq!(y.difference.estimable, same_flight, "{} {}", x.a, x.b);
        if same_flight {
            close(y.difference.estimate, x.difference.estimate, 1e-10, "difference");
            close(y.difference.se, x.difference.se, 1e-8, "se");
        } else {
            assert!(y.difference.estimate.is_nan() && y.difference.p_value.is_nan());
        }
    }
    assert!(b.adjusted_means(0.95).iter().all(|m| !m.estimable));
    assert!(b.test_term("flight").f.is_nan());
    assert!(b.test_term("no such term").f.is_nan());
}

/// A lot without scores has no mean; the others keep theirs.
#[test]
fn a_lot_without_scores_has_no_mean() {
    let lot = Factor { codes: vec![0, 0, 2, 2, 0, 2], n_levels: 3 };
    let spec = ModelSpec {
        y: vec![1.0, 2.0, 4.0, 6.0, 3.0, 5.0],
        fixed: FixedPart::cell_means("lot", &lot, &[]),
        random: vec![],
    };
    let fit = fit(&spec, Method::Reml).expect("a fit");
    let means = fit.adjusted_means(0.95);
    assert!(!means[1].estimable);
    close(means[0].estimate, 2.0, 1e-12, "mean");
    close(means[2].estimate, 5.0, 1e-12, "mean");
    // By hand: means 2 and 5, mean square within 1, so F = 3 * 9 / 2.
    let test = fit.test_term("lot");
    assert_eq!(test.num_df, 1.0);
    close(test.f, 13.5, 1e-12, "F");
}

/// Means adjust to the plain average of the sessions, not to the number of cups in each, and to
/// the mean of a covariate, even one far from zero. By hand: without noise beyond +-0.1.
#[test]
fn means_are_adjusted_to_the_average_session() {
    let lot = factor(&[0, 0, 0, 0, 1, 1, 1, 1]);
    let session = factor(&[0, 0, 0, 1, 0, 1, 1, 1]);
    // Lot 4 or 6, session -1 or +1, and noise that is balanced in every cell of several scores.
    let y = vec![3.1, 2.9, 3.0, 5.0, 5.0, 7.1, 6.9, 7.0];
    let fixed = FixedPart::cell_means("lot", &lot, &[]).with_factor("session", &session, &[]);
    let a = fit(&ModelSpec { y: y.clone(), fixed, random: vec![] }, Method::Reml).expect("a fit");
    let means = a.adjusted_means(0.95);
    close(means[0].estimate, 4.0, 1e-12, "lot 1");
    close(means[1].estimate, 6.0, 1e-12, "lot 2");
    let year: Vec<f64> = session.codes.iter().map(|&s| 2026.0 + 2.0 * f64::from(s)).collect();
    let fixed = FixedPart::cell_means("lot", &lot, &[]).with_column("year", year.clone());
    let b = fit(&ModelSpec { y: y.clone(), fixed, random: vec![] }, Method::Reml).expect("a fit");
    close(b.beta[2], 1.0, 1e-10, "a year");
    close(b.beta[0], 3.0 - 2026.0, 1e-10, "lot 1 in year 0");
    let fixed = FixedPart::cell_means("lot", &lot, &[]).with_covariate("year", &year);
    let c = fit(&ModelSpec { y, fixed, random: vec![] }, Method::Reml).expect("a fit");
    close(c.adjusted_means(0.95)[0].estimate, 4.0, 1e-10, "lot 1 in the mean year");
    close(c.test_term("year").f, b.test_term("year").f, 1e-8, "F of the year");
    close(c.test_term("year").f, a.test_term("session").f, 1e-8, "F of the session");
}

#[test]
fn variances_that_cannot_be_told_apart_are_named() {
    let lot = factor(&[0, 0, 0, 1, 1, 1, 2, 2, 2]);
    let taster = factor(&[0, 1, 2, 0, 1, 2, 0, 1, 2]);
    let fixed = FixedPart::cell_means("lot", &lot, &[]);
    let cell = RandomTerm::new("lot by taster", Factor::cross(&lot, &taster));
    let of = |random: &[RandomTerm]| Model::new(&fixed, random).expect_err("cannot be told apart");
    let expected =
        |term: &str, from: &str| MixedError::NotIdentified { term: term.into(), from: from.into() };
    // One score a cell: the interaction is the residual.
    assert_eq!(of(&[cell]), expected("lot by taster", "the residual"));
    // The lots are fixed already.
    assert_eq!(of(&[RandomTerm::new("lot", lot.clone())]), expected("lot", "the fixed effects"));
    // The same twice, once with other numbers.
    let again = factor(&[2, 0, 1, 2, 0, 1, 2, 0, 1]);
    assert_eq!(
        of(&[RandomTerm::new("taster", taster), RandomTerm::new("again", again)]),
        expected("again", "taster")
    );
}

#[test]
fn scores_without_variation_or_residual_are_said_so() {
    let lot = factor(&[0, 0, 0, 0, 1, 1, 1, 1]);
    let taster = factor(&[0, 0, 1, 1, 0, 0, 1, 1]);
    let model = Model::new(
        &FixedPart::cell_means("lot", &lot, &[]),
        &[
            RandomTerm::new("taster", taster.clone()),
            RandomTerm::new("lot by taster", Factor::cross(&lot, &taster)),
        ],
    )
    .expect("the layout is sound");
    let fit = |y: &[f64]| model.fit(y, Method::Reml);
    assert_eq!(fit(&[7.3; 8]).expect_err("constant"), MixedError::NoVariation);
    let by_lot = [0.1, 0.1, 0.1, 0.1, 0.7, 0.7, 0.7, 0.7];
    assert_eq!(fit(&by_lot).expect_err("lots alone"), MixedError::NoVariation);
    let repeated = [1.0, 1.0, 2.0, 2.0, 4.0, 4.0, 3.0, 3.0];
    assert_eq!(fit(&repeated).expect_err("replicates alike"), MixedError::NoResidual);
    let mut y = [1.0, 1.0, 2.0, 2.0, 4.0, 4.0, 3.0, f64::NAN];
    assert!(matches!(fit(&y), Err(MixedError::NotFinite { row: 8, .. })));
    assert!(matches!(fit(&y[..7]), Err(MixedError::Rows { found: 7, expected: 8, .. })));
    y[7] = 3.5;
    assert!(fit(&y).is_ok());
}

#[test]
fn layouts_that_do_not_fit_together_are_refused() {
    let lot = factor(&[0, 0, 1, 1]);
    let fixed = FixedPart::cell_means("lot", &lot, &[]);
    let short = RandomTerm::new("taster", factor(&[0, 1, 0]));
    assert!(matches!(
        Model::new(&fixed, &[short]),
        Err(MixedError::Rows { found: 3, expected: 4, .. })
    ));
    let beyond = RandomTerm::new("taster", Factor { codes: vec![0, 1, 0, 2], n_levels: 2 });
    assert!(matches!(
        Model::new(&fixed, &[beyond]),
        Err(MixedError::Level { code: 2, n_levels: 2, .. })
    ));
    let full = FixedPart::cell_means("lot", &factor(&[0, 1, 2, 3]), &[]);
    assert_eq!(
        Model::new(&full, &[]).expect_err("no rows left"),
        MixedError::TooFewRows { n: 4, n_fixed: 4 }
    );
    let fixed = fixed.with_column("weight", vec![1.0, f64::INFINITY, 0.0, 0.0]);
    assert!(matches!(Model::new(&fixed, &[]), Err(MixedError::NotFinite { row: 2, .. })));
    assert!(matches!(
        Model::new(&FixedPart::new(), &[]),
        Err(MixedError::TooFewRows { n: 0, n_fixed: 0 })
    ));
}

/// By hand: lots a and b under recipes 0 and 1, b under 0 alone. The means are 2 and 5 of a, 4 of b;
/// the recipe adds 3, so that at a quarter of recipe 0 a stands at 2 + 9/4 and b at 4 + 9/4. The
/// squares within are 6 times 1/4 on 3 df; a's variance is (1/16 + 9/16) / 2 of theirs.
#[test]
fn adjusted_means_stand_at_the_grid_that_is_asked_for() {
    let lot = factor(&[0, 0, 0, 0, 1, 1]);
    let recipe = factor(&[0, 0, 1, 1, 0, 0]);
    let cells = || FixedPart::cell_means("lot", &lot, &[]);
    let y = vec![1.5, 2.5, 4.5, 5.5, 3.5, 4.5];
    // The weights 1/4 and 3/4 in either coding: w_0 - w_1, and w_1.
    let codings = [
        (cells().with_factor("recipe", &recipe, &[]), -0.5),
        (cells().with_treatment("recipe", &recipe, &[]), 0.75),
    ];
    for (fixed, weight) in codings {
        let spec = ModelSpec { y: y.clone(), fixed, random: vec![] };
        let fit = fit(&spec, Method::Reml).expect("a fit");
        let means = fit.adjusted_means_at(&[("recipe", vec![weight])], 0.95);
        close(means[0].estimate, 4.25, 1e-12, "a");
        close(means[1].estimate, 6.25, 1e-12, "b");
        close(means[0].se, (0.5_f64 * 0.3125).sqrt(), 1e-12, "standard error of a");
        close(means[0].df, 3.0, 1e-9, "df");
        assert!(fit.adjusted_means_at(&[("water", vec![weight])], 0.95).is_empty());
        assert!(fit.adjusted_means_at(&[("recipe", vec![weight, 0.0])], 0.95).is_empty());
    }
}

/// A family's contrast is the contrast of the same columns, degrees of freedom included (a second
/// route to the same numbers; the table is invented).
#[test]
fn a_family_gives_the_contrasts_of_its_columns() {
    let cell = factor(&[0, 0, 0, 1, 1, 1, 2, 2, 3, 3, 3, 3]);
    let who = factor(&[0, 1, 2, 0, 1, 2, 0, 2, 0, 1, 2, 2]);
    let y = vec![4.1, 5.0, 3.2, 5.3, 6.1, 4.0, 4.4, 3.1, 6.2, 6.9, 5.5, 5.1];
    let spec = ModelSpec {
        y,
        fixed: FixedPart::cell_means("cell", &cell, &[]),
        random: vec![RandomTerm::new("taster", who)],
    };
    let fit = fit(&spec, Method::Reml).expect("a fit");
    let family =
        fit.family(&[vec![(1, 1.0), (0, -1.0)], vec![(3, 1.0), (2, -1.0)], vec![(2, 1.0)]]);
    assert_eq!(family.len(), 3);
    for (weights, whole) in [
        ([1.0, 0.0, 0.0], [-1.0, 1.0, 0.0, 0.0]),
        ([-0.5, 1.5, 0.0], [0.5, -0.5, -1.5, 1.5]),
        ([0.25, 0.5, 1.0], [-0.25, 0.25, 0.5, 0.5]),
    ] {
        let (a, b) = (family.contrast(&weights, 0.95), fit.contrast(&whole, 0.95));
        close(a.estimate, b.estimate, 1e-12, "estimate");
        close(a.se, b.se, 1e-12, "standard error");
        close(a.df, b.df, 1e-9, "df");
        close(a.upper, b.upper, 1e-12, "limit");
    }
    assert!(!family.contrast(&[1.0, 0.0], 0.95).estimable);
    let beyond = fit.family(&[vec![(9, 1.0)]]);
    assert!(!beyond.contrast(&[1.0], 0.95).estimable);
}
