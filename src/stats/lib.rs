//! The numbers of blindsteep, and nothing else: slices and plain structs in, plain structs out.
//!
//! Nothing here reads a file, looks at a clock or prints, and nothing knows what a tea or a table
//! is. Every public function says what it returns, by which formula, and who published it; its
//! tests compare it with numbers from elsewhere. From the ground up:
//!
//! * [`dist`]: tails and quantiles of the usual distributions.
//! * [`range`]: the studentized range, for all pairs at once; [`dunnett`]: all against one control.
//! * [`rng`]: seeded random streams, one a replicate.
//! * [`multiple`]: adjusted p-values, letters.
//! * [`anova`]: classical analysis of variance.
//! * [`normality`]: do numbers look normal?
//! * [`mixed`]: linear mixed models, the ground of most questions.
//! * [`additive`]: rows and columns with gaps; [`designs`]: incomplete blocks; [`factorial`]: two-level factorials and their fractions; [`optimal`]: exact
//!   designs, from nothing or as additions.
//! * [`discrimination`]: triangles, duo-trios and pairs.
//! * [`icc`], [`kendall`], [`alpha`], [`ticks`], [`kappa`]: agreement of a panel.
//! * [`ordinal`]: cumulative-link mixed models, for ordered levels.
//! * [`ranking`]: samples put in order, in complete and incomplete blocks.
//! * [`tasters`]: each taster against the others.
//! * [`equivalence`], [`effect`]: alike within a margin, and how large a difference is.
//! * [`pca`], [`map`]: principal components, and how surely each point of a map lies where it does.
//! * [`links`], [`association`], [`permute`]: what moves together, and what the scores follow.
//! * [`partial`], [`curves`]: one column's slope beside others, what hangs on each row, and its shape.
//! * [`courses`]: straight, saturating and smooth courses through means that share their errors;
//!   [`largest_t`]: several of them at once; [`natural_spline`].
//! * [`pls`]: what many columns together predict of rows that were left out.

pub mod additive;
pub mod alpha;
pub mod anova;
mod assessor;
pub mod association;
pub mod courses;
pub mod curves;
pub mod designs;
pub mod discrimination;
pub mod dist;
pub mod dunnett;
pub mod effect;
pub mod equivalence;
pub mod factorial;
pub mod icc;
pub mod kappa;
pub mod kendall;
pub mod largest_t;
mod least_squares;
pub mod links;
pub mod map;
pub mod mixed;
pub mod multiple;
pub mod natural_spline;
pub mod normality;
pub mod optimal;
pub mod ordinal;
pub mod partial;
pub mod pca;
pub mod permute;
pub mod pls;
pub mod range;
pub mod ranking;
pub mod rng;
mod special;
mod studentized;
pub mod tasters;
pub mod ticks;
