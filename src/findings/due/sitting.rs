//! The session that tastes what is due: which samples, in which flights, on which days.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::{Answer, count};
use super::{Kept, Record, State, Wish, is_gone, not_served};
use crate::book::ids;
use crate::book::recipes::Recipe;
use crate::book::retasting::RetastingPlan;
use crate::book::time::Day;
use crate::session::Sample;

/// A session that could be planned.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Sitting {
    /// The recipe.
    pub recipe: String,
    /// Grams of a cup.
    pub cup_g: f64,
    /// How often each sample is brewed anew.
    pub replicates: u32,
    /// The reference; unknown if there is none that can be served.
    pub reference: Answer<String>,
    /// Its samples, those together that belong into one flight: the arms of a lot. Which flight has
    /// which of them is dealt when the session is planned, and nobody is told.
    pub groups: Vec<Vec<String>>,
    /// Its flights.
    pub flights: Vec<SittingFlight>,
    /// Samples that could be tasted now and are not in it, and arms of a lot of which it has another.
    pub left_out: Vec<LeftOut>,
}

/// A flight.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SittingFlight {
    /// Its day.
    pub day: Day,
    /// Which replicate of its samples it is, from 1.
    pub replicate: u32,
    /// How many samples it has.
    pub n_samples: u32,
    /// Second codes.
    pub duplicates: u32,
    /// Scored cups.
    pub cups: u32,
}

/// A sample that is left out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LeftOut {
    /// The sample.
    pub sample: String,
    /// Why.
    pub reason: String,
    /// Whether it is served all the same if it is asked for by its name.
    pub by_wish: bool,
}

/// How many samples a flight has room for beside the reference and the second codes.
pub(super) fn room(
    record: &Record<'_>,
    plan: &RetastingPlan,
    reference: bool,
    alone: bool,
) -> usize {
    let duplicates = if alone { 0 } else { plan.duplicates as usize };
    record.flight_cups.saturating_sub(duplicates + usize::from(reference)).max(1)
}

/// What makes samples go into one session: how they are brewed, and how often.
#[derive(PartialEq)]
struct Way<'a> {
    recipe: &'a str,
    replicates: u32,
    duplicates: u32,
}

fn way<'a>(k: &Kept<'a>) -> Option<Way<'a>> {
    let (plan, recipe) = (k.plan?, k.recipe?);
    Some(Way { recipe: &recipe.id, replicates: plan.replicates, duplicates: plan.duplicates })
}

pub(super) fn sitting(
    record: &Record<'_>,
    wish: &Wish,
    kept: &[Kept<'_>],
    reference: Option<&Sample>,
) -> Answer<Sitting> {
    let mut left_out = Vec::new();
    let mut leave = |k: &Kept<'_>, reason: String| {
        left_out.push(LeftOut { sample: k.due.sample.clone(), reason, by_wish: false });
    };
    let asked = |k: &Kept<'_>| {
        wish.with.iter().any(|w| {
            let (id, arm) = w.split_once('@').map_or((w.as_str(), None), |(l, a)| (l, Some(a)));
            ids::same(id, &k.due.lot) && arm.is_none_or(|a| ids::same(a, &k.sample.arm))
        })
    };
    let mut chosen: Vec<&Kept<'_>> = Vec::new();
    for k in kept.iter().filter(|k| k.due.state.is_open() || asked(k) || waits_unfit(k)) {
        if k.due.state == State::Unfit {
            leave(k, format!("it is not served: {}", k.due.not_served.join("; ")));
        } else if k.due.state == State::Sealed && !asked(k) {
            leave(k, "it is in a session that is not revealed".to_owned());
        } else if k.recipe.is_none() {
            leave(k, super::NO_RECIPE.to_owned());
        } else if let (Some(need), Some(left)) = (k.due.need_g.known(), k.due.left_g.known())
            && left + 1e-9 < *need
        {
            leave(k, format!("{need:.1} g are needed at most, and {left:.1} g are left"));
        } else if k.plan.is_none() {
            leave(k, "no plan is for it".to_owned());
        } else {
            chosen.push(k);
        }
    }
    // The way of what is most urgent; the others take a session of their own.
    let Some(of) = chosen.first().and_then(|k| way(k)) else {
        return Answer::unknown(nothing(wish, kept, &left_out));
    };
    let (same, other): (Vec<&Kept<'_>>, Vec<&Kept<'_>>) =
        chosen.into_iter().partition(|k| way(k).as_ref() == Some(&of));
    // An arm goes with the other arms of its lot, how often they are brewed; only a recipe parts them.
    let goes_along = |k: &&Kept<'_>| {
        let with = same.iter().any(|s| s.due.lot == k.due.lot);
        with && way(k).is_some_and(|w| w.recipe == of.recipe)
    };
    for k in other.into_iter().filter(|k| !goes_along(k)) {
        if let Some(w) = way(k) {
            let why = if w.recipe == of.recipe {
                format!(
                    "its plan has {} and {} of second codes, unlike the others",
                    count(w.replicates as usize, "replicate", "replicates"),
                    w.duplicates
                )
            } else {
                format!("it is brewed by {}, the others by {}", w.recipe, of.recipe)
            };
            leave(k, format!("{why}: plan a second session for it"));
        }
    }
    let unfit = |s: &Sample| {
        let lot = record.lots.iter().find(|l| l.id == s.lot);
        lot.map(|l| not_served(record, l, &s.arm, wish.on)).unwrap_or_default()
    };
    let reference = match reference.map(|s| (s, unfit(s))) {
        None => Answer::unknown("no reference is known"),
        Some((s, why)) if !why.is_empty() => {
            Answer::unknown(format!("{s} is not served: {}", why.join("; ")))
        }
        Some((s, _)) => Answer::Known(s.to_string()),
    };
    let Some((plan, recipe)) = same[0].plan.zip(same[0].recipe) else {
        return Answer::unknown(super::NO_RECIPE);
    };
    let room = room(record, plan, reference.known().is_some(), wish.alone);
    let a_day = record.retasting.value.flights_a_day.max(1) as usize;
    let days = wish.days.unwrap_or(record.retasting.value.days_a_session) / plan.replicates;
    let most = a_day * days.max(1) as usize;
    let (mut groups, waiting) = as_many(groups(&same, room), room, most);
    let no_room = format!(
        "there is no room in {}",
        match plan.replicates {
            1 => count(most, "flight", "flights"),
            n => format!("{} for each of {n} replicates", count(most, "flight", "flights")),
        }
    );
    for sample in waiting.into_iter().flatten() {
        left_out.push(LeftOut { sample, reason: no_room.clone(), by_wish: false });
    }
    // Arms are compared with one another within a session: each brings the others of its lot, due or not.
    let cups = Kept::most_cups(plan, wish.alone);
    for k in kept {
        let sample = &k.due.sample;
        let mut here = groups.iter().flatten();
        if here.clone().all(|s| lot_of(s) != k.due.lot)
            || here.any(|s| s == sample)
            || left_out.iter().any(|l| l.sample == *sample)
            || is_gone(record, k.lot, &k.sample.arm)
        {
            continue;
        }
        let need = recipe.leaf_g * f64::from(cups);
        let more = joined(&groups, k, room, most);
        let reason = against(k, recipe, need).or_else(|| more.is_none().then(|| no_room.clone()));
        let keeps = || kept_for_later(k, need);
        match (reason, more) {
            (None, Some(more)) if keeps().is_none() => groups = more,
            (reason, _) => left_out.push(LeftOut {
                sample: sample.clone(),
                by_wish: reason.is_none(),
                reason: reason.or_else(keeps).unwrap_or_default(),
            }),
        }
    }
    let sizes: Vec<u32> = pack(&groups, room).iter().map(|f| f.len() as u32).collect();
    if reference.known().is_none() && sizes.contains(&1) {
        return Answer::unknown(alone(wish, kept, &groups, &sizes, &left_out));
    }
    let days_a_replicate = sizes.len().div_ceil(a_day);
    let mut all = Vec::new();
    for replicate in 0..plan.replicates {
        for (i, n_samples) in sizes.iter().copied().enumerate() {
            let day = replicate as usize * days_a_replicate + i / a_day;
            let duplicates = if wish.alone { 0 } else { plan.duplicates.min(n_samples) };
            let reference = u32::from(reference.known().is_some());
            all.push(SittingFlight {
                day: wish.on.later(day as i64),
                replicate: replicate + 1,
                n_samples,
                duplicates,
                cups: n_samples + duplicates + reference,
            });
        }
    }
    Answer::Known(Sitting {
        recipe: recipe.id.clone(),
        cup_g: recipe.leaf_g,
        replicates: plan.replicates,
        reference,
        groups,
        flights: all,
        left_out,
    })
}

/// The lot of a sample.
fn lot_of(sample: &str) -> &str {
    sample.split_once('@').map_or(sample, |(lot, _)| lot)
}

/// What speaks against serving an arm because another of its lot is served; `need` is what that takes.
fn against(k: &Kept<'_>, recipe: &Recipe, need: f64) -> Option<String> {
    match k.due.state {
        State::Unfit => {
            return Some(format!("it is not served: {}", k.due.not_served.join("; ")));
        }
        State::Sealed => return Some("it is in a session that is not revealed".to_owned()),
        _ => {}
    }
    let Some(own) = k.recipe else { return Some(super::NO_RECIPE.to_owned()) };
    if k.plan.is_none() {
        return Some("no plan is for it".to_owned());
    }
    if own.id != recipe.id {
        return Some(format!("it is brewed by {}, the others by {}", own.id, recipe.id));
    }
    let left = *k.due.left_g.known()?;
    (left + 1e-9 < need)
        .then(|| format!("{need:.1} g are needed at most, and {left:.1} g are left"))
}

/// Why an arm that is not due keeps its leaf: `need` now would leave too little for the tasting that it waits
/// for.
fn kept_for_later(k: &Kept<'_>, need: f64) -> Option<String> {
    let left = *k.due.left_g.known()?;
    let next = *k.due.need_g.known().filter(|_| k.due.state == State::Later)?;
    (left + 1e-9 < need + next).then(|| {
        format!(
            "it is not due, and its {left:.1} g would not last for its own next tasting, which takes up \
             to {next:.1} g"
        )
    })
}

/// The groups with one more arm of a lot that they have, if there is room.
fn joined(
    groups: &[Vec<String>],
    k: &Kept<'_>,
    room: usize,
    most: usize,
) -> Option<Vec<Vec<String>>> {
    let mut more = groups.to_vec();
    let with = more.iter_mut().find(|g| g.len() < room && g.iter().any(|s| lot_of(s) == k.due.lot));
    match with {
        Some(group) => group.push(k.due.sample.clone()),
        None => more.push(vec![k.due.sample.clone()]),
    }
    (pack(&more, room).len() <= most).then_some(more)
}

/// Whether a sample would be tasted now, if it were fit to be served.
fn waits_unfit(k: &Kept<'_>) -> bool {
    k.due.state == State::Unfit && k.due.next.known().is_some_and(|n| n.state.is_open())
}

fn nothing(wish: &Wish, kept: &[Kept<'_>], left_out: &[LeftOut]) -> String {
    let later = kept.iter().filter(|k| k.due.state == State::Later);
    let next = later.filter_map(|k| k.due.next.known()).map(|n| n.day).min();
    let mut text = if left_out.is_empty() {
        format!("nothing is due or soon on {}", wish.on)
    } else {
        format!("nothing that is due on {} can be tasted ({})", wish.on, each(left_out))
    };
    if let Some(day) = next {
        text.push_str(&format!("; the next tasting is on {day}"));
    }
    text
}

/// Why samples are left out, the first few each.
fn each(left_out: &[LeftOut]) -> String {
    const NAMED: usize = 6;
    let named = left_out.iter().take(NAMED).map(|l| format!("{}: {}", l.sample, l.reason));
    let more = left_out.len().saturating_sub(NAMED);
    let more = (more > 0).then(|| format!("and {more} more"));
    named.chain(more).collect::<Vec<String>>().join("; ")
}

/// What to add where a flight would have one sample and no reference.
fn alone(
    wish: &Wish,
    kept: &[Kept<'_>],
    groups: &[Vec<String>],
    sizes: &[u32],
    left_out: &[LeftOut],
) -> String {
    let here: Vec<&String> = groups.iter().flatten().collect();
    let found = match here.as_slice() {
        [one] if sizes.len() == 1 && left_out.is_empty() => {
            format!("on {} {one} alone could be tasted", wish.on)
        }
        [one] if sizes.len() == 1 => {
            format!("on {} {one} alone could be tasted ({})", wish.on, each(left_out))
        }
        _ => format!("a flight would have one of {} samples alone", here.len()),
    };
    let other = kept.iter().find(|k| {
        k.due.state == State::Later && k.recipe.is_some() && !here.contains(&&k.due.sample)
    });
    let with = other.map_or("LOT", |k| k.due.sample.as_str());
    format!(
        "{found}, and without a reference there is nothing to compare it with. Add another sample with \
         --with {with}, or name a reference in retasting.toml"
    )
}

/// The arms of a lot together, as far as a flight has room for them.
fn groups(chosen: &[&Kept<'_>], room: usize) -> Vec<Vec<String>> {
    let mut groups: Vec<(&str, Vec<String>)> = Vec::new();
    for k in chosen {
        match groups.iter_mut().find(|(lot, g)| *lot == k.due.lot && g.len() < room) {
            Some((_, group)) => group.push(k.due.sample.clone()),
            None => groups.push((&k.due.lot, vec![k.due.sample.clone()])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

/// The groups that so many flights have room for, the first ones first, and those that wait.
fn as_many(
    groups: Vec<Vec<String>>,
    room: usize,
    most: usize,
) -> (Vec<Vec<String>>, Vec<Vec<String>>) {
    let (mut here, mut waiting): (Vec<Vec<String>>, Vec<Vec<String>>) = (Vec::new(), Vec::new());
    let mut samples = 0;
    for group in groups {
        samples += group.len();
        here.push(group);
        let too_many = samples > most * room || pack(&here, room).len() > most;
        if let Some(group) = here.pop_if(|_| too_many) {
            samples -= group.len();
            waiting.push(group);
        }
    }
    (here, waiting)
}

/// Groups in as few flights as hold them, about as many samples in each. How many each has follows
/// from the sizes of the groups alone, not from their order.
fn pack(groups: &[Vec<String>], room: usize) -> Vec<Vec<String>> {
    let mut order: Vec<&Vec<String>> = groups.iter().collect();
    order.sort_by_key(|g| std::cmp::Reverse(g.len()));
    let samples: usize = groups.iter().map(Vec::len).sum();
    // As many flights as groups always hold them.
    for n in samples.div_ceil(room.max(1)).max(1)..groups.len() {
        let mut flights: Vec<Vec<String>> = vec![Vec::new(); n];
        let fits = order.iter().all(|group| {
            let least = flights.iter_mut().min_by_key(|f| f.len());
            least.filter(|f| f.len() + group.len() <= room).is_some_and(|flight| {
                flight.extend(group.iter().cloned());
                true
            })
        });
        if fits {
            return flights;
        }
    }
    order.into_iter().cloned().collect()
}

impl Sitting {
    /// What is in each flight, dealt by random draws: `below(n)` gives a number from 0 up to, not
    /// including, n.
    pub fn dealt(&self, mut below: impl FnMut(usize) -> usize) -> Vec<Vec<String>> {
        let n = self.flights.iter().filter(|f| f.replicate == 1).count().max(1);
        let room = self.flights.iter().map(|f| f.n_samples as usize).max().unwrap_or(1);
        let mut all = Vec::new();
        for _ in 0..self.flights.len() / n {
            let mut groups = self.groups.clone();
            for i in (1..groups.len()).rev() {
                groups.swap(i, below(i + 1));
            }
            all.extend(pack(&groups, room));
        }
        all
    }

    /// All its samples.
    pub fn samples(&self) -> impl Iterator<Item = &String> {
        self.groups.iter().flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_room_waits_and_smaller_groups_may_fill_up() {
        let (here, waiting) = as_many(groups_of(&[2, 2, 2, 1, 1, 1]), 3, 2);
        let sizes = |g: &[Vec<String>]| g.iter().map(Vec::len).collect::<Vec<_>>();
        assert_eq!((sizes(&here), sizes(&waiting)), (vec![2, 2, 1, 1], vec![2, 1]));
        let (here, waiting) = as_many(groups_of(&[1, 1]), 6, 1);
        assert_eq!((here.len(), waiting.len()), (2, 0));
    }

    fn groups_of(sizes: &[usize]) -> Vec<Vec<String>> {
        let group = |(i, n): (usize, &usize)| (0..*n).map(|j| format!("L{i}@{j}")).collect();
        sizes.iter().enumerate().map(group).collect()
    }

    /// Over all small cases: nothing is lost or poured twice, arms stay together, no flight is too
    /// full, and the sizes do not hang on the order.
    #[test]
    fn flights_hold_all_groups_and_part_none() {
        for room in 2..7 {
            for code in 0..3_usize.pow(6) {
                let sizes: Vec<usize> =
                    (0..6).map(|i| code / 3_usize.pow(i) % 3).filter(|n| *n > 0).collect();
                let groups = groups_of(&sizes);
                let flights = pack(&groups, room);
                let mut all: Vec<&String> = flights.iter().flatten().collect();
                all.sort();
                let mut expected: Vec<&String> = groups.iter().flatten().collect();
                expected.sort();
                assert_eq!(all, expected);
                for group in &groups {
                    let with = flights.iter().filter(|f| f.contains(&group[0]));
                    assert!(with.clone().all(|f| group.iter().all(|s| f.contains(s))));
                    assert_eq!(with.count(), 1);
                }
                assert!(flights.iter().all(|f| f.len() <= room && !f.is_empty()));
                let mut back = groups.clone();
                back.reverse();
                let sizes = |f: &[Vec<String>]| f.iter().map(Vec::len).collect::<Vec<_>>();
                assert_eq!(sizes(&pack(&back, room)), sizes(&flights));
            }
        }
    }
}
