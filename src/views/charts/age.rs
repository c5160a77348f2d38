//! Courses as charts: how each lot moved, and how it was then and is now.

use super::{Chart, Words};
use crate::findings::Answer;
use crate::findings::age::{
    Age, BandPoint, Change, CourseOf, Point, SampleAge, TermCourse, is_shown,
};
use crate::findings::term_comparison::LevelNumbers;
use crate::plots::courses::{Course, CourseMark, CoursePanel, Courses, Fitted, courses};
use crate::plots::then_now::{ThenNow, ThenNowPanel, ThenNowRow, then_now};
use crate::plots::{Basis, Estimate, Paper, PlotError};

/// The chart of samples of several lots.
pub const TOGETHER: &str = "courses.svg";
/// So many samples of several lots are drawn into one chart.
const MOST_TOGETHER: usize = 3;

/// courses-LOT.svg and then-now-LOT.svg for each lot that was tasted more than once; courses.svg where
/// few samples of several lots were asked for.
///
/// # Errors
/// [`PlotError`], if a name has characters that cannot be shown.
pub fn age(f: &Age, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let mut charts = Vec::new();
    for lot in f.lots() {
        let samples: Vec<&SampleAge> = f.samples.iter().filter(|s| s.lot == lot).collect();
        if !samples.iter().any(|s| s.terms.iter().any(moved)) {
            continue;
        }
        charts.push(Chart::new(
            file_name("courses", lot),
            courses(&courses_of(f, lot, &samples, words))?,
        ));
        // A page has the courses; then and now is for a folder of charts.
        if words.paper == Paper::Wide {
            charts.push(Chart::new(
                file_name("then-now", lot),
                then_now(&then_now_of(f, lot, &samples, words))?,
            ));
        }
    }
    let told: Vec<&SampleAge> = f.samples.iter().filter(|s| s.terms.iter().any(moved)).collect();
    let several = told.iter().any(|s| s.lot != told[0].lot);
    if several && told.len() <= MOST_TOGETHER {
        let of = told.iter().map(|s| s.sample.as_str()).collect::<Vec<_>>().join(", ");
        charts.push(Chart::new(TOGETHER, courses(&courses_of(f, &of, &told, words))?));
    }
    if charts.is_empty() {
        return Err(PlotError::Empty {
            chart: title(words).to_owned(),
            expected: "sample that was tasted twice",
        });
    }
    Ok(charts)
}

/// A file name for a lot: a table may name lots as it likes.
#[must_use]
pub fn file_name(kind: &str, lot: &str) -> String {
    let safe = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '_' };
    format!("{kind}-{}.svg", lot.chars().map(safe).collect::<String>())
}

fn title(words: &Words) -> &'static str {
    words.pick("How do stored lots move?", "存茶如何变化？")
}

fn moved(t: &TermCourse) -> bool {
    t.last_change.known().is_some() || t.last_change_raw.known().is_some()
}

fn of_change(c: &Answer<Change>) -> Option<Estimate> {
    c.known().map(|c| Estimate { value: c.value, lower: c.lower, upper: c.upper })
}

fn of_level(l: &Answer<LevelNumbers>) -> Option<Estimate> {
    l.known().map(|l| super::drawn(&l.shown()))
}

fn basis(f: &Age, samples: &[&SampleAge], of: &str) -> Basis {
    let n_scores = samples.iter().flat_map(|s| &s.tastings).map(|t| t.n_scores).sum();
    Basis { n_tasters: f.tasters.len(), n_scores, level: f.settings.level, of: of.to_owned() }
}

fn clock(f: &Age, words: &Words) -> String {
    if f.source.kind == "sessions" {
        words.pick("months since the lot was made", "自制成之日起的月数").to_owned()
    } else {
        words.pick("months, as the table counts them", "月数（按表中所记）").to_owned()
    }
}

/// What a sample is called among those of its lot.
fn short(s: &SampleAge, lot: &str) -> String {
    s.arm.clone().filter(|_| s.lot == lot).unwrap_or_else(|| s.sample.clone())
}

fn courses_of(f: &Age, of: &str, samples: &[&SampleAge], words: &Words) -> Courses {
    let mut panels = Vec::new();
    let mut scales: Vec<Option<[f64; 2]>> = Vec::new();
    for (i, first) in samples[0].terms.iter().enumerate() {
        let of_term: Vec<(&SampleAge, &TermCourse)> =
            samples.iter().filter_map(|s| Some((*s, s.terms.get(i)?))).collect();
        if !of_term.iter().any(|(_, t)| moved(t)) {
            continue;
        }
        let all: Vec<Course> = of_term
            .iter()
            .map(|(s, t)| course(t, short(s, of)))
            .filter(|c| !c.marks.is_empty())
            .collect();
        let corrected = all.iter().flat_map(|c| &c.marks).any(|m| m.corrected.is_some());
        scales.push(first.ends.known().copied());
        panels.push(CoursePanel {
            label: words.name(&first.term),
            ends: words.ends(&first.term),
            range: range(&all, first.ends.known().copied()),
            held: first.held.known().copied().filter(|_| corrected),
            courses: all,
        });
    }
    alike(&mut panels, &scales);
    let ahead =
        samples.iter().flat_map(|s| &s.terms).filter_map(|t| Some(t.projection.known()?.month));
    let months = samples.iter().flat_map(|s| &s.tastings).map(|t| t.month).chain(ahead);
    let (from, to) = months.fold((0.0_f64, 1.0_f64), |(a, b), m| (a.min(m), b.max(m)));
    Courses {
        lang: words.lang,
        paper: words.paper,
        title: format!("{}{of}", words.pick("How it moved: ", "变化历程：")),
        subtitle: sessions(samples),
        basis: basis(
            f,
            samples,
            match f.reference.known() {
                Some(_) => words.pick("the distance from the reference", "与参照样之差"),
                None => words.pick("the level as scored", "原始评分的水平"),
            },
        ),
        clock: clock(f, words),
        months: (from, to + (to - from) * 0.03),
        panels,
        footnotes: footnotes(f, words),
    }
}

/// One span for all terms of one scale, so that a point is as tall in each panel; where it lies is
/// the panel's own.
fn alike(panels: &mut [CoursePanel], scales: &[Option<[f64; 2]>]) {
    let span = |p: &CoursePanel| p.range.1 - p.range.0;
    let spans: Vec<f64> = scales
        .iter()
        .map(|own| {
            let same = panels.iter().zip(scales).filter(|(_, other)| *other == own);
            same.map(|(p, _)| span(p)).fold(0.0, f64::max)
        })
        .collect();
    for ((panel, span), ends) in panels.iter_mut().zip(spans).zip(scales) {
        let more = span - (panel.range.1 - panel.range.0);
        let [least, most] = ends.unwrap_or([f64::NEG_INFINITY, f64::INFINITY]);
        // As much below as above, but not beyond the ends where there is room on the other side.
        let below = (0.5 * more).floor();
        let low = (panel.range.0 - below).min(most - span).max(least.min(panel.range.0));
        panel.range = (low, low + span);
    }
}

fn sessions(samples: &[&SampleAge]) -> String {
    let mut all: Vec<&str> = Vec::new();
    for t in samples.iter().flat_map(|s| &s.tastings) {
        if !all.contains(&t.session.as_str()) {
            all.push(&t.session);
        }
    }
    all.join(", ")
}

/// A term of a sample on its scale: what lies beside the reference is put where the reference stands.
fn course(t: &TermCourse, label: String) -> Course {
    let held = t.held.known().copied();
    let up = |e: Estimate, by: f64| Estimate {
        value: e.value + by,
        lower: e.lower + by,
        upper: e.upper + by,
    };
    let mark = |p: &Point| CourseMark {
        month: p.month,
        raw: of_level(&p.raw),
        corrected: held.and_then(|h| Some(up(of_change(&p.beside)?, h))),
    };
    let fitted = |points: &[BandPoint], by: f64| -> Vec<Fitted> {
        points
            .iter()
            .map(|p| Fitted {
                month: p.month,
                at: up(Estimate { value: p.value, lower: p.lower, upper: p.upper }, by),
            })
            .collect()
    };
    // What is as scored stands on the scale by itself.
    let fit = t.fit.known().and_then(|f| match f.of {
        CourseOf::Corrected => Some((f, held?)),
        CourseOf::AsScored => Some((f, 0.0)),
    });
    Course {
        label,
        marks: t
            .points
            .iter()
            .filter(|p| p.pooled)
            .map(mark)
            .filter(|m| m.raw.is_some() || m.corrected.is_some())
            .collect(),
        band: fit.map(|(f, by)| fitted(&f.band, by)).unwrap_or_default(),
        ahead: match (t.projection.known(), fit) {
            (Some(p), Some((_, by))) => fitted(&p.curve, by),
            _ => Vec::new(),
        },
    }
}

/// A range in whole points that holds every mark and, within the ends of the scale, every interval.
fn range(all: &[Course], ends: Option<[f64; 2]>) -> (f64, f64) {
    let marks = || all.iter().flat_map(|c| &c.marks);
    let fitted = || all.iter().flat_map(|c| c.band.iter().chain(&c.ahead)).map(|p| p.at);
    let values = marks().flat_map(|m| m.raw.iter().chain(&m.corrected)).map(|e| e.value);
    let [least, most] = ends.unwrap_or([f64::NEG_INFINITY, f64::INFINITY]);
    let limits = marks()
        .filter_map(|m| m.corrected.or(m.raw))
        .chain(fitted())
        .flat_map(|e| [e.lower.max(least), e.upper.min(most)]);
    let (low, high) = values
        .chain(limits)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    let step = if high - low > 2.0 { 1.0 } else { 0.5 };
    let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
    if low < high { (low, high) } else { (low - step, high + step) }
}

fn then_now_of(f: &Age, lot: &str, samples: &[&SampleAge], words: &Words) -> ThenNow {
    let mut panels: Vec<ThenNowPanel> = Vec::new();
    for s in samples {
        let pooled = || s.tastings.iter().filter(|t| t.pooled.known().is_some());
        let (Some(first), Some(last)) = (pooled().next(), pooled().next_back()) else { continue };
        let (from, to) = (month(first.month), month(last.month));
        let label = words.pick(
            format!("{}: month {from} and month {to}", s.sample),
            format!("{}：第 {from} 个月与第 {to} 个月", s.sample),
        );
        for t in s.terms.iter().filter(|t| moved(t)) {
            let Some(ends) = t.ends.known() else { continue };
            let corrected = t.last_change.known().is_some();
            let ends = (ends[0], ends[1]);
            let names = words.ends(&t.term);
            let row = row(t, corrected, words);
            match panels.iter_mut().find(|p| p.label == label && p.range == ends) {
                Some(panel) => {
                    if panel.ends != names {
                        let (low, high) = words.pick(("less", "more"), ("少", "多"));
                        panel.ends = (low.to_owned(), high.to_owned());
                    }
                    panel.rows.push(row);
                }
                None => panels.push(ThenNowPanel {
                    label: label.clone(),
                    ends: names,
                    range: ends,
                    rows: vec![row],
                }),
            }
        }
    }
    ThenNow {
        lang: words.lang,
        title: format!("{}{lot}", words.pick("Then and now: ", "当初与现在：")),
        subtitle: sessions(samples),
        basis: basis(
            f,
            samples,
            words.pick("the level, tasters a sample", "水平（评茶员视为抽样）"),
        ),
        panels,
        footnotes: footnotes(f, words),
    }
}

fn row(t: &TermCourse, corrected: bool, words: &Words) -> ThenNowRow {
    let first = t.points.iter().find(|p| p.pooled);
    let last = t.points.iter().rfind(|p| p.pooled);
    let level =
        |p: Option<&Point>| p.and_then(|p| of_level(if corrected { &p.corrected } else { &p.raw }));
    let change = if corrected { &t.last_change } else { &t.last_change_raw };
    let word = match change.known().filter(|c| corrected && is_shown(c)) {
        Some(c) if c.value < 0.0 => words.pick("less", "更少"),
        Some(_) => words.pick("more", "更多"),
        None => "",
    };
    ThenNowRow {
        label: words.name(&t.term),
        first: level(first),
        last: level(last),
        change: of_change(change),
        word: word.to_owned(),
    }
}

/// Months of age with at most one decimal.
#[must_use]
pub fn month(m: f64) -> String {
    let text = format!("{m:.1}");
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

fn footnotes(f: &Age, words: &Words) -> Vec<String> {
    let mut notes = super::footnotes(f.individual_opinions, f.tasters.len(), words);
    match f.reference.known() {
        Some(name) => notes.push(words.pick(
            format!(
                "Corrected: the reference {name} is held to have stayed the same (an assumption), \
                 and what it moved by is taken off."
            ),
            format!("校正：假定参照样 {name} 始终不变，并扣除其变动（此为假定）。"),
        )),
        None => notes.push(
            words
                .pick(
                    "No reference: the panel's drift and ageing cannot be told apart. All as scored.",
                    "无参照样：评茶组的漂移与存放变化无法区分，均为原始评分。",
                )
                .to_owned(),
        ),
    }
    notes
}
