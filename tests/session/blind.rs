//! The blind holds: nothing that a taster can reach depends on which lot a code is.

use std::process::Command;

use blindsteep::session::papers;
use blindsteep::session::{
    self, DealSecret, Duplicates, FlightRequest, HandIn, PlanRequest, Session,
};
use blindsteep::sheets::Lang;
use blindsteep::sheets::ballots::ballot_pdf;

use super::common::{LOTS, Panel, answer, files, lots_named, now, request, secret};

/// Plans, prints, tastes with amendments and exclusions, and closes; returns every file of the
/// book outside lots/, and everything that was printed.
fn course(panel: &Panel, secret: DealSecret) -> (Vec<(String, Vec<u8>)>, String) {
    session::plan(&panel.book, &request(), now(), secret).unwrap();
    let session = panel.session();
    let mut printed = String::new();
    for taster in ["ann", "bo", "cy"] {
        let languages = [Lang::En, Lang::Zh];
        let paper = papers::ballot(&panel.book, &session, taster, &languages).unwrap();
        printed.push_str(&format!("{paper:?}\n"));
    }
    panel.taste();
    let cup = session.plan().flights[0].cups[0];
    session::enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[answer(cup, "bright", "9.5")],
        Some(&session::Amend { reason: "misread".to_owned(), by: None }),
        HandIn::No,
        now(),
    )
    .unwrap();
    let scope = session::Scope { cup: Some(cup), ..Default::default() };
    session::exclude(&panel.book, "spring", &scope, "spilt", None, now()).unwrap();
    session::close(&panel.book, "spring", false, now()).unwrap();
    for args in [
        &["session", "show", "spring"][..],
        &["session", "list"],
        &["session", "enter", "spring", "--taster", "ann"],
        &["session", "close", "spring"],
        &["check"],
    ] {
        let output = panel.run(args);
        printed.push_str(&format!("{args:?}: {output:?}\n"));
    }
    let outside = files(&panel.root)
        .into_iter()
        .filter(|(name, _)| !name.ends_with("/key.toml") && !name.starts_with("lots/"))
        .collect();
    (outside, printed)
}

/// The texts with the digest of the key taken out: the one thing that may differ.
fn without_digest(panel: &Panel, bytes: &[u8]) -> String {
    let digest = panel.session().plan().key_digest.clone().unwrap();
    let root = panel.root.display().to_string();
    String::from_utf8_lossy(bytes).replace(&digest, "DIGEST").replace(&root, "ROOT")
}

#[test]
fn dealing_anew_changes_no_byte_outside_the_key_but_its_digest() {
    let (one, other) = (Panel::new(), Panel::new());
    let (files_one, printed_one) = course(&one, secret(1));
    let (files_other, printed_other) = course(&other, secret(2));
    assert!(files_one.len() > 8, "plan, ballots, close and changes are there: {}", files_one.len());
    let names = |f: &[(String, Vec<u8>)]| f.iter().map(|(n, _)| n.clone()).collect::<Vec<_>>();
    assert_eq!(names(&files_one), names(&files_other));
    for ((name, a), (_, b)) in files_one.iter().zip(&files_other) {
        assert_eq!(without_digest(&one, a), without_digest(&other, b), "{name}");
    }
    assert_eq!(
        without_digest(&one, printed_one.as_bytes()),
        without_digest(&other, printed_other.as_bytes())
    );
    // The lots' own logs too: draws stay in the key until the reveal.
    for lot in LOTS {
        let log = format!("lots/{lot}/log.csv");
        assert_eq!(one.read(&log), other.read(&log));
        assert!(!one.read(&log).contains("reserve.drawn"));
    }
    // And the deals do differ, else all this would say nothing.
    let key = "sessions/2026-05-14-spring/key.toml";
    let dealt = |p: &Panel| {
        p.read(key).lines().filter(|l| l.starts_with("lot")).map(str::to_owned).collect::<Vec<_>>()
    };
    assert_ne!(dealt(&one), dealt(&other));
    assert_ne!(one.session().plan().key_digest, other.session().plan().key_digest);
}

#[test]
fn no_lot_is_named_outside_the_key_before_the_reveal() {
    let panel = Panel::new();
    let (outside, printed) = course(&panel, secret(3));
    for (name, bytes) in outside {
        let found = lots_named(&String::from_utf8_lossy(&bytes));
        assert!(found.is_empty(), "{name} names {found:?}");
    }
    assert!(lots_named(&printed).is_empty(), "{printed}");
    // The search does find what is there to be found.
    let key = panel.read("sessions/2026-05-14-spring/key.toml");
    assert_eq!(lots_named(&key), LOTS);
}

#[test]
fn a_printed_ballot_names_no_lot_and_bears_the_digest_on_every_page() {
    let panel = Panel::new();
    panel.plan(&request());
    let session = panel.session();
    let digest = session.plan().key_digest.clone().unwrap();
    let paper = papers::ballot(&panel.book, &session, "ann", &[Lang::En]).unwrap();
    assert_eq!(paper.digest, digest);
    assert_eq!(paper.taster_name, "Ann Example");
    let order: Vec<u16> = session.plan().flights[0].order_of("ann").to_vec();
    assert_eq!(paper.flights[0].cups, order, "in the order of tasting");
    let warm_up = session.plan().flights[0].warm_up.unwrap().to_string();
    assert!(paper.cautions.iter().any(|c| c.contains(&warm_up)), "{:?}", paper.cautions);
    let file = panel.root.join("ballot.pdf");
    std::fs::write(&file, ballot_pdf(&paper).unwrap()).unwrap();
    // The text of the pages, where poppler's pdftotext is there to read it.
    let Ok(read) = Command::new("pdftotext").arg(&file).arg("-").output() else { return };
    let text = String::from_utf8_lossy(&read.stdout).into_owned();
    assert!(lots_named(&text).is_empty(), "{text}");
    let pages = text.matches('\u{c}').count();
    assert!(pages >= 1);
    assert_eq!(text.matches(&digest).count(), pages, "{text}");
}

#[test]
fn planning_tells_no_lot_beside_a_code() {
    let panel = Panel::new();
    let lots = LOTS[..3].join(",");
    let output = panel.run(&[
        "session",
        "plan",
        "spring",
        "--lots",
        &lots,
        "--tasters",
        "ann,bo",
        "--duplicates",
        "1",
        "--reference",
        LOTS[3],
        "--order-seed",
        "7",
        "--day",
        "2026-05-14",
    ]);
    assert_eq!(output.code, 0, "{output:?}");
    let session = panel.session();
    let codes: Vec<String> = session.plan().flights[0].codes().map(|c| c.to_string()).collect();
    assert_eq!(codes.len(), 5);
    for line in output.out.lines() {
        let has_code = codes.iter().any(|c| line.split_whitespace().any(|w| w == c));
        assert!(!has_code || lots_named(line).is_empty(), "{line}");
    }
    for code in &codes {
        assert!(output.out.contains(code), "the codes themselves are told");
    }
}

#[test]
fn a_broken_key_is_reported_without_its_text() {
    let panel = Panel::new();
    panel.plan(&request());
    let key = "sessions/2026-05-14-spring/key.toml";
    let text = panel.read(key);
    for broken in [
        text.replacen("role = ", "rôle = ", 1),
        text.replacen("lot = \"Lot-Beta\"", "lot = \"Lot-Alpha\"", 1),
        text.replacen("lot = \"Lot-Beta\"", "lot = \"Lot-Beta", 1),
        text.replacen("flight = 1", "flight = 2", 1),
    ] {
        assert_ne!(broken, text);
        panel.write(key, &broken);
        let output = panel.run(&["check"]);
        assert_eq!(output.code, 1, "{output:?}");
        assert!(output.out.contains("key.toml: the key"), "{output:?}");
        assert!(lots_named(&output.out).is_empty(), "{output:?}");
        assert!(lots_named(&output.err).is_empty(), "{output:?}");
    }
}

#[test]
fn a_guess_is_taken_whatever_lot_it_names() {
    // If only the lots of the session were taken, guessing would tell which they are.
    let panel = Panel::new();
    let mut two = request();
    two.lots.truncate(2);
    panel.plan(&two);
    let session = panel.session();
    let cup = session.plan().flights[0].cups[0];
    let mut said = Vec::new();
    for (taster, lot) in [("ann", LOTS[0]), ("bo", LOTS[2]), ("cy", "No-Such-Lot")] {
        let entered = session::enter_lines(
            &panel.book,
            "spring",
            taster,
            &[answer(cup, "guess", lot), answer(cup, "guess-sure", "unsure")],
            None,
            HandIn::No,
            now(),
        )
        .unwrap();
        said.push(entered);
    }
    assert_eq!(said[0], said[1]);
    assert_eq!(said[1], said[2]);
}

#[test]
fn the_pouring_plan_is_logged_and_refused_to_a_taster() {
    let panel = Panel::new();
    panel.plan(&request());
    let elsewhere = tempfile::tempdir().unwrap();
    let file = elsewhere.path().join("pour.pdf");
    let file = file.to_str().unwrap();
    for taster in ["bo", "BO", "Ann Example", "ann example"] {
        let output = panel.run(&["session", "pour", "spring", "--pourer", taster, "--out", file]);
        assert_eq!(output.code, 2, "{output:?}");
        assert!(output.err.contains("tastes in session 2026-05-14-spring"), "{output:?}");
        assert!(!std::path::Path::new(file).exists());
    }
    let inside = panel.root.join("pour.pdf");
    let output = panel.run(&[
        "session",
        "pour",
        "spring",
        "--pourer",
        "dot",
        "--out",
        inside.to_str().unwrap(),
    ]);
    assert_eq!(output.code, 2, "{output:?}");
    assert!(output.err.contains("is inside the book"), "{output:?}");
    let output = panel.run(&["session", "pour", "spring", "--pourer", "dot", "--out", file]);
    assert_eq!(output.code, 0, "{output:?}");
    assert!(lots_named(&output.out).is_empty());
    let changes = panel.read("sessions/2026-05-14-spring/changes.csv");
    assert_eq!(changes.matches("pouring-plan").count(), 1, "{changes}");
    assert!(changes.contains(",dot,before"), "{changes}");
    assert!(lots_named(&changes).is_empty());
    // What it says is what the key says.
    let (_, pours) = session::pour::pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
    let session: Session = panel.session();
    let n: usize = session.plan().flights.iter().map(|f| f.codes().count()).sum();
    assert_eq!(pours.len(), n);
}

#[test]
fn what_is_logged_twice_within_a_second_has_two_entries() {
    let panel = Panel::new();
    panel.plan(&request());
    let cup = panel.session().plan().flights[0].cups[0];
    for _ in 0..3 {
        session::pour::pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
        let pour =
            session::pour::PourNote { cup, temperature_c: Some(48.0), minutes: None, note: None };
        session::pour::log_pour(&panel.book, "spring", &pour, now()).unwrap();
    }
    for file in ["changes.csv", "pours.csv"] {
        let text =
            std::fs::read_to_string(panel.root.join("sessions/2026-05-14-spring").join(file))
                .unwrap();
        let entries: std::collections::BTreeSet<&str> =
            text.lines().skip(1).filter_map(|l| l.split(',').next()).collect();
        assert_eq!(entries.len(), 3, "{file}: {text}");
    }
    assert_eq!(panel.run(&["check"]).code, 0);
}

/// What a later plan says is left of each lot would tell which of them have a second code.
#[test]
fn a_later_plan_tells_nothing_of_what_was_dealt() {
    let flight = |lots: &[&str]| FlightRequest {
        lots: lots.iter().map(|l| (*l).to_owned()).collect(),
        duplicates: Duplicates::Dealt(1),
    };
    let unlike = PlanRequest {
        lots: Vec::new(),
        flights: vec![flight(&LOTS[..3]), flight(&LOTS[..2])],
        replicates: 1,
        duplicates: Duplicates::Dealt(0),
        ..request()
    };
    for first in [request(), unlike] {
        let left = |deal: u8| {
            let panel = Panel::new();
            session::plan(&panel.book, &first, now(), secret(deal)).unwrap();
            let later = PlanRequest { name: "later".to_owned(), ..request() };
            let planned = session::plan(&panel.book, &later, now(), secret(9)).unwrap();
            planned.leaf.iter().map(|l| l.left_g).collect::<Vec<_>>()
        };
        let one = left(1);
        assert!(one.iter().all(Option::is_some), "{one:?}");
        for deal in 2..8 {
            assert_eq!(left(deal), one, "deal {deal}");
        }
    }
}
