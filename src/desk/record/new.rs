//! A new lot, with the values of its making step by step.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};

use super::asked_back::{self, Looked};
use super::classes::{class_field, class_of};
use super::log::by_step;
use super::{Body, CameOf, fields, lot_page, rng, shown, words, written};
use crate::book::far::odd_day;
use crate::book::lots::LotFile;
use crate::book::parameters::{Parameters, RESERVE_KEPT};
use crate::book::time::Day;
use crate::book::writing::{NewLot, add_lot, must_be_free, refused};
use crate::book::{BookError, trial_rules};
use crate::desk::mistakes::Mistakes;
use crate::desk::page::{Part, Reader, text_field, token};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::{App, Shared};

/// The form.
pub async fn form(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::Lots, |app, reader| {
        let today = app.now().day().to_string();
        new_form(app, reader, &Posted(vec![("made".to_owned(), today)]))
    })
    .await
}

/// What is not said stays out.
fn said(posted: &Posted, name: &str) -> Option<String> {
    fields::text(posted, name)
}

/// The values of making, step by step: each step opens by itself.
pub fn values_of_making(
    parameters: &Parameters,
    steps: &[&str],
    posted: &Posted,
    say: Say,
) -> Markup {
    html! {
        @for (step, list) in by_step(parameters) {
            @if steps.is_empty() || steps.contains(&step) {
                @let name = |id: &str| format!("value:{id}");
                @let some = list.iter().any(|p| posted.filled(&name(&p.id)).is_some());
                details.step open[some] {
                    summary { (words::step(step, say)) }
                    div.grid { @for p in list { (fields::parameter(&name(&p.id), p.label(say.key()), p, posted.text(&name(&p.id)), say)) } }
                }
            }
        }
    }
}

/// The values of making that were filled in.
pub fn values(posted: &Posted) -> Vec<(String, String)> {
    let of = posted.0.iter().filter_map(|(n, v)| Some((n.strip_prefix("value:")?, v)));
    of.filter(|(_, v)| !v.is_empty()).map(|(p, v)| (p.to_owned(), v.replace('\n', " "))).collect()
}

fn new_form(app: &App, reader: &Reader, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let parameters = app.cache.parameters()?;
    let text =
        |name: &str, label: &str, hint: &str| text_field(name, label, hint, posted.text(name));
    let body = html! {
        p { a href="/lots" { (say.of("All lots", "全部批次")) } }
        form method="post" action="/lots/new" {
            (token(reader))
            div.grid {
                (text("id", say.of("Id", "编号"), say.of("letters, digits, - _ . as T26-03: the name of its folder", "字母、数字、- _ .，如 T26-03：即其文件夹名")))
                (class_field(app, posted, say))
                (fields::day("made", words::field("--made", say), say.of("the day on which drying ended", "干燥结束之日"), posted.text("made")))
                (text("picked", say.of("Picked on", "采摘日期"), say.of("a day, or several with spaces between them", "一日或多日，以空格分开")))
                (text("garden", say.of("Garden", "茶园"), ""))
                (text("plot", say.of("Plot", "地块"), ""))
                (text("cultivar", say.of("Cultivar", "品种"), ""))
                (text("season", say.of("Season", "季节"), ""))
                (text("kg", say.of("Made tea, kg", "成茶，公斤"), ""))
                (text("reserve", say.of("Put into the reserve, g", "留样，克"), say.of("leaf that is kept for tastings", "留作审评的茶叶")))
                (text("trial", say.of("Trial", "试验"), say.of("if it was made for one", "如为某试验所制")))
                (text("run", say.of("Run of the trial", "试验第几次"), ""))
            }
            (fields::long("notes", say.of("Notes", "备注"), "", posted.text("notes")))
            h2 { (say.of("Making, step by step", "制作过程")) }
            p.hint { (say.of("What is not known yet can be logged later, or by the step clock in the workshop. A value may carry its unit: 90 min.", "尚不知道的可以以后记录，或用车间计时记录。数值可带单位：90 min。")) }
            (values_of_making(&parameters.value, &["pluck", "wither", "shake", "fix", "roll", "oxidise", "dry", "store"], posted, say))
            (fields::by_and_how(posted, say))
            button { (say.of("Add the lot", "新增批次")) }
        }
    };
    Ok((say.of("Add a lot", "新增批次").to_owned(), body))
}

/// What a form says of any new lot beside what it is; what is wrong in it is noted.
///
/// # Errors
/// If the book cannot be read.
pub fn values_of_new(
    app: &App,
    (posted, say): (&Posted, Say),
    amiss: &mut Mistakes,
) -> Result<NewValues, BookError> {
    let id = posted.text("id");
    let free = app.book().lot_ids().and_then(|taken| must_be_free(id, &taken));
    amiss.take("id", free);
    let (lots, parameters) = (app.cache.lots_and_mistakes()?.lots, app.cache.parameters()?);
    let of = &parameters.value;
    let made = fields::day_of(posted.text("made")).ok();
    let picked = fields::days_of(posted.text("picked")).unwrap_or_default();
    let days = made.map(|made| (picked.into_iter().fold(made, Day::min), made));
    let looked = Looked { lot: None, id, lots: &lots, parameters: of, days, say };
    let kg = amiss.take("kg", fields::kilograms(posted.text("kg"))).flatten();
    looked.kilograms(posted, "kg", kg, amiss);
    let reserve_g = amiss.take("reserve", fields::number(posted.text("reserve"))).flatten();
    let values = values(posted);
    let mut held: Vec<(String, String, String)> =
        values.iter().map(|(id, v)| (format!("value:{id}"), id.clone(), v.clone())).collect();
    let reserve = posted.text("reserve").to_owned();
    held.push(("reserve".to_owned(), RESERVE_KEPT.to_owned(), reserve));
    looked.values(app, posted, &held, amiss);
    Ok(NewValues { kg, reserve_g, values })
}

/// What a form says of a new lot beside what it is.
pub struct NewValues {
    /// Its kilograms.
    pub kg: Option<f64>,
    /// Grams put into the reserve.
    reserve_g: Option<f64>,
    /// Values of its making.
    values: Vec<(String, String)>,
}

impl NewValues {
    /// The lot with these values.
    pub fn of(self, posted: &Posted, file: LotFile) -> NewLot {
        NewLot {
            file,
            reserve_g: self.reserve_g,
            values: self.values,
            how: fields::how(posted),
            by: said(posted, "by"),
        }
    }
}

/// The day on which a new lot was made; what is wrong with it is noted, and an odd one is asked back.
pub fn made_on(app: &App, (posted, say): (&Posted, Say), amiss: &mut Mistakes) -> Option<Day> {
    let made = amiss.take("made", fields::day_of(posted.text("made")));
    asked_back::day((posted, say), "made", made, app.now().day(), amiss);
    made
}

fn run_of(posted: &Posted) -> Result<Option<u32>, BookError> {
    let Some(text) = posted.filled("run") else { return Ok(None) };
    text.parse().map(Some).map_err(|_| {
        refused(format!("\"{text}\" is no run"), "a whole number", "write it as in the trial")
    })
}

/// Adds the lot.
pub async fn add(State(app): State<Shared>, reader: Reader, posted: Posted) -> Response {
    written(
        (app, reader, Part::Lots),
        posted,
        |app, reader, posted| {
            let mut amiss = Mistakes::default();
            let new = values_of_new(app, (posted, reader.say), &mut amiss)?;
            amiss.take("class", class_of(app, posted, reader.say));
            let made = made_on(app, (posted, reader.say), &mut amiss);
            let picked = amiss.take("picked", fields::days_of(posted.text("picked")));
            let today = app.now().day();
            let odd = picked.iter().flatten().copied().find(|d| odd_day(*d, today).is_some());
            asked_back::day((posted, reader.say), "picked", odd, today, &mut amiss);
            let run = amiss.take("run", run_of(posted));
            let (made, picked, run) =
                amiss.none_or(made.zip(picked).zip(run).map(|((m, p), r)| (m, p, r)))?;
            let file = LotFile {
                picked,
                garden: said(posted, "garden"),
                plot: said(posted, "plot"),
                cultivar: said(posted, "cultivar"),
                season: said(posted, "season"),
                kg: new.kg,
                notes: posted.filled("notes").map(str::to_owned),
                trial: said(posted, "trial"),
                run,
                ..LotFile::new(posted.text("id"), posted.text("class"), made)
            };
            let lot = add_lot(app.book(), &new.of(posted, file), app.now(), &mut rng()?)?;
            let say = reader.say;
            let n = lot.log.lines.len();
            let mut done = CameOf::new(
                lot_page(&lot.id),
                say.of(
                    format!(
                        "Lot {} added, with {n} {} in its log.",
                        lot.id,
                        if n == 1 { "line" } else { "lines" }
                    ),
                    format!("已新增批次 {}，并记录 {n} 行。", lot.id),
                ),
            );
            if let Some(told) =
                app.cache.lots().ok().and_then(|l| trial_rules::made_already(&lot, &l))
            {
                done.told.push(told);
            }
            Ok(done)
        },
        new_form,
    )
    .await
}
