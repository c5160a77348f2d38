//! Logging a value of a lot, and correcting one.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;

use super::asked_back::{Looked, days_of};
use super::{Body, CameOf, fields, lot_page, rng, shown, words, written};
use crate::book::lots::{LogLine, Lot};
use crate::book::parameters::{Parameter, ParameterKind, Parameters};
use crate::book::problem::did_you_mean;
use crate::book::writing::{Entry, log_lot, refused};
use crate::book::{BookError, ids};
use crate::desk::mistakes::Mistakes;
use crate::desk::page::{Part, Reader, choice, text_field, token};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::told;
use crate::desk::{App, Shared};
use crate::views::lot_text;

/// Which value is to be logged.
#[derive(Debug, Default, Deserialize)]
pub struct Which {
    #[serde(default)]
    step: String,
    #[serde(default)]
    parameter: String,
    #[serde(default)]
    entry: String,
}

/// The choice of a parameter, or the form of the one that was chosen.
pub async fn form(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    Query(which): Query<Which>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        let lot = app.book().lot(&id)?;
        if which.parameter.is_empty() {
            return choose(app, reader, &lot, &which.step);
        }
        let posted = Posted(vec![("parameter".to_owned(), which.parameter.clone())]);
        value_form(app, reader, &lot, &posted)
    })
    .await
}

fn choose(app: &App, reader: &Reader, lot: &Lot, step: &str) -> Result<Body, BookError> {
    let say = reader.say;
    let parameters = app.cache.parameters()?;
    let page = lot_page(&lot.id);
    let body = html! {
        p { a href=(page) { (say.of("Back to the lot", "返回批次")) } }
        p { (say.of("What is to be logged?", "要记录哪一项？")) }
        @for (of, list) in by_step(&parameters.value) {
            details.step open[step == of] {
                summary { (words::step(of, say)) }
                ul.choices {
                    @for p in list {
                        li { a.button.quiet href={ (page) "/log?parameter=" (p.id) } { (p.label(say.key())) @if let Some(unit) = &p.unit { (say.0.comma()) (unit) } } }
                    }
                }
            }
        }
    };
    Ok((say.of(format!("Log a value of {}", lot.id), format!("{} 的记录", lot.id)), body))
}

/// All parameters by their steps, in the order of the file; those that the program keeps at the end.
pub fn by_step(parameters: &Parameters) -> Vec<(&str, Vec<&Parameter>)> {
    let mut steps: Vec<(&str, Vec<&Parameter>)> = Vec::new();
    for p in parameters.parameter_ids().filter_map(|id| parameters.parameter(id)) {
        match steps.iter_mut().find(|(step, _)| *step == p.step()) {
            Some((_, list)) => list.push(p),
            None => steps.push((p.step(), vec![p])),
        }
    }
    steps
}

fn known<'a>(parameters: &'a Parameters, id: &str) -> Result<&'a Parameter, BookError> {
    parameters.parameter(id).ok_or_else(|| {
        refused(
            format!("there is no parameter \"{id}\""),
            "the id of a parameter of parameters.toml",
            did_you_mean(id, parameters.parameter_ids(), "add it to parameters.toml"),
        )
    })
}

/// The arms that a line may be about.
pub fn arms(lot: &Lot, chosen: &str, say: Say) -> Markup {
    let mut options = vec![(String::new(), say.of("the whole lot", "整批").to_owned())];
    options.extend(lot.file.value.arms.iter().map(|a| (a.id.clone(), a.id.clone())));
    html! {
        @if options.len() > 1 { (choice("arm", words::field("--arm", say), "", &options, chosen)) }
    }
}

fn value_form(app: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let parameters = app.cache.parameters()?;
    let p = known(&parameters.value, posted.text("parameter"))?;
    let page = lot_page(&lot.id);
    let many = say.of("empty: now; by the book's clock", "留空为现在；以本册时区为准");
    let body = html! {
        p { a href=(page) { (say.of("Back to the lot", "返回批次")) } " · " a href={ (page) "/log?step=" (p.step()) } { (say.of("another value", "记录其他项")) } }
        form method="post" action={ (page) "/log" } {
            (token(reader))
            input type="hidden" name="parameter" value=(p.id);
            (fields::parameter("value", say.of("Value", "数值"), p, posted.text("value"), say))
            @if let Some(notes) = &p.notes { p.hint { (told::markup(say, notes)) } }
            @if p.kind != ParameterKind::Moment { (fields::moment("at", words::field("--at", say), many, posted.text("at"))) }
            (arms(lot, posted.text("arm"), say))
            (fields::by_and_how(posted, say))
            (text_field("note", words::field("--note", say), "", posted.text("note")))
            button { (say.of("Log it", "记录")) }
        }
    };
    Ok((format!("{}{}{}", lot.id, say.0.colon(), p.label(say.key())), body))
}

/// Logs the value.
pub async fn add(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    posted: Posted,
) -> Response {
    let of = id.clone();
    written(
        (app, reader, Part::Lots),
        posted,
        move |app, reader, posted| {
            let mut amiss = Mistakes::default();
            let at = fields::moment_of(app, (posted, reader.say), "at", &mut amiss);
            let p = posted.text("parameter");
            if posted.text("value").is_empty() {
                let why = "a value; only a correction may take one back";
                let none = refused(format!("{p} has no value"), why, "give the value");
                amiss.add("value", none.to_string());
            }
            looked_at(app, reader, &id, (posted, "value", p), &mut amiss)?;
            amiss.none()?;
            let entry = Entry {
                at,
                arm: fields::text(posted, "arm"),
                how: fields::how(posted),
                by: fields::text(posted, "by"),
                note: fields::text(posted, "note"),
                ..Entry::new(posted.text("parameter").to_owned(), fields::text(posted, "value"))
            };
            let line = log_lot(app.book(), &id, &entry, app.now(), &mut rng()?)?;
            Ok(logged(app, reader, &id, &line)?)
        },
        move |app, reader, posted| value_form(app, reader, &app.book().lot(&of)?, posted),
    )
    .await
}

/// Looks at a field with a value of a lot: whether it holds, and whether it is odd.
pub fn looked_at(
    app: &App,
    reader: &Reader,
    lot: &str,
    (posted, field, parameter): (&Posted, &str, &str),
    amiss: &mut Mistakes,
) -> Result<(), BookError> {
    let (lots, parameters) = (app.cache.lots_and_mistakes()?.lots, app.cache.parameters()?);
    let here = lots.iter().find(|l| ids::same(&l.id, lot));
    let id = here.map_or(lot, |l| l.id.as_str());
    let (of, say) = (&parameters.value, reader.say);
    let days = here.map(|l| days_of(&l.file.value));
    let looked = Looked { lot: here, id, lots: &lots, parameters: of, days, say };
    let text = fields::text(posted, field).unwrap_or_default();
    looked.values(app, posted, &[(field.to_owned(), parameter.to_owned(), text)], amiss);
    Ok(())
}

/// Back to the lot, with what was logged.
fn logged(app: &App, reader: &Reader, id: &str, line: &LogLine) -> Result<CameOf, BookError> {
    let lot = app.book().lot(id)?;
    let parameters = app.cache.parameters()?;
    let text = match parameters.value.parameter(&line.parameter) {
        Some(p) => {
            let say = reader.say;
            let of = line.arm.as_ref().map_or_else(String::new, |a| format!(" ({a})"));
            format!(
                "{}{of}{colon}{}{colon}{}",
                lot.id,
                p.label(say.key()),
                words::line(line, Some(p), say),
                colon = say.0.colon()
            )
        }
        None => lot_text::logged(&lot, line),
    };
    Ok(CameOf::new(lot_page(&lot.id), text))
}

/// The form of a correction.
pub async fn correction(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    Query(which): Query<Which>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        let lot = app.book().lot(&id)?;
        let line = entry_of(&lot, &which.entry)?;
        let value = match line.value.as_deref() {
            Some(v) if line.unit.is_some() => {
                format!("{v} {}", line.unit.as_deref().unwrap_or_default())
            }
            other => other.unwrap_or_default().to_owned(),
        };
        let mut posted =
            vec![("entry".to_owned(), which.entry.clone()), ("value".to_owned(), value)];
        if line.how == crate::book::lots::How::Estimated {
            posted.push(("estimated".to_owned(), "yes".to_owned()));
        }
        correction_form(app, reader, &lot, &Posted(posted))
    })
    .await
}

fn entry_of<'a>(lot: &'a Lot, entry: &str) -> Result<&'a LogLine, BookError> {
    lot.log.values().find(|l| l.entry == entry).ok_or_else(|| {
        refused(
            format!("the log of {} has no entry \"{entry}\"", lot.id),
            "an entry of this lot",
            "choose it on the lot's page",
        )
    })
}

fn correction_form(
    app: &App,
    reader: &Reader,
    lot: &Lot,
    posted: &Posted,
) -> Result<Body, BookError> {
    let say = reader.say;
    let line = entry_of(lot, posted.text("entry"))?;
    let parameters = app.cache.parameters()?;
    let p = known(&parameters.value, &line.parameter)?;
    let page = lot_page(&lot.id);
    let was = format!(
        "{}, {}, {}",
        words::line(line, Some(p), say),
        words::how(line.how, say),
        words::moment(&line.at.to_string())
    );
    let body = html! {
        p { a href=(page) { (say.of("Back to the lot", "返回批次")) } }
        p { (say.of("A correction is a new line. The old one stays in the log, marked as replaced.", "更正是新增一行；原来的一行仍保留，并标明已被取代。")) }
        p { (say.of("It says now: ", "现记录为：")) strong { (was) } }
        form method="post" action={ (page) "/correct" } {
            (token(reader))
            input type="hidden" name="entry" value=(line.entry);
            @if p.kind == ParameterKind::Moment {
                // With its offset, as it stands in the log.
                (text_field("value", say.of("Right value", "正确数值"), say.of("a day and a time, or a time of the same day, as 8:40", "日期与时间，或同日的时刻，如 8:40"), posted.text("value")))
            } @else {
                (fields::parameter("value", say.of("Right value", "正确数值"), p, posted.text("value"), say))
            }
            (fields::tick("back", say.of("there is no right value: take it back", "没有正确数值：撤回此条"), posted.ticked("back")))
            (text_field("reason", words::field("--reason", say), say.of("why the new line takes the old one's place", "为何取代原来的一行"), posted.text("reason")))
            @if p.kind != ParameterKind::Moment {
                (fields::moment("at", words::field("--at", say), say.of("empty: as it was", "留空为原来的时间"), posted.text("at")))
            }
            (fields::by_and_how(posted, say))
            button { (say.of("Log the correction", "记录更正")) }
        }
    };
    let title = say.of(
        format!("{}: correct {}", lot.id, p.label(say.key())),
        format!("{}：更正{}", lot.id, p.label(say.key())),
    );
    Ok((title, body))
}

/// Logs the correction.
pub async fn correct(
    State(app): State<Shared>,
    reader: Reader,
    Path(id): Path<String>,
    posted: Posted,
) -> Response {
    let of = id.clone();
    written(
        (app, reader, Part::Lots),
        posted,
        move |app, reader, posted| {
            let lot = app.book().lot(&id)?;
            let old = entry_of(&lot, posted.text("entry"))?;
            let value = fields::text(posted, "value").filter(|_| !posted.ticked("back"));
            let mut amiss = Mistakes::default();
            if value.is_none() && !posted.ticked("back") {
                let none = refused(
                    "the right value is empty",
                    "a value, or the box that takes the old one back",
                    "fill one of the two in",
                );
                amiss.add("value", none.to_string());
            }
            let at = fields::moment_of(app, (posted, reader.say), "at", &mut amiss);
            if posted.text("reason").is_empty() {
                let why = "why the new line takes the old one's place";
                let none = refused("a correction without a reason", why, "add --reason");
                amiss.add("reason", none.to_string());
            }
            if value.is_some() {
                looked_at(app, reader, &id, (posted, "value", &old.parameter), &mut amiss)?;
            }
            amiss.none()?;
            let entry = Entry {
                at,
                arm: old.arm.clone(),
                how: fields::how(posted),
                by: fields::text(posted, "by"),
                replaces: Some(old.entry.clone()),
                reason: fields::text(posted, "reason"),
                ..Entry::new(old.parameter.clone(), value)
            };
            let line = log_lot(app.book(), &id, &entry, app.now(), &mut rng()?)?;
            Ok(logged(app, reader, &id, &line)?)
        },
        move |app, reader, posted| correction_form(app, reader, &app.book().lot(&of)?, posted),
    )
    .await
}
