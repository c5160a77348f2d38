//! Gauss and Hermite's quadrature for the standard normal density.

/// Nodes and weights: the mean of f over a standard normal variable is near `sum w f(x)`, exact for
/// polynomials up to degree 2n - 1. Newton's method on the orthonormal Hermite polynomials, from
/// the largest root downwards; n from 1 to 50.
///
/// Source: Abramowitz M, Stegun IA (1964), Handbook of Mathematical Functions, 25.4.46.
pub(super) fn normal_rule(n: usize) -> Vec<(f64, f64)> {
    let mut rule = Vec::with_capacity(n);
    // Orthonormal for the density: h_0 = 1, h_k = (x h_{k-1} - sqrt(k-1) h_{k-2}) / sqrt(k).
    let at = |x: f64| {
        let (mut before, mut now) = (0.0, 1.0);
        for k in 1..=n {
            let next = (x * now - ((k - 1) as f64).sqrt() * before) / (k as f64).sqrt();
            (before, now) = (now, next);
        }
        (now, before)
    };
    let mut roots: Vec<f64> = Vec::with_capacity(n);
    for i in 0..n {
        // Deflation keeps Newton's method from a root that is known; it starts above the largest.
        let mut x = roots.last().map_or(2.0 * (n as f64).sqrt() + 1.0, |r| r - 1e-3);
        for _ in 0..200 {
            let (value, below) = at(x);
            let slope = (n as f64).sqrt() * below;
            let pull: f64 = roots.iter().map(|r| 1.0 / (x - r)).sum();
            let step = value / (slope - value * pull);
            x -= step;
            if step.abs() < 1e-15 * (1.0 + x.abs()) {
                break;
            }
        }
        if 2 * i + 1 == n {
            x = 0.0;
        }
        roots.push(x);
    }
    for x in roots {
        let (_, below) = at(x);
        rule.push((x, 1.0 / (n as f64 * below * below)));
    }
    rule
}

#[cfg(test)]
mod tests {
    use super::*;

    // Abramowitz and Stegun 1964, table 25.10 (n = 5, there for exp(-x^2)), from memory: x 0.9585724646
    // and 2.0201828705, weights 0.3936193232 and 0.0199532421.
    #[test]
    fn five_points_are_those_of_the_printed_table() {
        let rule = normal_rule(5);
        let (root2, root_pi) = (2f64.sqrt(), std::f64::consts::PI.sqrt());
        for (at, x, w) in
            [(0, 2.020_182_870_5, 0.019_953_242_1), (1, 0.958_572_464_6, 0.393_619_323_2)]
        {
            assert!((rule[at].0 / root2 - x).abs() < 1e-10, "{rule:?}");
            assert!((rule[at].1 * root_pi - w).abs() < 1e-10, "{rule:?}");
        }
    }

    #[test]
    fn moments_of_the_normal_are_exact() {
        for n in [1, 2, 3, 7, 15, 25, 50] {
            let rule = normal_rule(n);
            let moment = |p: i32| rule.iter().map(|(x, w)| w * x.powi(p)).sum::<f64>();
            assert!((moment(0) - 1.0).abs() < 1e-12, "{n}");
            assert!(moment(1).abs() < 1e-12, "{n}");
            if n >= 4 {
                assert!((moment(2) - 1.0).abs() < 1e-11, "{n}");
                assert!((moment(6) - 15.0).abs() < 1e-9, "{n}");
            }
        }
    }
}
