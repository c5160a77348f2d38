//! What the book knows of a sample: what it is, how it was made and stored, how its cups were brewed.

use schemars::JsonSchema;
use serde::Serialize;

use super::subject::Subject;
use super::{Record, labelled};
use crate::book::family;
use crate::book::ids;
use crate::book::labels::Labels;
use crate::book::lots::{CameBy, How, Lot};
use crate::book::making;
use crate::book::parameters::{Parameter, ParameterKind, QUARANTINE, Value, WATER_ACTIVITY};
use crate::book::time::Day;
use crate::book::units;
use crate::findings::Answer;
use crate::session::Revealed;

/// What a sample is.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Identity {
    /// The lot.
    pub lot: String,
    /// The arm, if the lot was split.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arm: Option<String>,
    /// The day of that split.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arm_since: Option<Day>,
    /// The class of tea.
    pub class: String,
    /// The cultivar.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cultivar: Option<String>,
    /// The season or flush.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub season: Option<String>,
    /// The garden.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub garden: Option<String>,
    /// The plot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plot: Option<String>,
    /// The days of picking.
    pub picked: Vec<Day>,
    /// The day on which drying ended.
    pub made: Day,
    /// Kilograms made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kg: Option<f64>,
    /// What it came of, if not straight from the leaf: without the names of those lots.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub descent: Option<Descent>,
}

/// What a lot came of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Descent {
    /// "blend", "split", "refire" or "not said".
    pub by: String,
    /// Lots that it came of.
    pub n_lots: usize,
}

/// Something of its making.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Made {
    /// The parameter, step.name.
    pub parameter: String,
    /// What it is called, by language; none for what the program worked out itself.
    pub labels: Labels,
    /// The value.
    pub value: MadeValue,
    /// Its unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Whether it, or anything that it was worked out from, is an estimate.
    pub estimated: bool,
    /// Whether it is known from the lot or lots that it came of.
    pub inherited: bool,
}

/// A value of making.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MadeValue {
    /// A number.
    Number(f64),
    /// A category or a text, by language.
    Words(Labels),
    /// Yes or no.
    YesNo(bool),
}

/// Water in the leaf.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Moisture {
    /// Percent, wet basis.
    pub percent: f64,
    /// The day on which it was measured; none: it was worked out from masses.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub day: Option<Day>,
    /// Whether it is an estimate.
    pub estimated: bool,
    /// From here on the book warns.
    pub warning_from: f64,
    /// Whether it is to be warned of.
    pub too_moist: bool,
}

/// How a sample is stored.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Stored {
    /// What was logged last of each condition.
    pub conditions: Vec<Conditions>,
}

/// A condition of storage.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Conditions {
    /// What it is.
    #[serde(flatten)]
    pub what: Made,
    /// The day from which it was logged.
    pub since: Day,
}

/// How the cups were brewed: the recipe as it stood when the session was planned.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Brewing {
    /// What the recipe is called, by language.
    pub labels: Labels,
    /// Leaf in grams.
    pub leaf_g: f64,
    /// Water in millilitres.
    pub water_ml: f64,
    /// Temperature of the water as it is poured.
    pub water_c: f64,
    /// Seconds of a rinse that is thrown away.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rinse_s: Option<u32>,
    /// Seconds of each steep.
    pub steeps_s: Vec<u32>,
    /// The vessel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vessel: Option<String>,
    /// The vessel in other languages.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub vessel_labels: Labels,
    /// The source of the water.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub water: Option<String>,
    /// The water in other languages.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub water_labels: Labels,
}

/// Keeps names out: a free text that holds the id of another lot, or a taster's id or name, is not taken up.
#[derive(Debug)]
pub(super) struct Shy<'a> {
    names: Vec<String>,
    withheld: &'a mut Vec<String>,
}

impl<'a> Shy<'a> {
    pub(super) fn of(lot: &Lot, record: &Record<'_>, withheld: &'a mut Vec<String>) -> Self {
        let lots = record.lots.iter().filter(|l| !ids::same(&l.id, &lot.id)).map(|l| l.id.as_str());
        let tasters = record
            .tasters
            .tasters
            .iter()
            .flat_map(|t| std::iter::once(t.id.as_str()).chain(t.name.as_deref()));
        // A bare number of one or two digits is in too many texts to be anybody's name.
        let telling = |n: &&str| n.len() > 2 || n.chars().any(|c| !c.is_ascii_digit());
        let names = lots.chain(tasters).filter(telling).map(str::to_lowercase).collect();
        Self { names, withheld }
    }

    /// The text, unless it names somebody or another lot.
    fn text(&mut self, place: &str, text: &str) -> Option<String> {
        let lower = text.to_lowercase();
        let named = self.names.iter().find(|name| holds_word(&lower, name));
        if let Some(name) = named {
            self.withheld.push(format!(
                "{place} = \"{text}\" is not on the sheet: it names {name}, and a sheet names no taster and no other lot"
            ));
            return None;
        }
        Some(text.to_owned())
    }

    /// The same for a text in several languages: none if nothing of it is left.
    fn labels(&mut self, place: &str, labels: &Labels) -> Option<Labels> {
        let all = labels.0.iter();
        let left = all.filter_map(|(code, text)| Some((code.clone(), self.text(place, text)?)));
        Some(Labels(left.collect())).filter(|left| !left.is_empty())
    }
}

/// Whether a name stands in a text and is not a part of a longer word.
fn holds_word(text: &str, name: &str) -> bool {
    let part_of_word = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    !name.is_empty()
        && text.match_indices(name).any(|(at, _)| {
            let before = text[..at].chars().next_back();
            let after = text[at + name.len()..].chars().next();
            !before.is_some_and(part_of_word) && !after.is_some_and(part_of_word)
        })
}

/// What the sample is.
pub(super) fn identity(of: &Subject<'_>, record: &Record<'_>, shy: &mut Shy<'_>) -> Identity {
    let file = &of.lot.file.value;
    let making = making::making(of.lot, record.lots, &record.book.limits);
    let mut text = |name: &str| {
        let parameter = format!("lot.{name}");
        let made = making.value(&parameter)?;
        shy.text(&parameter, &made.value.to_string())
    };
    let arm = file.arms.iter().find(|a| ids::same(&a.id, &of.arm));
    Identity {
        lot: of.lot.id.clone(),
        arm: arm.map(|a| a.id.clone()),
        arm_since: arm.map(|a| a.since),
        class: file.class.clone(),
        cultivar: text("cultivar"),
        season: text("season"),
        garden: text("garden"),
        plot: text("plot"),
        picked: file.picked.clone(),
        made: file.made,
        kg: file.kg,
        descent: descent(of.lot),
    }
}

fn descent(lot: &Lot) -> Option<Descent> {
    let file = &lot.file.value;
    let n_lots = file.parents.len();
    let by = match file.came_by {
        _ if n_lots == 0 => return None,
        Some(CameBy::Refire) => "refire",
        Some(CameBy::Split) => "split",
        Some(CameBy::Blend) => "blend",
        None if n_lots > 1 => "blend",
        None => "not said",
    };
    Some(Descent { by: by.to_owned(), n_lots })
}

const MOISTURES: [&str; 2] = ["dry.moisture", "store.moisture"];

/// The latest moisture of the sample that was measured, or what follows from the masses.
pub(super) fn moisture(of: &Subject<'_>, record: &Record<'_>) -> Answer<Moisture> {
    let warning_from = record.book.limits.moisture_warning_pct;
    let found = |percent: f64, day, estimated| {
        let too_moist = percent >= warning_from;
        Answer::Known(Moisture { percent, day, estimated, warning_from, too_moist })
    };
    for stretch in family::history(of.lot, &of.arm, record.lots) {
        let Some(lot) = record.lots.iter().find(|l| ids::same(&l.id, &stretch.lot)) else {
            continue;
        };
        let latest = lot
            .values
            .iter()
            .filter(|v| MOISTURES.iter().any(|m| ids::same(&v.parameter, m)))
            .filter(|v| v.arm.as_ref().is_none_or(|a| ids::same(a, &stretch.arm)))
            .filter(|v| stretch.until.is_none_or(|u| v.at.day() <= u))
            .filter_map(|v| Some((v, units::convert(v.value.number()?, v.unit.as_deref()?, "%")?)))
            .next_back();
        if let Some((v, percent)) = latest {
            return found(percent, Some(v.at.day()), v.how == How::Estimated);
        }
    }
    let making = making::making(of.lot, record.lots, &record.book.limits);
    match making.value("derived.moisture").and_then(|m| Some((m.value.number()?, m.how))) {
        Some((percent, how)) => found(percent, None, how == How::Estimated),
        None => Answer::unknown("the moisture was not measured"),
    }
}

/// Units in which a lot's own bookkeeping is kept: how much leaf there was says nothing of the tea.
const MASSES: [&str; 3] = ["kg", "g", "t"];

/// A value for the sheet: words in the languages in which the book has them. None for a moment and for a
/// free text that names somebody.
fn made_value(
    value: &Value,
    id: &str,
    of: Option<&Parameter>,
    shy: &mut Shy<'_>,
) -> Option<MadeValue> {
    Some(match value {
        Value::Number(x) => MadeValue::Number(*x),
        Value::YesNo(b) => MadeValue::YesNo(*b),
        Value::Category(text) | Value::Text(text) => {
            let known = of.and_then(|p| p.level(text));
            let words = known.map_or_else(|| Labels::english(text), |l| labelled(&l.labels, &l.id));
            match value {
                Value::Text(_) => MadeValue::Words(shy.labels(id, &words)?),
                _ => MadeValue::Words(words),
            }
        }
        Value::Moment(_) => return None,
    })
}

/// The steps of making, for the order on the sheet.
const STEPS: [&str; 5] = ["pluck", "wither", "roll", "oxidise", "dry"];

/// How it was made.
pub(super) fn making(of: &Subject<'_>, record: &Record<'_>, shy: &mut Shy<'_>) -> Vec<Made> {
    let making = making::making(of.lot, record.lots, &record.book.limits);
    let known = |id: &str| making.value(id).is_some();
    let hours_from_first_roll = known("derived.oxidation-hours");
    let mut all: Vec<(usize, Made)> = Vec::new();
    for made in &making.values {
        let id = made.parameter.as_str();
        let parameter = record.parameters.parameter(id);
        let own = match id {
            "derived.oxidation-hours" => true,
            "derived.wither-moisture" => !known("wither.moisture"),
            _ => false,
        };
        let internal = id == QUARANTINE
            || ["pluck.moisture", "wither.area"].contains(&id)
            || MOISTURES.contains(&id)
            || (id == "oxidise.hours" && hours_from_first_roll)
            || made.unit.as_deref().is_some_and(|u| MASSES.contains(&u))
            || parameter.is_none_or(|p| p.kind == ParameterKind::Moment);
        if !own && internal {
            continue;
        }
        let Some(value) = made_value(&made.value, id, parameter, shy) else { continue };
        let step = match id {
            "derived.oxidation-hours" => "oxidise",
            "derived.wither-moisture" => "wither",
            _ => id.split_once('.').map_or(id, |(step, _)| step),
        };
        let place = STEPS.iter().position(|s| *s == step).unwrap_or(STEPS.len());
        let labels = parameter.map(|p| labelled(&p.labels, &p.id)).unwrap_or_default();
        all.push((
            place,
            Made {
                parameter: made.parameter.clone(),
                labels,
                value,
                unit: made.unit.clone(),
                estimated: made.how == How::Estimated,
                inherited: made.inherited_from.is_some(),
            },
        ));
    }
    // Within a step as the book lists its parameters.
    let listed = |m: &Made| {
        let all = &record.parameters.parameters;
        let id = match m.parameter.as_str() {
            "derived.oxidation-hours" => "oxidise.hours",
            "derived.wither-moisture" => "wither.moisture",
            id => id,
        };
        all.iter().position(|p| ids::same(&p.id, id)).unwrap_or(all.len())
    };
    all.sort_by_key(|(place, m)| (*place, listed(m)));
    all.into_iter().map(|(_, m)| m).collect()
}

/// How the sample is stored: the latest of each condition.
pub(super) fn stored(of: &Subject<'_>, record: &Record<'_>, shy: &mut Shy<'_>) -> Stored {
    let mut conditions = Vec::new();
    for parameter in &record.parameters.parameters {
        let id = parameter.id.as_str();
        let of_leaf = MOISTURES.contains(&id) || id == WATER_ACTIVITY;
        let other = parameter.step() != "store" || id == QUARANTINE || of_leaf;
        if other || parameter.kind == ParameterKind::Moment {
            continue;
        }
        let latest = family::history(of.lot, &of.arm, record.lots).into_iter().find_map(|s| {
            let lot = record.lots.iter().find(|l| ids::same(&l.id, &s.lot))?;
            lot.history(id, &s.arm).into_iter().rfind(|v| s.until.is_none_or(|u| v.at.day() <= u))
        });
        let Some(v) = latest else { continue };
        let Some(value) = made_value(&v.value, id, Some(parameter), shy) else { continue };
        conditions.push(Conditions {
            what: Made {
                parameter: parameter.id.clone(),
                labels: labelled(&parameter.labels, &parameter.id),
                value,
                unit: v.unit.clone(),
                estimated: v.how == How::Estimated,
                inherited: false,
            },
            since: v.at.day(),
        });
    }
    Stored { conditions }
}

/// The recipe of a session.
pub(super) fn brewing(session: &Revealed, shy: &mut Shy<'_>) -> Brewing {
    let r = &session.recipe;
    let vessel_labels = shy.labels("recipe, vessel", &r.vessel_labels).unwrap_or_default();
    let water_labels = shy.labels("recipe, water", &r.water_labels).unwrap_or_default();
    Brewing {
        labels: labelled(&r.labels, &r.id),
        leaf_g: r.leaf_g,
        water_ml: r.water_ml,
        water_c: r.water_c,
        rinse_s: r.rinse_s,
        steeps_s: r.steeps_s.clone(),
        vessel: r.vessel.as_deref().and_then(|t| shy.text("recipe, vessel", t)),
        vessel_labels,
        water: r.water.as_deref().and_then(|t| shy.text("recipe, water", t)),
        water_labels,
    }
}

#[cfg(test)]
mod tests {
    use super::holds_word;

    #[test]
    fn a_name_is_found_as_a_word_of_its_own_only() {
        assert!(holds_word("beside t24-01, top shelf", "t24-01"));
        assert!(holds_word("ann's shelf", "ann"));
        assert!(holds_word("由ann保管", "ann"));
        assert!(!holds_word("beside t24-011", "t24-01"));
        assert!(!holds_word("channel", "ann"));
        assert!(holds_word("channel of ann", "ann"));
        assert!(!holds_word("anything", ""));
    }
}
