//! The contrasts that a trial was planned for: a family of their own.

use blindsteep_stats::multiple;
use schemars::JsonSchema;
use serde::Serialize;

use super::columns::Line;
use super::rows::LinkedLot;
use super::{LinkedTerm, PlannedTrial};
use crate::findings::{ALPHA, Answer, Estimate};
use crate::scores::Makings;

/// What was planned, and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Planned {
    /// The trial.
    pub trial: String,
    /// Its runs.
    pub runs: Vec<RunMade>,
    /// How many of them were made, tasted and linked.
    pub n_linked: usize,
    /// Factors of which nothing can be said, with the reason.
    pub not_asked: Vec<NotAsked>,
    /// Each factor's effect on each term, as the lots' logs say it was made.
    pub contrasts: Vec<PlannedContrast>,
}

/// A run of the trial.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RunMade {
    /// Its number.
    pub run: u32,
    /// The lot that is linked.
    pub lot: Answer<String>,
}

/// A factor that has no effect here.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct NotAsked {
    /// The factor.
    pub factor: String,
    /// Why.
    pub reason: String,
}

/// A planned contrast.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PlannedContrast {
    /// The factor; several that these lots do not tell apart with "or" between them.
    pub factor: String,
    /// The line that holds it.
    pub line: String,
    /// The term.
    pub term: String,
    /// Its effect over the range made.
    pub over_range: Answer<Estimate>,
    /// Its p.
    pub p_value: Answer<f64>,
    /// Its p among all planned ones (Holm).
    pub p_holm: Answer<f64>,
    /// Whether that is below 0.05.
    pub shown: bool,
}

/// Whether a line holds a factor of the trial.
pub fn holds(trial: &PlannedTrial, line: &Line) -> bool {
    trial.factors.iter().any(|f| member_of(f, line))
}

/// Whether a term is one that the trial is about.
pub fn about(trial: &PlannedTrial, term: &str) -> bool {
    trial.terms.is_empty() || trial.terms.iter().any(|t| t == term)
}

fn member_of(factor: &str, line: &Line) -> bool {
    line.members.iter().any(|m| {
        let rest = m.column.strip_prefix(factor);
        rest.is_some_and(|r| r.is_empty() || r.starts_with('='))
    })
}

/// Whether a lot that is linked was made for the trial: without one nothing planned is asked, since
/// the lots made before would answer alone.
pub fn begun(trial: &PlannedTrial, lots: &[LinkedLot], makings: &Makings) -> bool {
    let of_trial =
        |l: &LinkedLot| makings.trial_runs.get(&l.lot).is_some_and(|r| r.0 == trial.name);
    lots.iter().any(of_trial)
}

/// What a trial was planned for.
pub fn of(
    trial: &PlannedTrial,
    lines: &[Line],
    terms: &[LinkedTerm],
    lots: &[LinkedLot],
    makings: &Makings,
) -> Planned {
    let mut contrasts: Vec<PlannedContrast> = Vec::new();
    let mut not_asked = Vec::new();
    for factor in &trial.factors {
        let own: Vec<usize> = (0..lines.len()).filter(|i| member_of(factor, &lines[*i])).collect();
        if own.is_empty() {
            let reason = "it is no line: it did not vary, has gaps or was not asked".to_owned();
            not_asked.push(NotAsked { factor: factor.clone(), reason });
        }
        for term in terms.iter().filter(|t| about(trial, &t.term)) {
            for i in &own {
                let e = &term.effects[*i];
                let same = |c: &&mut PlannedContrast| c.line == e.line && c.term == term.term;
                if let Some(known) = contrasts.iter_mut().find(same) {
                    // One line, one question.
                    known.factor = format!("{} or {factor}", known.factor);
                    continue;
                }
                contrasts.push(PlannedContrast {
                    factor: factor.clone(),
                    line: e.line.clone(),
                    term: term.term.clone(),
                    over_range: e.over_range.clone(),
                    p_value: e.test.as_ref().map(|t| t.p_value),
                    p_holm: Answer::unknown("the effect has no p"),
                    shown: false,
                });
            }
        }
    }
    let known: Vec<f64> = contrasts.iter().filter_map(|c| c.p_value.known().copied()).collect();
    let mut holm = multiple::holm(&known).unwrap_or_default().into_iter();
    for c in contrasts.iter_mut().filter(|c| c.p_value.known().is_some()) {
        if let Some(p) = holm.next() {
            c.shown = p < ALPHA;
            c.p_holm = Answer::Known(p);
        }
    }
    let runs: Vec<RunMade> = trial
        .runs
        .iter()
        .map(|run| {
            let of_run = |l: &&LinkedLot| {
                makings.trial_runs.get(&l.lot).is_some_and(|(t, r)| *t == trial.name && r == run)
            };
            let made = makings.trial_runs.values().any(|(t, r)| *t == trial.name && r == run);
            let why =
                if made { "its lot is not linked" } else { "no lot says that it is of this run" };
            let lot = lots.iter().find(of_run).map(|l| l.lot.clone());
            RunMade { run: *run, lot: Answer::of(lot.ok_or(why)) }
        })
        .collect();
    let n_linked = runs.iter().filter(|r| r.lot.known().is_some()).count();
    Planned { trial: trial.name.clone(), runs, n_linked, not_asked, contrasts }
}
