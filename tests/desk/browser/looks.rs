//! Every screen at phone sizes in both languages: nothing clipped, nothing too small to touch, nothing too pale to
//! read, nothing that a screen reader would stumble over.

use blindsteep::book::session_files::Kind;
use serde_json::{Value, json};

use super::super::common::{Desk, Garden};
use super::window::{Browser, Window};
use super::{garden, of_sets, phone};

/// axe, an accessibility checker (MPL-2.0; tests/data/README.md).
const AXE: &str = include_str!("../../data/axe.min.js");

/// Looks at what is on the screen, at sizes from a small phone's to one held sideways.
pub fn look(window: &Window, name: &str) {
    for (width, height) in [(320, 640), (430, 932), (740, 360)] {
        window.size(width, height);
        let found = window
            .try_eval(include_str!("look.js"), &[])
            .unwrap_or_else(|e| panic!("{name} at {width}: {e}"));
        assert_eq!(found, json!([]), "{name} at {width} by {height}");
    }
    window.size(320, 640);
    window.picture(name);
    axe(window, name);
}

/// What axe finds: nothing may be serious or critical.
pub fn axe(window: &Window, name: &str) {
    window.try_eval(&format!("if (!window.axe) {{ {AXE} }}"), &[]).unwrap();
    let found = window.eval_async(
        "const done = arguments[0]; axe.run(document, {resultTypes: ['violations', 'incomplete']}).then((r) => done([r.passes.length, r.violations.map((v) => [v.id, v.impact, v.help, v.nodes.slice(0, 3).map((n) => n.html)])]), (e) => done(['error', String(e)]))",
    );
    assert!(found[0].as_u64() > Some(5), "{name}: axe looked at something: {found}");
    let grave: Vec<&Value> = found[1]
        .as_array()
        .unwrap()
        .iter()
        .filter(|v| v[1] == "serious" || v[1] == "critical")
        .collect();
    assert!(grave.is_empty(), "{name}: {grave:#?}");
}

fn in_both(window: &Window, name: &str) {
    look(window, &format!("{name}-en"));
    window.press("中文");
    window.until("return document.documentElement.lang === 'zh-Hans'");
    look(window, &format!("{name}-zh"));
    window.press("English");
    window.until("return document.documentElement.lang === 'en'");
}

#[test]
fn the_door_and_a_link_that_is_not_good() {
    let garden = garden();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = browser.phone(320, 640, &[]);
    for (path, name) in
        [("/", "door"), ("/join/aaaa-bbbb-cccc", "door-wrong"), ("/ballot", "door-nobody")]
    {
        for language in ["en", "zh"] {
            phone.go(&format!("{}/language?to={language}&back={path}", desk.ballots));
            phone.until("return document.getElementById('link')");
            assert_eq!(
                phone.eval("return document.querySelectorAll('.wrong:not([hidden])').length"),
                if name == "door" { 0 } else { 1 }
            );
            look(&phone, &format!("{name}-{language}"));
        }
    }
    phone.go(&desk.ballots);
    phone.tap("document.getElementById('link')");
    phone.write("abc");
    phone.key("Enter");
    phone.until("return !document.getElementById('short').hidden && location.pathname === '/'");
}

#[test]
fn each_screen_of_a_profile() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    in_both(&phone, "start");
    phone.press("Begin flight 1");
    in_both(&phone, "cup");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    phone.tap_at("term('strength-for-class').querySelector('.ruler')", 0.2);
    phone.tap("term('finish').querySelector('label')");
    phone.tap("term('honey').querySelector('label')");
    phone.tap("term('bitter').querySelector('.head button')");
    phone.tap("document.querySelector('summary')");
    phone.press("Start the timer");
    phone.tap("term('musty').querySelectorAll('label')[3]");
    phone.until("return head() === 'Stop'");
    phone.press("中文");
    phone.until("return document.body.innerText.includes('闻到霉味即停止审评')");
    phone.press("English");
    in_both(&phone, "stop");
    phone.press("I have told them");
    in_both(&phone, "cup-scored");
    phone.press("Help");
    in_both(&phone, "help");
    phone.press("Back to the ballot");
    phone.offline(true);
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.5);
    phone.until("return document.getElementById('notices').innerText.includes('No connection')");
    in_both(&phone, "offline");
    phone.offline(false);
    phone.until("return !document.getElementById('notices').innerText.includes('No connection')");
    phone.press("Next cup");
    for _ in 0..8 {
        if phone.eval("return head().startsWith('End of flight')") == json!(true) {
            break;
        }
        phone.tap("document.querySelector('#bar button:last-child')");
    }
    in_both(&phone, "end");
}

#[test]
fn each_kind_of_set() {
    for (kind, ties, name) in [
        (Kind::Ranking, false, "ranking"),
        (Kind::Ranking, true, "ranking-ties"),
        (Kind::Triangle, false, "triangle"),
        (Kind::DuoTrio, false, "duo-trio"),
        (Kind::Paired, false, "paired"),
    ] {
        let garden = Garden::empty();
        garden.plan(&of_sets(kind, ties));
        let links = garden.links();
        let browser = Browser::start();
        let desk = Desk::start(&garden);
        let phone = phone(&browser, &desk, &links["ann"]);
        phone.press("Begin flight 1");
        in_both(&phone, name);
        phone.press("To the end");
        in_both(&phone, &format!("{name}-end"));
    }
}

#[test]
fn contrast_is_measured_and_small_targets_are_found() {
    let garden = garden();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = browser.phone(320, 640, &[]);
    phone.go(&desk.ballots);
    // The measure itself: what is wrong on purpose is found.
    let spoilt = format!(
        "const p = document.createElement('p'); p.textContent = 'pale'; p.style.color = '#aaa'; document.querySelector('main').append(p);
         const b = document.createElement('button'); b.textContent = 'x'; b.style.minHeight = b.style.height = '20px'; b.style.minWidth = b.style.width = '20px'; b.style.padding = '0'; document.querySelector('main').append(b);
         const w = document.createElement('div'); w.style.width = '500px'; w.textContent = 'wide'; document.body.append(w);
         {}",
        include_str!("look.js")
    );
    let found = phone.try_eval(&spoilt, &[]).unwrap().to_string();
    for what in ["wide", "small", "pale"] {
        assert!(found.contains(what), "{what} in {found}");
    }
}
