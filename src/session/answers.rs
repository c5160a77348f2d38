//! Answers typed into a table elsewhere: `cup,term,value` (one answer a line) or one column a
//! term. Every mistake is told with its place before anything is written.

use crate::book::csv_file::place_of_cell;
use crate::book::ids;
use crate::book::problem::{Problem, Problems, did_you_mean};
use crate::book::session_files::SessionFile;

use super::ballots::{GUESS, GUESS_SURE, term_named};
use super::enter::{Answer, Given, Misfit};
use super::sets::set_terms;

/// Answers read from a table, each with the places of its cells.
#[derive(Debug)]
pub struct Answers {
    file: String,
    text: String,
    /// The answers.
    pub answers: Vec<Answer>,
    places: Vec<Places>,
}

/// Where an answer stands: its line from 1, its cells from 0.
#[derive(Debug, Clone, Copy)]
struct Places {
    line: usize,
    cup: usize,
    term: usize,
    steep: usize,
    value: usize,
    /// In a table with one column a term the term stands in the header line.
    term_in_header: bool,
}

impl Answers {
    /// Reads a table. `file` is its name, for errors.
    ///
    /// # Errors
    /// What is wrong in the form of the table; whether the answers fit the session is found out
    /// when they are entered ([`Answers::problems`]).
    pub fn parse(
        file: &str,
        text: &str,
        plan: &SessionFile,
        taster: &str,
    ) -> Result<Self, Problems> {
        let mut problems = Problems::new();
        let mut answers = Self {
            file: file.to_owned(),
            text: text.to_owned(),
            answers: Vec::new(),
            places: Vec::new(),
        };
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .from_reader(text.as_bytes());
        let mut records = reader.records();
        let Some(Ok(header)) = records.next() else {
            problems.push(Problem::new(
                file,
                None,
                "the file is empty",
                "a header line, as cup,term,value, and one line an answer",
                "write the table, or enter the answers without --from",
            ));
            return Err(problems);
        };
        if header.len() == 1 && header[0].contains([';', '\t']) {
            problems.push(Problem::new(
                file,
                Some(place_of_cell(text, 1, 0)),
                "the cells are not separated by commas",
                "commas between cells, and a point before decimals",
                "save the table as CSV with commas and decimal points",
            ));
            return Err(problems);
        }
        let columns = Columns::of(&answers, &header, plan, &mut problems);
        let Some(columns) = columns.filter(|_| problems.is_empty()) else { return Err(problems) };
        for record in records.flatten() {
            let line = record.position().map_or(0, |p| p.line() as usize);
            if record.iter().all(|c| c.trim().is_empty()) {
                continue;
            }
            if record.len() != header.len() {
                problems.push(answers.problem(
                    line,
                    record.len().min(header.len()).saturating_sub(1),
                    format!("the line has {} cells", record.len()),
                    format!("{} cells, as in the header line", header.len()),
                    "a cell with a comma or a quote in it needs quotes around it",
                ));
                continue;
            }
            answers.read_line(line, &record, &columns, taster, &mut problems);
        }
        problems.or(answers)
    }

    /// The mistakes that were found when the answers were entered, at their places.
    #[must_use]
    pub fn problems(&self, misfits: &[Misfit]) -> Problems {
        let mut problems = Problems::new();
        for misfit in misfits {
            let Some(places) = self.places.get(misfit.answer) else { continue };
            let (line, cell) = match misfit.column {
                "cup" => (places.line, places.cup),
                "steep" => (places.line, places.steep),
                "term" if places.term_in_header => (1, places.term),
                "term" => (places.line, places.term),
                _ => (places.line, places.value),
            };
            let w = &misfit.wrong;
            problems.push(self.problem(line, cell, &w.found, &w.expected, &w.mend));
        }
        problems
    }

    fn problem(
        &self,
        line: usize,
        cell: usize,
        found: impl Into<String>,
        expected: impl Into<String>,
        mend: impl Into<String>,
    ) -> Problem {
        let place = place_of_cell(&self.text, line, cell);
        Problem::new(self.file.clone(), Some(place), found, expected, mend)
    }

    fn read_line(
        &mut self,
        line: usize,
        record: &csv::StringRecord,
        columns: &Columns,
        taster: &str,
        problems: &mut Problems,
    ) {
        let cell = |at: usize| record.get(at).unwrap_or("").trim();
        let Ok(cup) = cell(columns.cup).parse::<u16>() else {
            problems.push(self.problem(
                line,
                columns.cup,
                format!("\"{}\" is not the code of a cup", cell(columns.cup)),
                "a code from 100 to 999",
                "look at the code on the cup",
            ));
            return;
        };
        if let Some(at) = columns.taster
            && !cell(at).is_empty()
            && !ids::same(cell(at), taster)
        {
            problems.push(self.problem(
                line,
                at,
                format!("this line is {}'s, not {taster}'s", cell(at)),
                format!("answers of {taster} only"),
                "enter each taster's answers from a file of their own",
            ));
            return;
        }
        let steep = match columns.steep.map(|at| (at, cell(at))) {
            None | Some((_, "")) => None,
            Some((at, text)) => match text.parse::<u32>() {
                Ok(steep) => Some(steep),
                Err(_) => {
                    problems.push(self.problem(
                        line,
                        at,
                        format!("\"{text}\" is not a steep"),
                        "a whole number from 1",
                        "correct the steep",
                    ));
                    return;
                }
            },
        };
        let mut note = columns.note.map(cell).filter(|n| !n.is_empty()).map(str::to_owned);
        let asked: Vec<(usize, usize, String)> = match &columns.answers {
            AnswerColumns::Long { term, value } => vec![(*term, *value, cell(*term).to_owned())],
            AnswerColumns::Wide(terms) => {
                terms.iter().map(|(at, term)| (*at, *at, term.clone())).collect()
            }
        };
        let before = self.answers.len();
        for (term_at, value_at, term) in asked {
            let Some(given) = Given::of_text(cell(value_at)) else { continue };
            let is_guess = ids::same(&term, GUESS) || ids::same(&term, GUESS_SURE);
            self.answers.push(Answer {
                cup,
                // In a table with one column a term a guess may stand beside a steep.
                steep: if is_guess && columns.is_wide() { None } else { steep },
                term,
                given,
                note: note.take(),
            });
            self.places.push(Places {
                line,
                cup: columns.cup,
                term: term_at,
                steep: columns.steep.unwrap_or(columns.cup),
                value: value_at,
                term_in_header: columns.is_wide(),
            });
        }
        if let (Some(at), true) = (columns.note, self.answers.len() == before && note.is_some()) {
            problems.push(self.problem(
                line,
                at,
                "a note without an answer",
                "a note beside an answer",
                "give a value, - for declined, or lost; or take the note out",
            ));
        }
    }
}

struct Columns {
    cup: usize,
    steep: Option<usize>,
    note: Option<usize>,
    taster: Option<usize>,
    answers: AnswerColumns,
}

enum AnswerColumns {
    Long { term: usize, value: usize },
    Wide(Vec<(usize, String)>),
}

impl Columns {
    fn is_wide(&self) -> bool {
        matches!(self.answers, AnswerColumns::Wide(_))
    }

    fn of(
        answers: &Answers,
        header: &csv::StringRecord,
        plan: &SessionFile,
        problems: &mut Problems,
    ) -> Option<Self> {
        let names: Vec<&str> =
            header.iter().map(|n| n.trim().trim_start_matches('\u{feff}')).collect();
        let at = |name: &str| names.iter().position(|n| n.eq_ignore_ascii_case(name));
        for (i, name) in names.iter().enumerate() {
            if names[..i].iter().any(|n| n.eq_ignore_ascii_case(name)) {
                problems.push(answers.problem(
                    1,
                    i,
                    format!("the column \"{name}\" stands here a second time"),
                    "each column once",
                    "take one of the two out",
                ));
            }
        }
        let Some(cup) = at("cup") else {
            problems.push(answers.problem(
                1,
                0,
                "there is no column \"cup\"",
                "cup,term,value (one answer a line), or cup and one column a term, with commas between",
                did_you_mean("cup", names.iter().copied(), "add the column with the codes of the cups"),
            ));
            return None;
        };
        let (steep, note, taster) = (at("steep"), at("note"), at("taster"));
        let long = at("term").zip(at("value"));
        let mut wide = Vec::new();
        for (i, name) in names.iter().enumerate() {
            let known = [Some(cup), steep, note, taster].contains(&Some(i));
            if known || long.is_some_and(|(t, v)| i == t || i == v) {
                continue;
            }
            let guess = [GUESS, GUESS_SURE].into_iter().find(|g| ids::same(g, name));
            let set_term = set_terms(plan).into_iter().find(|t| ids::same(t, name));
            let term = guess
                .or(set_term)
                .map(str::to_owned)
                .or_else(|| term_named(plan, name).map(|t| t.id.clone()));
            match term {
                Some(term) if long.is_none() => wide.push((i, term)),
                _ => {
                    let mut known = vec!["steep", "note", "taster"];
                    if long.is_none() {
                        known.extend(set_terms(plan));
                    }
                    problems.push(answers.problem(
                        1,
                        i,
                        format!("\"{name}\" is not a column of this table"),
                        format!("one of {}", known.join(", ")),
                        did_you_mean(name, known.iter().copied(), "take the column out"),
                    ));
                }
            }
        }
        for (i, (at, term)) in wide.iter().enumerate() {
            if wide[..i].iter().any(|(_, t)| t == term) {
                problems.push(answers.problem(
                    1,
                    *at,
                    format!("a second column for {term}"),
                    "one column a term",
                    "take one of the two out",
                ));
            }
        }
        let answers_in = match long {
            Some((term, value)) => AnswerColumns::Long { term, value },
            None if wide.is_empty() => {
                if problems.is_empty() {
                    problems.push(answers.problem(
                        1,
                        cup,
                        "there is no column with answers",
                        "the columns term and value, or one column a term",
                        "add them",
                    ));
                }
                return None;
            }
            None => AnswerColumns::Wide(wide),
        };
        Some(Self { cup, steep, note, taster, answers: answers_in })
    }
}
