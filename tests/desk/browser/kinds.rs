//! Rankings, triangles, duo-trios and pairs; cautions; what is refused and why.

use blindsteep::book::session_files::Kind;
use serde_json::{Value, json};

use super::super::common::{Desk, Garden};
use super::window::{Browser, Window};
use super::{all_saved, garden, now, of_sets, phone};

/// The lines of a ballot: cup, term, value, state.
fn lines(garden: &Garden, taster: &str) -> Vec<[String; 4]> {
    let text = garden.ballot(taster);
    let cells = text.lines().skip(1).map(|l| l.split(',').map(str::to_owned).collect::<Vec<_>>());
    cells.map(|c| [c[4].clone(), c[6].clone(), c[7].clone(), c[8].clone()]).collect()
}

fn cups(phone: &Window) -> Vec<String> {
    let shown: Value = now(phone);
    shown["flights"][0]["cups"].as_array().unwrap().iter().map(ToString::to_string).collect()
}

fn line(cup: &str, term: &str, value: &str, state: &str) -> [String; 4] {
    [cup, term, value, state].map(str::to_owned)
}

#[test]
fn cups_are_ranked_by_taps_and_put_in_another_order() {
    let garden = Garden::empty();
    garden.plan(&of_sets(Kind::Ranking, false));
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    let cups = cups(&phone);
    let rank = |cup: &str, n: usize| {
        phone.tap(&format!("document.querySelector('[data-q=\"tap-{cup}\"]')"));
        phone.until_with(
            "return document.querySelector(`[data-q=\"tap-${arguments[0]}\"] .rank`).textContent === String(arguments[1])",
            &[json!(cup), json!(n)],
        );
    };
    rank(&cups[2], 1);
    rank(&cups[0], 2);
    // Half an order is kept on the phone alone, and outlasts a reload.
    phone.reload();
    phone.until("return document.querySelectorAll('.ranked').length === 2");
    assert_eq!(lines(&garden, "ann").len(), 0);
    phone.press("To the end");
    assert_eq!(
        phone.until("return [...document.querySelectorAll('nav button')].some((b) => b.disabled)"),
        true,
        "half an order is not handed in"
    );
    phone.press("Back");
    rank(&cups[3], 3);
    rank(&cups[1], 4);
    all_saved(&phone, 4);
    let ranks = |order: [usize; 4]| {
        let mut all: Vec<[String; 4]> = cups
            .iter()
            .zip(order)
            .map(|(c, r)| line(c, "bitter", &r.to_string(), "scored"))
            .collect();
        all.sort();
        all
    };
    let mut kept = lines(&garden, "ann");
    kept.sort();
    assert_eq!(kept, ranks([2, 4, 1, 3]));
    // The second is lifted and put last: the others move up, and those that moved are written anew.
    phone.tap(&format!("document.querySelector('[data-q=\"tap-{}\"]')", cups[0]));
    phone.until("return document.querySelectorAll('.ranked').length === 3");
    rank(&cups[0], 4);
    phone.until("return savedText() === 'Saved on disk: 4 of 4'");
    let held = now(&phone);
    let mut held: Vec<[String; 4]> = held["answers"]
        .as_array()
        .unwrap()
        .iter()
        .map(|a| line(&a["cup"].to_string(), "bitter", a["value"].as_str().unwrap(), "scored"))
        .collect();
    held.sort();
    assert_eq!(held, ranks([4, 3, 1, 2]));
    phone.press("To the end");
    phone.press("Hand in flight 1");
    phone.until("return head() === 'You are done' && !savedText().includes('waiting')");
    assert_eq!(garden.run(&["check"]).0, 0);
    phone.assert_quiet();
}

#[test]
fn cups_that_are_alike_may_share_a_rank_where_the_plan_says_so() {
    let garden = Garden::empty();
    garden.plan(&of_sets(Kind::Ranking, true));
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    let cups = cups(&phone);
    for (i, rank) in [1, 2, 2].iter().enumerate() {
        phone.tap(&format!(
            "document.querySelectorAll('.term')[{i}].querySelectorAll('label')[{}]",
            rank - 1
        ));
    }
    phone.tap("[...document.querySelectorAll('.term')][3].querySelector('button')");
    all_saved(&phone, 4);
    let mut kept = lines(&garden, "ann");
    kept.sort();
    let mut meant = vec![
        line(&cups[0], "bitter", "1", "scored"),
        line(&cups[1], "bitter", "2", "scored"),
        line(&cups[2], "bitter", "2", "scored"),
        line(&cups[3], "bitter", "", "declined"),
    ];
    meant.sort();
    assert_eq!(kept, meant);
    phone.assert_quiet();
}

#[test]
fn one_cup_of_a_set_is_chosen_and_chosen_anew() {
    for (kind, word) in
        [(Kind::Triangle, "odd"), (Kind::DuoTrio, "match"), (Kind::Paired, "bitter")]
    {
        let garden = Garden::empty();
        garden.plan(&of_sets(kind, false));
        let links = garden.links();
        let browser = Browser::start();
        let desk = Desk::start(&garden);
        let phone = phone(&browser, &desk, &links["ann"]);
        phone.press("Begin flight 1");
        let cups = cups(&phone);
        let choices = phone.until("return document.querySelectorAll('label.set-cup').length");
        assert_eq!(choices, if kind == Kind::Triangle { 3 } else { 2 }, "{word}");
        phone.picture(&format!("set-{word}"));
        let pick =
            |n: usize| phone.tap(&format!("document.querySelectorAll('label.set-cup')[{n}]"));
        pick(0);
        phone.tap("document.querySelectorAll('.picks label')[1]");
        all_saved(&phone, 2);
        pick(1);
        phone.until("return document.querySelectorAll('label.set-cup input')[1].checked && !savedText().includes('waiting')");
        let shift = usize::from(kind == Kind::DuoTrio);
        let kept = lines(&garden, "ann");
        assert!(kept.contains(&line(&cups[shift], word, "1", "scored")), "{kept:?}");
        assert!(kept.iter().any(|l| l[1] == "guess-sure" && l[2] == "0"), "{kept:?}");
        let held = now(&phone);
        let chosen =
            held["answers"].as_array().unwrap().iter().find(|a| a["term"] == word).unwrap();
        assert_eq!(chosen["cup"].to_string(), cups[1 + shift]);
        phone.press("To the end");
        phone.press("Hand in flight 1");
        phone.until("return head() === 'You are done' && !savedText().includes('waiting')");
        phone.assert_quiet();
    }
}

#[test]
fn mould_stops_the_tasting_and_a_note_that_is_too_long_is_refused_in_words() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.tap("term('musty').querySelectorAll('label')[2]");
    phone.until("return head() === 'Stop' && document.body.innerText.includes('do not taste it, tell the person who pours')");
    phone.picture("stop");
    phone.press("I have told them");
    phone.until("return !!term('musty') && document.querySelector('main > .wrong')");
    all_saved(&phone, 1);
    let note = "term('remarks').querySelector('textarea')";
    phone.tap(note);
    phone.write(&"ж".repeat(10_000));
    phone.eval("document.activeElement.blur()");
    let wrong = phone.until("return term('remarks').querySelector('.wrong') && term('remarks').querySelector('.wrong').innerText");
    assert!(wrong.as_str().unwrap().contains("Expected"), "{wrong}");
    phone.until("return savedText().includes('1 not taken')");
    phone.picture("refused");
    // Mended, it is taken, and the refusal goes. What a spreadsheet would run is text.
    phone.eval("term('remarks').querySelector('textarea').select()");
    phone.tap(note);
    phone.eval("term('remarks').querySelector('textarea').select()");
    phone.write("=HYPERLINK(\"x\") 🍵");
    phone.eval("document.activeElement.blur()");
    all_saved(&phone, 2);
    phone.until("return !document.querySelector('.wrong[role=alert]')");
    let held = now(&phone);
    assert!(
        held["answers"].as_array().unwrap().iter().any(|a| a["value"] == "=HYPERLINK(\"x\") 🍵"),
        "{held}"
    );
    assert!(
        !garden.ballot("ann").contains(",=HYPERLINK")
            && !garden.ballot("ann").contains(",\"=HYPERLINK")
    );
    phone.assert_quiet();
}

#[test]
fn a_cup_is_declined_as_a_whole_or_lost_and_each_answer_by_itself() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.tap("term('malty').querySelector('.head button')");
    phone.until("return term('malty').innerText.includes('Meaning: ')");
    phone.tap("[...term('malty').querySelectorAll('.more button')].find((b) => b.textContent === 'It was lost')");
    all_saved(&phone, 1);
    phone.press("I decline this cup");
    // Seven of the eight are no notes; one was lost before.
    all_saved(&phone, 7);
    let kept = lines(&garden, "ann");
    assert_eq!(kept.iter().filter(|l| l[3] == "declined").count(), 6, "{kept:?}");
    assert_eq!(kept.iter().filter(|l| l[3] == "lost" && l[1] == "malty").count(), 1, "{kept:?}");
    // Anybody may think better of it.
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.5);
    phone.until(
        "return !term('bitter').innerText.includes('Declined') && !savedText().includes('waiting')",
    );
    let held = now(&phone);
    assert!(
        held["answers"]
            .as_array()
            .unwrap()
            .iter()
            .any(|a| a["term"] == "bitter" && a["value"] == "5")
    );
    phone.assert_quiet();
}

#[test]
fn cups_are_handed_in_singly_and_a_rest_is_kept_where_the_book_says_so() {
    let garden = garden();
    garden.set_ballot("cup", 1);
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["bo"]);
    phone.press("Begin flight 1");
    let cups = cups(&phone);
    phone.press("Hand in this cup");
    phone.until(
        "return document.body.innerText.includes('Nothing is answered here yet') && !button('Hand in this cup')",
    );
    phone.press("Back");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    phone.press("Hand in this cup");
    phone.until("return head().startsWith('Hand in this cup: ') && document.body.innerText.includes('Not answered yet')");
    phone.press("Hand in this cup");
    phone.until("return head() === 'Rest'");
    phone.until("return document.body.innerText.includes('You can go on.')");
    phone.press("Next");
    phone.until_with("return head() === String(arguments[0])", &[json!(cups[1])]);
    phone.until("return !savedText().includes('waiting')");
    assert_eq!(now(&phone)["flights"][0]["cups_handed_in"][0].to_string(), cups[0]);
    // There is no way back to it.
    phone.back();
    phone.until_with(
        "return head() !== String(arguments[0]) && !!document.querySelector('#bar button')",
        &[json!(cups[0])],
    );
    phone.assert_quiet();
}

#[test]
fn an_infusion_timer_runs_on_the_phone_and_is_stopped() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["bo"]);
    phone.press("Begin flight 1");
    phone.tap("document.querySelector('summary')");
    phone.press("Start the timer, 6:00");
    phone.until("return /^5:5\\d$/.test(document.querySelector('#time .clock').textContent)");
    // It outlasts a reload, for the desk knows of it.
    phone.reload();
    phone.until(
        "return /^5:\\d\\d$/.test((document.querySelector('#time .clock') || {}).textContent)",
    );
    phone.press("Stop");
    phone.until("return document.getElementById('time').hidden");
    phone
        .until("return fetch('/ballot/pulse').then((a) => a.json()).then((p) => p.timer === null)");
    phone.assert_quiet();
}
