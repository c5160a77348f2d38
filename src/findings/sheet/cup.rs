//! The cup on its scales: what the panel's scores say well enough to be printed.

use std::cmp::Reverse;

use blindsteep_stats::dist::t_two_sided;
use blindsteep_stats::multiple::benjamini_hochberg;
use schemars::JsonSchema;
use serde::Serialize;

use super::subject::{NotIssued, Tasting};
use super::{MOST_ROWS, Tasted, Tick, labelled};
use crate::book::labels::Labels;
use crate::book::vocabulary::{Ends, Scale, Term};
use crate::findings::compare::{self, ComparedTerm};
use crate::findings::term_comparison::Level;
use crate::findings::{ALPHA, Answer, Settings};
use crate::scores;

/// The cup on its scales.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Cup {
    /// The levels that are printed, in the order in which the terms were asked.
    pub rows: Vec<CupRow>,
    /// Terms that were scored and are not printed.
    pub not_printed: Vec<NotPrinted>,
    /// A level is printed when its interval is at most this far to either side, in points of a scale of 10.
    pub half_width_limit: f64,
    /// Terms in which it stood out from the samples tasted beside it, or why nothing is compared.
    pub compared: Answer<Vec<Compared>>,
    /// The words that fit best: what at least half of the answers ticked, then the highest levels whose whole
    /// interval lies in the upper half of its scale.
    pub best: Vec<BestWord>,
    /// Terms in which the samples of the session were tested against each other.
    pub n_tested: usize,
    /// Terms in which they were told apart.
    pub n_told_apart: usize,
    /// In how many luck alone would show differences.
    pub n_by_luck: f64,
}

/// The level of a term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CupRow {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// The number at the low end of its scale.
    pub low: f64,
    /// The number at the high end.
    pub high: f64,
    /// The words at the ends, by language.
    pub ends: Ends,
    /// The level: the mean adjusted for who scored which cups, cut at the ends of its scale, or one person's
    /// plain mean.
    pub level: f64,
    /// Its interval, tasters a sample.
    pub interval: Answer<Interval>,
    /// Scores.
    pub n_scores: usize,
    /// Whether the samples of the session were told apart in this term.
    pub told_apart: Answer<bool>,
}

/// A word that fits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct BestWord {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
}

/// An interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Interval {
    /// Lower limit, cut at the end of the scale.
    pub lower: f64,
    /// Upper limit, cut likewise.
    pub upper: f64,
    /// Half of its width before it was cut.
    pub half_width: f64,
}

/// A sample against the mean of all samples of its session, where that difference is beyond luck. It may be
/// known where the level is not: what the tasters' own offsets blur is the level.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Compared {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// Its level less the mean of the other samples of that tasting, the reference left out.
    pub from_others: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Whether it is above.
    pub above: bool,
    /// Its p among all that were compared (Benjamini and Hochberg).
    pub q_value: f64,
}

/// A term that is not printed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NotPrinted {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// "too-wide", "no-room" or "unknown".
    pub why: String,
    /// Half the width of its interval, in points of a scale of 10.
    pub half_width: Answer<f64>,
}

/// The levels of a sample in its last session.
pub(super) fn cup(
    last: &Tasting<'_>,
    tasted: &Tasted,
    ticks: &[Tick],
    limit: f64,
    settings: &Settings,
) -> Result<Cup, NotIssued> {
    let session = std::slice::from_ref(last.session);
    let table = scores::from_revealed(session).map_err(|e| NotIssued::Scores(e.to_string()))?;
    let found = compare::terms(&table, settings);
    let sample = last.served_as.to_string();
    let mut rows = Vec::new();
    let mut not_printed = Vec::new();
    let mut beside = Vec::new();
    let mut n_tested = 0;
    let mut n_told_apart = 0;
    for term in &last.session.terms {
        let Some((low, high)) = term.scale.range() else { continue };
        let Some(t) = found.iter().find(|t| t.lots.term == term.id) else { continue };
        if let Some(apart) = t.lots.discriminates.known() {
            n_tested += 1;
            n_told_apart += usize::from(*apart);
        }
        if !last.scores().any(|s| s.term == term.id) {
            continue;
        }
        let level = match t.lots.levels.as_ref() {
            Answer::Known(levels) => levels
                .iter()
                .find(|l| l.lot == sample)
                .map_or_else(|| Answer::unknown("it has no level in this term"), Answer::Known),
            Answer::Unknown(u) => Answer::Unknown(u),
        };
        beside.extend(level.known().and_then(|l| compared(term, l, t)));
        match level.and_then(|l| row(term, l, t, (low, high), tasted)) {
            Answer::Known(row) => {
                // One person's own mean has no interval to be judged by: it is called an opinion.
                let half = row.interval.as_ref().map(|i| scaled(i.half_width, low, high));
                if half.known().is_none_or(|h| *h <= limit) {
                    rows.push(row);
                } else {
                    not_printed.push(left_out(term, "too-wide", half));
                }
            }
            Answer::Unknown(u) => {
                not_printed.push(left_out(term, "unknown", Answer::Unknown(u)));
            }
        }
    }
    let rows = with_room(rows, &last.session.terms, &mut not_printed);
    let compared = if tasted.individual_opinions {
        Answer::unknown("so few tasters give individual opinions, so nothing is compared")
    } else if n_tested == 0 {
        Answer::unknown("there was nothing beside it to be compared with")
    } else {
        Answer::Known(standing_out(beside))
    };
    Ok(Cup {
        compared,
        best: best_words(&rows, ticks),
        rows,
        not_printed,
        half_width_limit: limit,
        n_tested,
        n_told_apart,
        n_by_luck: ALPHA * n_tested as f64,
    })
}

/// A width in points of a scale of 10.
fn scaled(width: f64, low: f64, high: f64) -> f64 {
    width * 10.0 / (high - low)
}

fn left_out(term: &Term, why: &str, half_width: Answer<f64>) -> NotPrinted {
    let labels = labelled(&term.labels, &term.id);
    NotPrinted { term: term.id.clone(), labels, why: why.to_owned(), half_width }
}

/// The rows that have room: those told apart before others, high before low; then in the order of asking.
fn with_room(
    mut rows: Vec<CupRow>,
    terms: &[Term],
    not_printed: &mut Vec<NotPrinted>,
) -> Vec<CupRow> {
    let asked = |row: &CupRow| terms.iter().position(|t| t.id == row.term);
    rows.sort_by(|a, b| {
        let apart = |r: &CupRow| Reverse(r.told_apart == Answer::Known(true));
        let height = |r: &CupRow| (r.level - r.low) / (r.high - r.low);
        apart(a).cmp(&apart(b)).then_with(|| height(b).total_cmp(&height(a)))
    });
    let mut beyond = rows.split_off(rows.len().min(MOST_ROWS));
    rows.sort_by_key(&asked);
    beyond.sort_by_key(&asked);
    for row in beyond {
        let half_width = row.interval.as_ref().map(|i| scaled(i.half_width, row.low, row.high));
        let CupRow { term, labels, .. } = row;
        not_printed.push(NotPrinted { term, labels, why: "no-room".to_owned(), half_width });
    }
    rows
}

/// A sheet names at most so many.
const MOST_WORDS: usize = 5;

fn best_words(rows: &[CupRow], ticks: &[Tick]) -> Vec<BestWord> {
    let ticked = ticks
        .iter()
        .filter(|t| 2 * t.n_ticked >= t.n)
        .map(|t| BestWord { term: t.term.clone(), labels: t.labels.clone() });
    let height = |r: &&CupRow| (r.level - r.low) / (r.high - r.low);
    let mut high: Vec<&CupRow> = rows
        .iter()
        .filter(|r| r.interval.known().is_some_and(|i| i.lower > f64::midpoint(r.low, r.high)))
        .collect();
    high.sort_by(|a, b| height(b).total_cmp(&height(a)));
    let high =
        high.into_iter().map(|r| BestWord { term: r.term.clone(), labels: r.labels.clone() });
    ticked.chain(high).take(MOST_WORDS).collect()
}

fn row(
    term: &Term,
    level: &Level,
    found: &ComparedTerm,
    (low, high): (f64, f64),
    tasted: &Tasted,
) -> Answer<CupRow> {
    let alone = tasted.n_tasters == 1;
    let (value, interval) = if alone {
        let why = "one person's opinion: no interval says what others would find";
        (level.raw_mean, Answer::unknown(why))
    } else {
        match &level.adjusted {
            Answer::Known(n) => {
                let half_width = (n.upper - n.lower) / 2.0;
                let shown = n.shown();
                let (lower, upper) = (shown.lower, shown.upper);
                (shown.value, Answer::Known(Interval { lower, upper, half_width }))
            }
            Answer::Unknown(u) => return Answer::Unknown(u.clone()),
        }
    };
    let ends = match &term.scale {
        Scale::Line { ends, .. } | Scale::Bipolar { ends, .. } => ends.clone(),
        _ => Ends::new(),
    };
    Answer::Known(CupRow {
        term: term.id.clone(),
        labels: labelled(&term.labels, &term.id),
        low,
        high,
        ends,
        level: value,
        interval,
        n_scores: level.n_scores,
        told_apart: found.lots.discriminates.clone(),
    })
}

/// A term in which the panel told the samples apart, compared with the other samples; its q is
/// filled in when all are known.
fn compared(term: &Term, level: &Level, found: &ComparedTerm) -> Option<Compared> {
    if found.lots.discriminates != Answer::Known(true) {
        return None;
    }
    let d = level.from_others.known()?;
    Some(Compared {
        term: term.id.clone(),
        labels: labelled(&term.labels, &term.id),
        from_others: d.value,
        lower: d.lower,
        upper: d.upper,
        above: d.value > 0.0,
        q_value: t_two_sided(d.value / d.se, d.df),
    })
}

/// Comparing words need a difference that stands out among all that were compared.
fn standing_out(mut all: Vec<Compared>) -> Vec<Compared> {
    let p: Vec<f64> = all.iter().map(|c| c.q_value).collect();
    // Every p is a number from 0 to 1, or there would be no interval.
    let q = benjamini_hochberg(&p).unwrap_or_default();
    for (c, q) in all.iter_mut().zip(q) {
        c.q_value = q;
    }
    all.retain(|c| c.q_value < ALPHA);
    all
}
