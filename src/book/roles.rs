//! What part a parameter plays: whether one can set it for the next batch.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Whether a parameter is chosen by the maker, given (weather, and whatever else cannot be set), or
/// an outcome of the others.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(inline)]
#[expect(missing_docs, reason = "a comment on a variant would split the enum in the schema")]
pub enum Role {
    #[default]
    Chosen,
    Given,
    Outcome,
}

impl Role {
    /// In a word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Chosen => "chosen",
            Self::Given => "given",
            Self::Outcome => "outcome",
        }
    }

    /// The role of a parameter for which the book says none: that of the parameters that the
    /// program itself knows, else chosen.
    #[must_use]
    pub fn usual(id: &str) -> Self {
        if GIVEN.contains(&id) {
            Self::Given
        } else if OUTCOMES.contains(&id)
            || (id.starts_with("derived.") && !CHOSEN_DERIVED.contains(&id))
        {
            Self::Outcome
        } else {
            Self::Chosen
        }
    }
}

/// What one takes as it comes.
const GIVEN: [&str; 8] = [
    "pluck.mass",
    "pluck.moisture",
    "pluck.temperature",
    "pluck.weather",
    "wither.temperature",
    "wither.humidity",
    "lot.class",
    "lot.garden",
];

/// What the other parameters bring about.
const OUTCOMES: [&str; 8] = [
    "wither.mass-out",
    "wither.moisture",
    "roll.temperature",
    "dry.mass-in",
    "dry.mass-out",
    "dry.moisture",
    "store.moisture",
    "store.water-activity",
];

/// What is worked out, but set by the clock or by how much leaf is spread where.
const CHOSEN_DERIVED: [&str; 4] = [
    "derived.oxidation-hours",
    "derived.press-minutes",
    "derived.press-cycles",
    "derived.wither-load",
];

/// How that is recorded which no log line holds: what a lot is, and what is worked out. `None` for
/// anything else.
#[must_use]
pub fn how_to_record(id: &str) -> Option<String> {
    let id = id.to_lowercase();
    if let Some(key) = id.strip_prefix("lot.") {
        let known = ["season", "cultivar", "class", "plot", "garden"].contains(&key);
        return known.then(|| format!("give --{key} with `lot add`, or write {key} in lot.toml"));
    }
    let sources = match id.strip_prefix("derived.")? {
        "oxidation-hours" => "roll.start and dry.start (or oxidise.hours)",
        "oxidation-dose" => {
            "roll.start and dry.start (or oxidise.hours), and oxidise.temperature or a logger's file"
        }
        "press-minutes" => "roll.press-on and roll.press-off (or roll.press-minutes)",
        "press-cycles" => "roll.press-on and roll.press-off (or roll.press-cycles)",
        "wither-load" => "wither.mass-in and wither.area",
        "wither-loss" => "wither.mass-in and wither.mass-out",
        "wither-rate" => "wither.mass-in, wither.mass-out and wither.hours (or wither.start)",
        "wither-moisture" => "wither.moisture, or pluck.moisture and the masses of withering",
        "mass-loss" => "pluck.mass (or wither.mass-in) and dry.mass-out",
        "moisture" => "dry.moisture, or pluck.moisture and the masses",
        _ => "what it follows from: what is derived is worked out, not logged",
    };
    Some(format!("log {sources}"))
}
