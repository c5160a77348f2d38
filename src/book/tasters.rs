//! tasters.toml: who tastes. Names never leave the book unless asked.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids;
use super::problem::Problems;
use super::time::Day;
use super::toml_file::Described;

/// The tasters of a book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "tasters.toml")]
pub struct Tasters {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// The tasters.
    #[serde(default, rename = "taster", skip_serializing_if = "Vec::is_empty")]
    pub tasters: Vec<Taster>,
}

/// Somebody who tastes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Taster {
    /// Their id, as on ballots.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// Their name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The day on which they joined.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joined: Option<Day>,
    /// The day on which they left.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left: Option<Day>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

impl Tasters {
    /// The taster of an id.
    #[must_use]
    pub fn taster(&self, id: &str) -> Option<&Taster> {
        self.tasters.iter().find(|t| ids::same(&t.id, id))
    }

    /// The ids of all tasters.
    pub fn taster_ids(&self) -> impl Iterator<Item = &str> {
        self.tasters.iter().map(|t| t.id.as_str())
    }
}

/// Adds what is wrong in the meaning of tasters whose form is right.
pub(super) fn check(file: &Described<Tasters>, problems: &mut Problems) {
    ids::check_unique(file, "taster", file.value.taster_ids(), problems);
    for (i, taster) in file.value.tasters.iter().enumerate() {
        if let (Some(joined), Some(left)) = (taster.joined, taster.left)
            && left < joined
        {
            problems.push(file.problem(
                &["taster", &i.to_string(), "left"],
                format!("{} left on {left}, before joining on {joined}", taster.id),
                format!("a day from {joined} on"),
                "correct one of the two days",
            ));
        }
    }
}
