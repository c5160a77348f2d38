//! Tasters against the others: offsets, slopes and noise as dots on intervals.

use super::axis::{Axis, check_estimate, ticks};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::{text_width, wrap};
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK, RULE};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, Paper, PlotError};

/// One taster of a panel. A number that could not be had is none; the remark says why.
#[derive(Debug, Clone, PartialEq)]
pub struct TasterRow {
    /// The taster.
    pub taster: String,
    /// Points above or below the mean of the others.
    pub offset: Option<Estimate>,
    /// Slope of the taster's lot means on the means of the others.
    pub slope: Option<Estimate>,
    /// Repeatability as a ratio to the panel's; above 0.
    pub noise: Option<Estimate>,
    /// The reason in words: offset, narrow scale, noise, swap.
    pub remark: Option<String>,
}

/// One term (or all of them together) with its tasters.
#[derive(Debug, Clone, PartialEq)]
pub struct TasterPanel {
    /// Label of the term.
    pub label: String,
    /// The tasters, from the top.
    pub rows: Vec<TasterRow>,
}

/// Offsets, slopes and noise of all tasters.
#[derive(Debug, Clone, PartialEq)]
pub struct TasterRows {
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
    /// The terms.
    pub panels: Vec<TasterPanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const ROW_PX: f64 = 12.5;
const PITCH: f64 = 23.0;
const REMARK_PX: f64 = 11.0;
const REMARK_WIDTH: f64 = 200.0;
const REMARK_PITCH: f64 = 11.4;
const GAP: f64 = 26.0;
const WIDTH: f64 = 980.0;

/// Draws each taster's offset, slope and noise against the others.
///
/// Axes are shared by all terms; noise has a logarithmic axis, since half and double are equally far from alike.
///
/// # Errors
/// [`PlotError::Empty`] without panels or rows; [`PlotError::BadNumber`] for a number that is not finite, an interval
/// that does not hold its value or a noise not above 0; [`PlotError::MissingGlyphs`].
pub fn taster_rows(chart: &TasterRows) -> Result<String, PlotError> {
    check_rows(chart)?;
    let rows = || chart.panels.iter().flat_map(|panel| &panel.rows);
    let label_width =
        rows().map(|row| text_width(&row.taster, ROW_PX)).fold(0.0, f64::max).min(150.0);
    let remark_width = rows()
        .filter_map(|row| row.remark.as_ref().filter(|_| chart.paper == Paper::Wide))
        .flat_map(|remark| wrap(remark, REMARK_PX, REMARK_WIDTH))
        .map(|line| text_width(&line, REMARK_PX))
        .fold(0.0, f64::max);
    let label_width = if chart.paper == Paper::Wide { label_width } else { label_width.min(76.0) };
    let columns = Columns::new(chart, label_width, remark_width);
    let names = Names::new(rows().map(|row| row.taster.as_str()), ROW_PX, label_width);

    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, chart.paper.width(WIDTH)),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
            ("subtitle", words::tasters_read(chart.lang).to_owned()),
        ],
    );
    for panel in &chart.panels {
        draw_taster_panel(&mut canvas, (chart.lang, chart.paper), &columns, panel, &names);
    }
    let mut lines = chart.footnotes.clone();
    lines.extend(names.key_note(chart.lang));
    if chart.paper == Paper::Narrow {
        // There is no room for the words at the ends of three axes.
        let lang = chart.lang;
        let each = [
            (words::offset(lang), words::higher(lang)),
            (words::slope(lang), words::wider(lang)),
            (words::noise(lang), words::noisier(lang)),
        ]
        .map(|(head, end)| format!("{head} → {end}"));
        lines.push(each.join(words::list_gap(lang)));
    }
    // A remark too long for its row, or without room beside it, stands below the chart in full.
    for panel in &chart.panels {
        let told: Vec<String> = panel
            .rows
            .iter()
            .filter_map(|row| Some((row, row.remark.as_ref()?)))
            .filter(|(_, remark)| !in_row(remark, chart.paper))
            .map(|(row, remark)| format!("{}{}{remark}", row.taster, chart.lang.colon()))
            .collect();
        if !told.is_empty() {
            let gap = words::list_gap(chart.lang);
            lines.push(format!("{}{}{}", panel.label, chart.lang.comma(), told.join(gap)));
        }
    }
    canvas.notes(lines);
    canvas.finish()
}

/// Whether a remark fits beside its row, in two lines at most.
fn in_row(remark: &str, paper: Paper) -> bool {
    paper == Paper::Wide && wrap(remark, REMARK_PX, REMARK_WIDTH).len() <= 2
}

fn check_rows(chart: &TasterRows) -> Result<(), PlotError> {
    if chart.panels.is_empty() || chart.panels.iter().any(|panel| panel.rows.is_empty()) {
        return Err(PlotError::Empty {
            chart: chart.title.clone(),
            expected: "taster for each term",
        });
    }
    for panel in &chart.panels {
        for row in &panel.rows {
            for (what, estimate) in
                [("offset", &row.offset), ("slope", &row.slope), ("noise", &row.noise)]
            {
                let Some(estimate) = estimate else { continue };
                let place = format!("{}, taster {}, {what}", panel.label, row.taster);
                check_estimate(&place, estimate)?;
                if what == "noise" && (estimate.lower < 0.0 || estimate.value <= 0.0) {
                    return Err(PlotError::BadNumber {
                        place,
                        found: estimate.value.to_string(),
                        expected: "a ratio above 0",
                    });
                }
            }
        }
    }
    Ok(())
}

/// The three axes of a row.
struct Columns {
    offset: Axis,
    slope: Axis,
    /// In powers of two.
    noise: Axis,
    remark_left: f64,
}

impl Columns {
    fn new(chart: &TasterRows, label_width: f64, remark_width: f64) -> Self {
        let rows = || chart.panels.iter().flat_map(|panel| &panel.rows);
        let left = MARGIN + label_width + 14.0;
        let gap = if chart.paper == Paper::Wide { GAP } else { 12.0 };
        let right = chart.paper.width(WIDTH)
            - MARGIN
            - if remark_width > 0.0 { remark_width + 14.0 } else { 0.0 };
        let width = (right - left - 2.0 * gap) / 3.0;
        let axis = |index: f64, range| Axis {
            range,
            left: left + index * (width + gap),
            right: left + index * (width + gap) + width,
        };
        let reach = |at: f64, least: f64, most: f64, values: &mut dyn Iterator<Item = Estimate>| {
            values
                .flat_map(|e| [(e.lower - at).abs(), (e.upper - at).abs()])
                .fold(least, f64::max)
                .min(most)
        };
        let offset = reach(0.0, 1.0, 10.0, &mut rows().filter_map(|row| row.offset)).ceil();
        let slope =
            (reach(1.0, 1.0, 3.0, &mut rows().filter_map(|row| row.slope)) * 2.0).ceil() / 2.0;
        let noise =
            reach(0.0, 1.0, 4.0, &mut rows().filter_map(|row| row.noise).map(to_powers)).ceil();
        Self {
            offset: axis(0.0, (-offset, offset)),
            slope: axis(1.0, (1.0 - slope, 1.0 + slope)),
            noise: axis(2.0, (-noise, noise)),
            remark_left: right + 14.0,
        }
    }
}

/// A ratio as a power of two; a lower end of 0 lies far below every axis.
fn to_powers(ratio: Estimate) -> Estimate {
    Estimate {
        value: ratio.value.log2(),
        lower: ratio.lower.max(1e-9).log2(),
        upper: ratio.upper.log2(),
    }
}

fn draw_taster_panel(
    canvas: &mut Canvas,
    (lang, paper): (Lang, Paper),
    columns: &Columns,
    panel: &TasterPanel,
    names: &Names,
) {
    let top = canvas.y;
    let place = format!("label of the term {}", panel.label);
    canvas.text(
        &place,
        &panel.label,
        (MARGIN, top + 13.0),
        14.5,
        Anchor::Start,
        INK,
        paper.width(WIDTH) - 2.0 * MARGIN,
    );
    canvas.describe(&format!("{}:", panel.label));
    // On a phone a head needs two lines.
    let first = top + if paper == Paper::Wide { 48.0 } else { 64.0 };
    let bottom = first + panel.rows.len() as f64 * PITCH;
    for (axis, head) in [
        (&columns.offset, words::offset(lang)),
        (&columns.slope, words::slope(lang)),
        (&columns.noise, words::noise(lang)),
    ] {
        let wide = axis.right - axis.left;
        if paper == Paper::Wide {
            let at = (axis.left, top + 36.0);
            canvas.text("head", head, at, 12.5, Anchor::Start, PALE_INK, wide);
            continue;
        }
        canvas.check("head", head);
        for (i, line) in wrap(head, 11.5, wide + 8.0).iter().enumerate() {
            let at = (axis.left, top + 33.0 + 13.0 * i as f64);
            canvas.push_text(line, at, 11.5, Anchor::Start, PALE_INK);
        }
    }
    let ends = |low: &'static str, high: &'static str| match paper {
        Paper::Wide => (low, high),
        Paper::Narrow => ("", ""),
    };
    let offset = ends(words::lower(lang), words::higher(lang));
    columns.offset.draw(canvas, first, bottom, offset, "offset");
    let slope = ends(words::narrower(lang), words::wider(lang));
    columns.slope.draw(canvas, first, bottom, slope, "slope");
    let noise = ends(words::steadier(lang), words::noisier(lang));
    draw_power_axis(canvas, &columns.noise, first, bottom, noise);
    for (axis, alike) in [(&columns.offset, 0.0), (&columns.slope, 1.0), (&columns.noise, 0.0)] {
        canvas.dashes((axis.x(alike), first - 3.0), (axis.x(alike), bottom), 1.2, RULE);
    }
    for (index, row) in panel.rows.iter().enumerate() {
        let y = first + (index as f64 + 0.5) * PITCH;
        canvas.check("name of a taster", &row.taster);
        canvas.push_text(names.shown(&row.taster), (MARGIN, y), ROW_PX, Anchor::Start, INK);
        for (axis, estimate) in [
            (&columns.offset, row.offset),
            (&columns.slope, row.slope),
            (&columns.noise, row.noise.map(to_powers)),
        ] {
            canvas.line((axis.left, y), (axis.right, y), 0.7, HAIRLINE);
            match estimate {
                Some(estimate) => axis.estimate(canvas, y, &estimate, Marker::Disc, LEAF),
                None => canvas.text(
                    "chart",
                    words::no_estimate(lang),
                    (axis.left + 4.0, y),
                    11.5,
                    Anchor::Start,
                    PALE_INK,
                    axis.right - axis.left,
                ),
            }
        }
        if let Some(remark) = row.remark.as_ref().filter(|_| paper == Paper::Wide) {
            let place = format!("remark on the taster {}", row.taster);
            canvas.check(&place, remark);
            let whole = wrap(remark, REMARK_PX, REMARK_WIDTH);
            let lines: Vec<String> =
                if in_row(remark, paper) { whole } else { vec![words::see_below(lang).to_owned()] };
            let first_line = y - (lines.len() - 1) as f64 * REMARK_PITCH / 2.0;
            for (i, line) in lines.iter().enumerate() {
                let at = (columns.remark_left, first_line + i as f64 * REMARK_PITCH);
                canvas.push_text(line, at, REMARK_PX, Anchor::Start, INK);
            }
        }
        canvas.describe(&spoken(lang, row));
    }
    canvas.y = bottom + if paper == Paper::Wide { 46.0 } else { 32.0 };
}

/// The axis of a ratio: ticks at powers of two.
fn draw_power_axis(canvas: &mut Canvas, axis: &Axis, top: f64, bottom: f64, ends: (&str, &str)) {
    let most = ((axis.right - axis.left) / 18.0).floor().max(2.0);
    let powers = ticks(axis.range, (axis.range.1 - axis.range.0).min(most));
    for power in powers {
        let x = axis.x(power);
        let text = match power as i32 {
            -4 => "1/16".to_owned(),
            -3 => "1/8".to_owned(),
            -2 => "¼".to_owned(),
            -1 => "½".to_owned(),
            p => number(2f64.powi(p)),
        };
        canvas.line((x, top), (x, bottom), 1.0, HAIRLINE);
        canvas.text("noise", &text, (x, bottom + 9.0), 11.0, Anchor::Middle, PALE_INK, 40.0);
    }
    canvas.line((axis.left, bottom), (axis.right, bottom), 1.0, INK);
    if ends.0.is_empty() {
        return;
    }
    let room = (axis.right - axis.left) / 2.0 - 6.0;
    let (low, high) = (format!("← {}", ends.0), format!("{} →", ends.1));
    canvas.text("noise", &low, (axis.left, bottom + 25.0), 11.0, Anchor::Start, PALE_INK, room);
    canvas.text("noise", &high, (axis.right, bottom + 25.0), 11.0, Anchor::End, PALE_INK, room);
}

/// A row as a screen reader says it.
fn spoken(lang: Lang, row: &TasterRow) -> String {
    let say = |name: &str, estimate: &Option<Estimate>| match estimate {
        None => format!("{name} {}", words::no_estimate(lang)),
        Some(e) => {
            format!("{name} {} ({} … {})", number(e.value), number(e.lower), number(e.upper))
        }
    };
    format!(
        "{}: {}, {}, {}.",
        row.taster,
        say(words::offset(lang), &row.offset),
        say(words::slope(lang), &row.slope),
        say(words::noise(lang), &row.noise)
    )
}
