//! What no rule forbids in the record of lots, but is probably a slip.

use std::collections::{BTreeMap, HashMap};

use super::balance::{balance, more_than};
use super::book_file::Limits;
use super::derived::shown;
use super::fitness::{SAFETY, dampness, named, quarantine};
use super::ids;
use super::lots::{CameBy, Lot, LotValue, MAIN, PRESS_OFF, PRESS_ON};
use super::masses::{Odd, odd};
use super::parameters::{OPENED, PACKED, QUARANTINE};
use super::problem::{Place, nearest};
use super::time::{Day, Moment};
use super::toml_file::Described;

/// The six classes of tea in the trade: common practice, no source.
pub const CLASSES: [&str; 6] = ["green", "yellow", "white", "oolong", "black", "dark"];

/// What is to be looked at in some lots, which stand among `lots`; `now` by the clock of this
/// machine.
#[must_use]
pub fn warnings(of: &[&Lot], lots: &[Lot], limits: &Limits, now: Moment) -> Vec<String> {
    let mut warnings = leaf(of, lots, limits, now.day());
    warnings.extend(slips(of, now));
    for lot in of {
        warnings.extend(reserves(lot, lots));
        warnings.extend(from_quarantine(lot, lots, now.day()));
    }
    warnings
}

/// Leaf that is too damp to be stored, each sample in a line, and behind all of them what is safe.
#[must_use]
pub fn leaf(of: &[&Lot], lots: &[Lot], limits: &Limits, day: Day) -> Vec<String> {
    let mut told: Vec<String> = Vec::new();
    for lot in of {
        for arm in lot.arms() {
            // What smells musty is not to be dried and kept: its quarantine says all.
            if lot.is_in_quarantine(&arm) {
                continue;
            }
            let sample = named(&lot.id, &arm);
            let damp = dampness(lot, &arm, lots, limits, day);
            told.extend(damp.reasons().iter().map(|r| format!("{sample}: {r}")));
        }
    }
    if let Some(last) = told.last_mut() {
        last.push_str(".\n");
        last.push_str(SAFETY);
    }
    told
}

/// Reserves that hold more than there was, or from which more was drawn.
fn reserves(lot: &Lot, lots: &[Lot]) -> Vec<String> {
    let mut told = Vec::new();
    let balance = balance(lot, lots);
    let kept_of = |arm: &str| lot.reserve(arm).map_or(0.0, |r| r.kept_g) / 1000.0;
    for arm in lot.all_arms() {
        let sample = named(&lot.id, &arm);
        if let Some(r) = lot.reserve(&arm).filter(|r| r.kept_g > 0.0 && r.left_g < 0.0) {
            told.push(format!(
                "{sample}: {} g were drawn from a reserve of {} g: weigh what is left, and correct \
                 the log",
                shown(r.drawn_g),
                shown(r.kept_g)
            ));
        }
        let put = balance.arms.iter().find(|a| ids::same(&a.id, &arm));
        if let Some(put) = put
            && more_than(kept_of(&arm) + balance.given_of(&arm), put.kg)
        {
            told.push(format!(
                "{sample}: {} g in its reserve and {} kg given into other lots are more than the {} \
                 kg that were put into it: correct {}, or the log of the reserve",
                shown(kept_of(&arm) * 1000.0),
                shown(balance.given_of(&arm)),
                shown(put.kg),
                lot.file.file
            ));
        }
    }
    // What was drawn from the whole lot's reserve may lie in that of an arm.
    let of_arms: f64 =
        (lot.file.value.arms.iter()).filter(|a| a.kg.is_none()).map(|a| kept_of(&a.id)).sum();
    let drawn = lot.drawn_g(MAIN).unwrap_or(0.0) / 1000.0;
    let reserve = kept_of(MAIN) + (of_arms - drawn).max(0.0);
    let arms: f64 = balance.arms.iter().map(|a| a.kg).sum();
    let given = balance.given_of(MAIN);
    if let Some(made) = balance.made_kg.filter(|made| more_than(reserve + arms + given, *made)) {
        told.push(format!(
            "{}: {} g in the reserve, {} kg in arms and {} kg given into other lots are more than \
             the {} kg that were made: correct {}, or the log of the reserve",
            lot.id,
            shown(reserve * 1000.0),
            shown(arms),
            shown(given),
            shown(made),
            lot.file.file
        ));
    }
    told
}

/// What is probably a slip in the record of some lots by themselves.
#[must_use]
pub fn slips(of: &[&Lot], now: Moment) -> Vec<String> {
    let mut warnings = classes(of);
    for lot in of {
        future(lot, now, &mut warnings);
        warnings.extend(at_once(lot));
        warnings.extend(far_from_made(lot));
        warnings.extend(kept_before_made(lot));
        warnings.extend(odd_masses(lot));
    }
    warnings
}

/// Masses that hardly follow from the step before.
fn odd_masses(lot: &Lot) -> Vec<String> {
    let told = |o: Odd| {
        let (before, after) = (o.before, o.after);
        let v = lot.parameter_of(after.0, MAIN);
        let entry = v.map_or("", |v| v.entry.as_str());
        let line = lot.log.lines.iter().find(|l| l.value.entry == entry);
        let (what, of, was) = (after.0, &lot.id, before.0);
        let (now, then) = (shown(after.1), shown(before.1));
        let said = if o.more {
            format!(
                "{what} of {of} is {now} kg, more than the {then} kg of {was}: if one of them is wrong, log a line \
                 that replaces it (entry {entry} here)"
            )
        } else {
            format!(
                "{what} of {of} is {now} kg, less than a tenth of the {then} kg of {was}: if one of them is wrong, \
                 log a line that replaces it (entry {entry} here)"
            )
        };
        format!("{}:{}: {said}", lot.log.file, line.map_or(1, |l| l.number))
    };
    odd(Some(lot), &[]).into_iter().map(told).collect()
}

/// Withering and rolling begin at most so many days before the drying ends: common practice, no
/// source. A batch in the making names the day on which its drying is to end.
pub const LONGEST_MAKING_DAYS: i64 = 10;

/// Moments of making that lie after the lot was made, or long before.
fn far_from_made(lot: &Lot) -> Vec<String> {
    let file = &lot.file.value;
    let first = file.picked.iter().copied().fold(file.made, Day::min);
    // A day more: drying goes on past midnight, and clocks differ.
    let (from, to) = (first.later(-LONGEST_MAKING_DAYS), file.made.later(1));
    let far = |v: &&LotValue| {
        let at = v.value.moment().filter(|_| !v.parameter.starts_with("store."));
        at.is_some_and(|at| !(from..=to).contains(&at.day()))
    };
    let told = |v: &LotValue| {
        let line = lot.log.lines.iter().find(|l| l.value.entry == v.entry);
        format!(
            "{}:{}: {} of {} is {}, {} days {} it was made ({}): log a line that replaces entry {}, \
             with the day that is meant, or correct made in {}",
            lot.log.file,
            line.map_or(1, |l| l.number),
            v.parameter,
            lot.id,
            v.value,
            v.value.moment().map_or(0, |at| (at.day().0 - file.made.0).get_days().abs()),
            if v.value.moment().is_some_and(|at| at.day() > to) { "after" } else { "before" },
            file.made,
            v.entry,
            lot.file.file
        )
    };
    lot.values.iter().filter(far).map(told).collect()
}

/// The place of a value, as `file:line:column`.
fn place<T>(file: &Described<T>, keys: &[&str]) -> String {
    let Place { line, column, .. } = file.place(keys);
    format!("{}:{line}:{column}", file.file)
}

/// One warning a word, for a book of something else than tea uses one word in all lots.
fn classes(lots: &[&Lot]) -> Vec<String> {
    let mut by_word: BTreeMap<String, Vec<&Lot>> = BTreeMap::new();
    for lot in lots.iter().copied() {
        let class = lot.file.value.class.trim().to_lowercase();
        if !CLASSES.contains(&class.as_str()) {
            by_word.entry(class).or_default().push(lot);
        }
    }
    by_word
        .iter()
        .map(|(class, of)| {
            let others = match of.len() - 1 {
                0 => String::new(),
                1 => format!(" (and of {})", of[1].id),
                n => format!(" (and of {n} other lots)"),
            };
            let meant = nearest(class, CLASSES)
                .map_or_else(String::new, |near| format!("; did you mean \"{near}\"?"));
            format!(
                "{}: the class \"{}\" of {}{others} is none of the six of tea: {}{meant}",
                place(&of[0].file, &["class"]),
                of[0].file.value.class,
                of[0].id,
                CLASSES.join(", ")
            )
        })
        .collect()
}

fn future(lot: &Lot, now: Moment, warnings: &mut Vec<String>) {
    let today = now.day();
    let file = &lot.file.value;
    let mut day = |keys: &[&str], what: &str, day: Day, from: Day| {
        if day > from {
            warnings.push(format!(
                "{}: {} {what} on {day}, a day that has not come yet by the clock of this machine; \
                 correct the one or the other",
                place(&lot.file, keys),
                lot.id
            ));
        }
    };
    day(&["made"], "was made", file.made, today.later(LONGEST_MAKING_DAYS));
    for (i, picked) in file.picked.iter().enumerate() {
        day(&["picked", &i.to_string()], "was picked", *picked, today);
    }
    if let Some(parted) = file.parted {
        day(&["parted"], "was parted from its parent", parted, today);
    }
    for (i, arm) in file.arms.iter().enumerate() {
        day(&["arm", &i.to_string(), "since"], "was split into arms", arm.since, today);
    }
    let ahead = |at: Moment| at.timestamp() > now.timestamp();
    for line in lot.log.lines.iter().filter(|l| ahead(l.value.at)) {
        let written = &line.value;
        let holds = lot.values.iter().any(|v| v.entry == written.entry);
        // Days are told of above; a clock that is a few minutes off is no slip.
        if holds && written.at.day() > today {
            warnings.push(format!(
                "{}:{}: {} of {} is logged at {}, which has not come yet by the clock of this \
                 machine; correct the one or the other",
                lot.log.file, line.number, written.parameter, lot.id, written.at
            ));
        }
    }
}

/// Two values of one parameter for one arm at the same moment, both of which hold. Grams put
/// into the reserve and drawn from it add up, and may do so.
fn at_once(lot: &Lot) -> Vec<String> {
    let arm = |a: &Option<String>| a.clone().filter(|a| !ids::same(a, MAIN));
    let line =
        |entry: &str| lot.log.lines.iter().find(|l| l.value.entry == entry).map_or(1, |l| l.number);
    let mut told = Vec::new();
    let mut seen: HashMap<(&str, i64, Option<String>), &LotValue> = HashMap::new();
    for v in lot.values.iter().filter(|v| {
        !v.parameter.starts_with("reserve.")
            && ![PRESS_ON, PRESS_OFF].contains(&v.parameter.as_str())
    }) {
        let key = (v.parameter.as_str(), v.at.timestamp().as_second(), arm(&v.arm));
        if let Some(first) = seen.insert(key, v) {
            told.push(format!(
                "{}:{}: {} has two values at {}: {} at line {} (entry {}) and {} here (entry {}), \
                 and the later line counts; if one is wrong, log a line that replaces it",
                lot.log.file,
                line(&v.entry),
                v.parameter,
                v.at,
                first.value,
                line(&first.entry),
                first.entry,
                v.value,
                v.entry
            ));
        }
    }
    told
}

/// Storage that is logged before there was made tea, and a pack that was opened before it was
/// packed.
fn kept_before_made(lot: &Lot) -> Vec<String> {
    let told = |v: &LotValue, day: Day, what: String| {
        let line = lot.log.lines.iter().find(|l| l.value.entry == v.entry);
        format!(
            "{}:{}: {} of {} is dated {day}, before it was {what}: log a line that replaces entry {}, or \
             correct the other day",
            lot.log.file,
            line.map_or(1, |l| l.number),
            v.parameter,
            lot.id,
            v.entry
        )
    };
    let made = lot.made();
    let mut all = Vec::new();
    let mut packed: Option<Moment> = None;
    for v in lot.values.iter().filter(|v| v.parameter.starts_with("store.")) {
        let day = v.value.moment().map_or(v.at, |m| m.min_of(v.at)).day();
        if day < made {
            all.push(told(v, day, format!("made on {made}")));
        }
        match (ids::same(&v.parameter, PACKED), v.value.moment()) {
            (true, moment) => packed = moment,
            (false, Some(opened)) if ids::same(&v.parameter, OPENED) => {
                if let Some(packed) = packed.filter(|p| opened < *p) {
                    all.push(told(v, opened.day(), format!("packed at {packed}")));
                }
            }
            _ => {}
        }
    }
    all
}

/// A blend, or a lot that was fired again, of what is in quarantine, and is not itself.
fn from_quarantine(lot: &Lot, lots: &[Lot], day: Day) -> Vec<String> {
    let file = &lot.file.value;
    let what = match file.came_by {
        Some(CameBy::Split) => "was split from",
        Some(CameBy::Refire) => "was fired again from",
        Some(CameBy::Blend) | None => "was made of",
    };
    // Its own log says what became of it.
    if lot.values.iter().any(|v| ids::same(&v.parameter, QUARANTINE)) {
        return Vec::new();
    }
    file.parents
        .iter()
        .enumerate()
        .filter_map(|(i, p)| {
            let parent = lots.iter().find(|l| ids::same(&l.id, &p.lot))?;
            let arm = p.arm.as_deref().unwrap_or(MAIN);
            quarantine(parent, arm, lots, day)?;
            let with_it = lot.arms().iter().any(|a| quarantine(lot, a, lots, day).is_some());
            let then = if with_it {
                format!(
                    "{} is in quarantine with it, until it is cleared (`blindsteep lot clear",
                    lot.id
                )
            } else {
                format!("if {} may be unsafe too, put it there (`blindsteep lot quarantine", lot.id)
            };
            Some(format!(
                "{}: {} {what} {}, which is in quarantine: {then} {} --reason …`). Never use leaf \
                 that smells musty or shows mould",
                place(&lot.file, &["parent", &i.to_string(), "lot"]),
                lot.id,
                named(&parent.id, arm),
                lot.id
            ))
        })
        .collect()
}
