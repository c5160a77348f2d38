//! Forms that are sent twice, and desks that are opened anew.

use std::thread;

use super::common::{Desk, Garden, LOTS, Phone, TASTERS};
use super::record::{Maker, between, open, plain};

fn n_sessions(garden: &Garden) -> usize {
    garden.book.session_names().unwrap().len()
}

#[test]
fn a_plan_is_made_once_and_whoever_comes_back_is_told_which_it_became() {
    let (garden, _desk, maker) = open();
    let before = n_sessions(&garden);
    // The form has an address of its own, whatever it was asked with.
    let (status, at) = maker.get("/sessions/new?lot=T25-15");
    assert_eq!((status, at.as_str()), (303, ""));
    let asked = maker.client.get(format!("{}/sessions/new?lot=T25-15", maker.desk));
    let answer = asked.header("cookie", &maker.cookie).send().unwrap();
    let at = answer.headers()["location"].to_str().unwrap().to_owned();
    assert!(at.starts_with("/sessions/new?lot=T25-15&once="), "{at}");
    let form = maker.shown(&at);
    let once = between(&form, "name=\"once\" value=\"", "\"").to_owned();
    assert!(at.ends_with(&format!("once={once}")), "{at} {once}");

    let mut fields = vec![
        ("once", once.as_str()),
        ("kind", "profile"),
        ("name", "twice"),
        ("day", "2026-06-03"),
        ("fill", "lots"),
        ("terms", "default"),
        ("replicates", "1"),
    ];
    fields.extend(LOTS.map(|l| ("lot", l)));
    fields.extend(TASTERS.map(|t| ("taster", t)));
    let name = "2026-06-03-twice";
    assert_eq!(maker.post("/sessions/new", &fields), (303, format!("/sessions/{name}")));

    // Back to the form: it says what became of it.
    let page = maker.shown(&at);
    assert!(page.contains(&format!("href=\"/sessions/{name}\"")), "{page}");
    assert!(!page.contains("name=\"replicates\""), "the same plan is not offered again");

    // Sent again, under another name even: nothing is planned, and a second one is asked for.
    fields[2] = ("name", "twice-2");
    let (status, page) = maker.post("/sessions/new", &fields);
    assert_eq!(status, 409, "{page}");
    assert!(page.contains(&format!("href=\"/sessions/{name}\"")), "{page}");
    assert_eq!(n_sessions(&garden), before + 1);
    // The question is a form with an id of its own: it plans the second one.
    assert_eq!(between(&page, "name=\"name\" value=\"", "\""), "twice-2");
    let again = between(&page, "name=\"once\" value=\"", "\"").to_owned();
    assert_ne!(again, once);
    fields[0] = ("once", again.as_str());
    let second = maker.post("/sessions/new", &fields);
    assert_eq!(second, (303, "/sessions/2026-06-03-twice-2".to_owned()));
    assert_eq!(n_sessions(&garden), before + 2);
}

#[test]
fn a_value_that_is_sent_twice_at_once_is_logged_once() {
    let (garden, _desk, maker) = open();
    let page = maker.shown("/lots/T25-10/log?parameter=store.moisture");
    let once = between(&page, "name=\"once\" value=\"", "\"").to_owned();
    let fields = [("once", once.as_str()), ("parameter", "store.moisture"), ("value", "6.13")];
    let statuses: Vec<u16> = thread::scope(|s| {
        let both: Vec<_> =
            (0..4).map(|_| s.spawn(|| maker.post("/lots/T25-10/log", &fields).0)).collect();
        both.into_iter().map(|t| t.join().unwrap()).collect()
    });
    let of = |status: u16| statuses.iter().filter(|s| **s == status).count();
    assert_eq!((of(303), of(409)), (1, 3), "{statuses:?}");
    assert_eq!(garden.read("lots/T25-10/log.csv").matches(",6.13,").count(), 1);

    // What was refused may be mended and sent under the same id.
    let page = maker.shown("/lots/T25-10/log?parameter=store.moisture");
    let once = between(&page, "name=\"once\" value=\"", "\"").to_owned();
    let of = |value| [("once", once.as_str()), ("parameter", "store.moisture"), ("value", value)];
    assert_eq!(maker.post("/lots/T25-10/log", &of("much")).0, 422);
    assert_eq!(maker.post("/lots/T25-10/log", &of("6.14")).0, 303);
    assert_eq!(maker.post("/lots/T25-10/log", &of("6.15")).0, 409);
}

#[test]
fn a_new_spelling_of_a_class_is_asked_back() {
    let (garden, _desk, maker) = open();
    let page = maker.shown("/lots/new");
    assert!(page.contains("<option value=\"black\">"), "{page}");
    let mut new = vec![("id", "T26-60"), ("class", "blak"), ("made", "2026-05-20")];
    let (status, page) = maker.post("/lots/new", &new);
    assert_eq!(status, 422);
    assert!(plain(&page).contains("it has \"black\"") && page.contains("class-meant"), "{page}");
    assert!(!garden.root().join("lots/T26-60").exists());
    new.push(("class-meant", "yes"));
    assert_eq!(maker.post("/lots/new", &new).0, 303);
    assert!(garden.read("lots/T26-60/lot.toml").contains("class = \"blak\""));
    // Now it is a class of the book; and what is like nothing is taken as it is.
    assert!(maker.shown("/lots/new").contains("<option value=\"blak\">"));
    let new = [("id", "T26-61"), ("class", "barley tisane"), ("made", "2026-05-20")];
    assert_eq!(maker.post("/lots/new", &new).0, 303);
    // The trade's word in the other language is the same class.
    let new = [("id", "T26-62"), ("class", "红茶"), ("made", "2026-05-20")];
    assert_eq!(maker.post("/lots/new", &new).0, 422);
}

#[test]
fn what_was_given_with_a_lot_is_of_its_day() {
    let (garden, _desk, maker) = open();
    let new = [
        ("id", "T26-63"),
        ("class", "black"),
        ("made", "2026-05-20"),
        ("value:wither.hours", "16"),
        ("value:roll.minutes", "45"),
    ];
    assert_eq!(maker.post("/lots/new", &new).0, 303);
    let page = maker.shown("/lots/T26-63");
    assert!(page.contains("of 2026-05-20, no time given"), "{page}");
    assert!(!page.contains("12:00"), "{page}");
    let (_, text) = garden.run(&["lot", "show", "T26-63"]);
    assert!(text.contains("2026-05-20") && !text.contains("T12:00"), "{text}");
    // What was measured at a moment keeps it.
    let at = [("parameter", "dry.moisture"), ("value", "4.1"), ("at", "2026-05-20T15:30")];
    assert_eq!(maker.post("/lots/T26-63/log", &at).0, 303);
    assert!(maker.shown("/lots/T26-63").contains("measured, 2026-05-20 15:30"));
}

#[test]
fn a_lot_that_nobody_tasted_waits_for_its_first_tasting() {
    let (garden, _desk, maker) = open();
    let made = blindsteep::book::time::Moment::now().day().later(-16).to_string();
    let new = [("id", "T26-64"), ("class", "black"), ("made", made.as_str()), ("reserve", "300")];
    assert_eq!(maker.post("/lots/new", &new).0, 303);
    assert!(maker.shown("/").contains("<h2>To be tasted</h2>"));
    let list = maker.shown("/due");
    let of = &list[list.find("\">T26-64</a></th>").expect("it is due")..];
    assert!(of[..200].contains("not tasted yet: first tasting"), "{}", &of[..200]);
    let (_, text) = garden.run(&["due"]);
    let row = text.lines().find(|l| l.contains("T26-64")).unwrap();
    assert!(row.contains("none: its first"), "{row}");
}

#[test]
fn timers_go_on_when_the_desk_is_opened_anew() {
    let garden = Garden::planned();
    let links = garden.links();
    let at = format!("/sessions/{}", garden.session().name);
    let left = |page: &str| between(page, "data-left=\"", "\"").parse::<u32>().unwrap();
    {
        let desk = Desk::start(&garden);
        let maker = Maker::of(&desk);
        let start = [("act", "timer"), ("flight", "1"), ("steep", "1")];
        assert_eq!(maker.post(&at, &start).0, 303);
        assert!(left(&maker.shown(&at)) > 340);
    }
    let desk = Desk::start(&garden);
    let maker = Maker::of(&desk);
    assert!((300..=360).contains(&left(&maker.shown(&at))), "it ran on");
    drop(maker);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    assert_eq!(ann.now()["timer"]["by"], "host");
    drop(desk);
    // A clock that was put back, and a file that is none: no timer, and the desk opens all the same.
    let file = ".desk/timers.json";
    let kept = garden.read(file);
    let began = between(&kept, "\"began_ms\": ", "\n").trim_end_matches(',').to_owned();
    let later = (began.parse::<i64>().unwrap() + 86_400_000).to_string();
    for text in [kept.replace(&began, &later), "[{".to_owned()] {
        std::fs::write(garden.root().join(file), text).unwrap();
        let desk = Desk::start(&garden);
        assert!(!Maker::of(&desk).shown(&at).contains("data-left"));
    }
}
