//! What is wrong in the files of sessions.

use std::collections::BTreeMap;

use crate::book::check::Checked;
use crate::book::csv_file::{self, Log};
use crate::book::ids;
use crate::book::lot_warnings;
use crate::book::lots::{Lot, MAIN};
use crate::book::problem::{Problem, Problems, did_you_mean};
use crate::book::retasting;
use crate::book::session_files::{Change, ChangeLine, Flight, Kind, PourLine, SessionFile};
use crate::book::store;
use crate::book::time::{Day, Moment};
use crate::book::toml_file::Described;
use crate::book::trial_rules;
use crate::book::{Book, BookError};

use super::ballots::{Ballot, GUESS, GUESS_SURE};
use super::close::check_closed_ballots;
use super::key::{self, Key};
use super::late;
use super::musty::to_quarantine;
use super::reveal::{check_key, opened, revealed};
use super::sets::set_terms;
use super::state::{Session, State};

/// Adds what is wrong in the meaning of a plan whose form is right.
pub(super) fn plan_problems(file: &Described<SessionFile>, problems: &mut Problems) {
    let plan = &file.value;
    kind_problems(file, problems);
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
            if let Some(expected) = wrong_order(plan, flight, taster) {
                problems.push(file.problem(
                    &["flight", &at, "orders", taster],
                    format!("the order of {taster} is not made of this flight's cups"),
                    expected,
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

/// What an order should be, if it is not that: all cups of the flight, some of them in a profile
/// or ranking session, or the set of a difference test.
fn wrong_order(plan: &SessionFile, flight: &Flight, taster: &str) -> Option<&'static str> {
    let order = flight.order_of(taster);
    let mut sorted = order.to_vec();
    sorted.sort_unstable();
    let of_flight =
        sorted.is_sorted_by(|a, b| a < b) && sorted.iter().all(|c| flight.cups.contains(c));
    let (right, expected) = match plan.kind {
        Kind::Profile | Kind::Ranking => {
            // Everybody has as many: all of them, or, where several taste, a part.
            let most = plan.tasters.iter().map(|t| flight.order_of(t).len()).max().unwrap_or(0);
            let part = most > 1 && plan.tasters.len() > 1;
            let n = if part { most } else { flight.cups.len() };
            (order.len() == n, "each code of `cups` once, or as many of them as the others have")
        }
        Kind::Triangle => (order.len() == 3, "three of the four codes of `cups`, each once"),
        Kind::DuoTrio => (
            order.len() == 3
                && order.iter().enumerate().all(|(i, c)| flight.references.contains(c) == (i == 0)),
            "a code of `references`, then the two other codes of `cups`",
        ),
        Kind::Paired => (order.len() == 2, "the two codes of `cups`"),
    };
    (!(right && of_flight)).then_some(expected)
}

/// What is asked must fit the kind of the session.
fn kind_problems(file: &Described<SessionFile>, problems: &mut Problems) {
    let plan = &file.value;
    let word = plan.kind.word();
    let back = "put session.toml back as it was planned";
    let n = plan.terms.len();
    let terms = match plan.kind {
        Kind::Profile | Kind::Ranking if n == 0 => Some("one term or more"),
        Kind::Paired if n != 1 => Some("one term"),
        Kind::Triangle | Kind::DuoTrio if n != 0 => Some("no term"),
        _ => None,
    };
    if let Some(expected) = terms {
        let found = format!("a {word} session asks {n} terms");
        problems.push(file.problem(&["term"], found, expected, back));
    }
    if plan.test.is_some() != (plan.kind != Kind::Profile) {
        let (found, expected) = match &plan.test {
            Some(_) => ("a profile session has a table [test]".to_owned(), "no such table"),
            None => (format!("a {word} session has no table [test]"), "a table [test] with alpha"),
        };
        problems.push(file.problem(&["test"], found, expected, back));
    }
}

/// Adds what is wrong in the sessions of a book: plans, ballots, pours, changes, and whether keys
/// are still those that were sealed. What is wrong in a key is told without its text.
///
/// # Errors
/// Only if the disk refuses.
pub fn problems(book: &Book, problems: &mut Problems) -> Result<(), BookError> {
    for name in book.session_names()? {
        if !book.root().join("sessions").join(&name).join("session.toml").is_file() {
            problems.push(Problem::new(
                format!("sessions/{name}/session.toml"),
                None,
                "the plan of this session is missing",
                "a session.toml in each folder of sessions/",
                "put the file back from a copy of the book, or move the folder elsewhere",
            ));
            continue;
        }
        if let Some(session) = Session::read(book, &name, problems)? {
            check_session(&session, problems)?;
        }
    }
    Ok(())
}

/// What no rule forbids in a book without mistakes, but is to be looked at. While there are mistakes, most
/// of what looks like a slip comes of them.
///
/// # Errors
/// What is wrong in the files of the book.
pub fn all_warnings(book: &Book, checked: &Checked) -> Result<Vec<String>, BookError> {
    let all: Vec<&Lot> = checked.lots.iter().collect();
    let limits = book.book_file()?.value.limits;
    let mut told = lot_warnings::warnings(&all, &checked.lots, &limits, Moment::now());
    told.extend(warnings(book, &checked.lots)?);
    let notes = |l: &Lot| l.derived().notes.into_iter().map(|n| format!("{}: {n}", l.id)).collect();
    told.extend(checked.lots.iter().flat_map::<Vec<String>, _>(notes));
    told.extend(retasting::warnings(&book.retasting(&checked.lots)?, &checked.lots));
    told.extend(trial_rules::notices(&checked.lots, &checked.trials));
    Ok(told)
}

/// What is probably a slip in revealed sessions: a lot or an arm that was tasted before it was
/// there; and lots that were found musty and are not in quarantine. Of sealed sessions nothing is said, for it would name their lots.
///
/// # Errors
/// What is wrong in their files.
pub fn warnings(book: &Book, lots: &[Lot]) -> Result<Vec<String>, BookError> {
    let mut warnings = Vec::new();
    for name in book.session_names()? {
        let session = Session::open(book, &name)?;
        if session.state != State::Revealed {
            continue;
        }
        warnings.extend(to_quarantine(&revealed(book, &session.name)?, lots));
        let key = opened(&session)?;
        for lot in lots {
            let day_of = |arm: Option<&str>| {
                let cups = key.cups().iter().filter(|c| {
                    ids::same(&c.sample.lot, &lot.id)
                        && arm.is_none_or(|a| ids::same(&c.sample.arm, a))
                });
                let flights = || session.plan().flights.iter();
                cups.filter_map(|c| flights().find(|f| f.number == c.flight)).map(|f| f.day).min()
            };
            let file = &lot.file.value;
            let (since, was) =
                file.parted.map_or((file.made, "made"), |d| (d, "parted from its parent"));
            let mut tell = |sample: &str, day: Day, what: &str| {
                warnings.push(format!(
                    "{}: {sample} was tasted on {day}, before it was {what}: one of the two days is \
                     wrong",
                    session.relative("session.toml")
                ));
            };
            if let Some(day) = day_of(None).filter(|day| *day < since) {
                tell(&lot.id, day, &format!("{was} on {since}"));
                continue;
            }
            for arm in &file.arms {
                if let Some(day) = day_of(Some(&arm.id)).filter(|day| *day < arm.since) {
                    tell(
                        &format!("{}@{}", lot.id, arm.id),
                        day,
                        &format!("split off on {}", arm.since),
                    );
                }
            }
            // A tasting on the day of the split still is one of the whole lot.
            if let Some(split) = file.arms.iter().map(|a| a.since).min()
                && session.plan().day > split
                && let Some(day) = day_of(Some(MAIN))
            {
                warnings.push(format!(
                    "{}: {} was tasted as a whole on {day}, after it was split on {split}: one of the \
                     two days is wrong",
                    session.relative("session.toml"),
                    lot.id
                ));
            }
        }
    }
    Ok(warnings)
}

fn check_session(session: &Session, problems: &mut Problems) -> Result<(), BookError> {
    for taster in &session.plan().tasters {
        Ballot::read(session, taster, problems)?;
        late::check(session, taster, problems)?;
    }
    check_ballot_files(session, "ballots", problems)?;
    check_ballot_files(session, "late", problems)?;
    let pours: Log<PourLine> =
        csv_file::read(&session.root, &session.relative("pours.csv"), problems)?;
    for line in pours.lines.iter().filter(|l| session.plan().flight_of(l.value.cup).is_none()) {
        problems.push(pours.problem(
            line.number,
            "cup",
            format!("no cup {} was served in this session", line.value.cup),
            "a code of session.toml",
            "correct the code",
        ));
    }
    check_changes(session, problems)?;
    let mut gather = |e: BookError| match e {
        BookError::Records(found) => {
            found.sorted().into_iter().cloned().for_each(|p| problems.push(p));
            Ok(())
        }
        other => Err(other),
    };
    let close = match session.close_file() {
        Ok(close) => close,
        Err(e) => return gather(e),
    };
    let reveal = match session.reveal_file() {
        Ok(reveal) => reveal,
        Err(e) => return gather(e),
    };
    if let Err(e) = session.void_file() {
        return gather(e);
    }
    if let Some(close) = close {
        check_closed_ballots(session, &close, problems)?;
    } else if reveal.is_some() {
        problems.push(Problem::new(
            session.relative("close.toml"),
            None,
            "the session was revealed, but there is no close.toml",
            "a session is closed before it is revealed",
            "put the file back from a copy of the book",
        ));
    }
    let promised = session.plan().key_digest.clone().or(reveal.map(|r| r.key_digest));
    if !session.path(key::FILE).exists() && (session.plan().is_alone() && promised.is_none()) {
        return Ok(());
    }
    match Key::read(&session.root, &session.relative(key::FILE)) {
        Ok(key) => check_key(session, &key, promised.as_deref(), problems),
        Err(BookError::Records(found)) => {
            found.sorted().into_iter().cloned().for_each(|p| problems.push(p));
        }
        Err(other) => return Err(other),
    }
    Ok(())
}

/// A ballot of somebody who does not taste in the session, or a copy beside one.
fn check_ballot_files(
    session: &Session,
    of: &str,
    problems: &mut Problems,
) -> Result<(), BookError> {
    let folder = session.path(of);
    if !folder.exists() {
        return Ok(());
    }
    for entry in std::fs::read_dir(&folder).map_err(store::io("read", &folder))? {
        let entry = entry.map_err(store::io("read", &folder))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(taster) = name.strip_suffix(".csv") else { continue };
        let tasters = &session.plan().tasters;
        if !tasters.iter().any(|t| t == taster) {
            problems.push(Problem::new(
                session.relative(&format!("{of}/{name}")),
                None,
                format!("{taster} is not a taster of this session"),
                format!("one ballot for each of {}", tasters.join(", ")),
                did_you_mean(
                    taster,
                    tasters.iter().map(String::as_str),
                    "unite its lines with the right ballot, or move it elsewhere",
                ),
            ));
        }
    }
    Ok(())
}

fn check_changes(session: &Session, problems: &mut Problems) -> Result<(), BookError> {
    let plan = session.plan();
    let log: Log<ChangeLine> =
        csv_file::read(&session.root, &session.relative("changes.csv"), problems)?;
    for line in &log.lines {
        let change = &line.value;
        let mut wrong = |column, found: String, expected: String| {
            problems.push(log.problem(
                line.number,
                column,
                found,
                expected,
                "correct it, so that it is plain what the line is about",
            ));
        };
        if let Some(t) = change.taster.as_ref().filter(|t| !plan.tasters.contains(t)) {
            wrong(
                "taster",
                format!("{t} is not a taster of this session"),
                format!("one of {}", plan.tasters.join(", ")),
            );
        }
        if let Some(c) = change.cup.filter(|c| plan.flight_of(*c).is_none()) {
            wrong(
                "cup",
                format!("no cup {c} was served in this session"),
                "a code of session.toml".to_owned(),
            );
        }
        if let Some(f) = change.flight.filter(|f| !plan.flights.iter().any(|g| g.number == *f)) {
            wrong(
                "flight",
                format!("there is no flight {f}"),
                format!("1 to {}", plan.flights.len()),
            );
        }
        if let Some(t) = change.term.as_deref()
            && plan.term(t).is_none()
            && !set_terms(plan).contains(&t)
            && t != GUESS
            && t != GUESS_SURE
        {
            wrong(
                "term",
                format!("this session does not ask \"{t}\""),
                "a term of session.toml".to_owned(),
            );
        }
        if change.change == Change::Readmission {
            let known = log.values().any(|c| {
                c.change == Change::Exclusion && Some(&c.entry) == change.replaces.as_ref()
            });
            if !known {
                wrong(
                    "replaces",
                    format!(
                        "there is no exclusion {}",
                        change.replaces.as_deref().unwrap_or("without an entry")
                    ),
                    "the entry of an exclusion of this file".to_owned(),
                );
            }
        }
    }
    Ok(())
}
