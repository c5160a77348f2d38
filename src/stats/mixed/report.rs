//! What a fitted model says, from where the search ended; what can be asked of it is in `inference`.

use super::cells::{self, Joint};
use super::matrices::Model;
use super::objective::{Derivatives, Objective};
use super::optimise::{Search, minimise};
use super::unpooled::Unpooled;
use super::{FixedKind, Method, MixedError};
use faer::{Mat, Side};
use serde::Serialize;
use std::sync::Arc;

/// One variance of the model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Component {
    /// The random term.
    pub name: String,
    /// Its variance, in squared score units; for a slope also per squared unit of its covariate.
    pub variance: f64,
    /// Whether the variance is zero because the likelihood falls from there on.
    pub at_boundary: bool,
    /// How many levels have rows.
    pub n_levels: usize,
}

/// The correlation of two effects of one random term.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Correlation {
    /// The first effect, as among the components.
    pub a: String,
    /// The second.
    pub b: String,
    /// Their covariance, in the product of the units of their effects.
    pub covariance: f64,
    /// Their correlation; none if one of them does not vary.
    pub correlation: Option<f64>,
    /// Whether the covariance matrix of the term lacks full rank because the likelihood is
    /// highest there, as at a correlation of one.
    pub at_boundary: bool,
}

/// A linear combination of fixed effects. Where `estimable` is false the layout says nothing about
/// it, and every number is NaN.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contrast {
    /// Whether the layout determines the combination.
    pub estimable: bool,
    /// The estimate, in score units.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Degrees of freedom by Satterthwaite's method.
    pub df: f64,
    /// Estimate over standard error.
    pub t: f64,
    /// Two-sided p-value of a combination that is truly zero.
    pub p_value: f64,
    /// Lower end of the interval.
    pub lower: f64,
    /// Upper end of the interval.
    pub upper: f64,
}

/// The difference of two levels: the first less the second.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// The first level, as a cell column.
    pub a: usize,
    /// The second level.
    pub b: usize,
    /// Their difference.
    pub difference: Contrast,
}

/// A joint test that several combinations are zero.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FTest {
    /// The statistic; NaN if nothing can be tested.
    pub f: f64,
    /// How many independent combinations are tested.
    pub num_df: f64,
    /// Denominator degrees of freedom.
    pub den_df: f64,
    /// The p-value.
    pub p_value: f64,
}

/// The predicted effect of one level of a random term.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mode {
    /// The prediction, shrunk towards zero.
    pub value: f64,
    /// Standard deviation of its error, estimation of the fixed effects included.
    pub se: f64,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub struct Fit {
    /// The fixed effects; zero for an aliased column.
    pub beta: Vec<f64>,
    /// The names of the fixed columns.
    pub beta_names: Vec<String>,
    /// The covariance matrix of `beta`; zero for an aliased column. Without rows where the cells stand
    /// apart: ask a [family](Fit::family) then.
    pub vcov_beta: Mat<f64>,
    /// Columns left out because they depend on earlier ones.
    pub aliased: Vec<String>,
    /// The residual variance.
    pub sigma2: f64,
    /// The variance of each random term, in the order given; of a term with correlated effects one
    /// for each of them, the further ones named `term × covariate`.
    pub components: Vec<Component>,
    /// The correlations of effects that may be correlated, pair by pair.
    pub correlations: Vec<Correlation>,
    /// Minus twice the logarithm of the likelihood maximised (REML or ML).
    pub minus2_log_likelihood: f64,
    /// Which likelihood that is.
    pub method: Method,
    /// The number of rows.
    pub n: usize,
    /// The number of independent fixed effects.
    pub n_fixed: usize,
    /// How often the deviance was evaluated.
    pub evaluations: usize,
    /// Whether the search settled; a fit that did not is an error, so this is true.
    pub converged: bool,
    /// The largest slope of the deviance among variances above zero, in the logarithm of the
    /// ratio: zero but for rounding.
    pub steepest: f64,
    pub(super) cells: Option<(usize, usize)>,
    pub(super) term_columns: Vec<(String, FixedKind, usize, usize)>,
    pub(super) kept: Vec<usize>,
    pub(super) aliases: Vec<(usize, Vec<f64>)>,
    /// For each active variance, then for the residual: the gradient form of the variance of a
    /// combination.
    pub(super) gradients: Vec<Mat<f64>>,
    /// Inverse of the curvature of the deviance in the active ratios and log residual variance.
    pub(super) information_inverse: Mat<f64>,
    pub(super) modes: Vec<(String, Vec<Mode>)>,
    /// What is asked of cells that stand apart; then `vcov_beta` and the gradients are empty.
    pub(super) joint: Option<Arc<Joint>>,
    /// Where a variance is at zero, what errors are made of that do not pool it.
    pub(super) unpooled: Option<Unpooled>,
}

impl Model {
    /// Fits the layout to a column of scores: the variance ratios at the least deviance, with
    /// fixed effects and residual variance at their best (Bates and others 2015; `objective` has
    /// the formulas), by Newton's method with exact derivatives.
    ///
    /// # Errors
    /// Scores that are too few, not finite, or without variation; see [`MixedError`].
    pub fn fit(&self, y: &[f64], method: Method) -> Result<Fit, MixedError> {
        self.fit_by(y, method, Search::Newton)
    }

    /// Fits with a search of one's choice.
    ///
    /// # Errors
    /// As for [`Model::fit`].
    pub fn fit_by(&self, y: &[f64], method: Method, search: Search) -> Result<Fit, MixedError> {
        if let Some(layout) = &self.cells {
            self.checked(y)?;
            return cells::fit(self, layout, y, method, search);
        }
        if let Some(general) = &self.general {
            return general.fit(self, y, method);
        }
        let scores = self.scores(y)?;
        let objective = Objective { model: self, scores: &scores, method };
        let found = minimise(&objective, search, &vec![false; self.terms.len()])?;
        Ok(report(&objective, &found.ratios, &found.at, found.evaluations))
    }

    /// Fits the fixed effects and the residual variance at given variance ratios
    /// `g_i = sigma_i^2 / sigma^2`, such as those of another fit; nothing is searched. Standard
    /// errors and degrees of freedom take the ratios as if they had been estimated here.
    ///
    /// # Errors
    /// Scores that are too few, not finite or without variation, a wrong number of ratios, or
    /// ratios (in units of one) at which the equations have no solution.
    pub fn fit_at(&self, y: &[f64], ratios: &[f64], method: Method) -> Result<Fit, MixedError> {
        if ratios.len() != self.terms.len() {
            return Err(MixedError::Rows {
                what: "the list of variance ratios".into(),
                found: ratios.len(),
                expected: self.terms.len(),
            });
        }
        if let Some(at) = ratios.iter().position(|g| !(g.is_finite() && *g >= 0.0)) {
            return Err(MixedError::NotFinite {
                what: "the list of variance ratios".into(),
                row: at + 1,
            });
        }
        if let Some(layout) = &self.cells {
            self.checked(y)?;
            return cells::fit_at(self, layout, y, ratios, method);
        }
        if let Some(general) = &self.general {
            let roots: Vec<f64> = ratios.iter().map(|g| g.sqrt()).collect();
            let covariances = general.covariances(&roots)?;
            return general.fit_at(self, y, &covariances, method);
        }
        let scores = self.scores(y)?;
        let objective = Objective { model: self, scores: &scores, method };
        let at = objective.derivatives(ratios).ok_or(MixedError::NoResidual)?;
        Ok(report(&objective, ratios, &at, 1))
    }

    /// Returns the deviance (minus twice the log-likelihood) of scores at given relative standard
    /// deviations `theta_i = sigma_i / sigma`, with fixed effects and residual variance at their
    /// best; infinite where the equations have no solution. For correlated effects `theta` holds
    /// the lower triangle `T` of a term, column by column, whose `T T'` is their covariance matrix
    /// in units of the residual variance.
    ///
    /// # Errors
    /// Scores that are too few, not finite or without variation, or a wrong number of values.
    pub fn deviance(&self, y: &[f64], theta: &[f64], method: Method) -> Result<f64, MixedError> {
        if let Some(general) = &self.general {
            return general.deviance(self, y, &general.covariances(theta)?, method);
        }
        if theta.len() != self.terms.len() {
            return Err(MixedError::Rows {
                what: "the list of relative standard deviations".into(),
                found: theta.len(),
                expected: self.terms.len(),
            });
        }
        if let Some(layout) = &self.cells {
            self.checked(y)?;
            let ratios: Vec<f64> = theta.iter().map(|t| t * t).collect();
            return cells::deviance(layout, y, &ratios, method);
        }
        let scores = self.scores(y)?;
        let ratios: Vec<f64> = theta.iter().map(|t| t * t).collect();
        let objective = Objective { model: self, scores: &scores, method };
        Ok(objective.value(&ratios).map_or(f64::INFINITY, |v| v.deviance))
    }
}

/// What a search leaves, whatever the route, in the columns that the equations use.
pub(super) struct Parts {
    /// Least-squares coefficients of the kept columns.
    pub ordinary: Vec<f64>,
    /// What the equations add to them.
    pub fixed_effects: Vec<f64>,
    /// The fixed block of `K^-1`.
    pub fixed_inverse: Mat<f64>,
    /// For each active parameter the matrix of the change of `fixed_inverse`.
    pub gradients: Vec<Mat<f64>>,
    /// The curvature of the deviance in the active parameters and the log residual variance.
    pub curvature: Mat<f64>,
    pub sigma2: f64,
    pub deviance: f64,
    pub components: Vec<Component>,
    pub correlations: Vec<Correlation>,
    pub modes: Vec<(String, Vec<Mode>)>,
    pub steepest: f64,
    pub evaluations: usize,
}

/// Turns everything back to the columns that were given.
pub(super) fn assemble(model: &Model, method: Method, parts: Parts) -> Fit {
    let n_columns = model.fixed.columns.len();
    let kept = &model.basis.kept;
    let back = model.back();
    let mut beta = vec![0.0; n_columns];
    for (k, &j) in kept.iter().enumerate() {
        let added: f64 = (k..kept.len()).map(|c| parts.fixed_effects[c] * back[(c, k)]).sum();
        beta[j] = parts.ordinary[k] + added;
    }
    let sigma2 = parts.sigma2;
    let mut gradients: Vec<Mat<f64>> =
        parts.gradients.iter().map(|m| model.turned_back(m, sigma2)).collect();
    let vcov_beta = model.turned_back(&parts.fixed_inverse, sigma2);
    gradients.push(vcov_beta.clone());
    let name = |j: usize| model.fixed.name(j);
    Fit {
        beta,
        beta_names: (0..n_columns).map(name).collect(),
        vcov_beta,
        aliased: model.basis.aliased.iter().map(|a| name(a.0)).collect(),
        sigma2,
        components: parts.components,
        correlations: parts.correlations,
        minus2_log_likelihood: parts.deviance,
        method,
        n: model.n,
        n_fixed: kept.len(),
        evaluations: parts.evaluations,
        converged: true,
        steepest: parts.steepest,
        cells: model.fixed.cell_columns(),
        term_columns: model.fixed.term_columns(),
        kept: kept.clone(),
        aliases: model.basis.aliased.clone(),
        gradients,
        information_inverse: positive_inverse(&parts.curvature),
        modes: parts.modes,
        joint: None,
        unpooled: None,
    }
}

fn report(objective: &Objective<'_>, ratios: &[f64], at: &Derivatives, evaluations: usize) -> Fit {
    let model = objective.model;
    let s = &at.solution;
    let sigma2 = at.value.sigma2;
    let n_random = model.rest.n_random;
    let p = model.basis.kept.len();
    let e = s.g.as_ref().subcols(n_random, p).to_owned();
    let active: Vec<usize> = (0..ratios.len()).filter(|&i| ratios[i] > 0.0).collect();
    let zero = objective.method == Method::Reml && active.len() < ratios.len();
    let df = objective.df();
    let size = active.len() + 1;
    let curvature = Mat::from_fn(size, size, |a, b| match (active.get(a), active.get(b)) {
        (Some(&i), Some(&j)) => 2.0 * df * at.mixed[(i, j)] / s.square - at.traces[(i, j)],
        (Some(&i), None) | (None, Some(&i)) => at.squares[i] / sigma2,
        (None, None) => df,
    });
    let components = (0..ratios.len())
        .map(|i| Component {
            name: model.terms[i].name.clone(),
            variance: sigma2 * ratios[i],
            at_boundary: ratios[i] == 0.0,
            n_levels: model.terms[i].n_used,
        })
        .collect();
    let fixed_inverse = e.as_ref().subrows(n_random, p).to_owned();
    let all: Vec<Option<Mat<f64>>> = (0..ratios.len())
        .map(|i| (zero || ratios[i] > 0.0).then(|| gradient(model, ratios, at, i, &e)))
        .collect();
    let unpooled = zero.then(|| {
        let mut own = fixed_inverse.clone();
        for (form, ratio) in all.iter().flatten().zip(ratios) {
            own -= form * faer::Scale(*ratio);
        }
        let forms = std::iter::once(&own).chain(all.iter().flatten());
        let forms = forms.map(|m| model.turned_back(m, 1.0)).collect();
        Unpooled::of(objective, ratios, at, forms)
    });
    let parts = Parts {
        ordinary: objective.scores.ordinary.clone(),
        fixed_effects: s.effects[n_random..].to_vec(),
        fixed_inverse,
        gradients: active.iter().filter_map(|&i| all[i].clone()).collect(),
        curvature,
        sigma2,
        deviance: at.value.deviance,
        components,
        correlations: Vec::new(),
        modes: modes(objective, ratios, at),
        steepest: active.iter().map(|&i| (ratios[i] * at.slope[i]).abs()).fold(0.0, f64::max),
        evaluations,
    };
    Fit { unpooled: unpooled.flatten(), ..assemble(model, objective.method, parts) }
}

/// The matrix of `|Z_i' V^-1 X C l|^2` as a form in `l`, in the columns used.
fn gradient(model: &Model, ratios: &[f64], at: &Derivatives, i: usize, e: &Mat<f64>) -> Mat<f64> {
    let term = &model.terms[i];
    if Some(i) == model.absorbed {
        // One column a level: a combination of the rows of E.
        let across = e.transpose().to_owned();
        let mut turned = Mat::<f64>::zeros(e.ncols(), model.levels.len());
        for (l, level) in model.levels.iter().enumerate() {
            let shrink = 1.0 / (1.0 + ratios[i] * level.square);
            let target = turned.col_as_slice_mut(l);
            for (&r, f) in level.columns.iter().zip(&level.products) {
                for (t, v) in target.iter_mut().zip(across.col_as_slice(r)) {
                    *t += shrink * f * v;
                }
            }
        }
        return &turned * turned.transpose();
    }
    let rows = at.solution.a.as_ref().subrows(term.first, term.n_levels) * e;
    rows.transpose() * &rows
}

/// Henderson's predictions of every random effect, with the standard deviations of their errors.
fn modes(objective: &Objective<'_>, ratios: &[f64], at: &Derivatives) -> Vec<(String, Vec<Mode>)> {
    let model = objective.model;
    let s = &at.solution;
    let sigma2 = at.value.sigma2;
    let of_term = |(i, term): (usize, &super::matrices::Term)| {
        let ratio = ratios[i];
        let list: Vec<Mode> = if Some(i) == model.absorbed {
            model
                .levels
                .iter()
                .zip(&objective.scores.levels)
                .map(|(level, fy)| {
                    let shrink = 1.0 / (1.0 + ratio * level.square);
                    let (mut fitted, mut spread) = (0.0, 0.0);
                    for (&c, f) in level.columns.iter().zip(&level.products) {
                        fitted += f * s.effects[c];
                        for (&r, h) in level.columns.iter().zip(&level.products) {
                            spread += f * h * s.g[(r, c)];
                        }
                    }
                    let error = ratio * shrink + ratio * ratio * shrink * shrink * spread;
                    Mode { value: ratio * shrink * (fy - fitted), se: (sigma2 * error).sqrt() }
                })
                .collect()
        } else {
            (term.first..term.first + term.n_levels)
                .map(|c| Mode { value: s.effects[c], se: (sigma2 * s.g[(c, c)]).max(0.0).sqrt() })
                .collect()
        };
        (term.name.clone(), list)
    };
    model.terms.iter().enumerate().map(of_term).collect()
}

/// The inverse of a symmetric matrix; if it is not positive, of its positive part.
pub(super) fn positive_inverse(m: &Mat<f64>) -> Mat<f64> {
    let n = m.nrows();
    let Ok(eigen) = m.self_adjoint_eigen(Side::Lower) else {
        return Mat::from_fn(n, n, |_, _| f64::NAN);
    };
    let (u, values) = (eigen.U(), eigen.S().column_vector());
    let largest = values.iter().fold(0.0f64, |a, &v| a.max(v));
    let mut out = Mat::<f64>::zeros(n, n);
    for k in 0..n {
        if values[k] > 1e-14 * largest {
            for i in 0..n {
                for j in 0..n {
                    out[(i, j)] += u[(i, k)] * u[(j, k)] / values[k];
                }
            }
        }
    }
    out
}
