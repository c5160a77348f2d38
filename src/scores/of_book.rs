//! What a question reads of a book: its revealed sessions, and what goes with them.

use std::collections::{BTreeMap, BTreeSet};

use super::{
    AgesFrom, LotTimes, Makings, Scores, Trials, from_revealed, makings_of_book,
    trials_from_revealed,
};
use crate::book::session_files::Kind;
use crate::book::{Book, BookError};
use crate::session::{Revealed, Role, Session, all_revealed, all_scored, revealed};

/// The revealed sessions that are named, each once.
///
/// # Errors
/// If a name fits none or several, the session is not revealed, or it is named twice.
pub fn named_sessions(book: &Book, names: &[String]) -> Result<Vec<Revealed>, BookError> {
    let mut read: Vec<Revealed> = Vec::new();
    for name in names {
        let session = revealed(book, name)?;
        if read.iter().any(|r| r.name == session.name) {
            return Err(BookError::Refused(format!(
                "{} is named twice\n  expected: each session once\n  to mend:  take one of the two \
                 out",
                session.name
            )));
        }
        read.push(session);
    }
    Ok(read)
}

/// The revealed sessions that are named, or all of the book that scored terms if none is.
///
/// # Errors
/// As for [`named_sessions`].
pub fn named_or_all(book: &Book, names: &[String]) -> Result<Vec<Revealed>, BookError> {
    if names.is_empty() { all_scored(book) } else { named_sessions(book, names) }
}

/// The scores of sessions.
///
/// # Errors
/// If they do not go together.
pub fn scores_of(sessions: &[Revealed]) -> Result<Scores, BookError> {
    from_revealed(sessions).map_err(|e| BookError::Refused(e.to_string()))
}

/// The rankings of revealed sessions; `None` if the first one named is no ranking session.
///
/// # Errors
/// If the sessions cannot be read, or others than rankings are among them.
pub fn rankings(book: &Book, names: &[String]) -> Result<Option<Trials>, BookError> {
    let Some(first) = names.first() else { return Ok(None) };
    if Session::open(book, first)?.file.value.kind != Kind::Ranking {
        return Ok(None);
    }
    let read = named_sessions(book, names)?;
    if let Some(other) = read.iter().find(|s| s.kind != Kind::Ranking) {
        return Err(BookError::Refused(format!(
            "session {} is a {} session, {} a ranking\n  expected: sessions of one kind\n  to mend:  ask \
             about them one by one",
            other.name,
            other.kind.word(),
            first
        )));
    }
    trials_from_revealed(&read).map(Some).map_err(|e| BookError::Refused(e.to_string()))
}

/// The first tastings among sessions, and how their lots were made: what `link` and `trial` read.
///
/// # Errors
/// If there is no session, or a file cannot be read.
pub fn first_tastings(
    book: &Book,
    sessions: Vec<Revealed>,
) -> Result<(Scores, Makings), BookError> {
    let Some(start) = sessions.iter().map(|s| s.day).min() else {
        return Err(BookError::Refused(
            "no session of this book is revealed\n  expected: at least one in which lots were \
             tasted\n  to mend:  reveal a closed session with `session reveal`, or name a --table"
                .to_owned(),
        ));
    };
    let (sessions, later) = new_lots(sessions);
    let mut scores = scores_of(&sessions)?;
    if !later.is_empty() {
        scores
            .source
            .notes
            .push(format!("Not used, since no lot was first tasted there: {}.", later.join(", ")));
    }
    let limits = book.book_file()?.value.limits;
    let mut makings = makings_of_book(&book.lots()?, &limits, start);
    let known: BTreeMap<String, Option<[f64; 2]>> =
        book.parameters()?.value.parameters.into_iter().map(|p| (p.id, p.usual)).collect();
    makings.set_usual(|id| known.get(id).copied().flatten());
    Ok((scores, makings))
}

/// The sessions in which a lot (or an arm of it) was scored for the first time, and the names of
/// the others.
fn new_lots(mut sessions: Vec<Revealed>) -> (Vec<Revealed>, Vec<String>) {
    sessions.sort_by(|a, b| a.day.cmp(&b.day).then_with(|| a.name.cmp(&b.name)));
    let mut seen: BTreeSet<String> = BTreeSet::new();
    let (first, later): (Vec<Revealed>, Vec<Revealed>) = sessions.into_iter().partition(|s| {
        let scored: BTreeSet<u16> =
            s.scores.iter().filter(|c| c.excluded.is_none()).map(|c| c.cup).collect();
        let lots = s.cups.iter().filter(|c| matches!(c.role, Role::Lot | Role::Duplicate));
        let new: Vec<&String> = lots
            .filter(|c| scored.contains(&c.code) && !seen.contains(&c.lot))
            .map(|c| &c.lot)
            .collect();
        seen.extend(new.iter().map(|l| (*l).clone()));
        !new.is_empty()
    });
    (first, later.into_iter().map(|s| s.name).collect())
}

/// What `age` reads.
#[derive(Debug)]
pub struct Stored {
    /// The scores of sessions in which terms were scored.
    pub scores: Scores,
    /// From when each sample counts.
    pub times: LotTimes,
    /// The sessions that asked whether two samples are told apart, if they were answered.
    pub trials: Option<Trials>,
}

/// The sessions that are named, or all that are revealed, and all that asked whether two samples
/// are told apart.
///
/// # Errors
/// If no session is revealed, or a file cannot be read.
pub fn stored(book: &Book, names: &[String], from: AgesFrom) -> Result<Stored, BookError> {
    let (profiles, tests): (Vec<Revealed>, Vec<Revealed>) = all_revealed(book)?
        .into_iter()
        .filter(|s| s.kind != Kind::Ranking)
        .partition(|s| s.kind == Kind::Profile);
    let read = if names.is_empty() { profiles } else { named_sessions(book, names)? };
    let Some(start) = read.iter().map(|r| r.day).min() else {
        return Err(BookError::Refused(
            "no session of this book is revealed\n  expected: at least one, better several, in \
             which stored lots were tasted\n  to mend:  reveal a closed session with `session \
             reveal`"
                .to_owned(),
        ));
    };
    let times = LotTimes::counted(&book.lots()?, start, from).with_sessions(&read);
    let scores = scores_of(&read)?;
    // A test that nobody answered says nothing here, and is no mistake.
    Ok(Stored { scores, times, trials: trials_from_revealed(&tests).ok() })
}
