//! The step clock: the end of a step, values that are asked back, a new batch.

use serde_json::{Value, json};

use super::common::{Desk, Garden, entry};
use super::record::{Maker, between, open};

/// A clock on a batch that is made today, and the day.
fn clocked() -> (Garden, Desk, Maker, String) {
    let (garden, desk, maker) = open();
    let made = blindsteep::book::time::Moment::now().day().to_string();
    let new = [("id", "T26-78"), ("class", "black"), ("made", made.as_str())];
    assert_eq!(maker.post("/lots/new", &new).0, 303);
    (garden, desk, maker, made)
}

fn send(maker: &Maker, line: Value) -> Value {
    let page = maker.shown("/clock/T26-78");
    let token = between(&page, "data-token=\"", "\"");
    let request = maker.client.post(format!("{}/clock?lot=T26-78", maker.desk));
    let request = request.header("cookie", &maker.cookie).header("x-form", token);
    let answer = request.json(&json!({ "lines": [line] })).send().unwrap();
    answer.json::<Value>().unwrap()
}

#[test]
fn the_end_of_a_step_is_logged_as_the_time_that_it_took() {
    let (garden, _desk, maker, made) = clocked();
    let page = maker.shown("/clock/T26-78");
    assert!(page.contains("data-parameter=\"wither.hours\" data-start=\"wither.start\""), "{page}");
    assert!(page.contains("data-parameter=\"roll.minutes\" data-start=\"roll.start\""), "{page}");
    let tap = |parameter: &str, at: &str, end: bool| json!({"lot": "T26-78", "entry": entry(), "parameter": parameter, "value": null, "at": format!("{made}T{at}Z"), "end": end});
    let told = send(&maker, tap("roll.minutes", "02:40:20", true));
    assert_eq!(told["results"][0]["outcome"], "refused", "it has not begun: {told}");
    assert_eq!(
        send(&maker, tap("roll.start", "02:00:00", false))["results"][0]["outcome"],
        "saved"
    );
    assert_eq!(
        send(&maker, tap("roll.minutes", "01:00:00", true))["results"][0]["outcome"],
        "refused"
    );
    // A minute is a tenth of a tenth of what is usual: it is asked back.
    let told = send(&maker, tap("roll.minutes", "02:01:00", true));
    assert_eq!(told["results"][0]["outcome"], "asked", "{told}");
    let told = send(&maker, tap("roll.minutes", "02:40:20", true));
    assert_eq!(told["results"][0]["outcome"], "saved", "{told}");
    assert_eq!(told["state"]["held"]["roll.minutes"], "40 min");
    let log = garden.read("lots/T26-78/log.csv");
    assert!(log.contains(",roll.minutes,40,,measured,"), "{log}");
}

#[test]
fn masses_that_hardly_go_together_are_asked_back_and_told_by_check() {
    let (garden, _desk, maker, made) = clocked();
    let of = |parameter: &str, value: &str| json!({"lot": "T26-78", "entry": entry(), "parameter": parameter, "value": value, "at": format!("{made}T03:00:00Z")});
    assert_eq!(send(&maker, of("pluck.mass", "60"))["results"][0]["outcome"], "saved");
    let heavy = of("wither.mass-in", "605");
    let told = send(&maker, heavy.clone());
    assert_eq!(told["results"][0]["outcome"], "asked", "{told}");
    let text = told["results"][0]["text"].as_str().unwrap();
    assert!(text.contains("605 kg, more than the 60 kg"), "{text}");
    assert_eq!(send(&maker, of("wither.mass-in", "5.95"))["results"][0]["outcome"], "asked");
    assert!(!garden.read("lots/T26-78/log.csv").contains("mass-in"));
    assert!(!garden.run(&["check"]).1.contains("wither.mass-in of T26-78"));
    // It is right: it is logged, once, and check tells of it.
    let mut sure = heavy;
    sure["sure"] = json!(true);
    for _ in 0..2 {
        let told = send(&maker, sure.clone());
        assert_eq!(told["results"][0]["outcome"], "saved", "{told}");
    }
    // What is logged before may be what is wrong; and what the record itself forbids is refused, not asked.
    assert_eq!(send(&maker, of("pluck.mass", "61"))["results"][0]["outcome"], "asked");
    assert_eq!(send(&maker, of("wither.mass-out", "700"))["results"][0]["outcome"], "refused");
    assert_eq!(garden.read("lots/T26-78/log.csv").matches("mass-in,605").count(), 1);
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 0);
    assert!(
        text.contains("wither.mass-in of T26-78 is 605 kg, more than the 60 kg of pluck.mass"),
        "{text}"
    );
}

#[test]
fn a_batch_begins_in_the_workshop() {
    let (garden, desk, maker, made) = clocked();
    let link = maker.shown("/workshop");
    let path = between(&link, "/enter/", "\"").to_owned();
    let clock = Maker::enter(&format!("{}/enter/{path}", desk.ballots), &desk.ballots, "/clock");
    assert!(clock.shown("/clock").contains("href=\"/new-batch\""));
    let page = clock.shown("/new-batch");
    // The id that follows, today, the class of the last one.
    for field in ["value=\"T26-79\"", &format!("value=\"{made}\""), "value=\"black\""] {
        assert!(page.contains(field), "{field}: {page}");
    }
    let (form, once) = (
        between(&page, "name=\"form\" value=\"", "\""),
        between(&page, "name=\"once\" value=\"", "\""),
    );
    let sent = Maker { token: form.to_owned(), ..clock };
    let mut fields = vec![
        ("once", once),
        ("id", "T26-79"),
        ("class", "blak"),
        ("made", &made),
        ("leaf", "61,5"),
    ];
    assert_eq!(sent.post("/new-batch", &fields).0, 422);
    fields[2].1 = "black";
    assert_eq!(sent.post("/new-batch", &fields), (303, "/clock/T26-79".to_owned()));
    assert_eq!(sent.post("/new-batch", &fields).0, 409);
    assert!(garden.read("lots/T26-79/log.csv").contains(",pluck.mass,61.5,,measured,"));
    assert!(sent.shown("/clock").contains("T26-79"));
    // The workshop's link gives nothing else.
    assert_ne!(sent.get("/lots/new").0, 200);
}
