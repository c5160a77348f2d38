//! What the drift of the panel is on all terms together: one reference says little about one term,
//! but a panel that grows sparing with points mostly does so on every term.

use blindsteep_stats::pooling::{Pooled, pool};
use schemars::JsonSchema;
use serde::Serialize;

use super::super::{Answer, cell_model, say};
use super::term::Term;
use super::words::signed;
use super::{Change, TermCourse};
use crate::scores::{ScaleKind, TermScores};

/// The drift of the panel on several terms, each with the others taken as evidence.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SharedDrift {
    /// The mean over the terms, points a year.
    pub per_year: Estimated,
    /// How far the drifts of terms differ themselves: a standard deviation, points a year; 0 where
    /// they do not differ beyond their errors.
    pub tau: f64,
    /// The mean correlation of what is left of two terms' scores of one cup by one taster.
    pub mean_correlation: f64,
    /// Term by term.
    pub terms: Vec<TermDrift>,
}

impl SharedDrift {
    /// What it says in a sentence.
    #[must_use]
    pub(super) fn sentence(&self) -> String {
        let p = &self.per_year;
        let moved = format!(
            "{} points a year ({} to {})",
            signed(p.value),
            signed(p.lower),
            signed(p.upper)
        );
        let n = self.terms.len();
        let differ = if self.tau > 0.0 {
            format!("the drifts of terms differ by {} (standard deviation)", say(self.tau))
        } else {
            "the drifts of terms do not differ beyond their errors".to_owned()
        };
        let sure = |t: &TermDrift| t.with_others.lower > 0.0 || t.with_others.upper < 0.0;
        let sure = self.terms.iter().filter(|t| sure(t)).count();
        format!(
            "Over {n} line terms together the panel drifts by {moved}; {differ}. With the other terms \
             taken as evidence the drift leaves out 0 on {sure} of {n}."
        )
    }
}

/// The drift on one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermDrift {
    /// The term.
    pub term: String,
    /// What its own scores of the reference say, points a year.
    pub own: Change,
    /// With the other terms taken as evidence.
    pub with_others: Estimated,
}

/// A number with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Estimated {
    /// The number.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Two-sided p.
    pub p_value: f64,
}

impl From<Pooled> for Estimated {
    fn from(p: Pooled) -> Self {
        let Pooled { value, se, lower, upper, p_value } = p;
        Self { value, se, lower, upper, p_value }
    }
}

/// The drift of all line terms with one pair of ends together, from the courses of the reference.
pub(super) fn shared(courses: &[TermCourse], terms: &[Term], level: f64) -> Answer<SharedDrift> {
    let told: Vec<(&TermCourse, Change)> = courses
        .iter()
        .filter(|c| c.scale == ScaleKind::Line)
        .filter_map(|c| Some((c, *c.per_year_raw.known()?)))
        .filter(|(_, change)| change.se > 0.0)
        .collect();
    let same =
        |c: &TermCourse| told.iter().filter(|(o, _)| o.ends.known() == c.ends.known()).count();
    let most = told.iter().map(|(c, _)| same(c)).max().unwrap_or(0);
    let told: Vec<(&TermCourse, Change)> =
        told.iter().filter(|(c, _)| same(c) == most).copied().collect();
    if told.len() < 3 {
        return Answer::unknown("fewer than three line terms have a drift a year");
    }
    let left: Vec<Option<(&TermScores, Vec<f64>)>> = told
        .iter()
        .map(|(c, _)| {
            let t = terms.iter().find(|t| t.scores.term.id == c.term)?;
            Some((&t.scores, left_over(&t.scores)))
        })
        .collect();
    let r = |i: usize, j: usize| match (&left[i], &left[j]) {
        (Some((a, x)), Some((b, y))) if cell_model::alike(a, b) => correlation(x, y),
        _ => 0.0,
    };
    let k = told.len();
    let covariance: Vec<Vec<f64>> = (0..k)
        .map(|i| {
            (0..k)
                .map(|j| if i == j { 1.0 } else { r(i, j) } * told[i].1.se * told[j].1.se)
                .collect()
        })
        .collect();
    let pairs = (k * (k - 1)) as f64;
    let mean_correlation = (0..k)
        .flat_map(|i| (0..k).filter(move |j| *j != i).map(move |j| (i, j)))
        .map(|(i, j)| r(i, j))
        .sum::<f64>()
        / pairs;
    let values: Vec<f64> = told.iter().map(|(_, c)| c.value).collect();
    match pool(&values, &covariance, level) {
        Ok(found) => Answer::Known(SharedDrift {
            per_year: found.mean.into(),
            tau: found.tau,
            mean_correlation,
            terms: told
                .iter()
                .zip(found.each)
                .map(|((c, own), with_others)| TermDrift {
                    term: c.term.clone(),
                    own: *own,
                    with_others: with_others.into(),
                })
                .collect(),
        }),
        Err(e) => Answer::unknown(e.to_string()),
    }
}

/// What is left of scores less the means of their sample in its session and of their taster.
fn left_over(t: &TermScores) -> Vec<f64> {
    let mut left = t.values.clone();
    let mut without = |codes: &[u32]| {
        let n = codes.iter().max().map_or(0, |m| *m as usize + 1);
        let (mut sums, mut counts) = (vec![0.0; n], vec![0.0; n]);
        for (code, v) in codes.iter().zip(&left) {
            sums[*code as usize] += v;
            counts[*code as usize] += 1.0;
        }
        for (code, v) in codes.iter().zip(left.iter_mut()) {
            *v -= sums[*code as usize] / counts[*code as usize];
        }
    };
    if let Some(w) = &t.taster {
        without(&w.codes);
    }
    let cells =
        t.session.as_ref().map_or_else(|| t.lot.clone(), |s| crate::scores::cross(&t.lot, s));
    without(&cells.codes);
    left
}

fn correlation(x: &[f64], y: &[f64]) -> f64 {
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let r = product(x, y) / (product(x, x) * product(y, y)).sqrt();
    // Of two columns that are one the covariance would have no inverse.
    if r.is_finite() { r.clamp(-0.98, 0.98) } else { 0.0 }
}
