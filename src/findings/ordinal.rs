//! Ordered levels by a cumulative-link mixed model: are the lots equal, with nothing assumed about
//! how far levels lie apart?

use blindsteep_stats::dist::chi2_quantile_upper;
use blindsteep_stats::mixed::Factor;
use blindsteep_stats::ordinal::{
    self as stats, Integration, Link, OrdinalError, OrdinalFit, OrdinalLayout,
};
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{LOT, Panel};
use super::{ALPHA, Answer, Estimate, Settings, listed};
use crate::scores::{ScaleKind, TermScores};

/// A cumulative-link mixed model.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OrdinalModel {
    /// What is fixed and what random, in words.
    pub formula: String,
    /// Are the lots equal?
    pub lot_test: LikelihoodTest,
    /// Where one level passes into the next on the hidden scale (logistic, its own sd 1.8).
    pub thresholds: Vec<LevelThreshold>,
    /// The lots against the first, on that scale.
    pub lots: Vec<LotShift>,
    /// The random terms' standard deviations on that scale.
    pub sds: Vec<NamedSd>,
    /// The logarithm of the likelihood.
    pub log_likelihood: f64,
    /// How random effects were integrated out.
    pub method: String,
    /// Coverage of the intervals (estimate and normal quantiles of its standard error).
    pub level: f64,
}

/// A likelihood-ratio test.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LikelihoodTest {
    /// Twice the difference of the log-likelihoods.
    pub chi2: f64,
    /// Degrees of freedom.
    pub df: usize,
    /// Chance of a value at least as large where the lots are equal.
    pub p_value: f64,
    /// What luck alone passes in 5 of 100 large panels.
    pub by_luck: f64,
    /// How far that holds in small panels.
    pub note: String,
}

/// A threshold.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LevelThreshold {
    /// The highest level below it that was used.
    pub below: f64,
    /// The lowest level above it that was used.
    pub above: f64,
    /// Where it lies.
    pub at: Answer<Estimate>,
}

/// A lot against the first.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotShift {
    /// The lot.
    pub lot: String,
    /// The first lot.
    pub against: String,
    /// Logarithm of the ratio of odds of a higher level.
    pub shift: Answer<Estimate>,
}

/// A random term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NamedSd {
    /// Between what.
    pub name: String,
    /// Standard deviation.
    pub sd: f64,
}

/// Of 2,000 simulated panels each of six equal lots and 6 or 12 tasters, once or twice.
const NOTE: &str =
    "of simulated panels of 6 or 12 tasters with 6 equal lots, 5 to 7 of 100 gave p < 0.05";

/// Nodes where a single term is integrated out.
const NODES: usize = 15;

/// The ordered model of a term; its random terms and other fixed effects are those of `panel`.
pub(crate) fn of(
    t: &TermScores,
    panel: &Answer<Panel>,
    settings: &Settings,
) -> Answer<OrdinalModel> {
    if t.term.scale != ScaleKind::Ordered {
        return Answer::unknown("the model of ordered levels is for ordered terms");
    }
    let panel = match panel {
        Answer::Known(p) => p,
        Answer::Unknown(u) => return Answer::Unknown(u.clone()),
    };
    let Some(lots) = panel.fixed.terms.iter().find(|f| f.name == LOT) else {
        return Answer::unknown("the lots are not in the model");
    };
    if lots.n_columns < 2 {
        return Answer::unknown("there is one lot only, so there is nothing to tell apart");
    }
    let mut used = t.values.clone();
    used.sort_by(f64::total_cmp);
    used.dedup();
    let levels: Vec<u32> =
        t.values.iter().map(|v| used.partition_point(|u| u < v) as u32).collect();
    let random: Vec<Factor> = panel.random.iter().map(|r| r.factor.clone()).collect();
    let of_lots = lots.first..lots.first + lots.n_columns;
    let others: Vec<Vec<f64>> = (0..panel.fixed.columns.len())
        .filter(|c| !of_lots.contains(c))
        .map(|c| panel.fixed.columns[c].clone())
        .collect();
    // The thresholds stand for the first lot.
    let mut columns: Vec<Vec<f64>> = panel.fixed.columns[of_lots][1..].to_vec();
    let n_shifts = columns.len();
    columns.extend(others.iter().cloned());
    let fit = |columns: &[Vec<f64>]| {
        let layout = OrdinalLayout { levels: &levels, columns, random: &random, offset: &[] };
        stats::fit(&layout, Link::Logit, Integration::Quadrature { nodes: NODES })
    };
    let (larger, smaller) = match (fit(&columns), fit(&others)) {
        (Ok(larger), Ok(smaller)) => (larger, smaller),
        (Err(e), _) | (_, Err(e)) => return Answer::unknown(reason(&e, t, &used)),
    };
    let test = stats::likelihood_ratio(&larger, &smaller);
    let terms: Vec<String> = panel.random.iter().map(|r| r.name.clone()).collect();
    let random_words = if terms.is_empty() {
        "none random".to_owned()
    } else {
        format!("random: {}", listed(&terms))
    };
    Answer::Known(OrdinalModel {
        formula: format!(
            "cumulative logit; fixed: thresholds, lots{}; {random_words}",
            if others.is_empty() { "" } else { " and what else is fixed in the mixed model" }
        ),
        lot_test: LikelihoodTest {
            chi2: test.chi2,
            df: test.df,
            p_value: test.p_value,
            by_luck: chi2_quantile_upper(ALPHA, test.df as f64),
            note: NOTE.to_owned(),
        },
        thresholds: larger
            .thresholds
            .iter()
            .map(|c| LevelThreshold {
                below: used[c.below as usize],
                above: used[c.above as usize],
                at: with_error(c.value, c.se, settings.level),
            })
            .collect(),
        lots: t.lot.names[1..]
            .iter()
            .zip(larger.coefficients[..n_shifts].iter().zip(&larger.se))
            .map(|(lot, (value, se))| LotShift {
                lot: lot.clone(),
                against: t.lot.names[0].clone(),
                shift: with_error(*value, *se, settings.level),
            })
            .collect(),
        sds: terms
            .into_iter()
            .zip(&larger.sds)
            .map(|(name, sd)| NamedSd { name, sd: *sd })
            .collect(),
        log_likelihood: larger.log_likelihood,
        method: method(&larger),
        level: settings.level,
    })
}

fn with_error(value: f64, se: f64, level: f64) -> Answer<Estimate> {
    let z = blindsteep_stats::dist::normal_quantile_upper((1.0 - level) / 2.0);
    Estimate::of(value, value - z * se, value + z * se)
}

fn method(fit: &OrdinalFit) -> String {
    match fit.integration {
        None => "maximum likelihood".to_owned(),
        Some(Integration::Laplace) => "maximum likelihood by Laplace's approximation".to_owned(),
        Some(Integration::Quadrature { nodes }) => {
            format!("maximum likelihood by adaptive Gauss-Hermite quadrature, {nodes} nodes")
        }
    }
}

fn reason(e: &OrdinalError, t: &TermScores, used: &[f64]) -> String {
    match e {
        OrdinalError::OneLevel => {
            "only one level was used, so there is nothing to tell apart".to_owned()
        }
        OrdinalError::Separated { .. } => {
            let at_end = |end: Option<&f64>| -> Vec<String> {
                let all = |lot: usize| {
                    t.lot
                        .codes
                        .iter()
                        .zip(&t.values)
                        .all(|(l, v)| *l as usize != lot || Some(v) == end)
                };
                (0..t.lot.names.len()).filter(|l| all(*l)).map(|l| t.lot.names[l].clone()).collect()
            };
            let (low, high) = (at_end(used.first()), at_end(used.last()));
            let say = |lots: &[String], end: &str| match lots.len() {
                0 => None,
                n if n > 3 => Some(format!("{n} lots have the {end} level used and no other")),
                1 => Some(format!("{} has the {end} level used and no other", lots[0])),
                _ => Some(format!("{} have the {end} level used and no other", listed(lots))),
            };
            let parts: Vec<String> =
                [say(&low, "lowest"), say(&high, "highest")].into_iter().flatten().collect();
            if parts.is_empty() {
                "the levels part the lots completely, so that a distance between lots has no finite \
                 estimate"
                    .to_owned()
            } else {
                format!("{}: how far off it lies has no finite estimate", parts.join(" and "))
            }
        }
        OrdinalError::TooManyLevels { found, most } => format!(
            "{found} tasters, pots and flights are more than the {most} this model takes: ask it of one \
             session at a time"
        ),
        other => other.to_string(),
    }
}
