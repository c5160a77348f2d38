//! Logger files: temperature (and humidity) over time, as an instrument wrote them. The file is
//! never changed: what is odd in it is told, and only what cannot be understood is a mistake.

use std::fs;
use std::path::Path;

use jiff::tz::Offset;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::csv_file::MOST_MISTAKES;
use super::logger_clock::{Clock, forms_of, offset_of};
use super::logger_form::{Columns, columns_of, place_of};
use super::logger_parts::{Part, plain_parts};
use super::logger_rows::Rows;
use super::problem::{Problem, Problems};
use super::reading::files;
use super::store::{self, StoreError};

/// How logger files are read: `[readings]` in book.toml.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(inline)]
pub struct ReadingRules {
    /// The header of the column of times, or of the two of days and times; none: found by its name.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 2))]
    pub time: Vec<String>,
    /// The header of the column of temperatures; none: found by its name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature: Option<String>,
    /// The header of the column of relative humidity; none: found by its name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub humidity: Option<String>,
    /// How times are written, as "%d.%m.%Y %H:%M:%S"; none: as 2026-05-14 08:00:00.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_format: Option<String>,
    /// The offset from UTC of a logger's clock, as "+08:00"; none: that of the lot's own log.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[+-](0[0-9]|1[0-4]):[0-5][0-9]$"))]
    pub offset: Option<String>,
    /// The longest gap between two readings, in minutes, that is bridged by a straight line: more than
    /// 0; none: 30, and for the air of a store 2.5 times the usual step of the file if that is more.
    /// Common practice, no source.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub longest_gap_minutes: Option<f64>,
    /// Loggers that write in other ways: what is not said of one is as above.
    #[serde(rename = "logger", skip_serializing_if = "Vec::is_empty")]
    pub loggers: Vec<LoggerRules>,
}

/// How the files of one logger are read: `[[readings.logger]]` in book.toml.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct LoggerRules {
    /// Its files, as "stores/loft/*" or "cellar-*.csv": * stands for anything; a name without / is
    /// looked for in all folders. The first table that fits a file counts.
    #[schemars(length(min = 1, max = 200))]
    pub files: String,
    /// As in [readings].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = 2))]
    pub time: Vec<String>,
    /// As in [readings].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<String>,
    /// As in [readings].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub humidity: Option<String>,
    /// As in [readings].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_format: Option<String>,
    /// As in [readings].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[+-](0[0-9]|1[0-4]):[0-5][0-9]$"))]
    pub offset: Option<String>,
    /// As in [readings].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0))]
    pub longest_gap_minutes: Option<f64>,
}

impl LoggerRules {
    fn fits(&self, file: &str) -> bool {
        let name =
            if self.files.contains('/') { file } else { file.rsplit('/').next().unwrap_or(file) };
        matches(&self.files.to_lowercase(), &name.to_lowercase())
    }
}

/// Whether a name fits a pattern in which * stands for anything.
fn matches(pattern: &str, name: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = name.strip_prefix(first) else { return false };
    let parts: Vec<&str> = parts.collect();
    let Some((last, between)) = parts.split_last() else { return rest.is_empty() };
    for part in between {
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

impl ReadingRules {
    /// The rules by which a file of the book is read.
    #[must_use]
    pub fn of_file(&self, file: &str) -> Self {
        let mut rules = Self { loggers: Vec::new(), ..self.clone() };
        if let Some(own) = self.loggers.iter().find(|l| l.fits(file)) {
            if !own.time.is_empty() {
                rules.time.clone_from(&own.time);
            }
            let or = |own: &Option<String>, usual: Option<String>| own.clone().or(usual);
            rules.temperature = or(&own.temperature, rules.temperature);
            rules.humidity = or(&own.humidity, rules.humidity);
            rules.time_format = or(&own.time_format, rules.time_format);
            rules.offset = or(&own.offset, rules.offset);
            rules.longest_gap_minutes = own.longest_gap_minutes.or(rules.longest_gap_minutes);
        }
        rules
    }

    fn offset(&self) -> Option<Offset> {
        let text = self.offset.as_deref()?;
        offset_of(text.as_bytes()).and_then(|s| Offset::from_seconds(s).ok())
    }
}

/// The readings of one file, by their moments, each moment once.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    /// The file, relative to the book.
    pub file: String,
    /// Seconds since 1970, UTC.
    pub seconds: Vec<i64>,
    /// Degrees Celsius; none where the logger wrote nothing.
    pub celsius: Vec<Option<f64>>,
    /// Percent of relative humidity; none where the logger wrote nothing or has no such column.
    pub humidity_pct: Vec<Option<f64>>,
    /// The longest gap between two of them, in minutes, that is bridged.
    pub longest_gap_minutes: f64,
    /// The same, if the book says it: leaf that oxidises changes within minutes, so that there the
    /// step of a slow logger is none to go by.
    pub set_gap_minutes: Option<f64>,
    /// What is odd in the file, in words.
    pub notices: Vec<String>,
}

/// Reads all logger files in a folder of the book. `clock` is what times without an offset are
/// taken to be written by, unless the rules say.
///
/// # Errors
/// Only if the disk refuses to list the folder; what is wrong with a file goes into `problems`.
pub fn read_folder(
    root: &Path,
    folder: &str,
    rules: &ReadingRules,
    clock: Offset,
    problems: &mut Problems,
) -> Result<Vec<Readings>, StoreError> {
    let mut all = Vec::new();
    for name in files(&root.join(folder))? {
        if !is_table(&name) || super::copies::is_conflict_copy(&name) {
            continue;
        }
        let file = format!("{folder}/{name}");
        match store::read_for_check(root, &file, problems) {
            Ok(Some(whole)) => {
                all.extend(parse(&file, &whole.text, &rules.of_file(&file), clock, problems));
            }
            Ok(None) => {}
            Err(e) => problems.push(Problem::new(
                &file,
                None,
                format!("the file cannot be read: {e}"),
                "a file that may be read",
                "give yourself the right to read it, or move it out of the folder",
            )),
        }
    }
    Ok(all)
}

fn is_table(name: &str) -> bool {
    [".csv", ".txt", ".tsv"].iter().any(|e| name.to_lowercase().ends_with(e))
}

/// What lies in a folder of logger files and is not read as one, in words; notes are left alone.
///
/// # Errors
/// If the disk refuses to list the folder.
pub fn not_read(root: &Path, folder: &str) -> Result<Vec<String>, StoreError> {
    let mut names = files(&root.join(folder))?;
    names.retain(|n| {
        !is_table(n) && !n.to_lowercase().ends_with(".md") && !super::copies::is_conflict_copy(n)
    });
    let told = |name: String| {
        format!(
            "{folder}/{name}: is not read: a logger file is a text (.csv, .txt, .tsv) with a header \
             line; export it as CSV"
        )
    };
    Ok(names.into_iter().map(told).collect())
}

/// Whether there is any logger file in a folder.
#[must_use]
pub fn any(folder: &Path) -> bool {
    fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some())
}

/// Reads a logger file from its text.
pub fn parse(
    file: &str,
    text: &str,
    rules: &ReadingRules,
    clock: Offset,
    problems: &mut Problems,
) -> Option<Readings> {
    if text.trim().is_empty() {
        problems.push(nothing_in(file, "the file is empty"));
        return None;
    }
    let columns = match columns_of(text, rules) {
        Ok(columns) => columns,
        Err((place, found, mend)) => {
            let expected = "a header line within the first lines, with a column of times and one of \
                            temperatures (or of humidity), as time,temperature";
            problems.push(Problem::new(file, place, found, expected, mend));
            return None;
        }
    };
    let before = problems.len();
    let clock = rules.offset().unwrap_or(clock);
    let reading = |before: usize| Reading {
        file,
        text,
        columns: &columns,
        rules,
        clock,
        times: Clock::new(rules.time_format.as_deref()),
        joined: String::new(),
        rows: Rows::default(),
        before,
    };
    let body = &text[columns.body..];
    let parts = plain_parts(body);
    let rows = parts.as_deref().and_then(|parts| side_by_side(parts, || reading(0)));
    let rows = rows.unwrap_or_else(|| {
        let mut reading = reading(before);
        match parts {
            // Mistakes are told in their order, and no more of them than help.
            Some(_) => reading.plain(&Part { body, lines: 0, before: 0 }, problems),
            None => reading.quoted(body, problems),
        }
        reading.rows
    });
    if problems.len() > before {
        return None;
    }
    if rows.seconds.is_empty() {
        problems.push(nothing_in(file, "there is no reading in it"));
        return None;
    }
    Some(rows.settle(file, &columns, rules.longest_gap_minutes, clock))
}

/// The rows of all parts in their order; none if there is a mistake in any.
fn side_by_side<'a>(parts: &[Part<'_>], reading: impl Fn() -> Reading<'a> + Sync) -> Option<Rows> {
    let read = parts.par_iter().map(|part| {
        let (mut reading, mut wrong) = (reading(), Problems::default());
        reading.plain(part, &mut wrong);
        wrong.is_empty().then_some(reading.rows)
    });
    let all: Option<Vec<Rows>> = read.collect();
    all?.into_iter().reduce(|mut all, next| {
        all.append(next);
        all
    })
}

/// A file that is being read.
struct Reading<'a> {
    file: &'a str,
    text: &'a str,
    columns: &'a Columns,
    rules: &'a ReadingRules,
    clock: Offset,
    times: Clock<'a>,
    joined: String,
    rows: Rows,
    /// How many mistakes were there before.
    before: usize,
}

impl Reading<'_> {
    /// Most loggers write plain lines, and many of them.
    fn plain(&mut self, part: &Part<'_>, problems: &mut Problems) {
        self.rows.reserve(part.lines + 1);
        let before = self.columns.header_line + part.before;
        let mut ends: Vec<usize> = Vec::new();
        for (at, line) in part.body.split('\n').enumerate() {
            let line = line.strip_suffix('\r').unwrap_or(line);
            ends.clear();
            let bytes = line.bytes().enumerate();
            ends.extend(bytes.filter(|b| b.1 == self.columns.delimiter).map(|b| b.0));
            ends.push(line.len());
            if !self.record(before + at + 1, Cells::Plain(line, &ends), problems) {
                break;
            }
        }
    }

    /// With quotes, or with line ends of another kind.
    fn quoted(&mut self, body: &str, problems: &mut Problems) {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(self.columns.delimiter)
            .from_reader(body.as_bytes());
        let mut record = csv::StringRecord::new();
        // The text is UTF-8 and lines may be of any length: no error is left that could end it early.
        while let Ok(true) = reader.read_record(&mut record) {
            let line =
                self.columns.header_line + record.position().map_or(1, |p| p.line() as usize);
            if !self.record(line, Cells::Quoted(&record), problems) {
                break;
            }
        }
    }

    /// Reads a line; says whether to go on.
    fn record(&mut self, line: usize, record: Cells<'_>, problems: &mut Problems) -> bool {
        if record.iter().all(|c| trimmed(c).is_empty()) {
            return true;
        }
        let times = (self.clock, &mut self.times);
        match row(self.file, record, self.columns, self.rules, times, &mut self.joined) {
            Ok((second, other_clock, celsius, humidity)) => {
                self.rows.push(line, second, celsius, humidity);
                if other_clock {
                    self.rows.n_other_clock += 1;
                    self.rows.first_other_clock.get_or_insert(line);
                }
                true
            }
            Err(m) => {
                let place = place_of(self.text, line, self.columns.delimiter, m.cell);
                problems.push(Problem::new(self.file, Some(place), m.found, m.expected, m.mend));
                // With times or cells of another form every line would be told.
                !(((m.of_form || m.cell == self.columns.time[0]) && self.rows.seconds.is_empty())
                    || problems.len() >= self.before + MOST_MISTAKES)
            }
        }
    }
}

/// The cells of a line.
#[derive(Clone, Copy)]
enum Cells<'a> {
    /// The line, and where each of its cells ends.
    Plain(&'a str, &'a [usize]),
    Quoted(&'a csv::StringRecord),
}

impl<'a> Cells<'a> {
    fn len(self) -> usize {
        match self {
            Cells::Plain(_, ends) => ends.len(),
            Cells::Quoted(record) => record.len(),
        }
    }

    fn cell(self, at: usize) -> &'a str {
        match self {
            Cells::Plain(line, ends) => {
                let from = at.checked_sub(1).map_or(0, |before| ends[before] + 1);
                &line[from..ends[at]]
            }
            Cells::Quoted(record) => &record[at],
        }
    }

    fn iter(self) -> impl DoubleEndedIterator<Item = &'a str> {
        (0..self.len()).map(move |at| self.cell(at))
    }
}

/// A cell without the white space around it; most have none.
fn trimmed(cell: &str) -> &str {
    let bytes = cell.as_bytes();
    match (bytes.first(), bytes.last()) {
        (Some(first), Some(last)) if first.is_ascii_graphic() && last.is_ascii_graphic() => cell,
        _ => cell.trim(),
    }
}

/// 21.5 and the like: both the digits and the power of ten are exact, so that their quotient is the
/// nearest number to what is written.
fn short_decimal(text: &str) -> Option<f64> {
    const LONGEST: usize = 15;
    let (mut digits, mut after, mut point) = (0_u64, 0, false);
    if text.is_empty() || text.len() > LONGEST || text == "." {
        return None;
    }
    for b in text.bytes() {
        match b {
            b'0'..=b'9' => {
                digits = digits * 10 + u64::from(b - b'0');
                after += i32::from(point);
            }
            b'.' if !point => point = true,
            _ => return None,
        }
    }
    Some(digits as f64 / 10_f64.powi(after))
}

fn nothing_in(file: &str, found: &str) -> Problem {
    Problem::new(
        file,
        None,
        found,
        "a header line, and a line for each reading below it",
        "fetch the file from the logger again, or take it out of the folder",
    )
}

struct Mistake {
    cell: usize,
    found: String,
    expected: String,
    mend: String,
    /// Whether the line has another form than its header says.
    of_form: bool,
}

/// A line has a cell for each column of the header that is read, and none beyond it.
fn cells(record: Cells<'_>, columns: &Columns) -> Result<(), Mistake> {
    let read = columns.time.iter().copied().chain(columns.celsius).chain(columns.humidity);
    let least = read.max().map_or(0, |at| at + 1);
    let empty = record.iter().rev().take_while(|c| trimmed(c).is_empty()).count();
    let n = record.len() - empty;
    let too_many = n > columns.n_cells;
    if !too_many && record.len() >= least {
        return Ok(());
    }
    let n = if too_many { n } else { record.len() };
    Err(Mistake {
        cell: if too_many { columns.n_cells } else { n.saturating_sub(1) },
        found: format!("the line has {n} {}", if n == 1 { "cell" } else { "cells" }),
        expected: format!("{} cells, as in the header line", columns.n_cells),
        mend: match (too_many, columns.delimiter) {
            (true, b',') => {
                "numbers with a decimal comma need quotes around them (\"18,5\") in a file whose \
                 cells end at commas: export it with decimal points, or with semicolons between the cells"
            }
            (true, _) => "name each column in the header line, or fetch the file again",
            (false, _) => "fetch the file from the logger again, or cut off what is no reading",
        }
        .to_owned(),
        of_form: too_many,
    })
}

type Row = (i64, bool, Option<f64>, Option<f64>);

fn row(
    file: &str,
    record: Cells<'_>,
    columns: &Columns,
    rules: &ReadingRules,
    (clock, times): (Offset, &mut Clock<'_>),
    joined: &mut String,
) -> Result<Row, Mistake> {
    cells(record, columns)?;
    let text = match columns.time.as_slice() {
        [day, time] => {
            joined.clear();
            joined.push_str(trimmed(record.cell(*day)));
            joined.push(' ');
            joined.push_str(trimmed(record.cell(*time)));
            joined.as_str()
        }
        [one, ..] => trimmed(record.cell(*one)),
        [] => "",
    };
    let (local, own) = times.read(text).ok_or_else(|| Mistake {
        cell: columns.time.first().copied().unwrap_or(0),
        found: format!("the time is \"{}\"", clip(text)),
        expected: match &rules.time_format {
            Some(format) => format!("a time as time_format in book.toml says: {format}"),
            None => "a time as 2026-05-14 08:00:00".to_owned(),
        },
        mend: format!(
            "say in book.toml how it is written: under [[readings.logger]] files = \"{file}\" and {}",
            forms_of(text)
        ),
        of_form: false,
    })?;
    let second = local - i64::from(own.unwrap_or(clock).seconds());
    let celsius = match columns.celsius {
        Some(at) => number(record, at, "temperature", [-40.0, 300.0], |x| {
            columns.scale.map_or(x, |scale| scale.celsius(x))
        })?,
        None => None,
    };
    let humidity = match columns.humidity.filter(|at| *at < record.len()) {
        Some(at) => number(record, at, "humidity", [0.0, 100.0], |x| x)?,
        None => None,
    };
    Ok((second, own.is_some_and(|o| o != clock), celsius, humidity))
}

fn number(
    record: Cells<'_>,
    cell: usize,
    what: &str,
    [low, high]: [f64; 2],
    own_unit: impl Fn(f64) -> f64,
) -> Result<Option<f64>, Mistake> {
    let text = trimmed(record.cell(cell));
    let number = match short_decimal(text).map_or_else(|| text.parse::<f64>(), Ok) {
        Ok(x) if x.is_finite() => Ok(x),
        _ => {
            let nothing = ["", "na", "nan", "-", "--", "---"];
            if nothing.iter().any(|n| text.eq_ignore_ascii_case(n)) {
                return Ok(None);
            }
            // 21,5 as some loggers write it.
            if text.contains(',') && !text.contains('.') {
                text.replace(',', ".").parse::<f64>()
            } else {
                text.parse::<f64>()
            }
        }
    };
    match number.map(own_unit) {
        Ok(x) if (low..=high).contains(&x) => Ok(Some(x)),
        _ => Err(Mistake {
            cell,
            found: format!("the {what} is \"{}\"", clip(text)),
            expected: if what == "humidity" {
                "a number from 0 to 100, or nothing".to_owned()
            } else {
                "a number from -40 to 300 °C, or nothing".to_owned()
            },
            of_form: false,
            mend: "a logger that fails writes nothing reliable: see what it measured, and empty the cell"
                .to_owned(),
        }),
    }
}

fn clip(text: &str) -> String {
    text.chars().take(40).map(|c| if c.is_control() { ' ' } else { c }).collect()
}
