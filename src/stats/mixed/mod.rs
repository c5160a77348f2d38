//! Linear mixed models: fixed effects beside random intercepts and slopes, correlated or not, nested
//! or crossed, by restricted or full maximum likelihood.
//!
//! `y = X beta + Z_1 u_1 + ... + Z_k u_k + e`, with `u_i` normal of variance `sigma_i^2`, one for
//! each level of term `i`, and `e` normal of variance `sigma^2`. The work goes in four steps, one
//! file each:
//!
//! 1. `matrices`: the [`Model`], cross-products of the columns, from here on the number of rows no longer
//!    matters. The term with the most levels is solved level by level, whatever its size.
//! 2. `objective`: the deviance as a function of the variance ratios `sigma_i^2 / sigma^2` alone,
//!    fixed effects and `sigma^2` profiled out, with exact first and second derivatives.
//! 3. `optimise`: its least value with no ratio below zero. A variance of zero is a result: there
//!    the slope is checked, so that the search neither stops at a false zero nor short of a true one.
//! 4. `report` and `inference`: a [`Fit`], with means, contrasts, tests and the modes of the random effects; degrees
//!    of freedom by Satterthwaite's method from the exact observed information.
//!
//! That is the route of a session. Correlated effects, and records with many lots and sessions, go
//! by one sparse system instead (`general`): its cost grows about with the number of rows.
//! Records of many years, with a mean for each of many cells, have these means taken off first
//! (`cells`, asked for by [`FixedPart::cells_apart`]): nothing is then as large as cells times cells.
//!
//! Beside a fit: `kenward` (other standard errors and degrees of freedom), `variance_tests` (is a
//! variance needed?), `residuals` (does what is left look as the model says?).
//!
//! What this does not do: other than normal scores, weights. Intervals and tests of Satterthwaite
//! hold nearly, not exactly, in small unbalanced tables, and treat a variance estimated as zero as
//! known to be zero; [`Fit::family_unpooled`] does not (`unpooled`).
//!
//! # Sources
//! Bates, Maechler, Bolker and Walker (2015), Journal of Statistical Software 67(1) (profiled
//! deviance); Henderson (1975), Biometrics 31:423-447 (mixed model equations); Giesbrecht and Burns
//! (1985), Biometrics 41:477-486, and Fai and Cornelius (1996), Journal of Statistical Computation
//! and Simulation 54:363-378 (degrees of freedom); Searle, Casella and McCulloch (1992), Variance
//! Components, chapter 6 (derivatives).

mod blocks;
mod cells;
mod dense;
mod factor;
mod family;
mod fixed;
mod general;
mod identify;
mod inference;
mod kenward;
mod matrices;
mod objective;
mod one_step;
mod optimise;
mod report;
mod residuals;
mod unpooled;
mod variance_tests;

pub use factor::Factor;
pub use family::Family;
pub use fixed::{Apart, FixedKind, FixedPart, FixedTerm};
pub use kenward::KenwardRoger;
pub use matrices::{Model, Route};
pub use one_step::Variances;
pub use optimise::Search;
pub use report::{Component, Contrast, Correlation, FTest, Fit, Mode, Pair};
pub use residuals::{Residual, ResidualCheck, Spread};
pub use variance_tests::VarianceTest;

use thiserror::Error;

/// A random term: one normal effect for each level of its factor, all of one variance.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomTerm {
    /// The name of the term.
    pub name: String,
    /// The level of each row.
    pub factor: Factor,
    /// For a random slope: what the effect of the level is multiplied by in each row.
    pub slope: Option<Vec<f64>>,
    /// Further effects of each level, each with what it is multiplied by in each row; they and the
    /// first may have any covariance. Mostly empty.
    pub correlated: Vec<(String, Vec<f64>)>,
}

impl RandomTerm {
    /// A random intercept for each level.
    pub fn new(name: &str, factor: Factor) -> Self {
        RandomTerm { name: name.into(), factor, slope: None, correlated: Vec::new() }
    }

    /// A random slope in `covariate` for each level, uncorrelated with the other terms.
    pub fn slope(name: &str, factor: Factor, covariate: Vec<f64>) -> Self {
        RandomTerm { name: name.into(), factor, slope: Some(covariate), correlated: Vec::new() }
    }

    /// For each level a random intercept and a random slope in each covariate, with any
    /// correlation among them.
    pub fn correlated(name: &str, factor: Factor, covariates: Vec<(String, Vec<f64>)>) -> Self {
        RandomTerm { name: name.into(), factor, slope: None, correlated: covariates }
    }
}

/// A model with its data.
#[derive(Debug, Clone)]
pub struct ModelSpec {
    /// The scores, one a row.
    pub y: Vec<f64>,
    /// The fixed part.
    pub fixed: FixedPart,
    /// The random terms; there may be none.
    pub random: Vec<RandomTerm>,
}

/// Which likelihood is made greatest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Restricted maximum likelihood: for variances, tests and intervals.
    Reml,
    /// Full maximum likelihood: for comparing models whose fixed parts differ.
    Ml,
}

/// Why a model cannot be fitted.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum MixedError {
    /// Something has another number of rows than the scores.
    #[error("{what} has {found} rows where the model has {expected}")]
    Rows {
        /// The column or term.
        what: String,
        /// Its rows.
        found: usize,
        /// The rows of the model.
        expected: usize,
    },
    /// A level number lies beyond the levels of its factor.
    #[error("random term {term} has a level {code} but only {n_levels} levels")]
    Level {
        /// The term.
        term: String,
        /// The level found.
        code: u32,
        /// The number of levels.
        n_levels: usize,
    },
    /// A value is infinite or not a number.
    #[error("{what} has a value that is not a finite number, in row {row}")]
    NotFinite {
        /// The column.
        what: String,
        /// The row, counted from 1.
        row: usize,
    },
    /// There are no more rows than fixed effects.
    #[error("{n} rows do not suffice for {n_fixed} fixed effects and a residual")]
    TooFewRows {
        /// The number of rows.
        n: usize,
        /// The number of independent fixed effects.
        n_fixed: usize,
    },
    /// A variance cannot be told apart from others by any scores in this layout.
    #[error("the variance of random term {term} cannot be told apart from {from} in this layout")]
    NotIdentified {
        /// The term.
        term: String,
        /// What it is confounded with.
        from: String,
    },
    /// The fixed part leaves nothing over.
    #[error(
        "the fixed effects fit the scores without remainder, so that there is no variance to estimate"
    )]
    NoVariation,
    /// The random effects leave nothing over, as when replicates repeat without any difference.
    #[error(
        "the random terms leave no residual variance: scores repeat, or there are too few of them for so many terms"
    )]
    NoResidual,
    /// What is asked for is not made for this layout.
    #[error("{what} is not offered for a layout {layout}")]
    NotOffered {
        /// What was asked for.
        what: &'static str,
        /// What about the layout forbids it.
        layout: String,
    },
    /// The search found no minimum.
    #[error("the search for the variances did not settle after {evaluations} evaluations")]
    NotSettled {
        /// How often the deviance was evaluated.
        evaluations: usize,
    },
}

/// Fits a model by the given method.
///
/// The REML deviance is `log |V| + log |X' V^-1 X| + (n - p) (1 + log(2 pi s))` with
/// `V = I + sum g_i Z_i Z_i'`, `g_i` the variance ratios and `s` the residual variance; the ML
/// deviance is `log |V| + n (1 + log(2 pi s))`. Both are minus twice the logarithm of the
/// likelihood; the first depends on how the fixed effects are coded.
///
/// Columns that depend on earlier ones are left out and named in [`Fit::aliased`]; contrasts that
/// would need them come back as not estimable.
///
/// # Errors
/// See [`MixedError`].
pub fn fit(spec: &ModelSpec, method: Method) -> Result<Fit, MixedError> {
    Model::new(&spec.fixed, &spec.random)?.fit(&spec.y, method)
}
