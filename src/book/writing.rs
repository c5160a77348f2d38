//! Writing to a book: tasters and lots.

use std::fmt::Display;
use std::fs;
use std::path::{Path, PathBuf};

use rand_chacha::rand_core::Rng;
use toml_edit::{ArrayOfTables, DocumentMut, InlineTable, Item, Table};

use super::logging::line_of;
pub use super::logging::{Entry, log_lot};
use super::lot_warnings::LONGEST_MAKING_DAYS;
use super::lots::{Arm, Followed, How, LogLine, Lot, LotFile, MAIN, Parent};
use super::parameters::{Parameters, RESERVE_KEPT};
use super::problem::Problems;
use super::store::{self, WriteLock};
use super::time::{Day, Moment};
use super::{Book, BookError, csv_file, ids, reading, toml_file};

pub(crate) fn refused(
    found: impl AsRef<str>,
    expected: impl AsRef<str>,
    mend: impl AsRef<str>,
) -> BookError {
    BookError::Refused(format!(
        "{}\n  expected: {}\n  to mend:  {}",
        found.as_ref(),
        expected.as_ref(),
        mend.as_ref()
    ))
}

/// A lot is there only from its own day on; `what` is a moment or a day, as `flag` takes it.
pub(super) fn must_be_there(
    lot: &Lot,
    (day, at): (Day, impl Display),
    (what, flag): (&str, &str),
) -> Result<(), BookError> {
    let since = lot.own_since();
    if day >= since {
        return Ok(());
    }
    Err(refused(
        format!("{} is there since {since}, after {at}", lot.id),
        format!("a {what} from {since} on"),
        format!("correct {flag}"),
    ))
}

/// So many characters a text of a lot's log or description has at most: a page or so.
pub const TEXT_MOST: usize = 2000;

/// A text of a lot's log or description is no longer than [`TEXT_MOST`]; `what` is the flag that gives it, or the
/// parameter.
///
/// # Errors
/// If it is longer.
pub fn must_be_short(what: &str, text: Option<&str>) -> Result<(), BookError> {
    let n = text.map_or(0, |t| t.chars().count());
    if n <= TEXT_MOST {
        return Ok(());
    }
    Err(refused(
        format!("{what} has {n} characters"),
        format!("at most {TEXT_MOST}"),
        "shorten it; what is longer is kept as a file of its own",
    ))
}

/// The same of all texts of a new lot's description.
fn must_have_short_texts(file: &LotFile) -> Result<(), BookError> {
    let texts = [
        ("--garden", &file.garden),
        ("--plot", &file.plot),
        ("--cultivar", &file.cultivar),
        ("--season", &file.season),
        ("--notes", &file.notes),
    ];
    texts.into_iter().try_for_each(|(flag, text)| must_be_short(flag, text.as_deref()))
}

pub(super) fn must_be_id(what: &str, id: &str) -> Result<(), BookError> {
    if ids::is_id(id) {
        return Ok(());
    }
    let found = if what.starts_with(['a', 'e', 'i', 'o', 'u']) {
        format!("\"{id}\" cannot be the id of an {what}")
    } else {
        format!("\"{id}\" cannot be the id of a {what}")
    };
    Err(refused(found, ids::RULE, "choose another id"))
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

pub(super) fn toml_moment(moment: Moment) -> Item {
    moment
        .to_string()
        .parse::<toml_edit::Datetime>()
        .map_or_else(|_| toml_edit::value(moment.to_string()), toml_edit::value)
}

/// A text with tables added at the end of an array of tables; all else stays as it was written.
pub(crate) fn with_table(text: &str, array: &str, tables: Vec<Vec<(&str, Item)>>) -> String {
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

impl NewLot {
    /// A lot with nothing in its log yet.
    #[must_use]
    pub fn of(file: LotFile) -> Self {
        Self { file, reserve_g: None, values: Vec::new(), how: How::Measured, by: None }
    }
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
            trial: None,
            run: None,
            came_by: None,
            parted: None,
            parents: Vec::<Parent>::new(),
            arms: Vec::<Arm>::new(),
        }
    }
}

/// Adds a lot: its folder with lot.toml and, where values are given, log.csv; whole or not at
/// all. Values are dated now if the lot was made today or is still being made, else at noon of the day
/// it was made.
///
/// # Errors
/// If the id is none or is taken, a value does not fit, or the disk refuses.
pub fn add_lot(
    book: &Book,
    new: &NewLot,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Lot, BookError> {
    must_be_id("lot", &new.file.id)?;
    let lock = WriteLock::take(book.root())?;
    add_lots(book, std::slice::from_ref(new), now, rng, &lock)?;
    book.lot(&new.file.id)
}

/// A new lot has an id that no lot has yet.
///
/// # Errors
/// If it is none, or is taken.
pub fn must_be_free(id: &str, taken: &[String]) -> Result<(), BookError> {
    must_be_id("lot", id)?;
    match taken.iter().find(|k| ids::same(k, id)) {
        None => Ok(()),
        Some(there) => Err(refused(
            format!("there is a lot {there} already"),
            "an id that no lot has, without regard to upper and lower case",
            "choose another id, or log to the lot with `blindsteep lot log`",
        )),
    }
}

/// Adds lots that belong together, all or none.
pub(super) fn add_lots(
    book: &Book,
    new: &[NewLot],
    now: Moment,
    rng: &mut impl Rng,
    _held: &WriteLock,
) -> Result<(), BookError> {
    let mut taken = book.lot_ids()?;
    for id in new.iter().map(|n| &n.file.id) {
        must_be_free(id, &taken)?;
        taken.push(id.clone());
    }
    let parameters = book.parameters()?.value;
    let mut made = Vec::new();
    for lot in new {
        made.push(make_aside(book, lot, &parameters, now, rng)?);
    }
    // Read back before it counts: what could not be read is never put in its place.
    let aside: Vec<(&str, &Path)> =
        new.iter().zip(&made).map(|(n, m)| (n.file.id.as_str(), m.path())).collect();
    refuse_mistakes(&read_back(book, &aside, &parameters)?)?;
    let lots = book.root().join("lots");
    let mut placed: Vec<PathBuf> = Vec::new();
    for (lot, made) in new.iter().zip(made) {
        let place = lots.join(&lot.file.id);
        if let Err(e) = fs::rename(made.path(), &place) {
            // Best effort: nobody has seen them yet.
            for done in &placed {
                let _ = fs::remove_dir_all(done);
            }
            return Err(store::io("make the folder", &place)(e).into());
        }
        let _ = made.keep();
        placed.push(place);
    }
    Ok(())
}

/// Writes a lot into a folder of its own that no reader looks into.
fn make_aside(
    book: &Book,
    new: &NewLot,
    parameters: &Parameters,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<tempfile::TempDir, BookError> {
    must_have_short_texts(&new.file)?;
    let to_be_made = now.day()..=now.day().later(LONGEST_MAKING_DAYS);
    let at = if to_be_made.contains(&new.file.made) { now } else { new.file.made.noon(now) };
    let mut lines = Vec::new();
    let clock = super::logging::clock_of(book);
    for (parameter, value) in &new.values {
        // A day and time without an offset are by the book's clock.
        let value = super::logging::on_the_clock(parameter, value, parameters, &clock);
        let entry = Entry {
            how: new.how,
            by: new.by.clone(),
            ..Entry::new(parameter.clone(), Some(value))
        };
        lines.push(line_of(&entry, at, parameters, rng)?);
    }
    if let Some(grams) = new.reserve_g {
        let entry = Entry {
            by: new.by.clone(),
            ..Entry::new(RESERVE_KEPT.to_owned(), Some(grams.to_string()))
        };
        lines.push(line_of(&entry, at, parameters, rng)?);
    }
    let lots = book.root().join("lots");
    store::make_folder(&lots)?;
    let made = tempfile::Builder::new()
        .prefix(super::left_over::PREFIX)
        .tempdir_in(&lots)
        .map_err(store::io("write in", &lots))?;
    store::create_new(&made.path().join("lot.toml"), &lot_text(&new.file))?;
    csv_file::append(made.path(), "log.csv", &lines)?;
    store::usual_folder_mode(made.path())?;
    Ok(made)
}

/// What would be wrong in the record is wrong in the command.
pub(super) fn refuse_mistakes(problems: &Problems) -> Result<(), BookError> {
    if problems.is_empty() {
        return Ok(());
    }
    let told = problems.sorted().into_iter();
    let told = told.map(|p| refused(&p.found, &p.expected, &p.mend).to_string());
    Err(BookError::Refused(told.collect::<Vec<_>>().join("\n")))
}

/// Reads lots that are about to be added, among the others, and returns what is wrong in them.
fn read_back(
    book: &Book,
    aside: &[(&str, &Path)],
    parameters: &Parameters,
) -> Result<Problems, BookError> {
    let mut problems = Problems::new();
    let mut new = Vec::new();
    for (id, made) in aside {
        let file = toml_file::read::<LotFile>(made, "lot.toml", &mut problems)?;
        let Some(file) = file.filter(|_| problems.is_empty()) else { return Ok(problems) };
        super::lot_graph::check_one(id, &file, &mut problems);
        let log = csv_file::read::<LogLine>(made, "log.csv", &mut problems)?;
        let values = super::lot_log::settle(&log, Some(&file.value), parameters, &mut problems);
        new.push(Lot { id: (*id).to_owned(), file, log, values, followed: Followed::default() });
    }
    if new.iter().any(|lot| !lot.file.value.parents.is_empty()) {
        let mut all = book.lots()?;
        all.extend(new.iter().cloned());
        let ids: Vec<String> = all.iter().map(|l| l.id.clone()).collect();
        super::lot_graph::check(&all, &ids, &mut problems);
    }
    if new.iter().any(|lot| lot.file.value.trial.is_some() || lot.file.value.run.is_some()) {
        let (trials, there) = (book.trials()?, book.trial_names()?);
        for lot in &new {
            super::trial_rules::check_lot(lot, &trials, &there, &mut problems);
        }
    }
    Ok(problems)
}

fn lot_text(file: &LotFile) -> String {
    let mut doc: DocumentMut =
        toml_file::to_text(file).parse().expect("the program's own TOML can be read");
    // Days are written as days, not as texts.
    doc["made"] = toml_day(file.made);
    if let Some(day) = file.parted {
        doc["parted"] = toml_day(day);
    }
    if !file.picked.is_empty() {
        let days: toml_edit::Array =
            file.picked.iter().filter_map(|d| toml_day(*d).into_value().ok()).collect();
        doc["picked"] = toml_edit::value(days);
    }
    doc.to_string()
}

/// An arm to be split off.
#[derive(Debug, Clone, PartialEq)]
pub struct NewArm {
    /// Its id.
    pub id: String,
    /// Kilograms put into it.
    pub kg: Option<f64>,
}

impl From<&str> for NewArm {
    fn from(id: &str) -> Self {
        Self { id: id.to_owned(), kg: None }
    }
}

/// Splits a lot into arms that are stored in different ways from a day on.
///
/// # Errors
/// If fewer than two arms are given, one is no id or is there already, more is put into them
/// than the lot has, or the disk refuses.
pub fn split_lot(book: &Book, lot: &str, arms: &[NewArm], since: Day) -> Result<(), BookError> {
    for (i, NewArm { id: arm, .. }) in arms.iter().enumerate() {
        must_be_id("arm", arm)?;
        if ids::same(arm, MAIN) || arms[..i].iter().any(|a| ids::same(&a.id, arm)) {
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
    if let Some(arm) = arms.iter().find(|a| there.iter().any(|t| ids::same(&t.id, &a.id))) {
        return Err(refused(
            format!("{} has an arm \"{}\" already", lot.id, arm.id),
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
    if since < lot.own_since() {
        return Err(refused(
            format!("{} is there since {}, after {since}", lot.id, lot.own_since()),
            format!("a day from {} on", lot.own_since()),
            "correct --on",
        ));
    }
    let tables = arms.iter().map(|a| {
        let mut fields = vec![("id", toml_edit::value(a.id.as_str())), ("since", toml_day(since))];
        fields.extend(a.kg.map(|kg| ("kg", toml_edit::value(kg))));
        fields
    });
    let text = with_table(&lot.file.text, "arm", tables.collect());
    let mut problems = Problems::new();
    let seen = lot.file.digest.clone();
    let file = toml_file::parse::<LotFile>(&lot.file.file, text.clone(), seen, &mut problems);
    if let Some(file) = file {
        super::lot_graph::check_one(&lot.id, &file, &mut problems);
        if arms.iter().any(|a| a.kg.is_some()) {
            let mut all = book.lots()?;
            all.retain(|l| !ids::same(&l.id, &lot.id));
            all.push(Lot { file, ..lot.clone() });
            let ids: Vec<String> = all.iter().map(|l| l.id.clone()).collect();
            super::lot_graph::check(&all, &ids, &mut problems);
        }
    }
    refuse_mistakes(&problems)?;
    Ok(store::replace(&book.root().join(&lot.file.file), &text, Some(&lot.file.digest))?)
}
