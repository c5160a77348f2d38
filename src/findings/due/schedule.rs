//! The tastings of a plan: their days, which sessions count for them, how they stand.

use super::super::Answer;
use super::{Record, State, Tasted, Tasting, Wish};
use crate::book::family::history;
use crate::book::lots::Lot;
use crate::book::retasting::RetastingPlan;
use crate::book::session_files::Kind;
use crate::book::span::Span;
use crate::book::time::Day;
use crate::session::Sample;
use crate::session::standing::Had;

/// The sessions that had a sample, or what it was before, by their days.
pub(super) struct Sessions<'a> {
    /// Revealed.
    pub scored: Vec<&'a Had>,
    /// Not revealed yet.
    pub sealed: Vec<&'a Had>,
}

pub(super) fn sessions_of<'a>(
    record: &Record<'a>,
    lot: &Lot,
    sample: &Sample,
    plan: Option<&RetastingPlan>,
) -> Sessions<'a> {
    // Cups that were brewed in another way say nothing of the same tea at this age.
    let by = plan.and_then(|p| p.recipe.as_deref());
    let of = |list: &'a [Had]| -> Vec<&'a Had> {
        list.iter()
            .filter(|h| h.kind == Kind::Profile)
            .filter(|h| by.is_none_or(|id| crate::book::ids::same(id, &h.recipe)))
            .filter(|h| had_it(record, lot, sample, h))
            .collect()
    };
    Sessions { scored: of(&record.standing.revealed), sealed: of(&record.standing.sealed) }
}

/// Whether a session has a sample, or what that was before a split.
pub(super) fn had_it(record: &Record<'_>, lot: &Lot, sample: &Sample, had: &Had) -> bool {
    let Some(samples) = &had.samples else { return false };
    // On the day of a split it still was what it was before.
    history(lot, &sample.arm, record.lots).iter().any(|s| {
        let sample = Sample { lot: s.lot.clone(), arm: s.arm.clone() };
        s.until.is_none_or(|until| had.day <= until) && samples.contains(&sample)
    })
}

/// An age of a plan, its day, and from which day on a tasting counts for it.
struct Stop {
    age: Span,
    day: Day,
    from: Day,
}

fn days_between(earlier: Day, later: Day) -> i64 {
    i64::from((later.0 - earlier.0).get_days())
}

/// The stops of a plan, without end where the plan has none.
fn stops(plan: &RetastingPlan, clock: Day) -> impl Iterator<Item = Stop> + '_ {
    let slack = plan.soon.whole_days();
    plan.ages().scan(clock, move |before, age| {
        let day = age.after(clock);
        // No more than half the way: what is nearer to the age before counts for that.
        let early = slack.min(days_between(*before, day) / 2);
        *before = day;
        Some(Stop { age, day, from: day.later(-early) })
    })
}

/// Days of the plan that are still to come, from a day on.
pub(super) fn days_after(
    plan: &RetastingPlan,
    clock: Day,
    after: Day,
) -> impl Iterator<Item = Day> + '_ {
    plan.ages().map(move |age| age.after(clock)).skip_while(move |day| *day <= after)
}

/// All tastings until the last day that is asked about, and the one that is waited for, which may
/// come after that day.
pub(super) fn schedule(
    plan: &RetastingPlan,
    clock: Day,
    since: Day,
    had: &Sessions<'_>,
    wish: &Wish,
) -> (Vec<Tasting>, Option<Tasting>) {
    let mut stops = stops(plan, clock).peekable();
    let mut tastings = Vec::new();
    let mut next = None;
    while let Some(stop) = stops.next() {
        let before = stops.peek().map(|s| s.from);
        let tasting = tasting(plan, clock, &stop, before, had, wish);
        // What was over before there was such a sample was never missed.
        if tasting.state == State::Missed && before.is_some_and(|b| b <= since) {
            continue;
        }
        // One that was tasted and only not revealed yet does not hide the age that has come since.
        let over = before.is_some_and(|b| b <= wish.on);
        let waits = match tasting.state {
            State::Done | State::Missed => false,
            State::Sealed => !over,
            _ => true,
        };
        if waits && next.is_none() {
            next = Some(tasting.clone());
        }
        let listed = stop.day <= wish.until || stop.from <= wish.on;
        if !listed && next.is_some() {
            break;
        }
        if listed {
            tastings.push(tasting);
        }
    }
    (tastings, next)
}

fn tasting(
    plan: &RetastingPlan,
    clock: Day,
    stop: &Stop,
    before: Option<Day>,
    had: &Sessions<'_>,
    wish: &Wish,
) -> Tasting {
    let within = |day: Day| day >= stop.from && before.is_none_or(|b| day < b);
    let done = had
        .scored
        .iter()
        .filter(|h| within(h.day) && h.day <= wish.on)
        .min_by_key(|h| days_between(stop.day, h.day).abs());
    let days_late = days_between(stop.day, wish.on);
    let state = if done.is_some() {
        State::Done
    } else if had.sealed.iter().any(|h| within(h.day)) {
        State::Sealed
    } else if before.is_some_and(|b| wish.on >= b) {
        State::Missed
    } else if wish.on < stop.from {
        State::Later
    } else if days_late < 0 {
        State::Soon
    } else if days_late <= plan.late.whole_days() {
        State::Due
    } else {
        State::Overdue
    };
    Tasting {
        age: stop.age.plain(),
        words: stop.age.words(),
        words_zh: stop.age.words_zh(),
        day: stop.day,
        counts_from: stop.from,
        counts_before: before
            .map_or_else(|| Answer::unknown("it is the last age of the plan"), Answer::Known),
        state,
        days_late,
        done: done.map_or_else(
            || Answer::unknown("no revealed profile session had it at this age"),
            |h| {
                Answer::Known(Tasted {
                    session: h.session.clone(),
                    day: h.day,
                    month: h.day.months_since(clock),
                })
            },
        ),
    }
}
