//! What is told when something is refused or warned of, in the words of the desk and in its reader's language.
//!
//! The library speaks to whoever gives commands: it names flags, in English. Whoever reads a page has forms,
//! perhaps in Chinese. All that the library says passes here, a line at a time, on its way onto a page or into
//! an answer to a script; what the table does not have stays in English and is marked so.

mod names;
mod table;

use std::sync::LazyLock;

use maud::{Markup, html};

pub use self::names::{Names, has as has_name};
use self::table::Table;
use crate::book::fitness::{SAFETY, SAFETY_ZH};
use crate::desk::say::Say;
use crate::plots::Lang;
use crate::views::holes::filled;

static TABLE: LazyLock<Table> = LazyLock::new(|| Table::read().unwrap_or_default());

/// A line as it is told.
struct Line {
    text: String,
    /// Whether it is in the reader's language.
    known: bool,
}

/// What was refused or is warned of, as its reader understands it.
#[must_use]
pub fn text(say: Say, told: &str) -> String {
    let lines: Vec<String> = lines(say, told).into_iter().map(|l| l.text).collect();
    lines.join("\n")
}

/// The same for a page: what is not in the page's language says so, for who has it read aloud.
#[must_use]
pub fn markup(say: Say, told: &str) -> Markup {
    markup_naming(say, told, &Names::default())
}

/// As [`text`], with things called by their names.
#[must_use]
pub fn text_naming(say: Say, told: &str, names: &Names) -> String {
    let lines = lines(say, told).into_iter().map(|l| names.put(&l.text));
    lines.collect::<Vec<_>>().join("\n")
}

/// As [`markup`], with things called by their names.
#[must_use]
pub fn markup_naming(say: Say, told: &str, names: &Names) -> Markup {
    let mut lines = lines(say, told);
    lines.iter_mut().for_each(|l| l.text = names.put(&l.text));
    html! {
        @for (i, line) in lines.iter().enumerate() {
            @if i > 0 { "\n" }
            @if line.known { (line.text) } @else { span lang="en" { (line.text) } }
        }
    }
}

fn lines(say: Say, told: &str) -> Vec<Line> {
    let told = told.trim_end_matches('\n').replace(SAFETY, say.of(SAFETY, SAFETY_ZH));
    told.split('\n').map(|l| line(say, l)).collect()
}

/// A line of a refusal: its head, what was expected, how to mend it, or the line of a file with its mark.
fn line(say: Say, whole: &str) -> Line {
    let body = whole.trim_start();
    let indent = &whole[..whole.len() - body.len()];
    if body.is_empty() || is_quoted(body) {
        return Line { text: whole.to_owned(), known: true };
    }
    for (mark, zh) in
        [("expected: ", "应为："), ("to mend:  ", "如何改正："), ("to mend: ", "如何改正：")]
    {
        if let Some(rest) = body.strip_prefix(mark) {
            let rest = message(say, rest);
            let mark = say.of(mark, zh);
            return Line { text: format!("{indent}{mark}{}", rest.text), known: rest.known };
        }
    }
    let told = message(say, body);
    Line { text: format!("{indent}{}", told.text), known: told.known }
}

/// Whether this is a line of a file, or the mark below it.
fn is_quoted(body: &str) -> bool {
    body.trim_start_matches(|c: char| c.is_ascii_digit()).trim_start().starts_with("| ")
}

/// A line is looked up no further than this: nothing of the library is as long, but what it quotes may be.
const LONGEST: usize = 8000;
/// So deep do texts of the table stand in holes of others.
const DEEPEST: u8 = 5;

/// One message, perhaps with a place or a sample and a colon before it.
fn message(say: Say, text: &str) -> Line {
    message_in(say, text, DEEPEST)
}

fn message_in(say: Say, text: &str, deep: u8) -> Line {
    if text.len() <= LONGEST && deep > 0 {
        let stop = text.strip_suffix('.').map(|text| (text, say.of(".", "。")));
        // The last of several warnings has a full stop.
        for (text, stop) in [Some((text, "")), stop].into_iter().flatten() {
            if let Some(text) = known_behind_a_place(say, text, deep) {
                return Line { text: text + stop, known: true };
            }
        }
    }
    Line { text: with_fields(say, text), known: say.0 == Lang::En || is_chinese(text) }
}

fn known_behind_a_place(say: Say, text: &str, deep: u8) -> Option<String> {
    known(say, text, deep).or_else(|| {
        text.match_indices(": ").take(4).find_map(|(at, colon)| {
            let (before, rest) = (&text[..at], &text[at + colon.len()..]);
            let names = !before.contains(' ') || before.contains('/');
            let told = names.then(|| known(say, rest, deep)).flatten()?;
            Some(format!("{before}: {told}"))
        })
    })
}

/// A text of the table; none if it is not there.
fn known(say: Say, text: &str, deep: u8) -> Option<String> {
    let (entry, held) = TABLE.find(text)?;
    let holes = entry.pattern.signs.iter().zip(held).map(|(sign, held)| match *sign {
        "*" => each(say, held, deep - 1),
        _ => held.to_owned(),
    });
    let as_told = say.of(entry.form.unwrap_or(entry.line), entry.zh);
    Some(filled(as_told, &holes.collect::<Vec<_>>()))
}

/// What stands in a hole that the table fills: a text of it, or several with semicolons between; names
/// stay as they are.
fn each(say: Say, held: &str, deep: u8) -> String {
    if let (Lang::Zh, Some(names)) = (say.0, names(held)) {
        return names.join("、");
    }
    let parts: Vec<&str> = held.split("; ").collect();
    let told = several(say, &parts, deep)
        .unwrap_or_else(|| parts.iter().map(|part| message_in(say, part, deep).text).collect());
    told.join(say.of("; ", "；"))
}

/// The names of a list, `a, b and c`; none if it is one of something else.
fn names(held: &str) -> Option<Vec<&str>> {
    let (before, last) = held.rsplit_once(" and ")?;
    let all: Vec<&str> = before.split(", ").chain([last]).collect();
    all.iter().all(|name| !name.contains(' ')).then_some(all)
}

/// Texts of the table that stand one after the other: as many as can be told apart, for a text may have a
/// semicolon of its own.
fn several(say: Say, parts: &[&str], deep: u8) -> Option<Vec<String>> {
    // More than anything has; the ways to part them double with each.
    const MOST: usize = 6;
    if parts.is_empty() {
        return Some(Vec::new());
    }
    if parts.len() > MOST {
        return None;
    }
    (1..=parts.len()).find_map(|n| {
        let told = message_in(say, &parts[..n].join("; "), deep);
        let mut all = told.known.then(|| vec![told.text])?;
        all.extend(several(say, &parts[n..], deep)?);
        Some(all)
    })
}

/// Whether a text is of our own pages, which are in the reader's language already.
fn is_chinese(text: &str) -> bool {
    let han = text.chars().filter(|c| ('\u{4e00}'..='\u{9fff}').contains(c)).count();
    han > text.split_whitespace().filter(|w| w.chars().all(|c| c.is_ascii_lowercase())).count()
}

/// The fields by which commands call what a form asks; their errors name them so.
const FLAGS: [(&str, &str, &str); 16] = [
    ("--reason", "Reason", "理由"),
    ("--replaces", "a correction", "更正"),
    ("--by", "Who writes", "记录人"),
    ("--on", "When", "时间"),
    ("--at", "When", "时间"),
    ("--made", "Made on", "制成日期"),
    ("--class", "Class of tea", "茶类"),
    ("--arm", "Arm", "存放组"),
    ("--from", "What goes in", "投入批次"),
    ("--into", "Lots of their own", "独立批次"),
    ("--kg", "Kilograms", "公斤"),
    ("--place", "Place", "存放处"),
    ("--pack", "Pack", "包装"),
    ("--temperature", "Temperature", "温度"),
    ("--humidity", "Humidity", "湿度"),
    ("--note", "Note", "备注"),
];

/// A text with the names of a form's fields in place of their flags.
fn with_fields(say: Say, text: &str) -> String {
    FLAGS.iter().fold(text.to_owned(), |text, (flag, en, zh)| {
        let named = say.of(format!("“{en}”"), format!("“{zh}”"));
        let mut out = String::with_capacity(text.len());
        let mut rest = text.as_str();
        while let Some(at) = rest.find(flag) {
            let behind = &rest[at + flag.len()..];
            out.push_str(&rest[..at]);
            // --arm is not the beginning of another flag.
            let whole = !behind.starts_with(|c: char| c.is_ascii_alphanumeric() || c == '-');
            out.push_str(if whole { &named } else { flag });
            rest = behind;
        }
        out.push_str(rest);
        out
    })
}

/// The flags that a text names, without their dashes, each once.
#[must_use]
pub fn flags(text: &str) -> Vec<&'static str> {
    let of = |flag: &&(&'static str, &str, &str)| names::has(text, flag.0);
    FLAGS.iter().filter(of).map(|(flag, ..)| flag.trim_start_matches('-')).collect()
}

/// The label of a field that errors of the commands name by a flag.
#[must_use]
pub fn field(flag: &str, say: Say) -> &'static str {
    FLAGS.iter().find(|(f, ..)| *f == flag).map_or("", |(_, en, zh)| say.of(*en, *zh))
}

#[cfg(test)]
mod tests;
