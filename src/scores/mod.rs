//! The one long table: one line a score, whoever wrote it down. It comes from revealed sessions
//! of a book or from any plain table, and is the only thing that findings read.
//!
//! Inside stands a polars data frame in which words are codes; it does not leave this module:
//! [`Scores::term`] gives the columns of one term as plain vectors.

mod from_revealed;
mod from_table;
mod options;
mod table_file;

use std::cmp::Ordering;
use std::collections::HashMap;

use polars::prelude::{
    ChunkCompareEq, Column, DataFrame, Float64Chunked, IntoColumn, NamedFrom, Series, UInt32Chunked,
};
use schemars::JsonSchema;
use serde::Serialize;

pub use from_revealed::{SessionsError, from_revealed};
pub use from_table::from_table;
pub use options::{TableError, TableOptions};

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
    /// Within which session lots were there to be guessed.
    pub session: String,
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

/// One column of words of one term: a code a row, and the words by code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// One code a row.
    pub codes: Vec<u32>,
    /// The words, sorted as people sort them (2 before 10).
    pub names: Vec<String>,
}

/// The scores of one term, column by column.
#[derive(Debug, Clone, PartialEq)]
pub struct TermScores {
    /// The term.
    pub term: ScoredTerm,
    /// The scores.
    pub values: Vec<f64>,
    /// The lots.
    pub lot: Words,
    /// Each of the other columns if every row has it.
    pub taster: Option<Words>,
    /// Replicates.
    pub replicate: Option<Words>,
    /// Sessions.
    pub session: Option<Words>,
    /// Flights, told apart by session.
    pub flight: Option<Words>,
    /// Cups, told apart by session.
    pub cup: Option<Words>,
    /// Pots.
    pub brew: Option<Words>,
    /// Recipes.
    pub recipe: Option<Words>,
    /// Steeps.
    pub steep: Option<Words>,
    /// The lot before, where there was one.
    pub previous_lot: Option<Vec<Option<String>>>,
    /// Positions in the taster's order.
    pub position: Option<Vec<f64>>,
    /// Months.
    pub month: Option<Vec<f64>>,
    /// Category labels by value.
    pub labels: Vec<String>,
    /// Rows left out here because they are excluded.
    pub n_excluded: usize,
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

    /// The scores of one term; excluded rows only if `with_excluded`.
    #[must_use]
    pub fn term(&self, id: &str, with_excluded: bool) -> Option<TermScores> {
        let term = self.terms.iter().find(|t| t.id == id)?.clone();
        let code = self.words["term"].iter().position(|w| w == id);
        let codes = self.codes("term").expect("the column of terms is always there");
        let mut mask = codes.equal(code.map_or(u32::MAX, |c| c as u32));
        let mut n_excluded = 0;
        if let (false, Some(excluded)) = (with_excluded, self.codes("excluded")) {
            let kept = excluded.is_null();
            n_excluded = (&mask & &!kept.clone()).sum().unwrap_or(0) as usize;
            mask = &mask & &kept;
        }
        let part = self.frame.filter(&mask).expect("the mask has one entry a row");
        let words = |name: &str| {
            let column = part.column(name).ok()?.u32().ok()?;
            let all = &self.words[name];
            compact(column.iter().collect::<Option<Vec<u32>>>()?, all)
        };
        let numbers = |name: &str| {
            let column: &Float64Chunked = part.column(name).ok()?.f64().ok()?;
            column.iter().collect::<Option<Vec<f64>>>()
        };
        let session = words("session");
        let within = |inner: Option<Words>| match (&session, inner) {
            (Some(s), Some(i)) => Some(cross(s, &i)),
            (_, inner) => inner,
        };
        let previous_lot = part.column("previous_lot").ok().and_then(|c| c.u32().ok()).map(|c| {
            let all = &self.words["previous_lot"];
            c.iter().map(|code| code.map(|k| all[k as usize].clone())).collect()
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

impl TermScores {
    /// Labels and rows in an order of their own, so that no result depends on the order in which
    /// lines stand in a file.
    fn put_in_order(&mut self) {
        let mut labels: Vec<usize> = (0..self.labels.len()).collect();
        labels.sort_by(|a, b| by_nature(&self.labels[*a], &self.labels[*b]));
        if !labels.is_empty() {
            let mut place = vec![0.0; labels.len()];
            for (new, old) in labels.iter().enumerate() {
                place[*old] = new as f64;
            }
            self.values.iter_mut().for_each(|v| *v = place[*v as usize]);
            self.labels = labels.iter().map(|l| self.labels[*l].clone()).collect();
        }
        let columns = [
            &self.taster,
            &self.session,
            &self.flight,
            &self.replicate,
            &self.cup,
            &self.brew,
            &self.recipe,
            &self.steep,
        ];
        let key = |row: usize| {
            let words = columns.map(|c| c.as_ref().map_or(0, |w| w.codes[row]));
            (self.lot.codes[row], words)
        };
        let number = |of: &Option<Vec<f64>>, row: usize| of.as_ref().map_or(0.0, |n| n[row]);
        let mut order: Vec<usize> = (0..self.values.len()).collect();
        order.sort_by(|a, b| {
            key(*a)
                .cmp(&key(*b))
                .then_with(|| number(&self.position, *a).total_cmp(&number(&self.position, *b)))
                .then_with(|| number(&self.month, *a).total_cmp(&number(&self.month, *b)))
                .then_with(|| self.values[*a].total_cmp(&self.values[*b]))
        });
        let numbers = |n: &mut Vec<f64>| *n = order.iter().map(|row| n[*row]).collect();
        let words = |w: &mut Words| w.codes = order.iter().map(|row| w.codes[*row]).collect();
        numbers(&mut self.values);
        [&mut self.position, &mut self.month].into_iter().flatten().for_each(numbers);
        words(&mut self.lot);
        let others = [
            &mut self.taster,
            &mut self.session,
            &mut self.flight,
            &mut self.replicate,
            &mut self.cup,
            &mut self.brew,
            &mut self.recipe,
            &mut self.steep,
        ];
        others.into_iter().flatten().for_each(words);
        if let Some(p) = &mut self.previous_lot {
            *p = order.iter().map(|row| p[*row].clone()).collect();
        }
    }
}

/// Codes and words of the words that occur, sorted.
fn compact(codes: Vec<u32>, all: &[String]) -> Option<Words> {
    let mut used: Vec<u32> = codes.clone();
    used.sort_unstable();
    used.dedup();
    used.sort_by(|a, b| by_nature(&all[*a as usize], &all[*b as usize]));
    let mut new = vec![0_u32; all.len()];
    for (at, old) in used.iter().enumerate() {
        new[*old as usize] = u32::try_from(at).ok()?;
    }
    Some(Words {
        codes: codes.into_iter().map(|c| new[c as usize]).collect(),
        names: used.into_iter().map(|c| all[c as usize].clone()).collect(),
    })
}

/// The words of two columns together, only pairs that occur, in the order of both.
#[must_use]
pub fn cross(a: &Words, b: &Words) -> Words {
    let pairs: Vec<(u32, u32)> = a.codes.iter().copied().zip(b.codes.iter().copied()).collect();
    let mut used = pairs.clone();
    used.sort_unstable();
    used.dedup();
    let at: HashMap<(u32, u32), u32> = used.iter().copied().zip(0..).collect();
    Words {
        codes: pairs.iter().map(|p| at[p]).collect(),
        names: used
            .iter()
            .map(|(i, j)| format!("{} {}", a.names[*i as usize], b.names[*j as usize]))
            .collect(),
    }
}

/// The order in which people sort names: runs of digits count as numbers.
#[must_use]
pub fn by_nature(a: &str, b: &str) -> Ordering {
    let (mut x, mut y) = (a.chars().peekable(), b.chars().peekable());
    loop {
        let digits = |it: &mut std::iter::Peekable<std::str::Chars<'_>>| {
            let mut run = String::new();
            while let Some(c) = it.next_if(char::is_ascii_digit) {
                run.push(c);
            }
            run
        };
        match (x.peek().copied(), y.peek().copied()) {
            (Some(c), Some(d)) if c.is_ascii_digit() && d.is_ascii_digit() => {
                let (m, n) = (digits(&mut x), digits(&mut y));
                let (m0, n0) = (m.trim_start_matches('0'), n.trim_start_matches('0'));
                let order = m0.len().cmp(&n0.len()).then_with(|| m0.cmp(n0));
                if order != Ordering::Equal {
                    return order;
                }
            }
            (Some(c), Some(d)) => {
                if c != d {
                    return c.cmp(&d);
                }
                x.next();
                y.next();
            }
            // Names that differ only in leading zeros must still have one order.
            (None, None) => return a.cmp(b),
            (None, _) => return Ordering::Less,
            (_, None) => return Ordering::Greater,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_within_names_sort_as_numbers() {
        let mut names = vec!["T26-10", "T26-2", "T3", "T26-02", "a", "", "2", "10"];
        names.sort_by(|a, b| by_nature(a, b));
        assert_eq!(names, ["", "2", "10", "T3", "T26-02", "T26-2", "T26-10", "a"]);
    }

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
            gaps: 0,
        };
        let scores = b.finish(vec![term("sweet"), term("body"), term("flat")], Source::default());
        let sweet = scores.term("sweet", false).expect("asked");
        assert_eq!(sweet.values, [4.0, 5.0]);
        assert_eq!(sweet.lot, Words { codes: vec![1, 0], names: vec!["9".into(), "10".into()] });
        assert_eq!(sweet.n_excluded, 1);
        assert!(sweet.taster.is_some());
        assert_eq!(scores.term("sweet", true).expect("asked").values, [4.0, 5.0, 8.0]);
        assert!(scores.term("body", false).expect("asked").taster.is_none());
        assert!(scores.term("flat", false).expect("asked").values.is_empty());
        assert!(scores.term("hue", false).is_none());
        assert_eq!(scores.exclusions(), [("cold cup".to_owned(), 1)]);
    }
}
