//! Intraclass correlations of a term, with their limits.

use blindsteep_stats::anova;
use blindsteep_stats::icc::{self, IccComponents, SimulatedPart};
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{self, Brews, LOT, LOT_TASTER, Lots, Panel, TASTER};
use super::unit_table::{self, UnitTable};
use super::{Answer, Estimate, Settings};
use crate::scores::TermScores;

/// Intraclass correlations with their intervals.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Iccs {
    /// What one score is here, and over what a mean is taken.
    pub unit: String,
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
    /// How values and intervals were found.
    pub method: String,
    /// The variances, lots and tasters random.
    pub components: Answer<super::Model>,
}

/// The intraclass correlations of a term.
pub(crate) fn iccs(t: &TermScores, u: &UnitTable, settings: &Settings) -> Answer<Iccs> {
    if u.lots.len() < 2 || u.tasters.len() < 2 {
        return Answer::unknown("an intraclass correlation needs two lots and two tasters");
    }
    let k = u.tasters.len();
    if u.n_replicates() == Some(1) && unit_table::not_plain(t).is_none() {
        return one_score_a_cell(u, settings);
    }
    let panel = match panel_model::fit(t, Lots::Random) {
        Answer::Known(panel) => panel,
        Answer::Unknown(u) => return Answer::Unknown(u),
    };
    let r = u.mean_replicates();
    let (n, how) = match balanced_refit(t, u) {
        Some(_) => (settings.n_resamples, "mean squares"),
        None => (settings.n_refits, "one step of scoring for REML from the variances found"),
    };
    let fitted: Vec<f64> = panel.fit.components.iter().map(|c| c.variance).collect();
    let parts = components_of(&panel, &fitted, panel.fit.sigma2);
    let values = match icc::from_components(&parts, k, r) {
        Ok(values) => values,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let limits = bootstrap(t, &panel, (k, r), settings);
    let with = |value: f64, pick: fn(&icc::IccIntervals) -> [f64; 2]| match &limits {
        Answer::Known(l) => Estimate::of(value, pick(l)[0], pick(l)[1]),
        Answer::Unknown(u) => Answer::Unknown(u.clone()),
    };
    Answer::Known(Iccs {
        unit: format!(
            "one score of one taster; means over {k} tasters with {} {} each",
            super::say(r),
            if r == 1.0 { "score" } else { "scores" }
        ),
        agreement_single: with(values.agreement_single, |l| l.agreement_single),
        consistency_single: with(values.consistency_single, |l| l.consistency_single),
        agreement_mean: with(values.agreement_mean, |l| l.agreement_mean),
        consistency_mean: with(values.consistency_mean, |l| l.consistency_mean),
        k,
        n_replicates: r,
        method: format!(
            "variance components by REML, lots and tasters random; percentile limits of {n} simulated \
             tables, estimated by {how}"
        ),
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
            agreement_single: form(1),
            consistency_single: form(2),
            agreement_mean: form(4),
            consistency_mean: form(5),
            k: u.tasters.len(),
            n_replicates: 1.0,
            method:
                "mean squares of a complete table, one score a cell; limits of Shrout and Fleiss \
                     (1979)"
                    .to_owned(),
            components: Answer::unknown("found from mean squares, not from a model"),
        }
    })
}

/// Whatever is neither lot, taster nor lot × taster changes from score to score.
fn components_of(panel: &Panel, terms: &[f64], residual: f64) -> IccComponents {
    let mut c = IccComponents { lot: 0.0, taster: 0.0, lot_taster: 0.0, residual };
    for (term, variance) in panel.random.iter().zip(terms) {
        match term.name.as_str() {
            LOT => c.lot = *variance,
            TASTER => c.taster = *variance,
            LOT_TASTER => c.lot_taster = *variance,
            _ => c.residual += variance,
        }
    }
    c
}

/// The scores a cell of a balanced table, whose components follow from its mean squares.
fn balanced_refit(t: &TermScores, u: &UnitTable) -> Option<usize> {
    let only_plain = unit_table::not_plain(t).is_none()
        && t.flight.is_none()
        && panel_model::brews(t) != Brews::Several;
    u.n_replicates().filter(|r| only_plain && *r > 1)
}

fn bootstrap(
    t: &TermScores,
    panel: &Panel,
    (k, r): (usize, f64),
    settings: &Settings,
) -> Answer<icc::IccIntervals> {
    let parts: Vec<SimulatedPart> = panel
        .random
        .iter()
        .map(|term| SimulatedPart {
            codes: term.factor.codes.clone(),
            n_levels: term.factor.n_levels,
            variance: panel.variance(&term.name),
        })
        .collect();
    let n = t.values.len();
    let interval = |n_tables| (settings.level, n_tables, settings.seed);
    let table = UnitTable::of(t);
    if let (Some(u), Some(taster)) = (&table, &t.taster)
        && let Some(r_cell) = balanced_refit(t, u)
    {
        let (lots, who) = (&t.lot.codes, &taster.codes);
        let shape = (u.lots.len(), u.tasters.len());
        let refit = |y: &[f64]| {
            let mut cells = vec![vec![Vec::with_capacity(r_cell); shape.1]; shape.0];
            for ((lot, w), value) in lots.iter().zip(who).zip(y) {
                cells[*lot as usize][*w as usize].push(*value);
            }
            let a = anova::two_way_replicated(&cells).ok()?;
            Some(at_least_zero(&a))
        };
        return Answer::of(icc::parametric_bootstrap(
            &parts,
            panel.fit.sigma2,
            n,
            (k, r),
            interval(settings.n_resamples),
            refit,
        ));
    }
    let drawn = panel.model.one_step_bootstrap(&panel.fit, settings.n_refits, settings.seed);
    let tables = drawn.map(|drawn| {
        drawn.iter().map(|table| Some(components_of(panel, &table.terms, table.residual))).collect()
    });
    match tables {
        Ok(tables) => {
            let tables: Vec<Option<IccComponents>> = tables;
            Answer::of(icc::percentile_limits(&tables, (k, r), (settings.level, settings.seed)))
        }
        Err(e) => Answer::unknown(e.to_string()),
    }
}

/// The mean squares' components of a balanced table, a negative one set to 0; where lot × taster
/// is negative its squares join the error, as REML has it.
fn at_least_zero(a: &anova::TwoWay) -> IccComponents {
    let r = a.n_replicates as f64;
    let (mut int, mut err) = (a.interaction.ms, a.error.ms);
    if int < err {
        let df = a.interaction.df + a.error.df;
        err = (a.interaction.ss + a.error.ss) / df;
        int = err;
    }
    let n_lots = a.lot.df + 1.0;
    let n_tasters = a.taster.df + 1.0;
    IccComponents {
        lot: ((a.lot.ms - int) / (r * n_tasters)).max(0.0),
        taster: ((a.taster.ms - int) / (r * n_lots)).max(0.0),
        lot_taster: (int - err) / r,
        residual: err,
    }
}
