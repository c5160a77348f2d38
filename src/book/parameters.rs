//! parameters.toml: what is recorded of making and storage.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids;
use super::labels::Labels;
use super::problem::{Problems, did_you_mean};
pub use super::roles::{Role, how_to_record};
use super::scales::Level;
use super::time::Moment;
use super::toml_file::Described;
use super::units;

/// The parameters of a book.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "parameters.toml")]
pub struct Parameters {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// The parameters. None is ever deleted once a lot has used it.
    #[serde(default, rename = "parameter", skip_serializing_if = "Vec::is_empty")]
    pub parameters: Vec<Parameter>,
}

/// Something recorded of a step of making, or of storage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Parameter {
    /// Its id: the step, a point, the name, as wither.hours.
    #[schemars(regex(pattern = r"^[A-Za-z0-9][A-Za-z0-9_-]*\.[A-Za-z0-9][A-Za-z0-9_-]*$"))]
    pub id: String,
    /// What its values are: number, whole, category, yes_no, moment or text.
    pub kind: ParameterKind,
    /// The unit of its numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 20))]
    pub unit: Option<String>,
    /// The categories; of a text those wordings that have words in other languages.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub levels: Vec<Level>,
    /// The usual range, for guidance only: [low, high].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub usual: Option<[f64; 2]>,
    /// What a number cannot lie outside of: [low, high].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits: Option<[f64; 2]>,
    /// Whether the maker sets it: chosen (what is taken if nothing is said), given, as the weather,
    /// or an outcome of the others.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// What it is called, by language.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub labels: Labels,
    /// Where the usual range comes from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

/// What the values of a parameter are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(inline)]
#[expect(missing_docs, reason = "a comment on a variant would split the enum in the schema")]
pub enum ParameterKind {
    Number,
    Whole,
    Category,
    YesNo,
    Moment,
    Text,
}

/// A value of a parameter, in the parameter's own unit.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A number, whole or not.
    Number(f64),
    /// The id of a category.
    Category(String),
    /// Yes or no.
    YesNo(bool),
    /// A moment.
    Moment(Moment),
    /// A text.
    Text(String),
}

impl Value {
    /// The number, if it is one.
    #[must_use]
    pub fn number(&self) -> Option<f64> {
        match self {
            Self::Number(x) => Some(*x),
            _ => None,
        }
    }

    /// The moment, if it is one.
    #[must_use]
    pub fn moment(&self) -> Option<Moment> {
        match self {
            Self::Moment(m) => Some(*m),
            _ => None,
        }
    }
}

impl std::fmt::Display for Value {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Number(x) => write!(f, "{x}"),
            Self::Category(s) | Self::Text(s) => f.write_str(s),
            Self::YesNo(b) => f.write_str(if *b { "yes" } else { "no" }),
            Self::Moment(m) => write!(f, "{m}"),
        }
    }
}

/// Why a value does not fit its parameter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Whether it is the unit that is wrong, rather than the value.
    pub unit: bool,
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

impl Parameter {
    /// The step of making that it belongs to.
    #[must_use]
    pub fn step(&self) -> &str {
        self.id.split_once('.').map_or(self.id.as_str(), |(step, _)| step)
    }

    /// Whether the maker sets it: as the book says, else as is usual for what the program knows.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role.unwrap_or_else(|| Role::usual(&self.id))
    }

    /// The word for it in a language.
    #[must_use]
    pub fn label(&self, language: &str) -> &str {
        self.labels.or(language, &self.id)
    }

    /// The category of an id, or the wording that a free text is in any language.
    #[must_use]
    pub fn level(&self, text: &str) -> Option<&Level> {
        let worded = |l: &Level| {
            self.kind == ParameterKind::Text
                && l.labels.0.values().any(|word| word.to_lowercase() == text.to_lowercase())
        };
        self.levels.iter().find(|l| ids::same(&l.id, text) || worded(l))
    }

    /// The value of a text, converted from `unit` (or the unit written behind the number) into
    /// the parameter's own.
    ///
    /// # Errors
    /// Why it does not fit.
    pub fn value_of(&self, text: &str, unit: Option<&str>) -> Result<Value, Refusal> {
        let text = text.trim();
        let refuse = |expected: &str, mend: String| Refusal {
            unit: false,
            found: format!("{} = \"{text}\" does not hold", self.id),
            expected: expected.to_owned(),
            mend,
        };
        if let (Some(unit), false) = (unit, self.is_number()) {
            return Err(Refusal {
                unit: true,
                found: format!("{} has no unit, but \"{unit}\" is given", self.id),
                expected: "no unit".to_owned(),
                mend: "leave the unit away".to_owned(),
            });
        }
        match self.kind {
            ParameterKind::Number | ParameterKind::Whole => self.number_of(text, unit),
            ParameterKind::Category => {
                let known: Vec<&str> = self.levels.iter().map(|l| l.id.as_str()).collect();
                self.levels.iter().find(|l| ids::same(&l.id, text)).map_or_else(
                    || {
                        Err(refuse(
                            &format!("one of {}", known.join(", ")),
                            did_you_mean(
                                text,
                                known.iter().copied(),
                                "add the level to parameters.toml",
                            ),
                        ))
                    },
                    |level| Ok(Value::Category(level.id.clone())),
                )
            }
            ParameterKind::YesNo => match text.to_ascii_lowercase().as_str() {
                "yes" | "true" | "1" => Ok(Value::YesNo(true)),
                "no" | "false" | "0" => Ok(Value::YesNo(false)),
                _ => Err(refuse("yes or no", "write yes or no".to_owned())),
            },
            ParameterKind::Moment => text.parse().map(Value::Moment).map_err(|_| {
                refuse(
                    "a moment with its offset from UTC, as 2026-05-14T15:04:05+08:00",
                    "write day, time and offset".to_owned(),
                )
            }),
            ParameterKind::Text if text.is_empty() => {
                Err(refuse("a text", "write something".to_owned()))
            }
            ParameterKind::Text => Ok(Value::Text(text.to_owned())),
        }
    }

    fn is_number(&self) -> bool {
        matches!(self.kind, ParameterKind::Number | ParameterKind::Whole)
    }

    fn number_of(&self, text: &str, unit: Option<&str>) -> Result<Value, Refusal> {
        let in_unit = self.unit.as_deref().map_or_else(String::new, |u| format!(" in {u}"));
        let refuse = |expected: String, mend: &str| Refusal {
            unit: false,
            found: format!("{} = \"{text}\" does not hold", self.id),
            expected,
            mend: mend.to_owned(),
        };
        let Some((number, behind)) = units::number_and_unit(text) else {
            return Err(refuse(
                format!("a number{in_unit}"),
                "write it with a point for decimals, as in 3.5",
            ));
        };
        if behind.is_some_and(|b| b.starts_with([',', '.', '\''])) {
            return Err(refuse(
                format!("a number{in_unit}"),
                "write it with a point for decimals and nothing between thousands, as in 3.5",
            ));
        }
        let number = match (behind.or(unit), self.unit.as_deref()) {
            (None, _) => number,
            (Some(given), own) => {
                let known = own.map(units::that_convert_into).unwrap_or_default();
                own.and_then(|own| units::convert(number, given, own)).ok_or_else(|| Refusal {
                    unit: behind.is_none(),
                    found: format!("{}: the unit \"{given}\" does not fit", self.id),
                    expected: if known.is_empty() {
                        "a number without a unit".to_owned()
                    } else {
                        format!("one of the units {}", known.join(", "))
                    },
                    mend: "give the value in one of these".to_owned(),
                })?
            }
        };
        if self.kind == ParameterKind::Whole && number.fract() != 0.0 {
            return Err(refuse(format!("a whole number{in_unit}"), "leave the decimals away"));
        }
        if let Some([low, high]) = self.limits
            && low <= high
            && !(low..=high).contains(&number)
        {
            return Err(refuse(
                format!("a number from {low} to {high}{in_unit}"),
                "correct the value, or its unit",
            ));
        }
        Ok(Value::Number(number))
    }

    /// Whether a number lies outside the usual range.
    #[must_use]
    pub fn is_unusual(&self, number: f64) -> bool {
        self.usual.is_some_and(|[low, high]| !(low..=high).contains(&number))
    }
}

impl Parameters {
    /// The parameter of an id. Those by which the program itself keeps the reserve and the
    /// quarantine are known even if the file does not name them.
    #[must_use]
    pub fn parameter(&self, id: &str) -> Option<&Parameter> {
        self.parameters.iter().chain(own()).find(|p| ids::same(&p.id, id))
    }

    /// The ids of all parameters.
    pub fn parameter_ids(&self) -> impl Iterator<Item = &str> {
        let extra =
            own().iter().filter(|o| !self.parameters.iter().any(|p| ids::same(&p.id, &o.id)));
        self.parameters.iter().chain(extra).map(|p| p.id.as_str())
    }
}

/// How to mend a log line whose parameter is unknown.
pub(super) fn mend_unknown(id: &str, parameters: &Parameters) -> String {
    how_to_record(id).unwrap_or_else(|| {
        did_you_mean(id, parameters.parameter_ids(), "add it to parameters.toml")
    })
}

/// Grams put into the reserve.
pub const RESERVE_KEPT: &str = "reserve.kept";
/// Grams drawn from the reserve.
pub const RESERVE_DRAWN: &str = "reserve.drawn";
/// Whether a lot is in quarantine: then it is not served.
pub const QUARANTINE: &str = "store.quarantine";
/// When a lot was packed.
pub const PACKED: &str = "store.packed";
/// When the pack that is tasted from was opened.
pub const OPENED: &str = "store.opened";
/// Water activity of the leaf in store, 0 to 1.
pub const WATER_ACTIVITY: &str = "store.water-activity";
/// Moisture of the leaf in store.
pub const STORE_MOISTURE: &str = "store.moisture";
/// Moisture of the made tea.
pub const DRY_MOISTURE: &str = "dry.moisture";
/// Where a sample is kept.
pub const PLACE: &str = "store.place";
/// What a sample is packed in.
pub const PACK: &str = "store.pack";
/// The temperature where a sample is kept.
pub const STORE_TEMPERATURE: &str = "store.temperature";
/// The relative humidity where a sample is kept.
pub const STORE_HUMIDITY: &str = "store.humidity";

/// The parameters that the program itself reads: they are known in books that do not name them.
fn own() -> &'static [Parameter] {
    static OWN: std::sync::OnceLock<Vec<Parameter>> = std::sync::OnceLock::new();
    OWN.get_or_init(|| {
        let grams = |id: &str, label: &str| Parameter {
            id: id.to_owned(),
            kind: ParameterKind::Number,
            unit: Some("g".to_owned()),
            levels: Vec::new(),
            usual: None,
            limits: Some([0.0, 1e9]),
            role: None,
            labels: Labels::english(label),
            source: None,
            notes: None,
        };
        let moment = |id: &str, label: &str| Parameter {
            kind: ParameterKind::Moment,
            unit: None,
            limits: None,
            ..grams(id, label)
        };
        vec![
            grams(RESERVE_KEPT, "put into the reserve"),
            grams(RESERVE_DRAWN, "drawn from the reserve"),
            Parameter {
                kind: ParameterKind::YesNo,
                unit: None,
                limits: None,
                ..grams(QUARANTINE, "in quarantine")
            },
            moment(PACKED, "packed"),
            moment(OPENED, "pack opened"),
            Parameter {
                unit: None,
                limits: Some([0.0, 1.0]),
                role: Some(Role::Outcome),
                ..grams(WATER_ACTIVITY, "water activity in store")
            },
        ]
    })
}

/// The kind and unit of a parameter, in words.
fn kind_and_unit(p: &Parameter) -> String {
    match (p.kind, &p.unit) {
        (ParameterKind::Number, Some(unit)) => format!("number in {unit}"),
        (ParameterKind::Number, None) => "number without a unit".to_owned(),
        (ParameterKind::Moment, _) => "moment".to_owned(),
        _ => "yes_no".to_owned(),
    }
}

/// Adds what is wrong in the meaning of parameters whose form is right.
pub(super) fn check(file: &Described<Parameters>, problems: &mut Problems) {
    let listed = file.value.parameters.iter().map(|p| p.id.as_str());
    ids::check_unique(file, "parameter", listed, problems);
    for (i, p) in file.value.parameters.iter().enumerate() {
        let at = i.to_string();
        let may = p.kind == ParameterKind::Text;
        if !may && (p.kind == ParameterKind::Category) == p.levels.is_empty() {
            let (found, expected, mend) = if p.levels.is_empty() {
                ("a category without levels", "levels = [{ id = \"…\" }, …]", "add the levels")
            } else {
                (
                    "levels without a category",
                    "kind = \"category\"",
                    "change kind, or take levels out",
                )
            };
            problems.push(file.problem(
                &["parameter", &at, "kind"],
                format!("{} is {found}", p.id),
                expected,
                mend,
            ));
        }
        for (key, range) in [("usual", p.usual), ("limits", p.limits)] {
            if let Some([low, high]) = range
                && low > high
            {
                problems.push(file.problem(
                    &["parameter", &at, key],
                    format!("the range of {} runs from {low} down to {high}", p.id),
                    "[low, high]",
                    "exchange the two",
                ));
            }
        }
        if let Some(own) = own().iter().find(|o| ids::same(&o.id, &p.id))
            && (own.kind != p.kind || own.unit != p.unit)
        {
            problems.push(file.problem(
                &["parameter", &at, "id"],
                format!("{} is not as this program keeps it", p.id),
                format!("the kind and unit that it reads: {}", kind_and_unit(own)),
                "change kind and unit, or take the parameter out",
            ));
        }
    }
}
