//! How often an answer is right, as a function of the distance of two samples.

use crate::dist::{normal_cdf, normal_pdf};
use crate::special::brent_root;
use serde::Serialize;
use std::f64::consts::SQRT_2;

/// How the two samples are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Protocol {
    /// Three cups, two alike: which is the odd one?
    Triangle,
    /// A reference and two cups: which is like the reference?
    DuoTrio,
    /// Two cups: which has more of something?
    Paired,
    /// Three cups, two alike: which has more of something?
    ThreeChoices,
    /// Four cups, two and two alike: which belong together?
    Tetrad,
}

impl Protocol {
    /// Returns how often an answer is right by chance alone, a proportion: one over the number of
    /// answers that are equally likely when nothing can be told. Duo-trio and paired 1/2; triangle
    /// and three choices 1/3 (one cup of three); tetrad 1/3 (three ways to part four cups into
    /// pairs). It is [`Protocol::probability`] at a distance of 0 (Ennis 1993, see there).
    #[must_use]
    pub fn chance(self) -> f64 {
        match self {
            Self::DuoTrio | Self::Paired => 0.5,
            Self::Triangle | Self::ThreeChoices | Self::Tetrad => 1.0 / 3.0,
        }
    }

    /// Returns how often an answer is right when the means of the two samples lie `d` standard
    /// deviations of a single impression apart (d-prime; a negative d is taken as 0).
    ///
    /// With Phi the normal distribution and phi its density: paired `Phi(d/√2)`; duo-trio
    /// `1 - A - B + 2 A B` with `A = Phi(d/√2)`, `B = Phi(d/√6)`; triangle
    /// `2 ∫_0^∞ (Phi(-z√3 + d√(2/3)) + Phi(-z√3 - d√(2/3))) phi(z) dz`; three choices
    /// `∫ phi(z - d) Phi(z)^2 dz`; tetrad `1 - 2 ∫ phi(z) (2 Phi(z) Phi(z - d) - Phi(z - d)^2) dz`.
    ///
    /// # Source
    /// Ura S (1960), Reports of Statistical Application Research 7:107-119; Ennis DM (1993), Journal
    /// of Sensory Studies 8:353-370 (citations from memory).
    #[must_use]
    pub fn probability(self, d: f64) -> f64 {
        if d.is_nan() {
            return f64::NAN;
        }
        let d = d.max(0.0);
        if d > 40.0 {
            return 1.0;
        }
        match self {
            Self::Paired => normal_cdf(d / SQRT_2),
            Self::DuoTrio => {
                let (a, b) = (normal_cdf(d / SQRT_2), normal_cdf(d / 6.0_f64.sqrt()));
                1.0 - a - b + 2.0 * a * b
            }
            // The integral of the slope, whose form is closed (Bi, Ennis and O'Mahony 1997).
            Self::Triangle => self.chance() + legendre(0.0, d, |x| self.slope(x)),
            Self::ThreeChoices => line(d, |z| normal_pdf(z - d) * normal_cdf(z).powi(2)),
            Self::Tetrad => {
                1.0 - 2.0
                    * line(d, |z| {
                        let other = normal_cdf(z - d);
                        normal_pdf(z) * (2.0 * normal_cdf(z) * other - other * other)
                    })
            }
        }
    }

    /// Returns the slope of [`Protocol::probability`] at `d` (0 or more), a proportion for one
    /// standard deviation.
    ///
    /// Paired `phi(d/√2)/√2`;
    /// duo-trio `phi(d/√2)/√2 (2 Phi(d/√6) - 1) + phi(d/√6)/√6 (2 Phi(d/√2) - 1)`;
    /// triangle `√(2/3) phi(d/√6) (2 Phi(d/√2) - 1)`;
    /// three choices `∫ (z - d) phi(z - d) Phi(z)² dz`;
    /// tetrad `4 ∫ phi(z) phi(z - d) (Phi(z) - Phi(z - d)) dz`.
    ///
    /// # Source
    /// Derivatives of the formulas of [`Protocol::probability`], checked against differences of
    /// it; of the triangle Bi J, Ennis DM, O'Mahony M (1997), Journal of Sensory Studies 12:87-104
    /// (from memory).
    #[must_use]
    pub fn slope(self, d: f64) -> f64 {
        let root6 = 6.0_f64.sqrt();
        match self {
            Self::Paired => normal_pdf(d / SQRT_2) / SQRT_2,
            Self::DuoTrio => {
                normal_pdf(d / SQRT_2) / SQRT_2 * (2.0 * normal_cdf(d / root6) - 1.0)
                    + normal_pdf(d / root6) / root6 * (2.0 * normal_cdf(d / SQRT_2) - 1.0)
            }
            Self::Triangle => {
                (2.0_f64 / 3.0).sqrt()
                    * normal_pdf(d / root6)
                    * (2.0 * normal_cdf(d / SQRT_2) - 1.0)
            }
            Self::ThreeChoices => line(d, |z| (z - d) * normal_pdf(z - d) * normal_cdf(z).powi(2)),
            Self::Tetrad => {
                4.0 * line(d, |z| {
                    normal_pdf(z) * normal_pdf(z - d) * (normal_cdf(z) - normal_cdf(z - d))
                })
            }
        }
    }

    /// Returns the d-prime at which an answer is right with probability `p`, the inverse of
    /// [`Protocol::probability`] (Ennis 1993; citation from memory): 0 at chance and
    /// below, infinite at 1, NaN outside 0 to 1.
    #[must_use]
    pub fn d_prime(self, p: f64) -> f64 {
        if !(0.0..=1.0).contains(&p) {
            return f64::NAN;
        }
        if p <= self.chance() {
            return 0.0;
        }
        let miss = |d: f64| self.probability(d) - p;
        let mut high = 1.0;
        while miss(high) < 0.0 {
            if high > 40.0 {
                return f64::INFINITY;
            }
            high *= 2.0;
        }
        if p >= 1.0 {
            return f64::INFINITY;
        }
        brent_root((0.0, self.chance() - p), (high, miss(high)), miss)
    }
}

/// The integral of a smooth function that dies away on both sides, by the trapezoidal rule (see
/// [`crate::range`] for why that is exact to rounding).
fn line(d: f64, f: impl Fn(f64) -> f64) -> f64 {
    const STEP: f64 = 0.125;
    let (low, high) = (-10.0, 10.0 + d);
    let n = ((high - low) / STEP).ceil() as usize;
    (0..=n).map(|i| f(low + STEP * i as f64)).sum::<f64>() * STEP
}

/// Gauss and Legendre's rule with five points in panels of at most a quarter.
fn legendre(from: f64, to: f64, f: impl Fn(f64) -> f64) -> f64 {
    let root = (10.0_f64 / 7.0).sqrt();
    let (x1, x2) = ((5.0 - 2.0 * root).sqrt() / 3.0, (5.0 + 2.0 * root).sqrt() / 3.0);
    let (w0, s70) = (128.0 / 225.0, 13.0 * 70.0_f64.sqrt());
    let (w1, w2) = ((322.0 + s70) / 900.0, (322.0 - s70) / 900.0);
    let points = [(-x2, w2), (-x1, w1), (0.0, w0), (x1, w1), (x2, w2)];
    let n = ((to - from) / 0.25).ceil().max(1.0) as usize;
    let half = 0.5 * (to - from) / n as f64;
    (0..n)
        .map(|i| {
            let middle = from + half * (2 * i + 1) as f64;
            half * points.iter().map(|(x, w)| w * f(middle + half * x)).sum::<f64>()
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Protocol; 5] = [
        Protocol::Triangle,
        Protocol::DuoTrio,
        Protocol::Paired,
        Protocol::ThreeChoices,
        Protocol::Tetrad,
    ];

    // The closed slopes against differences of the probability: the step squared, and the normal
    // tail's last digits over the step.
    #[test]
    fn slopes_are_those_of_the_probability() {
        for protocol in ALL {
            for d in [0.3, 1.0, 2.2, 4.0] {
                let h = 1e-4;
                let by_steps =
                    (protocol.probability(d + h) - protocol.probability(d - h)) / (2.0 * h);
                let slope = protocol.slope(d);
                assert!((slope - by_steps).abs() < 2e-7, "{protocol:?} {d}: {slope} {by_steps}");
            }
        }
    }

    // The triangle's integral as its decision rule gives it, by many small steps.
    #[test]
    fn the_triangle_is_the_integral_of_its_rule() {
        for d in [0.5_f64, 1.5, 3.0, 6.0] {
            let shift = d * (2.0_f64 / 3.0).sqrt();
            let rule = |z: f64| {
                let z3 = -z * 3.0_f64.sqrt();
                2.0 * (normal_cdf(z3 + shift) + normal_cdf(z3 - shift)) * normal_pdf(z)
            };
            let by_rule = legendre(0.0, 12.0, rule);
            let off = (Protocol::Triangle.probability(d) - by_rule).abs();
            assert!(off < 1e-9, "{d}: {off}");
        }
    }

    #[test]
    fn d_prime_turns_the_probability_round() {
        for protocol in ALL {
            for d in [0.05, 0.7, 1.9, 4.5] {
                let back = protocol.d_prime(protocol.probability(d));
                assert!((back - d).abs() < 1e-8, "{protocol:?} {d} {back}");
            }
            assert_eq!(protocol.d_prime(protocol.chance()), 0.0);
            assert_eq!(protocol.d_prime(0.1), 0.0);
            assert_eq!(protocol.d_prime(1.0), f64::INFINITY);
            assert!(protocol.d_prime(1.1).is_nan());
            assert!(protocol.probability(f64::NAN).is_nan());
        }
    }
}
