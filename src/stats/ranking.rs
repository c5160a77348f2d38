//! Rankings: do tasters who put samples in order agree on which has more?
//!
//! Each taster's order of the samples served together is a block; blocks may be complete, balanced and
//! incomplete, or have gaps. One statistic serves all three: where blocks are complete it is Friedman's
//! with ties, where they are balanced and incomplete and without ties Durbin's, else Skillings and Mack's.

mod page;

pub use page::{Page, page};

use crate::dist::{chi2_sf, normal_quantile_upper, normal_sf};
use crate::kendall::mid_ranks;
use crate::multiple::holm;
use crate::range::{StudentizedRange, studentized_range_quantile};
use crate::rng::{Stream, replicates};
use serde::Serialize;
use thiserror::Error;

/// Why rankings cannot be compared.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum RankingError {
    /// Fewer than two samples.
    #[error("{0} samples: an order needs two")]
    TooFew(usize),
    /// A sample that is not among the samples.
    #[error("block {block} names sample {sample}, but there are only {samples}")]
    Unknown {
        /// Block, from 0.
        block: usize,
        /// The sample, from 0.
        sample: usize,
        /// How many samples.
        samples: usize,
    },
    /// A sample that stands twice in a block.
    #[error("block {block} has sample {sample} twice")]
    Twice {
        /// Block, from 0.
        block: usize,
        /// The sample, from 0.
        sample: usize,
    },
    /// A value that is infinite or not a number.
    #[error("block {block} has {found} where a finite number was expected")]
    NotFinite {
        /// Block, from 0.
        block: usize,
        /// What stood there.
        found: f64,
    },
    /// Nobody put two samples apart.
    #[error("no taster put any two samples in order")]
    AllTied,
    /// Samples that no chain of blocks compares.
    #[error("the samples fall into groups that nobody compared with each other")]
    NotConnected,
}

/// How the samples were spread over the blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Layout {
    /// Every taster ranked every sample: Friedman's test.
    Complete,
    /// Every taster ranked as many samples, every two meet equally often: Durbin's test.
    Balanced,
    /// Neither: Skillings and Mack's test.
    Unbalanced,
}

/// Two samples.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RankedPair {
    /// First sample.
    pub a: usize,
    /// Second sample.
    pub b: usize,
    /// Difference of their effects over its standard deviation when nobody has a preference; above
    /// 0 when `a` has the higher ranks.
    pub z: f64,
    /// Two-sided normal tail, this pair alone.
    pub p_value: f64,
    /// The same adjusted over all pairs by Holm.
    pub p_holm: f64,
    /// The tail of the range of as many samples, all pairs at once.
    pub p_range: f64,
}

/// What rankings say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ranking {
    /// How the samples were spread.
    pub layout: Layout,
    /// Samples.
    pub n_samples: usize,
    /// Blocks of two samples or more.
    pub n_blocks: usize,
    /// Sum of each sample's ranks in its blocks, 1 for the lowest value.
    pub rank_sums: Vec<f64>,
    /// Blocks in which each sample stands.
    pub n_ranked: Vec<usize>,
    /// What each sample's mean rank would be had every block held every sample (complete blocks: its
    /// mean rank).
    pub adjusted_mean_ranks: Vec<f64>,
    /// The statistic.
    pub statistic: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// Upper tail of chi-square; rough for few blocks.
    pub p_chi2: f64,
    /// Chance of a statistic as large when every block's ranks are dealt anew:
    /// `(1 + hits)/(1 + n_permutations)`.
    pub p_permutation: f64,
    /// Deals drawn.
    pub n_permutations: usize,
    /// All pairs.
    pub pairs: Vec<RankedPair>,
    /// Complete or balanced blocks: the least significant difference of two rank sums at the level,
    /// this pair alone and among all pairs at once. None where a pair has its own.
    pub least_differences: Option<LeastDifferences>,
}

/// Least significant differences of rank sums.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeastDifferences {
    /// The level.
    pub level: f64,
    /// For a pair chosen beforehand (after a significant test).
    pub of_a_pair: f64,
    /// Among all pairs at once.
    pub of_all_pairs: f64,
}

/// A block: samples with their values.
type Block = Vec<(usize, f64)>;

struct Prepared {
    t: usize,
    /// Samples of each block and their ranks.
    blocks: Vec<(Vec<usize>, Vec<f64>)>,
    /// Conditional covariance of the weighted rank sums.
    covariance: Vec<Vec<f64>>,
    /// Its inverse without the last sample, the last row and column 0.
    inverse: Vec<Vec<f64>>,
}

/// The weight of a block of `k`: differences of ranks count less the more samples there are.
fn weight(k: usize) -> f64 {
    (12.0 / (k as f64 + 1.0)).sqrt()
}

impl Prepared {
    fn new(t: usize, blocks: &[Block]) -> Result<Self, RankingError> {
        if t < 2 {
            return Err(RankingError::TooFew(t));
        }
        let mut kept = Vec::new();
        for (at, block) in blocks.iter().enumerate() {
            let mut seen = vec![false; t];
            for &(sample, value) in block {
                if sample >= t {
                    return Err(RankingError::Unknown { block: at, sample, samples: t });
                }
                if !value.is_finite() {
                    return Err(RankingError::NotFinite { block: at, found: value });
                }
                if std::mem::replace(&mut seen[sample], true) {
                    return Err(RankingError::Twice { block: at, sample });
                }
            }
            // Who ranked a single sample compared nothing.
            if block.len() > 1 {
                // Adding 0 makes -0 and 0 a tie.
                let values: Vec<f64> = block.iter().map(|b| b.1 + 0.0).collect();
                kept.push((block.iter().map(|b| b.0).collect::<Vec<_>>(), mid_ranks(&values)));
            }
        }
        let mut covariance = vec![vec![0.0; t]; t];
        for (samples, ranks) in &kept {
            let k = samples.len() as f64;
            let spread: f64 = ranks.iter().map(|r| (r - 0.5 * (k + 1.0)).powi(2)).sum();
            let shared = weight(samples.len()).powi(2) * spread / (k * (k - 1.0));
            for &a in samples {
                for &b in samples {
                    covariance[a][b] += if a == b { shared * (k - 1.0) } else { -shared };
                }
            }
        }
        if covariance.iter().flatten().all(|v| *v == 0.0) {
            return Err(RankingError::AllTied);
        }
        let inverse = inverse(&covariance).ok_or(RankingError::NotConnected)?;
        Ok(Self { t, blocks: kept, covariance, inverse })
    }

    /// Weighted deviations of the ranks from the middle of their block, by sample.
    fn deviations(&self, ranks: impl Iterator<Item = Vec<f64>>) -> Vec<f64> {
        let mut sums = vec![0.0; self.t];
        for ((samples, _), ranks) in self.blocks.iter().zip(ranks) {
            let (w, middle) = (weight(samples.len()), 0.5 * (samples.len() as f64 + 1.0));
            for (sample, rank) in samples.iter().zip(ranks) {
                sums[*sample] += w * (rank - middle);
            }
        }
        sums
    }

    fn effects(&self, deviations: &[f64]) -> Vec<f64> {
        let row = |r: &Vec<f64>| r.iter().zip(deviations).map(|(i, d)| i * d).sum();
        self.inverse.iter().map(row).collect()
    }

    fn statistic(&self, deviations: &[f64]) -> f64 {
        self.effects(deviations).iter().zip(deviations).map(|(e, d)| e * d).sum()
    }

    fn drawn(&self, stream: &mut Stream) -> f64 {
        let dealt = self.blocks.iter().map(|(_, ranks)| {
            let mut own = ranks.clone();
            stream.shuffle(&mut own);
            own
        });
        self.statistic(&self.deviations(dealt))
    }

    fn layout(&self) -> Layout {
        let k = self.blocks.first().map_or(0, |b| b.0.len());
        let mut meets = vec![0_usize; self.t * self.t];
        for (samples, _) in &self.blocks {
            for &a in samples {
                for &b in samples {
                    meets[a * self.t + b] += 1;
                }
            }
        }
        let all_k = self.blocks.iter().all(|b| b.0.len() == k);
        let even = (0..self.t * self.t).all(|at| {
            let own = at / self.t == at % self.t;
            meets[at] == if own { meets[0] } else { meets[1] }
        });
        match (all_k && even, k == self.t) {
            (true, true) => Layout::Complete,
            (true, false) => Layout::Balanced,
            (false, _) => Layout::Unbalanced,
        }
    }
}

/// The inverse of a covariance of rank sums with its last row and column taken out, zeros put back in
/// their place; `None` if more than one row depends on the others.
fn inverse(v: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let p = v.len() - 1;
    let mut left: Vec<Vec<f64>> = v[..p].iter().map(|r| r[..p].to_vec()).collect();
    let mut right: Vec<Vec<f64>> =
        (0..p).map(|i| (0..=p).map(|j| f64::from(u8::from(i == j))).collect()).collect();
    for i in 0..p {
        // No exchanges: what is left is a diagonally dominant matrix.
        let pivot = left[i][i];
        if pivot <= 1e-10 * v[i][i] || pivot <= 0.0 {
            return None;
        }
        for j in 0..p {
            left[i][j] /= pivot;
            right[i][j] /= pivot;
        }
        for other in (0..p).filter(|o| *o != i) {
            let factor = left[other][i];
            for j in 0..p {
                let (l, r) = (left[i][j], right[i][j]);
                left[other][j] -= factor * l;
                right[other][j] -= factor * r;
            }
        }
    }
    right.push(vec![0.0; p + 1]);
    Some(right)
}

/// Compares `n_samples` that were ranked in blocks. A block is a list of samples (from 0) with values
/// whose order alone counts, lower ranks for lower values, ties as mean ranks; a block of one sample
/// says nothing.
///
/// With `w = sqrt(12/(k + 1))` for a block of k, `A_j` the sum of `w (rank - (k + 1)/2)` over the blocks
/// of sample j, and V the covariance of A when each block's own ranks (ties kept) come in random order,
/// the statistic is `A' V^- A` on n - 1 degrees of freedom. In complete blocks this is
/// Friedman's statistic with ties, in balanced incomplete blocks without ties Durbin's, without ties in
/// any blocks Skillings and Mack's. Effects are `V^- A`; two of them are compared by
/// `z = (e_a - e_b)/sqrt(V^-_aa + V^-_bb - 2 V^-_ab)`; `p_range` is the tail of the range of
/// n_samples normals at `sqrt(2) |z|`. The least significant difference of rank sums is
/// `z sqrt(v)`, and `q/sqrt(2) sqrt(v)` among all pairs, v the variance of a difference of two rank sums;
/// for J complete blocks without ties `v = J n (n + 1)/6`.
///
/// # Errors
/// [`RankingError`].
///
/// # Source
/// Friedman M (1937), JASA 32:675-701; Durbin J (1951), British Journal of Psychology (Statistical
/// Section) 4:85-90; Benard A, van Elteren P (1953), Indagationes Mathematicae 15:358-369 (ties and
/// gaps); Skillings JH, Mack GA (1981), Technometrics 23:171-177; ISO 8587 (least significant difference);
/// Nemenyi P (1963), thesis, Princeton (all pairs). Citations from memory.
pub fn rank_blocks(
    n_samples: usize,
    blocks: &[Block],
    level: f64,
    n_permutations: usize,
    seed: u64,
) -> Result<Ranking, RankingError> {
    let prepared = Prepared::new(n_samples, blocks)?;
    let t = n_samples;
    let layout = prepared.layout();
    let deviations = prepared.deviations(prepared.blocks.iter().map(|b| b.1.clone()));
    let statistic = prepared.statistic(&deviations).max(0.0);
    let hits = replicates(n_permutations, seed, |stream| {
        prepared.drawn(stream) >= statistic * (1.0 - 1e-12) - 1e-12
    });
    let n_hits = hits.into_iter().filter(|hit| *hit).count();
    let mut rank_sums = vec![0.0; t];
    let mut n_ranked = vec![0; t];
    for (samples, ranks) in &prepared.blocks {
        for (sample, rank) in samples.iter().zip(ranks) {
            rank_sums[*sample] += rank;
            n_ranked[*sample] += 1;
        }
    }
    let effects = prepared.effects(&deviations);
    Ok(Ranking {
        layout,
        n_samples: t,
        n_blocks: prepared.blocks.len(),
        adjusted_mean_ranks: adjusted(&prepared, &effects),
        rank_sums,
        n_ranked,
        statistic,
        df: (t - 1) as f64,
        p_chi2: chi2_sf(statistic, (t - 1) as f64),
        p_permutation: (1 + n_hits) as f64 / (1 + n_permutations) as f64,
        n_permutations,
        pairs: pairs(&prepared, &effects),
        least_differences: (layout != Layout::Unbalanced).then(|| {
            let k = prepared.blocks[0].0.len();
            let v = &prepared.covariance;
            // Ties may make pairs differ a little: the mean over pairs.
            let of_pairs: Vec<f64> = (0..t)
                .flat_map(|a| (a + 1..t).map(move |b| (a, b)))
                .map(|(a, b)| (v[a][a] + v[b][b] - 2.0 * v[a][b]) / weight(k).powi(2))
                .collect();
            let sd = (of_pairs.iter().sum::<f64>() / of_pairs.len() as f64).sqrt();
            let q = studentized_range_quantile(level, t as u32, f64::INFINITY);
            LeastDifferences {
                level,
                of_a_pair: normal_quantile_upper(0.5 * level) * sd,
                of_all_pairs: q / 2.0_f64.sqrt() * sd,
            }
        }),
    })
}

fn pairs(prepared: &Prepared, effects: &[f64]) -> Vec<RankedPair> {
    let t = prepared.t;
    let range = StudentizedRange::new(t as u32);
    let inverse = &prepared.inverse;
    let mut all: Vec<RankedPair> = (0..t)
        .flat_map(|a| (a + 1..t).map(move |b| (a, b)))
        .map(|(a, b)| {
            let variance = inverse[a][a] + inverse[b][b] - 2.0 * inverse[a][b];
            let z = (effects[a] - effects[b]) / variance.sqrt();
            RankedPair {
                a,
                b,
                z,
                p_value: 2.0 * normal_sf(z.abs()),
                p_holm: 1.0,
                p_range: range.sf(2.0_f64.sqrt() * z.abs(), f64::INFINITY),
            }
        })
        .collect();
    let p: Vec<f64> = all.iter().map(|x| x.p_value).collect();
    if let Ok(adjusted) = holm(&p) {
        for (pair, p) in all.iter_mut().zip(adjusted) {
            pair.p_holm = p;
        }
    }
    all
}

/// Mean ranks out of all samples that have these effects on average: in complete blocks V is
/// `c (I - J/t)`, so that an effect times c over the weight and the number of blocks is a mean
/// deviation; elsewhere c is what these blocks would give if all were complete.
fn adjusted(prepared: &Prepared, effects: &[f64]) -> Vec<f64> {
    let t = prepared.t as f64;
    let mean = effects.iter().sum::<f64>() / t;
    // One complete block without ties: spread t (t^2 - 1)/12 over t - 1.
    let scale = prepared
        .blocks
        .iter()
        .map(|(samples, ranks)| {
            let k = samples.len() as f64;
            let spread: f64 = ranks.iter().map(|r| (r - 0.5 * (k + 1.0)).powi(2)).sum();
            // Ties shrink the spread of a block by this share.
            spread / (k * (k * k - 1.0) / 12.0)
        })
        .sum::<f64>()
        / prepared.blocks.len() as f64;
    let per_effect = weight(prepared.t) * scale * t * (t + 1.0) / 12.0;
    effects.iter().map(|e| 0.5 * (t + 1.0) + per_effect * (e - mean)).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::kendall::{friedman, permutation_p};
    use crate::rng::stream;

    /// Six tasters, four samples, with ties; one row a sample.
    fn tied() -> Vec<Vec<f64>> {
        vec![
            vec![1.0, 2.0, 1.0, 3.0, 1.0, 1.0],
            vec![2.0, 1.0, 1.0, 1.0, 2.0, 2.0],
            vec![3.0, 3.0, 2.0, 2.0, 3.0, 2.0],
            vec![3.0, 4.0, 5.0, 4.0, 4.0, 3.0],
        ]
    }

    fn blocks(lots: &[Vec<f64>]) -> Vec<Block> {
        (0..lots[0].len())
            .map(|taster| lots.iter().enumerate().map(|(lot, row)| (lot, row[taster])).collect())
            .collect()
    }

    #[test]
    fn complete_blocks_with_ties_give_friedman() {
        let lots = tied();
        let got = rank_blocks(4, &blocks(&lots), 0.05, 4000, 1).unwrap();
        let want = friedman(&lots, 0.05).unwrap();
        assert_eq!(got.layout, Layout::Complete);
        assert!((got.statistic - want.chi2).abs() < 1e-10);
        assert_eq!(got.rank_sums, want.rank_sums);
        for (adjusted, sum) in got.adjusted_mean_ranks.iter().zip(&want.rank_sums) {
            assert!((adjusted - sum / 6.0).abs() < 1e-10);
        }
        // The exact count; four standard errors of 4000 draws.
        let exact = permutation_p(&lots, 4000, 1).unwrap().p_value;
        assert!((got.p_permutation - exact).abs() < 0.032, "{} {exact}", got.p_permutation);
        // z of a pair is the difference of rank sums over its standard deviation.
        let d = got.least_differences.unwrap();
        let sd = d.of_a_pair / normal_quantile_upper(0.025);
        let pair = &got.pairs[2];
        let by_sums = (want.rank_sums[pair.a] - want.rank_sums[pair.b]) / sd;
        assert!((pair.z - by_sums).abs() < 1e-10);
    }

    #[test]
    fn without_ties_the_least_difference_is_the_printed_formula() {
        let lots: Vec<Vec<f64>> =
            (0..5).map(|l| (0..8).map(|j| f64::from((l * (j + 1) + j) % 11)).collect()).collect();
        let got = rank_blocks(5, &blocks(&lots), 0.05, 10, 1).unwrap();
        let d = got.least_differences.unwrap();
        // 1.959964 sqrt(J n (n + 1)/6) and 3.857656 sqrt(J n (n + 1)/12), J 8, n 5; the range of five
        // normals (Harter 1960: 3.858).
        assert!((d.of_a_pair - 1.959_964 * 40.0_f64.sqrt()).abs() < 1e-4);
        assert!((d.of_all_pairs - 3.857_656 * 20.0_f64.sqrt()).abs() < 1e-4);
    }

    #[test]
    fn what_cannot_be_ranked_says_why() {
        let of = |blocks: &[Block]| rank_blocks(3, blocks, 0.05, 10, 1);
        assert_eq!(rank_blocks(1, &[], 0.05, 10, 1), Err(RankingError::TooFew(1)));
        assert_eq!(of(&[]), Err(RankingError::AllTied));
        assert_eq!(of(&[vec![(0, 1.0), (1, 1.0), (2, 1.0)]]), Err(RankingError::AllTied));
        assert_eq!(of(&[vec![(0, 1.0), (1, 2.0)]]), Err(RankingError::NotConnected));
        assert!(matches!(of(&[vec![(0, 1.0), (3, 2.0)]]), Err(RankingError::Unknown { .. })));
        assert!(matches!(of(&[vec![(0, 1.0), (0, 2.0)]]), Err(RankingError::Twice { .. })));
        assert!(matches!(of(&[vec![(0, f64::NAN)]]), Err(RankingError::NotFinite { .. })));
    }

    // Nobody has a preference: the permutation test and the range over all pairs stay below 5% plus
    // three standard errors of 400 panels.
    #[test]
    fn luck_is_kept_in_bounds() {
        let (mut test, mut any) = (0, 0);
        for seed in 0..400 {
            let mut draws = stream(seed, 0);
            let lots: Vec<Vec<f64>> =
                (0..5).map(|_| (0..6).map(|_| draws.below(7) as f64).collect()).collect();
            let got = rank_blocks(5, &blocks(&lots), 0.05, 199, seed).unwrap();
            test += usize::from(got.p_permutation <= 0.05);
            any += usize::from(got.pairs.iter().any(|p| p.p_range <= 0.05));
        }
        assert!(test <= 33 && any <= 33, "{test} {any} of 400");
    }
}
