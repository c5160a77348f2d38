//! One term: does the ranking of the lots repeat from session to session?

use std::collections::BTreeMap;

use blindsteep_stats::dist::chi2_sf;
use blindsteep_stats::mixed::{Factor, FixedPart, RandomTerm};
use blindsteep_stats::rng::{quantile_of_sorted, replicates};
use blindsteep_stats::{kendall, links};
use schemars::JsonSchema;
use serde::Serialize;

use super::cell_model::{self, CellModel};
use super::panel_model::{
    self, BREW, FLIGHT, LOT, LOT_TASTER, SESSION_TASTER, TASTER, factor, hang_together, pots,
};
use super::unit_table::mean;
use super::{Answer, Settings};
use crate::scores::TermScores;

/// The name of the variance that says lots rank otherwise in another session.
const LOT_SESSION: &str = "lot × session";
/// Fewer lots have no ranking worth the name.
const FEWEST_LOTS: usize = 3;

/// Whether the ranking repeats.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Repeats {
    /// Sessions.
    pub n_sessions: usize,
    /// Agreement of the sessions' rankings over the lots that all of them had.
    pub all: Answer<Concordance>,
    /// Two sessions at a time, over the lots that both had.
    pub pairs: Vec<SessionPair>,
    /// Mean of their rank correlations, over all pairs that share three lots.
    pub mean_rank: Answer<MeanRank>,
    /// How much a lot's difference from the others changes with the session.
    pub lot_session: Answer<LotSession>,
}

/// Kendall's W with sessions in the place of tasters.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Concordance {
    /// Lots that all sessions had.
    pub lots: Vec<String>,
    /// 1: the same ranking in all sessions.
    pub w: f64,
    /// What luck alone gives on average.
    pub w_by_luck: f64,
    /// Chance of a W at least as large where each session ranks at random.
    pub p_value: f64,
    /// Whether all arrangements were counted; otherwise random ones, seeded.
    pub exact: bool,
}

/// Two sessions.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SessionPair {
    /// One.
    pub a: String,
    /// The other.
    pub b: String,
    /// Lots that both had.
    pub n_lots: usize,
    /// Spearman's rank correlation of the lots' adjusted means, with its two-sided p (counted up
    /// to nine lots).
    pub rank: Answer<RankCorrelation>,
}

/// A rank correlation.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RankCorrelation {
    /// The correlation.
    pub rho: f64,
    /// Two-sided p.
    pub p_value: f64,
    /// Whether p counts all orders.
    pub exact: bool,
}

/// The mean of the rank correlations of all pairs of sessions.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MeanRank {
    /// Pairs of sessions.
    pub n_pairs: usize,
    /// The mean.
    pub rho: f64,
    /// The mean that luck alone passes in 5 of 100.
    pub by_luck: f64,
    /// Chance of a mean at least as large where each session's lots stand in random order:
    /// `(1 + hits) / (1 + n)`, one-sided.
    pub p_value: f64,
    /// Random orders drawn.
    pub n_permutations: usize,
}

/// The variance of lot × session.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotSession {
    /// The variance, in squared points.
    pub variance: f64,
    /// Its root: by how much a lot moves against the others from one session to the next.
    pub sd: f64,
    /// Twice the gain in restricted log-likelihood over a model without it.
    pub likelihood_ratio: f64,
    /// p of that ratio, halved since a variance cannot be below 0.
    pub p_value: f64,
    /// The same, not halved.
    pub p_unhalved: f64,
}

/// Random orders of a mean over many pairs.
const MOST_ORDERS: usize = 1000;

/// Answers for one term.
pub(super) fn repeats(t: &TermScores, settings: &Settings) -> Answer<Repeats> {
    let Some(session) = t.session.as_ref().filter(|s| s.names.len() > 1) else {
        return Answer::unknown("one session: whether a ranking repeats needs two");
    };
    let layout = match cell_model::layout(t) {
        Some(layout) => layout,
        None => return Answer::unknown("which session a score belongs to is not recorded"),
    };
    layout.fit(t).map(|model| {
        let table = means(&model, settings);
        let mut pairs = Vec::new();
        for (i, a) in session.names.iter().enumerate() {
            for b in &session.names[i + 1..] {
                let both: Vec<(f64, f64)> = (table.values())
                    .filter_map(|by_session| Some((*by_session.get(a)?, *by_session.get(b)?)))
                    .collect();
                pairs.push(SessionPair {
                    a: a.clone(),
                    b: b.clone(),
                    n_lots: both.len(),
                    rank: rank(&both),
                });
            }
        }
        Repeats {
            mean_rank: mean_rank(&table, &session.names, settings),
            n_sessions: session.names.len(),
            all: concordance(&table, &session.names, settings),
            pairs,
            lot_session: lot_session(t),
        }
    })
}

/// Each lot's adjusted mean in each session; several recipes of a session are averaged.
fn means(model: &CellModel, settings: &Settings) -> BTreeMap<String, BTreeMap<String, f64>> {
    let mut cells: BTreeMap<(String, String), Vec<usize>> = BTreeMap::new();
    for (cell, at) in &model.cells.at {
        cells.entry((cell.sample.clone(), cell.session.clone())).or_default().push(*at);
    }
    let mut table: BTreeMap<String, BTreeMap<String, f64>> = BTreeMap::new();
    for ((lot, session), at) in cells {
        let weights: Vec<(usize, f64)> = at.iter().map(|a| (*a, 1.0 / at.len() as f64)).collect();
        let c = model.contrast(&weights, settings.level);
        if c.estimable && c.estimate.is_finite() {
            // Means that are equal but for rounding are ties.
            table.entry(lot).or_default().insert(session, (c.estimate * 1e9).round() / 1e9);
        }
    }
    table
}

fn rank(both: &[(f64, f64)]) -> Answer<RankCorrelation> {
    if both.len() < FEWEST_LOTS {
        return Answer::unknown("fewer than three lots were served in both");
    }
    let (x, y): (Vec<f64>, Vec<f64>) = both.iter().copied().unzip();
    Answer::of(links::spearman(&x, &y)).map(|s| RankCorrelation {
        rho: s.rho,
        p_value: s.p_value,
        exact: s.orders.is_some(),
    })
}

/// The places of the lots that two sessions share, in the one and in the other.
type Shared = Vec<(usize, usize)>;

/// The mean over pairs, and what it comes to where every session orders its own lots at random.
fn mean_rank(
    table: &BTreeMap<String, BTreeMap<String, f64>>,
    sessions: &[String],
    settings: &Settings,
) -> Answer<MeanRank> {
    // Each session's lots and values; a pair is the places of its shared lots in both.
    let values: Vec<Vec<(usize, f64)>> = sessions
        .iter()
        .map(|s| table.values().enumerate().filter_map(|(i, by)| Some((i, *by.get(s)?))).collect())
        .collect();
    let mut pairs: Vec<(usize, usize, Shared)> = Vec::new();
    for a in 0..sessions.len() {
        for b in a + 1..sessions.len() {
            let shared: Shared = values[a]
                .iter()
                .enumerate()
                .filter_map(|(i, lot)| Some((i, values[b].iter().position(|o| o.0 == lot.0)?)))
                .collect();
            if shared.len() >= FEWEST_LOTS {
                pairs.push((a, b, shared));
            }
        }
    }
    let mean_of = |values: &[Vec<f64>]| {
        let rhos: Vec<f64> = pairs
            .iter()
            .filter_map(|(a, b, shared)| {
                let x: Vec<f64> = shared.iter().map(|(i, _)| values[*a][*i]).collect();
                let y: Vec<f64> = shared.iter().map(|(_, j)| values[*b][*j]).collect();
                links::pearson(&kendall::mid_ranks(&x), &kendall::mid_ranks(&y)).ok()
            })
            .collect();
        mean(&rhos).map(|m| (m, rhos.len()))
    };
    let own: Vec<Vec<f64>> =
        values.iter().map(|v| v.iter().map(|(_, value)| *value).collect()).collect();
    let Some((rho, n_pairs)) = mean_of(&own) else {
        return Answer::unknown("no two sessions share three lots whose means differ");
    };
    let n = settings.n_permutations.min(MOST_ORDERS);
    let mut drawn: Vec<f64> = replicates(n, settings.seed, |dice| {
        let mut shuffled = own.clone();
        shuffled.iter_mut().for_each(|v| dice.shuffle(v));
        mean_of(&shuffled).map_or(0.0, |m| m.0)
    });
    let hits = drawn.iter().filter(|d| **d >= rho - 1e-12).count();
    drawn.sort_by(f64::total_cmp);
    let Some(by_luck) = quantile_of_sorted(&drawn, 0.95) else {
        return Answer::unknown("no random orders were asked for");
    };
    let p_value = (1 + hits) as f64 / (1 + n) as f64;
    Answer::Known(MeanRank { n_pairs, rho, by_luck, p_value, n_permutations: n })
}

fn concordance(
    table: &BTreeMap<String, BTreeMap<String, f64>>,
    sessions: &[String],
    settings: &Settings,
) -> Answer<Concordance> {
    let shared: Vec<(&String, Vec<f64>)> = table
        .iter()
        .filter_map(|(lot, by_session)| {
            let row: Option<Vec<f64>> =
                sessions.iter().map(|s| by_session.get(s).copied()).collect();
            Some((lot, row?))
        })
        .collect();
    if shared.len() < FEWEST_LOTS {
        return Answer::unknown(format!(
            "{} served in every session: three are needed",
            super::count(shared.len(), "lot was", "lots were")
        ));
    }
    let rows: Vec<Vec<f64>> = shared.iter().map(|s| s.1.clone()).collect();
    let w = Answer::of(kendall::kendall_w(&rows));
    let p = Answer::of(kendall::permutation_p(&rows, settings.n_permutations, settings.seed));
    w.and_then(|w| {
        p.map(|p| Concordance {
            lots: shared.iter().map(|s| s.0.clone()).collect(),
            w: w.w,
            w_by_luck: 1.0 / sessions.len() as f64,
            p_value: p.p_value,
            exact: p.method == kendall::PermutationMethod::Exact,
        })
    })
}

/// Lots fixed and lot × session random, beside what the comparison has; sessions fixed where
/// shared lots join them.
fn lot_session(t: &TermScores) -> Answer<LotSession> {
    let Some(session) = &t.session else {
        return Answer::unknown("sessions are not recorded");
    };
    if !hang_together(&t.lot, session) {
        return Answer::unknown("no chain of shared lots joins all sessions");
    }
    let (lot, when) = (factor(&t.lot), factor(session));
    let fixed = FixedPart::cell_means(LOT, &lot, &t.lot.names).with_factor(
        "session",
        &when,
        &session.names,
    );
    let both = Factor::cross(&lot, &when);
    let mut random = vec![RandomTerm::new(LOT_SESSION, both.clone())];
    if let Some(w) = t.taster.as_ref().filter(|w| w.names.len() > 1) {
        let who = factor(w);
        random.push(RandomTerm::new(TASTER, who.clone()));
        random.push(RandomTerm::new(LOT_TASTER, Factor::cross(&lot, &who)));
        random.push(RandomTerm::new(SESSION_TASTER, Factor::cross(&when, &who)));
    }
    if let Some(f) = t.flight.as_ref().filter(|f| f.names.len() > session.names.len()) {
        random.push(RandomTerm::new(FLIGHT, factor(f)));
    }
    if let Some(p) = pots(t) {
        let pot = Factor::cross(&lot, &factor(p));
        if pot.n_levels == both.n_levels {
            return Answer::unknown(
                "each lot was brewed once a session: a lot's move cannot be told from its pot",
            );
        }
        random.push(RandomTerm::new(BREW, pot));
    }
    random.retain(|r| r.factor.n_levels < t.values.len());
    if both.n_levels == t.lot.names.len() || !random.iter().any(|r| r.name == LOT_SESSION) {
        return Answer::unknown("no lot was served in two sessions");
    }
    let words = vec!["lots".to_owned(), "sessions".to_owned()];
    let with = panel_model::prepare(fixed.clone(), &words, random.clone(), Vec::new());
    random.retain(|r| r.name != LOT_SESSION);
    let without = panel_model::prepare(fixed, &words, random, Vec::new());
    panel_model::fitted(&with, t).and_then(|full| {
        if !full.random.iter().any(|r| r.name == LOT_SESSION) {
            return Answer::unknown("this layout cannot tell lot × session from the rest");
        }
        panel_model::fitted(&without, t).map(|less| {
            let gain = less.fit.minus2_log_likelihood - full.fit.minus2_log_likelihood;
            let likelihood_ratio = gain.max(0.0);
            let variance = full.variance(LOT_SESSION);
            let p_unhalved =
                if likelihood_ratio > 0.0 { chi2_sf(likelihood_ratio, 1.0) } else { 1.0 };
            LotSession {
                variance,
                sd: variance.sqrt(),
                likelihood_ratio,
                p_value: if likelihood_ratio > 0.0 { 0.5 * p_unhalved } else { 1.0 },
                p_unhalved,
            }
        })
    })
}
