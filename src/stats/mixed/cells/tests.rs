//! Both ways to the same numbers: the cells taken off, and their columns written out.

use super::super::{
    Component, Factor, Fit, FixedPart, Method, MixedError, Model, RandomTerm, Route,
};
use crate::rng::{Stream, stream};

/// A record of years, with tasters that were absent, and lots that were tasted as often as it came.
struct Record {
    cells: Factor,
    random: Vec<RandomTerm>,
    steep: Factor,
    y: Vec<f64>,
}

struct Kind {
    pots: bool,
    flights: bool,
    /// Standard deviations of taster, sample x taster, session x taster, slope, pot or flight.
    planted: [f64; 5],
}

fn record(seed: u64, kind: &Kind) -> Record {
    let mut draws = stream(501, seed);
    let (n_lots, n_sessions, n_tasters) = (26u32, 22u32, 5u32);
    let (mut sample, mut session, mut taster, mut pot, mut flight) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for s in 0..n_sessions {
        let present: Vec<u32> = (0..n_tasters).filter(|_| draws.below(5) > 0).collect();
        for l in 0..n_lots {
            // Lot 0 is the reference.
            if l > 0 && draws.below(5) > 0 {
                continue;
            }
            for &t in &present {
                let n =
                    if kind.pots || kind.flights { 2 } else { 1 + u32::from(draws.below(6) == 0) };
                for p in 0..n {
                    if draws.below(20) > 0 {
                        sample.push(l);
                        session.push(s);
                        taster.push(t);
                        pot.push(p);
                        flight.push(s * 2 + (p + l) % 2);
                    }
                }
            }
        }
    }
    let n = sample.len();
    let months: Vec<f64> = session.iter().map(|s| f64::from(*s) * 4.0).collect();
    let mean = months.iter().sum::<f64>() / n as f64;
    let since: Vec<f64> = months.iter().map(|m| m - mean).collect();
    let numbered = |codes: &[u32]| Factor::from_labels(codes).0;
    let (sample, session, taster) = (numbered(&sample), numbered(&session), numbered(&taster));
    let cells = Factor::cross(&sample, &session);
    let mut random = vec![
        RandomTerm::new("taster", taster.clone()),
        RandomTerm::new("sample x taster", Factor::cross(&sample, &taster)),
        RandomTerm::new("session x taster", Factor::cross(&session, &taster)),
        RandomTerm::slope("taster x month", taster.clone(), since),
    ];
    if kind.pots {
        random.push(RandomTerm::new("pot", Factor::cross(&cells, &numbered(&pot))));
    }
    if kind.flights {
        random.push(RandomTerm::new("flight", numbered(&flight)));
    }
    let mut y: Vec<f64> = cells.codes.iter().map(|c| 5.0 + f64::from(*c % 7) * 0.3).collect();
    for (term, sd) in random.iter().zip(kind.planted) {
        let effects: Vec<f64> = (0..term.factor.n_levels).map(|_| sd * draws.normal()).collect();
        for (row, y) in y.iter_mut().enumerate() {
            let by = term.slope.as_ref().map_or(1.0, |v| v[row]);
            *y += by * effects[term.factor.codes[row] as usize];
        }
    }
    y.iter_mut().for_each(|y| *y += 0.8 * draws.normal());
    let steep = Factor { codes: (0..n).map(|_| draws.below(3) as u32).collect(), n_levels: 3 };
    Record { cells, random, steep, y }
}

fn close(a: f64, b: f64, by: f64, what: &str) {
    assert!((a - b).abs() <= by * (1.0 + b.abs()), "{what}: {a} {b}");
}

/// Some contrasts that are asked of ages: means, changes, changes less the reference's, a mean over
/// many cells.
fn questions(n: usize, draws: &mut Stream) -> Vec<Vec<(usize, f64)>> {
    let mut any = || draws.below(n);
    let mut all = Vec::new();
    for _ in 0..6 {
        all.push(vec![(any(), 1.0)]);
        all.push(vec![(any(), 1.0), (any(), -1.0), (any(), 1.0), (any(), -1.0)]);
    }
    all.push((0..n).map(|c| (c, 1.0 / n as f64)).collect());
    all.push((0..n).filter(|c| c % 2 == 0).map(|c| (c, 0.1)).collect());
    all
}

fn compared(a: &Fit, b: &Fit, seed: u64) {
    close(a.minus2_log_likelihood, b.minus2_log_likelihood, 1e-9, "deviance");
    close(a.sigma2, b.sigma2, 1e-6, "residual");
    assert_eq!(a.n_fixed, b.n_fixed);
    for (x, y) in a.components.iter().zip(&b.components) {
        assert_eq!((&x.name, x.at_boundary, x.n_levels), (&y.name, y.at_boundary, y.n_levels));
        close(x.variance, y.variance, 2e-6, &x.name);
        for (m, k) in a.conditional_modes(&x.name).iter().zip(b.conditional_modes(&x.name)) {
            close(m.value, k.value, 2e-5, "mode");
            close(m.se, k.se, 2e-5, "its error");
        }
    }
    assert!(a.steepest < 1e-3, "{}", a.steepest);
    let n = a.beta.len();
    a.beta.iter().zip(&b.beta).for_each(|(x, y)| close(*x, *y, 1e-6, "mean"));
    let basis = questions(n, &mut stream(502, seed));
    let (own, other) = (a.family(&basis), b.family(&basis));
    for i in 0..basis.len() {
        close(own.estimates()[i], other.estimates()[i], 1e-6, "estimate");
        for j in 0..basis.len() {
            close(own.covariance(i, j), other.covariance(i, j), 2e-6, "covariance");
            let mut weights = vec![0.0; basis.len()];
            weights[i] += 1.0;
            weights[j] -= 0.4;
            let (x, y) = (own.contrast(&weights, 0.95), other.contrast(&weights, 0.95));
            close(x.se, y.se, 2e-6, "standard error");
            close(x.df, y.df, 1e-4, "degrees of freedom");
        }
        let mut l = vec![0.0; n];
        basis[i].iter().for_each(|(at, w)| l[*at] += w);
        let (x, y) = (a.contrast(&l, 0.9), b.contrast(&l, 0.9));
        close(x.lower, y.lower, 1e-5, "limit");
        close(x.df, y.df, 1e-4, "degrees of freedom of one");
    }
    let rows: Vec<Vec<f64>> = (1..6)
        .map(|j| {
            (0..n).map(|c| f64::from(u8::from(c == j)) - f64::from(u8::from(c == 0))).collect()
        })
        .collect();
    let (x, y) = (a.f_test(&rows), b.f_test(&rows));
    assert_eq!(x.num_df, y.num_df);
    close(x.f, y.f, 1e-5, "F");
    close(x.den_df, y.den_df, 1e-3, "its degrees of freedom");
}

#[test]
fn cells_that_stand_apart_give_the_numbers_of_columns() {
    let full = [0.7, 0.5, 0.4, 0.02, 0.5];
    let kinds = [
        Kind { pots: false, flights: false, planted: full },
        Kind { pots: false, flights: false, planted: [0.7, 0.0, 0.5, 0.0, 0.0] },
        Kind { pots: true, flights: false, planted: full },
        Kind { pots: false, flights: true, planted: full },
        Kind { pots: true, flights: true, planted: full },
    ];
    let mut at_zero = 0;
    for (k, kind) in kinds.iter().enumerate() {
        for seed in 0..2 {
            let seed = 10 * k as u64 + seed;
            let r = record(seed, kind);
            let fixed = FixedPart::cells_apart("cell", &r.cells, &[]);
            let model = Model::new(&fixed, &r.random).expect("a sound layout");
            assert_eq!(model.route(), Route::Cells);
            let written = Model::by_route(&fixed.written_out(), &r.random, Route::Absorbed);
            let written = written.expect("a sound layout");
            let a = model.fit(&r.y, Method::Reml).expect("a fit");
            let b = written.fit(&r.y, Method::Reml).expect("a fit");
            at_zero += a.components.iter().filter(|c| c.at_boundary).count();
            compared(&a, &b, seed);
            let theta: Vec<f64> = (0..r.random.len()).map(|i| 0.1 * i as f64).collect();
            close(
                model.deviance(&r.y, &theta, Method::Reml).expect("a deviance"),
                written.deviance(&r.y, &theta, Method::Reml).expect("a deviance"),
                1e-11,
                "deviance at given ratios",
            );
            // Near the minimum, where the curvature is positive whatever the units.
            let near =
                |c: &Component| c.variance / b.sigma2 * if c.n_levels > 50 { 0.9 } else { 1.1 };
            let ratios: Vec<f64> = b.components.iter().map(near).collect();
            compared(
                &Fit { steepest: 0.0, ..model.fit_at(&r.y, &ratios, Method::Reml).expect("a fit") },
                &written.fit_at(&r.y, &ratios, Method::Reml).expect("a fit"),
                seed,
            );
            let tests = (model.variance_tests(&r.y, &a), written.variance_tests(&r.y, &b));
            let (x, y) = (tests.0.expect("tests"), tests.1.expect("tests"));
            x.iter().zip(&y).for_each(|(x, y)| close(x.statistic, y.statistic, 1e-6, &x.name));
        }
    }
    assert!(at_zero > 2, "{at_zero}");
}

#[test]
fn further_fixed_effects_stand_beside_cells() {
    for seed in 0..2 {
        let kind = Kind { pots: false, flights: false, planted: [0.7, 0.5, 0.4, 0.02, 0.0] };
        let r = record(40 + seed, &kind);
        let fixed =
            FixedPart::cells_apart("cell", &r.cells, &[]).with_factor("steep", &r.steep, &[]);
        let model = Model::new(&fixed, &r.random).expect("a sound layout");
        assert_eq!(model.route(), Route::Cells);
        let written = Model::by_route(&fixed.written_out(), &r.random, Route::Absorbed);
        let written = written.expect("a sound layout");
        let a = model.fit(&r.y, Method::Reml).expect("a fit");
        let b = written.fit(&r.y, Method::Reml).expect("a fit");
        compared(&a, &b, seed);
        let (x, y) = (a.test_term("steep"), b.test_term("steep"));
        close(x.f, y.f, 1e-5, "F");
        close(x.den_df, y.den_df, 1e-3, "its degrees of freedom");
    }
}

#[test]
fn what_cannot_be_fitted_is_told() {
    let kind = Kind { pots: false, flights: false, planted: [0.7, 0.5, 0.4, 0.02, 0.0] };
    let r = record(60, &kind);
    let fixed = FixedPart::cells_apart("cell", &r.cells, &[]);
    // A term that the cells hold already, and one that is there twice.
    let cell = RandomTerm::new("again", r.cells.clone());
    let twice = RandomTerm::new("again", r.random[1].factor.clone());
    for extra in [cell, twice] {
        let mut random = r.random.clone();
        random.push(extra);
        let found = Model::new(&fixed, &random);
        assert!(matches!(found, Err(MixedError::NotIdentified { term, .. }) if term == "again"));
    }
    let model = Model::new(&fixed, &r.random).expect("a sound layout");
    assert!(matches!(model.fit(&r.y, Method::Ml), Err(MixedError::NotOffered { .. })));
    assert!(matches!(model.fit(&r.y[1..], Method::Reml), Err(MixedError::Rows { .. })));
    let means: Vec<f64> = r.cells.codes.iter().map(|c| f64::from(*c)).collect();
    assert!(matches!(model.fit(&means, Method::Reml), Err(MixedError::NoVariation)));
    let mut bad = r.y.clone();
    bad[3] = f64::NAN;
    assert!(matches!(model.fit(&bad, Method::Reml), Err(MixedError::NotFinite { row: 4, .. })));
    let fit = model.fit(&r.y, Method::Reml).expect("a fit");
    assert!(matches!(model.residuals(&r.y, &fit), Err(MixedError::NotOffered { .. })));
    assert!(fit.kenward_roger(&model).is_err());
    assert!(model.one_step_bootstrap(&fit, 3, 1).is_err());
    assert!(!fit.family(&[vec![(r.cells.n_levels, 1.0)]]).is_estimable(0));
    // A level of the cells that no row has.
    let mut cells = r.cells.clone();
    cells.n_levels += 1;
    let model = Model::new(&FixedPart::cells_apart("cell", &cells, &[]), &r.random);
    let other = model.expect("a sound layout").fit(&r.y, Method::Reml).expect("a fit");
    assert_eq!(other.n_fixed, fit.n_fixed);
    assert!(!other.family(&[vec![(r.cells.n_levels, 1.0)]]).is_estimable(0));
    assert_eq!(other.aliased.len(), 1);
}

/// Cohorts of three lots that are tasted together in four sessions each, a reference in all, and tasters
/// of whom some are absent from whole sessions.
fn cohorts(seed: u64, planted: [f64; 4]) -> Record {
    let mut draws = stream(503, seed);
    let (n_cohorts, n_sessions, n_tasters) = (9u32, 16u32, 5u32);
    let (mut sample, mut session, mut taster) = (Vec::new(), Vec::new(), Vec::new());
    for s in 0..n_sessions {
        let present: Vec<u32> = (0..n_tasters).filter(|_| draws.below(6) > 0).collect();
        let served = (0..n_cohorts).filter(|c| (s + 2 * c).is_multiple_of(4) && s >= *c);
        let lots = served.flat_map(|c| (1..=3).map(move |i| 3 * c + i));
        for l in std::iter::once(0).chain(lots) {
            for &t in &present {
                sample.push(l);
                session.push(s);
                taster.push(t);
            }
        }
    }
    let n = sample.len();
    let months: Vec<f64> = session.iter().map(|s| f64::from(*s) * 4.0).collect();
    let mean = months.iter().sum::<f64>() / n as f64;
    let since: Vec<f64> = months.iter().map(|m| m - mean).collect();
    let numbered = |codes: &[u32]| Factor::from_labels(codes).0;
    let (sample, session, taster) = (numbered(&sample), numbered(&session), numbered(&taster));
    let cells = Factor::cross(&sample, &session);
    let random = vec![
        RandomTerm::new("taster", taster.clone()),
        RandomTerm::new("sample x taster", Factor::cross(&sample, &taster)),
        RandomTerm::new("session x taster", Factor::cross(&session, &taster)),
        RandomTerm::slope("taster x month", taster, since),
    ];
    let mut y: Vec<f64> = (0..n).map(|_| 5.0 + 0.7 * draws.normal()).collect();
    for (term, sd) in random.iter().zip(planted) {
        let effects: Vec<f64> = (0..term.factor.n_levels).map(|_| sd * draws.normal()).collect();
        for (row, y) in y.iter_mut().enumerate() {
            let by = term.slope.as_ref().map_or(1.0, |v| v[row]);
            *y += by * effects[term.factor.codes[row] as usize];
        }
    }
    Record { cells, random, steep: sample, y }
}

#[test]
fn lots_that_were_tasted_alike_share_their_work_and_nothing_else() {
    let planted =
        [[0.6, 0.4, 0.3, 0.01], [0.6, 0.0, 0.3, 0.0], [0.0, 0.4, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0]];
    let mut at_zero = 0;
    for (seed, planted) in planted.into_iter().enumerate() {
        let seed = seed as u64;
        let r = cohorts(seed, planted);
        let fixed = FixedPart::cells_apart("cell", &r.cells, &[]);
        let model = Model::new(&fixed, &r.random).expect("a sound layout");
        let layout = model.cells.as_ref().expect("cells apart");
        assert!(layout.leaves.len() > 2 * layout.kinds.len(), "{}", layout.kinds.len());
        assert_eq!(layout.kinds.iter().map(|k| k.1).sum::<usize>(), layout.leaves.len());
        let written = Model::by_route(&fixed.written_out(), &r.random, Route::Absorbed);
        let written = written.expect("a sound layout");
        let a = model.fit(&r.y, Method::Reml).expect("a fit");
        let b = written.fit(&r.y, Method::Reml).expect("a fit");
        at_zero += a.components.iter().filter(|c| c.at_boundary).count();
        compared(&a, &b, seed);
        // Lot after lot, each with the reference beside it: two of three find what the first asked.
        let mut of_lot: Vec<Vec<usize>> = vec![Vec::new(); r.steep.n_levels];
        for (cell, lot) in r.cells.codes.iter().zip(&r.steep.codes) {
            let own = &mut of_lot[*lot as usize];
            if !own.contains(&(*cell as usize)) {
                own.push(*cell as usize);
            }
        }
        let (reference, lots) = of_lot.split_first().expect("lots");
        let session_of = |cell: usize| {
            let row = r.cells.codes.iter().position(|c| *c as usize == cell).expect("a row");
            r.random[3].slope.as_ref().expect("months")[row]
        };
        for lot in lots.iter().filter(|lot| !lot.is_empty()) {
            let mut basis: Vec<Vec<(usize, f64)>> = lot.iter().map(|c| vec![(*c, 1.0)]).collect();
            for cell in lot {
                let beside = reference.iter().find(|c| session_of(**c) == session_of(*cell));
                basis.push(vec![(*beside.expect("served in all"), 1.0)]);
            }
            basis.push(reference.iter().map(|c| (*c, 1.0 / reference.len() as f64)).collect());
            let (own, other) = (a.family(&basis), b.family(&basis));
            for i in 0..basis.len() {
                close(own.estimates()[i], other.estimates()[i], 1e-6, "estimate");
                for j in 0..basis.len() {
                    close(own.covariance(i, j), other.covariance(i, j), 2e-6, "covariance");
                    let mut weights = vec![0.0; basis.len()];
                    weights[i] += 1.0;
                    weights[j] -= 0.4;
                    let (x, y) = (own.contrast(&weights, 0.95), other.contrast(&weights, 0.95));
                    close(x.df, y.df, 1e-4, "degrees of freedom");
                }
            }
        }
    }
    assert!(at_zero > 3, "{at_zero}");
}

/// Of a balanced layout one step from anywhere is the REML estimate (Searle, Casella and McCulloch
/// 1992, section 11.3, from memory).
#[test]
fn a_search_in_a_balanced_layout_starts_at_its_end() {
    let mut draws = stream(504, 1);
    let (n_lots, n_sessions, n_tasters) = (12u32, 10u32, 6u32);
    let all = (0..n_lots)
        .flat_map(|l| (0..n_sessions).flat_map(move |s| (0..n_tasters).map(move |t| (l, s, t))));
    let all: Vec<(u32, u32, u32)> = all.collect();
    let factor = |of: fn(&(u32, u32, u32)) -> u32| Factor::new(all.iter().map(of).collect());
    let (lot, session, taster) = (factor(|r| r.0), factor(|r| r.1), factor(|r| r.2));
    let random = [
        RandomTerm::new("taster", taster.clone()),
        RandomTerm::new("sample x taster", Factor::cross(&lot, &taster)),
        RandomTerm::new("session x taster", Factor::cross(&session, &taster)),
    ];
    let mut y: Vec<f64> = all.iter().map(|_| 0.7 * draws.normal()).collect();
    for (term, sd) in random.iter().zip([0.9, 0.5, 0.3]) {
        let effects: Vec<f64> = (0..term.factor.n_levels).map(|_| sd * draws.normal()).collect();
        y.iter_mut().zip(&term.factor.codes).for_each(|(y, c)| *y += effects[*c as usize]);
    }
    let fixed = FixedPart::cells_apart("cell", &Factor::cross(&lot, &session), &[]);
    let model = Model::new(&fixed, &random).expect("a sound layout");
    let layout = model.cells.as_ref().expect("cells apart");
    assert_eq!(layout.kinds.len(), 1);
    let scores = layout.scores(&y).expect("sound scores");
    let objective = super::Objective { layout, scores: &scores };
    let start = objective.start().expect("a start");
    let fit = model.fit(&y, Method::Reml).expect("a fit");
    for (ratio, c) in start.iter().zip(&fit.components) {
        assert!(c.variance > 0.0);
        close(*ratio, c.variance / fit.sigma2, 1e-7, &c.name);
    }
    assert!(fit.evaluations <= 3, "{}", fit.evaluations);
}

/// What a ratio of zero would give inside, without solving anew.
#[test]
fn few_columns_are_moved_inside_without_solving_anew() {
    use super::super::optimise::Target;
    let r = cohorts(5, [0.0, 0.4, 0.3, 0.0]);
    let fixed = FixedPart::cells_apart("cell", &r.cells, &[]);
    let model = Model::new(&fixed, &r.random).expect("a sound layout");
    let layout = model.cells.as_ref().expect("cells apart");
    let scores = layout.scores(&r.y).expect("sound scores");
    let objective = super::Objective { layout, scores: &scores };
    let ratios = [0.0, 0.3, 0.2, 0.0];
    let at = objective.derivatives(&ratios).expect("a solution");
    for term in [0, 3] {
        for ratio in [1e-4, 0.05, 0.3, 1.5] {
            let mut moved = ratios;
            moved[term] = ratio;
            let quick = objective.deviance_inside(&at, &ratios, term, ratio).expect("a deviance");
            let anew = objective.deviance(&moved).expect("a deviance");
            assert!((quick - anew).abs() < 1e-3, "{term} {ratio}: {quick} {anew}");
        }
    }
}
