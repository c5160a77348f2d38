//! How lots are shown in the terminal.

use std::fmt::Write as _;

use unicode_width::UnicodeWidthStr as _;

use super::kept_text::{self, ArmKept, is_one_of_many};
use crate::book::balance::{Balance, balance};
use crate::book::book_file::Limits;
use crate::book::derived::Got;
use crate::book::family::{Family, Relative};
use crate::book::ids;
use crate::book::lots::{CameBy, LogLine, Lot, LotValue, MAIN, Parent};
use crate::book::making::{self, Making};
use crate::book::moves::Kept;
use crate::book::oxidation::Q10_TRIED;
use crate::book::parameters::{Parameters, Value, how_to_record};
use crate::book::parting::Parted;
use crate::book::trials::TrialFile;

/// A table of texts with aligned columns, without those that are empty, each line indented by two
/// spaces.
pub(super) fn table(rows: &[Vec<String>]) -> String {
    let n = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..n)
        .map(|i| rows.iter().filter_map(|r| r.get(i)).map(|c| c.width()).max().unwrap_or(0))
        .collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths).filter(|(_, width)| **width > 0) {
            line.push_str("  ");
            line.push_str(cell);
            line.push_str(&" ".repeat(width - cell.width()));
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// A value with its unit behind it.
#[must_use]
pub fn with_unit(value: &str, unit: Option<&str>) -> String {
    unit.map_or_else(|| value.to_owned(), |u| format!("{value} {u}"))
}

/// One line for each lot.
#[must_use]
pub fn list(lots: &[Lot]) -> String {
    let rows: Vec<Vec<String>> = lots
        .iter()
        .map(|lot| {
            let file = &lot.file.value;
            let reserves: Vec<String> = lot
                .all_arms()
                .iter()
                .filter_map(|arm| Some((arm, lot.reserve(arm)?)))
                .map(|(arm, r)| format!("{arm}: {} g left", grams(r.left_g)))
                .collect();
            vec![
                lot.id.clone(),
                file.class.clone(),
                format!("made {}", file.made),
                file.season.clone().unwrap_or_default(),
                came_of(lot),
                match balance(lot, lots).left_kg {
                    Some(kg) => format!("{} left", kilograms(kg)),
                    None => String::new(),
                },
                reserves.join(", "),
            ]
        })
        .collect();
    table(&rows)
}

fn came_of(lot: &Lot) -> String {
    let file = &lot.file.value;
    match (file.came_by, file.parents.len()) {
        (_, 0) => String::new(),
        (None, _) => format!("from {}", from(lot)),
        (Some(by), _) => format!("{} from {}", by.word(), from(lot)),
    }
}

/// What was planned for a lot's run, and what its log lacks of it yet.
#[must_use]
pub fn run_of(
    lot: &Lot,
    trial: &TrialFile,
    number: u32,
    parameters: &Parameters,
    limits: &Limits,
) -> String {
    let Some(run) = trial.run(number) else { return String::new() };
    let known = making::making(lot, std::slice::from_ref(lot), limits);
    let settings: Vec<String> = run
        .settings
        .iter()
        .map(|(p, l)| format!("{p} = {}", l.shown(making::unit_in(parameters, p).as_deref())))
        .collect();
    let mut text = format!("run {number} of {}: planned {}\n", trial.name, settings.join(", "));
    let given = trial.given.iter().map(|g| &g.parameter);
    let lacking = run.settings.keys().chain(given).filter(|id| known.value(id).is_none());
    let (logged, otherwise): (Vec<&String>, Vec<&String>) =
        lacking.partition(|id| how_to_record(id).is_none());
    if !logged.is_empty() {
        let ids: Vec<&str> = logged.into_iter().map(String::as_str).collect();
        let _ = writeln!(text, "still to be logged, as it was really done: {}", ids.join(", "));
    }
    for id in otherwise {
        let how = how_to_record(id).unwrap_or_default();
        let _ = writeln!(text, "still to be recorded, as it was really done: {id}: {how}");
    }
    text
}

/// What is shown of a lot.
pub struct Shown<'a> {
    /// The lot.
    pub lot: &'a Lot,
    /// What it came of, and what came of it.
    pub family: Family,
    /// Where its kilograms went.
    pub balance: Balance,
    /// What was logged of its storage.
    pub storage: Vec<Kept>,
    /// Where its arms were, and in what air.
    pub kept: Vec<ArmKept>,
    /// The arm that is asked for alone.
    pub arm: Option<String>,
    /// How it was made.
    pub making: Making,
    /// What is to be warned of.
    pub warnings: Vec<String>,
}

/// Everything about a lot.
#[must_use]
pub fn whole(shown: &Shown<'_>, parameters: &Parameters, limits: &Limits, log: bool) -> String {
    let lot = shown.lot;
    let arm = shown.arm.as_deref();
    let asked = |of: &str| arm.is_none_or(|arm| ids::same(arm, of));
    let mut text = identity(lot, &shown.kept);
    text.push_str(&family(lot, &shown.family));
    text.push_str(&masses(&shown.balance));
    let values: Vec<Vec<String>> = lot
        .values
        .iter()
        .filter(|v| v.arm.as_deref().is_none_or(asked) && !is_one_of_many(v, lot))
        .map(|v| value_row(lot, v, parameters))
        .collect();
    if !values.is_empty() {
        let _ = write!(text, "\nvalues that hold\n{}", table(&values));
    }
    let derived = derived(lot, limits);
    if !derived.is_empty() {
        let _ = write!(text, "\nworked out\n{}", table(&derived));
    }
    text.push_str(&inherited(&shown.making));
    text.push_str(&kept_text::storage(lot, &shown.storage, arm));
    text.push_str(&kept_text::kept(lot, &shown.kept));
    let reserves: Vec<Vec<String>> = lot
        .all_arms()
        .into_iter()
        .filter(|of| asked(of))
        .filter_map(|arm| {
            let Some(r) = lot.reserve(&arm) else {
                let drawn = grams(lot.drawn_g(&arm)?);
                let none = "no reserve is recorded".to_owned();
                return Some(vec![arm, none, format!("{drawn} g drawn")]);
            };
            let (kept, drawn, left) = (grams(r.kept_g), grams(r.drawn_g), grams(r.left_g));
            Some(vec![
                arm,
                format!("{kept} g kept"),
                format!("{drawn} g drawn"),
                format!("{left} g left"),
            ])
        })
        .collect();
    if !reserves.is_empty() {
        let _ = write!(text, "\nreserve\n{}", table(&reserves));
    }
    if log {
        let lines: Vec<Vec<String>> = lot.log.values().map(|l| log_row(lot, l)).collect();
        let _ = write!(text, "\nlog\n{}", table(&lines));
    }
    if let Some(torn) = &lot.log.torn {
        let _ = writeln!(
            text,
            "\nnotice: the log's last line has no line end and does not count: {torn}"
        );
    }
    for warning in &shown.warnings {
        let _ = writeln!(text, "\nwarning: {warning}");
    }
    text
}

fn identity(lot: &Lot, kept: &[ArmKept]) -> String {
    let file = &lot.file.value;
    let mut text = format!("{}  {}, made {}\n", lot.id, file.class, file.made);
    let days: Vec<String> = file.picked.iter().map(ToString::to_string).collect();
    let arms: Vec<String> =
        file.arms.iter().map(|a| format!("{} (since {})", a.id, a.since)).collect();
    let parted = file.parted.map(|day| format!("split off on {day}"));
    let rows: Vec<Vec<String>> = [
        ("parted", parted),
        ("picked", Some(days.join(", "))),
        ("garden", file.garden.clone()),
        ("plot", file.plot.clone()),
        ("cultivar", file.cultivar.clone()),
        ("season", file.season.clone()),
        ("made tea", file.kg.map(|kg| format!("{kg} kg"))),
        ("arms", Some(arms.join(", "))),
        (
            "trial",
            file.trial.as_ref().zip(file.run).map(|(name, run)| format!("{name}, run {run}")),
        ),
        ("notes", file.notes.clone()),
    ]
    .into_iter()
    .filter_map(|(name, value)| Some(vec![name.to_owned(), value.filter(|v| !v.is_empty())?]))
    .collect();
    text.push_str(&table(&rows));
    for arm in kept.iter().filter(|k| k.fitness.is_blocked()) {
        let _ = writeln!(text, "  {} is not served: {}", arm.arm, arm.fitness.reasons().join("; "));
    }
    text
}

fn family(lot: &Lot, family: &Family) -> String {
    let mut text = String::new();
    if family.ancestors.is_empty() && family.descendants.is_empty() {
        return text;
    }
    // The arm belongs to the lot that is named before it, the parent.
    let parent = |r: &Relative| {
        let name = r.arm.as_ref().map_or_else(|| r.lot.clone(), |arm| format!("{}@{arm}", r.lot));
        relative(r, name, None)
    };
    let child = |r: &Relative| relative(r, r.lot.clone(), r.arm.as_deref());
    text.push_str("\nfamily\n");
    if !family.ancestors.is_empty() {
        let _ = write!(
            text,
            "  came of\n{}",
            table(&family.ancestors.iter().map(parent).collect::<Vec<_>>())
        );
    }
    let _ = writeln!(text, "  {} (this lot)", lot.id);
    if !family.descendants.is_empty() {
        let _ = write!(
            text,
            "  went into\n{}",
            table(&family.descendants.iter().map(child).collect::<Vec<_>>())
        );
    }
    text
}

/// Relatives stand further in, the further they are away.
fn relative(r: &Relative, name: String, of: Option<&str>) -> Vec<String> {
    let how = r.came_by.map_or("into a lot made", CameBy::word);
    let made = r.made.as_ref().map_or_else(
        || "not in this book".to_owned(),
        |(class, day)| format!("{class}, made {day}"),
    );
    vec![
        format!("{}{name}", "  ".repeat(r.steps)),
        r.kg.map_or_else(|| "kg not said".to_owned(), kilograms),
        of.map_or_else(String::new, |arm| format!("of {arm}")),
        format!("{how} {}", r.day),
        made,
        if r.again { "(see above)".to_owned() } else { String::new() },
    ]
}

fn masses(balance: &Balance) -> String {
    if balance.given.is_empty() && balance.arms.is_empty() {
        return String::new();
    }
    let mut rows = Vec::new();
    let mut row = |name: &str, mass: String, more: String| {
        rows.push(vec![name.to_owned(), mass, more]);
    };
    if let (Some(kg), Some(by)) = (balance.made_kg, balance.made_by) {
        row("made", kilograms(kg), by.to_owned());
    }
    if !balance.given.is_empty() {
        let each: Vec<String> = balance
            .given
            .iter()
            .map(|g| {
                let kg = g.kg.map_or_else(|| "not said".to_owned(), kilograms);
                let arm = if g.arm == MAIN { String::new() } else { format!(" (of {})", g.arm) };
                format!("{kg} into {}{arm}", g.lot)
            })
            .collect();
        row("given", kilograms(balance.given_kg), each.join(", "));
    }
    match (balance.left_kg, &balance.unknown) {
        (Some(kg), _) => row("left", kilograms(kg), String::new()),
        (None, Some(why)) => row("left", "not known".to_owned(), why.clone()),
        (None, None) => {}
    }
    for arm in &balance.arms {
        let left = arm.left_kg.map_or_else(|| "not known".to_owned(), kilograms);
        row(&arm.id, kilograms(arm.kg), format!("put in, {left} left"));
    }
    format!("\nmasses\n{}", table(&rows))
}

fn inherited(making: &Making) -> String {
    let rows: Vec<Vec<String>> = making
        .values
        .iter()
        .filter_map(|made| {
            let from = made.inherited_from.as_ref()?;
            Some(vec![
                made.parameter.clone(),
                with_unit(&shown(&made.value), made.unit.as_deref()),
                made.how.word().to_owned(),
                format!("from {from}"),
            ])
        })
        .collect();
    let mut text = String::new();
    if !rows.is_empty() {
        let _ = write!(text, "\ninherited from the lots that it came of\n{}", table(&rows));
    }
    for note in &making.notes {
        let _ = writeln!(text, "\nnotice: {note}");
    }
    text
}

/// What came of a split.
#[must_use]
pub fn split_off(parted: &Parted) -> String {
    let mut text = String::new();
    for lot in &parted.lots {
        let kg =
            lot.file.value.kg.map_or_else(String::new, |kg| format!(" with {}", kilograms(kg)));
        let from = from(lot);
        let _ = writeln!(text, "lot {}{kg} is split off from {from}", lot.id);
    }
    text
}

/// What came of a blend or of a second firing.
#[must_use]
pub fn out_of(parted: &Parted, how: &str) -> String {
    let mut text = String::new();
    for lot in &parted.lots {
        let came = match (lot.file.value.kg, parted.lost_pct) {
            (Some(kg), Some(lost)) if lost > 0.0 => {
                format!(", {} came out: {lost:.1} % less", kilograms(kg))
            }
            (Some(kg), _) => format!(", {} came out", kilograms(kg)),
            (None, _) => ", what came out was not weighed (--kg)".to_owned(),
        };
        let _ = writeln!(
            text,
            "lot {} ({}) is {how} from {}: {} went in{came}",
            lot.id,
            lot.file.value.class,
            from(lot),
            kilograms(parted.in_kg)
        );
    }
    text
}

fn from(lot: &Lot) -> String {
    let named =
        |p: &Parent| p.arm.as_ref().map_or_else(|| p.lot.clone(), |arm| format!("{}@{arm}", p.lot));
    lot.file.value.parents.iter().map(named).collect::<Vec<_>>().join(" and ")
}

fn kilograms(kg: f64) -> String {
    format!("{} kg", (kg * 1e4).round() / 1e4)
}

fn value_row(lot: &Lot, v: &LotValue, parameters: &Parameters) -> Vec<String> {
    let unusual = parameters
        .parameter(&v.parameter)
        .filter(|p| v.value.number().is_some_and(|x| p.is_unusual(x)))
        .and_then(|p| p.usual)
        .map(|[low, high]| format!("(usual: {low} to {high})"));
    vec![
        v.parameter.clone(),
        with_unit(&shown(&v.value), v.unit.as_deref()),
        v.how.word().to_owned(),
        v.arm.clone().unwrap_or_default(),
        if lot.is_of_the_day(v.at) { v.at.day().to_string() } else { v.at.to_string() },
        v.entry.clone(),
        unusual.unwrap_or_default(),
    ]
}

/// What follows from a lot's values: its name, the value, and how it was worked out.
#[must_use]
pub fn derived(lot: &Lot, limits: &Limits) -> Vec<Vec<String>> {
    let d = lot.derived();
    let dose = d.oxidation_dose(limits.q10).map(|got| {
        let tried: Vec<String> = Q10_TRIED
            .iter()
            .filter(|q10| **q10 != limits.q10)
            .filter_map(|q10| Some(format!("{:.2} with {q10}", d.oxidation_dose(*q10)?.value)))
            .collect();
        Got { how: format!("{}; {}", got.how, tried.join(", ")), ..got }
    });
    [
        ("mass loss", d.mass_loss_pct, "%", 1),
        ("lost in withering", d.wither_loss_pct, "%", 1),
        ("rate of withering", d.wither_rate, "% an hour", 2),
        ("leaf on the withering bed", d.wither_load, "kg/m²", 2),
        ("moisture after withering", d.wither_moisture_pct, "%", 1),
        ("moisture of the made tea", d.moisture_pct, "%", 1),
        ("rolled under pressure", d.press_minutes, "min", 0),
        ("pressure put on and released", d.press_cycles, "times", 0),
        ("oxidation", d.oxidation_hours, "h", 2),
        ("oxidising leaf", d.oxidation_c.filter(|_| d.course.is_some()), "°C", 1),
        ("oxidation dose", dose, "", 2),
    ]
    .into_iter()
    .filter_map(|(name, got, unit, digits): (&str, Option<Got>, &str, usize)| {
        let got = got?;
        let sign = if got.estimated { "estimated: " } else { "" };
        let value = format!("{:.digits$} {unit}", got.value);
        Some(vec![name.to_owned(), value.trim_end().to_owned(), format!("{sign}{}", got.how)])
    })
    .collect()
}

fn log_row(lot: &Lot, line: &LogLine) -> Vec<String> {
    let replaced = lot
        .log
        .values()
        .find(|l| l.replaces.as_deref() == Some(line.entry.as_str()))
        .map(|l| format!("(replaced by {})", l.entry));
    let replaces = line
        .replaces
        .as_ref()
        .map(|r| format!("replaces {r}: {}", line.reason.as_deref().unwrap_or_default()));
    vec![
        line.entry.clone(),
        line.at.to_string(),
        line.arm.clone().unwrap_or_default(),
        line.parameter.clone(),
        line.value
            .as_ref()
            .map_or_else(|| "taken back".to_owned(), |v| with_unit(v, line.unit.as_deref())),
        line.how.word().to_owned(),
        line.by.clone().unwrap_or_default(),
        [replaced, replaces, line.note.clone()]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join("; "),
    ]
}

/// What was logged, in one line.
#[must_use]
pub fn logged(lot: &Lot, line: &LogLine) -> String {
    let value = lot.values.iter().find(|v| v.entry == line.entry).map_or_else(
        || "taken back".to_owned(),
        |v| with_unit(&shown(&v.value), v.unit.as_deref()),
    );
    let arm = line.arm.as_ref().map_or_else(String::new, |a| format!("@{a}"));
    let replaces =
        line.replaces.as_ref().map_or_else(String::new, |r| format!(", in place of entry {r}"));
    format!("{}{arm}: {} {value}{replaces} (entry {})", lot.id, line.parameter, line.entry)
}

/// A value; of a converted number no more than four decimals.
#[must_use]
pub fn shown(value: &Value) -> String {
    value.number().map_or_else(|| value.to_string(), |x| format!("{}", (x * 1e4).round() / 1e4))
}

fn grams(g: f64) -> String {
    format!("{}", (g * 10.0).round() / 10.0)
}
