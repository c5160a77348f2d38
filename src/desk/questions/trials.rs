//! What to make next, and the trials that are kept.

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use maud::html;

use super::trial_form::{self, Offer, wish};
use super::{
    Asked, answered, article, as_file, as_file_of_numbers, as_json, drawn, json_address, of_book,
};
use crate::book::making::OXIDATION_DOSE;
use crate::book::time::Moment;
use crate::book::{Book, BookError};
use crate::desk::Shared;
use crate::desk::page::{self, Part, Reader, aside, text_field, token};
use crate::desk::posted::Posted;
use crate::desk::record::meaning_of_dose;
use crate::desk::say::Say;
use crate::findings::Settings;
use crate::findings::trial::{Trial, shown as made, trial};
use crate::scores::of_book::{first_tastings, named_or_all};
use crate::sheets;
use crate::views;
use crate::views::charts::{Words, parameter_names};

/// A proposal with the words in which it is told.
fn planned(book: &Book, asked: &Posted, say: Say) -> Result<(Trial, Words), BookError> {
    let wish = wish(asked)?;
    let sessions = named_or_all(book, &[])?;
    let (scores, makings) = match sessions.is_empty() && wish.fresh {
        true => (None, None),
        false => {
            let (scores, makings) = first_tastings(book, sessions)?;
            (Some(scores), Some(makings))
        }
    };
    let parameters = book.parameters()?.value;
    let found =
        trial(scores.as_ref(), makings.as_ref(), Some(&parameters), &wish, &Settings::default())
            .map_err(|e| BookError::Refused(e.to_string()))?;
    let words = match &scores {
        Some(scores) => Words::of(scores, say.0),
        None => Words { lang: say.0, ..Words::default() },
    };
    Ok((found, words.with_parameters(parameter_names(&parameters, say.0))))
}

/// The trials of the book, and what a new one would be.
pub async fn show(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    shown_with(app, reader, Posted(asked), None).await
}

async fn shown_with(app: Shared, reader: Reader, asked: Posted, wrong: Option<String>) -> Response {
    let say = reader.say;
    let read = |book: &Book| Ok((book.trial_names()?, Offer::of(book)?));
    let (names, offer) = match of_book(&app, &reader, Part::Trials, read).await {
        Ok(read) => read,
        Err(response) => return response,
    };
    let form = html! {
        @if let Some(text) = &wrong { (page::wrong(&reader, text)) }
        @if !names.is_empty() {
            h2 { (say.of("Trials of this book", "本册的试验")) }
            ul.chips { @for name in &names { li { a href={ "/trials/" (name) } { (name) } } } }
        }
        h2 { (say.of("A further trial", "新的试验")) }
        (trial_form::form(&offer, &asked, say))
    };
    let found = if asked.filled("batches").is_some() {
        let (book, copy) = (app.book().clone(), asked.clone());
        match aside(move || planned(&book, &copy, say)).await {
            Ok(found) => Some(found),
            Err(response) => return response,
        }
    } else {
        None
    };
    let json = json_address(&reader);
    let found = match found {
        Some(Ok((finding, _))) if asked.ticked("json") => return as_json("trial", &finding),
        Some(Ok((finding, words))) => Some(drawn(views::charts::trial, &finding, &words).map(|charts| html! {
            @let page = views::pages::trial(&finding, &charts, &words);
            @let dose = words.parameter(OXIDATION_DOSE);
            (article(&page))
            @if page.article.contains(&dose) { p.hint { (dose) (say.of(": ", "：")) (meaning_of_dose(say)) } }
            form.asked method="post" action="/trials" {
                (token(&reader))
                @for (name, value) in asked.0.iter().filter(|(n, _)| n != "name") {
                    input type="hidden" name=(name) value=(value);
                }
                (text_field("name", say.of("Keep it in the book under this name", "以此名称存入本册"), "", asked.text("name")))
                p { button { (say.of("Keep", "保存")) } }
            }
            (as_file_of_numbers(say, &json))
        })),
        Some(Err(e)) => Some(Err(e)),
        None => None,
    };
    let mut response = answered(
        &app,
        &reader,
        (Part::Trials, say.of("What to make next?", "接下来做什么？")),
        form,
        found,
    );
    if wrong.is_some() {
        *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    }
    response
}

/// Keeps a trial in the book.
pub async fn keep(State(app): State<Shared>, reader: Reader, asked: Posted) -> Response {
    let (book, copy, say) = (app.book().clone(), asked.clone(), reader.say);
    let name = asked.text("name").to_owned();
    let kept = aside(move || {
        let file = planned(&book, &copy, say)?.0.file(copy.text("name"), Moment::now());
        book.write_trial(&file)
    })
    .await;
    match kept {
        Ok(Ok(())) => {
            app.tell(reader.say.of("The trial is kept.", "试验已保存。"));
            page::go(&format!("/trials/{name}"))
        }
        Ok(Err(e)) => shown_with(app, reader, asked, Some(e.to_string())).await,
        Err(response) => response,
    }
}

/// A trial of the book: what was planned, what was made.
pub async fn kept(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
    Query(asked): Asked,
) -> Response {
    let say = reader.say;
    let wanted = name.clone();
    let found = of_book(&app, &reader, Part::Trials, move |book| {
        let trial = book.trial(&wanted)?.value;
        let (file, parameters) = (book.book_file()?.value, book.parameters()?.value);
        let names = parameter_names(&parameters, say.0);
        let words = Words { lang: say.0, ..Words::default() }.with_parameters(names);
        Ok((made(&trial, &book.lots()?, &parameters, &file.limits), words))
    })
    .await;
    match found {
        Ok((finding, _)) if Posted(asked).ticked("json") => as_json("trial-made", &finding),
        Ok((finding, words)) => {
            let body = html! {
                (article(&views::pages::made(&finding, &words)))
                p { a.button.quiet href={ "/trials/" (name) "/sheet.pdf" } { (say.of("Work sheet for the factory (PDF)", "车间工作单（PDF）")) } }
                (as_file_of_numbers(say, &json_address(&reader)))
            };
            answered(&app, &reader, (Part::Trials, &name), html! {}, Some(Ok(body)))
        }
        Err(response) => response,
    }
}

/// The work sheet of a trial.
pub async fn sheet(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
) -> Response {
    let file_name = format!("{name}.pdf");
    let set = of_book(&app, &reader, Part::Trials, move |book| {
        let trial = book.trial(&name)?.value;
        let (file, parameters) = (book.book_file()?.value, book.parameters()?.value);
        let languages = sheets::languages(&file.languages);
        views::papers::trial(&trial, &file.title, Some(&parameters), &languages)
            .map_err(|e| BookError::Refused(e.to_string()))
    })
    .await;
    match set {
        Ok(pdf) => as_file(&file_name, "application/pdf", pdf),
        Err(response) => response,
    }
}
