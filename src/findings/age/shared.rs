//! What the drift of the panel is on all terms together: one reference says little about one term,
//! but a panel that grows sparing with points mostly does so on every term.

use blindsteep_stats::pooling::{Pooled, pool};
use schemars::JsonSchema;
use serde::Serialize;

use super::super::{Answer, say};
use super::sums::a_year;
use super::words::signed;
use super::{Change, TermCourse};
use crate::scores::ScaleKind;

/// Fewer terms say more alone than together.
const FEWEST_TERMS: usize = 6;
/// Sessions that a line with an error of its own needs.
const FEWEST_SESSIONS: usize = 5;

/// The drift of the panel on several terms, each with the others taken as evidence.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SharedDrift {
    /// The mean over the terms, points a year.
    pub per_year: Estimated,
    /// How far the drifts of terms differ themselves: a standard deviation, points a year; 0 where
    /// they do not differ beyond their errors.
    pub tau: f64,
    /// Sessions in which the reference was scored in all of these terms.
    pub n_sessions: usize,
    /// The part of the standard error that all terms share: what a day does to all of them alike.
    pub shared_sd: f64,
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
            format!("drifts of terms differ by {} (standard deviation)", say(self.tau))
        } else {
            "drifts of terms do not differ beyond their errors, so that this is the drift of each"
                .to_owned()
        };
        format!(
            "Over {n} line terms and {} sessions together the panel drifts by {moved}; {differ}.",
            self.n_sessions
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
///
/// In each session the mean over the terms is taken: its line over the sessions, with the error that
/// the sessions show about it, holds whatever the day did to all terms alike. What a term's own line
/// adds to it is pooled (`stats::pooling`), with the error that its sessions show about that line.
pub(super) fn shared(courses: &[TermCourse], level: f64) -> Answer<SharedDrift> {
    let told: Vec<(&TermCourse, Change)> = courses
        .iter()
        .filter(|c| c.scale == ScaleKind::Line)
        .filter_map(|c| Some((c, *c.per_year_raw.known()?)))
        .collect();
    let same =
        |c: &TermCourse| told.iter().filter(|(o, _)| o.ends.known() == c.ends.known()).count();
    let most = told.iter().map(|(c, _)| same(c)).max().unwrap_or(0);
    let told: Vec<(&TermCourse, Change)> =
        told.iter().filter(|(c, _)| same(c) == most).copied().collect();
    if told.len() < FEWEST_TERMS {
        return Answer::unknown(format!(
            "it takes {FEWEST_TERMS} line terms on one scale with a drift a year, and there are {}",
            told.len()
        ));
    }
    let at = |c: &TermCourse, session: &str| {
        c.points.iter().find(|p| p.session == session).and_then(|p| Some(p.raw.known()?.value))
    };
    // Sessions in which the reference was scored in all of these terms.
    let rows: Vec<(f64, Vec<f64>)> = told[0]
        .0
        .points
        .iter()
        .filter_map(|p| {
            let values: Option<Vec<f64>> = told.iter().map(|(c, _)| at(c, &p.session)).collect();
            Some((p.month, values?))
        })
        .collect();
    if rows.len() < FEWEST_SESSIONS {
        return Answer::unknown(format!(
            "it takes {FEWEST_SESSIONS} sessions in which the reference was scored in all of these \
             terms, and there are {}",
            rows.len()
        ));
    }
    let k = told.len() as f64;
    let means: Vec<f64> = rows.iter().map(|r| r.1.iter().sum::<f64>() / k).collect();
    let line = |value: &dyn Fn(&[f64], f64) -> f64| {
        let at =
            rows.iter().zip(&means).map(|((month, values), mean)| (*month, value(values, *mean)));
        a_year(&at.collect::<Vec<_>>()).map(|s| (s.estimate, s.se * s.se, s.df))
    };
    let all = line(&|_, mean| mean);
    // What is left of a term less the mean of all misses what went into the mean.
    let own: Result<Vec<(f64, f64)>, _> = (0..told.len())
        .map(|t| line(&|v, mean| v[t] - mean).map(|(slope, v, _)| (slope, v * k / (k - 1.0))))
        .collect();
    let ((slope, variance, df), own) = match (all, own) {
        (Ok(all), Ok(own)) => (all, own),
        (Err(e), _) | (_, Err(e)) => return Answer::unknown(e.to_string()),
    };
    let alone: f64 = own.iter().map(|l| l.1).sum::<f64>() / (k * k);
    let shared = (variance - alone).max(0.0);
    let covariance: Vec<Vec<f64>> = (0..told.len())
        .map(|i| (0..told.len()).map(|j| shared + if i == j { own[i].1 } else { 0.0 }).collect())
        .collect();
    let values: Vec<f64> = own.iter().map(|l| slope + l.0).collect();
    match pool(&values, &covariance, Some((variance, df)), level) {
        Ok(found) => Answer::Known(SharedDrift {
            per_year: found.mean.into(),
            n_sessions: rows.len(),
            tau: found.tau,
            shared_sd: shared.sqrt(),
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
