//! Panels with planted truth under fixed seeds: the small version of `benches/panels`, by the
//! numbers alone. Limits are binomial: luck passes each in fewer than 1 of 10,000 runs, and a rate
//! that is wrong by some points does not.

use blindsteep_stats::dist::{binomial_at_least, binomial_at_most};
use blindsteep_stats::kendall::permutation_p;
use blindsteep_stats::mixed::{Factor, Fit, FixedPart, Method, Model, RandomTerm};
use blindsteep_stats::multiple::{benjamini_hochberg, holm};
use blindsteep_stats::permute::freedman_lane;
use blindsteep_stats::range::StudentizedRange;
use blindsteep_stats::rng::{Stream, stream};

// The bench asks for more of what is drawn.
#[allow(dead_code)]
#[path = "../../benches/panels/draw.rs"]
mod draw;

use draw::{Drawn, Plan, SESSION, draw};

/// Chance of luck alone to pass a limit.
const LUCK: f64 = 1e-4;

/// Whether so many hits are too few for a chance of `p` each.
fn too_few(hits: u64, n: u64, p: f64) -> bool {
    binomial_at_most(hits, n, p) < LUCK
}

/// Whether they are too many.
fn too_many(hits: u64, n: u64, p: f64) -> bool {
    binomial_at_least(hits, n, p) < LUCK
}

/// Lots fixed; tasters and lot × taster random, and pots where each replicate has its own.
fn fit(drawn: &Drawn, pots: bool) -> Option<Fit> {
    let code = |f: &dyn Fn(&draw::Row) -> usize| {
        Factor::new(drawn.rows.iter().map(|r| f(r) as u32).collect())
    };
    let (lot, taster) = (code(&|r| r.lot), code(&|r| r.taster));
    let mut random = vec![
        RandomTerm::new("taster", taster.clone()),
        RandomTerm::new("lot × taster", Factor::cross(&lot, &taster)),
    ];
    if pots {
        random.push(RandomTerm::new("pot", Factor::cross(&lot, &code(&|r| r.pot))));
    }
    let y: Vec<f64> = drawn.rows.iter().map(|r| r.value).collect();
    let model = Model::new(&FixedPart::cell_means("lot", &lot, &[]), &random).ok()?;
    model.fit(&y, Method::Reml).ok()
}

/// Of `n` panels: how many there were with every variance above 0 (any, if `anywhere`), and in
/// how many of them the difference of the outer lots was covered.
fn covered(plan: &Plan, n: u64, pots: bool, anywhere: bool, seed: u64) -> (u64, u64) {
    let mut counts = (0, 0);
    for i in 0..n {
        let drawn = draw(plan, &mut stream(seed, i));
        let Some(fit) = fit(&drawn, pots) else { continue };
        if !anywhere && fit.components.iter().any(|c| c.at_boundary) {
            continue;
        }
        let last = drawn.lots.len() - 1;
        let pairs = fit.pairs(0.95);
        let Some(pair) = pairs.iter().find(|p| p.a == 0 && p.b == last) else { continue };
        let truth = drawn.lots[0] - drawn.lots[last];
        let d = &pair.difference;
        counts.0 += 1;
        counts.1 += u64::from(d.lower <= truth && truth <= d.upper);
    }
    counts
}

#[test]
fn intervals_of_differences_hold_the_truth() {
    for (plan, pots) in [
        (SESSION, false),
        (Plan { shape: (3, 4, 2), ..SESSION }, false),
        (Plan { pot: 0.4, ..SESSION }, true),
        (Plan { absent: 0.2, ..SESSION }, false),
        (Plan { halves: true, ..SESSION }, false),
    ] {
        let plan = Plan { spread: 1.0, ..plan };
        let (n, hits) = covered(&plan, 400, pots, false, 11);
        assert!(n > 200, "{plan:?}: {n} panels with variances above 0");
        assert!(!too_few(hits, n, 0.93), "{plan:?}: {hits} of {n}");
        assert!(!too_many(hits, n, 0.97), "{plan:?}: {hits} of {n}");
    }
}

// The check must be able to fail: pots that the model is not told of.
#[test]
fn pots_that_are_not_told_are_seen_to_break_the_intervals() {
    let plan = Plan { spread: 1.0, pot: 0.8, view: 0.2, ..SESSION };
    let (n, hits) = covered(&plan, 400, false, true, 12);
    assert!(too_few(hits, n, 0.93), "{hits} of {n}");
}

#[test]
fn lots_that_are_alike_are_told_apart_by_luck_alone() {
    for (plan, pots) in [
        (SESSION, false),
        (Plan { pot: 0.4, ..SESSION }, true),
        (Plan { view: 0.0, ..SESSION }, false),
    ] {
        let (n, mut by_f, mut by_pair) = (400, 0, 0);
        let range = StudentizedRange::new(plan.shape.0 as u32);
        for i in 0..n {
            let drawn = draw(&plan, &mut stream(13, i));
            let fit = fit(&drawn, pots).unwrap();
            by_f += u64::from(fit.test_term("lot").p_value <= 0.05);
            by_pair +=
                u64::from(fit.pairs(0.95).iter().any(|p| {
                    range.sf(p.difference.t.abs() * 2f64.sqrt(), p.difference.df) <= 0.05
                }));
        }
        assert!(!too_many(by_f, n, 0.05), "{plan:?}: F {by_f} of {n}");
        assert!(!too_many(by_pair, n, 0.05), "{plan:?}: pairs {by_pair} of {n}");
    }
}

/// p-values of the F test of one-way layouts (4 lots, 5 scores each), exact under the null.
fn p_of_terms(draws: &mut Stream, n_alike: usize, n_differ: usize) -> Vec<f64> {
    (0..n_alike + n_differ)
        .map(|t| {
            let apart = if t < n_alike { 0.0 } else { 1.2 };
            let groups: Vec<Vec<f64>> = (0..4)
                .map(|g| (0..5).map(|_| apart * f64::from(g) + draws.normal()).collect())
                .collect();
            blindsteep_stats::anova::one_way(&groups).unwrap().f_test.unwrap().p_value
        })
        .collect()
}

#[test]
fn families_of_terms_keep_their_errors() {
    let (n, mut any, mut shares) = (2000_u64, 0, 0.0);
    for i in 0..n {
        let p = p_of_terms(&mut stream(14, i), 5, 3);
        any += u64::from(holm(&p).unwrap()[..5].iter().any(|p| *p <= 0.05));
        let q = benjamini_hochberg(&p).unwrap();
        let found = q.iter().filter(|q| **q <= 0.05).count();
        let falsely = q[..5].iter().filter(|q| **q <= 0.05).count();
        shares += falsely as f64 / found.max(1) as f64;
    }
    assert!(!too_many(any, n, 0.05), "Holm: {any} of {n}");
    // Independent tests: the expected share is .05 × 5/8 exactly (Benjamini and Hochberg 1995);
    // a share lies between 0 and 1, so its variance is below that of a hit with that chance.
    let (share, expected) = (shares / n as f64, 0.05 * 5.0 / 8.0);
    let reach = 4.0 * (expected * (1.0 - expected) / n as f64).sqrt();
    assert!((share - expected).abs() < reach, "{share} beside {expected}");
}

#[test]
fn exact_tests_have_the_size_that_counting_gives() {
    let (n, mut w, mut exchanged) = (2000_u64, 0, 0);
    for i in 0..n {
        let mut draws = stream(15, i);
        let rows: Vec<Vec<f64>> =
            (0..3).map(|_| (0..4).map(|_| draws.normal()).collect()).collect();
        w += u64::from(permutation_p(&rows, 1, 1).unwrap().p_value <= 0.05);
        let y: Vec<f64> = (0..8).map(|i| f64::from(i / 4) + draws.normal()).collect();
        let x: Vec<f64> = (0..8).map(|_| draws.normal()).collect();
        let blocks: Vec<u32> = (0..8).map(|i| i / 4).collect();
        let season =
            |s: u32| -> Vec<f64> { blocks.iter().map(|b| f64::from(u8::from(*b == s))).collect() };
        let others = [season(0), season(1)];
        let p = freedman_lane(&y, &x, &others, &blocks, 1000, &mut draws).unwrap();
        exchanged += u64::from(p.p_value <= 0.05);
    }
    // Three lots, four tasters, 6³ = 216 arrangements beside the first taster's. The sum of squares
    // of the rank sums is largest (W = 1) in 1 of them, next (sums 4, 9, 11 and the like; W = .8125)
    // in 8: 9/216 = .0417, and the next class (W = .75, 6 more) would pass .05.
    let size = 9.0 / 216.0;
    assert!(!too_few(w, n, size) && !too_many(w, n, size), "W: {w} of {n}");
    // 4!² = 576 arrangements, 28 of which are the largest that .05 allows.
    let size = 28.0 / 576.0;
    assert!(!too_few(exchanged, n, size) && !too_many(exchanged, n, size), "{exchanged} of {n}");
}
