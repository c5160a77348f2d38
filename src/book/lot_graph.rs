//! Lots among each other: parents, masses, days.

use super::ids;
use super::lots::{Lot, LotFile, MAIN};
use super::problem::{Problems, did_you_mean};
use super::toml_file::Described;

/// Adds what is wrong in a lot's description by itself.
pub(super) fn check_one(folder: &str, file: &Described<LotFile>, problems: &mut Problems) {
    let lot = &file.value;
    if lot.id != folder {
        problems.push(file.problem(
            &["id"],
            format!("the lot in the folder {folder} calls itself {}", lot.id),
            format!("id = \"{folder}\", the same as the folder"),
            "correct the id, or rename the folder",
        ));
    }
    for (i, day) in lot.picked.iter().enumerate() {
        if *day > lot.made {
            problems.push(file.problem(
                &["picked", &i.to_string()],
                format!("picked on {day}, after it was made on {}", lot.made),
                format!("a day up to {}", lot.made),
                "correct one of the two days",
            ));
        }
    }
    ids::check_unique(file, "arm", lot.arms.iter().map(|a| a.id.as_str()), problems);
    for (i, arm) in lot.arms.iter().enumerate() {
        let at = i.to_string();
        if ids::same(&arm.id, MAIN) {
            problems.push(file.problem(
                &["arm", &at, "id"],
                "the arm \"main\" is the lot before it was split",
                "another id",
                "call what stays behind by the way in which it is stored",
            ));
        }
        if arm.since < lot.made {
            problems.push(file.problem(
                &["arm", &at, "since"],
                format!("split on {}, before it was made on {}", arm.since, lot.made),
                format!("a day from {} on", lot.made),
                "correct one of the two days",
            ));
        }
    }
}

/// Adds what is wrong between lots. `there` holds the ids of all lots, those too that could not
/// be read.
pub(super) fn check(lots: &[Lot], there: &[String], problems: &mut Problems) {
    for lot in lots {
        check_parents(lot, lots, there, problems);
        check_mass_given(lot, lots, problems);
    }
}

fn check_parents(lot: &Lot, lots: &[Lot], there: &[String], problems: &mut Problems) {
    let file = &lot.file.value;
    for (i, parent) in file.parents.iter().enumerate() {
        let at = i.to_string();
        let Some(found) = lots.iter().find(|l| ids::same(&l.id, &parent.lot)) else {
            if there.iter().any(|id| ids::same(id, &parent.lot)) {
                continue;
            }
            let known = there.iter().map(String::as_str).filter(|k| !ids::same(k, &lot.id));
            problems.push(lot.file.problem(
                &["parent", &at, "lot"],
                format!("there is no lot \"{}\"", parent.lot),
                "the id of another lot of this book",
                did_you_mean(&parent.lot, known, "add the parent first"),
            ));
            continue;
        };
        if descends_from(found, lot, lots) {
            problems.push(lot.file.problem(
                &["parent", &at, "lot"],
                format!("{} would descend from itself", lot.id),
                "a parent that was there before",
                "take this parent out, or the one that leads back here",
            ));
        } else if found.made() > lot.made() {
            problems.push(lot.file.problem(
                &["parent", &at, "lot"],
                format!("{} was made on {}, after {}", found.id, found.made(), lot.id),
                format!("a parent made up to {}", lot.made()),
                "correct one of the two days",
            ));
        }
    }
    let masses: Option<Vec<f64>> = file.parents.iter().map(|p| p.kg).collect();
    if let (Some(kg), Some(masses)) = (file.kg, masses.filter(|m| !m.is_empty())) {
        let sum: f64 = masses.iter().sum();
        if kg > sum * (1.0 + 1e-9) {
            problems.push(lot.file.problem(
                &["kg"],
                format!("{kg} kg came out, but only {sum} kg went in"),
                format!("at most {sum}, what was taken from the parents"),
                "correct kg here or in the parents",
            ));
        }
    }
}

fn check_mass_given(lot: &Lot, lots: &[Lot], problems: &mut Problems) {
    let Some(kg) = lot.file.value.kg else { return };
    let given: f64 = lots
        .iter()
        .flat_map(|l| &l.file.value.parents)
        .filter(|p| ids::same(&p.lot, &lot.id))
        .filter_map(|p| p.kg)
        .sum();
    if given > kg * (1.0 + 1e-9) {
        problems.push(lot.file.problem(
            &["kg"],
            format!("{given} kg went from {} into other lots, but it had only {kg} kg", lot.id),
            format!("at least {given}"),
            "correct kg here or in the lots that name it as a parent",
        ));
    }
}

/// Whether `lot` is `ancestor` or comes from it.
fn descends_from(lot: &Lot, ancestor: &Lot, lots: &[Lot]) -> bool {
    let mut seen: Vec<&str> = Vec::new();
    let mut open = vec![lot];
    while let Some(next) = open.pop() {
        if ids::same(&next.id, &ancestor.id) {
            return true;
        }
        if seen.iter().any(|s| ids::same(s, &next.id)) {
            continue;
        }
        seen.push(&next.id);
        let parents = &next.file.value.parents;
        open.extend(lots.iter().filter(|l| parents.iter().any(|p| ids::same(&p.lot, &l.id))));
    }
    false
}
