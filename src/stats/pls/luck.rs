//! How well would noise be predicted? Responses in other orders, with the choice of the number of
//! components made anew each time.

use rayon::prelude::*;

use super::PlsError;
use super::cross::{Response, Room, choose, errors_into};
use super::folds::Prepared;
use crate::rng;

/// Q² (against the mean of the rows that stay) with the chosen number of components, for the
/// response as it is and in `n_draws` random orders, each within `blocks`.
#[derive(Debug, Clone, PartialEq)]
pub struct Luck {
    /// As it is.
    pub observed: f64,
    /// In other orders: draw k is made by stream k of the seed, so that several responses of the
    /// same rows are put into the same orders.
    pub drawn: Vec<f64>,
}

impl Luck {
    /// Returns the Q² that luck reaches with this response alone in a share `level` of draws: the
    /// upper `level` quantile of what was drawn (Lindgren and others 1996, see [`luck`]); none
    /// without draws.
    #[must_use]
    pub fn reached(&self, level: f64) -> Option<f64> {
        let mut drawn = self.drawn.clone();
        drawn.sort_by(f64::total_cmp);
        rng::quantile_of_sorted(&drawn, 1.0 - level)
    }

    /// Returns `(1 + as large) / (1 + drawn)`, draws with a Q² as large as observed (Phipson and
    /// Smyth 2010; from memory): never 0, and 1 without draws.
    #[must_use]
    pub fn p_value(&self) -> f64 {
        share(self.observed, &self.drawn)
    }
}

/// Works it out. If rows of different blocks differ by more than chance (days, seasons), `blocks`
/// must say so: orders change within them only.
///
/// # Errors
/// As for [`super::cross_validate`]; blocks of another length.
///
/// # Source
/// Lindgren F, Hansen B, Karcher W, Sjöström M, Eriksson L (1996), Journal of Chemometrics
/// 10:521-532 (from memory); the observed order among the drawn ones: Phipson B, Smyth GK (2010),
/// Statistical Applications in Genetics and Molecular Biology 9(1):39.
pub fn luck(
    x: &Prepared,
    y: &[f64],
    most: usize,
    blocks: &[u32],
    n_draws: usize,
    seed: u64,
) -> Result<Luck, PlsError> {
    if most == 0 {
        return Err(PlsError::NoComponent);
    }
    if blocks.len() != x.rows {
        return Err(PlsError::Length { column: x.columns, expected: x.rows, found: blocks.len() });
    }
    let start = Response::new(x, y)?;
    let mut places = std::collections::BTreeMap::<u32, Vec<usize>>::new();
    for (row, b) in blocks.iter().enumerate() {
        places.entry(*b).or_default().push(row);
    }
    let rows = x.rows;
    let statistic = |response: &Response, room: &mut Room, flat: &mut [f64]| {
        errors_into(x, response, room, flat);
        flat.iter_mut().for_each(|e| *e *= *e);
        let a = choose(flat, rows).components;
        let sum = |a: usize| flat[a * rows..(a + 1) * rows].iter().sum::<f64>();
        1.0 - sum(a) / sum(0)
    };
    let room = || (Room::new(x, most), vec![0.0; (most + 1) * rows]);
    let (mut one, mut flat) = room();
    let observed = statistic(&start, &mut one, &mut flat);
    let drawn = (0..n_draws)
        .into_par_iter()
        .with_min_len(16)
        .map_init(room, |(room, flat), k| {
            let mut stream = rng::stream(seed, k as u64);
            let mut order: Vec<usize> = (0..rows).collect();
            for block in places.values() {
                // Fisher and Yates within the block, from the last place down.
                for last in (1..block.len()).rev() {
                    order.swap(block[last], block[stream.below(last + 1)]);
                }
            }
            let mut response = start.reordered(&order);
            response.sum(x);
            statistic(&response, room, flat)
        })
        .collect();
    Ok(Luck { observed, drawn })
}

fn share(observed: f64, drawn: &[f64]) -> f64 {
    // Orders that change equals only come back with other rounding.
    let reached = drawn.iter().filter(|d| **d >= observed - 1e-9).count();
    (1 + reached) as f64 / (1 + drawn.len()) as f64
}

/// A Q² among those of other responses of the same rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Among {
    /// Its p among all.
    pub p_value: f64,
    /// What it would have to reach if it were the best of all: luck does in a share `level`.
    pub luck: f64,
}

/// p of each among all, stepping down from the best: the share of draws in which any of those not
/// better than it reaches as far. The chance that any is called better where none is stays below the
/// level that p is compared with, however they hang together.
///
/// Luck reaches further with some responses than with others (where blocks differ, they are
/// predicted in any order): so each is counted in standard deviations of its own draws from their
/// mean, the observed one among them. All must have been drawn equally often.
///
/// # Source
/// Westfall PH, Young SS (1993), Resampling-Based Multiple Testing, algorithm 4.1 with the greatest
/// statistic (from memory).
#[must_use]
pub fn among_all(all: &[Luck], level: f64) -> Vec<Among> {
    let n = all.iter().map(|l| l.drawn.len()).min().unwrap_or(0);
    let own: Vec<(f64, f64)> = all
        .iter()
        .map(|l| {
            let each = || std::iter::once(&l.observed).chain(&l.drawn[..n]);
            let mean = each().sum::<f64>() / (n + 1) as f64;
            let ss = each().map(|q| (q - mean).powi(2)).sum::<f64>();
            (mean, (ss / n.max(1) as f64).sqrt())
        })
        .collect();
    let scaled = |i: usize, q: f64| {
        let (mean, sd) = own[i];
        if sd > 1e-12 { (q - mean) / sd } else { 0.0 }
    };
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|a, b| scaled(*a, all[*a].observed).total_cmp(&scaled(*b, all[*b].observed)));
    let mut best = vec![f64::NEG_INFINITY; n];
    let mut p = vec![1.0; all.len()];
    // From the worst up, the greatest so far stands for all below.
    for i in &order {
        for (b, d) in best.iter_mut().zip(&all[*i].drawn) {
            *b = b.max(scaled(*i, *d));
        }
        p[*i] = share(scaled(*i, all[*i].observed), &best);
    }
    // A worse one never has a smaller p than a better one.
    let mut least: f64 = 0.0;
    for i in order.iter().rev() {
        least = least.max(p[*i]);
        p[*i] = least;
    }
    best.sort_by(f64::total_cmp);
    let reached = rng::quantile_of_sorted(&best, 1.0 - level).unwrap_or(f64::INFINITY);
    p.into_iter()
        .zip(&own)
        .map(|(p_value, (mean, sd))| Among { p_value, luck: mean + reached * sd })
        .collect()
}
