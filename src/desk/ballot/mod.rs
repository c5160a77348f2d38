//! The taster's side: joining, and the ballot.

pub mod api;
pub mod live;
mod now;

use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::get;
use axum::{Extension, Router};
use maud::{DOCTYPE, html};

use super::Shared;
use super::guard::CookieName;
use super::page::{Reader, head, other_language};

/// The ways of the taster's side.
pub fn routes() -> Router<Shared> {
    Router::new().route("/", get(door)).route("/join/{link}", get(join)).merge(api::routes())
}

/// Where somebody types the letters of their link.
async fn door(reader: Reader) -> Html<String> {
    let say = reader.say;
    let markup = html! {
        (DOCTYPE)
        html lang=(say.html()) {
            (head(say.of("Join the tasting", "加入品评"), &["base.css", "ballot.css"], &["join.js"]))
            body.door {
                main {
                    h1 { (say.of("Join the tasting", "加入品评")) }
                    form id="join" {
                        label for="link" { (say.of("The twelve letters beside your name", "您名字旁的十二个字符")) }
                        input id="link" name="link" autocapitalize="off" autocomplete="off" spellcheck="false" placeholder="xxxx-xxxx-xxxx";
                        button { (say.of("Join", "加入")) }
                    }
                    noscript { p { (say.of("The ballot needs JavaScript.", "电子评分表需要 JavaScript。")) } }
                    (other_language(&reader))
                }
            }
        }
    };
    Html(markup.into_string())
}

/// Exchanges the link for a cookie and moves on to an address without it.
async fn join(
    State(app): State<Shared>,
    Extension(name): Extension<CookieName>,
    Path(link): Path<String>,
) -> Response {
    match app.doors.join(&link) {
        Ok(Some((_, cookie))) => {
            ([(header::SET_COOKIE, name.set(&cookie))], Redirect::to("/ballot")).into_response()
        }
        Ok(None) => (
            StatusCode::FORBIDDEN,
            "This link is not good (any more): ask for yours at the desk.\n",
        )
            .into_response(),
        Err(e) => (StatusCode::INSUFFICIENT_STORAGE, format!("{e}\n")).into_response(),
    }
}
