//! Samples that are not fit to be served: planned, poured, found musty.

use blindsteep::book::vocabulary::Scale;
use blindsteep::session::{self, HandIn, PlanRequest, enter_lines};

use super::common::{LOTS, Panel, answer, now, request};

fn quarantine(panel: &Panel, sample: &str) {
    let output =
        panel.run(&["lot", "quarantine", sample, "--reason", "smells musty", "--on", "2026-05-13"]);
    assert_eq!(output.code, 0, "{output:?}");
}

#[test]
fn a_lot_in_quarantine_is_refused_in_whatever_role() {
    let request = request();
    for (lot, request) in [
        (LOTS[1], request.clone()),
        // The frozen sample stands in flights and as the warm-up cup.
        (LOTS[3], PlanRequest { warm_up: None, ..request.clone() }),
        (LOTS[3], PlanRequest { reference: None, ..request.clone() }),
    ] {
        let panel = Panel::new();
        quarantine(&panel, lot);
        let text = panel.refusal(&request);
        let start = format!("{lot} is not served: in quarantine since 2026-05-13 (smells musty)");
        assert!(text.starts_with(&start), "{text}");
        assert!(text.contains("blindsteep lot clear"), "{text}");
        assert!(!panel.root.join("sessions/2026-05-14-spring").exists());
        let cleared = panel.run(&[
            "lot",
            "clear",
            lot,
            "--reason",
            "clean",
            "--by",
            "dot",
            "--on",
            "2026-05-13",
        ]);
        assert_eq!(cleared.code, 0, "{cleared:?}");
        panel.plan(&request);
    }
}

#[test]
fn an_arm_and_a_child_of_a_lot_in_quarantine_are_refused() {
    let panel = Panel::new();
    let split = ["lot", "split", LOTS[0], "--arm", "dry", "--arm", "humid", "--on", "2026-05-10"];
    assert_eq!(panel.run(&split).code, 0);
    quarantine(&panel, "Lot-Alpha@humid");
    let with = |lot: &str| PlanRequest {
        lots: vec![lot.to_owned(), LOTS[1].to_owned(), LOTS[2].to_owned()],
        ..request()
    };
    let text = panel.refusal(&with("Lot-Alpha@humid"));
    assert!(text.starts_with("Lot-Alpha@humid is not served"), "{text}");
    let refire = [
        "lot",
        "refire",
        "Again",
        "--from",
        "Lot-Alpha@humid=1",
        "--made",
        "2026-05-14",
        "--set",
        "dry.moisture=3",
    ];
    let output = panel.run(&refire);
    assert_eq!(output.code, 0, "{output:?}");
    let text = panel.refusal(&with("Again"));
    assert!(
        text.starts_with("Again is not served: came of Lot-Alpha@humid, which was in quarantine"),
        "{text}"
    );
    panel.plan(&with("Lot-Alpha@dry"));
}

#[test]
fn leaf_that_is_too_damp_is_not_planned_and_damp_leaf_is_told() {
    let panel = Panel::new();
    let log = |value: &str, day: &str| {
        let at = format!("{day}T12:00:00+08:00");
        let output = panel.run(&["lot", "log", LOTS[0], "store.moisture", value, "--at", &at]);
        assert_eq!(output.code, 0, "{output:?}");
    };
    log("8.1", "2026-05-12");
    let text = panel.refusal(&request());
    assert!(text.starts_with("Lot-Alpha is not served: moisture of 8.1 %"), "{text}");
    log("6.6", "2026-05-13");
    let planned = panel.plan(&request());
    assert_eq!(planned.warnings.len(), 1);
    assert!(planned.warnings[0].starts_with("Lot-Alpha: moisture of 6.6 %"), "{planned:?}");
}

#[test]
fn what_went_into_quarantine_after_the_plan_stands_on_the_pouring_plan_alone() {
    let panel = Panel::new();
    panel.plan(&request());
    let (_, pours) = session::pour::pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
    assert!(session::unfit::not_to_pour(&panel.book, &pours, now()).unwrap().is_empty());
    quarantine(&panel, LOTS[0]);
    let unfit = session::unfit::not_to_pour(&panel.book, &pours, now()).unwrap();
    let of_lot = pours.iter().filter(|p| p.sample.lot == LOTS[0]).count();
    assert_eq!(unfit.len(), of_lot);
    assert!(unfit.iter().all(|n| n.reasons[0].contains("smells musty")));
    let paper = panel.root.parent().unwrap().join("pour.pdf");
    let paper = paper.to_str().unwrap();
    let output = panel.run(&[
        "session",
        "pour",
        "spring",
        "--pourer",
        "dot",
        "--out",
        paper,
        "--language",
        "both",
    ]);
    assert_eq!(output.code, 0, "{output:?}");
    assert!(
        output.out.contains("CAUTION: something in this session was put into quarantine"),
        "{output:?}"
    );
    // Nothing on the screen says which lot, nor how many cups.
    for lot in LOTS {
        assert!(!output.out.contains(lot) && !output.err.contains(lot), "{output:?}");
    }
    // Planned sessions are not told of by the command that puts the lot there, either.
    assert!(!output.out.contains("musty"));
}

#[test]
fn a_lot_that_two_tasters_found_musty_belongs_into_quarantine() {
    for (tasters, told) in [(&["ann"][..], false), (&["ann", "bo"], true)] {
        let panel = Panel::new();
        panel.plan(&request());
        let (_, pours) = session::pour::pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
        let cup = pours.iter().find(|p| p.sample.lot == LOTS[1]).unwrap().code;
        for (i, taster) in tasters.iter().enumerate() {
            // Clear, and rejected.
            let value = ["2", "3"][i];
            enter_lines(
                &panel.book,
                "spring",
                taster,
                &[answer(cup, "musty", value)],
                None,
                HandIn::No,
                now(),
            )
            .unwrap();
        }
        panel.taste();
        session::close(&panel.book, "spring", false, now()).unwrap();
        let output = panel.run(&["session", "reveal", "spring"]);
        assert_eq!(output.code, 0, "{output:?}");
        let said = "Lot-Beta: 2 of 3 tasters of 2026-05-14-spring found it clearly musty";
        assert_eq!(output.out.contains(said), told, "{output:?}");
        let checked = panel.run(&["check"]);
        assert_eq!(checked.out.contains(said), told, "{checked:?}");
        if told {
            assert!(
                output.out.contains("`blindsteep lot quarantine Lot-Beta --reason"),
                "{output:?}"
            );
            assert_eq!(panel.run(&["lot", "quarantine", LOTS[1], "--reason", "musty"]).code, 0);
            assert!(!panel.run(&["check"]).out.contains("found it clearly musty"));
        }
    }
    // The scale is one of faults.
    let panel = Panel::new();
    let term = panel.book.vocabulary().unwrap().value.term("musty").cloned().unwrap();
    assert!(matches!(term.scale, Scale::Fault));
}
