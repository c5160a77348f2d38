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
        assert_eq!(again.code, 0, "its own file is written anew: {again:?}");
        assert!(again.out.contains(", written anew: "), "{again:?}");
        let output = panel.run(&["due", "--on", on, "--calendar", path, "--language", "zh"]);
        assert_eq!(output.code, 0, "{output:?}");
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

#[test]
fn a_calendar_takes_the_place_of_its_own_file_alone() {
    let panel = with_reference();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("mine.ics");
    let path = file.to_str().unwrap();
    std::fs::write(&file, "BEGIN:VCALENDAR\r\nPRODID:-//me//my own//EN\r\nEND:VCALENDAR\r\n")
        .unwrap();
    let before = std::fs::read(&file).unwrap();
    let refused = panel.run(&["due", "--on", ON, "--calendar", path]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("another name to --calendar"), "{}", refused.err);
    assert_eq!(std::fs::read(&file).unwrap(), before);
    let nowhere = folder.path().join("no/such/x.ics");
    let refused = panel.run(&["due", "--on", ON, "--calendar", nowhere.to_str().unwrap()]);
    assert_eq!(refused.code, 4);
    assert!(
        refused.err.contains(&format!("cannot write {}", nowhere.display())),
        "{}",
        refused.err
    );
    assert!(refused.err.contains("there is no folder") && refused.err.contains("mkdir -p"));
    assert!(!refused.err.contains(".blindsteep-"), "{}", refused.err);
    let refused =
        panel.run(&["age", "--table", "nowhere.csv", "--lot", "a", "--month", "m", "--value", "v"]);
    assert!(refused.err.contains("cannot read nowhere.csv"), "{}", refused.err);
    assert!(refused.err.contains("to mend:  correct the path"), "{}", refused.err);
}

/// A session of all four lots, on 2026-05-14 and the day after it, tasted and revealed.
fn revealed() -> Panel {
    let panel = Panel::new();
    panel.plan(&super::common::request());
    panel.taste();
    session::close(&panel.book, "spring", false, now()).unwrap();
    session::reveal(&panel.book, "spring", now()).unwrap();
    panel
}

fn split(panel: &Panel, lot: &str, on: &str) -> super::common::Output {
    panel.run(&["lot", "split", lot, "--arm", "dry", "--arm", "humid", "--on", on])
}

#[test]
fn no_lot_is_split_before_a_tasting_of_the_whole() {
    let panel = Panel::new();
    panel.plan(&super::common::request());
    for lot in [LOTS[0], LOTS[3]] {
        let refused = split(&panel, lot, "2026-05-13");
        assert_eq!(refused.code, 2, "{refused:?}");
        let told = format!("a session of 2026-05-14 that is not revealed yet has {lot} as a whole");
        assert!(refused.err.contains(&told), "{}", refused.err);
        assert!(refused.err.contains("give --on 2026-05-14"), "{}", refused.err);
        assert!(!refused.err.contains("spring"), "{}", refused.err);
    }
    assert!(!panel.read("lots/Lot-Alpha/lot.toml").contains("[[arm]]"));
    let panel = revealed();
    let refused = split(&panel, LOTS[0], "2026-05-13");
    assert_eq!(refused.code, 2, "{refused:?}");
    let told = "Lot-Alpha was tasted as a whole on 2026-05-14 (2026-05-14-spring)";
    assert!(refused.err.contains(told), "{}", refused.err);
    // By hand anything can be written; then `check` tells.
    let text = panel.read("lots/Lot-Alpha/lot.toml");
    let arms = ["dry", "humid"].map(|a| format!("\n[[arm]]\nid = \"{a}\"\nsince = 2026-05-10\n"));
    panel.write("lots/Lot-Alpha/lot.toml", &(text + &arms.concat()));
    let checked = panel.run(&["check"]);
    let told = "Lot-Alpha was tasted as a whole on 2026-05-14, after it was split on 2026-05-10";
    assert!(checked.out.contains(told), "{}", checked.out);
}

#[test]
fn a_tasting_on_the_day_of_a_split_is_one_of_each_arm() {
    let panel = revealed();
    assert_eq!(split(&panel, LOTS[0], "2026-05-14").code, 0);
    let into = ["lot", "split", LOTS[1], "--into", "Child=1kg", "--on", "2026-05-14"];
    let output = panel.run(&into);
    assert_eq!(output.code, 0, "{output:?}");
    let asked = panel.run(&["due", "--on", "2026-05-20", "--json"]);
    let found: serde_json::Value = serde_json::from_str(&asked.out).unwrap();
    for name in ["Lot-Alpha@dry", "Lot-Alpha@humid", "Child"] {
        let of = found["samples"].as_array().unwrap().iter().find(|s| s["sample"] == name).unwrap();
        assert_eq!(of["last"]["session"], "2026-05-14-spring", "{name}");
        assert_eq!(of["tastings"][0]["state"], "done", "{name}");
    }
    let checked = panel.run(&["check"]);
    assert!(!checked.out.contains("one of the two days is wrong"), "{}", checked.out);
}

#[test]
fn what_was_tasted_early_is_taken_back_in_words() {
    let panel = revealed();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("again.ics");
    let args = ["due", "--on", "2026-05-14", "--until", "2026-05-20", "--calendar"];
    let output = panel.run(&[&args[..], &[file.to_str().unwrap(), "--language", "en"]].concat());
    assert!(output.out.contains(": 0 tastings until 2026-05-20, and 3 taken back."), "{output:?}");
    let text = std::fs::read_to_string(&file).unwrap().replace("\r\n ", "");
    let told = "SUMMARY:Tasted already: Lot-Alpha\\, 2 weeks (on 2026-05-14)";
    assert!(text.contains(told), "{text}");
    assert!(!text.contains("--plan"), "{text}");
}

/// The order of the flights must not be told by that of the lots.
#[test]
fn leaf_is_told_by_the_names_of_the_samples() {
    for _ in 0..6 {
        let panel = with_reference();
        let planned = plan(&panel, &["--flight-size", "4"]);
        assert_eq!(planned.code, 0, "{planned:?}");
        let leaf = planned.out.split("Leaf, at most:\n").nth(1).unwrap();
        let names: Vec<&str> =
            leaf.lines().take(4).map(|l| l.trim().split(':').next().unwrap()).collect();
        assert_eq!(names, [LOTS[3], LOTS[0], LOTS[1], LOTS[2]], "{}", planned.out);
    }
}

#[test]
fn one_sample_alone_is_no_session_and_what_to_add_is_told() {
    let panel = Panel::new();
    for lot in &LOTS[1..] {
        assert_eq!(panel.run(&["lot", "log", lot, "store.quarantine", "yes"]).code, 0);
    }
    let made = ["lot", "add", "Young", "--class", "black", "--made", "2026-05-13"];
    assert_eq!(panel.run(&made).code, 0);
    let asked = panel.run(&["due", "--on", ON]);
    assert!(!asked.out.contains("A session for it"), "{}", asked.out);
    let words = asked.out.split_whitespace().collect::<Vec<_>>().join(" ");
    let told = "Add another sample with --with Young, or name a reference";
    assert!(words.contains("Lot-Alpha alone could be tasted"), "{}", asked.out);
    assert!(words.contains(told), "{}", asked.out);
    let refused = plan(&panel, &[]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains(told), "{}", refused.err);
    let planned = plan(&panel, &["--with", "Young"]);
    assert_eq!(planned.code, 0, "{planned:?}");
}

#[test]
fn where_nothing_is_due_the_next_tasting_is_named() {
    let panel = with_reference();
    let asked = panel.run(&["due", "--on", "2026-05-03"]);
    let words = asked.out.split_whitespace().collect::<Vec<_>>().join(" ");
    let told = "Nothing. Next: Lot-Alpha at 2 weeks on 2026-05-15 and 2 more, from 2026-05-08 on.";
    assert!(words.contains(told), "{}", asked.out);
}

/// A sealed session that is for another age neither hides what is due nor is told as if it were it.
#[test]
fn a_sealed_session_for_another_age_hides_nothing() {
    let panel = with_reference();
    assert_eq!(plan(&panel, &[]).code, 0);
    let asked = panel.run(&["due", "--on", "2026-07-05"]);
    let words = asked.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("Due sample"), "{}", asked.out);
    let told = "in 2026-05-15-spring, planned for 2026-05-15, which is not revealed yet. That tasting \
                is for another age: the one that is due now is still to be had.";
    assert_eq!(words.matches(told).count(), 1, "{}", asked.out);
    assert_eq!(words.matches("2026-05-15-spring").count(), 1, "{}", asked.out);
}

/// A lot of a sealed session that is split meanwhile is waited for as its arms.
#[test]
fn a_lot_that_is_split_while_its_session_is_sealed_is_still_told() {
    let panel = with_reference();
    assert_eq!(plan(&panel, &[]).code, 0);
    let lot = LOTS[0];
    let before = panel.run(&["due", "--on", ON]);
    assert!(before.out.contains(lot), "{}", before.out);
    let made = split(&panel, lot, ON);
    assert_eq!(made.code, 0, "{made:?}");
    let asked = panel.run(&["due", "--on", ON, "--json"]);
    let found: serde_json::Value = serde_json::from_str(&asked.out).unwrap();
    let sealed: Vec<&serde_json::Value> = found["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|w| w["kind"] == "sealed")
        .flat_map(|w| w["samples"].as_array().unwrap())
        .collect();
    for arm in ["dry", "humid"] {
        let name = format!("{lot}@{arm}");
        assert!(sealed.iter().any(|s| **s == name), "{name} is not in {sealed:?}");
    }
}

#[test]
fn an_arm_of_a_plan_that_no_lot_has_is_told() {
    let panel = Panel::new();
    let checked = panel.run(&["check"]);
    assert!(!checked.out.contains("retasting.toml"), "{}", checked.out);
    assert_eq!(split(&panel, LOTS[0], "2026-05-14").code, 0);
    let text = panel.read("retasting.toml");
    let slip = "\n[[plan]]\nid = \"damp\"\narms = [\"humdi\"]\nafter = [\"2w\"]\n";
    panel.write("retasting.toml", &(text + slip));
    let checked = panel.run(&["check"]);
    assert_eq!(checked.code, 0, "{checked:?}");
    let told =
        "the plan damp is for arms named \"humdi\", and no lot has one: did you mean \"humid\"?";
    assert_eq!(checked.out.matches("retasting.toml").count(), 1, "{}", checked.out);
    assert!(checked.out.contains(told), "{}", checked.out);
}
