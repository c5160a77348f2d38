//! What moves together, a parameter at a time: numbers with numbers, numbers with categories,
//! categories with categories.

use blindsteep_stats::{association, links};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::NEAR;
use crate::findings::Answer;
use crate::scores::{Made, MadeParameter};

/// Two parameters, over the lots that have both.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Association {
    /// One parameter.
    pub a: String,
    /// The other.
    pub b: String,
    /// How it is measured.
    pub measure: Measure,
    /// Lots that have both.
    pub n: usize,
    /// r from -1 to 1; the correlation ratio or Cramér's V from 0 to 1.
    pub value: f64,
    /// The correlation ratio or V less what luck alone gives; r has none to take off.
    pub adjusted: Answer<f64>,
    /// Spearman's correlation of ranks, of two numbers.
    pub spearman: Answer<f64>,
    /// p: of the ranks of two numbers, of F, of chi-square (rough where few lots share two
    /// categories).
    pub p_value: Answer<f64>,
    /// Whether the two are as near as what is not told apart.
    pub near: bool,
}

/// How closeness is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Measure {
    /// Pearson's r of two numbers.
    R,
    /// The correlation ratio of a number in categories (or of yes and no).
    Eta,
    /// Cramér's V of two categories.
    V,
}

/// A parameter over the lots, where it is known.
enum Values {
    Numbers(Vec<Option<f64>>),
    Words(Vec<Option<u32>>),
}

/// All pairs of parameters that varied, those with gaps over the lots that have both.
pub fn all(parameters: &[&MadeParameter], lots: &[&String]) -> Vec<Association> {
    let values: Vec<Values> = parameters.iter().map(|p| of(p, lots)).collect();
    let pairs: Vec<(usize, usize)> =
        (0..values.len()).flat_map(|i| (i + 1..values.len()).map(move |j| (i, j))).collect();
    pairs
        .into_par_iter()
        .filter_map(|(i, j)| {
            let (a, b) = (parameters[i].id.clone(), parameters[j].id.clone());
            match (&values[i], &values[j]) {
                (Values::Numbers(x), Values::Numbers(y)) => numbers(a, b, x, y),
                (Values::Numbers(x), Values::Words(w)) | (Values::Words(w), Values::Numbers(x)) => {
                    mixed(a, b, x, w)
                }
                (Values::Words(v), Values::Words(w)) => words(a, b, v, w),
            }
        })
        .collect()
}

fn of(p: &MadeParameter, lots: &[&String]) -> Values {
    let found: Vec<Option<&Made>> =
        lots.iter().map(|l| p.values.get(*l).map(|v| &v.value)).collect();
    let number = |v: &&Made| matches!(v, Made::Number(_));
    if found.iter().flatten().all(number) {
        return Values::Numbers(
            found
                .into_iter()
                .map(|v| match v {
                    Some(Made::Number(x)) => Some(*x),
                    _ => None,
                })
                .collect(),
        );
    }
    let mut known: Vec<String> = Vec::new();
    Values::Words(
        found
            .into_iter()
            .map(|v| {
                let word = super::parameters::word(v?);
                let at = known.iter().position(|k| *k == word).unwrap_or_else(|| {
                    known.push(word);
                    known.len() - 1
                });
                Some(at as u32)
            })
            .collect(),
    )
}

/// The values of lots that have both.
fn both<A: Copy, B: Copy>(x: &[Option<A>], y: &[Option<B>]) -> (Vec<A>, Vec<B>) {
    x.iter().zip(y).filter_map(|(a, b)| Some(((*a)?, (*b)?))).unzip()
}

const NOT_RANKS: &str = "one of the two is a category";

fn numbers(a: String, b: String, x: &[Option<f64>], y: &[Option<f64>]) -> Option<Association> {
    let (x, y) = both(x, y);
    let r = links::pearson(&x, &y).ok()?;
    let ranks = Answer::of(links::spearman(&x, &y));
    Some(Association {
        a,
        b,
        measure: Measure::R,
        n: x.len(),
        value: r,
        adjusted: Answer::unknown("luck pulls r neither up nor down"),
        spearman: ranks.as_ref().map(|s| s.rho),
        p_value: ranks.map(|s| s.p_value),
        near: r.abs() >= NEAR - 1e-12,
    })
}

fn mixed(a: String, b: String, x: &[Option<f64>], w: &[Option<u32>]) -> Option<Association> {
    let (x, w) = both(x, w);
    let found = association::correlation_ratio(&x, &w).ok()?;
    Some(Association {
        a,
        b,
        measure: Measure::Eta,
        n: x.len(),
        value: found.eta,
        adjusted: Answer::Known(found.adjusted),
        spearman: Answer::unknown(NOT_RANKS),
        p_value: Answer::of(found.p_value.ok_or("each lot has a category of its own")),
        near: found.adjusted >= NEAR - 1e-12,
    })
}

fn words(a: String, b: String, v: &[Option<u32>], w: &[Option<u32>]) -> Option<Association> {
    let (v, w) = both(v, w);
    let found = association::cramers_v(&v, &w).ok()?;
    Some(Association {
        a,
        b,
        measure: Measure::V,
        n: v.len(),
        value: found.v,
        adjusted: Answer::Known(found.adjusted),
        spearman: Answer::unknown(NOT_RANKS),
        p_value: Answer::Known(found.p_value),
        near: found.adjusted >= NEAR - 1e-12,
    })
}
