//! Which step did it? From the cup back to the making.
//!
//! The unit is the lot, at one age: its first tasting. What moved together in the making is said
//! first, and named together for ever after; effects come from one mixed model a term.

mod associations;
mod columns;
mod effects;
mod exchange;
mod lot_level;
mod many;
mod many_batch;
mod many_form;
mod many_words;
mod parameters;
mod planned;
pub(super) mod rows;
mod sensitivity;
mod sentences;
mod shape;
mod term_lots;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::agree::{Exclusion, exclusions, opinions};
use super::{Answer, Estimate, FEW_TASTERS, Model, Settings};
use crate::scores::{Makings, ScaleKind, Scores, Source, WHATEVER_AGE};

pub use associations::{Association, Measure};
pub(super) use columns::drop_inflated;
pub use columns::{Line, Member, MovesTogether, OTHERS};
pub use effects::{Effect, EffectTest, Mark};
pub use exchange::Permutation;
pub use lot_level::{AddedPoint, AddedVariable};
pub use many_batch::{Batch, NotUsed, PlannedBatch, PlannedTerm, Setting, Stated, setting};
pub use many_form::{
    Grouped, PredictedColumn, PredictedTerm, Prediction, Second, Step, TermTogether,
    Together as AllTerms,
};
pub use parameters::{CategoryMade, ParameterMade};
pub use planned::{NotAsked, Planned, PlannedContrast, RunMade};
pub use rows::LinkedLot;
pub use sensitivity::{Assumption, PLAUSIBLE, Partner, Sensitivity, Verdict, WithoutLot};
pub use sentences::{counts_doublings, plain, range};
pub use shape::{CurvePoint, FittedForm, Form, Shape, Turn};

use columns::Together;

/// Parameters whose |r| reaches this are not told apart.
pub const NEAR: f64 = 0.9;
/// A parameter whose variance inflation reaches this has no effect of its own.
pub const INFLATED: f64 = 10.0;
/// With fewer degrees of freedom left between lots, parameters are looked at one at a time.
pub const LEAST_DF: f64 = 3.0;

/// What is asked, and of what.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct Wish {
    /// The parameters asked about; none: all.
    pub only: Vec<String>,
    /// The terms asked about; none: all.
    pub about: Vec<String>,
    /// Samples that stayed the same and join the sessions, beside those the sessions know.
    pub references: Vec<String>,
    /// Parameters for whose sake lots without them are left out.
    pub complete: Vec<String>,
    /// The trial whose contrasts come first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trial: Option<PlannedTrial>,
    /// Batches that are planned, whose cups are to be predicted.
    pub predict: Vec<Batch>,
}

/// A trial, as far as it says what is asked.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PlannedTrial {
    /// Its name.
    pub name: String,
    /// The parameters that it varies.
    pub factors: Vec<String>,
    /// The terms that it is about; none: all.
    pub terms: Vec<String>,
    /// The numbers of its runs.
    pub runs: Vec<u32>,
}

/// Random arrangements of a permutation test, where nothing else is asked for.
pub const N_ARRANGEMENTS: usize = 10_000;

/// What `link` is asked with where nothing else is said.
#[must_use]
pub fn settings() -> Settings {
    Settings { n_permutations: N_ARRANGEMENTS, ..Settings::default() }
}

/// Something that was left out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LeftOut {
    /// A lot, a parameter or a term.
    pub kind: String,
    /// Which.
    pub name: String,
    /// Why.
    pub reason: String,
    /// The lots for which, if not for all.
    pub lots: Vec<String>,
}

/// How parameters were put into the models.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Adjusted {
    /// All lines in one model: each effect is adjusted for the others.
    Together,
    /// One line a model: effects are not adjusted for one another.
    OneAtATime,
}

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Link {
    /// "link/2".
    pub schema: String,
    /// Where the scores come from.
    pub source: Source,
    /// Where the making comes from.
    pub making: String,
    /// How the analysis was made.
    pub settings: Settings,
    /// What was asked.
    pub wish: Wish,
    /// The lots that were linked, each at its first tasting.
    pub lots: Vec<LinkedLot>,
    /// Samples that join the sessions.
    pub references: Vec<String>,
    /// All tasters; none if each row is a lot's mean.
    pub tasters: Vec<String>,
    /// Scores used, the references' among them.
    pub n_scores: usize,
    /// Whether there are so few tasters that these are individual opinions.
    pub individual_opinions: bool,
    /// What goes with what, in sentences.
    pub sentences: Vec<String>,
    /// What these lots cannot tell apart, in sentences.
    pub not_told_apart: Vec<String>,
    /// What to make next, in sentences.
    pub next: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// The parameters that varied.
    pub parameters: Vec<ParameterMade>,
    /// All pairs of parameters.
    pub associations: Vec<Association>,
    /// All pairs of columns.
    pub together: Vec<MovesTogether>,
    /// What effects are asked of: each line a column, or several that are not told apart.
    pub lines: Vec<Line>,
    /// Whether effects are adjusted for one another.
    pub adjusted: Answer<Adjusted>,
    /// What a trial was planned for.
    pub planned: Answer<Planned>,
    /// Pairs of term and line that were asked, the planned ones aside: the false discovery rate is
    /// over these.
    pub n_asked: usize,
    /// Curves that were tried: their false discovery rate is over these.
    pub n_curves: usize,
    /// Term by term.
    pub terms: Vec<LinkedTerm>,
    /// What all parameters together predict.
    pub prediction: Answer<Prediction>,
    /// What was left out, with the reason.
    pub left_out: Vec<LeftOut>,
    /// Scores that were left out and why.
    pub exclusions: Vec<Exclusion>,
}

/// One term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LinkedTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// Lots scored.
    pub n_lots: usize,
    /// Scores used.
    pub n_scores: usize,
    /// The model; where effects are taken one at a time, that of the first line.
    pub model: Answer<Model>,
    /// Adjusted means of the lots, in the order of `lots`.
    pub lot_means: Answer<Vec<LotMean>>,
    /// The effects, in the order of `lines`.
    pub effects: Vec<Effect>,
}

/// The level of a lot in a term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotMean {
    /// The lot.
    pub lot: String,
    /// Its mean, adjusted for tasters and sessions.
    pub mean: f64,
}

/// Answers the question.
#[must_use]
pub fn link(scores: &Scores, makings: &Makings, wish: &Wish, settings: &Settings) -> Link {
    let mut left_out = Vec::new();
    let picked = rows::pick(scores, makings, wish, false, &mut left_out);
    let Together { parameters, columns, together, associations, lines, adjusted, hidden } =
        columns::together(&picked, makings, wish, &mut left_out);
    let asked: Vec<&rows::TermRows> = picked
        .terms
        .iter()
        .filter(|t| {
            let wanted = wish.about.is_empty() || wish.about.contains(&t.scores.term.id);
            let line = matches!(t.scores.term.scale, ScaleKind::Line | ScaleKind::Ordered);
            if wanted && !line {
                left_out.push(LeftOut {
                    kind: "term".to_owned(),
                    name: t.scores.term.id.clone(),
                    reason: "ticks and categories have no mean that could rise with a parameter"
                        .to_owned(),
                    lots: Vec::new(),
                });
            }
            wanted && line
        })
        .collect();
    let design = effects::Design { picked: &picked, columns: &columns, lines: &lines };
    // With excluded scores left in, as long as the same lots have the same first tastings.
    let all = (!scores.exclusions().is_empty())
        .then(|| rows::pick(scores, makings, wish, true, &mut Vec::new()))
        .filter(|all| {
            let same = |a: &LinkedLot, b: &LinkedLot| a.lot == b.lot && a.session == b.session;
            all.lots.len() == picked.lots.len()
                && all.lots.iter().zip(&picked.lots).all(|(a, b)| same(a, b))
        });
    let how = effects::How { adjusted: &adjusted, settings, whole: true };
    let (mut terms, works): (Vec<LinkedTerm>, Vec<term_lots::TermWork>) = asked
        .par_iter()
        .with_max_len(1)
        .map(|t| {
            let (mut term, work) = effects::of_term(t, &design, how);
            let all = all
                .as_ref()
                .and_then(|all| all.terms.iter().find(|o| o.scores.term.id == term.term));
            effects::with_excluded(&mut term, all, &design, &adjusted, settings);
            (term, work)
        })
        .unzip();
    let at_once = adjusted.known() == Some(&Adjusted::Together);
    exchange::all(&mut terms, &works, &lines, at_once, settings);
    let n_curves = shape::discovery(&mut terms);
    let begun = wish.trial.as_ref().filter(|t| planned::begun(t, &picked.lots, makings));
    let n_asked = effects::discovery(&mut terms, &|term, line| {
        begun.is_some_and(|t| planned::about(t, term) && planned::holds(t, &lines[line]))
    });
    let planned = match begun {
        None if wish.trial.is_some() => {
            Answer::unknown("no batch of the trial has been tasted and linked yet")
        }
        Some(trial) => Answer::Known(planned::of(trial, &lines, &terms, &picked.lots, makings)),
        None => Answer::unknown("no trial is named"),
    };
    effects::marks(&mut terms, &|term, line| {
        let own = planned.known()?.contrasts.iter().find(|c| c.term == term && c.line == line)?;
        own.p_holm.known().copied()
    });
    let prediction =
        many::prediction(&terms, &picked, (&columns, &lines), (makings, &left_out), wish, settings);
    let tasters = scores.words("taster");
    let mut source = scores.source.clone();
    // Here each lot has one tasting and one age.
    source.notes.retain(|n| !n.ends_with(WHATEVER_AGE));
    let mut finding = Link {
        schema: "link/2".to_owned(),
        source,
        making: makings.source.clone(),
        settings: *settings,
        wish: wish.clone(),
        individual_opinions: !tasters.is_empty() && tasters.len() <= FEW_TASTERS,
        cautions: opinions(tasters.len()).into_iter().collect(),
        n_scores: terms.iter().map(|t| t.n_scores).sum(),
        lots: picked.lots,
        references: picked.references,
        tasters,
        sentences: Vec::new(),
        not_told_apart: Vec::new(),
        next: Vec::new(),
        parameters,
        associations,
        together,
        lines,
        adjusted,
        planned,
        n_asked,
        n_curves,
        terms,
        prediction,
        left_out,
        exclusions: exclusions(scores),
    };
    finding.sentences = sentences::of(&finding);
    finding.not_told_apart = sentences::not_told_apart(&finding);
    finding.next = sentences::next(&finding);
    let more = sentences::cautions(&finding, makings, &picked.notes, &hidden);
    finding.cautions.extend(more);
    finding
}

/// An interval from an estimate, its standard error and a quantile of t.
fn interval(value: f64, se: f64, t: f64) -> Answer<Estimate> {
    Estimate::of(value, value - t * se, value + t * se)
}

/// The names of lots by their places.
fn names_at(places: &[usize], lots: &[LinkedLot]) -> Vec<String> {
    places.iter().map(|p| lots[*p].lot.clone()).collect()
}
