//! What the frame of the server refuses before a page of ours is asked: a form that is too large, an address that
//! cannot be read. Whoever sits at the desk is told on a page, in their language, and what to do.

use axum::Extension;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use maud::html;

use super::Shared;
use super::doors::Who;
use super::guard::{BODY, Caller};
use super::page::{Part, Reader, page};
use super::say::Say;

/// Puts a page in the place of a refusal that is bare text.
pub async fn on_a_page(
    State(app): State<Shared>,
    Extension(caller): Extension<Caller>,
    reader: Reader,
    request: Request,
    next: Next,
) -> Response {
    let for_a_reader = caller.who == Who::Desk && reads_pages(request.headers());
    let response = next.run(request).await;
    let Some(told) = told(response.status(), reader.say).filter(|_| for_a_reader) else {
        return response;
    };
    if !is_bare(response.headers()) {
        return response;
    }
    let say = reader.say;
    let (title, found, mend) = told;
    let back = if reader.at.starts_with("/lots") { "/lots" } else { "/" };
    let body = html! {
        div.wrong role="alert" { p { (found) } p { (mend) } }
        p { a.button href=(back) { @if back == "/" { (say.of("To what is to be done today", "回到今日")) } @else { (say.of("To the lots", "到批次列表")) } } }
    };
    (response.status(), page(&app, &reader, Part::Today, title, body)).into_response()
}

/// Whether a page is wanted: scripts say that they send and read something else.
fn reads_pages(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    let by_script = headers.contains_key("x-form")
        || text("sec-fetch-dest").is_some_and(|dest| dest != "document" && dest != "iframe");
    let accept = text(header::ACCEPT.as_str());
    !by_script && accept.is_none_or(|a| a.contains("html") || a.contains("*/*"))
}

/// Whether an answer is text without a page around it, or nothing at all.
fn is_bare(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok());
    kind.is_none_or(|k| k.starts_with("text/plain"))
}

/// What was refused, what was found, what to do.
fn told(status: StatusCode, say: Say) -> Option<(&'static str, String, &'static str)> {
    let kilobytes = BODY / 1024;
    Some(match status {
        StatusCode::PAYLOAD_TOO_LARGE => (
            say.of("Too large", "内容过大"),
            say.of(
                format!("What was sent is larger than the desk takes of a form ({kilobytes} KB; a logger's file has a limit of its own). Nothing was written."),
                format!("所提交的内容超过表单上限（{kilobytes} KB；记录仪文件另有上限）。未写入任何内容。"),
            ),
            say.of(
                "Go back with your browser's button: what you typed still stands there. Shorten the long texts and send it again.",
                "请用浏览器的返回键回到表单，所填内容仍在。缩短长文本后再提交。",
            ),
        ),
        StatusCode::UNSUPPORTED_MEDIA_TYPE => (
            say.of("Not a form of the desk", "不是工作台的表单"),
            say.of(
                "What was sent is not in the form that a page of the desk sends. Nothing was written.",
                "所提交的内容不是工作台页面发出的格式。未写入任何内容。",
            )
            .to_owned(),
            say.of("Open the page anew and send its form from there.", "请重新打开页面，从页面上提交表单。"),
        ),
        StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY => (
            say.of("Cannot be read", "无法读取"),
            say.of(
                "Something in this address or form cannot be read: a number that is none, or signs that are no text. Nothing was written.",
                "此地址或表单中有无法读取的内容：不是数字的数，或不成文字的符号。未写入任何内容。",
            )
            .to_owned(),
            say.of(
                "Do not type addresses by hand: come by the links of the desk's pages.",
                "请勿手工输入地址，从工作台页面上的链接进入。",
            ),
        ),
        StatusCode::METHOD_NOT_ALLOWED => (
            say.of("Not from here", "不可直接打开"),
            say.of(
                "Nothing can be opened at this address: a form sends to it.",
                "此地址不能直接打开：它只接收表单。",
            )
            .to_owned(),
            say.of("Open the page with the form.", "请打开带表单的页面。"),
        ),
        _ => return None,
    })
}
