//! `age`: closed forms on a small table, a published longitudinal study, what is said where
//! something is missing, and the demo book. Tables are invented where no source is named.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::run::{case, data, json, named, number, refusal, run, text};

const TASTERS: [&str; 4] = ["ann", "bo", "cy", "di"];

/// A lot that was split after its first tasting, and a reference: (month, lot, arm).
const CUPS: [(u32, &str, &str); 10] = [
    (0, "L1", ""),
    (0, "REF", ""),
    (0, "L2", ""),
    (6, "L1", "dry"),
    (6, "L1", "humid"),
    (6, "REF", ""),
    (18, "L1", "dry"),
    (18, "L1", "humid"),
    (18, "REF", ""),
    (18, "L2", ""),
];

/// Scores without a pattern, the same each time.
fn score(cup: usize, taster: usize) -> f64 {
    let mixed = (cup * 37 + taster * 101 + cup * taster * 13) % 29;
    3.0 + mixed as f64 / 10.0
}

fn table(cups: &[(u32, &str, &str)], tasters: usize) -> String {
    let mut text = String::from("month,lot,arm,who,sweet\n");
    for (c, (month, lot, arm)) in cups.iter().enumerate() {
        for (t, who) in TASTERS.iter().take(tasters).enumerate() {
            text.push_str(&format!("{month},{lot},{arm},{who},{}\n", score(c, t)));
        }
    }
    text
}

fn written(table: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    folder
}

const ASKED: [&str; 13] = [
    "age", "--table", "s.csv", "--lot", "lot", "--arm", "arm", "--taster", "who", "--month",
    "month", "--value", "sweet",
];

fn with<'a>(more: &[&'a str]) -> Vec<&'a str> {
    ASKED.iter().copied().chain(more.iter().copied()).collect()
}

fn of_table(table: &str, more: &[&str]) -> Value {
    json(written(table).path(), &with(more))
}

/// The plain mean of a cup.
fn mean(cup: usize) -> f64 {
    (0..TASTERS.len()).map(|t| score(cup, t)).sum::<f64>() / TASTERS.len() as f64
}

fn close(found: &Value, expected: f64, what: &str) {
    let found = number(found);
    assert!((found - expected).abs() < 1e-9, "{what}: {found}, expected {expected}");
}

fn sample<'a>(f: &'a Value, name: &str) -> &'a Value {
    named(&f["samples"], "sample", name)
}

/// Where every taster scored every cup once, all that is said is a difference of plain means
/// (least squares are then the best there is: Searle, Casella, McCulloch 1992, chapter 4, from
/// memory).
#[test]
fn changes_are_differences_of_plain_means_where_nothing_is_missing() {
    let f = of_table(&table(&CUPS, 4), &["--reference", "REF"]);
    assert_eq!(f["schema"], "age/2");
    assert_eq!(f["reference"], "REF");
    // The lot goes on as its arms; the reference is no sample of its own.
    let names: Vec<&str> =
        f["samples"].as_array().unwrap().iter().map(|s| s["sample"].as_str().unwrap()).collect();
    assert_eq!(names, ["L1@dry", "L1@humid", "L2"]);
    let held = (mean(1) + mean(5) + mean(8)) / 3.0;
    for (name, cups) in [("L1@dry", [0, 3, 6]), ("L1@humid", [0, 4, 7])] {
        let s = sample(&f, name);
        assert_eq!(s["tastings"][0]["sample"], "L1", "before the split");
        assert_eq!(s["tastings"][1]["sample"], name);
        let t = &s["terms"][0];
        for (i, (cup, reference)) in cups.into_iter().zip([1, 5, 8]).enumerate() {
            let p = &t["points"][i];
            close(&p["raw"]["value"], mean(cup), "raw");
            close(&p["corrected"]["value"], mean(cup) - mean(reference) + held, "corrected");
            if i > 0 {
                close(&p["change_raw"]["value"], mean(cup) - mean(0), "raw change");
                let change = mean(cup) - mean(0) - (mean(reference) - mean(1));
                close(&p["change"]["value"], change, "corrected change");
            }
        }
        let corrected = [0, 1, 2].map(|i| mean(cups[i]) - mean([1, 5, 8][i]));
        close(&t["last_change"]["value"], corrected[2] - corrected[0], "first to last");
        close(&t["panel_drift"]["value"], mean(8) - mean(1), "drift");
        // Months 0, 6, 18 have the mean 8 and the square sum 168.
        let slope = |y: [f64; 3]| 12.0 * (-8.0 * y[0] - 2.0 * y[1] + 10.0 * y[2]) / 168.0;
        close(&t["per_year"]["value"], slope(corrected), "a year");
        close(&t["per_year_raw"]["value"], slope(cups.map(mean)), "raw a year");
    }
    let arms = &f["arms"][0];
    assert_eq!((&arms["a"], &arms["b"]), (&Value::from("L1@humid"), &Value::from("L1@dry")));
    let arms = &arms["terms"][0];
    close(&arms["sessions"][0]["difference"]["value"], mean(4) - mean(3), "arms in month 6");
    close(&arms["sessions"][1]["difference"]["value"], mean(7) - mean(6), "arms in month 18");
    close(&arms["mean"]["value"], (mean(4) - mean(3) + mean(7) - mean(6)) / 2.0, "arms");
    close(&f["drift"][0]["last_change_raw"]["value"], mean(8) - mean(1), "drift");
    assert_eq!(f["n_changes_asked"], 3);
    // Benjamini-Hochberg over the three by hand: q of the largest p is that p.
    let p: Vec<f64> = f["samples"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| number(&s["terms"][0]["last_change"]["p_value"]))
        .collect();
    let q: Vec<f64> = f["samples"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| number(&s["terms"][0]["last_change"]["q_value"]))
        .collect();
    let largest = (0..3).max_by(|a, b| p[*a].total_cmp(&p[*b])).unwrap();
    assert!((q[largest] - p[largest]).abs() < 1e-12);
    // Of fewer asked the models are the same, the adjustment is not.
    let one = of_table(&table(&CUPS, 4), &["--reference", "REF", "--of", "L2"]);
    assert_eq!(one["n_changes_asked"], 1);
    let (one, all) = (&sample(&one, "L2")["terms"][0], &sample(&f, "L2")["terms"][0]);
    assert_eq!(one["last_change"]["se"], all["last_change"]["se"]);
    assert_eq!(one["last_change"]["q_value"], one["last_change"]["p_value"]);
}

/// Reaction times of 18 sleepers over ten days (Belenky et al. 2003; data set of lme4; Bates et
/// al. 2015). Each sleeper has a slope of his own; days count from their mean here, where level
/// and slope of a table without gaps do not depend on each other, so that lme4's fit with
/// correlated slopes is met as well: slope, standard error and degrees of freedom. Its correlation
/// itself is not in this model and not checked.
#[test]
fn a_straight_course_meets_the_sleep_study() {
    let text = std::fs::read_to_string(data("g13_sleepstudy.csv")).expect("in tests/data");
    let folder = tempfile::tempdir().expect("a folder");
    let with_lot: Vec<String> = text
        .lines()
        .enumerate()
        .map(|(i, l)| format!("{l},{}", if i == 0 { "lot" } else { "sleepers" }))
        .collect();
    std::fs::write(folder.path().join("s.csv"), with_lot.join("\n") + "\n").expect("written");
    let f = json(
        folder.path(),
        &[
            "age", "--table", "s.csv", "--lot", "lot", "--taster", "Subject", "--month", "Days",
            "--value", "Reaction",
        ],
    );
    let expected = &case("g13_ageing.json")["expected"]["sleep_random_slope_REML"]["fixed"];
    let found = &sample(&f, "sleepers")["terms"][0]["per_year_raw"];
    for (key, expected_key, per, tolerance) in [
        ("value", "estimate", 12.0, 1e-9),
        // lme4's optimiser leaves about 1e-6 in the variances.
        ("se", "se", 12.0, 1e-6),
        ("df", "df", 1.0, 1e-5),
        ("lower", "lower", 12.0, 1e-6),
        ("upper", "upper", 12.0, 1e-6),
    ] {
        let expected = number(&expected[expected_key][1]) * per;
        let found = number(&found[key]);
        assert!((found / expected - 1.0).abs() < tolerance, "{key}: {found}, expected {expected}");
    }
    let said = f["reference"]["reason"].as_str().expect("no reference");
    assert!(said.contains("no sample was served as reference"), "{said}");
    assert!(sample(&f, "sleepers")["terms"][0]["per_year"]["reason"].is_string());
}

#[test]
fn without_a_reference_arms_still_compare_and_drift_is_not_told_from_ageing() {
    let f = of_table(&table(&CUPS, 4), &[]);
    let t = &sample(&f, "L1@dry")["terms"][0];
    let why = t["last_change"]["reason"].as_str().expect("a reason");
    assert!(why.contains("cannot be told apart"), "{why}");
    close(&t["last_change_raw"]["value"], mean(6) - mean(0), "raw");
    assert!(t["last_change_raw"].get("q_value").is_none());
    close(
        &f["arms"][0]["terms"][0]["sessions"][0]["difference"]["value"],
        mean(4) - mean(3),
        "arms",
    );
    assert_eq!(f["n_changes_asked"], 0);
    let said = text(written(&table(&CUPS, 4)).path(), &ASKED);
    assert!(said.contains("as scored: sweet"), "{said}");
    for word in ["less sweet", "more sweet", "no longer"] {
        assert!(!said.contains(word), "{word}: {said}");
    }
}

#[test]
fn a_session_without_the_reference_is_as_scored_only_and_said() {
    let cups: Vec<(u32, &str, &str)> =
        CUPS.into_iter().filter(|c| (c.0, c.1) != (6, "REF")).collect();
    let f = of_table(&table(&cups, 4), &["--reference", "REF"]);
    let s = sample(&f, "L1@dry");
    assert_eq!(s["tastings"][0]["reference"], true);
    let why = s["tastings"][1]["reference"]["reason"].as_str().expect("a reason");
    assert_eq!(why, "the reference REF was not scored in month 6");
    let p = &s["terms"][0]["points"][1];
    assert!(p["corrected"]["value"].is_null() && number(&p["raw"]["value"]) > 0.0);
    assert!(number(&s["terms"][0]["last_change"]["value"]).is_finite());
    let why = s["terms"][0]["per_year"]["reason"].as_str().expect("two tastings are no slope");
    assert!(why.contains("2 tastings count") && why.contains("month 6"), "{why}");
    let said: Vec<&str> =
        s["sentences"].as_array().unwrap().iter().map(|s| s.as_str().unwrap()).collect();
    assert!(said.iter().any(|s| s.contains("as scored only: month 6")), "{said:?}");
}

#[test]
fn a_tasting_by_another_recipe_is_flagged_and_not_counted() {
    let mut rows = String::from("month,lot,arm,who,sweet,recipe\n");
    for line in table(&CUPS, 4).lines().skip(1) {
        let recipe = if line.starts_with("18,L2") { "pot" } else { "bowl" };
        rows.push_str(&format!("{line},{recipe}\n"));
    }
    let f = of_table(&rows, &["--reference", "REF", "--recipe", "recipe"]);
    let s = sample(&f, "L2");
    assert_eq!(s["tastings"][0]["pooled"], true);
    let why = s["tastings"][1]["pooled"]["reason"].as_str().expect("a reason");
    assert!(why.starts_with("brewed by pot, the first tasting by bowl"), "{why}");
    let t = &s["terms"][0];
    assert_eq!(t["points"][1]["pooled"], false);
    close(&t["points"][1]["raw"]["value"], mean(9), "as scored it is listed");
    let why = t["last_change"]["reason"].as_str().expect("no change is told");
    assert_eq!(why, "tasted once by this recipe: there is nothing to compare it with");
    let said = text(
        written(&rows).path(),
        &with(&["--reference", "REF", "--recipe", "recipe", "--of", "L2"]),
    );
    assert!(said.contains("Not counted with the others: month 18 (brewed by pot"), "{said}");
}

#[test]
fn few_tasters_ticks_and_single_tastings_are_said() {
    let f = of_table(&table(&CUPS[..3], 2), &["--reference", "REF"]);
    assert_eq!(f["individual_opinions"], true);
    assert!(f["cautions"][0].as_str().unwrap().starts_with("Two tasters: individual opinions"));
    let why = sample(&f, "L1")["terms"][0]["last_change"]["reason"].as_str().unwrap();
    assert_eq!(why, "tasted once so far: there is nothing to compare it with");
    let rows = table(&CUPS, 4).replace(",sweet\n", ",hay\n");
    let rows: Vec<String> = rows
        .lines()
        .enumerate()
        .map(|(i, l)| match l.rsplit_once(',') {
            Some((start, score)) if i > 0 => {
                format!(
                    "{start},{}",
                    if score.parse::<f64>().unwrap() > 4.0 { "yes" } else { "no" }
                )
            }
            _ => l.to_owned(),
        })
        .collect();
    let folder = written(&(rows.join("\n") + "\n"));
    let args: Vec<&str> = ASKED.into_iter().map(|a| if a == "sweet" { "hay" } else { a }).collect();
    let args: Vec<&str> = args.into_iter().chain(["--scale", "tick"]).collect();
    let f = json(folder.path(), &args);
    let p = &sample(&f, "L1@dry")["terms"][0]["points"][1];
    let n: u64 = p["shares"].as_array().unwrap().iter().map(|s| s["n"].as_u64().unwrap()).sum();
    assert_eq!(n, 4);
    let why = f["models"][0]["model"]["reason"].as_str().unwrap();
    assert_eq!(why, "ticks are listed by tasting only: their changes have no model here");
}

#[test]
fn dates_are_months_from_the_first_and_sessions_by_themselves() {
    let rows = table(&CUPS, 4)
        .replace("\n0,", "\n2024-01-01,")
        .replace("\n6,", "\n2024-07-01,")
        .replace("\n18,", "\n2025-07-01,");
    let args: Vec<&str> =
        ASKED.into_iter().map(|a| if a == "--month" { "--date" } else { a }).collect();
    let args: Vec<&str> = args.into_iter().chain(["--reference", "REF"]).collect();
    let f = json(written(&rows).path(), &args);
    let tastings = &sample(&f, "L2")["tastings"];
    assert_eq!(tastings[1]["session"], "2025-07-01");
    // 547 days by the calendar.
    close(&tastings[1]["month"], 547.0 / 30.4375, "months");
    close(&tastings[0]["month"], 0.0, "months");
}

#[test]
fn what_is_wrong_is_told_with_its_place() {
    let asked = |rows: &str, args: &[&str]| refusal(written(rows).path(), args);
    let good = table(&CUPS, 4);
    let (code, said) = asked(&good.replace("\n6,L1,dry,bo", "\n,L1,dry,bo"), &ASKED);
    assert_eq!(code, 1);
    assert_eq!(
        said,
        "s.csv:15:1: month is empty\n\
         \x20 15 | ,L1,dry,bo,4.9\n\
         \x20    | ^\n\
         \x20 expected: a number of months\n\
         \x20 to mend:  write it as in 3 or 3.5 in every line\n\n\
         1 mistake to mend\n"
    );
    let dated: Vec<&str> =
        ASKED.into_iter().map(|a| if a == "--month" { "--date" } else { a }).collect();
    let (code, said) = asked("month,lot,arm,who,sweet\n2024-13-01,L1,,ann,4\n", &dated);
    assert_eq!(code, 1);
    assert_eq!(
        said,
        "s.csv:2:1: month is \"2024-13-01\"\n\
         \x20 2 | 2024-13-01,L1,,ann,4\n\
         \x20   | ^^^^^^^^^^\n\
         \x20 expected: a day of the calendar, as 2026-05-14\n\
         \x20 to mend:  write the date so\n\n\
         1 mistake to mend\n"
    );
    let no_month: Vec<&str> =
        ASKED.into_iter().filter(|a| !matches!(*a, "--month" | "month")).collect();
    let (code, said) = asked(&good, &no_month);
    assert_eq!(code, 2);
    assert!(said.starts_with("the table does not say when its scores were given\n"), "{said}");
    let (code, said) = asked(&good, &with(&["--reference", "REFF"]));
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "--reference REFF: no such lot was scored\n  expected: one of L1, L1@dry, L1@humid, L2, \
         REF\n  to mend:  did you mean \"REF\"? Otherwise correct the name\n"
    );
    let (code, said) = asked(&good, &with(&["--of", "L1,L7"]));
    assert_eq!(code, 2);
    assert!(said.starts_with("--of L7: no such lot was scored\n"), "{said}");
    let (code, said) = asked(&good, &with(&["spring"]));
    assert_eq!(code, 2);
    assert!(said.starts_with("both a table and sessions are named\n"), "{said}");
    let (code, said) = refusal(&demo(), &["age", "month-24", "2026-05-11"]);
    assert_eq!(code, 2);
    assert!(said.contains("is named twice"), "{said}");
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel")
}

/// The invented garden: arms begin with what the lot was before its split, ages count from the
/// day of making, and the finding keeps to its schema.
#[test]
fn the_demo_book_is_followed_through_its_splits() {
    let f = json(&demo(), &["age", "--of", "T24-02,T25-13"]);
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas/age-2.schema.json");
    let schema = std::fs::read_to_string(schema).expect("the schema is on disk");
    let schema = serde_json::from_str(&schema).expect("a schema is JSON");
    let validator = jsonschema::validator_for(&schema).expect("it is a JSON Schema");
    let wrong: Vec<String> =
        validator.iter_errors(&f).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(!validator.is_valid(&serde_json::json!({"schema": "age/2"})));

    let humid = sample(&f, "T24-02@humid");
    let first = &humid["tastings"][0];
    assert_eq!(
        (&first["sample"], &first["session"]),
        (&"T24-02".into(), &"2024-06-09-month-01".into())
    );
    // Made on 2024-05-07, tasted on 2024-06-09: 33 days.
    close(&first["month"], 33.0 / 30.4375, "age");
    assert_eq!(humid["tastings"].as_array().unwrap().len(), 7);
    assert_eq!(humid["lot"], "T24-02");
    assert_eq!(humid["arm"], "humid");
    let notes = f["source"]["notes"].to_string();
    assert!(!notes.contains("whatever its age"), "{notes}");
    // The panel drifts by -0.02 a month on all lines and one of six by -0.05 more: the course of
    // the reference has to hold it, where sessions add 0.15 of their own.
    let planted = 12.0 * (-0.02 - 0.05 / 6.0);
    let drift = f["drift"].as_array().unwrap();
    let covered = drift
        .iter()
        .filter_map(|t| {
            let c = &t["per_year_raw"];
            (t["scale"] == "line").then(|| c["lower"].as_f64())??;
            Some(number(&c["lower"]) <= planted && planted <= number(&c["upper"]))
        })
        .collect::<Vec<bool>>();
    assert_eq!(covered.len(), 12);
    let n = covered.iter().filter(|c| **c).count();
    assert!(n >= 10, "the drift is held in {n} of 12 terms");
    let said = text(&demo(), &["age", "--of", "T24-02,T25-13"]);
    assert!(said.contains("Tasted once so far: T25-13."), "{said}");
    assert!(said.contains("Never taste visibly mouldy"), "{said}");
}

#[test]
fn charts_are_written_for_each_lot_in_both_languages() {
    let folder = tempfile::tempdir().expect("a folder");
    for language in ["en", "zh"] {
        let dir = folder.path().join(language);
        let dir = dir.to_str().expect("the path is UTF-8");
        let args = ["age", "--of", "T24-02,T24-01", "--charts", dir, "--language", language];
        let out = run(&demo(), &args);
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        let mut files: Vec<String> = std::fs::read_dir(dir)
            .expect("the folder was made")
            .map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned())
            .collect();
        files.sort();
        let expected = [
            "courses-T24-01.svg",
            "courses-T24-02.svg",
            "courses.svg",
            "then-now-T24-01.svg",
            "then-now-T24-02.svg",
        ];
        assert_eq!(files, expected);
        let svg = std::fs::read_to_string(Path::new(dir).join("courses-T24-02.svg")).expect("read");
        let word = if language == "en" { "Brisk" } else { "鲜爽" };
        assert!(svg.contains(word) && svg.contains(">\nhumid\n<"), "{language}");
    }
    // One tasting is no course: the answer stands, and that nothing was drawn is said.
    let dir = folder.path().join("none");
    let out = run(&demo(), &["age", "--of", "T25-13", "--charts", dir.to_str().unwrap()]);
    assert!(out.status.success());
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(said.contains("no chart was drawn") && !dir.exists(), "{said}");
}
