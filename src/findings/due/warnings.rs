//! What stands in the way of the plans, in sentences.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::{Answer, count, listed};
use super::ahead::ReferenceStock;
use super::schedule::had_it;
use super::sitting::{LeftOut, Sitting};
use super::{Kept, Record, State, Wish, clock};

/// The reference is spoken of if it runs out within so many days.
const REFERENCE_DAYS: i64 = 365;
/// So many samples are named in a sentence; the others are counted.
const MOST_NAMED: usize = 6;

/// Something that stands in the way.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Warning {
    /// What it is about.
    pub kind: WarningKind,
    /// The samples that it is about.
    pub samples: Vec<String>,
    /// The sentence.
    pub text: String,
}

/// What a warning is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WarningKind {
    /// The reference runs out, has run out, is not known or cannot be served.
    Reference,
    /// Less leaf than the next tasting takes.
    TooLittleLeaf,
    /// Less leaf than the plan still takes.
    LeafEndsBeforePlan,
    /// No reserve is recorded.
    NoReserve,
    /// In quarantine, or too damp to be served.
    Unfit,
    /// In a session that is not revealed yet.
    Sealed,
    /// Arms of a lot that would not stand in one session.
    ArmsApart,
    /// Never tasted.
    NeverTasted,
    /// Tasted, but not for more than a year, and ages of the plan were missed.
    LongGap,
    /// No recipe is named.
    NoRecipe,
    /// No plan is for it.
    NoPlan,
    /// Its plan counts from the packing, which is not logged.
    NotPacked,
    /// A session tasted alone: what it has is not recorded yet.
    Alone,
}

pub(super) fn warnings(
    record: &Record<'_>,
    wish: &Wish,
    kept: &[Kept<'_>],
    stock: &Answer<ReferenceStock>,
    sitting: &Answer<Sitting>,
) -> Vec<Warning> {
    let mut list = List::default();
    if let Some((samples, text)) = reference(wish, kept, stock, sitting) {
        list.warn(WarningKind::Reference, samples, text);
    }
    let of = |fits: &dyn Fn(&Kept<'_>) -> bool| -> Vec<String> {
        kept.iter().filter(|k| fits(k)).map(|k| k.due.sample.clone()).collect()
    };
    let open = |k: &Kept<'_>| k.due.state.is_open();
    let short = |k: &Kept<'_>| {
        let grams = k.due.need_g.known().zip(k.due.left_g.known());
        k.due.state <= State::Later && grams.is_some_and(|(need, left)| left + 1e-9 < *need)
    };
    for k in kept.iter().filter(|k| short(k)) {
        let (need, left) = (k.due.need_g.known(), k.due.left_g.known());
        if let (Some(need), Some(left)) = (need, left) {
            list.group(WarningKind::TooLittleLeaf, vec![k.due.sample.clone()], &|named| {
                format!(
                    "{named}: too little leaf. A tasting takes up to {need:.1} g, and {left:.1} g are \
                     left. Log what was kept as reserve.kept, or plan fewer cups."
                )
            });
        }
    }
    for k in kept.iter().filter(|k| k.due.state <= State::Later && !short(k)) {
        if let (Some(lasts), Some(planned)) = (k.due.lasts.known(), k.due.planned.known())
            && lasts < planned
        {
            list.group(WarningKind::LeafEndsBeforePlan, vec![k.due.sample.clone()], &|named| {
                format!(
                    "{named}: leaf for {} more, and its plan has {planned}.",
                    count(*lasts as usize, "tasting", "tastings"),
                )
            });
        }
    }
    for k in kept.iter().filter(|k| k.due.state == State::Unfit) {
        let text = format!("{}: not served: {}.", k.due.sample, k.due.not_served.join("; "));
        list.warn(WarningKind::Unfit, vec![k.due.sample.clone()], text);
    }
    for had in &record.standing.sealed {
        match &had.samples {
            Some(_) => {
                // A lot that was split meanwhile is there as its arms.
                let has = |k: &Kept<'_>| had_it(record, k.lot, &k.sample, had);
                let here = |is_open: bool| of(&|k| open(k) == is_open && has(k));
                let told = |named: &str| {
                    format!(
                        "{named}: in {}, planned for {}, which is not revealed yet",
                        had.session, had.day
                    )
                };
                list.group(WarningKind::Sealed, here(false), &|named| format!("{}.", told(named)));
                list.group(WarningKind::Sealed, here(true), &|named| {
                    format!(
                        "{}. That tasting is for another age: the one that is due now is still to be had.",
                        told(named)
                    )
                });
            }
            None => list.warn(
                WarningKind::Alone,
                Vec::new(),
                format!(
                    "{} of {} is tasted alone: which samples it has is not recorded before it is \
                     closed, so they may be named here as due.",
                    had.session, had.day
                ),
            ),
        }
    }
    for (samples, text) in arms_apart(kept, sitting) {
        list.warn(WarningKind::ArmsApart, samples, text);
    }
    list.group(WarningKind::NoReserve, of(&|k| open(k) && k.due.left_g.known().is_none()), &|named| {
        format!(
            "{named}: no reserve is recorded, so nobody can say how long the leaf lasts. Log what was \
             kept: `blindsteep lot log LOT reserve.kept GRAMS`."
        )
    });
    list.group(
        WarningKind::NeverTasted,
        of(&|k| open(k) && k.due.last.known().is_none()),
        &|named| format!("{named}: never tasted, so there is no first level to compare with."),
    );
    list.group(
        WarningKind::LongGap,
        of(&|k| {
            let last = k.due.last.known();
            open(k) && k.due.n_missed > 0 && last.is_some_and(|l| l.day.later(365) < wish.on)
        }),
        &|named| {
            format!(
                "{named}: not tasted for more than a year. What the tea did meanwhile cannot be made \
                 up for; the tasting counts for the age that it has now."
            )
        },
    );
    list.group(WarningKind::NoRecipe, of(&|k| k.plan.is_some() && k.recipe.is_none()), &|named| {
        format!(
            "{named}: no recipe. Name one in retasting.toml, or as defaults.recipe in book.toml."
        )
    });
    list.group(WarningKind::NoPlan, of(&|k| k.due.state == State::Unplanned), &|named| {
        format!("{named}: no plan of retasting.toml is for it.")
    });
    list.group(
        WarningKind::NotPacked,
        of(&|k| clock(k.plan, k.lot, &k.sample.arm).is_none()),
        &|named| {
            format!(
                "{named}: the plan counts from store.packed, which is not logged; ages count from the \
                 day it was made."
            )
        },
    );
    list.0
}

/// Warnings as they come.
#[derive(Default)]
struct List(Vec<Warning>);

impl List {
    fn warn(&mut self, kind: WarningKind, samples: Vec<String>, text: String) {
        self.0.push(Warning { kind, samples, text });
    }

    /// One warning about several samples, if there are any.
    fn group(&mut self, kind: WarningKind, samples: Vec<String>, text: &dyn Fn(&str) -> String) {
        if !samples.is_empty() {
            let text = text(&named(&samples));
            self.warn(kind, samples, text);
        }
    }
}

fn named(samples: &[String]) -> String {
    let more = samples.len().saturating_sub(MOST_NAMED);
    if more == 0 {
        return listed(samples);
    }
    format!("{} and {more} more", samples[..MOST_NAMED].join(", "))
}

/// What is to be said of the reference, the most pressing first.
fn reference(
    wish: &Wish,
    kept: &[Kept<'_>],
    stock: &Answer<ReferenceStock>,
    sitting: &Answer<Sitting>,
) -> Option<(Vec<String>, String)> {
    let stock = match stock {
        Answer::Known(stock) => stock,
        Answer::Unknown(_) if kept.is_empty() => return None,
        Answer::Unknown(why) => {
            return Some((
                Vec::new(),
                format!("No reference: {}. Freeze a lot, and name it as reference.", why.reason),
            ));
        }
    };
    let name = &stock.sample;
    let bridge = "Freeze a new one now and serve both in one session, while there is leaf of the old \
                  one: without such a bridge the years before and after cannot be joined.";
    let text = if !stock.not_served.is_empty() {
        format!("The reference {name} is not served: {}. {bridge}", stock.not_served.join("; "))
    } else if let Some(why) = stock.left_g.reason() {
        format!(
            "The reference {name}: {why}, so nobody can say how long it lasts. Log it: `blindsteep lot \
             log {name} reserve.kept GRAMS`."
        )
    } else {
        let flights = *stock.flights_left.known()?;
        let needed = sitting.known().map_or(0, |s| s.flights.len() as u32);
        let soon = stock.runs_out.known().filter(|day| **day <= wish.on.later(REFERENCE_DAYS));
        let lasts = count(flights as usize, "more flight", "more flights");
        if flights < needed {
            format!(
                "The reference {name} lasts for {lasts}, and this session takes {needed}. {bridge}"
            )
        } else {
            let day = soon?;
            format!(
                "The reference {name} lasts for {lasts}; the plans take {} in the year to come, and \
                 it runs out about {day}. {bridge}",
                stock.flights_a_year
            )
        }
    };
    Some((vec![name.clone()], text))
}

/// Arms of a lot of which the session has some only.
fn arms_apart(kept: &[Kept<'_>], sitting: &Answer<Sitting>) -> Vec<(Vec<String>, String)> {
    let Some(sitting) = sitting.known() else { return Vec::new() };
    let here = |k: &&Kept<'_>| sitting.samples().any(|s| *s == k.due.sample);
    let mut told = Vec::new();
    let mut lots: Vec<&str> = Vec::new();
    for k in kept.iter().filter(here).filter(|k| k.due.arm.is_some()) {
        if lots.contains(&k.due.lot.as_str()) {
            continue;
        }
        lots.push(&k.due.lot);
        let of_lot = || kept.iter().filter(|o| o.due.lot == k.due.lot);
        let missing: Vec<&LeftOut> = of_lot()
            .filter(|o| !here(o) && !matches!(o.due.state, State::Unfit | State::Sealed))
            .filter_map(|o| sitting.left_out.iter().find(|l| l.sample == o.due.sample))
            .collect();
        let Some(first) = missing.first() else { continue };
        let there: Vec<String> = of_lot().filter(here).map(|o| o.due.sample.clone()).collect();
        let others: Vec<String> = missing.iter().map(|l| l.sample.clone()).collect();
        let why = if missing.iter().all(|l| l.reason == first.reason) {
            first.reason.clone()
        } else {
            let each: Vec<String> =
                missing.iter().map(|l| format!("{}: {}", l.sample, l.reason)).collect();
            each.join("; ")
        };
        let mut text = format!(
            "{} without {}: {why}. Arms are compared within one session, where drift cancels.",
            listed(&there),
            listed(&others),
        );
        let by_wish: Vec<&str> =
            missing.iter().filter(|l| l.by_wish).map(|l| l.sample.as_str()).collect();
        if !by_wish.is_empty() {
            text.push_str(&format!(" To have both all the same: --with {}", by_wish.join(",")));
        }
        told.push(([there, others].concat(), text));
    }
    told
}
