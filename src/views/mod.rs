//! What a finding looks like: terminal text, JSON, charts. A view computes nothing but places.

pub mod age;
pub mod agree;
pub mod charts;
pub mod compare;
mod compare_parts;
pub mod json;
pub mod link;
pub(crate) mod text;
