//! Lots that are split, blended, fired again and moved.

use std::fs;

use blindsteep::book::balance::balance;
use blindsteep::book::book_file::Limits;
use blindsteep::book::family::family;
use blindsteep::book::lot_warnings::leaf;
use blindsteep::book::lots::{CameBy, How, Lot, LotFile};
use blindsteep::book::moves::{Move, move_lot, storage};
use blindsteep::book::parameters::Value;
use blindsteep::book::parting::{NewTea, Parted, Taken, blend, refire, split_into};
use blindsteep::book::time::Day;
use blindsteep::book::writing::{Entry, NewArm, NewLot, add_lot, log_lot, split_lot};
use blindsteep::book::{Book, BookError};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

use super::{new_book, noon, rng};

fn day(text: &str) -> Day {
    text.parse().unwrap()
}

/// A book with the lots A (20 kg, since June in a dry arm of 12 kg and a humid one of 8 kg) and
/// B (10 kg).
fn two_lots() -> (tempfile::TempDir, Book) {
    let (dir, book) = new_book();
    for (id, made, kg) in [("A", "2026-05-01", 20.0), ("B", "2026-05-02", 10.0)] {
        let file = LotFile { kg: Some(kg), ..LotFile::new(id, "black", day(made)) };
        add_lot(&book, &NewLot::of(file), noon(), &mut rng()).unwrap();
    }
    let arm = |id: &str, kg| NewArm { id: id.to_owned(), kg: Some(kg) };
    let arms = [arm("dry", 12.0), arm("humid", 8.0)];
    split_lot(&book, "A", &arms, day("2026-06-01")).unwrap();
    (dir, book)
}

fn taken(sample: &str, kg: f64) -> Taken {
    let (lot, arm) = sample.split_once('@').map_or((sample, None), |(l, a)| (l, Some(a)));
    Taken { lot: lot.to_owned(), arm: arm.map(str::to_owned), kg }
}

fn tea(id: &str, made: &str, kg: Option<f64>, from: &[(&str, f64)]) -> NewTea {
    let file = LotFile { kg, ..LotFile::new(id, "", day(made)) };
    let from = from.iter().map(|(sample, kg)| taken(sample, *kg)).collect();
    NewTea { new: NewLot::of(file), from }
}

fn blended(book: &Book, tea: &NewTea) -> Result<Parted, BookError> {
    blend(book, tea, noon(), &mut rng())
}

fn find<'a>(lots: &'a [Lot], id: &str) -> &'a Lot {
    lots.iter().find(|l| l.id == id).unwrap()
}

fn move_of(place: &str, on: &str) -> Move {
    Move {
        place: Some(place.to_owned()),
        pack: None,
        temperature: Some("68 °F".to_owned()),
        humidity: None,
        on: Some(on.parse().unwrap()),
        how: How::Measured,
        by: None,
        note: None,
    }
}

fn snapshot(book: &Book) -> Vec<(String, Vec<u8>)> {
    fn walk(folder: &std::path::Path, all: &mut Vec<(String, Vec<u8>)>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, all);
            } else {
                all.push((path.display().to_string(), fs::read(&path).unwrap()));
            }
        }
    }
    let mut all = Vec::new();
    walk(&book.root().join("lots"), &mut all);
    all.sort();
    all
}

#[test]
fn lots_are_split_off_with_their_masses_all_or_none() {
    let (_dir, book) = two_lots();
    let into = [("C".to_owned(), 2.5), ("D".to_owned(), 9.5)];
    let on = day("2026-07-01");
    let split = |into: &[(String, f64)]| {
        split_into(&book, ("a", Some("DRY")), into, on, noon(), &mut rng())
    };
    let before = snapshot(&book);
    // 2.5 and 9.6 kg are more than the 12 kg of the arm; an id that is taken spoils both too.
    let told = split(&[into[0].clone(), ("D".to_owned(), 9.6)]).unwrap_err().to_string();
    assert!(told.contains("12.1 kg are taken from A@dry, but only 12 kg"), "{told}");
    assert!(split(&[into[0].clone(), ("b".to_owned(), 1.0)]).is_err());
    assert_eq!(snapshot(&book), before);
    split(&into).unwrap();
    let lots = book.lots().unwrap();
    let c = &find(&lots, "C").file.value;
    assert_eq!((c.made, c.kg, c.came_by), (day("2026-05-01"), Some(2.5), Some(CameBy::Split)));
    assert_eq!((c.parted, c.parents[0].arm.as_deref()), (Some(on), Some("dry")));
    let balance = balance(find(&lots, "A"), &lots);
    assert_eq!((balance.given_kg, balance.left_kg), (12.0, Some(8.0)));
    assert_eq!((balance.left_of("dry"), balance.left_of("humid")), (Some(0.0), Some(8.0)));
    assert!(split(&[("E".to_owned(), 0.1)]).is_err(), "the arm is empty");
}

#[test]
fn a_blend_has_the_class_and_the_mass_of_what_went_in() {
    let (_dir, book) = two_lots();
    let from = [("A@humid", 0.1), ("B", 0.2)];
    blended(&book, &tea("C", "2026-08-01", None, &from)).unwrap();
    let lots = book.lots().unwrap();
    let c = &find(&lots, "C").file.value;
    // 0.1 and 0.2 are 0.3, whatever binary arithmetic makes of it.
    assert_eq!((c.class.as_str(), c.kg, c.came_by), ("black", Some(0.3), Some(CameBy::Blend)));
    let green = LotFile::new("G", "green", day("2026-05-03"));
    add_lot(&book, &NewLot::of(green), noon(), &mut rng()).unwrap();
    let mut mixed = tea("D", "2026-08-01", None, &[("B", 1.0), ("G", 1.0)]);
    let told = blended(&book, &mixed).unwrap_err().to_string();
    assert!(told.contains("black and green") && told.contains("--class"), "{told}");
    mixed.new.file.class = "black".to_owned();
    let parted = blended(&book, &mixed).unwrap();
    assert!(parted.warnings[0].contains("whether G has as much left is not known"), "{parted:?}");
}

#[test]
fn what_cannot_be_blended_is_refused_and_nothing_is_written() {
    let (_dir, book) = two_lots();
    let before = snapshot(&book);
    let day = "2026-08-01";
    for (tea, told) in [
        (tea("C", day, None, &[("B", 1.0)]), "fewer than two"),
        (tea("C", day, None, &[("A", 1.0), ("B", 1.0)]), "A@dry or A@humid"),
        (tea("C", day, None, &[("A@wet", 1.0), ("B", 1.0)]), "A had no arm \"wet\""),
        (tea("C", day, None, &[("B", 1.0), ("b", 1.0)]), "goes in twice"),
        (tea("C", day, None, &[("A@dry", 1.0), ("B", 10.5)]), "only 10 kg are left of it"),
        (tea("C", day, Some(2.5), &[("A@dry", 1.0), ("B", 1.0)]), "only 2 kg went in"),
        (tea("C", day, None, &[("A@dry", 1.0), ("Z", 1.0)]), "there is no lot \"Z\""),
        (tea("B", day, None, &[("A@dry", 1.0), ("A@humid", 1.0)]), "there is a lot B already"),
        (tea("C/..", day, None, &[("A@dry", 1.0), ("B", 1.0)]), "cannot be the id"),
        (tea("C", "2026-05-01", None, &[("B", 1.0), ("A", 1.0)]), "B is there since 2026-05-02"),
    ] {
        let refused = blended(&book, &tea).unwrap_err().to_string();
        assert!(refused.contains(told), "{told} is not in\n{refused}");
        assert!(refused.contains("to mend:"), "{refused}");
    }
    assert_eq!(snapshot(&book), before);
}

#[test]
fn a_lot_fired_again_loses_mass_and_has_its_own_values() {
    let (_dir, book) = two_lots();
    let mut again = tea("C", "2026-08-01", Some(3.8), &[("B", 4.0)]);
    again.new.values = vec![("dry.temperature".to_owned(), "176 °F".to_owned())];
    let parted = refire(&book, &again, noon(), &mut rng()).unwrap();
    // By hand: 0.2 of 4 kg.
    assert!((parted.lost_pct.unwrap() - 5.0).abs() < 1e-9);
    let c = &parted.lots[0];
    assert_eq!(c.parameter("dry.temperature").unwrap().value, Value::Number(80.0));
    assert_eq!(c.parameter("dry.temperature").unwrap().at.day(), day("2026-08-01"));
    assert_eq!(c.file.value.came_by, Some(CameBy::Refire));
    let unweighed = tea("D", "2026-08-01", None, &[("B", 1.0)]);
    assert_eq!(refire(&book, &unweighed, noon(), &mut rng()).unwrap().lost_pct, None);
    for (kg, from, told) in [
        (Some(2.0), &[("B", 1.0)][..], "2 kg came out, but only 1 kg went in"),
        (None, &[("B", 1.0), ("A@dry", 1.0)][..], "lot blend"),
    ] {
        let refused = refire(&book, &tea("E", "2026-08-01", kg, from), noon(), &mut rng());
        let refused = refused.unwrap_err().to_string();
        assert!(refused.contains(told), "{told} is not in\n{refused}");
    }
}

#[test]
fn a_parent_in_quarantine_is_warned_of_but_not_refused() {
    let (_dir, book) = two_lots();
    let entry = Entry {
        arm: Some("humid".to_owned()),
        ..Entry::new("store.quarantine".to_owned(), Some("yes".to_owned()))
    };
    log_lot(&book, "A", &entry, noon(), &mut rng()).unwrap();
    let of = |sample| {
        tea(
            if sample == "A@dry" { "C" } else { "D" },
            "2026-08-01",
            None,
            &[(sample, 1.0), ("B", 1.0)],
        )
    };
    assert!(blended(&book, &of("A@dry")).unwrap().warnings.is_empty());
    let parted = blended(&book, &of("A@humid")).unwrap();
    assert!(parted.warnings[0].contains("A@humid is in quarantine"), "{:?}", parted.warnings);
}

#[test]
fn moves_are_told_by_arm_and_a_split_lot_has_those_from_before_it_was_parted() {
    let (_dir, book) = two_lots();
    let steps = [
        ("A", None, "loft", "2026-05-10T12:00:00+08:00"),
        ("A", Some("dry"), "cabinet", "2026-06-02T12:00:00+08:00"),
        ("A", Some("humid"), "cellar", "2026-06-02T12:00:00+08:00"),
    ];
    let go = |(lot, arm, place, on): (&str, Option<&str>, &str, &str), seed| {
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        move_lot(&book, (lot, arm), &move_of(place, on), noon(), &mut rng)
    };
    for (i, step) in steps.into_iter().enumerate() {
        assert_eq!(go(step, 10 + i as u64).unwrap().1.len(), 2);
    }
    let into = [("C".to_owned(), 1.0)];
    split_into(&book, ("A", Some("dry")), &into, day("2026-07-01"), noon(), &mut rng()).unwrap();
    go(("A", Some("dry"), "attic", "2026-07-02T12:00:00+08:00"), 20).unwrap();
    go(("C", None, "shop", "2026-07-03T12:00:00+08:00"), 21).unwrap();
    let lots = book.lots().unwrap();
    let places = |id: &str| -> Vec<String> {
        let kept = storage(find(&lots, id), &lots);
        let of = |k: &blindsteep::book::moves::Kept| {
            format!("{}@{} {}", k.lot, k.arm.as_deref().unwrap_or("-"), k.values[0].1)
        };
        kept.iter().map(of).collect()
    };
    assert_eq!(places("C"), ["A@- loft", "A@dry cabinet", "C@- shop"]);
    assert_eq!(places("A"), ["A@- loft", "A@dry cabinet", "A@humid cellar", "A@dry attic"]);
    let degrees = storage(find(&lots, "C"), &lots)[0].values[1].clone();
    // By definition: 68 °F are 20 °C.
    assert_eq!((degrees.0.as_str(), degrees.1), ("store.temperature", Value::Number(20.0)));
}

#[test]
fn a_move_that_cannot_have_been_is_refused_and_an_older_book_is_told_the_parameters_lines() {
    let (_dir, book) = two_lots();
    let before = snapshot(&book);
    let go = |lot: &str, arm: Option<&str>, moved: &Move| {
        move_lot(&book, (lot, arm), moved, noon(), &mut rng()).unwrap_err().to_string()
    };
    let june = "2026-06-02T12:00:00+08:00";
    let nothing = Move { place: None, temperature: None, ..move_of("", june) };
    let hot = Move { temperature: Some("900".to_owned()), ..move_of("loft", june) };
    for (lot, arm, moved, told) in [
        ("B", None, nothing, "--humidity"),
        ("B", None, hot, "-40 to 300"),
        ("B", None, move_of("loft", "2026-04-01T12:00:00+08:00"), "there since 2026-05-02"),
        ("A", Some("dry"), move_of("loft", "2026-05-03T12:00:00+08:00"), "no arm \"dry\" on 2026"),
        ("A", Some("dri"), move_of("loft", june), "did you mean \"dry\"?"),
        ("Z", None, move_of("loft", june), "there is no lot \"Z\""),
    ] {
        let refused = go(lot, arm, &moved);
        assert!(refused.contains(told), "{told} is not in\n{refused}");
    }
    let file = book.root().join("parameters.toml");
    let text = fs::read_to_string(&file).unwrap().replace("\"store.place\"", "\"store.spot\"");
    fs::write(&file, text).unwrap();
    let refused = go("B", None, &move_of("loft", june));
    assert!(refused.contains("parameters.toml has no store.place"), "{refused}");
    assert!(
        refused.contains("id = \"store.place\"") && refused.contains("kind = \"text\""),
        "{refused}"
    );
    assert_eq!(snapshot(&book), before);
}

#[test]
fn a_family_is_told_up_and_down_and_each_branch_once() {
    let (_dir, book) = two_lots();
    let make = |id: &str, made: &str, from: &[(&str, f64)]| {
        blended(&book, &tea(id, made, None, from)).unwrap();
    };
    make("C", "2026-07-01", &[("A@dry", 1.0), ("B", 1.0)]);
    make("D", "2026-08-01", &[("C", 1.0), ("B", 1.0)]);
    make("E", "2026-09-01", &[("C", 0.5), ("D", 0.5)]);
    let lots = book.lots().unwrap();
    let told = |list: Vec<blindsteep::book::family::Relative>| -> Vec<String> {
        let of = |r: &blindsteep::book::family::Relative| {
            format!("{} {}{}", r.steps, r.lot, if r.again { " again" } else { "" })
        };
        list.iter().map(of).collect()
    };
    let e = family(find(&lots, "E"), &lots);
    assert_eq!(told(e.ancestors), ["1 C", "2 A", "2 B", "1 D", "2 C again", "2 B"]);
    assert!(e.descendants.is_empty());
    let a = family(find(&lots, "A"), &lots);
    assert_eq!(told(a.descendants), ["1 C", "2 D", "3 E", "2 E"]);
}

#[test]
fn damp_tea_stays_damp_when_it_is_split_and_is_told_until_it_is_measured_again() {
    let (_dir, book) = two_lots();
    let log = |lot: &str, arm: Option<&str>, value: &str, at: &str, seed| {
        let entry = Entry {
            arm: arm.map(str::to_owned),
            at: Some(at.parse().unwrap()),
            ..Entry::new("store.moisture".to_owned(), Some(value.to_owned()))
        };
        log_lot(&book, lot, &entry, noon(), &mut ChaCha12Rng::seed_from_u64(seed)).unwrap();
    };
    log("A", Some("humid"), "7.4", "2026-06-20T12:00:00+08:00", 2);
    log("A", Some("dry"), "4", "2026-06-20T12:00:00+08:00", 3);
    for (id, arm) in [("C", "humid"), ("D", "dry")] {
        let into = [(id.to_owned(), 1.0)];
        split_into(&book, ("A", Some(arm)), &into, day("2026-07-01"), noon(), &mut rng()).unwrap();
    }
    // What happens to the parent afterwards says nothing of the child.
    log("A", Some("humid"), "3", "2026-07-02T12:00:00+08:00", 4);
    let told = |id: &str| {
        let lots = book.lots().unwrap();
        leaf(&[find(&lots, id)], &lots, &Limits::default(), day("2026-07-10"))
    };
    let c = told("C");
    assert!(
        c.len() == 1 && c[0].starts_with("C: moisture of 7.4 % (wet basis, 2026-06-20)"),
        "{c:?}"
    );
    assert!(told("D").is_empty() && told("A").is_empty());
    log("C", None, "4.5", "2026-07-03T12:00:00+08:00", 5);
    assert!(told("C").is_empty());
}

#[test]
fn more_than_was_made_is_never_put_into_arms_and_given_away_together() {
    let (_dir, book) = two_lots();
    let into = [("C".to_owned(), 3.0)];
    split_into(&book, ("B", None), &into, day("2026-06-01"), noon(), &mut rng()).unwrap();
    let arm = |id: &str, kg| NewArm { id: id.to_owned(), kg: Some(kg) };
    let before = snapshot(&book);
    for (first, second) in [(6.0, 5.0), (4.0, 4.0)] {
        let arms = [arm("dry", first), arm("humid", second)];
        assert!(split_lot(&book, "B", &arms, day("2026-07-01")).is_err(), "{first} and {second}");
    }
    assert_eq!(snapshot(&book), before);
    split_lot(&book, "B", &[arm("dry", 4.0), arm("humid", 3.0)], day("2026-07-01")).unwrap();
    assert_eq!(book.lots().unwrap().len(), 3);
}

/// Whatever is split, blended and fired again, in whatever order: no lot and no arm gives more
/// than it had, what is left of all together with what was lost in firing is what was made, and
/// the record has no mistake.
#[test]
fn mass_is_kept_through_any_course() {
    use rand_chacha::rand_core::Rng as _;
    for seed in 0..3 {
        let mut dice = ChaCha12Rng::seed_from_u64(100 + seed);
        let (_dir, book) = two_lots();
        let (mut lost, mut done, mut refused) = (0.0, 0, 0);
        for step in 0..20 {
            let lots = book.lots().unwrap();
            let mut pick = |n: usize| (dice.next_u64() % n as u64) as usize;
            let on = day("2026-06-01").later(step);
            let mut sample = || {
                let lot = &lots[pick(lots.len())];
                let arms = lot.arms_on(on);
                let arm = arms[pick(arms.len())].clone();
                (lot.id.clone(), arm, 0.1 * (1 + pick(60)) as f64)
            };
            let (first, second) = (sample(), sample());
            let named = |(lot, arm, kg): &(String, String, f64)| {
                let arm = Some(arm.clone()).filter(|a| a != "main");
                Taken { lot: lot.clone(), arm, kg: *kg }
            };
            let id = format!("N{step}");
            let tea = |kg, from| NewTea {
                new: NewLot::of(LotFile { kg, ..LotFile::new(&id, "", on) }),
                from,
            };
            let result = match pick(3) {
                0 => {
                    let into = [(id.clone(), first.2), (format!("{id}b"), second.2)];
                    let Taken { lot, arm, .. } = named(&first);
                    split_into(&book, (&lot, arm.as_deref()), &into, on, noon(), &mut dice)
                }
                1 => {
                    blend(&book, &tea(None, vec![named(&first), named(&second)]), noon(), &mut dice)
                }
                _ => {
                    let fired = tea(Some(0.95 * first.2), vec![named(&first)]);
                    let result = refire(&book, &fired, noon(), &mut dice);
                    lost += if result.is_ok() { 0.05 * first.2 } else { 0.0 };
                    result
                }
            };
            *if result.is_ok() { &mut done } else { &mut refused } += 1;
            let lots = book.lots().unwrap();
            let left: f64 = lots.iter().map(|l| balance(l, &lots).left_kg.unwrap()).sum();
            assert!((left + lost - 30.0).abs() < 1e-6, "{left} kg left, {lost} kg lost");
            for lot in &lots {
                let balance = balance(lot, &lots);
                assert!(balance.left_kg.unwrap() > -1e-9, "{}: {balance:?}", lot.id);
                assert!(lot.arms().iter().all(|a| balance.left_of(a).is_none_or(|kg| kg > -1e-9)));
            }
        }
        assert!(done > 5 && refused > 0, "{done} done, {refused} refused");
    }
}
