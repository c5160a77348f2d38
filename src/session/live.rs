//! A session while it is tasted: in memory, so that each answer costs one line on disk and no reading.
//!
//! An answer is checked by the same rules as those that are entered by hand, written and synced, and only then
//! acknowledged. Tasters write beside one another, each to a ballot of their own; whoever writes alone
//! (closing, entering at the command line) is let in between, and what they changed is read again. Every line
//! bears the entry that the phone drew for it: sent again it is known, with other content it is refused.

mod taking;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use crate::book::csv_file;
use crate::book::problem::Problems;
use crate::book::session_files::{BallotLine, Flight};
use crate::book::store::{BesideLock, Disk, OwnDisk, StoreError};
use crate::book::time::Moment;
use crate::book::{Book, BookError};

pub use self::taking::HandingIn;
use self::taking::{Taking, groups};
pub(super) use self::taking::{checked, known};
use super::ballots::{Ballot, Wrong};
use super::enter::{Answer, Caution, required};
use super::late;
use super::musty::musty_cups;
use super::state::{Session, State};

/// Why an answer took the place of another while the ballot was not handed in.
pub const CHANGED: &str = "changed at the ballot";
/// The most bytes of a ballot: far more than anybody answers, far less than stops a book.
pub const BALLOT_MOST: u64 = 4_000_000;
/// The most characters of a note.
pub use crate::session::enter::NOTE_MOST;

/// An answer as a phone sends it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sent {
    /// The id that the phone drew for it: the same whenever it is sent again.
    pub entry: String,
    /// The answer.
    pub answer: Answer,
}

/// What became of what was sent.
#[derive(Debug, Clone)]
pub enum Outcome {
    /// It is on disk.
    Saved(Option<Caution>),
    /// It was on disk before.
    Already,
    /// It came after closing and is on disk beside the ballot, until somebody admits it.
    Late,
    /// It cannot be taken.
    Refused(Wrong),
}

/// Why nothing could be taken.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// The session is over for tasters: revealed, void, or they are none of its tasters.
    #[error("this tasting is over")]
    Ended,
    /// The disk, or a lock, refused; nothing was written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file of the session has a mistake.
    #[error(transparent)]
    Book(BookError),
}

impl From<BookError> for LiveError {
    fn from(e: BookError) -> Self {
        match e {
            BookError::Store(e) => Self::Store(e),
            other => Self::Book(other),
        }
    }
}

/// The sessions of a book that are being tasted.
#[derive(Debug)]
pub struct Live {
    book: Book,
    disk: Arc<dyn Disk>,
    sessions: Mutex<BTreeMap<String, Arc<Tasting>>>,
}

/// What is known of a file without reading it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stamp {
    length: u64,
    changed: Option<SystemTime>,
}

fn stamp(path: &Path) -> Option<Stamp> {
    let metadata = fs::metadata(path).ok()?;
    Some(Stamp { length: metadata.len(), changed: metadata.modified().ok() })
}

/// A session that is being tasted.
#[derive(Debug)]
pub struct Tasting {
    root: PathBuf,
    name: String,
    disk: Arc<dyn Disk>,
    plan: Mutex<(Option<Stamp>, Arc<Session>)>,
    begun: AtomicBool,
    tasters: Mutex<BTreeMap<String, Arc<Mutex<Kept>>>>,
    /// Numbers what a taster would see anew. It begins with the clock, so that it is another one after a restart.
    changed: AtomicU64,
}

/// What is kept of a taster.
#[derive(Debug)]
struct Kept {
    session: Arc<Session>,
    ballot: Option<(Option<Stamp>, Ballot)>,
    state: State,
    changed: u64,
}

/// A taster's ballot as it stands.
#[derive(Debug, Clone)]
pub struct Now {
    /// The session as it was planned; its `state` is that of when it was read.
    pub session: Arc<Session>,
    /// How far it has come.
    pub state: State,
    /// What was answered.
    pub ballot: Ballot,
    /// Another number whenever something of this is another.
    pub changed: u64,
}

/// How far a taster has come in a flight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlightProgress {
    /// The number of the flight.
    pub flight: u32,
    /// Questions that must be answered.
    pub asked: usize,
    /// How many of them are.
    pub answered: usize,
    /// The first cup in the order of tasting with an open question; none if nothing is open.
    pub at: Option<u16>,
    /// Whether it was handed in.
    pub handed_in: bool,
    /// Cups that the taster found clearly musty or mouldy, and whether each was handed in, alone or with its flight.
    pub musty: Vec<(u16, bool)>,
}

impl Live {
    /// Ready for the sessions of a book.
    #[must_use]
    pub fn new(book: Book) -> Self {
        Self::on_disk(book, Arc::new(OwnDisk))
    }

    /// As [`Live::new`], on a disk of the caller's.
    #[must_use]
    pub fn on_disk(book: Book, disk: Arc<dyn Disk>) -> Self {
        Self { book, disk, sessions: Mutex::default() }
    }

    /// The book.
    #[must_use]
    pub fn book(&self) -> &Book {
        &self.book
    }

    /// A session by its full name, read when it is first asked for.
    ///
    /// # Errors
    /// If there is none, or its files are wrong.
    pub fn session(&self, name: &str) -> Result<Arc<Tasting>, LiveError> {
        let mut sessions = held(&self.sessions);
        if let Some(tasting) = sessions.get(name) {
            return Ok(Arc::clone(tasting));
        }
        BesideLock::make_ready(self.book.root())?;
        let path = self.book.root().join("sessions").join(name).join("session.toml");
        let before = stamp(&path);
        let session = read(&self.book, name)?;
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO);
        let tasting = Arc::new(Tasting {
            root: self.book.root().to_owned(),
            name: name.to_owned(),
            disk: Arc::clone(&self.disk),
            begun: AtomicBool::new(session.state == State::Open),
            plan: Mutex::new((before, Arc::new(session))),
            tasters: Mutex::default(),
            changed: AtomicU64::new(u64::try_from(since.as_millis()).unwrap_or(0)),
        });
        sessions.insert(name.to_owned(), Arc::clone(&tasting));
        Ok(tasting)
    }
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn read(book: &Book, name: &str) -> Result<Session, LiveError> {
    let mut problems = Problems::new();
    let session = Session::read(book, name, &mut problems)?;
    match session {
        Some(session) if problems.is_empty() => Ok(session),
        _ => Err(LiveError::Book(problems.into())),
    }
}

impl Tasting {
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    fn path(&self, file: &str) -> PathBuf {
        self.root.join("sessions").join(&self.name).join(file)
    }

    /// The plan, read again if its file is another one by now.
    ///
    /// # Errors
    /// If it is wrong or cannot be read.
    pub fn session(&self) -> Result<Arc<Session>, LiveError> {
        let mut plan = held(&self.plan);
        let on_disk = stamp(&self.path("session.toml"));
        if plan.0 != on_disk || on_disk.is_none() {
            let book = Book::open(&self.root)?;
            *plan = (on_disk, Arc::new(read(&book, &self.name)?));
        }
        Ok(Arc::clone(&plan.1))
    }

    /// How far it has come; the files present say it.
    #[must_use]
    pub fn state(&self) -> State {
        let there = |file: &str| self.path(file).exists();
        if there("void.toml") {
            State::Void
        } else if there("reveal.toml") {
            State::Revealed
        } else if there("close.toml") {
            State::Closed
        } else if self.begun.load(Ordering::Relaxed) {
            State::Open
        } else {
            State::Planned
        }
    }

    fn next_number(&self) -> u64 {
        self.changed.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// What is kept of a taster of the session.
    fn kept(&self, session: &Arc<Session>, taster: &str) -> Result<Arc<Mutex<Kept>>, LiveError> {
        if !session.plan().tasters.iter().any(|t| t == taster) {
            return Err(LiveError::Ended);
        }
        let mut tasters = held(&self.tasters);
        let kept = tasters.entry(taster.to_owned()).or_insert_with(|| {
            Arc::new(Mutex::new(Kept {
                session: Arc::clone(session),
                ballot: None,
                state: self.state(),
                changed: self.next_number(),
            }))
        });
        Ok(Arc::clone(kept))
    }

    /// Brings what is kept up to what stands on disk. Nobody may write alone meanwhile.
    fn refresh(
        &self,
        kept: &mut Kept,
        session: &Arc<Session>,
        taster: &str,
    ) -> Result<(), LiveError> {
        let on_disk = stamp(&self.root.join(session.ballot_file(taster)));
        let same_plan = Arc::ptr_eq(&kept.session, session);
        let known = same_plan && kept.ballot.as_ref().is_some_and(|(seen, _)| *seen == on_disk);
        if !known {
            let ballot = Ballot::open(session, taster)?;
            if !ballot.log.lines.is_empty() {
                self.begun.store(true, Ordering::Relaxed);
            }
            kept.session = Arc::clone(session);
            kept.changed = self.next_number();
            kept.ballot = Some((on_disk, ballot));
        }
        let state = self.state();
        if kept.state != state {
            kept.state = state;
            kept.changed = self.next_number();
        }
        Ok(())
    }

    /// Takes out a ballot that stands as on disk. It is put back only when what was added to it is there
    /// too, so that nothing that broke off on the way is taken for saved.
    fn take_out(
        &self,
        kept: &mut Kept,
        session: &Arc<Session>,
        taster: &str,
    ) -> Result<(Option<Stamp>, Ballot), LiveError> {
        self.refresh(kept, session, taster)?;
        kept.ballot.take().ok_or(LiveError::Ended)
    }

    /// A taster's ballot as it stands.
    ///
    /// # Errors
    /// If there is none of this taster, or a file is wrong or cannot be read.
    pub fn now(&self, taster: &str) -> Result<Now, LiveError> {
        let _beside = BesideLock::take(&self.root)?;
        let session = self.session()?;
        let kept = self.kept(&session, taster)?;
        let mut kept = held(&kept);
        self.refresh(&mut kept, &session, taster)?;
        let ballot = kept.ballot.as_ref().map(|(_, ballot)| ballot.clone());
        let ballot = ballot.ok_or(LiveError::Ended)?;
        Ok(Now { session, state: kept.state, ballot, changed: kept.changed })
    }

    /// The state and the number that is another whenever [`Tasting::now`] would say something else.
    ///
    /// # Errors
    /// As [`Tasting::now`].
    pub fn pulse(&self, taster: &str) -> Result<(State, u64), LiveError> {
        let _beside = BesideLock::take(&self.root)?;
        let session = self.session()?;
        let kept = self.kept(&session, taster)?;
        let mut kept = held(&kept);
        self.refresh(&mut kept, &session, taster)?;
        Ok((kept.state, kept.changed))
    }

    /// The flights that a taster has handed in.
    ///
    /// # Errors
    /// As [`Tasting::now`].
    pub fn handed_in(&self, taster: &str) -> Result<Vec<u32>, LiveError> {
        let session = self.session()?;
        let kept = self.kept(&session, taster)?;
        let kept = held(&kept);
        let flights = session.plan().flights.iter().map(|f| f.number);
        Ok(match &kept.ballot {
            Some((_, ballot)) => flights.filter(|n| ballot.is_handed_in(*n)).collect(),
            None => Vec::new(),
        })
    }

    /// How far a taster has come, flight by flight; never what was answered.
    ///
    /// # Errors
    /// As [`Tasting::now`].
    pub fn progress(&self, taster: &str) -> Result<Vec<FlightProgress>, LiveError> {
        let now = self.now(taster)?;
        let plan = now.session.plan();
        let of_flight = |flight: &Flight| {
            let asked = required(plan, flight, taster);
            let mut open = asked.iter().filter(|q| now.ballot.answer(q).is_none());
            let n_open = open.clone().count();
            FlightProgress {
                flight: flight.number,
                answered: asked.len() - n_open,
                asked: asked.len(),
                at: open.next().map(|q| q.cup).filter(|_| !plan.kind.is_choice()),
                handed_in: now.ballot.is_handed_in(flight.number),
                musty: musty_cups(plan, flight, &now.ballot)
                    .into_iter()
                    .map(|cup| {
                        let alone = now.ballot.cups_handed_in().any(|c| c == cup);
                        (cup, alone || now.ballot.is_handed_in(flight.number))
                    })
                    .collect(),
            }
        };
        Ok(plan.flights.iter().map(of_flight).collect())
    }

    /// Takes answers: returns once those that can be taken are on disk. They are written at one go, all
    /// or none.
    ///
    /// # Errors
    /// If the session is over, or nothing could be written.
    pub fn save(
        &self,
        taster: &str,
        sent: &[Sent],
        now: Moment,
    ) -> Result<Vec<Outcome>, LiveError> {
        let _beside = BesideLock::take(&self.root)?;
        let session = self.session()?;
        let kept = self.kept(&session, taster)?;
        let mut kept = held(&kept);
        let (seen, mut ballot) = self.take_out(&mut kept, &session, taster)?;
        if seen.is_some_and(|s| s.length > BALLOT_MOST) {
            kept.ballot = Some((seen, ballot));
            return Ok(sent.iter().map(|_| Outcome::Refused(full())).collect());
        }
        match self.state() {
            State::Revealed | State::Void => return Err(LiveError::Ended),
            State::Closed => {
                let disk = self.disk.as_ref();
                let outcomes = late::keep(&session, disk, taster, &ballot, sent, now)?;
                kept.ballot = Some((seen, ballot));
                return Ok(outcomes);
            }
            State::Planned | State::Open => {}
        }
        let mut taking = Taking::new(session.plan(), &mut ballot, now);
        let mut outcomes: Vec<Option<Outcome>> = vec![None; sent.len()];
        for group in groups(session.plan(), sent) {
            for (i, outcome) in taking.take_group(sent, &group) {
                outcomes[i] = Some(outcome);
            }
        }
        let lines = taking.writer.lines;
        self.write(&session, &mut kept, ballot, &lines)?;
        Ok(outcomes.into_iter().flatten().collect())
    }

    /// Hands in a flight, or a cup of a flight; returns once that is on disk.
    ///
    /// # Errors
    /// If the session is over, or nothing could be written.
    pub fn hand_in(
        &self,
        taster: &str,
        entry: &str,
        what: HandingIn,
        now: Moment,
    ) -> Result<Outcome, LiveError> {
        let _beside = BesideLock::take(&self.root)?;
        let session = self.session()?;
        let kept = self.kept(&session, taster)?;
        let mut kept = held(&kept);
        let (seen, mut ballot) = self.take_out(&mut kept, &session, taster)?;
        match self.state() {
            State::Revealed | State::Void => return Err(LiveError::Ended),
            State::Closed => {
                let outcome = match ballot.entry(entry) {
                    Some(line) if what.is(line) => Outcome::Already,
                    _ => Outcome::Refused(Wrong::new(
                        "the session is closed: nothing is handed in any more",
                        "to hand in before closing",
                        "tell the host",
                    )),
                };
                kept.ballot = Some((seen, ballot));
                return Ok(outcome);
            }
            State::Planned | State::Open => {}
        }
        let mut taking = Taking::new(session.plan(), &mut ballot, now);
        let outcome = taking.hand_in(entry, what);
        let lines = taking.writer.lines;
        self.write(&session, &mut kept, ballot, &lines)?;
        Ok(outcome)
    }

    /// Appends lines, and puts the ballot that has them back.
    fn write(
        &self,
        session: &Session,
        kept: &mut Kept,
        ballot: Ballot,
        lines: &[BallotLine],
    ) -> Result<(), LiveError> {
        let file = session.ballot_file(&ballot.taster);
        csv_file::append_on(self.disk.as_ref(), &self.root, &file, lines)?;
        kept.ballot = Some((stamp(&self.root.join(file)), ballot));
        if !lines.is_empty() {
            self.begun.store(true, Ordering::Relaxed);
            kept.state = self.state();
            kept.changed = self.next_number();
        }
        Ok(())
    }
}

/// What is said of a ballot that takes no more.
pub(super) fn full() -> Wrong {
    Wrong::new(
        format!("this ballot holds more than {} megabytes", BALLOT_MOST / 1_000_000),
        "as many answers as a tasting has",
        "tell the host",
    )
}
