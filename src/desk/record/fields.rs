//! Fields that the forms of the record share.

use maud::{Markup, html};

use super::{asked_back, words};
use crate::book::lots::How;
use crate::book::parameters::{Parameter, ParameterKind};
use crate::book::time::{A_DAY, Day, Moment};
use crate::book::when::When;
use crate::book::writing::refused;
use crate::book::{Book, BookError, units};
use crate::desk::App;
use crate::desk::mistakes::Mistakes;
use crate::desk::page::{choice, field, text_field};
use crate::desk::posted::Posted;
use crate::desk::say::Say;

/// A field for a moment by the book's clock.
pub fn moment(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    input(name, label, hint, "datetime-local", value)
}

/// A field for a day.
pub fn day(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    input(name, label, hint, "date", value)
}

fn input(name: &str, label: &str, hint: &str, kind: &str, value: &str) -> Markup {
    let described = (!hint.is_empty()).then(|| format!("{name}-hint"));
    field(
        name,
        label,
        hint,
        html! { input id=(name) name=(name) type=(kind) value=(value) aria-describedby=[described]; },
    )
}

/// A field for more than a line.
pub fn long(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    let described = (!hint.is_empty()).then(|| format!("{name}-hint"));
    field(
        name,
        label,
        hint,
        html! { textarea id=(name) name=(name) rows="3" aria-describedby=[described] { (value) } },
    )
}

/// A box to tick.
pub fn tick(name: &str, label: &str, on: bool) -> Markup {
    html! {
        p.tick { label { input type="checkbox" name=(name) value="yes" checked[on]; " " (label) } }
    }
}

/// The field that fits a parameter's values.
pub fn parameter(name: &str, label: &str, p: &Parameter, value: &str, say: Say) -> Markup {
    let hint = words::hint(p, say);
    let none = || (String::new(), say.of("not said", "未记录").to_owned());
    match p.kind {
        ParameterKind::Category => {
            let mut options = vec![none()];
            options.extend(
                p.levels.iter().map(|l| (l.id.clone(), l.labels.or(say.key(), &l.id).to_owned())),
            );
            choice(name, label, &hint, &options, value)
        }
        ParameterKind::YesNo => {
            let options = [
                none(),
                ("yes".to_owned(), say.of("yes", "是").to_owned()),
                ("no".to_owned(), say.of("no", "否").to_owned()),
            ];
            choice(name, label, &hint, &options, value)
        }
        ParameterKind::Moment => moment(name, label, &hint, value),
        ParameterKind::Number | ParameterKind::Whole => {
            let label = p
                .unit
                .as_ref()
                .map_or_else(|| label.to_owned(), |u| format!("{label}{}{u}", say.0.comma()));
            let described = (!hint.is_empty()).then(|| format!("{name}-hint"));
            field(
                name,
                &label,
                &hint,
                html! { input.number id=(name) name=(name) value=(value) inputmode="decimal" autocomplete="off" aria-describedby=[described]; },
            )
        }
        ParameterKind::Text => text_field(name, label, &hint, value),
    }
}

/// Who writes, and whether by an instrument.
pub fn by_and_how(posted: &Posted, say: Say) -> Markup {
    html! {
        (text_field("by", words::field("--by", say), "", posted.text("by")))
        (tick("estimated", say.of("estimated, not measured", "为估计值，非实测"), posted.ticked("estimated")))
    }
}

/// Measured, but where the box says otherwise.
pub fn how(posted: &Posted) -> How {
    if posted.ticked("estimated") { How::Estimated } else { How::Measured }
}

/// A text of one field, of one line.
pub fn text(posted: &Posted, name: &str) -> Option<String> {
    posted.filled(name).map(|t| t.replace('\n', " "))
}

/// The moment of a field; none if it is empty.
///
/// # Errors
/// If it is no moment.
pub fn when(posted: &Posted, name: &str, book: &Book) -> Result<Option<Moment>, BookError> {
    let Some(text) = posted.filled(name) else { return Ok(None) };
    let when: When = text.parse().map_err(|mend: String| {
        refused(format!("\"{text}\" is no moment"), "a day, or a day and a time", mend)
    })?;
    Ok(Some(when.on_clock_of(book)))
}

/// The moment of a field in which something happened to a lot; what is wrong with it is noted, and an odd day is asked
/// back.
pub fn moment_of(
    app: &App,
    (posted, say): (&Posted, Say),
    field: &str,
    amiss: &mut Mistakes,
) -> Option<Moment> {
    let at = amiss.take(field, when(posted, field, app.book())).flatten();
    asked_back::day((posted, say), field, at.map(Moment::day), app.now().day(), amiss);
    at
}

/// The day of a field.
///
/// # Errors
/// If it is none.
pub fn day_of(text: &str) -> Result<Day, BookError> {
    text.parse().map_err(|found: String| refused(found, A_DAY, "choose another day, or correct it"))
}

/// The days of a field, with spaces or commas between them.
///
/// # Errors
/// If one is none.
pub fn days_of(text: &str) -> Result<Vec<Day>, BookError> {
    text.split([' ', ',', '，', '、', '\n']).filter(|t| !t.is_empty()).map(day_of).collect()
}

/// Kilograms of a field; none if it is empty.
///
/// # Errors
/// If it is no mass.
pub fn kilograms(text: &str) -> Result<Option<f64>, BookError> {
    if text.is_empty() {
        return Ok(None);
    }
    units::kilograms(text).map(Some).ok_or_else(|| {
        refused(
            format!("\"{text}\" is no mass"),
            "kilograms, more than 0",
            "write them as 2.5 or 250 g",
        )
    })
}

/// A number as it is written in the record, where a keyboard gave a comma for the point.
pub fn decimal(text: &str) -> String {
    match text.split_once(',') {
        Some((whole, rest))
            if !whole.is_empty()
                && !rest.is_empty()
                && whole.chars().chain(rest.chars()).all(|c| c.is_ascii_digit()) =>
        {
            format!("{whole}.{rest}")
        }
        _ => text.to_owned(),
    }
}

/// A number of a field; none if it is empty.
///
/// # Errors
/// If it is none.
pub fn number(text: &str) -> Result<Option<f64>, BookError> {
    if text.is_empty() {
        return Ok(None);
    }
    text.parse().ok().filter(|x: &f64| x.is_finite()).map(Some).ok_or_else(|| {
        refused(
            format!("\"{text}\" is no number"),
            "a number",
            "write it with a point for decimals, as in 3.5",
        )
    })
}
