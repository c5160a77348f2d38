//! What is due: by days counted in another way, and by each kind of obstacle.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use assert_cmd::Command;
use blindsteep::book::Book;
use blindsteep::book::book_file::Limits;
use blindsteep::book::lots::Lot;
use blindsteep::book::recipes::Recipes;
use blindsteep::book::retasting::Retasting;
use blindsteep::book::session_files::Kind;
use blindsteep::book::time::Day;
use blindsteep::findings::due::{Due, Record, SampleDue, State, WarningKind, Wish, due};
use blindsteep::session::Sample;
use blindsteep::session::standing::{Had, Standing};
use unicode_width::UnicodeWidthStr as _;

use super::new_book;
use super::retasting::{lot, plans};

fn day(text: &str) -> Day {
    text.parse().unwrap()
}

fn had(session: &str, on: &str, samples: &[&str], references: &[&str]) -> Had {
    let of = |names: &[&str]| -> BTreeSet<Sample> {
        let sample = |s: &&str| {
            let (lot, arm) = s.split_once('@').unwrap_or((s, "main"));
            Sample { lot: lot.to_owned(), arm: arm.to_owned() }
        };
        names.iter().map(sample).collect()
    };
    Had {
        session: session.to_owned(),
        day: day(on),
        kind: Kind::Profile,
        recipe: "iso3103".to_owned(),
        n_flights: 1,
        samples: Some(of(samples)),
        references: of(references),
    }
}

/// The files of a book, read once.
struct Asked {
    lots: Vec<Lot>,
    retasting: Retasting,
    recipes: Recipes,
    revealed: Vec<Had>,
    with: Vec<String>,
}

impl Asked {
    fn of(book: &Book) -> Self {
        let lots = book.lots().unwrap();
        Self {
            retasting: book.retasting(&lots).unwrap(),
            recipes: book.recipes().unwrap().value,
            lots,
            revealed: Vec::new(),
            with: Vec::new(),
        }
    }

    fn on(&self, on: &str, until: &str) -> Due {
        let record = Record {
            lots: &self.lots,
            retasting: &self.retasting,
            recipes: &self.recipes,
            recipe: Some("iso3103"),
            flight_cups: 8,
            limits: &Limits::default(),
            standing: &Standing::of(self.revealed.clone(), Vec::new()),
        };
        let wish = Wish {
            on: day(on),
            until: day(until),
            with: self.with.clone(),
            days: None,
            alone: false,
        };
        due(&record, &wish)
    }
}

fn sample<'a>(f: &'a Due, name: &str) -> &'a SampleDue {
    f.samples.iter().find(|s| s.sample == name).unwrap()
}

fn kinds(f: &Due) -> Vec<WarningKind> {
    f.warnings.iter().map(|w| w.kind).collect()
}

/// Counted by Python's datetime: the whole days nearest to 14 d, 2, 6, 12, 24, 36 and 48 months of
/// 30.4375 d, a half rounded up; over leap days and the end of a year.
#[test]
fn the_days_of_the_plan_are_those_of_the_calendar() {
    let (_dir, book) = new_book();
    for (id, made) in [("leap", "2024-02-29"), ("autumn", "2025-10-05"), ("eve", "2023-12-31")] {
        lot(&book, id, "black", made, &[], None);
    }
    let f = Asked::of(&book).on("2026-01-01", "2030-01-01");
    for (id, days) in [("leap", DAYS_LEAP), ("autumn", DAYS_AUTUMN), ("eve", DAYS_EVE)] {
        let found: Vec<String> =
            sample(&f, id).tastings.iter().take(7).map(|t| t.day.to_string()).collect();
        assert_eq!(found[..days.len()], *days, "{id}");
    }
}

const DAYS_LEAP: &[&str] = &[
    "2024-03-14",
    "2024-04-30",
    "2024-08-30",
    "2025-02-28",
    "2026-03-01",
    "2027-03-01",
    "2028-02-29",
];
const DAYS_AUTUMN: &[&str] = &[
    "2025-10-19",
    "2025-12-05",
    "2026-04-06",
    "2026-10-05",
    "2027-10-06",
    "2028-10-05",
    "2029-10-05",
];
const DAYS_EVE: &[&str] = &[
    "2024-01-14",
    "2024-03-01",
    "2024-07-01",
    "2024-12-30",
    "2025-12-31",
    "2026-12-31",
    "2027-12-31",
];

/// The rule in another way: among the ages of the plan the last one whose day, less the slack or half
/// the way from the age before, has come.
#[test]
fn each_day_counts_for_one_age() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2024-02-29", &[], None);
    let offsets = [14_i64, 61, 183, 365, 731, 1096];
    let mut asked = Asked::of(&book);
    let mut early = Vec::new();
    for (i, at) in offsets.iter().enumerate() {
        let before = if i == 0 { 0 } else { offsets[i - 1] };
        early.push(at - 14.min((at - before) / 2));
    }
    let made = day("2024-02-29");
    let mut counted: BTreeMap<Option<String>, usize> = BTreeMap::new();
    for after in 0..1000 {
        let tasted = made.later(after).to_string();
        asked.revealed = vec![had("s", &tasted, &["T"], &[])];
        let f = asked.on("2027-01-01", "2027-01-01");
        let done: Vec<&str> = sample(&f, "T")
            .tastings
            .iter()
            .filter(|t| t.state == State::Done)
            .map(|t| t.age.as_str())
            .collect();
        let ages = ["14d", "2m", "6m", "12m", "24m", "36m"];
        let expected = early.iter().rposition(|e| *e <= after).map(|i| ages[i]);
        assert_eq!(done, expected.into_iter().collect::<Vec<_>>(), "after {after} days");
        *counted.entry(expected.map(str::to_owned)).or_default() += 1;
        // The state on that very day agrees: what is tasted is no longer due.
        asked.revealed.clear();
        let before = asked.on(&tasted, &tasted);
        let waits = sample(&before, "T").next.known().cloned().unwrap();
        assert_eq!(waits.state.is_open(), expected == Some(waits.age.as_str()), "{after}");
    }
    assert_eq!(counted.len(), 6, "none, and five ages: {counted:?}");
}

#[test]
fn a_tasting_is_soon_then_due_then_overdue_then_missed() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2025-01-01", &[], None);
    let asked = Asked::of(&book);
    let state = |on: &str| {
        let f = asked.on(on, on);
        let next = sample(&f, "T").next.known().cloned().unwrap();
        (next.age, next.state, next.days_late)
    };
    let at = |age: &str, state, late| (age.to_owned(), state, late);
    // 6 months: 183 days, 2025-07-03.
    assert_eq!(state("2025-06-18"), at("2m", State::Overdue, 107));
    assert_eq!(state("2025-06-19"), at("6m", State::Soon, -14));
    assert_eq!(state("2025-07-02"), at("6m", State::Soon, -1));
    assert_eq!(state("2025-07-03"), at("6m", State::Due, 0));
    assert_eq!(state("2025-07-17"), at("6m", State::Due, 14));
    assert_eq!(state("2025-07-18"), at("6m", State::Overdue, 15));
    assert_eq!(state("2025-12-17"), at("6m", State::Overdue, 167));
    assert_eq!(state("2025-12-18"), at("12m", State::Soon, -14));
}

#[test]
fn a_gap_of_years_is_named_and_not_made_up_for() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2022-01-01", &[], None);
    let mut asked = Asked::of(&book);
    asked.revealed = vec![had("first", "2022-01-16", &["T"], &[])];
    let f = asked.on("2026-01-01", "2026-01-01");
    let t = sample(&f, "T");
    let states: Vec<State> = t.tastings.iter().map(|t| t.state).collect();
    use State::{Done, Due, Missed};
    assert_eq!(states, [Done, Missed, Missed, Missed, Missed, Missed, Due]);
    assert_eq!((t.n_missed, t.next.known().unwrap().age.as_str()), (5, "48m"));
    assert!(kinds(&f).contains(&WarningKind::LongGap));
    assert_eq!(t.last.known().unwrap().session, "first");
}

#[test]
fn what_a_lot_was_before_its_split_counts_for_its_arms() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2025-01-01", &[], None);
    blindsteep::book::writing::split_lot(
        &book,
        "T",
        &["dry".into(), "humid".into()],
        day("2025-02-01"),
    )
    .unwrap();
    let mut asked = Asked::of(&book);
    // On the day of the split the whole lot is gone already.
    asked.revealed =
        vec![had("a", "2025-01-20", &["T"], &[]), had("b", "2025-03-03", &["T@dry"], &[])];
    let f = asked.on("2025-05-05", "2025-05-05");
    let states = |name: &str| {
        sample(&f, name).tastings.iter().map(|t| (t.age.clone(), t.state)).collect::<Vec<_>>()
    };
    let of = |list: &[(&str, State)]| -> Vec<(String, State)> {
        list.iter().map(|(a, s)| ((*a).to_owned(), *s)).collect()
    };
    assert_eq!(states("T@dry"), of(&[("14d", State::Done), ("2m", State::Done)]));
    assert_eq!(
        states("T@humid"),
        of(&[("14d", State::Done), ("2m", State::Missed), ("4m", State::Due)])
    );
    assert!(f.samples.iter().all(|s| s.sample != "T"));
}

#[test]
fn an_arm_brings_its_sister_or_the_plan_says_why_not() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2025-01-01", &["dry", "humid"], Some(500.0));
    lot(&book, "U", "black", "2025-01-02", &["dry", "humid"], Some(15.0));
    let mut asked = Asked::of(&book);
    let all = ["T@dry", "T@humid", "U@dry", "U@humid"];
    asked.revealed = vec![had("a", "2025-01-20", &all, &[]), had("b", "2025-03-03", &all, &[])];
    // Four months of the humid arms; the dry ones wait for six. A tasting takes 11.2 g, so that U@dry has
    // leaf for one, which is its own next.
    let f = asked.on("2025-05-03", "2025-05-03");
    let groups = |f: &Due| {
        let mut groups = f.sitting.known().unwrap().groups.clone();
        groups.iter_mut().for_each(|g| g.sort());
        groups
    };
    assert_eq!(groups(&f), [vec!["T@dry", "T@humid"], vec!["U@humid"]]);
    assert_eq!(f.sitting.known().unwrap().flights[0].n_samples, 3);
    let apart = |f: &Due| -> Vec<String> {
        let of = f.warnings.iter().filter(|w| w.kind == WarningKind::ArmsApart);
        of.map(|w| w.text.clone()).collect()
    };
    let text = &apart(&f)[0];
    assert!(text.contains("U@humid without U@dry: it is not due, and its 15.0 g"), "{text}");
    assert!(text.contains("--with U@dry"), "{text}");
    let out = &f.sitting.known().unwrap().left_out;
    assert_eq!((out.len(), out[0].sample.as_str(), out[0].by_wish), (1, "U@dry", true));
    // Whoever asks for it has it.
    asked.with = vec!["U@dry".to_owned()];
    let f = asked.on("2025-05-03", "2025-05-03");
    assert_eq!(groups(&f), [["T@dry", "T@humid"], ["U@dry", "U@humid"]]);
    assert!(apart(&f).is_empty());
}

/// Four flights of seven samples: 27 humid arms are due, and one dry one has room beside them. No flight has more
/// than the book allows, and what is due gives way to nothing that is not.
#[test]
fn sisters_that_have_no_room_are_named() {
    let (_dir, book) = new_book();
    for i in 10..37 {
        lot(&book, &format!("T{i}"), "black", "2025-01-01", &["dry", "humid"], Some(500.0));
    }
    let mut asked = Asked::of(&book);
    let all: Vec<String> =
        (10..37).flat_map(|i| [format!("T{i}@dry"), format!("T{i}@humid")]).collect();
    let all: Vec<&str> = all.iter().map(String::as_str).collect();
    asked.revealed = vec![had("a", "2025-01-20", &all, &[]), had("b", "2025-03-03", &all, &[])];
    let f = asked.on("2025-05-03", "2025-05-03");
    let sitting = f.sitting.known().unwrap();
    let humid = sitting.samples().filter(|s| s.ends_with("@humid")).count();
    assert_eq!((humid, sitting.samples().count()), (27, 28));
    assert!(sitting.flights.iter().all(|f| f.cups <= 8), "{:?}", sitting.flights);
    assert_eq!(sitting.left_out.len(), 26);
    assert!(sitting.left_out.iter().all(|l| l.reason.contains("no room in 4 flights")));
    assert_eq!(kinds(&f).iter().filter(|k| **k == WarningKind::ArmsApart).count(), 26);
}

/// Second codes of another number do not part arms; another recipe does, and that is told.
#[test]
fn arms_of_unlike_plans_go_together_where_they_are_brewed_alike() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2025-01-01", &["dry", "humid"], Some(500.0));
    let two = |humid: &str| {
        format!(
            "[[plan]]\nid = \"all\"\nafter = [\"2w\", \"2m\"]\nduplicates = 1\n[[plan]]\nid = \"damp\"\n\
             arms = [\"humid\"]\nafter = [\"2w\", \"2m\"]\n{humid}\n"
        )
    };
    plans(&book, &two("duplicates = 0"));
    let f = Asked::of(&book).on("2025-03-03", "2025-03-03");
    assert_eq!(f.sitting.known().unwrap().samples().count(), 2, "{:?}", f.sitting);
}

#[test]
fn leaf_that_does_not_last_is_named() {
    let (_dir, book) = new_book();
    // 5.6 g a cup, and a second code: 11.2 g at most.
    lot(&book, "few", "black", "2025-01-01", &[], Some(11.1));
    lot(&book, "some", "black", "2025-01-01", &[], Some(40.0));
    lot(&book, "none", "black", "2025-01-01", &[], None);
    plans(&book, "[[plan]]\nid = \"all\"\nafter = [\"2w\"]\nthen = \"6m\"\nuntil = \"3y\"\n");
    let f = Asked::of(&book).on("2025-01-15", "2025-01-15");
    let few = sample(&f, "few");
    assert_eq!(few.need_g.known(), Some(&11.2));
    assert_eq!(few.lasts.known(), Some(&0));
    let some = sample(&f, "some");
    // 2 weeks, then 6 months and 14 days more, 12, 18, 24, 30: six in three years.
    assert_eq!((some.lasts.known(), some.planned.known()), (Some(&3), Some(&6)));
    assert_eq!(some.lasts_until.known(), Some(&day("2026-01-15")), "14 + 2 × 182.625 days");
    assert_eq!(sample(&f, "none").lasts.known(), None);
    let kinds = kinds(&f);
    for kind in [
        WarningKind::TooLittleLeaf,
        WarningKind::LeafEndsBeforePlan,
        WarningKind::NoReserve,
        WarningKind::NeverTasted,
        WarningKind::Reference,
    ] {
        assert_eq!(kinds.iter().filter(|k| **k == kind).count(), 1, "{kind:?} in {kinds:?}");
    }
    let sitting = f.sitting.known().unwrap();
    let out: Vec<&str> = sitting.left_out.iter().map(|l| l.sample.as_str()).collect();
    assert_eq!(out, ["few"]);
    assert_eq!(sitting.groups, [["none"], ["some"]]);
}

#[test]
fn a_reference_that_runs_out_is_told_before_it_does() {
    let (_dir, book) = new_book();
    lot(&book, "REF", "black", "2024-01-01", &[], Some(30.0));
    for i in 0..8 {
        lot(&book, &format!("T{i}"), "black", "2025-01-01", &[], Some(500.0));
    }
    let mut asked = Asked::of(&book);
    asked.revealed = vec![had("a", "2024-12-01", &[], &["REF"])];
    let f = asked.on("2025-01-15", "2025-01-15");
    let stock = f.reference.known().unwrap();
    // 30 g of 5.6 g a cup: five flights; eight samples take two of six each, at 2 weeks, 2, 6 and 12
    // months: eight flights in the year, of which the third session is the first that is short.
    assert_eq!(stock.flights_left.known(), Some(&5));
    assert_eq!(stock.sessions_left.known(), Some(&2));
    assert_eq!(stock.flights_a_year, 8);
    assert_eq!(stock.runs_out.known(), Some(&day("2025-07-03")));
    let warning = f.warnings.iter().find(|w| w.kind == WarningKind::Reference).unwrap();
    assert!(warning.text.contains("serve both in one session"), "{}", warning.text);
    assert!(f.samples.iter().all(|s| s.sample != "REF"), "it is not tasted for its own sake");
}

#[test]
fn tastings_by_another_recipe_or_of_another_kind_do_not_count() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2025-01-01", &[], None);
    let mut asked = Asked::of(&book);
    let state = |asked: &Asked| sample(&asked.on("2025-01-20", "2025-01-20"), "T").state;
    asked.revealed = vec![had("a", "2025-01-15", &["T"], &[])];
    assert_eq!(state(&asked), State::Later);
    asked.revealed[0].kind = Kind::Triangle;
    assert_eq!(state(&asked), State::Due);
    asked.revealed[0].kind = Kind::Profile;
    asked.revealed[0].recipe = "many-steeps".to_owned();
    assert_eq!(state(&asked), State::Later, "the plan names no recipe");
    plans(&book, "[[plan]]\nid = \"all\"\nafter = [\"2w\"]\nthen = \"2m\"\nrecipe = \"iso3103\"\n");
    asked.retasting = book.retasting(&asked.lots).unwrap();
    assert_eq!(state(&asked), State::Due);
}

#[test]
fn ages_count_from_packing_where_the_plan_says_so() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2025-01-01", &[], Some(500.0));
    plans(&book, "[[plan]]\nid = \"all\"\nafter = [\"2w\"]\nfrom = \"packed\"\n");
    let f = Asked::of(&book).on("2025-01-15", "2025-01-15");
    assert!(kinds(&f).contains(&WarningKind::NotPacked));
    assert_eq!(sample(&f, "T").counts_from, day("2025-01-01"));
    let file = book.root().join("parameters.toml");
    let mut text = fs::read_to_string(&file).unwrap();
    if !text.contains("\"store.packed\"") {
        text.push_str("\n[[parameter]]\nid = \"store.packed\"\nkind = \"moment\"\n");
        fs::write(&file, text).unwrap();
    }
    let log = book.root().join("lots/T/log.csv");
    let mut text = fs::read_to_string(&log).unwrap();
    text.push_str(
        "packed,2025-03-01T12:00:00+08:00,,store.packed,2025-03-01T10:00:00+08:00,,measured,,,,\n",
    );
    fs::write(&log, text).unwrap();
    let f = Asked::of(&book).on("2025-03-15", "2025-03-15");
    assert!(!kinds(&f).contains(&WarningKind::NotPacked));
    let t = sample(&f, "T");
    assert_eq!((t.counts_from, t.state), (day("2025-03-01"), State::Due));
}

#[test]
fn a_lot_that_is_not_made_yet_is_not_due() {
    let (_dir, book) = new_book();
    lot(&book, "T", "black", "2026-01-01", &[], None);
    let f = Asked::of(&book).on("2025-12-31", "2026-03-01");
    assert!(f.samples.is_empty());
    assert!(f.warnings.is_empty(), "{:?}", f.warnings);
}

fn run(book: &Path, args: &[&str]) -> (i32, String, String) {
    let out = Command::cargo_bin("blindsteep")
        .unwrap()
        .env("BLINDSTEEP_BOOK", book)
        .args(args)
        .output()
        .unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

#[test]
fn what_is_asked_wrongly_is_told() {
    let (_dir, book) = new_book();
    lot(&book, "T1", "black", "2025-01-01", &[], None);
    for (args, told) in [
        (&["--until", "2025-01-01", "--on", "2025-02-01"][..], "lies before 2025-02-01"),
        (&["--month", "2025-13"], "write it as 2026-06"),
        (&["--month", "2025-6"], "write it as 2026-06"),
        (&["--month", "2025-02", "--until", "2025-02-03"], "cannot be used with"),
        (&["--on", "2025-02-30"], "not a day of the calendar"),
        (&["--plan", "june"], "--tasters"),
        (&["--with", "T2", "--on", "2025-02-01"], "did you mean \"T1\"?"),
        (&["--plan", "june", "--tasters", "ann", "--on", "2025-01-02"], "2025-01-15"),
    ] {
        let (code, out, err) = run(book.root(), &[&["due"][..], args].concat());
        assert_eq!((code, out.as_str()), (2, ""), "{args:?}: {err}");
        assert!(err.contains(told), "{args:?}: {err}");
    }
}

/// Long names, more rows than are shown, no line too wide, and every number in the JSON.
#[test]
fn five_hundred_lots_are_told_in_short_and_in_full() {
    let (_dir, book) = new_book();
    for i in 0..500 {
        let id = format!("T25-{i:03}-from-the-upper-terraces-by-the-river-in-the-rain");
        let folder = book.root().join("lots").join(&id);
        fs::create_dir(&folder).unwrap();
        let lot = format!(
            "format = 1\nid = \"{id}\"\nclass = \"black\"\nmade = 2025-03-{:02}\n",
            i % 28 + 1
        );
        fs::write(folder.join("lot.toml"), lot).unwrap();
        fs::write(
            folder.join("log.csv"),
            "entry,at,arm,parameter,value,unit,how,by,replaces,reason,note\n\
             k,2025-03-30T12:00:00+08:00,,reserve.kept,100,,measured,,,,\n",
        )
        .unwrap();
    }
    let (code, out, err) = run(book.root(), &["due", "--on", "2025-09-20"]);
    assert_eq!(code, 0, "{err}");
    assert!(out.lines().all(|l| l.width() <= 100), "{out}");
    assert!(out.lines().count() < 180, "{}", out.lines().count());
    let (code, out, _) = run(book.root(), &["due", "--on", "2025-09-20", "--json"]);
    assert_eq!(code, 0);
    let found: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(found["samples"].as_array().unwrap().len(), 500);
    let flights = found["sitting"]["flights"].as_array().unwrap();
    assert_eq!(flights.len(), 4, "two flights a day, two days");
    assert_eq!(flights.last().unwrap()["day"], "2025-09-21");
    let here: usize = found["sitting"]["groups"].as_array().unwrap().len();
    assert_eq!(here, 28, "no reference, a second code: seven samples in eight cups");
    assert_eq!(found["sitting"]["left_out"].as_array().unwrap().len(), 472);
    let all = run(book.root(), &["due", "--on", "2025-09-20", "--json", "--days", "36"]).1;
    let found: serde_json::Value = serde_json::from_str(&all).unwrap();
    let flights = found["sitting"]["flights"].as_array().unwrap();
    assert_eq!(flights.len(), 500_usize.div_ceil(7));
    assert_eq!(flights.last().unwrap()["day"], "2025-10-25");
}

#[test]
fn the_json_keeps_to_its_schema() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let schema = fs::read_to_string(root.join("schemas/due-1.schema.json")).unwrap();
    let schema: serde_json::Value = serde_json::from_str(&schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let demo = root.join("demo-sessions/tavrinel");
    for on in ["2024-03-01", "2025-05-20", "2026-05-20", "2035-01-01"] {
        let (code, out, err) = run(&demo, &["due", "--on", on, "--json"]);
        assert_eq!(code, 0, "{err}");
        let found: serde_json::Value = serde_json::from_str(&out).unwrap();
        let wrong: Vec<String> =
            validator.iter_errors(&found).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(wrong.is_empty(), "{on}: {wrong:?}");
        assert_eq!(out.lines().nth(1).unwrap().trim(), "\"schema\": \"due/1\",");
    }
    assert!(!validator.is_valid(&serde_json::json!({"schema": "due/1"})));
}

#[test]
fn a_lot_that_went_into_others_is_not_waited_for() {
    let (_dir, book) = new_book();
    lot(&book, "whole", "black", "2025-01-01", &[], None);
    lot(&book, "kept", "black", "2025-01-01", &[], Some(100.0));
    for id in ["whole", "kept"] {
        let file = book.root().join(format!("lots/{id}/lot.toml"));
        let text = fs::read_to_string(&file).unwrap();
        fs::write(&file, text.replace("class =", "kg = 5.0\nclass =")).unwrap();
    }
    let child = book.root().join("lots/blend");
    fs::create_dir(&child).unwrap();
    fs::write(
        child.join("lot.toml"),
        "format = 1\nid = \"blend\"\nclass = \"black\"\nmade = 2025-01-05\ncame_by = \"blend\"\n\
         [[parent]]\nlot = \"whole\"\nkg = 5.0\n[[parent]]\nlot = \"kept\"\nkg = 5.0\n",
    )
    .unwrap();
    fs::write(
        child.join("log.csv"),
        "entry,at,arm,parameter,value,unit,how,by,replaces,reason,note\n",
    )
    .unwrap();
    let f = Asked::of(&book).on("2025-01-16", "2025-01-16");
    assert_eq!(sample(&f, "whole").state, State::Ended);
    assert!(sample(&f, "whole").next.reason().unwrap().contains("went into other lots"));
    assert_eq!(sample(&f, "kept").state, State::Due, "100 g were kept aside");
    assert_eq!(sample(&f, "blend").state, State::Soon, "its own history begins with it");
}

#[test]
fn leaf_that_is_too_damp_is_not_proposed() {
    let (_dir, book) = new_book();
    for id in ["damp", "dry", "moist"] {
        lot(&book, id, "black", "2025-01-01", &[], Some(100.0));
    }
    for (id, percent) in [("damp", "8.5"), ("dry", "4"), ("moist", "6.8")] {
        let log = book.root().join(format!("lots/{id}/log.csv"));
        let text = fs::read_to_string(&log).unwrap();
        let line =
            format!("m,2025-01-02T12:00:00+08:00,,store.moisture,{percent},%,measured,,,,\n");
        fs::write(&log, text + &line).unwrap();
    }
    let f = Asked::of(&book).on("2025-01-16", "2025-01-16");
    assert_eq!(sample(&f, "damp").state, State::Unfit);
    assert!(sample(&f, "damp").not_served[0].contains("8.5"), "{:?}", sample(&f, "damp"));
    assert_eq!(
        sample(&f, "moist").state,
        State::Due,
        "a warning does not keep it from being tasted"
    );
    assert_eq!(f.sitting.known().unwrap().groups, [["dry"], ["moist"]]);
    assert!(kinds(&f).contains(&WarningKind::Unfit));
}
