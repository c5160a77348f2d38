//! All effects at a glance: a row a term, a column a parameter, each cell a sign with its number.

use super::axis::check_estimate;
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::{self, text_width};
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, Paper, PlotError};

/// One effect.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// The effect over the range made, in points; none if there is none.
    pub estimate: Option<Estimate>,
    /// Whether it stands out among all that were asked.
    pub shown: bool,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Matrix {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// Title.
    pub title: String,
    /// A line below the title; may be empty.
    pub subtitle: String,
    /// What the numbers rest on.
    pub basis: Basis,
    /// Names of the parameters with the range over which the effect is, in reading order.
    pub columns: Vec<(String, String)>,
    /// Names of the terms with their cells, one a column.
    pub rows: Vec<(String, Vec<Cell>)>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const NAME_PX: f64 = 12.5;
const HEAD_PX: f64 = 11.5;
const SMALL_PX: f64 = 11.0;
const ROW: f64 = 40.0;
/// Narrower a cell does not hold its interval.
const NARROWEST: f64 = 96.0;

/// Draws effects as triangles that point up or down, filled where they stand out, with their numbers.
///
/// # Errors
/// [`PlotError::Empty`] without rows or columns; [`PlotError::BadNumber`] for a row that does not fit the columns, a
/// number that is not finite or an interval that does not hold its value; [`PlotError::MissingGlyphs`].
pub fn matrix(chart: &Matrix) -> Result<String, PlotError> {
    if chart.rows.is_empty() || chart.columns.is_empty() {
        return Err(PlotError::Empty { chart: chart.title.clone(), expected: "effect" });
    }
    for (name, cells) in &chart.rows {
        if cells.len() != chart.columns.len() {
            return Err(PlotError::BadNumber {
                place: format!("{}, {name}", chart.title),
                found: format!("{} cells", cells.len()),
                expected: "one cell a column",
            });
        }
        for (cell, (column, _)) in cells.iter().zip(&chart.columns) {
            if let Some(e) = &cell.estimate {
                check_estimate(&format!("{name}, {column}"), e)?;
            }
        }
    }
    let n = chart.columns.len() as f64;
    let widest = chart.rows.iter().map(|r| text_width(&r.0, NAME_PX)).fold(0.0, f64::max);
    let label = widest.min(220.0) + 14.0;
    let cell = ((1000.0 - 2.0 * MARGIN - label) / n).clamp(NARROWEST, 170.0);
    let width = (2.0 * MARGIN + label + cell * n).max(620.0);
    let names = Names::new(chart.rows.iter().map(|r| r.0.as_str()), NAME_PX, label - 14.0);
    let mut canvas = Canvas::new(
        chart.lang,
        (Paper::Wide, width),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::below(chart.lang, &chart.basis)),
        ],
    );
    let left = MARGIN + label;
    let x = |j: usize| left + j as f64 * cell;
    let heads: Vec<(Vec<String>, Vec<String>)> = chart
        .columns
        .iter()
        .map(|(name, range)| {
            (font::wrap(name, HEAD_PX, cell - 10.0), font::wrap(range, SMALL_PX, cell - 10.0))
        })
        .collect();
    let lines = |h: &(Vec<String>, Vec<String>)| 15.0 * (h.0.len() + h.1.len()) as f64;
    let tallest = heads.iter().map(lines).fold(0.0, f64::max);
    let top = canvas.y + tallest + 12.0;
    for (j, (head, (name, range))) in heads.iter().zip(&chart.columns).enumerate() {
        canvas.check("name of a parameter", name);
        canvas.check("range of a parameter", range);
        // Heads stand on the table.
        let mut y = top - 6.0 - lines(head);
        let both = head.0.iter().map(|t| (t, HEAD_PX, INK));
        for (text, px, colour) in both.chain(head.1.iter().map(|t| (t, SMALL_PX, PALE_INK))) {
            canvas.push_text(text, (x(j) + 5.0, y + 7.0), px, Anchor::Start, colour);
            y += 15.0;
        }
    }
    canvas.line((MARGIN, top), (left + cell * n, top), 1.0, INK);
    for (i, (name, cells)) in chart.rows.iter().enumerate() {
        let y = top + i as f64 * ROW;
        canvas.check(&format!("label of the term {name}"), name);
        canvas.push_text(names.shown(name), (MARGIN, y + ROW / 2.0), NAME_PX, Anchor::Start, INK);
        canvas.line((MARGIN, y + ROW), (left + cell * n, y + ROW), 0.7, HAIRLINE);
        canvas.describe(&format!("{name}:"));
        for (j, (c, (column, _))) in cells.iter().zip(&chart.columns).enumerate() {
            draw(&mut canvas, chart.lang, c, column, (x(j), y, cell));
        }
    }
    canvas.y = top + chart.rows.len() as f64 * ROW + 12.0;
    let mut notes = vec![words::matrix_read(chart.lang).to_owned()];
    notes.extend(chart.footnotes.iter().cloned());
    notes.extend(names.key_note(chart.lang));
    canvas.notes(notes);
    canvas.finish()
}

fn draw(canvas: &mut Canvas, lang: Lang, cell: &Cell, column: &str, (x, y, wide): (f64, f64, f64)) {
    let Some(e) = &cell.estimate else {
        let at = (x + 24.0, y + ROW / 2.0);
        canvas.push_text("–", at, NAME_PX, Anchor::Start, PALE_INK);
        canvas.describe(&format!("{column} {};", words::no_estimate(lang)));
        return;
    };
    let sign = if e.value > 0.0 { "+" } else { "" };
    let value = format!("{sign}{}", number(e.value));
    let between = match lang {
        Lang::En => format!("{} to {}", number(e.lower), number(e.upper)),
        Lang::Zh => format!("{} 至 {}", number(e.lower), number(e.upper)),
    };
    let at = (x + 12.0, y + ROW / 2.0);
    if cell.shown {
        let way = if e.value > 0.0 { Marker::TriangleUp } else { Marker::TriangleDown };
        canvas.marker(at, 7.0, way, LEAF);
    } else {
        canvas.marker(at, 2.2, Marker::Disc, PALE_INK);
    }
    let ink = if cell.shown { INK } else { PALE_INK };
    canvas.push_text(&value, (x + 24.0, y + 13.0), NAME_PX, Anchor::Start, ink);
    let shown = font::fit(&between, SMALL_PX, wide - 28.0);
    canvas.push_text(&shown, (x + 24.0, y + 28.0), SMALL_PX, Anchor::Start, PALE_INK);
    let out = if cell.shown { format!(" {}", words::stands_out(lang)) } else { String::new() };
    canvas.describe(&format!("{column} {value} ({between}){out};"));
}
