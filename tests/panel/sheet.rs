//! A buyer's sheet from a session whose scores are known: what is printed of them, by hand. All invented.

use std::path::{Path, PathBuf};

use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::run::{json, named, number, refusal, run};
use crate::sessions::{LOTS, closed, done};

fn revealed(folder: &Path) -> PathBuf {
    let book = closed(folder);
    done(&book, &["session", "reveal", "spring"]);
    book
}

fn files(book: &Path) -> Vec<String> {
    let folder = book.join("sheets");
    if !folder.exists() {
        return Vec::new();
    }
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("the folder is there")
        .map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

fn set_limit(book: &Path, limit: &str) {
    let path = book.join("book.toml");
    let text = std::fs::read_to_string(&path).expect("the book has a description");
    let line =
        text.lines().find(|l| l.starts_with("sheet_half_width")).expect("the limit").to_owned();
    std::fs::write(&path, text.replace(&line, &format!("sheet_half_width = {limit}")))
        .expect("written");
}

#[test]
fn counts_are_those_of_the_ballots() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    let cups = crate::sessions::cups(&book);
    for lot in LOTS {
        let sheet = json(&book, &["sheet", lot]);
        let own = cups.iter().filter(|c| c.1 == lot).count();
        let tasted = &sheet["tasted"];
        assert_eq!(tasted["n_cups"], own);
        assert_eq!(tasted["n_pots"], own, "every cup has a pot of its own, duplicates too");
        assert_eq!(tasted["n_tasters"], 4);
        // Two terms, four tasters.
        assert_eq!(tasted["n_answers"], own * 4 * 2);
        assert_eq!(tasted["n_others"], 3);
        assert_eq!(tasted["days"], serde_json::json!(["2026-05-20", "2026-05-21"]));
        // 20 days after the making on 2026-05-01, at 30.4375 days a month.
        assert!((number(&tasted["age_months"]) - 20.0 / 30.4375).abs() < 1e-12);
        assert_eq!(tasted["committed_beforehand"], true);
        assert_eq!(tasted["individual_opinions"], false);
        // Honey was ticked by everybody in every cup of L3 and L4, and in no other.
        let honey = named(&sheet["ticks"], "term", "honey");
        let ticked = if lot == "L3" || lot == "L4" { own * 4 } else { 0 };
        assert_eq!((&honey["n_ticked"], &honey["n"]), (&ticked.into(), &(own * 4).into()));
        let best = sheet["cup"]["best"].as_array().expect("a list");
        assert_eq!(best.iter().any(|b| b["term"] == "honey"), ticked > 0);
    }
}

#[test]
fn a_level_is_printed_only_within_the_books_limit_and_then_as_compare_has_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    let compared = json(&book, &["compare", "spring"]);
    let sweet = named(&compared["terms"], "term", "sweet");
    // cy scores two points higher, so the level of every lot is uncertain by far more than a point.
    let level = &named(&sweet["levels"], "lot", "L4")["adjusted"];
    let half = (number(&level["upper"]) - number(&level["lower"])) / 2.0;
    assert!(half > 1.0, "{half}");

    let narrow = json(&book, &["sheet", "L4"]);
    assert_eq!(narrow["cup"]["rows"], serde_json::json!([]));
    let left_out = named(&narrow["cup"]["not_printed"], "term", "sweet");
    assert_eq!(left_out["why"], "too-wide");
    assert!((number(&left_out["half_width"]) - half).abs() < 1e-12);
    // That L4 is sweeter than the others is known all the same: the offset of cy is in all of them.
    let stands_out = named(&narrow["cup"]["compared"], "term", "sweet");
    assert_eq!(stands_out["above"], true);
    // Planted: L4 is 1.5 points above the mean of the four, so 2 above that of the three others, with
    // noise of half a point a score.
    assert!((number(&stands_out["from_others"]) - 2.0).abs() < 0.5, "{stands_out}");
    let low = json(&book, &["sheet", "L1"]);
    assert_eq!(named(&low["cup"]["compared"], "term", "sweet")["above"], false);

    set_limit(&book, "8.0");
    let wide = json(&book, &["sheet", "L4"]);
    let row = named(&wide["cup"]["rows"], "term", "sweet");
    assert_eq!(row["level"], level["value"]);
    assert_eq!(row["interval"]["lower"], level["lower"]);
    assert_eq!(row["interval"]["upper"], level["upper"]);
    assert_eq!(row["told_apart"], true);
}

#[test]
fn the_version_is_the_digest_of_the_json_and_an_issued_sheet_is_never_written_over() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    let out = run(&book, &["sheet", "L4", "--json"]);
    let digest: String = Sha256::digest(&out.stdout).iter().map(|b| format!("{b:02x}")).collect();
    done(&book, &["sheet", "L4", "--language", "en"]);
    let issued = files(&book);
    assert_eq!(issued.len(), 3, "{issued:?}");
    for (name, end) in issued.iter().zip(["html", "pdf", "png"]) {
        assert!(
            name.starts_with("L4-") && name.ends_with(&format!("-{}.en.{end}", &digest[..8])),
            "{name}"
        );
    }
    let html = issued.iter().find(|n| n.ends_with(".html")).expect("one is HTML");
    let html_path = book.join("sheets").join(html);
    let html = std::fs::read_to_string(&html_path).expect("it is text");
    assert!(html.contains(&digest));

    // The same record gives the same sheet: it stays as it is, and what is missing is made again.
    std::fs::write(&html_path, "marked").expect("written");
    let said =
        String::from_utf8(run(&book, &["sheet", "L4", "--language", "en"]).stdout).expect("UTF-8");
    assert!(said.contains("this sheet is there already"), "{said}");
    assert_eq!(std::fs::read_to_string(&html_path).expect("it is there"), "marked");
    std::fs::remove_file(&html_path).expect("removed");
    done(&book, &["sheet", "L4", "--language", "en"]);
    assert_eq!(std::fs::read_to_string(&html_path).expect("it is there"), html);

    // Another record gives another one beside it.
    done(&book, &["session", "exclude", "spring", "--taster", "cy", "--reason", "had a cold"]);
    done(&book, &["sheet", "L4", "--language", "en"]);
    assert_eq!(files(&book).len(), 6);
    let sheet = json(&book, &["sheet", "L4"]);
    assert_eq!(sheet["tasted"]["n_tasters"], 3);
    assert_eq!(sheet["tasted"]["individual_opinions"], true);
    let own = crate::sessions::cups(&book).iter().filter(|c| c.1 == "L4").count();
    assert_eq!(sheet["tasted"]["n_left_out"], own * 2);
    assert!(sheet["cup"]["compared"]["reason"].is_string(), "three tasters compare nothing");
    assert!(!sheet.to_string().contains("cold"), "reasons stay in the book");

    // A file that is asked for by name is not written over either.
    done(&book, &["sheet", "L4", "--out", "page.pdf"]);
    let (code, said) = refusal(&book, &["sheet", "L4", "--out", "page.pdf"]);
    assert_eq!(code, 2);
    assert!(said.contains("page.pdf exists already and is not written over"), "{said}");
}

#[test]
fn one_taster_gives_an_opinion_without_intervals() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    for taster in ["bo", "cy", "di"] {
        done(&book, &["session", "exclude", "spring", "--taster", taster, "--reason", "away"]);
    }
    let sheet = json(&book, &["sheet", "L2"]);
    assert_eq!(sheet["tasted"]["n_tasters"], 1);
    let row = named(&sheet["cup"]["rows"], "term", "sweet");
    assert!(row["interval"]["reason"].as_str().is_some_and(|r| r.contains("one person")), "{row}");
    // ann's own mean of L2: 3 and a noise from -0.5 to 1 in each cup.
    let mean = number(&row["level"]);
    assert!((2.5..=4.0).contains(&mean), "{mean}");
    assert!(sheet["cup"]["compared"]["reason"].is_string());
    done(&book, &["sheet", "L2", "--language", "en", "--out", "one.html"]);
    let html = std::fs::read_to_string(book.join("one.html")).expect("it is there");
    assert!(html.contains("One person&#39;s opinion"), "{html}");
}

#[test]
fn what_has_no_sheet_is_told_why_and_nothing_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = closed(folder.path());
    let never = "L1 has not been tasted in a revealed session\n  expected: scores of at least one revealed \
                 session: a sheet says what was found in the cup\n  to mend:  taste it (`session plan`), then \
                 `session close` and `session reveal`\n";
    // Closed, not revealed: the words are those of a lot that was never tasted, and no session is named.
    assert_eq!(refusal(&book, &["sheet", "L1"]), (2, never.to_owned()));
    done(&book, &["lot", "add", "L5", "--class", "black", "--made", "2026-05-01"]);
    assert_eq!(refusal(&book, &["sheet", "L5"]), (2, never.replace("L1", "L5")));
    done(&book, &["session", "reveal", "spring"]);
    assert_eq!(refusal(&book, &["sheet", "L5"]), (2, never.replace("L1", "L5")));
    let unknown = "there is no lot \"L11\"\n  expected: a lot of the book, or LOT@ARM\n  to mend:  did you mean";
    let (code, said) = refusal(&book, &["sheet", "L11"]);
    assert!(code == 2 && said.starts_with(unknown), "{said}");
    let (code, said) = refusal(&book, &["sheet", "L1@dry"]);
    assert!(
        code == 2 && said.contains("L1 has no arm \"dry\"\n  expected: no arm: it was not split"),
        "{said}"
    );
    let (code, said) = refusal(&book, &["sheet", "L1", "--out", "page.doc"]);
    assert!(
        code == 2 && said.contains("a file whose name ends with .pdf, .png or .html"),
        "{said}"
    );
    assert_eq!(files(&book), [""; 0]);
}

#[test]
fn a_lot_that_was_split_has_a_sheet_for_each_arm() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    done(&book, &["lot", "split", "L3", "--arm", "dry", "--arm", "humid", "--on", "2026-06-01"]);
    let (code, said) = refusal(&book, &["sheet", "L3"]);
    let expected = "L3 was split into arms that are stored in different ways\n  expected: one of L3@dry, L3@humid\n  \
                    to mend:  ask for the sheet of one of them, as in `blindsteep sheet L3@dry`\n";
    assert_eq!((code, said.as_str()), (2, expected));
    let (code, said) = refusal(&book, &["sheet", "L3@humit"]);
    assert!(
        code == 2
            && said.contains("expected: one of L3@dry, L3@humid")
            && said.contains("humid\"?"),
        "{said}"
    );
    let sheet = json(&book, &["sheet", "L3@humid"]);
    assert_eq!(sheet["identity"]["arm_since"], "2026-06-01");
    assert_eq!(sheet["tasted"]["before_the_split"], true, "tasted as L3, in May");
    done(&book, &["sheet", "L3@humid", "--language", "en", "--out", "arm.html"]);
    let html = std::fs::read_to_string(book.join("arm.html")).expect("it is there");
    assert!(html.contains("before the lot was split for storage"), "{html}");
}

#[test]
fn nobodys_name_and_no_other_lot_is_in_a_free_text() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    for (parameter, text) in
        [("store.place", "beside L3, top shelf"), ("store.pack", "ann's red tin")]
    {
        done(&book, &["lot", "log", "L4", parameter, text]);
    }
    let out = run(&book, &["sheet", "L4", "--json"]);
    let json = String::from_utf8(out.stdout).expect("UTF-8");
    assert!(!json.contains("shelf") && !json.contains("tin\""), "{json}");
    let said = String::from_utf8(out.stderr).expect("UTF-8");
    assert!(
        said.contains("store.place = \"beside L3, top shelf\" is not on the sheet: it names l3"),
        "{said}"
    );
    assert!(said.contains("it names ann"), "{said}");
    done(&book, &["lot", "log", "L4", "store.pack", "lined tin"]);
    let sheet = crate::run::run(&book, &["sheet", "L4", "--json"]);
    let sheet: Value = serde_json::from_slice(&sheet.stdout).expect("JSON");
    let pack = named(&sheet["stored"]["conditions"], "parameter", "store.pack");
    assert_eq!(pack["value"]["words"]["en"], "lined tin");
}

#[test]
fn a_blend_is_said_without_the_names_of_its_lots() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    let path = book.join("lots/L4/lot.toml");
    let text = std::fs::read_to_string(&path).expect("the lot is there");
    std::fs::write(&path, text + "\n[[parent]]\nlot = \"L1\"\n\n[[parent]]\nlot = \"L2\"\n")
        .expect("written");
    let sheet = json(&book, &["sheet", "L4"]);
    assert_eq!(sheet["identity"]["descent"], serde_json::json!({"by": "blend", "n_lots": 2}));
    assert!(!sheet.to_string().contains("L1") && !sheet.to_string().contains("L2"));
    done(&book, &["sheet", "L4", "--language", "en", "--out", "blend.html"]);
    let html = std::fs::read_to_string(book.join("blend.html")).expect("it is there");
    assert!(html.contains("<dt>Came of</dt><dd>blend of 2 lots</dd>"), "{html}");
}

#[test]
fn what_is_printed_keeps_to_its_schema() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = revealed(folder.path());
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas/sheet-1.schema.json");
    let schema = std::fs::read_to_string(schema).expect("the schema is on disk");
    let schema = serde_json::from_str(&schema).expect("a schema is JSON");
    let validator = jsonschema::validator_for(&schema).expect("it is a JSON Schema");
    let sheet = json(&book, &["sheet", "L4"]);
    let wrong: Vec<String> =
        validator.iter_errors(&sheet).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(!validator.is_valid(&serde_json::json!({"schema": "sheet/1"})));
}
