//! Answers about sets of cups: rankings, triangles, duo-trios and paired comparisons.
//!
//! A choice is one line: the code that was chosen, with the value 1, under the term `odd`
//! (triangle), `match` (duo-trio) or the term that a paired comparison asks. Where it is declined
//! or lost the line bears any code of the set. A ranking is one line a cup, whose value is its
//! rank, 1 for the cup with most of the term.

use std::collections::BTreeMap;

use crate::book::ids;
use crate::book::session_files::{AnswerState, Flight, Kind, SessionFile};

use super::ballots::{Ballot, Fitting, GUESS_SURE, Question, Wrong, fit_sure, term_named};

/// The word in the column `term` for the odd cup of a triangle.
pub const ODD: &str = "odd";
/// The word in the column `term` for the cup of a duo-trio that is the same as the reference.
pub const MATCH: &str = "match";

/// The terms that stand on ballots of a session of this kind beside `guess-sure`.
#[must_use]
pub fn set_terms(plan: &SessionFile) -> Vec<&str> {
    match plan.kind {
        Kind::Triangle => vec![ODD],
        Kind::DuoTrio => vec![MATCH],
        _ => plan.terms.iter().map(|t| t.id.as_str()).collect(),
    }
}

/// The question that a line answers. A choice is about a set of cups, which is named by the
/// lowest code of its flight, so that an answer can be corrected to another cup.
pub(super) fn question(
    plan: &SessionFile,
    flight: &Flight,
    cup: u16,
    steep: Option<u32>,
    term: String,
) -> Question {
    let of_set = flight.cups.first().copied().filter(|_| plan.kind.is_choice());
    Question { cup: of_set.unwrap_or(cup), steep, term }
}

/// What a question is about, in words.
pub(super) fn about(plan: &SessionFile, question: &Question) -> String {
    match plan.flight_of(question.cup).filter(|_| plan.kind.is_choice()) {
        Some(flight) => format!("{} of flight {}", question.term, flight.number),
        None => format!("{} of cup {}", question.term, question.cup),
    }
}

/// The questions of a flight in the order in which a taster has them: the choice and how sure it
/// is, or term by term the rank of each cup.
pub(super) fn questions(plan: &SessionFile, flight: &Flight, taster: &str) -> Vec<Question> {
    let mut all = Vec::new();
    if plan.kind.is_choice() {
        let Some(cup) = flight.cups.first().copied() else { return all };
        let terms = set_terms(plan).into_iter().chain([GUESS_SURE]);
        all.extend(terms.map(|t| Question { cup, steep: None, term: t.to_owned() }));
        return all;
    }
    for term in set_terms(plan) {
        let cups = flight.order_of(taster).iter();
        all.extend(cups.map(|c| Question { cup: *c, steep: None, term: term.to_owned() }));
    }
    all
}

/// Fits term, steep and value of an answer about a set of `n` cups; the error names the column.
pub(super) fn fit(
    plan: &SessionFile,
    n: usize,
    term: &str,
    steep: Option<u32>,
    value: Option<&str>,
) -> Result<Fitting, (&'static str, Wrong)> {
    if steep.is_some_and(|s| s != 1) {
        let wrong = Wrong::new(
            "an answer about a set of cups has a steep",
            "an empty cell: all steeps of the cups count together",
            "leave the steep empty",
        );
        return Err(("steep", wrong));
    }
    if plan.kind.is_choice() && ids::same(term, GUESS_SURE) {
        return fit_sure(value).map(|v| (GUESS_SURE.to_owned(), None, v));
    }
    let known = set_terms(plan);
    let id = known
        .iter()
        .find(|t| ids::same(t, term.trim()))
        .map(|t| (*t).to_owned())
        .or_else(|| term_named(plan, term).map(|t| t.id.clone()));
    let Some(id) = id else {
        let more = if plan.kind.is_choice() { ", or guess-sure" } else { "" };
        let wrong = Wrong::new(
            format!("this session does not ask \"{term}\""),
            format!("{}{more}", known.join(", ")),
            "correct the term, or leave the answer out",
        );
        return Err(("term", wrong));
    };
    let value = value.map(|text| value_of(plan, n, &id, text)).transpose();
    value.map(|v| (id, None, v)).map_err(|w| ("value", w))
}

fn value_of(plan: &SessionFile, n: usize, term: &str, text: &str) -> Result<String, Wrong> {
    let text = text.trim();
    let found = format!("{term} is \"{text}\"");
    if plan.kind.is_choice() {
        return match text.to_lowercase().as_str() {
            "1" | "x" | "yes" => Ok("1".to_owned()),
            _ => Err(Wrong::new(
                found,
                "1 beside the cup that was chosen, and no line for the others",
                "write 1 for the chosen cup, - if the taster would rather not say, or lost",
            )),
        };
    }
    let ties = plan.test.as_ref().is_some_and(|t| t.ties);
    let rank = text.parse::<f64>().ok().filter(|r| (1.0..=n as f64).contains(r));
    match rank.filter(|r| ties || r.fract() == 0.0) {
        Some(rank) => Ok(rank.to_string()),
        None => Err(Wrong::new(
            found,
            format!("a rank: a{} number from 1 (most) to {n}", if ties { "" } else { " whole" }),
            "correct the rank, write - for a cup that the taster would rather not rank, or lost",
        )),
    }
}

/// What a question of a set must have: a choice its answer (how sure it is may stay open), a
/// ranking the rank of each cup.
pub(super) fn must_be_answered(question: &Question) -> bool {
    question.term != GUESS_SURE
}

/// Ranks that are no order of the cups: a rank that two cups have, or, where all cups are
/// answered, a rank beyond their number. Where ties are allowed any ranks are an order.
pub(super) fn rank_problems(plan: &SessionFile, ballot: &Ballot) -> Vec<(Question, Wrong)> {
    let mut problems = Vec::new();
    if plan.kind != Kind::Ranking || plan.test.as_ref().is_some_and(|t| t.ties) {
        return problems;
    }
    for flight in &plan.flights {
        for term in set_terms(plan) {
            let of = |cup: u16| Question { cup, steep: None, term: term.to_owned() };
            let cups = flight.order_of(&ballot.taster);
            let answered = cups.iter().filter(|c| ballot.answer(&of(**c)).is_some()).count();
            let mut ranked: Vec<(f64, usize, u16)> = cups
                .iter()
                .filter_map(|c| {
                    let line = ballot.answer(&of(*c))?;
                    let rank =
                        line.value.as_deref().filter(|_| line.state == AnswerState::Scored)?;
                    let at = ballot.line_number(&of(*c)).unwrap_or(0);
                    Some((rank.parse().ok()?, at, *c))
                })
                .collect();
            ranked.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            let all: Vec<String> = ranked.iter().map(|r| r.0.to_string()).collect();
            let n = ranked.len();
            let mut first_of: BTreeMap<u64, u16> = BTreeMap::new();
            for (i, (rank, _, cup)) in ranked.iter().enumerate() {
                let wrong = if let Some(other) = first_of.insert(rank.to_bits(), *cup) {
                    Wrong::new(
                        format!("{term}: cup {cup} has the rank {rank}, which cup {other} has too"),
                        "each rank for one cup",
                        "correct one of the two; give both in one go with --amend if they stand already",
                    )
                } else if answered == cups.len() && *rank != (i + 1) as f64 {
                    Wrong::new(
                        format!(
                            "{term}: the ranks of {n} cups in flight {} are {}",
                            flight.number,
                            all.join(", ")
                        ),
                        format!("each whole number from 1 to {n} once"),
                        format!("correct the rank of cup {cup}"),
                    )
                } else {
                    continue;
                };
                problems.push((of(*cup), wrong));
                break;
            }
        }
    }
    problems
}
