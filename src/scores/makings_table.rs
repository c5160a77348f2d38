//! How lots were made, from a plain table: one row a lot, one column a parameter.

use std::collections::BTreeMap;
use std::path::Path;

use super::cell_units::{self, Cells};
use super::from_table::{clip, column, is_gap, listed, read_number, several};
use super::makings::{Made, MadeParameter, MadeValue, Makings, NotTaken};
use super::options::TableError;
use super::table_file::{Record, TableFile};
use crate::book::problem::{Problem, Problems};

/// Reads a table of parameters. The columns of `lot` name the lot as those of the scores do;
/// every other column is a parameter: of numbers if all its filled cells are numbers (in the unit of
/// the header, `oxidise.hours [min]`, or with units of their own, which are converted), of yes and
/// no if all are one of these, else of categories.
///
/// # Errors
/// [`TableError`]: each mistake with its line and column, what was expected and how to mend it.
pub fn makings_from_table(
    path: &Path,
    lot: &[String],
    delimiter: Option<char>,
    decimal: Option<char>,
) -> Result<Makings, TableError> {
    let file = TableFile::open(path, delimiter)?;
    let named = named_columns(&file, lot)?;
    let (names, units): (Vec<String>, Vec<Option<String>>) =
        file.header.iter().map(|h| cell_units::of_header(h)).unzip();
    for (at, name) in names.iter().enumerate() {
        if names[..at].contains(name) || name.is_empty() {
            let found = if name.is_empty() {
                format!("column {} has no name", at + 1)
            } else {
                format!("two columns are called \"{name}\"")
            };
            return Err(TableError::Cells {
                problems: one(Problem::new(
                    file.name.clone(),
                    Some(file.header_place(at)),
                    found,
                    "a name of its own for each parameter",
                    "name it in the header line, or take the column out",
                )),
                stopped: false,
            });
        }
    }
    let mut problems = Problems::new();
    for at in (0..names.len()).filter(|at| !named.contains(at)) {
        let Some(unit) = &units[at] else { continue };
        let Some(expected) = cell_units::refused(&names[at], unit) else { continue };
        problems.push(Problem::new(
            file.name.clone(),
            Some(file.header_place(at)),
            format!("{}: the unit \"{}\" does not fit", names[at], clip(unit)),
            expected,
            "correct the unit, or take it out of the header line",
        ));
    }
    if !problems.is_empty() {
        return Err(TableError::Cells { problems, stopped: false });
    }
    let (lots, rows) = rows(&file, &named)?;
    let decimal = decimal.unwrap_or('.');
    let mut makings =
        Makings { source: file.name.clone(), lots: lots.clone(), ..Makings::default() };
    for at in (0..file.header.len()).filter(|at| !named.contains(at)) {
        let with_rows: Vec<(&String, &str, &Record)> = lots
            .iter()
            .zip(&rows)
            .map(|(lot, row)| (lot, row.cells.get(at).unwrap_or_default().trim(), row))
            .filter(|(_, cell, _)| !is_gap(cell))
            .collect();
        let filled: Vec<(&String, &str)> = with_rows.iter().map(|(l, c, _)| (*l, *c)).collect();
        let id = names[at].clone();
        if filled.is_empty() {
            makings.not_taken.push(NotTaken { id, reason: "no cell is filled".to_owned() });
            continue;
        }
        let cells: Vec<&str> = filled.iter().map(|(_, cell)| *cell).collect();
        let (read, unit) = match cell_units::of_cells(&id, units[at].as_deref(), &cells, decimal) {
            Cells::Numbers(numbers, unit) => {
                if units[at].is_none() {
                    makings.notes.push(format!(
                        "{id} is taken as numbers in {unit}, since its cells carry units."
                    ));
                }
                (numbers.into_iter().map(Made::Number).collect(), Some(unit))
            }
            Cells::Other => {
                makings.notes.extend(mixed_note(&id, &filled, decimal));
                (kind_of(&filled, decimal), None)
            }
            Cells::Wrong(wrong) => {
                for (i, found, expected, mend) in wrong {
                    let place = file.place(with_rows[i].2, at);
                    let name = file.name.clone();
                    problems.push(Problem::new(name, Some(place), found, expected, mend));
                }
                continue;
            }
        };
        let values: BTreeMap<String, MadeValue> = filled
            .iter()
            .zip(read)
            .map(|((lot, _), value)| ((*lot).clone(), MadeValue { value, estimated: false }))
            .collect();
        makings.parameters.push(MadeParameter { id, unit, values, ..MadeParameter::default() });
    }
    if !problems.is_empty() {
        return Err(TableError::Cells { problems, stopped: false });
    }
    if makings.parameters.is_empty() {
        return Err(file.whole(
            "there is no parameter in the table",
            "add a column for each parameter beside the lot",
        ));
    }
    Ok(makings)
}

fn one(problem: Problem) -> Problems {
    let mut problems = Problems::new();
    problems.push(problem);
    problems
}

/// The columns that name the lot: those of the scores, or else one that is called as they are
/// together (`set_picture` for `set` and `picture`).
fn named_columns(file: &TableFile, lot: &[String]) -> Result<Vec<usize>, TableError> {
    several(file, "--lot", lot).or_else(|e| {
        let parts: Vec<&str> = lot.iter().flat_map(|w| w.split(',')).map(str::trim).collect();
        let joined = parts.join("_");
        let known = parts.len() > 1 && file.header.contains(&joined);
        if known { Ok(vec![column(file, "--lot", &joined)?]) } else { Err(e) }
    })
}

fn rows(file: &TableFile, named: &[usize]) -> Result<(Vec<String>, Vec<Record>), TableError> {
    let mut problems = Problems::new();
    let (mut lots, mut rows): (Vec<String>, Vec<Record>) = (Vec::new(), Vec::new());
    for record in file.lines() {
        if record.cells.iter().all(|c| c.trim().is_empty()) {
            continue;
        }
        let mut mistake = |cell: usize, found: String, expected: &str, mend: &str| {
            problems.push(Problem::new(
                file.name.clone(),
                Some(file.place(&record, cell)),
                found,
                expected.to_owned(),
                mend.to_owned(),
            ));
        };
        let (n, width) = (record.cells.len(), file.header.len());
        if n != width {
            mistake(
                n.min(width).saturating_sub(1),
                format!("the line has {n} {}", if n == 1 { "cell" } else { "cells" }),
                &format!("{width} cells, as in the header line"),
                "a cell with the delimiter or a quote in it needs quotes around it",
            );
            continue;
        }
        let parts: Vec<&str> = named.iter().map(|at| record.cells[*at].trim()).collect();
        if let Some(empty) = parts.iter().position(|p| p.is_empty()) {
            mistake(
                named[empty],
                format!("{} is empty", file.header[named[empty]]),
                "the name of the lot",
                "fill it in, or take the line out",
            );
            continue;
        }
        let lot = parts.join("_");
        if lots.contains(&lot) {
            mistake(
                named[0],
                format!("the lot \"{}\" stands in a second line", clip(&lot)),
                "one line a lot",
                "take one of the two out",
            );
            continue;
        }
        lots.push(lot);
        rows.push(record);
    }
    if !problems.is_empty() {
        return Err(TableError::Cells { problems, stopped: false });
    }
    if lots.is_empty() {
        return Err(file.whole("there is no lot in the table", "add one line a lot"));
    }
    Ok((lots, rows))
}

fn yes_no(cell: &str) -> Option<bool> {
    match cell.to_ascii_lowercase().as_str() {
        "yes" | "true" => Some(true),
        "no" | "false" => Some(false),
        _ => None,
    }
}

fn kind_of(filled: &[(&String, &str)], decimal: char) -> Vec<Made> {
    let all = |read: &dyn Fn(&str) -> Option<Made>| -> Option<Vec<Made>> {
        filled.iter().map(|(_, cell)| read(cell)).collect()
    };
    all(&|cell| read_number(cell, decimal).map(Made::Number))
        .or_else(|| all(&|cell| yes_no(cell).map(Made::YesNo)))
        .unwrap_or_else(|| {
            filled.iter().map(|(_, cell)| Made::Category((*cell).to_owned())).collect()
        })
}

/// A column of numbers with a few words in it is more likely a slip than a column of categories.
fn mixed_note(id: &str, filled: &[(&String, &str)], decimal: char) -> Option<String> {
    let words: Vec<String> = filled
        .iter()
        .filter(|(_, cell)| read_number(cell, decimal).is_none())
        .map(|(lot, cell)| format!("\"{}\" of {lot}", clip(cell)))
        .collect();
    (!words.is_empty() && 2 * words.len() < filled.len()).then(|| {
        format!(
            "{id} is taken as categories, since not all its cells are numbers: {}.",
            listed(&words)
        )
    })
}
