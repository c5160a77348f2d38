//! Forms for the tables of a description: what stands in the file fills the fields, and what is sent changes
//! those values alone. Comments and all else stay as they are written.

use maud::{Markup, html};
use toml_edit::{Array, DocumentMut, InlineTable, Item, Table, TableLike, Value};

use super::{classes, fields};
use crate::book::writing::refused;
use crate::book::{BookError, ids};
use crate::desk::mistakes::Mistakes;
use crate::desk::page::{choice, field, text_field};
use crate::desk::posted::Posted;
use crate::desk::say::Say;

/// What a field of a table holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Holds {
    /// A line of text.
    Text,
    /// A class of tea: these are offered.
    Class(Vec<String>),
    /// More than a line.
    Long,
    /// A number.
    Number,
    /// A whole number.
    Whole,
    /// A day.
    Day,
    /// Days, with spaces between them.
    Days,
    /// Texts, with commas between them.
    Texts,
    /// Whole numbers, with spaces between them.
    Wholes,
    /// Two numbers, the low one first.
    Range,
    /// A text in each language of the book.
    Labels,
    /// One of these: what is written, and its word.
    OneOf(Vec<(String, String)>),
    /// Some of these.
    SomeOf(Vec<(String, String)>),
    /// Levels: a line each, id | label | label.
    Levels,
    /// How a term is answered.
    Scale,
}

/// A field of a table.
#[derive(Debug, Clone)]
pub struct Field {
    /// Its key in the file.
    pub key: &'static str,
    /// Its label.
    pub label: &'static str,
    /// What is to be known of it.
    pub hint: String,
    /// What it holds.
    pub holds: Holds,
}

impl Field {
    /// A field.
    pub fn new(
        key: &'static str,
        label: &'static str,
        hint: impl Into<String>,
        holds: Holds,
    ) -> Self {
        Self { key, label, hint: hint.into(), holds }
    }
}

/// What all fields of a form share.
pub struct Form<'a> {
    /// The reader's language.
    pub say: Say,
    /// The languages of the book.
    pub languages: &'a [String],
    /// What stands in the file.
    pub there: Option<&'a dyn TableLike>,
    /// What was typed; none: the form is shown the first time.
    pub typed: Option<&'a Posted>,
}

fn plain(item: &Item) -> String {
    match item.as_value() {
        Some(v) => plain_value(v),
        None => String::new(),
    }
}

fn plain_value(value: &Value) -> String {
    match value {
        Value::String(s) => s.value().clone(),
        Value::Integer(i) => i.value().to_string(),
        Value::Float(x) => x.value().to_string(),
        Value::Boolean(b) => b.value().to_string(),
        Value::Datetime(d) => d.value().to_string(),
        Value::Array(a) => a.iter().map(plain_value).collect::<Vec<_>>().join(", "),
        Value::InlineTable(_) => value.to_string().trim().to_owned(),
    }
}

/// The name of a language in its own words.
fn language(code: &str) -> &str {
    match code {
        "en" => "English",
        "zh" => "中文",
        other => other,
    }
}

const SCALES: [(&str, &str, &str); 7] = [
    ("line", "line: how much of it", "线性标度：强弱"),
    ("bipolar", "bipolar: between two opposites", "双极标度：两端相反"),
    ("ordered", "ordered: levels in an order", "有序等级"),
    ("nominal", "nominal: kinds without an order", "无序类别"),
    ("tick", "tick: there or not", "勾选：有无"),
    ("fault", "fault: absent, trace, clear, rejects", "缺陷：无、微、明显、拒收"),
    ("note", "note: free words", "备注：自由文字"),
];

impl Form<'_> {
    /// What stands in a field: what was typed, else what the file says.
    fn at(&self, name: &str, of_file: impl FnOnce(&dyn TableLike) -> Option<String>) -> String {
        match self.typed {
            Some(posted) => posted.text(name).to_owned(),
            None => self.there.and_then(of_file).unwrap_or_default(),
        }
    }

    /// A field with its label and hint.
    pub fn show(&self, f: &Field) -> Markup {
        let (key, label, hint) = (f.key, f.label, f.hint.as_str());
        let say = self.say;
        let text = || self.at(key, |t| t.get(key).map(plain));
        match &f.holds {
            Holds::Text | Holds::Number | Holds::Whole | Holds::Texts => {
                text_field(key, label, hint, &text())
            }
            Holds::Class(known) => html! {
                (field(key, label, hint, html! {
                    input id=(key) name=(key) value=(text()) list="classes" autocomplete="off" aria-describedby={ (key) "-hint" };
                    (classes::suggestions(known, say))
                }))
                @if let Some(typed) = self.typed {
                    (classes::meant(typed.text(key), known, say, typed.ticked("class-meant")))
                }
            },
            Holds::Days | Holds::Wholes => text_field(key, label, hint, &text().replace(", ", " ")),
            Holds::Long => fields::long(key, label, hint, &text()),
            Holds::Day => fields::day(key, label, hint, &text()),
            Holds::OneOf(options) => choice(key, label, hint, options, &text()),
            Holds::SomeOf(options) => {
                let on: Vec<String> = match self.typed {
                    Some(posted) => posted.all(key),
                    None => text().split(", ").map(str::to_owned).collect(),
                };
                html! {
                    fieldset.some { legend { (label) }
                        @if !hint.is_empty() { p.hint { (hint) } }
                        @for (value, word) in options {
                            p.tick { label { input type="checkbox" name=(key) value=(value) checked[on.contains(value)]; " " (word) } }
                        }
                    }
                }
            }
            Holds::Range => {
                let both: Vec<String> = text().split(", ").map(str::to_owned).collect();
                let part = |i: usize, name: &str| self.at(name, |_| both.get(i).cloned());
                let (low, high) = (format!("{key}.low"), format!("{key}.high"));
                html! {
                    fieldset.pair { legend { (label) }
                        (text_field(&low, say.of("from", "自"), "", &part(0, &low)))
                        (text_field(&high, say.of("to", "至"), hint, &part(1, &high)))
                    }
                }
            }
            Holds::Labels => html! {
                fieldset.pair { legend { (label) }
                    @for (i, code) in self.languages.iter().enumerate() {
                        @let name = format!("{key}.{code}");
                        @let value = self.at(&name, |t| Some(plain(t.get(key)?.as_table_like()?.get(code)?)));
                        (text_field(&name, language(code), if i == 0 { hint } else { "" }, &value))
                    }
                }
            },
            Holds::Levels => {
                let levels = self.at(key, |t| Some(self.levels_of(t.get(key)?)));
                fields::long(key, label, &self.levels_hint(), &levels)
            }
            Holds::Scale => self.scale(f),
        }
    }

    fn levels_hint(&self) -> String {
        let languages: Vec<&str> = self.languages.iter().map(|l| language(l)).collect();
        let languages = languages.join(" | ");
        self.say.of(
            format!("a level on each line: id | {languages}"),
            format!("每行一级：编号 | {languages}"),
        )
    }

    fn levels_of(&self, item: &Item) -> String {
        let Some(levels) = item.as_array() else { return String::new() };
        let line = |v: &Value| {
            let level = v.as_inline_table()?;
            let mut cells = vec![plain_value(level.get("id")?)];
            for code in self.languages {
                let labels = level.get("labels").and_then(Value::as_inline_table);
                cells.push(labels.and_then(|l| l.get(code)).map_or_else(String::new, plain_value));
            }
            Some(cells.join(" | ").trim_end_matches([' ', '|']).to_owned())
        };
        levels.iter().filter_map(line).collect::<Vec<_>>().join("\n")
    }

    fn scale(&self, f: &Field) -> Markup {
        let say = self.say;
        let part = |key: &str| {
            self.at(&format!("scale.{key}"), |t| {
                let scale = t.get("scale")?.as_table_like()?;
                if key == "levels" {
                    return Some(self.levels_of(scale.get(key)?));
                }
                Some(plain(scale.get(key)?))
            })
        };
        let end = |code: &str, i: usize| {
            self.at(&format!("scale.ends.{code}.{i}"), |t| {
                let ends = t.get("scale")?.as_table_like()?.get("ends")?.as_table_like()?;
                Some(plain_value(ends.get(code)?.as_array()?.get(i)?))
            })
        };
        let kinds: Vec<(String, String)> = SCALES
            .iter()
            .map(|(id, en, zh)| ((*id).to_owned(), say.of(*en, *zh).to_owned()))
            .collect();
        html! {
            fieldset { legend { (f.label) }
                @if !f.hint.is_empty() { p.hint { (f.hint) } }
                (choice("scale.kind", say.of("Kind", "类型"), "", &kinds, &part("kind")))
                div.grid {
                    (text_field("scale.low", say.of("Low end", "低端"), say.of("line and bipolar only", "仅线性与双极标度"), &part("low")))
                    (text_field("scale.high", say.of("High end", "高端"), "", &part("high")))
                    (text_field("scale.step", say.of("Finest difference", "最小间隔"), "", &part("step")))
                }
                @for code in self.languages {
                    div.grid {
                        (text_field(&format!("scale.ends.{code}.0"), &format!("{}{}{}", say.of("Word at the low end", "低端用词"), say.0.comma(), language(code)), "", &end(code, 0)))
                        (text_field(&format!("scale.ends.{code}.1"), &format!("{}{}{}", say.of("Word at the high end", "高端用词"), say.0.comma(), language(code)), "", &end(code, 1)))
                    }
                }
                (fields::long("scale.levels", say.of("Levels", "等级"), &format!("{} {}", say.of("ordered and nominal only;", "仅有序等级与无序类别；"), self.levels_hint()), &part("levels")))
            }
        }
    }
}

/// The tables of an array, wherever the file keeps them.
pub fn tables<'a>(doc: &'a Table, array: &str) -> Vec<&'a dyn TableLike> {
    match doc.get(array) {
        Some(Item::ArrayOfTables(list)) => list.iter().map(|t| t as &dyn TableLike).collect(),
        Some(Item::Value(Value::Array(list))) => {
            list.iter().filter_map(Value::as_inline_table).map(|t| t as &dyn TableLike).collect()
        }
        _ => Vec::new(),
    }
}

/// A text of a table.
pub fn text_of(table: &dyn TableLike, key: &str) -> String {
    table.get(key).map_or_else(String::new, plain)
}

fn is_it(table: &dyn TableLike, id: &str) -> bool {
    table.get("id").and_then(Item::as_str).is_some_and(|i| ids::same(i, id))
}

/// Where the table of an id begins in the text that was read.
pub fn begin_of(doc: &Table, array: &str, id: &str) -> Option<usize> {
    let span = match doc.get(array)? {
        Item::ArrayOfTables(list) => list.iter().find(|t| is_it(*t, id))?.span(),
        Item::Value(Value::Array(list)) => {
            let mut all = list.iter().filter_map(Value::as_inline_table);
            all.find(|t| is_it(*t, id))?.span()
        }
        _ => None,
    };
    span.map(|s| s.start)
}

/// The table of an id.
pub fn table<'a>(doc: &'a Table, array: &str, id: &str) -> Option<&'a dyn TableLike> {
    tables(doc, array).into_iter().find(|t| is_it(*t, id))
}

/// The same, to be changed.
pub fn table_mut<'a>(
    doc: &'a mut DocumentMut,
    array: &str,
    id: &str,
) -> Option<&'a mut dyn TableLike> {
    match doc.get_mut(array)? {
        Item::ArrayOfTables(list) => {
            list.iter_mut().find(|t| is_it(*t, id)).map(|t| t as &mut dyn TableLike)
        }
        Item::Value(Value::Array(list)) => list
            .iter_mut()
            .filter_map(Value::as_inline_table_mut)
            .find(|t| is_it(*t, id))
            .map(|t| t as &mut dyn TableLike),
        _ => None,
    }
}

/// A table of the file itself, made if it is not there.
pub fn part_mut<'a>(doc: &'a mut DocumentMut, name: &str) -> Option<&'a mut dyn TableLike> {
    doc.entry(name).or_insert_with(|| Item::Table(Table::new())).as_table_like_mut()
}

/// Sets a value, or takes it out. One that says the same stays as it is written; another one keeps the comment
/// behind it.
fn set(table: &mut dyn TableLike, key: &str, new: Option<Value>) {
    let Some(mut new) = new else {
        table.remove(key);
        return;
    };
    if let Some(old) = table.get(key).and_then(Item::as_value) {
        if same(old, &new) {
            return;
        }
        *new.decor_mut() = old.decor().clone();
    }
    if let Some(item) = table.get_mut(key) {
        *item = Item::Value(new);
    } else {
        table.insert(key, Item::Value(new));
    }
}

/// Whether two values say the same, however they are written.
fn same(a: &Value, b: &Value) -> bool {
    let number = |v: &Value| v.as_float().or_else(|| v.as_integer().map(|i| i as f64));
    match (a, b) {
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b))
        }
        (Value::InlineTable(a), Value::InlineTable(b)) => {
            a.len() == b.len() && a.iter().all(|(k, v)| b.get(k).is_some_and(|w| same(v, w)))
        }
        _ => match (number(a), number(b)) {
            (Some(a), Some(b)) => a == b,
            _ => plain_value(a) == plain_value(b),
        },
    }
}

fn number(text: &str) -> Result<Option<Value>, BookError> {
    Ok(fields::number(text)?.map(|x| {
        if x.fract() == 0.0 && x.abs() < 1e15 { Value::from(x as i64) } else { Value::from(x) }
    }))
}

fn whole(text: &str) -> Result<Value, BookError> {
    text.parse::<i64>().map(Value::from).map_err(|_| {
        refused(format!("\"{text}\" is no whole number"), "a whole number", "write it with digits")
    })
}

fn day(text: &str) -> Result<Value, BookError> {
    let day = fields::day_of(text)?.to_string();
    Ok(day.parse::<toml_edit::Datetime>().map_or_else(|_| Value::from(day), Value::from))
}

fn array(values: impl IntoIterator<Item = Value>) -> Option<Value> {
    let list: Array = values.into_iter().collect();
    (!list.is_empty()).then_some(Value::Array(list))
}

fn pieces<'a>(text: &'a str, at: &'static [char]) -> impl Iterator<Item = &'a str> {
    text.split(at).map(str::trim).filter(|t| !t.is_empty())
}

/// Writes what was typed for a field into its table; what does not hold is noted beside the part of it that it is about.
pub fn write(
    f: &Field,
    table: &mut dyn TableLike,
    posted: &Posted,
    languages: &[String],
    amiss: &mut Mistakes,
) {
    let written = match &f.holds {
        Holds::Range => return range(f, table, posted, amiss),
        Holds::Scale => {
            if let Some(new) = scale(posted, languages, amiss) {
                set(table, f.key, Some(new));
            }
            return;
        }
        _ => write_one(f, table, posted, languages),
    };
    amiss.take(f.key, written);
}

/// Writes the range of a pair of fields; what is wrong is noted beside each.
fn range(f: &Field, table: &mut dyn TableLike, posted: &Posted, amiss: &mut Mistakes) {
    let ends = ["low", "high"].map(|end| format!("{}.{end}", f.key));
    let [low, high] = ends.each_ref().map(|end| amiss.take(end, number(posted.text(end))));
    let (Some(low), Some(high)) = (low, high) else { return };
    match (low, high) {
        (None, None) => set(table, f.key, None),
        (Some(low), Some(high)) => set(table, f.key, array([low, high])),
        (low, _) => {
            let empty = if low.is_none() { &ends[0] } else { &ends[1] };
            let found = format!("{} has one end only", f.label);
            let one = refused(found, "both ends, or none", "fill in the other");
            amiss.add(empty, one.to_string());
        }
    }
}

/// The same for a field that is one on the page, or is told at its first one.
fn write_one(
    f: &Field,
    table: &mut dyn TableLike,
    posted: &Posted,
    languages: &[String],
) -> Result<(), BookError> {
    let key = f.key;
    let text = posted.text(key);
    let filled = (!text.is_empty()).then_some(text);
    let new = match &f.holds {
        Holds::Text | Holds::Class(_) => filled.map(|t| Value::from(t.replace('\n', " "))),
        Holds::Long | Holds::OneOf(_) => filled.map(Value::from),
        Holds::Number => number(text)?,
        Holds::Whole => filled.map(whole).transpose()?,
        Holds::Day => filled.map(day).transpose()?,
        Holds::Days => {
            let days = pieces(text, &[' ', ',', '，', '\n']).map(day);
            array(days.collect::<Result<Vec<_>, _>>()?)
        }
        Holds::Texts => array(pieces(text, &[',', '，', '\n']).map(Value::from)),
        Holds::Wholes => {
            let all = pieces(text, &[' ', ',', '，', '\n']).map(whole);
            array(all.collect::<Result<Vec<_>, _>>()?)
        }
        Holds::SomeOf(options) => {
            // In the order of the form; what the file asks beside them stays.
            let on = posted.all(key);
            let old: Vec<String> = table
                .get(key)
                .and_then(Item::as_array)
                .map(|a| a.iter().map(plain_value).collect())
                .unwrap_or_default();
            let mut all: Vec<String> = old.into_iter().filter(|o| on.contains(o)).collect();
            all.extend(options.iter().map(|o| &o.0).filter(|o| on.contains(o)).cloned());
            let mut once: Vec<String> = Vec::new();
            for one in all {
                if !once.contains(&one) {
                    once.push(one);
                }
            }
            array(once.into_iter().map(Value::from))
        }
        Holds::Labels => return labels(key, table, posted, languages),
        Holds::Levels => levels(text, languages)?,
        // Written by fields of their own.
        Holds::Range | Holds::Scale => return Ok(()),
    };
    set(table, key, new);
    Ok(())
}

/// A text by language: each is set by itself, so that languages which the form does not show stay.
fn labels(
    key: &str,
    table: &mut dyn TableLike,
    posted: &Posted,
    languages: &[String],
) -> Result<(), BookError> {
    let typed = |code: &str| posted.filled(&format!("{key}.{code}"));
    if table.get(key).is_none() {
        if !languages.iter().any(|l| typed(l).is_some()) {
            return Ok(());
        }
        table.insert(key, Item::Value(Value::InlineTable(InlineTable::new())));
    }
    let Some(of) = table.get_mut(key).and_then(Item::as_table_like_mut) else {
        return Err(refused(
            format!("{key} is no table of texts by language"),
            "{ en = \"…\", zh = \"…\" }",
            "mend the text of the file",
        ));
    };
    for code in languages {
        set(of, code, typed(code).map(|t| Value::from(t.replace('\n', " "))));
    }
    if of.is_empty() {
        table.remove(key);
    } else if let Some(Item::Value(Value::InlineTable(inline))) = table.get_mut(key) {
        inline.fmt();
    }
    Ok(())
}

fn levels(text: &str, languages: &[String]) -> Result<Option<Value>, BookError> {
    let mut all = Vec::new();
    for line in text.lines().map(str::trim).filter(|l| !l.is_empty()) {
        let mut cells = line.split('|').map(str::trim);
        let id = cells.next().unwrap_or_default();
        if !ids::is_id(id) {
            return Err(refused(
                format!("\"{id}\" cannot be the id of a level"),
                ids::RULE,
                "begin each line with an id, then | and the words for it",
            ));
        }
        let mut level = InlineTable::new();
        level.insert("id", Value::from(id));
        let mut labels = InlineTable::new();
        for (code, word) in languages.iter().zip(cells).filter(|(_, w)| !w.is_empty()) {
            labels.insert(code, Value::from(word));
        }
        if !labels.is_empty() {
            level.insert("labels", Value::InlineTable(labels));
        }
        all.push(Value::InlineTable(level));
    }
    Ok(array(all))
}

/// The scale of its fields, what is wrong noted beside each; none if something is.
fn scale(posted: &Posted, languages: &[String], amiss: &mut Mistakes) -> Option<Value> {
    let part = |key: &str| posted.text(&format!("scale.{key}"));
    let kind = part("kind");
    let mut scale = InlineTable::new();
    scale.insert("kind", Value::from(kind));
    if matches!(kind, "line" | "bipolar") {
        let numbers = ["low", "high", "step"]
            .map(|key| (key, amiss.take(&format!("scale.{key}"), number(part(key)))));
        for (key, x) in numbers {
            if let Some(x) = x? {
                scale.insert(key, x);
            }
        }
        let mut ends = InlineTable::new();
        for code in languages {
            let end = |i: u8| part(&format!("ends.{code}.{i}")).to_owned();
            let both = [end(0), end(1)];
            if both.iter().any(|e| !e.is_empty()) {
                ends.insert(
                    code,
                    Value::Array(both.iter().map(|e| Value::from(e.as_str())).collect()),
                );
            }
        }
        if !ends.is_empty() {
            scale.insert("ends", Value::InlineTable(ends));
        }
    } else if matches!(kind, "ordered" | "nominal")
        && let Some(levels) = amiss.take("scale.levels", levels(part("levels"), languages))?
    {
        scale.insert("levels", levels);
    }
    Some(Value::InlineTable(scale))
}
