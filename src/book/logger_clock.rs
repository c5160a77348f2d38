//! The clock of a logger: how its times are written, and where it was set anew.

use jiff::civil::Date;
use jiff::tz::Offset;

use super::time::Moment;

/// Reads a logger's times.
pub(super) struct Clock<'a> {
    format: Option<&'a str>,
    /// The day that was read last, as it was written, and the second at which it begins.
    day: ([u8; 10], i64),
}

impl<'a> Clock<'a> {
    pub(super) fn new(format: Option<&'a str>) -> Self {
        Self { format, day: ([0; 10], 0) }
    }

    /// A local time in seconds since 1970 as if it were UTC, and its own offset if it says one.
    pub(super) fn read(&mut self, text: &str) -> Option<(i64, Option<Offset>)> {
        match self.format {
            Some(format) => {
                let parsed = jiff::fmt::strtime::parse(format, text).ok()?;
                let local = Offset::UTC.to_timestamp(parsed.to_datetime().ok()?).ok()?;
                Some((local.as_second(), parsed.offset()))
            }
            None => self.year_first(text.as_bytes()),
        }
    }

    /// 2026-05-14 08:00, 2026/05/14T08:00:00.5+08:00: the year first, whatever stands between.
    fn year_first(&mut self, text: &[u8]) -> Option<(i64, Option<Offset>)> {
        let day: &[u8; 10] = text.get(..10)?.try_into().ok()?;
        if *day != self.day.0 {
            self.day = (*day, midnight(day)?);
        }
        if !b" T".contains(text.get(10)?) || *text.get(13)? != b':' {
            return None;
        }
        let (hour, minute) = (two(text, 11)?, two(text, 14)?);
        let mut rest = &text[16..];
        let mut second = 0;
        if rest.first() == Some(&b':') {
            second = two(text, 17)?;
            rest = &text[19..];
            if rest.first().is_some_and(|b| b".,".contains(b)) {
                let n = rest[1..].iter().take_while(|b| b.is_ascii_digit()).count();
                rest = &rest[1 + n..];
            }
        }
        if hour > 23 || minute > 59 || second > 59 {
            return None;
        }
        let offset = match rest {
            [] => None,
            b"Z" => Some(Offset::UTC),
            [b' ', rest @ ..] | rest => Some(Offset::from_seconds(offset_of(rest)?).ok()?),
        };
        Some((self.day.1 + hour * 3600 + minute * 60 + second, offset))
    }
}

fn two(text: &[u8], from: usize) -> Option<i64> {
    match text.get(from..from + 2)? {
        [a @ b'0'..=b'9', b @ b'0'..=b'9'] => Some(i64::from((a - b'0') * 10 + (b - b'0'))),
        _ => None,
    }
}

/// The second at which a day begins that is written with its year first.
fn midnight(day: &[u8; 10]) -> Option<i64> {
    let between = day[4];
    if !b"-/.".contains(&between) || day[7] != between {
        return None;
    }
    let year = i16::try_from(two(day, 0)? * 100 + two(day, 2)?).ok()?;
    let part = |from: usize| i8::try_from(two(day, from)?).ok();
    let date = Date::new(year, part(5)?, part(8)?).ok()?;
    Some(Offset::UTC.to_timestamp(date.at(0, 0, 0, 0)).ok()?.as_second())
}

/// Seconds of +08:00, +0800 or -03:30.
pub(super) fn offset_of(text: &[u8]) -> Option<i32> {
    let (sign, rest) = match text {
        [b'+', rest @ ..] => (1, rest),
        [b'-', rest @ ..] => (-1, rest),
        _ => return None,
    };
    let number = |s: &[u8]| std::str::from_utf8(s).ok()?.parse::<u8>().ok().map(i32::from);
    let (hours, minutes) = match rest {
        [h1, h2, b':', m1, m2] | [h1, h2, m1, m2] => (number(&[*h1, *h2])?, number(&[*m1, *m2])?),
        _ => return None,
    };
    (hours < 24 && minutes < 60).then_some(sign * (hours * 3600 + minutes * 60))
}

/// A step back of the clock by so many seconds looks as if somebody had set it: less is a line out
/// of place, more another file behind this one. Common practice, no source.
const SET_BACK: std::ops::RangeInclusive<i64> = 600..=3 * 3600;

/// So many steps back at most look like that.
const FEW: usize = 4;

/// Where the time goes back in a file that goes forward else, as when a clock is set to another zone
/// or back from summer time: in words, with the line.
pub(super) fn set_back(file: &str, seconds: &[i64], lines: &[u32], clock: Offset) -> Vec<String> {
    let back: Vec<usize> = (1..seconds.len()).filter(|i| seconds[*i] < seconds[*i - 1]).collect();
    if back.is_empty() || back.len() > FEW {
        return Vec::new();
    }
    // The readings behind the step run on in the old rhythm and overlap what was read before it.
    let runs_on = |i: usize| {
        let end = back.iter().copied().find(|b| *b > i).unwrap_or(seconds.len());
        let begin = back.iter().copied().rfind(|b| *b < i).unwrap_or(0);
        end - i >= 3 && i - begin >= 3
    };
    back.iter()
        .copied()
        .filter(|i| SET_BACK.contains(&(seconds[*i - 1] - seconds[*i])) && runs_on(*i))
        .map(|i| {
            let (from, to) = (seconds[i - 1], seconds[i]);
            format!(
                "{file}:{}: the time goes back from {} to {}, by {:.0} min, as when a clock is set \
                 (summer time ends, another zone): which of the readings of these minutes came \
                 first cannot be told, so both count; if all that follows runs on another clock, \
                 cut the file here and give each part its offset ([[readings.logger]] in book.toml)",
                lines[i],
                Moment::at(from, clock),
                Moment::at(to, clock),
                (from - to) as f64 / 60.0
            )
        })
        .collect()
}
