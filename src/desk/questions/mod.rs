//! The questions at the desk: the same findings as the commands, with their charts.

mod analyses;
mod due;
mod sheets;
mod trial_form;
mod trials;

use std::sync::Arc;

use axum::Router;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use maud::{Markup, PreEscaped, html};
use serde::Serialize;

use super::page::{Part, Reader, aside, failed, page_with, shown_error};
use super::panel::words::kind;
use super::say::Say;
use super::{App, Shared, told};
use crate::book::session_files::Kind;
use crate::book::time::Moment;
use crate::book::{Book, BookError};
use crate::plots::PlotError;
use crate::session::State as Stand;
use crate::views;
use crate::views::charts::{Chart, Draw, Words, for_page};

/// The pages of the questions.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/questions", get(index))
        .route("/questions/agree", get(analyses::agree))
        .route("/questions/compare", get(analyses::compare))
        .route("/questions/difference", get(analyses::difference))
        .route("/questions/link", get(analyses::link))
        .route("/questions/age", get(analyses::age))
        .route("/due", get(due::show))
        .route("/trials", get(trials::show).post(trials::keep))
        .route("/trials/{name}", get(trials::kept))
        .route("/trials/{name}/sheet.pdf", get(trials::sheet))
        .route("/sheets", get(sheets::list).post(sheets::issue))
        .route("/sheets/of/{sample}", get(sheets::preview))
        .route("/sheets/file/{name}", get(sheets::file))
}

/// The styles of these pages.
pub(super) const STYLES: (&[&str], &[&str]) = (&["finding.css", "questions.css"], &[]);

/// What was asked in the address, field by field.
pub(super) type Asked = Query<Vec<(String, String)>>;

/// A revealed session, as lists of choices need it.
pub(super) struct Known {
    pub name: String,
    pub kind: Kind,
}

/// The revealed sessions, the latest first.
pub(super) fn revealed_sessions(app: &App) -> Result<Vec<Known>, BookError> {
    let read = app.cache.sessions()?;
    let revealed = read.sessions.iter().rev().filter(|s| s.state == Stand::Revealed);
    Ok(revealed.map(|s| Known { name: s.name.clone(), kind: s.plan().kind }).collect())
}

/// The samples of the book as they stand today: lots, and arms of those that were split.
pub(super) fn samples(app: &App) -> Result<Vec<String>, BookError> {
    let today = Moment::now().day();
    let mut samples = Vec::new();
    for lot in app.cache.lots()?.iter() {
        let arms = lot.arms_on(today);
        if arms.len() < 2 {
            samples.push(lot.id.clone());
        } else {
            samples.extend(arms.iter().map(|a| format!("{}@{a}", lot.id)));
        }
    }
    Ok(samples)
}

/// The questions, by their names in the commands.
const QUESTIONS: [(&str, [&str; 2], [&str; 2]); 5] = [
    (
        "agree",
        ["Do the tasters agree?", "评茶员意见一致吗？"],
        [
            "Of one session or several: what the panel tells apart, and each taster's habits.",
            "就一个或多个场次：评茶组能区分什么，每位评茶员有何习惯。",
        ],
    ),
    (
        "compare",
        ["Which lots differ?", "哪些批次有差异？"],
        [
            "Of one session or several: differences with their intervals, against all others or one lot.",
            "就一个或多个场次：差异及其区间，与所有批次或某一批次相比。",
        ],
    ),
    (
        "difference",
        ["Are two samples told apart?", "两个茶样能区分吗？"],
        [
            "Triangle, duo-trio and paired tests: of sessions, or from counts.",
            "三点、二-三点与成对比较检验：来自场次，或由计数得出。",
        ],
    ),
    (
        "link",
        ["Which step did it?", "是哪一步工艺造成的？"],
        [
            "All lots at their first tasting: what moves together, and what goes with what.",
            "所有批次的首次审评：哪些参数同时变动，又与哪些评语相关。",
        ],
    ),
    (
        "age",
        ["How do stored lots move?", "存茶如何变化？"],
        [
            "All re-tastings: each lot's course beside the reference.",
            "所有复评：各批次与参照样相比的走势。",
        ],
    ),
];

fn title_of(name: &str, say: Say) -> &'static str {
    QUESTIONS.iter().find(|q| q.0 == name).map_or("", |q| say.of(q.1[0], q.1[1]))
}

async fn index(State(app): State<Shared>, reader: Reader) -> Response {
    let say = reader.say;
    let body = html! {
        ul.questions {
            @for (name, title, told) in QUESTIONS {
                li {
                    a href={ "/questions/" (name) } { (say.of(title[0], title[1])) }
                    span.pale { (say.of(told[0], told[1])) }
                }
            }
        }
    };
    let title = say.of("Questions", "分析");
    page_with(&app, &reader, Part::Questions, title, STYLES, body).into_response()
}

/// Which sessions a question is about: boxes to tick, those asked about ticked.
pub(super) fn session_boxes(say: Say, all: &[Known], ticked: &[String], hint: &str) -> Markup {
    html! {
        fieldset {
            legend { (say.of("Sessions", "场次")) }
            @if !all.is_empty() { p.hint { (hint) } }
            @if all.is_empty() {
                p { (say.of("No session that fits is revealed yet.", "还没有已揭盲的相应场次。")) }
            }
            div.boxes.scroll tabindex="0" role="group" aria-label=(say.of("Sessions to tick", "勾选场次")) {
                @for known in all {
                    label.box {
                        input type="checkbox" name="session" value=(known.name) checked[ticked.contains(&known.name)];
                        " " (known.name)
                        @if known.kind != Kind::Profile { " " span.pale.whole-word { (kind(say, known.kind)) } }
                    }
                }
            }
        }
    }
}

/// How to have all numbers of an answer.
pub(super) fn as_file_of_numbers(say: Say, json: &str) -> Markup {
    html! {
        p.command { a.button.quiet href=(json) download { (say.of("All numbers as a file (JSON)", "全部数字（JSON 文件）")) } }
    }
}

/// An answer: its article, and how to have its numbers.
pub(super) fn shown(say: Say, page: &views::pages::Page, json: &str) -> Markup {
    html! { (article(page)) (as_file_of_numbers(say, json)) }
}

/// The same question, its answer as JSON.
pub(super) fn json_address(reader: &Reader) -> String {
    let mark = if reader.at.contains('?') { '&' } else { '?' };
    format!("{}{mark}json=1", reader.at)
}

/// An answer as a JSON file.
pub(super) fn as_json<F: Serialize>(name: &str, finding: &F) -> Response {
    let disposition = format!("attachment; filename=\"{name}.json\"");
    let head = [
        (header::CONTENT_TYPE, "application/json".to_owned()),
        (header::CONTENT_DISPOSITION, disposition),
    ];
    (head, views::json::of(finding)).into_response()
}

/// A file to keep.
pub(super) fn as_file(name: &str, kind: &'static str, bytes: Vec<u8>) -> Response {
    let disposition = format!("attachment; filename=\"{name}\"");
    let head =
        [(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_DISPOSITION, disposition)];
    (head, bytes).into_response()
}

/// Charts for laptop and phone, where there was something to draw.
pub(super) fn drawn<F>(draw: Draw<F>, finding: &F, words: &Words) -> Result<Vec<Chart>, BookError> {
    match for_page(draw, finding, words) {
        Ok(charts) => Ok(charts),
        Err(PlotError::Empty { .. }) => Ok(Vec::new()),
        Err(e) => Err(BookError::Refused(e.to_string())),
    }
}

/// An article of ours, as it stands.
pub(super) fn article(page: &views::pages::Page) -> Markup {
    // Its heading is that of the page.
    html! { div.finding { (PreEscaped(&page.article)) } }
}

/// The page of a question: the form, then what was found or why not.
pub(super) fn answered(
    app: &App,
    reader: &Reader,
    (part, title): (Part, &str),
    form: Markup,
    found: Option<Result<Markup, BookError>>,
) -> Response {
    let (status, result) = match found {
        None => (StatusCode::OK, html! {}),
        Some(Ok(markup)) => (StatusCode::OK, markup),
        Some(Err(e)) => {
            let head = reader.say.of("No answer", "没有答案");
            let markup = html! { div.wrong role="alert" { h2 { (head) } pre { (told::markup(reader.say, &shown_error(app, &e))) } } };
            (StatusCode::UNPROCESSABLE_ENTITY, markup)
        }
    };
    let body = html! { (form) (result) };
    (status, page_with(app, reader, part, title, STYLES, body)).into_response()
}

/// Runs work aside, and shows a page of failure if it fails.
pub(super) async fn of_app<T: Send + 'static>(
    app: &Shared,
    reader: &Reader,
    part: Part,
    work: impl FnOnce(&App) -> Result<T, BookError> + Send + 'static,
) -> Result<T, Response> {
    let shared = Arc::clone(app);
    aside(move || work(&shared)).await?.map_err(|e| failed(app, reader, part, &e))
}

/// As [`of_app`], of the book alone.
pub(super) async fn of_book<T: Send + 'static>(
    app: &Shared,
    reader: &Reader,
    part: Part,
    work: impl FnOnce(&Book) -> Result<T, BookError> + Send + 'static,
) -> Result<T, Response> {
    of_app(app, reader, part, move |app| work(app.book())).await
}
