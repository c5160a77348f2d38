//! What is wrong in a form that was sent: all of it at once, each beside its field.

use std::collections::BTreeSet;

use axum::http::StatusCode;
use maud::{Markup, PreEscaped, html};

use super::App;
use super::page::{self, Reader};
use super::posted::Posted;
use super::say::Say;
use super::told::{self, Names};
use crate::book::BookError;
use crate::book::writing::TEXT_MOST;

/// The boxes by which values that were asked back are meant.
const SURE: &str = "sure";

/// One thing that is wrong in a form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// The field; empty: none of them alone.
    pub field: String,
    /// What is wrong, as a refusal tells it.
    pub text: String,
    /// The text of the field, if it is only asked whether that is meant.
    asked: Option<String>,
}

/// All that is wrong in a form.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Mistakes(Vec<Mistake>);

/// Why a form was not done.
#[derive(Debug)]
pub enum Wrong {
    /// The book or the disk refused.
    Book(BookError),
    /// What was filled in.
    Form(Mistakes),
}

impl From<BookError> for Wrong {
    fn from(error: BookError) -> Self {
        Self::Book(error)
    }
}

impl From<Wrong> for BookError {
    fn from(wrong: Wrong) -> Self {
        match wrong {
            Wrong::Book(error) => error,
            Wrong::Form(Mistakes(all)) => {
                let told: Vec<String> = all.into_iter().map(|m| m.text).collect();
                Self::Refused(told.join("\n"))
            }
        }
    }
}

impl Mistakes {
    /// Adds one.
    pub fn add(&mut self, field: &str, text: impl Into<String>) {
        self.0.push(Mistake { field: field.to_owned(), text: text.into(), asked: None });
    }

    /// What a field was read as; what is wrong with it is noted.
    pub fn take<T>(&mut self, field: &str, read: Result<T, BookError>) -> Option<T> {
        read.map_err(|e| self.add(field, e.to_string())).ok()
    }

    /// Asks whether a text is meant, unless it was said of this very text that it is.
    pub fn ask(&mut self, field: &str, posted: &Posted, text: impl Into<String>) {
        let typed = posted.text(field);
        if !posted.all(SURE).contains(&sure(field, typed)) {
            let asked = Some(typed.to_owned());
            self.0.push(Mistake { field: field.to_owned(), text: text.into(), asked });
        }
    }

    /// Notes each field of a form whose text is longer than a text of the record.
    #[must_use]
    pub fn of_long_texts(posted: &Posted, say: Say) -> Self {
        let mut all = Self::default();
        for (field, text) in &posted.0 {
            let n = text.chars().count();
            if n > TEXT_MOST {
                all.add(
                    field,
                    say.of(
                        format!("{n} characters\n  expected: at most {TEXT_MOST}\n  to mend:  shorten it; what is longer is kept as a file of its own"),
                        format!("{n} 个字符\n  应为：最多 {TEXT_MOST}\n  如何改正：请缩短；更长的内容请另存为文件"),
                    ),
                );
            }
        }
        all
    }

    /// Whether something is wrong with a field.
    #[must_use]
    pub fn has(&self, field: &str) -> bool {
        self.0.iter().any(|m| m.field == field)
    }

    /// Whether something is wrong with one of the fields that a form has for parts of a field.
    #[must_use]
    pub fn has_part_of(&self, field: &str) -> bool {
        self.0.iter().any(|m| m.field.strip_prefix(field).is_some_and(|rest| rest.starts_with('.')))
    }

    /// Whether nothing is wrong.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Goes on with what was read if nothing is wrong.
    ///
    /// # Errors
    /// What is wrong.
    pub fn none_or<T>(self, read: Option<T>) -> Result<T, Wrong> {
        match read {
            Some(read) if self.0.is_empty() => Ok(read),
            _ => Err(Wrong::Form(self)),
        }
    }

    /// Goes on if nothing is wrong.
    ///
    /// # Errors
    /// What is wrong.
    pub fn none(self) -> Result<(), Wrong> {
        self.none_or(Some(()))
    }

    /// A refusal of the book: one that is about a single field of a form stands beside that field.
    #[must_use]
    pub fn of_refusal(text: &str, posted: &Posted) -> Self {
        let mut all = Self::default();
        for refusal in refusals(text) {
            all.add(&field_of(&refusal, posted), refusal);
        }
        all
    }
}

/// Each refusal of several that were told together: what stands deeper belongs to the one before.
fn refusals(text: &str) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for line in text.trim_end().lines() {
        match all.last_mut() {
            Some(last) if line.starts_with(' ') || line.is_empty() => {
                last.push('\n');
                last.push_str(line);
            }
            _ => all.push(line.to_owned()),
        }
    }
    all
}

/// The field that a refusal is about: the one whose flag it names, or whose parameter.
fn field_of(refusal: &str, posted: &Posted) -> String {
    let mut named: Vec<&str> = told::flags(refusal);
    named.retain(|flag| posted.0.iter().any(|(field, _)| field == flag));
    if let [one] = named.as_slice() {
        return (*one).to_owned();
    }
    let head = refusal.lines().next().unwrap_or_default();
    let of_parameter = |field: &&str| {
        let id = field.strip_prefix("value:");
        id.is_some_and(|id| told::has_name(head, id))
    };
    let filled = posted.0.iter().filter(|(_, v)| !v.is_empty()).map(|(f, _)| f.as_str());
    let found: Vec<&str> = filled.filter(of_parameter).collect();
    if let [one] = found.as_slice() { (*one).to_owned() } else { String::new() }
}

fn sure(field: &str, text: &str) -> String {
    format!("{field}={text}")
}

/// A form with what is wrong in it: in short above, and beside each field.
#[must_use]
pub fn shown(say: Say, form: Markup, mistakes: &Mistakes, names: &Names) -> Markup {
    let mut page = form.into_string();
    // By their places on the page; what is about no field stands first.
    let place = |m: &Mistake| find(&page, &m.field).map_or(0, |c| c.tag.0);
    let mut in_order: Vec<(usize, &Mistake)> = mistakes.0.iter().map(|m| (place(m), m)).collect();
    in_order.sort_by_key(|(at, _)| *at);
    let mut above = Vec::new();
    for (i, (_, m)) in in_order.into_iter().enumerate() {
        let own = format!("amiss-{i}");
        let found = find(&page, &m.field).map(|control| {
            let beside = beside(say, m, &own, names);
            let over = control
                .legend
                .as_ref()
                .map_or_else(String::new, |l| format!("{l}{}", say.of(", ", "，")));
            (
                format!("{over}{}", control.label),
                control.id.clone(),
                put(&page, &control, &own, &beside),
            )
        });
        above.push(match found {
            Some((label, id, with)) => {
                page = with;
                let head = m.text.lines().next().unwrap_or_default();
                let colon = say.of(": ", "：");
                html! { a href={ "#" (id) } { (PreEscaped(label)) (colon) (told::markup_naming(say, head, names)) } }
            }
            None => html! { pre { (told::markup_naming(say, &m.text, names)) } },
        });
    }
    let only_asked = mistakes.0.iter().all(|m| m.asked.is_some());
    let head = if only_asked {
        say.of("Not done yet: is this right?", "尚未完成：确认无误？")
    } else {
        say.of("This was not done", "未完成")
    };
    html! {
        div.wrong role="alert" {
            h2 { (head) }
            @match above.as_slice() {
                [one] => div { (one) },
                several => ul.amiss { @for one in several { li { (one) } } }
            }
        }
        (PreEscaped(page))
    }
}

/// A form that was not done, with what is wrong in it, and the status that says so.
#[must_use]
pub fn with_wrong(
    (app, reader): (&App, &Reader),
    posted: &Posted,
    wrong: &Wrong,
    form: Markup,
    names: &Names,
) -> (StatusCode, Markup) {
    let say = reader.say;
    let form = with_meant(say, form, posted);
    let status = match wrong {
        Wrong::Book(BookError::Store(_)) => StatusCode::INTERNAL_SERVER_ERROR,
        _ => StatusCode::UNPROCESSABLE_ENTITY,
    };
    let body = match wrong {
        Wrong::Form(mistakes) => shown(say, form, mistakes, names),
        Wrong::Book(BookError::Refused(text)) => {
            shown(say, form, &Mistakes::of_refusal(text, posted), names)
        }
        Wrong::Book(other) => {
            html! { (page::wrong(reader, &page::shown_error(app, other))) (form) }
        }
    };
    (status, body)
}

/// More fields that could be odd no form has.
const MOST_MEANT: usize = 100;

/// The form with the boxes that were ticked for what still stands in their fields: it is not asked again because
/// something else was wrong.
fn with_meant(say: Say, form: Markup, posted: &Posted) -> Markup {
    let mut page = form.into_string();
    let all: BTreeSet<String> = posted.all(SURE).into_iter().collect();
    for meant in all.into_iter().take(MOST_MEANT) {
        let Some((field, text)) = meant.split_once('=') else { continue };
        if text.is_empty() || posted.text(field) != text {
            continue;
        }
        if let Some(control) = find(&page, field) {
            page.insert_str(control.end, &box_of(say, &meant, true).0);
        }
    }
    PreEscaped(page)
}

/// The box by which a value is meant.
fn box_of(say: Say, value: &str, on: bool) -> Markup {
    html! {
        label.sure { input type="checkbox" name=(SURE) value=(value) checked[on]; " " (say.of("It is right: keep it", "无误，保留")) }
    }
}

fn beside(say: Say, m: &Mistake, id: &str, names: &Names) -> Markup {
    html! {
        span.amiss id=(id) { (told::markup_naming(say, &m.text, names)) }
        @if let Some(text) = &m.asked {
            (box_of(say, &sure(&m.field, text), false))
        }
    }
}

/// A control of a page of ours, which is written by our own templates: attributes and texts have their quotes and
/// brackets escaped, so that no text that somebody typed looks like one.
struct Control {
    /// Its id.
    id: String,
    /// What stands over it, if it is one of a pair.
    legend: Option<String>,
    /// What its label holds.
    label: String,
    /// Where its tag begins, and where it ends.
    tag: (usize, usize),
    /// Where the paragraph of its field ends.
    end: usize,
}

/// The control of a field, or the first of those that it has several of, as KEY.low and KEY.high.
fn find(page: &str, field: &str) -> Option<Control> {
    if field.is_empty() {
        return None;
    }
    let escaped = html! { (field) }.into_string();
    let at = [format!(" id=\"{escaped}\""), format!(" id=\"{escaped}.")]
        .iter()
        .find_map(|mark| page.find(mark.as_str()))?;
    let id = page[at + " id=\"".len()..].split('"').next()?.to_owned();
    let begin = page[..at].rfind('<')?;
    let end_of_tag = at + page[at..].find('>')?;
    let end = at + page[at..].find("</p>")?;
    let mark = format!("<label for=\"{id}\">");
    let label = page.find(&mark).map(|l| l + mark.len());
    let label = label.and_then(|l| page[l..].split("</label>").next());
    let label = label.unwrap_or(&escaped).to_owned();
    let legend = legend_of(&page[..begin]).map(str::to_owned);
    Some(Control { id, legend, label, tag: (begin, end_of_tag), end })
}

/// The legend of the pair of fields that is open at the end of a part of a page.
fn legend_of(before: &str) -> Option<&str> {
    let open = before.rfind("<fieldset class=\"pair\">")?;
    let inside = &before[open..];
    if inside.contains("</fieldset>") {
        return None;
    }
    inside.split_once("<legend>")?.1.split("</legend>").next()
}

/// The page with something beside a control, which is marked as wrong and described by it.
fn put(page: &str, control: &Control, own: &str, beside: &Markup) -> String {
    let tag = &page[control.tag.0..control.tag.1];
    let described = "aria-describedby=\"";
    let tag = match tag.find(described).map(|at| at + described.len()) {
        Some(at) => format!("{}{own} {}", &tag[..at], &tag[at..]),
        None => format!("{tag} {described}{own}\""),
    };
    let invalid = if tag.contains("aria-invalid") { "" } else { " aria-invalid=\"true\"" };
    let (before, between, behind) =
        (&page[..control.tag.0], &page[control.tag.1..control.end], &page[control.end..]);
    // Where it is folded away, that is opened.
    let folded = before.rfind("<details").filter(|at| !before[*at..].contains("</details>"));
    let (before, opened) = match folded.map(|at| before.split_at(at + "<details".len())) {
        Some((head, rest)) if !rest.split('>').next().unwrap_or_default().contains(" open") => {
            (head, format!(" open{rest}"))
        }
        _ => (before, String::new()),
    };
    format!("{before}{opened}{tag}{invalid}{between}{}{behind}", beside.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::desk::page::text_field;
    use crate::plots::Lang;

    const EN: Say = Say(Lang::En);

    fn posted(fields: &[(&str, &str)]) -> Posted {
        Posted(fields.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect())
    }

    #[test]
    fn each_mistake_stands_beside_its_field_and_above() {
        // What was typed looks like a field, and is none.
        let form = html! { (text_field("kg", "Made tea, kg", "weighed", "\" id=\"on\"")) (text_field("on", "When", "", "x<y")) };
        let mut mistakes = Mistakes::default();
        mistakes.add("on", "it is no day");
        mistakes.add("kg", "it is no mass\n  expected: kilograms");
        mistakes.add("", "nothing <b>else</b> holds");
        let page = shown(EN, form, &mistakes, &Names::default()).into_string();
        assert!(
            page.contains("aria-describedby=\"amiss-1 kg-hint\" aria-invalid=\"true\">"),
            "{page}"
        );
        assert!(page.contains("aria-describedby=\"amiss-2\" aria-invalid=\"true\">"), "{page}");
        assert!(
            page.contains("id=\"amiss-1\">it is no mass\n  expected: kilograms</span>"),
            "{page}"
        );
        assert!(page.contains("<a href=\"#on\">When: it is no day</a>"), "{page}");
        assert!(page.contains("nothing &lt;b&gt;else"), "{page}");
        assert_eq!(page.matches("aria-invalid").count(), 2, "{page}");
    }

    #[test]
    fn what_is_folded_away_is_opened_where_something_is_wrong_in_it() {
        let folded = |name: &str| html! { details.more { summary { "more" } (text_field(name, name, "", "x")) } };
        let mut mistakes = Mistakes::default();
        mistakes.add("b", "wrong");
        mistakes.add("c", "wrong too");
        let form = html! { (folded("a")) (folded("b")) (text_field("c", "c", "", "")) };
        let page = shown(EN, form, &mistakes, &Names::default()).into_string();
        assert_eq!(page.matches("<details open class=\"more\">").count(), 1, "{page}");
        assert!(page.find(" open").unwrap_or_default() > page.find("id=\"a\"").unwrap_or_default());
    }

    #[test]
    fn what_is_asked_back_is_asked_until_it_is_said_of_this_very_text() {
        let mut mistakes = Mistakes::default();
        let of = |text: &str| posted(&[("kg", text), ("sure", "kg=999")]);
        mistakes.ask("kg", &of("999"), "999 kg is far");
        assert_eq!(mistakes, Mistakes::default());
        mistakes.ask("kg", &of("9999"), "9999 kg is far");
        let form = html! { (text_field("kg", "Made tea, kg", "", "9999")) };
        let page = shown(EN, form, &mistakes, &Names::default()).into_string();
        assert!(page.contains("name=\"sure\" value=\"kg=9999\""), "{page}");
        assert!(page.contains("is this right?"), "{page}");
    }

    #[test]
    fn a_refusal_that_names_one_field_stands_beside_it() {
        let form = posted(&[("on", ""), ("value:wither.hours", "x"), ("value:wither.layer", "2")]);
        let of = |text: &str| Mistakes::of_refusal(text, &form).0;
        assert_eq!(of("it is later\n  to mend:  correct --on")[0].field, "on");
        assert_eq!(of("it is later\n  to mend:  correct --on or --kg")[0].field, "on");
        assert_eq!(of("wither.hours = \"x\" does not hold")[0].field, "value:wither.hours");
        assert_eq!(of("wither.hours and wither.layer")[0].field, "");
        let two = of("one\n  expected: a\n  to mend:  b\ntwo\n  expected: c\n  to mend:  d");
        assert_eq!(two.iter().map(|m| m.text.lines().count()).collect::<Vec<_>>(), [3, 3]);
    }
}
