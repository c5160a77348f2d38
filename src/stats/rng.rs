//! Random streams: the same seed gives the same draws for ever, on any number of cores.
//!
//! Every replicate of a resampling owns the ChaCha20 stream of its index, so neither the
//! number of threads nor the order in which they finish can change a result.

use rand_chacha::ChaCha20Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rayon::prelude::*;

/// A ChaCha20 stream with the few draws this crate needs.
///
/// The draws are written out here, so that a library's new version cannot change what a
/// recorded seed means.
#[derive(Debug, Clone)]
pub struct Stream {
    inner: ChaCha20Rng,
    spare_normal: Option<f64>,
}

/// Opens the stream `index` of `seed`: the ChaCha20 key is the seed's eight bytes, lowest
/// first, then 24 zeros; `index` is the stream number. Streams of one seed do not overlap.
pub fn stream(seed: u64, index: u64) -> Stream {
    let mut key = [0_u8; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    let mut inner = ChaCha20Rng::from_seed(key);
    inner.set_stream(index);
    Stream { inner, spare_normal: None }
}

impl Stream {
    /// A whole number below `bound`, all equally likely; 0 when `bound` is 0 or 1.
    ///
    /// Draws that would favour small numbers are thrown away and drawn again.
    pub fn below(&mut self, bound: usize) -> usize {
        let bound = bound as u64;
        if bound <= 1 {
            return 0;
        }
        let excess = u64::MAX % bound;
        loop {
            let draw = self.inner.next_u64();
            if draw < u64::MAX - excess {
                return (draw % bound) as usize;
            }
        }
    }

    /// A uniform number in `[0, 1)` with 53 random bits.
    pub fn uniform(&mut self) -> f64 {
        (self.inner.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A standard normal number (polar method, Marsaglia and Bray 1964).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        loop {
            let u = 2.0 * self.uniform() - 1.0;
            let v = 2.0 * self.uniform() - 1.0;
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let scale = (-2.0 * s.ln() / s).sqrt();
                self.spare_normal = Some(v * scale);
                return u * scale;
            }
        }
    }

    /// A chi-square number with `df` > 0 degrees of freedom (by the gamma method of Marsaglia and
    /// Tsang 2000, ACM Transactions on Mathematical Software 26:363-372, from memory); not a
    /// number for other `df`.
    pub fn chi_square(&mut self, df: f64) -> f64 {
        if !(df > 0.0 && df.is_finite()) {
            return f64::NAN;
        }
        // Below shape 1 a draw of shape + 1 is pulled down by a power of a uniform number.
        let shape = df / 2.0;
        let pull = if shape < 1.0 { (1.0 - self.uniform()).powf(1.0 / shape) } else { 1.0 };
        let d = if shape < 1.0 { shape + 1.0 } else { shape } - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal();
            let v = (1.0 + c * x).powi(3);
            let u = 1.0 - self.uniform();
            if v > 0.0 && u.ln() < 0.5 * x * x + d - d * v + d * v.ln() {
                return 2.0 * d * v * pull;
            }
        }
    }

    /// Puts `items` into random order, each order equally likely (Fisher and Yates, from
    /// the last place down).
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last + 1));
        }
    }
}

/// Runs `replicate` once for each index `0..n` with the stream of that index and returns
/// the results in the order of the indices. Work is spread over the cores; the result is
/// the same on any number of them.
pub fn replicates<T, F>(n: usize, seed: u64, replicate: F) -> Vec<T>
where
    T: Send,
    F: Fn(&mut Stream) -> T + Sync,
{
    (0..n as u64).into_par_iter().map(|index| replicate(&mut stream(seed, index))).collect()
}

/// The quantile `p` (0 to 1) of numbers sorted upwards, straight between neighbours
/// (definition 7 of Hyndman and Fan 1996); `None` when there are none.
pub fn quantile_of_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = p.clamp(0.0, 1.0) * last as f64;
    let low = (place.floor() as usize).min(last);
    let high = (low + 1).min(last);
    Some(sorted[low] + (place - low as f64) * (sorted[high] - sorted[low]))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_replicate_does_not_depend_on_the_number_of_cores() {
        let run = || replicates(200, 7, |s| (s.below(1000), s.normal()));
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap().install(run);
        let four = rayon::ThreadPoolBuilder::new().num_threads(4).build().unwrap().install(run);
        assert_eq!(one, four);
    }

    #[test]
    fn streams_of_one_seed_differ_and_seeds_differ() {
        let first = stream(1, 0).uniform();
        assert_ne!(first, stream(1, 1).uniform());
        assert_ne!(first, stream(2, 0).uniform());
        assert_eq!(first, stream(1, 0).uniform());
    }

    // RFC 7539, appendix A.1, test vector 1: key, nonce and counter zero; the key stream
    // begins 76 b8 e0 ad a0 f1 3d 90 (the vector from memory).
    #[test]
    fn the_generator_is_chacha20() {
        let draw = stream(0, 0).inner.next_u64();
        assert_eq!(draw.to_le_bytes(), [0x76, 0xb8, 0xe0, 0xad, 0xa0, 0xf1, 0x3d, 0x90]);
    }

    #[test]
    fn every_order_of_three_comes_equally_often() {
        let mut count = std::collections::BTreeMap::new();
        let mut s = stream(11, 0);
        for _ in 0..6000 {
            let mut items = [1, 2, 3];
            s.shuffle(&mut items);
            *count.entry(items).or_insert(0_i32) += 1;
        }
        assert_eq!(count.len(), 6);
        // Six classes of 1000: four binomial standard deviations are about 115.
        assert!(count.values().all(|c| (c - 1000).abs() < 116), "{count:?}");
    }

    #[test]
    fn normal_draws_have_mean_zero_and_variance_one() {
        let mut s = stream(3, 0);
        let draws: Vec<f64> = (0..20_000).map(|_| s.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let variance = draws.iter().map(|d| d * d).sum::<f64>() / 20_000.0;
        // Four standard errors: 4/sqrt(20000) and 4*sqrt(2/20000).
        assert!(mean.abs() < 0.0283, "{mean}");
        assert!((variance - 1.0).abs() < 0.04, "{variance}");
    }

    #[test]
    fn chi_square_draws_have_their_mean_variance_and_upper_tail() {
        for df in [0.7, 1.0, 2.5, 5.0, 40.0] {
            let mut s = stream(8, 0);
            let n = 40_000.0;
            let draws: Vec<f64> = (0..40_000).map(|_| s.chi_square(df)).collect();
            let mean = draws.iter().sum::<f64>() / n;
            // Four standard errors of the mean, 4 sqrt(2 df / n), and of a share of 5%.
            assert!((mean - df).abs() < 4.0 * (2.0 * df / n).sqrt(), "{df}: {mean}");
            let point = crate::dist::chi2_quantile_upper(0.05, df);
            let above = draws.iter().filter(|d| **d > point).count() as f64 / n;
            assert!((above - 0.05).abs() < 4.0 * (0.05 * 0.95 / n).sqrt(), "{df}: {above}");
        }
        assert!(stream(8, 0).chi_square(0.0).is_nan());
    }

    #[test]
    fn quantiles_lie_between_neighbours() {
        assert_eq!(quantile_of_sorted(&[1.0, 2.0, 4.0], 0.75), Some(3.0));
        assert_eq!(quantile_of_sorted(&[], 0.5), None);
    }
}
