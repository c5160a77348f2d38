//! Lots as dots on their intervals: one panel a term, all on shared axes.

use super::axis::{Axis, check_estimate, check_range};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, Paper, PlotError};

/// One lot of a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct DotRow {
    /// Name of the lot or sample.
    pub label: String,
    /// Its level; none if the evidence does not allow to print one (say why in the note).
    pub estimate: Option<Estimate>,
    /// Letters of the groups that could not be told apart.
    pub letters: Option<String>,
    /// A remark, printed below the chart under a number.
    pub note: Option<String>,
    /// Whether this is the reference: an open square instead of a dot.
    pub reference: bool,
}

/// One term with its lots.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Label of the term.
    pub label: String,
    /// Names of the low and the high end of the scale.
    pub ends: (String, String),
    /// Ends of the axis, such as 0 to 10.
    pub range: (f64, f64),
    /// The lots, from the top.
    pub rows: Vec<DotRow>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct DotRows {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// What it is drawn on.
    pub paper: Paper,
    /// Title.
    pub title: String,
    /// A line below the title, such as the session and its date; may be empty.
    pub subtitle: String,
    /// What the numbers rest on.
    pub basis: Basis,
    /// The terms, in reading order.
    pub panels: Vec<Panel>,
    /// Sentences below the chart, such as how the letters were found.
    pub footnotes: Vec<String>,
}

const ROW_PX: f64 = 12.5;
const GAP: f64 = 28.0;

/// Draws lots as dot-and-interval rows, one panel a term.
///
/// # Errors
/// [`PlotError::Empty`] without panels or rows; [`PlotError::BadNumber`] for a number that is not finite or an
/// interval that does not hold its value; [`PlotError::MissingGlyphs`] for characters that cannot be shown.
pub fn dot_rows(chart: &DotRows) -> Result<String, PlotError> {
    check(chart)?;
    let notes = Notes::new(chart);
    let layout = Layout::new(chart, &notes);
    let labels = chart.panels.iter().flat_map(|panel| &panel.rows).map(|row| row.label.as_str());
    let names = Names::new(labels, ROW_PX, layout.label_width);
    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, layout.width),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
        ],
    );
    for line in chart.panels.chunks(layout.columns) {
        let top = canvas.y;
        let rows = line.iter().map(|panel| panel.rows.len()).max().unwrap_or(0);
        for (column, panel) in line.iter().enumerate() {
            let left = MARGIN + column as f64 * (layout.panel_width + GAP);
            draw_panel(&mut canvas, chart.lang, &layout, (&names, &notes), panel, (left, top));
        }
        canvas.y = top + 30.0 + rows as f64 * layout.pitch + 44.0;
    }
    footer(&mut canvas, chart, &names, &notes);
    canvas.finish()
}

fn check(chart: &DotRows) -> Result<(), PlotError> {
    let empty = |expected| PlotError::Empty { chart: chart.title.clone(), expected };
    if chart.panels.is_empty() {
        return Err(empty("term"));
    }
    for panel in &chart.panels {
        if panel.rows.is_empty() {
            return Err(empty("lot for each term"));
        }
        check_range(&format!("term {}", panel.label), panel.range)?;
        for row in &panel.rows {
            if let Some(estimate) = &row.estimate {
                check_estimate(&format!("term {}, lot {}", panel.label, row.label), estimate)?;
            }
        }
    }
    Ok(())
}

/// The remarks of a chart, each once, in order of appearance.
struct Notes(Vec<String>);

impl Notes {
    fn new(chart: &DotRows) -> Self {
        let mut notes: Vec<String> = Vec::new();
        for note in chart.panels.iter().flat_map(|p| &p.rows).filter_map(|row| row.note.as_ref()) {
            if !notes.contains(note) {
                notes.push(note.clone());
            }
        }
        Self(notes)
    }

    /// What stands at the right of a row: its letters and the number of its remark.
    fn margin(&self, row: &DotRow) -> String {
        let mut text = row.letters.clone().unwrap_or_default();
        if let Some(index) =
            row.note.as_ref().and_then(|note| self.0.iter().position(|n| n == note))
        {
            if !text.is_empty() {
                text.push(' ');
            }
            text.push_str(&format!("({})", index + 1));
        }
        text
    }
}

/// Sizes that all panels share.
struct Layout {
    width: f64,
    columns: usize,
    panel_width: f64,
    label_width: f64,
    margin_width: f64,
    pitch: f64,
}

impl Layout {
    fn new(chart: &DotRows, notes: &Notes) -> Self {
        let rows = || chart.panels.iter().flat_map(|panel| &panel.rows);
        let widest = |texts: &mut dyn Iterator<Item = f64>| texts.fold(0.0, f64::max);
        let label = widest(&mut rows().map(|row| text_width(&row.label, ROW_PX)));
        let margin = widest(&mut rows().map(|row| text_width(&notes.margin(row), ROW_PX)));
        let most = chart.panels.iter().map(|panel| panel.rows.len()).max().unwrap_or(0);
        let columns = chart.paper.columns(match chart.panels.len() {
            1 => 1,
            2 | 4 => 2,
            _ if label + margin > 130.0 => 2,
            _ => 3,
        });
        let width = chart.paper.width(if columns == 1 { 700.0 } else { 980.0 });
        let panel_width = (width - 2.0 * MARGIN - GAP * (columns - 1) as f64) / columns as f64;
        Self {
            width,
            columns,
            panel_width,
            label_width: label.min(panel_width * 0.36),
            margin_width: margin.min(panel_width * 0.22),
            pitch: if most > 12 { 18.0 } else { 22.0 },
        }
    }
}

fn draw_panel(
    canvas: &mut Canvas,
    lang: Lang,
    layout: &Layout,
    (names, notes): (&Names, &Notes),
    panel: &Panel,
    (left, top): (f64, f64),
) {
    let place = format!("label of the term {}", panel.label);
    canvas.text(
        &place,
        &panel.label,
        (left, top + 13.0),
        14.5,
        Anchor::Start,
        INK,
        layout.panel_width,
    );
    canvas.describe(&format!("{}:", panel.label));
    let right = left + layout.panel_width;
    let axis = Axis {
        range: panel.range,
        left: left + layout.label_width + 12.0,
        right: right - if layout.margin_width > 0.0 { layout.margin_width + 12.0 } else { 6.0 },
    };
    let first = top + 30.0;
    let bottom = first + panel.rows.len() as f64 * layout.pitch;
    axis.draw(
        canvas,
        first,
        bottom,
        (&panel.ends.0, &panel.ends.1),
        &format!("scale of the term {}", panel.label),
    );
    for (index, row) in panel.rows.iter().enumerate() {
        let y = first + (index as f64 + 0.5) * layout.pitch;
        let place = format!("label of the lot {}", row.label);
        canvas.check(&place, &row.label);
        canvas.push_text(names.shown(&row.label), (left, y), ROW_PX, Anchor::Start, INK);
        canvas.line((axis.left, y), (axis.right, y), 0.7, HAIRLINE);
        match &row.estimate {
            Some(estimate) => {
                let marker = if row.reference { Marker::Frame } else { Marker::Disc };
                let colour = if row.reference { INK } else { LEAF };
                axis.estimate(canvas, y, estimate, marker, colour);
            }
            None => canvas.text(
                "chart",
                words::no_estimate(lang),
                (axis.left + 4.0, y),
                11.5,
                Anchor::Start,
                PALE_INK,
                axis.right - axis.left - 8.0,
            ),
        }
        let margin = notes.margin(row);
        let place = format!("letters of the lot {}", row.label);
        canvas.text(
            &place,
            &margin,
            (axis.right + 12.0, y),
            ROW_PX,
            Anchor::Start,
            INK,
            layout.margin_width,
        );
        canvas.describe(&spoken(lang, row, &margin));
    }
}

/// A row as a screen reader says it.
fn spoken(lang: Lang, row: &DotRow, margin: &str) -> String {
    let level = match &row.estimate {
        None => words::no_estimate(lang).to_owned(),
        Some(e) => {
            let (value, lower, upper) = (number(e.value), number(e.lower), number(e.upper));
            match lang {
                Lang::En => format!("{value} ({lower} to {upper})"),
                Lang::Zh => format!("{value}（{lower} 至 {upper}）"),
            }
        }
    };
    let space = if margin.is_empty() { "" } else { " " };
    format!("{} {level}{space}{margin};", row.label)
}

fn footer(canvas: &mut Canvas, chart: &DotRows, names: &Names, notes: &Notes) {
    let rows = || chart.panels.iter().flat_map(|panel| &panel.rows);
    let mut lines = Vec::new();
    if rows().any(|row| row.letters.is_some()) {
        lines.push(words::letters(chart.lang).to_owned());
    }
    if rows().any(|row| row.reference) {
        lines.push(words::reference(chart.lang).to_owned());
    }
    lines.extend(chart.footnotes.iter().cloned());
    lines.extend(notes.0.iter().enumerate().map(|(i, note)| format!("({}) {note}", i + 1)));
    lines.extend(names.key_note(chart.lang));
    canvas.notes(lines);
}
