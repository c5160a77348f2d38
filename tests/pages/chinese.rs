//! One Chinese word for one thing: what the table in DEVELOPERS.md forbids stands nowhere in the sources.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

/// A line of the table: the words of a thing, and those that are not said for it.
struct Thing {
    words: Vec<String>,
    not: Vec<String>,
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn is_han(c: char) -> bool {
    ('\u{4e00}'..='\u{9fff}').contains(&c)
}

fn glossary() -> Vec<Thing> {
    let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let (_, section) = text.split_once("## Chinese words").unwrap();
    let section = section.split("\n## ").next().unwrap();
    let split = |cell: &str| -> Vec<String> {
        cell.split_whitespace().map(str::to_owned).filter(|w| w.chars().any(is_han)).collect()
    };
    let rows = section.lines().filter(|l| l.starts_with("| ")).skip(1);
    rows.map(|row| {
        let cells: Vec<&str> = row.split('|').collect();
        assert_eq!(cells.len(), 6, "thing, word, not, source: {row}");
        Thing { words: split(cells[2]), not: split(cells[3]) }
    })
    .collect()
}

/// Every file of the sources that may hold words: code, tables, scripts, what a new book begins with.
fn sources(folder: &Path, all: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let kind = path.extension().and_then(|e| e.to_str()).unwrap_or_default().to_owned();
        if path.is_dir() {
            sources(&path, all);
        } else if ["rs", "txt", "toml", "js", "typ"].contains(&kind.as_str()) {
            all.push(path);
        }
    }
}

/// The words of a line that the glossary forbids. A word of the glossary may hold a forbidden one: it is
/// taken out first, the longest before the others.
fn forbidden<'g>(line: &str, glossary: &'g [Thing]) -> Vec<&'g str> {
    let mut right: Vec<&str> = glossary.iter().flat_map(|t| &t.words).map(String::as_str).collect();
    right.sort_by_key(|w| std::cmp::Reverse(w.len()));
    let holds = |word: &&str| line.contains(*word);
    let found: Vec<&str> =
        glossary.iter().flat_map(|t| &t.not).map(String::as_str).filter(holds).collect();
    let wider = |word: &str| {
        let around = right.iter().filter(|r| r.len() > word.len() && r.contains(word));
        around.fold(line.to_owned(), |rest, r| rest.replace(r, "\n")).contains(word)
    };
    found.into_iter().filter(|word| wider(word)).collect()
}

/// Half-width signs that stand at a Chinese word.
fn half_width(line: &str) -> Option<String> {
    let signs: Vec<char> = line.chars().collect();
    let at = signs.windows(2).find(|w| {
        let after = is_han(w[0]) && ",;:?!".contains(w[1]);
        let before = ",;:?!".contains(w[0]) && is_han(w[1]);
        after || before
    })?;
    Some(at.iter().collect())
}

#[test]
fn each_thing_has_one_chinese_word_in_all_sources() {
    let glossary = glossary();
    assert!(glossary.len() > 25, "the table of words was not read");
    let mut files = Vec::new();
    sources(&root().join("src"), &mut files);
    let mut wrong = Vec::new();
    let mut n_lines = 0;
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        let name = path.strip_prefix(root()).unwrap().display().to_string();
        for (i, line) in text.lines().enumerate().filter(|(_, l)| l.chars().any(is_han)) {
            n_lines += 1;
            let at = i + 1;
            wrong.extend(forbidden(line, &glossary).iter().map(|w| format!("{name}:{at}: {w}")));
            // What a starter book says of its sources is for who reads the file.
            if !line.starts_with("source = ") {
                wrong.extend(half_width(line).map(|s| format!("{name}:{at}: {s}")));
            }
        }
    }
    assert!(n_lines > 2500, "{n_lines} lines with Chinese words were read");
    assert!(wrong.is_empty(), "see “Chinese words” in DEVELOPERS.md:\n{}", wrong.join("\n"));
}

#[test]
fn a_forbidden_word_is_seen_and_a_right_one_that_holds_it_is_not() {
    let glossary = glossary();
    assert_eq!(forbidden("3 位评茶员，2 张评茶单", &glossary), Vec::<&str>::new());
    assert_eq!(forbidden("评茶员正在评茶", &glossary), ["评茶"]);
    assert_eq!(forbidden("此册簿的术语", &glossary), ["术语", "簿"]);
    assert_eq!(half_width("应为:数字").as_deref(), Some("为:"));
    assert_eq!(half_width("应为：数字 12, 13"), None);
}

#[test]
fn no_word_is_right_for_one_thing_and_forbidden_for_another() {
    let glossary = glossary();
    for word in glossary.iter().flat_map(|t| &t.words) {
        assert!(glossary.iter().all(|t| !t.not.contains(word)), "{word}");
    }
}
