//! How precise effects are and would be: half of each interval, before and with further batches.

use super::axis::Axis;
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK, RULE};
use super::words::{self, number};
use super::{Lang, Paper, PlotError};

/// One factor.
#[derive(Debug, Clone, PartialEq)]
pub struct PrecisionRow {
    /// Its name.
    pub label: String,
    /// Half of its interval before, in points; none where it could not be told.
    pub before: Option<f64>,
    /// And with the batches.
    pub after: Option<f64>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Precision {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// What it is drawn on.
    pub paper: Paper,
    /// Title.
    pub title: String,
    /// What the figures rest on.
    pub basis: String,
    /// The difference that is to be seen, in points.
    pub see: f64,
    /// The factors, in reading order.
    pub rows: Vec<PrecisionRow>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 700.0;
const PX: f64 = 12.5;
const PITCH: f64 = 22.0;

/// Draws how precise each effect is and would be.
///
/// # Errors
/// [`PlotError::Empty`] where no precision is known; [`PlotError::BadNumber`] for a width that is none;
/// [`PlotError::MissingGlyphs`].
pub fn precision(chart: &Precision) -> Result<String, PlotError> {
    let widths = || chart.rows.iter().flat_map(|r| [r.before, r.after]).flatten();
    if widths().next().is_none() {
        return Err(PlotError::Empty {
            chart: chart.title.clone(),
            expected: "factor whose precision is known",
        });
    }
    if let Some(bad) = widths().chain([chart.see]).find(|x| !x.is_finite() || *x < 0.0) {
        return Err(PlotError::BadNumber {
            place: chart.title.clone(),
            found: bad.to_string(),
            expected: "points, not below 0",
        });
    }
    let width = chart.paper.width(WIDTH);
    let read = words::precision_read(chart.lang).to_owned();
    let subtitles = [("subtitle", chart.basis.clone()), ("subtitle", read)];
    let mut canvas = Canvas::new(chart.lang, (chart.paper, width), &chart.title, &subtitles);
    let widest = chart.rows.iter().map(|r| text_width(&r.label, PX)).fold(0.0, f64::max);
    let label = widest.min(width * 0.4);
    let names = Names::new(chart.rows.iter().map(|r| r.label.as_str()), PX, label);
    // What is far less precise than what is to be seen leaves the axis.
    let most = widths().fold(chart.see, f64::max).min(4.0 * chart.see.max(0.25));
    let axis = Axis {
        range: (0.0, 1.08 * most),
        left: MARGIN + label + 14.0,
        right: width - MARGIN - 12.0,
    };
    let first = canvas.y + 12.0;
    let bottom = first + PITCH * chart.rows.len() as f64;
    let ends = ("", words::less_precise(chart.lang));
    axis.draw(&mut canvas, first, bottom, ends, "axis of precision");
    let see = axis.x(chart.see.min(axis.range.1));
    canvas.dashes((see, first - 4.0), (see, bottom), 1.4, RULE);
    for (i, row) in chart.rows.iter().enumerate() {
        let y = first + (i as f64 + 0.5) * PITCH;
        canvas.check("name of a factor", &row.label);
        canvas.push_text(names.shown(&row.label), (MARGIN, y), PX, Anchor::Start, INK);
        canvas.line((axis.left, y), (axis.right, y), 0.7, HAIRLINE);
        draw(&mut canvas, &axis, row, y);
        let said = |x: Option<f64>| x.map_or_else(|| "–".to_owned(), number);
        let (before, after) = (said(row.before), said(row.after));
        canvas.describe(&match chart.lang {
            Lang::En => format!("{}: before {before}, after {after};", row.label),
            Lang::Zh => format!("{}：此前 {before}，之后 {after}；", row.label),
        });
    }
    canvas.y = bottom + 44.0;
    let mut notes = chart.footnotes.clone();
    if chart.rows.iter().any(|r| r.before.is_none() && r.after.is_some()) {
        notes.push(words::no_before(chart.lang).to_owned());
    }
    notes.extend(names.key_note(chart.lang));
    canvas.notes(notes);
    canvas.finish()
}

fn draw(canvas: &mut Canvas, axis: &Axis, row: &PrecisionRow, y: f64) {
    let at = |x: f64| axis.x(x.min(axis.range.1));
    if let (Some(before), Some(after)) = (row.before, row.after) {
        canvas.line((at(before), y), (at(after), y), 1.4, RULE);
    }
    for (width, marker, colour) in
        [(row.before, Marker::Ring, INK), (row.after, Marker::Disc, LEAF)]
    {
        let Some(width) = width else { continue };
        let x = at(width);
        if width > axis.range.1 {
            canvas.polygon(vec![(x + 6.0, y), (x, y - 4.0), (x, y + 4.0)], colour);
        } else {
            canvas.marker((x, y), 4.4, marker, colour);
        }
    }
    if row.before.is_none() && row.after.is_none() {
        canvas.push_text("–", (axis.left + 4.0, y), PX, Anchor::Start, PALE_INK);
    }
}
