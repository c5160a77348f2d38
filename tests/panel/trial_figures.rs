//! The figures of `trial`: half-widths by the design alone, power among all that is planned, and how
//! the proposal is put into words.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::run::{json, named, number, text};

fn book() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel")
}

/// Tables of nine lots, each scored twice by each of four tasters, of which two things are known.
fn nine_lots(seed: u64) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let mut draws = blindsteep_stats::rng::stream(seed, 1);
    let (mut scores, mut made) =
        ("lot,taster,sweet\n".to_owned(), "lot,minutes,hours\n".to_owned());
    for (lot, x) in NINE.iter().enumerate() {
        made.push_str(&format!("L{lot},{},{}\n", 57.5 + 17.5 * x[1], 14.0 + 2.0 * x[2]));
        let own = 0.6 * draws.normal();
        for taster in ["ann", "bo", "cy", "dee"] {
            let cell = 0.4 * draws.normal();
            for _ in 0..2 {
                let score = 5.0 + own + cell + 0.8 * draws.normal();
                scores.push_str(&format!("L{lot},{taster},{score:.3}\n"));
            }
        }
    }
    std::fs::write(dir.path().join("s.csv"), scores).expect("written");
    std::fs::write(dir.path().join("m.csv"), made).expect("written");
    dir
}

/// The mean, minutes and hours of nine lots.
const NINE: [[f64; 3]; 9] = [
    [1., -1., -1.],
    [1., -1., -1.],
    [1., -1., -1.],
    [1., -1., 1.],
    [1., -1., 1.],
    [1., 1., -1.],
    [1., 1., 1.],
    [1., 1., 1.],
    [1., 1., 1.],
];

/// The inverse of the information of three columns, by cofactors.
fn inverse_diagonal(rows: &[[f64; 3]]) -> [f64; 3] {
    let s = |i: usize, j: usize| rows.iter().map(|r| r[i] * r[j]).sum::<f64>();
    let minor = |i: usize, j: usize, k: usize, l: usize| s(i, k) * s(j, l) - s(i, l) * s(j, k);
    let det =
        s(0, 0) * minor(1, 2, 1, 2) - s(0, 1) * minor(1, 2, 0, 2) + s(0, 2) * minor(1, 2, 0, 1);
    [minor(1, 2, 1, 2) / det, minor(0, 2, 0, 2) / det, minor(0, 1, 0, 1) / det]
}

/// In a balanced table the effect over the range is twice the coefficient of least squares on the
/// lots' means, whose variance is that of lots and a share of the others: a width without any draw.
#[test]
fn half_widths_are_those_of_the_lots_means_whatever_the_seed() {
    let dir = nine_lots(4);
    let found = |seed: &str| {
        let args = [
            "trial",
            "--add",
            "4",
            "--simulations",
            "0",
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
            "--seed",
            seed,
        ];
        json(dir.path(), &args)
    };
    let first = found("1");
    let variance = |name: &str| {
        let all = first["panel"]["components"].as_array().expect("a list");
        all.iter().find(|c| c["name"] == name).map_or(0.0, |c| number(&c["variance"]))
    };
    let of_means = variance("lot") + variance("lot × taster") / 4.0 + variance("residual") / 8.0;
    // The upper 2.5 % of Student's t with 9 - 1 - 2 degrees of freedom, by published tables.
    let t = 2.447;
    let inverse = inverse_diagonal(&NINE);
    for (place, id) in ["minutes", "hours"].iter().enumerate() {
        let width = t * 2.0 * (of_means * inverse[place + 1]).sqrt();
        let own = number(&named(&first["columns"], "column", id)["half_width_before"]);
        assert!((own / width - 1.0).abs() < 5e-4, "{id}: {own}, by the means {width}");
    }
    // Another seed may propose other batches as good, but what stands before is what it is.
    for seed in ["2", "3", "4", "5"] {
        let other = found(seed);
        for id in ["minutes", "hours"] {
            let of = |f: &Value| named(&f["columns"], "column", id)["half_width_before"].clone();
            assert_eq!(of(&first), of(&other), "seed {seed}");
        }
    }
}

/// The same from nothing: three batches against three, in one session.
#[test]
fn half_widths_of_a_trial_from_nothing_are_by_the_variances_given_alone() {
    let dir = tempfile::tempdir().expect("a folder");
    let widths: Vec<f64> = ["1", "2", "3", "4", "5"]
        .iter()
        .map(|seed| {
            let args = [
                "trial",
                "--runs",
                "6",
                "--factor",
                "a=1,2",
                "--pots",
                "2",
                "--tasters",
                "5",
                "--sd",
                "lot=0.3,residual=0.8,pot=0.2,lot-taster=0.3",
                "--simulations",
                "0",
                "--seed",
                seed,
            ];
            number(&json(dir.path(), &args)["columns"][0]["half_width_after"])
        })
        .collect();
    // Three lots against three, four degrees of freedom: t = 2.776 by published tables.
    let of_means = 0.09 + 0.04 / 2.0 + 0.09 / 5.0 + 0.64 / 10.0;
    let width = 2.776 * 2.0 * f64::sqrt(of_means / 6.0);
    for w in &widths {
        assert!((w / width - 1.0).abs() < 5e-4, "{widths:?}, by the means {width}");
        assert!((w - widths[0]).abs() < 1e-9, "{widths:?}");
    }
}

/// What is seen by its own test is shown less often among many; terms named ask for less.
#[test]
fn what_is_planned_is_counted_and_shown_less_often_than_seen() {
    let args = |more: &[&'static str]| {
        let mut all = vec!["trial", "--add", "4", "--about", "body", "--simulations", "60"];
        all.extend(more);
        all
    };
    let all = json(&book(), &args(&["--see", "0.7"]));
    let two = json(&book(), &args(&["--see", "0.7", "--terms", "malty,sweet"]));
    let lines = all["columns"].as_array().expect("a list").len() as f64;
    assert!(number(&all["contrasts"]) > number(&two["contrasts"]));
    assert_eq!(number(&two["contrasts"]), 2.0 * lines);
    let mut less = 0;
    for (a, b) in all["columns"]
        .as_array()
        .expect("a list")
        .iter()
        .zip(two["columns"].as_array().expect("a list"))
    {
        let (seen, first) = (&a["power"]["share"]["value"], &a["power"]["first"]["value"]);
        // The same panels: a smaller p is asked for.
        assert_eq!(seen, &b["power"]["share"]["value"]);
        assert!(number(first) <= number(&b["power"]["first"]["value"]));
        assert!(number(&b["power"]["first"]["value"]) <= number(seen));
        less += usize::from(number(first) < number(seen));
    }
    assert!(less > 0, "{all}");
    let said = text(&book(), &args(&["--terms", "malty,sweet"]));
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("p < 0.05 in its own test"), "{said}");
    // 0.05 over twelve.
    assert!(said.contains(&format!("Among {} planned contrasts", 2.0 * lines)), "{said}");
    assert!(lines != 6.0 || said.contains("asks for p < 0.00417, met "), "{said}");
    assert!(said.contains("is not in the simulated model"), "{said}");
}

/// A large table is not simulated as often, and that is said; what is asked for is done.
#[test]
fn a_large_table_is_simulated_less_often_and_says_so() {
    let found = json(&book(), &["trial", "--add", "40"]);
    let n = number(&found["panel"]["simulations"]);
    assert!((40.0..200.0).contains(&n), "{n}");
    let said = found["cautions"].to_string();
    assert!(said.contains(&format!("{n} panels were simulated in the stead of 200")), "{said}");
    let asked = json(&book(), &["trial", "--add", "40", "--simulations", "3"]);
    assert_eq!(number(&asked["panel"]["simulations"]), 3.0);
    assert!(!asked["cautions"].to_string().contains("in the stead of"));
    // Days are of one season each, and which is said.
    let said = found["sentences"][0].as_str().expect("a sentence");
    let days = |season: &str| {
        let mut all: Vec<i64> = found["batches"]
            .as_array()
            .expect("a list")
            .iter()
            .filter(|b| b["settings"]["lot.season"] == season)
            .map(|b| b["day"].as_i64().expect("a day"))
            .collect();
        all.dedup();
        all.len()
    };
    assert!(
        said.contains(&format!("{} in autumn, {} in spring", days("autumn"), days("spring"))),
        "{said}"
    );
}

#[test]
fn squares_that_cannot_be_told_apart_are_named_once() {
    let args = ["trial", "--add", "4", "--curved", "--simulations", "0"];
    let found = json(&book(), &args);
    let told: Vec<&str> = found["sentences"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|s| s.as_str()?.strip_prefix("Even so these cannot be told apart: "))
        .flat_map(|s| s.trim_end_matches('.').split("; "))
        .collect();
    assert!(!told.is_empty(), "{}", found["sentences"]);
    for pair in &told {
        if let Some((a, b)) = pair.split_once(" from ") {
            assert!(!told.contains(&format!("{b} from {a}").as_str()), "{told:?}");
        }
    }
}
