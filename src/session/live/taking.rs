//! Taking answers: what becomes of each by the plan and the ballot as it stands, before a line is written.

use crate::book::problem::Problems;
use crate::book::session_files::{AnswerState, BallotLine, Flight, Kind, SessionFile};
use crate::book::time::Moment;

use super::{CHANGED, Outcome, Sent};
use crate::session::HandIn;
use crate::session::ballots::{Ballot, Wrong, served};
use crate::session::enter::{
    Draft, Fitted, Given, Writer, caution, fitted, one_line, to_hand_in, touched, zeros,
};
use crate::session::sets;

/// What is handed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HandingIn {
    /// A flight.
    Flight(u32),
    /// A cup.
    Cup(u16),
}

impl HandingIn {
    pub(super) fn is(self, line: &BallotLine) -> bool {
        line.state == AnswerState::HandedIn
            && match self {
                Self::Flight(n) => line.cup.is_none() && line.flight == n,
                Self::Cup(cup) => line.cup == Some(cup),
            }
    }
}

/// Answers that can only be taken together: the ranks of a flight, which are an order or none.
pub(super) fn groups(plan: &SessionFile, sent: &[Sent]) -> Vec<Vec<usize>> {
    if plan.kind != Kind::Ranking {
        return (0..sent.len()).map(|i| vec![i]).collect();
    }
    /// A flight and a term.
    type Together = (Option<u32>, String);
    let mut groups: Vec<(Together, Vec<usize>)> = Vec::new();
    for (i, s) in sent.iter().enumerate() {
        let key =
            (plan.flight_of(s.answer.cup).map(|f| f.number), s.answer.term.to_ascii_lowercase());
        match groups.iter_mut().find(|(k, _)| *k == key) {
            Some((_, group)) => group.push(i),
            None => groups.push((key, vec![i])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

/// Lines in the making, and the ballot as it is with them.
pub(super) struct Taking<'a> {
    plan: &'a SessionFile,
    ballot: &'a mut Ballot,
    taster: String,
    pub writer: Writer<'a>,
}

impl<'a> Taking<'a> {
    pub fn new(plan: &'a SessionFile, ballot: &'a mut Ballot, now: Moment) -> Self {
        let (n, taster) = (ballot.next_n(), ballot.taster.clone());
        // Entries are given here: what the writer would make of the taster is not asked for.
        Self { plan, ballot, taster, writer: Writer { taster: "", n, now, lines: Vec::new() } }
    }

    pub fn take_group(&mut self, sent: &[Sent], group: &[usize]) -> Vec<(usize, Outcome)> {
        let ranks = self.plan.kind == Kind::Ranking;
        // Ballots of rankings are short.
        let before = ranks.then(|| (self.ballot.clone(), self.writer.lines.len(), self.writer.n));
        let mut outcomes: Vec<(usize, Outcome)> =
            group.iter().map(|i| (*i, self.take(&sent[*i]))).collect();
        let Some((ballot, n_lines, n)) = before else { return outcomes };
        let about = |cup: u16, term: &str| {
            let flight = self.plan.flight_of(cup).map(|f| f.number);
            group.iter().any(|i| {
                let a = &sent[*i].answer;
                self.plan.flight_of(a.cup).map(|f| f.number) == flight
                    && crate::book::ids::same(&a.term, term)
            })
        };
        let wrong = sets::rank_problems(self.plan, self.ballot)
            .into_iter()
            .find(|(q, _)| about(q.cup, &q.term))
            .map(|(_, wrong)| wrong);
        if let Some(wrong) = wrong {
            *self.ballot = ballot;
            self.writer.lines.truncate(n_lines);
            self.writer.n = n;
            for (_, outcome) in &mut outcomes {
                if matches!(outcome, Outcome::Saved(_)) {
                    *outcome = Outcome::Refused(wrong.clone());
                }
            }
        }
        outcomes
    }

    fn take(&mut self, sent: &Sent) -> Outcome {
        let fitted = match checked(self.plan, &self.taster, sent) {
            Ok(fitted) => fitted,
            Err(wrong) => return Outcome::Refused(wrong),
        };
        if let Some(line) = self.ballot.entry(&sent.entry) {
            return known(line, &fitted, sent);
        }
        let cup = sent.answer.cup;
        if self.ballot.is_cup_handed_in(fitted.flight, cup) {
            let what = if self.ballot.is_handed_in(fitted.flight) {
                format!("flight {}", fitted.flight)
            } else {
                format!("cup {cup}")
            };
            return Outcome::Refused(Wrong::new(
                format!("the ballot of {what} was handed in"),
                "answers before it is handed in",
                "tell the host, who can correct it with a reason",
            ));
        }
        let standing = self.ballot.answer(&fitted.question).map(|old| old.entry.clone());
        let draft = Draft {
            question: fitted.question,
            cup,
            flight: fitted.flight,
            state: fitted.state,
            value: fitted.value,
            replaces: standing,
            note: sent.answer.note.clone(),
        };
        let reason = draft.replaces.is_some().then_some(CHANGED);
        let line = self.writer.line(sent.entry.clone(), &draft, reason);
        self.ballot.add(self.plan, line, &mut Problems::new());
        Outcome::Saved(caution(self.plan, &draft))
    }

    pub fn hand_in(&mut self, entry: &str, what: HandingIn) -> Outcome {
        if let Err(wrong) = entry_problem(entry) {
            return Outcome::Refused(wrong);
        }
        if let Some(line) = self.ballot.entry(entry) {
            return if what.is(line) { Outcome::Already } else { Outcome::Refused(taken(entry)) };
        }
        let nothing = |what: String| {
            Outcome::Refused(Wrong::new(
                format!("nothing is answered of {what}"),
                "one answer or more before it is handed in",
                "answer, or tell the host that it was not tasted",
            ))
        };
        let (flight, cup) = match what {
            HandingIn::Flight(n) => {
                let Some(flight) = self.plan.flights.iter().find(|f| f.number == n) else {
                    return Outcome::Refused(Wrong::new(
                        format!("there is no flight {n}"),
                        format!("1 to {}", self.plan.flights.len()),
                        "load the page again",
                    ));
                };
                if self.ballot.is_handed_in(n) {
                    return Outcome::Already;
                }
                if to_hand_in(self.plan, self.ballot, HandIn::Flight(n)).is_empty() {
                    return nothing(format!("flight {n}"));
                }
                (flight, None)
            }
            HandingIn::Cup(cup) => {
                let flight = match own_cup(self.plan, &self.taster, cup) {
                    Ok(flight) => flight,
                    Err(wrong) => return Outcome::Refused(wrong),
                };
                if self.plan.kind != Kind::Profile {
                    return Outcome::Refused(Wrong::new(
                        "one cup of a set was handed in",
                        "the whole flight: its cups are answered together",
                        "hand in the flight",
                    ));
                }
                if self.ballot.is_cup_handed_in(flight.number, cup) {
                    return Outcome::Already;
                }
                if !touched(self.plan, flight, self.ballot).iter().any(|(c, _)| *c == cup) {
                    return nothing(format!("cup {cup}"));
                }
                (flight, Some(cup))
            }
        };
        let mut zeros = zeros(self.plan, flight, self.ballot);
        zeros.retain(|z| cup.is_none_or(|c| c == z.cup));
        let taster = self.taster.clone();
        for zero in &zeros {
            let mut writer = Writer {
                taster: &taster,
                n: self.writer.n,
                now: self.writer.now,
                lines: Vec::new(),
            };
            let line = writer.line(String::new(), zero, None);
            self.writer.n = writer.n;
            self.writer.lines.push(line.clone());
            self.ballot.add(self.plan, line, &mut Problems::new());
        }
        let line = self.writer.handed_in(entry.to_owned(), flight.number, cup);
        self.ballot.add(self.plan, line, &mut Problems::new());
        Outcome::Saved(None)
    }
}

/// An answer that fits the plan, whatever the ballot holds.
pub fn checked(plan: &SessionFile, taster: &str, sent: &Sent) -> Result<Fitted, Wrong> {
    entry_problem(&sent.entry)?;
    own_cup(plan, taster, sent.answer.cup)?;
    if let Given::Scored(text) = &sent.answer.given
        && text.trim().is_empty()
    {
        return Err(Wrong::new(
            "the answer is empty",
            "a value, or that the taster would rather not say",
            "give a value, or decline",
        ));
    }
    fitted(plan, taster, &sent.answer).map_err(|(_, wrong)| wrong)
}

/// The flight in which a taster has a cup. Whether others have it is not told.
fn own_cup<'a>(plan: &'a SessionFile, taster: &str, cup: u16) -> Result<&'a Flight, Wrong> {
    let mut flights = plan.flights.iter();
    let own = |f: &&Flight| f.warm_up == Some(cup) || f.order_of(taster).contains(&cup);
    if flights.any(|f| own(&f)) {
        return served(plan, Some(taster), cup);
    }
    let codes: Vec<String> =
        plan.flights.iter().flat_map(|f| f.order_of(taster)).map(u16::to_string).collect();
    Err(Wrong::new(
        format!("cup {cup} is none of yours"),
        format!("one of {}", codes.join(", ")),
        "look at the code on the cup",
    ))
}

/// The letters of an entry that a phone draws.
const LETTERS: &[u8] = b"0123456789abcdefghjkmnpqrstvwxyz";

fn entry_problem(entry: &str) -> Result<(), Wrong> {
    if entry.len() == 16 && entry.bytes().all(|b| LETTERS.contains(&b)) {
        return Ok(());
    }
    Err(Wrong::new(
        "the entry is none",
        "16 letters and digits, without i, l, o and u",
        "load the page again",
    ))
}

fn taken(entry: &str) -> Wrong {
    Wrong::new(
        format!("the entry {entry} was sent before with something else"),
        "the same content whenever an entry is sent again",
        "answer once more: the phone draws a new entry",
    )
}

/// What is said of an entry that is on disk.
pub fn known(line: &BallotLine, fitted: &Fitted, sent: &Sent) -> Outcome {
    let note = sent.answer.note.as_deref().map(one_line).filter(|n| !n.is_empty());
    let same = line.flight == fitted.flight
        && line.cup == Some(sent.answer.cup)
        && line.steep == fitted.question.steep
        && line.term.as_deref() == Some(fitted.question.term.as_str())
        && line.state == fitted.state
        && line.value == fitted.value
        && line.note == note;
    if same { Outcome::Already } else { Outcome::Refused(taken(&sent.entry)) }
}
