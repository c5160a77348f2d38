//! Codes and deal: two seeds that know nothing of each other.
//!
//! The public order seed lays out a session ([`lay_out`]): codes, flights, serving orders, shelf
//! places. The secret deal seed then gives samples to codes ([`deal`]). The layout depends on how
//! many samples there are, never on which.

use std::collections::BTreeMap;

use crate::book::BookError;
use crate::book::session_files::{CODES, Flight, Kind};
use crate::book::time::Day;

use super::draws::Draws;
use super::incomplete::{BlockBalance, incomplete};
use super::key::{DealSecret, KeyCup};
use super::orders::{Imbalance, orders};
use super::plan::refused;
use super::sample::{Role, Sample};
use super::sequences::{SequenceBalance, duo_trios, pairs, triangles};

/// How many cups of what a session has; public.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Shape {
    /// What is asked.
    pub(super) kind: Kind,
    /// The flights.
    pub(super) flights: Vec<FlightShape>,
    /// Whether each flight has a reference cup.
    pub(super) reference: bool,
    /// Whether each flight has a warm-up cup.
    pub(super) warm_up: bool,
    /// How many of a flight's cups each taster has, where not all.
    pub(super) per_taster: Option<usize>,
}

/// How many cups of what a flight has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct FlightShape {
    /// Its number of samples.
    pub(super) samples: usize,
    /// How many of them get a second code.
    pub(super) duplicates: usize,
    /// How many further codes are the reference of a duo-trio: one, or one of each lot.
    pub(super) references: usize,
    /// The flight whose tins it shares, where somebody pours and tastes alone: replicates are
    /// brewed from the same tins.
    pub(super) tins_of: usize,
}

impl Shape {
    /// The scored cups of a flight.
    pub(super) fn n_scored(&self, flight: &FlightShape) -> usize {
        flight.samples + flight.duplicates + flight.references + usize::from(self.reference)
    }

    /// All cups of a flight.
    fn n_cups(&self, flight: &FlightShape) -> usize {
        self.n_scored(flight) + usize::from(self.warm_up)
    }

    /// How many codes are needed.
    pub(super) fn n_codes(&self) -> usize {
        self.flights.iter().map(|f| self.n_cups(f)).sum()
    }

    /// The place on the shelf of the first tin of a flight.
    fn first_tin(&self, flight: &FlightShape) -> usize {
        let before = self.flights.iter().enumerate().take(flight.tins_of);
        1 + before.filter(|(i, f)| f.tins_of == *i).map(|(_, f)| self.n_cups(f)).sum::<usize>()
    }
}

/// How many codes there are.
pub(super) const N_CODES: usize = (CODES.1 - CODES.0 + 1) as usize;

/// How even the orders of a flight are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Balance {
    /// Everybody has all cups.
    Orders(Imbalance),
    /// Everybody has some of the cups.
    Blocks(BlockBalance),
    /// Everybody has a set of cups of a difference test.
    Sequences(SequenceBalance),
}

/// Arranges codes, serving orders and, where somebody pours and tastes alone, shelf places.
pub(super) fn lay_out(
    shape: &Shape,
    tasters: &[String],
    days: &[Day],
    alone: bool,
    order_seed: u32,
) -> Result<(Vec<Flight>, Vec<Balance>), BookError> {
    let mut draws = Draws::of_orders(u64::from(order_seed));
    let mut codes = draws
        .permutation(N_CODES)
        .into_iter()
        .map(|i| CODES.0 + u16::try_from(i).expect("there are 900 codes"));
    let mut flights = Vec::new();
    let mut balances = Vec::new();
    for (i, flight) in shape.flights.iter().enumerate() {
        let n_cups = shape.n_scored(flight);
        let warm_up = if shape.warm_up { codes.next() } else { None };
        let mut cups: Vec<u16> = codes.by_ref().take(n_cups).collect();
        cups.sort_unstable();
        // Rows number a duo-trio's references first; which of the codes they are is drawn.
        let mut numbered = cups.clone();
        let references = if flight.references > 0 {
            draws.shuffle(&mut numbered);
            let mut references = numbered[..flight.references].to_vec();
            references.sort_unstable();
            references
        } else {
            Vec::new()
        };
        let (rows, balance) = arrange(shape, flight, n_cups, tasters.len(), &mut draws)?;
        balances.push(balance);
        let by_taster: BTreeMap<String, Vec<u16>> = tasters
            .iter()
            .zip(&rows)
            .map(|(t, row)| (t.clone(), row.iter().map(|c| numbered[*c]).collect()))
            .collect();
        let (mut shelf, mut warm_up_shelf) = (Vec::new(), None);
        if alone {
            let first = shape.first_tin(flight);
            let mut tins: Vec<u32> = draws
                .permutation(shape.n_cups(flight))
                .into_iter()
                .map(|t| u32::try_from(first + t).expect("there are at most 900 tins"))
                .collect();
            if shape.warm_up {
                warm_up_shelf = tins.pop();
            }
            shelf = tins;
        }
        flights.push(Flight {
            number: u32::try_from(i + 1).expect("there are at most 900 flights"),
            day: days[i],
            cups,
            warm_up,
            shelf,
            warm_up_shelf,
            references,
            orders: by_taster,
        });
    }
    Ok((flights, balances))
}

/// The rows of a flight, its cups numbered from 0, the references of a duo-trio first.
fn arrange(
    shape: &Shape,
    flight: &FlightShape,
    n_cups: usize,
    n_tasters: usize,
    draws: &mut Draws,
) -> Result<(Vec<Vec<usize>>, Balance), BookError> {
    let made = match shape.kind {
        Kind::Triangle => triangles(n_tasters, draws),
        Kind::DuoTrio => duo_trios(n_tasters, flight.references, draws),
        Kind::Paired => pairs(n_tasters, draws),
        Kind::Profile | Kind::Ranking => {
            return match shape.per_taster.filter(|k| *k < n_cups) {
                None => {
                    let made = orders(n_cups, n_tasters, draws);
                    Ok((made.rows, Balance::Orders(made.imbalance)))
                }
                Some(k) => {
                    let made = incomplete(n_cups, k, n_tasters, draws).ok_or_else(|| {
                        refused(format!(
                            "there is no plan that gives each of {n_tasters} tasters {k} of {n_cups} cups\n  expected: two cups or more for each taster, and not more cups in a flight than a plan is made for\n  to mend:  another --per-taster, or fewer lots in a flight"
                        ))
                    })?;
                    if made.balance.times.0 == 0 {
                        return Err(refused(format!(
                            "with {k} of {n_cups} cups for each of {n_tasters} tasters some cups are tasted by nobody\n  expected: at least {n_cups} servings\n  to mend:  a larger --per-taster, more tasters, or fewer lots"
                        )));
                    }
                    Ok((made.rows, Balance::Blocks(made.balance)))
                }
            };
        }
    };
    Ok((made.rows, Balance::Sequences(made.balance)))
}

/// What is dealt; secret once it is dealt.
pub(super) struct Stock<'a> {
    pub(super) filling: Filling<'a>,
    pub(super) reference: Option<&'a Sample>,
    pub(super) warm_up: Option<&'a Sample>,
    /// The sample that is everybody's reference in a duo-trio; else each is for a part of them.
    pub(super) constant: Option<&'a Sample>,
}

/// The samples of a flight, and those of them that are named for second codes.
pub(super) type Contents = (Vec<Sample>, Vec<Sample>);

/// Which samples go into which flights.
pub(super) enum Filling<'a> {
    /// All samples in each replicate, cut into flights by the deal.
    Spread {
        samples: &'a [Sample],
        replicates: usize,
        /// The samples that get second codes, where they are named; else they are dealt too.
        twice: &'a [Sample],
    },
    /// Flight by flight: its samples, and those that get second codes, where they are named.
    Given(&'a [Contents]),
}

/// Gives samples to codes. Where samples are spread over flights they are shuffled for each
/// replicate and cut. A flight's second codes, unless they are named, go to those of its samples
/// that have had the fewest, in shuffled order. Then the flight's cups are shuffled and laid
/// along its codes from the lowest to the highest.
pub(super) fn deal(
    secret: &DealSecret,
    shape: &Shape,
    flights: &[Flight],
    stock: &Stock<'_>,
) -> Vec<KeyCup> {
    let mut draws = Draws::of_deal(secret.seed());
    let mut had: BTreeMap<&Sample, usize> = BTreeMap::new();
    let mut flights_of: BTreeMap<&Sample, Vec<u32>> = BTreeMap::new();
    let mut dealt = Vec::new();
    let mut brew = 0_u32;
    let contents = contents(&stock.filling, shape, &mut draws);
    for ((flight, of), (here, named)) in flights.iter().zip(&shape.flights).zip(contents) {
        let mut twice = if named.is_empty() { here.clone() } else { named };
        twice.sort_by_key(|s| had.get(*s).copied().unwrap_or(0));
        twice.truncate(of.duplicates);
        for s in &twice {
            *had.entry(s).or_default() += 1;
        }
        let mut cups: Vec<(&Sample, Role)> = here.iter().map(|s| (*s, Role::Lot)).collect();
        cups.extend(twice.iter().map(|s| (*s, Role::Duplicate)));
        cups.extend(stock.reference.map(|s| (s, Role::Reference)));
        draws.shuffle(&mut cups);
        let mut references: Vec<&Sample> = stock.constant.map_or_else(|| here.clone(), |s| vec![s]);
        if of.references > 0 {
            draws.shuffle(&mut references);
        }
        let mut references = references.into_iter().map(|s| (s, Role::Reference));
        let mut cups = stock.warm_up.map(|s| (s, Role::WarmUp)).into_iter().chain(cups);
        let is_reference = |code: &u16| flight.references.contains(code);
        for code in flight.codes() {
            let next = if is_reference(&code) { references.next() } else { cups.next() };
            let Some((sample, role)) = next else { continue };
            brew += 1;
            let of_sample = flights_of.entry(sample).or_default();
            if of_sample.last() != Some(&flight.number) {
                of_sample.push(flight.number);
            }
            dealt.push(KeyCup {
                code,
                flight: flight.number,
                sample: sample.clone(),
                role,
                brew,
                replicate: u32::try_from(of_sample.len()).expect("there are at most 900 flights"),
            });
        }
    }
    dealt
}

/// The samples of each flight in shuffled order, with those named for second codes.
fn contents<'a>(
    filling: &Filling<'a>,
    shape: &Shape,
    draws: &mut Draws,
) -> Vec<(Vec<&'a Sample>, Vec<&'a Sample>)> {
    match filling {
        Filling::Given(flights) => flights
            .iter()
            .map(|(samples, twice)| {
                let mut here: Vec<&Sample> = samples.iter().collect();
                draws.shuffle(&mut here);
                (here, twice.iter().collect())
            })
            .collect(),
        Filling::Spread { samples, replicates, twice } => {
            let mut shuffled = Vec::new();
            for _ in 0..*replicates {
                let mut once: Vec<&Sample> = samples.iter().collect();
                draws.shuffle(&mut once);
                shuffled.extend(once);
            }
            let mut rest = shuffled.into_iter();
            shape
                .flights
                .iter()
                .map(|f| (rest.by_ref().take(f.samples).collect(), twice.iter().collect()))
                .collect()
        }
    }
}
