//! Findings as pages: one HTML file each, which fetches nothing.

mod link;

pub use link::link;
