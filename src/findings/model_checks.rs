//! Is a mixed model one that its scores bear out? Tests of its variances, and its residuals.

use blindsteep_stats::mixed::{Residual, ResidualCheck};
use schemars::JsonSchema;
use serde::Serialize;

use super::Answer;
use super::panel_model::Panel;
use crate::scores::TermScores;

/// From this p-value on the residuals' spread or shape is told: they are many, and hang together.
const STANDS_OUT: f64 = 0.001;

/// The likelihood-ratio test of one variance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct VarianceTest {
    /// Which variance is left out.
    pub name: String,
    /// By how much minus twice the log-likelihood rises without it.
    pub statistic: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// p by chi-square on `df`: too large, since a variance cannot be negative.
    pub p_chi2: f64,
    /// p by the mixture in equal shares of chi-square on `df` - 1 and `df` (Self and Liang 1987).
    pub p_mixture: f64,
}

/// What the model leaves of the scores.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ResidualsOfModel {
    /// The scores with the largest standardised residuals, at most three, largest first.
    pub largest: Vec<NamedResidual>,
    /// What the largest standardised residual exceeds by luck alone in one table of twenty.
    pub by_luck_95: f64,
    /// Do the standardised residuals look normal (Shapiro and Wilk, Royston 1995)?
    pub normality: Answer<Statistic>,
    /// Do they spread more, or less, where scores are higher (Koenker 1981)?
    pub spread: Answer<Statistic>,
    /// What stands out, in sentences; mostly nothing.
    pub stands_out: Vec<String>,
}

/// A statistic with its p-value; a guide, since residuals hang together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Statistic {
    /// W of normality; for the spread the correlation of squared residuals with fitted scores.
    pub value: f64,
    /// The p-value.
    pub p_value: f64,
}

/// One score and what the model makes of it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NamedResidual {
    /// The lot.
    pub lot: String,
    /// The taster, where the table has tasters.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taster: Option<String>,
    /// The session, where there are several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// The score.
    pub score: f64,
    /// What the model has in its place.
    pub fitted: f64,
    /// Their distance in standard deviations of such residuals.
    pub standardised: f64,
}

/// The tests of the variances of a model.
#[must_use]
pub fn variance_tests(panel: &Panel, t: &TermScores) -> Answer<Vec<VarianceTest>> {
    let values = &panel.scores(t).values;
    let tests = panel.model.variance_tests(values, &panel.fit).map(|tests| {
        let of = |v: &blindsteep_stats::mixed::VarianceTest| VarianceTest {
            name: v.name.clone(),
            statistic: v.statistic,
            df: v.df,
            p_chi2: v.p_chi2,
            p_mixture: v.p_mixture,
        };
        tests.iter().map(of).collect()
    });
    Answer::of(tests)
}

/// The residuals of a model.
#[must_use]
pub fn residuals(panel: &Panel, t: &TermScores) -> Answer<ResidualsOfModel> {
    let t = panel.scores(t);
    Answer::of(panel.model.residuals(&t.values, &panel.fit)).map(|check| told(&check, t))
}

fn one(x: f64) -> String {
    format!("{x:.1}")
}

fn told(check: &ResidualCheck, t: &TermScores) -> ResidualsOfModel {
    let named = |r: &Residual| NamedResidual {
        lot: t.lot.names[t.lot.codes[r.row] as usize].clone(),
        taster: t.taster.as_ref().map(|w| w.names[w.codes[r.row] as usize].clone()),
        session: t
            .session
            .as_ref()
            .filter(|w| w.names.len() > 1)
            .map(|w| w.names[w.codes[r.row] as usize].clone()),
        score: t.values[r.row],
        fitted: r.fitted,
        standardised: r.standardised,
    };
    let largest: Vec<NamedResidual> = check.largest(3).iter().map(named).collect();
    let mut stands_out = Vec::new();
    for r in largest.iter().filter(|r| r.standardised.abs() > check.limit) {
        let who = r.taster.as_ref().map_or(String::new(), |w| format!(" by {w}"));
        let when = r.session.as_ref().map_or(String::new(), |s| format!(" in {s}"));
        stands_out.push(format!(
            "The score {} of {}{who}{when} lies {} standard deviations from the {} that the model has \
             (luck alone reaches {} in one table of twenty): was it entered right?",
            one(r.score),
            r.lot,
            one(r.standardised.abs()),
            one(r.fitted),
            one(check.limit)
        ));
    }
    if let Some(s) = check.spread.filter(|s| s.p_value < STANDS_OUT) {
        stands_out.push(format!(
            "Scores spread {} where they are high: intervals are too {} there.",
            if s.correlation > 0.0 { "more" } else { "less" },
            if s.correlation > 0.0 { "short" } else { "long" }
        ));
    }
    let too_many = "there are fewer than 3 scores, more than 5000, or all residuals are equal";
    let normality = match check.normality {
        Some(n) => Answer::Known(Statistic { value: n.w, p_value: n.p_value }),
        None => Answer::unknown(too_many),
    };
    let spread = match check.spread {
        Some(s) => Answer::Known(Statistic { value: s.correlation, p_value: s.p_value }),
        None => Answer::unknown("residuals or fitted scores are all equal"),
    };
    ResidualsOfModel { largest, by_luck_95: check.limit, normality, spread, stands_out }
}
