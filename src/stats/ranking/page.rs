//! Page's test: do rankings follow an order that was stated beforehand?

use super::RankingError;
use crate::dist::normal_sf;
use crate::kendall::mid_ranks;
use crate::rng::replicates;
use serde::Serialize;
use std::collections::BTreeMap;

/// Page's test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Page {
    /// The sum of stated place times rank sum.
    pub l: f64,
    /// Its mean when ranks come in random order.
    pub mean: f64,
    /// Its standard deviation then.
    pub sd: f64,
    /// Upper normal tail.
    pub p_normal: f64,
    /// Chance of an L as large when every block's ranks are dealt anew; exact where they could all be
    /// counted.
    pub p_value: f64,
    /// Whether all deals were counted.
    pub exact: bool,
}

/// So many samples are counted exactly: all orders of a block are listed.
const MOST_COUNTED: usize = 7;

/// Returns Page's test of complete blocks, each a list of the samples' values in the stated order, the
/// one expected lowest first.
///
/// `L = sum_j j R_j`, `R_j` the rank sum of the sample in place j. Its mean is `J n (n + 1)^2/4` and its
/// variance the sum over blocks of `n (n + 1)/12` times the block's spread of ranks
/// (`J n^2 (n + 1)^2 (n - 1)/144` without ties). The tail is counted over all deals of each block's own
/// ranks for up to 7 samples, else from `n_permutations` random ones.
///
/// # Errors
/// Fewer than two samples, blocks of unlike length or with a value that is no number, or no order at all.
///
/// # Source
/// Page EB (1963) Ordered hypotheses for multiple treatments, JASA 58:216-230 (citation from memory).
pub fn page(blocks: &[Vec<f64>], n_permutations: usize, seed: u64) -> Result<Page, RankingError> {
    let n = blocks.first().map_or(0, Vec::len);
    if n < 2 {
        return Err(RankingError::TooFew(n));
    }
    let mut ranked = Vec::with_capacity(blocks.len());
    for (block, values) in blocks.iter().enumerate() {
        if values.len() != n {
            return Err(RankingError::TooFew(values.len()));
        }
        if let Some(found) = values.iter().find(|v| !v.is_finite()) {
            return Err(RankingError::NotFinite { block, found: *found });
        }
        let values: Vec<f64> = values.iter().map(|v| v + 0.0).collect();
        // Doubled ranks are whole numbers.
        let doubled: Vec<i64> =
            mid_ranks(&values).iter().map(|r| (2.0 * r).round() as i64).collect();
        ranked.push(doubled);
    }
    let product =
        |ranks: &[i64]| -> i64 { ranks.iter().enumerate().map(|(j, r)| (j as i64 + 1) * r).sum() };
    let seen: i64 = ranked.iter().map(|r| product(r)).sum();
    let n_f = n as f64;
    let variance: f64 = ranked
        .iter()
        .map(|ranks| {
            let spread: f64 =
                ranks.iter().map(|r| (*r as f64 / 2.0 - 0.5 * (n_f + 1.0)).powi(2)).sum();
            spread * n_f * (n_f + 1.0) / 12.0
        })
        .sum();
    if variance == 0.0 {
        return Err(RankingError::AllTied);
    }
    let (l, mean) = (seen as f64 / 2.0, blocks.len() as f64 * n_f * (n_f + 1.0).powi(2) / 4.0);
    let exact = n <= MOST_COUNTED;
    let p_value = if exact {
        counted(&ranked, seen, &product)
    } else {
        let hits = replicates(n_permutations, seed, |stream| {
            let mut sum = 0;
            for ranks in &ranked {
                let mut own = ranks.clone();
                stream.shuffle(&mut own);
                sum += product(&own);
            }
            sum >= seen
        });
        let n_hits = hits.into_iter().filter(|hit| *hit).count();
        (1 + n_hits) as f64 / (1 + n_permutations) as f64
    };
    let sd = variance.sqrt();
    Ok(Page { l, mean, sd, p_normal: normal_sf((l - mean) / sd), p_value, exact })
}

/// The tail over all deals: the blocks' distributions folded.
fn counted(ranked: &[Vec<i64>], seen: i64, product: &dyn Fn(&[i64]) -> i64) -> f64 {
    let mut known: BTreeMap<Vec<i64>, BTreeMap<i64, f64>> = BTreeMap::new();
    let mut sums: BTreeMap<i64, f64> = BTreeMap::from([(0, 1.0)]);
    for ranks in ranked {
        let mut sorted = ranks.clone();
        sorted.sort_unstable();
        let own = known.entry(sorted.clone()).or_insert_with(|| {
            let mut all: BTreeMap<i64, f64> = BTreeMap::new();
            let mut n = 0.0;
            orders(&mut sorted, 0, &mut |order| {
                *all.entry(product(order)).or_default() += 1.0;
                n += 1.0;
            });
            all.values_mut().for_each(|share| *share /= n);
            all
        });
        let mut next: BTreeMap<i64, f64> = BTreeMap::new();
        for (a, p) in &sums {
            for (b, q) in own.iter() {
                *next.entry(a + b).or_default() += p * q;
            }
        }
        sums = next;
    }
    sums.range(seen..).map(|(_, p)| p).sum::<f64>().min(1.0)
}

/// All orders of a list, equal ones counted apart.
fn orders(list: &mut [i64], from: usize, each: &mut dyn FnMut(&[i64])) {
    if from + 1 >= list.len() {
        each(list);
        return;
    }
    for i in from..list.len() {
        list.swap(from, i);
        orders(list, from + 1, each);
        list.swap(from, i);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Blocks with a given L: all in order, but for some that are turned round or shifted.
    fn p_of(l: i64, n: usize, n_blocks: usize) -> f64 {
        let ranked: Vec<Vec<i64>> =
            vec![(1..=n as i64).map(|r| 2 * r).collect::<Vec<_>>(); n_blocks];
        counted(&ranked, 2 * l, &|ranks| {
            ranks.iter().enumerate().map(|(j, r)| (j as i64 + 1) * r).sum()
        })
    }

    // Page 1963, table of critical values (from memory): the least L with a tail of at most .05 and .01.
    #[test]
    fn critical_values_are_the_printed_ones() {
        for (n, n_blocks, l05, l01) in
            [(3, 3, 41, 42), (3, 5, 66, 68), (4, 3, 84, 87), (4, 4, 111, 114), (5, 3, 150, 155)]
        {
            for (l, alpha) in [(l05, 0.05), (l01, 0.01)] {
                assert!(p_of(l, n, n_blocks) <= alpha, "{n} {n_blocks} {l}");
                assert!(p_of(l - 1, n, n_blocks) > alpha, "{n} {n_blocks} {l}");
            }
        }
    }

    #[test]
    fn counting_and_dealing_agree() {
        let blocks =
            vec![vec![1.0, 2.0, 2.0, 4.0], vec![1.0, 3.0, 2.0, 4.0], vec![2.0, 1.0, 3.0, 3.0]];
        let got = page(&blocks, 0, 1).unwrap();
        assert!(got.exact);
        // The same four with four more tied for ever above them: dealt, not counted.
        let hits = replicates(40_000, 3, |stream| {
            let mut sum = 0.0;
            for block in &blocks {
                let mut own = mid_ranks(block);
                stream.shuffle(&mut own);
                sum += own.iter().enumerate().map(|(j, r)| (j + 1) as f64 * r).sum::<f64>();
            }
            sum
        });
        let share = hits.iter().filter(|l| **l >= got.l - 1e-9).count() as f64 / 40_000.0;
        let mean = hits.iter().sum::<f64>() / 40_000.0;
        let sd = (hits.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 40_000.0).sqrt();
        // Four standard errors of 40 000 deals.
        assert!((got.p_value - share).abs() < 0.01, "{got:?} {share}");
        assert!((got.mean - mean).abs() < 4.0 * sd / 200.0 && (got.sd - sd).abs() < 0.05);
    }

    #[test]
    fn errors_say_why() {
        assert_eq!(page(&[], 9, 1), Err(RankingError::TooFew(0)));
        assert_eq!(page(&[vec![1.0, 1.0]], 9, 1), Err(RankingError::AllTied));
        assert_eq!(page(&[vec![1.0, 2.0], vec![1.0]], 9, 1), Err(RankingError::TooFew(1)));
    }
}
