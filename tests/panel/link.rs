//! `link` as a process: published numbers, the book, what it says and refuses.

use std::path::Path;

use approx::{assert_abs_diff_eq, assert_relative_eq};
use serde_json::Value;

use crate::run::{case, data, json, named, number, refusal, run, text};

const OILS: [&str; 5] = ["Acidity", "Peroxide", "K232", "K270", "DK"];

/// The olive oils as a table of scores and one of parameters.
fn oils(folder: &Path, parameters: &[&str]) {
    let mut reader = csv::Reader::from_path(data("g10_oliveoil.csv")).expect("it is in tests/data");
    let header = reader.headers().expect("a header").clone();
    let at = |name: &str| header.iter().position(|h| h == name).expect("a column");
    let (mut scores, mut made) =
        (String::from("oil,syrup\n"), format!("oil,{}\n", parameters.join(",")));
    for row in reader.records() {
        let row = row.expect("well formed");
        let cell = |name: &str| row[at(name)].to_owned();
        scores.push_str(&format!("{},{}\n", cell("oil"), cell("syrup")));
        let cells: Vec<String> = parameters.iter().map(|p| cell(p)).collect();
        made.push_str(&format!("{},{}\n", cell("oil"), cells.join(",")));
    }
    std::fs::write(folder.join("scores.csv"), scores).expect("written");
    std::fs::write(folder.join("made.csv"), made).expect("written");
}

const ASK: [&str; 9] = [
    "link",
    "--table",
    "scores.csv",
    "--lot",
    "oil",
    "--value",
    "syrup",
    "--parameters",
    "made.csv",
];

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

fn book() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel")
}

/// One inflation of the five is 10.13, which takes that column's effect away: the model is a
/// regression on the other four.
#[test]
fn olive_oils_have_the_inflation_and_the_fits_of_r() {
    let dir = folder();
    oils(dir.path(), &OILS);
    let expected = &case("g10_links.json")["expected"]["ols_syrup_on_chemical"];
    let found = json(dir.path(), &ASK);
    assert_eq!(found.as_object().and_then(|o| o.keys().next()).map(String::as_str), Some("schema"));
    assert_eq!(found["schema"], "link/2");
    for name in OILS {
        let line = named(&found["lines"], "line", name);
        assert_relative_eq!(
            number(&line["inflation"]),
            number(&expected["vif"][name]),
            max_relative = 1e-9
        );
    }
    assert_eq!(named(&found["lines"], "line", "K232")["has_effect"], false);
    assert_eq!(found["n_asked"], 4);
    // The regression on the four that are left, in exact fractions (Python's, printed as floats);
    // on all five, R's, see tests/stats.
    let exact = [
        ("Acidity", 4.124370765884659, 5.203703771178882),
        ("Peroxide", 0.8064984422297151, 0.28073794273203334),
        ("K270", -7.847533957019424, 37.92588410538552),
        ("DK", -278.72887061517747, 394.4512769589906),
    ];
    for (name, estimate, se) in exact {
        let effect = named(&found["terms"][0]["effects"], "line", name);
        // The columns' sizes differ by 10^4, which costs some of the sixteen digits.
        assert_relative_eq!(number(&effect["per_unit"]["value"]), estimate, max_relative = 1e-8);
        assert_relative_eq!(number(&effect["test"]["se"]), se, max_relative = 1e-8);
    }
    let effect = named(&found["terms"][0]["effects"], "line", "Peroxide");
    assert_abs_diff_eq!(number(&effect["test"]["df"]), 11.0, epsilon = 1e-9);
    assert_abs_diff_eq!(number(&effect["test"]["df_stratum"]), 11.0, epsilon = 1e-12);
}

/// A category of two levels is an ordinary t test: Student's own data of two drugs (1908,
/// Biometrika 6:1-25, "sleep" in R; from memory), whose pooled t is -1.8608 with 18 df, p = 0.07919
/// (help page of t.test and the usual print of it).
#[test]
fn two_categories_are_students_t_test() {
    let dir = folder();
    let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    let (mut scores, mut made) = (String::from("oil,syrup\n"), String::from("oil,drug\n"));
    for (i, x) in first.iter().chain(&second).enumerate() {
        scores.push_str(&format!("P{i},{x}\n"));
        made.push_str(&format!("P{i},{}\n", if i < 10 { "one" } else { "two" }));
    }
    std::fs::write(dir.path().join("scores.csv"), scores).expect("written");
    std::fs::write(dir.path().join("made.csv"), made).expect("written");
    let found = json(dir.path(), &ASK);
    let effect = named(&found["terms"][0]["effects"], "line", "drug=two");
    assert_abs_diff_eq!(number(&effect["test"]["t"]), 1.8608, epsilon = 5e-5);
    assert_abs_diff_eq!(number(&effect["test"]["df"]), 18.0, epsilon = 1e-9);
    assert_abs_diff_eq!(number(&effect["test"]["p_value"]), 0.07919, epsilon = 5e-6);
    // The difference of the means, 2.33 less 0.75.
    assert_abs_diff_eq!(number(&effect["over_range"]["value"]), 1.58, epsilon = 1e-9);
    assert_eq!(named(&found["lines"], "line", "drug=two")["against"], "one");
    // 20!/(10! 10!) ways: drawn, not all counted; near to t's p.
    let exchanged = &effect["permutation"];
    assert_eq!(exchanged["all"], false);
    assert_abs_diff_eq!(number(&exchanged["p_value"]), 0.08, epsilon = 0.025);
}

#[test]
fn the_demo_garden_names_what_was_planted_together_and_covers_what_was_planted() {
    use blindsteep::demo::truth::TERMS;
    let book = book();
    let found = json(&book, &["link"]);
    let lines = found["lines"].as_array().expect("a list");
    let line_of = |column: &str| {
        let has = |l: &&Value| named_in(&l["members"], column);
        lines.iter().find(has).unwrap_or_else(|| panic!("{column} is in no line"))
    };
    let rolling = line_of("roll.minutes");
    assert!(named_in(&rolling["members"], "pluck.fine-leaf"), "the trap is named");
    assert_eq!(rolling["exact"], true);
    let season = line_of("lot.season=spring");
    assert!(named_in(&season["members"], "oxidise.temperature"));
    assert_eq!(season["varies_between"], "sessions");
    // The panel's use of the scale: tasters' slopes in the truth, on average.
    let slopes: Vec<f64> = blindsteep::demo::truth::TASTERS.iter().map(|t| t.slope).collect();
    let slope = slopes.iter().sum::<f64>() / slopes.len() as f64;
    let (mut n, mut held) = (0, 0);
    for t in TERMS.iter().filter(|t| !["bitter", "astringent"].contains(&t.id)) {
        // A taster swaps the two that are left out here.
        let effects = &named(&found["terms"], "term", t.id)["effects"];
        for (column, unit) in
            [("wither.hours", t.wither), ("roll.minutes", t.rolling), ("dry.method=sun", t.sun)]
        {
            let line = line_of(column);
            let effect = named(effects, "line", line["line"].as_str().expect("a name"));
            // Wither and rolling are planted as -1 and +1, sun as 0 and 1.
            let range = if column == "dry.method=sun" { 1.0 } else { 2.0 };
            let member = named(&line["members"], "column", column);
            let truth = slope * unit * range * number(&member["r"]).signum();
            let over = &effect["over_range"];
            n += 1;
            held += usize::from(number(&over["lower"]) <= truth && truth <= number(&over["upper"]));
        }
    }
    // 30 intervals of 95 %: fewer than 26 would come by chance in 2 of 1000 gardens.
    assert_eq!(n, 30);
    assert!(held >= 26, "{held} of {n}");
    // The strongest that was planted are found; the pluck is never named without the rolling.
    let said = text(&book, &["link"]);
    for words in [
        "- dry.method=sun, against hot-air: sun-note +",
        "- wither.hours and what came with it, 12 to 17 h:",
    ] {
        assert!(said.contains(words), "{words} is missing from {said}");
    }
    for list in ["sentences", "not_told_apart", "next"] {
        for s in found[list].as_array().expect("a list") {
            let s = s.as_str().expect("a sentence");
            assert_eq!(s.contains("pluck.fine-leaf"), s.contains("roll.minutes"), "{s}");
        }
    }
    let next = "pluck.fine-leaf from roll.minutes: `blindsteep trial --add 4`";
    assert!(said.contains(next), "{said}");
}

fn named_in(list: &Value, column: &str) -> bool {
    list.as_array().is_some_and(|l| l.iter().any(|m| m["column"] == column))
}

#[test]
fn only_and_about_narrow_the_question_but_not_what_is_named_together() {
    let book = book();
    let found = json(&book, &["link", "--only", "roll.minutes", "--about", "body,sweet"]);
    assert_eq!(found["n_asked"], 2);
    let lines = found["lines"].as_array().expect("a list");
    assert_eq!(lines.len(), 1);
    assert!(named_in(&lines[0]["members"], "pluck.fine-leaf"), "not asked, but not told apart");
    let said = text(&book, &["link", "--only", "roll.minutes", "--about", "body"]);
    assert!(said.contains("Not asked about, and so not adjusted for:"), "{said}");
    for (flags, words) in [
        (["--only", "roll.minute"], "did you mean \"roll.minutes\""),
        (["--about", "bodi"], "did you mean \"body\""),
    ] {
        let (code, error) = refusal(&book, &[&["link"][..], &flags[..]].concat());
        assert_eq!(code, 2);
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn named_sessions_alone_are_read() {
    let book = book();
    let found = json(&book, &["link", "month-01", "month-06"]);
    assert_eq!(found["lots"].as_array().map(Vec::len), Some(8));
    assert_eq!(found["source"]["names"].as_array().map(Vec::len), Some(2));
    let one = json(&book, &["link", "month-01"]);
    assert_eq!(one["lots"].as_array().map(Vec::len), Some(4));
    // Four lots leave nothing to adjust with.
    assert_eq!(one["adjusted"], "one_at_a_time");
    let (code, error) = refusal(&book, &["link", "month-01", "month-01"]);
    assert!(code == 2 && error.contains("is named twice"), "{error}");
}

#[test]
fn charts_are_written_in_both_languages() {
    let (book, dir) = (book(), folder());
    let to = dir.path().to_str().expect("UTF-8");
    for (language, word) in [("en", "rolling, all rolls together"), ("zh", "揉捻总时间")] {
        let out = run(&book, &["link", "--charts", to, "--language", language]);
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        for file in ["effects.svg", "together.svg"] {
            let svg = std::fs::read_to_string(dir.path().join(file)).expect("written");
            assert!(svg.contains(word), "{word} is missing from {file}");
        }
    }
}

#[test]
fn lots_in_one_table_only_and_parameters_with_gaps_are_said_by_name() {
    let dir = folder();
    let scores = "lot,taster,sweet\n".to_owned()
        + &(1..=8)
            .flat_map(|l| ["x", "y"].map(|t| format!("A{l},{t},{}\n", (l * 7 + t.len() * l) % 5)))
            .collect::<String>();
    std::fs::write(dir.path().join("scores.csv"), scores).expect("written");
    let made = "lot,hours,kind,still,gappy,wet\nA1,1,p,3,1,yes\nA2,2,q,3,,no\nA3,4,p,3,2,no\n\
                A4,3,q,3,4,yes\nA5,5,p,3,3,no\nA6,7,q,3,9,yes\nA7,6,r,3,2,no\nB9,8,p,3,7,no\n";
    std::fs::write(dir.path().join("made.csv"), made).expect("written");
    let ask = [
        "link",
        "--table",
        "scores.csv",
        "--lot",
        "lot",
        "--taster",
        "taster",
        "--value",
        "sweet",
        "--parameters",
        "made.csv",
    ];
    let found = json(dir.path(), &ask);
    let gone = |name: &str| named(&found["left_out"], "name", name).clone();
    assert!(gone("A8")["reason"].as_str().is_some_and(|r| r.contains("nothing is recorded")));
    assert!(gone("B9")["reason"].as_str().is_some_and(|r| r.contains("not tasted")));
    assert!(gone("still")["reason"].as_str().is_some_and(|r| r.contains("never varied: 3")));
    assert_eq!(gone("gappy")["lots"], serde_json::json!(["A2"]));
    let columns: Vec<&str> = found["lines"]
        .as_array()
        .expect("a list")
        .iter()
        .flat_map(|l| l["members"].as_array().expect("a list"))
        .filter_map(|m| m["column"].as_str())
        .collect();
    for column in ["hours", "kind=q", "kind=r", "wet=yes"] {
        assert!(columns.contains(&column), "{column} is missing from {columns:?}");
    }
    assert_eq!(found["individual_opinions"], true);
    text(dir.path(), &ask);
}

#[test]
fn a_bad_table_of_parameters_is_told_with_its_place() {
    let dir = folder();
    oils(dir.path(), &["Acidity"]);
    let good = std::fs::read_to_string(dir.path().join("made.csv")).expect("written");
    for (bad, words) in [
        (good.replacen("G2,", "G1,", 1), "made.csv:3:1"),
        (good.replacen("G2,0.19", "G2,0.19,7", 1), "the line has 3 cells"),
        (good.replacen("G2,", ",", 1), "oil is empty"),
        (good.replacen("Acidity", "", 1), "column 2 has no name"),
        (good.replacen("oil,", "olio,", 1), "--lot oil: there is no such column"),
        ("oil,Acidity\n".to_owned(), "there is no lot in the table"),
        (String::new(), "the file is empty"),
    ] {
        std::fs::write(dir.path().join("made.csv"), &bad).expect("written");
        let (code, error) = refusal(dir.path(), &ASK);
        assert!(code == 1 || code == 2, "{code}: {error}");
        assert!(error.contains(words) && error.contains("to mend:"), "{words}: {error}");
    }
    let (code, error) = refusal(dir.path(), &ASK[..7]);
    assert!(code == 2 && error.contains("--parameters is missing"), "{error}");
    let (code, error) = refusal(dir.path(), &["link"]);
    assert!(code == 2 && error.contains("to mend:"), "{error}");
}

/// Two sessions of invented lots; some were first tasted as arms, one under another recipe.
fn two_sessions(folder: &Path) {
    let mut rows = String::from("lot,arm,session,recipe,taster,sweet\n");
    let mut add = |lot: &str, arm: &str, session: &str, recipe: &str, level: usize| {
        for (t, taster) in ["x", "y", "z", "w"].into_iter().enumerate() {
            let score = (level * 3 + t * 2 + level * t) % 7;
            rows.push_str(&format!("{lot},{arm},{session},{recipe},{taster},{score}\n"));
        }
    };
    for l in 1..=5 {
        add(&format!("A{l}"), "", "s1", "long", l);
    }
    add("A6", "dry", "s1", "long", 6);
    add("A6", "humid", "s1", "long", 4);
    add("A7", "", "s1", "short", 3);
    add("REF", "", "s1", "long", 2);
    // A later tasting of a first lot does not count.
    add("A1", "", "s2", "long", 6);
    for l in 8..=12 {
        add(&format!("A{l}"), "", "s2", "long", l);
    }
    add("REF", "", "s2", "long", 3);
    std::fs::write(folder.join("scores.csv"), rows).expect("written");
    let made: String = (1..=12).map(|l| format!("A{l},{},{}\n", l * l % 11, (l * 5) % 7)).collect();
    std::fs::write(folder.join("made.csv"), format!("lot,hours,minutes\n{made}")).expect("written");
}

const TWO: [&str; 17] = [
    "link",
    "--table",
    "scores.csv",
    "--lot",
    "lot",
    "--arm",
    "arm",
    "--session",
    "session",
    "--recipe",
    "recipe",
    "--taster",
    "taster",
    "--value",
    "sweet",
    "--parameters",
    "made.csv",
];

#[test]
fn each_lot_counts_at_its_first_tasting_arms_with_their_parent() {
    let dir = folder();
    two_sessions(dir.path());
    let found = json(dir.path(), &[&TWO[..], &["--reference", "REF"]].concat());
    let lot = |name: &str| named(&found["lots"], "lot", name);
    // Four tasters; the arms of one lot are eight cups of it.
    assert_eq!((&lot("A1")["session"], &lot("A1")["n_scores"]), (&"s1".into(), &4.into()));
    assert_eq!(lot("A6")["n_scores"], 8);
    assert_eq!(lot("A12")["session"], "s2");
    let gone = named(&found["left_out"], "name", "A7");
    assert!(gone["reason"].as_str().is_some_and(|r| r.contains("not brewed by long")));
    assert!(found["lots"].as_array().is_some_and(|l| l.iter().all(|l| l["lot"] != "REF")));
    // The reference joins the sessions and is not among the lots.
    assert_eq!(found["references"], serde_json::json!(["REF"]));
    let formula = found["terms"][0]["model"]["formula"].as_str().expect("a model");
    assert!(formula.contains("reference REF and sessions; random"), "{formula}");
    assert_eq!(found["terms"][0]["n_lots"], 11);
    // Eleven lots as twelve samples, four scores each, and the reference twice.
    assert_eq!(found["terms"][0]["n_scores"], 12 * 4 + 8);
    let effect = named(&found["terms"][0]["effects"], "line", "hours");
    assert_eq!(effect["permutation"]["exchanged"], "residuals of 11 lots within 2 sessions");
    // Eleven lots less two sessions and two parameters.
    assert_eq!(number(&effect["test"]["df_stratum"]), 7.0);
}

#[test]
fn without_a_reference_sessions_are_drawn_by_lot_and_that_is_said() {
    let dir = folder();
    two_sessions(dir.path());
    let scores = std::fs::read_to_string(dir.path().join("scores.csv")).expect("written");
    let without: String =
        scores.lines().filter(|l| !l.starts_with("REF")).map(|l| format!("{l}\n")).collect();
    std::fs::write(dir.path().join("scores.csv"), without).expect("written");
    let found = json(dir.path(), &TWO);
    let formula = found["terms"][0]["model"]["formula"].as_str().expect("a model");
    let (fixed, random) = formula.split_once("; random: ").expect("both parts");
    assert!(random.contains("session") && !fixed.contains("session"), "{formula}");
    let said = text(dir.path(), &TWO);
    assert!(said.contains("no reference was served in all of them"), "{said}");
}

/// The olive oils' own file holds scores and chemistry: scores must not explain themselves.
#[test]
fn a_column_of_scores_is_no_parameter() {
    let oils = data("g10_oliveoil.csv");
    let oils = oils.to_str().expect("a plain path");
    let ask =
        ["link", "--table", oils, "--lot", "oil", "--value", "yellow,green", "--parameters", oils];
    let found = json(&book(), &ask);
    for term in ["yellow", "green"] {
        let gone = named(&found["left_out"], "name", term);
        assert_eq!(gone["reason"], "it is a column of scores");
        let lines = found["lines"].as_array().expect("a list");
        assert!(lines.iter().all(|l| l["line"] != term), "{term}");
    }
}

/// A row that was pasted twice repeats itself exactly: that must not pass for all there is of
/// chance, nor for none.
#[test]
fn a_row_that_stands_twice_leaves_the_answer_standing() {
    let dir = folder();
    two_sessions(dir.path());
    let ask = [&TWO[..], &["--reference", "REF"]].concat();
    let before = json(dir.path(), &ask);
    let scores = std::fs::read_to_string(dir.path().join("scores.csv")).expect("written");
    let row = scores.lines().find(|l| l.starts_with("A1,")).expect("a row of A1");
    std::fs::write(dir.path().join("scores.csv"), format!("{scores}{row}\n")).expect("written");
    let after = json(dir.path(), &ask);
    let hours = |f: &Value| {
        number(&named(&f["terms"][0]["effects"], "line", "hours")["over_range"]["value"])
    };
    assert!((hours(&before) - hours(&after)).abs() < 0.3, "{} {}", hours(&before), hours(&after));
}

/// A part of a split is the same tea: counted beside the whole it would be one lot twice.
#[test]
fn parts_of_one_tea_count_once() {
    use blindsteep::demo::simulated;
    use blindsteep::findings::Settings;
    use blindsteep::findings::link::{Wish, link};
    let scores = simulated::scores(5);
    let mut makings = simulated::makings(5);
    makings.parts_of.insert("T24-02".to_owned(), "T24-01".to_owned());
    makings.parts_of.insert("T25-10".to_owned(), "T24-01".to_owned());
    let settings = Settings { n_permutations: 50, ..Settings::default() };
    let found = link(&scores, &makings, &Wish::default(), &settings);
    let linked: Vec<&str> = found.lots.iter().map(|l| l.lot.as_str()).collect();
    assert!(linked.contains(&"T24-01") && linked.len() == 14, "{linked:?}");
    for part in ["T24-02", "T25-10"] {
        let gone = found.left_out.iter().find(|l| l.name == part).expect("said");
        assert!(gone.reason.contains("one tea"), "{}", gone.reason);
    }
}

/// A copy of a folder with all in it.
fn copied(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("read").map(|e| e.expect("an entry").path()) {
        let own = to.join(entry.file_name().expect("a name"));
        if entry.is_dir() {
            copied(&entry, &own);
        } else {
            std::fs::copy(&entry, &own).expect("copied");
        }
    }
}

#[test]
fn a_trial_of_the_book_comes_first_by_its_name() {
    let dir = folder();
    copied(&book(), dir.path());
    let trial = "format = 1\nname = \"roll-and-sun\"\nplanned = 2025-05-01T10:00:00+08:00\nseed = 7\n\
        made_by = \"additions\"\nterms = [\"body\", \"sun-note\"]\n\n[[factor]]\nparameter = \
        \"roll.minutes\"\nlevels = [40, 75]\n\n[[factor]]\nparameter = \"dry.method\"\nlevels = [\"sun\", \
        \"hot-air\"]\n\n[[run]]\nrun = 1\nday = 1\nsettings = { \"roll.minutes\" = 40, \"dry.method\" = \
        \"sun\" }\n\n[[run]]\nrun = 2\nday = 1\nsettings = { \"roll.minutes\" = 75, \"dry.method\" = \
        \"hot-air\" }\n";
    std::fs::create_dir_all(dir.path().join("trials")).expect("made");
    std::fs::write(dir.path().join("trials/roll-and-sun.toml"), trial).expect("written");
    let lot = dir.path().join("lots/T25-16/lot.toml");
    let own = std::fs::read_to_string(&lot).expect("there");
    let own = own.replacen("id = ", "trial = \"roll-and-sun\"\nrun = 2\nid = ", 1);
    std::fs::write(&lot, own).expect("written");
    let found = json(dir.path(), &["link", "--trial", "roll-and-sun"]);
    let planned = &found["planned"];
    assert_eq!((&planned["trial"], &planned["n_linked"]), (&"roll-and-sun".into(), &1.into()));
    assert_eq!(planned["runs"][1]["lot"], "T25-16");
    // Two factors and two terms; the other 11 terms of these two lines stay among the rest.
    assert_eq!(planned["contrasts"].as_array().map(Vec::len), Some(4));
    assert_eq!(found["n_asked"], 65 - 4);
    let said = text(dir.path(), &["link", "--trial", "roll-and-sun"]);
    assert!(said.contains("Trial roll-and-sun: 1 of 2 runs linked"), "{said}");
    let (code, error) = refusal(dir.path(), &["link", "--trial", "roll-and-sum"]);
    assert!(code != 0 && error.contains("roll-and-sun"), "{error}");
}

#[test]
fn lots_without_a_parameter_are_left_out_if_it_is_to_be_complete() {
    let book = book();
    let found = json(&book, &["link", "--complete", "dry.temperature"]);
    assert_eq!(found["lots"].as_array().map(Vec::len), Some(8));
    let (code, error) = refusal(&book, &["link", "--complete", "dry.temperatur"]);
    assert!(code == 2 && error.contains("did you mean \"dry.temperature\""), "{error}");
}
