//! What is asked of many cells: joint covariances and how they move with the variances, without
//! matrices over all cells.
//!
//! For a combination `a` of cells (`N` their numbers of rows, and `a_2` on the further fixed columns)
//! `b = (T Z'X N^-1 a, X_2'X N^-1 a - a_2)` has entries only where its cells have, the estimate is
//! `a' mean - b' x`, and its variance `s (a' N^-1 a + b' K^-1 b)`. Off its leaves `b` becomes
//! `c = b_core - W' b_leaf` with `W = A^-1 B` of each leaf, `K^-1 b` is `C c` in the core and
//! `A^-1 b_leaf - W C c` in the leaves, and with `E_k` the columns of term `k` the variance moves with
//! its ratio by `s |E_k K^-1 b|^2 / g_k`, where
//! `|E_k K^-1 b|^2 = |E_k A^-1 b_leaf|^2 - 2 (W' E_k A^-1 b_leaf)' C c + c' C (W'E_kW + E_k) C c`.

use super::layout::{Layout, Leaf, Place};
use super::solve::{Solved, SolvedLeaf, small_times};
use crate::mixed::family::Moments;
use faer::Mat;
use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Arc, Mutex};

/// Of combinations of more cells than this, products with the core are kept for the next time.
const WIDE: usize = 40;
/// So many of them are kept.
const KEPT: usize = 400;

/// Of so many bases at a time, with no more combinations than the second number, covariances are kept:
/// those of samples that were tasted alike are the same.
const ALIKE: usize = 64;
const ALIKE_MAX: usize = 64;

/// A combination: cells with the bits of their weights.
type Key = Vec<(usize, u64)>;

/// What is kept of a fit for further questions.
#[derive(Debug)]
pub(in crate::mixed) struct Joint {
    pub layout: Arc<Layout>,
    pub sigma2: f64,
    /// The means of the cells as the scores say them.
    pub means: Vec<f64>,
    pub effects: Vec<f64>,
    pub roots: Vec<f64>,
    /// One a kind of leaves.
    pub leaves: Vec<SolvedLeaf>,
    /// The inverse of the core.
    pub c: Mat<f64>,
    pub forms: Vec<Form>,
    wide: Mutex<HashMap<Key, Arc<Wide>>>,
    /// By all that they hang on.
    alike: Mutex<HashMap<Vec<u64>, Arc<Moments>>>,
}

/// How variances move with the ratio of a term that is not zero.
#[derive(Debug)]
pub(in crate::mixed) struct Form {
    pub term: usize,
    /// Its columns in the core.
    pub core: Range<usize>,
    /// `C (W'EW + E) C`; none where it has few columns, all in the core.
    pub whole: Option<Mat<f64>>,
    pub has_leaves: bool,
}

/// A combination as `b`.
#[derive(Debug)]
struct Plain {
    estimate: f64,
    /// Weights on cells, ascending.
    cells: Vec<(usize, f64)>,
    /// `b` in the core, and in each leaf that it meets.
    core: Vec<(usize, f64)>,
    leaves: Vec<(usize, Vec<f64>)>,
}

/// A combination, taken off its leaves.
#[derive(Debug, Default)]
struct Vector {
    estimate: f64,
    /// Weights on cells, ascending.
    cells: Vec<(usize, f64)>,
    /// For each leaf it meets `b` and `A^-1 b`.
    leaves: Vec<(usize, Vec<f64>, Vec<f64>)>,
    /// `c`, ascending.
    core: Vec<(usize, f64)>,
    /// `W' E_k A^-1 b` of each form with leaves.
    drawn: Vec<Vec<(usize, f64)>>,
}

/// A combination of many cells with its products with the core.
#[derive(Debug)]
struct Wide {
    vector: Vector,
    /// `C c`.
    turned: Vec<f64>,
    /// For each form its matrix times `c`, and `C` times what is drawn.
    forms: Vec<(Vec<f64>, Vec<f64>)>,
}

/// Estimates with their covariance.
pub(in crate::mixed) struct Asked {
    pub estimates: Vec<f64>,
    pub moments: Arc<Moments>,
}

impl Joint {
    pub fn new(layout: Arc<Layout>, solved: Solved, means: Vec<f64>, forms: Vec<Form>) -> Self {
        Joint {
            layout,
            sigma2: solved.sigma2,
            means,
            effects: solved.effects,
            roots: solved.roots,
            leaves: solved.leaves,
            c: solved.core,
            forms,
            wide: Mutex::new(HashMap::new()),
            alike: Mutex::new(HashMap::new()),
        }
    }

    fn vector(&self, l: &[(usize, f64)]) -> Vector {
        self.reduced(self.plain(l))
    }

    fn plain(&self, l: &[(usize, f64)]) -> Plain {
        let layout = &*self.layout;
        let n_cells = layout.counts.len();
        let mut cells: Vec<(usize, f64)> = l.iter().copied().filter(|w| w.0 < n_cells).collect();
        merged(&mut cells);
        let mut b: Vec<(usize, f64)> = cells
            .iter()
            .flat_map(|(c, w)| layout.means[*c].iter().map(move |m| (m.0, w * m.1)))
            .collect();
        b.extend(
            l.iter().filter(|w| w.0 >= n_cells).map(|w| (layout.n_random + w.0 - n_cells, -w.1)),
        );
        merged(&mut b);
        let mut estimate: f64 = cells.iter().map(|(c, w)| w * self.means[*c]).sum();
        let mut core: Vec<(usize, f64)> = Vec::new();
        let mut leaves: Vec<(usize, Vec<f64>)> = Vec::new();
        for (column, value) in b {
            let value = self.root(column) * value;
            estimate -= value * self.effects[column];
            match layout.places[column] {
                Place::Core(at) => core.push((at as usize, value)),
                Place::Leaf(leaf, at) => {
                    let leaf = leaf as usize;
                    let known = leaves.iter().position(|l| l.0 == leaf).unwrap_or_else(|| {
                        let n = layout.leaves[leaf].columns.len();
                        leaves.push((leaf, vec![0.0; n]));
                        leaves.len() - 1
                    });
                    leaves[known].1[at as usize] += value;
                }
                Place::Unused => {}
            }
        }
        Plain { estimate, cells, core, leaves }
    }

    fn reduced(&self, plain: Plain) -> Vector {
        let layout = &*self.layout;
        let Plain { estimate, cells, mut core, leaves } = plain;
        let n_drawn = self.forms.iter().filter(|f| f.has_leaves).count();
        let mut drawn: Vec<Vec<(usize, f64)>> = vec![Vec::new(); n_drawn];
        let turned = |(at, own): (usize, Vec<f64>)| {
            let (leaf, solved) = (&layout.leaves[at], &self.leaves[layout.kind_of[at]]);
            let turned = small_times(&solved.inverse, &own);
            for (j, &s) in leaf.support.iter().enumerate() {
                let w = solved.across.col_as_slice(j);
                let sum: f64 = own.iter().zip(w).map(|(a, b)| a * b).sum();
                core.push((s, -sum));
                let forms = self.forms.iter().filter(|f| f.has_leaves);
                for (form, drawn) in forms.zip(&mut drawn) {
                    drawn.push((s, of_term(leaf, form.term, &turned, w)));
                }
            }
            (at, own, turned)
        };
        let leaves = leaves.into_iter().map(turned).collect();
        merged(&mut core);
        drawn.iter_mut().for_each(merged);
        Vector { estimate, cells, leaves, core, drawn }
    }

    /// All that the covariances of a basis hang on: where in the core it stands, leaves by their kind,
    /// cells by their numbers of rows; those apart from any wide combination by their order only.
    fn hangs_on(&self, narrow: &[(usize, Plain)], wide: &[(usize, Arc<Wide>)]) -> Vec<u64> {
        let (mut cells, mut leaves): (Vec<usize>, Vec<usize>) = (Vec::new(), Vec::new());
        let local = |all: &mut Vec<usize>, at: usize| {
            all.iter().position(|known| *known == at).unwrap_or_else(|| {
                all.push(at);
                all.len() - 1
            }) as u64
        };
        const APART: u64 = 1 << 63;
        let mut key = vec![wide.len() as u64];
        for (i, wide) in wide {
            key.extend([*i as u64, Arc::as_ptr(wide) as u64]);
        }
        for (i, v) in narrow {
            let sizes = [*i, v.cells.len(), v.core.len(), v.leaves.len()];
            key.extend(sizes.map(|n| n as u64));
            for (cell, weight) in &v.cells {
                let in_wide = wide
                    .iter()
                    .any(|w| w.1.vector.cells.binary_search_by_key(cell, |c| c.0).is_ok());
                let at = if in_wide { *cell as u64 } else { APART | local(&mut cells, *cell) };
                key.extend([at, self.layout.counts[*cell].to_bits(), weight.to_bits()]);
            }
            key.extend(v.core.iter().flat_map(|(at, value)| [*at as u64, value.to_bits()]));
            for (leaf, own) in &v.leaves {
                let in_wide = wide.iter().any(|w| w.1.vector.leaves.iter().any(|l| l.0 == *leaf));
                let at = if in_wide { *leaf as u64 } else { APART | local(&mut leaves, *leaf) };
                key.extend([at, self.layout.kind_of[*leaf] as u64]);
                key.extend(own.iter().map(|v| v.to_bits()));
            }
        }
        key
    }

    fn root(&self, column: usize) -> f64 {
        if column >= self.layout.n_random {
            return 1.0;
        }
        let at = self.layout.parts.partition_point(|p| p.first <= column) - 1;
        self.roots[at]
    }

    /// The combinations with their covariances.
    pub fn ask(&self, basis: &[Vec<(usize, f64)>]) -> Asked {
        let n = basis.len();
        let mut narrow: Vec<(usize, Plain)> = Vec::new();
        let mut wide: Vec<(usize, Arc<Wide>)> = Vec::new();
        for (i, l) in basis.iter().enumerate() {
            if l.len() > WIDE {
                wide.push((i, self.wide(l)));
            } else {
                narrow.push((i, self.plain(l)));
            }
        }
        let mut estimates = vec![0.0; n];
        narrow.iter().for_each(|(i, v)| estimates[*i] = v.estimate);
        wide.iter().for_each(|(i, w)| estimates[*i] = w.vector.estimate);
        if !(2..=ALIKE_MAX).contains(&n) {
            return Asked { estimates, moments: Arc::new(self.moments(n, narrow, &wide)) };
        }
        let key = self.hangs_on(&narrow, &wide);
        let known = self.alike.lock().ok().and_then(|known| known.get(&key).cloned());
        let moments = known.unwrap_or_else(|| {
            let made = Arc::new(self.moments(n, narrow, &wide));
            if let Ok(mut known) = self.alike.lock() {
                if known.len() >= ALIKE {
                    known.clear();
                }
                known.insert(key, Arc::clone(&made));
            }
            made
        });
        Asked { estimates, moments }
    }

    /// The covariance of `n` combinations, and for each form, then the residual, how it moves.
    fn moments(
        &self,
        n: usize,
        narrow: Vec<(usize, Plain)>,
        wide: &[(usize, Arc<Wide>)],
    ) -> Moments {
        let narrow: Vec<(usize, Vector)> =
            narrow.into_iter().map(|(i, v)| (i, self.reduced(v))).collect();
        let k = self.forms.len();
        let mut covariance = Mat::<f64>::zeros(n, n);
        let mut gradients: Vec<Mat<f64>> = vec![Mat::zeros(n, n); k];
        self.among(&narrow, &mut covariance, &mut gradients);
        for (a, (i, w)) in wide.iter().enumerate() {
            let others = narrow.iter().map(|(j, v)| (*j, v));
            let others = others.chain(wide[..=a].iter().map(|(j, w)| (*j, &w.vector)));
            for (j, v) in others {
                let along = |x: &[f64], by: &[(usize, f64)]| -> f64 {
                    by.iter().map(|(at, value)| x[*at] * value).sum()
                };
                covariance[(*i, j)] = along(&w.turned, &v.core);
                let mut at = 0;
                for (g, form) in self.forms.iter().enumerate() {
                    let mut value = along(&w.forms[g].0, &v.core);
                    if form.has_leaves {
                        value -= along(&w.turned, &v.drawn[at]) + along(&w.forms[g].1, &v.core);
                        at += 1;
                    }
                    gradients[g][(*i, j)] = value;
                }
                self.own_parts(&w.vector, v, (*i, j), &mut covariance, &mut gradients);
                covariance[(j, *i)] = covariance[(*i, j)];
                gradients.iter_mut().for_each(|g| g[(j, *i)] = g[(*i, j)]);
            }
        }
        covariance *= faer::Scale(self.sigma2);
        for (g, form) in gradients.iter_mut().zip(&self.forms) {
            *g *= faer::Scale(self.sigma2 / self.roots[form.term].powi(2));
        }
        gradients.push(covariance.clone());
        Moments { covariance, gradients }
    }

    /// What does not go through the core: `a' N^-1 a` and the leaves' own.
    fn own_parts(
        &self,
        v: &Vector,
        w: &Vector,
        at: (usize, usize),
        covariance: &mut Mat<f64>,
        gradients: &mut [Mat<f64>],
    ) {
        let mut others = w.cells.iter().peekable();
        for (cell, weight) in &v.cells {
            while others.next_if(|o| o.0 < *cell).is_some() {}
            if let Some(other) = others.next_if(|o| o.0 == *cell) {
                covariance[at] += weight * other.1 / self.layout.counts[*cell];
            }
        }
        for (leaf, own, turned) in &v.leaves {
            let Some((_, _, other)) = w.leaves.iter().find(|l| l.0 == *leaf) else { continue };
            covariance[at] += own.iter().zip(other).map(|(a, b)| a * b).sum::<f64>();
            for (form, g) in self.forms.iter().zip(gradients.iter_mut()) {
                if form.has_leaves {
                    g[at] += of_term(&self.layout.leaves[*leaf], form.term, turned, other);
                }
            }
        }
    }

    /// Combinations of few cells, through the part of the core that they meet.
    fn among(
        &self,
        vectors: &[(usize, Vector)],
        covariance: &mut Mat<f64>,
        gradients: &mut [Mat<f64>],
    ) {
        let m = vectors.len();
        if m == 0 {
            return;
        }
        let mut met: Vec<usize> =
            vectors.iter().flat_map(|(_, v)| v.core.iter().map(|c| c.0)).collect();
        met.sort_unstable();
        met.dedup();
        let mut place = vec![0u32; self.layout.core.len()];
        met.iter().enumerate().for_each(|(i, &c)| place[c] = i as u32);
        let rows = |of: &dyn for<'v> Fn(&'v Vector) -> &'v [(usize, f64)]| {
            let mut out = Mat::<f64>::zeros(met.len(), m);
            for (j, (_, v)) in vectors.iter().enumerate() {
                let column = out.col_as_slice_mut(j);
                for (at, value) in of(v) {
                    column[place[*at] as usize] += value;
                }
            }
            out
        };
        let part = |whole: &Mat<f64>| {
            let mut out = Mat::<f64>::zeros(met.len(), met.len());
            for (j, &c) in met.iter().enumerate() {
                let column = whole.col_as_slice(c);
                for (o, &r) in out.col_as_slice_mut(j).iter_mut().zip(&met) {
                    *o = column[r];
                }
            }
            out
        };
        let core = rows(&|v| &v.core);
        let turned = part(&self.c) * &core;
        let own = core.transpose() * &turned;
        let mut found: Vec<Mat<f64>> = Vec::with_capacity(self.forms.len());
        let mut n_drawn = 0;
        for form in &self.forms {
            let mut form_of = match &form.whole {
                Some(whole) => core.transpose() * (part(whole) * &core),
                None => {
                    let few = Mat::from_fn(form.core.len(), met.len(), |i, j| {
                        self.c.col_as_slice(met[j])[form.core.start + i]
                    });
                    let few = few * &core;
                    few.transpose() * &few
                }
            };
            if form.has_leaves {
                let at = n_drawn;
                n_drawn += 1;
                let crossed = rows(&|v| &v.drawn[at]).transpose() * &turned;
                form_of -= &crossed;
                form_of -= crossed.transpose();
            }
            found.push(form_of);
        }
        for (i, (a, v)) in vectors.iter().enumerate() {
            for (j, (b, w)) in vectors.iter().enumerate().take(i + 1) {
                covariance[(*a, *b)] = own[(i, j)];
                for (g, form) in gradients.iter_mut().zip(&found) {
                    g[(*a, *b)] = form[(i, j)];
                }
                self.own_parts(v, w, (*a, *b), covariance, gradients);
                covariance[(*b, *a)] = covariance[(*a, *b)];
                gradients.iter_mut().for_each(|g| g[(*b, *a)] = g[(*a, *b)]);
            }
        }
    }

    /// A combination of many cells, which is asked again and again.
    fn wide(&self, l: &[(usize, f64)]) -> Arc<Wide> {
        let key: Key = l.iter().map(|(at, w)| (*at, w.to_bits())).collect();
        if let Ok(known) = self.wide.lock()
            && let Some(found) = known.get(&key)
        {
            return Arc::clone(found);
        }
        let vector = self.vector(l);
        let dense = |sparse: &[(usize, f64)]| {
            let mut out = vec![0.0; self.layout.core.len()];
            sparse.iter().for_each(|(at, v)| out[*at] += v);
            out
        };
        let core = dense(&vector.core);
        let turned = small_times(&self.c, &core);
        let mut n_drawn = 0;
        let mut forms = Vec::with_capacity(self.forms.len());
        for form in &self.forms {
            let product = match &form.whole {
                Some(whole) => small_times(whole, &core),
                None => {
                    let mut only = vec![0.0; core.len()];
                    only[form.core.clone()].copy_from_slice(&turned[form.core.clone()]);
                    small_times(&self.c, &only)
                }
            };
            let drawn = if form.has_leaves {
                n_drawn += 1;
                small_times(&self.c, &dense(&vector.drawn[n_drawn - 1]))
            } else {
                Vec::new()
            };
            forms.push((product, drawn));
        }
        let found = Arc::new(Wide { vector, turned, forms });
        if let Ok(mut known) = self.wide.lock() {
            if known.len() >= KEPT {
                known.clear();
            }
            known.insert(key, Arc::clone(&found));
        }
        found
    }
}

/// `x' E y` of a term within a leaf.
fn of_term(leaf: &Leaf, term: usize, x: &[f64], y: &[f64]) -> f64 {
    let each = x.iter().zip(y).zip(&leaf.terms);
    each.map(|((a, b), t)| if *t == term { a * b } else { 0.0 }).sum()
}

/// Sorts entries and adds up those of one place.
fn merged(entries: &mut Vec<(usize, f64)>) {
    entries.sort_unstable_by_key(|e| e.0);
    entries.dedup_by(|later, first| {
        let same = later.0 == first.0;
        if same {
            first.1 += later.1;
        }
        same
    });
}
