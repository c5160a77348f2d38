//! What is due, kept until something of what it follows from is another.

use std::fs;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use super::App;
use super::cache::Sessions;
use crate::book::BookError;
use crate::book::book_file::BookFile;
use crate::book::lots::Lot;
use crate::book::recipes::Recipes;
use crate::book::time::Day;
use crate::book::toml_file::Described;
use crate::findings::due::{Due, Wish, due_of_lots};
use crate::session::Session;

/// So many days ahead are looked at.
pub const AHEAD: i64 = 31;

/// What it follows from. What is held here cannot be another at the same place in memory.
#[derive(Debug)]
struct From {
    on: Day,
    lots: Arc<Vec<Lot>>,
    sessions: Arc<Vec<Session>>,
    recipes: Arc<Described<Recipes>>,
    book_file: Arc<Described<BookFile>>,
    plans: Option<(u64, Option<SystemTime>)>,
}

impl From {
    fn is(&self, other: &Self) -> bool {
        self.on == other.on
            && Arc::ptr_eq(&self.lots, &other.lots)
            && Arc::ptr_eq(&self.sessions, &other.sessions)
            && Arc::ptr_eq(&self.recipes, &other.recipes)
            && Arc::ptr_eq(&self.book_file, &other.book_file)
            && self.plans == other.plans
    }
}

/// What was found last.
#[derive(Debug, Default)]
pub struct DueKept(Mutex<Option<(From, Arc<Due>)>>);

impl App {
    /// What is due today, with the session that would taste it; `read` are the book's sessions as they stand.
    ///
    /// # Errors
    /// If the record is wrong.
    pub fn due_today(&self, read: &Sessions) -> Result<Arc<Due>, BookError> {
        read.problems.clone().or(())?;
        let plans = fs::metadata(self.book().root().join("retasting.toml")).ok();
        let from = From {
            on: self.now().day(),
            lots: self.cache.lots()?,
            sessions: Arc::clone(&read.sessions),
            recipes: self.cache.recipes()?,
            book_file: self.cache.book_file()?,
            plans: plans.map(|m| (m.len(), m.modified().ok())),
        };
        let mut kept = self.due_kept.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((before, due)) = kept.as_ref()
            && before.is(&from)
        {
            return Ok(Arc::clone(due));
        }
        let (on, until) = (from.on, from.on.later(AHEAD));
        let wish = Wish { on, until, with: Vec::new(), days: None, alone: false };
        let due = Arc::new(due_of_lots(self.book(), &from.lots, &wish, None)?);
        *kept = Some((from, Arc::clone(&due)));
        Ok(due)
    }
}
