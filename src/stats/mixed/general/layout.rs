//! The cross-products of all columns, random and fixed, where they are not zero.

use super::cholesky::{Inverse, Pattern, Symbolic};
use crate::mixed::RandomTerm;
use crate::mixed::matrices::{Basis, dot};
use faer::Mat;

/// A random term: for each level of its factor one effect for each of its columns, with any
/// covariance among them.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Block {
    pub codes: Vec<u32>,
    /// What each effect is multiplied by in each row, in units of `scales`; none for ones.
    pub columns: Vec<Option<Vec<f64>>>,
    /// The root mean square of each column.
    pub scales: Vec<f64>,
    /// The name of each column.
    pub names: Vec<String>,
    pub n_levels: usize,
    pub n_used: usize,
    /// Its first column among all.
    pub first: usize,
    /// For each level, the places in the pattern of its own entries (lower triangle by column).
    pub own: Vec<usize>,
}

impl Block {
    pub fn width(&self) -> usize {
        self.columns.len()
    }

    pub fn end(&self) -> usize {
        self.first + self.n_levels * self.width()
    }

    fn value(&self, column: usize, row: usize) -> f64 {
        self.columns[column].as_ref().map_or(1.0, |v| v[row])
    }
}

/// One entry of a covariance matrix: the block, and the row and column within it, row not below.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::mixed) struct Entry {
    pub block: usize,
    pub a: usize,
    pub b: usize,
}

/// The layout as a sparse system.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Layout {
    pub n: usize,
    pub blocks: Vec<Block>,
    pub n_random: usize,
    pub n_fixed: usize,
    pub pattern: Pattern,
    pub values: Vec<f64>,
    pub symbolic: Symbolic,
    /// Every covariance parameter.
    pub entries: Vec<Entry>,
    /// The logarithm of the determinant of the turn from used to given fixed columns, twice.
    pub log_turn: f64,
    /// Rows of all columns.
    rows: Rows,
}

/// All columns row by row, without the zeros.
#[derive(Debug, Clone)]
struct Rows {
    starts: Vec<usize>,
    columns: Vec<u32>,
    values: Vec<f64>,
}

/// The scores in this layout.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Right {
    /// Products of what least squares leaves of the scores with all columns.
    pub products: Vec<f64>,
    /// Its square sum.
    pub total: f64,
}

impl Layout {
    /// Makes the layout; none if there is no memory for it.
    pub fn new(terms: &[RandomTerm], basis: &Basis, n: usize) -> Option<Self> {
        let mut blocks = Vec::with_capacity(terms.len());
        let mut entries = Vec::new();
        let mut first = 0;
        for (i, term) in terms.iter().enumerate() {
            let block = block_of(term, first, n);
            first = block.end();
            for b in 0..block.width() {
                entries.extend((b..block.width()).map(|a| Entry { block: i, a, b }));
            }
            blocks.push(block);
        }
        let n_fixed = basis.used.len();
        let rows = rows_of(&blocks, basis, n, first);
        let (pattern, values) = products(&rows, &blocks, n, first + n_fixed);
        for block in &mut blocks {
            let k = block.width();
            for level in 0..block.n_levels {
                let at = block.first + level * k;
                for b in 0..k {
                    for a in b..k {
                        block.own.push(pattern.find(at + a, at + b)?);
                    }
                }
            }
        }
        let symbolic = Symbolic::new(&pattern, n_fixed)?;
        let log_turn = basis.transform.iter().enumerate().map(|(k, c)| 2.0 * c[k].abs().ln()).sum();
        Some(Layout {
            n,
            blocks,
            n_random: first,
            n_fixed,
            pattern,
            values,
            symbolic,
            entries,
            log_turn,
            rows,
        })
    }

    /// Turns what least squares leaves of the scores into the right side.
    pub fn right(&self, left: &[f64]) -> Right {
        Right { products: self.across(left), total: dot(left, left) }
    }

    /// The products of a value a row with every column.
    pub fn across(&self, values: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.n_random + self.n_fixed];
        for (row, &value) in values.iter().enumerate() {
            let range = self.rows.starts[row]..self.rows.starts[row + 1];
            for (&c, &v) in self.rows.columns[range.clone()].iter().zip(&self.rows.values[range]) {
                out[c as usize] += v * value;
            }
        }
        out
    }

    /// The sum of the columns with these weights, a value a row.
    pub fn along(&self, weights: &[f64]) -> Vec<f64> {
        (0..self.n)
            .map(|row| {
                let range = self.rows.starts[row]..self.rows.starts[row + 1];
                let own = self.rows.columns[range.clone()].iter().zip(&self.rows.values[range]);
                own.map(|(&c, &v)| v * weights[c as usize]).sum()
            })
            .collect()
    }

    /// The lower triangle of `T'AT + I` for the random columns, with a triangle for each block.
    pub fn turned_values(&self, roots: &[Mat<f64>]) -> Vec<f64> {
        let mut out = vec![0.0; self.values.len()];
        for (i, own) in self.blocks.iter().enumerate() {
            let (k, t) = (own.width(), &roots[i]);
            for level in (own.first..own.end()).step_by(k) {
                let range = self.pattern.starts[level]..self.pattern.starts[level + 1];
                if k == 1 && self.blocks.iter().all(|b| b.width() == 1) {
                    for at in range {
                        let row = self.pattern.rows[at] as usize;
                        let other = self.block_of(row).map_or(1.0, |j| roots[j][(0, 0)]);
                        let one = if row == level { 1.0 } else { 0.0 };
                        out[at] = self.values[at] * t[(0, 0)] * other + one;
                    }
                    continue;
                }
                // Each level of another block, or fixed column, that this level meets, as a block.
                let mut at = range.start;
                while at < range.end {
                    let row = self.pattern.rows[at] as usize;
                    let j = self.block_of(row);
                    let width = j.map_or(1, |j| self.blocks[j].width());
                    let places = Mat::from_fn(width, k, |e, a| {
                        let (r, c) = (row + e, level + a);
                        self.pattern.find(r.max(c), r.min(c)).unwrap_or(usize::MAX)
                    });
                    let part = Mat::from_fn(width, k, |e, a| {
                        self.values.get(places[(e, a)]).copied().unwrap_or(0.0)
                    });
                    let turned = match j {
                        Some(j) => roots[j].transpose() * part * t,
                        None => part * t,
                    };
                    for a in 0..k {
                        for e in (0..width).filter(|&e| row + e >= level + a) {
                            if let Some(value) = out.get_mut(places[(e, a)]) {
                                *value = turned[(e, a)];
                                if row + e == level + a {
                                    *value += 1.0;
                                }
                            }
                        }
                    }
                    at += width;
                }
            }
        }
        let fixed = self.pattern.starts[self.n_random];
        out[fixed..].copy_from_slice(&self.values[fixed..]);
        out
    }

    fn block_of(&self, column: usize) -> Option<usize> {
        self.blocks.iter().position(|b| column < b.end()).filter(|_| column < self.n_random)
    }

    /// Replaces the random part of `x` by `T'x`, or by `T x`.
    pub fn turn(&self, roots: &[Mat<f64>], x: &mut [f64], transposed: bool) {
        for (block, t) in self.blocks.iter().zip(roots) {
            let k = block.width();
            for at in (block.first..block.end()).step_by(k) {
                let own: Vec<f64> = x[at..at + k].to_vec();
                for a in 0..k {
                    let weight = |b: usize| if transposed { t[(b, a)] } else { t[(a, b)] };
                    x[at + a] = (0..k).map(|b| weight(b) * own[b]).sum();
                }
            }
        }
    }

    /// `w' K^-1 w` of each row `w` of the columns `[Z T, X]`.
    pub fn leverages(&self, inverse: &Inverse<'_>, roots: &[Mat<f64>]) -> Vec<f64> {
        (0..self.n)
            .map(|row| {
                let range = self.rows.starts[row]..self.rows.starts[row + 1];
                let columns = &self.rows.columns[range.clone()];
                let mut values = self.rows.values[range].to_vec();
                let mut at = 0;
                for (block, t) in self.blocks.iter().zip(roots) {
                    let k = block.width();
                    let own = values[at..at + k].to_vec();
                    for a in 0..k {
                        values[at + a] = (0..k).map(|b| t[(b, a)] * own[b]).sum();
                    }
                    at += k;
                }
                let mut sum = 0.0;
                for (i, (&a, &v)) in columns.iter().zip(&values).enumerate() {
                    for (&b, &w) in columns[..=i].iter().zip(&values) {
                        let times = if a == b { 1.0 } else { 2.0 };
                        let z = inverse.get(a as usize, b as usize).unwrap_or(f64::NAN);
                        sum += times * v * w * z;
                    }
                }
                sum
            })
            .collect()
    }

    /// `A x` for the random columns.
    pub fn random_products(&self, x: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.n_random];
        for column in 0..self.n_random {
            for at in self.pattern.starts[column]..self.pattern.starts[column + 1] {
                let row = self.pattern.rows[at] as usize;
                if row >= self.n_random {
                    break;
                }
                let value = self.values[at];
                out[row] += value * x[column];
                if row != column {
                    out[column] += value * x[row];
                }
            }
        }
        out
    }

    /// `S x` of a covariance parameter: `V` of the parameter is `Z S Z'`.
    pub fn selected(&self, entry: Entry, x: &[f64]) -> Vec<f64> {
        let block = &self.blocks[entry.block];
        let mut out = vec![0.0; self.n_random];
        for at in (block.first..block.end()).step_by(block.width()) {
            out[at + entry.a] += x[at + entry.b];
            if entry.a != entry.b {
                out[at + entry.b] += x[at + entry.a];
            }
        }
        out
    }

    /// `x' S y` of a covariance parameter.
    pub fn square(&self, entry: Entry, x: &[f64], y: &[f64]) -> f64 {
        let block = &self.blocks[entry.block];
        let mut sum = 0.0;
        for at in (block.first..block.end()).step_by(block.width()) {
            sum += x[at + entry.a] * y[at + entry.b];
            if entry.a != entry.b {
                sum += x[at + entry.b] * y[at + entry.a];
            }
        }
        sum
    }

    /// `tr(Q V_k Q V_l)` with `Q` the projection that takes off the fixed part: the residual first
    /// (`V = I`), then every covariance parameter.
    pub fn contributions(&self, basis: &Basis) -> Mat<f64> {
        let k = self.entries.len();
        // Z' times each orthonormal fixed column.
        let met: Vec<Vec<f64>> = basis
            .orthonormal
            .iter()
            .map(|q| {
                let mut all = self.across(q);
                all.truncate(self.n_random);
                all
            })
            .collect();
        let chosen =
            |e: Entry| -> Vec<Vec<f64>> { met.iter().map(|b| self.selected(e, b)).collect() };
        let whole = self.squares();
        let mut gram = Mat::<f64>::zeros(k + 1, k + 1);
        gram[(0, 0)] = (self.n - self.n_fixed) as f64;
        // B S_k B' of each parameter.
        let p = met.len();
        let crossed: Vec<Mat<f64>> = self
            .entries
            .iter()
            .map(|&e| Mat::from_fn(p, p, |i, j| self.square(e, &met[i], &met[j])))
            .collect();
        for (l, &e) in self.entries.iter().enumerate() {
            let trace = self.own_sum(e) - (0..p).map(|i| crossed[l][(i, i)]).sum::<f64>();
            gram[(0, l + 1)] = trace;
            gram[(l + 1, 0)] = trace;
            let turned: Vec<Vec<f64>> = chosen(e).iter().map(|v| self.random_products(v)).collect();
            for (j, &f) in self.entries.iter().enumerate().take(l + 1) {
                let between: f64 = met.iter().zip(&turned).map(|(b, t)| self.square(f, b, t)).sum();
                let last: f64 = (0..p)
                    .map(|i| dot(crossed[l].col_as_slice(i), crossed[j].col_as_slice(i)))
                    .sum();
                let value = whole[(l, j)] - 2.0 * between + last;
                gram[(l + 1, j + 1)] = value;
                gram[(j + 1, l + 1)] = value;
            }
        }
        gram
    }

    /// `tr(S A)` of a parameter.
    pub fn own_sum(&self, entry: Entry) -> f64 {
        let block = &self.blocks[entry.block];
        let each = block.width() * (block.width() + 1) / 2;
        // Lower triangle by column: the entries before column b.
        let b = entry.b;
        let within = b * block.width() - b * b.saturating_sub(1) / 2 + entry.a - b;
        let sum: f64 = (0..block.n_levels).map(|l| self.values[block.own[l * each + within]]).sum();
        if entry.a == entry.b { sum } else { 2.0 * sum }
    }

    /// `tr(S A S A)` within levels alone, against which rounding is measured.
    pub fn own_square(&self, entry: Entry) -> f64 {
        let block = &self.blocks[entry.block];
        let value = |a: usize, b: usize| {
            self.pattern.find(a.max(b), a.min(b)).map_or(0.0, |at| self.values[at])
        };
        let each = |at: usize| {
            let (a, b) = (at + entry.a, at + entry.b);
            if entry.a == entry.b {
                value(a, a).powi(2)
            } else {
                2.0 * (value(a, b).powi(2) + value(a, a) * value(b, b))
            }
        };
        (block.first..block.end()).step_by(block.width()).map(each).sum()
    }

    /// `tr(S_k A S_l A)` of all pairs of parameters.
    fn squares(&self) -> Mat<f64> {
        let k = self.entries.len();
        let mut out = Mat::<f64>::zeros(k, k);
        let of_column: Vec<usize> = self
            .blocks
            .iter()
            .enumerate()
            .flat_map(|(i, b)| std::iter::repeat_n(i, b.end() - b.first))
            .collect();
        let mut firsts = Vec::new();
        for (i, e) in self.entries.iter().enumerate() {
            if e.a == 0 && e.b == 0 {
                firsts.push(i);
            }
        }
        let value = |a: usize, b: usize| -> f64 {
            self.pattern.find(a.max(b), a.min(b)).map_or(0.0, |at| self.values[at])
        };
        for column in 0..self.n_random {
            let (i, bi) = (of_column[column], &self.blocks[of_column[column]]);
            for at in self.pattern.starts[column]..self.pattern.starts[column + 1] {
                let row = self.pattern.rows[at] as usize;
                if row >= self.n_random {
                    break;
                }
                let (j, bj) = (of_column[row], &self.blocks[of_column[row]]);
                let own = self.values[at];
                if bi.width() == 1 && bj.width() == 1 {
                    let times = if i == j && row != column { 2.0 } else { 1.0 };
                    out[(firsts[i], firsts[j])] += times * own * own;
                    continue;
                }
                // Each pair of levels is taken up once, at its first entry.
                let (a, e) = ((column - bi.first) % bi.width(), (row - bj.first) % bj.width());
                let (level, other) = (column - a, row - e);
                let mut earlier =
                    (0..bi.width()).flat_map(|x| (0..bj.width()).map(move |y| (x, y)));
                let is_first = earlier
                    .find(|&(x, y)| {
                        let (c, r) = (level + x, other + y);
                        self.pattern.find(c.max(r), c.min(r)).is_some()
                    })
                    .is_some_and(|found| found == (a, e));
                if !is_first {
                    continue;
                }
                let twice = i == j && level != other;
                let part = Mat::from_fn(bi.width(), bj.width(), |x, y| value(level + x, other + y));
                for (u, f) in self.entries.iter().enumerate().filter(|(_, f)| f.block == i) {
                    for (v, g) in self.entries.iter().enumerate().filter(|(_, g)| g.block == j) {
                        let mut sum = 0.0;
                        for (x, y) in both(f.a, f.b) {
                            for (z, w) in both(g.a, g.b) {
                                sum += part[(y, z)] * part[(x, w)];
                                if twice {
                                    sum += part[(z, y)] * part[(w, x)];
                                }
                            }
                        }
                        out[(u, v)] += sum;
                    }
                }
            }
        }
        for i in 0..k {
            for j in 0..k {
                if self.entries[i].block < self.entries[j].block {
                    out[(j, i)] = out[(i, j)];
                }
            }
        }
        out
    }
}

/// The triangle of a covariance matrix with the largest variances first, `F = T T'` with the rows of
/// `T` in the order of `F`, its rank, and the order.
pub(in crate::mixed) fn pivoted(f: &Mat<f64>) -> (Mat<f64>, usize, Vec<usize>) {
    let k = f.nrows();
    let mut left = f.clone();
    let mut t = Mat::<f64>::zeros(k, k);
    let mut order: Vec<usize> = Vec::new();
    let largest = (0..k).map(|a| f[(a, a)]).fold(0.0, f64::max);
    while order.len() < k {
        let open = (0..k).filter(|a| !order.contains(a));
        let Some(next) = open.max_by(|&a, &b| left[(a, a)].total_cmp(&left[(b, b)])) else {
            break;
        };
        if left[(next, next)] <= 1e-7 * largest {
            break;
        }
        let column = order.len();
        let root = left[(next, next)].sqrt();
        for a in (0..k).filter(|a| !order.contains(a)) {
            t[(a, column)] = left[(a, next)] / root;
        }
        for a in 0..k {
            for b in 0..k {
                left[(a, b)] -= t[(a, column)] * t[(b, column)];
            }
        }
        order.push(next);
    }
    (t, order.len(), order)
}

/// Both orders of a pair; one if they are the same.
pub(in crate::mixed) fn both(a: usize, b: usize) -> impl Iterator<Item = (usize, usize)> {
    std::iter::once((a, b)).chain((a != b).then_some((b, a)))
}

fn block_of(term: &RandomTerm, first: usize, n: usize) -> Block {
    let mut columns = vec![term.slope.clone()];
    columns.extend(term.correlated.iter().map(|c| Some(c.1.clone())));
    let mut names = vec![term.name.clone()];
    names.extend(term.correlated.iter().map(|c| format!("{} × {}", term.name, c.0)));
    let mut scales = Vec::with_capacity(columns.len());
    for column in &mut columns {
        let scale = column.as_ref().map_or(1.0, |v| (dot(v, v) / n.max(1) as f64).sqrt());
        let scale = if scale > 0.0 && scale.is_finite() { scale } else { 1.0 };
        column.iter_mut().flatten().for_each(|v| *v /= scale);
        scales.push(scale);
    }
    let n_used = term.factor.counts().iter().filter(|&&c| c > 0).count();
    Block {
        codes: term.factor.codes.clone(),
        columns,
        scales,
        names,
        n_levels: term.factor.n_levels,
        n_used,
        first,
        own: Vec::new(),
    }
}

fn rows_of(blocks: &[Block], basis: &Basis, n: usize, n_random: usize) -> Rows {
    let mut rows = Rows { starts: vec![0], columns: Vec::new(), values: Vec::new() };
    for row in 0..n {
        for block in blocks {
            let at = block.first + block.codes[row] as usize * block.width();
            for a in 0..block.width() {
                rows.columns.push((at + a) as u32);
                rows.values.push(block.value(a, row));
            }
        }
        for (j, column) in basis.used.iter().enumerate() {
            if column[row] != 0.0 {
                rows.columns.push((n_random + j) as u32);
                rows.values.push(column[row]);
            }
        }
        rows.starts.push(rows.columns.len());
    }
    rows
}

/// The cross-products, lower triangle by column; the entries of a level of a block are always there.
fn products(rows: &Rows, blocks: &[Block], n: usize, size: usize) -> (Pattern, Vec<f64>) {
    let mut counts = vec![0usize; size + 1];
    for &c in &rows.columns {
        counts[c as usize + 1] += 1;
    }
    for c in 0..size {
        counts[c + 1] += counts[c];
    }
    let starts = counts.clone();
    let mut of_column = vec![(0u32, 0.0f64); rows.columns.len()];
    for row in 0..n {
        for at in rows.starts[row]..rows.starts[row + 1] {
            let c = rows.columns[at] as usize;
            of_column[counts[c]] = (row as u32, rows.values[at]);
            counts[c] += 1;
        }
    }
    let mut last_of_level = vec![0usize; size];
    for (c, last) in last_of_level.iter_mut().enumerate() {
        *last = c;
    }
    for block in blocks {
        for (i, last) in last_of_level[block.first..block.end()].iter_mut().enumerate() {
            *last += block.width() - 1 - i % block.width();
        }
    }
    let mut pattern = Pattern { starts: vec![0], rows: Vec::new() };
    let mut values = Vec::new();
    let mut work = vec![0.0; size];
    let mut seen = vec![u32::MAX; size];
    let mut met: Vec<u32> = Vec::new();
    for column in 0..size {
        met.clear();
        let last = last_of_level[column];
        seen[column..=last].fill(column as u32);
        met.extend((column..=last).map(|row| row as u32));
        for &(row, value) in &of_column[starts[column]..starts[column + 1]] {
            let range = rows.starts[row as usize]..rows.starts[row as usize + 1];
            for (&d, &v) in rows.columns[range.clone()].iter().zip(&rows.values[range]) {
                if d as usize >= column {
                    if seen[d as usize] != column as u32 {
                        seen[d as usize] = column as u32;
                        met.push(d);
                    }
                    work[d as usize] += value * v;
                }
            }
        }
        met.sort_unstable();
        for &d in &met {
            pattern.rows.push(d);
            values.push(std::mem::take(&mut work[d as usize]));
        }
        pattern.starts.push(pattern.rows.len());
    }
    (pattern, values)
}
