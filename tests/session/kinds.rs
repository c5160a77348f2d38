//! Rankings, triangles, duo-trios and paired comparisons, and flights of which each taster has a
//! part: from the plan to the answers joined with their lots.

use std::collections::BTreeMap;

use blindsteep::book::session_files::{Kind, TestPlan};
use blindsteep::scores::{Method, Trials, trials_from_revealed};
use blindsteep::session::{self, Amend, Answer, Duplicates, HandIn, PlanRequest, Terms, papers};
use blindsteep::sheets::Lang;
use blindsteep::sheets::ballots::ballot_pdf;

use super::common::{LOTS, Output, Panel, answer, files, lots_named, now, request, secret};

const KINDS: [Kind; 4] = [Kind::Ranking, Kind::Triangle, Kind::DuoTrio, Kind::Paired];

/// Two lots (three in a ranking), two flights, three tasters.
fn of(kind: Kind) -> PlanRequest {
    let n = if kind == Kind::Ranking { 3 } else { 2 };
    let terms = match kind {
        Kind::Ranking => Terms::Of(vec!["bright".to_owned(), "honey".to_owned()]),
        Kind::Paired => Terms::Of(vec!["bright".to_owned()]),
        _ => Terms::Default,
    };
    PlanRequest {
        kind,
        lots: LOTS[..n].iter().map(|l| (*l).to_owned()).collect(),
        duplicates: Duplicates::Dealt(0),
        reference: None,
        guess: false,
        terms,
        test: Some(TestPlan { alpha: 0.05, distinguishers: None, power: None, ties: false }),
        expected: (kind == Kind::Paired).then(|| LOTS[1].to_owned()),
        ..request()
    }
}

/// The lot behind each code, as key.toml says it.
fn key(panel: &Panel) -> BTreeMap<u16, String> {
    let text = panel.read("sessions/2026-05-14-spring/key.toml");
    let table: toml::Table = text.parse().unwrap();
    table["cup"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| {
            let code = u16::try_from(c["code"].as_integer().unwrap()).unwrap();
            (code, c["lot"].as_str().unwrap().to_owned())
        })
        .collect()
}

/// What each kind asks a choice under.
fn term(kind: Kind) -> &'static str {
    match kind {
        Kind::Triangle => "odd",
        Kind::DuoTrio => "match",
        _ => "bright",
    }
}

/// The same answers whatever the deal: the last cup of every set, ranks in serving order.
fn answers(panel: &Panel, taster: &str) -> Vec<session::Answer> {
    let plan = panel.session().plan().clone();
    let mut all = Vec::new();
    for flight in &plan.flights {
        let order = flight.order_of(taster);
        if plan.kind == Kind::Ranking {
            for t in ["bright", "honey"] {
                all.extend(
                    order
                        .iter()
                        .zip(1..)
                        .map(|(c, rank): (&u16, u32)| answer(*c, t, &rank.to_string())),
                );
            }
        } else {
            let last = order[order.len() - 1];
            all.push(answer(last, term(plan.kind), "1"));
            all.push(answer(last, "guess-sure", "unsure"));
        }
    }
    all
}

fn enter(panel: &Panel, taster: &str, answers: &[session::Answer]) {
    session::enter_lines(&panel.book, "spring", taster, answers, None, HandIn::Complete, now())
        .unwrap();
}

/// Plans, prints, tastes and closes; returns all files outside the key and the lots' logs, and
/// everything that was printed, with the digest taken out.
fn course(panel: &Panel, request: &PlanRequest, deal: u8) -> (Vec<(String, String)>, String) {
    session::plan(&panel.book, request, now(), secret(deal)).unwrap();
    let mut printed = String::new();
    for taster in ["ann", "bo", "cy"] {
        let languages = [Lang::En, Lang::Zh];
        let paper = papers::ballot(&panel.book, &panel.session(), taster, &languages).unwrap();
        if deal == 1 {
            ballot_pdf(&paper).unwrap();
        }
        printed.push_str(&format!("{paper:?}\n"));
        if request.kind == Kind::Profile {
            continue;
        }
        enter(panel, taster, &answers(panel, taster));
    }
    if request.kind != Kind::Profile {
        session::close(&panel.book, "spring", false, now()).unwrap();
    }
    for args in [&["session", "show", "spring"][..], &["session", "list"], &["check"]] {
        let output = panel.run(args);
        assert_eq!(output.code, 0, "{output:?}");
        printed.push_str(&format!("{args:?}: {output:?}\n"));
    }
    let digest = panel.session().plan().key_digest.clone().unwrap();
    let root = panel.root.display().to_string();
    let clean = |text: &str| text.replace(&digest, "DIGEST").replace(&root, "ROOT");
    let outside = files(&panel.root)
        .into_iter()
        .filter(|(name, _)| !name.ends_with("/key.toml") && !name.starts_with("lots/"))
        .map(|(name, bytes)| (name, clean(&String::from_utf8_lossy(&bytes))))
        .collect();
    (outside, clean(&printed))
}

#[test]
fn dealing_anew_changes_no_byte_outside_the_key_of_any_kind() {
    let constant = PlanRequest { reference: Some(LOTS[0].to_owned()), ..of(Kind::DuoTrio) };
    let part = PlanRequest { per_taster: Some(2), ..of(Kind::Ranking) };
    let mut requests: Vec<PlanRequest> = KINDS.into_iter().map(of).collect();
    requests.extend([constant, part]);
    for request in requests {
        let kind = request.kind;
        let first = Panel::new();
        let told = course(&first, &request, 1);
        let mut n_other = 0;
        for deal in 2..6 {
            let other = Panel::new();
            assert_eq!(course(&other, &request, deal), told, "{kind:?}");
            n_other += usize::from(key(&other) != key(&first));
        }
        assert!(n_other > 0, "{kind:?}: the deals differ, else this says nothing");
        let (outside, printed) = told;
        for (name, text) in &outside {
            assert!(lots_named(text).is_empty(), "{kind:?}: {name} names a lot");
        }
        assert!(lots_named(&printed).is_empty(), "{kind:?}: {printed}");
    }
}

#[test]
fn what_is_expected_stands_in_the_key_alone() {
    let (with, without) = (Panel::new(), Panel::new());
    let request = of(Kind::Paired);
    let told = course(&with, &request, 1);
    assert_eq!(course(&without, &PlanRequest { expected: None, ..request }, 1), told);
    let text = with.read("sessions/2026-05-14-spring/key.toml");
    assert!(text.contains("expected_lot = \"Lot-Beta\"\nexpected_arm = \"main\"\n"), "{text}");
    assert!(!without.read("sessions/2026-05-14-spring/key.toml").contains("expected"));
}

#[test]
fn each_kind_has_its_cups() {
    for (kind, reference, n_codes, n_served) in [
        (Kind::Triangle, None, 4, 3),
        (Kind::DuoTrio, None, 4, 3),
        (Kind::DuoTrio, Some(LOTS[1]), 3, 3),
        (Kind::Paired, None, 2, 2),
        (Kind::Ranking, None, 3, 3),
    ] {
        let panel = Panel::new();
        let request = PlanRequest { reference: reference.map(str::to_owned), ..of(kind) };
        let planned = panel.plan(&request);
        let key = key(&panel);
        for flight in &planned.plan.flights {
            assert_eq!(flight.cups.len(), n_codes, "{kind:?}");
            for taster in ["ann", "bo", "cy"] {
                let order = flight.order_of(taster);
                assert_eq!(order.len(), n_served);
                let lots: Vec<&str> = order.iter().map(|c| key[c].as_str()).collect();
                match kind {
                    Kind::Triangle => {
                        let n = lots.iter().filter(|l| **l == LOTS[0]).count();
                        assert!(n == 1 || n == 2, "a pair and an odd one: {lots:?}");
                    }
                    Kind::DuoTrio => {
                        assert!(flight.references.contains(&order[0]));
                        assert!(lots[1] != lots[2] && lots[1..].contains(&lots[0]), "{lots:?}");
                        assert!(reference.is_none_or(|r| r == lots[0]));
                    }
                    _ => assert!(lots.windows(2).all(|w| w[0] != w[1])),
                }
            }
        }
        // 3 g a pot; the plan says what each lot needs at most, and the key what is drawn.
        let drawn: usize = key.len();
        let need: f64 = planned.leaf.iter().map(|l| l.need_g).sum();
        assert!(need >= 3.0 * drawn as f64, "{kind:?}: {need} for {drawn} pots");
    }
}

fn reveal(panel: &Panel) -> Trials {
    session::close(&panel.book, "spring", false, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    trials_from_revealed(&[revealed]).unwrap()
}

#[test]
fn answers_are_joined_with_their_lots() {
    for kind in [Kind::Triangle, Kind::DuoTrio, Kind::Paired] {
        let panel = Panel::new();
        panel.plan(&of(kind));
        let (plan, key) = (panel.session().plan().clone(), key(&panel));
        for flight in &plan.flights {
            for taster in ["ann", "bo", "cy"] {
                let order = flight.order_of(taster);
                let alike = |c: &u16| order.iter().filter(|o| key[*o] == key[c]).count();
                let right: &u16 = match kind {
                    Kind::Triangle => order.iter().find(|c| alike(c) == 1).unwrap(),
                    Kind::DuoTrio => order[1..].iter().find(|c| key[*c] == key[&order[0]]).unwrap(),
                    _ => order.iter().find(|c| key[*c] == LOTS[1]).unwrap(),
                };
                let wrong = plan.answerable(flight, taster).iter().find(|c| *c != right).unwrap();
                let said = match taster {
                    "ann" => {
                        vec![answer(*right, term(kind), "1"), answer(*right, "guess-sure", "sure")]
                    }
                    "bo" => vec![answer(*wrong, term(kind), "x")],
                    _ => vec![answer(order[0], term(kind), "-")],
                };
                enter(&panel, taster, &said);
            }
        }
        let scope = session::Scope {
            cup: Some(plan.flights[1].order_of("bo")[0]),
            taster: Some("bo".to_owned()),
            ..Default::default()
        };
        session::exclude(&panel.book, "spring", &scope, "spilt", None, now()).unwrap();
        let trials = reveal(&panel);
        assert_eq!(trials.trials.len(), 6, "{kind:?}");
        assert!(trials.rankings.is_empty());
        let planned = &trials.planned[0];
        assert_eq!((planned.n_planned, planned.alpha), (6, 0.05));
        assert!(planned.committed_beforehand);
        let expected = (kind == Kind::Paired).then_some(LOTS[1]);
        assert_eq!(planned.expected.as_deref(), expected);
        for trial in &trials.trials {
            assert_eq!(Some(trial.method), Method::of_kind(kind));
            // The expected lot stands first.
            let both = if kind == Kind::Paired { [LOTS[1], LOTS[0]] } else { [LOTS[0], LOTS[1]] };
            assert_eq!(trial.samples, both);
            let (correct, sure) = match trial.taster.as_str() {
                "ann" => (Some(true), Some(true)),
                "bo" => (Some(false), None),
                _ => (None, None),
            };
            assert_eq!((trial.correct, trial.sure), (correct, sure), "{trial:?}");
            let flight = plan.flights.iter().find(|f| f.number == trial.flight).unwrap();
            let served: Vec<&String> =
                flight.order_of(&trial.taster).iter().map(|c| &key[c]).collect();
            assert_eq!(trial.served.iter().collect::<Vec<_>>(), served);
            assert_eq!(trial.question.as_deref(), (kind == Kind::Paired).then_some("bright"));
            let excluded = trial.taster == "bo" && trial.flight == 2;
            assert_eq!(trial.excluded.as_deref(), excluded.then_some("spilt"), "{trial:?}");
        }
    }
}

#[test]
fn a_ranking_is_joined_with_its_lots() {
    let panel = Panel::new();
    panel.plan(&of(Kind::Ranking));
    let key = key(&panel);
    for taster in ["ann", "bo", "cy"] {
        let mut all = answers(&panel, taster);
        if taster == "cy" {
            // The second cup of flight 1 is lost: the others are ranked among themselves.
            let order = panel.session().plan().flights[0].order_of("cy").to_vec();
            all.retain(|a| !(a.term == "bright" && order.contains(&a.cup)));
            all.extend([
                answer(order[0], "bright", "2"),
                answer(order[1], "bright", "lost"),
                answer(order[2], "bright", "1"),
            ]);
        }
        enter(&panel, taster, &all);
    }
    let plan = panel.session().plan().clone();
    let trials = reveal(&panel);
    assert!(trials.trials.is_empty());
    assert_eq!(trials.rankings.len(), 12, "3 tasters, 2 flights, 2 terms");
    assert_eq!(trials.planned[0].n_planned, 12);
    for set in &trials.rankings {
        let flight = plan.flights.iter().find(|f| f.number == set.flight).unwrap();
        let lots: Vec<&String> = flight.order_of(&set.taster).iter().map(|c| &key[c]).collect();
        assert_eq!(set.ranks.iter().map(|r| &r.0).collect::<Vec<_>>(), lots);
        let ranks: Vec<Option<f64>> = set.ranks.iter().map(|r| r.1).collect();
        let lost = (set.taster.as_str(), set.flight, set.term.as_str()) == ("cy", 1, "bright");
        let expected =
            if lost { [Some(2.0), None, Some(1.0)] } else { [Some(1.0), Some(2.0), Some(3.0)] };
        assert_eq!(ranks, expected, "{set:?}");
    }
}

#[test]
fn tied_ranks_are_taken_where_the_plan_allows_them() {
    let tied = |panel: &Panel| {
        let order = panel.session().plan().flights[0].order_of("ann").to_vec();
        let ranks = [(order[0], "1.5"), (order[1], "1.5"), (order[2], "3")];
        let answers = ranks.map(|(c, r)| answer(c, "bright", r));
        session::enter_lines(&panel.book, "spring", "ann", &answers, None, HandIn::No, now())
    };
    let panel = Panel::new();
    let mut request = of(Kind::Ranking);
    panel.plan(&request);
    let refused = tied(&panel).unwrap_err().to_string();
    assert!(refused.contains("bright is \"1.5\""), "{refused}");
    assert!(refused.contains("a whole number from 1 (most) to 3"), "{refused}");
    let panel = Panel::new();
    request.test.as_mut().unwrap().ties = true;
    panel.plan(&request);
    tied(&panel).unwrap();
    assert!(panel.run(&["check"]).code == 0);
}

fn enter_table(panel: &Panel, text: &str, more: &[&str]) -> Output {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("ann.csv");
    std::fs::write(&file, text).unwrap();
    let path = file.to_str().unwrap().to_owned();
    let mut args = vec!["session", "enter", "spring", "--taster", "ann", "--from", &path];
    args.extend(more);
    let mut output = panel.run(&args);
    output.err = output.err.replace(&path, "ann.csv");
    output
}

#[test]
fn mistakes_in_a_triangle_are_told_at_their_places() {
    let panel = Panel::new();
    panel.plan(&of(Kind::Triangle));
    let flight = panel.session().plan().flights[0].clone();
    let order = flight.order_of("ann").to_vec();
    let other = flight.cups.iter().find(|c| !order.contains(c)).unwrap();
    let text = format!("cup,term,value\n{other},odd,1\n");
    let output = enter_table(&panel, &text, &[]);
    assert_eq!(output.code, 1, "{output:?}");
    let found = format!("cup {other} of flight 1 was not served to ann");
    assert!(output.err.contains("ann.csv:2:1"), "{output:?}");
    assert!(output.err.contains(&found), "{output:?}");
    let text = format!("cup,term,value\n{},odd,1\n{},odd,1\n", order[0], order[1]);
    let output = enter_table(&panel, &text, &[]);
    assert!(output.err.contains("ann.csv:3:"), "{output:?}");
    assert!(output.err.contains("a second answer for odd of flight 1"), "{output:?}");
    let output = enter_table(&panel, &format!("cup,term,value\n{},odd,3\n", order[0]), &[]);
    assert!(output.err.contains("odd is \"3\""), "{output:?}");
    assert!(output.err.contains("1 beside the cup that was chosen"), "{output:?}");
    let output = enter_table(&panel, &format!("cup,term,value\n{},bright,3\n", order[0]), &[]);
    assert!(output.err.contains("this session does not ask \"bright\""), "{output:?}");
    assert!(output.err.contains("odd, or guess-sure"), "{output:?}");
    // Nothing was written by any of these; one column a term is as good.
    let output = enter_table(&panel, &format!("cup,odd,guess-sure\n{},1,sure\n", order[0]), &[]);
    assert_eq!(output.code, 0, "{output:?}");
    assert_eq!(output.out, "ann: 2 new answers.\nFlight 1 is handed in.\n");
    // Another cup for the same set is a correction, and needs a reason.
    let again = format!("cup,odd\n{},1\n", order[1]);
    let output = enter_table(&panel, &again, &[]);
    let standing = format!("odd of flight 1 has the answer {} already", order[0]);
    assert!(output.err.contains(&standing), "{output:?}");
    let output = enter_table(&panel, &again, &["--amend", "--reason", "misread"]);
    assert_eq!(output.out, "ann: 0 new answers, 1 replaced.\n", "{output:?}");
    let ballot = panel.read("sessions/2026-05-14-spring/ballots/ann.csv");
    assert_eq!(ballot.lines().filter(|l| l.contains(",odd,")).count(), 2, "{ballot}");
    assert_eq!(panel.run(&["check"]).code, 0);
    let shown = panel.run(&["session", "show", "spring"]).out;
    assert!(shown.contains("Kind: triangle: two of three cups are the same tea"), "{shown}");
    assert!(shown.contains("Ballot of ann, flight 1: handed in"), "{shown}");
    assert!(shown.contains("Ballot of ann, flight 2: 1 to answer"), "{shown}");
}

#[test]
fn the_reference_of_a_duo_trio_is_no_answer() {
    let panel = Panel::new();
    panel.plan(&of(Kind::DuoTrio));
    let order = panel.session().plan().flights[0].order_of("ann").to_vec();
    let output = enter_table(&panel, &format!("cup,term,value\n{},match,1\n", order[0]), &[]);
    assert_eq!(output.code, 1);
    let found = format!("ann.csv:2:1: cup {} is ann's reference in flight 1", order[0]);
    assert!(output.err.contains(&found), "{output:?}");
    assert!(output.err.contains(&format!("{} or {}", order[1], order[2])), "{output:?}");
}

#[test]
fn ranks_that_are_no_order_are_told_at_their_places() {
    let panel = Panel::new();
    panel.plan(&of(Kind::Ranking));
    let o = panel.session().plan().flights[0].order_of("ann").to_vec();
    let table = |ranks: [&str; 3]| {
        format!("cup,bright\n{},{}\n{},{}\n{},{}\n", o[0], ranks[0], o[1], ranks[1], o[2], ranks[2])
    };
    let output = enter_table(&panel, &table(["1", "2", "2"]), &[]);
    assert_eq!(output.code, 1, "{output:?}");
    let found =
        format!("ann.csv:4:5: bright: cup {} has the rank 2, which cup {} has too", o[2], o[1]);
    assert!(output.err.contains(&found), "{output:?}");
    let output = enter_table(&panel, &table(["1", "2", "4"]), &[]);
    assert!(output.err.contains("a whole number from 1 (most) to 3"), "{output:?}");
    let output = enter_table(&panel, &table(["1", "3", "-"]), &[]);
    assert!(
        output.err.contains("ann.csv:3:5: bright: the ranks of 2 cups in flight 1 are 1, 3"),
        "{output:?}"
    );
    let output = enter_table(&panel, &table(["1", "", "3"]), &[]);
    assert_eq!(output.out, "ann: 2 new answers.\n", "not complete, not handed in: {output:?}");
    // The same mistake in the file itself is found by check, at its line.
    let file = "sessions/2026-05-14-spring/ballots/ann.csv";
    panel.write(file, &panel.read(file).replace(",bright,3,", ",bright,1,"));
    let output = panel.run(&["check"]);
    assert_eq!(output.code, 1);
    let found = format!("{file}:3:");
    let all = format!("{}{}", output.out, output.err);
    assert!(all.contains(&found) && all.contains("has the rank 1, which"), "{output:?}");
}

#[test]
fn sets_are_asked_at_the_prompt() {
    let panel = Panel::new();
    panel.plan(&of(Kind::Triangle));
    let order = panel.session().plan().flights[0].order_of("ann").to_vec();
    let typed = format!("{}\n999\n{}\nunsure\ny\n", "third", order[1]);
    let output = panel.run_with(&["session", "enter", "spring", "--taster", "ann"], &typed);
    assert_eq!(output.code, 0, "{output:?}");
    assert!(output.out.contains("Which cup is the odd one?"), "{output:?}");
    assert!(output.out.contains("Flight 1 is handed in."), "{output:?}");
    let ballot = panel.read("sessions/2026-05-14-spring/ballots/ann.csv");
    assert!(ballot.contains(&format!(",{},,odd,1,scored", order[1])), "{ballot}");
    assert!(ballot.contains(",guess-sure,0,scored"), "{ballot}");
}

#[test]
fn a_part_of_the_cups_is_asked_of_each_taster() {
    let panel = Panel::new();
    let part = PlanRequest {
        reference: None,
        duplicates: Duplicates::Dealt(0),
        lots: LOTS.iter().map(|l| (*l).to_owned()).collect(),
        per_taster: Some(3),
        flight_size: Some(3),
        replicates: 1,
        days: Vec::new(),
        guess: false,
        ..request()
    };
    let planned = panel.plan(&part);
    let flight = planned.plan.flights[0].clone();
    assert_eq!(flight.cups.len(), 4);
    for taster in ["ann", "bo", "cy"] {
        assert_eq!(flight.order_of(taster).len(), 3);
    }
    // Only what was served is asked, missing or taken.
    let shown = panel.run(&["session", "show", "spring"]).out;
    assert!(shown.contains("Ballot of ann, flight 1: 12 to answer"), "3 cups, 4 scales: {shown}");
    let not_served = flight.cups.iter().find(|c| !flight.order_of("ann").contains(c)).unwrap();
    let output = enter_table(&panel, &format!("cup,bright\n{not_served},3\n"), &[]);
    assert!(output.err.contains("was not served to ann"), "{output:?}");
    for taster in ["ann", "bo", "cy"] {
        let all: Vec<session::Answer> = flight
            .order_of(taster)
            .iter()
            .flat_map(|c| {
                [("bright", "5"), ("balance", "1"), ("tips", "few"), ("hue", "red")]
                    .map(|(t, v)| answer(*c, t, v))
            })
            .collect();
        enter(&panel, taster, &all);
    }
    session::close(&panel.book, "spring", false, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    let bright = revealed.scores.iter().filter(|s| s.term == "bright").count();
    assert_eq!(bright, 9);
    let scores = blindsteep::scores::from_revealed(&[revealed]).unwrap();
    assert_eq!(scores.terms().iter().map(|t| t.gaps).sum::<usize>(), 0, "nothing is missing");
}

#[test]
fn what_does_not_go_with_a_kind_is_refused() {
    let panel = Panel::new();
    let refuse = |kind: Kind, change: &dyn Fn(&mut PlanRequest)| {
        let mut wrong = of(kind);
        change(&mut wrong);
        panel.refusal(&wrong)
    };
    let text = refuse(Kind::Triangle, &|r| r.lots.push(LOTS[2].to_owned()));
    assert!(text.starts_with("a triangle session compares two lots, and 3 are named"), "{text}");
    let text = refuse(Kind::DuoTrio, &|r| r.lots.truncate(1));
    assert!(text.starts_with("a duo-trio session compares two lots, and 1 is named"), "{text}");
    let text = refuse(Kind::Triangle, &|r| r.duplicates = Duplicates::Dealt(1));
    assert!(text.contains("has its second codes from its plan"), "{text}");
    let text = refuse(Kind::Triangle, &|r| r.reference = Some(LOTS[3].to_owned()));
    assert!(text.contains("has no reference beside its two lots"), "{text}");
    let text = refuse(Kind::DuoTrio, &|r| r.reference = Some(LOTS[3].to_owned()));
    assert!(text.starts_with("Frozen-Ref is not among the lots that are compared"), "{text}");
    let text = refuse(Kind::Paired, &|r| r.expected = Some(LOTS[2].to_owned()));
    assert!(text.contains("correct --expected"), "{text}");
    let text = refuse(Kind::Triangle, &|r| r.expected = Some(LOTS[0].to_owned()));
    assert!(text.contains("nothing can be expected of one lot"), "{text}");
    let text = refuse(Kind::Paired, &|r| r.terms = Terms::Default);
    assert!(text.contains("more of what?"), "{text}");
    let text = refuse(Kind::Paired, &|r| r.terms = Terms::Of(vec!["hue".to_owned()]));
    assert!(text.contains("its scale is nominal"), "{text}");
    let text = refuse(Kind::Triangle, &|r| r.terms = Terms::All);
    assert!(text.contains("asks for no term"), "{text}");
    let text = refuse(Kind::Ranking, &|r| r.guess = true);
    assert!(text.contains("does not ask which lot a cup is"), "{text}");
    for kind in [Kind::Triangle, Kind::DuoTrio, Kind::Paired] {
        let text = refuse(kind, &|r| r.alone = true);
        assert!(text.contains("cannot be blind alone"), "{text}");
    }
    let set = |f: fn(&mut TestPlan)| move |r: &mut PlanRequest| f(r.test.as_mut().unwrap());
    let text = refuse(Kind::Triangle, &set(|t| t.alpha = 0.7));
    assert!(text.starts_with("--alpha is 0.7"), "{text}");
    let text = refuse(Kind::Triangle, &set(|t| t.alpha = f64::NAN));
    assert!(text.starts_with("--alpha is NaN"), "{text}");
    let text = refuse(Kind::Triangle, &set(|t| t.power = Some(0.9)));
    assert!(text.contains("one is missing"), "{text}");
    let text = refuse(Kind::Ranking, &|r| r.per_taster = Some(3));
    assert!(text.starts_with("3 cups for each taster, out of 3 in a flight"), "{text}");
    assert!(!panel.root.join("sessions/2026-05-14-spring").exists(), "nothing was written");
}

#[test]
fn a_session_is_asked_by_the_command_of_its_kind() {
    let panel = Panel::new();
    let lots = LOTS[..2].join(",");
    let plan = ["session", "plan", "spring", "--kind", "triangle", "--day", "2026-05-14"];
    let more =
        ["--lots", &lots, "--tasters", "ann,bo,cy", "--replicates", "4", "--order-seed", "7"];
    let output = panel.run(&[&plan[..], &more].concat());
    assert_eq!(output.code, 0, "{output:?}");
    assert!(output.out.contains("Decided beforehand: 12 answers; alpha 0.05."), "{output:?}");
    assert!(
        output.out.contains("each of AAB ABA BAA BBA BAB ABB comes 0 to 1 times"),
        "{output:?}"
    );
    let papers = panel.root.join("papers");
    let out = papers.to_str().unwrap();
    let output = panel.run(&["session", "papers", "spring", "--out", out]);
    assert_eq!(output.code, 0, "{output:?}");
    for taster in ["ann", "bo", "cy"] {
        enter(&panel, taster, &answers(&panel, taster));
    }
    assert_eq!(panel.run(&["session", "close", "spring"]).code, 0);
    let output = panel.run(&["session", "reveal", "spring"]);
    assert!(output.out.contains("12 answers, 0 of them excluded."), "{output:?}");
    for command in ["agree", "compare"] {
        let output = panel.run(&[command, "spring"]);
        assert_eq!(output.code, 2, "{output:?}");
        assert!(output.err.contains("is a triangle session"), "{output:?}");
        assert!(output.err.contains("`difference 2026-05-14-spring`"), "{output:?}");
    }
}

/// Whoever enters for another what must not be seen learns nothing by trying.
#[test]
fn a_hidden_ballot_does_not_tell_what_stands_on_it_by_what_it_refuses() {
    let reason = Amend { reason: "typed from paper".to_owned(), by: Some("bo".to_owned()) };
    let unseen = |panel: &Panel, answers: &[Answer], amend: Option<&Amend>| {
        session::enter_unseen(&panel.book, "spring", "ann", answers, amend, HandIn::No, now())
    };
    let lines = |panel: &Panel| panel.read("sessions/2026-05-14-spring/ballots/ann.csv");

    // A choice: the cup that was chosen is refused like the others.
    let panel = Panel::new();
    panel.plan(&of(Kind::Triangle));
    let order = panel.session().plan().flights[0].order_of("ann").to_vec();
    let chosen = [answer(order[1], "odd", "1")];
    session::enter_lines(&panel.book, "spring", "ann", &chosen, None, HandIn::No, now()).unwrap();
    let before = lines(&panel);
    let told: Vec<String> = order
        .iter()
        .map(|cup| unseen(&panel, &[answer(*cup, "odd", "1")], None).unwrap_err().to_string())
        .collect();
    assert!(told[0].contains("answered already") && told.iter().all(|t| *t == told[0]), "{told:?}");
    assert_eq!(lines(&panel), before);
    // With a reason it is written, the same as well: that no line comes would tell it.
    let entered = unseen(&panel, &chosen, Some(&reason)).unwrap();
    assert_eq!((entered.n_replaced, entered.n_unchanged), (1, 0));
    assert_eq!(lines(&panel).lines().count(), before.lines().count() + 1);

    // An order: neither a rank that is given nor one that is left tells which it is.
    let panel = Panel::new();
    panel.plan(&of(Kind::Ranking));
    let order = panel.session().plan().flights[0].order_of("ann").to_vec();
    let first = [answer(order[0], "bright", "1")];
    session::enter_lines(&panel.book, "spring", "ann", &first, None, HandIn::No, now()).unwrap();
    let before = lines(&panel);
    for amend in [None, Some(&reason)] {
        let told: Vec<String> = ["1", "2", "3"]
            .iter()
            .map(|rank| {
                unseen(&panel, &[answer(order[1], "bright", rank)], amend).unwrap_err().to_string()
            })
            .collect();
        assert!(told[0].contains("ranks are given already"), "{told:?}");
        assert!(told.iter().all(|t| *t == told[0]), "{told:?}");
    }
    assert_eq!(lines(&panel), before);
    // Another term is another order; all anew with a reason is one.
    unseen(&panel, &[answer(order[1], "honey", "2")], None).unwrap();
    let all = [(0, "2"), (1, "1"), (2, "3")].map(|(i, rank)| answer(order[i], "bright", rank));
    unseen(&panel, &all, Some(&reason)).unwrap();
    assert!(panel.run(&["check"]).code == 0);
}
