//! Writing to a book: tasters, lots and the lines of their logs.

use std::fs;

use rand_chacha::rand_core::Rng;
use toml_edit::{ArrayOfTables, DocumentMut, InlineTable, Item, Table};

use super::lots::{Arm, How, LogLine, Lot, LotFile, MAIN, Parent};
use super::parameters::{Parameters, RESERVE_KEPT};
use super::problem::{Problems, did_you_mean};
use super::store::{self, WriteLock};
use super::time::{Day, Moment};
use super::{Book, BookError, csv_file, ids, reading, toml_file};

fn refused(found: impl AsRef<str>, expected: impl AsRef<str>, mend: impl AsRef<str>) -> BookError {
    BookError::Refused(format!(
        "{}\n  expected: {}\n  to mend:  {}",
        found.as_ref(),
        expected.as_ref(),
        mend.as_ref()
    ))
}

fn must_be_id(what: &str, id: &str) -> Result<(), BookError> {
    if ids::is_id(id) {
        return Ok(());
    }
    Err(refused(format!("\"{id}\" cannot be the id of a {what}"), ids::RULE, "choose another id"))
}

/// Adds a taster to tasters.toml; comments in the file stay.
///
/// # Errors
/// If the id is none or is taken, or the file cannot be read or written.
pub fn add_taster(
    book: &Book,
    id: &str,
    name: Option<&str>,
    joined: Option<Day>,
) -> Result<(), BookError> {
    must_be_id("taster", id)?;
    let _lock = WriteLock::take(book.root())?;
    let file = book.tasters()?;
    if let Some(there) = file.value.taster(id) {
        return Err(refused(
            format!("there is a taster {} already", there.id),
            "an id that nobody has, without regard to upper and lower case",
            "choose another id",
        ));
    }
    let mut fields = vec![("id", toml_edit::value(id))];
    fields.extend(name.map(|n| ("name", toml_edit::value(n))));
    fields.extend(joined.map(|d| ("joined", toml_day(d))));
    let text = with_table(&file.text, "taster", vec![fields]);
    Ok(store::replace(&book.root().join(reading::TASTERS), &text, Some(&file.digest))?)
}

fn toml_day(day: Day) -> Item {
    day.to_string()
        .parse::<toml_edit::Datetime>()
        .map_or_else(|_| toml_edit::value(day.to_string()), toml_edit::value)
}

/// A text with tables added at the end of an array of tables; all else stays as it was written.
fn with_table(text: &str, array: &str, tables: Vec<Vec<(&str, Item)>>) -> String {
    let mut doc: DocumentMut = text.parse().expect("the text was read as TOML just before");
    for fields in tables {
        if let Some(list) = doc.get_mut(array).and_then(Item::as_array_mut) {
            let mut inline = InlineTable::new();
            for (key, item) in fields {
                if let Ok(value) = item.into_value() {
                    inline.insert(key, value);
                }
            }
            list.push(inline);
            continue;
        }
        let mut table = Table::new();
        for (key, item) in fields {
            table.insert(key, item);
        }
        // Comments at the end of the file stay where they are: before what is added.
        let trailing = doc.trailing().as_str().unwrap_or_default().to_owned();
        doc.set_trailing("");
        let before = trailing.trim_end();
        let gap = if before.is_empty() { "" } else { "\n" };
        table.decor_mut().set_prefix(format!("{before}{gap}\n"));
        let list = doc
            .entry(array)
            .or_insert_with(|| Item::ArrayOfTables(ArrayOfTables::new()))
            .as_array_of_tables_mut();
        if let Some(list) = list {
            list.push(table);
        }
    }
    doc.to_string()
}

/// A lot to be added.
#[derive(Debug, Clone)]
pub struct NewLot {
    /// What it is.
    pub file: LotFile,
    /// Grams put into the reserve.
    pub reserve_g: Option<f64>,
    /// Values of its making: parameter and value, which may carry its unit.
    pub values: Vec<(String, String)>,
    /// Whether the values were measured.
    pub how: How,
    /// Who writes.
    pub by: Option<String>,
}

impl LotFile {
    /// A lot of which no more is known than this.
    #[must_use]
    pub fn new(id: &str, class: &str, made: Day) -> Self {
        Self {
            format: toml_file::FORMAT,
            id: id.to_owned(),
            class: class.to_owned(),
            made,
            picked: Vec::new(),
            garden: None,
            plot: None,
            cultivar: None,
            season: None,
            kg: None,
            notes: None,
            parents: Vec::<Parent>::new(),
            arms: Vec::<Arm>::new(),
        }
    }
}

/// Adds a lot: its folder with lot.toml and, where values are given, log.csv; whole or not at
/// all. Values are dated now if the lot was made today, else at noon of the day it was made.
///
/// # Errors
/// If the id is none or is taken, a value does not fit, or the disk refuses.
pub fn add_lot(
    book: &Book,
    new: &NewLot,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Lot, BookError> {
    let id = new.file.id.as_str();
    must_be_id("lot", id)?;
    let _lock = WriteLock::take(book.root())?;
    if let Some(there) = book.lot_ids()?.iter().find(|k| ids::same(k, id)) {
        return Err(refused(
            format!("there is a lot {there} already"),
            "an id that no lot has, without regard to upper and lower case",
            "choose another id, or log to the lot with `blindsteep lot log`",
        ));
    }
    let parameters = book.parameters()?.value;
    let at = if now.day() == new.file.made { now } else { new.file.made.noon(now) };
    let mut lines = Vec::new();
    for (parameter, value) in &new.values {
        let entry = Entry {
            how: new.how,
            by: new.by.clone(),
            ..Entry::new(parameter.clone(), Some(value.clone()))
        };
        lines.push(line_of(&entry, at, &parameters, rng)?);
    }
    if let Some(grams) = new.reserve_g {
        let entry = Entry {
            by: new.by.clone(),
            ..Entry::new(RESERVE_KEPT.to_owned(), Some(grams.to_string()))
        };
        lines.push(line_of(&entry, at, &parameters, rng)?);
    }
    let lots = book.root().join("lots");
    store::make_folder(&lots)?;
    let made = tempfile::Builder::new()
        .prefix(".blindsteep-")
        .tempdir_in(&lots)
        .map_err(store::io("write in", &lots))?;
    store::create_new(&made.path().join("lot.toml"), &lot_text(&new.file))?;
    csv_file::append(made.path(), "log.csv", &lines)?;
    store::usual_folder_mode(made.path())?;
    // Read back before it counts: what could not be read is never put in its place.
    let problems = read_back(book, id, made.path(), &parameters)?;
    if !problems.is_empty() {
        let told = problems.sorted().into_iter();
        let told = told.map(|p| refused(&p.found, &p.expected, &p.mend).to_string());
        return Err(BookError::Refused(told.collect::<Vec<_>>().join("\n")));
    }
    let place = lots.join(id);
    fs::rename(made.path(), &place).map_err(store::io("make the folder", &place))?;
    let _ = made.keep();
    book.lot(id)
}

/// Reads a lot that is about to be added, among the others, and returns what is wrong in it.
fn read_back(
    book: &Book,
    id: &str,
    made: &std::path::Path,
    parameters: &Parameters,
) -> Result<Problems, BookError> {
    let mut problems = Problems::new();
    let file = toml_file::read::<LotFile>(made, "lot.toml", &mut problems)?;
    let Some(file) = file.filter(|_| problems.is_empty()) else { return Ok(problems) };
    super::lot_graph::check_one(id, &file, &mut problems);
    let log = csv_file::read::<LogLine>(made, "log.csv", &mut problems)?;
    let values = super::lot_log::settle(&log, Some(&file.value), parameters, &mut problems);
    if !file.value.parents.is_empty() {
        let mut all = book.lots()?;
        all.push(Lot { id: id.to_owned(), file, log, values });
        let ids: Vec<String> = all.iter().map(|l| l.id.clone()).collect();
        super::lot_graph::check(&all, &ids, &mut problems);
    }
    Ok(problems)
}

fn lot_text(file: &LotFile) -> String {
    let mut doc: DocumentMut =
        toml_file::to_text(file).parse().expect("the program's own TOML can be read");
    // Days are written as days, not as texts.
    doc["made"] = toml_day(file.made);
    if !file.picked.is_empty() {
        let days: toml_edit::Array =
            file.picked.iter().filter_map(|d| toml_day(*d).into_value().ok()).collect();
        doc["picked"] = toml_edit::value(days);
    }
    doc.to_string()
}

/// A line to be logged.
#[derive(Debug, Clone)]
pub struct Entry {
    /// The parameter.
    pub parameter: String,
    /// The value, which may carry its unit; none takes the replaced entry back.
    pub value: Option<String>,
    /// Its unit, if it does not carry it.
    pub unit: Option<String>,
    /// When; else now, or for a correction when the replaced line says.
    pub at: Option<Moment>,
    /// The arm; none: the whole lot.
    pub arm: Option<String>,
    /// Measured or estimated.
    pub how: How,
    /// Who writes.
    pub by: Option<String>,
    /// The entry that it takes the place of.
    pub replaces: Option<String>,
    /// Why.
    pub reason: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

impl Entry {
    /// A measured value of the whole lot.
    #[must_use]
    pub fn new(parameter: String, value: Option<String>) -> Self {
        Self {
            parameter,
            value,
            unit: None,
            at: None,
            arm: None,
            how: How::Measured,
            by: None,
            replaces: None,
            reason: None,
            note: None,
        }
    }
}

fn line_of(
    entry: &Entry,
    at: Moment,
    parameters: &Parameters,
    rng: &mut impl Rng,
) -> Result<LogLine, BookError> {
    let Some(parameter) = parameters.parameter(&entry.parameter) else {
        return Err(refused(
            format!("there is no parameter \"{}\"", entry.parameter),
            "the id of a parameter of parameters.toml, as wither.hours",
            did_you_mean(&entry.parameter, parameters.parameter_ids(), "add it to parameters.toml"),
        ));
    };
    let mut unit = entry.unit.clone();
    let mut value = entry.value.clone();
    if let Some(text) = &entry.value {
        parameter
            .value_of(text, unit.as_deref())
            .map_err(|r| refused(r.found, r.expected, r.mend))?;
        // In the log a number stands in its cell and its unit in the next.
        if parameter.unit.is_some()
            && let Some((number, Some(behind))) = super::units::number_and_unit(text)
        {
            value = Some(number.to_string());
            unit = Some(behind.to_owned());
        }
    }
    Ok(LogLine {
        entry: ids::entry(rng),
        at,
        arm: entry.arm.clone(),
        parameter: parameter.id.clone(),
        value,
        unit,
        how: entry.how,
        by: entry.by.clone(),
        replaces: entry.replaces.clone(),
        reason: entry.reason.clone(),
        note: entry.note.clone(),
    })
}

/// Appends a line to a lot's log and returns it.
///
/// # Errors
/// If the lot, parameter, arm or replaced entry is unknown, the value does not fit, a correction
/// has no reason, or the disk refuses.
pub fn log_lot(
    book: &Book,
    lot: &str,
    entry: &Entry,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<LogLine, BookError> {
    let _lock = WriteLock::take(book.root())?;
    let parameters = book.parameters()?.value;
    let mut before = Problems::new();
    let lot = lot_for_mending(book, lot, &parameters, &mut before)?;
    let mut at = entry.at.unwrap_or(now);
    if let Some(replaces) = &entry.replaces {
        let Some(old) = lot.log.values().find(|l| l.entry == *replaces) else {
            let known = lot.log.values().map(|l| l.entry.as_str());
            return Err(refused(
                format!("the log of {} has no entry {replaces}", lot.id),
                "an entry of this lot",
                did_you_mean(replaces, known, "`blindsteep lot show` names the entries"),
            ));
        };
        if let Some(newer) = lot.log.values().find(|l| l.replaces.as_ref() == Some(replaces)) {
            return Err(refused(
                format!("entry {replaces} was replaced by {} already", newer.entry),
                "an entry that still holds",
                format!("correct {} instead", newer.entry),
            ));
        }
        if !ids::same(&old.parameter, &entry.parameter) {
            return Err(refused(
                format!("entry {replaces} is about {}, not {}", old.parameter, entry.parameter),
                "a correction of the same parameter",
                "name the entry that is meant",
            ));
        }
        at = entry.at.unwrap_or(old.at);
        if entry.reason.as_deref().is_none_or(|r| r.trim().is_empty()) {
            return Err(refused(
                "a correction without a reason",
                "why the new line takes the old one's place",
                "add --reason",
            ));
        }
    } else if entry.value.is_none() {
        return Err(refused(
            format!("{} has no value", entry.parameter),
            "a value; only a correction may take one back",
            "give the value",
        ));
    }
    if let Some(arm) = &entry.arm
        && !lot.has_arm(arm)
    {
        let known = lot.arms();
        return Err(refused(
            format!("{} has no arm \"{arm}\"", lot.id),
            format!("one of {}", known.join(", ")),
            did_you_mean(arm, known.iter().map(String::as_str), "add the arm with `lot split`"),
        ));
    }
    let mut line = line_of(entry, at, &parameters, rng)?;
    while lot.log.values().any(|l| l.entry == line.entry) {
        line.entry = ids::entry(rng);
    }
    refuse_new_mistakes(&lot, &line, &parameters, &before)?;
    csv_file::append(book.root(), &lot.log.file, std::slice::from_ref(&line))?;
    Ok(line)
}

/// A lot whose lines may contradict each other: a new line may mend that.
fn lot_for_mending(
    book: &Book,
    id: &str,
    parameters: &Parameters,
    contradictions: &mut Problems,
) -> Result<Lot, BookError> {
    let known = book.lot_ids()?;
    let Some(id) = known.iter().find(|k| ids::same(k, id)) else {
        return book.lot(id);
    };
    let mut problems = Problems::new();
    let file =
        toml_file::read::<LotFile>(book.root(), &format!("lots/{id}/lot.toml"), &mut problems)?;
    let log = csv_file::read::<LogLine>(book.root(), &format!("lots/{id}/log.csv"), &mut problems)?;
    match file {
        Some(file) if problems.is_empty() => {
            let values =
                super::lot_log::settle(&log, Some(&file.value), parameters, contradictions);
            Ok(Lot { id: id.clone(), file, log, values })
        }
        _ => Err(BookError::Records(problems)),
    }
}

/// Refuses a line that contradicts what the log says already.
fn refuse_new_mistakes(
    lot: &Lot,
    line: &LogLine,
    parameters: &Parameters,
    before: &Problems,
) -> Result<(), BookError> {
    let mut log = lot.log.clone();
    let number = log.lines.last().map_or(1, |l| l.number) + 1;
    log.lines.push(csv_file::Line { value: line.clone(), number });
    let mut after = Problems::new();
    super::lot_log::settle(&log, Some(&lot.file.value), parameters, &mut after);
    if after.len() <= before.len() {
        return Ok(());
    }
    let known = before.sorted();
    after.sorted().into_iter().find(|p| !known.contains(p)).map_or(Ok(()), |p| {
        let mend = "correct the value, or log a correction of the other line first (--replaces)";
        Err(refused(&p.found, &p.expected, mend))
    })
}

/// Splits a lot into arms that are stored in different ways from a day on.
///
/// # Errors
/// If fewer than two arms are given, one is no id or is there already, or the disk refuses.
pub fn split_lot(book: &Book, lot: &str, arms: &[String], since: Day) -> Result<(), BookError> {
    for (i, arm) in arms.iter().enumerate() {
        must_be_id("arm", arm)?;
        if ids::same(arm, MAIN) || arms[..i].iter().any(|a| ids::same(a, arm)) {
            return Err(refused(
                format!("\"{arm}\" cannot be an arm here"),
                "arms that differ from each other and from \"main\", the lot before the split",
                "call each by the way in which it is stored",
            ));
        }
    }
    let _lock = WriteLock::take(book.root())?;
    let lot = book.lot(lot)?;
    let there = &lot.file.value.arms;
    if let Some(arm) = arms.iter().find(|a| there.iter().any(|t| ids::same(&t.id, a))) {
        return Err(refused(
            format!("{} has an arm \"{arm}\" already", lot.id),
            "a new arm",
            "choose another id",
        ));
    }
    if arms.is_empty() || there.len() + arms.len() < 2 {
        return Err(refused(
            "a split needs at least two arms",
            "an arm for each way of storing, what stays behind among them",
            "give --arm twice or more",
        ));
    }
    if since < lot.made() {
        return Err(refused(
            format!("{} was made on {}, after {since}", lot.id, lot.made()),
            format!("a day from {} on", lot.made()),
            "correct --on",
        ));
    }
    let tables =
        arms.iter().map(|a| vec![("id", toml_edit::value(a.as_str())), ("since", toml_day(since))]);
    let text = with_table(&lot.file.text, "arm", tables.collect());
    Ok(store::replace(&book.root().join(&lot.file.file), &text, Some(&lot.file.digest))?)
}
