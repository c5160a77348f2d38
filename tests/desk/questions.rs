//! The questions at the desk: the same findings as the commands, and files as the commands write them.

use reqwest::blocking::Response;

use super::common::{Desk, Garden, client};

/// The maker's browser.
pub struct Maker {
    desk: String,
    cookie: String,
    client: reqwest::blocking::Client,
}

impl Maker {
    pub fn enter(desk: &Desk) -> Self {
        let client = client();
        let answer = client.get(&desk.way_in).send().unwrap();
        assert_eq!(answer.status(), 303);
        let cookie = answer.headers()["set-cookie"].to_str().unwrap();
        let cookie = cookie.split(';').next().unwrap().to_owned();
        Self { desk: desk.desk.clone(), cookie, client }
    }

    pub fn get(&self, path: &str) -> Response {
        self.get_in(path, "en")
    }

    fn get_in(&self, path: &str, language: &str) -> Response {
        let cookie = format!("{}; language={language}", self.cookie);
        // A sheet is set in seconds, or in many where all cores are at other work.
        self.client
            .get(format!("{}{path}", self.desk))
            .header("cookie", cookie)
            .timeout(std::time::Duration::from_secs(180))
            .send()
            .unwrap()
    }

    pub fn text(&self, path: &str) -> String {
        let answer = self.get(path);
        assert_eq!(answer.status(), 200, "{path}");
        answer.text().unwrap()
    }

    /// What a form of a page carries.
    pub fn token(&self, path: &str) -> String {
        let text = self.text(path);
        let at = text.find("name=\"form\" value=\"").unwrap() + 19;
        text[at..].split('"').next().unwrap().to_owned()
    }

    pub fn post(&self, path: &str, fields: &[(&str, &str)]) -> Response {
        let body: Vec<String> =
            fields.iter().map(|(n, v)| format!("{n}={}", v.replace(' ', "+"))).collect();
        self.client
            .post(format!("{}{path}", self.desk))
            .header("cookie", &self.cookie)
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body.join("&"))
            .send()
            .unwrap()
    }
}

const MONTH: &str = "2024-06-09-month-01";

#[test]
fn the_numbers_are_those_of_the_commands() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let session = format!("session={MONTH}&json=1");
    let cases: [(String, Vec<&str>); 6] = [
        (format!("/questions/agree?{session}"), vec!["agree", MONTH, "--json"]),
        (format!("/questions/compare?{session}"), vec!["compare", MONTH, "--json"]),
        ("/questions/link?json=1".to_owned(), vec!["link", "--json"]),
        ("/questions/age?of=T24-01&json=1".to_owned(), vec!["age", "--of", "T24-01", "--json"]),
        ("/due?on=2026-05-18&json=1".to_owned(), vec!["due", "--on", "2026-05-18", "--json"]),
        ("/trials?batches=2&json=1".to_owned(), vec!["trial", "--add", "2", "--json"]),
    ];
    for (path, command) in cases {
        let answer = maker.get(&path);
        assert_eq!(answer.status(), 200, "{path}");
        assert_eq!(answer.headers()["content-type"], "application/json");
        let (code, text) = garden.run(&command);
        assert_eq!(code, 0, "{text}");
        assert_eq!(answer.text().unwrap(), text, "{path}");
    }
    let counted = ["difference", "triangle", "--answers", "36", "--correct", "18", "--json"];
    let asked = "/questions/difference?method=triangle&answers=36&correct=18";
    let (_, text) = garden.run(&counted);
    assert_eq!(maker.text(&format!("{asked}&json=1")), text);
    let found: serde_json::Value = serde_json::from_str(&text).unwrap();
    let shown = maker.text(asked);
    for sentence in found["sentences"].as_array().unwrap() {
        let sentence = sentence.as_str().unwrap().replace('<', "&lt;");
        assert!(shown.contains(&sentence), "{sentence}");
    }
}

#[test]
fn no_answer_is_the_text_of_a_command_and_what_is_chinese_is_so_to_its_end() {
    let garden = Garden::empty();
    let (code, said) = garden.run(&["trial", "--add", "2", "--save", "parted"]);
    assert_eq!(code, 0, "{said}");
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    for (path, en, zh) in [
        (format!("/questions/agree?session={MONTH}"), "What was found", "能区分批次"),
        (format!("/questions/compare?session={MONTH}"), "What was found", "对批次中有"),
        ("/questions/compare?session=sweetest".to_owned(), "Rank sum", "名次和"),
        ("/questions/difference?session=two-stores".to_owned(), "The tests", "三点检验"),
        ("/questions/difference?answers=24&correct=15".to_owned(), "told apart", "能区分"),
        ("/questions/link?asked=1".to_owned(), "What goes with what", "哪些参数与哪些评语相关"),
        ("/questions/age?of=T24-01".to_owned(), "In short", "概要"),
        ("/trials?batches=2".to_owned(), "The batches", "各批"),
        ("/trials/parted".to_owned(), "to be made", "尚待制作"),
    ] {
        let english = maker.text(&path);
        assert!(english.contains(en) && !english.contains("<pre"), "{path}");
        let chinese = maker.get_in(&path, "zh").text().unwrap();
        assert!(chinese.contains(zh) && !chinese.contains("<pre"), "{path}");
        // The way to the other language alone is English.
        assert_eq!(chinese.matches("lang=\"en\"").count(), 1, "{path}: marked as English");
    }
}

#[test]
fn a_preview_of_a_sheet_says_that_it_is_none() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let shown = maker.text("/sheets/of/T24-01");
    assert!(shown.contains("nothing is issued yet"), "{shown}");
    let picture = maker.get("/sheets/of/T24-01?picture=1");
    assert_eq!(picture.headers()["content-type"], "image/png");
    assert!(picture.bytes().unwrap().starts_with(b"\x89PNG"));
    let sheets = std::fs::read_dir(garden.root().join("sheets"));
    assert!(sheets.map_or(0, |s| s.count()) == 0, "looking issues nothing");
}

#[test]
fn pages_show_what_was_found_in_both_languages_and_refuse_what_cannot_be_asked() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let agree = format!("/questions/agree?session={MONTH}");
    for (path, en, zh) in [
        ("/questions", "Which lots differ?", "哪些批次有差异？"),
        (&agree, "Term by term", "逐个评语"),
        ("/due?on=2026-05-18", "Plan the session", "安排复评"),
        ("/sheets", "Issued", "已签发"),
        ("/sessions/due", "recipe Tavrinel panel pot", "冲泡方法“塔夫里内尔审评壶"),
        ("/lots/T24-05", "% an hour", "%/小时"),
    ] {
        assert!(maker.text(path).contains(en), "{path}");
        assert!(maker.get_in(path, "zh").text().unwrap().contains(zh), "{path}");
    }
    // A sheet has a page a language: the reader's comes first.
    let sheet = |lang: &str| maker.get_in("/sheets/of/T24-01?picture=1", lang).bytes().unwrap();
    assert_ne!(sheet("en"), sheet("zh"));
    assert!(maker.text(&agree).contains("<svg"), "its charts are in the page");
    for (path, said) in [
        ("/questions/agree?session=nowhere", "nowhere"),
        ("/questions/compare?session=month-01&control=T99", "T99 was not scored"),
        ("/questions/compare?session=month-01&within=wide", "is no margin"),
        ("/questions/age?of=T99", "no such lot was scored"),
        ("/questions/difference?answers=4&correct=9", "not more right ones"),
        ("/due?on=yesterday", "is not a day"),
        ("/trials?batches=1000", "a number from 1 to"),
    ] {
        let answer = maker.get(path);
        assert_eq!(answer.status(), 422, "{path}");
        let text = answer.text().unwrap();
        assert!(text.contains(said) && text.contains("role=\"alert\""), "{path}: {text}");
    }
    // What is typed comes back as text, never as a page's own.
    let typed = maker.get("/questions/age?of=%3Cscript%3Ealert(1)%3C/script%3E").text().unwrap();
    assert!(!typed.contains("<script>alert"), "{typed}");
}

#[test]
fn what_the_desk_writes_stands_in_the_book_as_the_commands_write_it() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let token = maker.token("/trials?batches=2");
    let kept = maker.post("/trials", &[("form", &token), ("batches", "2"), ("name", "parted")]);
    assert_eq!(kept.status(), 303, "{:?}", kept.text());
    assert!(garden.read("trials/parted.toml").contains("name = \"parted\""));
    let (_, json) = garden.run(&["trial", "--show", "parted", "--json"]);
    assert_eq!(maker.text("/trials/parted?json=1"), json);
    assert!(maker.get("/trials/parted/sheet.pdf").bytes().unwrap().starts_with(b"%PDF"));

    let issued = maker.post("/sheets", &[("form", &token), ("sample", "T24-01")]);
    assert_eq!(issued.status(), 303);
    let files: Vec<String> = std::fs::read_dir(garden.root().join("sheets"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.starts_with("T24-01-"))
        .collect();
    assert_eq!(files.len(), 3, "{files:?}");
    let pdf = files.iter().find(|f| f.ends_with(".pdf")).unwrap();
    assert!(maker.get(&format!("/sheets/file/{pdf}")).bytes().unwrap().starts_with(b"%PDF"));
}

#[test]
fn nobody_else_reads_or_writes_and_no_way_leads_out_of_the_folder() {
    let garden = Garden::planned();
    let links = garden.links();
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    for path in ["/questions", "/due", "/sheets", "/trials", "/sheets/of/T24-01"] {
        let stranger = client().get(format!("{}{path}", desk.desk)).send().unwrap();
        assert_eq!(stranger.status(), 403, "{path}");
        assert!(!stranger.text().unwrap().contains("T24"), "{path}");
    }
    // A taster's cookie is worth nothing here, nor does the ballots' door know these pages.
    let phone = super::common::Phone::join(&desk.ballots, &links["ann"]);
    let (_, secret) = phone.cookie.split_once('=').unwrap();
    let name = maker.cookie.split_once('=').unwrap().0;
    let tried = client()
        .get(format!("{}/due", desk.desk))
        .header("cookie", format!("{name}={secret}"))
        .send()
        .unwrap();
    assert_eq!(tried.status(), 403);
    assert_eq!(phone.get("/due").status(), 404);
    assert_eq!(phone.get("/questions/age").status(), 404);
    // Without the form's token, or from a page elsewhere, nothing is written.
    assert_eq!(maker.post("/sheets", &[("sample", "T24-01")]).status(), 403);
    let token = maker.token("/sheets/of/T24-01");
    let foreign = client()
        .post(format!("{}/sheets", desk.desk))
        .header("cookie", &maker.cookie)
        .header("origin", "http://evil.example")
        .header("content-type", "application/x-www-form-urlencoded")
        .body(format!("form={token}&sample=T24-01"))
        .send()
        .unwrap();
    assert_eq!(foreign.status(), 403);
    for way in ["..%2Fbook.toml", "%2Fetc%2Fpasswd", "..%5Cbook.toml", ".desk", "%2e%2e%2fkey.toml"]
    {
        let answer = maker.get(&format!("/sheets/file/{way}"));
        assert_eq!(answer.status(), 404, "{way}");
    }
    let sealed = maker.get("/sheets/file/../../sessions/key.toml").status();
    assert!(sealed == 404 || sealed == 403, "{sealed}");
}

#[test]
fn a_question_offers_the_latest_session_and_tells_rankings_from_profiles() {
    let garden = Garden::empty();
    let (code, said) = garden.run(&["sheet", "T24-01"]);
    assert_eq!(code, 0, "{said}");
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let form = maker.text("/questions/compare");
    let boxes: Vec<&str> = form.split("name=\"session\" value=\"").skip(1).collect();
    let ticked: Vec<&&str> = boxes.iter().filter(|b| b.contains(" checked>")).collect();
    assert_eq!(ticked.len(), 1, "{form}");
    assert!(
        ticked[0].starts_with("2026-05-11-month-24\" checked>"),
        "the latest of its kinds: {form}"
    );
    assert!(!form.contains("In short"), "nothing is asked before the button is pressed");
    let ranking = boxes.iter().find(|b| b.starts_with("2025-11-11-sweetest")).unwrap();
    assert!(ranking.contains(">ranking<") && !boxes[0].contains(">profile<"), "{form}");
    let offered = form.split("<datalist id=\"samples\">").nth(1).unwrap();
    assert!(form.contains("name=\"control\" value=\"\" list=\"samples\""), "{form}");
    assert!(offered.contains("value=\"T24-05@dry\"") && !offered.contains("value=\"T24-05\""));
    // All of them where none is ticked: none is ticked then.
    assert!(!maker.text("/questions/link").contains(" checked>"));

    // A sheet is one sheet in three forms.
    let sheets = maker.text("/sheets");
    let issued = sheets.split("class=\"issued\"").nth(1).unwrap();
    assert_eq!(issued.matches("/sheets/file/T24-01-").count(), 3, "{issued}");
    assert_eq!(issued.matches("<span>T24-01-").count(), 1, "{issued}");
}

#[test]
fn a_kept_trial_speaks_of_settings_by_their_names() {
    let garden = Garden::empty();
    let (code, said) = garden.run(&["trial", "--add", "2", "--save", "parted"]);
    assert_eq!(code, 0, "{said}");
    let desk = Desk::start(&garden);
    let maker = Maker::enter(&desk);
    let before = maker.text("/trials/parted");
    let article = before.split("<article").nth(1).unwrap();
    assert!(article.contains("time of withering"), "{article}");
    for id in ["wither.hours", "lot.season", ">Logged<"] {
        assert!(!article.contains(id), "{id}: {article}");
    }
    // Otherwise than planned, whatever the plan is.
    let (code, said) = garden.run(&[
        "lot",
        "add",
        "T26-31",
        "--class",
        "black",
        "--made",
        "2026-11-20",
        "--trial",
        "parted",
        "--run",
        "1",
        "--set",
        "wither.hours=9",
    ]);
    assert_eq!(code, 0, "{said}");
    let after = maker.text("/trials/parted");
    assert!(after.contains("1 of 2 are made; still to be made: 2."), "{after}");
    assert!(after.contains("T26-31: time of withering 9 h in the stead of"), "{after}");
    assert!(after.contains(">Logged<") && after.contains("Still to be logged"), "{after}");
}
