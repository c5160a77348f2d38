//! A trial that is kept in the book, beside what was really made.

use schemars::JsonSchema;
use serde::Serialize;

use crate::book::book_file::Limits;
use crate::book::ids;
use crate::book::lots::Lot;
use crate::book::making::{Made, making, unit_in};
use crate::book::parameters::Parameters;
use crate::book::trials::{Level, MadeBy, TrialFile};
use crate::book::units;
use crate::findings::{Answer, count, listed};

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TrialMade {
    /// "trial-made/1".
    pub schema: String,
    /// The trial.
    pub name: String,
    /// The day on which it was planned.
    pub planned: String,
    /// How its runs were chosen.
    pub made_by: MadeBy,
    /// Run by run.
    pub runs: Vec<RunMade>,
    /// The runs for which there is no lot yet.
    pub still_to_make: Vec<u32>,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind.
    pub cautions: Vec<String>,
}

/// A run.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RunMade {
    /// Its number.
    pub run: u32,
    /// Its day.
    pub day: u32,
    /// The lots that were made for it.
    pub lots: Vec<String>,
    /// Setting by setting, lot by lot.
    pub settings: Vec<SettingMade>,
}

/// A setting.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SettingMade {
    /// The parameter.
    pub parameter: String,
    /// The level that was planned.
    pub planned: Level,
    /// Its unit; none: a category, yes or no, or a number without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// The lot.
    pub lot: Answer<String>,
    /// What its log says, in words.
    pub logged: Answer<String>,
    /// Whether that is what was planned.
    pub as_planned: Answer<bool>,
}

/// Sets the plan beside the logs.
#[must_use]
pub fn shown(
    trial: &TrialFile,
    lots: &[Lot],
    parameters: &Parameters,
    limits: &Limits,
) -> TrialMade {
    let own: Vec<&Lot> = lots
        .iter()
        .filter(|l| l.file.value.trial.as_ref().is_some_and(|t| ids::same(t, &trial.name)))
        .collect();
    let runs: Vec<RunMade> = trial
        .runs
        .iter()
        .map(|run| {
            let made: Vec<&&Lot> =
                own.iter().filter(|l| l.file.value.run == Some(run.run)).collect();
            let mut settings = Vec::new();
            for lot in &made {
                let found = making(lot, lots, limits);
                for (parameter, planned) in &run.settings {
                    let value = found.values.iter().find(|v| ids::same(&v.parameter, parameter));
                    let none = || format!("the log of {} does not say it yet", lot.id);
                    settings.push(SettingMade {
                        parameter: parameter.clone(),
                        planned: planned.clone(),
                        unit: unit_in(parameters, parameter),
                        lot: Answer::Known(lot.id.clone()),
                        logged: Answer::of(value.map(said).ok_or_else(none)),
                        as_planned: Answer::of(
                            value.map(|v| planned.is(&v.value)).ok_or_else(none),
                        ),
                    });
                }
            }
            if made.is_empty() {
                settings.extend(run.settings.iter().map(|(parameter, planned)| SettingMade {
                    parameter: parameter.clone(),
                    planned: planned.clone(),
                    unit: unit_in(parameters, parameter),
                    lot: Answer::unknown("no lot was made for this run yet"),
                    logged: Answer::unknown("no lot was made for this run yet"),
                    as_planned: Answer::unknown("no lot was made for this run yet"),
                }));
            }
            RunMade {
                run: run.run,
                day: run.day,
                lots: made.iter().map(|l| l.id.clone()).collect(),
                settings,
            }
        })
        .collect();
    let still_to_make: Vec<u32> =
        runs.iter().filter(|r| r.lots.is_empty()).map(|r| r.run).collect();
    let mut finding = TrialMade {
        schema: "trial-made/1".to_owned(),
        name: trial.name.clone(),
        planned: trial.planned.day().to_string(),
        made_by: trial.made_by,
        sentences: Vec::new(),
        cautions: Vec::new(),
        runs,
        still_to_make,
    };
    finding.sentences = sentences(&finding, trial);
    finding.cautions = cautions(&finding);
    finding
}

/// A value with its unit.
fn said(made: &Made) -> String {
    let value = made.value.number().map_or_else(|| made.value.to_string(), units::four_digits);
    made.unit.as_ref().map_or_else(|| value.clone(), |unit| format!("{value} {unit}"))
}

fn sentences(f: &TrialMade, trial: &TrialFile) -> Vec<String> {
    let factors: Vec<String> = trial.factors.iter().map(|x| x.parameter.clone()).collect();
    let n = f.runs.len();
    let made = n - f.still_to_make.len();
    let mut all = vec![format!(
        "Planned on {}: {} of {}.",
        f.planned,
        count(n, "batch", "batches"),
        listed(&factors)
    )];
    let runs: Vec<String> = f.still_to_make.iter().map(ToString::to_string).collect();
    all.push(match (made, f.still_to_make.len()) {
        (0, _) => "None is made yet.".to_owned(),
        (_, 0) => {
            format!("All are made. When they are tasted, ask `link --trial {}`.", f.name)
        }
        (made, _) => format!("{made} of {n} are made; still to be made: {}.", listed(&runs)),
    });
    let settings = || f.runs.iter().flat_map(|r| &r.settings);
    let unlike: Vec<String> = settings()
        .filter(|s| s.as_planned.known() == Some(&false))
        .map(|s| {
            format!(
                "{} with {} {} in the stead of {}",
                s.lot.known().map_or("", String::as_str),
                s.parameter,
                s.logged.known().map_or("", String::as_str),
                s.planned.shown(s.unit.as_deref())
            )
        })
        .collect();
    if !unlike.is_empty() {
        all.push(format!("Made otherwise than planned: {}. The log counts.", listed(&unlike)));
    }
    all
}

fn cautions(f: &TrialMade) -> Vec<String> {
    let mut all = Vec::new();
    let mut missing: Vec<String> = f
        .runs
        .iter()
        .flat_map(|r| &r.settings)
        .filter(|s| s.lot.known().is_some() && s.logged.known().is_none())
        .filter_map(|s| Some(format!("{} of {}", s.parameter, s.lot.known()?)))
        .collect();
    missing.sort();
    if !missing.is_empty() {
        all.push(format!(
            "Still to be logged: {}. What is missing takes its factor out of the analysis.",
            listed(&missing)
        ));
    }
    let twice: Vec<String> = f
        .runs
        .iter()
        .filter(|r| r.lots.len() > 1)
        .map(|r| format!("run {} as {}", r.run, listed(&r.lots)))
        .collect();
    if !twice.is_empty() {
        all.push(format!("Made more than once: {}; each lot counts.", listed(&twice)));
    }
    all
}
