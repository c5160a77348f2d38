//! The demo book: the generator writes what is committed, the program finds what was planted.

#![allow(clippy::unwrap_used)] // Helpers outside of test functions stop the test as well.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use blindsteep::book::Book;
use blindsteep::demo::book::{SEED, write};
use blindsteep::findings::Settings;
use blindsteep::findings::agree::{Agree, agree};
use blindsteep::scores::from_revealed;
use blindsteep::session::all_scored;

const COMMITTED: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-sessions/tavrinel");

/// All files below a folder, by their path from it.
fn files(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.file_name().unwrap() != ".lock" {
                let bytes = std::fs::read(&path).unwrap();
                found.insert(path.strip_prefix(root).unwrap().to_owned(), bytes);
            }
        }
    }
    found
}

#[test]
fn the_generator_writes_the_committed_book_to_the_last_byte() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("tavrinel");
    write(&root, SEED).unwrap();
    if std::env::var_os("BLINDSTEEP_WRITE_DEMO").is_some() {
        let _ = std::fs::remove_dir_all(COMMITTED);
        for (file, bytes) in files(&root) {
            let to = Path::new(COMMITTED).join(file);
            std::fs::create_dir_all(to.parent().unwrap()).unwrap();
            std::fs::write(to, bytes).unwrap();
        }
    }
    let (made, kept) = (files(&root), files(Path::new(COMMITTED)));
    let names = |f: &BTreeMap<PathBuf, Vec<u8>>| f.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&made), names(&kept));
    for (file, bytes) in &made {
        assert!(kept[file] == *bytes, "{} differs from what is committed", file.display());
    }
}

#[test]
fn the_committed_book_has_no_mistake() {
    let book = Book::open(Path::new(COMMITTED)).unwrap();
    let checked = blindsteep::book::check::check(&book).unwrap();
    assert!(checked.problems.is_empty(), "{}", checked.problems);
}

fn agreement() -> Agree {
    let book = Book::open(Path::new(COMMITTED)).unwrap();
    let scores = from_revealed(&all_scored(&book).unwrap()).unwrap();
    agree(&scores, &Settings::default())
}

/// What was planted (src/demo/truth.rs): bo narrow, cy high, dee noisy, eve swaps bitter and
/// astringent, finn lower and sinking by .05 a month, ann sound.
#[test]
fn the_planted_habits_are_named_and_the_sound_taster_is_not() {
    let finding = agreement();
    let habits = finding.habits.known().expect("six tasters over ten sessions");
    let of = |taster: &str| {
        let t = habits.tasters.iter().find(|t| t.taster == taster).expect("tasted");
        let mut kinds: Vec<&str> = t.habits.iter().map(|h| h.kind.as_str()).collect();
        kinds.sort_unstable();
        (t, kinds)
    };
    assert_eq!(of("ann").1, Vec::<&str>::new());
    assert_eq!(of("bo").1, ["narrow"]);
    assert_eq!(of("cy").1, ["offset"]);
    assert_eq!(of("dee").1, ["noisy"]);
    assert_eq!(of("eve").1, ["swapped"]);
    assert_eq!(of("finn").1, ["drift", "offset"]);
    // Planted slope .45; the others' slopes average 1, so that is the estimand too.
    let slope = of("bo").0.slope.known().expect("estimated");
    assert!(slope.lower < 0.45 && 0.45 < slope.upper, "{slope:?}");
    let eve = of("eve").0;
    let mut swapped = eve.habits[0].terms.clone();
    swapped.sort_unstable();
    assert_eq!(swapped, ["astringent", "bitter"]);
}

#[test]
fn answers_left_out_for_seen_labels_are_told() {
    let finding = agreement();
    assert_eq!(finding.exclusions.len(), 1);
    assert!(finding.exclusions[0].reason.contains("labels"));
    assert_eq!(finding.exclusions[0].n_scores, 216);
}

const REPORTS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports");

/// Whether two reports say the same: words exactly, numbers to a step of their last digit, since
/// the last digits of sums differ between processors.
fn same(a: &str, b: &str) -> Result<(), String> {
    let tokens = |t: &str| -> Vec<String> {
        t.split(|c: char| c.is_whitespace() || "(),;:%".contains(c)).map(str::to_owned).collect()
    };
    let (a, b) = (tokens(a), tokens(b));
    if a.len() != b.len() {
        return Err(format!("{} words against {}", a.len(), b.len()));
    }
    for (x, y) in a.iter().zip(&b) {
        if let (Ok(p), Ok(q)) = (x.parse::<f64>(), y.parse::<f64>()) {
            let decimals = x.split('.').nth(1).map_or(0, str::len) as i32;
            if (p - q).abs() <= 1.5 * 10_f64.powi(-decimals) {
                continue;
            }
        }
        if x != y {
            return Err(format!("\"{x}\" against \"{y}\""));
        }
    }
    Ok(())
}

#[test]
fn the_demo_command_makes_the_committed_reports_and_writes_over_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let demo = || {
        assert_cmd::Command::new(env!("CARGO_BIN_EXE_blindsteep"))
            .args(["demo", "here"])
            .current_dir(dir.path())
            .assert()
    };
    let said = demo().success().get_output().stdout.clone();
    let said = String::from_utf8(said).unwrap();
    let words = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for named in [
        "bo uses less",
        "cy scores",
        "dee scatters",
        "eve swaps bitter and astringent",
        "pluck.fine-leaf or roll.minutes: these lots cannot tell which, they moved exactly together",
        "made visible by the reference REF",
        "2025-11-11-sweetest, sweet:",
        "2026-05-12-two-stores: T24-05@dry and T24-05@humid:",
        "On 2026-05-18: 11 samples are overdue, due or near",
        "T25-11 was packed damp (7.2 %)",
        "T25-11 is in quarantine since 2026-02-08 (smelt musty",
    ] {
        assert!(words.contains(named), "{named}: {said}");
    }
    let reports = dir.path().join("here/reports");
    if std::env::var_os("BLINDSTEEP_WRITE_DEMO").is_some() {
        for (file, bytes) in files(&reports) {
            let to = Path::new(REPORTS).join(file);
            std::fs::create_dir_all(to.parent().unwrap()).unwrap();
            std::fs::write(to, bytes).unwrap();
        }
    }
    for (file, bytes) in files(&reports) {
        let kept = std::fs::read(Path::new(REPORTS).join(&file)).unwrap();
        if file.extension().is_some_and(|e| e == "txt") {
            let (made, kept) =
                (String::from_utf8(bytes).unwrap(), String::from_utf8(kept).unwrap());
            same(&made, &kept).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        }
    }
    let refused = demo().code(2).get_output().stderr.clone();
    assert!(String::from_utf8(refused).unwrap().contains("exists already"));
}
