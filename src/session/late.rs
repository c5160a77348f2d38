//! Answers that came after closing: kept beside the ballots, and admitted with a reason or left.
//!
//! They stand in `late/<taster>.csv`, in the columns of a ballot. Before the reveal they can be admitted: then
//! they are amendments, each with its line in changes.csv. Once the lots are known nothing late is admitted.

use crate::book::csv_file::{self, Log};
use crate::book::problem::Problems;
use crate::book::session_files::{AnswerState, BallotLine};
use crate::book::store::{self, Disk};
use crate::book::time::Moment;
use crate::book::{Book, BookError};

use super::ballots::{Ballot, question_of};
use super::enter::{Amend, Answer, Draft, Given, Writer, amendment, fitted};
use super::live::{BALLOT_MOST, LiveError, Outcome, Sent, checked, full, known};
use super::sets;
use super::state::{Session, State, lock};

/// How many answers of a taster wait to be admitted or left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Whose they are.
    pub taster: String,
    /// How many.
    pub n: usize,
}

fn file(session: &Session, taster: &str) -> String {
    session.relative(&format!("late/{taster}.csv"))
}

/// The late lines of a taster.
pub(super) fn log(
    session: &Session,
    taster: &str,
    problems: &mut Problems,
) -> Result<Log<BallotLine>, BookError> {
    Ok(csv_file::read(&session.root, &file(session, taster), problems)?)
}

/// Adds what is wrong in the late lines of a taster.
pub(super) fn check(
    session: &Session,
    taster: &str,
    problems: &mut Problems,
) -> Result<(), BookError> {
    let log = log(session, taster, problems)?;
    for line in &log.lines {
        question_of(session.plan(), taster, &log, line, problems);
    }
    Ok(())
}

/// Keeps answers that came after closing: returns once they are on disk.
pub(super) fn keep(
    session: &Session,
    disk: &dyn Disk,
    taster: &str,
    ballot: &Ballot,
    sent: &[Sent],
    now: Moment,
) -> Result<Vec<Outcome>, LiveError> {
    let there = std::fs::metadata(session.root.join(file(session, taster)));
    if there.is_ok_and(|m| m.len() > BALLOT_MOST) {
        return Ok(sent.iter().map(|_| Outcome::Refused(full())).collect());
    }
    let mut problems = Problems::new();
    let log = log(session, taster, &mut problems)?;
    if !problems.is_empty() {
        return Err(LiveError::Book(problems.into()));
    }
    let mut n = log.values().map(|l| l.n).max().unwrap_or(0);
    let mut lines: Vec<BallotLine> = Vec::new();
    let mut outcomes = Vec::new();
    for sent in sent {
        let fitted = match checked(session.plan(), taster, sent) {
            Ok(fitted) => fitted,
            Err(wrong) => {
                outcomes.push(Outcome::Refused(wrong));
                continue;
            }
        };
        if let Some(line) = ballot.entry(&sent.entry) {
            outcomes.push(known(line, &fitted, sent));
            continue;
        }
        if let Some(line) = log.values().chain(&lines).find(|l| l.entry == sent.entry) {
            outcomes.push(match known(line, &fitted, sent) {
                Outcome::Already => Outcome::Late,
                other => other,
            });
            continue;
        }
        n = n.saturating_add(1);
        let mut writer = Writer { taster, n, now, lines: Vec::new() };
        let draft = Draft {
            question: fitted.question,
            cup: sent.answer.cup,
            flight: fitted.flight,
            state: fitted.state,
            value: fitted.value,
            replaces: None,
            note: sent.answer.note.clone(),
        };
        lines.push(writer.line(sent.entry.clone(), &draft, None));
        outcomes.push(Outcome::Late);
    }
    if !lines.is_empty() {
        store::make_folder(&session.path("late"))?;
        csv_file::append_on(disk, &session.root, &file(session, taster), &lines)?;
    }
    Ok(outcomes)
}

/// The late lines of a taster that were not admitted, in their order.
fn not_admitted(session: &Session, taster: &str) -> Result<(Ballot, Vec<BallotLine>), BookError> {
    let ballot = Ballot::open(session, taster)?;
    let mut problems = Problems::new();
    let log = log(session, taster, &mut problems)?;
    let log = problems.or(log)?;
    let mut lines: Vec<BallotLine> =
        log.values().filter(|l| ballot.entry(&l.entry).is_none()).cloned().collect();
    lines.sort_by_key(|l| l.n);
    lines.dedup();
    Ok((ballot, lines))
}

/// The tasters of whom late answers wait.
///
/// # Errors
/// If a file is wrong or cannot be read.
pub fn waiting(session: &Session) -> Result<Vec<Waiting>, BookError> {
    let mut all = Vec::new();
    for taster in &session.plan().tasters {
        if !session.path(&format!("late/{taster}.csv")).exists() {
            continue;
        }
        let n = not_admitted(session, taster)?.1.len();
        if n > 0 {
            all.push(Waiting { taster: taster.clone(), n });
        }
    }
    Ok(all)
}

/// Admits the late answers of a taster, with a reason: they become amendments of the ballot. Returns how many.
///
/// # Errors
/// If the session is not closed, or revealed already, nothing waits, or no reason is given.
pub fn admit(
    book: &Book,
    name: &str,
    taster: &str,
    amend: &Amend,
    now: Moment,
) -> Result<usize, BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    let taster = session.taster(taster)?;
    if amend.reason.trim().is_empty() {
        return Err(BookError::Refused(
            "late answers are not admitted without a reason\n  to mend:  say why with --reason"
                .to_owned(),
        ));
    }
    match session.state {
        State::Closed => {}
        State::Planned | State::Open => {
            return Err(session.refused("nothing is late yet", "let the taster answer"));
        }
        State::Revealed => {
            return Err(session.refused(
                "its lots are known, and no late answer is admitted any more",
                "leave it where it is: it stays in the record",
            ));
        }
        State::Void => return Err(session.refused("nothing of it counts", "leave it as it is")),
    }
    let plan = session.plan();
    let (mut ballot, late) = not_admitted(&session, &taster)?;
    if late.is_empty() {
        return Err(BookError::Refused(format!(
            "no late answer of {taster} waits in session {}\n  to mend:  `session late` names those that do",
            session.name
        )));
    }
    let mut writer = Writer { taster: &taster, n: ballot.next_n(), now, lines: Vec::new() };
    let mut changes = Vec::new();
    let mut problems = Problems::new();
    for line in &late {
        let draft = draft(&session, &ballot, &taster, line)?;
        let line = writer.line(line.entry.clone(), &draft, Some(&amend.reason));
        changes.push(amendment(&session, &taster, &draft, amend, &line, now));
        ballot.add(plan, line, &mut problems);
    }
    if let Some((_, wrong)) = sets::rank_problems(plan, &ballot).into_iter().next() {
        return Err(BookError::Refused(format!(
            "the late answers of {taster} do not fit what stands: {}\n  expected: {}\n  to mend:  {}",
            wrong.found, wrong.expected, wrong.mend
        )));
    }
    problems.or(())?;
    session.append(&session.ballot_file(&taster), &writer.lines)?;
    session.append(&session.relative("changes.csv"), &changes)?;
    Ok(late.len())
}

/// What a late line becomes on the ballot.
fn draft(
    session: &Session,
    ballot: &Ballot,
    taster: &str,
    line: &BallotLine,
) -> Result<Draft, BookError> {
    let misfit = |what: &str| {
        BookError::Refused(format!(
            "{}: the line {} does not fit the session: {what}\n  to mend:  `check` shows its place",
            file(session, taster),
            line.entry
        ))
    };
    let (Some(cup), Some(term)) = (line.cup, line.term.clone()) else {
        return Err(misfit("it answers nothing"));
    };
    let given = match (line.state, line.value.clone()) {
        (AnswerState::Scored, Some(value)) => Given::Scored(value),
        (AnswerState::Declined, _) => Given::Declined,
        (AnswerState::Lost, _) => Given::Lost,
        _ => return Err(misfit("it answers nothing")),
    };
    let answer = Answer { cup, steep: line.steep, term, given, note: line.note.clone() };
    let fitted =
        fitted(session.plan(), taster, &answer).map_err(|(_, wrong)| misfit(&wrong.found))?;
    let replaces = ballot.answer(&fitted.question).map(|old| old.entry.clone());
    Ok(Draft {
        question: fitted.question,
        cup,
        flight: fitted.flight,
        state: fitted.state,
        value: fitted.value,
        replaces,
        note: answer.note,
    })
}
