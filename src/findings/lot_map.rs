//! A map of the lots over the terms that the panel tells apart.

use std::collections::BTreeSet;

use blindsteep_stats::map::{Draws, Layout, map};
use blindsteep_stats::pca::Weighing;
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{BREW, Panel, pots};
use super::{Answer, FEW_TASTERS, Settings};
use crate::scores::{TermScores, cross};

/// Simulated panels on which the coverage of the regions is measured.
const N_PANELS: usize = 300;

/// The map.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotMap {
    /// The terms it is made of: those in which the panel tells the lots apart.
    pub terms: Vec<String>,
    /// "points": terms weigh as their points of the scale do; "standardised": each over its
    /// standard deviation between the lots, because their scales differ.
    pub weighing: String,
    /// Share of the variance between lots in each direction, the largest first.
    pub shares: Vec<f64>,
    /// The share of the first two directions together that tables of this layout pass in 5 of 100
    /// where no lot differs.
    pub share_by_luck: Answer<f64>,
    /// The lots.
    pub points: Vec<MapPoint>,
    /// The terms.
    pub arrows: Vec<MapArrow>,
    /// Coverage that the regions are made for.
    pub level: f64,
    /// Share of the regions that held the true place on simulated panels of this layout.
    pub measured_coverage: Answer<f64>,
    /// Simulated panels.
    pub n_panels: usize,
    /// Resamples of the tasters.
    pub n_resamples: usize,
}

/// A lot on the map.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MapPoint {
    /// The lot.
    pub lot: String,
    /// Along the first direction.
    pub x: f64,
    /// Along the second.
    pub y: f64,
    /// The region in which it lies.
    pub region: Answer<Region>,
}

/// An ellipse about a lot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Region {
    /// Long half-axis.
    pub long: f64,
    /// Short half-axis.
    pub short: f64,
    /// Angle of the long axis from the first direction towards the second, in radians.
    pub angle: f64,
}

/// A term on the map.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MapArrow {
    /// The term.
    pub term: String,
    /// Its loading on the first direction.
    pub x: f64,
    /// Its loading on the second.
    pub y: f64,
    /// Its correlation with the first direction over the lots.
    pub r_x: f64,
    /// The same with the second.
    pub r_y: f64,
}

/// What the map needs of a term.
#[derive(Debug, Clone)]
pub(super) struct TermOnMap {
    /// Lots with their adjusted means and the variance their pots give them.
    lots: Vec<(String, f64, f64)>,
    /// For each taster the deviation of each lot, in the order of `lots`.
    tasters: Vec<(String, Vec<Option<f64>>)>,
}

/// A term's adjusted means and what each taster adds to them.
pub(super) fn of_term(p: &Panel, t: &TermScores) -> Option<TermOnMap> {
    let t = p.scores(t);
    let n = t.lot.names.len();
    let means: Vec<f64> = p.fit.adjusted_means(0.95).iter().map(|c| c.estimate).collect();
    let n_pots: Vec<usize> = pots(t).map_or_else(
        || vec![1; n],
        |words| {
            let both = cross(&t.lot, words);
            let mut of = vec![0; both.names.len()];
            both.codes.iter().zip(&t.lot.codes).for_each(|(c, l)| of[*c as usize] = *l as usize);
            (0..n).map(|lot| of.iter().filter(|o| **o == lot).count().max(1)).collect()
        },
    );
    let pot = p.variance(BREW);
    let lots = (0..n).map(|i| (t.lot.names[i].clone(), means[i], pot / n_pots[i] as f64)).collect();
    let taster = t.taster.as_ref()?;
    let mut sums = vec![vec![(0.0, 0usize); n]; taster.names.len()];
    for (row, value) in t.values.iter().enumerate() {
        let fitted: f64 =
            p.fixed.columns.iter().zip(&p.fit.beta).map(|(column, b)| column[row] * b).sum();
        let cell = &mut sums[taster.codes[row] as usize][t.lot.codes[row] as usize];
        cell.0 += value - fitted;
        cell.1 += 1;
    }
    let mut rows: Vec<Vec<Option<f64>>> = sums
        .into_iter()
        .map(|r| r.into_iter().map(|(s, n)| (n > 0).then(|| s / n as f64)).collect())
        .collect();
    for row in &mut rows {
        let own: Vec<f64> = row.iter().flatten().copied().collect();
        let level = own.iter().sum::<f64>() / own.len().max(1) as f64;
        row.iter_mut().flatten().for_each(|v| *v -= level);
    }
    for i in 0..n {
        let own: Vec<f64> = rows.iter().filter_map(|r| r[i]).collect();
        let centre = own.iter().sum::<f64>() / own.len().max(1) as f64;
        rows.iter_mut().filter_map(|r| r[i].as_mut()).for_each(|v| *v -= centre);
    }
    Some(TermOnMap { lots, tasters: taster.names.iter().cloned().zip(rows).collect() })
}

/// The map of terms with their ends of scale.
pub(super) fn lot_map(
    terms: &[(&str, &TermOnMap, &Answer<[f64; 2]>)],
    settings: &Settings,
) -> Answer<LotMap> {
    if terms.len() < 2 {
        return Answer::unknown(format!(
            "the panel tells the lots apart in {}: a map needs two",
            super::count(terms.len(), "term on a line", "terms on a line")
        ));
    }
    let scored = |lot: &str| {
        terms.iter().all(|(_, t, _)| t.lots.iter().any(|l| l.0 == lot && l.1.is_finite()))
    };
    let lots: Vec<&String> = terms[0].1.lots.iter().map(|l| &l.0).filter(|l| scored(l)).collect();
    if lots.len() < 3 {
        return Answer::unknown(format!(
            "{} scored in all of these terms: a map needs three lots",
            super::count(lots.len(), "lot was", "lots were")
        ));
    }
    let tasters: BTreeSet<&String> =
        terms.iter().flat_map(|(_, t, _)| t.tasters.iter().map(|w| &w.0)).collect();
    let at = |t: &TermOnMap, lot: &str| t.lots.iter().position(|l| l.0 == lot);
    let by = |f: &dyn Fn(&TermOnMap, usize) -> f64| -> Vec<Vec<f64>> {
        let row =
            |lot: &&String| terms.iter().filter_map(|(_, t, _)| Some(f(t, at(t, lot)?))).collect();
        lots.iter().map(row).collect()
    };
    let deviations = tasters
        .iter()
        .map(|who| {
            let of = |t: &TermOnMap, lot: &str| {
                let row = &t.tasters.iter().find(|w| w.0 == **who)?.1;
                row[at(t, lot)?]
            };
            lots.iter().map(|lot| terms.iter().map(|(_, t, _)| of(t, lot)).collect()).collect()
        })
        .collect();
    let first = terms[0].2.known();
    let one_scale = first.is_some() && terms.iter().all(|t| t.2.known() == first);
    let layout = Layout {
        means: by(&|t, i| t.lots[i].1),
        shared: by(&|t, i| t.lots[i].2),
        deviations,
        weighing: if one_scale { Weighing::Covariance } else { Weighing::Correlation },
    };
    let draws = Draws {
        n_resamples: settings.n_resamples,
        n_panels: if tasters.len() > FEW_TASTERS { N_PANELS } else { 0 },
        seed: settings.seed,
        level: settings.level,
    };
    let found = match map(&layout, draws) {
        Ok(found) => found,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let c = &found.components;
    let points = lots
        .iter()
        .zip(&c.scores)
        .zip(&found.regions)
        .map(|((lot, at), region)| MapPoint {
            lot: (*lot).clone(),
            x: at[0],
            y: at[1],
            region: region.map_or_else(
                || Answer::unknown("a region needs four tasters who scored the lot in every term"),
                |e| Answer::Known(Region { long: e.long, short: e.short, angle: e.angle }),
            ),
        })
        .collect();
    let arrow = |(j, (term, _, _)): (usize, &(&str, &TermOnMap, _))| {
        let l = &c.loadings[j];
        let spread: f64 = l.iter().zip(&c.variances).map(|(l, v)| l * l * v).sum::<f64>().sqrt();
        let r = |axis: usize| {
            if spread > 0.0 { l[axis] * c.variances[axis].sqrt() / spread } else { 0.0 }
        };
        MapArrow { term: (*term).to_owned(), x: l[0], y: l[1], r_x: r(0), r_y: r(1) }
    };
    let no_region = "no lot was scored by four tasters in every term";
    Answer::Known(LotMap {
        terms: terms.iter().map(|t| t.0.to_owned()).collect(),
        weighing: if one_scale { "points" } else { "standardised" }.to_owned(),
        shares: c.shares.clone(),
        share_by_luck: found
            .share_by_luck
            .map_or_else(|| Answer::unknown(no_region), Answer::Known),
        points,
        arrows: terms.iter().enumerate().map(arrow).collect(),
        level: settings.level,
        measured_coverage: found.coverage.map_or_else(|| Answer::unknown(no_region), Answer::Known),
        n_panels: draws.n_panels,
        n_resamples: draws.n_resamples,
    })
}
