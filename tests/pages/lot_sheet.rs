//! The sheet of a lot as a buyer sees it: in PDF (read back by pdftotext), HTML and PNG, of the invented demo book.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use blindsteep::book::Book;
use blindsteep::findings::sheet::{Record, Sheet, sheet as found, subject};
use blindsteep::findings::{Answer, Settings};
use blindsteep::session::all_scored;
use blindsteep::sheets::Lang;
use blindsteep::sheets::lot::{Issue, Page, page};
use serde_json::Value;

use crate::samples::keep;
use crate::sheets::{assert_nothing_overlaps, pages};

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel")
}

/// A copy of the demo book that may be written into.
fn copied(folder: &Path) -> PathBuf {
    fn copy(from: &Path, to: &Path) {
        fs::create_dir_all(to).expect("the folder can be made");
        for entry in fs::read_dir(from).expect("the folder is there") {
            let entry = entry.expect("an entry");
            let (from, to) = (entry.path(), to.join(entry.file_name()));
            if from.is_dir() {
                copy(&from, &to)
            } else {
                fs::copy(&from, &to).expect("copied");
            }
        }
    }
    let book = folder.join("book");
    copy(&demo(), &book);
    book
}

fn run(book: &Path, args: &[&str]) -> Output {
    Command::cargo_bin("blindsteep")
        .expect("the command is built before its tests")
        .env_remove("BLINDSTEEP_BOOK")
        .arg("--book")
        .arg(book)
        .args(args)
        .output()
        .expect("the command can be started")
}

fn done(book: &Path, args: &[&str]) -> String {
    let out = run(book, args);
    assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).expect("UTF-8")
}

/// The sheet in a form, written beside the book.
fn sheet(book: &Path, sample: &str, language: &str, end: &str) -> Vec<u8> {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join(format!("sheet.{end}"));
    let name = file.to_str().expect("UTF-8");
    done(book, &["sheet", sample, "--language", language, "--out", name]);
    let bytes = fs::read(&file).expect("it was written");
    keep(&format!("sheet-{}-{language}.{end}", sample.replace('@', "-")), &bytes);
    bytes
}

/// Whether a name stands in a text as a word of its own.
fn holds(text: &str, name: &str) -> bool {
    let part = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
    text.match_indices(name).any(|(at, _)| {
        let before = text[..at].chars().next_back();
        let after = text[at + name.len()..].chars().next();
        !before.is_some_and(part) && !after.is_some_and(part)
    })
}

/// The text of an HTML file without its drawings' numbers and its style.
fn html_text(html: &str) -> String {
    let body = html.split("</style>").nth(1).expect("the style comes first");
    let mut text = String::new();
    let mut inside = false;
    for c in body.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text
}

#[test]
fn no_taster_no_other_lot_and_no_reserve_reaches_a_buyer() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    let lots: Vec<String> = fs::read_dir(book.join("lots"))
        .expect("the demo has lots")
        .map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    let tasters = fs::read_to_string(book.join("tasters.toml")).expect("the demo has tasters");
    let tasters: toml::Table = toml::from_str(&tasters).expect("TOML");
    let mut people: Vec<String> = tasters["taster"]
        .as_array()
        .expect("a list")
        .iter()
        .flat_map(|t| ["id", "name"].map(|k| t[k].as_str().expect("a text").to_owned()))
        .collect();
    // Who pours writes the logs.
    people.push("gil".to_owned());
    assert!(people.len() > 10 && lots.len() > 10);
    for sample in ["T24-02@dry", "T25-11", "REF"] {
        let lot = sample.split('@').next().expect("a lot");
        let json = done(&book, &["sheet", sample, "--json"]);
        let issued = done(&book, &["sheet", sample, "--language", "both"]);
        let read = |end: &str| {
            let file = issued.lines().find(|l| l.ends_with(end)).expect("it is named");
            fs::read(file).expect("it is there")
        };
        let html = String::from_utf8(read(".html")).expect("UTF-8");
        let pdf = read(".pdf");
        let pdf = pages(&format!("sheet-{}-both.pdf", sample.replace('@', "-")), &pdf).join("\n");
        // The glyphs of the embedded face are letters too, and a circle has its cy.
        let (before, after) = html.split_once("@font-face").expect("the face comes first");
        let (_, after) = after.split_once("); }").expect("the face has an end");
        let html_read = format!("{before}{}", after.replace("cy=\"10\"", ""));
        for (form, text) in [("JSON", &json), ("HTML", &html_read), ("PDF", &pdf)] {
            assert!(holds(text, lot), "{form} of {sample} is about it");
            for name in people.iter().chain(lots.iter().filter(|l| *l != lot)) {
                assert!(!holds(text, name), "{name} is in the {form} of {sample}:\n{text}");
            }
            for word in ["reserve", "留样", "month-"] {
                assert!(!text.contains(word), "{word} is in the {form} of {sample}:\n{text}");
            }
        }
        let value: Value = serde_json::from_str(&json).expect("JSON");
        let words = html_text(&html);
        for never in ["overall", "total", "price", "verified", "总分", "价格"] {
            assert!(!words.to_lowercase().contains(never), "{never}: {words}");
        }
        assert_eq!(value["schema"], "sheet/1");
    }
}

#[test]
fn a_sheet_is_one_page_a_language_and_nothing_on_it_overlaps() {
    for (sample, language, n) in
        [("T24-02@dry", "en", 1), ("T25-11", "zh", 1), ("T24-05@humid", "both", 2)]
    {
        let pdf = sheet(&demo(), sample, language, "pdf");
        let name = format!("sheet-{}-{language}.pdf", sample.replace('@', "-"));
        assert_eq!(pages(&name, &pdf).len(), n, "{name}");
        assert_nothing_overlaps(&name, &pdf);
    }
}

#[test]
fn ten_rows_still_fit_one_page_and_warnings_flow_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    let path = book.join("book.toml");
    let text = fs::read_to_string(&path).expect("the book has a description");
    assert!(text.contains("sheet_half_width = 1.0"));
    fs::write(&path, text.replace("sheet_half_width = 1.0", "sheet_half_width = 20"))
        .expect("written");
    for sample in ["T25-12", "T25-11"] {
        let json = done(&book, &["sheet", sample, "--json"]);
        let json: Value = serde_json::from_str(&json).expect("JSON");
        // Twelve terms are scored on a line in the demo; a page has room for ten.
        assert_eq!(json["cup"]["rows"].as_array().expect("a list").len(), 10);
        let left_out = json["cup"]["not_printed"].as_array().expect("a list");
        assert!(
            left_out.iter().all(|t| t["why"] == "no-room") && left_out.len() == 2,
            "{left_out:?}"
        );
        for language in ["en", "zh"] {
            let pdf = sheet(&book, sample, language, "pdf");
            let name = format!("sheet-{sample}-{language}-full.pdf");
            assert_nothing_overlaps(&name, &pdf);
            let most = if sample == "T25-11" { 2 } else { 1 };
            assert!(pages(&name, &pdf).len() <= most, "{name}");
        }
    }
}

#[test]
fn quarantine_moisture_and_a_fault_stand_above_all_else() {
    let pdf = sheet(&demo(), "T25-11", "en", "pdf");
    let text = pages("sheet-T25-11-en.pdf", &pdf).join("\n");
    let place = |wanted: &str| text.find(wanted).unwrap_or_else(|| panic!("{wanted}:\n{text}"));
    let top = [
        "Not offered. Do not taste.",
        "Moisture 7.2 %",
        "A fault was found",
        "drying does not save it",
    ];
    assert!(top.map(place).is_sorted());
    assert!(place("drying does not save it") < place("Quantity made"));
    assert!(text.contains("In quarantine since 2026-02-08"));
    let zh = String::from_utf8(sheet(&demo(), "T25-11", "zh", "html")).expect("UTF-8");
    for wanted in ["不出售，切勿品饮。", "含水率 7.2 %", "发现缺陷", "有资质的实验室"]
    {
        assert!(zh.contains(wanted), "{wanted}");
    }
    // A lot without any of it has no such box, but says that the fault was looked for.
    let clean = String::from_utf8(sheet(&demo(), "T25-12", "en", "html")).expect("UTF-8");
    assert!(!clean.contains("class=\"alert\""));
    assert!(clean.contains("<dt>Fault: Musty, mouldy</dt>"), "{clean}");
}

#[test]
fn leaf_that_is_not_fit_to_be_kept_is_not_offered() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    done(
        &book,
        &["lot", "log", "T25-12", "store.water-activity", "0.75", "--at", "2026-05-20T09:00"],
    );
    let out = run(&book, &["sheet", "T25-12", "--json"]);
    let json: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let damp = &json["too_damp"][0];
    assert_eq!((&damp["what"], &damp["found"]), (&"water_activity".into(), &0.75.into()));
    let note = String::from_utf8(out.stderr).expect("UTF-8");
    assert!(note.contains("the sheet says above all else that it is not offered"), "{note}");
    let pdf = sheet(&book, "T25-12", "en", "pdf");
    let text = pages("sheet-T25-12-damp-en.pdf", &pdf).join("\n");
    assert!(text.contains("Not offered: too damp to be kept"), "{text}");
    assert!(text.contains("Water activity of 0.75 (2026-05-20)"), "{text}");
    // No advice on keeping or drinking what is neither to be kept nor drunk.
    assert!(!text.contains("closed, dry, dark") && !text.contains("Drink below"), "{text}");
    let zh = String::from_utf8(sheet(&book, "T25-12", "zh", "html")).expect("UTF-8");
    assert!(zh.contains("不出售：过湿，不宜存放"), "{zh}");
    // Dried again and measured again it is offered.
    done(
        &book,
        &["lot", "log", "T25-12", "store.water-activity", "0.4", "--at", "2026-05-21T09:00"],
    );
    let json: Value =
        serde_json::from_str(&done(&book, &["sheet", "T25-12", "--json"])).expect("JSON");
    assert!(json["too_damp"].is_null());
}

#[test]
fn a_part_of_a_lot_in_quarantine_is_in_quarantine_on_its_sheet() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    let why = "smells musty";
    done(&book, &["lot", "quarantine", "T25-12", "--reason", why, "--on", "2026-05-20"]);
    done(&book, &["lot", "split", "T25-12", "--into", "T25-12A=1kg", "--on", "2026-05-21"]);
    let json: Value =
        serde_json::from_str(&done(&book, &["sheet", "T25-12A", "--json"])).expect("JSON");
    assert_eq!(json["quarantined_since"], "2026-05-20");
}

/// The letters of a text, in its order.
fn letters_of(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphabetic).collect()
}

/// The letters of a kept PDF column by column, as pdftotext reads them without their layout.
fn raw_letters(name: &str) -> String {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages").join(name);
    let out = std::process::Command::new("pdftotext")
        .arg(path)
        .arg("-")
        .output()
        .expect("pdftotext runs");
    letters_of(&String::from_utf8(out.stdout).expect("UTF-8"))
}

#[test]
fn long_texts_flow_and_what_a_person_wrote_is_printed_and_never_obeyed() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    let path = book.join("lots/T25-12/lot.toml");
    let text = fs::read_to_string(&path).expect("the lot is there");
    let long = format!("{}end", "Terrace".repeat(42));
    assert!(long.len() >= 297);
    let hostile = "#panic() $x$ *b* <script>alert(1)</script> &amp; 'q'";
    let with = text
        .lines()
        .map(|l| {
            if l.starts_with("garden") {
                format!("garden = \"{long}\"\nplot = \"{hostile}\"")
            } else {
                l.to_owned()
            }
        })
        .collect::<Vec<_>>()
        .join("\n");
    fs::write(&path, with).expect("written");
    for language in ["en", "zh"] {
        let pdf = sheet(&book, "T25-12", language, "pdf");
        let name = format!("sheet-long-{language}.pdf");
        assert_nothing_overlaps(&name, &pdf);
        let text = pages(&name, &pdf).join("\n");
        for piece in ["#panic()", "$x$", "*b*", "&amp;", "'q'"] {
            assert!(text.contains(piece), "{piece}:\n{text}");
        }
        // Nobody's words are cut short, and nothing invisible is put between their letters.
        assert!(
            !text.contains('\u{200b}') && raw_letters(&name).contains("scriptalertscript"),
            "{text}"
        );
        assert_eq!(raw_letters(&name).matches("Terrace").count(), 42, "{text}");
    }
    let html = String::from_utf8(sheet(&book, "T25-12", "en", "html")).expect("UTF-8");
    assert!(html.contains(&long));
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt; &amp;amp; &#39;q&#39;"));
    assert!(!html.contains("<script"), "nothing in it runs");
}

#[test]
fn a_character_that_cannot_be_printed_is_named_and_nothing_is_left_behind() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    let path = book.join("lots/T25-12/lot.toml");
    let text = fs::read_to_string(&path).expect("the lot is there");
    fs::write(&path, text.replace("garden = \"Tavrinel", "garden = \"Tavrinel \u{20bb7}"))
        .expect("written");
    let out = run(&book, &["sheet", "T25-12"]);
    let said = String::from_utf8(out.stderr).expect("UTF-8");
    assert_eq!(out.status.code(), Some(1), "{said}");
    assert!(
        said.contains("sheet of T25-12") && said.contains("the character \u{20bb7} (U+20BB7)"),
        "{said}"
    );
    let left = book.join("sheets");
    let n = if left.exists() { fs::read_dir(left).expect("a folder").count() } else { 0 };
    assert_eq!(n, 0);
}

#[test]
fn the_html_needs_no_other_file_and_says_its_language() {
    let html = String::from_utf8(sheet(&demo(), "T24-02@dry", "both", "html")).expect("UTF-8");
    assert!(html.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"));
    assert_eq!(html.matches("<article lang=\"en\">").count(), 1);
    assert_eq!(html.matches("<article lang=\"zh\">").count(), 1);
    for outside in ["http:", "https:", "src=", "href=", "@import"] {
        assert!(!html.contains(outside), "{outside}");
    }
    assert_eq!(html.matches("url(").count(), html.matches("url(data:").count());
    // Every row of the profile has its drawing, and every drawing says in words what it shows.
    let rows = html.matches("class=\"term\"").count();
    assert!(rows > 0);
    assert_eq!(html.matches("<svg").count(), rows);
    assert_eq!(html.matches("aria-label=\"").count(), rows);
    for tag in ["article", "section", "div", "dl", "dt", "dd", "p", "svg", "h1", "h2"] {
        let opened =
            html.matches(&format!("<{tag}>")).count() + html.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, html.matches(&format!("</{tag}>")).count(), "{tag}");
    }
}

#[test]
fn the_picture_is_an_a4_page_at_150_dots_an_inch() {
    let png = sheet(&demo(), "T25-12", "en", "png");
    assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n", "signature, W3C PNG specification, section 5.2");
    let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().expect("four bytes"));
    // A4 is 210 mm by 297 mm (ISO 216); 25.4 mm are an inch.
    let pixels = |mm: f64| mm / 25.4 * 150.0;
    assert!((f64::from(number(16)) - pixels(210.0)).abs() <= 1.0);
    assert!((f64::from(number(20)) - pixels(297.0)).abs() <= 1.0);
}

#[test]
fn the_pdf_bears_the_day_of_issue_and_the_version() {
    let folder = tempfile::tempdir().expect("a folder");
    let book = copied(folder.path());
    let said = done(&book, &["sheet", "T25-12", "--language", "en"]);
    let file = said.lines().find(|l| l.ends_with(".pdf")).expect("a PDF is named");
    let name = Path::new(file).file_name().expect("a name").to_string_lossy().into_owned();
    let rest = name.strip_prefix("T25-12-").expect("the sample comes first");
    let (day, version) = (&rest[..10], &rest[11..19]);
    let pdf = fs::read(file).expect("it is there");
    let text = pages("sheet-issued.pdf", &pdf).join("\n");
    assert!(text.contains(&format!("Version {version}, issued {day}")), "{text}");
    let json = done(&book, &["sheet", "T25-12", "--json"]);
    assert!(!json.contains(day), "the day of issue is no part of what the version is made from");
}

/// The finding of a sample of the demo book.
fn finding(sample: &str) -> Sheet {
    let book = Book::open(&demo()).expect("a book");
    let (file, lots) = (book.book_file().expect("reads").value, book.lots().expect("read"));
    let (parameters, tasters) =
        (book.parameters().expect("read").value, book.tasters().expect("read").value);
    let record = Record {
        book: &file,
        lots: &lots,
        parameters: &parameters,
        tasters: &tasters,
        sessions: &all_scored(&book).expect("read"),
    };
    let of = subject(sample, &lots).expect("a sample");
    found(&of, &record, &Settings::default()).expect("was tasted").sheet
}

/// All that a page says, row by row.
fn said(page: &Page) -> String {
    let blocks = [
        &page.identity,
        &page.making,
        &page.found,
        &page.store,
        &page.panel,
        &page.brewing,
        &page.cautions,
    ];
    let rows = blocks.iter().flat_map(|b| b.rows.iter().map(|(a, b)| format!("{a}: {b}")));
    let notes = blocks.iter().flat_map(|b| b.notes.clone());
    rows.chain(notes)
        .chain(page.cup.notes.clone())
        .chain([page.cup.intro.clone()])
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn the_words_scale_with_the_evidence() {
    let mut f = finding("T25-12");
    let day = "2026-05-20".parse().expect("a day");
    let issue = Issue { day, issued: true, digest: "0123456789abcdef" };
    let of = |f: &Sheet, lang| said(&page(f, &issue, lang));
    let text = of(&f, Lang::En);
    assert!(text.contains("Blind: coded; key sealed until 2026-02-08"), "{text}");
    assert!(!text.contains("Individual opinions") && !text.contains("not committed beforehand"));

    f.tasted.committed_beforehand = false;
    f.tasted.n_tasters = 2;
    f.tasted.individual_opinions = true;
    f.tasted.n_late_changes = 1;
    f.tasted.n_left_out = 7;
    f.tasted.reference_served = false;
    f.tasted.n_steeps = 3;
    f.tasted.before_the_split = true;
    f.movement = Answer::unknown("invented");
    f.moisture = Answer::unknown("invented");
    let text = of(&f, Lang::En);
    for wanted in [
        "was not committed beforehand (told on 2026-02-08)",
        "Individual opinions of 2 tasters, not a panel's.",
        "1 change was made after the samples were known.",
        "Left out: 7 answers, with a reason in the book",
        ", no reference",
        ", 3 steeps each",
        "this part was not tasted since",
        "How it moved since its first tasting cannot be told from these tastings.",
        "Moisture, wet basis: not measured",
    ] {
        assert!(text.contains(wanted), "{wanted}:\n{text}");
    }
    let zh = of(&f, Lang::Zh);
    for wanted in ["未事先封存", "2 位评茶员的个人意见", "无参照样", "各 3 泡", "未测定"]
    {
        assert!(zh.contains(wanted), "{wanted}:\n{zh}");
    }
}

#[test]
fn places_on_a_scale_are_those_of_its_numbers() {
    let mut f = finding("T25-12");
    let row = f.cup.rows.first_mut().expect("a row");
    // By hand: on a scale from -5 to 5 the level 2.5 stands at three quarters, and an interval that leaves the
    // scale is cut at its end.
    (row.low, row.high, row.level) = (-5.0, 5.0, 2.5);
    if let Answer::Known(i) = &mut row.interval {
        (i.lower, i.upper) = (0.0, 6.0);
    }
    f.cup.rows.truncate(1);
    let day = "2026-05-20".parse().expect("a day");
    let page = page(&f, &Issue { day, issued: true, digest: "0123456789" }, Lang::En);
    let row = &page.cup.rows[0];
    assert!((row.at - 0.75).abs() < 1e-12);
    assert_eq!(row.interval, Some([0.5, 1.0]));
    assert_eq!(row.figures, "2.5 (0.0 to 6.0)", "the figures are not cut");
    let labels: Vec<&str> = row.axis.iter().map(|(_, l)| l.as_str()).collect();
    assert_eq!(labels, ["−5", "−4", "−3", "−2", "−1", "0", "1", "2", "3", "4", "5"]);
    assert_eq!(page.version, "Version 01234567, issued 2026-05-20");
    // A preview says so at its head and at its foot, and nowhere that it is issued.
    let preview = Issue { day, issued: false, digest: "0123456789" };
    for (lang, head, not) in
        [(Lang::En, "a preview, not issued", ", issued"), (Lang::Zh, "预览，未签发", "签发日期")]
    {
        let page = blindsteep::sheets::lot::page(&f, &preview, lang);
        assert!(page.kicker.ends_with(head), "{}", page.kicker);
        assert!(
            page.version.contains("2026-05-20") && !page.version.contains(not),
            "{}",
            page.version
        );
    }
}
