//! recipes.toml: how cups are brewed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids;
use super::labels::Labels;
use super::problem::Problems;
use super::toml_file::Described;

/// The recipes of a book.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "recipes.toml")]
pub struct Recipes {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// The recipes.
    #[serde(default, rename = "recipe", skip_serializing_if = "Vec::is_empty")]
    pub recipes: Vec<Recipe>,
}

/// How a cup is brewed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Recipe {
    /// Its id.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// What it is called, by language.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub labels: Labels,
    /// Leaf in grams: more than 0, at most 100.
    #[schemars(extend("exclusiveMinimum" = 0, "maximum" = 100))]
    pub leaf_g: f64,
    /// Water in millilitres: more than 0, at most 5000.
    #[schemars(extend("exclusiveMinimum" = 0, "maximum" = 5000))]
    pub water_ml: f64,
    /// Temperature of the water as it is poured, in degrees Celsius: 0 to 100.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub water_c: f64,
    /// Seconds of a rinse that is thrown away.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 600))]
    pub rinse_s: Option<u32>,
    /// Seconds of each steep, one after the other; at most a day each.
    #[schemars(length(min = 1, max = 30), inner(range(min = 1, max = 86400)))]
    pub steeps_s: Vec<u32>,
    /// The vessel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vessel: Option<String>,
    /// The vessel in other languages.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub vessel_labels: Labels,
    /// The source of the water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water: Option<String>,
    /// The water in other languages.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub water_labels: Labels,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

impl Recipe {
    /// The vessel in a language, as far as it is said.
    #[must_use]
    pub fn vessel_in(&self, language: &str) -> Option<&str> {
        self.vessel_labels.0.get(language).map(String::as_str).or(self.vessel.as_deref())
    }

    /// The source of the water in a language, as far as it is said.
    #[must_use]
    pub fn water_in(&self, language: &str) -> Option<&str> {
        self.water_labels.0.get(language).map(String::as_str).or(self.water.as_deref())
    }

    /// Grams of leaf for 100 ml of water.
    #[must_use]
    pub fn grams_per_100_ml(&self) -> f64 {
        100.0 * self.leaf_g / self.water_ml
    }
}

impl Recipes {
    /// The recipe of an id.
    #[must_use]
    pub fn recipe(&self, id: &str) -> Option<&Recipe> {
        self.recipes.iter().find(|r| ids::same(&r.id, id))
    }

    /// The ids of all recipes.
    pub fn recipe_ids(&self) -> impl Iterator<Item = &str> {
        self.recipes.iter().map(|r| r.id.as_str())
    }
}

/// Adds what is wrong in the meaning of recipes whose form is right.
pub(super) fn check(file: &Described<Recipes>, problems: &mut Problems) {
    ids::check_unique(file, "recipe", file.value.recipe_ids(), problems);
}
