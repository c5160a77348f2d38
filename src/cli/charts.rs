//! Writing charts of a finding into a folder.

use std::path::Path;

use super::Failure;
use crate::book::store;
use crate::plots::PlotError;
use crate::views::charts::Chart;

/// Writes each chart into a folder, which is made if it is not there; a chart of an earlier run
/// is replaced. Nothing is written unless all can be drawn.
///
/// # Errors
/// If a chart cannot be drawn, or the disk refuses.
pub fn write(dir: &Path, charts: &Result<Vec<Chart>, PlotError>) -> Result<(), Failure> {
    let charts = match charts {
        Ok(charts) => charts,
        Err(e @ PlotError::MissingGlyphs(_)) => return Err(Failure::Records(e.to_string())),
        Err(e @ PlotError::Empty { .. }) => return Err(Failure::Command(e.to_string())),
        Err(e) => return Err(Failure::Ours(e.to_string())),
    };
    std::fs::create_dir_all(dir).map_err(store::io("make the folder", dir))?;
    for chart in charts {
        store::replace(&dir.join(chart.file), &chart.svg, None)?;
    }
    Ok(())
}
