//! monitor-repeats.svg and monitor-slopes.svg: each taster over the sessions.

use super::{Chart, Words, footnotes};
use crate::findings::Answer;
use crate::findings::Estimate;
use crate::findings::monitor::{Monitor, Step};
use crate::plots::courses::{Course, CourseMark, CoursePanel, Courses, courses};
use crate::plots::{self, Basis, PlotError};

/// Each taster's repeats and slope, session by session.
///
/// # Errors
/// [`PlotError`], if there is nothing to draw or a name has characters that cannot be shown.
pub fn monitor(f: &Monitor, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let repeats = drawn(
        f,
        words,
        words.pick("Do repeats lie together?", "重复评分是否接近？"),
        words.pick(("closer", "further apart, sd in points"), ("接近", "分散（标准差，分）")),
        |s| &s.repeatability,
        1.0,
    )?;
    let slopes = drawn(
        f,
        words,
        words.pick("How much of the scale does each use?", "各人使用标度的幅度"),
        words.pick(("less", "points to one of the others"), ("窄", "他人每变一分本人的变化")),
        |s| &s.slope,
        1.5,
    )?;
    Ok(vec![Chart::new("monitor-repeats.svg", repeats), Chart::new("monitor-slopes.svg", slopes)])
}

fn drawn(
    f: &Monitor,
    words: &Words,
    title: &str,
    ends: (&str, &str),
    pick: fn(&Step) -> &Answer<Estimate>,
    least: f64,
) -> Result<String, PlotError> {
    let place = |session: &str| {
        f.sessions.iter().position(|s| s == session).map_or(0.0, |at| (at + 1) as f64)
    };
    let known = |s: &Step| pick(s).known().copied();
    // A course that strays far is cut off, so that the others can be read.
    let values = f.courses.iter().flat_map(|c| c.sessions.iter().filter_map(known));
    let high = values.map(|e| e.value).fold(least, f64::max) * 1.25;
    let low = f.courses.iter().flat_map(|c| c.sessions.iter().filter_map(known));
    let low = (low.map(|e| e.value).fold(0.0, f64::min) * 1.25).min(0.0);
    let panels: Vec<CoursePanel> = f
        .courses
        .iter()
        .map(|c| CoursePanel {
            label: c.taster.clone(),
            ends: (ends.0.to_owned(), ends.1.to_owned()),
            range: (low, high),
            held: None,
            courses: vec![Course {
                // The panel bears the name.
                label: String::new(),
                marks: c
                    .sessions
                    .iter()
                    .filter_map(|s| {
                        let e = known(s)?;
                        let corrected =
                            plots::Estimate { value: e.value, lower: e.lower, upper: e.upper };
                        Some(CourseMark {
                            month: place(&s.session),
                            raw: None,
                            corrected: Some(corrected),
                        })
                    })
                    .collect(),
                band: Vec::new(),
                ahead: Vec::new(),
            }],
        })
        .filter(|p| p.courses.iter().any(|c| !c.marks.is_empty()))
        .collect();
    let mut notes = footnotes(f.individual_opinions, f.tasters.len(), words);
    let order: Vec<String> =
        f.sessions.iter().enumerate().map(|(i, s)| format!("{}·{s}", i + 1)).collect();
    notes.push(order.join(words.pick("; ", "；")));
    courses(&Courses {
        lang: words.lang,
        paper: words.paper,
        title: title.to_owned(),
        subtitle: words
            .pick(
                "Only terms in which the panel tells the lots apart in that session",
                "仅含评茶组在该场能区分批次的评语",
            )
            .to_owned(),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores: f
                .rounds
                .iter()
                .filter(|r| r.session != crate::findings::monitor::ALL)
                .flat_map(|r| &r.judged)
                .flat_map(|t| &t.tasters)
                .map(|t| t.figures.n_cups)
                .sum(),
            level: f.settings.level,
            of: words.pick("each taster against the others", "每位评茶员与其余各位相比").to_owned(),
        },
        clock: words.pick("sessions in their order", "场次顺序").to_owned(),
        months: (0.5, f.sessions.len() as f64 + 0.5),
        panels,
        footnotes: notes,
    })
}
