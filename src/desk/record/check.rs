//! What `check` says, with the way to each place.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};

use super::{asked, lot_page, shown};
use crate::book::BookError;
use crate::book::check::check as check_book;
use crate::book::problem::Problem;
use crate::book::proposed::ONCE;
use crate::desk::page::{Part, Reader};
use crate::desk::panel::host;
use crate::desk::{App, Shared, told};
use crate::session;

/// The page.
pub async fn check(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, |app, reader| {
        let title = reader.say.of("Check of the whole book", "全册检查").to_owned();
        Ok((title, whole(app, reader)?))
    })
    .await
}

/// The page on which a file's text is edited, if it has one.
fn editor_of(file: &str, line: usize) -> Option<String> {
    if ONCE.contains(&file) {
        return Some(format!("/setup/text/{file}?line={line}"));
    }
    let id = file.strip_prefix("lots/")?.strip_suffix("/lot.toml")?;
    Some(format!("{}/text?line={line}", lot_page(&asked(id))))
}

fn whole(app: &App, reader: &Reader) -> Result<Markup, BookError> {
    let say = reader.say;
    let book = app.book();
    let mut checked = check_book(book)?;
    session::check::problems(book, &mut checked.problems)?;
    let n = checked.problems.len();
    checked.problems = host::as_shown(book, std::mem::take(&mut checked.problems));
    let warnings = if n == 0 { session::check::all_warnings(book, &checked)? } else { Vec::new() };
    Ok(html! {
        @if n == 0 {
            p.told role="status" { (say.of(
                format!("No mistakes in {} lots, {} trials and {} sessions.", checked.n_lots, checked.trials.len(), checked.n_sessions),
                format!("{} 批、{} 个试验、{} 个场次中没有错误。", checked.n_lots, checked.trials.len(), checked.n_sessions),
            )) }
        } @else {
            p.warn role="status" { (say.of(format!("{n} mistakes to mend."), format!("有 {n} 处错误待改正。"))) }
        }
        @for problem in checked.problems.sorted() { (told(problem, reader)) }
        @if !warnings.is_empty() {
            h2 { (say.of("To be looked at", "注意")) }
            ul.told-list { @for w in &warnings { li { (told::markup(reader.say, w)) } } }
        }
        @if !checked.notices.is_empty() {
            h2 { (say.of("Worth knowing", "提示")) }
            ul.told-list { @for notice in &checked.notices { li { (told::markup(reader.say, notice)) } } }
        }
    })
}

/// A mistake as the commands tell it, with the way to its place.
fn told(problem: &Problem, reader: &Reader) -> Markup {
    let say = reader.say;
    let line = problem.place.as_ref().map_or(1, |p| p.line);
    html! {
        div.mistake {
            pre { (told::markup(say, &problem.to_string())) }
            @if let Some(to) = editor_of(&problem.file, line) {
                p { a href=(to) { (say.of(format!("Edit {}, line {line}", problem.file), format!("编辑 {} 第 {line} 行", problem.file))) } }
            } @else {
                p.hint { (say.of("This file is mended by hand, with a plain editor.", "此文件请用文本编辑器手工改正。")) }
            }
        }
    }
}
