//! A lot's log: which lines still hold, and what they say in the parameters' own units.

use std::collections::{HashMap, HashSet};

use super::csv_file::{self, Line, Log};
use super::ids;
use super::lots::{LogLine, LotFile, LotValue, MAIN};
use super::parameters::{Parameters, mend_unknown};
use super::problem::{Problems, did_you_mean};

/// The values that hold, by their moments (then by their lines): without those that another
/// line takes the place of. Lines with mistakes are left out and go into `problems`. Arms are
/// checked only where lot.toml could be read.
pub(super) fn settle(
    log: &Log<LogLine>,
    lot: Option<&LotFile>,
    parameters: &Parameters,
    problems: &mut Problems,
) -> Vec<LotValue> {
    let before = problems.len();
    let by_entry = entries(log, problems);
    check_replacements(log, &by_entry, problems);
    let replaced: HashSet<&str> = log.values().filter_map(|l| l.replaces.as_deref()).collect();
    let mut values = Vec::new();
    for line in &log.lines {
        if problems.len() >= before + csv_file::MOST_MISTAKES {
            break;
        }
        if let Some(lot) = lot {
            check_arm(log, line, lot, problems);
        }
        let Some(value) = value_of(log, line, parameters, problems) else { continue };
        if !replaced.contains(line.value.entry.as_str()) {
            values.push(value);
        }
    }
    values.sort_by_key(|v: &LotValue| v.at.timestamp());
    if problems.len() == before {
        check_masses(log, &values, problems);
        check_steps(log, &values, problems);
    }
    values
}

/// How far corrections of corrections are followed.
const LONGEST_CHAIN: usize = 1000;

fn entries<'a>(
    log: &'a Log<LogLine>,
    problems: &mut Problems,
) -> HashMap<&'a str, &'a Line<LogLine>> {
    let mut by_entry: HashMap<&str, &Line<LogLine>> = HashMap::new();
    let before = problems.len();
    for line in &log.lines {
        if problems.len() >= before + csv_file::MOST_MISTAKES {
            break;
        }
        let entry = line.value.entry.as_str();
        match by_entry.get(entry) {
            None => {
                by_entry.insert(entry, line);
            }
            Some(first) => problems.push(log.problem(
                line.number,
                "entry",
                format!("the entry {entry} stands at line {} already", first.number),
                "each entry once in a file",
                if first.value == line.value {
                    "take this line out: it is the same as the other"
                } else {
                    "give this line an entry of its own"
                },
            )),
        }
    }
    by_entry
}

fn check_replacements(
    log: &Log<LogLine>,
    by_entry: &HashMap<&str, &Line<LogLine>>,
    problems: &mut Problems,
) {
    let before = problems.len();
    for line in &log.lines {
        let Some(replaces) = line.value.replaces.as_deref() else { continue };
        if problems.len() >= before + csv_file::MOST_MISTAKES {
            return;
        }
        let Some(old) = by_entry.get(replaces) else {
            problems.push(log.problem(
                line.number,
                "replaces",
                format!("there is no entry {replaces}"),
                "an entry of this file",
                did_you_mean(
                    replaces,
                    by_entry.keys().copied().filter(|k| *k != line.value.entry),
                    "take the entry from the first column of the line that is meant",
                ),
            ));
            continue;
        };
        if !ids::same(&old.value.parameter, &line.value.parameter) {
            problems.push(log.problem(
                line.number,
                "parameter",
                format!("{} replaces a line about {}", line.value.parameter, old.value.parameter),
                format!("the parameter {}", old.value.parameter),
                "take the other line back with an empty value, and write a new line",
            ));
        }
        let mut next = Some(replaces);
        for _ in 0..LONGEST_CHAIN.min(log.lines.len()) {
            if next == Some(line.value.entry.as_str()) {
                problems.push(log.problem(
                    line.number,
                    "replaces",
                    "lines that replace each other in a circle",
                    "an entry that was there before",
                    "empty the cell of the line that was there first",
                ));
                break;
            }
            next = next.and_then(|e| by_entry.get(e)).and_then(|l| l.value.replaces.as_deref());
        }
    }
}

fn check_arm(log: &Log<LogLine>, line: &Line<LogLine>, lot: &LotFile, problems: &mut Problems) {
    let Some(arm) = line.value.arm.as_deref() else { return };
    let known = || lot.arms.iter().map(|a| a.id.as_str()).chain([MAIN]);
    if !known().any(|k| ids::same(k, arm)) {
        problems.push(log.problem(
            line.number,
            "arm",
            format!("{} has no arm \"{arm}\"", lot.id),
            format!(
                "one of {}, or nothing for the whole lot",
                known().collect::<Vec<_>>().join(", ")
            ),
            did_you_mean(arm, known(), "add the arm to lot.toml"),
        ));
    }
}

fn value_of(
    log: &Log<LogLine>,
    line: &Line<LogLine>,
    parameters: &Parameters,
    problems: &mut Problems,
) -> Option<LotValue> {
    let written = &line.value;
    let Some(parameter) = parameters.parameter(&written.parameter) else {
        problems.push(log.problem(
            line.number,
            "parameter",
            format!("there is no parameter \"{}\"", written.parameter),
            "the id of a parameter of parameters.toml",
            mend_unknown(&written.parameter, parameters),
        ));
        return None;
    };
    let value = match parameter.value_of(written.value.as_deref()?, written.unit.as_deref()) {
        Ok(value) => value,
        Err(r) => {
            let column = if r.unit { "unit" } else { "value" };
            problems.push(log.problem(line.number, column, r.found, r.expected, r.mend));
            return None;
        }
    };
    Some(LotValue {
        entry: written.entry.clone(),
        at: written.at,
        arm: written.arm.clone(),
        parameter: parameter.id.clone(),
        value,
        unit: parameter.unit.clone(),
        role: parameter.role(),
        how: written.how,
        note: written.note.clone(),
    })
}

/// Nothing gains mass in a step of making: what comes out is at most what went in.
fn check_masses(log: &Log<LogLine>, values: &[LotValue], problems: &mut Problems) {
    for out in values {
        let Some(step) = out.parameter.strip_suffix(".mass-out") else { continue };
        let into = format!("{step}.mass-in");
        let Some(mass_in) = values.iter().rfind(|v| v.parameter == into && v.arm == out.arm) else {
            continue;
        };
        if let (Some(o), Some(i)) = (out.value.number(), mass_in.value.number())
            && o > i
            && out.unit == mass_in.unit
        {
            let unit = out.unit.as_deref().unwrap_or_default();
            let line = log.lines.iter().find(|l| l.value.entry == out.entry);
            problems.push(log.problem(
                line.map_or(1, |l| l.number),
                "value",
                format!("{step}: {o} {unit} came out, but only {i} {unit} went in"),
                format!("at most {i} {unit}"),
                "write a line that replaces the wrong one of the two, with a reason",
            ));
        }
    }
}

/// Leaf is rolled before it is dried.
fn check_steps(log: &Log<LogLine>, values: &[LotValue], problems: &mut Problems) {
    let start = |parameter: &str| {
        let v = values.iter().rfind(|v| v.parameter == parameter)?;
        Some((v, v.value.moment()?))
    };
    if let (Some((_, roll)), Some((v, dry))) = (start("roll.start"), start("dry.start"))
        && dry < roll
    {
        let line = log.lines.iter().find(|l| l.value.entry == v.entry);
        problems.push(log.problem(
            line.map_or(1, |l| l.number),
            "value",
            format!("drying began at {dry}, before the first roll at {roll}"),
            format!("a moment from {roll} on"),
            "write a line that replaces the wrong one of the two, with a reason",
        ));
    }
}
