//! All columns and all scores tested with the same arrangements.

use super::{PermuteError, Permuted, arrangements, dot, next_within, norm, places};
use crate::least_squares::Basis;
use rayon::prelude::*;

/// What may go wrong with one of several columns.
type Tested = Result<Permuted, PermuteError>;

/// Arrangements of one stream; the streams follow one another whatever the number of cores.
const DRAWS_A_STREAM: usize = 250;

/// Tests each of the columns `tested` beside all the others, `nuisance` and a level of each block,
/// for each of the scores `ys`, as [`freedman_lane`](super::freedman_lane) does one at a time, with
/// the same arrangements for all. The result is one list a score, one test a column.
///
/// All are taken less their blocks' means, which no exchange within blocks changes. Let `Q` be an
/// orthonormal basis of all columns, `a_j` what the others leave of column j (length 1), `e` what all
/// columns leave of a score and `c = a_j'y`. The residual beside the others is then `e + c a_j`, and
/// `Q'P(e + c a_j) = Q'Pe + c Q'P a_j`: each arrangement P costs one product with all scores and
/// columns instead of one for each pair of them.
///
/// # Errors
/// See [`PermuteError`]; those of a single column stand in its place.
///
/// # Source
/// As [`freedman_lane`](super::freedman_lane); tested against it.
pub fn freedman_lane_all(
    ys: &[&[f64]],
    tested: &[&[f64]],
    nuisance: &[Vec<f64>],
    blocks: &[u32],
    n_draws: usize,
    seed: u64,
) -> Result<Vec<Vec<Tested>>, PermuteError> {
    let n = blocks.len();
    let columns = || nuisance.iter().map(Vec::as_slice).chain(tested.iter().copied());
    if let Some(c) = columns().chain(ys.iter().copied()).find(|c| c.len() != n) {
        return Err(PermuteError::Length { expected: n, found: c.len() });
    }
    if !columns().chain(ys.iter().copied()).flatten().all(|v| v.is_finite()) {
        return Err(PermuteError::NotFinite);
    }
    let means = Means::of(blocks);
    let centred = |c: &[f64]| means.taken_off(c);
    let nuisance: Vec<Vec<f64>> = nuisance.iter().map(|c| centred(c)).collect();
    let around: Vec<Vec<f64>> = tested.iter().map(|c| centred(c)).collect();
    let mut basis = Basis::new(n);
    for (column, whole) in around.iter().zip(tested) {
        // What the blocks say of a column but for rounding is nothing of its own.
        if norm(column) > 1e-9 * norm(whole) {
            basis.push(column);
        }
    }
    nuisance.iter().for_each(|c| {
        basis.push(c);
    });
    let n_blocks = means.sizes.len();
    let along: Vec<Result<Vec<f64>, PermuteError>> =
        (0..tested.len()).map(|j| beside_others(j, tested, &around, &nuisance, n_blocks)).collect();
    let ys: Vec<Vec<f64>> = ys.iter().map(|y| centred(y)).collect();
    let ys: Vec<&[f64]> = ys.iter().map(Vec::as_slice).collect();
    let known: Vec<usize> = (0..tested.len()).filter(|j| along[*j].is_ok()).collect();
    let places = places(blocks);
    let n_all = arrangements(&places).ok_or(PermuteError::NothingToExchange)?;
    let own: Vec<&Vec<f64>> = along.iter().flatten().collect();
    let together = Together::new(&ys, &own, &basis);
    let all = n_all <= n_draws as u64;
    let mut order: Vec<usize> = (0..n).collect();
    let mut counted = together.start();
    together.add(&order, &mut counted);
    if all {
        while next_within(&places, &mut order) {
            together.add(&order, &mut counted);
        }
    } else {
        let shares: Vec<Vec<Counted>> = (0..n_draws.div_ceil(DRAWS_A_STREAM))
            .into_par_iter()
            .map(|part| {
                let mut stream = crate::rng::stream(seed, part as u64);
                let (mut order, mut own) = ((0..n).collect::<Vec<usize>>(), counted.clone());
                own.iter_mut().for_each(Counted::forget);
                for _ in 0..DRAWS_A_STREAM.min(n_draws - part * DRAWS_A_STREAM) {
                    for block in &places {
                        for last in (1..block.len()).rev() {
                            order.swap(block[last], block[stream.below(last + 1)]);
                        }
                    }
                    together.add(&order, &mut own);
                }
                own
            })
            .collect();
        for share in shares {
            counted.iter_mut().zip(share).for_each(|(c, more)| c.unite(&more));
        }
    }
    let of = |score: usize, j: usize| match &along[j] {
        Err(e) => Err(e.clone()),
        Ok(_) => {
            let at = known.iter().position(|k| *k == j).unwrap_or_default();
            Ok(counted[score * known.len() + at].said(all))
        }
    };
    Ok((0..ys.len()).map(|t| (0..tested.len()).map(|j| of(t, j)).collect()).collect())
}

/// The means of blocks.
struct Means {
    of: Vec<usize>,
    sizes: Vec<f64>,
}

impl Means {
    fn of(blocks: &[u32]) -> Self {
        let mut known: std::collections::BTreeMap<u32, usize> = std::collections::BTreeMap::new();
        let mut sizes: Vec<f64> = Vec::new();
        let of: Vec<usize> = blocks
            .iter()
            .map(|b| {
                let at = *known.entry(*b).or_insert(sizes.len());
                if at == sizes.len() {
                    sizes.push(0.0);
                }
                sizes[at] += 1.0;
                at
            })
            .collect();
        Self { of, sizes }
    }

    /// A column less its blocks' means.
    fn taken_off(&self, column: &[f64]) -> Vec<f64> {
        let mut rest = column.to_vec();
        // Twice, so that a large mean leaves no rounding behind.
        for _ in 0..2 {
            let mut means = vec![0.0; self.sizes.len()];
            for (v, b) in rest.iter().zip(&self.of) {
                means[*b] += v / self.sizes[*b];
            }
            rest.iter_mut().zip(&self.of).for_each(|(v, b)| *v -= means[*b]);
        }
        rest
    }
}

/// What the others leave of a column, of length 1; `around` are the columns less their blocks' means.
fn beside_others(
    j: usize,
    tested: &[&[f64]],
    around: &[Vec<f64>],
    nuisance: &[Vec<f64>],
    n_blocks: usize,
) -> Result<Vec<f64>, PermuteError> {
    let n = tested[j].len();
    let mut others = Basis::new(n);
    nuisance.iter().for_each(|c| {
        others.push(c);
    });
    for (k, column) in around.iter().enumerate() {
        if k != j && norm(column) > 1e-9 * norm(tested[k]) {
            others.push(column);
        }
    }
    let rank = n_blocks + others.rank();
    if n < rank + 2 {
        return Err(PermuteError::TooFew { n, rank });
    }
    let mut along = around[j].clone();
    others.residual(&mut along);
    let size = norm(&along);
    if size <= 1e-9 * norm(tested[j]) || size == 0.0 {
        return Err(PermuteError::Dependent);
    }
    along.iter_mut().for_each(|v| *v /= size);
    Ok(along)
}

/// All scores and columns, ready for arrangements.
struct Together {
    n: usize,
    rank: usize,
    n_scores: usize,
    n_columns: usize,
    /// The basis, one column after the other.
    basis: Vec<f64>,
    /// What all columns leave of each score, then what the others leave of each column: row by row,
    /// one value a score and column.
    rows: Vec<f64>,
    /// Each column in the basis.
    within: Vec<f64>,
    /// The part of each score along each column, and the squared length of what is exchanged.
    pairs: Vec<(f64, f64)>,
}

impl Together {
    fn new(ys: &[&[f64]], along: &[&Vec<f64>], basis: &Basis) -> Self {
        let (n_scores, n_columns) = (ys.len(), along.len());
        let n = basis.columns().first().or(along.first().copied()).map_or(0, Vec::len);
        let width = n_scores + n_columns;
        let mut rows = vec![0.0; n * width];
        let mut pairs = Vec::with_capacity(n_scores * n_columns);
        for (t, y) in ys.iter().enumerate() {
            let mut rest = y.to_vec();
            basis.residual(&mut rest);
            let left = dot(&rest, &rest);
            // Scores that all columns fit but for rounding leave nothing of their own.
            let left = if left.sqrt() <= 1e-10 * norm(y) { 0.0 } else { left };
            for (i, v) in rest.iter().enumerate() {
                rows[i * width + t] = if left == 0.0 { 0.0 } else { *v };
            }
            let rounding = 1e-10 * norm(y);
            pairs.extend(along.iter().map(|a| {
                let c = dot(a, y);
                let c = if left == 0.0 && c.abs() <= rounding { 0.0 } else { c };
                (c, left + c * c)
            }));
        }
        for (j, a) in along.iter().enumerate() {
            for (i, v) in a.iter().enumerate() {
                rows[i * width + n_scores + j] = *v;
            }
        }
        let within = along
            .iter()
            .flat_map(|a| basis.columns().iter().map(|q| dot(q, a)).collect::<Vec<f64>>())
            .collect();
        let rank = basis.rank();
        let basis = basis.columns().concat();
        Self { n, rank, n_scores, n_columns, basis, rows, within, pairs }
    }

    fn start(&self) -> Vec<Counted> {
        vec![Counted::default(); self.n_scores * self.n_columns]
    }

    /// Counts one arrangement; the first is the one observed.
    fn add(&self, order: &[usize], counted: &mut [Counted]) {
        let (width, q) = (self.n_scores + self.n_columns, self.rank);
        // Each basis column with all exchanged scores and columns.
        let mut products = vec![0.0; q * width];
        for (k, own) in products.chunks_exact_mut(width).enumerate() {
            let column = &self.basis[k * self.n..(k + 1) * self.n];
            for (v, from) in column.iter().zip(order) {
                let row = &self.rows[from * width..(from + 1) * width];
                for (sum, x) in own.iter_mut().zip(row) {
                    *sum += v * x;
                }
            }
        }
        let mut lengths = vec![0.0; width];
        for own in products.chunks_exact(width) {
            lengths.iter_mut().zip(own).for_each(|(s, v)| *s += v * v);
        }
        let (mut across, mut onto) = (vec![0.0; self.n_scores], vec![0.0; width]);
        for j in 0..self.n_columns {
            across.fill(0.0);
            onto.fill(0.0);
            let within = &self.within[j * q..(j + 1) * q];
            for (own, a) in products.chunks_exact(width).zip(within) {
                onto.iter_mut().zip(own).for_each(|(s, v)| *s += a * v);
                let moved = own[self.n_scores + j];
                across.iter_mut().zip(own).for_each(|(s, v)| *s += moved * v);
            }
            let (self_length, self_onto) = (lengths[self.n_scores + j], onto[self.n_scores + j]);
            for t in 0..self.n_scores {
                let (c, whole) = self.pairs[t * self.n_columns + j];
                let top = onto[t] + c * self_onto;
                let fitted = lengths[t] + 2.0 * c * across[t] + c * c * self_length;
                let left = whole - fitted + top * top;
                let r = if left <= 1e-12 * whole { 0.0 } else { top / left.sqrt() };
                counted[t * self.n_columns + j].add(r);
            }
        }
    }
}

/// The arrangements counted of one score and column.
#[derive(Debug, Clone, Default)]
struct Counted {
    observed: Option<f64>,
    n: u64,
    far: u64,
    largest: f64,
    n_largest: u64,
}

/// Correlations this near to one another are equal but for rounding.
const EQUAL: f64 = 1e-9;

impl Counted {
    fn add(&mut self, r: f64) {
        let observed = *self.observed.get_or_insert(r);
        let size = r.abs();
        self.n += 1;
        self.far += u64::from(size >= observed.abs() - EQUAL);
        self.reach(size, 1);
    }

    fn reach(&mut self, size: f64, n: u64) {
        if size > self.largest + EQUAL {
            (self.largest, self.n_largest) = (size, n);
        } else if size >= self.largest - EQUAL {
            self.n_largest += n;
        }
    }

    /// Keeps what was observed only.
    fn forget(&mut self) {
        *self = Self { observed: self.observed, ..Self::default() };
    }

    fn unite(&mut self, more: &Self) {
        self.n += more.n;
        self.far += more.far;
        self.reach(more.largest, more.n_largest);
    }

    fn said(&self, all: bool) -> Permuted {
        let n = self.n as f64;
        Permuted {
            correlation: self.observed.unwrap_or_default(),
            p_value: self.far as f64 / n,
            n_arrangements: self.n,
            all,
            smallest_p: self.n_largest as f64 / n,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::permute::freedman_lane;
    use crate::rng::stream;

    #[test]
    fn all_at_once_is_the_same_as_one_at_a_time() {
        let mut draws = stream(5, 0);
        let blocks = [0, 0, 0, 1, 1, 1, 1];
        let mut column = |of: usize| -> Vec<f64> {
            (0..7).map(|i| draws.normal() + f64::from(u8::from(i == of))).collect()
        };
        let (a, b, same) = (column(0), column(1), vec![1.0; 7]);
        let ys = [column(2), column(3), vec![0.0; 7]];
        let ys: Vec<&[f64]> = ys.iter().map(Vec::as_slice).collect();
        let sessions: Vec<Vec<f64>> =
            (0..2).map(|s| blocks.iter().map(|b| f64::from(u8::from(*b == s))).collect()).collect();
        // The last column is the sum of the sessions: a mean.
        let tested: Vec<&[f64]> = vec![&a, &b, &same];
        let found = freedman_lane_all(&ys, &tested, &[], &blocks, 200, 1).unwrap();
        for (y, own) in ys.iter().zip(&found) {
            for (j, fast) in own.iter().enumerate() {
                let mut others = sessions.clone();
                others.extend((0..3).filter(|k| *k != j).map(|k| tested[k].to_vec()));
                let slow = freedman_lane(y, tested[j], &others, &blocks, 200, &mut stream(1, 0));
                match (fast, slow) {
                    (Ok(fast), Ok(slow)) => {
                        // All 3! 4! arrangements: nothing is drawn.
                        assert!(fast.all && fast.n_arrangements == 144);
                        assert!((fast.correlation - slow.correlation).abs() < 1e-9);
                        assert_eq!(
                            (fast.p_value, fast.smallest_p),
                            (slow.p_value, slow.smallest_p)
                        );
                    }
                    (fast, slow) => assert_eq!(fast.clone().unwrap_err(), slow.unwrap_err()),
                }
            }
        }
        assert_eq!(found[0][2], Err(PermuteError::Dependent));
        // Drawn, not counted: each share within four standard errors of the whole count's.
        let drawn = freedman_lane_all(&ys, &tested, &[], &blocks, 140, 1).unwrap();
        let (p, q) = (found[0][0].clone().unwrap(), drawn[0][0].clone().unwrap());
        assert!(!q.all && q.n_arrangements == 141);
        let se = (p.p_value * (1.0 - p.p_value) / 141.0).sqrt();
        assert!((p.p_value - q.p_value).abs() < 4.0 * se + 1.0 / 141.0, "{p:?} {q:?}");
    }
}
