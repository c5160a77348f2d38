//! Agreement of rankings: Kendall's W, its chance level, and Friedman's test.

use crate::dist::{chi2_sf, f_sf, t_quantile_upper};
use crate::rng::{quantile_of_sorted, replicates};
use serde::Serialize;
use std::collections::BTreeMap;
use thiserror::Error;

/// Why W cannot be computed.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum KendallError {
    /// Fewer than two lots or tasters.
    #[error("{n_lots} lots by {n_tasters} tasters: a ranking needs two of each")]
    TooSmall {
        /// Rows.
        n_lots: usize,
        /// Columns.
        n_tasters: usize,
    },
    /// Rows of different length.
    #[error("lot {lot} has {found} scores, the first one has {expected}")]
    Ragged {
        /// Row, from 0.
        lot: usize,
        /// Length of the row.
        found: usize,
        /// Length of the first row.
        expected: usize,
    },
    /// A score that is infinite or not a number.
    #[error("lot {lot}, taster {taster}: {found} is not a finite number")]
    NotFinite {
        /// Row, from 0.
        lot: usize,
        /// Column, from 0.
        taster: usize,
        /// What stood there.
        found: f64,
    },
    /// Every taster gave the same score to all lots.
    #[error("every taster scored all lots alike, so there is no ranking")]
    AllTied,
    /// A permutation count of zero.
    #[error("a chance level needs at least one permutation")]
    NoPermutations,
}

/// How the permutation p-value was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PermutationMethod {
    /// All arrangements of every taster's ranks were counted.
    Exact,
    /// Random arrangements; `p = (1 + hits) / (1 + n)`.
    Random {
        /// Arrangements drawn.
        n_permutations: usize,
        /// The seed of the draw.
        seed: u64,
    },
}

/// A permutation p-value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PermutationP {
    /// Chance of a W at least as large when every taster's ranks are put in random order.
    pub p_value: f64,
    /// Exact or random.
    pub method: PermutationMethod,
}

/// Kendall's W and the tests made from it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Kendall {
    /// Coefficient of concordance with tie correction, 0 to 1.
    pub w: f64,
    /// The same without tie correction.
    pub w_uncorrected: f64,
    /// Sum of the tasters' mid-ranks for each lot; rank 1 is the lowest score.
    pub rank_sums: Vec<f64>,
    /// Sum of squared deviations of the rank sums from their mean.
    pub s: f64,
    /// For each taster the sum of `t^3 - t` over groups of t tied lots.
    pub ties: Vec<f64>,
    /// Lots.
    pub n_lots: usize,
    /// Tasters.
    pub n_tasters: usize,
    /// Friedman's statistic with tie correction, `k (n - 1) W`.
    pub chi2: f64,
    /// Its degrees of freedom, n - 1.
    pub chi2_df: f64,
    /// Its upper tail; rough for few tasters.
    pub chi2_p: f64,
    /// Iman and Davenport's F, infinite when all rankings are equal.
    pub f: f64,
    /// Numerator degrees of freedom, n - 1.
    pub f_df1: f64,
    /// Denominator degrees of freedom, (n - 1)(k - 1).
    pub f_df2: f64,
    /// Its upper tail.
    pub f_p: f64,
    /// Mean of Spearman's rho over pairs of tasters, `(k W - 1)/(k - 1)`; exact without ties.
    pub mean_spearman: f64,
}

/// W when the tasters order the lots at random.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChanceLevel {
    /// Mean of W; in theory 1/k.
    pub mean: f64,
    /// The value that chance passes in 5% of tables.
    pub point_95: f64,
    /// Random tables drawn.
    pub n_permutations: usize,
    /// The seed of the draw.
    pub seed: u64,
}

/// Friedman's test with the least significant difference of the rank sums.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Friedman {
    /// Statistic with tie correction.
    pub chi2: f64,
    /// Degrees of freedom, n - 1.
    pub df: f64,
    /// Upper tail of chi-square.
    pub p_value: f64,
    /// Sum of the ranks of each lot.
    pub rank_sums: Vec<f64>,
    /// Two rank sums further apart than this differ at `level`, taken pair by pair;
    /// to be used only after a significant test.
    pub least_significant_difference: f64,
    /// The level of that difference.
    pub level: f64,
}

/// Returns the mid-ranks of `values`: 1 for the lowest, the mean of the places for ties
/// (Kendall 1945, Biometrika 33:239-251; citation from memory).
pub fn mid_ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut from = 0;
    while from < order.len() {
        let mut to = from + 1;
        while to < order.len() && values[order[to]] == values[order[from]] {
            to += 1;
        }
        for &at in &order[from..to] {
            ranks[at] = (from + 1 + to) as f64 / 2.0;
        }
        from = to;
    }
    ranks
}

/// The ranks, doubled so that they are whole numbers, one row a taster.
struct Ranked {
    doubled: Vec<Vec<i64>>,
    ties: Vec<f64>,
    n: usize,
    k: usize,
}

impl Ranked {
    fn new(lots: &[Vec<f64>]) -> Result<Self, KendallError> {
        let n = lots.len();
        let k = lots.first().map_or(0, Vec::len);
        for (lot, row) in lots.iter().enumerate() {
            if row.len() != k {
                return Err(KendallError::Ragged { lot, found: row.len(), expected: k });
            }
            if let Some(taster) = row.iter().position(|v| !v.is_finite()) {
                return Err(KendallError::NotFinite { lot, taster, found: row[taster] });
            }
        }
        if n < 2 || k < 2 {
            return Err(KendallError::TooSmall { n_lots: n, n_tasters: k });
        }
        let doubled: Vec<Vec<i64>> = (0..k)
            .map(|taster| {
                // Adding 0 makes -0 and 0 a tie.
                let own: Vec<f64> = lots.iter().map(|row| row[taster] + 0.0).collect();
                mid_ranks(&own).iter().map(|r| (2.0 * r).round() as i64).collect()
            })
            .collect();
        let ties: Vec<f64> = doubled
            .iter()
            .map(|ranks| {
                let mut count: BTreeMap<i64, f64> = BTreeMap::new();
                for &r in ranks {
                    *count.entry(r).or_default() += 1.0;
                }
                count.values().map(|t| t * t * t - t).sum()
            })
            .collect();
        let all_tied = (n * n * n - n) as f64;
        if ties.iter().all(|&t| t == all_tied) {
            return Err(KendallError::AllTied);
        }
        Ok(Self { doubled, ties, n, k })
    }

    fn sums(&self) -> Vec<i64> {
        (0..self.n).map(|lot| self.doubled.iter().map(|r| r[lot]).sum()).collect()
    }

    /// Four times s, a whole number: the sums are doubled ranks about `k (n + 1)`.
    fn s4(&self, sums: &[i64]) -> i64 {
        self.s4_of(sums.iter().copied())
    }

    fn s4_of(&self, sums: impl Iterator<Item = i64>) -> i64 {
        let mean = (self.k * (self.n + 1)) as i64;
        sums.map(|r| (r - mean) * (r - mean)).sum()
    }

    fn w(&self, s4: i64) -> f64 {
        let (n, k) = (self.n as f64, self.k as f64);
        let s = s4 as f64 / 4.0;
        12.0 * s / (k * k * (n * n * n - n) - k * self.ties.iter().sum::<f64>())
    }

    fn random_s4(&self, stream: &mut crate::rng::Stream) -> i64 {
        let mut sums = self.doubled[0].clone();
        let mut own = Vec::with_capacity(self.n);
        for ranks in &self.doubled[1..] {
            own.clone_from(ranks);
            stream.shuffle(&mut own);
            for (sum, r) in sums.iter_mut().zip(&own) {
                *sum += r;
            }
        }
        self.s4(&sums)
    }
}

/// Returns Kendall's coefficient of concordance of a complete table, one row a lot and one
/// column a taster.
///
/// Each taster's scores become mid-ranks R; with rank sums R_j, n lots and k tasters
/// `s = sum (R_j - k(n + 1)/2)^2` and `W = 12 s / (k^2 (n^3 - n) - k sum T)`, `T` the sum of
/// `t^3 - t` over a taster's ties. `chi2 = k (n - 1) W` on n - 1 df;
/// `F = (k - 1) chi2 / (k (n - 1) - chi2)` on n - 1 and (n - 1)(k - 1) df. W is blind to
/// offsets and to the width of a taster's scale, and chance alone gives 1/k on average: see
/// [`chance_level`].
///
/// # Errors
/// [`KendallError`]: fewer than two lots or tasters, ragged rows, a score that is not a
/// number, or no ranking at all.
///
/// # Source
/// Kendall MG (1948), Rank Correlation Methods; Iman RL, Davenport JM (1980),
/// Communications in Statistics A9:571-595.
pub fn kendall_w(lots: &[Vec<f64>]) -> Result<Kendall, KendallError> {
    let ranked = Ranked::new(lots)?;
    let sums = ranked.sums();
    let s4 = ranked.s4(&sums);
    let (n, k) = (ranked.n as f64, ranked.k as f64);
    let w = ranked.w(s4);
    let chi2 = k * (n - 1.0) * w;
    let f_df1 = n - 1.0;
    let f_df2 = (n - 1.0) * (k - 1.0);
    let rest = 1.0 - w;
    // Rounding may leave a W of 1 a hair off it.
    let f = if rest < 1e-12 { f64::INFINITY } else { (k - 1.0) * w / rest };
    Ok(Kendall {
        w,
        w_uncorrected: 3.0 * s4 as f64 / (k * k * (n * n * n - n)),
        rank_sums: sums.iter().map(|&r| r as f64 / 2.0).collect(),
        s: s4 as f64 / 4.0,
        n_lots: ranked.n,
        n_tasters: ranked.k,
        chi2,
        chi2_df: n - 1.0,
        chi2_p: chi2_sf(chi2, n - 1.0),
        f,
        f_df1,
        f_df2,
        f_p: if f.is_finite() { f_sf(f, f_df1, f_df2) } else { 0.0 },
        mean_spearman: (k * w - 1.0) / (k - 1.0),
        ties: ranked.ties,
    })
}

/// The most additions an exact count may take (well under a second).
const EXACT_WORK: usize = 4_000_000;

/// Returns the permutation p-value of W: the chance of a W at least as large when every
/// taster's own ranks (ties kept) come in random order.
///
/// Counted exactly when that takes at most 4*10^6 additions (up to seven lots, a few
/// tasters), else from `n_permutations` random arrangements with the given seed, as
/// `(1 + hits) / (1 + n_permutations)`, which can never be 0.
///
/// # Errors
/// Those of [`kendall_w`], and [`KendallError::NoPermutations`].
///
/// # Source
/// The randomisation distribution of W: Kendall MG, Babington Smith B (1939), Annals of
/// Mathematical Statistics 10:275-287 (from memory); (1 + hits) / (1 + draws): Phipson B, Smyth GK
/// (2010), Statistical Applications in Genetics and Molecular Biology 9:39 (from memory).
pub fn permutation_p(
    lots: &[Vec<f64>],
    n_permutations: usize,
    seed: u64,
) -> Result<PermutationP, KendallError> {
    let ranked = Ranked::new(lots)?;
    let observed = ranked.s4(&ranked.sums());
    if let Some(p_value) = exact_p(&ranked, observed) {
        return Ok(PermutationP { p_value, method: PermutationMethod::Exact });
    }
    if n_permutations == 0 {
        return Err(KendallError::NoPermutations);
    }
    let hits = replicates(n_permutations, seed, |stream| ranked.random_s4(stream) >= observed)
        .into_iter()
        .filter(|hit| *hit)
        .count();
    Ok(PermutationP {
        p_value: (1 + hits) as f64 / (1 + n_permutations) as f64,
        method: PermutationMethod::Random { n_permutations, seed },
    })
}

/// Adds one taster after another. Lots are exchangeable under the hypothesis, so only the
/// sorted rank sums matter, which keeps the number of cases small.
fn exact_p(ranked: &Ranked, observed: i64) -> Option<f64> {
    if ranked.n > 7 {
        return None;
    }
    let mut first = ranked.doubled[0].clone();
    first.sort_unstable();
    let mut cases: BTreeMap<Vec<i64>, f64> = BTreeMap::from([(first, 1.0)]);
    let (last, middle) = ranked.doubled[1..].split_last()?;
    let mut work = 0;
    for ranks in middle {
        let orders = distinct_orders(ranks);
        // Sorting and looking up cost some ten times an addition.
        work += 10 * cases.len() * orders.len() * ranked.n;
        if work > EXACT_WORK {
            return None;
        }
        let share = 1.0 / orders.len() as f64;
        let mut next: BTreeMap<Vec<i64>, f64> = BTreeMap::new();
        for (sums, chance) in &cases {
            for order in &orders {
                let mut added: Vec<i64> = sums.iter().zip(order).map(|(s, r)| s + r).collect();
                added.sort_unstable();
                *next.entry(added).or_default() += chance * share;
            }
        }
        cases = next;
    }
    // The last taster's cases need not be kept apart.
    let orders = distinct_orders(last);
    if work + cases.len() * orders.len() * ranked.n > EXACT_WORK {
        return None;
    }
    let mut p = 0.0;
    for (sums, chance) in &cases {
        let hits = orders
            .iter()
            .filter(|order| {
                let added = sums.iter().zip(*order).map(|(s, r)| s + r);
                ranked.s4_of(added) >= observed
            })
            .count();
        p += chance * hits as f64 / orders.len() as f64;
    }
    Some(p.min(1.0))
}

/// All different arrangements, in lexical order (each stands for equally many permutations).
fn distinct_orders(ranks: &[i64]) -> Vec<Vec<i64>> {
    let mut now = ranks.to_vec();
    now.sort_unstable();
    let mut all = vec![now.clone()];
    while let Some(pivot) = (1..now.len()).rev().find(|&i| now[i - 1] < now[i]) {
        let head = now[pivot - 1];
        let swap = (pivot..now.len()).rev().find(|&i| now[i] > head).unwrap_or(pivot);
        now.swap(pivot - 1, swap);
        now[pivot..].reverse();
        all.push(now.clone());
    }
    all
}

/// Returns what W comes to when the tasters of this very table, with their own ties, order
/// the lots at random: the mean (in theory 1/k) and the 95% point. By random arrangements with the
/// given seed, as in [`permutation_p`] (definition).
///
/// # Errors
/// Those of [`kendall_w`], and [`KendallError::NoPermutations`].
pub fn chance_level(
    lots: &[Vec<f64>],
    n_permutations: usize,
    seed: u64,
) -> Result<ChanceLevel, KendallError> {
    let ranked = Ranked::new(lots)?;
    if n_permutations == 0 {
        return Err(KendallError::NoPermutations);
    }
    let mut drawn = replicates(n_permutations, seed, |stream| ranked.w(ranked.random_s4(stream)));
    let mean = drawn.iter().sum::<f64>() / n_permutations as f64;
    drawn.sort_by(f64::total_cmp);
    Ok(ChanceLevel {
        mean,
        point_95: quantile_of_sorted(&drawn, 0.95).ok_or(KendallError::NoPermutations)?,
        n_permutations,
        seed,
    })
}

/// Returns Friedman's test of a complete table, one row a lot and one column a taster (the
/// block), with the least significant difference of two rank sums.
///
/// The statistic is `k (n - 1) W` of [`kendall_w`], ties corrected.
/// `LSD = t sqrt(2 (k A - sum R_j^2) / ((n - 1)(k - 1)))`, A the sum of all squared ranks and
/// t the two-sided point of `level` on (n - 1)(k - 1) df.
///
/// # Errors
/// Those of [`kendall_w`].
///
/// # Source
/// Friedman M (1937), JASA 32:675-701; Conover WJ (1999), Practical Nonparametric
/// Statistics, 3rd ed., section 5.8 (formula of the difference from memory).
pub fn friedman(lots: &[Vec<f64>], level: f64) -> Result<Friedman, KendallError> {
    let kendall = kendall_w(lots)?;
    let ranked = Ranked::new(lots)?;
    let a: f64 = ranked.doubled.iter().flatten().map(|&r| (r as f64 / 2.0).powi(2)).sum();
    let squares: f64 = kendall.rank_sums.iter().map(|r| r * r).sum();
    let df = kendall.f_df2;
    let spread = (kendall.n_tasters as f64 * a - squares).max(0.0);
    Ok(Friedman {
        chi2: kendall.chi2,
        df: kendall.chi2_df,
        p_value: kendall.chi2_p,
        rank_sums: kendall.rank_sums,
        least_significant_difference: t_quantile_upper(level / 2.0, df)
            * (2.0 * spread / df).sqrt(),
        level,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn equal_rankings_agree_fully() {
        let lots: Vec<Vec<f64>> = (0..5).map(|l| vec![f64::from(l); 3]).collect();
        let got = kendall_w(&lots).unwrap();
        assert_eq!((got.w, got.f, got.f_p), (1.0, f64::INFINITY, 0.0));
    }

    #[test]
    fn what_has_no_ranking_says_why() {
        assert_eq!(kendall_w(&[vec![1.0; 3], vec![1.0; 3]]), Err(KendallError::AllTied));
        assert!(matches!(kendall_w(&[]), Err(KendallError::TooSmall { .. })));
        assert!(matches!(
            kendall_w(&[vec![1.0, 2.0], vec![1.0]]),
            Err(KendallError::Ragged { lot: 1, .. })
        ));
        assert!(matches!(
            kendall_w(&[vec![1.0, f64::NAN], vec![1.0, 2.0]]),
            Err(KendallError::NotFinite { .. })
        ));
    }

    // The exact count and random arrangements are two routes to one p-value: four standard
    // errors of 20000 draws are .014 at most.
    #[test]
    fn the_exact_and_the_random_p_agree() {
        let lots = [
            vec![1.0, 2.0, 1.0, 3.0],
            vec![2.0, 1.0, 1.0, 1.0],
            vec![3.0, 3.0, 2.0, 2.0],
            vec![3.0, 4.0, 5.0, 4.0],
            vec![5.0, 4.0, 3.0, 5.0],
        ];
        let ranked = Ranked::new(&lots).unwrap();
        let observed = ranked.s4(&ranked.sums());
        let exact = exact_p(&ranked, observed).unwrap();
        let hits = replicates(20_000, 8, |stream| ranked.random_s4(stream) >= observed);
        let share = hits.iter().filter(|h| **h).count() as f64 / 20_000.0;
        assert!((exact - share).abs() < 0.014, "{exact} {share}");
    }
}
