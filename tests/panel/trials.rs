//! Difference questions and rankings as sessions give them; all invented.

use blindsteep::book::session_files::Kind;
use blindsteep::findings::Settings;
use blindsteep::findings::difference::{Difference, difference};
use blindsteep::findings::ranking::{Ranking, ranking};
use blindsteep::scores::{Method, PlannedTest, RankedSet, Source, Trial, Trials};
use blindsteep::views;

use crate::run::fits_schema;

const SAMPLES: [&str; 2] = ["霧頂@dry", "L2"];

fn planned(kind: Kind) -> PlannedTest {
    PlannedTest {
        session: "2026-05-14-spring".to_owned(),
        kind,
        alpha: 0.05,
        distinguishers: None,
        power: None,
        expected: None,
        committed_beforehand: true,
        n_planned: 0,
    }
}

fn of(trials: Vec<Trial>, rankings: Vec<RankedSet>, planned: PlannedTest) -> Trials {
    let source = Source {
        names: vec![planned.session.clone()],
        kind: "sessions".to_owned(),
        ..Source::default()
    };
    Trials { source, trials, rankings, planned: vec![planned], labels: Default::default() }
}

fn trial(method: Method, taster: &str, flight: u32, served: &[usize], correct: bool) -> Trial {
    Trial {
        session: "2026-05-14-spring".to_owned(),
        taster: taster.to_owned(),
        flight,
        method,
        samples: SAMPLES.map(str::to_owned),
        served: served.iter().map(|s| SAMPLES[*s].to_owned()).collect(),
        correct: Some(correct),
        question: (method == Method::Paired).then(|| "bitter".to_owned()),
        sure: Some(correct),
        excluded: None,
    }
}

const TRIANGLES: [[usize; 3]; 6] =
    [[0, 0, 1], [0, 1, 0], [1, 0, 0], [1, 1, 0], [1, 0, 1], [0, 1, 1]];

/// Six triangles of each taster, the first so many right.
fn triangles(rights: &[(&str, usize)]) -> Vec<Trial> {
    rights
        .iter()
        .flat_map(|(taster, right)| {
            (0..6).map(move |i| {
                trial(Method::Triangle, taster, i as u32 + 1, &TRIANGLES[i], i < *right)
            })
        })
        .collect()
}

fn asked(trials: &Trials) -> Difference {
    let found = difference(trials, &Settings::default());
    let said = views::difference::text(&found);
    for line in said.lines() {
        assert!(unicode_width(line) <= 100, "too long: {line}");
    }
    fits_schema("difference-1.schema.json", &views::json::of(&found));
    found
}

fn unicode_width(line: &str) -> usize {
    line.chars().map(|c| if c > '\u{2e80}' { 2 } else { 1 }).sum()
}

#[test]
fn one_answer_a_taster_has_the_limits_of_independent_answers() {
    // 4 of 6 triangles; nobody repeats.
    let trials: Vec<Trial> = (0..6)
        .map(|i| {
            trial(Method::Triangle, ["a", "b", "c", "d", "e", "f"][i], 1, &TRIANGLES[i], i < 4)
        })
        .collect();
    let found = asked(&of(trials, Vec::new(), planned(Kind::Triangle)));
    let t = &found.tests[0];
    assert_eq!((t.n_answers, t.n_correct.known(), t.tasters.len()), (6, Some(&4), 6));
    assert!(t.repeated.reason().is_some_and(|r| r.contains("nobody answered more than once")));
    // By hand: (C(6,4) 4 + C(6,5) 2 + 1)/729 = 73/729.
    let p = *t.p_value.known().expect("a p-value");
    assert!((p - 73.0 / 729.0).abs() < 1e-12);
    assert_eq!(t.shown.known(), Some(&false));
    assert!(found.sentences.iter().any(|s| s.contains("does not show that they are the same")));
}

#[test]
fn tasters_who_differ_have_no_one_d_prime() {
    let found = asked(&of(
        triangles(&[("ann", 6), ("bo", 6), ("cy", 6), ("di", 1), ("eve", 0), ("fo", 1)]),
        Vec::new(),
        planned(Kind::Triangle),
    ));
    let t = &found.tests[0];
    assert_eq!(t.shown.known(), Some(&true));
    let r = t.repeated.known().expect("they repeat");
    assert!(r.unlike && r.overdispersion > 0.5);
    assert!(t.d_prime.value.reason().is_some_and(|r| r.contains("no one d-prime")));
    assert!(found.sentences.iter().any(|s| s.contains("surely above luck: ann (6 of 6)")));
}

#[test]
fn limits_of_tasters_who_repeat_are_wider() {
    let found = asked(&of(
        triangles(&[("ann", 5), ("bo", 4), ("cy", 3), ("di", 4)]),
        Vec::new(),
        planned(Kind::Triangle),
    ));
    let t = &found.tests[0];
    let r = t.repeated.known().expect("they repeat");
    assert!(!r.unlike);
    let d = t.distinguishers.known().expect("a share");
    // 16 of 24: exact limits of independent answers by qbeta of R 4.2.2.
    let independent = blindsteep_stats::discrimination::share(16, 24, 1.0 / 3.0, 0.95).expect("it");
    assert!(d.lower <= independent.lower && d.upper >= independent.upper);
    assert!(d.upper - d.lower > independent.upper - independent.lower);
    assert!(t.d_prime.se.reason().is_some());
}

#[test]
fn likeness_is_refused_where_tasters_repeat() {
    let plan =
        PlannedTest { distinguishers: Some(0.5), power: Some(0.8), ..planned(Kind::Triangle) };
    let found = asked(&of(triangles(&[("ann", 2), ("bo", 2), ("cy", 2), ("di", 2)]), vec![], plan));
    let likeness = found.tests[0].likeness.known().expect("it was planned");
    assert!(likeness.shown.reason().is_some_and(|r| r.contains("ISO 10399")));
    assert!(!found.sentences.iter().any(|s| s.starts_with("Alike")));
}

#[test]
fn a_pair_is_one_sided_only_where_the_plan_says_so() {
    let trials = |first: usize| -> Vec<Trial> {
        (0..8)
            .map(|i| trial(Method::Paired, &format!("t{i}"), 1, &[i % 2, 1 - i % 2], i < first))
            .collect()
    };
    let two = asked(&of(trials(7), vec![], planned(Kind::Paired)));
    let plan = PlannedTest {
        expected: Some(SAMPLES[0].to_owned()),
        committed_beforehand: false,
        ..planned(Kind::Paired)
    };
    let one = asked(&of(trials(7), vec![], plan));
    // 9/256 and its double.
    let p = |d: &Difference| *d.tests[0].p_value.known().expect("a p-value");
    assert!((p(&one) - 9.0 / 256.0).abs() < 1e-13 && (p(&two) - 18.0 / 256.0).abs() < 1e-13);
    assert!(two.tests[0].two_sided && !one.tests[0].two_sided);
    assert!(one.cautions.iter().any(|c| c.contains("was not sealed before the tasting")));
    assert_eq!(two.tests[0].term.known().map(String::as_str), Some("bitter"));
}

#[test]
fn what_is_excluded_missing_or_helped_by_the_serving_is_told() {
    let mut trials = Vec::new();
    for taster in ["a", "b", "c", "d", "e"] {
        for (i, served) in TRIANGLES.iter().enumerate() {
            // The odd cup is found whenever it stands last.
            let last = served[0] == served[1];
            trials.push(trial(Method::Triangle, taster, i as u32, served, last));
        }
    }
    trials[0].excluded = Some("cold cup".to_owned());
    trials[1].correct = None;
    let found = asked(&of(trials, vec![], planned(Kind::Triangle)));
    let t = &found.tests[0];
    assert_eq!((t.n_answers, t.n_missing, t.n_excluded), (28, 1, 1));
    assert!(t.p_with_excluded.known().is_some());
    let place = t.circumstances.iter().find(|c| c.by == "place of the odd cup").expect("known");
    assert!(place.matters, "{place:?}");
    let odd = t.circumstances.iter().find(|c| c.by == "sample that was odd").expect("known");
    assert!(!odd.matters, "{odd:?}");
    assert!(found.sentences.iter().any(|s| s.contains("place of the odd cup")));
    assert_eq!(found.exclusions[0].reason, "cold cup");
}

fn ranked(taster: &str, flight: u32, ranks: &[(&str, f64)]) -> RankedSet {
    RankedSet {
        session: "2026-05-14-spring".to_owned(),
        taster: taster.to_owned(),
        flight,
        term: "sweet".to_owned(),
        ranks: ranks.iter().map(|(s, r)| ((*s).to_owned(), Some(*r))).collect(),
        excluded: None,
    }
}

fn ranking_of(sets: Vec<RankedSet>) -> Ranking {
    let found = ranking(&of(vec![], sets, planned(Kind::Ranking)), &Settings::default());
    for line in views::ranking::text(&found).lines() {
        assert!(unicode_width(line) <= 100, "too long: {line}");
    }
    fits_schema("ranking-1.schema.json", &views::json::of(&found));
    found
}

#[test]
fn rankings_that_agree_are_told_with_their_groups() {
    let names = ["霧頂@dry", "L2", "L3", "L4"];
    let sets = (0..7)
        .map(|i| {
            // The last two change places for some.
            let tail = if i % 2 == 0 { [3.0, 4.0] } else { [4.0, 3.0] };
            let ranks = [1.0, 2.0, tail[0], tail[1]];
            ranked(&format!("t{i}"), 1, &[0, 1, 2, 3].map(|j| (names[j], ranks[j])))
        })
        .collect();
    let found = ranking_of(sets);
    let t = &found.terms[0];
    // Rank sums 7, 14, 24, 25: chi-square 12/(7 4 5) (49 + 196 + 576 + 625) - 3 7 5 = 18.942857.
    let test = t.test.known().expect("a test");
    assert_eq!(test.name, "Friedman");
    assert!((test.statistic - (12.0 * 1446.0 / 140.0 - 105.0)).abs() < 1e-10);
    assert!(test.differs);
    let sums: Vec<f64> = t.samples.iter().map(|s| s.rank_sum).collect();
    assert_eq!(sums, [7.0, 14.0, 24.0, 25.0]);
    // 1.96 sqrt(7 4 5/6).
    let d = t.least_differences.known().expect("one layout");
    assert!((d.of_a_pair - 1.959_964 * (140.0_f64 / 6.0).sqrt()).abs() < 1e-4);
    assert!(t.pairs.iter().any(|p| p.more == names[0] && p.less == "L4" && p.differs));
    assert!(t.samples.iter().all(|s| s.letters.known().is_some()));
}

#[test]
fn odd_rankings_have_their_reasons() {
    // Two tasters, of whom one ranked a single cup; a sample under two codes; gaps.
    let mut one = ranked("a", 1, &[("L1", 1.0), ("L2", 2.0), ("L3", 3.0), ("L1", 4.0)]);
    one.ranks.push(("L4".to_owned(), None));
    let found = ranking_of(vec![one, ranked("b", 1, &[("L4", 1.0)])]);
    let t = &found.terms[0];
    assert!(t.test.reason().is_some_and(|r| r.contains("nobody compared")), "{t:?}");
    assert!(found.individual_opinions);
    assert!(found.cautions.iter().any(|c| c.contains("mean of its ranks")));
    assert!(found.cautions.iter().any(|c| c.contains("not ranked")));
    let tied = ranking_of(vec![ranked("a", 1, &[("L1", 1.5), ("L2", 1.5)])]);
    assert!(tied.terms[0].test.reason().is_some_and(|r| r.contains("no taster put")));
}

#[test]
fn incomplete_rankings_are_durbins_or_skillings_and_macks() {
    let block = |taster: &str, a: &'static str, b: &'static str, c: &'static str| {
        ranked(taster, 1, &[(a, 1.0), (b, 2.0), (c, 3.0)])
    };
    let four = vec![
        block("a", "L1", "L2", "L3"),
        block("b", "L1", "L2", "L4"),
        block("c", "L1", "L3", "L4"),
        block("d", "L2", "L3", "L4"),
    ];
    let found = ranking_of(four.clone());
    let test = found.terms[0].test.known().expect("a test");
    // Rank sums 3, 5, 7, 9, r 3, k 3, t 4: D = 12 (t - 1)/(r t (k - 1)(k + 1)) sum (R - r (k + 1)/2)^2
    // = 36/96 20 = 7.5.
    assert_eq!(test.name, "Durbin");
    assert!((test.statistic - 7.5).abs() < 1e-10, "{test:?}");
    let uneven = ranking_of(four.into_iter().skip(1).collect());
    assert_eq!(uneven.terms[0].test.known().expect("a test").name, "Skillings-Mack");
    assert!(uneven.terms[0].least_differences.reason().is_some());
}
