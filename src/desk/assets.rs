//! Styles and scripts, held in the program itself.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use crate::book::store;
use crate::plots::font;

/// Name, kind and text of each file.
const FILES: [(&str, &str, &str); 10] = [
    ("base.css", "text/css; charset=utf-8", include_str!("assets/base.css")),
    ("desk.css", "text/css; charset=utf-8", include_str!("assets/desk.css")),
    ("desk.js", "text/javascript; charset=utf-8", include_str!("assets/desk.js")),
    ("record.css", "text/css; charset=utf-8", include_str!("assets/record.css")),
    ("record.js", "text/javascript; charset=utf-8", include_str!("assets/record.js")),
    ("clock.css", "text/css; charset=utf-8", include_str!("assets/clock.css")),
    ("clock.js", "text/javascript; charset=utf-8", include_str!("assets/clock.js")),
    ("ballot.css", "text/css; charset=utf-8", include_str!("assets/ballot.css")),
    ("ballot.js", "text/javascript; charset=utf-8", include_str!("assets/ballot.js")),
    ("join.js", "text/javascript; charset=utf-8", include_str!("assets/join.js")),
];

/// The address of a file. It changes with the text, so that no browser shows an old one.
#[must_use]
pub fn address(name: &str) -> String {
    let text = FILES.iter().find(|f| f.0 == name).map_or("", |f| f.2);
    format!("/assets/{name}?v={}", &store::digest(text.as_bytes())[..12])
}

/// Serves a file.
pub async fn serve(Path(name): Path<String>) -> Response {
    if name == "face.otf" {
        let kind = [(header::CONTENT_TYPE, "font/otf"), (header::CACHE_CONTROL, KEEP)];
        return (kind, font::BYTES).into_response();
    }
    match FILES.iter().find(|f| f.0 == name) {
        Some((_, kind, text)) => {
            ([(header::CONTENT_TYPE, *kind), (header::CACHE_CONTROL, KEEP)], *text).into_response()
        }
        None => (StatusCode::NOT_FOUND, "there is no such file\n").into_response(),
    }
}

const KEEP: &str = "public, max-age=31536000, immutable";
