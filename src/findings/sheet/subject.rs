//! Which sample a sheet is of, and when it was tasted.

use std::collections::BTreeSet;
use std::fmt;

use super::{Record, Tasted};
use crate::book::family;
use crate::book::ids;
use crate::book::lots::{Lot, MAIN};
use crate::book::problem::did_you_mean;
use crate::book::time::Day;
use crate::findings::FEW_TASTERS;
use crate::session::{CupScore, Revealed, RevealedCup, Role, Sample};

/// Why there is no sheet.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotIssued {
    /// There is no such lot.
    #[error(
        "there is no lot \"{asked}\"\n  expected: a lot of the book, or LOT@ARM\n  to mend:  {mend}"
    )]
    UnknownLot {
        /// What was asked.
        asked: String,
        /// The nearest that there is.
        mend: String,
    },
    /// The lot was split: each arm has a sheet of its own.
    #[error(
        "{lot} was split into arms that are stored in different ways\n  expected: one of {arms}\n  to mend:  ask for the sheet of one of them, as in `blindsteep sheet {first}`"
    )]
    Split {
        /// The lot.
        lot: String,
        /// Its arms, as samples.
        arms: String,
        /// One of them.
        first: String,
    },
    /// There is no such arm.
    #[error("{lot} has no arm \"{arm}\"\n  expected: {expected}\n  to mend:  {mend}")]
    UnknownArm {
        /// The lot.
        lot: String,
        /// The arm.
        arm: String,
        /// The arms that there are.
        expected: String,
        /// The nearest that there is.
        mend: String,
    },
    /// Nobody scored it yet in a session that is revealed.
    #[error(
        "{sample} has not been tasted in a revealed session\n  expected: scores of at least one revealed session: a sheet says what was found in the cup\n  to mend:  taste it (`session plan`), then `session close` and `session reveal`"
    )]
    NotTasted {
        /// The sample.
        sample: String,
    },
    /// It was tasted before the day on which it was made, as the record has it.
    #[error(
        "{sample} was tasted on {tasted} in {session}, before it was made on {made}\n  expected: a lot that was made before it was tasted: a sheet says how old the tea was\n  to mend:  correct the day in {file}"
    )]
    BeforeMade {
        /// The sample.
        sample: String,
        /// The day of the tasting.
        tasted: Day,
        /// Its session.
        session: String,
        /// The day on which the lot was made.
        made: Day,
        /// The lot's description.
        file: String,
    },
    /// The scores cannot be read.
    #[error("{0}")]
    Scores(String),
}

/// A sample that a sheet is asked of.
#[derive(Debug, Clone)]
pub struct Subject<'a> {
    /// The lot.
    pub lot: &'a Lot,
    /// The arm; "main" if the lot was not split.
    pub arm: String,
}

impl fmt::Display for Subject<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        Sample { lot: self.lot.id.clone(), arm: self.arm.clone() }.fmt(f)
    }
}

/// Finds the sample that LOT or LOT@ARM means.
///
/// # Errors
/// [`NotIssued`] if there is no such lot or arm, or if the lot was split and no arm is named.
pub fn subject<'a>(asked: &str, lots: &'a [Lot]) -> Result<Subject<'a>, NotIssued> {
    let (id, arm) = asked.split_once('@').map_or((asked, None), |(id, arm)| (id, Some(arm)));
    let Some(lot) = lots.iter().find(|l| ids::same(&l.id, id)) else {
        let known = lots.iter().map(|l| l.id.as_str());
        return Err(NotIssued::UnknownLot {
            asked: id.to_owned(),
            mend: did_you_mean(id, known, "`blindsteep lot list` names the lots"),
        });
    };
    let arms = lot.arms();
    let samples: Vec<String> = arms
        .iter()
        .map(|arm| Sample { lot: lot.id.clone(), arm: arm.clone() }.to_string())
        .collect();
    let asked_for_main = arm.is_none_or(|a| ids::same(a, MAIN));
    if asked_for_main && !lot.file.value.arms.is_empty() {
        return Err(NotIssued::Split {
            lot: lot.id.clone(),
            first: samples.first().cloned().unwrap_or_default(),
            arms: samples.join(", "),
        });
    }
    let arm = arm.unwrap_or(MAIN);
    match arms.iter().find(|a| ids::same(a, arm)) {
        Some(arm) => Ok(Subject { lot, arm: arm.clone() }),
        None if lot.file.value.arms.is_empty() => Err(NotIssued::UnknownArm {
            lot: lot.id.clone(),
            arm: arm.to_owned(),
            expected: "no arm: it was not split".to_owned(),
            mend: format!("ask for `blindsteep sheet {}`", lot.id),
        }),
        None => Err(NotIssued::UnknownArm {
            lot: lot.id.clone(),
            arm: arm.to_owned(),
            expected: format!("one of {}", samples.join(", ")),
            mend: did_you_mean(arm, arms.iter().map(String::as_str), "name one of these"),
        }),
    }
}

/// A sample in a session in which somebody scored it.
#[derive(Debug, Clone)]
pub(super) struct Tasting<'a> {
    /// The session.
    pub session: &'a Revealed,
    /// What it was served as.
    pub served_as: Sample,
    /// Whether that is the sample itself, not what it was a part of before.
    pub itself: bool,
    /// Its cups, without warm-up cups.
    pub cups: Vec<&'a RevealedCup>,
    /// The days of its scores.
    pub days: BTreeSet<Day>,
}

impl<'a> Tasting<'a> {
    /// The scores of the sample that count.
    pub fn scores(&self) -> impl Iterator<Item = &'a CupScore> + '_ {
        self.all_scores().filter(|s| s.excluded.is_none())
    }

    fn all_scores(&self) -> impl Iterator<Item = &'a CupScore> + '_ {
        self.session.scores.iter().filter(|s| self.cups.iter().any(|c| c.code == s.cup))
    }
}

/// The sessions in which a sample, or what it was a part of before, was tasted, the last one last.
pub(super) fn tastings<'a>(of: &Subject<'_>, record: &Record<'a>) -> Vec<Tasting<'a>> {
    let history = family::history(of.lot, &of.arm, record.lots);
    let mut all: Vec<Tasting<'a>> = Vec::new();
    for session in record.sessions {
        for (i, stretch) in history.iter().enumerate() {
            let sample = Sample { lot: stretch.lot.clone(), arm: stretch.arm.clone() };
            let cups: Vec<&RevealedCup> = session
                .cups
                .iter()
                .filter(|c| c.role != Role::WarmUp)
                .filter(|c| ids::same(&c.lot, &sample.lot) && ids::same(&c.arm, &sample.arm))
                .collect();
            let mut tasting =
                Tasting { session, served_as: sample, itself: i == 0, cups, days: BTreeSet::new() };
            tasting.days = tasting.scores().map(|s| s.day).collect();
            let in_time =
                tasting.days.last().is_some_and(|d| stretch.until.is_none_or(|u| *d <= u));
            if in_time {
                all.push(tasting);
                break;
            }
        }
    }
    all.sort_by(|a, b| {
        let key = |t: &Tasting<'_>| (t.days.last().copied(), t.session.revealed.timestamp());
        key(a).cmp(&key(b)).then_with(|| a.session.name.cmp(&b.session.name))
    });
    all
}

/// No tea is younger than none: where a tasting lies before the day it was made, one of the two is wrong.
pub(super) fn must_be_made(of: &Subject<'_>, tastings: &[Tasting<'_>]) -> Result<(), NotIssued> {
    let made = of.lot.made();
    let early = tastings.iter().find_map(|t| Some((t, *t.days.first().filter(|d| **d < made)?)));
    match early {
        None => Ok(()),
        Some((tasting, tasted)) => Err(NotIssued::BeforeMade {
            sample: of.to_string(),
            tasted,
            session: tasting.session.name.clone(),
            made,
            file: of.lot.file.file.clone(),
        }),
    }
}

/// Who tasted it, how often, and how blind.
pub(super) fn tasted(of: &Subject<'_>, last: &Tasting<'_>, n_sessions: usize) -> Tasted {
    let session = last.session;
    let tasters: BTreeSet<&str> = last.scores().map(|s| s.taster.as_str()).collect();
    let cups: BTreeSet<u16> = last.scores().map(|s| s.cup).collect();
    let pots: BTreeSet<&str> =
        last.cups.iter().filter(|c| cups.contains(&c.code)).map(|c| c.brew.as_str()).collect();
    let others: BTreeSet<Sample> = session
        .cups
        .iter()
        .filter(|c| c.role != Role::WarmUp)
        .map(|c| Sample { lot: c.lot.clone(), arm: c.arm.clone() })
        .filter(|s| *s != last.served_as)
        .collect();
    let n_answers = last.scores().count();
    Tasted {
        age_months: last.days.last().map_or(0.0, |d| d.months_since(of.lot.made())),
        days: last.days.iter().copied().collect(),
        before_the_split: !last.itself,
        n_sessions,
        n_tasters: tasters.len(),
        individual_opinions: tasters.len() <= FEW_TASTERS,
        n_cups: cups.len(),
        n_pots: pots.len(),
        n_steeps: last.scores().map(|s| s.steep).max().unwrap_or(1),
        n_answers,
        n_left_out: last.all_scores().count() - n_answers,
        n_late_changes: session.changes.iter().filter(|c| c.after_reveal).count(),
        n_others: others.len(),
        reference_served: session.cups.iter().any(|c| {
            c.role == Role::Reference
                && !(c.lot == last.served_as.lot && c.arm == last.served_as.arm)
        }),
        committed_beforehand: session.committed_beforehand,
        key_digest: session.digest.clone(),
        revealed: session.revealed.day(),
    }
}
