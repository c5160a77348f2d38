//! What no rule forbids in the record of lots, but is probably a slip.

use std::collections::{BTreeMap, HashMap};

use super::book_file::Limits;
use super::derived::moisture_warning;
use super::family::history;
use super::lots::{CameBy, Lot, LotValue, MAIN, PRESS_OFF, PRESS_ON};
use super::problem::{Place, nearest};
use super::time::{Day, Moment};
use super::toml_file::Described;
use super::{ids, units};

/// The six classes of tea in the trade: common practice, no source.
pub const CLASSES: [&str; 6] = ["green", "yellow", "white", "oolong", "black", "dark"];

/// What is to be looked at in some lots, which stand among `lots`; `now` by the clock of this
/// machine.
#[must_use]
pub fn warnings(of: &[&Lot], lots: &[Lot], now: Moment) -> Vec<String> {
    let mut warnings = slips(of, now);
    warnings.extend(of.iter().flat_map(|lot| from_quarantine(lot, lots)));
    warnings
}

/// What is probably a slip in the record of some lots by themselves.
#[must_use]
pub fn slips(of: &[&Lot], now: Moment) -> Vec<String> {
    let mut warnings = classes(of);
    for lot in of {
        future(lot, now, &mut warnings);
        warnings.extend(at_once(lot));
        warnings.extend(far_from_made(lot));
    }
    warnings
}

/// Withering and rolling begin at most so many days before the drying ends: common practice, no
/// source.
const LONGEST_MAKING_DAYS: i64 = 10;

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
    let mut day = |keys: &[&str], what: &str, day: Day| {
        if day > today {
            warnings.push(format!(
                "{}: {} {what} on {day}, a day that has not come yet by the clock of this machine; \
                 correct the one or the other",
                place(&lot.file, keys),
                lot.id
            ));
        }
    };
    day(&["made"], "was made", file.made);
    for (i, picked) in file.picked.iter().enumerate() {
        day(&["picked", &i.to_string()], "was picked", *picked);
    }
    if let Some(parted) = file.parted {
        day(&["parted"], "was parted from its parent", parted);
    }
    for (i, arm) in file.arms.iter().enumerate() {
        day(&["arm", &i.to_string(), "since"], "was split into arms", arm.since);
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

/// Damp tea that the lot has from the one that it was split from: of its own it says nothing of
/// moisture.
#[must_use]
pub fn damp_before_the_split(lot: &Lot, lots: &[Lot], limits: &Limits) -> Vec<String> {
    const MOISTURE: [&str; 2] = ["dry.moisture", "store.moisture"];
    let logged = |lot: &Lot, arm: &str, until: Option<Day>| {
        let of_sample = |v: &&LotValue| {
            MOISTURE.contains(&v.parameter.as_str())
                && v.arm.as_ref().is_none_or(|a| ids::same(a, arm))
                && until.is_none_or(|day| v.at.day() < day)
        };
        let percent = |v: &LotValue| units::convert(v.value.number()?, v.unit.as_deref()?, "%");
        lot.values.iter().filter(of_sample).filter_map(percent).next_back()
    };
    let mut told = Vec::new();
    for arm in lot.arms() {
        let stretches = history(lot, &arm, lots);
        let latest = stretches.iter().find_map(|s| {
            let found = lots.iter().find(|l| l.id == s.lot)?;
            let own = || found.made_moisture().map(|got| got.value);
            let last = s.arm == MAIN;
            logged(found, &s.arm, s.until).or_else(|| own().filter(|_| last)).map(|m| (m, s))
        });
        let Some((moisture, stretch)) = latest.filter(|(_, s)| s.lot != lot.id) else { continue };
        if let Some(warning) = moisture_warning(moisture, limits.moisture_warning_pct) {
            let of = if arm == MAIN { lot.id.clone() } else { format!("{}@{arm}", lot.id) };
            told.push(format!("{of}, which was split from {}: {warning}", stretch.lot));
        }
    }
    told
}

/// A blend, or a lot that was fired again, of what is in quarantine, and is not itself.
fn from_quarantine(lot: &Lot, lots: &[Lot]) -> Vec<String> {
    let file = &lot.file.value;
    let what = match file.came_by {
        Some(CameBy::Split) => "was split from",
        Some(CameBy::Refire) => "was fired again from",
        Some(CameBy::Blend) | None => "was made of",
    };
    if lot.arms().iter().all(|arm| lot.is_in_quarantine(arm)) {
        return Vec::new();
    }
    file.parents
        .iter()
        .enumerate()
        .filter_map(|(i, p)| {
            let parent = lots.iter().find(|l| ids::same(&l.id, &p.lot))?;
            let arm = p.arm.as_deref().unwrap_or(MAIN);
            if !parent.is_in_quarantine(arm) {
                return None;
            }
            let of = if arm == MAIN { parent.id.clone() } else { format!("{}@{arm}", parent.id) };
            Some(format!(
                "{}: {} {what} {of}, which is in quarantine: if {} may be unsafe too, log its \
                 store.quarantine as yes. Never use leaf that smells musty or shows mould",
                place(&lot.file, &["parent", &i.to_string(), "lot"]),
                lot.id,
                lot.id
            ))
        })
        .collect()
}
