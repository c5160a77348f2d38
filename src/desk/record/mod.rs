//! The record at the desk: lots and their making, and what the book is set up with. Every page writes by
//! the same functions as the commands.

pub(super) mod asked_back;
mod becoming;
mod check;
mod classes;
mod clock;
mod clock_lines;
mod clock_new;
mod edit;
mod field_words;
mod fields;
mod list;
mod log;
mod lot;
mod lot_parts;
mod new;
mod next_id;
mod setup;
mod tables;
mod texts;
mod things;
mod words;

pub use words::{class, meaning_of_dose, step};

use axum::Router;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Response};
use axum::routing::get;
use maud::{Markup, html};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

use super::mistakes::{Mistakes, Wrong, with_wrong};
use super::page::{self, Part, Reader, aside, failed, go, twice};
use super::posted::{CameOf, Once, Posted};
use super::told::Names;
use super::{App, Shared};
use crate::book::BookError;

/// The pages of lots and of the set-up.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/lots", get(list::list))
        .route("/lots/new", get(new::form).post(new::add))
        .route("/lots/{id}", get(lot::lot))
        .route("/lots/{id}/log", get(log::form).post(log::add))
        .route("/lots/{id}/correct", get(log::correction).post(log::correct))
        .route("/lots/blend", get(becoming::blend_form).post(becoming::blend))
        .route("/lots/{id}/move", get(becoming::move_form).post(becoming::move_it))
        .route("/lots/{id}/draw", get(becoming::draw_form).post(becoming::draw))
        .route("/lots/{id}/quarantine", get(becoming::quarantine_form).post(becoming::quarantine))
        .route("/lots/{id}/clear", get(becoming::clear_form).post(becoming::clear))
        .route("/lots/{id}/split", get(becoming::split_form).post(becoming::split))
        .route("/lots/{id}/refire", get(becoming::refire_form).post(becoming::refire))
        .route("/lots/{id}/edit", get(edit::lot_form).post(edit::lot_save))
        .route("/lots/{id}/text", get(texts::lot_form).post(texts::lot_save))
        .route("/workshop", get(clock::link))
        .route("/check", get(check::check))
        .route("/setup", get(setup::setup))
        .route("/setup/tasters", get(setup::tasters))
        .route("/setup/vocabulary", get(setup::vocabulary))
        .route("/setup/parameters", get(setup::parameters))
        .route("/setup/recipes", get(setup::recipes))
        .route("/setup/retasting", get(setup::retasting))
        .route("/setup/edit/{kind}", get(edit::form).post(edit::save))
        .route("/setup/text/{file}", get(texts::form).post(texts::save))
}

/// The step clock of the workshop.
pub fn clock_routes() -> Router<Shared> {
    Router::new()
        .route("/clock", get(clock::batches).post(clock_lines::lines))
        .route("/clock/{id}", get(clock::batch))
        .route("/new-batch", get(clock_new::form).post(clock_new::add))
}

/// What a page shows: its title and what stands under it.
type Body = (String, Markup);

/// Shows a page whose making reads the disk.
async fn shown(
    app: Shared,
    reader: Reader,
    part: Part,
    make: impl FnOnce(&App, &Reader) -> Result<Body, BookError> + Send + 'static,
) -> Response {
    let work = move || match make(&app, &reader) {
        Ok((title, body)) => sheet(&app, &reader, part, &title, &body).into_response(),
        Err(e) => failed(&app, &reader, part, &e),
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

/// A page of the record, with its own style around it.
fn sheet(app: &Shared, reader: &Reader, part: Part, title: &str, body: &Markup) -> Html<String> {
    page::page(app, reader, part, title, html! { div.record { (body) } })
}

/// Does what a form asks; where it is refused, the form is shown again with what was typed.
async fn written(
    (app, reader, part): (Shared, Reader, Part),
    posted: Posted,
    write: impl FnOnce(&App, &Reader, &Posted) -> Result<CameOf, Wrong> + Send + 'static,
    form: impl FnOnce(&App, &Reader, &Posted) -> Result<Body, BookError> + Send + 'static,
) -> Response {
    let work = move || {
        let write = || {
            Mistakes::of_long_texts(&posted, reader.say).none()?;
            write(&app, &reader, &posted)
        };
        let wrong = match app.taken.once(&posted, write) {
            Ok(Once::Now(came)) => {
                came.told.into_iter().for_each(|text| app.tell(text));
                return go(&came.to);
            }
            Ok(Once::Before(came)) => {
                let title = reader.say.of("Done already", "已完成");
                let body = twice(&reader, &posted, &came);
                return (StatusCode::CONFLICT, sheet(&app, &reader, part, title, &body))
                    .into_response();
            }
            Err(wrong) => wrong,
        };
        let (title, body) = form(&app, &reader, &posted).unwrap_or_else(|_| {
            (reader.say.of("This was not done", "未完成").to_owned(), html! {})
        });
        let names = names_of_parameters(&app, &reader);
        let (status, body) = with_wrong((&app, &reader), &posted, &wrong, body, &names);
        (status, sheet(&app, &reader, part, &title, &body)).into_response()
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

/// What the parameters of the book are called.
fn names_of_parameters(app: &App, reader: &Reader) -> Names {
    let parameters = app.cache.parameters();
    parameters.map_or_else(|_| Names::default(), |p| Names::of_parameters(&p.value, reader.say))
}

/// Randomness for the ids of entries, from the operating system.
fn rng() -> Result<ChaCha12Rng, BookError> {
    let mut seed = [0_u8; 32];
    getrandom::fill(&mut seed)
        .map_err(|e| BookError::Refused(format!("the system gives no random numbers: {e}")))?;
    Ok(ChaCha12Rng::from_seed(seed))
}

/// The page of a lot. Ids are the same without regard to case: so a lot may be called like a page of ours.
#[must_use]
pub fn lot_page(id: &str) -> String {
    let ours = ["new", "blend", "refire"].contains(&id);
    format!("/lots/{}", if ours { id.to_ascii_uppercase() } else { id.to_owned() })
}

/// A text in a question of an address.
fn asked(text: &str) -> String {
    let mut out = String::new();
    for b in text.bytes() {
        if b.is_ascii_alphanumeric() || b"-_.~".contains(&b) {
            out.push(char::from(b));
        } else {
            out.push_str(&format!("%{b:02X}"));
        }
    }
    out
}
