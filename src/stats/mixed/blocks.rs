//! The blocks of `Z' P Z` from which the derivatives of the deviance are made; names as in
//! `objective`.

use super::dense::{add_outer, invert_from_lower};
use super::matrices::Model;
use super::objective::{Objective, Solution};
use faer::{Mat, Side};

/// Sums over the levels of the absorbed term, with `f` the products of a level with the rest.
pub(super) struct Absorbed {
    /// `sum f f' / (1 + g n)^2`.
    pub second: Mat<f64>,
    /// `sum f f' n / (1 + g n)^3`.
    pub third: Mat<f64>,
    /// `n / (1 + g n)` of each level.
    pub diagonal: Vec<f64>,
    /// `m_1`.
    pub modes: Vec<f64>,
    /// `sum f m_1 / (1 + g n)`.
    pub along: Vec<f64>,
}

/// Parts of `Z' P Z`.
pub(super) struct Blocks {
    pub size: usize,
    pub g: Mat<f64>,
    pub n: Mat<f64>,
    /// `M` among the terms of the rest.
    pub m: Mat<f64>,
    pub g_second: Mat<f64>,
    pub second_n: Mat<f64>,
}

impl Blocks {
    /// `tr M_ii` of each term and `|M_ij|^2` of each pair.
    pub fn traces(&self, model: &Model, sums: &Absorbed, n_terms: usize) -> (Vec<f64>, Mat<f64>) {
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
                        sum += range(i).map(|r| self.m[(r, c)] * self.m[(r, c)]).sum::<f64>();
                    }
                }
                double[(i, j)] = sum;
                double[(j, i)] = sum;
            }
        }
        (single, double)
    }
}

impl Objective<'_> {
    /// Sums over the absorbed term at the ratio it has.
    pub(super) fn absorbed_sums(&self, ratios: &[f64], solution: &Solution) -> Absorbed {
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
            add_outer(&mut sums.second, &level.columns, &level.products, shrink * shrink);
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
    pub(super) fn blocks(
        &self,
        s: &Solution,
        sums: &Absorbed,
        ratios: &[f64],
        size: usize,
    ) -> Blocks {
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
        let mut n = Mat::<f64>::zeros(size, n_random);
        for (i, term) in self.model.terms.iter().enumerate() {
            if Some(i) == self.model.absorbed {
                continue;
            }
            let columns = term.first..term.first + term.n_levels;
            if ratios[i] > 0.0 {
                for c in columns {
                    let (target, source) = (n.col_as_slice_mut(c), k_inverse.col_as_slice(c));
                    for (r, t) in target.iter_mut().enumerate() {
                        *t = s.roots[r] * source[r] / s.roots[c];
                    }
                }
            } else {
                let product = &g * a.as_ref().subcols(term.first, term.n_levels);
                for (c, source) in columns.enumerate().map(|(k, c)| (c, product.col_as_slice(k))) {
                    let target = n.col_as_slice_mut(c);
                    for (t, v) in target.iter_mut().zip(source) {
                        *t = -v;
                    }
                    target[c] += 1.0;
                }
            }
        }
        let m = a.as_ref().submatrix(0, 0, n_random, size) * &n;
        let second = lead(&sums.second);
        let g_second = &g * &second;
        let second_n = &second * &n;
        Blocks { size, g, n, m, g_second, second_n }
    }
}
