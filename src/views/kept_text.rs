//! How a lot was kept, as the terminal shows it.

use std::fmt::Write as _;

use super::lot_text::{shown, table, with_unit};
use crate::book::air::Air;
use crate::book::fitness::Fitness;
use crate::book::ids;
use crate::book::lots::{Lot, LotValue, MAIN};
use crate::book::moves::Kept;
use crate::book::parameters::{STORE_HUMIDITY, STORE_TEMPERATURE};
use crate::book::stays::{Above, By, Measured, Stay};
use crate::book::time::Moment;
use crate::book::units::four_digits;

/// How an arm was kept.
pub struct ArmKept {
    /// The arm.
    pub arm: String,
    /// Where, and in what air.
    pub stays: Vec<Stay>,
    /// Whether it is fit to be served.
    pub fitness: Fitness,
}

/// So many readings by hand are listed each; of more the latest alone.
const LISTED: usize = 3;

/// Whether a value is one of many readings of a store's air, and not the latest of them.
pub(super) fn is_one_of_many(v: &LotValue, lot: &Lot) -> bool {
    if ![STORE_TEMPERATURE, STORE_HUMIDITY].iter().any(|p| ids::same(p, &v.parameter)) {
        return false;
    }
    let like: Vec<&LotValue> = lot
        .values
        .iter()
        .filter(|w| ids::same(&w.parameter, &v.parameter) && w.arm == v.arm)
        .collect();
    like.len() > LISTED && like.last().is_some_and(|last| last.entry != v.entry)
}

/// The moves and the readings by hand, in the order of time.
pub(super) fn storage(lot: &Lot, kept: &[Kept], arm: Option<&str>) -> String {
    let asked = |k: &&Kept| match (arm, &k.arm) {
        (Some(arm), Some(of)) => ids::same(arm, of) || k.lot != lot.id,
        _ => true,
    };
    let many = |k: &Kept, parameter: &str| {
        k.lot == lot.id
            && lot
                .values
                .iter()
                .filter(|v| v.at == k.at && ids::same(&v.parameter, parameter))
                .filter(|v| v.arm.clone().filter(|a| !ids::same(a, MAIN)) == k.arm)
                .all(|v| is_one_of_many(v, lot))
    };
    let rows: Vec<Vec<String>> = kept
        .iter()
        .filter(asked)
        .filter_map(|k| {
            let of = match &k.arm {
                Some(arm) if k.lot == lot.id => arm.clone(),
                Some(arm) => format!("{}@{arm}", k.lot),
                None if k.lot == lot.id => "whole lot".to_owned(),
                None => k.lot.clone(),
            };
            let values: Vec<String> = k
                .values
                .iter()
                .filter(|(parameter, ..)| !many(k, parameter))
                .map(|(parameter, value, unit)| {
                    let name = parameter.split_once('.').map_or(parameter.as_str(), |(_, n)| n);
                    format!("{name}: {}", with_unit(&shown(value), unit.as_deref()))
                })
                .collect();
            (!values.is_empty()).then(|| vec![k.at.to_string(), of, values.join(", ")])
        })
        .collect();
    if rows.is_empty() { String::new() } else { format!("\nstorage\n{}", table(&rows)) }
}

/// Where each arm was, and in what air.
pub(super) fn kept(lot: &Lot, arms: &[ArmKept]) -> String {
    let mut text = String::new();
    for arm in arms {
        let mut of_arm = String::new();
        for stay in &arm.stays {
            of_arm.push_str(&self::stay(stay));
        }
        if !of_arm.is_empty() {
            let name = if ids::same(&arm.arm, MAIN) {
                lot.id.clone()
            } else {
                format!("{}@{}", lot.id, arm.arm)
            };
            let _ = write!(text, "\nkept: {name}\n{of_arm}");
        }
    }
    text
}

/// A stay; nothing where nothing was said of it.
fn stay(stay: &Stay) -> String {
    let measured = [(&stay.humidity, "humidity", "%"), (&stay.temperature, "temperature", "°C")];
    if stay.place.is_none() && measured.iter().all(|(all, ..)| all.is_empty()) {
        return String::new();
    }
    let until = if stay.goes_on { "now".to_owned() } else { stay.to.day().to_string() };
    let days = stay.to.hours_since(stay.from) / 24.0;
    let pack = stay.pack.as_ref().map_or_else(String::new, |p| format!(", in {p}"));
    let mut text = format!(
        "  {} to {until} ({} {}): {}{pack}\n",
        stay.from.day(),
        whole(days),
        if whole(days) == "1" { "day" } else { "days" },
        stay.place.as_deref().unwrap_or("place not said"),
    );
    for (all, name, unit) in measured {
        for m in all {
            let _ = writeln!(text, "    {name} {}", figures(m, unit, stay));
        }
    }
    text
}

fn whole(x: f64) -> String {
    format!("{x:.0}")
}

/// One quantity of one stay by one source.
fn figures(m: &Measured, unit: &str, stay: &Stay) -> String {
    let air = &m.air;
    let [low, high] = air.range.map(|x| format!("{x:.1}"));
    let clock = stay.from.offset();
    let [first, last] = air.between.map(|s| Moment::at(s, clock));
    match &m.by {
        By::Log if air.n == 1 => {
            let above: Vec<String> =
                m.above.iter().filter(|a| a.n > 0).map(|a| limit(a, unit)).collect();
            let above = if above.is_empty() {
                String::new()
            } else {
                format!(": above {}", above.join(", "))
            };
            format!("{} {unit}, one value logged on {}{above}", four_digits(air.mean), first.day())
        }
        By::Log => {
            let above: Vec<String> =
                m.above.iter().map(|a| format!("{} above {}", a.n, limit(a, unit))).collect();
            format!(
                "{:.1} {unit} on average over time ({low} to {high}), {} values logged from {} to {}; {}",
                air.mean,
                air.n,
                first.day(),
                last.day(),
                above.join(", ")
            )
        }
        By::Loggers(files) => {
            let mut above: Vec<String> = m
                .above
                .iter()
                .map(|a| format!("{} h above {}", hours(a.hours.unwrap_or(0.0)), limit(a, unit)))
                .collect();
            if air.hours <= 0.0 {
                above = vec![
                    "no hours are told: its readings lie further apart than is bridged \
                     (longest_gap_minutes under [readings] in book.toml)"
                        .to_owned(),
                ];
            }
            let gap = air.longest_gap.map_or_else(String::new, |[from, to]| {
                format!(
                    "; nothing known in {} {}, the longest {} h from {}",
                    air.gaps,
                    if air.gaps == 1 { "gap" } else { "gaps" },
                    hours((to - from) as f64 / 3600.0),
                    Moment::at(from, clock)
                )
            });
            let mut files = named(files);
            if !m.filled.is_empty() {
                files = format!("{files}; where it has no readings, {}", named(&m.filled));
            }
            format!(
                "{:.1} {unit} on average over time ({low} to {high}), {} readings, {} % of the \
                 time{gap}\n      {}\n      {files}",
                air.mean,
                air.n,
                share(air),
                above.join("; "),
            )
        }
    }
}

/// The share of the time that is known, in percent: never said to be whole where a gap is, nor nothing
/// where something is known.
fn share(air: &Air) -> String {
    let percent = 100.0 * air.known;
    if percent > 0.0 && percent < 1.0 {
        "under 1".to_owned()
    } else if air.gaps > 0 {
        whole(percent.min(99.0).floor())
    } else {
        whole(percent)
    }
}

fn named(files: &[String]) -> String {
    match files {
        [one] => one.clone(),
        [first, .., last] => format!("{first} to {last} ({} files)", files.len()),
        [] => String::new(),
    }
}

fn hours(h: f64) -> String {
    if h >= 100.0 { format!("{h:.0}") } else { format!("{h:.1}") }
}

fn limit(above: &Above, unit: &str) -> String {
    format!("{} {unit} ({})", four_digits(above.limit.value), above.limit.whose)
}
