//! A trial as it is kept in the book.

use super::Trial;
use crate::book::time::Moment;
use crate::book::trials::{Factor, GivenParameter, Run, TrialFile};

impl Trial {
    /// The file of the trial under a name.
    #[must_use]
    pub fn file(&self, name: &str, planned: Moment) -> TrialFile {
        TrialFile {
            format: 1,
            name: name.to_owned(),
            planned,
            seed: self.settings.seed,
            made_by: self.made_by,
            notes: None,
            lots: self.lots.clone(),
            terms: self.wish.terms.clone(),
            tasters: self.panel.known().and_then(|p| u32::try_from(p.tasters).ok()),
            see_points: Some(self.wish.see),
            factors: self
                .factors
                .iter()
                .map(|p| Factor { parameter: p.parameter.clone(), levels: p.levels.clone() })
                .collect(),
            given: self.given.iter().map(|g| GivenParameter { parameter: g.clone() }).collect(),
            runs: self
                .batches
                .iter()
                .map(|b| Run { run: b.run, day: b.day, settings: b.settings.clone() })
                .collect(),
        }
    }
}
