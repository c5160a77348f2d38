//! The flags by which an analysis is given a plain table.

use std::path::PathBuf;

use clap::Args;

use super::{Context, Failure};
use crate::scores::{Scores, TableError, TableOptions, Trials, from_table, of_book};

/// What the flags of a plain table stand under.
pub const HEADING: &str = "A plain table instead of sessions";

/// A plain table and what its columns mean.
#[derive(Debug, Args)]
#[command(next_help_heading = HEADING)]
pub struct TableArgs {
    /// The table: CSV with a header line
    #[arg(long, value_name = "FILE")]
    table: Option<PathBuf>,
    /// The column that names the lot; several together make one name
    #[arg(long, value_name = "COL[,COL]", requires = "table")]
    lot: Vec<String>,
    /// Who scored
    #[arg(long, value_name = "COL", requires = "table")]
    taster: Option<String>,
    /// Which repetition of the lot
    #[arg(long, value_name = "COL", requires = "table")]
    replicate: Option<String>,
    /// The session
    #[arg(long, value_name = "COL", requires = "table")]
    session: Option<String>,
    /// The steep of the same leaf
    #[arg(long, value_name = "COL", requires = "table")]
    steep: Option<String>,
    /// The term, where one line is one score
    #[arg(long, value_name = "COL", requires = "table")]
    term: Option<String>,
    /// The scores: one column beside --term, or one column a term
    #[arg(long, value_name = "COL[,COL]", requires = "table")]
    value: Vec<String>,
    /// line (default), ordered, nominal or tick, for all terms or for one
    #[arg(long, value_name = "[TERM=]KIND", requires = "table")]
    scale: Vec<String>,
    /// The flight within the session
    #[arg(long, value_name = "COL", requires = "table")]
    flight: Option<String>,
    /// The place of the cup in the taster's order
    #[arg(long, value_name = "COL", requires = "table")]
    position: Option<String>,
    /// The pot
    #[arg(long, value_name = "COL", requires = "table")]
    brew: Option<String>,
    /// The recipe
    #[arg(long, value_name = "COL", requires = "table")]
    recipe: Option<String>,
    /// The arm of the lot
    #[arg(long, value_name = "COL", requires = "table")]
    arm: Option<String>,
    /// The sign between cells (default: the header's first of , ; and tab)
    #[arg(long, value_name = "SIGN", requires = "table", value_parser = sign)]
    delimiter: Option<char>,
    /// The sign before decimals (default: a point)
    #[arg(long, value_name = "SIGN", requires = "table", value_parser = decimal)]
    decimal: Option<char>,
}

fn sign(text: &str) -> Result<char, String> {
    let mut chars = text.chars();
    match (text, chars.next(), chars.next()) {
        ("tab" | "\\t", ..) => Ok('\t'),
        (_, Some(c), None) => Ok(c),
        _ => Err("expected one sign, such as , or ; or the word tab".to_owned()),
    }
}

fn decimal(text: &str) -> Result<char, String> {
    match text {
        "." => Ok('.'),
        "," => Ok(','),
        _ => Err("expected . or ,".to_owned()),
    }
}

impl TableArgs {
    /// Whether a table is named.
    #[must_use]
    pub fn is_given(&self) -> bool {
        self.table.is_some()
    }

    /// The columns that name the lot, the sign between cells and the one before decimals.
    #[must_use]
    pub fn shape(&self) -> (&[String], Option<char>, Option<char>) {
        (&self.lot, self.delimiter, self.decimal)
    }

    /// The scores of the table; `None` if no table is named.
    ///
    /// # Errors
    /// If the table cannot be read as the flags say.
    pub fn scores(&self) -> Result<Option<Scores>, Failure> {
        Ok(self.options().map(|options| from_table(&options)).transpose()?)
    }

    /// What the flags say about the table; `None` if no table is named.
    pub fn options(&self) -> Option<TableOptions> {
        Some(TableOptions {
            path: self.table.clone()?,
            lot: self.lot.clone(),
            arm: self.arm.clone(),
            taster: self.taster.clone(),
            replicate: self.replicate.clone(),
            session: self.session.clone(),
            flight: self.flight.clone(),
            position: self.position.clone(),
            brew: self.brew.clone(),
            recipe: self.recipe.clone(),
            steep: self.steep.clone(),
            month: None,
            date: None,
            term: self.term.clone(),
            value: self.value.clone(),
            scale: self.scale.clone(),
            delimiter: self.delimiter,
            decimal: self.decimal,
        })
    }
}

impl From<TableError> for Failure {
    fn from(e: TableError) -> Self {
        match e {
            TableError::Store(e) => e.into(),
            TableError::Cells { .. } | TableError::NotATable { .. } => Self::Records(e.to_string()),
            TableError::Flag(_) | TableError::Command { .. } => {
                Self::Command(e.to_string().trim_end().to_owned())
            }
        }
    }
}

/// The scores that were asked for: of a table, or of revealed sessions of the book.
///
/// # Errors
/// If neither or both are named, or they cannot be read.
pub fn scores(
    table: &TableArgs,
    sessions: &[String],
    context: &Context,
) -> Result<Scores, Failure> {
    match (table.scores()?, sessions) {
        (Some(scores), []) => Ok(scores),
        (Some(_), _) => Err(Failure::Command(
            "both a table and sessions are named\n  expected: one of the two\n  to mend:  leave \
             --table out, or the sessions"
                .to_owned(),
        )),
        (None, []) => Err(Failure::Command(
            "nothing to read is named\n  expected: revealed sessions of the book, or --table FILE \
             --lot COL --taster COL --value COL,COL\n  to mend:  name a session, or a table"
                .to_owned(),
        )),
        (None, _) => of_sessions(sessions, context),
    }
}

/// The rankings of revealed sessions; `None` if the first one named is no ranking session.
///
/// # Errors
/// If the sessions cannot be read, or others than rankings are among them.
pub fn rankings(
    table: &TableArgs,
    names: &[String],
    context: &Context,
) -> Result<Option<Trials>, Failure> {
    if names.is_empty() || table.is_given() {
        return Ok(None);
    }
    Ok(of_book::rankings(&context.book()?, names)?)
}

/// The scores of revealed sessions, each named once.
fn of_sessions(names: &[String], context: &Context) -> Result<Scores, Failure> {
    Ok(of_book::scores_of(&of_book::named_sessions(&context.book()?, names)?)?)
}

/// What a word of a flag names: itself if it is known, else the parts between its commas.
pub fn parts<'a>(word: &'a str, known: &[String]) -> Vec<&'a str> {
    if known.iter().any(|k| k == word) {
        vec![word]
    } else {
        word.split(',').map(str::trim).filter(|p| !p.is_empty()).collect()
    }
}
