//! Tables that could break the sums: constant tasters, perfect agreement, one person's lots, very many
//! lots, ends of the scale. Each gives sound numbers or a reason, in text, JSON and charts. All
//! invented.

use serde_json::Value;

use crate::limits::{on, reason};
use crate::run::{named, number, refusal, run};

const ARGS: [&str; 6] = ["--taster", "who", "--replicate", "rep", "--value", "sweet"];
const WHO: [&str; 5] = ["v", "w", "x", "y", "z"];
const LOTS: [&str; 6] = ["a", "b", "c", "d", "e", "f"];

/// A score that no two cells share by design: levels, offsets, and a scatter of fifths.
fn plain(lot: usize, who: usize, rep: usize) -> f64 {
    let scatter = ((lot * 7 + who * 11 + rep * 5 + lot * who * 3) % 9) as f64 / 5.0 - 0.8;
    2.0 + 1.1 * lot as f64 + 0.4 * who as f64 + scatter
}

/// Six lots, five tasters, two cups; `None` leaves a line out.
fn table(score: impl Fn(usize, usize, usize) -> Option<f64>) -> String {
    let mut text = String::from("lot,who,rep,sweet\n");
    for (i, lot) in LOTS.iter().enumerate() {
        for (j, who) in WHO.iter().enumerate() {
            for rep in 1..3 {
                if let Some(value) = score(i, j, rep) {
                    text.push_str(&format!("{lot},{who},{rep},{value}\n"));
                }
            }
        }
    }
    text
}

/// Every number of a finding: p between 0 and 1, limits in order, standard errors above 0, nothing of
/// a size that only rounding makes. (That no null stands bare, `json` itself asks.)
fn sane(value: &Value, at: &str) {
    if let Value::Object(map) = value {
        let get = |key: &str| map.get(key).and_then(Value::as_f64);
        if let (Some(lower), Some(upper)) = (get("lower"), get("upper")) {
            // Limits on one point say that nothing varied, not that something is sure.
            assert!(lower < upper, "{at}: {lower} to {upper}");
            if let Some(middle) = get("value") {
                let slack = 1e-9 * (1.0 + middle.abs());
                assert!(lower <= middle + slack && middle <= upper + slack, "{at}: {value}");
            }
        }
        for (key, inner) in map {
            let at = format!("{at}/{key}");
            if let Some(x) = inner.as_f64() {
                assert!(x.abs() < 1e9, "{at} = {x}");
                assert!(!key.starts_with("p_") || (0.0..=1.0).contains(&x), "{at} = {x}");
                assert!(key != "se" || x > 0.0, "{at} = {x}");
            }
            sane(inner, &at);
        }
    } else if let Value::Array(all) = value {
        all.iter().enumerate().for_each(|(i, inner)| sane(inner, &format!("{at}/{i}")));
    }
}

/// Asks `agree` and `compare` for all they have, and looks at the charts as text.
fn both(table: &str, extra: &[&str]) -> [(Value, String); 2] {
    let args: Vec<&str> = ARGS.iter().chain(extra).copied().collect();
    let found = ["agree", "compare"].map(|command| on(command, table, &args));
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    for (command, (json, said)) in ["agree", "compare"].into_iter().zip(&found) {
        sane(json, command);
        assert!(!said.contains("NaN") && !said.contains("inf"), "{said}");
        let mut all = vec![command, "--table", "s.csv", "--lot", "lot", "--charts", command];
        all.extend(&args);
        let out = run(folder.path(), &all);
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        let Ok(charts) = std::fs::read_dir(folder.path().join(command)) else { continue };
        for chart in charts {
            let text = std::fs::read_to_string(chart.expect("a file").path()).expect("SVG");
            assert!(text.contains("</svg>") && !text.contains("NaN"), "{command}");
        }
    }
    found
}

fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn one_replicate_has_tests_and_says_what_it_cannot_tell_apart() {
    let [(agree, _), (compare, _)] = both(&table(|l, w, r| (r == 1).then(|| plain(l, w, r))), &[]);
    let term = &agree["terms"][0];
    assert!(term["lot_test"]["f"].is_number());
    let ann = named(&term["tasters"], "taster", "v");
    assert_eq!(reason(&ann["repeatability"]), "no lot was tasted twice in one session");
    assert!(reason(&ann["discrimination"]).contains("nothing to be tested with"));
    assert_eq!(compare["terms"][0]["differences"].as_array().expect("pairs").len(), 15);
}

#[test]
fn a_taster_who_gave_one_score_to_everything_is_told_of_and_breaks_nothing() {
    let scores = table(|l, w, r| Some(if w == 1 { 5.0 } else { plain(l, w, r) }));
    let [(agree, said), (compare, _)] = both(&scores, &[]);
    let term = &agree["terms"][0];
    let own = named(&term["tasters"], "taster", "w");
    for what in ["slope", "repeatability"] {
        let why = reason(&own[what]);
        assert!(why.contains("one point (0.00)"), "{what}: {why}");
    }
    assert_eq!(reason(&own["correlation"]), "nothing varies");
    // There are repeats: they are equal.
    assert!(reason(&own["discrimination"]).contains("repeats do not differ"), "{own}");
    assert!(flat(&said).contains("Taster w does not follow the others"), "{said}");
    assert!(compare["terms"][0]["lot_test"]["p_value"].is_number());
}

/// Repeats that repeat themselves exactly are no further scores. By hand, of one score a cell: mean squares
/// 1/4 of lots on 3 degrees of freedom, 1/12 of tasters on 3 and of lot × taster on 9; the tasters' variance is
/// 0 and theirs are pooled, F = 3 on 3 and 12 (Fisher's table: 3.49 is passed in 5 of 100). With the
/// repeats counted F would be 8.3 on 3 and 25, and p below .001.
#[test]
fn repeats_that_repeat_themselves_make_no_difference_real() {
    let mut scores = String::from("lot,who,rep,sweet\n");
    for (i, lot) in LOTS[..4].iter().enumerate() {
        for (j, who) in WHO[..4].iter().enumerate() {
            for rep in 1..3 {
                scores.push_str(&format!("{lot},{who},{rep},{}\n", u8::from(i == 2 && j < 2)));
            }
        }
    }
    let [(agree, said), (compare, _)] = both(&scores, &["--scale", "ordered"]);
    for finding in [&agree["terms"][0], &compare["terms"][0]] {
        let test = &finding["lot_test"];
        assert!((number(&test["f"]) - 3.0).abs() < 1e-6, "{test}");
        assert!((number(&test["den_df"]) - 12.0).abs() < 1e-3, "{test}");
        assert!((number(&test["f_by_luck"]) - 3.49).abs() < 0.005, "{test}");
        assert!(number(&test["p_value"]) > 0.05, "{test}");
    }
    assert!(flat(&said).contains("a taster's score of a lot counts once"), "{said}");
    // Of pairs one is v with w, who agree in all 8 cups: that is not sure.
    let pairs = &agree["terms"][0]["pairs"]["pairs"];
    let of = |a: &str, b: &str| {
        let all = pairs.as_array().expect("pairs");
        all.iter().find(|p| p["first"] == a && p["second"] == b).expect("the pair")["kappa"].clone()
    };
    let alike = of("v", "w");
    assert_eq!(number(&alike["value"]), 1.0);
    assert!(number(&alike["lower"]) < 0.1, "{alike}");
    let why = of("v", "x");
    assert!(reason(&why).contains("whatever the other answered"), "{why}");
}

#[test]
fn a_lot_tasted_by_one_person_is_compared_with_less_certainty() {
    let scores = table(|l, w, r| (l != 5 || w == 0).then(|| plain(l, w, r)));
    let [(agree, said), (compare, _)] = both(&scores, &[]);
    let why = reason(&agree["terms"][0]["kendall"]);
    assert!(why.contains("two tasters who scored every lot"), "{why}");
    let split = agree["terms"][0]["mixed_assessor"]["method"].as_str().expect("a split");
    assert!(split.starts_with("not balanced: sequential"), "{split} {said}");
    let levels = &compare["terms"][0]["levels"];
    let se = |lot: &str| number(&named(levels, "lot", lot)["adjusted"]["se"]);
    // One taster with two cups against five with two each.
    assert!(se("f") > 1.3 * se("a"), "{} {}", se("f"), se("a"));
}

#[test]
fn a_term_nobody_used_is_not_tested_and_disturbs_no_other() {
    let full = table(|l, w, r| Some(plain(l, w, r)));
    let with: String = full
        .lines()
        .enumerate()
        .map(|(i, l)| if i == 0 { format!("{l},smoke\n") } else { format!("{l},\n") })
        .collect();
    let alone = both(&full, &[]);
    let beside = both(&with, &["--value", "smoke"]);
    for ((alone, _), (beside, said)) in alone.iter().zip(&beside) {
        let smoke = named(&beside["terms"], "term", "smoke");
        assert_eq!(reason(&smoke["lot_test"]), "there is no score");
        assert!(said.contains("smoke: not tested, there is no score"), "{said}");
        let sweet = named(&beside["terms"], "term", "sweet");
        assert_eq!(sweet["lot_test"], alone["terms"][0]["lot_test"]);
        assert_eq!(sweet["p_holm"], alone["terms"][0]["p_holm"]);
    }
}

#[test]
fn two_lots_are_one_pair() {
    let [(agree, _), (compare, _)] = both(&table(|l, w, r| (l < 2).then(|| plain(l, w, r))), &[]);
    let term = &compare["terms"][0];
    let pairs = term["differences"].as_array().expect("pairs");
    assert_eq!(pairs.len(), 1);
    // Among one pair Tukey's p is the pair's own, and F is the square of its t.
    let d = &pairs[0]["difference"];
    assert!((number(&d["p_tukey"]) - number(&d["p_value"])).abs() < 1e-7);
    assert!((number(&d["t"]).powi(2) / number(&term["lot_test"]["f"]) - 1.0).abs() < 1e-6);
    assert!(reason(&agree["terms"][0]["mixed_assessor"]).contains("three lots"));
}

#[test]
fn three_hundred_lots_are_ranked_and_the_text_stays_readable() {
    let mut scores = String::from("lot,who,rep,sweet\n");
    for lot in 0..300_usize {
        for (j, who) in WHO.iter().enumerate() {
            let value = ((lot * 37) % 11) as f64 * 0.6 + ((lot * 7 + j * 13) % 10) as f64 / 5.0;
            scores.push_str(&format!("L{lot:03},{who},1,{value}\n"));
        }
    }
    let [(agree, said), (compare, pairs)] = both(&scores, &[]);
    assert_eq!(agree["lots"].as_array().expect("lots").len(), 300);
    assert_eq!(compare["terms"][0]["differences"].as_array().expect("pairs").len(), 300 * 299 / 2);
    assert!(said.lines().count() < 100, "{}", said.lines().count());
    // A line a lot and a few about the pairs, not 44,850 of them.
    assert!(pairs.lines().count() < 700, "{}", pairs.lines().count());
}

#[test]
fn levels_that_nobody_gave_leave_the_order_as_it_is() {
    // 0, 1, 3, 4: the middle level is empty.
    let level = |l: usize, w: usize, r: usize| {
        [0.0, 1.0, 3.0, 4.0][((plain(l, w, r) - 1.0) / 2.5).clamp(0.0, 3.0) as usize]
    };
    let scores = table(|l, w, r| Some(level(l, w, r)));
    let [(agree, _), _] = both(&scores, &["--scale", "ordered"]);
    let term = &agree["terms"][0];
    assert_eq!(term["alpha"]["metric"], "ordinal");
    // Ordinal alpha counts how many values lie between, not the distance of the labels: moving the
    // upper levels down by one changes nothing. W ranks: the same.
    let closed = table(|l, w, r| Some(level(l, w, r)).map(|v| if v > 2.0 { v - 1.0 } else { v }));
    let [(other, _), _] = both(&closed, &["--scale", "ordered"]);
    assert_eq!(term["alpha"], other["terms"][0]["alpha"]);
    assert_eq!(term["kendall"], other["terms"][0]["kendall"]);
}

#[test]
fn perfect_agreement_has_no_ratio_made_of_rounding() {
    let exact = table(|l, _, _| Some(1.0 + l as f64));
    // Offsets alone, on steps that no binary fraction holds.
    let apart = table(|l, w, _| Some(1.1 + 0.7 * l as f64 + 0.3 * w as f64));
    for (scores, alike) in [(exact, true), (apart, false)] {
        let [(agree, said), (compare, _)] = both(&scores, &[]);
        let term = &agree["terms"][0];
        assert!(reason(&term["lot_test"]).contains("nothing is left to measure chance by"));
        assert!(said.contains("sweet: not tested"), "{said}");
        for test in ["lot_test", "scaling_test", "disagreement_test"] {
            reason(&term["mixed_assessor"][test]);
        }
        assert!((number(&term["kendall"]["w"]) - 1.0).abs() < 1e-12);
        assert_eq!((number(&term["alpha"]["value"]) - 1.0).abs() < 1e-12, alike);
        reason(&compare["terms"][0]["differences"]);
    }
}

#[test]
fn scores_at_the_ends_of_the_scale_are_counted_as_they_are() {
    // Half of the lots at one end, half at the other, for everybody: nothing to measure chance by.
    let split = table(|l, _, _| Some(if l < 3 { 0.0 } else { 10.0 }));
    let [(agree, _), _] = both(&split, &[]);
    reason(&agree["terms"][0]["lot_test"]);
    // Both ends, as it comes.
    let ends = table(|l, w, r| Some(if plain(l, w, r) < 5.5 { 0.0 } else { 10.0 }));
    let [(agree, _), (compare, _)] = both(&ends, &[]);
    assert!(agree["terms"][0]["lot_test"]["p_value"].is_number());
    assert_eq!(compare["terms"][0]["ends"], serde_json::json!([0.0, 10.0]));
}

#[test]
fn ticks_that_all_say_the_same_have_no_kappa_and_say_why() {
    for same in [0.0, 1.0] {
        let scores = table(|_, _, _| Some(same));
        let [(agree, _), (compare, _)] = both(&scores, &["--scale", "tick"]);
        let term = &agree["terms"][0];
        for what in ["kappa", "cochran", "alpha", "lot_test"] {
            let value = &term[what];
            let value =
                if what == "alpha" && value["alpha"].is_object() { &value["alpha"] } else { value };
            assert!(!reason(value).is_empty(), "{what}");
        }
        assert_eq!(compare["terms"][0]["shares"].as_array().expect("shares").len(), 6);
    }
}

#[test]
fn a_number_too_large_for_a_score_is_refused_at_its_place() {
    let folder = tempfile::tempdir().expect("a folder");
    let scores = table(|l, w, r| Some(if l == 0 { 1e300 } else { plain(l, w, r) }));
    std::fs::write(folder.path().join("s.csv"), scores.replace(&format!("{}", 1e300), "1e300"))
        .expect("written");
    let mut args = vec!["agree", "--table", "s.csv", "--lot", "lot"];
    args.extend(ARGS);
    let (code, said) = refusal(folder.path(), &args);
    assert_eq!(code, 1, "{said}");
    let said = flat(&said);
    assert!(said.contains("s.csv") && said.contains("1e300") && said.contains("1e12"), "{said}");
}

const AGED: [&str; 12] = [
    "--lot",
    "lot",
    "--taster",
    "who",
    "--session",
    "when",
    "--month",
    "month",
    "--value",
    "sweet",
    "--reference",
    "REF",
];

#[test]
fn ageing_without_chance_or_change_gives_reasons() {
    let folder = tempfile::tempdir().expect("a folder");
    /// A level by its month.
    type Course = fn(f64) -> f64;
    let courses: [(&str, Course, &str); 3] = [
        ("all alike", |_| 5.0, "are equal (5)"),
        (
            "a straight line for everybody",
            |m| 5.0 - m / 8.0,
            "nothing is left to measure chance by",
        ),
        (
            "end to end",
            |m| if m < 6.0 { 10.0 } else { 0.0 },
            "nothing is left to measure chance by",
        ),
    ];
    for (name, course, why) in courses {
        let mut scores = String::from("lot,who,when,month,sweet\n");
        for month in [0.0, 6.0, 12.0] {
            for lot in ["a", "b", "REF"] {
                for who in ["v", "w", "x", "y"] {
                    let value = course(if lot == "REF" { 0.0 } else { month });
                    scores.push_str(&format!("{lot},{who},s{month},{month},{value}\n"));
                }
            }
        }
        std::fs::write(folder.path().join("s.csv"), scores).expect("written");
        let mut args = vec!["age", "--table", "s.csv"];
        args.extend(AGED);
        let found = crate::run::json(folder.path(), &args);
        sane(&found, name);
        let said = flat(&crate::run::text(folder.path(), &args));
        assert!(said.contains(why), "{name}: {said}");
    }
}

#[test]
fn links_of_lots_without_chance_or_number_give_reasons() {
    let folder = tempfile::tempdir().expect("a folder");
    let making: String = std::iter::once("lot,hours\n".to_owned())
        .chain(LOTS.iter().enumerate().map(|(i, l)| format!("{l},{}\n", 1.0 + 1.5 * i as f64)))
        .collect();
    std::fs::write(folder.path().join("m.csv"), making).expect("written");
    for (scores, why) in [
        (table(|l, _, _| Some(1.0 + l as f64)), "nothing is left to measure chance by"),
        (table(|l, w, r| (l < 2).then(|| plain(l, w, r))), "too few for 1 parameter"),
        (table(|_, _, _| Some(4.0)), "are equal (4)"),
    ] {
        std::fs::write(folder.path().join("s.csv"), scores).expect("written");
        let mut args = vec!["link", "--table", "s.csv", "--lot", "lot", "--parameters", "m.csv"];
        args.extend(ARGS);
        let found = crate::run::json(folder.path(), &args);
        sane(&found, why);
        let said = flat(&crate::run::text(folder.path(), &args));
        assert!(said.contains(why), "{why}: {said}");
    }
}
