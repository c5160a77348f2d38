//! The numbers of blindsteep, and nothing else: slices and plain structs in, plain structs out.
//!
//! Nothing here reads a file, looks at a clock or prints, and nothing knows what a tea or a table
//! is. Every public function says what it returns, by which formula, and who published it; its
//! tests compare it with numbers from elsewhere. From the ground up:
//!
//! * [`dist`]: tails and quantiles of the usual distributions.
//! * [`range`]: the studentized range, for all pairs at once.
//! * [`mixed`]: linear mixed models, the ground of most questions.

pub mod dist;
pub mod mixed;
pub mod range;
mod special;
