//! Days and moments of the record.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use jiff::tz::{Offset, TimeZone};
use jiff::{Timestamp, ZonedDateTime};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A calendar day, written 2026-05-14.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(pub Date);

impl Day {
    /// The last day of the calendar.
    pub const LAST: Self = Self(Date::MAX);

    /// Months from `earlier` to this day; a month is 30.4375 days.
    #[must_use]
    pub fn months_since(self, earlier: Day) -> f64 {
        let span = self.0 - earlier.0;
        f64::from(span.get_days()) / DAYS_A_MONTH
    }
}

impl Day {
    /// The day so many days later (or, with a minus, earlier).
    #[must_use]
    pub fn later(self, days: i64) -> Day {
        self.0.checked_add(jiff::ToSpan::days(days)).map_or(self, Day)
    }

    /// Noon of this day, on the clock of another moment.
    #[must_use]
    pub fn noon(self, clock: Moment) -> Moment {
        let noon = self.0.at(12, 0, 0, 0);
        clock
            .offset
            .to_timestamp(noon)
            .map_or(clock, |timestamp| Moment { timestamp, offset: clock.offset })
    }
}

/// The record's month: a year of 365.25 days in twelve.
pub const DAYS_A_MONTH: f64 = 30.4375;

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

impl FromStr for Day {
    type Err = String;
    fn from_str(s: &str) -> Result<Self, String> {
        if s.len() != 10 {
            return Err(format!("\"{s}\" is not a day; write it as 2026-05-14"));
        }
        s.parse::<Date>()
            .map(Day)
            .map_err(|_| format!("\"{s}\" is not a day of the calendar; write it as 2026-05-14"))
    }
}

/// How a day is written, in the words of an error.
pub const A_DAY: &str = "a day of the calendar, as 2026-05-14";
/// How a moment is written, in the words of an error.
pub const A_MOMENT: &str =
    "a moment of the calendar with its offset from UTC, as 2026-05-14T15:04:05+08:00";

/// A moment with its offset from UTC, written 2026-05-14T15:04:05+08:00 (RFC 3339).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    timestamp: Timestamp,
    offset: Offset,
}

impl Moment {
    /// The clock of this machine, in its own time zone, to the second.
    #[must_use]
    pub fn now() -> Self {
        Self::of(&ZonedDateTime::now())
    }

    fn of(zoned: &ZonedDateTime) -> Self {
        let timestamp = Timestamp::from_second(zoned.timestamp().as_second())
            .expect("a whole second of a valid moment is valid");
        Self { timestamp, offset: zoned.offset() }
    }

    /// The day on the clock where it was written.
    #[must_use]
    pub fn day(self) -> Day {
        Day(self.offset.to_datetime(self.timestamp).date())
    }

    /// The moment itself, for intervals between moments.
    #[must_use]
    pub fn timestamp(self) -> Timestamp {
        self.timestamp
    }

    /// A time of day (8:40, 08:40:30) on the day and the clock of this moment.
    #[must_use]
    pub fn at_time(self, text: &str) -> Option<Self> {
        let mut parts = text.split(':');
        let mut part = || parts.next()?.parse::<i8>().ok();
        let (hour, minute) = (part()?, part()?);
        let second = if text.matches(':').count() == 2 { part()? } else { 0 };
        let time = jiff::civil::Time::new(hour, minute, second, 0).ok()?;
        let timestamp = self.offset.to_timestamp(self.day().0.to_datetime(time)).ok()?;
        parts.next().is_none().then_some(Self { timestamp, offset: self.offset })
    }

    /// The same moment on the clock of a zone.
    #[must_use]
    pub fn on_clock_of(self, zone: &TimeZone) -> Self {
        Self { offset: zone.to_offset(self.timestamp), ..self }
    }

    /// A day and a time of day without an offset (2026-05-14T8:40), by the clock of a zone.
    #[must_use]
    pub fn by_clock_of(zone: &TimeZone, text: &str) -> Option<Self> {
        let (day, time) = text.split_once(['T', ' '])?;
        // At noon only to get at the time; the offset is that of the time itself.
        let noon = day.trim().parse::<Day>().ok()?.noon(Self::at(0, Offset::UTC));
        let local = Offset::UTC.to_datetime(noon.at_time(time.trim())?.timestamp);
        Some(Self::of(&local.to_zoned_datetime(zone.clone()).ok()?))
    }

    /// A second since 1970 (UTC), on a clock.
    #[must_use]
    pub fn at(second: i64, clock: Offset) -> Self {
        let timestamp = Timestamp::from_second(second).unwrap_or_default();
        Self { timestamp, offset: clock }
    }

    /// The offset from UTC of the clock where it was written.
    #[must_use]
    pub fn offset(self) -> Offset {
        self.offset
    }

    /// Hours from `earlier` to this moment.
    #[must_use]
    pub fn hours_since(self, earlier: Moment) -> f64 {
        (self.timestamp.as_second() - earlier.timestamp.as_second()) as f64 / 3600.0
    }

    /// The day and the time of day on its own clock, to the minute: what a maker reads.
    #[must_use]
    pub fn to_the_minute(self) -> String {
        self.offset.to_datetime(self.timestamp).strftime("%Y-%m-%d %H:%M").to_string()
    }

    /// The earlier of two moments.
    #[must_use]
    pub fn min_of(self, other: Self) -> Self {
        if other.timestamp < self.timestamp { other } else { self }
    }

    /// The moment `seconds` later, on the same clock.
    #[must_use]
    pub fn later(self, seconds: i64) -> Self {
        let second = self.timestamp.as_second().saturating_add(seconds);
        let timestamp = Timestamp::from_second(second).unwrap_or(self.timestamp);
        Self { timestamp, offset: self.offset }
    }
}

impl PartialOrd for Moment {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        self.timestamp.partial_cmp(&other.timestamp)
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.timestamp.display_with_offset(self.offset))
    }
}

impl FromStr for Moment {
    type Err = String;
    fn from_str(s: &str) -> Result<Self, String> {
        let wrong = || format!("\"{s}\" is not a moment; write it as 2026-05-14T15:04:05+08:00");
        let pieces =
            jiff::fmt::temporal::DateTimeParser::new().parse_pieces(s).map_err(|_| wrong())?;
        let time = pieces.time().ok_or_else(wrong)?;
        let offset = pieces.to_numeric_offset().ok_or_else(|| {
            format!("\"{s}\" has no offset from UTC; add one, as in 2026-05-14T15:04:05+08:00")
        })?;
        let timestamp =
            offset.to_timestamp(pieces.date().to_datetime(time)).map_err(|_| wrong())?;
        Ok(Self { timestamp, offset })
    }
}

macro_rules! as_text {
    ($type:ident, $name:literal, $format:literal) => {
        impl Serialize for $type {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }
        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = String::deserialize(d)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }
        impl JsonSchema for $type {
            fn schema_name() -> Cow<'static, str> {
                $name.into()
            }
            fn inline_schema() -> bool {
                true
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({"type": "string", "format": $format})
            }
        }
    };
}

as_text!(Day, "Day", "date");
as_text!(Moment, "Moment", "date-time");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_keeps_the_clock_it_was_written_by() {
        let m: Moment = "2026-05-14T00:30:00+08:00".parse().unwrap();
        assert_eq!(m.to_string(), "2026-05-14T00:30:00+08:00");
        assert_eq!(m.day(), "2026-05-14".parse().unwrap());
        assert!("2026-05-14T00:30:00".parse::<Moment>().unwrap_err().contains("offset"));
    }

    #[test]
    fn a_time_of_day_is_of_the_day_and_clock_of_the_moment() {
        let m: Moment = "2026-05-14T00:30:00+08:00".parse().unwrap();
        assert_eq!(m.at_time("8:40").unwrap().to_string(), "2026-05-14T08:40:00+08:00");
        assert_eq!(m.at_time("23:59:30").unwrap().to_string(), "2026-05-14T23:59:30+08:00");
        for text in ["24:00", "8", "8:61", "8:40:00:00", "8:40 pm"] {
            assert_eq!(m.at_time(text), None, "{text}");
        }
    }

    #[test]
    fn a_day_and_time_without_offset_is_by_the_clock_of_the_zone() {
        // By definition: eight hours east of Greenwich.
        let zone = TimeZone::fixed(Offset::from_hours(8).unwrap());
        let at = |text: &str| Moment::by_clock_of(&zone, text).map(|m| m.to_string());
        for text in ["2026-05-14T8:40", "2026-05-14 08:40", "2026-05-14T08:40:00"] {
            assert_eq!(at(text).as_deref(), Some("2026-05-14T08:40:00+08:00"), "{text}");
        }
        for text in ["8:40", "2026-02-30T8:40", "2026-05-14T8:40Z", "2026-05-14T"] {
            assert_eq!(at(text), None, "{text}");
        }
    }

    #[test]
    fn there_is_no_thirtieth_of_february() {
        assert!("2026-02-30".parse::<Day>().unwrap_err().contains("calendar"));
    }

    #[test]
    fn a_year_has_twelve_months() {
        let a: Day = "2024-01-01".parse().unwrap();
        let b: Day = "2028-01-01".parse().unwrap();
        assert!((b.months_since(a) - 48.0).abs() < 1e-12);
    }
}
