//! The calendar file, read by a library of another author (vobject).

use std::collections::{BTreeMap, BTreeSet};

use blindsteep::book::Book;
use blindsteep::book::book_file::Limits;
use blindsteep::book::time::{Day, Moment};
use blindsteep::findings::due::{Due, Record, Wish, due};
use blindsteep::plots::Lang;
use blindsteep::session::standing::Standing;
use blindsteep::views::calendar::{Events, Writing, is_own, of};
use vobject::{Component, parse_component};

use super::new_book;
use super::retasting::{lot, plans};

fn finding(book: &Book, on: &str, until: &str) -> Due {
    let lots = book.lots().unwrap();
    let day = |text: &str| text.parse::<Day>().unwrap();
    let record = Record {
        lots: &lots,
        retasting: &book.retasting(&lots).unwrap(),
        recipes: &book.recipes().unwrap().value,
        recipe: Some("iso3103"),
        flight_cups: 8,
        limits: &Limits::default(),
        standing: &Standing::of(Vec::new(), Vec::new()),
    };
    due(
        &record,
        &Wish { on: day(on), until: day(until), with: Vec::new(), days: None, alone: false },
    )
}

fn writing<'a>(book: &'a str, now: &str, lang: Lang) -> Writing<'a> {
    Writing { book, now: now.parse::<Moment>().unwrap(), lang }
}

/// The fields of an event by their names, its parameters behind them.
fn fields(event: &Component) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for (name, list) in &event.props {
        assert_eq!(list.len(), 1, "{name} stands once");
        let params: String =
            list[0].params.iter().map(|(key, value)| format!(";{key}={value}")).collect();
        all.insert(format!("{name}{params}"), list[0].value_as_string());
    }
    all
}

fn events(text: &str) -> Vec<BTreeMap<String, String>> {
    let calendar = parse_component(text).unwrap();
    assert_eq!(calendar.name, "VCALENDAR");
    calendar
        .subcomponents
        .iter()
        .map(|event| {
            assert_eq!(event.name, "VEVENT");
            assert!(event.subcomponents.is_empty());
            fields(event)
        })
        .collect()
}

fn two_lots() -> (tempfile::TempDir, Book) {
    let (dir, book) = new_book();
    lot(&book, "T26-01", "black", "2026-01-01", &[], Some(300.0));
    lot(&book, "T26-02", "black", "2026-02-20", &["dry", "humid"], None);
    (dir, book)
}

#[test]
fn all_fields_are_read_back_by_another_library() {
    let (_dir, book) = two_lots();
    let f = finding(&book, "2026-03-01", "2026-03-31");
    let (text, n) = of(&f, &writing("Garden", "2026-03-01T07:30:00+08:00", Lang::En));
    let all = events(&text);
    // The first lot's 2 months (61 days, 2026-03-03), both arms' 2 weeks (2026-03-06).
    assert_eq!((n, all.len()), (Events { tastings: 3, cancelled: 0 }, 3));
    let first = &all[0];
    let expected = [
        ("CLASS", "PRIVATE"),
        (
            "DESCRIPTION",
            "Made (or packed) 2026-01-01; 2 months on 2026-03-03.\nLeaf: 11.2 g at most; left by the \
             log: 300.0 g.\nRecipe: iso3103.\nTo plan the session: blindsteep due --on 2026-03-03 \
             --plan NAME --tasters A,B,C\nKeep this calendar from whoever tastes: it names samples.",
        ),
        ("DTEND;VALUE=DATE", "20260304"),
        ("DTSTAMP", "20260228T233000Z"),
        ("DTSTART;VALUE=DATE", "20260303"),
        ("SEQUENCE", "2251"),
        ("STATUS", "CONFIRMED"),
        ("SUMMARY", "Taste T26-01 again: 2 months"),
        ("TRANSP", "TRANSPARENT"),
    ];
    for (name, value) in expected {
        assert_eq!(first.get(name).map(String::as_str), Some(value), "{name}");
    }
    assert_eq!(first.len(), expected.len() + 1, "and the UID: {first:?}");
    assert!(all[1]["DESCRIPTION"].contains("no reserve recorded"));
    assert_eq!(all[1]["SUMMARY"], "Taste T26-02@dry again: 2 weeks");
    let calendar = parse_component(&text).unwrap();
    let of_calendar = fields(&calendar);
    for (name, value) in [
        ("VERSION", "2.0"),
        ("CALSCALE", "GREGORIAN"),
        ("METHOD", "PUBLISH"),
        ("X-WR-CALNAME", "Tasting again: Garden"),
    ] {
        assert_eq!(of_calendar[name], value);
    }
    assert!(of_calendar["PRODID"].starts_with("-//blindsteep//"));
}

/// RFC 5545, section 3.1: lines end with CRLF and have at most 75 octets, and none is folded within a
/// character. A title of every length is tried, so that folds fall at every place.
#[test]
fn lines_are_folded_at_75_octets_and_never_within_a_character() {
    let (_dir, book) = two_lots();
    let f = finding(&book, "2026-03-01", "2027-03-01");
    for n in 0..160 {
        let title: String = "塔夫里内尔茶园、x, 茶; \\ü😀".chars().cycle().take(n).collect();
        let (text, _) = of(&f, &writing(&title, "2026-03-01T07:30:00+08:00", Lang::Zh));
        assert!(text.ends_with("\r\n"));
        assert_eq!(text.matches('\n').count(), text.matches("\r\n").count());
        assert_eq!(text.matches('\r').count(), text.matches("\r\n").count());
        // A string is UTF-8 line by line, since it is as a whole and lines end at a character.
        for line in text.split("\r\n") {
            assert!(line.len() <= 75, "{} octets: {line}", line.len());
        }
        let calendar = parse_component(&text).unwrap();
        assert_eq!(fields(&calendar)["X-WR-CALNAME"], format!("复评：{title}"), "{n}");
        let summary = fields(&calendar.subcomponents[0])["SUMMARY"].clone();
        assert_eq!(summary, "复评 T26-01：2 个月");
    }
}

/// Commas, semicolons, backslashes and line ends as RFC 5545, section 3.3.11, has them; its example
/// (from memory): `Project XYZ Final Review\nConference Room - 3B\nCome Prepared.`
#[test]
fn texts_are_escaped_as_the_standard_says() {
    let (_dir, book) = two_lots();
    let f = finding(&book, "2026-03-01", "2026-03-31");
    let title = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared.";
    let (text, _) = of(&f, &writing(title, "2026-03-01T07:30:00+08:00", Lang::En));
    let unfolded = text.replace("\r\n ", "");
    let expected = "Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared.\r\n";
    assert!(unfolded.contains(expected), "{unfolded}");
    let title = "a,b;c\\n:d\"";
    let (text, _) = of(&f, &writing(title, "2026-03-01T07:30:00+08:00", Lang::En));
    assert!(text.contains("Tasting again: a\\,b\\;c\\\\n:d\"\r\n"), "{text}");
}

#[test]
fn a_later_copy_takes_the_place_of_an_earlier_one() {
    let (_dir, book) = two_lots();
    let uids = |f: &Due, now: &str, title: &str| {
        let (text, _) = of(f, &writing(title, now, Lang::En));
        let all = events(&text);
        let by: BTreeMap<String, String> =
            all.iter().map(|e| (e["UID"].clone(), e["SUMMARY"].clone())).collect();
        assert_eq!(by.len(), all.len(), "each event has a UID of its own");
        (by, all[0]["SEQUENCE"].parse::<u32>().unwrap(), all[0]["DTSTAMP"].clone())
    };
    let f = finding(&book, "2026-03-01", "2028-01-01");
    let early = uids(&f, "2026-03-01T07:30:00+08:00", "Garden");
    let again = uids(&f, "2026-03-01T07:30:00+08:00", "Garden");
    assert_eq!(early, again, "the same at the same moment");
    // A month later, and by other plans: 2 months is still 2 months.
    plans(&book, "[[plan]]\nid = \"all\"\nafter = [\"1m\", \"2m\"]\nthen = \"1y\"\n");
    let f = finding(&book, "2026-03-02", "2028-01-01");
    let late = uids(&f, "2026-03-02T07:30:00+08:00", "Garden");
    let kept: BTreeSet<&String> = early.0.keys().filter(|u| late.0.contains_key(*u)).collect();
    assert!(kept.iter().any(|u| early.0[u.as_str()] == "Taste T26-01 again: 2 months"));
    for uid in kept {
        assert_eq!(
            early.0[uid.as_str()].split(" (").next(),
            late.0[uid.as_str()].split(" (").next()
        );
    }
    assert!(late.1 > early.1 && late.2 > early.2);
    let other = uids(&f, "2026-03-02T07:30:00+08:00", "Another garden");
    assert!(other.0.keys().all(|uid| !late.0.contains_key(uid)));
}

#[test]
fn what_is_overdue_stands_on_the_day_that_is_asked_about_and_quarantine_takes_back() {
    let (_dir, book) = two_lots();
    let log = book.root().join("lots/T26-01/log.csv");
    let f = finding(&book, "2026-04-10", "2026-05-01");
    let (text, _) = of(&f, &writing("Garden", "2026-04-10T07:30:00+08:00", Lang::Zh));
    let first = events(&text).into_iter().find(|e| e["SUMMARY"].contains("T26-01")).unwrap();
    assert_eq!(first["DTSTART;VALUE=DATE"], "20260410");
    assert_eq!(first["SUMMARY"], "复评 T26-01：2 个月（应于 2026-03-03）");
    let mut lines = std::fs::read_to_string(&log).unwrap();
    lines.push_str("q,2026-04-01T12:00:00+08:00,,store.quarantine,yes,,measured,,,,\n");
    std::fs::write(&log, lines).unwrap();
    let f = finding(&book, "2026-04-10", "2026-05-01");
    let (text, _) = of(&f, &writing("Garden", "2026-04-10T07:30:00+08:00", Lang::Zh));
    let now = events(&text).into_iter().find(|e| e["UID"] == first["UID"]).unwrap();
    assert_eq!(now["STATUS"], "CANCELLED");
    assert_eq!(now["SUMMARY"], "不评：T26-01，2 个月（隔离或过潮）");
    let (text, n) = of(&f, &writing("Garden", "2026-04-10T07:30:00+08:00", Lang::En));
    // Of the other lot both arms have 2 months on 2026-04-22.
    assert_eq!(n, Events { tastings: 2, cancelled: 1 });
    let now = events(&text).into_iter().find(|e| e["UID"] == first["UID"]).unwrap();
    assert_eq!(now["SUMMARY"], "Not tasted: T26-01, 2 months (in quarantine or too damp)");
    assert!(now["DESCRIPTION"].starts_with("T26-01 is not served: in quarantine"), "{now:?}");
    assert!(!now["DESCRIPTION"].contains("--plan"), "{now:?}");
}

/// Only what this program wrote may be written anew.
#[test]
fn a_calendar_of_this_program_is_known_by_its_product_identifier() {
    let (_dir, book) = two_lots();
    let f = finding(&book, "2026-03-01", "2026-03-31");
    let (text, _) = of(&f, &writing("Garden", "2026-03-01T07:30:00+08:00", Lang::En));
    assert!(is_own(&text));
    let other = text.replace("PRODID:-//blindsteep//", "PRODID:-//somebody//");
    assert!(!is_own(&other) && !is_own("") && !is_own("my own notes\n"));
    // That an event quotes it makes no calendar ours.
    let quoted =
        other.replace("BEGIN:VEVENT\r\n", "BEGIN:VEVENT\r\nPRODID:-//blindsteep//blindsteep \r\n");
    assert!(!is_own(&quoted));
}
