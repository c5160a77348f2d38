//! The step clock of the workshop: buttons for the moments of making, fields for its values, for a phone in one
//! wet hand. Taps are kept on the phone until they are saved.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Extension, Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{Html, IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use serde::Deserialize;
use serde_json::{Value, json};

use super::log::by_step;
use super::{Body, rng, shown, words};
use crate::book::book_file::clock;
use crate::book::lot_warnings::LONGEST_MAKING_DAYS;
use crate::book::lots::{How, Lot, PRESS_OFF, PRESS_ON};
use crate::book::parameters::{Parameter, ParameterKind, Parameters};
use crate::book::time::{Day, Moment};
use crate::book::writing::{Entry, log_lot, refused};
use crate::book::{BookError, ids};
use crate::desk::doors::form_token;
use crate::desk::guard::Caller;
use crate::desk::page::{Part, Reader, aside, head, other_language};
use crate::desk::panel::qr::qr;
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};

/// A batch is in hand until so many days after its drying ended.
const AFTER: i64 = 3;
/// The most lines that are sent at once.
const MOST: usize = 100;
/// So many lines are shown as logged last.
const LAST: usize = 8;

fn in_hand(lot: &Lot, today: Day) -> bool {
    (lot.made().later(-LONGEST_MAKING_DAYS)..=lot.made().later(AFTER)).contains(&today)
}

/// What the workshop logs: all of making and packing, neither the reserve nor a quarantine.
fn is_of_making(p: &Parameter) -> bool {
    p.step() != "reserve" && (p.step() != "store" || p.id == "store.packed")
}

fn frame(reader: &Reader, title: &str, body: &Markup) -> Html<String> {
    let markup = html! {
        (DOCTYPE)
        html lang=(reader.say.html()) {
            (head(title, &["base.css", "clock.css"], &["clock.js"]))
            body { main id="main" { h1 { (title) } (body) (other_language(reader)) } }
        }
    };
    Html(markup.into_string())
}

async fn framed(
    app: Shared,
    reader: Reader,
    make: impl FnOnce(&App, &Reader) -> Result<Body, BookError> + Send + 'static,
) -> Response {
    let work = move || match make(&app, &reader) {
        Ok((title, body)) => frame(&reader, &title, &body).into_response(),
        Err(e) => {
            let title = reader.say.of("This cannot be shown", "无法显示");
            let body = html! { div.wrong role="alert" { pre { (told::markup(reader.say, &e.to_string())) } } p { a href="/clock" { (reader.say.of("All batches in hand", "全部在制批次")) } } };
            (StatusCode::UNPROCESSABLE_ENTITY, frame(&reader, title, &body)).into_response()
        }
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

/// The batches in hand.
pub async fn batches(State(app): State<Shared>, reader: Reader) -> Response {
    framed(app, reader, |app, reader| {
        let say = reader.say;
        let today = app.now().day();
        let lots = app.cache.lots_and_mistakes()?.lots;
        let mut here: Vec<&Lot> = lots.iter().filter(|l| in_hand(l, today)).collect();
        here.sort_by(|a, b| (b.made(), &b.id).cmp(&(a.made(), &a.id)));
        let body = html! {
            p { (say.of("Which batch?", "哪一批？")) }
            ul.batches { @for lot in &here {
                li { a.button href={ "/clock/" (lot.id) } { strong { (lot.id) } " " (words::class(&lot.file.value.class, say)) ", " (lot.made()) } }
            } }
            @if here.is_empty() {
                p { (say.of(
                    format!("No batch is in hand: none is made between {} and {}. Add it at the desk, with the day on which its drying is to end.", today.later(-AFTER), today.later(LONGEST_MAKING_DAYS)),
                    format!("没有在制批次：{} 至 {} 之间无制成日期。请在工作台新增，并填写预计干燥结束之日。", today.later(-AFTER), today.later(LONGEST_MAKING_DAYS)),
                )) }
            }
        };
        Ok((say.of("Step clock", "车间计时").to_owned(), body))
    })
    .await
}

fn find<'a>(lots: &'a [Lot], id: &str, today: Day) -> Result<&'a Lot, BookError> {
    lots.iter().find(|l| ids::same(&l.id, id)).filter(|l| in_hand(l, today)).ok_or_else(|| {
        refused(
            format!("no batch \"{id}\" is in hand"),
            "a lot that is being made these days",
            "choose it from the list, or log at the desk",
        )
    })
}

/// The clock of a batch.
pub async fn batch(State(app): State<Shared>, reader: Reader, Path(id): Path<String>) -> Response {
    framed(app, reader, move |app, reader| {
        let lots = app.cache.lots_and_mistakes()?.lots;
        let lot = find(&lots, &id, app.now().day())?;
        let parameters = app.cache.parameters()?;
        Ok((lot.id.clone(), whole(app, reader, lot, &parameters.value)))
    })
    .await
}

fn whole(app: &App, reader: &Reader, lot: &Lot, parameters: &Parameters) -> Markup {
    let say = reader.say;
    let now = app.now().timestamp().as_millisecond();
    let state = state_of(lot, parameters, say).to_string();
    let texts = json!({
        "saved": say.of("All is saved.", "全部已保存。"),
        "waiting": say.of("Not saved yet, kept on this phone: ", "尚未保存，留在本机："),
        "again": say.of("Waiting for the network; it is sent again by itself. Leave this page open.", "等待网络，将自动重发。请勿关闭本页。"),
        "ended": say.of("This link is not good any more: ask for the new one. What is not saved is kept here.", "链接已失效：请索取新链接。未保存的留在本机。"),
        "undo": say.of("Undo", "撤销"),
        "refused": say.of("Not logged", "未记录"),
        "fine": say.of("I have seen it", "知道了"),
        "nothing": say.of("Nothing yet.", "尚无。"),
    })
    .to_string();
    html! {
        p.lead { (words::class(&lot.file.value.class, say)) " · " a href="/clock" { (say.of("another batch", "换一批")) } }
        noscript { p.wrong { (say.of("The step clock needs JavaScript.", "车间计时需要 JavaScript。")) } }
        div id="clock" data-lot=(lot.id) data-token=(reader.token) data-now=(now) data-state=(state) data-texts=(texts) {
            @for (step, list) in by_step(parameters) {
                @let list: Vec<&Parameter> = list.into_iter().filter(|p| is_of_making(p)).collect();
                @if !list.is_empty() { (step_of(step, &list, say)) }
            }
            section {
                h2 { (say.of("Logged last", "最近记录")) }
                ul id="last" {}
            }
        }
        div id="refused" role="alert" {}
        p id="status" role="status" aria-live="polite" {}
    }
}

/// A step: a large button for each of its moments, and its values behind a fold.
fn step_of(step: &str, list: &[&Parameter], say: Say) -> Markup {
    let (moments, values): (Vec<&Parameter>, Vec<&Parameter>) =
        list.iter().copied().partition(|p| p.kind == ParameterKind::Moment);
    html! {
        section.step {
            h2 { (words::step(step, say)) }
            div.moments { @for p in moments {
                button.moment type="button" data-parameter=(p.id) data-again=[(is_logged_often(p)).then_some("yes")] {
                    span.name { (p.label(say.key())) } span.when {}
                }
            } }
            @if !values.is_empty() {
                details {
                    summary { (say.of("Values", "数值")) }
                    @for p in values { (value_of(p, say)) }
                }
            }
        }
    }
}

/// Whether each moment that is logged counts, not the latest alone.
fn is_logged_often(p: &Parameter) -> bool {
    [PRESS_ON, PRESS_OFF].iter().any(|id| ids::same(id, &p.id))
}

fn value_of(p: &Parameter, say: Say) -> Markup {
    let id = format!("v-{}", p.id);
    let unit = p.unit.as_ref().map_or_else(String::new, |u| format!(", {u}"));
    html! {
        form.value data-parameter=(p.id) {
            label for=(id) { (p.label(say.key())) (unit) " " span.when {} }
            div.enter {
                @match p.kind {
                    ParameterKind::Category => {
                        select id=(id) { option value="" {} @for l in &p.levels { option value=(l.id) { (l.labels.or(say.key(), &l.id)) } } }
                    }
                    ParameterKind::YesNo => {
                        select id=(id) { option value="" {} option value="yes" { (say.of("yes", "是")) } option value="no" { (say.of("no", "否")) } }
                    }
                    ParameterKind::Number | ParameterKind::Whole => { input id=(id) inputmode="decimal" autocomplete="off"; }
                    _ => { input id=(id) autocomplete="off"; }
                }
                button { (say.of("Log", "记录")) }
            }
            @let hint = words::hint(p, say);
            @if p.usual.is_some() { span.hint { (hint) } }
        }
    }
}

/// What holds now: of each parameter the latest, and the lines that were logged last.
fn state_of(lot: &Lot, parameters: &Parameters, say: Say) -> Value {
    let mut held = serde_json::Map::new();
    let mut last: Vec<Value> = Vec::new();
    let of_making = |id: &str| parameters.parameter(id).filter(|p| is_of_making(p));
    for v in &lot.values {
        let Some(p) = of_making(&v.parameter) else { continue };
        let text = words::value(&v.value, v.unit.as_deref(), Some(p), say);
        held.insert(p.id.clone(), json!(text));
    }
    // By their lines: what was written last stands first.
    for line in lot.log.values().collect::<Vec<_>>().into_iter().rev() {
        let Some(v) = lot.values.iter().find(|v| v.entry == line.entry) else { continue };
        let Some(p) = of_making(&v.parameter) else { continue };
        last.push(json!({
            "entry": v.entry,
            "parameter": p.id,
            "text": format!("{}: {}", p.label(say.key()), words::value(&v.value, v.unit.as_deref(), Some(p), say)),
        }));
        if last.len() == LAST {
            break;
        }
    }
    json!({ "held": held, "last": last })
}

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
        for line in &sent.lines {
            match log(&app, &reader, line) {
                Ok(()) => results.push(json!({ "entry": line.entry, "outcome": "saved" })),
                // The disk or another writer: the phone keeps it and sends it again.
                Err(e @ BookError::Store(_)) => {
                    let told =
                        json!({ "error": "not-saved", "text": told::text(reader.say, &e.to_string()), "results": results });
                    return (StatusCode::INSUFFICIENT_STORAGE, Json(told)).into_response();
                }
                Err(e) => results.push(json!({
                    "entry": line.entry, "outcome": "refused", "text": told::text(reader.say, &e.to_string()),
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

fn log(app: &App, reader: &Reader, line: &Tapped) -> Result<(), BookError> {
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
        (None, _) => line.value.as_ref().map(|v| v.trim().replace(['\r', '\n'], " ")),
    };
    let taken_back = reader.say.of("taken back at the step clock", "在车间计时撤销");
    let entry = Entry {
        id: Some(line.entry.clone()),
        at: Some(at),
        how: How::Measured,
        reason: line.replaces.as_ref().map(|_| taken_back.to_owned()),
        replaces: line.replaces.clone(),
        ..Entry::new(p.id.clone(), value)
    };
    log_lot(app.book(), &lot.id, &entry, now, &mut rng()?).map(|_| ())
}

/// The link of the step clock, for the workshop's phones.
pub async fn link(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::Lots, |app, reader| {
        let say = reader.say;
        let address = format!("{}/enter/{}", app.ballots_at, app.doors.clock_link());
        let body = html! {
            p { (say.of(
                "With this link a phone in the workshop writes down when the steps of a batch begin and what is measured. It shows nothing else of the book; tasters have links of their own.",
                "车间的手机凭此链接记下各步骤的开始时刻与测量值。它不显示本册其他内容；评茶员另有链接。",
            )) }
            @if !app.on_lan {
                p.warn { (say.of("Only this machine reaches it now: start the desk with --lan so that phones on the Wi-Fi can.", "目前仅本机可用：请以 --lan 启动工作台，使同一 Wi-Fi 的手机可用。")) }
            }
            @if let Some(code) = qr(&address, say.of("The link as a QR code", "链接的二维码")) { div.qr { (code) } }
            p { a href=(address) { (address) } }
            p.hint { (say.of("Whoever has the link may log; it is the same for all of the workshop.", "持有链接者均可记录；全车间共用一个。")) }
            p { a.button.quiet href="/clock" { (say.of("Open the step clock here", "在本机打开车间计时")) } }
        };
        Ok((say.of("Step clock for the workshop", "车间计时").to_owned(), body))
    })
    .await
}
