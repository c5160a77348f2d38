//! Which columns of a plain table mean what, and why a table could not be read.

use std::path::PathBuf;

use crate::book::problem::{Problem, Problems};
use crate::book::store::StoreError;

/// Which columns of a table mean what. Names are as the person typed them: a name that is no
/// column is split at its commas.
#[derive(Debug, Clone, Default)]
pub struct TableOptions {
    /// The file.
    pub path: PathBuf,
    /// Columns that together name the lot.
    pub lot: Vec<String>,
    /// The arm's column.
    pub arm: Option<String>,
    /// The taster's column.
    pub taster: Option<String>,
    /// The replicate's column.
    pub replicate: Option<String>,
    /// The session's column.
    pub session: Option<String>,
    /// The flight's column.
    pub flight: Option<String>,
    /// The column of places in the taster's order.
    pub position: Option<String>,
    /// The pot's column.
    pub brew: Option<String>,
    /// The recipe's column.
    pub recipe: Option<String>,
    /// The steep's column.
    pub steep: Option<String>,
    /// The column of months.
    pub month: Option<String>,
    /// The column of dates, in place of months.
    pub date: Option<String>,
    /// The column that names the term, in a long table.
    pub term: Option<String>,
    /// The column of values in a long table, or one column a term.
    pub value: Vec<String>,
    /// `KIND` for all terms or `TERM=KIND`.
    pub scale: Vec<String>,
    /// Between the cells.
    pub delimiter: Option<char>,
    /// Before the decimals.
    pub decimal: Option<char>,
}

/// Why a table could not be read.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// The disk refused.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The cells are wrong.
    #[error("{problems}{}", if *.stopped { "; there may be more: reading stopped here" } else { "" })]
    Cells {
        /// The mistakes.
        problems: Problems,
        /// Whether reading stopped before the end.
        stopped: bool,
    },
    /// The file is no table.
    #[error("{}: {found}\n  expected: {expected}\n  to mend:  {mend}", path.display())]
    NotATable {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        found: String,
        /// What it should be.
        expected: String,
        /// How to mend it.
        mend: String,
    },
    /// A flag names a column that is not there.
    #[error("{0}")]
    Flag(Box<Problem>),
    /// The flags do not fit together.
    #[error("{found}\n  expected: {expected}\n  to mend:  {mend}")]
    Command {
        /// What was asked.
        found: String,
        /// What can be asked.
        expected: String,
        /// How to mend it.
        mend: String,
    },
}
