//! The numbers of `blindsteep-stats` against published and independently computed ones.
//! The cases lie in tests/data; its README names the source of each.

mod agreement;
mod anova;
mod cases;
mod invented;
mod mixed;
mod multiplicity;
mod ranges;
mod tasters;
