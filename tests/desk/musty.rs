//! A cup that somebody finds musty: the taster is stopped, and the desk is told by the cup's code.

use serde_json::{Value, json};

use super::common::{Desk, Garden, LOTS, Phone, cups, entry, line};
use super::record::Maker;

#[test]
fn the_desk_is_told_which_cup_is_not_to_be_poured() {
    let garden = Garden::planned();
    let name = garden.session().name;
    let links = garden.links();
    let desk = Desk::start(&garden);
    let maker = Maker::of(&desk);
    let (at, progress) = (format!("/sessions/{name}"), format!("/sessions/{name}/progress"));
    let told = || {
        let told: Value = serde_json::from_str(&maker.shown(&progress)).unwrap();
        told["musty"].as_str().unwrap().to_owned()
    };
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let now = ann.now();
    let (trace, clear) = (cups(&now, 0)[0], cups(&now, 0)[1]);
    ann.answer(line(trace, "musty", "1"));
    assert_eq!(ann.answer(line(clear, "musty", "2"))["outcome"], "saved");

    // Somebody who tastes may be at the desk: while ann can still change it, it shows nothing.
    assert_eq!(told(), "");
    assert_eq!(maker.post(&at, &[("act", "host"), ("who", "-")]).0, 303);
    let words = told();
    assert!(words.contains(&clear.to_string()) && !words.contains(&trace.to_string()), "{words}");
    assert!(words.contains("Stop pouring it"), "{words}");
    // Neither who, nor how much, nor what is in the cup.
    for secret in LOTS.into_iter().chain(["ann", "Ann"]) {
        assert!(!words.contains(secret), "{words}");
    }
    // Taken back: nothing is told any more.
    ann.answer(line(clear, "musty", "0"));
    assert_eq!(told(), "");
    ann.answer(line(clear, "musty", "3"));
    assert!(maker.shown(&at).contains("Stop pouring it"));
}

#[test]
fn a_host_who_tastes_is_told_once_it_is_handed_in() {
    let garden = Garden::planned();
    let name = garden.session().name;
    let links = garden.links();
    let desk = Desk::start(&garden);
    let maker = Maker::of(&desk);
    let at = format!("/sessions/{name}");
    assert_eq!(maker.post(&at, &[("act", "host"), ("who", "bo")]).0, 303);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let cup = cups(&ann.now(), 0)[0];
    assert!(ann.answer(line(cup, "musty", "3"))["caution"]["en"].is_string());
    assert!(!maker.shown(&at).contains("Stop pouring it"));
    let (status, _) = ann.post("/ballot/hand-in", &json!({"entry": entry(), "flight": 1}));
    assert_eq!(status, 200);
    let page = maker.shown(&at);
    assert!(page.contains(&format!("Musty or mouldy: cup {cup}")), "{page}");
    // Closed it stands there still.
    assert_eq!(maker.post(&at, &[("act", "close"), ("anyway", "1")]).0, 303);
    assert!(maker.shown(&at).contains("Stop pouring it"));
}
