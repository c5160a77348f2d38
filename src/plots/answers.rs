//! Difference tests: right answers beside luck, and how many noticed the difference.

use super::axis::{Axis, check_estimate};
use super::canvas::{Anchor, Canvas, MARGIN};
use super::font::wrap;
use super::palette::{INK, LEAF, Marker, PALE_INK, RULE};
use super::words::{self, number};
use super::{Estimate, Lang, Paper, PlotError};

/// One test.
#[derive(Debug, Clone, PartialEq)]
pub struct AnswerRow {
    /// What was compared, and how.
    pub label: String,
    /// Answers.
    pub n: u64,
    /// Right ones.
    pub correct: u64,
    /// How many luck gets on average.
    pub by_luck: f64,
    /// So many or more show a difference; none if no number does.
    pub needed: Option<u64>,
    /// Whether so many for either side show one.
    pub two_sided: bool,
    /// Of 100 answers those in which the difference was noticed; none where that is not known.
    pub noticed: Option<Estimate>,
}

/// The whole chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Answers {
    /// Language of the chart's own words.
    pub lang: Lang,
    /// What it is drawn on.
    pub paper: Paper,
    /// Title.
    pub title: String,
    /// How many answered how often, and which interval is drawn.
    pub basis: String,
    /// The tests.
    pub rows: Vec<AnswerRow>,
    /// Sentences below the chart.
    pub footnotes: Vec<String>,
}

const WIDTH: f64 = 640.0;
const LABEL_PX: f64 = 14.0;
const HEAD_PX: f64 = 11.5;
/// How much of the leaf's colour the area has in which a difference is shown.
const SHOWN: f64 = 0.16;

/// Draws difference tests, one below the other.
///
/// # Errors
/// [`PlotError::Empty`] without a test; [`PlotError::BadNumber`] for counts that cannot be or an interval that does
/// not hold its value; [`PlotError::MissingGlyphs`].
pub fn answers(chart: &Answers) -> Result<String, PlotError> {
    if chart.rows.is_empty() {
        return Err(PlotError::Empty { chart: chart.title.clone(), expected: "test with answers" });
    }
    for row in &chart.rows {
        if row.n == 0 || row.correct > row.n || !row.by_luck.is_finite() {
            return Err(PlotError::BadNumber {
                place: row.label.clone(),
                found: format!("{} of {} right, {} by luck", row.correct, row.n, row.by_luck),
                expected: "at least one answer, and not more right ones than answers",
            });
        }
        if let Some(e) = &row.noticed {
            check_estimate(&row.label, e)?;
        }
    }
    let width = chart.paper.width(WIDTH);
    let read = words::answers_read(chart.lang).to_owned();
    let subtitles = [("subtitle", chart.basis.clone()), ("subtitle", read)];
    let mut canvas = Canvas::new(chart.lang, (chart.paper, width), &chart.title, &subtitles);
    for row in &chart.rows {
        draw(&mut canvas, chart.lang, row, width);
    }
    canvas.notes(chart.footnotes.iter().cloned());
    canvas.finish()
}

fn draw(canvas: &mut Canvas, lang: Lang, row: &AnswerRow, width: f64) {
    canvas.check("label of a test", &row.label);
    canvas.y += 10.0;
    for line in wrap(&row.label, LABEL_PX, width - 2.0 * MARGIN) {
        canvas.y += 19.0;
        canvas.push_text(&line, (MARGIN, canvas.y - 8.0), LABEL_PX, Anchor::Start, INK);
    }
    let axis = |range| Axis { range, left: MARGIN + 8.0, right: width - MARGIN - 8.0 };
    let head = match row.two_sided {
        true => words::for_the_first(lang),
        false => words::right_answers(lang),
    };
    let right = axis((0.0, row.n as f64));
    let (top, middle, bottom) = begin(canvas, head, width);
    let from = |x: f64| right.x(x.clamp(0.0, row.n as f64));
    if let Some(needed) = row.needed {
        let mut shade = |a: f64, b: f64| {
            let (a, b) = (from(a), from(b));
            canvas.veil(vec![(a, top), (b, top), (b, bottom), (a, bottom)], LEAF, SHOWN);
        };
        shade(needed as f64 - 0.5, row.n as f64);
        if row.two_sided {
            shade(0.0, (row.n - needed) as f64 + 0.5);
        }
    }
    right.draw(canvas, top, bottom, ("", ""), "axis of right answers");
    let luck = from(row.by_luck);
    canvas.dashes((luck, top), (luck, bottom), 1.4, RULE);
    canvas.marker((from(row.correct as f64), middle), 5.0, Marker::Disc, LEAF);
    let needed = row.needed.map_or_else(|| "–".to_owned(), |n| n.to_string());
    canvas.describe(&words::answered(
        lang,
        &row.label,
        (row.correct, row.n),
        (&number(row.by_luck), &needed),
    ));
    canvas.y = bottom + 20.0;
    let Some(e) = &row.noticed else { return };
    let noticed = axis((0.0, 100.0));
    let (top, middle, bottom) = begin(canvas, words::noticed(lang), width);
    noticed.draw(canvas, top, bottom, ("", ""), "axis of those who noticed");
    noticed.estimate(canvas, middle, e, Marker::Disc, LEAF);
    let (value, lower, upper) = (number(e.value), number(e.lower), number(e.upper));
    canvas.describe(&match lang {
        Lang::En => format!("{}: {value} ({lower} to {upper}).", words::noticed(lang)),
        Lang::Zh => format!("{}：{value}（{lower} 至 {upper}）。", words::noticed(lang)),
    });
    canvas.y = bottom + 20.0;
}

/// Writes the head of an axis; the top, the middle and the bottom of what is drawn on it.
fn begin(canvas: &mut Canvas, head: &str, width: f64) -> (f64, f64, f64) {
    canvas.y += 20.0;
    let at = (MARGIN, canvas.y - 8.0);
    canvas.text("head", head, at, HEAD_PX, Anchor::Start, PALE_INK, width - 2.0 * MARGIN);
    let top = canvas.y + 2.0;
    (top, top + 15.0, top + 30.0)
}
