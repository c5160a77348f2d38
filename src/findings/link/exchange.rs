//! The same question without the normal distribution: lots, or whole sessions, are exchanged.

use blindsteep_stats::permute::{self, PermuteError, Permuted};
use blindsteep_stats::{links, rng};
use schemars::JsonSchema;
use serde::Serialize;

use super::LinkedTerm;
use super::columns::Line;
use super::term_lots::{TermLots, TermWork};
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

/// Tests all lines of all terms on the lots' adjusted means: residuals of the model without a line
/// are exchanged within sessions, or, of a line that varies between sessions, the means of whole
/// sessions are. Terms of the same lots and lines share their arrangements.
pub fn all(
    terms: &mut [LinkedTerm],
    works: &[TermWork],
    lines: &[Line],
    together: bool,
    settings: &Settings,
) {
    let mut done = vec![false; works.len()];
    for first in 0..works.len() {
        if done[first] {
            continue;
        }
        let like = |w: &TermWork| {
            w.lots.places == works[first].lots.places
                && w.in_model == works[first].in_model
                && w.lots.recipes == works[first].lots.recipes
        };
        let same: Vec<usize> =
            (first..works.len()).filter(|i| !done[*i] && like(&works[*i])).collect();
        same.iter().for_each(|i| done[*i] = true);
        let known: Vec<(usize, &[f64])> =
            same.iter().filter_map(|i| Some((*i, works[*i].means.known()?.as_slice()))).collect();
        for i in same {
            if let Answer::Unknown(why) = &works[i].means {
                let own = terms[i].effects.iter_mut().enumerate();
                own.filter(|(l, _)| works[i].in_model.contains(l))
                    .for_each(|(_, e)| e.permutation = Answer::Unknown(why.clone()));
            }
        }
        let lots = &works[first].lots;
        if together {
            of_model(&known, lots, lines, &works[first].in_model, settings, terms);
        } else {
            for line in &works[first].in_model {
                of_model(&known, lots, lines, std::slice::from_ref(line), settings, terms);
            }
        }
    }
}

/// Tests the lines of one model for several terms.
fn of_model(
    known: &[(usize, &[f64])],
    lots: &TermLots,
    lines: &[Line],
    of: &[usize],
    settings: &Settings,
    terms: &mut [LinkedTerm],
) {
    let k = lots.n_sessions();
    let (between, within): (Vec<usize>, Vec<usize>) =
        of.iter().partition(|i| lines[**i].between_sessions() && k > 1);
    for i in between {
        let others: Vec<usize> = of.iter().copied().filter(|o| *o != i).collect();
        for (term, means) in known {
            terms[*term].effects[i].permutation =
                whole_sessions(means, lots, lines, &others, i, settings);
        }
    }
    if within.is_empty() || known.is_empty() {
        return;
    }
    let ys: Vec<&[f64]> = known.iter().map(|x| x.1).collect();
    let tested: Vec<&[f64]> = within.iter().map(|i| lots.values[*i].as_slice()).collect();
    let n_draws = settings.n_permutations;
    let found = permute::freedman_lane_all(
        &ys,
        &tested,
        &lots.recipes,
        &lots.sessions,
        n_draws,
        settings.seed,
    );
    let n = count(lots.places.len(), "lot", "lots");
    let words = if k > 1 {
        format!("residuals of {n} within {}", count(k, "session", "sessions"))
    } else {
        format!("residuals of {n}")
    };
    for (at, (term, _)) in known.iter().enumerate() {
        for (place, line) in within.iter().enumerate() {
            let own = found.clone().and_then(|all| all[at][place].clone());
            terms[*term].effects[*line].permutation =
                said(own, words.clone(), "lots within sessions");
        }
    }
}

/// Tests a line that varies between sessions.
fn whole_sessions(
    means: &[f64],
    lots: &TermLots,
    lines: &[Line],
    others: &[usize],
    tested: usize,
    settings: &Settings,
) -> Answer<Permutation> {
    let k = lots.n_sessions();
    // Each line has draws of its own, the same in every term.
    let mut stream = rng::stream(settings.seed, tested as u64);
    between_sessions(means, lots, lines, others, tested).and_then(|s| {
        let found = permute::freedman_lane(
            &s.means,
            &s.tested,
            &s.others,
            &vec![0; k],
            settings.n_permutations,
            &mut stream,
        );
        let words = format!("means of {}", count(k, "whole session", "whole sessions"));
        said(found, words, "sessions")
    })
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
    if !within.is_empty() || !lots.recipes.is_empty() {
        // The mean stands for one of the sessions.
        let indicators = lots.session_columns();
        let columns: Vec<&[f64]> = indicators
            .iter()
            .skip(1)
            .chain(&lots.recipes)
            .chain(within.iter().copied())
            .map(Vec::as_slice)
            .collect();
        let Ok(fit) = links::ols(&columns, means, 0.95) else {
            return Answer::unknown(
                "within sessions too few lots are left to take the other parameters out",
            );
        };
        let slopes = fit.coefficients.iter().skip(indicators.len() + lots.recipes.len());
        for (slope, column) in slopes.zip(&within) {
            rest.iter_mut().zip(column.iter()).for_each(|(r, x)| *r -= slope.estimate * x);
        }
    }
    let mean_of = |values: &[f64]| -> Vec<f64> {
        lots.session_columns()
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
