//! What the printed sheets say, read back from the PDF by pdftotext (Debian's poppler-utils).

use std::process::Command;

use blindsteep::sheets::ballots::{BallotFlight, BallotKind, BallotPaper, ballot_pdf};
use blindsteep::sheets::pouring::{cup_labels_pdf, pouring_pdf};
use blindsteep::sheets::{BallotScale, Lang, SheetError, cautions};
use jiff::civil::date;

use crate::papers::{DIGEST, ballot, plan};
use crate::samples::keep;

/// The text of each page of a PDF.
pub fn pages(name: &str, pdf: &[u8]) -> Vec<String> {
    let path = keep(name, pdf);
    let run = Command::new("pdftotext")
        .args(["-layout", "-enc", "UTF-8"])
        .arg(&path)
        .arg("-")
        .output()
        .expect("pdftotext runs; install it with: apt-get install poppler-utils");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let text = String::from_utf8(run.stdout).expect("pdftotext writes UTF-8");
    text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect()
}

/// Asserts that no two words of a page lie on each other and that none leaves the paper.
pub fn assert_nothing_overlaps(name: &str, pdf: &[u8]) {
    let path = keep(name, pdf);
    let run = Command::new("pdftotext").arg("-bbox").arg(&path).arg("-").output().expect("runs");
    let text = String::from_utf8(run.stdout).expect("pdftotext writes UTF-8");
    let number = |line: &str, key: &str| -> f64 {
        let value = line.split(&format!("{key}=\"")).nth(1).and_then(|rest| rest.split('"').next());
        value.and_then(|v| v.parse().ok()).expect("a word has a box")
    };
    for page in text.split("<page ").skip(1) {
        let words: Vec<(&str, [f64; 4])> = page
            .lines()
            .filter(|line| line.contains("<word "))
            .map(|line| (line, ["xMin", "yMin", "xMax", "yMax"].map(|key| number(line, key))))
            .collect();
        assert!(words.len() > 5, "a page with text");
        for (i, (a, [left, top, right, bottom])) in words.iter().enumerate() {
            assert!(*left > 20.0 && *right < 575.0 && *top > 20.0 && *bottom < 835.0, "{a}");
            for (b, [l, t, r, u]) in &words[i + 1..] {
                // The boxes are those of the face, a good deal higher than its letters.
                let across = right.min(*r) - left.max(*l);
                let down = bottom.min(*u) - top.max(*t);
                let lower = (bottom - top).min(u - t);
                assert!(across < 0.5 || down < 0.5 * lower, "two words meet in {name}:\n{a}\n{b}");
            }
        }
    }
}

/// Where each text first appears, to compare orders; a text that is missing fails.
fn places(text: &str, wanted: &[String]) -> Vec<usize> {
    wanted
        .iter()
        .map(|w| text.find(w.as_str()).unwrap_or_else(|| panic!("{w} is missing from:\n{text}")))
        .collect()
}

fn codes(paper: &BallotPaper) -> Vec<String> {
    paper.flights.iter().flat_map(|f| &f.cups).map(ToString::to_string).collect()
}

#[test]
fn a_ballot_has_every_code_in_serving_order_and_the_digest_on_every_page() {
    let paper = ballot(&[Lang::En], "Ann");
    let pages = pages("ballot-en.pdf", &ballot_pdf(&paper).expect("prints"));
    let n = pages.len();
    for (i, page) in pages.iter().enumerate() {
        assert!(page.contains(DIGEST), "page {} lacks the digest:\n{page}", i + 1);
        assert!(
            page.contains(&format!("page {} of {n}", i + 1)),
            "page {} lacks its number",
            i + 1
        );
        assert!(page.contains("Ann") && page.contains("2026-05-14-spring"));
    }
    // The first page lists the order, the others hold a block a cup.
    assert!(places(&pages[0], &codes(&paper)).is_sorted());
    let blocks = pages[1..].join("\n");
    assert!(places(&blocks, &codes(&paper)).is_sorted());
    for expected in ["Astringent", "thick", "yellow-orange", "honey", "trace", "rejects"] {
        assert_eq!(blocks.matches(expected).count(), 12, "{expected} once for each of 12 cups");
    }
    assert_eq!(blocks.matches("I decline this cup").count(), 12);
    assert_eq!(blocks.matches("Which lot do you think").count(), 12);
    for caution in cautions(Lang::En) {
        let start: String = caution.chars().take(40).collect();
        assert!(pages[0].contains(&start), "{start}");
    }
}

#[test]
fn a_chinese_ballot_reads_back_as_chinese() {
    let paper = ballot(&[Lang::Zh], "晨曦");
    let pages = pages("ballot-zh.pdf", &ballot_pdf(&paper).expect("prints"));
    let text = pages.join("\n");
    assert!(!text.contains('\u{fffd}') && !text.contains('\u{0}'));
    for expected in
        ["评茶单", "晨曦", "涩", "麦芽香", "霉味", "明显", "此杯不评", "沸水：桌面要稳", "第 1 页"]
    {
        assert!(text.contains(expected), "{expected} is missing from:\n{text}");
    }
    let blocks = pages[1..].join("\n");
    assert!(places(&blocks, &codes(&paper)).is_sorted());
}

#[test]
fn a_ballot_in_two_languages_has_both_labels_of_a_term() {
    let paper = ballot(&[Lang::En, Lang::Zh], "Bo");
    let text = pages("ballot-both.pdf", &ballot_pdf(&paper).expect("prints")).join("\n");
    assert_eq!(text.matches("Bitter").count(), 13, "12 cups and the list of terms");
    assert!(text.matches('苦').count() >= 13);
    assert!(text.contains("I decline this cup") && text.contains("此杯不评"));
}

#[test]
fn many_terms_and_few_terms_both_fit_their_pages() {
    let mut few = ballot(&[Lang::En], "Ann");
    few.terms.truncate(3);
    few.guess = false;
    let few = ballot_pdf(&few).expect("prints");
    assert_nothing_overlaps("ballot-few.pdf", &few);
    let n_few = pages("ballot-few.pdf", &few).len();
    assert!(n_few <= 5, "{n_few} pages for 12 cups of 3 lines");
    for (times, least) in [(1, 7), (2, 13), (3, 25)] {
        let mut many = ballot(&[Lang::En, Lang::Zh], "Ann");
        let once = many.terms.clone();
        many.terms = (0..times).flat_map(|_| once.clone()).collect();
        let name = format!("ballot-many-{times}.pdf");
        let pdf = ballot_pdf(&many).expect("prints");
        assert_nothing_overlaps(&name, &pdf);
        let pages = pages(&name, &pdf);
        assert!(pages.len() >= least, "{} pages for {} terms", pages.len(), many.terms.len());
        // A page of a cup that goes on still says whose page it is.
        let codes = codes(&many);
        for page in pages.iter().filter(|page| page.contains("strong")) {
            assert!(codes.iter().any(|code| page.contains(code.as_str())), "{page}");
        }
    }
}

#[test]
fn each_steep_has_its_own_block() {
    let mut paper = ballot(&[Lang::En], "Ann");
    paper.terms.truncate(4);
    paper.flights =
        vec![BallotFlight { label: "Flight 1".into(), cups: vec![123, 456], steeps: 3 }];
    let text = pages("ballot-steeps.pdf", &ballot_pdf(&paper).expect("prints"))[1..].join("\n");
    let wanted: Vec<String> = (1..=3).map(|s| format!("cup 1 of 2 · steep {s}")).collect();
    assert!(places(&text, &wanted).is_sorted());
    assert_eq!(text.matches("I decline this cup").count(), 6);
}

#[test]
fn the_other_kinds_ask_their_own_question() {
    for (kind, cups, question, name) in [
        (BallotKind::Triangle, vec![412, 105, 938], "cross the one that differs", "triangle"),
        (BallotKind::DuoTrio, vec![412, 105, 938], "The first cup is the reference", "duo-trio"),
        (BallotKind::Paired, vec![412, 105], "Which cup has more of this: Floral?", "paired"),
        (
            BallotKind::Ranking,
            vec![412, 105, 938, 276, 651],
            "Put the cups in order by: Floral",
            "ranking",
        ),
    ] {
        let mut paper = ballot(&[Lang::En, Lang::Zh], "Ann");
        paper.kind = kind;
        paper.flights = (1..=4)
            .map(|i| BallotFlight { label: format!("Set {i}"), cups: cups.clone(), steeps: 1 })
            .collect();
        let pages = pages(&format!("ballot-{name}.pdf"), &ballot_pdf(&paper).expect("prints"));
        let text = pages[1..].join("\n");
        assert_eq!(text.matches(question).count(), 4, "{question}\n{text}");
        assert!(pages.iter().all(|page| page.contains(DIGEST)));
    }
}

#[test]
fn a_set_of_the_wrong_size_is_refused() {
    let mut paper = ballot(&[Lang::En], "Ann");
    paper.kind = BallotKind::Triangle;
    let error = ballot_pdf(&paper).expect_err("six cups are no triangle").to_string();
    assert_eq!(
        error,
        "ballot of Ann: 6 cups in Flight 1; expected three cups for a triangle or duo-trio, two for a pair"
    );
}

#[test]
fn what_a_person_wrote_is_printed_and_never_obeyed() {
    let mut paper = ballot(&[Lang::En], "Ann");
    let label = "#panic() $x$ *b* _i_ @r <l> `c` // \"q\" \\";
    paper.terms.truncate(1);
    paper.terms[0].labels = vec![label.into()];
    paper.session = "#include(\"x\") = heading".into();
    let text = pages("ballot-hostile.pdf", &ballot_pdf(&paper).expect("prints")).join("\n");
    assert!(text.contains("#include(\"x\") = heading"), "{text}");
    for piece in ["#panic()", "$x$", "*b*", "_i_", "@r", "<l>", "`c`"] {
        assert!(text.contains(piece), "{piece}: {text}");
    }
}

#[test]
fn a_character_that_cannot_be_printed_is_named_with_its_place() {
    let mut paper = ballot(&[Lang::En], "Ann");
    paper.terms[9].labels = vec!["Body 𠮷".into()];
    paper.recipe.push("line\nbreak".into());
    let Err(SheetError::MissingGlyphs(missing)) = ballot_pdf(&paper) else {
        panic!("must be refused");
    };
    let found: Vec<char> = missing.iter().map(|m| m.character).collect();
    assert!(found.contains(&'𠮷') && found.contains(&'\n'), "{found:?}");
    let error = missing.iter().find(|m| m.character == '𠮷').expect("found").to_string();
    assert!(error.starts_with("ballot of Ann, ") && error.contains("\"Body 𠮷\""), "{error}");
}

#[test]
fn a_line_that_goes_nowhere_and_a_missing_label_are_refused() {
    let mut paper = ballot(&[Lang::En], "Ann");
    paper.terms[0].scale = BallotScale::Line {
        low: 5.0,
        high: 5.0,
        step: 1.0,
        ends: [vec!["a".into()], vec!["b".into()]],
    };
    assert!(matches!(ballot_pdf(&paper), Err(SheetError::Incomplete { .. })));
    let mut paper = ballot(&[Lang::En, Lang::Zh], "Ann");
    paper.terms[0].labels.pop();
    let error = ballot_pdf(&paper).expect_err("must be refused").to_string();
    assert!(error.ends_with("expected a label for each language of the paper"), "{error}");
    let mut paper = ballot(&[Lang::En], "Ann");
    paper.terms[0].scale = BallotScale::Ordered { levels: vec![] };
    let error = ballot_pdf(&paper).expect_err("must be refused").to_string();
    assert_eq!(
        error,
        "ballot of Ann: 0 levels for the term \"Floral\"; expected at least two levels"
    );
    paper.terms[0].scale = BallotScale::Nominal { levels: vec![vec!["a".into()], vec![]] };
    let error = ballot_pdf(&paper).expect_err("must be refused").to_string();
    assert!(error.ends_with("expected a text for each language of the paper"), "{error}");
}

#[test]
fn the_pouring_plan_has_lots_and_orders_and_its_warning_on_every_page() {
    for (lang, warning, taster) in
        [(Lang::En, "KEEP FROM THE TASTERS", "Dee"), (Lang::Zh, "切勿让评茶员看到", "德明")]
    {
        let plan = plan(lang);
        let pages = pages(&format!("pouring-{lang:?}.pdf"), &pouring_pdf(&plan).expect("prints"));
        assert!(pages.iter().all(|page| page.contains(warning) && page.contains(DIGEST)));
        let text = pages.join("\n");
        for row in &plan.rows {
            // Code, sample and role stand in one line.
            assert!(
                text.lines().any(|line| {
                    line.contains(&row.code.to_string())
                        && line.contains(&row.sample)
                        && line.contains(&row.role)
                }),
                "{} {}:\n{text}",
                row.code,
                row.sample
            );
        }
        let order = plan.orders.iter().find(|o| o.taster == taster).expect("has an order");
        let line = text.lines().find(|l| l.contains(taster)).expect("the order is printed");
        let wanted: Vec<String> = order.cups.iter().map(ToString::to_string).collect();
        assert!(places(line, &wanted).is_sorted(), "{line}");
        // Twelve pots of 5.6 g: T26-01 fills four of them.
        let total = text.lines().find(|l| l.contains("22.4")).expect("a total of 22.4 g");
        assert!(total.contains("T26-01"));
    }
}

#[test]
fn a_pouring_plan_in_both_languages_says_everything_in_both() {
    let mut both = plan(Lang::En);
    both.languages = vec![Lang::En, Lang::Zh];
    for row in &mut both.rows {
        row.role = format!("{} 重复样", row.role);
    }
    let pages = pages("pouring-both.pdf", &pouring_pdf(&both).expect("prints"));
    for page in &pages {
        assert!(page.contains("KEEP FROM THE TASTERS") && page.contains("切勿让评茶员看到"));
    }
    let text = pages.join("\n");
    for word in ["Pouring plan", "分杯表", "闻到霉味即停止审评", "stops the tasting"] {
        assert!(text.contains(word), "{word} is not in\n{text}");
    }
    both.languages.clear();
    let error = pouring_pdf(&both).expect_err("must be refused").to_string();
    assert!(error.contains("one language, or two"), "{error}");
}

#[test]
fn cups_of_one_pot_share_its_leaf() {
    let mut plan = plan(Lang::En);
    plan.rows.truncate(2);
    for row in &mut plan.rows {
        row.sample = "T26-09".into();
        row.brew = "A".into();
    }
    let text = pages("pouring-shared.pdf", &pouring_pdf(&plan).expect("prints")).join("\n");
    let total = text.lines().rfind(|l| l.contains("T26-09")).expect("a total");
    assert_eq!(total.split_whitespace().collect::<Vec<_>>(), ["T26-09", "2", "5.6"]);
}

#[test]
fn labels_of_cups_stand_in_ascending_order() {
    let pdf = cup_labels_pdf("spring", date(2026, 5, 14), &[938, 105, 412]).expect("prints");
    let text = pages("labels.pdf", &pdf).join("\n");
    assert!(places(&text, &["105".into(), "412".into(), "938".into()]).is_sorted());
}

#[test]
fn the_same_paper_gives_the_same_bytes() {
    let mut paper = ballot(&[Lang::Zh, Lang::En], "方圆");
    paper.flights.truncate(1);
    let pdf = ballot_pdf(&paper).expect("prints");
    assert_eq!(pdf, ballot_pdf(&paper).expect("prints"));
    assert!(String::from_utf8_lossy(&pdf).contains("D:20260514"), "the given date, not today's");
}
