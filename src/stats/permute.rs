//! A test of one column beside others by exchanging what the others leave.

mod all;

pub use all::freedman_lane_all;

use crate::least_squares::Basis;
use crate::rng::Stream;
use serde::Serialize;
use thiserror::Error;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PermuteError {
    /// Columns of different lengths.
    #[error("a column has {found} values where {expected} were expected")]
    Length {
        /// Values of the scores.
        expected: usize,
        /// Values found.
        found: usize,
    },
    /// A value that is infinite or not a number.
    #[error("a value is not a finite number")]
    NotFinite,
    /// The other columns explain the one that is tested.
    #[error("the column that is tested depends on the others")]
    Dependent,
    /// The columns leave nothing over.
    #[error("{n} values leave nothing over beside {rank} columns and the one that is tested")]
    TooFew {
        /// Values.
        n: usize,
        /// Independent columns beside the one tested.
        rank: usize,
    },
    /// Every block holds one value only.
    #[error("no two values may be exchanged")]
    NothingToExchange,
}

/// A permutation test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Permuted {
    /// The partial correlation of the tested column with the scores, given the other columns.
    pub correlation: f64,
    /// The share of arrangements whose correlation is at least as large in size, the observed
    /// arrangement among them.
    pub p_value: f64,
    /// Arrangements counted, the observed one among them.
    pub n_arrangements: u64,
    /// Whether these are all there are.
    pub all: bool,
    /// The smallest p that these residuals could give, however they were arranged.
    pub smallest_p: f64,
}

/// Tests one column beside others after Freedman and Lane: the scores' residuals from `others`
/// are exchanged within `blocks`, added to what `others` fit, and each time the partial
/// correlation of `tested` is worked out anew; it orders arrangements as |t| does.
///
/// A column of ones belongs to `others` if the model has a mean. All arrangements are counted if
/// there are at most `n_draws` of them, and the test is then exact but for the estimation of
/// `others`; else `n_draws` random ones and the observed one, `p = (1 + further out) / (1 + n)`.
/// The smallest possible p is the share of arrangements, or of those drawn, that give the largest
/// correlation: exchanges of equals change nothing. It is never less than `1 / (1 + n_draws)`.
///
/// # Errors
/// See [`PermuteError`].
///
/// # Source
/// Freedman D, Lane D (1983), Journal of Business and Economic Statistics 1:292-298; the observed
/// arrangement among the drawn ones: Phipson B, Smyth GK (2010), Statistical Applications in
/// Genetics and Molecular Biology 9(1):39; blocks: Winkler AM et al. (2014), NeuroImage
/// 92:381-397 (citations from memory).
pub fn freedman_lane(
    y: &[f64],
    tested: &[f64],
    others: &[Vec<f64>],
    blocks: &[u32],
    n_draws: usize,
    stream: &mut Stream,
) -> Result<Permuted, PermuteError> {
    let n = y.len();
    let lengths = others.iter().map(Vec::len).chain([tested.len(), blocks.len()]);
    if let Some(found) = lengths.into_iter().find(|l| *l != n) {
        return Err(PermuteError::Length { expected: n, found });
    }
    if !others.iter().flatten().chain(tested).chain(y).all(|v| v.is_finite()) {
        return Err(PermuteError::NotFinite);
    }
    let mut basis = Basis::new(n);
    for column in others {
        basis.push(column);
    }
    let rank = basis.rank();
    if n < rank + 2 {
        return Err(PermuteError::TooFew { n, rank });
    }
    let mut along = tested.to_vec();
    basis.residual(&mut along);
    let size = norm(&along);
    if size <= 1e-9 * norm(tested) || size == 0.0 {
        return Err(PermuteError::Dependent);
    }
    along.iter_mut().for_each(|v| *v /= size);
    let mut rest = y.to_vec();
    basis.residual(&mut rest);
    // Scores that the other columns fit but for rounding hold nothing that could be exchanged.
    if norm(&rest) <= 1e-10 * norm(y) {
        rest.fill(0.0);
    }
    let places = places(blocks);
    let n_all = arrangements(&places).ok_or(PermuteError::NothingToExchange)?;
    // What `others` fit is taken out again by their own residual: only the exchanged rest counts.
    let correlation = |order: &[usize]| {
        let mut moved: Vec<f64> = order.iter().map(|i| rest[*i]).collect();
        basis.residual(&mut moved);
        let whole = norm(&moved);
        if whole <= 0.0 { 0.0 } else { dot(&along, &moved) / whole }
    };
    let mut order: Vec<usize> = (0..n).collect();
    let observed = correlation(&order);
    if n_all <= n_draws as u64 {
        let mut all = vec![observed];
        while next_within(&places, &mut order) {
            all.push(correlation(&order));
        }
        return Ok(counted(&all, true));
    }
    let mut drawn = vec![observed];
    for _ in 0..n_draws {
        for block in &places {
            // Fisher and Yates within the block, from the last place down.
            for last in (1..block.len()).rev() {
                order.swap(block[last], block[stream.below(last + 1)]);
            }
        }
        drawn.push(correlation(&order));
    }
    Ok(counted(&drawn, false))
}

/// The test from the correlations of its arrangements, the observed one first.
fn counted(arranged: &[f64], all: bool) -> Permuted {
    let reached = |bound: f64| {
        let far = arranged.iter().filter(|r| r.abs() >= bound - 1e-9).count();
        far as f64 / arranged.len() as f64
    };
    let largest = arranged.iter().fold(0.0_f64, |a, r| a.max(r.abs()));
    Permuted {
        correlation: arranged[0],
        p_value: reached(arranged[0].abs()),
        n_arrangements: arranged.len() as u64,
        all,
        smallest_p: reached(largest),
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(u, v)| u * v).sum()
}

fn norm(v: &[f64]) -> f64 {
    dot(v, v).sqrt()
}

/// The places of each block that has two or more.
fn places(blocks: &[u32]) -> Vec<Vec<usize>> {
    let mut found: std::collections::BTreeMap<u32, Vec<usize>> = std::collections::BTreeMap::new();
    for (at, block) in blocks.iter().enumerate() {
        found.entry(*block).or_default().push(at);
    }
    found.into_values().filter(|b| b.len() > 1).collect()
}

/// How many arrangements there are; none if nothing can be exchanged.
fn arrangements(places: &[Vec<usize>]) -> Option<u64> {
    (!places.is_empty()).then(|| {
        let of = |n: usize| (1..=n as u64).fold(1_u64, u64::saturating_mul);
        places.iter().fold(1, |all: u64, b| all.saturating_mul(of(b.len())))
    })
}

/// The next arrangement, as an odometer whose wheels are the blocks, each in the order of the
/// dictionary; false when all have been.
fn next_within(places: &[Vec<usize>], order: &mut [usize]) -> bool {
    for block in places {
        if next_of_block(block, order) {
            return true;
        }
    }
    false
}

fn next_of_block(block: &[usize], order: &mut [usize]) -> bool {
    let k = block.len();
    let Some(i) = (0..k - 1).rev().find(|i| order[block[*i]] < order[block[i + 1]]) else {
        for a in 0..k / 2 {
            order.swap(block[a], block[k - 1 - a]);
        }
        return false;
    };
    if let Some(j) = (i + 1..k).rev().find(|j| order[block[*j]] > order[block[i]]) {
        order.swap(block[i], block[j]);
    }
    for a in 0..(k - 1 - i) / 2 {
        order.swap(block[i + 1 + a], block[k - 1 - a]);
    }
    true
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::rng::stream;
    use std::collections::BTreeSet;

    #[test]
    fn every_arrangement_comes_once_and_keeps_to_its_blocks() {
        let blocks = [0, 1, 0, 1, 0, 2];
        let places = places(&blocks);
        assert_eq!(arrangements(&places), Some(12));
        let mut order: Vec<usize> = (0..6).collect();
        let mut seen = BTreeSet::from([order.clone()]);
        while next_within(&places, &mut order) {
            assert!(seen.insert(order.clone()), "twice: {order:?}");
            assert!(order.iter().enumerate().all(|(at, from)| blocks[at] == blocks[*from]));
        }
        assert_eq!(seen.len(), 12);
    }

    #[test]
    fn one_odd_lot_in_each_of_two_blocks_can_never_be_surer_than_its_places() {
        // By hand: 8 places in each block for the odd one, 64 outcomes; the largest and, where the
        // scores are mirrored, no other: at best 1 in 64, whatever number is drawn of 8!².
        let blocks: Vec<u32> = (0..16).map(|i| i / 8).collect();
        let tested: Vec<f64> = (0..16).map(|i| f64::from(u8::from(i % 8 == 0))).collect();
        let y: Vec<f64> = (0..16).map(|i| if i % 8 == 0 { 9.0 } else { 0.3 * i as f64 }).collect();
        let nuisance: Vec<Vec<f64>> =
            (0..2).map(|b| (0..16).map(|i| f64::from(u8::from(i / 8 == b))).collect()).collect();
        let found =
            freedman_lane(&y, &tested, &nuisance, &blocks, 4000, &mut stream(3, 0)).unwrap();
        assert!(!found.all);
        // Four standard errors of a share of 1/64 in 4000 draws.
        let se = (1.0_f64 / 64.0 / 4000.0).sqrt();
        assert!((found.smallest_p - 1.0 / 64.0).abs() < 4.0 * se, "{found:?}");
        assert!(found.p_value >= found.smallest_p);
    }

    #[test]
    fn two_levels_between_four_units_cannot_reach_less_than_a_third() {
        // By hand: 6 ways to choose the two; each and its opposite are equally far out.
        let y = [5.0, 1.0, 6.0, 2.0];
        let x = [1.0, 0.0, 1.0, 0.0];
        let ones = vec![vec![1.0; 4]];
        let p = freedman_lane(&y, &x, &ones, &[0; 4], 2000, &mut stream(1, 0)).unwrap();
        assert!(p.all && p.n_arrangements == 24);
        assert!((p.smallest_p - 1.0 / 3.0).abs() < 1e-12);
        assert!((p.p_value - 1.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn the_correlation_is_the_partial_one() {
        // The partial correlation of three columns by the formula of Yule (1907).
        let y = [2.0, 1.0, 4.0, 3.0, 7.0, 5.0, 8.0];
        let x = [1.0, 3.0, 2.0, 5.0, 4.0, 7.0, 6.0];
        let z = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let r = |a: &[f64], b: &[f64]| crate::links::pearson(a, b).unwrap();
        let (xy, xz, yz) = (r(&x, &y), r(&x, &z), r(&y, &z));
        let expected = (xy - xz * yz) / ((1.0 - xz * xz) * (1.0 - yz * yz)).sqrt();
        let others = vec![vec![1.0; 7], z.to_vec()];
        let p = freedman_lane(&y, &x, &others, &[0; 7], 50, &mut stream(1, 0)).unwrap();
        assert!((p.correlation - expected).abs() < 1e-12);
        assert!(!p.all && (p.smallest_p - 1.0 / 51.0).abs() < 1e-15);
    }

    #[test]
    fn nothing_to_exchange_and_nothing_left_over_are_said() {
        let ones = vec![vec![1.0; 3]];
        let (y, x) = ([1.0, 2.0, 4.0], [0.0, 1.0, 5.0]);
        let refused = |others: &[Vec<f64>], x: &[f64], blocks: &[u32]| {
            freedman_lane(&y, x, others, blocks, 10, &mut stream(1, 0)).unwrap_err()
        };
        assert_eq!(refused(&ones, &x, &[0, 1, 2]), PermuteError::NothingToExchange);
        assert_eq!(refused(&ones, &[2.0; 3], &[0; 3]), PermuteError::Dependent);
        let two = vec![vec![1.0; 3], vec![0.0, 1.0, 0.0]];
        assert_eq!(refused(&two, &x, &[0; 3]), PermuteError::TooFew { n: 3, rank: 2 });
    }
}
