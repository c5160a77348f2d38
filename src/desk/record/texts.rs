//! The text of a description, edited as it stands in its file: comments stay, mistakes are told with their
//! place, and a file that changed meanwhile is never written over.

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde::Deserialize;

use super::{lot_page, sheet, shown};
use crate::book::lots::Lot;
use crate::book::proposed::{Saved, Text};
use crate::book::retasting::RETASTING;
use crate::book::{BookError, ids, starter};
use crate::desk::page::{Part, Reader, aside, failed, go, token, wrong};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};
use crate::session::before_made;

/// The line that is to be looked at.
#[derive(Debug, Default, Deserialize)]
pub struct At {
    #[serde(default)]
    line: String,
}

/// What is edited: the file, the address of its editor, the page behind it.
struct What {
    file: String,
    address: String,
    back: String,
    part: Part,
}

impl What {
    fn once(file: &str) -> Self {
        let address = format!("/setup/text/{file}");
        Self { file: file.to_owned(), address, back: "/setup".to_owned(), part: Part::SetUp }
    }

    fn lot(id: &str) -> Self {
        let back = lot_page(id);
        let address = format!("{back}/text");
        Self { file: format!("lots/{id}/lot.toml"), address, back, part: Part::Lots }
    }
}

/// The text of a description that a book has once.
pub async fn form(
    State(app): State<Shared>,
    reader: Reader,
    Path(file): Path<String>,
    Query(at): Query<At>,
) -> Response {
    let what = What::once(&file);
    shown(app, reader, what.part, move |app, reader| opened(app, reader, &what, &at)).await
}

/// The text of a lot's description.
pub async fn lot_form(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    Query(at): Query<At>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        opened(app, reader, &What::lot(&folder(app, &id)?), &at)
    })
    .await
}

/// The folder of a lot, whose description may be wrong.
fn folder(app: &App, id: &str) -> Result<String, BookError> {
    let known = app.book().lot_ids()?;
    match known.into_iter().find(|k| ids::same(k, id)) {
        Some(id) => Ok(id),
        None => app.book().lot(id).map(|lot| lot.id),
    }
}

fn opened(app: &App, reader: &Reader, what: &What, at: &At) -> Result<(String, Markup), BookError> {
    let mut there = app.book().text_of(&what.file)?;
    let new = there.digest.is_none();
    if new && what.file == RETASTING {
        there.text = starter::RETASTING.to_owned();
    }
    let say = reader.say;
    let body = html! {
        @if new { p.hint { (say.of("The book has no such file yet. What stands here is what counts without one; it is written when you save it.", "本册尚无此文件。此处为默认内容，保存后写入。")) } }
        (editor(reader, what, &there.text, there.digest.as_deref(), &at.line))
    };
    Ok((what.file.clone(), body))
}

fn editor(reader: &Reader, what: &What, text: &str, digest: Option<&str>, line: &str) -> Markup {
    let say = reader.say;
    html! {
        p { a href=(what.back) { (say.of("Back", "返回")) } }
        form method="post" action=(what.address) {
            (token(reader))
            input type="hidden" name="seen" value=(digest.unwrap_or_default());
            label for="text" { (say.of("The file, as it stands on the disk", "文件内容")) }
            textarea.file id="text" name="text" rows="28" spellcheck="false" wrap="off" data-line=(line) aria-describedby="text-hint" { "\n" (text) }
            p.hint id="text-hint" { span id="at" data-words=(say.of("line, column", "行，列")) {} " " (say.of("Nothing is saved while there is a mistake in it. Comments stay as they are written.", "有错误时不会保存。注释原样保留。")) }
            button { (say.of("Check and save", "检查并保存")) }
        }
    }
}

/// Saves the text of a description that a book has once.
pub async fn save(
    State(app): State<Shared>,
    reader: Reader,
    Path(file): Path<String>,
    posted: Posted,
) -> Response {
    saved(app, reader, What::once(&file), posted).await
}

/// Saves the text of a lot's description.
pub async fn lot_save(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    posted: Posted,
) -> Response {
    let of = std::sync::Arc::clone(&app);
    match aside(move || folder(&of, &id)).await {
        Ok(Ok(id)) => saved(app, reader, What::lot(&id), posted).await,
        Ok(Err(e)) => failed(&app, &reader, Part::Lots, &e),
        Err(broken) => broken,
    }
}

/// The lots that can be read; what is wrong in others is no reason to refuse a text.
pub fn readable(app: &App) -> Vec<Lot> {
    app.cache.lots_and_mistakes().map_or_else(|_| Vec::new(), |read| (*read.lots).clone())
}

async fn saved(app: Shared, reader: Reader, what: What, posted: Posted) -> Response {
    let work = move || {
        let mut text = posted.text("text").to_owned();
        text.push('\n');
        let seen = posted.filled("seen");
        let old = app.book().text_of(&what.file).map(|t| t.text).unwrap_or_default();
        if old.contains("\r\n") {
            text = text.replace('\n', "\r\n");
        }
        let say = reader.say;
        let answer = |status: StatusCode, body: Markup| {
            (status, sheet(&app, &reader, what.part, &what.file, &body)).into_response()
        };
        let wrong_day = before_made::problems_of_text(app.book(), &what.file, &text);
        let saved = match wrong_day {
            Ok(tasted) if !tasted.is_empty() => Err(BookError::Records(tasted)),
            Ok(_) => app.book().save_text(&what.file, &text, seen, &readable(&app)),
            Err(e) => Err(e),
        };
        match saved {
            Ok(Saved::Done) => {
                app.tell(
                    say.of(format!("{} is saved.", what.file), format!("已保存 {}。", what.file)),
                );
                go(&what.address)
            }
            Ok(Saved::Changed(now)) => {
                answer(StatusCode::CONFLICT, changed(&reader, &what, &text, &now))
            }
            Err(BookError::Records(problems)) => {
                let n = problems.len();
                let body = html! {
                    div.wrong role="alert" {
                        h2 { (say.of(format!("Not saved: {n} to mend"), format!("未保存：有 {n} 处待改正"))) }
                        @if problems.sorted().iter().any(|p| p.file != what.file) {
                            p { (say.of("Other files lean on what this text takes away or changes:", "其他文件依赖此处删改的内容：")) }
                        }
                        @for problem in problems.sorted().into_iter().take(MOST_SHOWN) { pre { (told::markup(say, &problem.to_string())) } }
                        @if n > MOST_SHOWN { p { (say.of(format!("… and {} more", n - MOST_SHOWN), format!("……另有 {} 处", n - MOST_SHOWN))) } }
                    }
                    @let line = problems.sorted().into_iter().find(|p| p.file == what.file).and_then(|p| p.place.as_ref()).map_or_else(String::new, |p| p.line.to_string());
                    (editor(&reader, &what, &text, seen, &line))
                };
                answer(StatusCode::UNPROCESSABLE_ENTITY, body)
            }
            Err(e @ BookError::Store(_)) => {
                let body = html! { (wrong(&reader, &e.to_string())) (editor(&reader, &what, &text, seen, "")) };
                answer(StatusCode::INTERNAL_SERVER_ERROR, body)
            }
            Err(e) => failed(&app, &reader, what.part, &e),
        }
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

/// So many mistakes of a text are shown at once.
const MOST_SHOWN: usize = 20;

/// Both texts, after the file was changed underneath.
fn changed(reader: &Reader, what: &What, mine: &str, now: &Text) -> Markup {
    let say = reader.say;
    html! {
        (conflict(reader, &what.file, mine, now))
        h2 { (say.of("Yours: put the two together here", "您的文本：请在此合并")) }
        (editor(reader, what, mine, now.digest.as_deref(), ""))
    }
}

/// That a file was changed meanwhile, and what stands in it now; lines that the other text does not have are marked.
pub fn conflict(reader: &Reader, file: &str, mine: &str, now: &Text) -> Markup {
    let say = reader.say;
    html! {
        div.wrong role="alert" {
            h2 { (say.of("Not saved: the file was changed meanwhile", "未保存：文件同时被改动")) }
            p { (say.of(
                format!("{file} is not what it was when you opened this page: somebody, or another program, has written to it. Nothing was written over."),
                format!("{file} 已与打开本页时不同：有人或其他程序写入过。没有覆盖任何内容。"),
            )) }
        }
        h2 { (say.of("The file now", "文件现状")) }
        (marked(&now.text, mine, say))
    }
}

/// A text, with the lines marked that another one does not have.
fn marked(text: &str, other: &str, say: Say) -> Markup {
    let others: std::collections::HashSet<&str> = other.lines().map(str::trim).collect();
    html! {
        p.hint { (say.of("Marked lines are not in yours.", "标出的行不在您的文本中。")) }
        pre.file.wide tabindex="0" {
            @for line in text.lines() {
                @if line.trim().is_empty() || others.contains(line.trim()) { (line) "\n" } @else { mark { (line) } "\n" }
            }
        }
    }
}
