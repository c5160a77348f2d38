//! Entering answers: checked as a whole, then appended line by line.

use std::collections::BTreeMap;

use crate::book::session_files::{
    AnswerState, BallotLine, Change, ChangeLine, Flight, Kind, SessionFile,
};
use crate::book::time::Moment;
use crate::book::vocabulary::{Scale, Term};
use crate::book::{Book, BookError};

use super::ballots::{
    Ballot, GUESS, GUESS_SURE, Question, Wrong, fit, may_be_chosen, served, with_entry,
};
use super::changes::with_change_entry;
use super::musty::asks_for_mould;
use super::sets;
use super::state::{Session, State, lock};

/// What a taster says to one question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Given {
    /// A value, as it was typed.
    Scored(String),
    /// The taster would rather not say.
    Declined,
    /// The cup or the answer was lost.
    Lost,
}

impl Given {
    /// What a cell or a typed line means: nothing, `-` for declined, `lost`, or a value.
    #[must_use]
    pub fn of_text(text: &str) -> Option<Self> {
        match text.trim() {
            "" => None,
            "-" | "declined" => Some(Self::Declined),
            "lost" => Some(Self::Lost),
            value => Some(Self::Scored(value.to_owned())),
        }
    }

    fn state(&self) -> AnswerState {
        match self {
            Self::Scored(_) => AnswerState::Scored,
            Self::Declined => AnswerState::Declined,
            Self::Lost => AnswerState::Lost,
        }
    }
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The code of the cup.
    pub cup: u16,
    /// The steep; the first if none. Guesses have none.
    pub steep: Option<u32>,
    /// The term's id or label; `guess` or `guess-sure` for guesses.
    pub term: String,
    /// What was said.
    pub given: Given,
    /// Anything else.
    pub note: Option<String>,
}

/// Why an earlier answer is replaced, or one is added to a ballot that was handed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amend {
    /// The reason.
    pub reason: String,
    /// Who amends; the taster if none.
    pub by: Option<String>,
}

/// The most characters of a remark, or of a note beside an answer: on phones, from paper and at the command line.
pub const NOTE_MOST: usize = 2000;

/// Which flights are handed in behind the answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HandIn {
    /// None.
    No,
    /// Those that were answered completely.
    Complete,
    /// Those that have an answer.
    Begun,
    /// This one.
    Flight(u32),
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Entered {
    /// New answers.
    pub n_new: usize,
    /// Answers that stood there already, just so.
    pub n_unchanged: usize,
    /// Answers that replaced another.
    pub n_replaced: usize,
    /// Ticks and faults that were left untouched and became 0 by handing in.
    pub n_zeros: usize,
    /// The cups of these.
    pub zeros_of: Vec<u16>,
    /// The flights handed in.
    pub handed_in: Vec<u32>,
    /// Those of them that were handed in with needed answers missing.
    pub gaps: Vec<Gap>,
    /// Cautions that tasters must see at once.
    pub cautions: Vec<String>,
}

/// A flight that was handed in with needed answers missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The flight.
    pub flight: u32,
    /// Answers that it needs.
    pub needed: usize,
    /// How many of them are given.
    pub given: usize,
}

/// An answer that does not fit.
#[derive(Debug, Clone)]
pub struct Misfit {
    /// Which of the answers, from 0.
    pub answer: usize,
    /// What is wrong with it: `cup`, `steep`, `term` or `value`.
    pub column: &'static str,
    /// In words.
    pub wrong: Wrong,
}

/// Why answers were not written.
#[derive(Debug, thiserror::Error)]
pub enum EnterError {
    /// Some do not fit; none was written.
    #[error("{}", misfits_in_words(.0))]
    Misfits(Vec<Misfit>),
    /// The book or the session's state is against it.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl From<EnterError> for BookError {
    fn from(e: EnterError) -> Self {
        match e {
            EnterError::Book(e) => e,
            EnterError::Misfits(_) => Self::Refused(e.to_string()),
        }
    }
}

fn misfits_in_words(misfits: &[Misfit]) -> String {
    let each: Vec<String> = misfits
        .iter()
        .map(|m| {
            let w = &m.wrong;
            format!("{}\n  expected: {}\n  to mend:  {}", w.found, w.expected, w.mend)
        })
        .collect();
    each.join("\n")
}

/// The questions of a flight in the order in which a taster has them: cup by cup, steep by
/// steep, term by term, then the guess. Sets of cups have questions of their own.
#[must_use]
pub fn questions(plan: &SessionFile, flight: &Flight, taster: &str) -> Vec<Question> {
    if plan.kind != Kind::Profile {
        return sets::questions(plan, flight, taster);
    }
    let mut all = Vec::new();
    for cup in flight.order_of(taster) {
        for steep in 1..=plan.n_steeps() {
            all.extend(plan.terms.iter().map(|t| Question {
                cup: *cup,
                steep: Some(steep),
                term: t.id.clone(),
            }));
        }
        if plan.guess {
            let guess = |term: &str| Question { cup: *cup, steep: None, term: term.to_owned() };
            all.extend([guess(GUESS), guess(GUESS_SURE)]);
        }
    }
    all
}

/// Whether a term's blank means nothing at all: ticks and faults are 0 once a ballot is handed
/// in, notes and guesses need not be there, all else is missing.
fn must_be_answered(term: &Term) -> bool {
    !matches!(term.scale, Scale::Tick | Scale::Fault | Scale::Note)
}

/// The steeps of a flight's cups that a taster said anything about. Where no scale is asked, all
/// of them: there nothing ticked is an answer.
pub(super) fn touched(plan: &SessionFile, flight: &Flight, ballot: &Ballot) -> Vec<(u16, u32)> {
    let no_scales = !plan.terms.iter().any(must_be_answered);
    let mut touched = Vec::new();
    for cup in flight.order_of(&ballot.taster) {
        for steep in 1..=plan.n_steeps() {
            let said = ballot.answers().any(|(q, _)| q.cup == *cup && q.steep == Some(steep));
            if said || no_scales {
                touched.push((*cup, steep));
            }
        }
    }
    touched
}

/// The questions of a flight that must be answered.
#[must_use]
pub fn required(plan: &SessionFile, flight: &Flight, taster: &str) -> Vec<Question> {
    questions(plan, flight, taster)
        .into_iter()
        .filter(|q| match plan.kind {
            Kind::Profile => plan.term(&q.term).is_some_and(must_be_answered),
            _ => sets::must_be_answered(q),
        })
        .collect()
}

/// The questions of a flight that must be answered and are not.
#[must_use]
pub fn unanswered(plan: &SessionFile, flight: &Flight, ballot: &Ballot) -> Vec<Question> {
    let mut open = required(plan, flight, &ballot.taster);
    open.retain(|q| ballot.answer(q).is_none());
    open
}

/// A line that is going to be written.
pub(super) struct Draft {
    pub(super) question: Question,
    /// The cup of the line: of a choice the one that was chosen.
    pub(super) cup: u16,
    pub(super) flight: u32,
    pub(super) state: AnswerState,
    pub(super) value: Option<String>,
    pub(super) replaces: Option<String>,
    pub(super) note: Option<String>,
}

/// Checks answers against the plan and what stands on the ballot, and appends those that are
/// new. All or none: if one does not fit, nothing is written.
///
/// # Errors
/// The answers that do not fit, or what else is against it.
pub fn enter_lines(
    book: &Book,
    name: &str,
    taster: &str,
    answers: &[Answer],
    amend: Option<&Amend>,
    hand_in: HandIn,
    now: Moment,
) -> Result<Entered, EnterError> {
    entered(book, (name, taster), (answers, amend), hand_in, Sight::Open, now)
}

/// As [`enter_lines`], by somebody who must not learn what stands on the ballot: an answer to a question that is
/// answered already is refused whether it is the same or another one, and of an order of cups that is begun all is
/// given anew, with a reason. Neither words nor the outcome tell what stood there.
///
/// # Errors
/// As [`enter_lines`].
pub fn enter_unseen(
    book: &Book,
    name: &str,
    taster: &str,
    answers: &[Answer],
    amend: Option<&Amend>,
    hand_in: HandIn,
    now: Moment,
) -> Result<Entered, EnterError> {
    entered(book, (name, taster), (answers, amend), hand_in, Sight::Hidden, now)
}

/// Whether who enters may know what stands on the ballot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sight {
    Open,
    Hidden,
}

fn entered(
    book: &Book,
    (name, taster): (&str, &str),
    (answers, amend): (&[Answer], Option<&Amend>),
    hand_in: HandIn,
    sight: Sight,
    now: Moment,
) -> Result<Entered, EnterError> {
    let _lock = lock(book.root()).map_err(BookError::from)?;
    let session = Session::open(book, name)?;
    let taster = session.taster(taster)?;
    may_write(&session, amend)?;
    let ballot = Ballot::open(&session, &taster)?;
    let plan = session.plan();
    if sight == Sight::Hidden {
        not_answered(plan, &ballot, answers, amend)?;
    }
    let mut entered = Entered::default();
    let (drafts, asked) = drafts(plan, &ballot, (answers, amend), sight, &mut entered)?;
    let mut writer = Writer { taster: &taster, n: ballot.next_n(), now, lines: Vec::new() };
    let mut changes = Vec::new();
    for draft in &drafts {
        let line = writer.answer(draft, amend);
        if let Some(amend) = amend
            && (ballot.is_handed_in(draft.flight) || session.state >= State::Closed)
        {
            changes.push(amendment(&session, &taster, draft, amend, &line, now));
        }
        entered.cautions.extend(caution(plan, draft).map(|c| c.en));
    }
    // What the ballot will be, so that handing in sees the new answers too.
    let after = with_lines(&session, &ballot, &writer.lines)?;
    check_ranks(plan, &after, answers, &asked)?;
    for flight in to_hand_in(plan, &after, hand_in) {
        if session.state >= State::Closed {
            break;
        }
        let zeros = zeros(plan, flight, &after);
        entered.n_zeros += zeros.len();
        for zero in &zeros {
            if !entered.zeros_of.contains(&zero.cup) {
                entered.zeros_of.push(zero.cup);
            }
            writer.answer(zero, None);
        }
        let needed = required(plan, flight, &taster).len();
        let open = unanswered(plan, flight, &after).len();
        if open > 0 {
            entered.gaps.push(Gap { flight: flight.number, needed, given: needed - open });
        }
        writer.handed_in(String::new(), flight.number, None);
        entered.handed_in.push(flight.number);
    }
    if let HandIn::Flight(n) = hand_in
        && entered.handed_in.is_empty()
        && !after.is_handed_in(n)
    {
        return Err(nothing_to_hand_in(&session, &taster, n).into());
    }
    session.append(&session.ballot_file(&taster), &writer.lines)?;
    session.append(&session.relative("changes.csv"), &changes)?;
    Ok(entered)
}

fn nothing_to_hand_in(session: &Session, taster: &str, n: u32) -> BookError {
    if session.plan().flights.iter().any(|f| f.number == n) {
        BookError::Refused(format!(
            "{taster} has answered nothing of flight {n}\n  to mend:  enter the answers first"
        ))
    } else {
        BookError::Refused(format!(
            "there is no flight {n}\n  expected: 1 to {}\n  to mend:  correct the number",
            session.plan().flights.len()
        ))
    }
}

fn may_write(session: &Session, amend: Option<&Amend>) -> Result<(), BookError> {
    if amend.is_some_and(|a| a.reason.trim().is_empty()) {
        return Err(BookError::Refused(
            "a correction needs a reason\n  to mend:  say why with --reason".to_owned(),
        ));
    }
    match session.state {
        State::Planned | State::Open => Ok(()),
        State::Closed | State::Revealed if amend.is_some() => Ok(()),
        State::Closed | State::Revealed => Err(session.refused(
            "no more scores are taken",
            "correct a mistake in writing with --amend --reason WHY; it stays visible as made afterwards",
        )),
        State::Void => Err(session.refused("it takes no scores", "plan another session")),
    }
}

/// That nothing of what is answered stands on the ballot already, or that it is given anew with a reason: of ranks,
/// which are an order or none, all that stand there of the same cups.
fn not_answered(
    plan: &SessionFile,
    ballot: &Ballot,
    answers: &[Answer],
    amend: Option<&Amend>,
) -> Result<(), EnterError> {
    let asked: Vec<Option<(Question, u32)>> = answers
        .iter()
        .map(|a| fitted(plan, &ballot.taster, a).ok().map(|f| (f.question, f.flight)))
        .collect();
    let given = |q: &Question| asked.iter().flatten().any(|(other, _)| other == q);
    // What stands in the way of an answer: itself, or a rank of the same order.
    let stands = |(question, flight): &(Question, u32)| {
        ballot.answers().any(|(old, _)| match plan.kind {
            Kind::Ranking => {
                let same_order = old.term == question.term
                    && plan.flight_of(old.cup).is_some_and(|f| f.number == *flight);
                same_order && !(amend.is_some() && given(old))
            }
            _ => amend.is_none() && old == question,
        })
    };
    let misfits: Vec<Misfit> = asked
        .iter()
        .enumerate()
        .filter(|(_, asked)| asked.as_ref().is_some_and(stands))
        .map(|(answer, _)| {
            let wrong = match plan.kind {
                Kind::Ranking => Wrong::new(
                    "of this order ranks are given already",
                    "an order that is not begun, or all its ranks anew with a reason",
                    "leave it empty, or give all ranks and say why",
                ),
                _ => Wrong::new(
                    "this question is answered already",
                    "a question without an answer",
                    "leave it empty, or give a reason for another answer",
                ),
            };
            Misfit { answer, column: "value", wrong }
        })
        .collect();
    if misfits.is_empty() { Ok(()) } else { Err(EnterError::Misfits(misfits)) }
}

fn drafts(
    plan: &SessionFile,
    ballot: &Ballot,
    (answers, amend): (&[Answer], Option<&Amend>),
    sight: Sight,
    entered: &mut Entered,
) -> Result<(Vec<Draft>, BTreeMap<Question, usize>), EnterError> {
    let mut misfits = Vec::new();
    let mut drafts: Vec<Draft> = Vec::new();
    let mut seen: BTreeMap<Question, usize> = BTreeMap::new();
    for (i, answer) in answers.iter().enumerate() {
        let mut misfit = |column, wrong| {
            misfits.push(Misfit { answer: i, column, wrong });
        };
        let Fitted { question, flight, state, value } = match fitted(plan, &ballot.taster, answer) {
            Ok(fitted) => fitted,
            Err((column, wrong)) => {
                misfit(column, wrong);
                continue;
            }
        };
        if seen.insert(question.clone(), i).is_some() {
            let wrong = Wrong::new(
                format!("a second answer for {}", sets::about(plan, &question)),
                "one answer a question",
                "take one of the two out",
            );
            misfit("value", wrong);
            continue;
        }
        let standing = ballot.answer(&question);
        if let Some(old) = standing {
            let same_cup = state != AnswerState::Scored || old.cup == Some(answer.cup);
            // Where it is hidden the same is written anew: that no line comes would tell it.
            if sight == Sight::Open && old.state == state && old.value == value && same_cup {
                entered.n_unchanged += 1;
                continue;
            }
            if amend.is_none() {
                let wrong = stands_already(plan, &question, old, ballot);
                misfit("value", wrong);
                continue;
            }
            entered.n_replaced += 1;
        } else if amend.is_none() && ballot.is_cup_handed_in(flight, answer.cup) {
            let what = if ballot.is_handed_in(flight) {
                format!("flight {flight}")
            } else {
                format!("cup {}", answer.cup)
            };
            let wrong = Wrong::new(
                format!("the ballot of {what} was handed in"),
                "no more answers, or amendments with a reason",
                "use --amend --reason WHY",
            );
            misfit("cup", wrong);
            continue;
        } else {
            entered.n_new += 1;
        }
        drafts.push(Draft {
            flight,
            state,
            value,
            replaces: standing.map(|old| old.entry.clone()),
            note: answer.note.clone(),
            cup: answer.cup,
            question,
        });
    }
    if misfits.is_empty() { Ok((drafts, seen)) } else { Err(EnterError::Misfits(misfits)) }
}

/// An answer that fits the plan.
pub(super) struct Fitted {
    pub(super) question: Question,
    pub(super) flight: u32,
    pub(super) state: AnswerState,
    /// The value as it is kept.
    pub(super) value: Option<String>,
}

/// Fits an answer of a taster to the plan; the error names the column.
pub(super) fn fitted(
    plan: &SessionFile,
    taster: &str,
    answer: &Answer,
) -> Result<Fitted, (&'static str, Wrong)> {
    let set = served(plan, Some(taster), answer.cup).map_err(|wrong| ("cup", wrong))?;
    let text = match &answer.given {
        Given::Scored(text) => Some(text.as_str()),
        _ => None,
    };
    for (what, text) in [("the answer", text), ("the note", answer.note.as_deref())] {
        let n = text.unwrap_or_default().chars().count();
        if n > NOTE_MOST {
            let found = format!("{what} has {n} characters");
            let expected = format!("at most {NOTE_MOST}");
            return Err(("value", Wrong::new(found, expected, "make it shorter")));
        }
    }
    let n = set.order_of(taster).len();
    let (term, steep, value) = fit(plan, n, &answer.term, answer.steep, text)?;
    let state = answer.given.state();
    may_be_chosen(plan, set, taster, answer.cup, &term, state).map_err(|wrong| ("cup", wrong))?;
    let question = sets::question(plan, set, answer.cup, steep, term);
    Ok(Fitted { question, flight: set.number, state, value })
}

/// Ranks that would be no order of the cups, at the answers that make them so.
fn check_ranks(
    plan: &SessionFile,
    after: &Ballot,
    answers: &[Answer],
    asked: &BTreeMap<Question, usize>,
) -> Result<(), EnterError> {
    let mut misfits: Vec<Misfit> = Vec::new();
    for (question, wrong) in sets::rank_problems(plan, after) {
        // Where the cup itself was answered before, another answer of the set made it so.
        let flight = plan.flight_of(question.cup);
        let beside = |q: &&Question| {
            q.term == question.term && flight.is_some_and(|f| f.cups.contains(&q.cup))
        };
        let answer =
            asked.get(&question).or_else(|| asked.keys().filter(beside).find_map(|q| asked.get(q)));
        if let Some(answer) = answer.filter(|i| **i < answers.len()) {
            misfits.push(Misfit { answer: *answer, column: "value", wrong });
        }
    }
    if misfits.is_empty() { Ok(()) } else { Err(EnterError::Misfits(misfits)) }
}

fn stands_already(
    plan: &SessionFile,
    question: &Question,
    old: &BallotLine,
    ballot: &Ballot,
) -> Wrong {
    let choice = plan.kind.is_choice() && old.state == AnswerState::Scored;
    let cup = old.cup.filter(|_| choice && question.term != GUESS_SURE).map(|c| c.to_string());
    let said = cup.as_deref().or(old.value.as_deref()).unwrap_or(old.state.word());
    let line = ballot.line_number(question).unwrap_or(0);
    Wrong::new(
        format!(
            "{} has the answer {said} already ({}, line {line})",
            sets::about(plan, question),
            ballot.log.file
        ),
        "a question without an answer, or the same answer",
        "to replace it use --amend --reason WHY",
    )
}

/// The ballot as it will be with more lines.
fn with_lines(
    session: &Session,
    ballot: &Ballot,
    lines: &[BallotLine],
) -> Result<Ballot, BookError> {
    let mut problems = crate::book::problem::Problems::new();
    let after = ballot.with(session.plan(), lines, &mut problems);
    Ok(problems.or(after)?)
}

pub(super) fn to_hand_in<'a>(
    plan: &'a SessionFile,
    ballot: &Ballot,
    hand_in: HandIn,
) -> Vec<&'a Flight> {
    plan.flights
        .iter()
        .filter(|f| !ballot.is_handed_in(f.number))
        .filter(|f| {
            let any = ballot.answers().any(|(_, line)| line.flight == f.number);
            let begun =
                if plan.kind == Kind::Profile { !touched(plan, f, ballot).is_empty() } else { any };
            match hand_in {
                HandIn::No => false,
                HandIn::Complete => {
                    let scored =
                        ballot.answers().any(|(q, _)| f.cups.contains(&q.cup) && q.steep.is_some());
                    let said = if plan.kind == Kind::Profile { scored } else { any };
                    said && unanswered(plan, f, ballot).is_empty()
                }
                HandIn::Begun => begun,
                HandIn::Flight(n) => f.number == n && begun,
            }
        })
        .collect()
}

/// The ticks and faults that were left untouched on steeps that were tasted.
pub(super) fn zeros(plan: &SessionFile, flight: &Flight, ballot: &Ballot) -> Vec<Draft> {
    let mut zeros = Vec::new();
    if plan.kind != Kind::Profile {
        return zeros;
    }
    for (cup, steep) in touched(plan, flight, ballot) {
        for term in &plan.terms {
            let question = Question { cup, steep: Some(steep), term: term.id.clone() };
            if matches!(term.scale, Scale::Tick | Scale::Fault)
                && ballot.answer(&question).is_none()
            {
                zeros.push(Draft {
                    question,
                    cup,
                    flight: flight.number,
                    state: AnswerState::Scored,
                    value: Some("0".to_owned()),
                    replaces: None,
                    note: None,
                });
            }
        }
    }
    zeros
}

pub(super) struct Writer<'a> {
    pub(super) taster: &'a str,
    pub(super) n: u64,
    pub(super) now: Moment,
    pub(super) lines: Vec<BallotLine>,
}

impl Writer<'_> {
    /// Gives a line its entry, if it brings none, and its place.
    fn push(&mut self, line: BallotLine) -> BallotLine {
        let line = if line.entry.is_empty() { with_entry(self.taster, line) } else { line };
        self.n = self.n.saturating_add(1);
        self.lines.push(line.clone());
        line
    }

    fn answer(&mut self, draft: &Draft, amend: Option<&Amend>) -> BallotLine {
        self.line(String::new(), draft, amend.map(|a| a.reason.as_str()))
    }

    /// A line of an answer; with an entry of its own if that is not empty.
    pub(super) fn line(
        &mut self,
        entry: String,
        draft: &Draft,
        reason: Option<&str>,
    ) -> BallotLine {
        self.push(BallotLine {
            entry,
            n: self.n,
            at: self.now,
            flight: draft.flight,
            cup: Some(draft.cup),
            steep: draft.question.steep,
            term: Some(draft.question.term.clone()),
            value: draft.value.clone(),
            state: draft.state,
            replaces: draft.replaces.clone(),
            reason: reason.map(one_line),
            note: draft.note.as_deref().map(one_line).filter(|n| !n.is_empty()),
        })
    }

    /// A line that hands in a flight, or a cup of it; with an entry of its own if that is not empty.
    pub(super) fn handed_in(&mut self, entry: String, flight: u32, cup: Option<u16>) -> BallotLine {
        self.push(BallotLine {
            entry,
            n: self.n,
            at: self.now,
            flight,
            cup,
            steep: None,
            term: None,
            value: None,
            state: AnswerState::HandedIn,
            replaces: None,
            reason: None,
            note: None,
        })
    }
}

/// A text without line breaks.
pub(super) fn one_line(text: &str) -> String {
    text.replace(['\n', '\r', '\t'], " ").trim().to_owned()
}

pub(super) fn amendment(
    session: &Session,
    taster: &str,
    draft: &Draft,
    amend: &Amend,
    line: &BallotLine,
    now: Moment,
) -> ChangeLine {
    with_change_entry(ChangeLine {
        entry: line.entry.clone(),
        at: now,
        change: Change::Amendment,
        flight: Some(draft.flight),
        taster: Some(taster.to_owned()),
        cup: Some(draft.cup),
        steep: draft.question.steep,
        term: Some(draft.question.term.clone()),
        replaces: draft.replaces.clone(),
        reason: one_line(&amend.reason),
        by: Some(amend.by.clone().unwrap_or_else(|| taster.to_owned())),
        after_reveal: session.state == State::Revealed,
    })
}

/// A caution that a taster must see at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    /// In English.
    pub en: String,
    /// In simplified Chinese.
    pub zh: String,
}

/// A musty or mouldy cup stops the tasting.
pub(super) fn caution(plan: &SessionFile, draft: &Draft) -> Option<Caution> {
    let term = plan.term(&draft.question.term).filter(|_| plan.kind == Kind::Profile)?;
    let rejects = draft.value.as_deref() == Some("3");
    let cup = draft.question.cup;
    (asks_for_mould(term) && rejects).then(|| Caution {
        en: format!(
            "STOP: cup {cup} was found {} to the point of rejection. Nobody tastes this cup any \
             further; spit, rinse, and set it and its leaf aside. Tasting does not establish \
             food safety: follow local food law and use a licensed laboratory.",
            term.label("en").to_lowercase(),
        ),
        zh: format!(
            "停止：{cup} 号杯被评为“{}”，程度已达拒收。任何人不得再品尝此杯；请吐出、漱口，\
             并将该杯及其茶叶另放。感官审评不能证明食品安全：请遵守当地食品法规，并送有资质的实验室检验。",
            term.label("zh"),
        ),
    })
}
