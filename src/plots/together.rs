//! What moved together: the lower triangle of correlations, columns that are not told apart outlined.

use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::{self, text_width};
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK};
use super::words;
use super::{Lang, Paper, PlotError};

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Together {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// What it is drawn on.
    pub paper: Paper,
    /// Title.
    pub title: String,
    /// A line below the title, which says of how many lots; may be empty.
    pub subtitle: String,
    /// Names of the columns; those of a group beside each other.
    pub columns: Vec<String>,
    /// For each column the correlations with those before it, -1 to 1.
    pub r: Vec<Vec<f64>>,
    /// How many columns each group has, in the order of the columns.
    pub groups: Vec<usize>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const NAME_PX: f64 = 12.5;
/// No name takes more of the paper.
const WIDEST_NAME: f64 = 330.0;
/// A cell that holds its number.
const NUMBERED: f64 = 34.0;

/// Draws correlations as discs whose size is |r|, filled where columns rise together and open where one falls.
///
/// # Errors
/// [`PlotError::Empty`] with fewer than two columns; [`PlotError::BadNumber`] for a correlation that is none, or a
/// triangle that does not fit the columns; [`PlotError::MissingGlyphs`] for characters that cannot be shown.
pub fn together(chart: &Together) -> Result<String, PlotError> {
    check(chart)?;
    let n = chart.columns.len();
    let numbered: Vec<String> =
        chart.columns.iter().enumerate().map(|(i, name)| format!("{} {name}", i + 1)).collect();
    let widest = numbered.iter().map(|n| text_width(n, NAME_PX)).fold(0.0, f64::max);
    let narrow = chart.paper == Paper::Narrow;
    // On a phone names stand above the triangle, and its cells have their numbers if they hold them.
    let label = if narrow { 0.0 } else { widest.min(WIDEST_NAME) + 14.0 };
    let wide = chart.paper.width(980.0) - 2.0 * MARGIN - label;
    let cell =
        if narrow { (wide / n as f64).min(50.0) } else { (wide / n as f64).clamp(34.0, 50.0) };
    let width = chart.paper.width((2.0 * MARGIN + label + cell * n as f64).max(620.0));
    let subtitles =
        [("subtitle", chart.subtitle.clone()), ("subtitle", words::r_read(chart.lang).to_owned())];
    let mut canvas = Canvas::new(chart.lang, (chart.paper, width), &chart.title, &subtitles);
    if narrow {
        for name in &numbered {
            canvas.paragraph("name of a parameter", name, NAME_PX, 17.0, INK);
        }
    }
    let (left, top) = (MARGIN + label, canvas.y + 8.0);
    let x = |j: usize| left + j as f64 * cell;
    let y = |i: usize| top + i as f64 * cell;
    for (i, name) in numbered.iter().enumerate() {
        let place = format!("name of the parameter {}", chart.columns[i]);
        canvas.check(&place, name);
        if !narrow {
            let shown = font::fit_middle(name, NAME_PX, label - 10.0);
            canvas.push_text(&shown, (MARGIN, y(i) + cell / 2.0), NAME_PX, Anchor::Start, INK);
        }
        let number = (i + 1).to_string();
        let middle = (x(i) + cell / 2.0, y(i) + cell / 2.0);
        canvas.push_text(&number, middle, NAME_PX, Anchor::Middle, PALE_INK);
        canvas.line((MARGIN, y(i + 1)), (x(i + 1), y(i + 1)), 0.7, HAIRLINE);
        for (j, r) in chart.r[i].iter().enumerate() {
            let with_number = cell >= NUMBERED;
            let at = (x(j) + cell / 2.0, y(i) + cell * if with_number { 0.36 } else { 0.5 });
            let most = if with_number { 0.27 } else { 0.42 };
            let radius = (cell * most * r.abs().sqrt()).max(1.2);
            let (marker, colour) =
                if *r >= 0.0 { (Marker::Disc, LEAF) } else { (Marker::Ring, INK) };
            canvas.marker(at, radius, marker, colour);
            let below = (x(j) + cell / 2.0, y(i) + cell * 0.83);
            if with_number {
                canvas.push_text(&two_digits(*r), below, 11.0, Anchor::Middle, INK);
            }
            canvas.describe(&format!(
                "{} / {} {};",
                chart.columns[i],
                chart.columns[j],
                two_digits(*r)
            ));
        }
    }
    let mut first = 0;
    for size in &chart.groups {
        let last = first + size;
        if *size > 1 {
            outline(&mut canvas, (x(first), y(first)), (x(last), y(last)));
        }
        first = last;
    }
    canvas.y = y(n) + 14.0;
    let mut lines = Vec::new();
    if chart.groups.iter().any(|g| *g > 1) {
        lines.push(words::outlined(chart.lang).to_owned());
    }
    lines.extend(chart.footnotes.iter().cloned());
    canvas.notes(lines);
    canvas.finish()
}

fn outline(canvas: &mut Canvas, (l, t): (f64, f64), (r, b): (f64, f64)) {
    for (from, to) in [((l, t), (r, t)), ((r, t), (r, b)), ((r, b), (l, b)), ((l, b), (l, t))] {
        canvas.line(from, to, 2.0, INK);
    }
}

/// A correlation with a true minus sign; two digits, none of them lost to rounding up to 1.
fn two_digits(r: f64) -> String {
    let text = format!("{r:.2}");
    let text = match text.as_str() {
        "1.00" | "-1.00" if r.abs() < 1.0 - 1e-9 => format!("{:.2}", 0.99_f64.copysign(r)),
        "-0.00" => "0.00".to_owned(),
        _ => text,
    };
    text.replace('-', "−")
}

fn check(chart: &Together) -> Result<(), PlotError> {
    let n = chart.columns.len();
    if n < 2 {
        return Err(PlotError::Empty {
            chart: chart.title.clone(),
            expected: "pair of parameters",
        });
    }
    let bad =
        |place: String, found: String, expected| PlotError::BadNumber { place, found, expected };
    let fits = chart.r.len() == n && chart.r.iter().enumerate().all(|(i, row)| row.len() == i);
    if !fits || chart.groups.iter().sum::<usize>() != n {
        return Err(bad(
            chart.title.clone(),
            format!("{} rows and groups of {:?} for {n} columns", chart.r.len(), chart.groups),
            "a triangle and groups that fit the columns",
        ));
    }
    for (row, name) in chart.r.iter().zip(&chart.columns) {
        if let Some(r) = row.iter().find(|r| r.is_nan() || r.abs() > 1.0 + 1e-9) {
            return Err(bad(name.clone(), r.to_string(), "a correlation from -1 to 1"));
        }
    }
    Ok(())
}
