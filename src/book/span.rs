//! Spans of time as a plan writes them: 10d, 2w, 6m, 1y.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::time::{DAYS_A_MONTH, Day};

/// What spans are counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Days.
    Day,
    /// Weeks.
    Week,
    /// Months of 30.4375 days.
    Month,
    /// Years of twelve such months.
    Year,
}

/// A span, longer than none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// How many.
    pub count: u32,
    /// Of what.
    pub unit: Unit,
}

/// What a span looks like.
const PATTERN: &str = "^[1-9][0-9]{0,3}[dwmy]$";
/// The same in words.
const FORM: &str = "a number from 1 to 9999 and d, w, m or y, as 10d, 2w, 6m or 1y";

impl Span {
    /// Its length in days.
    #[must_use]
    pub fn days(self) -> f64 {
        let one = match self.unit {
            Unit::Day => 1.0,
            Unit::Week => 7.0,
            Unit::Month => DAYS_A_MONTH,
            Unit::Year => 12.0 * DAYS_A_MONTH,
        };
        f64::from(self.count) * one
    }

    /// The whole days in it, to the nearest; a half is rounded up.
    #[must_use]
    pub fn whole_days(self) -> i64 {
        (self.days() + 0.5).floor() as i64
    }

    /// The day that lies so much later.
    #[must_use]
    pub fn after(self, day: Day) -> Day {
        day.later(self.whole_days())
    }

    /// This and another so many times: months where both are months or years, weeks where both are
    /// weeks, else the nearest whole days.
    #[must_use]
    pub fn plus(self, times: u32, other: Span) -> Span {
        let sum = |a: u32, b: u32| a.saturating_add(b.saturating_mul(times));
        match (self.months(), other.months()) {
            (Some(a), Some(b)) => Span { count: sum(a, b), unit: Unit::Month },
            _ if self.unit == Unit::Week && other.unit == Unit::Week => {
                Span { count: sum(self.count, other.count), unit: Unit::Week }
            }
            _ => {
                let days = (self.days() + f64::from(times) * other.days() + 0.5).floor();
                Span { count: days as u32, unit: Unit::Day }
            }
        }
    }

    fn months(self) -> Option<u32> {
        match self.unit {
            Unit::Month => Some(self.count),
            Unit::Year => Some(self.count.saturating_mul(12)),
            _ => None,
        }
    }

    /// One way of writing spans of one length: 12m for a year, 14d for two weeks.
    #[must_use]
    pub fn plain(self) -> String {
        match self.months() {
            Some(months) => format!("{months}m"),
            None => format!("{}d", self.whole_days()),
        }
    }

    /// In English: `2 weeks`.
    #[must_use]
    pub fn words(self) -> String {
        let (one, many) = match self.unit {
            Unit::Day => ("day", "days"),
            Unit::Week => ("week", "weeks"),
            Unit::Month => ("month", "months"),
            Unit::Year => ("year", "years"),
        };
        format!("{} {}", self.count, if self.count == 1 { one } else { many })
    }

    /// In Chinese: `2 周`.
    #[must_use]
    pub fn words_zh(self) -> String {
        let unit = match self.unit {
            Unit::Day => "天",
            Unit::Week => "周",
            Unit::Month => "个月",
            Unit::Year => "年",
        };
        format!("{} {unit}", self.count)
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = match self.unit {
            Unit::Day => 'd',
            Unit::Week => 'w',
            Unit::Month => 'm',
            Unit::Year => 'y',
        };
        write!(f, "{}{unit}", self.count)
    }
}

impl FromStr for Span {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("\"{text}\" is no span of time; write {FORM}");
        let unit = match text.chars().last() {
            Some('d') => Unit::Day,
            Some('w') => Unit::Week,
            Some('m') => Unit::Month,
            Some('y') => Unit::Year,
            _ => return Err(wrong()),
        };
        let digits = &text[..text.len() - 1];
        let form = digits.len() <= 4 && digits.bytes().all(|b| b.is_ascii_digit());
        match digits.parse::<u32>() {
            Ok(count) if form && !digits.starts_with('0') => Ok(Self { count, unit }),
            _ => Err(wrong()),
        }
    }
}

impl Serialize for Span {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Span {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
    }
}

impl JsonSchema for Span {
    fn schema_name() -> Cow<'static, str> {
        "Span".into()
    }

    fn inline_schema() -> bool {
        true
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({"type": "string", "pattern": PATTERN, "description": FORM})
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(text: &str) -> Span {
        text.parse().unwrap()
    }

    /// By definition: a month is 30.4375 days, twelve of them 365.25.
    #[test]
    fn a_month_is_the_months_of_the_record() {
        assert_eq!(span("1m").whole_days(), 30);
        assert_eq!(span("2m").whole_days(), 61);
        assert_eq!(span("6m").whole_days(), 183, "182.625");
        assert_eq!(span("2y").whole_days(), 731, "730.5: a half is rounded up");
        assert_eq!(span("4y").whole_days(), 1461, "four years have one leap day");
        assert_eq!(span("12m").days(), span("1y").days());
    }

    #[test]
    fn days_are_counted_over_leap_days() {
        let day = |text: &str| text.parse::<Day>().unwrap();
        assert_eq!(span("2w").after(day("2024-02-20")), day("2024-03-05"));
        assert_eq!(span("2w").after(day("2026-02-20")), day("2026-03-06"));
        assert_eq!(span("1y").after(day("2024-02-29")), day("2025-02-28"));
        assert_eq!(span("4y").after(day("2024-02-29")), day("2028-02-29"));
    }

    #[test]
    fn sums_keep_their_months() {
        assert_eq!(span("1y").plus(1, span("12m")).to_string(), "24m");
        assert_eq!(span("2w").plus(1, span("2w")).to_string(), "4w");
        assert_eq!(span("2w").plus(1, span("2m")).to_string(), "75d", "14 + 60.875");
        assert_eq!(span("2w").plus(40, span("6m")).to_string(), "7319d", "14 + 20 × 365.25");
        assert_eq!((span("1y").plain(), span("2w").plain()), ("12m".into(), "14d".into()));
    }

    #[test]
    fn what_is_no_span_is_told() {
        for text in ["", "m", "0m", "-1m", "1.5m", "10000d", "2 w", "2W", "六m", "1q", "+1m"] {
            assert!(text.parse::<Span>().unwrap_err().contains("2w"), "{text}");
        }
    }
}
