//! What becomes of a lot: moves in store, draws from the reserve, quarantine, splits, blends, second firings.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;

use super::classes::{class_field, must_be_meant};
use super::log::{arms, looked_at};
use super::new::{made_on, values_of_making, values_of_new};
use super::{Body, CameOf, asked_back, fields, lot_page, rng, shown, words, written};
use crate::book::fitness::SAFETY;
use crate::book::lots::{Lot, LotFile};
use crate::book::moves::{Move, move_lot};
use crate::book::parameters::{RESERVE_DRAWN, RESERVE_KEPT, STORE_HUMIDITY, STORE_TEMPERATURE};
use crate::book::parting::{self, NewTea, Parted, Taken};
use crate::book::quarantine::{Change, change};
use crate::book::time::Day;
use crate::book::writing::{Entry, NewArm, log_lot, refused};
use crate::book::{BookError, ids};
use crate::desk::mistakes::{Mistakes, Wrong};
use crate::desk::page::{Part, Reader, choice, sample_field, text_field, token};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};
use crate::session::splitting::split_lot;
use crate::views::lot_text;

/// The way back to a lot.
fn back(lot: &Lot, say: Say) -> Markup {
    html! { p { a href=(lot_page(&lot.id)) { (say.of("Back to the lot", "返回批次")) } } }
}

fn text(posted: &Posted, name: &str, label: &str, hint: &str) -> Markup {
    text_field(name, label, hint, posted.text(name))
}

/// A page with a form of one lot.
async fn of_lot(
    app: Shared,
    reader: Reader,
    id: String,
    form: fn(&App, &Reader, &Lot, &Posted) -> Result<Body, BookError>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        form(app, reader, &app.book().lot(&id)?, &Posted::default())
    })
    .await
}

/// Does what such a form asks.
async fn done_to_lot(
    (app, reader, id): (Shared, Reader, String),
    posted: Posted,
    write: fn(&App, &Reader, &str, &Posted) -> Result<CameOf, Wrong>,
    form: fn(&App, &Reader, &Lot, &Posted) -> Result<Body, BookError>,
) -> Response {
    let of = id.clone();
    written(
        (app, reader, Part::Lots),
        posted,
        move |app, reader, posted| write(app, reader, &id, posted),
        move |app, reader, posted| form(app, reader, &app.book().lot(&of)?, posted),
    )
    .await
}

macro_rules! page_of_lot {
    ($get:ident, $post:ident, $form:ident, $write:ident, $of:literal) => {
        #[doc = concat!("The form of ", $of, ".")]
        pub async fn $get(
            State(app): State<Shared>,
            reader: Reader,
            Path(id): Path<String>,
        ) -> Response {
            of_lot(app, reader, id, $form).await
        }

        #[doc = concat!("Does it: ", $of, ".")]
        pub async fn $post(
            State(app): State<Shared>,
            reader: Reader,
            Path(id): Path<String>,
            posted: Posted,
        ) -> Response {
            done_to_lot((app, reader, id), posted, $write, $form).await
        }
    };
}

page_of_lot!(move_form, move_it, moving, moved, "a move in store");
page_of_lot!(draw_form, draw, drawing, drawn, "what goes into the reserve or out of it");
page_of_lot!(quarantine_form, quarantine, putting_away, put_away, "a quarantine");
page_of_lot!(clear_form, clear, clearing, cleared, "the end of a quarantine");
page_of_lot!(split_form, split, splitting, split_up, "a split");

fn moving(_: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let body = html! {
        (back(lot, say))
        p { (say.of("From then on it is kept in this way; what is left empty stays as it was.", "自该时起按此存放；留空的项目不变。")) }
        form method="post" action={ (lot_page(&lot.id)) "/move" } {
            (token(reader))
            (arms(lot, posted.text("arm"), say))
            (text(posted, "place", words::field("--place", say), say.of("as the shelf or room is called", "货架或房间的名称")))
            (text(posted, "pack", words::field("--pack", say), say.of("as foil bag, tin, paper", "如铝箔袋、罐、纸")))
            (text(posted, "temperature", words::field("--temperature", say), say.of("the mean, as 20 or 68°F", "平均值，如 20 或 68°F")))
            (text(posted, "humidity", words::field("--humidity", say), say.of("the mean relative humidity, in percent", "平均相对湿度，%")))
            (fields::moment("on", words::field("--on", say), say.of("empty: now", "留空为现在"), posted.text("on")))
            (fields::by_and_how(posted, say))
            (text(posted, "note", words::field("--note", say), ""))
            button { (say.of("Log the move", "记录移库")) }
        }
    };
    Ok((say.of(format!("Move {} in store", lot.id), format!("{} 移库", lot.id)), body))
}

fn moved(app: &App, reader: &Reader, id: &str, posted: &Posted) -> Result<CameOf, Wrong> {
    let mut amiss = Mistakes::default();
    let on = fields::moment_of(app, (posted, reader.say), "on", &mut amiss);
    for (field, parameter) in [("temperature", STORE_TEMPERATURE), ("humidity", STORE_HUMIDITY)] {
        looked_at(app, reader, id, (posted, field, parameter), &mut amiss)?;
    }
    amiss.none()?;
    let new = Move {
        place: fields::text(posted, "place"),
        pack: fields::text(posted, "pack"),
        temperature: fields::text(posted, "temperature"),
        humidity: fields::text(posted, "humidity"),
        on,
        how: fields::how(posted),
        by: fields::text(posted, "by"),
        note: fields::text(posted, "note"),
    };
    let arm = fields::text(posted, "arm");
    let (lot, lines) = move_lot(app.book(), (id, arm.as_deref()), &new, app.now(), &mut rng()?)?;
    let parameters = app.cache.parameters()?;
    let say = reader.say;
    let each: Vec<String> = lines
        .iter()
        .map(|l| {
            let p = parameters.value.parameter(&l.parameter);
            let name = p.map_or(l.parameter.as_str(), |p| p.label(say.key()));
            format!("{name}{}{}", say.0.colon(), words::line(l, p, say))
        })
        .collect();
    Ok(CameOf::new(
        lot_page(&lot.id),
        format!("{}{}{}", lot.id, say.0.colon(), each.join(say.0.semicolon())),
    ))
}

fn drawing(_: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let options = [
        (RESERVE_DRAWN.to_owned(), say.of("drawn from it", "取出").to_owned()),
        (RESERVE_KEPT.to_owned(), say.of("put into it", "存入").to_owned()),
    ];
    let body = html! {
        (back(lot, say))
        p { (say.of("What a session pours is logged by itself when it is revealed.", "场次所用的茶样在揭盲时自动记录。")) }
        form method="post" action={ (lot_page(&lot.id)) "/draw" } {
            (token(reader))
            (choice("which", say.of("The leaf was", "茶叶"), "", &options, posted.text("which")))
            (text(posted, "grams", say.of("Grams", "克"), ""))
            (arms(lot, posted.text("arm"), say))
            (fields::moment("at", words::field("--at", say), say.of("empty: now", "留空为现在"), posted.text("at")))
            (fields::by_and_how(posted, say))
            (text(posted, "note", words::field("--note", say), say.of("as what it was for", "如用途")))
            button { (say.of("Log it", "记录")) }
        }
    };
    Ok((say.of(format!("Reserve of {}", lot.id), format!("{} 的留样", lot.id)), body))
}

fn drawn(app: &App, reader: &Reader, id: &str, posted: &Posted) -> Result<CameOf, Wrong> {
    let which = if posted.text("which") == RESERVE_KEPT { RESERVE_KEPT } else { RESERVE_DRAWN };
    let mut amiss = Mistakes::default();
    let at = fields::moment_of(app, (posted, reader.say), "at", &mut amiss);
    if posted.text("grams").is_empty() {
        let why = "a value; only a correction may take one back";
        let none = refused(format!("{which} has no value"), why, "give the value");
        amiss.add("grams", none.to_string());
    }
    looked_at(app, reader, id, (posted, "grams", which), &mut amiss)?;
    amiss.none()?;
    let entry = Entry {
        at,
        arm: fields::text(posted, "arm"),
        how: fields::how(posted),
        by: fields::text(posted, "by"),
        note: fields::text(posted, "note"),
        ..Entry::new(which.to_owned(), fields::text(posted, "grams"))
    };
    let line = log_lot(app.book(), id, &entry, app.now(), &mut rng()?)?;
    let say = reader.say;
    let parameters = app.cache.parameters()?;
    let p = parameters.value.parameter(which);
    let name = p.map_or(which, |p| p.label(say.key()));
    let (colon, line) = (say.0.colon(), words::line(&line, p, say));
    let told = format!("{id}{colon}{name}{colon}{line}");
    Ok(CameOf::new(lot_page(id), told))
}

fn safety(say: Say) -> Markup {
    html! { p.warn { (told::markup(say, SAFETY)) } }
}

fn putting_away(_: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let body = html! {
        (back(lot, say))
        p { (say.of("No session serves it until it is cleared with a reason. Keep it apart from other tea.", "解除之前任何场次都不供评；请与其他茶分开存放。")) }
        (safety(say))
        form method="post" action={ (lot_page(&lot.id)) "/quarantine" } {
            (token(reader))
            (arms(lot, posted.text("arm"), say))
            (text(posted, "reason", words::field("--reason", say), say.of("what was seen, smelt or measured", "所见、所闻或所测")))
            (text(posted, "by", words::field("--by", say), ""))
            (fields::moment("on", words::field("--on", say), say.of("empty: now", "留空为现在"), posted.text("on")))
            button { (say.of("Put it into quarantine", "隔离")) }
        }
    };
    Ok((say.of(format!("Quarantine {}", lot.id), format!("隔离 {}", lot.id)), body))
}

fn put_away(app: &App, reader: &Reader, id: &str, posted: &Posted) -> Result<CameOf, Wrong> {
    changed(app, reader, id, posted, true)?;
    let say = reader.say;
    Ok(CameOf::new(
        lot_page(id),
        say.of(format!("{id} is in quarantine: no session serves it until it is cleared with a reason. If it is in a session that is planned, the pouring plan says so. Look at what came of it, too."), format!("{id} 已隔离：凭理由解除之前，任何场次都不供评。如在已安排的审评中，分杯表会注明。其衍生批次也请检查。")),
    ))
}

fn changed(
    app: &App,
    reader: &Reader,
    id: &str,
    posted: &Posted,
    begins: bool,
) -> Result<(), Wrong> {
    let arm = fields::text(posted, "arm");
    let mut amiss = Mistakes::default();
    let on = fields::moment_of(app, (posted, reader.say), "on", &mut amiss);
    amiss.none()?;
    let is = Change {
        begins,
        reason: fields::text(posted, "reason").unwrap_or_default(),
        by: fields::text(posted, "by"),
        on,
    };
    change(app.book(), (id, arm.as_deref()), &is, app.now(), &mut rng()?)?;
    Ok(())
}

fn clearing(_: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let body = html! {
        (back(lot, say))
        p { (say.of("A clean nose proves nothing, and what moulds leave behind survives brewing.", "闻不出异味不能证明安全，霉菌残留物经冲泡仍存在。")) }
        (safety(say))
        form method="post" action={ (lot_page(&lot.id)) "/clear" } {
            (token(reader))
            (arms(lot, posted.text("arm"), say))
            (text(posted, "reason", words::field("--reason", say), say.of("why it may be served again, as what a laboratory found", "为何可再供评，如实验室结果")))
            (text(posted, "by", say.of("Who answers for it", "负责人"), ""))
            (fields::moment("on", words::field("--on", say), say.of("empty: now", "留空为现在"), posted.text("on")))
            button { (say.of("Clear it", "解除隔离")) }
        }
    };
    Ok((
        say.of(format!("Clear {} of its quarantine", lot.id), format!("解除 {} 的隔离", lot.id)),
        body,
    ))
}

fn cleared(app: &App, reader: &Reader, id: &str, posted: &Posted) -> Result<CameOf, Wrong> {
    changed(app, reader, id, posted, false)?;
    let say = reader.say;
    let told = say.of(
        format!("{id} is cleared: it may be served again."),
        format!("{id} 已解除隔离，可再供评。"),
    );
    Ok(CameOf::new(lot_page(id), told))
}

/// So many parts a form offers at once.
const PARTS: usize = 4;

fn splitting(app: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let today = app.now().day().to_string();
    let ways = [
        (
            "arms".to_owned(),
            say.of("arms of this lot, stored in different ways", "本批次的存放组，存放方式不同")
                .to_owned(),
        ),
        (
            "lots".to_owned(),
            say.of("lots of their own, with their kilograms", "独立批次，各有重量").to_owned(),
        ),
    ];
    let on = posted.filled("on").unwrap_or(&today);
    let body = html! {
        (back(lot, say))
        form method="post" action={ (lot_page(&lot.id)) "/split" } {
            (token(reader))
            (choice("way", say.of("Split into", "分为"), say.of("an arm stays the same tea under the same name; a lot of its own has a history of its own", "存放组仍为同名同茶；独立批次有自己的记录"), &ways, posted.text("way")))
            (choice_of_arm(lot, posted, say))
            @for i in 1..=PARTS { (part(i, posted, say)) }
            (fields::day("on", words::field("--on", say), "", on))
            button { (say.of("Split it", "分批")) }
        }
    };
    Ok((say.of(format!("Split {}", lot.id), format!("{} 分批", lot.id)), body))
}

/// Of which arm lots of their own are split off.
fn choice_of_arm(lot: &Lot, posted: &Posted, say: Say) -> Markup {
    html! { @if !lot.file.value.arms.is_empty() { (arms(lot, posted.text("arm"), say)) p.hint { (say.of("only for lots of their own", "仅用于独立批次")) } } }
}

fn part(i: usize, posted: &Posted, say: Say) -> Markup {
    let (id, kg) = (format!("part-{i}"), format!("kg-{i}"));
    html! {
        fieldset.pair {
            legend { (say.of(format!("Part {i}"), format!("第 {i} 份"))) }
            (text(posted, &id, say.of("Id", "编号"), if i == 1 { say.of("an arm by how it is stored, as dry, humid", "存放组可按存放方式命名，如 dry、humid") } else { "" }))
            (text(posted, &kg, words::field("--kg", say), ""))
        }
    }
}

fn split_up(app: &App, reader: &Reader, id: &str, posted: &Posted) -> Result<CameOf, Wrong> {
    let say = reader.say;
    let into_lots = posted.text("way") == "lots";
    let mut amiss = Mistakes::default();
    let day = amiss.take("on", fields::day_of(posted.text("on")));
    asked_back::day((posted, say), "on", day, app.now().day(), &mut amiss);
    let mut parts: Vec<(String, Option<f64>)> = Vec::new();
    for i in 1..=PARTS {
        let (field, weighed) = (format!("part-{i}"), format!("kg-{i}"));
        let kg = amiss.take(&weighed, fields::kilograms(posted.text(&weighed))).flatten();
        match fields::text(posted, &field) {
            Some(id) => {
                if into_lots && posted.text(&weighed).is_empty() {
                    let found = format!("{id} has no kilograms");
                    let none = refused(found, "what goes into it", "weigh it");
                    amiss.add(&weighed, none.to_string());
                }
                parts.push((id, kg));
            }
            None if kg.is_some() => {
                let none =
                    refused(format!("part {i} has kilograms and no id"), "its id", "fill it in");
                amiss.add(&field, none.to_string());
            }
            None => {}
        }
    }
    if into_lots && parts.is_empty() && !amiss.has("part-1") {
        let none = refused("no part is named", "at least one lot", "fill in its id and kilograms");
        amiss.add("part-1", none.to_string());
    }
    let day = amiss.none_or(day)?;
    if into_lots {
        let children: Vec<(String, f64)> =
            parts.into_iter().filter_map(|(id, kg)| Some((id, kg?))).collect();
        let arm = fields::text(posted, "arm");
        let parted = parting::split_into(
            app.book(),
            (id, arm.as_deref()),
            &children,
            day,
            app.now(),
            &mut rng()?,
        )?;
        return Ok(told_of(&parted, lot_text::split_off(&parted), lot_page(id)));
    }
    let new: Vec<NewArm> = parts.into_iter().map(|(id, kg)| NewArm { id, kg }).collect();
    split_lot(app.book(), id, &new, day)?;
    let names: Vec<&str> = new.iter().map(|a| a.id.as_str()).collect();
    let names = names.join(say.of(" and ", "、"));
    Ok(CameOf::new(
        lot_page(id),
        say.of(format!("{id} is split into {names}."), format!("{id} 已分为 {names}。")),
    ))
}

fn told_of(parted: &Parted, text: String, to: String) -> CameOf {
    let mut done = CameOf::new(to, text.trim_end().to_owned());
    done.told.extend(parted.warnings.iter().cloned());
    done
}

/// The lot that a blend begins with.
#[derive(Debug, Default, Deserialize)]
pub struct From {
    #[serde(default)]
    from: String,
}

/// The form of a blend.
pub async fn blend_form(
    State(app): State<Shared>,
    reader: Reader,
    Query(of): Query<From>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        let posted = Posted(vec![
            ("lot-1".to_owned(), of.from.clone()),
            ("made".to_owned(), app.now().day().to_string()),
        ]);
        blending(app, reader, &posted)
    })
    .await
}

/// Blends.
pub async fn blend(State(app): State<Shared>, reader: Reader, posted: Posted) -> Response {
    written(
        (app, reader, Part::Lots),
        posted,
        |app, reader, posted| {
            let mut amiss = Mistakes::default();
            let new = values_of_new(app, (posted, reader.say), &mut amiss)?;
            // Left empty it is that of what goes in.
            amiss.take("class", must_be_meant(app, posted, reader.say));
            let made = made_on(app, (posted, reader.say), &mut amiss);
            let from = (1..=MOST).filter_map(|i| taken(posted, i, &mut amiss)).collect();
            let file = file_of(posted, posted.text("class"), new.kg, amiss.none_or(made)?);
            let tea = NewTea { new: new.of(posted, file), from };
            let parted = parting::blend(app.book(), &tea, app.now(), &mut rng()?)?;
            Ok(told_of(&parted, lot_text::out_of(&parted, "blended"), lot_page(posted.text("id"))))
        },
        blending,
    )
    .await
}

/// So many lots a blend has room for.
const MOST: usize = 8;

fn file_of(posted: &Posted, class: &str, kg: Option<f64>, made: Day) -> LotFile {
    LotFile {
        kg,
        notes: posted.filled("notes").map(str::to_owned),
        ..LotFile::new(posted.text("id"), class, made)
    }
}

/// What goes in by one row of the form, as LOT or LOT@ARM with kilograms; what is wrong in it is noted.
fn taken(posted: &Posted, i: usize, amiss: &mut Mistakes) -> Option<Taken> {
    let sample = fields::text(posted, &format!("lot-{i}"))?;
    let field = format!("kg-{i}");
    if posted.text(&field).is_empty() {
        let found = format!("it is not said how much of {sample} goes in");
        amiss.add(&field, refused(found, "kilograms", "fill them in").to_string());
    }
    let kg = amiss.take(&field, fields::kilograms(posted.text(&field))).flatten()?;
    let (lot, arm) = match sample.split_once('@') {
        Some((lot, arm)) => (lot.to_owned(), Some(arm.to_owned())),
        None => (sample, None),
    };
    Some(Taken { lot, arm, kg })
}

fn samples(lots: &[Lot]) -> Markup {
    html! {
        datalist id="samples" {
            @for lot in lots { @for arm in lot.arms() {
                @if ids::same(&arm, crate::book::lots::MAIN) { option value=(lot.id) {} } @else { option value={ (lot.id) "@" (arm) } {} }
            } }
        }
    }
}

fn sample_row(i: usize, posted: &Posted, say: Say) -> Markup {
    let (id, kg) = (format!("lot-{i}"), format!("kg-{i}"));
    html! {
        fieldset.pair {
            legend { (say.of(format!("Lot {i}"), format!("批次 {i}"))) }
            (sample_field(&id, say.of("Lot, or LOT@ARM", "批次，或 批次@存放组"), "", posted.text(&id)))
            (text(posted, &kg, words::field("--kg", say), ""))
        }
    }
}

fn blending(app: &App, reader: &Reader, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let lots = app.cache.lots_and_mistakes()?.lots;
    let rows = (1..=MOST).filter(|i| posted.filled(&format!("lot-{i}")).is_some()).count().max(3);
    let body = html! {
        p { a href="/lots" { (say.of("All lots", "全部批次")) } }
        form method="post" action="/lots/blend" {
            (token(reader))
            (text(posted, "id", say.of("Id of the new lot", "新批次编号"), ""))
            h2 { (words::field("--from", say)) }
            @for i in 1..=(rows + 1).min(MOST) { (sample_row(i, posted, say)) }
            (samples(&lots))
            h2 { (say.of("What comes out", "成品")) }
            (fields::day("made", words::field("--made", say), "", posted.text("made")))
            (class_field(app, posted, say))
            p.hint { (say.of("Class empty: that of what goes in, if it is one. Kilograms empty: the sum of what went in.", "茶类留空：同投入批次（若一致）。重量留空：投入之和。")) }
            (text(posted, "kg", say.of("Kilograms that came out", "成品，公斤"), ""))
            (text(posted, "reserve", say.of("Put into the reserve, g", "留样，克"), ""))
            (fields::long("notes", say.of("Notes", "备注"), "", posted.text("notes")))
            (fields::by_and_how(posted, say))
            button { (say.of("Blend", "拼配")) }
        }
    };
    Ok((say.of("Blend lots into a new one", "拼配为新批次").to_owned(), body))
}

page_of_lot!(refire_form, refire, refiring, refired, "a second firing");

fn refiring(app: &App, reader: &Reader, lot: &Lot, posted: &Posted) -> Result<Body, BookError> {
    let say = reader.say;
    let parameters = app.cache.parameters()?;
    let today = app.now().day().to_string();
    let body = html! {
        (back(lot, say))
        p { (say.of("A new lot comes of it, with its own values of drying.", "复火后成为新批次，有自己的干燥记录。")) }
        form method="post" action={ (lot_page(&lot.id)) "/refire" } {
            (token(reader))
            (text(posted, "id", say.of("Id of the new lot", "新批次编号"), ""))
            (arms(lot, posted.text("arm"), say))
            (text(posted, "in", say.of("Kilograms that go in", "投入，公斤"), ""))
            (text(posted, "kg", say.of("Kilograms that came out", "成品，公斤"), say.of("empty: not weighed", "留空为未称")))
            (fields::day("made", words::field("--made", say), say.of("the day on which drying ended", "干燥结束之日"), posted.filled("made").unwrap_or(&today)))
            (text(posted, "reserve", say.of("Put into the reserve, g", "留样，克"), ""))
            (values_of_making(&parameters.value, &["dry"], posted, say))
            (fields::long("notes", say.of("Notes", "备注"), "", posted.text("notes")))
            (fields::by_and_how(posted, say))
            button { (say.of("Fire it again", "复火")) }
        }
    };
    Ok((say.of(format!("Fire {} again", lot.id), format!("{} 复火", lot.id)), body))
}

fn refired(app: &App, reader: &Reader, id: &str, posted: &Posted) -> Result<CameOf, Wrong> {
    let mut amiss = Mistakes::default();
    let new = values_of_new(app, (posted, reader.say), &mut amiss)?;
    let made = made_on(app, (posted, reader.say), &mut amiss);
    let goes_in = fields::kilograms(posted.text("in")).and_then(|kg| {
        let none = || {
            refused("it is not said how much goes in", "kilograms", "weigh it, and fill them in")
        };
        kg.ok_or_else(none)
    });
    let goes_in = amiss.take("in", goes_in);
    let (made, kg) = amiss.none_or(made.zip(goes_in))?;
    let from = vec![Taken { lot: id.to_owned(), arm: fields::text(posted, "arm"), kg }];
    // The class is the parent's.
    let file = file_of(posted, "", new.kg, made);
    let tea = NewTea { new: new.of(posted, file), from };
    let parted = parting::refire(app.book(), &tea, app.now(), &mut rng()?)?;
    Ok(told_of(&parted, lot_text::out_of(&parted, "fired again"), lot_page(posted.text("id"))))
}
