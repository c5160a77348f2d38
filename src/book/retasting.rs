//! retasting.toml: when stored lots are tasted again. A book without it has the plan that a new
//! one begins with.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::lots::Lot;
use super::problem::{Problems, did_you_mean, nearest};
use super::recipes::Recipes;
use super::span::Span;
use super::store::StoreError;
use super::toml_file::{self, Described};
use super::{Book, BookError, ids, starter, store};

/// The plans, a description that is there at most once.
pub const RETASTING: &str = "retasting.toml";

/// When stored lots are tasted again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "retasting.toml")]
pub struct RetastingFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// The frozen sample that every flight has a cup of, as LOT or LOT@ARM; else the one that was
    /// served as such last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = SAMPLE))]
    pub reference: Option<String>,
    /// The most flights on one day: 1 to 12.
    #[serde(default = "two")]
    #[schemars(range(min = 1, max = 12))]
    pub flights_a_day: u32,
    /// The most days of one session: 1 to 30.
    #[serde(default = "two")]
    #[schemars(range(min = 1, max = 30))]
    pub days_a_session: u32,
    /// The plans.
    #[serde(default, rename = "plan", skip_serializing_if = "Vec::is_empty")]
    pub plans: Vec<RetastingPlan>,
}

/// LOT or LOT@ARM.
const SAMPLE: &str = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,59}(@[A-Za-z0-9][A-Za-z0-9._-]{0,59})?$";

fn two() -> u32 {
    2
}

fn two_weeks() -> Span {
    Span { count: 2, unit: super::span::Unit::Week }
}

fn one() -> u32 {
    1
}

/// A plan, and what it is for: of several that fit a sample the most special one counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct RetastingPlan {
    /// Its id.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub id: String,
    /// Lots of these classes only.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(length(min = 1, max = 60)), extend("uniqueItems" = true))]
    pub classes: Vec<String>,
    /// These lots only, as LOT or LOT@ARM.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(regex(pattern = SAMPLE)), extend("uniqueItems" = true))]
    pub lots: Vec<String>,
    /// Arms of these names only.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(regex(pattern = ids::PATTERN)), extend("uniqueItems" = true))]
    pub arms: Vec<String>,
    /// The ages at which it is tasted, the youngest first, as 10d, 2w, 6m or 1y.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 100))]
    pub after: Vec<Span>,
    /// Again and again after so much more: a number from 1 to 9999 and d, w, m or y, as 12m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub then: Option<Span>,
    /// The age after which it is not tasted any more: a number from 1 to 9999 and d, w, m or y, as 10y.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Span>,
    /// Where ages count from: made (what is taken if nothing is said) or packed (store.packed).
    #[serde(default, skip_serializing_if = "is_made")]
    pub from: CountFrom,
    /// So long before its day a tasting may be had and is called soon: a number from 1 to 9999 and d, w, m or y, as
    /// 2w.
    #[serde(default = "two_weeks")]
    pub soon: Span,
    /// So long after its day a tasting is called overdue: a number from 1 to 9999 and d, w, m or y, as 2w.
    #[serde(default = "two_weeks")]
    pub late: Span,
    /// The recipe; the book's default if none. A tasting by another one does not count.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = ids::PATTERN))]
    pub recipe: Option<String>,
    /// Second codes in each flight: 0 to 10.
    #[serde(default = "one")]
    #[schemars(range(max = 10))]
    pub duplicates: u32,
    /// How often each sample is brewed anew, in a flight of its own each time: 1 to 10.
    #[serde(default = "one")]
    #[schemars(range(min = 1, max = 10))]
    pub replicates: u32,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

/// Where ages count from.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(inline)]
#[expect(missing_docs, reason = "a comment on a variant would split the enum in the schema")]
pub enum CountFrom {
    #[default]
    Made,
    Packed,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands references")]
fn is_made(from: &CountFrom) -> bool {
    *from == CountFrom::Made
}

impl RetastingPlan {
    /// How special it is for a sample, if it is for it at all: a sample weighs more than an arm
    /// with whatever else, an arm more than a lot, a lot more than a class.
    fn weight(&self, lot: &Lot, arm: &str) -> Option<u32> {
        let mut weight = 0;
        if !self.classes.is_empty() {
            let class = &lot.file.value.class;
            self.classes.iter().any(|c| ids::same(c, class)).then_some(())?;
            weight += 1;
        }
        if !self.lots.is_empty() {
            let weights = self.lots.iter().filter_map(|l| match l.split_once('@') {
                Some((id, a)) => (ids::same(id, &lot.id) && ids::same(a, arm)).then_some(8),
                None => ids::same(l, &lot.id).then_some(2),
            });
            weight += weights.max()?;
        }
        if !self.arms.is_empty() {
            self.arms.iter().any(|a| ids::same(a, arm)).then_some(())?;
            weight += 4;
        }
        Some(weight)
    }

    /// The ages at which it is tasted, the youngest first; without end where `then` has none.
    pub fn ages(&self) -> impl Iterator<Item = Span> + '_ {
        /// No tea is followed for longer, in days.
        const LONGEST: f64 = 500.0 * 365.25;
        let further = self.then.into_iter().flat_map(move |then| {
            let (base, first) = self.after.last().map_or((then, 0), |last| (*last, 1));
            (first..).map(move |times| base.plus(times, then))
        });
        let until = self.until.map_or(LONGEST, |u| u.days().min(LONGEST));
        self.after.iter().copied().chain(further).take_while(move |age| age.days() <= until)
    }
}

impl RetastingFile {
    /// The plan of a sample: the most special that is for it.
    #[must_use]
    pub fn plan_of(&self, lot: &Lot, arm: &str) -> Option<&RetastingPlan> {
        let weighed = self.plans.iter().filter_map(|p| Some((p.weight(lot, arm)?, p)));
        // Equals are refused by the check; were there any, the first would count.
        weighed.rev().max_by_key(|(weight, _)| *weight).map(|(_, plan)| plan)
    }
}

/// The plans of a book.
#[derive(Debug, Clone)]
pub struct Retasting {
    /// What they say.
    pub value: RetastingFile,
    /// Whether they are those of a new book, since this one has no retasting.toml.
    pub by_default: bool,
}

impl Book {
    /// When stored lots are tasted again.
    ///
    /// # Errors
    /// Every mistake in retasting.toml, or that the disk refused.
    pub fn retasting(&self, lots: &[Lot]) -> Result<Retasting, BookError> {
        let (recipes, ids) = (self.recipes()?.value, self.lot_ids()?);
        let mut problems = Problems::new();
        let around = Around { recipes: Some(&recipes), lots, there: &ids };
        let file = read(self, &around, &mut problems)?;
        let by_default = file.is_none();
        let file = match file {
            Some(file) => Some(file),
            None if problems.is_empty() => by_starter(&mut problems),
            None => None,
        };
        match file {
            Some(file) if problems.is_empty() => Ok(Retasting { value: file.value, by_default }),
            _ => Err(BookError::Records(problems)),
        }
    }
}

/// The plans that a new book begins with.
fn by_starter(problems: &mut Problems) -> Option<Described<RetastingFile>> {
    let text = starter::RETASTING.to_owned();
    let digest = store::digest(text.as_bytes());
    toml_file::parse(RETASTING, text, digest, problems)
}

/// What the plans lean on, as far as it could be read.
pub(super) struct Around<'a> {
    pub(super) recipes: Option<&'a Recipes>,
    pub(super) lots: &'a [Lot],
    /// All folders of lots, those that could not be read among them.
    pub(super) there: &'a [String],
}

/// Reads the plans, if the book has any of its own.
pub(super) fn read(
    book: &Book,
    around: &Around<'_>,
    problems: &mut Problems,
) -> Result<Option<Described<RetastingFile>>, StoreError> {
    if !book.root().join(RETASTING).exists() {
        return Ok(None);
    }
    let file = toml_file::read::<RetastingFile>(book.root(), RETASTING, problems)?;
    if let Some(file) = &file {
        check(file, around, problems);
    }
    Ok(file)
}

pub(super) fn check(file: &Described<RetastingFile>, around: &Around<'_>, problems: &mut Problems) {
    let plans = &file.value.plans;
    ids::check_unique(file, "plan", plans.iter().map(|p| p.id.as_str()), problems);
    if let Some(reference) = &file.value.reference {
        check_sample(file, &["reference"], reference, around, problems);
    }
    for (i, plan) in plans.iter().enumerate() {
        let at = i.to_string();
        check_ages(file, plan, &at, problems);
        for (j, sample) in plan.lots.iter().enumerate() {
            check_sample(file, &["plan", &at, "lots", &j.to_string()], sample, around, problems);
        }
        if let (Some(recipe), Some(recipes)) = (&plan.recipe, around.recipes)
            && recipes.recipe(recipe).is_none()
        {
            problems.push(file.problem(
                &["plan", &at, "recipe"],
                format!("there is no recipe \"{recipe}\""),
                "the id of a recipe of recipes.toml",
                did_you_mean(recipe, recipes.recipe_ids(), "add it to recipes.toml"),
            ));
        }
        if let Some((other, what)) = plans[..i].iter().find_map(|o| Some((o, alike(o, plan)?))) {
            problems.push(file.problem(
                &["plan", &at, "id"],
                format!("{} and {} are both for {what}, and neither is more special", other.id, plan.id),
                "for each sample one plan that is the most special: by its sample, arm, lot or class",
                "put the two together, or name in one of them what it is for: lots, arms or classes",
            ));
        }
    }
}

fn check_ages(
    file: &Described<RetastingFile>,
    plan: &RetastingPlan,
    at: &str,
    problems: &mut Problems,
) {
    if plan.after.is_empty() && plan.then.is_none() {
        problems.push(file.problem(
            &["plan", at, "id"],
            format!("the plan {} names no age", plan.id),
            "after = [\"2w\", \"2m\"], or then = \"12m\", or both",
            "add the ages at which it is tasted",
        ));
    }
    for (j, pair) in plan.after.windows(2).enumerate() {
        if pair[1].whole_days() <= pair[0].whole_days() {
            problems.push(file.problem(
                &["plan", at, "after", &(j + 1).to_string()],
                format!("{} does not come after {}", pair[1], pair[0]),
                "ages from the youngest to the oldest, each once",
                "put them in order",
            ));
        }
    }
    let first = plan.after.first().copied().or(plan.then);
    if let (Some(until), Some(first)) = (plan.until, first)
        && until.days() < first.days()
    {
        problems.push(file.problem(
            &["plan", at, "until"],
            format!("the plan {} ends at {until}, before its first tasting at {first}", plan.id),
            format!("an age from {first} on"),
            "correct until",
        ));
    }
}

fn check_sample(
    file: &Described<RetastingFile>,
    keys: &[&str],
    sample: &str,
    around: &Around<'_>,
    problems: &mut Problems,
) {
    let (id, arm) = sample.split_once('@').map_or((sample, None), |(l, a)| (l, Some(a)));
    if !around.there.iter().any(|l| ids::same(l, id)) {
        problems.push(file.problem(
            keys,
            format!("there is no lot \"{id}\""),
            "the id of a lot of this book",
            did_you_mean(id, around.there.iter().map(String::as_str), "take it out"),
        ));
        return;
    }
    let Some(lot) = around.lots.iter().find(|l| ids::same(&l.id, id)) else { return };
    let arms = lot.all_arms();
    if let Some(arm) = arm.filter(|arm| !lot.has_arm(arm)) {
        problems.push(file.problem(
            keys,
            format!("{} has no arm \"{arm}\"", lot.id),
            format!("one of {}", arms.join(", ")),
            did_you_mean(arm, arms.iter().map(String::as_str), "take it out"),
        ));
    }
}

/// What no rule forbids in the plans of a book, but is probably a slip: an arm that no lot has. The
/// arms of a new book's plans may be still to come.
#[must_use]
pub fn warnings(retasting: &Retasting, lots: &[Lot]) -> Vec<String> {
    let mut arms: Vec<&str> =
        lots.iter().flat_map(|l| l.file.value.arms.iter().map(|a| a.id.as_str())).collect();
    arms.sort_unstable();
    arms.dedup_by(|a, b| ids::same(a, b));
    if arms.is_empty() || retasting.by_default {
        return Vec::new();
    }
    let of_starter = by_starter(&mut Problems::new()).map(|f| f.value.plans).unwrap_or_default();
    let mut told = Vec::new();
    for plan in &retasting.value.plans {
        for arm in plan.arms.iter().filter(|a| !arms.iter().any(|b| ids::same(a, b))) {
            let near = nearest(arm, arms.iter().copied());
            let usual = of_starter.iter().any(|p| p.arms.iter().any(|a| ids::same(a, arm)));
            if usual && near.is_none() {
                continue;
            }
            let mend = near.map_or_else(
                || format!("the arms of this book are {}", arms.join(", ")),
                |near| format!("did you mean \"{near}\"?"),
            );
            told.push(format!(
                "{RETASTING}: the plan {} is for arms named \"{arm}\", and no lot has one: {mend}",
                plan.id
            ));
        }
    }
    told
}

/// What two plans are both for, if they name the same kinds of things and share one of each.
fn alike(a: &RetastingPlan, b: &RetastingPlan) -> Option<String> {
    let mut shared = Vec::new();
    for (of_a, of_b) in [(&a.classes, &b.classes), (&a.lots, &b.lots), (&a.arms, &b.arms)] {
        match (of_a.is_empty(), of_b.is_empty()) {
            (true, true) => {}
            (false, false) => {
                shared.push(of_a.iter().find(|x| of_b.iter().any(|y| ids::same(x, y)))?.clone());
            }
            _ => return None,
        }
    }
    Some(if shared.is_empty() { "all".to_owned() } else { shared.join(", ") })
}
