//! Timers that run, kept beside the book (`.desk/timers.json`), so that a desk that is opened anew goes on with them.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::live::{Timer, Timers};
use crate::book::{Book, store};
use crate::desk::own_folder;

/// Where they are kept.
#[derive(Debug)]
pub(super) struct TimersKept {
    folder: PathBuf,
}

/// A timer in the file. A process cannot hand its own clock on: here the system's counts.
#[derive(Serialize, Deserialize)]
struct Kept {
    session: String,
    taster: Option<String>,
    flight: u32,
    steep: u32,
    seconds: u32,
    /// Milliseconds of the system's clock.
    began_ms: i64,
}

impl TimersKept {
    /// Those of a book.
    pub(super) fn of(book: &Book) -> Self {
        Self { folder: own_folder(book) }
    }

    /// The timers that still run. What cannot be read, or began in what is to come by the clock as it is now,
    /// is left out: a timer that is wrong is worse than none.
    pub(super) fn read(&self) -> Timers {
        let now = Timestamp::now();
        let text = store::read_text(&self.folder.join("timers.json")).unwrap_or_default();
        let kept: Vec<Kept> = serde_json::from_str(&text).unwrap_or_default();
        let running = |k: Kept| {
            let began = Timestamp::from_millisecond(k.began_ms).ok()?;
            let gone = Duration::try_from(now.duration_since(began)).ok()?;
            let since = Instant::now().checked_sub(gone)?;
            let timer = Timer { flight: k.flight, steep: k.steep, seconds: k.seconds, since };
            timer.is_shown().then_some(((k.session, k.taster), timer))
        };
        kept.into_iter().filter_map(running).collect()
    }

    /// Keeps them.
    pub(super) fn write(&self, timers: &Timers) {
        let now = Timestamp::now();
        let began = |t: &Timer| {
            let gone = jiff::SignedDuration::try_from(t.since.elapsed()).ok()?;
            now.checked_sub(gone).ok().map(Timestamp::as_millisecond)
        };
        let kept: Vec<Kept> = timers
            .iter()
            .filter(|(_, t)| t.is_shown())
            .filter_map(|((session, taster), t)| {
                Some(Kept {
                    session: session.clone(),
                    taster: taster.clone(),
                    flight: t.flight,
                    steep: t.steep,
                    seconds: t.seconds,
                    began_ms: began(t)?,
                })
            })
            .collect();
        let text = serde_json::to_string_pretty(&kept).unwrap_or_default();
        // A timer runs whether it is kept or not: a disk that is full stops nobody from brewing.
        let _ = store::make_folder(&self.folder)
            .and_then(|()| store::replace_bytes(&self.folder.join("timers.json"), text.as_bytes()));
    }
}
