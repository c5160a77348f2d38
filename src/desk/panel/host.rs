//! Who sits at the desk: somebody who tastes in a session must not see there what others answer.
//!
//! It is asked once for each session and kept beside the book (`.desk/hosts.json`). Unanswered counts as
//! tasting.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use crate::book::problem::Problems;
use crate::book::session_files::Change;
use crate::book::{Book, BookError, store};
use crate::desk::own_folder;
use crate::session::{Session, State};

/// Who sits at the desk while a session goes on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Host {
    /// Nobody has said.
    Unknown,
    /// Nobody who tastes in it.
    Nobody,
    /// A taster of it.
    Taster(String),
}

impl Host {
    /// Whether answers may be shown at the desk.
    #[must_use]
    pub fn may_see_answers(&self, state: State) -> bool {
        match state {
            State::Revealed => true,
            State::Planned | State::Open | State::Closed => *self == Self::Nobody,
            State::Void => false,
        }
    }

    /// Whether the answers of one taster may be shown: one's own always.
    #[must_use]
    pub fn may_see_answers_of(&self, state: State, taster: &str) -> bool {
        self.may_see_answers(state) || *self == Self::Taster(taster.to_owned())
    }
}

/// One at a time: the file is read, changed and replaced.
static WRITING: Mutex<()> = Mutex::new(());

fn file(book: &Book) -> PathBuf {
    own_folder(book).join("hosts.json")
}

fn all(book: &Book) -> Result<BTreeMap<String, Option<String>>, BookError> {
    let path = file(book);
    if !path.exists() {
        return Ok(BTreeMap::new());
    }
    let text = store::read_text(&path)?;
    serde_json::from_str(&text).map_err(|e| {
        BookError::Refused(format!(
            "{}: {e}\n  expected: who sits at the desk in each session\n  to mend:  delete the file; the desk asks again",
            path.display()
        ))
    })
}

/// Who sits at the desk. Who pours and tastes alone need not be asked.
///
/// # Errors
/// If the file cannot be read.
pub fn host(book: &Book, session: &Session) -> Result<Host, BookError> {
    let plan = session.plan();
    if plan.is_alone() {
        return Ok(plan.tasters.first().map_or(Host::Unknown, |t| Host::Taster(t.clone())));
    }
    Ok(match all(book)?.get(&session.name) {
        None => Host::Unknown,
        Some(None) => Host::Nobody,
        Some(Some(taster)) => Host::Taster(taster.clone()),
    })
}

/// Keeps who sits at the desk: a taster's id, or `-` for nobody who tastes.
///
/// # Errors
/// If nobody of that id tastes, or a taster says otherwise once something was answered.
pub fn set(book: &Book, session: &Session, who: &str) -> Result<Host, BookError> {
    let _one = WRITING.lock().unwrap_or_else(PoisonError::into_inner);
    let now = match who {
        "" => {
            return Err(BookError::Refused(
                "nobody was chosen\n  expected: a taster of this session, or nobody who tastes\n  to mend:  choose one"
                    .to_owned(),
            ));
        }
        "-" => Host::Nobody,
        id => Host::Taster(session.taster(id)?),
    };
    let before = host(book, session)?;
    let started = session.state > State::Planned && session.state < State::Revealed;
    if started && before != Host::Unknown && before != now {
        return Err(BookError::Refused(format!(
            "who is at this desk was said before session {} began\n  expected: the same until the reveal, so that nobody who tastes sees what others answer\n  to mend:  go on as it is; it can be changed after the reveal",
            session.name
        )));
    }
    let poured = || -> Result<bool, BookError> {
        Ok(session.changes()?.iter().any(|c| c.change == Change::PouringPlan))
    };
    if before == Host::Nobody && now != Host::Nobody && session.state < State::Revealed && poured()?
    {
        return Err(BookError::Refused(format!(
            "the pouring plan of session {} was given out at this desk\n  expected: a taster who has not seen it\n  to mend:  whoever tastes uses a phone; this desk stays with whoever pours",
            session.name
        )));
    }
    let mut kept = all(book)?;
    let id = match &now {
        Host::Taster(id) => Some(id.clone()),
        _ => None,
    };
    kept.insert(session.name.clone(), id);
    let text = serde_json::to_string_pretty(&kept).unwrap_or_default();
    store::make_folder(&own_folder(book))?;
    store::replace_bytes(&file(book), text.as_bytes())?;
    Ok(now)
}

/// Mistakes as the desk may show them: what a line of a ballot says is not told while its session is sealed, unless
/// nobody who tastes is here.
#[must_use]
pub fn as_shown(book: &Book, mut problems: Problems) -> Problems {
    problems.without_lines_of(|file| {
        let mut parts = file.split('/');
        let (Some("sessions"), Some(name), Some("ballots" | "late")) =
            (parts.next(), parts.next(), parts.next())
        else {
            return false;
        };
        let revealed = book.root().join("sessions").join(name).join("reveal.toml").exists();
        let nobody = all(book).is_ok_and(|kept| kept.get(name) == Some(&None));
        !revealed && !nobody
    });
    problems
}
