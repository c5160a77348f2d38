//! The page of a session: its state, what comes next, and all that can be done.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde_json::json;

use super::host::Host;
use super::room::Room;
use super::{progress as far, revealed, with_ours, words};
use crate::book::session_files::Change;
use crate::book::{BookError, ids};
use crate::desk::Shared;
use crate::desk::page::{Part, Reader, aside, failed, field, page, text_field, token, wrong};
use crate::desk::posted::Posted;
use crate::session::ballots::Ballot;
use crate::session::changes::exclusions;
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
        @if let Some(e) = error { (wrong(reader, &e.to_string())) }
        p.facts {
            span.state data-state=(room.session.state.to_string()) { (words::state(say, room.session.state)) } " "
            (words::kind(say, plan.kind)) " · " (plan.day) " · " (words::recipe(say, &plan.recipe))
        }
        (who_is_here(reader, room))
        (next(app, reader, room, typed))
        @if room.is_going_on() {
            (going_on(app, reader, room, typed))
        }
        @if let Some(of) = &room.revealed { (revealed::markup(reader, room, of, typed)) }
        @if room.session.state != Stage::Void { (leave_out(reader, room, typed)) }
        (what_was_done(reader, room, typed))
        @if room.session.state != Stage::Void { (give_up(reader, room, typed)) }
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
                    label.pick { input type="radio" name="who" value="-" checked[chosen == "-"] required; span { (say.of("Nobody who tastes in this session", "不参加本场评茶的人")) } }
                    @for p in &room.progress {
                        label.pick { input type="radio" name="who" value=(p.taster) checked[chosen == p.taster] required; span { (p.name) } }
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
            "工作台：不参加评茶的人。".to_owned(),
        ),
        Host::Taster(id) => {
            let name = room.name_of(id);
            say.of(
                format!("At this desk: {name}, who tastes. Answers and lots stay hidden until the reveal."),
                format!("工作台：{name}，参加评茶。揭盲前不显示答案与批次。"),
            )
        }
    };
    html! { details.who { summary { (said) } (question) } }
}

fn next(app: &Shared, reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let at = room.at();
    let all_in = far::all_in(&room.progress);
    let inside = match room.session.state {
        Stage::Planned => html! {
            p { (say.of("Next: hand out the ballots, on phones or on paper.", "下一步：发放评茶单，手机或纸质。")) }
            p.buttons { a.button href={ (at) "/join" } { (say.of("Links for phones", "手机链接")) } }
            @if !app.on_lan { p.hint { (say.of("Only this machine reaches the ballots: start the desk with --lan for phones.", "目前只有本机能打开评茶单：要用手机，请以 --lan 启动工作台。")) } }
        },
        Stage::Open if all_in => html! {
            p { (say.of("Everybody has handed in. Next: close the session.", "所有人都已交。下一步：截止。")) }
            (act(reader, room, "close", html! { p.buttons { button { (say.of("Close the session", "截止")) } } }))
        },
        Stage::Open => html! {
            p { (say.of("It is being tasted. When all ballots are in, close it.", "正在评茶。全部交齐后截止。")) }
            p.buttons { a.button.quiet href={ (at) "/join" } { (say.of("Links for phones", "手机链接")) } }
        },
        Stage::Closed if !room.session.has_key() => alone_key(reader, room, typed),
        Stage::Closed => html! {
            p { (say.of("No more scores are taken. Next: the reveal. It cannot be taken back.", "不再接受打分。下一步：揭盲，不可撤回。")) }
            @if let Some(close) = &room.close { @if !close.missing.is_empty() { p.hint { (say.of("Not handed in: ", "未交：")) (missing(room, reader)) } } }
            (act(reader, room, "reveal", html! {
                label.pick { input type="checkbox" name="sure" value="1" required; span { (say.of("Open the key now", "现在打开密钥")) } }
                p.buttons { button { (say.of("Reveal", "揭盲")) } }
            }))
        },
        Stage::Revealed => html! {
            p { (say.of("The lots are known. Next: what the panel says.", "批次已知。下一步：看评茶结果。")) }
            p.buttons {
                a.button href={ "/questions/agree?session=" (room.session.name) } { (say.of("Do the tasters agree?", "评茶员是否一致？")) } " "
                a.button href={ "/questions/compare?session=" (room.session.name) } { (say.of("Which lots differ?", "哪些批次不同？")) }
            }
        },
        Stage::Void => html! {
            @if let Some(void) = &room.void { p { (say.of("Void since ", "作废于 ")) (void.voided) ": " (void.reason) } }
            p { (say.of("Nothing of it counts.", "全部不计。")) }
        },
    };
    html! { section.next aria-label=(say.of("What comes next", "下一步")) { (inside) } }
}

fn missing(room: &Room, reader: &Reader) -> String {
    let Some(close) = &room.close else { return String::new() };
    let one = |m: &crate::book::session_files::MissingBallot| {
        format!("{}, {}", room.name_of(&m.taster), words::flight(reader.say, m.flight))
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

fn going_on(app: &Shared, reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let at = room.at();
    html! {
        section {
            h2 { (say.of("Progress", "进度")) }
            p.hint { (say.of("Answers that are needed and given; never what they say.", "应答与已答的数目；不显示内容。")) }
            div id="progress" data-from={ (at) "/progress" } data-state=(room.session.state.to_string()) { (far::table(say, &room.session, &room.progress)) }
            @if room.host.may_see_answers(room.session.state) && !room.session.plan().is_alone() {
                p { a href={ (at) "/answers" } { (say.of("See the answers: only for who does not taste", "查看答案：仅限不评茶者")) } }
            }
        }
        section {
            h2 { (say.of("Ballots", "评茶单")) }
            p.buttons { a.button.quiet href={ (at) "/join" } { (say.of("Links for phones", "手机链接")) } }
            div.wide tabindex="0" role="region" aria-label=(say.of("Ballots", "评茶单")) { table { tbody { @for p in &room.progress { tr {
                th scope="row" { (p.name) }
                td { a href={ (at) "/ballot/" (p.taster) } download { (say.of("Paper ballot (PDF)", "纸质评茶单 (PDF)")) } }
                td { a href={ (at) "/enter/" (p.taster) } { (say.of("Type in from paper", "从纸上录入")) } }
            } } } } }
        }
        (pouring(app, reader, room, typed))
        (temperatures(reader, room, typed))
        @if room.session.state == Stage::Open && !far::all_in(&room.progress) {
            details { summary { (say.of("Close before all is in", "未交齐即截止")) }
                (act(reader, room, "close", html! {
                    p { (say.of("These have not handed in, and would be missing:", "以下未交，将缺失：")) }
                    ul { @for p in &room.progress { @for f in p.flights.iter().filter(|f| !f.handed_in) {
                        li { (p.name) ", " (words::flight(say, f.number)) ": " (f.answered) " / " (f.asked) }
                    } } }
                    label.pick { input type="checkbox" name="anyway" value="1" required; span { (say.of("Close without them", "不等了，截止")) } }
                    p.buttons { button { (say.of("Close the session", "截止")) } }
                }))
            }
        }
    }
}

fn pouring(_app: &Shared, reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let at = room.at();
    html! {
        section {
            h2 { (say.of("Pouring", "冲泡分杯")) }
            p { a href={ (at) "/labels" } download { (say.of("Labels for the cups (PDF)", "杯标签 (PDF)")) } }
            @if !room.shelf.is_empty() {
                div.wide tabindex="0" role="region" aria-label=(say.of("Pouring", "冲泡分杯")) { table {
                    thead { tr { th scope="col" { (say.of("Flight", "轮次")) } th scope="col" { (say.of("Cup", "杯")) } th scope="col" { (say.of("Tin at place", "茶罐位置")) } } }
                    tbody { @for p in &room.shelf { tr {
                        td { (p.flight) } td { b { (p.code) } @if p.warm_up { " " (say.of("warm-up", "预热")) } } td { (p.shelf) }
                    } } }
                } }
                @if !room.unfit.is_empty() {
                    p.mind { (say.of("Since this was planned these came into quarantine or were found too damp; have somebody else take their tins off, and enter their cups as lost: ", "计划后以下样品被隔离或过湿；请他人取走其茶罐，并将这些杯记为作废："))
                        (room.unfit.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")) }
                }
            } @else {
                form method="post" action={ (at) "/pouring" } {
                    (token(reader))
                    p { (say.of("The pouring plan is the one paper with lots on it: for whoever pours and does not taste. That it is written is logged.", "冲泡分杯表是唯一写明批次的纸张：仅给冲泡且不评茶的人。写出会记录在案。")) }
                    @if let Host::Taster(id) = &room.host {
                        p.mind { (say.of(
                            format!("{} tastes: let whoever pours take the file from here, and look at it somewhere else.", room.name_of(id)),
                            format!("{} 参加评茶：请冲泡人自行取走文件，到别处查看。", room.name_of(id)))) }
                    }
                    (text_field("pourer", say.of("Who pours", "冲泡人"), "", typed.text("pourer")))
                    p.buttons { button.quiet { (say.of("Pouring plan (PDF)", "冲泡分杯表 (PDF)")) } }
                }
            }
            p.hint { (say.of("Boiling water scalds. Taste below 60 °C.", "沸水烫伤。茶汤低于 60 °C 再品。")) }
        }
    }
}

fn temperatures(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    html! {
        details open[typed.text("act") == "pour"] {
            summary { (say.of("Temperatures of cups", "各杯温度")) @if !room.pours.is_empty() { " (" (room.pours.len()) ")" } }
            (act(reader, room, "pour", html! { div.row {
                (field("cup", say.of("Cup", "杯"), "", html! { input id="cup" name="cup" inputmode="numeric" value=(typed.text("cup")) required autocomplete="off"; }))
                (field("temperature", say.of("Temperature, °C", "温度 °C"), say.of("when it is tasted", "品尝时"), html! { input id="temperature" name="temperature" inputmode="decimal" value=(typed.text("temperature")) autocomplete="off" aria-describedby="temperature-hint"; }))
                (field("minutes", say.of("Minutes since pouring", "出汤后分钟"), "", html! { input id="minutes" name="minutes" inputmode="decimal" value=(typed.text("minutes")) autocomplete="off"; }))
                (text_field("note", say.of("Note", "备注"), "", typed.text("note")))
            } p.buttons { button.quiet { (say.of("Log it", "记录")) } } }))
            @if !room.pours.is_empty() { div.wide tabindex="0" role="region" aria-label=(say.of("Temperatures of cups", "各杯温度")) { table {
                thead { tr { th scope="col" { (say.of("Cup", "杯")) } th scope="col" { "°C" } th scope="col" { (say.of("minutes", "分钟")) } th scope="col" { (say.of("Note", "备注")) } } }
                tbody { @for p in &room.pours { tr {
                    td { (p.cup) } td { (p.temperature_c.map(|t| t.to_string()).unwrap_or_default()) }
                    td { (p.minutes.map(|t| t.to_string()).unwrap_or_default()) } td { (p.note.as_deref().unwrap_or_default()) }
                } } }
            } } }
        }
    }
}

fn leave_out(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let plan = room.session.plan();
    let from = |name: &str, label: &str, options: Vec<(String, String)>| {
        field(
            name,
            label,
            "",
            html! { select id=(name) name=(name) {
                option value="" { (say.of("any", "任意")) }
                @for (value, text) in &options { option value=(value) selected[typed.text(name) == value] { (text) } }
            } },
        )
    };
    let same = |texts: Vec<String>| texts.into_iter().map(|t| (t.clone(), t)).collect::<Vec<_>>();
    let tasters = room.progress.iter().map(|p| (p.taster.clone(), p.name.clone())).collect();
    let flights = same(plan.flights.iter().map(|f| f.number.to_string()).collect());
    let cups = same(plan.flights.iter().flat_map(|f| f.cups.iter().map(u16::to_string)).collect());
    let steeps = same((1..=plan.n_steeps()).map(|s| s.to_string()).collect());
    let terms: Vec<(String, String)> = sessions::sets::set_terms(plan)
        .into_iter()
        .map(|id| {
            let label = plan.term(id).map_or(id, |t| t.label(say.key()));
            (id.to_owned(), label.to_owned())
        })
        .collect();
    html! {
        details open[typed.text("act") == "exclude"] {
            summary { (say.of("Leave answers out", "排除答案")) }
            p.hint { (say.of("They stay in the record, and results are shown with and without them.", "答案仍留在记录中，结果将同时显示含与不含。")) }
            (act(reader, room, "exclude", html! {
                div.row {
                    (from("taster", say.of("Taster", "评茶员"), tasters))
                    (from("flight", say.of("Flight", "轮次"), flights))
                    (from("cup", say.of("Cup", "杯"), cups))
                    @if plan.n_steeps() > 1 { (from("steep", say.of("Steep", "泡次"), steeps)) }
                    (from("term", say.of("Term", "评语"), terms))
                }
                (text_field("reason", say.of("Why", "原因"), "", typed.text("reason")))
                (text_field("by", say.of("Who decides it", "决定人"), "", typed.text("by")))
                p.buttons { button.quiet { (say.of("Leave them out", "排除")) } }
            }))
        }
    }
}

fn what_was_done(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    if room.changes.is_empty() {
        return html! {};
    }
    let standing: Vec<&str> = exclusions(&room.changes).map(|c| c.entry.as_str()).collect();
    html! {
        section {
            h2 { (say.of("What was done", "变更记录")) }
            ul.changes { @for c in &room.changes {
                @let stands = standing.contains(&c.entry.as_str());
                @let about = [c.taster.as_deref().map(|t| room.name_of(t).to_owned()), c.flight.map(|f| words::flight(say, f)),
                    c.cup.map(|c| say.of(format!("cup {c}"), format!("杯 {c}"))), c.steep.map(|s| say.of(format!("steep {s}"), format!("第 {s} 泡"))), c.term.clone()];
                @let about: Vec<String> = about.into_iter().flatten().collect();
                li {
                    b { (words::change(say, c.change)) } " " (about.join(", ")) ": " (c.reason)
                    span.hint { (if c.after_reveal { say.of("after the reveal", "揭盲后") } else { say.of("before the reveal", "揭盲前") })
                        @if let Some(by) = &c.by { ", " (by) } ", " (c.at)
                        @if c.change == Change::Exclusion && !stands { " · " (say.of("taken back", "已恢复")) } }
                    @if stands && room.session.state != Stage::Void {
                        @let again = typed.text("entry") == c.entry;
                        (act(reader, room, "readmit", html! {
                            input type="hidden" name="entry" value=(c.entry);
                            label { span.hint { (say.of("Take it back, because", "恢复，原因")) } input name="reason" value=(if again { typed.text("reason") } else { "" }) autocomplete="off"; } " "
                            button.quiet { (say.of("Take back", "恢复")) }
                        }))
                    }
                }
            } }
        }
    }
}

fn give_up(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let chosen = typed.text("brewed");
    html! {
        details open[typed.text("act") == "void"] {
            summary { (say.of("Give the session up", "作废本场")) }
            (act(reader, room, "void", html! {
                p.hint { (say.of("For good: nothing of it counts.", "不可撤回：全部不计。")) }
                (text_field("reason-void", say.of("Why", "原因"), "", typed.text("reason-void")))
                div.ticks {
                    @for (value, text) in [("", say.of("Its leaf was brewed if anything was answered", "若已有答案，则茶已冲泡")), ("yes", say.of("Its leaf was brewed", "茶已冲泡")), ("no", say.of("Nothing was brewed", "未冲泡"))] {
                        label.pick { input type="radio" name="brewed" value=(value) checked[chosen == value]; span { (text) } }
                    }
                }
                p.buttons { button.quiet { (say.of("Give it up", "作废")) } }
            }))
        }
    }
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
        Ok::<_, BookError>((session, all))
    });
    match read.await {
        Ok(Ok((session, all))) => Json(json!({
            "state": session.state,
            "tasters": all,
            "table": far::table(reader.say, &session, &all).into_string(),
        }))
        .into_response(),
        Ok(Err(e)) => (StatusCode::UNPROCESSABLE_ENTITY, Json(json!({ "error": e.to_string() })))
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
