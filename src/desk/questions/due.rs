//! What is to be tasted again.

use axum::extract::{Query, State};
use axum::response::Response;
use maud::{Markup, html};

use super::{Asked, answered, as_file_of_numbers, as_json, json_address};
use crate::book::book_file::clock;
use crate::book::time::{Day, Moment};
use crate::book::{Book, BookError};
use crate::desk::Shared;
use crate::desk::due_kept::AHEAD;
use crate::desk::page::{Part, Reader, aside, text_field};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::told;
use crate::findings::Answer;
use crate::findings::due::{Due, State as Stand, Wish, due_of_book};

fn day(asked: &Posted, field: &str) -> Result<Option<Day>, BookError> {
    let Some(text) = asked.filled(field) else { return Ok(None) };
    text.parse().map(Some).map_err(|_| {
        BookError::Refused(format!(
            "\"{text}\" is not a day\n  expected: a day as 2026-05-14\n  to mend:  correct it"
        ))
    })
}

fn found(book: &Book, asked: &Posted) -> Result<Due, BookError> {
    let today = Moment::now().on_clock_of(&clock(&book.book_file()?)).day();
    let on = day(asked, "on")?.unwrap_or(today);
    let until = day(asked, "until")?.unwrap_or_else(|| on.later(AHEAD));
    due_of_book(book, &Wish { on, until, with: Vec::new(), days: None, alone: false }, None)
}

/// The list.
pub async fn show(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    let (say, asked) = (reader.say, Posted(asked));
    let (book, copy) = (app.book().clone(), asked.clone());
    let result = match aside(move || found(&book, &copy)).await {
        Ok(result) => result,
        Err(response) => return response,
    };
    let form = html! {
        form.asked method="get" {
            (text_field("on", say.of("Seen from", "以哪天为准"), say.of("A day as 2026-05-14; empty: today.", "如 2026-05-14；留空为今天。"), asked.text("on")))
            (text_field("until", say.of("Up to", "列至"), say.of("What is planned later is called so; empty: a month ahead.", "此日之后的标为未到期；留空为一个月内。"), asked.text("until")))
            p { button { (say.of("Show", "显示")) } }
        }
    };
    let found = match result {
        Ok(finding) if asked.ticked("json") => return as_json("due", &finding),
        Ok(finding) => Ok(html! {
            (table(&finding, say))
            @if !finding.warnings.is_empty() {
                h2 { (say.of("Mind", "请注意")) }
                ul { @for w in &finding.warnings { li { (told::markup(say, &w.text)) } } }
            }
            @if matches!(finding.sitting, Answer::Known(_)) {
                p { a.button href="/sessions/due" { (say.of("Plan the session for it", "安排复评")) } }
            }
            (as_file_of_numbers(say, &json_address(&reader)))
        }),
        Err(e) => Err(e),
    };
    let title = say.of("What is to be tasted again?", "哪些茶样该复评了？");
    answered(&app, &reader, (Part::Sessions, title), form, Some(found))
}

/// How a sample stands, in the reader's language.
fn state(stand: Stand, say: Say) -> &'static str {
    let zh = match stand {
        Stand::Overdue => "逾期",
        Stand::Due => "到期",
        Stand::Soon => "将到期，可先评",
        Stand::Sealed => "在未揭盲的场次中",
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
        ["茶样", "状态", "计划日期", "届时存期", "最多需", "剩余"],
    );
    let grams = |g: &Answer<f64>| match g {
        Answer::Known(g) => format!("{g:.0} g"),
        Answer::Unknown(_) => "–".to_owned(),
    };
    if f.samples.is_empty() {
        return html! { p role="status" { (say.of(
            format!("Nothing is due on {}: no lot was made by then that could be tasted.", f.on),
            format!("{} 没有到期项：当时还没有可审评的批次。", f.on),
        )) } };
    }
    html! {
        @if !f.samples.iter().any(|s| s.state.is_open()) { p role="status" { (say.of(format!("Nothing is due on {}.", f.on), format!("{} 没有到期项。", f.on))) } }
        div.wide tabindex="0" role="group" { table.stacked {
            thead { tr.heads { @for head in heads { th scope="col" { (head) } } } }
            tbody {
                @for s in &f.samples {
                    tr {
                        th scope="row" { a href={ "/lots/" (s.lot) } { (s.sample) } }
                        td data-head=(heads[1]) { (state(s.state, say)) @if s.is_new() { (say.of(", not tasted yet: first tasting", "，尚未评过：首评")) } }
                        @match &s.next {
                            Answer::Known(t) => {
                                td data-head=(heads[2]) { (t.day) }
                                td data-head=(heads[3]) { (say.of(&t.words, &t.words_zh)) }
                            }
                            Answer::Unknown(_) => { td { "–" } td { "–" } }
                        }
                        td data-head=(heads[4]) { (grams(&s.need_g)) }
                        td data-head=(heads[5]) { (grams(&s.left_g)) }
                    }
                }
            }
        } }
    }
}
