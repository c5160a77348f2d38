//! What a page tells when something is refused: no command and no flag, and in Chinese no sentence of English.

use std::fs;

use reqwest::blocking::Client;
use serde_json::{Value, json};

use crate::common::{Desk, Garden, LOTS, Phone, TASTERS, client, cups, line};

struct Reader<'a> {
    client: Client,
    desk: &'a Desk,
    cookie: String,
}

impl<'a> Reader<'a> {
    fn of(desk: &'a Desk, language: &str) -> Self {
        let client = client();
        let answer = client.get(&desk.way_in).send().unwrap();
        let cookie = answer.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap();
        let cookie = format!("{cookie}; language={language}");
        Self { client, desk, cookie }
    }

    fn get(&self, path: &str) -> String {
        let url = format!("{}{path}", self.desk.desk);
        self.client.get(url).header("cookie", &self.cookie).send().unwrap().text().unwrap()
    }

    /// What a form that is refused is told.
    fn refused(&self, path: &str, fields: &[(&str, &str)]) -> String {
        let page = self.get("/lots/new");
        let token = value_of(&page, "form");
        let mut body = format!("form={token}");
        for (name, value) in fields {
            let coded: String = value.bytes().map(|b| format!("%{b:02X}")).collect();
            body.push_str(&format!("&{name}={coded}"));
        }
        let request = self.client.post(format!("{}{path}", self.desk.desk));
        let answer = request
            .header("cookie", &self.cookie)
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body)
            .send()
            .unwrap();
        let status = answer.status();
        let text = answer.text().unwrap();
        assert!(status == 422 || status == 409, "{path} {fields:?}: {status} {text}");
        told(&text)
    }
}

/// The value of a hidden field.
fn value_of(page: &str, name: &str) -> String {
    let before = format!("name=\"{name}\" value=\"");
    let (_, behind) = page.split_once(&before).unwrap();
    behind.split('"').next().unwrap().to_owned()
}

/// What stands in the boxes of a page that tell of mistakes, without the marks of the page itself.
fn told(page: &str) -> String {
    let mut all = String::new();
    for box_of in ["<div class=\"wrong\"", "<div class=\"mistake\"", "<div class=\"not-yet\""] {
        for part in page.split(box_of).skip(1) {
            let ends = ["</pre>", "</ul>", "</a></div>"].iter().filter_map(|end| part.find(end));
            let inside = &part[..ends.min().unwrap()];
            all.push_str(inside.split_once('>').unwrap().1);
            all.push('\n');
        }
    }
    // Beside its field each mistake stands whole.
    for part in page.split("<span class=\"amiss\"").skip(1) {
        let inside = part.split("</span>").next().unwrap();
        all.push_str(inside.split_once('>').unwrap().1);
        all.push('\n');
    }
    assert!(!all.is_empty(), "nothing is told: {page}");
    all.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
}

/// No flag, no command; on a Chinese page no three English words in a row that are not marked, and none marked.
fn reads_well(language: &str, text: &str) {
    for sign in ["--", "`", "blindsteep "] {
        assert!(!text.contains(sign), "{sign} in {text}");
    }
    if language == "en" {
        return;
    }
    assert!(!text.contains("lang=\"en\""), "{text}");
    // Lines of files stay as they are.
    let own = text.lines().filter(|l| {
        !l.trim_start_matches([' ', '1', '2', '3', '4', '5', '6', '7', '8', '9', '0'])
            .starts_with('|')
    });
    for l in own {
        let words: Vec<&str> = l.split(' ').collect();
        let plain = |w: &&str| w.len() > 1 && w.chars().all(|c| c.is_ascii_lowercase());
        let row = words.windows(3).find(|w| w.iter().all(plain));
        assert!(row.is_none(), "{row:?} of {l}");
    }
    assert!(text.contains("应为：") || text.contains("如何改正："), "{text}");
}

fn in_both(desk: &Desk, what: impl Fn(&Reader<'_>) -> String) -> [String; 2] {
    ["en", "zh"].map(|language| {
        let text = what(&Reader::of(desk, language));
        reads_well(language, &text);
        text
    })
}

#[test]
fn refusals_of_sessions_speak_the_words_of_the_page() {
    let garden = Garden::planned();
    let links = garden.links();
    let desk = Desk::start(&garden);
    let plan = |lots: &str, more: &[(&str, &str)]| -> [String; 2] {
        let mut fields = vec![
            ("kind", "profile"),
            ("name", "two"),
            ("day", "2026-06-03"),
            ("fill", "lots"),
            ("terms", "default"),
            ("seed", "11"),
            ("lots", lots),
            ("taster", TASTERS[0]),
        ];
        fields.retain(|(n, _)| !more.iter().any(|(m, _)| n == m));
        fields.extend(more);
        in_both(&desk, |r| r.refused("/sessions/new", &fields))
    };
    let [en, zh] = plan(LOTS[0], &[]);
    assert!(en.contains("tick more under “Lots”, or name a “Reference”"), "{en}");
    assert!(zh.contains("请在“批次”中多勾选，或指定“参照样”"), "{zh}");
    let [_, zh] = plan(&format!("{},NOPE", LOTS[0]), &[]);
    assert!(zh.contains("没有批次“NOPE”"), "{zh}");
    let two = format!("{},{}", LOTS[0], LOTS[1]);
    let [en, _] = plan(&two, &[("per-taster", "1"), ("taster", TASTERS[1])]);
    assert!(en.contains("“Cups for each taster”"), "{en}");
    let [en, zh] = plan(&two, &[("name", "茶会")]);
    assert!(en.contains("1 to 40 ASCII letters"), "{en}");
    assert!(zh.contains("1 至 40 个英文字母"), "{zh}");
    plan(&LOTS.join(","), &[("kind", "triangle")]);
    plan(&two, &[("kind", "ranking")]);
    plan(&two, &[("kind", "paired"), ("alpha", "0.9"), ("term", "bitter"), ("terms", "these")]);
    plan(&two, &[("duplicates", "many")]);

    let act = |fields: &[(&str, &str)]| in_both(&desk, |r| r.refused("/sessions/spring", fields));
    act(&[("act", "close")]);
    act(&[("act", "reveal"), ("sure", "1")]);
    act(&[("act", "void"), ("reason-void", "")]);
    act(&[("act", "exclude"), ("taster", "ann"), ("reason", "")]);
    act(&[("act", "exclude"), ("reason", "cold")]);
    let phone = Phone::join(&desk.ballots, &links["ann"]);
    let cup = cups(&phone.now(), 0)[0];
    assert_eq!(phone.answer(line(cup, "bitter", "4"))["outcome"], "saved");
    let [en, zh] = act(&[("act", "close")]);
    assert!(en.contains("“Close without them”"), "{en}");
    assert!(zh.contains("ann，第 1 轮") && zh.contains("“不等了，截止”"), "{zh}");

    // From paper: which cup, and the question as the form calls it.
    let field = format!("a.{cup}.1.sweet");
    let fields = [("how", "cups"), ("flight", "1"), (field.as_str(), "abc")];
    let [en, zh] = in_both(&desk, |r| r.refused("/sessions/spring/enter/ann", &fields));
    assert!(en.contains(&format!("Cup {cup}, Sweet: it is \"abc\"")), "{en}");
    assert!(zh.contains(&format!("{cup} 号杯，甜：")) && !zh.contains("sweet"), "{zh}");

    // The phone is told in both, and shows its own.
    let refused = phone.answer(line(99, "bitter", "4"));
    assert_eq!(refused["outcome"], "refused", "{refused}");
    assert_eq!(refused["found"], "cup 99 is none of yours");
    assert_eq!(refused["zh"]["found"], "99 号杯不是您的");
    assert_eq!(refused["zh"]["mend"], "请看杯上的杯号");
    // What only the desk can mend is the host's.
    let refused = phone.answer(line(cup, "bitter", "99"));
    assert_eq!(refused["mend"], "tell the host", "{refused}");
    assert_eq!(refused["zh"]["mend"], "请告诉主持人");
    let refused = phone.answer(line(70000, "bitter", "4"));
    assert_eq!(refused["found"], "this is not what a page sends");
    assert_eq!(refused["zh"]["found"], "这不是页面所发的内容");
    let (_, refused) = phone.post("/ballot/lines", &json!({"lines": 3}));
    assert_eq!(refused["zh"], "这不是页面所发的内容（第 1 行，第 10 列）", "{refused}");
    let cookie = phone.cookie.clone();
    let asked = || {
        let url = format!("{}/ballot/now", desk.ballots);
        let answer = phone.client.get(url).header("cookie", &cookie).send().unwrap();
        answer.json::<Value>().unwrap()
    };
    Phone::join(&desk.ballots, &links["ann"]);
    assert!(asked()["zh"].as_str().unwrap().starts_with("此评茶单已转到另一部手机"), "{}", asked());
}

#[test]
fn refusals_of_the_record_speak_the_words_of_the_page() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let lot = LOTS[0];
    let at = |path: &str| format!("/lots/{lot}/{path}");
    let post =
        |path: &str, fields: &[(&str, &str)]| in_both(&desk, |r| r.refused(&at(path), fields));
    let [en, zh] = post("quarantine", &[("reason", "")]);
    assert!(en.contains("fill in “Reason”") && zh.contains("请填写“理由”"), "{en}{zh}");
    post("clear", &[("reason", "dry"), ("by", "ann")]);
    post("move", &[]);
    let log = |parameter: &str, value: &str| {
        post("log", &[("parameter", parameter), ("value", value), ("how", "measured")])
    };
    let [_, zh] = log("wither.hours", "twelve");
    assert!(zh.contains("“萎凋时间” = “twelve”不成立"), "{zh}");
    let [en, _] =
        post("split", &[("way", "lots"), ("on", "2026-06-02"), ("part-1", "X1"), ("kg-1", "900")]);
    assert!(en.contains("900") && en.contains("correct the mass"), "{en}");
    let [en, zh] = in_both(&desk, |r| {
        let seen = value_of(&r.get("/setup/edit/taster"), "seen");
        r.refused("/setup/edit/taster", &[("id", "安"), ("seen", &seen)])
    });
    assert!(
        en.contains("\"安\" cannot be the id of a taster") && !en.contains("tasters.toml:"),
        "{en}"
    );
    assert!(zh.contains("“安”不能用作评茶员的编号"), "{zh}");
}

#[test]
fn mistakes_of_files_keep_their_places() {
    let garden = Garden::empty();
    let desk = Desk::start(&garden);
    let file = garden.root().join("tasters.toml");
    let good = fs::read_to_string(&file).unwrap();
    fs::write(&file, format!("{good}\n[[taster]]\nid = unquoted\n")).unwrap();
    let n = good.lines().count() + 3;
    let [_, zh] = in_both(&desk, |r| told(&r.get("/check")));
    assert!(zh.contains(&format!("tasters.toml:{n}:6: 不是 TOML：文字须加引号")), "{zh}");
    fs::write(&file, good).unwrap();

    let log = garden.root().join(format!("lots/{}/log.csv", LOTS[0]));
    let good = fs::read_to_string(&log).unwrap();
    let columns = good.lines().next().unwrap().split(',').count();
    let wrong = vec!["x"; columns + 1].join(",");
    fs::write(&log, format!("{good}{wrong}\n")).unwrap();
    let n = good.lines().count() + 1;
    let [_, zh] = in_both(&desk, |r| told(&r.get("/check")));
    assert!(zh.contains(&format!("lots/{}/log.csv:{n}:", LOTS[0])), "{zh}");
    assert!(zh.contains(&format!("该行有 {} 个单元格", columns + 1)), "{zh}");
}
