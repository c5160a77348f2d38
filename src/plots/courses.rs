//! How samples moved: one panel a term, age to the right, change since the first tasting upwards.

use plotters::style::RGBColor;

use super::axis::{check_estimate, check_range, ticks};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, Marker, PALE_INK, PAPER, RULE, lot_style};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, PlotError};

/// One tasting of a sample.
#[derive(Debug, Clone, PartialEq)]
pub struct CourseMark {
    /// Age in months.
    pub month: f64,
    /// As the scores say it: a hollow mark; its interval is drawn where nothing is corrected.
    pub raw: Option<Estimate>,
    /// The panel's drift taken off: a filled mark on its interval.
    pub corrected: Option<Estimate>,
}

/// One sample of a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Name of the sample or arm, the same in all panels.
    pub label: String,
    /// Its tastings, by age.
    pub marks: Vec<CourseMark>,
}

/// One term.
#[derive(Debug, Clone, PartialEq)]
pub struct CoursePanel {
    /// Label of the term.
    pub label: String,
    /// Names of the low and the high end of its scale.
    pub ends: (String, String),
    /// Ends of the upward axis.
    pub range: (f64, f64),
    /// The samples.
    pub courses: Vec<Course>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Courses {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// Title.
    pub title: String,
    /// A line below the title; may be empty.
    pub subtitle: String,
    /// What the numbers rest on.
    pub basis: Basis,
    /// What the axis to the right counts, such as `months since the lot was made`.
    pub clock: String,
    /// Ends of the axis to the right, in months.
    pub months: (f64, f64),
    /// Whether 0 is the first tasting and gets a line of its own.
    pub zero: bool,
    /// The terms, in reading order.
    pub panels: Vec<CoursePanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 980.0;
const GAP: f64 = 26.0;
const HEIGHT: f64 = 132.0;
const LABEL_PX: f64 = 11.5;
/// Shapes that can be filled or hollow.
const FILLED: [Marker; 5] =
    [Marker::Disc, Marker::Square, Marker::TriangleUp, Marker::Diamond, Marker::TriangleDown];
/// Room for the numbers of the upward axis.
const NUMBERS: f64 = 30.0;

/// Draws courses, one panel a term.
///
/// # Errors
/// [`PlotError::Empty`] without panels or marks; [`PlotError::BadNumber`] for a number that is not
/// finite or an interval that does not hold its value; [`PlotError::MissingGlyphs`].
pub fn courses(chart: &Courses) -> Result<String, PlotError> {
    check(chart)?;
    let all = || chart.panels.iter().flat_map(|p| &p.courses).map(|c| c.label.as_str());
    let longest = all().map(|l| text_width(l, LABEL_PX)).fold(0.0, f64::max);
    let columns = match chart.panels.len() {
        1 => 1,
        2 | 4 => 2,
        _ => 3,
    };
    let width = if columns == 1 { 560.0 } else { WIDTH };
    let cell = (width - 2.0 * MARGIN - GAP * (columns - 1) as f64) / columns as f64;
    let several = chart.panels.iter().any(|p| p.courses.len() > 1);
    let room = if several { (longest + 10.0).min(cell * 0.3) } else { 8.0 };
    let names = Names::new(all(), LABEL_PX, room - 8.0);
    let mut order: Vec<&str> = Vec::new();
    for label in all() {
        if !order.contains(&label) {
            order.push(label);
        }
    }
    let mut marks = chart.panels.iter().flat_map(|p| &p.courses).flat_map(|c| &c.marks);
    let read = if !chart.zero {
        words::courses_read_plain(chart.lang)
    } else if marks.any(|m| m.corrected.is_some()) {
        words::courses_read(chart.lang)
    } else {
        words::courses_read_raw(chart.lang)
    };
    let mut canvas = Canvas::new(
        chart.lang,
        width,
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
            ("subtitle", read.to_owned()),
        ],
    );
    for line in chart.panels.chunks(columns) {
        let top = canvas.y;
        for (column, panel) in line.iter().enumerate() {
            let left = MARGIN + column as f64 * (cell + GAP);
            let frame = Frame {
                left: left + NUMBERS,
                right: left + cell - room,
                top: top + 42.0,
                bottom: top + 42.0 + HEIGHT,
                months: chart.months,
                range: panel.range,
            };
            draw_panel(&mut canvas, chart, panel, &frame, (&names, &order, several));
        }
        canvas.y = top + 42.0 + HEIGHT + 34.0;
    }
    canvas.check("axis", &chart.clock);
    let mut notes = vec![format!("{}{}", words::to_the_right(chart.lang), chart.clock)];
    notes.extend(chart.footnotes.iter().cloned());
    notes.extend(names.key_note(chart.lang));
    canvas.notes(notes);
    canvas.finish()
}

fn check(chart: &Courses) -> Result<(), PlotError> {
    let empty = |expected| PlotError::Empty { chart: chart.title.clone(), expected };
    if chart.panels.is_empty() {
        return Err(empty("term whose changes are known"));
    }
    check_range(&format!("{}, months", chart.title), chart.months)?;
    for panel in &chart.panels {
        if panel.courses.iter().all(|c| c.marks.is_empty()) {
            return Err(empty("tasting for each term"));
        }
        check_range(&format!("term {}", panel.label), panel.range)?;
        for course in &panel.courses {
            for mark in &course.marks {
                let place = format!("term {}, {}", panel.label, course.label);
                if !mark.month.is_finite() {
                    return Err(PlotError::BadNumber {
                        place,
                        found: mark.month.to_string(),
                        expected: "an age in months",
                    });
                }
                for estimate in mark.raw.iter().chain(&mark.corrected) {
                    check_estimate(&place, estimate)?;
                }
            }
        }
    }
    Ok(())
}

/// Where a panel's numbers stand on the paper.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    months: (f64, f64),
    range: (f64, f64),
}

impl Frame {
    fn x(&self, month: f64) -> f64 {
        let share = (month - self.months.0) / (self.months.1 - self.months.0);
        self.left + share * (self.right - self.left)
    }

    fn y(&self, value: f64) -> f64 {
        let value = value.clamp(self.range.0, self.range.1);
        let share = (value - self.range.0) / (self.range.1 - self.range.0);
        self.bottom - share * (self.bottom - self.top)
    }

    fn holds(&self, value: f64) -> bool {
        value >= self.range.0 && value <= self.range.1
    }
}

fn draw_panel(
    canvas: &mut Canvas,
    chart: &Courses,
    panel: &CoursePanel,
    frame: &Frame,
    (names, order, several): (&Names, &[&str], bool),
) {
    let head = frame.left - NUMBERS;
    let place = format!("label of the term {}", panel.label);
    let at = (head, frame.top - 29.0);
    canvas.text(&place, &panel.label, at, 14.5, Anchor::Start, INK, frame.right - head);
    canvas.describe(&format!("{}:", panel.label));
    let up = format!("↑ {}", panel.ends.1);
    let at = (frame.left, frame.top - 11.0);
    canvas.text(&place, &up, at, 11.0, Anchor::Start, PALE_INK, frame.right - frame.left);
    for tick in ticks(frame.range, 5.0) {
        let y = frame.y(tick);
        canvas.line((frame.left, y), (frame.right, y), 0.8, HAIRLINE);
        let text =
            if chart.zero && tick > 1e-9 { format!("+{}", number(tick)) } else { number(tick) };
        canvas.text("axis", &text, (frame.left - 6.0, y), 11.0, Anchor::End, PALE_INK, 26.0);
    }
    for tick in ticks(frame.months, ((frame.right - frame.left) / 40.0).floor().max(2.0)) {
        let x = frame.x(tick);
        canvas.line((x, frame.bottom), (x, frame.bottom + 3.0), 1.0, INK);
        let at = (x, frame.bottom + 11.0);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::Middle, PALE_INK, 40.0);
    }
    canvas.line((frame.left, frame.bottom), (frame.right, frame.bottom), 1.0, INK);
    if chart.zero && frame.holds(0.0) {
        let y = frame.y(0.0);
        canvas.dashes((frame.left, y), (frame.right, y), 1.2, RULE);
    }
    let mut labels: Vec<(f64, &Course, RGBColor)> = Vec::new();
    for course in &panel.courses {
        let index = order.iter().position(|o| *o == course.label).unwrap_or(0);
        let (colour, _) = lot_style(index);
        let marker = FILLED[index % FILLED.len()];
        // Beside one another, so that marks of one session do not cover each other.
        let n = panel.courses.len();
        let own = panel.courses.iter().position(|c| std::ptr::eq(c, course)).unwrap_or(0);
        let shift = if n > 1 { (own as f64 - (n - 1) as f64 / 2.0) * 5.0 } else { 0.0 };
        let end = draw_course(canvas, course, frame, (colour, marker), shift);
        if let Some(y) = end {
            labels.push((y, course, colour));
        }
        canvas.describe(&spoken(chart.lang, course));
    }
    if several {
        label_ends(canvas, frame, labels, names);
    }
}

/// Draws a course; where its last mark stands.
fn draw_course(
    canvas: &mut Canvas,
    course: &Course,
    frame: &Frame,
    (colour, marker): (RGBColor, Marker),
    shift: f64,
) -> Option<f64> {
    let best = |m: &CourseMark| m.corrected.or(m.raw);
    let places: Vec<(f64, f64)> = course
        .marks
        .iter()
        .filter_map(|m| Some((frame.x(m.month) + shift, frame.y(best(m)?.value))))
        .collect();
    for pair in places.windows(2) {
        canvas.line(pair[0], pair[1], 1.0, colour);
    }
    for m in &course.marks {
        let x = frame.x(m.month) + shift;
        if let Some(e) = best(m) {
            bar(canvas, frame, x, &e, colour);
        }
        if let Some(raw) = m.raw.filter(|r| frame.holds(r.value)) {
            let at = (x, frame.y(raw.value));
            canvas.marker(at, 3.6, marker, colour);
            canvas.marker(at, 2.2, marker, PAPER);
        }
        if let Some(e) = m.corrected.filter(|e| frame.holds(e.value)) {
            canvas.marker((x, frame.y(e.value)), 3.8, marker, colour);
        }
    }
    places.last().map(|p| p.1)
}

/// An upright interval; one that leaves the panel ends in a point.
fn bar(canvas: &mut Canvas, frame: &Frame, x: f64, e: &Estimate, colour: RGBColor) {
    if e.lower >= e.upper {
        return;
    }
    let (low, high) = (frame.y(e.lower), frame.y(e.upper));
    canvas.line((x, low), (x, high), 1.2, colour);
    for (value, y, way) in [(e.lower, low, 1.0), (e.upper, high, -1.0)] {
        if frame.holds(value) {
            canvas.line((x - 2.5, y), (x + 2.5, y), 1.2, colour);
        } else {
            let tip = vec![(x, y + 5.0 * way), (x - 3.0, y), (x + 3.0, y)];
            canvas.polygon(tip, colour);
        }
    }
}

/// The names of the courses at their ends, moved apart where they would meet.
fn label_ends(
    canvas: &mut Canvas,
    frame: &Frame,
    mut labels: Vec<(f64, &Course, RGBColor)>,
    names: &Names,
) {
    const PITCH: f64 = 13.0;
    labels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut taken = f64::NEG_INFINITY;
    let total = PITCH * labels.len() as f64;
    let most = frame.bottom - 4.0;
    for (i, (y, course, colour)) in labels.iter().enumerate() {
        let rest = PITCH * (labels.len() - 1 - i) as f64;
        let place = y.max(taken + PITCH).min(most - rest).max(frame.top - total);
        taken = place;
        canvas.check(&format!("label of {}", course.label), &course.label);
        let at = (frame.right + 8.0, place);
        canvas.push_text(names.shown(&course.label), at, LABEL_PX, Anchor::Start, *colour);
    }
}

/// A course as a screen reader says it.
fn spoken(lang: Lang, course: &Course) -> String {
    let mark = |m: &CourseMark| {
        let month = number((m.month * 10.0).round() / 10.0);
        let text = match m.corrected.or(m.raw) {
            None => words::no_estimate(lang).to_owned(),
            Some(e) => {
                let (value, lower, upper) = (number(e.value), number(e.lower), number(e.upper));
                match lang {
                    Lang::En => format!("{value} ({lower} to {upper})"),
                    Lang::Zh => format!("{value}（{lower} 至 {upper}）"),
                }
            }
        };
        format!("{month}: {text}")
    };
    let marks: Vec<String> = course.marks.iter().map(mark).collect();
    format!("{} {};", course.label, marks.join(words::list_gap(lang)))
}
