//! A whole session: three phones and a desk.

use std::collections::BTreeMap;

use blindsteep::session::ballots::{Ballot, Question};
use serde_json::{Value, json};

use super::super::common::{Desk, Garden, TASTERS};
use super::window::{Browser, Window};
use super::{all_saved, garden, join, now, phone};

/// What a taster answers to a term: nobody answers as another does.
fn meant(taster: usize, cup: usize, term: &str) -> Option<String> {
    let n = taster * 3 + cup;
    Some(match term {
        "malty" => format!("{}", (n * 7 % 21) as f64 / 2.0),
        "bitter" => format!("{}", n % 11),
        "strength-for-class" => format!("{}", (n % 11) as f64 - 5.0),
        "honey" => format!("{}", n % 2),
        "musty" => "0".to_owned(),
        "finish" | "hue" => return None,
        "remarks" => format!("cup {cup} 🍵 of {taster}"),
        _ => return None,
    })
}

/// Answers one term on the screen, by touch and by keys. Gives what should be on disk; none where nothing is said.
fn answer(phone: &Window, taster: usize, cup: usize, term: &Value) -> Option<String> {
    let id = term["id"].as_str().unwrap();
    let card = format!("term({})", json!(id));
    match term["scale"]["kind"].as_str().unwrap() {
        "line" | "bipolar" => {
            let value = meant(taster, cup, id)?;
            let (low, high) =
                (term["scale"]["low"].as_f64().unwrap(), term["scale"]["high"].as_f64().unwrap());
            let share = (value.parse::<f64>().unwrap() - low) / (high - low);
            // The ruler ends a little inside its touchable field.
            phone.tap_at(&format!("{card}.querySelector('.ruler')"), share.clamp(0.001, 0.999));
            phone.until_with(
                "return Number(term(arguments[0]).querySelector('[role=slider]').ariaValueNow) === Number(arguments[1])",
                &[json!(id), json!(value)],
            );
            Some(value)
        }
        "tick" => {
            let value = meant(taster, cup, id)?;
            if value == "1" {
                phone.tap(&format!("{card}.querySelector('label')"));
            }
            // Left alone it counts as absent once it is handed in.
            Some(value)
        }
        "fault" => {
            if cup == 0 {
                phone.tap(&format!("{card}.querySelector('label')"));
            }
            Some("0".to_owned())
        }
        "ordered" | "nominal" => {
            let levels = term["scale"]["levels"].as_array().unwrap();
            let at = (taster + cup) % levels.len();
            phone.tap(&format!("{card}.querySelectorAll('label')[{at}]"));
            Some(levels[at]["id"].as_str().unwrap().to_owned())
        }
        "note" => {
            let text = meant(taster, cup, id)?;
            phone.tap(&format!("{card}.querySelector('textarea')"));
            phone.write(&text);
            Some(text)
        }
        other => panic!("a scale of the kind {other}"),
    }
}

/// Goes through the whole ballot and gives what should be on disk.
fn taste(phone: &Window, taster: usize) -> BTreeMap<(u16, String), String> {
    let shown = now(phone);
    let mut said = BTreeMap::new();
    for flight in shown["flights"].as_array().unwrap() {
        phone.press(&format!("Begin flight {}", flight["number"]));
        let cups = flight["cups"].as_array().unwrap();
        for (i, cup) in cups.iter().enumerate() {
            phone.until_with("return head() === String(arguments[0])", std::slice::from_ref(cup));
            for term in shown["terms"].as_array().unwrap() {
                if let Some(value) = answer(phone, taster, i, term) {
                    let key =
                        (cup.as_u64().unwrap() as u16, term["id"].as_str().unwrap().to_owned());
                    said.insert(key, value);
                }
            }
            phone.press(if i + 1 == cups.len() { "To the end" } else { "Next cup" });
        }
        phone.until("return head().startsWith('End of flight') && document.body.innerText.includes('Nothing is missing.')");
        phone.press("Hand in flight");
    }
    phone.until("return head() === 'You are done' && !savedText().includes('waiting')");
    said
}

fn on_disk(garden: &Garden, taster: &str) -> BTreeMap<(u16, String), String> {
    let session = garden.session();
    let ballot = Ballot::open(&session, taster).unwrap();
    let lines = ballot.answers().filter(|(q, _)| !q.term.starts_with("guess"));
    lines.map(|(q, l)| ((q.cup, q.term.clone()), l.value.clone().unwrap_or_default())).collect()
}

#[test]
fn three_phones_and_a_desk_go_from_the_plan_to_the_reveal() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let maker = browser.laptop();
    maker.go(&desk.way_in);
    maker.until("return document.querySelector('main h1')");
    assert!(
        !maker.eval("return location.href").as_str().unwrap().contains("enter"),
        "the secret has left the address"
    );
    let phones: Vec<Window> = TASTERS.iter().map(|t| phone(&browser, &desk, &links[*t])).collect();
    for (i, phone) in phones.iter().enumerate() {
        assert!(!phone.eval("return location.href").as_str().unwrap().contains(&links[TASTERS[i]]));
        assert_eq!(
            phone.eval("return document.querySelectorAll('.code').length"),
            json!(1),
            "the warm-up cup"
        );
    }
    for (i, taster) in TASTERS.iter().enumerate() {
        let said = taste(&phones[i], i);
        assert_eq!(on_disk(&garden, taster), said, "{taster}: what was touched is what is on disk");
        phones[i].picture(&format!("done-{taster}"));
    }
    for flight in garden.plan_file().flights {
        for taster in TASTERS {
            assert!(Ballot::open(&garden.session(), taster).unwrap().is_handed_in(flight.number));
        }
    }
    for args in [["session", "close", "spring"], ["session", "reveal", "spring"]] {
        let (code, text) = garden.run(&args);
        assert_eq!(code, 0, "{text}");
    }
    for phone in &phones {
        phone.until("return head() === 'The cups are revealed; thank you.'");
        let told: Vec<String> =
            phone.console().into_iter().filter(|m| !m.contains("401")).collect();
        assert!(told.is_empty(), "{told:#?}");
        for url in phone.requests() {
            assert!(url.starts_with(&desk.ballots) || url.starts_with("data:"), "{url}");
        }
    }
    let (code, text) = garden.run(&["agree", "spring", "--json"]);
    assert_eq!(code, 0, "{text}");
    let found: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(found["schema"], "agree/1");
    maker.reload();
    maker.until("return document.querySelector('main h1')");
    maker.assert_quiet();
    for url in maker.requests() {
        assert!(url.starts_with(&desk.desk) || url.starts_with("data:"), "{url}");
    }
}

#[test]
fn keys_alone_score_a_cup_and_an_untouched_line_stays_missing() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["bo"]);
    phone.press("Begin flight 1");
    let focus = "return document.activeElement.getAttribute('role') === 'slider' && document.activeElement.getAttribute('aria-valuetext')";
    for _ in 0..60 {
        phone.key("Tab");
        if phone.eval(focus).is_string() {
            break;
        }
    }
    assert_eq!(phone.eval(focus), "not scored yet");
    phone.key("7");
    phone.key("ArrowRight");
    let set = phone.until(focus);
    assert!(set.as_str().unwrap().starts_with("7.5, "), "{set}");
    all_saved(&phone, 1);
    let cup = now(&phone)["flights"][0]["cups"][0].as_u64().unwrap() as u16;
    let question = Question { cup, steep: Some(1), term: "malty".to_owned() };
    let held = || {
        let ballot = Ballot::open(&garden.session(), "bo").unwrap();
        let line = ballot.answer(&question).unwrap().clone();
        (line.state.word().to_owned(), line.value)
    };
    assert_eq!(held(), ("scored".to_owned(), Some("7.5".to_owned())));
    // What is on disk can only be taken back as declined, and the record keeps both.
    phone.key("Delete");
    phone.until(
        "return term('malty').innerText.includes('Declined') && !savedText().includes('waiting')",
    );
    assert_eq!(held(), ("declined".to_owned(), None));
    assert_eq!(garden.ballot("bo").lines().count(), 3);
    phone.assert_quiet();
}

#[test]
fn back_reload_and_both_languages_keep_the_place_and_the_answers() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["cy"]);
    phone.press("Begin flight 1");
    let cups = now(&phone)["flights"][0]["cups"].clone();
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.3);
    phone.press("Next cup");
    phone.until_with("return head() === String(arguments[0])", &[cups[1].clone()]);
    phone.back();
    phone.until_with("return head() === String(arguments[0])", &[cups[0].clone()]);
    assert_eq!(phone.eval("return term('bitter').querySelector('output').textContent"), "3");
    all_saved(&phone, 1);
    phone.reload();
    phone.until_with(
        "return head() === String(arguments[0]) && !!term('bitter')",
        &[cups[0].clone()],
    );
    assert_eq!(phone.eval("return term('bitter').querySelector('output').textContent"), "3");
    phone.press("中文");
    phone.until("return document.documentElement.lang === 'zh-Hans' && !!button('下一杯')");
    assert_eq!(phone.eval("return term('bitter').querySelector('h3').textContent"), "苦");
    phone.reload();
    phone.until("return !!button('下一杯')");
    phone.press("English");
    phone.until("return document.documentElement.lang === 'en' && !!button('Next cup')");
    // The other way round: the door speaks the language that was chosen last.
    phone.press("中文");
    phone.go(&desk.ballots);
    assert_eq!(phone.until("return head()"), "加入审评");
    join(&phone, &desk.ballots, &links["cy"]);
    phone.until("return !!button('下一杯') || !!button('开始第 1 轮')");
    phone.assert_quiet();
}
