//! What is known about the time of samples, on the same axis as the months of the scores.

use std::collections::BTreeMap;

use crate::book::lots::{CameBy, Lot, MAIN};
use crate::book::parameters::Value;
use crate::book::time::{Day, Moment};
use crate::book::{family, ids};
use crate::session::{Revealed, Sample};

/// The moment at which a lot was packed.
const PACKED: &str = "store.packed";
/// The moment at which its pack was opened.
const OPENED: &str = "store.opened";

/// From which moment ages count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum AgesFrom {
    /// The end of drying.
    #[default]
    Made,
    /// The first packing.
    Packed,
    /// The first opening of the pack.
    Opened,
}

impl AgesFrom {
    /// The moments by their names.
    pub const NAMES: [(&'static str, Self); 3] =
        [("made", Self::Made), ("packed", Self::Packed), ("opened", Self::Opened)];

    /// Its name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Made => "made",
            Self::Packed => "packed",
            Self::Opened => "opened",
        }
    }

    /// The parameter that holds the moment; the making is in the lot's description.
    fn parameter(self) -> Option<&'static str> {
        match self {
            Self::Made => None,
            Self::Packed => Some(PACKED),
            Self::Opened => Some(OPENED),
        }
    }

    /// What tells when a lot was made, packed or opened, and where it stands.
    fn told(self, lot: &Lot, day: Day) -> String {
        match self {
            Self::Made => format!("made on {day} (lots/{}/lot.toml, made)", lot.id),
            Self::Packed | Self::Opened => {
                let id = self.parameter().unwrap_or_default();
                format!("{} on {day} (lots/{}/log.csv, {id})", self.name(), lot.id)
            }
        }
    }

    /// The day for an arm of a lot. What came of a split was packed with its parent, unless it says
    /// otherwise itself.
    fn day(self, lot: &Lot, arm: &str, lots: &[Lot]) -> Option<Day> {
        let Some(id) = self.parameter() else { return Some(lot.made()) };
        let first = |lot: &Lot, arm: &str| {
            let moment = |v: &Value| match v {
                Value::Moment(m) => Some(m.day()),
                _ => None,
            };
            lot.history(id, arm).into_iter().filter_map(|v| moment(&v.value)).min()
        };
        first(lot, arm).or_else(|| {
            let stretches = family::history(lot, arm, lots);
            stretches.iter().skip(1).find_map(|s| {
                let found = lots.iter().find(|l| ids::same(&l.id, &s.lot))?;
                let until = s.until.or(stretches.first().and_then(|s| s.until));
                first(found, &s.arm).filter(|day| until.is_none_or(|u| *day <= u))
            })
        })
    }
}

/// What a sample was before it was what it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Before {
    /// The sample as it was served then.
    pub sample: String,
    /// It was this sample in sessions up to this month, the day of the split among them.
    pub until: f64,
}

/// The day before which a tasting of a sample is not one of its ages.
#[derive(Debug, Clone, PartialEq)]
pub struct Earliest {
    /// The month.
    pub month: f64,
    /// What happened then, and where the record says so.
    pub told: String,
}

/// A lot that was fired again.
#[derive(Debug, Clone, PartialEq)]
pub struct Refired {
    /// What it was fired from, as the scores name it.
    pub parent: String,
    /// When, on the months of the scores.
    pub month: f64,
}

/// The time of one sample.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SampleTime {
    /// Its lot.
    pub lot: String,
    /// Its arm, if the lot was split.
    pub arm: Option<String>,
    /// The month from which ages count: that of its making, packing or opening.
    pub made: f64,
    /// What it was before.
    pub before: Vec<Before>,
    /// The month before which it has no age.
    pub earliest: Option<Earliest>,
    /// The year in which it was made.
    pub year: Option<i16>,
    /// The class of tea.
    pub class: Option<String>,
    /// If it came of another lot by firing that again: which.
    pub refired: Option<Refired>,
}

/// The times of all samples. What is not listed is as old as its month says, and was never
/// anything else.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LotTimes {
    /// From where ages count, in words.
    pub clock: String,
    /// By sample, as the scores name it.
    pub samples: BTreeMap<String, SampleTime>,
    /// Samples that have no such moment, and why.
    pub without: BTreeMap<String, String>,
    /// When sessions began, in seconds, for those that lie on one day.
    pub began: BTreeMap<String, i64>,
}

impl LotTimes {
    /// Of a plain table: its months stand for ages.
    #[must_use]
    pub fn of_table(clock: &str) -> Self {
        Self { clock: clock.to_owned(), ..Self::default() }
    }

    /// Of the lots of a book, where month 0 of the scores is `start`; ages count from the making.
    #[must_use]
    pub fn of_lots(lots: &[Lot], start: Day) -> Self {
        Self::counted(lots, start, AgesFrom::Made)
    }

    /// The same, where ages count from another moment.
    #[must_use]
    pub fn counted(lots: &[Lot], start: Day, from: AgesFrom) -> Self {
        let name =
            |lot: &str, arm: &str| Sample { lot: lot.to_owned(), arm: arm.to_owned() }.to_string();
        let mut times = Self {
            clock: match from {
                AgesFrom::Made => "months since the lot was made".to_owned(),
                AgesFrom::Packed => "months since the lot was packed".to_owned(),
                AgesFrom::Opened => "months since the pack was opened".to_owned(),
            },
            ..Self::default()
        };
        for lot in lots {
            for arm in lot.all_arms() {
                let sample = name(&lot.id, &arm);
                let day = from.day(lot, &arm, lots);
                if day.is_none() {
                    times.without.insert(
                        sample.clone(),
                        format!(
                            "its log does not say when it was {}; log it: `blindsteep lot log LOT {} \
                             WHEN`",
                            from.name(),
                            from.parameter().unwrap_or_default()
                        ),
                    );
                }
                let day = day.unwrap_or_else(|| lot.made());
                let before = family::history(lot, &arm, lots).into_iter().filter_map(|s| {
                    let until = s.until?.months_since(start);
                    Some(Before { sample: name(&s.lot, &s.arm), until })
                });
                let file = &lot.file.value;
                let refired = match (file.came_by, file.parents.as_slice()) {
                    (Some(CameBy::Refire), [parent]) => Some(Refired {
                        parent: name(&parent.lot, parent.arm.as_deref().unwrap_or(MAIN)),
                        month: lot.made().months_since(start),
                    }),
                    _ => None,
                };
                let time = SampleTime {
                    lot: lot.id.clone(),
                    before: before.collect(),
                    made: day.months_since(start),
                    arm: Some(arm.clone()).filter(|a| !ids::same(a, MAIN)),
                    earliest: Some(Earliest {
                        month: day.months_since(start),
                        told: from.told(lot, day),
                    }),
                    year: Some(lot.made().0.year()),
                    class: Some(file.class.clone()),
                    refired,
                };
                times.samples.insert(sample, time);
            }
        }
        times
    }

    /// With the moments at which sessions began, so that those of one day have their order.
    #[must_use]
    pub fn with_sessions(mut self, sessions: &[Revealed]) -> Self {
        let second = |m: Moment| m.timestamp().as_second();
        self.began =
            sessions.iter().filter_map(|s| Some((s.name.clone(), second(s.began?)))).collect();
        self
    }

    /// The time of a sample; one that is not listed is named lot or lot@arm.
    #[must_use]
    pub fn of(&self, sample: &str) -> SampleTime {
        self.samples.get(sample).cloned().unwrap_or_else(|| {
            let (lot, arm) = match sample.split_once('@') {
                Some((lot, arm)) => (lot, Some(arm.to_owned())),
                None => (sample, None),
            };
            SampleTime { lot: lot.to_owned(), arm, ..SampleTime::default() }
        })
    }
}
