//! The id that a new lot is offered: that which follows the latest, with the year of today where ids carry one.

use crate::book::ids;
use crate::book::time::Day;

/// An id of a year: what stands before the year, the year, what stands between it and the number, the number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Parts<'a> {
    head: &'a str,
    year: &'a str,
    between: &'a str,
    number: &'a str,
}

fn is_digit(c: char) -> bool {
    c.is_ascii_digit()
}

/// A year of two or four digits, apart from the number at the end.
fn parts(id: &str) -> Option<Parts<'_>> {
    let before = id.trim_end_matches(is_digit);
    let number = &id[before.len()..];
    let with_year = before.trim_end_matches(|c| !is_digit(c));
    let between = &before[with_year.len()..];
    let head = with_year.trim_end_matches(is_digit);
    let year = &with_year[head.len()..];
    let is_one = matches!(year.len(), 2 | 4) && !between.is_empty() && !number.is_empty();
    (is_one && !head.contains(is_digit)).then_some(Parts { head, year, between, number })
}

/// The year of a day, in so many digits.
fn year_of(day: Day, digits: usize) -> String {
    let day = day.to_string();
    let year = day.split('-').next().unwrap_or_default();
    year[year.len().saturating_sub(digits)..].to_owned()
}

/// The id that follows the latest one: its number one more, as wide as it was, until no lot has it. Where all ids of its
/// form carry the year in which the lot was made, that of today; the numbers go on from year to year if they did so,
/// else they begin anew. None to offer without a number.
pub(super) fn next_id(latest: &str, known: &[(&str, Day)], today: Day) -> String {
    let head = latest.trim_end_matches(is_digit);
    let number = &latest[head.len()..];
    let (head, after) =
        of_year(latest, known, today).unwrap_or_else(|| (head.to_owned(), number.parse().ok()));
    let Some(after) = after else { return String::new() };
    let width = number.len();
    let free = |id: &String| !known.iter().any(|(k, _)| ids::same(k, id));
    let names = (1..=1000).map(|more| format!("{head}{:0width$}", after.saturating_add(more)));
    names.into_iter().find(free).unwrap_or_default()
}

/// What stands before the number of an id of this year, and the number after which it comes; none if the ids do not
/// clearly carry a year, or if it is that of the latest one.
fn of_year(latest: &str, known: &[(&str, Day)], today: Day) -> Option<(String, Option<u64>)> {
    let own = parts(latest)?;
    let alike: Vec<(Parts<'_>, Day)> = known
        .iter()
        .filter_map(|(id, made)| Some((parts(id)?, *made)))
        .filter(|(p, _)| {
            p.head == own.head && p.between == own.between && p.year.len() == own.year.len()
        })
        .collect();
    let clear =
        !alike.is_empty() && alike.iter().all(|(p, made)| p.year == year_of(*made, p.year.len()));
    let year = year_of(today, own.year.len());
    if !clear || year == own.year {
        return None;
    }
    let number = |p: &Parts<'_>| p.number.parse::<u64>().ok();
    let most = |year: &str| {
        alike.iter().filter(|(p, _)| p.year == year).filter_map(|(p, _)| number(p)).max()
    };
    // The numbers of a year go on from those before it, if there is a year before it.
    let least =
        alike.iter().filter(|(p, _)| p.year == own.year).filter_map(|(p, _)| number(p)).min();
    let before =
        alike.iter().filter(|(p, _)| p.year < own.year).filter_map(|(p, _)| number(p)).max();
    let goes_on = before.zip(least).is_some_and(|(before, least)| least > before);
    let after = most(&year).or(if goes_on { most(own.year) } else { Some(0) });
    Some((format!("{}{year}{}", own.head, own.between), after))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn next(latest: &str, known: &[(&str, &str)]) -> String {
        let known: Vec<(&str, Day)> =
            known.iter().map(|(id, made)| (*id, made.parse().unwrap())).collect();
        next_id(latest, &known, "2026-06-02".parse().unwrap())
    }

    #[test]
    fn the_year_of_an_id_follows_today_where_ids_carry_one() {
        let one = [("T25-16", "2025-10-08"), ("T25-03", "2025-05-01")];
        assert_eq!(next("T25-16", &one), "T26-01", "one year says nothing of the next");
        let on = [("T24-08", "2024-10-08"), ("T25-09", "2025-05-01"), ("T25-16", "2025-10-08")];
        assert_eq!(next("T25-16", &on), "T26-17", "the numbers go on");
        let anew = [("T24-08", "2024-10-08"), ("T25-01", "2025-05-01"), ("T25-16", "2025-10-08")];
        assert_eq!(next("T25-16", &anew), "T26-01", "they begin anew each year");
        let now = [("T25-16", "2025-10-08"), ("T26-04", "2026-05-08")];
        assert_eq!(next("T26-04", &now), "T26-05");
        assert_eq!(next("2025/7", &[("2025/7", "2025-10-08")]), "2026/1");
    }

    #[test]
    fn where_no_year_is_clear_the_next_free_id_is_offered() {
        let not = [("T25-16", "2025-10-08"), ("T25-02", "2023-10-08")];
        assert_eq!(next("T25-16", &not), "T25-17", "25 is no year");
        assert_eq!(next("L9", &[("L9", "2025-10-08"), ("l10", "2025-10-09")]), "L11");
        assert_eq!(next("A-2-B-25-07", &[("A-2-B-25-07", "2025-10-08")]), "A-2-B-25-08");
        assert_eq!(next("lapsed", &[("lapsed", "2025-10-08")]), "");
        assert_eq!(next("茶25-1", &[("茶25-1", "2025-10-08")]), "茶26-1");
    }
}
