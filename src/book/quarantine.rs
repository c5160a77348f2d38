//! Putting a lot into quarantine, and clearing it.

use rand_chacha::rand_core::Rng;

use super::fitness::{named, quarantine};
use super::ids;
use super::logging::{Entry, append, line_of, lot_for_mending};
use super::lots::{How, LogLine, Lot};
use super::parameters::QUARANTINE;
use super::problem::Problems;
use super::store::WriteLock;
use super::time::Moment;
use super::writing::{must_be_short, must_be_there, refused};
use super::{Book, BookError};

/// A quarantine that begins or ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Whether it begins; else it ends.
    pub begins: bool,
    /// Why.
    pub reason: String,
    /// Who says so; whoever clears a lot must be named.
    pub by: Option<String>,
    /// When; else now.
    pub on: Option<Moment>,
}

/// Logs that a lot, or one of its arms, is put into quarantine or cleared.
///
/// # Errors
/// If no reason is given (or nobody who clears it), the lot or arm is not there, it is in quarantine
/// already or is not, or the disk refuses.
pub fn change(
    book: &Book,
    (lot, arm): (&str, Option<&str>),
    change: &Change,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<(Lot, LogLine), BookError> {
    if change.reason.trim().is_empty() {
        let found = if change.begins { "a quarantine" } else { "a clearing" };
        return Err(refused(
            format!("{found} without a reason"),
            "what was seen, smelt or measured",
            "say it with --reason",
        ));
    }
    if !change.begins && change.by.as_deref().is_none_or(|by| by.trim().is_empty()) {
        return Err(refused(
            "nobody is named who clears the lot",
            "who answers for it",
            "name them with --by",
        ));
    }
    must_be_short("--reason", Some(&change.reason))?;
    let _lock = WriteLock::take(book.root())?;
    let parameters = book.parameters()?.value;
    let mut before = Problems::new();
    let lot = lot_for_mending(book, lot, &parameters, &mut before)?;
    let at = change.on.unwrap_or(now);
    must_be_there(&lot, (at.day(), at.to_the_minute()), ("moment", "--on"))?;
    let arm = arm.map(|arm| lot.arm_on(Some(arm), at.day())).transpose()?;
    // Mistakes in other lots do not keep a lot from being put into quarantine.
    let lots = book.lots().unwrap_or_else(|_| vec![lot.clone()]);
    let arms = arm.clone().map_or_else(|| lot.arms_on(at.day()), |arm| vec![arm]);
    let is_in = |arm: &String| quarantine(&lot, arm, &lots, at.day()).is_some();
    let what = arm.as_ref().map_or_else(|| lot.id.clone(), |arm| named(&lot.id, arm));
    if change.begins && arms.iter().all(is_in) {
        return Err(refused(
            format!("{what} is in quarantine already"),
            "a lot that is not",
            "add what else was found with `lot log … --note`, or leave it as it is",
        ));
    }
    if !change.begins && !arms.iter().any(is_in) {
        return Err(refused(
            format!("{what} is not in quarantine on {}", at.day()),
            "a lot that is",
            "look at it with `blindsteep lot show`",
        ));
    }
    let entry = Entry {
        arm,
        how: How::Measured,
        by: change.by.clone(),
        note: Some(change.reason.trim().replace(['\r', '\n'], " ")),
        ..Entry::new(
            QUARANTINE.to_owned(),
            Some(if change.begins { "yes" } else { "no" }.to_owned()),
        )
    };
    let line = line_of(&entry, at, &parameters, rng)?;
    let mut lines = append(book, &lot, vec![line], &parameters, &before, rng)?;
    Ok((book.lot(&lot.id)?, lines.remove(0)))
}

/// A quarantine ends only with a reason and with somebody who answers for it.
pub(super) fn must_be_reasoned(entry: &Entry) -> Result<(), BookError> {
    let ends = entry
        .value
        .as_deref()
        .is_some_and(|v| ["no", "false", "0"].iter().any(|no| no.eq_ignore_ascii_case(v.trim())));
    let said = |text: &Option<String>| text.as_deref().is_some_and(|t| !t.trim().is_empty());
    let reasoned = entry.replaces.is_some() || (said(&entry.note) && said(&entry.by));
    if !ids::same(&entry.parameter, QUARANTINE) || !ends || reasoned {
        return Ok(());
    }
    Err(refused(
        "a quarantine is not ended without a reason",
        "why, and who answers for it",
        "use `blindsteep lot clear LOT --reason … --by WHO`",
    ))
}
