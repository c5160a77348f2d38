//! Ticks, categories and ordered levels: do tasters give the same answer?

use blindsteep_stats::kappa::{self, Weighting};
use blindsteep_stats::{kendall, ticks};
use schemars::JsonSchema;
use serde::Serialize;

use super::unit_table::{UnitTable, Units};
use super::{Answer, Estimate, Settings};
use crate::scores::{ScaleKind, TermScores};

/// Fleiss' kappa.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Kappa {
    /// Kappa: 0 is what luck gives, 1 perfect agreement.
    pub kappa: f64,
    /// Its distance from 0 in standard errors of no agreement (Fleiss, Nee and Landis 1979).
    pub z: f64,
    /// Share of agreeing pairs of tasters.
    pub observed: f64,
    /// Share expected by luck.
    pub expected: f64,
    /// Units judged by every taster.
    pub n_units: usize,
    /// Tasters.
    pub n_tasters: usize,
}

/// Cochran's Q.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Cochran {
    /// The statistic.
    pub q: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Chance of a Q at least as large where lots are ticked alike.
    pub p_value: f64,
    /// Tasters who ticked some lots more than others.
    pub n_informative: usize,
    /// What counts as a row, and how p was found.
    pub method: String,
}

/// McNemar's test: of two that tick, does one tick more often?
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct McNemar {
    /// Ticked by (or for) the first alone.
    pub first_only: u64,
    /// Ticked by (or for) the second alone.
    pub second_only: u64,
    /// Exact two-sided p.
    pub p_exact: f64,
    /// Chi-square on 1 degree of freedom.
    pub chi2: f64,
    /// Its p: rough below about 10 ticks of one alone.
    pub p_chi2: f64,
}

/// Two tasters on what both judged.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PairKappa {
    /// One taster.
    pub first: String,
    /// The other.
    pub second: String,
    /// Units that both judged.
    pub n_units: usize,
    /// Cohen's kappa, each disagreement counted alike; limits by its normal error, rough, or where that is
    /// 0 since all answers are alike, by the exact limits of the share of equal answers.
    pub kappa: Answer<Estimate>,
    /// Weighted by the steps between two levels; ordered levels only.
    pub linear: Answer<Estimate>,
    /// Weighted by the square of the steps; ordered levels only.
    pub quadratic: Answer<Estimate>,
    /// Share of equal answers.
    pub observed: Answer<f64>,
    /// The share that luck gives.
    pub by_luck: Answer<f64>,
    /// Does one of the two tick more often? Ticks only.
    pub mcnemar: Answer<McNemar>,
}

/// All pairs of tasters.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PairKappas {
    /// Which kappa the mean and the order of the pairs are of.
    pub weights: String,
    /// Mean over the pairs that have one.
    pub mean: f64,
    /// The pairs, the least agreeing first; those without a kappa last.
    pub pairs: Vec<PairKappa>,
    /// Coverage of the limits.
    pub level: f64,
}

/// Fleiss' kappa of a term of ticks or categories.
pub(crate) fn fleiss(t: &TermScores, units: Option<&Units>) -> Answer<Kappa> {
    if !matches!(t.term.scale, ScaleKind::Nominal | ScaleKind::Tick) {
        return Answer::unknown("kappa is for ticks and categories");
    }
    let Some(units) = units else { return super::term_agreement::no_tasters() };
    let n_categories = t.values.iter().fold(0.0_f64, |m, v| m.max(*v)) as usize + 1;
    let rows: Vec<Vec<u64>> = units
        .rows
        .iter()
        .filter(|row| row.iter().all(Option::is_some))
        .map(|row| {
            let mut counts = vec![0; n_categories.max(2)];
            for value in row.iter().flatten() {
                counts[*value as usize] += 1;
            }
            counts
        })
        .collect();
    Answer::of(ticks::fleiss_kappa(&rows)).map(|k| Kappa {
        kappa: k.kappa,
        z: k.z,
        observed: k.observed,
        expected: k.expected,
        n_units: k.n_subjects,
        n_tasters: k.n_raters as usize,
    })
}

/// Cochran's Q of a term of ticks.
pub(crate) fn cochran_of(
    t: &TermScores,
    table: Option<&UnitTable>,
    settings: &Settings,
) -> Answer<Cochran> {
    let Some(table) = table else { return super::term_agreement::no_tasters() };
    if t.term.scale != ScaleKind::Tick {
        return Answer::unknown("Cochran's Q is for ticks");
    }
    let Some(rows) = ticked_once(table) else { return repeated(table, settings) };
    if rows.is_empty() {
        return Answer::unknown(
            "no taster ticked or left blank every lot, as Cochran's Q needs it",
        );
    }
    Answer::of(ticks::cochran_q(&rows)).map(|q| Cochran {
        q: q.q,
        df: q.df,
        p_value: q.p_value,
        n_informative: q.n_informative,
        method: "Cochran's Q over tasters, p by chi-squared".to_owned(),
    })
}

/// Where tasters ticked lots several times: repeats of one taster are no further tasters, so each
/// taster counts once, by the share of a lot's cups that were ticked. Q is Friedman's statistic of
/// these shares, which for one tick each is Cochran's Q; p by dealing each taster's shares anew.
fn repeated(table: &UnitTable, settings: &Settings) -> Answer<Cochran> {
    let (rows, who) = table.complete();
    if who.len() < 2 || rows.len() < 2 {
        return Answer::unknown("Cochran's Q needs two lots and two tasters who judged every lot");
    }
    let found = kendall::kendall_w(&rows).and_then(|w| {
        let p = kendall::permutation_p(&rows, settings.n_permutations, settings.seed)?;
        Ok((w, p))
    });
    Answer::of(found).map(|(w, p)| Cochran {
        q: w.chi2,
        df: (rows.len() - 1) as f64,
        p_value: p.p_value,
        n_informative: (0..who.len())
            .filter(|j| rows.iter().any(|row| row[*j] != rows[0][*j]))
            .count(),
        method:
            "each taster once, by the share of a lot's cups that were ticked; p by dealing the \
                 shares anew within tasters"
                .to_owned(),
    })
}

/// One row a taster who ticked or left blank every lot; none where somebody did so to a lot several
/// times, since repeats are no further tasters.
fn ticked_once(table: &UnitTable) -> Option<Vec<Vec<bool>>> {
    if table.cells.iter().flatten().any(|cell| cell.len() > 1) {
        return None;
    }
    let (rows, who) = table.complete();
    Some((0..who.len()).map(|j| rows.iter().map(|row| row[j] > 0.5).collect()).collect())
}

fn mcnemar(first_only: u64, second_only: u64) -> McNemar {
    let m = ticks::mcnemar(first_only, second_only);
    McNemar { first_only, second_only, p_exact: m.exact_p, chi2: m.chi2, p_chi2: m.chi2_p }
}

/// McNemar's test of two lots that were ticked or left blank.
pub(crate) fn two_lots(t: &TermScores, table: Option<&UnitTable>) -> Answer<McNemar> {
    if t.term.scale != ScaleKind::Tick {
        return Answer::unknown("McNemar's test is for ticks");
    }
    if t.lot.names.len() != 2 {
        return Answer::unknown("McNemar's test compares two lots; with more see Cochran's Q");
    }
    let Some(table) = table else { return super::term_agreement::no_tasters() };
    let Some(rows) = ticked_once(table) else {
        return Answer::unknown(
            "somebody ticked or left blank a lot several times: repeats are no further tasters",
        );
    };
    if rows.is_empty() {
        return Answer::unknown("no taster ticked or left blank both lots");
    }
    let only = |a: usize, b: usize| rows.iter().filter(|r| r[a] && !r[b]).count() as u64;
    Answer::Known(mcnemar(only(0, 1), only(1, 0)))
}

/// Every pair of tasters of a term of ticks, categories or ordered levels.
pub(crate) fn pairs(
    t: &TermScores,
    units: Option<&Units>,
    settings: &Settings,
) -> Answer<PairKappas> {
    let scale = t.term.scale;
    if scale == ScaleKind::Line {
        return Answer::unknown("pairs are compared by kappa where scores are levels or answers");
    }
    let (Some(units), Some(taster)) = (units, &t.taster) else {
        return super::term_agreement::no_tasters();
    };
    if taster.names.len() < 2 {
        return Answer::unknown("a pair needs two tasters");
    }
    let levels = levels(t);
    let mut found = Vec::new();
    for first in 0..taster.names.len() {
        for second in first + 1..taster.names.len() {
            found.push(pair(scale, &levels, units, (taster, first, second), settings));
        }
    }
    let which = |p: &PairKappa| match scale {
        ScaleKind::Ordered => p.linear.known().map(|e| e.value),
        _ => p.kappa.known().map(|e| e.value),
    };
    let known: Vec<f64> = found.iter().filter_map(which).collect();
    if known.is_empty() {
        let why = found.first().and_then(|p| p.kappa.reason()).unwrap_or("there is no pair");
        return Answer::unknown(format!("no pair of tasters has a kappa: {why}"));
    }
    found.sort_by(|a, b| {
        let key = |p: &PairKappa| which(p).unwrap_or(f64::INFINITY);
        key(a).total_cmp(&key(b))
    });
    Answer::Known(PairKappas {
        weights: match scale {
            ScaleKind::Ordered => "linear: by the steps between two levels",
            _ => "none: each disagreement counts alike",
        }
        .to_owned(),
        mean: known.iter().sum::<f64>() / known.len() as f64,
        pairs: found,
        level: settings.level,
    })
}

/// The answers there are, each a category: whole steps from the lowest to the highest where levels
/// are numbered so, else the values that occur.
fn levels(t: &TermScores) -> Vec<f64> {
    let mut values = t.values.clone();
    values.sort_by(f64::total_cmp);
    values.dedup();
    let (low, high) = match (values.first(), values.last()) {
        (Some(low), Some(high)) => (*low, *high),
        _ => return values,
    };
    let whole = values.iter().all(|v| v.fract() == 0.0) && high - low <= 100.0;
    if whole { (0..=(high - low) as usize).map(|i| low + i as f64).collect() } else { values }
}

fn pair(
    scale: ScaleKind,
    levels: &[f64],
    units: &Units,
    (taster, first, second): (&crate::scores::Words, usize, usize),
    settings: &Settings,
) -> PairKappa {
    let k = levels.len().max(2);
    let place = |v: f64| levels.partition_point(|l| *l < v);
    let mut counts = vec![vec![0_u64; k]; k];
    let mut n_units = 0;
    for row in &units.rows {
        if let (Some(a), Some(b)) = (row[first], row[second]) {
            counts[place(a)][place(b)] += 1;
            n_units += 1;
        }
    }
    let of = |w: &Weighting| Answer::of(kappa::cohen_kappa(&counts, w, settings.level));
    let plain = of(&Weighting::Equal);
    let estimate = |k: kappa::CohenKappa| {
        Answer::of(k.limits).and_then(|(lower, upper)| Estimate::of(k.kappa, lower, upper))
    };
    let weighted = |w: Weighting| {
        if scale == ScaleKind::Ordered {
            of(&w).and_then(estimate)
        } else {
            Answer::unknown("weights are for ordered levels")
        }
    };
    PairKappa {
        first: taster.names[first].clone(),
        second: taster.names[second].clone(),
        n_units,
        observed: plain.as_ref().map(|k| k.observed),
        by_luck: plain.as_ref().map(|k| k.expected),
        kappa: plain.and_then(estimate),
        linear: weighted(Weighting::Linear),
        quadratic: weighted(Weighting::Quadratic),
        mcnemar: match scale {
            ScaleKind::Tick if n_units > 0 => Answer::Known(mcnemar(counts[1][0], counts[0][1])),
            ScaleKind::Tick => Answer::unknown("the two judged nothing in common"),
            _ => Answer::unknown("McNemar's test is for ticks"),
        },
    }
}
