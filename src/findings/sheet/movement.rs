//! How the sample moved in store, as far as its tastings show it.

use schemars::JsonSchema;
use serde::Serialize;

use super::subject::{Subject, Tasting};
use super::{Record, labelled};
use crate::book::labels::Labels;
use crate::book::time::DAYS_A_MONTH;
use crate::findings::age::summary::parts;
use crate::findings::age::{LotTimes, age_without_excluded};
use crate::findings::{Answer, Settings};
use crate::scores;

/// From its first to its last tasting.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Movement {
    /// Months of age at the first of the tastings that count together.
    pub from_month: f64,
    /// Months of age at the last.
    pub to_month: f64,
    /// Tastings that count together.
    pub n_tastings: usize,
    /// Terms whose change is known, the panel's drift taken off by the reference.
    pub n_terms: usize,
    /// Those of them that moved beyond luck.
    pub moved: Vec<Moved>,
}

/// A term that moved: q below .05 among all terms of all stored samples, as `age` says it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Moved {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// The change, in points of its scale.
    pub change: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// The share of false ones to expect among changes with so small a q.
    pub q_value: f64,
    /// Since when no change to the last tasting is shown, if there is such a tasting.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled: Option<Settled>,
}

/// What can be said of the time since a tasting: never that nothing changes any longer.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Settled {
    /// Months of age at that tasting.
    pub month: f64,
    /// Lower limit of the change from there to the last tasting.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// The sample's movement. Reasons are in words of their own here: those of the analysis may name other lots.
pub(super) fn movement(
    of: &Subject<'_>,
    tastings: &[Tasting<'_>],
    record: &Record<'_>,
    settings: &Settings,
) -> Answer<Movement> {
    if tastings.len() < 2 {
        return Answer::unknown("it was tasted once: how it moves needs two tastings");
    }
    let Some(start) = record.sessions.iter().map(|s| s.day).min() else {
        return Answer::unknown("no session is revealed");
    };
    let Ok(table) = scores::from_revealed(record.sessions) else {
        return Answer::unknown(
            "a term was asked on different scales, so that tastings do not compare",
        );
    };
    let times = LotTimes::of_lots(record.lots, start);
    let sample = of.to_string();
    let found = age_without_excluded(&table, &times, settings);
    if found.individual_opinions {
        return Answer::unknown("so few tasters give individual opinions, so no movement is told");
    }
    let Some(own) = found.samples.iter().find(|s| s.sample == sample) else {
        return Answer::unknown("its tastings do not compare");
    };
    let months: Vec<f64> =
        own.tastings.iter().filter(|t| t.pooled == Answer::Known(true)).map(|t| t.month).collect();
    let (Some(from), Some(to)) = (months.first(), months.last()) else {
        return Answer::unknown("its tastings do not compare");
    };
    // Half a day.
    if months.len() > 1 && to - from < 0.5 / DAYS_A_MONTH {
        return Answer::unknown("its tastings lie on one day, so that there is no time in between");
    }
    let n_terms = own.terms.iter().filter(|t| t.last_change.known().is_some()).count();
    if months.len() < 2 || n_terms == 0 {
        return Answer::unknown(
            "no two tastings with the same recipe had the reference beside it, so that the panel's drift cannot be taken off",
        );
    }
    let asked = record.sessions.iter().flat_map(|s| &s.terms);
    let labels = |id: &str| {
        let known = asked.clone().rfind(|t| t.id == id);
        known.map_or_else(|| Labels::english(id), |t| labelled(&t.labels, &t.id))
    };
    let Answer::Known(summary) = parts(own) else {
        return Answer::unknown("its tastings do not compare");
    };
    let moved = summary
        .moved
        .iter()
        .filter_map(|m| Some((m, m.change.q_value?)))
        .map(|(m, q_value)| Moved {
            term: m.term.clone(),
            labels: labels(&m.term),
            change: m.change.value,
            lower: m.change.lower,
            upper: m.change.upper,
            q_value,
            settled: m.since.as_ref().map(|s| Settled {
                month: s.month,
                lower: s.change.lower,
                upper: s.change.upper,
            }),
        })
        .collect();
    Answer::Known(Movement {
        from_month: *from,
        to_month: *to,
        n_tastings: months.len(),
        n_terms,
        moved,
    })
}
