//! Lines of a table that stand there twice.

use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

use super::options::TableOptions;
use super::table_file::{Record, TableFile};

/// Lines that are the same in every cell as a line before them.
#[derive(Default)]
pub(super) struct Doubles {
    /// Of 64 bits each: a million lines collide by chance once in thirty million tables.
    seen: HashSet<u64>,
    n: usize,
    first: Option<usize>,
}

impl Doubles {
    /// Takes a line in.
    pub(super) fn count(&mut self, file: &TableFile, record: &Record) {
        let mut hasher = DefaultHasher::new();
        for cell in &record.cells {
            cell.trim().hash(&mut hasher);
        }
        if !self.seen.insert(hasher.finish()) {
            self.n += 1;
            self.first.get_or_insert_with(|| file.place(record, 0).line);
        }
    }

    /// What is to be said of them.
    pub(super) fn note(&self, options: &TableOptions) -> Option<String> {
        let line = self.first?;
        let lines = if self.n == 1 {
            format!("line {line} is the same in every cell as a line before it")
        } else {
            format!(
                "{} lines are the same in every cell as a line before them (the first is line {line})",
                self.n
            )
        };
        let mend = if options.replicate.is_some() {
            "take out what was pasted twice"
        } else {
            "take out what was pasted twice; of servings that were scored alike, name the column \
             that tells them apart with --replicate"
        };
        Some(format!("{lines}, and all are counted: {mend}"))
    }
}
