//! Which tastings of a sample count together, and by what they are brought to one recipe and to
//! one reference.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::cell_model::{Cell, CellModel, Weights};
use super::super::{Answer, listed};
use super::network::{Net, Node, Sittings};
use super::served::{Followed, TastingOf};
use crate::book::time::DAYS_A_MONTH;

/// By what a tasting by another recipe is brought to the recipe of the first tasting.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RecipeBridge {
    /// The recipe of the first tasting.
    pub from: Option<String>,
    /// What was served both ways: the sample itself, or a reference.
    pub by: String,
    /// Whether it was a reference: then the recipe is taken to move the sample as it moves that.
    pub assumed: bool,
    /// In how many sessions the sample was served both ways; of a reference, the sessions that link
    /// its two recipes.
    pub n_sessions: usize,
}

/// How one tasting is brought to the first.
#[derive(Debug, Clone)]
enum Way {
    /// It was brewed as the first.
    Same,
    /// The sample itself was served both ways: pairs of cells, this recipe and the first one.
    Own(Vec<(Cell, Cell)>),
    /// A reference was: nodes by the first recipe and by this one.
    Reference(usize, usize),
}

/// The tastings of a sample with what counts of them.
#[derive(Debug)]
pub struct Route {
    /// The node that the sample is set beside; why there is none.
    anchor: Answer<usize>,
    ways: Vec<Answer<Way>>,
    /// True where a reference tells the panel's shift, else why not.
    pub beside: Vec<Answer<bool>>,
    /// By what each tasting is bridged, where it is.
    pub bridges: Vec<Option<RecipeBridge>>,
}

/// What the tastings of a sample are looked up in.
pub struct Places<'a> {
    /// The network of all that was served.
    pub net: &'a Net<'a>,
    /// Its nodes.
    pub nodes: &'a [Node],
    /// The sittings.
    pub sittings: &'a Sittings,
    /// Which references are held constant; why there is none.
    pub references: &'a Answer<Vec<String>>,
}

fn by(recipe: Option<&str>) -> &str {
    recipe.unwrap_or("an unnamed recipe")
}

impl Route {
    /// The route of a sample.
    #[must_use]
    pub fn of(f: &Followed, places: &Places<'_>) -> Self {
        let early: Vec<Option<String>> = f.tastings.iter().map(|t| too_early(f, t)).collect();
        let first = f.tastings.iter().zip(&early).find(|(_, e)| e.is_none()).map(|(t, _)| t);
        let recipe = first.and_then(|t| t.cell.recipe.as_deref());
        let part = most_common(f.tastings.iter().zip(&early).filter_map(|(t, early)| {
            let part = places.net.part(&t.cell.session)?;
            (early.is_none() && places.net.anchor(part, recipe).is_some()).then_some(part)
        }));
        let anchor = part.and_then(|p| places.net.anchor(p, recipe));
        let counted: Vec<&TastingOf> =
            f.tastings.iter().zip(&early).filter(|(_, e)| e.is_none()).map(|(t, _)| t).collect();
        let mut ways = Vec::new();
        let mut bridges = Vec::new();
        for (t, early) in f.tastings.iter().zip(early) {
            let way = match early {
                Some(why) => Answer::unknown(why),
                None => way(&counted, t, recipe, places),
            };
            bridges.push(way.known().and_then(|w| bridge(w, recipe, places)));
            ways.push(way);
        }
        let beside = f
            .tastings
            .iter()
            .map(|t| {
                places.references.as_ref().and_then(|names| {
                    match (places.net.part(&t.cell.session), anchor) {
                        (own, Some(_)) if own == part => Answer::Known(true),
                        (Some(_), Some(anchor)) => {
                            Answer::unknown(not_linked(&t.cell, &places.nodes[anchor], places.net))
                        }
                        _ => Answer::unknown(not_beside(names, &t.cell, recipe)),
                    }
                })
            })
            .collect();
        let anchor = places.references.as_ref().and_then(|names| match anchor {
            Some(anchor) => Answer::Known(anchor),
            None => Answer::unknown(format!(
                "{} brewed as in the first tasting",
                match names.as_slice() {
                    [one] => format!("the reference {one} was never"),
                    several => format!("none of the references {} was ever", listed(several)),
                }
            )),
        });
        Self { anchor, ways, beside, bridges }
    }

    /// The node that the sample is set beside; why there is none.
    #[must_use]
    pub fn anchor(&self) -> Answer<usize> {
        self.anchor.clone()
    }

    /// True where a tasting counts with the others, else why it does not.
    #[must_use]
    pub fn pooled(&self, at: usize) -> Answer<bool> {
        self.ways[at].as_ref().map(|_| true)
    }

    /// A tasting's own mean as if it had been brewed by the recipe of the first tasting.
    #[must_use]
    pub fn own(
        &self,
        at: usize,
        plain: &Weights,
        model: &CellModel,
        net: &Net<'_>,
    ) -> Answer<Weights> {
        let none =
            || Answer::unknown("in this term nothing was scored that bridges the two recipes");
        self.ways[at].as_ref().and_then(|way| match way {
            Way::Same => Answer::Known(plain.clone()),
            Way::Own(pairs) => {
                let both: Vec<(usize, usize)> = pairs
                    .iter()
                    .filter_map(|(this, first)| Some((model.at(this)?, model.at(first)?)))
                    .collect();
                if both.is_empty() {
                    return none();
                }
                let share = 1.0 / both.len() as f64;
                let offset = both.into_iter().flat_map(|(a, b)| [(a, -share), (b, share)]);
                Answer::Known(plain.iter().copied().chain(offset).collect())
            }
            Way::Reference(first, other) => match net.above(*first, *other) {
                Some(offset) => Answer::Known(plain.iter().copied().chain(offset).collect()),
                None => none(),
            },
        })
    }
}

/// Why a tasting has no age, if it lies before the moment from which ages count.
fn too_early(f: &Followed, t: &TastingOf) -> Option<String> {
    let earliest = f.time.earliest.as_ref()?;
    // Half a day, since months are days in another unit.
    let early = t.month < earliest.month - 0.5 / DAYS_A_MONTH;
    early.then(|| {
        format!(
            "served in {}, but {}: one of the two days is wrong, or this is another tea",
            t.cell.session, earliest.told
        )
    })
}

fn most_common(parts: impl Iterator<Item = usize>) -> Option<usize> {
    let mut counts: Vec<(usize, usize)> = Vec::new();
    for part in parts {
        match counts.iter_mut().find(|c| c.0 == part) {
            Some(known) => known.1 += 1,
            None => counts.push((part, 1)),
        }
    }
    // The earliest of those that are as many.
    let most = counts.iter().map(|c| c.1).max()?;
    counts.into_iter().find(|c| c.1 == most).map(|c| c.0)
}

fn way(
    counted: &[&TastingOf],
    t: &TastingOf,
    first: Option<&str>,
    places: &Places<'_>,
) -> Answer<Way> {
    let own = t.cell.recipe.as_deref();
    if own == first {
        return Answer::Known(Way::Same);
    }
    let one_sitting = |a: &Cell, b: &Cell| places.sittings.one(&a.session, &b.session);
    let by_first = || counted.iter().filter(|o| o.cell.recipe.as_deref() == first);
    if by_first().any(|o| one_sitting(&o.cell, &t.cell)) {
        return Answer::unknown(format!(
            "brewed by {} beside {}: it bridges the two recipes and is not counted once more",
            by(own),
            by(first)
        ));
    }
    let pairs: Vec<(Cell, Cell)> = counted
        .iter()
        .filter(|o| o.cell.recipe.as_deref() == own)
        .flat_map(|o| {
            let beside = by_first().filter(|b| one_sitting(&o.cell, &b.cell));
            beside.map(|b| (o.cell.clone(), b.cell.clone())).collect::<Vec<_>>()
        })
        .collect();
    if !pairs.is_empty() {
        return Answer::Known(Way::Own(pairs));
    }
    let both =
        places.net.part(&t.cell.session).and_then(|part| places.net.both_ways(part, first, own));
    match both {
        Some((first, other)) => Answer::Known(Way::Reference(first, other)),
        None => Answer::unknown(format!(
            "brewed by {}, the first tasting by {}: the recipe is part of the score, and nothing was \
             served both ways that would bridge them",
            by(own),
            by(first)
        )),
    }
}

fn bridge(way: &Way, first: Option<&str>, places: &Places<'_>) -> Option<RecipeBridge> {
    let from = first.map(str::to_owned);
    match way {
        Way::Same => None,
        Way::Own(pairs) => Some(RecipeBridge {
            from,
            by: pairs.first().map(|p| p.0.sample.clone()).unwrap_or_default(),
            assumed: false,
            n_sessions: pairs.len(),
        }),
        Way::Reference(a, b) => {
            let own = |node: usize| places.net.cells_of(node);
            let first = own(*a);
            let linked = own(*b)
                .iter()
                .filter(|(cell, _)| {
                    first.iter().any(|(o, _)| places.sittings.one(&o.session, &cell.session))
                })
                .count();
            Some(RecipeBridge {
                from,
                by: places.nodes[*a].reference.clone(),
                assumed: true,
                n_sessions: linked,
            })
        }
    }
}

/// Why a tasting has no reference beside it.
fn not_beside(names: &[String], at: &Cell, recipe: Option<&str>) -> String {
    let so = recipe.map_or_else(String::new, |recipe| format!(" by {recipe}"));
    match names {
        [one] => format!("the reference {one} was not scored in {}{so}", at.session),
        several => {
            format!("none of the references {} was scored in {}{so}", listed(several), at.session)
        }
    }
}

/// Why a session with another reference cannot be set beside the others.
pub fn not_linked(at: &Cell, anchor: &Node, net: &Net<'_>) -> String {
    let there = net.served_in(&at.session);
    let with_recipe = there.iter().any(|n| n.reference == anchor.reference);
    let names: Vec<String> = there.iter().map(|n| n.told(with_recipe)).collect();
    let was = if names.len() == 1 { "was" } else { "were" };
    format!(
        "{} {was} never served beside {} in one session: what was tasted with one cannot be set beside \
         what was tasted with the other",
        listed(&names),
        anchor.told(with_recipe)
    )
}
