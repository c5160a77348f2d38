//! What is held constant and what it links, and what is asked of several samples together: closed
//! forms on tables where every taster scored every cup once, so that all that is said is a sum of
//! plain means. All tables are invented.

use std::collections::BTreeMap;
use std::path::Path;

use crate::run::{json, refusal};
use blindsteep::book::labels::Labels;
use blindsteep::book::session_files::Kind;
use blindsteep::findings::age::tests_of::Bears;
use blindsteep::findings::age::{
    Age, AgeRecord, AgeWish, Change, LotTimes, SampleAge, TermCourse, age, age_of, age_of_record,
};
use blindsteep::findings::{Answer, Settings};

use blindsteep::scores::{
    Before, Builder, Earliest, Method, PlannedTest, Refired, SampleTime, ScaleKind, ScoreRow,
    ScoredTerm, Scores, Source, Trial, Trials,
};

const TASTERS: [&str; 4] = ["ann", "bo", "cy", "di"];

/// (month, sample, recipe).
type Cup = (u32, &'static str, &'static str);

/// Scores without a pattern, the same each time.
fn score(cup: usize, taster: usize) -> f64 {
    let mixed = (cup * 37 + taster * 101 + cup * taster * 13) % 29;
    3.0 + mixed as f64 / 10.0
}

/// The plain mean of a cup.
fn mean(cup: usize) -> f64 {
    (0..TASTERS.len()).map(|t| score(cup, t)).sum::<f64>() / TASTERS.len() as f64
}

fn scores_by(cups: &[Cup], references: &[&str], value: impl Fn(usize, usize) -> f64) -> Scores {
    let recipes = cups.iter().any(|c| !c.2.is_empty());
    let mut builder = Builder::default();
    for (c, (month, sample, recipe)) in cups.iter().enumerate() {
        let session = format!("month {month}");
        for (t, who) in TASTERS.iter().enumerate() {
            builder.push(&ScoreRow {
                lot: sample,
                taster: Some(who),
                session: Some(&session),
                recipe: recipes.then_some(*recipe),
                month: Some(f64::from(*month)),
                term: "sweet",
                value: value(c, t),
                ..ScoreRow::default()
            });
        }
    }
    let term = ScoredTerm {
        id: "sweet".to_owned(),
        scale: ScaleKind::Line,
        ends: Some([0.0, 10.0]),
        labels: Labels::default(),
        end_words: Default::default(),
        level_words: Default::default(),
        gaps: 0,
    };
    let references = references.iter().map(|r| (*r).to_owned()).collect();
    builder.finish(vec![term], Source { references, ..Source::default() })
}

fn scores(cups: &[Cup], references: &[&str]) -> Scores {
    scores_by(cups, references, score)
}

fn asked(cups: &[Cup], references: &[&str]) -> Age {
    age(&scores(cups, references), &LotTimes::of_table("months"), &Settings::default())
}

fn sample<'a>(f: &'a Age, name: &str) -> &'a SampleAge {
    f.samples.iter().find(|s| s.sample == name).expect("it is followed")
}

fn course<'a>(f: &'a Age, name: &str) -> &'a TermCourse {
    &sample(f, name).terms[0]
}

fn value(c: &Answer<Change>) -> f64 {
    c.known().unwrap_or_else(|| panic!("not known: {:?}", c.reason())).value
}

fn close(found: f64, expected: f64, what: &str) {
    assert!((found - expected).abs() < 1e-9, "{what}: {found}, expected {expected}");
}

/// Two references: A alone, then both, then B alone. B lies above A by what the one session with
/// both says, and that brings what was tasted beside B to A.
#[test]
fn a_new_reference_is_bridged_by_one_session_that_had_both() {
    let cups = [
        (0, "L", ""),
        (0, "A", ""),
        (6, "L", ""),
        (6, "A", ""),
        (6, "B", ""),
        (12, "L", ""),
        (12, "B", ""),
        (18, "B", ""),
    ];
    let f = asked(&cups, &["A", "B"]);
    assert_eq!(f.references, ["B", "A"], "the one of most sessions first");
    let bridge = &f.bridges[0];
    assert_eq!((bridge.reference.as_str(), bridge.against.as_str()), ("A", "B"));
    assert_eq!(bridge.together, ["month 6"]);
    let term = &bridge.terms.known().expect("linked")[0];
    close(value(&term.offset), mean(3) - mean(4), "the bridge");
    let why = term.apart.reason().expect("one session only");
    assert!(why.contains("takes two sessions"), "{why}");
    let t = course(&f, "L");
    // Month 0 in the words of B: A's mean there and how far B lies above A.
    let beside = [mean(0) - (mean(1) + mean(4) - mean(3)), mean(2) - mean(4), mean(5) - mean(6)];
    for (p, want) in t.points.iter().zip(beside) {
        close(value(&p.beside), want, "beside");
    }
    close(value(&t.last_change), beside[2] - beside[0], "change");
    let held = *t.held.known().expect("B stands somewhere");
    close(held, (mean(4) + mean(6) + mean(7)) / 3.0, "held");
    let corrected = t.points[0].corrected.known().expect("known").value;
    close(corrected, beside[0] + held, "corrected");
    // The bridge's own uncertainty is in the interval: wider than with one reference throughout.
    let one: Vec<Cup> =
        cups.iter().map(|c| if c.1 == "A" { (c.0, "B", c.2) } else { *c }).collect();
    let one: Vec<Cup> = one.into_iter().enumerate().filter(|(i, _)| *i != 3).map(|x| x.1).collect();
    let plain = asked(&one, &["B"]);
    let se = |f: &Age| course(f, "L").last_change.known().expect("known").se;
    assert!(se(&f) > se(&plain), "{} {}", se(&f), se(&plain));
    // The panel's drift runs through all sessions, on B's level.
    let drift = f.drift.known().expect("known");
    assert_eq!(drift[0].points.len(), 4);
    close(
        value(&drift[0].last_change_raw),
        mean(7) - (mean(1) + mean(4) - mean(3)),
        "drift over both references",
    );
}

#[test]
fn references_that_never_met_correct_nothing_across() {
    let cups =
        [(0, "L", ""), (0, "A", ""), (6, "L", ""), (6, "A", ""), (12, "L", ""), (12, "B", "")];
    let f = asked(&cups, &["A", "B"]);
    let s = sample(&f, "L");
    let why = s.tastings[2].reference.reason().expect("not linked");
    assert_eq!(
        why,
        "B was never served beside A in one session: what was tasted with one cannot be set beside what \
         was tasted with the other"
    );
    let t = &s.terms[0];
    close(value(&t.points[1].change), mean(2) - mean(3) - (mean(0) - mean(1)), "within A");
    assert!(t.points[2].corrected.reason().is_some_and(|r| r.contains("never served beside")));
    assert!(f.bridges[0].terms.reason().is_some());
    assert!(
        f.sentences.iter().any(|s| s.contains("To bridge them, serve both")),
        "{:?}",
        f.sentences
    );
    // Named alone, B is what is held, and A is a tea like any other.
    let f = asked(&cups, &["B"]);
    assert_eq!(f.samples.len(), 2);
}

/// Two references in three sessions, of which one moved: that they parted is shown.
#[test]
fn references_that_moved_apart_are_told() {
    let cups =
        [(0, "A", ""), (0, "B", ""), (6, "A", ""), (6, "B", ""), (12, "A", ""), (12, "B", "")];
    let moved = |c: usize, t: usize| {
        let step = if c == 5 { 2.0 } else { 0.0 };
        5.0 + step + 0.01 * score(c, t)
    };
    let of = |scores: &Scores| age(scores, &LotTimes::of_table("months"), &Settings::default());
    let f = of(&scores_by(&cups, &["A", "B"], moved));
    assert!(f.sentences.iter().any(|s| s.contains("moved apart while both were served")));
    let same = |c: usize, t: usize| 5.0 + 0.01 * score(c, t);
    let f = of(&scores_by(&cups, &["A", "B"], same));
    assert!(
        f.sentences.iter().any(|s| s.contains("moved apart is not shown")),
        "{:?}",
        f.sentences
    );
}

#[test]
fn another_recipe_counts_where_the_tea_itself_was_brewed_both_ways() {
    let cups = [
        (0, "L", "bowl"),
        (0, "A", "bowl"),
        (6, "L", "bowl"),
        (6, "L", "pot"),
        (6, "A", "bowl"),
        (12, "L", "pot"),
        (12, "A", "bowl"),
    ];
    let f = asked(&cups, &["A"]);
    let s = sample(&f, "L");
    let bridge = s.tastings[3].bridge.as_ref().expect("bridged");
    assert_eq!((bridge.by.as_str(), bridge.assumed, bridge.n_sessions), ("L", false, 1));
    assert!(
        s.tastings[2].pooled.reason().is_some_and(|r| r.contains("it bridges the two recipes"))
    );
    let t = &s.terms[0];
    let own = mean(5) - (mean(3) - mean(2));
    close(value(&t.last_change_raw), own - mean(0), "raw, by the first recipe");
    close(value(&t.last_change), own - mean(6) - (mean(0) - mean(1)), "corrected");
    assert!(s.sentences.iter().any(|s| s.contains("by the tea itself")), "{:?}", s.sentences);
}

#[test]
fn another_recipe_counts_where_the_reference_was_brewed_both_ways_and_that_is_said() {
    let cups = [
        (0, "L", "bowl"),
        (0, "A", "bowl"),
        (6, "A", "bowl"),
        (6, "A", "pot"),
        (12, "L", "pot"),
        (12, "A", "pot"),
    ];
    let f = asked(&cups, &["A"]);
    let s = sample(&f, "L");
    let bridge = s.tastings[1].bridge.as_ref().expect("bridged");
    assert_eq!((bridge.by.as_str(), bridge.assumed, bridge.n_sessions), ("A", true, 1));
    let offset = mean(3) - mean(2);
    close(
        value(&s.terms[0].last_change),
        mean(4) - offset - (mean(5) - offset) - (mean(0) - mean(1)),
        "both less the reference brewed likewise",
    );
    close(value(&s.terms[0].last_change_raw), mean(4) - offset - mean(0), "raw");
    assert!(
        s.sentences.iter().any(|s| s.contains("move the tea as it moves the reference")),
        "{:?}",
        s.sentences
    );
    // Without the session that had both, nothing is pooled.
    let apart: Vec<Cup> = cups.into_iter().filter(|c| c.0 != 6).collect();
    let f = asked(&apart, &["A"]);
    assert!(sample(&f, "L").tastings[1].pooled.reason().is_some_and(|r| r.contains("bridge")));
}

/// A session of a book has one recipe: two sessions on one day serve a reference both ways.
#[test]
fn sessions_of_one_day_of_a_book_bridge_two_recipes() {
    let cups = [
        ("a", 0.0, "L", "bowl"),
        ("a", 0.0, "A", "bowl"),
        ("b", 6.0, "A", "bowl"),
        ("c", 6.0, "A", "pot"),
        ("d", 12.0, "L", "pot"),
        ("d", 12.0, "A", "pot"),
    ];
    let of = |third: f64, kind: &str| {
        let mut builder = Builder::default();
        for (c, (session, month, sample, recipe)) in cups.iter().enumerate() {
            for (t, who) in TASTERS.iter().enumerate() {
                builder.push(&ScoreRow {
                    lot: sample,
                    taster: Some(who),
                    session: Some(session),
                    recipe: Some(recipe),
                    month: Some(if *session == "c" { third } else { *month }),
                    term: "sweet",
                    value: score(c, t),
                    ..ScoreRow::default()
                });
            }
        }
        let term = scores(&[(0, "L", "")], &[]).terms()[0].clone();
        let source =
            Source { references: vec!["A".to_owned()], kind: kind.to_owned(), ..Source::default() };
        let table = builder.finish(vec![term], source);
        age(&table, &LotTimes::of_table("months"), &Settings::default())
    };
    let f = of(6.0, "sessions");
    let offset = mean(3) - mean(2);
    close(
        value(&sample(&f, "L").terms[0].last_change),
        mean(4) - offset - (mean(5) - offset) - (mean(0) - mean(1)),
        "bridged on one day",
    );
    // On another day, and in a table, whose sessions can hold both recipes, nothing links them.
    for f in [of(7.0, "sessions"), of(6.0, "table")] {
        assert!(sample(&f, "L").tastings[1].pooled.known().is_none());
        assert!(f.bridges[0].terms.known().is_none());
    }
}

fn lots(all: &[(&str, SampleTime)]) -> LotTimes {
    LotTimes {
        clock: "months".to_owned(),
        samples: all.iter().map(|(n, t)| ((*n).to_owned(), t.clone())).collect(),
        ..LotTimes::default()
    }
}

fn made(lot: &str, month: f64, year: i16) -> SampleTime {
    SampleTime {
        lot: lot.to_owned(),
        made: month,
        year: Some(year),
        earliest: Some(Earliest {
            month,
            told: format!("made in month {month} (lots/{lot}/lot.toml, made)"),
        }),
        ..SampleTime::default()
    }
}

#[test]
fn a_tasting_before_the_making_is_told_with_its_place_and_not_followed() {
    let cups =
        [(0, "L", ""), (0, "A", ""), (6, "L", ""), (6, "A", ""), (12, "L", ""), (12, "A", "")];
    let times = lots(&[("L", made("L", 3.0, 2024))]);
    let f = age(&scores(&cups, &["A"]), &times, &Settings::default());
    let s = sample(&f, "L");
    let why = s.tastings[0].pooled.reason().expect("too early");
    assert_eq!(
        why,
        "served in month 0, but made in month 3 (lots/L/lot.toml, made): one of the two days is wrong, \
         or this is another tea"
    );
    close(s.tastings[1].month, 3.0, "age");
    close(value(&s.terms[0].last_change), mean(4) - mean(5) - (mean(2) - mean(3)), "since month 6");
}

#[test]
fn a_lot_that_was_split_off_has_the_tastings_of_its_parent_up_to_then() {
    let cups = [
        (0, "P", ""),
        (0, "A", ""),
        (6, "P", ""),
        (6, "C", ""),
        (6, "A", ""),
        (12, "C", ""),
        (12, "A", ""),
    ];
    let child = SampleTime {
        before: vec![Before { sample: "P".to_owned(), until: 3.0 }],
        ..made("C", 0.0, 2024)
    };
    let times = lots(&[("P", made("P", 0.0, 2024)), ("C", child)]);
    let f = age(&scores(&cups, &["A"]), &times, &Settings::default());
    let s = sample(&f, "C");
    let served: Vec<&str> = s.tastings.iter().map(|t| t.sample.as_str()).collect();
    assert_eq!(served, ["P", "C", "C"]);
    close(
        value(&s.terms[0].last_change),
        mean(5) - mean(6) - (mean(0) - mean(1)),
        "from the parent on",
    );
    assert_eq!(sample(&f, "P").tastings.len(), 2, "the parent goes on by itself");
}

#[test]
fn sessions_of_one_day_are_ordered_by_when_they_began() {
    let cups = [(0, "L", ""), (0, "A", ""), (6, "L", ""), (6, "A", "")];
    let mut builder = Builder::default();
    for (c, session) in [(0, "b-morning"), (1, "b-morning"), (2, "a-evening"), (3, "a-evening")] {
        for (t, who) in TASTERS.iter().enumerate() {
            builder.push(&ScoreRow {
                lot: cups[c].1,
                taster: Some(who),
                session: Some(session),
                month: Some(0.0),
                term: "sweet",
                value: score(c, t),
                ..ScoreRow::default()
            });
        }
    }
    let term = scores(&cups, &[]).terms()[0].clone();
    let table = builder
        .finish(vec![term], Source { references: vec!["A".to_owned()], ..Source::default() });
    let mut times = LotTimes::of_table("months");
    let order = |times: &LotTimes| -> Vec<String> {
        let f = age(&table, times, &Settings::default());
        sample(&f, "L").tastings.iter().map(|t| t.session.clone()).collect()
    };
    assert_eq!(order(&times), ["a-evening", "b-morning"]);
    times.began = BTreeMap::from([("a-evening".to_owned(), 900), ("b-morning".to_owned(), 100)]);
    assert_eq!(order(&times), ["b-morning", "a-evening"]);
}

#[test]
fn lots_of_different_years_meet_at_equal_age_through_the_reference() {
    let cups = [
        (1, "L1", ""),
        (1, "L2", ""),
        (1, "A", ""),
        (13, "M1", ""),
        (13, "A", ""),
        (25, "L1", ""),
        (25, "A", ""),
    ];
    let times = lots(&[
        ("L1", made("L1", 0.0, 2024)),
        ("L2", made("L2", 0.0, 2024)),
        ("M1", made("M1", 11.5, 2025)),
    ]);
    let wish = AgeWish { years: true, ..AgeWish::default() };
    let f = age_of(&scores(&cups, &["A"]), &times, &wish, &Settings::default());
    let years = f.years.known().expect("known");
    assert_eq!(years.ages.len(), 1, "at 25 months there is one year only");
    let equal = &years.ages[0];
    close(equal.from_month, 1.0, "youngest");
    close(equal.to_month, 1.5, "oldest");
    let d = &equal.terms[0].differences[0];
    assert_eq!((d.year, d.less, years.n_asked), (2025, 2024, 1));
    let earlier = (mean(0) + mean(1)) / 2.0 - mean(2);
    close(value(&d.difference), mean(3) - mean(4) - earlier, "2025 less 2024");
    let f = age_of(&scores(&cups, &[]), &times, &wish, &Settings::default());
    assert!(f.years.reason().is_some_and(|r| r.contains("different sessions")));
    let f = age(&scores(&cups, &["A"]), &times, &Settings::default());
    assert_eq!(f.years.reason(), Some("it was not asked for"));
}

#[test]
fn a_firing_is_judged_within_a_session_or_else_through_the_reference() {
    let fired = |lot: &str| SampleTime {
        refired: Some(Refired { parent: "P".to_owned(), month: 3.0 }),
        ..made(lot, 3.0, 2024)
    };
    let times = lots(&[("P", made("P", 0.0, 2024)), ("R", fired("R"))]);
    let apart =
        [(0, "P", ""), (0, "A", ""), (6, "R", ""), (6, "A", ""), (0, "Q", ""), (6, "Q", "")];
    let f = age(&scores(&apart, &["A"]), &times, &Settings::default());
    let r = &f.refires[0];
    assert_eq!(r.around.known().expect("none had both"), &["month 0", "month 6"]);
    close(value(&r.terms[0].difference), mean(2) - mean(3) - (mean(0) - mean(1)), "corrected");
    let both = [(0, "P", ""), (0, "A", ""), (6, "R", ""), (6, "A", ""), (6, "P", "")];
    let f = age(&scores(&both, &["A"]), &times, &Settings::default());
    assert_eq!(f.refires[0].together, ["month 6"]);
    close(value(&f.refires[0].terms[0].difference), mean(2) - mean(4), "within the session");
    let f = age(&scores(&apart, &[]), &times, &Settings::default());
    assert!(f.refires[0].terms[0].difference.known().is_none());
    assert!(f.refires[0].sentences[0].contains("nothing is told"), "{:?}", f.refires[0].sentences);
}

/// Student's t of three lots by hand: mean 1, standard deviation 1, standard error 1/√3, two
/// degrees of freedom, whose quantile is 4.302653 (any table).
#[test]
fn stores_over_lots_have_the_lots_as_their_unit() {
    let mut cups: Vec<Cup> = Vec::new();
    for lot in [["X@dry", "X@wet"], ["Y@dry", "Y@wet"], ["Z@dry", "Z@wet"]] {
        cups.extend(lot.map(|arm| (6, arm, "")));
    }
    let steps = [0.0, 1.0, 2.0];
    let by = |c: usize, t: usize| {
        let wet = if c % 2 == 1 { steps[c / 2] } else { 0.0 };
        5.0 + wet + 0.1 * score(c / 2 * 2, t) + [0.1, -0.1, 0.1, -0.1][t] * (c % 2) as f64
    };
    let f = age(&scores_by(&cups, &[], by), &LotTimes::of_table("months"), &Settings::default());
    let s = &f.stores[0];
    assert_eq!((s.a.as_str(), s.b.as_str(), s.lots.len()), ("wet", "dry", 3));
    let c = s.terms[0].of_such_lots.known().expect("three lots");
    close(c.value, 1.0, "mean");
    close(c.se, 1.0 / 3.0_f64.sqrt(), "standard error");
    assert!((c.upper - (1.0 + 4.302_653 / 3.0_f64.sqrt())).abs() < 1e-5, "{}", c.upper);
    close(value(&s.terms[0].of_these_lots), 1.0, "of these lots");
}

/// One taster loses one point a month on the reference, the others nothing: the one is named, and
/// against the rest of the others nobody else.
#[test]
fn a_taster_who_drifts_unlike_the_others_is_named() {
    let cups: Vec<Cup> = (0..6).flat_map(|m| [(m, "A", ""), (m, "L", "")]).collect();
    let by = |c: usize, t: usize| {
        let month = (c / 2) as f64;
        6.0 + 0.05 * score(c, t) - if t == 2 { month } else { 0.0 }
    };
    let f = age(&scores_by(&cups, &["A"], by), &LotTimes::of_table("months"), &Settings::default());
    let all = f.taster_drift.known().expect("known");
    let cy = &all[2].terms[0];
    assert_eq!((all[2].taster.as_str(), cy.n_sessions), ("cy", 6));
    // The slope by hand: months 0 to 5, mean 2.5, squares 17.5, times 12.
    let slope = |y: &dyn Fn(usize) -> f64| -> f64 {
        12.0 * (0..6).map(|m| (m as f64 - 2.5) * y(m)).sum::<f64>() / 17.5
    };
    close(value(&cy.per_year), slope(&|m| by(2 * m, 2)), "own");
    let others = |m: usize| [0, 1, 3].map(|t| by(2 * m, t)).iter().sum::<f64>() / 3.0;
    close(value(&cy.from_others), slope(&|m| by(2 * m, 2) - others(m)), "from the others");
    // The drifter is not among those to whom the others are compared.
    let bo = &all[1].terms[0];
    assert_eq!(bo.without, ["cy"]);
    let others = |m: usize| [0, 3].map(|t| by(2 * m, t)).iter().sum::<f64>() / 2.0;
    close(value(&bo.from_others), slope(&|m| by(2 * m, 1) - others(m)), "without the drifter");
    let told: Vec<&String> =
        f.sentences.iter().filter(|s| s.starts_with("Drifting unlike the others")).collect();
    assert!(
        told.len() == 1 && told[0].contains("cy in sweet") && !told[0].contains("bo"),
        "{told:?}"
    );
}

#[test]
fn what_was_taken_off_is_the_mean_drift_of_all_samples() {
    let cups = [
        (0, "L", ""),
        (0, "A", ""),
        (6, "M", ""),
        (6, "A", ""),
        (12, "L", ""),
        (12, "M", ""),
        (12, "A", ""),
    ];
    let f = asked(&cups, &["A"]);
    let c = &f.correction[0];
    assert_eq!(c.n_samples, 2);
    let drifts = (mean(6) - mean(1) + mean(6) - mean(3)) / 2.0;
    close(value(&c.taken_off), drifts, "taken off");
    let raw_less_corrected: f64 = ["L", "M"]
        .map(|s| value(&course(&f, s).last_change_raw) - value(&course(&f, s).last_change))
        .iter()
        .sum();
    close(value(&c.taken_off), raw_less_corrected / 2.0, "raw less corrected");
}

#[test]
fn without_a_reference_pairs_are_compared_within_their_sessions() {
    let cups = [(0, "L", ""), (0, "M", ""), (6, "L", ""), (12, "L", ""), (12, "M", "")];
    let f = asked(&cups, &[]);
    let pairs = f.pairs.known().expect("two met twice");
    assert_eq!((pairs.len(), pairs[0].n_sessions), (1, 2));
    assert_eq!((pairs[0].a.as_str(), pairs[0].b.as_str()), ("M", "L"));
    close(value(&pairs[0].terms[0].apart), mean(4) - mean(3) - (mean(1) - mean(0)), "apart");
    assert!(pairs[0].terms[0].apart.known().is_some_and(|c| c.q_value.is_some()));
    assert!(f.cautions.iter().any(|c| c.contains("may be the tea's or the panel's")));
    assert!(f.sentences.iter().any(|s| s.contains("Which of the two moved is not told")));
    let f = asked(&cups, &["M"]);
    assert!(f.pairs.reason().is_some_and(|r| r.starts_with("there is a reference")));
    let f = asked(&cups[..3], &[]);
    assert!(f.pairs.reason().is_some_and(|r| r.starts_with("no two samples")));
}

fn trial(session: &str, samples: [&str; 2], taster: usize, correct: bool) -> Trial {
    Trial {
        session: session.to_owned(),
        taster: format!("t{taster}"),
        flight: 1,
        method: Method::Triangle,
        samples: samples.map(str::to_owned),
        served: vec![samples[0].to_owned(), samples[0].to_owned(), samples[1].to_owned()],
        correct: Some(correct),
        question: None,
        sure: None,
        excluded: None,
    }
}

/// Nine of 18 triangles: chance of as many or more by luck 0.1076 (binomial, 1/3); 10 are needed at
/// 5 % (ISO 4120, table A.1, from memory).
#[test]
fn two_packs_of_the_reference_question_what_is_held_constant() {
    let mut trials = Trials {
        source: Source::default(),
        trials: Vec::new(),
        rankings: Vec::new(),
        planned: Vec::new(),
        labels: Default::default(),
    };
    for (session, samples) in
        [("packs", ["A", "A@new"]), ("other", ["L", "M"]), ("stores", ["L@dry", "L@wet"])]
    {
        trials.trials.extend((0..18).map(|t| trial(session, samples, t, t < 9)));
        trials.planned.push(PlannedTest {
            session: session.to_owned(),
            kind: Kind::Triangle,
            alpha: 0.05,
            distinguishers: None,
            power: None,
            expected: None,
            committed_beforehand: true,
            n_planned: 18,
        });
    }
    let cups = [(0, "L", ""), (0, "A", ""), (6, "L", ""), (6, "A", "")];
    let scores = scores(&cups, &["A"]);
    let times = LotTimes::of_table("months");
    let record = AgeRecord { scores: &scores, lots: &times, trials: Some(&trials) };
    let f = age_of_record(&record, &AgeWish::default(), &Settings::default());
    let all = f.told_apart.known().expect("known");
    let bears: Vec<(&str, Bears)> = all.iter().map(|t| (t.session.as_str(), t.bears)).collect();
    assert_eq!(bears, [("packs", Bears::Reference), ("stores", Bears::Lot)]);
    let p = *all[0].p_value.known().expect("known");
    let binomial: f64 =
        (9..=18).map(|k| blindsteep_stats::dist::binomial_pmf(k, 18, 1.0 / 3.0)).sum();
    assert!((p - binomial).abs() < 1e-12 && (p - 0.1076).abs() < 5e-5, "{p}");
    assert_eq!(all[0].shown.known(), Some(&false));
    let said = f.sentences.iter().find(|s| s.starts_with("Two packs of the reference"));
    assert!(said.is_some_and(|s| s.contains("9 of 18") && s.contains("by luck 6.0")), "{said:?}");
    assert!(
        f.cautions.iter().any(|c| c.contains("of two of its packs, above")),
        "{:?}",
        f.cautions
    );
}

/// A copy of the demo book in which a lot says when it was packed.
fn packed_book() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel");
    copy(&demo, folder.path());
    let add = |file: &str, text: &str| {
        let path = folder.path().join(file);
        let old = std::fs::read_to_string(&path).expect("it is in the book");
        std::fs::write(&path, old + text).expect("written");
    };
    let parameters = folder.path().join("parameters.toml");
    if !std::fs::read_to_string(parameters).expect("read").contains("\"store.packed\"") {
        add(
            "parameters.toml",
            "\n[[parameter]]\nid = \"store.packed\"\nkind = \"moment\"\nlabels = { en = \"packed\" }\n",
        );
    }
    add(
        "lots/T24-01/log.csv",
        "packed01,2024-07-20T10:00:00+08:00,,store.packed,2024-07-20T10:00:00+08:00,,measured,,,,\n",
    );
    folder
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("there") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.file_type().expect("a type").is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("copied");
        }
    }
}

#[test]
fn ages_count_from_packing_where_the_log_says_when_and_else_the_lot_is_left_out() {
    let book = packed_book();
    let f = json(book.path(), &["age", "--from", "packed", "--of", "T24-01,T24-04"]);
    assert_eq!(f["clock"], "months since the lot was packed");
    assert_eq!(f["not_followed"][0]["sample"], "T24-04");
    assert_eq!(
        f["not_followed"][0]["reason"],
        "its log does not say when it was packed; log it: `blindsteep lot log LOT store.packed WHEN`"
    );
    let s = &f["samples"][0];
    assert_eq!(s["sample"], "T24-01");
    // Tasted in June before it was packed on 20 July: no age; then 2024-08-09 is 20 days.
    let why = s["tastings"][0]["pooled"]["reason"].as_str().expect("no age");
    assert!(why.contains("packed on 2024-07-20 (lots/T24-01/log.csv, store.packed)"), "{why}");
    let month = s["tastings"][1]["month"].as_f64().expect("an age");
    close(month, 20.0 / 30.4375, "age");
    let (code, said) = refusal(book.path(), &["age", "--from", "picked"]);
    assert_eq!(code, 2);
    assert!(said.contains("made, packed, opened"), "{said}");
}

#[test]
fn references_are_named_with_commas_and_a_wrong_one_is_told() {
    let book = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel");
    let (code, said) = refusal(&book, &["age", "--reference", "REF,REFF"]);
    assert_eq!(code, 2);
    assert!(said.starts_with("--reference REFF: no such lot was scored"), "{said}");
    let f = json(&book, &["age", "--reference", "REF,T24-01", "--of", "T24-04"]);
    assert_eq!(f["references"], serde_json::json!(["REF", "T24-01"]));
    assert_eq!(f["bridges"][0]["reference"], "T24-01");
    assert_eq!(f["bridges"][0]["together"].as_array().map(Vec::len), Some(3));
}
