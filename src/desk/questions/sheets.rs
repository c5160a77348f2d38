//! Lot sheets: what a buyer can be told, seen before it is issued.

use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::html;

use super::{Asked, STYLES, as_file, of_app, of_book, samples};
use crate::book::time::Moment;
use crate::book::{BookError, store};
use crate::desk::page::{self, Part, Reader, aside, page_with, token};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::{App, Shared};
use crate::findings::sheet::ForIssue;
use crate::sheets;
use crate::sheets::lot::issued::{Form, found, issue as write};
use crate::sheets::lot::{Issue, LotSheet};
use crate::views;

/// An issued sheet: its name, and the endings of its files.
type IssuedFiles = (String, Vec<String>);

/// The issued sheets by their names, and the samples that one could be issued of.
fn there(app: &App) -> Result<(Vec<IssuedFiles>, Vec<String>), BookError> {
    let folder = app.book().root().join("sheets");
    let mut files: Vec<String> = match std::fs::read_dir(&folder) {
        Ok(entries) => entries
            .filter_map(Result::ok)
            .map(|e| e.file_name().to_string_lossy().into_owned())
            .filter(|n| !n.starts_with('.'))
            .collect(),
        Err(_) => Vec::new(),
    };
    files.sort();
    let mut issued: Vec<IssuedFiles> = Vec::new();
    for file in files {
        let (name, end) = file.rsplit_once('.').unwrap_or((&file, ""));
        match issued.last_mut().filter(|(n, _)| n == name) {
            Some((_, ends)) => ends.push(end.to_owned()),
            None => issued.push((name.to_owned(), vec![end.to_owned()])),
        }
    }
    Ok((issued, samples(app)?))
}

/// What a file is, by its ending.
fn form(end: &str, say: Say) -> String {
    match end {
        "pdf" => "PDF".to_owned(),
        "png" => say.of("picture", "图片").to_owned(),
        "html" => say.of("page", "网页").to_owned(),
        other => other.to_owned(),
    }
}

/// What was issued, and the way to a new sheet.
pub async fn list(State(app): State<Shared>, reader: Reader) -> Response {
    let say = reader.say;
    let (issued, samples) = match of_app(&app, &reader, Part::Sheets, there).await {
        Ok(found) => found,
        Err(response) => return response,
    };
    let body = html! {
        p { (say.of("One page of a lot that a buyer can trust: what the panel could tell, with its intervals, and nothing else.", "一页可信的批次单：评茶组能断定的内容及其区间，别无其他。")) }
        h2 { (say.of("See a sheet", "查看批次单")) }
        ul.chips { @for sample in &samples { li { a href={ "/sheets/of/" (sample) } { (sample) } } } }
        h2 { (say.of("Issued", "已签发")) }
        @if issued.is_empty() { p { (say.of("None yet.", "尚无。")) } }
        ul.issued { @for (name, ends) in &issued { li {
            span { (name) }
            ul.chips { @for end in ends { li {
                a href={ "/sheets/file/" (name) "." (end) } aria-label={ (name) ", " (form(end, say)) } { (form(end, say)) }
            } } }
        } } }
    };
    page_with(&app, &reader, Part::Sheets, say.of("Lot sheets", "批次单"), STYLES, body)
        .into_response()
}

/// A sheet before it is issued.
pub async fn preview(
    State(app): State<Shared>,
    reader: Reader,
    Path(sample): Path<String>,
    Query(query): Asked,
) -> Response {
    let say = reader.say;
    let asked = sample.clone();
    let made = of_book(&app, &reader, Part::Sheets, move |book| {
        let ForIssue { sheet: finding, withheld } = found(book, &asked)?;
        let digest = store::digest(views::json::of(&finding).as_bytes());
        let mut languages = sheets::languages(&book.book_file()?.value.languages);
        // What is issued keeps the order of the book; who looks reads the own language first.
        languages.sort_by_key(|language| *language != say.0);
        let issue = Issue { day: Moment::now().day(), issued: false, digest: &digest };
        let picture = LotSheet::of(&finding, &issue, &languages)
            .and_then(|set| set.bytes(&[Form::Png]))
            .map_err(|e| BookError::Refused(e.to_string()))?;
        Ok((picture.into_iter().next().unwrap_or_default(), withheld))
    })
    .await;
    let (png, withheld) = match made {
        Ok(made) => made,
        Err(response) => return response,
    };
    if Posted(query).ticked("picture") {
        return ([(header::CONTENT_TYPE, "image/png")], png).into_response();
    }
    let encoded = base64::Engine::encode(&base64::engine::general_purpose::STANDARD, png);
    let body = html! {
        @for note in &withheld { p.hint lang="en" { (note) } }
        form method="post" action="/sheets" {
            (token(&reader))
            input type="hidden" name="sample" value=(sample);
            p { button { (say.of("Issue this sheet: PDF, picture and page into the book", "签发：PDF、图片与网页存入本册")) } }
        }
        p.hint { (say.of("A preview: nothing is issued yet. Touch the picture to see it large.", "预览：尚未签发。点图可放大。")) }
        a.sheet href={ "/sheets/of/" (sample) "?picture=1" } {
            img src={ "data:image/png;base64," (encoded) } alt={ (say.of("The sheet of ", "批次单：")) (sample) };
        }
    };
    page_with(&app, &reader, Part::Sheets, &sample, STYLES, body).into_response()
}

/// Issues a sheet.
pub async fn issue(State(app): State<Shared>, reader: Reader, asked: Posted) -> Response {
    let book = app.book().clone();
    let done = aside(move || {
        let made = found(&book, asked.text("sample"))?;
        let languages = sheets::languages(&book.book_file()?.value.languages);
        Ok::<_, BookError>(write(&book, &made.sheet, &languages, Moment::now().day())?)
    })
    .await;
    match done {
        Ok(Ok(issued)) => {
            let say = reader.say;
            app.tell(if issued.unchanged {
                say.of(
                    "Nothing has changed: this sheet is there already.",
                    "内容未变，此批次单已有。",
                )
            } else {
                say.of("The sheet is issued.", "批次单已签发。")
            });
            page::go("/sheets")
        }
        Ok(Err(e)) => page::failed(&app, &reader, Part::Sheets, &e),
        Err(response) => response,
    }
}

/// A file that was issued.
pub async fn file(State(app): State<Shared>, reader: Reader, Path(name): Path<String>) -> Response {
    // Only a name of the folder itself: no way leads out of it.
    let plain = !name.is_empty()
        && !name.starts_with('.')
        && name.chars().all(|c| c.is_ascii_alphanumeric() || "-_.@".contains(c));
    let kind = match name.rsplit('.').next() {
        Some("pdf") => "application/pdf",
        Some("png") => "image/png",
        Some("html") => "text/html; charset=utf-8",
        _ => "application/octet-stream",
    };
    if !plain {
        return (StatusCode::NOT_FOUND, "there is no such sheet\n").into_response();
    }
    let path = app.book().root().join("sheets").join(&name);
    match aside(move || std::fs::read(path)).await {
        Ok(Ok(bytes)) => as_file(&name, kind, bytes),
        Ok(Err(_)) => {
            let gone = BookError::Refused(format!("there is no sheet {name}"));
            page::failed(&app, &reader, Part::Sheets, &gone)
        }
        Err(response) => response,
    }
}
