//! Lots and their logs.

use std::fs;

use blindsteep::book::book_file::Limits;
use blindsteep::book::lot_warnings::leaf;
use blindsteep::book::lots::{How, LotFile, Parent};
use blindsteep::book::parameters::Value;
use blindsteep::book::store::{self, StoreError};
use blindsteep::book::writing::{Entry, NewLot, add_lot, log_lot, split_lot};
use blindsteep::book::{Book, BookError};

use super::{new_book, noon, rng};

fn lot(id: &str, values: &[(&str, &str)]) -> NewLot {
    NewLot {
        file: LotFile::new(id, "black", "2026-05-01".parse().unwrap()),
        reserve_g: Some(300.0),
        values: values.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect(),
        how: How::Measured,
        by: None,
    }
}

fn add(book: &Book, id: &str, values: &[(&str, &str)]) -> Result<(), BookError> {
    add_lot(book, &lot(id, values), noon(), &mut rng()).map(|_| ())
}

fn entry(parameter: &str, value: &str) -> Entry {
    Entry::new(parameter.to_owned(), Some(value.to_owned()))
}

fn log(book: &Book, id: &str, entry: &Entry, seed: u64) -> Result<String, BookError> {
    use rand_chacha::rand_core::SeedableRng as _;
    let mut rng = rand_chacha::ChaCha12Rng::seed_from_u64(seed);
    Ok(log_lot(book, id, entry, noon(), &mut rng)?.entry)
}

#[test]
fn a_value_is_kept_as_it_was_written_and_read_in_its_parameters_unit() {
    let (_dir, book) = new_book();
    add(&book, "T1", &[("wither.hours", "960min"), ("roll.temperature", "82 °F")]).unwrap();
    let text = fs::read_to_string(book.root().join("lots/T1/log.csv")).unwrap();
    assert!(text.contains(",wither.hours,960,min,measured"), "{text}");
    let lot = book.lot("t1").unwrap();
    // 960 min are 16 h; 82 °F are (82 − 32) · 5/9 °C.
    assert_eq!(lot.parameter("wither.hours").unwrap().value, Value::Number(16.0));
    let celsius = lot.parameter("roll.temperature").unwrap().value.number().unwrap();
    assert!((celsius - 250.0 / 9.0).abs() < 1e-9);
}

#[test]
fn a_unit_that_does_not_fit_is_refused_with_those_that_do() {
    let (_dir, book) = new_book();
    let refused = add(&book, "T1", &[("wither.hours", "16 kg")]).unwrap_err().to_string();
    assert!(refused.contains("h, s, min, d"), "{refused}");
    assert!(!book.root().join("lots/T1").exists());
    assert_eq!(fs::read_dir(book.root().join("lots")).unwrap().count(), 0);
}

#[test]
fn a_correction_takes_the_place_of_a_line_that_stays_to_be_seen() {
    let (_dir, book) = new_book();
    add(&book, "T1", &[]).unwrap();
    let wrong = log(&book, "T1", &entry("dry.moisture", "7.2"), 2).unwrap();
    let correction = Entry {
        replaces: Some(wrong.clone()),
        reason: Some("another lot's sample".to_owned()),
        ..entry("dry.moisture", "4.0")
    };
    log(&book, "T1", &correction, 3).unwrap();
    let lot = book.lot("T1").unwrap();
    assert_eq!(lot.history("dry.moisture", "main").len(), 1);
    assert_eq!(lot.parameter("dry.moisture").unwrap().value, Value::Number(4.0));
    assert!(lot.log.values().any(|l| l.entry == wrong));
}

#[test]
fn a_correction_needs_a_reason_and_an_entry_that_is_there() {
    let (_dir, book) = new_book();
    add(&book, "T1", &[("dry.moisture", "4")]).unwrap();
    let there = book.lot("T1").unwrap().log.lines[0].value.entry.clone();
    let before = fs::read(book.root().join("lots/T1/log.csv")).unwrap();
    let replaces = |e: &str, reason: Option<&str>| Entry {
        replaces: Some(e.to_owned()),
        reason: reason.map(str::to_owned),
        ..entry("dry.moisture", "5")
    };
    assert!(log(&book, "T1", &replaces(&there, None), 2).is_err());
    assert!(log(&book, "T1", &replaces("nobody", Some("misread")), 2).is_err());
    assert_eq!(fs::read(book.root().join("lots/T1/log.csv")).unwrap(), before);
}

#[test]
fn a_line_that_contradicts_the_log_is_refused_and_a_contradiction_can_be_mended() {
    let (_dir, book) = new_book();
    add(&book, "T1", &[("wither.mass-in", "80")]).unwrap();
    assert!(log(&book, "T1", &entry("wither.mass-out", "90"), 2).is_err());
    log(&book, "T1", &entry("wither.mass-out", "50"), 3).unwrap();
    // As two united copies of a book may have it.
    let file = book.root().join("lots/T1/log.csv");
    let mut text = fs::read_to_string(&file).unwrap();
    text.push_str("zz,2026-05-01T13:00:00+08:00,,wither.mass-out,90,,measured,,,,\n");
    fs::write(&file, text).unwrap();
    assert!(book.lot("T1").is_err());
    let mend = Entry {
        value: None,
        replaces: Some("zz".to_owned()),
        reason: Some("another batch".to_owned()),
        ..entry("wither.mass-out", "")
    };
    log(&book, "T1", &mend, 4).unwrap();
    let lot = book.lot("T1").unwrap();
    assert_eq!(lot.parameter("wither.mass-out").unwrap().value, Value::Number(50.0));
}

#[test]
fn what_is_left_of_a_reserve_is_kept_by_arms() {
    let (_dir, book) = new_book();
    add(&book, "T1", &[]).unwrap();
    log(&book, "T1", &entry("reserve.drawn", "0.012 kg"), 2).unwrap();
    split_lot(&book, "T1", &["dry".into(), "humid".into()], "2026-06-01".parse().unwrap()).unwrap();
    let of_arm = Entry { arm: Some("dry".to_owned()), ..entry("reserve.kept", "100") };
    log(&book, "T1", &of_arm, 3).unwrap();
    let lot = book.lot("T1").unwrap();
    assert_eq!(lot.reserve("main").unwrap().left_g, 288.0);
    assert_eq!(lot.reserve("dry").unwrap().left_g, 100.0);
    assert_eq!(lot.reserve("humid"), None);
    assert_eq!(lot.arms(), ["dry", "humid"]);
    assert_eq!(lot.arms_on("2026-05-31".parse().unwrap()), ["main"]);
}

#[test]
fn oxidation_runs_from_the_first_roll_to_the_drier_and_says_so() {
    let (_dir, book) = new_book();
    let steps = [
        ("roll.start", "2026-05-01T08:00:00+08:00"),
        ("dry.start", "2026-05-01T12:30:00+08:00"),
        ("roll.minutes", "60"),
        ("oxidise.hours", "3"),
    ];
    add(&book, "A", &steps).unwrap();
    add(&book, "B", &steps[2..]).unwrap();
    add(&book, "C", &steps[3..]).unwrap();
    // By hand: 8:00 to 12:30; 60 min and 3 h; 3 h alone.
    for (id, hours, how) in
        [("A", 4.5, "first roll"), ("B", 4.0, "not counted"), ("C", 3.0, "falls short")]
    {
        let got = book.lot(id).unwrap().derived().oxidation_hours.unwrap();
        assert!((got.value - hours).abs() < 1e-12, "{id}");
        assert!(got.how.contains(how), "{id}: {}", got.how);
    }
}

#[test]
fn moisture_and_mass_loss_follow_from_masses() {
    let (_dir, book) = new_book();
    let masses = [
        ("pluck.moisture", "75"),
        ("wither.mass-in", "80"),
        ("wither.mass-out", "50"),
        ("dry.mass-out", "21"),
    ];
    add(&book, "A", &masses).unwrap();
    let derived = book.lot("A").unwrap().derived();
    // By hand: 80 kg at 75 % hold 20 kg of dry matter: 60 % water in 50 kg, 1/21 in 21 kg.
    assert!((derived.wither_moisture_pct.unwrap().value - 60.0).abs() < 1e-9);
    assert!((derived.moisture_pct.unwrap().value - 100.0 / 21.0).abs() < 1e-9);
    assert!((derived.mass_loss_pct.unwrap().value - 73.75).abs() < 1e-9);
}

#[test]
fn damp_tea_is_warned_of_but_not_refused() {
    let (_dir, book) = new_book();
    add(&book, "A", &[("dry.moisture", "7.2")]).unwrap();
    let warned = || {
        let lots = book.lots().unwrap();
        leaf(&[&lots[0]], &lots, &Limits::default(), noon().day())
    };
    assert!(warned()[0].contains("7.2 %") && warned()[0].contains("licensed laboratory"));
    log(&book, "A", &entry("store.moisture", "5"), 2).unwrap();
    assert!(warned().is_empty());
}

#[test]
fn two_copies_of_a_book_merge_by_uniting_their_lines() {
    let (_dir, book) = new_book();
    add(&book, "A", &[("wither.hours", "16")]).unwrap();
    let file = book.root().join("lots/A/log.csv");
    let common = fs::read_to_string(&file).unwrap();
    let mut added = Vec::new();
    for (seed, parameter) in [(2, "store.humidity"), (3, "store.temperature")] {
        fs::write(&file, &common).unwrap();
        log(&book, "A", &entry(parameter, "50"), seed).unwrap();
        added.push(fs::read_to_string(&file).unwrap().replace(&common, ""));
    }
    let pieces = |first: usize, second: usize| {
        fs::write(&file, format!("{common}{}{}", added[first], added[second])).unwrap();
        let mut values: Vec<(String, String)> = book
            .lot("A")
            .unwrap()
            .values
            .iter()
            .map(|v| (v.parameter.clone(), v.value.to_string()))
            .collect();
        values.sort();
        values
    };
    assert_eq!(pieces(0, 1), pieces(1, 0));
    assert_eq!(pieces(0, 1).len(), 4);
}

#[test]
fn many_writers_at_once_lose_nothing() {
    let (_dir, book) = new_book();
    add(&book, "A", &[]).unwrap();
    std::thread::scope(|scope| {
        for writer in 0..6_u64 {
            let book = &book;
            scope.spawn(move || {
                for i in 0..5 {
                    let line = entry("reserve.drawn", "1");
                    while let Err(e) = log(book, "A", &line, 100 + writer * 10 + i) {
                        assert!(matches!(e, BookError::Store(StoreError::Locked(_))), "{e}");
                        std::thread::yield_now();
                    }
                }
            });
        }
    });
    assert_eq!(book.lot("A").unwrap().reserve("main").unwrap().drawn_g, 30.0);
}

#[test]
fn a_lot_that_cannot_be_written_leaves_nothing_behind() {
    let (_dir, book) = new_book();
    let lots = book.root().join("lots");
    fs::remove_dir(&lots).unwrap();
    fs::write(&lots, "a file where a folder should be").unwrap();
    assert!(add(&book, "A", &[("wither.hours", "16")]).is_err());
    assert_eq!(fs::read_to_string(&lots).unwrap(), "a file where a folder should be");
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_and_the_old_text_stands() {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("log.csv");
    std::os::unix::fs::symlink("/dev/full", &log).unwrap();
    let told = store::append(&log, "a\n", "1\n").unwrap_err().to_string();
    assert!(told.contains("append to") && told.contains("log.csv"), "{told}");
    // A device is never read as a file of the record: it may have no end.
    assert!(store::read_text(&log).is_err());
}

#[test]
fn a_lot_is_added_once_and_its_parents_must_be_there() {
    let (_dir, book) = new_book();
    add(&book, "T1", &[]).unwrap();
    assert!(add(&book, "t1", &[]).unwrap_err().to_string().contains("T1 already"));
    let mut child = lot("T2", &[]);
    child.file.parents = vec![Parent { lot: "T9".to_owned(), arm: None, kg: Some(1.0) }];
    assert!(add_lot(&book, &child, noon(), &mut rng()).is_err());
    assert!(!book.root().join("lots/T2").exists());
    child.file.parents[0].lot = "T1".to_owned();
    add_lot(&book, &child, noon(), &mut rng()).unwrap();
    assert_eq!(book.lots().unwrap().len(), 2);
}

#[test]
fn values_of_a_lot_made_earlier_are_dated_at_noon_of_that_day() {
    let (_dir, book) = new_book();
    let later = "2026-05-09T07:30:00+08:00".parse().unwrap();
    let added = add_lot(&book, &lot("A", &[("wither.hours", "16")]), later, &mut rng()).unwrap();
    assert_eq!(added.values[0].at.to_string(), "2026-05-01T12:00:00+08:00");
}

#[test]
fn a_session_is_named_by_any_part_that_no_other_has() {
    let (_dir, book) = new_book();
    for name in ["2026-05-14-spring", "2026-10-02-autumn", "2026-10-03-autumn-again"] {
        fs::create_dir_all(book.root().join("sessions").join(name)).unwrap();
    }
    assert_eq!(book.session_name("spring").unwrap(), "2026-05-14-spring");
    assert_eq!(book.session_name("2026-10-02-autumn").unwrap(), "2026-10-02-autumn");
    // A whole name goes before a part of another.
    assert_eq!(book.session_name("autumn").unwrap(), "2026-10-02-autumn");
    assert!(book.session_name("aut").unwrap_err().to_string().contains("several"));
    assert!(book.session_name("sping").is_err());
}
