//! The logs in a session's folder: ballots, pours, changes. None says which lot a code is.

use super::csv_file::{Cell, Cells, Column, Contradiction, Record, filled, optional};
use super::session_files::CODES;
use super::time::Moment;

/// What a line of a ballot records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AnswerState {
    /// A value was given.
    Scored,
    /// The taster would rather not say.
    Declined,
    /// The cup or the answer was lost.
    Lost,
    /// The ballot of a flight, or of the cup that is named, was handed in.
    HandedIn,
}

impl AnswerState {
    const ALL: [Self; 4] = [Self::Scored, Self::Declined, Self::Lost, Self::HandedIn];

    /// The word for it in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Scored => "scored",
            Self::Declined => "declined",
            Self::Lost => "lost",
            Self::HandedIn => "handed-in",
        }
    }
}

/// A line of ballots/<taster>.csv.
#[derive(Debug, Clone, PartialEq)]
pub struct BallotLine {
    /// The id of the line: a digest of the rest of it, or what the phone that sent it drew by lot; two copies
    /// of a book that hold the same line hold it once when they are united.
    pub entry: String,
    /// The place of the line among the taster's lines, from 1.
    pub n: u64,
    /// When it was written.
    pub at: Moment,
    /// The flight.
    pub flight: u32,
    /// The code of the cup (none where a whole flight is handed in).
    pub cup: Option<u16>,
    /// The steep, from 1 (none for guesses and where something is handed in).
    pub steep: Option<u32>,
    /// The term; `guess` and `guess-sure` for guesses.
    pub term: Option<String>,
    /// The value as its scale writes it: a number, the id of a level, a text.
    pub value: Option<String>,
    /// What the line records.
    pub state: AnswerState,
    /// The entry that this line replaces.
    pub replaces: Option<String>,
    /// Why it was replaced.
    pub reason: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

const CODE: Cell = Cell::Whole(CODES.0 as u64, CODES.1 as u64);
const STEEP: Cell = Cell::Whole(1, 30);

fn text_of<T: ToString>(value: &Option<T>) -> String {
    value.as_ref().map(T::to_string).unwrap_or_default()
}

fn code_in(cells: &Cells<'_>) -> Option<u16> {
    cells.whole("cup").and_then(|c| u16::try_from(c).ok())
}

fn small(number: Option<u64>) -> Option<u32> {
    number.and_then(|n| u32::try_from(n).ok())
}

fn moment_of(cells: &Cells<'_>) -> Result<Moment, Contradiction> {
    cells.moment("at").ok_or_else(|| Contradiction {
        column: "at",
        found: "at is empty".to_owned(),
        expected: "the moment at which the line was written".to_owned(),
        mend: "fill in at".to_owned(),
    })
}

impl Record for BallotLine {
    const COLUMNS: &'static [Column] = &[
        filled("entry", Cell::Id, "the id of the line"),
        filled("n", Cell::Whole(1, u64::MAX), "the place of the line among the taster's lines"),
        filled("at", Cell::Moment, "when the line was written"),
        filled("flight", Cell::Whole(1, 1000), "the number of the flight"),
        optional("cup", CODE, "the code of the cup; none where a whole flight is handed in"),
        optional("steep", STEEP, "the steep, from 1"),
        optional("term", Cell::Id, "the term; guess and guess-sure for guesses"),
        optional("value", Cell::Text, "the value as its scale writes it"),
        filled(
            "state",
            Cell::OneOf(&["scored", "declined", "lost", "handed-in"]),
            "what the line records",
        ),
        optional("replaces", Cell::Id, "the entry that this line replaces"),
        optional("reason", Cell::Text, "why it was replaced"),
        optional("note", Cell::Text, "anything else"),
    ];

    fn from_cells(cells: &Cells<'_>) -> Result<Self, Contradiction> {
        let contradiction = |column, found: &str, expected: &str, mend: &str| Contradiction {
            column,
            found: found.to_owned(),
            expected: expected.to_owned(),
            mend: mend.to_owned(),
        };
        let word = cells.filled("state");
        let state = AnswerState::ALL
            .into_iter()
            .find(|s| s.word() == word)
            .expect("the cell is one of the column's words");
        let line = Self {
            entry: cells.filled("entry"),
            n: cells.whole("n").unwrap_or(0),
            at: moment_of(cells)?,
            flight: small(cells.whole("flight")).unwrap_or(0),
            cup: code_in(cells),
            steep: small(cells.whole("steep")),
            term: cells.text("term"),
            value: cells.text("value"),
            state,
            replaces: cells.text("replaces"),
            reason: cells.text("reason"),
            note: cells.text("note"),
        };
        if state == AnswerState::HandedIn {
            return Ok(line);
        }
        if line.cup.is_none() {
            return Err(contradiction(
                "cup",
                "cup is empty",
                "the code of the cup that was tasted",
                "fill in the code",
            ));
        }
        if line.term.is_none() {
            return Err(contradiction(
                "term",
                "term is empty",
                "the term that was answered",
                "fill in the term",
            ));
        }
        if (state == AnswerState::Scored) != line.value.is_some() {
            return Err(contradiction(
                "value",
                if line.value.is_some() {
                    "a value stands beside an answer that was declined or lost"
                } else {
                    "a scored answer has no value"
                },
                "a value if and only if the state is scored",
                "correct the value or the state",
            ));
        }
        if line.replaces.is_some() && line.reason.is_none() {
            return Err(contradiction(
                "reason",
                "a correction has no reason",
                "why the earlier line was replaced",
                "fill in the reason",
            ));
        }
        Ok(line)
    }

    fn to_cells(&self) -> Vec<String> {
        vec![
            self.entry.clone(),
            self.n.to_string(),
            self.at.to_string(),
            self.flight.to_string(),
            text_of(&self.cup),
            text_of(&self.steep),
            text_of(&self.term),
            text_of(&self.value),
            self.state.word().to_owned(),
            text_of(&self.replaces),
            text_of(&self.reason),
            text_of(&self.note),
        ]
    }
}

/// A line of pours.csv.
#[derive(Debug, Clone, PartialEq)]
pub struct PourLine {
    /// The id of the line.
    pub entry: String,
    /// When it was written.
    pub at: Moment,
    /// The code of the cup.
    pub cup: u16,
    /// Degrees Celsius when it was tasted.
    pub temperature_c: Option<f64>,
    /// Minutes since pouring.
    pub minutes: Option<f64>,
    /// Anything else.
    pub note: Option<String>,
}

impl Record for PourLine {
    const COLUMNS: &'static [Column] = &[
        filled("entry", Cell::Id, "the id of the line"),
        filled("at", Cell::Moment, "when the line was written"),
        filled("cup", CODE, "the code of the cup"),
        optional("temperature_c", Cell::Number, "degrees Celsius when it was tasted"),
        optional("minutes", Cell::Number, "minutes since pouring"),
        optional("note", Cell::Text, "anything else"),
    ];

    fn from_cells(cells: &Cells<'_>) -> Result<Self, Contradiction> {
        let line = Self {
            entry: cells.filled("entry"),
            at: moment_of(cells)?,
            cup: code_in(cells).unwrap_or(0),
            temperature_c: cells.number("temperature_c"),
            minutes: cells.number("minutes"),
            note: cells.text("note"),
        };
        if line.temperature_c.is_some_and(|t| !(0.0..=100.0).contains(&t)) {
            return Err(Contradiction {
                column: "temperature_c",
                found: format!("temperature_c is {}", text_of(&line.temperature_c)),
                expected: "degrees Celsius from 0 to 100".to_owned(),
                mend: "correct the temperature".to_owned(),
            });
        }
        if line.minutes.is_some_and(|m| !(0.0..=10_000.0).contains(&m)) {
            return Err(Contradiction {
                column: "minutes",
                found: format!("minutes is {}", text_of(&line.minutes)),
                expected: "minutes since pouring, 0 to 10000".to_owned(),
                mend: "correct the minutes".to_owned(),
            });
        }
        Ok(line)
    }

    fn to_cells(&self) -> Vec<String> {
        vec![
            self.entry.clone(),
            self.at.to_string(),
            self.cup.to_string(),
            text_of(&self.temperature_c),
            text_of(&self.minutes),
            text_of(&self.note),
        ]
    }
}

/// What a line of changes.csv records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// An answer was corrected.
    Amendment,
    /// Answers are left out of the results (they stay in the record, and results are shown with
    /// and without them).
    Exclusion,
    /// An exclusion was taken back.
    Readmission,
    /// The pouring plan, the one paper with lots on it, was written for somebody.
    PouringPlan,
    /// The key was made after closing.
    Key,
}

impl Change {
    const ALL: [Self; 5] =
        [Self::Amendment, Self::Exclusion, Self::Readmission, Self::PouringPlan, Self::Key];

    /// The word for it in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Amendment => "amendment",
            Self::Exclusion => "exclusion",
            Self::Readmission => "readmission",
            Self::PouringPlan => "pouring-plan",
            Self::Key => "key",
        }
    }
}

/// A line of changes.csv.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangeLine {
    /// The id of the line.
    pub entry: String,
    /// When it was written.
    pub at: Moment,
    /// What happened.
    pub change: Change,
    /// Only this flight.
    pub flight: Option<u32>,
    /// Only this taster.
    pub taster: Option<String>,
    /// Only this cup.
    pub cup: Option<u16>,
    /// Only this steep.
    pub steep: Option<u32>,
    /// Only this term.
    pub term: Option<String>,
    /// The entry that was amended or taken back.
    pub replaces: Option<String>,
    /// Why.
    pub reason: String,
    /// Who.
    pub by: Option<String>,
    /// Whether the lots were known by then.
    pub after_reveal: bool,
}

impl Record for ChangeLine {
    const COLUMNS: &'static [Column] = &[
        filled("entry", Cell::Id, "the id of the line"),
        filled("at", Cell::Moment, "when the line was written"),
        filled(
            "change",
            Cell::OneOf(&["amendment", "exclusion", "readmission", "pouring-plan", "key"]),
            "what happened",
        ),
        optional("flight", Cell::Whole(1, 1000), "only this flight"),
        optional("taster", Cell::Id, "only this taster"),
        optional("cup", CODE, "only this cup"),
        optional("steep", STEEP, "only this steep"),
        optional("term", Cell::Id, "only this term"),
        optional("replaces", Cell::Id, "the entry that was amended or taken back"),
        filled("reason", Cell::Text, "why"),
        optional("by", Cell::Text, "who"),
        filled("reveal", Cell::OneOf(&["before", "after"]), "before or after the lots were known"),
    ];

    fn from_cells(cells: &Cells<'_>) -> Result<Self, Contradiction> {
        let word = cells.filled("change");
        Ok(Self {
            entry: cells.filled("entry"),
            at: moment_of(cells)?,
            change: Change::ALL
                .into_iter()
                .find(|c| c.word() == word)
                .expect("the cell is one of the column's words"),
            flight: small(cells.whole("flight")),
            taster: cells.text("taster"),
            cup: code_in(cells),
            steep: small(cells.whole("steep")),
            term: cells.text("term"),
            replaces: cells.text("replaces"),
            reason: cells.filled("reason"),
            by: cells.text("by"),
            after_reveal: cells.filled("reveal") == "after",
        })
    }

    fn to_cells(&self) -> Vec<String> {
        vec![
            self.entry.clone(),
            self.at.to_string(),
            self.change.word().to_owned(),
            text_of(&self.flight),
            text_of(&self.taster),
            text_of(&self.cup),
            text_of(&self.steep),
            text_of(&self.term),
            text_of(&self.replaces),
            self.reason.clone(),
            text_of(&self.by),
            if self.after_reveal { "after" } else { "before" }.to_owned(),
        ]
    }
}
