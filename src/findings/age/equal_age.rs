//! Lots of different years at equal age, set beside one another through the references.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::Serialize;

use super::super::cell_model::Weights;
use super::super::term_comparison::{LevelNumbers, level};
use super::super::{Answer, count};
use super::Change;
use super::courses::{Asking, Told};
use super::served::Followed;
use super::sums::{asked, joined, mean};
use crate::scores::ScaleKind;

/// Ages count as equal within so many months,
const TOLERANCE: f64 = 1.0;
/// or within this share of the lower one.
const SHARE: f64 = 0.25;

/// Lots of different years at equal age.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Years {
    /// Which ages count as equal.
    pub rule: String,
    /// Differences of years that were asked; their q-values are adjusted among them.
    pub n_asked: usize,
    /// By class of tea, store and age.
    pub ages: Vec<EqualAge>,
}

/// Lots of one class and one kind of store at one age.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct EqualAge {
    /// The class of tea, if it is recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// The arm, where lots were split.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arm: Option<String>,
    /// The youngest of them, in months.
    pub from_month: f64,
    /// The oldest.
    pub to_month: f64,
    /// The lots of each year.
    pub years: Vec<OfYear>,
    /// Term by term.
    pub terms: Vec<YearTerm>,
}

/// The lots of a year.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OfYear {
    /// The year in which they were made.
    pub year: i16,
    /// The lots.
    pub lots: Vec<String>,
    /// Their mean age, in months.
    pub mean_month: f64,
}

/// The years in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct YearTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// The mean of each year's lots, the reference held constant.
    pub levels: Vec<YearLevel>,
    /// Each year less the one before it in this list.
    pub differences: Vec<YearDifference>,
}

/// The level of a year's lots.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct YearLevel {
    /// The year.
    pub year: i16,
    /// Lots scored in this term.
    pub n_lots: usize,
    /// Their mean, the reference held constant.
    pub level: Answer<LevelNumbers>,
}

/// A year less an earlier one: of these lots, not of such years.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct YearDifference {
    /// The later year.
    pub year: i16,
    /// The earlier.
    pub less: i16,
    /// The difference of the means of these lots.
    pub difference: Answer<Change>,
}

/// A tasting by which a lot stands for an age.
struct Entry<'a> {
    sample: usize,
    lot: &'a str,
    year: i16,
    month: f64,
    session: &'a str,
}

/// What lots must share to be compared.
type Kind<'a> = (Option<&'a String>, Option<&'a String>, usize);

/// How far above the lower age another still counts as equal.
fn up_to(lowest: f64) -> f64 {
    lowest + TOLERANCE.max(SHARE * lowest)
}

impl Asking<'_> {
    /// Lots of different years at equal age.
    #[must_use]
    pub fn years(&self, followed: &[Followed], told: &[Told]) -> Answer<Years> {
        if let Answer::Unknown(u) = self.places.references {
            return Answer::unknown(format!(
                "lots of different years were tasted in different sessions: {}",
                u.reason
            ));
        }
        if followed.iter().all(|f| f.time.year.is_none()) {
            return Answer::unknown("it is not recorded in which years the lots were made");
        }
        let mut kinds: BTreeMap<Kind<'_>, Vec<Entry<'_>>> = BTreeMap::new();
        for (sample, (f, t)) in followed.iter().zip(told).enumerate() {
            let (Some(year), Some(anchor)) = (f.time.year, t.anchor) else { continue };
            let kind = (f.time.class.as_ref(), f.time.arm.as_ref(), anchor);
            for x in t.sample.tastings.iter() {
                // What was tasted before a split stands for the lot that was not split yet.
                let is_own = x.sample == f.sample;
                if x.pooled.known().is_some() && x.reference.known().is_some() && is_own {
                    kinds.entry(kind).or_default().push(Entry {
                        sample,
                        lot: &f.time.lot,
                        year,
                        month: x.month,
                        session: &x.session,
                    });
                }
            }
        }
        let mut ages = Vec::new();
        for ((class, arm, anchor), mut entries) in kinds {
            entries.sort_by(|a, b| a.month.total_cmp(&b.month).then(a.sample.cmp(&b.sample)));
            let mut rest = entries.as_slice();
            while let Some(first) = rest.first() {
                let limit = up_to(first.month);
                let n = rest.iter().take_while(|e| e.month <= limit).count();
                let (own, later) = rest.split_at(n);
                if let Some(age) = self.at_age(own, told, anchor) {
                    ages.push(EqualAge { class: class.cloned(), arm: arm.cloned(), ..age });
                }
                rest = later;
            }
        }
        Answer::Known(Years {
            rule: format!(
                "ages that differ by up to {TOLERANCE} month or {:.0} of 100 of the lower one, whichever \
                 is more; each lot by its tasting nearest to their mean",
                100.0 * SHARE
            ),
            n_asked: 0,
            ages,
        })
    }

    /// One age; none if it holds lots of one year only.
    fn at_age(&self, entries: &[Entry<'_>], told: &[Told], anchor: usize) -> Option<EqualAge> {
        let centre = entries.iter().map(|e| e.month).sum::<f64>() / entries.len() as f64;
        let mut nearest: BTreeMap<&str, &Entry<'_>> = BTreeMap::new();
        for e in entries {
            let far = |e: &Entry<'_>| (e.month - centre).abs();
            let known = nearest.entry(e.lot).or_insert(e);
            if far(e) < far(known) {
                *known = e;
            }
        }
        let entries: Vec<&Entry<'_>> = nearest.into_values().collect();
        let years: BTreeSet<i16> = entries.iter().map(|e| e.year).collect();
        if years.len() < 2 {
            return None;
        }
        let of = |year: i16| entries.iter().filter(move |e| e.year == year);
        let extreme =
            |pick: fn(f64, f64) -> f64, from: f64| entries.iter().map(|e| e.month).fold(from, pick);
        Some(EqualAge {
            class: None,
            arm: None,
            from_month: extreme(f64::min, f64::INFINITY),
            to_month: extreme(f64::max, f64::NEG_INFINITY),
            years: years
                .iter()
                .map(|year| OfYear {
                    year: *year,
                    lots: of(*year).map(|e| e.lot.to_owned()).collect(),
                    mean_month: of(*year).map(|e| e.month).sum::<f64>() / of(*year).count() as f64,
                })
                .collect(),
            terms: (0..self.terms.len())
                .map(|at| self.year_term(at, &entries, told, (&years, anchor)))
                .collect(),
        })
    }

    fn year_term(
        &self,
        at: usize,
        entries: &[&Entry<'_>],
        told: &[Told],
        (years, anchor): (&BTreeSet<i16>, usize),
    ) -> YearTerm {
        let t = &self.terms[at];
        let model = &t.term.model;
        let sums = |year: i16| -> Vec<Weights> {
            let own = entries.iter().filter(|e| e.year == year);
            own.filter_map(|e| {
                let behind = &told[e.sample].behind[at];
                behind.points.iter().find(|p| p.session == e.session)?.beside.clone()
            })
            .collect()
        };
        let means: Vec<(i16, usize, Answer<Weights>)> = years
            .iter()
            .map(|year| {
                let own = sums(*year);
                let sum = model.as_ref().and_then(|_| {
                    if own.is_empty() {
                        Answer::unknown("no lot of this year was scored in this term")
                    } else {
                        Answer::Known(mean(&own))
                    }
                });
                (*year, own.len(), sum)
            })
            .collect();
        let held = self.held(&t.net, anchor);
        YearTerm {
            term: t.term.scores.term.id.clone(),
            scale: t.term.scores.term.scale,
            levels: means
                .iter()
                .map(|(year, n_lots, sum)| YearLevel {
                    year: *year,
                    n_lots: *n_lots,
                    level: sum.as_ref().and_then(|sum| {
                        held.as_ref().and_then(|held| {
                            model.as_ref().and_then(|m| {
                                let whole = joined(&[(sum, 1.0), (held, 1.0)]);
                                level(&m.family(&[whole]).contrast(&[1.0], self.level))
                            })
                        })
                    }),
                })
                .collect(),
            differences: means
                .windows(2)
                .map(|pair| YearDifference {
                    year: pair[1].0,
                    less: pair[0].0,
                    difference: pair[1].2.as_ref().and_then(|later| {
                        pair[0].2.as_ref().and_then(|earlier| {
                            asked(model, &joined(&[(later, 1.0), (earlier, -1.0)]), self.level)
                        })
                    }),
                })
                .collect(),
        }
    }
}

impl Years {
    /// The differences that were asked.
    pub fn differences_mut(&mut self) -> Vec<&mut Change> {
        self.ages
            .iter_mut()
            .flat_map(|a| &mut a.terms)
            .flat_map(|t| &mut t.differences)
            .filter_map(|d| match &mut d.difference {
                Answer::Known(c) => Some(c),
                Answer::Unknown(_) => None,
            })
            .collect()
    }

    /// What can be said of them.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut all: Vec<String> = Vec::new();
        for age in &self.ages {
            let store = age.arm.as_ref().map_or_else(String::new, |arm| format!(" ({arm})"));
            let pairs = age.years.windows(2);
            for pair in pairs {
                let known: Vec<(&str, &Change)> = age
                    .terms
                    .iter()
                    .filter_map(|t| {
                        let d = t.differences.iter().find(|d| d.year == pair[1].year)?;
                        Some((t.term.as_str(), d.difference.known()?))
                    })
                    .collect();
                let (youngest, oldest) =
                    (format!("{:.0}", age.from_month), format!("{:.0}", age.to_month));
                let at = match oldest.as_str() {
                    "1" if youngest == oldest => "1 month".to_owned(),
                    _ if youngest == oldest => format!("{oldest} months"),
                    _ => format!("{youngest} to {oldest} months"),
                };
                let span = format!(
                    "Made in {} less {}, at {at}{store}, {} and {}",
                    pair[1].year,
                    pair[0].year,
                    count(pair[1].lots.len(), "lot", "lots"),
                    count(pair[0].lots.len(), "lot", "lots"),
                );
                all.extend(super::words::in_one(&span, &known, "difference"));
            }
        }
        if all.is_empty() {
            return vec!["No lots of different years were tasted at equal age.".to_owned()];
        }
        all.push(
            "What years differ by here is what these lots differ by: of other lots of these years it says \
             nothing."
                .to_owned(),
        );
        all
    }
}
