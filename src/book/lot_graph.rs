//! Lots among each other: parents, masses, days.

use super::balance::{balance, more_than};
use super::ids;
use super::lots::{CameBy, Lot, LotFile, MAIN};
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
        let (own, was) =
            lot.parted.map_or((lot.made, "made"), |parted| (parted, "parted from its parent"));
        if arm.since < own {
            problems.push(file.problem(
                &["arm", &at, "since"],
                format!("split on {}, before it was {was} on {own}", arm.since),
                format!("a day from {own} on"),
                "correct one of the two days",
            ));
        }
    }
    check_came_by(file, problems);
    let put: f64 = lot.arms.iter().filter_map(|a| a.kg).sum();
    if let Some(kg) = lot.kg.filter(|kg| more_than(put, *kg)) {
        problems.push(file.problem(
            &["kg"],
            format!("{} kg were put into arms, but the lot had only {kg} kg", shown_kg(put)),
            format!("at most {kg} kg in all arms together"),
            "correct kg here or in the arms",
        ));
    }
}

/// How a lot came of its parents fits what else it says.
fn check_came_by(file: &Described<LotFile>, problems: &mut Problems) {
    let lot = &file.value;
    let n = lot.parents.len();
    match lot.came_by {
        Some(CameBy::Split | CameBy::Refire) if n != 1 => problems.push(file.problem(
            &["came_by"],
            format!("a lot that was split off or fired again, with {n} parents"),
            "one [[parent]]",
            "name the lot that it came of, or write came_by = \"blend\"",
        )),
        Some(CameBy::Blend) if n == 0 => problems.push(file.problem(
            &["came_by"],
            "a blend without parents",
            "a [[parent]] for each lot that went into it",
            "name the parents, or take came_by out",
        )),
        _ => {}
    }
    match (lot.came_by, lot.parted) {
        (Some(CameBy::Split), None) => problems.push(file.problem(
            &["came_by"],
            "a lot that was split off, without the day on which it was parted",
            "parted = a day",
            "add the day on which it was parted from its parent",
        )),
        (Some(CameBy::Split), Some(day)) if day < lot.made => problems.push(file.problem(
            &["parted"],
            format!("parted on {day}, before it was made on {}", lot.made),
            format!("a day from {} on", lot.made),
            "correct one of the two days",
        )),
        (Some(CameBy::Split), Some(_)) | (_, None) => {}
        (_, Some(_)) => problems.push(file.problem(
            &["parted"],
            "a day of parting, but the lot was not split off",
            "came_by = \"split\" beside it",
            "add came_by, or take the day out",
        )),
    }
}

/// Kilograms as they are told: to a tenth of a gram.
fn shown_kg(kg: f64) -> String {
    format!("{}", (kg * 1e4).round() / 1e4)
}

/// Adds what is wrong between lots. `there` holds the ids of all lots, those too that could not
/// be read.
pub(crate) fn check(lots: &[Lot], there: &[String], problems: &mut Problems) {
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
        } else {
            check_parting(lot, i, found, problems);
        }
    }
    let masses: Option<Vec<f64>> = file.parents.iter().map(|p| p.kg).collect();
    if let (Some(kg), Some(masses)) = (file.kg, masses.filter(|m| !m.is_empty())) {
        let sum: f64 = masses.iter().sum();
        if more_than(kg, sum) {
            problems.push(lot.file.problem(
                &["kg"],
                format!("{kg} kg came out, but only {} kg went in", shown_kg(sum)),
                format!("at most {}, what was taken from the parents", shown_kg(sum)),
                "correct kg here or in the parents",
            ));
        }
    }
}

/// The arm of the parent was there, and so was the parent, when the lot came of it.
fn check_parting(lot: &Lot, at: usize, parent: &Lot, problems: &mut Problems) {
    let file = &lot.file.value;
    let (i, day) = (at.to_string(), lot.own_since());
    if let Some(arm) = file.parents[at].arm.as_deref().filter(|a| !ids::same(a, MAIN)) {
        match parent.file.value.arms.iter().find(|a| ids::same(&a.id, arm)) {
            None => {
                let known: Vec<String> = parent.all_arms();
                problems.push(lot.file.problem(
                    &["parent", &i, "arm"],
                    format!("{} has no arm \"{arm}\"", parent.id),
                    format!("one of {}", known.join(", ")),
                    did_you_mean(
                        arm,
                        known.iter().map(String::as_str),
                        "add the arm to the parent's lot.toml",
                    ),
                ));
            }
            Some(a) if a.since > day => problems.push(lot.file.problem(
                &["parent", &i, "arm"],
                format!("{}@{} is there since {}, after {day}", parent.id, a.id, a.since),
                format!("an arm that was there on {day}"),
                "correct one of the two days, or name the lot without the arm",
            )),
            Some(_) => {}
        }
    }
    if file.came_by == Some(CameBy::Split) {
        if lot.made() != parent.made() {
            problems.push(lot.file.problem(
                &["made"],
                format!(
                    "made on {}, but it was split from tea made on {}",
                    lot.made(),
                    parent.made()
                ),
                format!("made = {}: splitting makes no new tea", parent.made()),
                "correct the day, or came_by",
            ));
        }
        if day < parent.own_since() && day >= lot.made() {
            problems.push(lot.file.problem(
                &["parted"],
                format!(
                    "parted on {day}, before {} was there on {}",
                    parent.id,
                    parent.own_since()
                ),
                format!("a day from {} on", parent.own_since()),
                "correct one of the two days",
            ));
        }
    }
}

fn check_mass_given(lot: &Lot, lots: &[Lot], problems: &mut Problems) {
    let balance = balance(lot, lots);
    let tell = |keys: &[&str], of: &str, given: f64, had: f64| {
        lot.file.problem(
            keys,
            format!(
                "{} kg went from {of} into other lots, but it had only {} kg",
                shown_kg(given),
                shown_kg(had)
            ),
            format!("at least {}", shown_kg(given)),
            "correct kg here or in the lots that name it as a parent",
        )
    };
    let over = balance.left_of(MAIN).filter(|left| *left < -1e-6 && !balance.arms.is_empty());
    if let Some(made) = balance.made_kg.filter(|made| more_than(balance.given_kg, *made)) {
        problems.push(tell(&["kg"], &lot.id, balance.given_kg, made));
    } else if let Some(left) = over.filter(|_| balance.given_of(MAIN) > 0.0) {
        problems.push(lot.file.problem(
            &["kg"],
            format!(
                "{} had {} kg less than were put into its arms and given into other lots that name \
                 no arm",
                lot.id,
                shown_kg(-left)
            ),
            "masses that add up to no more than was made",
            "correct a mass, or name the arm in the lot that was made of it ([[parent]], arm = …)",
        ));
    }
    for (i, arm) in lot.file.value.arms.iter().enumerate() {
        let given = balance.given_of(&arm.id);
        if let Some(kg) = arm.kg.filter(|kg| more_than(given, *kg)) {
            let of = format!("{}@{}", lot.id, arm.id);
            problems.push(tell(&["arm", &i.to_string(), "kg"], &of, given, kg));
        }
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
