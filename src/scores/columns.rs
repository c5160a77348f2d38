//! The columns of one term as plain vectors, in an order that does not depend on the file.

use std::cmp::Ordering;
use std::collections::HashMap;

use super::ScoredTerm;

/// One column of words of one term: a code a row, and the words by code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// One code a row.
    pub codes: Vec<u32>,
    /// The words, sorted as people sort them (2 before 10).
    pub names: Vec<String>,
}

/// The scores of one term, column by column.
#[derive(Debug, Clone, PartialEq)]
pub struct TermScores {
    /// The term.
    pub term: ScoredTerm,
    /// The scores.
    pub values: Vec<f64>,
    /// The lots.
    pub lot: Words,
    /// Each of the other columns if every row has it.
    pub taster: Option<Words>,
    /// Replicates.
    pub replicate: Option<Words>,
    /// Sessions.
    pub session: Option<Words>,
    /// Flights, told apart by session.
    pub flight: Option<Words>,
    /// Cups, told apart by session.
    pub cup: Option<Words>,
    /// Pots.
    pub brew: Option<Words>,
    /// Recipes.
    pub recipe: Option<Words>,
    /// Steeps.
    pub steep: Option<Words>,
    /// The lot before, where there was one.
    pub previous_lot: Option<Vec<Option<String>>>,
    /// Positions in the taster's order.
    pub position: Option<Vec<f64>>,
    /// Months.
    pub month: Option<Vec<f64>>,
    /// Category labels by value.
    pub labels: Vec<String>,
    /// Rows left out here because they are excluded.
    pub n_excluded: usize,
}

impl TermScores {
    /// The rows that are kept, in their order; each row's lot may be given another name.
    #[must_use]
    pub fn only(&self, keep: &[bool], lot: impl Fn(&str) -> String) -> Self {
        let rows: Vec<usize> = (0..self.values.len()).filter(|r| keep[*r]).collect();
        let words = |w: &Words| {
            let codes = rows.iter().map(|r| w.codes[*r]).collect();
            compact(codes, &w.names)
        };
        let renamed: Vec<String> = self.lot.names.iter().map(|n| lot(n)).collect();
        let mut names = renamed.clone();
        names.sort_by(|a, b| by_nature(a, b));
        names.dedup();
        let place = |code: u32| {
            let at = names.iter().position(|n| *n == renamed[code as usize]);
            u32::try_from(at.unwrap_or_default()).unwrap_or_default()
        };
        let numbers = |n: &Vec<f64>| -> Vec<f64> { rows.iter().map(|r| n[*r]).collect() };
        let lots: Vec<u32> = rows.iter().map(|r| place(self.lot.codes[*r])).collect();
        Self {
            term: self.term.clone(),
            values: numbers(&self.values),
            lot: compact(lots, &names).unwrap_or(Words { codes: Vec::new(), names: Vec::new() }),
            taster: self.taster.as_ref().and_then(words),
            replicate: self.replicate.as_ref().and_then(words),
            session: self.session.as_ref().and_then(words),
            flight: self.flight.as_ref().and_then(words),
            cup: self.cup.as_ref().and_then(words),
            brew: self.brew.as_ref().and_then(words),
            recipe: self.recipe.as_ref().and_then(words),
            steep: self.steep.as_ref().and_then(words),
            previous_lot: self
                .previous_lot
                .as_ref()
                .map(|p| rows.iter().map(|r| p[*r].clone()).collect()),
            position: self.position.as_ref().map(numbers),
            month: self.month.as_ref().map(numbers),
            labels: self.labels.clone(),
            n_excluded: self.n_excluded,
        }
    }

    /// Labels and rows in an order of their own, so that no result depends on the order in which
    /// lines stand in a file.
    pub(super) fn put_in_order(&mut self) {
        let mut labels: Vec<usize> = (0..self.labels.len()).collect();
        labels.sort_by(|a, b| by_nature(&self.labels[*a], &self.labels[*b]));
        if !labels.is_empty() {
            let mut place = vec![0.0; labels.len()];
            for (new, old) in labels.iter().enumerate() {
                place[*old] = new as f64;
            }
            self.values.iter_mut().for_each(|v| *v = place[*v as usize]);
            self.labels = labels.iter().map(|l| self.labels[*l].clone()).collect();
        }
        let columns = [
            &self.taster,
            &self.session,
            &self.flight,
            &self.replicate,
            &self.cup,
            &self.brew,
            &self.recipe,
            &self.steep,
        ];
        let key = |row: usize| {
            let words = columns.map(|c| c.as_ref().map_or(0, |w| w.codes[row]));
            (self.lot.codes[row], words)
        };
        let number = |of: &Option<Vec<f64>>, row: usize| of.as_ref().map_or(0.0, |n| n[row]);
        let mut order: Vec<usize> = (0..self.values.len()).collect();
        order.sort_by(|a, b| {
            key(*a)
                .cmp(&key(*b))
                .then_with(|| number(&self.position, *a).total_cmp(&number(&self.position, *b)))
                .then_with(|| number(&self.month, *a).total_cmp(&number(&self.month, *b)))
                .then_with(|| self.values[*a].total_cmp(&self.values[*b]))
        });
        let numbers = |n: &mut Vec<f64>| *n = order.iter().map(|row| n[*row]).collect();
        let words = |w: &mut Words| w.codes = order.iter().map(|row| w.codes[*row]).collect();
        numbers(&mut self.values);
        [&mut self.position, &mut self.month].into_iter().flatten().for_each(numbers);
        words(&mut self.lot);
        let others = [
            &mut self.taster,
            &mut self.session,
            &mut self.flight,
            &mut self.replicate,
            &mut self.cup,
            &mut self.brew,
            &mut self.recipe,
            &mut self.steep,
        ];
        others.into_iter().flatten().for_each(words);
        if let Some(p) = &mut self.previous_lot {
            *p = order.iter().map(|row| p[*row].clone()).collect();
        }
    }
}

/// Codes and words of the words that occur, sorted.
pub(super) fn compact(codes: Vec<u32>, all: &[String]) -> Option<Words> {
    let mut used: Vec<u32> = codes.clone();
    used.sort_unstable();
    used.dedup();
    used.sort_by(|a, b| by_nature(&all[*a as usize], &all[*b as usize]));
    let mut new = vec![0_u32; all.len()];
    for (at, old) in used.iter().enumerate() {
        new[*old as usize] = u32::try_from(at).ok()?;
    }
    Some(Words {
        codes: codes.into_iter().map(|c| new[c as usize]).collect(),
        names: used.into_iter().map(|c| all[c as usize].clone()).collect(),
    })
}

/// The words of two columns together, only pairs that occur, in the order of both.
#[must_use]
pub fn cross(a: &Words, b: &Words) -> Words {
    let pairs: Vec<(u32, u32)> = a.codes.iter().copied().zip(b.codes.iter().copied()).collect();
    let mut used = pairs.clone();
    used.sort_unstable();
    used.dedup();
    let at: HashMap<(u32, u32), u32> = used.iter().copied().zip(0..).collect();
    Words {
        codes: pairs.iter().map(|p| at[p]).collect(),
        names: used
            .iter()
            .map(|(i, j)| format!("{} {}", a.names[*i as usize], b.names[*j as usize]))
            .collect(),
    }
}

/// The order in which people sort names: runs of digits count as numbers.
#[must_use]
pub fn by_nature(a: &str, b: &str) -> Ordering {
    let (mut x, mut y) = (a.chars().peekable(), b.chars().peekable());
    loop {
        let digits = |it: &mut std::iter::Peekable<std::str::Chars<'_>>| {
            let mut run = String::new();
            while let Some(c) = it.next_if(char::is_ascii_digit) {
                run.push(c);
            }
            run
        };
        match (x.peek().copied(), y.peek().copied()) {
            (Some(c), Some(d)) if c.is_ascii_digit() && d.is_ascii_digit() => {
                let (m, n) = (digits(&mut x), digits(&mut y));
                let (m0, n0) = (m.trim_start_matches('0'), n.trim_start_matches('0'));
                let order = m0.len().cmp(&n0.len()).then_with(|| m0.cmp(n0));
                if order != Ordering::Equal {
                    return order;
                }
            }
            (Some(c), Some(d)) => {
                if c != d {
                    return c.cmp(&d);
                }
                x.next();
                y.next();
            }
            // Names that differ only in leading zeros must still have one order.
            (None, None) => return a.cmp(b),
            (None, _) => return Ordering::Less,
            (_, None) => return Ordering::Greater,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_within_names_sort_as_numbers() {
        let mut names = vec!["T26-10", "T26-2", "T3", "T26-02", "a", "", "2", "10"];
        names.sort_by(|a, b| by_nature(a, b));
        assert_eq!(names, ["", "2", "10", "T3", "T26-02", "T26-2", "T26-10", "a"]);
    }
}
