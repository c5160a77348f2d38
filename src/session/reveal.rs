//! Revealing: the key is opened, once its digest has been found to be right.

use rayon::prelude::*;
use serde::Serialize;

use crate::book::problem::{Problem, Problems};
use crate::book::recipes::Recipe;
use crate::book::session_files::{
    AnswerState, ChangeLine, Kind, RevealFile, SessionFile, TestPlan,
};
use crate::book::store;
use crate::book::time::{Day, Moment};
use crate::book::toml_file;
use crate::book::vocabulary::{Scale, Term};
use crate::book::{Book, BookError};

use super::ballots::{Ballot, GUESS, GUESS_SURE, Question};
use super::changes::excluded;
use super::close::check_closed_ballots;
use super::key::{self, Key};
use super::reserve;
use super::revealed_sets::{Choice, RankGiven, join_sets};
use super::sample::{Role, Sample};
use super::state::{Session, State, lock};

/// A session whose lots are known.
#[derive(Debug, Clone)]
pub struct Revealed {
    /// The name of its folder.
    pub name: String,
    /// What it asked.
    pub kind: Kind,
    /// The day of its first flight.
    pub day: Day,
    /// When its first answer was written down, if that was on its day.
    pub began: Option<Moment>,
    /// How its cups were brewed.
    pub recipe: Recipe,
    /// Its terms, as they stood when it was planned.
    pub terms: Vec<Term>,
    /// Its tasters.
    pub tasters: Vec<String>,
    /// What was in its cups.
    pub cups: Vec<RevealedCup>,
    /// What was decided about the test beforehand; none in a profile session.
    pub test: Option<TestPlan>,
    /// The sample that was expected to have more, as the key says.
    pub expected: Option<Sample>,
    /// Which cups each taster was served, flight by flight, in the order of tasting.
    pub served: Vec<Served>,
    /// Answers of triangles, duo-trios and paired comparisons.
    pub choices: Vec<Choice>,
    /// Answers of rankings.
    pub ranks: Vec<RankGiven>,
    /// Its scores that hold, those that were excluded among them (marked).
    pub scores: Vec<CupScore>,
    /// Answers to terms that are free notes.
    pub notes: Vec<CupNote>,
    /// What tasters thought the cups were.
    pub guesses: Vec<Guess>,
    /// Whether the key's digest was on the ballots before anybody tasted.
    pub committed_beforehand: bool,
    /// The key's digest.
    pub digest: String,
    /// When it was revealed.
    pub revealed: Moment,
    /// Amendments and exclusions.
    pub changes: Vec<ChangeLine>,
}

/// What was in a cup.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RevealedCup {
    /// Its code.
    pub code: u16,
    /// The lot.
    pub lot: String,
    /// The arm.
    pub arm: String,
    /// Why it was there.
    pub role: Role,
    /// The pot that it was poured from, unique in the session.
    pub brew: String,
    /// The flight.
    pub flight: u32,
    /// Which of its sample's replicates it belongs to, from 1.
    pub replicate: u32,
}

/// The cups that a taster was served in a flight, but for the warm-up cup.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Served {
    /// Who.
    pub taster: String,
    /// In which flight.
    pub flight: u32,
    /// The codes in the order of tasting.
    pub cups: Vec<u16>,
}

/// A score.
#[derive(Debug, Clone, PartialEq)]
pub struct CupScore {
    /// Who gave it.
    pub taster: String,
    /// In which flight.
    pub flight: u32,
    /// The day of the flight.
    pub day: Day,
    /// The code of the cup.
    pub cup: u16,
    /// The place of the cup in this taster's order, from 1; a warm-up cup has place 1.
    pub position: u32,
    /// The steep, from 1.
    pub steep: u32,
    /// The term.
    pub term: String,
    /// The number; for levels their place from 0; 0 or 1 for ticks; 0 to 3 for faults.
    pub value: f64,
    /// The id of the level, on ordered and nominal scales.
    pub label: Option<String>,
    /// Why it was excluded, if it was.
    pub excluded: Option<String>,
}

/// A free note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CupNote {
    /// Who wrote it.
    pub taster: String,
    /// The code of the cup.
    pub cup: u16,
    /// The steep, from 1.
    pub steep: u32,
    /// The term.
    pub term: String,
    /// The text.
    pub text: String,
    /// Why it was excluded, if it was.
    pub excluded: Option<String>,
}

/// What a taster thought a cup was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Guess {
    /// Who.
    pub taster: String,
    /// Of which cup.
    pub cup: u16,
    /// The lot that was named, without its arm.
    pub lot: String,
    /// The arm, if one was named.
    pub arm: Option<String>,
    /// Whether the taster was sure; none if nothing was said.
    pub sure: Option<bool>,
    /// Why it was excluded, if it was.
    pub excluded: Option<String>,
}

/// Opens the key of a closed session after checking its digest, writes reveal.toml once and
/// takes the draws from the reserves. A reveal that was interrupted is finished by another.
///
/// # Errors
/// If the session is not closed, the key does not match its digest, or a ballot was changed
/// after closing.
pub fn reveal(book: &Book, name: &str, now: Moment) -> Result<Revealed, BookError> {
    let _lock = lock(book.root())?;
    let session = Session::open(book, name)?;
    match session.state {
        State::Closed | State::Revealed => {}
        State::Planned | State::Open => {
            return Err(session.refused(
                "its lots are not told before it is closed",
                "close it with `session close` when all ballots are in",
            ));
        }
        State::Void => {
            return Err(session.refused("it is not revealed", "plan another session"));
        }
    }
    if session.plan().is_alone() && !session.path(key::FILE).exists() {
        return Err(session.refused(
            "who pours and tastes alone gives the key after closing",
            "look under the tins and write `shelf,lot` into a file for `session key --from FILE`",
        ));
    }
    let mut problems = Problems::new();
    if let Some(close) = session.close_file()? {
        check_closed_ballots(&session, &close, &mut problems)?;
    }
    if !problems.is_empty() {
        return Err(problems.into());
    }
    let key = opened(&session)?;
    if session.state == State::Closed {
        let file = RevealFile {
            format: toml_file::FORMAT,
            revealed: now,
            key_digest: key.digest(),
            committed_beforehand: session.plan().key_digest.is_some(),
        };
        store::create_new(&session.path("reveal.toml"), &toml_file::to_text(&file))?;
    }
    reserve::log_draws(book, &session.name, key.draws(), now)?;
    joined(&Session::open(book, &session.name)?)
}

/// A session's scores with their lots.
///
/// # Errors
/// [`BookError::Refused`] if it is not revealed; else what is wrong in its files.
pub fn revealed(book: &Book, name: &str) -> Result<Revealed, BookError> {
    joined(&Session::open(book, name)?)
}

/// All revealed sessions of a book, by their names.
///
/// # Errors
/// What is wrong in their files.
pub fn all_revealed(book: &Book) -> Result<Vec<Revealed>, BookError> {
    let names = book.session_names()?;
    let read = |name: &String| {
        let session = Session::open(book, name)?;
        (session.state == State::Revealed).then(|| joined(&session)).transpose()
    };
    // Beside one another; the first mistake in their order is told, however they end.
    let all: Vec<Result<Option<Revealed>, BookError>> = names.par_iter().map(read).collect();
    Ok(all.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
}

/// All revealed sessions of a book in which terms were scored, by their names.
///
/// # Errors
/// What is wrong in their files.
pub fn all_scored(book: &Book) -> Result<Vec<Revealed>, BookError> {
    Ok(all_revealed(book)?.into_iter().filter(|s| s.kind == Kind::Profile).collect())
}

/// The key of a session that may be opened: its digest is right and it fits the plan.
pub(super) fn opened(session: &Session) -> Result<Key, BookError> {
    let file = session.relative(key::FILE);
    let key = Key::read(&session.root, &file)?;
    let mut problems = Problems::new();
    let revealed = session.reveal_file()?.map(|r| r.key_digest);
    let promised = session.plan().key_digest.clone().or(revealed);
    check_key(session, &key, promised.as_deref(), &mut problems);
    Ok(problems.or(key)?)
}

/// Adds what is wrong between a key and its session, without a word of what the key says.
pub(super) fn check_key(
    session: &Session,
    key: &Key,
    promised: Option<&str>,
    problems: &mut Problems,
) {
    let file = session.relative(key::FILE);
    let digest = key.digest();
    if let Some(promised) = promised.filter(|p| *p != digest) {
        problems.push(Problem::new(
            file.clone(),
            None,
            format!("the key's digest is {}…: it is not the key that was sealed", &digest[..16]),
            format!("{}…, as in session.toml and on every ballot", &promised[..16]),
            "put key.toml back from a copy of the book; if there is none, declare the session void",
        ));
        return;
    }
    let mut codes: Vec<(u16, u32)> = key.cups().iter().map(|c| (c.code, c.flight)).collect();
    let mut planned: Vec<(u16, u32)> = session
        .plan()
        .flights
        .iter()
        .flat_map(|f| f.codes().map(|c| (c, f.number)).collect::<Vec<_>>())
        .collect();
    codes.sort_unstable();
    planned.sort_unstable();
    if codes != planned || !key.is_of(&session.name) {
        problems.push(Problem::new(
            file,
            None,
            "the key is not of this session: it has other cups or another name",
            "one entry for each cup of session.toml",
            "put key.toml and session.toml back from a copy of the book",
        ));
    }
}

pub(crate) fn joined(session: &Session) -> Result<Revealed, BookError> {
    let reveal = match (session.state, session.reveal_file()?) {
        (State::Revealed, Some(reveal)) => reveal,
        (State::Void, _) => {
            return Err(session.refused("it counts for nothing", "name another session"));
        }
        _ => {
            return Err(session.refused(
                "it is not revealed, so its scores have no lots yet",
                "close it with `session close`, then `session reveal`",
            ));
        }
    };
    let key = opened(session)?;
    let changes = session.changes()?;
    let plan = session.plan();
    let mut problems = Problems::new();
    let mut revealed = Revealed {
        name: session.name.clone(),
        kind: plan.kind,
        day: plan.day,
        began: None,
        recipe: plan.recipe.clone(),
        terms: plan.terms.clone(),
        tasters: plan.tasters.clone(),
        cups: key
            .cups()
            .iter()
            .map(|c| RevealedCup {
                code: c.code,
                lot: c.sample.lot.clone(),
                arm: c.sample.arm.clone(),
                role: c.role,
                brew: c.brew.to_string(),
                flight: c.flight,
                replicate: c.replicate,
            })
            .collect(),
        test: plan.test.clone(),
        expected: key.expected().cloned(),
        served: served_of(plan),
        choices: Vec::new(),
        ranks: Vec::new(),
        scores: Vec::new(),
        notes: Vec::new(),
        guesses: Vec::new(),
        committed_beforehand: reveal.committed_beforehand,
        digest: reveal.key_digest,
        revealed: reveal.revealed,
        changes,
    };
    for taster in &plan.tasters {
        let ballot = Ballot::read(session, taster, &mut problems)?;
        for (_, line) in ballot.answers().filter(|(_, line)| line.at.day() == plan.day) {
            if revealed.began.is_none_or(|known| line.at < known) {
                revealed.began = Some(line.at);
            }
        }
        if plan.kind == Kind::Profile {
            join_ballot(session, &ballot, &mut revealed);
        } else {
            join_sets(plan, &ballot, &mut revealed);
        }
    }
    Ok(problems.or(revealed)?)
}

fn served_of(plan: &SessionFile) -> Vec<Served> {
    let mut served = Vec::new();
    for flight in &plan.flights {
        served.extend(plan.tasters.iter().map(|taster| Served {
            taster: taster.clone(),
            flight: flight.number,
            cups: flight.order_of(taster).to_vec(),
        }));
    }
    served
}

fn join_ballot(session: &Session, ballot: &Ballot, revealed: &mut Revealed) {
    let plan = session.plan();
    let taster = &ballot.taster;
    for flight in &plan.flights {
        let order = flight.warm_up.iter().chain(flight.order_of(taster));
        for (position, cup) in (1_u32..).zip(order) {
            for (question, line) in ballot.answers().filter(|(q, _)| q.cup == *cup) {
                let (AnswerState::Scored, Some(value)) = (line.state, &line.value) else {
                    continue;
                };
                let excluded = excluded(&revealed.changes, taster, line);
                if question.term == GUESS {
                    let sure = Question { term: GUESS_SURE.to_owned(), ..question.clone() };
                    let sure = ballot.answer(&sure).and_then(|l| l.value.as_deref());
                    let (lot, arm) = value
                        .split_once('@')
                        .map_or((value.as_str(), None), |(l, a)| (l, Some(a.to_owned())));
                    revealed.guesses.push(Guess {
                        taster: taster.clone(),
                        cup: *cup,
                        // As the key writes it, so that t26-01 and T26-01 are one lot.
                        lot: revealed
                            .cups
                            .iter()
                            .find(|c| crate::book::ids::same(&c.lot, lot))
                            .map_or_else(|| lot.to_owned(), |c| c.lot.clone()),
                        arm,
                        sure: sure.map(|s| s == "1"),
                        excluded,
                    });
                    continue;
                }
                let (Some(term), Some(steep)) = (plan.term(&question.term), question.steep) else {
                    continue;
                };
                match term.scale.value_of(value) {
                    Ok(Some(number)) => revealed.scores.push(CupScore {
                        taster: taster.clone(),
                        flight: flight.number,
                        day: flight.day,
                        cup: *cup,
                        position,
                        steep,
                        term: term.id.clone(),
                        value: number,
                        label: matches!(term.scale, Scale::Ordered { .. } | Scale::Nominal { .. })
                            .then(|| value.clone()),
                        excluded,
                    }),
                    // A note; whether values fit was checked when the ballot was read.
                    _ => revealed.notes.push(CupNote {
                        taster: taster.clone(),
                        cup: *cup,
                        steep,
                        term: term.id.clone(),
                        text: value.clone(),
                        excluded,
                    }),
                }
            }
        }
    }
}
