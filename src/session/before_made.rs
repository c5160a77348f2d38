//! A lot's day that is changed to one on which it had been tasted already.

use crate::book::lots::LotFile;
use crate::book::problem::{Problem, Problems};
use crate::book::store;
use crate::book::time::Day;
use crate::book::toml_file::{self, Described};
use crate::book::{Book, BookError, ids};

use super::reveal::opened;
use super::state::{Session, State};

/// What is wrong with the day of a lot's new text, if that day was changed and a revealed session had tasted the lot
/// before it: no age can be less than none. Sealed sessions are not looked at, for it would tell that the lot is in one.
/// Of a file that is no lot's, or cannot be read, nothing is said here.
///
/// # Errors
/// If the folder of sessions, or the lot's file, cannot be read.
pub fn problems_of_text(book: &Book, file: &str, text: &str) -> Result<Problems, BookError> {
    let mut told = Problems::new();
    if !file.starts_with("lots/") {
        return Ok(told);
    }
    let described = |text: &str| -> Option<Described<LotFile>> {
        let digest = store::digest(text.as_bytes());
        toml_file::parse(file, text.to_owned(), digest, &mut Problems::new())
    };
    let Some(new) = described(text) else { return Ok(told) };
    let old = described(&book.text_of(file)?.text);
    let since = |lot: &LotFile| lot.parted.unwrap_or(lot.made);
    let day = since(&new.value);
    if old.is_some_and(|old| since(&old.value) == day) {
        return Ok(told);
    }
    if let Some((session, tasted)) = first_tasting(book, &new.value.id)?.filter(|(_, t)| *t < day) {
        told.push(problem(&new, day, &session, tasted));
    }
    Ok(told)
}

fn problem(lot: &Described<LotFile>, day: Day, session: &str, tasted: Day) -> Problem {
    let (key, found) = if lot.value.parted.is_some() {
        ("parted", format!("parted on {day}, but it was tasted on {tasted} in {session}"))
    } else {
        ("made", format!("made on {day}, but it was tasted on {tasted} in {session}"))
    };
    lot.problem(&[key], found, format!("a day up to {tasted}"), "correct the day")
}

/// The revealed session that had a lot first, and its day.
fn first_tasting(book: &Book, lot: &str) -> Result<Option<(String, Day)>, BookError> {
    let mut first: Option<(String, Day)> = None;
    for name in book.session_names()? {
        // What is wrong in a session is no reason to refuse a lot's day: `check` tells it.
        let Ok(session) = Session::open(book, &name) else { continue };
        if session.state != State::Revealed {
            continue;
        }
        let Ok(key) = opened(&session) else { continue };
        let cups = key.cups().iter().filter(|c| ids::same(&c.sample.lot, lot));
        let flights = || session.plan().flights.iter();
        let days = cups.filter_map(|c| flights().find(|f| f.number == c.flight)).map(|f| f.day);
        if let Some(day) = days.min()
            && first.as_ref().is_none_or(|(_, known)| day < *known)
        {
            first = Some((name, day));
        }
    }
    Ok(first)
}
