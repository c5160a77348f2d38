//! Agreement in ticks, categories and ordered levels, through the program.

use crate::limits::{on, reason};
use crate::run::{case, data, json, named, number, text};

const ORDERED: [&str; 6] = ["--taster", "who", "--value", "body", "--scale", "ordered"];

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() < tolerance, "{got}, expected {want}");
}

/// One row a lot, taster and time; the level as the function says.
fn table(
    lots: usize,
    tasters: usize,
    times: usize,
    level: impl Fn(usize, usize, usize) -> i64,
) -> String {
    let mut out = String::from("lot,who,time,body\n");
    for lot in 0..lots {
        for taster in 0..tasters {
            for time in 0..times {
                let body = level(lot, taster, time);
                out.push_str(&format!(
                    "L{lot:03},{},{time},{body}\n",
                    (b'a' + taster as u8) as char
                ));
            }
        }
    }
    out
}

/// Levels 0 to 3 that follow the lot, with some scatter that hangs on nothing.
fn scattered(lot: usize, taster: usize, time: usize) -> i64 {
    let scatter = ((lot * 7 + taster * 11 + time * 5) * 13 % 17) as i64;
    ((lot as i64 % 4) + scatter / 6 - 1).clamp(0, 3)
}

// The wine panel of Randall 1989: W and alpha of the case.
#[test]
fn the_wine_panel_through_the_program() {
    let path = data("g11_wine.csv");
    let path = path.to_str().expect("the path is UTF-8");
    let args =
        ["agree", "--table", path, "--lot", "bottle", "--taster", "judge", "--value", "rating"];
    let args: Vec<&str> = args.into_iter().chain(["--scale", "ordered"]).collect();
    let found = json(std::path::Path::new("."), &args);
    let want = &case("g11_ordinal_wine.json")["expected"];
    let term = &found["terms"][0];
    close(number(&term["alpha"]["value"]), number(&want["alpha_rating"]["ordinal"]), 1e-10);
    close(number(&term["kendall"]["w"]), number(&want["kendall_rating"]["W_corrected"]), 1e-10);
    let model = &term["ordinal"];
    assert_eq!(model["lot_test"]["df"], 7);
    // Bottles in pairs are temperature and contact with the must: their test holds that of the two.
    let two = number(&want["clmm_agq25"]["logLik"]);
    assert!(number(&model["log_likelihood"]) > two);
    assert_eq!(model["thresholds"].as_array().map(Vec::len), Some(4));
    assert_eq!(term["pairs"]["pairs"].as_array().map(Vec::len), Some(36));
    let said = text(std::path::Path::new("."), &args);
    assert!(said.contains("Lots by the order of levels alone"), "{said}");
    assert!(said.contains("by the steps between two levels"), "{said}");
}

#[test]
fn a_level_in_the_middle_that_nobody_used_is_passed_over() {
    let (found, _) = on(
        "agree",
        &table(4, 6, 2, |l, t, r| [0, 1, 3, 4][scattered(l, t, r) as usize]),
        &[&ORDERED[..], &["--replicate", "time"]].concat(),
    );
    let model = &found["terms"][0]["ordinal"];
    let steps: Vec<(f64, f64)> = model["thresholds"]
        .as_array()
        .expect("thresholds")
        .iter()
        .map(|t| (number(&t["below"]), number(&t["above"])))
        .collect();
    assert_eq!(steps, [(0.0, 1.0), (1.0, 3.0), (3.0, 4.0)]);
    assert!(number(&model["lot_test"]["p_value"]) < 0.05);
    // The weights know of the level that nobody used: five levels, four steps.
    assert!(found["terms"][0]["pairs"]["weights"].as_str().expect("text").contains("steps"));
}

#[test]
fn a_lot_at_the_end_of_the_scale_has_no_finite_place_and_is_named() {
    let all_lowest = |l, t, r| if l == 2 { 0 } else { scattered(l, t, r).max(i64::from(t == 0)) };
    let (found, said) = on("agree", &table(4, 5, 1, all_lowest), &ORDERED);
    let why = reason(&found["terms"][0]["ordinal"]);
    assert!(why.contains("L002 has the lowest level used and no other"), "{why}");
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("how far off it lies has no finite estimate"), "{said}");
    assert!(found["terms"][0]["lot_test"]["f"].is_number());
}

#[test]
fn perfect_agreement_is_one_and_says_what_cannot_be_tested() {
    let (found, _) = on("agree", &table(4, 4, 1, |l, _, _| l as i64), &ORDERED);
    let term = &found["terms"][0];
    assert_eq!(term["alpha"]["value"], 1.0);
    // Sixteen scores that agree are no proof that the next ones will.
    assert!(reason(&term["alpha"]["alpha"]).contains("one point (1.00)"));
    let pair = &term["pairs"]["pairs"][0]["linear"];
    assert_eq!(number(&pair["upper"]), 1.0);
    assert!(number(&pair["lower"]) < 0.5, "{pair}");
    assert_eq!(term["kendall"]["w"], 1.0);
    assert_eq!(term["pairs"]["mean"], 1.0);
    assert!(reason(&term["lot_test"]).contains("nothing is left to measure chance by"));
    assert!(term["ordinal"]["value"].is_null());
}

#[test]
fn a_taster_with_one_score_for_everything_is_told_from_the_others() {
    let one = |l, t, r| if t == 4 { 2 } else { scattered(l, t, r) };
    let (found, _) =
        on("agree", &table(5, 5, 2, one), &[&ORDERED[..], &["--replicate", "time"]].concat());
    let term = &found["terms"][0];
    for pair in term["pairs"]["pairs"].as_array().expect("pairs") {
        let with = [&pair["first"], &pair["second"]].iter().any(|n| *n == "e");
        if with {
            // One who never varies agrees as often as luck has it, by definition: that is no finding.
            assert!(reason(&pair["kappa"]).contains("gave one and the same answer"), "{pair}");
            assert_eq!(pair["observed"], pair["by_luck"], "{pair}");
        }
    }
    assert!(term["ordinal"]["lot_test"]["p_value"].is_number());
    assert!(term["icc"]["agreement_single"]["value"].is_number());
    assert!(term["icc"]["one_way_single"]["value"].is_number());
}

#[test]
fn two_lots_and_ticks_have_mcnemar() {
    let mut out = String::from("lot,who,tick\n");
    for (who, a, b) in
        [("u", 1, 0), ("v", 1, 0), ("w", 1, 1), ("x", 0, 0), ("y", 1, 0), ("z", 0, 1)]
    {
        out.push_str(&format!("a,{who},{a}\nb,{who},{b}\n"));
    }
    let args = ["--taster", "who", "--value", "tick", "--scale", "tick"];
    let (found, _) = on("agree", &out, &args);
    let test = &found["terms"][0]["two_lots"];
    assert_eq!((&test["first_only"], &test["second_only"]), (&3.into(), &1.into()));
    // Twice the chance of at most 1 of 4 coins: 2 (1 + 4) / 16.
    close(number(&test["p_exact"]), 0.625, 1e-12);
    let alpha = &found["terms"][0]["alpha"];
    assert!(reason(&alpha["alpha"]).contains("too few to draw lots anew"), "{alpha}");
    assert!(alpha["value"].is_number());
}

#[test]
fn three_tasters_have_limits_that_are_for_them_alone() {
    let (found, said) =
        on("agree", &table(6, 3, 2, scattered), &[&ORDERED[..], &["--replicate", "time"]].concat());
    let alpha = &found["terms"][0]["alpha"];
    assert!(alpha["drawn"].as_str().expect("text").contains("these tasters only"), "{alpha}");
    assert!(alpha["alpha"]["lower"].is_number());
    assert!(said.contains("these tasters only"), "{said}");
}

#[test]
fn three_hundred_lots_have_numbers_or_reasons() {
    let (found, _) = on("agree", &table(300, 4, 1, scattered), &ORDERED);
    let term = &found["terms"][0];
    assert_eq!(term["n_lots"], 300);
    assert!(term["alpha"]["alpha"]["lower"].is_number());
    assert!(reason(&term["ordinal"]).contains("lots have the lowest level used and no other"));
    assert!(term["icc"]["agreement_mean"]["value"].is_number());
}

#[test]
fn a_term_that_nobody_used_says_so() {
    let ticks = "lot,who,tick\na,x,0\na,y,0\nb,x,0\nb,y,0\nc,x,0\nc,y,0\n";
    let (found, said) =
        on("agree", ticks, &["--taster", "who", "--value", "tick", "--scale", "tick"]);
    let term = &found["terms"][0];
    for part in ["alpha", "kappa", "cochran", "pairs"] {
        assert!(!reason(&term[part]).is_empty(), "{part}");
    }
    assert!(reason(&term["pairs"]).contains("one and the same answer"));
    assert!(said.contains("tick: not tested"), "{said}");
}

#[test]
fn a_swap_is_a_reason_with_its_name_and_number() {
    let mut out = String::from("lot,who,time,sour,bitter\n");
    for lot in 0..8_usize {
        for (t, who) in ["a", "b", "c", "d", "e"].iter().enumerate() {
            for time in 0..2 {
                let scatter =
                    |k: usize| ((lot * 7 + t * 5 + time * 11 + k) * 31 % 23) as f64 / 23.0 - 0.5;
                let (sour, bitter) = ((lot % 4) as f64 * 2.0 + 1.0, (lot / 2) as f64 * 2.0 + 1.0);
                let (s, b) = if t == 3 { (bitter, sour) } else { (sour, bitter) };
                out.push_str(&format!(
                    "L{lot},{who},{time},{:.2},{:.2}\n",
                    s + scatter(0),
                    b + scatter(3)
                ));
            }
        }
    }
    let args = ["--taster", "who", "--replicate", "time", "--value", "sour,bitter"];
    let (found, _) = on("agree", &out, &args);
    for term in ["sour", "bitter"] {
        let reasons = named(&found["terms"], "term", term)["reasons"].clone();
        let first = &reasons[0];
        assert_eq!(first["kind"], "swap", "{reasons}");
        let words = first["words"].as_str().expect("text");
        assert!(words.contains("swap: d") && words.contains("r = "), "{words}");
        assert!(reason(&first["share"]).contains("part of the disagreement"));
    }
}
