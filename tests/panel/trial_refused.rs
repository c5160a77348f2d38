//! What `trial` refuses, word by word: what was found, what was expected, how to mend it.

use std::path::{Path, PathBuf};

use crate::run::refusal;

fn book() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel")
}

#[track_caller]
fn refused(args: &[&str], found: &str, mend: &str) {
    let (code, said) = refusal(&book(), args);
    assert_eq!(code, 2, "{args:?}: {said}");
    assert!(said.contains(found), "{args:?}: {said}");
    assert!(said.contains("expected: ") && said.contains("to mend:  "), "{args:?}: {said}");
    assert!(said.contains(mend), "{args:?}: {said}");
}

#[test]
fn numbers_of_batches_that_cannot_be() {
    refused(&["trial", "--add", "0"], "0 batches", "--add with a number from 1 to 100");
    refused(&["trial", "--runs", "8"], "--runs without --factor", "--factor roll.minutes=40,75");
    refused(&["trial", "--add", "1000"], "1000 batches", "plan a first part");
    refused(
        &["trial", "--runs", "1", "--factor", "roll.minutes=40,75"],
        "1 batch\n",
        "at least two",
    );
    refused(
        &[
            "trial",
            "--runs",
            "4",
            "--factor",
            "roll.minutes=40,75",
            "--factor",
            "wither.hours=12,17",
            "--factor",
            "pluck.fine-leaf=65,80",
            "--factor",
            "lot.season=spring,autumn",
        ],
        "4 batches alone cannot tell 4 columns of factors and their mean apart",
        "at least 5 batches",
    );
    refused(&["trial", "--add", "4", "--a-day", "0"], "--a-day 0", "correct the number");
    refused(&["trial", "--add", "4", "--tasters", "1"], "--tasters 1", "correct the number");
    refused(&["trial", "--add", "4", "--pots", "0"], "--pots 0", "correct the number");
    refused(&["trial", "--add", "4", "--see", "0"], "--see 0", "correct the number");
    refused(&["trial", "--add", "4", "--simulations", "20000"], "--simulations 20000", "correct");
}

#[test]
fn factors_and_levels_that_cannot_be() {
    let add = |factor: &'static str| ["trial", "--add", "4", "--factor", factor];
    refused(
        &add("roll.minuts=40,75"),
        "there is no parameter of this name",
        "did you mean \"roll.minutes\"",
    );
    refused(&add("roll.minutes=40"), "one level only, 40", "--factor roll.minutes=a,b");
    refused(&add("roll.minutes=40,40"), "a level stands there twice", "take one of the two out");
    refused(&add("roll.minutes=75..40"), "does not read", "correct the flag");
    refused(&add("roll.minutes=40..many"), "does not read", "correct the flag");
    refused(&add("=40,75"), "does not read", "correct the flag");
    refused(&add("roll.minutes=40,long"), "roll.minutes = \"long\" does not hold", "to mend");
    refused(&add("roll.minutes=1e-300,75"), "1e-300 is no amount", "take another unit");
    refused(&add("pluck.fine-leaf=65,130"), "pluck.fine-leaf = \"130\" does not hold", "to mend");
    refused(
        &add("dry.method=sun,snu"),
        "dry.method = \"snu\" does not hold",
        "did you mean \"sun\"",
    );
    refused(&add("dry.moisture=4,6"), "an outcome of the other parameters", "change its role");
    refused(&add("pluck.weather=dry,rain"), "it cannot be chosen", "change its role");
    refused(&add("roll.start=1,2"), "not known for T24-01", "");
    refused(&add("dry.temperature=90,110"), "it is not known for", "log it for these lots");
    refused(
        &["trial", "--add", "4", "--factor", "roll.minutes", "--factor", "roll.minutes=40,75"],
        "it is named twice",
        "take one of the two out",
    );
    refused(
        &["trial", "--add", "4", "--factor", "roll.minutes", "--given", "roll.minutes"],
        "it is named as --given too",
        "take one of the two out",
    );
    refused(
        &["trial", "--add", "4", "--given", "sunn"],
        "there is no parameter of this name",
        "to mend",
    );
}

/// Without a book nothing says what a word means: what is no plan is refused.
#[test]
fn plans_without_a_book_that_would_be_of_no_use() {
    let dir = tempfile::tempdir().expect("a folder");
    let refused = |args: &[&str], found: &str, mend: &str| {
        let mut all = vec!["trial", "--runs", "4", "--factor", "b=1,2"];
        all.extend(args);
        let (code, said) = refusal(dir.path(), &all);
        assert_eq!(code, 2, "{args:?}: {said}");
        assert!(said.contains(found), "{args:?}: {said}");
        assert!(said.contains("expected: "), "{args:?}: {said}");
        assert!(said.contains("to mend:  ") && said.contains(mend), "{args:?}: {said}");
        assert!(said.lines().all(|l| l.chars().count() < 200), "{args:?}: {said}");
    };
    refused(
        &["--factor", "roll.minutes=40min,1.5h"],
        "40min is a number with a unit",
        "write 40 without min",
    );
    refused(&["--factor", "a=40,long"], "some are words", "correct the levels");
    refused(&["--factor", "x=1e-300,1e300"], "1e-300 is no amount", "take another unit");
    refused(&["--factor", "x=1,1e300"], "1e300 is no amount", "take another unit");
    refused(&["--factor", "x=0..1e300"], "1e300 is no amount", "take another unit");
    refused(
        &["--factor", "d=sun,air", "--never", "d=sun"],
        "--never leaves d one level only, air",
        "leave d out of the factors",
    );
    // Two of three levels are a plan; so are words that begin with a number.
    let fine = [
        "trial",
        "--runs",
        "4",
        "--factor",
        "d=sun,air,pan",
        "--never",
        "d=sun",
        "--factor",
        "f=2nd-flush,3rd-flush",
    ];
    assert!(crate::run::run(dir.path(), &fine).status.success());
}

#[test]
fn combinations_terms_and_variances_that_cannot_be() {
    let never = |n: &'static str| ["trial", "--add", "4", "--simulations", "0", "--never", n];
    refused(&never("dry.method"), "--never dry.method does not read", "correct the flag");
    refused(&never("dry.methd=sun"), "is no factor of this trial", "did you mean \"dry.method\"");
    refused(&never("dry.method=snu"), "it is no level of this factor", "did you mean \"sun\"");
    refused(
        &["trial", "--add", "4", "--never", "dry.method=sun", "--never", "dry.method=hot-air"],
        "forbids every combination",
        "take one of the --never out",
    );
    refused(
        &["trial", "--add", "4", "--about", "bodi"],
        "there is no term of this name",
        "did you mean \"body\"",
    );
    refused(
        &["trial", "--add", "4", "--terms", "body,bodi"],
        "--terms bodi: there is no term of this name",
        "did you mean \"body\"",
    );
    let dir = tempfile::tempdir().expect("a folder");
    for (sd, found) in [
        ("lot=0.3", "leaves out what single scores or lots vary by"),
        ("lot=x", "does not read"),
        ("lot=-1,residual=1", "--sd lot=-1"),
        ("lots=1,residual=1", "there is no variance of this name"),
    ] {
        let (code, said) =
            refusal(dir.path(), &["trial", "--runs", "8", "--factor", "a=1,2", "--sd", sd]);
        assert_eq!(code, 2, "{said}");
        assert!(said.contains(found), "{sd}: {said}");
    }
    // Additions need lots; keeping needs a book.
    let (code, _) = refusal(dir.path(), &["trial", "--add", "4"]);
    assert_ne!(code, 0);
    let (code, said) =
        refusal(dir.path(), &["trial", "--runs", "4", "--factor", "a=1,2", "--save", "x"]);
    assert_eq!(code, 2);
    assert!(said.contains("--save needs a book"), "{said}");
    let (code, said) = refusal(&book(), &["trial", "--show", "nothing"]);
    assert_ne!(code, 0);
    assert!(said.contains("nothing"), "{said}");
}
