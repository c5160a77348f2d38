//! The deviance of a sparse layout at given covariances, with its slope and an approximate
//! curvature.
//!
//! With `F = T T'` the covariances of the random effects in units of the residual variance and
//! `U = [Z T, X]`: `K = U'U + diag(I, 0)`, so that no rank of `F` spoils the equations (Bates,
//! Maechler, Bolker and Walker 2015). Then `log |V| = log |K_zz|`, `log |X'V^-1X| = log |K| -
//! log |K_zz|`, `T'Z'PZT = I - (K^-1)_zz`, and `T'Z'Py` are the effects that solve the equations.
//!
//! For a parameter whose `V_k = Z S_k Z'`, names as in the module `objective`, the slope of the
//! deviance is `tr(S_k Z'PZ) - d m' S_k m / r`, exact: of the inverse only entries among the effects
//! of one level are asked for (and a margin above zero, so that `T` has an inverse). The curvature
//! has `tr(P V_k P V_l)` replaced by its average `d y'P V_k P V_l P y / r` (average information:
//! Gilmour, Thompson and Cullis 1995, Biometrics 51:1440-1450; citation from memory), which costs
//! one solution a parameter; in small layouts it is exact.

use super::cholesky::Factored;
use super::exact::{EXACT_MAX, traces};
use super::layout::{Block, Layout, Right, pivoted};
use crate::mixed::Method;
use crate::mixed::matrices::dot;
use faer::linalg::solvers::DenseSolveCore;
use faer::linalg::triangular_inverse::invert_lower_triangular;
use faer::{Mat, Par, Side};
use std::f64::consts::PI;

/// What is added to every variance ratio where slopes are asked for, so that a covariance matrix
/// without full rank has an inverse.
const FLOOR: f64 = 1e-8;

/// The covariances of the effects of one level of each block, in units of the residual variance;
/// none for a block that is left out.
pub(in crate::mixed) type Covariances = Vec<Option<Mat<f64>>>;

/// The deviance of one column of scores.
pub(in crate::mixed) struct Deviance<'a, 'r> {
    pub layout: &'a Layout,
    pub right: &'r Right,
    pub method: Method,
    /// Up to how many random effects the curvature is exact.
    pub exact: usize,
}

/// Solved equations.
pub(in crate::mixed) struct Solved<'a> {
    pub deviance: f64,
    pub sigma2: f64,
    /// `y' P y`.
    pub square: f64,
    /// The effects in the columns `Z T`, then the fixed ones.
    pub effects: Vec<f64>,
    pub factored: Factored<'a>,
    /// `T` of each block, with a margin above zero; zero for one that is left out.
    pub roots: Vec<Mat<f64>>,
    /// Their inverses; zero for one that is left out.
    inverses: Vec<Mat<f64>>,
}

/// The deviance alone.
pub(in crate::mixed) struct Value {
    pub deviance: f64,
    pub sigma2: f64,
    /// The predicted effects, then the fixed ones.
    pub effects: Vec<f64>,
}

/// The slope and curvature.
pub(in crate::mixed) struct Slopes {
    pub deviance: f64,
    /// For each block the symmetric matrix `S` with `d deviance = tr(S dF)`.
    pub slopes: Vec<Mat<f64>>,
    /// Approximate second derivatives in the parameters.
    pub curvature: Mat<f64>,
}

impl<'a, 'r> Deviance<'a, 'r> {
    pub fn new(layout: &'a Layout, right: &'r Right, method: Method) -> Self {
        // Correlations have edges at which the average misleads for long.
        let wide = layout.blocks.iter().any(|b| b.width() > 1);
        Deviance { layout, right, method, exact: if wide { EXACT_MAX } else { 0 } }
    }

    /// The degrees of freedom of the residual variance.
    pub fn df(&self) -> f64 {
        match self.method {
            Method::Reml => (self.layout.n - self.layout.n_fixed) as f64,
            Method::Ml => self.layout.n as f64,
        }
    }

    /// Forms and factors the equations; none if they are singular to working accuracy.
    pub fn solve(&self, f: &Covariances) -> Option<Solved<'a>> {
        let mut roots = Vec::with_capacity(f.len());
        let mut inverses = Vec::with_capacity(f.len());
        for (block, f) in self.layout.blocks.iter().zip(f) {
            let k = block.width();
            let Some(f) = f else {
                roots.push(Mat::zeros(k, k));
                inverses.push(Mat::zeros(k, k));
                continue;
            };
            let raised = Mat::from_fn(k, k, |a, b| f[(a, b)] + if a == b { FLOOR } else { 0.0 });
            let root = raised.llt(Side::Lower).ok()?.L().to_owned();
            let mut inverse = Mat::<f64>::zeros(k, k);
            invert_lower_triangular(inverse.as_mut(), root.as_ref(), Par::Seq);
            roots.push(root);
            inverses.push(inverse);
        }
        let (factored, effects, square, log_dets) = self.equations(&roots)?;
        let (deviance, sigma2) = self.of(square, log_dets)?;
        Some(Solved { deviance, sigma2, square, effects, factored, roots, inverses })
    }

    /// The deviance and the predicted effects, without a margin above zero.
    pub fn value(&self, f: &Covariances) -> Option<Value> {
        let of = |(block, f): (&Block, &Option<Mat<f64>>)| {
            let k = block.width();
            f.as_ref().map_or_else(|| Mat::zeros(k, k), |f| pivoted(f).0)
        };
        let roots: Vec<Mat<f64>> = self.layout.blocks.iter().zip(f).map(of).collect();
        let (_, mut effects, square, log_dets) = self.equations(&roots)?;
        let (deviance, sigma2) = self.of(square, log_dets)?;
        self.layout.turn(&roots, &mut effects, false);
        Some(Value { deviance, sigma2, effects })
    }

    /// The factor, the effects in the columns `Z T` and of the fixed part, `y'Py`, and the logarithms
    /// of the determinants.
    #[allow(clippy::type_complexity)]
    fn equations(&self, roots: &[Mat<f64>]) -> Option<(Factored<'a>, Vec<f64>, f64, (f64, f64))> {
        let layout = self.layout;
        let factored = layout.symbolic.factor(&layout.turned_values(roots))?;
        let log_dets = factored.log_dets(layout.n_random);
        let mut effects = self.right.products.clone();
        layout.turn(roots, &mut effects, true);
        let right = effects.clone();
        factored.solve(&mut effects);
        let square = self.right.total - dot(&right, &effects);
        Some((factored, effects, square, log_dets))
    }

    fn of(&self, square: f64, (log_random, log_fixed): (f64, f64)) -> Option<(f64, f64)> {
        let df = self.df();
        let sigma2 = square / df;
        let mut deviance = log_random + df * (1.0 + (2.0 * PI * sigma2).ln());
        if self.method == Method::Reml {
            deviance += log_fixed - self.layout.log_turn;
        }
        (square > 1e-13 * self.right.total && deviance.is_finite()).then_some((deviance, sigma2))
    }

    /// `Z'Py`.
    pub fn modes(&self, s: &Solved<'_>) -> Vec<f64> {
        self.turned_up(s, &s.effects)
    }

    /// `T'^-1 x` in the random columns.
    pub fn turned_up(&self, s: &Solved<'_>, x: &[f64]) -> Vec<f64> {
        let mut out = x[..self.layout.n_random].to_vec();
        self.layout.turn(&s.inverses, &mut out, true);
        out
    }

    /// `Z'PZ w`.
    pub fn turned(&self, s: &Solved<'_>, w: &[f64]) -> Vec<f64> {
        let mut first = w[..self.layout.n_random].to_vec();
        self.layout.turn(&s.inverses, &mut first, false);
        let mut solution = first.clone();
        solution.resize(self.layout.n_random + self.layout.n_fixed, 0.0);
        s.factored.solve(&mut solution);
        let left: Vec<f64> = first.iter().zip(&solution).map(|(a, b)| a - b).collect();
        self.turned_up(s, &left)
    }

    /// The columns of `K^-1` that belong to the fixed part.
    pub fn fixed_columns(&self, s: &Solved<'_>) -> Mat<f64> {
        let (n_random, n_fixed) = (self.layout.n_random, self.layout.n_fixed);
        let mut out = Mat::<f64>::zeros(n_random + n_fixed, n_fixed);
        for c in 0..n_fixed {
            let column = out.col_as_slice_mut(c);
            column[n_random + c] = 1.0;
            s.factored.solve(column);
        }
        out
    }

    /// The slope in each block's covariances, exact.
    pub fn slopes(&self, s: &Solved<'_>, modes: &[f64]) -> Vec<Mat<f64>> {
        let layout = self.layout;
        let inverse = s.factored.inverse();
        let fixed = match self.method {
            Method::Reml => None,
            Method::Ml => Some(self.fixed_columns(s)),
        };
        // The inverse of the fixed block of K^-1, by which P becomes V^-1.
        let middle = fixed.as_ref().map(|e| {
            let own = e.as_ref().subrows(layout.n_random, layout.n_fixed).to_owned();
            own.llt(Side::Lower).map(|f| f.inverse()).unwrap_or(own)
        });
        let scale = self.df() / s.square;
        let mut slopes = Vec::with_capacity(layout.blocks.len());
        for (block, f) in layout.blocks.iter().zip(&s.inverses) {
            let k = block.width();
            let (mut sum, mut squares) = (Mat::<f64>::zeros(k, k), Mat::<f64>::zeros(k, k));
            for at in (block.first..block.end()).step_by(k) {
                for b in 0..k {
                    for a in b..k {
                        sum[(a, b)] += inverse.get(at + a, at + b).unwrap_or(f64::NAN);
                        squares[(a, b)] += modes[at + a] * modes[at + b];
                        if let (Some(e), Some(m)) = (&fixed, &middle) {
                            let p = layout.n_fixed;
                            for i in 0..p {
                                let along: f64 = (0..p).map(|j| m[(i, j)] * e[(at + b, j)]).sum();
                                sum[(a, b)] -= e[(at + a, i)] * along;
                            }
                        }
                    }
                }
            }
            let whole = |m: &Mat<f64>| Mat::from_fn(k, k, |a, b| m[(a.max(b), a.min(b))]);
            let sum = whole(&sum);
            let n_levels = block.n_levels as f64;
            let left = Mat::from_fn(k, k, |a, b| if a == b { n_levels } else { 0.0 } - sum[(a, b)]);
            let own = f.transpose() * left * f;
            let squares = whole(&squares);
            slopes.push(Mat::from_fn(k, k, |a, b| own[(a, b)] - scale * squares[(a, b)]));
        }
        slopes
    }

    /// The deviance with its slope and the approximate curvature.
    pub fn derivatives(&self, f: &Covariances) -> Option<Slopes> {
        let s = self.solve(f)?;
        let modes = self.modes(&s);
        let slopes = self.slopes(&s, &modes);
        let (mixed, squares) = self.average(&s, &modes, f);
        let (df, r) = (self.df(), s.square);
        let k = squares.len();
        let curvature = if self.layout.n_random <= self.exact {
            let traces = traces(self.layout, &self.whole(&s));
            Mat::from_fn(k, k, |i, j| {
                df * (2.0 * mixed[(i, j)] / r - squares[i] * squares[j] / (r * r)) - traces[(i, j)]
            })
        } else {
            Mat::from_fn(k, k, |i, j| df * (mixed[(i, j)] / r - squares[i] * squares[j] / (r * r)))
        };
        let finite = slopes.iter().all(|m| m.norm_max().is_finite());
        (finite && curvature.norm_max().is_finite()).then_some(Slopes {
            deviance: s.deviance,
            slopes,
            curvature,
        })
    }

    /// `y'P V_k P V_l P y` and `y'P V_k P y` of the parameters; zero for blocks that are left out.
    pub fn average(&self, s: &Solved<'_>, modes: &[f64], f: &Covariances) -> (Mat<f64>, Vec<f64>) {
        let entries = &self.layout.entries;
        let k = entries.len();
        let mut mixed = Mat::<f64>::zeros(k, k);
        let squares: Vec<f64> =
            entries.iter().map(|&e| self.layout.square(e, modes, modes)).collect();
        for (l, &e) in entries.iter().enumerate() {
            if f[e.block].is_none() {
                continue;
            }
            let turned = self.turned(s, &self.layout.selected(e, modes));
            for (j, &g) in entries.iter().enumerate().take(l + 1) {
                let value = self.layout.square(g, modes, &turned);
                mixed[(l, j)] = value;
                mixed[(j, l)] = value;
            }
        }
        (mixed, squares)
    }
}
