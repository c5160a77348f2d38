//! What a reveal tells, and what it refuses.

use std::collections::BTreeMap;

use blindsteep::session::{self, Amend, HandIn, Role, Scope, enter_lines};

use super::common::{LOTS, Panel, answer, lots_named, now, request};

const KEY: &str = "sessions/2026-05-14-spring/key.toml";

fn closed() -> Panel {
    let panel = Panel::new();
    panel.plan(&request());
    panel.taste();
    session::close(&panel.book, "spring", false, now()).unwrap();
    panel
}

#[test]
fn scores_are_joined_with_what_was_poured() {
    let panel = Panel::new();
    panel.plan(&request());
    let (_, pours) = session::pour::pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
    panel.taste();
    session::close(&panel.book, "spring", false, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    assert!(revealed.committed_beforehand);
    assert_eq!(Some(&revealed.digest), panel.session().plan().key_digest.as_ref());
    let lots: BTreeMap<u16, String> =
        revealed.cups.iter().map(|c| (c.code, c.lot.clone())).collect();
    for pour in &pours {
        assert_eq!(lots[&pour.code], pour.sample.lot);
    }
    // 3 tasters, 10 scored cups: 4 scales, a tick and a fault each.
    assert_eq!(revealed.scores.len(), 3 * 10 * 6);
    let session = panel.session();
    for score in &revealed.scores {
        let flight = &session.plan().flights[score.flight as usize - 1];
        assert_eq!(flight.day, score.day);
        // Place 1 is the warm-up cup's.
        let place = flight.order_of(&score.taster).iter().position(|c| *c == score.cup).unwrap();
        assert_eq!(score.position as usize, place + 2);
        let i = flight.cups.iter().position(|c| *c == score.cup).unwrap();
        let (value, label) = match score.term.as_str() {
            "bright" => (3.0 + i as f64 / 2.0, None),
            "balance" => (-2.0, None),
            "tips" => (1.0, Some("few")),
            "hue" => (f64::from(u8::from(i % 2 == 1)), Some(["gold", "red"][i % 2])),
            _ => (0.0, None),
        };
        assert_eq!((score.value, score.label.as_deref()), (value, label), "{score:?}");
        assert_eq!(score.excluded, None);
    }
    assert!(revealed.cups.iter().filter(|c| c.role == Role::WarmUp).count() == 2);
}

#[test]
fn draws_reach_the_lots_once_even_if_the_reveal_was_interrupted() {
    let panel = closed();
    let log = "lots/Lot-Beta/log.csv";
    let before = panel.read(log);
    session::reveal(&panel.book, "spring", now()).unwrap();
    let after = panel.read(log);
    assert!(after.starts_with(&before));
    assert_eq!(after.matches("reserve.drawn").count(), 1, "{after}");
    // As if the power had failed between reveal.toml and this log.
    panel.write(log, &before);
    session::reveal(&panel.book, "spring", now()).unwrap();
    assert_eq!(panel.read(log), after);
    session::reveal(&panel.book, "spring", now()).unwrap();
    assert_eq!(panel.read(log), after);
    // 2 flights: each lot twice, the second codes go round, reference and warm-up cup in each.
    let drawn = |lot: &str| panel.book.lot(lot).unwrap().reserve("main").unwrap().drawn_g;
    let total: f64 = LOTS.iter().map(|l| drawn(l)).sum();
    assert!((total - 12.0 * 3.0).abs() < 1e-9, "{total}");
    assert!((drawn(LOTS[3]) - 12.0).abs() < 1e-9);
}

#[test]
fn a_key_that_was_exchanged_is_not_opened() {
    let panel = closed();
    let text = panel.read(KEY);
    let exchanged = text
        .replace("\"Lot-Alpha\"", "\"SWAP\"")
        .replace("\"Lot-Beta\"", "\"Lot-Alpha\"")
        .replace("\"SWAP\"", "\"Lot-Beta\"");
    panel.write(KEY, &exchanged);
    let output = panel.run(&["session", "reveal", "spring"]);
    assert_eq!(output.code, 1, "{output:?}");
    assert!(output.err.contains("it is not the key that was sealed"), "{output:?}");
    assert!(output.err.contains("as in session.toml and on every ballot"), "{output:?}");
    assert!(lots_named(&output.err).is_empty(), "{output:?}");
    assert!(!panel.root.join("sessions/2026-05-14-spring/reveal.toml").exists());
    assert!(!panel.read("lots/Lot-Alpha/log.csv").contains("reserve.drawn"));
    panel.write(KEY, &text);
    assert_eq!(panel.run(&["session", "reveal", "spring"]).code, 0);
    // Nor afterwards.
    panel.write(KEY, &exchanged);
    assert!(session::revealed(&panel.book, "spring").is_err());
}

#[test]
fn a_lost_key_is_told() {
    let panel = closed();
    std::fs::remove_file(panel.root.join(KEY)).unwrap();
    let output = panel.run(&["session", "reveal", "spring"]);
    assert_eq!(output.code, 1, "{output:?}");
    assert!(output.err.contains("key.toml: the key is missing"), "{output:?}");
    assert_eq!(panel.run(&["check"]).code, 1);
}

#[test]
fn a_ballot_changed_after_closing_is_seen() {
    let panel = closed();
    let file = "sessions/2026-05-14-spring/ballots/bo.csv";
    let text = panel.read(file);
    panel.write(file, &text.replacen(",balance,-2,", ",balance,5,", 1));
    let output = panel.run(&["session", "reveal", "spring"]);
    assert_eq!(output.code, 1, "{output:?}");
    assert!(output.err.contains("ballots/bo.csv: the ballot is not the one that was closed"));
    assert!(panel.run(&["check"]).out.contains("the ballot is not the one that was closed"));
    // Line ends of another system are no change.
    panel.write(file, &text.replace('\n', "\r\n"));
    assert_eq!(panel.run(&["session", "reveal", "spring"]).code, 0);
}

#[test]
fn an_amendment_after_the_reveal_holds_and_is_marked() {
    let panel = closed();
    session::reveal(&panel.book, "spring", now()).unwrap();
    let cup = panel.session().plan().flights[0].cups[0];
    let amend = Amend { reason: "typed the wrong line".to_owned(), by: None };
    enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[answer(cup, "bright", "8.5")],
        Some(&amend),
        HandIn::No,
        now(),
    )
    .unwrap();
    let revealed = session::revealed(&panel.book, "spring").unwrap();
    let values: Vec<f64> = revealed
        .scores
        .iter()
        .filter(|s| s.taster == "ann" && s.cup == cup && s.term == "bright")
        .map(|s| s.value)
        .collect();
    assert_eq!(values, [8.5]);
    assert_eq!(revealed.changes.len(), 1);
    assert!(revealed.changes[0].after_reveal);
    assert_eq!(panel.run(&["check"]).code, 0, "lines behind the closed ones are amendments");
}

#[test]
fn an_exclusion_marks_and_removes_nothing() {
    let panel = closed();
    let cup = panel.session().plan().flights[0].cups[0];
    let scope = |taster: Option<&str>, cup, term: Option<&str>| Scope {
        taster: taster.map(str::to_owned),
        cup,
        term: term.map(str::to_owned),
        ..Scope::default()
    };
    let by_term = scope(Some("bo"), Some(cup), Some("Bright"));
    session::exclude(&panel.book, "spring", &by_term, "burnt tongue", Some("ann"), now()).unwrap();
    session::reveal(&panel.book, "spring", now()).unwrap();
    let entry = session::exclude(
        &panel.book,
        "spring",
        &scope(Some("cy"), None, None),
        "a cold",
        None,
        now(),
    )
    .unwrap();
    let excluded = || {
        let revealed = session::revealed(&panel.book, "spring").unwrap();
        assert_eq!(revealed.scores.len(), 3 * 10 * 6);
        let mut counts: BTreeMap<(String, String), usize> = BTreeMap::new();
        for score in &revealed.scores {
            if let Some(reason) = &score.excluded {
                *counts.entry((score.taster.clone(), reason.clone())).or_default() += 1;
            }
        }
        counts
    };
    let of = |taster: &str, reason: &str| (taster.to_owned(), reason.to_owned());
    assert_eq!(
        excluded(),
        BTreeMap::from([(of("bo", "burnt tongue"), 1), (of("cy", "a cold"), 60)])
    );
    let changes = session::revealed(&panel.book, "spring").unwrap().changes;
    assert_eq!(changes.iter().map(|c| c.after_reveal).collect::<Vec<_>>(), [false, true]);
    session::readmit(&panel.book, "spring", &entry, "it was hay fever", None, now()).unwrap();
    assert_eq!(excluded(), BTreeMap::from([(of("bo", "burnt tongue"), 1)]));
    let twice = session::readmit(&panel.book, "spring", &entry, "again", None, now());
    assert!(twice.unwrap_err().to_string().contains("there is no exclusion"));
    let shown = panel.run(&["session", "show", "spring"]).out;
    assert!(shown.contains("burnt tongue (before the reveal, by ann"), "{shown}");
    assert!(shown.contains("exclusion (taken back) of cy: a cold (after the reveal"), "{shown}");
}

#[test]
fn an_exclusion_of_nothing_known_is_refused() {
    let panel = closed();
    for (args, told) in [
        (&["--reason", "x"][..], "an exclusion of everything"),
        (&["--taster", "zoe", "--reason", "x"], "zoe is not a taster"),
        (&["--term", "brite", "--reason", "x"], "there is no term in this session \"brite\""),
        (&["--flight", "3", "--reason", "x"], "there is no flight 3"),
        (&["--steep", "2", "--reason", "x"], "there is no steep 2"),
        (&["--taster", "ann", "--reason", " "], "an exclusion needs a reason"),
        (&["--undo", "none", "--reason", "x"], "there is no exclusion \"none\""),
    ] {
        let mut all = vec!["session", "exclude", "spring"];
        all.extend(args);
        let output = panel.run(&all);
        assert_eq!(output.code, 2, "{args:?}: {output:?}");
        assert!(output.err.contains(told), "{args:?}: {output:?}");
    }
    assert!(!panel.root.join("sessions/2026-05-14-spring/changes.csv").exists());
}

#[test]
fn guesses_come_out_with_their_sureness() {
    let panel = Panel::new();
    panel.plan(&request());
    let cup = panel.session().plan().flights[0].cups[0];
    enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[answer(cup, "guess", "lot-beta@dry"), answer(cup, "guess-sure", "sure")],
        None,
        HandIn::No,
        now(),
    )
    .unwrap();
    session::close(&panel.book, "spring", true, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    assert_eq!(revealed.guesses.len(), 1);
    let guess = &revealed.guesses[0];
    assert_eq!((guess.taster.as_str(), guess.cup, guess.sure), ("ann", cup, Some(true)));
    assert_eq!((guess.lot.as_str(), guess.arm.as_deref()), ("Lot-Beta", Some("dry")));
    assert!(revealed.scores.is_empty());
}

#[test]
fn a_lot_tasted_before_it_was_made_is_warned_of_once_its_session_is_revealed() {
    let panel = closed();
    let file = panel.root.join("lots/Lot-Beta/lot.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("2026-05-01", "2026-05-15")).unwrap();
    // Before the reveal a warning would tell that the lot is in the session.
    let sealed = panel.run(&["check"]);
    assert_eq!(sealed.code, 0);
    assert!(!sealed.out.contains("warning"), "{}", sealed.out);
    session::reveal(&panel.book, "spring", now()).unwrap();
    let told = panel.run(&["check"]);
    assert_eq!(told.code, 0);
    let expected = "warning: sessions/2026-05-14-spring/session.toml: Lot-Beta was tasted on \
                    2026-05-14, before it was made on 2026-05-15";
    assert!(told.out.contains(expected), "{}", told.out);
    assert_eq!(told.out.matches("warning").count(), 1, "{}", told.out);
}
