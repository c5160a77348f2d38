//! What the phone asks for and sends: JSON, under the taster's cookie.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{FromRequest as _, FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::now;
use crate::book::book_file::GoBack;
use crate::book::store::StoreError;
use crate::desk::Shared;
use crate::desk::doors::{Who, form_token};
use crate::desk::guard::Caller;
use crate::desk::page::aside;
use crate::desk::say::Say;
use crate::desk::told;
use crate::plots::Lang;
use crate::session::State as Stage;
use crate::session::ballots::Wrong;
use crate::session::enter::{Answer, Given};
use crate::session::live::{HandingIn, LiveError, Outcome, Sent, Tasting};

/// The ways of the phone.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/ballot/now", get(all))
        .route("/ballot/pulse", get(pulse))
        .route("/ballot/lines", post(lines))
        .route("/ballot/hand-in", post(hand_in))
        .route("/ballot/timer", post(timer))
}

const EN: Say = Say(Lang::En);
const ZH: Say = Say(Lang::Zh);

/// The header that proves that a page of ours sends something.
const TOKEN: &str = "x-form";
/// The most answers that are sent at once.
const MOST: usize = 500;

fn refused(status: StatusCode, error: &str, text: &str) -> Response {
    let (en, zh) = (told::text(EN, text), told::text(ZH, text));
    (status, Json(json!({"error": error, "text": en, "zh": zh}))).into_response()
}

/// What is told to everybody; where it names what only the desk has, the host.
fn for_a_taster(told: &str) -> &str {
    // The desk's forms have words of their own for it: there somebody mends it, not on a phone.
    if told::text(EN, told) == told { told } else { "tell the host" }
}

fn unreadable(status: StatusCode, text: &str) -> Response {
    refused(status, "unreadable", text)
}

fn ended() -> Response {
    refused(StatusCode::UNAUTHORIZED, "ended", "this link is not good any more")
}

/// The answer where the cups are known: not that a link is bad, but that the tasting is done.
fn revealed() -> Response {
    let text = "the cups are revealed; thank you";
    let (en, zh) = (told::text(EN, text), told::text(ZH, text));
    let all = json!({"error": "ended", "why": "revealed", "text": en, "zh": zh});
    (StatusCode::UNAUTHORIZED, Json(all)).into_response()
}

/// A taster whose cookie is good.
struct Taster {
    session: String,
    taster: String,
    token: String,
}

impl FromRequestParts<Shared> for Taster {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &Shared) -> Result<Self, Response> {
        match parts.extensions.get::<Caller>() {
            Some(Caller { who: Who::Taster { session, taster }, cookie }) => {
                app.live.saw(session, taster);
                Ok(Self {
                    session: session.clone(),
                    taster: taster.clone(),
                    token: form_token(cookie),
                })
            }
            Some(Caller { who: Who::TakenOver, .. }) => Err(refused(
                StatusCode::CONFLICT,
                "taken-over",
                "this ballot goes on on another phone; follow your link again to go on here",
            )),
            Some(Caller { who: Who::Revealed, .. }) => Err(revealed()),
            _ => Err(ended()),
        }
    }
}

impl Taster {
    /// What was sent, once it is known to be from a page of ours.
    async fn read<T: DeserializeOwned>(&self, request: Request) -> Result<T, Response> {
        let headers: &HeaderMap = request.headers();
        let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or("");
        if text(TOKEN) != self.token {
            let text = "this is not from a page that you were given; load the page again";
            return Err(refused(StatusCode::FORBIDDEN, "not-ours", text));
        }
        let kind = text(header::CONTENT_TYPE.as_str()).to_ascii_lowercase();
        if kind.split(';').next().map(str::trim) != Some("application/json") {
            return Err(unreadable(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "expected application/json",
            ));
        }
        let body = Bytes::from_request(request, &()).await.map_err(|e| {
            let status = e.status();
            unreadable(
                status,
                if status == StatusCode::PAYLOAD_TOO_LARGE {
                    "too much at once"
                } else {
                    "broken off"
                },
            )
        })?;
        serde_json::from_slice(&body).map_err(|e| {
            let (line, column) = (e.line(), e.column());
            let text = format!("this is not what a page sends (line {line}, column {column})");
            unreadable(StatusCode::UNPROCESSABLE_ENTITY, &text)
        })
    }

    async fn at<T: Send + 'static>(
        self,
        app: &Shared,
        work: impl FnOnce(&Tasting, &Self) -> Result<T, LiveError> + Send + 'static,
    ) -> Result<T, Response> {
        let app = Arc::clone(app);
        let done = aside(move || {
            let tasting = app.live.engine.session(&self.session)?;
            let done = work(&tasting, &self);
            Ok::<_, LiveError>((done, tasting.state()))
        });
        match done.await? {
            Ok((Err(LiveError::Ended), Stage::Revealed)) => Err(revealed()),
            Ok((done, _)) => done.map_err(|e| failed(&e)),
            Err(e) => Err(failed(&e)),
        }
    }
}

/// Why nothing was taken. What a file says, or what its mistake is, may be of others: the host sees it
/// at the desk, the phone only that nothing was saved.
fn failed(error: &LiveError) -> Response {
    let text = match error {
        LiveError::Ended => return ended(),
        LiveError::Store(StoreError::Locked(_)) => "the host's program is busy; try again",
        LiveError::Store(_) => "the host's disk did not take it: tell the host",
        LiveError::Book(_) => "a file of this session has a mistake: tell the host",
    };
    refused(StatusCode::INSUFFICIENT_STORAGE, "not-saved", text)
}

async fn all(State(app): State<Shared>, taster: Taster) -> Response {
    let shared = Arc::clone(&app);
    let found = taster
        .at(&app, move |tasting, me| {
            let now = tasting.now(&me.taster)?;
            if matches!(now.state, Stage::Revealed | Stage::Void) {
                return Err(LiveError::Ended);
            }
            let timer = shared.live.timer(&me.session, Some(&me.taster));
            Ok(now::of(shared.book(), &now, &me.token, timer)?)
        })
        .await;
    found.map_or_else(|refusal| refusal, |now| Json(now).into_response())
}

async fn pulse(State(app): State<Shared>, taster: Taster) -> Response {
    let shared = Arc::clone(&app);
    let found = taster
        .at(&app, move |tasting, me| {
            let (state, changed) = tasting.pulse(&me.taster)?;
            if matches!(state, Stage::Revealed | Stage::Void) {
                return Err(LiveError::Ended);
            }
            let timer = shared.live.timer(&me.session, Some(&me.taster));
            Ok(json!({"state": state.to_string(), "timer": timer, "changed": changed}))
        })
        .await;
    found.map_or_else(|refusal| refusal, |pulse| Json(pulse).into_response())
}

#[derive(Deserialize)]
struct Lines {
    lines: Vec<Value>,
}

/// An answer as the phone writes it.
#[derive(Deserialize)]
struct SentLine {
    entry: String,
    cup: u16,
    #[serde(default)]
    steep: Option<u32>,
    term: String,
    state: String,
    #[serde(default)]
    value: Option<Value>,
    #[serde(default)]
    note: Option<String>,
}

/// A text in one line, as a log keeps it.
fn plain(text: &str) -> String {
    let line: String = text
        .chars()
        .map(|c| if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') { ' ' } else { c })
        .collect();
    line.trim().to_owned()
}

/// The answer that a line means; what is wrong with its form is wrong with it alone.
fn meant(line: Value) -> Result<Sent, Wrong> {
    let wrong = |found: String, expected: &str| Wrong {
        found,
        expected: expected.to_owned(),
        mend: "load the page again".to_owned(),
    };
    let sent: SentLine = serde_json::from_value(line).map_err(|_| {
        wrong(
            "this is not what a page sends".to_owned(),
            "entry, cup, steep, term, state, value and note",
        )
    })?;
    let value = match sent.value {
        None | Some(Value::Null) => None,
        Some(Value::String(text)) => Some(plain(&text)),
        Some(Value::Number(n)) => Some(n.to_string()),
        Some(_) => return Err(wrong("the value is no text".to_owned(), "a text or a number")),
    };
    let given = match (sent.state.as_str(), value) {
        ("scored", value) => Given::Scored(value.unwrap_or_default()),
        ("declined", None) => Given::Declined,
        ("lost", None) => Given::Lost,
        ("declined" | "lost", Some(_)) => {
            return Err(wrong(
                "a value stands beside an answer that was declined or lost".to_owned(),
                "a value if and only if the state is scored",
            ));
        }
        _ => return Err(wrong("the state is none".to_owned(), "scored, declined or lost")),
    };
    let answer = Answer {
        cup: sent.cup,
        steep: sent.steep,
        term: plain(&sent.term),
        given,
        note: sent.note.as_deref().map(plain).filter(|n| !n.is_empty()),
    };
    Ok(Sent { entry: sent.entry, answer })
}

fn result(entry: &Value, outcome: &Outcome) -> Value {
    let word = |word: &str| json!({"entry": entry, "outcome": word});
    match outcome {
        Outcome::Saved(None) => word("saved"),
        Outcome::Saved(Some(caution)) => {
            json!({"entry": entry, "outcome": "saved", "caution": {"en": caution.en, "zh": caution.zh}})
        }
        Outcome::Already => word("already"),
        Outcome::Late => word("late"),
        // The page chooses: its language is the taster's, whoever asks.
        Outcome::Refused(w) => {
            let of = |say: Say| {
                let [found, expected, mend] = [&*w.found, &*w.expected, for_a_taster(&w.mend)]
                    .map(|text| told::text(say, text));
                json!({"found": found, "expected": expected, "mend": mend})
            };
            let mut all = json!({"entry": entry, "outcome": "refused", "zh": of(ZH)});
            if let (Value::Object(all), Value::Object(en)) = (&mut all, of(EN)) {
                all.extend(en);
            }
            all
        }
    }
}

async fn lines(State(app): State<Shared>, taster: Taster, request: Request) -> Response {
    let sent: Lines = match taster.read(request).await {
        Ok(sent) => sent,
        Err(refusal) => return refusal,
    };
    if sent.lines.len() > MOST {
        let text = format!("{} answers at once; at most {MOST}", sent.lines.len());
        return unreadable(StatusCode::UNPROCESSABLE_ENTITY, &text);
    }
    let entries: Vec<Value> =
        sent.lines.iter().map(|l| l.get("entry").cloned().unwrap_or(Value::Null)).collect();
    let meant: Vec<Result<Sent, Wrong>> = sent.lines.into_iter().map(meant).collect();
    let at = app.now();
    let done = taster
        .at(&app, move |tasting, me| {
            let good: Vec<Sent> = meant.iter().flatten().cloned().collect();
            let mut outcomes = tasting.save(&me.taster, &good, at)?.into_iter();
            let mut results = Vec::new();
            for (entry, meant) in entries.iter().zip(meant) {
                let outcome = match meant {
                    Ok(_) => outcomes.next().ok_or(LiveError::Ended)?,
                    Err(wrong) => Outcome::Refused(wrong),
                };
                results.push(result(entry, &outcome));
            }
            Ok(json!({"results": results, "handed_in": tasting.handed_in(&me.taster)?}))
        })
        .await;
    done.map_or_else(|refusal| refusal, |done| Json(done).into_response())
}

#[derive(Deserialize)]
struct HandIn {
    entry: String,
    #[serde(default)]
    flight: Option<u32>,
    #[serde(default)]
    cup: Option<u16>,
}

async fn hand_in(State(app): State<Shared>, taster: Taster, request: Request) -> Response {
    let sent: HandIn = match taster.read(request).await {
        Ok(sent) => sent,
        Err(refusal) => return refusal,
    };
    let what = match (sent.flight, sent.cup) {
        (Some(flight), None) => HandingIn::Flight(flight),
        (None, Some(cup)) => HandingIn::Cup(cup),
        _ => return unreadable(StatusCode::UNPROCESSABLE_ENTITY, "expected a flight or a cup"),
    };
    let at = app.now();
    let book = app.book().clone();
    let done = taster
        .at(&app, move |tasting, me| {
            let by_cup =
                || Ok::<_, LiveError>(book.book_file()?.value.ballot.go_back == GoBack::Cup);
            let outcome = if matches!(what, HandingIn::Cup(_)) && !by_cup()? {
                Outcome::Refused(Wrong {
                    found: "one cup was handed in".to_owned(),
                    expected: "the whole flight, as the book's setting says".to_owned(),
                    mend: "hand in the flight".to_owned(),
                })
            } else {
                tasting.hand_in(&me.taster, &sent.entry, what, at)?
            };
            let results = [result(&Value::String(sent.entry), &outcome)];
            Ok(json!({"results": results, "handed_in": tasting.handed_in(&me.taster)?}))
        })
        .await;
    done.map_or_else(|refusal| refusal, |done| Json(done).into_response())
}

#[derive(Deserialize)]
struct RunTimer {
    flight: u32,
    steep: u32,
    run: bool,
}

async fn timer(State(app): State<Shared>, taster: Taster, request: Request) -> Response {
    let sent: RunTimer = match taster.read(request).await {
        Ok(sent) => sent,
        Err(refusal) => return refusal,
    };
    let shared = Arc::clone(&app);
    let done = taster
        .at(&app, move |tasting, me| {
            if matches!(tasting.state(), Stage::Revealed | Stage::Void) {
                return Err(LiveError::Ended);
            }
            let (live, own) = (&shared.live, Some(me.taster.as_str()));
            if !sent.run {
                live.stop(&me.session, own);
                return Ok(Ok(live.timer(&me.session, own)));
            }
            match live.start(&me.session, own, sent.flight, sent.steep) {
                Ok(()) => Ok(Ok(live.timer(&me.session, own))),
                Err(LiveError::Book(e)) => Ok(Err(e.to_string())),
                Err(e) => Err(e),
            }
        })
        .await;
    match done {
        Ok(Ok(timer)) => Json(json!({"timer": timer})).into_response(),
        Ok(Err(text)) => unreadable(StatusCode::UNPROCESSABLE_ENTITY, &text),
        Err(refusal) => refusal,
    }
}
