//! The studentized range: the largest of `k` normal means less the smallest, over an independent
//! standard deviation with `df` degrees of freedom. Tukey's test of all pairs rests on it.
//!
//! # Formula
//! With `T(w)` the probability that the range of `k` standard normals exceeds `w`, and `S` the
//! square root of a chi-square over its `df`, the upper tail at `q` is the mean of `T(q S)`.
//! `T(w) = k * integral of phi(z) (Phi(z)^(k-1) - (Phi(z) - Phi(z - w))^(k-1)) dz`, written so that
//! a small tail is never one less a large one.
//!
//! The inner integral is of a smooth function that dies away on both sides, where the trapezoidal
//! rule converges faster than any power of its step; how the outer one is taken says
//! `studentized`.
//!
//! # Sources
//! Harter (1960), Tables of range and studentized range, Annals of Mathematical Statistics
//! 31:1122-1147; Copenhaver and Holland (1988), Journal of Statistical Computation and Simulation
//! 30:1-15.

use crate::dist::{normal_cdf, normal_pdf};
use crate::studentized::Studentized;

/// Above this the tail of the range is under 1e-60.
const W_MAX: i32 = 24;
/// The step of the rule in `z`, and its ends.
const Z_STEP: f64 = 0.2;
const Z_LOW: f64 = -9.0;
const Z_HIGH: f64 = 20.0;

/// The studentized range of `k` means, ready for many tails: building it costs about a millisecond,
/// each tail then some microseconds.
#[derive(Debug, Clone)]
pub struct StudentizedRange {
    k: u32,
    tail: Studentized,
}

impl StudentizedRange {
    /// Prepares the range of `k` means (formula at the head of this module; Harter 1960). With
    /// fewer than two there is no range: every tail is NaN.
    pub fn new(k: u32) -> Self {
        let panels = if k >= 2 { 0..W_MAX } else { 0..0 };
        let normal = NormalRange::new(k);
        StudentizedRange { k, tail: Studentized::new(panels, |w| normal.tail(w)) }
    }

    /// Returns the probability that the studentized range exceeds `q`: the mean of `T(q S)` over S
    /// (Copenhaver and Holland 1988; the head of this module). `df` may be broken or infinite.
    /// Good to about 1e-9 relative. NaN for `df <= 0` or fewer than two means.
    pub fn sf(&self, q: f64, df: f64) -> f64 {
        if self.k < 2 || q.is_nan() || df.is_nan() || df <= 0.0 {
            return f64::NAN;
        }
        if q <= 0.0 { 1.0 } else { self.tail.sf(q, df) }
    }

    /// Returns the `q` that the studentized range exceeds with probability `p_upper`: the inverse
    /// of [`StudentizedRange::sf`] (the tables of Harter 1960). NaN as there.
    pub fn quantile_upper(&self, p_upper: f64, df: f64) -> f64 {
        if self.k < 2 { f64::NAN } else { self.tail.quantile_upper(p_upper, df) }
    }
}

/// The range of `k` standard normals, by the trapezoidal rule.
struct NormalRange {
    k: u32,
    /// `z`, `Phi(z)` and `k phi(z) Phi(z)^(k-1) dz`.
    nodes: Vec<(f64, f64, f64)>,
}

impl NormalRange {
    fn new(k: u32) -> Self {
        let n = ((Z_HIGH - Z_LOW) / Z_STEP).round() as usize;
        let power = f64::from(k) - 1.0;
        let nodes = (0..=n)
            .map(|i| {
                let z = Z_LOW + Z_STEP * i as f64;
                let below = normal_cdf(z);
                (z, below, f64::from(k) * normal_pdf(z) * below.powf(power) * Z_STEP)
            })
            .collect();
        NormalRange { k, nodes }
    }

    fn tail(&self, w: f64) -> f64 {
        let power = f64::from(self.k) - 1.0;
        let sum: f64 = self
            .nodes
            .iter()
            .map(|&(z, below, weight)| {
                -weight * (power * (-normal_cdf(z - w) / below).ln_1p()).exp_m1()
            })
            .sum();
        sum.min(1.0)
    }
}

/// Returns the probability that the studentized range of `k` means with `df` degrees of freedom
/// exceeds `q`, as [`StudentizedRange::sf`] (Harter 1960); for many tails of one `k` build that
/// once.
pub fn studentized_range_sf(q: f64, k: u32, df: f64) -> f64 {
    StudentizedRange::new(k).sf(q, df)
}

/// Returns the `q` that the studentized range of `k` means with `df` degrees of freedom exceeds
/// with probability `p_upper`, as [`StudentizedRange::quantile_upper`] (Harter 1960).
pub fn studentized_range_quantile(p_upper: f64, k: u32, df: f64) -> f64 {
    StudentizedRange::new(k).quantile_upper(p_upper, df)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dist::t_two_sided;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    #[test]
    fn what_has_no_range_is_nan() {
        assert!(studentized_range_sf(1.0, 1, 5.0).is_nan());
        assert!(studentized_range_sf(1.0, 3, 0.0).is_nan());
        assert!(studentized_range_sf(f64::NAN, 3, 4.0).is_nan());
        assert!(studentized_range_quantile(1.1, 3, 4.0).is_nan());
        assert_eq!(studentized_range_sf(-1.0, 3, 4.0), 1.0);
    }

    proptest! {
        // The range of two means is the absolute difference: q = |t| sqrt(2).
        #[test]
        fn two_means_are_a_t_test(t in 0.01..30.0f64, df in 1.0..500.0f64) {
            let tail = studentized_range_sf(t * 2f64.sqrt(), 2, df);
            let exact = t_two_sided(t, df);
            if exact > 1e-40 {
                assert_relative_eq!(tail, exact, max_relative = 1e-9);
            }
        }

        #[test]
        fn a_quantile_gives_back_its_tail(p in 1e-6..0.99f64, k in 2u32..40, df in 1.0..2000.0f64) {
            let range = StudentizedRange::new(k);
            assert_relative_eq!(range.sf(range.quantile_upper(p, df), df), p, max_relative = 1e-9);
        }
    }
}
