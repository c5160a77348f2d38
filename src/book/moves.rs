//! Where and how the arms of a lot are kept, over time.

use rand_chacha::rand_core::Rng;

use super::family::history;
use super::logging::{Entry, append, line_of, lot_for_mending};
use super::lots::{How, LogLine, Lot, MAIN};
use super::parameters::{Parameters, Value};
use super::problem::Problems;
use super::store::WriteLock;
use super::time::{Day, Moment};
use super::writing::{must_be_short, must_be_there, refused};
use super::{Book, BookError, ids, starter};

/// The step of storage, before the point of its parameters.
const STORE: &str = "store.";

/// A move in store: what is given is how the sample is kept from then on.
#[derive(Debug, Clone, PartialEq)]
pub struct Move {
    /// Where it is kept.
    pub place: Option<String>,
    /// What it is packed in.
    pub pack: Option<String>,
    /// The mean temperature, with or without a unit.
    pub temperature: Option<String>,
    /// The mean relative humidity, with or without a unit.
    pub humidity: Option<String>,
    /// When; else now.
    pub on: Option<Moment>,
    /// Measured or estimated.
    pub how: How,
    /// Who writes.
    pub by: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

/// Logs a move of a lot, or of one of its arms: a line for each thing that is given, all or none.
///
/// # Errors
/// If nothing is given, the lot or arm is not there at that moment, the book's parameters lack one
/// that is needed, a value does not fit, or the disk refuses.
pub fn move_lot(
    book: &Book,
    (lot, arm): (&str, Option<&str>),
    moved: &Move,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<(Lot, Vec<LogLine>), BookError> {
    let given: Vec<(&str, &String)> = [
        ("store.place", &moved.place),
        ("store.pack", &moved.pack),
        ("store.temperature", &moved.temperature),
        ("store.humidity", &moved.humidity),
    ]
    .into_iter()
    .filter_map(|(parameter, value)| Some((parameter, value.as_ref()?)))
    .collect();
    if given.is_empty() {
        return Err(refused(
            "a move without anything that changes",
            "a place, a pack, a temperature or a humidity",
            "give --place, --pack, --temperature or --humidity",
        ));
    }
    must_be_short("--place", moved.place.as_deref())?;
    must_be_short("--pack", moved.pack.as_deref())?;
    let _lock = WriteLock::take(book.root())?;
    let parameters = book.parameters()?.value;
    let mut before = Problems::new();
    let lot = lot_for_mending(book, lot, &parameters, &mut before)?;
    let at = moved.on.unwrap_or(now);
    must_be_there(&lot, (at.day(), at.to_the_minute()), ("moment", "--on"))?;
    let arm = arm.map(|arm| lot.arm_on(Some(arm), at.day())).transpose()?;
    let mut lines = Vec::new();
    for (parameter, value) in given {
        must_be_known(parameter, &parameters)?;
        let entry = Entry {
            arm: arm.clone(),
            how: moved.how,
            by: moved.by.clone(),
            note: moved.note.clone(),
            ..Entry::new(parameter.to_owned(), Some(value.clone()))
        };
        lines.push(line_of(&entry, at, &parameters, rng)?);
    }
    let lines = append(book, &lot, lines, &parameters, &before, rng)?;
    Ok((book.lot(&lot.id)?, lines))
}

/// Books that are older than a parameter are told its lines.
fn must_be_known(parameter: &str, parameters: &Parameters) -> Result<(), BookError> {
    if parameters.parameter(parameter).is_some() {
        return Ok(());
    }
    let lines = starter::parameter_lines(parameter).unwrap_or_default().replace('\n', "\n    ");
    Err(refused(
        format!("parameters.toml has no {parameter}"),
        "the parameter by which a move is logged",
        format!("add these lines to parameters.toml:\n    {lines}"),
    ))
}

/// What was logged of the storage of a sample at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// When.
    pub at: Moment,
    /// The lot: this one, or the one that it was split from.
    pub lot: String,
    /// The arm; none: the whole lot.
    pub arm: Option<String>,
    /// Parameter, value, unit.
    pub values: Vec<(String, Value, Option<String>)>,
}

/// How a lot, its arms, and the tea before it was split off were kept, by moments. What happened
/// to a parent after the lot was parted from it is no part of its storage.
#[must_use]
pub fn storage(lot: &Lot, lots: &[Lot]) -> Vec<Kept> {
    // A sample, and the day from which the tea was something else (none: it still is).
    let mut samples: Vec<(String, Option<String>, Option<Day>)> = Vec::new();
    for stretch in lot.arms().iter().flat_map(|arm| history(lot, arm, lots)) {
        for arm in [Some(stretch.arm.clone()), None] {
            let known = samples.iter_mut().find(|(l, a, _)| *l == stretch.lot && *a == arm);
            match known {
                // The whole lot lasts as long as the last of its stretches.
                Some((.., until)) => *until = until.and_then(|u| stretch.until.map(|s| u.max(s))),
                None => samples.push((stretch.lot.clone(), arm, stretch.until)),
            }
        }
    }
    let mut kept: Vec<Kept> = Vec::new();
    for (id, arm, until) in samples {
        let Some(found) = [lot].into_iter().chain(lots).find(|l| l.id == id) else { continue };
        let of_sample = |a: &Option<String>| match (a, &arm) {
            (Some(a), Some(arm)) => ids::same(a, arm),
            (a, arm) => a.is_none() && arm.is_none(),
        };
        for v in found.values.iter().filter(|v| v.parameter.starts_with(STORE)) {
            if !of_sample(&v.arm) || until.is_some_and(|until| v.at.day() >= until) {
                continue;
            }
            let arm = v.arm.clone().filter(|a| !ids::same(a, MAIN));
            let value = (v.parameter.clone(), v.value.clone(), v.unit.clone());
            match kept.iter_mut().find(|k| k.at == v.at && k.lot == id && k.arm == arm) {
                Some(k) => k.values.push(value),
                None => kept.push(Kept { at: v.at, lot: id.clone(), arm, values: vec![value] }),
            }
        }
    }
    kept.sort_by_key(|k| k.at.timestamp());
    kept
}
