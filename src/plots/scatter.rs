//! Lots as labelled marks, one panel a question: what rises with what, with a fitted line.

use super::axis::{Axis, check_range};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::{self, text_width};
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK};
use super::places::{Place, along};
use super::words::{self, number};
use super::{Basis, Lang, Paper, PlotError};

/// A lot in a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Spot {
    /// To the right.
    pub x: f64,
    /// Upwards.
    pub y: f64,
    /// Name of the lot; printed where there is room for it.
    pub label: String,
}

/// The fitted line `y = intercept + slope · x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedLine {
    /// Upwards where x is 0.
    pub intercept: f64,
    /// Upwards for one to the right.
    pub slope: f64,
}

/// One panel.
#[derive(Debug, Clone, PartialEq)]
pub struct ScatterPanel {
    /// What it is about.
    pub name: String,
    /// A line below the name, such as an effect with its interval; may be empty.
    pub remark: String,
    /// What is to the right.
    pub x_name: String,
    /// What is upwards.
    pub y_name: String,
    /// Ends of the axis to the right.
    pub x: (f64, f64),
    /// Ends of the upward axis.
    pub y: (f64, f64),
    /// The lots.
    pub points: Vec<Spot>,
    /// The fitted line, if there is one.
    pub fit: Option<FittedLine>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Scatter {
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
    /// How to read it, in the chart's language; may be empty.
    pub read: String,
    /// The panels.
    pub panels: Vec<ScatterPanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const GAP: f64 = 26.0;
const WIDTH: f64 = 980.0;
const NAME_PX: f64 = 13.5;
const REMARK_PX: f64 = 11.5;

/// Draws lots as labelled marks with a fitted line, one panel a question.
///
/// # Errors
/// [`PlotError::Empty`] without panels; [`PlotError::BadNumber`] for an axis that does not go upwards or a point that
/// is not finite; [`PlotError::MissingGlyphs`].
pub fn scatter(chart: &Scatter) -> Result<String, PlotError> {
    if chart.panels.is_empty() {
        return Err(PlotError::Empty { chart: chart.title.clone(), expected: "panel" });
    }
    for panel in &chart.panels {
        let place = format!("{}, {}", chart.title, panel.name);
        check_range(&place, panel.x)?;
        check_range(&place, panel.y)?;
        let fit = panel.fit.map_or([0.0; 2], |fit| [fit.intercept, fit.slope]);
        let numbers = panel.points.iter().flat_map(|p| [p.x, p.y]).chain(fit);
        if let Some(bad) = numbers.into_iter().find(|v| !v.is_finite()) {
            let (found, expected) = (bad.to_string(), "a finite number");
            return Err(PlotError::BadNumber { place, found, expected });
        }
    }
    let columns = chart.paper.columns(chart.panels.len().min(3));
    let width = chart.paper.width(if columns == 1 { 520.0 } else { WIDTH });
    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, width),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::counted(chart.lang, &chart.basis)),
            ("subtitle", chart.read.clone()),
        ],
    );
    let cell = (width - 2.0 * MARGIN - GAP * (columns - 1) as f64) / columns as f64;
    let side = (cell - 46.0).min(260.0);
    for line in chart.panels.chunks(columns) {
        let top = canvas.y;
        let tallest = line.iter().map(|p| head(p, cell).1).fold(0.0, f64::max);
        for (index, panel) in line.iter().enumerate() {
            let left = MARGIN + index as f64 * (cell + GAP);
            draw(&mut canvas, panel, (left, top), tallest, (cell, side));
        }
        canvas.y = top + tallest + 24.0 + side + 50.0;
    }
    canvas.notes(chart.footnotes.iter().cloned());
    canvas.finish()
}

/// The lines above a panel and their height.
fn head(panel: &ScatterPanel, cell: f64) -> (Vec<(String, f64)>, f64) {
    let mut lines: Vec<(String, f64)> = Vec::new();
    lines.extend(font::wrap(&panel.name, NAME_PX, cell).into_iter().map(|l| (l, NAME_PX)));
    lines.extend(font::wrap(&panel.remark, REMARK_PX, cell).into_iter().map(|l| (l, REMARK_PX)));
    let height = lines.iter().map(|l| l.1 + 4.5).sum();
    (lines, height)
}

fn draw(
    canvas: &mut Canvas,
    panel: &ScatterPanel,
    (left, top): (f64, f64),
    tallest: f64,
    (cell, side): (f64, f64),
) {
    canvas.check(&format!("name of the panel {}", panel.name), &panel.name);
    canvas.check(&format!("remark on {}", panel.name), &panel.remark);
    canvas.describe(&format!("{} {}:", panel.name, panel.remark));
    let mut y = top;
    for (text, px) in head(panel, cell).0 {
        y += px + 4.5;
        let colour = if px == NAME_PX { INK } else { PALE_INK };
        canvas.push_text(&text, (left, y - px / 2.0), px, Anchor::Start, colour);
    }
    let across = Axis { range: panel.x, left: left + 40.0, right: left + 40.0 + side };
    let first = top + tallest + 24.0;
    let bottom = first + side;
    let up = Axis { range: panel.y, left: bottom, right: first };
    let at = (left, top + tallest + 10.0);
    canvas.text("axis", &format!("↑ {}", panel.y_name), at, 11.0, Anchor::Start, PALE_INK, cell);
    for tick in across.ticks() {
        let x = across.x(tick);
        canvas.line((x, first), (x, bottom), 0.8, HAIRLINE);
        canvas.text(
            "axis",
            &number(tick),
            (x, bottom + 13.0),
            11.0,
            Anchor::Middle,
            PALE_INK,
            46.0,
        );
    }
    for tick in super::axis::ticks(panel.y, (side / 36.0).floor().max(2.0)) {
        let y = up.x(tick);
        canvas.line((across.left, y), (across.right, y), 0.8, HAIRLINE);
        let at = (across.left - 6.0, y);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::End, PALE_INK, 34.0);
    }
    canvas.line((across.left, bottom), (across.right, bottom), 1.0, INK);
    canvas.line((across.left, first), (across.left, bottom), 1.0, INK);
    let at = (across.right, bottom + 29.0);
    canvas.text("axis", &format!("{} →", panel.x_name), at, 11.0, Anchor::End, PALE_INK, cell);
    let on_paper = |(x, y): (f64, f64)| (across.x(x), up.x(y));
    let fitted = panel.fit.and_then(|fit| within(fit, panel));
    if let Some((from, to)) = fitted {
        canvas.line(on_paper(from), on_paper(to), 2.2, LEAF);
    }
    let places: Vec<(f64, f64)> = panel
        .points
        .iter()
        .map(|p| on_paper((p.x.clamp(panel.x.0, panel.x.1), p.y.clamp(panel.y.0, panel.y.1))))
        .collect();
    for (point, at) in panel.points.iter().zip(&places) {
        canvas.marker(*at, 4.2, Marker::Disc, INK);
        let (x, y) = (number(point.x), number(point.y));
        canvas.describe(&format!("{} {x} / {y};", point.label));
    }
    let lines: Vec<Place> =
        fitted.map(|(from, to)| along(on_paper(from), on_paper(to)).collect()).unwrap_or_default();
    let inside = Place::new(across.left, first, across.right, bottom);
    label(canvas, panel, &places, &lines, &inside);
}

/// Names the marks where there is room.
fn label(
    canvas: &mut Canvas,
    panel: &ScatterPanel,
    places: &[(f64, f64)],
    lines: &[Place],
    inside: &Place,
) {
    let mut taken: Vec<Place> =
        places.iter().map(|(x, y)| Place::new(x - 5.0, y - 5.0, x + 5.0, y + 5.0)).collect();
    for (point, (x, y)) in panel.points.iter().zip(places) {
        let place = format!("label of the lot {}", point.label);
        canvas.check(&place, &point.label);
        let wide = text_width(&point.label, 11.0);
        let spots: Vec<(f64, f64, Place)> = [
            (x + 8.0, *y),
            (x - 8.0 - wide, *y),
            (x - wide / 2.0, y - 13.0),
            (x - wide / 2.0, y + 13.0),
            (x + 6.0, y + 11.0),
            (x - 6.0 - wide, y - 11.0),
            (x + 6.0, y - 11.0),
            (x - 6.0 - wide, y + 11.0),
        ]
        .into_iter()
        .map(|(tx, ty)| (tx, ty, Place::new(tx - 1.0, ty - 7.0, tx + wide + 1.0, ty + 7.0)))
        .filter(|(_, _, spot)| spot.inside(inside) && !taken.iter().any(|t| t.meets(spot)))
        .collect();
        // A place off the line if there is one, otherwise any free place; a label without a free place
        // is left out (the description holds it).
        let off_line = spots.iter().find(|(_, _, spot)| !lines.iter().any(|l| l.meets(spot)));
        if let Some((tx, ty, spot)) = off_line.or(spots.first()) {
            let at = (*tx, *ty);
            canvas.text(&place, &point.label, at, 11.0, Anchor::Start, PALE_INK, wide + 1.0);
            taken.push(*spot);
        }
    }
}

/// The part of the fitted line over the points, cut to the panel.
fn within(fit: FittedLine, panel: &ScatterPanel) -> Option<((f64, f64), (f64, f64))> {
    let up = |x: f64| fit.intercept + fit.slope * x;
    let xs = || panel.points.iter().map(|p| p.x);
    let mut from = xs().fold(f64::INFINITY, f64::min).max(panel.x.0);
    let mut to = xs().fold(f64::NEG_INFINITY, f64::max).min(panel.x.1);
    let (low, high) = panel.y;
    if fit.slope.abs() > 1e-9 * (high - low) / (panel.x.1 - panel.x.0) {
        let (a, b) = ((low - fit.intercept) / fit.slope, (high - fit.intercept) / fit.slope);
        from = from.max(a.min(b));
        to = to.min(a.max(b));
    } else if !(low..=high).contains(&fit.intercept) {
        return None;
    }
    (from < to).then(|| ((from, up(from)), (to, up(to))))
}
