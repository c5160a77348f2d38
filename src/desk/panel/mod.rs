//! Sessions at the desk: planning, papers, links for phones, progress, closing, the reveal.

use axum::Router;
use axum::extract::State;
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use maud::html;

use super::Shared;
use super::page::{Part, Reader, aside, failed, page};

/// The pages of sessions.
pub fn routes() -> Router<Shared> {
    Router::new().route("/", get(today)).route("/sessions", get(sessions))
}

async fn today(State(app): State<Shared>, reader: Reader) -> Response {
    sessions(State(app), reader).await
}

async fn sessions(State(app): State<Shared>, reader: Reader) -> Response {
    let book = app.book().clone();
    let names = match aside(move || book.session_names()).await {
        Ok(Ok(names)) => names,
        Ok(Err(e)) => return failed(&app, &reader, Part::Sessions, &e),
        Err(response) => return response,
    };
    let body = html! { ul { @for name in &names { li { (name) } } } };
    page(&app, &reader, Part::Sessions, reader.say.of("Sessions", "品评"), body).into_response()
}
