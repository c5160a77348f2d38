//! `Z'PZ` as a whole, for layouts with few random effects, and the traces made of it.

use super::deviance::{Deviance, Solved};
use super::layout::{Entry, Layout, both};
use crate::mixed::Method;
use faer::linalg::solvers::DenseSolveCore;
use faer::{Mat, Side};

/// Up to this number of random effects `Z'PZ` is formed as a whole where nothing else serves.
pub(in crate::mixed) const WHOLE_MAX: usize = 1500;
/// Up to this number curvatures are made of it.
pub(in crate::mixed) const EXACT_MAX: usize = 150;

impl Deviance<'_, '_> {
    /// `Z'PZ` by REML, `Z'V^-1Z` by ML, a column for each random effect.
    pub fn whole(&self, s: &Solved<'_>) -> Mat<f64> {
        let q = self.layout.n_random;
        let mut m = Mat::<f64>::zeros(q, q);
        let mut unit = vec![0.0; q];
        for c in 0..q {
            unit[c] = 1.0;
            m.col_as_slice_mut(c).copy_from_slice(&self.turned(s, &unit));
            unit[c] = 0.0;
        }
        if self.method == Method::Ml {
            // V^-1 = P + V^-1 X C X'V^-1, with Z'V^-1XC at hand.
            let e = self.fixed_columns(s);
            let p = self.layout.n_fixed;
            let mut met = Mat::<f64>::zeros(q, p);
            for c in 0..p {
                met.col_as_slice_mut(c).copy_from_slice(&self.turned_up(s, e.col_as_slice(c)));
            }
            if let Ok(own) = e.as_ref().subrows(q, p).llt(Side::Lower) {
                m += &met * own.inverse() * met.transpose();
            }
        }
        m
    }
}

/// `tr(S_k M S_l M)` of all pairs of parameters.
pub(in crate::mixed) fn traces(layout: &Layout, m: &Mat<f64>) -> Mat<f64> {
    let k = layout.entries.len();
    let mut out = Mat::<f64>::zeros(k, k);
    for (l, &f) in layout.entries.iter().enumerate() {
        for (j, &g) in layout.entries.iter().enumerate().take(l + 1) {
            let value = trace(layout, m, f, g);
            out[(l, j)] = value;
            out[(j, l)] = value;
        }
    }
    out
}

fn trace(layout: &Layout, m: &Mat<f64>, f: Entry, g: Entry) -> f64 {
    let (own, other) = (&layout.blocks[f.block], &layout.blocks[g.block]);
    let mut sum = 0.0;
    for (z, w) in both(g.a, g.b) {
        for (x, y) in both(f.a, f.b) {
            for level in (other.first..other.end()).step_by(other.width()) {
                let (left, right) = (m.col_as_slice(level + z), m.col_as_slice(level + w));
                for at in (own.first..own.end()).step_by(own.width()) {
                    sum += left[at + y] * right[at + x];
                }
            }
        }
    }
    sum
}
