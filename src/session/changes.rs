//! Amendments, exclusions and what else was done to a session: appended, each with its reason.

use std::collections::HashSet;

use crate::book::csv_file::{self, Record};
use crate::book::problem::Problems;
use crate::book::session_files::{BallotLine, Change, ChangeLine, Kind};
use crate::book::time::Moment;
use crate::book::{Book, BookError};

use super::ballots::{served, term_named};
use super::enter::one_line;
use super::sets::set_terms;
use super::state::{Session, State, entry_of, lock};

/// Which answers are meant: those that fit everything that is named.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Scope {
    /// Of this taster.
    pub taster: Option<String>,
    /// In this flight.
    pub flight: Option<u32>,
    /// Of this cup.
    pub cup: Option<u16>,
    /// Of this steep.
    pub steep: Option<u32>,
    /// Of this term.
    pub term: Option<String>,
}

/// Gives a line its entry: a digest of all the rest.
pub(super) fn with_change_entry(mut line: ChangeLine) -> ChangeLine {
    let cells = line.to_cells();
    let parts: Vec<&str> = cells.iter().map(String::as_str).collect();
    line.entry = entry_of(&parts);
    line
}

/// Appends a line to changes.csv and returns its entry: a digest of all the rest, and of how many
/// lines say the same already, since two may be written within one second.
pub(super) fn append_change(session: &Session, line: ChangeLine) -> Result<String, BookError> {
    let file = session.relative("changes.csv");
    let mut line = with_change_entry(line);
    let taken = entries_of::<ChangeLine>(session, &file, |l| &l.entry)?;
    if taken.contains(&line.entry) {
        let cells = line.to_cells();
        line.entry = fresh_entry(&cells[1..], &taken);
    }
    let entry = line.entry.clone();
    session.append(&file, &[line])?;
    Ok(entry)
}

/// The entries of a log of a session, as far as its lines can be read: what is wrong in it is
/// for `check` to say, not for somebody who pours.
pub(super) fn entries_of<T: Record>(
    session: &Session,
    file: &str,
    entry: impl Fn(&T) -> &String,
) -> Result<HashSet<String>, BookError> {
    let log: csv_file::Log<T> = csv_file::read(&session.root, file, &mut Problems::new())?;
    Ok(log.lines.iter().map(|l| entry(&l.value).clone()).collect())
}

/// An entry for a line that says the same as one that is there.
pub(super) fn fresh_entry(cells: &[String], taken: &HashSet<String>) -> String {
    let mut again = 1_usize;
    loop {
        again += 1;
        let nth = again.to_string();
        let parts: Vec<&str> = cells.iter().chain([&nth]).map(String::as_str).collect();
        let entry = entry_of(&parts);
        if !taken.contains(&entry) {
            return entry;
        }
    }
}

/// Leaves answers out of the results, before or after the reveal. They stay in the record, and
/// results are shown with and without them. Returns the entry of the exclusion.
///
/// # Errors
/// If nothing or nobody of that name is in the session, or no reason is given.
pub fn exclude(
    book: &Book,
    name: &str,
    scope: &Scope,
    reason: &str,
    by: Option<&str>,
    now: Moment,
) -> Result<String, BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    if reason.trim().is_empty() {
        return Err(BookError::Refused(
            "an exclusion needs a reason\n  to mend:  say why with --reason".to_owned(),
        ));
    }
    if session.state == State::Void {
        return Err(session.refused("nothing of it counts anyway", "leave it as it is"));
    }
    if *scope == Scope::default() {
        return Err(BookError::Refused(
            "an exclusion of everything\n  expected: a taster, a flight, a cup, a steep or a term\n  to mend:  name them with --taster, --flight, --cup, --steep, --term; to give up the whole session use `session void`"
                .to_owned(),
        ));
    }
    let plan = session.plan();
    let taster = scope.taster.as_deref().map(|t| session.taster(t)).transpose()?;
    if let Some(flight) = scope.flight.filter(|f| !plan.flights.iter().any(|g| g.number == *f)) {
        return Err(BookError::Refused(format!(
            "there is no flight {flight}\n  expected: 1 to {}\n  to mend:  correct --flight",
            plan.flights.len()
        )));
    }
    if let Some(code) = scope.cup {
        served(plan, None, code).map_err(|w| {
            BookError::Refused(format!(
                "{}\n  expected: {}\n  to mend:  {}",
                w.found, w.expected, w.mend
            ))
        })?;
    }
    if scope.steep.is_some() && plan.kind != Kind::Profile {
        return Err(BookError::Refused(format!(
            "a {} session has no answers about single steeps\n  to mend:  leave --steep out",
            plan.kind.word()
        )));
    }
    if let Some(steep) = scope.steep.filter(|s| *s == 0 || *s > plan.n_steeps()) {
        return Err(BookError::Refused(format!(
            "there is no steep {steep}\n  expected: 1 to {}\n  to mend:  correct --steep",
            plan.n_steeps()
        )));
    }
    let term = match scope.term.as_deref() {
        None => None,
        Some(name) if set_terms(plan).contains(&name) => Some(name.to_owned()),
        Some(name) => Some(
            term_named(plan, name)
                .ok_or_else(|| {
                    let known: Vec<String> =
                        set_terms(plan).into_iter().map(str::to_owned).collect();
                    crate::book::reading::unknown(
                        "term in this session",
                        name,
                        &known,
                        "name one of these",
                    )
                })?
                .id
                .clone(),
        ),
    };
    let line = ChangeLine {
        entry: String::new(),
        at: now,
        change: Change::Exclusion,
        flight: scope.flight,
        taster,
        cup: scope.cup,
        steep: scope.steep,
        term,
        replaces: None,
        reason: one_line(reason),
        by: by.map(one_line),
        after_reveal: session.state == State::Revealed,
    };
    append_change(&session, line)
}

/// Takes an exclusion back.
///
/// # Errors
/// If there is no such exclusion, or it was taken back already, or no reason is given.
pub fn readmit(
    book: &Book,
    name: &str,
    entry: &str,
    reason: &str,
    by: Option<&str>,
    now: Moment,
) -> Result<(), BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    if reason.trim().is_empty() {
        return Err(BookError::Refused(
            "taking an exclusion back needs a reason\n  to mend:  say why with --reason".to_owned(),
        ));
    }
    let changes = session.changes()?;
    let standing: Vec<String> = exclusions(&changes).map(|c| c.entry.clone()).collect();
    if !standing.iter().any(|e| e == entry) {
        return Err(crate::book::reading::unknown(
            "exclusion",
            entry,
            &standing,
            "`session show` names the exclusions",
        ));
    }
    let line = ChangeLine {
        entry: String::new(),
        at: now,
        change: Change::Readmission,
        flight: None,
        taster: None,
        cup: None,
        steep: None,
        term: None,
        replaces: Some(entry.to_owned()),
        reason: one_line(reason),
        by: by.map(one_line),
        after_reveal: session.state == State::Revealed,
    };
    append_change(&session, line).map(|_| ())
}

/// The exclusions that were not taken back.
pub fn exclusions(changes: &[ChangeLine]) -> impl Iterator<Item = &ChangeLine> {
    let back: Vec<&str> = changes
        .iter()
        .filter(|c| c.change == Change::Readmission)
        .filter_map(|c| c.replaces.as_deref())
        .collect();
    changes
        .iter()
        .filter(|c| c.change == Change::Exclusion)
        .filter(move |c| !back.contains(&c.entry.as_str()))
}

/// The reason for which a line of a ballot is excluded, if it is.
pub(super) fn excluded(changes: &[ChangeLine], taster: &str, line: &BallotLine) -> Option<String> {
    excluded_with(changes, taster, line, line.cup.as_slice())
}

/// The reason for which an answer about cups that were tasted together is excluded, if it is: a
/// cup that does not count takes its whole set with it.
pub(super) fn excluded_with(
    changes: &[ChangeLine],
    taster: &str,
    line: &BallotLine,
    cups: &[u16],
) -> Option<String> {
    exclusions(changes)
        .find(|c| {
            c.taster.as_deref().is_none_or(|t| t == taster)
                && c.flight.is_none_or(|f| f == line.flight)
                && c.cup.is_none_or(|code| cups.contains(&code))
                && c.steep.is_none_or(|s| Some(s) == line.steep)
                && c.term.as_ref().is_none_or(|t| Some(t) == line.term.as_ref())
        })
        .map(|c| c.reason.clone())
}
