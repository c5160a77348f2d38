//! Ballots: what a taster answered, line by line, and what of it holds.

use std::collections::{BTreeMap, BTreeSet};

use crate::book::BookError;
use crate::book::csv_file::{self, Line, Log};
use crate::book::ids;
use crate::book::problem::{Problem, Problems, did_you_mean};
use crate::book::session_files::{AnswerState, BallotLine, Flight, Kind, SessionFile};
use crate::book::vocabulary::{Misfit, Scale, Term};

use super::sets;
use super::state::{Session, entry_of};

/// The word that stands in the column `term` where a taster says which lot a cup may be.
pub const GUESS: &str = "guess";
/// The word that stands in the column `term` where a taster says how sure the guess is.
pub const GUESS_SURE: &str = "guess-sure";

/// What a line answers: one term of one steep of one cup. Guesses and answers about sets of cups
/// have no steep.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Question {
    /// The code of the cup. Where one cup of a set is chosen, the lowest code of the flight.
    pub cup: u16,
    /// The steep, from 1; none for guesses and answers about sets.
    pub steep: Option<u32>,
    /// The term's id; [`GUESS`], [`GUESS_SURE`], `odd` or `match`.
    pub term: String,
}

/// A taster's ballot as it was read.
#[derive(Debug, Clone)]
pub struct Ballot {
    /// Whose it is.
    pub taster: String,
    /// Every whole line, corrected or not.
    pub log: Log<BallotLine>,
    current: BTreeMap<Question, usize>,
    by_entry: BTreeMap<String, usize>,
    handed_in: BTreeSet<u32>,
    cups_handed_in: BTreeSet<u16>,
}

impl Ballot {
    /// Reads the ballot of a taster; mistakes go into `problems`.
    ///
    /// # Errors
    /// Only if the disk refuses.
    pub fn read(
        session: &Session,
        taster: &str,
        problems: &mut Problems,
    ) -> Result<Self, BookError> {
        let log = csv_file::read(&session.root, &session.ballot_file(taster), problems)?;
        let ballot = Self::settle(session.plan(), taster, log, problems);
        for (question, wrong) in sets::rank_problems(session.plan(), &ballot) {
            let line = ballot.line_number(&question).unwrap_or(0);
            problems.push(ballot.log.problem(
                line,
                "value",
                wrong.found,
                wrong.expected,
                wrong.mend,
            ));
        }
        Ok(ballot)
    }

    /// As [`Ballot::read`], with the mistakes as an error.
    ///
    /// # Errors
    /// If there is a mistake, or the disk refuses.
    pub fn open(session: &Session, taster: &str) -> Result<Self, BookError> {
        let mut problems = Problems::new();
        let ballot = Self::read(session, taster, &mut problems)?;
        Ok(problems.or(ballot)?)
    }

    fn settle(
        plan: &SessionFile,
        taster: &str,
        log: Log<BallotLine>,
        problems: &mut Problems,
    ) -> Self {
        let mut ballot = Self {
            taster: taster.to_owned(),
            current: BTreeMap::new(),
            by_entry: BTreeMap::new(),
            handed_in: BTreeSet::new(),
            cups_handed_in: BTreeSet::new(),
            log,
        };
        // Lines are ordered by n, not by the clock, nor by where a union of two copies put them.
        let mut order: Vec<usize> = (0..ballot.log.lines.len()).collect();
        order.sort_by_key(|i| (ballot.log.lines[*i].value.n, *i));
        for i in order {
            ballot.settle_line(plan, i, problems);
        }
        ballot
    }

    /// Takes in the line at a place of the log.
    fn settle_line(&mut self, plan: &SessionFile, i: usize, problems: &mut Problems) {
        let line = &self.log.lines[i];
        let value = &line.value;
        if let Some(first) = self.by_entry.get(&value.entry) {
            let first = &self.log.lines[*first];
            // Uniting two copies of a book may leave the same line twice: it counts once.
            if first.value != *value {
                problems.push(self.log.problem(
                    line.number,
                    "entry",
                    format!("the entry {} stands at line {} already", value.entry, first.number),
                    "each entry once in a file",
                    "give this line an entry of its own",
                ));
            }
            return;
        }
        let Some(question) = question_of(plan, &self.taster, &self.log, line, problems) else {
            return;
        };
        let Some(question) = question else {
            match value.cup {
                Some(cup) => self.cups_handed_in.insert(cup),
                None => self.handed_in.insert(value.flight),
            };
            self.by_entry.insert(value.entry.clone(), i);
            return;
        };
        let problem = conflict(plan, self, line, &question);
        self.by_entry.insert(value.entry.clone(), i);
        match problem {
            Some(problem) => problems.push(problem),
            None => {
                self.current.insert(question, i);
            }
        }
    }

    /// Adds a line that is known to fit; its `n` is the highest.
    pub(super) fn add(&mut self, plan: &SessionFile, line: BallotLine, problems: &mut Problems) {
        let number = self.log.lines.last().map_or(2, |l| l.number + 1);
        self.log.lines.push(Line { value: line, number });
        self.settle_line(plan, self.log.lines.len() - 1, problems);
    }

    /// The ballot as it will be with more lines.
    pub(super) fn with(
        &self,
        plan: &SessionFile,
        lines: &[BallotLine],
        problems: &mut Problems,
    ) -> Self {
        let mut log = self.log.clone();
        let last = log.lines.last().map_or(1, |l| l.number);
        log.lines.extend(
            lines.iter().enumerate().map(|(i, l)| Line { value: l.clone(), number: last + 1 + i }),
        );
        Self::settle(plan, &self.taster, log, problems)
    }

    /// The line that holds for a question.
    #[must_use]
    pub fn answer(&self, question: &Question) -> Option<&BallotLine> {
        self.current.get(question).map(|i| &self.log.lines[*i].value)
    }

    /// The number of the line that holds for a question.
    #[must_use]
    pub fn line_number(&self, question: &Question) -> Option<usize> {
        self.current.get(question).map(|i| self.log.lines[*i].number)
    }

    /// All questions that have an answer, with the lines that hold.
    pub fn answers(&self) -> impl Iterator<Item = (&Question, &BallotLine)> {
        self.current.iter().map(|(q, i)| (q, &self.log.lines[*i].value))
    }

    /// The line with an entry.
    #[must_use]
    pub fn entry(&self, entry: &str) -> Option<&BallotLine> {
        self.by_entry.get(entry).map(|i| &self.log.lines[*i].value)
    }

    /// Whether answers about a cup are no longer changed: it was handed in, alone or with its flight.
    #[must_use]
    pub fn is_cup_handed_in(&self, flight: u32, cup: u16) -> bool {
        self.is_handed_in(flight) || self.cups_handed_in.contains(&cup)
    }

    /// The cups that were handed in one by one.
    pub fn cups_handed_in(&self) -> impl Iterator<Item = u16> + '_ {
        self.cups_handed_in.iter().copied()
    }

    /// Whether the ballot of a flight was handed in.
    #[must_use]
    pub fn is_handed_in(&self, flight: u32) -> bool {
        self.handed_in.contains(&flight)
    }

    /// The number for the next line.
    #[must_use]
    pub fn next_n(&self) -> u64 {
        self.log.values().map(|l| l.n).max().unwrap_or(0).saturating_add(1)
    }
}

/// What a line answers; `Some(None)` where it hands in a flight or a cup, `None` after adding to
/// `problems` if the line can't be meant.
pub(super) fn question_of(
    plan: &SessionFile,
    taster: &str,
    log: &Log<BallotLine>,
    line: &Line<BallotLine>,
    problems: &mut Problems,
) -> Option<Option<Question>> {
    let value = &line.value;
    if value.state == AnswerState::HandedIn {
        if let Some(flight) = plan.flights.iter().find(|f| f.number == value.flight) {
            let Some(cup) = value.cup.filter(|c| !flight.order_of(taster).contains(c)) else {
                return Some(None);
            };
            problems.push(log.problem(
                line.number,
                "cup",
                format!("cup {cup} is none of {taster}'s in flight {}", value.flight),
                "the code of a cup that was handed in, or an empty cell for the whole flight",
                "correct the code",
            ));
            return None;
        }
        problems.push(log.problem(
            line.number,
            "flight",
            format!("there is no flight {}", value.flight),
            format!("a flight from 1 to {}", plan.flights.len()),
            "correct the number of the flight",
        ));
        return None;
    }
    let cup = value.cup?;
    let (column, wrong) = match served(plan, Some(taster), cup) {
        Err(wrong) => ("cup", wrong),
        Ok(flight) if flight.number != value.flight => (
            "flight",
            Wrong::new(
                format!("cup {cup} is not served in flight {}", value.flight),
                format!("flight {}", flight.number),
                "correct the number of the flight",
            ),
        ),
        Ok(flight) => {
            let term = value.term.as_deref().unwrap_or_default();
            let n = flight.order_of(taster).len();
            match fit(plan, n, term, value.steep, value.value.as_deref()) {
                Ok((term, steep, _)) => {
                    match may_be_chosen(plan, flight, taster, cup, &term, value.state) {
                        Ok(()) => {
                            return Some(Some(sets::question(plan, flight, cup, steep, term)));
                        }
                        Err(wrong) => ("cup", wrong),
                    }
                }
                Err((column, wrong)) => (column, wrong),
            }
        }
    };
    problems.push(log.problem(line.number, column, wrong.found, wrong.expected, wrong.mend));
    None
}

/// Two lines for one question, of which neither replaces the other; or a correction of nothing.
fn conflict(
    plan: &SessionFile,
    ballot: &Ballot,
    line: &Line<BallotLine>,
    question: &Question,
) -> Option<Problem> {
    let standing = ballot.current.get(question).map(|i| &ballot.log.lines[*i]);
    match (&line.value.replaces, standing) {
        (None, None) => None,
        (None, Some(first)) => Some(ballot.log.problem(
            line.number,
            "cup",
            format!(
                "a second answer for {}: line {} has one already",
                sets::about(plan, question),
                first.number
            ),
            "one answer, or a line that replaces the other and says why",
            format!(
                "write {} into `replaces` and a reason, or take one of the two out",
                first.value.entry
            ),
        )),
        (Some(entry), Some(first)) if *entry == first.value.entry => None,
        (Some(entry), _) => {
            let expected = match standing {
                Some(first) => format!("{}, the entry of line {}", first.value.entry, first.number),
                None => "nothing, for this question has no earlier answer".to_owned(),
            };
            let known = ballot.by_entry.contains_key(entry) || *entry == line.value.entry;
            Some(ballot.log.problem(
                line.number,
                "replaces",
                if known {
                    format!("{entry} is not the answer that stands for this question")
                } else {
                    format!("there is no earlier entry {entry}")
                },
                expected,
                "correct `replaces`",
            ))
        }
    }
}

/// What does not fit, in words.
#[derive(Debug, Clone)]
pub struct Wrong {
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
}

impl Wrong {
    pub(super) fn new(
        found: impl Into<String>,
        expected: impl Into<String>,
        mend: impl Into<String>,
    ) -> Self {
        Self { found: found.into(), expected: expected.into(), mend: mend.into() }
    }
}

/// The flight in which a taster, or anybody, is served a code that can be answered about.
pub(super) fn served<'a>(
    plan: &'a SessionFile,
    taster: Option<&str>,
    code: u16,
) -> Result<&'a Flight, Wrong> {
    match plan.flight_of(code) {
        Some(flight) if flight.warm_up == Some(code) => Err(Wrong::new(
            format!("{code} is the warm-up cup of flight {}: it is not scored", flight.number),
            "the code of a scored cup",
            "leave the warm-up cup out",
        )),
        Some(flight) if taster.is_some_and(|t| !flight.order_of(t).contains(&code)) => {
            let taster = taster.unwrap_or_default();
            let order: Vec<String> = flight.order_of(taster).iter().map(u16::to_string).collect();
            Err(Wrong::new(
                format!("cup {code} of flight {} was not served to {taster}", flight.number),
                format!("one of {taster}'s cups: {}", order.join(", ")),
                "look at the code on the cup, or at the name of the taster",
            ))
        }
        Some(flight) => Ok(flight),
        None => {
            let known: Vec<String> = plan
                .flights
                .iter()
                .flat_map(|f| taster.map_or(f.cups.as_slice(), |t| f.order_of(t)))
                .map(u16::to_string)
                .collect();
            let shown =
                if known.len() > 30 { "see `session show`".to_owned() } else { known.join(", ") };
            Err(Wrong::new(
                format!("no cup {code} was served in this session"),
                format!("one of its codes: {shown}"),
                did_you_mean(
                    &code.to_string(),
                    known.iter().map(String::as_str),
                    "look at the code on the cup",
                ),
            ))
        }
    }
}

/// Whether a cup can be the answer of a choice: the reference of a duo-trio cannot.
pub(super) fn may_be_chosen(
    plan: &SessionFile,
    flight: &Flight,
    taster: &str,
    cup: u16,
    term: &str,
    state: AnswerState,
) -> Result<(), Wrong> {
    let answerable = plan.answerable(flight, taster);
    let chosen = plan.kind.is_choice() && state == AnswerState::Scored && term != GUESS_SURE;
    if !chosen || answerable.contains(&cup) {
        return Ok(());
    }
    let others: Vec<String> = answerable.iter().map(u16::to_string).collect();
    Err(Wrong::new(
        format!("cup {cup} is {taster}'s reference in flight {}", flight.number),
        format!("the cup that is the same as the reference: {}", others.join(" or ")),
        "write the code of one of the other two",
    ))
}

/// What an answer is about once it fits: the term's id as the plan writes it, the steep, the
/// value as it is kept.
pub(super) type Fitting = (String, Option<u32>, Option<String>);

/// Fits term, steep and value to the plan, for a taster who has `n` cups of the flight; the error
/// names the column.
pub(super) fn fit(
    plan: &SessionFile,
    n: usize,
    term: &str,
    steep: Option<u32>,
    value: Option<&str>,
) -> Result<Fitting, (&'static str, Wrong)> {
    if plan.kind != Kind::Profile {
        return sets::fit(plan, n, term, steep, value);
    }
    if ids::same(term, GUESS) || ids::same(term, GUESS_SURE) {
        return fit_guess(plan, &term.to_lowercase(), steep, value);
    }
    let Some(frozen) = term_named(plan, term) else {
        let known: Vec<&str> = plan.terms.iter().map(|t| t.id.as_str()).collect();
        let wrong = Wrong::new(
            format!("this session does not ask \"{term}\""),
            format!("one of {}", known.join(", ")),
            did_you_mean(term, known.iter().copied(), "leave the answer out"),
        );
        return Err(("term", wrong));
    };
    let steep = steep.unwrap_or(1);
    if steep == 0 || steep > plan.n_steeps() {
        let wrong = Wrong::new(
            format!("there is no steep {steep}"),
            format!("a steep from 1 to {}", plan.n_steeps()),
            "correct the steep",
        );
        return Err(("steep", wrong));
    }
    let value = match value {
        None => None,
        Some(text) => Some(canonical(frozen, text).map_err(|m| {
            let found = format!("{} is \"{}\"", frozen.id, text.trim());
            ("value", Wrong::new(found, m.expected, m.mend))
        })?),
    };
    Ok((frozen.id.clone(), Some(steep), value))
}

fn fit_guess(
    plan: &SessionFile,
    term: &str,
    steep: Option<u32>,
    value: Option<&str>,
) -> Result<Fitting, (&'static str, Wrong)> {
    if !plan.guess {
        let wrong = Wrong::new(
            "this session does not ask for guesses",
            "answers to its terms",
            "leave the guess out, or plan the next session with --guess",
        );
        return Err(("term", wrong));
    }
    if steep.is_some() {
        let wrong =
            Wrong::new("a guess has a steep", "an empty cell", "leave the steep of a guess empty");
        return Err(("steep", wrong));
    }
    let Some(value) = value else { return Ok((term.to_owned(), None, None)) };
    let value = value.trim();
    if term == GUESS {
        // Any id goes: an answer that said "there is no such lot here" would tell something.
        let id = value.split_once('@').is_none_or(|(lot, arm)| ids::is_id(lot) && ids::is_id(arm));
        if id && (value.contains('@') || ids::is_id(value)) {
            return Ok((term.to_owned(), None, Some(value.to_owned())));
        }
        let wrong = Wrong::new(
            format!("\"{value}\" is not the name of a lot"),
            "a lot, as T26-01 or T26-01@dry",
            "write the lot's id",
        );
        return Err(("value", wrong));
    }
    Ok((term.to_owned(), None, fit_sure(Some(value))?))
}

/// How sure an answer is, as it is kept.
pub(super) fn fit_sure(value: Option<&str>) -> Result<Option<String>, (&'static str, Wrong)> {
    let Some(value) = value.map(str::trim) else { return Ok(None) };
    match value.to_lowercase().as_str() {
        "1" | "yes" | "y" | "sure" => Ok(Some("1".to_owned())),
        "0" | "no" | "n" | "unsure" => Ok(Some("0".to_owned())),
        _ => Err((
            "value",
            Wrong::new(
                format!("guess-sure is \"{value}\""),
                "sure or unsure",
                "write sure or unsure",
            ),
        )),
    }
}

/// The frozen term of an id, or of a label in any language.
pub(super) fn term_named<'a>(plan: &'a SessionFile, name: &str) -> Option<&'a Term> {
    let name = name.trim();
    plan.term(name).or_else(|| {
        plan.terms.iter().find(|t| t.labels.0.values().any(|l| l.eq_ignore_ascii_case(name)))
    })
}

/// A value as it is kept: numbers in their shortest form, levels by their ids.
pub(super) fn canonical(term: &Term, answer: &str) -> Result<String, Misfit> {
    let number = term.scale.value_of(answer)?;
    Ok(match (&term.scale, number) {
        (Scale::Note, _) | (_, None) => answer.trim().replace(['\n', '\r', '\t'], " "),
        (Scale::Ordered { levels } | Scale::Nominal { levels }, Some(x)) => {
            // value_of gives the place of one of these levels.
            levels.get(x as usize).map_or_else(|| answer.trim().to_owned(), |l| l.id.clone())
        }
        (_, Some(x)) => (x + 0.0).to_string(),
    })
}

/// Gives a line its entry: a digest of all the rest.
pub(super) fn with_entry(taster: &str, mut line: BallotLine) -> BallotLine {
    use crate::book::csv_file::Record as _;
    line.entry = String::new();
    let cells = line.to_cells();
    let mut parts: Vec<&str> = vec![taster];
    parts.extend(cells.iter().map(String::as_str));
    line.entry = entry_of(&parts);
    line
}
