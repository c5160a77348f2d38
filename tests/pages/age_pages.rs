//! How stored lots moved, as a page and on paper, of the invented demo book: the same numbers as the
//! JSON, in both languages.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

use crate::samples::keep;
use crate::sheets::{assert_nothing_overlaps, pages};

fn age(args: &[&str]) -> Vec<u8> {
    let book = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel");
    let out = Command::cargo_bin("blindsteep")
        .expect("the command is built before its tests")
        .env_remove("BLINDSTEEP_BOOK")
        .arg("--book")
        .arg(book)
        .args(["age", "--of", "T24-02,T25-11", "--project", "30"])
        .args(args)
        .output()
        .expect("the command can be started");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    out.stdout
}

/// A number as the pages write it.
fn said(x: &Value) -> String {
    let text = format!("{:.2}", x.as_f64().expect("a number")).replace('-', "−");
    if text == "−0.00" { "0.00".to_owned() } else { text }
}

/// What stands in one line of words, whatever the breaks.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn both_pages_say_what_the_json_says_in_both_languages() {
    let found: Value = serde_json::from_slice(&age(&["--json"])).expect("JSON");
    let sample = &found["samples"][0];
    assert_eq!(sample["sample"], "T24-02@dry");
    let terms = sample["terms"].as_array().expect("terms");
    let sweet = terms.iter().find(|t| t["term"] == "sweet").expect("sweet");
    let folder = tempfile::tempdir().expect("a folder");
    for (language, words) in [
        (
            "en",
            [
                "How do stored lots move?",
                "In short",
                "The panel's drift",
                "Told apart?",
                "Keep in mind",
            ],
        ),
        ("zh", ["存茶如何变化？", "概要", "评茶组的漂移", "能否区分？", "请注意"]),
    ] {
        let [page, pdf] = [format!("age.{language}.html"), format!("age.{language}.pdf")]
            .map(|f| folder.path().join(f));
        let to = |p: &Path| p.to_str().expect("UTF-8").to_owned();
        age(&["--page", &to(&page), "--pdf", &to(&pdf), "--language", language]);
        let html = fs::read_to_string(&page).expect("the page was written");
        let bytes = fs::read(&pdf).expect("the PDF was written");
        let name = format!("age.{language}.pdf");
        keep(&format!("age.{language}.html"), html.as_bytes());
        assert_nothing_overlaps(&name, &bytes);
        let paper = flat(&pages(&name, &bytes).join(" "));
        for word in words {
            // A pair of packs is told of only where there was such a test.
            let optional = matches!(word, "Told apart?" | "能否区分？");
            assert!(optional || html.contains(&word.replace('\'', "&#39;")), "{word}");
            assert!(optional || paper.contains(word), "{word}: {paper}");
        }
        // As scored, what was drift with its own interval, and what is left.
        for change in ["last_change_raw", "panel_drift", "last_change"] {
            for part in ["value", "lower", "upper"] {
                let number = said(&sweet[change][part]);
                assert!(html.contains(&number), "{change} {part} {number}");
                assert!(paper.contains(&number), "{change} {part} {number}: {paper}");
            }
        }
        // Nothing is fetched: an address stands only where SVG names itself.
        let addresses = html.matches("http").count();
        assert_eq!(addresses, html.matches("http://www.w3.org/2000/svg").count());
        assert!(html.contains("<svg") && !html.contains("<script"));
    }
}

#[test]
fn a_projection_is_called_one_and_is_refused_where_the_tastings_do_not_carry_it() {
    let text = String::from_utf8(age(&[])).expect("UTF-8");
    assert!(text.contains("Projected to month 30"), "{text}");
    assert!(text.contains("no projection"), "{text}");
    let found: Value = serde_json::from_slice(&age(&["--json"])).expect("JSON");
    for sample in found["samples"].as_array().expect("samples") {
        for term in sample["terms"].as_array().expect("terms") {
            let p = &term["projection"];
            let (known, real) = (p["value"].is_number(), term["first_real"]["month"].is_number());
            // Only what changed beyond luck is carried on.
            assert!(!known || real, "{}: {p}", term["term"]);
            assert!(known || p["reason"].is_string(), "{p}");
        }
    }
}
