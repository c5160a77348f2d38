//! The clock of a logger: how its times are written, and where it was set anew.

use jiff::civil::Date;
use jiff::tz::Offset;

use super::time::Moment;

/// Reads a logger's times.
pub(super) struct Clock<'a> {
    format: Option<&'a str>,
    /// The day that was read last, as it was written, and the second at which it begins.
    day: ([u8; 10], i64),
    /// The same of the offset.
    offset: Option<([u8; 6], Offset)>,
}

impl<'a> Clock<'a> {
    pub(super) fn new(format: Option<&'a str>) -> Self {
        Self { format, day: ([0; 10], 0), offset: None }
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
            [b' ', rest @ ..] | rest => Some(self.offset(rest)?),
        };
        Some((self.day.1 + hour * 3600 + minute * 60 + second, offset))
    }

    fn offset(&mut self, text: &[u8]) -> Option<Offset> {
        match self.offset {
            Some((known, offset)) if known == text => Some(offset),
            _ => {
                let offset = Offset::from_seconds(offset_of(text)?).ok()?;
                self.offset = text.try_into().ok().map(|text| (text, offset));
                Some(offset)
            }
        }
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

/// How times may be written; what fits the longest of them first.
const FORMS: [&str; 17] = [
    "%Y-%m-%d %I:%M:%S %p",
    "%Y-%m-%d %I:%M %p",
    "%Y/%m/%d %I:%M:%S %p",
    "%Y/%m/%d %I:%M %p",
    "%Y/%m/%d %H:%M",
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%d-%m-%Y %H:%M:%S",
    "%d-%m-%Y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%d/%m/%Y %I:%M:%S %p",
    "%d/%m/%Y %I:%M %p",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %H:%M",
    "%m/%d/%Y %I:%M:%S %p",
    "%m/%d/%Y %I:%M %p",
];

/// The `time_format` that fits a time as it was written, in words: all that fit, for a day and a
/// month cannot always be told apart.
pub(super) fn forms_of(text: &str) -> String {
    let short = |f: &str| f.replace("%Y", "%y");
    let mut fit: Vec<String> = Vec::new();
    for form in FORMS {
        for form in [form.to_owned(), short(form)] {
            let read =
                jiff::fmt::strtime::parse(&form, text).ok().and_then(|t| t.to_datetime().ok());
            // Two digits are no year of four.
            if read.is_some_and(|t| t.year() >= 1970) {
                fit.push(format!("time_format = \"{form}\""));
                break;
            }
        }
    }
    match fit.as_slice() {
        [] => {
            "time_format = \"…\", with %Y for the year, %m the month, %d the day, %H the hour, %M \
               the minute, %S the second"
                .to_owned()
        }
        [one] => one.clone(),
        several => format!("{} (see which number is the day)", several.join(" or ")),
    }
}

/// A step back of the clock by so many seconds looks as if somebody had set it, or as if another file
/// had been put behind this one: less is a line out of place. Common practice, no source.
const SET_BACK: i64 = 600;

/// A step forward by so many seconds is told: a logger hardly lies still for longer, but its clock
/// starts anew without a battery. Common practice, no source.
const SET_FORWARD: i64 = 366 * 86_400;

/// Of more runs than these a file is put in the order of time and no more.
const MOST_RUNS: usize = 50;

/// So many jumps are told each.
const FEW: usize = 4;

/// Where the time goes back in a file that goes forward before it and behind it.
pub(super) fn jumps_back(seconds: &[i64]) -> Vec<usize> {
    let back: Vec<usize> = (1..seconds.len()).filter(|i| seconds[*i] < seconds[*i - 1]).collect();
    let runs_on = |k: usize| {
        let begin = k.checked_sub(1).map_or(0, |before| back[before]);
        let end = back.get(k + 1).copied().unwrap_or(seconds.len());
        end - back[k] >= 3 && back[k] - begin >= 3
    };
    let far = |i: usize| seconds[i - 1] - seconds[i] >= SET_BACK;
    let jumps: Vec<usize> =
        (0..back.len()).filter(|k| runs_on(*k) && far(back[*k])).map(|k| back[k]).collect();
    if jumps.len() > MOST_RUNS { Vec::new() } else { jumps }
}

/// The jumps of a logger's clock in words, each with its line. `jumps` are the first rows behind a
/// step back, each with how many of its run are left out.
pub(super) fn jumps(
    file: &str,
    (seconds, lines): (&[i64], &[u32]),
    jumps: &[(usize, usize)],
    clock: Offset,
    now: i64,
) -> Vec<String> {
    let at = |i: usize| Moment::at(seconds[i], clock);
    let mut told: Vec<String> = jumps
        .iter()
        .take(FEW)
        .map(|(i, left_out)| {
            let apart = match left_out {
                0 => "none of the readings behind it falls into time that was read before".to_owned(),
                1 => "1 reading behind it falls into time that was read before and is left out".to_owned(),
                n => format!(
                    "{n} readings behind it fall into time that was read before and are left out"
                ),
            };
            format!(
                "{file}:{}: the time goes back from {} to {}, by {}, as when a clock is set (summer \
                 time ends, another zone) or files are joined: {apart}; if all that follows runs on \
                 another clock, cut the file here and give each part its offset \
                 ([[readings.logger]] in book.toml)",
                lines[*i],
                at(i - 1),
                at(*i),
                long(seconds[i - 1] - seconds[*i]),
            )
        })
        .collect();
    if jumps.len() > FEW {
        told.push(format!(
            "{file}: the time goes back {} times in all; in each overlap what was read first counts",
            jumps.len()
        ));
    }
    let forward = (1..seconds.len()).filter(|i| seconds[*i] - seconds[*i - 1] > SET_FORWARD);
    told.extend(forward.take(FEW).map(|i| {
        format!(
            "{file}:{}: the time goes forward from {} to {}, by {}: if the logger's clock was wrong on \
             one side of this line, cut the file here, and move the part with wrong days out of the \
             folder",
            lines[i],
            at(i - 1),
            at(i),
            long(seconds[i] - seconds[i - 1]),
        )
    }));
    // By a day at most another zone may be ahead.
    let mut future = (0..seconds.len()).filter(|i| seconds[*i] > now + 86_400);
    if let Some(first) = future.next() {
        let n = 1 + future.count();
        let (readings, lie) = if n == 1 { ("reading", "lies") } else { ("readings", "lie") };
        told.push(format!(
            "{file}:{}: {n} {readings} {lie} in the future, from {} on: the logger's clock was wrong; \
             nothing is known of the time at which they were truly taken",
            lines[first],
            at(first),
        ));
    }
    told
}

/// A length of time in the unit that reads best.
fn long(seconds: i64) -> String {
    let s = seconds as f64;
    if s < 2.0 * 3600.0 {
        format!("{:.0} min", s / 60.0)
    } else if s < 2.0 * 86_400.0 {
        format!("{:.1} h", s / 3600.0)
    } else {
        format!("{:.0} days", s / 86_400.0)
    }
}
