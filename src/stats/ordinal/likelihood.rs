//! Minus the log-likelihood of a cumulative-link mixed model and its slope.
//!
//! The random effects are u = sd * v with standard normal v. For given parameters the v that make
//! `J(v) = -sum log p_i + v'v / 2` least are found by Newton's method (J is convex). Laplace:
//! `J + log|H| / 2` with H the second derivatives of J there. In H the term with the most levels is
//! diagonal and is eliminated first, so that only the others need a dense matrix.

use super::cell::Cell;
use super::solve::{Triangle, dot, times};
use super::{Integration, Link};
use crate::mixed::Factor;

/// A layout with its answers.
pub(super) struct Problem {
    pub link: Link,
    pub integration: Integration,
    /// The place of each answer among the levels in use.
    pub y: Vec<usize>,
    /// Levels in use.
    pub n_levels: usize,
    /// The fixed columns of each row that are not zero.
    pub rows: Vec<Vec<(usize, f64)>>,
    pub n_columns: usize,
    pub offset: Vec<f64>,
    /// The random terms, the one with the most levels first.
    pub terms: Vec<Factor>,
    /// Where each further term begins among the dense ones.
    pub first: Vec<usize>,
    /// Levels of all further terms.
    pub n_dense: usize,
    pub rule: Vec<(f64, f64)>,
}

/// The modes: of the first term, then of the others one after another.
#[derive(Debug, Clone, Default)]
pub(super) struct Modes {
    pub own: Vec<f64>,
    pub dense: Vec<f64>,
}

/// What is known at the modes.
struct Curve {
    cells: Vec<Cell>,
    j: f64,
    /// H: the diagonal of the first term, its rows into the others, and the others.
    diagonal: Vec<f64>,
    border: Vec<f64>,
    block: Vec<f64>,
    pull_own: Vec<f64>,
    pull_dense: Vec<f64>,
}

/// H with the first term eliminated.
struct Solved {
    triangle: Triangle,
    log_det: f64,
}

impl Problem {
    pub fn n_thresholds(&self) -> usize {
        self.n_levels - 1
    }

    /// Thresholds, fixed effects, standard deviations.
    pub fn n_parameters(&self) -> usize {
        self.n_thresholds() + self.n_columns + self.terms.len()
    }

    pub fn no_modes(&self) -> Modes {
        let own = self.terms.first().map_or(0, |t| t.n_levels);
        Modes { own: vec![0.0; own], dense: vec![0.0; self.n_dense] }
    }

    /// The fixed part of each row's predictor.
    fn fixed(&self, parameters: &[f64]) -> Vec<f64> {
        let b = &parameters[self.n_thresholds()..];
        let row = |r: &Vec<(usize, f64)>| r.iter().map(|(c, x)| x * b[*c]).sum::<f64>();
        self.rows.iter().zip(&self.offset).map(|(r, o)| o + row(r)).collect()
    }

    fn ends(&self, parameters: &[f64], row: usize) -> (f64, f64) {
        let y = self.y[row];
        let upper = if y + 1 < self.n_levels { parameters[y] } else { f64::INFINITY };
        let lower = if y > 0 { parameters[y - 1] } else { f64::NEG_INFINITY };
        (upper, lower)
    }

    fn sds<'a>(&self, parameters: &'a [f64]) -> &'a [f64] {
        &parameters[self.n_thresholds() + self.n_columns..]
    }

    fn place(&self, term: usize, row: usize) -> usize {
        self.first[term - 1] + self.terms[term].codes[row] as usize
    }

    fn shift(&self, sds: &[f64], modes: &Modes, row: usize) -> f64 {
        let mut shift = 0.0;
        if let (Some(own), Some(sd)) = (self.terms.first(), sds.first()) {
            shift += sd * modes.own[own.codes[row] as usize];
        }
        for (term, sd) in sds.iter().enumerate().skip(1) {
            shift += sd * modes.dense[self.place(term, row)];
        }
        shift
    }

    fn curve(&self, parameters: &[f64], fixed: &[f64], modes: &Modes) -> Option<Curve> {
        let sds = self.sds(parameters);
        let m = self.n_dense;
        let mut cells = Vec::with_capacity(self.y.len());
        let mut j = 0.5 * (dot(&modes.own, &modes.own) + dot(&modes.dense, &modes.dense));
        let mut curve = Curve {
            cells: Vec::new(),
            j: 0.0,
            diagonal: vec![1.0; modes.own.len()],
            border: vec![0.0; modes.own.len() * m],
            block: vec![0.0; m * m],
            pull_own: modes.own.clone(),
            pull_dense: modes.dense.clone(),
        };
        for i in 0..m {
            curve.block[i * m + i] = 1.0;
        }
        for (row, &predictor) in fixed.iter().enumerate() {
            let eta = predictor + self.shift(sds, modes, row);
            let (upper, lower) = self.ends(parameters, row);
            let cell = Cell::new(self.link, upper - eta, lower - eta)?;
            j -= cell.log_p;
            let (s, h) = (cell.slope(), cell.curvature());
            cells.push(cell);
            let Some(own) = self.terms.first() else { continue };
            let g = own.codes[row] as usize;
            curve.pull_own[g] += sds[0] * s;
            curve.diagonal[g] += sds[0] * sds[0] * h;
            for t in 1..self.terms.len() {
                let at = self.place(t, row);
                curve.pull_dense[at] += sds[t] * s;
                curve.border[g * m + at] += sds[0] * sds[t] * h;
                for other in 1..self.terms.len() {
                    curve.block[at * m + self.place(other, row)] += sds[t] * sds[other] * h;
                }
            }
        }
        curve.cells = cells;
        curve.j = j;
        j.is_finite().then_some(curve)
    }

    fn solved(&self, curve: &Curve) -> Option<Solved> {
        let m = self.n_dense;
        let mut schur = curve.block.clone();
        for (g, d) in curve.diagonal.iter().enumerate() {
            let border = &curve.border[g * m..(g + 1) * m];
            for (i, b) in border.iter().enumerate().filter(|(_, b)| **b != 0.0) {
                for (target, other) in schur[i * m..].iter_mut().zip(border) {
                    *target -= b * other / d;
                }
            }
        }
        let triangle = Triangle::new(&schur, m, 0.0).ok()?;
        let log_det = curve.diagonal.iter().map(|d| d.ln()).sum::<f64>() + triangle.log_det();
        Some(Solved { triangle, log_det })
    }

    /// Solves `H x = (own, dense)`.
    fn solve(&self, curve: &Curve, s: &Solved, own: &[f64], dense: &[f64]) -> Modes {
        let m = self.n_dense;
        let mut right = dense.to_vec();
        for (g, value) in own.iter().enumerate() {
            let scale = value / curve.diagonal[g];
            for (r, b) in right.iter_mut().zip(&curve.border[g * m..(g + 1) * m]) {
                *r -= scale * b;
            }
        }
        let dense = s.triangle.solve(&right);
        let own = own
            .iter()
            .enumerate()
            .map(|(g, v)| (v - dot(&curve.border[g * m..(g + 1) * m], &dense)) / curve.diagonal[g])
            .collect();
        Modes { own, dense }
    }

    /// Newton's method for the modes, from where they are.
    fn settle(
        &self,
        parameters: &[f64],
        fixed: &[f64],
        modes: &mut Modes,
    ) -> Option<(Curve, Solved)> {
        let mut curve = match self.curve(parameters, fixed, modes) {
            Some(curve) => curve,
            // What was the mode elsewhere may be impossible here.
            None => {
                *modes = self.no_modes();
                self.curve(parameters, fixed, modes)?
            }
        };
        for _ in 0..60 {
            let solved = self.solved(&curve)?;
            let step = self.solve(&curve, &solved, &curve.pull_own, &curve.pull_dense);
            let gain = dot(&step.own, &curve.pull_own) + dot(&step.dense, &curve.pull_dense);
            let mut length = 1.0;
            let next = loop {
                let moved = |v: &[f64], by: &[f64]| -> Vec<f64> {
                    v.iter().zip(by).map(|(v, s)| v - length * s).collect()
                };
                let trial = Modes {
                    own: moved(&modes.own, &step.own),
                    dense: moved(&modes.dense, &step.dense),
                };
                match self.curve(parameters, fixed, &trial) {
                    Some(next) if next.j <= curve.j + 1e-12 * curve.j.abs() => {
                        *modes = trial;
                        break next;
                    }
                    _ if length > 1e-6 => length *= 0.5,
                    _ => return None,
                }
            };
            curve = next;
            // The step that was just made has squared what this leaves.
            if gain < 1e-9 {
                let solved = self.solved(&curve)?;
                return Some((curve, solved));
            }
        }
        None
    }

    /// Minus the log-likelihood and its slope; `None` where it is not defined.
    pub fn value(&self, parameters: &[f64], modes: &mut Modes) -> Option<(f64, Vec<f64>)> {
        let fixed = self.fixed(parameters);
        if self.terms.is_empty() {
            let curve = self.curve(parameters, &fixed, modes)?;
            let mut slope = vec![0.0; self.n_parameters()];
            for (row, cell) in curve.cells.iter().enumerate() {
                self.add(&mut slope, row, -cell.a, -cell.c);
            }
            return Some((curve.j, slope));
        }
        let (curve, solved) = self.settle(parameters, &fixed, modes)?;
        match self.integration {
            Integration::Quadrature { .. } if self.terms.len() == 1 => {
                self.quadrature(parameters, &fixed, modes, &curve)
            }
            _ => Some(self.laplace(parameters, modes, &curve, &solved)),
        }
    }

    /// Adds what a change of the ends of a row's cell costs to the slope of thresholds and effects.
    fn add(&self, slope: &mut [f64], row: usize, a: f64, c: f64) {
        let y = self.y[row];
        if y + 1 < self.n_levels {
            slope[y] += a;
        }
        if y > 0 {
            slope[y - 1] += c;
        }
        let first = self.n_thresholds();
        for (column, x) in &self.rows[row] {
            slope[first + column] -= x * (a + c);
        }
    }

    fn laplace(
        &self,
        parameters: &[f64],
        modes: &Modes,
        curve: &Curve,
        solved: &Solved,
    ) -> (f64, Vec<f64>) {
        let (m, sds) = (self.n_dense, self.sds(parameters));
        let inverse = solved.triangle.inverse();
        // For each level of the first term: its border over its diagonal, that times the inverse,
        // and the product of the two.
        let levels: Vec<(Vec<f64>, f64)> = (0..curve.diagonal.len())
            .map(|g| {
                let over: Vec<f64> = curve.border[g * m..(g + 1) * m]
                    .iter()
                    .map(|b| b / curve.diagonal[g])
                    .collect();
                let turned = times(&inverse, &over);
                let square = dot(&over, &turned);
                (turned, square)
            })
            .collect();
        let own = &self.terms[0];
        let further = 1..self.terms.len();
        let mut slope = vec![0.0; self.n_parameters()];
        let first_sd = self.n_thresholds() + self.n_columns;
        // z' H^-1 z of each row, and what pulls at the modes through it.
        let mut spread = vec![0.0; self.y.len()];
        let mut pull = self.no_modes();
        for (row, spread) in spread.iter_mut().enumerate() {
            let g = own.codes[row] as usize;
            let (turned, square) = &levels[g];
            let crossed: f64 = further.clone().map(|t| sds[t] * turned[self.place(t, row)]).sum();
            // H^-1 z in the places of this row's levels.
            let at_own = sds[0] / curve.diagonal[g] - (crossed - sds[0] * square);
            let at = |t: usize| -> f64 {
                let place = self.place(t, row);
                let sum: f64 = further
                    .clone()
                    .map(|other| sds[other] * inverse[place * m + self.place(other, row)])
                    .sum();
                sum - sds[0] * turned[place]
            };
            let cell = &curve.cells[row];
            let h = cell.curvature();
            let mut square = sds[0] * at_own;
            slope[first_sd] += h * at_own;
            for t in further.clone() {
                let here = at(t);
                square += sds[t] * here;
                slope[first_sd + t] += h * here;
            }
            *spread = square;
            let (by_a, by_c) = cell.curvature_slopes();
            let w = -0.5 * square * (by_a + by_c);
            pull.own[g] += sds[0] * w;
            for t in further.clone() {
                pull.dense[self.place(t, row)] += sds[t] * w;
            }
        }
        let lambda = self.solve(curve, solved, &pull.own, &pull.dense);
        for (row, (cell, spread)) in curve.cells.iter().zip(&spread).enumerate() {
            let g = own.codes[row] as usize;
            let through = self.shift(sds, &lambda, row);
            let (by_a, by_c) = cell.curvature_slopes();
            let half = 0.5 * spread;
            let a = -cell.a + half * by_a - through * (cell.aa + cell.ac);
            let c = -cell.c + half * by_c - through * (cell.ac + cell.cc);
            self.add(&mut slope, row, a, c);
            slope[first_sd] -= modes.own[g] * (a + c) + lambda.own[g] * cell.slope();
            for t in further.clone() {
                let place = self.place(t, row);
                slope[first_sd + t] -=
                    modes.dense[place] * (a + c) + lambda.dense[place] * cell.slope();
            }
        }
        (curve.j + 0.5 * solved.log_det, slope)
    }

    /// One term: each of its levels is integrated by itself about its mode. The slope is that of
    /// the integral, which the quadrature gives closely.
    fn quadrature(
        &self,
        parameters: &[f64],
        fixed: &[f64],
        modes: &Modes,
        curve: &Curve,
    ) -> Option<(f64, Vec<f64>)> {
        let sd = self.sds(parameters)[0];
        let own = &self.terms[0];
        let nodes: Vec<Vec<f64>> = self
            .rule
            .iter()
            .map(|(x, _)| {
                modes.own.iter().zip(&curve.diagonal).map(|(v, d)| v + x / d.sqrt()).collect()
            })
            .collect();
        // The logarithm of the integrand over the rule's own density, level by level.
        let mut logs: Vec<Vec<f64>> = nodes
            .iter()
            .zip(&self.rule)
            .map(|(v, (x, w))| v.iter().map(|v| w.ln() + 0.5 * (x * x - v * v)).collect())
            .collect();
        let mut cells: Vec<Vec<Cell>> = Vec::with_capacity(nodes.len());
        for (v, log) in nodes.iter().zip(&mut logs) {
            let mut at_node = Vec::with_capacity(fixed.len());
            for (row, predictor) in fixed.iter().enumerate() {
                let g = own.codes[row] as usize;
                let eta = predictor + sd * v[g];
                let (upper, lower) = self.ends(parameters, row);
                let cell = Cell::new(self.link, upper - eta, lower - eta)?;
                log[g] += cell.log_p;
                at_node.push(cell);
            }
            cells.push(at_node);
        }
        let mut value = 0.0;
        for (g, d) in curve.diagonal.iter().enumerate() {
            let most = logs.iter().fold(f64::NEG_INFINITY, |m, l| m.max(l[g]));
            let sum: f64 = logs.iter().map(|l| (l[g] - most).exp()).sum();
            value += 0.5 * d.ln() - most - sum.ln();
            for log in &mut logs {
                log[g] = (log[g] - most).exp() / sum;
            }
        }
        let mut slope = vec![0.0; self.n_parameters()];
        let first_sd = self.n_thresholds() + self.n_columns;
        for ((shares, at_node), v) in logs.iter().zip(&cells).zip(&nodes) {
            for (row, cell) in at_node.iter().enumerate() {
                let g = own.codes[row] as usize;
                self.add(&mut slope, row, -shares[g] * cell.a, -shares[g] * cell.c);
                slope[first_sd] += shares[g] * v[g] * cell.slope();
            }
        }
        value.is_finite().then_some((value, slope))
    }

    /// The second derivatives of minus the log-likelihood without random effects, row by row.
    pub fn fixed_curvature(&self, parameters: &[f64]) -> Option<Vec<f64>> {
        let n = self.n_thresholds() + self.n_columns;
        let fixed = self.fixed(parameters);
        let mut hessian = vec![0.0; n * n];
        for (row, predictor) in fixed.iter().enumerate() {
            let (upper, lower) = self.ends(parameters, row);
            let cell = Cell::new(self.link, upper - predictor, lower - predictor)?;
            let y = self.y[row];
            // How the ends move with each parameter that matters to this row.
            let mut moves: Vec<(usize, f64, f64)> = Vec::with_capacity(2 + self.rows[row].len());
            if y + 1 < self.n_levels {
                moves.push((y, 1.0, 0.0));
            }
            if y > 0 {
                moves.push((y - 1, 0.0, 1.0));
            }
            let first = self.n_thresholds();
            moves.extend(self.rows[row].iter().map(|(c, x)| (first + c, -x, -x)));
            for (i, a, c) in &moves {
                for (k, other_a, other_c) in &moves {
                    hessian[i * n + k] -= cell.aa * a * other_a
                        + cell.ac * (a * other_c + c * other_a)
                        + cell.cc * c * other_c;
                }
            }
        }
        Some(hessian)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::quadrature::normal_rule;
    use super::*;

    fn problem(terms: Vec<Factor>, integration: Integration, rule: Vec<(f64, f64)>) -> Problem {
        let n = 60;
        let mut first = Vec::new();
        let mut n_dense = 0;
        for t in terms.iter().skip(1) {
            first.push(n_dense);
            n_dense += t.n_levels;
        }
        Problem {
            link: Link::Logit,
            integration,
            y: (0..n).map(|r| (r * r + r / 7) % 4).collect(),
            n_levels: 4,
            rows: (0..n).map(|r| vec![(0, (r % 5) as f64 - 2.0)]).collect(),
            n_columns: 1,
            offset: (0..n).map(|r| 0.01 * r as f64).collect(),
            terms,
            first,
            n_dense,
            rule,
        }
    }

    fn terms() -> Vec<Factor> {
        let of = |f: &dyn Fn(u32) -> u32| Factor::new((0..60).map(f).collect());
        // Nested in the second, and crossed with it.
        vec![of(&|r| r / 3), of(&|r| r / 12), of(&|r| r % 4)]
    }

    #[test]
    fn slopes_are_those_of_differences() {
        let parameters = [-1.2, 0.3, 1.4, 0.35, 0.9, 0.6, 1.3];
        for n_terms in 1..=3 {
            let p = problem(terms()[..n_terms].to_vec(), Integration::Laplace, Vec::new());
            let at = |x: &[f64]| p.value(x, &mut p.no_modes()).unwrap();
            let whole = &parameters[..4 + n_terms];
            let slope = at(whole).1;
            for (i, got) in slope.iter().enumerate() {
                let moved = |by: f64| {
                    let mut x = whole.to_vec();
                    x[i] += by;
                    at(&x).0
                };
                let want = (moved(1e-5) - moved(-1e-5)) / 2e-5;
                assert!(
                    (got - want).abs() < 1e-6 * (1.0 + want.abs()),
                    "{n_terms} {i}: {got} {want}"
                );
            }
        }
    }

    #[test]
    fn one_node_is_laplace_and_many_are_the_integral() {
        let parameters = [-1.2, 0.3, 1.4, 0.35, 0.9];
        let own = vec![terms()[1].clone()];
        let of = |nodes: usize| {
            let integration = Integration::Quadrature { nodes };
            let p = problem(own.clone(), integration, normal_rule(nodes));
            p.value(&parameters, &mut p.no_modes()).unwrap()
        };
        let p = problem(own.clone(), Integration::Laplace, Vec::new());
        let laplace = p.value(&parameters, &mut p.no_modes()).unwrap().0;
        assert!((of(1).0 - laplace).abs() < 1e-9);
        // The integral itself, by steps of 0.01 from -8 to 8.
        let fixed = p.fixed(&parameters);
        let mut whole = 0.0;
        for level in 0..own[0].n_levels as u32 {
            let mut sum = 0.0;
            for step in -800..=800 {
                let v = f64::from(step) / 100.0;
                let mut log = -0.5 * v * v;
                for row in (0..60).filter(|r| own[0].codes[*r] == level) {
                    let eta = fixed[row] + parameters[4] * v;
                    let (a, c) = p.ends(&parameters, row);
                    log += Cell::new(Link::Logit, a - eta, c - eta).unwrap().log_p;
                }
                sum += 0.01 * log.exp() / (2.0 * std::f64::consts::PI).sqrt();
            }
            whole -= f64::ln(sum);
        }
        assert!((of(25).0 - whole).abs() < 1e-10, "{} {whole}", of(25).0);
        assert!((laplace - whole).abs() > 1e-4);
    }

    #[test]
    fn a_term_without_spread_counts_for_nothing() {
        let both = problem(terms()[..2].to_vec(), Integration::Laplace, Vec::new());
        let one = problem(terms()[1..2].to_vec(), Integration::Laplace, Vec::new());
        let a = both.value(&[-1.2, 0.3, 1.4, 0.35, 0.0, 0.6], &mut both.no_modes()).unwrap().0;
        let b = one.value(&[-1.2, 0.3, 1.4, 0.35, 0.6], &mut one.no_modes()).unwrap().0;
        assert!((a - b).abs() < 1e-10);
    }
}
