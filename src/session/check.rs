//! What is wrong in the files of sessions.

use std::collections::BTreeMap;

use crate::book::ids;
use crate::book::problem::Problems;
use crate::book::session_files::SessionFile;
use crate::book::toml_file::Described;

use super::ballots::{GUESS, GUESS_SURE};

/// Adds what is wrong in the meaning of a plan whose form is right.
pub(super) fn plan_problems(file: &Described<SessionFile>, problems: &mut Problems) {
    let plan = &file.value;
    for (i, taster) in plan.tasters.iter().enumerate() {
        if plan.tasters[..i].iter().any(|t| ids::same(t, taster)) {
            problems.push(file.problem(
                &["tasters", &i.to_string()],
                format!("{taster} stands here a second time"),
                "each taster once",
                "take one of the two out",
            ));
        }
    }
    for (i, term) in plan.terms.iter().enumerate() {
        let at = i.to_string();
        if plan.terms[..i].iter().any(|t| ids::same(&t.id, &term.id)) {
            problems.push(file.problem(
                &["term", &at, "id"],
                format!("the term \"{}\" stands here a second time", term.id),
                "each term once",
                "take one of the two out",
            ));
        }
        if term.id == GUESS || term.id == GUESS_SURE {
            problems.push(file.problem(
                &["term", &at, "id"],
                format!("the id \"{}\" is kept for guesses", term.id),
                "another id",
                "give the term another id",
            ));
        }
    }
    let mut seen: BTreeMap<u16, u32> = BTreeMap::new();
    for (i, flight) in plan.flights.iter().enumerate() {
        let at = i.to_string();
        if flight.number as usize != i + 1 {
            problems.push(file.problem(
                &["flight", &at, "number"],
                format!("flight {} stands at place {}", flight.number, i + 1),
                "flights numbered from 1 in the order of the file",
                "correct the number",
            ));
        }
        if !flight.cups.is_sorted_by(|a, b| a < b) {
            problems.push(file.problem(
                &["flight", &at, "cups"],
                "the codes are not in ascending order",
                "each code once, the lowest first",
                "sort the codes",
            ));
        }
        for code in flight.codes() {
            if let Some(other) = seen.insert(code, flight.number)
                && other != flight.number
            {
                problems.push(file.problem(
                    &["flight", &at, "cups"],
                    format!("the code {code} has two meanings: flight {other} has it too"),
                    "codes that are unique in the session",
                    "put session.toml back as it was planned",
                ));
            }
        }
        if flight.warm_up.is_some_and(|c| flight.cups.contains(&c)) {
            problems.push(file.problem(
                &["flight", &at, "warm_up"],
                "the code of the warm-up cup has two meanings: a scored cup has it too",
                "codes that are unique in the session",
                "put session.toml back as it was planned",
            ));
        }
        if flight.shelf.len() != if plan.is_alone() { flight.cups.len() } else { 0 } {
            problems.push(file.problem(
                &["flight", &at, "shelf"],
                format!("{} shelf places for {} cups", flight.shelf.len(), flight.cups.len()),
                "one shelf place a cup where there is no key_digest, none where there is one",
                "put session.toml back as it was planned",
            ));
        }
        for taster in &plan.tasters {
            let mut order = flight.order_of(taster).to_vec();
            order.sort_unstable();
            if order != flight.cups {
                problems.push(file.problem(
                    &["flight", &at, "orders", taster],
                    format!("the order of {taster} is not made of this flight's cups"),
                    "each code of `cups` once",
                    "put session.toml back as it was planned",
                ));
            }
        }
        for taster in flight.orders.keys().filter(|t| !plan.tasters.contains(t)) {
            problems.push(file.problem(
                &["flight", &at, "orders", taster],
                format!("{taster} is not a taster of this session"),
                format!("one of {}", plan.tasters.join(", ")),
                "take the line out",
            ));
        }
    }
}
