//! What hands, sync programs and full disks do to the files of a session.

use std::fs;
use std::path::Path;

use blindsteep::book::BookError;
use blindsteep::book::session_files::{CloseFile, RevealFile, SessionFile, VoidFile};
use blindsteep::book::toml_file;
use blindsteep::session::ballots::Ballot;
use blindsteep::session::{self, HandIn, State, enter_lines};

use super::common::{Panel, full_answers, now, request};

const FOLDER: &str = "sessions/2026-05-14-spring";
const ANN: &str = "sessions/2026-05-14-spring/ballots/ann.csv";

fn tasted() -> Panel {
    let panel = Panel::new();
    panel.plan(&request());
    panel.taste();
    panel
}

fn check(panel: &Panel) -> String {
    let output = panel.run(&["check"]);
    assert_eq!(output.code, 1, "{output:?}");
    output.out
}

#[test]
fn descriptions_reread_are_what_was_written() {
    let panel = tasted();
    session::close(&panel.book, "spring", false, now()).unwrap();
    session::reveal(&panel.book, "spring", now()).unwrap();
    session::void(&panel.book, "spring", "a \"test\"\nof 茶", None, now()).unwrap();
    fn reread<T>(panel: &Panel, file: &str)
    where
        T: serde::Serialize + serde::de::DeserializeOwned + schemars::JsonSchema + 'static,
    {
        let mut problems = blindsteep::book::problem::Problems::new();
        let file = format!("{FOLDER}/{file}");
        let read = toml_file::read::<T>(panel.book.root(), &file, &mut problems).unwrap();
        assert!(problems.is_empty(), "{problems}");
        assert_eq!(toml_file::to_text(&read.unwrap().value), panel.read(&file));
    }
    reread::<SessionFile>(&panel, "session.toml");
    reread::<CloseFile>(&panel, "close.toml");
    reread::<RevealFile>(&panel, "reveal.toml");
    reread::<VoidFile>(&panel, "void.toml");
}

/// `BLINDSTEEP_WRITE_SCHEMAS=1` writes the key's schema anew; those of the other files are kept
/// by the tests of the record.
#[test]
fn the_files_of_a_session_fit_their_schemas() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas");
    let of_key = blindsteep::book::schemas::text_of(&session::key_schema().into());
    if std::env::var_os("BLINDSTEEP_WRITE_SCHEMAS").is_some() {
        fs::write(folder.join("key.schema.json"), &of_key).unwrap();
    }
    let kept = fs::read_to_string(folder.join("key.schema.json")).unwrap();
    assert_eq!(kept, of_key, "to be written anew");
    let panel = tasted();
    session::close(&panel.book, "spring", true, now()).unwrap();
    session::reveal(&panel.book, "spring", now()).unwrap();
    session::void(&panel.book, "spring", "a test", None, now()).unwrap();
    for name in ["session", "key", "close", "reveal", "void"] {
        let schema = fs::read_to_string(folder.join(format!("{name}.schema.json"))).unwrap();
        let schema: serde_json::Value = serde_json::from_str(&schema).unwrap();
        let file: toml::Value =
            toml::from_str(&panel.read(&format!("{FOLDER}/{name}.toml"))).unwrap();
        let file = serde_json::to_value(file).unwrap();
        let errors: Vec<String> = jsonschema::validator_for(&schema)
            .unwrap()
            .iter_errors(&file)
            .map(|e| format!("{}: {e}", e.instance_path()))
            .collect();
        assert!(errors.is_empty(), "{name}: {errors:?}");
    }
}

#[test]
fn a_torn_last_line_does_not_count_and_costs_no_other() {
    let panel = Panel::new();
    panel.plan(&request());
    let session = panel.session();
    let answers = full_answers(&session);
    let enter = |answers: &[session::Answer]| {
        enter_lines(&panel.book, "spring", "ann", answers, None, HandIn::No, now()).unwrap()
    };
    enter(&answers[..3]);
    let whole = panel.read(ANN);
    // The power fails within the third line.
    panel.write(ANN, &whole[..whole.len() - 9]);
    let ballot = Ballot::open(&session, "ann").unwrap();
    assert_eq!(ballot.answers().count(), 2);
    assert!(ballot.log.torn.is_some());
    assert!(panel.run(&["session", "show", "spring"]).out.contains("its last line is torn"));
    // The next answer sets it aside.
    assert_eq!(enter(&answers[2..4]).n_new, 2);
    assert_eq!(Ballot::open(&session, "ann").unwrap().answers().count(), 4);
    assert!(panel.root.join(format!("{ANN}.torn")).exists());
    assert_eq!(panel.read(ANN).lines().count(), 5);
}

#[test]
fn a_code_with_two_meanings_is_told() {
    let panel = tasted();
    let file = format!("{FOLDER}/session.toml");
    let plan = panel.session().plan().clone();
    let (a, b) = (plan.flights[0].cups[0], plan.flights[1].cups[0]);
    let text = panel.read(&file);
    let second = text.rfind("cups = [").unwrap();
    let broken =
        format!("{}{}", &text[..second], text[second..].replace(&b.to_string(), &a.to_string()));
    panel.write(&file, &broken);
    let told = check(&panel);
    assert!(
        told.contains(&format!("the code {a} has two meanings: flight 1 has it too")),
        "{told}"
    );
    assert!(told.contains("session.toml:"), "{told}");
}

#[test]
fn a_plan_that_was_tampered_with_is_told_at_its_place() {
    let panel = tasted();
    let file = format!("{FOLDER}/session.toml");
    let text = panel.read(&file);
    for (from, to, told) in [
        ("tasters = [\"ann\"", "tasters = [\"ann\", \"ANN\"", "ANN stands here a second time"),
        ("number = 2", "number = 3", "flight 3 stands at place 2"),
        ("order_seed = 7", "order_sed = 7", "did you mean \"order_seed\"?"),
        ("format = 1", "format = 2", "format 2 is newer than this program"),
        ("id = \"balance\"", "id = \"guess\"", "the id \"guess\" is kept for guesses"),
        ("kind = \"profile\"", "kind = \"triangel\"", "one of profile"),
        ("kind = \"profile\"", "kind = \"triangle\"", "a triangle session has no table [test]"),
    ] {
        let broken = text.replacen(from, to, 1);
        assert_ne!(broken, text, "{from}");
        panel.write(&file, &broken);
        let all = check(&panel);
        assert!(all.contains(told), "{told}: {all}");
        assert!(all.contains("session.toml:"), "{all}");
    }
}

#[test]
fn impossible_lines_of_a_ballot_are_told_at_their_places() {
    let panel = tasted();
    let text = panel.read(ANN);
    let lines: Vec<&str> = text.lines().collect();
    let first: Vec<&str> = lines[1].split(',').collect();
    let change = |column: usize, value: &str| {
        let mut cells = first.clone();
        cells[column] = value;
        let mut broken = lines.clone();
        let line = cells.join(",");
        broken[1] = &line;
        panel.write(ANN, &(broken.join("\n") + "\n"));
        check(&panel)
    };
    let served = panel
        .session()
        .plan()
        .flights
        .iter()
        .flat_map(|f| f.codes().collect::<Vec<_>>())
        .collect::<Vec<_>>();
    let free = (100..=999).find(|c| !served.contains(c)).unwrap().to_string();
    for (column, value, told) in [
        (4, free.as_str(), format!("no cup {free} was served in this session")),
        (4, "1000", "cup is \"1000\"".to_owned()),
        (3, "2", "is not served in flight 2".to_owned()),
        (5, "2", "there is no steep 2".to_owned()),
        (6, "brihgt", "this session does not ask \"brihgt\"".to_owned()),
        (7, "11", "bright is \"11\"".to_owned()),
        (7, "3.3", "the nearest is 3.5".to_owned()),
        (7, "", "a scored answer has no value".to_owned()),
        (8, "declined", "a value stands beside an answer that was declined or lost".to_owned()),
        (8, "scred", "did you mean \"scored\"?".to_owned()),
        (9, "zzz", "there is no earlier entry zzz".to_owned()),
    ] {
        let mut all = change(column, value);
        if column == 9 {
            assert!(all.contains("a correction has no reason"), "{all}");
            let mut cells = first.clone();
            cells[9] = value;
            cells[10] = "why";
            let line = cells.join(",");
            let mut broken = lines.clone();
            broken[1] = &line;
            panel.write(ANN, &(broken.join("\n") + "\n"));
            all = check(&panel);
        }
        assert!(all.contains(&told), "{told}: {all}");
        assert!(all.contains(&format!("{ANN}:2:")), "{all}");
    }
}

#[test]
fn two_values_for_one_question_are_told_and_one_line_twice_is_none() {
    let panel = tasted();
    let text = panel.read(ANN);
    let line = text.lines().nth(1).unwrap().to_owned();
    // Two copies of a book united: the same line stands there twice.
    panel.write(ANN, &format!("{text}{line}\n"));
    assert_eq!(panel.run(&["check"]).code, 0);
    // Two copies that disagree.
    let mut cells: Vec<&str> = line.split(',').collect();
    cells[0] = "other";
    cells[7] = "9";
    panel.write(ANN, &format!("{text}{}\n", cells.join(",")));
    let told = check(&panel);
    assert!(told.contains("a second answer for bright of cup"), "{told}");
    assert!(
        told.contains("write other into `replaces`") || told.contains("into `replaces`"),
        "{told}"
    );
    // Half of a line changed: the entry is there twice with two meanings.
    cells[0] = line.split(',').next().unwrap();
    panel.write(ANN, &format!("{text}{}\n", cells.join(",")));
    assert!(check(&panel).contains("stands at line 2 already"));
}

#[test]
fn a_ballot_of_a_stranger_and_a_bad_change_are_told() {
    let panel = tasted();
    let text = panel.read(ANN);
    panel.write(&format!("{FOLDER}/ballots/an.csv"), &text);
    panel.write(
        &format!("{FOLDER}/changes.csv"),
        "entry,at,change,flight,taster,cup,steep,term,replaces,reason,by,reveal\n\
         e1,2026-05-14T10:00:00+08:00,exclusion,9,zoe,,,brite,,why,,before\n\
         e2,2026-05-14T10:00:00+08:00,readmission,,,,,,e9,why,,before\n\
         e3,2026-05-14T10:00:00+08:00,excluson,,ann,,,,,why,,before\n",
    );
    panel.write(
        &format!("{FOLDER}/pours.csv"),
        "entry,at,cup,temperature_c,minutes,note\np1,2026-05-14T10:00:00+08:00,100,180,,\n",
    );
    let told = check(&panel);
    for part in [
        "an is not a taster of this session",
        "zoe is not a taster of this session",
        "there is no flight 9",
        "this session does not ask \"brite\"",
        "there is no exclusion e9",
        "did you mean \"exclusion\"?",
        "temperature_c is 180",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
}

#[test]
fn a_full_disk_loses_nothing() {
    // A file where the folder should be stands for a disk that refuses.
    let panel = Panel::new();
    panel.plan(&request());
    let session = panel.session();
    let answers = full_answers(&session);
    let ballots = panel.root.join(FOLDER).join("ballots");
    fs::remove_dir(&ballots).unwrap();
    fs::write(&ballots, "").unwrap();
    let error =
        enter_lines(&panel.book, "spring", "ann", &answers, None, HandIn::No, now()).unwrap_err();
    assert!(matches!(error, session::enter::EnterError::Book(BookError::Store(_))), "{error}");
    let cup = answers[0].cup.to_string();
    let output = panel.run(&[
        "session", "enter", "spring", "--taster", "ann", "--cup", &cup, "--term", "bright",
        "--value", "4",
    ]);
    assert_eq!(output.code, 4, "{output:?}");
    assert_eq!(panel.session().state, State::Planned);
    fs::remove_file(&ballots).unwrap();
    fs::create_dir(&ballots).unwrap();
    enter_lines(&panel.book, "spring", "ann", &answers, None, HandIn::No, now()).unwrap();
    assert_eq!(Ballot::open(&session, "ann").unwrap().answers().count(), answers.len());
}

#[test]
fn a_plan_is_written_whole_or_not_at_all() {
    let panel = Panel::new();
    let sessions = panel.root.join("sessions");
    if sessions.exists() {
        fs::remove_dir(&sessions).unwrap();
    }
    fs::write(&sessions, "").unwrap();
    let error =
        session::plan(&panel.book, &request(), now(), super::common::secret(1)).unwrap_err();
    assert!(matches!(error, BookError::Store(_)), "{error}");
    fs::remove_file(&sessions).unwrap();
    panel.plan(&request());
    let left: Vec<String> = fs::read_dir(&sessions)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(left, ["2026-05-14-spring"], "nothing half made is left beside it");
}

#[test]
fn a_session_is_named_by_any_unique_part() {
    let panel = tasted();
    let mut other = request();
    other.name = "autumn".to_owned();
    panel.plan(&other);
    for part in ["spring", "SPRING", "pring", "14-sp", "2026-05-14-spring"] {
        assert_eq!(session::Session::open(&panel.book, part).unwrap().name, "2026-05-14-spring");
    }
    let several = session::Session::open(&panel.book, "2026-05").unwrap_err().to_string();
    assert!(several.contains("2026-05-14-autumn, 2026-05-14-spring"), "{several}");
    let none = session::Session::open(&panel.book, "sprung").unwrap_err().to_string();
    assert!(none.contains("there is no session \"sprung\""), "{none}");
}

#[test]
fn temperatures_are_logged_with_a_caution() {
    let panel = Panel::new();
    panel.plan(&request());
    let cup = panel.session().plan().flights[0].cups[0].to_string();
    let pour = |more: &[&str]| {
        let mut args = vec!["session", "pour", "spring", "--cup"];
        args.extend(more);
        panel.run(&args)
    };
    let output = pour(&[&cup, "--temperature", "71.5", "--minutes", "4"]);
    assert_eq!(output.code, 0, "{output:?}");
    assert!(output.out.contains("CAUTION: 71.5 °C is too hot. Taste below 60 °C"), "{output:?}");
    let output = pour(&[&cup, "--temperature", "48"]);
    assert_eq!(output.out, format!("Cup {cup} is logged.\n"));
    assert_eq!(pour(&["99", "--temperature", "48"]).code, 2);
    assert_eq!(pour(&[&cup, "--temperature", "480"]).code, 2);
    assert_eq!(panel.read(&format!("{FOLDER}/pours.csv")).lines().count(), 3);
}
