//! Incomplete blocks for any number of blocks, as nearly balanced as an exchange finds.

use crate::rng::{Stream, stream};
use serde::Serialize;

/// Incomplete blocks, balanced or not.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NearDesign {
    /// The blocks: treatments from 0, ascending.
    pub blocks: Vec<Vec<usize>>,
    /// The fewest and the most blocks in which a treatment stands.
    pub replications: (usize, usize),
    /// The fewest and the most blocks in which two treatments meet.
    pub concurrences: (usize, usize),
}

/// Returns `n_blocks` blocks of `block_size` out of `treatments`, each treatment in as many blocks as
/// the others or one more, and pairs meeting as evenly as an exchange of two treatments between two
/// blocks can make it (the sum of squared concurrences, a small one being called (M,S)-optimal, by
/// descent from 20 seeded starts). `None` when a block does not hold at least two different treatments,
/// there are more than [`super::MOST_TREATMENTS`], or no block is asked for.
///
/// # Source
/// Eccleston JA, Hedayat A (1974) On the theory of connected designs, Annals of Statistics
/// 2:1238-1255, for the criterion (from memory); the exchange is plain descent.
#[must_use]
pub fn nearly_balanced(
    treatments: usize,
    block_size: usize,
    n_blocks: usize,
    seed: u64,
) -> Option<NearDesign> {
    let (t, k) = (treatments, block_size);
    if !(2..=super::MOST_TREATMENTS).contains(&t)
        || !(2..=t).contains(&k)
        || !(1..=10_000).contains(&n_blocks)
    {
        return None;
    }
    let best = (0..20)
        .map(|start| {
            let mut plan = Plan::start(t, k, n_blocks, &mut stream(seed, start));
            plan.descend();
            plan
        })
        .min_by_key(Plan::spread)?;
    Some(best.design())
}

struct Plan {
    t: usize,
    blocks: Vec<Vec<usize>>,
    meets: Vec<i64>,
}

impl Plan {
    /// Blocks filled one after another with the treatments used least so far, ties by lot.
    fn start(t: usize, k: usize, n_blocks: usize, stream: &mut Stream) -> Self {
        let mut used = vec![0_usize; t];
        let mut order: Vec<usize> = (0..t).collect();
        let mut blocks = Vec::with_capacity(n_blocks);
        for _ in 0..n_blocks {
            stream.shuffle(&mut order);
            order.sort_by_key(|x| used[*x]);
            let block = order[..k].to_vec();
            for x in &block {
                used[*x] += 1;
            }
            blocks.push(block);
        }
        let mut meets = vec![0; t * t];
        for block in &blocks {
            for a in block {
                for b in block {
                    meets[a * t + b] += i64::from(a != b);
                }
            }
        }
        Self { t, blocks, meets }
    }

    fn spread(&self) -> i64 {
        self.meets.iter().map(|m| m * m).sum()
    }

    /// What the sum of squared concurrences of all pairs changes by when `x` of block `i` and `y` of
    /// block `j` change places.
    fn gain(&self, i: usize, x: usize, j: usize, y: usize) -> i64 {
        // Each concurrence that falls by one and each that rises by one, one after another, since
        // one pair may do both.
        let mut change: Vec<(usize, i64)> = Vec::with_capacity(4 * self.blocks[i].len());
        for (block, out, into) in [(i, x, y), (j, y, x)] {
            for &other in &self.blocks[block] {
                if other != out {
                    change.push((self.pair(out, other), -1));
                    change.push((self.pair(into, other), 1));
                }
            }
        }
        change.sort_unstable();
        let mut total = 0;
        for same in change.chunk_by(|a, b| a.0 == b.0) {
            let by: i64 = same.iter().map(|c| c.1).sum();
            let now = self.meets[same[0].0];
            total += (now + by) * (now + by) - now * now;
        }
        total
    }

    fn pair(&self, a: usize, b: usize) -> usize {
        a.min(b) * self.t + a.max(b)
    }

    fn exchange(&mut self, i: usize, a: usize, j: usize, b: usize) {
        let (x, y) = (self.blocks[i][a], self.blocks[j][b]);
        for (block, out, into) in [(i, x, y), (j, y, x)] {
            for other in self.blocks[block].iter().copied().filter(|o| *o != out) {
                for (p, by) in [(out, -1), (into, 1)] {
                    self.meets[p * self.t + other] += by;
                    self.meets[other * self.t + p] += by;
                }
            }
        }
        self.blocks[i][a] = y;
        self.blocks[j][b] = x;
    }

    /// Takes exchanges while one makes the concurrences more even.
    fn descend(&mut self) {
        for _ in 0..50 {
            let mut better = false;
            for i in 0..self.blocks.len() {
                for j in i + 1..self.blocks.len() {
                    for a in 0..self.blocks[i].len() {
                        for b in 0..self.blocks[j].len() {
                            let (x, y) = (self.blocks[i][a], self.blocks[j][b]);
                            let twice = self.blocks[i].contains(&y) || self.blocks[j].contains(&x);
                            if !twice && self.gain(i, x, j, y) < 0 {
                                self.exchange(i, a, j, b);
                                better = true;
                            }
                        }
                    }
                }
            }
            if !better {
                return;
            }
        }
    }

    fn design(mut self) -> NearDesign {
        let mut used = vec![0_usize; self.t];
        for block in &mut self.blocks {
            block.sort_unstable();
            for x in block {
                used[*x] += 1;
            }
        }
        let met: Vec<usize> = (0..self.t)
            .flat_map(|a| (a + 1..self.t).map(move |b| (a, b)))
            .map(|(a, b)| usize::try_from(self.meets[a * self.t + b]).unwrap_or(0))
            .collect();
        let range = |all: &[usize]| {
            (all.iter().copied().min().unwrap_or(0), all.iter().copied().max().unwrap_or(0))
        };
        NearDesign { replications: range(&used), concurrences: range(&met), blocks: self.blocks }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn replications_differ_by_one_at_most_and_concurrences_are_counted() {
        for (t, k, b) in [(7, 3, 7), (8, 4, 6), (10, 4, 5), (12, 6, 8), (5, 5, 2)] {
            let near = nearly_balanced(t, k, b, 3).unwrap();
            assert!(near.replications.1 - near.replications.0 <= 1, "{near:?}");
            assert_eq!(near.blocks.iter().map(Vec::len).sum::<usize>(), b * k);
            let meets = |x: usize, y: usize| {
                near.blocks.iter().filter(|b| b.contains(&x) && b.contains(&y)).count()
            };
            let all: Vec<usize> = (0..t)
                .flat_map(|x| (x + 1..t).map(move |y| (x, y)))
                .map(|(x, y)| meets(x, y))
                .collect();
            assert_eq!(all.iter().min(), Some(&near.concurrences.0));
            assert_eq!(all.iter().max(), Some(&near.concurrences.1));
        }
    }

    #[test]
    fn the_plane_of_seven_is_found_by_exchange_too() {
        assert_eq!(nearly_balanced(7, 3, 7, 1).unwrap().concurrences, (1, 1));
    }

    #[test]
    fn what_cannot_be_asked_gives_none() {
        assert_eq!(nearly_balanced(3, 4, 2, 1), None);
        assert_eq!(nearly_balanced(3, 1, 2, 1), None);
        assert_eq!(nearly_balanced(3, 2, 0, 1), None);
    }
}
