//! The answers of `agree`, `compare`, `difference` and `trial` as pages, of the invented demo book: the
//! same numbers as the JSON, wholly in the reader's language.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

use crate::samples::keep;

fn ask(args: &[&str]) -> Vec<u8> {
    let book = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel");
    let out = Command::cargo_bin("blindsteep")
        .expect("the command is built before its tests")
        .env_remove("BLINDSTEEP_BOOK")
        .arg("--book")
        .arg(book)
        .args(args)
        .output()
        .expect("the command can be started");
    assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    out.stdout
}

fn json(args: &[&str]) -> Value {
    serde_json::from_slice(&ask(&[args, &["--json"]].concat())).expect("JSON")
}

/// The page of an answer in a language.
fn page(name: &str, args: &[&str], language: &str) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("page.html");
    let to = file.to_str().expect("UTF-8");
    ask(&[args, &["--page", to, "--language", language]].concat());
    let html = fs::read_to_string(&file).expect("the page was written");
    keep(&format!("{name}.{language}.html"), html.as_bytes());
    // Nothing is fetched: an address stands only where SVG names itself.
    assert_eq!(html.matches("http").count(), html.matches("http://www.w3.org/2000/svg").count());
    assert!(!html.contains("<script") && !html.contains("<pre"));
    html
}

/// The words that are read: no marks, no style, no drawing.
fn words(html: &str) -> String {
    let mut text = String::new();
    let mut rest = html.split_once("<article").expect("an article").1;
    while let Some((before, after)) = rest.split_once("<svg") {
        text.push_str(before);
        rest = after.split_once("</svg>").expect("a drawing ends").1;
    }
    text.push_str(rest);
    let mut said = String::new();
    for part in text.split('<') {
        said.push_str(part.split_once('>').map_or(part, |p| p.1));
        said.push(' ');
    }
    said.replace("&#39;", "'").replace("&lt;", "<").replace("&gt;", ">")
}

/// Three English words one after the other, which no name and no figure is.
fn english(text: &str) -> Option<String> {
    let plain = |w: &&str| w.len() > 1 && w.chars().all(|c| c.is_ascii_lowercase());
    let all: Vec<&str> = text.split_whitespace().collect();
    all.windows(3).find(|w| w.iter().all(plain)).map(|w| w.join(" "))
}

const SESSION: &str = "2024-06-09-month-01";

/// What is asked of the demo book: a name and the command.
const ASKED: [(&str, &[&str]); 12] = [
    ("agree", &["agree", SESSION]),
    ("agree-all", &["agree", SESSION, "2024-08-09-month-03", "2025-06-10-month-13"]),
    ("compare", &["compare", SESSION]),
    ("compare-control", &["compare", SESSION, "--control", "REF", "--within", "2"]),
    ("compare-alike", &["compare", SESSION, "--within", "2"]),
    ("compare-several", &["compare", "2025-05-10-month-12", "2025-06-10-month-13"]),
    ("ranking", &["compare", "2025-11-11-sweetest"]),
    ("difference", &["difference", "2026-05-12-two-stores"]),
    ("difference-counts", &["difference", "triangle", "--answers", "24", "--correct", "15"]),
    (
        "difference-planned",
        &["difference", "duo-trio", "--answers", "30", "--distinguishers", "0.3", "--power", "0.9"],
    ),
    ("trial", &["trial", "--add", "4"]),
    (
        "trial-fraction",
        &[
            "trial",
            "--runs",
            "8",
            "--factor",
            "wither.hours=12,18",
            "--factor",
            "roll.minutes=40,75",
            "--factor",
            "dry.method=sun,hot-air",
            "--factor",
            "pluck.fine-leaf=60,80",
            "--simulations",
            "20",
        ],
    ),
];

#[test]
fn each_page_is_in_the_language_that_was_asked_for_and_nothing_of_it_is_folded_english() {
    for (name, args) in ASKED {
        let en = page(name, args, "en");
        assert!(words(&en).contains("In short"), "{name}");
        assert!(!en.contains('，'), "{name}");
        let zh = page(name, args, "zh");
        assert!(zh.contains("lang=\"zh-Hans\"") && words(&zh).contains("概要"), "{name}");
        assert!(!zh.contains("lang=\"en\""), "{name}: a sentence is not known in Chinese");
        let said = words(&zh);
        assert_eq!(english(&said), None, "{name}: {said}");
        // The other way round: the measure itself finds English.
        assert!(english(&words(&en)).is_some(), "{name}");
    }
}

#[test]
fn the_page_of_a_difference_has_the_numbers_of_its_json() {
    let args = ["difference", "2026-05-12-two-stores"];
    let found = json(&args);
    let test = &found["tests"][0];
    for language in ["en", "zh"] {
        let said = words(&page("difference", &args, language));
        let percent = |key: &str| {
            let text = format!("{:.1}", 100.0 * test["distinguishers"][key].as_f64().unwrap());
            text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
        };
        for number in [
            percent("value"),
            percent("lower"),
            percent("upper"),
            format!("{:.2}", test["d_prime"]["value"].as_f64().unwrap()),
            format!("{:.2}", test["d_prime"]["upper"].as_f64().unwrap()),
            format!("{:.3}", test["p_value"].as_f64().unwrap()),
            test["least"]["correct"].to_string(),
        ] {
            assert!(said.contains(&number), "{language}: {number} in {said}");
        }
        for taster in test["tasters"].as_array().unwrap() {
            assert!(said.contains(taster["taster"].as_str().unwrap()), "{language}");
        }
        // What is the hard part to tell: that nothing shown is no proof of sameness.
        let caution = if language == "en" {
            "That does not show that they are the same"
        } else {
            "这并不说明两者相同"
        };
        assert!(said.contains(caution), "{language}: {said}");
    }
    assert_eq!(test["shown"], Value::Bool(false));
}

#[test]
fn the_page_of_a_comparison_counts_ticks_and_categories_by_lot() {
    let args = ["compare", SESSION];
    let found = json(&args);
    let terms = found["terms"].as_array().unwrap();
    let shares = |term: &str| {
        let t = terms.iter().find(|t| t["term"] == term).unwrap();
        t["shares"].as_array().unwrap().clone()
    };
    let en = page("compare", &args, "en");
    let zh = page("compare", &args, "zh");
    for lot in shares("honey") {
        let n = lot["n"].as_u64().unwrap();
        let ticked = lot["labels"].as_array().unwrap();
        let ticked =
            ticked.iter().find(|l| l["label"] == "yes").map_or(0, |l| l["n"].as_u64().unwrap());
        assert!(en.contains(&format!("data-head=\"Honey\">{ticked} of {n}<")), "{lot}");
        assert!(zh.contains(&format!("data-head=\"蜜香\">{ticked}/{n}<")), "{lot}");
    }
    for lot in shares("hue") {
        let labels = lot["labels"].as_array().unwrap();
        let first = format!("{} {}", labels[0]["label"].as_str().unwrap(), labels[0]["n"]);
        assert!(en.contains(&format!("data-head=\"Hue\">{first}")), "{first}");
    }
    assert!(zh.contains("橙红 9") && !words(&zh).contains("orange"));
    // One word for one number: the chart counts the scores that it draws, and says what the others are.
    let all = found["n_scores"].as_u64().unwrap();
    let drawn: u64 = terms
        .iter()
        .filter(|t| t["levels"].is_array())
        .map(|t| t["n_scores"].as_u64().unwrap())
        .sum();
    assert!(drawn < all);
    assert!(en.contains(&format!("{all} scores (one a taster, cup and term)")));
    assert!(en.contains(&format!("the other {} of {all}", all - drawn)));
}

#[test]
fn the_page_of_a_ranking_has_its_rank_sums_and_from_where_they_differ() {
    let args = ["compare", "2025-11-11-sweetest"];
    let found = json(&args);
    let term = &found["terms"][0];
    for language in ["en", "zh"] {
        let said = words(&page("ranking", &args, language));
        for sample in term["samples"].as_array().unwrap() {
            assert!(said.contains(sample["sample"].as_str().unwrap()));
            assert!(said.contains(&format!("{:.1}", sample["rank_sum"].as_f64().unwrap())));
        }
        for key in ["of_a_pair", "of_all_pairs"] {
            let least = term["least_differences"][key].as_f64().unwrap();
            assert!(said.contains(&format!("{least:.1}")), "{language}: {key}");
        }
    }
}

#[test]
fn the_page_of_a_trial_has_its_batches_and_how_precise_they_make_it() {
    let args = ["trial", "--add", "4"];
    let found = json(&args);
    let html = page("trial", &args, "en");
    assert_eq!(found["batches"].as_array().unwrap().len(), 4);
    let said = words(&html);
    for column in found["columns"].as_array().unwrap() {
        let after = format!("{:.2}", column["half_width_after"].as_f64().unwrap());
        assert!(said.contains(&after), "{column}");
        let share = &column["power"]["share"];
        let of = |key: &str| format!("{:.0}", 100.0 * share[key].as_f64().unwrap());
        let power = format!("{} ({} to {})", of("value"), of("lower"), of("upper"));
        assert!(said.contains(&power), "{power} in {said}");
    }
    // The names of the book, in the language of the page.
    assert!(said.contains("Rolling time") || said.contains("time"), "{said}");
    assert!(words(&page("trial", &args, "zh")).contains("揉捻"));
}

#[test]
fn each_chart_of_a_page_is_drawn_for_a_phone_too_with_letters_large_enough() {
    for (name, args) in ASKED {
        for language in ["en", "zh"] {
            let html = page(name, args, language);
            let narrow: Vec<&str> = html
                .split("class=\"on-narrow\"")
                .skip(1)
                .filter_map(|part| part.split_once("</svg>"))
                .map(|part| part.0)
                .collect();
            assert_eq!(narrow.len(), html.matches("class=\"on-wide\"").count(), "{name}");
            for svg in narrow {
                let view = svg.split_once("viewBox=\"").unwrap().1.split_once('"').unwrap().0;
                let [left, _, wide, _]: [f64; 4] = view
                    .split(' ')
                    .map(|x| x.parse().unwrap())
                    .collect::<Vec<f64>>()
                    .try_into()
                    .unwrap();
                // Units are tenths of a pixel; a phone of 390 pixels has 362 for it.
                for size in svg.split("font-size=\"").skip(1) {
                    let px: f64 = size.split_once('"').unwrap().0.parse().unwrap();
                    assert!(px * 362.0 / wide >= 11.0, "{name}: {px} of {wide}");
                }
                // Nothing begins outside of what is shown.
                for x in svg.split("<text x=\"").skip(1) {
                    let x: f64 = x.split_once('"').unwrap().0.parse().unwrap();
                    assert!(x >= left && x <= left + wide, "{name} {language}: {x} of {view}");
                }
            }
        }
    }
}

/// The items of the section under a head.
fn items<'h>(html: &'h str, head: &str) -> Vec<&'h str> {
    let section = html.split_once(&format!("<h2>{head}</h2>")).expect("the section").1;
    let section = section.split("</section>").next().expect("its end");
    section.split("<li").skip(1).collect()
}

/// What is to be kept in mind does not depend on the language.
#[test]
fn links_and_courses_say_in_both_languages_what_to_keep_in_mind() {
    for (name, args) in [("link", &["link"][..]), ("age-all", &["age"][..])] {
        let found = json(args);
        let cautions = found["cautions"].as_array().expect("cautions");
        assert!(cautions.len() > 3, "{name}");
        let en = page(name, args, "en");
        assert_eq!(items(&en, "Keep in mind").len(), cautions.len(), "{name}");
        let zh = page(name, args, "zh");
        let said = items(&zh, "请注意");
        assert_eq!(said.len(), cautions.len(), "{name}");
        for line in said {
            assert!(!line.contains("lang=\"en\"") && english(line).is_none(), "{name}: {line}");
        }
    }
}

/// Ranges in tables of Chinese pages are written as in its sentences.
#[test]
fn ranges_in_chinese_tables_have_chinese_signs() {
    let html = page("agree", &["agree", SESSION], "zh");
    let said = words(&html);
    assert!(said.contains(" 至 "), "{said}");
    let all: Vec<&str> = said.split_whitespace().collect();
    assert!(!all.contains(&"to"), "{said}");
}

/// On a phone each figure has its head; without a unit a number says nothing.
#[test]
fn figures_of_links_have_their_heads_and_the_dose_its_unit() {
    let html = page("link", &["link"], "en");
    let foretold = html.split_once("together foretell</h2>").expect("the section").1;
    let foretold = foretold.split("</section>").next().expect("its end");
    let n = foretold.matches("<td class=\"figure\"").count();
    assert!(n > 0 && n == foretold.matches(" data-head=\"").count(), "{foretold}");
    assert!(words(&html).contains(" doublings of 3 h at 25 °C"));
    let text = String::from_utf8(ask(&["link"])).expect("UTF-8");
    assert!(
        text.split_whitespace().collect::<Vec<_>>().join(" ").contains("doublings of 3 h"),
        "{text}"
    );
}

/// The scores that a chart does not show are counted by what they are.
#[test]
fn a_chart_says_of_what_the_scores_are_that_it_does_not_show() {
    let html = page("compare", &["compare", SESSION], "en");
    let found = json(&["compare", SESSION]);
    let terms = found["terms"].as_array().expect("terms");
    let n = |keep: &dyn Fn(&Value) -> bool| -> u64 {
        terms.iter().filter(|t| keep(t)).filter_map(|t| t["n_scores"].as_u64()).sum()
    };
    let ticks = n(&|t| ["tick", "nominal"].contains(&t["scale"].as_str().expect("a scale")));
    assert!(ticks > 0);
    let drawn: String = svg_words(&html);
    assert!(drawn.contains(&format!("{ticks} are ticks or categories")), "{drawn}");
}

/// The words of the drawings.
fn svg_words(html: &str) -> String {
    let mut said = String::new();
    for drawing in html.split("<svg").skip(1) {
        let drawing = drawing.split("</svg>").next().unwrap_or_default();
        for text in drawing.split("<text").skip(1) {
            said.push_str(text.split_once('>').map_or("", |t| t.1).split('<').next().unwrap_or(""));
            said.push(' ');
        }
    }
    said
}
