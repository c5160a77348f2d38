//! Units in a plain table: in a column's header (`oxidise.hours [min]`), or in its cells (`3 h`).

use super::from_table::{LARGEST, clip, read_number};
use crate::book::{starter, units};

/// A column's name and the unit that its header says: in square brackets whatever stands there, in
/// round ones only a unit that this program knows.
pub(super) fn of_header(header: &str) -> (String, Option<String>) {
    for (open, close, any) in [('[', ']', true), ('(', ')', false), ('（', '）', false)] {
        let inside = header.strip_suffix(close).and_then(|h| h.rsplit_once(open));
        if let Some((name, unit)) = inside {
            let (name, unit) = (name.trim(), unit.trim());
            if !name.is_empty() && !unit.is_empty() && (any || units::is_known(unit)) {
                return (name.to_owned(), Some(unit.to_owned()));
            }
        }
    }
    (header.to_owned(), None)
}

/// Units that convert into nothing but themselves.
const OTHERS: [&str; 23] = [
    "K", "Pa", "hPa", "kPa", "bar", "W", "kW", "J", "kJ", "kWh", "V", "A", "Hz", "rpm", "lx",
    "ppm", "ppb", "pH", "°Bx", "m3", "cm3", "kcal", "point",
];

/// Why the unit that a header says cannot be that of a parameter: what was expected. What is no unit is
/// told, and what does not convert into the unit that every new book has for the parameter.
pub(super) fn refused(id: &str, unit: &str) -> Option<String> {
    if !is_unit(unit) {
        let known =
            ["h", "g", "°C", "mm", "l", "m²"].into_iter().flat_map(units::that_convert_into);
        let known: Vec<&str> = known.chain(OTHERS).collect();
        return Some(format!("a unit: {}, or several of them with / between", known.join(", ")));
    }
    let own = starter::unit_of(id)?;
    let known = units::that_convert_into(&own).join(", ");
    units::convert(1.0, unit, &own).is_none().then(|| format!("one of the units {known}"))
}

/// Units, and what is made of them: kg/m², m·s, m3/h, 1/min.
fn is_unit(text: &str) -> bool {
    let mut parts = text.split(['/', '·', '*', ' ']).filter(|p| !p.is_empty());
    let one = |part: &str| {
        let cubic = part.replace('³', "3");
        let plain = part.trim_end_matches(['²', '³', '2', '3']);
        let plural = cubic.strip_suffix('s').unwrap_or(&cubic);
        part == "1"
            || [part, plain].iter().any(|p| units::is_known(p))
            || [part, &cubic, plural].iter().any(|p| OTHERS.contains(p))
    };
    !text.trim().is_empty() && parts.all(one)
}

/// What the cells of a column are.
pub(super) enum Cells {
    /// Numbers, in this unit.
    Numbers(Vec<f64>, String),
    /// No numbers with units.
    Other,
    /// Cells that do not fit: their place among the filled ones, what was found, what was expected and
    /// how to mend it.
    Wrong(Vec<(usize, String, String, String)>),
}

/// The cells of a column as numbers in one unit, if its header or any of them says one.
pub(super) fn of_cells(id: &str, unit: Option<&str>, cells: &[&str], decimal: char) -> Cells {
    let read: Vec<Option<(f64, Option<&str>)>> =
        cells.iter().map(|c| number_and_unit(c, decimal)).collect();
    let own = unit.or_else(|| {
        // "3C" is as likely the name of a plot as a temperature.
        let said = |u: &&str| units::is_known(u) && !["C", "F"].contains(u);
        let all_numbers = read.iter().all(Option::is_some);
        read.iter().flatten().filter_map(|(_, u)| *u).find(said).filter(|_| all_numbers)
    });
    let Some(own) = own else { return Cells::Other };
    let mut wrong = Vec::new();
    let mut numbers = Vec::with_capacity(cells.len());
    for (at, (cell, read)) in cells.iter().zip(read).enumerate() {
        let said = format!("{id} is \"{}\"", clip(cell));
        let known = units::that_convert_into(own).join(", ");
        match read {
            None => {
                wrong.push((at, said, format!("a number in {own}"), mend_number(cell, decimal)))
            }
            Some((_, None)) if unit.is_none() => wrong.push((
                at,
                format!("{said} without a unit, while others of the column have one"),
                format!("a unit: one of {known}"),
                format!("write it behind the number, or for all in the header: {id} [{own}]"),
            )),
            Some((number, None)) => numbers.push(number),
            Some((number, Some(given))) => match units::convert(number, given, own) {
                Some(number) => numbers.push(number),
                None => wrong.push((
                    at,
                    format!("{said}: the unit \"{}\" does not fit", clip(given)),
                    format!("one of the units {known}"),
                    "give the value in one of these".to_owned(),
                )),
            },
        }
    }
    if wrong.is_empty() { Cells::Numbers(numbers, own.to_owned()) } else { Cells::Wrong(wrong) }
}

fn is_too_large(cell: &str) -> bool {
    cell.trim().parse::<f64>().is_ok_and(|x| x.is_finite() && x.abs() > LARGEST)
}

fn mend_number(cell: &str, decimal: char) -> String {
    let other = if decimal == '.' { ',' } else { '.' };
    match number_and_unit(cell, other) {
        Some(_) => format!("if {other} stands before the decimals, add --decimal {other}"),
        None if is_too_large(cell) => format!("correct the cell: numbers go up to {LARGEST:e}"),
        None => "correct the cell, or leave it empty".to_owned(),
    }
}

/// The longest number that a cell begins with, and what stands behind it.
fn number_and_unit(cell: &str, decimal: char) -> Option<(f64, Option<&str>)> {
    let cell = cell.trim();
    // No number that a person writes is longer.
    let ends = cell.char_indices().take(40).map(|(i, c)| i + c.len_utf8());
    let (end, number) =
        ends.filter_map(|end| Some((end, read_number(&cell[..end], decimal)?))).last()?;
    let rest = cell[end..].trim();
    // What goes on like this is a number of another form or too large, not a unit.
    if rest.starts_with([',', '.']) || rest.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    Some((number, Some(rest).filter(|r| !r.is_empty())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_header_says_a_unit_in_brackets() {
        let of = |h: &str| of_header(h);
        let with = |name: &str, unit: &str| (name.to_owned(), Some(unit.to_owned()));
        assert_eq!(of("oxidise.hours [min]"), with("oxidise.hours", "min"));
        assert_eq!(of("oxidise.hours (min)"), with("oxidise.hours", "min"));
        assert_eq!(of("bed [kg/m²]"), with("bed", "kg/m²"));
        assert_eq!(of("sweet (mean)"), ("sweet (mean)".to_owned(), None));
        assert_eq!(of("[min]"), ("[min]".to_owned(), None));
    }

    #[test]
    fn what_is_no_unit_is_refused_and_what_does_not_belong() {
        for unit in ["kg/m²", "h", "kPa", "points", "m³/h", "1/min", "%", "cm2", "g/l"] {
            assert_eq!(refused("bed", unit), None, "{unit}");
        }
        for unit in ["bananas", "per bed", "h/banana", "mean"] {
            assert!(
                refused("bed", unit).is_some_and(|r| r.starts_with("a unit: h, s, min, d")),
                "{unit}"
            );
        }
        assert_eq!(refused("oxidise.hours", "min"), None);
        assert_eq!(
            refused("oxidise.hours", "kg").as_deref(),
            Some("one of the units h, s, min, d")
        );
    }

    #[test]
    fn a_number_that_is_too_large_is_no_smaller_one_with_a_unit() {
        let Cells::Wrong(wrong) = of_cells("x", Some("h"), &["3", "1e300"], '.') else { panic!() };
        let [(1, said, expected, mend)] = wrong.as_slice() else { panic!("{wrong:?}") };
        assert_eq!((said.as_str(), expected.as_str()), ("x is \"1e300\"", "a number in h"));
        assert_eq!(mend, "correct the cell: numbers go up to 1e12");
    }

    #[test]
    fn cells_are_converted_into_one_unit() {
        // By definition: 180 min are 3 h.
        let Cells::Numbers(n, unit) = of_cells("x", None, &["3 h", "180 min", "2,5h"], ',') else {
            panic!()
        };
        assert_eq!((n, unit.as_str()), (vec![3.0, 3.0, 2.5], "h"));
        let Cells::Numbers(n, unit) = of_cells("x", Some("min"), &["90", "2 h"], '.') else {
            panic!()
        };
        assert_eq!((n, unit.as_str()), (vec![90.0, 120.0], "min"));
        assert!(matches!(of_cells("plot", None, &["3C", "4F"], '.'), Cells::Other));
        assert!(matches!(of_cells("x", None, &["3 leaves", "2"], '.'), Cells::Other));
        assert!(matches!(of_cells("x", None, &["3 h", "2"], '.'), Cells::Wrong(w) if w[0].0 == 1));
        assert!(
            matches!(of_cells("x", None, &["3 h", "2 kg"], '.'), Cells::Wrong(w) if w.len() == 1)
        );
    }
}
