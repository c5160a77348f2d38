//! The lots of one term: their places, sessions, recipes, columns and means.

use std::collections::{BTreeSet, HashMap};

use super::columns::Column;
use super::effects::Design;
use crate::findings::Answer;
use crate::findings::panel_model::{self, Lots, Panel};
use crate::scores::TermScores;

/// The lots of one term, with the columns of the lines for them.
pub struct TermLots {
    /// Their places among the lots that are linked.
    pub places: Vec<usize>,
    /// The session of each, numbered without gaps.
    pub sessions: Vec<u32>,
    /// For each line one value a lot, less its mean.
    pub values: Vec<Vec<f64>>,
    /// These means.
    pub means: Vec<f64>,
    /// For each line whether it varies among these lots.
    pub varies: Vec<bool>,
    /// Where no sample joins recipes, each recipe but the first as a column.
    pub recipes: Vec<Vec<f64>>,
    /// For each lot of the scores its number among these.
    pub of_code: Vec<Option<usize>>,
}

impl TermLots {
    pub fn of(t: &TermScores, design: &Design<'_>) -> Self {
        let lots = &design.picked.lots;
        let codes: HashMap<&str, usize> =
            t.lot.names.iter().enumerate().map(|(c, n)| (n.as_str(), c)).collect();
        let mut of_code = vec![None; t.lot.names.len()];
        let mut places = Vec::new();
        for (place, lot) in lots.iter().enumerate() {
            if let Some(code) = codes.get(lot.lot.as_str()) {
                of_code[*code] = Some(places.len());
                places.push(place);
            }
        }
        let used: BTreeSet<u32> = places.iter().map(|i| design.picked.sessions[*i]).collect();
        let used: HashMap<u32, u32> = used.into_iter().zip(0..).collect();
        let sessions = places.iter().map(|i| used[&design.picked.sessions[*i]]).collect();
        let (mut values, mut varies, mut means) = (Vec::new(), Vec::new(), Vec::new());
        for line in design.lines {
            let column = design.columns.iter().find(|c| c.id == line.line);
            let own: Vec<f64> =
                places.iter().map(|i| column.map_or(0.0, |c| c.values[*i])).collect();
            let first = own.first().copied().unwrap_or(0.0);
            let mean = first + own.iter().map(|v| v - first).sum::<f64>() / own.len().max(1) as f64;
            varies.push(own.iter().any(|v| *v != first));
            values.push(own.into_iter().map(|v| v - mean).collect());
            means.push(mean);
        }
        let recipes = recipes(t, &of_code, places.len());
        Self { places, sessions, values, means, varies, recipes, of_code }
    }

    /// Sessions with lots.
    pub fn n_sessions(&self) -> usize {
        self.sessions.iter().max().map_or(0, |m| *m as usize + 1)
    }

    /// Each session as a column of its own; together they hold the mean.
    pub fn session_columns(&self) -> Vec<Vec<f64>> {
        let column = |s: u32| self.sessions.iter().map(|x| f64::from(u8::from(*x == s))).collect();
        (0..self.n_sessions() as u32).map(column).collect()
    }

    /// Another column for these lots.
    pub fn column(&self, column: &Column) -> Vec<f64> {
        self.places.iter().map(|p| column.values[*p]).collect()
    }
}

/// Where no chain of samples joins the recipes, the lots of each but the first as a column: what
/// sets them apart beside their making is taken for the recipe.
fn recipes(t: &TermScores, of_code: &[Option<usize>], n: usize) -> Vec<Vec<f64>> {
    let Some(words) = t.recipe.as_ref().filter(|r| r.names.len() > 1) else { return Vec::new() };
    if panel_model::hang_together(&t.lot, words) {
        return Vec::new();
    }
    let mut columns = vec![vec![0.0; n]; words.names.len() - 1];
    for (lot, recipe) in t.lot.codes.iter().zip(&words.codes) {
        if let (Some(place), Some(column)) =
            (of_code[*lot as usize], (*recipe as usize).checked_sub(1))
        {
            columns[column][place] = 1.0;
        }
    }
    columns.retain(|c| c.contains(&1.0) && c.contains(&0.0));
    columns
}

/// What is needed of a term when lots are exchanged.
pub struct TermWork {
    /// Its lots.
    pub lots: TermLots,
    /// Their means.
    pub means: Answer<Vec<f64>>,
    /// The lines of its model, or those that are asked one at a time.
    pub in_model: Vec<usize>,
}

/// The mean of each lot, adjusted for tasters and sessions, at the variances of the term's model if
/// there is one.
pub fn lot_means(t: &TermScores, lots: &TermLots, model: Option<&Panel>) -> Answer<Vec<f64>> {
    let mut codes = vec![0; lots.places.len()];
    for (code, place) in lots.of_code.iter().enumerate() {
        if let Some(place) = place {
            codes[*place] = code;
        }
    }
    if t.taster.is_none() && t.lot.names.len() == t.values.len() {
        // Each row is a lot's mean already.
        let mut rows = vec![None; t.lot.names.len()];
        t.lot.codes.iter().zip(&t.values).for_each(|(c, v)| rows[*c as usize] = Some(*v));
        let all: Option<Vec<f64>> = codes.iter().map(|c| rows[*c]).collect();
        return Answer::of(all.ok_or("a lot has no row"));
    }
    // Recipes that nothing joins are columns beside the lots' means, not within them.
    let apart;
    let t = if lots.recipes.is_empty() {
        t
    } else {
        apart = TermScores { recipe: None, ..t.clone() };
        &apart
    };
    let levels = match model {
        Some(model) => panel_model::lot_levels(t, model),
        None => panel_model::fit(t, Lots::Fixed)
            .map(|p| p.fit.adjusted_means(0.95).iter().map(|m| m.estimate).collect()),
    };
    levels.and_then(|levels| {
        let all: Option<Vec<f64>> =
            codes.iter().map(|c| levels.get(*c).copied().filter(|m| m.is_finite())).collect();
        Answer::of(all.ok_or("not every lot's level can be estimated in this layout"))
    })
}
