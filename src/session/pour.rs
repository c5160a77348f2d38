//! Pouring: the plan for whoever pours, and what is logged of the cups.

use crate::book::ids;
use crate::book::session_files::{Change, ChangeLine, PourLine};
use crate::book::time::Moment;
use crate::book::{Book, BookError};

use super::ballots::Wrong;
use super::changes::{append_change, entries_of, fresh_entry};
use super::enter::one_line;
use super::key::{self, Key};
use super::reveal::check_key;
use super::sample::{Role, Sample};
use super::state::{Session, State, entry_of, lock};

/// A cup as whoever pours must know it. This is the one way by which lots leave a sealed key.
#[derive(Debug, Clone, PartialEq)]
pub struct Pour {
    /// The flight.
    pub flight: u32,
    /// The code.
    pub code: u16,
    /// What is brewed.
    pub sample: Sample,
    /// Why.
    pub role: Role,
    /// The pot.
    pub brew: u32,
}

/// A cup as somebody who pours and tastes alone may know it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShelfPour {
    /// The flight.
    pub flight: u32,
    /// The code.
    pub code: u16,
    /// The place of the tin on the shelf, from 1.
    pub shelf: u32,
    /// Whether it is the warm-up cup.
    pub warm_up: bool,
}

fn may_pour(session: &Session, pourer: &str) -> Result<(), BookError> {
    if pourer.trim().is_empty() {
        return Err(BookError::Refused(
            "nobody pours\n  to mend:  name who pours with --pourer".to_owned(),
        ));
    }
    match session.state {
        State::Planned | State::Open => Ok(()),
        State::Closed | State::Revealed | State::Void => {
            Err(session.refused("nothing more is poured", "plan another session"))
        }
    }
}

/// The pouring plan of a session, for somebody who does not taste in it; that it was written is
/// logged before it is handed out.
///
/// # Errors
/// If the pourer tastes in the session, it is closed, or its key is not the one that was sealed.
pub fn pouring_plan(
    book: &Book,
    name: &str,
    pourer: &str,
    now: Moment,
) -> Result<(Session, Vec<Pour>), BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    may_pour(&session, pourer)?;
    if session.plan().is_alone() {
        return Err(BookError::Refused(format!(
            "in session {} one person pours and tastes: there is no plan with lots on it\n  to mend:  `session pour` without --out lists which cup is poured from which tin",
            session.name
        )));
    }
    if tastes(book, &session, pourer)? {
        return Err(BookError::Refused(format!(
            "{pourer} tastes in session {}: the pouring plan says which lot each code is\n  to mend:  have somebody pour who does not taste",
            session.name
        )));
    }
    let key = Key::read(book.root(), &session.relative(key::FILE))?;
    let mut problems = crate::book::problem::Problems::new();
    check_key(&session, &key, session.plan().key_digest.as_deref(), &mut problems);
    let key = problems.or(key)?;
    log(&session, pourer, now)?;
    let pours = key
        .cups()
        .iter()
        .map(|c| Pour {
            flight: c.flight,
            code: c.code,
            sample: c.sample.clone(),
            role: c.role,
            brew: c.brew,
        })
        .collect();
    Ok((session, pours))
}

/// Which cup is poured from which tin, where one person pours and tastes. It names no lot.
///
/// # Errors
/// If the session has a sealed key, or is closed.
pub fn shelf_plan(book: &Book, name: &str, pourer: &str) -> Result<Vec<ShelfPour>, BookError> {
    let session = Session::open(book, name)?;
    may_pour(&session, pourer)?;
    if !session.plan().is_alone() {
        return Err(BookError::Refused(format!(
            "session {} has a sealed key; its pouring plan goes into a file\n  to mend:  add --out FILE",
            session.name
        )));
    }
    let mut pours = Vec::new();
    for flight in &session.plan().flights {
        let row = |code: u16, shelf: u32, warm_up: bool| ShelfPour {
            flight: flight.number,
            code,
            shelf,
            warm_up,
        };
        pours.extend(flight.warm_up.zip(flight.warm_up_shelf).map(|(c, s)| row(c, s, true)));
        pours.extend(flight.cups.iter().zip(&flight.shelf).map(|(c, s)| row(*c, *s, false)));
    }
    Ok(pours)
}

fn tastes(book: &Book, session: &Session, pourer: &str) -> Result<bool, BookError> {
    let pourer = pourer.trim();
    let known = book.tasters()?.value;
    Ok(session.plan().tasters.iter().any(|t| {
        let name = known.taster(t).and_then(|k| k.name.clone()).unwrap_or_default();
        ids::same(t, pourer) || (!name.is_empty() && name.to_lowercase() == pourer.to_lowercase())
    }))
}

fn log(session: &Session, pourer: &str, now: Moment) -> Result<(), BookError> {
    let line = ChangeLine {
        entry: String::new(),
        at: now,
        change: Change::PouringPlan,
        flight: None,
        taster: None,
        cup: None,
        steep: None,
        term: None,
        replaces: None,
        reason: "the pouring plan was written".to_owned(),
        by: Some(one_line(pourer)),
        after_reveal: false,
    };
    append_change(session, line).map(|_| ())
}

/// What is logged of a cup.
#[derive(Debug, Clone, PartialEq)]
pub struct PourNote {
    /// The code of the cup.
    pub cup: u16,
    /// Degrees Celsius when it was tasted.
    pub temperature_c: Option<f64>,
    /// Minutes since pouring.
    pub minutes: Option<f64>,
    /// Anything else.
    pub note: Option<String>,
}

/// Logs a cup's temperature and age. Returns a caution if it is too hot to taste.
///
/// # Errors
/// If there is no such cup, a number cannot be meant, or the session is closed.
pub fn log_pour(
    book: &Book,
    name: &str,
    pour: &PourNote,
    now: Moment,
) -> Result<Option<String>, BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    may_pour(&session, "somebody")?;
    let refuse = |w: Wrong| {
        BookError::Refused(format!(
            "{}\n  expected: {}\n  to mend:  {}",
            w.found, w.expected, w.mend
        ))
    };
    if session.plan().flight_of(pour.cup).is_none() {
        return Err(refuse(Wrong::new(
            format!("no cup {} is served in session {}", pour.cup, session.name),
            "a code of this session: `session show` lists them",
            "look at the code on the cup",
        )));
    }
    if let Some(t) = pour.temperature_c.filter(|t| !(0.0..=100.0).contains(t)) {
        return Err(refuse(Wrong::new(
            format!("{t} is not the temperature of a cup"),
            "degrees Celsius from 0 to 100",
            "correct --temperature",
        )));
    }
    if let Some(m) = pour.minutes.filter(|m| !(0.0..=10_000.0).contains(m)) {
        return Err(refuse(Wrong::new(
            format!("{m} minutes cannot be meant"),
            "minutes since pouring, 0 to 10000",
            "correct --minutes",
        )));
    }
    let mut line = PourLine {
        entry: String::new(),
        at: now,
        cup: pour.cup,
        temperature_c: pour.temperature_c,
        minutes: pour.minutes,
        note: pour.note.as_deref().map(one_line),
    };
    let cells = crate::book::csv_file::Record::to_cells(&line);
    line.entry = entry_of(&cells.iter().map(String::as_str).collect::<Vec<_>>());
    let file = session.relative("pours.csv");
    let taken = entries_of::<PourLine>(&session, &file, |l| &l.entry)?;
    if taken.contains(&line.entry) {
        line.entry = fresh_entry(&cells, &taken);
    }
    session.append(&file, &[line])?;
    Ok(pour.temperature_c.filter(|t| *t >= 60.0).map(|t| {
        format!("CAUTION: {t} °C is too hot. Taste below 60 °C: let cup {} cool first.", pour.cup)
    }))
}
