//! `link` over many seeds of the demo garden (all invented): do its intervals hold what was
//! planted, and is the trap, rolling that always went with the pluck, named both ways every time?

use std::collections::BTreeMap;

use blindsteep::demo::simulated;
use blindsteep::demo::truth::{LOTS, Making, SESSIONS, Store, TERMS};
use blindsteep::findings::Settings;
use blindsteep::findings::link::{Wish, link};
use blindsteep::scores::{Made, MadeParameter, MadeValue, Makings};
use blindsteep_stats::links::ols;

type Column = (&'static str, fn(&Making) -> f64);

const COLUMNS: [Column; 6] = [
    ("wither", |m| m.wither),
    ("rolling", |m| m.rolling),
    ("pluck", Making::pluck),
    ("dose", Making::dose),
    ("sun", |m| m.sun),
    ("season", |m| m.season),
];

/// The session and flight in which a lot was first served.
fn first(lot: &Making) -> (usize, usize) {
    (0..SESSIONS.len())
        .flat_map(|s| (0..SESSIONS[s].flights.len()).map(move |f| (s, f)))
        .find(|(s, f)| SESSIONS[*s].flights[*f].contains(&(lot.number, Store::Main)))
        .expect("every lot was tasted")
}

#[test]
fn intervals_over_many_gardens_hold_what_was_planted() {
    let known: Vec<String> = simulated::scores(0).words("lot");
    let lots: BTreeMap<String, &Making> =
        known.iter().filter_map(|l| Some((l.clone(), simulated::making(l)?))).collect();
    assert_eq!(lots.len(), LOTS.len());
    let parameters = COLUMNS
        .iter()
        .map(|(id, of)| MadeParameter {
            id: (*id).to_owned(),
            values: lots
                .iter()
                .map(|(l, m)| {
                    (l.clone(), MadeValue { value: Made::Number(of(m)), estimated: false })
                })
                .collect(),
            ..MadeParameter::default()
        })
        .collect();
    let makings = Makings {
        source: "the planted table".to_owned(),
        lots: lots.keys().cloned().collect(),
        parameters,
        ..Makings::default()
    };
    // What straight lines make of the planted levels, against the reference of the same flight.
    // The pluck is the rolling's opposite and stands aside.
    let of_lots: Vec<&Making> = lots.values().copied().collect();
    let asked: Vec<&Column> = COLUMNS.iter().filter(|c| c.0 != "pluck").collect();
    let columns: Vec<Vec<f64>> =
        asked.iter().map(|c| of_lots.iter().map(|m| (c.1)(m)).collect()).collect();
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let truth: Vec<Vec<f64>> = (0..TERMS.len())
        .map(|t| {
            let levels: Vec<f64> = of_lots
                .iter()
                .map(|m| {
                    let (s, f) = first(m);
                    simulated::expected((m.number, Store::Main), t, s, f)
                        - simulated::expected((0, Store::Main), t, s, f)
                })
                .collect();
            let fit = ols(&columns, &levels, 0.95).expect("more lots than columns");
            fit.coefficients.iter().skip(1).map(|c| c.estimate).collect()
        })
        .collect();
    let settings = Settings { n_permutations: 19, ..Settings::default() };
    let (mut n, mut held) = (BTreeMap::<&str, usize>::new(), BTreeMap::<&str, usize>::new());
    for seed in 1..=20 {
        let f = link(&simulated::scores(seed), &makings, &Wish::default(), &settings);
        let trap = f.lines.iter().find(|l| l.members.len() > 1).expect("the trap is a line");
        let names: Vec<&str> = trap.members.iter().map(|m| m.column.as_str()).collect();
        assert_eq!(
            (names.as_slice(), trap.exact.known()),
            (&["rolling", "pluck"][..], Some(&true))
        );
        for s in f.sentences.iter().chain(&f.not_told_apart).chain(&f.next) {
            assert_eq!(s.contains("rolling"), s.contains("pluck"), "{s}");
        }
        for (t, truth) in f.terms.iter().zip(&truth) {
            for ((id, _), truth) in asked.iter().zip(truth) {
                let effect = t.effects.iter().find(|e| e.line == *id).expect("asked");
                let interval = effect.per_unit.known().expect("lots enough");
                *n.entry(id).or_default() += 1;
                *held.entry(id).or_default() += usize::from(!interval.excludes(*truth));
            }
        }
    }
    let share = |id: &str| held[id] as f64 / n[id] as f64;
    println!("{:?}", asked.iter().map(|c| (c.0, share(c.0))).collect::<Vec<_>>());
    for (id, _) in asked {
        // 240 intervals a line; terms of one garden share absences only, so they are nearly 240
        // trials: four binomial standard deviations are .056.
        assert!(share(id) >= 0.95 - 0.056, "{id}: {}", share(id));
    }
}
