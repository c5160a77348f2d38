//! What varied, what moved together with what, and therefore what can be asked.

use std::collections::BTreeMap;

use blindsteep_stats::links;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::associations::{self, Association};
use super::rows::Picked;
use super::{Adjusted, INFLATED, LEAST_DF, LeftOut, NEAR, Wish};
use crate::book::parameters::Role;
use crate::findings::{Answer, count, listed};
use crate::scores::{Made, MadeParameter, Makings, by_nature};

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

/// A column of numbers over the lots.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its name: the parameter's id, `id=category` or `id=yes`.
    pub id: String,
    /// The parameter.
    pub parameter: String,
    /// The unit.
    pub unit: Option<String>,
    /// One value a lot.
    pub values: Vec<f64>,
    /// For a category, the one it is compared with.
    pub against: Option<String>,
    /// Its values under other assumptions, with the assumption in words.
    pub variants: Vec<(String, Vec<f64>)>,
}

/// Two columns.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MovesTogether {
    /// One.
    pub a: String,
    /// The other.
    pub b: String,
    /// Pearson's correlation over the lots.
    pub r: f64,
    /// Spearman's.
    pub spearman: Answer<f64>,
    /// Two-sided p of Spearman's, counted over all orders of up to nine lots.
    pub spearman_p: Answer<f64>,
    /// Whether |r| reaches the level from which the two are not told apart.
    pub near: bool,
}

/// A column, or several that are not told apart.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Line {
    /// The column that stands for it.
    pub line: String,
    /// Its parameter.
    pub parameter: String,
    /// All its columns, that one first.
    pub members: Vec<Member>,
    /// Whether its columns are the same but for origin and unit.
    pub exact: Answer<bool>,
    /// The unit of the column that stands for it.
    pub unit: Answer<String>,
    /// For a category, the one it is compared with.
    pub against: Answer<String>,
    /// The least value made.
    pub min: f64,
    /// The largest value made.
    pub max: f64,
    /// Variance inflation among the lines that are asked.
    pub inflation: Answer<f64>,
    /// Lines that together explain it (or that it helps to explain): it is not told apart from them.
    pub not_told_from: Vec<String>,
    /// Whether it has effects of its own.
    pub has_effect: bool,
    /// Between what it varies: lots or sessions.
    pub varies_between: String,
    /// The share of its variance that lies between sessions, adjusted for their number.
    pub share_between_sessions: f64,
}

/// A column of a line.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Member {
    /// The column.
    pub column: String,
    /// Its correlation with the column that stands for the line.
    pub r: f64,
}

impl Line {
    /// The line with all that it is not told apart from, in words.
    #[must_use]
    pub fn words(&self) -> String {
        let own = self.own_words();
        match self.not_told_from.as_slice() {
            [] => own,
            others => format!("{own} (may be the work of {})", listed(others)),
        }
    }

    fn own_words(&self) -> String {
        if self.members.len() < 2 {
            return self.line.clone();
        }
        let names: Vec<String> = self
            .members
            .iter()
            .map(|m| {
                let way = if m.r < 0.0 { " the other way round" } else { "" };
                format!("{}{way}", m.column)
            })
            .collect();
        format!("{} (these lots cannot tell which)", names.join(" or "))
    }

    /// Whether it varies between sessions, hardly within them.
    #[must_use]
    pub fn between_sessions(&self) -> bool {
        self.varies_between == SESSIONS
    }
}

const SESSIONS: &str = "sessions";
const LOTS: &str = "lots";

/// What moves together.
pub struct Together {
    /// The parameters that varied.
    pub parameters: Vec<ParameterMade>,
    /// Their columns.
    pub columns: Vec<Column>,
    /// All pairs of columns.
    pub together: Vec<MovesTogether>,
    /// All pairs of parameters.
    pub associations: Vec<Association>,
    /// The lines that are asked.
    pub lines: Vec<Line>,
    /// Whether effects can be adjusted for one another.
    pub adjusted: Answer<Adjusted>,
    /// Columns that varied and were not asked.
    pub hidden: Vec<String>,
}

/// Works it out.
pub fn together(
    picked: &Picked,
    makings: &Makings,
    wish: &Wish,
    left_out: &mut Vec<LeftOut>,
) -> Together {
    let lots: Vec<&String> = picked.lots.iter().map(|l| &l.lot).collect();
    for n in &makings.not_taken {
        left_out.push(parameter_left_out(&n.id, n.reason.clone(), Vec::new()));
    }
    let (mut parameters, mut columns, mut varied) = (Vec::new(), Vec::new(), Vec::new());
    for p in &makings.parameters {
        match made(p, &lots) {
            Ok((parameter, own)) => {
                if !parameter.missing.is_empty() {
                    left_out.push(parameter_left_out(
                        &p.id,
                        "it is missing for some lots".to_owned(),
                        parameter.missing.clone(),
                    ));
                }
                varied.push(p);
                parameters.push(parameter);
                columns.extend(own);
            }
            Err(reason) => left_out.push(parameter_left_out(&p.id, reason, Vec::new())),
        }
    }
    let associations = associations::all(&varied, &lots);
    let values: Vec<&[f64]> = columns.iter().map(|c| c.values.as_slice()).collect();
    let together = pairs(&columns);
    let asked = |c: &Column| {
        wish.only.is_empty() || wish.only.contains(&c.parameter) || wish.only.contains(&c.id)
    };
    // Every column that varies is finite and not constant, so that groups cannot be refused.
    let groups = links::groups(&values, NEAR).unwrap_or_default();
    let mut hidden = Vec::new();
    let mut lines: Vec<Line> = Vec::new();
    for g in &groups {
        if g.members.iter().any(|m| asked(&columns[*m])) {
            lines.push(line(g, &columns, &picked.sessions));
        } else {
            hidden.extend(g.members.iter().map(|m| columns[*m].id.clone()));
        }
    }
    let adjusted = tell_apart(&mut lines, &columns, lots.len());
    for p in &mut parameters {
        p.used_for = used_for(p, &lines);
    }
    Together { parameters, columns, together, associations, lines, adjusted, hidden }
}

fn parameter_left_out(id: &str, reason: String, lots: Vec<String>) -> LeftOut {
    LeftOut { kind: "parameter".to_owned(), name: id.to_owned(), reason, lots }
}

/// What a parameter was used for.
fn used_for(p: &ParameterMade, lines: &[Line]) -> String {
    if !p.missing.is_empty() {
        return "what moves together only: it has gaps".to_owned();
    }
    let own: Vec<&Line> =
        lines.iter().filter(|l| l.members.iter().any(|m| p.columns.contains(&m.column))).collect();
    let Some(first) = own.first() else { return "not asked".to_owned() };
    if own.iter().all(|l| !l.has_effect) {
        return format!("no effect of its own: not told from {}", first.not_told_from.join(", "));
    }
    if own.iter().all(|l| l.parameter != p.parameter) {
        return format!("named with {}", first.line);
    }
    "an effect".to_owned()
}

/// A parameter over the lots, with its columns, none if it has gaps; or why it is not taken.
fn made(p: &MadeParameter, lots: &[&String]) -> Result<(ParameterMade, Vec<Column>), String> {
    let (mut found, mut missing) = (Vec::new(), Vec::new());
    for lot in lots {
        match p.values.get(*lot) {
            Some(v) => found.push(v),
            None => missing.push((*lot).clone()),
        }
    }
    if found.is_empty() {
        return Err("no lot that is linked has a value".to_owned());
    }
    let column = |id: String, values: Vec<f64>, against: Option<&String>| Column {
        id,
        parameter: p.id.clone(),
        unit: p.unit.clone().filter(|_| against.is_none()),
        values,
        against: against.cloned(),
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
            Err(format!("it never varied: {what} in every lot"))
        } else {
            let with = count(found.len(), "lot that has it", "lots that have it");
            Err(format!("it never varied: {what} in the {with}"))
        }
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

fn pairs(columns: &[Column]) -> Vec<MovesTogether> {
    let both: Vec<(&Column, &Column)> = columns
        .iter()
        .enumerate()
        .flat_map(|(i, a)| columns[i + 1..].iter().map(move |b| (a, b)))
        .collect();
    // Beside one another: all orders of nine lots are some 360 000 for each pair.
    both.into_par_iter()
        .filter_map(|(a, b)| {
            let r = links::pearson(&a.values, &b.values).ok()?;
            let ranks = Answer::of(links::spearman(&a.values, &b.values));
            Some(MovesTogether {
                a: a.id.clone(),
                b: b.id.clone(),
                r,
                spearman: ranks.as_ref().map(|s| s.rho),
                spearman_p: ranks.map(|s| s.p_value),
                near: r.abs() >= NEAR - 1e-12,
            })
        })
        .collect()
}

fn line(g: &links::Group, columns: &[Column], sessions: &[u32]) -> Line {
    let chosen = &columns[g.representative];
    let mut members = vec![Member { column: chosen.id.clone(), r: 1.0 }];
    for m in g.members.iter().filter(|m| **m != g.representative) {
        let r = links::pearson(&chosen.values, &columns[*m].values).unwrap_or(0.0);
        members.push(Member { column: columns[*m].id.clone(), r });
    }
    let between = between_sessions(&chosen.values, sessions);
    Line {
        line: chosen.id.clone(),
        parameter: chosen.parameter.clone(),
        exact: if members.len() > 1 {
            Answer::Known(g.exact)
        } else {
            Answer::unknown("it is one column")
        },
        members,
        unit: Answer::of(chosen.unit.clone().ok_or("it has no unit")),
        against: Answer::of(chosen.against.clone().ok_or("it is a number, not a category")),
        min: chosen.values.iter().copied().fold(f64::INFINITY, f64::min),
        max: chosen.values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        inflation: Answer::unknown("it is the only line"),
        not_told_from: Vec::new(),
        has_effect: true,
        varies_between: (if between >= NEAR { SESSIONS } else { LOTS }).to_owned(),
        share_between_sessions: between,
    }
}

/// The share of a column's variance that lies between sessions, adjusted for their number: from
/// [`NEAR`] on lots of one session tell next to nothing of it.
fn between_sessions(values: &[f64], sessions: &[u32]) -> f64 {
    let (n, k) = (values.len(), sessions.iter().max().map_or(0, |m| *m as usize + 1));
    if k < 2 {
        return 0.0;
    }
    if k >= n {
        return 1.0;
    }
    let indicators: Vec<Vec<f64>> = (0..k as u32)
        .map(|s| sessions.iter().map(|x| f64::from(u8::from(*x == s))).collect())
        .collect();
    let indicators: Vec<&[f64]> = indicators.iter().map(Vec::as_slice).collect();
    let r2 = links::explained_by(values, &indicators, 1.0).map_or(0.0, |found| found.1);
    (1.0 - (1.0 - r2) * (n - 1) as f64 / (n - k) as f64).max(0.0)
}

/// Takes from lines that the others explain their effects, and says whether what is left can be
/// asked together.
fn tell_apart(lines: &mut [Line], columns: &[Column], n_lots: usize) -> Answer<Adjusted> {
    if lines.is_empty() {
        return Answer::unknown("there is no parameter that varied and that was asked");
    }
    let values: Vec<&[f64]> = lines
        .iter()
        .filter_map(|l| columns.iter().find(|c| c.id == l.line))
        .map(|c| c.values.as_slice())
        .collect();
    let mut kept: Vec<usize> = (0..lines.len()).collect();
    let mut explained: Vec<(usize, Vec<usize>)> = Vec::new();
    let first = links::variance_inflation(&values).unwrap_or_default();
    loop {
        let own: Vec<&[f64]> = kept.iter().map(|i| values[*i]).collect();
        let inflation = links::variance_inflation(&own).unwrap_or_default();
        // Of equals the last goes, so that what was recorded first keeps its effect.
        let mut worst: Option<(usize, f64)> = None;
        for (place, v) in inflation.iter().enumerate() {
            if *v >= INFLATED && worst.is_none_or(|(_, w)| *v >= w * (1.0 - 1e-9)) {
                worst = Some((place, *v));
            }
        }
        let Some((place, _)) = worst else { break };
        let gone = kept.remove(place);
        let others: Vec<&[f64]> = kept.iter().map(|i| values[*i]).collect();
        let taken = links::explained_by(values[gone], &others, NEAR).map_or(vec![], |t| t.0);
        explained.push((gone, taken.into_iter().map(|t| kept[t]).collect()));
    }
    let left = n_lots as f64 - 1.0 - kept.len() as f64;
    if left < LEAST_DF && lines.len() > 1 {
        for l in lines.iter_mut() {
            l.inflation = Answer::unknown("effects are taken one at a time");
        }
        return Answer::Known(Adjusted::OneAtATime);
    }
    if lines.len() > 1 {
        for (l, v) in lines.iter_mut().zip(first) {
            l.inflation = if v.is_finite() {
                Answer::Known(v)
            } else {
                Answer::unknown("infinite: the other lines explain it wholly")
            };
        }
    }
    let names: Vec<String> = lines.iter().map(|l| l.line.clone()).collect();
    for (gone, with) in explained {
        lines[gone].has_effect = false;
        for w in with {
            lines[gone].not_told_from.push(names[w].clone());
            lines[w].not_told_from.push(names[gone].clone());
        }
    }
    Answer::Known(Adjusted::Together)
}

/// `a and b`, of the lines that a line is not told from.
pub fn others(line: &Line) -> Option<String> {
    (!line.not_told_from.is_empty()).then(|| listed(&line.not_told_from))
}
