//! The deviance at some ratios, with its slope and its average information.
//!
//! With `A = Z'QZ` (`Q` takes off the cells), `T` the roots of the ratios and `x` the effects in the
//! columns `Z T`: `K = T A T + I`, `log |V| + log |X'V^-1X| = log |K| + log |X'X|`, `x = K^-1 T Z'Qy`,
//! `y'Py = y'Qy - (T Z'Qy)' x`, `T Z'PZ T = I - K^-1`, `T^-1 x = Z'Py`. Further fixed columns stand
//! in `K` with a root of 1 and without the `I`. Each leaf is solved by itself, then the core.

use super::FEW;
use super::layout::Layout;
use crate::mixed::dense::{factored, inverse_of_factored, mirror, small_inverse};
use crate::mixed::matrices::dot;
use crate::mixed::optimise::{Slopes, Target};
use faer::linalg::triangular_solve::{
    solve_lower_triangular_in_place, solve_upper_triangular_in_place,
};
use faer::{Col, Mat, Par};
use std::f64::consts::PI;

/// Slopes are taken at no ratio below this.
pub(super) const FLOOR: f64 = 1e-8;

/// The scores in this layout.
#[derive(Debug, Clone)]
pub(super) struct Scores {
    /// The means of the cells.
    pub means: Vec<f64>,
    /// Products of what the cells leave with all columns.
    pub products: Vec<f64>,
    /// The square sum of what they leave.
    pub total: f64,
    /// Variances by MINQUE(0) are made of these.
    pub crude: Vec<f64>,
}

/// What is searched.
pub(super) struct Objective<'a> {
    pub layout: &'a Layout,
    pub scores: &'a Scores,
}

/// The leaves of one kind at some ratios.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct SolvedLeaf {
    /// The inverse of its own part of `K`.
    pub inverse: Mat<f64>,
    /// That times its products with the core.
    pub across: Mat<f64>,
}

/// Solved equations.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Solved {
    pub deviance: f64,
    pub sigma2: f64,
    /// `y'Py`.
    pub square: f64,
    /// The effects in the columns `Z T`, then the further fixed ones.
    pub effects: Vec<f64>,
    /// The roots of the ratios.
    pub roots: Vec<f64>,
    /// One a kind of leaves.
    pub leaves: Vec<SolvedLeaf>,
    /// The inverse of the core, where it was asked for; else the factor of the core.
    pub core: Mat<f64>,
}

/// Slope and average information.
pub(super) struct At {
    deviance: f64,
    /// The equations at the ratios, raised to [`FLOOR`].
    pub solved: Solved,
    slope: Vec<f64>,
    curvature: Mat<f64>,
}

impl Slopes for At {
    fn deviance(&self) -> f64 {
        self.deviance
    }
    fn slope(&self) -> &[f64] {
        &self.slope
    }
    fn curvature(&self) -> &Mat<f64> {
        &self.curvature
    }
}

impl Target for Objective<'_> {
    type At = At;
    const EXACT: bool = false;

    fn deviance(&self, ratios: &[f64]) -> Option<f64> {
        Some(self.solve(ratios)?.deviance)
    }

    fn derivatives(&self, ratios: &[f64]) -> Option<At> {
        let raised: Vec<f64> = ratios.iter().map(|g| g.max(FLOOR)).collect();
        let s = self.inverted(&raised)?;
        let df = self.df();
        let traces = self.traces(&s);
        let modes = self.modes(&s);
        let (mixed, squares) = self.average(&s, &modes, &raised);
        let r = s.square;
        let k = squares.len();
        let slope: Vec<f64> = (0..k).map(|i| traces[i] - df * squares[i] / r).collect();
        let curvature =
            Mat::from_fn(k, k, |i, j| df * (mixed[(i, j)] / r - squares[i] * squares[j] / (r * r)));
        let finite = slope.iter().all(|v| v.is_finite()) && curvature.norm_max().is_finite();
        finite.then_some(At { deviance: s.deviance, solved: s, slope, curvature })
    }

    fn df(&self) -> f64 {
        (self.layout.n - self.layout.n_fixed) as f64
    }

    fn crude(&self) -> &[f64] {
        &self.scores.crude
    }

    fn gram(&self) -> &Mat<f64> {
        &self.layout.gram
    }

    fn near(&self) -> Option<Vec<f64>> {
        self.start()
    }

    fn deviance_inside(&self, at: &At, ratios: &[f64], term: usize, ratio: f64) -> Option<f64> {
        let part = &self.layout.parts[term];
        if part.has_leaves || part.core.len() > FEW {
            let mut ratios = ratios.to_vec();
            ratios[term] = ratio;
            return self.deviance(&ratios);
        }
        // Few columns more: |V + d Z Z'| = |V| |I + d Z'PZ|, and y'Py loses d m' (I + d Z'PZ)^-1 m.
        let (s, n) = (&at.solved, part.core.len());
        let floor = s.roots[term].powi(2);
        let (d, first) = (ratio - floor, part.core.start);
        let grown = Mat::from_fn(n, n, |i, j| {
            let one = if i == j { 1.0 } else { 0.0 };
            one + d * (one - s.core[(first + i, first + j)]) / floor
        });
        let (inverse, log) = small_inverse(&grown)?;
        let own = &self.layout.core[part.core.clone()];
        let modes: Vec<f64> = own.iter().map(|&c| s.effects[c] / s.roots[term]).collect();
        let square = s.square - d * dot(&modes, &small_times(&inverse, &modes));
        (square > 0.0).then(|| s.deviance + log + self.df() * (square / s.square).ln())
    }
}

impl Objective<'_> {
    /// Solves the equations, for the deviance; none if they are singular to working accuracy.
    pub fn solve(&self, ratios: &[f64]) -> Option<Solved> {
        self.solved(ratios, false)
    }

    /// Solves the equations and inverts those of the core, for what is further asked of them.
    pub fn inverted(&self, ratios: &[f64]) -> Option<Solved> {
        self.solved(ratios, true)
    }

    fn solved(&self, ratios: &[f64], inverted: bool) -> Option<Solved> {
        let layout = self.layout;
        let roots: Vec<f64> = ratios.iter().map(|g| g.sqrt()).collect();
        let n_core = layout.core.len();
        let along: Vec<f64> =
            (0..n_core).map(|c| layout.term_of_core(c).map_or(1.0, |i| roots[i])).collect();
        let mut core = Mat::<f64>::zeros(n_core, n_core);
        for c in 0..n_core {
            let given = layout.products.col_as_slice(c);
            let target = core.col_as_slice_mut(c);
            for r in c..n_core {
                target[r] = along[c] * along[r] * given[r];
            }
            if c < n_core - layout.n_further {
                target[c] += 1.0;
            }
        }
        let (mut log_det, mut effects) = (0.0, vec![0.0; layout.n_random + layout.n_further]);
        let mut right: Vec<f64> =
            layout.core.iter().zip(&along).map(|(&c, t)| t * self.scores.products[c]).collect();
        let mut square = self.scores.total;
        let mut leaves = Vec::with_capacity(layout.kinds.len());
        for &(first, count) in &layout.kinds {
            let (leaf, count) = (&layout.leaves[first], count as f64);
            let n = leaf.columns.len();
            let t: Vec<f64> = leaf.terms.iter().map(|&i| roots[i]).collect();
            let own = Mat::from_fn(n, n, |i, j| {
                t[i] * leaf.own[(i, j)] * t[j] + if i == j { 1.0 } else { 0.0 }
            });
            let (inverse, log) = small_inverse(&own)?;
            log_det += count * log;
            let n_support = leaf.support.len();
            let mut cross = Mat::<f64>::zeros(n, n_support);
            let mut across = Mat::<f64>::zeros(n, n_support);
            for (j, &s) in leaf.support.iter().enumerate() {
                let column = cross.col_as_slice_mut(j);
                for ((v, given), t) in column.iter_mut().zip(leaf.cross.col_as_slice(j)).zip(&t) {
                    *v = along[s] * given * t;
                }
                let target = across.col_as_slice_mut(j);
                for (k, &v) in column.iter().enumerate() {
                    for (a, i) in target.iter_mut().zip(inverse.col_as_slice(k)) {
                        *a += v * i;
                    }
                }
            }
            for (j, &s) in leaf.support.iter().enumerate() {
                let own = across.col_as_slice(j);
                let target = core.col_as_slice_mut(s);
                for (i, &r) in leaf.support.iter().enumerate().skip(j) {
                    target[r] -= count * dot(own, cross.col_as_slice(i));
                }
            }
            leaves.push(SolvedLeaf { inverse, across });
        }
        for (leaf, &kind) in layout.leaves.iter().zip(&layout.kind_of) {
            let solved = &leaves[kind];
            let b: Vec<f64> = leaf
                .columns
                .iter()
                .zip(&leaf.terms)
                .map(|(&c, &i)| roots[i] * self.scores.products[c])
                .collect();
            let x = small_times(&solved.inverse, &b);
            square -= dot(&b, &x);
            for (j, &s) in leaf.support.iter().enumerate() {
                right[s] -= dot(&b, solved.across.col_as_slice(j));
            }
            for (&c, x) in leaf.columns.iter().zip(&x) {
                effects[c] = *x;
            }
        }
        if !factored(&mut core) {
            return None;
        }
        log_det += (0..n_core).map(|i| 2.0 * core[(i, i)].ln()).sum::<f64>();
        let mut of_core = Col::from_fn(n_core, |i| right[i]);
        solve_lower_triangular_in_place(core.as_ref(), of_core.as_mut().as_mat_mut(), Par::Seq);
        let back = core.transpose();
        solve_upper_triangular_in_place(back, of_core.as_mut().as_mat_mut(), Par::Seq);
        for (i, &c) in layout.core.iter().enumerate() {
            square -= right[i] * of_core[i];
            effects[c] = of_core[i];
        }
        for (leaf, &kind) in layout.leaves.iter().zip(&layout.kind_of) {
            for (j, &s) in leaf.support.iter().enumerate() {
                for (&c, w) in leaf.columns.iter().zip(leaves[kind].across.col_as_slice(j)) {
                    effects[c] -= w * of_core[s];
                }
            }
        }
        let df = self.df();
        let sigma2 = square / df;
        let deviance = log_det + layout.log_cells + df * (1.0 + (2.0 * PI * sigma2).ln());
        let sound = square > 1e-13 * self.scores.total && deviance.is_finite();
        let core = if inverted { inverse_of_factored(core) } else { core };
        sound.then_some(Solved { deviance, sigma2, square, effects, roots, leaves, core })
    }

    /// `tr Z_k'PZ_k` of each term, from the inverse of the core.
    pub fn traces(&self, s: &Solved) -> Vec<f64> {
        let (layout, c) = (self.layout, &s.core);
        let mut own = vec![0.0; layout.parts.len()];
        for (part, own) in layout.parts.iter().zip(&mut own) {
            *own = part.core.clone().map(|i| 1.0 - c[(i, i)]).sum();
        }
        for (&(first, count), solved) in layout.kinds.iter().zip(&s.leaves) {
            let leaf = &layout.leaves[first];
            for (term, spread) in leaf.terms.iter().zip(leaf_spreads(leaf, solved, c)) {
                own[*term] += count as f64 * (1.0 - spread);
            }
        }
        own.iter().zip(&s.roots).map(|(v, t)| v / (t * t)).collect()
    }

    /// `Z'Py`, at ratios that are not zero.
    pub fn modes(&self, s: &Solved) -> Vec<f64> {
        self.modes_of(s.effects.clone(), &s.roots)
    }

    /// The same from effects of these scores.
    pub fn modes_of(&self, mut modes: Vec<f64>, roots: &[f64]) -> Vec<f64> {
        for (part, t) in self.layout.parts.iter().zip(roots) {
            let own = &mut modes[part.first..part.first + part.n_levels];
            own.iter_mut().for_each(|m| *m = if *t > 0.0 { *m / t } else { 0.0 });
        }
        modes[self.layout.n_random..].fill(0.0);
        modes
    }

    /// The effects of these scores by equations that were solved for others, and `y'Py`.
    pub fn effects_by(&self, s: &Solved) -> (Vec<f64>, f64) {
        let mut b = self.scores.products.clone();
        for (part, t) in self.layout.parts.iter().zip(&s.roots) {
            b[part.first..part.first + part.n_levels].iter_mut().for_each(|v| *v *= t);
        }
        let x = self.solution(s, &b);
        let square = self.scores.total - dot(&b, &x);
        (x, square)
    }

    /// `K^-1 b`, with the inverse of the core.
    fn solution(&self, s: &Solved, b: &[f64]) -> Vec<f64> {
        let layout = self.layout;
        let mut out = vec![0.0; b.len()];
        let mut right: Vec<f64> = layout.core.iter().map(|&c| b[c]).collect();
        for (leaf, &kind) in layout.leaves.iter().zip(&layout.kind_of) {
            let solved = &s.leaves[kind];
            let own: Vec<f64> = leaf.columns.iter().map(|&c| b[c]).collect();
            if own.iter().all(|v| *v == 0.0) {
                continue;
            }
            for (j, &at) in leaf.support.iter().enumerate() {
                right[at] -= dot(&own, solved.across.col_as_slice(j));
            }
            for (&c, x) in leaf.columns.iter().zip(small_times(&solved.inverse, &own)) {
                out[c] = x;
            }
        }
        let x = small_times(&s.core, &right);
        for (i, &c) in layout.core.iter().enumerate() {
            out[c] = x[i];
        }
        for (leaf, &kind) in layout.leaves.iter().zip(&layout.kind_of) {
            for (j, &at) in leaf.support.iter().enumerate() {
                for (&c, w) in leaf.columns.iter().zip(s.leaves[kind].across.col_as_slice(j)) {
                    out[c] -= w * x[at];
                }
            }
        }
        out
    }

    /// `y'P V_k P V_l P y` and `y'P V_k P y`; zero for terms whose ratio is zero.
    pub fn average(&self, s: &Solved, modes: &[f64], ratios: &[f64]) -> (Mat<f64>, Vec<f64>) {
        let parts = &self.layout.parts;
        let k = parts.len();
        let range = |i: usize| parts[i].first..parts[i].first + parts[i].n_levels;
        let squares: Vec<f64> = (0..k).map(|i| dot(&modes[range(i)], &modes[range(i)])).collect();
        let mut mixed = Mat::<f64>::zeros(k, k);
        for l in (0..k).filter(|&l| ratios[l] > 0.0) {
            let mut b = vec![0.0; modes.len()];
            for c in range(l) {
                b[c] = modes[c] / s.roots[l];
            }
            let x = self.solution(s, &b);
            for j in (0..=l).filter(|&j| ratios[j] > 0.0) {
                let value: f64 =
                    range(j).map(|c| modes[c] * (b[c] - x[c])).sum::<f64>() / s.roots[j];
                mixed[(l, j)] = value;
                mixed[(j, l)] = value;
            }
        }
        (mixed, squares)
    }
}

/// The diagonal of `K^-1` in a leaf, from the inverse of the core.
pub(super) fn leaf_spreads(
    leaf: &super::layout::Leaf,
    solved: &SolvedLeaf,
    c: &Mat<f64>,
) -> Vec<f64> {
    let n = leaf.columns.len();
    let mut out: Vec<f64> = (0..n).map(|a| solved.inverse[(a, a)]).collect();
    let mut turned = vec![0.0; n];
    for (j, &s) in leaf.support.iter().enumerate() {
        let column = c.col_as_slice(s);
        // Twice what comes before, and half of the diagonal twice.
        turned.fill(0.0);
        for (i, &r) in leaf.support[..j].iter().enumerate() {
            let by = column[r];
            for (t, w) in turned.iter_mut().zip(solved.across.col_as_slice(i)) {
                *t += by * w;
            }
        }
        let own = solved.across.col_as_slice(j);
        for ((o, t), w) in out.iter_mut().zip(&turned).zip(own) {
            *o += w * (2.0 * t + column[s] * w);
        }
    }
    out
}

pub(super) fn small_times(m: &Mat<f64>, v: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; m.nrows()];
    for (c, &value) in v.iter().enumerate() {
        for (o, m) in out.iter_mut().zip(m.col_as_slice(c)) {
            *o += m * value;
        }
    }
    out
}

/// `W' E W` of one term in every leaf, over the core.
pub(super) fn gathered(layout: &Layout, s: &Solved, term: usize) -> Mat<f64> {
    let n = layout.core.len();
    let mut out = Mat::<f64>::zeros(n, n);
    for (&(first, count), solved) in layout.kinds.iter().zip(&s.leaves) {
        let (leaf, count) = (&layout.leaves[first], count as f64);
        let own: Vec<usize> = (0..leaf.terms.len()).filter(|&a| leaf.terms[a] == term).collect();
        if own.is_empty() {
            continue;
        }
        for (j, &c) in leaf.support.iter().enumerate() {
            let column = solved.across.col_as_slice(j);
            let target = out.col_as_slice_mut(c);
            for (i, &r) in leaf.support.iter().enumerate().skip(j) {
                let other = solved.across.col_as_slice(i);
                target[r] += count * own.iter().map(|&a| column[a] * other[a]).sum::<f64>();
            }
        }
    }
    mirror(&mut out);
    out
}
