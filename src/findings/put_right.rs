//! A named swap put right, beside the scores as given: that taster's two columns exchanged. The
//! record and every other number stay as they are.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::agree::TermOfPanel;
use super::habits::Habits;
use super::iccs::{self, Iccs};
use super::panel_model::{self, Lots};
use super::unit_table::UnitTable;
use super::{Answer, Estimate, Settings, Test, say};
use crate::scores::{TermScores, Words};

/// One taster's swap, as given and put right.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PutRight {
    /// The taster.
    pub taster: String,
    /// The two terms.
    pub terms: Vec<String>,
    /// Scores of the taster that were exchanged in each term.
    pub n_exchanged: usize,
    /// Scores of the taster without a partner in the other term, left out here.
    pub n_left_out: usize,
    /// The two terms as given and put right.
    pub sides: Vec<SideBySide>,
    /// In words.
    pub words: String,
}

/// A term as given and put right.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SideBySide {
    /// The term.
    pub term: String,
    /// The test of the lots as given.
    pub lot_test: Answer<Test>,
    /// The same, put right.
    pub lot_test_put_right: Answer<Test>,
    /// ICC(A,1) as given.
    pub icc: Answer<Estimate>,
    /// The same, put right.
    pub icc_put_right: Answer<Estimate>,
}

/// Every named swap put right, one at a time.
pub(crate) fn of(
    habits: &Answer<Habits>,
    terms: &[TermScores],
    found: &[TermOfPanel],
    settings: &Settings,
) -> Vec<PutRight> {
    let Some(habits) = habits.known() else { return Vec::new() };
    let mut all = Vec::new();
    for taster in &habits.tasters {
        for habit in taster.habits.iter().filter(|h| h.kind == "swapped") {
            let [a, b] = habit.terms.as_slice() else { continue };
            let place = |id: &String| terms.iter().position(|t| t.term.id == *id);
            if let (Some(a), Some(b)) = (place(a), place(b)) {
                all.push(one(&taster.taster, (a, b), terms, found, settings));
            }
        }
    }
    all
}

fn one(
    taster: &str,
    (a, b): (usize, usize),
    terms: &[TermScores],
    found: &[TermOfPanel],
    settings: &Settings,
) -> PutRight {
    let (right_a, n_exchanged, left_a) = exchanged(&terms[a], &terms[b], taster);
    let (right_b, _, left_b) = exchanged(&terms[b], &terms[a], taster);
    let side = |right: &TermScores, at: usize| {
        let given = found.get(at).map(|f| &f.panel);
        let gone = || "the term was not analysed".to_owned();
        SideBySide {
            term: terms[at].term.id.clone(),
            lot_test: given.map_or_else(|| Answer::unknown(gone()), |p| p.lot_test.clone()),
            lot_test_put_right: panel_model::fit(right, Lots::Fixed)
                .as_ref()
                .and_then(panel_model::lot_test),
            icc: given.map_or_else(|| Answer::unknown(gone()), |p| single(&p.icc)),
            icc_put_right: match UnitTable::of(right) {
                Some(u) => single(&iccs::iccs(right, &u, settings)),
                None => Answer::unknown("the table does not say who scored"),
            },
        }
    };
    let sides = vec![side(&right_a, a), side(&right_b, b)];
    let words = words(taster, &sides);
    PutRight {
        taster: taster.to_owned(),
        terms: vec![terms[a].term.id.clone(), terms[b].term.id.clone()],
        n_exchanged,
        n_left_out: left_a + left_b,
        sides,
        words,
    }
}

fn single(icc: &Answer<Iccs>) -> Answer<Estimate> {
    icc.as_ref().and_then(|i| i.agreement_single.clone())
}

fn words(taster: &str, sides: &[SideBySide]) -> String {
    let of = |s: &SideBySide| {
        let f = |t: &Answer<Test>| t.known().map_or_else(|| "not known".to_owned(), |t| say(t.f));
        let icc = |e: &Answer<Estimate>| {
            e.known().map_or_else(
                || "not known".to_owned(),
                |e| format!("{} ({} to {})", say(e.value), say(e.lower), say(e.upper)),
            )
        };
        format!(
            "{}: F {} as given, {} put right, ICC(A,1) {} and {}",
            s.term,
            f(&s.lot_test),
            f(&s.lot_test_put_right),
            icc(&s.icc),
            icc(&s.icc_put_right)
        )
    };
    let both: Vec<String> = sides.iter().map(of).collect();
    format!(
        "With taster {taster}'s {} and {} exchanged, only here: {}.",
        sides[0].term,
        sides[1].term,
        both.join("; ")
    )
}

/// The same cup of the same taster in every term.
fn keys(t: &TermScores) -> Vec<Vec<&str>> {
    let columns: [&Option<Words>; 7] =
        [&t.session, &t.flight, &t.replicate, &t.cup, &t.brew, &t.recipe, &t.steep];
    (0..t.values.len())
        .map(|row| {
            let word = |w: &'_ Words| -> usize { w.codes[row] as usize };
            let mut key = vec![t.lot.names[word(&t.lot)].as_str()];
            key.extend(columns.into_iter().flatten().map(|w| w.names[word(w)].as_str()));
            key
        })
        .collect()
}

/// A term with one taster's scores taken from the other term, cup by cup: the term, how many were
/// exchanged, and how many were left out for want of a partner.
fn exchanged(t: &TermScores, other: &TermScores, taster: &str) -> (TermScores, usize, usize) {
    let is_own = |t: &TermScores, row: usize| {
        t.taster.as_ref().is_some_and(|w| w.names[w.codes[row] as usize] == taster)
    };
    let other_keys = keys(other);
    let mut values: BTreeMap<&[&str], Vec<f64>> = BTreeMap::new();
    // From the last to the first, so that what is taken from the end comes in order.
    for row in (0..other.values.len()).rev().filter(|r| is_own(other, *r)) {
        values.entry(&other_keys[row]).or_default().push(other.values[row]);
    }
    let own_keys = keys(t);
    let mut right = t.clone();
    let mut keep = vec![true; t.values.len()];
    let mut n = 0;
    for row in (0..t.values.len()).filter(|r| is_own(t, *r)) {
        match values.get_mut(own_keys[row].as_slice()).and_then(Vec::pop) {
            Some(value) => {
                right.values[row] = value;
                n += 1;
            }
            None => keep[row] = false,
        }
    }
    let left_out = keep.iter().filter(|k| !**k).count();
    if left_out > 0 {
        right = right.only(&keep, str::to_owned);
    }
    (right, n, left_out)
}
