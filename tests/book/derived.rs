//! What is worked out of a lot's log.

use std::collections::BTreeMap;

use blindsteep::book::Book;
use blindsteep::book::book_file::Limits;
use blindsteep::book::lots::{How, LotFile};
use blindsteep::book::making::{Making, making};
use blindsteep::book::writing::{Entry, NewLot, add_lot, log_lot};
use blindsteep::scores::makings_of_book;

use super::{new_book, noon, rng};

fn add(book: &Book, id: &str, values: &[(&str, &str)], how: How) {
    let file = LotFile::new(id, "black", "2026-05-01".parse().unwrap());
    let values = values.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect();
    let new = NewLot { values, how, ..NewLot::of(file) };
    add_lot(book, &new, noon(), &mut rng()).unwrap();
}

fn made(book: &Book, id: &str) -> Making {
    let lots = book.lots().unwrap();
    making(lots.iter().find(|l| l.id == id).unwrap(), &lots, &Limits::default())
}

fn number(making: &Making, parameter: &str) -> f64 {
    making.value(parameter).unwrap_or_else(|| panic!("{parameter}")).value.number().unwrap()
}

#[test]
fn withering_by_hand() {
    let (_dir, book) = new_book();
    let values = [
        ("wither.mass-in", "60"),
        ("wither.mass-out", "48000 g"),
        ("wither.hours", "720 min"),
        ("wither.area", "240000 cm²"),
    ];
    add(&book, "A", &values, How::Measured);
    let a = made(&book, "A");
    // By hand: (60 − 48)/60 = 20 %; over 12 h 1.6667 a hour; 60 kg on 24 m² = 2.5 kg/m².
    assert!((number(&a, "derived.wither-loss") - 20.0).abs() < 1e-12);
    assert!((number(&a, "derived.wither-rate") - 20.0 / 12.0).abs() < 1e-12);
    assert!((number(&a, "derived.wither-load") - 2.5).abs() < 1e-12);
    assert_eq!(a.value("derived.wither-load").unwrap().unit.as_deref(), Some("kg/m²"));
    assert_eq!(a.value("derived.wither-load").unwrap().how, How::Measured);
    let from = a.value("derived.wither-rate").unwrap().derived_from.as_ref().unwrap();
    assert_eq!(from, "60 kg that became 48 kg in withering over 12 h (wither.hours)");
    let lots = book.lots().unwrap();
    let found = makings_of_book(&lots, &Limits::default(), "2026-05-01".parse().unwrap());
    let taken: Vec<&str> = found.parameters.iter().map(|p| p.id.as_str()).collect();
    assert!(taken.contains(&"derived.wither-load") && !taken.contains(&"wither.area"), "{taken:?}");
    assert!(found.not_taken.iter().any(|n| n.id == "wither.area" && n.reason.contains("area")));
    // Without its hours, from the moments of both steps; and an estimate follows through.
    let values = [
        ("wither.mass-in", "60"),
        ("wither.mass-out", "48"),
        ("wither.start", "2026-04-30T20:00:00+08:00"),
        ("roll.start", "2026-05-01T04:00:00+08:00"),
    ];
    add(&book, "B", &values, How::Estimated);
    let b = made(&book, "B");
    assert!((number(&b, "derived.wither-rate") - 20.0 / 8.0).abs() < 1e-12);
    assert_eq!(b.value("derived.wither-rate").unwrap().how, How::Estimated);
    assert!(b.value("derived.wither-load").is_none());
}

#[test]
fn minutes_under_pressure_follow_from_each_moment_that_was_logged() {
    let (_dir, book) = new_book();
    add(&book, "A", &[("roll.press-minutes", "40"), ("roll.press-cycles", "2")], How::Measured);
    assert_eq!(number(&made(&book, "A"), "derived.press-minutes"), 40.0);
    let log = |parameter: &str, value: &str| {
        let entry = Entry::new(parameter.to_owned(), Some(value.to_owned()));
        let entry = Entry { at: Some(noon()), ..entry };
        log_lot(&book, "A", &entry, noon(), &mut rng()).unwrap();
    };
    log("roll.press-on", "8:10");
    log("roll.press-off", "8:25");
    log("roll.press-on", "2026-05-01T00:30:00Z");
    // Not released yet: what was counted stands, and it is said.
    let a = made(&book, "A");
    assert_eq!(number(&a, "derived.press-minutes"), 40.0);
    assert!(
        a.notes[0].contains("put on at 2026-05-01T00:30:00+00:00 and not released"),
        "{:?}",
        a.notes
    );
    log("roll.press-off", "08:40:30");
    let a = made(&book, "A");
    // By hand: 8:10 to 8:25 and 8:30 to 8:40:30 are 25.5 min, in two cycles.
    assert!((number(&a, "derived.press-minutes") - 25.5).abs() < 1e-9);
    assert_eq!(number(&a, "derived.press-cycles"), 2.0);
    let [note] = a.notes.as_slice() else { panic!("{:?}", a.notes) };
    assert!(note.contains("roll.press-minutes is 40 as logged and 25.5"), "{note}");
    log("roll.press-on", "8:35");
    assert!(made(&book, "A").notes[0].contains("without a release"));
}

/// What a new book says beside q10 is what the dose gives.
#[test]
fn the_rates_that_a_new_book_names_are_those_that_practice_implies() {
    let (_dir, book) = new_book();
    let text = std::fs::read_to_string(book.root().join("book.toml")).unwrap();
    let (low, high) = blindsteep::book::oxidation::q10_of_practice();
    assert!(text.contains(&format!("one of {low:.1} to {high:.1}.")), "{text}");
}

#[test]
fn the_dose_is_told_at_each_rate_that_is_tried() {
    let (_dir, book) = new_book();
    let values = [("oxidise.hours", "6"), ("oxidise.temperature", "95 °F")];
    add(&book, "A", &values, How::Measured);
    let lots = book.lots().unwrap();
    let day = "2026-05-01".parse().unwrap();
    let dose = |limits: &Limits| {
        let found = makings_of_book(&lots, limits, day);
        found.parameters.into_iter().find(|p| p.id == "derived.oxidation-dose").unwrap()
    };
    // By hand: 95 °F are 35 °C, ten degrees above 25: log2(6 q / 3) = 1 + log2 q.
    let of = |q: f64| BTreeMap::from([("A".to_owned(), 1.0 + q.log2())]);
    let near = |a: &BTreeMap<String, f64>, b: &BTreeMap<String, f64>| {
        a.len() == b.len() && a.iter().all(|(k, x)| (x - b[k]).abs() < 1e-12)
    };
    let at_two = dose(&Limits::default());
    let names: Vec<&str> = at_two.variants.iter().map(|(n, _)| n.as_str()).collect();
    assert_eq!(names, ["q10 1.5", "q10 2.5"]);
    assert!(near(&at_two.variants[0].1, &of(1.5)) && near(&at_two.variants[1].1, &of(2.5)));
    assert!(at_two.derived_from.unwrap().contains("takes one of 1.3 to 1.6"));
    let other = dose(&Limits { q10: 3.0, ..Limits::default() });
    let names: Vec<&str> = other.variants.iter().map(|(n, _)| n.as_str()).collect();
    assert_eq!(names, ["q10 1.5", "q10 2", "q10 2.5"]);
    assert!(near(&other.variants[1].1, &of(2.0)));
}
