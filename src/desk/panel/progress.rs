//! How far each taster has come: never what they answer.

use maud::{Markup, html};
use serde::Serialize;

use super::words;
use crate::book::{Book, BookError};
use crate::desk::App;
use crate::desk::say::Say;
use crate::session::Session;
use crate::session::ballots::Ballot;
use crate::session::enter::{needed, unanswered};

/// A taster of a session.
#[derive(Debug, Clone, Serialize)]
pub struct Progress {
    /// The taster.
    pub taster: String,
    /// The taster's name.
    pub name: String,
    /// Whether a phone has joined.
    pub joined: bool,
    /// The cup that waits for an answer, and its flight; none once all is answered.
    pub cup: Option<(u32, u16)>,
    /// Flight by flight.
    pub flights: Vec<FlightProgress>,
    /// Whether the last line of the ballot is torn.
    pub torn: bool,
}

/// A taster's flight.
#[derive(Debug, Clone, Serialize)]
pub struct FlightProgress {
    /// Its number.
    pub number: u32,
    /// Questions that must be answered.
    pub asked: usize,
    /// Those that are.
    pub answered: usize,
    /// Whether anything was said at all.
    pub begun: bool,
    /// Whether it was handed in.
    pub handed_in: bool,
}

/// How far all tasters have come.
///
/// # Errors
/// If a ballot cannot be read.
pub fn progress(app: &App, book: &Book, session: &Session) -> Result<Vec<Progress>, BookError> {
    let plan = session.plan();
    let known = book.tasters()?.value;
    let mut all = Vec::new();
    for taster in &plan.tasters {
        let ballot = Ballot::open(session, taster)?;
        let mut cup = None;
        let mut flights = Vec::new();
        for flight in &plan.flights {
            let (asked, open) =
                (needed(plan, flight, taster).len(), unanswered(plan, flight, &ballot));
            let handed_in = ballot.is_handed_in(flight.number);
            if !handed_in && cup.is_none() {
                cup = open.first().map(|q| (flight.number, q.cup));
            }
            let begun = ballot.answers().any(|(q, _)| flight.cups.contains(&q.cup)) || handed_in;
            flights.push(FlightProgress {
                number: flight.number,
                asked,
                answered: asked - open.len(),
                begun,
                handed_in,
            });
        }
        all.push(Progress {
            taster: taster.clone(),
            name: known
                .taster(taster)
                .and_then(|t| t.name.clone())
                .unwrap_or_else(|| taster.clone()),
            joined: app.doors.has_joined(&session.name, taster),
            cup,
            flights,
            torn: ballot.log.torn.is_some(),
        });
    }
    Ok(all)
}

/// Whether everybody has handed everything in.
#[must_use]
pub fn all_in(all: &[Progress]) -> bool {
    all.iter().all(|p| p.flights.iter().all(|f| f.handed_in))
}

/// The table of it.
#[must_use]
pub fn table(say: Say, session: &Session, all: &[Progress]) -> Markup {
    let plan = session.plan();
    let choice = plan.kind.is_choice();
    html! {
        div.wide tabindex="0" role="region" aria-label=(say.of("Progress", "进度")) {
            table.progress {
                thead { tr {
                    th scope="col" { (say.of("Taster", "评茶员")) }
                    th scope="col" { (say.of("Phone", "手机")) }
                    th scope="col" { (say.of("Now at", "正在品")) }
                    @for f in &plan.flights { th scope="col" { (words::flight(say, f.number)) } }
                } }
                tbody { @for p in all { tr {
                    th scope="row" { (p.name) }
                    td { @if p.joined { (say.of("joined", "已加入")) } @else { span.pale { (say.of("not joined", "未加入")) } } }
                    td {
                        @match p.cup {
                            Some((flight, _)) if choice => { (words::flight(say, flight)) }
                            Some((_, cup)) => { (say.of("cup ", "杯 ")) b { (cup) } }
                            None => { span.pale { "—" } }
                        }
                        @if p.torn { span.hint { (say.of("a torn last line does not count", "末行残缺，不计入")) } }
                    }
                    @for f in &p.flights { td {
                        @if f.handed_in { b.in { (say.of("handed in", "已交")) } }
                        @else { (f.answered) " / " (f.asked) }
                    } }
                } } }
            }
        }
    }
}
