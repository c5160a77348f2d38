//! What the samples that are held constant say of each session: nodes (a reference, brewed by a
//! recipe) with levels that stay, sessions with shifts, linked where they were served together.

use std::collections::{BTreeMap, BTreeSet};

use blindsteep_stats::additive::Additive;

use super::super::cell_model::{Cell, Weights};

/// A sample that is held constant, brewed by one recipe.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Node {
    /// The sample.
    pub reference: String,
    /// The recipe, if recipes are recorded.
    pub recipe: Option<String>,
}

impl Node {
    fn of(cell: &Cell) -> Self {
        Self { reference: cell.sample.clone(), recipe: cell.recipe.clone() }
    }

    /// In a sentence.
    #[must_use]
    pub fn told(&self, with_recipe: bool) -> String {
        match (&self.recipe, with_recipe) {
            (Some(recipe), true) => format!("{} by {recipe}", self.reference),
            _ => self.reference.clone(),
        }
    }
}

/// Which sessions share a shift: each by itself, but sessions of one day of a book that were brewed
/// differently are one sitting, since a session of a book has one recipe.
#[derive(Debug, Clone, Default)]
pub struct Sittings(BTreeMap<String, usize>);

impl Sittings {
    /// The sittings of sessions: name, day and recipe of each; days are compared only if `by_day`.
    pub fn of(sessions: &BTreeMap<String, (f64, BTreeSet<Option<String>>)>, by_day: bool) -> Self {
        let mut days: BTreeMap<u64, (usize, BTreeSet<&Option<String>>)> = BTreeMap::new();
        for (i, (day, recipes)) in sessions.values().enumerate() {
            days.entry(day.to_bits()).or_insert((i, BTreeSet::new())).1.extend(recipes);
        }
        let number = |(i, (day, _)): (usize, &(f64, BTreeSet<Option<String>>))| {
            let (first, recipes) = &days[&day.to_bits()];
            if by_day && recipes.len() > 1 { *first } else { i }
        };
        let numbers: Vec<usize> = sessions.values().enumerate().map(number).collect();
        Self(sessions.keys().cloned().zip(numbers).collect())
    }

    /// The sitting of a session.
    #[must_use]
    pub fn at(&self, session: &str) -> Option<usize> {
        self.0.get(session).copied()
    }

    /// Whether two sessions are one sitting.
    #[must_use]
    pub fn one(&self, a: &str, b: &str) -> bool {
        a == b || self.at(a).is_some_and(|s| self.at(b) == Some(s))
    }
}

/// The nodes of all references, those that were served in the most sessions first.
#[must_use]
pub fn nodes<'a>(cells: impl Iterator<Item = &'a Cell>, references: &[String]) -> Vec<Node> {
    let place = |name: &String| references.iter().position(|r| r == name);
    let mut sessions: BTreeMap<Node, BTreeSet<&String>> = BTreeMap::new();
    for cell in cells.filter(|c| place(&c.sample).is_some()) {
        sessions.entry(Node::of(cell)).or_default().insert(&cell.session);
    }
    let mut all: Vec<(Node, usize)> = sessions.into_iter().map(|(n, s)| (n, s.len())).collect();
    // The first named of those that were served as often.
    all.sort_by(|a, b| {
        b.1.cmp(&a.1)
            .then_with(|| place(&a.0.reference).cmp(&place(&b.0.reference)))
            .then_with(|| a.0.cmp(&b.0))
    });
    all.into_iter().map(|(node, _)| node).collect()
}

/// The network of the cells of the references: of all that was served, or of one term's model.
#[derive(Debug)]
pub struct Net<'a> {
    nodes: &'a [Node],
    sittings: &'a Sittings,
    /// Each cell with its node and its number outside.
    cells: Vec<(&'a Cell, usize, usize)>,
    additive: Additive,
}

impl<'a> Net<'a> {
    /// The network of these cells, each with its number.
    #[must_use]
    pub fn of(
        cells: impl Iterator<Item = (&'a Cell, usize)>,
        nodes: &'a [Node],
        sittings: &'a Sittings,
    ) -> Self {
        let own: BTreeMap<&Node, usize> = nodes.iter().zip(0..).collect();
        let names: BTreeSet<&String> = nodes.iter().map(|n| &n.reference).collect();
        let cells: Vec<(&Cell, usize, usize)> = cells
            .filter(|(cell, _)| names.contains(&cell.sample))
            .filter_map(|(cell, at)| Some((cell, *own.get(&Node::of(cell))?, at)))
            .filter(|(cell, ..)| sittings.at(&cell.session).is_some())
            .collect();
        let places: Vec<(usize, usize)> = cells
            .iter()
            .filter_map(|(cell, node, _)| Some((*node, sittings.at(&cell.session)?)))
            .collect();
        Self { nodes, sittings, additive: Additive::of(&places), cells }
    }

    fn turned(&self, weights: Weights) -> Weights {
        weights.into_iter().map(|(at, w)| (self.cells[at].2, w)).collect()
    }

    /// The part of the network to which a session belongs; none if no reference was served in it.
    #[must_use]
    pub fn part(&self, session: &str) -> Option<usize> {
        self.additive.component_of_column(self.sittings.at(session)?)
    }

    /// The part to which a node belongs.
    #[must_use]
    pub fn part_of(&self, node: usize) -> Option<usize> {
        self.additive.component_of_row(node)
    }

    /// The first node of a part that was brewed by a recipe.
    #[must_use]
    pub fn anchor(&self, part: usize, recipe: Option<&str>) -> Option<usize> {
        (0..self.nodes.len())
            .find(|n| self.part_of(*n) == Some(part) && self.nodes[*n].recipe.as_deref() == recipe)
    }

    /// The node of a part from which its others are measured.
    #[must_use]
    pub fn base(&self, part: usize) -> Option<usize> {
        self.additive.base(part)
    }

    /// What a node has in a session, by all that is linked with them.
    #[must_use]
    pub fn expected(&self, node: usize, session: &str) -> Option<Weights> {
        let weights = self.additive.expected(node, self.sittings.at(session)?)?;
        Some(self.turned(weights))
    }

    /// How far a node lies above another.
    #[must_use]
    pub fn above(&self, a: usize, b: usize) -> Option<Weights> {
        Some(self.turned(self.additive.above(a, b)?))
    }

    /// A reference of a part that was brewed by both recipes: nodes by the first and the second.
    #[must_use]
    pub fn both_ways(
        &self,
        part: usize,
        first: Option<&str>,
        other: Option<&str>,
    ) -> Option<(usize, usize)> {
        (0..self.nodes.len())
            .filter(|a| self.part_of(*a) == Some(part))
            .filter(|a| self.nodes[*a].recipe.as_deref() == first)
            .find_map(|a| {
                let twin = Node {
                    reference: self.nodes[a].reference.clone(),
                    recipe: other.map(str::to_owned),
                };
                let b = self.nodes.iter().position(|n| *n == twin)?;
                (self.part_of(b) == Some(part)).then_some((a, b))
            })
    }

    /// The node's own cells, by their numbers outside.
    #[must_use]
    pub fn cells_of(&self, node: usize) -> Vec<(&'a Cell, usize)> {
        self.cells.iter().filter(|c| c.1 == node).map(|(cell, _, at)| (*cell, *at)).collect()
    }

    /// The sessions of a part, once each.
    #[must_use]
    pub fn sessions(&self, part: usize) -> BTreeSet<&'a String> {
        let own = self.cells.iter().filter(|c| self.part_of(c.1) == Some(part));
        own.map(|(cell, ..)| &cell.session).collect()
    }

    /// The references that were served in a session.
    #[must_use]
    pub fn served_in(&self, session: &str) -> Vec<&'a Node> {
        let mut all: Vec<&Node> = self
            .cells
            .iter()
            .filter(|(cell, ..)| cell.session == session)
            .map(|(_, node, _)| &self.nodes[*node])
            .collect();
        all.dedup();
        all
    }
}
