//! Incomplete blocks: designs in which each block holds only some of the treatments.
//!
//! A design is balanced when every two treatments meet in the same number of blocks, so that every
//! comparison is equally precise. Whether a balanced design exists is in general not decided by its
//! counts; what is found here is checked pair by pair before it is returned.
//!
//! # Sources
//! Bose RC (1939) On the construction of balanced incomplete block designs, Annals of Eugenics
//! 9:353-399 (blocks developed under a group); Kramer ES, Mesner DM (1976) t-designs on
//! hypergraphs, Discrete Mathematics 15:263-296 (choosing whole orbits of blocks); Fisher RA (1940)
//! An examination of the different possible solutions of a problem in incomplete blocks, Annals of
//! Eugenics 10:52-75 (never fewer blocks than treatments). Citations from memory.

mod groups;
mod near;
mod orbits;

pub use near::{NearDesign, nearly_balanced};

use serde::Serialize;

/// The most treatments for which a design is looked for.
pub const MOST_TREATMENTS: usize = 100;

/// A balanced incomplete block design.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Design {
    /// Treatments.
    pub treatments: usize,
    /// Treatments in each block.
    pub block_size: usize,
    /// Blocks in which each treatment stands, `r`.
    pub replications: usize,
    /// Blocks in which each pair of treatments meets, `lambda`.
    pub concurrence: usize,
    /// The blocks: treatments from 0, ascending.
    pub blocks: Vec<Vec<usize>>,
}

impl Design {
    /// Takes blocks as a balanced design if they are one: all of one size, no treatment twice in
    /// a block, every treatment from 0 to `treatments - 1` equally often, every two of them together
    /// equally often and at least once, so that `b k = t r` and `lambda (t - 1) = r (k - 1)` (Yates
    /// 1936, from memory). `None` otherwise.
    #[must_use]
    pub fn of_blocks(treatments: usize, blocks: &[Vec<usize>]) -> Option<Self> {
        let block_size = blocks.first()?.len();
        if treatments < 2 || block_size < 2 {
            return None;
        }
        let mut meets = vec![0_usize; treatments * treatments];
        let mut sorted = Vec::with_capacity(blocks.len());
        for block in blocks {
            let mut own = block.clone();
            own.sort_unstable();
            own.dedup();
            if own.len() != block_size || own.last().is_some_and(|x| *x >= treatments) {
                return None;
            }
            for &a in &own {
                for &b in &own {
                    meets[a * treatments + b] += 1;
                }
            }
            sorted.push(own);
        }
        let (replications, concurrence) = (meets[0], meets[1]);
        let balanced = (0..treatments * treatments).all(|at| {
            let own = at / treatments == at % treatments;
            meets[at] == if own { replications } else { concurrence }
        });
        (balanced && concurrence > 0).then_some(Self {
            treatments,
            block_size,
            replications,
            concurrence,
            blocks: sorted,
        })
    }

    /// The efficiency factor `lambda t / (r k)` (Cochran and Cox 1957, chapter 11): how precise a comparison within blocks is beside
    /// complete blocks with as many cups and the same spread within a block (1 = as precise).
    #[must_use]
    pub fn efficiency(&self) -> f64 {
        (self.concurrence * self.treatments) as f64 / (self.replications * self.block_size) as f64
    }
}

/// Returns a balanced incomplete block design of `treatments` in blocks of `block_size` with the
/// fewest blocks that could be found, at most `max_blocks`; `None` when there is none within these
/// bounds or none was found.
///
/// The counts must fit (`b k = t r`, `lambda (t - 1) = r (k - 1)`, `b >= t` for `k < t`: necessary,
/// not sufficient). Designs of whole orbits of blocks are then searched under cyclic and abelian groups
/// that move the treatments, with and without fixed points, with and without multipliers; for `k > t/2`
/// the blocks are the complements of a design in blocks of `t - k`; last come all blocks there are.
/// The search is bounded, the same on every machine, and what is returned is checked pair by pair.
/// Of the 62 sets of counts with `r <= 10` in Cochran and Cox (1957, chapter 11) it misses four: t = 21, 25,
/// 28 and 31 in blocks of 7, 9, 7 and 10. With `k = t` the one complete block is returned.
#[must_use]
pub fn balanced_incomplete(
    treatments: usize,
    block_size: usize,
    max_blocks: usize,
) -> Option<Design> {
    let (t, k) = (treatments, block_size);
    if !(2..=MOST_TREATMENTS).contains(&t) || !(2..=t).contains(&k) || max_blocks == 0 {
        return None;
    }
    if k == t {
        return Design::of_blocks(t, &[(0..t).collect()]);
    }
    let small = k.min(t - k);
    let complement = |blocks: Vec<Vec<usize>>| -> Vec<Vec<usize>> {
        if small == k {
            return blocks;
        }
        blocks.iter().map(|b| (0..t).filter(|x| !b.contains(x)).collect()).collect()
    };
    if small == 1 {
        let singles = (0..t).map(|x| vec![x]).collect();
        return (t <= max_blocks).then(|| Design::of_blocks(t, &complement(singles))).flatten();
    }
    for lambda in 1.. {
        let pairs = lambda * (t - 1);
        let replications = pairs / (small - 1);
        let n_blocks = replications * t / small;
        if n_blocks > max_blocks {
            return None;
        }
        if pairs % (small - 1) != 0 || (replications * t) % small != 0 || n_blocks < t {
            continue;
        }
        // All blocks there are come with the largest lambda that is ever needed.
        let blocks = if Some(n_blocks) == subsets(t, small) {
            Some(orbits::all_subsets(t, small))
        } else {
            orbits::search(t, small, lambda)
        };
        if let Some(found) = blocks.and_then(|b| Design::of_blocks(t, &complement(b))) {
            return Some(found);
        }
    }
    None
}

/// How many subsets of size `k` a set of `t` has; `None` beyond what a list can hold.
fn subsets(t: usize, k: usize) -> Option<usize> {
    let mut n: usize = 1;
    for i in 0..k {
        n = n.checked_mul(t - i)? / (i + 1);
    }
    Some(n)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_balanced_is_no_design() {
        let plane = vec![
            vec![0, 1, 3],
            vec![1, 2, 4],
            vec![2, 3, 5],
            vec![3, 4, 6],
            vec![4, 5, 0],
            vec![5, 6, 1],
        ];
        assert_eq!(Design::of_blocks(7, &plane), None);
        let mut plane = plane;
        plane.push(vec![6, 0, 2]);
        let design = Design::of_blocks(7, &plane).unwrap();
        assert_eq!((design.replications, design.concurrence), (3, 1));
        plane[0][0] = 7;
        assert_eq!(Design::of_blocks(7, &plane), None);
        assert_eq!(Design::of_blocks(3, &[vec![0, 0, 1]]), None);
        assert_eq!(Design::of_blocks(0, &[]), None);
    }

    #[test]
    fn bounds_are_kept() {
        assert_eq!(balanced_incomplete(7, 3, 6), None);
        assert_eq!(balanced_incomplete(7, 3, 7).unwrap().blocks.len(), 7);
        assert_eq!(balanced_incomplete(1, 1, 9), None);
        assert_eq!(balanced_incomplete(5, 6, 99), None);
        assert_eq!(balanced_incomplete(5, 1, 99), None);
        assert_eq!(balanced_incomplete(101, 2, 99_999), None);
        assert_eq!(balanced_incomplete(4, 4, 3).unwrap().blocks, [[0, 1, 2, 3]]);
    }
}
