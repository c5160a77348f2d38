//! The forms of descriptions, and their saving: the text of the file is changed, checked as `check` would, and
//! replaced only if nobody changed it meanwhile.

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde::Deserialize;
use toml_edit::{Document, DocumentMut, Item, Table, TableLike};

use super::asked_back::{self, Looked};
use super::field_words::{self, Shown};
use super::tables::{Field, Form, begin_of, part_mut, table, table_mut, write};
use super::texts::{conflict, readable};
use super::things::{self, Thing};
use super::{Body, classes, fields, lot_page, sheet, shown};
use crate::book::far::odd_day;
use crate::book::problem::Problems;
use crate::book::proposed::{Saved, Text};
use crate::book::reading::BOOK;
use crate::book::retasting::RETASTING;
use crate::book::writing::{refused, with_table};
use crate::book::{BookError, ids, starter};
use crate::desk::mistakes::{Mistakes, Wrong, with_wrong};
use crate::desk::page::{Part, Reader, aside, failed, go, text_field, token};
use crate::desk::posted::Posted;
use crate::desk::told::Names;
use crate::desk::{App, Shared};
use crate::session::before_made;

/// Which table is edited.
#[derive(Debug, Clone, PartialEq, Eq)]
enum What {
    /// A thing of an id; none: a new one.
    Thing(Thing, Option<String>),
    /// book.toml.
    Book,
    /// A lot's description.
    Lot(String),
}

/// Which one of a kind.
#[derive(Debug, Default, Deserialize)]
pub struct Which {
    #[serde(default)]
    id: String,
}

/// The fields of one table: that of the file itself, or of a name.
type Tables = Vec<(Option<&'static str>, Vec<Field>)>;

impl What {
    fn of(kind: &str, id: &str) -> Result<Self, BookError> {
        if kind == "book" {
            return Ok(Self::Book);
        }
        let thing = Thing::ALL.into_iter().find(|t| t.name() == kind).ok_or_else(|| {
            let known: Vec<&str> = Thing::ALL.into_iter().map(Thing::name).collect();
            refused(
                format!("there are no things called \"{kind}\""),
                known.join(", "),
                "name one of these",
            )
        })?;
        Ok(Self::Thing(thing, Some(id.to_owned()).filter(|i| !i.is_empty())))
    }

    fn file(&self) -> String {
        match self {
            Self::Thing(thing, _) => thing.file().to_owned(),
            Self::Book => BOOK.to_owned(),
            Self::Lot(id) => format!("lots/{id}/lot.toml"),
        }
    }

    fn part(&self) -> Part {
        if matches!(self, Self::Lot(_)) { Part::Lots } else { Part::SetUp }
    }

    fn back(&self) -> String {
        match self {
            Self::Thing(thing, _) => thing.page().to_owned(),
            Self::Book => "/setup".to_owned(),
            Self::Lot(id) => lot_page(id),
        }
    }

    fn address(&self) -> String {
        match self {
            Self::Thing(thing, id) => {
                let id =
                    id.as_ref().map_or_else(String::new, |id| format!("?id={}", super::asked(id)));
                format!("/setup/edit/{}{id}", thing.name())
            }
            Self::Book => "/setup/edit/book".to_owned(),
            Self::Lot(id) => format!("{}/edit", lot_page(id)),
        }
    }

    /// The editor of the whole file's text.
    fn text_page(&self) -> String {
        match self {
            Self::Lot(id) => format!("{}/text", lot_page(id)),
            _ => format!("/setup/text/{}", self.file()),
        }
    }

    fn title(&self, reader: &Reader) -> String {
        let say = reader.say;
        match self {
            Self::Thing(thing, Some(id)) => format!("{}{}{id}", thing.word(say), say.0.colon()),
            Self::Thing(thing, None) => say
                .of(format!("{}: a new one", thing.word(say)), format!("新增{}", thing.word(say))),
            Self::Book => say.of("The book", "本册").to_owned(),
            Self::Lot(id) => say.of(format!("Edit {id}"), format!("编辑 {id}")),
        }
    }

    fn tables(&self, app: &App, reader: &Reader) -> Result<Tables, BookError> {
        match self {
            Self::Thing(thing, _) => Ok(vec![(None, thing.fields(app, reader.say)?)]),
            Self::Book => things::book(app, reader.say),
            Self::Lot(_) => Ok(vec![(None, things::lot(app, reader.say))]),
        }
    }

    /// The table as it stands in the file.
    fn find<'a>(&self, doc: &'a Table, part: Option<&str>) -> Option<&'a dyn TableLike> {
        match (self, part) {
            (Self::Thing(thing, id), _) => table(doc, thing.name(), id.as_deref()?),
            (_, Some(part)) => doc.get(part)?.as_table_like(),
            (_, None) => Some(doc),
        }
    }

    /// Where it begins in the text that was read.
    fn begin(&self, doc: &Table, part: Option<&str>) -> usize {
        let at = match (self, part) {
            (Self::Thing(thing, id), _) => {
                id.as_ref().and_then(|id| begin_of(doc, thing.name(), id))
            }
            (_, Some(part)) => doc.get(part).and_then(Item::span).map(|s| s.start),
            (_, None) => None,
        };
        at.unwrap_or_default()
    }
}

/// The text of the file, or of what counts without one.
fn text_of(app: &App, file: &str) -> Result<Text, BookError> {
    let mut text = app.book().text_of(file)?;
    if text.digest.is_none() && file == RETASTING {
        text.text = starter::RETASTING.to_owned();
    }
    Ok(text)
}

fn document(text: &Text, what: &What) -> Result<DocumentMut, BookError> {
    text.text.parse().map_err(|e: toml_edit::TomlError| {
        refused(
            format!("{} is not TOML: {}", what.file(), e.message()),
            "a file whose form is right",
            format!("mend its text at {}", what.text_page()),
        )
    })
}

/// The form of a thing, or of the book.
pub async fn form(
    State(app): State<Shared>,
    reader: Reader,
    Path(kind): Path<String>,
    Query(which): Query<Which>,
) -> Response {
    shown(app, reader, Part::SetUp, move |app, reader| {
        let what = What::of(&kind, &which.id)?;
        form_of(app, reader, &what, None)
    })
    .await
}

/// The form of what a lot is.
pub async fn lot_form(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        let id = app.book().lot(&id)?.id;
        form_of(app, reader, &What::Lot(id), None)
    })
    .await
}

fn form_of(
    app: &App,
    reader: &Reader,
    what: &What,
    typed: Option<&Posted>,
) -> Result<Body, BookError> {
    let say = reader.say;
    let text = text_of(app, &what.file())?;
    let doc = document(&text, what)?;
    if let What::Thing(thing, Some(id)) = what
        && what.find(&doc, None).is_none()
    {
        return Err(refused(
            format!("{} has no {} \"{id}\"", what.file(), thing.name()),
            "one that is there",
            "choose it from the list",
        ));
    }
    let languages = languages(app);
    let seen = typed
        .map_or_else(|| text.digest.clone().unwrap_or_default(), |p| p.text("seen").to_owned());
    let body = html! {
        p { a href=(what.back()) { (say.of("Back", "返回")) } " · " a href=(what.text_page()) { (say.of("as text: ", "文本：")) (what.file()) } }
        @if let What::Thing(thing, _) = what { p.hint { (thing.note(say)) } }
        form method="post" action=(what.address()) {
            (token(reader))
            input type="hidden" name="seen" value=(seen);
            @if let What::Thing(thing, None) = what {
                (text_field("id", say.of("Id", "编号"), if *thing == Thing::Parameter { say.of("the step, a point, the name, as wither.hours; it cannot change later", "步骤、点、名称，如 wither.hours；以后不可更改") } else { say.of("letters, digits, - _ . ; it cannot change later", "字母、数字、- _ . ；以后不可更改") }, typed.map_or("", |p| p.text("id"))))
            }
            @for (part, fields) in what.tables(app, reader)? {
                @if let Some(part) = part { h2 { (part_name(part, reader)) } }
                @let form = Form { say, languages: &languages, there: what.find(&doc, part), typed };
                @for field in &fields { (form.show(field)) }
            }
            button { (say.of("Check and save", "检查并保存")) }
        }
    };
    Ok((what.title(reader), body))
}

fn part_name(part: &str, reader: &Reader) -> &'static str {
    match part {
        "defaults" => reader.say.of("What is taken where nothing is said", "默认值"),
        "ballot" => reader.say.of("The ballot on phones", "手机评茶单"),
        _ => reader.say.of("The panel's own limits", "评茶组的限值"),
    }
}

/// The languages of the book; English where they cannot be read.
fn languages(app: &App) -> Vec<String> {
    app.cache.book_file().map_or_else(|_| vec!["en".to_owned()], |b| b.value.languages.clone())
}

/// Saves a thing, or the book.
pub async fn save(
    State(app): State<Shared>,
    reader: Reader,
    Path(kind): Path<String>,
    Query(which): Query<Which>,
    posted: Posted,
) -> Response {
    match What::of(&kind, &which.id) {
        Ok(what) => saved(app, reader, what, posted).await,
        Err(e) => failed(&app, &reader, Part::SetUp, &e),
    }
}

/// Saves what a lot is.
pub async fn lot_save(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    posted: Posted,
) -> Response {
    let of = std::sync::Arc::clone(&app);
    let found = aside(move || {
        of.book().lot_ids().map(|all| all.into_iter().find(|k| ids::same(k, &id)).unwrap_or(id))
    });
    match found.await {
        Ok(Ok(id)) => saved(app, reader, What::Lot(id), posted).await,
        Ok(Err(e)) => failed(&app, &reader, Part::Lots, &e),
        Err(broken) => broken,
    }
}

async fn saved(app: Shared, reader: Reader, what: What, posted: Posted) -> Response {
    let work = move || {
        let say = reader.say;
        let again = |above: Markup| match form_of(&app, &reader, &what, Some(&posted)) {
            Ok((title, body)) => {
                let body = html! { (above) (body) };
                let body = sheet(&app, &reader, what.part(), &title, &body);
                (StatusCode::CONFLICT, body).into_response()
            }
            Err(e) => failed(&app, &reader, what.part(), &e),
        };
        match change(&app, &reader, &what, &posted) {
            Ok(Saved::Done) => {
                app.tell(
                    say.of(
                        format!("{} is saved.", what.file()),
                        format!("已保存 {}。", what.file()),
                    ),
                );
                go(&what.back())
            }
            Ok(Saved::Changed(now)) => {
                let above = html! {
                    (conflict(&reader, &what.file(), &now.text, &now))
                    p { (say.of("What you typed stands below; open the page anew to see what is there now, and type it there.", "您填写的内容在下方；请重新打开本页查看现状后再填写。")) " " a href=(what.address()) { (say.of("Open it anew", "重新打开")) } }
                };
                again(above)
            }
            Err(wrong) => match form_of(&app, &reader, &what, Some(&posted)) {
                Ok((title, form)) => {
                    let typed = posted.0.iter().map(|(_, text)| text.clone());
                    let names = field_names(&app, &reader, &what).beside(typed);
                    let (status, body) = with_wrong((&app, &reader), &posted, &wrong, form, &names);
                    (status, sheet(&app, &reader, what.part(), &title, &body)).into_response()
                }
                Err(e) => failed(&app, &reader, what.part(), &e),
            },
        }
    };
    aside(work).await.unwrap_or_else(|broken| broken)
}

/// What the keys of the file are called on the form.
fn field_names(app: &App, reader: &Reader, what: &What) -> Names {
    let tables = what.tables(app, reader).unwrap_or_default();
    let fields = tables.iter().flat_map(|(_, fields)| fields);
    Names::of_keys(fields.map(|f| (f.key, f.label)))
}

/// Why a new thing cannot have an id.
fn new_id(thing: Thing, id: &str, doc: &DocumentMut) -> Result<(), BookError> {
    if let Some(there) = table(doc, thing.name(), id) {
        return Err(refused(
            format!(
                "there is a {} \"{}\" already",
                thing.name(),
                super::tables::text_of(there, "id")
            ),
            "an id that none has, without regard to upper and lower case",
            "choose another",
        ));
    }
    if id.is_empty() {
        return Err(refused("the id is empty", ids::RULE, "fill it in"));
    }
    // Said of the field, and not of a line that is only about to be written.
    let parameter = matches!(thing, Thing::Parameter);
    let fits = |part: &str| ids::is_id(part) && !part.contains('.');
    let is_id = match id.split_once('.') {
        Some((step, name)) if parameter => fits(step) && fits(name),
        _ => !parameter && ids::is_id(id),
    };
    if is_id {
        return Ok(());
    }
    let rule = if parameter {
        "a step of making, a point and a name, as wither.hours, of ASCII letters, digits, - and _"
    } else {
        ids::RULE
    };
    let found = format!("\"{id}\" cannot be the id of a {}", thing.name());
    Err(refused(found, rule, "choose another id"))
}

fn change(app: &App, reader: &Reader, what: &What, posted: &Posted) -> Result<Saved, Wrong> {
    let file = what.file();
    let mut text = text_of(app, &file)?;
    let seen = posted.filled("seen");
    if text.digest.as_deref() != seen {
        return Ok(Saved::Changed(text));
    }
    let mut amiss = Mistakes::default();
    let mut what = what.clone();
    if let What::Thing(thing, new @ None) = &mut what {
        let id = posted.text("id");
        let doc = document(&text, &What::Thing(*thing, None))?;
        amiss.take("id", new_id(*thing, id, &doc));
        // An id that cannot be is refused in the end; the other fields are looked at all the same.
        let id = if amiss.has("id") { NO_ID } else { id };
        text.text = with_table(&text.text, thing.name(), vec![vec![("id", toml_edit::value(id))]]);
        *new = Some(id.to_owned());
    }
    let mut doc = document(&text, &what)?;
    let languages = languages(app);
    let tables = what.tables(app, reader)?;
    for (part, fields) in &tables {
        let of: Option<&mut dyn TableLike> = match (&what, part) {
            (What::Thing(thing, Some(id)), _) => table_mut(&mut doc, thing.name(), id),
            (_, Some(part)) => part_mut(&mut doc, part),
            (_, None) => Some(doc.as_table_mut()),
        };
        let Some(of) = of else {
            return Err(Wrong::Book(refused(
                format!("{file} is not as this form knows it"),
                "tables that are written as such",
                format!("edit its text at {}", what.text_page()),
            )));
        };
        for field in fields {
            write(field, of, posted, &languages, &mut amiss);
        }
        // A table of which nothing is said is not written.
        if let Some(part) = part.filter(|_| of.is_empty()) {
            doc.remove(part);
        }
    }
    if let What::Lot(id) = &what {
        amiss.take("class", classes::must_be_meant(app, posted, reader.say));
        odd_in_lot(app, reader, (posted, id), &mut amiss)?;
    }
    let (text, lots) = (doc.to_string(), readable(app));
    let tasted = before_made::problems_of_text(app.book(), &file, &text)?;
    let problems = if !tasted.is_empty() {
        let mut problems = app.book().mistakes_of_text(&file, &text, &lots)?;
        tasted.sorted().into_iter().cloned().for_each(|p| problems.push(p));
        problems
    } else if amiss.is_empty() {
        match app.book().save_text(&file, &text, seen, &lots) {
            Err(BookError::Records(problems)) => problems,
            other => return Ok(other?),
        }
    } else {
        // What else is wrong is told with it.
        app.book().mistakes_of_text(&file, &text, &lots)?
    };
    noted(reader, &what, (&problems, &text), &tables, amiss)
}

/// Stands for an id that cannot be, while the other fields are looked at.
const NO_ID: &str = "-";

/// What is wrong in the text that was to be saved, beside its fields.
fn noted(
    reader: &Reader,
    what: &What,
    (problems, text): (&Problems, &str),
    tables: &Tables,
    mut amiss: Mistakes,
) -> Result<Saved, Wrong> {
    let file = what.file();
    let Ok(doc) = Document::parse(text) else {
        return Err(Wrong::Book(BookError::Records(problems.clone())));
    };
    let shown: Vec<Shown<'_>> = tables
        .iter()
        .filter_map(|(part, fields)| {
            let (table, begin) = (what.find(&doc, *part)?, what.begin(&doc, *part));
            Some(Shown { table, begin, fields })
        })
        .collect();
    field_words::note(reader.say, problems, (&file, text), &shown, &mut amiss);
    Err(Wrong::Form(amiss))
}

/// Kilograms that are far from those of the other lots, and odd days, are asked back, if they are new.
fn odd_in_lot(
    app: &App,
    reader: &Reader,
    (posted, id): (&Posted, &str),
    amiss: &mut Mistakes,
) -> Result<(), BookError> {
    let (lots, parameters) = (app.cache.lots_and_mistakes()?.lots, app.cache.parameters()?);
    let was = lots.iter().find(|l| ids::same(&l.id, id)).map(|l| &l.file.value);
    let (of, say) = (&parameters.value, reader.say);
    if !amiss.has("kg") {
        let kg = fields::number(posted.text("kg"))?;
        let kg = kg.filter(|kg| *kg > 0.0 && Some(*kg) != was.and_then(|l| l.kg));
        let looked = Looked { lot: None, id, lots: &lots, parameters: of, days: None, say };
        looked.kilograms(posted, "kg", kg, amiss);
    }
    let today = app.now().day();
    let made =
        fields::day_of(posted.text("made")).ok().filter(|d| was.is_none_or(|l| l.made != *d));
    let picked = fields::days_of(posted.text("picked")).unwrap_or_default();
    let mut picked = picked.into_iter().filter(|d| was.is_none_or(|l| !l.picked.contains(d)));
    for (field, day) in [("made", made), ("picked", picked.find(|d| odd_day(*d, today).is_some()))]
    {
        if !amiss.has(field) {
            asked_back::day((posted, say), field, day, today, amiss);
        }
    }
    Ok(())
}
