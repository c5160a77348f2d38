//! Moments of making: by the book's clock, of a day that is named or near.

use blindsteep::book::Book;
use blindsteep::book::lot_warnings::slips;
use blindsteep::book::lots::LotFile;
use blindsteep::book::starter::{Beginning, begin};
use blindsteep::book::time::Moment;
use blindsteep::book::writing::{Entry, NewLot, add_lot, log_lot};

use super::rng;

/// A book eight hours east of Greenwich, with a lot made on 2025-10-08.
fn eastern_book() -> (tempfile::TempDir, Book) {
    let dir = tempfile::tempdir().unwrap();
    let beginning = Beginning { zone: Some("Etc/GMT-8".to_owned()), ..Beginning::default() };
    let book = begin(&dir.path().join("book"), &beginning).unwrap();
    let file = LotFile::new("T25-16", "black", "2025-10-08".parse().unwrap());
    let values = vec![("roll.start".to_owned(), "2025-10-07T22:15".to_owned())];
    let new = NewLot { values, ..NewLot::of(file) };
    add_lot(&book, &new, at("2025-10-08T12:00:00Z"), &mut rng()).unwrap();
    (dir, book)
}

fn at(text: &str) -> Moment {
    text.parse().unwrap()
}

fn log(book: &Book, entry: &Entry, now: &str) -> Result<String, String> {
    log_lot(book, "T25-16", entry, at(now), &mut rng())
        .map(|line| line.value.unwrap())
        .map_err(|e| e.to_string())
}

fn entry(parameter: &str, value: &str) -> Entry {
    Entry::new(parameter.to_owned(), Some(value.to_owned()))
}

#[test]
fn a_bare_time_is_of_today_only_if_the_lot_was_made_around_then() {
    let (_dir, book) = eastern_book();
    let bare = entry("dry.start", "8:40");
    let told = log(&book, &bare, "2026-11-25T20:00:00Z").unwrap_err();
    // 20:00 in Greenwich is 4:00 of the next day on the book's clock.
    assert!(told.contains("8:40 names no day, and 2026-11-26 (today) is far"), "{told}");
    assert!(told.contains("to mend:  name the day, as in 2025-10-08T08:40"), "{told}");
    // The machine's clock says the 7th, the book's the 8th.
    let line = log(&book, &bare, "2025-10-07T20:00:00Z").unwrap();
    assert_eq!(line, "2025-10-08T08:40:00+08:00");
    let lot = book.lot("T25-16").unwrap();
    assert_eq!(lot.parameter("roll.start").unwrap().value.to_string(), "2025-10-07T22:15:00+08:00");
    // What is named is taken at any time: with the value, or by --at with its own clock.
    let named = entry("roll.press-on", "2025-10-07 22:20");
    let line = log(&book, &named, "2026-11-25T20:00:00Z").unwrap();
    assert_eq!(line, "2025-10-07T22:20:00+08:00");
    let by_at =
        Entry { at: Some(at("2025-10-07T22:00:00+09:00")), ..entry("roll.press-off", "23:40") };
    let line = log(&book, &by_at, "2026-11-25T20:00:00Z").unwrap();
    assert_eq!(line, "2025-10-07T23:40:00+09:00");
}

#[test]
fn a_correction_of_a_time_is_of_the_day_that_it_corrects() {
    let (_dir, book) = eastern_book();
    let old = book.lot("T25-16").unwrap().values[0].entry.clone();
    let correction = Entry {
        replaces: Some(old),
        reason: Some("misread".to_owned()),
        ..entry("roll.start", "22:05")
    };
    let line = log(&book, &correction, "2026-11-25T20:00:00Z").unwrap();
    assert_eq!(line, "2025-10-07T22:05:00+08:00");
}

#[test]
fn moments_far_from_the_day_on_which_a_lot_was_made_are_told_with_their_lines() {
    let (_dir, book) = eastern_book();
    let told = |book: &Book| slips(&[&book.lot("T25-16").unwrap()], at("2027-01-01T00:00:00Z"));
    assert!(told(&book).is_empty(), "{:?}", told(&book));
    log(&book, &entry("dry.start", "2025-10-18T08:40"), "2026-11-25T20:00:00Z").unwrap();
    log(&book, &entry("wither.start", "2025-09-20T08:40"), "2026-11-25T20:00:00Z").unwrap();
    let told = told(&book);
    assert_eq!(told.len(), 2, "{told:?}");
    let all = told.join("\n");
    let dry =
        "log.csv:3: dry.start of T25-16 is 2025-10-18T08:40:00+08:00, 10 days after it was made";
    let wither = "log.csv:4: wither.start of T25-16 is 2025-09-20T08:40:00+08:00, 18 days before it was made";
    assert!(all.contains(dry) && all.contains(wither), "{all}");
    assert!(all.contains("log a line that replaces entry"), "{all}");
}
