//! The cross-products of what is left of all columns within the cells: leaves and a core.

use super::places::placed;
use super::start::Start;
use crate::mixed::dense::small_cross;
use crate::mixed::fixed::Apart;
use crate::mixed::identify::told_apart;
use crate::mixed::{FixedPart, MixedError, RandomTerm};
use faer::{Mat, Side};
use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Arc, OnceLock};

/// Where a column stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::mixed) enum Place {
    /// In the core.
    Core(u32),
    /// In a leaf, as one of its columns.
    Leaf(u32, u32),
    /// A level without rows.
    Unused,
}

/// A random term.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Part {
    pub name: String,
    /// The root mean square of what its effects are multiplied by.
    pub scale: f64,
    pub n_levels: usize,
    pub n_used: usize,
    /// Its first column among all.
    pub first: usize,
    /// Its columns in the core.
    pub core: Range<usize>,
    /// Whether it has columns in leaves.
    pub has_leaves: bool,
}

/// Columns that meet each other and the core, but none of another leaf.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Leaf {
    /// Their terms.
    pub terms: Vec<usize>,
    /// Their numbers among all columns.
    pub columns: Vec<usize>,
    /// Their own products.
    pub own: Mat<f64>,
    /// The columns of the core that they meet, ascending.
    pub support: Vec<usize>,
    /// Their products with these.
    pub cross: Mat<f64>,
}

impl Leaf {
    /// Whether it has the same products, to the last bit.
    fn is_like(&self, other: &Leaf) -> bool {
        self.terms == other.terms
            && self.support == other.support
            && self.own == other.own
            && self.cross == other.cross
    }
}

/// A layout whose cells are taken off.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Layout {
    pub n: usize,
    /// Cells with rows, and further fixed columns.
    pub n_fixed: usize,
    pub n_further: usize,
    /// The cell of each row, and how many rows each has.
    pub cells: Vec<u32>,
    pub counts: Vec<f64>,
    pub parts: Vec<Part>,
    /// Columns of random effects; the further fixed ones come after them.
    pub n_random: usize,
    pub places: Vec<Place>,
    pub leaves: Vec<Leaf>,
    /// For each leaf its kind: leaves of one kind differ in nothing but their columns, as those of lots
    /// that were tasted in the same sessions by the same tasters.
    pub kind_of: Vec<usize>,
    /// For each kind its first leaf, and how many it has.
    pub kinds: Vec<(usize, usize)>,
    /// The columns of the core, ascending; the further fixed ones are the last.
    pub core: Vec<usize>,
    pub products: Mat<f64>,
    /// For each cell the means of the columns that are not zero in it.
    pub means: Vec<Vec<(usize, f64)>>,
    /// `tr(Q V_k Q V_l)`, the residual first.
    pub gram: Mat<f64>,
    /// Where searches start from, once it was asked for.
    pub start: OnceLock<Option<Arc<Start>>>,
    /// `log |X'X|` of the cells.
    pub log_cells: f64,
    /// The columns of each row with their values, row after row.
    entries: Vec<(u32, f64)>,
    width: usize,
}

impl Layout {
    /// Makes the layout; none if it has correlated effects, further fixed columns that depend on
    /// each other or on the cells, or a core that is too large.
    ///
    /// # Errors
    /// As for [`crate::mixed::Model::new`].
    pub fn new(
        fixed: &FixedPart,
        apart: &Apart,
        random: &[RandomTerm],
    ) -> Result<Option<Self>, MixedError> {
        if random.iter().any(|t| !t.correlated.is_empty()) {
            return Ok(None);
        }
        let n = apart.factor.codes.len();
        let counts: Vec<f64> = apart.factor.counts().iter().map(|&c| c as f64).collect();
        let n_used = counts.iter().filter(|&&c| c > 0.0).count();
        let n_further = fixed.columns.len();
        let n_fixed = n_used + n_further;
        if n <= n_fixed {
            return Err(MixedError::TooFewRows { n, n_fixed });
        }
        let (mut parts, n_random) = parts_of(random, n);
        let width = random.len() + n_further;
        let mut entries = Vec::with_capacity(n * width);
        for row in 0..n {
            for (part, term) in parts.iter().zip(random) {
                let value = term.slope.as_ref().map_or(1.0, |v| v[row] / part.scale);
                entries.push(((part.first + term.factor.codes[row] as usize) as u32, value));
            }
            for (j, column) in fixed.columns.iter().enumerate() {
                entries.push(((n_random + j) as u32, column[row]));
            }
        }
        let mut rows_of: Vec<Vec<usize>> = vec![Vec::new(); counts.len()];
        for (row, &cell) in apart.factor.codes.iter().enumerate() {
            rows_of[cell as usize].push(row);
        }
        let met: Vec<Vec<usize>> = rows_of
            .iter()
            .map(|rows| {
                let mut all: Vec<usize> = rows
                    .iter()
                    .flat_map(|row| &entries[row * width..(row + 1) * width])
                    .map(|e| e.0 as usize)
                    .collect();
                all.sort_unstable();
                all.dedup();
                all
            })
            .collect();
        let Some((places, core, leaf_columns)) = placed(&parts, n_random, n_further, &met) else {
            return Ok(None);
        };
        for part in &mut parts {
            let end = part.first + part.n_levels;
            let at = |column: usize| core.partition_point(|&c| c < column);
            part.core = at(part.first)..at(end);
            part.has_leaves = leaf_columns.iter().flatten().any(|c| (part.first..end).contains(c));
        }
        let term_of = |column: usize| parts.partition_point(|p| p.first <= column) - 1;
        let mut leaves: Vec<Leaf> = leaf_columns
            .into_iter()
            .map(|columns| Leaf {
                terms: columns.iter().map(|&c| term_of(c)).collect(),
                own: Mat::zeros(columns.len(), columns.len()),
                columns,
                support: Vec::new(),
                cross: Mat::zeros(0, 0),
            })
            .collect();
        supports(&mut leaves, &places, &met);
        let mut products = Mat::<f64>::zeros(core.len(), core.len());
        let mut means = Vec::with_capacity(met.len());
        let mut at = vec![0usize; n_random + n_further];
        for (rows, met) in rows_of.iter().zip(&met) {
            for (i, &c) in met.iter().enumerate() {
                at[c] = i;
            }
            let mut values = Mat::<f64>::zeros(met.len(), rows.len());
            for (r, row) in rows.iter().enumerate() {
                for &(c, v) in &entries[row * width..(row + 1) * width] {
                    values[(at[c as usize], r)] += v;
                }
            }
            let share = 1.0 / rows.len().max(1) as f64;
            let mut mean = vec![0.0; met.len()];
            for r in 0..rows.len() {
                for (m, v) in mean.iter_mut().zip(values.col_as_slice(r)) {
                    *m += share * v;
                }
            }
            for r in 0..rows.len() {
                for (v, m) in values.col_as_slice_mut(r).iter_mut().zip(&mean) {
                    *v -= m;
                }
            }
            let own = small_cross(&values);
            scatter(&own, met, &places, &mut leaves, &mut products);
            means.push(met.iter().copied().zip(mean).filter(|m| m.1 != 0.0).collect());
        }
        let (kind_of, kinds) = kinds(&leaves);
        let log_cells = counts.iter().filter(|&&c| c > 0.0).map(|c| c.ln()).sum();
        let mut layout = Layout {
            n,
            n_fixed,
            n_further,
            cells: apart.factor.codes.clone(),
            counts,
            parts,
            n_random,
            places,
            leaves,
            kind_of,
            kinds,
            core,
            products,
            means,
            gram: Mat::zeros(0, 0),
            start: OnceLock::new(),
            log_cells,
            entries,
            width,
        };
        let Some(gram) = layout.contributions() else { return Ok(None) };
        let names: Vec<String> = layout.parts.iter().map(|p| p.name.clone()).collect();
        told_apart(&gram, &names, &layout.square_sums(random))?;
        layout.gram = gram;
        Ok(Some(layout))
    }

    /// `A x` for what is left of the columns within the cells.
    pub fn times(&self, x: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; x.len()];
        for (j, &c) in self.core.iter().enumerate() {
            let column = self.products.col_as_slice(j);
            for (&r, v) in self.core.iter().zip(column) {
                out[r] += v * x[c];
            }
        }
        for leaf in &self.leaves {
            for (j, &c) in leaf.columns.iter().enumerate() {
                for (&r, v) in leaf.columns.iter().zip(leaf.own.col_as_slice(j)) {
                    out[r] += v * x[c];
                }
            }
            for (j, &s) in leaf.support.iter().enumerate() {
                let s = self.core[s];
                for (&r, v) in leaf.columns.iter().zip(leaf.cross.col_as_slice(j)) {
                    out[r] += v * x[s];
                    out[s] += v * x[r];
                }
            }
        }
        out
    }

    /// The products of what is left of `left` in each row, with its square sum.
    pub fn across(&self, left: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.n_random + self.n_further];
        for (row, &value) in left.iter().enumerate() {
            for &(c, v) in &self.entries[row * self.width..(row + 1) * self.width] {
                out[c as usize] += v * value;
            }
        }
        out
    }

    /// The means of the cells, and what they leave of the scores.
    pub fn within(&self, y: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let mut means = vec![0.0; self.counts.len()];
        for (&cell, value) in self.cells.iter().zip(y) {
            means[cell as usize] += value / self.counts[cell as usize];
        }
        let mut left: Vec<f64> =
            y.iter().zip(&self.cells).map(|(v, &c)| v - means[c as usize]).collect();
        // Once more, so that what is left is free of rounding from the first time.
        let mut rest = vec![0.0; means.len()];
        for (&cell, value) in self.cells.iter().zip(&left) {
            rest[cell as usize] += value / self.counts[cell as usize];
        }
        for (v, &c) in left.iter_mut().zip(&self.cells) {
            *v -= rest[c as usize];
        }
        for (m, r) in means.iter_mut().zip(&rest) {
            *m += r;
        }
        (means, left)
    }

    /// `|Z_k' e|^2` of each term for what the fixed part leaves, its square sum first.
    pub fn crude(&self, products: &[f64], total: f64) -> Vec<f64> {
        let mut all = vec![total];
        for part in &self.parts {
            let own = &products[part.first..part.first + part.n_levels];
            all.push(own.iter().map(|v| v * v).sum());
        }
        all
    }

    /// A root of the inverse of the products of the further fixed columns, turned back: `L'^-1` with
    /// `L L'` these products, as columns over the core; none if they depend on each other.
    fn further_roots(&self) -> Option<Mat<f64>> {
        let (p, first) = (self.n_further, self.core.len() - self.n_further);
        let own = Mat::from_fn(p, p, |i, j| self.products[(first + i, first + j)]);
        let lower = own.llt(Side::Lower).ok()?.L().to_owned();
        let dependent = (0..p).any(|i| lower[(i, i)].powi(2) <= 1e-16 * self.raw_square(i));
        if dependent {
            return None;
        }
        let mut roots = Mat::<f64>::zeros(p, p);
        for c in 0..p {
            for i in (0..p).rev() {
                let sum: f64 = (i + 1..p).map(|k| lower[(k, i)] * roots[(k, c)]).sum();
                roots[(i, c)] = (f64::from(u8::from(i == c)) - sum) / lower[(i, i)];
            }
        }
        Some(roots)
    }

    /// The square sum of a further fixed column.
    fn raw_square(&self, i: usize) -> f64 {
        let at = self.width - self.n_further + i;
        (0..self.n).map(|row| self.entries[row * self.width + at].1.powi(2)).sum()
    }

    /// `tr(Q V_k Q V_l)`, the residual first, with `Q` the projection that takes off the fixed part.
    fn contributions(&self) -> Option<Mat<f64>> {
        let k = self.parts.len();
        let roots = if self.n_further > 0 { self.further_roots()? } else { Mat::zeros(0, 0) };
        let mut gram = Mat::<f64>::zeros(k + 1, k + 1);
        gram[(0, 0)] = (self.n - self.n_fixed) as f64;
        let mut add = |i: usize, j: usize, value: f64| {
            gram[(i, j)] += value;
            if i != j {
                gram[(j, i)] += value;
            }
        };
        for leaf in &self.leaves {
            for (a, &i) in leaf.terms.iter().enumerate() {
                add(0, i + 1, leaf.own[(a, a)]);
                for (b, &j) in leaf.terms.iter().enumerate() {
                    let square = leaf.own[(a, b)].powi(2);
                    // Both orders are met; `add` counts those of unlike terms twice.
                    add(i + 1, j + 1, if i == j { square } else { 0.5 * square });
                }
                for (c, &s) in leaf.support.iter().enumerate() {
                    if let Some(j) = self.term_of_core(s) {
                        let square = leaf.cross[(a, c)].powi(2);
                        add(i + 1, j + 1, if i == j { 2.0 * square } else { square });
                    }
                }
            }
        }
        for (i, part) in self.parts.iter().enumerate() {
            for c in part.core.clone() {
                add(0, i + 1, self.products[(c, c)]);
                for (j, other) in self.parts.iter().enumerate().take(i + 1) {
                    let column = &self.products.col_as_slice(c)[other.core.clone()];
                    add(i + 1, j + 1, column.iter().map(|v| v * v).sum());
                }
            }
        }
        // What the further fixed columns take off: A becomes A - U U'.
        let further: Vec<Vec<f64>> = (0..self.n_further)
            .map(|c| {
                let mut x = vec![0.0; self.n_random + self.n_further];
                for i in 0..self.n_further {
                    x[self.n_random + i] = roots[(i, c)];
                }
                let mut u = self.times(&x);
                u[self.n_random..].fill(0.0);
                u
            })
            .collect();
        let only = |u: &[f64], i: usize| -> Vec<f64> {
            let part = &self.parts[i];
            let mut out = vec![0.0; u.len()];
            let range = part.first..part.first + part.n_levels;
            out[range.clone()].copy_from_slice(&u[range]);
            out
        };
        let along = |u: &[f64], v: &[f64], i: usize| -> f64 {
            let part = &self.parts[i];
            (part.first..part.first + part.n_levels).map(|c| u[c] * v[c]).sum()
        };
        for i in 0..k {
            let taken: f64 = further.iter().map(|u| along(u, u, i)).sum();
            add(0, i + 1, -taken);
            for j in 0..=i {
                let mut value = 0.0;
                for u in &further {
                    value -= 2.0 * along(&self.times(&only(u, j)), u, i);
                    for v in &further {
                        value += along(u, v, i) * along(u, v, j);
                    }
                }
                add(i + 1, j + 1, value);
            }
        }
        Some(gram)
    }

    /// `|Z'Z|^2` of each term, against which rounding is measured; for the residual the rows.
    fn square_sums(&self, random: &[RandomTerm]) -> Vec<f64> {
        let mut all = vec![self.n as f64];
        for (part, term) in self.parts.iter().zip(random) {
            let mut sums = vec![0.0; part.n_levels];
            for (row, &code) in term.factor.codes.iter().enumerate() {
                let v = term.slope.as_ref().map_or(1.0, |v| v[row] / part.scale);
                sums[code as usize] += v * v;
            }
            all.push(sums.iter().map(|s| s * s).sum());
        }
        all
    }

    /// The term of a column of the core; none for a further fixed one.
    pub fn term_of_core(&self, at: usize) -> Option<usize> {
        self.parts.iter().position(|p| p.core.contains(&at))
    }
}

fn parts_of(random: &[RandomTerm], n: usize) -> (Vec<Part>, usize) {
    let mut first = 0;
    let mut parts = Vec::with_capacity(random.len());
    for term in random {
        let square = term.slope.as_ref().map_or(n as f64, |v| v.iter().map(|x| x * x).sum());
        let scale = (square / n.max(1) as f64).sqrt();
        parts.push(Part {
            name: term.name.clone(),
            scale: if scale > 0.0 && scale.is_finite() { scale } else { 1.0 },
            n_levels: term.factor.n_levels,
            n_used: term.factor.counts().iter().filter(|&&c| c > 0).count(),
            first,
            core: 0..0,
            has_leaves: false,
        });
        first += term.factor.n_levels;
    }
    (parts, first)
}

/// Finds which columns of the core each leaf meets.
fn supports(leaves: &mut [Leaf], places: &[Place], met: &[Vec<usize>]) {
    for met in met {
        let leaf = met.iter().find_map(|&c| match places[c] {
            Place::Leaf(l, _) => Some(l as usize),
            _ => None,
        });
        let Some(leaf) = leaf else { continue };
        for &c in met {
            if let Place::Core(at) = places[c] {
                leaves[leaf].support.push(at as usize);
            }
        }
    }
    for leaf in leaves {
        leaf.support.sort_unstable();
        leaf.support.dedup();
        leaf.cross = Mat::zeros(leaf.columns.len(), leaf.support.len());
    }
}

/// The kind of each leaf; the first leaf of each kind and how many it has.
fn kinds(leaves: &[Leaf]) -> (Vec<usize>, Vec<(usize, usize)>) {
    let mut kinds: Vec<(usize, usize)> = Vec::new();
    // By where in the core they stand, so that few are compared.
    let mut by_support: HashMap<&[usize], Vec<usize>> = HashMap::new();
    let of = leaves.iter().enumerate().map(|(at, leaf)| {
        let known = by_support.entry(&leaf.support).or_default();
        let kind = known.iter().copied().find(|&kind| leaf.is_like(&leaves[kinds[kind].0]));
        let kind = kind.unwrap_or_else(|| {
            known.push(kinds.len());
            kinds.push((at, 0));
            kinds.len() - 1
        });
        kinds[kind].1 += 1;
        kind
    });
    (of.collect(), kinds)
}

/// Adds the products of one cell.
fn scatter(
    own: &Mat<f64>,
    met: &[usize],
    places: &[Place],
    leaves: &mut [Leaf],
    core: &mut Mat<f64>,
) {
    for (j, &c) in met.iter().enumerate() {
        match places[c] {
            Place::Core(at) => {
                let target = core.col_as_slice_mut(at as usize);
                for (i, &r) in met.iter().enumerate() {
                    if let Place::Core(row) = places[r] {
                        target[row as usize] += own[(i, j)];
                    }
                }
            }
            Place::Leaf(leaf, at) => {
                let leaf = &mut leaves[leaf as usize];
                for (i, &r) in met.iter().enumerate() {
                    match places[r] {
                        Place::Leaf(_, row) => {
                            leaf.own[(row as usize, at as usize)] += own[(i, j)];
                        }
                        Place::Core(s) => {
                            let s = leaf.support.partition_point(|&x| x < s as usize);
                            leaf.cross[(at as usize, s)] += own[(i, j)];
                        }
                        Place::Unused => {}
                    }
                }
            }
            Place::Unused => {}
        }
    }
}
