//! What is due, planned as a session in one step, and as a calendar file.

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use maud::html;

use super::form::number;
use super::planning::{done_before, is_planned, went};
use super::with_ours;
use crate::book::book_file::clock;
use crate::book::recipes::Recipes;
use crate::book::time::Moment;
use crate::book::{Book, BookError, ids};
use crate::desk::Shared;
use crate::desk::due_kept::AHEAD;
use crate::desk::page::{
    Part, Reader, aside, failed, field, page, shown_error, text_field, token, wrong,
};
use crate::desk::posted::{CameOf, Once, Posted};
use crate::desk::told;
use crate::findings::Answer;
use crate::findings::due::{Due, Sitting, SoPlanned, Wish, due_of_book, request};
use crate::session::{self, DealSecret, Planned};
use crate::views;

/// So many days go into a calendar.
const IN_CALENDAR: i64 = 365;

/// What is due as seen from a day.
pub fn found(book: &Book, now: Moment, ahead: i64, alone: bool) -> Result<Due, BookError> {
    let on = now.on_clock_of(&clock(&book.book_file()?)).day();
    due_of_book(
        book,
        &Wish { on, until: on.later(ahead), with: Vec::new(), days: None, alone },
        None,
    )
}

struct Seen {
    due: Due,
    tasters: Vec<(String, String)>,
    name: String,
    recipes: Recipes,
}

fn seen(book: &Book, now: Moment) -> Result<Seen, BookError> {
    let due = found(book, now, AHEAD, false)?;
    let tasters = book.tasters()?.value.tasters;
    let tasters = tasters
        .into_iter()
        .filter(|t| t.left.is_none_or(|l| l > due.on))
        .map(|t| (t.id.clone(), t.name.unwrap_or(t.id)))
        .collect();
    let taken = book.session_names()?;
    let free = |n: &String| !taken.iter().any(|t| ids::same(t, &format!("{}-{n}", due.on)));
    let name = (1..)
        .map(|i| if i == 1 { "again".to_owned() } else { format!("again-{i}") })
        .find(free)
        .unwrap_or_default();
    Ok(Seen { due, tasters, name, recipes: book.recipes()?.value })
}

/// What the session would be, and who tastes.
pub async fn show(State(app): State<Shared>, reader: Reader) -> Response {
    shown(&app, &reader, &Posted::default(), None).await
}

async fn shown(
    app: &Shared,
    reader: &Reader,
    typed: &Posted,
    error: Option<BookError>,
) -> Response {
    let (book, now) = (app.book().clone(), app.now());
    let seen = match aside(move || seen(&book, now)).await {
        Ok(Ok(seen)) => seen,
        Ok(Err(e)) => return failed(app, reader, Part::Sessions, &e),
        Err(response) => return response,
    };
    let say = reader.say;
    let ticked = typed.all("taster");
    let body = html! {
        @if let Some(e) = &error { (wrong(reader, &shown_error(app, e))) }
        p.buttons { a href="/due" { (say.of("All that is due", "全部到期项")) } " " a href="/sessions/due.ics" download { (say.of("Calendar file of the year to come", "未来一年的日历文件")) } }
        p.hint { (say.of("Keep the calendar from whoever tastes: it names samples.", "日历含茶样名，勿让评茶员看到。")) }
        @match &seen.due.sitting {
            Answer::Unknown(why) => { p { (say.of("No session is to be planned: ", "无可安排：")) (told::markup(say, &why.reason)) } }
            Answer::Known(sitting) => {
                form method="post" action="/sessions/due" {
                    (token(reader))
                    p { (in_words(reader, sitting, &seen.recipes)) }
                    ul.samples { @for s in sitting.samples() { li { (s) } } }
                    @for line in views::due::left_out(sitting, |_| true) { p.hint { (told::markup(say, &line)) } }
                    div.row {
                        (text_field("name", say.of("Name", "名称"), "", typed.filled("name").unwrap_or(&seen.name)))
                        (field("flight-size", say.of("Cups in a flight, at most", "每轮最多杯数"), say.of("Empty: the book's limit.", "留空：按本册上限。"), html! { input id="flight-size" name="flight-size" type="number" min="2" value=(typed.text("flight-size")) aria-describedby="flight-size-hint"; }))
                    }
                    fieldset { legend { (say.of("Tasters", "评茶员")) } div.ticks { @for (id, name) in &seen.tasters {
                        label.pick { input type="checkbox" name="taster" value=(id) checked[ticked.contains(id)]; span { (name) } }
                    } } }
                    label.pick { input type="checkbox" name="guess" value="1" checked[typed.ticked("guess")]; span { (say.of("Ask which lot a cup is thought to be", "请评茶员猜是哪个批次")) } }
                    label.pick { input type="checkbox" name="alone" value="1" checked[typed.ticked("alone")]; span { (say.of("One person pours and tastes: no second codes", "一人冲泡并审评：无重复样")) } }
                    p.buttons { button { (say.of("Plan this session", "安排此场次")) } }
                }
            }
        }
        @if !seen.due.warnings.is_empty() { h2 { (say.of("Mind", "注意")) } ul { @for w in &seen.due.warnings { li { (told::markup(say, &w.text)) } } } }
    };
    let status = if error.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let title = say.of("Plan what is due", "安排到期复评");
    (status, page(app, reader, Part::Sessions, title, with_ours(body))).into_response()
}

fn in_words(reader: &Reader, s: &Sitting, recipes: &Recipes) -> String {
    let key = reader.say.key();
    let recipe = recipes.recipe(&s.recipe).map_or(s.recipe.as_str(), |r| r.labels.or(key, &r.id));
    let (n, flights) = (s.samples().count(), s.flights.len());
    let reference = s.reference.known();
    let with = reference
        .map_or(reader.say.of("no reference".to_owned(), "无参照样".to_owned()), |r| {
            reader.say.of(format!("reference {r}"), format!("参照样 {r}"))
        });
    let days = match (s.flights.first(), s.flights.last()) {
        (Some(a), Some(b)) if a.day != b.day => format!("{} – {}", a.day, b.day),
        (Some(a), _) => a.day.to_string(),
        _ => String::new(),
    };
    reader.say.of(
        format!("{n} samples in {flights} flights, {days}, recipe {recipe}, {with}. Which flight has which is dealt."),
        format!("{n} 个茶样，{flights} 轮，{days}，冲泡方法“{recipe}”，{with}。各轮内容由抽签决定。"),
    )
}

/// Plans it.
pub async fn plan(State(app): State<Shared>, reader: Reader, posted: Posted) -> Response {
    let (of, say, now, form) = (app.clone(), reader.say, app.now(), posted.clone());
    let work = move || {
        of.taken.once(&form, || {
            let (planned, tins) = planned(of.book(), &form, now)?;
            let mut told = vec![is_planned(say, &planned)];
            told.extend(tins.into_iter().chain(planned.warnings).map(|w| told::text(say, &w)));
            Ok(CameOf { to: format!("/sessions/{}", planned.session), told })
        })
    };
    match aside(work).await {
        Ok(Ok(Once::Now(came))) => went(&app, came),
        Ok(Ok(Once::Before(came))) => done_before(&app, &reader, &posted, &came),
        Ok(Err(e)) => shown(&app, &reader, &posted, Some(e)).await,
        Err(response) => response,
    }
}

fn planned(book: &Book, form: &Posted, now: Moment) -> Result<(Planned, Vec<String>), BookError> {
    let alone = form.ticked("alone");
    let flight_size = number(form, "flight-size", "the size of a flight")?;
    let on = now.on_clock_of(&clock(&book.book_file()?)).day();
    let wish = Wish { on, until: on.later(AHEAD), with: Vec::new(), days: None, alone };
    let due = due_of_book(book, &wish, flight_size)?;
    let sitting = match &due.sitting {
        Answer::Known(sitting) => sitting,
        Answer::Unknown(why) => {
            return Err(BookError::Refused(format!(
                "no session is planned: {}\n  to mend:  plan one by hand",
                why.reason
            )));
        }
    };
    let random = || {
        getrandom::u64().map_err(|e| {
            BookError::Refused(format!("the operating system gives no random bits: {e}"))
        })
    };
    let order_seed = (random()? >> 32) as u32;
    // All draws beforehand, since each may fail: one a sample, with far more bits than samples.
    let n = sitting.samples().count() * sitting.flights.len() + 1;
    let mut draws = (0..n).map(|_| random()).collect::<Result<Vec<u64>, _>>()?;
    let contents = sitting.dealt(|n| (draws.pop().unwrap_or(0) % n.max(1) as u64) as usize);
    let so = SoPlanned {
        name: form.text("name").to_owned(),
        tasters: form.all("taster"),
        order_seed,
        guess: form.ticked("guess"),
        alone,
        flight_size,
    };
    let planned =
        session::plan(book, &request(sitting, &contents, so), now, DealSecret::from_system()?)?;
    let tins = if alone && contents.len() > 1 {
        views::due::tins(&planned.plan, &contents, sitting)
    } else {
        Vec::new()
    };
    Ok((planned, tins))
}

/// What is due within a year, as a calendar.
pub async fn calendar(State(app): State<Shared>, reader: Reader) -> Response {
    let (book, now, lang) = (app.book().clone(), app.now(), reader.say.0);
    let made = aside(move || {
        let file = book.book_file()?;
        let now = now.on_clock_of(&clock(&file));
        let due = found(&book, now, IN_CALENDAR, false)?;
        let writing = views::calendar::Writing { book: &file.value.title, now, lang };
        Ok(views::calendar::of(&due, &writing).0)
    });
    match made.await {
        Ok(Ok(text)) => {
            let kind = [
                (header::CONTENT_TYPE, "text/calendar; charset=utf-8"),
                (header::CONTENT_DISPOSITION, "attachment; filename=\"tasting-again.ics\""),
            ];
            (kind, text).into_response()
        }
        Ok(Err(e)) => failed(&app, &reader, Part::Today, &e),
        Err(response) => response,
    }
}
