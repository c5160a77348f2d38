//! Classes of tea in forms: those of the book are offered, any other is taken if it is meant.

use maud::{Markup, html};

use super::{fields, words};
use crate::book::problem::nearest;
use crate::book::writing::refused;
use crate::book::{BookError, ids};
use crate::desk::App;
use crate::desk::page::field;
use crate::desk::posted::Posted;
use crate::desk::say::Say;

/// The classes that the trade names, and those that the lots, the terms and the plans of the book have.
pub fn known(app: &App) -> Vec<String> {
    let mut all: Vec<String> = words::CLASSES.iter().map(|(id, _)| (*id).to_owned()).collect();
    let mut add = |class: &String| {
        if !class.trim().is_empty() && !all.iter().any(|k| ids::same(k, class)) {
            all.push(class.clone());
        }
    };
    let lots = app.cache.lots_and_mistakes().map(|read| read.lots);
    if let Ok(lots) = &lots {
        lots.iter().for_each(|l| add(&l.file.value.class));
        if let Ok(plans) = app.book().retasting(lots) {
            plans.value.plans.iter().flat_map(|p| &p.classes).for_each(&mut add);
        }
    }
    if let Ok(vocabulary) = app.cache.vocabulary() {
        vocabulary.value.terms.iter().flat_map(|t| &t.classes).for_each(add);
    }
    all
}

/// The class that a spelling that the book does not have is probably meant to be.
pub fn close_to<'a>(class: &str, known: &'a [String]) -> Option<&'a str> {
    let class = class.trim();
    if class.is_empty() || known.iter().any(|k| ids::same(k, class)) {
        return None;
    }
    // The trade's own Chinese word for one of the six.
    let own = words::CLASSES.iter().find(|(_, zh)| zh.contains(class)).map(|(id, _)| *id);
    let own = own.and_then(|id| known.iter().find(|k| k.as_str() == id).map(String::as_str));
    own.or_else(|| nearest(class, known.iter().map(String::as_str)))
}

/// The suggestions of a field.
pub fn suggestions(known: &[String], say: Say) -> Markup {
    html! { datalist id="classes" { @for id in known { option value=(id) { (words::class(id, say)) } } } }
}

/// The box by which a new spelling is meant; only where it was asked for.
pub fn meant(class: &str, known: &[String], say: Say, on: bool) -> Markup {
    html! {
        @if close_to(class, known).is_some() {
            (fields::tick("class-meant", &say.of(
                format!("“{class}” is a class of its own"),
                format!("“{class}”确为另一茶类"),
            ), on))
        }
    }
}

/// So many are named beside the field; the others come up while one types.
const NAMED: usize = 8;

/// What the field takes, in words.
pub fn hint(known: &[String], say: Say) -> String {
    let named: Vec<String> = known
        .iter()
        .take(NAMED)
        .map(|id| {
            let word = words::class(id, say);
            if word == *id { word } else { format!("{id} {word}") }
        })
        .collect();
    say.of(format!("{}, or another", named.join(", ")), format!("{}，或其他", named.join("、")))
}

/// The field.
pub fn class_field(app: &App, posted: &Posted, say: Say) -> Markup {
    let (known, class) = (known(app), posted.text("class"));
    html! {
        (field("class", words::field("--class", say), &hint(&known, say), html! {
            input id="class" name="class" list="classes" value=(class) autocomplete="off" aria-describedby="class-hint";
            (suggestions(&known, say))
        }))
        (meant(class, &known, say, posted.ticked("class-meant")))
    }
}

/// The class of a new lot: filled in, and meant.
///
/// # Errors
/// If it is not.
pub fn class_of(app: &App, posted: &Posted, say: Say) -> Result<(), BookError> {
    if posted.text("class").is_empty() {
        return Err(refused("the class of tea is empty", "black, green, white …", "fill it in"));
    }
    must_be_meant(app, posted, say)
}

/// A new spelling that is close to one of the book is asked back.
///
/// # Errors
/// If it is not said that it is meant.
pub fn must_be_meant(app: &App, posted: &Posted, say: Say) -> Result<(), BookError> {
    let (known, class) = (known(app), posted.text("class"));
    let Some(near) = close_to(class, &known).filter(|_| !posted.ticked("class-meant")) else {
        return Ok(());
    };
    Err(BookError::Refused(say.of(
        format!(
            "no lot, term or plan of this book has the class \"{class}\", but it has \"{near}\"\n  expected: one class written in one way, since what is asked and when it is tasted again goes by it\n  to mend:  write {near}, or tick that \"{class}\" is a class of its own"
        ),
        format!(
            "本册没有茶类“{class}”，但有“{near}”\n  应为：同一茶类只用一种写法，评语与复评按此归类\n  更正：改写为 {near}，或勾选“{class}”确为另一茶类"
        ),
    )))
}

#[cfg(test)]
mod tests {
    use super::close_to;

    #[test]
    fn a_new_spelling_is_close_to_one_of_the_book_or_is_none() {
        let known: Vec<String> = ["black", "green", "sun-dried"].map(str::to_owned).to_vec();
        assert_eq!(close_to("blak", &known), Some("black"));
        assert_eq!(close_to("sun dried", &known), Some("sun-dried"));
        assert_eq!(close_to("Black", &known), None, "the same without regard to case");
        assert_eq!(close_to("红茶", &known), Some("black"), "the trade's word for it");
        assert_eq!(close_to("purple", &known), None);
        assert_eq!(close_to("", &known), None);
    }
}
