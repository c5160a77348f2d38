//! Has it changed? Triangles, duo-trios and pairs in which a sample met another pack of its lot, or
//! the reference; two packs of the reference question what is held constant.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::difference::{DPrime, difference};
use super::super::{Answer, Settings, count, say_p};
use crate::scores::{LotTimes, Method, Trials};

/// What a test bears on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Bears {
    /// Two packs of the reference: whether it stayed the same.
    Reference,
    /// Two packs of one lot: whether storing them differently tells.
    Lot,
    /// A sample against the reference.
    BesideReference,
}

/// A test of whether two packs are told apart.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ToldApart {
    /// The session.
    pub session: String,
    /// Triangle, duo-trio or paired.
    pub method: Method,
    /// The two samples.
    pub samples: [String; 2],
    /// What it bears on.
    pub bears: Bears,
    /// Paired: of which term more was asked.
    pub term: Answer<String>,
    /// Answers that count.
    pub n_answers: u64,
    /// Right ones; two-sided: those for the first sample.
    pub n_correct: Answer<u64>,
    /// How many luck gets on average.
    pub by_luck: f64,
    /// Chance of so many by luck alone, exactly.
    pub p_value: Answer<f64>,
    /// Whether a difference is shown at the level that was planned.
    pub shown: Answer<bool>,
    /// How far apart the samples are.
    pub d_prime: DPrime,
    /// The share of people telling the two apart that is shown in 4 of 5 such tests.
    pub share_with_power_80: Answer<f64>,
}

/// What the two samples of a test are to each other.
fn bears(samples: &[String; 2], references: &[String], lots: &LotTimes) -> Option<Bears> {
    let times = [lots.of(&samples[0]), lots.of(&samples[1])];
    // A lot that was split off was its parent before.
    let same = |a: usize, b: usize| {
        times[a].lot == times[b].lot
            || times[a].before.iter().any(|s| lots.of(&s.sample).lot == times[b].lot)
    };
    let of_reference = |i: usize| references.iter().any(|r| lots.of(r).lot == times[i].lot);
    if same(0, 1) || same(1, 0) {
        return Some(if of_reference(0) && of_reference(1) {
            Bears::Reference
        } else {
            Bears::Lot
        });
    }
    (of_reference(0) || of_reference(1)).then_some(Bears::BesideReference)
}

/// The tests that bear on what moved.
#[must_use]
pub fn tests_of(
    trials: &Trials,
    references: &[String],
    lots: &LotTimes,
    settings: &Settings,
) -> Vec<ToldApart> {
    let mut own = trials.clone();
    own.trials.retain(|t| bears(&t.samples, references, lots).is_some());
    difference(&own, settings)
        .tests
        .into_iter()
        .filter_map(|t| {
            let samples = t.samples.known()?.clone();
            Some(ToldApart {
                session: t.name,
                method: t.method,
                bears: bears(&samples, references, lots)?,
                samples,
                term: t.term,
                n_answers: t.n_answers,
                n_correct: t.n_correct,
                by_luck: t.by_luck,
                p_value: t.p_value,
                shown: t.shown,
                d_prime: t.d_prime,
                share_with_power_80: t.reach.share_with_power_80,
            })
        })
        .collect()
}

impl ToldApart {
    /// The test in one sentence.
    #[must_use]
    pub fn sentence(&self) -> Option<String> {
        let k = self.n_correct.known()?;
        let [a, b] = &self.samples;
        let what = match self.bears {
            Bears::Reference => format!("Two packs of the reference ({a}, {b})"),
            Bears::Lot | Bears::BesideReference => format!("{a} and {b}"),
        };
        let (verb, luck) = match (self.method, self.term.known()) {
            (Method::Paired, Some(term)) => (format!("said to have more {term}: {a}"), "luck"),
            _ => ("told apart".to_owned(), "luck"),
        };
        let p = self.p_value.known().map_or_else(String::new, |p| format!(", {}", say_p(*p)));
        let reach = match (self.shown.known(), self.share_with_power_80.known()) {
            (Some(false), Some(share)) => format!(
                "; so many answers show a difference in 4 of 5 such tests only if {:.0} of 100 notice it",
                100.0 * share
            ),
            _ => String::new(),
        };
        let n = usize::try_from(self.n_answers).unwrap_or(usize::MAX);
        Some(format!(
            "{what}, {}, {verb} in {k} of {}, by {luck} {:.1}{p}{reach}.",
            self.session,
            count(n, "answer", "answers"),
            self.by_luck
        ))
    }
}
