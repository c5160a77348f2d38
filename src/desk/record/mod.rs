//! The record at the desk: lots and their making, and what the book is set up with.

use axum::Router;
use axum::extract::State;
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use maud::html;

use super::Shared;
use super::page::{Part, Reader, aside, failed, page};

/// The pages of lots and of the set-up.
pub fn routes() -> Router<Shared> {
    Router::new().route("/lots", get(lots))
}

/// The step clock of the workshop.
pub fn clock_routes() -> Router<Shared> {
    Router::new()
}

async fn lots(State(app): State<Shared>, reader: Reader) -> Response {
    let book = app.book().clone();
    let lots = match aside(move || book.lots()).await {
        Ok(Ok(lots)) => lots,
        Ok(Err(e)) => return failed(&app, &reader, Part::Lots, &e),
        Err(response) => return response,
    };
    let say = reader.say;
    let body = html! {
        table {
            thead { tr { th scope="col" { (say.of("Lot", "批次")) } th scope="col" { (say.of("Class", "茶类")) } } }
            tbody { @for lot in &lots { tr { th scope="row" { (lot.id) } td { (lot.file.value.class) } } } }
        }
    };
    page(&app, &reader, Part::Lots, say.of("Lots", "批次"), body).into_response()
}
