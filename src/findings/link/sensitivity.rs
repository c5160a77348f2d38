//! What an effect hangs on: one lot, another parameter beside it, an assumption.

use blindsteep_stats::links;
use blindsteep_stats::partial::Slope;
use schemars::JsonSchema;
use serde::Serialize;

use super::columns::{Column, Line};
use super::effects::{Design, EffectTest};
use super::lot_level::{LotLevel, Moved};
use super::term_lots::TermLots;
use crate::findings::{Answer, Estimate};

/// Columns whose |r| with a line reaches this are tried beside it.
pub const PLAUSIBLE: f64 = 0.5;

/// What happens to an effect when something is changed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Sensitivity {
    /// Without the lot that moves it most.
    pub without_lot: Answer<WithoutLot>,
    /// With each column that moves along with it put in, or taken out.
    pub partners: Vec<Partner>,
    /// Under other assumptions.
    pub assumptions: Vec<Assumption>,
    /// The least effect over the range made of all that was tried.
    pub least: f64,
    /// The largest.
    pub most: f64,
    /// What comes of it.
    pub verdict: Verdict,
    /// What it hangs on: lots, columns, assumptions that take its interval to 0.
    pub hangs_on: Vec<String>,
}

/// Whether an effect stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Its interval excludes 0 whatever was tried.
    Holds,
    /// Something that was tried takes its interval to 0.
    HangsOn,
    /// Its interval holds 0 to begin with.
    NotShown,
}

/// The effect when a lot is left out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct WithoutLot {
    /// The lot whose leaving changes it most.
    pub lot: String,
    /// The effect over the range made without it.
    pub over_range: Answer<Estimate>,
    /// The least effect when any one lot is left out.
    pub least: f64,
    /// The largest.
    pub most: f64,
    /// Lots without which its interval holds 0.
    pub needed: Vec<String>,
    /// Lots that alone tell the line from the others: without them there is no effect.
    pub alone: Vec<String>,
}

/// The effect with another column beside it, or without it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Partner {
    /// The column.
    pub column: String,
    /// Its correlation with the line over the lots.
    pub r: f64,
    /// Whether it was taken out of the model, not put in.
    pub taken_out: bool,
    /// The effect over the range made.
    pub over_range: Answer<Estimate>,
}

/// The effect under another assumption.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Assumption {
    /// The assumption.
    pub assumption: String,
    /// The effect over the range made, as it comes out then.
    pub over_range: Answer<Estimate>,
}

/// The line that is looked at.
pub struct Asked<'a> {
    /// Its place.
    pub tested: usize,
    /// The lines of the model.
    pub of: &'a [usize],
    /// The effect of one unit.
    pub unit: f64,
    /// Its interval over the range made.
    pub over_range: Estimate,
    /// Its test.
    pub test: EffectTest,
    /// The lots' slope.
    pub slope: &'a Slope,
    /// Coverage.
    pub level: f64,
}

/// Tries everything.
pub fn of(asked: &Asked<'_>, lots: &TermLots, design: &Design<'_>, at: &LotLevel) -> Sensitivity {
    let line = &design.lines[asked.tested];
    let range = line.max - line.min;
    let moved = Moved::from(asked.unit, asked.test, asked.slope, asked.level);
    let without_lot = without_lot(asked, lots, design, &moved, range);
    let partners = partners(asked, lots, design, at, &moved, range);
    let assumptions = assumptions(asked, lots, design, at, &moved);
    let shown = asked.over_range.excludes(0.0);
    let sign = asked.over_range.value.signum();
    let stands = |e: &Answer<Estimate>| {
        e.known().is_some_and(|e| e.excludes(0.0) && e.value.signum() == sign)
    };
    let mut hangs_on = Vec::new();
    if shown {
        if let Some(w) = without_lot.known() {
            hangs_on.extend(w.needed.iter().chain(&w.alone).cloned());
        }
        let fallen = partners.iter().filter(|p| !stands(&p.over_range));
        hangs_on.extend(fallen.map(|p| p.column.clone()));
        let fallen = assumptions.iter().filter(|a| !stands(&a.over_range));
        hangs_on.extend(fallen.map(|a| a.assumption.clone()));
    }
    let tried =
        partners.iter().map(|p| &p.over_range).chain(assumptions.iter().map(|a| &a.over_range));
    let mut all: Vec<f64> = tried.filter_map(|e| Some(e.known()?.value)).collect();
    all.push(asked.over_range.value);
    all.extend(without_lot.known().iter().flat_map(|w| [w.least, w.most]));
    Sensitivity {
        least: all.iter().copied().fold(f64::INFINITY, f64::min),
        most: all.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        verdict: match (shown, hangs_on.is_empty()) {
            (false, _) => Verdict::NotShown,
            (true, true) => Verdict::Holds,
            (true, false) => Verdict::HangsOn,
        },
        without_lot,
        partners,
        assumptions,
        hangs_on,
    }
}

fn without_lot(
    asked: &Asked<'_>,
    lots: &TermLots,
    design: &Design<'_>,
    moved: &Moved,
    range: f64,
) -> Answer<WithoutLot> {
    let name = |at: usize| design.picked.lots[lots.places[at]].lot.clone();
    let (mut alone, mut needed, mut worst) = (Vec::new(), Vec::new(), None::<(usize, f64)>);
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    let each = asked.slope.without_each();
    for (i, without) in each.iter().enumerate() {
        let Some(w) = without else {
            alone.push(name(i));
            continue;
        };
        let change = range * (w.estimate - asked.slope.estimate);
        let value = asked.over_range.value + change;
        (least, most) = (least.min(value), most.max(value));
        if worst.is_none_or(|(_, c)| change.abs() > c) {
            worst = Some((i, change.abs()));
        }
        // A lot is needed if the sign or the shown difference from 0 goes with it.
        if let Some(e) = moved.to((w.estimate, w.se, w.df), range).known()
            && (!e.excludes(0.0) || e.value.signum() != asked.over_range.value.signum())
        {
            needed.push(name(i));
        }
    }
    let Some((i, _)) = worst else {
        return Answer::unknown(
            "no lot can be left out: each alone tells the line from the others",
        );
    };
    let over_range = each[i].map_or_else(
        || Answer::unknown("it cannot be left out"),
        |w| moved.to((w.estimate, w.se, w.df), range),
    );
    Answer::Known(WithoutLot { lot: name(i), over_range, least, most, needed, alone })
}

/// Columns that move along with a line: those of the model are taken out, others put in.
fn partners(
    asked: &Asked<'_>,
    lots: &TermLots,
    design: &Design<'_>,
    at: &LotLevel,
    moved: &Moved,
    range: f64,
) -> Vec<Partner> {
    let line = &design.lines[asked.tested];
    let own =
        |c: &Column| c.parameter == line.parameter || line.members.iter().any(|m| m.column == c.id);
    let x = &lots.values[asked.tested];
    let mut found = Vec::new();
    for column in design.columns.iter().filter(|c| !own(c)) {
        let values = lots.column(column);
        let Ok(r) = links::pearson(x, &values) else { continue };
        if r.abs() < PLAUSIBLE {
            continue;
        }
        let of_line = |i: &usize| design.lines[*i].members.iter().any(|m| m.column == column.id);
        let in_model = asked.of.iter().find(|i| of_line(i));
        // Another column of a line that is in the model says nothing new.
        if in_model.is_some_and(|i| design.lines[*i].line != column.id) {
            continue;
        }
        let mut others: Vec<&[f64]> = asked
            .of
            .iter()
            .filter(|i| **i != asked.tested && Some(*i) != in_model)
            .map(|i| lots.values[*i].as_slice())
            .collect();
        if in_model.is_none() {
            others.push(&values);
        }
        let over_range = match at.slope(x, &others) {
            Ok(s) => moved.to((s.estimate, s.se, s.df), range),
            Err(_) => Answer::unknown("beside it nothing can be told of the line"),
        };
        let column = column.id.clone();
        found.push(Partner { column, r, taken_out: in_model.is_some(), over_range });
    }
    found
}

fn assumptions(
    asked: &Asked<'_>,
    lots: &TermLots,
    design: &Design<'_>,
    at: &LotLevel,
    moved: &Moved,
) -> Vec<Assumption> {
    let line: &Line = &design.lines[asked.tested];
    let Some(column) = design.columns.iter().find(|c| c.id == line.line) else { return Vec::new() };
    let others: Vec<&[f64]> = asked
        .of
        .iter()
        .filter(|i| **i != asked.tested)
        .map(|i| lots.values[*i].as_slice())
        .collect();
    column
        .variants
        .iter()
        .map(|(assumption, values)| {
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let own: Vec<f64> = lots.places.iter().map(|p| values[*p]).collect();
            let over_range = match at.slope(&own, &others) {
                Ok(s) => moved.in_other_unit((s.estimate, s.se, s.df), high - low),
                Err(_) => Answer::unknown("under it the line cannot be told from the others"),
            };
            Assumption { assumption: assumption.clone(), over_range }
        })
        .collect()
}
