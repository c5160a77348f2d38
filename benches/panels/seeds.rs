//! The intervals of habits over many seeds of the garden, against what was planted.
//!
//! The truth is in the estimand: offset, slope and drift are what the same formulas give on the
//! mean that each taster writes of these lots in these sessions (absences, rounding and ends of the
//! scale counted in). Variances of repeats have no formula where the ends of the scale cut them:
//! their truth is the mean over all seeds, since a mean square is unbiased.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use blindsteep::demo::simulated;
use blindsteep::demo::truth::TASTERS;
use blindsteep::findings::answer::{Answer, Estimate};
use blindsteep::findings::habits::{Codes, Habits, over_all};
use blindsteep::scores::Scores;
use rayon::prelude::*;

/// Coverage that the intervals claim.
pub const LEVEL: f64 = 0.95;

/// What is printed of a taster with an interval.
const PRINTED: [&str; 5] = ["offset", "slope", "noise sd", "noise ratio", "drift"];
/// What of it was planted.
const PLANTED: [(&str, &str); 7] = [
    ("bo", "slope"),
    ("bo", "noise sd"),
    ("cy", "offset"),
    ("dee", "noise sd"),
    ("dee", "noise ratio"),
    ("finn", "drift"),
    ("finn", "offset"),
];

/// One figure of one taster over the seeds.
pub struct Counted {
    /// The taster.
    pub who: String,
    /// The figure.
    pub what: &'static str,
    /// Whether it is what was planted in that taster.
    pub planted: bool,
    /// Seed by seed, whether the interval held the truth.
    pub hits: Vec<bool>,
    /// Sum of the estimates.
    pub value: f64,
    /// Sum of the truths.
    pub truth: f64,
    /// Sum of the half-widths.
    pub half: f64,
}

/// The habits that `agree` names.
pub fn habits_of(scores: &Scores) -> Option<Habits> {
    let terms = scores.all_terms(false);
    let codes = Codes::of(&terms, scores.words("taster"));
    over_all(&terms, &codes, LEVEL).known().cloned()
}

/// An interval with its middle, and the truth if it is known.
type Figure = ([f64; 3], Option<f64>);

/// By taster and figure: value, lower and upper limit.
type Intervals = BTreeMap<(String, &'static str), [f64; 3]>;

fn intervals(h: &Habits) -> Intervals {
    let mut all = Intervals::new();
    for t in &h.tasters {
        let figures = [&t.offset, &t.slope, &t.noise, &t.noise_ratio, &t.drift];
        for (what, figure) in PRINTED.into_iter().zip(figures) {
            if let Answer::Known(Estimate { value, lower, upper }) = figure {
                all.insert((t.taster.clone(), what), [*value, *lower, *upper]);
            }
        }
    }
    all
}

/// Asks every seed.
pub fn counted(seeds: RangeInclusive<u64>) -> Vec<Counted> {
    let all: Vec<(Intervals, Intervals)> = seeds
        .into_par_iter()
        .filter_map(|seed| {
            let found = habits_of(&simulated::scores(seed))?;
            let truth = habits_of(&simulated::expected_scores(seed, &TASTERS))?;
            Some((intervals(&found), intervals(&truth)))
        })
        .collect();
    let mut figures: BTreeMap<(String, &'static str), Vec<Figure>> = BTreeMap::new();
    for (found, truths) in &all {
        for (key, three) in found {
            let truth = truths.get(key).map(|t| t[0]);
            figures.entry(key.clone()).or_default().push((*three, truth));
        }
    }
    figures
        .into_iter()
        .map(|((who, what), seeds)| {
            // A ratio of mean squares lies above by d/(d − 2), d the some 300 degrees of freedom of
            // the others: the root of its mean is as good as the truth.
            let squares: f64 = seeds.iter().map(|(v, _)| v[0] * v[0]).sum();
            let usual = (squares / seeds.len() as f64).sqrt();
            let planted = PLANTED.contains(&(who.as_str(), what));
            let mut c =
                Counted { who, what, planted, hits: Vec::new(), value: 0.0, truth: 0.0, half: 0.0 };
            for ([value, lower, upper], truth) in seeds {
                let truth = if what.starts_with("noise") { Some(usual) } else { truth };
                let Some(truth) = truth else { continue };
                c.hits.push(lower <= truth && truth <= upper);
                c.value += value;
                c.truth += truth;
                c.half += 0.5 * (upper - lower);
            }
            c
        })
        .collect()
}
