//! The probability of one level between two thresholds, with its derivatives.

use super::Link;
use crate::dist::{normal_cdf, normal_pdf, normal_sf};

/// The logarithm of `F(a) - F(c)` and its derivatives in a (upper end) and c (lower end).
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    /// The logarithm of the probability.
    pub log_p: f64,
    /// First derivatives.
    pub a: f64,
    pub c: f64,
    /// Second derivatives.
    pub aa: f64,
    pub ac: f64,
    pub cc: f64,
    /// Third derivatives.
    third: [f64; 4],
}

impl Cell {
    /// The cell between `c` and `a`; `None` if nothing lies between them.
    pub fn new(link: Link, a: f64, c: f64) -> Option<Self> {
        // Of the densities over p: themselves, their first and their second derivatives.
        let (p, upper, lower) = match link {
            Link::Logit => logit(a, c),
            Link::Probit => probit(a, c),
        };
        if p.is_nan() || p <= 0.0 {
            return None;
        }
        let ([u, u1, u2], [l, l1, l2]) = (upper, lower);
        Some(Self {
            log_p: p.ln(),
            a: u,
            c: -l,
            aa: u1 - u * u,
            ac: u * l,
            cc: -l1 - l * l,
            third: [
                u2 - 3.0 * u * u1 + 2.0 * u * u * u,
                u1 * l - 2.0 * u * u * l,
                u * l1 + 2.0 * u * l * l,
                -l2 - 3.0 * l * l1 - 2.0 * l * l * l,
            ],
        })
    }

    /// How fast the logarithm falls as the predictor rises (it moves both ends down).
    pub fn slope(&self) -> f64 {
        self.a + self.c
    }

    /// The curvature of minus the logarithm in the predictor: 0 or more.
    pub fn curvature(&self) -> f64 {
        -(self.aa + 2.0 * self.ac + self.cc)
    }

    /// The derivatives of the curvature in a and in c.
    pub fn curvature_slopes(&self) -> (f64, f64) {
        let [aaa, aac, acc, ccc] = self.third;
        (-(aaa + 2.0 * aac + acc), -(aac + 2.0 * acc + ccc))
    }
}

/// `F(a) - F(c) = F(a) F(-c) (1 - exp(c - a))` keeps its digits in both tails.
fn logit(a: f64, c: f64) -> (f64, [f64; 3], [f64; 3]) {
    let (ea, ec) = ((-a.abs()).exp(), (-c.abs()).exp());
    // F(x) and F(-x).
    let both = |x: f64, e: f64| {
        let (small, large) = (e / (1.0 + e), 1.0 / (1.0 + e));
        if x >= 0.0 { (large, small) } else { (small, large) }
    };
    let ((fa, ga), (fc, gc)) = (both(a, ea), both(c, ec));
    let between = if a.is_finite() && c.is_finite() { -(c - a).exp_m1() } else { 1.0 };
    let u = ga / (gc * between);
    let l = fc / (fa * between);
    let parts = |d: f64, f: f64, g: f64| [d, d * (1.0 - 2.0 * f), d * (1.0 - 6.0 * f * g)];
    (fa * gc * between, parts(u, fa, ga), parts(l, fc, gc))
}

fn probit(a: f64, c: f64) -> (f64, [f64; 3], [f64; 3]) {
    let p = if c > 0.0 { normal_sf(c) - normal_sf(a) } else { normal_cdf(a) - normal_cdf(c) };
    let parts = |x: f64| {
        if x.is_finite() {
            let d = normal_pdf(x) / p;
            [d, -x * d, (x * x - 1.0) * d]
        } else {
            [0.0; 3]
        }
    };
    (p, parts(a), parts(c))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_are_those_of_differences() {
        let h = 1e-5;
        for link in [Link::Logit, Link::Probit] {
            for (a, c) in [(0.7, -0.4), (3.0, 2.2), (-1.0, -2.5), (4.0, -3.0)] {
                let at = |da: f64, dc: f64| Cell::new(link, a + da, c + dc).unwrap();
                let mid = at(0.0, 0.0);
                let slope = |f: &dyn Fn(&Cell) -> f64| {
                    (
                        (f(&at(h, 0.0)) - f(&at(-h, 0.0))) / (2.0 * h),
                        (f(&at(0.0, h)) - f(&at(0.0, -h))) / (2.0 * h),
                    )
                };
                let near = |got: f64, want: f64| {
                    assert!((got - want).abs() < 1e-7 * (1.0 + want.abs()), "{got} {want}");
                };
                let (by_a, by_c) = slope(&|x| x.log_p);
                near(mid.a, by_a);
                near(mid.c, by_c);
                let (by_a, by_c) = slope(&|x| x.a);
                near(mid.aa, by_a);
                near(mid.ac, by_c);
                near(mid.cc, slope(&|x| x.c).1);
                let (by_a, by_c) = slope(&Cell::curvature);
                near(mid.curvature_slopes().0, by_a);
                near(mid.curvature_slopes().1, by_c);
            }
        }
    }

    #[test]
    fn the_levels_of_a_scale_have_all_probability() {
        for link in [Link::Logit, Link::Probit] {
            let ends = [f64::NEG_INFINITY, -1.5, 0.2, 2.0, f64::INFINITY];
            let sum: f64 =
                ends.windows(2).map(|w| Cell::new(link, w[1], w[0]).unwrap().log_p.exp()).sum();
            assert!((sum - 1.0).abs() < 1e-14, "{sum}");
            assert!(Cell::new(link, 0.3, 0.3).is_none());
            assert!(Cell::new(link, 0.1, 0.3).is_none());
        }
    }
}
