//! `difference` from counts alone: the whole process against published numbers, its errors word for word.

use std::path::Path;

use serde_json::Value;

use crate::run::{json, refusal, text};
use crate::sessions::done;

fn of(args: &[&str]) -> Value {
    json(Path::new("."), &[&["difference"], args].concat())
}

fn near(value: &Value, want: f64, tolerance: f64) {
    let got = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((got - want).abs() <= tolerance, "{got} is not {want}");
}

// 24 of 40 triangles: pbinom, uniroot and qbeta of R 4.2.2 (tests/data/g07_discrimination.json).
#[test]
fn a_triangle_has_the_published_numbers() {
    let found = of(&["triangle", "--answers", "40", "--correct", "24"]);
    assert_eq!(found["schema"], "difference/1");
    let t = &found["tests"][0];
    near(&t["p_value"], 0.000_488_961_193_199_72, 1e-12);
    near(&t["d_prime"]["value"], 1.975_585_150_578_1, 1e-7);
    near(&t["d_prime"]["lower"], 1.094_658_058_888_9, 1e-7);
    near(&t["d_prime"]["upper"], 2.805_819_327_288_1, 1e-7);
    near(&t["d_prime"]["se"], 0.393_044_203_435_29, 1e-7);
    near(&t["distinguishers"]["lower"], 0.149_900_578_289_95, 1e-9);
    assert_eq!(t["shown"], true);
    // ISO 4120: 19 of 40 at 0.05 is what qbinom gives.
    assert_eq!(t["least"]["correct"], 19);
    assert!(t["least"]["true_alpha"].as_f64().is_some_and(|a| a <= 0.05));
}

// ISO 4120 table A.3 (from memory): 40 answers show 0.4 in 95 of 100 tests at 0.05; from 42 on all do.
#[test]
fn the_answers_needed_are_told_before_anybody_tastes() {
    let args = ["triangle", "--answers", "24", "--distinguishers", "0.4", "--power", "0.95"];
    let found = of(&args);
    let reach = &found["tests"][0]["reach"];
    assert_eq!((&reach["needed"]["first"], &reach["needed"]["stable"]), (&40.into(), &42.into()));
    // pbinom of R 4.2.2 for 24 answers.
    near(&reach["power"], 0.786_978_201_039_46, 1e-12);
    assert!(found["tests"][0]["p_value"]["reason"].is_string());
    let said = text(Path::new("."), &[&["difference"], &args[..]].concat());
    assert!(said.contains("40 answers are needed at least, and from 42 on"), "{said}");
}

#[test]
fn no_difference_shown_is_never_called_the_same() {
    let said =
        text(Path::new("."), &["difference", "triangle", "--answers", "24", "--correct", "9"]);
    assert!(said.contains("No difference is shown"), "{said}");
    assert!(said.contains("does not show that they are the same"), "{said}");
}

// Similarity table of R 4.2.2: at most 25 of 60 triangles at a share of .3 and beta .05.
#[test]
fn likeness_needs_its_number_and_answers_of_as_many_tasters() {
    let with = |answers: &str, correct: &str, more: &[&str]| {
        let args =
            ["triangle", "--answers", answers, "--correct", correct, "--distinguishers", "0.3"];
        let args = [&args[..], &["--power", "0.95", "--alpha", "0.1"], more].concat();
        of(&args)["tests"][0]["likeness"].clone()
    };
    let sixty = with("60", "21", &[]);
    assert_eq!(sixty["most_correct"], 25);
    assert_eq!(sixty["shown"], true);
    assert_eq!(with("60", "26", &[])["shown"], false);
    let few = with("30", "8", &[]);
    assert!(few["shown"]["reason"].as_str().is_some_and(|r| r.contains("54 are needed")), "{few}");
    let repeats = with("60", "21", &["--tasters", "12"]);
    assert!(repeats["shown"]["reason"].as_str().is_some_and(|r| r.contains("ISO 10399")));
}

#[test]
fn a_pair_without_a_direction_is_two_sided() {
    let one = of(&["paired", "--answers", "20", "--correct", "15"]);
    let two = of(&["paired", "--answers", "20", "--correct", "15", "--two-sided"]);
    let p = |v: &Value| v["tests"][0]["p_value"].as_f64().expect("a p-value");
    assert!((p(&two) - 2.0 * p(&one)).abs() < 1e-15);
    // qbinom of R 4.2.2 (tests/data/g07_min_correct.csv): 15 of 20 either way.
    assert_eq!(two["tests"][0]["least"]["correct"], 15);
    let turned = of(&["paired", "--answers", "20", "--correct", "5", "--two-sided"]);
    assert!((p(&turned) - p(&two)).abs() < 1e-15);
    let d = |v: &Value| v["tests"][0]["d_prime"]["value"].as_f64().expect("a d-prime");
    assert!((d(&turned) + d(&two)).abs() < 1e-9);
    assert!(two["tests"][0]["distinguishers"]["reason"].is_string());
}

#[test]
fn nothing_is_printed_without_its_reason_at_the_ends() {
    let all = of(&["duo-trio", "--answers", "12", "--correct", "12"]);
    assert!(all["tests"][0]["d_prime"]["value"]["reason"].is_string());
    assert!(all["tests"][0]["d_prime"]["lower"].is_number());
    let few = of(&["triangle", "--answers", "2", "--correct", "2"]);
    assert!(few["tests"][0]["shown"]["reason"].as_str().is_some_and(|r| r.contains("too few")));
    let none = of(&["triangle", "--answers", "9", "--correct", "0"]);
    assert_eq!(none["tests"][0]["shown"], false);
    assert_eq!(none["tests"][0]["d_prime"]["value"], 0.0);
}

#[test]
fn wrong_counts_are_told() {
    for (args, expected) in [
        (
            &["--answers", "0"][..],
            "--answers is 0\n  expected: a whole number from 1 to 100000\n  to mend:  give how many \
             answers were, or will be, given\n",
        ),
        (
            &["--answers", "9", "--correct", "10"],
            "--correct is 10\n  expected: at most the 9 answers\n  to mend:  give how many of the \
             answers were right\n",
        ),
        (
            &["--answers", "9", "--alpha", "5"],
            "--alpha is 5\n  expected: more than 0 and less than 1\n  to mend:  write 5% as 0.05, 80% as \
             0.8\n",
        ),
        (
            &["--answers", "9", "--distinguishers", "nan"],
            "--distinguishers is NaN\n  expected: more than 0 and less than 1\n  to mend:  write 5% as \
             0.05, 80% as 0.8\n",
        ),
        (
            &["--answers", "9", "--tasters", "10"],
            "--tasters is 10\n  expected: from 1 to the 9 answers\n  to mend:  give how many people \
             answered, or leave it out if each answered once\n",
        ),
    ] {
        let (code, said) = refusal(Path::new("."), &[&["difference", "triangle"], args].concat());
        assert_eq!((code, said.as_str()), (2, expected));
    }
    let (code, said) = refusal(Path::new("."), &["difference"]);
    assert_eq!(code, 2);
    assert!(said.starts_with("nothing to read is named"), "{said}");
}

const WHO: [&str; 8] = ["ann", "bo", "cy", "di", "eve", "fo", "gu", "hal"];

/// A session of one kind, planned, answered by everybody and revealed; `say` makes the lines of a ballot
/// out of the taster's number, the cups in their order and what is in them.
fn revealed(
    folder: &Path,
    kind: &[&str],
    lots: &[&str],
    say: impl Fn(usize, &[(u64, String)]) -> String,
) -> std::path::PathBuf {
    done(folder, &["begin", "garden"]);
    let book = folder.join("garden");
    for lot in lots {
        let args = ["--class", "black", "--made", "2026-05-01", "--reserve", "500"];
        done(&book, &[&["lot", "add", lot], &args[..]].concat());
    }
    for who in WHO {
        done(&book, &["taster", "add", who]);
    }
    let (all, tasters) = (lots.join(","), WHO.join(","));
    let plan = ["session", "plan", "spring", "--lots", &all, "--tasters", &tasters];
    done(
        &book,
        &[&plan[..], &["--day", "2026-05-20", "--order-seed", "3", "--kind"], kind].concat(),
    );
    let session = std::fs::read_dir(book.join("sessions"))
        .expect("sessions")
        .map(|e| e.expect("an entry").path())
        .next()
        .expect("one session");
    let read = |name: &str| -> toml::Table {
        let text = std::fs::read_to_string(session.join(name)).expect("the file is there");
        toml::from_str(&text).expect("TOML")
    };
    let (plan, key) = (read("session.toml"), read("key.toml"));
    let lot_of = |code: u64| {
        let cups = key["cup"].as_array().expect("cups");
        let cup = cups.iter().find(|c| c["code"].as_integer() == Some(code as i64));
        cup.and_then(|c| c["lot"].as_str()).expect("a lot").to_owned()
    };
    for (at, who) in WHO.iter().enumerate() {
        let orders = &plan["flight"][0]["orders"];
        let cups: Vec<(u64, String)> = orders[*who]
            .as_array()
            .expect("an order")
            .iter()
            .map(|c| c.as_integer().and_then(|c| u64::try_from(c).ok()).expect("a code"))
            .map(|code| (code, lot_of(code)))
            .collect();
        let file = folder.join(format!("{who}.csv"));
        std::fs::write(&file, format!("cup,term,value\n{}", say(at, &cups))).expect("written");
        let file = file.to_str().expect("the path is UTF-8");
        let enter = ["session", "enter", "spring", "--taster", who, "--from", file, "--hand-in"];
        done(&book, &enter);
    }
    done(&book, &["session", "close", "spring"]);
    let (code, said) = refusal(&book, &["difference", "spring"]);
    assert_eq!(code, 2);
    assert!(said.contains("it is not revealed"), "{said}");
    done(&book, &["session", "reveal", "spring"]);
    book
}

#[test]
fn a_triangle_session_of_a_book_is_read() {
    let folder = tempfile::tempdir().expect("a folder");
    // Six of eight find the odd cup.
    let book = revealed(folder.path(), &["triangle"], &["L1", "L2"], |at, cups| {
        let alone = |c: &&(u64, String)| cups.iter().filter(|o| o.1 == c.1).count() == 1;
        let odd = cups.iter().find(alone).expect("an odd one");
        let other = cups.iter().find(|c| c.1 != odd.1).expect("another");
        format!("{},odd,1\n", if at < 6 { odd.0 } else { other.0 })
    });
    let found = json(&book, &["difference", "spring"]);
    let t = &found["tests"][0];
    assert_eq!((&t["n_answers"], &t["n_correct"]), (&8.into(), &6.into()));
    assert_eq!(t["samples"], serde_json::json!(["L1", "L2"]));
    // (C(8,6) 4 + C(8,7) 2 + 1)/6561 = 129/6561; ISO 4120: 6 of 8 needed.
    near(&t["p_value"], 129.0 / 6561.0, 1e-12);
    assert_eq!((&t["least"]["correct"], &t["shown"]), (&6.into(), &true.into()));
    let said = text(&book, &["difference", "spring"]);
    println!("{said}");
    assert!(said.contains("L1 and L2: told apart: 6 of 8"));
    for command in ["agree", "compare"] {
        let (code, said) = refusal(&book, &[command, "spring"]);
        assert!(code == 2 && said.contains("ask `difference "), "{said}");
    }
}

#[test]
fn a_ranking_session_of_a_book_is_compared() {
    let folder = tempfile::tempdir().expect("a folder");
    let lots = ["L1", "L2", "L3"];
    let kind = ["ranking", "--terms", "sweet"];
    let book = revealed(folder.path(), &kind, &lots, |at, cups| {
        cups.iter()
            .map(|(code, lot)| {
                let place = lots.iter().position(|l| l == lot).expect("a lot");
                // The last two change places for half of the tasters.
                let rank = if place > 0 && at % 2 == 0 { 3 - place } else { place } + 1;
                format!("{code},sweet,{rank}\n")
            })
            .collect()
    });
    let found = json(&book, &["compare", "spring"]);
    assert_eq!(found["schema"], "ranking/1");
    let t = &found["terms"][0];
    // Rank sums 8, 20, 20: chi-square 12/(8 3 4) (64 + 400 + 400) - 3 8 4 = 12.
    near(&t["test"]["statistic"], 12.0, 1e-10);
    assert_eq!(t["samples"][0]["sample"], "L1");
    let (code, said) = refusal(&book, &["difference", "spring"]);
    assert!(code == 2 && said.contains("ask `compare "), "{said}");
    let (code, said) = refusal(&book, &["compare", "spring", "--control", "L1"]);
    assert!(code == 2 && said.contains("ranks have no points"), "{said}");
    assert!(text(&book, &["compare", "spring"]).contains("L1 has more than"));
}
