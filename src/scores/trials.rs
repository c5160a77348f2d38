//! Difference questions and rankings of revealed sessions: who answered what, joined with lots.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::Serialize;

use super::from_revealed::{afterthoughts, sample, together};
use super::{SessionsError, Source};
use crate::book::labels::Labels;
use crate::book::session_files::Kind;
use crate::session::{Choice, RankGiven, Revealed, RevealedCup, Role, Served};

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
    /// What the terms that were asked are called, by their ids and by language.
    pub labels: BTreeMap<String, Labels>,
}

/// Joins the answers of revealed ranking, triangle, duo-trio and paired sessions with their lots.
/// Who did not answer leaves nothing; who declined, or whose answer was lost, leaves a trial
/// without an answer.
///
/// # Errors
/// [`SessionsError`] if a session scored terms, or nobody answered anything.
pub fn trials_from_revealed(sessions: &[Revealed]) -> Result<Trials, SessionsError> {
    if let Some(other) = sessions.iter().find(|s| s.kind == Kind::Profile) {
        return Err(SessionsError::OtherKind {
            session: other.name.clone(),
            found: other.kind.word(),
            expected: "ranking, triangle, duo-trio or paired sessions",
            ask: format!("compare {}", other.name),
        });
    }
    let names: Vec<String> = sessions.iter().map(|s| s.name.clone()).collect();
    let mut read = Trials {
        source: Source {
            names: names.clone(),
            kind: "sessions".to_owned(),
            references: references(sessions),
            notes: Vec::new(),
        },
        trials: Vec::new(),
        rankings: Vec::new(),
        planned: sessions.iter().map(planned).collect(),
        labels: sessions
            .iter()
            .flat_map(|s| s.terms.iter().map(|t| (t.id.clone(), t.labels.clone())))
            .collect(),
    };
    let mut notes = Vec::new();
    for session in sessions {
        let behind: BTreeMap<u16, &RevealedCup> =
            session.cups.iter().map(|c| (c.code, c)).collect();
        let mut n = 0;
        for served in &session.served {
            let trials = trials_of(session, served, &behind);
            let rankings = rankings_of(session, served, &behind);
            n += trials.len() + rankings.len();
            read.trials.extend(trials);
            read.rankings.extend(rankings);
        }
        let none = (n == 0).then(|| "nobody answered anything.".to_owned());
        let said = none.into_iter().chain(afterthoughts(session));
        notes.extend(said.map(|note| (session.name.clone(), note)));
    }
    read.source.notes = together(notes);
    if read.trials.is_empty() && read.rankings.is_empty() {
        return Err(SessionsError::NoScores { sessions: names.join(", ") });
    }
    Ok(read)
}

fn references(sessions: &[Revealed]) -> Vec<String> {
    let ranked = sessions.iter().filter(|s| s.kind == Kind::Ranking);
    let of: BTreeSet<String> = ranked
        .flat_map(|s| s.cups.iter().filter(|c| c.role == Role::Reference).map(sample))
        .collect();
    of.into_iter().collect()
}

fn planned(session: &Revealed) -> PlannedTest {
    let test = session.test.as_ref();
    let sets = session.served.iter().filter(|s| !s.cups.is_empty()).count();
    PlannedTest {
        session: session.name.clone(),
        kind: session.kind,
        alpha: test.map_or(ALPHA, |t| t.alpha),
        distinguishers: test.and_then(|t| t.distinguishers),
        power: test.and_then(|t| t.power),
        expected: session.expected.as_ref().map(ToString::to_string),
        committed_beforehand: session.committed_beforehand,
        n_planned: if session.kind == Kind::Ranking { sets * session.terms.len() } else { sets },
    }
}

/// How often a difference may be claimed where there is none, unless a plan says otherwise.
pub const ALPHA: f64 = 0.05;

/// The samples of a set in the order in which they were tasted.
fn samples_of(served: &Served, behind: &BTreeMap<u16, &RevealedCup>) -> Vec<String> {
    served.cups.iter().filter_map(|c| behind.get(c)).map(|c| sample(c)).collect()
}

fn trials_of(
    session: &Revealed,
    served: &Served,
    behind: &BTreeMap<u16, &RevealedCup>,
) -> Vec<Trial> {
    let Some(method) = Method::of_kind(session.kind) else { return Vec::new() };
    let tasted = samples_of(served, behind);
    let Some(samples) = compared(session, &tasted) else { return Vec::new() };
    let answered = |c: &&Choice| c.taster == served.taster && c.flight == served.flight;
    session
        .choices
        .iter()
        .filter(answered)
        .map(|choice| {
            let chosen = choice.cup.and_then(|c| behind.get(&c)).map(|c| sample(c));
            Trial {
                session: session.name.clone(),
                taster: served.taster.clone(),
                flight: served.flight,
                method,
                correct: chosen.map(|chosen| match method {
                    Method::Triangle => tasted.iter().filter(|s| **s == chosen).count() == 1,
                    Method::DuoTrio => tasted.first() == Some(&chosen),
                    Method::Paired => samples[0] == chosen,
                }),
                question: (method == Method::Paired).then(|| choice.term.clone()),
                samples: samples.clone(),
                served: tasted.clone(),
                sure: choice.sure,
                excluded: choice.excluded.clone(),
            }
        })
        .collect()
}

/// The two samples of a set, the expected one first.
fn compared(session: &Revealed, tasted: &[String]) -> Option<[String; 2]> {
    let mut two: Vec<String> = tasted.to_vec();
    two.sort();
    two.dedup();
    let expected = session.expected.as_ref().map(ToString::to_string);
    if two.len() == 2 && expected.as_ref() == two.get(1) {
        two.reverse();
    }
    two.try_into().ok()
}

fn rankings_of(
    session: &Revealed,
    served: &Served,
    behind: &BTreeMap<u16, &RevealedCup>,
) -> Vec<RankedSet> {
    let mut sets = Vec::new();
    for term in session.terms.iter().filter(|_| session.kind == Kind::Ranking) {
        let given: Vec<&RankGiven> = session
            .ranks
            .iter()
            .filter(|r| r.taster == served.taster && r.flight == served.flight)
            .filter(|r| r.term == term.id)
            .collect();
        if given.is_empty() {
            continue;
        }
        let rank_of = |cup: u16| given.iter().find(|r| r.cup == cup).and_then(|r| r.rank);
        let said: Vec<Option<f64>> = served.cups.iter().map(|c| rank_of(*c)).collect();
        sets.push(RankedSet {
            session: session.name.clone(),
            taster: served.taster.clone(),
            flight: served.flight,
            term: term.id.clone(),
            ranks: samples_of(served, behind).into_iter().zip(mean_ranks(&said)).collect(),
            excluded: given.iter().find_map(|r| r.excluded.clone()),
        });
    }
    sets
}

/// Ranks among those that were given: a rank counts how many were placed before, and those that
/// were placed alike share the mean of their places.
fn mean_ranks(said: &[Option<f64>]) -> Vec<Option<f64>> {
    let given: Vec<f64> = said.iter().flatten().copied().collect();
    said.iter()
        .map(|rank| {
            let rank = (*rank)?;
            let before = given.iter().filter(|r| **r < rank).count() as f64;
            let alike = given.iter().filter(|r| **r == rank).count() as f64;
            Some(before + (alike + 1.0) / 2.0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::mean_ranks;

    #[test]
    fn ties_share_the_mean_of_their_places_and_gaps_are_left_out() {
        let said = [Some(2.0), None, Some(1.0), Some(2.0), Some(4.0)];
        let ranks = mean_ranks(&said);
        assert_eq!(ranks, [Some(2.5), None, Some(1.0), Some(2.5), Some(4.0)]);
        assert_eq!(mean_ranks(&[Some(1.0), None, Some(4.0)]), [Some(1.0), None, Some(2.0)]);
    }
}
