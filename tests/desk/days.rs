//! Days that cannot be or hardly can: what the desk refuses, asks back, and keeps ticked.

use super::common::Garden;
use super::forms::{beside, log_of, refused};
use super::record::{Maker, between, open};

fn seen(maker: &Maker, path: &str) -> String {
    between(&maker.shown(path), "name=\"seen\" value=\"", "\"").to_owned()
}

/// Puts another day for that on which a lot was made, as an editor would.
fn made_on(garden: &Garden, lot: &str, was: &str, day: &str) {
    let file = garden.root().join(format!("lots/{lot}/lot.toml"));
    let text = std::fs::read_to_string(&file).unwrap();
    assert!(text.contains(was), "{text}");
    std::fs::write(&file, text.replace(was, day)).unwrap();
}

#[test]
fn a_lot_that_was_tasted_was_not_made_later() {
    let (garden, _desk, maker) = open();
    let before = garden.read("lots/T24-01/lot.toml");
    let digest = seen(&maker, "/lots/T24-01/edit");
    // The first session that tasted it was on 2024-06-09.
    let edit = [("seen", digest.as_str()), ("class", "black"), ("made", "2026-01-01")];
    let page = refused(&maker, "/lots/T24-01/edit", &edit);
    let told = "made on 2026-01-01, but it was tasted on 2024-06-09 in 2024-06-09-month-01";
    assert!(beside(&page, "made").contains(told), "{}", beside(&page, "made"));
    let text = before.replace("made = 2024-05-06", "made = 2026-01-01");
    assert_ne!(text, before);
    let page = refused(&maker, "/lots/T24-01/text", &[("seen", &digest), ("text", &text)]);
    assert!(page.contains(told), "{page}");
    assert_eq!(garden.read("lots/T24-01/lot.toml"), before);
    // A day before its tastings is taken.
    let text = before.replace("made = 2024-05-06", "made = 2024-05-07");
    assert_eq!(maker.post("/lots/T24-01/text", &[("seen", &digest), ("text", &text)]).0, 303);

    // Where a file says so all the same, no sheet is issued and the lot is not linked; its notes can be mended.
    made_on(&garden, "T24-01", "made = 2024-05-07", "made = 2026-01-01");
    let (code, told) = garden.run(&["sheet", "T24-01"]);
    let why =
        "T24-01 was tasted on 2024-06-10 in 2024-06-09-month-01, before it was made on 2026-01-01";
    let other = why.replace("2024-06-10", "2024-06-09");
    assert!(code == 2 && (told.contains(why) || told.contains(&other)), "{code} {told}");
    let link = ["link", "--about", "sweet", "--only", "wither.hours", "--json"];
    let (code, found) = garden.run(&link);
    let reason = "it was tasted before the day on which it was made: one of the two days is wrong";
    assert!(code == 0 && found.contains(reason), "{code} {found}");
    let (status, page) = maker.get("/sheets/of/T24-01");
    assert!(status == 422 || page.contains("before it was made on 2026-01-01"), "{status} {page}");
    assert!(!page.contains("months after making"), "{page}");
    let digest = seen(&maker, "/lots/T24-01/edit");
    let text = format!("{}notes = \"mended\"\n", garden.read("lots/T24-01/lot.toml"));
    let saved = maker.post("/lots/T24-01/text", &[("seen", &digest), ("text", &text)]);
    assert_eq!(saved.0, 303, "{}", saved.1);
}

#[test]
fn nothing_is_drawn_before_the_lot_was_there() {
    let (garden, _desk, maker) = open();
    let before = log_of(&garden, "T25-16");
    let draw = [("which", "reserve.drawn"), ("grams", "5"), ("at", "2025-01-01T10:00")];
    let page = refused(&maker, "/lots/T25-16/draw", &draw);
    let told = "T25-16 is there since 2025-10-08, after 2025-01-01 10:00";
    assert!(beside(&page, "at").contains(told), "{}", beside(&page, "at"));
    let log = ["lot", "log", "T25-16", "reserve.drawn", "5", "--at", "2025-01-01T10:00"];
    let (code, said) = garden.run(&log);
    assert!(code == 2 && said.contains(told), "{code} {said}");
    // The same words where it is moved.
    let moved = [("place", "loft"), ("on", "2025-01-01T10:00")];
    assert!(beside(&refused(&maker, "/lots/T25-16/move", &moved), "on").contains(told));
    assert_eq!(log_of(&garden, "T25-16"), before);
}

#[test]
fn an_odd_day_is_asked_back_by_every_form_until_it_is_meant() {
    let (garden, _desk, maker) = open();
    let before = log_of(&garden, "T25-16");
    let (ahead, made) = ("more than a year ahead", "after the day on which the lot was made");
    for (form, fields, field, told) in [
        ("move", vec![("place", "loft"), ("on", "2099-01-01T10:00")], "on", ahead),
        ("quarantine", vec![("reason", "musty"), ("on", "2099-01-01T10:00")], "on", ahead),
        (
            "draw",
            vec![("which", "reserve.drawn"), ("grams", "5"), ("at", "2099-01-01T10:00")],
            "at",
            ahead,
        ),
        (
            "log",
            vec![("parameter", "wither.hours"), ("value", "12"), ("at", "0001-01-01T10:00")],
            "at",
            "lies before 1900",
        ),
        ("log", vec![("parameter", "wither.start"), ("value", "2025-10-10T08:00")], "value", made),
        ("log", vec![("parameter", "wither.start"), ("value", "2099-01-01T08:00")], "value", ahead),
        ("split", vec![("way", "arms"), ("part-1", "dry"), ("on", "2099-01-01")], "on", ahead),
    ] {
        let page = refused(&maker, &format!("/lots/T25-16/{form}"), &fields);
        assert!(beside(&page, field).contains(told), "{form}: {}", beside(&page, field));
        assert!(page.contains("is this right?"), "{form}: {page}");
    }
    assert_eq!(log_of(&garden, "T25-16"), before);
    let new =
        [("id", "T26-01"), ("class", "black"), ("made", "2099-01-01"), ("picked", "0999-12-31")];
    let page = refused(&maker, "/lots/new", &new);
    assert!(beside(&page, "made").contains(ahead), "{page}");
    assert!(beside(&page, "picked").contains("lies before 1900"), "{page}");
    let page = refused(&maker, "/new-batch", &new[..3]);
    assert!(beside(&page, "made").contains(ahead), "{page}");
    let digest = seen(&maker, "/lots/T25-16/edit");
    let edit = [("seen", digest.as_str()), ("class", "black"), ("made", "0001-01-01")];
    let page = refused(&maker, "/lots/T25-16/edit", &edit);
    assert!(beside(&page, "made").contains("lies before 1900"), "{page}");
    let plan = [
        ("kind", "profile"),
        ("name", "x"),
        ("day", "2099-01-01"),
        ("fill", "lots"),
        ("lot", "T25-16"),
        ("lot", "T25-15"),
        ("taster", "gil"),
        ("terms", "default"),
        ("seed", "7"),
    ];
    let page = refused(&maker, "/sessions/new", &plan);
    assert!(beside(&page, "day").contains(ahead), "{page}");
    assert!(!garden.root().join("sessions/2099-01-01-x").exists());
    // Meant, it is done.
    let meant = [("parameter", "wither.start"), ("value", "2025-10-10T08:00")];
    let sure = [&meant[..], &[("sure", "value=2025-10-10T08:00")]].concat();
    assert_eq!(maker.post("/lots/T25-16/log", &sure).0, 303);
}

#[test]
fn what_was_said_to_be_right_stays_said_while_something_else_is_wrong() {
    let (_garden, _desk, maker) = open();
    let fields = [
        ("parameter", "wither.hours"),
        ("value", "999999"),
        ("at", "then"),
        ("sure", "value=999999"),
    ];
    let page = refused(&maker, "/lots/T25-16/log", &fields);
    assert!(page.contains("name=\"sure\" value=\"value=999999\" checked"), "{page}");
    assert_eq!(page.matches("aria-invalid").count(), 1, "only the day is wrong: {page}");
    // Another value is asked back anew.
    let other = [fields[0], ("value", "888888"), fields[2], fields[3]];
    let page = refused(&maker, "/lots/T25-16/log", &other);
    assert!(page.contains("name=\"sure\" value=\"value=888888\">"), "{page}");
    // Where its label stands before it, it does not say it again.
    assert!(!beside(&page, "value").contains("time of withering"), "{page}");
}

#[test]
fn texts_of_a_log_and_a_description_have_an_end() {
    let (garden, _desk, maker) = open();
    let before = log_of(&garden, "T25-16");
    let (long, most) = ("茶".repeat(2001), "茶".repeat(2000));
    let page = refused(&maker, "/lots/T25-16/move", &[("place", &long), ("by", &long)]);
    for field in ["place", "by"] {
        assert!(beside(&page, field).contains("2001 characters"), "{page}");
    }
    for args in [
        ["lot", "move", "T25-16", "--place", long.as_str()],
        ["lot", "quarantine", "T25-16", "--reason", long.as_str()],
    ] {
        let (code, said) = garden.run(&args);
        assert!(code == 2 && said.contains("has 2001 characters"), "{code} {said}");
    }
    let (code, said) =
        garden.run(&["lot", "log", "T25-16", "wither.hours", "12", "--note", long.as_str()]);
    assert!(code == 2 && said.contains("--note has 2001 characters"), "{said}");
    assert_eq!(log_of(&garden, "T25-16"), before);
    let digest = seen(&maker, "/lots/T25-16/edit");
    let edit = |notes: &str| {
        let made = [("class", "black"), ("made", "2025-10-08"), ("kg", "15")];
        let own = [("seen", digest.as_str()), ("notes", notes)];
        maker.post("/lots/T25-16/edit", &[&made[..], &own[..]].concat())
    };
    let (status, page) = edit(&long);
    assert!(status == 422 && beside(&page, "notes").contains("2001 characters"), "{page}");
    assert_eq!(edit(&most).0, 303);
    assert_eq!(maker.post("/lots/T25-16/move", &[("place", &most)]).0, 303);
}

#[test]
fn degrees_of_the_other_scale_are_asked_back() {
    let (_garden, _desk, maker) = open();
    let fields = [("parameter", "dry.temperature"), ("value", "90 F")];
    let page = refused(&maker, "/lots/T25-16/log", &fields);
    assert!(beside(&page, "value").contains("88 to 127 °C is usual"), "{page}");
    let usual = [("parameter", "dry.temperature"), ("value", "230 F")];
    assert_eq!(maker.post("/lots/T25-16/log", &usual).0, 303);
}

#[test]
fn a_part_of_a_field_is_told_beside_that_part_and_what_was_typed_stays() {
    let (_garden, _desk, maker) = open();
    let digest = seen(&maker, "/setup/edit/term");
    let term = |rest: &[(&'static str, &'static str)]| {
        let first = [("seen", digest.clone()), ("id", "flinty".to_owned())];
        let rest = rest.iter().map(|(n, v)| (*n, (*v).to_owned()));
        let all: Vec<(&str, String)> = first.into_iter().chain(rest).collect();
        let all: Vec<(&str, &str)> = all.iter().map(|(n, v)| (*n, v.as_str())).collect();
        refused(&maker, "/setup/edit/term", &all)
    };
    let page = term(&[("scale.kind", "line"), ("scale.low", "0"), ("scale.high", "abc")]);
    assert!(beside(&page, "scale.high").contains("\"abc\" is no number"), "{page}");
    assert!(!page.contains("Kind: "), "{page}");
    let page = term(&[("scale.kind", "line")]);
    assert!(beside(&page, "scale.low").contains("nothing is filled in"), "{page}");
    assert!(!page.contains("\"low\" is missing"), "{page}");

    let digest = seen(&maker, "/setup/edit/parameter?id=wither.hours");
    let range = |low: &str, high: &str| {
        let fields = [
            ("seen", digest.as_str()),
            ("kind", "number"),
            ("unit", "h"),
            ("usual.low", low),
            ("usual.high", high),
        ];
        refused(&maker, "/setup/edit/parameter?id=wither.hours", &fields)
    };
    let page = range("6", "many");
    assert!(beside(&page, "usual.high").contains("\"many\" is no number"), "{page}");
    let page = range("18", "6");
    assert!(page.contains(">Usual range, from: "), "{page}");
    assert!(beside(&range("", "6"), "usual.low").contains("one end only"));

    let digest = seen(&maker, "/setup/edit/plan");
    let plan = [("seen", digest.as_str()), ("id", "later"), ("after", "soon"), ("until", "until")];
    let page = refused(&maker, "/setup/edit/plan", &plan);
    assert!(beside(&page, "after").contains("\"soon\""), "{}", beside(&page, "after"));
    assert!(!beside(&page, "after").contains("Called soon"), "{}", beside(&page, "after"));
    assert!(beside(&page, "until").contains("\"until\""), "{}", beside(&page, "until"));
    // The article before a word that begins with a vowel.
    let split = [("way", "arms"), ("part-1", "no id"), ("on", "2025-11-21")];
    let page = refused(&maker, "/lots/T25-16/split", &split);
    assert!(page.contains("\"no id\" cannot be the id of an arm"), "{page}");
}
