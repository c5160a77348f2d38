//! What the desk knows of a tasting while it goes on: who is where, timers, late answers. Never a score.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use serde::Serialize;

use super::timers_kept::TimersKept;
use crate::book::{Book, BookError};
use crate::desk::App;
use crate::session::enter::Amend;
use crate::session::late;
use crate::session::live::{FlightProgress, Live, LiveError};

/// The sessions that are being tasted.
#[derive(Debug)]
pub struct Tastings {
    /// Their ballots.
    pub engine: Live,
    seen: Mutex<BTreeMap<(String, String), Instant>>,
    timers: Mutex<Timers>,
    kept: TimersKept,
}

/// Timers by session and taster; the host's have no taster.
pub(super) type Timers = BTreeMap<(String, Option<String>), Timer>;

/// An infusion that is being timed.
#[derive(Debug, Clone, Copy)]
pub struct Timer {
    /// The flight.
    pub flight: u32,
    /// The steep, from 1.
    pub steep: u32,
    /// The whole length.
    pub seconds: u32,
    // Not by the clock, which may be set anew meanwhile.
    pub(super) since: Instant,
}

/// So long after its end a timer is still shown.
const SHOWN_S: i64 = 120;

impl Timer {
    /// Seconds that are left; less than 0 once it is over.
    #[must_use]
    pub fn left(&self) -> i64 {
        let gone = i64::try_from(self.since.elapsed().as_secs()).unwrap_or(i64::MAX);
        i64::from(self.seconds).saturating_sub(gone)
    }

    /// Whether it is still shown.
    pub(super) fn is_shown(&self) -> bool {
        self.left() > -SHOWN_S
    }
}

/// A timer as the ballot and the desk show it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ShownTimer {
    /// The flight.
    pub flight: u32,
    /// The steep, from 1.
    pub steep: u32,
    /// The whole length.
    pub seconds: u32,
    /// Seconds that are left; less than 0 once it is over.
    pub left: i64,
    /// `host` or `taster`.
    pub by: &'static str,
}

/// How far a taster is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TasterProgress {
    /// Who.
    pub taster: String,
    /// Whether they followed their link.
    pub joined: bool,
    /// Seconds since their phone was last heard of; none if never since the desk was opened.
    pub seen: Option<u64>,
    /// The first flight that is not handed in.
    pub flight: Option<u32>,
    /// The cup of it with the first open question.
    pub cup: Option<u16>,
    /// Each flight.
    pub flights: Vec<FlightProgress>,
    /// Answers that came after closing and wait.
    pub late: usize,
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Tastings {
    /// With the timers that ran when the desk was last open on the book.
    #[must_use]
    pub fn new(engine: Live, book: &Book) -> Self {
        let kept = TimersKept::of(book);
        let timers = Mutex::new(kept.read());
        Self { engine, seen: Mutex::default(), timers, kept }
    }

    /// Notes that a taster's phone was heard of.
    pub fn saw(&self, session: &str, taster: &str) {
        held(&self.seen).insert((session.to_owned(), taster.to_owned()), Instant::now());
    }

    /// The timer that a taster sees (or, without one, the host): the one that was started last.
    #[must_use]
    pub fn timer(&self, session: &str, taster: Option<&str>) -> Option<ShownTimer> {
        let timers = held(&self.timers);
        let of = |taster: Option<&str>| {
            let timer = timers.get(&(session.to_owned(), taster.map(str::to_owned)))?;
            timer.is_shown().then_some((timer, taster.map_or("host", |_| "taster")))
        };
        let own = taster.and_then(|t| of(Some(t)));
        let latest = [of(None), own].into_iter().flatten().max_by_key(|(t, _)| t.since);
        latest.map(|(t, by)| ShownTimer {
            flight: t.flight,
            steep: t.steep,
            seconds: t.seconds,
            left: t.left(),
            by,
        })
    }

    /// Starts the host's timer, for all tasters of a session.
    ///
    /// # Errors
    /// If the session has no such flight or steep.
    pub fn start_timer(&self, session: &str, flight: u32, steep: u32) -> Result<(), BookError> {
        Ok(self.start(session, None, flight, steep)?)
    }

    /// Stops the host's timer.
    pub fn stop_timer(&self, session: &str) {
        self.stop(session, None);
    }

    pub(super) fn start(
        &self,
        session: &str,
        taster: Option<&str>,
        flight: u32,
        steep: u32,
    ) -> Result<(), LiveError> {
        let refused = |text: String| LiveError::Book(BookError::Refused(text));
        let plan = self.engine.session(session)?.session()?;
        let plan = plan.plan();
        if !plan.flights.iter().any(|f| f.number == flight) {
            return Err(refused(format!(
                "there is no flight {flight}\n  expected: 1 to {}\n  to mend:  load the page again",
                plan.flights.len()
            )));
        }
        let at = steep.checked_sub(1).and_then(|s| usize::try_from(s).ok());
        let Some(seconds) = at.and_then(|s| plan.recipe.steeps_s.get(s)) else {
            return Err(refused(format!(
                "there is no steep {steep}\n  expected: 1 to {}\n  to mend:  load the page again",
                plan.n_steeps()
            )));
        };
        let timer = Timer { flight, steep, seconds: *seconds, since: Instant::now() };
        let mut timers = held(&self.timers);
        timers.insert((session.to_owned(), taster.map(str::to_owned)), timer);
        self.kept.write(&timers);
        Ok(())
    }

    pub(super) fn stop(&self, session: &str, taster: Option<&str>) {
        let mut timers = held(&self.timers);
        timers.remove(&(session.to_owned(), taster.map(str::to_owned)));
        self.kept.write(&timers);
    }
}

impl From<LiveError> for BookError {
    fn from(e: LiveError) -> Self {
        match e {
            LiveError::Store(e) => e.into(),
            LiveError::Book(e) => e,
            LiveError::Ended => Self::Refused(e.to_string()),
        }
    }
}

impl App {
    /// How far each taster of a session is; never what they answered.
    ///
    /// # Errors
    /// If the session's files are wrong or cannot be read.
    pub fn progress(&self, session: &str) -> Result<Vec<TasterProgress>, BookError> {
        let tasting = self.live.engine.session(session)?;
        let plan = tasting.session()?;
        let late = late::waiting(&plan)?;
        let mut all = Vec::new();
        for taster in &plan.plan().tasters {
            let flights = tasting.progress(taster)?;
            let at = flights.iter().find(|f| !f.handed_in);
            let seen = held(&self.live.seen).get(&(session.to_owned(), taster.clone())).copied();
            all.push(TasterProgress {
                taster: taster.clone(),
                joined: self.doors.has_joined(session, taster),
                seen: seen.map(|s| s.elapsed().as_secs()),
                flight: at.map(|f| f.flight),
                cup: at.and_then(|f| f.at),
                late: late.iter().find(|w| w.taster == *taster).map_or(0, |w| w.n),
                flights,
            });
        }
        Ok(all)
    }

    /// Admits the late answers of a taster, with a reason; returns how many.
    ///
    /// # Errors
    /// As [`late::admit`].
    pub fn admit_late(
        &self,
        session: &str,
        taster: &str,
        reason: &str,
        by: Option<&str>,
    ) -> Result<usize, BookError> {
        let amend = Amend { reason: reason.to_owned(), by: by.map(str::to_owned) };
        late::admit(&self.book, session, taster, &amend, self.now())
    }
}
