//! The garden under sixty seeds: the intervals of its tasters' habits hold what was planted. The
//! same over more seeds: `cargo bench --profile release --bench panels -- seeds 1000`.

use blindsteep_stats::dist::binomial_at_most;

#[path = "../../benches/panels/seeds.rs"]
mod asked;

#[test]
fn intervals_of_habits_hold_what_was_planted() {
    let all = asked::counted(1..=60);
    // Six tasters, five figures each.
    assert_eq!(all.len(), 30);
    for c in &all {
        let n = c.hits.len() as u64;
        assert_eq!(n, 60, "{} {}", c.who, c.what);
        let hits = c.hits.iter().filter(|hit| **hit).count() as u64;
        // Of a figure that was planted luck misses so often in 1 of 10,000 such runs; of all
        // thirty figures, many of them about one and the same cup, in fewer than 1 of 100,000.
        let luck = if c.planted { 1e-4 } else { 1e-5 };
        let chance = binomial_at_most(hits, n, 0.95);
        assert!(chance > luck, "{} {}: {hits} of {n}", c.who, c.what);
        let (mean, truth) = (c.value / n as f64, c.truth / n as f64);
        let half = c.half / n as f64;
        // On average the estimate lies by the truth: within a third of a half-width.
        assert!((mean - truth).abs() < half / 3.0, "{} {}: {mean} beside {truth}", c.who, c.what);
    }
}

#[test]
fn habits_are_named_where_they_are_planted_and_not_in_the_same_people_without() {
    use blindsteep::demo::simulated;
    use blindsteep::demo::truth::{TASTERS, TasterTruth};
    let clean = TASTERS.map(TasterTruth::without_habits);
    let n = 20;
    let mut named = [0_u64; 4];
    let mut accused = 0_u64;
    let planted = [("bo", "narrow"), ("cy", "offset"), ("dee", "noisy"), ("eve", "swapped")];
    for seed in 101..101 + n {
        let found = asked::habits_of(&simulated::scores(seed)).expect("six tasters");
        for (count, (who, kind)) in named.iter_mut().zip(planted) {
            let own = found.tasters.iter().find(|t| t.taster == who).expect("tasted");
            *count += u64::from(own.habits.iter().any(|h| h.kind == kind));
        }
        let found = asked::habits_of(&simulated::scores_by(seed, &clean)).expect("six tasters");
        accused += u64::from(found.tasters.iter().any(|t| !t.habits.is_empty()));
    }
    for (count, (who, kind)) in named.into_iter().zip(planted) {
        assert!(binomial_at_most(count, n, 0.9) > 1e-4, "{who} {kind}: {count} of {n}");
    }
    // Each of five kinds may be named falsely in 5 of 100 panels.
    let chance = blindsteep_stats::dist::binomial_at_least(accused, n, 0.25);
    assert!(chance > 1e-4, "{accused} of {n} clean panels");
}
