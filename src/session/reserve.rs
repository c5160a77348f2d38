//! Reserves: what is left of them, and what sessions drew.

use crate::book::ids;
use crate::book::lots::{How, LogLine, Lot};
use crate::book::parameters::RESERVE_DRAWN;
use crate::book::time::Moment;
use crate::book::{Book, BookError, csv_file};

use super::key::{self, Draw, Key};
use super::plan::is_whole;
use super::sample::Sample;
use super::state::entry_of;

/// What sealed sessions will draw: it stands in their keys until they are revealed or void.
pub(super) fn pending(book: &Book) -> Result<Vec<Draw>, BookError> {
    let mut pending = Vec::new();
    for name in book.session_names()? {
        let folder = format!("sessions/{name}");
        let done =
            ["reveal.toml", "void.toml"].iter().any(|f| book.root().join(&folder).join(f).exists());
        let file = format!("{folder}/{}", key::FILE);
        if done || !book.root().join(&file).exists() {
            continue;
        }
        pending.extend(Key::read(book.root(), &file)?.draws().iter().cloned());
    }
    Ok(pending)
}

/// Grams left of a sample, less what is pending; none if no reserve is recorded.
pub(super) fn left(lots: &[Lot], pending: &[Draw], sample: &Sample) -> Option<f64> {
    let lot = lots.iter().find(|l| ids::same(&l.id, &sample.lot))?;
    let reserve = lot.reserve(&sample.arm)?;
    let waiting: f64 = pending.iter().filter(|d| d.sample == *sample).map(|d| d.leaf_g).sum();
    Some(reserve.left_g - waiting)
}

/// Writes a session's draws into the logs of its lots. A draw that stands there already (its
/// entry follows from session and sample) is not written again, so that a reveal which was
/// interrupted can be finished.
pub(super) fn log_draws(
    book: &Book,
    session: &str,
    draws: &[Draw],
    now: Moment,
) -> Result<(), BookError> {
    let lots = book.lots()?;
    for draw in draws {
        let Some(lot) = lots.iter().find(|l| ids::same(&l.id, &draw.sample.lot)) else { continue };
        let entry = entry_of(&["draw", session, &draw.sample.lot, &draw.sample.arm]);
        if lot.log.values().any(|l| l.entry == entry) {
            continue;
        }
        let line = LogLine {
            entry,
            at: now,
            arm: (!is_whole(&draw.sample.arm)).then(|| draw.sample.arm.clone()),
            parameter: RESERVE_DRAWN.to_owned(),
            value: Some(draw.leaf_g.to_string()),
            unit: Some("g".to_owned()),
            how: How::Estimated,
            by: None,
            replaces: None,
            reason: None,
            note: Some(format!("session {session}")),
        };
        csv_file::append(book.root(), &format!("lots/{}/log.csv", lot.id), &[line])?;
    }
    Ok(())
}
