//! Codes and deal: two seeds that know nothing of each other.
//!
//! The public order seed lays out a session ([`lay_out`]): codes, flights, serving orders, shelf
//! places. The secret deal seed then gives samples to codes ([`deal`]). The layout depends on how
//! many samples there are, never on which.

use std::collections::BTreeMap;

use crate::book::session_files::{CODES, Flight};
use crate::book::time::Day;

use super::draws::Draws;
use super::key::{DealSecret, KeyCup};
use super::orders::{Imbalance, orders};
use super::sample::{Role, Sample};

/// How many cups of what a session has; public.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Shape {
    /// For each flight of one replicate its number of samples.
    pub(super) samples: Vec<usize>,
    /// How often every sample is brewed anew in another flight.
    pub(super) replicates: usize,
    /// How many samples of each flight get a second code.
    pub(super) duplicates: usize,
    /// Whether each flight has a reference cup.
    pub(super) reference: bool,
    /// Whether each flight has a warm-up cup.
    pub(super) warm_up: bool,
}

impl Shape {
    /// The flights' numbers of scored cups, replicate by replicate.
    fn cups(&self) -> Vec<usize> {
        let one = self.samples.iter().map(|n| n + self.duplicates + usize::from(self.reference));
        std::iter::repeat_n(one.collect::<Vec<_>>(), self.replicates).flatten().collect()
    }

    /// How many codes are needed.
    pub(super) fn n_codes(&self) -> usize {
        self.cups().iter().map(|n| n + usize::from(self.warm_up)).sum()
    }

    /// How many flights there are.
    pub(super) fn n_flights(&self) -> usize {
        self.samples.len() * self.replicates
    }
}

/// How many codes there are.
pub(super) const N_CODES: usize = (CODES.1 - CODES.0 + 1) as usize;

/// Arranges codes, serving orders and, where somebody pours and tastes alone, shelf places.
pub(super) fn lay_out(
    shape: &Shape,
    tasters: &[String],
    days: &[Day],
    alone: bool,
    order_seed: u32,
) -> (Vec<Flight>, Vec<Imbalance>) {
    let mut draws = Draws::of_orders(u64::from(order_seed));
    let mut codes = draws
        .permutation(N_CODES)
        .into_iter()
        .map(|i| CODES.0 + u16::try_from(i).expect("there are 900 codes"));
    let mut flights = Vec::new();
    let mut imbalances = Vec::new();
    // The same tins serve all replicates of a flight.
    let group_first_tin = |group: usize| -> usize {
        let before: usize = shape.samples[..group]
            .iter()
            .map(|n| n + shape.duplicates + usize::from(shape.reference) + usize::from(shape.warm_up))
            .sum();
        before + 1
    };
    for (i, n_cups) in shape.cups().into_iter().enumerate() {
        let warm_up = if shape.warm_up { codes.next() } else { None };
        let mut cups: Vec<u16> = codes.by_ref().take(n_cups).collect();
        cups.sort_unstable();
        let made = orders(n_cups, tasters.len(), &mut draws);
        imbalances.push(made.imbalance);
        let by_taster: BTreeMap<String, Vec<u16>> = tasters
            .iter()
            .zip(&made.rows)
            .map(|(t, row)| (t.clone(), row.iter().map(|c| cups[*c]).collect()))
            .collect();
        let (mut shelf, mut warm_up_shelf) = (Vec::new(), None);
        if alone {
            let n = n_cups + usize::from(shape.warm_up);
            let first = group_first_tin(i % shape.samples.len());
            let mut tins: Vec<u32> = draws
                .permutation(n)
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
            orders: by_taster,
        });
    }
    (flights, imbalances)
}

/// What is dealt; secret once it is dealt.
pub(super) struct Stock<'a> {
    pub(super) samples: &'a [Sample],
    /// The samples that get the second codes, where they are named; else they are dealt too.
    pub(super) duplicates: &'a [Sample],
    pub(super) reference: Option<&'a Sample>,
    pub(super) warm_up: Option<&'a Sample>,
}

/// Gives samples to codes. In each replicate the samples are shuffled and cut into flights; a
/// flight's second codes go to those of its samples that have had the fewest; then the flight's
/// cups are shuffled and laid along its codes from the lowest to the highest.
pub(super) fn deal(
    secret: &DealSecret,
    shape: &Shape,
    flights: &[Flight],
    stock: &Stock<'_>,
) -> Vec<KeyCup> {
    let mut draws = Draws::of_deal(secret.seed());
    let mut had: BTreeMap<&Sample, usize> = BTreeMap::new();
    let mut dealt = Vec::new();
    let mut brew = 0_u32;
    let mut flights = flights.iter();
    for replicate in 1..=shape.replicates {
        let replicate = u32::try_from(replicate).expect("there are at most 900 replicates");
        let mut samples: Vec<&Sample> = stock.samples.iter().collect();
        draws.shuffle(&mut samples);
        let mut samples = samples.into_iter();
        for n in &shape.samples {
            let Some(flight) = flights.next() else { break };
            let here: Vec<&Sample> = samples.by_ref().take(*n).collect();
            let mut twice: Vec<&Sample> = if stock.duplicates.is_empty() {
                here.clone()
            } else {
                stock.duplicates.iter().collect()
            };
            twice.sort_by_key(|s| had.get(*s).copied().unwrap_or(0));
            twice.truncate(shape.duplicates);
            for s in &twice {
                *had.entry(s).or_default() += 1;
            }
            let mut cups: Vec<(&Sample, Role)> = here.iter().map(|s| (*s, Role::Lot)).collect();
            cups.extend(twice.iter().map(|s| (*s, Role::Duplicate)));
            cups.extend(stock.reference.map(|s| (s, Role::Reference)));
            draws.shuffle(&mut cups);
            let codes = flight.codes();
            let cups = stock.warm_up.map(|s| (s, Role::WarmUp)).into_iter().chain(cups);
            for (code, (sample, role)) in codes.zip(cups) {
                brew += 1;
                dealt.push(KeyCup {
                    code,
                    flight: flight.number,
                    sample: sample.clone(),
                    role,
                    brew,
                    replicate,
                });
            }
        }
    }
    dealt
}
