//! Mustiness and mould that a panel found: such a lot is to be put into quarantine.

use std::collections::BTreeSet;

use crate::book::fitness::{SAFETY, quarantine};
use crate::book::ids;
use crate::book::lots::Lot;
use crate::book::parameters::QUARANTINE;
use crate::book::session_files::{AnswerState, BallotLine, Flight, SessionFile};
use crate::book::vocabulary::{Scale, Term};

use super::ballots::Ballot;
use super::reveal::Revealed;
use super::sample::Sample;

/// Whether a term asks for mustiness or mould.
pub(super) fn asks_for_mould(term: &Term) -> bool {
    let label = |language: &str| term.labels.0.get(language).map(|l| l.to_lowercase());
    let (id, en, zh) = (term.id.to_lowercase(), label("en"), label("zh"));
    let named = |words: &[&str], text: &str| words.iter().any(|w| text.contains(w));
    matches!(term.scale, Scale::Fault)
        && (named(&["musty", "mould", "mold"], &id)
            || named(&["musty", "mould", "mold"], &en.unwrap_or_default())
            || named(&["霉"], &zh.unwrap_or_default()))
}

/// On a scale of faults: clear.
const CLEAR: f64 = 2.0;

/// The cups of a flight that a taster found clearly musty or mouldy, as the ballot stands now. It says nothing of
/// what is in them.
#[must_use]
pub fn musty_cups(plan: &SessionFile, flight: &Flight, ballot: &Ballot) -> Vec<u16> {
    let asked = |term: &str| plan.term(term).is_some_and(asks_for_mould);
    let clear = |line: &BallotLine| {
        line.state == AnswerState::Scored
            && line.value.as_deref().and_then(|v| v.parse::<f64>().ok()).is_some_and(|v| v >= CLEAR)
    };
    let mut cups: Vec<u16> = ballot
        .answers()
        .filter(|(q, line)| asked(&q.term) && clear(line))
        .map(|(q, _)| q.cup)
        .filter(|cup| flight.order_of(&ballot.taster).contains(cup))
        .collect();
    cups.sort_unstable();
    cups.dedup();
    cups
}

/// A sample that tasters found clearly musty or mouldy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Musty {
    /// The sample.
    pub sample: Sample,
    /// How many tasters found it so: clear, or rejected.
    pub n: usize,
    /// Of how many who answered.
    pub of: usize,
}

/// The samples that two tasters or more found clearly musty or mouldy (or the only one who answered).
/// Excluded scores do not count.
#[must_use]
pub fn musty(session: &Revealed) -> Vec<Musty> {
    let asked =
        |term: &str| session.terms.iter().any(|t| ids::same(&t.id, term) && asks_for_mould(t));
    let mut samples: Vec<Sample> =
        session.cups.iter().map(|c| Sample { lot: c.lot.clone(), arm: c.arm.clone() }).collect();
    samples.sort();
    samples.dedup();
    let found = |sample: Sample| {
        let scores = || {
            session.scores.iter().filter(|s| s.excluded.is_none() && asked(&s.term)).filter(|s| {
                let of = |c: &&super::RevealedCup| c.code == s.cup;
                session.cups.iter().find(of).is_some_and(|c| {
                    ids::same(&c.lot, &sample.lot) && ids::same(&c.arm, &sample.arm)
                })
            })
        };
        let all: BTreeSet<&str> = scores().map(|s| s.taster.as_str()).collect();
        let clear: BTreeSet<&str> =
            scores().filter(|s| s.value >= CLEAR).map(|s| s.taster.as_str()).collect();
        let (n, of) = (clear.len(), all.len());
        (n >= 2 || (n == 1 && of == 1)).then_some(Musty { sample, n, of })
    };
    samples.into_iter().filter_map(found).collect()
}

/// The musty samples of a revealed session that are still served: not those of which the log says
/// anything since the session.
#[must_use]
pub fn still_served(session: &Revealed, lots: &[Lot]) -> Vec<Musty> {
    let mut found = musty(session);
    found.retain(|m| {
        let Some(lot) = lots.iter().find(|l| ids::same(&l.id, &m.sample.lot)) else {
            return false;
        };
        let since = |v: &&crate::book::lots::LotValue| v.at.day() >= session.day;
        let said = lot.history(QUARANTINE, &m.sample.arm).iter().any(since);
        !said && quarantine(lot, &m.sample.arm, lots, session.day).is_none()
    });
    found
}

/// The samples of a revealed session that should be put into quarantine, in words, with the command.
#[must_use]
pub fn to_quarantine(session: &Revealed, lots: &[Lot]) -> Vec<String> {
    let told = |Musty { sample, n, of }: Musty| {
        format!(
            "{sample}: {n} of {of} tasters of {} found it clearly musty or mouldy. Put it into \
             quarantine, so that nobody is served it again: `blindsteep lot quarantine {sample} \
             --reason \"…\"`",
            session.name
        )
    };
    let mut told: Vec<String> = still_served(session, lots).into_iter().map(told).collect();
    if let Some(last) = told.last_mut() {
        last.push_str(".\n");
        last.push_str(SAFETY);
    }
    told
}
