//! A sample then and now: one row a term, its first and its last tasting joined, the change at the
//! right.

use super::axis::{Axis, check_estimate, check_range};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK, RULE};
use super::words;
use super::{Basis, Estimate, Lang, Paper, PlotError};

/// One term of a sample.
#[derive(Debug, Clone, PartialEq)]
pub struct ThenNowRow {
    /// Label of the term.
    pub label: String,
    /// The level at the first tasting.
    pub first: Option<Estimate>,
    /// The level at the last tasting.
    pub last: Option<Estimate>,
    /// The change, with its own interval.
    pub change: Option<Estimate>,
    /// What is said of the change, such as `less`; empty if it is not shown among all asked.
    pub word: String,
}

/// Terms of one sample on one scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ThenNowPanel {
    /// Name of the sample with its two ages.
    pub label: String,
    /// Names of the low and the high end of the scale.
    pub ends: (String, String),
    /// Ends of the axis.
    pub range: (f64, f64),
    /// The terms, from the top.
    pub rows: Vec<ThenNowRow>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct ThenNow {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// Title.
    pub title: String,
    /// A line below the title; may be empty.
    pub subtitle: String,
    /// What the numbers rest on.
    pub basis: Basis,
    /// The samples.
    pub panels: Vec<ThenNowPanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 820.0;
const PITCH: f64 = 27.0;
const PX: f64 = 12.5;

/// Draws a sample then and now.
///
/// # Errors
/// [`PlotError::Empty`] without panels or rows; [`PlotError::BadNumber`] for a number that is not
/// finite or an interval that does not hold its value; [`PlotError::MissingGlyphs`].
pub fn then_now(chart: &ThenNow) -> Result<String, PlotError> {
    check(chart)?;
    let rows = || chart.panels.iter().flat_map(|p| &p.rows);
    let longest = rows().map(|r| text_width(&r.label, PX)).fold(0.0, f64::max);
    let said = rows().map(|r| text_width(&said(chart.lang, r), PX)).fold(0.0, f64::max);
    let label_width = longest.min(WIDTH * 0.24);
    let said_width = said.min(WIDTH * 0.34);
    let names = Names::new(rows().map(|r| r.label.as_str()), PX, label_width);
    let mut canvas = Canvas::new(
        chart.lang,
        (Paper::Wide, WIDTH),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
            ("subtitle", words::then_now_read(chart.lang).to_owned()),
        ],
    );
    for panel in &chart.panels {
        let top = canvas.y;
        let axis = Axis {
            range: panel.range,
            left: MARGIN + label_width + 14.0,
            right: WIDTH - MARGIN - said_width - 18.0,
        };
        let place = format!("label of {}", panel.label);
        let room = axis.right - MARGIN;
        canvas.text(&place, &panel.label, (MARGIN, top + 13.0), 14.5, Anchor::Start, INK, room);
        canvas.describe(&format!("{}:", panel.label));
        let at = (axis.right + 14.0, top + 13.0);
        let head = words::change(chart.lang);
        canvas.text("chart", head, at, 12.0, Anchor::Start, PALE_INK, said_width + 10.0);
        let first = top + 28.0;
        let bottom = first + PITCH * panel.rows.len() as f64;
        let ends = (panel.ends.0.as_str(), panel.ends.1.as_str());
        axis.draw(&mut canvas, first, bottom, ends, "scale of the terms");
        for (i, row) in panel.rows.iter().enumerate() {
            let y = first + (i as f64 + 0.5) * PITCH;
            draw_row(&mut canvas, chart.lang, &axis, row, y, (&names, said_width));
        }
        canvas.y = bottom + 46.0;
    }
    let mut notes = chart.footnotes.clone();
    notes.extend(names.key_note(chart.lang));
    canvas.notes(notes);
    canvas.finish()
}

fn check(chart: &ThenNow) -> Result<(), PlotError> {
    let empty = |expected| PlotError::Empty { chart: chart.title.clone(), expected };
    if chart.panels.is_empty() {
        return Err(empty("sample that was tasted twice"));
    }
    for panel in &chart.panels {
        if panel.rows.is_empty() {
            return Err(empty("term for each sample"));
        }
        check_range(&panel.label, panel.range)?;
        for row in &panel.rows {
            for e in [row.first, row.last, row.change].into_iter().flatten() {
                check_estimate(&format!("{}, term {}", panel.label, row.label), &e)?;
            }
        }
    }
    Ok(())
}

fn draw_row(
    canvas: &mut Canvas,
    lang: Lang,
    axis: &Axis,
    row: &ThenNowRow,
    y: f64,
    (names, room): (&Names, f64),
) {
    canvas.check(&format!("label of the term {}", row.label), &row.label);
    canvas.push_text(names.shown(&row.label), (MARGIN, y), PX, Anchor::Start, INK);
    canvas.line((axis.left, y + PITCH / 2.0), (axis.right, y + PITCH / 2.0), 0.7, HAIRLINE);
    // The first above, the last below: their intervals nearly always overlap.
    let (above, below) = (y - 5.5, y + 5.5);
    let inside = |e: &Estimate| e.value >= axis.range.0 && e.value <= axis.range.1;
    if let (Some(a), Some(b)) = (row.first.filter(inside), row.last.filter(inside)) {
        canvas.line((axis.x(a.value), above), (axis.x(b.value), below), 1.4, RULE);
    }
    if let Some(first) = &row.first {
        axis.estimate(canvas, above, first, Marker::Ring, INK);
    }
    match &row.last {
        Some(last) => axis.estimate(canvas, below, last, Marker::Disc, LEAF),
        None => {
            let at = (axis.left + 4.0, below);
            let text = words::no_estimate(lang);
            canvas.text("chart", text, at, 11.5, Anchor::Start, PALE_INK, 200.0);
        }
    }
    let text = said(lang, row);
    let colour = if row.word.is_empty() { PALE_INK } else { INK };
    let place = format!("change of the term {}", row.label);
    canvas.text(&place, &text, (axis.right + 14.0, y), PX, Anchor::Start, colour, room + 6.0);
    canvas.describe(&format!("{} {text};", row.label));
}

/// The change in words and numbers.
fn said(lang: Lang, row: &ThenNowRow) -> String {
    let Some(c) = &row.change else { return words::no_estimate(lang).to_owned() };
    // Two decimals always: the numbers stand below each other.
    let signed = |x: f64| {
        let text = format!("{x:.2}").replace('-', "−");
        match text.as_str() {
            "0.00" | "−0.00" => "0.00".to_owned(),
            _ if x > 0.0 => format!("+{text}"),
            _ => text,
        }
    };
    let (value, lower, upper) = (signed(c.value), signed(c.lower), signed(c.upper));
    let gap = if row.word.is_empty() { "" } else { " " };
    match lang {
        Lang::En => format!("{}{gap}{value} ({lower} to {upper})", row.word),
        Lang::Zh => format!("{}{gap}{value}（{lower} 至 {upper}）", row.word),
    }
}
