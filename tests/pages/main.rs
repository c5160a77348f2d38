//! Charts and printed sheets: what a person sees on them.
//!
//! All lots, names and numbers here are invented. Each test leaves its charts and sheets in
//! `target/tmp/pages`, so that they can be looked at.

mod age_pages;
mod charts;
mod chinese;
mod finding_pages;
mod lot_sheet;
mod lots;
mod palette;
mod papers;
mod samples;
mod sheets;
mod svg;
mod work_sheet;
