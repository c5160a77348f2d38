//! What a finding looks like: terminal text, JSON, charts. A view computes nothing but places.

pub mod age;
pub mod agree;
pub mod calendar;
pub mod charts;
pub mod compare;
mod compare_parts;
pub mod difference;
pub mod due;
pub mod holes;
pub mod json;
pub mod kept_text;
pub mod link;
mod link_many;
pub mod lot_text;
pub mod monitor;
pub mod pages;
pub mod papers;
pub mod planned;
pub mod ranking;
mod taster_model;
pub(crate) mod text;
pub mod trial;
