//! Typst as a library: templates of our own, one embedded face, and the text of a sheet as data.
//!
//! What a person wrote reaches typst only as strings of a JSON file, never as typst source, so no
//! name or note can be read as a command. Date and files are given; nothing outside is read.

use jiff::civil::Date;
use serde_json::Value;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, Timestamp};

use super::SheetError;
use crate::plots::font;

const STYLE: &str = include_str!("typ/style.typ");

/// A sheet ready to be set: a template of this program, and the data that it shows.
pub struct Sheet<'a> {
    /// What it is, for errors and for the document's title, such as `ballot of Ann`.
    pub name: &'a str,
    /// Typst source of the template. It may import `style.typ` and reads `data.json`.
    pub template: &'static str,
    /// What it shows.
    pub data: Value,
    /// Other files that the template reads, such as charts: name and content.
    pub files: Vec<(String, Vec<u8>)>,
    /// The date that the document bears.
    pub date: Date,
}

/// Sets a sheet and returns the bytes of a PDF. The same sheet gives the same bytes.
///
/// # Errors
/// [`SheetError::MissingGlyphs`] if any string of the data holds a character that the embedded face cannot show;
/// [`SheetError::Layout`] if typst refuses the template, which is a fault of this program.
pub fn pdf(sheet: Sheet<'_>) -> Result<Vec<u8>, SheetError> {
    let mut missing = Vec::new();
    check(sheet.name, &sheet.data, &mut missing);
    if !missing.is_empty() {
        return Err(SheetError::MissingGlyphs(missing));
    }
    let name = sheet.name.to_owned();
    let failed = |errors: &[SourceDiagnostic]| SheetError::Layout {
        sheet: name.clone(),
        reason: errors.iter().map(|e| e.message.to_string()).collect::<Vec<_>>().join("; "),
    };
    let date = sheet.date;
    let world = SheetWorld::new(sheet)?;
    let document = typst::compile::<PagedDocument>(&world).output.map_err(|e| failed(&e))?;
    let stamp = Datetime::from_ymd_hms(
        i32::from(date.year()),
        date.month().unsigned_abs(),
        date.day().unsigned_abs(),
        0,
        0,
        0,
    );
    let options = PdfOptions {
        timestamp: stamp.map(Timestamp::new_utc),
        creator: Smart::Custom(Some("Blindsteep".to_owned())),
        ..PdfOptions::default()
    };
    let bytes = typst_pdf::pdf(&document, &options).map_err(|e| failed(&e));
    // What typst remembers between runs would only grow in a program that runs for days.
    typst::comemo::evict(0);
    bytes
}

/// Finds what cannot be shown in all strings of the data. The place is the path of keys to the string,
/// with lists counted from 1.
fn check(place: &str, value: &Value, missing: &mut Vec<font::MissingGlyph>) {
    match value {
        Value::String(text) => missing.extend(font::missing_glyphs(place, text)),
        Value::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                check(&format!("{place} {}", i + 1), item, missing);
            }
        }
        Value::Object(fields) => {
            for (key, field) in fields {
                check(&format!("{place}, {key}"), field, missing);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

/// The few files and the one face that a template may see.
struct SheetWorld {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    font: Font,
    main: Source,
    style: Source,
    files: Vec<(FileId, Bytes)>,
    today: Option<Datetime>,
}

impl SheetWorld {
    fn new(sheet: Sheet<'_>) -> Result<Self, SheetError> {
        let failed = |reason: String| SheetError::Layout { sheet: sheet.name.to_owned(), reason };
        let id = |name: &str| {
            VirtualPath::new(format!("/{name}"))
                .map(|path| RootedPath::new(VirtualRoot::Project, path).intern())
                .map_err(|e| failed(format!("{name}: {e:?}")))
        };
        let font = Font::new(Bytes::new(font::BYTES), 0)
            .ok_or_else(|| failed("the embedded font does not read".to_owned()))?;
        let data = sheet.data.to_string();
        let mut files = vec![(id("data.json")?, Bytes::from_string(data))];
        for (name, content) in sheet.files {
            files.push((id(&name)?, Bytes::new(content)));
        }
        let date = sheet.date;
        Ok(Self {
            library: LazyHash::new(Library::default()),
            book: LazyHash::new(FontBook::from_fonts([&font])),
            font,
            main: Source::new(id("main.typ")?, sheet.template.to_owned()),
            style: Source::new(id("style.typ")?, STYLE.to_owned()),
            files,
            today: Datetime::from_ymd(
                i32::from(date.year()),
                date.month().unsigned_abs(),
                date.day().unsigned_abs(),
            ),
        })
    }
}

impl World for SheetWorld {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        [&self.main, &self.style]
            .into_iter()
            .find(|source| source.id() == id)
            .cloned()
            .ok_or_else(|| not_found(id))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.files
            .iter()
            .find(|(known, _)| *known == id)
            .map(|(_, bytes)| bytes.clone())
            .ok_or_else(|| not_found(id))
    }

    fn font(&self, index: usize) -> Option<Font> {
        (index == 0).then(|| self.font.clone())
    }

    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        self.today
    }
}

fn not_found(id: FileId) -> FileError {
    FileError::NotFound(id.vpath().get_without_slash().into())
}
