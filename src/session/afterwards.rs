//! The key of somebody who poured and tasted alone: written down after closing.

use std::collections::BTreeMap;

use crate::book::csv_file::place_of_cell;
use crate::book::problem::{Problem, Problems, did_you_mean};
use crate::book::session_files::{Change, ChangeLine};
use crate::book::store;
use crate::book::time::Moment;
use crate::book::{Book, BookError};

use super::changes::append_change;
use super::key::{self, DealSecret, Key, KeyCup};
use super::plan::sample;
use super::reserve::draws_of;
use super::sample::{Role, Sample};
use super::state::{Session, State, lock};

/// Takes the key of a closed session from a table with the columns `shelf,lot` (the places of
/// the tins) or `code,lot`. Lots are LOT or LOT@ARM; `reference` names the frozen sample.
/// Nothing was committed beforehand then, and reports say so.
///
/// # Errors
/// If the session has a sealed key, is not closed, or the table does not fit it.
pub fn write_key(
    book: &Book,
    name: &str,
    file: &str,
    text: &str,
    reference: Option<&str>,
    secret: DealSecret,
    now: Moment,
) -> Result<(), BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    if !session.plan().is_alone() {
        return Err(BookError::Refused(format!(
            "the key of session {} was sealed when it was planned\n  to mend:  go on with `session reveal`",
            session.name
        )));
    }
    match session.state {
        State::Closed if session.path(key::FILE).exists() => {
            return Err(session.refused("it has its key already", "go on with `session reveal`"));
        }
        State::Closed => {}
        State::Planned | State::Open => {
            return Err(session.refused(
                "its key is not taken before it is closed",
                "close it with `session close` first, without looking under the tins",
            ));
        }
        State::Revealed | State::Void => {
            return Err(session.refused("its key cannot be changed", "leave it as it is"));
        }
    }
    let lots = book.lots()?;
    let day = session.plan().day;
    let reference = reference.map(|r| sample(&lots, r, day)).transpose()?;
    let table = read_table(&session, file, text, |text| sample(&lots, text, day))?;
    let cups = cups(&session, &table, reference.as_ref());
    if let Some(r) = reference.filter(|r| !cups.iter().any(|c| c.sample == *r)) {
        return Err(BookError::Refused(format!(
            "the reference {r} is in none of the cups\n  to mend:  correct --reference or {file}"
        )));
    }
    let draws = draws_of(&cups, session.plan().recipe.leaf_g);
    let key = Key::written_afterwards(&session.name, secret, cups, draws);
    let line = ChangeLine {
        entry: String::new(),
        at: now,
        change: Change::Key,
        flight: None,
        taster: None,
        cup: None,
        steep: None,
        term: None,
        replaces: None,
        reason: format!("the key was written down after closing; its digest is {}", key.digest()),
        by: None,
        after_reveal: false,
    };
    store::create_new(&session.path(key::FILE), &key.text())?;
    append_change(&session, line).map(|_| ())
}

/// What stands behind each code.
fn read_table(
    session: &Session,
    file: &str,
    text: &str,
    sample_of: impl Fn(&str) -> Result<Sample, BookError>,
) -> Result<BTreeMap<u16, Sample>, BookError> {
    let plan = session.plan();
    let mut problems = Problems::new();
    let problem = |line: usize, cell: usize, found: String, expected: String, mend: String| {
        Problem::new(file, Some(place_of_cell(text, line, cell)), found, expected, mend)
    };
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
    let mut records = reader.records();
    let header: Vec<String> = records
        .next()
        .and_then(Result::ok)
        .map(|h| h.iter().map(|c| c.trim().trim_start_matches('\u{feff}').to_lowercase()).collect())
        .unwrap_or_default();
    let at = |name: &str| header.iter().position(|h| h == name);
    let (first, by_shelf, lot_at) = match (at("shelf"), at("code"), at("lot")) {
        (Some(s), None, Some(l)) => (s, true, l),
        (None, Some(c), Some(l)) => (c, false, l),
        _ => {
            problems.push(problem(
                1,
                0,
                format!("the header line is \"{}\"", header.join(",")),
                "shelf,lot or code,lot".to_owned(),
                "write one of the two as the first line".to_owned(),
            ));
            return Err(problems.into());
        }
    };
    let mut codes: BTreeMap<u32, Vec<u16>> = BTreeMap::new();
    for flight in &plan.flights {
        let shelf = flight.cups.iter().zip(&flight.shelf);
        for (code, tin) in
            shelf.map(|(c, t)| (*c, *t)).chain(flight.warm_up.zip(flight.warm_up_shelf))
        {
            codes.entry(if by_shelf { tin } else { u32::from(code) }).or_default().push(code);
        }
    }
    let what = if by_shelf { "shelf place" } else { "code" };
    let known: Vec<String> = codes.keys().map(u32::to_string).collect();
    let mut said: BTreeMap<u32, (usize, Sample)> = BTreeMap::new();
    for record in records.flatten() {
        let line = record.position().map_or(0, |p| p.line() as usize);
        let cell = |i: usize| record.get(i).unwrap_or("").trim();
        if record.iter().all(|c| c.trim().is_empty()) {
            continue;
        }
        let number = cell(first).parse::<u32>().ok().filter(|n| codes.contains_key(n));
        let Some(number) = number else {
            problems.push(problem(
                line,
                first,
                format!("there is no {what} \"{}\" in this session", cell(first)),
                format!("one of {}", known.join(", ")),
                did_you_mean(cell(first), known.iter().map(String::as_str), "take the line out"),
            ));
            continue;
        };
        let sample = match sample_of(cell(lot_at)) {
            Ok(sample) => sample,
            Err(e) => {
                let told = e.to_string();
                let found = told.lines().next().unwrap_or_default().to_owned();
                problems.push(problem(
                    line,
                    lot_at,
                    found,
                    "a lot of the book, as T26-01 or T26-01@dry".to_owned(),
                    "correct the lot".to_owned(),
                ));
                continue;
            }
        };
        if let Some((other, _)) = said.insert(number, (line, sample)) {
            problems.push(problem(
                line,
                first,
                format!("the {what} {number} has two meanings: line {other} names it too"),
                format!("each {what} once"),
                "take one of the two out".to_owned(),
            ));
        }
    }
    let missing: Vec<String> =
        codes.keys().filter(|n| !said.contains_key(n)).map(u32::to_string).collect();
    if problems.is_empty() && !missing.is_empty() {
        problems.push(problem(
            1,
            first,
            format!("nothing is said of {what} {}", missing.join(", ")),
            format!("one line for each {what}"),
            "add the lines".to_owned(),
        ));
    }
    let table = said
        .into_iter()
        .flat_map(|(n, (_, sample))| {
            codes
                .get(&n)
                .into_iter()
                .flatten()
                .map(move |c| (*c, sample.clone()))
                .collect::<Vec<_>>()
        })
        .collect();
    Ok(problems.or(table)?)
}

/// Roles follow from what was in the cups: the second of two alike in a flight is a duplicate,
/// a further flight of a sample its next replicate.
fn cups(
    session: &Session,
    table: &BTreeMap<u16, Sample>,
    reference: Option<&Sample>,
) -> Vec<KeyCup> {
    let mut cups: Vec<KeyCup> = Vec::new();
    let mut brew = 0;
    let mut flights_of: BTreeMap<&Sample, Vec<u32>> = BTreeMap::new();
    for flight in &session.plan().flights {
        let mut here: Vec<&Sample> = Vec::new();
        for code in flight.codes() {
            let Some(sample) = table.get(&code) else { continue };
            let role = if flight.warm_up == Some(code) {
                Role::WarmUp
            } else if reference == Some(sample) {
                Role::Reference
            } else if here.contains(&sample) {
                Role::Duplicate
            } else {
                Role::Lot
            };
            if role != Role::WarmUp {
                here.push(sample);
            }
            let flights = flights_of.entry(sample).or_default();
            if flights.last() != Some(&flight.number) {
                flights.push(flight.number);
            }
            brew += 1;
            cups.push(KeyCup {
                code,
                flight: flight.number,
                sample: sample.clone(),
                role,
                brew,
                replicate: u32::try_from(flights.len()).unwrap_or(u32::MAX),
            });
        }
    }
    cups
}
