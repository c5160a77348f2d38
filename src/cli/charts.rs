//! Writing charts of a finding into a folder.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

use clap::ValueEnum;

use super::Failure;
use crate::book::parameters::Parameters;
use crate::book::store;
use crate::plots::{Lang, PlotError};
use crate::scores::Scores;
use crate::sheets::lot::SEASONS;
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
    let (lang, key) = keys(language);
    let terms = scores.terms().iter().map(|t| {
        let ends = t.end_words.get(key).or_else(|| t.end_words.get("en"));
        let ends = ends.map(|[low, high]| (low.clone(), high.clone()));
        (t.id.clone(), (t.labels.or(key, &t.id).to_owned(), ends))
    });
    Words { lang, terms: terms.collect(), ..Words::default() }
}

fn keys(language: Language) -> (Lang, &'static str) {
    match language {
        Language::En => (Lang::En, "en"),
        Language::Zh => (Lang::Zh, "zh"),
    }
}

/// What the program itself calls what it works out, and what a lot is.
const OWN_NAMES: [(&str, &str, &str); 15] = [
    ("derived.mass-loss", "mass lost from fresh leaf", "鲜叶失重率"),
    ("derived.wither-moisture", "moisture of the withered leaf", "萎凋叶含水率"),
    ("derived.moisture", "moisture of the made tea", "成茶含水率"),
    ("derived.wither-loss", "mass lost in withering", "萎凋失重率"),
    ("derived.wither-rate", "mass lost in withering an hour", "萎凋每小时失重率"),
    ("derived.wither-load", "leaf on a square metre", "每平方米摊叶量"),
    ("derived.press-minutes", "rolling under pressure", "加压揉捻时间"),
    ("derived.press-cycles", "times pressed and released", "加压次数"),
    ("derived.oxidation-hours", "oxidation, roll to drier", "揉捻至干燥时间"),
    ("derived.oxidation-dose", "dose of oxidation", "发酵剂量"),
    ("lot.season", "season", "季节"),
    ("lot.cultivar", "cultivar", "品种"),
    ("lot.class", "class", "茶类"),
    ("lot.plot", "plot", "地块"),
    ("lot.garden", "garden", "茶园"),
];

/// What charts call the parameters of a book: their labels, with the step where two share one.
pub fn parameter_names(parameters: &Parameters, language: Language) -> BTreeMap<String, String> {
    let (lang, key) = keys(language);
    let mut names = BTreeMap::new();
    for (id, en, zh) in OWN_NAMES {
        names.insert(id.to_owned(), (if lang == Lang::En { en } else { zh }).to_owned());
    }
    if lang == Lang::Zh {
        for (season, zh) in SEASONS {
            names.insert(format!("lot.season={season}"), format!("季节: {zh}"));
        }
    }
    let all = &parameters.parameters;
    for p in all {
        let label = p.label(key);
        let shared = all.iter().filter(|o| o.label(key) == label).count() > 1;
        let name = if shared { format!("{label} ({})", p.step()) } else { label.to_owned() };
        for level in &p.levels {
            let of = format!("{name}: {}", level.labels.or(key, &level.id));
            names.insert(format!("{}={}", p.id, level.id), of);
        }
        names.insert(p.id.clone(), name);
    }
    names
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
        Err(e @ PlotError::Empty { .. }) => {
            let _ = writeln!(std::io::stderr(), "no chart was drawn: {e}");
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
