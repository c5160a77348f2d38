//! Findings: one file a question, from scores to a plain struct that holds all numbers of the
//! answer. Views show them and compute nothing.

pub mod against;
pub mod age;
pub mod agree;
pub mod answer;
mod cell_model;
pub mod compare;
pub mod difference;
pub mod due;
pub mod guesses;
pub mod habits;
pub mod iccs;
pub mod in_scale;
pub mod kappas;
pub mod link;
pub mod lot_map;
pub mod model_checks;
pub mod monitor;
pub mod ordinal;
mod panel_model;
pub mod practice;
pub mod put_right;
pub mod ranking;
pub mod reasons;
pub mod repeats;
pub mod schemas;
pub mod sheet;
pub mod single_score;
pub mod steeps;
pub mod taster_model;
pub mod term_agreement;
pub mod term_comparison;
pub mod trial;
mod unit_table;

pub use agree::Exclusion;
pub use answer::{Answer, Estimate, Unknown};

pub use crate::scores::Source;

use schemars::JsonSchema;
use serde::Serialize;

use crate::scores::{ScaleKind, Scores, TermScores};
use panel_model::Brews;
use term_agreement::Cochran;

/// Choices that an analysis is made with; they stand in its result.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Settings {
    /// Coverage of the intervals.
    pub level: f64,
    /// The seed of all random draws (permutations and resamples).
    pub seed: u64,
    /// Resamples of each bootstrap.
    pub n_resamples: usize,
    /// Random arrangements of each permutation test.
    pub n_permutations: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self { level: 0.95, seed: 1, n_resamples: 1000, n_permutations: 2000 }
    }
}

/// Tests are made at this level.
pub const ALPHA: f64 = 0.05;

/// With so few tasters a result is called individual opinions.
pub const FEW_TASTERS: usize = 3;

/// A variance of a model.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct VariancePart {
    /// Between what: taster, lot × taster, session, flight, brew, residual.
    pub name: String,
    /// The variance.
    pub variance: f64,
    /// Its root, in points of the scale.
    pub sd: f64,
    /// How many levels it was estimated from.
    pub n_levels: usize,
    /// Whether the estimate lies on its boundary, 0.
    pub at_boundary: bool,
}

/// The mixed model of a term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Model {
    /// What is fixed and what random, in words.
    pub formula: String,
    /// The variances, the residual last.
    pub components: Vec<VariancePart>,
    /// Minus twice the restricted log-likelihood (lots coded by their means).
    pub minus2_log_likelihood: f64,
    /// Scores used.
    pub n_scores: usize,
    /// How often the likelihood was evaluated.
    pub evaluations: usize,
    /// What was left out of the model and why.
    pub notes: Vec<String>,
}

/// An F test with the level that luck alone reaches.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Test {
    /// The variance ratio.
    pub f: f64,
    /// Numerator degrees of freedom.
    pub num_df: f64,
    /// Denominator degrees of freedom.
    pub den_df: f64,
    /// Chance of an F at least as large where nothing differs.
    pub p_value: f64,
    /// The p-value to be set among those of other terms: the same, or, where the variance of pots is
    /// estimated as zero, with the degrees of freedom of pots within lots.
    pub p_among_many: f64,
    /// The F that luck alone passes in 5 of 100 tables.
    pub f_by_luck: f64,
}

impl Test {
    /// The test of an F.
    #[must_use]
    pub fn of(f: f64, num_df: f64, den_df: f64, p_value: f64) -> Answer<Self> {
        let f_by_luck = blindsteep_stats::dist::f_quantile_upper(ALPHA, num_df, den_df);
        if [f, num_df, den_df, p_value, f_by_luck].iter().all(|x| x.is_finite()) {
            Answer::Known(Self { f, num_df, den_df, p_value, p_among_many: p_value, f_by_luck })
        } else {
            Answer::unknown("nothing varies within the lots, so there is no ratio to test")
        }
    }

    /// Whether the test is passed at [`ALPHA`].
    #[must_use]
    pub fn differs(&self) -> bool {
        self.p_value < ALPHA
    }
}

/// One line of an analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AnovaLine {
    /// What varies.
    pub name: String,
    /// Degrees of freedom.
    pub df: f64,
    /// Sum of squares.
    pub ss: f64,
    /// Mean square.
    pub ms: f64,
}

/// Whether the lots are told apart: by the mixed model's test, for ticks by Cochran's Q.
pub(crate) fn discriminates(lots: &Answer<Test>, ticks: &Answer<Cochran>) -> Answer<bool> {
    match (lots, ticks) {
        (Answer::Known(test), _) => Answer::Known(test.differs()),
        (_, Answer::Known(q)) => Answer::Known(q.p_value < ALPHA),
        (Answer::Unknown(u), _) => Answer::Unknown(u.clone()),
    }
}

/// The p-value of the lots of a term among those of other terms: the mixed model's, for ticks
/// Cochran's Q.
pub(crate) fn deciding_p(lots: &Answer<Test>, ticks: &Answer<Cochran>) -> Answer<f64> {
    match (lots, ticks) {
        (Answer::Known(test), _) => Answer::Known(test.p_among_many),
        (_, Answer::Known(q)) => Answer::Known(q.p_value),
        (Answer::Unknown(u), _) => Answer::Unknown(u.clone()),
    }
}

/// What to keep in mind about a term's scores.
pub(crate) fn panel_cautions(t: &TermScores) -> Vec<String> {
    let mut all = Vec::new();
    if t.term.scale != ScaleKind::Nominal {
        match panel_model::brews(t) {
            Brews::OneALot => all.push(
                "One brew a lot: differences are between pots, not yet between lots.".to_owned(),
            ),
            Brews::NotRecorded => all.push(
                "Which pot a score belongs to is not recorded. If each lot was brewed once, \
                 differences are between pots, not yet between lots."
                    .to_owned(),
            ),
            Brews::Several => {}
        }
    }
    if t.term.scale == ScaleKind::Ordered {
        all.push(
            "Levels are taken as equally far apart in the mixed model; W, alpha and the model of \
             ordered levels use their order only."
                .to_owned(),
        );
    }
    all
}

/// How many scores are missing, and where.
pub(crate) fn gaps(scores: &Scores) -> Option<String> {
    let terms: Vec<(String, usize)> = scores
        .terms()
        .iter()
        .filter(|t| t.gaps > 0)
        .map(|t| (format!("{} {}", t.id, t.gaps), t.gaps))
        .collect();
    let n: usize = terms.iter().map(|t| t.1).sum();
    let names: Vec<String> = terms.into_iter().map(|t| t.0).collect();
    (n > 0).then(|| {
        let of = count(scores.n_scores() + n, "score that was due", "scores that were due");
        let (is, it) = if n == 1 { ("is", "it is") } else { ("are", "they are") };
        format!("{n} of {of} {is} missing ({}); {it} left out, not taken as 0.", listed(&names))
    })
}

/// Terms that are not tested, with the reason, one sentence a reason.
pub(crate) fn untested<'a>(terms: impl Iterator<Item = (&'a str, &'a str)>) -> Vec<String> {
    let mut reasons: Vec<(&str, Vec<String>)> = Vec::new();
    for (term, why) in terms {
        match reasons.iter_mut().find(|r| r.0 == why) {
            Some(known) => known.1.push(term.to_owned()),
            None => reasons.push((why, vec![term.to_owned()])),
        }
    }
    reasons
        .into_iter()
        .map(|(why, terms)| format!("{}: not tested, {why}.", listed(&terms)))
        .collect()
}

/// `1 lot`, `2 lots`.
pub(crate) fn count(n: usize, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}

/// `a`, `a and b`, `a, b and c`.
pub(crate) fn listed(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [all @ .., last] => format!("{} and {last}", all.join(", ")),
    }
}

/// A number for a sentence: few digits, no minus zero.
pub(crate) fn say(x: f64) -> String {
    let text = if x.abs() >= 100.0 {
        format!("{x:.0}")
    } else if x.abs() >= 10.0 {
        format!("{x:.1}")
    } else {
        format!("{x:.2}")
    };
    if text.chars().all(|c| matches!(c, '-' | '0' | '.')) { text.replace('-', "") } else { text }
}

/// A p-value for a sentence.
pub(crate) fn say_p(p: f64) -> String {
    if p < 0.001 {
        "p < 0.001".to_owned()
    } else if p < 0.0995 {
        format!("p = {p:.3}")
    } else {
        format!("p = {p:.2}")
    }
}
