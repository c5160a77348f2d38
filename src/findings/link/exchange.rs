//! The same question without the normal distribution: lots, or whole sessions, are exchanged.

use blindsteep_stats::permute::{self, PermuteError, Permuted};
use blindsteep_stats::{links, rng};
use schemars::JsonSchema;
use serde::Serialize;

use super::columns::Line;
use super::effects::TermLots;
use crate::findings::{Answer, Settings, count};

/// A permutation test.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Permutation {
    /// What was exchanged, in words.
    pub exchanged: String,
    /// The share of arrangements at least as far out as the one observed.
    pub p_value: f64,
    /// Partial correlation of the line with what was exchanged.
    pub correlation: f64,
    /// Arrangements counted, the observed one among them.
    pub n_arrangements: u64,
    /// Whether these are all there are.
    pub all: bool,
    /// The smallest p that these lots' means could give, however they were exchanged.
    pub smallest_p: f64,
}

/// Tests line `tested` among the lines `of` on the lots' adjusted means: residuals of the model
/// without it are exchanged within sessions, or, of a line that varies between sessions, the
/// means of whole sessions are.
pub fn test(
    means: &[f64],
    lots: &TermLots,
    lines: &[Line],
    of: &[usize],
    tested: usize,
    settings: &Settings,
) -> Answer<Permutation> {
    let k = lots.n_sessions();
    // Each line has draws of its own, the same in every term.
    let mut stream = rng::stream(settings.seed, tested as u64);
    let n_draws = settings.n_permutations;
    let others: Vec<usize> = of.iter().copied().filter(|i| *i != tested).collect();
    if lines[tested].between_sessions() && k > 1 {
        return between_sessions(means, lots, lines, &others, tested).and_then(|s| {
            let found = permute::freedman_lane(
                &s.means,
                &s.tested,
                &s.others,
                &vec![0; k],
                n_draws,
                &mut stream,
            );
            let words = format!("means of {}", count(k, "whole session", "whole sessions"));
            said(found, words, "sessions")
        });
    }
    let mut nuisance = sessions(lots);
    nuisance.extend(others.iter().map(|i| lots.values[*i].clone()));
    let found = permute::freedman_lane(
        means,
        &lots.values[tested],
        &nuisance,
        &lots.sessions,
        n_draws,
        &mut stream,
    );
    let n = count(means.len(), "lot", "lots");
    let words = if k > 1 {
        format!("residuals of {n} within {}", count(k, "session", "sessions"))
    } else {
        format!("residuals of {n}")
    };
    said(found, words, "lots within sessions")
}

fn said(
    found: Result<Permuted, PermuteError>,
    exchanged: String,
    what: &str,
) -> Answer<Permutation> {
    match found {
        Ok(p) => Answer::Known(Permutation {
            exchanged,
            p_value: p.p_value,
            correlation: p.correlation,
            n_arrangements: p.n_arrangements,
            all: p.all,
            smallest_p: p.smallest_p,
        }),
        Err(PermuteError::TooFew { .. }) => Answer::unknown(format!(
            "beside the other parameters too few {what} are left to be exchanged"
        )),
        Err(PermuteError::Dependent) => Answer::unknown(format!(
            "given the other parameters it does not vary between {what}, so nothing can be exchanged"
        )),
        Err(PermuteError::NothingToExchange) => {
            Answer::unknown("each session has one lot only, so no two may be exchanged")
        }
        Err(e) => Answer::unknown(e.to_string()),
    }
}

/// Each session as a column of its own; together they hold the mean.
fn sessions(lots: &TermLots) -> Vec<Vec<f64>> {
    let column = |s: u32| lots.sessions.iter().map(|x| f64::from(u8::from(*x == s))).collect();
    (0..lots.n_sessions() as u32).map(column).collect()
}

struct BySession {
    means: Vec<f64>,
    tested: Vec<f64>,
    others: Vec<Vec<f64>>,
}

/// Session means of the lots' means, less what lines that vary within sessions do to them by
/// their slopes within sessions.
fn between_sessions(
    means: &[f64],
    lots: &TermLots,
    lines: &[Line],
    others: &[usize],
    tested: usize,
) -> Answer<BySession> {
    let within: Vec<&Vec<f64>> = others
        .iter()
        .filter(|i| !lines[**i].between_sessions())
        .map(|i| &lots.values[*i])
        .collect();
    let mut rest = means.to_vec();
    if !within.is_empty() {
        // The mean stands for one of the sessions.
        let indicators = sessions(lots);
        let columns: Vec<&[f64]> =
            indicators.iter().skip(1).chain(within.iter().copied()).map(Vec::as_slice).collect();
        let Ok(fit) = links::ols(&columns, means, 0.95) else {
            return Answer::unknown(
                "within sessions too few lots are left to take the other parameters out",
            );
        };
        let slopes = fit.coefficients.iter().skip(indicators.len());
        for (slope, column) in slopes.zip(&within) {
            rest.iter_mut().zip(column.iter()).for_each(|(r, x)| *r -= slope.estimate * x);
        }
    }
    let mean_of = |values: &[f64]| -> Vec<f64> {
        sessions(lots)
            .iter()
            .map(|s| {
                let n: f64 = s.iter().sum();
                s.iter().zip(values).map(|(i, v)| i * v).sum::<f64>() / n
            })
            .collect()
    };
    let mut columns = vec![vec![1.0; lots.n_sessions()]];
    columns.extend(
        others.iter().filter(|i| lines[**i].between_sessions()).map(|i| mean_of(&lots.values[*i])),
    );
    Answer::Known(BySession {
        means: mean_of(&rest),
        tested: mean_of(&lots.values[tested]),
        others: columns,
    })
}
