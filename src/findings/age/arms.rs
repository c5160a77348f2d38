//! Arms of one lot beside each other within sessions, and stores over all lots split so.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::super::Answer;
use super::super::cell_model::{Cell, Weights};
use super::courses::{Asking, OfTerm};
use super::served::{Followed, TastingOf};
use super::sums::{change, mean, over_lots};
use super::{ArmPair, ArmSession, ArmTerm, Change};
use crate::scores::ScaleKind;

/// Two ways to store, over all lots that were split so and whose arms were served side by side.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct StorePair {
    /// The arm from which the other is taken.
    pub a: String,
    /// The other.
    pub b: String,
    /// The lots.
    pub lots: Vec<String>,
    /// Term by term.
    pub terms: Vec<StoreTerm>,
    /// What can be said of them.
    pub sentences: Vec<String>,
}

/// Two ways to store in one term: a less b, the mean over lots of their means over sessions.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct StoreTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// Lots scored so.
    pub n_lots: usize,
    /// Of these lots: what chance there is comes from tasting.
    pub of_these_lots: Answer<Change>,
    /// Of such lots: the lots are the unit.
    pub of_such_lots: Answer<Change>,
}

/// A pair of arms with its mean difference in each term, as weights of cells.
pub struct Told {
    /// The pair.
    pub pair: ArmPair,
    arms: [String; 2],
    means: Vec<Option<Weights>>,
}

impl Asking<'_> {
    /// All pairs of arms of one lot that were served side by side.
    #[must_use]
    pub fn arms(&self, followed: &[Followed]) -> Vec<Told> {
        let mut pairs = Vec::new();
        let mut by_lot: BTreeMap<&String, Vec<&Followed>> = BTreeMap::new();
        for f in followed {
            by_lot.entry(&f.time.lot).or_default().push(f);
        }
        // In the order of the samples.
        for b in followed {
            let own = &by_lot[&b.time.lot];
            let later = own.iter().skip_while(|f| f.sample != b.sample).skip(1);
            for a in later.filter(|a| a.time.arm.is_some() || b.time.arm.is_some()) {
                let both: Vec<(TastingOf, Cell)> = self
                    .served
                    .tastings(&a.sample, &[], self.lots)
                    .into_iter()
                    .filter_map(|t| {
                        let other = Cell { sample: b.sample.clone(), ..t.cell.clone() };
                        self.served.get(&other).map(|_| (t, other))
                    })
                    .collect();
                if both.is_empty() {
                    continue;
                }
                let (terms, means) = self.terms.iter().map(|t| self.arm_term(t, a, &both)).unzip();
                let arm = |f: &Followed| f.time.arm.clone().unwrap_or_default();
                pairs.push(Told {
                    arms: [arm(a), arm(b)],
                    pair: ArmPair {
                        lot: a.time.lot.clone(),
                        a: a.sample.clone(),
                        b: b.sample.clone(),
                        terms,
                        sentences: Vec::new(),
                    },
                    means,
                });
            }
        }
        pairs
    }

    fn arm_term(
        &self,
        t: &OfTerm<'_>,
        a: &Followed,
        both: &[(TastingOf, Cell)],
    ) -> (ArmTerm, Option<Weights>) {
        let t = t.term;
        let mut all: Vec<(Weights, &TastingOf)> = Vec::new();
        let model = t.model.as_ref();
        if let Some(m) = model.known() {
            for (own, other) in both {
                if let (Some(i), Some(j)) = (m.at(&own.cell), m.at(other)) {
                    all.push((vec![(i, 1.0), (j, -1.0)], own));
                }
            }
        }
        let weights: Vec<Weights> = all.iter().map(|(w, _)| w.clone()).collect();
        // The sessions together: their mean is one more sum of the same family.
        let family = model.clone().map(|m| m.family(&weights));
        let share = 1.0 / weights.len().max(1) as f64;
        let asked = |which: Option<usize>| {
            family.as_ref().and_then(|f| {
                let by = |i: usize| match which {
                    Some(own) => f64::from(u8::from(own == i)),
                    None => share,
                };
                let weights: Vec<f64> = (0..all.len()).map(by).collect();
                change(&f.contrast(&weights, self.level))
            })
        };
        let none = all.is_empty() && model.known().is_some();
        let term = ArmTerm {
            term: t.scores.term.id.clone(),
            scale: t.scores.term.scale,
            sessions: all
                .iter()
                .enumerate()
                .map(|(i, (_, x))| ArmSession {
                    session: x.cell.session.clone(),
                    month: x.month - a.time.made,
                    difference: asked(Some(i)),
                })
                .collect(),
            mean: if none {
                Answer::unknown("the two were not scored in this term in one session")
            } else {
                asked(None)
            },
        };
        (term, (!weights.is_empty()).then(|| mean(&weights)))
    }

    /// Ways to store over all lots that were split so; a single lot stands among the pairs already.
    #[must_use]
    pub fn stores(&self, pairs: &[Told]) -> Vec<StorePair> {
        let mut by_arms: BTreeMap<&[String; 2], Vec<&Told>> = BTreeMap::new();
        for told in pairs.iter().filter(|t| t.arms.iter().all(|a| !a.is_empty())) {
            by_arms.entry(&told.arms).or_default().push(told);
        }
        by_arms
            .into_iter()
            .filter(|(_, own)| own.len() > 1)
            .map(|([a, b], own)| StorePair {
                a: a.clone(),
                b: b.clone(),
                lots: own.iter().map(|t| t.pair.lot.clone()).collect(),
                terms: (0..self.terms.len()).map(|i| self.store_term(i, &own)).collect(),
                sentences: Vec::new(),
            })
            .collect()
    }

    fn store_term(&self, at: usize, own: &[&Told]) -> StoreTerm {
        let t = self.terms[at].term;
        let sums: Vec<Weights> = own.iter().filter_map(|p| p.means[at].clone()).collect();
        let each: Vec<f64> =
            own.iter().filter_map(|p| Some(p.pair.terms[at].mean.known()?.value)).collect();
        let model = t.model.as_ref();
        let some = |m| {
            if sums.is_empty() {
                Answer::unknown("the arms were not scored in this term in one session")
            } else {
                Answer::Known(m)
            }
        };
        StoreTerm {
            term: t.scores.term.id.clone(),
            scale: t.scores.term.scale,
            n_lots: each.len(),
            of_these_lots: model
                .clone()
                .and_then(some)
                .and_then(|m| change(&m.family(&[mean(&sums)]).contrast(&[1.0], self.level))),
            of_such_lots: model.and_then(some).and_then(|_| over_lots(&each, self.level)),
        }
    }
}
