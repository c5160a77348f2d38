//! A term's scores as tables of lots and tasters, the form that indices of agreement read.

use std::collections::BTreeMap;

use crate::scores::{TermScores, Words, cross};

/// Scores by lot and taster.
#[derive(Debug)]
pub struct UnitTable {
    /// Lots, in the order of the rows.
    pub lots: Vec<String>,
    /// Tasters, in the order of the columns.
    pub tasters: Vec<String>,
    /// `cells[lot][taster]`: that taster's scores of that lot.
    pub cells: Vec<Vec<Vec<f64>>>,
}

impl UnitTable {
    /// The table of a term; `None` without tasters.
    #[must_use]
    pub fn of(t: &TermScores) -> Option<Self> {
        let taster = t.taster.as_ref()?;
        let mut cells = vec![vec![Vec::new(); taster.names.len()]; t.lot.names.len()];
        for ((lot, who), value) in t.lot.codes.iter().zip(&taster.codes).zip(&t.values) {
            cells[*lot as usize][*who as usize].push(*value);
        }
        // The sums must not depend on the order of the lines in the file.
        cells.iter_mut().flatten().for_each(|c| c.sort_by(f64::total_cmp));
        Some(Self { lots: t.lot.names.clone(), tasters: taster.names.clone(), cells })
    }

    /// How many scores each cell has, if all have the same number.
    #[must_use]
    pub fn n_replicates(&self) -> Option<usize> {
        let first = self.cells.first()?.first()?.len();
        (first > 0 && self.cells.iter().flatten().all(|c| c.len() == first)).then_some(first)
    }

    /// Scores a filled cell on average.
    #[must_use]
    pub fn mean_replicates(&self) -> f64 {
        let filled: Vec<usize> =
            self.cells.iter().flatten().map(Vec::len).filter(|n| *n > 0).collect();
        filled.iter().sum::<usize>() as f64 / filled.len().max(1) as f64
    }

    /// Each taster's mean of each lot, `None` where there is no score.
    #[must_use]
    pub fn means(&self) -> Vec<Vec<Option<f64>>> {
        self.cells.iter().map(|row| row.iter().map(|c| mean(c)).collect()).collect()
    }

    /// The means of the tasters who scored every lot, one row a lot, and who they are.
    #[must_use]
    pub fn complete(&self) -> (Vec<Vec<f64>>, Vec<String>) {
        let means = self.means();
        let who: Vec<usize> =
            (0..self.tasters.len()).filter(|j| means.iter().all(|row| row[*j].is_some())).collect();
        let rows = means.iter().map(|row| who.iter().filter_map(|j| row[*j]).collect()).collect();
        (rows, who.into_iter().map(|j| self.tasters[j].clone()).collect())
    }
}

/// Units judged by the tasters.
#[derive(Debug)]
pub struct Units {
    /// One row a unit and one column a taster.
    pub rows: Vec<Vec<Option<f64>>>,
    /// The lot of each unit.
    pub lots: Vec<u32>,
}

/// The units that every taster judged on its own (a lot in one replicate, flight and steep). Repeated scores of one taster for one unit are averaged
/// on a line; elsewhere the first counts.
#[must_use]
pub fn units(t: &TermScores) -> Option<Units> {
    let taster = t.taster.as_ref()?;
    let inner = [&t.session, &t.replicate, &t.flight, &t.cup, &t.brew, &t.steep];
    let unit: Words = inner.into_iter().flatten().fold(t.lot.clone(), |all, one| cross(&all, one));
    let mut cells: BTreeMap<(u32, u32), Vec<f64>> = BTreeMap::new();
    for ((u, who), value) in unit.codes.iter().zip(&taster.codes).zip(&t.values) {
        cells.entry((*u, *who)).or_default().push(*value);
    }
    let mut table = vec![vec![None; taster.names.len()]; unit.names.len()];
    let mut lots = vec![0; unit.names.len()];
    for (u, lot) in unit.codes.iter().zip(&t.lot.codes) {
        lots[*u as usize] = *lot;
    }
    for ((u, who), mut values) in cells {
        values.sort_by(f64::total_cmp);
        let one = match t.term.scale {
            crate::scores::ScaleKind::Line => mean(&values),
            _ => values.first().copied(),
        };
        table[u as usize][who as usize] = one;
    }
    Some(Units { rows: table, lots })
}

/// Why a table is not a plain lot × taster table, if it is not.
pub(crate) fn not_plain(t: &TermScores) -> Option<String> {
    for (words, several) in [(&t.recipe, "recipes"), (&t.steep, "steeps"), (&t.session, "sessions")]
    {
        if let Some(w) = words.as_ref().filter(|w| w.names.len() > 1) {
            return Some(format!("the scores come from {} {several}", w.names.len()));
        }
    }
    None
}

pub(crate) fn mean(values: &[f64]) -> Option<f64> {
    let first = values.first()?;
    let rest: f64 = values.iter().map(|v| v - first).sum();
    Some(first + rest / values.len() as f64)
}
