//! Layouts with a mean for every cell and many cells: the cells are taken off, exactly.
//!
//! Where the fixed part is a mean for each of many cells, what is left of the scores and of the random
//! columns within the cells holds all that is known of the variances. `layout` makes the
//! cross-products of that, parted into leaves (such as the effects of the tasters on one sample) and a
//! core (such as the tasters in each session; `places` parts them); leaves that differ in nothing but their
//! columns are solved once; `solve` gives the deviance, its slope and its average information; `start`
//! says where a search begins; this file makes a [`Fit`] of it; `joint` answers what is asked of cells. Nothing is as
//! large as the cells times the cells.

mod joint;
mod layout;
mod places;
mod solve;
mod start;
#[cfg(test)]
mod tests;

pub(super) use joint::{Asked, Joint};
pub(super) use layout::Layout;

use super::dense::symmetric_product;
use super::matrices::{Model, dot};
use super::optimise::{Search, minimise};
use super::report::{Component, Fit, Mode, positive_inverse};
use super::{Method, MixedError};
use faer::Mat;
use joint::Form;
use solve::{Objective, Scores, Solved, gathered, leaf_spreads};
use std::sync::Arc;

/// A term with no more columns than this needs no matrix of its own.
const FEW: usize = 32;

impl Layout {
    fn scores(&self, y: &[f64]) -> Result<Scores, MixedError> {
        let (means, left) = self.within(y);
        let largest = y.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        if left.iter().all(|v| v.abs() <= 64.0 * f64::EPSILON * largest) {
            return Err(MixedError::NoVariation);
        }
        let products = self.across(&left);
        let total = dot(&left, &left);
        let crude = self.crude(&products, total);
        Ok(Scores { means, products, total, crude })
    }
}

/// Searches the variances of a column of scores.
pub(super) fn fit(
    model: &Model,
    layout: &Arc<Layout>,
    y: &[f64],
    method: Method,
    search: Search,
) -> Result<Fit, MixedError> {
    by_reml(method)?;
    let scores = layout.scores(y)?;
    let objective = Objective { layout, scores: &scores };
    let found = minimise(&objective, search, &vec![false; layout.parts.len()])?;
    // Slopes are not taken at a ratio of zero, but next to it.
    let s = match found.ratios.iter().all(|g| *g >= solve::FLOOR) {
        true => found.at.solved,
        false => objective.inverted(&found.ratios).ok_or(MixedError::NoResidual)?,
    };
    Ok(report(model, layout, &scores, s, (&found.ratios, found.evaluations)))
}

/// The fit at given ratios, in the units of the terms' covariates.
pub(super) fn fit_at(
    model: &Model,
    layout: &Arc<Layout>,
    y: &[f64],
    ratios: &[f64],
    method: Method,
) -> Result<Fit, MixedError> {
    by_reml(method)?;
    let scores = layout.scores(y)?;
    let ratios = scaled(layout, ratios);
    let objective = Objective { layout, scores: &scores };
    let s = objective.inverted(&ratios).ok_or(MixedError::NoResidual)?;
    Ok(report(model, layout, &scores, s, (&ratios, 1)))
}

/// The deviance at given ratios; infinite where the equations have no solution.
pub(super) fn deviance(
    layout: &Layout,
    y: &[f64],
    ratios: &[f64],
    method: Method,
) -> Result<f64, MixedError> {
    by_reml(method)?;
    let scores = layout.scores(y)?;
    let objective = Objective { layout, scores: &scores };
    let solved = objective.solve(&scaled(layout, ratios));
    Ok(solved.map_or(f64::INFINITY, |s| s.deviance))
}

/// The least deviance with the terms in `out` held at zero.
pub(super) fn deviance_without(
    layout: &Layout,
    y: &[f64],
    out: &[bool],
    method: Method,
) -> Result<f64, MixedError> {
    by_reml(method)?;
    let scores = layout.scores(y)?;
    let objective = Objective { layout, scores: &scores };
    let found = minimise(&objective, Search::Newton, out)?;
    objective
        .solve(&found.ratios)
        .map(|s| s.deviance)
        .ok_or(MixedError::NotSettled { evaluations: found.evaluations })
}

fn scaled(layout: &Layout, ratios: &[f64]) -> Vec<f64> {
    ratios.iter().zip(&layout.parts).map(|(g, p)| g * p.scale * p.scale).collect()
}

fn by_reml(method: Method) -> Result<(), MixedError> {
    match method {
        Method::Reml => Ok(()),
        Method::Ml => Err(not_offered("full maximum likelihood")),
    }
}

/// What needs the columns of the cells written out.
pub(super) fn not_offered(what: &'static str) -> MixedError {
    MixedError::NotOffered { what, layout: "whose cells stand apart".into() }
}

fn report(
    model: &Model,
    layout: &Arc<Layout>,
    scores: &Scores,
    s: Solved,
    (ratios, evaluations): (&[f64], usize),
) -> Fit {
    let objective = Objective { layout, scores };
    let c = &s.core;
    let parts = &layout.parts;
    let forms = forms_of(layout, &s);
    let active: Vec<usize> = forms.iter().map(|form| form.term).collect();
    let spreads: Vec<Vec<f64>> =
        of_kinds(layout, &s).map(|(leaf, _, own)| leaf_spreads(leaf, own, c)).collect();
    let single: Vec<f64> = (0..parts.len()).map(|i| trace(layout, c, &spreads, i)).collect();
    let modes = objective.modes(&s);
    let (mixed, squares) = objective.average(&s, &modes, ratios);
    let df = (layout.n - layout.n_fixed) as f64;
    let both = traces(layout, &s, &forms);
    let size = active.len() + 1;
    let curvature = Mat::from_fn(size, size, |a, b| match (active.get(a), active.get(b)) {
        (Some(&i), Some(&j)) => {
            let own = if i == j { parts[i].n_used as f64 - 2.0 * single[i] } else { 0.0 };
            let traces = (own + both[(a, b)]) / (ratios[i] * ratios[j]);
            2.0 * df * mixed[(i, j)] / s.square - traces
        }
        (Some(&i), None) | (None, Some(&i)) => squares[i] / s.sigma2,
        (None, None) => df,
    });
    let slope =
        |i: usize| (parts[i].n_used as f64 - single[i]) - ratios[i] * df * squares[i] / s.square;
    let steepest = active.iter().map(|&i| slope(i).abs()).fold(0.0, f64::max);
    let components = parts
        .iter()
        .zip(ratios)
        .map(|(p, g)| Component {
            name: p.name.clone(),
            variance: s.sigma2 * g / (p.scale * p.scale),
            at_boundary: *g == 0.0,
            n_levels: p.n_used,
        })
        .collect();
    let modes = predicted(layout, &s, &spreads);
    let mut beta: Vec<f64> = Vec::with_capacity(layout.counts.len() + layout.n_further);
    for (mean, cell) in scores.means.iter().zip(&layout.means) {
        let taken: f64 = cell
            .iter()
            .map(|&(column, m)| {
                let at = parts.partition_point(|p| p.first <= column) - 1;
                let root = if column < layout.n_random { s.roots[at] } else { 1.0 };
                m * root * s.effects[column]
            })
            .sum();
        beta.push(mean - taken);
    }
    beta.extend_from_slice(&s.effects[layout.n_random..]);
    let unused: Vec<usize> =
        (0..layout.counts.len()).filter(|&cell| layout.counts[cell] == 0.0).collect();
    let (sigma2, deviance) = (s.sigma2, s.deviance);
    let joint = Joint::new(Arc::clone(layout), s, scores.means.clone(), forms);
    Fit {
        kept: (0..beta.len()).filter(|j| !unused.contains(j)).collect(),
        aliased: unused.iter().map(|&j| model.fixed.name(j)).collect(),
        aliases: unused.into_iter().map(|j| (j, Vec::new())).collect(),
        beta,
        beta_names: model.fixed.names.clone(),
        vcov_beta: Mat::zeros(0, 0),
        sigma2,
        components,
        correlations: Vec::new(),
        minus2_log_likelihood: deviance,
        method: Method::Reml,
        n: layout.n,
        n_fixed: layout.n_fixed,
        evaluations,
        converged: true,
        steepest,
        cells: model.fixed.cell_columns(),
        term_columns: model.fixed.term_columns(),
        gradients: Vec::new(),
        information_inverse: positive_inverse(&curvature),
        modes,
        joint: Some(Arc::new(joint)),
        unpooled: None,
    }
}

/// How variances move with each ratio that is not zero.
fn forms_of(layout: &Layout, s: &Solved) -> Vec<Form> {
    let (parts, c) = (&layout.parts, &s.core);
    (0..parts.len())
        .filter(|&term| s.roots[term] > 0.0)
        .map(|term| {
            let (core, has_leaves) = (parts[term].core.clone(), parts[term].has_leaves);
            let whole = if has_leaves {
                let mut middle = gathered(layout, s, term);
                core.clone().for_each(|i| middle[(i, i)] += 1.0);
                let turned = &middle * c;
                Some(symmetric_product(c.as_ref(), turned.as_ref()))
            } else if core.len() > FEW {
                let rows = c.as_ref().subrows(core.start, core.len());
                Some(symmetric_product(rows.transpose(), rows))
            } else {
                None
            };
            Form { term, core, whole, has_leaves }
        })
        .collect()
}

/// The first leaf of each kind, how many there are, and how it is solved.
fn of_kinds<'a>(
    layout: &'a Layout,
    s: &'a Solved,
) -> impl Iterator<Item = (&'a layout::Leaf, f64, &'a solve::SolvedLeaf)> {
    let kinds = layout.kinds.iter().zip(&s.leaves);
    kinds.map(|(&(first, count), own)| (&layout.leaves[first], count as f64, own))
}

/// `tr E_k K^-1` of a term, of the levels with rows.
fn trace(layout: &Layout, c: &Mat<f64>, spreads: &[Vec<f64>], term: usize) -> f64 {
    let own: f64 = layout.parts[term].core.clone().map(|i| c[(i, i)]).sum();
    let kinds = layout.kinds.iter().zip(spreads);
    let leaves = kinds.map(|(&(first, count), spreads)| {
        let each = layout.leaves[first].terms.iter().zip(spreads);
        count as f64 * each.map(|(t, s)| if *t == term { *s } else { 0.0 }).sum::<f64>()
    });
    own + leaves.sum::<f64>()
}

/// `tr(E_k K^-1 E_l K^-1)` of each pair of forms.
fn traces(layout: &Layout, s: &Solved, forms: &[Form]) -> Mat<f64> {
    let (k, c) = (forms.len(), &s.core);
    let mut out = Mat::<f64>::zeros(k, k);
    for (i, own) in forms.iter().enumerate() {
        for (j, other) in forms.iter().enumerate().take(i + 1) {
            let diagonal = |of: &Form, at: &Form| -> f64 {
                of.whole.iter().map(|w| at.core.clone().map(|x| w[(x, x)]).sum::<f64>()).sum()
            };
            let value = match (own.has_leaves, other.has_leaves) {
                (false, false) => own
                    .core
                    .clone()
                    .map(|x| {
                        c.col_as_slice(x)[other.core.clone()].iter().map(|v| v * v).sum::<f64>()
                    })
                    .sum(),
                (true, false) => diagonal(own, other),
                (false, true) => diagonal(other, own),
                (true, true) => {
                    let middle = gathered(layout, s, other.term);
                    let within: f64 = own
                        .whole
                        .iter()
                        .map(|w| {
                            (0..w.ncols())
                                .map(|x| dot(w.col_as_slice(x), middle.col_as_slice(x)))
                                .sum::<f64>()
                        })
                        .sum();
                    within + diagonal(own, other) + of_leaves(layout, s, own.term, other.term)
                }
            };
            out[(i, j)] = value;
            out[(j, i)] = value;
        }
    }
    out
}

/// What two terms share within the leaves: `tr(E A^-1 E A^-1) + 2 tr(E A^-1 E W C W')`.
fn of_leaves(layout: &Layout, s: &Solved, k: usize, l: usize) -> f64 {
    let mut sum = 0.0;
    for (leaf, count, solved) in of_kinds(layout, s) {
        let n = leaf.columns.len();
        let chosen = |term: usize| (0..n).filter(move |&a| leaf.terms[a] == term);
        if chosen(k).next().is_none() || chosen(l).next().is_none() {
            continue;
        }
        // W C, then W C W'.
        let part = Mat::from_fn(leaf.support.len(), leaf.support.len(), |i, j| {
            s.core[(leaf.support[i], leaf.support[j])]
        });
        let turned = &solved.across * part * solved.across.transpose();
        for a in chosen(k) {
            for b in chosen(l) {
                let own = solved.inverse[(a, b)];
                sum += count * own * (own + 2.0 * turned[(a, b)]);
            }
        }
    }
    sum
}

/// Henderson's predictions, with the standard deviations of their errors.
fn predicted(layout: &Layout, s: &Solved, spreads: &[Vec<f64>]) -> Vec<(String, Vec<Mode>)> {
    let of_level = |column: usize, root: f64, scale: f64| {
        let spread = match layout.places[column] {
            layout::Place::Core(at) => s.core[(at as usize, at as usize)],
            layout::Place::Leaf(leaf, at) => spreads[layout.kind_of[leaf as usize]][at as usize],
            layout::Place::Unused => 1.0,
        };
        Mode {
            value: root * s.effects[column] / scale,
            se: root * (s.sigma2 * spread.max(0.0)).sqrt() / scale,
        }
    };
    let of_part = |(part, root): (&layout::Part, &f64)| {
        let columns = part.first..part.first + part.n_levels;
        (part.name.clone(), columns.map(|c| of_level(c, *root, part.scale)).collect())
    };
    layout.parts.iter().zip(&s.roots).map(of_part).collect()
}
