//! Sessions made from what is due, and what may be known of them.

use std::collections::BTreeSet;

use blindsteep::session::Role;

use super::common::{LOTS, Panel, files, full_answers, lots_named, now};
use blindsteep::session::{self, HandIn};

/// Lots made on 2026-05-01: two weeks are over on 2026-05-15.
const ON: &str = "2026-05-15";

fn with_reference() -> Panel {
    let panel = Panel::new();
    let text = panel.read("retasting.toml");
    panel.write(
        "retasting.toml",
        &text.replace("# reference = \"REF\"", &format!("reference = \"{}\"", LOTS[3])),
    );
    panel
}

fn plan(panel: &Panel, more: &[&str]) -> super::common::Output {
    let args =
        ["due", "--on", ON, "--plan", "spring", "--tasters", "ann,bo,cy", "--order-seed", "7"];
    panel.run(&[&args[..], more].concat())
}

#[test]
fn one_command_plans_what_is_due_with_reference_and_second_code() {
    let panel = with_reference();
    let asked = panel.run(&["due", "--on", ON]);
    assert_eq!(asked.code, 0, "{asked:?}");
    assert!(asked.out.contains("3 samples in 1 flight of 5 cups"), "{}", asked.out);
    let planned = plan(&panel, &[]);
    assert_eq!(planned.code, 0, "{planned:?}");
    let session = panel.session();
    assert_eq!(session.name, "2026-05-15-spring");
    assert_eq!(session.plan().flights.len(), 1);
    assert_eq!(session.plan().flights[0].cups.len(), 5);
    assert_eq!(session.plan().order_seed, 7);
    assert_eq!(session.plan().recipe.id, "small");
    // The most that it may draw is what was announced: 3 g, twice for a lot, once for the reference.
    for lot in &LOTS[..3] {
        assert!(planned.out.contains(&format!("{lot}: 6.0 g of 100.0 g")), "{}", planned.out);
    }
    assert!(planned.out.contains(&format!("{}: 3.0 g of 100.0 g", LOTS[3])), "{}", planned.out);
    // Once it is sealed nothing is due, and the planner is told why.
    let after = panel.run(&["due", "--on", ON]);
    assert_eq!(after.code, 0);
    assert!(after.out.contains("in 2026-05-15-spring"), "{}", after.out);
    assert!(!after.out.contains("A session for it"), "{}", after.out);
    let again = panel.run(&["due", "--on", ON, "--plan", "again", "--tasters", "ann"]);
    assert_eq!(again.code, 2);
    assert!(again.err.contains("nothing is due or soon"), "{}", again.err);
    // Revealed it is done, and its second code is what the key says.
    panel.taste();
    session::close(&panel.book, "spring", false, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    let of = |role: Role| revealed.cups.iter().filter(|c| c.role == role).count();
    assert_eq!((of(Role::Lot), of(Role::Duplicate), of(Role::Reference)), (3, 1, 1));
    let done = panel.run(&["due", "--on", ON, "--json"]);
    let found: serde_json::Value = serde_json::from_str(&done.out).unwrap();
    for sample in found["samples"].as_array().unwrap() {
        assert_eq!(sample["tastings"][0]["done"]["session"], "2026-05-15-spring");
        assert_eq!(sample["state"], "later");
    }
}

#[test]
fn what_a_taster_can_reach_names_no_lot() {
    let panel = with_reference();
    let planned = plan(&panel, &[]);
    let codes: BTreeSet<String> =
        panel.session().plan().flights[0].codes().map(|c| c.to_string()).collect();
    for line in planned.out.lines() {
        let has_code = line.split_whitespace().any(|w| codes.contains(w));
        assert!(!has_code || lots_named(line).is_empty(), "{line}");
    }
    for (name, bytes) in files(&panel.root) {
        let outside = name.starts_with("sessions/") && !name.ends_with("/key.toml");
        let found = lots_named(&String::from_utf8_lossy(&bytes));
        assert!(!outside || found.is_empty(), "{name} names {found:?}");
    }
    // Neither which lot has a second code nor which code is which can be told from what `due` says
    // afterwards: it is the same for each of them.
    let after = panel.run(&["due", "--on", ON, "--json"]);
    let found: serde_json::Value = serde_json::from_str(&after.out).unwrap();
    let left: BTreeSet<String> =
        found["samples"].as_array().unwrap().iter().map(|s| s["left_g"].to_string()).collect();
    assert_eq!(left.len(), 1, "{left:?}");
    for code in &codes {
        let told = after.out.split(|c: char| !c.is_ascii_digit()).any(|w| w == code);
        assert!(!told, "{code}");
    }
}

/// A calendar is looked at by others than the planner: whether a lot is in a sealed session makes no
/// difference to a byte of it, but for the moment of writing.
#[test]
fn the_calendar_says_nothing_of_sealed_sessions() {
    let panel = with_reference();
    let folder = tempfile::tempdir().unwrap();
    let calendar = |name: &str, on: &str| {
        let file = folder.path().join(name);
        let path = file.to_str().unwrap();
        let output = panel.run(&["due", "--on", on, "--calendar", path, "--language", "zh"]);
        assert_eq!(output.code, 0, "{output:?}");
        assert!(output.out.contains("Keep it from whoever tastes"), "{output:?}");
        let again = panel.run(&["due", "--on", on, "--calendar", path]);
        assert_eq!(again.code, 2, "it is not written over");
        let text = std::fs::read_to_string(&file).unwrap();
        let kept: Vec<&str> =
            text.lines().filter(|l| !l.starts_with("DTSTAMP") && !l.starts_with("SEQ")).collect();
        kept.join("\n")
    };
    // On the day, and when the next age has come while the session is still sealed.
    let before = [calendar("a.ics", ON), calendar("b.ics", "2026-07-01")];
    assert_eq!(plan(&panel, &[]).code, 0);
    assert_eq!([calendar("c.ics", ON), calendar("d.ics", "2026-07-01")], before);
    assert!(!before[0].contains("Ann") && !before[0].contains("ann"), "nobody is named");
    assert!(before[0].contains("复评 Lot-Alpha：2 周"), "{}", before[0]);
}

#[test]
fn many_lots_are_cut_into_flights_and_days_and_the_arms_of_a_lot_stay_together() {
    let panel = with_reference();
    for i in 0..6 {
        let id = format!("Arm-{i}");
        let made = ["lot", "add", &id, "--class", "black", "--made", "2026-05-01"];
        assert_eq!(panel.run(&made).code, 0);
        let split = panel.run(&[
            "lot",
            "split",
            &id,
            "--arm",
            "dry",
            "--arm",
            "humid",
            "--on",
            "2026-05-02",
        ]);
        assert_eq!(split.code, 0, "{split:?}");
    }
    // 15 samples; six cups a flight hold four beside the second code and the reference.
    let planned = plan(&panel, &["--flight-size", "6"]);
    assert_eq!(planned.code, 0, "{planned:?}");
    let session = panel.session();
    let flights = &session.plan().flights;
    let days: Vec<String> = flights.iter().map(|f| f.day.to_string()).collect();
    assert_eq!(days, ["2026-05-15", "2026-05-15", "2026-05-16", "2026-05-16"]);
    assert!(flights.iter().all(|f| f.cups.len() <= 6));
    for taster in session.plan().tasters.clone() {
        let answers = full_answers(&session);
        let book = &panel.book;
        session::enter_lines(book, "spring", &taster, &answers, None, HandIn::Complete, now())
            .unwrap();
    }
    session::close(&panel.book, "spring", false, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    for i in 0..6 {
        let of: BTreeSet<u32> = revealed
            .cups
            .iter()
            .filter(|c| c.lot == format!("Arm-{i}"))
            .map(|c| c.flight)
            .collect();
        assert_eq!(of.len(), 1, "both arms of Arm-{i} in one flight");
    }
    let samples: BTreeSet<(&str, &str)> = revealed
        .cups
        .iter()
        .filter(|c| c.role == Role::Lot)
        .map(|c| (c.lot.as_str(), c.arm.as_str()))
        .collect();
    assert_eq!(samples.len(), 15);
}

/// Which flight a lot is in is drawn anew each time, and told to nobody.
#[test]
fn which_flight_has_which_lot_is_dealt() {
    let mut seen = BTreeSet::new();
    for _ in 0..12 {
        let panel = with_reference();
        let planned = plan(&panel, &["--flight-size", "4"]);
        assert_eq!(planned.code, 0, "{planned:?}");
        assert_eq!(panel.session().plan().flights.len(), 2);
        let key = panel.read("sessions/2026-05-15-spring/key.toml");
        let place = |lot: &str| {
            let cups: Vec<&str> = key.split("[[cup]]").collect();
            let cup = cups.iter().find(|c| c.contains(&format!("lot = \"{lot}\""))).unwrap();
            cup.contains("flight = 1")
        };
        seen.insert(LOTS[..3].iter().map(|l| place(l)).collect::<Vec<_>>());
    }
    assert!(seen.len() > 1, "{seen:?}");
}

#[test]
fn alone_there_are_no_second_codes_and_nobody_knows_what_is_in_it() {
    let panel = with_reference();
    let args = ["due", "--on", ON, "--plan", "spring", "--tasters", "ann", "--alone"];
    let planned = panel.run(&args);
    assert_eq!(planned.code, 0, "{planned:?}");
    assert_eq!(panel.session().plan().flights[0].cups.len(), 4);
    assert!(planned.out.contains("Lot-Alpha: 3.0 g of 100.0 g"), "{}", planned.out);
    let after = panel.run(&["due", "--on", ON]);
    assert!(after.out.contains("2026-05-15-spring of 2026-05-15 is tasted alone"), "{}", after.out);
    assert!(after.out.contains("3 samples in 1 flight"), "they are still named: {}", after.out);
    // Of several flights each has tins of its own, so what goes into them is told.
    let panel = with_reference();
    let planned = panel.run(&[&args[..], &["--flight-size", "3"]].concat());
    assert_eq!(planned.code, 0, "{planned:?}");
    let places: Vec<&str> = planned.out.lines().filter(|l| l.starts_with("Places ")).collect();
    assert_eq!(places.len(), 2, "{}", planned.out);
    assert!(places[0].starts_with("Places 1 to 3, flight 1: "), "{places:?}");
    assert!(places[1].starts_with("Places 4 to 5, flight 2: "), "{places:?}");
    assert!(places.iter().all(|l| l.contains(LOTS[3])), "the reference stands in each");
    assert_eq!(lots_named(&places.concat()).len(), 4);
}

#[test]
fn what_cannot_be_served_is_left_out_and_told() {
    let panel = with_reference();
    let log = |lot: &str, parameter: &str, value: &str| {
        let output = panel.run(&["lot", "log", lot, parameter, value]);
        assert_eq!(output.code, 0, "{output:?}");
    };
    log(LOTS[0], "store.quarantine", "yes");
    log(LOTS[1], "reserve.drawn", "95");
    let text = panel.read("retasting.toml");
    let other = format!(
        "\n[[plan]]\nid = \"third\"\nlots = [\"{}\"]\nafter = [\"2w\"]\nrecipe = \"three\"\n",
        LOTS[2]
    );
    panel.write("retasting.toml", &(text + &other));
    for id in ["Fresh-1", "Fresh-2"] {
        let made = ["lot", "add", id, "--class", "black", "--made", "2026-04-30"];
        assert_eq!(panel.run(&made).code, 0);
    }
    let planned = plan(&panel, &[]);
    assert_eq!(planned.code, 0, "{planned:?}");
    for line in [
        "Left out: Lot-Alpha: it is not served: in quarantine since ",
        "Left out: Lot-Beta: 6.0 g are needed at most, and 5.0 g are left.",
        "Left out: Lot-Gamma: it is brewed by three, the others by small: plan a second session for it.",
    ] {
        assert!(planned.out.contains(line), "{line}\n{}", planned.out);
    }
    // The second session takes what the first one left, by its own recipe.
    let args = ["due", "--on", ON, "--plan", "later", "--tasters", "ann,bo"];
    let second = panel.run(&args);
    assert_eq!(second.code, 0, "{second:?}");
    assert!(second.out.contains("Recipe: three"), "{}", second.out);
}

/// Each replicate is brewed anew on another day, dealt anew, with second codes and a reference.
#[test]
fn replicates_stand_on_days_of_their_own() {
    let panel = with_reference();
    let text = panel.read("retasting.toml");
    panel.write("retasting.toml", &text.replacen("replicates = 1", "replicates = 2", 1));
    let planned = plan(&panel, &["--flight-size", "4"]);
    assert_eq!(planned.code, 0, "{planned:?}");
    let session = panel.session();
    let days: Vec<String> = session.plan().flights.iter().map(|f| f.day.to_string()).collect();
    assert_eq!(days, ["2026-05-15", "2026-05-15", "2026-05-16", "2026-05-16"]);
    assert!(planned.out.contains("Lot-Alpha: 12.0 g of 100.0 g"), "{}", planned.out);
    assert!(planned.out.contains("Frozen-Ref: 12.0 g of 100.0 g"), "{}", planned.out);
    let key = panel.read("sessions/2026-05-15-spring/key.toml");
    for lot in &LOTS[..3] {
        let of_lot =
            key.matches(&format!("lot = \"{lot}\"\narm = \"main\"\nrole = \"lot\"")).count();
        assert_eq!(of_lot, 2, "{lot}");
    }
}
