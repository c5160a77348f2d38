//! All sessions of the book.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse as _, Response};
use maud::html;

use super::{with_ours, words};
use crate::book::BookError;
use crate::book::session_files::Kind;
use crate::book::time::Day;
use crate::desk::cache::Sessions;
use crate::desk::page::{Part, Reader, aside, failed, page, shown_error};
use crate::desk::{App, Shared, told};
use crate::session::{self, Session};

/// A session in short.
pub struct InShort {
    pub name: String,
    pub state: session::State,
    pub kind: Kind,
    pub day: Day,
    pub tasters: usize,
    pub flights: usize,
    pub cups: usize,
}

impl InShort {
    fn of(session: &Session) -> Self {
        let plan = session.plan();
        Self {
            name: session.name.clone(),
            state: session.state,
            kind: plan.kind,
            day: plan.day,
            tasters: plan.tasters.len(),
            flights: plan.flights.len(),
            cups: plan.flights.iter().map(|f| f.cups.len()).sum(),
        }
    }
}

/// A session's name, and the session in short or why it cannot be read.
pub type Listed = (String, Result<InShort, BookError>);

/// All sessions, the latest first. One that cannot be read has its error instead.
pub fn all(app: &App, read: &Sessions) -> Result<Vec<Listed>, BookError> {
    let of: BTreeMap<&str, &Session> = read.sessions.iter().map(|s| (s.name.as_str(), s)).collect();
    let one = |name: &String| {
        // What was read is kept; what could not be says why anew.
        match of.get(name.as_str()) {
            Some(session) => Ok(InShort::of(session)),
            None => Session::open(app.book(), name).map(|session| InShort::of(&session)),
        }
    };
    let mut names = app.book().session_names()?;
    names.reverse();
    Ok(names.iter().map(|name| (name.clone(), one(name))).collect())
}

/// The page of them.
pub async fn show(State(app): State<Shared>, reader: Reader) -> Response {
    let shared = Arc::clone(&app);
    let found = match aside(move || all(&shared, &shared.cache.sessions()?)).await {
        Ok(Ok(found)) => found,
        Ok(Err(e)) => return failed(&app, &reader, Part::Sessions, &e),
        Err(response) => return response,
    };
    let say = reader.say;
    let heads = [
        say.of("Session", "场次"),
        say.of("State", "状态"),
        say.of("Asked", "方式"),
        say.of("Tasters", "评茶员"),
        say.of("Flights", "轮次"),
        say.of("Cups", "杯数"),
    ];
    let body = html! {
        p.buttons {
            a.button href="/sessions/new" { (say.of("Plan a session", "安排场次")) } " "
            a.button.quiet href="/sessions/due" { (say.of("Plan what is due", "安排到期复评")) }
        }
        @if found.is_empty() {
            p { (say.of("No session is planned yet.", "还没有场次。")) }
        } @else {
            div.wide tabindex="0" role="region" aria-label=(say.of("Sessions", "场次")) {
                table.stacked {
                    thead { tr.heads {
                        @for head in &heads[..3] { th scope="col" { (head) } }
                        @for head in &heads[3..] { th.number scope="col" { (head) } }
                    } }
                    tbody { @for (name, one) in &found { tr {
                        th scope="row" { a href={ "/sessions/" (name) } { (name) } }
                        @match one {
                            Ok(s) => {
                                td data-head=(heads[1]) { span.state data-state=(s.state.to_string()) { (words::state(say, s.state)) } }
                                td data-head=(heads[2]) { (words::kind(say, s.kind)) } td.number data-head=(heads[3]) { (s.tasters) } td.number data-head=(heads[4]) { (s.flights) } td.number data-head=(heads[5]) { (s.cups) }
                            }
                            Err(e) => { td colspan="5" { pre.mind { (told::markup(say, &shown_error(&app, e))) } } }
                        }
                    } } }
                }
            }
        }
    };
    page(&app, &reader, Part::Sessions, say.of("Sessions", "场次"), with_ours(body)).into_response()
}
