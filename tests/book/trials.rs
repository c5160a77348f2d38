//! Trials: written once, read with their places, and made as lots.

use std::collections::BTreeMap;
use std::fs;

use blindsteep::book::lots::LotFile;
use blindsteep::book::parameters::Role;
use blindsteep::book::trials::{Factor, GivenParameter, Level, MadeBy, Run, TrialFile};
use blindsteep::book::writing::{NewLot, add_lot};
use blindsteep::book::{Book, BookError};
use blindsteep::scores::makings_of_book;

use super::{new_book, noon, rng};

fn trial() -> TrialFile {
    let word = |w: &str| Level::Word(w.to_owned());
    let run = |run: u32, day: u32, minutes: f64, method: &str| Run {
        run,
        day,
        settings: BTreeMap::from([
            ("roll.minutes".to_owned(), Level::Number(minutes)),
            ("dry.method".to_owned(), word(method)),
        ]),
    };
    TrialFile {
        format: 1,
        name: "roll-and-sun".to_owned(),
        planned: noon(),
        seed: 7,
        made_by: MadeBy::Fraction,
        notes: None,
        lots: Vec::new(),
        terms: vec!["body".to_owned()],
        tasters: Some(6),
        see_points: Some(1.0),
        factors: vec![
            Factor {
                parameter: "roll.minutes".to_owned(),
                levels: vec![Level::Number(40.0), Level::Number(75.0)],
            },
            Factor {
                parameter: "dry.method".to_owned(),
                levels: vec![word("sun"), word("hot-air")],
            },
        ],
        given: vec![GivenParameter { parameter: "oxidise.temperature".to_owned() }],
        runs: vec![run(1, 1, 40.0, "sun"), run(2, 1, 75.0, "hot-air")],
    }
}

fn refusal(book: &Book, trial: &TrialFile) -> String {
    match book.write_trial(trial) {
        Err(BookError::Refused(text)) => text,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_trial_is_read_as_it_was_written_and_is_never_written_over() {
    let (_dir, book) = new_book();
    book.write_trial(&trial()).unwrap();
    assert_eq!(book.trial("Roll-and-Sun").unwrap().value, trial());
    let text = fs::read_to_string(book.root().join("trials/roll-and-sun.toml")).unwrap();
    for line in [
        "planned = 2026-05-01T12:00:00+08:00",
        "levels = [40, 75]",
        "settings = { \"dry.method\" = \"sun\", \"roll.minutes\" = 40 }",
    ] {
        assert!(text.lines().any(|l| l == line), "{text}");
    }
    let again = TrialFile { seed: 8, name: "ROLL-AND-SUN".to_owned(), ..trial() };
    assert!(refusal(&book, &again).contains("there is a trial roll-and-sun already"));
    assert_eq!(book.trials().unwrap().len(), 1);
    assert!(book.trial("roll").unwrap_err().to_string().contains("there is no trial \"roll\""));
}

#[test]
fn a_trial_that_does_not_fit_the_book_is_not_written() {
    let (_dir, book) = new_book();
    let mut off = trial();
    off.factors[1].levels.push(Level::Word("oven".to_owned()));
    off.terms.push("bodi".to_owned());
    let told = refusal(&book, &off);
    assert!(told.contains("dry.method = oven does not hold"), "{told}");
    assert!(told.contains("there is no term \"bodi\""), "{told}");
    let mut outcome = trial();
    outcome.factors[0].parameter = "dry.moisture".to_owned();
    assert!(refusal(&book, &outcome).contains("is an outcome of the other parameters"));
    let named = TrialFile { name: "../roll".to_owned(), ..trial() };
    assert!(refusal(&book, &named).contains("cannot be the id of a trial"));
    assert!(!book.root().join("trials").exists());
}

#[test]
fn a_lot_made_for_a_run_is_known_by_it_and_so_are_its_parts() {
    let (_dir, book) = new_book();
    book.write_trial(&trial()).unwrap();
    let of_run = |id: &str, trial: &str, run: u32| {
        let day = "2026-05-02".parse().unwrap();
        let file = LotFile {
            trial: Some(trial.to_owned()),
            run: Some(run),
            kg: Some(3.0),
            ..LotFile::new(id, "black", day)
        };
        let values = [("roll.minutes", "41"), ("wither.moisture", "61"), ("pluck.weather", "dew")];
        let values = values.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect();
        NewLot { values, ..NewLot::of(file) }
    };
    let add = |new: &NewLot| add_lot(&book, new, noon(), &mut rng()).map(|l| l.id);
    assert_eq!(add(&of_run("A", "roll-and-sun", 2)).unwrap(), "A");
    let told = add(&of_run("B", "roll-and-sun", 3)).unwrap_err().to_string();
    assert!(told.contains("the trial roll-and-sun has no run 3"), "{told}");
    let told = add(&of_run("B", "roll-and-son", 1)).unwrap_err().to_string();
    assert!(told.contains("did you mean \"roll-and-sun\"?"), "{told}");
    let day = "2026-06-01".parse().unwrap();
    let children = [("A1".to_owned(), 1.0), ("A2".to_owned(), 1.0)];
    blindsteep::book::parting::split_into(&book, ("A", None), &children, day, noon(), &mut rng())
        .unwrap();
    let lots = book.lots().unwrap();
    let makings = makings_of_book(&lots, &book.book_file().unwrap().value.limits, day);
    let run = ("roll-and-sun".to_owned(), 2);
    for lot in ["A", "A1", "A2"] {
        assert_eq!(makings.trial_runs.get(lot), Some(&run), "{lot}");
    }
    let role = |id: &str| makings.parameters.iter().find(|p| p.id == id).unwrap().role;
    assert_eq!(role("roll.minutes"), Role::Chosen);
    assert_eq!(role("wither.moisture"), Role::Outcome);
    assert_eq!(role("pluck.weather"), Role::Given);
    assert_eq!(role("lot.class"), Role::Given);
}

/// A book that was begun before roles were written down has the same ones.
#[test]
fn the_starter_says_the_roles_that_are_taken_where_none_is_said() {
    let (_dir, book) = new_book();
    let parameters = book.parameters().unwrap().value;
    assert!(parameters.parameters.iter().filter(|p| p.role.is_some()).count() > 10);
    for p in &parameters.parameters {
        assert_eq!(p.role.unwrap_or_default(), Role::usual(&p.id), "{}", p.id);
    }
}
