//! What each parameter does to each term: one panel a parameter, all on one axis about zero.

use super::axis::{Axis, check_estimate};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::{self, text_width};
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK, RULE};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, Paper, PlotError};

/// One term of a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct EffectRow {
    /// Name of the term.
    pub label: String,
    /// The effect over the range made, in points; none if there is none.
    pub estimate: Option<Estimate>,
    /// Whether it stands out among all that were asked.
    pub shown: bool,
}

/// One parameter, or several that are not told apart.
#[derive(Debug, Clone, PartialEq)]
pub struct EffectPanel {
    /// Its name, or their names.
    pub label: String,
    /// The range over which the effect is: `12 to 17 h`.
    pub range: String,
    /// The terms, from the top.
    pub rows: Vec<EffectRow>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Effects {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// What it is drawn on.
    pub paper: Paper,
    /// Title.
    pub title: String,
    /// A line below the title; may be empty.
    pub subtitle: String,
    /// What the numbers rest on.
    pub basis: Basis,
    /// The parameters, in reading order.
    pub panels: Vec<EffectPanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const ROW_PX: f64 = 12.5;
const PITCH: f64 = 19.0;
const GAP: f64 = 28.0;
const WIDTH: f64 = 980.0;

/// Draws effects as dot-and-interval rows about a zero line, one panel a parameter.
///
/// # Errors
/// [`PlotError::Empty`] without panels or effects; [`PlotError::BadNumber`] for a number that is not finite or an
/// interval that does not hold its value; [`PlotError::MissingGlyphs`] for characters that cannot be shown.
pub fn effects(chart: &Effects) -> Result<String, PlotError> {
    let all = || chart.panels.iter().flat_map(|p| p.rows.iter().map(move |r| (p, r)));
    if all().all(|(_, r)| r.estimate.is_none()) {
        return Err(PlotError::Empty { chart: chart.title.clone(), expected: "effect" });
    }
    for (panel, row) in all() {
        if let Some(e) = &row.estimate {
            check_estimate(&format!("{}, {}", panel.label, row.label), e)?;
        }
    }
    let reach = reach(all().filter_map(|(_, r)| Some((r.estimate.as_ref()?, r.shown))));
    let columns = chart.paper.columns(chart.panels.len().min(3));
    let width = chart.paper.width(if columns == 1 { 620.0 } else { WIDTH });
    let cell = (width - 2.0 * MARGIN - GAP * (columns - 1) as f64) / columns as f64;
    let widest = all().map(|(_, r)| text_width(&r.label, ROW_PX)).fold(0.0, f64::max);
    let label_width = widest.min(cell * 0.4);
    let names = Names::new(all().map(|(_, r)| r.label.as_str()), ROW_PX, label_width);
    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, width),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
        ],
    );
    for line in chart.panels.chunks(columns) {
        let top = canvas.y;
        let heads: Vec<Vec<String>> =
            line.iter().map(|p| font::wrap(&p.label, 14.0, cell)).collect();
        let tallest = heads.iter().map(Vec::len).max().unwrap_or(1) as f64;
        let rows = line.iter().map(|p| p.rows.len()).max().unwrap_or(0) as f64;
        for (index, (panel, head)) in line.iter().zip(&heads).enumerate() {
            let left = MARGIN + index as f64 * (cell + GAP);
            let first = top + tallest * 18.0 + 24.0;
            canvas.check("name of a parameter", &panel.label);
            for (i, text) in head.iter().enumerate() {
                let y = top + 10.0 + 18.0 * i as f64;
                canvas.push_text(text, (left, y), 14.0, Anchor::Start, INK);
            }
            let y = top + tallest * 18.0 + 8.0;
            let place = "range of a parameter";
            canvas.text(place, &panel.range, (left, y), 11.5, Anchor::Start, PALE_INK, cell);
            canvas.describe(&format!("{} ({}):", panel.label, panel.range));
            let axis = Axis {
                range: (-reach, reach),
                left: left + label_width + 12.0,
                right: left + cell - 8.0,
            };
            draw(&mut canvas, chart.lang, &axis, &names, panel, (left, first));
        }
        canvas.y = top + tallest * 18.0 + 24.0 + rows * PITCH + 48.0;
    }
    footer(&mut canvas, chart, &names);
    canvas.finish()
}

/// Half the axis: all values lie on it, the intervals of what stands out, and most others; what
/// leaves it ends in a point.
fn reach<'a>(estimates: impl Iterator<Item = (&'a Estimate, bool)>) -> f64 {
    let (mut values, mut whole, mut limits) = (0.0_f64, 0.0_f64, Vec::new());
    for (e, shown) in estimates {
        let limit = e.lower.abs().max(e.upper.abs());
        values = values.max(e.value.abs());
        whole = whole.max(if shown { limit } else { 0.0 });
        limits.push(limit);
    }
    limits.sort_by(f64::total_cmp);
    let most = limits.get(limits.len() * 3 / 4).copied().unwrap_or(0.0);
    let reach = (1.2 * values).max(1.05 * most.max(whole));
    if reach > 0.0 { reach } else { 1.0 }
}

fn draw(
    canvas: &mut Canvas,
    lang: Lang,
    axis: &Axis,
    names: &Names,
    panel: &EffectPanel,
    (left, first): (f64, f64),
) {
    let bottom = first + panel.rows.len() as f64 * PITCH;
    axis.draw(canvas, first, bottom, (words::falls(lang), words::rises(lang)), "axis of effects");
    canvas.line((axis.x(0.0), first), (axis.x(0.0), bottom), 1.2, RULE);
    for (index, row) in panel.rows.iter().enumerate() {
        let y = first + (index as f64 + 0.5) * PITCH;
        canvas.check(&format!("label of the term {}", row.label), &row.label);
        canvas.push_text(names.shown(&row.label), (left, y), ROW_PX, Anchor::Start, INK);
        canvas.line((axis.left, y), (axis.right, y), 0.7, HAIRLINE);
        let Some(e) = &row.estimate else {
            let at = (axis.left + 4.0, y);
            let room = axis.right - axis.left - 8.0;
            let words = words::no_estimate(lang);
            canvas.text("chart", words, at, 11.5, Anchor::Start, PALE_INK, room);
            canvas.describe(&format!("{} {words};", row.label));
            continue;
        };
        let (marker, colour) = if row.shown { (Marker::Disc, LEAF) } else { (Marker::Ring, INK) };
        axis.estimate(canvas, y, e, marker, colour);
        let (value, lower, upper) = (number(e.value), number(e.lower), number(e.upper));
        let said = match lang {
            Lang::En => format!("{} {value} ({lower} to {upper})", row.label),
            Lang::Zh => format!("{} {value}（{lower} 至 {upper}）", row.label),
        };
        let out = if row.shown { format!(" {}", words::stands_out(lang)) } else { String::new() };
        canvas.describe(&format!("{said}{out};"));
    }
}

fn footer(canvas: &mut Canvas, chart: &Effects, names: &Names) {
    let mut lines = vec![words::effects_read(chart.lang).to_owned()];
    lines.extend(chart.footnotes.iter().cloned());
    lines.extend(names.key_note(chart.lang));
    canvas.notes(lines);
}
