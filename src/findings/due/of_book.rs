//! What is due by the record of a book, and the session that it asks for.

use super::sitting::SittingFlight;
use super::{Due, Record, Sitting, Wish, due};
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
    let (lots, recipes) = (book.lots()?, book.recipes()?.value);
    let retasting = book.retasting(&lots)?;
    let file = book.book_file()?.value;
    let standing = standing(book)?;
    let record = Record {
        lots: &lots,
        retasting: &retasting,
        recipes: &recipes,
        recipe: file.defaults.recipe.as_deref(),
        limits: &file.limits,
        flight_cups: flight_size.unwrap_or(file.limits.flight_cups as usize),
        standing: &standing,
    };
    Ok(due(&record, wish))
}

impl Sitting {
    /// The request that plans it; `contents` are the samples of each flight, as they were dealt.
    #[must_use]
    pub fn request(
        &self,
        name: &str,
        tasters: &[String],
        contents: &[Vec<String>],
        order_seed: u32,
    ) -> PlanRequest {
        let of = |(flight, lots): (&SittingFlight, &Vec<String>)| FlightRequest {
            lots: lots.clone(),
            duplicates: Duplicates::Dealt(flight.duplicates as usize),
        };
        PlanRequest {
            name: name.to_owned(),
            kind: Kind::Profile,
            lots: Vec::new(),
            flights: self.flights.iter().zip(contents).map(of).collect(),
            tasters: tasters.to_vec(),
            replicates: 1,
            duplicates: Duplicates::Dealt(0),
            reference: self.reference.known().cloned(),
            warm_up: None,
            recipe: Some(self.recipe.clone()),
            terms: Terms::Default,
            days: self.flights.iter().map(|f| f.day).collect(),
            flight_size: None,
            per_taster: None,
            order_seed,
            guess: false,
            test: None,
            expected: None,
            alone: false,
        }
    }
}
