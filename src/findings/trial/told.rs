//! What moved together before, and what will after.

use blindsteep_stats::{links, optimal};
use schemars::JsonSchema;
use serde::Serialize;

use super::chosen::Chosen;
use super::factors::{Aside, Asked, Why};
use super::power::Planned;
use super::{PanelTaken, Power};
use crate::book::trials::Level;
use crate::findings::Answer;

/// Two columns, before and after.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Moved {
    /// A column of a factor.
    pub a: String,
    /// Another, or one that is no factor.
    pub b: String,
    /// Why the other is no factor; none: it is one.
    pub aside: Answer<Why>,
    /// Their correlation over the lots made so far.
    pub before: Answer<f64>,
    /// With the batches; of what cannot be chosen at its mean under the same season.
    pub after: Answer<f64>,
}

/// A column of the model.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ColumnTold {
    /// The column.
    pub column: String,
    /// Its parameter.
    pub parameter: String,
    /// Its variance inflation before.
    pub inflation_before: Answer<f64>,
    /// And after.
    pub inflation_after: Answer<f64>,
    /// Others that its effect may be, before.
    pub may_be_before: Vec<String>,
    /// And after.
    pub may_be_after: Vec<String>,
    /// Half-width of the interval of its effect over its range before, by the panel's variances.
    pub half_width_before: Answer<f64>,
    /// And after.
    pub half_width_after: Answer<f64>,
    /// How often the difference asked about would be seen.
    pub power: Answer<Power>,
}

/// All of it.
pub struct Told {
    /// D-efficiency.
    pub d_efficiency: Answer<f64>,
    /// A-efficiency.
    pub a_efficiency: Answer<f64>,
    /// Pairs.
    pub together: Vec<Moved>,
    /// Columns.
    pub columns: Vec<ColumnTold>,
    /// Planned contrasts.
    pub contrasts: Answer<usize>,
    /// The panel.
    pub panel: Answer<PanelTaken>,
}

/// Works it out.
pub fn tell(asked: &Asked, chosen: &Chosen, planned: Planned) -> Told {
    let made: Vec<Vec<f64>> = asked.made.iter().map(|m| asked.row(m)).collect();
    let new: Vec<Vec<f64>> = chosen.levels.iter().map(|l| asked.row(l)).collect();
    let all: Vec<Vec<f64>> = made.iter().chain(&new).cloned().collect();
    let efficiency = optimal::efficiency(&all);
    let column =
        |rows: &[Vec<f64>], j: usize| -> Vec<f64> { rows.iter().map(|r| r[j + 1]).collect() };
    let p = asked.columns.len();
    let (before, after): (Vec<Vec<f64>>, Vec<Vec<f64>>) =
        (0..p).map(|j| (column(&made, j), column(&all, j))).unzip();
    let mut together = Vec::new();
    for i in 0..p {
        for j in i + 1..p {
            if asked.columns[i].factor == asked.columns[j].factor {
                continue;
            }
            together.push(Moved {
                a: asked.columns[i].id.clone(),
                b: asked.columns[j].id.clone(),
                aside: Answer::unknown("it is a factor"),
                before: r(&before[i], &before[j]),
                after: r(&after[i], &after[j]),
            });
        }
        for other in &asked.aside {
            let expected = expected(asked, other, &chosen.levels);
            together.push(Moved {
                a: asked.columns[i].id.clone(),
                b: other.id.clone(),
                aside: Answer::Known(other.why),
                before: r(&before[i], &other.values),
                after: expected.and_then(|new| {
                    let all: Vec<f64> = other.values.iter().copied().chain(new).collect();
                    r(&after[i], &all)
                }),
            });
        }
    }
    // Equal but for rounding: the order of the columns.
    let size = |m: &Moved| {
        let worst = m.before.known().or(m.after.known()).map_or(0.0, |r| r.abs());
        (worst * 1e9).round()
    };
    together.sort_by(|a, b| size(b).total_cmp(&size(a)));
    let (inflation_before, inflation_after) = (inflation(&before), inflation(&after));
    let columns = (0..p)
        .map(|j| ColumnTold {
            column: asked.columns[j].id.clone(),
            parameter: asked.factors[asked.columns[j].factor].parameter.clone(),
            inflation_before: inflation_before[j].clone(),
            inflation_after: inflation_after[j].clone(),
            may_be_before: planned
                .before
                .known()
                .map_or_else(Vec::new, |l| l.tellable.may_be[j].clone()),
            may_be_after: planned.after.tellable.may_be[j].clone(),
            half_width_before: planned.precise_before[j].clone(),
            half_width_after: planned.precise_after[j].clone(),
            power: planned.power[j].clone(),
        })
        .collect();
    Told {
        d_efficiency: Answer::of(efficiency.as_ref().map(|e| e.d)),
        a_efficiency: Answer::of(efficiency.as_ref().map(|e| e.a)),
        together,
        columns,
        contrasts: planned.contrasts,
        panel: planned.panel,
    }
}

/// What the new lots will have of a parameter that cannot be chosen: its mean under the same
/// season.
fn expected(asked: &Asked, aside: &Aside, levels: &[Vec<Level>]) -> Answer<Vec<f64>> {
    match aside.why {
        Why::Given => {}
        Why::Outcome => return Answer::unknown("it follows from the others"),
        Why::NotAsked => {
            return Answer::unknown(
                "nothing is planned for it: keep it as it usually is, and log it",
            );
        }
    }
    let mean = |keep: &dyn Fn(usize) -> bool| {
        let own: Vec<f64> =
            (0..aside.values.len()).filter(|i| keep(*i)).map(|i| aside.values[i]).collect();
        (!own.is_empty()).then(|| own.iter().sum::<f64>() / own.len() as f64)
    };
    let all = levels
        .iter()
        .map(|batch| {
            asked
                .season()
                .and_then(|f| mean(&|i| asked.made[i][f].same(&batch[f])))
                .or_else(|| mean(&|_| true))
        })
        .collect::<Option<Vec<f64>>>();
    Answer::of(all.ok_or("no lot made so far says how it comes"))
}

fn r(a: &[f64], b: &[f64]) -> Answer<f64> {
    if a.is_empty() {
        return Answer::unknown("no lots were made before");
    }
    Answer::of(links::pearson(a, b).map_err(|_| "one of the two does not vary"))
}

fn inflation(columns: &[Vec<f64>]) -> Vec<Answer<f64>> {
    let varies = |c: &Vec<f64>| c.iter().any(|v| (v - c[0]).abs() > 1e-12);
    let place: Vec<usize> = (0..columns.len()).filter(|j| varies(&columns[*j])).collect();
    let own: Vec<&[f64]> = place.iter().map(|j| columns[*j].as_slice()).collect();
    let found = links::variance_inflation(&own).unwrap_or_default();
    (0..columns.len())
        .map(|j| match place.iter().position(|p| *p == j).and_then(|p| found.get(p)) {
            Some(v) if v.is_finite() => Answer::Known(*v),
            Some(_) => Answer::unknown("infinite: the other columns explain it wholly"),
            None if columns[j].is_empty() => Answer::unknown("no lots were made before"),
            None => Answer::unknown("it does not vary"),
        })
        .collect()
}
