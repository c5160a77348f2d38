//! The deviance as a function of the variance ratios alone, with its exact first and second
//! derivatives.
//!
//! Write `V = I + sum g_i Z_i Z_i'` for ratios `g_i`, `P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1`,
//! `M_ij = Z_i' P Z_j`, `m_i = Z_i' P y` and `r = y' P y`. Then (Searle, Casella and McCulloch 1992,
//! chapter 6), with `d = n - p` degrees of freedom,
//!
//! * REML deviance `log |V| + log |X' V^-1 X| + d (1 + log(2 pi r / d))`,
//! * its slope in `g_i`: `tr M_ii - d m_i'm_i / r`,
//! * its curvature: `-|M_ij|^2 + d (2 m_i' M_ij m_j / r - m_i'm_i m_j'm_j / r^2)`.
//!
//! For ML `d = n`, and the traces are of `V^-1` in place of `P`.
//!
//! With the absorbed term (index 1) solved level by level, `R = (I + g_1 Z_1 Z_1')^-1`, and the rest
//! `U = [Z_2 .. Z_k X]` with `A = U' R U`, everything comes from the inverse of
//! `K = L A L + diag(I, 0)`, `L = diag(sqrt(g), 1)`: with `G = L K^-1 L`, `P = R - R U G U' R`.
//! Formulas are chosen so that no digits cancel for ratios that are zero or large.

use super::Method;
use super::blocks::{Absorbed, Blocks, scaled};
use super::dense::{add_outer, forward_substitute, invert_from_lower, times};
use super::matrices::{Model, Scores, dot};
use super::optimise::{Slopes, Target};
use faer::{Mat, Side};
use std::f64::consts::PI;

/// The deviance at some ratios.
#[derive(Debug, Clone)]
pub(super) struct Value {
    pub deviance: f64,
    /// The residual variance that goes with the ratios.
    pub sigma2: f64,
}

/// The deviance with its slope and curvature, and what a report needs.
#[derive(Debug, Clone)]
pub(super) struct Derivatives {
    pub value: Value,
    pub slope: Vec<f64>,
    pub curvature: Mat<f64>,
    pub solution: Solution,
    /// `|Z_i' P y|^2` of each term.
    pub squares: Vec<f64>,
    /// `y' P V_i P V_j P y` of each pair of terms.
    pub mixed: Mat<f64>,
    /// `tr(. V_i . V_j)` of each pair, of `P` for REML and `V^-1` for ML.
    pub traces: Mat<f64>,
    /// `tr(. V_i)` of each term.
    pub trace: Vec<f64>,
}

/// Solved equations at some ratios.
#[derive(Debug, Clone)]
pub(super) struct Solution {
    pub a: Mat<f64>,
    /// `G` above.
    pub g: Mat<f64>,
    /// `U' R y`.
    pub b: Vec<f64>,
    /// `G b`: scaled effects of the rest, then fixed effects.
    pub effects: Vec<f64>,
    /// `y' P y`.
    pub square: f64,
    pub log_det_v: f64,
    pub log_det_x: f64,
    /// The square roots of the ratios along the rest; 1 for fixed columns.
    pub roots: Vec<f64>,
    /// The inverse of `K`.
    pub k_inverse: Mat<f64>,
}

/// The objective of one column of scores.
pub(super) struct Objective<'a> {
    pub model: &'a Model,
    pub scores: &'a Scores,
    pub method: Method,
}

impl Slopes for Derivatives {
    fn deviance(&self) -> f64 {
        self.value.deviance
    }
    fn slope(&self) -> &[f64] {
        &self.slope
    }
    fn curvature(&self) -> &Mat<f64> {
        &self.curvature
    }
}

impl Target for Objective<'_> {
    type At = Derivatives;
    const EXACT: bool = true;

    fn deviance(&self, ratios: &[f64]) -> Option<f64> {
        Some(self.value(ratios)?.deviance)
    }
    fn derivatives(&self, ratios: &[f64]) -> Option<Derivatives> {
        Objective::derivatives(self, ratios)
    }
    fn df(&self) -> f64 {
        Objective::df(self)
    }
    fn crude(&self) -> &[f64] {
        &self.scores.crude
    }
    fn gram(&self) -> &Mat<f64> {
        &self.model.gram
    }
}

impl Objective<'_> {
    /// The degrees of freedom of the residual variance: `n - p`, or `n` for ML.
    pub fn df(&self) -> f64 {
        match self.method {
            Method::Reml => (self.model.n - self.model.n_fixed()) as f64,
            Method::Ml => self.model.n as f64,
        }
    }

    fn value_of(&self, square: f64, log_det_v: f64, log_det_x: f64) -> Value {
        let df = self.df();
        let sigma2 = square / df;
        let mut deviance = log_det_v + df * (1.0 + (2.0 * PI * sigma2).ln());
        if self.method == Method::Reml {
            deviance += log_det_x;
        }
        Value { deviance, sigma2 }
    }

    pub(super) fn ratio_of_absorbed(&self, ratios: &[f64]) -> f64 {
        self.model.absorbed.map_or(0.0, |i| ratios[i])
    }

    /// Forms and factors the equations; none if they are singular to working accuracy.
    pub fn solve(&self, ratios: &[f64], invert: bool) -> Option<Solution> {
        let (rest, scores) = (&self.model.rest, self.scores);
        let g1 = self.ratio_of_absorbed(ratios);
        let mut a = rest.within.clone();
        let mut b = scores.within.clone();
        let mut total = scores.within_square;
        let mut log_det_v = 0.0;
        for (level, &fy) in self.model.levels.iter().zip(&scores.levels) {
            if level.square <= 0.0 {
                continue;
            }
            log_det_v += (g1 * level.square).ln_1p();
            let weight = 1.0 / (level.square * (1.0 + g1 * level.square));
            total += weight * fy * fy;
            for (&column, &f) in level.columns.iter().zip(&level.products) {
                b[column] += weight * f * fy;
            }
            add_outer(&mut a, &level.columns, &level.products, weight);
        }
        let mut roots = vec![1.0; rest.size];
        for (i, term) in self.model.terms.iter().enumerate() {
            if Some(i) != self.model.absorbed {
                roots[term.first..term.first + term.n_levels].fill(ratios[i].sqrt());
            }
        }
        let mut k = scaled(&a, &roots);
        for i in 0..rest.n_random {
            k[(i, i)] += 1.0;
        }
        if !log_det_v.is_finite() || !total.is_finite() {
            return None;
        }
        let factor = k.llt(Side::Lower).ok()?;
        let lower = factor.L();
        let mut log_det_x = 0.0;
        for i in 0..rest.size {
            let log = 2.0 * lower[(i, i)].ln();
            if i < rest.n_random {
                log_det_v += log;
            } else {
                log_det_x += log;
            }
        }
        for (k, column) in self.model.basis.transform.iter().enumerate() {
            log_det_x -= 2.0 * column[k].abs().ln();
        }
        let right: Vec<f64> = b.iter().zip(&roots).map(|(b, r)| b * r).collect();
        let along = forward_substitute(lower, right);
        let square = total - along.iter().map(|v| v * v).sum::<f64>();
        let (mut k_inverse, mut g, mut effects) = (Mat::zeros(0, 0), Mat::zeros(0, 0), Vec::new());
        if invert {
            k_inverse = invert_from_lower(lower);
            g = scaled(&k_inverse, &roots);
            effects = times(g.as_ref(), &b);
        }
        Some(Solution { a, g, b, effects, square, log_det_v, log_det_x, roots, k_inverse })
    }

    /// The deviance at some ratios, all zero or more.
    pub fn value(&self, ratios: &[f64]) -> Option<Value> {
        let solution = self.solve(ratios, false)?;
        self.usable(&solution)
    }

    fn usable(&self, s: &Solution) -> Option<Value> {
        let value = self.value_of(s.square, s.log_det_v, s.log_det_x);
        (s.square > 0.0 && value.deviance.is_finite()).then_some(value)
    }

    /// The deviance with its derivatives at some ratios, all zero or more.
    pub fn derivatives(&self, ratios: &[f64]) -> Option<Derivatives> {
        let solution = self.solve(ratios, true)?;
        let value = self.usable(&solution)?;
        let n_terms = self.model.terms.len();
        let df = self.df();
        let sums = self.absorbed_sums(ratios, &solution);
        let full = self.blocks(&solution, ratios, self.model.rest.size);
        // Modes of every term: m_i = Z_i' P y.
        let modes = self.turned(&solution, ratios, &solution.b, &solution.effects);
        let (squares, mixed) = self.quadratic(&solution, ratios, &sums, &full, &modes);
        let (trace, traces) = match self.method {
            Method::Reml => full.traces(self.model, ratios),
            Method::Ml => {
                self.blocks(&solution, ratios, self.model.rest.n_random).traces(self.model, ratios)
            }
        };
        let r = solution.square;
        let slope = (0..n_terms).map(|i| trace[i] - df * squares[i] / r).collect();
        let curvature = Mat::from_fn(n_terms, n_terms, |i, j| {
            df * (2.0 * mixed[(i, j)] / r - squares[i] * squares[j] / (r * r)) - traces[(i, j)]
        });
        Some(Derivatives { value, slope, curvature, solution, squares, mixed, traces, trace })
    }

    /// `m_i'm_i` and `m_i' M_ij m_j` of every term and pair.
    fn quadratic(
        &self,
        s: &Solution,
        ratios: &[f64],
        sums: &Absorbed,
        blocks: &Blocks,
        modes: &[f64],
    ) -> (Vec<f64>, Mat<f64>) {
        let terms = &self.model.terms;
        let mut squares = vec![0.0; terms.len()];
        let mut mixed = Mat::zeros(terms.len(), terms.len());
        // M_1j' m_1 in the columns of the rest.
        let turned = times(s.g.as_ref(), &sums.along);
        let across = self.turned(s, ratios, &sums.along, &turned);
        let range = |i: usize| terms[i].first..terms[i].first + terms[i].n_levels;
        for j in 0..terms.len() {
            if Some(j) == self.model.absorbed {
                squares[j] = dot(&sums.modes, &sums.modes);
                let own: f64 = sums.diagonal.iter().zip(&sums.modes).map(|(d, m)| d * m * m).sum();
                mixed[(j, j)] = own - dot(&turned, &sums.along);
                continue;
            }
            let mj = &modes[range(j)];
            squares[j] = dot(mj, mj);
            for i in 0..terms.len() {
                mixed[(i, j)] = if Some(i) == self.model.absorbed {
                    dot(&across[range(j)], mj)
                } else {
                    let column =
                        |c: usize| dot(&blocks.m.col_as_slice(c)[range(i)], &modes[range(i)]);
                    range(j).zip(mj).map(|(c, m)| m * column(c)).sum()
                };
                mixed[(j, i)] = mixed[(i, j)];
            }
        }
        (squares, mixed)
    }
}
