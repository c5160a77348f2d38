//! Connections that are lost, desks that are killed, phones that take over: no answer is lost, none doubled.

use serde_json::{Value, json};

use super::super::common::{Desk, Garden};
use super::window::{Browser, Window};
use super::{all_saved, garden, join, now, phone};

fn value_of(garden: &Garden, taster: &str, term: &str) -> Vec<String> {
    let text = garden.ballot(taster);
    let lines = text.lines().skip(1).map(|l| l.split(',').map(str::to_owned).collect::<Vec<_>>());
    lines.filter(|c| c[6] == term).map(|c| c[7].clone()).collect()
}

/// Network errors are what a cut connection leaves in the console; anything else is a mistake of ours.
fn assert_quiet_but_for_the_network(phone: &Window) {
    let console = phone.console();
    let other: Vec<&String> = console
        .iter()
        .filter(|m| !m.contains("net::ERR_") && !m.contains("Failed to load resource"))
        .collect();
    assert!(other.is_empty(), "{other:#?}");
}

#[test]
fn a_connection_lost_in_mid_cup_loses_nothing() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.4);
    all_saved(&phone, 1);
    phone.offline(true);
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.6);
    phone.tap("term('hue').querySelector('label')");
    phone.until("return document.getElementById('notices').innerText.includes('No connection')");
    assert_eq!(phone.eval("return savedText()"), "Saved on disk: 1 of 3 · waiting here: 2");
    // The page goes on: the next cup, and back.
    phone.press("Next cup");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.2);
    phone.until("return savedText().endsWith('waiting here: 3')");
    phone.picture("offline");
    assert_eq!(value_of(&garden, "ann", "bitter"), Vec::<String>::new());
    phone.offline(false);
    all_saved(&phone, 4);
    phone.until("return !document.getElementById('notices').innerText.includes('No connection')");
    assert_eq!(value_of(&garden, "ann", "malty"), ["4", "2"]);
    assert_eq!(value_of(&garden, "ann", "bitter"), ["6"]);
    assert_eq!(garden.entries("ann").len(), 4, "each once");
    assert_quiet_but_for_the_network(&phone);
}

#[test]
fn a_desk_that_was_killed_comes_back_and_the_phones_with_it() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let mut desk = Desk::start(&garden);
    let (at, ballots) = (Desk::port(&desk.desk).to_string(), Desk::port(&desk.ballots).to_string());
    let phone = phone(&browser, &desk, &links["bo"]);
    let other = browser.phone(320, 640, &[]);
    join(&other, &desk.ballots, &links["cy"]);
    phone.press("Begin flight 1");
    other.press("Begin flight 1");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    all_saved(&phone, 1);
    desk.kill();
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.7);
    other.tap_at("term('bitter').querySelector('.ruler')", 0.1);
    phone.press("Next cup");
    phone.press("Back");
    for window in [&phone, &other] {
        window.until("return savedText().includes('waiting here: 1') && document.getElementById('notices').innerText.includes('No connection')");
    }
    let desk = Desk::start_with(&garden, &["--port", &at, "--ballots-port", &ballots]);
    assert!(desk.ballots.ends_with(&ballots));
    // By themselves: nobody touches anything.
    all_saved(&phone, 2);
    all_saved(&other, 1);
    assert_eq!(value_of(&garden, "bo", "bitter"), ["7"]);
    assert_eq!(value_of(&garden, "cy", "bitter"), ["1"]);
    assert_eq!(garden.run(&["check"]).0, 0);
    assert_quiet_but_for_the_network(&phone);
}

#[test]
fn what_waits_outlasts_a_reload() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let mut desk = Desk::start(&garden);
    let (at, ballots) = (Desk::port(&desk.desk).to_string(), Desk::port(&desk.ballots).to_string());
    let phone = phone(&browser, &desk, &links["bo"]);
    phone.press("Begin flight 1");
    desk.kill();
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.7);
    phone.until("return savedText().includes('waiting here: 1') && document.getElementById('notices').innerText.includes('No connection')");
    // The page goes while the desk is away; what waited is found and sent when it is opened again.
    phone.go("about:blank");
    let desk = Desk::start_with(&garden, &["--port", &at, "--ballots-port", &ballots]);
    phone.go(&format!("{}/ballot", desk.ballots));
    all_saved(&phone, 1);
    assert_eq!(value_of(&garden, "bo", "bitter"), ["7"]);
    // It opens where the taster was.
    assert_eq!(phone.until("return term('bitter').querySelector('output').textContent"), "7");
}

#[test]
fn a_second_phone_takes_over_and_the_first_takes_it_back_with_what_it_kept() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let first = phone(&browser, &desk, &links["ann"]);
    first.press("Begin flight 1");
    first.tap_at("term('malty').querySelector('.ruler')", 0.5);
    all_saved(&first, 1);
    first.offline(true);
    first.tap_at("term('bitter').querySelector('.ruler')", 0.9);
    first.until("return savedText().includes('waiting here: 1')");
    let second = browser.phone(320, 640, &[]);
    join(&second, &desk.ballots, &links["ann"]);
    // It goes on where the first was: what is on disk is there.
    second.until("return savedText() === 'Saved on disk: 1 of 1'");
    first.offline(false);
    first.until("return head() === 'This ballot goes on on another phone'");
    assert!(
        first
            .eval("return document.body.innerText")
            .as_str()
            .unwrap()
            .contains("Answers that wait on this phone: 1")
    );
    first.picture("taken-over");
    assert_eq!(value_of(&garden, "ann", "bitter"), Vec::<String>::new());
    first.press("Type the letters");
    first.until("return location.pathname === '/' && !!document.getElementById('link')");
    first.tap("document.getElementById('link')");
    first.write(&links["ann"].to_uppercase());
    first.press("Join");
    first.until("return location.pathname === '/ballot'");
    all_saved(&first, 2);
    assert_eq!(value_of(&garden, "ann", "bitter"), ["9"]);
    second.until("return head() === 'This ballot goes on on another phone'");
}

#[test]
fn what_comes_after_closing_is_late_and_said_to_be() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    all_saved(&phone, 1);
    let (code, text) = garden.run(&["session", "close", "spring", "--anyway"]);
    assert_eq!(code, 0, "{text}");
    phone.until(
        "return document.getElementById('notices').innerText.includes('The session is closed')",
    );
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.5);
    phone.until(
        "return document.getElementById('notices').innerText.includes('Late, kept apart: 1')",
    );
    phone.picture("late");
    assert_eq!(garden.entries("ann").len(), 1, "the ballot is as it was closed");
    assert_eq!(phone.eval("return term('bitter').querySelector('output').textContent"), "5");
    phone.assert_quiet();
}

#[test]
fn a_mapped_name_without_tls_is_no_secure_context_and_works() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let flags =
        ["--lan", "127.0.0.1", "--name", "factory.test", "--port", "0", "--ballots-port", "0"];
    let desk = Desk::start_with(&garden, &flags);
    assert!(desk.ballots.starts_with("http://factory.test:"), "{}", desk.ballots);
    let phone = browser.phone(360, 740, &["--host-resolver-rules=MAP factory.test 127.0.0.1"]);
    join(&phone, &desk.ballots, &links["cy"]);
    let lacks = phone.eval("return [isSecureContext, typeof crypto.randomUUID, 'serviceWorker' in navigator, 'wakeLock' in navigator]");
    assert_eq!(lacks, json!([false, "undefined", false, false]));
    phone.press("Begin flight 1");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    all_saved(&phone, 1);
    phone.offline(true);
    phone.tap("term('honey').querySelector('label')");
    phone.until("return savedText().includes('waiting here: 1')");
    phone.offline(false);
    all_saved(&phone, 2);
    let shown: Value = now(&phone);
    assert_eq!(shown["answers"].as_array().unwrap().len(), 2);
    for url in phone.requests() {
        assert!(url.starts_with(&desk.ballots) || url.starts_with("data:"), "{url}");
    }
}

#[test]
fn a_disk_that_takes_nothing_is_said_and_the_answers_are_kept() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    // What the desk answers when its disk is full; that it does is tested where the disk is replaced.
    phone.eval(
        "const real = window.fetch; window.giveBack = () => { window.fetch = real; };
         window.fetch = (path, wish) => path === '/ballot/lines' ? Promise.resolve(new Response('{\"error\":\"not-saved\",\"text\":\"the disk is full\"}', {status: 507})) : real(path, wish);",
    );
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.3);
    phone.until("return document.getElementById('notices').innerText.includes('Not saved: the disk of the desk takes nothing more')");
    assert_eq!(phone.eval("return savedText()"), "Saved on disk: 0 of 1 · waiting here: 1");
    super::looks::look(&phone, "disk-full");
    phone.eval("giveBack()");
    all_saved(&phone, 1);
    phone.until("return !document.getElementById('notices').innerText.includes('Not saved')");
    assert_eq!(value_of(&garden, "ann", "bitter"), ["3"]);
    phone.assert_quiet();
}
