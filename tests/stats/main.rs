//! The numbers of `blindsteep-stats` against published and independently computed ones.
//! The cases lie in tests/data; its README names the source of each.

#![allow(clippy::unwrap_used)]

mod additive;
mod agreement;
mod alpha_limits;
mod anova;
mod associations;
mod cases;
mod components;
mod courses;
mod designs;
mod discrimination;
mod drifts;
mod dunnett;
mod factorial;
mod honesty;
mod icc_limits;
mod invented;
mod links;
mod mixed;
mod mixed_blocks;
mod mixed_layouts;
mod mixed_searches;
mod multiplicity;
mod net;
mod one_step;
mod optimal;
mod ordinal;
mod pls;
mod pooling;
mod ranges;
mod ranking;
mod small_panels;
mod small_tables;
mod taster_model;
mod tasters;
