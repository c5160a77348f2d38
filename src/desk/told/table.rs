//! The table of what is told: lines with holes, in the words of the commands, of the forms, and in Chinese.
//!
//! A file of the table has a line of the library as its source writes it, with a hole where the source
//! puts something in; below it, after `=`, the same in the words of the desk's forms if they are others, and
//! after `>` in Chinese. Holes: `{}` anything; `{*}` words that stand in the table themselves; `{#}` a number;
//! `{w}` one word. What a hole holds is put in their order, or by number (`{2}`).

use crate::views::holes::Pattern;

/// The files of the table, a room each.
const FILES: [(&str, &str); 5] = [
    ("book.txt", include_str!("book.txt")),
    ("making.txt", include_str!("making.txt")),
    ("session.txt", include_str!("session.txt")),
    ("results.txt", include_str!("results.txt")),
    ("desk.txt", include_str!("desk.txt")),
];

/// A line of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub pattern: Pattern<'static>,
    /// As the library writes it, with its holes.
    pub line: &'static str,
    /// In the words of the forms, if these are others.
    pub form: Option<&'static str>,
    /// In Chinese.
    pub zh: &'static str,
}

impl Entry {
    /// What stands in the holes, if a text is this line.
    pub(super) fn found<'t>(&self, text: &'t str) -> Option<Vec<&'t str>> {
        self.pattern.found(text, |_, sign, held| match sign {
            "#" => {
                !held.is_empty() && held.chars().all(|c| c.is_ascii_digit() || ".,-".contains(c))
            }
            "w" => !held.is_empty() && !held.contains(char::is_whitespace),
            _ => true,
        })
    }
}

/// The table, the longest lines first.
#[derive(Debug, Default)]
pub(super) struct Table {
    pub entries: Vec<Entry>,
}

impl Table {
    /// Reads the files; a line without its Chinese is an error that says where.
    pub(super) fn read() -> Result<Self, String> {
        let mut entries = Vec::new();
        for (name, text) in FILES {
            let mut open: Option<(usize, &'static str, Option<&'static str>)> = None;
            for (i, line) in text.lines().enumerate() {
                let number = i + 1;
                if line.trim().is_empty() || line.starts_with("# ") {
                    continue;
                }
                match (open.take(), line.strip_prefix("= "), line.strip_prefix("> ")) {
                    (Some((_, own, form)), None, Some(zh)) => {
                        let pattern = Pattern::of(own);
                        entries.push(Entry { pattern, line: own, form, zh });
                    }
                    (Some((at, own, None)), Some(form), None) => open = Some((at, own, Some(form))),
                    (None, None, None) => open = Some((number, line, None)),
                    _ => return Err(format!("{name}:{number}: not where it belongs: {line}")),
                }
            }
            if let Some((at, line, _)) = open {
                return Err(format!("{name}:{at}: without its Chinese: {line}"));
            }
        }
        entries.sort_by_key(|e| std::cmp::Reverse(e.pattern.weight()));
        Ok(Self { entries })
    }

    /// The line that a text is, with what stands in its holes.
    pub(super) fn find<'t>(&self, text: &'t str) -> Option<(&Entry, Vec<&'t str>)> {
        self.entries.iter().find_map(|e| e.found(text).map(|held| (e, held)))
    }
}
