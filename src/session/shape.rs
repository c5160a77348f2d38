//! How many cups of what a session has, flight by flight: all that its layout depends on.

use crate::book::BookError;
use crate::book::session_files::Kind;
use crate::book::time::Day;

use super::deal::{Contents, FlightShape, N_CODES, Shape};
use super::plan::{Duplicates, PlanRequest, refused};

fn too_many_cups(cups: usize, size: usize) -> BookError {
    refused(format!(
        "a flight of {cups} cups is more than the limit of {size}\n  to mend:  leave cups out, or give a larger --flight-size (more cups tire the palate)"
    ))
}

/// A shape without flights.
fn empty(request: &PlanRequest) -> Shape {
    Shape {
        kind: request.kind,
        flights: Vec::new(),
        // The reference of a duo-trio is one of its lots.
        reference: request.reference.is_some() && request.kind != Kind::DuoTrio,
        warm_up: request.warm_up.is_some(),
        per_taster: request.per_taster,
    }
}

/// A set of cups of a difference test: two lots, each with a second code in a triangle.
fn set(request: &PlanRequest, n_samples: usize, tins_of: usize) -> Result<FlightShape, BookError> {
    if n_samples != 2 {
        return Err(refused(format!(
            "a {} session compares two lots, and {n_samples} {} named\n  to mend:  name two with --lots; for several pairs name each with a --flight LOT,LOT",
            request.kind.word(),
            if n_samples == 1 { "is" } else { "are" }
        )));
    }
    Ok(FlightShape {
        samples: 2,
        duplicates: if request.kind == Kind::Triangle { 2 } else { 0 },
        references: match (request.kind, &request.reference) {
            (Kind::DuoTrio, Some(_)) => 1,
            (Kind::DuoTrio, None) => request.tasters.len().min(2),
            _ => 0,
        },
        tins_of,
    })
}

fn check_per_taster(request: &PlanRequest, n_cups: usize) -> Result<(), BookError> {
    match request.per_taster {
        Some(k) if k < 2 || k >= n_cups => Err(refused(format!(
            "{k} cups for each taster, out of {n_cups} in a flight\n  expected: two or more, and fewer than the flight has\n  to mend:  another --per-taster, or leave it out so that everybody has all cups"
        ))),
        _ => Ok(()),
    }
}

pub(super) fn shape_given(
    request: &PlanRequest,
    given: &[Contents],
    limit: usize,
) -> Result<Shape, BookError> {
    let size = request.flight_size.unwrap_or(limit);
    let mut shape = empty(request);
    for (i, ((samples, twice), flight)) in given.iter().zip(&request.flights).enumerate() {
        if request.kind.is_choice() {
            shape.flights.push(set(request, samples.len(), i)?);
            continue;
        }
        let duplicates = match flight.duplicates {
            Duplicates::Dealt(n) => n,
            Duplicates::Of(_) => twice.len(),
        };
        let flight = FlightShape { samples: samples.len(), duplicates, references: 0, tins_of: i };
        if duplicates > samples.len() {
            return Err(too_many_duplicates(duplicates, samples.len()));
        }
        check_per_taster(request, shape.n_scored(&flight))?;
        let tasted = request.per_taster.unwrap_or(shape.n_scored(&flight));
        if tasted > size {
            return Err(too_many_cups(tasted, size));
        }
        shape.flights.push(flight);
    }
    check_shape(shape, request.alone)
}

fn too_many_duplicates(duplicates: usize, least: usize) -> BookError {
    refused(format!(
        "{duplicates} second codes are more than the {least} lots of a flight\n  to mend:  at most {least} duplicates"
    ))
}

fn check_shape(shape: Shape, alone: bool) -> Result<Shape, BookError> {
    if alone && shape.flights.iter().any(|f| f.duplicates > 0) {
        return Err(refused(
            "alone there are no blind duplicates: who pours two codes from one tin knows it\n  to mend:  leave the duplicates out",
        ));
    }
    if shape.n_codes() > N_CODES {
        return Err(refused(format!(
            "{} cups are more than the {N_CODES} codes from 100 to 999\n  to mend:  fewer lots or replicates",
            shape.n_codes()
        )));
    }
    Ok(shape)
}

pub(super) fn shape(
    request: &PlanRequest,
    n_samples: usize,
    n_named: usize,
    limit: usize,
) -> Result<Shape, BookError> {
    if request.kind.is_choice() {
        let mut shape = empty(request);
        for _ in 0..request.replicates.min(N_CODES) {
            shape.flights.push(set(request, n_samples, 0)?);
        }
        return check_shape(shape, request.alone);
    }
    // Where everybody has some of the cups, all lots stand in one flight.
    let size = match request.per_taster {
        Some(k) => {
            let most = request.flight_size.unwrap_or(limit);
            if k > most {
                return Err(too_many_cups(k, most));
            }
            usize::MAX
        }
        None => request.flight_size.unwrap_or(limit),
    };
    let duplicates = match &request.duplicates {
        Duplicates::Dealt(n) => *n,
        Duplicates::Of(_) => n_named,
    };
    let others = duplicates.saturating_add(usize::from(request.reference.is_some()));
    let room = size.saturating_sub(others);
    if room == 0 || (room == 1 && n_samples > 1) {
        return Err(refused(format!(
            "a flight of {size} cups has no room for two lots beside {others} duplicate or reference cups\n  to mend:  fewer duplicates, or a larger --flight-size (more cups tire the palate)"
        )));
    }
    let groups = n_samples.div_ceil(room);
    if groups > 1 && n_named > 0 {
        return Err(refused(format!(
            "{n_samples} lots are cut into {groups} flights by the deal, so that nobody can say beforehand which flight a second code would be in\n  to mend:  give --duplicates a number, or a larger --flight-size"
        )));
    }
    let sizes: Vec<usize> =
        (0..groups).map(|i| n_samples / groups + usize::from(i < n_samples % groups)).collect();
    let least = sizes.iter().min().copied().unwrap_or(0);
    if duplicates > least {
        return Err(too_many_duplicates(duplicates, least));
    }
    if groups.saturating_mul(request.replicates) > N_CODES {
        return Err(refused(format!(
            "{} flights are more than there are codes\n  to mend:  fewer replicates",
            groups.saturating_mul(request.replicates)
        )));
    }
    let flights = (0..request.replicates)
        .flat_map(|_| sizes.iter().enumerate())
        .map(|(i, n)| FlightShape { samples: *n, duplicates, references: 0, tins_of: i })
        .collect();
    let shape = Shape { flights, ..empty(request) };
    for flight in &shape.flights {
        check_per_taster(request, shape.n_scored(flight))?;
    }
    check_shape(shape, request.alone)
}

pub(super) fn days_of_flights(
    given: &[Day],
    request: &PlanRequest,
    shape: &Shape,
) -> Result<Vec<Day>, BookError> {
    let flights = shape.flights.len();
    let replicates = if request.flights.is_empty() { request.replicates } else { flights };
    let days: Vec<Day> = if given.len() == 1 {
        vec![given[0]; flights]
    } else if given.len() == flights {
        given.to_vec()
    } else if given.len() == replicates {
        let groups = flights / replicates;
        given.iter().flat_map(|d| std::iter::repeat_n(*d, groups)).collect()
    } else {
        return Err(refused(format!(
            "{} days for {flights} flights\n  expected: one day, one a replicate, or one a flight\n  to mend:  repeat --day as often",
            given.len()
        )));
    };
    if !days.is_sorted() {
        return Err(refused(
            "the days of the flights go back in time\n  to mend:  name the earliest --day first",
        ));
    }
    Ok(days)
}
