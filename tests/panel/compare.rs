//! `compare` beyond pairs: a control, lots alike within a margin, effect sizes, blind duplicates,
//! rankings that repeat, steeps and the map. Tables are invented unless a source is named.

use std::fmt::Write as _;
use std::path::Path;

use blindsteep_stats::dist::{t_quantile_upper, t_two_sided};
use blindsteep_stats::dunnett::{Dunnett, Sides};
use blindsteep_stats::rng::{Stream, stream};
use serde_json::Value;

use crate::run::{case, data, json, named, number, refusal, text};

fn television(file: &str, extra: &[&str]) -> Vec<String> {
    let path = data(file).to_str().expect("the path is UTF-8").to_owned();
    let flags = ["compare", "--table", &path, "--lot", "Product", "--taster", "Assessor"];
    let all = flags.iter().chain(extra);
    all.map(|s| (*s).to_owned()).collect()
}

fn asked(args: &[String]) -> Value {
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    json(Path::new("."), &args)
}

fn on(table: &str, extra: &[&str]) -> (Value, String) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    let mut args = vec!["compare", "--table", "s.csv", "--lot", "lot", "--taster", "who"];
    args.extend(extra);
    (json(folder.path(), &args), text(folder.path(), &args))
}

fn reason(value: &Value) -> &str {
    assert!(value["value"].is_null(), "{value} is known");
    value["reason"].as_str().expect("a reason is text")
}

// The television panel of case g04 (R 4.2.2, lme4, lmerTest, emmeans): its differences from TV1_1
// and their t, and Dunnett's distribution of the statistics crate, which is checked by itself
// against tabulated critical values. Balanced, so every correlation is 1/2.
#[test]
fn all_lots_against_a_control_on_the_television_panel() {
    let case = case("g04_mixed_balanced.json");
    for side in ["two", "higher", "lower"] {
        let mut flags = vec!["--value", "Sharpness", "--value", "Noise", "--control", "TV1_1"];
        if side != "two" {
            flags.extend(["--better", side]);
        }
        let found = asked(&television("g04_tvbo_balanced.csv", &flags));
        for term in ["Sharpness", "Noise"] {
            let got = &named(&found["terms"], "term", term)["against_control"];
            assert_eq!(got["correlations"], "products");
            assert_eq!(got["n_compared"], 11);
            let pairs = &case["expected"][term]["pairs"];
            let column = |name: &str| pairs[name].as_array().expect("a column");
            let sides = if side == "two" { Sides::Two } else { Sides::One };
            let dunnett = Dunnett::equal(11, sides).expect("eleven lots");
            let mut n = 0;
            for (i, (a, b)) in column("a").iter().zip(column("b")).enumerate() {
                let (lot, sign) = match (a == "TV1_1", b == "TV1_1") {
                    (true, _) => (b, -1.0),
                    (_, true) => (a, 1.0),
                    _ => continue,
                };
                let d = &named(&got["lots"], "lot", lot.as_str().expect("a name"))["difference"];
                let (t, df) = (sign * number(&column("t")[i]), number(&column("df")[i]));
                assert!((number(&d["t"]) - t).abs() < 1e-4 * t.abs().max(1.0), "{term} {lot}: {d}");
                let statistic = match side {
                    "two" => t.abs(),
                    "higher" => t,
                    _ => -t,
                };
                let p = dunnett.sf(statistic, df);
                assert!((number(&d["p_dunnett"]) - p).abs() < 1e-4, "{term} {lot}: {d} {p}");
                let bound = dunnett.quantile_upper(0.05, df) * number(&d["se"]);
                let value = number(&d["value"]);
                match side {
                    "higher" => {
                        assert!((number(&d["lower"]) - (value - bound)).abs() < 1e-4);
                        assert!(reason(&d["upper"]).contains("one side"));
                    }
                    "lower" => assert!((number(&d["upper"]) - (value + bound)).abs() < 1e-4),
                    _ => {
                        assert!((number(&d["upper"]) - (value + bound)).abs() < 1e-4);
                        assert!((number(&d["lower"]) - (value - bound)).abs() < 1e-4);
                    }
                }
                n += 1;
            }
            assert_eq!(n, 11);
        }
    }
}

// Rows dropped (g05): correlations are no products; p lies between one comparison and Bonferroni,
// and its error is said.
#[test]
fn an_unbalanced_panel_says_how_good_its_p_is() {
    let flags = ["--value", "Sharpness", "--control", "TV1_1"];
    let found = asked(&television("g05_tvbo_unbalanced.csv", &flags));
    let got = &found["terms"][0]["against_control"];
    assert_eq!(got["correlations"], "lattice");
    let error = number(&got["relative_error"]);
    assert!(error > 0.0 && error < 0.01, "{error}");
    for lot in got["lots"].as_array().expect("lots") {
        let d = &lot["difference"];
        let alone = t_two_sided(number(&d["t"]), number(&d["df"]));
        let p = number(&d["p_dunnett"]);
        assert!(p >= alone * 0.99 && p <= (11.0 * alone).min(1.0) * 1.01, "{lot}");
        assert!((number(&d["p_value"]) - alone).abs() < 1e-9);
    }
}

// Two one-sided tests: the 90 % interval of case g04's differences, and Holm's first step.
#[test]
fn alike_means_the_whole_interval_inside_the_margin() {
    let case = case("g04_mixed_balanced.json");
    let flags =
        ["--value", "Sharpness", "--value", "Noise", "--within", "4", "--within", "Noise=2"];
    let found = asked(&television("g04_tvbo_balanced.csv", &flags));
    for (term, margin) in [("Sharpness", 4.0), ("Noise", 2.0)] {
        let got = &named(&found["terms"], "term", term)["alike_within"];
        assert_eq!(number(&got["margin"]), margin);
        assert_eq!(got["n_compared"], 66);
        assert!(reason(&got["control"]).contains("all pairs"));
        let pairs = &case["expected"][term]["pairs"];
        let column = |name: &str| pairs[name].as_array().expect("a column");
        let mut some = (false, false);
        for alike in got["pairs"].as_array().expect("pairs") {
            let is = |i: &usize| {
                let both = [&column("a")[*i], &column("b")[*i]];
                both.contains(&&alike["a"]) && both.contains(&&alike["b"])
            };
            let i = (0..66).find(is).expect("the pair is in the case");
            let n = &alike["numbers"];
            let (df, t) = (number(&column("df")[i]), number(&column("t")[i]));
            let se = (number(&n["value"]) / t).abs();
            let half = t_quantile_upper(0.05, df) * se;
            assert!((number(&n["upper_90"]) - number(&n["value"]) - half).abs() < 1e-3 * half);
            let inside = number(&n["lower_90"]) > -margin && number(&n["upper_90"]) < margin;
            assert_eq!(number(&n["p_value"]) < 0.05, inside, "{alike}");
            assert!(number(&n["p_holm"]) >= number(&n["p_value"]));
            assert_eq!(n["alike"] == true, number(&n["p_holm"]) < 0.05);
            some = (some.0 || n["alike"] == true, some.1 || n["alike"] == false);
        }
        assert!(some.1, "{term}: not every pair is the same");
        assert!(some.0 || term == "Noise", "{term}: some pair is the same");
    }
}

#[test]
fn p_over_terms_is_adjusted_in_both_ways() {
    let flags = ["--value", "Sharpness,Noise,Coloursaturation"];
    let found = asked(&television("g04_tvbo_balanced.csv", &flags));
    assert_eq!(found["n_tested"], 3);
    for term in found["terms"].as_array().expect("terms") {
        let p = number(&term["lot_test"]["p_value"]);
        let (holm, bh) = (number(&term["p_holm"]), number(&term["p_benjamini_hochberg"]));
        assert!(p <= bh && bh <= holm && holm <= 3.0 * p + 1e-15, "{term}");
        // Effect sizes are the differences over the root of all variances.
        let parts = term["model"]["components"].as_array().expect("variances");
        let sum: f64 = parts.iter().map(|c| number(&c["variance"])).sum();
        let sd = number(&term["single_score"]["sd"]);
        assert!((sd - sum.sqrt()).abs() < 1e-9);
        let d = &term["differences"][0]["difference"];
        assert!((number(&d["effect"]) - number(&d["value"]) / sd).abs() < 1e-9);
        let share = &term["single_score"]["lots"];
        assert!(number(&share["lower"]) <= number(&share["value"]));
        assert!(number(&share["value"]) <= number(&share["upper"]));
    }
}

/// Scores with planted levels, offsets and noise; one line a score.
fn line(table: &mut String, cells: &[&str], value: f64) {
    let _ = writeln!(table, "{},{value:.3}", cells.join(","));
}

const WHO: [&str; 6] = ["u", "v", "w", "x", "y", "z"];

#[test]
fn steeps_that_go_different_ways_are_found_and_drawn() {
    let mut dice = stream(5, 0);
    let mut table = String::from("lot,who,rep,steep,sweet\n");
    for (i, lot) in ["a", "b", "c"].iter().enumerate() {
        for (j, who) in WHO.iter().enumerate() {
            for rep in ["1", "2"] {
                for steep in 0..4 {
                    // Lot a loses a point and a half a steep, the others stay at 6.
                    let planted = if i == 0 { 8.0 - 1.5 * f64::from(steep) } else { 6.0 };
                    let offset = 0.3 * j as f64 - 0.75;
                    let value = planted + offset + 0.4 * dice.normal();
                    line(&mut table, &[lot, who, rep, &(steep + 1).to_string()], value);
                }
            }
        }
    }
    let flags = ["--value", "sweet", "--replicate", "rep", "--steep", "steep"];
    let (found, said) = on(&table, &flags);
    let steeps = &found["terms"][0]["steeps"];
    assert_eq!(steeps["steeps"].as_array().expect("steeps").len(), 4);
    assert!(number(&steeps["course_test"]["p_value"]) < 0.001);
    let a = named(&steeps["lots"], "lot", "a");
    for (i, level) in a["steeps"].as_array().expect("four").iter().enumerate() {
        let planted = 8.0 - 1.5 * i as f64;
        let adjusted = &level["adjusted"];
        assert!(number(&adjusted["lower"]) < planted && planted < number(&adjusted["upper"]));
        if i == 0 {
            assert!(reason(&level["since_first"]).contains("first steep"));
        } else {
            let since = &level["since_first"];
            let change = -1.5 * i as f64;
            assert!(number(&since["lower"]) < change && change < number(&since["upper"]));
        }
    }
    assert!(said.contains("over 4 steeps the lots take different courses"), "{said}");
    assert!(said.contains("steep 4"), "{said}");
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), &table).expect("written");
    for language in ["en", "zh"] {
        let mut args = vec!["compare", "--table", "s.csv", "--lot", "lot", "--taster", "who"];
        args.extend(flags);
        args.extend(["--charts", language, "--language", language]);
        text(folder.path(), &args);
        let svg = std::fs::read_to_string(folder.path().join(language).join("steeps.svg"));
        assert!(svg.expect("drawn").contains("p &lt; .001"));
    }
}

/// Six tasters, lots with planted levels in each term, `flights` of each.
fn panel(dice: &mut Stream, levels: &[(&str, [f64; 3])], sessions: &[&str]) -> String {
    let mut table = String::from("lot,who,when,rep,sweet,body,bitter\n");
    for when in sessions {
        for (lot, planted) in levels {
            for (j, who) in WHO.iter().enumerate() {
                for rep in ["1", "2"] {
                    let offset = 0.4 * j as f64 - 1.0;
                    let scores: Vec<String> = planted
                        .iter()
                        .map(|p| format!("{:.3}", p + offset + 0.5 * dice.normal()))
                        .collect();
                    let _ = writeln!(table, "{lot},{who},{when},{rep},{}", scores.join(","));
                }
            }
        }
    }
    table
}

const FLAGS: [&str; 6] =
    ["--value", "sweet,body,bitter", "--session", "when", "--replicate", "rep"];

#[test]
fn a_ranking_that_repeats_is_told_with_its_chance() {
    let levels = [
        ("a", [2.0, 5.0, 5.0]),
        ("b", [4.0, 5.0, 5.0]),
        ("c", [6.0, 5.0, 5.0]),
        ("d", [8.0, 5.0, 5.0]),
    ];
    let table = panel(&mut stream(8, 0), &levels, &["may", "june", "july"]);
    let (found, said) = on(&table, &FLAGS);
    let sweet = &named(&found["terms"], "term", "sweet")["repeats"];
    assert_eq!(sweet["n_sessions"], 3);
    assert_eq!(number(&sweet["all"]["w"]), 1.0);
    // Three equal orders of four lots: 1 in 24 squared.
    assert!((number(&sweet["all"]["p_value"]) - 1.0 / 576.0).abs() < 1e-12);
    assert_eq!(sweet["all"]["exact"], true);
    assert_eq!(number(&sweet["mean_rank"]["rho"]), 1.0);
    assert!(number(&sweet["mean_rank"]["p_value"]) < 0.02);
    // Two equal orders of four lots have a two-sided p of 2 in 24.
    assert!((number(&sweet["pairs"][0]["rank"]["p_value"]) - 2.0 / 24.0).abs() < 1e-12);
    assert!(number(&sweet["lot_session"]["sd"]) < 0.4, "{sweet}");
    assert!(said.contains("Does the ranking of the lots repeat"), "{said}");
    let (once, said) = on(&panel(&mut stream(8, 0), &levels, &["may"]), &FLAGS);
    assert!(reason(&once["terms"][0]["repeats"]).contains("one session"));
    assert!(!said.contains("Does the ranking of the lots repeat"), "{said}");
}

#[test]
fn a_lot_that_moves_between_sessions_is_found() {
    let at = |shift: f64| {
        [
            ("a", [2.0, 5.0, 5.0]),
            ("b", [4.0 + shift, 5.0, 5.0]),
            ("c", [6.0, 5.0, 5.0]),
            ("d", [8.0 - shift, 5.0, 5.0]),
        ]
    };
    let mut dice = stream(9, 0);
    let mut table = panel(&mut dice, &at(0.0), &["may"]);
    let later = panel(&mut dice, &at(4.0), &["june"]);
    table.push_str(later.split_once('\n').expect("a header").1);
    let (found, _) = on(&table, &FLAGS);
    let moved = &named(&found["terms"], "term", "sweet")["repeats"]["lot_session"];
    assert!(number(&moved["sd"]) > 1.0 && number(&moved["p_value"]) < 0.01, "{moved}");
    assert!((number(&moved["p_unhalved"]) - 2.0 * number(&moved["p_value"])).abs() < 1e-12);
}

#[test]
fn the_map_shows_what_was_planted_and_says_how_sure_it_is() {
    let levels = [
        ("a", [2.0, 2.0, 5.0]),
        ("b", [2.3, 2.2, 5.1]),
        ("c", [8.0, 2.0, 5.0]),
        ("d", [2.0, 8.0, 4.9]),
        ("e", [8.0, 8.0, 5.0]),
    ];
    let table = panel(&mut stream(3, 0), &levels, &["may"]);
    let flags = [&FLAGS[..], &["--scale", "line"]].concat();
    let (found, said) = on(&table, &flags);
    let map = &found["map"];
    let terms = map["terms"].as_array().expect("terms");
    assert!(terms.contains(&"sweet".into()) && terms.contains(&"body".into()), "{map}");
    let at = |lot: &str| {
        let p = named(&map["points"], "lot", lot);
        (number(&p["x"]), number(&p["y"]))
    };
    let apart = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).hypot(a.1 - b.1);
    assert!(apart(at("a"), at("b")) * 4.0 < apart(at("a"), at("c")));
    let shares: Vec<f64> = map["shares"].as_array().expect("shares").iter().map(number).collect();
    assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-9 && shares[0] >= shares[1]);
    let coverage = number(&map["measured_coverage"]);
    assert!((0.85..=1.0).contains(&coverage), "{coverage}");
    for point in map["points"].as_array().expect("points") {
        assert!(number(&point["region"]["long"]) >= number(&point["region"]["short"]));
    }
    assert!(said.contains("simulated panels like this one"), "{said}");
    let (two, _) = on(&panel(&mut stream(3, 0), &levels[..2], &["may"]), &FLAGS);
    assert!(!reason(&two["map"]).is_empty());
    let alike = [("a", [5.0; 3]), ("b", [5.0; 3]), ("c", [5.0; 3])];
    let (none, _) = on(&panel(&mut stream(2, 0), &alike, &["may"]), &FLAGS);
    assert!(reason(&none["map"]).contains("a map needs two"), "{}", none["map"]);
}

#[test]
fn blind_duplicates_say_what_chance_does() {
    let mut dice = stream(6, 0);
    let mut table = String::from("lot,who,flight,brew,sweet\n");
    for flight in ["1", "2", "3", "4"] {
        for lot in ["a", "b"] {
            for (k, pot) in ["p", "q"].iter().enumerate() {
                let pot_effect = 0.3 * dice.normal();
                for who in WHO {
                    let value = 5.0 + pot_effect + 0.6 * dice.normal();
                    line(&mut table, &[lot, who, flight, &format!("{lot}{flight}{pot}{k}")], value);
                }
            }
        }
    }
    let flags = ["--value", "sweet", "--flight", "flight", "--brew", "brew"];
    let (found, said) = on(&table, &flags);
    let d = &found["terms"][0]["duplicates"];
    assert_eq!(d["n_pairs"], 8);
    assert_eq!(number(&d["cups_a_lot"]), 8.0);
    // Planted: root of 2 (0.09 + 0.36 / 6) = 0.55. Of eight pairs the root mean square lies between
    // 0.18 and 0.99 but in 2 of 1000 (chi-square with 8 df: 0.857 and 26.1).
    let rms = number(&d["rms_difference"]);
    assert!((0.18..0.99).contains(&rms), "{rms}");
    let smallest = t_quantile_upper(0.025, 8.0) * rms / 8f64.sqrt();
    assert!((number(&d["smallest"]) - smallest).abs() < 1e-12);
    assert!(said.contains("8 pairs of blind duplicates"), "{said}");
}

#[test]
fn a_control_or_margin_that_is_none_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), "lot,who,sweet\na,x,4\nb,x,5\n").expect("written");
    let base =
        ["compare", "--table", "s.csv", "--lot", "lot", "--taster", "who", "--value", "sweet"];
    for (extra, words) in [
        (&["--control", "c"][..], "--control c: there is no lot of this name"),
        (&["--within", "0"], "\"0\" is no margin"),
        (&["--within", "sweet=much"], "\"much\" is no margin"),
        (&["--within", "sour=1"], "--within sour: there is no term of this name"),
        (&["--within", "1", "--within", "2"], "stated twice"),
        (&["--better", "higher"], "--control"),
    ] {
        let (code, said) = refusal(folder.path(), &[&base[..], extra].concat());
        assert_eq!(code, 2, "{said}");
        assert!(said.contains(words), "{said}");
        assert!(extra[0] == "--better" || said.contains("to mend:"), "{said}");
    }
}

#[test]
fn three_hundred_lots_stay_readable() {
    let mut dice = stream(12, 0);
    let mut table = String::from("lot,who,sweet,body\n");
    for i in 0..300 {
        let (sweet, body) = (5.0 + 1.5 * dice.normal(), 5.0 + 1.5 * dice.normal());
        for who in WHO {
            for _ in 0..2 {
                let _ = writeln!(
                    table,
                    "lot {i},{who},{:.2},{:.2}",
                    sweet + dice.normal(),
                    body + dice.normal()
                );
            }
        }
    }
    let flags = ["--value", "sweet,body", "--control", "lot 7", "--within", "2"];
    let (found, said) = on(&table, &flags);
    assert_eq!(found["terms"][0]["levels"].as_array().expect("levels").len(), 300);
    assert_eq!(found["terms"][0]["against_control"]["n_compared"], 299);
    assert!(said.lines().count() < 320, "{} lines", said.lines().count());
    assert!(said.contains("260 lie between them"), "{said}");
}

#[test]
fn perfect_agreement_and_equal_scores_have_reasons() {
    let mut table = String::from("lot,who,sweet,body\n");
    for (lot, level) in [("a", 1), ("b", 5), ("c", 9)] {
        for who in WHO {
            let _ = writeln!(table, "{lot},{who},{level},4");
        }
    }
    let flags = ["--value", "sweet,body", "--control", "a", "--within", "1"];
    let (found, _) = on(&table, &flags);
    for term in ["sweet", "body"] {
        let t = named(&found["terms"], "term", term);
        for key in ["against_control", "alike_within", "single_score"] {
            assert!(!reason(&t[key]).is_empty(), "{term} {key}");
        }
    }
    assert!(!reason(&found["map"]).is_empty());
}
