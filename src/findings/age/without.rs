//! Without a reference: what sessions themselves say, since the panel's drift is the same for all
//! that is served in one.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::Serialize;

use super::super::cell_model::{Cell, Weights};
use super::super::{Answer, count};
use super::Change;
use super::courses::{Asking, OfTerm};
use super::served::{Followed, TastingOf};
use super::sums::asked;
use crate::scores::ScaleKind;

/// So many pairs are asked; of more none, since hardly any change would be shown among all.
const MOST: usize = 1000;

/// Two samples that were served together in several sessions.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PairMoved {
    /// The sample from which the other is taken.
    pub a: String,
    /// The other.
    pub b: String,
    /// The first session that had both.
    pub first: String,
    /// The last.
    pub last: String,
    /// Months between the two.
    pub months: f64,
    /// Sessions that had both.
    pub n_sessions: usize,
    /// Term by term.
    pub terms: Vec<PairTerm>,
    /// What can be said of them.
    pub sentences: Vec<String>,
}

/// How much two samples moved apart in one term: the change of a less b from the first to the last
/// session that had both. Which of the two moved is not told.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PairTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// By how much a less b changed.
    pub apart: Answer<Change>,
}

impl Asking<'_> {
    /// All pairs of samples that were served together by one recipe in two sessions or more, where
    /// there is no reference.
    #[must_use]
    pub fn pairs_moved(&self, followed: &[Followed]) -> Answer<Vec<PairMoved>> {
        if self.places.references.known().is_some() {
            return Answer::unknown(
                "there is a reference: each sample's own change is told instead",
            );
        }
        // Who was served with whom, by one recipe: samples by their places.
        type Place<'a> = (&'a String, &'a Option<String>);
        let mut beside: BTreeMap<Place<'_>, BTreeSet<usize>> = BTreeMap::new();
        for (i, f) in followed.iter().enumerate() {
            for t in &f.tastings {
                let place = (&t.cell.session, &t.cell.recipe);
                beside.entry(place).or_default().insert(i);
            }
        }
        let mut met: BTreeMap<(usize, usize), usize> = BTreeMap::new();
        for there in beside.values() {
            for b in there {
                for a in there.range(b + 1..) {
                    *met.entry((*a, *b)).or_default() += 1;
                }
            }
        }
        met.retain(|_, n| *n > 1);
        if met.len() > MOST {
            return Answer::unknown(format!(
                "{} pairs of samples were served together more than once, too many to be asked at once: \
                 name some with --of",
                met.len()
            ));
        }
        let all: Vec<PairMoved> =
            met.keys().filter_map(|(a, b)| self.pair_moved(&followed[*a], &followed[*b])).collect();
        if all.is_empty() {
            return Answer::unknown(
                "no two samples were served together in two sessions with time in between",
            );
        }
        Answer::Known(all)
    }

    fn pair_moved(&self, a: &Followed, b: &Followed) -> Option<PairMoved> {
        let recipe = a.tastings.first()?.cell.recipe.as_ref();
        let both: Vec<(&TastingOf, &Cell)> = a
            .tastings
            .iter()
            .filter(|t| t.cell.recipe.as_ref() == recipe)
            .filter_map(|t| {
                let other = b.tastings.iter().find(|o| {
                    o.cell.session == t.cell.session
                        && o.cell.recipe == t.cell.recipe
                        // Before a split two arms were one.
                        && o.cell.sample != t.cell.sample
                })?;
                Some((t, &other.cell))
            })
            .collect();
        let (first, last) = (both.first()?, both.last()?);
        let months = last.0.month - first.0.month;
        (months > 0.0).then(|| PairMoved {
            a: a.sample.clone(),
            b: b.sample.clone(),
            first: first.0.cell.session.clone(),
            last: last.0.cell.session.clone(),
            months,
            n_sessions: both.len(),
            terms: self.terms.iter().map(|t| self.pair_term(t, &both)).collect(),
            sentences: Vec::new(),
        })
    }

    fn pair_term(&self, t: &OfTerm<'_>, both: &[(&TastingOf, &Cell)]) -> PairTerm {
        let model = &t.term.model;
        let apart = model.as_ref().and_then(|m| {
            let of = |(own, other): &(&TastingOf, &Cell)| -> Option<[usize; 2]> {
                Some([m.at(&own.cell)?, m.at(other)?])
            };
            let (Some(first), Some(last)) = (both.first().and_then(of), both.last().and_then(of))
            else {
                return Answer::unknown(
                    "the two were not both scored in this term in their first and last session",
                );
            };
            let sum: Weights =
                vec![(last[0], 1.0), (last[1], -1.0), (first[0], -1.0), (first[1], 1.0)];
            asked(model, &sum, self.level)
        });
        PairTerm { term: t.term.scores.term.id.clone(), scale: t.term.scores.term.scale, apart }
    }
}

impl PairMoved {
    /// What can be said of them.
    #[must_use]
    pub fn told(&self) -> Vec<String> {
        let known: Vec<(&str, &Change)> =
            self.terms.iter().filter_map(|t| Some((t.term.as_str(), t.apart.known()?))).collect();
        let span = format!(
            "{} less {} within sessions, over {:.1} months, {}",
            self.a,
            self.b,
            self.months,
            count(self.n_sessions, "session", "sessions")
        );
        super::words::in_one(&span, &known, "moving apart")
    }
}
