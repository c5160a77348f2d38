//! Why scores differ beyond the lots: offset, scale use, disagreement, noise, or simply lots that
//! are alike; each with the number behind it.

use schemars::JsonSchema;
use serde::Serialize;

use super::iccs::Iccs;
use super::panel_model::{LOT, LOT_TASTER, Panel, TASTER};
use super::say;
use super::term_agreement::MixedAssessor;

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
}

/// A reason with its number.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Reason {
    /// Which.
    pub kind: ReasonKind,
    /// Its share in all variance that does not come from the lots, 0 to 1; for lots alike the
    /// lots' share in the whole variance.
    pub share: f64,
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
            reasons.push(Reason { kind, share: variance / all, words });
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
    reasons.sort_by(|a, b| b.share.total_cmp(&a.share));
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
        let share = lot.map_or(0.0, |v| v / (v + all));
        reasons.insert(0, Reason { kind: ReasonKind::LotsAlike, share, words });
    }
    reasons
}
