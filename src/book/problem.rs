//! What is wrong in a record, where, and how to mend it.

use std::fmt;

use unicode_width::UnicodeWidthStr;

/// A place in a file: lines and columns count from 1, columns in characters.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// How many characters are meant.
    pub width: usize,
    /// The line as it stands in the file.
    pub text: String,
}

impl Place {
    /// The place of a byte range in a text.
    #[must_use]
    pub fn of_span(text: &str, span: std::ops::Range<usize>) -> Self {
        let start = floor_char(text, span.start);
        let end = floor_char(text, span.end.max(start));
        let line_start = text[..start].rfind('\n').map_or(0, |i| i + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |i| start + i);
        let line = text[line_start..line_end].trim_end_matches('\r');
        Self {
            line: text[..start].matches('\n').count() + 1,
            column: text[line_start..start].chars().count() + 1,
            width: text[start..end.min(line_end)].chars().count().max(1),
            text: line.to_owned(),
        }
    }
}

fn floor_char(text: &str, mut at: usize) -> usize {
    at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// One mistake in a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file, relative to the book, with `/` between folders.
    pub file: String,
    /// Where in the file, if a place can be named.
    pub place: Option<Place>,
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

impl Problem {
    /// A mistake at a place of a file.
    pub fn new(
        file: impl Into<String>,
        place: Option<Place>,
        found: impl Into<String>,
        expected: impl Into<String>,
        mend: impl Into<String>,
    ) -> Self {
        Self {
            file: file.into(),
            place,
            found: found.into(),
            expected: expected.into(),
            mend: mend.into(),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.place {
            Some(p) => writeln!(f, "{}:{}:{}: {}", self.file, p.line, p.column, self.found)?,
            None => writeln!(f, "{}: {}", self.file, self.found)?,
        }
        if let Some(p) = &self.place {
            show_line(f, p)?;
        }
        writeln!(f, "  expected: {}", self.expected)?;
        writeln!(f, "  to mend:  {}", self.mend)
    }
}

/// Long lines are shown around the place, so that the mark stays under its text.
fn show_line(f: &mut fmt::Formatter<'_>, p: &Place) -> fmt::Result {
    const BEFORE: usize = 40;
    const AFTER: usize = 50;
    let chars: Vec<char> = p.text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let at = (p.column - 1).min(chars.len());
    let from = at.saturating_sub(BEFORE);
    let to = (at + AFTER).min(chars.len());
    let lead = if from > 0 { "…" } else { "" };
    let tail = if to < chars.len() { "…" } else { "" };
    let before: String = chars[from..at].iter().collect();
    let marked: String = chars[at..(at + p.width).min(to)].iter().collect();
    let shown: String = chars[from..to].iter().collect();
    let number = p.line.to_string();
    writeln!(f, "  {number} | {lead}{shown}{tail}")?;
    let indent = " ".repeat(lead.chars().count() + before.width());
    let mark = "^".repeat(marked.width().max(1));
    writeln!(f, "  {} | {indent}{mark}", " ".repeat(number.len()))
}

/// All mistakes found, in the order of files and lines.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Problems {
    list: Vec<Problem>,
}

impl Problems {
    /// None so far.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one.
    pub fn push(&mut self, problem: Problem) {
        self.list.push(problem);
    }

    /// Adds those of another list.
    pub fn append(&mut self, other: Self) {
        self.list.extend(other.list);
    }

    /// Takes away what the lines of some files say: where a mistake is stays, not what was found there.
    pub fn without_lines_of(&mut self, hidden: impl Fn(&str) -> bool) {
        for problem in self.list.iter_mut().filter(|p| hidden(&p.file)) {
            if let Some(place) = &mut problem.place {
                place.text.clear();
            }
            problem.found =
                "a mistake in this line, which is not shown before the reveal".to_owned();
            problem.expected = "a line as the ballot's table has it".to_owned();
            problem.mend = "let somebody who does not taste run `blindsteep check`".to_owned();
        }
    }

    /// Whether nothing is wrong.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// The mistakes by file, line and column.
    #[must_use]
    pub fn sorted(&self) -> Vec<&Problem> {
        let mut all: Vec<&Problem> = self.list.iter().collect();
        all.sort_by_key(|p| (p.file.clone(), p.place.as_ref().map(|q| (q.line, q.column))));
        all
    }

    /// `Ok` with the value if nothing is wrong, else the mistakes.
    ///
    /// # Errors
    /// The mistakes themselves, if there are any.
    pub fn or<T>(self, value: T) -> Result<T, Self> {
        if self.is_empty() { Ok(value) } else { Err(self) }
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, p) in self.sorted().into_iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{p}")?;
        }
        let n = self.len();
        write!(f, "\n{n} {} to mend", if n == 1 { "mistake" } else { "mistakes" })
    }
}

/// The nearest known word to a misspelt one, if one is near enough to be meant.
#[must_use]
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(&lower, &k.to_lowercase()), k))
        .filter(|(d, k)| *d <= 1 + k.chars().count().max(2) / 4 && *d < k.chars().count())
        .min_by_key(|(d, _)| *d)
        .map(|(_, k)| k)
}

/// "did you mean …?" for a misspelt word, or the given advice where none is near.
#[must_use]
pub fn did_you_mean<'a>(
    word: &str,
    known: impl IntoIterator<Item = &'a str>,
    otherwise: &str,
) -> String {
    nearest(word, known).map_or_else(
        || otherwise.to_owned(),
        |k| format!("did you mean \"{k}\"? Otherwise {otherwise}"),
    )
}
