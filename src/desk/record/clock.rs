//! The step clock of the workshop: buttons for the moments of making, fields for its values, for a phone in one
//! wet hand. Taps are kept on the phone until they are saved.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use serde_json::{Value, json};

use super::log::by_step;
use super::{Body, shown, words};
use crate::book::lot_warnings::LONGEST_MAKING_DAYS;
use crate::book::lots::{Lot, PRESS_OFF, PRESS_ON};
use crate::book::parameters::{Parameter, ParameterKind, Parameters};
use crate::book::time::Day;
use crate::book::writing::refused;
use crate::book::{BookError, ids, units};
use crate::desk::page::{Part, Reader, aside, head, only_here, other_language};
use crate::desk::panel::qr::qr;
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};

/// A batch is in hand until so many days after its drying ended.
const AFTER: i64 = 3;
/// So many lines are shown as logged last.
const LAST: usize = 8;

fn in_hand(lot: &Lot, today: Day) -> bool {
    (lot.made().later(-LONGEST_MAKING_DAYS)..=lot.made().later(AFTER)).contains(&today)
}

/// What the workshop logs: all of making and packing, neither the reserve nor a quarantine.
pub(super) fn is_of_making(p: &Parameter) -> bool {
    p.step() != "reserve" && (p.step() != "store" || p.id == "store.packed")
}

/// A page of the step clock.
pub(super) fn framed_sheet(reader: &Reader, title: &str, body: &Markup) -> Html<String> {
    let markup = html! {
        (DOCTYPE)
        html lang=(reader.say.html()) {
            (head(title, &["base.css", "clock.css"], &["clock.js"]))
            body {
                header.head { (other_language(reader)) }
                main id="main" { h1 { (title) } (body) }
            }
        }
    };
    Html(markup.into_string())
}

/// A page of the step clock whose making reads the disk.
pub(super) async fn framed(
    app: Shared,
    reader: Reader,
    make: impl FnOnce(&App, &Reader) -> Result<Body, BookError> + Send + 'static,
) -> Response {
    let work = move || match make(&app, &reader) {
        Ok((title, body)) => framed_sheet(&reader, &title, &body).into_response(),
        Err(e) => {
            let title = reader.say.of("This cannot be shown", "无法显示");
            let body = html! { div.wrong role="alert" { pre { (told::markup(reader.say, &e.to_string())) } } p { a href="/clock" { (reader.say.of("All batches in hand", "全部在制批次")) } } };
            (StatusCode::UNPROCESSABLE_ENTITY, framed_sheet(&reader, title, &body)).into_response()
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
                li { a.button href={ "/clock/" (lot.id) } { strong { (lot.id) } " " (words::class(&lot.file.value.class, say)) (say.0.comma()) (lot.made()) } }
            } }
            @if here.is_empty() {
                p { (say.of(
                    format!("No batch is in hand: none is made between {} and {}.", today.later(-AFTER), today.later(LONGEST_MAKING_DAYS)),
                    format!("没有在制批次：{} 至 {} 之间无制成日期。", today.later(-AFTER), today.later(LONGEST_MAKING_DAYS)),
                )) }
            }
            p { a.button.quiet.new href="/new-batch" { (say.of("A new batch", "新的一批")) } }
        };
        Ok((say.of("Step clock", "车间计时").to_owned(), body))
    })
    .await
}

pub(super) fn find<'a>(lots: &'a [Lot], id: &str, today: Day) -> Result<&'a Lot, BookError> {
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
        "open": say.of("Not logged, see above: ", "未记录，见上方："),
        "asked": say.of("Is this right?", "确认无误？"),
        "sure": say.of("It is right: log it", "无误，记录"),
        "leave": say.of("Leave it out", "不记录"),
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
        div id="asked" role="alert" {}
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
            div.moments { @for p in &moments {
                button.moment type="button" data-parameter=(p.id) data-again=[(is_logged_often(p)).then_some("yes")] {
                    span.name { (p.label(say.key())) } span.when {}
                }
            }
            @if let Some((start, lasts)) = end_of(&moments, &values) {
                button.moment.end type="button" data-parameter=(lasts.id) data-start=(start.id) {
                    span.name { (say.of("End: ", "结束：")) (lasts.label(say.key())) } span.when {}
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

/// Where a step has a beginning and a time that it takes, but no moment of its end: the two. Its end is logged as that
/// time.
fn end_of<'a>(
    moments: &[&'a Parameter],
    values: &[&'a Parameter],
) -> Option<(&'a Parameter, &'a Parameter)> {
    let named = |p: &&&Parameter, name: &str| p.id.split_once('.').is_some_and(|(_, n)| n == name);
    let start = moments.iter().find(|p| named(p, "start"))?;
    if moments.iter().any(|p| named(&p, "end")) {
        return None;
    }
    let is_time = |p: &Parameter| {
        p.kind == ParameterKind::Number
            && p.unit.as_deref().is_some_and(|u| units::convert(1.0, u, "min").is_some())
    };
    let lasts = values.iter().find(|p| (named(p, "hours") || named(p, "minutes")) && is_time(p))?;
    Some((start, lasts))
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
pub(super) fn state_of(lot: &Lot, parameters: &Parameters, say: Say) -> Value {
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
            "text": format!("{}{}{}", p.label(say.key()), say.0.colon(), words::value(&v.value, v.unit.as_deref(), Some(p), say)),
        }));
        if last.len() == LAST {
            break;
        }
    }
    json!({ "held": held, "last": last })
}

/// The link of the step clock, for the workshop's phones.
pub async fn link(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::Lots, |app, reader| {
        let say = reader.say;
        let address = format!("{}/enter/{}", app.ballots_at, app.doors.clock_link());
        let body = html! {
            p { (say.of(
                "With this link a phone in the workshop begins batches and writes down when their steps begin and end and what is measured. It shows nothing else of the book; tasters have links of their own.",
                "车间的手机凭此链接新开批次，记下各步骤的起止时刻与测量值。它不显示本册其他内容；评茶员另有链接。",
            )) }
            @if !app.on_lan { (only_here(say)) }
            @if let Some(code) = qr(&address, say.of("The link as a QR code", "链接的二维码")) { div.qr { (code) } }
            p { a href=(address) { (address) } }
            p.hint { (say.of("Whoever has the link may log; it is the same for all of the workshop.", "持有链接者均可记录；全车间共用一个。")) }
            p { a.button.quiet href="/clock" { (say.of("Open the step clock here", "在本机打开车间计时")) } }
        };
        Ok((say.of("Step clock for the workshop", "车间计时").to_owned(), body))
    })
    .await
}
