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
use super::matrices::{Model, Scores};
use faer::linalg::matmul::triangular::{self, BlockStructure};
use faer::{Accum, Mat, MatRef, Par, Side};
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
    /// Expected curvature: never negative, for steps where the exact one is of no use.
    pub expected: Mat<f64>,
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

/// Sums over the levels of the absorbed term, with `f` the products of a level with the rest.
struct Absorbed {
    /// `sum f f' / (1 + g n)^2`.
    second: Mat<f64>,
    /// `sum f f' n / (1 + g n)^3`.
    third: Mat<f64>,
    /// `n / (1 + g n)` of each level.
    diagonal: Vec<f64>,
    /// `m_1`.
    modes: Vec<f64>,
    /// `sum f m_1 / (1 + g n)`.
    along: Vec<f64>,
}

/// The objective of one column of scores.
pub(super) struct Objective<'a> {
    pub model: &'a Model,
    pub scores: &'a Scores,
    pub method: Method,
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

    fn ratio_of_absorbed(&self, ratios: &[f64]) -> f64 {
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
        let k = Mat::from_fn(rest.size, rest.size, |i, j| {
            let unit = if i == j && i < rest.n_random {
                1.0
            } else {
                0.0
            };
            roots[i] * a[(i, j)] * roots[j] + unit
        });
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
        let scaled: Vec<f64> = b.iter().zip(&roots).map(|(b, r)| b * r).collect();
        let along = forward_substitute(lower, scaled);
        let square = total - along.iter().map(|v| v * v).sum::<f64>();
        let (mut k_inverse, mut g, mut effects) = (Mat::zeros(0, 0), Mat::zeros(0, 0), Vec::new());
        if invert {
            k_inverse = invert_from_lower(lower);
            g = Mat::from_fn(rest.size, rest.size, |i, j| {
                roots[i] * k_inverse[(i, j)] * roots[j]
            });
            effects = times(g.as_ref(), &b);
        }
        Some(Solution {
            a,
            g,
            b,
            effects,
            square,
            log_det_v,
            log_det_x,
            roots,
            k_inverse,
        })
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
        let full = self.blocks(&solution, &sums, ratios, self.model.rest.size);
        // Modes of every term: m_i = Z_i' P y.
        let modes = self.products_with_scores(&solution, &full);
        let (squares, mixed) = self.quadratic(&solution, &sums, &full, &modes);
        let (trace, traces) = match self.method {
            Method::Reml => full.traces(self.model, &sums, n_terms),
            Method::Ml => self
                .blocks(&solution, &sums, ratios, self.model.rest.n_random)
                .traces(self.model, &sums, n_terms),
        };
        let r = solution.square;
        let slope = (0..n_terms)
            .map(|i| trace[i] - df * squares[i] / r)
            .collect();
        let curvature = Mat::from_fn(n_terms, n_terms, |i, j| {
            df * (2.0 * mixed[(i, j)] / r - squares[i] * squares[j] / (r * r)) - traces[(i, j)]
        });
        let expected = Mat::from_fn(n_terms, n_terms, |i, j| {
            traces[(i, j)] - trace[i] * trace[j] / df
        });
        Some(Derivatives {
            value,
            slope,
            curvature,
            expected,
            solution,
            squares,
            mixed,
            traces,
            trace,
        })
    }

    fn absorbed_sums(&self, ratios: &[f64], solution: &Solution) -> Absorbed {
        let size = self.model.rest.size;
        let g1 = self.ratio_of_absorbed(ratios);
        let mut sums = Absorbed {
            second: Mat::zeros(size, size),
            third: Mat::zeros(size, size),
            diagonal: Vec::with_capacity(self.model.levels.len()),
            modes: Vec::with_capacity(self.model.levels.len()),
            along: vec![0.0; size],
        };
        for (level, &fy) in self.model.levels.iter().zip(&self.scores.levels) {
            let shrink = 1.0 / (1.0 + g1 * level.square);
            let fitted: f64 = level
                .columns
                .iter()
                .zip(&level.products)
                .map(|(&c, &f)| f * solution.effects[c])
                .sum();
            let mode = shrink * (fy - fitted);
            add_outer(
                &mut sums.second,
                &level.columns,
                &level.products,
                shrink * shrink,
            );
            let third = level.square * shrink * shrink * shrink;
            add_outer(&mut sums.third, &level.columns, &level.products, third);
            for (&column, &f) in level.columns.iter().zip(&level.products) {
                sums.along[column] += shrink * f * mode;
            }
            sums.diagonal.push(level.square * shrink);
            sums.modes.push(mode);
        }
        sums
    }

    /// The blocks of `Z' P Z` that traces need, from the leading `size` columns of the rest: all of
    /// them give `P`, the random ones alone `V^-1`.
    fn blocks(&self, s: &Solution, sums: &Absorbed, ratios: &[f64], size: usize) -> Blocks {
        let n_random = self.model.rest.n_random;
        let lead = |m: &Mat<f64>| m.as_ref().submatrix(0, 0, size, size).to_owned();
        let (k_inverse, g) = if size == self.model.rest.size {
            (s.k_inverse.clone(), s.g.clone())
        } else {
            // The random block of K is the identity plus a cross-product: it can be factored.
            let k = Mat::from_fn(size, size, |i, j| {
                s.roots[i] * s.a[(i, j)] * s.roots[j] + if i == j { 1.0 } else { 0.0 }
            });
            let inverse = match k.llt(Side::Lower) {
                Ok(factor) => invert_from_lower(factor.L()),
                Err(_) => Mat::from_fn(size, size, |_, _| f64::NAN),
            };
            let g = Mat::from_fn(size, size, |i, j| s.roots[i] * inverse[(i, j)] * s.roots[j]);
            (inverse, g)
        };
        let a = lead(&s.a);
        // N = (I - G A) in the random columns; where the ratio is above zero that is
        // L K^-1 / sqrt(g), free of cancellation.
        let mut n = Mat::zeros(size, n_random);
        for (i, term) in self.model.terms.iter().enumerate() {
            if Some(i) == self.model.absorbed {
                continue;
            }
            for c in term.first..term.first + term.n_levels {
                if ratios[i] > 0.0 {
                    for r in 0..size {
                        n[(r, c)] = s.roots[r] * k_inverse[(r, c)] / s.roots[c];
                    }
                } else {
                    let column: Vec<f64> = (0..size).map(|r| a[(r, c)]).collect();
                    for (r, v) in times(g.as_ref(), &column).into_iter().enumerate() {
                        n[(r, c)] = -v;
                    }
                    n[(c, c)] += 1.0;
                }
            }
        }
        let m = a.as_ref().submatrix(0, 0, n_random, size) * &n;
        let second = lead(&sums.second);
        let g_second = &g * &second;
        let second_n = &second * &n;
        Blocks {
            size,
            g,
            n,
            m,
            g_second,
            second_n,
        }
    }

    /// `Z_i' P y` in the random columns of the rest: `N' b`.
    fn products_with_scores(&self, s: &Solution, blocks: &Blocks) -> Vec<f64> {
        (0..self.model.rest.n_random)
            .map(|c| {
                (0..self.model.rest.size)
                    .map(|r| blocks.n[(r, c)] * s.b[r])
                    .sum()
            })
            .collect()
    }

    /// `m_i'm_i` and `m_i' M_ij m_j` of every term and pair.
    fn quadratic(
        &self,
        s: &Solution,
        sums: &Absorbed,
        blocks: &Blocks,
        modes: &[f64],
    ) -> (Vec<f64>, Mat<f64>) {
        let terms = &self.model.terms;
        let mut squares = vec![0.0; terms.len()];
        let mut mixed = Mat::zeros(terms.len(), terms.len());
        for (j, tj) in terms.iter().enumerate() {
            if Some(j) == self.model.absorbed {
                squares[j] = sums.modes.iter().map(|m| m * m).sum();
                let own: f64 = sums
                    .diagonal
                    .iter()
                    .zip(&sums.modes)
                    .map(|(d, m)| d * m * m)
                    .sum();
                let lost: f64 = times(s.g.as_ref(), &sums.along)
                    .iter()
                    .zip(&sums.along)
                    .map(|(a, b)| a * b)
                    .sum();
                mixed[(j, j)] = own - lost;
                continue;
            }
            let range_j = tj.first..tj.first + tj.n_levels;
            let mj = &modes[range_j.clone()];
            squares[j] = mj.iter().map(|m| m * m).sum();
            for (i, ti) in terms.iter().enumerate() {
                let sum = if Some(i) == self.model.absorbed {
                    range_j
                        .clone()
                        .zip(mj)
                        .map(|(c, m)| {
                            m * (0..blocks.size)
                                .map(|r| sums.along[r] * blocks.n[(r, c)])
                                .sum::<f64>()
                        })
                        .sum()
                } else {
                    range_j
                        .clone()
                        .zip(mj)
                        .map(|(c, m)| {
                            let rows = ti.first..ti.first + ti.n_levels;
                            m * rows.map(|r| modes[r] * blocks.m[(r, c)]).sum::<f64>()
                        })
                        .sum()
                };
                mixed[(i, j)] = sum;
                mixed[(j, i)] = sum;
            }
        }
        (squares, mixed)
    }
}

/// Parts of `Z' P Z`.
struct Blocks {
    size: usize,
    g: Mat<f64>,
    n: Mat<f64>,
    /// `M` among the terms of the rest.
    m: Mat<f64>,
    g_second: Mat<f64>,
    second_n: Mat<f64>,
}

impl Blocks {
    /// `tr M_ii` of each term and `|M_ij|^2` of each pair.
    fn traces(&self, model: &Model, sums: &Absorbed, n_terms: usize) -> (Vec<f64>, Mat<f64>) {
        let mut single = vec![0.0; n_terms];
        let mut double = Mat::zeros(n_terms, n_terms);
        let range = |i: usize| model.terms[i].first..model.terms[i].first + model.terms[i].n_levels;
        for j in 0..n_terms {
            if Some(j) == model.absorbed {
                let (mut t1, mut cross, mut t2) = (0.0, 0.0, 0.0);
                for c in 0..self.size {
                    t1 += self.g_second[(c, c)];
                    for r in 0..self.size {
                        cross += self.g[(r, c)] * sums.third[(r, c)];
                        t2 += self.g_second[(r, c)] * self.g_second[(c, r)];
                    }
                }
                single[j] = sums.diagonal.iter().sum::<f64>() - t1;
                double[(j, j)] =
                    sums.diagonal.iter().map(|d| d * d).sum::<f64>() - 2.0 * cross + t2;
                continue;
            }
            single[j] = range(j).map(|c| self.m[(c, c)]).sum();
            for i in 0..n_terms {
                let mut sum = 0.0;
                for c in range(j) {
                    if Some(i) == model.absorbed {
                        sum += (0..self.size)
                            .map(|r| self.n[(r, c)] * self.second_n[(r, c)])
                            .sum::<f64>();
                    } else {
                        sum += range(i)
                            .map(|r| self.m[(r, c)] * self.m[(r, c)])
                            .sum::<f64>();
                    }
                }
                double[(i, j)] = sum;
                double[(j, i)] = sum;
            }
        }
        (single, double)
    }
}

/// Adds `weight v v'` at the given columns.
fn add_outer(m: &mut Mat<f64>, columns: &[usize], values: &[f64], weight: f64) {
    for (&c, &vc) in columns.iter().zip(values) {
        let target = m.col_as_slice_mut(c);
        for (&r, &vr) in columns.iter().zip(values) {
            target[r] += weight * vr * vc;
        }
    }
}

/// Matrix times vector.
pub(super) fn times(m: MatRef<'_, f64>, v: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; m.nrows()];
    for (c, &value) in v.iter().enumerate() {
        for (r, o) in out.iter_mut().enumerate() {
            *o += m[(r, c)] * value;
        }
    }
    out
}

/// Solves `L x = b`.
fn forward_substitute(lower: MatRef<'_, f64>, mut b: Vec<f64>) -> Vec<f64> {
    for k in 0..b.len() {
        b[k] /= lower[(k, k)];
        let value = b[k];
        for (i, x) in b.iter_mut().enumerate().skip(k + 1) {
            *x -= lower[(i, k)] * value;
        }
    }
    b
}

/// The inverse of `L L'` from `L`: the inverse triangle by columns, then its own cross-product.
fn invert_from_lower(lower: MatRef<'_, f64>) -> Mat<f64> {
    let n = lower.nrows();
    let triangle = lower.to_owned();
    let mut inverse = Mat::<f64>::zeros(n, n);
    for j in 0..n {
        let column = inverse.col_as_slice_mut(j);
        column[j] = 1.0;
        for k in j..n {
            let below = triangle.col_as_slice(k);
            let value = column[k] / below[k];
            column[k] = value;
            if value != 0.0 {
                for (x, l) in column[k + 1..].iter_mut().zip(&below[k + 1..]) {
                    *x -= value * l;
                }
            }
        }
    }
    let mut product = Mat::<f64>::zeros(n, n);
    triangular::matmul(
        product.as_mut(),
        BlockStructure::Rectangular,
        Accum::Replace,
        inverse.transpose(),
        BlockStructure::Rectangular,
        inverse.as_ref(),
        BlockStructure::Rectangular,
        1.0,
        Par::Seq,
    );
    product
}
