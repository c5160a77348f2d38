//! Lots: what each one is (lot.toml), and what was done with it (log.csv).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::course::Course;
use super::csv_file::{Cell, Cells, Column, Contradiction, Log, Record, filled, optional};
use super::ids;
use super::parameters::{QUARANTINE, RESERVE_DRAWN, RESERVE_KEPT, Role, Value};
use super::problem::Problems;
use super::time::{Day, Moment};
use super::toml_file::Described;

/// Pressure of the roller put on: each moment that was logged counts.
pub const PRESS_ON: &str = "roll.press-on";
/// Pressure released again: each moment that was logged counts.
pub const PRESS_OFF: &str = "roll.press-off";

/// The arm of a lot that was not split.
pub const MAIN: &str = "main";

/// What a lot is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "lot.toml")]
pub struct LotFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// Its id, the same as its folder's name.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// The class of tea: black, green, white, oolong, yellow, dark, …
    #[schemars(length(min = 1, max = 60))]
    pub class: String,
    /// The day on which drying ended.
    pub made: Day,
    /// The days on which it was picked.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub picked: Vec<Day>,
    /// The garden.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub garden: Option<String>,
    /// The plot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plot: Option<String>,
    /// The cultivar.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cultivar: Option<String>,
    /// The season or flush.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<String>,
    /// Kilograms of made tea: more than 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub kg: Option<f64>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
    /// The trial that it was made for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = ids::PATTERN))]
    pub trial: Option<String>,
    /// Which run of that trial it is: 1 to 10000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 10_000))]
    pub run: Option<u32>,
    /// How it came of its parents: split (the same tea, parted off), blend, refire.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub came_by: Option<CameBy>,
    /// The day on which a split lot was parted from its parent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parted: Option<Day>,
    /// The lots that it was blended, split or fired again from.
    #[serde(default, rename = "parent", skip_serializing_if = "Vec::is_empty")]
    pub parents: Vec<Parent>,
    /// The arms into which it was split for storage.
    #[serde(default, rename = "arm", skip_serializing_if = "Vec::is_empty")]
    pub arms: Vec<Arm>,
}

/// How a lot came of its parents.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(inline)]
#[expect(missing_docs, reason = "a comment on a variant would split the enum in the schema")]
pub enum CameBy {
    Split,
    Blend,
    Refire,
}

impl CameBy {
    /// In words, before a day.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Split => "split off",
            Self::Blend => "blended",
            Self::Refire => "fired again",
        }
    }
}

/// A lot that another one was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Parent {
    /// Its id.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub lot: String,
    /// Which arm of it; none: the lot before it was split into arms, or not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = ids::PATTERN))]
    pub arm: Option<String>,
    /// Kilograms taken from it: more than 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub kg: Option<f64>,
}

/// A part of a lot that is stored in a way of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Arm {
    /// Its id: dry, humid, …
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// The day of the split.
    pub since: Day,
    /// Kilograms put into it: more than 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub kg: Option<f64>,
    /// How it is stored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

/// How a value came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// By an instrument.
    Measured,
    /// By eye, hand or memory.
    Estimated,
}

impl How {
    /// The word for it in a log.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Estimated => "estimated",
        }
    }
}

/// A line of a lot's log.
#[derive(Debug, Clone, PartialEq)]
pub struct LogLine {
    /// The id of this line.
    pub entry: String,
    /// When it happened or was measured.
    pub at: Moment,
    /// The arm that it is about; none: the whole lot.
    pub arm: Option<String>,
    /// The parameter, step.name.
    pub parameter: String,
    /// The value as it was written; none only where the line takes another back.
    pub value: Option<String>,
    /// Its unit; none: the parameter's own.
    pub unit: Option<String>,
    /// Measured or estimated.
    pub how: How,
    /// Who wrote it.
    pub by: Option<String>,
    /// The entry that this line takes the place of.
    pub replaces: Option<String>,
    /// Why.
    pub reason: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

impl Record for LogLine {
    const COLUMNS: &'static [Column] = &[
        filled("entry", Cell::Id, "the id of this line, unique in the file"),
        filled(
            "at",
            Cell::Moment,
            "when it happened: a moment with its offset from UTC, as 2026-05-14T15:04:05+08:00",
        ),
        optional("arm", Cell::Id, "the arm that it is about; empty: the whole lot"),
        filled("parameter", Cell::Id, "the id of a parameter, as wither.hours"),
        optional("value", Cell::Text, "the value; empty only where the line takes another back"),
        optional("unit", Cell::Text, "the unit of the value; empty: the parameter's own"),
        filled("how", Cell::OneOf(&["measured", "estimated"]), "measured or estimated"),
        optional("by", Cell::Text, "who wrote it"),
        optional("replaces", Cell::Id, "the entry that this line takes the place of"),
        optional("reason", Cell::Text, "why it takes its place"),
        optional("note", Cell::Text, "anything else"),
    ];

    fn from_cells(cells: &Cells<'_>) -> Result<Self, Contradiction> {
        let contradiction = |column, found: &str, expected: &str, mend: &str| Contradiction {
            column,
            found: found.to_owned(),
            expected: expected.to_owned(),
            mend: mend.to_owned(),
        };
        let Some(at) = cells.moment("at") else {
            return Err(contradiction("at", "at is no moment", "a moment", "correct at"));
        };
        let line = Self {
            entry: cells.filled("entry"),
            at,
            arm: cells.text("arm"),
            parameter: cells.filled("parameter"),
            value: cells.text("value"),
            unit: cells.text("unit"),
            how: if cells.filled("how") == "estimated" { How::Estimated } else { How::Measured },
            by: cells.text("by"),
            replaces: cells.text("replaces"),
            reason: cells.text("reason"),
            note: cells.text("note"),
        };
        if line.value.is_none() && line.replaces.is_none() {
            return Err(contradiction(
                "value",
                "value is empty",
                "a value; it may be empty only in a line that replaces another",
                "fill in the value",
            ));
        }
        if line.replaces.is_some() && line.reason.is_none() {
            return Err(contradiction(
                "reason",
                "a correction without a reason",
                "the reason for which this line takes another's place",
                "fill in the reason",
            ));
        }
        Ok(line)
    }

    fn to_cells(&self) -> Vec<String> {
        let or_empty = |s: &Option<String>| s.clone().unwrap_or_default();
        vec![
            self.entry.clone(),
            self.at.to_string(),
            or_empty(&self.arm),
            self.parameter.clone(),
            or_empty(&self.value),
            or_empty(&self.unit),
            self.how.word().to_owned(),
            or_empty(&self.by),
            or_empty(&self.replaces),
            or_empty(&self.reason),
            or_empty(&self.note),
        ]
    }
}

/// What a line of the log that still holds says, in the parameter's own unit.
#[derive(Debug, Clone, PartialEq)]
pub struct LotValue {
    /// The entry of the line.
    pub entry: String,
    /// When.
    pub at: Moment,
    /// Which arm; none: the whole lot.
    pub arm: Option<String>,
    /// The parameter's id.
    pub parameter: String,
    /// The value.
    pub value: Value,
    /// The parameter's unit.
    pub unit: Option<String>,
    /// Whether the maker sets it.
    pub role: Role,
    /// Measured or estimated.
    pub how: How,
    /// A note.
    pub note: Option<String>,
}

/// What is left of a reserve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reserve {
    /// Grams put into it.
    pub kept_g: f64,
    /// Grams drawn from it.
    pub drawn_g: f64,
    /// Grams left; below 0 if more was drawn than kept.
    pub left_g: f64,
}

/// A lot as it was read.
#[derive(Debug, Clone)]
pub struct Lot {
    /// Its id.
    pub id: String,
    /// What it is.
    pub file: Described<LotFile>,
    /// What was done with it: every whole line, corrected or not.
    pub log: Log<LogLine>,
    /// The values that hold, by their moments.
    pub values: Vec<LotValue>,
    /// What a logger wrote down beside it.
    pub followed: Followed,
}

/// What a logger wrote down while the lot was made.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Followed {
    /// The temperature of the leaf from the first roll to the drier.
    pub course: Option<Course>,
    /// The unit and the role of oxidise.temperature in this book, if it has that parameter.
    pub temperature: Option<(String, Role)>,
    /// What is odd in the files, or why they say nothing, in words.
    pub notes: Vec<String>,
    /// Mistakes in files that are left out for them; `notes` tell of them too.
    pub problems: Problems,
}

impl Lot {
    /// Whether a moment of its log stands for the day alone on which it was made: values that are given without a time
    /// are dated at noon of that day.
    #[must_use]
    pub fn is_of_the_day(&self, at: Moment) -> bool {
        self.made().noon(at) == at
    }

    /// The day on which drying ended: ages count from it.
    #[must_use]
    pub fn made(&self) -> Day {
        self.file.value.made
    }

    /// The day from which it was a lot of its own: of a split the day on which it was parted, else
    /// the day on which it was made.
    #[must_use]
    pub fn own_since(&self) -> Day {
        self.file.value.parted.unwrap_or(self.file.value.made)
    }

    /// The arms that there are: those of the split, or "main" alone.
    #[must_use]
    pub fn arms(&self) -> Vec<String> {
        if self.file.value.arms.is_empty() {
            vec![MAIN.to_owned()]
        } else {
            self.file.value.arms.iter().map(|a| a.id.clone()).collect()
        }
    }

    /// The arms that there were on a day: before the first split, "main".
    #[must_use]
    pub fn arms_on(&self, day: Day) -> Vec<String> {
        let split: Vec<String> =
            self.file.value.arms.iter().filter(|a| a.since <= day).map(|a| a.id.clone()).collect();
        if split.is_empty() { vec![MAIN.to_owned()] } else { split }
    }

    /// All arms that there ever were: "main", and those of the split.
    #[must_use]
    pub fn all_arms(&self) -> Vec<String> {
        let split = self.file.value.arms.iter().map(|a| a.id.clone());
        [MAIN.to_owned()].into_iter().chain(split).collect()
    }

    /// Whether there ever was such an arm: one of the split, or "main" before it.
    #[must_use]
    pub fn has_arm(&self, arm: &str) -> bool {
        ids::same(arm, MAIN) || self.file.value.arms.iter().any(|a| ids::same(&a.id, arm))
    }

    /// All values of a parameter that hold for an arm (those of the whole lot among them), by
    /// their moments.
    #[must_use]
    pub fn history(&self, parameter: &str, arm: &str) -> Vec<&LotValue> {
        let of_arm = |v: &&LotValue| v.arm.as_ref().is_none_or(|a| ids::same(a, arm));
        self.values.iter().filter(|v| ids::same(&v.parameter, parameter)).filter(of_arm).collect()
    }

    /// The latest value of a parameter, whatever its arm.
    #[must_use]
    pub fn parameter(&self, id: &str) -> Option<&LotValue> {
        self.values.iter().rfind(|v| ids::same(&v.parameter, id))
    }

    /// The latest value of a parameter for an arm.
    #[must_use]
    pub fn parameter_of(&self, id: &str, arm: &str) -> Option<&LotValue> {
        self.history(id, arm).pop()
    }

    /// What is left of an arm's reserve, if one was recorded (without it nothing is subtracted): lines without an arm are about "main".
    #[must_use]
    pub fn reserve(&self, arm: &str) -> Option<Reserve> {
        let drawn_g = self.drawn_g(arm).unwrap_or(0.0);
        self.grams(RESERVE_KEPT, arm).map(|kept_g| Reserve {
            kept_g,
            drawn_g,
            left_g: kept_g - drawn_g,
        })
    }

    /// Grams drawn for tasting, whether a reserve was recorded or not.
    #[must_use]
    pub fn drawn_g(&self, arm: &str) -> Option<f64> {
        self.grams(RESERVE_DRAWN, arm)
    }

    /// The sum of a parameter of an arm; lines without an arm are about "main".
    fn grams(&self, parameter: &str, arm: &str) -> Option<f64> {
        let grams: Vec<f64> = self
            .values
            .iter()
            .filter(|v| ids::same(&v.parameter, parameter))
            .filter(|v| ids::same(v.arm.as_deref().unwrap_or(MAIN), arm))
            .filter_map(|v| v.value.number())
            .collect();
        (!grams.is_empty()).then(|| grams.iter().sum::<f64>())
    }

    /// Whether an arm is in quarantine: then it is not served.
    #[must_use]
    pub fn is_in_quarantine(&self, arm: &str) -> bool {
        self.parameter_of(QUARANTINE, arm).is_some_and(|v| v.value == Value::YesNo(true))
    }
}
