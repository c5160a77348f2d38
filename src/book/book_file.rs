//! book.toml: where a book is kept, its languages, its defaults and the panel's own limits.

use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ids;
use super::readings::ReadingRules;
use super::toml_file::Described;

/// What a book says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "book.toml")]
pub struct BookFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// What the book is called.
    #[schemars(length(min = 1, max = 200))]
    pub title: String,
    /// Where the panel tastes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Metres above the sea, from -430 to 6000: water boils cooler on a mountain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -430.0, max = 6000.0))]
    pub altitude_m: Option<f64>,
    /// The time zone, as Asia/Shanghai.
    #[serde(default = "utc")]
    #[schemars(regex(pattern = r"^[A-Za-z0-9_+/-]{1,60}$"))]
    pub zone: String,
    /// The languages of ballots and sheets, the first one first: en, zh.
    #[schemars(length(min = 1, max = 10), inner(regex(pattern = r"^[a-z]{2,3}(-[A-Za-z0-9]+)*$")))]
    pub languages: Vec<String>,
    /// What is taken where a command does not say.
    #[serde(default)]
    pub defaults: Defaults,
    /// The panel's own limits.
    #[serde(default)]
    pub limits: Limits,
    /// The ballot on phones.
    #[serde(default, skip_serializing_if = "is_usual_ballot")]
    pub ballot: BallotRules,
    /// How logger files are read.
    #[serde(default, skip_serializing_if = "is_usual")]
    pub readings: ReadingRules,
    /// Places where tea is kept, with loggers or limits of their own.
    #[serde(default, rename = "store", skip_serializing_if = "Vec::is_empty")]
    pub stores: Vec<StorePlace>,
}

fn is_usual(rules: &ReadingRules) -> bool {
    *rules == ReadingRules::default()
}

fn is_usual_ballot(rules: &BallotRules) -> bool {
    *rules == BallotRules::default()
}

/// The ballot on phones.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(inline)]
pub struct BallotRules {
    /// Until when a taster may go back and change an answer: until the cup is handed in, or the whole flight.
    #[schemars(with = "String", extend("enum" = ["cup", "flight"]))]
    pub go_back: GoBack,
    /// Seconds of rest between two cups; 0: none.
    #[schemars(range(max = 3600))]
    pub rest_s: u32,
}

/// Until when an answer may be changed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum GoBack {
    /// Until the cup is handed in.
    Cup,
    /// Until the flight is handed in.
    #[default]
    Flight,
}

fn utc() -> String {
    "UTC".to_owned()
}

/// A place where tea is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct StorePlace {
    /// Its name, as store.place says it.
    #[schemars(length(min = 1, max = 200))]
    pub place: String,
    /// Its loggers' folder in stores/: a name without / or a dot first; none: the place's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[^./\\][^/\\]{0,99}$"))]
    pub folder: Option<String>,
    /// Relative humidity (percent) above which the hours here are counted; none: the book's limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 100.0))]
    pub humidity_pct: Option<f64>,
    /// Temperature (°C) above which the hours here are counted; none: the book's limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -40.0, max = 100.0))]
    pub temperature_c: Option<f64>,
}

/// What is taken where a command does not say.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Defaults {
    /// The recipe.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = ids::PATTERN))]
    pub recipe: Option<String>,
    /// The terms that a profile session asks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(regex(pattern = ids::PATTERN)), extend("uniqueItems" = true))]
    pub terms: Vec<String>,
}

/// The panel's own limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(inline)]
pub struct Limits {
    /// A level is printed on a sheet when its 95 % half-width is at most this, in points of the
    /// scale: more than 0.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub sheet_half_width: f64,
    /// The most cups in a flight: 2 to 30.
    #[schemars(range(min = 2, max = 30))]
    pub flight_cups: u32,
    /// Moisture of packed tea (percent, wet basis) from which a warning is given: 0 to 100.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub moisture_warning_pct: f64,
    /// Moisture (percent, wet basis) from which tea is not fit to be kept or served until it is dried
    /// again and measured again: 0 to 100. A rule of our own.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub moisture_block_pct: f64,
    /// Water activity from which tea is not fit to be kept or served: 0 to 1. A rule of our own, below
    /// the 0.68 under which no growth was seen (a good-hygiene text on coffee).
    #[schemars(range(min = 0.0, max = 1.0))]
    pub water_activity_block: f64,
    /// Relative humidity (percent) above which the hours in store are counted: 0 to 100. Usually 65,
    /// after a study of sorption.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub store_humidity_pct: f64,
    /// Temperature (°C) above which the hours in store are counted: -40 to 100. Usually 25, as a page
    /// that sums up GB/T 30375-2013 says.
    #[schemars(range(min = -40.0, max = 100.0))]
    pub store_temperature_c: f64,
    /// By how much the rate of oxidation is taken to rise with 10 degrees: an assumption, for
    /// no published figure for leaf is confirmed. 1 to 5.
    #[schemars(range(min = 1.0, max = 5.0))]
    pub q10: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            sheet_half_width: 1.0,
            flight_cups: 8,
            moisture_warning_pct: 6.5,
            moisture_block_pct: 8.0,
            water_activity_block: 0.6,
            store_humidity_pct: 65.0,
            store_temperature_c: 25.0,
            q10: 2.0,
        }
    }
}

/// The clock of a book: that of the zone in book.toml, else of this machine.
#[must_use]
pub fn clock(file: &Described<BookFile>) -> TimeZone {
    // A zone that was not written down is none that somebody chose.
    let written = file.text.lines().any(|line| line.trim_start().starts_with("zone"));
    let zone = written.then(|| TimeZone::get(&file.value.zone).ok()).flatten();
    zone.unwrap_or_else(TimeZone::system)
}

impl BookFile {
    /// The first language.
    #[must_use]
    pub fn language(&self) -> &str {
        self.languages.first().map_or("en", String::as_str)
    }
}
