//! Closing a session, and declaring one void.

use crate::book::problem::{Problem, Problems};
use crate::book::session_files::{CloseFile, ClosedBallot, MissingBallot, VoidFile};
use crate::book::store;
use crate::book::time::Moment;
use crate::book::toml_file;
use crate::book::{Book, BookError};

use super::ballots::Ballot;
use super::enter::one_line;
use super::key::{self, Key};
use super::reserve;
use super::state::{Session, State, lock};

/// Closes a session: no more scores. The ballots' digests are kept, so that a later change of
/// them is seen. With `anyway` ballots that were not handed in may be missing.
///
/// # Errors
/// If ballots are missing, nobody has tasted, or the session is not open.
pub fn close(book: &Book, name: &str, anyway: bool, now: Moment) -> Result<CloseFile, BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    match session.state {
        State::Open => {}
        State::Planned => {
            return Err(session.refused(
                "nobody has answered anything yet",
                "enter the answers first, or give the session up with `session void`",
            ));
        }
        State::Closed | State::Revealed => {
            return Err(session.refused("it was closed before", "go on with `session reveal`"));
        }
        State::Void => return Err(session.refused("it cannot be closed", "plan another session")),
    }
    let mut problems = Problems::new();
    let mut file = CloseFile {
        format: toml_file::FORMAT,
        closed: now,
        ballots: Vec::new(),
        missing: Vec::new(),
    };
    for taster in &session.plan().tasters {
        let ballot = Ballot::read(&session, taster, &mut problems)?;
        for flight in &session.plan().flights {
            if !ballot.is_handed_in(flight.number) {
                file.missing.push(MissingBallot { taster: taster.clone(), flight: flight.number });
            }
        }
        if let Some(closed) = closed_ballot(&session, taster, None)? {
            file.ballots.push(closed);
        }
    }
    if !problems.is_empty() {
        return Err(problems.into());
    }
    if !file.missing.is_empty() && !anyway {
        let list: Vec<String> =
            file.missing.iter().map(|m| format!("{}, flight {}", m.taster, m.flight)).collect();
        return Err(BookError::Refused(format!(
            "{} not handed in:\n  {}\n  to mend:  enter them (`session enter … --hand-in`), or close without them with --anyway",
            if list.len() == 1 { "a ballot was" } else { "some ballots were" },
            list.join("\n  ")
        )));
    }
    store::create_new(&session.path("close.toml"), &toml_file::to_text(&file))?;
    Ok(file)
}

/// The first lines of a ballot (all if `None`) with their digest; none if there is no ballot.
pub(super) fn closed_ballot(
    session: &Session,
    taster: &str,
    lines: Option<u64>,
) -> Result<Option<ClosedBallot>, BookError> {
    let path = session.root.join(session.ballot_file(taster));
    if !path.exists() {
        return Ok(None);
    }
    let text = store::read_text(&path)?.replace("\r\n", "\n");
    let whole = text.rfind('\n').map_or("", |i| &text[..=i]);
    let all = whole.matches('\n').count().saturating_sub(1);
    let wanted = lines.map_or(all, |n| usize::try_from(n).unwrap_or(usize::MAX));
    let upto: String = whole.split_inclusive('\n').take(wanted.saturating_add(1)).collect();
    Ok(Some(ClosedBallot {
        taster: taster.to_owned(),
        lines: wanted.min(all) as u64,
        digest: store::digest(upto.as_bytes()),
    }))
}

/// Adds a problem for each ballot that is no longer what it was when the session was closed.
pub(super) fn check_closed_ballots(
    session: &Session,
    close: &CloseFile,
    problems: &mut Problems,
) -> Result<(), BookError> {
    for closed in &close.ballots {
        if closed_ballot(session, &closed.taster, Some(closed.lines))?.as_ref() != Some(closed) {
            problems.push(Problem::new(
                session.ballot_file(&closed.taster),
                None,
                format!("the ballot is not the one that was closed on {}", close.closed),
                "the lines as they stood then; later ones only behind them, as amendments",
                "put the file back from a copy of the book; amend with `session enter --amend`",
            ));
        }
    }
    Ok(())
}

/// Declares a session void, for good: nothing of it counts. If its leaf was brewed, the draws
/// are taken from the reserves; `brewed` says so, or else whether anything was answered or
/// poured.
///
/// # Errors
/// If it is void already, or no reason is given.
pub fn void(
    book: &Book,
    name: &str,
    reason: &str,
    brewed: Option<bool>,
    now: Moment,
) -> Result<VoidFile, BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    if session.state == State::Void {
        return Err(session.refused("it was declared void before", "leave it as it is"));
    }
    if reason.trim().is_empty() {
        return Err(BookError::Refused(
            "a session is not given up without a reason\n  to mend:  say why with --reason"
                .to_owned(),
        ));
    }
    let brewed = brewed
        .unwrap_or_else(|| session.state != State::Planned || session.path("pours.csv").exists());
    let file =
        VoidFile { format: toml_file::FORMAT, voided: now, reason: one_line(reason), brewed };
    store::create_new(&session.path("void.toml"), &toml_file::to_text(&file))?;
    if brewed && session.state != State::Revealed && session.path(key::FILE).exists() {
        let key = Key::read(book.root(), &session.relative(key::FILE))?;
        reserve::log_draws(book, &session.name, key.draws(), now)?;
    }
    Ok(file)
}
