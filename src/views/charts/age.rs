//! Courses as charts.

use super::{Chart, Words};
use crate::findings::age::Age;
use crate::plots::PlotError;

/// Nothing yet.
///
/// # Errors
/// None.
pub fn age(_: &Age, _: &Words) -> Result<Vec<Chart>, PlotError> {
    Ok(Vec::new())
}
