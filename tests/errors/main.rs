//! Each kind of mistake in its smallest book: what `check` says of it, word for word.
//!
//! A folder holds the files that differ from the sound book in `base`, `absent.txt` the names of
//! files that are taken out, `expected.txt` the exit code and the whole text.
//! `BLINDSTEEP_WRITE_EXPECTED=1` writes the texts anew: read each one before keeping it.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/errors");

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), &target).unwrap();
        }
    }
}

fn book_of(case: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    copy(&Path::new(FOLDER).join("base"), dir.path());
    copy(&Path::new(FOLDER).join(case), dir.path());
    let _ = fs::remove_file(dir.path().join("expected.txt"));
    if let Ok(absent) = fs::read_to_string(dir.path().join("absent.txt")) {
        for file in absent.lines() {
            fs::remove_file(dir.path().join(file)).unwrap();
        }
        fs::remove_file(dir.path().join("absent.txt")).unwrap();
    }
    dir
}

fn checked(book: &Path) -> String {
    let out = assert_cmd::Command::cargo_bin("blindsteep")
        .unwrap()
        .args(["--book", book.to_str().unwrap(), "check"])
        .output()
        .unwrap();
    format!(
        "exit {}\n{}{}",
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap()
    )
}

#[test]
fn each_mistake_is_told_as_expected() {
    let mut wrong = Vec::new();
    let mut n = 0;
    for entry in fs::read_dir(FOLDER).unwrap() {
        let path = entry.unwrap().path();
        let case = path.file_name().unwrap().to_str().unwrap().to_owned();
        if !path.is_dir() || case == "base" {
            continue;
        }
        n += 1;
        let told = checked(book_of(&case).path());
        let file = path.join("expected.txt");
        if std::env::var_os("BLINDSTEEP_WRITE_EXPECTED").is_some() {
            fs::write(&file, &told).unwrap();
        }
        let expected = fs::read_to_string(&file).unwrap_or_default();
        if told != expected {
            wrong.push(format!("--- {case}: expected\n{expected}--- told\n{told}"));
        }
    }
    assert!(n > 50, "only {n} folders of mistakes were found");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_book_without_mistakes_has_none() {
    assert_eq!(checked(book_of("base").path()), "exit 0\nno mistakes in 1 lot and 0 sessions\n");
}

/// Made here, since some disks cannot hold two folders that differ in case alone.
#[test]
fn two_lots_that_differ_in_case_alone_are_told() {
    let dir = book_of("base");
    let second = dir.path().join("lots/l1");
    if second.exists() {
        return;
    }
    copy(&dir.path().join("lots/L1"), &second);
    let told = checked(dir.path());
    assert!(told.starts_with("exit 1\n"), "{told}");
    assert!(told.contains("lots/l1: there is a lot L1 already"), "{told}");
}

#[test]
fn a_log_of_100_mb_that_is_no_table_is_told_at_once() {
    let dir = book_of("base");
    let log = fs::File::create(dir.path().join("lots/L1/log.csv")).unwrap();
    log.set_len(100_000_000).unwrap();
    let start = std::time::Instant::now();
    let told = checked(dir.path());
    assert_eq!(
        told,
        "exit 1\nlots/L1/log.csv: the file holds 100 MB\n  expected: at most 64 MB\n  to mend:  \
         see whether this is the right file, and move it out of the book\n\n1 mistake to mend\n"
    );
    assert!(start.elapsed().as_secs() < 20);
}
