//! Serving orders: who tastes which cup at which place.
//!
//! A cup tastes different after a strong one and different when it is the first. Williams
//! squares spread both evenly: over all rows every cup stands equally often at every place and
//! follows every other cup equally often.

use super::draws::Draws;

/// The rows of a Williams square over `n` cups, numbered from 0: `n` rows for an even number,
/// `2n` for an odd one (the square and its mirror image). The first row runs
/// 0, 1, n−1, 2, n−2, …, each further row adds 1 to every entry, modulo `n`.
///
/// # Source
/// E. J. Williams (1949), Australian Journal of Scientific Research A 2:149–168.
#[must_use]
pub fn williams(n: usize) -> Vec<Vec<usize>> {
    let mut first = Vec::with_capacity(n);
    let (mut up, mut down) = (1, n.saturating_sub(1));
    for place in 0..n {
        if place == 0 {
            first.push(0);
        } else if place % 2 == 1 {
            first.push(up);
            up += 1;
        } else {
            first.push(down);
            down -= 1;
        }
    }
    let mut rows: Vec<Vec<usize>> =
        (0..n).map(|k| first.iter().map(|cup| (cup + k) % n).collect()).collect();
    if n % 2 == 1 && n > 1 {
        let mirrored: Vec<Vec<usize>> =
            rows.iter().map(|row| row.iter().rev().copied().collect()).collect();
        rows.extend(mirrored);
    }
    rows
}

/// The serving orders of one flight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Orders {
    /// For each taster the cups in the order of tasting, numbered from 0.
    pub rows: Vec<Vec<usize>>,
    /// How far they are from balance.
    pub imbalance: Imbalance,
}

/// How evenly places and neighbours are spread over a flight's orders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Imbalance {
    /// Number of cups.
    pub n_cups: usize,
    /// Number of orders.
    pub n_rows: usize,
    /// Orders come out even in multiples of this number of rows.
    pub n_for_balance: usize,
    /// The least often that a cup stands at a place.
    pub place_least: usize,
    /// The most often that a cup stands at a place.
    pub place_most: usize,
    /// The least often that a cup comes right after another.
    pub follow_least: usize,
    /// The most often that a cup comes right after another.
    pub follow_most: usize,
}

impl Imbalance {
    /// Counts places and neighbours in rows over `n_cups` cups, numbered from 0.
    #[must_use]
    pub fn of(rows: &[Vec<usize>], n_cups: usize) -> Self {
        let counts = Counts::of(rows, n_cups);
        let spread = |list: &mut dyn Iterator<Item = u32>| {
            let all: Vec<usize> = list.map(|c| c as usize).collect();
            (all.iter().min().copied().unwrap_or(0), all.iter().max().copied().unwrap_or(0))
        };
        let (place_least, place_most) = spread(&mut counts.place.iter().copied());
        let (follow_least, follow_most) = spread(
            &mut (0..n_cups * n_cups)
                .filter(|i| i / n_cups != i % n_cups)
                .map(|i| counts.follow[i]),
        );
        Self {
            n_cups,
            n_rows: rows.len(),
            n_for_balance: if n_cups % 2 == 1 && n_cups > 1 { 2 * n_cups } else { n_cups },
            place_least,
            place_most,
            follow_least,
            follow_most,
        }
    }

    /// Whether every cup stands equally often at every place and follows every other equally
    /// often.
    #[must_use]
    pub fn balanced(&self) -> bool {
        self.place_least == self.place_most && self.follow_least == self.follow_most
    }
}

/// How often each cup stands at each place, and comes right after each other cup.
pub(super) struct Counts {
    n: usize,
    /// The place from 0, then the cup.
    pub(super) place: Vec<u32>,
    /// The earlier cup, then the later.
    pub(super) follow: Vec<u32>,
}

impl Counts {
    pub(super) fn of(rows: &[Vec<usize>], n: usize) -> Self {
        let mut counts = Self { n, place: vec![0; n * n], follow: vec![0; n * n] };
        for row in rows {
            counts.add(row);
        }
        counts
    }

    pub(super) fn add(&mut self, row: &[usize]) {
        for (at, cup) in row.iter().enumerate() {
            self.place[at * self.n + cup] += 1;
        }
        for pair in row.windows(2) {
            self.follow[pair[0] * self.n + pair[1]] += 1;
        }
    }

    /// Takes out a row that was added.
    pub(super) fn take(&mut self, row: &[usize]) {
        for (at, cup) in row.iter().enumerate() {
            self.place[at * self.n + cup] -= 1;
        }
        for pair in row.windows(2) {
            self.follow[pair[0] * self.n + pair[1]] -= 1;
        }
    }

    /// Sum of squared counts: with a fixed number of rows it is least where counts are most even.
    /// Behind it the part of the places, which decides between equals: the first cup tells most.
    pub(super) fn unevenness(&self) -> (u64, u64) {
        let squares = |list: &[u32]| list.iter().map(|c| u64::from(*c).pow(2)).sum::<u64>();
        let place = squares(&self.place);
        (place + squares(&self.follow), place)
    }
}

/// Serving orders of `n_cups` cups for `n_rows` tasters, from Williams squares with random
/// letters and rows.
///
/// They are balanced if the number of tasters is a multiple of `n_cups` (even) or `2 n_cups`
/// (odd). Otherwise whole squares are used as far as they go and the rest are the rows of one
/// more square that keep the sum of squared counts of places and neighbours least (greedily,
/// then by exchanges); what is missing from balance stands in [`Orders::imbalance`].
#[must_use]
pub fn orders(n_cups: usize, n_rows: usize, draws: &mut Draws) -> Orders {
    if n_cups == 0 || n_rows == 0 {
        return Orders {
            rows: vec![Vec::new(); n_rows],
            imbalance: Imbalance::of(&vec![Vec::new(); n_rows], n_cups),
        };
    }
    let mut rows = Vec::with_capacity(n_rows);
    while rows.len() < n_rows {
        let letters = draws.permutation(n_cups);
        let mut square: Vec<Vec<usize>> =
            williams(n_cups).iter().map(|r| r.iter().map(|c| letters[*c]).collect()).collect();
        draws.shuffle(&mut square);
        let wanted = (n_rows - rows.len()).min(square.len());
        rows.extend(most_even(square, wanted, n_cups));
    }
    draws.shuffle(&mut rows);
    let imbalance = Imbalance::of(&rows, n_cups);
    Orders { rows, imbalance }
}

/// The `wanted` rows of a square that are most even among themselves. Ties go to the row that
/// stands first, and the square was shuffled before.
fn most_even(square: Vec<Vec<usize>>, wanted: usize, n: usize) -> Vec<Vec<usize>> {
    if wanted == square.len() {
        return square;
    }
    let uneven = |chosen: &[usize]| {
        let mut counts = Counts::of(&[], n);
        for i in chosen {
            counts.add(&square[*i]);
        }
        counts.unevenness()
    };
    let mut chosen: Vec<usize> = Vec::with_capacity(wanted);
    while chosen.len() < wanted {
        let next = (0..square.len()).filter(|i| !chosen.contains(i)).min_by_key(|i| {
            let mut with = chosen.clone();
            with.push(*i);
            uneven(&with)
        });
        chosen.extend(next);
    }
    let mut least = uneven(&chosen);
    loop {
        let mut better = None;
        for at in 0..chosen.len() {
            for other in (0..square.len()).filter(|i| !chosen.contains(i)) {
                let mut with = chosen.clone();
                with[at] = other;
                let now = uneven(&with);
                if now < least {
                    least = now;
                    better = Some(with);
                }
            }
        }
        match better {
            Some(with) => chosen = with,
            None => break,
        }
    }
    chosen.into_iter().map(|i| square[i].clone()).collect()
}
