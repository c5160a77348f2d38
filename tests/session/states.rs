//! What a session allows in which state, and what it says when it refuses.

use blindsteep::session::{self, HandIn, State, enter_lines};

use super::common::{Panel, answer, lots_named, now, request};

fn text<T>(result: Result<T, blindsteep::book::BookError>) -> String {
    result.err().map(|e| e.to_string()).expect("it is refused")
}

#[test]
fn a_session_goes_from_planned_to_revealed() {
    let panel = Panel::new();
    panel.plan(&request());
    let state = || panel.session().state;
    assert_eq!(state(), State::Planned);
    let cup = panel.session().plan().flights[0].cups[0];
    enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[answer(cup, "bright", "4")],
        None,
        HandIn::No,
        now(),
    )
    .unwrap();
    assert_eq!(state(), State::Open);
    session::close(&panel.book, "spring", true, now()).unwrap();
    assert_eq!(state(), State::Closed);
    session::reveal(&panel.book, "spring", now()).unwrap();
    assert_eq!(state(), State::Revealed);
    session::void(&panel.book, "spring", "wrong water", None, now()).unwrap();
    assert_eq!(state(), State::Void);
}

#[test]
fn what_is_not_allowed_is_refused_in_words() {
    let panel = Panel::new();
    panel.plan(&request());
    let cup = panel.session().plan().flights[0].cups[0];
    let enter = || {
        enter_lines(
            &panel.book,
            "spring",
            "ann",
            &[answer(cup, "bright", "4")],
            None,
            HandIn::No,
            now(),
        )
        .err()
        .map(|e| e.to_string())
        .unwrap_or_default()
    };
    // Planned.
    assert_eq!(
        text(session::close(&panel.book, "spring", true, now())),
        "session 2026-05-14-spring is planned: nobody has answered anything yet\n  to mend:  enter the answers first, or give the session up with `session void`"
    );
    let sealed = "its lots are not told before it is closed\n  to mend:  close it with `session close` when all ballots are in";
    assert_eq!(
        text(session::reveal(&panel.book, "spring", now())),
        format!("session 2026-05-14-spring is planned: {sealed}")
    );
    // Open, with ballots missing.
    assert_eq!(enter(), "");
    assert_eq!(
        text(session::reveal(&panel.book, "spring", now())),
        format!("session 2026-05-14-spring is open: {sealed}")
    );
    assert_eq!(
        text(session::close(&panel.book, "spring", false, now())),
        "some ballots were not handed in:\n  ann, flight 1\n  ann, flight 2\n  bo, flight 1\n  bo, flight 2\n  cy, flight 1\n  cy, flight 2\n  to mend:  enter them (`session enter … --hand-in`), or close without them with --anyway"
    );
    let closed = session::close(&panel.book, "spring", true, now()).unwrap();
    assert_eq!(closed.missing.len(), 6);
    // Closed.
    assert_eq!(
        enter(),
        "session 2026-05-14-spring is closed: no more scores are taken\n  to mend:  correct a mistake in writing with --amend --reason WHY; it stays visible as made afterwards"
    );
    assert_eq!(
        text(session::close(&panel.book, "spring", true, now())),
        "session 2026-05-14-spring is closed: it was closed before\n  to mend:  go on with `session reveal`"
    );
    assert_eq!(
        text(session::revealed(&panel.book, "spring").map(|_| ())),
        "session 2026-05-14-spring is closed: it is not revealed, so its scores have no lots yet\n  to mend:  close it with `session close`, then `session reveal`"
    );
    assert_eq!(
        text(session::pour::pouring_plan(&panel.book, "spring", "dot", now()).map(|_| ())),
        "session 2026-05-14-spring is closed: nothing more is poured\n  to mend:  plan another session"
    );
    // Void.
    assert!(
        text(session::void(&panel.book, "spring", " ", None, now()))
            .starts_with("a session is not given up without a reason")
    );
    session::void(&panel.book, "spring", "wrong water", None, now()).unwrap();
    assert_eq!(
        enter(),
        "session 2026-05-14-spring is void: it takes no scores\n  to mend:  plan another session"
    );
    let asked = panel.run(&["agree", "spring"]);
    assert_eq!(
        (asked.code, asked.err.as_str()),
        (
            2,
            "session 2026-05-14-spring is void: it counts for nothing\n  to mend:  name another session\n"
        )
    );
    for refused in [
        text(session::close(&panel.book, "spring", true, now())),
        text(session::reveal(&panel.book, "spring", now()).map(|_| ())),
        text(session::revealed(&panel.book, "spring").map(|_| ())),
        text(session::void(&panel.book, "spring", "again", None, now())),
    ] {
        assert!(refused.starts_with("session 2026-05-14-spring is void: "), "{refused}");
    }
}

#[test]
fn exit_codes_say_whose_fault_it_is() {
    let panel = Panel::new();
    panel.plan(&request());
    for (args, code) in [
        (&["session", "reveal", "spring"][..], 2),
        (&["session", "show", "autumn"], 2),
        (&["session", "close", "spring"], 2),
        (&["session", "enter", "spring", "--taster", "zoe"], 2),
        (&["session", "void", "spring"], 2),
        (&["session", "key", "spring", "--from", "/no/such/file"], 4),
        (&["session", "list"], 0),
        (&["session", "show", "2026-05"], 0),
    ] {
        let output = panel.run(args);
        assert_eq!(output.code, code, "{args:?}: {output:?}");
        assert!(lots_named(&output.err).is_empty());
        if code != 0 {
            assert_eq!(output.out, "", "results alone go to standard output: {args:?}");
            assert!(!output.err.is_empty());
        }
    }
    panel.taste();
    panel.write(
        "sessions/2026-05-14-spring/ballots/ann.csv",
        "entry,n,at,flight,cup,steep,term,value,state,replaces,reason,note\nx1,one,now,1,2,1,bright,4,scored,,,\n",
    );
    let output = panel.run(&["session", "close", "spring"]);
    assert_eq!(output.code, 1, "{output:?}");
}

#[test]
fn an_unknown_taster_is_told_who_tastes() {
    let panel = Panel::new();
    panel.plan(&request());
    let output = panel.run(&["session", "enter", "spring", "--taster", "anne"]);
    assert_eq!(
        output.err,
        "anne is not a taster of session 2026-05-14-spring\n  expected: one of ann, bo, cy\n  to mend:  did you mean \"ann\"? Otherwise name one of them\n"
    );
}

#[test]
fn a_void_session_gives_its_leaf_back_only_if_nothing_was_brewed() {
    let drawn = |panel: &Panel| panel.read("lots/Lot-Alpha/log.csv").contains("reserve.drawn");
    // Nobody tasted: the leaf is still there.
    let panel = Panel::new();
    panel.plan(&request());
    assert!(!session::void(&panel.book, "spring", "rain", None, now()).unwrap().brewed);
    assert!(!drawn(&panel));
    // Somebody tasted: it is gone.
    let panel = Panel::new();
    panel.plan(&request());
    panel.taste();
    assert!(session::void(&panel.book, "spring", "wrong water", None, now()).unwrap().brewed);
    assert!(drawn(&panel));
    // Brewed, and nobody wrote anything down.
    let panel = Panel::new();
    panel.plan(&request());
    let output = panel.run(&["session", "void", "spring", "--reason", "fire alarm", "--brewed"]);
    assert_eq!(output.code, 0, "{output:?}");
    assert!(drawn(&panel));
    assert!(lots_named(&output.out).is_empty());
    // A voided session no longer holds leaf back.
    let mut again = request();
    again.name = "again".to_owned();
    let leaf = panel.plan(&again).leaf;
    let left = leaf.iter().find(|l| l.sample.lot == "Lot-Alpha").unwrap().left_g.unwrap();
    let spent: f64 = panel.book.lot("Lot-Alpha").unwrap().reserve("main").unwrap().drawn_g;
    assert!((left - (100.0 - spent)).abs() < 1e-9);
    assert!(spent >= 6.0);
}
