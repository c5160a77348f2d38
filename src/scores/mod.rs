//! The one long table: one line a score, whoever wrote it down. It comes from revealed sessions
//! of a book or from any plain table, and is the only thing that findings read.
//!
//! Inside stands a polars data frame in which words are codes; it does not leave this module:
//! [`Scores::term`] gives the columns of one term as plain vectors.

mod cell_units;
mod columns;
mod doubles;
mod from_revealed;
mod from_table;
mod makings;
mod makings_of_book;
mod makings_table;
pub mod of_book;
mod options;
mod table_file;
mod times;
mod trials;

use std::collections::{BTreeMap, HashMap};

use polars::prelude::{
    Column, DataFrame, Float64Chunked, IntoColumn, NamedFrom, Series, UInt32Chunked,
};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

pub use columns::{TermScores, Words, by_nature, cross};
pub use from_revealed::{SessionsError, WHATEVER_AGE, from_revealed};
pub use from_table::from_table;
pub use makings::{Made, MadeParameter, MadeValue, Makings, NotTaken};
pub use makings_of_book::makings_of_book;
pub use makings_table::makings_from_table;
pub use options::{TableError, TableOptions};
pub use times::{AgesFrom, Before, Earliest, LotTimes, Refired, SampleTime};
pub use trials::{ALPHA, Method, PlannedTest, RankedSet, Trial, Trials, trials_from_revealed};

use columns::compact;

use crate::book::labels::Labels;
use crate::book::vocabulary::Ends;

/// How the values of a term are to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScaleKind {
    /// Numbers on a line: differences mean something.
    Line,
    /// Levels in order; how far apart they lie is not known.
    Ordered,
    /// Categories without order.
    Nominal,
    /// Present or absent.
    Tick,
}

impl ScaleKind {
    /// The kinds by their names.
    pub const NAMES: [(&'static str, Self); 4] = [
        ("line", Self::Line),
        ("ordered", Self::Ordered),
        ("nominal", Self::Nominal),
        ("tick", Self::Tick),
    ];

    /// Its name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Ordered => "ordered",
            Self::Nominal => "nominal",
            Self::Tick => "tick",
        }
    }
}

/// One score, with all that is known about how it came about.
#[derive(Debug, Clone, Copy, Default)]
pub struct ScoreRow<'a> {
    /// The lot, or lot@arm where a lot has arms.
    pub lot: &'a str,
    /// The arm of the lot.
    pub arm: Option<&'a str>,
    /// Who scored.
    pub taster: Option<&'a str>,
    /// Which repetition of the lot.
    pub replicate: Option<&'a str>,
    /// The session.
    pub session: Option<&'a str>,
    /// The flight within the session.
    pub flight: Option<&'a str>,
    /// Place of the cup in this taster's order, from 1.
    pub position: Option<f64>,
    /// The lot that this taster had just before in the flight.
    pub previous_lot: Option<&'a str>,
    /// The cup (one code).
    pub cup: Option<&'a str>,
    /// The pot.
    pub brew: Option<&'a str>,
    /// The recipe.
    pub recipe: Option<&'a str>,
    /// The steep.
    pub steep: Option<&'a str>,
    /// Age or date in months.
    pub month: Option<f64>,
    /// The term.
    pub term: &'a str,
    /// The score; for categories the place of its label among the labels.
    pub value: f64,
    /// The category's label.
    pub label: Option<&'a str>,
    /// Why it is left out of the main results, if it is.
    pub excluded: Option<&'a str>,
}

/// A term as it was scored.
#[derive(Debug, Clone, PartialEq)]
pub struct ScoredTerm {
    /// Its id.
    pub id: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// The ends of its scale, where they are known.
    pub ends: Option<[f64; 2]>,
    /// What it is called, by language; none in a plain table.
    pub labels: Labels,
    /// The words at the ends of its scale, by language.
    pub end_words: Ends,
    /// What the levels of an ordered or nominal scale are called, by their ids and by language.
    pub level_words: BTreeMap<String, Labels>,
    /// Cells in which a score was due and is missing.
    pub gaps: usize,
}

/// A guess which lot a cup held.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotGuess {
    /// Who guessed.
    pub taster: String,
    /// What was in the cup.
    pub lot: String,
    /// What was guessed.
    pub guessed: String,
    /// In which session.
    pub session: String,
    /// Within which flight lots were there to be guessed.
    pub flight: String,
    /// Whether the taster was sure; none if nothing was said.
    pub sure: Option<bool>,
}

/// Where the scores come from.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct Source {
    /// The table's file or the sessions' names.
    pub names: Vec<String>,
    /// "table" or "sessions".
    pub kind: String,
    /// Samples that were served as the reference.
    pub references: Vec<String>,
    /// What to know about them, in sentences.
    pub notes: Vec<String>,
}

/// The long table.
#[derive(Debug, Clone)]
pub struct Scores {
    frame: DataFrame,
    words: HashMap<&'static str, Vec<String>>,
    terms: Vec<ScoredTerm>,
    labels: HashMap<String, Vec<String>>,
    /// Guesses, if they were asked for.
    pub guesses: Vec<LotGuess>,
    /// Where the scores come from.
    pub source: Source,
}

const WORD_COLUMNS: [&str; 13] = [
    "lot",
    "arm",
    "taster",
    "replicate",
    "session",
    "flight",
    "previous_lot",
    "cup",
    "brew",
    "recipe",
    "steep",
    "term",
    "excluded",
];

/// A column of words while it grows.
#[derive(Debug, Default)]
struct Growing {
    codes: Vec<Option<u32>>,
    by_word: HashMap<String, u32>,
    words: Vec<String>,
}

impl Growing {
    fn push(&mut self, word: Option<&str>) {
        let code = word.map(|w| {
            // Most columns say the same line after line.
            let last = self.codes.last().copied().flatten();
            if let Some(last) = last.filter(|code| self.words[*code as usize] == w) {
                return last;
            }
            self.by_word.get(w).copied().unwrap_or_else(|| {
                let code = u32::try_from(self.words.len()).unwrap_or(u32::MAX);
                self.by_word.insert(w.to_owned(), code);
                self.words.push(w.to_owned());
                code
            })
        });
        self.codes.push(code);
    }
}

/// Gathers rows into [`Scores`].
#[derive(Debug)]
pub struct Builder {
    columns: [Growing; WORD_COLUMNS.len()],
    value: Vec<f64>,
    position: Vec<Option<f64>>,
    month: Vec<Option<f64>>,
    labels: HashMap<String, Vec<String>>,
}

impl Default for Builder {
    fn default() -> Self {
        Self {
            columns: std::array::from_fn(|_| Growing::default()),
            value: Vec::new(),
            position: Vec::new(),
            month: Vec::new(),
            labels: HashMap::new(),
        }
    }
}

impl Builder {
    /// Adds a score.
    pub fn push(&mut self, row: &ScoreRow<'_>) {
        let words = [
            Some(row.lot),
            row.arm,
            row.taster,
            row.replicate,
            row.session,
            row.flight,
            row.previous_lot,
            row.cup,
            row.brew,
            row.recipe,
            row.steep,
            Some(row.term),
            row.excluded,
        ];
        for (column, word) in self.columns.iter_mut().zip(words) {
            column.push(word);
        }
        let mut value = row.value;
        if let Some(label) = row.label {
            // A category's value is its label's place: labels are numbered here, whatever
            // numbers the caller gave them.
            let labels = self.labels.entry(row.term.to_owned()).or_default();
            let at = labels.iter().position(|l| l == label).unwrap_or_else(|| {
                labels.push(label.to_owned());
                labels.len() - 1
            });
            value = at as f64;
        }
        self.value.push(value);
        self.position.push(row.position);
        self.month.push(row.month);
    }

    /// The table. `terms` are all that were asked, in their order.
    #[must_use]
    pub fn finish(self, terms: Vec<ScoredTerm>, source: Source) -> Scores {
        let mut columns: Vec<Column> = Vec::new();
        let mut words = HashMap::new();
        for (name, grown) in WORD_COLUMNS.into_iter().zip(self.columns) {
            if grown.codes.iter().any(Option::is_some) || name == "lot" || name == "term" {
                columns.push(Series::new(name.into(), grown.codes).into_column());
                words.insert(name, grown.words);
            }
        }
        columns.push(Series::new("value".into(), self.value).into_column());
        for (name, numbers) in [("position", self.position), ("month", self.month)] {
            if numbers.iter().any(Option::is_some) {
                columns.push(Series::new(name.into(), numbers).into_column());
            }
        }
        let frame = DataFrame::new_infer_height(columns)
            .expect("all columns were filled row by row and have names of their own");
        Scores { frame, words, terms, labels: self.labels, guesses: Vec::new(), source }
    }
}

impl Scores {
    /// The terms that were asked, in their order.
    #[must_use]
    pub fn terms(&self) -> &[ScoredTerm] {
        &self.terms
    }

    /// How many scores there are, excluded ones included.
    #[must_use]
    pub fn n_scores(&self) -> usize {
        self.frame.height()
    }

    /// The reasons for which scores are excluded, each with how many.
    #[must_use]
    pub fn exclusions(&self) -> Vec<(String, usize)> {
        let Some(codes) = self.codes("excluded") else { return Vec::new() };
        let words = &self.words["excluded"];
        let mut counts = vec![0; words.len()];
        for code in codes.iter().flatten() {
            counts[code as usize] += 1;
        }
        words.iter().cloned().zip(counts).collect()
    }

    /// All words of a column over all terms, sorted.
    #[must_use]
    pub fn words(&self, column: &str) -> Vec<String> {
        let mut all = self.words.get(column).cloned().unwrap_or_default();
        all.sort_by(|a, b| by_nature(a, b));
        all
    }

    /// The scores of all terms, in their order; excluded rows only if `with_excluded`.
    #[must_use]
    pub fn all_terms(&self, with_excluded: bool) -> Vec<TermScores> {
        let terms = self.terms.par_iter().with_max_len(1);
        terms.filter_map(|t| self.term(&t.id, with_excluded)).collect()
    }

    /// The scores of one term; excluded rows only if `with_excluded`.
    #[must_use]
    pub fn term(&self, id: &str, with_excluded: bool) -> Option<TermScores> {
        let term = self.terms.iter().find(|t| t.id == id)?.clone();
        let code = self.words["term"].iter().position(|w| w == id);
        let codes = self.codes("term").expect("the column of terms is always there");
        let mut rows: Vec<usize> = Vec::new();
        if let Some(code) = code {
            let own = codes.iter().enumerate();
            rows.extend(own.filter(|(_, c)| *c == Some(code as u32)).map(|(row, _)| row));
        }
        let mut n_excluded = 0;
        if let (false, Some(excluded)) = (with_excluded, self.codes("excluded")) {
            let all = rows.len();
            rows.retain(|row| excluded.get(*row).is_none());
            n_excluded = all - rows.len();
        }
        let words = |name: &str| {
            let column = self.codes(name)?;
            let codes = rows.iter().map(|row| column.get(*row)).collect::<Option<Vec<u32>>>()?;
            compact(codes, &self.words[name])
        };
        let numbers = |name: &str| {
            let column: &Float64Chunked = self.frame.column(name).ok()?.f64().ok()?;
            rows.iter().map(|row| column.get(*row)).collect::<Option<Vec<f64>>>()
        };
        let session = words("session");
        let within = |inner: Option<Words>| match (&session, inner) {
            (Some(s), Some(i)) => Some(cross(s, &i)),
            (_, inner) => inner,
        };
        let previous_lot = self.codes("previous_lot").map(|column| {
            let all = &self.words["previous_lot"];
            let word = |row: &usize| column.get(*row).map(|k| all[k as usize].clone());
            rows.iter().map(word).collect()
        });
        let mut found = TermScores {
            values: numbers("value").expect("every row has a value"),
            lot: words("lot").expect("every row has a lot"),
            taster: words("taster"),
            replicate: words("replicate"),
            flight: within(words("flight")),
            cup: within(words("cup")),
            brew: within(words("brew")),
            session,
            recipe: words("recipe"),
            steep: words("steep"),
            previous_lot,
            position: numbers("position"),
            month: numbers("month"),
            labels: self.labels.get(id).cloned().unwrap_or_default(),
            n_excluded,
            term,
        };
        found.put_in_order();
        Some(found)
    }

    fn codes(&self, name: &str) -> Option<&UInt32Chunked> {
        self.frame.column(name).ok()?.u32().ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_term_gives_its_own_columns_only_and_excluded_rows_on_request() {
        let mut b = Builder::default();
        let row = ScoreRow {
            lot: "10",
            taster: Some("x"),
            term: "sweet",
            value: 4.0,
            ..ScoreRow::default()
        };
        b.push(&row);
        b.push(&ScoreRow { lot: "9", value: 5.0, ..row });
        b.push(&ScoreRow { lot: "9", value: 8.0, excluded: Some("cold cup"), ..row });
        b.push(&ScoreRow { lot: "7", term: "body", taster: None, value: 1.0, ..row });
        let term = |id: &str| ScoredTerm {
            id: id.to_owned(),
            scale: ScaleKind::Line,
            ends: None,
            labels: Labels::default(),
            end_words: Ends::new(),
            level_words: Default::default(),
            gaps: 0,
        };
        let scores = b.finish(vec![term("sweet"), term("body"), term("flat")], Source::default());
        let sweet = scores.term("sweet", false).expect("asked");
        // Rows stand in the order of their lots, not of the file.
        assert_eq!(sweet.values, [5.0, 4.0]);
        assert_eq!(sweet.lot, Words { codes: vec![0, 1], names: vec!["9".into(), "10".into()] });
        assert_eq!(sweet.n_excluded, 1);
        assert!(sweet.taster.is_some());
        assert_eq!(scores.term("sweet", true).expect("asked").values, [5.0, 8.0, 4.0]);
        assert!(scores.term("body", false).expect("asked").taster.is_none());
        assert!(scores.term("flat", false).expect("asked").values.is_empty());
        assert!(scores.term("hue", false).is_none());
        assert_eq!(scores.exclusions(), [("cold cup".to_owned(), 1)]);
    }
}
