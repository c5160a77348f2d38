//! How long leaf lasts: that of a sample for its own plan, that of the reference for all of them.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::Answer;
use super::schedule::days_after;
use super::sitting::{Sitting, room};
use super::{Kept, NO_RECIPE, Record, State, Wish, not_served, recipe_of};
use crate::book::time::Day;
use crate::session::Sample;

/// So far ahead the reference is looked at, in days.
const HORIZON: i64 = 3 * 365;

/// The frozen sample that every flight has a cup of.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ReferenceStock {
    /// The sample.
    pub sample: String,
    /// Why it is not served on that day; empty if nothing speaks against it.
    pub not_served: Vec<String>,
    /// Grams left, less what sealed sessions may draw.
    pub left_g: Answer<f64>,
    /// Grams of a cup.
    pub cup_g: Answer<f64>,
    /// How many more flights it lasts for.
    pub flights_left: Answer<u32>,
    /// How many sessions like the next one, or where nothing is due like the last one.
    pub sessions_left: Answer<u32>,
    /// Flights that the plans take in the year to come, if what falls due within one slack is
    /// tasted together.
    pub flights_a_year: u32,
    /// The day on which it runs out by the plans; unknown if it lasts for three years or longer.
    pub runs_out: Answer<Day>,
}

fn whole(x: f64) -> u32 {
    // A sum of decimals may lie a hair below a whole number.
    (x + 1e-9).floor().clamp(0.0, f64::from(u32::MAX)) as u32
}

/// For how many tastings the leaf of a sample lasts, and how many its plan still has.
pub(super) fn leaf(kept: &mut Kept<'_>, wish: &Wish) {
    let Some(plan) = kept.plan else {
        let no = "no plan is for this sample";
        kept.due.lasts = Answer::unknown(no);
        kept.due.lasts_until = Answer::unknown(no);
        kept.due.planned = Answer::unknown(no);
        return;
    };
    let due = &mut kept.due;
    // The one that waits now, then all of later days.
    let open = due.next.known().filter(|n| n.state != State::Sealed);
    let waiting = open.map(|n| n.day);
    let last = due.next.known().map_or(wish.on, |n| n.day.max(wish.on));
    let coming = || {
        let after = waiting.map_or(last, |day| day);
        waiting.into_iter().chain(days_after(plan, due.counts_from, after))
    };
    let grams = due.left_g.as_ref().and_then(|left| due.need_g.as_ref().map(|need| (*left, *need)));
    due.lasts = grams.map(|(left, need)| whole(left / need));
    due.lasts_until = due.lasts.as_ref().and_then(|n| match (*n as usize).checked_sub(1) {
        None => Answer::unknown("the leaf does not last for one tasting"),
        Some(n) if n > 200 => Answer::unknown("the leaf lasts for more than 200 tastings"),
        Some(n) => match coming().nth(n) {
            Some(day) => Answer::Known(day),
            None => Answer::unknown("the leaf lasts longer than the plan"),
        },
    });
    due.planned = if plan.then.is_some() && plan.until.is_none() {
        Answer::unknown("the plan has no end")
    } else {
        Answer::Known(u32::try_from(coming().count()).unwrap_or(u32::MAX))
    };
}

/// The reference, and how long it lasts.
pub(super) fn reference(
    record: &Record<'_>,
    wish: &Wish,
    kept: &[Kept<'_>],
    reference: Option<&Sample>,
    sitting: Option<&Sitting>,
) -> Answer<ReferenceStock> {
    let Some(sample) = reference else {
        return Answer::unknown(
            "no revealed session had a reference, and retasting.toml names none: without one drift \
             of the panel and ageing cannot be told apart",
        );
    };
    let left_g = record
        .standing
        .left(record.lots, sample)
        .map_or_else(|| Answer::unknown("no reserve is recorded for the reference"), Answer::Known);
    // As in the next session; else as most samples are brewed.
    let of_sitting = sitting.map(|s| s.cup_g);
    let of_samples = || kept.iter().find_map(|k| k.recipe).or_else(|| recipe_of(record, None));
    let cup_g = of_sitting.or_else(|| of_samples().map(|r| r.leaf_g));
    let cup_g = cup_g.map_or_else(|| Answer::unknown(NO_RECIPE), Answer::Known);
    let flights_left =
        left_g.as_ref().and_then(|left| cup_g.as_ref().map(|cup| whole((left / cup).max(0.0))));
    let last = record.standing.revealed.iter().rfind(|h| h.references.contains(sample));
    let a_session = sitting.map(|s| s.flights.len()).or(last.map(|h| h.n_flights)).unwrap_or(1);
    let sessions_left = flights_left.as_ref().map(|n| n / (a_session.max(1) as u32));
    let sessions = coming_sessions(record, wish, kept);
    let year = wish.on.later(365);
    let flights_a_year = sessions.iter().filter(|(day, _)| *day <= year).map(|(_, n)| n).sum();
    let runs_out = flights_left.as_ref().and_then(|left| {
        let mut used = 0_u32;
        let short = sessions.iter().find(|(_, n)| {
            used = used.saturating_add(*n);
            used > *left
        });
        match short {
            Some((day, _)) => Answer::Known(*day),
            None => Answer::unknown("by the plans it lasts for three years or longer"),
        }
    });
    let lot = record.lots.iter().find(|l| l.id == sample.lot);
    let not_served = lot.map(|l| not_served(record, l, &sample.arm, wish.on)).unwrap_or_default();
    Answer::Known(ReferenceStock {
        sample: sample.to_string(),
        not_served,
        left_g,
        cup_g,
        flights_left,
        sessions_left,
        flights_a_year,
        runs_out,
    })
}

/// Sessions to come and their flights, if what falls due within the slack of the first of them is
/// tasted with it.
fn coming_sessions(record: &Record<'_>, wish: &Wish, kept: &[Kept<'_>]) -> Vec<(Day, u32)> {
    let end = wish.on.later(HORIZON);
    // Day, slack, replicates, room beside reference and second codes.
    let mut tastings: Vec<(Day, i64, u32, usize)> = Vec::new();
    for k in kept {
        let Some(plan) = k.plan.filter(|_| k.due.state != State::Unfit) else { continue };
        let waiting = k.due.next.known().filter(|n| n.state.is_open()).map(|n| n.day);
        let after = k.due.next.known().map_or(wish.on, |n| match n.state {
            State::Later => n.day.later(-1),
            _ => n.day.max(wish.on),
        });
        let coming = days_after(plan, k.due.counts_from, after).take_while(|day| *day <= end);
        for day in waiting.map(|_| wish.on).into_iter().chain(coming) {
            let room = room(record, plan, true, wish.alone);
            tastings.push((day, plan.soon.whole_days(), plan.replicates, room));
        }
    }
    tastings.sort_unstable();
    let mut sessions: Vec<(Day, u32)> = Vec::new();
    let mut rest = tastings.as_slice();
    while let Some(first) = rest.first() {
        let until = first.0.later(first.1);
        let n = rest.iter().take_while(|t| t.0 <= until).count();
        let (together, further) = rest.split_at(n);
        let replicates = together.iter().map(|t| t.2).max().unwrap_or(1);
        let room = together.iter().map(|t| t.3).min().unwrap_or(1).max(1);
        let flights = u32::try_from(n.div_ceil(room)).unwrap_or(u32::MAX);
        sessions.push((first.0, flights.saturating_mul(replicates)));
        rest = further;
    }
    sessions
}
