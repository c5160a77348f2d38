//! Names at the left of rows: cut to a width, yet never so that two of them look alike.

use std::collections::{BTreeMap, BTreeSet};

use super::font::{fit, fit_middle};
use super::{Lang, words};

/// What is printed for each name of a chart.
pub(super) struct Names {
    shown: BTreeMap<String, String>,
    /// Full names under their numbers, to be printed below the chart if names alone were not enough.
    pub(super) key: Vec<String>,
}

impl Names {
    /// Cuts names to `max` pixels: at their end if they still differ then, otherwise in the middle,
    /// otherwise with a number before each, whose full name goes into the key.
    pub(super) fn new<'a>(names: impl Iterator<Item = &'a str>, px: f64, max: f64) -> Self {
        let mut seen = BTreeSet::new();
        let names: Vec<&str> = names.filter(|name| seen.insert(*name)).collect();
        for cut in [fit, fit_middle] {
            let shown: BTreeMap<String, String> =
                names.iter().map(|name| ((*name).to_owned(), cut(name, px, max))).collect();
            if shown.values().collect::<BTreeSet<_>>().len() == names.len() {
                return Self { shown, key: Vec::new() };
            }
        }
        let numbered = |i: usize, name: &str| format!("{} {name}", i + 1);
        let shown = names
            .iter()
            .enumerate()
            .map(|(i, name)| ((*name).to_owned(), fit(&numbered(i, name), px, max)))
            .collect();
        let key = names.iter().enumerate().map(|(i, name)| numbered(i, name)).collect();
        Self { shown, key }
    }

    /// The numbered names with what they stand for, where numbers had to stand for them.
    pub(super) fn key_note(&self, lang: Lang) -> Option<String> {
        (!self.key.is_empty()).then(|| self.key.join(words::list_gap(lang)))
    }

    /// What is printed for a name.
    pub(super) fn shown<'a>(&'a self, name: &'a str) -> &'a str {
        self.shown.get(name).map_or(name, String::as_str)
    }
}
