//! What every request must pass, and what every answer carries.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::doors::Who;
use super::server::Peer;
use super::{App, Shared};

/// The most bytes of a body; a form with a logger's file has a limit of its own.
pub const BODY: usize = 256 * 1024;

/// What a listener answers to.
#[derive(Debug)]
pub struct Gate {
    app: Shared,
    /// The names and ports under which it is reached, as `127.0.0.1:7370`. A page elsewhere that has its own
    /// name point here (DNS rebinding) says another one.
    hosts: Vec<String>,
    /// The cookie's name: that of another desk on this machine must not be in its way.
    cookie: String,
    secure: bool,
    pace: Pace,
}

/// The cookie that came with a request, and whose it is.
#[derive(Debug, Clone)]
pub struct Caller {
    /// Who it is.
    pub who: Who,
    /// The cookie; empty without one.
    pub cookie: String,
}

/// The name under which a cookie is set, for handlers that set one.
#[derive(Debug, Clone)]
pub struct CookieName {
    name: String,
    secure: bool,
}

impl CookieName {
    /// The header that gives a browser a cookie. It lasts a year: a panel's phones come back.
    #[must_use]
    pub fn set(&self, value: &str) -> String {
        let secure = if self.secure { "; Secure" } else { "" };
        format!("{}={value}; Path=/; Max-Age=31536000; HttpOnly; SameSite=Lax{secure}", self.name)
    }
}

impl Gate {
    /// A gate.
    #[must_use]
    pub fn new(app: Shared, hosts: Vec<String>, cookie: String, secure: bool) -> Arc<Self> {
        let hosts = hosts.into_iter().map(|h| h.to_ascii_lowercase()).collect();
        Arc::new(Self { app, hosts, cookie, secure, pace: Pace::default() })
    }

    fn app(&self) -> &App {
        &self.app
    }
}

/// Lets a request in or says why not, and gives every answer the headers that keep a browser narrow.
pub async fn pass(State(gate): State<Arc<Gate>>, mut request: Request, next: Next) -> Response {
    let refusal = |status: StatusCode, text: &'static str| {
        with_headers((status, text).into_response(), false)
    };
    let headers = request.headers();
    let host = headers.get(header::HOST).and_then(|h| h.to_str().ok()).unwrap_or_default();
    let host = host.to_ascii_lowercase();
    if !gate.hosts.contains(&host) {
        return refusal(
            StatusCode::MISDIRECTED_REQUEST,
            "This is not an address of the desk. Use the one that it shows.\n",
        );
    }
    let writes = !matches!(*request.method(), Method::GET | Method::HEAD);
    if writes && !from_our_own_page(headers, &host, gate.secure) {
        return refusal(StatusCode::FORBIDDEN, "This did not come from a page of the desk.\n");
    }
    let cookie = cookie_of(headers, &gate.cookie);
    let who = if cookie.is_empty() { Who::Nobody } else { gate.app().doors.who(&cookie) };
    let address = request.extensions().get::<ConnectInfo<Peer>>().map(|c| c.0.0.ip());
    let payer = match &who {
        Who::Nobody | Who::Revealed => Payer::Address(address),
        _ => Payer::Cookie(cookie.clone()),
    };
    if !gate.pace.allows(payer) {
        return refusal(
            StatusCode::TOO_MANY_REQUESTS,
            "Too many requests at once: wait a moment and try again.\n",
        );
    }
    let for_desk = who == Who::Desk;
    request.extensions_mut().insert(Caller { who, cookie });
    request.extensions_mut().insert(CookieName { name: gate.cookie.clone(), secure: gate.secure });
    with_headers(next.run(request).await, for_desk)
}

/// Browsers say where a write comes from. One that says nothing still needs the form's token, and so does one
/// that says "null": a form of a page that sends no referrer says that of our own pages too.
fn from_our_own_page(headers: &HeaderMap, host: &str, secure: bool) -> bool {
    let text =
        |name: &str| headers.get(name).map(|v| v.to_str().unwrap_or("?").to_ascii_lowercase());
    if let Some(origin) = text("origin").filter(|o| o != "null") {
        let scheme = if secure { "https" } else { "http" };
        return origin == format!("{scheme}://{host}");
    }
    text("sec-fetch-site").is_none_or(|site| site == "same-origin" || site == "none")
}

fn cookie_of(headers: &HeaderMap, name: &str) -> String {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(n, _)| *n == name)
        .map_or_else(String::new, |(_, value)| value.to_owned())
}

fn with_headers(mut response: Response, for_desk: bool) -> Response {
    // Charts hold their own face and style; the desk shows them inside its pages. Ballots have none.
    let policy = if for_desk {
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; \
         font-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    } else {
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; \
         connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    };
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert(header::X_FRAME_OPTIONS, HeaderValue::from_static("DENY"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Payer {
    Address(Option<IpAddr>),
    Cookie(String),
}

/// How many requests each caller may still make: a bucket that fills by the second.
#[derive(Debug, Default)]
struct Pace {
    left: Mutex<HashMap<Payer, (f64, Instant)>>,
}

/// Requests a second, and how many may come at once, for callers we know.
const KNOWN: (f64, f64) = (60.0, 300.0);
/// The same for callers we do not know: enough for a panel that joins, slow for one who guesses links.
const UNKNOWN: (f64, f64) = (3.0, 60.0);

impl Pace {
    fn allows(&self, payer: Payer) -> bool {
        let (rate, most) = if matches!(payer, Payer::Cookie(_)) { KNOWN } else { UNKNOWN };
        let now = Instant::now();
        let mut left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        if left.len() > 10_000 {
            left.retain(|_, (_, seen)| now.duration_since(*seen).as_secs() < 60);
        }
        let (tokens, seen) = left.entry(payer).or_insert((most, now));
        *tokens = (*tokens + now.duration_since(*seen).as_secs_f64() * rate).min(most);
        *seen = now;
        if *tokens < 1.0 {
            return false;
        }
        *tokens -= 1.0;
        true
    }
}

/// Lets only the maker through.
pub async fn desk_only(request: Request, next: Next) -> Response {
    only(|who| *who == Who::Desk, "the address that `blindsteep desk` printed", request, next).await
}

/// Lets only the workshop and the maker through.
pub async fn clock_only(request: Request, next: Next) -> Response {
    let may = |who: &Who| matches!(who, Who::Clock | Who::Desk);
    only(may, "the link that the desk shows", request, next).await
}

async fn only(may: impl Fn(&Who) -> bool, by: &str, request: Request, next: Next) -> Response {
    if request.extensions().get::<Caller>().is_some_and(|c| may(&c.who)) {
        next.run(request).await
    } else {
        let text = format!("You are not known here. Come in by {by}.\n");
        (StatusCode::FORBIDDEN, text).into_response()
    }
}
