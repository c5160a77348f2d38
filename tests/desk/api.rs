//! What the ballots' door answers.

use std::time::{Duration, Instant};

use blindsteep::session::HandIn;
use blindsteep::session::{close, enter_lines, reveal};
use serde_json::{Value, json};

use super::common::{Desk, Garden, LOTS, Phone, cups, entry, line, now, request};

/// A desk with ann's and bo's phones.
fn joined() -> (Garden, Desk, Phone, Phone) {
    let garden = Garden::planned();
    let links = garden.links();
    let desk = Desk::start(&garden);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let bo = Phone::join(&desk.ballots, &links["bo"]);
    (garden, desk, ann, bo)
}

/// Sends bytes as they are and gives the whole answer.
fn raw(address: &str, text: &[u8]) -> String {
    use std::io::{Read as _, Write as _};
    let host = address.trim_start_matches("http://");
    let mut stream = std::net::TcpStream::connect(host).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    let _ = stream.write_all(text);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn an_answer_is_saved_once_and_known_when_it_comes_again() {
    let (garden, _desk, ann, _) = joined();
    let shown = ann.now();
    assert_eq!(shown["schema"], "ballot/1");
    assert_eq!((&shown["state"], &shown["taster"]), (&json!("planned"), &json!("ann")));
    assert_eq!(shown["settings"], json!({"go_back": "flight", "rest_s": 0, "guess": true}));
    let cup = cups(&shown, 0)[0];
    let first = line(cup, "malty", "6");
    assert_eq!(ann.answer(first.clone())["outcome"], "saved");
    let kept = garden.ballot("ann");
    assert_eq!(ann.answer(first.clone())["outcome"], "already");
    assert_eq!(garden.ballot("ann"), kept, "sent again it is written once");
    let mut other = first.clone();
    other["value"] = json!("7");
    let refused = ann.answer(other);
    assert_eq!(refused["outcome"], "refused");
    assert!(refused["found"].as_str().unwrap().contains("with something else"), "{refused}");
    assert_eq!(garden.ballot("ann"), kept);
    // Another answer to the same question takes its place, and says so.
    assert_eq!(ann.answer(line(cup, "malty", "8"))["outcome"], "saved");
    let lines: Vec<String> = garden.ballot("ann").lines().map(str::to_owned).collect();
    assert_eq!(lines.len(), 3);
    let replaced = format!(",8,scored,{},changed at the ballot,", first["entry"].as_str().unwrap());
    assert!(lines[2].contains(&replaced), "{}", lines[2]);
    let shown = ann.now();
    assert_eq!(shown["state"], "open");
    assert_eq!(shown["answers"].as_array().unwrap().len(), 1);
    assert_eq!(shown["answers"][0]["value"], "8");
    // What arithmetic on a phone added behind the last digit is not kept.
    for value in [json!(7.0000000000001), json!("7.0000000000001")] {
        let mut long = line(cup, "sweet", "");
        long["value"] = value;
        assert_eq!(ann.answer(long)["outcome"], "saved");
        let shown = ann.now();
        let answers = shown["answers"].as_array().unwrap();
        let sweet = answers.iter().find(|a| a["term"] == "sweet").unwrap();
        assert_eq!(sweet["value"], "7");
    }
    assert_eq!(garden.run(&["check"]).0, 0);
}

/// A head that comes a byte at a time and never ends does not hold its seat.
#[test]
fn a_trickled_head_is_given_up() {
    use std::io::{Read as _, Write as _};
    let (_garden, desk, ann, _) = joined();
    let host = desk.ballots.trim_start_matches("http://").to_owned();
    let mut stream = std::net::TcpStream::connect(&host).unwrap();
    stream.set_read_timeout(Some(Duration::from_millis(500))).unwrap();
    let begin = Instant::now();
    stream.write_all(b"GET / HTTP/1.1\r\nX-Slow: ").unwrap();
    let closed = loop {
        let gone = begin.elapsed();
        if gone > Duration::from_secs(60) {
            break None;
        }
        let written = stream.write_all(b"y");
        match stream.read(&mut [0; 512]) {
            Err(e)
                if written.is_ok()
                    && matches!(
                        e.kind(),
                        std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                    ) => {}
            _ => break Some(gone),
        }
    };
    let closed = closed.expect("it still holds its seat after a minute");
    assert!(closed > Duration::from_secs(15), "{closed:?}");
    // Whoever asks at a usual pace is answered meanwhile and behind it.
    assert_eq!(ann.get("/ballot/now").status(), 200);
}

#[test]
fn each_line_of_a_batch_has_an_outcome_of_its_own() {
    let (garden, _desk, ann, _) = joined();
    let shown = ann.now();
    let cup = cups(&shown, 0)[0];
    let bad = [
        (line(cup, "malty", "61"), "a number from"),
        (line(cup, "no-such-term", "1"), "one of"),
        (line(99, "malty", "1"), "one of"),
        (line(70000, "malty", "1"), "entry, cup, steep"),
        (line(cup, "hue", "plaid"), "one of"),
        (line(cup, "musty", "4"), "0 absent"),
        (
            json!({"entry": entry(), "cup": cup, "steep": 9, "term": "malty", "state": "scored", "value": "1"}),
            "a steep from 1",
        ),
        (
            json!({"entry": entry(), "cup": cup, "steep": 1, "term": "malty", "state": "scored", "value": ""}),
            "a value",
        ),
        (
            json!({"entry": entry(), "cup": cup, "steep": 1, "term": "malty", "state": "perhaps"}),
            "scored, declined or lost",
        ),
        (
            json!({"entry": entry(), "cup": cup, "steep": 1, "term": "malty", "state": "lost", "value": "3"}),
            "if and only if",
        ),
        (
            json!({"entry": "../../key", "cup": cup, "steep": 1, "term": "malty", "state": "lost"}),
            "16 letters",
        ),
        (json!({"cup": cup}), "entry, cup, steep"),
        (json!("nonsense"), "entry, cup, steep"),
    ];
    let mut lines: Vec<Value> = bad.iter().map(|(line, _)| line.clone()).collect();
    lines.push(line(cup, "malty", "3"));
    lines.push(json!({"entry": entry(), "cup": cup, "steep": 1, "term": "sweet", "state": "declined", "value": null, "note": null}));
    let (status, answer) = ann.post("/ballot/lines", &json!({"lines": lines}));
    assert_eq!(status, 200);
    for (i, (line, expected)) in bad.iter().enumerate() {
        let result = &answer["results"][i];
        assert_eq!(result["outcome"], "refused", "{line} {result}");
        assert!(result["expected"].as_str().unwrap().contains(expected), "{line} {result}");
        assert!(!result["mend"].as_str().unwrap().is_empty());
    }
    assert_eq!(answer["results"][13]["outcome"], "saved");
    assert_eq!(answer["results"][14]["outcome"], "saved");
    assert_eq!(garden.entries("ann").len(), 2);
    assert_eq!(garden.run(&["check"]).0, 0);
}

#[test]
fn notes_are_one_line_harmless_and_not_endless() {
    let (garden, _desk, ann, _) = joined();
    let cup = cups(&ann.now(), 0)[0];
    let note = |text: &str| {
        let mut sent = line(cup, "remarks", text);
        sent["note"] = json!(text);
        sent
    };
    assert_eq!(ann.answer(note("=HYPERLINK(\"http://x\")"))["outcome"], "saved");
    let kept = garden.ballot("ann");
    assert!(kept.contains("\"'=HYPERLINK"), "a spreadsheet must not run it: {kept}");
    assert!(!kept.contains(",=") && !kept.contains(",\"="), "{kept}");
    assert_eq!(
        ann.answer(note("honey 🍯🐝\nthen, \"rain\"\r\n\u{0}\u{2028}tail"))["outcome"],
        "saved"
    );
    let kept = garden.ballot("ann");
    assert_eq!(kept.lines().count(), 3, "{kept}");
    let shown = ann.now();
    assert_eq!(shown["answers"][0]["value"], "honey 🍯🐝 then, \"rain\"    tail");
    let long = ann.answer(note(&"茶".repeat(10_000)));
    assert_eq!(long["outcome"], "refused");
    assert_eq!(long["expected"], "at most 2000");
    assert!(long["found"].as_str().unwrap().contains("10000 characters"), "{long}");
    assert_eq!(ann.answer(note(&"茶".repeat(2000)))["outcome"], "saved");
    assert_eq!(garden.run(&["check"]).0, 0);
}

#[test]
fn handing_in_writes_zeros_and_ends_the_answers() {
    let (garden, _desk, ann, _) = joined();
    let cup = cups(&ann.now(), 0)[0];
    let early = json!({"entry": entry(), "flight": 1});
    let (_, answer) = ann.post("/ballot/hand-in", &early);
    assert_eq!(answer["results"][0]["outcome"], "refused", "nothing is answered: {answer}");
    ann.answer(line(cup, "malty", "6"));
    let (_, cup_alone) = ann.post("/ballot/hand-in", &json!({"entry": entry(), "cup": cup}));
    assert_eq!(cup_alone["results"][0]["outcome"], "refused", "the setting is flight");
    let hand_in = json!({"entry": entry(), "flight": 1});
    let (status, answer) = ann.post("/ballot/hand-in", &hand_in);
    assert_eq!((status, &answer["results"][0]["outcome"]), (200, &json!("saved")));
    assert_eq!(answer["handed_in"], json!([1]));
    let shown = ann.now();
    assert_eq!(shown["flights"][0]["handed_in"], true);
    let answers = shown["answers"].as_array().unwrap();
    let of = |term: &str| answers.iter().find(|a| a["term"] == term).map(|a| a["value"].clone());
    assert_eq!(of("musty"), Some(json!("0")));
    assert_eq!(of("sweet"), None);
    let again = ann.post("/ballot/hand-in", &hand_in).1;
    assert_eq!(again["results"][0]["outcome"], "already");
    let late = ann.answer(line(cup, "malty", "7"));
    assert_eq!(late["outcome"], "refused");
    assert!(late["found"].as_str().unwrap().contains("handed in"), "{late}");
    assert_eq!(garden.run(&["check"]).0, 0);
}

#[test]
fn where_the_book_says_so_a_cup_is_handed_in_alone() {
    let garden = Garden::planned();
    garden.set_ballot("cup", 20);
    let links = garden.links();
    let desk = Desk::start(&garden);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let shown = ann.now();
    assert_eq!(shown["settings"]["go_back"], "cup");
    assert_eq!(shown["settings"]["rest_s"], 20);
    let (first, second) = (cups(&shown, 0)[0], cups(&shown, 0)[1]);
    ann.answer(line(first, "malty", "6"));
    ann.answer(line(second, "malty", "5"));
    let (_, answer) = ann.post("/ballot/hand-in", &json!({"entry": entry(), "cup": first}));
    assert_eq!(answer["results"][0]["outcome"], "saved", "{answer}");
    assert_eq!(answer["handed_in"], json!([]));
    assert_eq!(ann.answer(line(first, "malty", "7"))["outcome"], "refused");
    assert_eq!(ann.answer(line(second, "malty", "7"))["outcome"], "saved");
    let shown = ann.now();
    assert_eq!(shown["flights"][0]["cups_handed_in"], json!([first]));
    assert_eq!(shown["flights"][0]["handed_in"], false);
    assert_eq!(garden.run(&["check"]).0, 0);
    // The same holds at the command line.
    let table = garden.beside().join("ann.csv");
    std::fs::write(&table, format!("cup,term,value\n{first},sweet,4\n")).unwrap();
    let table = table.to_str().unwrap();
    let (code, text) =
        garden.run(&["session", "enter", "spring", "--taster", "ann", "--from", table]);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains(&format!("the ballot of cup {first} was handed in")), "{text}");
}

#[test]
fn what_is_not_from_a_page_of_ours_is_refused() {
    let (garden, desk, ann, _) = joined();
    let cup = cups(&ann.now(), 0)[0];
    let url = format!("{}/ballot/lines", desk.ballots);
    let body = json!({"lines": [line(cup, "malty", "6")]});
    let post = || ann.client.post(&url).header("cookie", &ann.cookie);
    let token = ann.token.as_str();
    let status =
        |request: reqwest::blocking::RequestBuilder| request.send().unwrap().status().as_u16();
    assert_eq!(status(post().json(&body)), 403, "without the token");
    assert_eq!(status(post().header("x-form", "0".repeat(32)).json(&body)), 403);
    let foreign = post().header("x-form", token).header("origin", "http://elsewhere.example");
    assert_eq!(status(foreign.json(&body)), 403);
    let cross = post().header("x-form", token).header("sec-fetch-site", "cross-site");
    assert_eq!(status(cross.json(&body)), 403);
    let host = post().header("x-form", token).header("host", "rebound.example");
    assert_eq!(status(host.json(&body)), 421);
    assert_eq!(status(ann.client.post(&url).header("x-form", token).json(&body)), 401, "no cookie");
    let stranger =
        ann.client.post(&url).header("cookie", "blindsteep-1=abc").header("x-form", token);
    assert_eq!(status(stranger.json(&body)), 401);
    assert!(garden.entries("ann").is_empty());
    // What is malformed or too much is said to be so, and nothing breaks.
    let json_post = || post().header("x-form", token).header("content-type", "application/json");
    for (body, expected) in [
        ("", 422),
        ("{", 422),
        ("[]", 422),
        ("{\"lines\":3}", 422),
        ("{\"lines\":[{\"entry\":1}]}", 200),
        ("\u{0}", 422),
    ] {
        assert_eq!(status(json_post().body(body)), expected, "{body:?}");
    }
    assert_eq!(status(json_post().body(vec![0xff_u8, 0xfe, 0x00])), 422);
    let deep = "[".repeat(50_000);
    assert_eq!(status(json_post().body(deep)), 422);
    assert_eq!(status(json_post().body("x".repeat(300 * 1024))), 413);
    let many: Vec<Value> = (0..501).map(|_| json!({})).collect();
    assert_eq!(status(json_post().body(json!({"lines": many}).to_string())), 422);
    assert_eq!(status(post().header("x-form", token).body(body.to_string())), 415);
    assert_eq!(ann.post("/ballot/hand-in", &json!({"entry": entry()})).0, 422);
    assert_eq!(
        ann.post("/ballot/hand-in", &json!({"entry": entry(), "flight": 99})).1["results"][0]["outcome"],
        "refused"
    );
    assert_eq!(ann.post("/ballot/timer", &json!({"flight": 1, "steep": 99, "run": true})).0, 422);
    assert_eq!(ann.answer(line(cup, "malty", "6"))["outcome"], "saved");
}

#[test]
fn no_path_leads_out() {
    let (_garden, desk, ann, _) = joined();
    for path in [
        "/assets/../../etc/passwd",
        "/assets/..%2f..%2fbook.toml",
        "/join/..%2f..%2fkey.toml",
        "/enter/%2e%2e%2f",
        "/ballot/../sessions/2026-06-02-spring/key.toml",
        "/sessions/2026-06-02-spring/key.toml",
        "//etc/passwd",
        "/ballot/now/../../../key.toml",
    ] {
        let host = desk.ballots.trim_start_matches("http://");
        let text = format!(
            "GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {}\r\nConnection: close\r\n\r\n",
            ann.cookie
        );
        let answer = raw(&desk.ballots, text.as_bytes());
        let status: u16 = answer.split(' ').nth(1).unwrap_or("0").parse().unwrap_or(0);
        assert!([400, 403, 404].contains(&status), "{path}: {answer}");
        assert!(!answer.contains("root:") && !answer.contains("nonce"), "{path}: {answer}");
    }
    // None of the desk's pages is behind this door, nor the desk's cookie any good at it.
    for path in ["/lots", "/sessions", "/setup", "/clock"] {
        let status = ann.get(path).status().as_u16();
        assert!([403, 404].contains(&status), "{path}: {status}");
    }
    let garbage = raw(&desk.ballots, b"\x00\x01\x02 nonsense\r\n\r\n");
    assert!(garbage.is_empty() || garbage.contains(" 400 "), "{garbage}");
    assert_eq!(ann.get("/ballot/pulse").status(), 200);
}

#[test]
fn a_tasters_cookie_opens_nothing_of_the_desk() {
    let (_garden, desk, ann, _) = joined();
    let entered = ann.client.get(&desk.way_in).send().unwrap();
    assert_eq!(entered.status(), 303);
    let maker = entered.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap();
    let value = ann.cookie.split('=').nth(1).unwrap();
    let name = maker.split('=').next().unwrap();
    for path in ["/", "/lots", "/sessions"] {
        let status = |cookie: &str| {
            let url = format!("{}{path}", desk.desk);
            ann.client.get(url).header("cookie", cookie).send().unwrap().status().as_u16()
        };
        assert_eq!(status(maker), 200, "{path}");
        assert_eq!(status(&ann.cookie), 403, "{path}");
        assert_eq!(status(&format!("{name}={value}")), 403, "{path}");
    }
    // Nor is the maker's cookie a taster's.
    let port = Desk::port(&desk.ballots);
    let value = maker.split('=').nth(1).unwrap();
    let url = format!("{}/ballot/now", desk.ballots);
    let request = ann.client.get(url).header("cookie", format!("blindsteep-{port}={value}"));
    assert_eq!(request.send().unwrap().status(), 401);
}

#[test]
fn a_second_phone_takes_over() {
    let (garden, desk, ann, _) = joined();
    let link = {
        let kept: Value = serde_json::from_str(&garden.read(".desk/doors.json")).unwrap();
        let tasters = kept["tasters"].as_array().unwrap();
        tasters.iter().find(|t| t["taster"] == "ann").unwrap()["link"].as_str().unwrap().to_owned()
    };
    let cup = cups(&ann.now(), 0)[0];
    let sent = line(cup, "malty", "6");
    let second = Phone::join(&desk.ballots, &link.to_uppercase().replace('-', " "));
    let (status, answer) = ann.post("/ballot/lines", &json!({"lines": [sent]}));
    assert_eq!((status, &answer["error"]), (409, &json!("taken-over")));
    assert_eq!(ann.get("/ballot/now").status(), 409);
    assert!(garden.entries("ann").is_empty());
    // The first phone kept its answer and sends it after it has taken over in turn.
    assert_eq!(second.get("/ballot/now").status(), 200);
    let first = Phone::join(&desk.ballots, &link);
    assert_eq!(first.answer(sent)["outcome"], "saved");
    assert_eq!(second.get("/ballot/pulse").status(), 409);
}

#[test]
fn after_closing_answers_are_late_and_after_the_reveal_the_link_is_yesterdays() {
    let (garden, _desk, ann, bo) = joined();
    let cup = cups(&ann.now(), 0)[0];
    let saved = line(cup, "malty", "6");
    ann.answer(saved.clone());
    close(&garden.book, "spring", true, now()).unwrap();
    assert_eq!(ann.get("/ballot/pulse").json::<Value>().unwrap()["state"], "closed");
    let kept = garden.ballot("ann");
    assert_eq!(ann.answer(saved)["outcome"], "already");
    let late = line(cup, "sweet", "4");
    assert_eq!(ann.answer(late.clone())["outcome"], "late");
    assert_eq!(ann.answer(late.clone())["outcome"], "late", "and once only");
    let mut other = late;
    other["value"] = json!("5");
    assert_eq!(ann.answer(other)["outcome"], "refused");
    assert_eq!(ann.answer(line(cup, "sweet", "99"))["outcome"], "refused");
    let (_, answer) = ann.post("/ballot/hand-in", &json!({"entry": entry(), "flight": 1}));
    assert_eq!(answer["results"][0]["outcome"], "refused");
    assert_eq!(garden.ballot("ann"), kept, "the closed ballot is as it was");
    let late = garden.read("sessions/2026-06-02-spring/late/ann.csv");
    assert_eq!(late.lines().count(), 2, "{late}");
    assert_eq!(garden.run(&["check"]).0, 0);
    reveal(&garden.book, "spring", now()).unwrap();
    for phone in [&ann, &bo] {
        for path in ["/ballot/now", "/ballot/pulse"] {
            let answer = phone.get(path);
            assert_eq!(answer.status(), 401);
            let told = answer.json::<Value>().unwrap();
            assert_eq!((&told["error"], &told["why"]), (&json!("ended"), &json!("revealed")));
        }
    }
    let (status, answer) = ann.post("/ballot/lines", &json!({"lines": [line(cup, "flat", "1")]}));
    assert_eq!((status, &answer["error"]), (401, &json!("ended")));
    assert_eq!(garden.read("sessions/2026-06-02-spring/late/ann.csv"), late);
}

/// All that a phone can be sent, of right and of wrong requests.
fn everything(phone: &Phone) -> String {
    let mut all = String::new();
    let mut keep = |answer: reqwest::blocking::Response| {
        all.push_str(&format!("{:?}\n", answer.headers()));
        all.push_str(&answer.text().unwrap());
    };
    for path in [
        "/",
        "/ballot",
        "/ballot/now",
        "/ballot/pulse",
        "/lots",
        "/ballot/lines",
        "/join/x",
        "/enter/x",
    ] {
        keep(phone.get(path));
    }
    let post = |path: &str, body: String| {
        let url = format!("{}{path}", phone.ballots);
        let request = phone.client.post(url).header("cookie", &phone.cookie);
        let request = request.header("x-form", &phone.token);
        request.header("content-type", "application/json").body(body).send().unwrap()
    };
    let mut lines: Vec<Value> = (100..1000).step_by(2).map(|c| line(c, "malty", "3")).collect();
    lines.extend(
        ["guess", "guess-sure", "lot", "key"].map(|t| line(cups(&phone.now(), 0)[0], t, "?")),
    );
    keep(post("/ballot/lines", json!({"lines": lines}).to_string()));
    keep(post("/ballot/lines", "{\"lines\":".to_owned()));
    keep(post("/ballot/hand-in", json!({"entry": entry(), "flight": 1}).to_string()));
    keep(post("/ballot/hand-in", json!({"entry": entry(), "flight": 9}).to_string()));
    keep(post("/ballot/timer", json!({"flight": 1, "steep": 1, "run": true}).to_string()));
    keep(phone.get("/ballot/now"));
    all
}

#[test]
fn nothing_that_a_taster_is_sent_names_a_lot_or_anybody_else() {
    // Four of the cups are for each taster, so that a code may be somebody else's alone.
    let garden = Garden::empty();
    let mut wanted = request();
    wanted.per_taster = Some(2);
    wanted.duplicates = blindsteep::session::Duplicates::Dealt(0);
    garden.plan(&wanted);
    let links = garden.links();
    let desk = Desk::start(&garden);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let bo = Phone::join(&desk.ballots, &links["bo"]);
    bo.answer(line(cups(&bo.now(), 0)[0], "malty", "7"));
    let seen = everything(&ann).to_lowercase();
    for lot in LOTS.iter().chain(&["T24-0", "T25-1", "REF", "nonce", "deal"]) {
        let lot = lot.to_lowercase();
        let words = seen.match_indices(&lot).filter(|(i, _)| {
            let part = |c: char| c.is_ascii_alphanumeric();
            lot.contains('-')
                || !(seen[..*i].chars().next_back().is_some_and(part)
                    || seen[*i + lot.len()..].chars().next().is_some_and(part))
        });
        assert_eq!(words.count(), 0, "{lot} is told");
    }
    let plan = garden.plan_file();
    for flight in &plan.flights {
        let own = flight.order_of("ann");
        for cup in flight.cups.iter().filter(|c| !own.contains(c)) {
            // The refusal of a guessed code repeats the code; what it expects does not have it.
            let told = seen
                .replace(&format!("cup {cup} is none of yours"), "")
                .replace(&format!("{cup} 号杯不是您的"), "");
            let is_told = told.split(|c: char| !c.is_ascii_digit()).any(|n| n == cup.to_string());
            assert!(!is_told, "{cup} is not ann's");
        }
    }
    for other in ["bo", "cy"] {
        assert!(!seen.contains(&format!("\"{other}\"")), "{other} is named");
    }
    // Codes of others and codes of nobody are answered alike.
    let own = plan.flights[0].order_of("ann");
    let others = plan.flights[0].cups.iter().find(|c| !own.contains(c)).copied().unwrap();
    let nobody = (100..1000).find(|c| plan.flight_of(*c).is_none()).unwrap();
    let said = |cup: u16| {
        let result = ann.answer(line(cup.into(), "malty", "3"));
        format!("{}{}{}{}", result["found"], result["expected"], result["mend"], result["zh"])
            .replace(&format!("cup {cup} "), "cup X ")
            .replace(&format!("{cup} 号杯"), "X 号杯")
    };
    assert_eq!(said(others), said(nobody));
}

#[test]
fn a_mouldy_cup_stops_the_tasting_on_the_phone_too() {
    let (_garden, _desk, ann, _) = joined();
    let cup = cups(&ann.now(), 0)[0];
    let result = ann.answer(line(cup, "musty", "3"));
    assert_eq!(result["outcome"], "saved");
    assert!(result["caution"]["en"].as_str().unwrap().starts_with("STOP"), "{result}");
    assert!(result["caution"]["zh"].as_str().unwrap().starts_with("停止"), "{result}");
    assert!(ann.answer(line(cup, "musty", "2")).get("caution").is_none());
}

#[test]
fn what_others_write_in_the_book_is_seen_at_once() {
    let (garden, _desk, ann, _) = joined();
    let cup = cups(&ann.now(), 0)[0];
    ann.answer(line(cup, "malty", "6"));
    let pulse = || ann.get("/ballot/pulse").json::<Value>().unwrap()["changed"].as_u64().unwrap();
    let before = pulse();
    assert_eq!(pulse(), before, "nothing has changed");
    let answer = blindsteep::session::Answer {
        cup: u16::try_from(cup).unwrap(),
        steep: None,
        term: "sweet".to_owned(),
        given: blindsteep::session::Given::Scored("5".to_owned()),
        note: None,
    };
    enter_lines(&garden.book, "spring", "ann", &[answer], None, HandIn::No, now()).unwrap();
    assert!(pulse() > before);
    assert_eq!(ann.now()["answers"].as_array().unwrap().len(), 2);
    // The next line goes on behind it.
    ann.answer(line(cup, "flat", "2"));
    let numbers: Vec<String> = garden
        .ballot("ann")
        .lines()
        .skip(1)
        .map(|l| l.split(',').nth(1).unwrap().to_owned())
        .collect();
    assert_eq!(numbers, ["1", "2", "3"]);
}

#[test]
fn timers_run_for_one_and_end() {
    let (_garden, _desk, ann, bo) = joined();
    let (status, answer) =
        ann.post("/ballot/timer", &json!({"flight": 1, "steep": 1, "run": true}));
    assert_eq!(status, 200, "{answer}");
    let timer = &answer["timer"];
    assert_eq!((&timer["by"], &timer["seconds"]), (&json!("taster"), &json!(360)));
    let until = Instant::now() + Duration::from_secs(10);
    loop {
        let left =
            ann.get("/ballot/pulse").json::<Value>().unwrap()["timer"]["left"].as_i64().unwrap();
        if left < 360 {
            break;
        }
        assert!(Instant::now() < until, "it does not run");
        std::thread::sleep(Duration::from_millis(100));
    }
    assert!(bo.get("/ballot/pulse").json::<Value>().unwrap()["timer"].is_null(), "it is ann's");
    let (_, answer) = ann.post("/ballot/timer", &json!({"flight": 1, "steep": 1, "run": false}));
    assert!(answer["timer"].is_null());
}

#[test]
fn ranks_are_taken_together_or_not_at_all() {
    let garden = Garden::empty();
    let mut wanted = request();
    wanted.kind = blindsteep::book::session_files::Kind::Ranking;
    wanted.test = Some(blindsteep::book::session_files::TestPlan {
        alpha: 0.05,
        distinguishers: None,
        power: None,
        ties: false,
    });
    wanted.terms = blindsteep::session::Terms::Of(vec!["sweet".to_owned()]);
    wanted.guess = false;
    wanted.duplicates = blindsteep::session::Duplicates::Dealt(0);
    garden.plan(&wanted);
    let links = garden.links();
    let desk = Desk::start(&garden);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let of = cups(&ann.now(), 0);
    let rank = |cup: u64, value: &str| {
        let mut sent = line(cup, "sweet", value);
        sent["steep"] = Value::Null;
        sent
    };
    let outcomes = |lines: Vec<Value>| -> Vec<String> {
        let (status, answer) = ann.post("/ballot/lines", &json!({"lines": lines}));
        assert_eq!(status, 200, "{answer}");
        let results = answer["results"].as_array().unwrap();
        results.iter().map(|r| r["outcome"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(
        outcomes(vec![rank(of[0], "1"), rank(of[1], "1")]),
        ["refused", "refused"],
        "two cups with one rank"
    );
    assert!(garden.entries("ann").is_empty());
    assert_eq!(
        outcomes(vec![rank(of[0], "1"), rank(of[1], "2"), rank(of[2], "3")]),
        ["saved", "saved", "saved"]
    );
    // Two cups change places in one go.
    assert_eq!(outcomes(vec![rank(of[0], "2"), rank(of[1], "1")]), ["saved", "saved"]);
    assert_eq!(outcomes(vec![rank(of[0], "3")]), ["refused"]);
    let shown = ann.now();
    let value = |cup: u64| {
        let answers = shown["answers"].as_array().unwrap();
        answers.iter().find(|a| a["cup"] == cup).unwrap()["value"].clone()
    };
    assert_eq!((value(of[0]), value(of[1]), value(of[2])), (json!("2"), json!("1"), json!("3")));
    assert_eq!(garden.run(&["check"]).0, 0);
}
