//! Why scores differ beyond the lots: offset, scale use, disagreement, noise, or simply lots that
//! are alike; each with the number behind it.

use schemars::JsonSchema;
use serde::Serialize;

use super::habits::{Habits, TasterInTerm};
use super::iccs::Iccs;
use super::panel_model::{LOT, LOT_TASTER, Panel, TASTER};
use super::term_agreement::MixedAssessor;
use super::{Answer, listed, say};

/// A reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReasonKind {
    /// The lots hardly differ.
    LotsAlike,
    /// Tasters sit at different levels of the scale.
    Offset,
    /// Tasters use more or less of the scale.
    ScaleUse,
    /// Tasters order the lots differently.
    Disagreement,
    /// Scores of the same lot by the same taster differ.
    Noise,
    /// Pots, flights or sessions differ.
    Serving,
    /// A taster swaps this term with another.
    Swap,
}

/// A reason with its number.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Reason {
    /// Which.
    pub kind: ReasonKind,
    /// Its share in all variance that does not come from the lots, 0 to 1; for lots alike the
    /// lots' share in the whole variance. What a swap does is within disagreement.
    pub share: Answer<f64>,
    /// In words.
    pub words: String,
}

/// The reasons in a term, the largest share first; lots that are not told apart come before all.
pub fn of(
    panel: &Panel,
    mixed: Option<&MixedAssessor>,
    icc: Option<&Iccs>,
    discriminates: Option<bool>,
) -> Vec<Reason> {
    let taster = panel.variance(TASTER);
    let interaction = panel.variance(LOT_TASTER);
    let residual = panel.fit.sigma2;
    let serving: Vec<(&str, f64)> = panel
        .fit
        .components
        .iter()
        .filter(|c| ![LOT, TASTER, LOT_TASTER].contains(&c.name.as_str()))
        .map(|c| (c.name.as_str(), c.variance))
        .collect();
    let all = taster + interaction + residual + serving.iter().map(|s| s.1).sum::<f64>();
    if all <= 0.0 || !all.is_finite() {
        return Vec::new();
    }
    let percent = |v: f64| format!("{:.0}%", 100.0 * v / all);
    let mut reasons = Vec::new();
    let mut add = |kind, variance: f64, words: String| {
        if variance > 0.0 {
            reasons.push(Reason { kind, share: Answer::Known(variance / all), words });
        }
    };
    add(
        ReasonKind::Offset,
        taster,
        format!(
            "offset: tasters' levels differ by sd {} ({})",
            say(taster.sqrt()),
            percent(taster)
        ),
    );
    let sum =
        |name: &str| mixed.and_then(|m| m.lines.iter().find(|l| l.name == name).map(|l| l.ss));
    let split = match (sum("scaling"), sum("disagreement")) {
        (Some(s), Some(d)) if s + d > 0.0 => Some(s / (s + d)),
        _ => None,
    };
    let scaling = interaction * split.unwrap_or(0.0);
    let slopes: Vec<f64> = mixed
        .map(|m| m.slopes.iter().filter_map(|s| s.slope.known().copied()).collect())
        .unwrap_or_default();
    let range = slopes
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), s| (lo.min(*s), hi.max(*s)));
    add(
        ReasonKind::ScaleUse,
        scaling,
        format!(
            "scale use: tasters spread the same lots by {} to {} of the panel's spread ({})",
            say(range.0),
            say(range.1),
            percent(scaling)
        ),
    );
    let disagreement = interaction - scaling;
    add(
        ReasonKind::Disagreement,
        disagreement,
        format!(
            "{}: tasters see the lots differently by sd {} ({})",
            // The split into scaling and disagreement is that of plain tables.
            if split.is_some() { "disagreement" } else { "disagreement or scale use" },
            say(disagreement.max(0.0).sqrt()),
            percent(disagreement)
        ),
    );
    let has_cells = panel.random.iter().any(|r| r.name == LOT_TASTER);
    add(
        ReasonKind::Noise,
        residual,
        if has_cells {
            format!(
                "noise: the same taster scores the same lot anew with sd {} ({})",
                say(residual.sqrt()),
                percent(residual)
            )
        } else {
            format!(
                "noise and disagreement, not to be told apart without replicates: sd {} ({})",
                say(residual.sqrt()),
                percent(residual)
            )
        },
    );
    for (name, variance) in serving {
        add(
            ReasonKind::Serving,
            variance,
            format!("{name}: levels differ by sd {} ({})", say(variance.sqrt()), percent(variance)),
        );
    }
    reasons.sort_by(|a, b| share(b).total_cmp(&share(a)));
    if discriminates == Some(false) {
        let lot = icc
            .and_then(|i| i.components.known())
            .and_then(|m| m.components.iter().find(|c| c.name == LOT).map(|c| c.variance));
        let words = match lot {
            Some(v) => format!(
                "lots alike: lots differ by sd {}, scores of one lot by sd {}",
                say(v.sqrt()),
                say(all.sqrt())
            ),
            None => format!(
                "lots alike: the lots cannot be told apart; scores of one lot differ by sd {}",
                say(all.sqrt())
            ),
        };
        let share = match lot {
            Some(v) => Answer::Known(v / (v + all)),
            None => Answer::unknown("the lots' own variance is not known"),
        };
        reasons.insert(0, Reason { kind: ReasonKind::LotsAlike, share, words });
    }
    reasons
}

fn share(r: &Reason) -> f64 {
    r.share.known().copied().unwrap_or(0.0)
}

/// Puts names to the reasons of a term: the tasters whose habit it is (only habits that are named, so
/// that chance among many tasters and terms is counted), with their figure in this term; and adds
/// swaps before everything that is not "lots alike".
pub fn name_tasters(
    reasons: &mut Vec<Reason>,
    term: &str,
    tasters: &Answer<Vec<TasterInTerm>>,
    habits: &Answer<Habits>,
) {
    let Some(habits) = habits.known() else { return };
    let none = Vec::new();
    let table = tasters.known().unwrap_or(&none);
    for reason in reasons.iter_mut() {
        let kinds: &[&str] = match reason.kind {
            ReasonKind::Offset => &["offset"],
            ReasonKind::ScaleUse => &["narrow", "wide"],
            ReasonKind::Noise => &["noisy"],
            ReasonKind::Disagreement => &["narrow", "wide", "crossed", "against", "unrelated"],
            ReasonKind::LotsAlike | ReasonKind::Serving | ReasonKind::Swap => continue,
        };
        let mut names: Vec<String> = Vec::new();
        for of_taster in &habits.tasters {
            let held = |h: &&super::habits::Habit| {
                kinds.contains(&h.kind.as_str())
                    && (h.terms.is_empty() || h.terms.iter().any(|t| t == term))
            };
            let own = table.iter().find(|t| t.taster == of_taster.taster);
            if let (Some(habit), Some(own)) = (of_taster.habits.iter().find(held), own) {
                let figure = match habit.kind.as_str() {
                    "offset" => signed(&own.offset),
                    "noisy" => figure(&own.repeatability, "sd"),
                    "crossed" | "against" | "unrelated" => figure(&own.correlation, "r"),
                    _ => figure(&own.corrected_slope, "slope"),
                };
                // Where scaling has a line of its own, narrow and wide stand there.
                names.push(format!("{} {}{figure}", own.taster, habit.kind));
            }
        }
        if !names.is_empty() {
            reason.words.push_str(&format!("; {}", listed(&names)));
        }
    }
    let at = usize::from(reasons.first().is_some_and(|r| r.kind == ReasonKind::LotsAlike));
    let mut swaps = Vec::new();
    for of_taster in &habits.tasters {
        for habit in of_taster.habits.iter().filter(|h| h.kind == "swapped") {
            if habit.terms.iter().any(|t| t == term) {
                swaps.push(Reason {
                    kind: ReasonKind::Swap,
                    share: Answer::unknown("what a swap does is part of the disagreement"),
                    words: format!("swap: {} {}", of_taster.taster, habit.words),
                });
            }
        }
    }
    reasons.splice(at..at, swaps);
}

fn figure(e: &Answer<super::Estimate>, name: &str) -> String {
    e.known().map_or(String::new(), |e| format!(" ({name} {})", say(e.value)))
}

fn signed(e: &Answer<super::Estimate>) -> String {
    e.known().map_or(String::new(), |e| {
        let sign = if e.value > 0.0 { "+" } else { "" };
        format!(" ({sign}{})", say(e.value))
    })
}
