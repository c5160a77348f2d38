//! Intraclass correlations of a term, with their limits.

use blindsteep_stats::icc::{self, IccComponents};
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{self, BREW, FLIGHT, LOT, LOT_TASTER, Lots, Panel, SESSION, TASTER};
use super::unit_table::{self, UnitTable};
use super::{Answer, Estimate, Settings};
use crate::scores::TermScores;

/// Intraclass correlations with their intervals.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Iccs {
    /// What one score is here, and over what a mean is taken.
    pub unit: String,
    /// ICC(1,1): a single score, as if nobody knew whose it is.
    pub one_way_single: Answer<Estimate>,
    /// ICC(1,k): the mean of a lot's scores, likewise.
    pub one_way_mean: Answer<Estimate>,
    /// ICC(A,1): a single score, offsets count against it.
    pub agreement_single: Answer<Estimate>,
    /// ICC(C,1): a single score, offsets forgiven.
    pub consistency_single: Answer<Estimate>,
    /// ICC(A,k): the mean of the panel, offsets count against it.
    pub agreement_mean: Answer<Estimate>,
    /// ICC(C,k): the mean of the panel, offsets forgiven.
    pub consistency_mean: Answer<Estimate>,
    /// Tasters in the mean.
    pub k: usize,
    /// Scores a taster in the mean.
    pub n_replicates: f64,
    /// How values and intervals were found, and how often such intervals held what was planted.
    pub method: String,
    /// Coverage asked for.
    pub level: f64,
    /// The variances, lots and tasters random.
    pub components: Answer<super::Model>,
}

/// The intraclass correlations of a term.
pub(crate) fn iccs(t: &TermScores, u: &UnitTable, settings: &Settings) -> Answer<Iccs> {
    if u.lots.len() < 2 || u.tasters.len() < 2 {
        return Answer::unknown("an intraclass correlation needs two lots and two tasters");
    }
    let k = u.tasters.len();
    // Repeats that repeat themselves exactly are one score.
    let once = panel_model::once_a_cell(t).is_some();
    let complete = u.complete().1.len() == k;
    if (u.n_replicates() == Some(1) || once && complete) && unit_table::not_plain(t).is_none() {
        return one_score_a_cell(u, settings);
    }
    let panel = match panel_model::fit(t, Lots::Random) {
        Answer::Known(panel) => panel,
        Answer::Unknown(u) => return Answer::Unknown(u),
    };
    let r = if once { 1.0 } else { u.mean_replicates() };
    let fitted: Vec<f64> = panel.fit.components.iter().map(|c| c.variance).collect();
    let parts = components_of(&panel, &fitted, panel.fit.sigma2, 1.0);
    let shared = shared_in_the_mean(t, k, r);
    let in_mean = components_of(&panel, &fitted, panel.fit.sigma2, shared);
    let found = icc::from_components(&parts, k, r)
        .and_then(|single| Ok((single, icc::from_components(&in_mean, k, r)?)));
    let values = match found {
        Ok((single, of_mean)) => icc::ComponentIccs {
            agreement_mean: of_mean.agreement_mean,
            consistency_mean: of_mean.consistency_mean,
            ..single
        },
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let limits = limits(&panel, (k, r), 1.0, settings).and_then(|single| {
        if shared == 1.0 {
            return Answer::Known(single);
        }
        limits(&panel, (k, r), shared, settings).map(|of_mean| icc::IccIntervals {
            agreement_mean: of_mean.agreement_mean,
            consistency_mean: of_mean.consistency_mean,
            ..single
        })
    });
    let with = |value: f64, pick: fn(&icc::IccIntervals) -> [f64; 2]| match &limits {
        Answer::Known(l) => Estimate::of(value, pick(l)[0], pick(l)[1]),
        Answer::Unknown(u) => Answer::Unknown(u.clone()),
    };
    let (one_way_single, one_way_mean) = one_way(t, u, settings);
    Answer::Known(Iccs {
        unit: format!(
            "one score of one taster; means over {k} tasters with {} {} each",
            super::say(r),
            if r == 1.0 { "score" } else { "scores" }
        ),
        one_way_single,
        one_way_mean,
        agreement_single: with(values.agreement_single, |l| l.agreement_single),
        consistency_single: with(values.consistency_single, |l| l.consistency_single),
        agreement_mean: with(values.agreement_mean, |l| l.agreement_mean),
        consistency_mean: with(values.consistency_mean, |l| l.consistency_mean),
        k,
        n_replicates: r,
        method: format!(
            "variance components by REML, lots and tasters random; generalised confidence limits from {} \
             draws of the mean squares, seed {}; pots, flights and sessions, which all tasters share, do \
             not average out over tasters in a mean; {}",
            settings.n_resamples,
            settings.seed,
            icc::COVERAGE
        ),
        level: settings.level,
        components: Answer::Known(panel.report()),
    })
}

fn one_score_a_cell(u: &UnitTable, settings: &Settings) -> Answer<Iccs> {
    let (rows, _) = u.complete();
    Answer::of(icc::shrout_fleiss(&rows, settings.level)).map(|six| {
        let form = |at: usize| {
            let i = &six.forms[at];
            Estimate::of(i.value, i.lower, i.upper)
        };
        Iccs {
            unit: format!("one score of one taster; means over {} tasters", u.tasters.len()),
            one_way_single: form(0),
            one_way_mean: form(3),
            agreement_single: form(1),
            consistency_single: form(2),
            agreement_mean: form(4),
            consistency_mean: form(5),
            k: u.tasters.len(),
            n_replicates: 1.0,
            method:
                "mean squares of a complete table, one score a cell; limits of Shrout and Fleiss \
                     (1979): (1) and (C) exact for normal scores, (A) approximate"
                    .to_owned(),
            level: settings.level,
            components: Answer::unknown("found from mean squares, not from a model"),
        }
    })
}

/// The forms that do not ask who scored.
fn one_way(
    t: &TermScores,
    u: &UnitTable,
    settings: &Settings,
) -> (Answer<Estimate>, Answer<Estimate>) {
    if let Some(why) = unit_table::not_plain(t) {
        return (Answer::unknown(why.clone()), Answer::unknown(why));
    }
    let groups: Vec<Vec<f64>> = u.cells.iter().map(|row| row.concat()).collect();
    match icc::one_way_forms(&groups, settings.level) {
        Ok([single, mean]) => (
            Estimate::of(single.value, single.lower, single.upper),
            Estimate::of(mean.value, mean.lower, mean.upper),
        ),
        Err(e) => (Answer::unknown(e.to_string()), Answer::unknown(e.to_string())),
    }
}

/// How much more the variance of pots, flights and sessions weighs in the panel's mean than what
/// changes from score to score: all tasters share them, so that the mean over `k` tasters with `r`
/// scores each holds as many of them as a lot has pots, not `k r`.
fn shared_in_the_mean(t: &TermScores, k: usize, r: f64) -> f64 {
    let Some(pots) = panel_model::pots(t) else { return 1.0 };
    let a_lot = crate::scores::cross(&t.lot, pots).names.len() as f64 / t.lot.names.len() as f64;
    (k as f64 * r / a_lot).max(1.0)
}

/// Whatever is neither lot, taster nor lot × taster changes from score to score; what all tasters
/// share of it weighs `shared` times.
fn components_of(panel: &Panel, terms: &[f64], residual: f64, shared: f64) -> IccComponents {
    let mut c = IccComponents { lot: 0.0, taster: 0.0, lot_taster: 0.0, residual };
    for (term, variance) in panel.random.iter().zip(terms) {
        match term.name.as_str() {
            LOT => c.lot = *variance,
            TASTER => c.taster = *variance,
            LOT_TASTER => c.lot_taster = *variance,
            BREW | FLIGHT | SESSION => c.residual += shared * variance,
            _ => c.residual += variance,
        }
    }
    c
}

fn limits(
    panel: &Panel,
    shape: (usize, f64),
    shared: f64,
    settings: &Settings,
) -> Answer<icc::IccIntervals> {
    let covariance = match panel.model.variance_covariance(&panel.fit) {
        Ok(covariance) => covariance,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    // The residual, then from the finest term to the coarsest, lots last.
    let mut order: Vec<usize> = (0..panel.random.len()).collect();
    order.sort_by_key(|&i| {
        let r = &panel.random[i];
        (r.name == LOT, std::cmp::Reverse(r.factor.n_levels))
    });
    let places: Vec<usize> = std::iter::once(0).chain(order.into_iter().map(|i| i + 1)).collect();
    let estimate = |place: usize| match place {
        0 => panel.fit.sigma2,
        i => panel.fit.components[i - 1].variance,
    };
    let estimates: Vec<f64> = places.iter().map(|&p| estimate(p)).collect();
    let covariance: Vec<Vec<f64>> =
        places.iter().map(|&i| places.iter().map(|&j| covariance[i][j]).collect()).collect();
    let pick = |drawn: &[f64]| {
        let mut parts = vec![0.0; places.len()];
        for (place, value) in places.iter().zip(drawn) {
            parts[*place] = *value;
        }
        components_of(panel, &parts[1..], parts[0], shared)
    };
    let draw = (settings.level, settings.n_resamples, settings.seed);
    Answer::of(icc::generalised_limits(&estimates, &covariance, pick, shape, draw))
}
