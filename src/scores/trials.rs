//! Difference questions and rankings of revealed sessions: who answered what, joined with lots.

use schemars::JsonSchema;
use serde::Serialize;

use super::Source;
use crate::book::session_files::Kind;

/// How two samples are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Three cups, two of them the same: which is odd?
    Triangle,
    /// A reference and two cups: which is the same as the reference?
    DuoTrio,
    /// Two cups: which has more of a term?
    Paired,
}

impl Method {
    /// The method of a kind of session; none for profiles and rankings.
    #[must_use]
    pub fn of_kind(kind: Kind) -> Option<Self> {
        match kind {
            Kind::Triangle => Some(Self::Triangle),
            Kind::DuoTrio => Some(Self::DuoTrio),
            Kind::Paired => Some(Self::Paired),
            Kind::Profile | Kind::Ranking => None,
        }
    }
}

/// A difference question answered, or not, by one taster about one set of cups.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// The session.
    pub session: String,
    /// Who.
    pub taster: String,
    /// The flight.
    pub flight: u32,
    /// What was asked.
    pub method: Method,
    /// The two samples that were compared. The first is the one that was expected to have more,
    /// if the plan said so; else they stand by their names.
    pub samples: [String; 2],
    /// The samples in the order in which this taster had them, the reference of a duo-trio first.
    pub served: Vec<String>,
    /// Triangle and duo-trio: whether the answer is right. Paired: whether the first of `samples`
    /// was said to have more. None where the answer was declined or lost.
    pub correct: Option<bool>,
    /// Paired: the term.
    pub question: Option<String>,
    /// Whether the taster was sure of it; none if nothing was said.
    pub sure: Option<bool>,
    /// Why it was excluded, if it was.
    pub excluded: Option<String>,
}

/// One taster's order of a set of cups by a term.
#[derive(Debug, Clone, PartialEq)]
pub struct RankedSet {
    /// The session.
    pub session: String,
    /// Who.
    pub taster: String,
    /// The flight.
    pub flight: u32,
    /// The term.
    pub term: String,
    /// Each cup's sample with its rank among the cups of the set that were ranked, 1 for the one
    /// with most of the term, ties as mean ranks; none where it was not ranked. In the order in
    /// which the taster had them; a sample with two codes stands twice.
    pub ranks: Vec<(String, Option<f64>)>,
    /// Why it was excluded, if any of it was.
    pub excluded: Option<String>,
}

/// What the plan of a session decided before anybody tasted.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PlannedTest {
    /// The session.
    pub session: String,
    /// What it asked.
    #[schemars(with = "String")]
    pub kind: Kind,
    /// How often a difference may be claimed where there is none.
    pub alpha: f64,
    /// Where likeness was to be shown: the share of people telling the two apart that matters.
    pub distinguishers: Option<f64>,
    /// Where likeness was to be shown: how often that share is to be noticed.
    pub power: Option<f64>,
    /// The sample that was expected to have more: then the test is one-sided.
    pub expected: Option<String>,
    /// Whether the key's digest, and with it what was expected, was fixed before anybody tasted.
    pub committed_beforehand: bool,
    /// How many answers the plan provides for: sets of cups over all tasters and flights.
    pub n_planned: usize,
}

/// The difference questions and rankings of revealed sessions.
#[derive(Debug, Clone, PartialEq)]
pub struct Trials {
    /// Where they come from.
    pub source: Source,
    /// The difference questions, in the order of sessions, flights and tasters.
    pub trials: Vec<Trial>,
    /// The rankings, likewise.
    pub rankings: Vec<RankedSet>,
    /// What was planned, session by session.
    pub planned: Vec<PlannedTest>,
}
