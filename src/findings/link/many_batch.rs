//! A batch that is planned: what its cup would be.
//!
//! Only what is said of the batch predicts it: the model is made anew from the stated parameters, and
//! what is not stated is taken to come as it came in the lots. So its error, too, is that of knowing
//! no more.

use std::collections::BTreeMap;

use blindsteep_stats::pca::{self, Weighing};
use blindsteep_stats::pls::predict::predictor;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::columns::Column;
use super::many::{Asked, Fits, fits};
use super::{LeftOut, NEAR};
use crate::book::parameters::Role;
use crate::findings::{ALPHA, Answer, Estimate};
use crate::scores::{Made, MadeParameter, Makings, by_nature};

/// A value further outside the range made than this share of the range is refused.
const FAR: f64 = 0.5;
/// Two columns that moved together are parted by so many standard deviations.
const PARTED: f64 = 1.0;

/// A batch that is planned.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct Batch {
    /// What it is called.
    pub name: String,
    /// How it is to be made.
    pub settings: Vec<Setting>,
}

/// A parameter of a planned batch.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Setting {
    /// Its id.
    pub parameter: String,
    /// Its value.
    pub value: Stated,
}

/// A value, in the parameter's unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Stated {
    /// A number.
    Number(f64),
    /// A category, yes or no.
    Word(String),
}

/// What a planned batch's cup would be.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PlannedBatch {
    /// The batch.
    pub batch: Batch,
    /// The parameters that predict it.
    pub from: Vec<String>,
    /// Parameters that were stated and cannot be used, with the reason.
    pub not_used: Vec<NotUsed>,
    /// Parameters that vary, are chosen by the maker or given, and were not stated: taken as they
    /// came in the lots.
    pub not_stated: Vec<String>,
    /// Outcomes of making that were not stated, taken as they came.
    pub outcomes_not_stated: Vec<String>,
    /// What lies beyond what was made, in sentences: no interval counts it.
    pub beyond: Vec<String>,
    /// The cup.
    pub terms: Answer<Vec<PlannedTerm>>,
}

/// A parameter that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct NotUsed {
    /// Which.
    pub parameter: String,
    /// Why.
    pub reason: String,
}

/// A term of a planned batch.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PlannedTerm {
    /// The term.
    pub term: String,
    /// Whether the parameters say it: if it were the only term asked, they would predict it better
    /// than luck does in 1 of 20 (p of .05). Else it is the mean of all lots.
    pub by_parameters: bool,
    /// p of that, the term alone: which of two predictions is taken is no claim among many.
    pub p_value: f64,
    /// Components; 0 for the mean.
    pub components: usize,
    /// Q² of lots left out, with these parameters.
    pub q2: f64,
    /// The level of one lot made so, with its interval.
    pub level: Answer<Estimate>,
}

/// Reads a setting of a batch: the parameter is known and the value of its kind.
///
/// # Errors
/// What was found and what is expected, in words.
pub fn setting(makings: &Makings, parameter: &str, text: &str) -> Result<Setting, String> {
    let Some(p) = makings.parameters.iter().find(|p| p.id == parameter) else {
        return Err(match makings.not_taken.iter().find(|n| n.id == parameter) {
            Some(n) => format!("{parameter} is not taken: {}", n.reason),
            None => format!("there is no parameter {parameter}"),
        });
    };
    let words = words(p);
    let value = if words.is_empty() {
        let unit = p.unit.as_deref().map_or_else(String::new, |u| format!(" in {u}"));
        match text.trim().parse::<f64>() {
            Ok(x) if x.is_finite() => Stated::Number(x),
            _ => return Err(format!("{parameter} is a number{unit}, not {text:?}")),
        }
    } else {
        match words.iter().find(|w| *w == text.trim()) {
            Some(w) => Stated::Word(w.clone()),
            None => {
                return Err(format!(
                    "no lot was made with {parameter} {text:?}: it was {}",
                    words.join(", ")
                ));
            }
        }
    };
    Ok(Setting { parameter: parameter.to_owned(), value })
}

/// The categories that lots were made in; none if it is a number in all of them.
fn words(p: &MadeParameter) -> Vec<String> {
    if p.values.values().all(|v| matches!(v.value, Made::Number(_))) {
        return Vec::new();
    }
    let mut all: Vec<String> = p
        .values
        .values()
        .map(|v| match &v.value {
            Made::Number(x) => x.to_string(),
            Made::Category(c) => c.clone(),
            Made::YesNo(b) => (if *b { "yes" } else { "no" }).to_owned(),
        })
        .collect();
    all.sort_by(|a, b| by_nature(a, b));
    all.dedup();
    all
}

/// All planned batches. Those that state the same parameters share their models.
pub(super) fn all(
    asked: &Asked<'_>,
    makings: &Makings,
    left_out: &[LeftOut],
    batches: &[Batch],
) -> Vec<PlannedBatch> {
    let mut models: BTreeMap<Vec<usize>, Fits> = BTreeMap::new();
    batches
        .iter()
        .map(|batch| {
            let row = Row::of(asked, left_out, batch);
            let terms = match &row.refused {
                Some(why) => Answer::unknown(why),
                None => {
                    let own = only(asked, &row.used);
                    let fits = models.entry(row.used.clone()).or_insert_with(|| fits(&own));
                    Answer::Known(terms(&own, fits, &row.values))
                }
            };
            let stated = |id: &str| batch.settings.iter().any(|s| s.parameter == id);
            let mut not_stated = (Vec::new(), Vec::new());
            for c in &asked.columns {
                let role = makings
                    .parameters
                    .iter()
                    .find(|p| p.id == c.parameter)
                    .map_or(Role::Chosen, |p| p.role);
                let of = if role == Role::Outcome { &mut not_stated.1 } else { &mut not_stated.0 };
                if !stated(&c.parameter) && !of.contains(&c.parameter) {
                    of.push(c.parameter.clone());
                }
            }
            PlannedBatch {
                batch: batch.clone(),
                from: row.from,
                not_used: row.not_used,
                not_stated: not_stated.0,
                outcomes_not_stated: not_stated.1,
                beyond: row.beyond,
                terms,
            }
        })
        .collect()
}

fn only<'a>(asked: &Asked<'a>, used: &[usize]) -> Asked<'a> {
    Asked {
        means: asked.means.clone(),
        columns: used.iter().map(|j| asked.columns[*j]).collect(),
        sessions: asked.sessions,
        settings: asked.settings,
    }
}

fn terms(asked: &Asked<'_>, fits: &Fits, row: &[f64]) -> Vec<PlannedTerm> {
    fits.terms
        .par_iter()
        .map(|fit| {
            let m = &asked.means[fit.of];
            let values = fit.values(asked);
            let columns: Vec<&[f64]> = values.iter().map(Vec::as_slice).collect();
            let p_value = fit.luck.p_value();
            let by_parameters = p_value <= ALPHA && fit.luck.observed > 0.0;
            let components = if by_parameters { fit.components } else { 0 };
            let own: Vec<f64> = fit.used.iter().map(|j| row[*j]).collect();
            let level = predictor(&fit.x, &columns, &m.y, components)
                .and_then(|p| p.row(&own, asked.settings.level));
            PlannedTerm {
                term: m.term.to_owned(),
                by_parameters,
                p_value,
                components,
                q2: fit.luck.observed,
                level: Answer::of(level).and_then(|p| Estimate::of(p.value, p.lower, p.upper)),
            }
        })
        .collect()
}

/// A batch as a row of columns.
struct Row {
    used: Vec<usize>,
    values: Vec<f64>,
    from: Vec<String>,
    not_used: Vec<NotUsed>,
    beyond: Vec<String>,
    refused: Option<String>,
}

impl Row {
    fn of(asked: &Asked<'_>, left_out: &[LeftOut], batch: &Batch) -> Self {
        let mut row = Self {
            used: Vec::new(),
            values: Vec::new(),
            from: Vec::new(),
            not_used: Vec::new(),
            beyond: Vec::new(),
            refused: None,
        };
        for (j, c) in asked.columns.iter().enumerate() {
            let Some(s) = batch.settings.iter().find(|s| s.parameter == c.parameter) else {
                continue;
            };
            let value = match &s.value {
                Stated::Number(x) => *x,
                Stated::Word(w) => f64::from(u8::from(c.id == format!("{}={w}", c.parameter))),
            };
            if c.against.is_none() {
                row.range(c, value);
            }
            row.used.push(j);
            row.values.push(value);
            if !row.from.contains(&c.parameter) {
                row.from.push(c.parameter.clone());
            }
        }
        for s in &batch.settings {
            if row.from.contains(&s.parameter) {
                continue;
            }
            let why = left_out.iter().find(|l| l.kind == "parameter" && l.name == s.parameter);
            let reason = why.map_or_else(|| "it was not asked".to_owned(), |l| l.reason.clone());
            row.not_used.push(NotUsed { parameter: s.parameter.clone(), reason });
        }
        if row.used.is_empty() {
            row.refused = Some("none of the stated parameters can predict".to_owned());
        }
        row.parted(asked);
        row
    }

    fn range(&mut self, c: &Column, value: f64) {
        let low = c.values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = c.values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let plain = super::plain;
        let unit = c.unit.as_deref().map_or_else(String::new, |u| format!(" {u}"));
        let made =
            format!("{} {}{unit}, made were {} to {}", c.id, plain(value), plain(low), plain(high));
        let outside = (low - value).max(value - high);
        if outside > FAR * (high - low) {
            self.refused.get_or_insert(format!("{made}: too far beyond what was made"));
        } else if outside > 1e-9 * (high - low) {
            self.beyond.push(format!("{made}: beyond what was made"));
        }
    }

    /// Columns that moved together in all lots and that this batch parts, or a combination that lies
    /// further than any lot from what the lots have in common.
    fn parted(&mut self, asked: &Asked<'_>) {
        let own: Vec<(&Column, f64)> =
            self.used.iter().zip(&self.values).map(|(j, v)| (asked.columns[*j], *v)).collect();
        let before = self.beyond.len();
        for (i, (a, x)) in own.iter().enumerate() {
            for (b, y) in &own[i + 1..] {
                let Ok(r) = blindsteep_stats::links::pearson(&a.values, &b.values) else {
                    continue;
                };
                if r.abs() < NEAR - 1e-12 || a.parameter == b.parameter {
                    continue;
                }
                let apart = (standard(&a.values, *x) - r.signum() * standard(&b.values, *y)).abs();
                if apart > PARTED {
                    self.beyond.push(format!(
                        "{} and {} always moved together, and this batch parts them: which of them \
                         did it is not known",
                        a.id, b.id
                    ));
                }
            }
        }
        if self.beyond.len() == before && unlike(&own) {
            self.beyond.push(
                "no lot was made with such a combination: the model is carried further than it was \
                 tried"
                    .to_owned(),
            );
        }
    }
}

/// A value less the mean over the standard deviation (n - 1).
fn standard(values: &[f64], x: f64) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let ss: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (x - mean) / (ss / (n - 1.0)).sqrt()
}

/// Whether a row lies further from the principal components that hold 95 % of the variance than
/// half as far again as any of the lots.
fn unlike(own: &[(&Column, f64)]) -> bool {
    let n = own.first().map_or(0, |c| c.0.values.len());
    let cases: Vec<Vec<f64>> =
        (0..n).map(|i| own.iter().map(|(c, _)| c.values[i]).collect()).collect();
    let Ok(found) = pca::components(&cases, Weighing::Correlation) else { return false };
    let mut held = 0.0;
    let mut kept = 0;
    for share in &found.shares {
        if held >= 0.95 {
            break;
        }
        held += share;
        kept += 1;
    }
    let rest = |row: &[f64]| -> f64 {
        let z: Vec<f64> = row
            .iter()
            .zip(&found.centre)
            .zip(&found.scale)
            .map(|((v, c), s)| (v - c) / s)
            .collect();
        let scores: Vec<f64> =
            (0..kept).map(|k| z.iter().zip(&found.loadings).map(|(v, l)| v * l[k]).sum()).collect();
        z.iter()
            .zip(&found.loadings)
            .map(|(v, l)| {
                let fitted: f64 = scores.iter().zip(l).map(|(s, l)| s * l).sum();
                (v - fitted).powi(2)
            })
            .sum::<f64>()
            .sqrt()
    };
    let farthest = cases.iter().map(|c| rest(c)).fold(0.0_f64, f64::max);
    let row: Vec<f64> = own.iter().map(|o| o.1).collect();
    rest(&row) > 1.5 * farthest.max(0.2)
}
