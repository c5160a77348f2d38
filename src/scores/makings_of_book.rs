//! How lots were made, from a book.

use std::collections::BTreeMap;

use super::makings::{Made, MadeParameter, MadeValue, Makings, NotTaken};
use crate::book::book_file::Limits;
use crate::book::ids;
use crate::book::lots::{CameBy, How, Lot};
use crate::book::making::making;
use crate::book::oxidation::{Q10_TRIED, q10_of_practice};
use crate::book::parameters::Value;
use crate::book::time::Day;
use crate::book::units;

/// The id of the dose, which rests on an assumption.
const DOSE: &str = "derived.oxidation-dose";

/// How the lots of a book were made. Masses, the area of the bed, moments and texts are not taken; a value that is
/// worked out and says in every lot what another one says as recorded is not taken twice. `start`
/// is the day from which the scores count their months.
#[must_use]
pub fn makings_of_book(lots: &[Lot], limits: &Limits, start: Day) -> Makings {
    let mut makings = Makings { source: "the lots' logs".to_owned(), ..Makings::default() };
    let mut refused: BTreeMap<String, &str> = BTreeMap::new();
    let mut how: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for lot in lots {
        let found = making(lot, lots, limits);
        makings.made.insert(lot.id.clone(), lot.made().months_since(start));
        let of_steps = found.values.iter().any(|v| !v.parameter.starts_with("lot."));
        if of_steps {
            makings.lots.push(lot.id.clone());
        }
        if let Some(whole) = whole(lot, lots) {
            makings.parts_of.insert(lot.id.clone(), whole);
        }
        if let Some(run) = run_of(lot, lots) {
            makings.trial_runs.insert(lot.id.clone(), run);
        }
        makings.notes.extend(found.notes.iter().map(|n| format!("{}: {n}.", lot.id)));
        for v in found.values {
            let mass = v.unit.as_deref().is_some_and(|u| units::convert(1.0, u, "kg").is_some());
            let value = match v.value {
                _ if mass => {
                    refused.insert(v.parameter, "a mass says how much was made, not how");
                    continue;
                }
                _ if v.parameter == "wither.area" => {
                    let why =
                        "an area says how much was made; how thick the leaf lay is worked out";
                    refused.insert(v.parameter, why);
                    continue;
                }
                Value::Moment(_) => {
                    refused.insert(v.parameter, "a moment is no amount; what follows from it is");
                    continue;
                }
                Value::Text(_) => {
                    refused.insert(v.parameter, "a text cannot be put in order");
                    continue;
                }
                Value::Number(x) => Made::Number(x),
                Value::Category(c) => Made::Category(c),
                Value::YesNo(b) => Made::YesNo(b),
            };
            if let Some(from) = v.derived_from {
                let known = how.entry(v.parameter.clone()).or_default();
                if !known.contains(&from) {
                    known.push(from);
                }
            }
            let p = makings.parameter(&v.parameter);
            p.unit = v.unit;
            p.role = v.role;
            let estimated = v.how == How::Estimated;
            p.values.insert(lot.id.clone(), MadeValue { value, estimated });
        }
    }
    makings.not_taken =
        refused.into_iter().map(|(id, why)| NotTaken { id, reason: why.to_owned() }).collect();
    for p in &mut makings.parameters {
        if let Some(ways) = how.get(&p.id) {
            p.derived_from = Some(derived(&p.id, ways, limits));
        }
    }
    if let Some(dose) = makings.parameters.iter_mut().find(|p| p.id == DOSE) {
        dose.variants = at_other_rates(dose, lots, limits);
    }
    without_twins(&mut makings);
    makings
}

/// The dose of the same lots under the other rates that are tried.
fn at_other_rates(
    dose: &MadeParameter,
    lots: &[Lot],
    limits: &Limits,
) -> Vec<(String, BTreeMap<String, f64>)> {
    Q10_TRIED
        .iter()
        .filter(|q10| **q10 != limits.q10)
        .map(|q10| {
            let limits = Limits { q10: *q10, ..limits.clone() };
            let values = lots
                .iter()
                .filter(|lot| dose.values.contains_key(&lot.id))
                .filter_map(|lot| {
                    let found = making(lot, lots, &limits);
                    Some((lot.id.clone(), found.value(DOSE)?.value.number()?))
                })
                .collect();
            (format!("q10 {q10}"), values)
        })
        .collect()
}

/// The lot that a part of a split was, before any split.
fn whole(lot: &Lot, lots: &[Lot]) -> Option<String> {
    let mut found = None;
    let mut next = lot;
    // A line of descent is no longer than there are lots.
    for _ in lots {
        let file = &next.file.value;
        let (Some(CameBy::Split), [parent]) = (file.came_by, file.parents.as_slice()) else {
            break;
        };
        let Some(before) = lots.iter().find(|l| ids::same(&l.id, &parent.lot)) else { break };
        found = Some(before.id.clone());
        next = before;
    }
    found
}

/// The trial and run of a lot; a part of a split is of the run that it all was made for.
fn run_of(lot: &Lot, lots: &[Lot]) -> Option<(String, u32)> {
    let of = |l: &Lot| l.file.value.trial.clone().zip(l.file.value.run);
    of(lot).or_else(|| {
        let whole = whole(lot, lots)?;
        of(lots.iter().find(|l| l.id == whole)?)
    })
}

fn derived(id: &str, ways: &[String], limits: &Limits) -> String {
    match ways {
        _ if id == DOSE => format!(
            "log2 of the hours over 3, each counted {} times as much for 10 °C above 25: that factor \
             is an assumption (q10 in book.toml); about 3 h near 40 °C and 6 to 8 h at 15 to 20 °C \
             come out alike by common practice (no source), which takes one of {:.1} to {:.1}",
            limits.q10,
            q10_of_practice().0,
            q10_of_practice().1
        ),
        [one] => one.clone(),
        _ => "worked out lot by lot, see `lot show`".to_owned(),
    }
}

/// Takes out what was worked out and says nothing but what was recorded.
fn without_twins(makings: &mut Makings) {
    let twin = |id: &str| {
        let own = makings.parameters.iter().find(|p| p.id == id)?;
        let same = |v: &MadeValue, w: &MadeValue| match (&v.value, &w.value) {
            (Made::Number(a), Made::Number(b)) => (a - b).abs() <= 1e-9 * a.abs().max(b.abs()),
            (a, b) => a == b,
        };
        makings.parameters.iter().filter(|p| p.derived_from.is_none()).find(|p| {
            p.unit == own.unit
                && own.values.iter().all(|(l, v)| p.values.get(l).is_some_and(|w| same(v, w)))
        })
    };
    let twins: Vec<NotTaken> = makings
        .parameters
        .iter()
        .filter(|p| p.derived_from.is_some())
        .filter_map(|p| {
            let reason = format!("in every lot it is {} as recorded", twin(&p.id)?.id);
            Some(NotTaken { id: p.id.clone(), reason })
        })
        .collect();
    makings.parameters.retain(|p| !twins.iter().any(|t| t.id == p.id));
    makings.not_taken.extend(twins);
}
