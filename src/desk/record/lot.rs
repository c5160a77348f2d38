//! A lot: what it is, how it was made, where it is kept, what came of it.

use axum::extract::{Path, State};
use axum::response::Response;
use maud::{Markup, html};

use super::list::mistakes;
use super::lot_parts::{family_of, log_of, masses_of, reserve_of, storage_of, tastings_of};
use super::{lot_page, shown, words};
use crate::book::balance::balance;
use crate::book::book_file::Limits;
use crate::book::family::family;
use crate::book::fitness::{SAFETY, fitness};
use crate::book::lots::{How, Lot, LotValue, MAIN};
use crate::book::making::making;
use crate::book::parameters::Parameters;
use crate::book::stays::stays;
use crate::book::stores::Loggers;
use crate::book::time::Moment;
use crate::book::{BookError, ids, lot_warnings};
use crate::desk::page::{Part, Reader};
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};
use crate::views::lot_text;

/// The page.
pub async fn lot(State(app): State<Shared>, reader: Reader, Path(id): Path<String>) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        let read = app.cache.lots_and_mistakes()?;
        // One that cannot be read is told with its mistakes.
        let there = read.lots.iter().position(|l| ids::same(&l.id, &id));
        let Some(at) = there else { return Err(missing(app, &id)) };
        let lot = &read.lots[at];
        let body = html! {
            (mistakes(read.problems.len(), reader.say))
            (whole(app, reader, lot, &read.lots)?)
        };
        Ok((lot.id.clone(), body))
    })
    .await
}

fn missing(app: &App, id: &str) -> BookError {
    match app.book().lot(id) {
        Err(e) => e,
        Ok(_) => BookError::Refused(format!("the lot {id} was not there a moment ago")),
    }
}

fn whole(app: &App, reader: &Reader, lot: &Lot, lots: &[Lot]) -> Result<Markup, BookError> {
    let say = reader.say;
    let now = app.now();
    let file = app.cache.book_file()?;
    let limits = &file.value.limits;
    let parameters = app.cache.parameters()?;
    let parameters = &parameters.value;
    let mut loggers = Loggers::new(app.book(), &file.value);
    let kept: Vec<_> = lot
        .arms()
        .into_iter()
        .map(|arm| {
            let of = stays(lot, &arm, lots, &mut loggers, now);
            (arm, of)
        })
        .collect();
    let blocked: Vec<(String, Vec<String>)> = lot
        .arms()
        .into_iter()
        .filter_map(|arm| {
            let fit = fitness(lot, &arm, lots, limits, now.day());
            fit.is_blocked().then(|| (arm, fit.reasons().to_vec()))
        })
        .collect();
    let warnings = lot_warnings::warnings(&[lot], lots, limits, now);
    let sessions = app.cache.sessions()?;
    Ok(html! {
        p.lead { (words::class(&lot.file.value.class, say)) (say.0.comma()) (say.of("made ", "制成于 ")) (lot.made()) }
        @if !blocked.is_empty() {
            div.wrong role="note" {
                h2 { (say.of("Not to be served", "不可供评")) }
                @for (arm, reasons) in &blocked {
                    p { @if arm != MAIN { (arm) (say.0.colon()) } @for (i, reason) in reasons.iter().enumerate() { @if i > 0 { (say.of("; ", "；")) } (told::markup(say, reason)) } }
                }
                p { (told::markup(say, SAFETY)) }
            }
        }
        (ways(lot, !blocked.is_empty(), say))
        @if !warnings.is_empty() {
            section.warnings {
                h2 { (say.of("To be looked at", "注意")) }
                ul { @for w in &warnings { li { (told::markup(say, w)) } } }
            }
        }
        (identity(lot, say))
        @if let Some(run) = run_of(app, lot, parameters, limits) {
            section { h2 { (say.of("Run of a trial", "试验安排")) } pre.plain { (told::markup(say, &run)) } }
        }
        (steps(lot, parameters, say))
        (worked_out(lot, lots, limits, parameters, say))
        (masses_of(&balance(lot, lots), say))
        (storage_of(lot, &kept, lots, parameters, say))
        @for notice in loggers.notices() { p.hint { (told::markup(say, &notice)) } }
        @for problem in loggers.problems.sorted() { pre.hint { (told::markup(say, &problem.to_string())) } }
        (reserve_of(lot, say))
        (family_of(lot, &family(lot, lots), say))
        (tastings_of(lot, &sessions.revealed, say))
        (log_of(lot, parameters, say))
    })
}

/// What was planned for the run of a trial, and what its log lacks of it yet.
fn run_of(app: &App, lot: &Lot, parameters: &Parameters, limits: &Limits) -> Option<String> {
    let (name, number) = (lot.file.value.trial.as_ref()?, lot.file.value.run?);
    // A trial with mistakes is told of by the check.
    let trial = app.book().trial(name).ok()?.value;
    Some(lot_text::run_of(lot, &trial, number, parameters, limits)).filter(|t| !t.is_empty())
}

/// What can be done with a lot.
fn ways(lot: &Lot, blocked: bool, say: Say) -> Markup {
    let page = lot_page(&lot.id);
    let quarantined = lot.all_arms().iter().any(|a| lot.is_in_quarantine(a));
    let mut ways = vec![
        ("log", say.of("Log a value", "记录数值")),
        ("draw", say.of("Reserve", "留样出入")),
        ("move", say.of("Move in store", "移库")),
        ("split", say.of("Split", "分批")),
        ("refire", say.of("Fire again", "复火")),
        ("quarantine", say.of("Quarantine", "隔离")),
    ];
    if quarantined || blocked {
        ways.push(("clear", say.of("Clear of quarantine", "解除隔离")));
    }
    ways.push(("edit", say.of("Edit", "编辑")));
    html! {
        nav.ways aria-label=(say.of("What can be done with this lot", "本批次可做的事")) {
            @for (path, name) in ways { a.button.quiet href={ (page) "/" (path) } { (name) } " " }
        }
    }
}

fn identity(lot: &Lot, say: Say) -> Markup {
    let file = &lot.file.value;
    let days: Vec<String> = file.picked.iter().map(ToString::to_string).collect();
    let arms: Vec<String> = file
        .arms
        .iter()
        .map(|a| {
            say.of(
                format!("{} (since {})", a.id, a.since),
                format!("{}（自 {} 起）", a.id, a.since),
            )
        })
        .collect();
    let trial = file.trial.as_ref().zip(file.run);
    let rows: [(&str, Option<String>); 10] = [
        (say.of("Parted", "分出日期"), file.parted.map(|d| d.to_string())),
        (say.of("Picked", "采摘日期"), Some(days.join(say.0.between()))),
        (say.of("Garden", "茶园"), file.garden.clone()),
        (say.of("Plot", "地块"), file.plot.clone()),
        (say.of("Cultivar", "品种"), file.cultivar.clone()),
        (say.of("Season", "季节"), file.season.as_deref().map(|s| words::season(s, say))),
        (say.of("Made tea", "成茶"), file.kg.map(|kg| format!("{kg} kg"))),
        (say.of("Arms", "存放组"), Some(arms.join(say.0.between()))),
        (
            say.of("Trial", "试验"),
            trial.map(|(n, r)| say.of(format!("{n}, run {r}"), format!("{n}，第 {r} 次"))),
        ),
        (say.of("Notes", "备注"), file.notes.clone()),
    ];
    html! {
        dl.facts {
            @for (name, value) in rows {
                @if let Some(value) = value.filter(|v| !v.is_empty()) {
                    div { dt { (name) } dd { (value) } }
                }
            }
        }
    }
}

/// The values of making that hold, by their steps, in the order of parameters.toml.
fn steps(lot: &Lot, parameters: &Parameters, say: Say) -> Markup {
    let mut order: Vec<&str> = Vec::new();
    for p in &parameters.parameters {
        if !order.contains(&p.step()) {
            order.push(p.step());
        }
    }
    let of_step = |step: &str| -> Vec<&LotValue> {
        let mut values: Vec<&LotValue> = lot
            .values
            .iter()
            .filter(|v| v.parameter.split_once('.').is_some_and(|(s, _)| ids::same(s, step)))
            .collect();
        let place = |v: &&LotValue| {
            parameters.parameters.iter().position(|p| ids::same(&p.id, &v.parameter))
        };
        values.sort_by_key(place);
        values
    };
    let page = lot_page(&lot.id);
    html! {
        section {
            h2 { (say.of("Making, step by step", "制作过程")) }
            // How it is kept, and its reserve, have parts of their own below.
            @for step in order.into_iter().filter(|s| !["store", "reserve"].contains(s)) {
                @let values = of_step(step);
                h3 {
                    (words::step(step, say)) " "
                    a.small href={ (page) "/log?step=" (step) } { (say.of("log", "记录")) span.unseen { (say.0.colon()) (words::step(step, say)) } }
                }
                @if !values.is_empty() {
                    div.wide tabindex="0" role="group" { table.values { tbody {
                        @for v in values { (value_row(lot, v, parameters, say)) }
                    } } }
                }
            }
        }
    }
}

/// How a value came and when. What was given with a lot that was made already, or with a day alone, is of its day: it
/// was not measured at a moment that anybody knows.
pub fn how_and_when(lot: &Lot, how: How, at: Moment, say: Say) -> String {
    if !lot.is_of_the_day(at) {
        return format!(
            "{}{}{}",
            words::how(how, say),
            say.0.comma(),
            words::moment(&at.to_string())
        );
    }
    let of_day =
        say.of(format!("of {}, no time given", at.day()), format!("{} 当日，未记时刻", at.day()));
    match how {
        How::Measured => of_day,
        How::Estimated => format!("{}{}{of_day}", words::how(how, say), say.0.comma()),
    }
}

/// A value that holds, and the way to its correction.
pub fn value_row(lot: &Lot, v: &LotValue, parameters: &Parameters, say: Say) -> Markup {
    let p = parameters.parameter(&v.parameter);
    let usual = p
        .filter(|p| v.value.number().is_some_and(|x| p.is_unusual(x)))
        .map(|p| words::hint(p, say));
    let name = p.map_or(v.parameter.as_str(), |p| p.label(say.key()));
    html! {
        tr {
            th scope="row" { (name) @if let Some(arm) = &v.arm { " (" (arm) ")" } }
            td { strong { (words::value(&v.value, v.unit.as_deref(), p, say)) } @if let Some(usual) = usual { " " span.warn { (usual) } } }
            td.pale { (how_and_when(lot, v.how, v.at, say)) @if let Some(note) = &v.note { (say.0.semicolon()) (words::note(note, say)) } }
            td { a.small href={ (lot_page(&lot.id)) "/correct?entry=" (v.entry) } { (say.of("correct", "更正")) span.unseen { (say.0.colon()) (name) } } }
        }
    }
}

fn worked_out(
    lot: &Lot,
    lots: &[Lot],
    limits: &Limits,
    parameters: &Parameters,
    say: Say,
) -> Markup {
    let rows = lot_text::derived(lot, limits);
    let making = making(lot, lots, limits);
    let inherited: Vec<_> = making.values.iter().filter(|m| m.inherited_from.is_some()).collect();
    html! {
        @if !rows.is_empty() {
            section {
                h2 { (say.of("Worked out", "推算结果")) }
                div.wide tabindex="0" role="group" { table.values { tbody {
                    @for row in &rows {
                        tr {
                            th scope="row" { (words::worked_out(&row[0], say)) @if row[0] == "oxidation dose" { span.hint { (words::meaning_of_dose(say)) } } }
                            td { strong { (words::figure(&row[1], say)) } }
                            td.pale { (told::markup(say, &row[2])) }
                        }
                    }
                } } }
            }
        }
        @if !inherited.is_empty() {
            section {
                h2 { (say.of("Inherited from the lots that it came of", "沿自来源批次")) }
                div.wide tabindex="0" role="group" { table.values { tbody {
                    @for made in inherited {
                        @let p = parameters.parameter(&made.parameter);
                        tr {
                            th scope="row" { (p.map_or(made.parameter.as_str(), |p| p.label(say.key()))) }
                            td { strong { (words::value(&made.value, made.unit.as_deref(), p, say)) } }
                            td.pale { (words::how(made.how, say)) (say.0.comma()) (made.inherited_from.as_deref().unwrap_or_default()) }
                        }
                    }
                } } }
            }
        }
        @for note in &making.notes { p.hint { (told::markup(say, note)) } }
    }
}
