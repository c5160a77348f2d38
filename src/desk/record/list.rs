//! All lots: found by their text or class, a page at a time.

use std::collections::{BTreeSet, HashMap};

use axum::extract::{Query, State};
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;

use super::{asked, lot_page, shown, words};
use crate::book::BookError;
use crate::book::balance::balance;
use crate::book::book_file::Limits;
use crate::book::fitness::{Fitness, fitness};
use crate::book::ids;
use crate::book::lot_warnings;
use crate::book::lots::{Lot, MAIN};
use crate::book::stays::places;
use crate::book::time::Moment;
use crate::book::units::four_digits;
use crate::desk::page::{Part, Reader, choice, text_field};
use crate::desk::say::Say;
use crate::desk::{App, Shared};
use crate::session::reveal::Revealed;

/// So many lots stand on a page.
const A_PAGE: usize = 50;

/// What is looked for.
#[derive(Debug, Default, Deserialize)]
pub struct Sought {
    #[serde(default)]
    text: String,
    #[serde(default)]
    class: String,
    #[serde(default)]
    page: String,
}

/// The page.
pub async fn list(
    State(app): State<Shared>,
    reader: Reader,
    Query(sought): Query<Sought>,
) -> Response {
    shown(app, reader, Part::Lots, move |app, reader| {
        let title = reader.say.of("Lots", "批次").to_owned();
        Ok((title, whole(app, reader, &sought)?))
    })
    .await
}

fn fits(lot: &Lot, sought: &Sought) -> bool {
    let file = &lot.file.value;
    if !sought.class.is_empty() && !ids::same(&file.class, &sought.class) {
        return false;
    }
    let words = sought.text.to_lowercase();
    words.split_whitespace().all(|word| {
        let some =
            [&file.garden, &file.plot, &file.cultivar, &file.season, &file.notes, &file.trial];
        let all = some.into_iter().filter_map(Option::as_deref);
        let made = file.made.to_string();
        all.chain([lot.id.as_str(), &file.class, &made]).any(|t| t.to_lowercase().contains(word))
    })
}

fn whole(app: &App, reader: &Reader, sought: &Sought) -> Result<Markup, BookError> {
    let say = reader.say;
    let read = app.cache.lots_and_mistakes()?;
    let file = app.cache.book_file()?;
    let sessions = app.cache.sessions()?;
    let tasted = tastings(&sessions.revealed);
    let lots = &*read.lots;
    let classes: BTreeSet<&str> = lots.iter().map(|l| l.file.value.class.as_str()).collect();
    let mut found: Vec<&Lot> = lots.iter().filter(|l| fits(l, sought)).collect();
    // The newest first: it is what is worked at.
    found.sort_by(|a, b| (b.made(), &a.id).cmp(&(a.made(), &b.id)));
    let n_pages = found.len().div_ceil(A_PAGE).max(1);
    let at = sought.page.parse().unwrap_or(1).clamp(1, n_pages);
    let on_page = &found[(at - 1) * A_PAGE..(at * A_PAGE).min(found.len())];
    let mut options = vec![(String::new(), say.of("all", "全部").to_owned())];
    options.extend(classes.iter().map(|c| ((*c).to_owned(), words::class(c, say))));
    let now = app.now();
    let mut of =
        Around { lots, limits: &file.value.limits, now, tasted: &tasted, say, placed: false };
    of.placed = on_page.iter().any(|lot| !of.stored(lot).is_empty());
    let n = found.len();
    Ok(html! {
        p.ways {
            a.button href="/lots/new" { (say.of("Add a lot", "新增批次")) }
            " " a.button.quiet href="/lots/blend" { (say.of("Blend", "拼配")) }
            " " a.button.quiet href="/workshop" { (say.of("Step clock for the workshop", "车间计时")) }
        }
        (mistakes(read.problems.len(), say))
        form.sought method="get" action="/lots" role="search" {
            (text_field("text", say.of("Find", "查找"), "", &sought.text))
            (choice("class", say.of("Class of tea", "茶类"), "", &options, &sought.class))
            button.quiet { (say.of("Find", "查找")) }
        }
        @if lots.is_empty() {
            p { (say.of("No lots yet.", "还没有批次。")) }
        } @else {
            p.pale { (say.of(format!("{n} of {} lots, the newest first", lots.len()), format!("{} 批中的 {n} 批，新的在前", lots.len()))) }
            div.wide tabindex="0" role="region" aria-label=(say.of("Lots", "批次")) { table.lots.stacked {
                thead { tr.heads {
                    @for (i, head) in heads(say).iter().enumerate() { @if i != STORED || of.placed { th.number[(4..7).contains(&i)] scope="col" { (head) } } }
                } }
                tbody { @for lot in on_page { (row(lot, &of)) } }
            } }
            (pages(at, n_pages, sought, say))
        }
    })
}

/// That some files have mistakes, with the way to them.
pub fn mistakes(n: usize, say: Say) -> Markup {
    html! {
        @if n > 0 {
            div.wrong role="status" {
                p { (say.of(format!("{n} mistakes keep lots from being read, or stand between them. "), format!("有 {n} 处错误，使部分批次无法读取。"))) a href="/check" { (say.of("Look at them", "查看")) } }
            }
        }
    }
}

struct Around<'a> {
    lots: &'a [Lot],
    limits: &'a Limits,
    now: Moment,
    tasted: &'a HashMap<String, usize>,
    say: Say,
    /// Whether a place of storage is known of some lot shown.
    placed: bool,
}

impl Around<'_> {
    /// Where a lot is kept, arm by arm.
    fn stored(&self, lot: &Lot) -> String {
        let places: Vec<String> = lot
            .arms()
            .iter()
            .filter_map(|a| Some(named(a, places(lot, a, self.lots, self.now).pop()?.place?)))
            .collect();
        places.join("; ")
    }
}

/// What is said of an arm; of a lot that was not split, without a name.
fn named(arm: &str, text: String) -> String {
    if arm == MAIN { text } else { format!("{arm}: {text}") }
}

/// In how many revealed sessions each lot was, by its id in lower case. Of others nothing is told.
fn tastings(revealed: &[Revealed]) -> HashMap<String, usize> {
    let mut tasted = HashMap::new();
    for session in revealed {
        let had: BTreeSet<String> =
            session.cups.iter().map(|c| c.lot.to_ascii_lowercase()).collect();
        for lot in had {
            *tasted.entry(lot).or_insert(0) += 1;
        }
    }
    tasted
}

fn row(lot: &Lot, of: &Around<'_>) -> Markup {
    let say = of.say;
    let file = &lot.file.value;
    let arms = lot.arms();
    let reserves: Vec<String> = lot
        .all_arms()
        .iter()
        .filter_map(|a| Some(named(a, four_digits(lot.reserve(a)?.left_g))))
        .collect();
    let left = balance(lot, of.lots).left_kg.map_or_else(String::new, four_digits);
    let tasted = of.tasted.get(&lot.id.to_ascii_lowercase()).copied().unwrap_or(0);
    let quarantined = arms.iter().any(|a| lot.is_in_quarantine(a));
    let fit: Vec<Fitness> =
        arms.iter().map(|a| fitness(lot, a, of.lots, of.limits, of.now.day())).collect();
    let heads = heads(say);
    html! {
        tr {
            th scope="row" { a href=(lot_page(&lot.id)) { (lot.id) } }
            td data-head=(heads[1]) { (words::class(&file.class, say)) }
            td.day data-head=(heads[2]) { (file.made) }
            @if of.placed { td data-head=(heads[STORED]) { (of.stored(lot)) } }
            td.number data-head=(heads[4]) { (left) }
            td.number data-head=(heads[5]) { (reserves.join("; ")) }
            td.number data-head=(heads[6]) { @if tasted > 0 { (tasted) } }
            td data-head=(heads[7]) {
                @if quarantined { strong.warn { (say.of("quarantine", "隔离")) } }
                @else if fit.iter().any(Fitness::is_blocked) { strong.warn { (say.of("not to be served", "不可供评")) } }
                @else if fit.iter().any(|f| !f.reasons().is_empty()) { (say.of("damp, or another reason", "偏湿或其他原因")) }
                @else if let n @ 1.. = lot_warnings::warnings(&[lot], of.lots, of.limits, of.now).len() { (say.of(format!("{n} on its page"), format!("见其页面（{n} 处）"))) }
            }
        }
    }
}

/// The column of the places, which stands where one is known.
const STORED: usize = 3;

/// What stands above the columns, and on a phone before each cell.
fn heads(say: Say) -> [&'static str; 8] {
    [
        say.of("Lot", "批次"),
        say.of("Class", "茶类"),
        say.of("Made", "制成"),
        say.of("Stored", "存放"),
        say.of("Left, kg", "剩余，公斤"),
        say.of("Reserve, g", "留样，克"),
        say.of("Tasted", "审评次数"),
        say.of("To be looked at", "注意"),
    ]
}

fn pages(at: usize, n: usize, sought: &Sought, say: Say) -> Markup {
    let to = |page: usize| {
        format!("/lots?text={}&class={}&page={page}", asked(&sought.text), asked(&sought.class))
    };
    html! {
        @if n > 1 {
            nav.pages aria-label=(say.of("Pages", "分页")) {
                @if at > 1 { a.button.quiet href=(to(at - 1)) rel="prev" { (say.of("Before", "上一页")) } }
                span { (say.of(format!("page {at} of {n}"), format!("第 {at} 页，共 {n} 页"))) }
                @if at < n { a.button.quiet href=(to(at + 1)) rel="next" { (say.of("Next", "下一页")) } }
            }
        }
    }
}
