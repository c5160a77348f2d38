//! A map of lots: two directions, a region about each lot, terms as arrows.

use plotters::style::RGBColor;

use super::axis::ticks;
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::palette::{HAIRLINE, INK, Marker, PALE_INK, PAPER, RULE, lot_style};
use super::places::{Place, along};
use super::words::{self, number};
use super::{Basis, Lang, Paper, PlotError};

/// A lot on the map.
#[derive(Debug, Clone, PartialEq)]
pub struct MapLot {
    /// Its name.
    pub label: String,
    /// Its place.
    pub at: (f64, f64),
    /// Its region: long and short half-axis, and the angle of the long one in radians.
    pub region: Option<(f64, f64, f64)>,
    /// Whether it is the reference.
    pub reference: bool,
}

/// A term on the map.
#[derive(Debug, Clone, PartialEq)]
pub struct MapTerm {
    /// Its name.
    pub label: String,
    /// Where its arrow points; only lengths relative to the other arrows mean something.
    pub towards: (f64, f64),
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct LotMap {
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
    /// What stands at the two axes.
    pub axes: (String, String),
    /// The lots.
    pub lots: Vec<MapLot>,
    /// The terms.
    pub terms: Vec<MapTerm>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 820.0;
const NUMBERS: f64 = 34.0;
const PX: f64 = 12.0;
/// The lowest and highest the frame may be, over its width.
const SHAPE: (f64, f64) = (0.5, 0.95);

/// Draws the map.
///
/// # Errors
/// [`PlotError::Empty`] without lots; [`PlotError::BadNumber`] for a number that is not finite;
/// [`PlotError::MissingGlyphs`].
pub fn lot_map(chart: &LotMap) -> Result<String, PlotError> {
    check(chart)?;
    let gap = if chart.lang == Lang::En { " " } else { "" };
    let mut basis = words::counted(chart.lang, &chart.basis);
    if chart.lots.iter().any(|l| l.region.is_some()) {
        basis = format!("{basis}{gap}{}", words::regions(chart.lang, &chart.basis));
    }
    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, chart.paper.width(WIDTH)),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", basis),
            ("subtitle", words::map_read(chart.lang).to_owned()),
        ],
    );
    let frame = Frame::new(chart, canvas.y + 24.0);
    draw_axes(&mut canvas, chart, &frame);
    let mut taken: Vec<Place> = Vec::new();
    let mut lines: Vec<Place> = Vec::new();
    for (i, lot) in chart.lots.iter().enumerate() {
        if let Some(region) = lot.region {
            draw_region(&mut canvas, &frame, lot.at, region, lot_style(i).0);
        }
        let (x, y) = frame.place(lot.at);
        taken.push(Place::new(x - 6.0, y - 6.0, x + 6.0, y + 6.0));
    }
    let arrows = draw_arrows(&mut canvas, chart, &frame, &mut lines);
    for (i, lot) in chart.lots.iter().enumerate() {
        let (colour, marker) = lot_style(i);
        // The open square is the reference's alone.
        let marker = match marker {
            _ if lot.reference => Marker::Frame,
            Marker::Frame => Marker::Disc,
            other => other,
        };
        canvas.marker(frame.place(lot.at), 4.8, marker, colour);
        let (x, y) = (number(lot.at.0), number(lot.at.1));
        canvas.describe(&format!("{} {x} / {y};", lot.label));
    }
    let mut left_out = 0;
    for (label, at, colour) in arrows {
        left_out +=
            usize::from(!draw_label(&mut canvas, &frame, &label, at, colour, (&mut taken, &lines)));
    }
    for (i, lot) in chart.lots.iter().enumerate() {
        let at = frame.place(lot.at);
        let own = lot_style(i).0;
        left_out += usize::from(!draw_label(
            &mut canvas,
            &frame,
            &lot.label,
            at,
            own,
            (&mut taken, &lines),
        ));
    }
    canvas.y = frame.bottom + 44.0;
    let mut notes = chart.footnotes.clone();
    if left_out > 0 {
        notes.push(match chart.lang {
            Lang::En => format!("{left_out} names have no room and are left out."),
            Lang::Zh => format!("{left_out} 个名称因位置不足而省略。"),
        });
    }
    if chart.lots.iter().any(|l| l.reference) {
        notes.push(words::reference(chart.lang).to_owned());
    }
    canvas.notes(notes);
    canvas.finish()
}

fn check(chart: &LotMap) -> Result<(), PlotError> {
    if chart.lots.is_empty() {
        return Err(PlotError::Empty { chart: chart.title.clone(), expected: "lot" });
    }
    let lots = chart.lots.iter().map(|l| {
        let (a, b, c) = l.region.unwrap_or_default();
        (&l.label, [l.at.0, l.at.1, a, b, c])
    });
    let terms = chart.terms.iter().map(|t| (&t.label, [t.towards.0, t.towards.1, 0.0, 0.0, 0.0]));
    for (label, numbers) in lots.chain(terms) {
        if let Some(bad) = numbers.iter().find(|v| !v.is_finite()) {
            return Err(PlotError::BadNumber {
                place: format!("{}, {label}", chart.title),
                found: bad.to_string(),
                expected: "a finite number",
            });
        }
    }
    Ok(())
}

/// Where numbers stand on the paper, one scale for both axes.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    /// The number at the left end and at the lower end.
    origin: (f64, f64),
    /// Pixels to one unit.
    scale: f64,
}

impl Frame {
    fn new(chart: &LotMap, top: f64) -> Self {
        let (left, right) = (MARGIN + NUMBERS, chart.paper.width(WIDTH) - MARGIN);
        let mut reach = [(0.0_f64, 0.0_f64); 2];
        for lot in &chart.lots {
            let (long, short, angle) = lot.region.unwrap_or_default();
            // Half the width and half the height of a turned ellipse.
            let (sin, cos) = angle.sin_cos();
            let half = [(long * cos).hypot(short * sin), (long * sin).hypot(short * cos)];
            for (axis, at) in [lot.at.0, lot.at.1].into_iter().enumerate() {
                reach[axis].0 = reach[axis].0.min(at - half[axis]);
                reach[axis].1 = reach[axis].1.max(at + half[axis]);
            }
        }
        let span = |r: (f64, f64)| (r.1 - r.0).max(1e-9);
        let (wide, high) = (span(reach[0]) * 1.12, span(reach[1]) * 1.12);
        let width = right - left;
        let height = (width * high / wide).clamp(width * SHAPE.0, width * SHAPE.1);
        let scale = (width / wide).min(height / high);
        let middle = [0.5 * (reach[0].0 + reach[0].1), 0.5 * (reach[1].0 + reach[1].1)];
        Self {
            left,
            right,
            top,
            bottom: top + height,
            origin: (middle[0] - 0.5 * width / scale, middle[1] - 0.5 * height / scale),
            scale,
        }
    }

    fn place(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (
            self.left + (x - self.origin.0) * self.scale,
            self.bottom - (y - self.origin.1) * self.scale,
        )
    }

    fn inside(&self) -> Place {
        Place::new(self.left, self.top, self.right, self.bottom)
    }
}

fn draw_axes(canvas: &mut Canvas, chart: &LotMap, frame: &Frame) {
    let range = |low: f64, pixels: f64| (low, low + pixels / frame.scale);
    let across = range(frame.origin.0, frame.right - frame.left);
    let up = range(frame.origin.1, frame.bottom - frame.top);
    // One step for both axes, so that equal scales can be seen.
    let step = (across.1 - across.0).max(up.1 - up.0);
    let all = ticks((-step, step), 24.0);
    for tick in all.iter().copied().filter(|t| *t >= across.0 && *t <= across.1) {
        let (x, _) = frame.place((tick, 0.0));
        let colour = if tick.abs() < 1e-12 { RULE } else { HAIRLINE };
        canvas.line((x, frame.top), (x, frame.bottom), 0.8, colour);
        let at = (x, frame.bottom + 10.0);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::Middle, PALE_INK, 40.0);
    }
    for tick in all.iter().copied().filter(|t| *t >= up.0 && *t <= up.1) {
        let (_, y) = frame.place((0.0, tick));
        let colour = if tick.abs() < 1e-12 { RULE } else { HAIRLINE };
        canvas.line((frame.left, y), (frame.right, y), 0.8, colour);
        let at = (frame.left - 6.0, y);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::End, PALE_INK, 30.0);
    }
    let width = frame.right - frame.left;
    let up = format!("↑ {}", chart.axes.1);
    canvas.text("axis", &up, (MARGIN, frame.top - 12.0), 11.5, Anchor::Start, PALE_INK, width);
    let right = format!("{} →", chart.axes.0);
    let at = (frame.right, frame.bottom + 27.0);
    canvas.text("axis", &right, at, 11.5, Anchor::End, PALE_INK, width);
    canvas.describe(&format!("{}; {};", chart.axes.0, chart.axes.1));
}

/// The outline of a region, as far as it lies within the frame.
fn draw_region(
    canvas: &mut Canvas,
    frame: &Frame,
    at: (f64, f64),
    (long, short, angle): (f64, f64, f64),
    colour: RGBColor,
) {
    const PIECES: u32 = 72;
    let (sin, cos) = angle.sin_cos();
    let point = |i: u32| {
        let (s, c) = (f64::from(i) * std::f64::consts::TAU / f64::from(PIECES)).sin_cos();
        let (u, v) = (long * c, short * s);
        frame.place((at.0 + u * cos - v * sin, at.1 + u * sin + v * cos))
    };
    let inside = frame.inside();
    for i in 0..PIECES {
        let (from, to) = (point(i), point(i + 1));
        let held = |p: (f64, f64)| Place::new(p.0, p.1, p.0, p.1).inside(&inside);
        if held(from) && held(to) {
            canvas.line(from, to, 0.9, colour);
        }
    }
}

/// The arrows of the terms; gives back their names with the places of their tips.
fn draw_arrows(
    canvas: &mut Canvas,
    chart: &LotMap,
    frame: &Frame,
    lines: &mut Vec<Place>,
) -> Vec<(String, (f64, f64), RGBColor)> {
    let longest = chart.terms.iter().map(|t| t.towards.0.hypot(t.towards.1)).fold(0.0, f64::max);
    if longest <= 0.0 {
        return Vec::new();
    }
    let from = frame.place((0.0, 0.0));
    let room =
        [from.0 - frame.left, frame.right - from.0, from.1 - frame.top, frame.bottom - from.1]
            .into_iter()
            .fold(f64::INFINITY, f64::min);
    let reach = 0.85 * room.max(0.3 * (frame.bottom - frame.top));
    let mut tips = Vec::new();
    for term in &chart.terms {
        let (dx, dy) = (term.towards.0 / longest * reach, -term.towards.1 / longest * reach);
        let length = dx.hypot(dy);
        let to = (from.0 + dx, from.1 + dy);
        if length > 1.0 {
            canvas.line(from, to, 1.2, INK);
            let (ux, uy) = (dx / length, dy / length);
            let back = (to.0 - 7.0 * ux, to.1 - 7.0 * uy);
            let head = vec![
                to,
                (back.0 - 3.0 * uy, back.1 + 3.0 * ux),
                (back.0 + 3.0 * uy, back.1 - 3.0 * ux),
            ];
            canvas.polygon(head, INK);
            lines.extend(along(from, to));
        }
        canvas.describe(&format!(
            "{} {} / {};",
            term.label,
            number(term.towards.0),
            number(term.towards.1)
        ));
        tips.push((term.label.clone(), to, INK));
    }
    tips
}

/// Sets a name near its place where it meets nothing; whether there was room.
fn draw_label(
    canvas: &mut Canvas,
    frame: &Frame,
    label: &str,
    (x, y): (f64, f64),
    colour: RGBColor,
    (taken, lines): (&mut Vec<Place>, &[Place]),
) -> bool {
    let place = format!("label of {label}");
    canvas.check(&place, label);
    let wide = text_width(label, PX);
    let inside = frame.inside();
    let mut spots: Vec<(f64, f64, Place)> = Vec::new();
    for far in [0.0, 9.0, 18.0] {
        for (tx, ty) in [
            (x + 9.0 + far, y),
            (x - 9.0 - far - wide, y),
            (x - wide / 2.0, y - 14.0 - far),
            (x - wide / 2.0, y + 14.0 + far),
            (x + 6.0 + far, y - 11.0 - far),
            (x - 6.0 - far - wide, y + 11.0 + far),
            (x + 6.0 + far, y + 11.0 + far),
            (x - 6.0 - far - wide, y - 11.0 - far),
        ] {
            let spot = Place::new(tx - 1.0, ty - 7.5, tx + wide + 1.0, ty + 7.5);
            if spot.inside(&inside) && !taken.iter().any(|t| t.meets(&spot)) {
                spots.push((tx, ty, spot));
            }
        }
    }
    let off_lines = spots.iter().find(|(_, _, s)| !lines.iter().any(|l| l.meets(s)));
    let Some((tx, ty, spot)) = off_lines.or(spots.first()) else { return false };
    // Paper behind the name, so that outlines do not run through it.
    canvas.polygon(
        vec![
            (spot.left, spot.top + 1.0),
            (spot.right, spot.top + 1.0),
            (spot.right, spot.bottom - 1.0),
            (spot.left, spot.bottom - 1.0),
        ],
        PAPER,
    );
    canvas.push_text(label, (*tx, *ty), PX, Anchor::Start, colour);
    taken.push(*spot);
    true
}
