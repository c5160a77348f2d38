//! One term: the course of each lot over the steeps of the same leaf.

use blindsteep_stats::mixed::{Factor, FixedPart, RandomTerm};
use schemars::JsonSchema;
use serde::Serialize;

use super::in_scale::level_on;
use super::panel_model::{
    self, BREW, FLIGHT, LOT_TASTER, Panel, TASTER, factor, hang_together, pots,
};
use super::term_comparison::{LevelNumbers, level};
use super::{Answer, Model, Settings, Test};
use crate::scores::TermScores;

const CELL: &str = "lot × steep";
const STEEP_TASTER: &str = "steep × taster";
const POT_TASTER: &str = "pot × taster";

/// The courses of the lots.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Steeps {
    /// The steeps, in their order.
    pub steeps: Vec<String>,
    /// The model.
    pub model: Model,
    /// Do the lots change over the steeps in different ways?
    pub course_test: Answer<Test>,
    /// Do the steeps differ, on the average of the lots?
    pub steep_test: Answer<Test>,
    /// Lot by lot.
    pub lots: Vec<LotCourse>,
}

/// The course of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotCourse {
    /// The lot.
    pub lot: String,
    /// Steep by steep, those in which it was scored.
    pub steeps: Vec<SteepLevel>,
}

/// A lot in one steep.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SteepLevel {
    /// The steep.
    pub steep: String,
    /// Its scores.
    pub n_scores: usize,
    /// The adjusted mean, tasters a sample.
    pub adjusted: Answer<LevelNumbers>,
    /// Less the lot's first steep: tasters' offsets are out of it.
    pub since_first: Answer<LevelNumbers>,
}

/// Answers for one term.
pub(super) fn steeps(t: &TermScores, settings: &Settings) -> Answer<Steeps> {
    let Some(steep) = t.steep.as_ref().filter(|s| s.names.len() > 1) else {
        return Answer::unknown("the leaf was steeped once, or steeps are not recorded");
    };
    let n = t.values.len();
    let (lot, when) = (factor(&t.lot), factor(steep));
    let cells = Cells::of(t, steep);
    let mut fixed = FixedPart::cell_means(CELL, &cells.factor, &[]);
    let mut words = vec![CELL.to_owned()];
    for (name, other) in [("recipe", &t.recipe), ("session", &t.session)] {
        let several = other.as_ref().filter(|w| w.names.len() > 1);
        if let Some(w) = several.filter(|w| hang_together(&t.lot, w)) {
            fixed = fixed.with_factor(name, &factor(w), &w.names);
            words.push(format!("{name}s"));
        }
    }
    let mut offered: Vec<RandomTerm> = Vec::new();
    let who = t.taster.as_ref().filter(|w| w.names.len() > 1).map(factor);
    if let Some(who) = &who {
        offered.push(RandomTerm::new(TASTER, who.clone()));
        offered.push(RandomTerm::new(LOT_TASTER, Factor::cross(&lot, who)));
        offered.push(RandomTerm::new(STEEP_TASTER, Factor::cross(&when, who)));
    }
    let sessions = t.session.as_ref().map_or(1, |s| s.names.len());
    if let Some(f) = t.flight.as_ref().filter(|f| f.names.len() > sessions) {
        offered.push(RandomTerm::new(FLIGHT, factor(f)));
    }
    // All steeps come from one pot of leaf, which one taster drank all through.
    let replicate = pots(t).or(t.replicate.as_ref()).map(|p| Factor::cross(&lot, &factor(p)));
    if let Some(pot) = replicate.filter(|p| p.n_levels > t.lot.names.len()) {
        if let Some(who) = &who {
            offered.push(RandomTerm::new(POT_TASTER, Factor::cross(&pot, who)));
        }
        offered.push(RandomTerm::new(BREW, pot));
    }
    offered.retain(|r| r.factor.n_levels < n);
    let prepared = panel_model::prepare(fixed, &words, offered, Vec::new());
    panel_model::fitted(&prepared, t).map(|p| Steeps {
        steeps: steep.names.clone(),
        course_test: cells.course_test(&p),
        steep_test: cells.steep_test(&p),
        lots: cells.courses(&p, t, steep, settings),
        model: p.report(),
    })
}

/// Which column each lot has in each steep.
struct Cells {
    factor: Factor,
    /// `at[lot][steep]`.
    at: Vec<Vec<Option<usize>>>,
    n_scores: Vec<usize>,
}

impl Cells {
    fn of(t: &TermScores, steep: &crate::scores::Words) -> Self {
        let both = crate::scores::cross(&t.lot, steep);
        let mut at = vec![vec![None; steep.names.len()]; t.lot.names.len()];
        let mut n_scores = vec![0; both.names.len()];
        for (row, code) in both.codes.iter().enumerate() {
            at[t.lot.codes[row] as usize][steep.codes[row] as usize] = Some(*code as usize);
            n_scores[*code as usize] += 1;
        }
        let factor = Factor { codes: both.codes, n_levels: n_scores.len() };
        Self { factor, at, n_scores }
    }

    fn row(p: &Panel, weights: &[(usize, f64)]) -> Vec<f64> {
        let mut l = vec![0.0; p.fixed.columns.len()];
        for (at, weight) in weights {
            l[*at] += weight;
        }
        l
    }

    /// Changes from steep to steep of each lot against those of the first that has them.
    fn course_test(&self, p: &Panel) -> Answer<Test> {
        let mut rows = Vec::new();
        for s in 1..self.at.first().map_or(0, Vec::len) {
            let step = |lot: &Vec<Option<usize>>| Some((lot[s - 1]?, lot[s]?));
            let steps: Vec<(usize, usize)> = self.at.iter().filter_map(step).collect();
            let Some((first, others)) = steps.split_first() else { continue };
            for other in others {
                let weights = [(other.1, 1.0), (other.0, -1.0), (first.1, -1.0), (first.0, 1.0)];
                rows.push(Self::row(p, &weights));
            }
        }
        test(p, &rows, "no two lots were scored in the same two steeps")
    }

    /// The mean change from steep to steep, over lots that have both.
    fn steep_test(&self, p: &Panel) -> Answer<Test> {
        let mut rows = Vec::new();
        for s in 1..self.at.first().map_or(0, Vec::len) {
            let step = |lot: &Vec<Option<usize>>| Some((lot[s - 1]?, lot[s]?));
            let steps: Vec<(usize, usize)> = self.at.iter().filter_map(step).collect();
            if steps.is_empty() {
                continue;
            }
            let share = 1.0 / steps.len() as f64;
            let weights: Vec<(usize, f64)> =
                steps.iter().flat_map(|(a, b)| [(*b, share), (*a, -share)]).collect();
            rows.push(Self::row(p, &weights));
        }
        test(p, &rows, "no lot was scored in two steeps")
    }

    fn courses(
        &self,
        p: &Panel,
        t: &TermScores,
        steep: &crate::scores::Words,
        settings: &Settings,
    ) -> Vec<LotCourse> {
        let course = |(lot, name): (&Vec<Option<usize>>, &String)| {
            let first = lot.iter().flatten().next().copied();
            let levels = lot.iter().zip(&steep.names).filter_map(|(at, steep)| {
                let at = (*at)?;
                let own = p.fit.contrast(&Self::row(p, &[(at, 1.0)]), settings.level);
                let since_first = match first {
                    Some(first) if first != at => {
                        let weights = [(at, 1.0), (first, -1.0)];
                        level(&p.fit.contrast(&Self::row(p, &weights), settings.level))
                    }
                    _ => Answer::unknown("this is the first steep"),
                };
                Some(SteepLevel {
                    steep: steep.clone(),
                    n_scores: self.n_scores[at],
                    adjusted: level_on(&own, t.term.ends),
                    since_first,
                })
            });
            LotCourse { lot: name.clone(), steeps: levels.collect() }
        };
        self.at.iter().zip(&t.lot.names).map(course).collect()
    }
}

fn test(p: &Panel, rows: &[Vec<f64>], why: &str) -> Answer<Test> {
    let f = p.fit.f_test(rows);
    if f.num_df < 1.0 || f.f.is_nan() {
        return Answer::unknown(why);
    }
    Test::of(f.f, f.num_df, f.den_df, f.p_value)
}
