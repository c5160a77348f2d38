//! `due`: what is to be tasted again, with what leaf, and which session would do it.
//!
//! A pure function of the lots, of what sessions had, of the plans and a day.

mod ahead;
mod planned;
mod schedule;
mod sitting;
mod warnings;

use schemars::JsonSchema;
use serde::Serialize;

use super::Answer;
use crate::book::balance::balance;
use crate::book::book_file::Limits;
use crate::book::fitness::{Fitness, fitness_to_serve};
use crate::book::ids;
use crate::book::lots::{Lot, MAIN};
use crate::book::parameters::PACKED;
use crate::book::recipes::{Recipe, Recipes};
use crate::book::retasting::{CountFrom, Retasting, RetastingPlan};
use crate::book::session_files::Kind;
use crate::book::time::Day;
use crate::scores::by_nature;
use crate::session::Sample;
use crate::session::standing::{Had, Standing};

pub use ahead::ReferenceStock;
pub use planned::{SoPlanned, due_of_book, due_of_lots, request};
pub use sitting::{LeftOut, Sitting, SittingFlight};
pub use warnings::{Warning, WarningKind};

/// Which tasting counts for which age, as it is printed.
pub const RULE: &str = "A tasting counts for the last age of the plan that the tea had reached; it \
     may come before that age by `soon`, or by half the way from the age before where that is less. \
     Only profile sessions that are revealed count.";

/// What there is to plan from.
#[derive(Clone, Copy)]
pub struct Record<'a> {
    /// All lots.
    pub lots: &'a [Lot],
    /// The plans.
    pub retasting: &'a Retasting,
    /// The recipes.
    pub recipes: &'a Recipes,
    /// The recipe of the book where a plan names none.
    pub recipe: Option<&'a str>,
    /// The most cups in a flight.
    pub flight_cups: usize,
    /// The panel's own limits, among them those of damp leaf.
    pub limits: &'a Limits,
    /// What sessions had, and what is left.
    pub standing: &'a Standing,
}

/// What is asked.
#[derive(Debug, Clone)]
pub struct Wish {
    /// The day from which it is seen: that of the session, if one is planned.
    pub on: Day,
    /// Tastings up to this day are listed.
    pub until: Day,
    /// Samples that are to be in the session though they are not due, as LOT or LOT@ARM.
    pub with: Vec<String>,
    /// The most days of the session; as retasting.toml says if none.
    pub days: Option<u32>,
    /// Whether one person pours and tastes: then there are no second codes.
    pub alone: bool,
}

/// What is due.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Due {
    /// The name of this form: due/1.
    pub schema: String,
    /// The day from which it is seen.
    pub on: Day,
    /// Tastings up to this day are listed.
    pub until: Day,
    /// Which tasting counts for which age.
    pub rule: String,
    /// Where the plans stand; unknown where the book has none of its own.
    pub plans_of: Answer<String>,
    /// Each sample, what is most urgent first.
    pub samples: Vec<SampleDue>,
    /// The session that would taste what is due and soon.
    pub sitting: Answer<Sitting>,
    /// The frozen sample, and how long it lasts.
    pub reference: Answer<ReferenceStock>,
    /// Sessions that are neither revealed nor void.
    pub sealed: Vec<SealedSession>,
    /// What stands in the way.
    pub warnings: Vec<Warning>,
}

/// A session whose lots are still sealed, as whoever plans may know it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SealedSession {
    /// Its name.
    pub session: String,
    /// The day of its first flight.
    pub day: Day,
    /// Its samples; unknown where who pours and tastes alone has not given the key.
    pub samples: Answer<Vec<String>>,
}

/// How a sample, or one of its tastings, stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Its day and the slack after it are over, and it was not tasted.
    Overdue,
    /// Its day has come.
    Due,
    /// It may be tasted already.
    Soon,
    /// It is in a session that is not revealed yet.
    Sealed,
    /// Its day is still to come.
    Later,
    /// It was tasted.
    Done,
    /// A later age has come meanwhile, and it was not tasted.
    Missed,
    /// Nothing more is planned.
    Ended,
    /// It is in quarantine or too damp, and not served.
    Unfit,
    /// No plan is for it.
    Unplanned,
}

impl State {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Overdue => "overdue",
            Self::Due => "due",
            Self::Soon => "soon",
            Self::Sealed => "sealed",
            Self::Later => "later",
            Self::Done => "done",
            Self::Missed => "missed",
            Self::Ended => "ended",
            Self::Unfit => "unfit",
            Self::Unplanned => "unplanned",
        }
    }

    /// Whether it can be tasted on the day that is asked about.
    #[must_use]
    pub fn is_open(self) -> bool {
        matches!(self, Self::Overdue | Self::Due | Self::Soon)
    }
}

/// A sample and its tastings.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SampleDue {
    /// The sample: lot or lot@arm.
    pub sample: String,
    /// Its lot.
    pub lot: String,
    /// Its arm, if the lot was split.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arm: Option<String>,
    /// The class of tea.
    pub class: String,
    /// How it stands.
    pub state: State,
    /// The plan that counts for it.
    pub plan: Answer<String>,
    /// The day from which its ages count.
    pub counts_from: Day,
    /// Its age on the day that is asked about, in months.
    pub age_months: f64,
    /// The tasting that it waits for.
    pub next: Answer<Tasting>,
    /// All tastings of its plan until the last day that is asked about.
    pub tastings: Vec<Tasting>,
    /// The last session that scored it, or what it was split from.
    pub last: Answer<Tasted>,
    /// The recipe.
    pub recipe: Answer<String>,
    /// Grams that a tasting takes at most: which samples get a second code is dealt.
    pub need_g: Answer<f64>,
    /// Grams left, less what sealed sessions may draw.
    pub left_g: Answer<f64>,
    /// Grams left by its log alone.
    pub logged_g: Answer<f64>,
    /// How many more tastings the leaf lasts for.
    pub lasts: Answer<u32>,
    /// The day of the last of them.
    pub lasts_until: Answer<Day>,
    /// How many tastings the plan still has; unknown where it has no end.
    pub planned: Answer<u32>,
    /// Ages at which it was not tasted.
    pub n_missed: usize,
    /// Why it is not served on that day; empty if nothing speaks against it.
    pub not_served: Vec<String>,
}

impl SampleDue {
    /// Whether no session has scored it, or what it was split from: what it waits for is its first tasting.
    #[must_use]
    pub fn is_new(&self) -> bool {
        self.last.known().is_none()
    }
}

/// A tasting of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Tasting {
    /// The age, as 14d or 12m.
    pub age: String,
    /// The age in words.
    pub words: String,
    /// The age in Chinese.
    pub words_zh: String,
    /// Its day.
    pub day: Day,
    /// The first day on which a tasting counts for it.
    pub counts_from: Day,
    /// The first day on which a tasting counts for the next age instead.
    pub counts_before: Answer<Day>,
    /// How it stands.
    pub state: State,
    /// Days from its day to the one that is asked about; below 0: still to come.
    pub days_late: i64,
    /// When it was tasted; of several sessions the one nearest to its day.
    pub done: Answer<Tasted>,
}

/// A session that had a sample.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Tasted {
    /// The session.
    pub session: String,
    /// Its day.
    pub day: Day,
    /// The age of the sample, in months.
    pub month: f64,
}

/// A sample while it is worked on.
struct Kept<'a> {
    lot: &'a Lot,
    sample: Sample,
    plan: Option<&'a RetastingPlan>,
    recipe: Option<&'a Recipe>,
    due: SampleDue,
}

impl Kept<'_> {
    /// Cups of a tasting at most.
    fn most_cups(plan: &RetastingPlan, alone: bool) -> u32 {
        plan.replicates * if plan.duplicates > 0 && !alone { 2 } else { 1 }
    }
}

/// What is due on a day, and until another.
#[must_use]
pub fn due(record: &Record<'_>, wish: &Wish) -> Due {
    let reference = reference_of(record);
    let mut kept: Vec<Kept<'_>> = Vec::new();
    for lot in record.lots.iter().filter(|l| l.own_since() <= wish.on) {
        for arm in lot.arms_on(wish.on) {
            let sample = Sample { lot: lot.id.clone(), arm };
            let is_reference = record
                .standing
                .revealed
                .iter()
                .any(|h| h.kind == Kind::Profile && h.references.contains(&sample));
            if !is_reference && reference.as_ref() != Some(&sample) {
                kept.push(one(record, wish, lot, sample));
            }
        }
    }
    kept.sort_by(|a, b| {
        let day = |k: &Kept<'_>| k.due.next.known().map(|n| n.day);
        (a.due.state, day(a))
            .cmp(&(b.due.state, day(b)))
            .then_with(|| by_nature(&a.due.sample, &b.due.sample))
    });
    let sitting = sitting::sitting(record, wish, &kept, reference.as_ref());
    let stock = ahead::reference(record, wish, &kept, reference.as_ref(), sitting.known());
    let sealed = record.standing.sealed.iter().map(sealed_session).collect();
    let warnings = warnings::warnings(record, wish, &kept, &stock, &sitting);
    Due {
        schema: "due/1".to_owned(),
        on: wish.on,
        until: wish.until,
        rule: RULE.to_owned(),
        plans_of: if record.retasting.by_default {
            Answer::unknown(
                "the book has no retasting.toml: the plans are those of a new book, common practice \
                 without a source",
            )
        } else {
            Answer::Known(crate::book::retasting::RETASTING.to_owned())
        },
        samples: kept.into_iter().map(|k| k.due).collect(),
        sitting,
        reference: stock,
        sealed,
        warnings,
    }
}

fn sealed_session(had: &Had) -> SealedSession {
    SealedSession {
        session: had.session.clone(),
        day: had.day,
        samples: match &had.samples {
            Some(samples) => Answer::Known(samples.iter().map(ToString::to_string).collect()),
            None => Answer::unknown(
                "who pours and tastes alone gives the key after closing: until then no record says \
                 which samples it has",
            ),
        },
    }
}

/// The frozen sample: the one that the plans name, else the one served as such last.
fn reference_of(record: &Record<'_>) -> Option<Sample> {
    if let Some(named) = &record.retasting.value.reference {
        let (id, arm) = named.split_once('@').unwrap_or((named, MAIN));
        let lot = record.lots.iter().find(|l| ids::same(&l.id, id))?;
        let arm = lot.all_arms().into_iter().find(|a| ids::same(a, arm))?;
        return Some(Sample { lot: lot.id.clone(), arm });
    }
    let profiles = record.standing.revealed.iter().filter(|h| h.kind == Kind::Profile);
    profiles.rev().find_map(|h| h.references.iter().next().cloned())
}

/// Where the ages of a sample count from; none where the plan says packed and that is not logged.
fn clock(plan: Option<&RetastingPlan>, lot: &Lot, arm: &str) -> Option<Day> {
    match plan.map_or(CountFrom::Made, |p| p.from) {
        CountFrom::Made => Some(lot.made()),
        CountFrom::Packed => {
            lot.parameter_of(PACKED, arm).and_then(|v| v.value.moment()).map(|m| m.day())
        }
    }
}

/// Whether nothing is there that could be tasted: all of it went into other lots, and nothing was
/// kept aside.
fn is_gone(record: &Record<'_>, lot: &Lot, arm: &str) -> bool {
    let left = balance(lot, record.lots).left_of(arm);
    lot.reserve(arm).is_none() && left.is_some_and(|kg| kg <= 0.0)
}

/// Why a sample is not to be served on a day.
fn not_served(record: &Record<'_>, lot: &Lot, arm: &str, on: Day) -> Vec<String> {
    match fitness_to_serve(lot, arm, record.lots, record.limits, on) {
        Fitness::Block(reasons) => reasons,
        Fitness::Fit | Fitness::Warn(_) => Vec::new(),
    }
}

/// The recipe of a plan; else the book's, or the only one that it has.
fn recipe_of<'a>(record: &Record<'a>, plan: Option<&RetastingPlan>) -> Option<&'a Recipe> {
    let only = || {
        let mut ids = record.recipes.recipe_ids();
        ids.next().filter(|_| ids.next().is_none())
    };
    let id = plan.and_then(|p| p.recipe.as_deref()).or(record.recipe).or_else(only)?;
    record.recipes.recipe(id)
}

fn one<'a>(record: &Record<'a>, wish: &Wish, lot: &'a Lot, sample: Sample) -> Kept<'a> {
    let plan = record.retasting.value.plan_of(lot, &sample.arm);
    let recipe = recipe_of(record, plan);
    let from = clock(plan, lot, &sample.arm).unwrap_or_else(|| lot.made());
    let had = schedule::sessions_of(record, lot, &sample, plan);
    let tasted = |h: &&Had| Tasted {
        session: h.session.clone(),
        day: h.day,
        month: h.day.months_since(from),
    };
    let last = had.scored.iter().rfind(|h| h.day <= wish.on);
    let not_served = not_served(record, lot, &sample.arm, wish.on);
    let since = if sample.arm == MAIN {
        lot.own_since()
    } else {
        let arm = lot.file.value.arms.iter().find(|a| ids::same(&a.id, &sample.arm));
        arm.map_or(lot.own_since(), |a| a.since)
    };
    let planned = plan.map(|p| schedule::schedule(p, from, since, &had, wish));
    let (tastings, next) = planned.unwrap_or_default();
    let gone = is_gone(record, lot, &sample.arm);
    let next = if gone { None } else { next };
    let state = match (&next, plan) {
        (_, None) => State::Unplanned,
        _ if !not_served.is_empty() => State::Unfit,
        (None, _) => State::Ended,
        (Some(next), _) => next.state,
    };
    let need_g = match (plan, recipe) {
        (None, _) => Answer::unknown("no plan is for this sample"),
        (_, None) => Answer::unknown(NO_RECIPE),
        (Some(p), Some(r)) => Answer::Known(r.leaf_g * f64::from(Kept::most_cups(p, wish.alone))),
    };
    let grams = |g: Option<f64>| {
        g.map_or_else(|| Answer::unknown("no reserve is recorded for this sample"), Answer::Known)
    };
    let left_g = grams(record.standing.left(record.lots, &sample));
    let n_missed = tastings.iter().filter(|t| t.state == State::Missed).count();
    let mut kept = Kept {
        lot,
        plan,
        recipe,
        due: SampleDue {
            sample: sample.to_string(),
            lot: lot.id.clone(),
            arm: Some(sample.arm.clone()).filter(|a| !ids::same(a, MAIN)),
            class: lot.file.value.class.clone(),
            state,
            plan: plan.map_or_else(
                || Answer::unknown("no plan of retasting.toml is for this sample"),
                |p| Answer::Known(p.id.clone()),
            ),
            counts_from: from,
            age_months: wish.on.months_since(from),
            next: next.map_or_else(
                || {
                    Answer::unknown(if gone {
                        "all of it went into other lots, and no reserve is recorded"
                    } else {
                        "nothing more is planned"
                    })
                },
                Answer::Known,
            ),
            tastings,
            last: last.map_or_else(
                || Answer::unknown("no revealed profile session had it"),
                |h| Answer::Known(tasted(h)),
            ),
            recipe: recipe
                .map_or_else(|| Answer::unknown(NO_RECIPE), |r| Answer::Known(r.id.clone())),
            need_g,
            left_g,
            logged_g: grams(lot.reserve(&sample.arm).map(|r| r.left_g)),
            lasts: Answer::unknown("not asked"),
            lasts_until: Answer::unknown("not asked"),
            planned: Answer::unknown("not asked"),
            n_missed,
            not_served,
        },
        sample,
    };
    ahead::leaf(&mut kept, wish);
    kept
}

/// Why no grams are known.
const NO_RECIPE: &str = "neither the plan nor book.toml names a recipe, and there is not just one";
