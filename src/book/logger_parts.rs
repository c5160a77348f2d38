//! A logger file cut into parts that are read side by side.

use rayon::prelude::*;

/// So many bytes are read side by side with others at least.
const PART: usize = 1 << 18;

/// Whole lines of a file, how many they are, and how many stand before them.
pub(super) struct Part<'a> {
    pub body: &'a str,
    pub lines: usize,
    pub before: usize,
}

/// The parts of a text in which a cell is what stands between two delimiters and a line ends at its
/// line end, without any quote; none of another text.
pub(super) fn plain_parts(body: &str) -> Option<Vec<Part<'_>>> {
    let n = (body.len() / PART).clamp(1, 4 * rayon::current_num_threads());
    let mut cuts: Vec<usize> = (0..n).map(|k| k * (body.len() / n)).collect();
    for cut in &mut cuts[1..] {
        let ahead = &body.as_bytes()[*cut..];
        *cut += ahead.iter().position(|b| *b == b'\n').map_or(ahead.len(), |at| at + 1);
    }
    cuts.push(body.len());
    cuts.dedup();
    let texts: Vec<&str> = match cuts.windows(2).map(|c| &body[c[0]..c[1]]).collect::<Vec<_>>() {
        none if none.is_empty() => vec![body],
        texts => texts,
    };
    let lines: Option<Vec<usize>> = texts.par_iter().map(|text| plain_lines(text)).collect();
    let parts = texts.into_iter().zip(lines?).scan(0, |before, (body, lines)| {
        let part = Part { body, lines, before: *before };
        *before += lines;
        Some(part)
    });
    Some(parts.collect())
}

/// How many line ends a plain text has.
fn plain_lines(text: &str) -> Option<usize> {
    let bytes = text.as_bytes();
    let (mut lines, mut plain, mut before) = (0, true, b'\n');
    for &b in bytes {
        plain &= b != b'"' && (before != b'\r' || b == b'\n');
        lines += usize::from(b == b'\n');
        before = b;
    }
    (plain && before != b'\r').then_some(lines)
}
