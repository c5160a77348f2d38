//! The pages of questions, trials, what is due and sheets in a browser: at the sizes of phones and of a laptop,
//! in both languages.

use serde_json::json;

use super::super::common::{Desk, Garden};
use super::looks::axe;
use super::window::{Browser, Window};

const SIZES: [(u32, u32); 3] = [(320, 640), (390, 844), (1280, 800)];

/// Letters of a chart smaller than this on the screen, if there are any: on a phone of usual width and on a laptop.
const LETTERS: &str = "return [...document.querySelectorAll('svg')].filter((s) => s.getBoundingClientRect().width > 0).flatMap((s) => {
  const scale = s.getBoundingClientRect().width / s.viewBox.baseVal.width;
  return [...s.querySelectorAll('text')].map((t) => [parseFloat(t.getAttribute('font-size')) * scale, t.textContent]).filter(([px]) => px < 10.95);
})";

fn look(window: &Window, name: &str) {
    for (width, height) in SIZES {
        window.size(width, height);
        let found = window
            .try_eval(include_str!("look.js"), &[])
            .unwrap_or_else(|e| panic!("{name} at {width}: {e}"));
        assert_eq!(found, json!([]), "{name} at {width} by {height}");
        if width > 320 {
            assert_eq!(window.eval(LETTERS), json!([]), "{name} at {width}: letters of charts");
        }
        window.picture(&format!("{name}-{width}"));
    }
    axe(window, name);
    window.size(320, 640);
    axe(window, name);
}

/// Opens each page in both languages and looks at it.
fn look_at(pages: &[(&str, &str)], garden: &Garden) {
    let browser = Browser::start();
    let desk = Desk::start(garden);
    let maker = browser.laptop();
    maker.go(&desk.way_in);
    maker.until("return document.querySelector('main h1')");
    for language in ["en", "zh"] {
        maker.go(&format!("{}/language?to={language}&back=/questions", desk.desk));
        for (path, name) in pages {
            maker.go(&format!("{}{path}", desk.desk));
            maker.until(
                "return document.readyState === 'complete' && document.querySelector('main h1')",
            );
            assert_eq!(maker.eval("return document.querySelectorAll('main pre.answer').length"), 0);
            look(&maker, &format!("{name}-{language}"));
        }
    }
    maker.assert_quiet();
}

#[test]
fn each_answer_looks_right_on_phone_and_laptop() {
    look_at(
        &[
            ("/questions", "questions"),
            ("/questions/agree?session=2024-06-09-month-01", "agree"),
            ("/questions/compare?session=2024-06-09-month-01", "compare"),
            ("/questions/compare?session=2025-11-11-sweetest", "ranking"),
            ("/questions/difference?session=2026-05-12-two-stores", "difference"),
            ("/questions/difference?method=paired&answers=24&correct=18", "difference-counts"),
            ("/questions/link?asked=1", "link"),
            ("/questions/age?of=T24-02,T25-11", "age"),
        ],
        &Garden::empty(),
    );
}

#[test]
fn trials_what_is_due_and_sheets_look_right_on_phone_and_laptop() {
    let garden = Garden::empty();
    let (code, said) = garden.run(&["trial", "--add", "3", "--save", "parted"]);
    assert_eq!(code, 0, "{said}");
    let (code, said) = garden.run(&["sheet", "T24-01"]);
    assert_eq!(code, 0, "{said}");
    look_at(
        &[
            ("/trials", "trials"),
            ("/trials?batches=4", "trial"),
            ("/trials/parted", "trial-kept"),
            ("/due?on=2026-05-18", "due"),
            ("/sheets", "sheets"),
            ("/sheets/of/T24-01", "sheet-preview"),
        ],
        &garden,
    );
}

#[test]
fn what_cannot_be_asked_looks_right_too() {
    let garden = Garden::empty();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let maker = browser.laptop();
    maker.go(&desk.way_in);
    maker.until("return document.querySelector('main h1')");
    for path in [
        "/questions/agree?session=nowhere",
        "/questions/compare?session=2024-06-09-month-01&control=T99",
        "/trials?batches=1000",
    ] {
        maker.go(&format!("{}{path}", desk.desk));
        maker.until("return document.querySelector('[role=alert]')");
        look(&maker, "refused");
    }
}
