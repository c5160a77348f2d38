//! What is told of what all parameters together predict.

use schemars::JsonSchema;
use serde::Serialize;

use super::LeftOut;
use super::many_batch::PlannedBatch;
use crate::findings::{Answer, Estimate};

/// What all parameters together predict.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Prediction {
    /// The answer in sentences, first the headline.
    pub sentences: Vec<String>,
    /// The columns that predict.
    pub columns: Vec<String>,
    /// How lots were left out.
    pub left_out: String,
    /// What was exchanged for the test.
    pub exchanged: String,
    /// Random orders of that.
    pub n_orders: usize,
    /// Terms predicted better than by their mean.
    pub n_better: usize,
    /// Term by term.
    pub terms: Vec<PredictedTerm>,
    /// Terms that were not asked, and why.
    pub not_predicted: Vec<LeftOut>,
    /// All terms in one model.
    pub together: Answer<Together>,
    /// What a coefficient and its interval are, and what they are not.
    pub about_coefficients: String,
    /// Batches that are planned.
    pub batches: Vec<PlannedBatch>,
}

/// One term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PredictedTerm {
    /// The term.
    pub term: String,
    /// Lots.
    pub n_lots: usize,
    /// Components: the fewest whose errors are within one standard error of the least.
    pub components: usize,
    /// Root mean square error for lots left out, in points.
    pub error: f64,
    /// The same if the mean of the other lots is all that is known.
    pub error_of_mean: f64,
    /// One less the ratio of their squares: 0 is no better than the mean.
    pub q2: f64,
    /// The same against the squares about the mean of all lots.
    pub q2_total: f64,
    /// What its Q² reaches by luck in 1 of 20 if it is the only term asked.
    pub luck: Answer<f64>,
    /// What it would reach by luck in 1 of 20 as the best of all terms.
    pub luck_among_all: Answer<f64>,
    /// Share of random orders in which Q² reaches as far, components chosen anew each time.
    pub p_value: f64,
    /// The same among all terms (Westfall and Young).
    pub p_among_all: f64,
    /// Whether it is predicted better than by its mean: Q² above 0 and that below .05.
    pub better: bool,
    /// Component by component, from none.
    pub by_components: Vec<Step>,
    /// With whole sessions left out, with as many components.
    pub by_session: Answer<Grouped>,
    /// With random groups left out, again and again.
    pub repeated: Answer<Grouped>,
    /// The columns.
    pub columns: Vec<PredictedColumn>,
    /// A second opinion.
    pub net: Answer<Second>,
}

/// A number of components.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Step {
    /// Components; 0 is the mean.
    pub components: usize,
    /// Root mean square error for lots left out.
    pub error: f64,
    /// Q² against the mean of the others.
    pub q2: f64,
    /// Share of the term's variance explained in the lots that are there.
    pub explained: f64,
}

/// Lots left out in groups.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Grouped {
    /// Groups.
    pub n_groups: usize,
    /// How often the lots were grouped anew.
    pub n_repeats: usize,
    /// Root mean square error, the mean over the repeats.
    pub error: f64,
    /// That of the mean alone.
    pub error_of_mean: f64,
    /// Q², the mean over the repeats.
    pub q2: f64,
    /// The least of them.
    pub q2_least: f64,
    /// The largest.
    pub q2_largest: f64,
}

/// A column in the prediction of a term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PredictedColumn {
    /// The column.
    pub column: String,
    /// The line it belongs to: columns of one line are not told apart.
    pub line: Answer<String>,
    /// Points for one unit more, with the interval of the jackknife over lots.
    pub per_unit: Answer<Estimate>,
    /// Points from the least to the largest value made.
    pub over_range: Answer<Estimate>,
    /// Importance in the projection (VIP): 1 is the usual one.
    pub importance: f64,
    /// What the elastic net makes of it, over the range made; 0: it is not taken.
    pub net_over_range: Answer<f64>,
}

/// The elastic net.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Second {
    /// Its penalty.
    pub penalty: f64,
    /// The share of it on absolute values.
    pub mix: f64,
    /// Q² of lots left out in groups, with the penalty chosen on the same groups.
    pub q2: f64,
    /// The lines it takes, in words.
    pub takes: Vec<String>,
}

/// All terms in one model (PLS2).
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Together {
    /// Lots.
    pub n_lots: usize,
    /// Components.
    pub components: usize,
    /// Share of the variance of all columns that they explain.
    pub x_explained: f64,
    /// Share of the variance of all terms, each counted alike.
    pub y_explained: f64,
    /// Q² of lots left out over all terms, each counted alike.
    pub q2: f64,
    /// Term by term: its name, and its Q².
    pub terms: Vec<TermTogether>,
}

/// A term in the model of all.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermTogether {
    /// The term.
    pub term: String,
    /// Root mean square error for lots left out.
    pub error: f64,
    /// Q².
    pub q2: f64,
}
