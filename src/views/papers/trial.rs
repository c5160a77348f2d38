//! The work sheet of a trial, in the words of the book.

use std::collections::BTreeMap;

use crate::book::making::{OF_EACH_LOT, unit_of};
use crate::book::parameters::Parameters;
use crate::book::trials::{Factor, Level, TrialFile};
use crate::sheets::trial::{WorkBatch, WorkSetting, WorkSheet, work_sheet_pdf};
use crate::sheets::{Lang, SheetError};
use crate::views::charts::{category, parameter_names};

/// Sets the work sheet.
///
/// # Errors
/// If a text cannot be printed.
pub fn trial(
    trial: &TrialFile,
    title: &str,
    parameters: Option<&Parameters>,
    languages: &[Lang],
) -> Result<Vec<u8>, SheetError> {
    let names: Vec<BTreeMap<String, String>> = languages
        .iter()
        .map(|lang| parameters.map_or_else(BTreeMap::new, |p| parameter_names(p, *lang)))
        .collect();
    let name = |id: &str| -> Vec<String> {
        names.iter().map(|n| n.get(id).cloned().unwrap_or_else(|| id.to_owned())).collect()
    };
    let unit = |id: &str| -> Option<String> {
        let own = parameters.and_then(|p| p.parameter(id)).and_then(|p| p.unit.clone());
        own.or_else(|| unit_of(id).map(str::to_owned))
    };
    let level = |id: &str, level: &Level| -> Vec<String> {
        languages
            .iter()
            .zip(&names)
            .map(|(lang, n)| match level {
                Level::Number(x) => unit(id).map_or_else(|| x.to_string(), |u| format!("{x} {u}")),
                Level::Word(word) => {
                    // A category is called "name: category" there.
                    let known = n.get(&format!("{id}={word}"));
                    known.map_or_else(|| word.clone(), |k| category(k, *lang).to_owned())
                }
                Level::YesNo(yes) => match (lang, yes) {
                    (Lang::En, true) => "yes",
                    (Lang::En, false) => "no",
                    (Lang::Zh, true) => "是",
                    (Lang::Zh, false) => "否",
                }
                .to_owned(),
            })
            .collect()
    };
    let measured = trial
        .given
        .iter()
        // What a lot is goes with it; nobody measures it.
        .filter(|g| !OF_EACH_LOT.contains(&g.parameter.as_str()))
        .map(|g| {
            let with = |n: String| unit(&g.parameter).map_or(n.clone(), |u| format!("{n}, {u}"));
            name(&g.parameter).into_iter().map(with).collect()
        })
        .collect();
    let mut factors: Vec<&Factor> = trial.factors.iter().collect();
    factors.sort_by_key(|f| step(&f.parameter, parameters));
    let sheet = WorkSheet {
        book_title: title.to_owned(),
        trial: trial.name.clone(),
        date: trial.planned.day().0,
        languages: languages.to_vec(),
        batches: trial
            .runs
            .iter()
            .map(|run| WorkBatch {
                run: run.run,
                day: run.day,
                settings: factors
                    .iter()
                    .filter_map(|f| {
                        Some(WorkSetting {
                            name: name(&f.parameter),
                            level: level(&f.parameter, run.settings.get(&f.parameter)?),
                        })
                    })
                    .collect(),
            })
            .collect(),
        measured,
    };
    work_sheet_pdf(&sheet)
}

/// The place of a parameter in the order of making: what a lot is, then the steps as the book has them.
fn step(id: &str, parameters: Option<&Parameters>) -> usize {
    if id.starts_with("lot.") {
        return 0;
    }
    let place = |wanted: &dyn Fn(&str) -> bool| {
        parameters.and_then(|p| p.parameter_ids().position(wanted)).map(|at| at + 1)
    };
    // From the first roll to the drier.
    if id == OXIDATION_HOURS
        && let Some(at) = place(&|p| p.starts_with("dry."))
    {
        return at - 1;
    }
    place(&|p| p == id).unwrap_or(usize::MAX)
}

/// What is worked out has no place among the parameters of the book.
const OXIDATION_HOURS: &str = "derived.oxidation-hours";
