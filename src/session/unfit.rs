//! Samples that are not fit to be served: refused when a session is planned, told of when it is poured.

use crate::book::book_file::Limits;
use crate::book::fitness::{Fitness, fitness, fitness_to_serve};
use crate::book::ids;
use crate::book::lots::Lot;
use crate::book::time::{Day, Moment};
use crate::book::{Book, BookError};

use super::plan::refused;
use super::pour::Pour;
use super::sample::Sample;
use super::state::Session;

/// Refuses samples that are not fit to be served on a day; returns what is to be looked at in the
/// others.
pub(super) fn must_be_fit<'a>(
    samples: impl Iterator<Item = &'a Sample>,
    lots: &[Lot],
    limits: &Limits,
    day: Day,
) -> Result<Vec<String>, BookError> {
    let (mut blocked, mut warnings): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
    let mut seen: Vec<&Sample> = Vec::new();
    for sample in samples {
        let Some(lot) = lots.iter().find(|l| ids::same(&l.id, &sample.lot)) else { continue };
        if seen.contains(&sample) {
            continue;
        }
        seen.push(sample);
        match fitness_to_serve(lot, &sample.arm, lots, limits, day) {
            Fitness::Fit => {}
            Fitness::Warn(reasons) => {
                warnings.extend(reasons.into_iter().map(|r| format!("{sample}: {r}")));
            }
            Fitness::Block(reasons) => {
                blocked.push(format!("{sample} is not served: {}", reasons.join("; ")));
            }
        }
    }
    if blocked.is_empty() {
        return Ok(warnings);
    }
    Err(refused(format!(
        "{}\n  expected: samples that are fit to be served\n  to mend:  take it out of the session; once it is dried again log what is measured (store.moisture, store.water-activity); a quarantine ends with `blindsteep lot clear LOT --reason … --by WHO`",
        blocked.join("\n")
    )))
}

/// A cup that is not to be poured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotToPour {
    /// Its code.
    pub code: u16,
    /// What is in it.
    pub sample: Sample,
    /// Why not.
    pub reasons: Vec<String>,
}

/// The cups of a pouring plan whose samples were put into quarantine, or found too damp, since the
/// session was planned. It names lots, and is for whoever holds the plan.
///
/// # Errors
/// If the lots or the book's description are wrong.
pub fn not_to_pour(book: &Book, pours: &[Pour], now: Moment) -> Result<Vec<NotToPour>, BookError> {
    let (lots, limits) = (book.lots()?, book.book_file()?.value.limits);
    let unfit = |p: &Pour| {
        let lot = lots.iter().find(|l| ids::same(&l.id, &p.sample.lot))?;
        match fitness_to_serve(lot, &p.sample.arm, &lots, &limits, now.day()) {
            Fitness::Block(reasons) => {
                Some(NotToPour { code: p.code, sample: p.sample.clone(), reasons })
            }
            _ => None,
        }
    };
    Ok(pours.iter().filter_map(unfit).collect())
}

/// Samples of the book that came into quarantine, or were found too damp, since a session was planned.
/// Who pours and tastes alone has no sealed key that says which of them are in it.
///
/// # Errors
/// If the session, the lots or the book's description are wrong.
pub fn unfit_since_planned(book: &Book, name: &str, now: Moment) -> Result<Vec<Sample>, BookError> {
    let planned = Session::open(book, name)?.plan().planned.day();
    let (lots, limits) = (book.lots()?, book.book_file()?.value.limits);
    let mut found = Vec::new();
    for lot in &lots {
        for arm in lot.arms() {
            let is_unfit = fitness_to_serve(lot, &arm, &lots, &limits, now.day()).is_blocked();
            // On the day of the plan itself nobody knows which came first.
            let was = fitness(lot, &arm, &lots, &limits, planned.later(-1)).is_blocked();
            if is_unfit && !was {
                found.push(Sample { lot: lot.id.clone(), arm });
            }
        }
    }
    Ok(found)
}
