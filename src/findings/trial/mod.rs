//! What to make next: the batches that best tell apart what the lots made so far cannot, or a
//! trial from nothing; and how well a difference would be seen afterwards.
//!
//! Factors that always moved together are factors of their own here: that is the point. What cannot
//! be chosen is no factor; how it moves with the factors is said.

mod chosen;
mod factors;
mod file;
mod fractions;
mod layout;
mod levels;
mod panel;
mod power;
mod sentences;
mod shown;
mod told;

use schemars::JsonSchema;
use serde::Serialize;
use thiserror::Error;

use super::link::LeftOut;
use super::{Answer, Estimate, Settings, VariancePart};
use crate::book::parameters::Parameters;
use crate::book::trials::{Level, MadeBy};
use crate::scores::{Makings, Scores, Source};

pub use chosen::Batch;
pub use factors::{Asked, TrialFactor, WishedFactor, WishedLevels};
pub use fractions::{AliasLine, FractionTold};
pub use shown::{RunMade, SettingMade, TrialMade, shown};
pub use told::{ColumnTold, Moved};

/// Panels that are simulated where nothing else is asked for.
pub const SIMULATIONS: usize = 200;
/// The most batches of one trial.
pub const MOST_BATCHES: usize = 100;

/// What is asked.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Wish {
    /// How many batches.
    pub batches: usize,
    /// Whether they stand alone, without the lots made so far.
    pub fresh: bool,
    /// The factors; none: every parameter that the maker chooses, that varied and is known for all lots.
    pub factors: Vec<WishedFactor>,
    /// Samples that stayed the same and join the sessions, beside those the sessions know.
    pub references: Vec<String>,
    /// Parameters that cannot be chosen, beside those the book says so of.
    pub given: Vec<String>,
    /// Settings that cannot stand together: batches in which all of one list hold are never proposed.
    pub never: Vec<Vec<(String, String)>>,
    /// The most batches of one day.
    pub a_day: usize,
    /// Tasters; none: as many as have scored.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tasters: Option<usize>,
    /// Pots in which each new lot is served; none: as many as most lots were.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pots: Option<usize>,
    /// The difference to be seen, in points over a factor's range.
    pub see: f64,
    /// The term whose variances are taken; none: the term in the middle, half of the others vary more
    /// by chance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub about: Option<String>,
    /// The terms that the trial is about: `link` asks these for it, and no others; none: all.
    pub terms: Vec<String>,
    /// Whether numbers may bend: three levels and a square.
    pub curved: bool,
    /// Standard deviations by name, where no scores say them.
    pub sds: Vec<(String, f64)>,
    /// Simulated panels; none: as many as are usual, fewer where tables are large.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub simulations: Option<usize>,
}

impl Default for Wish {
    fn default() -> Self {
        Self {
            batches: 4,
            fresh: false,
            factors: Vec::new(),
            references: Vec::new(),
            given: Vec::new(),
            never: Vec::new(),
            a_day: 4,
            tasters: None,
            pots: None,
            see: 1.0,
            about: None,
            terms: Vec::new(),
            curved: false,
            sds: Vec::new(),
            simulations: None,
        }
    }
}

/// Why there is no proposal: what was found, what was expected, how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{found}\n  expected: {expected}\n  to mend:  {mend}")]
pub struct TrialError {
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

impl TrialError {
    fn new(found: impl Into<String>, expected: impl Into<String>, mend: impl Into<String>) -> Self {
        Self { found: found.into(), expected: expected.into(), mend: mend.into() }
    }
}

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Trial {
    /// "trial/1".
    pub schema: String,
    /// Where the scores come from.
    pub source: Answer<Source>,
    /// Where the making comes from.
    pub making: Answer<String>,
    /// How the analysis was made.
    pub settings: Settings,
    /// What was asked.
    pub wish: Wish,
    /// The lots made so far that it builds upon.
    pub lots: Vec<String>,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// What is varied.
    pub factors: Vec<TrialFactor>,
    /// What cannot be chosen and is to be measured.
    pub given: Vec<String>,
    /// How the batches were chosen.
    pub made_by: MadeBy,
    /// The batches in the order in which they are to be made.
    pub batches: Vec<Batch>,
    /// All combinations of levels that were allowed.
    pub n_combinations: usize,
    /// Of the starts of the search, how many ended at a design as good.
    pub starts_agreeing: Answer<usize>,
    /// D-efficiency of lots and batches together, columns from -1 to 1, in percent.
    pub d_efficiency: Answer<f64>,
    /// A-efficiency, likewise.
    pub a_efficiency: Answer<f64>,
    /// Aliases of a classical fraction.
    pub fraction: Answer<FractionTold>,
    /// Pairs that moved together, before and after, the worst first.
    pub together: Vec<Moved>,
    /// Column by column: inflation, precision, power.
    pub columns: Vec<ColumnTold>,
    /// Contrasts of factors and terms that `link` will ask for this trial, corrected by Holm.
    pub contrasts: Answer<usize>,
    /// The panel whose variances were taken.
    pub panel: Answer<PanelTaken>,
    /// What was left out, with the reason.
    pub left_out: Vec<LeftOut>,
}

/// The panel that is simulated.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PanelTaken {
    /// The term whose variances are taken.
    pub term: Answer<String>,
    /// The variances.
    pub components: Vec<VariancePart>,
    /// Tasters.
    pub tasters: usize,
    /// Pots of each new lot.
    pub pots: usize,
    /// Sessions in which the new lots are tasted.
    pub new_sessions: usize,
    /// Simulated panels.
    pub simulations: usize,
    /// Of these, fits that failed; they count as not seen.
    pub failed: usize,
}

/// How often a difference was seen among simulated panels.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Power {
    /// The share, with its interval (Clopper and Pearson).
    pub share: Estimate,
    /// Panels in which it was: p below 0.05 in its own test.
    pub seen: usize,
    /// Panels simulated.
    pub of: usize,
    /// The share of panels in which p was below 0.05 divided by the number of planned contrasts, as
    /// Holm's first step asks: so it is shown among them whatever the others are.
    pub first: Answer<Estimate>,
    /// The half-width of the interval in the middle of these panels.
    pub half_width: f64,
}

/// Plans a trial.
///
/// `scores` and `makings` are those of the lots made so far, as `link` takes them; `parameters` what
/// the book knows of parameters.
///
/// # Errors
/// If what is asked cannot be had, with how to mend it.
pub fn trial(
    scores: Option<&Scores>,
    makings: Option<&Makings>,
    parameters: Option<&Parameters>,
    wish: &Wish,
    settings: &Settings,
) -> Result<Trial, TrialError> {
    factors::check_wish(wish)?;
    let mut left_out = Vec::new();
    let asked = factors::factors(scores, makings, parameters, wish, &mut left_out)?;
    let chosen = chosen::choose(&asked, wish, settings)?;
    let panel = panel::panel(scores, makings, parameters, &asked, wish)?;
    let planned = power::plan(&asked, &chosen, panel.as_ref(), wish, settings);
    let told = told::tell(&asked, &chosen, planned);
    let mut finding = Trial {
        schema: "trial/1".to_owned(),
        source: Answer::of(scores.map(|s| s.source.clone()).ok_or("no scores were given")),
        making: Answer::of(
            makings.map(|m| m.source.clone()).ok_or("no lots made so far were given"),
        ),
        settings: *settings,
        wish: wish.clone(),
        lots: asked.lots.clone(),
        sentences: Vec::new(),
        cautions: Vec::new(),
        factors: asked.factors.clone(),
        given: asked.given_ids(),
        made_by: chosen.made_by,
        batches: chosen.batches.clone(),
        n_combinations: chosen.n_combinations,
        starts_agreeing: chosen.starts_agreeing.clone(),
        d_efficiency: told.d_efficiency,
        a_efficiency: told.a_efficiency,
        fraction: chosen.fraction.clone(),
        together: told.together,
        columns: told.columns,
        contrasts: told.contrasts,
        panel: told.panel,
        left_out,
    };
    finding.sentences = sentences::of(&finding);
    finding.cautions = sentences::cautions(&finding, &asked, &chosen);
    Ok(finding)
}

/// The value of a level for a model: a number as it is, else none.
fn number(level: &Level) -> Option<f64> {
    match level {
        Level::Number(x) => Some(*x),
        _ => None,
    }
}
