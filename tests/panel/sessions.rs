//! A session of a book from plan to result: refused until it is revealed, then read with its
//! lots, its exclusions and its guesses. All invented.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::run::{json, named, number, refusal, run, text};

pub const LOTS: [&str; 4] = ["L1", "L2", "L3", "L4"];
const TASTERS: [&str; 4] = ["ann", "bo", "cy", "di"];

pub fn done(book: &Path, args: &[&str]) {
    let out = run(book, args);
    assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
}

/// The cups of a key: code, lot, flight.
pub fn cups(book: &Path) -> Vec<(i64, String, i64)> {
    let key = session_file(book, "key.toml");
    let key: toml::Table = toml::from_str(&key).expect("the key is TOML");
    key["cup"]
        .as_array()
        .expect("a key has cups")
        .iter()
        .map(|c| {
            let lot = c["lot"].as_str().expect("a lot").to_owned();
            (c["code"].as_integer().expect("a code"), lot, c["flight"].as_integer().expect("one"))
        })
        .collect()
}

fn session_file(book: &Path, name: &str) -> String {
    let folder: PathBuf = std::fs::read_dir(book.join("sessions"))
        .expect("sessions")
        .map(|e| e.expect("an entry").path())
        .next()
        .expect("one session");
    std::fs::read_to_string(folder.join(name)).expect("the file is there")
}

/// A closed session in which L4 is sweeter than L1 by three points, cy scores two points higher
/// than the others, and ann guesses every lot right.
pub fn closed(folder: &Path) -> PathBuf {
    done(folder, &["begin", "garden"]);
    let book = folder.join("garden");
    for lot in LOTS {
        let args =
            ["lot", "add", lot, "--class", "black", "--made", "2026-05-01", "--reserve", "500"];
        done(&book, &args);
    }
    for taster in TASTERS {
        done(&book, &["taster", "add", taster]);
    }
    let (lots, tasters) = (LOTS.join(","), TASTERS.join(","));
    done(
        &book,
        &[
            "session",
            "plan",
            "spring",
            "--lots",
            &lots,
            "--tasters",
            &tasters,
            "--replicates",
            "2",
            "--duplicates",
            "1",
            "--terms",
            "sweet,honey",
            "--order-seed",
            "7",
            "--guess",
            "--day",
            "2026-05-20",
            "--day",
            "2026-05-21",
        ],
    );
    for (j, taster) in TASTERS.iter().enumerate() {
        let mut table = String::from("cup,term,value\n");
        for (i, (code, lot, flight)) in cups(&book).iter().enumerate() {
            let at = LOTS.iter().position(|l| l == lot).expect("a lot of the session");
            let noise = ((i * 3 + j * 2) % 4) as f64 / 2.0 - 0.5;
            let offset = if *taster == "cy" { 2.0 } else { 0.0 };
            let sweet = 2.0 + at as f64 + offset + noise;
            table
                .push_str(&format!("{code},sweet,{sweet}\n{code},honey,{}\n", usize::from(at > 1)));
            let guess = if *taster == "ann" { lot } else { LOTS[(at + *flight as usize) % 4] };
            table.push_str(&format!("{code},guess,{guess}\n"));
        }
        let file = folder.join(format!("{taster}.csv"));
        std::fs::write(&file, table).expect("written");
        let file = file.to_str().expect("the path is UTF-8");
        done(
            &book,
            &["session", "enter", "spring", "--taster", taster, "--from", file, "--hand-in"],
        );
    }
    for command in ["agree", "compare"] {
        let (code, said) = refusal(&book, &[command, "spring"]);
        assert_eq!(code, 2);
        assert!(said.contains("is open: it is not revealed"), "{said}");
    }
    done(&book, &["session", "close", "spring"]);
    let (code, said) = refusal(&book, &["compare", "spring"]);
    assert_eq!(code, 2);
    assert!(said.contains("is closed: it is not revealed"), "{said}");
    book
}

fn term<'a>(found: &'a Value, id: &str) -> &'a Value {
    named(&found["terms"], "term", id)
}

#[test]
fn a_revealed_session_is_read_with_its_lots_guesses_and_exclusions() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = closed(folder.path());
    done(&book, &["session", "reveal", "spring"]);
    let found = json(&book, &["compare", "spring"]);
    // Four lots in two flights and one of them twice in each: 10 cups, four tasters, two terms.
    assert_eq!(found["n_scores"], 80);
    assert_eq!(found["n_gaps"], 0);
    let sweet = term(&found, "sweet");
    let pair = sweet["differences"]
        .as_array()
        .and_then(|d| d.iter().find(|d| d["a"] == "L1" && d["b"] == "L4"))
        .expect("the pair");
    // As planted: 3 points, with noise of half a point a score.
    assert!((number(&pair["difference"]["value"]) + 3.0).abs() < 0.6, "{pair}");
    assert_eq!(pair["difference"]["differs"], true);
    assert_eq!(sweet["ends"], serde_json::json!([0.0, 10.0]));
    let said = text(&book, &["compare", "spring"]);
    assert!(said.contains("served twice in a flight under two codes, pooled as further cups"));

    let found = json(&book, &["agree", "spring"]);
    assert_eq!(term(&found, "sweet")["n_brews"], 10);
    let formula = term(&found, "sweet")["model"]["formula"].to_string();
    assert!(formula.contains("flight") && formula.contains("brew"), "{formula}");
    let cy = named(&found["habits"]["tasters"], "taster", "cy");
    assert!((number(&cy["offset"]["value"]) - 2.0).abs() < 0.5, "{cy}");
    // Every taster ticked honey for L3 and L4 alone, in both flights; each taster counts once:
    // (k-1)(k ΣG² − (ΣG)²)/(k ΣL − ΣL²) = 3 (4 · 2 · 16 − 64)/(4 · 8 − 16) = 12. Two ticks fall in one
    // of 6 ways, so all four tasters alike by luck once in 6³ = 216.
    let honey = &term(&found, "honey")["cochran"];
    assert!((number(&honey["q"]) - 12.0).abs() < 1e-9, "{honey}");
    assert!((number(&honey["p_value"]) - 1.0 / 216.0).abs() < 2e-3, "{honey}");
    let guesses = &found["guesses"];
    assert_eq!(guesses["n"], 40);
    assert_eq!(guesses["right"], 10);
    let ann = named(&guesses["sittings"], "taster", "ann");
    assert_eq!((&ann["n"], &ann["right"]), (&10.into(), &10.into()));
    assert!(number(&ann["p_adjusted"]) < 0.05);
    assert!(number(&named(&guesses["sittings"], "taster", "bo")["p_adjusted"]) > 0.5);

    done(&book, &["session", "exclude", "spring", "--taster", "cy", "--reason", "had a cold"]);
    let found = json(&book, &["agree", "spring"]);
    let sweet = term(&found, "sweet");
    assert_eq!(sweet["n_excluded"], 10);
    assert_eq!(sweet["n_tasters"], 3);
    assert_eq!(found["exclusions"][0]["reason"], "had a cold");
    assert!(sweet["lot_test_with_excluded"]["f"].is_number());
    let said = text(&book, &["agree", "spring"]);
    assert!(said.contains("20 scores: had a cold"), "{said}");
    assert!(said.contains("sweet with excluded scores left in: F "), "{said}");
}

#[test]
fn charts_are_written_beside_the_result() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = crate::run::data("g04_tvbo_balanced.csv");
    let path = path.to_str().expect("the path is UTF-8");
    for (command, file, words) in
        [("agree", "tasters.svg", "Do the tasters agree?"), ("compare", "levels.svg", "TV3_2")]
    {
        let args = [
            command,
            "--table",
            path,
            "--lot",
            "TVset,Picture",
            "--taster",
            "Assessor",
            "--value",
            "Noise",
            "--charts",
            "charts/tv",
        ];
        let said = text(folder.path(), &args);
        assert!(!said.contains("<svg"));
        let svg = std::fs::read_to_string(folder.path().join("charts/tv").join(file));
        let svg = svg.expect("the chart is there");
        assert!(svg.contains("<svg") && svg.contains(words), "{file}");
    }
    let blocked = folder.path().join("file");
    std::fs::write(&blocked, "").expect("written");
    let args = [
        "agree", "--table", path, "--lot", "Product", "--taster", "Assessor", "--value", "Noise",
        "--charts", "file",
    ];
    let (code, said) = refusal(folder.path(), &args);
    assert_eq!(code, 4);
    assert!(said.starts_with("cannot make the folder file: "), "{said}");
}
