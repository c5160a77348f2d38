//! Scales: how a term is answered.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::ids;
use super::labels::Labels;
use super::problem::did_you_mean;

/// The two words at the ends of a scale, by language.
pub type Ends = BTreeMap<String, [String; 2]>;

/// How a term is answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "ScaleFile", into = "ScaleFile")]
#[schemars(with = "ScaleFile")]
pub enum Scale {
    /// How much of it, from none to strong.
    Line {
        /// The number at the low end.
        low: f64,
        /// The number at the high end.
        high: f64,
        /// The finest difference that may be given.
        step: f64,
        /// The words at the ends.
        ends: Ends,
    },
    /// Between two opposites, with a middle.
    Bipolar {
        /// The number at the low end, below 0.
        low: f64,
        /// The number at the high end, above 0.
        high: f64,
        /// The finest difference that may be given.
        step: f64,
        /// The words at the ends.
        ends: Ends,
    },
    /// One of several levels in an order.
    Ordered {
        /// From least to most.
        levels: Vec<Level>,
    },
    /// One of several kinds without an order.
    Nominal {
        /// The kinds.
        levels: Vec<Level>,
    },
    /// There or not.
    Tick,
    /// 0 absent, 1 trace, 2 clear, 3 rejects.
    Fault,
    /// A free note.
    Note,
}

/// A level of an ordered or nominal scale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Level {
    /// What is written into ballots; never changed once used.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// The word for it, by language.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub labels: Labels,
}

/// The kind of a scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
#[schemars(inline)]
#[expect(missing_docs, reason = "a comment on a variant would split the enum in the schema")]
pub enum ScaleKind {
    Line,
    Bipolar,
    Ordered,
    Nominal,
    Tick,
    Fault,
    Note,
}

impl ScaleKind {
    /// The word for it in files and commands.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Bipolar => "bipolar",
            Self::Ordered => "ordered",
            Self::Nominal => "nominal",
            Self::Tick => "tick",
            Self::Fault => "fault",
            Self::Note => "note",
        }
    }
}

/// The words of a fault scale, from 0 to 3.
pub const FAULT_LEVELS: [&str; 4] = ["absent", "trace", "clear", "rejects"];

impl Scale {
    /// Its kind.
    #[must_use]
    pub fn kind(&self) -> ScaleKind {
        match self {
            Self::Line { .. } => ScaleKind::Line,
            Self::Bipolar { .. } => ScaleKind::Bipolar,
            Self::Ordered { .. } => ScaleKind::Ordered,
            Self::Nominal { .. } => ScaleKind::Nominal,
            Self::Tick => ScaleKind::Tick,
            Self::Fault => ScaleKind::Fault,
            Self::Note => ScaleKind::Note,
        }
    }

    /// The levels of an ordered or nominal scale.
    #[must_use]
    pub fn levels(&self) -> &[Level] {
        match self {
            Self::Ordered { levels } | Self::Nominal { levels } => levels,
            _ => &[],
        }
    }

    /// The lowest and highest number of a line or bipolar scale.
    #[must_use]
    pub fn range(&self) -> Option<(f64, f64)> {
        match self {
            Self::Line { low, high, .. } | Self::Bipolar { low, high, .. } => Some((*low, *high)),
            _ => None,
        }
    }

    /// The number that stands for an answer: the number itself on line and bipolar scales, the
    /// place of the level from 0, 0 or 1 for a tick, 0 to 3 for a fault, `None` for a note.
    ///
    /// # Errors
    /// What was expected and how to mend it, if the answer does not fit.
    pub fn value_of(&self, answer: &str) -> Result<Option<f64>, Misfit> {
        let answer = answer.trim();
        match self {
            Self::Line { low, high, step, .. } | Self::Bipolar { low, high, step, .. } => {
                let expected = format!("a number from {low} to {high} in steps of {step}");
                let x: f64 = answer.parse().map_err(|_| {
                    Misfit::new(&expected, "write it with a point for decimals, as in 3.5")
                })?;
                if !(*low..=*high).contains(&x) {
                    return Err(Misfit::new(
                        &expected,
                        "correct the score, or widen the scale before a session is planned",
                    ));
                }
                let steps = (x - low) / step;
                if (steps - steps.round()).abs() > 1e-6 {
                    return Err(Misfit::new(
                        &expected,
                        &format!("the nearest is {}", tidy(low + steps.round() * step)),
                    ));
                }
                Ok(Some(on_step(*low, *step, steps.round()).unwrap_or(x)))
            }
            Self::Ordered { levels } | Self::Nominal { levels } => {
                let known: Vec<&str> = levels.iter().map(|l| l.id.as_str()).collect();
                levels
                    .iter()
                    .position(|l| {
                        ids::same(&l.id, answer) || l.labels.0.values().any(|w| w == answer)
                    })
                    .map(|i| Some(i as f64))
                    .ok_or_else(|| {
                        Misfit::new(
                            &format!("one of {}", known.join(", ")),
                            &did_you_mean(answer, known.iter().copied(), "choose one of these"),
                        )
                    })
            }
            Self::Tick => match answer.to_ascii_lowercase().as_str() {
                "1" | "yes" | "x" => Ok(Some(1.0)),
                "0" | "no" => Ok(Some(0.0)),
                _ => Err(Misfit::new("1 where it is ticked, 0 where not", "write 1 or 0")),
            },
            Self::Fault => (0..4_u8)
                .find(|i| {
                    answer == i.to_string() || ids::same(answer, FAULT_LEVELS[usize::from(*i)])
                })
                .map(|i| Some(f64::from(i)))
                .ok_or_else(|| {
                    Misfit::new("0 absent, 1 trace, 2 clear or 3 rejects", "write 0, 1, 2 or 3")
                }),
            Self::Note => Ok(None),
        }
    }

    /// The word for a value on an ordered, nominal or fault scale.
    #[must_use]
    pub fn word_for(&self, value: f64, language: &str) -> Option<&str> {
        if value < 0.0 || value.fract() != 0.0 {
            return None;
        }
        // Checked just above: a whole number that is not negative.
        let index = value as usize;
        match self {
            Self::Ordered { levels } | Self::Nominal { levels } => {
                levels.get(index).map(|l| l.labels.or(language, &l.id))
            }
            Self::Fault => FAULT_LEVELS.get(index).copied(),
            _ => None,
        }
    }
}

/// The value so many steps above the low end, with no more decimals than the two have.
fn on_step(low: f64, step: f64, n: f64) -> Option<f64> {
    let decimals = |x: f64| x.to_string().split_once('.').map_or(0, |(_, behind)| behind.len());
    let most = decimals(low).max(decimals(step));
    format!("{:.most$}", low + n * step).parse().ok()
}

/// Removes what binary arithmetic adds behind the last digit that a person would write.
fn tidy(x: f64) -> f64 {
    (x * 1e6).round() / 1e6
}

/// Why an answer does not fit its scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

impl Misfit {
    fn new(expected: &str, mend: &str) -> Self {
        Self { expected: expected.to_owned(), mend: mend.to_owned() }
    }
}

/// A scale as it stands in a file: one table whose keys depend on its kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline, extend("allOf" = keys_by_kind()))]
struct ScaleFile {
    /// line, bipolar, ordered, nominal, tick, fault or note.
    kind: ScaleKind,
    /// The number at the low end (line, bipolar).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    low: Option<f64>,
    /// The number at the high end (line, bipolar).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    high: Option<f64>,
    /// The finest difference that may be given (line, bipolar).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    step: Option<f64>,
    /// The two words at the ends, by language: { en = ["none", "strong"] } (line, bipolar).
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    ends: Ends,
    /// At least two levels (ordered: from least to most; nominal).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 2))]
    levels: Option<Vec<Level>>,
}

/// Which keys each kind needs and may not have, as JSON Schema.
fn keys_by_kind() -> Value {
    let rule = |kinds: &[&str], needs: &[&str], not: &[&str]| {
        let no: serde_json::Map<String, Value> =
            not.iter().map(|k| ((*k).to_owned(), json!(false))).collect();
        json!({
            "if": {"properties": {"kind": {"enum": kinds}}, "required": ["kind"]},
            "then": {"required": needs, "properties": no},
        })
    };
    json!([
        rule(&["line", "bipolar"], &["low", "high", "step"], &["levels"]),
        rule(&["ordered", "nominal"], &["levels"], &["low", "high", "step", "ends"]),
        rule(&["tick", "fault", "note"], &[], &["low", "high", "step", "ends", "levels"]),
    ])
}

impl TryFrom<ScaleFile> for Scale {
    type Error = String;
    fn try_from(f: ScaleFile) -> Result<Self, String> {
        let numbers = || match (f.low, f.high, f.step) {
            (Some(low), Some(high), Some(step)) => Ok((low, high, step)),
            _ => Err(format!("a {} scale needs low, high and step", f.kind.word())),
        };
        let levels = || match &f.levels {
            Some(levels) => Ok(levels.clone()),
            None => Err(format!("the scale kind {} needs levels", f.kind.word())),
        };
        Ok(match f.kind {
            ScaleKind::Line => {
                let (low, high, step) = numbers()?;
                Self::Line { low, high, step, ends: f.ends }
            }
            ScaleKind::Bipolar => {
                let (low, high, step) = numbers()?;
                Self::Bipolar { low, high, step, ends: f.ends }
            }
            ScaleKind::Ordered => Self::Ordered { levels: levels()? },
            ScaleKind::Nominal => Self::Nominal { levels: levels()? },
            ScaleKind::Tick => Self::Tick,
            ScaleKind::Fault => Self::Fault,
            ScaleKind::Note => Self::Note,
        })
    }
}

impl From<Scale> for ScaleFile {
    fn from(scale: Scale) -> Self {
        let kind = scale.kind();
        let empty =
            Self { kind, low: None, high: None, step: None, ends: Ends::new(), levels: None };
        match scale {
            Scale::Line { low, high, step, ends } | Scale::Bipolar { low, high, step, ends } => {
                Self { low: Some(low), high: Some(high), step: Some(step), ends, ..empty }
            }
            Scale::Ordered { levels } | Scale::Nominal { levels } => {
                Self { levels: Some(levels), ..empty }
            }
            Scale::Tick | Scale::Fault | Scale::Note => empty,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_between_the_steps_is_sent_to_the_nearest() {
        let scale = Scale::Line { low: 0.0, high: 10.0, step: 0.5, ends: Ends::new() };
        assert_eq!(scale.value_of("3.5").unwrap(), Some(3.5));
        assert_eq!(scale.value_of("3.4").unwrap_err().mend, "the nearest is 3.5");
        assert!(scale.value_of("11").unwrap_err().expected.contains("0 to 10"));
        assert!(scale.value_of("NaN").is_err());
        // What arithmetic added behind the last digit is not kept.
        assert_eq!(scale.value_of("7.0000000000001").unwrap(), Some(7.0));
    }

    #[test]
    fn a_level_is_answered_by_its_id_or_its_word() {
        let level = |id: &str, zh: &str| Level {
            id: id.to_owned(),
            labels: Labels(BTreeMap::from([("zh".to_owned(), zh.to_owned())])),
        };
        let scale = Scale::Nominal { levels: vec![level("gold", "金黄"), level("red", "红")] };
        assert_eq!(scale.value_of("Red").unwrap(), Some(1.0));
        assert_eq!(scale.value_of("金黄").unwrap(), Some(0.0));
        assert!(scale.value_of("golt").unwrap_err().mend.contains("\"gold\""));
        assert_eq!(scale.word_for(1.0, "zh"), Some("红"));
    }
}
