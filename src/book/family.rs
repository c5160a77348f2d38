//! What a sample was before it was what it is: the same tea through splits.

use super::ids;
use super::lots::{CameBy, Lot, MAIN};
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
