//! Serving orders where a flight has more cups than a taster takes: everybody has some of them,
//! chosen so that all cups, and all pairs of cups, are tasted as equally often as possible.

use blindsteep_stats::designs::{balanced_incomplete, nearly_balanced};

use super::draws::Draws;
use super::orders::Counts;

/// Who has which cups in which order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Incomplete {
    /// For each taster the cups in the order of tasting, numbered from 0.
    pub rows: Vec<Vec<usize>>,
    /// How even they are.
    pub balance: BlockBalance,
}

/// How evenly cups, pairs, places and neighbours are spread over incomplete orders. Each pair of
/// numbers is the least and the most.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BlockBalance {
    /// Number of cups of the flight.
    pub n_cups: usize,
    /// How many of them a taster has.
    pub per_taster: usize,
    /// Number of orders.
    pub n_rows: usize,
    /// How many tasters a cup has.
    pub times: (usize, usize),
    /// How many tasters have two cups both.
    pub together: (usize, usize),
    /// How often a cup stands at a place.
    pub place: (usize, usize),
    /// How often a cup comes right after another.
    pub follow: (usize, usize),
    /// The blocks are balanced in multiples of this number of tasters, if such a number was found.
    pub n_for_balance: Option<usize>,
}

impl BlockBalance {
    /// Counts cups, pairs, places and neighbours in rows over `n_cups` cups, numbered from 0.
    #[must_use]
    pub fn of(rows: &[Vec<usize>], n_cups: usize, n_for_balance: Option<usize>) -> Self {
        let per_taster = rows.first().map_or(0, Vec::len);
        let counts = Counts::of(rows, n_cups);
        let spread = |list: Vec<usize>| {
            (list.iter().min().copied().unwrap_or(0), list.iter().max().copied().unwrap_or(0))
        };
        let has = |cup: usize| rows.iter().filter(move |r| r.contains(&cup));
        let pairs = (0..n_cups).flat_map(|a| (a + 1..n_cups).map(move |b| (a, b)));
        let neighbours = (0..n_cups * n_cups).filter(|i| i / n_cups != i % n_cups);
        Self {
            n_cups,
            per_taster,
            n_rows: rows.len(),
            times: spread((0..n_cups).map(|c| has(c).count()).collect()),
            together: spread(
                pairs.map(|(a, b)| has(a).filter(|r| r.contains(&b)).count()).collect(),
            ),
            place: spread(
                counts.place.iter().take(per_taster * n_cups).map(|n| *n as usize).collect(),
            ),
            follow: spread(neighbours.map(|i| counts.follow[i] as usize).collect()),
            n_for_balance,
        }
    }

    /// Whether every cup is tasted equally often, and every two cups by one taster equally often.
    #[must_use]
    pub fn balanced(&self) -> bool {
        self.times.0 == self.times.1 && self.together.0 == self.together.1
    }
}

/// Starts of the search for even places and neighbours.
const STARTS: usize = 8;

/// Orders of `per_taster` out of `n_cups` cups for `n_rows` tasters: whole balanced incomplete
/// block designs as far as they go, the rest as near to balance as exchanges find; within the
/// blocks the places and neighbours that are most even. The letters of a design are given to the
/// cups at random. `None` where fewer than two, or not fewer than all, cups are wanted for each,
/// or where there are more cups than designs are made for.
#[must_use]
pub fn incomplete(
    n_cups: usize,
    per_taster: usize,
    n_rows: usize,
    draws: &mut Draws,
) -> Option<Incomplete> {
    if per_taster < 2 || per_taster >= n_cups || n_rows == 0 {
        return None;
    }
    let whole = balanced_incomplete(n_cups, per_taster, n_rows.max(MOST_TASTERS));
    let mut blocks: Vec<Vec<usize>> = Vec::with_capacity(n_rows);
    let letters = draws.permutation(n_cups);
    if let Some(design) = &whole {
        for _ in 0..n_rows / design.blocks.len() {
            blocks.extend(design.blocks.iter().cloned());
        }
    }
    let rest = n_rows - blocks.len();
    if rest > 0 {
        let seed = u64::from(draws.below(u32::MAX));
        let all = nearly_balanced(n_cups, per_taster, n_rows, seed)?.blocks;
        blocks.extend(nearly_balanced(n_cups, per_taster, rest, seed)?.blocks);
        // A design that is balanced for all of them may not begin with the smallest one.
        if spread(&all, n_cups) < spread(&blocks, n_cups) {
            blocks = all;
        }
    }
    let mut rows: Vec<Vec<usize>> =
        blocks.iter().map(|b| b.iter().map(|c| letters[*c]).collect()).collect();
    draws.shuffle(&mut rows);
    let rows = most_even(&rows, n_cups, draws);
    let n_for_balance = whole.map(|d| d.blocks.len());
    let balance = BlockBalance::of(&rows, n_cups, n_for_balance);
    Some(Incomplete { rows, balance })
}

/// How far apart the counts of cups and of pairs are.
fn spread(blocks: &[Vec<usize>], n_cups: usize) -> (usize, usize) {
    let balance = BlockBalance::of(blocks, n_cups, None);
    let wide = |(least, most): (usize, usize)| most - least;
    (wide(balance.together), wide(balance.times))
}

/// As many tasters as a session may have.
const MOST_TASTERS: usize = 60;

/// The same blocks in the orders that spread places and neighbours most evenly: from several
/// starts two cups of a row change places as long as that makes the counts more even.
fn most_even(blocks: &[Vec<usize>], n_cups: usize, draws: &mut Draws) -> Vec<Vec<usize>> {
    let mut best: Option<(_, Vec<Vec<usize>>)> = None;
    for _ in 0..STARTS {
        let mut rows = blocks.to_vec();
        rows.iter_mut().for_each(|row| draws.shuffle(row));
        let mut counts = Counts::of(&rows, n_cups);
        let mut least = counts.unevenness();
        let mut moved = true;
        while moved {
            moved = false;
            for row in &mut rows {
                for (i, j) in (0..row.len()).flat_map(|j| (0..j).map(move |i| (i, j))) {
                    counts.take(row);
                    row.swap(i, j);
                    counts.add(row);
                    let now = counts.unevenness();
                    if now < least {
                        least = now;
                        moved = true;
                    } else {
                        counts.take(row);
                        row.swap(i, j);
                        counts.add(row);
                    }
                }
            }
        }
        if best.as_ref().is_none_or(|b| least < b.0) {
            best = Some((least, rows));
        }
    }
    best.map_or_else(|| blocks.to_vec(), |b| b.1)
}
