//! What the desk knows of one session: all that its page shows.

use super::host::{self, Host};
use super::progress::{Progress, progress};
use crate::book::session_files::{ChangeLine, CloseFile, PourLine, VoidFile};
use crate::book::time::Moment;
use crate::book::{Book, BookError};
use crate::desk::App;
use crate::desk::ballot::live::ShownTimer;
use crate::session::musty::{Musty, still_served};
use crate::session::pour::{ShelfPour, shelf_plan};
use crate::session::unfit::unfit_since_planned;
use crate::session::{Revealed, Sample, Session, State, revealed};

/// A session as the desk sees it.
pub struct Room {
    pub session: Session,
    pub host: Host,
    pub progress: Vec<Progress>,
    pub changes: Vec<ChangeLine>,
    pub pours: Vec<PourLine>,
    pub close: Option<CloseFile>,
    pub void: Option<VoidFile>,
    /// Where one person pours and tastes: which cup comes from which tin.
    pub shelf: Vec<ShelfPour>,
    /// Where one person pours and tastes: samples that are not fit any more.
    pub unfit: Vec<Sample>,
    /// The host's timer.
    pub timer: Option<ShownTimer>,
    pub revealed: Option<Revealed>,
    pub musty: Vec<Musty>,
}

impl Room {
    /// Reads it.
    ///
    /// # Errors
    /// If there is no such session, or its files are wrong.
    pub fn of(app: &App, book: &Book, name: &str, now: Moment) -> Result<Self, BookError> {
        let session = Session::open(book, name)?;
        let (host, progress) = (host::host(book, &session)?, progress(app, book, &session)?);
        let revealed = (session.state == State::Revealed)
            .then(|| revealed(book, &session.name))
            .transpose()?;
        let musty = match &revealed {
            Some(revealed) => still_served(revealed, &book.lots()?),
            None => Vec::new(),
        };
        let pours = session.state < State::Closed && session.plan().is_alone();
        let shelf = match session.plan().tasters.first().filter(|_| pours) {
            Some(taster) => shelf_plan(book, &session.name, taster)?,
            None => Vec::new(),
        };
        let unfit = if pours { unfit_since_planned(book, &session.name, now)? } else { Vec::new() };
        Ok(Self {
            host,
            timer: app.live.timer(&session.name, None),
            progress,
            changes: session.changes()?,
            pours: session.pours()?,
            close: session.close_file()?,
            void: session.void_file()?,
            shelf,
            unfit,
            revealed,
            musty,
            session,
        })
    }

    /// Whether it still takes scores.
    pub fn is_going_on(&self) -> bool {
        self.session.state < State::Closed
    }

    /// The address of its page.
    pub fn at(&self) -> String {
        format!("/sessions/{}", self.session.name)
    }

    /// A taster's name.
    pub fn name_of<'a>(&'a self, taster: &'a str) -> &'a str {
        let found = self.progress.iter().find(|p| p.of.taster == taster);
        found.map_or(taster, |p| p.name.as_str())
    }
}
