//! The television-picture panel (TVbo of the R package lmerTest: Kuznetsova, Brockhoff and
//! Christensen 2017, J. Stat. Software 82(13)), balanced and with rows dropped, against numbers
//! of R and of an independent dense REML; sources and tolerances stand in the cases.

use std::path::Path;

use approx::{assert_abs_diff_eq, assert_relative_eq};
use serde_json::Value;

use crate::run::{case, data, json, named, number, television, text};

const TERMS: [&str; 4] = ["Sharpness", "Coloursaturation", "Noise", "Flickeringstationary"];

fn tv(command: &str, file: &str, extra: &[&str]) -> Value {
    let path = data(file);
    let path = path.to_str().expect("the path is UTF-8");
    let values = TERMS.join(",");
    let mut args = vec![
        command,
        "--table",
        path,
        "--lot",
        "TVset,Picture",
        "--taster",
        "Assessor",
        "--value",
        &values,
    ];
    args.extend(extra);
    json(Path::new("."), &args)
}

fn component<'a>(term: &'a Value, name: &str) -> &'a Value {
    named(&term["model"]["components"], "name", name)
}

/// F, degrees of freedom, p, variances and the REML criterion of one case.
fn model_agrees(found: &Value, expected: &Value, den_df: f64) {
    for term in TERMS {
        let (got, want) = (named(&found["terms"], "term", term), &expected[term]);
        let test = &got["lot_test"];
        let anova = &want["anova_product"];
        assert_eq!(got["n_scores"], want["n"], "{term}");
        assert_relative_eq!(number(&test["f"]), number(&anova["F"]), max_relative = 1e-6);
        assert_eq!(number(&test["num_df"]), number(&anova["NumDF"]));
        // The denominator df of a test of several lots depends on how it is written where the
        // table is unbalanced; the case allows 0.1 for that.
        assert_abs_diff_eq!(number(&test["den_df"]), number(&anova["DenDF"]), epsilon = den_df);
        let p_off = if den_df > 1e-3 { 5e-3 } else { 1e-5 };
        assert_relative_eq!(number(&test["p_value"]), number(&anova["p"]), max_relative = p_off);
        for (ours, theirs) in
            [("taster", "Assessor"), ("lot × taster", "Assessor:Product"), ("residual", "Residual")]
        {
            assert_relative_eq!(
                number(&component(got, ours)["variance"]),
                number(&want["varcomp"][theirs]),
                max_relative = 1e-6,
                epsilon = 1e-9
            );
        }
        assert_eq!(component(got, "lot × taster")["at_boundary"], want["boundary"], "{term}");
        assert_relative_eq!(
            number(&got["model"]["minus2_log_likelihood"]),
            number(&want["REML_criterion"]),
            max_relative = 1e-9
        );
    }
}

#[test]
fn agree_gives_the_mixed_model_of_the_balanced_panel() {
    let found = tv("agree", "g04_tvbo_balanced.csv", &["--replicate", "Repeat"]);
    assert_eq!(found.as_object().and_then(|o| o.keys().next()).map(String::as_str), Some("schema"));
    assert_eq!(found["schema"], "agree/1");
    assert_eq!(found["n_scores"], 768);
    model_agrees(&found, &case("g04_mixed_balanced.json")["expected"], 1e-3);
}

#[test]
fn agree_gives_the_mixed_model_of_the_unbalanced_panel() {
    let found = tv("agree", "g05_tvbo_unbalanced.csv", &["--replicate", "Repeat"]);
    model_agrees(&found, &case("g05_mixed_unbalanced.json")["expected"], 0.1);
}

#[test]
fn agree_gives_the_classical_analysis_beside_the_mixed_model() {
    let found = tv("agree", "g04_tvbo_balanced.csv", &[]);
    let case = case("g04_mixed_balanced.json");
    for term in TERMS {
        let got = &named(&found["terms"], "term", term)["classical"];
        let want = &case["expected"][term];
        let names = ["taster", "lot", "lot × taster", "residual"];
        for (i, name) in names.iter().enumerate() {
            let line = named(&got["lines"], "name", name);
            for key in ["df", "ss", "ms"] {
                assert_relative_eq!(
                    number(&line[key]),
                    number(&want["classical_anova"][key][i]),
                    max_relative = 1e-10
                );
            }
        }
        let f = &want["classical_F"];
        for (test, ratio, p) in [
            ("lot_test", "product_vs_interaction", "p_product"),
            ("taster_test", "assessor_vs_interaction", "p_assessor_vs_interaction"),
            ("interaction_test", "interaction_vs_residual", "p_interaction"),
        ] {
            assert_relative_eq!(number(&got[test]["f"]), number(&f[ratio]), max_relative = 1e-10);
            assert_relative_eq!(number(&got[test]["p_value"]), number(&f[p]), max_relative = 1e-7);
        }
    }
}

#[test]
fn agree_splits_the_interaction_as_the_mixed_assessor_model_does() {
    let found = tv("agree", "g04_tvbo_balanced.csv", &["--replicate", "Repeat"]);
    let case = case("g16_mixed_assessor.json");
    for term in ["Sharpness", "Coloursaturation", "Noise"] {
        let got = &named(&found["terms"], "term", term)["mixed_assessor"];
        let want = &case["expected"][term];
        for (ours, theirs) in [
            ("scaling", "scaling"),
            ("disagreement", "disagreement"),
            ("residual", "error"),
            ("lot", "product"),
        ] {
            let line = named(&got["lines"], "name", ours);
            assert_eq!(number(&line["df"]), number(&want[theirs]["df"]), "{term} {ours}");
            assert_relative_eq!(
                number(&line["ss"]),
                number(&want[theirs]["ss"]),
                max_relative = 1e-6
            );
        }
        let test = &got["lot_test"];
        assert_relative_eq!(number(&test["f"]), number(&want["product"]["F"]), max_relative = 1e-8);
        for (i, slope) in want["slope"].as_array().expect("a list").iter().enumerate() {
            let ours = &got["slopes"][i];
            assert_eq!(ours["taster"], (i + 1).to_string());
            assert_relative_eq!(number(&ours["slope"]), number(slope), max_relative = 1e-7);
        }
    }
}

#[test]
fn each_taster_has_the_own_analysis_of_variance() {
    let found = tv("agree", "g04_tvbo_balanced.csv", &["--replicate", "Repeat"]);
    let case = case("g04_mixed_balanced.json");
    for term in TERMS {
        let tasters = &named(&found["terms"], "term", term)["tasters"];
        let want = &case["expected"][term]["per_assessor"];
        let means: Vec<f64> = want["mean"].as_array().expect("a list").iter().map(number).collect();
        for i in 0..8 {
            let got = named(tasters, "taster", &(i + 1).to_string());
            let own = &got["discrimination"];
            assert_relative_eq!(number(&own["f"]), number(&want["F"][i]), max_relative = 1e-8);
            assert_relative_eq!(
                number(&own["p_value"]),
                number(&want["p"][i]),
                max_relative = 1e-6
            );
            assert_relative_eq!(
                number(&got["repeatability"]["value"]),
                number(&want["residual_sd"][i]),
                max_relative = 1e-9
            );
            // In a balanced table the offset against the others follows from the tasters' means.
            let others = (means.iter().sum::<f64>() - means[i]) / 7.0;
            let offset = number(&got["offset"]["value"]);
            assert_abs_diff_eq!(offset, means[i] - others, epsilon = 1e-9);
        }
    }
}

/// Adjusted means, all pairs, Tukey's p and limits, letters.
fn comparison_agrees(found: &Value, expected: &Value) {
    for term in TERMS {
        let (got, want) = (named(&found["terms"], "term", term), &expected[term]);
        let means = &want["emmeans"];
        for (i, lot) in means["product"].as_array().expect("a list").iter().enumerate() {
            let level = &got["levels"][i];
            assert_eq!(&level["lot"], lot);
            for (ours, theirs) in [
                ("value", "mean"),
                ("se", "se"),
                ("df", "df"),
                ("lower", "lower"),
                ("upper", "upper"),
            ] {
                assert_relative_eq!(
                    number(&level["adjusted"][ours]),
                    number(&means[theirs][i]),
                    max_relative = 1e-5
                );
            }
        }
        let pairs = &want["pairs"];
        for (i, a) in pairs["a"].as_array().expect("a list").iter().enumerate() {
            let pair = &got["differences"][i];
            assert_eq!((&pair["a"], &pair["b"]), (a, &pairs["b"][i]));
            let d = &pair["difference"];
            for (ours, theirs) in [
                ("value", "diff"),
                ("se", "se"),
                ("df", "df"),
                ("t", "t"),
                ("p_value", "p_unadjusted"),
                ("tukey_lower", "tukey_lower"),
                ("tukey_upper", "tukey_upper"),
            ] {
                assert_relative_eq!(
                    number(&d[ours]),
                    number(&pairs[theirs][i]),
                    max_relative = 2e-5,
                    epsilon = 1e-6
                );
            }
            let p = number(&pairs["p_tukey"][i]);
            assert_abs_diff_eq!(number(&d["p_tukey"]), p, epsilon = 1e-6);
            // One p of the unbalanced Sharpness lies 8e-5 from 0.05: it must fall on its side.
            assert_eq!(d["differs"], p < 0.05, "{term} {a}");
        }
        letters_agree(got, want);
    }
}

/// Which letter stands for a group is free; who shares one is not.
fn letters_agree(got: &Value, want: &Value) {
    let lots = want["cld"]["product"].as_array().expect("a list");
    let letters = want["cld"]["letters"].as_array().expect("a list");
    let theirs = |lot: &Value| -> &str {
        let at = lots.iter().position(|l| l == lot).expect("every lot has letters");
        letters[at].as_str().expect("letters are text").trim()
    };
    let levels = got["levels"].as_array().expect("a list");
    let share = |a: &str, b: &str| a.chars().any(|c| b.contains(c));
    for x in levels {
        for y in levels {
            let ours = share(
                x["letters"].as_str().expect("letters are given"),
                y["letters"].as_str().expect("letters are given"),
            );
            assert_eq!(
                ours,
                share(theirs(&x["lot"]), theirs(&y["lot"])),
                "{} {}",
                x["lot"],
                y["lot"]
            );
        }
    }
    let lowest = levels
        .iter()
        .min_by(|a, b| number(&a["adjusted"]["value"]).total_cmp(&number(&b["adjusted"]["value"])))
        .expect("there are lots");
    assert!(lowest["letters"].as_str().expect("letters are given").contains('a'));
}

#[test]
fn compare_gives_means_pairs_and_letters_of_the_balanced_panel() {
    let found = tv("compare", "g04_tvbo_balanced.csv", &["--replicate", "Repeat"]);
    assert_eq!(found["schema"], "compare/1");
    let case = case("g04_mixed_balanced.json");
    model_agrees(&found, &case["expected"], 1e-3);
    comparison_agrees(&found, &case["expected"]);
}

#[test]
fn compare_gives_means_pairs_and_letters_of_the_unbalanced_panel() {
    let found = tv("compare", "g05_tvbo_unbalanced.csv", &["--replicate", "Repeat"]);
    let case = case("g05_mixed_unbalanced.json");
    model_agrees(&found, &case["expected"], 0.1);
    comparison_agrees(&found, &case["expected"]);
}

#[test]
fn the_order_of_the_lines_changes_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let whole = std::fs::read_to_string(data("g05_tvbo_unbalanced.csv")).expect("the table");
    let mut lines: Vec<&str> = whole.lines().collect();
    lines[1..].reverse();
    std::fs::write(folder.path().join("turned.csv"), lines.join("\n")).expect("written");
    std::fs::write(folder.path().join("as-is.csv"), &whole).expect("written");
    for command in ["agree", "compare"] {
        let of = |file: &str| {
            let args = television(command, file, "TVset,Picture", "Sharpness,Noise");
            text(folder.path(), &args).replace(file, "FILE")
        };
        assert_eq!(of("turned.csv"), of("as-is.csv"));
    }
}

#[test]
fn one_score_a_cell_gives_the_intraclass_correlations_of_shrout_and_fleiss() {
    // Shrout and Fleiss 1979, tables 2 to 4: six targets, four judges; limits from the case.
    let path = data("g01_icc_shrout_fleiss.csv");
    let path = path.to_str().expect("the path is UTF-8");
    let args =
        ["agree", "--table", path, "--lot", "target", "--taster", "judge", "--value", "score"];
    let found = json(Path::new("."), &args);
    let icc = &found["terms"][0]["icc"];
    let want = &case("g01_icc_shrout_fleiss.json")["expected"]["icc"];
    let forms = [
        ("one_way_single", 0),
        ("one_way_mean", 3),
        ("agreement_single", 1),
        ("consistency_single", 2),
        ("agreement_mean", 4),
        ("consistency_mean", 5),
    ];
    for (ours, at) in forms {
        for (key, theirs) in [("value", "icc"), ("lower", "lower"), ("upper", "upper")] {
            assert_relative_eq!(
                number(&icc[ours][key]),
                number(&want[theirs][at]),
                max_relative = 1e-8
            );
        }
    }
    assert_eq!(icc["k"], 4);
}

#[test]
fn a_table_with_gaps_gives_krippendorffs_alpha() {
    // Krippendorff 2011, section C: four observers, twelve units, gaps.
    let path = data("g03_alpha_4x12.csv");
    let path = path.to_str().expect("the path is UTF-8");
    let want = case("g03_krippendorff_alpha.json");
    for (scale, metric) in [("line", "interval"), ("ordered", "ordinal"), ("nominal", "nominal")] {
        let args = [
            "agree", "--table", path, "--lot", "unit", "--taster", "observer", "--value", "value",
            "--scale", scale,
        ];
        let found = json(Path::new("."), &args);
        let alpha = &found["terms"][0]["alpha"];
        assert_eq!(alpha["metric"], metric);
        assert_relative_eq!(
            number(&alpha["alpha"]["value"]),
            number(&want["expected"]["four_by_twelve"][metric]["alpha"]),
            max_relative = 1e-10
        );
        assert_eq!(alpha["n_pairable"], want["expected"]["four_by_twelve"]["n_pairable"]);
    }
}
