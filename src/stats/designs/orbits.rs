//! Searching designs among unions of whole orbits of blocks.

use super::groups::{Group, tried};
use super::subsets;
use std::collections::HashSet;

/// A block as the set of its treatments.
type Set = u128;

/// So many blocks are listed to find their orbits.
const MOST_LISTED: usize = 60_000;

/// So many sets that a multiplier keeps are tried.
const MOST_FIXED: usize = 2_000;

/// So many looks whether an orbit fits one group may take.
const MOST_LOOKS: usize = 2_000_000;

/// All blocks of size `k`, in lexical order.
pub(super) fn all_subsets(t: usize, k: usize) -> Vec<Vec<usize>> {
    let mut now: Vec<usize> = (0..k).collect();
    let mut all = Vec::new();
    loop {
        all.push(now.clone());
        let Some(at) = (0..k).rev().find(|&i| now[i] < t - k + i) else { return all };
        now[at] += 1;
        for i in at + 1..k {
            now[i] = now[i - 1] + 1;
        }
    }
}

/// Blocks of size `k` in which every two of `t` treatments meet `lambda` times, if orbits are found
/// that give them.
pub(super) fn search(t: usize, k: usize, lambda: usize) -> Option<Vec<Vec<usize>>> {
    let listed = subsets(t, k).is_some_and(|n| n <= MOST_LISTED);
    for group in tried(t) {
        let pairs = PairOrbits::of(t, &group);
        let found = if listed {
            let starts = all_subsets(t, k).iter().map(|b| set(b)).collect();
            choose(&pairs, &group, starts, lambda)
        } else {
            multipliers(group.len())
                .into_iter()
                .find_map(|m| choose(&pairs, &group, fixed_sets(t, k, group.len(), m), lambda))
        };
        if let Some(blocks) = found {
            return Some(blocks.iter().map(|b| members(*b).collect()).collect());
        }
    }
    None
}

fn set(block: &[usize]) -> Set {
    block.iter().fold(0, |all, x| all | 1 << x)
}

fn members(mut block: Set) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        (block != 0).then(|| {
            let x = block.trailing_zeros() as usize;
            block &= block - 1;
            x
        })
    })
}

/// To which orbit each pair of treatments belongs.
struct PairOrbits {
    t: usize,
    of: Vec<usize>,
    sizes: Vec<usize>,
}

impl PairOrbits {
    fn of(t: usize, group: &Group) -> Self {
        let mut of = vec![usize::MAX; t * t];
        let mut sizes = Vec::new();
        for a in 0..t {
            for b in a + 1..t {
                if of[a * t + b] != usize::MAX {
                    continue;
                }
                let mut size = 0;
                for p in group {
                    let (x, y) = (p[a].min(p[b]), p[a].max(p[b]));
                    if of[x * t + y] == usize::MAX {
                        of[x * t + y] = sizes.len();
                        size += 1;
                    }
                }
                sizes.push(size);
            }
        }
        Self { t, of, sizes }
    }

    /// Whether the orbit of a block holds no pair more than `lambda` times.
    fn can_hold(&self, start: Set, group: &Group, lambda: usize) -> bool {
        let image = |p: &Vec<usize>| members(start).fold(0, |image: Set, x| image | 1 << p[x]);
        let kept = group.iter().filter(|p| image(p) == start).count();
        self.held(start, group.len() / kept.max(1)).iter().all(|h| *h <= lambda)
    }

    /// How often the blocks of an orbit hold each pair of each orbit of pairs.
    fn held(&self, start: Set, n_blocks: usize) -> Vec<usize> {
        let own: Vec<usize> = members(start).collect();
        let mut held = vec![0; self.sizes.len()];
        for (i, a) in own.iter().enumerate() {
            for b in &own[i + 1..] {
                held[self.of[a * self.t + b]] += 1;
            }
        }
        // Each block of the orbit holds as many pairs of an orbit of pairs as the first.
        held.iter().zip(&self.sizes).map(|(h, size)| h * n_blocks / size).collect()
    }
}

/// An orbit of blocks.
struct Orbit {
    blocks: Vec<Set>,
    held: Vec<usize>,
}

/// Chooses orbits, each at most once, that together hold every pair `lambda` times.
fn choose(pairs: &PairOrbits, group: &Group, starts: Vec<Set>, lambda: usize) -> Option<Vec<Set>> {
    let mut seen: HashSet<Set> = HashSet::new();
    let mut all: Vec<Orbit> = Vec::new();
    for start in starts {
        if seen.contains(&start) || !pairs.can_hold(start, group, lambda) {
            continue;
        }
        let mut blocks: Vec<Set> =
            group.iter().map(|p| members(start).fold(0, |image, x| image | 1 << p[x])).collect();
        blocks.sort_unstable();
        blocks.dedup();
        seen.extend(&blocks);
        let held = pairs.held(start, blocks.len());
        all.push(Orbit { blocks, held });
    }
    let by_pair: Vec<Vec<usize>> = (0..pairs.sizes.len())
        .map(|p| (0..all.len()).filter(|o| all[*o].held[p] > 0).collect())
        .collect();
    let mut left = vec![lambda; pairs.sizes.len()];
    let mut state =
        Chosen { all: &all, by_pair: &by_pair, taken: vec![false; all.len()], looks: MOST_LOOKS };
    state.fill(&mut left).then(|| {
        let taken = all.iter().zip(&state.taken).filter(|(_, taken)| **taken);
        taken.flat_map(|(orbit, _)| orbit.blocks.iter().copied()).collect()
    })
}

struct Chosen<'a> {
    all: &'a [Orbit],
    by_pair: &'a [Vec<usize>],
    taken: Vec<bool>,
    looks: usize,
}

impl Chosen<'_> {
    fn fits(&self, orbit: usize, left: &[usize]) -> bool {
        !self.taken[orbit] && self.all[orbit].held.iter().zip(left).all(|(h, l)| h <= l)
    }

    /// Goes on where the fewest orbits fit.
    fn fill(&mut self, left: &mut [usize]) -> bool {
        let mut tightest: Option<Vec<usize>> = None;
        for (pair, _) in left.iter().enumerate().filter(|(_, l)| **l > 0) {
            let most = tightest.as_ref().map_or(usize::MAX, Vec::len);
            let mut fitting = Vec::new();
            for &orbit in &self.by_pair[pair] {
                self.looks = self.looks.saturating_sub(1);
                if self.fits(orbit, left) {
                    fitting.push(orbit);
                    if fitting.len() >= most {
                        break;
                    }
                }
            }
            if fitting.is_empty() {
                return false;
            }
            if fitting.len() < most {
                tightest = Some(fitting);
            }
        }
        let Some(fitting) = tightest else { return true };
        let all = self.all;
        for orbit in fitting {
            if self.looks == 0 {
                return false;
            }
            self.taken[orbit] = true;
            for (l, h) in left.iter_mut().zip(&all[orbit].held) {
                *l -= h;
            }
            if self.fill(left) {
                return true;
            }
            self.taken[orbit] = false;
            for (l, h) in left.iter_mut().zip(&all[orbit].held) {
                *l += h;
            }
        }
        false
    }
}

/// Numbers by which a cyclic group of this order can be multiplied: one for each cyclic group of them
/// with three members or more, the largest first.
fn multipliers(order: usize) -> Vec<usize> {
    let mut all: Vec<(usize, Vec<usize>)> = Vec::new();
    for m in 2..order {
        let (mut powers, mut x) = (vec![1 % order], m);
        while x != 1 && powers.len() <= order {
            powers.push(x);
            x = x * m % order;
        }
        powers.sort_unstable();
        if x == 1 && powers.len() > 2 && !all.iter().any(|(_, known)| *known == powers) {
            all.push((m, powers));
        }
    }
    all.sort_by_key(|(_, powers)| std::cmp::Reverse(powers.len()));
    all.into_iter().map(|(m, _)| m).collect()
}

/// Sets of size `k` that a multiplier leaves as they are, treatments beyond the group's order standing
/// still. Where blocks are too many to list these hold the classical difference sets.
fn fixed_sets(t: usize, k: usize, order: usize, multiplier: usize) -> Vec<Set> {
    let mut cycles: Vec<Set> = Vec::new();
    let mut seen: Set = 0;
    for start in 0..t {
        let (mut x, mut cycle): (usize, Set) = (start, 0);
        while seen & (1 << x) == 0 {
            seen |= 1 << x;
            cycle |= 1 << x;
            if x < order {
                x = x * multiplier % order;
            }
        }
        if cycle != 0 {
            cycles.push(cycle);
        }
    }
    let mut all = Vec::new();
    unions(&cycles, k as u32, 0, &mut all);
    all
}

fn unions(cycles: &[Set], room: u32, now: Set, all: &mut Vec<Set>) {
    if room == 0 {
        all.push(now);
        return;
    }
    for (at, cycle) in cycles.iter().enumerate() {
        if all.len() >= MOST_FIXED {
            return;
        }
        let size = cycle.count_ones();
        if size <= room {
            unions(&cycles[at + 1..], room - size, now | cycle, all);
        }
    }
}
