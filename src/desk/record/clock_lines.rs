//! What the step clock sends: taps and values of a batch, each with the entry under which the phone keeps it.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Extension, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

use super::asked_back::Looked;
use super::clock::{find, is_of_making, state_of};
use super::{names_of_parameters, rng};
use crate::book::book_file::clock;
use crate::book::lot_warnings::LONGEST_MAKING_DAYS;
use crate::book::lots::{How, Lot};
use crate::book::parameters::{Parameter, ParameterKind};
use crate::book::time::Moment;
use crate::book::writing::{Entry, log_lot, refused};
use crate::book::{BookError, ids, units};
use crate::desk::doors::form_token;
use crate::desk::guard::Caller;
use crate::desk::page::{Reader, aside};
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};

/// The most lines that are sent at once.
const MOST: usize = 100;

/// Which batch's state is asked for.
#[derive(Debug, Default, Deserialize)]
pub struct Of {
    #[serde(default)]
    lot: String,
}

#[derive(Debug, Deserialize)]
struct Lines {
    lines: Vec<Tapped>,
}

#[derive(Debug, Deserialize)]
struct Tapped {
    lot: String,
    entry: String,
    parameter: String,
    value: Option<String>,
    at: String,
    replaces: Option<String>,
    /// The end of a step: its value is the time since the step's beginning.
    #[serde(default)]
    end: bool,
    /// It was asked back, and is right.
    #[serde(default)]
    sure: bool,
}

/// What became of a line.
enum Became {
    Saved,
    /// It is asked back, in words.
    Asked(String),
}

fn unreadable(text: &str) -> Response {
    (StatusCode::UNPROCESSABLE_ENTITY, Json(json!({ "error": "unreadable", "text": text })))
        .into_response()
}

/// Logs what was tapped; answers once it is on the disk.
pub async fn lines(
    State(app): State<Shared>,
    reader: Reader,
    Extension(caller): Extension<Caller>,
    Query(of): Query<Of>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let token = headers.get("x-form").and_then(|h| h.to_str().ok());
    if token != Some(form_token(&caller.cookie).as_str()) {
        return (StatusCode::FORBIDDEN, Json(json!({ "error": "ended" }))).into_response();
    }
    let sent: Lines = match serde_json::from_slice(&body) {
        Ok(sent) => sent,
        Err(e) => return unreadable(&e.to_string()),
    };
    if sent.lines.len() > MOST {
        return unreadable("too many lines at once");
    }
    let work = move || {
        let mut results = Vec::new();
        let names = names_of_parameters(&app, &reader);
        for line in &sent.lines {
            match log(&app, &reader, line) {
                Ok(Became::Saved) => {
                    results.push(json!({ "entry": line.entry, "outcome": "saved" }));
                }
                Ok(Became::Asked(text)) => results.push(json!({
                    "entry": line.entry, "outcome": "asked", "text": text,
                })),
                // The disk or another writer: the phone keeps it and sends it again.
                Err(e @ BookError::Store(_)) => {
                    let told =
                        json!({ "error": "not-saved", "text": told::text(reader.say, &e.to_string()), "results": results });
                    return (StatusCode::INSUFFICIENT_STORAGE, Json(told)).into_response();
                }
                Err(e) => results.push(json!({
                    "entry": line.entry, "outcome": "refused", "text": told::text_naming(reader.say, &e.to_string(), &names),
                })),
            }
        }
        let state = state_now(&app, &of.lot, reader.say).unwrap_or(Value::Null);
        Json(json!({ "results": results, "state": state })).into_response()
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

fn state_now(app: &App, id: &str, say: Say) -> Result<Value, BookError> {
    let lots = app.cache.lots_and_mistakes()?.lots;
    let lot = find(&lots, id, app.now().day())?;
    Ok(state_of(lot, &app.cache.parameters()?.value, say))
}

fn log(app: &App, reader: &Reader, line: &Tapped) -> Result<Became, BookError> {
    let now = app.now();
    let lots = app.cache.lots_and_mistakes()?.lots;
    let lot = find(&lots, &line.lot, now.day())?;
    let parameters = app.cache.parameters()?;
    let p = parameters.value.parameter(&line.parameter).filter(|p| is_of_making(p)).ok_or_else(
        || {
            refused(
                format!("\"{}\" is nothing that the workshop logs", line.parameter),
                "a parameter of a step of making",
                "load the page again",
            )
        },
    )?;
    let at: Moment = line.at.parse().map_err(|_| {
        refused(
            format!("\"{}\" is no moment", line.at),
            "a moment with its offset",
            "load the page again",
        )
    })?;
    let file = app.cache.book_file()?;
    let at = at.on_clock_of(&clock(&file));
    let value = match (&line.replaces, p.kind) {
        (Some(_), _) => None,
        (None, ParameterKind::Moment) => Some(at.to_string()),
        (None, _) if line.end => Some(lasted(lot, p, at, reader.say)?),
        (None, _) => line.value.as_ref().map(|v| v.trim().replace(['\r', '\n'], " ")),
    };
    let (of, say) = (&parameters.value, reader.say);
    let looked =
        Looked { lot: Some(lot), id: &lot.id, lots: &lots, parameters: of, days: None, say };
    // A line that is sent again because its answer was lost is logged already: it asks nothing.
    let there = lot.log.values().any(|l| l.entry == line.entry);
    if let Some(text) = value.as_ref().filter(|_| !line.sure && !there)
        && let Some(asked) = looked.asked_back(p, text, &[])
    {
        // Where no field stands beside it, it says what it is about.
        let (name, colon) = (p.label(reader.say.key()), reader.say.0.colon());
        let named = if asked.contains(name) { asked } else { format!("{name}{colon}{asked}") };
        return Ok(Became::Asked(named));
    }
    let taken_back = reader.say.of("taken back at the step clock", "在车间计时撤销");
    let entry = Entry {
        id: Some(line.entry.clone()),
        at: Some(at),
        how: How::Measured,
        reason: line.replaces.as_ref().map(|_| taken_back.to_owned()),
        replaces: line.replaces.clone(),
        ..Entry::new(p.id.clone(), value)
    };
    log_lot(app.book(), &lot.id, &entry, now, &mut rng()?).map(|_| Became::Saved)
}

/// The time from a step's beginning, as its log has it, to a moment: in the unit of the parameter that holds it.
fn lasted(lot: &Lot, p: &Parameter, at: Moment, say: Say) -> Result<String, BookError> {
    let start = format!("{}.start", p.step());
    let begun = lot.values.iter().rev().find(|v| ids::same(&v.parameter, &start));
    let begun = begun.and_then(|v| v.value.moment()).ok_or_else(|| {
        BookError::Refused(say.of(
            format!("the log of {} has no beginning of this step ({start})\n  expected: its beginning, before its end\n  to mend:  log the beginning first, or the time that it took", lot.id),
            format!("{} 的记录中没有此步骤的开始（{start}）\n  应为：先记开始，再记结束\n  更正：先记录开始时刻，或直接填写所用时间", lot.id),
        ))
    })?;
    let minutes = at.timestamp().duration_since(begun.timestamp()).as_secs_f64() / 60.0;
    let most = LONGEST_MAKING_DAYS as f64 * 24.0 * 60.0;
    if !(0.0..=most).contains(&minutes) {
        return Err(BookError::Refused(say.of(
            format!("{start} of {} is {begun}, and its end {at}\n  expected: an end that comes after it, within {LONGEST_MAKING_DAYS} days\n  to mend:  correct the beginning first", lot.id),
            format!("{} 的 {start} 为 {begun}，结束为 {at}\n  应为：结束晚于开始，且不超过 {LONGEST_MAKING_DAYS} 天\n  更正：先更正开始时刻", lot.id),
        )));
    }
    let unit = p.unit.as_deref().unwrap_or("min");
    let value = units::convert(minutes, "min", unit).unwrap_or(minutes);
    // A minute is as near as a hand taps.
    let digits = usize::from(units::convert(1.0, unit, "min").unwrap_or(1.0) > 1.5) * 2;
    Ok(format!("{value:.digits$}"))
}
