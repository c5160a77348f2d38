//! The ballots and the desk in a real Chromium: what a taster sees, touches and receives.
//!
//! One test at a time, for each starts browsers of its own. Tests wait for what the page shows, never for a time.

mod kinds;
mod looks;
mod lost;
mod panel;
mod questions;
mod record;
mod secrets;
mod tasting;
mod window;

use blindsteep::book::session_files::{Kind, TestPlan};
use blindsteep::session::{Duplicates, PlanRequest, Terms};
use serde_json::{Value, json};

use super::common::{Desk, Garden, request};
use window::{Browser, Window};

/// Terms of every scale that there is.
const TERMS: [&str; 8] =
    ["malty", "honey", "bitter", "finish", "musty", "hue", "strength-for-class", "remarks"];

/// A session of two flights with a term of each scale.
fn short() -> PlanRequest {
    PlanRequest { terms: Terms::Of(TERMS.map(str::to_owned).to_vec()), ..request() }
}

/// A session of sets of cups: a ranking of four by one term, or a test of two lots.
fn of_sets(kind: Kind, ties: bool) -> PlanRequest {
    let lots: &[&str] = if kind == Kind::Ranking {
        &["T25-13", "T25-14", "T25-15", "T25-16"]
    } else {
        &["T25-14", "T25-15"]
    };
    PlanRequest {
        kind,
        lots: lots.iter().map(|l| (*l).to_owned()).collect(),
        replicates: 1,
        duplicates: Duplicates::Dealt(0),
        warm_up: None,
        guess: false,
        terms: match kind {
            Kind::Ranking | Kind::Paired => Terms::Of(vec!["bitter".to_owned()]),
            _ => Terms::Default,
        },
        test: Some(TestPlan { alpha: 0.05, distinguishers: None, power: None, ties }),
        ..request()
    }
}

/// A garden with a short session planned.
fn garden() -> Garden {
    let garden = Garden::empty();
    garden.plan(&short());
    garden
}

/// A phone-size window that followed the taster's link and shows the first screen.
fn phone(browser: &Browser, desk: &Desk, link: &str) -> Window {
    let phone = browser.phone(360, 740, &[]);
    join(&phone, &desk.ballots, link);
    phone
}

fn join(phone: &Window, ballots: &str, link: &str) {
    phone.go(&format!("{ballots}/join/{link}"));
    phone
        .until("return location.pathname === '/ballot' && !!document.querySelector('#bar button')");
}

/// Waits until the strip says that all is on disk: `n` answers of `n`.
fn all_saved(phone: &Window, n: usize) {
    phone.until_with(
        "return savedText() === `Saved on disk: ${arguments[0]} of ${arguments[0]}`",
        &[json!(n)],
    );
}

/// What the page knows of the ballot, fetched with the window's own cookie.
fn now(phone: &Window) -> Value {
    phone.eval_async("fetch('/ballot/now').then((a) => a.json()).then(arguments[0])")
}
