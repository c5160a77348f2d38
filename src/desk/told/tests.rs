//! The table has all that a page can be told, and says nothing of commands.

use std::path::{Path, PathBuf};

use super::table::Table;
use super::{is_quoted, lines, text};
use crate::desk::say::Say;
use crate::plots::Lang;
use crate::views::holes::filled;

const EN: Say = Say(Lang::En);
const ZH: Say = Say(Lang::Zh);

fn table() -> Table {
    Table::read().unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn the_table_reads_and_no_line_stands_twice() {
    let mut seen = std::collections::HashSet::new();
    for e in table().entries {
        assert!(seen.insert(e.line), "twice: {}", e.line);
    }
}

/// Commands and flags are no words of a page.
#[test]
fn no_text_of_the_table_names_a_flag_or_a_command() {
    for e in table().entries {
        for told in [e.form.unwrap_or(e.line), e.zh] {
            let named = ["--", "`", "blindsteep "].into_iter().find(|sign| told.contains(sign));
            let of_file = e.line.contains("`cups`")
                || e.line.contains("`references`")
                // Signs that the reader of TOML names.
                || ["`_`", "`=`", "`#`"].iter().any(|s| e.line.contains(s))
                || e.line.contains("`replaces`")
                || e.line.starts_with("another blindsteep")
                || e.line.starts_with("read this book with the newer")
                || e.line.starts_with("let whoever pours write the plan");
            assert!(named.is_none() || of_file, "{named:?} in: {told}");
        }
    }
}

/// The holes that a text of the table names, from 1.
fn holes_of(text: &str) -> Vec<usize> {
    let marks: Vec<String> = (1..=12).map(|i| format!("\u{1}{i}\u{2}")).collect();
    let filled = filled(text, &marks);
    let mut found: Vec<usize> = filled
        .split('\u{1}')
        .skip(1)
        .filter_map(|part| part.split('\u{2}').next()?.parse().ok())
        .collect();
    found.sort_unstable();
    found
}

/// Each text names the holes that there are: no more, and in Chinese each once or none that is left out on purpose.
#[test]
fn texts_name_holes_that_there_are() {
    for e in table().entries {
        let n = e.pattern.signs.len();
        for told in [e.form.unwrap_or(e.line), e.zh] {
            let named = holes_of(told);
            assert!(named.iter().all(|i| *i <= n), "{told}");
            // A Chinese text may leave a hole out only where another says the same.
            assert!(named.len() + 2 >= n, "{told}");
        }
        let chinese = e.zh.chars().any(|c| ('\u{4e00}'..='\u{9fff}').contains(&c));
        let same = holes_of(e.zh).len() == n && e.zh.len() <= e.line.len() + 2 * n;
        assert!(chinese || same, "{}", e.zh);
    }
}

// What the source can say.

/// A text in quotes of a source file.
struct Literal {
    line: usize,
    /// What stands before it.
    before: String,
    text: String,
}

/// The texts in quotes of a source file; those of tests, and what tables of columns say of them in a schema, are
/// not of it.
fn literals(source: &str) -> Vec<Literal> {
    let source = source.split("#[cfg(test)]").next().unwrap_or_default();
    let mut chars: Vec<char> = Vec::new();
    for (i, part) in source.split("const COLUMNS:").enumerate() {
        let (table, rest) =
            if i == 0 { ("", part) } else { part.split_once("];").unwrap_or((part, "")) };
        chars.extend(table.chars().filter(|c| *c == '\n').chain(rest.chars()));
    }
    let (mut found, mut i, mut line) = (Vec::new(), 0, 1);
    let before = |at: usize| -> String {
        chars[at.saturating_sub(60)..at].iter().collect::<String>().trim_end().to_owned()
    };
    while i < chars.len() {
        match chars[i] {
            '\n' => line += 1,
            '/' if chars.get(i + 1) == Some(&'/') => {
                while i + 1 < chars.len() && chars[i + 1] != '\n' {
                    i += 1;
                }
            }
            // A letter in quotes, which may be a quote itself; a lifetime has no second mark.
            '\'' if chars.get(i + 1) == Some(&'\\') => {
                i += 3;
                while chars.get(i).is_some_and(|c| *c != '\'') {
                    i += 1;
                }
            }
            '\'' if chars.get(i + 2) == Some(&'\'') => i += 2,
            'r' if is_raw(&chars[i..]) => {
                let marks = chars[i + 1..].iter().take_while(|c| **c == '#').count();
                let (begun, before) = (line, before(i));
                let mut text = String::new();
                i += 2 + marks;
                while i < chars.len() && !ends_raw(&chars[i..], marks) {
                    line += usize::from(chars[i] == '\n');
                    text.push(chars[i]);
                    i += 1;
                }
                i += marks;
                found.push(Literal { line: begun, before, text });
            }
            '"' => {
                let (begun, before) = (line, before(i));
                let mut text = String::new();
                i += 1;
                while i < chars.len() && chars[i] != '"' {
                    if chars[i] == '\\' {
                        i += 1;
                        match chars.get(i) {
                            Some('n') => text.push('\n'),
                            Some('\n') => {
                                line += 1;
                                while chars.get(i + 1).is_some_and(|c| c.is_whitespace()) {
                                    i += 1;
                                    line += usize::from(chars[i] == '\n');
                                }
                            }
                            Some(c) => text.push(*c),
                            None => {}
                        }
                    } else {
                        line += usize::from(chars[i] == '\n');
                        text.push(chars[i]);
                    }
                    i += 1;
                }
                found.push(Literal { line: begun, before, text });
            }
            _ => {}
        }
        i += 1;
    }
    found
}

fn is_raw(rest: &[char]) -> bool {
    let marks = rest[1..].iter().take_while(|c| **c == '#').count();
    rest.get(1 + marks) == Some(&'"')
}

fn ends_raw(rest: &[char], marks: usize) -> bool {
    rest[0] == '"' && rest[1..].iter().take(marks).filter(|c| **c == '#').count() == marks
}

/// A text as it may be said: with something in each hole.
fn said(literal: &str) -> String {
    let mut out = String::new();
    let mut rest = literal.replace("{{", "\u{1}").replace("}}", "\u{2}");
    while let Some((before, behind)) = rest.split_once('{') {
        out.push_str(before);
        out.push('7');
        rest = behind.split_once('}').map_or("", |(_, after)| after).to_owned();
    }
    out.push_str(&rest);
    out.replace('\u{1}', "{").replace('\u{2}', "}")
}

/// Whether a line is a sentence or a part of one: two words at least.
fn has_words(line: &str) -> bool {
    let word = |w: &&str| w.chars().filter(|c| c.is_ascii_lowercase()).count() >= 2;
    line.split_whitespace().filter(word).count() >= 2
}

fn sources(folder: &str) -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = Vec::new();
    let mut folders = vec![root.join(folder)];
    while let Some(at) = folders.pop() {
        if at.is_file() {
            found.push(at);
            continue;
        }
        for entry in std::fs::read_dir(&at).expect("a folder of sources") {
            let path = entry.expect("an entry").path();
            if path.is_dir() || path.extension().is_some_and(|e| e == "rs") {
                folders.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Folders and files of which every sentence may be told.
const WHOLE: [&str; 8] = [
    "src/book",
    "src/session",
    "src/findings/due/warnings.rs",
    "src/findings/due/sitting.rs",
    "src/findings/due/ahead.rs",
    "src/findings/trial/chosen.rs",
    "src/findings/trial/factors.rs",
    "src/findings/trial/levels.rs",
];
/// Folders of which what says how to mend something is told.
const REFUSALS: [&str; 5] = ["src/findings", "src/scores", "src/sheets", "src/views", "src/desk"];

/// What is no line of the table, and why: the file, how the text begins (empty: all of it), the reason.
const NOT_TOLD: &[(&str, &str, &str)] = &[
    ("book/copies.rs", "", "names that programs for synchronising give to copies"),
    ("book/fitness.rs", "Never taste leaf", "SAFETY, which is told whole"),
    ("book/fitness.rs", "discard it", "SAFETY, which is told whole"),
    ("book/fitness.rs", "local food law", "SAFETY, which is told whole"),
    ("book/fitness.rs", "; ", "the end of a line of the table"),
    ("book/fitness.rs", "7 is not below", "the end of lines of the table; see `dampness_is_told`"),
    ("book/fitness.rs", "moisture of 7", "the beginning of lines of the table"),
    ("book/fitness.rs", "water activity of 7", "with another end; see `dampness_is_told`"),
    ("book/logger_clock.rs", "7:7: 7 7 7 in the future", "see `readings_are_told`"),
    ("book/logger_form.rs", "date", "names of columns"),
    ("book/logger_rows.rs", "", "see `readings_are_told`"),
    ("book/lot_warnings.rs", "(and of", "a part of lines of the table"),
    ("book/lot_warnings.rs", "; did you", "the end of lines of the table"),
    ("book/lot_warnings.rs", "7 is in quarantine with it", "a part of a line of the table"),
    ("book/lot_warnings.rs", "if 7 may be unsafe", "a part of a line of the table"),
    ("book/lot_warnings.rs", "7: 7 7 7, which", "put together to lines of the table"),
    ("book/making.rs", "not said", "a value in a list"),
    ("book/parameters.rs", "put into the reserve", "labels of the terminal"),
    ("book/parameters.rs", "drawn from", "labels of the terminal"),
    ("book/parameters.rs", "in quarantine", "labels of the terminal"),
    ("book/parameters.rs", "pack opened", "labels of the terminal"),
    ("book/parameters.rs", "water activity in store", "labels of the terminal"),
    ("book/parameters.rs", "a whole number7", "lines of the table, with a unit and without"),
    ("book/problem.rs", "7 7 to mend", "two lines of the table, of one and of many"),
    ("book/reading.rs", "(7 more:", "the end of a line of the table"),
    ("book/roles.rs", "", "after `log`; see `what_is_worked_out_is_told`"),
    ("book/session_files.rs", "", "what a kind of session asks, which has words of its own"),
    ("book/schemas.rs", "sessions/", "names of files"),
    ("book/starter.rs", "languages =", "what stands in the files of a new book"),
    ("book/starter.rs", "recipe =", "what stands in the files of a new book"),
    ("book/starter.rs", "go_back =", "what stands in the files of a new book"),
    ("book/starter.rs", "#", "what stands in the files of a new book"),
    ("book/starter.rs", "1650", "what stands in the files of a new book"),
    ("book/starter.rs", "\"the cupping room\"", "what stands in the files of a new book"),
    ("book/starter.rs", "\"", "what stands in the files of a new book"),
    ("book/store.rs", "a line has its end", "a fault of the program"),
    ("session/afterwards.rs", "the key was written down", "a reason that stands in the record"),
    ("session/close.rs", "a ballot was", "the beginning of a line of the table"),
    ("session/close.rs", "some ballots were", "the beginning of a line of the table"),
    ("session/draws.rs", "", "what draws are made from"),
    ("session/key.rs", "#", "comments of the key's file"),
    ("session/papers.rs", "", "printed papers, which are in both languages"),
    ("session/enter.rs", "STOP: ", "has its Chinese beside it"),
    ("session/request.rs", "correct --7", "a line of the table for each field"),
    ("session/sets.rs", "a rank: a7", "two lines of the table, with ties and without"),
    ("session/shape.rs", "a 7 session compares", "two lines of the table, of one and of many"),
    ("session/splitting.rs", "give --on 7", "two lines of the table"),
    ("findings/due/warnings.rs", "To have both", "the end of a line of the table"),
    ("trial/chosen.rs", "7 7 cannot tell", "two lines of the table"),
    ("trial/chosen.rs", "with the lots made so far", "a part of a line of the table"),
    ("trial/chosen.rs", "column", "a part of lines of the table"),
    ("trial/chosen.rs", "a classical fraction", "a reason in a finding, which is shown as it is"),
    ("trial/chosen.rs", "these are additions", "a reason in a finding, which is shown as it is"),
    ("trial/factors.rs", "7 7: there is no parameter", "two lines of the table"),
    ("trial/factors.rs", "no lot that is linked", "a reason in a finding, which is shown as it is"),
    ("trial/factors.rs", "it is missing", "a reason in a finding, which is shown as it is"),
    ("trial/factors.rs", "it never varied", "a reason in a finding, which is shown as it is"),
    ("trial/factors.rs", "it has no unit", "a reason in a finding, which is shown as it is"),
    ("desk/server.rs", "", "told before there is a page"),
    ("desk/alone.rs", "", "told before there is a page"),
];

/// What is not in the table of a source's sentences.
fn missing(path: &Path, whole: bool, excused: &mut [usize]) -> Vec<String> {
    let source = std::fs::read_to_string(path).expect("a source file");
    let name = path.to_string_lossy().replace('\\', "/");
    let mut missing = Vec::new();
    for Literal { line: number, before, text } in literals(&source) {
        let refusal = text.contains("to mend:") || text.contains("expected:");
        let unseen = ["expect(", "description =", "reason =", "skip_serializing_if ="];
        // The desk's own refusals stand in both languages where they are written.
        let in_both = before.trim_end_matches("format!(").trim_end().ends_with("say.of(");
        if !(whole || refusal) || in_both || unseen.iter().any(|u| before.ends_with(u)) {
            continue;
        }
        let doing = before.ends_with("io(");
        let told = if doing { format!("cannot {text} 7: 7") } else { said(&text) };
        let marks = |l: &'_ str| -> String {
            let l = l.trim();
            let rest = l.strip_prefix("expected:").or_else(|| l.strip_prefix("to mend:"));
            rest.unwrap_or(l).trim().to_owned()
        };
        for part in told.split('\n').map(marks).filter(|l| has_words(l)) {
            let excuse = NOT_TOLD
                .iter()
                .position(|(file, begins, _)| name.ends_with(file) && part.starts_with(begins));
            let known = lines(ZH, &part).iter().all(|l| l.known);
            match excuse {
                _ if known => {}
                Some(i) => excused[i] += 1,
                None => missing.push(format!("{name}:{number}: {part}")),
            }
        }
    }
    missing
}

/// Whatever the library can refuse or warn of on a page has its line here, or a reason why not.
#[test]
fn every_refusal_of_the_source_is_in_the_table() {
    let mut excused = vec![0; NOT_TOLD.len()];
    let mut all = Vec::new();
    for folder in WHOLE {
        for path in sources(folder) {
            all.extend(missing(&path, true, &mut excused));
        }
    }
    for folder in REFUSALS {
        for path in sources(folder).iter().filter(|p| !p.ends_with("desk/told/mod.rs")) {
            all.extend(missing(path, false, &mut excused));
        }
    }
    assert!(all.is_empty(), "without a line in src/desk/told/*.txt:\n{}", all.join("\n"));
    // An excuse that nothing needs any more would hide what comes later.
    let idle: Vec<_> = NOT_TOLD
        .iter()
        .zip(&excused)
        .filter(|(_, n)| **n == 0)
        .map(|((f, b, _), _)| (f, b))
        .collect();
    assert!(idle.is_empty(), "excuses for nothing: {idle:?}");
}

/// In Chinese, whole: not a word of English but names.
fn told_in_chinese(english: &str) {
    for l in lines(ZH, english) {
        assert!(l.known, "not known: {english}");
        let words: Vec<&str> = l.text.split(' ').collect();
        let plain = |w: &&str| w.len() > 1 && w.chars().all(|c| c.is_ascii_lowercase());
        let row = words.windows(3).find(|w| w.iter().all(plain));
        assert!(row.is_none(), "{row:?} of {}", l.text);
    }
}

#[test]
fn dampness_is_told() {
    let again = "not fit to be kept until it is dried again and measured again";
    for text in [
        format!("moisture of 8.4 % (wet basis, 2026-05-14) is not below 8 %: {again}"),
        format!(
            "T26-01: moisture of 12 % (wet basis, 2026-05-14) is not below 8 %: {again}; above 9 % black \
             tea moulds in transport"
        ),
        format!("T26-01@dry: water activity of 0.61 (2026-05-14) is not below 0.6: {again}"),
        "moisture of 7 % (wet basis, 2026-05-14) is not below 6.5 %: mould may grow in store. Dry it \
         again and measure again"
            .to_owned(),
        "T26-01 is not served: in quarantine since 2026-05-14 (white mould); it came of L1, which is \
         in quarantine since 2026-05-01: look whether it is unsafe too"
            .to_owned(),
    ] {
        told_in_chinese(&text);
    }
}

#[test]
fn readings_are_told() {
    let first = " (this line is the first)";
    for what in [
        "stood before earlier ones; all were put in the order of time",
        "without a temperature; what lies between their neighbours counts",
        "without a humidity; what lies between their neighbours counts",
        "with an offset of their own, unlike that of 2026-05-14T15:04:05+08:00; it was followed",
        "stood there a second time; each moment counts once",
        "unlike another of the same moment; their mean counts",
    ] {
        told_in_chinese(&format!("lots/L1/readings/a.csv:7: 1 reading {what}"));
        told_in_chinese(&format!("lots/L1/readings/a.csv:7: 12 readings {what}{first}"));
    }
    for (n, lie) in [("1 reading", "lies"), ("3 readings", "lie")] {
        told_in_chinese(&format!(
            "stores/loft/a.csv:3: {n} {lie} in the future, from 2027-01-01T00:00:00+08:00 on: the \
             logger's clock was wrong; nothing is known of the time at which they were truly taken"
        ));
    }
}

#[test]
fn what_is_worked_out_is_told() {
    use crate::book::making::OF_EACH_LOT;
    use crate::book::parameters::how_to_record;
    let mut n = 0;
    for id in OF_EACH_LOT {
        let how = how_to_record(id);
        n += usize::from(how.is_some());
        let Some(how) = how else { continue };
        assert!(lines(ZH, &how).iter().all(|l| l.known), "{how}");
        assert!(!text(EN, &how).contains("--"), "{}", text(EN, &how));
    }
    assert!(n >= 10);
}

#[test]
fn a_refusal_is_told_line_by_line() {
    let refusal = "one lot alone cannot be compared with anything\n  expected: two lots or more, or \
                   one lot and a reference\n  to mend:  name more with --lots, or a --reference";
    assert_eq!(
        text(EN, refusal),
        "one lot alone cannot be compared with anything\n  expected: two lots or more, or one lot and \
         a reference\n  to mend:  tick more under “Lots”, or name a “Reference”"
    );
    assert_eq!(
        text(ZH, refusal),
        "只有一个批次，无从比较\n  应为：两个或更多批次，或一个批次与参照样\n  如何改正：请在“批次”中多勾选，或指定“参照样”"
    );
}

#[test]
fn places_and_lines_of_files_stay() {
    let problem = "lots/L1/log.csv:3:7: there is no parameter \"wither.hors\"\n  3 | e1,wither.hors\n    \
                   |    ^^^^^^^^^^^\n  expected: the id of a parameter of parameters.toml\n  to mend:  did \
                   you mean \"wither.hours\"? Otherwise add it to parameters.toml\n\n1 mistake to mend";
    let told = text(ZH, problem);
    assert!(told.starts_with(
        "lots/L1/log.csv:3:7: 没有参数“wither.hors”\n  3 | e1,wither.hors\n    |    ^^^"
    ));
    assert!(
        told.contains("如何改正：是否指“wither.hours”？否则请把它加入 parameters.toml"),
        "{told}"
    );
    assert!(told.ends_with("有 1 处待改正"), "{told}");
    assert!(is_quoted("3 | a: b") && !is_quoted("3 lots"));
}

/// What nobody foresaw is told as it is, and said to be English where the page is not.
#[test]
fn what_the_table_does_not_have_is_marked() {
    let odd = "the kettle sings; say so with --note";
    assert_eq!(text(ZH, odd), "the kettle sings; say so with “备注”");
    assert_eq!(text(EN, odd), "the kettle sings; say so with “Note”");
    let shown = super::markup(ZH, odd).into_string();
    assert!(shown.starts_with("<span lang=\"en\">the kettle"), "{shown}");
    assert!(!super::markup(EN, odd).into_string().contains("lang="));
    assert!(!super::markup(ZH, "场次 a b 已安排。").into_string().contains("lang="));
}

/// What a file or a form holds may be long, and may look like a line of the table in a line of the table.
#[test]
fn what_goes_on_and_on_is_told_all_the_same() {
    for odd in [", expected x", "; a", ": b", ".", " and c", "? Otherwise did you mean \"x\""] {
        for n in [5, 500, 50_000] {
            let long = format!("not TOML: {}", odd.repeat(n));
            assert!(text(ZH, &long).contains("TOML"));
            assert!(text(EN, &long).contains("TOML"));
        }
    }
}

#[test]
fn lists_of_names_and_the_last_of_several_warnings_are_told() {
    let gap = "T24-01, T24-04 and T25-16: not tasted for more than a year. What the tea did meanwhile \
               cannot be made up for; the tasting counts for the age that it has now.";
    assert!(
        text(ZH, gap).starts_with("T24-01、T24-04、T25-16：一年多没有审评。"),
        "{}",
        text(ZH, gap)
    );
    let last = "L1: moisture of 8.6 % (wet basis, 2026-11-26) is not below 8 %: not fit to be kept until \
                it is dried again and measured again.";
    told_in_chinese(last);
    assert!(text(ZH, last).ends_with("否则不宜存放。"), "{}", text(ZH, last));
    told_in_chinese(
        "Left out: T25-11: it is not served: in quarantine since 2026-02-08 (musty; damp).",
    );
}
