//! vocabulary.toml: the words of a panel, each with its scale.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids;
use super::labels::Labels;
use super::problem::{Problem, Problems, did_you_mean};
pub use super::scales::{Ends, FAULT_LEVELS, Level, Misfit, Scale, ScaleKind};
use super::time::Day;
use super::toml_file::Described;

/// The words of a panel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "vocabulary.toml")]
pub struct Vocabulary {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// The groups in which terms are asked, in their order.
    #[serde(default, rename = "family", skip_serializing_if = "Vec::is_empty")]
    pub families: Vec<Family>,
    /// The terms. None is ever deleted: a term is retired, or merged into another.
    #[serde(default, rename = "term", skip_serializing_if = "Vec::is_empty")]
    pub terms: Vec<Term>,
}

/// A group of terms.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Family {
    /// Its id.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// Its heading, by language.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub labels: Labels,
}

/// A word of the panel and how it is answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Term {
    /// Its id, never changed once a session has asked it.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// The family that it belongs to.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub family: String,
    /// How it is answered.
    pub scale: Scale,
    /// The word itself, by language.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub labels: Labels,
    /// What is meant by it, by language.
    #[serde(default, skip_serializing_if = "Labels::is_empty")]
    pub definition: Labels,
    /// What it is trained on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// The classes of tea for which it is asked (none named: for all).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub classes: Vec<String>,
    /// Where the term comes from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// The day from which it is no longer asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retired: Option<Day>,
    /// The term that now says the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = ids::PATTERN))]
    pub merged_into: Option<String>,
}

impl Term {
    /// The word for it in a language.
    #[must_use]
    pub fn label(&self, language: &str) -> &str {
        self.labels.or(language, &self.id)
    }

    /// Whether it may be asked on a day.
    #[must_use]
    pub fn is_asked_on(&self, day: Day) -> bool {
        self.merged_into.is_none() && self.retired.is_none_or(|r| day < r)
    }
}

impl Vocabulary {
    /// The term of an id (ids are the same without regard to case).
    #[must_use]
    pub fn term(&self, id: &str) -> Option<&Term> {
        self.terms.iter().find(|t| ids::same(&t.id, id))
    }

    /// The family of an id.
    #[must_use]
    pub fn family(&self, id: &str) -> Option<&Family> {
        self.families.iter().find(|f| ids::same(&f.id, id))
    }

    /// The ids of all terms.
    pub fn term_ids(&self) -> impl Iterator<Item = &str> {
        self.terms.iter().map(|t| t.id.as_str())
    }
}

/// Adds what is wrong in the meaning of a vocabulary whose form is right.
pub(super) fn check(file: &Described<Vocabulary>, problems: &mut Problems) {
    let v = &file.value;
    let families = v.families.iter().map(|f| f.id.as_str());
    ids::check_unique(file, "family", families, problems);
    ids::check_unique(file, "term", v.term_ids(), problems);
    for (i, term) in v.terms.iter().enumerate() {
        let at = i.to_string();
        if v.family(&term.family).is_none() {
            let known = v.families.iter().map(|f| f.id.as_str());
            problems.push(file.problem(
                &["term", &at, "family"],
                format!("there is no family \"{}\"", term.family),
                "the id of a [[family]] of this file",
                did_you_mean(&term.family, known, "add the family"),
            ));
        }
        if let Some(other) = &term.merged_into
            && (v.term(other).is_none() || ids::same(other, &term.id))
        {
            let known = v.term_ids().filter(|t| !ids::same(t, &term.id));
            problems.push(file.problem(
                &["term", &at, "merged_into"],
                format!("\"{}\" cannot be merged into \"{other}\"", term.id),
                "the id of another term of this file",
                did_you_mean(other, known, "add the term that takes its place"),
            ));
        }
        for problem in scale_problems(file, &at, &term.scale) {
            problems.push(problem);
        }
    }
}

fn scale_problems(file: &Described<Vocabulary>, at: &str, scale: &Scale) -> Vec<Problem> {
    let mut found = Vec::new();
    if let Scale::Line { low, high, step, .. } | Scale::Bipolar { low, high, step, .. } = scale {
        if high <= low {
            found.push(file.problem(
                &["term", at, "scale", "high"],
                format!("the high end {high} is not above the low end {low}"),
                "low below high",
                "exchange the two, or correct one",
            ));
        } else if *step > high - low {
            found.push(file.problem(
                &["term", at, "scale", "step"],
                format!("the step {step} is wider than the scale"),
                format!("a step of at most {}", high - low),
                "correct the step",
            ));
        } else if scale.kind() == ScaleKind::Bipolar && !(*low < 0.0 && *high > 0.0) {
            found.push(file.problem(
                &["term", at, "scale", "low"],
                format!("a bipolar scale from {low} to {high} has no middle at 0"),
                "low below 0 and high above 0, as -5 and 5",
                "correct the ends, or make it a line",
            ));
        }
    }
    let levels = scale.levels();
    for (i, level) in levels.iter().enumerate() {
        if let Some(first) = levels[..i].iter().find(|l| ids::same(&l.id, &level.id)) {
            found.push(file.problem(
                &["term", at, "scale", "levels", &i.to_string()],
                format!("the level \"{}\" stands here a second time", first.id),
                "each level once",
                "take one of the two out",
            ));
        }
    }
    found
}
