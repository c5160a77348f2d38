//! Scores from any plain table: one line a score with a column that names the term, or one line
//! a cup with one column a term.

use std::collections::{BTreeMap, HashMap};

use super::doubles::Doubles;
use super::options::{TableError, TableOptions};
use super::table_file::{Record, TableFile};
use super::{Builder, ScaleKind, ScoreRow, ScoredTerm, Scores, Source};
use crate::book::labels::Labels;
use crate::book::problem::{Problem, Problems, did_you_mean, nearest};
use crate::book::time::{A_DAY, Day};
use crate::book::vocabulary::Ends;

/// Reading stops when so many cells are wrong: more would not be read by anybody.
const ENOUGH_MISTAKES: usize = 10;

/// Reads a table.
///
/// Empty cells (and `NA`) where a score is due are gaps: counted, and said. A lot with an arm is
/// called lot@arm.
///
/// # Errors
/// [`TableError`]: each mistake with its line and column, what was expected and how to mend it.
pub fn from_table(options: &TableOptions) -> Result<Scores, TableError> {
    let kinds = scale_flags(&options.scale)?;
    let file = TableFile::open(&options.path, options.delimiter)?;
    let columns = Columns::find(&file, options)?;
    let mut reading = Reading {
        file: &file,
        columns: &columns,
        kinds: &kinds,
        decimal: options.decimal.unwrap_or('.'),
        problems: Problems::new(),
        builder: Builder::default(),
        terms: Vec::new(),
        seen: BTreeMap::new(),
        before: HashMap::new(),
        first_day: None,
        doubles: Doubles::default(),
    };
    if let Some(at) = columns.date {
        // Months count from the first day of all; a bad one is reported when its line is read.
        let days = file.lines().filter_map(|r| r.cells.get(at)?.trim().parse::<Day>().ok());
        reading.first_day = days.min();
    }
    if columns.term.is_none() {
        for at in &columns.values {
            reading.term(&file.header[*at]);
        }
    }
    let mut stopped = false;
    let mut lines: Vec<Record> = Vec::new();
    for record in file.lines() {
        if record.cells.iter().all(|c| c.trim().is_empty()) {
            continue;
        }
        reading.doubles.count(&file, &record);
        // The lot before a cup is known only when all lines of the flight have been seen.
        if columns.position.is_some() {
            reading.remember(&record);
            lines.push(record);
            continue;
        }
        reading.line(&record);
        if reading.problems.len() >= ENOUGH_MISTAKES {
            stopped = true;
            break;
        }
    }
    for record in &lines {
        reading.line(record);
        if reading.problems.len() >= ENOUGH_MISTAKES {
            stopped = true;
            break;
        }
    }
    reading.finish(options, stopped)
}

type Kinds = (Option<ScaleKind>, BTreeMap<String, ScaleKind>);

fn scale_flags(flags: &[String]) -> Result<Kinds, TableError> {
    let mut all = None;
    let mut by_term = BTreeMap::new();
    for flag in flags {
        let (term, kind) =
            flag.rsplit_once('=').map_or((None, flag.as_str()), |(t, k)| (Some(t), k));
        let known = ScaleKind::NAMES.iter().find(|(name, _)| *name == kind);
        let Some((_, kind)) = known else {
            let names = ScaleKind::NAMES.map(|(n, _)| n);
            return Err(TableError::Command {
                found: format!("--scale {flag}: \"{kind}\" is no scale of a table"),
                expected: format!("KIND or TERM=KIND, KIND one of {}", names.join(", ")),
                mend: did_you_mean(kind, names, "choose one of these"),
            });
        };
        match term {
            Some(term) => {
                by_term.insert(term.to_owned(), *kind);
            }
            None => all = Some(*kind),
        }
    }
    Ok((all, by_term))
}

/// Where in a line each thing stands.
struct Columns {
    lot: Vec<usize>,
    arm: Option<usize>,
    taster: Option<usize>,
    replicate: Option<usize>,
    session: Option<usize>,
    flight: Option<usize>,
    position: Option<usize>,
    brew: Option<usize>,
    recipe: Option<usize>,
    steep: Option<usize>,
    month: Option<usize>,
    date: Option<usize>,
    term: Option<usize>,
    values: Vec<usize>,
}

impl Columns {
    fn find(file: &TableFile, o: &TableOptions) -> Result<Self, TableError> {
        let one = |flag: &str, name: &Option<String>| {
            name.as_deref().map(|n| column(file, flag, n)).transpose()
        };
        if o.lot.is_empty() {
            return Err(missing_flag(file, "--lot", "the column (or columns) that name the lot"));
        }
        if o.value.is_empty() {
            let what = "the column of scores, or one column a term";
            return Err(missing_flag(file, "--value", what));
        }
        let columns = Self {
            lot: several(file, "--lot", &o.lot)?,
            arm: one("--arm", &o.arm)?,
            taster: one("--taster", &o.taster)?,
            replicate: one("--replicate", &o.replicate)?,
            session: one("--session", &o.session)?,
            flight: one("--flight", &o.flight)?,
            position: one("--position", &o.position)?,
            brew: one("--brew", &o.brew)?,
            recipe: one("--recipe", &o.recipe)?,
            steep: one("--steep", &o.steep)?,
            month: one("--month", &o.month)?,
            date: one("--date", &o.date)?,
            term: one("--term", &o.term)?,
            values: several(file, "--value", &o.value)?,
        };
        if columns.term.is_some() && columns.values.len() > 1 {
            return Err(TableError::Command {
                found: format!("--term with {} columns of values", columns.values.len()),
                expected:
                    "--term COL --value COL where one line is one score, or --value COL,COL,… \
                           without --term where each term has its own column"
                        .to_owned(),
                mend: "leave --term out, or name one column of values".to_owned(),
            });
        }
        Ok(columns)
    }
}

fn missing_flag(file: &TableFile, flag: &str, what: &str) -> TableError {
    TableError::Command {
        found: format!("{flag} is missing"),
        expected: format!("{flag} COL, {what}"),
        mend: format!("the columns of {} are {}", file.name, listed(&file.header)),
    }
}

pub(super) fn listed(names: &[String]) -> String {
    const MOST: usize = 30;
    let shown: Vec<&str> = names.iter().take(MOST).map(String::as_str).collect();
    let more = names.len().saturating_sub(MOST);
    if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
}

/// The columns of a flag that may name several: each word is a column as it stands, or else
/// several with commas between them.
pub(super) fn several(
    file: &TableFile,
    flag: &str,
    words: &[String],
) -> Result<Vec<usize>, TableError> {
    let mut found = Vec::new();
    for word in words {
        if file.header.contains(word) {
            found.push(column(file, flag, word)?);
        } else {
            for part in word.split(',').map(str::trim).filter(|p| !p.is_empty()) {
                found.push(column(file, flag, part)?);
            }
        }
    }
    let mut once = Vec::new();
    for at in found {
        if once.contains(&at) {
            return Err(TableError::Command {
                found: format!("{flag} names the column \"{}\" twice", file.header[at]),
                expected: "each column once".to_owned(),
                mend: "take one of the two out".to_owned(),
            });
        }
        once.push(at);
    }
    Ok(once)
}

pub(super) fn column(file: &TableFile, flag: &str, name: &str) -> Result<usize, TableError> {
    let mut places = file.header.iter().enumerate().filter(|(_, h)| *h == name.trim());
    let flag_error = |at: usize, found: String, mend: String| {
        TableError::Flag(Box::new(Problem::new(
            file.name.clone(),
            Some(file.header_place(at)),
            found,
            format!("{flag} with one of {}", listed(&file.header)),
            mend,
        )))
    };
    match (places.next(), places.next()) {
        (Some((at, _)), None) => Ok(at),
        (Some(_), Some((second, _))) => Err(flag_error(
            second,
            format!("{flag} {name}: two columns have this name"),
            "give one of them another name in the header line".to_owned(),
        )),
        (None, _) => {
            let known = file.header.iter().map(String::as_str);
            let near = nearest(name, known.clone());
            let at = near.and_then(|n| file.header.iter().position(|h| h == n)).unwrap_or(0);
            let otherwise = if file.header.len() == 1 {
                "name the sign between the cells with --delimiter"
            } else {
                "correct the flag or the header line"
            };
            Err(flag_error(
                at,
                format!("{flag} {name}: there is no such column"),
                did_you_mean(name, known, otherwise),
            ))
        }
    }
}

/// A taster's flight: lines with the same taster, session, flight and replicate.
type Sitting = [String; 4];

struct Reading<'a> {
    file: &'a TableFile,
    columns: &'a Columns,
    kinds: &'a Kinds,
    decimal: char,
    problems: Problems,
    builder: Builder,
    terms: Vec<ScoredTerm>,
    seen: BTreeMap<String, usize>,
    before: HashMap<Sitting, Vec<(f64, String)>>,
    first_day: Option<Day>,
    doubles: Doubles,
}

impl Reading<'_> {
    /// The place of a term among the terms; a new one is added.
    fn term(&mut self, id: &str) -> usize {
        if let Some(at) = self.seen.get(id) {
            return *at;
        }
        let scale = self.kinds.1.get(id).copied().or(self.kinds.0).unwrap_or(ScaleKind::Line);
        self.terms.push(ScoredTerm {
            id: id.to_owned(),
            scale,
            ends: None,
            labels: Labels::default(),
            end_words: Ends::new(),
            level_words: Default::default(),
            gaps: 0,
        });
        self.seen.insert(id.to_owned(), self.terms.len() - 1);
        self.terms.len() - 1
    }

    fn cell<'r>(&self, record: &'r Record, at: usize) -> &'r str {
        record.cells.get(at).unwrap_or("").trim()
    }

    fn mistake(&mut self, record: &Record, at: usize, found: String, expected: &str, mend: &str) {
        let place = self.file.place(record, at);
        let problem = Problem::new(self.file.name.clone(), Some(place), found, expected, mend);
        self.problems.push(problem);
    }

    /// A word that must be there if its column was named.
    fn word<'r>(&mut self, record: &'r Record, at: Option<usize>) -> Option<&'r str> {
        let at = at?;
        let word = self.cell(record, at);
        if word.is_empty() {
            let name = self.file.header[at].clone();
            self.mistake(
                record,
                at,
                format!("{name} is empty"),
                "a name in every line that holds scores",
                &format!("fill in {name}, or take the line out"),
            );
            return None;
        }
        Some(word)
    }

    fn lot(&mut self, record: &Record) -> String {
        let mut lot = String::new();
        for (i, at) in self.columns.lot.iter().enumerate() {
            if i > 0 {
                lot.push('_');
            }
            lot.push_str(self.word(record, Some(*at)).unwrap_or_default());
        }
        if let Some(arm) =
            self.columns.arm.map(|at| self.cell(record, at)).filter(|a| !a.is_empty())
        {
            lot.push('@');
            lot.push_str(arm);
        }
        lot
    }

    fn sitting(&self, record: &Record) -> Sitting {
        let c = self.columns;
        [c.taster, c.session, c.flight, c.replicate]
            .map(|at| at.map_or_else(String::new, |at| self.cell(record, at).to_owned()))
    }

    fn remember(&mut self, record: &Record) {
        let Some(at) = self.columns.position else { return };
        // A bad place is reported when the line is read.
        if let Some(position) = read_number(self.cell(record, at), self.decimal) {
            let before = self.problems.len();
            let lot = self.lot(record);
            if self.problems.len() == before {
                self.before.entry(self.sitting(record)).or_default().push((position, lot));
            } else {
                self.problems = Problems::new();
            }
        }
    }

    fn previous(&self, record: &Record, position: Option<f64>) -> Option<String> {
        let cups = self.before.get(&self.sitting(record))?;
        let position = position?;
        cups.iter()
            .filter(|(p, _)| *p < position)
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, lot)| lot.clone())
    }

    fn number(&mut self, record: &Record, at: Option<usize>) -> Option<f64> {
        let at = at?;
        let cell = self.cell(record, at);
        if is_gap(cell) {
            return None;
        }
        match read_number(cell, self.decimal) {
            Some(x) => Some(x),
            None => {
                let found = format!("{} is \"{}\"", self.file.header[at], clip(cell));
                let mend = "write it as in 3 or 3.5, or leave the cell empty";
                self.mistake(record, at, found, "a number", mend);
                None
            }
        }
    }

    /// When the line was tasted, in months, and what a session of that time is called.
    fn time(&mut self, record: &Record) -> (Option<f64>, Option<String>) {
        if let Some(at) = self.columns.date {
            let Some(word) = self.word(record, Some(at)) else { return (None, None) };
            let Ok(day) = word.parse::<Day>() else {
                let found = format!("{} is \"{}\"", self.file.header[at], clip(word));
                self.mistake(record, at, found, A_DAY, "write the date so");
                return (None, None);
            };
            let month = self.first_day.map(|first| day.months_since(first));
            return (month, Some(day.to_string()));
        }
        let Some(at) = self.columns.month else { return (None, None) };
        let cell = self.cell(record, at);
        match read_number(cell, self.decimal) {
            Some(month) => (Some(month), Some(format!("month {month}"))),
            None => {
                let name = &self.file.header[at];
                let found = match cell {
                    "" => format!("{name} is empty"),
                    _ => format!("{name} is \"{}\"", clip(cell)),
                };
                let mend = "write it as in 3 or 3.5 in every line";
                self.mistake(record, at, found, "a number of months", mend);
                (None, None)
            }
        }
    }

    fn line(&mut self, record: &Record) {
        let width = self.file.header.len();
        if record.cells.len() != width {
            let n = record.cells.len();
            self.mistake(
                record,
                n.min(width).saturating_sub(1),
                format!("the line has {n} {}", if n == 1 { "cell" } else { "cells" }),
                &format!("{width} cells, as in the header line"),
                "a cell with the delimiter or a quote in it needs quotes around it",
            );
            return;
        }
        let before = self.problems.len();
        let c = self.columns;
        let lot = self.lot(record);
        let taster = self.word(record, c.taster);
        let replicate = self.word(record, c.replicate);
        let (month, of_time) = self.time(record);
        // Without a column of sessions each time is a session of its own.
        let session = match c.session {
            Some(_) => self.word(record, c.session),
            None => of_time.as_deref(),
        };
        let flight = self.word(record, c.flight);
        let brew = self.word(record, c.brew);
        let recipe = self.word(record, c.recipe);
        let steep = self.word(record, c.steep);
        let position = self.number(record, c.position);
        let previous = self.previous(record, position);
        let named = match c.term {
            Some(at) => self.word(record, Some(at)),
            None => None,
        };
        let arm = c.arm.map(|at| self.cell(record, at)).filter(|a| !a.is_empty());
        let values = &c.values;
        for at in values {
            let term = match c.term {
                Some(_) => match named {
                    Some(name) => self.term(name),
                    None => continue,
                },
                None => self.term(&self.file.header[*at].clone()),
            };
            let cell = self.cell(record, *at);
            if is_gap(cell) {
                self.terms[term].gaps += 1;
                continue;
            }
            let Some((value, label)) = self.value(record, *at, term, cell) else { continue };
            if self.problems.len() > before {
                continue;
            }
            let id = self.terms[term].id.clone();
            self.builder.push(&ScoreRow {
                lot: &lot,
                arm,
                taster,
                replicate,
                session,
                flight,
                position,
                previous_lot: previous.as_deref(),
                cup: None,
                brew,
                recipe,
                steep,
                month,
                term: &id,
                value,
                label,
                excluded: None,
            });
        }
    }

    fn value<'r>(
        &mut self,
        record: &Record,
        at: usize,
        term: usize,
        cell: &'r str,
    ) -> Option<(f64, Option<&'r str>)> {
        let id = self.terms[term].id.clone();
        let (expected, mend) = match self.terms[term].scale {
            ScaleKind::Nominal => return Some((0.0, Some(cell))),
            ScaleKind::Tick => match cell.to_lowercase().as_str() {
                "1" | "yes" | "true" | "x" => return Some((1.0, None)),
                "0" | "no" | "false" => return Some((0.0, None)),
                _ => ("a tick: 1 or 0, yes or no", "correct the cell".to_owned()),
            },
            ScaleKind::Line | ScaleKind::Ordered => match read_number(cell, self.decimal) {
                Some(x) => return Some((x, None)),
                None => (
                    if self.terms[term].scale == ScaleKind::Line {
                        "a number on the scale"
                    } else {
                        "the number of the level"
                    },
                    mend_number(cell, self.decimal, &id),
                ),
            },
        };
        self.mistake(record, at, format!("{id} is \"{}\"", clip(cell)), expected, &mend);
        None
    }

    fn finish(self, options: &TableOptions, stopped: bool) -> Result<Scores, TableError> {
        if !self.problems.is_empty() {
            return Err(TableError::Cells { problems: self.problems, stopped });
        }
        for term in self.kinds.1.keys() {
            if !self.seen.contains_key(term) {
                let known: Vec<&str> = self.seen.keys().map(String::as_str).collect();
                return Err(TableError::Command {
                    found: format!("--scale {term}=…: there is no term \"{term}\""),
                    expected: format!("one of {}", known.join(", ")),
                    mend: did_you_mean(term, known.iter().copied(), "correct the flag"),
                });
            }
        }
        let source = Source {
            names: vec![options.path.display().to_string()],
            kind: "table".to_owned(),
            references: Vec::new(),
            notes: self
                .first_day
                .map(|day| format!("months count from {day}, the first date in the table."))
                .into_iter()
                .chain(self.doubles.note(options))
                .collect(),
        };
        let scores = self.builder.finish(self.terms, source);
        if scores.n_scores() == 0 {
            let found = "there is no score in the table";
            return Err(self.file.whole(found, "fill in at least one score"));
        }
        Ok(scores)
    }
}

pub(super) fn is_gap(cell: &str) -> bool {
    cell.is_empty() || cell == "NA"
}

pub(super) fn read_number(cell: &str, decimal: char) -> Option<f64> {
    let parsed: f64 = if decimal == '.' {
        cell.parse().ok()?
    } else if cell.contains('.') {
        return None;
    } else {
        cell.replace(decimal, ".").parse().ok()?
    };
    (parsed.abs() <= LARGEST).then_some(parsed)
}

/// No score, month or measure is larger; squares of such numbers can still be added up.
pub(super) const LARGEST: f64 = 1e12;

fn mend_number(cell: &str, decimal: char, term: &str) -> String {
    let other = if decimal == '.' { ',' } else { '.' };
    if read_number(cell, other).is_some() {
        return format!("if {other} stands before the decimals, add --decimal {other}");
    }
    if cell.parse::<f64>().is_ok_and(|x| x.is_finite() && x.abs() > LARGEST) {
        return format!("correct the cell: numbers go up to {LARGEST:e}");
    }
    if cell.parse::<f64>().is_ok() {
        return "leave the cell empty if there is no score".to_owned();
    }
    format!("correct the cell; if {term} is a category, add --scale {term}=nominal")
}

pub(super) fn clip(cell: &str) -> String {
    if cell.chars().count() > 60 {
        format!("{}…", cell.chars().take(57).collect::<String>())
    } else {
        cell.to_owned()
    }
}
