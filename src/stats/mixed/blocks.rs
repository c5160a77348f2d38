//! The blocks of `Z' P Z` from which the derivatives of the deviance are made; names as in
//! `objective`, and `N = I - G A` in the random columns of the rest, so that `Z_j' P Z_i = A_j N_i`.
//! Where the ratio is above zero `N_i = G_i / g_i`, free of cancellation, and needs no product.

use super::dense::invert_from_lower;
use super::matrices::{Level, Model, dot};
use super::objective::{Objective, Solution};
use faer::{Mat, Side};

/// Up to this ratio a block of `M` is formed as a product; above, from `K^-1`: there the difference
/// `I - K^-1` keeps 13 digits.
const SMALL_RATIO: f64 = 1e-3;

/// What the derivatives need of the absorbed term and the scores.
pub(super) struct Absorbed {
    /// `m_1`.
    pub modes: Vec<f64>,
    /// `n / (1 + g n)` of each level.
    pub diagonal: Vec<f64>,
    /// `sum f m_1 / (1 + g n)`, with `f` the products of a level with the rest.
    pub along: Vec<f64>,
}

/// Parts of `Z' P Z`, or of `Z' V^-1 Z`.
pub(super) struct Blocks {
    size: usize,
    g: Mat<f64>,
    /// `N` of the terms with a ratio of zero.
    n_of_zero: Vec<Option<Mat<f64>>>,
    /// `M` among the terms of the rest.
    pub m: Mat<f64>,
}

impl Blocks {
    /// `tr M_ii` of each term and `|M_ij|^2` of each pair.
    pub fn traces(&self, model: &Model, ratios: &[f64]) -> (Vec<f64>, Mat<f64>) {
        let n_terms = model.terms.len();
        let mut single = vec![0.0; n_terms];
        let mut double = Mat::zeros(n_terms, n_terms);
        let range = |i: usize| model.terms[i].first..model.terms[i].first + model.terms[i].n_levels;
        let in_rest: Vec<usize> = (0..n_terms).filter(|&i| Some(i) != model.absorbed).collect();
        for &j in &in_rest {
            single[j] = range(j).map(|c| self.m[(c, c)]).sum();
            for &i in in_rest.iter().filter(|&&i| i <= j) {
                let square =
                    |c: usize| self.m.col_as_slice(c)[range(i)].iter().map(|m| m * m).sum::<f64>();
                double[(i, j)] = range(j).map(square).sum();
                double[(j, i)] = double[(i, j)];
            }
        }
        let Some(own) = model.absorbed else {
            return (single, double);
        };
        // With `F` the products of each level with the rest over 1 + g n: M_11 = D - F G F' and
        // M_1j = F N_j. A level meets few columns, so F is never formed.
        let of_level = |level: &Level| -> (f64, Vec<(usize, f64)>) {
            let shrink = 1.0 / (1.0 + ratios[own] * level.square);
            let met = level.columns.iter().zip(&level.products);
            let own = met.filter(|(c, _)| **c < self.size).map(|(&c, &f)| (c, shrink * f));
            (level.square * shrink, own.collect())
        };
        let levels: Vec<(f64, Vec<(usize, f64)>)> = model.levels.iter().map(of_level).collect();
        // The columns of G F'.
        let turned: Vec<Vec<f64>> =
            levels.iter().map(|(_, f)| combined(&self.g, f, self.size)).collect();
        let (mut trace, mut square) = (0.0, 0.0);
        for (at, (diagonal, f)) in levels.iter().enumerate() {
            let along = |w: &Vec<f64>| f.iter().map(|&(c, f)| f * w[c]).sum::<f64>();
            let own = diagonal - along(&turned[at]);
            trace += own;
            square += own * own;
            square += 2.0 * turned[..at].iter().map(|w| along(w).powi(2)).sum::<f64>();
        }
        single[own] = trace;
        double[(own, own)] = square;
        for &j in &in_rest {
            let sum: f64 = if let Some(n) = &self.n_of_zero[j] {
                let n = n.transpose().to_owned();
                levels.iter().map(|(_, f)| combined(&n, f, n.nrows())).map(|v| dot(&v, &v)).sum()
            } else {
                let all: f64 = turned.iter().map(|w| dot(&w[range(j)], &w[range(j)])).sum();
                all / (ratios[j] * ratios[j])
            };
            double[(own, j)] = sum;
            double[(j, own)] = sum;
        }
        (single, double)
    }
}

impl Objective<'_> {
    /// Sums over the absorbed term at the ratio it has.
    pub(super) fn absorbed_sums(&self, ratios: &[f64], solution: &Solution) -> Absorbed {
        let g1 = self.ratio_of_absorbed(ratios);
        let mut sums = Absorbed {
            modes: Vec::with_capacity(self.model.levels.len()),
            diagonal: Vec::with_capacity(self.model.levels.len()),
            along: vec![0.0; self.model.rest.size],
        };
        for (level, &fy) in self.model.levels.iter().zip(&self.scores.levels) {
            let shrink = 1.0 / (1.0 + g1 * level.square);
            let parts = level.columns.iter().zip(&level.products);
            let fitted: f64 = parts.map(|(&c, &f)| f * solution.effects[c]).sum();
            let mode = shrink * (fy - fitted);
            for (&column, &f) in level.columns.iter().zip(&level.products) {
                sums.along[column] += shrink * f * mode;
            }
            sums.diagonal.push(level.square * shrink);
            sums.modes.push(mode);
        }
        sums
    }

    /// `N' v` in the random columns of the rest, where `gv = G v`.
    pub(super) fn turned(&self, s: &Solution, ratios: &[f64], v: &[f64], gv: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.model.rest.n_random];
        for (i, term) in self.model.terms.iter().enumerate() {
            if Some(i) != self.model.absorbed {
                for c in term.first..term.first + term.n_levels {
                    out[c] = if ratios[i] > 0.0 {
                        gv[c] / ratios[i]
                    } else {
                        v[c] - dot(s.a.col_as_slice(c), gv)
                    };
                }
            }
        }
        out
    }

    /// The blocks of `Z' P Z` that traces need, from the leading `size` columns of the rest: all of
    /// them give `P`, the random ones alone `V^-1`.
    pub(super) fn blocks(&self, s: &Solution, ratios: &[f64], size: usize) -> Blocks {
        let n_random = self.model.rest.n_random;
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
            let g = scaled(&inverse, &s.roots);
            (inverse, g)
        };
        let a = s.a.as_ref().submatrix(0, 0, size, size);
        // M = L^-1 (I - K^-1) L^-1 between terms with ratios that are not small.
        let mut m = Mat::<f64>::zeros(n_random, n_random);
        let inverses: Vec<f64> =
            s.roots[..n_random].iter().map(|r| if *r > 0.0 { 1.0 / r } else { 0.0 }).collect();
        for c in 0..n_random {
            let (target, source) = (m.col_as_slice_mut(c), k_inverse.col_as_slice(c));
            for ((t, k), inverse) in target.iter_mut().zip(source).zip(&inverses) {
                *t = -k * inverse * inverses[c];
            }
            target[c] += inverses[c] * inverses[c];
        }
        let mut n_of_zero = Vec::with_capacity(self.model.terms.len());
        for (i, term) in self.model.terms.iter().enumerate() {
            if Some(i) == self.model.absorbed || ratios[i] > SMALL_RATIO {
                n_of_zero.push(None);
                continue;
            }
            let n = if ratios[i] > 0.0 {
                let own = g.as_ref().subcols(term.first, term.n_levels);
                Mat::from_fn(size, term.n_levels, |r, c| own[(r, c)] / ratios[i])
            } else {
                let mut n = &g * a.subcols(term.first, term.n_levels);
                for c in 0..term.n_levels {
                    n.col_as_slice_mut(c).iter_mut().for_each(|v| *v = -*v);
                    n[(term.first + c, c)] += 1.0;
                }
                n
            };
            let block = a.subrows(0, n_random) * &n;
            for c in 0..term.n_levels {
                for r in 0..n_random {
                    m[(r, term.first + c)] = block[(r, c)];
                    m[(term.first + c, r)] = block[(r, c)];
                }
            }
            n_of_zero.push((ratios[i] == 0.0).then_some(n));
        }
        Blocks { size, g, n_of_zero, m }
    }
}

/// A combination of columns of a matrix, given by their numbers and weights.
fn combined(m: &Mat<f64>, weights: &[(usize, f64)], size: usize) -> Vec<f64> {
    let mut out = vec![0.0; size];
    for &(c, weight) in weights {
        for (o, v) in out.iter_mut().zip(m.col_as_slice(c)) {
            *o += weight * v;
        }
    }
    out
}

/// `L m L` with the diagonal of `L` in `roots`.
pub(super) fn scaled(m: &Mat<f64>, roots: &[f64]) -> Mat<f64> {
    let mut out = m.clone();
    for c in 0..out.ncols() {
        let root = roots[c];
        for (v, r) in out.col_as_slice_mut(c).iter_mut().zip(roots) {
            *v *= r * root;
        }
    }
    out
}
