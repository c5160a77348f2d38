//! A new batch from the step clock: a small form for the workshop.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::html;

use super::asked_back::Looked;
use super::clock::{framed, framed_sheet};
use super::new::made_on;
use super::next_id::next_id;
use super::{Body, classes, fields, names_of_parameters, rng};
use crate::book::lots::{How, LotFile};
use crate::book::parameters::Parameter;
use crate::book::time::Day;
use crate::book::writing::{NewLot, add_lot, must_be_free};
use crate::book::{BookError, units};
use crate::desk::mistakes::{Mistakes, Wrong, with_wrong};
use crate::desk::page::{Reader, aside, field, text_field, token, twice};
use crate::desk::posted::{CameOf, Once, Posted};
use crate::desk::{App, Shared};

/// What the fresh leaf weighs.
const LEAF: &str = "pluck.mass";

/// The form.
pub async fn form(State(app): State<Shared>, reader: Reader) -> Response {
    framed(app, reader, |app, reader| {
        let lots = app.cache.lots_and_mistakes()?.lots;
        let known: Vec<(&str, Day)> = lots.iter().map(|l| (l.id.as_str(), l.made())).collect();
        let latest = lots.iter().max_by_key(|l| (l.made(), l.id.clone()));
        let given = [
            ("id", latest.map_or_else(String::new, |l| next_id(&l.id, &known, app.now().day()))),
            ("class", latest.map_or_else(String::new, |l| l.file.value.class.clone())),
            ("made", app.now().day().to_string()),
        ];
        let given = given.map(|(name, value)| (name.to_owned(), value)).to_vec();
        filled(app, reader, &Posted(given))
    })
    .await
}

/// The parameter of the fresh leaf, if the book has it as a mass.
fn leaf(app: &App) -> Result<Option<(Parameter, String)>, BookError> {
    let parameters = app.cache.parameters()?;
    let p = parameters.value.parameter(LEAF);
    let mass = |p: &&Parameter| {
        p.unit.as_deref().is_some_and(|unit| units::convert(1.0, unit, "kg").is_some())
    };
    Ok(p.filter(mass).map(|p| (p.clone(), p.unit.clone().unwrap_or_default())))
}

fn filled(app: &App, reader: &Reader, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let leaf = leaf(app)?;
    let body = html! {
        p { a.button.quiet href="/clock" { (say.of("All batches in hand", "全部在制批次")) } }
        form.batch method="post" action="/new-batch" {
            (token(reader))
            (text_field("id", say.of("Id", "编号"), say.of("letters, digits, - _ .", "字母、数字、- _ ."), posted.text("id")))
            (classes::class_field(app, posted, say))
            (fields::day("made", say.of("Its drying is to end on", "预计干燥结束之日"), "", posted.text("made")))
            @if let Some((p, unit)) = &leaf {
                (field("leaf", &format!("{}{}{unit}", p.label(say.key()), say.0.comma()), say.of("empty: not weighed yet", "留空为未称"), html! {
                    input id="leaf" name="leaf" inputmode="decimal" autocomplete="off" value=(posted.text("leaf")) aria-describedby="leaf-hint";
                }))
            }
            p { button { (say.of("Begin this batch", "开始此批")) } }
        }
    };
    Ok((say.of("A new batch", "新的一批").to_owned(), body))
}

/// Adds the batch, and goes to its clock.
pub async fn add(State(app): State<Shared>, reader: Reader, posted: Posted) -> Response {
    let work = move || {
        let done = app.taken.once(&posted, || {
            let id = added(&app, &reader, &posted)?;
            let told = reader.say.of(format!("Lot {id} added."), format!("已新增批次 {id}。"));
            Ok(CameOf::new(format!("/clock/{id}"), told))
        });
        match done {
            Ok(Once::Now(came)) => crate::desk::page::go(&came.to),
            Ok(Once::Before(came)) => {
                let body = twice(&reader, &posted, &came);
                let title = reader.say.of("Done already", "已完成");
                (StatusCode::CONFLICT, framed_sheet(&reader, title, &body)).into_response()
            }
            Err(wrong) => {
                let (title, body) = filled(&app, &reader, &posted).unwrap_or_else(|_| {
                    (reader.say.of("This was not done", "未完成").to_owned(), html! {})
                });
                let names = names_of_parameters(&app, &reader);
                let (status, body) = with_wrong((&app, &reader), &posted, &wrong, body, &names);
                (status, framed_sheet(&reader, &title, &body)).into_response()
            }
        }
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

fn added(app: &App, reader: &Reader, posted: &Posted) -> Result<String, Wrong> {
    let mut amiss = Mistakes::default();
    let id = posted.text("id");
    let free = app.book().lot_ids().and_then(|taken| must_be_free(id, &taken));
    amiss.take("id", free);
    amiss.take("class", classes::class_of(app, posted, reader.say));
    let made = made_on(app, (posted, reader.say), &mut amiss);
    let weighed = posted.filled("leaf").map(|kg| (LEAF.to_owned(), fields::decimal(kg)));
    let (lots, parameters) = (app.cache.lots_and_mistakes()?.lots, app.cache.parameters()?);
    let (of, say) = (&parameters.value, reader.say);
    let looked = Looked { lot: None, id, lots: &lots, parameters: of, days: None, say };
    let held = weighed.iter().map(|(id, kg)| ("leaf".to_owned(), id.clone(), kg.clone()));
    looked.values(app, posted, &held.collect::<Vec<_>>(), &mut amiss);
    let file = LotFile::new(id, posted.text("class"), amiss.none_or(made)?);
    let new =
        NewLot { values: weighed.into_iter().collect(), how: How::Measured, ..NewLot::of(file) };
    Ok(add_lot(app.book(), &new, app.now(), &mut rng()?)?.id)
}
