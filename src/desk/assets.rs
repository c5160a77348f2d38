//! Styles and scripts, held in the program itself.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use crate::book::store;
use crate::plots::font;

/// Name, kind and text of a file.
type File = (&'static str, &'static str, &'static str);

const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

macro_rules! files {
    ($($kind:ident $name:literal),* $(,)?) => {
        &[$(($name, $kind, include_str!(concat!("assets/", $name)))),*]
    };
}

const FILES: &[File] = files![
    CSS "base.css",
    CSS "desk.css",
    CSS "questions.css",
    CSS "ballot.css",
    SCRIPT "desk.js",
    SCRIPT "join.js",
    SCRIPT "joining.js",
    SCRIPT "ballot-words.js",
    SCRIPT "ballot-keep.js",
    SCRIPT "ballot-scales.js",
    SCRIPT "ballot-screens.js",
    SCRIPT "ballot-timers.js",
    SCRIPT "ballot.js",
    CSS "panel.css",
    SCRIPT "panel.js",
    CSS "record.css",
    SCRIPT "record.js",
    CSS "clock.css",
    SCRIPT "clock.js",
];

/// How findings look, in files of their own and here.
const FINDING: File = ("finding.css", CSS, crate::views::pages::STYLE);

fn found(name: &str) -> Option<&'static File> {
    FILES.iter().chain([&FINDING]).find(|f| f.0 == name)
}

/// The address of a file. It changes with the text, so that no browser shows an old one.
#[must_use]
pub fn address(name: &str) -> String {
    let text = found(name).map_or("", |f| f.2);
    format!("/assets/{name}?v={}", &store::digest(text.as_bytes())[..12])
}

/// Serves a file.
pub async fn serve(Path(name): Path<String>) -> Response {
    if name == "face.otf" {
        let kind = [(header::CONTENT_TYPE, "font/otf"), (header::CACHE_CONTROL, KEEP)];
        return (kind, font::BYTES).into_response();
    }
    match found(&name) {
        Some((_, kind, text)) => {
            ([(header::CONTENT_TYPE, *kind), (header::CACHE_CONTROL, KEEP)], *text).into_response()
        }
        None => (StatusCode::NOT_FOUND, "there is no such file\n").into_response(),
    }
}

const KEEP: &str = "public, max-age=31536000, immutable";
