//! Starting a book: the words, parameters and recipes that a new one begins with.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use super::parameters::Parameters;
use super::store::{self, StoreError};
use super::{Book, BookError, reading, retasting};

const VOCABULARY: &str = include_str!("starter/vocabulary.toml");
const PARAMETERS: &str = include_str!("starter/parameters.toml");
const RECIPES: &str = include_str!("starter/recipes.toml");
const TASTERS: &str = include_str!("starter/tasters.toml");
/// The plan of a book that has none of its own.
pub const RETASTING: &str = include_str!("starter/retasting.toml");

/// What a new book says of itself.
#[derive(Debug, Clone, Default)]
pub struct Beginning {
    /// What it is called; else the folder's name.
    pub title: Option<String>,
    /// Where the panel tastes.
    pub place: Option<String>,
    /// Metres above the sea.
    pub altitude_m: Option<f64>,
    /// The time zone, as Asia/Shanghai; else UTC.
    pub zone: Option<String>,
}

/// Starts a book in a new folder (or one that is there but empty), whole or not at all.
///
/// # Errors
/// If something is in the folder already, the altitude is no place on Earth, or the disk refuses.
pub fn begin(dir: &Path, beginning: &Beginning) -> Result<Book, BookError> {
    if let Some(metres) = beginning.altitude_m
        && !(-430.0..=6000.0).contains(&metres)
    {
        return Err(BookError::Refused(format!(
            "an altitude of {metres} m does not hold\n  expected: metres above the sea, from -430 to 6000\n  to mend:  correct --altitude"
        )));
    }
    refuse_if_taken(dir)?;
    let there = dir.is_dir();
    let beside = match dir.parent().filter(|p| !p.as_os_str().is_empty()) {
        _ if there => dir,
        Some(parent) => parent,
        None => Path::new("."),
    };
    store::make_folder(beside)?;
    // Made aside and moved to its place when it is whole: a half of a book is no book.
    let made = tempfile::Builder::new()
        .prefix(super::left_over::PREFIX)
        .tempdir_in(beside)
        .map_err(store::io("write in", beside))?;
    let name = dir.canonicalize().unwrap_or_else(|_| dir.to_owned());
    let name = name.file_name().map_or("book".into(), |n| n.to_string_lossy().into_owned());
    let files = [
        (reading::VOCABULARY, VOCABULARY.to_owned()),
        (reading::PARAMETERS, PARAMETERS.to_owned()),
        (reading::RECIPES, RECIPES.to_owned()),
        (reading::TASTERS, TASTERS.to_owned()),
        (retasting::RETASTING, RETASTING.to_owned()),
        (reading::BOOK, book_text(&name, beginning)),
    ];
    for (file, text) in files {
        store::create_new(&made.path().join(file), &text)?;
    }
    for folder in ["lots", "sessions", "sheets"] {
        store::make_folder(&made.path().join(folder))?;
    }
    move_into_place(made, dir)?;
    Book::open(dir)
}

/// The lines by which a new book describes a parameter, to be copied into an older one.
#[must_use]
pub(super) fn parameter_lines(id: &str) -> Option<&'static str> {
    PARAMETERS
        .split("\n\n")
        .find(|block| block.starts_with("[[parameter]]") && block.contains(&format!("\"{id}\"")))
        .map(str::trim_end)
}

fn refuse_if_taken(dir: &Path) -> Result<(), BookError> {
    let taken = match fs::read_dir(dir) {
        Ok(mut entries) => entries.next().is_some(),
        Err(_) => dir.exists(),
    };
    if taken {
        return Err(BookError::Refused(format!(
            "{} is there already and is not empty\n  expected: the name of a new folder\n  to mend:  choose another name, or move what is there away",
            dir.display()
        )));
    }
    Ok(())
}

fn move_into_place(made: tempfile::TempDir, dir: &Path) -> Result<(), StoreError> {
    store::usual_folder_mode(made.path())?;
    let rename = |from: &Path, to: &Path| fs::rename(from, to).map_err(store::io("write", to));
    if !dir.exists() {
        rename(made.path(), dir)?;
        // It is no longer where it would be cleaned up.
        let _ = made.keep();
        return Ok(());
    }
    // book.toml comes last: with it the folder becomes a book.
    for name in PARTS {
        rename(&made.path().join(name), &dir.join(name))?;
    }
    Ok(())
}

/// What a new book holds, book.toml last.
const PARTS: [&str; 9] = [
    "lots",
    "sessions",
    "sheets",
    reading::VOCABULARY,
    reading::PARAMETERS,
    reading::RECIPES,
    reading::TASTERS,
    retasting::RETASTING,
    reading::BOOK,
];

fn book_text(folder: &str, b: &Beginning) -> String {
    let quoted = |s: &str| toml_edit::value(s).to_string().trim().to_owned();
    let title = b.title.as_deref().filter(|t| !t.trim().is_empty()).unwrap_or(folder);
    let mut text = format!(
        "format = 1\n\n# What the book is called, and where the panel tastes.\ntitle = {}\n",
        quoted(title)
    );
    let mut line = |key: &str, value: Option<String>, example: &str| {
        let _ = match value {
            Some(value) => writeln!(text, "{key} = {value}"),
            None => writeln!(text, "# {key} = {example}"),
        };
    };
    line("place", b.place.as_deref().map(quoted), "\"the cupping room\"");
    line("altitude_m", b.altitude_m.map(|m| m.to_string()), "1650   # water boils cooler up there");
    line("zone", Some(quoted(b.zone.as_deref().unwrap_or("UTC"))), "");
    text.push_str(REST);
    text
}

/// The unit that every new book has for a parameter; none: it has none, or another name.
#[must_use]
pub fn unit_of(id: &str) -> Option<String> {
    static STARTER: OnceLock<Option<Parameters>> = OnceLock::new();
    let starter = STARTER.get_or_init(|| toml::from_str(PARAMETERS).ok()).as_ref()?;
    super::making::unit_in(starter, id)
}

const REST: &str = r#"
# The languages of ballots and sheets, the first one first.
languages = ["en", "zh"]

# What is taken where a command does not say.
[defaults]
recipe = "iso3103"
terms = [
  "floral", "malty", "green", "sun-note", "woody", "honey", "fruit", "hay", "grass",
  "sweet", "bitter", "brisk", "flat", "body", "astringent",
  "musty", "bright", "hue", "remarks",
]

# The panel's own limits.
[limits]
# A level is printed on a sheet when its 95 % interval is at most this far to either side.
sheet_half_width = 1.0
# The most cups in a flight.
flight_cups = 8
# Moisture of packed tea, in percent (wet basis), from which a warning is given.
moisture_warning_pct = 6.5
# Moisture and water activity from which tea is not fit to be kept or served until it is dried and
# measured again: rules of our own.
moisture_block_pct = 8.0
water_activity_block = 0.6
# Humidity (percent) and temperature (°C) above which the hours in store are counted.
store_humidity_pct = 65
store_temperature_c = 25
# How much faster oxidation is taken to run with 10 degrees more: an assumption. That 3 h near 40 °C
# and 6 to 8 h at 15 to 20 °C come out alike (common practice, no source) takes one of 1.3 to 1.6.
q10 = 2.0

# The ballot on phones: whether an answer may be changed until the cup or the whole flight is handed in
# ("cup" or "flight"), and the seconds of rest between two cups.
[ballot]
go_back = "flight"
rest_s = 0

# Loggers: put their files into lots/ID/readings (of an arm: lots/ID/readings/ARM), those of a store
# room into stores/PLACE: they serve all lots while store.place says PLACE. Columns of time,
# temperature and humidity are found by their names; what is not found can be said here.
# [readings]
# time = ["Date", "Time"]
# temperature = "Probe 1 °C"
# time_format = "%d.%m.%Y %H:%M:%S"
# offset = "+08:00"          # of the logger's clock
# longest_gap_minutes = 60     # else 30, in a store 2.5 usual steps of the file if that is more
#
# Loggers that write in other ways have tables of their own, by the names of their files.
# [[readings.logger]]
# files = "stores/loft/*"
# time_format = "%m/%d/%Y %H:%M"
#
# Places whose folder has another name, or that have limits of their own.
# [[store]]
# place = "the loft above the drier"
# folder = "loft"
# humidity_pct = 60
"#;
