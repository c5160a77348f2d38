//! The commands that keep a book.

use std::path::Path;

use assert_cmd::Command;

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
fn a_maker_begins_a_book_and_logs_a_lot() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("tavrinel");
    let (code, out, _) = run(&book, &["begin", book.to_str().unwrap(), "--altitude", "1650"]);
    assert_eq!(code, 0);
    assert!(out.contains("blindsteep taster add"), "{out}");
    assert_eq!(run(&book, &["taster", "add", "ann", "--name", "Ann"]).0, 0);
    assert!(run(&book, &["taster", "list"]).1.starts_with("ann  Ann  joined "));
    let add = [
        "lot",
        "add",
        "T26-01",
        "--class",
        "black",
        "--made",
        "2026-05-01",
        "--picked",
        "2026-04-30",
        "--kg",
        "21",
        "--reserve",
        "300",
        "--set",
        "wither.hours=16h",
        "--set",
        "dry.moisture=7.2",
    ];
    let (code, out, err) = run(&book, &add);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("3 lines") && out.contains("warning: T26-01: moisture of 7.2 %"), "{out}");
    assert_eq!(run(&book, &["lot", "log", "T26-01", "reserve.drawn", "12"]).0, 0);
    let (_, shown, _) = run(&book, &["lot", "show", "t26-01", "--log"]);
    for part in ["made 2026-05-01", "wither.hours", "16 h", "288 g left", "reserve.drawn"] {
        assert!(shown.contains(part), "{part} is not in\n{shown}");
    }
    assert!(run(&book, &["lot", "list"]).1.contains("T26-01"));
    let (code, out, err) = run(&book, &["check"]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert!(out.starts_with("warning: T26-01: moisture of 7.2 % (wet basis, 2026-05-01)"), "{out}");
    assert!(out.ends_with("no mistakes in 1 lot and 0 sessions\n"), "{out}");
}

#[test]
fn what_is_asked_wrongly_is_told_with_exit_code_2_and_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("b");
    run(&book, &["begin", book.to_str().unwrap()]);
    let add = |more: &[&str]| {
        let mut args = vec!["lot", "add", "T1", "--class", "black", "--made", "2026-05-01"];
        args.extend(more);
        run(&book, &args)
    };
    for (more, told) in [
        (&["--kg=-3"][..], "more than 0"),
        (&["--picked", "2026-05-02"], "after it was made"),
        (&["--set", "wither.hour=3"], "did you mean \"wither.hours\"?"),
        (&["--set", "wither.hours"], "step.name=value"),
        (&["--parent", "T0"], "there is no lot \"T0\""),
        (&["--reserve=-5"], "a number from 0"),
        (&["--picked", "2026-02-30"], "day of the calendar"),
    ] {
        let (code, out, err) = add(more);
        assert_eq!((code, out.as_str()), (2, ""), "{more:?}");
        assert!(err.contains(told), "{more:?}: {err}");
    }
    assert_eq!(std::fs::read_dir(book.join("lots")).unwrap().count(), 0);
    assert_eq!(run(&book, &["lot", "show", "T1"]).0, 2);
    assert_eq!(run(&book, &["begin", book.to_str().unwrap()]).0, 2);
    assert_eq!(run(dir.path(), &["check"]).0, 2);
}

#[test]
fn what_becomes_of_a_lot_is_commanded_and_shown() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("b");
    run(&book, &["begin", book.to_str().unwrap()]);
    let words = |line: &str| {
        let args: Vec<&str> = line.split(' ').collect();
        let (code, out, err) = run(&book, &args);
        assert_eq!(code, 0, "{line}: {err}");
        out
    };
    words("lot add A --class black --made 2026-05-01 --kg 20 --set wither.hours=16");
    words("lot add B --class black --made 2026-05-02 --kg 10 --set wither.hours=16");
    words("lot split A --arm dry=12 --arm humid=8kg --on 2026-06-01");
    words("lot move A@humid --place cellar --temperature 27 --humidity 68 --on 2026-06-01");
    let out = words("lot split A@humid --into A1=1500g --into A2=1 --on 2026-07-01");
    assert!(out.contains("lot A1 with 1.5 kg is split off from A@humid"), "{out}");
    let out = words("lot blend C --from A@dry=3 --from B=2kg --made 2026-08-01");
    assert!(out.contains("5 kg went in, 5 kg came out"), "{out}");
    let out = words("lot refire D --from C=4 --made 2026-09-01 --set dry.temperature=80 --kg 3.9");
    assert!(out.contains("4 kg went in, 3.9 kg came out: 2.5 % less"), "{out}");
    let shown = words("lot show C");
    for part in [
        "A@dry  3 kg  blended 2026-08-01",
        "C (this lot)",
        "D  4 kg  fired again 2026-09-01",
        "left   1 kg",
        "wither.hours  16 h",
        "from A, B",
    ] {
        assert!(shown.contains(part), "{part} is not in\n{shown}");
    }
    let shown = words("lot show A1");
    assert!(shown.contains("A@humid  place: cellar, temperature: 27 °C"), "{shown}");
    let list = words("lot list");
    assert!(list.contains("A1  black  made 2026-05-01  split off from A@humid"), "{list}");
    assert!(list.contains("blended from A@dry and B  1 kg left"), "{list}");
    assert!(words("check").starts_with("no mistakes in 6 lots"));
    for line in [
        "lot split A",
        "lot split A --arm x --into Y=1",
        "lot split A@dry --arm x --arm y",
        "lot split A --into Y",
        "lot split A@dry --into Y=1min",
        "lot blend E --made 2026-08-01",
        "lot blend E --from B=-1 --from C=1 --made 2026-08-01",
        "lot refire E --from B=1 --from C=1 --made 2026-08-01",
        "lot move A@dry",
        "lot move A@dry --temperature warm",
        "lot move A@dry --place x --on yesterday",
    ] {
        let args: Vec<&str> = line.split(' ').collect();
        assert_eq!(run(&book, &args).0, 2, "{line}");
    }
    assert!(words("check").starts_with("no mistakes in 6 lots"));
}

#[test]
fn a_lot_is_shown_although_another_one_has_mistakes() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("b");
    run(&book, &["begin", book.to_str().unwrap()]);
    for id in ["A", "B"] {
        run(&book, &["lot", "add", id, "--class", "black", "--made", "2026-05-01", "--kg", "3"]);
    }
    std::fs::write(book.join("lots/B/lot.toml"), "format = 1\n").unwrap();
    let (code, out, err) = run(&book, &["lot", "show", "A"]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert!(out.contains("made 2026-05-01") && out.contains("other lots have mistakes"), "{out}");
    let (code, _, err) = run(
        &book,
        &["lot", "blend", "C", "--from", "A=1", "--from", "B=1", "--made", "2026-06-01"],
    );
    assert_eq!(code, 1);
    assert!(err.contains("lots/B/lot.toml"), "{err}");
    assert!(!book.join("lots/C").exists());
}

#[test]
fn a_slip_in_a_new_lot_is_warned_of_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("b");
    run(&book, &["begin", book.to_str().unwrap()]);
    let (code, out, _) =
        run(&book, &["lot", "add", "A", "--class", "balck", "--made", "2026-05-01"]);
    assert_eq!(code, 0);
    assert!(out.contains("did you mean \"black\"?"), "{out}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_result_that_cannot_be_written_is_told_with_exit_code_4() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("b");
    run(&book, &["begin", book.to_str().unwrap()]);
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let status = std::process::Command::new(assert_cmd::cargo::cargo_bin("blindsteep"))
        .args(["--book", book.to_str().unwrap(), "check"])
        .stdout(full)
        .stderr(std::process::Stdio::null())
        .status()
        .unwrap();
    assert_eq!(status.code(), Some(4));
}

#[test]
fn a_lot_made_for_a_run_is_told_what_is_still_to_be_logged() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("garden");
    assert_eq!(run(&book, &["begin", book.to_str().unwrap()]).0, 0);
    let trial = "format = 1\nname = \"sun\"\nplanned = 2026-05-20T10:00:00+08:00\nseed = 7\n\
                 made_by = \"optimal\"\n[[factor]]\nparameter = \"roll.minutes\"\nlevels = [40, 75]\n\
                 [[factor]]\nparameter = \"dry.method\"\nlevels = [\"sun\", \"hot-air\"]\n\
                 [[given]]\nparameter = \"oxidise.temperature\"\n[[run]]\nrun = 1\nday = 1\n\
                 settings = { \"roll.minutes\" = 40, \"dry.method\" = \"sun\" }\n";
    std::fs::create_dir(book.join("trials")).unwrap();
    std::fs::write(book.join("trials/sun.toml"), trial).unwrap();
    let add = |id: &str, more: &[&str]| {
        let mut args = vec!["lot", "add", id, "--class", "black", "--made", "2026-05-21"];
        args.extend(more);
        run(&book, &args)
    };
    let (code, _, err) = add("A", &["--trial", "sun", "--run", "2"]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("the trial sun has no run 2") && err.contains("one of 1"), "{err}");
    assert_eq!(add("A", &["--trial", "sun"]).0, 2);
    let (code, out, err) =
        add("A", &["--trial", "sun", "--run", "1", "--set", "roll.minutes=2700 s"]);
    assert_eq!(code, 0, "{err}");
    assert_eq!(
        out,
        "lot A added, with 1 line in its log\nrun 1 of sun: planned dry.method = sun, roll.minutes = \
         40 min\nstill to be logged, as it was really done: dry.method, oxidise.temperature\n"
    );
    assert!(run(&book, &["lot", "show", "A"]).1.contains("sun, run 1"));
    let (code, out, _) = run(&book, &["check"]);
    assert_eq!(code, 0);
    assert!(out.contains("made with roll.minutes = 40 min, and its record says 45 min"), "{out}");
    // A moment by the clock of the line, and one that is none.
    let log = |value: &str| {
        let at = "2026-05-21T09:00:00+08:00";
        run(&book, &["lot", "log", "A", "roll.start", value, "--at", at])
    };
    let (code, out, _) = log("8:05");
    assert_eq!(code, 0);
    assert!(out.contains("roll.start 2026-05-21T08:05:00+08:00"), "{out}");
    assert_eq!(log("8:75").0, 2);
    let (code, out, _) = run(&book, &["lot", "log", "A", "roll.press-on", "now"]);
    assert!(code == 0 && out.contains("roll.press-on 20"), "{out}");
}

#[test]
fn what_no_log_line_holds_is_told_how_to_record() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("garden");
    assert_eq!(run(&book, &["begin", book.to_str().unwrap()]).0, 0);
    let trial = "format = 1\nname = \"parted\"\nplanned = 2026-05-20T10:00:00+08:00\nseed = 7\n\
                 made_by = \"optimal\"\n[[factor]]\nparameter = \"derived.oxidation-hours\"\n\
                 levels = [2, 5]\n[[factor]]\nparameter = \"lot.season\"\n\
                 levels = [\"spring\", \"autumn\"]\n[[run]]\nrun = 1\nday = 1\n\
                 settings = { \"derived.oxidation-hours\" = 2, \"lot.season\" = \"autumn\" }\n";
    std::fs::create_dir(book.join("trials")).unwrap();
    std::fs::write(book.join("trials/parted.toml"), trial).unwrap();
    let add = |id: &str, more: &str| {
        let words =
            format!("lot add {id} --class black --made 2026-05-21 --trial parted --run 1{more}");
        run(&book, &words.split(' ').collect::<Vec<_>>())
    };
    let (code, out, err) = add("B", "");
    assert_eq!(code, 0, "{err}");
    for part in [
        "planned derived.oxidation-hours = 2 h, lot.season = autumn",
        "derived.oxidation-hours: log roll.start and dry.start (or oxidise.hours)",
        "lot.season: give --season with `lot add`, or write season in lot.toml",
    ] {
        assert!(out.contains(part), "{out}");
    }
    assert!(!out.contains("warning"), "{out}");
    // A second lot of the run, though it stands before the first: nothing is lacking but it is told.
    let (code, out, err) = add("A", " --season autumn --set oxidise.hours=2");
    assert_eq!(code, 0, "{err}");
    assert!(!out.contains("still to be"), "{out}");
    assert!(
        out.contains("run 1 of the trial parted was made as B already, and both count"),
        "{out}"
    );
    for (parameter, value, mend) in [
        (
            "lot.season",
            "autumn",
            "to mend:  give --season with `lot add`, or write season in lot.toml",
        ),
        (
            "derived.oxidation-hours",
            "5",
            "to mend:  log roll.start and dry.start (or oxidise.hours)",
        ),
        ("derived.moister", "5", "to mend:  log what it follows from"),
    ] {
        let (code, _, err) = run(&book, &["lot", "log", "A", parameter, value]);
        assert!(code == 2 && err.contains(mend), "{err}");
    }
    let (code, _, err) = add("C", " --set derived.oxidation-hours=5");
    assert!(code == 2 && err.contains("log roll.start and dry.start"), "{err}");
}

#[test]
fn a_lot_is_put_into_quarantine_and_cleared_and_an_arm_is_shown_alone() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("book");
    run(&book, &["begin", book.to_str().unwrap()]);
    let go = |words: &str| run(&book, &words.split(' ').collect::<Vec<_>>());
    go("lot add A --class black --made 2026-05-01 --kg 10");
    go("lot split A --arm dry --arm humid --on 2026-05-05");
    assert_eq!(go("lot log A@humid reserve.kept 250").0, 0);
    assert_eq!(go("lot log A@dry reserve.kept 240").0, 0);
    let (code, _, err) = go("lot log A@dry reserve.kept 240 --arm humid");
    assert!(code == 2 && err.contains("one arm"), "{err}");
    let (code, out, _) = go("lot quarantine A@humid --reason mould");
    assert_eq!(code, 0);
    for part in ["A@humid is in quarantine", "CAUTION", "licensed laboratory"] {
        assert!(out.contains(part), "{part} is not in\n{out}");
    }
    let (_, shown, _) = go("lot show A@humid");
    assert!(
        shown.contains("humid is not served: in quarantine since") && shown.contains("(mould)"),
        "{shown}"
    );
    assert!(shown.contains("250 g kept") && !shown.contains("240 g kept"), "{shown}");
    let (code, _, err) = go("lot show A@hunid");
    assert!(code == 2 && err.contains("did you mean \"humid\"?"), "{err}");
    let (code, _, err) = go("lot clear A --reason clean");
    assert!(code == 2 && err.contains("--by"), "{err}");
    let (code, out, err) = go("lot clear A --reason clean --by ann");
    assert!(code == 0 && out.contains("survives brewing"), "{out}{err}");
    assert!(!go("lot show A").1.contains("not served"));
}

#[test]
fn a_line_is_dated_by_a_day_or_by_the_books_clock() {
    let dir = tempfile::tempdir().unwrap();
    let book = dir.path().join("book");
    assert_eq!(run(&book, &["begin", book.to_str().unwrap()]).0, 0);
    let path = book.join("book.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let rest: Vec<&str> = text.lines().filter(|l| !l.starts_with("zone")).collect();
    let text = rest.join("\n").replacen("format = 1", "format = 1\nzone = \"Asia/Shanghai\"", 1);
    std::fs::write(&path, text).unwrap();
    let add = ["lot", "add", "A", "--class", "dark", "--made", "2026-05-01"];
    let (code, _, err) = run(&book, &add);
    assert_eq!(code, 0, "{err}");
    for (at, stands) in [
        ("2026-05-20", "2026-05-20T12:00:00+08:00"),
        ("2026-05-21T8:05", "2026-05-21T08:05:00+08:00"),
        ("2026-05-22T08:05:00+02:00", "2026-05-22T08:05:00+02:00"),
    ] {
        let (code, _, err) = run(&book, &["lot", "log", "A", "store.moisture", "4", "--at", at]);
        assert_eq!(code, 0, "{err}");
        let log = std::fs::read_to_string(book.join("lots/A/log.csv")).unwrap();
        assert!(log.contains(stands), "{log}");
    }
    for wrong in ["2026-05-32", "yesterday", "2026-05-20T25:00"] {
        let (code, _, err) = run(&book, &["lot", "log", "A", "store.moisture", "4", "--at", wrong]);
        assert!(code == 2 && err.contains("by the book's clock"), "{code} {err}");
    }
}
