//! trials/NAME.toml: a trial as it was planned, written once. What was really done stands in the
//! lots' logs.

use std::borrow::Cow;
use std::collections::BTreeMap;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};

use super::ids;
use super::parameters::{Parameter, Value};
use super::time::Moment;
use super::units;

/// A planned trial.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "trials/*.toml")]
pub struct TrialFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// Its name, the same as its file's.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub name: String,
    /// When it was planned.
    pub planned: Moment,
    /// The seed by which runs were drawn and put in order: 0 to 2^63 - 1.
    #[schemars(range(max = 9_223_372_036_854_775_807_u64))]
    pub seed: u64,
    /// How the runs were chosen: additions (to lots made before), fraction (a classical one), optimal.
    pub made_by: MadeBy,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
    /// The lots made before that it builds upon.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(regex(pattern = ids::PATTERN)), extend("uniqueItems" = true))]
    pub lots: Vec<String>,
    /// The terms that it is about; none named: all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(regex(pattern = ids::PATTERN)), extend("uniqueItems" = true))]
    pub terms: Vec<String>,
    /// How many tasters are planned: 1 to 100.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 100))]
    pub tasters: Option<u32>,
    /// The difference that it is to see, in points of the scale: more than 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub see_points: Option<f64>,
    /// What is varied.
    #[serde(rename = "factor")]
    #[schemars(length(min = 1, max = 20))]
    pub factors: Vec<Factor>,
    /// What cannot be chosen, and is to be measured and written down.
    #[serde(default, rename = "given", skip_serializing_if = "Vec::is_empty")]
    pub given: Vec<GivenParameter>,
    /// The batches, in the order in which they are to be made.
    #[serde(rename = "run")]
    #[schemars(length(min = 1, max = 1000))]
    pub runs: Vec<Run>,
}

/// How the runs of a trial were chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(inline)]
#[expect(missing_docs, reason = "a comment on a variant would split the enum in the schema")]
pub enum MadeBy {
    Additions,
    Fraction,
    Optimal,
}

/// A parameter that is varied.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Factor {
    /// The id of the parameter.
    #[schemars(length(min = 1, max = 120))]
    pub parameter: String,
    /// Its levels: numbers in the parameter's own unit, words of its categories, or true and false.
    #[schemars(length(min = 2, max = 50))]
    pub levels: Vec<Level>,
}

/// A parameter that cannot be chosen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct GivenParameter {
    /// The id of the parameter.
    #[schemars(length(min = 1, max = 120))]
    pub parameter: String,
}

/// A batch to be made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Run {
    /// Its number: 1 to 10000.
    #[schemars(range(min = 1, max = 10_000))]
    pub run: u32,
    /// The day of making, counted from 1 to 10000: batches of one day belong together.
    #[schemars(range(min = 1, max = 10_000))]
    pub day: u32,
    /// The level of each factor.
    pub settings: BTreeMap<String, Level>,
}

/// A level of a factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Level {
    /// Yes or no.
    YesNo(bool),
    /// A number, in the parameter's own unit.
    Number(#[serde(serialize_with = "as_written")] f64),
    /// A word of the parameter's categories.
    Word(String),
}

/// 40, not 40.0, as a person writes it.
fn as_written<S: serde::Serializer>(x: &f64, s: S) -> Result<S::Ok, S::Error> {
    if x.fract() == 0.0 && x.abs() < 1e15 {
        s.serialize_i64(*x as i64)
    } else {
        s.serialize_f64(*x)
    }
}

impl JsonSchema for Level {
    fn schema_name() -> Cow<'static, str> {
        "Level".into()
    }
    fn inline_schema() -> bool {
        true
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": ["number", "string", "boolean"],
            "description": "a number in the parameter's own unit, a word of its categories, or true or false"
        })
    }
}

impl std::fmt::Display for Level {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::YesNo(b) => f.write_str(if *b { "yes" } else { "no" }),
            Self::Number(x) => write!(f, "{x}"),
            Self::Word(word) => f.write_str(word),
        }
    }
}

impl Level {
    /// The level as a person reads it, with its unit: a number with four significant digits at most.
    #[must_use]
    pub fn shown(&self, unit: Option<&str>) -> String {
        match (self, unit) {
            (Self::Number(x), Some(unit)) => format!("{} {unit}", units::four_digits(*x)),
            (Self::Number(x), None) => units::four_digits(*x),
            (other, _) => other.to_string(),
        }
    }

    /// The level as a value of a parameter, if it is one of its kind.
    #[must_use]
    pub fn value_of(&self, parameter: &Parameter) -> Option<Value> {
        let value = parameter.value_of(&self.to_string(), None).ok()?;
        let fits = matches!(
            (self, &value),
            (Self::Number(_), Value::Number(_))
                | (Self::Word(_), Value::Category(_))
                | (Self::YesNo(_), Value::YesNo(_))
        );
        fits.then_some(value)
    }

    /// Whether a value that was logged is this level: words without regard to case, numbers but for
    /// what a change of unit adds behind the ninth digit.
    #[must_use]
    pub fn is(&self, value: &Value) -> bool {
        match (self, value) {
            (Self::Number(a), Value::Number(b)) => (a - b).abs() <= 1e-9 * a.abs().max(b.abs()),
            (Self::Word(a), Value::Category(b) | Value::Text(b)) => ids::same(a, b),
            (Self::YesNo(a), Value::YesNo(b)) => a == b,
            _ => false,
        }
    }

    /// Whether it is the same level as another.
    #[must_use]
    pub fn same(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Number(a), Self::Number(b)) => a == b,
            (Self::Word(a), Self::Word(b)) => ids::same(a, b),
            (a, b) => a == b,
        }
    }
}

impl Factor {
    /// Whether a level is among its levels.
    #[must_use]
    pub fn has(&self, level: &Level) -> bool {
        self.levels.iter().any(|l| l.same(level))
    }
}

impl TrialFile {
    /// The factor of a parameter.
    #[must_use]
    pub fn factor(&self, parameter: &str) -> Option<&Factor> {
        self.factors.iter().find(|f| ids::same(&f.parameter, parameter))
    }

    /// The run of a number.
    #[must_use]
    pub fn run(&self, number: u32) -> Option<&Run> {
        self.runs.iter().find(|r| r.run == number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_is_read_as_what_it_is() {
        let run: Run = toml::from_str(
            "run = 1\nday = 2\nsettings = { a = 40, b = \"sun\", c = true, d = 2.5 }\n",
        )
        .unwrap();
        assert_eq!(run.settings["a"], Level::Number(40.0));
        assert_eq!(run.settings["b"], Level::Word("sun".to_owned()));
        assert_eq!(run.settings["c"], Level::YesNo(true));
        assert_eq!(run.settings["d"], Level::Number(2.5));
    }

    #[test]
    fn what_was_logged_in_another_unit_is_still_the_level() {
        assert!(Level::Number(1.5).is(&Value::Number(90.0 / 60.0 + 1e-12)));
        assert!(!Level::Number(1.5).is(&Value::Number(1.51)));
        assert!(Level::Word("sun".to_owned()).is(&Value::Category("Sun".to_owned())));
        assert!(!Level::Word("yes".to_owned()).is(&Value::YesNo(true)));
    }
}
