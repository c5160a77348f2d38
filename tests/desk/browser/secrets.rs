//! Nothing that a taster's window receives tells what is in a cup.

use std::fs;

use serde_json::json;

use super::super::common::{Desk, TASTERS};
use super::window::Browser;
use super::{all_saved, garden, join, now};

#[test]
fn nothing_that_a_window_received_names_a_lot_or_the_order_of_another() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = browser.phone(360, 740, &[]);
    let mut received = Vec::new();
    phone.go(&desk.ballots);
    phone.until("return document.getElementById('link')");
    received.extend(phone.received());
    join(&phone, &desk.ballots, &links["ann"]);
    phone.press("Begin flight 1");
    let cups = now(&phone)["flights"][0]["cups"].clone();
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    phone.tap("term('musty').querySelectorAll('label')[2]");
    phone.press("I have told them");
    all_saved(&phone, 2);
    // A lot that is none, one that is, and one that is not of this session: all are taken alike.
    for guess in ["T25-14", "T24-01", "nonsense-9"] {
        phone.tap("document.querySelector('section.family > input')");
        phone.eval("document.querySelector('section.family > input').select()");
        phone.write(guess);
        phone.key("Enter");
        phone.eval("document.activeElement.blur()");
        phone.until_with(
            "return fetch('/ballot/now').then((a) => a.json()).then((n) => n.answers.some((a) => a.term === 'guess' && a.value === arguments[0]))",
            &[json!(guess)],
        );
        assert_eq!(phone.eval("return document.querySelectorAll('.wrong[role=alert]').length"), 0);
    }
    // What is not for tasters, asked for with a taster's cookie.
    let paths = [
        "/ballot/now",
        "/ballot/pulse",
        "/sessions",
        "/lots",
        "/questions",
        "/setup",
        "/clock",
        "/enter/x",
        "/join/xxxx-xxxx-xxxx",
        "/assets/..%2f..%2fbook.toml",
        "/.desk/doors.json",
        "/ballot/../sessions",
        "/assets/ballot.js",
        "/assets/base.css",
    ];
    let asked = phone.eval_async(&format!(
        "const done = arguments[0]; Promise.all({}.map((p) => fetch(p).then(async (a) => [p, a.status, [...a.headers].join(), await a.text()]))).then(done)",
        json!(paths)
    ));
    let mut texts: Vec<(String, String)> = asked
        .as_array()
        .unwrap()
        .iter()
        .filter(|a| a[0] != "/ballot/now")
        .map(|a| (a[0].as_str().unwrap().to_owned(), a.to_string()))
        .collect();
    for refused in ["/sessions", "/lots", "/questions", "/setup", "/.desk/doors.json"] {
        let status =
            asked.as_array().unwrap().iter().find(|a| a[0] == refused).unwrap()[1].as_u64();
        assert!(status >= Some(400), "{refused}: {status:?}");
    }
    received.extend(phone.received());
    assert!(received.len() > 10, "the window received {} things", received.len());
    let with_bodies = received.iter().filter(|r| r.text.lines().count() > 1).count();
    assert!(with_bodies > 6, "bodies of {with_bodies}");
    let guesses = ["T25-14", "T24-01"];
    texts.extend(received.into_iter().map(|r| (r.url, r.text)));
    let kept = phone.eval_async(
        "const done = arguments[0]; const open = indexedDB.open('blindsteep'); open.onsuccess = () => { const all = open.result.transaction('items').objectStore('items').getAll(); all.onsuccess = () => done(JSON.stringify(all.result) + JSON.stringify({...localStorage}) + JSON.stringify({...sessionStorage}) + document.cookie); };",
    );
    texts.push(("storage".to_owned(), kept.to_string()));
    texts.push(("source".to_owned(), phone.source()));

    let mut secrets: Vec<String> = fs::read_dir(garden.root().join("lots"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|l| l != "REF")
        .collect();
    assert!(secrets.len() > 10);
    let session = garden.session();
    let key =
        fs::read_to_string(garden.root().join("sessions").join(&session.name).join("key.toml"))
            .unwrap();
    for line in key.lines() {
        // Seeds and nonce: long texts that are nowhere but in the key.
        if let Some((_, text)) = line.split_once(" = \"")
            && text.trim_end_matches('"').len() >= 20
        {
            secrets.push(text.trim_end_matches('"').to_owned());
        }
    }
    let plan = session.plan();
    for flight in &plan.flights {
        for taster in &TASTERS[1..] {
            let order: Vec<String> = flight.order_of(taster).iter().map(u16::to_string).collect();
            let own: Vec<String> = flight.order_of("ann").iter().map(u16::to_string).collect();
            if order != own {
                secrets.extend([order.join(","), order.join(", ")]);
            }
        }
    }
    for taster in &TASTERS[1..] {
        secrets.push(links[*taster].clone());
    }
    for (from, text) in &texts {
        for secret in &secrets {
            // The words that the taster typed stand in the taster's own answers.
            let own = guesses.contains(&secret.as_str())
                && (from.contains("/ballot/") || from == "storage" || from == "source");
            assert!(own || !text.contains(secret.as_str()), "{secret} in {from}");
        }
    }
    assert!(cups.as_array().unwrap().len() >= 3);
}
