//! How samples moved: one panel a term, age to the right, the scale upwards; tastings as marks, the
//! fitted course as a line in its band, a projection dashed.

use plotters::style::RGBColor;

use super::axis::{check_estimate, check_range, ticks};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, Marker, PALE_INK, PAPER, RULE, lot_style};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, Paper, PlotError};

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

/// A place of a fitted course, with the limits of its band there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    /// Age in months.
    pub month: f64,
    /// Where the course stands.
    pub at: Estimate,
}

/// One sample of a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Name of the sample or arm, the same in all panels.
    pub label: String,
    /// Its tastings, by age.
    pub marks: Vec<CourseMark>,
    /// The fitted course, by age; empty: marks are joined instead.
    pub band: Vec<Fitted>,
    /// What is projected beyond the last tasting, by age; mostly empty.
    pub ahead: Vec<Fitted>,
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
    /// Where the reference stands, which is held constant: a dashed line.
    pub held: Option<f64>,
    /// The samples.
    pub courses: Vec<Course>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Courses {
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
    /// What the axis to the right counts, such as `months since the lot was made`.
    pub clock: String,
    /// Ends of the axis to the right, in months.
    pub months: (f64, f64),
    /// The terms, in reading order.
    pub panels: Vec<CoursePanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 980.0;
const GAP: f64 = 26.0;
const HEIGHT: f64 = 132.0;
const LABEL_PX: f64 = 11.5;
/// How much of a course's colour its band has.
const BAND: f64 = 0.16;
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
    let columns = chart.paper.columns(match chart.panels.len() {
        1 => 1,
        2 | 4 => 2,
        _ => 3,
    });
    let width = chart.paper.width(if columns == 1 { 560.0 } else { WIDTH });
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
    let read = how_to_read(chart);
    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, width),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
            ("subtitle", read),
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

/// How to read what this chart has.
fn how_to_read(chart: &Courses) -> String {
    let courses = || chart.panels.iter().flat_map(|p| &p.courses);
    let lang = chart.lang;
    let corrected = courses().flat_map(|c| &c.marks).any(|m| m.corrected.is_some());
    let raw = courses().flat_map(|c| &c.marks).any(|m| m.raw.is_some());
    let mut all = Vec::new();
    match (corrected, raw) {
        (true, true) => all.push(words::courses_read(lang)),
        (true, false) => all.push(words::courses_read_plain(lang)),
        _ => all.push(words::courses_read_raw(lang)),
    }
    if courses().any(|c| !c.band.is_empty()) {
        all.push(words::courses_read_band(lang));
    }
    if chart.panels.iter().any(|p| p.held.is_some()) {
        all.push(words::courses_read_held(lang));
    }
    if courses().any(|c| !c.ahead.is_empty()) {
        all.push(words::courses_read_ahead(lang));
    }
    let gap = if lang == Lang::Zh { "" } else { " " };
    all.join(gap)
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
            for fitted in course.band.iter().chain(&course.ahead) {
                let place = format!("term {}, course of {}", panel.label, course.label);
                if !fitted.month.is_finite() {
                    return Err(PlotError::BadNumber {
                        place,
                        found: fitted.month.to_string(),
                        expected: "an age in months",
                    });
                }
                check_estimate(&place, &fitted.at)?;
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
        let at = (frame.left - 6.0, y);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::End, PALE_INK, 26.0);
    }
    for tick in ticks(frame.months, ((frame.right - frame.left) / 40.0).floor().max(2.0)) {
        let x = frame.x(tick);
        canvas.line((x, frame.bottom), (x, frame.bottom + 3.0), 1.0, INK);
        let at = (x, frame.bottom + 11.0);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::Middle, PALE_INK, 40.0);
    }
    canvas.line((frame.left, frame.bottom), (frame.right, frame.bottom), 1.0, INK);
    if let Some(y) = panel.held.filter(|h| frame.holds(*h)).map(|h| frame.y(h)) {
        canvas.dashes((frame.left, y), (frame.right, y), 1.2, RULE);
    }
    let styled = |course: &Course| {
        let index = order.iter().position(|o| *o == course.label).unwrap_or(0);
        (lot_style(index).0, FILLED[index % FILLED.len()])
    };
    for course in &panel.courses {
        let (colour, _) = styled(course);
        band(canvas, frame, &course.band, colour, BAND);
        band(canvas, frame, &course.ahead, colour, BAND * 0.5);
    }
    let mut labels: Vec<(f64, &Course, RGBColor)> = Vec::new();
    for course in &panel.courses {
        let (colour, marker) = styled(course);
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
    if course.band.is_empty() {
        for pair in places.windows(2) {
            canvas.line(pair[0], pair[1], 1.0, colour);
        }
    }
    let run = |fitted: &[Fitted]| -> Vec<(f64, f64)> {
        fitted.iter().map(|p| (frame.x(p.month), frame.y(p.at.value))).collect()
    };
    for pair in run(&course.band).windows(2) {
        canvas.line(pair[0], pair[1], 1.8, colour);
    }
    dashed(canvas, &run(&course.ahead), colour);
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
    let fitted = course.ahead.last().or(course.band.last()).map(|p| frame.y(p.at.value));
    fitted.or(places.last().map(|p| p.1))
}

/// A curve in dashes of even length, whatever its pieces.
fn dashed(canvas: &mut Canvas, run: &[(f64, f64)], colour: RGBColor) {
    const DASH: f64 = 6.0;
    let mut gone = 0.0;
    for pair in run.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        let length = (x1 - x0).hypot(y1 - y0);
        let at = |s: f64| (x0 + (x1 - x0) * s / length, y0 + (y1 - y0) * s / length);
        let mut from = 0.0;
        while from < length {
            let in_dash = (gone + from) % (2.0 * DASH);
            let to = (from + DASH - in_dash % DASH).min(length);
            if in_dash < DASH {
                canvas.line(at(from), at(to), 1.8, colour);
            }
            // A hair further, so that rounding cannot stand still.
            from = to + 1e-6;
        }
        gone += length;
    }
}

/// The area between the limits of a fitted course.
fn band(canvas: &mut Canvas, frame: &Frame, fitted: &[Fitted], colour: RGBColor, opacity: f64) {
    if fitted.len() < 2 {
        return;
    }
    let upper = fitted.iter().map(|p| (frame.x(p.month), frame.y(p.at.upper)));
    let lower = fitted.iter().rev().map(|p| (frame.x(p.month), frame.y(p.at.lower)));
    canvas.veil(upper.chain(lower).collect(), colour, opacity);
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
    let mut marks: Vec<String> = course.marks.iter().map(mark).collect();
    if let Some(p) = course.ahead.last() {
        marks.push(words::projected(lang, &number(p.month), &number(p.at.value)));
    }
    format!("{} {};", course.label, marks.join(words::list_gap(lang)))
}
