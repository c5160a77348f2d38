//! Logs: CSV files of whole lines, each bad cell with its place.

use std::path::Path;

use serde_json::{Value, json};

use super::problem::{Place, Problem, Problems, did_you_mean};
use super::store::{self, StoreError};
use super::time::Moment;

/// So many mistakes are listed of one file; with more of them it is another kind of file.
pub const MOST_MISTAKES: usize = 100;

/// What the cells of a column hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell {
    /// Any text in one line.
    Text,
    /// An id: ASCII letters, digits, `-`, `_`, `.`.
    Id,
    /// A whole number within limits.
    Whole(u64, u64),
    /// A number.
    Number,
    /// A moment with offset (RFC 3339).
    Moment,
    /// One of these words.
    OneOf(&'static [&'static str]),
}

/// A column of a log.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Its name in the header line.
    pub name: &'static str,
    /// What it holds.
    pub cell: Cell,
    /// Whether a cell may be empty.
    pub may_be_empty: bool,
    /// What it means, for the schema.
    pub description: &'static str,
}

/// A column whose cells must be filled.
#[must_use]
pub const fn filled(name: &'static str, cell: Cell, description: &'static str) -> Column {
    Column { name, cell, may_be_empty: false, description }
}

/// A column whose cells may be empty.
#[must_use]
pub const fn optional(name: &'static str, cell: Cell, description: &'static str) -> Column {
    Column { name, cell, may_be_empty: true, description }
}

/// A line of a log.
pub trait Record: Sized {
    /// The columns in the order in which they are written.
    const COLUMNS: &'static [Column];

    /// The line from its cells, each of which fits its column. `Err` is (column, found,
    /// expected, mend) where the cells contradict each other.
    ///
    /// # Errors
    /// The contradiction.
    fn from_cells(cells: &Cells<'_>) -> Result<Self, Contradiction>;

    /// The cells of the line, in the order of the columns.
    fn to_cells(&self) -> Vec<String>;
}

/// A cell that fits its column but not the rest of its line.
#[derive(Debug, Clone)]
pub struct Contradiction {
    /// The column to mark.
    pub column: &'static str,
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

/// The cells of one line, by column name; every cell already fits its column.
#[derive(Debug)]
pub struct Cells<'a> {
    cells: Vec<&'a str>,
    columns: &'static [Column],
}

impl<'a> Cells<'a> {
    fn raw(&self, name: &str) -> &'a str {
        self.columns.iter().position(|c| c.name == name).map_or("", |i| self.cells[i])
    }

    /// The text of a cell, `None` if it is empty.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<String> {
        Some(self.raw(name)).filter(|s| !s.is_empty()).map(from_spreadsheet)
    }

    /// The text of a filled cell (empty if the column does not exist).
    #[must_use]
    pub fn filled(&self, name: &str) -> String {
        from_spreadsheet(self.raw(name))
    }

    /// A number, `None` if the cell is empty.
    #[must_use]
    pub fn number(&self, name: &str) -> Option<f64> {
        self.raw(name).parse().ok()
    }

    /// A whole number, `None` if the cell is empty.
    #[must_use]
    pub fn whole(&self, name: &str) -> Option<u64> {
        self.raw(name).parse().ok()
    }

    /// A moment, `None` if the cell is empty.
    #[must_use]
    pub fn moment(&self, name: &str) -> Option<Moment> {
        self.raw(name).parse().ok()
    }
}

/// A line as it was read, with its place.
#[derive(Debug, Clone)]
pub struct Line<T> {
    /// What it says.
    pub value: T,
    /// Its line number in the file, from 1 (the header is line 1).
    pub number: usize,
}

/// A log as it was read.
#[derive(Debug, Clone)]
pub struct Log<T> {
    /// The file, relative to the book.
    pub file: String,
    /// Its whole lines.
    pub lines: Vec<Line<T>>,
    /// The last line, if it has no line end: it does not count.
    pub torn: Option<String>,
    text: String,
}

impl<T: Record> Log<T> {
    /// A log that has no line yet.
    #[must_use]
    pub fn empty(file: &str) -> Self {
        Self { file: file.to_owned(), lines: Vec::new(), torn: None, text: String::new() }
    }

    /// The values of the lines.
    pub fn values(&self) -> impl Iterator<Item = &T> {
        self.lines.iter().map(|l| &l.value)
    }

    /// A problem at a cell of a line.
    pub fn problem(
        &self,
        line: usize,
        column: &str,
        found: impl Into<String>,
        expected: impl Into<String>,
        mend: impl Into<String>,
    ) -> Problem {
        let header = self.text.lines().next().unwrap_or_default();
        let index = split_line(header).iter().position(|(_, c)| c == column);
        let place = place_of_cell(&self.text, line, index.unwrap_or(0));
        Problem::new(self.file.clone(), Some(place), found, expected, mend)
    }
}

/// Reads a log. A file that does not exist is an empty log. Mistakes go into `problems`; lines
/// without mistakes are returned all the same.
///
/// # Errors
/// Only if the disk refuses.
pub fn read<T: Record>(
    root: &Path,
    file: &str,
    problems: &mut Problems,
) -> Result<Log<T>, StoreError> {
    let path = root.join(file);
    if !path.exists() {
        return Ok(Log::empty(file));
    }
    Ok(store::read_for_check(root, file, problems)?
        .map_or_else(|| Log::empty(file), |whole| parse(file, whole.text, problems)))
}

/// As [`read`], from a text in memory.
pub fn parse<T: Record>(file: &str, text: String, problems: &mut Problems) -> Log<T> {
    let whole = text.rfind('\n').map_or(0, |i| i + 1);
    let torn = Some(text[whole..].to_owned()).filter(|t| !t.is_empty());
    let mut log = Log { file: file.to_owned(), lines: Vec::new(), torn, text };
    let body = &log.text[..whole];
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(body.as_bytes());
    let mut records = reader.records();
    let header = match records.next() {
        Some(Ok(header)) => header,
        _ => {
            if log.torn.is_some() {
                problems.push(Problem::new(
                    file,
                    Some(place_of_cell(&log.text, 1, 0)),
                    "the header line has no line end",
                    header_line::<T>().trim_end(),
                    "write the header line, then one line an entry",
                ));
            }
            return log;
        }
    };
    let Some(order) = match_columns::<T>(file, &log.text, &header, problems) else { return log };
    let mut lines = Vec::new();
    let before = problems.len();
    for record in records {
        let Ok(record) = record else { continue };
        if problems.len() >= before + MOST_MISTAKES {
            let at = record.position().map_or(0, |p| p.line() as usize);
            problems.push(Problem::new(
                file,
                Some(place_of_cell(&log.text, at, 0)),
                "the file is not read further",
                "a log with few mistakes",
                "mend those above first, or see whether this is the right file",
            ));
            break;
        }
        let number = record.position().map_or(0, |p| p.line() as usize);
        if let Some(value) = read_line::<T>(file, &log.text, number, &record, &order, problems) {
            lines.push(Line { value, number });
        }
    }
    log.lines = lines;
    log
}

/// For each of the type's columns its place in the file, if the file has it.
fn match_columns<T: Record>(
    file: &str,
    text: &str,
    header: &csv::StringRecord,
    problems: &mut Problems,
) -> Option<Vec<Option<usize>>> {
    let before = problems.len();
    let known: Vec<&str> = T::COLUMNS.iter().map(|c| c.name).collect();
    let mut order = vec![None; known.len()];
    for (at, name) in header.iter().enumerate() {
        match known.iter().position(|k| *k == name.trim()) {
            Some(i) if order[i].is_none() => order[i] = Some(at),
            Some(_) => problems.push(Problem::new(
                file,
                Some(place_of_cell(text, 1, at)),
                format!("the column \"{name}\" stands here a second time"),
                "each column once",
                "take one of the two out",
            )),
            None => problems.push(Problem::new(
                file,
                Some(place_of_cell(text, 1, at)),
                format!("\"{name}\" is not a column of this file"),
                known.join(","),
                did_you_mean(name, known.iter().copied(), "take the column out"),
            )),
        }
    }
    for (column, at) in T::COLUMNS.iter().zip(&order) {
        if at.is_none() && !column.may_be_empty {
            problems.push(Problem::new(
                file,
                Some(place_of_cell(text, 1, 0)),
                format!("the column \"{}\" is missing", column.name),
                known.join(","),
                format!("add the column {}: {}", column.name, column.description),
            ));
        }
    }
    (problems.len() == before).then_some(order)
}

fn read_line<T: Record>(
    file: &str,
    text: &str,
    number: usize,
    record: &csv::StringRecord,
    order: &[Option<usize>],
    problems: &mut Problems,
) -> Option<T> {
    let before = problems.len();
    let width = order.iter().flatten().count();
    if record.len() != width {
        problems.push(Problem::new(
            file,
            Some(place_of_cell(text, number, record.len().min(width).saturating_sub(1))),
            format!("the line has {} cells", record.len()),
            format!("{width} cells, as in the header line"),
            "a cell with a comma or a quote in it needs quotes around it",
        ));
        return None;
    }
    let cells: Vec<&str> =
        order.iter().map(|at| at.map_or("", |i| record.get(i).unwrap_or(""))).collect();
    for ((column, cell), at) in T::COLUMNS.iter().zip(&cells).zip(order) {
        if let Some((found, expected, mend)) = misfit(column, cell) {
            let place = place_of_cell(text, number, at.unwrap_or(0));
            problems.push(Problem::new(file, Some(place), found, expected, mend));
        }
    }
    if problems.len() > before {
        return None;
    }
    match T::from_cells(&Cells { cells, columns: T::COLUMNS }) {
        Ok(value) => Some(value),
        Err(c) => {
            let index = T::COLUMNS.iter().position(|k| k.name == c.column);
            let at = index.and_then(|i| order[i]).unwrap_or(0);
            let place = place_of_cell(text, number, at);
            problems.push(Problem::new(file, Some(place), c.found, c.expected, c.mend));
            None
        }
    }
}

fn misfit(column: &Column, cell: &str) -> Option<(String, String, String)> {
    let name = column.name;
    if cell.is_empty() {
        return (!column.may_be_empty).then(|| {
            (format!("{name} is empty"), column.description.to_owned(), format!("fill in {name}"))
        });
    }
    let say = |expected: String, mend: String| {
        Some((format!("{name} is \"{}\"", clip(cell)), expected, mend))
    };
    if cell.contains(['\n', '\r']) {
        return say(
            "a cell in one line".to_owned(),
            "take the line break out of the cell, or close the quotes in its line".to_owned(),
        );
    }
    match column.cell {
        Cell::Text => None,
        Cell::Id if super::ids::is_id(cell) => None,
        Cell::Id => say(super::ids::RULE.to_owned(), format!("correct {name}")),
        Cell::Whole(low, high) => match cell.parse::<u64>() {
            Ok(n) if (low..=high).contains(&n) => None,
            _ => say(
                if high == u64::MAX {
                    format!("a whole number from {low} up")
                } else {
                    format!("a whole number from {low} to {high}")
                },
                format!("correct {name}"),
            ),
        },
        Cell::Number => match cell.parse::<f64>() {
            Ok(x) if x.is_finite() => None,
            _ => say(
                "a number, with a point for decimals".to_owned(),
                "write it as in 3.5, without its unit".to_owned(),
            ),
        },
        Cell::Moment => match cell.parse::<Moment>() {
            Ok(_) => None,
            Err(why) => Some((why, column.description.to_owned(), format!("correct {name}"))),
        },
        Cell::OneOf(words) if words.contains(&cell) => None,
        Cell::OneOf(words) => say(
            format!("one of {}", words.join(", ")),
            did_you_mean(cell, words.iter().copied(), "choose one of these"),
        ),
    }
}

fn clip(cell: &str) -> String {
    let cell: String =
        cell.chars().take(61).map(|c| if c.is_control() { '⏎' } else { c }).collect();
    if cell.chars().count() > 60 {
        format!("{}…", cell.chars().take(57).collect::<String>())
    } else {
        cell
    }
}

/// The place of a cell: line from 1, cell from 0.
#[must_use]
pub fn place_of_cell(text: &str, line: usize, cell: usize) -> Place {
    let content = text.split('\n').nth(line.saturating_sub(1)).unwrap_or_default();
    let content = content.trim_end_matches('\r');
    let cells = split_line(content);
    let (column, width) = cells
        .get(cell)
        .or(cells.last())
        .map_or((1, 1), |(at, c)| (content[..*at].chars().count() + 1, c.chars().count().max(1)));
    Place { line, column, width, text: content.to_owned() }
}

/// The cells of a line with their byte offsets; quotes are taken off.
fn split_line(line: &str) -> Vec<(usize, String)> {
    let mut cells = Vec::new();
    let mut start = 0;
    let mut quoted = false;
    for (i, c) in line.char_indices() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => {
                cells.push((start, unquote(&line[start..i])));
                start = i + 1;
            }
            _ => {}
        }
    }
    cells.push((start, unquote(&line[start..])));
    cells
}

fn unquote(cell: &str) -> String {
    cell.strip_prefix('"')
        .and_then(|c| c.strip_suffix('"'))
        .map_or_else(|| cell.to_owned(), |c| c.replace("\"\"", "\""))
}

/// A text that a spreadsheet would take for a formula is written with an apostrophe before it.
#[must_use]
pub fn for_spreadsheet(text: &str) -> String {
    let one_line = text.replace(['\n', '\r'], " ");
    let number = one_line.parse::<f64>().is_ok();
    if !number && one_line.starts_with(['=', '+', '-', '@', '\t', '\'']) {
        format!("'{one_line}")
    } else {
        one_line
    }
}

fn from_spreadsheet(cell: &str) -> String {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@', '\t', '\'']) => rest.to_owned(),
        _ => cell.to_owned(),
    }
}

/// The header line of a log, with its line end.
#[must_use]
pub fn header_line<T: Record>() -> String {
    let names: Vec<&str> = T::COLUMNS.iter().map(|c| c.name).collect();
    format!("{}\n", names.join(","))
}

/// Lines as they are appended to a log, each with its line end.
#[must_use]
pub fn lines_of<T: Record>(records: &[T]) -> String {
    let mut writer = csv::WriterBuilder::new().has_headers(false).from_writer(Vec::new());
    for record in records {
        let cells: Vec<String> = record
            .to_cells()
            .into_iter()
            .zip(T::COLUMNS)
            .map(
                |(cell, column)| {
                    if column.cell == Cell::Text { for_spreadsheet(&cell) } else { cell }
                },
            )
            .collect();
        writer.write_record(&cells).expect("writing to memory does not fail");
    }
    let bytes = writer.into_inner().expect("writing to memory does not fail");
    String::from_utf8(bytes).expect("cells are texts")
}

/// Appends lines to a log of the record, synced before it returns.
///
/// # Errors
/// If the disk refuses; the log then is what it was.
pub fn append<T: Record>(root: &Path, file: &str, records: &[T]) -> Result<(), StoreError> {
    append_on(&store::OwnDisk, root, file, records)
}

/// As [`append`], on a disk of the caller's.
///
/// # Errors
/// As [`append`].
pub fn append_on<T: Record>(
    disk: &dyn store::Disk,
    root: &Path,
    file: &str,
    records: &[T],
) -> Result<(), StoreError> {
    if records.is_empty() {
        return Ok(());
    }
    store::append_on(disk, &root.join(file), &header_line::<T>(), &lines_of(records))
}

/// The Table Schema (a JSON description of a CSV file's columns) of a log.
#[must_use]
pub fn table_schema<T: Record>(title: &str) -> Value {
    let fields: Vec<Value> = T::COLUMNS
        .iter()
        .map(|c| {
            let (kind, mut constraints) = match c.cell {
                Cell::Text => ("string", json!({})),
                Cell::Id => ("string", json!({"pattern": super::ids::PATTERN})),
                Cell::Whole(low, high) if high == u64::MAX => ("integer", json!({"minimum": low})),
                Cell::Whole(low, high) => ("integer", json!({"minimum": low, "maximum": high})),
                Cell::Number => ("number", json!({})),
                Cell::Moment => ("datetime", json!({})),
                Cell::OneOf(words) => ("string", json!({"enum": words})),
            };
            constraints["required"] = json!(!c.may_be_empty);
            json!({"name": c.name, "type": kind, "description": c.description, "constraints": constraints})
        })
        .collect();
    json!({"title": title, "fields": fields, "missingValues": [""]})
}
