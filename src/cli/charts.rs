//! Writing charts of a finding into a folder.

use std::io::Write as _;
use std::path::Path;

use clap::ValueEnum;

use super::Failure;
use crate::book::store;
use crate::plots::{Lang, PlotError};
use crate::views::charts::Chart;

/// The language of charts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum Language {
    /// English
    #[default]
    En,
    /// Simplified Chinese
    Zh,
}

impl From<Language> for Lang {
    fn from(language: Language) -> Self {
        match language {
            Language::En => Self::En,
            Language::Zh => Self::Zh,
        }
    }
}

/// Charts that could be drawn; where there was nothing to draw none, which is said.
///
/// # Errors
/// If a chart cannot be drawn.
pub fn drawn(charts: Result<Vec<Chart>, PlotError>) -> Result<Vec<Chart>, Failure> {
    match charts {
        Ok(charts) => Ok(charts),
        Err(e @ PlotError::MissingGlyphs(_)) => Err(Failure::Records(e.to_string())),
        // The answer itself stands all the same.
        Err(PlotError::Empty { chart, expected }) => {
            let _ = writeln!(
                std::io::stderr(),
                "no chart was drawn of \"{chart}\": it takes at least one {expected}"
            );
            Ok(Vec::new())
        }
        Err(e) => Err(Failure::Ours(e.to_string())),
    }
}

/// Writes each chart into a folder, which is made if it is not there; a chart of an earlier run
/// is replaced. Nothing is written unless all can be drawn.
///
/// # Errors
/// If a chart cannot be drawn, or the disk refuses.
pub fn write(dir: &Path, charts: Result<Vec<Chart>, PlotError>) -> Result<(), Failure> {
    let charts = drawn(charts)?;
    if charts.is_empty() {
        return Ok(());
    }
    std::fs::create_dir_all(dir).map_err(store::io("make the folder", dir))?;
    for chart in charts {
        store::replace(&dir.join(&chart.file), &chart.svg, None)?;
    }
    Ok(())
}
