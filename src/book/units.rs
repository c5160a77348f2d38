//! Units: what converts into what.

/// A unit: `base = value * factor + offset` within its kind.
struct Unit {
    kind: Kind,
    /// The first name is the one that is shown.
    names: &'static [&'static str],
    factor: f64,
    offset: f64,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Time,
    Mass,
    Temperature,
    Share,
    Length,
    Volume,
    Area,
}

const fn unit(kind: Kind, names: &'static [&'static str], factor: f64) -> Unit {
    Unit { kind, names, factor, offset: 0.0 }
}

const UNITS: &[Unit] = &[
    unit(Kind::Time, &["s"], 1.0),
    unit(Kind::Time, &["min"], 60.0),
    unit(Kind::Time, &["h"], 3600.0),
    unit(Kind::Time, &["d"], 86400.0),
    unit(Kind::Mass, &["g"], 1.0),
    unit(Kind::Mass, &["kg"], 1000.0),
    unit(Kind::Mass, &["mg"], 0.001),
    unit(Kind::Mass, &["t"], 1_000_000.0),
    unit(Kind::Temperature, &["°C", "C", "℃"], 1.0),
    Unit {
        kind: Kind::Temperature,
        names: &["°F", "F", "℉"],
        factor: 5.0 / 9.0,
        offset: -160.0 / 9.0,
    },
    unit(Kind::Share, &["%"], 1.0),
    unit(Kind::Share, &["‰"], 0.1),
    unit(Kind::Length, &["mm"], 1.0),
    unit(Kind::Length, &["cm"], 10.0),
    unit(Kind::Length, &["m"], 1000.0),
    unit(Kind::Volume, &["ml"], 1.0),
    unit(Kind::Volume, &["l", "L"], 1000.0),
    unit(Kind::Area, &["m²", "m2"], 1.0),
    unit(Kind::Area, &["cm²", "cm2"], 1e-4),
];

fn find(name: &str) -> Option<&'static Unit> {
    UNITS.iter().find(|u| u.names.contains(&name))
}

/// Whether this program knows a unit, so that it can convert it into others.
#[must_use]
pub fn is_known(name: &str) -> bool {
    find(name).is_some()
}

/// A value of one unit in another; `None` if the one does not convert into the other. A unit
/// that this program does not know converts into itself alone.
#[must_use]
pub fn convert(value: f64, from: &str, to: &str) -> Option<f64> {
    if from == to {
        return Some(value);
    }
    let (from, to) = (find(from)?, find(to)?);
    if from.kind != to.kind {
        return None;
    }
    if from.factor == to.factor && from.offset == to.offset {
        return Some(value);
    }
    let exact = (value * from.factor + from.offset - to.offset) / to.factor;
    // 90 min are 1.5 h: without what binary arithmetic adds behind the twelfth digit.
    Some(format!("{exact:.12e}").parse().unwrap_or(exact))
}

/// The units that convert into one, itself first.
#[must_use]
pub fn that_convert_into(name: &str) -> Vec<&str> {
    let mut all = vec![name];
    if let Some(unit) = find(name) {
        all.extend(
            UNITS.iter().filter(|u| u.kind == unit.kind).map(|u| u.names[0]).filter(|n| *n != name),
        );
    }
    all
}

/// Takes a number and the unit behind it apart: `90 min`, `16h`, `70%`, `22`.
#[must_use]
pub fn number_and_unit(text: &str) -> Option<(f64, Option<&str>)> {
    let text = text.trim();
    // No number that a person writes is longer.
    let end = text
        .char_indices()
        .take(40)
        .map(|(i, c)| i + c.len_utf8())
        .filter(|end| text[..*end].parse::<f64>().is_ok_and(f64::is_finite))
        .last()?;
    let number = text[..end].parse().ok()?;
    let rest = text[end..].trim();
    Some((number, Some(rest).filter(|r| !r.is_empty())))
}

/// Kilograms as somebody writes them: `2.5`, `250 g`; none if it is no mass of more than 0.
#[must_use]
pub fn kilograms(text: &str) -> Option<f64> {
    let (number, unit) = number_and_unit(text)?;
    convert(number, unit.unwrap_or("kg"), "kg").filter(|kg| kg.is_finite() && *kg > 0.0)
}

/// A number as a person reads it: at most four significant digits, whole numbers whole.
#[must_use]
pub fn four_digits(x: f64) -> String {
    if x.fract() == 0.0 && x.abs() < 1e12 {
        return format!("{x}");
    }
    // Through the text, so that no digit is added by binary arithmetic.
    let rounded: f64 = format!("{x:.3e}").parse().unwrap_or(x);
    if x.abs() >= 1e12 || (x.abs() < 1e-6 && x != 0.0) {
        format!("{rounded:e}")
    } else if x.abs() >= 1e4 {
        format!("{x:.0}")
    } else {
        format!("{rounded}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_convert_within_their_kind() {
        // By definition: 60 min an hour, 1000 g a kilogram, 32 °F at 0 °C and 212 at 100.
        assert_eq!(convert(90.0, "min", "h"), Some(1.5));
        assert_eq!(convert(0.35, "kg", "g"), Some(350.0));
        assert_eq!(convert(212.0, "°F", "°C"), Some(100.0));
        assert_eq!(convert(0.0, "C", "°F"), Some(32.0));
        assert_eq!(convert(1.0, "h", "kg"), None);
        assert_eq!(convert(3.0, "kg/m²", "kg/m²"), Some(3.0));
        assert_eq!(convert(3.0, "kg/m²", "kg"), None);
    }

    #[test]
    fn a_number_is_shown_with_four_digits_at_most() {
        for (x, shown) in [
            (11.0 / 6.0, "1.833"),
            (40.0, "40"),
            (12.0 + 1.0 / 3.0, "12.33"),
            (0.000_123_456, "0.0001235"),
            (123_456.7, "123457"),
            (123_456.0, "123456"),
            (1e300, "1e300"),
            (1e-300, "1e-300"),
            (-2.5, "-2.5"),
            (0.0, "0"),
        ] {
            assert_eq!(four_digits(x), shown);
        }
    }

    #[test]
    fn a_number_carries_its_unit() {
        assert_eq!(number_and_unit("16h"), Some((16.0, Some("h"))));
        assert_eq!(number_and_unit(" 82 °F "), Some((82.0, Some("°F"))));
        assert_eq!(number_and_unit("3.5"), Some((3.5, None)));
        assert_eq!(number_and_unit("-4°C"), Some((-4.0, Some("°C"))));
        assert_eq!(number_and_unit("heavy"), None);
        assert_eq!(number_and_unit("inf"), None);
        assert_eq!(number_and_unit(""), None);
    }
}
