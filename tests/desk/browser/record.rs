//! The maker's pages of the record, and the step clock of the workshop, in a browser.

use serde_json::json;

use super::super::common::{Desk, Garden};
use super::looks::axe;
use super::window::{Browser, Window};

/// Nothing is clipped, too small or too pale, on a phone and on a laptop.
fn fits(window: &Window, name: &str) {
    for (width, height) in [(320, 640), (1280, 800)] {
        window.size(width, height);
        let found = window.try_eval(include_str!("look.js"), &[]).unwrap();
        let wrong: Vec<_> = found.as_array().unwrap().iter().take(8).collect();
        assert!(wrong.is_empty(), "{name} at {width}: {wrong:#?}");
    }
    window.size(320, 640);
    window.picture(name);
    axe(window, name);
}

fn maker(browser: &Browser, desk: &Desk) -> Window {
    let laptop = browser.laptop();
    laptop.go(&desk.way_in);
    laptop
}

/// Goes by Tab to what is called so, and says how it is called in full.
fn tab_to(window: &Window, what: &str) {
    for _ in 0..120 {
        window.key("Tab");
        let at = window.eval(
            "const e = document.activeElement; return (e.labels && e.labels[0] || e).textContent.trim()",
        );
        if at.as_str().is_some_and(|t| t.starts_with(what)) {
            return;
        }
    }
    panic!("no way to {what} by the keyboard");
}

#[test]
fn a_value_is_logged_by_keys_alone() {
    let garden = Garden::empty();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let laptop = maker(&browser, &desk);
    laptop.go(&format!("{}/lots/T25-12", desk.desk));
    tab_to(&laptop, "Log a value");
    laptop.key("Enter");
    laptop.until("return location.pathname.endsWith('/log') && document.querySelector('details')");
    tab_to(&laptop, "Storage");
    laptop.key("Enter");
    tab_to(&laptop, "moisture in store");
    laptop.key("Enter");
    laptop
        .until("return location.search.includes('parameter=') && document.getElementById('value')");
    tab_to(&laptop, "Value");
    laptop.write("6.3");
    laptop.key("Enter");
    laptop.until("return document.querySelector('.told')?.textContent.includes('6.3 %')");
    let log = garden.read("lots/T25-12/log.csv");
    assert!(log.contains(",store.moisture,6.3,,measured,"), "{log}");
    laptop.assert_quiet();
}

#[test]
fn each_page_of_the_record_in_both_languages() {
    let garden = Garden::empty();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let laptop = maker(&browser, &desk);
    let pages = [
        ("lots", "/lots"),
        ("lot", "/lots/T24-02"),
        ("lot-quarantine", "/lots/T25-11"),
        ("lot-new", "/lots/new"),
        ("lot-log", "/lots/T24-02/log?step=wither"),
        ("lot-value", "/lots/T24-02/log?parameter=roll.pressure"),
        ("lot-move", "/lots/T24-02/move"),
        ("lot-draw", "/lots/T24-02/draw"),
        ("lot-split", "/lots/T25-12/split"),
        ("lot-refire", "/lots/T25-12/refire"),
        ("lot-clear", "/lots/T25-11/clear"),
        ("lot-blend", "/lots/blend"),
        ("lot-edit", "/lots/T24-02/edit"),
        ("lot-text", "/lots/T24-02/text"),
        ("setup", "/setup"),
        ("setup-book", "/setup/edit/book"),
        ("setup-tasters", "/setup/tasters"),
        ("setup-taster", "/setup/edit/taster?id=ann"),
        ("setup-vocabulary", "/setup/vocabulary"),
        ("setup-term", "/setup/edit/term?id=hue"),
        ("setup-parameters", "/setup/parameters"),
        ("setup-parameter", "/setup/edit/parameter?id=pluck.grade"),
        ("setup-recipes", "/setup/recipes"),
        ("setup-recipe", "/setup/edit/recipe"),
        ("setup-retasting", "/setup/retasting"),
        ("setup-plan", "/setup/edit/plan?id=humid"),
        ("setup-text", "/setup/text/book.toml"),
        ("check", "/check"),
        ("workshop", "/workshop"),
    ];
    for language in ["en", "zh"] {
        for (name, path) in pages {
            let back: String = path.replace('?', "%3F").replace('=', "%3D");
            laptop.go(&format!("{}/language?to={language}&back={back}", desk.desk));
            laptop.until("return document.querySelector('main h1')");
            fits(&laptop, &format!("{name}-{language}"));
        }
    }
    laptop.assert_quiet();
    let foreign: Vec<String> = laptop
        .requests()
        .into_iter()
        .filter(|r| !r.starts_with(&desk.desk) && !r.starts_with("data:"))
        .collect();
    assert!(foreign.is_empty(), "{foreign:?}");
}

#[test]
fn the_step_clock_keeps_a_tap_without_the_network_and_takes_one_back() {
    let garden = Garden::empty();
    let today = blindsteep::book::time::Moment::now().day().to_string();
    let added = garden.run(&["lot", "add", "T26-77", "--class", "green", "--made", &today]);
    assert_eq!(added.0, 0, "{}", added.1);
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let laptop = maker(&browser, &desk);
    laptop.go(&format!("{}/workshop", desk.desk));
    let link = laptop.until("return document.querySelector('main a[href*=\"/enter/\"]').href");
    let phone = browser.phone(360, 740, &[]);
    phone.go(link.as_str().unwrap());
    phone.until("return location.pathname === '/clock'");
    fits(&phone, "clock-list");
    phone.size(360, 740);
    phone.tap("document.querySelector('a[href=\"/clock/T26-77\"]')");
    phone.until("return document.getElementById('status')?.textContent === 'All is saved.'");
    fits(&phone, "clock");
    phone.size(360, 740);
    let button = |id: &str| format!("document.querySelector('button[data-parameter=\"{id}\"]')");
    phone.tap(&button("roll.start"));
    phone.until(
        "return document.querySelector('#last li span')?.textContent.includes('first roll')",
    );
    assert!(garden.read("lots/T26-77/log.csv").contains(",roll.start,"));
    assert_eq!(phone.eval(&format!("return {}.disabled", button("roll.start"))), json!(true));

    phone.offline(true);
    phone.tap(&button("roll.press-on"));
    phone.tap(&button("roll.press-off"));
    phone.until("return document.getElementById('status').textContent.includes('kept on this phone: 2. Waiting')");
    assert!(!garden.read("lots/T26-77/log.csv").contains("press"));
    // Even a page that was loaded anew, once the network is back, has them still.
    phone.offline(false);
    phone.reload();
    phone.until("return document.getElementById('status')?.textContent === 'All is saved.'");
    let log = garden.read("lots/T26-77/log.csv");
    assert_eq!(
        (log.matches("roll.press-on").count(), log.matches("roll.press-off").count()),
        (1, 1)
    );

    phone.tap("document.querySelector('#last button')");
    phone.until("return document.getElementById('status').textContent === 'All is saved.' && !document.querySelector('#last li').textContent.includes('released')");
    assert!(garden.read("lots/T26-77/log.csv").contains("taken back at the step clock"));
}
