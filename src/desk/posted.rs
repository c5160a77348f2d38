//! A form as it was sent, once it is known to be from a page of ours.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Form, RequestExt as _};

use super::doors::form_token;
use super::guard::Caller;

/// The hidden field by which a form that is sent twice is known again.
pub const ONCE: &str = "once";

/// An id for a form that is shown: that of the page's address if it has one, else a new one. Without random numbers
/// there is none, and the form is taken as often as it is sent.
#[must_use]
pub fn once(at: &str) -> String {
    let asked = at.split_once('?').map_or("", |(_, question)| question);
    let named = asked.split('&').find_map(|pair| pair.strip_prefix(ONCE)?.strip_prefix('='));
    named.filter(|id| is_once(id)).map_or_else(new_once, str::to_owned)
}

/// A new id for a form.
#[must_use]
pub fn new_once() -> String {
    getrandom::u64().map_or_else(|_| String::new(), |n| format!("{n:016x}"))
}

fn is_once(id: &str) -> bool {
    id.len() == 16 && id.bytes().all(|b| b.is_ascii_hexdigit())
}

/// What came of a form: where its page led, and what was told there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CameOf {
    /// The page that followed.
    pub to: String,
    /// What was told on it.
    pub told: Vec<String>,
}

impl CameOf {
    /// Where a form leads, with one thing that is told there.
    pub fn new(to: impl Into<String>, told: impl Into<String>) -> Self {
        Self { to: to.into(), told: vec![told.into()] }
    }
}

/// What came of a form, and whether it came of it just now.
pub enum Once {
    /// It was done now.
    Now(CameOf),
    /// It was done before, and not again.
    Before(CameOf),
}

/// The forms that were taken lately, so that none is taken twice unasked. In memory: whoever opens the desk anew has
/// new forms.
#[derive(Debug, Default)]
pub struct Taken {
    forms: Mutex<VecDeque<(String, Option<CameOf>)>>,
    settled: Condvar,
}

/// So many forms are known again.
const KNOWN: usize = 1000;
/// So long a second one waits for the first.
const PATIENCE: Duration = Duration::from_secs(20);

impl Taken {
    /// What came of a form of this id; none if it was not taken.
    #[must_use]
    pub fn came_of(&self, once: &str) -> Option<CameOf> {
        let forms = self.forms.lock().unwrap_or_else(PoisonError::into_inner);
        forms.iter().find(|(id, _)| id == once).and_then(|(_, came)| came.clone())
    }

    /// Does what a form asks, unless it was done already. One that is refused may be sent again.
    ///
    /// # Errors
    /// Those of the work.
    pub fn once<E>(
        &self,
        posted: &Posted,
        work: impl FnOnce() -> Result<CameOf, E>,
    ) -> Result<Once, E> {
        let hand = match self.begin(posted) {
            Begun::New(hand) => hand,
            Begun::Before(came) => return Ok(Once::Before(came)),
        };
        let came = work()?;
        hand.done(&came);
        Ok(Once::Now(came))
    }

    /// Takes a form: what came of it before, or the hand under which it is done now. A second one that comes while the
    /// first is being done waits for it.
    fn begin(&self, posted: &Posted) -> Begun<'_> {
        let hand = |once: &str| Begun::New(Hand { taken: self, once: once.to_owned() });
        let once = posted.text(ONCE);
        if !is_once(once) {
            return hand("");
        }
        let mut forms = self.forms.lock().unwrap_or_else(PoisonError::into_inner);
        let until = Instant::now() + PATIENCE;
        loop {
            match forms.iter().find(|(id, _)| id == once) {
                Some((_, Some(came))) => return Begun::Before(came.clone()),
                None => {
                    forms.push_back((once.to_owned(), None));
                    if forms.len() > KNOWN {
                        forms.pop_front();
                    }
                    return hand(once);
                }
                Some((_, None)) => {}
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return hand("");
            }
            forms =
                self.settled.wait_timeout(forms, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

/// Whether a form was taken before.
enum Begun<'a> {
    /// It was.
    Before(CameOf),
    /// It is taken now.
    New(Hand<'a>),
}

/// The form that is being done. Dropped without [`Hand::done`] it may be sent again.
struct Hand<'a> {
    taken: &'a Taken,
    once: String,
}

impl Hand<'_> {
    /// It was done.
    fn done(self, came: &CameOf) {
        let mut forms = self.taken.forms.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(form) = forms.iter_mut().find(|(id, _)| *id == self.once) {
            form.1 = Some(came.clone());
        }
    }
}

impl Drop for Hand<'_> {
    fn drop(&mut self) {
        let mut forms = self.taken.forms.lock().unwrap_or_else(PoisonError::into_inner);
        forms.retain(|(id, came)| *id != self.once || came.is_some());
        self.taken.settled.notify_all();
    }
}

/// The fields of a form, in the order of the page. Texts are trimmed.
#[derive(Debug, Clone, Default)]
pub struct Posted(pub Vec<(String, String)>);

/// The hidden field that proves where a form comes from.
pub const TOKEN: &str = "form";

impl Posted {
    /// The text of a field; empty if it was left out.
    #[must_use]
    pub fn text(&self, name: &str) -> &str {
        self.0.iter().find(|(n, _)| n == name).map_or("", |(_, v)| v.as_str())
    }

    /// The text of a field that was filled in.
    #[must_use]
    pub fn filled(&self, name: &str) -> Option<&str> {
        Some(self.text(name)).filter(|t| !t.is_empty())
    }

    /// All texts of a field that may be there more than once, but for empty ones.
    #[must_use]
    pub fn all(&self, name: &str) -> Vec<String> {
        let of_name = self.0.iter().filter(|(n, v)| n == name && !v.is_empty());
        of_name.map(|(_, v)| v.clone()).collect()
    }

    /// Whether a box was ticked.
    #[must_use]
    pub fn ticked(&self, name: &str) -> bool {
        self.filled(name).is_some()
    }
}

impl<S: Send + Sync> FromRequest<S> for Posted {
    type Rejection = Response;

    async fn from_request(request: Request, _: &S) -> Result<Self, Response> {
        let caller = request.extensions().get::<Caller>().cloned();
        let form: Result<Form<Vec<(String, String)>>, _> = request.extract().await;
        let Form(fields) = form.map_err(IntoResponse::into_response)?;
        let fields: Vec<(String, String)> =
            fields.into_iter().map(|(n, v)| (n, v.trim().replace("\r\n", "\n"))).collect();
        let posted = Self(fields);
        match caller {
            Some(caller) if posted.text(TOKEN) == form_token(&caller.cookie) => Ok(posted),
            _ => {
                let text = "This form is not from a page that you were given. Load the page again.\n\
                     此表单并非来自您打开的页面，请重新载入页面。\n";
                Err((StatusCode::FORBIDDEN, text).into_response())
            }
        }
    }
}

/// The caller of a request, for handlers.
pub type Known = Extension<Caller>;
