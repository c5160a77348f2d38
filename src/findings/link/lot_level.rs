//! A term's lots as the units of a regression: cheap enough to leave each lot out in turn and to
//! put each other parameter in.
//!
//! The variances are held at those of the mixed model. With as many scores from each lot, slopes
//! here are those of the mixed model; otherwise they are near it, and what is reported are changes
//! from one such slope to another, added to the mixed model's effect.

use std::collections::BTreeSet;

use blindsteep_stats::dist::t_quantile_upper;
use blindsteep_stats::partial::{self, Blocks, PartialError, Slope};
use schemars::JsonSchema;
use serde::Serialize;

use super::columns::Line;
use super::effects::EffectTest;
use super::interval;
use super::term_lots::TermLots;
use crate::findings::panel_model::{self, Panel};
use crate::findings::{Answer, Estimate, count};
use crate::scores::TermScores;

/// An added-variable plot: each lot with what the other lines leave of its parameter and of its
/// mean. The slope through the points is the effect of one unit on the lots' means.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AddedVariable {
    /// The slope through the points.
    pub slope: f64,
    /// The points, one a lot.
    pub points: Vec<AddedPoint>,
}

/// A lot in an added-variable plot.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AddedPoint {
    /// The lot.
    pub lot: String,
    /// Its parameter, less what the other lines say of it.
    pub x: f64,
    /// Its mean, less what the other lines say of it.
    pub y: f64,
}

/// The lots of a term.
pub struct LotLevel {
    y: Vec<f64>,
    ones: Vec<f64>,
    recipes: Vec<Vec<f64>>,
    blocks: Blocks,
}

impl LotLevel {
    /// The lots' means, with the variances of a fitted model.
    pub fn new(means: &[f64], lots: &TermLots, panel: &Panel, t: &TermScores) -> Self {
        let (within, between) = variances(lots, panel, t);
        let blocks = Blocks::new(&lots.sessions, within, between);
        Self {
            y: blocks.turn(means),
            ones: blocks.turn(&vec![1.0; means.len()]),
            recipes: lots.recipes.iter().map(|r| blocks.turn(r)).collect(),
            blocks,
        }
    }

    /// The slope on a column beside others.
    pub fn slope(&self, x: &[f64], others: &[&[f64]]) -> Result<Slope, PartialError> {
        let turned = self.turned(others);
        let beside: Vec<&[f64]> = self.beside(&turned);
        partial::slope(&self.y, &self.blocks.turn(x), &beside)
    }

    /// Other columns, turned.
    pub fn turned(&self, others: &[&[f64]]) -> Vec<Vec<f64>> {
        others.iter().map(|c| self.blocks.turn(c)).collect()
    }

    /// The mean and recipes with other columns that are turned.
    pub fn beside<'a>(&'a self, turned: &'a [Vec<f64>]) -> Vec<&'a [f64]> {
        let own = std::iter::once(&self.ones).chain(&self.recipes);
        own.chain(turned).map(Vec::as_slice).collect()
    }

    /// The lots' means, turned.
    pub fn means(&self) -> &[f64] {
        &self.y
    }

    /// How columns are turned.
    pub fn blocks(&self) -> &Blocks {
        &self.blocks
    }
}

/// The variance of a lot's mean that is its own, and that which it shares with those of its session.
fn variances(lots: &TermLots, panel: &Panel, t: &TermScores) -> (f64, f64) {
    let n = lots.places.len().max(1) as f64;
    let own: Vec<usize> = (0..t.values.len())
        .filter(|row| lots.of_code[t.lot.codes[*row] as usize].is_some())
        .collect();
    let apart = |words: &crate::scores::Words| {
        let cells: BTreeSet<(u32, u32)> =
            own.iter().map(|row| (t.lot.codes[*row], words.codes[*row])).collect();
        cells.len().max(1) as f64 / n
    };
    let tasters = t.taster.as_ref().map_or(1.0, apart);
    let pots = panel_model::pots(t).map_or(1.0, apart);
    let scores = own.len().max(1) as f64 / n;
    let v = |name| panel.variance(name);
    let within = v(panel_model::LOT)
        + v(panel_model::LOT_TASTER) / tasters
        + v(panel_model::BREW) / pots
        + panel.fit.sigma2 / scores;
    let k = lots.n_sessions().max(1) as f64;
    let references = (t.values.len() - own.len()) as f64;
    let level = if references > 0.0 {
        // The level of a session is that of the references' scores there.
        panel.fit.sigma2 * k / references
    } else {
        v(panel_model::SESSION) + v(panel_model::SESSION_TASTER) / tasters
    };
    let between = if k > 1.0 { v(panel_model::BATCH) + level } else { 0.0 };
    (within, between)
}

/// The points of a line, with the slope through them.
pub fn added_variable(slope: &Slope, names: Vec<String>) -> AddedVariable {
    let both = slope.x.iter().zip(&slope.y).zip(names);
    AddedVariable {
        slope: slope.estimate,
        points: both.map(|((x, y), lot)| AddedPoint { lot, x: *x, y: *y }).collect(),
    }
}

/// From this share of its variance between sessions on a line is said to vary partly between them.
pub const PARTLY: f64 = 0.3;

/// The effect over the range made within sessions only: each session has a level of its own, so
/// that nothing that sets sessions apart is in it.
pub fn within_sessions(
    means: &[f64],
    lots: &TermLots,
    lines: &[Line],
    of: &[usize],
    tested: usize,
    level: f64,
) -> Answer<Estimate> {
    let line = &lines[tested];
    if lots.n_sessions() < 2 {
        return Answer::unknown("all lots come from one session");
    }
    if line.between_sessions() {
        return Answer::unknown("it hardly varies within sessions");
    }
    if line.share_between_sessions < PARTLY {
        return Answer::unknown(
            "it hardly varies between sessions, so the effect is that within them",
        );
    }
    let blocks = Blocks::apart(&lots.sessions);
    let others = of.iter().filter(|i| **i != tested && !lines[**i].between_sessions());
    let beside: Vec<Vec<f64>> =
        others.map(|i| &lots.values[*i]).chain(&lots.recipes).map(|c| blocks.turn(c)).collect();
    let beside: Vec<&[f64]> = beside.iter().map(Vec::as_slice).collect();
    let found = partial::slope(&blocks.turn(means), &blocks.turn(&lots.values[tested]), &beside);
    let too_few = "within sessions too few lots are left beside the other lines";
    let found = match found {
        Ok(found) => found,
        Err(PartialError::TooFew { .. }) => return Answer::unknown(too_few),
        Err(_) => {
            return Answer::unknown("within sessions it cannot be told apart from the others");
        }
    };
    // Each session takes a degree of freedom.
    let df = found.df - lots.n_sessions() as f64;
    if df < 1.0 {
        return Answer::unknown(too_few);
    }
    let (range, se) = (line.max - line.min, found.se * (found.df / df).sqrt());
    interval(range * found.estimate, range * se, t_quantile_upper(0.5 * (1.0 - level), df))
}

/// The effect of a model that differs a little from the one fitted: the effect moved by as much as
/// the lots' slope moved, its standard error stretched as the lots' was.
pub struct Moved {
    /// The effect of one unit.
    unit: f64,
    /// Its test.
    test: EffectTest,
    /// The lots' slope in the model that was fitted.
    base: (f64, f64, f64),
    level: f64,
}

impl Moved {
    /// From the effect of one unit, its test and the lots' slope in the same model.
    pub fn from(unit: f64, test: EffectTest, slope: &Slope, level: f64) -> Self {
        Self { unit, test, base: (slope.estimate, slope.se, slope.df), level }
    }

    /// The effect over a range, where the lots' slope is another.
    pub fn to(&self, (estimate, se, df): (f64, f64, f64), range: f64) -> Answer<Estimate> {
        let (base, base_se, base_df) = self.base;
        let df = self.test.df + df - base_df;
        if df < 1.0 {
            return Answer::unknown(format!(
                "no more than {} would be left",
                count(df.max(0.0) as usize, "degree of freedom", "degrees of freedom")
            ));
        }
        if base_se <= 0.0 {
            return Answer::unknown("nothing is left to measure chance by");
        }
        let reach = t_quantile_upper(0.5 * (1.0 - self.level), df);
        let value = self.unit + estimate - base;
        interval(range * value, range * self.test.se * se / base_se, reach)
    }

    /// The same for a parameter in another unit: its slope as it stands.
    pub fn in_other_unit(
        &self,
        (estimate, se, df): (f64, f64, f64),
        range: f64,
    ) -> Answer<Estimate> {
        let (base, base_se, base_df) = self.base;
        let df = self.test.df + df - base_df;
        if df < 1.0 || base_se <= 0.0 || base == 0.0 {
            return Answer::unknown("nothing is left to measure chance by");
        }
        let reach = t_quantile_upper(0.5 * (1.0 - self.level), df);
        interval(range * estimate, range * se * self.test.se / base_se, reach)
    }
}
