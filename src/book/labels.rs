//! Texts in several languages.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A text in several languages: `{ en = "Bright", zh = "明亮" }`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
#[schemars(inline)]
pub struct Labels(pub BTreeMap<String, String>);

impl Labels {
    /// A text in English alone.
    #[must_use]
    pub fn english(text: &str) -> Self {
        Self(BTreeMap::from([("en".to_owned(), text.to_owned())]))
    }

    /// The text in a language; English, or else any language that there is, in its stead.
    #[must_use]
    pub fn get(&self, language: &str) -> Option<&str> {
        self.0
            .get(language)
            .or_else(|| self.0.get("en"))
            .or_else(|| self.0.values().next())
            .map(String::as_str)
    }

    /// The text in a language, or the given one (an id) where there is none at all.
    #[must_use]
    pub fn or<'a>(&'a self, language: &str, id: &'a str) -> &'a str {
        self.get(language).unwrap_or(id)
    }

    /// Whether there is no text in any language.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}
