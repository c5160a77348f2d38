//! Tasters one by one, and tasters who answer again and again.

use blindsteep_stats::discrimination::repeated::{self, Answers};
use blindsteep_stats::discrimination::{self as stats, Sides};
use schemars::JsonSchema;
use serde::Serialize;

use crate::findings::{ALPHA, Answer, Estimate, Settings};

/// One taster.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OneTaster {
    /// Who.
    pub taster: String,
    /// Answers.
    pub n_answers: u64,
    /// Right ones; two-sided: those for the first sample.
    pub n_correct: u64,
    /// Chance of so many right by luck alone, this taster alone.
    pub p_value: Answer<f64>,
    /// The same adjusted over all tasters (Holm).
    pub p_holm: Answer<f64>,
}

/// Tasters who answered more than once: whether they are alike, and what that does to the limits.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RepeatedTasters {
    /// Tasters.
    pub n_tasters: usize,
    /// The mean share of answers in which a taster notices (two-sided: is for the first sample), by the
    /// beta-binomial model, with limits for tasters in general.
    pub share: Answer<Estimate>,
    /// How unlike tasters are: 0 all alike, 1 some always notice and the others never.
    pub overdispersion: f64,
    /// Chance of tasters as unlike as these where all are alike: right answers dealt anew.
    pub p_unlike: Answer<f64>,
    /// The same by the likelihood ratio; rough for few tasters.
    pub p_likelihood: f64,
    /// Whether they are shown to be unlike.
    pub unlike: bool,
}

/// Each taster's own test.
pub(super) fn each(all: &[(String, Answers)], chance: f64, sides: Sides) -> Vec<OneTaster> {
    let p: Vec<Answer<f64>> = all
        .iter()
        .map(|(_, a)| Answer::of(stats::p_value(a.correct, a.answers, chance, sides)))
        .collect();
    let known: Vec<f64> = p.iter().filter_map(|p| p.known().copied()).collect();
    let mut adjusted = blindsteep_stats::multiple::holm(&known).unwrap_or_default().into_iter();
    all.iter()
        .zip(p)
        .map(|((taster, a), p_value)| OneTaster {
            taster: taster.clone(),
            n_answers: a.answers,
            n_correct: a.correct,
            p_holm: p_value.clone().and_then(|_| {
                adjusted
                    .next()
                    .map_or_else(|| Answer::unknown("no p-value to adjust"), Answer::Known)
            }),
            p_value,
        })
        .collect()
}

/// The beta-binomial model of tasters who repeat.
pub(super) fn repeated(
    answers: &[Answers],
    chance: f64,
    settings: &Settings,
) -> Answer<RepeatedTasters> {
    if answers.len() < 2 {
        return Answer::unknown("one taster alone: nothing tells how tasters differ");
    }
    let fit = match repeated::beta_binomial(answers, chance, settings.level) {
        Ok(fit) => fit,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let p_unlike = match repeated::unlike_tasters(answers, settings.n_permutations, settings.seed) {
        Ok(Some(p)) => Answer::Known(p),
        Ok(None) => Answer::unknown("all answers are alike, so that there is nothing to deal anew"),
        Err(e) => Answer::unknown(e.to_string()),
    };
    Answer::Known(RepeatedTasters {
        n_tasters: answers.len(),
        share: match fit.mu_limits {
            Some((lower, upper)) => Estimate::of(fit.mu, lower, upper),
            None => Answer::unknown("one taster alone"),
        },
        overdispersion: fit.gamma,
        unlike: p_unlike.known().is_some_and(|p| *p <= ALPHA),
        p_unlike,
        p_likelihood: fit.p_overdispersion,
    })
}
