//! Blind cupping for small tea makers and the panels that taste for them.
//!
//! Data runs one way: [`book`] is the record on disk; [`session`] plans, seals and reveals blind
//! sessions over it and alone can open a key; [`scores`] turns revealed sessions, or any plain
//! table, into one long table; [`findings`] answer one question each from it with the numbers of
//! `blindsteep_stats`; [`views`], [`plots`] and [`sheets`] show findings as text, JSON, charts
//! and printed pages and compute nothing; [`cli`] is the command, [`desk`] the same in a browser.

pub mod book;
pub mod cli;
pub mod demo;
pub mod desk;
pub mod findings;
pub mod plots;
pub mod scores;
pub mod session;
pub mod sheets;
pub mod views;
