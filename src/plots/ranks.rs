//! Rankings: rank sums on one axis, with the distance from which on two samples differ.

use super::axis::{Axis, check_range};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK};
use super::words::{self, number};
use super::{Lang, Paper, PlotError};

/// One sample.
#[derive(Debug, Clone, PartialEq)]
pub struct RankRow {
    /// Its name.
    pub label: String,
    /// Its rank sum, or its mean rank; none if it was not ranked.
    pub rank: Option<f64>,
    /// Letters of the groups that could not be told apart.
    pub letters: Option<String>,
}

/// One term with its samples.
#[derive(Debug, Clone, PartialEq)]
pub struct RankPanel {
    /// Label of the term and its session.
    pub label: String,
    /// What the axis is: rank sums, or mean ranks.
    pub axis: String,
    /// Ends of the axis: the rank of the one that always came first, and of the one that always came last.
    pub range: (f64, f64),
    /// Two samples differ from this distance on, among all pairs; none where each pair has its own.
    pub apart: Option<f64>,
    /// The samples, the one with most first.
    pub rows: Vec<RankRow>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranks {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// What it is drawn on.
    pub paper: Paper,
    /// Title.
    pub title: String,
    /// How many tasters ranked how often.
    pub basis: String,
    /// The terms.
    pub panels: Vec<RankPanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 640.0;
const PX: f64 = 12.5;
const PITCH: f64 = 22.0;
/// How much of the leaf's colour the distance has.
const APART: f64 = 0.16;

/// Draws rankings, one panel a term.
///
/// # Errors
/// [`PlotError::Empty`] without a term or a sample; [`PlotError::BadNumber`] for a number that is not finite;
/// [`PlotError::MissingGlyphs`].
pub fn ranks(chart: &Ranks) -> Result<String, PlotError> {
    if chart.panels.is_empty() || chart.panels.iter().any(|p| p.rows.is_empty()) {
        let (chart, expected) = (chart.title.clone(), "sample for each term");
        return Err(PlotError::Empty { chart, expected });
    }
    for panel in &chart.panels {
        check_range(&panel.label, panel.range)?;
        let numbers = panel.rows.iter().filter_map(|r| r.rank).chain(panel.apart);
        if let Some(bad) = numbers.into_iter().find(|x| !x.is_finite()) {
            let (place, found) = (panel.label.clone(), bad.to_string());
            return Err(PlotError::BadNumber { place, found, expected: "a finite number" });
        }
    }
    let width = chart.paper.width(WIDTH);
    let mut subtitles = vec![("subtitle", chart.basis.clone())];
    if chart.panels.iter().any(|p| p.apart.is_some()) {
        subtitles.push(("subtitle", words::ranks_read(chart.lang).to_owned()));
    }
    let mut canvas = Canvas::new(chart.lang, (chart.paper, width), &chart.title, &subtitles);
    let rows = || chart.panels.iter().flat_map(|p| &p.rows);
    let widest = |texts: &mut dyn Iterator<Item = f64>| texts.fold(0.0, f64::max);
    let label = widest(&mut rows().map(|r| text_width(&r.label, PX))).min(width * 0.36);
    let letters = widest(&mut rows().filter_map(|r| r.letters.as_ref()).map(|l| text_width(l, PX)));
    let names = Names::new(rows().map(|r| r.label.as_str()), PX, label);
    for panel in &chart.panels {
        let axis = Axis {
            range: panel.range,
            left: MARGIN + label + 14.0,
            right: width - MARGIN - if letters > 0.0 { letters + 14.0 } else { 8.0 },
        };
        draw(&mut canvas, chart.lang, panel, &axis, &names);
    }
    let mut notes = chart.footnotes.clone();
    if rows().any(|r| r.letters.is_some()) {
        notes.push(words::letters_of_samples(chart.lang).to_owned());
    }
    notes.extend(names.key_note(chart.lang));
    canvas.notes(notes);
    canvas.finish()
}

fn draw(canvas: &mut Canvas, lang: Lang, panel: &RankPanel, axis: &Axis, names: &Names) {
    let top = canvas.y;
    let room = axis.right - MARGIN;
    let at = (MARGIN, top + 13.0);
    canvas.text("label of a term", &panel.label, at, 14.0, Anchor::Start, INK, room);
    let at = (axis.left, top + 32.0);
    let wide = axis.right - axis.left;
    canvas.text("axis of ranks", &panel.axis, at, 11.5, Anchor::Start, PALE_INK, wide);
    canvas.describe(&format!("{}, {}:", panel.label, panel.axis));
    let first = top + 42.0;
    let bottom = first + PITCH * panel.rows.len() as f64;
    // From the first sample as far as two of them may lie apart by luck.
    if let (Some(apart), Some(from)) = (panel.apart, panel.rows.iter().find_map(|r| r.rank)) {
        let (a, b) = (axis.x(from), axis.x((from + apart).min(panel.range.1)));
        canvas.veil(vec![(a, first), (b, first), (b, bottom), (a, bottom)], LEAF, APART);
    }
    let ends = (words::most_of_it(lang), words::least_of_it(lang));
    axis.draw(canvas, first, bottom, ends, "axis of ranks");
    for (i, row) in panel.rows.iter().enumerate() {
        let y = first + (i as f64 + 0.5) * PITCH;
        canvas.check("name of a sample", &row.label);
        canvas.push_text(names.shown(&row.label), (MARGIN, y), PX, Anchor::Start, INK);
        canvas.line((axis.left, y), (axis.right, y), 0.7, HAIRLINE);
        let said = match row.rank {
            Some(rank) => {
                let rank = rank.clamp(panel.range.0, panel.range.1);
                canvas.marker((axis.x(rank), y), 4.6, Marker::Disc, LEAF);
                number(rank)
            }
            None => words::no_estimate(lang).to_owned(),
        };
        let letters = row.letters.clone().unwrap_or_default();
        canvas.text("letters", &letters, (axis.right + 12.0, y), PX, Anchor::Start, INK, 60.0);
        canvas.describe(&format!("{} {said} {letters};", row.label));
    }
    canvas.y = bottom + 44.0;
}
