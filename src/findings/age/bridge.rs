//! What links the samples that are held constant, and whether they stayed beside one another.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::cell_model::{Cell, Weights};
use super::super::{ALPHA, Answer, count, listed};
use super::Change;
use super::courses::{Asking, OfTerm};
use super::network::Node;
use super::route::not_linked;
use super::sums::{asked, joined};
use super::words::{full, interval, signed};
use crate::scores::ScaleKind;

/// A sample that is held constant, brewed by a recipe, set against the one to which all is corrected.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Bridge {
    /// The sample.
    pub reference: String,
    /// Its recipe, if recipes are recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recipe: Option<String>,
    /// The sample that it is set against.
    pub against: String,
    /// The recipe of that.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub against_recipe: Option<String>,
    /// Sessions of its own.
    pub n_sessions: usize,
    /// Sessions in which both were served; where there is none, others link the two.
    pub together: Vec<String>,
    /// Term by term; why there is none, if nothing links the two.
    pub terms: Answer<Vec<BridgeTerm>>,
}

/// A bridge in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct BridgeTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// How far it lies above the one that it is set against.
    pub offset: Answer<Change>,
    /// By how much that moved from the first to the last session in which both were served: 0 if
    /// both stayed the same.
    pub apart: Answer<Change>,
}

impl Asking<'_> {
    /// All bridges, the references of most sessions first.
    #[must_use]
    pub fn bridges(&self) -> Vec<Bridge> {
        let Some((part, base)) = self.base() else { return Vec::new() };
        let (net, nodes) = (self.places.net, self.places.nodes);
        let against = &nodes[base];
        (0..nodes.len())
            .filter(|node| *node != base)
            .map(|node| {
                let own = net.cells_of(node);
                let meets = |session: &str| {
                    let of_base = net.cells_of(base);
                    let mut there = of_base.iter().map(|(c, _)| c.session.as_str());
                    there.any(|s| self.places.sittings.one(s, session))
                };
                let together = own.iter().map(|(c, _)| &c.session).filter(|s| meets(s)).collect();
                let together = self.served.times(&together, self.lots);
                let linked = net.part_of(node) == Some(part);
                let terms = if linked {
                    let of = |t| self.bridge_term(t, (node, base), &together);
                    Answer::Known(self.terms.iter().map(of).collect())
                } else {
                    let first = own.first().map(|(c, _)| (*c).clone());
                    Answer::unknown(first.map_or_else(
                        || "it has no score".to_owned(),
                        |cell: Cell| not_linked(&cell, against, net),
                    ))
                };
                Bridge {
                    reference: nodes[node].reference.clone(),
                    recipe: nodes[node].recipe.clone(),
                    against: against.reference.clone(),
                    against_recipe: against.recipe.clone(),
                    n_sessions: own.len(),
                    together: together.into_iter().map(|(s, _)| s).collect(),
                    terms,
                }
            })
            .collect()
    }

    fn bridge_term(
        &self,
        t: &OfTerm<'_>,
        (node, base): (usize, usize),
        together: &[(String, f64)],
    ) -> BridgeTerm {
        let model = &t.term.model;
        let ask = |sum: &Weights| asked(model, sum, self.level);
        let none = || Answer::unknown("in this term nothing links the two");
        let offset = t.net.as_ref().and_then(|net| match net.above(node, base) {
            Some(sum) => ask(&sum),
            None => none(),
        });
        let apart = t.net.as_ref().and_then(|net| {
            let (own, other) = (net.cells_of(node), net.cells_of(base));
            let both: Vec<Weights> = together
                .iter()
                .filter_map(|(session, _)| {
                    let a = own.iter().find(|(c, _)| c.session == *session)?.1;
                    let beside = |c: &Cell| self.places.sittings.one(&c.session, session);
                    let b = other.iter().find(|(c, _)| beside(c))?.1;
                    Some(vec![(a, 1.0), (b, -1.0)])
                })
                .collect();
            match both.as_slice() {
                [] => Answer::unknown("the two were never served in one session"),
                [_] => Answer::unknown(
                    "the two were served together once: whether one moved takes two sessions",
                ),
                [first, .., last] => ask(&joined(&[(last, 1.0), (first, -1.0)])),
            }
        });
        BridgeTerm {
            term: t.term.scores.term.id.clone(),
            scale: t.term.scores.term.scale,
            offset,
            apart,
        }
    }
}

impl Bridge {
    /// The changes among which it is asked whether the references moved apart.
    pub fn apart_mut(&mut self) -> Vec<&mut Change> {
        let Answer::Known(terms) = &mut self.terms else { return Vec::new() };
        terms
            .iter_mut()
            .filter_map(|t| match &mut t.apart {
                Answer::Known(c) => Some(c),
                Answer::Unknown(_) => None,
            })
            .collect()
    }

    /// What can be said of it.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let node = |reference: &str, recipe: &Option<String>| Node {
            reference: reference.to_owned(),
            recipe: recipe.clone(),
        };
        let by_recipe = self.recipe != self.against_recipe;
        let name = node(&self.reference, &self.recipe).told(by_recipe);
        let against = node(&self.against, &self.against_recipe).told(by_recipe);
        let terms = match &self.terms {
            Answer::Unknown(u) => {
                return vec![format!(
                    "{name} does not correct what {against} corrects: {}. To bridge them, serve both in \
                     one session (two sessions on one day where the recipe differs).",
                    u.reason
                )];
            }
            Answer::Known(terms) => terms,
        };
        let linked = match self.together.len() {
            0 => "through others".to_owned(),
            n => format!("by {}", count(n, "session", "sessions")),
        };
        let offsets: Vec<(&str, &Change)> =
            terms.iter().filter_map(|t| Some((t.term.as_str(), t.offset.known()?))).collect();
        let surest = offsets.iter().filter(|(_, c)| c.p_value < ALPHA);
        let mut surest: Vec<&(&str, &Change)> = surest.collect();
        surest.sort_by(|a, b| a.1.p_value.total_cmp(&b.1.p_value));
        let widest = offsets.iter().map(|(_, c)| (c.upper - c.lower) / 2.0).fold(0.0, f64::max);
        let lies = match surest.first() {
            Some((term, c)) => format!("; it lies furthest from it in {term} ({})", full(c)),
            None => String::new(),
        };
        let mut all = vec![format!(
            "{name} is bridged to {against} {linked}{lies}. Each offset is known to within \u{b1}{} at \
             worst, which is in the intervals.",
            signed(widest).trim_start_matches('+')
        )];
        let moved: Vec<String> = terms
            .iter()
            .filter_map(|t| Some((t, t.apart.known()?)))
            .filter(|(_, c)| super::is_shown(c))
            .map(|(t, c)| format!("{} ({})", t.term, full(c)))
            .collect();
        let n = terms.iter().filter(|t| t.apart.known().is_some()).count();
        if !moved.is_empty() {
            all.push(format!(
                "{name} and {against} moved apart while both were served: {}. One of the two did not \
                 stay the same.",
                listed(&moved)
            ));
        } else if let Some(most) = terms
            .iter()
            .filter_map(|t| Some((t, t.apart.known()?)))
            .max_by(|a, b| a.1.value.abs().total_cmp(&b.1.value.abs()))
        {
            all.push(format!(
                "That {name} and {against} moved apart is not shown in any of {}; furthest {} ({}).",
                count(n, "term", "terms"),
                most.0.term,
                interval(most.1)
            ));
        }
        all
    }
}
