//! The page of a session: its state, what comes next, and all that can be done.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde_json::json;

use super::host::Host;
use super::room::Room;
use super::{corrections, going_on, progress as far, revealed, with_ours, words};
use crate::book::session_files::Kind;
use crate::book::{BookError, ids};
use crate::desk::Shared;
use crate::desk::page::{
    Part, Reader, aside, failed, field, only_here, page, shown_error, text_field, token, wrong,
};
use crate::desk::posted::Posted;
use crate::desk::told;
use crate::session::ballots::Ballot;
use crate::session::{self as sessions, Session};

type Stage = sessions::State;

/// The page.
pub async fn show(State(app): State<Shared>, reader: Reader, Path(name): Path<String>) -> Response {
    match room(&app, &name).await {
        Ok(Ok(room)) => shown(&app, &reader, &room, &Posted::default(), None),
        Ok(Err(e)) => failed(&app, &reader, Part::Sessions, &e),
        Err(response) => response,
    }
}

/// What the desk knows of a session.
pub async fn room(app: &Shared, name: &str) -> Result<Result<Room, BookError>, Response> {
    let (of, name, now) = (app.clone(), name.to_owned(), app.now());
    aside(move || Room::of(&of, of.book(), &name, now)).await
}

/// The page with what was typed, and why it was refused.
pub fn shown(
    app: &Shared,
    reader: &Reader,
    room: &Room,
    typed: &Posted,
    error: Option<&BookError>,
) -> Response {
    let status = if error.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let say = reader.say;
    let plan = room.session.plan();
    let body = html! {
        @if let Some(e) = error { (wrong(reader, &shown_error(app, e))) }
        p.about {
            span.state data-state=(room.session.state.to_string()) { (words::state(say, room.session.state)) } " "
            (words::kind(say, plan.kind)) " · " (plan.day) " · " (words::recipe(say, &plan.recipe))
        }
        div id="musty" role="alert" { (far::musty(say, &room.session, &room.host, &room.progress)) }
        (who_is_here(reader, room))
        (next(app, reader, room, typed))
        @if room.is_going_on() {
            (going_on::markup(reader, room, typed))
        }
        (going_on::late(reader, room, typed))
        @if let Some(of) = &room.revealed { (revealed::markup(reader, room, of, typed)) }
        @if room.session.state != Stage::Void { (corrections::leave_out(reader, room, typed)) }
        (corrections::what_was_done(reader, room, typed))
        @if room.session.state != Stage::Void { (corrections::give_up(reader, room, typed)) }
    };
    let page = page(app, reader, Part::Sessions, &room.session.name, with_ours(body));
    (status, page).into_response()
}

/// A form that does something to the session.
pub fn act(reader: &Reader, room: &Room, name: &str, inside: Markup) -> Markup {
    html! {
        form method="post" action=(room.at()) {
            (token(reader))
            input type="hidden" name="act" value=(name);
            (inside)
        }
    }
}

fn who_is_here(reader: &Reader, room: &Room) -> Markup {
    let say = reader.say;
    if room.session.plan().is_alone() || room.session.state >= Stage::Revealed {
        return html! {};
    }
    let chosen = match &room.host {
        Host::Unknown => "",
        Host::Nobody => "-",
        Host::Taster(id) => id,
    };
    let question = act(
        reader,
        room,
        "host",
        html! {
            fieldset {
                legend { (say.of("Who is at this desk?", "谁在使用工作台？")) }
                p.hint { (say.of("Somebody who tastes must not see here what others answer. As long as nobody has said, the desk takes it that a taster is here.", "评茶员不得在此看到他人的答案。未说明前，一律按有评茶员在场处理。")) }
                div.ticks {
                    label.pick { input type="radio" name="who" value="-" checked[chosen == "-"] required; span { (say.of("Nobody who tastes in this session", "不参加本场审评的人")) } }
                    @for p in &room.progress {
                        label.pick { input type="radio" name="who" value=(p.of.taster) checked[chosen == p.of.taster] required; span { (p.name) } }
                    }
                }
                button { (say.of("Keep this", "保存")) }
            }
        },
    );
    let said = match &room.host {
        Host::Unknown => return html! { div.next { (question) } },
        Host::Nobody => say.of(
            "At this desk: nobody who tastes.".to_owned(),
            "工作台：不参加审评的人。".to_owned(),
        ),
        Host::Taster(id) => {
            let name = room.name_of(id);
            say.of(
                format!("At this desk: {name}, who tastes. Answers and lots stay hidden until the reveal."),
                format!("工作台：{name}，参加审评。揭盲前不显示答案与批次。"),
            )
        }
    };
    let own = match &room.host {
        Host::Taster(id) if room.is_going_on() => Some(format!("{}/join/{id}", room.at())),
        _ => None,
    };
    html! {
        details.who { summary { (said) } (question) }
        @if let Some(to) = own { p { a href=(to) { (say.of("Your own ballot", "您自己的评茶单")) } } }
    }
}

fn next(app: &Shared, reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let (at, plan) = (room.at(), room.session.plan());
    let all_in = far::all_in(&room.progress);
    let inside = match room.session.state {
        Stage::Planned => html! {
            p { (say.of("Next: hand out the ballots, on phones or on paper.", "下一步：发放评茶单，手机或纸质。")) }
            p.buttons { a.button href={ (at) "/join" } { (say.of("Links for phones", "手机链接")) } }
            @if !app.on_lan { (only_here(say)) }
        },
        Stage::Open if all_in => html! {
            p { (say.of("Everybody has handed in. Next: close the session.", "所有人都已提交。下一步：截止。")) }
            (far::gaps_told(say, &room.progress))
            (act(reader, room, "close", html! { p.buttons { button { (say.of("Close the session", "截止")) } } }))
        },
        Stage::Open => html! {
            p { (say.of("It is being tasted. When all ballots are in, close it.", "正在审评。全部交齐后截止。")) }
            p.buttons { a.button.quiet href={ (at) "/join" } { (say.of("Links for phones", "手机链接")) } }
        },
        Stage::Closed if !room.session.has_key() => alone_key(reader, room, typed),
        Stage::Closed => html! {
            p { (say.of("No more scores are taken. Next: the reveal. It cannot be taken back.", "不再接受打分。下一步：揭盲，不可撤回。")) }
            @if let Some(close) = &room.close { @if !close.missing.is_empty() { p.hint { (say.of("Not handed in: ", "未提交：")) (missing(room, reader)) } } }
            (act(reader, room, "reveal", html! {
                label.pick { input type="checkbox" name="sure" value="1" required; span { (say.of("Open the key now", "现在打开密钥")) } }
                p.buttons { button { (say.of("Reveal", "揭盲")) } }
            }))
        },
        Stage::Revealed => html! {
            p { (say.of("The lots are known. Next: what the panel says.", "批次已知。下一步：看审评结果。")) }
            @let of = &room.session.name;
            p.buttons {
                @if plan.kind == Kind::Profile { a.button href={ "/questions/agree?session=" (of) } { (say.of("Do the tasters agree?", "评茶员意见一致吗？")) } " " }
                @if plan.kind.is_choice() { a.button href={ "/questions/difference?session=" (of) } { (say.of("Can the two be told apart?", "两个茶样能区分吗？")) } }
                @else { a.button href={ "/questions/compare?session=" (of) } { (say.of("Which lots differ?", "哪些批次有差异？")) } }
            }
        },
        Stage::Void => html! {
            @if let Some(void) = &room.void { p { (say.of("Void since ", "作废于 ")) (void.voided) (say.0.colon()) (void.reason) } }
            p { (say.of("Nothing of it counts.", "全部不计。")) }
        },
    };
    html! { section.next aria-label=(say.of("What comes next", "下一步")) { (inside) } }
}

fn missing(room: &Room, reader: &Reader) -> String {
    let Some(close) = &room.close else { return String::new() };
    let one = |m: &crate::book::session_files::MissingBallot| {
        format!(
            "{}{}{}",
            room.name_of(&m.taster),
            reader.say.0.comma(),
            words::flight(reader.say, m.flight)
        )
    };
    close.missing.iter().map(one).collect::<Vec<_>>().join("; ")
}

fn alone_key(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let start = || {
        let plan = room.session.plan();
        let mut places: Vec<u32> = plan
            .flights
            .iter()
            .flat_map(|f| f.shelf.iter().chain(&f.warm_up_shelf))
            .copied()
            .collect();
        places.sort_unstable();
        places.dedup();
        let rows: Vec<String> = places.iter().map(|p| format!("{p},")).collect();
        format!("shelf,lot\n{}\n", rows.join("\n"))
    };
    let table = typed.filled("table").map_or_else(start, str::to_owned);
    act(
        reader,
        room,
        "key",
        html! {
            p { (say.of("Now look under the tins, and write which lot stood at which place.", "现在看茶罐底部，写下每个位置是哪个批次。")) }
            (field("table", say.of("Places and lots", "位置与批次"), say.of("One line a tin: place, comma, lot.", "每行一罐：位置，逗号，批次。"),
                html! { textarea id="table" name="table" rows="8" aria-describedby="table-hint" { (table) } }))
            (text_field("reference", say.of("The frozen sample among them", "其中的冷冻参照样"), say.of("Empty if there is none.", "没有则留空。"), typed.text("reference")))
            p.buttons { button { (say.of("Keep the key", "保存密钥")) } }
        },
    )
}

/// How far everybody is, for a page that is open.
pub async fn progress(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
) -> Response {
    let of = app.clone();
    let read = aside(move || {
        let session = Session::open(of.book(), &name)?;
        let all = far::progress(&of, of.book(), &session)?;
        let host = super::host::host(of.book(), &session)?;
        Ok::<_, BookError>((session, all, host))
    });
    match read.await {
        Ok(Ok((session, all, host))) => Json(json!({
            "state": session.state,
            "musty": far::musty(reader.say, &session, &host, &all).into_string(),
            "table": far::table(reader.say, &session, &all).into_string(),
            "timer": far::timer(reader.say, &session, app.live.timer(&session.name, None)).into_string(),
        }))
        .into_response(),
        Ok(Err(e)) => (StatusCode::UNPROCESSABLE_ENTITY, Json(json!({ "error": told::text(reader.say, &shown_error(&app, &e)) })))
            .into_response(),
        Err(response) => response,
    }
}

/// What is on the ballots, for somebody who does not taste.
pub async fn answers(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
) -> Response {
    let of = app.clone();
    let read = aside(move || {
        let session = Session::open(of.book(), &name)?;
        if !super::host::host(of.book(), &session)?.may_see_answers(session.state) {
            return Err(BookError::Refused(format!(
                "the answers of session {} are not shown at this desk\n  expected: somebody here who does not taste, or the reveal\n  to mend:  say on the session's page who is at this desk",
                session.name
            )));
        }
        let known = of.book().tasters()?.value;
        let mut ballots = Vec::new();
        for taster in &session.plan().tasters {
            let name = known.taster(taster).and_then(|t| t.name.clone());
            ballots.push((name.unwrap_or_else(|| taster.clone()), Ballot::open(&session, taster)?));
        }
        Ok((session, ballots))
    });
    let (session, ballots) = match read.await {
        Ok(Ok(read)) => read,
        Ok(Err(e)) => return failed(&app, &reader, Part::Sessions, &e),
        Err(response) => return response,
    };
    let say = reader.say;
    let plan = session.plan();
    let label = |id: &str| {
        plan.terms
            .iter()
            .find(|t| ids::same(&t.id, id))
            .map_or(id, |t| t.label(say.key()))
            .to_owned()
    };
    let body = html! {
        p { a href={ "/sessions/" (session.name) } { (say.of("Back to the session", "返回场次")) } }
        @for (name, ballot) in &ballots {
            h2 { (name) }
            div.wide tabindex="0" role="region" aria-label=(name) { table {
                thead { tr { th scope="col" { (say.of("Cup", "杯")) } th scope="col" { (say.of("Steep", "泡次")) } th scope="col" { (say.of("Term", "评语")) } th scope="col" { (say.of("Answer", "答案")) } th scope="col" { (say.of("Note", "备注")) } } }
                tbody { @for (q, line) in ballot.answers() { tr {
                    td { (line.cup.unwrap_or(q.cup)) } td { (q.steep.map(|s| s.to_string()).unwrap_or_default()) } td { (label(&q.term)) }
                    td { (line.value.as_deref().unwrap_or(line.state.word())) } td { (line.note.as_deref().unwrap_or_default()) }
                } } }
            } }
        }
    };
    page(&app, &reader, Part::Sessions, say.of("Answers", "答案"), with_ours(body)).into_response()
}
