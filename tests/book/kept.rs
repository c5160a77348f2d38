//! How lots are kept: places, air, moisture, quarantine, reserves.

use std::fmt::Write as _;
use std::fs;

use blindsteep::book::Book;
use blindsteep::book::book_file::Limits;
use blindsteep::book::fitness::{Fitness, dampness, fitness, quarantine};
use blindsteep::book::lot_warnings;
use blindsteep::book::lots::{Lot, LotFile};
use blindsteep::book::moves::{Move, move_lot};
use blindsteep::book::parting::{NewTea, Taken, blend, split_into};
use blindsteep::book::quarantine::{Change, change};
use blindsteep::book::stays::{By, Stay, limits_of, places, stays};
use blindsteep::book::stores::Loggers;
use blindsteep::book::time::{Day, Moment};
use blindsteep::book::writing::{Entry, NewLot, add_lot, log_lot, split_lot};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

use super::{new_book, noon};

fn at(text: &str) -> Moment {
    text.parse().unwrap()
}

fn day(text: &str) -> Day {
    text.parse().unwrap()
}

/// A book with one lot made on 2026-05-01, and dice that give new ids each time.
fn one_lot() -> (tempfile::TempDir, Book, ChaCha12Rng) {
    let (dir, book) = new_book();
    let mut dice = ChaCha12Rng::seed_from_u64(5);
    let file = LotFile { kg: Some(10.0), ..LotFile::new("A", "dark", day("2026-05-01")) };
    add_lot(&book, &NewLot::of(file), noon(), &mut dice).unwrap();
    (dir, book, dice)
}

fn log(
    book: &Book,
    (lot, arm): (&str, Option<&str>),
    what: &str,
    value: &str,
    when: &str,
    dice: &mut ChaCha12Rng,
) {
    let entry = Entry {
        arm: arm.map(str::to_owned),
        at: Some(at(when)),
        ..Entry::new(what.to_owned(), Some(value.to_owned()))
    };
    log_lot(book, lot, &entry, noon(), dice).unwrap();
}

fn go(book: &Book, lot: &str, arm: Option<&str>, place: &str, when: &str, dice: &mut ChaCha12Rng) {
    let moved = Move {
        place: Some(place.to_owned()),
        pack: None,
        temperature: None,
        humidity: None,
        on: Some(at(when)),
        how: blindsteep::book::lots::How::Measured,
        by: None,
        note: None,
    };
    move_lot(book, (lot, arm), &moved, noon(), dice).unwrap();
}

fn find<'a>(lots: &'a [Lot], id: &str) -> &'a Lot {
    lots.iter().find(|l| l.id == id).unwrap()
}

fn stays_of(book: &Book, id: &str, arm: &str, now: &str) -> Vec<Stay> {
    let (lots, file) = (book.lots().unwrap(), book.book_file().unwrap().value);
    let mut loggers = Loggers::new(book, &file);
    let all = stays(find(&lots, id), arm, &lots, &mut loggers, at(now));
    assert!(loggers.problems.is_empty(), "{}", loggers.problems);
    all
}

/// A logger's table: a reading each ten minutes from a moment on, by the humidity of the hour.
fn logger(from: &str, hours: i64, humidity: impl Fn(f64) -> f64) -> String {
    let start = at(from);
    let mut text = "time,temperature °C,humidity %\n".to_owned();
    for step in 0..=hours * 6 {
        let moment = start.later(step * 600).to_string();
        let h = step as f64 / 6.0;
        writeln!(text, "{},{},{}", &moment[..19], 20.0 + h / 100.0, humidity(h)).unwrap();
    }
    text
}

#[test]
fn a_lots_places_follow_its_moves_and_a_split_begins_anew() {
    let (_dir, book, mut dice) = one_lot();
    go(&book, "A", None, "loft", "2026-05-10T12:00:00+08:00", &mut dice);
    // The same place again is no move.
    go(&book, "A", None, " Loft ", "2026-05-12T12:00:00+08:00", &mut dice);
    split_lot(&book, "A", &["dry".into(), "humid".into()], day("2026-06-01")).unwrap();
    go(&book, "A", Some("humid"), "cellar", "2026-06-01T09:00:00+08:00", &mut dice);
    let lots = book.lots().unwrap();
    let told = |arm: &str| -> Vec<String> {
        places(find(&lots, "A"), arm, &lots, at("2026-07-01T12:00:00+08:00"))
            .iter()
            .map(|s| format!("{} {} {}", s.from, s.place.as_deref().unwrap_or("-"), s.goes_on))
            .collect()
    };
    let before = ["2026-05-02T00:00:00+08:00 - false", "2026-05-10T12:00:00+08:00 loft false"];
    let [none, loft] = before;
    assert_eq!(told("dry"), [none, loft, "2026-06-01T00:00:00+08:00 loft true"]);
    assert_eq!(told("humid"), [none, loft, "2026-06-01T09:00:00+08:00 cellar true"]);
}

#[test]
fn a_split_lot_keeps_the_places_of_its_parent_up_to_the_parting() {
    let (_dir, book, mut dice) = one_lot();
    go(&book, "A", None, "loft", "2026-05-02T12:00:00+08:00", &mut dice);
    split_into(&book, ("A", None), &[("C".to_owned(), 1.0)], day("2026-06-01"), noon(), &mut dice)
        .unwrap();
    go(&book, "A", None, "cellar", "2026-06-10T12:00:00+08:00", &mut dice);
    go(&book, "C", None, "shop", "2026-06-20T12:00:00+08:00", &mut dice);
    let lots = book.lots().unwrap();
    let of = |id: &str| -> Vec<Option<String>> {
        let all = places(find(&lots, id), "main", &lots, at("2026-07-01T12:00:00+08:00"));
        all.into_iter().map(|s| s.place).collect()
    };
    let named = |places: &[&str]| -> Vec<Option<String>> {
        [None].into_iter().chain(places.iter().map(|p| Some((*p).to_owned()))).collect()
    };
    assert_eq!(of("C"), named(&["loft", "loft", "shop"]));
    assert_eq!(of("A"), named(&["loft", "cellar"]));
}

#[test]
fn readings_by_hand_are_weighted_by_the_time_between_and_are_not_carried_over_a_move() {
    let (_dir, book, mut dice) = one_lot();
    go(&book, "A", None, "loft", "2026-05-02T12:00:00+08:00", &mut dice);
    for (when, value) in [
        ("2026-05-02T12:00:00+08:00", "60"),
        ("2026-05-03T12:00:00+08:00", "70"),
        ("2026-05-06T12:00:00+08:00", "64"),
    ] {
        log(&book, ("A", None), "store.humidity", value, when, &mut dice);
    }
    go(&book, "A", None, "cellar", "2026-05-08T12:00:00+08:00", &mut dice);
    log(&book, ("A", None), "store.humidity", "90", "2026-05-08T12:00:00+08:00", &mut dice);
    let all = stays_of(&book, "A", "main", "2026-06-01T12:00:00+08:00");
    let [_, loft, cellar] = all.as_slice() else { panic!("{all:?}") };
    let of = &loft.humidity[0];
    // By hand: 65 over one day, 67 over three: 266/4.
    assert!((of.air.mean - 66.5).abs() < 1e-9, "{of:?}");
    assert_eq!((of.air.n, of.air.range, &of.by), (3, [60.0, 70.0], &By::Log));
    // Two days out of six are not known, and hours are told of loggers only.
    assert!((of.air.known - 4.0 / 6.0).abs() < 1e-9);
    assert!(of.above.iter().all(|a| a.hours.is_none()));
    assert_eq!((cellar.humidity[0].air.n, cellar.humidity[0].air.mean), (1, 90.0));
}

#[test]
fn one_logger_of_a_store_room_serves_each_lot_while_it_is_there() {
    let (_dir, book, mut dice) = one_lot();
    let file = LotFile::new("B", "black", day("2026-05-03"));
    add_lot(&book, &NewLot::of(file), noon(), &mut dice).unwrap();
    let folder = book.root().join("stores/cellar");
    fs::create_dir_all(&folder).unwrap();
    // 50 % on the first ten days, 70 % on the next ten.
    let humidity = |h: f64| if h < 240.0 { 50.0 } else { 70.0 };
    fs::write(folder.join("a.csv"), logger("2026-05-05T00:00:00+08:00", 480, humidity)).unwrap();
    go(&book, "A", None, "Cellar", "2026-05-10T00:00:00+08:00", &mut dice);
    go(&book, "B", None, "cellar", "2026-05-20T00:00:00+08:00", &mut dice);
    go(&book, "B", None, "loft", "2026-05-24T00:00:00+08:00", &mut dice);
    let now = "2026-06-04T00:00:00+08:00";
    let a = stays_of(&book, "A", "main", now).pop().unwrap();
    let of = &a.humidity[0];
    assert_eq!(of.by, By::Loggers(vec!["stores/cellar/a.csv".to_owned()]));
    // By hand: the logger covers 15 of 25 days; 5 days at 50 %, 10 at 70 %, and ten minutes between.
    assert!((of.air.known - 0.6).abs() < 1e-9);
    let mean = (119.0 + 5.0 / 6.0) * 50.0 + 60.0 / 6.0 + 240.0 * 70.0;
    assert!((of.air.mean - mean / 360.0).abs() < 1e-9, "{}", of.air.mean);
    assert_eq!((of.air.gaps, of.air.longest_gap.map(|g| (g[1] - g[0]) / 3600)), (1, Some(240)));
    // Above 65 %: 240 h, and a quarter of the ten minutes in which it rises from 50 to 70. The class
    // dark has two limits of its own, and 75 % is never passed.
    let above: Vec<(f64, f64)> =
        of.above.iter().map(|a| (a.limit.value, a.hours.unwrap())).collect();
    let tenth = |share: f64| 240.0 + share / 6.0;
    for ((limit, hours), (expected, of)) in
        above.iter().zip([(65.0, tenth(0.25)), (60.0, tenth(0.5)), (75.0, 0.0)])
    {
        assert_eq!(*limit, expected);
        assert!((hours - of).abs() < 1e-9, "{limit}: {hours}");
    }
    assert_eq!(a.temperature[0].above[0].hours, Some(0.0));
    // The other lot was there for four days, all of them at 70 %.
    let b = &stays_of(&book, "B", "main", now)[1];
    assert!((b.humidity[0].air.mean - 70.0).abs() < 1e-9 && b.humidity[0].air.known > 0.999);
    assert!(stays_of(&book, "B", "main", now)[2].humidity.is_empty());
    // A file of its own goes before that of the place.
    let own = book.root().join("lots/B/readings");
    fs::create_dir_all(&own).unwrap();
    fs::write(own.join("b.csv"), logger("2026-05-19T00:00:00+08:00", 240, |_| 33.0)).unwrap();
    let b = &stays_of(&book, "B", "main", now)[1];
    assert_eq!(b.humidity.len(), 1);
    assert!((b.humidity[0].air.mean - 33.0).abs() < 1e-9);
    assert!(book.lot("B").unwrap().followed.notes.is_empty());
}

#[test]
fn an_arm_has_a_folder_of_its_own_and_the_lots_files_end_at_the_split() {
    let (_dir, book, mut dice) = one_lot();
    split_lot(&book, "A", &["dry".into(), "humid".into()], day("2026-05-11")).unwrap();
    let own = book.root().join("lots/A/readings");
    fs::create_dir_all(own.join("humid")).unwrap();
    fs::write(own.join("a.csv"), logger("2026-05-05T00:00:00+08:00", 480, |_| 40.0)).unwrap();
    fs::write(own.join("humid/h.csv"), logger("2026-05-11T00:00:00+08:00", 240, |_| 80.0)).unwrap();
    log(&book, ("A", None), "store.pack", "tin", "2026-05-01T20:00:00+08:00", &mut dice);
    let now = "2026-05-21T00:00:00+08:00";
    for (arm, after) in [("dry", None), ("humid", Some(80.0))] {
        let all = stays_of(&book, "A", arm, now);
        let [before, split] = all.as_slice() else { panic!("{all:?}") };
        assert!((before.humidity[0].air.mean - 40.0).abs() < 1e-9, "{arm}");
        let mean = split.humidity.first().map(|m| m.air.mean);
        assert_eq!(mean.map(f64::round), after, "{arm}");
        assert_eq!(split.pack.as_deref(), Some("tin"));
    }
}

#[test]
fn a_place_may_have_another_folder_and_its_logger_columns_of_its_own() {
    let (_dir, book, mut dice) = one_lot();
    let path = book.root().join("book.toml");
    let text = fs::read_to_string(&path).unwrap();
    let more = "\n[readings]\nlongest_gap_minutes = 10\n\n[[readings.logger]]\nfiles = \"stores/loft/*\"\n\
                time = [\"Zeit\"]\ntemperature = \"Fühler 1\"\nhumidity = \"Feuchte\"\n\
                time_format = \"%d.%m.%Y %H:%M\"\noffset = \"+00:00\"\nlongest_gap_minutes = 120\n\n\
                [[store]]\nplace = \"the loft above the drier\"\nfolder = \"loft\"\nhumidity_pct = 55\n";
    fs::write(&path, text + more).unwrap();
    let folder = book.root().join("stores/loft");
    fs::create_dir_all(&folder).unwrap();
    // 16:00 at +00:00 is midnight at +08:00.
    let table = "Zeit;Fühler 1;Feuchte\n01.05.2026 16:00;20,0;50\n01.05.2026 17:00;21,0;60\n01.05.2026 18:00;22,0;60\n";
    fs::write(folder.join("x.csv"), table).unwrap();
    go(&book, "A", None, "The loft above the drier", "2026-05-02T00:00:00+08:00", &mut dice);
    let all = stays_of(&book, "A", "main", "2026-05-02T02:00:00+08:00");
    let [stay] = all.as_slice() else { panic!("{all:?}") };
    // By hand: 55 over the first hour, 60 over the second; above 55 for half an hour and an hour.
    assert!((stay.humidity[0].air.mean - 57.5).abs() < 1e-9);
    assert_eq!(stay.humidity[0].above[0].limit.whose, "of this place");
    assert!((stay.humidity[0].above[0].hours.unwrap() - 1.5).abs() < 1e-9);
    assert!((stay.temperature[0].air.mean - 21.0).abs() < 1e-9);
    assert_eq!(stay.humidity[0].air.known, 1.0);
}

#[test]
fn the_limits_of_a_class_are_told_beside_those_of_the_book_where_they_differ() {
    // GB/T 30375-2013 as reported in news, and a textbook on pu-erh: they differ, and both stand.
    let limits = Limits::default();
    let of = |class: &str| {
        limits_of(class, None, &limits).map(|l| l.iter().map(|l| l.value).collect::<Vec<f64>>())
    };
    assert_eq!(of("Dark"), [vec![65.0, 60.0, 75.0], vec![25.0, 30.0]]);
    assert_eq!(of("green"), [vec![65.0, 50.0], vec![25.0, 10.0]]);
    assert_eq!(of("yellow"), [vec![65.0], vec![25.0]]);
    let same = Limits { store_humidity_pct: 50.0, ..Limits::default() };
    assert_eq!(limits_of("black", None, &same)[0].len(), 1);
}

#[test]
fn damp_leaf_is_warned_of_then_blocked_until_something_else_is_measured() {
    let (_dir, book, mut dice) = one_lot();
    let found = |on: &str| {
        let lots = book.lots().unwrap();
        fitness(find(&lots, "A"), "main", &lots, &Limits::default(), day(on))
    };
    assert_eq!(found("2026-05-02"), Fitness::Fit);
    let mut put = |what: &str, value: &str, when: &str| {
        log(&book, ("A", None), what, value, &format!("{when}T12:00:00+08:00"), &mut dice);
    };
    put("store.moisture", "6.5", "2026-05-02");
    put("store.moisture", "8", "2026-05-10");
    put("store.moisture", "9.4", "2026-05-11");
    put("store.moisture", "4.2", "2026-05-20");
    put("store.water-activity", "0.6", "2026-06-01");
    put("store.moisture", "7", "2026-06-02");
    put("store.moisture", "4", "2026-06-03");
    put("store.water-activity", "0.7", "2026-06-04");
    put("store.water-activity", "0.59", "2026-06-05");
    for (on, blocked, part) in [
        ("2026-05-02", false, "moisture of 6.5 % (wet basis, 2026-05-02) is not below 6.5 %"),
        ("2026-05-10", true, "is not below 8 %: not fit to be kept until it is dried again"),
        ("2026-05-11", true, "above 9 % black tea moulds in transport"),
        ("2026-06-01", true, "water activity of 0.6 (2026-06-01) is not below 0.6"),
        // A later moisture that is too high itself sets nothing aside.
        ("2026-06-02", true, "water activity of 0.6"),
        ("2026-06-04", true, "from about 0.68 on moulds were seen to grow"),
    ] {
        let fitness = found(on);
        assert_eq!(fitness.is_blocked(), blocked, "{on}: {fitness:?}");
        assert!(fitness.reasons().join("\n").contains(part), "{on}: {fitness:?}");
    }
    for on in ["2026-05-01", "2026-05-20", "2026-06-03", "2026-06-05"] {
        assert_eq!(found(on), Fitness::Fit, "{on}");
    }
}

#[test]
fn a_quarantine_begins_and_ends_with_a_reason_and_follows_the_tea() {
    let (_dir, book, mut dice) = one_lot();
    split_lot(&book, "A", &["dry".into(), "humid".into()], day("2026-05-05")).unwrap();
    let of = |begins: bool, reason: &str, by: Option<&str>, on: &str| Change {
        begins,
        reason: reason.to_owned(),
        by: by.map(str::to_owned),
        on: Some(at(&format!("{on}T12:00:00+08:00"))),
    };
    let mut put = |lot: (&str, Option<&str>), c: &Change| {
        change(&book, lot, c, noon(), &mut dice).map(|_| ()).map_err(|e| e.to_string())
    };
    let humid = ("A", Some("humid"));
    let refused = put(humid, &of(true, "  ", None, "2026-05-10")).unwrap_err();
    assert!(refused.contains("without a reason") && refused.contains("--reason"), "{refused}");
    put(humid, &of(true, "smells musty", None, "2026-05-10")).unwrap();
    assert!(put(humid, &of(true, "again", None, "2026-05-11")).unwrap_err().contains("already"));
    assert!(
        put(("A", Some("dry")), &of(false, "clean", Some("ann"), "2026-05-11"))
            .unwrap_err()
            .contains("A@dry is not in quarantine")
    );
    let nobody = put(humid, &of(false, "laboratory: clean", None, "2026-05-11")).unwrap_err();
    assert!(nobody.contains("--by"), "{nobody}");
    let on = |id: &str, arm: &str, on: &str| {
        let lots = book.lots().unwrap();
        quarantine(find(&lots, id), arm, &lots, day(on))
    };
    assert_eq!(on("A", "dry", "2026-05-12"), None);
    assert_eq!(on("A", "humid", "2026-05-09"), None);
    let q = on("A", "humid", "2026-05-12").unwrap();
    assert_eq!((q.since, q.reason.as_deref()), (day("2026-05-10"), Some("smells musty")));
    // What is split off, or blended of it, is in quarantine with it; what was taken before is looked at.
    let mut rng = ChaCha12Rng::seed_from_u64(9);
    let split = |id: &str, on: &str, rng: &mut ChaCha12Rng| {
        let into = [(id.to_owned(), 0.5)];
        split_into(&book, ("A", Some("humid")), &into, day(on), noon(), rng).unwrap();
    };
    split("Before", "2026-05-08", &mut rng);
    split("After", "2026-05-20", &mut rng);
    let tea = NewTea {
        new: NewLot::of(LotFile::new("Blend", "", day("2026-05-21"))),
        from: vec![
            Taken { lot: "A".to_owned(), arm: Some("dry".to_owned()), kg: 0.5 },
            Taken { lot: "A".to_owned(), arm: Some("humid".to_owned()), kg: 0.5 },
        ],
    };
    blend(&book, &tea, noon(), &mut rng).unwrap();
    assert_eq!(on("Before", "main", "2026-06-01"), None);
    for id in ["After", "Blend"] {
        assert_eq!(on(id, "main", "2026-06-01").unwrap().from.as_deref(), Some("A@humid"), "{id}");
    }
    let lots = book.lots().unwrap();
    let fit =
        |id: &str| fitness(find(&lots, id), "main", &lots, &Limits::default(), day("2026-06-01"));
    assert!(
        matches!(fit("Before"), Fitness::Warn(r) if r[0].contains("came of A@humid, which is in quarantine since 2026-05-10"))
    );
    assert!(fit("Blend").is_blocked());
    // Each is cleared by itself.
    put(("A", None), &of(false, "laboratory: clean", Some("ann"), "2026-06-02")).unwrap();
    assert_eq!(on("A", "humid", "2026-06-02"), None);
    assert!(on("Blend", "main", "2026-06-03").is_some());
    put(("Blend", None), &of(false, "laboratory: clean", Some("ann"), "2026-06-03")).unwrap();
    assert_eq!(on("Blend", "main", "2026-06-03"), None);
    let lots = book.lots().unwrap();
    let told = lot_warnings::warnings(
        &[find(&lots, "Blend")],
        &lots,
        &Limits::default(),
        at("2026-06-04T12:00:00+08:00"),
    );
    assert!(told.is_empty(), "{told:?}");
}

#[test]
fn a_quarantine_is_not_ended_by_a_bare_line() {
    let (_dir, book, mut dice) = one_lot();
    log(&book, ("A", None), "store.quarantine", "yes", "2026-05-10T12:00:00+08:00", &mut dice);
    let no = Entry::new("store.quarantine".to_owned(), Some("no".to_owned()));
    let refused = log_lot(&book, "A", &no, noon(), &mut dice).unwrap_err().to_string();
    assert!(refused.contains("blindsteep lot clear"), "{refused}");
    let said = Entry { by: Some("ann".to_owned()), note: Some("it was B".to_owned()), ..no };
    log_lot(&book, "A", &said, noon(), &mut dice).unwrap();
}

#[test]
fn a_reserve_above_what_was_made_is_told() {
    let (_dir, book, mut dice) = one_lot();
    let told = || {
        let lots = book.lots().unwrap();
        lot_warnings::warnings(
            &[find(&lots, "A")],
            &lots,
            &Limits::default(),
            at("2026-06-04T12:00:00+08:00"),
        )
    };
    let dry = blindsteep::book::writing::NewArm { id: "dry".to_owned(), kg: Some(4.0) };
    split_lot(&book, "A", &[dry, "humid".into()], day("2026-05-05")).unwrap();
    let june = "2026-06-01T12:00:00+08:00";
    log(&book, ("A", None), "reserve.kept", "5000", june, &mut dice);
    log(&book, ("A", Some("humid")), "reserve.kept", "1000", june, &mut dice);
    // 5 kg, 4 kg and 1 kg are the 10 kg that were made.
    assert!(told().is_empty(), "{:?}", told());
    log(&book, ("A", Some("humid")), "reserve.kept", "100", june, &mut dice);
    let all = told();
    assert!(
        all.len() == 1 && all[0].contains("6100 g in the reserve, 4 kg in arms and 0 kg given into other lots are more than the 10 kg"),
        "{all:?}"
    );
    // What was drawn from the whole lot's reserve may lie in the arm's.
    log(&book, ("A", None), "reserve.drawn", "100", june, &mut dice);
    assert!(told().is_empty(), "{:?}", told());
    log(&book, ("A", Some("dry")), "reserve.kept", "4100", june, &mut dice);
    assert!(told()[0].starts_with("A@dry: 4100 g in its reserve and 0 kg given"), "{:?}", told());
    log(&book, ("A", Some("dry")), "reserve.drawn", "4200", june, &mut dice);
    assert!(
        told()[0].starts_with("A@dry: 4200 g were drawn from a reserve of 4100 g"),
        "{:?}",
        told()
    );
}

#[test]
fn damp_tea_stays_damp_in_its_arms() {
    let (_dir, book, mut dice) = one_lot();
    log(&book, ("A", None), "dry.moisture", "8.4", "2026-05-01T20:00:00+08:00", &mut dice);
    split_lot(&book, "A", &["dry".into(), "humid".into()], day("2026-05-05")).unwrap();
    log(&book, ("A", Some("dry")), "store.moisture", "4", "2026-05-06T20:00:00+08:00", &mut dice);
    let lots = book.lots().unwrap();
    let damp =
        |arm: &str| dampness(find(&lots, "A"), arm, &lots, &Limits::default(), day("2026-06-01"));
    assert_eq!(damp("dry"), Fitness::Fit);
    assert!(damp("humid").is_blocked());
}

/// A logger's table of one reading an hour, all of one humidity.
fn hourly(from: &str, hours: i64, humidity: f64) -> String {
    let start = at(from);
    let mut text = "time,temperature °C,humidity %\n".to_owned();
    for hour in 0..=hours {
        let moment = start.later(hour * 3600).to_string();
        writeln!(text, "{},20,{humidity}", &moment[..19]).unwrap();
    }
    text
}

#[test]
fn an_hourly_logger_of_a_store_says_how_long_it_was_damp() {
    let (_dir, book, mut dice) = one_lot();
    let folder = book.root().join("stores/loft");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("a.csv"), hourly("2026-05-02T00:00:00+08:00", 48, 71.0)).unwrap();
    go(&book, "A", None, "loft", "2026-05-02T00:00:00+08:00", &mut dice);
    let of_loft = || {
        let all = stays_of(&book, "A", "main", "2026-05-04T00:00:00+08:00");
        all.into_iter().find(|s| s.place.is_some()).unwrap().humidity.remove(0)
    };
    let found = of_loft();
    assert_eq!((found.air.n, found.air.hours, found.air.known, found.air.gaps), (49, 48.0, 1.0, 0));
    assert_eq!(found.above[0].hours, Some(48.0));
    // What the book says goes before the step of the file; no hours are none, never −0.
    let path = book.root().join("book.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text + "\n[readings]\nlongest_gap_minutes = 30\n").unwrap();
    let found = of_loft();
    assert_eq!((found.air.hours, found.air.known), (0.0, 0.0));
    assert!(found.above.iter().all(|a| a.hours.unwrap().is_sign_positive()));
    let shown = assert_cmd::Command::cargo_bin("blindsteep")
        .unwrap()
        .args(["--book", book.root().to_str().unwrap(), "lot", "show", "A"])
        .output()
        .unwrap();
    let shown = String::from_utf8(shown.stdout).unwrap();
    assert!(
        shown.contains("no hours are told") && shown.contains("longest_gap_minutes"),
        "{shown}"
    );
    assert!(!shown.contains("-0.0") && !shown.contains("h above"), "{shown}");
}

#[test]
fn a_logger_beside_the_tea_counts_where_it_has_readings_and_that_of_the_place_elsewhere() {
    let (_dir, book, mut dice) = one_lot();
    let (place, own) = (book.root().join("stores/loft"), book.root().join("lots/A/readings"));
    for folder in [&place, &own] {
        fs::create_dir_all(folder).unwrap();
    }
    fs::write(place.join("a.csv"), hourly("2026-05-02T00:00:00+08:00", 240, 70.0)).unwrap();
    fs::write(own.join("b.csv"), hourly("2026-05-04T00:00:00+08:00", 48, 50.0)).unwrap();
    go(&book, "A", None, "loft", "2026-05-02T00:00:00+08:00", &mut dice);
    let all = stays_of(&book, "A", "main", "2026-05-12T00:00:00+08:00");
    let found = &all.iter().find(|s| s.place.is_some()).unwrap().humidity[0];
    assert_eq!(found.by, By::Loggers(vec!["lots/A/readings/b.csv".to_owned()]));
    assert_eq!(found.filled, ["stores/loft/a.csv"]);
    // By hand: 48 h at 50 %, an hour on either side from 70 to 50 and back, 190 h at 70 %.
    let mean = (48.0 * 50.0 + 2.0 * 60.0 + 190.0 * 70.0) / 240.0;
    assert!((found.air.mean - mean).abs() < 1e-9, "{}", found.air.mean);
    assert_eq!((found.air.known, found.air.n), (1.0, 241));
    // Above 65 %: the 190 h and a quarter of each hour of passage.
    assert!((found.above[0].hours.unwrap() - 190.5).abs() < 1e-9);
}

#[test]
fn a_place_is_looked_for_among_the_folders_of_stores_alone() {
    let (_dir, book, mut dice) = one_lot();
    let elsewhere = book.root().join("elsewhere");
    fs::create_dir_all(&elsewhere).unwrap();
    fs::create_dir_all(book.root().join("stores/loft")).unwrap();
    fs::write(elsewhere.join("a.csv"), hourly("2026-05-02T00:00:00+08:00", 240, 70.0)).unwrap();
    let days = ["2026-05-02", "2026-05-03", "2026-05-04", "2026-05-05"];
    let names = ["../elsewhere", "loft/../../elsewhere", "..", "/"];
    for (name, day) in names.iter().zip(days) {
        go(&book, "A", None, name, &format!("{day}T00:00:00+08:00"), &mut dice);
    }
    let all = stays_of(&book, "A", "main", "2026-05-12T00:00:00+08:00");
    let told: Vec<&str> = all.iter().filter_map(|s| s.place.as_deref()).collect();
    assert_eq!(told, names);
    assert!(all.iter().all(|s| s.humidity.is_empty()), "{all:?}");
}

#[test]
fn nothing_is_taken_off_a_reserve_that_nobody_recorded() {
    let (_dir, book, mut dice) = one_lot();
    split_lot(&book, "A", &["dry".into(), "humid".into()], day("2026-05-05")).unwrap();
    let when = "2026-05-06T12:00:00+08:00";
    log(&book, ("A", Some("dry")), "reserve.drawn", "5.6", when, &mut dice);
    let lot = book.lot("A").unwrap();
    assert_eq!((lot.reserve("dry"), lot.drawn_g("dry")), (None, Some(5.6)));
    let shown = assert_cmd::Command::cargo_bin("blindsteep")
        .unwrap()
        .args(["--book", book.root().to_str().unwrap(), "lot", "show", "A"])
        .output()
        .unwrap();
    let shown = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.contains("no reserve is recorded") && !shown.contains("-5.6"), "{shown}");
    log(&book, ("A", Some("dry")), "reserve.kept", "100", when, &mut dice);
    assert!((book.lot("A").unwrap().reserve("dry").unwrap().left_g - 94.4).abs() < 1e-9);
}
