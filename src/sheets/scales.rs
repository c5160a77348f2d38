//! Scales as they are printed on a ballot.

use serde_json::{Value, json};

use super::SheetError;
use super::ballots::BallotTerm;

/// A scale on paper. Texts are given in the order of the paper's languages.
#[derive(Debug, Clone, PartialEq)]
pub enum BallotScale {
    /// A line from absent to strong.
    Line {
        /// Value of the left end.
        low: f64,
        /// Value of the right end.
        high: f64,
        /// Smallest difference that is recorded.
        step: f64,
        /// Names of the left and the right end.
        ends: [Vec<String>; 2],
    },
    /// A line with a middle that means neither.
    Bipolar {
        /// Value of the left end.
        low: f64,
        /// Value of the right end.
        high: f64,
        /// Smallest difference that is recorded.
        step: f64,
        /// Names of the left and the right end.
        ends: [Vec<String>; 2],
    },
    /// Levels in an order; one is chosen.
    Ordered {
        /// The levels from the lowest.
        levels: Vec<Vec<String>>,
    },
    /// Kinds without an order; one is chosen.
    Nominal {
        /// The kinds.
        levels: Vec<Vec<String>>,
    },
    /// Found or not.
    Tick,
    /// A fault from 0 absent to 3 rejects.
    Fault,
    /// Free words.
    Note,
}

/// The rows of a cup: terms that follow each other in one family and are only ticked share a row, and a family is
/// named where it begins.
pub(super) fn rows(sheet: &str, terms: &[BallotTerm]) -> Result<Vec<Value>, SheetError> {
    let mut rows: Vec<Value> = Vec::new();
    let mut family: Option<&[String]> = None;
    let mut ticks: Vec<Value> = Vec::new();
    let mut ticks_family = json!([]);
    for term in terms {
        let begins = family != Some(term.family.as_slice());
        let tick = term.scale == BallotScale::Tick;
        if !ticks.is_empty() && (begins || !tick) {
            rows.push(ticks_row(&ticks_family, std::mem::take(&mut ticks)));
            ticks_family = json!([]);
        }
        let named = if begins { json!(term.family) } else { json!([]) };
        family = Some(&term.family);
        if tick {
            if ticks.is_empty() {
                ticks_family = named;
            }
            ticks.push(json!(term.labels));
            continue;
        }
        let scale = scale_data(sheet, term)?;
        rows.push(json!({ "family": named, "label": term.labels, "scale": scale }));
    }
    if !ticks.is_empty() {
        rows.push(ticks_row(&ticks_family, ticks));
    }
    Ok(rows)
}

fn ticks_row(family: &Value, items: Vec<Value>) -> Value {
    json!({ "family": family, "label": [], "scale": { "kind": "ticks", "items": items } })
}

/// Checks that a scale has levels, and each of its texts in as many languages as the term's label.
fn check_texts(sheet: &str, term: &BallotTerm) -> Result<(), SheetError> {
    let label = term.labels.first().map(String::as_str).unwrap_or_default();
    let incomplete =
        |found, expected| Err(SheetError::Incomplete { sheet: sheet.to_owned(), found, expected });
    let texts: &[Vec<String>] = match &term.scale {
        BallotScale::Line { ends, .. } | BallotScale::Bipolar { ends, .. } => ends,
        BallotScale::Ordered { levels } | BallotScale::Nominal { levels } => {
            if levels.len() < 2 {
                let found = format!("{} levels for the term {label:?}", levels.len());
                return incomplete(found, "at least two levels");
            }
            levels
        }
        BallotScale::Tick | BallotScale::Fault | BallotScale::Note => &[],
    };
    if let Some(short) = texts.iter().find(|text| text.len() != term.labels.len()) {
        let found = format!("{short:?} on the scale of the term {label:?}");
        return incomplete(found, "a text for each language of the paper");
    }
    Ok(())
}

fn scale_data(sheet: &str, term: &BallotTerm) -> Result<Value, SheetError> {
    check_texts(sheet, term)?;
    Ok(match &term.scale {
        BallotScale::Line { low, high, step, ends } => {
            line(sheet, term, (*low, *high, *step), ends, false)?
        }
        BallotScale::Bipolar { low, high, step, ends } => {
            line(sheet, term, (*low, *high, *step), ends, true)?
        }
        BallotScale::Ordered { levels } => json!({ "kind": "ordered", "levels": levels }),
        BallotScale::Nominal { levels } => json!({ "kind": "nominal", "levels": levels }),
        BallotScale::Tick => json!({ "kind": "ticks", "items": [term.labels] }),
        BallotScale::Fault => json!({ "kind": "fault" }),
        BallotScale::Note => json!({ "kind": "note" }),
    })
}

/// A line with its ticks: labelled at round values, at most about twelve, and small ones halfway where the step allows.
fn line(
    sheet: &str,
    term: &BallotTerm,
    (low, high, step): (f64, f64, f64),
    ends: &[Vec<String>; 2],
    signed: bool,
) -> Result<Value, SheetError> {
    let span = high - low;
    let sound = low.is_finite() && high.is_finite() && span > 0.0 && step > 0.0 && step <= span;
    if !sound {
        return Err(SheetError::Incomplete {
            sheet: sheet.to_owned(),
            found: format!("the line of {:?} from {low} to {high} by {step}", term.labels.first()),
            expected: "a line that goes upwards, with a step that fits on it",
        });
    }
    let power = 10f64.powf((span / 12.0).log10().floor());
    let unit = [1.0, 2.0, 5.0, 10.0]
        .map(|m| m * power)
        .into_iter()
        .find(|u| span / u <= 12.0)
        .unwrap_or(span);
    let half = unit / 2.0;
    // Small ticks only where a score may lie.
    let between =
        (half / step).round() >= 1.0 && ((half / step) - (half / step).round()).abs() < 1e-9;
    let count = (span / half + 1e-9).floor() as usize;
    let mut ticks = Vec::new();
    for i in 0..=count {
        let whole = i % 2 == 0;
        if !whole && !between {
            continue;
        }
        let value = low + half * i as f64;
        let strong = i == 0 || (value - high).abs() < 1e-9 || (signed && value.abs() < 1e-9);
        ticks.push(json!({
            "at": (value - low) / span,
            "label": if whole { number(value, signed) } else { String::new() },
            "strong": strong,
        }));
    }
    Ok(json!({ "kind": "line", "ticks": ticks, "low": ends[0], "high": ends[1] }))
}

/// A value with a true minus sign, and a plus sign on scales that go both ways.
fn number(value: f64, signed: bool) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    let text = if text == "-0" { "0" } else { text };
    if signed && value > 1e-9 { format!("+{text}") } else { text.replace('-', "−") }
}
