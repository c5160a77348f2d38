//! What each taster does well and what to practise next, from the same numbers as `agree`:
//! duplicates and replicates, the others on the same cups, and swaps. A page speaks of its own
//! taster alone; there is no order among tasters.

use schemars::JsonSchema;
use serde::Serialize;

use super::agree::{Agree, TermOfPanel};
use super::habits::{NamedSwap, TasterInTerm, TasterOverall};
use super::{Answer, Estimate};
use crate::scores::ScaleKind;

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Practice {
    /// "practice/1".
    pub schema: String,
    /// Sessions, or the table.
    pub source: Vec<String>,
    /// Whether there are so few tasters that nobody can say who is off.
    pub individual_opinions: bool,
    /// Coverage of the intervals.
    pub level: f64,
    /// One page a taster.
    pub pages: Vec<Page>,
}

/// One taster's page.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Page {
    /// The taster.
    pub taster: String,
    /// Scores shared with at least one other.
    pub n_scores: usize,
    /// Lots of those.
    pub n_lots: usize,
    /// What goes well; never empty.
    pub well: Vec<Point>,
    /// What to practise next, the first first; never empty.
    pub next: Vec<Point>,
}

/// Something that goes well or is to be practised, with its numbers.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Point {
    /// Own scores tell the lots apart where the panel does.
    TellsApart {
        /// The terms.
        terms: Vec<String>,
        /// Terms in which the panel tells the lots apart and the taster has repeats.
        of: usize,
    },
    /// Repeats lie together.
    Repeats {
        /// Standard deviation of own repeats.
        sd: Estimate,
        /// Over the others'.
        ratio: Estimate,
    },
    /// Uses as much of the scale as the others.
    Width {
        /// Points to one of the others.
        slope: Estimate,
    },
    /// Sits at the others' level.
    Level {
        /// Points above the others.
        offset: Estimate,
    },
    /// Took part.
    TookPart,
    /// Two words swapped.
    Swapped {
        /// The swap.
        #[serde(flatten)]
        swap: NamedSwap,
    },
    /// High where the others are low.
    Crossed {
        /// The term.
        term: String,
        /// Correlation with the others.
        r: Answer<Estimate>,
    },
    /// Repeats lie apart.
    Noisy {
        /// Standard deviation of own repeats.
        sd: Estimate,
        /// Over the others'.
        ratio: Estimate,
    },
    /// Uses less of the scale.
    Narrow {
        /// Points to one of the others.
        slope: Estimate,
    },
    /// Uses more of the scale.
    Wide {
        /// Points to one of the others.
        slope: Estimate,
    },
    /// Does not follow the others.
    Unrelated {
        /// Points to one of the others.
        slope: Estimate,
    },
    /// Gives the cups of a term one and the same score.
    OneScore,
    /// Scores higher or lower.
    Offset {
        /// Points above the others.
        offset: Estimate,
    },
    /// Moves against the others.
    Drift {
        /// Points a month.
        per_month: Estimate,
    },
    /// Does not tell the lots apart where the panel does.
    NotTold {
        /// The terms, the highest p first.
        terms: Vec<String>,
        /// The lowest of their p-values.
        p_above: f64,
    },
    /// Nothing stands out.
    KeepOn,
}

/// The most points to practise at once.
const AT_ONCE: usize = 3;

/// A taster does not tell lots apart above this p-value; the limit of `agree --monitor`.
const NOT_TOLD: f64 = 0.1;

/// The pages of an answer to "do the tasters agree?".
#[must_use]
pub fn practice(f: &Agree) -> Practice {
    let pages = match f.habits.known() {
        Some(h) => h.tasters.iter().map(|t| page(t, &h.swaps, &f.terms)).collect(),
        None => Vec::new(),
    };
    Practice {
        schema: "practice/1".to_owned(),
        source: f.source.names.clone(),
        individual_opinions: f.individual_opinions,
        level: f.settings.level,
        pages,
    }
}

fn page(t: &TasterOverall, swaps: &[NamedSwap], terms: &[TermOfPanel]) -> Page {
    // Own tests, only where the panel tells the lots apart, and only of words on a line: nobody is
    // sent to practise on faults such as mould.
    let own: Vec<(&str, &TasterInTerm, f64)> = terms
        .iter()
        .filter(|x| x.panel.scale == ScaleKind::Line)
        .filter(|x| x.panel.discriminates.known() == Some(&true))
        .filter_map(|x| {
            let own = x.tasters.known()?.iter().find(|o| o.taster == t.taster)?;
            Some((x.panel.term.as_str(), own, own.discrimination.known()?.p_value))
        })
        .collect();
    Page {
        taster: t.taster.clone(),
        n_scores: t.n_scores,
        n_lots: t.n_lots,
        well: well(t, &own),
        next: next(t, swaps, &own, terms),
    }
}

fn has(t: &TasterOverall, kinds: &[&str]) -> bool {
    t.habits.iter().any(|h| kinds.contains(&h.kind.as_str()))
}

fn well(t: &TasterOverall, own: &[(&str, &TasterInTerm, f64)]) -> Vec<Point> {
    let mut all = Vec::new();
    let told: Vec<String> =
        own.iter().filter(|o| o.2 <= NOT_TOLD).map(|o| o.0.to_owned()).collect();
    if !told.is_empty() {
        all.push(Point::TellsApart { terms: told, of: own.len() });
    }
    if let (Some(sd), Some(ratio)) = (t.noise.known(), t.noise_ratio.known())
        && ratio.lower <= 1.0
        && ratio.value <= 1.1
    {
        all.push(Point::Repeats { sd: *sd, ratio: *ratio });
    }
    let narrow_interval = |e: &Estimate, most: f64| e.upper - e.lower <= most;
    if let Some(slope) = t.slope.known().filter(|e| !e.excludes(1.0) && narrow_interval(e, 0.8)) {
        all.push(Point::Width { slope: *slope });
    }
    if let Some(offset) = t.offset.known().filter(|e| !e.excludes(0.0) && narrow_interval(e, 1.0)) {
        all.push(Point::Level { offset: *offset });
    }
    if all.is_empty() {
        all.push(Point::TookPart);
    }
    all
}

fn next(
    t: &TasterOverall,
    swaps: &[NamedSwap],
    own: &[(&str, &TasterInTerm, f64)],
    terms: &[TermOfPanel],
) -> Vec<Point> {
    let mut all: Vec<Point> = swaps
        .iter()
        .filter(|s| s.taster == t.taster)
        .map(|s| Point::Swapped { swap: s.clone() })
        .collect();
    for habit in t.habits.iter().filter(|h| h.kind == "crossed") {
        for term in &habit.terms {
            let r = terms
                .iter()
                .find(|x| x.panel.term == *term)
                .and_then(|x| x.tasters.known()?.iter().find(|o| o.taster == t.taster))
                .map_or_else(
                    || Answer::unknown("the term has no table of tasters"),
                    |o| o.correlation.clone(),
                );
            all.push(Point::Crossed { term: term.clone(), r });
        }
    }
    if has(t, &["noisy"])
        && let (Some(sd), Some(ratio)) = (t.noise.known(), t.noise_ratio.known())
    {
        all.push(Point::Noisy { sd: *sd, ratio: *ratio });
    }
    // A slope that is 0 without limits: the taster's scores of a term are all one.
    if t.slope.known().is_none() && has(t, &["unrelated"]) {
        all.push(Point::OneScore);
    }
    if let Some(slope) = t.slope.known().copied() {
        if has(t, &["unrelated", "against"]) {
            all.push(Point::Unrelated { slope });
        }
        if has(t, &["narrow"]) {
            all.push(Point::Narrow { slope });
        }
        if has(t, &["wide"]) {
            all.push(Point::Wide { slope });
        }
    }
    if let Some(offset) = t.offset.known().filter(|_| has(t, &["offset"])) {
        all.push(Point::Offset { offset: *offset });
    }
    if let Some(drift) = t.drift.known().filter(|_| has(t, &["drift"])) {
        all.push(Point::Drift { per_month: *drift });
    }
    // Terms of a swap are practised as such.
    let swapped = |term: &str| {
        swaps.iter().any(|s| s.taster == t.taster && s.terms.iter().any(|x| x == term))
    };
    let mut missed: Vec<(&str, f64)> =
        own.iter().filter(|o| o.2 > NOT_TOLD && !swapped(o.0)).map(|o| (o.0, o.2)).collect();
    missed.sort_by(|a, b| b.1.total_cmp(&a.1));
    missed.truncate(3);
    if let Some(last) = missed.last() {
        let p_above = last.1;
        let terms = missed.iter().map(|m| m.0.to_owned()).collect();
        all.push(Point::NotTold { terms, p_above });
    }
    all.truncate(AT_ONCE);
    if all.is_empty() {
        all.push(Point::KeepOn);
    }
    all
}
