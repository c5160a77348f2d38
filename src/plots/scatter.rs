//! Each taster's own lot means against the means of the others.

use super::axis::{Axis, check_range};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK, RULE};
use super::places::{Place, along};
use super::words::{self, number};
use super::{Basis, Lang, PlotError};

/// A lot in the scatter of one taster.
#[derive(Debug, Clone, PartialEq)]
pub struct ScatterPoint {
    /// Mean of the others, to the right.
    pub others: f64,
    /// The taster's own mean, upwards.
    pub own: f64,
    /// Name of the lot; printed where there is room for it.
    pub label: String,
}

/// The fitted line `own = intercept + slope × others`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedLine {
    /// Own mean where the mean of the others is 0.
    pub intercept: f64,
    /// Points of the taster to one point of the others.
    pub slope: f64,
}

/// The scatter of one taster.
#[derive(Debug, Clone, PartialEq)]
pub struct ScatterPanel {
    /// The taster.
    pub taster: String,
    /// A short remark beside the name, such as slope and interval; may be empty.
    pub remark: String,
    /// The lots.
    pub points: Vec<ScatterPoint>,
    /// The fitted line, if there is one.
    pub fit: Option<FittedLine>,
}

/// Own lot means against the means of the others, one panel a taster.
#[derive(Debug, Clone, PartialEq)]
pub struct TasterScatter {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// Title, which names the term.
    pub title: String,
    /// A line below the title; may be empty.
    pub subtitle: String,
    /// What the numbers rest on.
    pub basis: Basis,
    /// Ends of both axes.
    pub range: (f64, f64),
    /// The tasters.
    pub panels: Vec<ScatterPanel>,
}

const GAP: f64 = 26.0;
const WIDTH: f64 = 980.0;

/// Draws each taster's lot means against the means of the others.
///
/// # Errors
/// [`PlotError::Empty`] without tasters; [`PlotError::BadNumber`] for a range that does not go upwards or a point that
/// is not finite; [`PlotError::MissingGlyphs`].
pub fn taster_scatter(chart: &TasterScatter) -> Result<String, PlotError> {
    if chart.panels.is_empty() {
        return Err(PlotError::Empty { chart: chart.title.clone(), expected: "taster" });
    }
    check_range(&chart.title, chart.range)?;
    for panel in &chart.panels {
        let fit = panel.fit.map_or([0.0; 2], |fit| [fit.intercept, fit.slope]);
        let numbers = panel.points.iter().flat_map(|p| [p.others, p.own]).chain(fit);
        if let Some(bad) = numbers.into_iter().find(|v| !v.is_finite()) {
            return Err(PlotError::BadNumber {
                place: format!("{}, taster {}", chart.title, panel.taster),
                found: bad.to_string(),
                expected: "a finite number",
            });
        }
    }
    let columns = chart.panels.len().min(3);
    let width = if columns == 1 { 520.0 } else { WIDTH };
    let mut canvas = Canvas::new(
        chart.lang,
        width,
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
            ("subtitle", words::scatter_read(chart.lang).to_owned()),
        ],
    );
    let cell = (width - 2.0 * MARGIN - GAP * (columns - 1) as f64) / columns as f64;
    let side = (cell - 34.0).min(270.0);
    for line in chart.panels.chunks(columns) {
        let top = canvas.y;
        for (index, panel) in line.iter().enumerate() {
            let left = MARGIN + index as f64 * (cell + GAP);
            draw_scatter(&mut canvas, chart, panel, (left, top), (cell, side));
        }
        canvas.y = top + 48.0 + side + 42.0;
    }
    canvas.finish()
}

fn draw_scatter(
    canvas: &mut Canvas,
    chart: &TasterScatter,
    panel: &ScatterPanel,
    (left, top): (f64, f64),
    (cell, side): (f64, f64),
) {
    let name_width = text_width(&panel.taster, 14.5).min(cell * 0.6);
    canvas.text(
        "name of a taster",
        &panel.taster,
        (left, top + 13.0),
        14.5,
        Anchor::Start,
        INK,
        cell * 0.6,
    );
    let place = format!("remark on the taster {}", panel.taster);
    let at = (left + name_width + 10.0, top + 13.5);
    canvas.text(&place, &panel.remark, at, 12.0, Anchor::Start, PALE_INK, cell - name_width - 10.0);
    canvas.describe(&format!("{} {}:", panel.taster, panel.remark));

    let (low, high) = chart.range;
    let axis = Axis { range: chart.range, left: left + 30.0, right: left + 30.0 + side };
    let first = top + 48.0;
    let bottom = first + side;
    let y_of = |value: f64| bottom - (axis.x(value) - axis.left);
    canvas.text(
        "axis",
        words::own(chart.lang),
        (left, top + 35.0),
        11.0,
        Anchor::Start,
        PALE_INK,
        cell,
    );
    for tick in axis.ticks() {
        let (x, y) = (axis.x(tick), y_of(tick));
        canvas.line((x, first), (x, bottom), 0.8, HAIRLINE);
        canvas.line((axis.left, y), (axis.right, y), 0.8, HAIRLINE);
        canvas.text("axis", &number(tick), (x, bottom + 9.0), 11.0, Anchor::Middle, PALE_INK, 40.0);
        canvas.text("axis", &number(tick), (axis.left - 6.0, y), 11.0, Anchor::End, PALE_INK, 24.0);
    }
    canvas.line((axis.left, bottom), (axis.right, bottom), 1.0, INK);
    canvas.line((axis.left, first), (axis.left, bottom), 1.0, INK);
    let at = (axis.right, bottom + 25.0);
    canvas.text(
        "axis",
        &format!("{} →", words::others(chart.lang)),
        at,
        11.0,
        Anchor::End,
        PALE_INK,
        side,
    );
    canvas.dashes((axis.x(low), y_of(low)), (axis.x(high), y_of(high)), 1.2, RULE);
    let fitted = panel.fit.and_then(|fit| within(fit, panel, chart.range));
    if let Some((from, to)) = fitted {
        canvas.line((axis.x(from.0), y_of(from.1)), (axis.x(to.0), y_of(to.1)), 2.2, LEAF);
    }

    let clamp = |value: f64| value.clamp(low, high);
    let places: Vec<(f64, f64)> =
        panel.points.iter().map(|p| (axis.x(clamp(p.others)), y_of(clamp(p.own)))).collect();
    for (point, at) in panel.points.iter().zip(&places) {
        canvas.marker(*at, 4.2, Marker::Disc, INK);
        canvas.describe(&format!(
            "{} {} / {};",
            point.label,
            number(point.others),
            number(point.own)
        ));
    }
    let mut taken: Vec<Place> =
        places.iter().map(|(x, y)| Place::new(x - 5.0, y - 5.0, x + 5.0, y + 5.0)).collect();
    let inside = Place::new(axis.left, first, axis.right, bottom);
    let mut lines: Vec<Place> = Vec::new();
    if let Some((from, to)) = fitted {
        lines.extend(along((axis.x(from.0), y_of(from.1)), (axis.x(to.0), y_of(to.1))));
    }
    lines.extend(along((axis.x(low), y_of(low)), (axis.x(high), y_of(high))));
    for (point, (x, y)) in panel.points.iter().zip(&places) {
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
        .filter(|(_, _, spot)| spot.inside(&inside) && !taken.iter().any(|t| t.meets(spot)))
        .collect();
        // A place off the lines if there is one, otherwise any free place; a label without a free place
        // is left out (the description holds it).
        let off_lines = spots.iter().find(|(_, _, spot)| !lines.iter().any(|l| l.meets(spot)));
        if let Some((tx, ty, spot)) = off_lines.or(spots.first()) {
            let at = (*tx, *ty);
            canvas.text(&place, &point.label, at, 11.0, Anchor::Start, PALE_INK, wide + 1.0);
            taken.push(*spot);
        }
    }
}

/// The part of the fitted line over the points, cut to the panel.
fn within(
    fit: FittedLine,
    panel: &ScatterPanel,
    (low, high): (f64, f64),
) -> Option<((f64, f64), (f64, f64))> {
    let own = |x: f64| fit.intercept + fit.slope * x;
    let mut from = panel.points.iter().map(|p| p.others).fold(f64::INFINITY, f64::min).max(low);
    let mut to = panel.points.iter().map(|p| p.others).fold(f64::NEG_INFINITY, f64::max).min(high);
    if fit.slope.abs() > 1e-9 {
        let (a, b) = ((low - fit.intercept) / fit.slope, (high - fit.intercept) / fit.slope);
        from = from.max(a.min(b));
        to = to.min(a.max(b));
    } else if !(low..=high).contains(&fit.intercept) {
        return None;
    }
    (from < to).then(|| ((from, own(from)), (to, own(to))))
}
