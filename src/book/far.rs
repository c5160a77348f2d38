//! Numbers that are far from what is usual: probably a point in the wrong place, or another unit.

use super::ids;
use super::lots::Lot;
use super::parameters::Parameter;
use super::units;

/// Ten times off is a point in the wrong place.
const TIMES: f64 = 10.0;
/// A temperature has no zero of its own: so many widths of the usual range beside it are far.
const WIDTHS: f64 = 3.0;
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
        // Three widths of 39 degrees beside 88 to 127.
        assert!(is_far(245.0, [88.0, 127.0], true) && !is_far(244.0, [88.0, 127.0], true));
        assert!(is_far(-30.0, [88.0, 127.0], true) && !is_far(-29.0, [88.0, 127.0], true));
        // A narrow range is taken to be ten degrees wide.
        assert!(!is_far(56.0, [24.0, 26.0], true) && is_far(57.0, [24.0, 26.0], true));
    }

    #[test]
    fn three_values_say_what_is_usual() {
        assert_eq!(range([60.0, 58.0].into_iter()), None);
        let three = range([60.0, 58.0, 61.5].into_iter());
        assert_eq!(three, Some(([58.0, 61.5], By::Book(3))));
    }
}
