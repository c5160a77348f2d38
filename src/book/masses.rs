//! Masses of a batch from step to step: leaf gives water off, so that it grows lighter.

use super::ids;
use super::lots::Lot;
use super::units;

/// The masses of a batch in the order in which they are weighed.
const IN_ORDER: [&str; 5] =
    ["pluck.mass", "wither.mass-in", "wither.mass-out", "dry.mass-in", "dry.mass-out"];

/// Scales differ, and leaf takes dew: so much more than before, as a share, is no slip (common practice, no source).
const MORE: f64 = 0.05;

/// Made tea is a fifth to a quarter of its fresh leaf (common practice): less than a tenth of the step before is
/// probably a point in the wrong place.
const LESS: f64 = 0.1;

/// Two masses of a batch that hardly go together.
#[derive(Debug, Clone, PartialEq)]
pub struct Odd {
    /// The earlier one: parameter and kilograms.
    pub before: (&'static str, f64),
    /// The later one.
    pub after: (&'static str, f64),
    /// Whether the later one is more; else it is less than a tenth.
    pub more: bool,
}

impl Odd {
    fn of(before: (&'static str, f64), after: (&'static str, f64)) -> Option<Self> {
        let step = |id: &'static str| id.split_once('.').map_or(id, |(step, _)| step);
        // That more comes out of a step than went in is refused by the record itself.
        let more = after.1 > before.1 * (1.0 + MORE) && step(before.0) != step(after.0);
        (more || after.1 < before.1 * LESS).then_some(Self { before, after, more })
    }

    /// Whether a parameter is one of the two.
    #[must_use]
    pub fn is_about(&self, parameter: &str) -> bool {
        [self.before.0, self.after.0].iter().any(|id| ids::same(id, parameter))
    }
}

/// Neighbours in the order of weighing that hardly go together, some of them as they are about to be logged.
///
/// `lot`: whose log says the others; none for one that is new. `instead`: parameters and their kilograms in place of
/// what the log says of them.
#[must_use]
pub fn odd(lot: Option<&Lot>, instead: &[(&str, f64)]) -> Vec<Odd> {
    weighed(lot, instead).windows(2).filter_map(|pair| Odd::of(pair[0], pair[1])).collect()
}

/// The masses that [`odd`] looks at, in the order of weighing: parameters and kilograms.
#[must_use]
pub fn weighed(lot: Option<&Lot>, instead: &[(&str, f64)]) -> Vec<(&'static str, f64)> {
    IN_ORDER
        .iter()
        .filter_map(|id| {
            let new = instead.iter().find(|(of, _)| ids::same(of, id)).map(|(_, kg)| *kg);
            let logged = || lot.and_then(|l| l.number(id, "kg")).map(|(kg, _)| kg);
            Some((*id, new.or_else(logged)?))
        })
        .filter(|(_, kg)| *kg > 0.0)
        .collect()
}

/// The kilograms of a mass of a batch as they are typed; none if the parameter is none of these.
#[must_use]
pub fn kilograms_of(parameter: &str, text: &str, own_unit: Option<&str>) -> Option<f64> {
    if !IN_ORDER.iter().any(|id| ids::same(id, parameter)) {
        return None;
    }
    let (number, unit) = units::number_and_unit(text)?;
    units::convert(number, unit.or(own_unit)?, "kg")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leaf_that_grows_heavier_or_loses_nine_tenths_is_odd() {
        let of = |a, b| Odd::of(("pluck.mass", a), ("wither.mass-in", b));
        assert_eq!(Odd::of(("wither.mass-in", 59.5), ("wither.mass-out", 395.0)), None, "refused");
        assert_eq!(of(100.0, 65.0), None);
        // Another scale.
        assert_eq!(of(100.0, 104.0), None);
        assert!(of(100.0, 106.0).unwrap().more);
        assert!(!of(100.0, 9.5).unwrap().more);
        assert_eq!(of(100.0, 22.0), None);
        assert!(of(100.0, 9.5).unwrap().is_about("Wither.Mass-In"));
    }

    #[test]
    fn a_mass_is_read_in_its_unit() {
        assert_eq!(kilograms_of("pluck.mass", "12", Some("kg")), Some(12.0));
        assert_eq!(kilograms_of("pluck.mass", "900 g", Some("kg")), Some(0.9));
        assert_eq!(kilograms_of("wither.hours", "12", Some("h")), None);
    }
}
