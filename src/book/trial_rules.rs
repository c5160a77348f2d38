//! Trials of a book: what is wrong in them, and in the lots that were made for them.

use super::lots::Lot;
use super::parameters::{ParameterKind, Parameters};
use super::problem::{Place, Problems, did_you_mean};
use super::roles::Role;
use super::toml_file::Described;
use super::trials::{Level, TrialFile};
use super::vocabulary::Vocabulary;
use super::{ids, making};

/// What a trial leans on, as far as it could be read.
pub(super) struct Around<'a> {
    pub(super) parameters: Option<&'a Parameters>,
    pub(super) vocabulary: Option<&'a Vocabulary>,
    pub(super) lots: &'a [String],
}

pub(super) fn check(
    name: &str,
    file: &Described<TrialFile>,
    around: &Around<'_>,
    problems: &mut Problems,
) {
    let trial = &file.value;
    if trial.name != name {
        problems.push(file.problem(
            &["name"],
            format!("the trial in {} calls itself {}", file.file, trial.name),
            format!("name = \"{name}\", the same as the file"),
            "correct the name, or rename the file",
        ));
    }
    let before = problems.len();
    check_factors(file, around, problems);
    // A misspelt factor is told once, not in each run.
    if problems.len() == before {
        check_runs(file, problems);
    }
    for (i, lot) in trial.lots.iter().enumerate() {
        if !around.lots.iter().any(|l| ids::same(l, lot)) {
            problems.push(file.problem(
                &["lots", &i.to_string()],
                format!("there is no lot \"{lot}\""),
                "the id of a lot of this book",
                did_you_mean(lot, around.lots.iter().map(String::as_str), "take it out"),
            ));
        }
    }
    let Some(vocabulary) = around.vocabulary else { return };
    for (i, term) in trial.terms.iter().enumerate() {
        if vocabulary.term(term).is_none() {
            problems.push(file.problem(
                &["terms", &i.to_string()],
                format!("there is no term \"{term}\""),
                "the id of a term of vocabulary.toml",
                did_you_mean(term, vocabulary.term_ids(), "add it to vocabulary.toml"),
            ));
        }
    }
}

fn check_factors(file: &Described<TrialFile>, around: &Around<'_>, problems: &mut Problems) {
    let trial = &file.value;
    let mut seen: Vec<(&str, String)> = Vec::new();
    let listed = trial
        .factors
        .iter()
        .enumerate()
        .map(|(i, f)| ("factor", i, f.parameter.as_str()))
        .chain(trial.given.iter().enumerate().map(|(i, g)| ("given", i, g.parameter.as_str())));
    for (array, i, parameter) in listed {
        let at = i.to_string();
        let keys = [array, at.as_str(), "parameter"];
        if let Some((_, first)) = seen.iter().find(|(p, _)| ids::same(p, parameter)) {
            problems.push(file.problem(
                &keys,
                format!("{parameter} stands at {first} already"),
                "each parameter once, among the factors or among what is given",
                "take one of the two out",
            ));
            continue;
        }
        seen.push((parameter, format!("line {}", file.place(&keys).line)));
        let Some(parameters) = around.parameters else { continue };
        let Some(role) = role_of(parameter, parameters) else {
            problems.push(file.problem(
                &keys,
                format!("there is no parameter \"{parameter}\""),
                "the id of a parameter of parameters.toml, or of what is known of each lot",
                did_you_mean(
                    parameter,
                    parameters.parameter_ids().chain(making::OF_EACH_LOT),
                    "add it to parameters.toml",
                ),
            ));
            continue;
        };
        if array == "factor" && role == Role::Outcome {
            problems.push(file.problem(
                &keys,
                format!("{parameter} is an outcome of the other parameters"),
                "a parameter that can be set for a batch",
                "take it out, or change its role in parameters.toml",
            ));
        } else if array == "factor" {
            check_levels(file, i, parameters, problems);
        }
    }
}

/// The role of what is recorded or worked out; none: there is nothing of this name.
fn role_of(parameter: &str, parameters: &Parameters) -> Option<Role> {
    match parameters.parameter(parameter) {
        Some(p) => Some(p.role()),
        None => {
            making::OF_EACH_LOT.iter().find(|id| ids::same(id, parameter)).map(|id| Role::usual(id))
        }
    }
}

fn check_levels(
    file: &Described<TrialFile>,
    i: usize,
    parameters: &Parameters,
    problems: &mut Problems,
) {
    let (at, factor) = (i.to_string(), &file.value.factors[i]);
    for (j, level) in factor.levels.iter().enumerate() {
        let place = j.to_string();
        let keys = ["factor", at.as_str(), "levels", place.as_str()];
        if factor.levels[..j].iter().any(|l| l.same(level)) {
            problems.push(file.problem(
                &keys,
                format!("the level {level} of {} stands here twice", factor.parameter),
                "levels that differ from each other",
                "take one of the two out",
            ));
        } else if let Some((expected, mend)) = misfit(&factor.parameter, level, parameters) {
            problems.push(file.problem(
                &keys,
                format!("{} = {level} does not hold", factor.parameter),
                expected,
                mend,
            ));
        }
    }
}

/// What is expected in the stead of a level that does not fit its parameter.
fn misfit(id: &str, level: &Level, parameters: &Parameters) -> Option<(String, String)> {
    let Some(parameter) = parameters.parameter(id) else {
        // What a lot is, is said in words; what is worked out, in numbers.
        let word = id.to_ascii_lowercase().starts_with("lot.");
        let fits = match level {
            Level::Word(_) => word,
            Level::Number(_) => !word,
            Level::YesNo(_) => false,
        };
        let expected = if word { "a word in quotes" } else { "a number" };
        return (!fits).then(|| (expected.to_owned(), "correct the level".to_owned()));
    };
    if level.value_of(parameter).is_some() {
        return None;
    }
    let unit = parameter.unit.as_deref().map_or_else(String::new, |u| format!(" in {u}"));
    let number = matches!(level, Level::Number(_));
    match (parameter.kind, parameter.value_of(&level.to_string(), None)) {
        (ParameterKind::Moment | ParameterKind::Text, _) => Some((
            "a parameter of numbers, categories, or yes and no".to_owned(),
            "vary what follows from it instead".to_owned(),
        )),
        (ParameterKind::Number | ParameterKind::Whole, Err(r)) if number => {
            Some((r.expected, r.mend))
        }
        (ParameterKind::Number | ParameterKind::Whole, _) => Some((
            format!("a number{unit}"),
            "write it without quotes, in the parameter's own unit".to_owned(),
        )),
        (ParameterKind::YesNo, _) => {
            Some(("true or false".to_owned(), "write true or false, without quotes".to_owned()))
        }
        (ParameterKind::Category, Err(r)) => Some((r.expected, r.mend)),
        (ParameterKind::Category, Ok(_)) => {
            Some(("a word in quotes".to_owned(), "put it in quotes".to_owned()))
        }
    }
}

fn check_runs(file: &Described<TrialFile>, problems: &mut Problems) {
    let trial = &file.value;
    for (i, run) in trial.runs.iter().enumerate() {
        let at = i.to_string();
        if trial.runs[..i].iter().any(|r| r.run == run.run) {
            problems.push(file.problem(
                &["run", &at, "run"],
                format!("there is a run {} already", run.run),
                "a number of its own for each run",
                "number it anew",
            ));
        }
        for (parameter, level) in &run.settings {
            let keys = ["run", at.as_str(), "settings", parameter.as_str()];
            let Some(factor) = trial.factor(parameter) else {
                problems.push(file.problem(
                    &keys,
                    format!("{parameter} is no factor of this trial"),
                    "a parameter that stands under [[factor]]",
                    did_you_mean(
                        parameter,
                        trial.factors.iter().map(|f| f.parameter.as_str()),
                        "add the factor, or take the setting out",
                    ),
                ));
                continue;
            };
            if !factor.has(level) {
                let levels: Vec<String> = factor.levels.iter().map(ToString::to_string).collect();
                problems.push(file.problem(
                    &keys,
                    format!("{level} is no level of {}", factor.parameter),
                    format!("one of {}", levels.join(", ")),
                    "correct the setting, or add the level to the factor",
                ));
            }
        }
        for factor in &trial.factors {
            if !run.settings.keys().any(|k| ids::same(k, &factor.parameter)) {
                problems.push(file.problem(
                    &["run", &at, "settings"],
                    format!("run {} says nothing of {}", run.run, factor.parameter),
                    "a setting for each factor",
                    format!("add \"{}\" = …", factor.parameter),
                ));
            }
        }
    }
}

/// The trial and the run that a lot names are there. Trials that could not be read are told of
/// elsewhere.
pub(super) fn check_lot(
    lot: &Lot,
    trials: &[Described<TrialFile>],
    there: &[String],
    problems: &mut Problems,
) {
    let file = &lot.file.value;
    let (name, number) = match (&file.trial, file.run) {
        (None, None) => return,
        (Some(name), Some(number)) => (name, number),
        (name, _) => {
            let (key, lacks) = if name.is_some() { ("trial", "run") } else { ("run", "trial") };
            problems.push(lot.file.problem(
                &[key],
                format!("{key} without {lacks}"),
                "the trial and the run together, or neither",
                format!("add {lacks}, or take {key} out"),
            ));
            return;
        }
    };
    let Some(trial) = trials.iter().find(|t| ids::same(&t.value.name, name)) else {
        if !there.iter().any(|t| ids::same(t, name)) {
            let known = there.iter().map(String::as_str);
            problems.push(lot.file.problem(
                &["trial"],
                format!("there is no trial \"{name}\""),
                "the name of a file in trials/, without .toml",
                did_you_mean(name, known, "take trial and run out"),
            ));
        }
        return;
    };
    if trial.value.run(number).is_none() {
        let runs: Vec<String> = trial.value.runs.iter().map(|r| r.run.to_string()).collect();
        problems.push(lot.file.problem(
            &["run"],
            format!("the trial {} has no run {number}", trial.value.name),
            format!("one of {}", runs.join(", ")),
            "correct the run",
        ));
    }
}

/// What is worth knowing of lots made for a trial: where what was logged is unlike what was
/// planned, and runs that more than one lot was made for.
#[must_use]
pub fn notices(lots: &[Lot], trials: &[Described<TrialFile>]) -> Vec<String> {
    let mut told = Vec::new();
    for (i, lot) in lots.iter().enumerate() {
        let (Some(name), Some(number)) = (&lot.file.value.trial, lot.file.value.run) else {
            continue;
        };
        let same_run = |l: &&Lot| {
            l.file.value.run == Some(number)
                && l.file.value.trial.as_ref().is_some_and(|t| ids::same(t, name))
        };
        let Place { line, column, .. } = lot.file.place(&["run"]);
        let here = format!("{}:{line}:{column}", lot.file.file);
        if let Some(first) = lots[..i].iter().find(same_run) {
            told.push(format!(
                "{here}: run {number} of the trial {name} was made as {} already; both lots count",
                first.id
            ));
        }
        let Some(run) = trials
            .iter()
            .find(|t| ids::same(&t.value.name, name))
            .and_then(|t| t.value.run(number))
        else {
            continue;
        };
        for unlike in unlike(lot, &run.settings) {
            told.push(format!("{here}: {} was {unlike}; what was recorded counts", lot.id));
        }
    }
    told
}

/// That other lots were made for the run of one, if there are any.
#[must_use]
pub fn made_already(lot: &Lot, lots: &[Lot]) -> Option<String> {
    let (name, number) = (lot.file.value.trial.as_ref()?, lot.file.value.run?);
    let same_run = |l: &&Lot| {
        !ids::same(&l.id, &lot.id)
            && l.file.value.run == Some(number)
            && l.file.value.trial.as_ref().is_some_and(|t| ids::same(t, name))
    };
    let others: Vec<&str> = lots.iter().filter(same_run).map(|l| l.id.as_str()).collect();
    (!others.is_empty()).then(|| {
        format!(
            "run {number} of the trial {name} was made as {} already, and both count; if another run is \
             meant, correct run in {}",
            others.join(", "),
            lot.file.file
        )
    })
}

/// Settings of a run that a lot's own record says otherwise, in words.
fn unlike(lot: &Lot, settings: &std::collections::BTreeMap<String, Level>) -> Vec<String> {
    let made = making::recorded(lot);
    settings
        .iter()
        .filter_map(|(parameter, planned)| {
            let found = made.iter().find(|m| ids::same(&m.parameter, parameter))?;
            let unit = found.unit.as_deref().map_or_else(String::new, |u| format!(" {u}"));
            (!planned.is(&found.value)).then(|| {
                format!(
                    "to be made with {} = {planned}{unit}, and its record says {}{unit}",
                    found.parameter, found.value
                )
            })
        })
        .collect()
}
