//! Sessions at the desk: planning, papers, links for phones, progress, closing, the reveal.
//!
//! No page here says which lot a code is before the reveal, but for the pouring plan, which has its own
//! rules ([`crate::session::pour`]).

mod acts;
mod corrections;
mod due;
mod enter;
mod form;
mod going_on;
pub mod host;
mod join;
mod list;
mod papers;
mod picture;
mod planning;
mod progress;
pub mod qr;
mod revealed;
mod room;
mod session;
mod today;
pub mod words;

use axum::Router;
use axum::routing::{get, post};
use maud::{Markup, html};

use super::{Shared, assets};

/// The pages of sessions.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/", get(today::show))
        .route("/sessions", get(list::show))
        .route("/sessions/new", get(planning::show).post(planning::plan))
        .route("/sessions/preview", post(planning::preview))
        .route("/sessions/due", get(due::show).post(due::plan))
        .route("/sessions/due.ics", get(due::calendar))
        .route("/sessions/{name}", get(session::show).post(acts::act))
        .route("/sessions/{name}/progress", get(session::progress))
        .route("/sessions/{name}/answers", get(session::answers))
        .route("/sessions/{name}/join", get(join::all))
        .route("/sessions/{name}/join/{taster}", get(join::one))
        .route("/sessions/{name}/links", get(join::sheet))
        .route("/sessions/{name}/ballot/{taster}", get(papers::ballot))
        .route("/sessions/{name}/labels", get(papers::labels))
        .route("/sessions/{name}/pouring", post(papers::pouring))
        .route("/sessions/{name}/enter/{taster}", get(enter::show).post(enter::write))
}

/// A body with the style and the script of these pages.
fn with_ours(body: Markup) -> Markup {
    html! {
        link rel="stylesheet" href=(assets::address("panel.css"));
        (body)
        script defer src=(assets::address("panel.js")) {}
    }
}
