//! Numbers and days that are far from what is usual: probably a point in the wrong place, another unit, or another year.

use super::ids;
use super::lot_warnings::LONGEST_MAKING_DAYS;
use super::lots::Lot;
use super::parameters::Parameter;
use super::time::Day;
use super::units;

/// Ten times off is a point in the wrong place.
const TIMES: f64 = 10.0;
/// A temperature has no zero of its own: so many widths of the usual range beside it are far, for degrees of the other
/// scale lie hardly further off (90 °F, 32 °C, where 88 to 127 °C are usual).
const WIDTHS: f64 = 1.0;
/// Degrees that a range of temperatures is at least taken to be wide.
const NARROWEST: f64 = 10.0;
/// So many values of the book say what is usual in it.
const ENOUGH: usize = 3;

/// Where neither the book's parameters nor its lots say what is usual: wide bounds in the unit that stands there
/// (common practice, no source).
const ANYWHERE: [(&str, &str, [f64; 2]); 6] = [
    ("pluck.mass", "kg", [0.1, 1000.0]),
    ("wither.temperature", "°C", [10.0, 40.0]),
    ("store.temperature", "°C", [-20.0, 40.0]),
    ("reserve.kept", "g", [5.0, 5000.0]),
    ("reserve.drawn", "g", [1.0, 1000.0]),
    ("wither.area", "m²", [0.1, 1000.0]),
];
/// The same for the kilograms of a lot.
const KILOGRAMS: [f64; 2] = [0.05, 1000.0];

/// By what a number is far.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The usual range of the parameter.
    Usual,
    /// What so many values of the book's lots were.
    Book(usize),
    /// Bounds that hold for any making of tea.
    Anywhere,
}

/// A range from which a number is far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Far {
    /// Its low end, in the parameter's own unit.
    pub low: f64,
    /// Its high end.
    pub high: f64,
    /// What says so.
    pub by: By,
}

impl Far {
    /// The range, if a number is far from it.
    fn from(value: f64, [low, high]: [f64; 2], by: By, is_temperature: bool) -> Option<Self> {
        let far = if is_temperature {
            let beside = WIDTHS * (high - low).max(NARROWEST);
            value < low - beside || value > high + beside
        } else {
            (high > 0.0 && value > TIMES * high) || (low > 0.0 && value < low / TIMES)
        };
        far.then_some(Self { low, high, by })
    }
}

/// The range of numbers, if they are enough to say what is usual.
fn range(values: impl Iterator<Item = f64>) -> Option<([f64; 2], By)> {
    let (mut n, mut low, mut high) = (0, f64::INFINITY, f64::NEG_INFINITY);
    for x in values {
        (n, low, high) = (n + 1, low.min(x), high.max(x));
    }
    (n >= ENOUGH).then_some(([low, high], By::Book(n)))
}

/// From what a value of a parameter, in its own unit, is far; none if it is not. What counts is the usual range, else
/// what the lots of the book had, else bounds that are as wide as any making of tea.
#[must_use]
pub fn far(p: &Parameter, value: f64, lots: &[Lot]) -> Option<Far> {
    let is_temperature = p.unit.as_deref().is_some_and(|u| units::convert(1.0, u, "°C").is_some());
    let had = || {
        let values = lots.iter().flat_map(|l| &l.values);
        range(values.filter(|v| ids::same(&v.parameter, &p.id)).filter_map(|v| v.value.number()))
    };
    let anywhere = || {
        let (_, unit, ends) = ANYWHERE.iter().find(|(id, ..)| ids::same(id, &p.id))?;
        let end = |x: f64| units::convert(x, unit, p.unit.as_deref()?);
        Some(([end(ends[0])?, end(ends[1])?], By::Anywhere))
    };
    let usual = p.usual.map(|usual| (usual, By::Usual));
    let (ends, by) = usual.or_else(had).or_else(anywhere)?;
    Far::from(value, ends, by, is_temperature)
}

/// The same for the kilograms of a lot.
#[must_use]
pub fn far_kilograms(kg: f64, lots: &[Lot]) -> Option<Far> {
    let (ends, by) =
        range(lots.iter().filter_map(|l| l.file.value.kg)).unwrap_or((KILOGRAMS, By::Anywhere));
    Far::from(kg, ends, by, false)
}

/// Why a day is odd.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OddDay {
    /// It is more than a year ahead.
    Ahead,
    /// It lies before anybody who writes could remember it.
    LongAgo,
    /// A step of the making that comes after the lot was made.
    AfterMade(Day),
    /// A step of the making long before the lot was made.
    LongBeforeMade(Day),
}

/// So many days ahead are odd.
const AHEAD_DAYS: i64 = 366;
/// Before this year nothing is recorded that is tasted now.
const FIRST_YEAR: i16 = 1900;

/// Why a day is odd that is written down on a day; none if it is not.
#[must_use]
pub fn odd_day(day: Day, today: Day) -> Option<OddDay> {
    if day > today.later(AHEAD_DAYS) {
        Some(OddDay::Ahead)
    } else if day.0.year() < FIRST_YEAR {
        Some(OddDay::LongAgo)
    } else {
        None
    }
}

/// Why the day of a step is odd in a lot that was first picked and then made on these days; a moment of its storage is
/// no step of its making. Drying may go on past midnight.
#[must_use]
pub fn odd_step(parameter: &str, day: Day, (first, made): (Day, Day)) -> Option<OddDay> {
    let past_midnight = i64::from(parameter.starts_with("dry."));
    if parameter.starts_with("store.") {
        None
    } else if day > made.later(past_midnight) {
        Some(OddDay::AfterMade(made))
    } else if day < first.min(made).later(-LONGEST_MAKING_DAYS) {
        Some(OddDay::LongBeforeMade(made))
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_far(value: f64, ends: [f64; 2], is_temperature: bool) -> bool {
        Far::from(value, ends, By::Usual, is_temperature).is_some()
    }

    #[test]
    fn ten_times_off_is_far_and_degrees_go_by_the_width_of_their_range() {
        assert!(is_far(181.0, [6.0, 18.0], false) && !is_far(180.0, [6.0, 18.0], false));
        assert!(is_far(0.59, [6.0, 18.0], false) && !is_far(0.6, [6.0, 18.0], false));
        // No low end of which a tenth could be meant.
        assert!(!is_far(0.0, [0.0, 5.0], false));
        // A width of 39 degrees beside 88 to 127; among what is far are 90 °F.
        assert!(is_far(167.0, [88.0, 127.0], true) && !is_far(166.0, [88.0, 127.0], true));
        assert!(is_far(48.0, [88.0, 127.0], true) && !is_far(49.0, [88.0, 127.0], true));
        assert!(is_far((90.0 - 32.0) / 1.8, [88.0, 127.0], true));
        // A narrow range is taken to be ten degrees wide.
        assert!(!is_far(36.0, [24.0, 26.0], true) && is_far(37.0, [24.0, 26.0], true));
    }

    #[test]
    fn a_day_is_odd_a_year_ahead_before_1900_or_apart_from_the_making() {
        let day = |text: &str| text.parse::<Day>().unwrap();
        let today = day("2026-05-14");
        for (text, odd) in [
            ("2099-01-01", Some(OddDay::Ahead)),
            ("2027-05-16", Some(OddDay::Ahead)),
            ("2027-05-15", None),
            ("1900-01-01", None),
            ("1899-12-31", Some(OddDay::LongAgo)),
            ("0001-01-01", Some(OddDay::LongAgo)),
        ] {
            assert_eq!(odd_day(day(text), today), odd, "{text}");
        }
        for (text, odd) in [
            ("2026-05-15", Some(OddDay::AfterMade(today))),
            ("2026-05-14", None),
            ("2026-05-02", None),
            ("2026-05-01", Some(OddDay::LongBeforeMade(today))),
        ] {
            let days = (day("2026-05-12"), today);
            assert_eq!(odd_step("wither.start", day(text), days), odd, "{text}");
            assert_eq!(odd_step("store.packed", day(text), days), None, "{text}");
        }
        assert_eq!(odd_step("dry.start", day("2026-05-15"), (today, today)), None);
    }

    #[test]
    fn three_values_say_what_is_usual() {
        assert_eq!(range([60.0, 58.0].into_iter()), None);
        let three = range([60.0, 58.0, 61.5].into_iter());
        assert_eq!(three, Some(([58.0, 61.5], By::Book(3))));
    }
}
