//! `link` where the truth is planted: are intervals as honest as they say, is what cannot be told
//! apart named together, and does too little give an honest answer? All tables are invented.

use std::collections::BTreeMap;

use blindsteep::book::labels::Labels;
use blindsteep::book::vocabulary::Ends;
use blindsteep::findings::Settings;
use blindsteep::findings::link::{Adjusted, Link, Wish, link};
use blindsteep::scores::{
    Builder, Made, MadeParameter, MadeValue, Makings, ScaleKind, ScoreRow, ScoredTerm, Scores,
    Source,
};
use blindsteep_stats::rng::{Stream, stream};

/// How an invented table is made.
#[derive(Clone, Copy)]
struct World {
    n_sessions: usize,
    lots_a_session: usize,
    n_tasters: usize,
    n_brews: usize,
    /// Whether a reference is served in every session.
    reference: bool,
    lot_sd: f64,
    /// What lots of one session share.
    batch_sd: f64,
    session_sd: f64,
    /// Slope of the first parameter, which varies between lots.
    within: f64,
    /// Slope of the last one, which is the same in each session.
    between: f64,
    /// Whether the first taster's scores are excluded, and go against the others'.
    spoilt: bool,
}

const PLAIN: World = World {
    n_sessions: 1,
    lots_a_session: 10,
    n_tasters: 5,
    n_brews: 2,
    reference: false,
    lot_sd: 0.3,
    batch_sd: 0.0,
    session_sd: 0.0,
    within: 0.7,
    between: 0.0,
    spoilt: false,
};

pub fn term() -> ScoredTerm {
    ScoredTerm {
        id: "sweet".to_owned(),
        scale: ScaleKind::Line,
        ends: None,
        labels: Labels::default(),
        end_words: Ends::new(),
        level_words: Default::default(),
        gaps: 0,
    }
}

pub fn makings(lots: &[String], columns: &[(&str, Vec<f64>)]) -> Makings {
    let parameter = |(id, values): &(&str, Vec<f64>)| MadeParameter {
        id: (*id).to_owned(),
        values: lots
            .iter()
            .zip(values)
            .map(|(l, v)| (l.clone(), MadeValue { value: Made::Number(*v), estimated: false }))
            .collect(),
        ..MadeParameter::default()
    };
    Makings {
        source: "invented".to_owned(),
        lots: lots.to_vec(),
        parameters: columns.iter().map(parameter).collect(),
        ..Makings::default()
    }
}

/// Scores of a world, with two correlated parameters and, of several sessions, a third that is
/// the same in each.
fn invent(w: World, draws: &mut Stream) -> (Scores, Makings) {
    let n = w.n_sessions * w.lots_a_session;
    let lots: Vec<String> = (1..=n).map(|i| format!("L{i}")).collect();
    let a: Vec<f64> = (0..n).map(|_| draws.normal()).collect();
    let b: Vec<f64> = a.iter().map(|x| 0.5 * x + 0.8 * draws.normal()).collect();
    let of_session: Vec<f64> = (0..w.n_sessions).map(|_| draws.normal()).collect();
    let c: Vec<f64> = (0..n).map(|i| of_session[i / w.lots_a_session]).collect();
    let batch: Vec<f64> = (0..w.n_sessions).map(|_| w.batch_sd * draws.normal()).collect();
    let level: Vec<f64> = (0..w.n_sessions).map(|_| w.session_sd * draws.normal()).collect();
    let mut truth: Vec<f64> = (0..n)
        .map(|i| {
            5.0 + w.within * a[i]
                + w.between * c[i]
                + batch[i / w.lots_a_session]
                + w.lot_sd * draws.normal()
        })
        .collect();
    truth.push(5.0);
    let offset: Vec<f64> = (0..w.n_tasters).map(|_| 0.8 * draws.normal()).collect();
    let view: Vec<Vec<f64>> =
        truth.iter().map(|_| (0..w.n_tasters).map(|_| 0.3 * draws.normal()).collect()).collect();
    let mut builder = Builder::default();
    for (s, of_all) in level.iter().enumerate() {
        let session = format!("s{}", s + 1);
        let mut served: Vec<usize> = (s * w.lots_a_session..(s + 1) * w.lots_a_session).collect();
        if w.reference {
            served.push(n);
        }
        for lot in served {
            let name = lots.get(lot).map_or("REF", String::as_str);
            for brew in 0..w.n_brews {
                let pot = 0.2 * draws.normal();
                for who in 0..w.n_tasters {
                    let value = truth[lot]
                        + of_all
                        + pot
                        + offset[who]
                        + view[lot][who]
                        + 0.7 * draws.normal();
                    builder.push(&ScoreRow {
                        lot: name,
                        taster: Some(&format!("t{who}")),
                        session: Some(&session),
                        brew: Some(&format!("{session}-{lot}-{brew}")),
                        term: "sweet",
                        value: if w.spoilt && who == 0 { 10.0 - 4.0 * value } else { value },
                        excluded: (w.spoilt && who == 0).then_some("saw the labels"),
                        ..ScoreRow::default()
                    });
                }
            }
        }
    }
    let source = Source {
        references: if w.reference { vec!["REF".to_owned()] } else { Vec::new() },
        ..Source::default()
    };
    let mut columns = vec![("wither", a), ("roll", b)];
    if w.n_sessions > 1 {
        columns.push(("flush", c));
    }
    (builder.finish(vec![term()], source), makings(&lots, &columns))
}

fn quick() -> Settings {
    Settings { n_permutations: 39, ..Settings::default() }
}

fn asked(scores: &Scores, makings: &Makings) -> Link {
    link(scores, makings, &Wish::default(), &quick())
}

/// How often the intervals of the first and the last line hold what was planted.
fn coverage(w: World, seed: u64, n_tables: usize) -> (f64, f64) {
    let held: Vec<(bool, bool)> = (0..n_tables as u64)
        .map(|index| {
            let (scores, makings) = invent(w, &mut stream(seed, index));
            let f = asked(&scores, &makings);
            let holds = |line: &str, truth: f64| {
                let effect = f.terms[0].effects.iter().find(|e| e.line == line).expect("asked");
                !effect.per_unit.known().expect("enough lots").excludes(truth)
            };
            let last = w.n_sessions < 2 || holds("flush", w.between);
            (holds("wither", w.within), last)
        })
        .collect();
    let share = |of: fn(&(bool, bool)) -> bool| {
        held.iter().filter(|h| of(h)).count() as f64 / held.len() as f64
    };
    (share(|h| h.0), share(|h| h.1))
}

/// Four binomial standard deviations of 400 tables at .95 are .044: below .906 the interval is
/// too narrow. Wider ones are honest: where REML puts the lots' variance to 0 the degrees of
/// freedom stay those of the lots.
const LEAST: f64 = 0.95 - 0.044;

#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    for (seed, lot_sd) in [(1, 0.0), (2, 0.15), (3, 0.6)] {
        let (within, _) = coverage(World { lot_sd, ..PLAIN }, seed, 400);
        println!("one session, lots' sd {lot_sd}: {within}");
        assert!(within >= LEAST, "lots' sd {lot_sd}: {within}");
    }
}

#[test]
fn few_lots_and_one_brew_each_are_honest_too() {
    let w = World { lots_a_session: 6, n_brews: 1, n_tasters: 4, lot_sd: 0.1, ..PLAIN };
    let (within, _) = coverage(w, 4, 400);
    println!("six lots: {within}");
    assert!(within >= LEAST, "{within}");
}

#[test]
fn what_varies_between_sessions_has_the_width_of_sessions() {
    let several = World {
        n_sessions: 5,
        lots_a_session: 4,
        n_tasters: 4,
        batch_sd: 0.3,
        session_sd: 0.5,
        between: 0.5,
        ..PLAIN
    };
    for (seed, reference) in [(5, true), (6, false)] {
        let (within, between) = coverage(World { reference, ..several }, seed, 200);
        println!("five sessions, reference {reference}: {within} {between}");
        // Four binomial standard deviations of 200 tables.
        let least = 0.95 - 0.062;
        assert!(within >= least && between >= least, "{reference}: {within} {between}");
    }
    let (scores, makings) = invent(World { reference: true, ..several }, &mut stream(7, 0));
    let f = asked(&scores, &makings);
    let line = f.lines.iter().find(|l| l.line == "flush").expect("asked");
    assert_eq!(line.varies_between, "sessions");
    let effect = f.terms[0].effects.iter().find(|e| e.line == "flush").expect("asked");
    let test = effect.test.known().expect("five sessions are enough");
    // Five sessions less a mean and the one parameter that varies between them.
    assert!(test.df <= 3.0 && (test.df_stratum - 3.0).abs() < 1e-12);
    let exchanged = effect.permutation.known().expect("five sessions can be exchanged");
    assert_eq!(exchanged.exchanged, "means of 5 whole sessions");
    assert!(exchanged.smallest_p >= 1.0 / 40.0 - 1e-12);
}

/// Random designs of two parameters with a true correlation from .5 to 1.
#[test]
fn parameters_are_named_together_exactly_from_nine_tenths_on() {
    let (mut joint, mut apart) = (0, 0);
    for step in 0..60 {
        let mut draws = stream(8, step);
        let rho = 0.5 + 0.5 * step as f64 / 59.0;
        let (scores, mut m) = invent(World { n_tasters: 3, n_brews: 1, ..PLAIN }, &mut draws);
        let values = |p: &MadeParameter| -> Vec<f64> {
            m.lots
                .iter()
                .map(|l| match p.values[l].value {
                    Made::Number(x) => x,
                    _ => unreachable!("invented as a number"),
                })
                .collect()
        };
        let a = values(&m.parameters[0]);
        let b: Vec<f64> = a
            .iter()
            .map(|x| -rho * x + (1.0 - rho * rho).max(0.0).sqrt() * draws.normal())
            .collect();
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let (ma, mb) = (mean(&a), mean(&b));
        let cross = |u: &[f64], mu: f64, v: &[f64], mv: f64| -> f64 {
            u.iter().zip(v).map(|(x, y)| (x - mu) * (y - mv)).sum()
        };
        let r = cross(&a, ma, &b, mb) / (cross(&a, ma, &a, ma) * cross(&b, mb, &b, mb)).sqrt();
        m = makings(&m.lots, &[("wither", a), ("roll", b)]);
        let f = asked(&scores, &m);
        let named = f.lines.len() == 1;
        assert_eq!(named, r.abs() >= 0.9, "r = {r}");
        let both =
            f.not_told_apart.iter().any(|s| s.starts_with("wither or roll: these lots cannot"));
        assert_eq!(both, named, "{:#?}", f.not_told_apart);
        for s in f.sentences.iter().chain(&f.next).filter(|_| named) {
            // Wherever the one is named, so is the other.
            assert_eq!(s.contains("wither"), s.contains("roll"), "{s}");
        }
        if named { joint += 1 } else { apart += 1 }
    }
    assert!(joint > 5 && apart > 20, "{joint} {apart}");
}

#[test]
fn a_parameter_that_three_others_make_up_has_no_effect_of_its_own() {
    let mut draws = stream(9, 0);
    let (scores, m) = invent(World { lots_a_session: 16, ..PLAIN }, &mut draws);
    let mut columns: Vec<Vec<f64>> =
        (0..3).map(|_| m.lots.iter().map(|_| draws.normal()).collect()).collect();
    let sum: Vec<f64> = (0..m.lots.len())
        .map(|i| columns.iter().map(|c| c[i]).sum::<f64>() + 0.1 * draws.normal())
        .collect();
    columns.push(sum);
    let names = ["wither", "roll", "oxidise", "all"];
    let m = makings(&m.lots, &names.into_iter().zip(columns).collect::<Vec<_>>());
    let f = asked(&scores, &m);
    assert_eq!(f.lines.len(), 4, "no pair of them reaches .9");
    let gone: Vec<_> = f.lines.iter().filter(|l| !l.has_effect).collect();
    assert_eq!(gone.len(), 1);
    assert_eq!(gone[0].not_told_from.len(), 3);
    for other in f.lines.iter().filter(|l| l.has_effect) {
        assert_eq!(other.not_told_from, [gone[0].line.clone()]);
    }
    assert_eq!(f.n_asked, 3);
    let effect = f.terms[0].effects.iter().find(|e| e.line == gone[0].line).expect("listed");
    assert!(effect.per_unit.reason().is_some_and(|r| r.contains("cannot be told apart")));
}

#[test]
fn fewer_lots_than_parameters_give_effects_one_at_a_time() {
    let mut draws = stream(10, 0);
    for n in 1..=5 {
        let (scores, m) = invent(World { lots_a_session: n, ..PLAIN }, &mut draws);
        let names = ["a", "b", "c", "d", "e", "f", "g"];
        let columns: Vec<(&str, Vec<f64>)> =
            names.map(|id| (id, m.lots.iter().map(|_| draws.normal()).collect())).into();
        let f = asked(&scores, &makings(&m.lots, &columns));
        match n {
            // One lot: nothing varied; two: all columns are one.
            1 => assert!(f.lines.is_empty() && f.n_asked == 0, "{f:#?}"),
            2 => assert_eq!(f.lines.len(), 1),
            _ => {
                assert_eq!(f.adjusted.known(), Some(&Adjusted::OneAtATime));
                assert!(f.not_told_apart.iter().any(|c| c.contains("are too few for")));
            }
        }
        let known = f.terms[0].effects.iter().filter(|e| e.test.known().is_some()).count();
        // Three lots less a mean and a slope leave one degree of freedom.
        assert_eq!(known > 0, n >= 3, "{n} lots");
        assert!(!f.sentences.is_empty());
        let _: BTreeMap<String, serde_json::Value> =
            serde_json::from_value(serde_json::to_value(&f).expect("plain")).expect("an object");
    }
}

#[test]
fn excluded_scores_are_left_out_and_what_they_would_have_done_is_said() {
    let w = World { spoilt: true, lot_sd: 0.0, ..PLAIN };
    let (scores, makings) = invent(w, &mut stream(11, 0));
    let f = asked(&scores, &makings);
    let effect = f.terms[0].effects.iter().find(|e| e.line == "wither").expect("asked");
    let without = effect.over_range.known().expect("enough lots");
    let with = effect.over_range_with_excluded.known().expect("there are excluded scores");
    let line = f.lines.iter().find(|l| l.line == "wither").expect("asked");
    let truth = w.within * (line.max - line.min);
    assert!(!without.excludes(truth), "{without:?} {truth}");
    assert!(with.value < 0.5 * without.value, "{with:?} {without:?}");
    assert_eq!(f.exclusions[0].n_scores, 10 * 2);
    let (scores, makings) = invent(World { spoilt: false, ..w }, &mut stream(11, 0));
    let none = &asked(&scores, &makings).terms[0].effects[0].over_range_with_excluded;
    assert_eq!(none.reason(), Some("no score of this term is excluded"));
}
