//! A lot is split into arms: not before it was tasted as a whole.

use crate::book::lots::MAIN;
use crate::book::time::Day;
use crate::book::writing::{self, NewArm};
use crate::book::{Book, BookError};

use super::plan::refused;
use super::sample::Sample;
use super::standing::{Had, standing};

/// Splits a lot into arms from a day on. A tasting of the whole lot on that day still counts as one
/// before the split.
///
/// # Errors
/// If a session of a later day has the whole lot, as for [`writing::split_lot`], or if the files of a
/// session are wrong.
pub fn split_lot(book: &Book, lot: &str, arms: &[NewArm], since: Day) -> Result<(), BookError> {
    let lot = book.lot(lot)?.id;
    let whole = Sample { lot: lot.clone(), arm: MAIN.to_owned() };
    let standing = standing(book)?;
    let last = |list: &[Had]| {
        let has = |h: &&Had| {
            h.references.contains(&whole) || h.samples.as_ref().is_some_and(|s| s.contains(&whole))
        };
        let later = list.iter().filter(|h| h.day > since).filter(has);
        later.max_by_key(|h| h.day).map(|h| (h.day, h.session.clone()))
    };
    let revealed = last(&standing.revealed);
    // Of a sealed session no more is said than that it has the lot, which who splits it must know.
    let sealed = last(&standing.sealed).map(|(day, _)| day);
    let Some(day) = revealed.as_ref().map(|r| r.0).max(sealed) else {
        return writing::split_lot(book, &lot, arms, since);
    };
    let (found, or) = match revealed {
        Some((on, session)) if on == day => {
            (format!("{lot} was tasted as a whole on {day} ({session})"), "")
        }
        _ => (
            format!("a session of {day} that is not revealed yet has {lot} as a whole"),
            ", or void that session and plan it anew with the arms",
        ),
    };
    Err(refused(format!(
        "{found}, after the split on {since}\n  expected: a split on {day} or later: a tasting on its \
         own day is still one of the whole lot\n  to mend:  give --on {day}, or a later day{or}"
    )))
}
