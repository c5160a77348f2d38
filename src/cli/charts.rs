//! Writing charts of a finding into a folder.

use std::io::Write as _;
use std::path::Path;

use clap::ValueEnum;

use super::Failure;
use crate::book::store;
use crate::plots::{Lang, PlotError};
use crate::scores::Scores;
use crate::views::charts::{Chart, Words};

/// The language of charts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum Language {
    /// English
    #[default]
    En,
    /// Simplified Chinese
    Zh,
}

/// What charts call the terms that were scored.
pub fn words(scores: &Scores, language: Language) -> Words {
    let (lang, key) = match language {
        Language::En => (Lang::En, "en"),
        Language::Zh => (Lang::Zh, "zh"),
    };
    let terms = scores.terms().iter().map(|t| {
        let ends = t.end_words.get(key).or_else(|| t.end_words.get("en"));
        let ends = ends.map(|[low, high]| (low.clone(), high.clone()));
        (t.id.clone(), (t.labels.or(key, &t.id).to_owned(), ends))
    });
    Words { lang, terms: terms.collect() }
}

/// Writes each chart into a folder, which is made if it is not there; a chart of an earlier run
/// is replaced. Nothing is written unless all can be drawn.
///
/// # Errors
/// If a chart cannot be drawn, or the disk refuses.
pub fn write(dir: &Path, charts: &Result<Vec<Chart>, PlotError>) -> Result<(), Failure> {
    let charts = match charts {
        Ok(charts) => charts,
        Err(e @ PlotError::MissingGlyphs(_)) => return Err(Failure::Records(e.to_string())),
        // The answer itself stands all the same.
        Err(e @ PlotError::Empty { .. }) => {
            let _ = writeln!(std::io::stderr(), "no chart was drawn: {e}");
            return Ok(());
        }
        Err(e) => return Err(Failure::Ours(e.to_string())),
    };
    std::fs::create_dir_all(dir).map_err(store::io("make the folder", dir))?;
    for chart in charts {
        store::replace(&dir.join(&chart.file), &chart.svg, None)?;
    }
    Ok(())
}
