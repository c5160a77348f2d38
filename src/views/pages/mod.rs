//! Findings as pages: one HTML file each, which fetches nothing.

mod age;
pub mod age_words;
mod link;
mod parts;

pub use age::age;
pub use link::link;
