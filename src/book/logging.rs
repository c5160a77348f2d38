//! Writing lines to a lot's log.

use jiff::tz::TimeZone;
use rand_chacha::rand_core::Rng;

use super::book_file::clock;
use super::lots::{Followed, How, LogLine, Lot, LotFile, MAIN};
use super::parameters::{ParameterKind, Parameters, RESERVE_DRAWN, RESERVE_KEPT, mend_unknown};
use super::problem::{Problems, did_you_mean};
use super::store::WriteLock;
use super::time::{Day, Moment};
use super::writing::{must_be_short, must_be_there, refused};
use super::{Book, BookError, csv_file, ids, toml_file};

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
    /// The id of the line, where whoever writes has made one: a line that is sent twice counts once.
    pub id: Option<String>,
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
            id: None,
        }
    }
}

pub(super) fn line_of(
    entry: &Entry,
    at: Moment,
    parameters: &Parameters,
    rng: &mut impl Rng,
) -> Result<LogLine, BookError> {
    let Some(parameter) = parameters.parameter(&entry.parameter) else {
        return Err(refused(
            format!("there is no parameter \"{}\"", entry.parameter),
            "the id of a parameter of parameters.toml, as wither.hours",
            mend_unknown(&entry.parameter, parameters),
        ));
    };
    must_be_short(&parameter.id, entry.value.as_deref())?;
    for (flag, text) in [("--by", &entry.by), ("--reason", &entry.reason), ("--note", &entry.note)]
    {
        must_be_short(flag, text.as_deref())?;
    }
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
        entry: entry.id.clone().unwrap_or_else(|| ids::entry(rng)),
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
    super::quarantine::must_be_reasoned(entry)?;
    let _lock = WriteLock::take(book.root())?;
    let parameters = book.parameters()?.value;
    let mut before = Problems::new();
    let lot = lot_for_mending(book, lot, &parameters, &mut before)?;
    if let Some(there) = sent_before(&lot, entry, &parameters)? {
        return Ok(there);
    }
    let mut at = entry.at.unwrap_or(now);
    let mut corrected: Option<Moment> = None;
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
        corrected = old.value.as_deref().and_then(|v| v.parse().ok());
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
    // What a correction leaves at its moment is not judged anew.
    let judged = entry.value.is_some() && (entry.replaces.is_none() || entry.at.is_some());
    if judged && [RESERVE_KEPT, RESERVE_DRAWN].iter().any(|p| ids::same(&entry.parameter, p)) {
        must_be_there(&lot, (at.day(), at.to_the_minute()), ("moment", "--at"))?;
    }
    let clock = clock_of(book);
    let entry = &by_the_clock(entry, corrected, now, &parameters, &lot, &clock)?;
    let line = line_of(entry, at, &parameters, rng)?;
    let mut lines = append(book, &lot, vec![line], &parameters, &before, rng)?;
    Ok(lines.remove(0))
}

/// The line that this one is, if it was sent before and written then.
fn sent_before(
    lot: &Lot,
    entry: &Entry,
    parameters: &Parameters,
) -> Result<Option<LogLine>, BookError> {
    let Some(id) = &entry.id else { return Ok(None) };
    if !ids::is_id(id) {
        return Err(refused(format!("\"{id}\" cannot be an entry"), ids::RULE, "make another"));
    }
    let Some(there) = lot.log.values().find(|l| l.entry == *id) else { return Ok(None) };
    let meant = |l: &LogLine| {
        let p = parameters.parameter(&l.parameter)?;
        Some(p.value_of(l.value.as_deref()?, l.unit.as_deref()))
    };
    let says = LogLine {
        parameter: entry.parameter.clone(),
        value: entry.value.clone(),
        unit: entry.unit.clone(),
        ..there.clone()
    };
    if ids::same(&there.parameter, &entry.parameter)
        && there.replaces == entry.replaces
        && there.arm == entry.arm
        && meant(there) == meant(&says)
    {
        return Ok(Some(there.clone()));
    }
    Err(refused(
        format!("the log of {} has an entry {id} that says something else", lot.id),
        "an entry of its own for each line",
        "log it again under another entry",
    ))
}

/// The book's clock, or this machine's where book.toml cannot be read.
pub(super) fn clock_of(book: &Book) -> TimeZone {
    book.book_file().map_or_else(|_| TimeZone::system(), |file| clock(&file))
}

/// The value of a parameter; a moment without an offset by a clock.
pub(super) fn on_the_clock(
    parameter: &str,
    text: &str,
    parameters: &Parameters,
    clock: &TimeZone,
) -> String {
    let is_moment =
        parameters.parameter(parameter).is_some_and(|p| p.kind == ParameterKind::Moment);
    let moment = is_moment.then(|| Moment::by_clock_of(clock, text)).flatten();
    moment.map_or_else(|| text.to_owned(), |m| m.to_string())
}

/// So many days beside those on which a lot was picked and made may be meant by a bare time of day.
const NEAR_DAYS: i64 = 1;

/// A moment that is given as "now", as a time of day, or as a day and a time, written in full. Where
/// `--at` names no day, it is by the book's clock; a bare time is of the day of the value that it
/// corrects, else of today, and only if the lot was made around then.
fn by_the_clock(
    entry: &Entry,
    corrected: Option<Moment>,
    now: Moment,
    parameters: &Parameters,
    lot: &Lot,
    clock: &TimeZone,
) -> Result<Entry, BookError> {
    let is_moment =
        parameters.parameter(&entry.parameter).is_some_and(|p| p.kind == ParameterKind::Moment);
    let Some(text) = entry.value.as_deref().map(str::trim).filter(|_| is_moment) else {
        return Ok(entry.clone());
    };
    let named = entry.at.or(corrected).unwrap_or_else(|| now.on_clock_of(clock));
    let moment = if text == "now" {
        Some(now.on_clock_of(clock))
    } else if let Some(moment) = named.at_time(text) {
        if entry.at.is_none() {
            must_be_near(lot, entry, moment, corrected.is_some())?;
        }
        Some(moment)
    } else {
        Moment::by_clock_of(clock, text)
    };
    let value = moment.map(|m| m.to_string()).or_else(|| entry.value.clone());
    Ok(Entry { value, ..entry.clone() })
}

fn must_be_near(lot: &Lot, entry: &Entry, at: Moment, corrects: bool) -> Result<(), BookError> {
    let text = entry.value.as_deref().unwrap_or_default().trim();
    let dries = entry.parameter.starts_with("dry.");
    let file = &lot.file.value;
    let first = file.picked.iter().copied().fold(file.made, Day::min);
    if (first.later(-NEAR_DAYS)..=file.made.later(NEAR_DAYS)).contains(&at.day()) {
        return Ok(());
    }
    let picked = file.picked.iter().max().copied().filter(|_| !dries);
    let day = picked.unwrap_or(file.made);
    let of = if corrects { "that of the value it corrects" } else { "today" };
    let padded = if text.find(':') == Some(1) { format!("0{text}") } else { text.to_owned() };
    Err(refused(
        format!(
            "{text} names no day, and {} ({of}) is far from {}, when {} was made",
            at.day(),
            file.made,
            lot.id
        ),
        "the day and the time, by the book's clock",
        format!("name the day, as in {day}T{padded}"),
    ))
}

/// Appends lines to a lot's log, all or none: those that contradict what it says are refused.
pub(super) fn append(
    book: &Book,
    lot: &Lot,
    mut lines: Vec<LogLine>,
    parameters: &Parameters,
    before: &Problems,
    rng: &mut impl Rng,
) -> Result<Vec<LogLine>, BookError> {
    for at in 0..lines.len() {
        let taken = |lines: &[LogLine]| {
            let entry = &lines[at].entry;
            lot.log.values().chain(&lines[..at]).any(|l| l.entry == *entry)
        };
        while taken(&lines) {
            lines[at].entry = ids::entry(rng);
        }
    }
    refuse_new_mistakes(lot, &lines, parameters, before)?;
    refuse_more_than_all(lot, &lines, parameters)?;
    csv_file::append(book.root(), &lot.log.file, &lines)?;
    Ok(lines)
}

/// A lot whose lines may contradict each other: a new line may mend that.
pub(super) fn lot_for_mending(
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
            Ok(Lot { id: id.clone(), file, log, values, followed: Followed::default() })
        }
        _ => Err(BookError::Records(problems)),
    }
}

/// So many times what was ever put into a reserve is a slip of the pen.
const MOST_AT_ONCE: f64 = 1.5;

/// Nobody draws far more at once than was ever put into a reserve. A little more may be, since masses are
/// weighed roughly: that is warned of.
fn refuse_more_than_all(
    lot: &Lot,
    lines: &[LogLine],
    parameters: &Parameters,
) -> Result<(), BookError> {
    let of = parameters.parameter(RESERVE_DRAWN);
    for line in lines.iter().filter(|l| ids::same(&l.parameter, RESERVE_DRAWN)) {
        let value = line.value.as_deref().zip(of);
        let grams = value.and_then(|(v, p)| p.value_of(v, line.unit.as_deref()).ok()?.number());
        let arm = line.arm.as_deref().unwrap_or(MAIN);
        let kept = lot.reserve(arm).map(|r| r.kept_g).filter(|kept| *kept > 0.0);
        if let (Some(grams), Some(kept)) = (grams, kept)
            && grams > MOST_AT_ONCE * kept
        {
            return Err(refused(
                format!("{grams} g cannot be drawn from a reserve into which {kept} g were put"),
                format!("at most {kept} g"),
                "correct the grams, or log first what was put in",
            ));
        }
    }
    Ok(())
}

/// Refuses lines that contradict what the log says already.
fn refuse_new_mistakes(
    lot: &Lot,
    lines: &[LogLine],
    parameters: &Parameters,
    before: &Problems,
) -> Result<(), BookError> {
    let mut log = lot.log.clone();
    let number = log.lines.last().map_or(1, |l| l.number) + 1;
    log.lines.extend(
        (number..).zip(lines).map(|(number, l)| csv_file::Line { value: l.clone(), number }),
    );
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
