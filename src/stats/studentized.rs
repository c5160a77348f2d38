//! A statistic of normals over an independent standard deviation with `df` degrees of freedom:
//! from the tail over known deviations to the tail over estimated ones.
//!
//! # Formula
//! With `T(w)` the chance that the statistic of standard normals exceeds `w`, and `S` the square
//! root of a chi-square over its `df`, the upper tail at `q` is the mean of `T(q S)`. `ln T` is
//! tabulated at Chebyshev points once; the mean is taken in the logarithm of `S` by the trapezoidal
//! rule, which for smooth functions that die away on both sides converges faster than any power of
//! its step (Trefethen and Weideman 2014, SIAM Review 56:385-458).

use crate::special::{Direction, HALF_LN_2PI, brent_root, solve_tail, stirling_error};
use std::f64::consts::LN_2;
use std::ops::Range;

/// Chebyshev points in each panel of unit width.
const POINTS: usize = 13;

/// A tail over known deviations, tabulated.
#[derive(Debug, Clone)]
pub(crate) struct Studentized {
    first: i32,
    /// `ln T` at the Chebyshev points of each panel.
    log_tail: Vec<[f64; POINTS]>,
    /// Chebyshev points of the first kind on 0 to 1, with their barycentric weights.
    points: [(f64, f64); POINTS],
}

impl Studentized {
    /// Tabulates a falling tail over whole panels; below them it counts as 1, above as 0.
    pub(crate) fn new(panels: Range<i32>, tail: impl Fn(f64) -> f64) -> Self {
        let mut points = [(0.0, 0.0); POINTS];
        for (j, point) in points.iter_mut().enumerate() {
            let angle = (2 * j + 1) as f64 * std::f64::consts::PI / (2 * POINTS) as f64;
            let sign = if j % 2 == 0 { 1.0 } else { -1.0 };
            *point = (0.5 - 0.5 * angle.cos(), sign * angle.sin());
        }
        let first = panels.start;
        let log_tail =
            panels.map(|panel| points.map(|(x, _)| tail(f64::from(panel) + x).ln())).collect();
        Studentized { first, log_tail, points }
    }

    fn normal_tail(&self, w: f64) -> f64 {
        let place = w - f64::from(self.first);
        if place <= 0.0 {
            return 1.0;
        }
        let Some(panel) = self.log_tail.get(place as usize) else {
            return 0.0;
        };
        let x = place - place.floor();
        let (mut above, mut below) = (0.0, 0.0);
        for (&(point, weight), &value) in self.points.iter().zip(panel) {
            if x == point {
                return value.exp();
            }
            let share = weight / (x - point);
            above += share * value;
            below += share;
        }
        (above / below).exp()
    }

    /// The chance that the studentized statistic exceeds `q`; `df` may be broken or infinite.
    /// NaN for `df <= 0`.
    pub(crate) fn sf(&self, q: f64, df: f64) -> f64 {
        if q.is_nan() || df.is_nan() || df <= 0.0 {
            return f64::NAN;
        }
        if q.is_infinite() {
            return if q > 0.0 { 0.0 } else { 1.0 };
        }
        if df.is_infinite() || q == 0.0 {
            return self.normal_tail(q);
        }
        // ln S has the density exp(log_front + df (u - (e^2u - 1) / 2)), near a normal with
        // standard deviation 1 / sqrt(2 df) once df is large.
        let log_front = LN_2 + 0.5 * (0.5 * df).ln() - HALF_LN_2PI - stirling_error(0.5 * df);
        let step = (0.5 / (2.0 * df).sqrt()).min(0.1);
        let part = |u: f64| {
            (log_front + df * (u - 0.5 * (2.0 * u).exp_m1())).exp() * self.normal_tail(q * u.exp())
        };
        // From a point where neither factor vanishes, outwards until nothing more is added.
        let start = if q > 0.0 { (17.0 / q).ln().min(0.0) } else { 0.0 };
        let mut sum = part(start);
        for direction in [-1.0, 1.0] {
            let mut before = 0.0;
            for i in 1..20_000 {
                let next = part(start + direction * step * f64::from(i));
                sum += next;
                if next <= before && next <= 1e-17 * sum {
                    break;
                }
                before = next;
            }
        }
        (sum * step).min(1.0)
    }

    /// The `q` that is exceeded with chance `p_upper`.
    pub(crate) fn quantile_upper(&self, p_upper: f64, df: f64) -> f64 {
        if !(0.0..=1.0).contains(&p_upper) || df.is_nan() || df <= 0.0 {
            return f64::NAN;
        }
        if p_upper == 0.0 {
            return f64::INFINITY;
        }
        if p_upper <= self.sf(0.0, df) {
            return solve_tail(p_upper, |u| self.sf(u.exp(), df), Direction::Falling).exp();
        }
        if self.first >= 0 {
            return 0.0;
        }
        let miss = |q: f64| p_upper - self.sf(q, df);
        let mut low = -1.0;
        while miss(low) > 0.0 && low > -1e6 {
            low *= 2.0;
        }
        brent_root((low, miss(low)), (0.0, miss(0.0)), miss)
    }
}
