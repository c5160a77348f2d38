//! A form as it was sent, once it is known to be from a page of ours.

use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Form, RequestExt as _};

use super::doors::form_token;
use super::guard::Caller;

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
                let text =
                    "This form is not from a page that you were given. Load the page again.\n";
                Err((StatusCode::FORBIDDEN, text).into_response())
            }
        }
    }
}

/// The caller of a request, for handlers.
pub type Known = Extension<Caller>;
