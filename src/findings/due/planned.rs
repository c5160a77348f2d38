//! From a book to what is due, and from the session that would taste it to a plan.

use super::sitting::{Sitting, SittingFlight};
use super::{Due, Record, Wish, due};
use crate::book::lots::Lot;
use crate::book::session_files::Kind;
use crate::book::{Book, BookError};
use crate::session::standing::standing;
use crate::session::{Duplicates, FlightRequest, PlanRequest, Terms};

/// What is due by the record of a book; `flight_size` the most scored cups in a flight, if it is not the
/// book's.
///
/// # Errors
/// If the record is wrong.
pub fn due_of_book(book: &Book, wish: &Wish, flight_size: Option<usize>) -> Result<Due, BookError> {
    due_of_lots(book, &book.lots()?, wish, flight_size)
}

/// The same where the lots are read already.
///
/// # Errors
/// If the record is wrong.
pub fn due_of_lots(
    book: &Book,
    lots: &[Lot],
    wish: &Wish,
    flight_size: Option<usize>,
) -> Result<Due, BookError> {
    let recipes = book.recipes()?.value;
    let retasting = book.retasting(lots)?;
    let file = book.book_file()?.value;
    let standing = standing(book)?;
    let record = Record {
        lots,
        retasting: &retasting,
        recipes: &recipes,
        recipe: file.defaults.recipe.as_deref(),
        limits: &file.limits,
        flight_cups: flight_size.unwrap_or(file.limits.flight_cups as usize),
        standing: &standing,
    };
    Ok(due(&record, wish))
}

/// What whoever plans adds to a session of what is due.
#[derive(Debug, Clone)]
pub struct SoPlanned {
    /// What it is called.
    pub name: String,
    /// Who tastes.
    pub tasters: Vec<String>,
    /// The public seed.
    pub order_seed: u32,
    /// Whether tasters are asked which lot they think a cup is.
    pub guess: bool,
    /// Whether one person pours and tastes.
    pub alone: bool,
    /// The most scored cups in a flight, if it is not the book's.
    pub flight_size: Option<usize>,
}

/// The plan of a session of what is due, once its flights are dealt ([`Sitting::dealt`]).
#[must_use]
pub fn request(sitting: &Sitting, contents: &[Vec<String>], so: SoPlanned) -> PlanRequest {
    let flight = |(flight, lots): (&SittingFlight, &Vec<String>)| FlightRequest {
        lots: lots.clone(),
        duplicates: Duplicates::Dealt(flight.duplicates as usize),
    };
    PlanRequest {
        name: so.name,
        kind: Kind::Profile,
        lots: Vec::new(),
        flights: sitting.flights.iter().zip(contents).map(flight).collect(),
        tasters: so.tasters,
        replicates: 1,
        duplicates: Duplicates::Dealt(0),
        reference: sitting.reference.known().cloned(),
        warm_up: None,
        recipe: Some(sitting.recipe.clone()),
        terms: Terms::Default,
        days: sitting.flights.iter().map(|f| f.day).collect(),
        flight_size: so.flight_size,
        per_taster: None,
        order_seed: so.order_seed,
        guess: so.guess,
        test: None,
        expected: None,
        alone: so.alone,
    }
}
