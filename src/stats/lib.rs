//! The numbers of blindsteep, and nothing else: slices and plain structs in, plain structs out.
//!
//! Nothing here reads a file, looks at a clock or prints, and nothing knows what a tea or a table
//! is. Every public function says what it returns, by which formula, and who published it; its
//! tests compare it with numbers from elsewhere. From the ground up:
//!
//! * [`dist`]: tails and quantiles of the usual distributions.
//! * [`range`]: the studentized range, for all pairs at once.
//! * [`rng`]: seeded random streams, one a replicate.
//! * [`multiple`]: adjusted p-values, letters.
//! * [`anova`]: classical analysis of variance.
//! * [`normality`]: do numbers look normal?
//! * [`mixed`]: linear mixed models, the ground of most questions.
//! * [`icc`], [`kendall`], [`alpha`], [`ticks`]: agreement of a panel.
//! * [`tasters`]: each taster against the others.
//! * [`links`], [`permute`]: what moves together, and what the scores follow.

pub mod alpha;
pub mod anova;
mod assessor;
pub mod dist;
pub mod icc;
pub mod kendall;
mod least_squares;
pub mod links;
pub mod mixed;
pub mod multiple;
pub mod normality;
pub mod permute;
pub mod range;
pub mod rng;
mod special;
pub mod tasters;
pub mod ticks;
