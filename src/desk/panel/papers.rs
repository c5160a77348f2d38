//! Papers of a session: ballots, labels of cups, the pouring plan.

use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};

use super::host::{self, Host};
use super::session as pages;
use crate::book::BookError;
use crate::desk::Shared;
use crate::desk::page::{Part, Reader, aside, failed};
use crate::desk::posted::Posted;
use crate::session::pour::pouring_plan;
use crate::session::unfit::not_to_pour;
use crate::session::{Session, State as Stage, papers};
use crate::sheets::SheetError;
use crate::sheets::ballots::ballot_pdf;
use crate::sheets::pouring::{cup_labels_pdf, pouring_pdf};

fn of_sheet(e: SheetError) -> BookError {
    BookError::Refused(e.to_string())
}

fn pdf(name: &str, bytes: Vec<u8>) -> Response {
    let kind = [
        (header::CONTENT_TYPE, "application/pdf".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}.pdf\"")),
        (header::CACHE_CONTROL, "no-store".to_owned()),
    ];
    (kind, bytes).into_response()
}

fn taken(session: &Session) -> Result<(), BookError> {
    if session.state < Stage::Closed {
        return Ok(());
    }
    Err(BookError::Refused(format!(
        "session {} is {}: no more scores are taken, so that it needs no ballots\n  to mend:  plan another session",
        session.name, session.state
    )))
}

/// A taster's ballot.
pub async fn ballot(
    State(app): State<Shared>,
    reader: Reader,
    Path((name, taster)): Path<(String, String)>,
) -> Response {
    let (book, lang) = (app.book().clone(), reader.say.0);
    let made = aside(move || {
        let session = Session::open(&book, &name)?;
        taken(&session)?;
        let taster = session.taster(&taster)?;
        let paper = papers::ballot(&book, &session, &taster, &[lang])?;
        let bytes = ballot_pdf(&paper).map_err(of_sheet)?;
        Ok((format!("{}-ballot-{taster}", session.name), bytes))
    });
    answer(&app, &reader, made.await)
}

/// Labels for the cups.
pub async fn labels(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
) -> Response {
    let book = app.book().clone();
    let made = aside(move || {
        let session = Session::open(&book, &name)?;
        taken(&session)?;
        let plan = session.plan();
        let codes: Vec<u16> = plan.flights.iter().flat_map(|f| f.codes()).collect();
        let bytes = cup_labels_pdf(&session.name, plan.day.0, &codes).map_err(of_sheet)?;
        Ok((format!("{}-labels", session.name), bytes))
    });
    answer(&app, &reader, made.await)
}

/// The pouring plan, for whoever pours and does not taste. That it is written is logged before.
pub async fn pouring(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
    posted: Posted,
) -> Response {
    let (book, now, lang) = (app.book().clone(), app.now(), reader.say.0);
    let (wanted, pourer) = (name.clone(), posted.text("pourer").to_owned());
    let made = aside(move || {
        let session = Session::open(&book, &wanted)?;
        let host = host::host(&book, &session)?;
        if !session.plan().is_alone() && matches!(host, Host::Taster(_)) {
            return Err(BookError::Refused(format!(
                "somebody who tastes is at this desk: it does not show which lot is in which cup\n  expected: a desk of somebody who does not taste\n  to mend:  let whoever pours write the plan: blindsteep session pour {} --pourer NAME --out FILE",
                session.name
            )));
        }
        if !session.plan().is_alone() && host == Host::Unknown {
            return Err(BookError::Refused(
                "nobody has said who is at this desk\n  expected: a taster of this session, or nobody who tastes\n  to mend:  say it above; then ask for the pouring plan again"
                    .to_owned(),
            ));
        }
        let (session, pours) = pouring_plan(&book, &wanted, &pourer, now)?;
        let unfit = not_to_pour(&book, &pours, now)?;
        let paper = papers::pouring(&book, &session, &pours, &pourer, &[lang], &unfit)?;
        Ok((format!("{}-pouring", session.name), pouring_pdf(&paper).map_err(of_sheet)?))
    });
    match made.await {
        Ok(Ok((file, bytes))) => pdf(&file, bytes),
        Ok(Err(e)) => match pages::room(&app, &name).await {
            Ok(Ok(room)) => pages::shown(&app, &reader, &room, &posted, Some(&e)),
            Ok(Err(e)) => failed(&app, &reader, Part::Sessions, &e),
            Err(response) => response,
        },
        Err(response) => response,
    }
}

fn answer(
    app: &Shared,
    reader: &Reader,
    made: Result<Result<(String, Vec<u8>), BookError>, Response>,
) -> Response {
    match made {
        Ok(Ok((name, bytes))) => pdf(&name, bytes),
        Ok(Err(e)) => {
            let mut response = failed(app, reader, Part::Sessions, &e);
            *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            response
        }
        Err(response) => response,
    }
}
