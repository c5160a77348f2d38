//! Where a sample was kept, how long, and what the air was there.

use super::air::{Air, Series};
use super::book_file::{Limits, StorePlace};
use super::family::{Stretch, history};
use super::ids;
use super::lots::{Lot, LotValue, MAIN};
use super::parameters::{PACK, PLACE, STORE_HUMIDITY, STORE_TEMPERATURE};
use super::readings::Readings;
use super::stores::{Loggers, same_place, store_of};
use super::time::{Day, Moment};
use super::units;

/// A stretch of time in which a sample was kept at one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Stay {
    /// From when.
    pub from: Moment,
    /// Until when.
    pub to: Moment,
    /// Whether it is still there.
    pub goes_on: bool,
    /// Where; none: it was not said.
    pub place: Option<String>,
    /// What it was packed in last.
    pub pack: Option<String>,
    /// The temperature, by who measured it.
    pub temperature: Vec<Measured>,
    /// The relative humidity.
    pub humidity: Vec<Measured>,
}

/// What is known of one quantity over a stay.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Whence.
    pub by: By,
    /// Logger files of the place that count where the lot's own have no readings.
    pub filled: Vec<String>,
    /// The figures.
    pub air: Air,
    /// How much of it was above what.
    pub above: Vec<Above>,
}

/// Who measured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum By {
    /// Values of the lot's log, days apart: the mean is straight between them.
    Log,
    /// Logger files, relative to the book.
    Loggers(Vec<String>),
}

/// Time above a limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Above {
    /// The limit.
    pub limit: Limit,
    /// Hours above it; none for values of the log, which lie too far apart.
    pub hours: Option<f64>,
    /// How many readings were above it.
    pub n: usize,
}

/// A limit of humidity or temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Percent, or °C.
    pub value: f64,
    /// Whose it is.
    pub whose: &'static str,
}

const REPORTED: &str = "GB/T 30375-2013 as reported in news";
const TEXTBOOK: &str = "a textbook on pu-erh, of the year's mean";
const TEXTBOOK_C: &str = "a textbook on pu-erh";

/// What is said of each class: humidity in percent, °C, whose. The standard itself was not seen, and
/// the two sources differ for dark tea; both are given.
const OF_CLASSES: [(&str, Option<f64>, Option<f64>, &str); 7] = [
    ("green", Some(50.0), Some(10.0), REPORTED),
    ("black", Some(50.0), None, REPORTED),
    ("white", Some(50.0), None, REPORTED),
    ("oolong", Some(50.0), None, REPORTED),
    ("dark", Some(60.0), None, REPORTED),
    ("dark", Some(75.0), None, TEXTBOOK),
    ("dark", None, Some(30.0), TEXTBOOK_C),
];

/// The limits of humidity, then those of temperature, of a class at a place: that of the place, else
/// of the book; those of the class that differ from it behind it.
#[must_use]
pub fn limits_of(class: &str, store: Option<&StorePlace>, limits: &Limits) -> [Vec<Limit>; 2] {
    let own = |of_place: Option<f64>, of_book: f64| match of_place {
        Some(value) => Limit { value, whose: "of this place" },
        None => Limit { value: of_book, whose: "of the book" },
    };
    let mut humidity = vec![own(store.and_then(|s| s.humidity_pct), limits.store_humidity_pct)];
    let mut temperature =
        vec![own(store.and_then(|s| s.temperature_c), limits.store_temperature_c)];
    for (of, percent, celsius, whose) in OF_CLASSES {
        if !of.eq_ignore_ascii_case(class.trim()) {
            continue;
        }
        for (limits, value) in [(&mut humidity, percent), (&mut temperature, celsius)] {
            if let Some(value) = value.filter(|v| *v != limits[0].value) {
                limits.push(Limit { value, whose });
            }
        }
    }
    [humidity, temperature]
}

/// The values of storage that are about a sample, those of what it was before among them, in the
/// order of time.
fn values_of<'a>(lot: &'a Lot, arm: &str, lots: &'a [Lot]) -> Vec<&'a LotValue> {
    let mut all: Vec<&LotValue> = Vec::new();
    for s in history(lot, arm, lots) {
        let Some(found) = [lot].into_iter().chain(lots).find(|l| l.id == s.lot) else { continue };
        for v in found.values.iter().filter(|v| v.parameter.starts_with("store.")) {
            let about = v.arm.as_ref().is_none_or(|a| ids::same(a, &s.arm));
            let known = all.iter().any(|k| std::ptr::eq(*k, v));
            if about && !known && s.until.is_none_or(|until| v.at.day() < until) {
                all.push(v);
            }
        }
    }
    all.sort_by_key(|v| v.at.timestamp());
    all
}

/// The moments at which a sample became what it is: the split of the lot into arms, the parting from
/// another lot. What is logged of it on that day may begin earlier than noon.
fn partings(lot: &Lot, arm: &str, lots: &[Lot], clock: Moment) -> Vec<Moment> {
    let stretches = history(lot, arm, lots);
    let begins = |w: &[Stretch]| {
        let (new, day) = (&w[0], w[1].until?);
        let found = [lot].into_iter().chain(lots).find(|l| l.id == new.lot)?;
        let own = |v: &&LotValue| {
            let of_arm = v.arm.as_ref().is_some_and(|a| ids::same(a, &new.arm));
            v.parameter.starts_with("store.")
                && v.at.day() == day
                && (of_arm || new.lot != w[1].lot)
        };
        let first = found.values.iter().find(own).map(|v| v.at);
        Some(first.unwrap_or_else(|| Moment::at(midnight(day, clock), clock.offset())))
    };
    stretches.windows(2).filter_map(begins).collect()
}

/// Where a sample was kept from its making to a moment, without what the air was: a new stay begins
/// with another place, and where the sample was parted from other tea.
#[must_use]
pub fn places(lot: &Lot, arm: &str, lots: &[Lot], now: Moment) -> Vec<Stay> {
    let values = values_of(lot, arm, lots);
    let clock = values.first().map_or(now, |v| v.at);
    let made = lot.made().later(1).noon(clock).later(-12 * 3600);
    let before_now = |v: &&&LotValue| v.at < now;
    let start = values.first().map(|v| v.at).filter(|at| *at < made).unwrap_or(made);
    let mut stays: Vec<Stay> = Vec::new();
    let stay = |stays: &mut Vec<Stay>, from: Moment, place: Option<String>| {
        stays.push(Stay {
            from,
            to: now,
            goes_on: false,
            place,
            pack: None,
            temperature: Vec::new(),
            humidity: Vec::new(),
        });
    };
    stay(&mut stays, start, None);
    let mut partings = partings(lot, arm, lots, clock);
    partings.sort_by_key(|m| m.timestamp());
    partings.retain(|m| *m < now);
    let mut partings = partings.into_iter().peekable();
    // The same place, and the same pack, until something else is said.
    let begin_anew = |stays: &mut Vec<Stay>, at: Moment| {
        let Some(last) = stays.last_mut().filter(|last| last.from < at) else { return };
        last.to = at;
        let (place, pack) = (last.place.clone(), last.pack.clone());
        stay(stays, at, place);
        if let Some(new) = stays.last_mut() {
            new.pack = pack;
        }
    };
    for v in values.iter().filter(before_now) {
        while let Some(at) = partings.next_if(|at| *at <= v.at) {
            begin_anew(&mut stays, at);
        }
        let Some(last) = stays.last_mut() else { continue };
        let text = v.value.to_string();
        if ids::same(&v.parameter, PLACE) {
            if last.place.as_deref().is_some_and(|p| same_place(p, &text)) {
                continue;
            }
            begin_anew(&mut stays, v.at);
            if let Some(last) = stays.last_mut() {
                last.place = Some(text);
            }
        } else if ids::same(&v.parameter, PACK) {
            last.pack = Some(text);
        }
    }
    for at in partings {
        begin_anew(&mut stays, at);
    }
    stays.retain(|s| s.from < s.to);
    if let Some(last) = stays.last_mut() {
        last.goes_on = true;
    }
    stays
}

/// Where a sample was kept from its making to a moment, and what the air was there: by the values of
/// its log, and by logger files. Those in the lot's own folder go before those of the place, which
/// count where the lot's own have no readings.
#[must_use]
pub fn stays(
    lot: &Lot,
    arm: &str,
    lots: &[Lot],
    loggers: &mut Loggers<'_>,
    now: Moment,
) -> Vec<Stay> {
    let values = values_of(lot, arm, lots);
    let mut stays = places(lot, arm, lots, now);
    for stay in &mut stays {
        let file = loggers.file;
        let store = stay.place.as_deref().and_then(|p| store_of(p, &file.stores));
        let [of_humidity, of_temperature] = limits_of(&lot.file.value.class, store, &file.limits);
        let files = files_of(lot, arm, lots, stay, loggers);
        for (parameter, unit, limits, humid, into) in [
            (STORE_TEMPERATURE, "°C", &of_temperature, false, &mut stay.temperature),
            (STORE_HUMIDITY, "%", &of_humidity, true, &mut stay.humidity),
        ] {
            let window = [stay.from, stay.to].map(|m| m.timestamp().as_second());
            let logged = logged(&values, parameter, unit, window, stay.goes_on);
            into.extend(measured((By::Log, Vec::new()), &logged, window, None, limits));
            let (points, longest, by) = read_by(&files, humid, window);
            into.extend(measured(by, &points, window, Some(longest), limits));
        }
    }
    stays
}

/// Values of the log within a stay, each second once.
fn logged(
    values: &[&LotValue],
    parameter: &str,
    unit: &str,
    [from, to]: [i64; 2],
    goes_on: bool,
) -> Vec<(i64, f64)> {
    let mut points: Vec<(i64, f64)> = Vec::new();
    for v in values.iter().filter(|v| ids::same(&v.parameter, parameter)) {
        let at = v.at.timestamp().as_second();
        // What is logged when it is moved is about the place to which it comes.
        if at < from || at > to || (at == to && !goes_on) {
            continue;
        }
        let Some(x) =
            v.value.number().zip(v.unit.as_deref()).and_then(|(x, u)| units::convert(x, u, unit))
        else {
            continue;
        };
        match points.last_mut() {
            // Of two values at one moment the later line counts.
            Some(last) if last.0 == at => last.1 = x,
            _ => points.push((at, x)),
        }
    }
    points
}

fn measured(
    (by, filled): Whence,
    points: &[(i64, f64)],
    window: [i64; 2],
    longest: Option<i64>,
    limits: &[Limit],
) -> Option<Measured> {
    let series = Series::new(points, window, longest);
    let air = series.air()?;
    let above = limits
        .iter()
        .map(|limit| Above {
            hours: longest.map(|_| series.hours_above(limit.value)),
            n: series.n_above(limit.value),
            limit: limit.clone(),
        })
        .collect();
    Some(Measured { by, filled, air, above })
}

/// Who measured, and the files of the place that count beside.
type Whence = (By, Vec<String>);

/// A logger file, and the seconds between which it counts.
type Counting<'a> = (&'a Readings, [i64; 2]);

/// The logger files that ran during a stay: the lot's own, and those of the place.
fn files_of<'a>(
    lot: &Lot,
    arm: &str,
    lots: &[Lot],
    stay: &Stay,
    loggers: &'a mut Loggers<'_>,
) -> [Vec<Counting<'a>>; 2] {
    let clock = stay.from.offset();
    let stretches = history(lot, arm, lots);
    let mut folders: Vec<(String, [i64; 2])> = Vec::new();
    for (i, s) in stretches.iter().enumerate() {
        let folder = format!("lots/{}/readings", s.lot);
        let folder = if ids::same(&s.arm, MAIN) { folder } else { format!("{folder}/{}", s.arm) };
        loggers.read(&folder, clock);
        // Until when the tea was the sample before this one.
        let since = stretches.get(i + 1).and_then(|older| older.until);
        let since = since.map_or(i64::MIN, |day| midnight(day, stay.from));
        folders.push((folder, [since, s.until.map_or(i64::MAX, |d| midnight(d, stay.from))]));
    }
    let of_place = stay.place.as_deref().and_then(|place| loggers.folder_of_place(place));
    if let Some(folder) = &of_place {
        loggers.read(folder, clock);
    }
    let loggers: &'a Loggers<'_> = loggers;
    let [from, to] = [stay.from, stay.to].map(|m| m.timestamp().as_second());
    let ran = |(r, [since, until]): &Counting<'_>| {
        let first = r.seconds.partition_point(|s| *s < from.max(*since));
        r.seconds.get(first).is_some_and(|s| *s < to.min(*until) || (stay.goes_on && *s == to))
    };
    let own = folders
        .iter()
        .flat_map(|(folder, counts)| loggers.known(folder).iter().map(|r| (r, *counts)));
    let of_place = of_place.iter().flat_map(|folder| loggers.known(folder));
    let of_place = of_place.map(|r| (r, [i64::MIN, i64::MAX])).filter(ran).collect();
    [own.filter(ran).collect(), of_place]
}

/// The second at which a day begins, by the clock of a moment.
fn midnight(day: Day, clock: Moment) -> i64 {
    day.noon(clock).timestamp().as_second() - 12 * 3600
}

/// The readings of one quantity around a window: those of the lot's own files, and where these know
/// nothing those of the place; the longest gap that is bridged, in seconds; and the files of both.
fn read_by(
    [own, of_place]: &[Vec<Counting<'_>>; 2],
    humid: bool,
    window: [i64; 2],
) -> (Vec<(i64, f64)>, i64, Whence) {
    let (mut points, own_gap, own_names) = together(own, humid, window);
    let (others, gap, names) = together(of_place, humid, window);
    if points.is_empty() {
        return (others, gap, (By::Loggers(names), Vec::new()));
    }
    let known = |second: i64| {
        let next = points.partition_point(|(s, _)| *s < second);
        match (next.checked_sub(1).map(|b| points[b].0), points.get(next)) {
            (_, Some((s, _))) if *s == second => true,
            (Some(before), Some((after, _))) => after - before <= own_gap,
            _ => false,
        }
    };
    let fill: Vec<(i64, f64)> = others.into_iter().filter(|(s, _)| !known(*s)).collect();
    let within = |(s, _): &(i64, f64)| (window[0]..=window[1]).contains(s);
    if !fill.iter().any(within) {
        return (points, own_gap, (By::Loggers(own_names), Vec::new()));
    }
    points.extend(fill);
    points.sort_by_key(|(s, _)| *s);
    (points, own_gap.max(gap), (By::Loggers(own_names), names))
}

/// The readings of one quantity, of all files together, around a window; the longest gap that is
/// bridged, in seconds; and the files that say something.
fn together(
    files: &[Counting<'_>],
    humid: bool,
    [from, to]: [i64; 2],
) -> (Vec<(i64, f64)>, i64, Vec<String>) {
    let mut points: Vec<(i64, f64)> = Vec::new();
    let (mut longest, mut names) = (0.0_f64, Vec::new());
    for (r, [since, until]) in files {
        let values = if humid { &r.humidity_pct } else { &r.celsius };
        // One reading on either side lends the values at the ends.
        let first = r.seconds.partition_point(|s| *s < from).saturating_sub(1);
        let last = (r.seconds.partition_point(|s| *s <= to) + 1).min(r.seconds.len());
        let first = first.max(r.seconds.partition_point(|s| s < since));
        let last = last.min(r.seconds.partition_point(|s| s < until));
        let before = points.len();
        points.extend((first..last.max(first)).filter_map(|i| Some((r.seconds[i], values[i]?))));
        if points.len() > before {
            longest = longest.max(r.longest_gap_minutes);
            names.push(r.file.clone());
        }
    }
    if names.len() > 1 {
        points.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        // Two loggers at the same second: their mean, so that neither goes before the other.
        let mut merged: Vec<(i64, f64)> = Vec::with_capacity(points.len());
        for same in points.chunk_by(|a, b| a.0 == b.0) {
            merged.push((same[0].0, same.iter().map(|p| p.1).sum::<f64>() / same.len() as f64));
        }
        points = merged;
    }
    (points, (longest * 60.0).round() as i64, names)
}
