//! The way onto the phones: a link for each taster, as a code to scan and as letters to type.
//!
//! One taster at a time, so that nobody scans another's by mistake; or all on a sheet to be cut.

use axum::extract::{Path, State};
use axum::response::{Html, IntoResponse as _, Response};
use maud::{DOCTYPE, Markup, html};

use super::qr::qr;
use super::room::Room;
use super::{session as pages, with_ours, words};
use crate::book::BookError;
use crate::desk::page::{Part, Reader, aside, failed, head, only_here, page};
use crate::desk::{App, Shared};

/// Who may join, and who has.
pub async fn all(State(app): State<Shared>, reader: Reader, Path(name): Path<String>) -> Response {
    let room = match open(&app, &reader, &name).await {
        Ok(room) => room,
        Err(response) => return response,
    };
    let say = reader.say;
    let at = room.at();
    let body = html! {
        p { a href=(at) { (say.of("Back to the session", "返回场次")) } }
        (reach(&app, &reader))
        p { (say.of("Let each taster scan the own code only: open one name at a time.", "每人只扫自己的码：逐人打开。")) }
        ul.names { @for p in &room.progress { li {
            a.button href={ (at) "/join/" (p.of.taster) } { (p.name) } " "
            span.hint { (if p.of.joined { say.of("joined; a second phone takes over", "已加入；再扫码即换用新手机") } else { say.of("not joined yet", "尚未加入") }) }
        } } }
        p.buttons { a.button.quiet href={ (at) "/links" } { (say.of("All on a sheet, to print and cut", "打印全部，裁开分发")) } }
    };
    let title = say.of("Links for phones", "手机链接");
    page(&app, &reader, Part::Sessions, title, with_ours(body)).into_response()
}

/// One taster's code on the whole screen.
pub async fn one(
    State(app): State<Shared>,
    reader: Reader,
    Path((name, taster)): Path<(String, String)>,
) -> Response {
    let room = match open(&app, &reader, &name).await {
        Ok(room) => room,
        Err(response) => return response,
    };
    let place = match room.session.taster(&taster) {
        Ok(id) => room.progress.iter().position(|p| p.of.taster == id).unwrap_or(0),
        Err(e) => return failed(&app, &reader, Part::Sessions, &e),
    };
    let (say, at) = (reader.say, room.at());
    let links = match links(&app, &room, Some(place)).await {
        Ok(links) => links,
        Err(response) => return response,
    };
    let other = |step: i64| {
        let i = usize::try_from(place as i64 + step).ok()?;
        room.progress.get(i)
    };
    let body = html! {
        p.buttons {
            @if let Some(p) = other(-1) { a.button.quiet href={ (at) "/join/" (p.of.taster) } rel="prev" { "← " (p.name) } " " }
            a.button.quiet href={ (at) "/join" } { (say.of("Hide", "隐藏")) } " "
            @if let Some(p) = other(1) { a.button.quiet href={ (at) "/join/" (p.of.taster) } rel="next" { (p.name) " →" } }
        }
        @for (name, link) in &links { div.whole { (card(&app, &reader, name, link)) }
            p { a href={ (app.ballots_at) "/join/" (link) } target="_blank" rel="noopener" { (say.of("Open this ballot on this machine", "在本机打开此评茶单")) } }
        }
        (reach(&app, &reader))
    };
    page(&app, &reader, Part::Sessions, &room.session.name, with_ours(body)).into_response()
}

/// All codes on a sheet.
pub async fn sheet(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
) -> Response {
    let room = match open(&app, &reader, &name).await {
        Ok(room) => room,
        Err(response) => return response,
    };
    let links = match links(&app, &room, None).await {
        Ok(links) => links,
        Err(response) => return response,
    };
    let say = reader.say;
    let markup = html! {
        (DOCTYPE)
        html lang=(say.html()) {
            (head(say.of("Links for phones", "手机链接"), &["base.css", "desk.css", "panel.css"], &["panel.js"]))
            body.sheet { main {
                p.buttons.screen { a.button.quiet href={ (room.at()) "/join" } { (say.of("Back", "返回")) } " " button type="button" data-print { (say.of("Print", "打印")) } }
                h1 { (room.session.name) }
                p.screen { (say.of("Cut it, and give each taster the own piece only.", "裁开，只把各人自己的那块给本人。")) }
                div.cards { @for (name, link) in &links { (card(&app, &reader, name, link)) } }
            } }
        }
    };
    Html(markup.into_string()).into_response()
}

async fn open(app: &Shared, reader: &Reader, name: &str) -> Result<Room, Response> {
    let refused = match pages::room(app, name).await? {
        Ok(room) if room.is_going_on() => return Ok(room),
        Ok(room) => BookError::Refused(format!(
            "session {} is {}: nobody joins it any more\n  to mend:  plan another session",
            room.session.name,
            words::state(reader.say, room.session.state)
        )),
        Err(e) => e,
    };
    Err(failed(app, reader, Part::Sessions, &refused))
}

/// The names and links of one taster, or of all.
async fn links(
    app: &Shared,
    room: &Room,
    only: Option<usize>,
) -> Result<Vec<(String, String)>, Response> {
    let of = app.clone();
    let session = room.session.name.clone();
    let tasters: Vec<(String, String)> =
        room.progress.iter().map(|p| (p.of.taster.clone(), p.name.clone())).collect();
    let made = aside(move || {
        let mut all = Vec::new();
        for (i, (taster, name)) in tasters.into_iter().enumerate() {
            if only.is_none_or(|o| o == i) {
                all.push((name, of.doors.taster_link(&session, &taster)?));
            }
        }
        Ok::<_, crate::desk::DeskError>(all)
    })
    .await?;
    made.map_err(|e| {
        (axum::http::StatusCode::INSUFFICIENT_STORAGE, format!("{e}\n")).into_response()
    })
}

fn card(app: &App, reader: &Reader, name: &str, link: &str) -> Markup {
    let say = reader.say;
    let whole = format!("{}/join/{link}", app.ballots_at);
    let short = app.ballots_at.trim_start_matches("http://");
    let label = say.of(format!("Code to scan for {name}"), format!("{name} 的二维码"));
    html! {
        article.card {
            h2 { (name) }
            @match qr(&whole, &label) {
                Some(code) => { (code) }
                None => { p { (whole) } }
            }
            p { (say.of("Scan it, or open", "扫码，或打开")) " " b { (short) } " " (say.of("and type", "并输入")) }
            p.letters { (link) }
        }
    }
}

fn reach(app: &App, reader: &Reader) -> Markup {
    let say = reader.say;
    html! {
        @if app.on_lan { p.hint { (say.of("Phones must be on this network: ", "手机须在同一网络：")) (app.ballots_at) } }
        @else { (only_here(say)) }
    }
}
