//! The questions at the desk: the same findings as the commands, with their charts.

use axum::Router;

use super::Shared;

/// The pages of the questions.
pub fn routes() -> Router<Shared> {
    Router::new()
}
