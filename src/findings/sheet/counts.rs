//! Ticks, categories and faults: how many answers said what.

use schemars::JsonSchema;
use serde::Serialize;

use super::labelled;
use super::subject::Tasting;
use crate::book::labels::Labels;
use crate::book::time::Day;
use crate::book::vocabulary::{Scale, Term};

/// A word that was ticked or not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Tick {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// Answers in which it was ticked.
    pub n_ticked: usize,
    /// Answers.
    pub n: usize,
}

/// A term whose answers are categories.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Category {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// Whether the categories stand in an order.
    pub ordered: bool,
    /// The categories that were given: the most frequent first, or in their order.
    pub levels: Vec<LevelCount>,
    /// Answers.
    pub n: usize,
}

/// A category.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LevelCount {
    /// Its id.
    pub level: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// How often it was given.
    pub n: usize,
}

/// A fault.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Fault {
    /// The term.
    pub term: String,
    /// What it is called, by language.
    pub labels: Labels,
    /// Answers: absent.
    pub n_absent: usize,
    /// Answers: trace.
    pub n_trace: usize,
    /// Answers: clear.
    pub n_clear: usize,
    /// Answers: rejects the lot.
    pub n_rejects: usize,
    /// Answers.
    pub n: usize,
    /// Whether somebody rejects the lot for it, or at least half of the answers find it clearly.
    pub grave: bool,
}

/// A fault at an earlier tasting, where an answer was clear or rejected the lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct EarlierFault {
    /// The last day of that tasting.
    pub day: Day,
    /// What was found.
    pub fault: Fault,
}

/// All counts of a tasting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counts {
    /// Ticks.
    pub ticks: Vec<Tick>,
    /// Categories.
    pub categories: Vec<Category>,
    /// Faults.
    pub faults: Vec<Fault>,
}

impl Counts {
    pub(super) fn of(tasting: &Tasting<'_>) -> Self {
        let mut counts = Self { ticks: Vec::new(), categories: Vec::new(), faults: Vec::new() };
        for term in &tasting.session.terms {
            let values: Vec<f64> =
                tasting.scores().filter(|s| s.term == term.id).map(|s| s.value).collect();
            if values.is_empty() {
                continue;
            }
            match &term.scale {
                Scale::Tick => counts.ticks.push(Tick {
                    term: term.id.clone(),
                    labels: labelled(&term.labels, &term.id),
                    n_ticked: values.iter().filter(|v| **v > 0.5).count(),
                    n: values.len(),
                }),
                Scale::Ordered { .. } | Scale::Nominal { .. } => {
                    counts.categories.push(category(term, &values));
                }
                Scale::Fault => counts.faults.push(fault(term, &values)),
                Scale::Line { .. } | Scale::Bipolar { .. } | Scale::Note => {}
            }
        }
        counts.ticks.sort_by_key(|t| std::cmp::Reverse(t.n_ticked));
        counts
    }
}

fn category(term: &Term, values: &[f64]) -> Category {
    let ordered = matches!(term.scale, Scale::Ordered { .. });
    let mut levels: Vec<LevelCount> = (0_u32..)
        .zip(term.scale.levels())
        .map(|(i, level)| LevelCount {
            level: level.id.clone(),
            labels: labelled(&level.labels, &level.id),
            n: values.iter().filter(|v| **v == f64::from(i)).count(),
        })
        .filter(|l| l.n > 0)
        .collect();
    if !ordered {
        levels.sort_by_key(|l| std::cmp::Reverse(l.n));
    }
    Category {
        term: term.id.clone(),
        labels: labelled(&term.labels, &term.id),
        ordered,
        levels,
        n: values.len(),
    }
}

fn fault(term: &Term, values: &[f64]) -> Fault {
    let n = |level: f64| values.iter().filter(|v| **v == level).count();
    let (n_clear, n_rejects) = (n(2.0), n(3.0));
    Fault {
        term: term.id.clone(),
        labels: labelled(&term.labels, &term.id),
        n_absent: n(0.0),
        n_trace: n(1.0),
        n_clear,
        n_rejects,
        n: values.len(),
        grave: n_rejects > 0 || 2 * (n_clear + n_rejects) >= values.len(),
    }
}

/// Faults of all tastings but the last, where they were more than a trace: a known fault is never withheld.
pub(super) fn earlier_faults(tastings: &[Tasting<'_>]) -> Vec<EarlierFault> {
    let Some((_, earlier)) = tastings.split_last() else { return Vec::new() };
    let of = |t: &Tasting<'_>| -> Vec<EarlierFault> {
        let Some(day) = t.days.last().copied() else { return Vec::new() };
        Counts::of(t)
            .faults
            .into_iter()
            .filter(|f| f.n_clear + f.n_rejects > 0)
            .map(|fault| EarlierFault { day, fault })
            .collect()
    };
    earlier.iter().flat_map(of).collect()
}
