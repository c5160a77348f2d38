//! What is to be tasted again: the list, a session of it, a calendar.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};

use super::{Asked, answered, as_command, as_file, as_json, json_address};
use crate::book::book_file::clock;
use crate::book::time::{Day, Moment};
use crate::book::{Book, BookError};
use crate::desk::Shared;
use crate::desk::page::{self, Part, Reader, aside, text_field, token};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::findings::Answer;
use crate::findings::due::{Due, State as Stand, Wish, due_of_book};
use crate::session::{self, DealSecret};
use crate::views;

/// So many days ahead are listed if nothing is said, and so many go into a calendar.
const DAYS_LISTED: i64 = 31;
const DAYS_IN_CALENDAR: i64 = 365;

fn day(asked: &Posted, field: &str) -> Result<Option<Day>, BookError> {
    let Some(text) = asked.filled(field) else { return Ok(None) };
    text.parse().map(Some).map_err(|_| {
        BookError::Refused(format!(
            "\"{text}\" is not a day\n  expected: a day as 2026-05-14\n  to mend:  correct it"
        ))
    })
}

fn found(book: &Book, asked: &Posted, ahead: i64) -> Result<Due, BookError> {
    let today = Moment::now().on_clock_of(&clock(&book.book_file()?)).day();
    let on = day(asked, "on")?.unwrap_or(today);
    let until = day(asked, "until")?.unwrap_or_else(|| on.later(ahead));
    let with = asked.all("with");
    due_of_book(book, &Wish { on, until, with, days: None, alone: false }, None)
}

/// The list.
pub async fn show(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    shown(app, reader, Posted(asked), None).await
}

async fn shown(app: Shared, reader: Reader, asked: Posted, wrong: Option<String>) -> Response {
    let say = reader.say;
    let book = app.book().clone();
    let copy = asked.clone();
    let work = move || {
        let finding = found(&book, &copy, DAYS_LISTED)?;
        let tasters: Vec<(String, String)> = book
            .tasters()?
            .value
            .tasters
            .iter()
            .filter(|t| t.left.is_none())
            .map(|t| (t.id.clone(), t.name.clone().unwrap_or_else(|| t.id.clone())))
            .collect();
        Ok::<_, BookError>((finding, tasters))
    };
    let result = match aside(work).await {
        Ok(result) => result,
        Err(response) => return response,
    };
    let form = html! {
        form.asked method="get" {
            (text_field("on", say.of("Seen from", "以何日为准"), say.of("A day as 2026-05-14; empty: today.", "如 2026-05-14；留空为今天。"), asked.text("on")))
            (text_field("until", say.of("Up to", "列至"), say.of("Empty: a month ahead.", "留空为一个月内。"), asked.text("until")))
            p { button { (say.of("Show", "显示")) } }
        }
    };
    let found = result.map(|(finding, tasters)| {
        if asked.ticked("json") {
            return Err(as_json("due", &finding));
        }
        Ok(html! {
            @if let Some(text) = &wrong { (page::wrong(&reader, text)) }
            (table(&finding, say))
            @if !finding.warnings.is_empty() {
                h2 { (say.of("Mind", "请注意")) }
                ul lang="en" { @for w in &finding.warnings { li { (w.text) } } }
            }
            (plan_form(&finding, &tasters, &reader, &asked))
            p { a.button.quiet href={ "/due/calendar.ics?language=" (say.key()) } download { (say.of("Calendar file (a year ahead)", "日历文件（一年内）")) } }
            p.hint { (say.of("Keep the calendar from whoever tastes: it names samples.", "日历列有茶样名称，勿给评茶员看。")) }
            (as_command(say, &views::due::text(&finding), &json_address(&reader)))
        })
    });
    let found = match found {
        Ok(Err(file)) => return file,
        Ok(Ok(markup)) => Ok(markup),
        Err(e) => Err(e),
    };
    let status = wrong.is_some();
    let mut response = answered(
        &app,
        &reader,
        (Part::Sessions, say.of("What is to be tasted again?", "哪些茶样该复评了？")),
        form,
        Some(found),
    );
    if status {
        *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    }
    response
}

/// How a sample stands, in the reader's language.
fn state(stand: Stand, say: Say) -> &'static str {
    let zh = match stand {
        Stand::Overdue => "逾期",
        Stand::Due => "到期",
        Stand::Soon => "将到期，可先评",
        Stand::Sealed => "在密封的品评中",
        Stand::Later => "未到期",
        Stand::Done => "已评",
        Stand::Missed => "错过",
        Stand::Ended => "计划已完",
        Stand::Unfit => "不可供评（隔离或受潮）",
        Stand::Unplanned => "无计划",
    };
    let en = match stand {
        Stand::Soon => "soon, may be tasted now",
        Stand::Sealed => "in a sealed session",
        Stand::Unfit => "not served (quarantine or damp)",
        Stand::Unplanned => "no plan",
        Stand::Ended => "nothing more is planned",
        other => other.word(),
    };
    say.of(en, zh)
}

fn table(f: &Due, say: Say) -> Markup {
    let heads = say.of(
        ["Sample", "State", "Planned for", "Age then", "Needs at most", "Left"],
        ["茶样", "状态", "计划日期", "届时月龄", "最多需", "剩余"],
    );
    let grams = |g: &Answer<f64>| match g {
        Answer::Known(g) => format!("{g:.0} g"),
        Answer::Unknown(_) => "–".to_owned(),
    };
    html! {
        div.wide { table {
            thead { tr { @for head in heads { th scope="col" { (head) } } } }
            tbody {
                @for s in &f.samples {
                    tr {
                        th scope="row" { (s.sample) }
                        td { (state(s.state, say)) }
                        @match &s.next {
                            Answer::Known(t) => {
                                td { (t.day) }
                                td { (say.of(&t.words, &t.words_zh)) }
                            }
                            Answer::Unknown(_) => { td { "–" } td { "–" } }
                        }
                        td { (grams(&s.need_g)) }
                        td { (grams(&s.left_g)) }
                    }
                }
            }
        } }
    }
}

fn plan_form(f: &Due, tasters: &[(String, String)], reader: &Reader, asked: &Posted) -> Markup {
    let say = reader.say;
    let chosen = asked.all("taster");
    html! {
        section {
            h2 { (say.of("Plan the session", "安排品评")) }
            @match &f.sitting {
                Answer::Unknown(why) => { p lang="en" { (why.reason) "." } }
                Answer::Known(sitting) => {
                    p { (say.of(
                        format!("{} samples in {} flights, beside the reference and second codes; which flight has which sample is dealt and not told.", sitting.samples().count(), sitting.flights.len()),
                        format!("{} 个茶样，{} 轮，另有参照样与重复样；哪轮有哪些茶样由抽签决定，不予告知。", sitting.samples().count(), sitting.flights.len()),
                    )) }
                    form method="post" action="/due/plan" {
                        (token(reader))
                        input type="hidden" name="on" value=(asked.text("on"));
                        (text_field("name", say.of("Name of the session", "品评名称"), "", asked.text("name")))
                        fieldset {
                            legend { (say.of("Tasters", "评茶员")) }
                            div.boxes { @for (id, name) in tasters {
                                label.box { input type="checkbox" name="taster" value=(id) checked[chosen.contains(id)]; " " (name) }
                            } }
                        }
                        p { button { (say.of("Plan it", "安排")) } }
                    }
                }
            }
        }
    }
}

/// Plans the session that the list asks for.
pub async fn plan(State(app): State<Shared>, reader: Reader, asked: Posted) -> Response {
    let (book, copy) = (app.book().clone(), asked.clone());
    let done = aside(move || {
        let finding = found(&book, &copy, DAYS_LISTED)?;
        let sitting = match &finding.sitting {
            Answer::Known(sitting) => sitting,
            Answer::Unknown(why) => {
                return Err(BookError::Refused(format!("no session is planned: {}", why.reason)));
            }
        };
        let mut seed = [0_u8; 32];
        getrandom::fill(&mut seed)
            .map_err(|e| BookError::Refused(format!("the system gives no random numbers: {e}")))?;
        let mut rng = ChaCha12Rng::from_seed(seed);
        let order_seed = rng.next_u32();
        let contents = sitting.dealt(|n| (rng.next_u64() % n.max(1) as u64) as usize);
        let request =
            sitting.request(copy.text("name"), &copy.all("taster"), &contents, order_seed);
        session::plan(&book, &request, Moment::now(), DealSecret::from_system()?)
    })
    .await;
    match done {
        Ok(Ok(planned)) => {
            app.tell(reader.say.of("The session is planned and sealed.", "品评已安排并密封。"));
            page::go(&format!("/sessions/{}", planned.session))
        }
        Ok(Err(e)) => shown(app, reader, asked, Some(e.to_string())).await,
        Err(response) => response,
    }
}

/// The calendar.
pub async fn calendar(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    let book = app.book().clone();
    let lang = reader.say.0;
    let work = move || {
        let finding = found(&book, &Posted(asked), DAYS_IN_CALENDAR)?;
        let file = book.book_file()?;
        let now = Moment::now().on_clock_of(&clock(&file));
        let writing = views::calendar::Writing { book: &file.value.title, now, lang };
        Ok::<_, BookError>(views::calendar::of(&finding, &writing).0)
    };
    match aside(work).await {
        Ok(Ok(text)) => as_file("tastings.ics", "text/calendar; charset=utf-8", text.into_bytes()),
        Ok(Err(e)) => page::failed(&app, &reader, Part::Sessions, &e),
        Err(response) => response.into_response(),
    }
}
