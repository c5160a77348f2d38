//! What is varied, at which levels, and what the lots made so far say of it.

use schemars::JsonSchema;
use serde::Serialize;

use super::levels::{distinct, levels_of};
use super::{MOST_BATCHES, TrialError, Wish};
use crate::book::ids;
use crate::book::making::{OF_EACH_LOT, unit_of};
use crate::book::parameters::{Parameters, Role};
use crate::book::problem::did_you_mean;
use crate::book::trials::Level;
use crate::findings::link::rows::{self, Picked};
use crate::findings::link::{self, LeftOut};
use crate::findings::{Answer, count, listed};
use crate::scores::{Made, MadeParameter, Makings, Scores};

/// The season: one waits months for the other.
pub const SEASON: &str = "lot.season";

/// A factor as it is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct WishedFactor {
    /// The parameter.
    pub parameter: String,
    /// Its levels.
    pub levels: WishedLevels,
}

/// The levels of a factor as they are asked for.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WishedLevels {
    /// Those that were made.
    Made,
    /// These, as they were written.
    These(Vec<String>),
    /// The two ends of a range, and where numbers may bend its middle.
    Between(f64, f64),
}

/// A factor.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TrialFactor {
    /// The parameter.
    pub parameter: String,
    /// The unit of its numbers.
    pub unit: Answer<String>,
    /// Its levels, ascending.
    pub levels: Vec<Level>,
    /// Whether batches of one level are made together, since it cannot be changed from day to day.
    pub kept_together: bool,
    /// The columns that stand for it.
    pub columns: Vec<String>,
}

/// A column of the model.
#[derive(Debug, Clone, PartialEq)]
pub struct FactorColumn {
    /// Its name: the parameter's id, `id=category`, `id=yes`, or the id with a square.
    pub id: String,
    /// The place of its factor.
    pub factor: usize,
    kind: Kind,
}

#[derive(Debug, Clone, PartialEq)]
enum Kind {
    /// A number from -1 at the lowest level to 1 at the highest.
    Line(f64, f64),
    /// The square of that.
    Square(f64, f64),
    /// 1 at this level, -1 at others.
    Is(Level),
}

impl FactorColumn {
    /// What a level puts into the model.
    pub fn value(&self, level: &Level) -> f64 {
        let line = |low: f64, high: f64| {
            let x = super::number(level).unwrap_or(low);
            2.0 * (x - low) / (high - low) - 1.0
        };
        match &self.kind {
            Kind::Line(low, high) => line(*low, *high),
            Kind::Square(low, high) => line(*low, *high).powi(2),
            Kind::Is(own) => {
                if own.same(level) {
                    1.0
                } else {
                    -1.0
                }
            }
        }
    }

    /// Whether it is a square, which has no effect over a range.
    pub fn is_square(&self) -> bool {
        matches!(self.kind, Kind::Square(..))
    }
}

/// A parameter that is no factor but varied.
#[derive(Debug, Clone, PartialEq)]
pub struct Aside {
    /// The name of the column.
    pub id: String,
    /// The parameter.
    pub parameter: String,
    /// Why it is no factor.
    pub why: Why,
    /// One value a lot.
    pub values: Vec<f64>,
}

/// Why a parameter is no factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// It cannot be chosen.
    Given,
    /// It follows from the others.
    Outcome,
    /// It was not asked for.
    NotAsked,
}

/// What the trial is about.
pub struct Asked {
    /// The lots made so far.
    pub lots: Vec<String>,
    /// Their scores, if there are any.
    pub picked: Option<Picked>,
    /// The factors.
    pub factors: Vec<TrialFactor>,
    /// Their columns.
    pub columns: Vec<FactorColumn>,
    /// For each lot the level of each factor.
    pub made: Vec<Vec<Level>>,
    /// What else varied.
    pub aside: Vec<Aside>,
    /// What cannot be chosen, whether it varied or not.
    pub given: Vec<String>,
    /// Combinations that are not allowed.
    pub never: Vec<Vec<(usize, Level)>>,
}

impl Asked {
    /// The ids of what cannot be chosen.
    pub fn given_ids(&self) -> Vec<String> {
        self.given.clone()
    }

    /// What the settings of a batch put into the model, the mean first.
    pub fn row(&self, settings: &[Level]) -> Vec<f64> {
        let columns = self.columns.iter().map(|c| c.value(&settings[c.factor]));
        std::iter::once(1.0).chain(columns).collect()
    }

    /// The place of the factor whose batches are kept together.
    pub fn season(&self) -> Option<usize> {
        self.factors.iter().position(|f| f.kept_together)
    }
}

/// Refuses numbers that cannot be.
pub fn check_wish(wish: &Wish) -> Result<(), TrialError> {
    if wish.batches == 0 || wish.batches > MOST_BATCHES || (wish.fresh && wish.batches < 2) {
        let least = if wish.fresh { 2 } else { 1 };
        return Err(TrialError::new(
            count(wish.batches, "batch", "batches"),
            format!("{least} to {MOST_BATCHES} batches"),
            if wish.batches > MOST_BATCHES {
                "plan a first part; what it shows will change the next".to_owned()
            } else if wish.fresh {
                "ask for at least two, so that something differs between them".to_owned()
            } else {
                format!("say --add with a number from 1 to {MOST_BATCHES}")
            },
        ));
    }
    let wrong = |what: &str, found: String, expected: &str| {
        Err(TrialError::new(format!("{what} {found}"), expected, "correct the number"))
    };
    if wish.fresh && wish.factors.is_empty() {
        return Err(TrialError::new(
            "--runs without --factor: nothing is said to vary",
            "what is varied, at which levels",
            "name it, for instance --factor roll.minutes=40,75 --factor dry.method=sun,hot-air; or ask \
             with --add what to add to the lots made so far",
        ));
    }
    if wish.a_day == 0 {
        return wrong("--a-day", "0".to_owned(), "at least 1 batch a day");
    }
    if wish.tasters.is_some_and(|t| !(2..=100).contains(&t)) {
        return wrong("--tasters", wish.tasters.unwrap_or(0).to_string(), "2 to 100 tasters");
    }
    if wish.pots.is_some_and(|p| !(1..=20).contains(&p)) {
        return wrong("--pots", wish.pots.unwrap_or(0).to_string(), "1 to 20 pots a lot");
    }
    if let Some(n) = wish.simulations.filter(|n| *n > 10_000) {
        return wrong("--simulations", n.to_string(), "0 to 10000 panels");
    }
    if !(wish.see > 0.0 && wish.see.is_finite()) {
        return wrong("--see", wish.see.to_string(), "a number of points above 0");
    }
    Ok(())
}

/// Whether a parameter is chosen, given or an outcome.
fn role_of(id: &str, parameters: Option<&Parameters>, makings: Option<&Makings>) -> Role {
    if let Some(p) = parameters.and_then(|p| p.parameter(id)) {
        return p.role();
    }
    makings
        .and_then(|m| m.parameters.iter().find(|p| ids::same(&p.id, id)))
        .map_or_else(|| Role::usual(id), |p| p.role)
}

/// The id as it is known; refused if nothing of the name is known.
fn known_id(
    id: &str,
    flag: &str,
    parameters: Option<&Parameters>,
    makings: Option<&Makings>,
) -> Result<String, TrialError> {
    let mut known: Vec<&str> = Vec::new();
    if let Some(m) = makings {
        known.extend(m.parameters.iter().map(|p| p.id.as_str()));
        known.extend(m.not_taken.iter().map(|n| n.id.as_str()));
    }
    if let Some(p) = parameters {
        known.extend(p.parameter_ids().chain(OF_EACH_LOT));
    }
    if known.is_empty() {
        return Ok(id.to_owned());
    }
    known.iter().find(|k| ids::same(k, id)).map(|k| (*k).to_owned()).ok_or_else(|| {
        TrialError::new(
            format!("{flag} {id}: there is no parameter of this name"),
            if parameters.is_some() {
                "a parameter of parameters.toml, or lot.season, lot.cultivar, lot.plot, or what is worked \
                 out, as derived.oxidation-hours"
                    .to_owned()
            } else {
                format!("one of {}", known.join(", "))
            },
            did_you_mean(id, known.iter().copied(), "correct the flag"),
        )
    })
}

/// Works out what the trial is about.
pub fn factors(
    scores: Option<&Scores>,
    makings: Option<&Makings>,
    parameters: Option<&Parameters>,
    wish: &Wish,
    left_out: &mut Vec<LeftOut>,
) -> Result<Asked, TrialError> {
    let made_before = makings.filter(|_| !wish.fresh);
    let of_link = link::Wish { references: wish.references.clone(), ..link::Wish::default() };
    let picked = match (scores, made_before) {
        (Some(s), Some(m)) => Some(rows::pick(s, m, &of_link, false, left_out)),
        _ => None,
    };
    let lots: Vec<String> = match (&picked, made_before) {
        (Some(p), _) => p.lots.iter().map(|l| l.lot.clone()).collect(),
        (None, Some(m)) => m.lots.clone(),
        _ => Vec::new(),
    };
    if made_before.is_some() && lots.is_empty() {
        return Err(TrialError::new(
            "there is no lot to add to",
            "lots that were tasted and of whose making something is recorded",
            "plan a trial from nothing with --runs and --factor",
        ));
    }
    let given_asked: Vec<String> = wish
        .given
        .iter()
        .map(|g| known_id(g, "--given", parameters, makings))
        .collect::<Result<_, _>>()?;
    let is_given = |id: &str| {
        given_asked.iter().any(|g| ids::same(g, id))
            || role_of(id, parameters, makings) == Role::Given
    };
    let mut asked = Asked {
        lots,
        picked,
        factors: Vec::new(),
        columns: Vec::new(),
        made: Vec::new(),
        aside: Vec::new(),
        given: given_asked.clone(),
        never: Vec::new(),
    };
    // The parameters of the factors, with what is known of them in the lots.
    let mut wanted: Vec<(String, WishedLevels, Option<&MadeParameter>)> = Vec::new();
    for f in &wish.factors {
        let id = known_id(&f.parameter, "--factor", parameters, makings)?;
        let fail = |found: String, expected: &str, mend: &str| {
            Err(TrialError::new(format!("--factor {id}: {found}"), expected, mend))
        };
        if wanted.iter().any(|w| ids::same(&w.0, &id)) {
            return fail(
                "it is named twice".to_owned(),
                "each factor once",
                "take one of the two out",
            );
        }
        if given_asked.iter().any(|g| ids::same(g, &id)) {
            return fail(
                "it is named as --given too".to_owned(),
                "a parameter either chosen or given",
                "take one of the two out",
            );
        }
        match role_of(&id, parameters, makings) {
            Role::Chosen => {}
            Role::Given => {
                return fail(
                    "it cannot be chosen".to_owned(),
                    "a parameter that can be set for a batch",
                    "take it out, or change its role in parameters.toml",
                );
            }
            Role::Outcome => {
                return fail(
                    "it is an outcome of the other parameters".to_owned(),
                    "a parameter that can be set for a batch",
                    "name what it follows from, or change its role in parameters.toml",
                );
            }
        }
        let own = made_before.and_then(|m| m.parameters.iter().find(|p| ids::same(&p.id, &id)));
        if made_before.is_some() {
            let missing: Vec<String> = asked
                .lots
                .iter()
                .filter(|l| own.is_none_or(|p| !p.values.contains_key(*l)))
                .cloned()
                .collect();
            if !missing.is_empty() {
                return fail(
                    format!("it is not known for {}", some_of(&missing)),
                    "a value for each lot that the trial adds to",
                    "log it for these lots, or plan from nothing with --runs",
                );
            }
        }
        wanted.push((id, f.levels.clone(), own));
    }
    for p in made_before.map_or(&[][..], |m| m.parameters.as_slice()) {
        sort_in(p, &mut asked, &mut wanted, wish, parameters, &is_given, left_out);
    }
    if let Some(m) = made_before {
        left_out.extend(m.not_taken.iter().map(|n| parameter_left(&n.id, &n.reason, Vec::new())));
    }
    if wanted.is_empty() {
        return Err(TrialError::new(
            "there is no factor",
            "parameters that can be chosen and that varied, or --factor ID=a,b",
            "name what can be varied with --factor, for instance --factor roll.minutes=40,75",
        ));
    }
    for (id, levels, own) in &wanted {
        let values: Vec<Level> = asked
            .lots
            .iter()
            .filter_map(|l| own.and_then(|p| p.values.get(l)).map(|v| level_of(&v.value)))
            .collect();
        let unit = own
            .and_then(|p| p.unit.clone())
            .or_else(|| parameters.and_then(|p| p.parameter(id)).and_then(|p| p.unit.clone()))
            .or_else(|| unit_of(id).map(str::to_owned));
        let levels = levels_of(id, levels, &values, parameters, wish.curved)?;
        add(&mut asked, id, unit, levels, &values, wish.curved);
    }
    asked.made = (0..asked.lots.len())
        .map(|i| {
            wanted
                .iter()
                .filter_map(|(_, _, own)| own.and_then(|p| p.values.get(&asked.lots[i])))
                .map(|v| level_of(&v.value))
                .collect()
        })
        .collect();
    asked.never = never(&asked, wish)?;
    Ok(asked)
}

/// Takes a parameter of the lots as a factor, sets it aside, or leaves it out.
fn sort_in<'a>(
    p: &'a MadeParameter,
    asked: &mut Asked,
    wanted: &mut Vec<(String, WishedLevels, Option<&'a MadeParameter>)>,
    wish: &Wish,
    parameters: Option<&Parameters>,
    is_given: &dyn Fn(&str) -> bool,
    left_out: &mut Vec<LeftOut>,
) {
    if wanted.iter().any(|w| ids::same(&w.0, &p.id)) {
        return;
    }
    let given = is_given(&p.id);
    if given && !asked.given.contains(&p.id) {
        asked.given.push(p.id.clone());
    }
    let missing: Vec<String> =
        asked.lots.iter().filter(|l| !p.values.contains_key(*l)).cloned().collect();
    if missing.len() == asked.lots.len() {
        left_out.push(parameter_left(&p.id, "no lot that is linked has a value", Vec::new()));
        return;
    }
    if !missing.is_empty() {
        left_out.push(parameter_left(&p.id, "it is missing for some lots", missing));
        return;
    }
    let levels: Vec<Level> = asked.lots.iter().map(|l| level_of(&p.values[l].value)).collect();
    if levels.iter().all(|l| l.same(&levels[0])) {
        let reason = format!("it never varied: {} in every lot", levels[0]);
        left_out.push(parameter_left(&p.id, &reason, Vec::new()));
        return;
    }
    let role = parameters.and_then(|all| all.parameter(&p.id)).map_or(p.role, |own| own.role());
    let why = match role {
        _ if given => Why::Given,
        Role::Outcome => Why::Outcome,
        _ if wish.factors.is_empty() => {
            wanted.push((p.id.clone(), WishedLevels::Made, Some(p)));
            return;
        }
        _ => Why::NotAsked,
    };
    let mut add = |id: String, values: Vec<f64>| {
        asked.aside.push(Aside { id, parameter: p.id.clone(), why, values });
    };
    let numbers: Option<Vec<f64>> = levels.iter().map(super::number).collect();
    if let Some(values) = numbers {
        add(p.id.clone(), values);
        return;
    }
    for level in distinct(&levels).iter().skip(1) {
        let values = levels.iter().map(|l| f64::from(u8::from(l.same(level)))).collect();
        add(format!("{}={level}", p.id), values);
    }
}

fn parameter_left(id: &str, reason: &str, lots: Vec<String>) -> LeftOut {
    LeftOut { kind: "parameter".to_owned(), name: id.to_owned(), reason: reason.to_owned(), lots }
}

/// `T1, T2, T3 and 5 more`.
fn some_of(names: &[String]) -> String {
    match names {
        [first @ .., _, _] if names.len() > 5 => {
            format!("{} and {} more", first[..3].join(", "), names.len() - 3)
        }
        all => listed(all),
    }
}

fn level_of(value: &Made) -> Level {
    match value {
        Made::Number(x) => Level::Number(*x),
        Made::Category(c) => Level::Word(c.clone()),
        Made::YesNo(b) => Level::YesNo(*b),
    }
}

/// Adds a factor with its columns.
fn add(
    asked: &mut Asked,
    id: &str,
    unit: Option<String>,
    levels: Vec<Level>,
    made: &[Level],
    curved: bool,
) {
    let factor = asked.factors.len();
    let numbers: Option<Vec<f64>> = levels.iter().map(super::number).collect();
    let before = asked.columns.len();
    if let Some(x) = numbers {
        let (low, high) = (x[0], x[x.len() - 1]);
        asked.columns.push(FactorColumn { id: id.to_owned(), factor, kind: Kind::Line(low, high) });
        if curved && x.len() > 2 {
            let kind = Kind::Square(low, high);
            asked.columns.push(FactorColumn { id: format!("{id}²"), factor, kind });
        }
    } else {
        // Categories that were made but are not asked for have columns too.
        let all = distinct(&levels.iter().chain(made).cloned().collect::<Vec<_>>());
        for level in all.into_iter().skip(1) {
            let id = format!("{id}={level}");
            asked.columns.push(FactorColumn { id, factor, kind: Kind::Is(level) });
        }
    }
    let columns = asked.columns[before..].iter().map(|c| c.id.clone()).collect();
    asked.factors.push(TrialFactor {
        parameter: id.to_owned(),
        unit: Answer::of(unit.ok_or("it has no unit")),
        levels,
        kept_together: ids::same(id, SEASON),
        columns,
    });
}

/// Combinations that are not allowed, as levels of factors.
fn never(asked: &Asked, wish: &Wish) -> Result<Vec<Vec<(usize, Level)>>, TrialError> {
    let one = |(id, text): &(String, String)| {
        let known = || asked.factors.iter().map(|f| f.parameter.as_str());
        let Some(factor) = asked.factors.iter().position(|f| ids::same(&f.parameter, id)) else {
            return Err(TrialError::new(
                format!("--never {id}={text}: {id} is no factor of this trial"),
                format!("one of {}", known().collect::<Vec<_>>().join(", ")),
                did_you_mean(id, known(), "correct the flag"),
            ));
        };
        let levels: Vec<String> =
            asked.factors[factor].levels.iter().map(ToString::to_string).collect();
        let same = |l: &&Level| match l {
            Level::Number(x) => text.trim().parse::<f64>().is_ok_and(|y| y == *x),
            other => ids::same(&other.to_string(), text.trim()),
        };
        let level = asked.factors[factor].levels.iter().find(same).cloned().ok_or_else(|| {
            TrialError::new(
                format!("--never {id}={text}: it is no level of this factor"),
                format!("one of {}", levels.join(", ")),
                did_you_mean(text, levels.iter().map(String::as_str), "correct the flag"),
            )
        })?;
        Ok((factor, level))
    };
    wish.never.iter().map(|all| all.iter().map(one).collect()).collect()
}
