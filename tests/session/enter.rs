//! Entering answers: from tables, one by one, at the prompt.

use std::io::{BufRead as _, BufReader, Write as _};

use blindsteep::book::session_files::AnswerState;
use blindsteep::session::ballots::{Ballot, Question};
use blindsteep::session::{Amend, HandIn, enter_lines};

use super::common::{Panel, answer, full_answers, now, request};

fn ballot(panel: &Panel, taster: &str) -> Ballot {
    Ballot::open(&panel.session(), taster).unwrap()
}

fn value(panel: &Panel, taster: &str, cup: u16, term: &str) -> Option<String> {
    let question = Question { cup, steep: Some(1), term: term.to_owned() };
    ballot(panel, taster).answer(&question).and_then(|l| l.value.clone())
}

/// The codes of flight 1 in ann's order.
fn order(panel: &Panel) -> Vec<u16> {
    panel.session().plan().flights[0].order_of("ann").to_vec()
}

fn planned() -> Panel {
    let panel = Panel::new();
    panel.plan(&request());
    panel
}

fn enter(panel: &Panel, text: &str, more: &[&str]) -> super::common::Output {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("ann.csv");
    std::fs::write(&file, text).unwrap();
    let mut args = vec!["session", "enter", "spring", "--taster", "ann", "--from"];
    let path = file.to_str().unwrap().to_owned();
    args.push(&path);
    args.extend(more);
    let mut output = panel.run(&args);
    output.err = output.err.replace(&path, "ann.csv");
    output
}

#[test]
fn a_long_table_is_entered() {
    let panel = planned();
    let c = order(&panel)[0];
    let text = format!(
        "cup,term,value,note\n{c},bright,6.5,\n{c},Balance,-2,\"well, hm\"\n{c},tips,FEW,\n{c},hue,金黄,\n{c},honey,x,\n{c},musty,trace,\n{c},remarks,=like rain,\n{c},guess,lot-alpha,\n{c},guess-sure,sure,\n"
    );
    let output = enter(&panel, &text, &[]);
    assert_eq!(output.code, 0, "{output:?}");
    assert_eq!(output.out, "ann: 9 new answers.\n");
    let said = |term| value(&panel, "ann", c, term).unwrap();
    assert_eq!(said("bright"), "6.5");
    assert_eq!(said("balance"), "-2");
    assert_eq!(said("tips"), "few");
    assert_eq!(said("hue"), "gold", "a label in any language is as good as the id");
    assert_eq!(said("honey"), "1");
    assert_eq!(said("musty"), "1");
    assert_eq!(said("remarks"), "=like rain");
    let kept = panel.read("sessions/2026-05-14-spring/ballots/ann.csv");
    assert!(kept.contains(",'=like rain,"), "a spreadsheet must not run it: {kept}");
    // The same table again changes nothing.
    let output = enter(&panel, &text, &[]);
    assert_eq!(output.out, "ann: 0 new answers, 9 that stood there already.\n");
    assert_eq!(panel.read("sessions/2026-05-14-spring/ballots/ann.csv"), kept);
}

#[test]
fn a_wide_table_that_is_complete_is_handed_in() {
    let panel = planned();
    let cups = order(&panel);
    let mut text = "cup,bright,balance,tips,hue,honey,note\n".to_owned();
    for (i, cup) in cups.iter().enumerate() {
        let (bright, tick) = (if i == 1 { "-" } else { "4" }, if i == 2 { "1" } else { "" });
        text.push_str(&format!("{cup},{bright},1,none,red,{tick},\n"));
    }
    let output = enter(&panel, &text, &[]);
    assert_eq!(output.code, 0, "{output:?}");
    // 5 cups: 4 terms each and one tick; 4 ticks and 5 faults are left untouched.
    assert_eq!(
        output.out,
        "ann: 21 new answers.\nFlight 1 is handed in.\n9 untouched ticks and faults are 0.\n"
    );
    assert_eq!(value(&panel, "ann", cups[2], "honey").as_deref(), Some("1"));
    assert_eq!(value(&panel, "ann", cups[0], "honey").as_deref(), Some("0"));
    assert_eq!(value(&panel, "ann", cups[0], "musty").as_deref(), Some("0"));
    let declined = Question { cup: cups[1], steep: Some(1), term: "bright".to_owned() };
    let ballot = ballot(&panel, "ann");
    assert_eq!(ballot.answer(&declined).unwrap().state, AnswerState::Declined);
    assert!(ballot.is_handed_in(1) && !ballot.is_handed_in(2));
}

#[test]
fn handing_in_leaves_an_untouched_scale_and_an_untouched_cup_missing() {
    let panel = planned();
    let cups = order(&panel);
    let output = enter(&panel, &format!("cup,bright\n{},4\n", cups[0]), &["--hand-in"]);
    assert_eq!(
        output.out,
        "ann: 1 new answers.\nFlight 1 is handed in with 1 of 20 needed answers.\n2 untouched ticks and faults are 0.\n"
    );
    assert_eq!(value(&panel, "ann", cups[0], "balance"), None);
    assert_eq!(value(&panel, "ann", cups[1], "honey"), None, "this cup was never tasted");
}

#[test]
fn an_incomplete_table_stays_open() {
    let panel = planned();
    let output = enter(&panel, &format!("cup,bright\n{},4\n", order(&panel)[0]), &[]);
    assert_eq!(output.out, "ann: 1 new answers.\n");
    assert!(!ballot(&panel, "ann").is_handed_in(1));
}

#[test]
fn every_mistake_is_told_at_its_place_and_nothing_is_written() {
    let panel = planned();
    let cups = order(&panel);
    let (a, b) = (cups[0], cups[1]);
    let warm_up = panel.session().plan().flights[0].warm_up.unwrap();
    let text = format!(
        "cup,term,value\n{a},bright,11\n{a},brigth,3\n{a},bright,\n{b},bright,5.3\n{b},tips,fwe\n{b},bright,5.5\n{warm_up},bright,5\nx,bright,5\n{b},musty\n{a},honey,maybe\n"
    );
    let output = enter(&panel, &text, &[]);
    assert_eq!(output.code, 1, "{output:?}");
    assert_eq!(output.out, "");
    // The form of the table comes first; what the answers mean once it holds.
    let places: Vec<&str> = output.err.lines().filter(|l| l.starts_with("ann.csv:")).collect();
    assert_eq!(
        places,
        ["ann.csv:9:1: \"x\" is not the code of a cup", "ann.csv:10:5: the line has 2 cells",]
    );
    let text = text.replace("x,bright,5\n", "").replace(&format!("{b},musty\n"), "");
    let output = enter(&panel, &text, &[]);
    assert_eq!(output.code, 1, "{output:?}");
    let places: Vec<String> = output
        .err
        .lines()
        .filter(|l| l.starts_with("ann.csv:"))
        .map(|l| l.replace(&warm_up.to_string(), "WARM").replace(&b.to_string(), "B"))
        .collect();
    assert_eq!(
        places,
        [
            "ann.csv:2:12: bright is \"11\"".to_owned(),
            "ann.csv:3:5: this session does not ask \"brigth\"".to_owned(),
            "ann.csv:5:12: bright is \"5.3\"".to_owned(),
            "ann.csv:6:10: tips is \"fwe\"".to_owned(),
            "ann.csv:8:1: WARM is the warm-up cup of flight 1: it is not scored".to_owned(),
            "ann.csv:9:11: honey is \"maybe\"".to_owned(),
        ]
    );
    for mend in ["did you mean \"bright\"?", "the nearest is 5.5", "did you mean \"few\"?"] {
        assert!(output.err.contains(mend), "{mend}: {}", output.err);
    }
    assert!(output.err.contains("6 mistakes to mend"), "{}", output.err);
    assert!(!panel.root.join("sessions/2026-05-14-spring/ballots/ann.csv").exists());
}

#[test]
fn a_code_that_was_not_served_and_a_second_value_are_told() {
    let panel = planned();
    let cups = order(&panel);
    let all: Vec<u16> =
        panel.session().plan().flights.iter().flat_map(|f| f.codes().collect::<Vec<_>>()).collect();
    let free = (100..=999).find(|c| !all.contains(c)).unwrap();
    let a = cups[0];
    let output = enter(&panel, &format!("cup,bright\n{free},4\n{a},4\n{a},5\n"), &[]);
    assert_eq!(output.code, 1);
    assert!(output.err.contains(&format!("ann.csv:2:1: no cup {free} was served")), "{output:?}");
    assert!(
        output.err.contains(&format!("ann.csv:4:5: a second answer for bright of cup {a}")),
        "{output:?}"
    );
}

#[test]
fn columns_that_are_none_are_told() {
    let panel = planned();
    for (text, told) in [
        ("", "ann.csv: the file is empty"),
        ("code,bright\n1,2\n", "ann.csv:1:1: there is no column \"cup\""),
        ("cup,brigth\n1,2\n", "ann.csv:1:5: \"brigth\" is not a column of this table"),
        ("cup,bright,bright\n1,2,3\n", "ann.csv:1:12: the column \"bright\" stands here a second"),
        ("cup,bright,Bright\n1,2,3\n", "ann.csv:1:12: the column \"Bright\" stands here a second"),
        ("cup,note\n1,2\n", "ann.csv:1:1: there is no column with answers"),
        ("cup;bright\n1;2\n", "ann.csv:1:1: the cells are not separated by commas"),
    ] {
        let output = enter(&panel, text, &[]);
        assert_eq!(output.code, 1, "{text}: {output:?}");
        assert!(output.err.contains(told), "{text}: {output:?}");
    }
}

#[test]
fn a_line_of_somebody_else_is_not_taken() {
    let panel = planned();
    let cup = order(&panel)[0];
    let output = enter(&panel, &format!("taster,cup,bright\nbo,{cup},4\n"), &[]);
    assert_eq!(output.code, 1);
    assert!(output.err.contains("ann.csv:2:1: this line is bo's, not ann's"), "{output:?}");
}

#[test]
fn an_answer_is_replaced_only_with_a_reason_and_the_old_line_stays() {
    let panel = planned();
    let cup = order(&panel)[0].to_string();
    let one = |value: &str, more: &[&str]| {
        let mut args = vec![
            "session", "enter", "spring", "--taster", "ann", "--cup", &cup, "--term", "bright",
            "--value", value,
        ];
        args.extend(more);
        panel.run(&args)
    };
    assert_eq!(one("4", &[]).out, "ann: 1 new answers.\n");
    let output = one("5", &[]);
    assert_eq!(output.code, 2, "{output:?}");
    assert_eq!(
        output.err,
        format!(
            "bright of cup {cup} has the answer 4 already (sessions/2026-05-14-spring/ballots/ann.csv, line 2)\n  expected: a question without an answer, or the same answer\n  to mend:  to replace it use --amend --reason WHY\n"
        )
    );
    assert_eq!(one("5", &["--amend"]).code, 2, "a reason is needed");
    let output = one("5", &["--amend", "--reason", " "]);
    assert_eq!(output.code, 2);
    assert!(output.err.starts_with("a correction needs a reason"), "{output:?}");
    let output = one("5", &["--amend", "--reason", "misread a 4"]);
    assert_eq!(output.code, 0, "{output:?}");
    let code: u16 = cup.parse().unwrap();
    assert_eq!(value(&panel, "ann", code, "bright").as_deref(), Some("5"));
    let text = panel.read("sessions/2026-05-14-spring/ballots/ann.csv");
    let lines: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
    assert_eq!(lines.len(), 3, "{text}");
    assert_eq!((lines[1][7], lines[2][7]), ("4", "5"));
    assert_eq!(lines[2][9], lines[1][0], "it replaces the entry of the first");
    assert_eq!(lines[2][10], "misread a 4");
}

#[test]
fn after_handing_in_only_amendments_are_taken_and_they_are_listed() {
    let panel = planned();
    panel.taste();
    let cup = order(&panel)[0];
    let late = enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[answer(cup, "remarks", "late")],
        None,
        HandIn::No,
        now(),
    )
    .unwrap_err();
    assert!(late.to_string().contains("the ballot of flight 1 was handed in"), "{late}");
    let amend = Amend { reason: "was on the back".to_owned(), by: Some("bo".to_owned()) };
    enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[answer(cup, "remarks", "late")],
        Some(&amend),
        HandIn::No,
        now(),
    )
    .unwrap();
    let changes = panel.session().changes().unwrap();
    assert_eq!(changes.len(), 1);
    assert_eq!(changes[0].reason, "was on the back");
    assert_eq!(changes[0].by.as_deref(), Some("bo"));
    assert_eq!(changes[0].cup, Some(cup));
    assert!(!changes[0].after_reveal);
}

#[test]
fn the_prompt_goes_cup_by_cup_in_the_tasters_order_and_resumes_at_the_first_open_question() {
    let panel = planned();
    let cups = order(&panel);
    let args = ["session", "enter", "spring", "--taster", "ann"];
    // A value off the scale is asked again; empty skips.
    let output = panel.run_with(&args, "6\n-3\nfew\n\n1\nq\n");
    assert_eq!(output.code, 0, "{output:?}");
    assert!(output.out.contains(&format!("Cup {} (1 of 5)", cups[0])), "{output:?}");
    assert!(output.out.contains("Bright (0 dull … 10 bright, step 0.5): "), "{output:?}");
    assert!(
        output.out.contains("Stopped: 4 of 45 questions are answered and saved."),
        "{output:?}"
    );
    assert_eq!(value(&panel, "ann", cups[0], "balance").as_deref(), Some("-3"));
    assert_eq!(value(&panel, "ann", cups[0], "hue"), None, "skipped");
    // It goes on at the skipped question, and back over answered ones with b.
    let output = panel.run_with(&args, "b\nmany\nred\n12\nq\n");
    assert_eq!(output.code, 0, "{output:?}");
    assert!(output.out.contains("tips (none / few / many) [few]: "), "{output:?}");
    assert_eq!(value(&panel, "ann", cups[0], "tips").as_deref(), Some("many"));
    assert_eq!(value(&panel, "ann", cups[0], "hue").as_deref(), Some("red"));
    let kept = panel.read("sessions/2026-05-14-spring/ballots/ann.csv");
    assert!(kept.contains("changed while tasting"), "{kept}");
    assert!(output.out.contains("musty is \"12\"; expected: 0 absent, 1 trace"), "{output:?}");
    // A musty cup stops the tasting, whoever finds it.
    let output = panel.run_with(&args, "3\nq\n");
    assert!(output.out.contains(&format!("STOP: cup {} was found musty", cups[0])), "{output:?}");
}

#[test]
fn the_prompt_ends_with_handing_in() {
    let panel = planned();
    let args = ["session", "enter", "spring", "--taster", "ann", "--flight", "1"];
    // 5 cups: bright, balance, tips, hue, honey, musty, remarks, guess, sure.
    let cup = "5\n0\nnone\ngold\n\n\n\nLot-Beta\nunsure\n";
    let output = panel.run_with(&args, &format!("{}y\n", cup.repeat(5)));
    assert_eq!(output.code, 0, "{output:?}");
    assert!(output.out.contains("30 of 45 questions are answered. Hand in?"), "{output:?}");
    assert!(output.out.ends_with("Flight 1 is handed in. Thank you.\n"), "{output:?}");
    let output = panel.run_with(&args, "q\n");
    assert_eq!(output.code, 0, "{output:?}");
    // Without --flight it goes on with the next one.
    let output = panel.run_with(&["session", "enter", "spring", "--taster", "ann"], "q\n");
    assert!(output.out.contains("ann, flight 2"), "{output:?}");
}

#[test]
fn an_input_that_ends_is_a_stop() {
    let panel = planned();
    let output = panel.run_with(&["session", "enter", "spring", "--taster", "ann"], "5\n");
    assert_eq!(output.code, 0, "{output:?}");
    assert_eq!(value(&panel, "ann", order(&panel)[0], "bright").as_deref(), Some("5"));
}

#[cfg(unix)]
#[test]
fn an_interruption_loses_nothing_and_ends_with_130() {
    let panel = planned();
    let mut child =
        panel.command(&["session", "enter", "spring", "--taster", "ann"]).spawn().unwrap();
    let mut input = child.stdin.take().unwrap();
    let mut output = BufReader::new(child.stdout.take().unwrap());
    input.write_all(b"7.5\n").unwrap();
    // Wait until the next question is on the screen: then the answer has been saved.
    let mut seen = Vec::new();
    while !String::from_utf8_lossy(&seen).contains("balance") {
        assert!(output.read_until(b':', &mut seen).unwrap() > 0, "it asks on");
    }
    let kill = std::process::Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(kill.success());
    assert_eq!(child.wait().unwrap().code(), Some(130));
    drop(input);
    assert_eq!(value(&panel, "ann", order(&panel)[0], "bright").as_deref(), Some("7.5"));
}

#[test]
fn steeps_are_scored_one_by_one() {
    let panel = Panel::new();
    let mut steeped = request();
    steeped.recipe = Some("three".to_owned());
    steeped.warm_up = None;
    panel.plan(&steeped);
    let cup = order(&panel)[0];
    let text = format!("cup,steep,bright\n{cup},1,4\n{cup},3,6\n{cup},4,6\n");
    let output = enter(&panel, &text, &[]);
    assert!(output.err.contains("ann.csv:4:5: there is no steep 4"), "{output:?}");
    let output = enter(&panel, &text.replace(&format!("{cup},4,6\n"), ""), &["--hand-in"]);
    assert_eq!(output.code, 0, "{output:?}");
    let at = |steep, term: &str| {
        let question = Question { cup, steep: Some(steep), term: term.to_owned() };
        ballot(&panel, "ann").answer(&question).and_then(|l| l.value.clone())
    };
    assert_eq!(at(1, "bright").as_deref(), Some("4"));
    assert_eq!(at(3, "honey").as_deref(), Some("0"), "untouched on a steep that was tasted");
    assert_eq!(at(2, "honey"), None, "the second steep was not tasted");
}

#[test]
fn two_tasters_may_write_at_once() {
    let panel = planned();
    let session = panel.session();
    std::thread::scope(|scope| {
        for taster in ["ann", "bo", "cy"] {
            let answers = full_answers(&session);
            let book = &panel.book;
            scope.spawn(move || {
                for answer in answers {
                    enter_lines(book, "spring", taster, &[answer], None, HandIn::No, now())
                        .unwrap();
                }
            });
        }
    });
    for taster in ["ann", "bo", "cy"] {
        assert_eq!(ballot(&panel, taster).answers().count(), full_answers(&session).len());
    }
}
