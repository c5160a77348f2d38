//! What is known about the time of samples, on the same axis as the months of the scores.

use std::collections::BTreeMap;

use crate::book::lots::{Lot, MAIN};
use crate::book::time::Day;
use crate::book::{family, ids};
use crate::session::Sample;

/// What a sample was before it was what it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Before {
    /// The sample as it was served then.
    pub sample: String,
    /// It was this sample in sessions before this month.
    pub until: f64,
}

/// The time of one sample.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SampleTime {
    /// Its lot.
    pub lot: String,
    /// Its arm, if the lot was split.
    pub arm: Option<String>,
    /// The month in which it was made; ages count from here.
    pub made: f64,
    /// What it was before.
    pub before: Vec<Before>,
}

/// The times of all samples. What is not listed is as old as its month says, and was never
/// anything else.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LotTimes {
    /// From where ages count, in words.
    pub clock: String,
    /// By sample, as the scores name it.
    pub samples: BTreeMap<String, SampleTime>,
}

impl LotTimes {
    /// Of a plain table: its months stand for ages.
    #[must_use]
    pub fn of_table(clock: &str) -> Self {
        Self { clock: clock.to_owned(), samples: BTreeMap::new() }
    }

    /// Of the lots of a book, where month 0 of the scores is `start`.
    #[must_use]
    pub fn of_lots(lots: &[Lot], start: Day) -> Self {
        let name =
            |lot: &str, arm: &str| Sample { lot: lot.to_owned(), arm: arm.to_owned() }.to_string();
        let mut samples = BTreeMap::new();
        for lot in lots {
            for arm in lot.all_arms() {
                let before = family::history(lot, &arm, lots).into_iter().filter_map(|s| {
                    let until = s.until?.months_since(start);
                    Some(Before { sample: name(&s.lot, &s.arm), until })
                });
                let time = SampleTime {
                    lot: lot.id.clone(),
                    before: before.collect(),
                    made: lot.made().months_since(start),
                    arm: Some(arm.clone()).filter(|a| !ids::same(a, MAIN)),
                };
                samples.insert(name(&lot.id, &arm), time);
            }
        }
        Self { clock: "months since the lot was made".to_owned(), samples }
    }

    /// The time of a sample; one that is not listed is named lot or lot@arm.
    #[must_use]
    pub fn of(&self, sample: &str) -> SampleTime {
        self.samples.get(sample).cloned().unwrap_or_else(|| {
            let (lot, arm) = match sample.split_once('@') {
                Some((lot, arm)) => (lot, Some(arm.to_owned())),
                None => (sample, None),
            };
            SampleTime { lot: lot.to_owned(), arm, made: 0.0, before: Vec::new() }
        })
    }
}
