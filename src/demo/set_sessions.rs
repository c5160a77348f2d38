//! The sessions of the demo book that score no terms: a ranking and a triangle.
//!
//! Nothing further is planted. A taster ranks by what the same taster would have written on the
//! line, and in a triangle names the cup that is furthest, over all line terms, from the two that
//! are nearest one another.

use std::collections::BTreeMap;

use super::book::{POURER, brewed, clock, day_of, failed, sample_id, secret};
use super::garden::{Garden, Pot, Written};
use super::truth::{SWEET, Served, Store, TASTERS, TERMS, TasterTruth};
use crate::book::session_files::{Kind, TestPlan};
use crate::book::{Book, BookError};
use crate::session::pour::pouring_plan;
use crate::session::sets::ODD;
use crate::session::{
    Answer, Duplicates, Given, HandIn, PlanRequest, Session, Terms, close, enter_lines, plan,
    reveal,
};

/// A session of sets of cups.
struct SetSession {
    /// What it is called.
    name: &'static str,
    /// What it asks.
    kind: Kind,
    /// Month from the first spring.
    month: u32,
    /// Days after the first of that month's sessions.
    further: i64,
    /// The samples.
    samples: &'static [Served],
    /// Flights, each brewed anew.
    flights: usize,
}

/// The four lots of the last autumn by their sweetness, on the day after they were scored; and
/// whether the humid store of a lot can be told from the dry one, on the day after the last session.
const HELD: [SetSession; 2] = [
    SetSession {
        name: "sweetest",
        kind: Kind::Ranking,
        month: 18,
        further: 6,
        samples: &[(13, Store::Main), (14, Store::Main), (15, Store::Main), (16, Store::Main)],
        flights: 1,
    },
    SetSession {
        name: "two-stores",
        kind: Kind::Triangle,
        month: 24,
        further: 5,
        samples: &[(5, Store::Dry), (5, Store::Humid)],
        flights: 4,
    },
];

/// Holds those of a month.
pub(super) fn hold_in(book: &Book, garden: &Garden, month: u32) -> Result<(), BookError> {
    for (index, held) in HELD.iter().enumerate().filter(|(_, s)| s.month == month) {
        hold(book, garden, index, held)?;
    }
    Ok(())
}

fn hold(book: &Book, garden: &Garden, index: usize, held: &SetSession) -> Result<(), BookError> {
    let day = day_of(f64::from(held.month), held.further);
    let request = PlanRequest {
        name: held.name.to_owned(),
        kind: held.kind,
        lots: held.samples.iter().map(|s| sample_id(*s)).collect(),
        flights: Vec::new(),
        tasters: TASTERS.iter().map(|t| t.id.to_owned()).collect(),
        replicates: held.flights,
        duplicates: Duplicates::Dealt(0),
        reference: None,
        warm_up: None,
        recipe: None,
        terms: match held.kind {
            Kind::Ranking => Terms::Of(vec![TERMS[SWEET].id.to_owned()]),
            _ => Terms::Default,
        },
        days: vec![day],
        flight_size: None,
        per_taster: None,
        order_seed: index as u32 + 101,
        guess: false,
        test: Some(TestPlan { alpha: 0.05, distinguishers: None, power: None, ties: false }),
        expected: None,
        alone: false,
    };
    let planned =
        plan(book, &request, clock(day, "09:00:00"), secret(garden, &format!("set-{index}")))?;
    let name = planned.session;
    let (opened, pours) = pouring_plan(book, &name, POURER, clock(day, "09:30:00"))?;
    let pots = brewed(garden, held.name, &pours, |_| day);
    for taster in TASTERS.iter().filter(|t| garden.comes(t, held.name)) {
        let mut answers = Vec::new();
        for flight in 0..opened.plan().flights.len() {
            answers.extend(answers_of(garden, held, &opened, taster, flight, &pots));
        }
        let now = clock(day, "10:15:00");
        enter_lines(book, &name, taster.id, &answers, None, HandIn::Begun, now).map_err(failed)?;
    }
    close(book, &name, true, clock(day, "16:00:00"))?;
    reveal(book, &name, clock(day, "16:30:00")).map(drop)
}

fn answers_of(
    garden: &Garden,
    held: &SetSession,
    opened: &Session,
    taster: &TasterTruth,
    flight: usize,
    pots: &BTreeMap<u16, Pot>,
) -> Vec<Answer> {
    let order = opened.plan().flights[flight].order_of(taster.id);
    let served: Vec<&Pot> = order.iter().filter_map(|code| pots.get(code)).collect();
    let name = format!("{}/{flight}", held.name);
    let tasted = garden.taste(taster, held.name, &name, f64::from(held.month), &served);
    let answer = |cup: u16, term: &str, value: String| Answer {
        cup,
        steep: None,
        term: term.to_owned(),
        given: Given::Scored(value),
        note: None,
    };
    let dice = |at: usize| garden.uniform(&format!("tie/{}/{name}/{at}", taster.id));
    match held.kind {
        Kind::Ranking => {
            let mut by_sweet: Vec<usize> = (0..order.len()).collect();
            by_sweet.sort_by(|a, b| {
                let sweet = |at: usize| tasted[at].line[SWEET];
                sweet(*b).total_cmp(&sweet(*a)).then(dice(*a).total_cmp(&dice(*b)))
            });
            let ranked = by_sweet.iter().zip(1..);
            ranked.map(|(at, rank)| answer(order[*at], TERMS[SWEET].id, rank.to_string())).collect()
        }
        _ => vec![answer(order[odd_of(&tasted, dice)], ODD, "1".to_owned())],
    }
}

/// The cup that is not one of the two nearest one another.
fn odd_of(tasted: &[Written], dice: impl Fn(usize) -> f64) -> usize {
    let apart = |a: usize, b: usize| -> f64 {
        tasted[a].line.iter().zip(&tasted[b].line).map(|(x, y)| (x - y).powi(2)).sum()
    };
    let nearness = |odd: usize| apart((odd + 1) % 3, (odd + 2) % 3);
    (0..3)
        .min_by(|a, b| nearness(*a).total_cmp(&nearness(*b)).then(dice(*a).total_cmp(&dice(*b))))
        .unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_odd_cup_is_the_one_apart() {
        let cup = |level: f64| Written {
            line: [level; TERMS.len()],
            hue: 0,
            ticks: [false; 4],
            musty: 0,
        };
        assert_eq!(odd_of(&[cup(4.0), cup(6.0), cup(4.5)], |_| 0.0), 1);
        assert_eq!(odd_of(&[cup(2.0), cup(6.0), cup(5.5)], |_| 0.0), 0);
        // All alike: the dice decide.
        assert_eq!(odd_of(&[cup(5.0), cup(5.0), cup(5.0)], |at| [0.7, 0.9, 0.1][at]), 2);
    }
}
