//! What varied, what moved together with what, and therefore what can be asked.

use blindsteep_stats::{association, links};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::associations::{self, Association};
use super::parameters::{ParameterMade, made, used_for};
use super::rows::Picked;
use super::{Adjusted, INFLATED, LEAST_DF, LeftOut, NEAR, Wish};
use crate::book::parameters::Role;
use crate::findings::{Answer, listed};
use crate::scores::Makings;

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
    /// Whether the maker sets it.
    pub role: Role,
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
    /// Whether the maker sets it, weather gives it, or it follows from the others.
    pub role: Role,
}

impl Line {
    /// The columns that may be what did it: that which stands for the line, and the others but for
    /// those that follow from what was done.
    pub fn rivals(&self) -> impl Iterator<Item = &Member> {
        let own = |(i, m): &(usize, &Member)| *i == 0 || !self.is_of_it(m);
        self.members.iter().enumerate().filter(own).map(|x| x.1)
    }

    /// Outcomes of the same step that moved along with it.
    pub fn came_along(&self) -> impl Iterator<Item = &Member> {
        self.members.iter().skip(1).filter(|m| self.is_of_it(m))
    }

    /// Whether a column is an outcome of the step that stands for the line. An outcome of another
    /// step may be what did it.
    fn is_of_it(&self, m: &Member) -> bool {
        m.role == Role::Outcome && step(&m.column) == step(&self.parameter)
    }

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
        let names: Vec<String> = self
            .rivals()
            .map(|m| {
                let way = if m.r < 0.0 { " the other way round" } else { "" };
                format!("{}{way}", m.column)
            })
            .collect();
        let which = if names.len() > 1 { " (these lots cannot tell which)" } else { "" };
        let with = if self.came_along().next().is_some() { " and what came with it" } else { "" };
        format!("{}{which}{with}", names.join(" or "))
    }

    /// Whether it varies between sessions, hardly within them.
    #[must_use]
    pub fn between_sessions(&self) -> bool {
        self.varies_between == SESSIONS
    }
}

/// The step of making that a parameter belongs to.
fn step(parameter: &str) -> &str {
    let own = parameter.strip_prefix("derived.").unwrap_or(parameter);
    match own.split(['.', '-']).next().unwrap_or(own) {
        "press" => "roll",
        "oxidation" => "oxidise",
        step => step,
    }
}

/// What a category is compared with where not all its sisters stand in the model.
pub const OTHERS: &str = "all others";

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
            Err((reason, without)) => left_out.push(parameter_left_out(&p.id, reason, without)),
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
    compare(&mut lines, &columns, adjusted.known());
    for p in &mut parameters {
        p.used_for = used_for(p, &lines);
    }
    Together { parameters, columns, together, associations, lines, adjusted, hidden }
}

/// Of a category with three or more levels: compared with its base only where a column of each
/// other level has an effect of its own in the same model, else with all others.
fn compare(lines: &mut [Line], columns: &[Column], adjusted: Option<&Adjusted>) {
    let own: Vec<String> = lines.iter().filter(|l| l.has_effect).map(|l| l.line.clone()).collect();
    for line in lines.iter_mut().filter(|l| l.against.known().is_some()) {
        let sisters: Vec<&Column> = columns
            .iter()
            .filter(|c| c.parameter == line.parameter && c.against.is_some())
            .collect();
        let whole =
            adjusted == Some(&Adjusted::Together) && sisters.iter().all(|c| own.contains(&c.id));
        if sisters.len() > 1 && !whole {
            line.against = Answer::Known(OTHERS.to_owned());
        }
    }
}

fn parameter_left_out(id: &str, reason: String, lots: Vec<String>) -> LeftOut {
    LeftOut { kind: "parameter".to_owned(), name: id.to_owned(), reason, lots }
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

/// The column that stands for a group: the nearest to the others, but not what only followed from
/// the making while a step that was chosen moved as it did. A dose says more than the time in it.
fn stands_for(g: &links::Group, columns: &[Column]) -> usize {
    let middle = &columns[g.representative];
    if middle.role != Role::Outcome || middle.parameter.ends_with("dose") {
        return g.representative;
    }
    let near = |m: usize| links::pearson(&middle.values, &columns[m].values).map_or(0.0, f64::abs);
    let mut best: Option<(usize, f64)> = None;
    for m in g.members.iter().copied().filter(|m| columns[*m].role == Role::Chosen) {
        let r = near(m);
        if r >= NEAR - 1e-12 && best.is_none_or(|(_, b)| r > b + links::EXACT) {
            best = Some((m, r));
        }
    }
    best.map_or(g.representative, |b| b.0)
}

fn line(g: &links::Group, columns: &[Column], sessions: &[u32]) -> Line {
    let stands = stands_for(g, columns);
    let chosen = &columns[stands];
    let mut members = vec![Member { column: chosen.id.clone(), r: 1.0, role: chosen.role }];
    for m in g.members.iter().filter(|m| **m != stands) {
        let r = links::pearson(&chosen.values, &columns[*m].values).unwrap_or(0.0);
        members.push(Member { column: columns[*m].id.clone(), r, role: columns[*m].role });
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
    association::correlation_ratio(values, sessions).map_or(0.0, |found| found.adjusted.powi(2))
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
    let first = links::variance_inflation(&values).unwrap_or_default();
    let explained = drop_inflated(&values, &mut kept);
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

/// Takes from `kept` (places among `values`) one after the other those that the rest explain, until
/// none is inflated; returns each with those of the rest that explain it.
pub fn drop_inflated(values: &[&[f64]], kept: &mut Vec<usize>) -> Vec<(usize, Vec<usize>)> {
    let mut explained = Vec::new();
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
        let Some((place, _)) = worst else { return explained };
        let gone = kept.remove(place);
        let others: Vec<&[f64]> = kept.iter().map(|i| values[*i]).collect();
        let taken = links::explained_by(values[gone], &others, NEAR).map_or(vec![], |t| t.0);
        explained.push((gone, taken.into_iter().map(|t| kept[t]).collect()));
    }
}

/// `a and b`, of the lines that a line is not told from.
pub fn others(line: &Line) -> Option<String> {
    (!line.not_told_from.is_empty()).then(|| listed(&line.not_told_from))
}
