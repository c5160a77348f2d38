//! `trial` as a process: what it proposes on the demo book, from nothing and from tables, and what
//! it keeps in a book.

use std::path::{Path, PathBuf};

use blindsteep_stats::links::{pearson, variance_inflation};
use serde_json::Value;

use crate::run::{fits_schema, json, named, number, refusal, run, text};

fn book() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel")
}

/// A copy of the demo book that may be written to.
fn copy() -> tempfile::TempDir {
    fn all(from: &Path, to: &Path) {
        std::fs::create_dir_all(to).expect("a folder");
        for entry in std::fs::read_dir(from).expect("the demo book") {
            let entry = entry.expect("an entry");
            let target = to.join(entry.file_name());
            if entry.path().is_dir() {
                all(&entry.path(), &target);
            } else {
                std::fs::copy(entry.path(), target).expect("copied");
            }
        }
    }
    let dir = tempfile::tempdir().expect("a folder");
    all(&book(), dir.path());
    dir
}

fn pair<'a>(found: &'a Value, a: &str, b: &str) -> &'a Value {
    found["together"]
        .as_array()
        .and_then(|l| {
            l.iter().find(|m| (m["a"] == a && m["b"] == b) || (m["a"] == b && m["b"] == a))
        })
        .unwrap_or_else(|| panic!("{a} and {b} are not among the pairs"))
}

/// How the sixteen lots of the demo were made, as its generator's table has it: season, sun, rolling.
/// The pluck is the rolling's opposite.
const SEASON: [f64; 16] = [1., 1., 1., 1., -1., -1., -1., -1., 1., 1., 1., 1., -1., -1., -1., -1.];
const SUN: [f64; 16] = [1., 1., 1., 1., 0., 0., 0., 0., 1., 1., 0., 1., 0., 1., 0., 0.];
const ROLLING: [f64; 16] = [-1., 1., 1., -1., 1., -1., -1., 1., 1., -1., -1., 1., -1., 1., 1., -1.];

/// The promise: four batches part rolling from the leaf's grade and sun from season.
#[test]
fn four_batches_part_rolling_from_pluck_and_sun_from_season() {
    let given: [&[&str]; 2] = [
        &["trial", "--add", "4", "--simulations", "0"],
        &["trial", "--add", "4", "--simulations", "0", "--given", "oxidise.temperature"],
    ];
    for args in given {
        let found = json(&book(), args);
        assert_eq!(found["schema"], "trial/1");
        assert_eq!(found["made_by"], "additions");
        let batches = found["batches"].as_array().expect("a list");
        assert_eq!(batches.len(), 4);
        for (a, b, before) in [
            ("roll.minutes", "pluck.fine-leaf", -1.0),
            ("dry.method=sun", "lot.season=spring", 0.75),
        ] {
            let m = pair(&found, a, b);
            // The design's correlations, as its table says.
            assert!((number(&m["before"]) - before).abs() < 0.005, "{m}");
            assert!(number(&m["after"]).abs() < 0.7, "{m}");
        }
        for column in found["columns"].as_array().expect("a list") {
            assert!(number(&column["inflation_after"]) < 5.0, "{column}");
        }
        // By another route: the correlations and inflations from the generator's table and the settings
        // that are printed.
        let level = |id: &str, high: &str| -> Vec<f64> {
            batches
                .iter()
                .map(|b| {
                    let l = &b["settings"][id];
                    let is = match l.as_str() {
                        Some(word) => word == high,
                        None => high.parse() == Ok(number(l)),
                    };
                    if is { 1.0 } else { -1.0 }
                })
                .collect()
        };
        let with =
            |made: &[f64], new: Vec<f64>| -> Vec<f64> { made.iter().copied().chain(new).collect() };
        let season = with(&SEASON, level("lot.season", "spring"));
        let sun = with(&SUN.map(|x| 2.0 * x - 1.0), level("dry.method", "sun"));
        let rolling = with(&ROLLING, level("roll.minutes", "75"));
        let pluck = with(&ROLLING.map(|x| -x), level("pluck.fine-leaf", "80"));
        let r = |a: &[f64], b: &[f64]| pearson(a, b).expect("both vary");
        let m = number(&pair(&found, "dry.method=sun", "lot.season=spring")["after"]);
        assert!((m - r(&sun, &season)).abs() < 1e-12);
        let m = number(&pair(&found, "roll.minutes", "pluck.fine-leaf")["after"]);
        assert!((m - r(&rolling, &pluck)).abs() < 1e-12);
        let all = variance_inflation(&[&season, &sun, &rolling, &pluck]).expect("all vary");
        assert!(all.iter().all(|v| *v < 5.0), "{all:?}");
    }
}

/// What cannot be chosen is told: in the demo the temperature goes with the season.
#[test]
fn what_cannot_be_chosen_is_no_factor_and_its_company_is_told() {
    let args = ["trial", "--add", "4", "--simulations", "0", "--given", "oxidise.temperature"];
    let found = json(&book(), &args);
    assert!(
        found["factors"]
            .as_array()
            .expect("a list")
            .iter()
            .all(|f| f["parameter"] != "oxidise.temperature")
    );
    assert!(found["given"].as_array().expect("a list").iter().any(|g| g == "oxidise.temperature"));
    let m = pair(&found, "lot.season=spring", "oxidise.temperature");
    assert_eq!(m["aside"], "given");
    assert!(number(&m["before"]) < -0.97 && number(&m["after"]) < -0.97, "{m}");
    let said = found["cautions"].to_string();
    assert!(said.contains("oxidise.temperature cannot be chosen"), "{said}");
    // What follows from others is no factor either.
    let m = pair(&found, "wither.hours", "wither.moisture");
    assert_eq!(m["aside"], "outcome");
    assert!(m["after"]["reason"].is_string());
}

#[test]
fn a_proposal_is_the_same_for_the_same_seed_and_keeps_its_days_and_seasons() {
    let args = ["trial", "--add", "8", "--a-day", "2", "--simulations", "20", "--seed", "5"];
    let found = json(&book(), &args);
    assert_eq!(found, json(&book(), &args));
    fits_schema("trial-1.schema.json", &found.to_string());
    let batches = found["batches"].as_array().expect("a list");
    let mut days: Vec<(i64, &str)> = Vec::new();
    for (i, b) in batches.iter().enumerate() {
        assert_eq!(b["run"], i + 1);
        days.push((
            b["day"].as_i64().expect("a day"),
            b["settings"]["lot.season"].as_str().expect("a word"),
        ));
    }
    assert!(days.is_sorted_by_key(|d| d.0));
    for (day, season) in &days {
        let own: Vec<&&str> = days.iter().filter(|d| d.0 == *day).map(|d| &d.1).collect();
        assert!(own.len() <= 2 && own.iter().all(|s| **s == *season), "{days:?}");
    }
    // One season after the other.
    assert!(days.windows(2).filter(|w| w[0].1 != w[1].1).count() <= 1, "{days:?}");
    let other = json(
        &book(),
        &["trial", "--add", "8", "--a-day", "2", "--simulations", "20", "--seed", "6"],
    );
    assert_ne!(found["batches"], other["batches"]);
}

/// Two routes to the same width: the model at the variances as known, and the middle of fits to
/// simulated scores. And where there is next to nothing to be seen, it is seen about as often as luck
/// alone allows.
#[test]
fn precision_by_formula_and_by_simulation_agree_and_luck_alone_is_luck_alone() {
    let args =
        ["trial", "--add", "4", "--about", "body", "--see", "0.0001", "--simulations", "200"];
    let found = json(&book(), &args);
    assert_eq!(found["panel"]["term"], "body");
    assert_eq!(found["panel"]["failed"], 0);
    let (mut seen, mut of) = (0.0, 0.0);
    for c in found["columns"].as_array().expect("a list") {
        let formula = number(&c["half_width_after"]);
        let simulated = number(&c["power"]["half_width"]);
        // Variances that are estimated vary the width by a sixth and more (some 10 degrees of freedom),
        // its middle by less; those found as 0 are above 0 in half of the simulated panels.
        assert!((simulated / formula - 1.0).abs() < 0.25, "{c}");
        let share = number(&c["power"]["share"]["value"]);
        assert!(number(&c["power"]["share"]["lower"]) < 0.05 + 1e-9, "{c}");
        seen += 200.0 * share;
        of += 200.0;
        let (lower, upper) =
            (number(&c["power"]["share"]["lower"]), number(&c["power"]["share"]["upper"]));
        assert!(lower <= share && share <= upper);
    }
    // Tests of link hold their level or are too careful; seven columns of one panel are not quite
    // independent: four binomial standard deviations above 5 %.
    assert!(seen / of < 0.05 + 4.0 * f64::sqrt(0.05 * 0.95 / of), "{seen} of {of}");
}

#[test]
fn more_points_more_tasters_and_more_batches_are_seen_more_often() {
    let power = |more: &[&str]| -> f64 {
        let mut args = vec!["trial", "--simulations", "120", "--about", "malty"];
        args.extend(more);
        let found = json(&book(), &args);
        let c = named(&found["columns"], "column", "dry.method=sun");
        number(&c["power"]["share"]["value"])
    };
    let small = power(&["--add", "4", "--see", "0.3"]);
    // The same draws: what is larger is seen at least as often.
    assert!(power(&["--add", "4", "--see", "0.8"]) > small);
    let width = |more: &[&str]| -> f64 {
        let mut args = vec!["trial", "--simulations", "0", "--about", "malty"];
        args.extend(more);
        number(
            &named(&json(&book(), &args)["columns"], "column", "roll.minutes")["half_width_after"],
        )
    };
    let usual = width(&["--add", "4"]);
    assert!(width(&["--add", "12"]) < usual);
    assert!(width(&["--add", "4", "--tasters", "12", "--pots", "4"]) < usual);
}

const FIVE: [&str; 12] = [
    "trial",
    "--runs",
    "8",
    "--factor",
    "roll.minutes=40,75",
    "--factor",
    "wither.hours=12,17",
    "--factor",
    "oxidise.hours=2,5",
    "--factor",
    "dry.method=sun,hot-air",
    "--never",
];

#[test]
fn five_factors_in_eight_batches_are_the_textbook_fraction_with_its_aliases() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut args = FIVE[..11].to_vec();
    args.extend(["--factor", "roll.pressure=1,2"]);
    let found = json(dir.path(), &args);
    assert_eq!(found["made_by"], "fraction");
    let fraction = &found["fraction"];
    assert_eq!(
        (fraction["name"].as_str(), &fraction["resolution"]),
        (Some("2^(5-2)"), &Value::from(3))
    );
    // Box, Hunter and Hunter's D = AB, E = AC for 2^(5-2).
    assert_eq!(fraction["generators"][0], "dry.method = roll.minutes × wither.hours");
    assert_eq!(fraction["generators"][1], "roll.pressure = roll.minutes × oxidise.hours");
    let of = |f: &str| named(&fraction["aliases"], "factor", f)["pairs"].clone();
    assert_eq!(of("dry.method"), serde_json::json!(["roll.minutes × wither.hours"]));
    assert_eq!(number(&found["d_efficiency"]).round(), 100.0);
    assert!(found["lots"].as_array().expect("a list").is_empty());
    assert!(found["source"]["reason"].is_string() && found["panel"]["reason"].is_string());
    fits_schema("trial-1.schema.json", &found.to_string());
    let said = text(dir.path(), &args);
    assert!(said.contains("the fraction 2^(5-2) of resolution 3"), "{said}");
    assert!(said.contains("dry.method: roll.minutes × wither.hours"), "{said}");
    assert!(said.contains("How precise it will be is not known: no scores say"), "{said}");
}

#[test]
fn variances_may_be_given_and_other_sizes_are_searched_for() {
    let dir = tempfile::tempdir().expect("a folder");
    let args = [
        "trial",
        "--runs",
        "12",
        "--factor",
        "roll.minutes=40..75",
        "--factor",
        "dry.method=sun,hot-air,shade",
        "--factor",
        "wither.hours=12,17",
        "--sd",
        "lot=0.3,residual=0.8,pot=0.2",
        "--sd",
        "lot-taster=0.3",
        "--simulations",
        "60",
    ];
    let found = json(dir.path(), &args);
    assert_eq!(found["made_by"], "optimal");
    assert_eq!(found["n_combinations"], 12);
    assert_eq!(found["panel"]["tasters"], 6);
    for c in found["columns"].as_array().expect("a list") {
        assert!(
            number(&c["half_width_after"]) > 0.0 && number(&c["power"]["share"]["value"]) > 0.0
        );
    }
    // All twelve combinations once each are orthogonal; no choice is less balanced than they are.
    let count = |id: &str, level: &Value| {
        let batches = found["batches"].as_array().expect("a list");
        batches.iter().filter(|b| b["settings"][id] == *level).count()
    };
    for f in found["factors"].as_array().expect("a list") {
        let levels = f["levels"].as_array().expect("a list");
        for level in levels {
            let id = f["parameter"].as_str().expect("an id");
            assert_eq!(count(id, level) * levels.len(), 12, "{id} {level}");
        }
    }
    let curved = json(
        dir.path(),
        &[
            "trial",
            "--runs",
            "9",
            "--factor",
            "roll.minutes=40..75",
            "--factor",
            "wither.hours=12..18",
            "--curved",
        ],
    );
    let levels = &named(&curved["factors"], "parameter", "wither.hours")["levels"];
    assert_eq!(*levels, serde_json::json!([12, 15, 18]));
    let middle = |id: &str, at: f64| {
        curved["batches"]
            .as_array()
            .expect("a list")
            .iter()
            .filter(|b| b["settings"][id] == at)
            .count()
    };
    assert!(middle("wither.hours", 15.0) > 0 && middle("roll.minutes", 57.5) > 0);
}

#[test]
fn what_cannot_stand_together_is_never_proposed() {
    let args = [
        "trial",
        "--add",
        "6",
        "--simulations",
        "0",
        "--never",
        "dry.method=sun,lot.season=autumn",
    ];
    let found = json(&book(), &args);
    for b in found["batches"].as_array().expect("a list") {
        let s = &b["settings"];
        assert!(!(s["dry.method"] == "sun" && s["lot.season"] == "autumn"), "{s}");
    }
    let free = json(&book(), &args[..5]);
    assert!(number(&free["n_combinations"]) > number(&found["n_combinations"]));
}

#[test]
fn a_table_is_enough() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut scores = String::from("lot,taster,sweet\n");
    let mut made = String::from("lot,minutes,sun\n");
    let mut draws = blindsteep_stats::rng::stream(3, 0);
    for lot in 0..8 {
        // Minutes and sun always go together.
        let long = lot % 2 == 0;
        made.push_str(&format!(
            "L{lot},{},{}\n",
            if long { 75 } else { 40 },
            if long { "yes" } else { "no" }
        ));
        let own = draws.normal();
        for taster in ["ann", "bo", "cy", "dee"] {
            for _ in 0..2 {
                scores.push_str(&format!("L{lot},{taster},{:.2}\n", 5.0 + own + draws.normal()));
            }
        }
    }
    std::fs::write(dir.path().join("s.csv"), scores).expect("written");
    std::fs::write(dir.path().join("m.csv"), made).expect("written");
    let args = [
        "trial",
        "--add",
        "2",
        "--simulations",
        "50",
        "--table",
        "s.csv",
        "--lot",
        "lot",
        "--taster",
        "taster",
        "--value",
        "sweet",
        "--parameters",
        "m.csv",
    ];
    let found = json(dir.path(), &args);
    let m = pair(&found, "minutes", "sun=yes");
    assert!((number(&m["before"]) - 1.0).abs() < 1e-12);
    // Eight lots that agree and two that do not: (8 - 2) / 10.
    assert!((number(&m["after"]) - 0.6).abs() < 1e-12, "{m}");
    assert_eq!(found["panel"]["term"], "sweet");
}

#[test]
fn a_trial_is_kept_made_and_shown() {
    let dir = copy();
    let here = dir.path();
    let keep = [
        "trial",
        "--add",
        "4",
        "--simulations",
        "0",
        "--about",
        "malty",
        "--terms",
        "body,sweet",
        "--given",
        "oxidise.temperature",
        "--save",
        "roll-and-sun",
        "--out",
        "work.pdf",
    ];
    let found = json(here, &keep);
    assert!(std::fs::read(here.join("work.pdf")).expect("written").starts_with(b"%PDF"));
    let out = run(here, &["check"]);
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(said.contains("1 trial"), "{said}");
    // What it is about is what was named for it, not whose variances were taken.
    let kept = std::fs::read_to_string(here.join("trials/roll-and-sun.toml")).expect("kept");
    let kept: toml::Table = kept.parse().expect("TOML");
    let terms = kept["terms"].as_array().expect("a list");
    assert_eq!(terms.iter().filter_map(toml::Value::as_str).collect::<Vec<_>>(), ["body", "sweet"]);
    let shown = json(here, &["trial", "--show", "roll-and-sun"]);
    fits_schema("trial-made-1.schema.json", &shown.to_string());
    assert_eq!(shown["still_to_make"], serde_json::json!([1, 2, 3, 4]));
    for (run, batch) in shown["runs"]
        .as_array()
        .expect("a list")
        .iter()
        .zip(found["batches"].as_array().expect("a list"))
    {
        assert_eq!((&run["run"], &run["day"]), (&batch["run"], &batch["day"]));
        for s in run["settings"].as_array().expect("a list") {
            assert_eq!(s["planned"], batch["settings"][s["parameter"].as_str().expect("an id")]);
        }
    }
    // A lot for run 1: rolled otherwise than planned, the rest not logged yet.
    let planned = number(&found["batches"][0]["settings"]["roll.minutes"]);
    let really = format!("roll.minutes={}", planned + 5.0);
    let out = run(
        here,
        &[
            "lot",
            "add",
            "T26-17",
            "--class",
            "black",
            "--made",
            "2026-05-20",
            "--trial",
            "roll-and-sun",
            "--run",
            "1",
            "--set",
            &really,
        ],
    );
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = text(here, &["trial", "--show", "roll-and-sun"]);
    assert!(said.contains("1 of 4 are made; still to be made: 2, 3 and 4"), "{said}");
    assert!(
        said.contains(&format!(
            "T26-17 with roll.minutes {} min in the stead of {planned}",
            planned + 5.0
        )),
        "{said}"
    );
    assert!(said.contains("wither.hours of T26-17"), "{said}");
    // A trial is written once.
    let (code, why) = refusal(here, &keep[..13]);
    assert_eq!(code, 2, "{why}");
    assert!(why.contains("there is a trial roll-and-sun already"), "{why}");
}

/// What is worked out has long decimals, and the plan has units as the log has.
#[test]
fn what_was_planned_and_logged_is_shown_with_units_and_few_digits() {
    let dir = copy();
    let here = dir.path();
    std::fs::create_dir_all(here.join("trials")).expect("made");
    let trial = "format = 1\nname = \"hours\"\nplanned = 2026-05-20T10:00:00+08:00\nseed = 7\n\
                 made_by = \"optimal\"\n[[factor]]\nparameter = \"derived.oxidation-hours\"\n\
                 levels = [1.5, 3]\n[[run]]\nrun = 1\nday = 1\n\
                 settings = { \"derived.oxidation-hours\" = 1.5 }\n";
    std::fs::write(here.join("trials/hours.toml"), trial).expect("written");
    let words = "lot add T26-18 --class black --made 2026-05-20 --trial hours --run 1 \
                 --set roll.start=2026-05-20T08:00 --set dry.start=2026-05-20T09:50";
    let out = run(here, &words.split_whitespace().collect::<Vec<_>>());
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = text(here, &["trial", "--show", "hours"]);
    // 8:00 to 9:50 are 110/60 h.
    assert!(said.contains("1.833 h in the stead of 1.5 h"), "{said}");
    let row = said.lines().find(|l| l.contains("otherwise")).expect("a row");
    assert!(row.contains("1.5 h") && row.contains("1.833 h") && !row.contains("1.8333"), "{said}");
}
