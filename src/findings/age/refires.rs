//! Lots that were fired again, against what they were fired from.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::cell_model::{Cell, Weights};
use super::super::{Answer, count};
use super::Change;
use super::courses::{Asking, OfTerm, Told};
use super::served::Followed;
use super::sums::{asked, joined, mean};
use crate::scores::ScaleKind;

/// A lot that was fired again against its parent.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Refire {
    /// The sample after firing.
    pub sample: String,
    /// What it was fired from.
    pub parent: String,
    /// Sessions after the firing in which both were served; where there is none, the parent's last
    /// tasting before it is set against the first one after it.
    pub together: Vec<String>,
    /// The parent's last tasting before the firing, and the first one after it, where no session had
    /// both.
    pub around: Answer<[String; 2]>,
    /// Term by term.
    pub terms: Vec<RefireTerm>,
    /// What can be said of it.
    pub sentences: Vec<String>,
}

/// A firing in one term: after less before.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RefireTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// The difference: the mean over the sessions that had both, else the panel's drift taken off.
    pub difference: Answer<Change>,
}

impl Asking<'_> {
    /// All lots that were fired again and tasted, in the order of the samples.
    #[must_use]
    pub fn refires(&self, followed: &[Followed], told: &[Told]) -> Vec<Refire> {
        let mut all = Vec::new();
        for (at, f) in followed.iter().enumerate() {
            let Some(refired) = &f.time.refired else { continue };
            let tastings = self.served.tastings(&f.sample, &[], self.lots);
            let both: Vec<(Cell, Cell)> = tastings
                .iter()
                .filter_map(|t| {
                    let other = Cell { sample: refired.parent.clone(), ..t.cell.clone() };
                    self.served.get(&other).map(|_| (t.cell.clone(), other))
                })
                .collect();
            let parent = followed.iter().position(|p| p.sample == refired.parent);
            let around = self.around((at, parent), refired.month, (followed, told), &both);
            let terms = self
                .terms
                .iter()
                .enumerate()
                .map(|(i, t)| self.refire_term((i, t), &both, &around, (at, parent), told))
                .collect();
            all.push(Refire {
                sample: f.sample.clone(),
                parent: refired.parent.clone(),
                together: both.iter().map(|(c, _)| c.session.clone()).collect(),
                around,
                terms,
                sentences: Vec::new(),
            });
        }
        all
    }

    /// The sessions before and after the firing.
    fn around(
        &self,
        (at, parent): (usize, Option<usize>),
        month: f64,
        (followed, told): (&[Followed], &[Told]),
        both: &[(Cell, Cell)],
    ) -> Answer<[String; 2]> {
        if !both.is_empty() {
            return Answer::unknown("both were served in one session, where drift cancels");
        }
        let Some(parent) = parent else {
            return Answer::unknown("what it was fired from was not tasted on its own");
        };
        if let Answer::Unknown(u) = self.places.references {
            return Answer::unknown(format!("no session had both, and {}", u.reason));
        }
        if told[at].anchor != told[parent].anchor {
            return Answer::unknown(
                "the two were brewed differently, or set beside different references",
            );
        }
        let counted = |of: usize| {
            let both = followed[of].tastings.iter().zip(&told[of].sample.tastings);
            both.filter(|(_, t)| t.pooled.known().is_some() && t.reference.known().is_some())
        };
        let before = counted(parent).rfind(|(t, _)| t.month <= month);
        match (before, counted(at).next()) {
            (Some((_, before)), Some((_, after))) => {
                Answer::Known([before.session.clone(), after.session.clone()])
            }
            (None, _) => Answer::unknown(
                "what it was fired from was not tasted beside a reference before the firing",
            ),
            (_, None) => Answer::unknown("it was not tasted beside a reference since the firing"),
        }
    }

    fn refire_term(
        &self,
        (i, t): (usize, &OfTerm<'_>),
        both: &[(Cell, Cell)],
        around: &Answer<[String; 2]>,
        (at, parent): (usize, Option<usize>),
        told: &[Told],
    ) -> RefireTerm {
        let model = &t.term.model;
        let within = || {
            model.as_ref().and_then(|m| {
                let all: Vec<Weights> = both
                    .iter()
                    .filter_map(|(a, b)| Some(vec![(m.at(a)?, 1.0), (m.at(b)?, -1.0)]))
                    .collect();
                if all.is_empty() {
                    return Answer::unknown("the two were not scored in this term in one session");
                }
                asked(model, &mean(&all), self.level)
            })
        };
        let corrected = || {
            model.as_ref().and_then(|_| around.as_ref()).and_then(|[before, after]| {
                let point = |of: usize, session: &String| {
                    let points = &told[of].behind[i].points;
                    points.iter().find(|p| p.session == *session)?.beside.clone()
                };
                let (Some(after), Some(before)) =
                    (point(at, after), parent.and_then(|p| point(p, before)))
                else {
                    return Answer::unknown("in this term one of the two tastings has no score");
                };
                asked(model, &joined(&[(&after, 1.0), (&before, -1.0)]), self.level)
            })
        };
        RefireTerm {
            term: t.term.scores.term.id.clone(),
            scale: t.term.scores.term.scale,
            difference: if both.is_empty() { corrected() } else { within() },
        }
    }
}

impl Refire {
    /// What can be said of it.
    #[must_use]
    pub fn told(&self) -> Vec<String> {
        let known: Vec<(&str, &Change)> = self
            .terms
            .iter()
            .filter_map(|t| Some((t.term.as_str(), t.difference.known()?)))
            .collect();
        if known.is_empty() {
            let why = self.around.reason().or_else(|| self.terms.first()?.difference.reason());
            return vec![format!(
                "{}, fired again from {}: nothing is told, {}.",
                self.sample,
                self.parent,
                why.unwrap_or("no term was scored")
            )];
        }
        let how = match self.around.known() {
            Some([before, after]) => {
                format!("{after} against {before}, the panel's drift taken off")
            }
            None => count(self.together.len(), "session with both", "sessions with both"),
        };
        let span = format!("{}, fired again, less {} ({how})", self.sample, self.parent);
        super::words::in_one(&span, &known, "difference")
    }
}
