//! What a plan is made of, and what is refused.

use std::collections::{BTreeMap, BTreeSet};

use blindsteep::session::pour::pouring_plan;
use blindsteep::session::{self, Duplicates, FlightRequest, Role, Terms};

use super::common::{LOTS, Panel, day, now, request};

#[test]
fn every_flight_has_each_lot_a_duplicate_a_reference_and_a_warm_up_cup() {
    let panel = Panel::new();
    let planned = panel.plan(&request());
    assert_eq!(planned.session, "2026-05-14-spring");
    let plan = &planned.plan;
    assert_eq!(plan.flights.len(), 2);
    assert_eq!(plan.flights[1].day, day("2026-05-15"));
    let codes: Vec<u16> = plan.flights.iter().flat_map(|f| f.codes().collect::<Vec<_>>()).collect();
    assert_eq!(codes.len(), 12);
    assert_eq!(codes.iter().collect::<BTreeSet<_>>().len(), 12, "unique in the session");
    assert!(codes.iter().all(|c| (100..=999).contains(c)));
    let (_, pours) = pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
    let mut twice = BTreeSet::new();
    for flight in &plan.flights {
        assert!(flight.cups.is_sorted());
        let mut roles: BTreeMap<Role, Vec<String>> = BTreeMap::new();
        for pour in pours.iter().filter(|p| p.flight == flight.number) {
            assert_eq!(flight.warm_up == Some(pour.code), pour.role == Role::WarmUp);
            roles.entry(pour.role).or_default().push(pour.sample.lot.clone());
        }
        let mut lots = roles[&Role::Lot].clone();
        lots.sort();
        assert_eq!(lots, LOTS[..3]);
        assert_eq!(roles[&Role::Reference], [LOTS[3]]);
        assert_eq!(roles[&Role::WarmUp], [LOTS[3]]);
        assert_eq!(roles[&Role::Duplicate].len(), 1);
        twice.insert(roles[&Role::Duplicate][0].clone());
    }
    assert_eq!(twice.len(), 2, "second codes go round");
    let brews: BTreeSet<u32> = pours.iter().map(|p| p.brew).collect();
    assert_eq!(brews.len(), 12, "each cup is brewed anew");
}

#[test]
fn the_same_order_seed_lays_out_the_same_session() {
    let (one, other) = (Panel::new(), Panel::new());
    let a = one.plan(&request());
    let b = other.plan(&request());
    assert_eq!(a.plan, b.plan);
    let third = Panel::new();
    let c = third.plan(&session::PlanRequest { order_seed: 8, ..request() });
    assert_ne!(a.plan.flights, c.plan.flights);
}

#[test]
fn the_nonce_alone_changes_the_digest() {
    // Six cups have few deals: without a nonce the digest could be tried out.
    let (one, other) = (Panel::new(), Panel::new());
    let known = |nonce| session::DealSecret::known([5; 16], [nonce; 16]);
    let a = session::plan(&one.book, &request(), now(), known(1)).unwrap();
    let b = session::plan(&other.book, &request(), now(), known(2)).unwrap();
    assert_ne!(a.plan.key_digest, b.plan.key_digest);
}

#[test]
fn the_digest_is_that_of_the_file() {
    // So that anybody can check it with `sha256sum key.toml`.
    let panel = Panel::new();
    let planned = panel.plan(&request());
    let key = std::fs::read(panel.root.join("sessions/2026-05-14-spring/key.toml")).unwrap();
    assert_eq!(planned.plan.key_digest.unwrap(), blindsteep::book::store::digest(&key));
}

#[test]
fn many_lots_are_cut_into_flights_by_the_deal() {
    let panel = Panel::new();
    let mut wide = request();
    wide.flight_size = Some(4);
    wide.warm_up = None;
    wide.duplicates = Duplicates::Dealt(0);
    wide.reference = None;
    wide.lots = LOTS.iter().map(|l| (*l).to_owned()).collect();
    wide.flight_size = Some(2);
    wide.days = vec![day("2026-05-14"), day("2026-05-15")];
    let planned = panel.plan(&wide);
    assert_eq!(planned.plan.flights.len(), 4, "two flights a replicate");
    let days: Vec<String> = planned.plan.flights.iter().map(|f| f.day.to_string()).collect();
    assert_eq!(days, ["2026-05-14", "2026-05-14", "2026-05-15", "2026-05-15"]);
    let (_, pours) = pouring_plan(&panel.book, "spring", "dot", now()).unwrap();
    for replicate in [[1, 2], [3, 4]] {
        let mut lots: Vec<String> = pours
            .iter()
            .filter(|p| replicate.contains(&p.flight))
            .map(|p| p.sample.lot.clone())
            .collect();
        lots.sort();
        let mut all = LOTS.to_vec();
        all.sort_unstable();
        assert_eq!(lots, all, "each lot once a replicate");
    }
}

#[test]
fn flights_may_hold_samples_of_their_own() {
    let panel = Panel::new();
    let mut own = request();
    own.lots = Vec::new();
    own.replicates = 1;
    own.duplicates = Duplicates::Dealt(0);
    let flight = |lots: &[&str], duplicates| FlightRequest {
        lots: lots.iter().map(|l| (*l).to_owned()).collect(),
        duplicates,
    };
    own.flights = vec![
        flight(&[LOTS[0], LOTS[1]], Duplicates::Of(vec![LOTS[1].to_owned()])),
        flight(&[LOTS[0], LOTS[2]], Duplicates::Dealt(0)),
    ];
    let planned = panel.plan(&own);
    let sizes: Vec<usize> = planned.plan.flights.iter().map(|f| f.cups.len()).collect();
    assert_eq!(sizes, [4, 3]);
    panel.taste();
    session::close(&panel.book, "spring", false, now()).unwrap();
    let revealed = session::reveal(&panel.book, "spring", now()).unwrap();
    let of = |lot: &str| {
        revealed
            .cups
            .iter()
            .filter(|c| c.lot == lot && c.role != Role::WarmUp)
            .map(|c| (c.flight, c.replicate, c.role))
            .collect::<Vec<_>>()
    };
    assert_eq!(of(LOTS[0]), [(1, 1, Role::Lot), (2, 2, Role::Lot)]);
    let mut twice = of(LOTS[1]);
    twice.sort();
    assert_eq!(twice, [(1, 1, Role::Lot), (1, 1, Role::Duplicate)]);
    assert_eq!(of(LOTS[2]), [(2, 1, Role::Lot)]);
}

#[test]
fn too_little_leaf_is_refused_with_the_lots_that_lack_it() {
    let panel = Panel::new();
    let mut thirsty = request();
    thirsty.replicates = 26;
    thirsty.days = Vec::new();
    let text = panel.refusal(&thirsty);
    // 26 flights of 3 g, and at most 9 second codes (26 over three lots): 105 g. The reference is
    // also the warm-up cup: 52 cups, 156 g.
    assert_eq!(
        text,
        "the reserve does not suffice\n  Frozen-Ref: 156.0 g needed, 100.0 g left\n  Lot-Alpha: 105.0 g needed, 100.0 g left\n  Lot-Beta: 105.0 g needed, 100.0 g left\n  Lot-Gamma: 105.0 g needed, 100.0 g left\n  to mend:  fewer replicates, a recipe with less leaf, or leave a lot out"
    );
    assert!(!panel.root.join("sessions/2026-05-14-spring").exists());
}

#[test]
fn leaf_that_a_sealed_session_will_draw_is_not_promised_twice() {
    let panel = Panel::new();
    let mut first = request();
    first.replicates = 12;
    first.days = Vec::new();
    first.warm_up = None;
    let planned = panel.plan(&first);
    assert!(planned.leaf.iter().all(|l| l.left_g == Some(100.0)), "{:?}", planned.leaf);
    let mut second = first.clone();
    second.name = "again".to_owned();
    second.replicates = 1;
    let planned = panel.plan(&second);
    let reference = planned.leaf.iter().find(|l| l.sample.lot == LOTS[3]).unwrap();
    assert_eq!(reference.left_g, Some(100.0 - 36.0), "12 cups of 3 g are spoken for");
    // The three lots share 12 flights and 12 second codes evenly: 16 cups each.
    let mut lots = planned.leaf.iter().filter(|l| l.sample.lot != LOTS[3]);
    assert!(lots.all(|l| l.left_g == Some(100.0 - 48.0)), "{:?}", planned.leaf);
}

#[test]
fn what_does_not_fit_the_book_is_refused_with_the_nearest_that_does() {
    let panel = Panel::new();
    let refuse = |change: &dyn Fn(&mut session::PlanRequest)| {
        let mut wrong = request();
        change(&mut wrong);
        panel.refusal(&wrong)
    };
    let text = refuse(&|r| r.lots[0] = "Lot-Alpah".to_owned());
    assert!(text.starts_with("there is no lot \"Lot-Alpah\""), "{text}");
    assert!(text.contains("did you mean \"Lot-Alpha\"?"), "{text}");
    let text = refuse(&|r| r.tasters[0] = "anne".to_owned());
    assert!(
        text.contains("no taster \"anne\"") && text.contains("did you mean \"ann\"?"),
        "{text}"
    );
    let text = refuse(&|r| r.terms = Terms::Of(vec!["brigt".to_owned()]));
    assert!(text.contains("no term \"brigt\"") && text.contains("\"bright\""), "{text}");
    let text = refuse(&|r| r.recipe = Some("smal".to_owned()));
    assert!(text.contains("no recipe \"smal\"") && text.contains("\"small\""), "{text}");
    let text = refuse(&|r| r.lots.push(LOTS[0].to_owned()));
    assert!(text.starts_with("Lot-Alpha is named twice"), "{text}");
    let text = refuse(&|r| r.lots.push(LOTS[3].to_owned()));
    assert!(text.starts_with("Frozen-Ref is both a lot and the reference"), "{text}");
    let text = refuse(&|r| r.tasters.push("ann".to_owned()));
    assert!(text.starts_with("ann is named twice"), "{text}");
    let text = refuse(&|r| r.duplicates = Duplicates::Dealt(4));
    assert!(text.contains("4 second codes are more than the 3 lots"), "{text}");
    let text = refuse(&|r| r.flight_size = Some(3));
    assert!(text.starts_with("a flight of 3 cups has no room for two lots"), "{text}");
    let text = refuse(&|r| r.days = vec![day("2026-05-15"), day("2026-05-14")]);
    assert!(text.starts_with("the days of the flights go back in time"), "{text}");
    let text = refuse(&|r| r.days = vec![day("2026-05-14"); 3]);
    assert!(text.starts_with("3 days for 2 flights"), "{text}");
    let text = refuse(&|r| r.name = "no/slash".to_owned());
    assert!(text.contains("cannot be the name of a session"), "{text}");
    let text = refuse(&|r| {
        r.lots = vec![LOTS[0].to_owned()];
        r.reference = None;
    });
    assert!(text.starts_with("one lot alone cannot be compared"), "{text}");
    let text = refuse(&|r| {
        r.lots = Vec::new();
        r.reference = None;
    });
    assert!(text.starts_with("no lot is named yet"), "{text}");
    let text = refuse(&|r| r.replicates = 0);
    assert!(text.starts_with("0 replicates"), "{text}");
    assert!(!panel.root.join("sessions/2026-05-14-spring").exists(), "nothing was written");
    panel.plan(&request());
    let text = panel.refusal(&request());
    assert_eq!(
        text,
        "there is a session 2026-05-14-spring already\n  to mend:  choose another name or day"
    );
}

#[test]
fn a_quarantined_lot_is_not_served() {
    let panel = Panel::new();
    let output = panel.run(&["lot", "log", LOTS[0], "store.quarantine", "yes"]);
    assert_eq!(output.code, 0, "{output:?}");
    let text = panel.refusal(&request());
    assert!(text.starts_with("Lot-Alpha is not served: in quarantine since "), "{text}");
}

#[test]
fn a_lot_that_is_not_there_yet_is_not_served() {
    let panel = Panel::new();
    let file = panel.root.join("lots/Lot-Alpha/lot.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("2026-05-01", "2026-05-16")).unwrap();
    let text = panel.refusal(&request());
    assert!(text.starts_with("Lot-Alpha is there since 2026-05-16, after"), "{text}");
    assert!(text.contains("lots/Lot-Alpha/lot.toml"), "{text}");
}

#[test]
fn a_split_lot_needs_its_arm() {
    let panel = Panel::new();
    let output = panel.run(&[
        "lot",
        "split",
        LOTS[0],
        "--arm",
        "dry",
        "--arm",
        "humid",
        "--on",
        "2026-05-02",
    ]);
    assert_eq!(output.code, 0, "{output:?}");
    let text = panel.refusal(&request());
    assert!(text.starts_with("Lot-Alpha was split into arms; which one is meant?"), "{text}");
    assert!(text.contains("Lot-Alpha@dry or Lot-Alpha@humid"), "{text}");
    let mut arms = request();
    arms.lots[0] = "Lot-Alpha@dry".to_owned();
    arms.lots.push("lot-alpha@HUMID".to_owned());
    let planned = panel.plan(&arms);
    let names: Vec<String> = planned.leaf.iter().map(|l| l.sample.to_string()).collect();
    // By sample: the order says nothing of flights.
    assert_eq!(names[..3], ["Frozen-Ref", "Lot-Alpha@dry", "Lot-Alpha@humid"]);
}

#[test]
fn an_unknown_kind_is_told_the_kinds_there_are() {
    let panel = Panel::new();
    let output = panel.run(&[
        "session",
        "plan",
        "spring",
        "--lots",
        "Lot-Alpha,Lot-Beta",
        "--tasters",
        "ann",
        "--kind",
        "triangel",
    ]);
    assert_eq!(output.code, 2);
    assert!(output.err.contains("did you mean \"triangle\"?"), "{output:?}");
    assert!(output.err.contains("profile, ranking, triangle, duo-trio, paired"), "{output:?}");
}

#[test]
fn terms_are_frozen_as_they_stood() {
    let panel = Panel::new();
    panel.plan(&request());
    let before = panel.session().plan().terms.clone();
    let vocabulary = panel.read("vocabulary.toml").replace("high = 10", "high = 100");
    panel.write("vocabulary.toml", &vocabulary);
    assert_eq!(panel.session().plan().terms, before);
    let cup = panel.session().plan().flights[0].cups[0];
    let error = session::enter_lines(
        &panel.book,
        "spring",
        "ann",
        &[super::common::answer(cup, "bright", "55")],
        None,
        session::HandIn::No,
        now(),
    )
    .unwrap_err();
    assert!(error.to_string().contains("a number from 0 to 10"), "{error}");
}
