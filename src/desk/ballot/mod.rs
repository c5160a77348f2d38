//! The taster's side: joining, and the ballot.

pub mod api;
pub mod live;
mod now;
pub mod page;
mod timers_kept;

use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::get;
use axum::{Extension, Router};

use super::Shared;
use super::guard::CookieName;
use super::page::Reader;

/// The ways of the taster's side.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/", get(door))
        .route("/join/{link}", get(followed).post(join))
        .route("/ballot", get(page::ballot))
        .merge(api::routes())
}

async fn door(reader: Reader) -> Html<String> {
    page::door(&reader, "")
}

/// What a followed link shows: a page whose script joins. Only that takes the ballot over from another phone, not a
/// program that looks at links beforehand.
async fn followed(State(app): State<Shared>, reader: Reader, Path(link): Path<String>) -> Response {
    if app.doors.is_taster_link(&link) {
        page::joining(&reader).into_response()
    } else {
        not_good(reader)
    }
}

fn not_good(reader: Reader) -> Response {
    let why = reader.say.of(
        "This link is not good (any more). If the tasting is over, nothing is left to do here; else look at the letters again, or ask for yours at the desk.",
        "此链接无效（或已失效）。若审评已结束，则无需再做什么；否则请再核对字符，或到工作台询问。",
    );
    let reader = Reader { at: "/".to_owned(), ..reader };
    (StatusCode::FORBIDDEN, page::door(&reader, why)).into_response()
}

/// Exchanges the link for a cookie and moves on to an address without it.
async fn join(
    State(app): State<Shared>,
    Extension(name): Extension<CookieName>,
    reader: Reader,
    Path(link): Path<String>,
) -> Response {
    match app.doors.join(&link) {
        Ok(Some((_, cookie))) => {
            ([(header::SET_COOKIE, name.set(&cookie))], Redirect::to("/ballot")).into_response()
        }
        Ok(None) => not_good(reader),
        Err(e) => (StatusCode::INSUFFICIENT_STORAGE, format!("{e}\n")).into_response(),
    }
}
