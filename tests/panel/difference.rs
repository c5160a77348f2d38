//! `difference` from counts alone: the whole process against published numbers, its errors word for word.

use std::path::Path;

use serde_json::Value;

use crate::run::{json, refusal, text};

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
