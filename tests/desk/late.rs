//! Answers that came after closing: shown, admitted with a reason, or left.

use blindsteep::session::{close, reveal};

use super::common::{Desk, Garden, Phone, cups, line, now};

/// A closed session of which ann's phone sent two answers too late: one new, one that changes another.
fn closed() -> (Garden, Vec<String>) {
    let garden = Garden::planned();
    let links = garden.links();
    let desk = Desk::start(&garden);
    let ann = Phone::join(&desk.ballots, &links["ann"]);
    let cup = cups(&ann.now(), 0)[0];
    ann.answer(line(cup, "malty", "6"));
    close(&garden.book, "spring", true, now()).unwrap();
    let late = [line(cup, "malty", "7"), line(cup, "sweet", "4"), line(cup, "sweet", "5")];
    for sent in &late {
        assert_eq!(ann.answer(sent.clone())["outcome"], "late");
    }
    let entries = late.iter().map(|l| l["entry"].as_str().unwrap().to_owned()).collect();
    (garden, entries)
}

const ADMIT: [&str; 9] =
    ["session", "late", "spring", "--admit", "--taster", "ann", "--by", "dee", "--reason"];

#[test]
fn they_are_shown_and_admitted_with_a_reason() {
    let (garden, entries) = closed();
    let (code, text) = garden.run(&["session", "late", "spring"]);
    assert_eq!((code, text.contains("ann: 3 late answers")), (0, true), "{text}");
    let (_, text) = garden.run(&["session", "show", "spring"]);
    assert!(text.contains("3 late answers of ann wait"), "{text}");
    let before = garden.ballot("ann");
    let (code, text) = garden.run(&ADMIT[..8]);
    assert_eq!(code, 2, "without a reason: {text}");
    let mut args = ADMIT.to_vec();
    args.push(" ");
    assert_eq!(garden.run(&args).0, 2);
    assert_eq!(garden.ballot("ann"), before);
    args[9] = "her phone had no network";
    let (code, text) = garden.run(&args);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("3 late answers of ann are admitted"), "{text}");
    let after = garden.ballot("ann");
    assert!(after.starts_with(&before), "the closed lines are as they were");
    for entry in &entries {
        assert_eq!(after.matches(&format!("\n{entry},")).count(), 1, "{after}");
    }
    let changes = garden.read("sessions/2026-06-02-spring/changes.csv");
    let amendments: Vec<&str> = changes.lines().filter(|l| l.contains(",amendment,")).collect();
    assert_eq!(amendments.len(), 3, "{changes}");
    for line in amendments {
        assert!(line.contains("her phone had no network,dee,before"), "{line}");
    }
    assert_eq!(garden.run(&["check"]).0, 0);
    // Once admitted nothing waits any more, and the phone is told that it is on the ballot.
    let (code, text) = garden.run(&args);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("no late answer of ann waits"), "{text}");
    let scores = blindsteep::session::reveal(&garden.book, "spring", now()).unwrap().scores;
    let of = |term: &str| -> Vec<f64> {
        scores.iter().filter(|s| s.taster == "ann" && s.term == term).map(|s| s.value).collect()
    };
    assert_eq!((of("malty"), of("sweet")), (vec![7.0], vec![5.0]), "the last of each holds");
}

#[test]
fn the_reveal_waits_for_a_word_about_them_and_ends_it() {
    let (garden, _) = closed();
    let (code, text) = garden.run(&["session", "reveal", "spring"]);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("3 late answers of ann wait") && text.contains("--anyway"), "{text}");
    let (code, text) = garden.run(&["session", "reveal", "spring", "--anyway"]);
    assert_eq!(code, 0, "{text}");
    let mut args = ADMIT.to_vec();
    args.push("too late");
    let (code, text) = garden.run(&args);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("its lots are known"), "{text}");
    let scores = reveal(&garden.book, "spring", now()).unwrap().scores;
    assert_eq!(scores.len(), 1, "what was left does not count");
    assert_eq!(garden.run(&["check"]).0, 0);
}

#[test]
fn a_late_file_is_checked_like_a_ballot() {
    let (garden, _) = closed();
    let file = garden.root().join("sessions/2026-06-02-spring/late/ann.csv");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace(",7,scored", ",77,scored")).unwrap();
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("late/ann.csv:2:") && text.contains("malty is \"77\""), "{text}");
    std::fs::rename(&file, file.with_file_name("nobody.csv")).unwrap();
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("nobody is not a taster"), "{text}");
}

#[test]
fn progress_counts_them_and_tells_no_score() {
    let (garden, _) = closed();
    let doors = blindsteep::desk::doors::Doors::open(&garden.book).unwrap();
    let app = blindsteep::desk::App::new(garden.book.clone(), doors, String::new(), false);
    let progress = app.progress(&garden.session().name).unwrap();
    let ann = &progress[0];
    assert_eq!((ann.taster.as_str(), ann.late, ann.joined), ("ann", 3, true));
    assert_eq!(ann.flights[0].answered, 1);
    assert!(ann.flights[0].asked > 10);
    assert_eq!(ann.flight, Some(1));
    let order = garden.plan_file().flights[0].order_of("ann").to_vec();
    assert_eq!(ann.cup, Some(order[0]));
    assert_eq!((progress[1].joined, progress[1].flights[0].answered), (false, 0));
    assert_eq!(app.admit_late(&garden.session().name, "ann", "a dead zone", None).unwrap(), 3);
    assert_eq!(app.progress(&garden.session().name).unwrap()[0].late, 0);
}
