//! Where the samples of a book stand between tastings: which revealed sessions had them, which
//! sealed ones have them, and what is left of their reserves. For whoever plans: a sample's name
//! and a session's, never a code, a flight or a second code of a sealed session.

use std::collections::BTreeSet;

use rayon::prelude::*;

use crate::book::lots::Lot;
use crate::book::session_files::Kind;
use crate::book::time::Day;
use crate::book::{Book, BookError};

use super::key::Draw;
use super::reserve::{at_most, left, not_revealed, sealed};
use super::reveal::opened;
use super::sample::{Role, Sample};
use super::state::{Session, State};

/// A session and the samples that it has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Had {
    /// The name of its folder.
    pub session: String,
    /// The day of its first flight.
    pub day: Day,
    /// What it asks.
    pub kind: Kind,
    /// The id of its recipe.
    pub recipe: String,
    /// How many flights it has.
    pub n_flights: usize,
    /// Its samples, but for the reference and the warm-up cup. None where who pours and tastes
    /// alone has not given the key yet: then nobody knows.
    pub samples: Option<BTreeSet<Sample>>,
    /// What was served as the reference.
    pub references: BTreeSet<Sample>,
}

/// Where all samples stand.
pub struct Standing {
    /// The revealed sessions, by their days.
    pub revealed: Vec<Had>,
    /// Those that are neither revealed nor void, by their days.
    pub sealed: Vec<Had>,
    pending: Vec<Draw>,
}

impl Standing {
    /// Of sessions that are known already, where sealed ones draw nothing.
    #[must_use]
    pub fn of(revealed: Vec<Had>, sealed: Vec<Had>) -> Self {
        Self { revealed, sealed, pending: Vec::new() }.by_days()
    }

    fn by_days(mut self) -> Self {
        for list in [&mut self.revealed, &mut self.sealed] {
            list.sort_by(|a, b| (a.day, &a.session).cmp(&(b.day, &b.session)));
        }
        self
    }

    /// Grams left of a sample, less what sealed sessions may draw; none if no reserve is recorded.
    #[must_use]
    pub fn left(&self, lots: &[Lot], sample: &Sample) -> Option<f64> {
        left(lots, &self.pending, sample)
    }
}

/// Reads where the samples of a book stand. Ballots are not read.
///
/// # Errors
/// If a session's files are wrong, or the disk refuses.
pub fn standing(book: &Book) -> Result<Standing, BookError> {
    let waiting = not_revealed(book)?;
    let names = book.session_names()?;
    let read = |name: &String| -> Result<Option<(Had, Vec<Draw>)>, BookError> {
        let session = Session::open(book, name)?;
        let is_sealed = waiting.contains(name);
        if session.state == State::Void {
            return Ok(None);
        }
        let key = if is_sealed { sealed(book, name)? } else { Some(opened(&session)?) };
        let of = |wanted: &[Role]| -> Option<BTreeSet<Sample>> {
            let cups = key.as_ref()?.cups().iter().filter(|c| wanted.contains(&c.role));
            Some(cups.map(|c| c.sample.clone()).collect())
        };
        let had = Had {
            session: name.clone(),
            day: session.plan().day,
            kind: session.plan().kind,
            recipe: session.plan().recipe.id.clone(),
            n_flights: session.plan().flights.len(),
            samples: of(&[Role::Lot, Role::Duplicate]),
            references: of(&[Role::Reference]).unwrap_or_default(),
        };
        let draws = key.filter(|_| is_sealed).map_or_else(Vec::new, |key| at_most(&key));
        Ok(Some((had, draws)))
    };
    // Beside one another; the first mistake in their order is told, however they end.
    let all: Vec<Result<_, BookError>> = names.par_iter().map(read).collect();
    let mut standing = Standing { revealed: Vec::new(), sealed: Vec::new(), pending: Vec::new() };
    for (had, draws) in all.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten() {
        let is_sealed = waiting.contains(&had.session);
        let list = if is_sealed { &mut standing.sealed } else { &mut standing.revealed };
        list.push(had);
        standing.pending.extend(draws);
    }
    Ok(standing.by_days())
}
