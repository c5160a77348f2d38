//! How a lot was made, through splits, blends and second firings.

use blindsteep::book::Book;
use blindsteep::book::book_file::Limits;
use blindsteep::book::family::{Stretch, history};
use blindsteep::book::lots::{CameBy, How, LotFile, Parent};
use blindsteep::book::making::{Making, making};
use blindsteep::book::parameters::Value;
use blindsteep::book::writing::{NewLot, add_lot, split_lot};

use super::{new_book, noon, rng};

fn parent(lot: &str, arm: Option<&str>) -> Parent {
    Parent { lot: lot.to_owned(), arm: arm.map(str::to_owned), kg: Some(1.0) }
}

fn add(book: &Book, file: LotFile, values: &[(&str, &str)], how: How) {
    let new = NewLot {
        file,
        reserve_g: Some(100.0),
        values: values.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect(),
        how,
        by: None,
    };
    add_lot(book, &new, noon(), &mut rng()).unwrap();
}

fn file(id: &str, made: &str) -> LotFile {
    LotFile::new(id, "black", made.parse().unwrap())
}

fn child(id: &str, made: &str, came_by: CameBy, parents: Vec<Parent>) -> LotFile {
    LotFile { came_by: Some(came_by), parents, ..file(id, made) }
}

fn made(book: &Book, id: &str) -> Making {
    let lots = book.lots().unwrap();
    making(lots.iter().find(|l| l.id == id).unwrap(), &lots, &Limits::default())
}

fn number(making: &Making, parameter: &str) -> f64 {
    making.value(parameter).unwrap().value.number().unwrap()
}

#[test]
fn making_is_the_latest_of_each_step_and_what_follows_but_not_the_store() {
    let (_dir, book) = new_book();
    let spring = LotFile { season: Some("spring".to_owned()), ..file("A", "2026-05-01") };
    let values = [
        ("oxidise.hours", "2"),
        ("oxidise.hours", "3"),
        ("oxidise.temperature", "35"),
        ("store.humidity", "45"),
        ("dry.method", "sun"),
    ];
    add(&book, spring, &values, How::Estimated);
    let a = made(&book, "A");
    let ids: Vec<&str> = a.values.iter().map(|v| v.parameter.as_str()).collect();
    assert_eq!(
        ids,
        [
            "lot.class",
            "lot.season",
            "dry.method",
            "oxidise.hours",
            "oxidise.temperature",
            "derived.oxidation-dose",
            "derived.oxidation-hours"
        ]
    );
    assert_eq!(a.value("lot.season").unwrap().value, Value::Category("spring".to_owned()));
    assert_eq!(number(&a, "oxidise.hours"), 3.0);
    // By hand: three hours, ten degrees above 25 °C, a factor of 2: log2(3 · 2 / 3) = 1.
    assert!((number(&a, "derived.oxidation-dose") - 1.0).abs() < 1e-12);
    let dose = a.value("derived.oxidation-dose").unwrap();
    assert_eq!(dose.how, How::Estimated);
    assert!(dose.derived_from.as_ref().unwrap().contains("assumption"), "{dose:?}");
    assert!(a.values.iter().all(|v| v.inherited_from.is_none()));
}

#[test]
fn a_split_lot_has_its_making_from_the_lot_whose_log_says_it() {
    let (_dir, book) = new_book();
    let values = [("wither.hours", "16"), ("oxidise.hours", "3"), ("oxidise.temperature", "25")];
    let a = LotFile { garden: Some("Tavrinel".to_owned()), ..file("A", "2026-05-01") };
    add(&book, a, &values, How::Measured);
    let split = |id: &str, of: &str| LotFile {
        parted: Some("2026-06-01".parse().unwrap()),
        ..child(id, "2026-05-01", CameBy::Split, vec![parent(of, None)])
    };
    add(&book, split("B", "A"), &[], How::Measured);
    add(&book, split("C", "B"), &[("wither.hours", "14")], How::Measured);
    let c = made(&book, "C");
    let from = |p: &str| c.value(p).unwrap().inherited_from.as_deref();
    assert_eq!((number(&c, "wither.hours"), from("wither.hours")), (14.0, None));
    assert_eq!((number(&c, "oxidise.hours"), from("oxidise.hours")), (3.0, Some("A")));
    assert_eq!(from("derived.oxidation-dose"), Some("A"));
    assert_eq!(from("lot.garden"), Some("A"));
    assert_eq!(from("lot.class"), None);
    assert!(c.notes.is_empty(), "{:?}", c.notes);
}

#[test]
fn a_blend_has_what_its_parents_have_alike() {
    let (_dir, book) = new_book();
    add(
        &book,
        file("A", "2026-05-01"),
        &[("wither.hours", "16"), ("dry.method", "sun"), ("roll.minutes", "40")],
        How::Measured,
    );
    add(
        &book,
        file("B", "2026-05-02"),
        &[("wither.hours", "960 min"), ("dry.method", "hot-air")],
        How::Estimated,
    );
    let parents = vec![parent("A", None), parent("B", None)];
    add(&book, child("C", "2026-06-01", CameBy::Blend, parents), &[], How::Measured);
    let c = made(&book, "C");
    let wither = c.value("wither.hours").unwrap();
    assert_eq!((&wither.value, wither.how), (&Value::Number(16.0), How::Estimated));
    assert_eq!(wither.inherited_from.as_deref(), Some("A, B"));
    assert!(c.value("dry.method").is_none() && c.value("roll.minutes").is_none());
    let [note] = c.notes.as_slice() else { panic!("{:?}", c.notes) };
    assert!(note.contains("dry.method (A: sun; B: hot-air)"), "{note}");
    assert!(note.contains("roll.minutes (A: 40 min; B: not said)"), "{note}");
}

#[test]
fn a_second_firing_keeps_the_oxidation_and_makes_the_moisture_anew() {
    let (_dir, book) = new_book();
    let values = [
        ("roll.start", "2026-05-01T08:00:00+08:00"),
        ("dry.start", "2026-05-01T12:00:00+08:00"),
        ("oxidise.temperature", "25"),
        ("dry.temperature", "95"),
        ("dry.moisture", "6"),
    ];
    add(&book, file("A", "2026-05-01"), &values, How::Measured);
    let again = child("B", "2026-12-01", CameBy::Refire, vec![parent("A", None)]);
    let values = [("dry.start", "2026-12-01T08:00:00+08:00"), ("dry.temperature", "80")];
    add(&book, again, &values, How::Measured);
    let b = made(&book, "B");
    assert_eq!(number(&b, "dry.temperature"), 80.0);
    // By hand: 8:00 to 12:00, not to the second firing seven months later.
    assert_eq!(number(&b, "derived.oxidation-hours"), 4.0);
    assert!(b.value("dry.moisture").is_none() && b.value("derived.moisture").is_none());
    assert!(b.notes[0].contains("fired again"), "{:?}", b.notes);
}

#[test]
fn what_an_own_log_says_half_is_not_worked_out_from_the_parents_other_half() {
    let (_dir, book) = new_book();
    let values = [("oxidise.hours", "3"), ("oxidise.temperature", "25")];
    add(&book, file("A", "2026-05-01"), &values, How::Measured);
    let b = LotFile {
        parted: Some("2026-05-01".parse().unwrap()),
        ..child("B", "2026-05-01", CameBy::Split, vec![parent("A", None)])
    };
    add(&book, b, &[("oxidise.hours", "4")], How::Measured);
    let b = made(&book, "B");
    assert_eq!(number(&b, "derived.oxidation-hours"), 4.0);
    assert!(b.value("derived.oxidation-dose").is_none());
    assert!(b.notes[0].contains("derived.oxidation-dose"), "{:?}", b.notes);
}

#[test]
fn the_history_of_a_sample_runs_through_arms_and_splits_and_ends_at_a_new_tea() {
    let (_dir, book) = new_book();
    let day = |d: &str| d.parse().unwrap();
    add(&book, file("A", "2026-05-01"), &[], How::Measured);
    split_lot(&book, "A", &["dry".into(), "humid".into()], day("2026-06-01")).unwrap();
    let b = LotFile {
        parted: Some(day("2026-07-01")),
        ..child("B", "2026-05-01", CameBy::Split, vec![parent("A", Some("humid"))])
    };
    add(&book, b, &[], How::Measured);
    split_lot(&book, "B", &["tin".into(), "clay".into()], day("2026-08-01")).unwrap();
    let again = child("C", "2026-09-01", CameBy::Refire, vec![parent("B", Some("tin"))]);
    add(&book, again, &[], How::Measured);
    let lots = book.lots().unwrap();
    let of = |id: &str, arm: &str| history(lots.iter().find(|l| l.id == id).unwrap(), arm, &lots);
    let stretch = |lot: &str, arm: &str, until: Option<&str>| Stretch {
        lot: lot.to_owned(),
        arm: arm.to_owned(),
        until: until.map(|d| d.parse().unwrap()),
    };
    assert_eq!(
        of("B", "TIN"),
        [
            stretch("B", "tin", None),
            stretch("B", "main", Some("2026-08-01")),
            stretch("A", "humid", Some("2026-07-01")),
            stretch("A", "main", Some("2026-06-01")),
        ]
    );
    assert_eq!(
        of("A", "dry"),
        [stretch("A", "dry", None), stretch("A", "main", Some("2026-06-01"))]
    );
    assert_eq!(of("A", "main"), [stretch("A", "main", None)]);
    assert_eq!(of("C", "main"), [stretch("C", "main", None)]);
}
