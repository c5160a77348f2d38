//! Answers about sets of cups, as they are told at the reveal.

use crate::book::session_files::{AnswerState, SessionFile};

use super::ballots::{Ballot, GUESS_SURE, Question};
use super::changes::excluded_with;
use super::reveal::Revealed;
use super::sets;

/// Which cup of a set was chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// Who chose.
    pub taster: String,
    /// In which flight.
    pub flight: u32,
    /// `odd`, `match` or the term of a paired comparison.
    pub term: String,
    /// The chosen cup; none if the answer was declined or lost.
    pub cup: Option<u16>,
    /// Whether the taster was sure; none if nothing was said.
    pub sure: Option<bool>,
    /// Why it was excluded, if it was.
    pub excluded: Option<String>,
}

/// The rank that a taster gave a cup.
#[derive(Debug, Clone, PartialEq)]
pub struct RankGiven {
    /// Who ranked.
    pub taster: String,
    /// In which flight.
    pub flight: u32,
    /// By which term.
    pub term: String,
    /// The code of the cup.
    pub cup: u16,
    /// The rank as it was given, 1 for most; none if it was declined or lost.
    pub rank: Option<f64>,
    /// Why the set was excluded, if it was.
    pub excluded: Option<String>,
}

/// Adds what a ballot says about sets of cups, flight by flight.
pub(super) fn join_sets(plan: &SessionFile, ballot: &Ballot, revealed: &mut Revealed) {
    let taster = &ballot.taster;
    for flight in &plan.flights {
        let cups = flight.order_of(taster);
        for question in sets::questions(plan, flight, taster) {
            let Some(line) = ballot.answer(&question).filter(|_| question.term != GUESS_SURE)
            else {
                continue;
            };
            let excluded = excluded_with(&revealed.changes, taster, line, cups);
            let value = line.value.as_deref().filter(|_| line.state == AnswerState::Scored);
            if plan.kind.is_choice() {
                let sure = Question { term: GUESS_SURE.to_owned(), ..question.clone() };
                let sure = ballot.answer(&sure).and_then(|l| l.value.as_deref());
                revealed.choices.push(Choice {
                    taster: taster.clone(),
                    flight: flight.number,
                    term: question.term,
                    cup: value.and(line.cup),
                    sure: sure.map(|s| s == "1"),
                    excluded,
                });
            } else {
                revealed.ranks.push(RankGiven {
                    taster: taster.clone(),
                    flight: flight.number,
                    term: question.term,
                    cup: question.cup,
                    rank: value.and_then(|v| v.parse().ok()),
                    excluded,
                });
            }
        }
    }
}
