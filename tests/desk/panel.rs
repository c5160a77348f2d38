//! Sessions at the desk, over HTTP: planning, links, progress, papers, closing, the reveal.

use std::fs;
use std::path::PathBuf;

use blindsteep::book::book_file::clock;
use blindsteep::book::session_files::SessionFile;
use blindsteep::book::time::Moment;
use blindsteep::findings::due::{Wish, due_of_book};
use blindsteep::session::Session;
use reqwest::blocking::{Client, Response};
use serde_json::Value;

use crate::common::{Desk, Garden, LOTS, Phone, TASTERS, client, cups, line};

/// The maker's browser.
struct Maker {
    client: Client,
    desk: String,
    cookie: String,
}

impl Maker {
    fn enter(desk: &Desk) -> Self {
        let client = client();
        let answer = client.get(&desk.way_in).send().unwrap();
        assert_eq!(answer.status(), 303);
        let cookie = answer.headers()["set-cookie"].to_str().unwrap();
        let cookie = cookie.split(';').next().unwrap().to_owned();
        Self { client, desk: desk.desk.clone(), cookie }
    }

    fn ask(&self, path: &str) -> Response {
        let url = format!("{}{path}", self.desk);
        self.client.get(url).header("cookie", &self.cookie).send().unwrap()
    }

    fn page(&self, path: &str) -> String {
        let answer = self.ask(path);
        let status = answer.status();
        let text = answer.text().unwrap();
        assert_eq!(status, 200, "{path}: {text}");
        text
    }

    /// Sends a form with the token of a page.
    fn send(&self, path: &str, fields: &[(&str, &str)]) -> Response {
        let page = self.page("/sessions/new?once=any");
        let token = value_of(&page, "form");
        let mut body = format!("form={token}");
        for (name, value) in fields {
            body.push_str(&format!("&{}={}", encoded(name), encoded(value)));
        }
        let url = format!("{}{path}", self.desk);
        let kind = "application/x-www-form-urlencoded";
        let request = self.client.post(url).header("cookie", &self.cookie);
        request.header("content-type", kind).body(body).send().unwrap()
    }

    /// Sends a form that is to be refused; gives the page.
    fn refused(&self, path: &str, fields: &[(&str, &str)]) -> String {
        let answer = self.send(path, fields);
        assert_eq!(answer.status(), 422, "{fields:?}");
        answer.text().unwrap()
    }

    /// Sends a form that is to be taken; gives the page that follows.
    fn done(&self, path: &str, fields: &[(&str, &str)]) -> String {
        let answer = self.send(path, fields);
        if answer.status() != 303 {
            panic!("{path} {fields:?}: {}", answer.text().unwrap());
        }
        let to = answer.headers()["location"].to_str().unwrap().to_owned();
        self.page(&to)
    }
}

fn encoded(text: &str) -> String {
    let one = |b: u8| match b {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' => char::from(b).to_string(),
        _ => format!("%{b:02X}"),
    };
    text.bytes().map(one).collect()
}

/// The value of the first field of a name.
fn value_of(page: &str, name: &str) -> String {
    let field = &page[page.find(&format!("name=\"{name}\"")).unwrap()..];
    let value = &field[field.find("value=\"").unwrap() + 7..];
    value[..value.find('"').unwrap()].to_owned()
}

/// What fills the form of a plan.
fn plan() -> Vec<(&'static str, &'static str)> {
    let mut fields = vec![
        ("kind", "profile"),
        ("name", "desk"),
        ("day", "2026-06-03"),
        ("fill", "lots"),
        ("terms", "default"),
        ("replicates", "2"),
        ("duplicates", "1"),
        ("warm-up", LOTS[0]),
        ("seed", "11"),
    ];
    fields.extend(LOTS.map(|l| ("lot", l)));
    fields.extend(TASTERS.map(|t| ("taster", t)));
    fields
}

fn without_lots(text: &str) {
    for lot in LOTS {
        assert!(!text.contains(lot), "{lot} in {text}");
    }
}

fn folder(garden: &Garden, name: &str) -> PathBuf {
    garden.root().join("sessions").join(name)
}

#[test]
fn a_preview_writes_nothing_and_shows_what_is_then_planned() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let before = garden.book.session_names().unwrap();
    let picture = maker.send("/sessions/preview", &plan()).text().unwrap();
    assert_eq!(garden.book.session_names().unwrap(), before);
    assert!(
        picture.contains("Orders not balanced, which takes a multiple of 4 tasters"),
        "{picture}"
    );
    let page = maker.done("/sessions/new", &plan());
    assert!(page.contains("Session 2026-06-03-desk is planned."));
    without_lots(&page);
    let text = fs::read_to_string(folder(&garden, "2026-06-03-desk").join("session.toml")).unwrap();
    without_lots(&text);
    assert!(folder(&garden, "2026-06-03-desk").join("key.toml").exists());
    let session = Session::open(&garden.book, "2026-06-03-desk").unwrap();
    let file: &SessionFile = session.plan();
    assert!(file.key_digest.is_some());
    assert_eq!((file.order_seed, file.flights.len(), file.tasters.len()), (11, 2, 3));
    // Row by row what the picture said, its cells without their marks.
    let shown: String = picture.replace("<td>", " ").replace("</td>", "");
    for flight in &file.flights {
        for taster in TASTERS {
            let codes: Vec<String> = flight.order_of(taster).iter().map(u16::to_string).collect();
            assert!(shown.contains(&codes.join(" ")), "{codes:?} in {shown}");
        }
    }
    // Grams: each of three lots twice and perhaps a second code, 2.8 g a cup, the warm-up cup twice more.
    let cup = file.recipe.leaf_g;
    assert!(picture.contains(&format!("{:.1}", 3.0 * cup)), "{picture}");
    assert!(picture.contains(&format!("{:.1}", 5.0 * cup)), "{picture}");
}

#[test]
fn a_refused_plan_keeps_what_was_typed_and_says_what_the_command_says() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let mut fields = plan();
    fields.retain(|f| f.0 != "lot");
    fields.extend([("lot", LOTS[0]), ("lots", "T25-99")]);
    let before = garden.book.session_names().unwrap();
    let page = maker.refused("/sessions/new", &fields);
    let (code, said) = garden.run(&[
        "session",
        "plan",
        "desk",
        "--lots",
        "T25-14,T25-99",
        "--tasters",
        "ann",
        "--day",
        "2026-06-03",
    ]);
    assert_eq!(code, 2);
    let first = said.lines().next().unwrap().trim_start_matches("error: ");
    let first = first.replace('"', "&quot;");
    assert!(page.contains(&first), "{first} in {page}");
    assert!(page.contains("value=\"T25-99\""));
    assert!(page.contains("value=\"desk\""));
    // Numbers that are none.
    let mut fields = plan();
    fields.retain(|f| f.0 != "replicates");
    fields.push(("replicates", "two"));
    let page = maker.refused("/sessions/new", &fields);
    assert!(page.contains("the number of replicates is &quot;two&quot;"), "{page}");
    assert_eq!(garden.book.session_names().unwrap(), before);
}

/// The modules of a code as its SVG draws them.
fn drawn(page: &str) -> (usize, Vec<bool>) {
    let svg = &page[page.find("<svg class=\"qr\"").unwrap()..];
    let size = &svg[svg.find("viewBox=\"0 0 ").unwrap() + 13..];
    let n: usize = size[..size.find(' ').unwrap()].parse().unwrap();
    let path = &svg[svg.find("<path d=\"").unwrap() + 9..];
    let mut dark = vec![false; n * n];
    for run in path[..path.find('"').unwrap()].split('M').skip(1) {
        let (at, rest) = run.split_once('h').unwrap();
        let (x, y) = at.split_once(' ').unwrap();
        let wide: usize = rest.split('v').next().unwrap().parse().unwrap();
        let (x, y): (usize, usize) = (x.parse().unwrap(), y.parse().unwrap());
        dark[y * n + x..y * n + x + wide].fill(true);
    }
    (n, dark)
}

#[test]
fn the_code_to_scan_is_the_link_that_is_written_beside_it() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let name = garden.session().name;
    let list = maker.page(&format!("/sessions/{name}/join"));
    assert!(!list.contains("<svg"), "no code where all names stand");
    for taster in TASTERS {
        let page = maker.page(&format!("/sessions/{name}/join/{taster}"));
        assert_eq!(page.matches("<svg class=\"qr\"").count(), 1);
        let letters = &page[page.find("class=\"letters\">").unwrap() + 16..];
        let letters = &letters[..letters.find('<').unwrap()];
        let (n, dark) = drawn(&page);
        const SCALE: usize = 5;
        // A quiet zone of four modules on every side.
        for y in 0..n {
            for x in 0..n {
                let edge = x < 4 || y < 4 || x >= n - 4 || y >= n - 4;
                assert!(!(edge && dark[y * n + x]));
            }
        }
        let pixel = |x: usize, y: usize| if dark[y / SCALE * n + x / SCALE] { 0 } else { 255 };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(n * SCALE, n * SCALE, pixel);
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1);
        let (_, text) = grids[0].decode().unwrap();
        assert_eq!(text, format!("{}/join/{letters}", desk.ballots));
        let phone = Phone::join(&desk.ballots, letters);
        assert_eq!(phone.now()["taster"], taster);
    }
    let sheet = maker.page(&format!("/sessions/{name}/links"));
    assert_eq!(sheet.matches("<svg class=\"qr\"").count(), TASTERS.len());
}

#[test]
fn a_tasting_from_the_first_link_to_the_reveal() {
    let garden = Garden::planned();
    let links = garden.links();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let name = garden.session().name;
    let at = format!("/sessions/{name}");
    assert!(maker.page(&at).contains("Who is at this desk?"));
    // Unanswered counts as tasting.
    assert_eq!(maker.ask(&format!("{at}/answers")).status(), 404);
    maker.done(&at, &[("act", "host"), ("who", "bo")]);
    assert_eq!(maker.ask(&format!("{at}/answers")).status(), 404);

    let phone = Phone::join(&desk.ballots, &links["ann"]);
    let now = phone.now();
    let cup = cups(&now, 0)[0];
    let term = |kind: &str| {
        let terms = now["terms"].as_array().unwrap();
        let fits = |t: &&Value| t["scale"]["kind"] == kind;
        terms.iter().find(fits).unwrap()["id"].as_str().unwrap().to_owned()
    };
    let low = now["terms"]
        .as_array()
        .unwrap()
        .iter()
        .find(|t| t["scale"]["kind"] == "line")
        .unwrap()["scale"]["low"]
        .as_f64()
        .unwrap();
    let said = phone.answer(line(cup, &term("line"), &low.to_string()));
    assert_eq!(said["outcome"], "saved");
    // A note that only its ballot may have.
    let said = phone.answer(line(cup, &term("tick"), "1"));
    assert_eq!(said["outcome"], "saved");
    let far: Value = maker.ask(&format!("{at}/progress")).json().unwrap();
    assert_eq!(far["state"], "open");
    let table = far["table"].as_str().unwrap();
    assert!(table.contains("there") && table.contains(&format!("<b>{cup}</b>")), "{table}");
    without_lots(&far.to_string());
    let page = maker.page(&at);
    without_lots(&page);

    // What ann said is not told to bo at the desk, neither by words nor by what is refused: the same is as another.
    let (enter, field) = (format!("{at}/enter/ann"), format!("a.{cup}.1.{}", term("line")));
    for value in [low.to_string(), (low + 1.0).to_string()] {
        let fields = [("how", "cups"), ("flight", "1"), (field.as_str(), value.as_str())];
        let page = maker.refused(&enter, &fields);
        assert!(page.contains("this question is answered already"), "{page}");
        assert!(!page.contains("has the answer"), "{page}");
        // As a table, beside a line that is wrong: nothing is written, and all answered ones are told alike.
        let table =
            format!("cup,steep,term,value\n{cup},1,{},{value}\n{cup},1,never,1\n", term("line"));
        let page = maker.refused(&enter, &[("how", "table"), ("flight", "1"), ("table", &table)]);
        assert!(page.contains("this question is answered already"), "{value}: {page}");
    }
    // A line that is broken by hand is not shown here either.
    let file = folder(&garden, &name).join("ballots/ann.csv");
    let whole = fs::read_to_string(&file).unwrap();
    fs::write(&file, format!("{whole}xx,9,never,1,{cup},1,{},SECRET,scored,,,\n", term("line")))
        .unwrap();
    let (progress, answers) = (format!("{at}/progress"), format!("{at}/enter/ann"));
    for path in [at.as_str(), &progress, &answers, "/check", "/", "/sessions"] {
        assert!(!maker.ask(path).text().unwrap().contains("SECRET"), "{path}");
    }
    assert!(maker.ask("/check").text().unwrap().contains("not shown before the reveal"));
    fs::write(&file, whole).unwrap();

    // Pouring: not where somebody tastes, whatever name is given.
    for pourer in ["ann", "Dee"] {
        let refused = maker.refused(&format!("{at}/pouring"), &[("pourer", pourer)]);
        assert!(refused.contains("somebody who tastes is at this desk"), "{refused}");
    }

    // The timer of all is seen on the phone.
    maker.done(&at, &[("act", "timer"), ("flight", "1"), ("steep", "1")]);
    assert_eq!(phone.now()["timer"]["by"], "host");
    maker.done(&at, &[("act", "timer-stop")]);
    assert_eq!(phone.now()["timer"], Value::Null);

    // A cup that is too hot is told; the code of no cup is refused.
    let page =
        maker.done(&at, &[("act", "pour"), ("cup", &cup.to_string()), ("temperature", "71")]);
    assert!(page.contains("71 °C is too hot"));
    maker.refused(&at, &[("act", "pour"), ("cup", "99"), ("temperature", "50")]);

    // Closing: what is missing is shown, and only then anyway.
    let page = maker.refused(&at, &[("act", "close")]);
    assert!(page.contains("not handed in"));
    maker.done(&at, &[("act", "close"), ("anyway", "1")]);
    let late = phone.answer(line(cup, &term("line"), &low.to_string()));
    assert_ne!(late["outcome"], "saved");
    without_lots(&maker.page(&at));
    maker.refused(&at, &[("act", "reveal")]);
    let page = maker.done(&at, &[("act", "reveal"), ("sure", "1")]);
    for lot in LOTS {
        assert!(page.contains(lot));
    }
    // The phone is thanked, not told that its link is bad.
    let told = phone.get("/ballot/now").json::<Value>().unwrap();
    assert_eq!(told["text"], "the cups are revealed; thank you");
    let page = phone.get("/ballot").text().unwrap();
    assert!(page.contains("The cups are revealed; thank you."), "{page}");
    without_lots(&page);
    assert!(maker.page(&format!("{at}/answers")).contains("<td>"));
}

#[test]
fn what_was_done_by_command_meanwhile_is_shown() {
    let garden = Garden::planned();
    let links = garden.links();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let name = garden.session().name;
    let at = format!("/sessions/{name}");
    let phone = Phone::join(&desk.ballots, &links["ann"]);
    let now = phone.now();
    let cup = cups(&now, 0)[0];
    let terms = now["terms"].as_array().unwrap();
    let tick = terms.iter().find(|t| t["scale"]["kind"] == "tick").unwrap();
    phone.answer(line(cup, tick["id"].as_str().unwrap(), "1"));
    let (code, said) = garden.run(&["session", "close", &name, "--anyway"]);
    assert_eq!(code, 0, "{said}");
    let far: Value = maker.ask(&format!("{at}/progress")).json().unwrap();
    assert_eq!(far["state"], "closed");
    let page = maker.refused(&at, &[("act", "close"), ("anyway", "1")]);
    assert!(page.contains("it was closed before"), "{page}");
    let page = maker.refused(&at, &[("act", "timer"), ("flight", "1"), ("steep", "1")]);
    assert!(page.contains("is closed: nothing more is brewed"));
}

#[test]
fn answers_from_paper_are_shown_only_where_they_may_be() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let session = garden.session();
    let (name, file) = (session.name.clone(), session.plan());
    let at = format!("/sessions/{name}");
    let term = file.terms.iter().find(|t| t.scale.kind().word() == "note").unwrap();
    let cup = file.flights[0].order_of("ann")[0];
    let field = format!("a.{cup}.1.{}", term.id);
    let fields = [("how", "cups"), ("flight", "1"), (field.as_str(), "smells of wet hay")];
    let page = maker.done(&format!("{at}/enter/ann"), &fields);
    assert!(page.contains("1 answers are on the ballot"));
    assert!(!page.contains("smells of wet hay"));
    assert!(garden.ballot("ann").contains("smells of wet hay"));
    // The same, but for whoever tastes it.
    maker.done(&at, &[("act", "host"), ("who", "ann")]);
    assert!(maker.page(&format!("{at}/enter/ann")).contains("smells of wet hay"));
    // Who was there stays so, now that something was answered.
    let page = maker.refused(&at, &[("act", "host"), ("who", "-")]);
    assert!(page.contains("before session"), "{page}");
    // A table whose mistake has its place.
    let table = format!("cup,term,value\n{cup},{},x\n999,{},x\n", term.id, term.id);
    let fields = [("how", "table"), ("flight", "1"), ("table", table.as_str())];
    let page = maker.refused(&format!("{at}/enter/bo"), &fields);
    assert!(page.contains("the table:3:1"), "{page}");
    assert_eq!(garden.ballot("bo"), "");
}

#[test]
fn what_is_handed_in_with_gaps_is_said_before_closing() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let session = garden.session();
    let (name, file) = (session.name.clone(), session.plan());
    let at = format!("/sessions/{name}");
    let hand_in = |taster: &str, flight: usize| {
        let cup = file.flights[flight].order_of(taster)[0];
        let (number, field) = ((flight + 1).to_string(), format!("a.{cup}.1.malty"));
        let fields =
            [("how", "cups"), ("flight", &number), (field.as_str(), "3"), ("hand-in", "1")];
        (cup, maker.done(&format!("{at}/enter/{taster}"), &fields))
    };
    let (cup, page) = hand_in("ann", 0);
    let scales = ["line", "bipolar", "ordered", "nominal"];
    let needed = file.terms.iter().filter(|t| scales.contains(&t.scale.kind().word())).count()
        * file.flights[0].order_of("ann").len();
    let told = format!("Flight 1 is handed in with 1 of {needed} needed answers");
    assert!(page.contains(&told), "{told}: {page}");
    assert!(page.contains(&format!("ticks and faults are 0: of cup {cup}.")), "{page}");
    let name_of = |taster: &str| {
        let known = garden.book.tasters().unwrap().value;
        known.taster(taster).and_then(|t| t.name.clone()).unwrap_or_else(|| taster.to_owned())
    };
    let gap = |taster: &str| {
        format!("<li>{}, Flight 1: handed in, 1 of {needed} answered</li>", name_of(taster))
    };
    // While others are not done: in the table, and where one may close all the same.
    let page = maker.page(&at);
    assert!(page.contains(&format!("handed in</b>, 1 of {needed}")), "{page}");
    let (_, close) = page.split_once("Close before all is in").unwrap();
    assert!(close.contains(&gap("ann")) && !close.contains(&gap("bo")), "{close}");
    assert!(!page.contains("Everybody has handed in"));
    for (taster, flight) in TASTERS.iter().flat_map(|t| [(*t, 0), (*t, 1)]).skip(1) {
        hand_in(taster, flight);
    }
    let page = maker.page(&at);
    let (_, next) = page.split_once("Everybody has handed in").unwrap();
    let (before_button, _) = next.split_once("<button").unwrap();
    for taster in TASTERS {
        assert!(before_button.contains(&gap(taster)), "{taster}: {before_button}");
    }
    assert!(before_button.contains("Closing does not wait for them"), "{before_button}");
    maker.done(&at, &[("act", "close")]);
}

#[test]
fn a_remark_from_paper_is_no_longer_than_one_from_a_phone() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let session = garden.session();
    let cup = session.plan().flights[0].order_of("ann")[0];
    let enter = format!("/sessions/{}/enter/ann", session.name);
    let (long, most) = ("茶".repeat(2001), "茶".repeat(2000));
    let field = format!("a.{cup}.1.remarks");
    let fields = |text| [("how", "cups"), ("flight", "1"), (field.as_str(), text)];
    let page = maker.refused(&enter, &fields(&long));
    assert!(page.contains("the answer has 2001 characters"), "{page}");
    let table = format!("cup,term,value\n{cup},remarks,{long}\n");
    let page = maker.refused(&enter, &[("how", "table"), ("flight", "1"), ("table", &table)]);
    assert!(page.contains("the answer has 2001 characters"), "{page}");
    assert_eq!(garden.ballot("ann"), "");
    maker.done(&enter, &fields(&most));
    assert_eq!(garden.ballot("ann").matches(&most).count(), 1);
}

#[test]
fn the_pouring_plan_is_for_a_desk_where_nobody_tastes_and_stays_there() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let name = garden.session().name;
    let at = format!("/sessions/{name}");
    let refused = maker.refused(&format!("{at}/pouring"), &[("pourer", "Dee")]);
    assert!(refused.contains("nobody has said who is at this desk"), "{refused}");
    maker.done(&at, &[("act", "host"), ("who", "-")]);
    let refused = maker.refused(&format!("{at}/pouring"), &[("pourer", "ann")]);
    assert!(refused.contains("ann tastes in session"));
    let answer = maker.send(&format!("{at}/pouring"), &[("pourer", "Dee")]);
    assert_eq!(answer.status(), 200);
    assert_eq!(answer.headers()["content-type"], "application/pdf");
    assert_eq!(answer.headers()["cache-control"], "no-store");
    assert!(answer.bytes().unwrap().starts_with(b"%PDF"));
    assert!(garden.read(&format!("sessions/{name}/changes.csv")).contains("Dee"));
    // Who has seen it does not taste.
    let refused = maker.refused(&at, &[("act", "host"), ("who", "ann")]);
    assert!(refused.contains("was given out at this desk"), "{refused}");
}

#[test]
fn what_is_due_is_planned_in_one_step_and_put_into_a_calendar() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    // What is due follows from the day on which this runs.
    let on = Moment::now().on_clock_of(&clock(&garden.book.book_file().unwrap())).day();
    let wish = Wish { on, until: on.later(31), with: Vec::new(), days: None, alone: false };
    let due = due_of_book(&garden.book, &wish, None).unwrap();
    let page = maker.page("/sessions/due");
    let Some(sitting) = due.sitting.known() else {
        assert!(page.contains("No session is to be planned"));
        return;
    };
    let samples: Vec<&String> = sitting.samples().collect();
    for sample in &samples {
        assert!(page.contains(&format!("<li>{sample}</li>")), "{sample} in {page}");
    }
    let page = maker.refused("/sessions/due", &[("name", "again")]);
    assert!(page.contains("nobody tastes"), "{page}");
    let before = garden.book.session_names().unwrap().len();
    let fields = [("name", "again"), ("taster", "ann"), ("taster", "bo"), ("taster", "cy")];
    let page = maker.done("/sessions/due", &fields);
    assert!(page.contains("is planned"), "{page}");
    for sample in &samples {
        assert!(!page.contains(&format!("{sample}<")), "which flight has which is told to nobody");
    }
    assert_eq!(garden.book.session_names().unwrap().len(), before + 1);
    let answer = maker.ask("/sessions/due.ics");
    assert_eq!(answer.headers()["content-type"], "text/calendar; charset=utf-8");
    assert!(answer.text().unwrap().starts_with("BEGIN:VCALENDAR\r\n"));
}

#[test]
fn who_pours_and_tastes_alone_gives_the_key_after_closing() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let fields = [
        ("kind", "profile"),
        ("name", "alone"),
        ("day", "2026-06-03"),
        ("fill", "lots"),
        ("terms", "default"),
        ("seed", "3"),
        ("lot", LOTS[0]),
        ("lot", LOTS[1]),
        ("lot", LOTS[2]),
        ("taster", "ann"),
        ("alone", "1"),
    ];
    let page = maker.done("/sessions/new", &fields);
    assert!(page.contains("Tin at place"), "{page}");
    without_lots(&page);
    let at = "/sessions/2026-06-03-alone";
    let session = Session::open(&garden.book, "2026-06-03-alone").unwrap();
    let flight = session.plan().flights[0].clone();
    let cup = flight.cups[0].to_string();
    let args = [
        "session", "enter", "alone", "--taster", "ann", "--cup", &cup, "--term", "bitter",
        "--value", "4",
    ];
    let (code, text) = garden.run(&args);
    assert_eq!(code, 0, "{text}");
    // Not before it is closed.
    let table = |lots: [&str; 3]| {
        let rows: Vec<String> = (1..).zip(lots).map(|(i, l)| format!("{i},{l}\n")).collect();
        format!("shelf,lot\n{}", rows.concat())
    };
    let right = table(LOTS);
    let page = maker.refused(at, &[("act", "key"), ("table", &right)]);
    assert!(page.contains("close it first"), "{page}");
    let page = maker.done(at, &[("act", "close"), ("anyway", "1")]);
    assert!(page.contains("look under the tins"), "{page}");
    let wrong = table([LOTS[0], "T25-99", LOTS[2]]);
    let page = maker.refused(at, &[("act", "key"), ("table", &wrong)]);
    assert!(page.contains("the table:3:") && page.contains("2,T25-99"), "{page}");
    maker.done(at, &[("act", "key"), ("table", &right)]);
    let page = maker.done(at, &[("act", "reveal"), ("sure", "1")]);
    assert!(page.contains("The key was not committed beforehand"));
    let first = flight.shelf[0] as usize;
    let row = format!("<b>{cup}</b></td><td><a href=\"/lots/{}\">", LOTS[first - 1]);
    assert!(page.contains(&row), "{row} in {page}");
}

#[test]
fn a_musty_lot_goes_into_quarantine_and_answers_are_left_out_and_taken_back() {
    let garden = Garden::planned();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let session = garden.session();
    let at = format!("/sessions/{}", session.name);
    let cup = session.plan().flights[0].cups[0];
    for taster in ["ann", "bo"] {
        let code = cup.to_string();
        let args = [
            "session", "enter", "spring", "--taster", taster, "--cup", &code, "--term", "musty",
            "--value", "2",
        ];
        let (code, text) = garden.run(&args);
        assert_eq!(code, 0, "{text}");
    }
    let scope = [("act", "exclude"), ("taster", "bo"), ("flight", "2")];
    let page = maker.refused(&at, &scope);
    assert!(page.contains("an exclusion needs a reason"), "{page}");
    let page = maker.done(&at, &[scope[0], scope[1], scope[2], ("reason", "had a cold")]);
    let entry = value_of(&page, "entry");
    let page = maker.done(&at, &[("act", "readmit"), ("entry", &entry), ("reason", "had none")]);
    assert!(page.contains("taken back"), "{page}");
    maker.done(&at, &[("act", "close"), ("anyway", "1")]);
    let page = maker.done(&at, &[("act", "reveal"), ("sure", "1")]);
    let sample = value_of(&page, "sample");
    assert!(LOTS.contains(&sample.as_str()), "{sample}");
    maker.refused(&at, &[("act", "quarantine"), ("sample", &sample), ("reason-musty", "")]);
    let page = maker.done(
        &at,
        &[("act", "quarantine"), ("sample", &sample), ("reason-musty", "musty to two of two")],
    );
    assert!(page.contains("is in quarantine"), "{page}");
    assert!(!page.contains("name=\"sample\""), "said once");
    assert!(garden.read(&format!("lots/{sample}/log.csv")).contains("musty to two of two"));
    // From then on nobody is served it.
    let picture = maker.send("/sessions/preview", &plan()).text().unwrap();
    assert!(picture.contains(&format!("{sample} is not served")), "{picture}");
}
