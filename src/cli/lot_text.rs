//! How lots are shown in the terminal.

use std::fmt::Write as _;

use unicode_width::UnicodeWidthStr as _;

use crate::book::book_file::Limits;
use crate::book::derived::Got;
use crate::book::lots::{LogLine, Lot, LotValue};
use crate::book::parameters::{Parameters, Value};

/// A table of texts with aligned columns, each line indented by two spaces.
fn table(rows: &[Vec<String>]) -> String {
    let n = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..n)
        .map(|i| rows.iter().filter_map(|r| r.get(i)).map(|c| c.width()).max().unwrap_or(0))
        .collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line.push_str("  ");
            line.push_str(cell);
            line.push_str(&" ".repeat(width - cell.width()));
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

fn with_unit(value: &str, unit: Option<&str>) -> String {
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
                reserves.join(", "),
            ]
        })
        .collect();
    table(&rows)
}

/// Everything about a lot.
#[must_use]
pub fn whole(lot: &Lot, parameters: &Parameters, limits: &Limits, log: bool) -> String {
    let mut text = identity(lot);
    let values: Vec<Vec<String>> = lot.values.iter().map(|v| value_row(v, parameters)).collect();
    if !values.is_empty() {
        let _ = write!(text, "\nvalues that hold\n{}", table(&values));
    }
    let derived = derived(lot, limits);
    if !derived.is_empty() {
        let _ = write!(text, "\nworked out\n{}", table(&derived));
    }
    let reserves: Vec<Vec<String>> = lot
        .all_arms()
        .into_iter()
        .filter_map(|arm| {
            let r = lot.reserve(&arm)?;
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
    for warning in lot.warnings(limits) {
        let _ = writeln!(text, "\nwarning: {warning}");
    }
    text
}

fn identity(lot: &Lot) -> String {
    let file = &lot.file.value;
    let mut text = format!("{}  {}, made {}\n", lot.id, file.class, file.made);
    let days: Vec<String> = file.picked.iter().map(ToString::to_string).collect();
    let parents: Vec<String> = file
        .parents
        .iter()
        .map(|p| p.kg.map_or_else(|| p.lot.clone(), |kg| format!("{kg} kg of {}", p.lot)))
        .collect();
    let arms: Vec<String> =
        file.arms.iter().map(|a| format!("{} (since {})", a.id, a.since)).collect();
    let rows: Vec<Vec<String>> = [
        ("picked", Some(days.join(", "))),
        ("garden", file.garden.clone()),
        ("plot", file.plot.clone()),
        ("cultivar", file.cultivar.clone()),
        ("season", file.season.clone()),
        ("made tea", file.kg.map(|kg| format!("{kg} kg"))),
        ("made from", Some(parents.join(", "))),
        ("arms", Some(arms.join(", "))),
        ("notes", file.notes.clone()),
    ]
    .into_iter()
    .filter_map(|(name, value)| Some(vec![name.to_owned(), value.filter(|v| !v.is_empty())?]))
    .collect();
    text.push_str(&table(&rows));
    for arm in lot.arms() {
        if lot.is_in_quarantine(&arm) {
            let _ = writeln!(text, "  {arm} is in quarantine: it is not served");
        }
    }
    text
}

fn value_row(v: &LotValue, parameters: &Parameters) -> Vec<String> {
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
        v.at.to_string(),
        v.entry.clone(),
        unusual.unwrap_or_default(),
    ]
}

fn derived(lot: &Lot, limits: &Limits) -> Vec<Vec<String>> {
    let d = lot.derived();
    let dose = d.oxidation_dose(limits.q10);
    [
        ("mass loss", d.mass_loss_pct, "%", 1),
        ("moisture after withering", d.wither_moisture_pct, "%", 1),
        ("moisture of the made tea", d.moisture_pct, "%", 1),
        ("oxidation", d.oxidation_hours, "h", 2),
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
fn shown(value: &Value) -> String {
    value.number().map_or_else(|| value.to_string(), |x| format!("{}", (x * 1e4).round() / 1e4))
}

fn grams(g: f64) -> String {
    format!("{}", (g * 10.0).round() / 10.0)
}
