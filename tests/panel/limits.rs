//! Small and odd tables: each a result with its limits said, or a clear reason. All invented.

use serde_json::Value;

use crate::run::{json, named, number, text};

pub fn on(command: &str, table: &str, extra: &[&str]) -> (Value, String) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    let mut args = vec![command, "--table", "s.csv", "--lot", "lot"];
    args.extend(extra);
    (json(folder.path(), &args), text(folder.path(), &args))
}

pub fn reason(value: &Value) -> &str {
    assert!(value["value"].is_null(), "{value} is known");
    value["reason"].as_str().expect("a reason is text")
}

const AGREE: [&str; 4] = ["--taster", "who", "--value", "sweet"];

#[test]
fn one_lot_has_nothing_to_be_told_apart_from() {
    let (found, said) =
        on("agree", "lot,who,sweet\na,x,4\na,y,5\na,z,7\na,w,6\na,x,5\na,y,6\n", &AGREE);
    let term = &found["terms"][0];
    assert_eq!(
        reason(&term["lot_test"]),
        "there is one lot only, so there is nothing to tell apart"
    );
    assert!(reason(&term["icc"]).contains("two lots"));
    assert!(reason(&term["kendall"]).contains("two lots"));
    assert!(said.contains("sweet: not tested, there is one lot only"), "{said}");
}

#[test]
fn one_taster_is_an_opinion() {
    let table = "lot,who,sweet\na,x,4\na,x,5\nb,x,7\nb,x,6\nc,x,2\nc,x,2\n";
    let (found, said) = on("agree", table, &AGREE);
    assert_eq!(found["individual_opinions"], true);
    assert!(said.contains("One taster: an individual opinion, not a panel's."), "{said}");
    let term = &found["terms"][0];
    assert!(term["lot_test"]["f"].is_number());
    assert!(reason(&term["tasters"]).contains("two are needed"), "{}", term["tasters"]);
    assert!(reason(&term["mixed_assessor"]).contains("two tasters"), "{}", term["mixed_assessor"]);
}

#[test]
fn two_and_three_tasters_give_opinions_and_no_letters() {
    let mut table = String::from("lot,who,sweet\n");
    for (lot, level) in [("a", 2.0), ("b", 5.0), ("c", 8.0)] {
        for (who, offset) in [("x", 0.0), ("y", 0.4), ("z", -0.3)] {
            for noise in [0.1, -0.2] {
                table.push_str(&format!("{lot},{who},{}\n", level + offset + noise));
            }
        }
    }
    for (people, words) in [(3, "Three tasters"), (2, "Two tasters")] {
        let some: String = table
            .lines()
            .filter(|l| people == 3 || !l.contains(",z,"))
            .map(|l| format!("{l}\n"))
            .collect();
        let (found, said) = on("compare", &some, &AGREE);
        assert_eq!(found["individual_opinions"], true);
        assert!(said.contains(&format!("{words}: individual opinions, not a panel's.")), "{said}");
        for level in found["terms"][0]["levels"].as_array().expect("levels") {
            assert!(reason(&level["letters"]).contains("individual opinions"));
            assert!(level["adjusted"]["lower"].is_number());
        }
    }
}

#[test]
fn equal_scores_are_a_clear_reason() {
    let table = "lot,who,sweet\na,x,4\na,y,4\nb,x,4\nb,y,4\nc,x,4\nc,y,4\n";
    for command in ["agree", "compare"] {
        let (found, said) = on(command, table, &AGREE);
        let term = &found["terms"][0];
        let why = "all 6 scores of 3 lots are equal (4), so there is nothing to tell apart";
        assert_eq!(reason(&term["model"]), why);
        assert_eq!(reason(&term["lot_test"]), why);
        assert!(said.contains(&format!("sweet: not tested, {why}.")), "{said}");
    }
}

#[test]
fn one_score_a_cell_says_what_cannot_be_told_apart() {
    let mut table = String::from("lot,who,sweet\n");
    for (i, lot) in ["a", "b", "c", "d", "e"].iter().enumerate() {
        for (j, who) in ["w", "x", "y", "z"].iter().enumerate() {
            table.push_str(&format!(
                "{lot},{who},{}\n",
                (i * 2 + j + (i * 3 + j * 7) % 4) as f64 / 2.0
            ));
        }
    }
    let (found, said) = on("agree", &table, &AGREE);
    let term = &found["terms"][0];
    let note = "One score a lot and taster: lot × taster cannot be told from the residual.";
    assert!(term["model"]["notes"].as_array().expect("notes").contains(&note.into()));
    assert!(reason(&term["classical"]["interaction_test"]).contains("no replicates"));
    // With one score a cell the mixed model's F is the classical one over lot × taster.
    assert!(
        (number(&term["lot_test"]["f"]) - number(&term["classical"]["lot_test"]["f"])).abs() < 1e-6
    );
    assert!(said.contains("not to be told apart without replicates"), "{said}");
}

#[test]
fn gaps_are_counted_and_said() {
    let table = "lot,who,sweet,body\na,x,4,1\na,y,,2\nb,x,5,3\nb,y,NA,2\nc,x,7,5\nc,y,6,4\n";
    let (found, said) =
        on("compare", table, &["--taster", "who", "--value", "sweet", "--value", "body"]);
    assert_eq!(found["n_gaps"], 2);
    assert_eq!(named(&found["terms"], "term", "sweet")["n_scores"], 4);
    assert_eq!(named(&found["terms"], "term", "body")["n_gaps"], 0);
    let words =
        "2 of 12 scores that were due are missing (sweet 2); they are left out, not taken as 0.";
    assert!(said.contains(words), "{said}");
}

#[test]
fn one_brew_a_lot_is_said() {
    let mut table = String::from("lot,who,pot,sweet\n");
    for lot in ["a", "b", "c"] {
        for (j, who) in ["w", "x", "y", "z"].iter().enumerate() {
            table.push_str(&format!("{lot},{who},{lot}1,{}\n", lot.len() * 3 + (j * 5) % 4));
        }
    }
    table.push_str("a,w,a1,4\nb,w,b1,6\nc,x,c1,7\n");
    let (found, said) =
        on("agree", &table, &["--taster", "who", "--value", "sweet", "--brew", "pot"]);
    assert_eq!(found["terms"][0]["n_brews"], 3);
    let words = "One brew a lot: differences are between pots, not yet between lots.";
    assert!(said.contains(words), "{said}");
    let again = table.replace("a,w,a1,4", "a,w,a2,4").replace("b,w,b1,6", "b,w,b2,6");
    let (found, said) =
        on("agree", &again, &["--taster", "who", "--value", "sweet", "--brew", "pot"]);
    assert_eq!(found["terms"][0]["n_brews"], 5);
    assert!(!said.contains(words), "{said}");
}

#[test]
fn recipes_are_never_pooled_without_a_recipe_term() {
    let mut table = String::from("lot,who,recipe,sweet\n");
    for (i, lot) in ["a", "b"].iter().enumerate() {
        for (j, who) in ["w", "x", "y", "z"].iter().enumerate() {
            for (r, recipe) in ["hot", "cool"].iter().enumerate() {
                let noise = ((i * 3 + j * 2 + r * 6) % 5) as f64 / 10.0;
                table.push_str(&format!(
                    "{lot},{who},{recipe},{}\n",
                    i as f64 + 2.0 * r as f64 + noise
                ));
            }
        }
    }
    let args = ["--taster", "who", "--value", "sweet", "--recipe", "recipe"];
    let (found, _) = on("compare", &table, &args);
    let model = &found["terms"][0]["model"];
    assert!(model["formula"].as_str().expect("text").contains("recipes"), "{model}");
    // Brewed by one recipe each, the lots cannot be freed from it, and that is said.
    let nested: String = table
        .lines()
        .filter(|l| !l.contains("a,") || !l.contains("cool"))
        .filter(|l| !l.contains("b,") || !l.contains("hot"))
        .map(|l| format!("{l}\n"))
        .collect();
    let (_, said) = on("compare", &nested, &args);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("the difference is lot and recipe together"), "{said}");
}

#[test]
fn ticks_and_categories_have_kappa_and_shares() {
    let mut table = String::from("term,lot,who,value\n");
    for (lot, ticks, hues) in [
        ("a", ["1", "yes", "x", "1"], ["red", "red", "red", "orange"]),
        ("b", ["0", "no", "0", "1"], ["orange", "orange", "red", "orange"]),
        ("c", ["0", "no", "false", "0"], ["yellow", "orange", "yellow", "yellow"]),
    ] {
        for (j, who) in ["w", "x", "y", "z"].iter().enumerate() {
            table.push_str(&format!(
                "honey,{lot},{who},{}\nhue,{lot},{who},{}\n",
                ticks[j], hues[j]
            ));
        }
    }
    let args = [
        "--taster",
        "who",
        "--term",
        "term",
        "--value",
        "value",
        "--scale",
        "honey=tick",
        "--scale",
        "hue=nominal",
    ];
    let (found, _) = on("agree", &table, &args);
    // Cochran 1950 by hand: columns a 4, b 1, c 0; rows w 1, x 1, y 1, z 2:
    // Q = 2 (3 · 17 − 25) / (3 · 5 − 7) = 6.5.
    let honey = named(&found["terms"], "term", "honey");
    assert!((number(&honey["cochran"]["q"]) - 6.5).abs() < 1e-12);
    // Fleiss 1971 by hand: lots agree in 6, 3 and 6 of 6 pairs; 5 of 12 answers are yes:
    // observed 15/18, expected (25 + 49)/144, kappa = (120 − 74)/(144 − 74) = 46/70.
    assert!((number(&honey["kappa"]["kappa"]) - 46.0 / 70.0).abs() < 1e-12);
    assert!(reason(&honey["model"]).contains("ticks"));
    let hue = named(&found["terms"], "term", "hue");
    assert_eq!(hue["alpha"]["metric"], "nominal");
    let (found, said) = on("compare", &table, &args);
    let shares = &named(&found["terms"], "term", "hue")["shares"];
    assert_eq!(named(shares, "lot", "c")["labels"][0]["label"], "yellow");
    assert_eq!(named(shares, "lot", "c")["labels"][0]["n"], 3);
    assert!(said.contains("yellow 3, orange 1"), "{said}");
}

#[test]
fn an_exact_column_name_beats_splitting_at_commas() {
    let table = "lot;who;\"sweet, first\";body\na;x;4;1\na;y;5;2\nb;x;6;3\nb;y;8;5\n";
    let (found, _) =
        on("compare", table, &["--taster", "who", "--value", "sweet, first", "--value", "body"]);
    let terms = found["terms"].as_array().expect("terms");
    assert_eq!(terms.len(), 2);
    assert_eq!(terms[0]["term"], "sweet, first");
}

#[test]
fn sessions_that_share_a_lot_are_compared_across_and_others_by_chance() {
    let mut table = String::from("lot,who,when,sweet\n");
    for (when, lots) in [("may", ["a", "b", "ref"]), ("june", ["c", "d", "ref"])] {
        for (i, lot) in lots.iter().enumerate() {
            for (j, who) in ["w", "x", "y", "z"].iter().enumerate() {
                for k in 0..2 {
                    let noise = ((i * 3 + j * 5 + k * 7 + when.len()) % 5) as f64 / 5.0;
                    table.push_str(&format!("{lot},{who},{when},{}\n", i as f64 + noise));
                }
            }
        }
    }
    let args = ["--taster", "who", "--session", "when", "--value", "sweet"];
    let (found, _) = on("compare", &table, &args);
    let formula = &found["terms"][0]["model"]["formula"];
    assert!(formula.as_str().expect("text").starts_with("fixed: lots and sessions;"), "{formula}");
    let apart = table.replace("ref,w,june", "ref2,w,june").replace("ref,x,june", "ref2,x,june");
    let apart = apart.replace("ref,y,june", "ref2,y,june").replace("ref,z,june", "ref2,z,june");
    let (found, said) = on("compare", &apart, &args);
    let model = found["terms"][0]["model"].to_string();
    assert!(model.contains("session"), "{model}");
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("No chain of shared lots joins all sessions"), "{said}");
}
