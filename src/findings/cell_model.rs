//! A mean for every sample in every session: the model behind what moves and what does not.

use std::collections::BTreeMap;
use std::sync::Arc;

use blindsteep_stats::mixed::{Contrast, Factor, Family, FixedPart, MixedError, RandomTerm};

use super::panel_model::{self, BREW, FLIGHT, Panel, Prepared, SESSION_TASTER, TASTER, factor};
use super::{Answer, listed};
use crate::scores::{TermScores, Words, cross};

const CELL: &str = "sample × session";
const SAMPLE_TASTER: &str = "sample × taster";
const LOT_TASTER: &str = "lot × taster";
const TASTER_MONTH: &str = "taster × month";

/// From so many cells on no columns are written out for them.
const MANY_CELLS: usize = 150;

/// A sample in a session, brewed by one recipe.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Cell {
    /// The sample.
    pub sample: String,
    /// The session.
    pub session: String,
    /// The recipe, if recipes are recorded.
    pub recipe: Option<String>,
}

/// A column of means with weights: what is asked of the model.
pub type Weights = Vec<(usize, f64)>;

/// The cells of a term, and where each score belongs.
#[derive(Debug)]
pub struct Cells {
    /// The cell of each score.
    pub codes: Vec<u32>,
    /// What the cells are, by their numbers.
    pub cells: Vec<Cell>,
    /// The number of each cell.
    pub at: BTreeMap<Cell, usize>,
    /// How many scores each cell has.
    pub n_scores: Vec<usize>,
}

impl Cells {
    /// The cells of a term; none if the scores do not say in which session they were given.
    #[must_use]
    pub fn of(t: &TermScores) -> Option<Self> {
        let session = t.session.as_ref()?;
        let pair = cross(&t.lot, session);
        let words = t.recipe.as_ref().map_or_else(|| pair.clone(), |r| cross(&pair, r));
        let mut cells: Vec<Option<Cell>> = vec![None; words.names.len()];
        let mut n_scores = vec![0; words.names.len()];
        for (row, code) in words.codes.iter().enumerate() {
            n_scores[*code as usize] += 1;
            let name = |w: &Words| w.names[w.codes[row] as usize].clone();
            cells[*code as usize].get_or_insert_with(|| Cell {
                sample: name(&t.lot),
                session: name(session),
                recipe: t.recipe.as_ref().map(name),
            });
        }
        let cells: Vec<Cell> = cells.into_iter().flatten().collect();
        let at = cells.iter().cloned().zip(0..).collect();
        Some(Self { codes: words.codes, cells, at, n_scores })
    }

    fn factor(&self) -> Factor {
        Factor { codes: self.codes.clone(), n_levels: self.cells.len() }
    }
}

/// The lots of samples, if some lot has several arms.
fn families(samples: &Words) -> Option<Factor> {
    let lot = |name: &String| name.split_once('@').map_or(name.as_str(), |(lot, _)| lot).to_owned();
    let mut lots: Vec<String> = samples.names.iter().map(lot).collect();
    lots.sort();
    lots.dedup();
    let at: BTreeMap<&String, u32> = lots.iter().zip(0..).collect();
    let of: Vec<u32> = samples.names.iter().map(|n| at[&lot(n)]).collect();
    (lots.len() < samples.names.len()).then(|| Factor {
        codes: samples.codes.iter().map(|c| of[*c as usize]).collect(),
        n_levels: lots.len(),
    })
}

/// A layout of scores, made once for all terms that were scored alike.
#[derive(Debug)]
pub struct Layout {
    /// The cells.
    pub cells: Arc<Cells>,
    /// Whether some cell was brewed more than once; none if pots are not recorded.
    several_brews: Option<bool>,
    prepared: Result<Prepared, MixedError>,
}

/// The fitted model of a term.
#[derive(Debug)]
pub struct CellModel {
    /// The fit with its story.
    pub panel: Panel,
    /// The cells.
    pub cells: Arc<Cells>,
    /// Whether some cell was brewed more than once; none if pots are not recorded.
    pub several_brews: Option<bool>,
}

/// Whether two terms were scored alike: in the same cups by the same tasters.
#[must_use]
pub fn alike(a: &TermScores, b: &TermScores) -> bool {
    fn columns(t: &TermScores) -> [&Option<Words>; 7] {
        [&t.session, &t.taster, &t.flight, &t.brew, &t.cup, &t.recipe, &t.steep]
    }
    a.lot == b.lot && a.month == b.month && columns(a) == columns(b)
}

/// The first of each kind of terms that were scored [`alike`], and the kind of each term.
#[must_use]
pub fn kinds(terms: &[&TermScores]) -> (Vec<usize>, Vec<usize>) {
    let mut firsts: Vec<usize> = Vec::new();
    let of = (0..terms.len()).map(|i| {
        let known = firsts.iter().position(|j| alike(terms[*j], terms[i]));
        known.unwrap_or_else(|| {
            firsts.push(i);
            firsts.len() - 1
        })
    });
    let of = of.collect();
    (firsts, of)
}

/// The layout of a term; none if the scores do not say in which session they were given.
///
/// Fixed: a mean for each sample in each session by each recipe, and steeps where there are several;
/// random: taster, sample × taster, lot × taster where lots have arms, session × taster, each taster's
/// own drift a month, flight, and pot. The session itself is in the means. How a taster sees one sample
/// on one day is not told from the residual.
#[must_use]
pub fn layout(t: &TermScores) -> Option<Layout> {
    let n = t.values.len();
    let cells = Cells::of(t)?;
    let cell = cells.factor();
    let names: Vec<String> = (1..=cells.cells.len()).map(|i| i.to_string()).collect();
    let mut fixed = if cell.n_levels >= MANY_CELLS {
        FixedPart::cells_apart(CELL, &cell, &names)
    } else {
        FixedPart::cell_means(CELL, &cell, &names)
    };
    let mut words = vec![CELL.to_owned()];
    if t.recipe.as_ref().is_some_and(|r| r.names.len() > 1) {
        words[0].push_str(" × recipe");
    }
    if let Some(s) = t.steep.as_ref().filter(|s| s.names.len() > 1) {
        fixed = fixed.with_factor("steep", &factor(s), &s.names);
        words.push("steeps".to_owned());
    }
    let mut notes = Vec::new();
    let mut offered: Vec<RandomTerm> = Vec::new();
    if let Some(w) = t.taster.as_ref().filter(|w| w.names.len() > 1) {
        let who = factor(w);
        offered.push(RandomTerm::new(TASTER, who.clone()));
        offered.push(RandomTerm::new(SAMPLE_TASTER, Factor::cross(&factor(&t.lot), &who)));
        // What a taster sees in a lot is seen in all its arms, and does not part them.
        if let Some(lot) = families(&t.lot) {
            offered.push(RandomTerm::new(LOT_TASTER, Factor::cross(&lot, &who)));
        }
        if let Some(s) = t.session.as_ref().filter(|s| s.names.len() > 1) {
            offered.push(RandomTerm::new(SESSION_TASTER, Factor::cross(&factor(s), &who)));
            // From the mean month on, so that level and drift of a taster are not correlated.
            if let Some(months) = &t.month {
                let mean = months.iter().sum::<f64>() / n as f64;
                let since = months.iter().map(|m| m - mean).collect();
                offered.push(RandomTerm::slope(TASTER_MONTH, who, since));
            }
        }
    }
    let n_sessions = t.session.as_ref().map_or(1, |s| s.names.len());
    if let Some(f) = t.flight.as_ref().filter(|f| f.names.len() > n_sessions) {
        offered.push(RandomTerm::new(FLIGHT, factor(f)));
    }
    let mut several_brews = None;
    if let Some(p) = panel_model::pots(t) {
        let pot = Factor::cross(&cell, &factor(p));
        let several = pot.n_levels > cell.n_levels;
        several_brews = Some(several);
        if several {
            offered.push(RandomTerm::new(BREW, pot));
        }
    }
    let (random, alone): (Vec<_>, Vec<_>) =
        offered.into_iter().partition(|term| term.factor.n_levels < n);
    if !alone.is_empty() {
        let names: Vec<String> = alone.into_iter().map(|term| term.name).collect();
        notes.push(format!("One score each: {} cannot be told from the residual.", listed(&names)));
    }
    let prepared = panel_model::prepare(fixed, &words, random, notes);
    Some(Layout { cells: Arc::new(cells), several_brews, prepared })
}

impl Layout {
    /// Fits the layout to a term's scores.
    #[must_use]
    pub fn fit(&self, t: &TermScores) -> Answer<CellModel> {
        panel_model::fitted(&self.prepared, t).map(|panel| self.model(panel))
    }

    /// The same with the variances of another fit.
    #[must_use]
    pub fn fit_as(&self, t: &TermScores, other: &CellModel) -> Answer<CellModel> {
        panel_model::fitted_as(&self.prepared, t, &other.panel).map(|panel| self.model(panel))
    }

    fn model(&self, panel: Panel) -> CellModel {
        CellModel { panel, cells: Arc::clone(&self.cells), several_brews: self.several_brews }
    }
}

impl CellModel {
    /// The number of a cell, if it has scores.
    #[must_use]
    pub fn at(&self, cell: &Cell) -> Option<usize> {
        self.cells.at.get(cell).copied()
    }

    /// A weighted sum of cell means with its interval.
    #[must_use]
    pub fn contrast(&self, weights: &[(usize, f64)], level: f64) -> Contrast {
        self.family(&[weights.to_vec()]).contrast(&[1.0], level)
    }

    /// Weighted sums of cell means with their joint covariances, for what is asked of several
    /// tastings together. A variance that is estimated as zero does not count as known: a panel of
    /// few tasters with one pot a session mostly has one.
    #[must_use]
    pub fn family(&self, sums: &[Weights]) -> Family {
        self.panel.fit.family_unpooled(sums)
    }
}
