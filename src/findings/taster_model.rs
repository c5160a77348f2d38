//! The taster model of a term: offsets, scale use and noise found together, and the lots' means
//! corrected for them, beside the means as scored.

use blindsteep_stats::tasters::{self as stats, NotEstimated};
use schemars::JsonSchema;
use serde::Serialize;

use super::habits::{Codes, answer};
use super::{Answer, Estimate};
use crate::scores::{ScaleKind, TermScores};

/// The taster model: score = taster's level + slope × lot + own view of the lot + noise.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TasterModel {
    /// What is estimated and how, in words.
    pub formula: String,
    /// One entry a taster.
    pub tasters: Vec<TasterInModel>,
    /// The panel's level: the mean of the tasters' levels at its middle lot.
    pub level: f64,
    /// Standard deviation of the lots, in points of the panel.
    pub lot_sd: f64,
    /// Standard deviation of lot × taster beside scale use.
    pub disagreement_sd: Answer<f64>,
    /// Share of the variance of a lot's weighted panel mean that is the lot's.
    pub reliability: f64,
    /// The lots as scored and corrected.
    pub lots: Vec<LotMeans>,
    /// Median standard error of a difference of two corrected lots.
    pub se_difference: f64,
    /// Degrees of freedom of the corrected lots' intervals.
    pub df: f64,
    /// Minus twice the log-likelihood.
    pub minus2_log_likelihood: f64,
    /// Steps of the search.
    pub iterations: usize,
    /// Whether the search came to rest.
    pub converged: bool,
    /// What to keep in mind.
    pub notes: Vec<String>,
}

/// A taster in the model.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TasterInModel {
    /// The taster.
    pub taster: String,
    /// Own level at the panel's middle lot less the mean of all tasters' levels, in points.
    pub offset: Answer<Estimate>,
    /// Points to one point of the panel; the slopes average 1.
    pub slope: Answer<Estimate>,
    /// Standard deviation of a score about the taster's own view of the lot.
    pub noise: Answer<Estimate>,
    /// Scores used.
    pub n_scores: usize,
    /// Lots of those.
    pub n_lots: usize,
}

/// A lot's mean as scored and corrected.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotMeans {
    /// The lot.
    pub lot: String,
    /// Mean of all its scores.
    pub raw: f64,
    /// Offsets and sessions taken off, every score weighing alike: in a complete table of one
    /// session the same as `raw`.
    pub adjusted: f64,
    /// Corrected for offsets, scale use and noise, on the panel's scale.
    pub corrected: f64,
    /// Corrected mean less the mean of all corrected lots; the interval holds disagreement and
    /// noise of the tasters, not what differs between pots.
    pub effect: Answer<Estimate>,
    /// Scores.
    pub n_scores: usize,
}

/// The taster model of a term, with codes that all terms share.
#[must_use]
pub fn of(t: &TermScores, codes: &Codes, level: f64) -> Answer<TasterModel> {
    if t.taster.is_none() {
        return Answer::unknown("the table does not say who scored");
    }
    if t.term.scale != ScaleKind::Line {
        return Answer::unknown("the taster model is made for scores on a line");
    }
    let found = match stats::joint_model(&codes.rows(t), level) {
        Ok(Ok(found)) => found,
        Ok(Err(why)) => return Answer::unknown(reason(why)),
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let mut notes = Vec::new();
    if !found.converged {
        notes.push(format!("The search had not come to rest after {} steps.", found.iterations));
    }
    if found.disagreement_sd.is_none() {
        notes.push(
            "One score a lot and taster: disagreement is part of the noise, whose intervals are then \
             too short (90 of 100 hold it)."
                .to_owned(),
        );
    }
    if t.session.as_ref().is_some_and(|s| s.names.len() > 1) && !found.sessions_adjusted {
        notes.push(
            "No chain of shared lots joins all sessions: corrected means hold the sessions' levels."
                .to_owned(),
        );
    }
    Answer::Known(TasterModel {
        formula:
            "score = own level + slope × lot in its session + own view of the lot + own noise; \
                  lots and views random, slopes average 1; maximum likelihood, intervals of \
                  offsets and slopes by leaving out one lot at a time"
                .to_owned(),
        tasters: found
            .tasters
            .iter()
            .map(|x| TasterInModel {
                taster: codes.taster(x.taster).to_owned(),
                offset: answer(&x.offset),
                slope: answer(&x.slope),
                noise: answer(&x.noise),
                n_scores: x.n_scores,
                n_lots: x.n_lots,
            })
            .collect(),
        level: found.level,
        lot_sd: found.lot_sd,
        disagreement_sd: found.disagreement_sd.map_or_else(
            || Answer::unknown("one score a lot and taster: it is part of the noise"),
            Answer::Known,
        ),
        reliability: found.reliability,
        lots: found
            .lots
            .iter()
            .map(|x| LotMeans {
                lot: codes.lot(x.lot).to_owned(),
                raw: x.raw,
                adjusted: x.adjusted,
                corrected: x.corrected,
                effect: Estimate::of(x.effect.value, x.effect.lower, x.effect.upper),
                n_scores: x.n_scores,
            })
            .collect(),
        se_difference: found.se_difference,
        df: found.df,
        minus2_log_likelihood: found.minus2_log_likelihood,
        iterations: found.iterations,
        converged: found.converged,
        notes,
    })
}

fn reason(why: NotEstimated) -> String {
    match why {
        NotEstimated::TooFewOthers => {
            "the taster model needs three tasters with three lots each".to_owned()
        }
        NotEstimated::TooFewLots => "the taster model needs four lots".to_owned(),
        NotEstimated::LotsAlike => {
            "the panel does not tell these lots apart well enough to show how widely each taster \
             uses the scale"
                .to_owned()
        }
        NotEstimated::NoVariation => {
            "the scores leave no noise: each taster's repeats are alike, or all follow one line"
                .to_owned()
        }
        other => other.to_string(),
    }
}
