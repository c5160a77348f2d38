//! One person pours and tastes: codes on tins, the key after closing.

use blindsteep::session::{self, Duplicates, HandIn, PlanRequest, Role};

use super::common::{LOTS, Panel, full_answers, lots_named, now, request};

fn alone() -> PlanRequest {
    PlanRequest {
        tasters: vec!["ann".to_owned()],
        duplicates: Duplicates::Dealt(0),
        warm_up: None,
        alone: true,
        ..request()
    }
}

fn tasted() -> Panel {
    let panel = Panel::new();
    panel.plan(&alone());
    let answers = full_answers(&panel.session());
    session::enter_lines(&panel.book, "spring", "ann", &answers, None, HandIn::Complete, now())
        .unwrap();
    panel
}

fn key(panel: &Panel, text: &str) -> super::common::Output {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("key.csv");
    std::fs::write(&file, text).unwrap();
    let path = file.to_str().unwrap();
    let mut output =
        panel.run(&["session", "key", "spring", "--from", path, "--reference", LOTS[3]]);
    output.err = output.err.replace(path, "key.csv");
    output
}

#[test]
fn codes_stand_on_tins_and_no_lot_is_written_before_closing() {
    let panel = Panel::new();
    let planned = panel.plan(&alone());
    assert_eq!(planned.plan.key_digest, None);
    assert!(!panel.root.join("sessions/2026-05-14-spring/key.toml").exists());
    for flight in &planned.plan.flights {
        let mut tins = flight.shelf.clone();
        tins.sort_unstable();
        assert_eq!(tins, [1, 2, 3, 4], "the same four tins in each replicate");
    }
    let shown = panel.run(&["session", "pour", "spring", "--pourer", "ann"]);
    assert_eq!(shown.code, 0, "{shown:?}");
    let first = &planned.plan.flights[0];
    let line = format!("  cup {} from the tin at place {}\n", first.cups[0], first.shelf[0]);
    assert!(shown.out.contains(&line), "{shown:?}");
    for text in [shown.out, panel.read("sessions/2026-05-14-spring/session.toml")] {
        assert!(lots_named(&text).is_empty(), "{text}");
    }
}

#[test]
fn the_key_comes_after_closing_and_is_said_not_to_be_committed() {
    let panel = tasted();
    let table = format!("shelf,lot\n1,{}\n2,{}\n3,{}\n4,{}\n", LOTS[2], LOTS[3], LOTS[0], LOTS[1]);
    let early = key(&panel, &table);
    assert_eq!(early.code, 2);
    assert!(early.err.contains("its key is not taken before it is closed"), "{early:?}");
    session::close(&panel.book, "spring", false, now()).unwrap();
    let output = panel.run(&["session", "reveal", "spring"]);
    assert_eq!(output.code, 2);
    assert!(output.err.contains("gives the key after closing"), "{output:?}");
    let output = key(&panel, &table);
    assert_eq!(output.code, 0, "{output:?}");
    assert!(key(&panel, &table).err.contains("it has its key already"));
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    assert!(!revealed.committed_beforehand);
    let plan = panel.session().plan().clone();
    for flight in &plan.flights {
        for (code, tin) in flight.cups.iter().zip(&flight.shelf) {
            let cup = revealed.cups.iter().find(|c| c.code == *code).unwrap();
            let lot = [LOTS[2], LOTS[3], LOTS[0], LOTS[1]][*tin as usize - 1];
            assert_eq!(cup.lot, lot);
            assert_eq!(cup.replicate, flight.number);
            let role = if lot == LOTS[3] { Role::Reference } else { Role::Lot };
            assert_eq!(cup.role, role);
        }
    }
    // 2 cups of 3 g each.
    let drawn = panel.book.lot(LOTS[0]).unwrap().reserve("main").unwrap().drawn_g;
    assert!((drawn - 6.0).abs() < 1e-9);
    assert_eq!(panel.run(&["check"]).code, 0);
    assert!(panel.run(&["session", "show", "spring"]).out.contains("was not committed beforehand"));
}

#[test]
fn a_code_with_two_meanings_and_a_tin_without_any_are_told() {
    let panel = tasted();
    session::close(&panel.book, "spring", false, now()).unwrap();
    let output = key(
        &panel,
        &format!("shelf,lot\n1,{}\n1,{}\n9,{}\n2,Lot-Delta\n", LOTS[0], LOTS[1], LOTS[2]),
    );
    assert_eq!(output.code, 1);
    let places: Vec<&str> = output.err.lines().filter(|l| l.starts_with("key.csv:")).collect();
    assert_eq!(
        places,
        [
            "key.csv:3:1: the shelf place 1 has two meanings: line 2 names it too",
            "key.csv:4:1: there is no shelf place \"9\" in this session",
            "key.csv:5:3: there is no lot \"Lot-Delta\"",
        ]
    );
    let output = key(&panel, &format!("shelf,lot\n1,{}\n2,{}\n", LOTS[0], LOTS[1]));
    assert!(output.err.contains("key.csv:1:1: nothing is said of shelf place 3, 4"), "{output:?}");
    let output = key(&panel, "tin;lot\n");
    assert!(output.err.contains("key.csv:1:1: the header line is \"tin;lot\""), "{output:?}");
    assert!(!panel.root.join("sessions/2026-05-14-spring/key.toml").exists());
}

#[test]
fn a_key_by_codes_is_taken_too() {
    let panel = tasted();
    session::close(&panel.book, "spring", false, now()).unwrap();
    let mut table = "code,lot\n".to_owned();
    for flight in &panel.session().plan().flights {
        for (code, lot) in flight.cups.iter().zip([LOTS[3], LOTS[0], LOTS[0], LOTS[1]]) {
            table.push_str(&format!("{code},{lot}\n"));
        }
    }
    let output = key(&panel, &table);
    assert_eq!(output.code, 0, "{output:?}");
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    let roles: Vec<Role> = revealed.cups.iter().take(4).map(|c| c.role).collect();
    assert_eq!(roles, [Role::Reference, Role::Lot, Role::Duplicate, Role::Lot]);
}

#[test]
fn a_sealed_key_is_not_replaced_by_one_from_a_file() {
    let panel = Panel::new();
    panel.plan(&request());
    panel.taste();
    session::close(&panel.book, "spring", false, now()).unwrap();
    let output = key(&panel, "shelf,lot\n");
    assert_eq!(output.code, 2);
    assert!(output.err.contains("was sealed when it was planned"), "{output:?}");
}

#[test]
fn alone_is_for_one_without_duplicates() {
    let panel = Panel::new();
    let text = panel.refusal(&PlanRequest { tasters: vec!["ann".into(), "bo".into()], ..alone() });
    assert!(text.starts_with("--alone is for one person"), "{text}");
    let text = panel.refusal(&PlanRequest { duplicates: Duplicates::Dealt(1), ..alone() });
    assert!(text.starts_with("alone there are no blind duplicates"), "{text}");
}

#[test]
fn who_pours_alone_need_not_say_so_but_a_sealed_plan_is_for_a_named_person() {
    let panel = Panel::new();
    panel.plan(&alone());
    let named = panel.run(&["session", "pour", "spring", "--pourer", "ann"]);
    let unnamed = panel.run(&["session", "pour", "spring"]);
    assert_eq!((unnamed.code, &unnamed.out), (0, &named.out));
    assert!(unnamed.out.contains("from the tin at place"), "{}", unnamed.out);
    let plan = panel.run(&["session", "pour", "spring", "--out", "plan.pdf"]);
    assert_eq!(plan.code, 2);
    assert!(plan.err.contains("one person pours and tastes"), "{}", plan.err);

    let sealed = Panel::new();
    sealed.plan(&request());
    for args in
        [&["session", "pour", "spring"][..], &["session", "pour", "spring", "--out", "p.pdf"]]
    {
        let refused = sealed.run(args);
        assert_eq!(refused.code, 2);
        assert!(refused.err.contains("name who pours with --pourer"), "{}", refused.err);
        assert_eq!(refused.out, "");
    }
}

#[test]
fn a_lot_that_came_into_quarantine_is_told_to_who_pours_alone_and_was_tasted_all_the_same() {
    let panel = tasted();
    let put = ["lot", "quarantine", LOTS[0], "--reason", "musty", "--on", "2026-05-14"];
    assert_eq!(panel.run(&put).code, 0);
    let shown = panel.run(&["session", "pour", "spring"]);
    assert!(shown.out.contains("since this session was planned Lot-Alpha came into"), "{shown:?}");
    // What was tasted before is in the record, whatever became of the lot.
    session::close(&panel.book, "spring", false, now()).unwrap();
    let table = format!("shelf,lot\n1,{}\n2,{}\n3,{}\n4,{}\n", LOTS[0], LOTS[1], LOTS[2], LOTS[3]);
    let output = key(&panel, &table);
    assert_eq!(output.code, 0, "{output:?}");
}
