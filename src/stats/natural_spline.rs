//! Natural cubic splines: cubic between knots, straight beyond the outer two.
//!
//! # Source
//! Hastie T, Tibshirani R, Friedman J (2009), The Elements of Statistical Learning, 2nd ed.,
//! formulas 5.4 and 5.5 (from memory): with knots `k_1 < … < k_K` the functions 1, x and
//! `d_j(x) - d_{K-1}(x)`, `d_j(x) = ((x - k_j)+³ - (x - k_K)+³) / (k_K - k_j)`, j up to K - 2, span
//! all natural cubic splines.

/// The natural cubic splines with some knots.
#[derive(Debug, Clone, PartialEq)]
pub struct NaturalSpline {
    knots: Vec<f64>,
}

impl NaturalSpline {
    /// Prepares the splines with `knots`, the outer two included, in units of x (Hastie,
    /// Tibshirani and Friedman 2009, 5.4 and 5.5; the head of this module); none unless there are
    /// two or more, finite and rising.
    #[must_use]
    pub fn new(knots: &[f64]) -> Option<Self> {
        let rising = knots.windows(2).all(|w| w[0] < w[1]);
        (knots.len() > 1 && rising && knots.iter().all(|k| k.is_finite()))
            .then(|| Self { knots: knots.to_vec() })
    }

    /// Returns the knots, the outer two included, in units of x.
    #[must_use]
    pub fn knots(&self) -> &[f64] {
        &self.knots
    }

    /// Returns the value at `x` of each function of the basis, as many as there are knots: 1, then x
    /// and the cubic ones with x counted from the first knot in lengths of the whole (the formulas
    /// above, in units that keep the numbers near 1).
    #[must_use]
    pub fn row(&self, x: f64) -> Vec<f64> {
        let (first, last) = (self.knots[0], self.knots[self.knots.len() - 1]);
        let of = |v: f64| (v - first) / (last - first);
        let x = of(x);
        let cube = |v: f64| v.max(0.0).powi(3);
        let bent = |k: f64| (cube(x - of(k)) - cube(x - 1.0)) / (1.0 - of(k));
        let inner = self.knots.len() - 2;
        let end = bent(self.knots[inner]);
        let mut row = vec![1.0, x];
        row.extend(self.knots[..inner].iter().map(|k| bent(*k) - end));
        row
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn beyond_the_outer_knots_it_is_straight_and_knots_must_rise() {
        let s = NaturalSpline::new(&[1.0, 2.0, 4.0, 7.0]).unwrap();
        for from in [-5.0, 7.0] {
            let [a, b, c] = [0.0, 1.0, 2.0].map(|step| s.row(from + step));
            for j in 0..4 {
                assert!((a[j] - 2.0 * b[j] + c[j]).abs() < 1e-12, "{from} {j}");
            }
        }
        assert!(NaturalSpline::new(&[1.0]).is_none());
        assert!(NaturalSpline::new(&[1.0, 1.0]).is_none());
        assert!(NaturalSpline::new(&[1.0, f64::NAN]).is_none());
    }
}
