//! The family of a lot: what it came of, what came of it, and what a sample was before.

use super::ids;
use super::lots::{CameBy, Lot, MAIN, Parent};
use super::time::Day;

/// A sample, and until when the tea was it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// The lot.
    pub lot: String,
    /// Its arm.
    pub arm: String,
    /// The day from which the tea was the sample before this one in the list; none: it still is
    /// this sample.
    pub until: Option<Day>,
}

/// A sample and what it was before, the latest first: the arm, the lot before it was split into
/// arms, the parent up to the day on which the lot was parted from it, and so on. Only a split
/// leaves the tea what it was: a blend, a re-fired lot, and a lot that does not say how it came
/// of its parents begin their own history. Parents that are not among `lots` end it.
#[must_use]
pub fn history(lot: &Lot, arm: &str, lots: &[Lot]) -> Vec<Stretch> {
    let mut stretches: Vec<Stretch> = Vec::new();
    let (mut lot, mut arm, mut until) = (lot, arm.to_owned(), None);
    loop {
        // The record refuses circles; whoever asks before it was checked must not hang.
        if stretches.iter().any(|s| ids::same(&s.lot, &lot.id) && ids::same(&s.arm, &arm)) {
            break;
        }
        let split = lot.file.value.arms.iter().find(|a| ids::same(&a.id, &arm));
        let spelt = split.map_or_else(|| arm.clone(), |a| a.id.clone());
        stretches.push(Stretch { lot: lot.id.clone(), arm: spelt, until });
        if let Some(split) = split {
            let main =
                Stretch { lot: lot.id.clone(), arm: MAIN.to_owned(), until: Some(split.since) };
            stretches.push(main);
        }
        let file = &lot.file.value;
        let (Some(CameBy::Split), [parent]) = (file.came_by, file.parents.as_slice()) else {
            break;
        };
        let Some(found) = lots.iter().find(|l| ids::same(&l.id, &parent.lot)) else { break };
        until = Some(lot.own_since());
        arm = parent.arm.clone().unwrap_or_else(|| MAIN.to_owned());
        lot = found;
    }
    stretches
}

/// A lot that another one came of, or that came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Relative {
    /// How many steps away: 1 for parents and children.
    pub steps: usize,
    /// The lot.
    pub lot: String,
    /// Its class and the day on which it was made; none if it is not in the book.
    pub made: Option<(String, Day)>,
    /// From which arm of the parent the tea was taken.
    pub arm: Option<String>,
    /// Kilograms that were taken from the parent.
    pub kg: Option<f64>,
    /// How the child came of the parent.
    pub came_by: Option<CameBy>,
    /// When.
    pub day: Day,
    /// Whether its own relatives stand further up already.
    pub again: bool,
}

/// What a lot came of, and what came of it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Family {
    /// Parents, each with its own parents behind it.
    pub ancestors: Vec<Relative>,
    /// Children, each with its own children behind it.
    pub descendants: Vec<Relative>,
}

/// The family of a lot.
#[must_use]
pub fn family(lot: &Lot, lots: &[Lot]) -> Family {
    let mut family = Family::default();
    ancestors(lot, lots, 1, &mut family.ancestors);
    descendants(lot, lots, 1, &mut family.descendants);
    family
}

fn relative(
    child: &Lot,
    parent: &Parent,
    shown: &str,
    found: Option<&Lot>,
    steps: usize,
) -> Relative {
    Relative {
        steps,
        lot: found.map_or_else(|| shown.to_owned(), |l| l.id.clone()),
        made: found.map(|l| (l.file.value.class.clone(), l.made())),
        arm: parent.arm.clone().filter(|a| !ids::same(a, MAIN)),
        kg: parent.kg,
        came_by: child.file.value.came_by,
        day: child.own_since(),
        again: false,
    }
}

fn ancestors(lot: &Lot, lots: &[Lot], steps: usize, list: &mut Vec<Relative>) {
    for parent in &lot.file.value.parents {
        let found = lots.iter().find(|l| ids::same(&l.id, &parent.lot));
        let mut r = relative(lot, parent, &parent.lot, found, steps);
        let Some(found) = found else {
            list.push(r);
            continue;
        };
        // A lot may be an ancestor by two ways; its own ancestors are told once.
        r.again = !found.file.value.parents.is_empty() && list.iter().any(|o| o.lot == r.lot);
        let further = !r.again && !list.iter().any(|o| o.lot == r.lot);
        list.push(r);
        if further {
            ancestors(found, lots, steps + 1, list);
        }
    }
}

fn descendants(lot: &Lot, lots: &[Lot], steps: usize, list: &mut Vec<Relative>) {
    for child in lots {
        for parent in child.file.value.parents.iter().filter(|p| ids::same(&p.lot, &lot.id)) {
            let mut r = relative(child, parent, &child.id, Some(child), steps);
            let before = list.iter().any(|o| o.lot == r.lot);
            let has_children = || {
                let of_child = |p: &Parent| ids::same(&p.lot, &child.id);
                lots.iter().any(|l| l.file.value.parents.iter().any(of_child))
            };
            r.again = before && has_children();
            list.push(r);
            if !before {
                descendants(child, lots, steps + 1, list);
            }
        }
    }
}
