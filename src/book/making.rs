//! How a lot was made: what its own log says, what follows from that, and what it has from the
//! lots that it came of.

use super::book_file::Limits;
use super::derived::Got;
use super::ids;
use super::lots::{CameBy, How, Lot, LotValue, MAIN, PRESS_OFF, PRESS_ON};
use super::parameters::{Parameters, Role, Value};
use super::units;

/// One thing that is known of a lot's making.
#[derive(Debug, Clone, PartialEq)]
pub struct Made {
    /// The parameter's id. What is worked out and what the lot is (as categories) are named in
    /// [`OF_EACH_LOT`].
    pub parameter: String,
    /// The value, in `unit`.
    pub value: Value,
    /// The parameter's own unit.
    pub unit: Option<String>,
    /// Whether the maker sets it.
    pub role: Role,
    /// Measured, or estimated in any of what it follows from.
    pub how: How,
    /// What it was worked out from, in words.
    pub derived_from: Option<String>,
    /// The lot or lots whose own record says it, if it is not this lot's.
    pub inherited_from: Option<String>,
}

/// All that is known of a lot's making.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Making {
    /// What the lot is, then the logged values by their ids, then what follows from them.
    pub values: Vec<Made>,
    /// What could not be inherited, and why.
    pub notes: Vec<String>,
}

impl Making {
    /// The value of a parameter.
    #[must_use]
    pub fn value(&self, parameter: &str) -> Option<&Made> {
        self.values.iter().find(|v| ids::same(&v.parameter, parameter))
    }
}

const MASS_LOSS: &str = "derived.mass-loss";
const WITHER_MOISTURE: &str = "derived.wither-moisture";
const MOISTURE: &str = "derived.moisture";
const WITHER_LOSS: &str = "derived.wither-loss";
const WITHER_RATE: &str = "derived.wither-rate";
const WITHER_LOAD: &str = "derived.wither-load";
const PRESS_MINUTES: &str = "derived.press-minutes";
const PRESS_CYCLES: &str = "derived.press-cycles";
const OXIDATION_HOURS: &str = "derived.oxidation-hours";
/// The dose of oxidation, worked out of hours and temperature.
pub const OXIDATION_DOSE: &str = "derived.oxidation-dose";

/// What is known of a lot beside its log: what it is, and what is worked out.
pub const OF_EACH_LOT: [&str; 15] = [
    "lot.season",
    "lot.cultivar",
    "lot.class",
    "lot.plot",
    "lot.garden",
    MASS_LOSS,
    WITHER_LOSS,
    WITHER_RATE,
    WITHER_LOAD,
    WITHER_MOISTURE,
    MOISTURE,
    PRESS_MINUTES,
    PRESS_CYCLES,
    OXIDATION_HOURS,
    OXIDATION_DOSE,
];

/// The unit of a parameter of the book, or of what is worked out and set by the maker.
#[must_use]
pub fn unit_in(parameters: &Parameters, id: &str) -> Option<String> {
    let logged = parameters.parameter(id).and_then(|p| p.unit.clone());
    logged.or_else(|| unit_of(id).map(str::to_owned))
}

/// The unit of what is worked out and set by the maker.
#[must_use]
pub fn unit_of(id: &str) -> Option<&'static str> {
    match id {
        OXIDATION_HOURS => Some("h"),
        PRESS_MINUTES => Some("min"),
        WITHER_LOAD => Some("kg/m²"),
        _ => None,
    }
}

/// What each derived value follows from.
const SOURCES: [(&str, &[&str]); 10] = [
    (WITHER_LOSS, &["wither.mass-in", "wither.mass-out"]),
    (
        WITHER_RATE,
        &["wither.mass-in", "wither.mass-out", "wither.hours", "wither.start", "roll.start"],
    ),
    (WITHER_LOAD, &["wither.mass-in", "wither.area"]),
    (PRESS_MINUTES, &[PRESS_ON, PRESS_OFF, "roll.press-minutes"]),
    (PRESS_CYCLES, &[PRESS_ON, PRESS_OFF, "roll.press-cycles"]),
    (MASS_LOSS, &["pluck.mass", "wither.mass-in", "dry.mass-out"]),
    (WITHER_MOISTURE, &["wither.moisture", "pluck.moisture", "wither.mass-in", "wither.mass-out"]),
    (MOISTURE, &["dry.moisture", "pluck.moisture", "pluck.mass", "wither.mass-in", "dry.mass-out"]),
    (OXIDATION_HOURS, &["roll.start", "dry.start", "oxidise.hours", "roll.minutes"]),
    (
        OXIDATION_DOSE,
        &["roll.start", "dry.start", "oxidise.hours", "roll.minutes", "oxidise.temperature"],
    ),
];

/// What a second firing makes anew: the parent's is not the lot's.
const MADE_ANEW: [&str; 3] = ["dry.moisture", "dry.mass-out", MOISTURE];

/// The making of a lot: the latest value of each parameter of a step of making (everything but
/// storage and reserve), what the lot is, and what follows. What its own log does not say it
/// inherits from its parent, or from all its parents if they are alike in it.
#[must_use]
pub fn making(lot: &Lot, lots: &[Lot], limits: &Limits) -> Making {
    let mut making = of_sample(lot, MAIN, lots, limits, &mut Vec::new());
    let of_arms = |v: &&LotValue| v.arm.as_ref().is_some_and(|a| !ids::same(a, MAIN));
    let mut left_out: Vec<&str> = lot
        .values
        .iter()
        .filter(|v| is_making(&v.parameter))
        .filter(of_arms)
        .map(|v| v.parameter.as_str())
        .collect();
    left_out.sort_unstable();
    left_out.dedup();
    if !left_out.is_empty() {
        making.notes.push(format!(
            "logged for an arm alone and left out here: {}; what is done to an arm makes a new lot",
            left_out.join(", ")
        ));
    }
    making
}

fn is_making(parameter: &str) -> bool {
    !["store.", "reserve."].iter().any(|step| parameter.starts_with(step))
}

fn of_sample<'a>(
    lot: &'a Lot,
    arm: &str,
    lots: &'a [Lot],
    limits: &Limits,
    path: &mut Vec<&'a str>,
) -> Making {
    let (values, notes) = own(lot, arm, limits);
    let mut making = Making { values, notes };
    path.push(&lot.id);
    let parents: Vec<Source> = lot
        .file
        .value
        .parents
        .iter()
        .filter_map(|p| {
            let found = lots.iter().find(|l| ids::same(&l.id, &p.lot));
            // The record refuses circles; whoever asks before it was checked must not hang.
            let Some(found) = found.filter(|f| !path.contains(&f.id.as_str())) else {
                making.notes.push(format!("nothing is known of the parent {}", p.lot));
                return None;
            };
            let arm = p.arm.as_deref().unwrap_or(MAIN);
            let name = if arm == MAIN { found.id.clone() } else { format!("{}@{arm}", found.id) };
            Some(Source {
                name,
                lot: found.id.clone(),
                making: of_sample(found, arm, lots, limits, path),
            })
        })
        .collect();
    path.pop();
    for Source { name, making: of, .. } in &parents {
        making.notes.extend(of.notes.iter().map(|note| format!("{name}: {note}")));
    }
    if !parents.is_empty() && parents.len() == lot.file.value.parents.len() {
        inherit(lot, &mut making, &parents);
    }
    making.values.sort_by(|a, b| order(a).cmp(&order(b)));
    making
}

fn order(made: &Made) -> (u8, &str) {
    let group = match made.parameter.split_once('.') {
        Some(("lot", _)) => 0,
        Some(("derived", _)) => 2,
        _ => 1,
    };
    (group, &made.parameter)
}

/// What the lot's own record says of it and of one of its arms, and what follows.
fn own(lot: &Lot, arm: &str, limits: &Limits) -> (Vec<Made>, Vec<String>) {
    let mut values = said_of(lot, arm);
    let derived = lot.derived();
    let by_readings = derived.course.as_ref().and(derived.oxidation_c.as_ref());
    if let Some((got, (unit, role))) = by_readings.zip(lot.followed.temperature.as_ref())
        && let Some(mean) = units::convert(got.value, "°C", unit)
    {
        values.retain(|made| made.parameter != "oxidise.temperature");
        values.push(Made {
            parameter: "oxidise.temperature".to_owned(),
            value: Value::Number(mean),
            unit: Some(unit.clone()),
            role: *role,
            how: How::Measured,
            derived_from: None,
            inherited_from: None,
        });
    }
    let dose = derived.oxidation_dose(limits.q10);
    for (parameter, got, unit) in [
        (MASS_LOSS, derived.mass_loss_pct, Some("%")),
        (WITHER_LOSS, derived.wither_loss_pct, Some("%")),
        (WITHER_RATE, derived.wither_rate, Some("%/h")),
        (WITHER_LOAD, derived.wither_load, Some("kg/m²")),
        (WITHER_MOISTURE, derived.wither_moisture_pct, Some("%")),
        (MOISTURE, derived.moisture_pct, Some("%")),
        (PRESS_MINUTES, derived.press_minutes, Some("min")),
        (PRESS_CYCLES, derived.press_cycles, None),
        (OXIDATION_HOURS, derived.oxidation_hours, Some("h")),
        (OXIDATION_DOSE, dose, None),
    ] {
        values.extend(got.map(|got| worked_out(parameter, got, unit)));
    }
    (values, derived.notes)
}

/// What the record of the lot itself says of its making, without what follows or is inherited.
#[must_use]
pub fn recorded(lot: &Lot) -> Vec<Made> {
    said_of(lot, MAIN)
}

fn said_of(lot: &Lot, arm: &str) -> Vec<Made> {
    let file = &lot.file.value;
    let mut values: Vec<Made> = [
        ("lot.season", file.season.as_ref()),
        ("lot.cultivar", file.cultivar.as_ref()),
        ("lot.class", Some(&file.class)),
        ("lot.plot", file.plot.as_ref()),
        ("lot.garden", file.garden.as_ref()),
    ]
    .into_iter()
    .filter_map(|(parameter, text)| {
        Some(Made {
            parameter: parameter.to_owned(),
            value: Value::Category(text?.clone()),
            unit: None,
            role: Role::usual(parameter),
            how: How::Measured,
            derived_from: None,
            inherited_from: None,
        })
    })
    .collect();
    let of_sample =
        |v: &&LotValue| v.arm.as_ref().is_none_or(|a| ids::same(a, MAIN) || ids::same(a, arm));
    // By their moments, so that the latest takes the place of those before it.
    for v in lot.values.iter().filter(|v| is_making(&v.parameter)).filter(of_sample) {
        values.retain(|made| made.parameter != v.parameter);
        values.push(Made {
            parameter: v.parameter.clone(),
            value: v.value.clone(),
            unit: v.unit.clone(),
            role: v.role,
            how: v.how,
            derived_from: None,
            inherited_from: None,
        });
    }
    values
}

fn worked_out(parameter: &str, got: Got, unit: Option<&str>) -> Made {
    let assumption = "; how much warmth speeds oxidation up is an assumption (q10 in book.toml)";
    let assumed = if parameter == OXIDATION_DOSE { assumption } else { "" };
    Made {
        parameter: parameter.to_owned(),
        value: Value::Number(got.value),
        unit: unit.map(str::to_owned),
        role: Role::usual(parameter),
        how: if got.estimated { How::Estimated } else { How::Measured },
        derived_from: Some(format!("{}{assumed}", got.how)),
        inherited_from: None,
    }
}

/// What a parent hands on.
struct Source {
    /// The sample, as LOT or LOT@ARM.
    name: String,
    lot: String,
    making: Making,
}

/// Adds what the lot's own record does not say and its parents agree on.
fn inherit(lot: &Lot, making: &mut Making, parents: &[Source]) {
    let refired = lot.file.value.came_by == Some(CameBy::Refire);
    let own: Vec<String> = making.values.iter().map(|v| v.parameter.clone()).collect();
    let says = |parameter: &str| own.iter().any(|o| o == parameter);
    let mut asked: Vec<&str> =
        parents.iter().flat_map(|p| &p.making.values).map(|v| v.parameter.as_str()).collect();
    asked.sort_unstable();
    asked.dedup();
    let (mut anew, mut partly, mut unlike) = (Vec::new(), Vec::new(), Vec::new());
    for parameter in asked.into_iter().filter(|p| !says(p)) {
        if refired && MADE_ANEW.contains(&parameter) {
            anew.push(parameter);
            continue;
        }
        let sources = SOURCES.iter().find(|(p, _)| *p == parameter).map_or(&[][..], |(_, s)| *s);
        if sources.iter().any(|s| says(s) && !(refired && s.starts_with("dry."))) {
            partly.push(parameter);
            continue;
        }
        let found: Vec<Option<&Made>> = parents.iter().map(|p| p.making.value(parameter)).collect();
        if let Some(common) = alike(&found) {
            let mut from: Vec<&str> = Vec::new();
            for (parent, made) in parents.iter().zip(&found) {
                let source = made.and_then(|m| m.inherited_from.as_deref()).unwrap_or(&parent.lot);
                if !from.contains(&source) {
                    from.push(source);
                }
            }
            making.values.push(Made { inherited_from: Some(from.join(", ")), ..common });
        } else {
            let each: Vec<String> = parents
                .iter()
                .zip(&found)
                .map(|(Source { name, .. }, made)| {
                    format!("{name}: {}", made.map_or_else(|| "not said".to_owned(), said))
                })
                .collect();
            unlike.push(format!("{parameter} ({})", each.join("; ")));
        }
    }
    let mut note = |list: &[String], why: &str| {
        if !list.is_empty() {
            making.notes.push(format!("not inherited, {why}: {}", list.join(", ")));
        }
    };
    let texts = |list: Vec<&str>| list.into_iter().map(str::to_owned).collect::<Vec<_>>();
    note(&unlike, "since the parents are not alike in it");
    note(&texts(anew), "since the lot was fired again");
    note(
        &texts(partly),
        "since the lot's own log says a part of what it follows from, but not all",
    );
}

/// What all parents say, if they say the same.
fn alike(found: &[Option<&Made>]) -> Option<Made> {
    let all: Vec<&Made> = found.iter().copied().collect::<Option<_>>()?;
    let first = *all.first()?;
    if !all.iter().all(|m| same_value(&m.value, &first.value) && m.unit == first.unit) {
        return None;
    }
    let estimated = all.iter().any(|m| m.how == How::Estimated);
    Some(Made { how: if estimated { How::Estimated } else { first.how }, ..first.clone() })
}

/// Masses and hours that were converted may differ behind the twelfth digit.
fn same_value(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Number(a), Value::Number(b)) => (a - b).abs() <= 1e-9 * a.abs().max(b.abs()),
        _ => a == b,
    }
}

fn said(made: &Made) -> String {
    let value = made
        .value
        .number()
        .map_or_else(|| made.value.to_string(), |x| format!("{}", (x * 1e4).round() / 1e4));
    made.unit.as_ref().map_or_else(|| value.clone(), |unit| format!("{value} {unit}"))
}
