//! Tables and paragraphs of at most 100 columns, aligned by the width of what is shown.

use unicode_width::UnicodeWidthStr;

use crate::findings::term_comparison::LevelNumbers;
use crate::findings::{Answer, Estimate};

/// No line is longer.
pub const WIDTH: usize = 100;

/// How a column is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Words.
    Left,
    /// Numbers.
    Right,
    /// Words that go on below themselves if they are long; only as the last column.
    Wrapped,
}

/// A table that grows row by row.
#[derive(Debug)]
pub struct Table {
    sides: Vec<Side>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with its header line.
    #[must_use]
    pub fn new(columns: &[(&str, Side)]) -> Self {
        Self {
            sides: columns.iter().map(|c| c.1).collect(),
            rows: vec![columns.iter().map(|c| c.0.to_owned()).collect()],
        }
    }

    /// Adds a row.
    pub fn row(&mut self, cells: Vec<String>) {
        self.rows.push(cells);
    }

    /// Whether there is no row below the header.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.len() < 2
    }

    /// The table as text. Columns that do not fit beside the others go on below, behind the
    /// first column once more.
    #[must_use]
    pub fn show(&self) -> String {
        let widths: Vec<usize> = (0..self.sides.len()).map(|j| self.width(j)).collect();
        let first = 2 + widths.first().copied().unwrap_or(0);
        let mut parts: Vec<Vec<usize>> = vec![vec![0]];
        let mut used = first;
        for (j, width) in widths.iter().enumerate().skip(1) {
            // Words that wrap need only some room.
            let needed = 2 + if self.sides[j] == Side::Wrapped { (*width).min(24) } else { *width };
            if used + needed > WIDTH && parts.last().is_some_and(|p| p.len() > 1) {
                parts.push(vec![0]);
                used = first;
            }
            used += needed;
            if let Some(part) = parts.last_mut() {
                part.push(j);
            }
        }
        let shown: Vec<String> = parts.iter().map(|p| self.part(p, &widths)).collect();
        shown.join("\n")
    }

    fn width(&self, j: usize) -> usize {
        const LONGEST_NAME: usize = 28;
        const LONGEST_FIRST: usize = 40;
        let longest = self.rows.iter().map(|r| r[j].width()).max().unwrap_or(0);
        match (self.sides[j], j) {
            (Side::Left, 0) => longest.min(LONGEST_FIRST),
            (Side::Left, _) => longest.min(LONGEST_NAME),
            _ => longest,
        }
    }

    fn part(&self, columns: &[usize], widths: &[usize]) -> String {
        let mut out = String::new();
        for row in &self.rows {
            let mut line = String::from("  ");
            for (place, j) in columns.iter().enumerate() {
                let (cell, width) = (&row[*j], widths[*j]);
                if place > 0 {
                    line.push_str("  ");
                }
                match self.sides[*j] {
                    Side::Left => {
                        let cell = clip(cell, width);
                        line.push_str(&cell);
                        line.push_str(&" ".repeat(width.saturating_sub(cell.width())));
                    }
                    Side::Right => {
                        line.push_str(&" ".repeat(width.saturating_sub(cell.width())));
                        line.push_str(cell);
                    }
                    Side::Wrapped => {
                        let indent = line.width();
                        let room = WIDTH.saturating_sub(indent).max(20);
                        let lines = wrap(cell, room);
                        line.push_str(&lines.join(&format!("\n{}", " ".repeat(indent))));
                    }
                }
            }
            out.push_str(line.trim_end());
            out.push('\n');
        }
        out
    }
}

fn clip(text: &str, width: usize) -> String {
    if text.width() <= width {
        return text.to_owned();
    }
    let mut out = String::new();
    for c in text.chars() {
        out.push(c);
        if out.width() >= width {
            out.pop();
            break;
        }
    }
    out.push('…');
    out
}

/// A text in lines of at most `width` columns, broken at blanks.
#[must_use]
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ') {
        if !line.is_empty() && line.width() + 1 + word.width() > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

/// A paragraph, its second and further lines indented.
#[must_use]
pub fn paragraph(text: &str, first: &str, further: &str) -> String {
    let lines = wrap(text, WIDTH - first.width().max(further.width()));
    let mut out = String::new();
    for (i, line) in lines.iter().enumerate() {
        out.push_str(if i == 0 { first } else { further });
        out.push_str(line);
        out.push('\n');
    }
    out
}

/// A heading with an empty line before it.
#[must_use]
pub fn heading(text: &str) -> String {
    format!("\n{text}\n")
}

/// A number with a fixed count of decimals, without minus zero.
#[must_use]
pub fn number(x: f64, decimals: usize) -> String {
    let text = format!("{x:.decimals$}");
    if text.chars().all(|c| matches!(c, '-' | '0' | '.')) { text.replace('-', "") } else { text }
}

/// A p-value.
#[must_use]
pub fn p_value(p: f64) -> String {
    if p < 0.001 { "<0.001".to_owned() } else { format!("{p:.3}") }
}

/// `1.20 (0.80 to 1.60)`, or a dash if it is not known.
#[must_use]
pub fn estimate(answer: &Answer<Estimate>) -> String {
    answer.known().map_or_else(dash, |e| {
        format!("{} ({} to {})", number(e.value, 2), number(e.lower, 2), number(e.upper, 2))
    })
}

/// What is said below a table in which something was [`cut`].
pub const CUT: &str = "‡ the end of the scale: the model's own figure, in --json, lies beyond it.";

/// A level and its limits, each marked that was cut at an end of its scale.
#[must_use]
pub fn level(l: &LevelNumbers) -> (String, String) {
    let (own, shown) = ([l.value, l.lower, l.upper], l.shown());
    let each = [shown.value, shown.lower, shown.upper];
    let [value, lower, upper] = [0, 1, 2].map(|i| {
        let cut = number(own[i], 2) != number(each[i], 2);
        format!("{}{}", number(each[i], 2), if cut { "‡" } else { "" })
    });
    (value, format!("{lower} to {upper}"))
}

/// The line below a table, where something in it was cut.
#[must_use]
pub fn cut(table: &str) -> String {
    if table.contains('‡') { paragraph(CUT, "  ", "  ") } else { String::new() }
}

/// What stands where nothing is known; the reason stands in the JSON and below the table.
#[must_use]
pub fn dash() -> String {
    "–".to_owned()
}

/// Something known shown by a function, else a dash.
pub fn or_dash<T>(answer: &Answer<T>, show: impl FnOnce(&T) -> String) -> String {
    answer.known().map_or_else(dash, show)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_stand_under_each_other_whatever_the_script() {
        let mut t = Table::new(&[("term", Side::Left), ("F", Side::Right)]);
        t.row(vec!["甜".to_owned(), "3.1".to_owned()]);
        t.row(vec!["sweet".to_owned(), "12.0".to_owned()]);
        assert_eq!(t.show(), "  term      F\n  甜      3.1\n  sweet  12.0\n");
    }

    #[test]
    fn a_table_too_wide_goes_on_below_with_its_first_column() {
        let wide = "x".repeat(60);
        let mut t = Table::new(&[("lot", Side::Left), ("a", Side::Right), ("b", Side::Right)]);
        t.row(vec!["T1".to_owned(), wide.clone(), wide.clone()]);
        let shown = t.show();
        assert!(shown.lines().all(|l| l.width() <= WIDTH), "{shown}");
        assert_eq!(shown.matches("T1").count(), 2);
        assert_eq!(shown.matches(&wide).count(), 2);
    }

    #[test]
    fn no_line_is_longer_than_a_hundred_columns() {
        let long = "word ".repeat(60);
        for line in paragraph(long.trim(), "- ", "  ").lines() {
            assert!(line.width() <= WIDTH);
        }
    }
}
