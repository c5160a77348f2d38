//! Whether a sample may be offered at all: quarantine, and leaf that is too damp to be kept.

use schemars::JsonSchema;
use serde::Serialize;

use super::Record;
use super::subject::Subject;
use crate::book::fitness::{self, Fitness};
use crate::book::time::Day;

/// The day from which the sample is in quarantine, by itself or with the tea that it came of.
pub(super) fn quarantined_since(of: &Subject<'_>, record: &Record<'_>) -> Option<Day> {
    fitness::quarantine(of.lot, &of.arm, record.lots, Day::LAST).map(|q| q.since)
}

/// A measurement that is not below a limit of the book.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct TooDamp {
    /// What was measured.
    pub what: Water,
    /// What was found: percent on wet basis, or water activity.
    pub found: f64,
    /// The day of it.
    pub day: Day,
    /// The limit that it is not below.
    pub limit: f64,
}

/// How the water of leaf is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Water {
    /// In percent, wet basis.
    Moisture,
    /// As water activity.
    WaterActivity,
}

/// What makes its leaf unfit to be kept.
pub(super) fn too_damp(of: &Subject<'_>, record: &Record<'_>) -> Vec<TooDamp> {
    let limits = &record.book.limits;
    let damp = fitness::too_damp(of.lot, &of.arm, record.lots, limits, Day::LAST);
    let told = |what, found: fitness::Found, limit| TooDamp {
        what,
        found: found.value,
        day: found.day,
        limit,
    };
    let moisture = damp.moisture.map(|m| told(Water::Moisture, m, limits.moisture_block_pct));
    let activity =
        damp.water_activity.map(|a| told(Water::WaterActivity, a, limits.water_activity_block));
    moisture.into_iter().chain(activity).collect()
}

/// What the person who issues it should look at first.
pub(super) fn to_look_at(of: &Subject<'_>, record: &Record<'_>) -> Option<String> {
    let fit = fitness::fitness(of.lot, &of.arm, record.lots, &record.book.limits, Day::LAST);
    let reasons = fit.reasons().join("; ");
    match fit {
        Fitness::Fit => None,
        Fitness::Warn(_) => Some(format!("look at it before it is issued: {reasons}")),
        Fitness::Block(_) => {
            Some(format!("the sheet says above all else that it is not offered: {reasons}"))
        }
    }
}
