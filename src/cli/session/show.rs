//! `session list`, `session show`, and the table of a revealed session.

use std::io::Write as _;

use super::late::in_words;
use crate::book::Book;
use crate::book::session_files::{Change, Kind};
use crate::cli::{Context, Failure};
use crate::session::ballots::Ballot;
use crate::session::changes::exclusions;
use crate::session::enter::unanswered;
use crate::session::late;
use crate::session::sets::set_terms;
use crate::session::{Revealed, Session, State, revealed};

pub(super) fn list(book: &Book, context: &mut Context) -> Result<(), Failure> {
    let names = book.session_names()?;
    if names.is_empty() {
        writeln!(
            context.out,
            "No session is planned yet. Plan one with `blindsteep session plan`."
        )?;
        return Ok(());
    }
    let width = names.iter().map(String::len).max().unwrap_or(0);
    for name in names {
        let session = Session::open(book, &name)?;
        let plan = session.plan();
        let cups: usize = plan.flights.iter().map(|f| f.cups.len()).sum();
        writeln!(
            context.out,
            "{name:width$}  {:8}  {} tasters, {} flights, {cups} cups",
            session.state.to_string(),
            plan.tasters.len(),
            plan.flights.len(),
        )?;
    }
    Ok(())
}

pub(super) fn show(book: &Book, part: &str, context: &mut Context) -> Result<(), Failure> {
    let session = Session::open(book, part)?;
    let plan = session.plan();
    let out = &mut context.out;
    writeln!(out, "Session {}: {}", session.name, session.state)?;
    if let Some(void) = session.void_file()? {
        writeln!(out, "Void since {}: {}", void.voided, void.reason)?;
    }
    if plan.kind != Kind::Profile {
        writeln!(out, "Kind: {}: {}", plan.kind.word(), plan.kind.meaning())?;
    }
    if let Some(test) = &plan.test {
        write!(out, "Decided beforehand: alpha {}", test.alpha)?;
        if let (Some(share), Some(power)) = (test.distinguishers, test.power) {
            write!(out, "; likeness: distinguishers {share}, power {power}")?;
        }
        writeln!(out, "{}", if test.ties { "; cups may share a rank" } else { "" })?;
    }
    writeln!(out, "Recipe {}: {}", plan.recipe.id, recipe_in_words(&session))?;
    let terms = set_terms(plan);
    writeln!(out, "Terms: {}{}", terms.join(", "), if plan.guess { "; guesses" } else { "" })?;
    match &plan.key_digest {
        Some(digest) => writeln!(out, "Digest of the key: {digest}")?,
        None => writeln!(out, "Poured and tasted alone: nothing was committed beforehand")?,
    }
    writeln!(out, "Order seed: {}", plan.order_seed)?;
    for flight in &plan.flights {
        let codes: Vec<String> = flight.cups.iter().map(u16::to_string).collect();
        let first =
            flight.warm_up.map(|c| format!(" after the warm-up cup {c}")).unwrap_or_default();
        writeln!(out, "Flight {}, {}: cups {}{first}", flight.number, flight.day, codes.join(" "))?;
    }
    for taster in &plan.tasters {
        let ballot = Ballot::open(&session, taster)?;
        for flight in &plan.flights {
            let open = unanswered(plan, flight, &ballot).len();
            let said = if ballot.is_handed_in(flight.number) {
                "handed in".to_owned()
            } else {
                format!("{open} to answer")
            };
            writeln!(out, "Ballot of {taster}, flight {}: {said}", flight.number)?;
        }
        if ballot.log.torn.is_some() {
            writeln!(
                out,
                "  its last line is torn and does not count; it is set aside with the next answer"
            )?;
        }
    }
    for waiting in late::waiting(&session)? {
        writeln!(out, "{}", in_words(&waiting))?;
    }
    let changes = session.changes()?;
    let standing: Vec<&str> = exclusions(&changes).map(|c| c.entry.as_str()).collect();
    for change in &changes {
        let about: Vec<String> = [
            change.taster.clone(),
            change.flight.map(|f| format!("flight {f}")),
            change.cup.map(|c| format!("cup {c}")),
            change.steep.map(|s| format!("steep {s}")),
            change.term.clone(),
        ]
        .into_iter()
        .flatten()
        .collect();
        let about =
            if about.is_empty() { String::new() } else { format!(" of {}", about.join(", ")) };
        let by = change.by.as_deref().map(|b| format!(", by {b}")).unwrap_or_default();
        let when = if change.after_reveal { "after the reveal" } else { "before the reveal" };
        let entry = if standing.contains(&change.entry.as_str()) {
            format!(" ({})", change.entry)
        } else if change.change == Change::Exclusion {
            " (taken back)".to_owned()
        } else {
            String::new()
        };
        writeln!(
            out,
            "{}{entry}{about}: {} ({when}{by}, {})",
            change.change.word(),
            change.reason,
            change.at
        )?;
    }
    if session.state == State::Revealed {
        let revealed = revealed(book, &session.name)?;
        revealed_cups(&revealed, context)?;
    }
    Ok(())
}

fn recipe_in_words(session: &Session) -> String {
    let r = &session.plan().recipe;
    let steeps: Vec<String> = r.steeps_s.iter().map(|s| format!("{s} s")).collect();
    format!("{} g in {} ml at {} °C, {}", r.leaf_g, r.water_ml, r.water_c, steeps.join(" + "))
}

pub(super) fn revealed_cups(revealed: &Revealed, context: &mut Context) -> Result<(), Failure> {
    let out = &mut context.out;
    writeln!(out, "Session {} was revealed on {}.", revealed.name, revealed.revealed)?;
    if revealed.committed_beforehand {
        writeln!(out, "The key is the one that was sealed beforehand: {}", revealed.digest)?;
    } else {
        writeln!(out, "The key was not committed beforehand: {}", revealed.digest)?;
    }
    for cup in &revealed.cups {
        let arm = if cup.arm == "main" { String::new() } else { format!("@{}", cup.arm) };
        writeln!(
            out,
            "  flight {}  cup {}  {}{arm}  {}",
            cup.flight,
            cup.code,
            cup.lot,
            cup.role.word()
        )?;
    }
    if let Some(expected) = &revealed.expected {
        writeln!(out, "Expected beforehand to have more: {expected}")?;
    }
    if revealed.kind != Kind::Profile {
        let n = revealed.choices.len() + revealed.ranks.len();
        let choices = revealed.choices.iter().filter(|c| c.excluded.is_some()).count();
        let ranks = revealed.ranks.iter().filter(|r| r.excluded.is_some()).count();
        writeln!(out, "{n} answers, {} of them excluded.", choices + ranks)?;
        return Ok(());
    }
    let n = revealed.scores.len();
    let excluded = revealed.scores.iter().filter(|s| s.excluded.is_some()).count();
    writeln!(out, "{n} scores, {excluded} of them excluded.")?;
    Ok(())
}
