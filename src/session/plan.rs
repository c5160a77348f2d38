//! Planning a session: who tastes what how often, arranged in the open, dealt in secret.

use std::fs;

use crate::book::ids;
use crate::book::lots::Lot;
use crate::book::reading::unknown;
use crate::book::recipes::Recipe;
use crate::book::session_files::{Kind, SessionFile, TestPlan};
use crate::book::store;
use crate::book::time::{Day, Moment};
use crate::book::toml_file;
use crate::book::{Book, BookError};

use super::asked::terms;
pub use super::deal::Balance;
use super::deal::{Contents, Filling, Shape, Stock, deal, lay_out};
use super::key::{self, DealSecret, Key};
use super::request::{check_request, check_terms, in_each_flight};
use super::reserve;
use super::sample::Sample;
use super::shape::{days_of_flights, shape, shape_given};
use super::state::lock;
use super::unfit::must_be_fit;

/// Which samples get a second code in their flight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Duplicates {
    /// As many of each flight, dealt like the codes.
    Dealt(usize),
    /// These, as LOT or LOT@ARM.
    Of(Vec<String>),
}

/// Which terms are asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Terms {
    /// The book's default terms, or all if it names none.
    Default,
    /// All that are not retired and fit the classes of the lots.
    All,
    /// These.
    Of(Vec<String>),
}

/// What is to be planned.
#[derive(Debug, Clone)]
pub struct PlanRequest {
    /// What the session is called; its folder has the day before it.
    pub name: String,
    /// What it asks.
    pub kind: Kind,
    /// The samples, as LOT or LOT@ARM, all of which are in each replicate.
    pub lots: Vec<String>,
    /// Instead of `lots`, `replicates` and `duplicates`: what is in each flight. A sample in two
    /// flights is brewed anew for the second.
    pub flights: Vec<FlightRequest>,
    /// The tasters' ids.
    pub tasters: Vec<String>,
    /// How often each sample is brewed anew, in a flight of its own each time.
    pub replicates: usize,
    /// Second codes within a flight.
    pub duplicates: Duplicates,
    /// The frozen sample that every flight has a cup of. In a duo-trio the one of the two lots
    /// that is everybody's reference; each is for half of the tasters if none is named.
    pub reference: Option<String>,
    /// What the warm-up cup is brewed from.
    pub warm_up: Option<String>,
    /// The recipe; the book's default if none.
    pub recipe: Option<String>,
    /// The terms.
    pub terms: Terms,
    /// One day, or one for each replicate, or one for each flight; today if none.
    pub days: Vec<Day>,
    /// The most scored cups in a flight; the book's limit if none.
    pub flight_size: Option<usize>,
    /// How many of a flight's cups each taster has; all if none.
    pub per_taster: Option<usize>,
    /// The public seed.
    pub order_seed: u32,
    /// Whether tasters are asked which lot they think a cup is.
    pub guess: bool,
    /// What is decided about a test beforehand; for sessions that are not profiles.
    pub test: Option<TestPlan>,
    /// Paired: the lot that is expected to have more, as LOT or LOT@ARM; it goes into the key.
    pub expected: Option<String>,
    /// Whether one person pours and tastes: then no key is made before the session is closed.
    pub alone: bool,
}

/// What is to be in a flight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlightRequest {
    /// Its samples, as LOT or LOT@ARM.
    pub lots: Vec<String>,
    /// Second codes.
    pub duplicates: Duplicates,
}

/// What was planned, as far as it can be told.
#[derive(Debug, Clone)]
pub struct Planned {
    /// The name of the session's folder.
    pub session: String,
    /// The plan.
    pub plan: SessionFile,
    /// How even each flight's orders are.
    pub balances: Vec<Balance>,
    /// Whether an expectation was sealed in the key.
    pub one_sided: bool,
    /// The leaf that each sample needs at most.
    pub leaf: Vec<LeafNeed>,
    /// What is to be looked at in samples before they are served: damp leaf.
    pub warnings: Vec<String>,
}

/// The leaf that a sample needs.
#[derive(Debug, Clone, PartialEq)]
pub struct LeafNeed {
    /// The sample.
    pub sample: Sample,
    /// Grams needed at most: second codes are dealt, and which samples get one is not told.
    pub need_g: f64,
    /// Grams left in its reserve, less what sealed sessions will draw; none if no reserve is
    /// recorded.
    pub left_g: Option<f64>,
}

pub(super) fn refused(text: impl Into<String>) -> BookError {
    BookError::Refused(text.into())
}

/// A session as it would be planned: all but the deal.
struct Prepared {
    name: String,
    /// The plan without the digest of a key.
    plan: SessionFile,
    balances: Vec<Balance>,
    shape: Shape,
    filling: Supplies,
    expected: Option<Sample>,
    leaf: Vec<LeafNeed>,
    warnings: Vec<String>,
}

/// The samples of a session.
struct Supplies {
    samples: Vec<Sample>,
    replicates: usize,
    duplicates: Vec<Sample>,
    given: Vec<Contents>,
    reference: Option<Sample>,
    warm_up: Option<Sample>,
    constant: Option<Sample>,
}

impl Supplies {
    fn stock(&self) -> Stock<'_> {
        let filling = if self.given.is_empty() {
            let (samples, twice) = (&self.samples, &self.duplicates);
            Filling::Spread { samples, replicates: self.replicates, twice }
        } else {
            Filling::Given(&self.given)
        };
        Stock {
            filling,
            reference: self.reference.as_ref(),
            warm_up: self.warm_up.as_ref(),
            constant: self.constant.as_ref(),
        }
    }
}

/// Plans a session and writes its folder, whole or not at all.
///
/// # Errors
/// If the request does not fit the book: an unknown or quarantined lot, too little leaf, an
/// unknown taster or term, a flight too small, a name that is taken.
pub fn plan(
    book: &Book,
    request: &PlanRequest,
    now: Moment,
    secret: DealSecret,
) -> Result<Planned, BookError> {
    let _lock = lock(book.root())?;
    let mut prepared = prepare(book, request, now)?;
    let stock = prepared.filling.stock();
    let key = (!request.alone).then(|| {
        let cups = deal(&secret, &prepared.shape, &prepared.plan.flights, &stock);
        let draws = reserve::draws_of(&cups, prepared.plan.recipe.leaf_g);
        Key::seal(&prepared.name, secret, cups, draws).expecting(prepared.expected.clone())
    });
    prepared.plan.key_digest = key.as_ref().map(Key::digest);
    write(book, &prepared.name, &prepared.plan, key.as_ref())?;
    Ok(prepared.told())
}

/// What [`plan`] would plan, by the same rules, and nothing written: no lot is given to a code, and there
/// is no key.
///
/// # Errors
/// As [`plan`].
pub fn preview(book: &Book, request: &PlanRequest, now: Moment) -> Result<Planned, BookError> {
    Ok(prepare(book, request, now)?.told())
}

impl Prepared {
    fn told(self) -> Planned {
        Planned {
            session: self.name,
            plan: self.plan,
            balances: self.balances,
            one_sided: self.expected.is_some(),
            leaf: self.leaf,
            warnings: self.warnings,
        }
    }
}

fn prepare(book: &Book, request: &PlanRequest, now: Moment) -> Result<Prepared, BookError> {
    check_request(request)?;
    let days_given = if request.days.is_empty() { vec![now.day()] } else { request.days.clone() };
    let first_day = days_given[0];
    let name = format!("{first_day}-{}", request.name);
    let taken = book.session_names()?.into_iter().any(|n| ids::same(&n, &name));
    if taken || book.root().join("sessions").join(&name).exists() {
        return Err(refused(format!(
            "there is a session {name} already\n  to mend:  choose another name or day"
        )));
    }
    let tasters = tasters(book, &request.tasters, first_day)?;
    let lots = book.lots()?;
    let one = |text: &Option<String>| -> Result<Option<Sample>, BookError> {
        text.as_ref().map(|t| sample(&lots, t, first_day)).transpose()
    };
    let (reference, warm_up) = (one(&request.reference)?, one(&request.warm_up)?);
    // The reference of a duo-trio is one of the lots that are compared.
    let (reference, constant) =
        if request.kind == Kind::DuoTrio { (None, reference) } else { (reference, None) };
    let given = given_flights(request, &lots, first_day)?;
    let samples = if given.is_empty() {
        self::samples(&lots, &request.lots, first_day)?
    } else {
        let mut all: Vec<Sample> = given.iter().flat_map(|(s, _)| s.clone()).collect();
        all.sort();
        all.dedup();
        all
    };
    if let Some(r) = reference.as_ref().filter(|r| samples.contains(r)) {
        return Err(refused(format!(
            "{r} is both a lot and the reference\n  to mend:  take it out of the lots: every flight has a cup of the reference"
        )));
    }
    let expected = one(&request.expected)?;
    for (sample, what) in [(&constant, "reference"), (&expected, "expected")] {
        in_each_flight(sample.as_ref(), what, &samples, &given)?;
    }
    let duplicates = named_duplicates(&request.duplicates, &samples, &lots, first_day)?;
    let limits = book.book_file()?.value.limits;
    let limit = limits.flight_cups as usize;
    // What is known today counts, also for a session of an earlier day.
    let served = samples.iter().chain(&reference).chain(&warm_up).chain(&constant);
    let warnings = must_be_fit(served, &lots, &limits, first_day.max(now.day()))?;
    let shape = if given.is_empty() {
        shape(request, samples.len(), duplicates.len(), limit)?
    } else {
        shape_given(request, &given, limit)?
    };
    let days = days_of_flights(&days_given, request, &shape)?;
    let recipe = recipe(book, request.recipe.as_deref())?;
    let classes: Vec<&str> = lots
        .iter()
        .filter(|l| samples.iter().any(|s| s.lot == l.id))
        .map(|l| l.file.value.class.as_str())
        .collect();
    let (families, terms) = match request.kind {
        Kind::Triangle | Kind::DuoTrio => (Vec::new(), Vec::new()),
        _ => terms(book, &request.terms, &classes, first_day)?,
    };
    check_terms(request.kind, &terms)?;
    let (flights, balances) = lay_out(&shape, &tasters, &days, request.alone, request.order_seed)?;

    let filling = Supplies {
        samples,
        replicates: request.replicates,
        duplicates,
        given,
        reference,
        warm_up,
        constant,
    };
    let leaf = reserve::needs(book, &lots, &filling.stock(), &shape, recipe.leaf_g)?;
    let plan = SessionFile {
        format: toml_file::FORMAT,
        kind: request.kind,
        planned: now,
        day: first_day,
        tasters,
        order_seed: request.order_seed,
        guess: request.guess,
        test: request.test.clone(),
        key_digest: None,
        recipe,
        flights,
        families,
        terms,
    };
    Ok(Prepared { name, plan, balances, shape, filling, expected, leaf, warnings })
}

fn tasters(book: &Book, asked: &[String], day: Day) -> Result<Vec<String>, BookError> {
    let known = book.tasters()?.value;
    let all: Vec<String> = known.taster_ids().map(str::to_owned).collect();
    let mut tasters: Vec<String> = Vec::new();
    for id in asked {
        let Some(taster) = known.taster(id) else {
            return Err(unknown("taster", id, &all, "add them with `blindsteep taster add`"));
        };
        if let Some(left) = taster.left.filter(|l| *l <= day) {
            return Err(refused(format!(
                "{} left the panel on {left}\n  to mend:  take them out of --tasters, or correct tasters.toml",
                taster.id
            )));
        }
        if tasters.contains(&taster.id) {
            return Err(refused(format!(
                "{} is named twice in --tasters\n  to mend:  name each taster once",
                taster.id
            )));
        }
        tasters.push(taster.id.clone());
    }
    if tasters.is_empty() {
        return Err(refused("nobody tastes\n  to mend:  name the tasters with --tasters"));
    }
    Ok(tasters)
}

fn samples(lots: &[Lot], texts: &[String], day: Day) -> Result<Vec<Sample>, BookError> {
    let mut samples = Vec::new();
    for text in texts {
        let sample = sample(lots, text, day)?;
        if samples.contains(&sample) {
            return Err(refused(format!(
                "{sample} is named twice\n  to mend:  name it once; --duplicates gives second codes, --replicates further flights"
            )));
        }
        samples.push(sample);
    }
    Ok(samples)
}

/// The sample that LOT or LOT@ARM means on a day.
pub(super) fn sample(lots: &[Lot], text: &str, day: Day) -> Result<Sample, BookError> {
    let (id, arm) = text.split_once('@').map_or((text, None), |(l, a)| (l, Some(a)));
    let Some(lot) = lots.iter().find(|l| ids::same(&l.id, id)) else {
        let known: Vec<String> = lots.iter().map(|l| l.id.clone()).collect();
        return Err(unknown("lot", id, &known, "`blindsteep lot list` names the lots"));
    };
    if day < lot.own_since() {
        return Err(refused(format!(
            "{} is there since {}, after the session's day {day}\n  expected: a lot that is there when it is tasted\n  to mend:  correct the session's day, or the lot's in {}",
            lot.id,
            lot.own_since(),
            lot.file.file
        )));
    }
    let arms = lot.arms_on(day);
    let arm = match arm {
        Some(arm) => arms.iter().find(|a| ids::same(a, arm)).cloned().ok_or_else(|| {
            unknown("arm of this lot", arm, &arms, "name one of them behind the @")
        })?,
        None if arms.len() == 1 => arms[0].clone(),
        None => {
            let each: Vec<String> = arms.iter().map(|a| format!("{}@{a}", lot.id)).collect();
            return Err(refused(format!(
                "{} was split into arms; which one is meant?\n  expected: {}\n  to mend:  name the arm behind an @",
                lot.id,
                each.join(" or ")
            )));
        }
    };
    Ok(Sample { lot: lot.id.clone(), arm })
}

/// The samples that are named for second codes; none where they are dealt.
fn named_duplicates(
    duplicates: &Duplicates,
    samples: &[Sample],
    lots: &[Lot],
    day: Day,
) -> Result<Vec<Sample>, BookError> {
    let Duplicates::Of(names) = duplicates else { return Ok(Vec::new()) };
    let named = self::samples(lots, names, day)?;
    match named.iter().find(|s| !samples.contains(s)) {
        None => Ok(named),
        Some(other) => Err(refused(format!(
            "{other} cannot have a second code: it is not among the lots\n  to mend:  add it to the lots"
        ))),
    }
}

fn given_flights(
    request: &PlanRequest,
    lots: &[Lot],
    day: Day,
) -> Result<Vec<Contents>, BookError> {
    let mut given = Vec::new();
    for flight in &request.flights {
        let here = samples(lots, &flight.lots, day)?;
        let twice = named_duplicates(&flight.duplicates, &here, lots, day)?;
        given.push((here, twice));
    }
    Ok(given)
}

fn recipe(book: &Book, asked: Option<&str>) -> Result<Recipe, BookError> {
    let recipes = book.recipes()?.value;
    let default = book.book_file()?.value.defaults.recipe;
    let all: Vec<String> = recipes.recipe_ids().map(str::to_owned).collect();
    let id = match (asked, &default, all.as_slice()) {
        (Some(id), _, _) => id,
        (None, Some(id), _) => id,
        (None, None, [one]) => one,
        _ => {
            return Err(refused(format!(
                "no recipe is named, and book.toml has no defaults.recipe\n  expected: one of {}\n  to mend:  name it with --recipe",
                all.join(", ")
            )));
        }
    };
    recipes.recipe(id).cloned().ok_or_else(|| unknown("recipe", id, &all, "add it to recipes.toml"))
}

/// Writes the folder beside its place and moves it there when it is whole.
fn write(book: &Book, name: &str, plan: &SessionFile, key: Option<&Key>) -> Result<(), BookError> {
    let sessions = book.root().join("sessions");
    store::make_folder(&sessions)?;
    let folder = sessions.join(name);
    let beside = tempfile::Builder::new()
        .prefix(".planning-")
        .tempdir_in(&sessions)
        .map_err(store::io("write in", &sessions))?;
    let inside = beside.path().join(name);
    store::make_folder(&inside.join("ballots"))?;
    if let Some(key) = key {
        store::create_new(&inside.join(key::FILE), &key.text())?;
    }
    store::create_new(&inside.join("session.toml"), &toml_file::to_text(plan))?;
    fs::rename(&inside, &folder).map_err(store::io("write", &folder))?;
    Ok(())
}
