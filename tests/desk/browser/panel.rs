//! The maker's side in a browser: from the plan to the reveal by keys alone, and how its pages look.

use serde_json::json;

use super::super::common::{Desk, Garden};
use super::garden;
use super::looks::look;
use super::window::{Browser, Window};

/// Goes on with the tabulator key until the focus is at what a script says of `e`.
fn tab_to(window: &Window, what: &str) {
    let script = format!("const e = document.activeElement; return !!e && !!({what})");
    for _ in 0..200 {
        if window.eval(&script) == json!(true) {
            return;
        }
        window.key("Tab");
    }
    panic!("no way by keys to {what}");
}

fn tick(window: &Window, name: &str, value: &str) {
    let (name, value) = (json!(name), json!(value));
    tab_to(window, &format!("e.name === {name} && e.value === {value}"));
    window.key(" ");
    window.until(&format!(
        "return document.querySelector(`input[name=${{{name}}}][value='${{{value}}}']`).checked"
    ));
}

fn press_by_key(window: &Window, text: &str) {
    tab_to(window, &format!("e.tagName === 'BUTTON' && e.textContent.trim() === {}", json!(text)));
    window.key("Enter");
}

fn maker(browser: &Browser, desk: &Desk) -> Window {
    let maker = browser.laptop();
    maker.go(&desk.way_in);
    maker.until("return document.querySelector('main h1')");
    maker
}

#[test]
fn keys_alone_lead_from_the_plan_to_the_reveal() {
    let garden = Garden::empty();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let maker = maker(&browser, &desk);
    maker.go(&format!("{}/sessions/new", desk.desk));
    for lot in ["T25-16", "T25-15"] {
        tick(&maker, "lot", lot);
    }
    for taster in ["ann", "bo"] {
        tick(&maker, "taster", taster);
    }
    // The picture follows by itself, and names tasters beside codes, never lots.
    let orders = maker.until("return document.querySelector('#picture .orders')?.innerText");
    let orders = orders.as_str().unwrap();
    assert!(orders.contains("ann") && orders.contains("bo") && !orders.contains("T25"), "{orders}");
    maker.until("return document.getElementById('picture-said').textContent.includes('Cups: 2')");
    press_by_key(&maker, "Plan this session");
    maker.until("return location.pathname.match(/^\\/sessions\\/\\d/)");
    let name = maker.eval("return location.pathname.split('/')[2]");
    let name = name.as_str().unwrap();
    tick(&maker, "who", "-");
    press_by_key(&maker, "Keep this");
    maker.until("return document.querySelector('details.who')");

    // What comes in is seen without loading the page again.
    let cup = {
        let session = blindsteep::session::Session::open(&garden.book, name).unwrap();
        session.plan().flights[0].order_of("ann")[0]
    };
    let enter = |taster: &str, more: &[&str]| {
        let args = [&["session", "enter", name, "--taster", taster][..], more].concat();
        let (code, text) = garden.run(&args);
        assert_eq!(code, 0, "{text}");
    };
    let code = cup.to_string();
    enter("ann", &["--cup", &code, "--term", "bitter", "--value", "4"]);
    maker.until("return document.querySelector('.stale a')");
    maker.reload();
    maker.until("return document.querySelector('#progress')?.innerText.includes('1 / ')");
    enter("ann", &["--hand-in", "--flight", "1"]);
    maker.until("return document.querySelector('#progress')?.innerText.includes('handed in')");
    tab_to(&maker, "e.tagName === 'SUMMARY' && e.textContent.includes('Close before all is in')");
    maker.key("Enter");
    tick(&maker, "anyway", "1");
    press_by_key(&maker, "Close the session");
    maker.until("return document.querySelector('input[name=sure]')");
    tick(&maker, "sure", "1");
    press_by_key(&maker, "Reveal");
    maker.until("return document.body.innerText.includes('What was in the cups')");
    let text = maker.eval("return document.querySelector('main').innerText");
    assert!(text.as_str().unwrap().contains("T25-16"));
    maker.assert_quiet();
    for url in maker.requests() {
        assert!(url.starts_with(&desk.desk) || url.starts_with("data:"), "{url}");
    }
}

#[test]
fn the_pages_of_sessions_in_both_languages() {
    let garden = garden();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let maker = maker(&browser, &desk);
    let at = format!("/sessions/{}", garden.session().name);
    let pages = [
        ("/".to_owned(), "today"),
        ("/sessions".to_owned(), "sessions"),
        ("/sessions/new?lot=T25-15&lot=T25-16&taster=ann&taster=bo".to_owned(), "plan"),
        ("/sessions/due".to_owned(), "plan-due"),
        (at.clone(), "session"),
        (format!("{at}/join"), "links"),
        (format!("{at}/join/ann"), "link"),
        (format!("{at}/links"), "links-sheet"),
        (format!("{at}/enter/ann"), "enter"),
        ("/sessions/2026-02-08-month-21".to_owned(), "revealed"),
    ];
    for (path, name) in pages {
        for language in ["en", "zh"] {
            // A question within the address keeps its place.
            let back = path.replace('&', "%26");
            maker.go(&format!("{}/language?to={language}&back={back}", desk.desk));
            maker.until("return document.querySelector('main h1, main h2')");
            maker.eval("document.querySelectorAll('details').forEach((d) => { d.open = true; })");
            if name == "plan" {
                maker.until("return document.querySelector('#picture table')");
            }
            look(&maker, &format!("desk-{name}-{language}"));
            maker.size(1280, 800);
            maker.picture(&format!("desk-{name}-{language}-wide"));
        }
    }
    maker.assert_quiet();
}
