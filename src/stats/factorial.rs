//! Factorials of two levels: whole ones and fractions, what a fraction cannot tell apart, and the
//! effects with a measure of chance where nothing was repeated.
//!
//! A word is a set of factors, bit `i` for factor `i`; the effect `AB` is word `0b11`, the mean 0.
//!
//! # Sources
//! Box GEP, Hunter JS (1961) The 2^(k-p) fractional factorial designs, Technometrics 3:311-351
//! (defining relation, resolution); Fries A, Hunter WG (1980) Minimum aberration 2^(k-p) designs,
//! Technometrics 22:601-608 (which of equal resolution); Lenth RV (1989) Quick and easy analysis of
//! unreplicated factorials, Technometrics 31:469-473; Daniel C (1959) Use of half-normal plots in
//! interpreting factorial two-level experiments, Technometrics 1:311-341. Citations from memory but
//! for Box, Hunter and Hunter's book and Lenth, see the tests' data.

use serde::Serialize;
use thiserror::Error;

use crate::dist::{normal_quantile, t_quantile_upper};

/// The most factors of a fraction: with more a defining relation has too many words to be listed.
pub const MOST_FACTORS: usize = 16;
/// The most runs of a fraction.
pub const MOST_RUNS: usize = 32;
/// So many words of defining relations are looked at before the search is narrowed.
const MOST_WORDS: usize = 4_000_000;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum FactorialError {
    /// A number of runs that no two-level fraction has.
    #[error("{runs} runs are no power of 2 from 2 to {MOST_RUNS}")]
    Runs {
        /// Runs asked for.
        runs: usize,
    },
    /// More factors than the runs can tell apart, or none.
    #[error("{factors} factors do not go into {runs} runs once: from {least} to {most} do")]
    Factors {
        /// Factors asked for.
        factors: usize,
        /// Runs asked for.
        runs: usize,
        /// The factors of the whole factorial of so many runs.
        least: usize,
        /// The most factors in so many runs.
        most: usize,
    },
    /// A number of values that is not that of a whole factorial, or values that are not finite.
    #[error("{found} values are not those of a factorial in 2, 4, 8 ... runs, or not all finite")]
    Values {
        /// Values given.
        found: usize,
    },
    /// Too few effects, or none that varies.
    #[error("{n} effects are too few, or all zero, to measure chance by: at least 3 are needed")]
    Effects {
        /// Effects given.
        n: usize,
    },
}

/// Returns the letters of a word: `ABD` for bits 0, 1 and 3; the mean is `I` (Box and Hunter
/// 1961), so that the letter I itself is left out (A to H, J …); small letters from the 26th
/// factor on.
#[must_use]
pub fn letters(word: u32) -> String {
    if word == 0 {
        return "I".to_owned();
    }
    let letter = |i: u32| {
        let place = if i < 8 { i } else { i + 1 };
        let small = place >= 26;
        let base = if small { b'a' } else { b'A' };
        char::from(base + (place % 26) as u8)
    };
    (0..32).filter(|i| word >> i & 1 == 1).map(letter).collect()
}

/// Returns all `2^k` runs of a factorial of `k` factors in standard order (Yates' order: Box and
/// Hunter 1961), the first factor changing fastest: one row a run of -1 and 1. `k` beyond 20 gives
/// no runs.
#[must_use]
pub fn full(k: usize) -> Vec<Vec<f64>> {
    let n = if k > 20 { 0 } else { 1_usize << k };
    let level = |run: usize, i: usize| if run >> i & 1 == 1 { 1.0 } else { -1.0 };
    (0..n).map(|run| (0..k).map(|i| level(run, i)).collect()).collect()
}

/// A fraction 2^(k-p) of a factorial.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fraction {
    /// Factors, `k`.
    pub factors: usize,
    /// Factors that run through a whole factorial, `k - p`; the others follow from them.
    pub basic: usize,
    /// For each further factor the word of basic factors that it is set by.
    pub generators: Vec<u32>,
    /// All words that are constant over the runs, without the mean, by length and then by letters.
    pub defining: Vec<u32>,
}

impl Fraction {
    /// Returns the fraction of `factors` in `runs` with the greatest resolution (Box and Hunter
    /// 1961) and, among these, the least aberration (fewest shortest words, then the next shorter:
    /// Fries and Hunter 1980). All choices of generators are looked at while they are few; beyond
    /// that, words of odd length only (which keep the resolution at IV or more) and, where these
    /// do not suffice, the longest words. Of equals the first in order of letters.
    ///
    /// # Errors
    /// Runs that are no power of 2 from 2 to [`MOST_RUNS`], or more than the whole factorial has;
    /// no factor, `factors >= runs`, or more than [`MOST_FACTORS`] (`factors = log2 runs` gives
    /// the whole factorial).
    pub fn of(factors: usize, runs: usize) -> Result<Self, FactorialError> {
        if !runs.is_power_of_two() || !(2..=MOST_RUNS).contains(&runs) {
            return Err(FactorialError::Runs { runs });
        }
        let m = runs.trailing_zeros() as usize;
        let most = (runs - 1).min(MOST_FACTORS);
        if factors < m || factors > most {
            return Err(FactorialError::Factors { factors, runs, least: m, most });
        }
        let p = factors - m;
        let mut words: Vec<u32> = (1..1_u32 << m).filter(|w| w.count_ones() > 1).collect();
        words.sort_by_key(|w| (w.count_ones(), letters(*w)));
        let relations = 1_usize << p;
        if choices(words.len(), p).saturating_mul(relations) > MOST_WORDS {
            let odd: Vec<u32> = words.iter().copied().filter(|w| w.count_ones() % 2 == 1).collect();
            if odd.len() >= p && choices(odd.len(), p).saturating_mul(relations) <= MOST_WORDS {
                words = odd;
            } else {
                words.sort_by_key(|w| (w.count_ones() % 2 == 0, std::cmp::Reverse(w.count_ones())));
                words.truncate(p);
            }
        }
        let mut best: Option<(Vec<usize>, Vec<u32>)> = None;
        for_each_choice(words.len(), p, &mut |chosen| {
            let generators: Vec<u32> = chosen.iter().map(|c| words[*c]).collect();
            let lengths = word_lengths(&defining(m, &generators), factors);
            // Fewer short words are better: lengths compare from the shortest up.
            if best.as_ref().is_none_or(|(known, _)| lengths < *known) {
                best = Some((lengths, generators));
            }
        });
        let generators = best.map(|b| b.1).unwrap_or_default();
        Ok(Self::by(m, generators))
    }

    /// Returns the fraction with these `generators`, words of the `basic` factors that the further
    /// ones are set by; its defining words are all products of `generator × own letter`, 2^p - 1
    /// of them (Box and Hunter 1961).
    #[must_use]
    pub fn by(basic: usize, generators: Vec<u32>) -> Self {
        let mut defining = defining(basic, &generators);
        defining.sort_by_cached_key(|w| (w.count_ones(), letters(*w)));
        Self { factors: basic + generators.len(), basic, generators, defining }
    }

    /// Returns its runs in standard order of the basic factors: one row a run of -1 and 1, the
    /// level of each further factor the product of those in its generator (Box and Hunter 1961).
    #[must_use]
    pub fn runs(&self) -> Vec<Vec<f64>> {
        let mut all = full(self.basic);
        for run in &mut all {
            for g in &self.generators {
                let level = (0..self.basic).filter(|i| g >> i & 1 == 1).map(|i| run[i]).product();
                run.push(level);
            }
        }
        all
    }

    /// Returns the length of the shortest word of the defining relation (Box and Hunter 1961);
    /// `None` for a whole factorial, which tells everything apart.
    #[must_use]
    pub fn resolution(&self) -> Option<u32> {
        self.defining.iter().map(|w| w.count_ones()).min()
    }

    /// Returns the words of up to `longest` factors that these runs cannot tell from `word`: its
    /// products with the defining words (letters that are in both drop out; Box and Hunter 1961),
    /// itself left out, by length and then by letters; the mean is word 0.
    #[must_use]
    pub fn aliases(&self, word: u32, longest: u32) -> Vec<u32> {
        let mut all: Vec<u32> = self.defining.iter().map(|w| w ^ word).collect();
        all.retain(|w| w.count_ones() <= longest);
        all.sort_by_cached_key(|w| (w.count_ones(), letters(*w)));
        all
    }
}

fn choices(n: usize, k: usize) -> usize {
    let step = |all: usize, i: usize| all.saturating_mul(n - i) / (i + 1);
    if k > n { 0 } else { (0..k.min(n - k)).fold(1, step) }
}

/// Calls `with` for each choice of `k` among `n`, in order.
fn for_each_choice(n: usize, k: usize, with: &mut dyn FnMut(&[usize])) {
    let mut chosen: Vec<usize> = (0..k).collect();
    if k > n {
        return;
    }
    loop {
        with(&chosen);
        let Some(place) = (0..k).rev().find(|i| chosen[*i] < n - k + i) else { return };
        chosen[place] += 1;
        for i in place + 1..k {
            chosen[i] = chosen[i - 1] + 1;
        }
    }
}

fn defining(basic: usize, generators: &[u32]) -> Vec<u32> {
    let mut all = vec![0_u32];
    for (i, g) in generators.iter().enumerate() {
        let own = g | 1 << (basic + i);
        let more: Vec<u32> = all.iter().map(|w| w ^ own).collect();
        all.extend(more);
    }
    all.remove(0);
    all
}

/// How many words there are of each length, from 1 up.
fn word_lengths(words: &[u32], factors: usize) -> Vec<usize> {
    let mut counts = vec![0; factors + 1];
    words.iter().for_each(|w| counts[w.count_ones() as usize] += 1);
    counts.remove(0);
    counts
}

/// An effect of a factorial.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FactorialEffect {
    /// Its word.
    pub word: u32,
    /// Mean where the word's product of levels is 1 less the mean where it is -1.
    pub effect: f64,
    /// Its sum of squares, `n effect^2 / 4`, with one degree of freedom.
    pub ss: f64,
}

/// Returns all effects of a whole factorial from one value a run in standard order (as [`full`]), by
/// Yates' sums; of a fraction, those of its basic factors, each of which carries its aliases.
///
/// # Errors
/// Values whose number is not 2, 4, 8 … or that are not finite.
pub fn effects(values: &[f64]) -> Result<Vec<FactorialEffect>, FactorialError> {
    let n = values.len();
    if n < 2 || !n.is_power_of_two() || n > 1 << 20 || values.iter().any(|v| !v.is_finite()) {
        return Err(FactorialError::Values { found: n });
    }
    let mut sums = values.to_vec();
    for _ in 0..n.trailing_zeros() {
        let pairs: Vec<(f64, f64)> = sums.chunks(2).map(|c| (c[0], c[1])).collect();
        sums = pairs.iter().map(|p| p.0 + p.1).chain(pairs.iter().map(|p| p.1 - p.0)).collect();
    }
    let half = n as f64 / 2.0;
    let one = |(word, sum): (u32, f64)| FactorialEffect {
        word,
        effect: sum / half,
        ss: sum * sum / n as f64,
    };
    Ok((0_u32..).zip(sums).skip(1).map(one).collect())
}

/// Lenth's measure of chance among effects of which few are real.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lenth {
    /// 1.5 times the median size of the effects.
    pub s0: f64,
    /// Pseudo standard error: 1.5 times the median size of those below 2.5 s0.
    pub pse: f64,
    /// Degrees of freedom, a third of the number of effects.
    pub df: f64,
    /// Margin of error of one effect at the level.
    pub margin: f64,
    /// Margin of error of all effects at once.
    pub simultaneous_margin: f64,
}

/// Returns Lenth's pseudo standard error and margins at coverage `level` (0.95) of `effects`, in
/// their units: `s0 = 1.5 median |e|`, `PSE = 1.5 median of |e| < 2.5 s0`, m / 3 degrees of
/// freedom; the margin is `t(df) PSE`, that of all m effects at once takes the level `(1 +
/// level^(1/m)) / 2` on each side.
///
/// # Errors
/// Fewer than 3 effects, or effects of which so many are zero that nothing is left to measure by.
///
/// # Source
/// Lenth RV (1989), Technometrics 31:469-473.
pub fn lenth(effects: &[f64], level: f64) -> Result<Lenth, FactorialError> {
    let m = effects.len();
    let wrong = FactorialError::Effects { n: m };
    if m < 3 || effects.iter().any(|e| !e.is_finite()) || !(0.0 < level && level < 1.0) {
        return Err(wrong);
    }
    let mut sizes: Vec<f64> = effects.iter().map(|e| e.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let s0 = 1.5 * median(&sizes);
    let small: Vec<f64> = sizes.into_iter().filter(|s| *s < 2.5 * s0).collect();
    if small.is_empty() {
        return Err(wrong);
    }
    let pse = 1.5 * median(&small);
    let df = m as f64 / 3.0;
    let all = 0.5 * (1.0 - level.powf(1.0 / m as f64));
    Ok(Lenth {
        s0,
        pse,
        df,
        margin: pse * t_quantile_upper(0.5 * (1.0 - level), df),
        simultaneous_margin: pse * t_quantile_upper(all, df),
    })
}

fn median(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    0.5 * (sorted[(n - 1) / 2] + sorted[n / 2])
}

/// Returns the places of `n` effects, from the smallest to the largest size, on a half-normal
/// plot: the normal quantile of `1/2 + (i - 1/2) / (2 n)`, i from 1 (Daniel 1959; which plotting
/// position is common practice).
#[must_use]
pub fn half_normal_places(n: usize) -> Vec<f64> {
    (0..n).map(|i| normal_quantile(0.5 + 0.5 * (i as f64 + 0.5) / n as f64)).collect()
}
