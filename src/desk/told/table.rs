//! The table of what is told: lines with holes, in the words of the commands, of the forms, and in Chinese.
//!
//! A file of the table has a line of the library as its source writes it, with a hole where the source
//! puts something in; below it, after `=`, the same in the words of the desk's forms if they are others, and
//! after `>` in Chinese. Holes: `{}` anything; `{*}` words that stand in the table themselves; `{#}` a number;
//! `{w}` one word. What a hole holds is put in their order, or by number (`{2}`).

/// The files of the table, a room each.
const FILES: [(&str, &str); 5] = [
    ("book.txt", include_str!("book.txt")),
    ("making.txt", include_str!("making.txt")),
    ("session.txt", include_str!("session.txt")),
    ("results.txt", include_str!("results.txt")),
    ("desk.txt", include_str!("desk.txt")),
];

/// What may stand in a hole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hole {
    Anything,
    Told,
    Number,
    Word,
}

impl Hole {
    fn takes(self, text: &str) -> bool {
        match self {
            Self::Anything | Self::Told => true,
            Self::Number => {
                !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || ".,-".contains(c))
            }
            Self::Word => !text.is_empty() && !text.contains(char::is_whitespace),
        }
    }
}

/// A line of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    /// The texts around the holes, one more than these.
    parts: Vec<&'static str>,
    /// What stands between them.
    pub holes: Vec<Hole>,
    /// As the library writes it, with its holes.
    pub line: &'static str,
    /// In the words of the forms, if these are others.
    pub form: Option<&'static str>,
    /// In Chinese.
    pub zh: &'static str,
}

impl Entry {
    fn new(line: &'static str, form: Option<&'static str>, zh: &'static str) -> Self {
        let (mut parts, mut holes) = (Vec::new(), Vec::new());
        let mut rest = line;
        while let Some((at, hole, len)) = next_hole(rest) {
            parts.push(&rest[..at]);
            holes.push(hole);
            rest = &rest[at + len..];
        }
        parts.push(rest);
        Self { parts, holes, line, form, zh }
    }

    /// How much of the line is the library's own: the line with the most is the one that is meant.
    fn weight(&self) -> usize {
        self.parts.iter().map(|p| p.len()).sum()
    }

    /// What stands in the holes, if a text is this line.
    pub(super) fn found<'t>(&self, text: &'t str) -> Option<Vec<&'t str>> {
        let (first, more) = self.parts.split_first()?;
        let mut rest = text.strip_prefix(first)?;
        let mut found = Vec::with_capacity(self.holes.len());
        for (i, (part, hole)) in more.iter().zip(&self.holes).enumerate() {
            let last = i + 1 == more.len();
            // The last part ends the text, others stand where they are first found.
            let at = if last {
                rest.ends_with(part).then(|| rest.len() - part.len())?
            } else {
                rest.find(part)?
            };
            let held = &rest[..at];
            if !hole.takes(held) {
                return None;
            }
            found.push(held);
            rest = &rest[at + part.len()..];
        }
        rest.is_empty().then_some(found)
    }
}

/// The next hole of a line: where, which, how long.
fn next_hole(line: &str) -> Option<(usize, Hole, usize)> {
    const MARKS: [(&str, Hole); 4] =
        [("{}", Hole::Anything), ("{*}", Hole::Told), ("{#}", Hole::Number), ("{w}", Hole::Word)];
    MARKS
        .iter()
        .filter_map(|(mark, hole)| line.find(mark).map(|at| (at, *hole, mark.len())))
        .min_by_key(|(at, ..)| *at)
}

/// Puts into a text of the table what its holes hold.
pub(super) fn filled(text: &str, held: &[String]) -> String {
    let mut out = String::with_capacity(text.len() + 40);
    let (mut rest, mut next) = (text, 0);
    while let Some(at) = rest.find('{') {
        out.push_str(&rest[..at]);
        let behind = &rest[at + 1..];
        let inside = behind.find('}').map(|end| &behind[..end]);
        let which = match inside {
            Some("" | "*" | "#" | "w") => {
                next += 1;
                Some(next - 1)
            }
            Some(n) => n.parse::<usize>().ok().and_then(|n| n.checked_sub(1)),
            None => None,
        };
        match (which.and_then(|i| held.get(i)), inside) {
            (Some(text), Some(inside)) => {
                out.push_str(text);
                rest = &behind[inside.len() + 1..];
            }
            _ => {
                out.push('{');
                rest = behind;
            }
        }
    }
    out.push_str(rest);
    out
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
                        entries.push(Entry::new(own, form, zh));
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
        entries.sort_by_key(|e| std::cmp::Reverse(e.weight()));
        Ok(Self { entries })
    }

    /// The line that a text is, with what stands in its holes.
    pub(super) fn find<'t>(&self, text: &'t str) -> Option<(&Entry, Vec<&'t str>)> {
        self.entries.iter().find_map(|e| e.found(text).map(|held| (e, held)))
    }
}
