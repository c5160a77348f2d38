//! A look ahead: made only where it is asked for, and only where the tastings carry it.

use blindsteep_stats::courses::{Course, Form};
use schemars::JsonSchema;
use serde::Serialize;

use super::super::{Answer, count};
use super::forms::{BandPoint, ages_apart};
use super::real::FirstReal;
use super::words::say_month;

/// Tastings at ages of their own that a projection needs.
const LEAST: usize = 5;
/// A course that misses its tastings by more than luck does in so many cases is not carried on.
const MISSES: f64 = 0.05;
/// How far beyond the last tasting it may go, as a share of the span from first to last.
const FARTHEST: f64 = 0.5;
/// Points of the curve.
const POINTS: usize = 12;

/// What a further tasting would be.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Projection {
    /// The age that is asked, in months; of several the latest.
    pub month: f64,
    /// The value there.
    pub value: f64,
    /// Lower limit of what one further tasting by such a panel would say.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// The same from the last tasting to that age, with every age that was asked.
    pub curve: Vec<BandPoint>,
    /// What it rests on.
    pub rule: String,
}

/// No projection, for a reason; another where none was asked.
pub(super) fn refused(asked: &[f64], why: &str) -> Answer<Projection> {
    if asked.is_empty() {
        return Answer::unknown("a projection is made only where it is asked for");
    }
    Answer::unknown(format!("no projection: {why}"))
}

/// The projection to the ages `asked`.
pub(super) fn projection(
    course: &Course,
    months: &[f64],
    first_real: &Answer<FirstReal>,
    asked: &[f64],
    level: f64,
) -> Answer<Projection> {
    let refused = |why: &str| refused(asked, why);
    let first = months.iter().copied().fold(f64::INFINITY, f64::min);
    let last = months.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let Some(to) = asked.iter().copied().reduce(f64::max) else { return refused("") };
    let farthest = last + FARTHEST * (last - first);
    let apart = ages_apart(months);
    if apart < LEAST {
        return refused(&format!(
            "it needs {LEAST} tastings at ages of their own, and {}",
            count(apart, "counts", "count")
        ));
    }
    if let Some(inside) = asked.iter().find(|m| **m <= last) {
        return refused(&format!(
            "month {} is no later than the last tasting (month {}); the band shows the course there",
            say_month(*inside),
            say_month(last)
        ));
    }
    if to > farthest {
        return refused(&format!(
            "month {} lies beyond half of the time followed, which ends at month {}",
            say_month(to),
            say_month(farthest)
        ));
    }
    if course.chosen() == Form::Smooth {
        return refused("the smooth course leads, and it says nothing beyond the last tasting");
    }
    match first_real {
        Answer::Unknown(why) => return refused(&why.reason),
        Answer::Known(first) if !first.lasts => {
            return refused("the change was gone again at the last tasting");
        }
        Answer::Known(_) => {}
    }
    if course.lack_of_fit().p_value < MISSES {
        return refused("the course misses its tastings by more than luck");
    }
    let mut at: Vec<f64> =
        (1..=POINTS).map(|i| last + (to - last) * i as f64 / POINTS as f64).collect();
    at.extend(asked);
    at.sort_by(f64::total_cmp);
    at.dedup();
    let all: Vec<BandPoint> = course
        .ahead(&at, level)
        .iter()
        .map(|v| BandPoint { month: v.at, value: v.value, lower: v.lower, upper: v.upper })
        .collect();
    match all.last().filter(|v| v.lower.is_finite() && v.upper.is_finite()) {
        None => refused("too little is left to measure chance by"),
        Some(v) => Answer::Known(Projection {
            month: v.month,
            value: v.value,
            lower: v.lower,
            upper: v.upper,
            rule: format!(
                "A projection, not a tasting: what one further tasting by such a panel would say if \
                 the course goes on as a {} one. From {apart} tastings at ages of their own ({LEAST} \
                 needed), for a change that is beyond luck among the term's own tastings and \
                 still there at the last, no farther than half of the time followed (month {}). A \
                 course that levels off looks straight in few tastings: then this goes too far.",
                match course.chosen() {
                    Form::Saturating => "saturating or straight",
                    _ if apart < Form::Saturating.least() => "straight",
                    _ => "straight or saturating",
                },
                say_month(farthest)
            ),
            curve: all,
        }),
    }
}
