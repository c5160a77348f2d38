//! How much each parameter varied, and the columns that stand for it.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::columns::{Column, Line};
use crate::book::parameters::Role;
use crate::findings::Answer;
use crate::scores::{Made, MadeParameter, by_nature};

/// A parameter that varied.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ParameterMade {
    /// Its id.
    pub parameter: String,
    /// The unit of its numbers; none for categories and bare numbers.
    pub unit: Answer<String>,
    /// The least value made.
    pub min: Answer<f64>,
    /// The largest value made.
    pub max: Answer<f64>,
    /// Its categories with the lots of each, the first the one that others are compared with.
    pub categories: Answer<Vec<CategoryMade>>,
    /// The standard deviation of its numbers.
    pub sd: Answer<f64>,
    /// How many values apart there are.
    pub n_apart: usize,
    /// The usual range, for guidance.
    pub usual: Answer<[f64; 2]>,
    /// Lots outside it.
    pub n_unusual: usize,
    /// Lots with a value.
    pub n: usize,
    /// Lots without one.
    pub missing: Vec<String>,
    /// Of those with a value estimated, not measured.
    pub n_estimated: usize,
    /// Whether the maker sets it, weather gives it, or it follows from the others.
    pub role: Role,
    /// How it is worked out, if it is.
    pub derived_from: Answer<String>,
    /// The columns that stand for it; none if it has gaps.
    pub columns: Vec<String>,
    /// What it was used for, in words.
    pub used_for: String,
}

/// A category.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CategoryMade {
    /// Its name.
    pub category: String,
    /// Lots made so.
    pub n: usize,
}

/// What a parameter was used for.
pub fn used_for(p: &ParameterMade, lines: &[Line]) -> String {
    if !p.missing.is_empty() {
        return "looked at for what moves together only, since it has gaps".to_owned();
    }
    let own: Vec<&Line> =
        lines.iter().filter(|l| l.members.iter().any(|m| p.columns.contains(&m.column))).collect();
    let Some(first) = own.first() else { return "not asked".to_owned() };
    if own.iter().all(|l| !l.has_effect) {
        return format!(
            "without an effect of its own, not told from {}",
            first.not_told_from.join(", ")
        );
    }
    if own.iter().all(|l| l.parameter != p.parameter) {
        return format!("named with {}", first.line);
    }
    "asked for its effect".to_owned()
}

/// Why a parameter is not taken, with the lots for which.
type Refused = (String, Vec<String>);

/// A parameter over the lots, with its columns, none if it has gaps; or why it is not taken.
pub fn made(p: &MadeParameter, lots: &[&String]) -> Result<(ParameterMade, Vec<Column>), Refused> {
    let (mut found, mut missing) = (Vec::new(), Vec::new());
    for lot in lots {
        match p.values.get(*lot) {
            Some(v) => found.push(v),
            None => missing.push((*lot).clone()),
        }
    }
    if found.is_empty() {
        return Err(("no lot that is linked has a value".to_owned(), Vec::new()));
    }
    let column = |id: String, values: Vec<f64>, against: Option<&String>| Column {
        id,
        parameter: p.id.clone(),
        unit: p.unit.clone().filter(|_| against.is_none()),
        values,
        against: against.cloned(),
        role: p.role,
        variants: if against.is_none() { variants(p, lots) } else { Vec::new() },
    };
    let numbers: Option<Vec<f64>> = found
        .iter()
        .map(|v| match &v.value {
            Made::Number(x) => Some(*x),
            _ => None,
        })
        .collect();
    let never = |what: String| {
        if missing.is_empty() {
            return Err((format!("it never varied: {what} in every lot"), Vec::new()));
        }
        let why = format!("it never varied in the lots that have it: {what}; it is missing for");
        Err((why, missing.clone()))
    };
    let as_number = Answer::unknown("it is a number, not a category");
    let as_word = || Answer::unknown("it is a category, not a number");
    let (mut columns, min, max, sd, categories, n_apart);
    let (mut usual, mut n_unusual) = (Answer::unknown("no usual range is known"), 0);
    if let Some(values) = numbers {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // Values that differ in their last digit only did not vary.
        let reach = 1e-9 * low.abs().max(high.abs());
        if high - low <= reach {
            let unit = p.unit.as_deref().map_or_else(String::new, |u| format!(" {u}"));
            return never(format!("{low}{unit}"));
        }
        let mean = values.iter().map(|v| v - low).sum::<f64>() / values.len() as f64;
        let square: f64 = values.iter().map(|v| (v - low - mean).powi(2)).sum();
        sd = Answer::Known((square / (values.len() as f64 - 1.0)).sqrt());
        let mut sorted = values.clone();
        sorted.sort_by(f64::total_cmp);
        n_apart = 1 + sorted.windows(2).filter(|w| w[1] - w[0] > reach).count();
        if let Some([from, to]) = p.usual {
            n_unusual = values.iter().filter(|v| **v < from || **v > to).count();
            usual = Answer::Known([from, to]);
        }
        (min, max, categories) = (Answer::Known(low), Answer::Known(high), as_number);
        columns = vec![column(p.id.clone(), values, None)];
    } else {
        let words: Vec<String> = found.iter().map(|v| word(&v.value)).collect();
        let mut levels = words.clone();
        levels.sort_by(|a, b| by_nature(a, b));
        levels.dedup();
        if levels.len() < 2 {
            return never(levels.concat());
        }
        n_apart = levels.len();
        let mut counted: BTreeMap<&str, usize> = BTreeMap::new();
        words.iter().for_each(|w| *counted.entry(w).or_default() += 1);
        // The commonest is what others are compared with; of equals the first by name.
        let of = |l: &String| counted[l.as_str()];
        let most = levels.iter().map(of).max().unwrap_or(0);
        if let Some(at) = levels.iter().position(|l| of(l) == most) {
            levels[..=at].rotate_right(1);
        }
        let counted =
            levels.iter().map(|l| CategoryMade { category: l.clone(), n: counted[l.as_str()] });
        categories = Answer::Known(counted.collect());
        (min, max, sd) = (as_word(), as_word(), as_word());
        columns = levels
            .iter()
            .skip(1)
            .map(|l| {
                let values = words.iter().map(|w| f64::from(u8::from(w == l))).collect();
                column(format!("{}={l}", p.id), values, levels.first())
            })
            .collect();
    }
    if !missing.is_empty() {
        columns.clear();
    }
    let parameter = ParameterMade {
        parameter: p.id.clone(),
        unit: Answer::of(p.unit.clone().ok_or("it has no unit")),
        min,
        max,
        categories,
        sd,
        n_apart,
        usual,
        n_unusual,
        n: found.len(),
        missing,
        n_estimated: found.iter().filter(|v| v.estimated).count(),
        role: p.role,
        derived_from: Answer::of(p.derived_from.clone().ok_or("it is as recorded")),
        columns: columns.iter().map(|c: &Column| c.id.clone()).collect(),
        used_for: String::new(),
    };
    Ok((parameter, columns))
}

/// The values under other assumptions, where every lot has one.
fn variants(p: &MadeParameter, lots: &[&String]) -> Vec<(String, Vec<f64>)> {
    let of = |values: &BTreeMap<String, f64>| -> Option<Vec<f64>> {
        lots.iter().map(|l| values.get(*l).copied().filter(|v| v.is_finite())).collect()
    };
    p.variants.iter().filter_map(|(name, values)| Some((name.clone(), of(values)?))).collect()
}

/// A value as a word.
pub fn word(value: &Made) -> String {
    match value {
        Made::Number(x) => x.to_string(),
        Made::Category(c) => c.clone(),
        Made::YesNo(b) => (if *b { "yes" } else { "no" }).to_owned(),
    }
}
