//! Layouts as one sparse system: many lots, cells and sessions, and effects that are correlated.
//!
//! `layout` holds the cross-products, `cholesky` factors them, `deviance` gives the deviance and its
//! slope, `search` finds its least value, and this file makes a [`Fit`] of it.

pub(super) mod cholesky;
pub(super) mod deviance;
pub(super) mod exact;
pub(super) mod layout;
pub(super) mod search;
pub(super) mod tables;

use super::identify::told_apart;
use super::matrices::{Basis, Model, dot};
use super::report::{Component, Correlation, Fit, Mode, Parts, assemble};
use super::{Method, MixedError, RandomTerm};
use deviance::{Covariances, Deviance, Solved, Value};
use exact::{EXACT_MAX, traces};
use faer::Mat;
use layout::{Layout, both, pivoted};
use search::minimise;

/// A layout as a sparse system, ready for scores.
#[derive(Debug, Clone)]
pub(super) struct General {
    pub layout: Layout,
    /// `tr(Q V_k Q V_l)`, the residual first.
    pub gram: Mat<f64>,
}

impl General {
    /// A layout that was checked before; it can be solved, not searched.
    pub fn unchecked(random: &[RandomTerm], basis: &Basis, n: usize) -> Result<Self, MixedError> {
        let layout =
            Layout::new(random, basis, n).ok_or(MixedError::NotSettled { evaluations: 0 })?;
        Ok(General { layout, gram: Mat::zeros(0, 0) })
    }

    pub fn new(random: &[RandomTerm], basis: &Basis, n: usize) -> Result<Self, MixedError> {
        let layout = Self::unchecked(random, basis, n)?.layout;
        let gram = layout.contributions(basis);
        let name = |e: &layout::Entry| {
            let names = &layout.blocks[e.block].names;
            if e.a == e.b {
                names[e.a].clone()
            } else {
                format!("{} with {}", names[e.a], names[e.b])
            }
        };
        let names: Vec<String> = layout.entries.iter().map(name).collect();
        let mut totals = vec![n as f64];
        totals.extend(layout.entries.iter().map(|&e| layout.own_square(e)));
        told_apart(&gram, &names, &totals)?;
        Ok(General { layout, gram })
    }

    /// Covariance matrices from the entries of their triangles, in the units that were given.
    pub fn covariances(&self, theta: &[f64]) -> Result<Covariances, MixedError> {
        let entries = &self.layout.entries;
        if theta.len() != entries.len() {
            return Err(MixedError::Rows {
                what: "the list of relative standard deviations".into(),
                found: theta.len(),
                expected: entries.len(),
            });
        }
        let of = |(i, block): (usize, &layout::Block)| {
            let k = block.width();
            let mut t = Mat::<f64>::zeros(k, k);
            for (e, value) in entries.iter().zip(theta).filter(|(e, _)| e.block == i) {
                t[(e.a, e.b)] = value * block.scales[e.a];
            }
            let f = &t * t.transpose();
            (f.norm_max() > 0.0).then_some(f)
        };
        Ok(self.layout.blocks.iter().enumerate().map(of).collect())
    }

    pub fn fit(&self, model: &Model, y: &[f64], method: Method) -> Result<Fit, MixedError> {
        let (left, ordinary) = model.left(y)?;
        let right = self.layout.right(&left);
        let target = Deviance::new(&self.layout, &right, method);
        let out = vec![false; self.layout.blocks.len()];
        let end = minimise(&target, &self.gram, &self.crude(&right), &out)?;
        self.report(model, &target, ordinary, &end.covariances, end.evaluations)
    }

    /// The least deviance with the blocks in `out` held at zero.
    pub fn deviance_without(
        &self,
        model: &Model,
        y: &[f64],
        out: &[bool],
        method: Method,
    ) -> Result<f64, MixedError> {
        let (left, _) = model.left(y)?;
        let right = self.layout.right(&left);
        let target = Deviance::new(&self.layout, &right, method);
        Ok(minimise(&target, &self.gram, &self.crude(&right), out)?.deviance)
    }

    pub fn fit_at(
        &self,
        model: &Model,
        y: &[f64],
        covariances: &Covariances,
        method: Method,
    ) -> Result<Fit, MixedError> {
        let (left, ordinary) = model.left(y)?;
        let right = self.layout.right(&left);
        let target = Deviance::new(&self.layout, &right, method);
        self.report(model, &target, ordinary, covariances, 1)
    }

    pub fn deviance(
        &self,
        model: &Model,
        y: &[f64],
        covariances: &Covariances,
        method: Method,
    ) -> Result<f64, MixedError> {
        let (left, _) = model.left(y)?;
        let right = self.layout.right(&left);
        let target = Deviance::new(&self.layout, &right, method);
        Ok(target.value(covariances).map_or(f64::INFINITY, |s| s.deviance))
    }

    /// The square sum of what least squares leaves, then `e' V_k e` of each parameter.
    pub fn crude(&self, right: &layout::Right) -> Vec<f64> {
        let e = &right.products[..self.layout.n_random];
        let mut crude = vec![right.total];
        crude.extend(self.layout.entries.iter().map(|&k| self.layout.square(k, e, e)));
        crude
    }

    fn report(
        &self,
        model: &Model,
        target: &Deviance<'_, '_>,
        ordinary: Vec<f64>,
        f: &Covariances,
        evaluations: usize,
    ) -> Result<Fit, MixedError> {
        let layout = &self.layout;
        let there = target.value(f).ok_or(MixedError::NoResidual)?;
        let s = target.solve(f).ok_or(MixedError::NoResidual)?;
        let sigma2 = there.sigma2;
        let modes = target.modes(&s);
        let (mixed, squares) = target.average(&s, &modes, f);
        let slopes = target.slopes(&s, &modes);
        let turn = tangent(layout, f);
        let curvature = self.curvature(target, f, &s, (&mixed, &squares), &turn)?;
        let e = target.fixed_columns(&s);
        let crossed = self.forms(target, &s, &e);
        let p = layout.n_fixed;
        let gradients = (0..turn.ncols())
            .map(|c| {
                let mut sum = Mat::<f64>::zeros(p, p);
                for (k, form) in crossed.iter().enumerate() {
                    if turn[(k, c)] != 0.0 {
                        sum += form * faer::Scale(turn[(k, c)]);
                    }
                }
                sum
            })
            .collect();
        let mut steepest = 0.0f64;
        for (slope, f) in slopes.iter().zip(f) {
            if let Some(f) = f {
                steepest = steepest.max((slope * f).norm_max());
            }
        }
        let (components, correlations) = self.components(f, sigma2);
        let parts = Parts {
            ordinary,
            fixed_effects: there.effects[layout.n_random..].to_vec(),
            fixed_inverse: e.as_ref().subrows(layout.n_random, p).to_owned(),
            gradients,
            curvature,
            sigma2,
            deviance: there.deviance,
            components,
            correlations,
            modes: self.modes(f, &there, &s),
            steepest,
            evaluations,
        };
        Ok(assemble(model, target.method, parts))
    }

    /// `C X'V^-1 V_k V^-1 X C` of each parameter, `C` the fixed block of `K^-1`.
    pub fn forms(&self, target: &Deviance<'_, '_>, s: &Solved<'_>, e: &Mat<f64>) -> Vec<Mat<f64>> {
        let p = self.layout.n_fixed;
        let met: Vec<Vec<f64>> = (0..p).map(|c| target.turned_up(s, e.col_as_slice(c))).collect();
        let of =
            |&k: &layout::Entry| Mat::from_fn(p, p, |i, j| self.layout.square(k, &met[i], &met[j]));
        self.layout.entries.iter().map(of).collect()
    }

    /// The exact curvature of the deviance in the directions of `turn` and the log residual variance:
    /// from `Z'PZ` as a whole where that is small, from differences of the exact slopes elsewhere.
    fn curvature(
        &self,
        target: &Deviance<'_, '_>,
        f: &Covariances,
        s: &Solved<'_>,
        (mixed, squares): (&Mat<f64>, &[f64]),
        turn: &Mat<f64>,
    ) -> Result<Mat<f64>, MixedError> {
        let layout = &self.layout;
        let (df, r, k) = (target.df(), s.square, layout.entries.len());
        let own = if layout.n_random <= EXACT_MAX {
            let traces = traces(layout, &target.whole(s));
            Mat::from_fn(k, k, |i, j| 2.0 * df * mixed[(i, j)] / r - traces[(i, j)])
        } else {
            let mut own = Mat::<f64>::zeros(k, k);
            for (l, e) in layout.entries.iter().enumerate() {
                let Some(here) = &f[e.block] else { continue };
                let size = (here[(e.a, e.a)] * here[(e.b, e.b)]).sqrt();
                let h = 2e-4 * size.max(1e-7);
                let slope = |step: f64| -> Option<Vec<f64>> {
                    let mut other = f.clone();
                    if let Some(m) = &mut other[e.block] {
                        for (a, b) in both(e.a, e.b) {
                            m[(a, b)] += step;
                        }
                    }
                    let s = target.solve(&other)?;
                    let slopes = target.slopes(&s, &target.modes(&s));
                    let times = |g: &layout::Entry| if g.a == g.b { 1.0 } else { 2.0 };
                    let of = |g: &layout::Entry| times(g) * slopes[g.block][(g.a, g.b)];
                    Some(layout.entries.iter().map(of).collect())
                };
                let (Some(up), Some(down)) = (slope(h), slope(-h)) else {
                    return Err(MixedError::NoResidual);
                };
                for j in 0..k {
                    own[(j, l)] = (up[j] - down[j]) / (2.0 * h);
                }
            }
            // The slopes have the residual variance at its best; the curvature beside it has not.
            Mat::from_fn(k, k, |i, j| {
                0.5 * (own[(i, j)] + own[(j, i)]) + df * squares[i] * squares[j] / (r * r)
            })
        };
        let n = turn.ncols();
        let inner = turn.transpose() * own * turn;
        let along: Vec<f64> = (0..n).map(|c| dot(turn.col_as_slice(c), squares)).collect();
        let sigma2 = s.sigma2;
        Ok(Mat::from_fn(n + 1, n + 1, |a, b| match (a < n, b < n) {
            (true, true) => inner[(a, b)],
            (true, false) => along[a] / sigma2,
            (false, true) => along[b] / sigma2,
            (false, false) => df,
        }))
    }

    fn components(&self, f: &Covariances, sigma2: f64) -> (Vec<Component>, Vec<Correlation>) {
        let (mut components, mut correlations) = (Vec::new(), Vec::new());
        for (block, f) in self.layout.blocks.iter().zip(f) {
            let k = block.width();
            let value = |a: usize, b: usize| {
                f.as_ref().map_or(0.0, |f| sigma2 * f[(a, b)] / (block.scales[a] * block.scales[b]))
            };
            for a in 0..k {
                components.push(Component {
                    name: block.names[a].clone(),
                    variance: value(a, a).max(0.0),
                    at_boundary: value(a, a) <= 0.0,
                    n_levels: block.n_used,
                });
            }
            let singular = f.as_ref().is_none_or(|f| rank(f) < k);
            for b in 0..k {
                for a in b + 1..k {
                    let size = (value(a, a) * value(b, b)).sqrt();
                    correlations.push(Correlation {
                        a: block.names[b].clone(),
                        b: block.names[a].clone(),
                        covariance: value(a, b),
                        correlation: (size > 0.0).then(|| (value(a, b) / size).clamp(-1.0, 1.0)),
                        at_boundary: singular,
                    });
                }
            }
        }
        (components, correlations)
    }

    /// The predicted effects and their errors.
    fn modes(&self, f: &Covariances, there: &Value, s: &Solved<'_>) -> Vec<(String, Vec<Mode>)> {
        let inverse = s.factored.inverse();
        let mut out = Vec::new();
        for ((block, f), t) in self.layout.blocks.iter().zip(f).zip(&s.roots) {
            for (a, name) in block.names.iter().enumerate() {
                let scale = block.scales[a];
                let zero = f.as_ref().is_none_or(|f| f[(a, a)] <= 0.0);
                let of = |at: usize| {
                    if zero {
                        return Mode { value: 0.0, se: 0.0 };
                    }
                    // T K^-1 T' of the level.
                    let (k, first) = (t.nrows(), at - a);
                    let mut spread = 0.0;
                    for x in 0..k {
                        for y in 0..k {
                            let z = inverse.get(first + x, first + y).unwrap_or(f64::NAN);
                            spread += t[(a, x)] * z * t[(a, y)];
                        }
                    }
                    let spread = spread.max(0.0);
                    Mode {
                        value: there.effects[at] / scale,
                        se: (there.sigma2 * spread).sqrt() / scale,
                    }
                };
                let list = (block.first + a..block.end()).step_by(block.width()).map(of).collect();
                out.push((name.clone(), list));
            }
        }
        out
    }
}

fn rank(f: &Mat<f64>) -> usize {
    pivoted(f).1
}

/// The directions in which the covariances may move and keep their rank, a column each: the
/// parameters themselves where a block has full rank, the entries of its triangle elsewhere.
fn tangent(layout: &Layout, f: &Covariances) -> Mat<f64> {
    let all = layout.entries.len();
    let mut columns: Vec<Vec<f64>> = Vec::new();
    for (i, f) in f.iter().enumerate() {
        let Some(f) = f else { continue };
        let own: Vec<usize> = (0..all).filter(|&l| layout.entries[l].block == i).collect();
        let (t, rank, order) = pivoted(f);
        if rank == f.nrows() {
            for &l in &own {
                let mut column = vec![0.0; all];
                column[l] = 1.0;
                columns.push(column);
            }
            continue;
        }
        for b in 0..rank {
            for a in (0..f.nrows()).filter(|a| !order[..b].contains(a)) {
                let mut column = vec![0.0; all];
                for &l in &own {
                    let e = layout.entries[l];
                    if e.a == a {
                        column[l] += t[(e.b, b)];
                    }
                    if e.b == a {
                        column[l] += t[(e.a, b)];
                    }
                }
                columns.push(column);
            }
        }
    }
    Mat::from_fn(all, columns.len(), |r, c| columns[c][r])
}
