//! The text of a plain table: is it one, its header, its lines, the place of each cell.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use super::options::TableError;
use crate::book::problem::Place;
use crate::book::store;

/// The most megabytes a table may have.
const LIMIT_MB: u64 = 64;
/// So much is looked at before a large file is read as a whole; its header must end within it.
const FIRST_LOOK: usize = 64 * 1024;

/// A table's text with its header.
#[derive(Debug)]
pub struct TableFile {
    /// The file as it was named.
    pub name: String,
    path: PathBuf,
    text: String,
    delimiter: u8,
    /// The names in the header, trimmed.
    pub header: Vec<String>,
}

impl TableFile {
    /// Reads a table. Without a delimiter it is the first of comma, semicolon and tab that the
    /// header line has outside quotes.
    ///
    /// # Errors
    /// If the disk refuses, or the file is no table.
    pub fn open(path: &Path, delimiter: Option<char>) -> Result<Self, TableError> {
        let delimiter = delimiter.map(|c| delimiter_byte(path, c)).transpose()?;
        let mut file = File::open(path).map_err(store::io("read", path))?;
        let meta = file.metadata().map_err(store::io("read", path))?;
        if meta.is_dir() {
            return Err(not_a_table(path, "this is a folder", "name the file in it"));
        }
        let mut bytes = Vec::new();
        file.by_ref()
            .take(FIRST_LOOK as u64)
            .read_to_end(&mut bytes)
            .map_err(store::io("read", path))?;
        look_at(path, &bytes)?;
        if meta.len() > LIMIT_MB * 1_000_000 {
            let found = format!("the file holds {} MB", meta.len() / 1_000_000);
            return Err(TableError::NotATable {
                path: path.to_owned(),
                found,
                expected: format!("a table of at most {LIMIT_MB} MB"),
                mend: "split it, or keep only the columns and lines that are asked about".into(),
            });
        }
        file.take(LIMIT_MB * 1_000_000).read_to_end(&mut bytes).map_err(store::io("read", path))?;
        let text = String::from_utf8(bytes).map_err(|e| {
            let upto = e.utf8_error().valid_up_to();
            let line = e.as_bytes()[..upto].iter().filter(|b| **b == b'\n').count() + 1;
            let found = format!("this is not UTF-8 text: the first bad byte is in line {line}");
            not_a_table(path, &found, "save it from the spreadsheet as \"CSV UTF-8\"")
        })?;
        // Spreadsheets write a byte order mark; it means nothing in UTF-8.
        let text = text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text);
        let first = text.lines().find(|l| !l.is_empty()).unwrap_or_default();
        let delimiter = delimiter.unwrap_or_else(|| likely_delimiter(first));
        let mut table = Self {
            name: path.display().to_string(),
            path: path.to_owned(),
            text,
            delimiter,
            header: Vec::new(),
        };
        let header = table.records().next().map(|r| r.cells);
        let Some(header) = header else {
            return Err(not_a_table(path, "the file is empty", "write the header line first"));
        };
        table.header = header.iter().map(|c| c.trim().to_owned()).collect();
        Ok(table)
    }

    /// The lines below the header.
    pub fn lines(&self) -> impl Iterator<Item = Record> {
        self.records().skip(1)
    }

    fn records(&self) -> impl Iterator<Item = Record> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(self.delimiter)
            .from_reader(self.text.as_bytes());
        let mut record = csv::StringRecord::new();
        std::iter::from_fn(move || match reader.read_record(&mut record) {
            Ok(true) => Some(Record {
                start: record.position().map_or(0, |p| p.byte() as usize),
                cells: record.clone(),
            }),
            // The text is UTF-8, the line lengths are free and memory does not fail: no error
            // is left that could end the reading early.
            Ok(false) | Err(_) => None,
        })
    }

    /// The place of a cell (from 0) of a record.
    #[must_use]
    pub fn place(&self, record: &Record, cell: usize) -> Place {
        let text = &self.text;
        let mut start = record.start;
        while text[start..].starts_with(['\n', '\r']) {
            start += 1;
        }
        let delimiter = char::from(self.delimiter);
        let (mut quoted, mut at, mut from) = (false, 0, start);
        let mut end = text.len();
        for (i, c) in text[start..].char_indices() {
            match c {
                '"' => quoted = !quoted,
                _ if quoted => {}
                '\n' => {
                    end = start + i;
                    break;
                }
                _ if c == delimiter => {
                    if at == cell {
                        end = start + i;
                        break;
                    }
                    at += 1;
                    from = start + i + c.len_utf8();
                }
                _ => {}
            }
        }
        let end = from + text[from..end].trim_end_matches('\r').len();
        Place::of_span(text, from..end)
    }

    /// The place of a name in the header.
    #[must_use]
    pub fn header_place(&self, cell: usize) -> Place {
        match self.records().next() {
            Some(record) => self.place(&record, cell),
            None => Place { line: 1, column: 1, width: 1, text: String::new() },
        }
    }

    /// An error about the file as a whole.
    #[must_use]
    pub fn whole(&self, found: &str, mend: &str) -> TableError {
        not_a_table(&self.path, found, mend)
    }
}

/// One line of a table.
#[derive(Debug)]
pub struct Record {
    start: usize,
    /// Its cells, quotes taken off.
    pub cells: csv::StringRecord,
}

fn not_a_table(path: &Path, found: &str, mend: &str) -> TableError {
    TableError::NotATable {
        path: path.to_owned(),
        found: found.to_owned(),
        expected: "a table: a header line with the names of the columns, then one line a score or \
                   a cup, cells separated by commas"
            .to_owned(),
        mend: mend.to_owned(),
    }
}

fn delimiter_byte(path: &Path, c: char) -> Result<u8, TableError> {
    u8::try_from(c).ok().filter(|b| b.is_ascii() && !matches!(b, b'"' | b'\n' | b'\r')).ok_or_else(
        || {
            not_a_table(
                path,
                &format!("{c:?} cannot stand between cells"),
                "give --delimiter one sign such as , or ; or a tab",
            )
        },
    )
}

fn look_at(path: &Path, bytes: &[u8]) -> Result<(), TableError> {
    let save = "save it from the spreadsheet as \"CSV UTF-8\"";
    let found = if bytes.is_empty() {
        return Err(not_a_table(path, "the file is empty", "write the header line first"));
    } else if bytes.starts_with(b"PK\x03\x04") {
        "this is a packed file, perhaps a spreadsheet's own format"
    } else if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        "this is UTF-16 text"
    } else if bytes.contains(&0) {
        "this is not text: it holds zero bytes"
    } else if bytes.len() >= FIRST_LOOK && !bytes.contains(&b'\n') && !bytes.contains(&b'\r') {
        return Err(not_a_table(
            path,
            "the first line does not end within 64 KiB, so it is no header line",
            "name the file with the scores",
        ));
    } else {
        return Ok(());
    };
    Err(not_a_table(path, found, save))
}

fn likely_delimiter(header: &str) -> u8 {
    let mut quoted = false;
    let mut seen = [false; 3];
    for b in header.bytes() {
        match b {
            b'"' => quoted = !quoted,
            b',' if !quoted => seen[0] = true,
            b';' if !quoted => seen[1] = true,
            b'\t' if !quoted => seen[2] = true,
            _ => {}
        }
    }
    [b',', b';', b'\t'].into_iter().zip(seen).find(|(_, s)| *s).map_or(b',', |(d, _)| d)
}
