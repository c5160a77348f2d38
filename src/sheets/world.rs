//! Typst as a library: templates of our own, one embedded face, and the text of a sheet as data.
//!
//! What a person wrote reaches typst only as strings of a JSON file, never as typst source, so no
//! name or note can be read as a command. Date and files are given; nothing outside is read.

use jiff::civil::Date;
use serde_json::Value;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::layout::Abs;
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, Timestamp};
use typst_render::RenderOptions;

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
    Typeset::of(sheet)?.pdf()
}

/// A sheet that is set and can be written in several forms.
pub struct Typeset {
    name: String,
    date: Date,
    document: PagedDocument,
}

impl Typeset {
    /// Sets a sheet.
    ///
    /// # Errors
    /// As for [`pdf`].
    pub fn of(sheet: Sheet<'_>) -> Result<Self, SheetError> {
        check_glyphs(sheet.name, &sheet.data)?;
        let (name, date) = (sheet.name.to_owned(), sheet.date);
        let world = SheetWorld::new(sheet)?;
        let document =
            typst::compile::<PagedDocument>(&world).output.map_err(|e| failed(&name, &e))?;
        Ok(Self { name, date, document })
    }

    /// The bytes of a PDF.
    ///
    /// # Errors
    /// [`SheetError::Layout`] if typst refuses, which is a fault of this program.
    pub fn pdf(&self) -> Result<Vec<u8>, SheetError> {
        let stamp = Datetime::from_ymd_hms(
            i32::from(self.date.year()),
            self.date.month().unsigned_abs(),
            self.date.day().unsigned_abs(),
            0,
            0,
            0,
        );
        let options = PdfOptions {
            timestamp: stamp.map(Timestamp::new_utc),
            creator: Smart::Custom(Some("Blindsteep".to_owned())),
            ..PdfOptions::default()
        };
        typst_pdf::pdf(&self.document, &options).map_err(|e| failed(&self.name, &e))
    }

    /// The bytes of a PNG, the pages below each other.
    ///
    /// # Errors
    /// [`SheetError::Layout`] if the picture cannot be written.
    pub fn png(&self, dpi: f64) -> Result<Vec<u8>, SheetError> {
        const POINTS_AN_INCH: f64 = 72.0;
        let options = RenderOptions {
            pixel_per_pt: (dpi / POINTS_AN_INCH).into(),
            ..RenderOptions::default()
        };
        typst_render::render_merged(&self.document, &options, Abs::zero(), None)
            .encode_png()
            .map_err(|e| SheetError::Layout {
                sheet: self.name.clone(),
                reason: format!("no picture: {e}"),
            })
    }
}

impl Drop for Typeset {
    /// What typst remembers between runs would only grow in a program that runs for days.
    fn drop(&mut self) {
        typst::comemo::evict(0);
    }
}

fn failed(name: &str, errors: &[SourceDiagnostic]) -> SheetError {
    SheetError::Layout {
        sheet: name.to_owned(),
        reason: errors.iter().map(|e| e.message.to_string()).collect::<Vec<_>>().join("; "),
    }
}

/// Whether all strings of the data can be printed.
///
/// # Errors
/// [`SheetError::MissingGlyphs`] with every character that cannot, and where it stands.
pub(super) fn check_glyphs(name: &str, data: &Value) -> Result<(), SheetError> {
    let mut missing = Vec::new();
    check(name, data, &mut missing);
    if missing.is_empty() { Ok(()) } else { Err(SheetError::MissingGlyphs(missing)) }
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
