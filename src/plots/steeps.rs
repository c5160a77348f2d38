//! The course of lots over the steeps of the same leaf: one small panel a lot, term by term.

use super::axis::{check_estimate, check_range, ticks};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::text_width;
use super::names::Names;
use super::palette::{HAIRLINE, INK, LEAF, Marker, PALE_INK, RULE};
use super::words::{self, number};
use super::{Basis, Estimate, Lang, Paper, PlotError};

/// A lot over the steeps.
#[derive(Debug, Clone, PartialEq)]
pub struct SteepCourse {
    /// Name of the lot.
    pub label: String,
    /// Its level in each steep of the chart; none where it was not scored.
    pub levels: Vec<Option<Estimate>>,
}

/// A term.
#[derive(Debug, Clone, PartialEq)]
pub struct SteepPanel {
    /// Label of the term.
    pub label: String,
    /// A remark beside it, such as the test; may be empty.
    pub remark: String,
    /// Names of the low and the high end of its scale.
    pub ends: (String, String),
    /// Ends of the upward axis.
    pub range: (f64, f64),
    /// Names of the steeps, to the right.
    pub steeps: Vec<String>,
    /// The lots.
    pub courses: Vec<SteepCourse>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct SteepCourses {
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
    /// The terms, in reading order.
    pub panels: Vec<SteepPanel>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 980.0;
const COLUMNS: usize = 6;
const GAP: f64 = 14.0;
const NUMBERS: f64 = 24.0;
const HEIGHT: f64 = 88.0;
const PX: f64 = 12.0;

/// Draws courses over steeps.
///
/// # Errors
/// [`PlotError::Empty`] without a term or a lot; [`PlotError::BadNumber`] for a number that is not
/// finite or an interval that does not hold its value; [`PlotError::MissingGlyphs`].
pub fn steep_courses(chart: &SteepCourses) -> Result<String, PlotError> {
    check(chart)?;
    let mut canvas = Canvas::new(
        chart.lang,
        (chart.paper, chart.paper.width(WIDTH)),
        &chart.title,
        &[
            ("subtitle", chart.subtitle.clone()),
            ("subtitle", words::basis(chart.lang, &chart.basis)),
            ("subtitle", words::steeps_read(chart.lang).to_owned()),
        ],
    );
    let width = chart.paper.width(WIDTH);
    let columns = if chart.paper == Paper::Narrow { 2 } else { COLUMNS };
    let cell = (width - 2.0 * MARGIN - GAP * (columns - 1) as f64) / columns as f64;
    let all = chart.panels.iter().flat_map(|p| &p.courses).map(|c| c.label.as_str());
    let names = Names::new(all, PX, cell - NUMBERS);
    for panel in &chart.panels {
        canvas.y += 12.0;
        let place = format!("label of the term {}", panel.label);
        let at = (MARGIN, canvas.y + 8.0);
        canvas.text(&place, &panel.label, at, 14.5, Anchor::Start, INK, 300.0);
        let up = format!("↑ {}", panel.ends.1);
        let at = (MARGIN + text_width(&panel.label, 14.5).min(300.0) + 14.0, canvas.y + 8.5);
        canvas.text(&place, &up, at, 11.5, Anchor::Start, PALE_INK, 200.0);
        if chart.paper == Paper::Narrow {
            canvas.y += 20.0;
            canvas.paragraph(&place, &panel.remark, 11.5, 16.0, PALE_INK);
            canvas.y -= 18.0;
        } else {
            let at = (width - MARGIN, canvas.y + 8.5);
            canvas.text(&place, &panel.remark, at, 11.5, Anchor::End, PALE_INK, 380.0);
        }
        canvas.describe(&format!("{} {}:", panel.label, panel.remark));
        canvas.y += 22.0;
        for line in panel.courses.chunks(columns) {
            let top = canvas.y;
            for (column, course) in line.iter().enumerate() {
                let left = MARGIN + column as f64 * (cell + GAP) + NUMBERS;
                let frame = Frame {
                    left,
                    right: left + cell - NUMBERS,
                    top: top + 20.0,
                    range: panel.range,
                    n: panel.steeps.len(),
                };
                draw(&mut canvas, chart.lang, panel, course, &frame, &names);
            }
            canvas.y = top + 20.0 + HEIGHT + 24.0;
        }
    }
    let mut notes = chart.footnotes.clone();
    notes.extend(names.key_note(chart.lang));
    canvas.notes(notes);
    canvas.finish()
}

fn check(chart: &SteepCourses) -> Result<(), PlotError> {
    let empty = |expected| PlotError::Empty { chart: chart.title.clone(), expected };
    if chart.panels.is_empty() {
        return Err(empty("term scored over several steeps"));
    }
    for panel in &chart.panels {
        if panel.courses.is_empty() || panel.steeps.is_empty() {
            return Err(empty("lot for each term"));
        }
        check_range(&format!("term {}", panel.label), panel.range)?;
        for course in &panel.courses {
            for estimate in course.levels.iter().flatten() {
                check_estimate(&format!("term {}, {}", panel.label, course.label), estimate)?;
            }
        }
    }
    Ok(())
}

struct Frame {
    left: f64,
    right: f64,
    top: f64,
    range: (f64, f64),
    n: usize,
}

impl Frame {
    fn x(&self, steep: usize) -> f64 {
        let share = (steep as f64 + 0.5) / self.n as f64;
        self.left + share * (self.right - self.left)
    }

    fn y(&self, value: f64) -> f64 {
        let value = value.clamp(self.range.0, self.range.1);
        let share = (value - self.range.0) / (self.range.1 - self.range.0);
        self.top + HEIGHT - share * HEIGHT
    }
}

fn draw(
    canvas: &mut Canvas,
    lang: Lang,
    panel: &SteepPanel,
    course: &SteepCourse,
    frame: &Frame,
    names: &Names,
) {
    canvas.check(&format!("label of {}", course.label), &course.label);
    let at = (frame.left, frame.top - 11.0);
    canvas.push_text(names.shown(&course.label), at, PX, Anchor::Start, INK);
    for tick in ticks(frame.range, 3.0) {
        let y = frame.y(tick);
        canvas.line((frame.left, y), (frame.right, y), 0.8, HAIRLINE);
        let at = (frame.left - 5.0, y);
        canvas.text("axis", &number(tick), at, 11.0, Anchor::End, PALE_INK, NUMBERS);
    }
    let bottom = frame.top + HEIGHT;
    canvas.line((frame.left, bottom), (frame.right, bottom), 1.0, INK);
    let room = (frame.right - frame.left) / frame.n as f64;
    for (i, steep) in panel.steeps.iter().enumerate() {
        let at = (frame.x(i), bottom + 10.0);
        canvas.text("axis", steep, at, 11.0, Anchor::Middle, PALE_INK, room);
    }
    for other in panel.courses.iter().filter(|c| !std::ptr::eq(*c, course)) {
        line(canvas, frame, other, 0.8, RULE);
    }
    line(canvas, frame, course, 1.6, LEAF);
    let mut spoken = Vec::new();
    for (i, level) in course.levels.iter().enumerate() {
        let Some(e) = level else {
            spoken.push(words::no_estimate(lang).to_owned());
            continue;
        };
        let x = frame.x(i);
        canvas.line((x, frame.y(e.lower)), (x, frame.y(e.upper)), 1.3, INK);
        canvas.marker((x, frame.y(e.value)), 3.8, Marker::Disc, LEAF);
        let (value, lower, upper) = (number(e.value), number(e.lower), number(e.upper));
        spoken.push(match lang {
            Lang::En => format!("{value} ({lower} to {upper})"),
            Lang::Zh => format!("{value}（{lower} 至 {upper}）"),
        });
    }
    canvas.describe(&format!("{} {};", course.label, spoken.join(words::list_gap(lang))));
}

/// A line through the levels that stand beside each other.
fn line(
    canvas: &mut Canvas,
    frame: &Frame,
    course: &SteepCourse,
    width: f64,
    colour: plotters::style::RGBColor,
) {
    for (i, pair) in course.levels.windows(2).enumerate() {
        if let [Some(a), Some(b)] = pair {
            let (from, to) = ((frame.x(i), frame.y(a.value)), (frame.x(i + 1), frame.y(b.value)));
            canvas.line(from, to, width, colour);
        }
    }
}
