//! The maker's pages of the record: what they show and write, and that hand edits show at once.

use std::fs;
use std::time::Duration;

use blindsteep::book::Book;
use blindsteep::desk::cache::Cache;
use reqwest::blocking::Client;
use serde_json::{Value, json};

use super::common::{Desk, Garden, client, entry};

/// The maker's browser.
pub struct Maker {
    pub client: Client,
    pub desk: String,
    pub cookie: String,
    pub token: String,
}

pub fn between<'a>(text: &'a str, before: &str, after: &str) -> &'a str {
    let from = text.find(before).unwrap_or_else(|| panic!("no {before} in {text}")) + before.len();
    &text[from..from + text[from..].find(after).unwrap()]
}

/// A text as a browser takes it out of a page.
pub fn plain(html: &str) -> String {
    html.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
}

impl Maker {
    pub fn enter(way_in: &str, desk: &str, page: &str) -> Self {
        let client = client();
        let answer = client.get(way_in).send().unwrap();
        assert_eq!(answer.status(), 303);
        let cookie = answer.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap();
        let mut maker =
            Self { cookie: cookie.to_owned(), client, desk: desk.to_owned(), token: String::new() };
        let (status, text) = maker.get(page);
        assert_eq!(status, 200, "{text}");
        let mark = if page == "/clock" { None } else { Some("name=\"form\" value=\"") };
        maker.token = mark.map_or_else(String::new, |m| between(&text, m, "\"").to_owned());
        maker
    }

    pub fn of(desk: &Desk) -> Self {
        Self::enter(&desk.way_in, &desk.desk, "/lots/new")
    }

    pub fn get(&self, path: &str) -> (u16, String) {
        let url = format!("{}{path}", self.desk);
        let answer = self.client.get(url).header("cookie", &self.cookie).send().unwrap();
        (answer.status().as_u16(), answer.text().unwrap())
    }

    pub fn get_in(&self, path: &str, language: &str) -> (u16, String) {
        let cookie = format!("{}; language={language}", self.cookie);
        let url = format!("{}{path}", self.desk);
        let answer = self.client.get(url).header("cookie", cookie).send().unwrap();
        (answer.status().as_u16(), answer.text().unwrap())
    }

    pub fn shown(&self, path: &str) -> String {
        let (status, text) = self.get(path);
        assert_eq!(status, 200, "{path}: {text}");
        text
    }

    /// Sends a form; the status, and the address or the page that comes of it.
    pub fn post(&self, path: &str, fields: &[(&str, &str)]) -> (u16, String) {
        let mut all = vec![("form", self.token.as_str())];
        all.extend(fields);
        let body: String = all
            .iter()
            .map(|(n, v)| format!("{}={}", coded(n), coded(v)))
            .collect::<Vec<_>>()
            .join("&");
        let request = self.client.post(format!("{}{path}", self.desk));
        let answer = request
            .header("cookie", &self.cookie)
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body)
            .send()
            .unwrap();
        let status = answer.status().as_u16();
        match answer.headers().get("location") {
            Some(to) => (status, to.to_str().unwrap().to_owned()),
            None => (status, answer.text().unwrap()),
        }
    }

    /// The fields of a form as its page fills them, to be sent again.
    fn text_and_digest(&self, path: &str) -> (String, String) {
        let page = self.shown(path);
        let digest = between(&page, "name=\"seen\" value=\"", "\"").to_owned();
        let area = &page[page.find("<textarea class=\"file\"").unwrap()..];
        (plain(between(area, ">\n", "</textarea>")), digest)
    }
}

fn coded(text: &str) -> String {
    text.bytes()
        .map(|b| {
            if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") }
        })
        .collect()
}

pub fn open() -> (Garden, Desk, Maker) {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::of(&desk);
    (garden, desk, maker)
}

#[test]
fn a_lot_is_added_logged_to_corrected_and_shown() {
    let (garden, _desk, maker) = open();
    let new = [
        ("id", "T26-01"),
        ("class", "black"),
        ("made", "2026-05-20"),
        ("picked", "2026-05-18 2026-05-19"),
        ("kg", "250 g"),
        // The other lots of the book have kilograms.
        ("sure", "kg=250 g"),
        ("value:wither.start", "2026-05-18T18:00"),
        ("value:wither.hours", "960 min"),
        ("value:roll.pressure", ""),
        ("notes", "<b>rain</b>"),
    ];
    assert_eq!(maker.post("/lots/new", &new), (303, "/lots/T26-01".to_owned()));
    let log = garden.read("lots/T26-01/log.csv");
    // By the book's clock, eight hours east of Greenwich; the value in the unit that was typed.
    assert!(log.contains(",wither.start,2026-05-18T18:00:00+08:00,"), "{log}");
    assert!(log.contains(",wither.hours,960,min,measured,"), "{log}");
    assert!(!log.contains("roll.pressure"), "{log}");
    let file = garden.read("lots/T26-01/lot.toml");
    assert!(
        file.contains("picked = [2026-05-18, 2026-05-19]") && file.contains("kg = 0.25"),
        "{file}"
    );
    let page = maker.shown("/lots/T26-01");
    assert!(page.contains("<strong>16 h</strong>"), "{page}");
    assert!(page.contains("&lt;b&gt;rain&lt;/b&gt;") && !page.contains("<b>rain"), "{page}");

    // A second one of the same name is refused, with what was typed still there.
    let (status, text) = maker.post("/lots/new", &new);
    assert_eq!(status, 422);
    assert!(
        text.contains("there is a lot T26-01 already") && text.contains("value=\"960 min\""),
        "{text}"
    );

    let first =
        log.lines().find(|l| l.contains("wither.hours")).unwrap().split(',').next().unwrap();
    let correct = format!("/lots/T26-01/correct?entry={first}");
    assert!(maker.shown(&correct).contains("value=\"960 min\""));
    let right = [("entry", first), ("value", "15")];
    let (status, text) = maker.post("/lots/T26-01/correct", &right);
    assert_eq!(status, 422);
    // The flags of the commands have the names of the form's fields.
    assert!(text.contains("fill in “Reason”") && !text.contains("--reason"), "{text}");
    let right = [("entry", first), ("value", "15"), ("reason", "misread, \"twice\"")];
    assert_eq!(maker.post("/lots/T26-01/correct", &right).0, 303);
    let log = garden.read("lots/T26-01/log.csv");
    assert!(log.contains(&format!(",{first},\"misread, \"\"twice\"\"\",")), "{log}");
    assert!(maker.shown("/lots/T26-01").contains("<strong>15 h</strong>"));
    assert_eq!(garden.run(&["check"]).0, 0);
}

#[test]
fn what_becomes_of_a_lot_is_written_as_the_commands_write_it() {
    let (garden, _desk, maker) = open();
    let moved = [("place", "loft"), ("temperature", "68°F"), ("on", "2025-11-20T08:00")];
    assert_eq!(maker.post("/lots/T25-10/move", &moved).0, 303);
    let log = garden.read("lots/T25-10/log.csv");
    assert!(log.contains("2025-11-20T08:00:00+08:00,,store.place,loft,"), "{log}");
    assert!(maker.shown("/lots").contains(">loft</td>"));
    assert_eq!(maker.post("/lots/T25-10/move", &[]).0, 422);
    let split = [
        ("way", "lots"),
        ("part-1", "T25-10A"),
        ("kg-1", "2.5"),
        ("part-2", ""),
        ("on", "2025-11-21"),
    ];
    assert_eq!(maker.post("/lots/T25-10/split", &split), (303, "/lots/T25-10".to_owned()));
    let too_much = [("way", "lots"), ("part-1", "T25-10B"), ("kg-1", "99"), ("on", "2025-11-21")];
    let (status, text) = maker.post("/lots/T25-10/split", &too_much);
    assert_eq!(status, 422);
    assert!(text.contains("99 kg are taken from T25-10"), "{text}");
    let blend = [
        ("id", "B26-1"),
        ("lot-1", "T25-13"),
        ("kg-1", "2"),
        ("lot-2", "T25-10A"),
        ("kg-2", "500 g"),
        ("made", "2025-11-22"),
    ];
    assert_eq!(maker.post("/lots/blend", &blend), (303, "/lots/B26-1".to_owned()));
    let page = maker.shown("/lots/B26-1");
    assert!(
        page.contains("href=\"/lots/T25-10A\"") && page.contains("href=\"/lots/T25-10\""),
        "{page}"
    );
    let away = [("reason", "musty smell"), ("by", "gil"), ("on", "2025-11-23T09:00")];
    assert_eq!(maker.post("/lots/T25-13/quarantine", &away).0, 303);
    assert!(maker.shown("/lots/T25-13").contains("Not to be served"));
    let nobody = [("reason", "a laboratory found nothing"), ("on", "2025-11-24T09:00")];
    assert_eq!(maker.post("/lots/T25-13/clear", &nobody).0, 422);
    assert_eq!(garden.run(&["check"]).0, 0, "{}", garden.run(&["check"]).1);
}

#[test]
fn a_text_is_checked_before_it_is_saved_and_never_written_over_another() {
    let (garden, _desk, maker) = open();
    let at = "/setup/text/book.toml";
    let before = garden.read("book.toml");
    let (text, digest) = maker.text_and_digest(at);
    assert_eq!(text, before);
    // Form, meaning, and what leans on it: each with its place.
    for (from, to, told) in [
        ("flight_cups = 8", "flight_cups = 99", "book.toml:26:15: flight_cups = 99 does not hold"),
        ("recipe = \"tavrinel\"", "recipe = \"tavrinell\"", "did you mean \"tavrinel\"?"),
        ("[limits]", "[limits", "book.toml:"),
    ] {
        let (status, page) =
            maker.post(at, &[("seen", &digest), ("text", &text.replace(from, to))]);
        assert_eq!(status, 422);
        assert!(plain(&page).contains(told), "{page}");
        assert_eq!(garden.read("book.toml"), before);
    }
    let (parameters, seen) = maker.text_and_digest("/setup/text/parameters.toml");
    let without = parameters.replace("\"wither.hours\"", "\"wither.time\"");
    let (status, page) =
        maker.post("/setup/text/parameters.toml", &[("seen", &seen), ("text", &without)]);
    assert_eq!(status, 422);
    assert!(
        plain(&page).contains("log.csv:5:37: there is no parameter \"wither.hours\""),
        "{page}"
    );

    // Somebody else writes meanwhile: both texts are shown, nothing is written.
    let theirs = before.replace("flight_cups = 8", "flight_cups = 7");
    fs::write(garden.root().join("book.toml"), &theirs).unwrap();
    let mine = text.replace("altitude_m = 1650", "altitude_m = 1700");
    let (status, page) = maker.post(at, &[("seen", &digest), ("text", &mine)]);
    assert_eq!(status, 409);
    assert!(page.contains("<mark>flight_cups = 7</mark>"), "{page}");
    assert!(page.contains("altitude_m = 1700"), "{page}");
    assert_eq!(garden.read("book.toml"), theirs);
    // A form of the same file is told likewise.
    let (status, _) = maker.post("/setup/edit/book", &[("seen", &digest), ("title", "Another")]);
    assert_eq!(status, 409);
    assert_eq!(garden.read("book.toml"), theirs);
    let (_, digest) = maker.text_and_digest(at);
    let both = theirs.replace("altitude_m = 1650", "altitude_m = 1700");
    assert_eq!(maker.post(at, &[("seen", &digest), ("text", &both)]).0, 303);
    assert_eq!(garden.read("book.toml"), both);
}

#[test]
fn forms_of_the_set_up_change_their_own_values_alone() {
    let (garden, _desk, maker) = open();
    let vocabulary = garden.read("vocabulary.toml");
    let page = maker.shown("/setup/edit/term?id=malty");
    let seen = between(&page, "name=\"seen\" value=\"", "\"").to_owned();
    let term = [
        ("seen", seen.as_str()),
        ("labels.en", "Malty"),
        ("labels.zh", "麦芽香"),
        ("family", "aroma"),
        ("definition.en", "Like malt."),
        ("definition.zh", ""),
        ("scale.kind", "line"),
        ("scale.low", "0"),
        ("scale.high", "10"),
        ("scale.step", "0.5"),
        ("scale.ends.en.0", "none"),
        ("scale.ends.en.1", "strong"),
        ("scale.ends.zh.0", "无"),
        ("scale.ends.zh.1", "强"),
        ("source", "common practice, no source"),
    ];
    assert_eq!(maker.post("/setup/edit/term?id=malty", &term).0, 303);
    let after = garden.read("vocabulary.toml");
    let changed: Vec<(&str, &str)> =
        vocabulary.lines().zip(after.lines()).filter(|(a, b)| a != b).collect();
    assert!(
        changed.iter().any(|(_, b)| *b == "definition = { en = \"Like malt.\" }"),
        "{changed:?}"
    );
    assert!(changed.iter().all(|(_, b)| !b.starts_with("scale")), "{changed:?}");
    // Every comment is where it was.
    let comments = |t: &str| t.lines().filter(|l| l.starts_with('#')).map(str::to_owned).collect();
    let (a, b): (Vec<String>, Vec<String>) = (comments(&vocabulary), comments(&after));
    assert_eq!(a, b);

    let taster = [("seen", ""), ("id", "gus"), ("name", "Gus"), ("joined", "2026-05-01")];
    assert_eq!(maker.post("/setup/edit/taster", &taster).0, 409, "not by a page of now");
    let page = maker.shown("/setup/edit/taster");
    let seen = between(&page, "name=\"seen\" value=\"", "\"").to_owned();
    let taster =
        [("seen", seen.as_str()), ("id", "gus"), ("name", "Gus"), ("joined", "2026-05-01")];
    assert_eq!(maker.post("/setup/edit/taster", &taster).0, 303);
    assert!(
        garden
            .read("tasters.toml")
            .ends_with("\n[[taster]]\nid = \"gus\"\nname = \"Gus\"\njoined = 2026-05-01\n")
    );
    let page = maker.shown("/setup/edit/taster?id=gus");
    let seen = between(&page, "name=\"seen\" value=\"", "\"").to_owned();
    let left = [("seen", seen.as_str()), ("joined", "2026-05-01"), ("left", "2026-04-01")];
    let (status, text) = maker.post("/setup/edit/taster?id=gus", &left);
    assert_eq!(status, 422);
    assert!(text.contains("left on 2026-04-01, before joining"), "{text}");
    assert_eq!(garden.run(&["check"]).0, 0);
}

#[test]
fn the_step_clock_logs_a_tap_once_and_takes_it_back() {
    let (garden, desk, maker) = open();
    let today = blindsteep::book::time::Moment::now().day();
    let made = today.to_string();
    let new = [("id", "T26-77"), ("class", "green"), ("made", made.as_str())];
    assert_eq!(maker.post("/lots/new", &new).0, 303);
    let link = maker.shown("/workshop");
    let path = between(&link, "/enter/", "\"").to_owned();
    let clock = Maker::enter(&format!("{}/enter/{path}", desk.ballots), &desk.ballots, "/clock");
    let list = clock.shown("/clock");
    assert!(list.contains("T26-77") && !list.contains("T25-10"), "only what is in hand");
    // Nothing of the desk is reached by it, nor an old lot.
    for path in ["/lots", "/lots/T26-77", "/setup", "/check"] {
        assert_ne!(clock.get(path).0, 200, "{path}");
    }
    assert_eq!(clock.get("/clock/T25-10").0, 422);
    let page = clock.shown("/clock/T26-77");
    let token = between(&page, "data-token=\"", "\"").to_owned();
    let send = |lines: Value| -> (u16, Value) {
        let request = clock.client.post(format!("{}/clock?lot=T26-77", desk.ballots));
        let answer = request
            .header("cookie", &clock.cookie)
            .header("x-form", &token)
            .json(&json!({ "lines": lines }))
            .send()
            .unwrap();
        (answer.status().as_u16(), answer.json().unwrap())
    };
    let tap = entry();
    let line = json!({"lot": "T26-77", "entry": tap, "parameter": "roll.start", "value": "now", "at": format!("{made}T01:02:03Z")});
    for _ in 0..2 {
        let (status, told) = send(json!([line]));
        assert_eq!((status, &told["results"][0]["outcome"]), (200, &json!("saved")), "{told}");
    }
    let log = garden.read("lots/T26-77/log.csv");
    assert_eq!(log.matches(&tap).count(), 1, "sent twice, logged once: {log}");
    assert!(
        log.contains(&format!(",roll.start,{made}T09:02:03+08:00,")),
        "by the book's clock: {log}"
    );
    let mut other = line.clone();
    other["at"] = json!(format!("{made}T02:00:00Z"));
    assert_eq!(
        send(json!([other])).1["results"][0]["outcome"],
        "refused",
        "the same id, another tap"
    );
    let away = json!({"lot": "T26-77", "entry": entry(), "parameter": "roll.start", "value": null, "at": format!("{made}T01:03:00Z"), "replaces": tap});
    let (_, told) = send(json!([away]));
    assert_eq!(told["results"][0]["outcome"], "saved");
    assert_eq!(told["state"]["held"], json!({}));
    for (parameter, value) in
        [("store.quarantine", "no"), ("reserve.drawn", "5"), ("wither.hours", "x")]
    {
        let bad = json!({"lot": "T26-77", "entry": entry(), "parameter": parameter, "value": value, "at": format!("{made}T01:03:00Z")});
        assert_eq!(send(json!([bad])).1["results"][0]["outcome"], "refused", "{parameter}");
    }
    let request = clock.client.post(format!("{}/clock", desk.ballots));
    let answer =
        request.header("cookie", &clock.cookie).json(&json!({"lines": []})).send().unwrap();
    assert_eq!(answer.status(), 403, "without the page's token");
}

#[test]
fn pages_name_what_is_not_there_and_survive_bad_questions() {
    let (_garden, _desk, maker) = open();
    let (status, text) = maker.get("/lots/T25-99");
    assert_eq!(status, 404);
    assert!(text.contains("there is no lot"), "{text}");
    for (path, expected) in [
        ("/lots/T25-10/log?parameter=wither.hour", 404),
        ("/lots/T25-10/correct?entry=zzz", 404),
        ("/setup/text/..%2Fbook.toml", 404),
        ("/setup/text/sessions%2F2026-05-11-month-24%2Fkey.toml", 404),
        ("/lots/..%2F..%2Fetc/text", 404),
        ("/setup/edit/nothing", 404),
        ("/setup/edit/term?id=nothing", 404),
        ("/lots?page=-1&text=%F0%9F%8D%B5", 200),
        ("/lots?page=999999999999999999999", 200),
    ] {
        assert_eq!(maker.get(path).0, expected, "{path}");
    }
    let note = "🍵".repeat(2000);
    let long = [("parameter", "store.moisture"), ("value", "6.1"), ("note", note.as_str())];
    assert_eq!(maker.post("/lots/T25-10/log", &long).0, 303);
    let formula = [("parameter", "store.moisture"), ("value", "6.2"), ("note", "=1+1")];
    assert_eq!(maker.post("/lots/T25-10/log", &formula).0, 303);
    let log = _garden.read("lots/T25-10/log.csv");
    assert!(log.lines().last().unwrap().ends_with(",'=1+1"), "no spreadsheet runs it: {log}");
    assert_eq!(maker.post("/lots/T25-10/log", &[("parameter", ""), ("value", "")]).0, 422);
}

#[test]
fn what_is_kept_of_the_book_follows_every_change_of_its_files() {
    let garden = Garden::empty();
    let cache = Cache::new(Book::open(garden.root()).unwrap());
    assert_eq!(cache.lots().unwrap().len(), garden.run(&["lot", "list"]).1.lines().count());
    let of = |id: &str| cache.lots().unwrap().iter().find(|l| l.id == id).cloned();
    // Old enough that only a change is read again.
    std::thread::sleep(Duration::from_millis(2600));
    let first = cache.lots().unwrap();
    let again = cache.lots().unwrap();
    assert!(std::sync::Arc::ptr_eq(&first, &again), "nothing changed: nothing is read");
    drop((first, again));
    let path = garden.root().join("lots/T25-10/lot.toml");
    let text = fs::read_to_string(&path).unwrap();
    // Twice at once, and of the same length: times may be the same too.
    for season in ["autumx", "autumy"] {
        let new = text.replace("season = \"spring\"", &format!("season = \"{season}\""));
        assert_ne!(new, text);
        fs::write(&path, new).unwrap();
        assert_eq!(of("T25-10").unwrap().file.value.season.as_deref(), Some(season));
    }
    fs::write(&path, "format = 1\n").unwrap();
    let read = cache.lots_and_mistakes().unwrap();
    assert!(!read.problems.is_empty() && read.lots.iter().all(|l| l.id != "T25-10"));
    assert!(cache.lots().is_err());
    fs::write(&path, &text).unwrap();
    assert!(cache.lots().is_ok());
    fs::rename(garden.root().join("lots/T25-16"), garden.beside().join("away")).unwrap();
    assert!(of("T25-16").is_none());
    // What all values lean on.
    let parameters = garden.root().join("parameters.toml");
    let text = fs::read_to_string(&parameters).unwrap();
    let with_label = text.replace("\"wither.hours\"", "\"wither.time\"");
    fs::write(&parameters, with_label).unwrap();
    assert!(!cache.lots_and_mistakes().unwrap().problems.is_empty());
    fs::write(&parameters, text).unwrap();
    assert!(cache.lots_and_mistakes().unwrap().problems.is_empty());

    let n = cache.revealed().unwrap().len();
    let reveal = garden.root().join("sessions/2026-05-11-month-24/reveal.toml");
    fs::rename(&reveal, garden.beside().join("reveal.toml")).unwrap();
    assert_eq!(cache.revealed().unwrap().len(), n - 1);
    fs::rename(garden.beside().join("reveal.toml"), &reveal).unwrap();
    assert_eq!(cache.revealed().unwrap().len(), n);
}

#[test]
fn of_a_session_that_is_not_revealed_no_page_of_the_record_tells_a_code() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::of(&desk);
    let plan = garden.plan_file();
    let codes: Vec<String> =
        plan.flights.iter().flat_map(|f| f.codes().map(|c| c.to_string())).collect();
    for path in ["/lots", "/lots/T25-14", "/lots/T25-15", "/lots/T25-16", "/check"] {
        let page = maker.shown(path);
        assert!(!page.contains("2026-06-02-spring"), "{path} names the session");
        for code in &codes {
            let shown = page.contains(&format!(">{code}<")) || page.contains(&format!(" {code} "));
            assert!(!shown, "{path} shows {code}");
        }
    }
}
