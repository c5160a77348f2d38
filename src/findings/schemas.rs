//! The JSON Schemas of findings, generated from their types.

use serde_json::Value;

use super::age::Age;
use super::agree::Agree;
use super::compare::Compare;
use super::difference::Difference;
use super::link::Link;
use super::monitor::Monitor;
use super::practice::Practice;
use super::ranking::Ranking;
use super::sheet::Sheet;
use super::trial::{Trial, TrialMade};

/// The schemas by their file names in `schemas/`.
#[must_use]
pub fn all() -> Vec<(&'static str, Value)> {
    vec![
        ("age-2.schema.json", schemars::schema_for!(Age).into()),
        ("agree-1.schema.json", schemars::schema_for!(Agree).into()),
        ("compare-1.schema.json", schemars::schema_for!(Compare).into()),
        ("difference-1.schema.json", schemars::schema_for!(Difference).into()),
        ("link-2.schema.json", schemars::schema_for!(Link).into()),
        ("monitor-1.schema.json", schemars::schema_for!(Monitor).into()),
        ("practice-1.schema.json", schemars::schema_for!(Practice).into()),
        ("ranking-1.schema.json", schemars::schema_for!(Ranking).into()),
        ("sheet-1.schema.json", schemars::schema_for!(Sheet).into()),
        ("trial-1.schema.json", schemars::schema_for!(Trial).into()),
        ("trial-made-1.schema.json", schemars::schema_for!(TrialMade).into()),
    ]
}
