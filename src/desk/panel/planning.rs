//! Planning a session at the desk: a form that begins simple, with a live picture of what it plans.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Response};
use maud::{Markup, html};

use super::{form, picture, with_ours, words};
use crate::book::lots::{Lot, MAIN};
use crate::book::recipes::Recipe;
use crate::book::session_files::Kind;
use crate::book::tasters::Taster;
use crate::book::time::{Day, Moment};
use crate::book::vocabulary::{Family, Term};
use crate::book::{Book, BookError, ids};
use crate::desk::mistakes::{Wrong, with_wrong};
use crate::desk::page::{
    Part, Reader, aside, failed, field, go, page, sample_field, samples_offered, text_field, token,
    twice,
};
use crate::desk::posted::{CameOf, ONCE, Once, Posted, new_once, once};
use crate::desk::record::class;
use crate::desk::say::Say;
use crate::desk::terms::term_boxes;
use crate::desk::told::{self, Names};
use crate::desk::{App, Shared};
use crate::session::{self, DealSecret, Planned};

/// So many samples are offered for ticking, the youngest first; others are typed.
const OFFERED: usize = 60;

/// What the form offers.
struct Offer {
    samples: Vec<Sample>,
    tasters: Vec<Taster>,
    recipes: Vec<Recipe>,
    recipe: Option<String>,
    families: Vec<Family>,
    terms: Vec<Term>,
    default_terms: Vec<String>,
}

struct Sample {
    name: String,
    class: String,
    since: Day,
    in_quarantine: bool,
}

fn offer(book: &Book, now: Moment) -> Result<Offer, BookError> {
    let day = now.day();
    let mut lots: Vec<Lot> = book.lots()?;
    lots.sort_by_key(|lot| std::cmp::Reverse(lot.own_since()));
    let of = |lot: &Lot| -> Vec<Sample> {
        let arms = lot.arms_on(day.max(lot.own_since()));
        let name = |arm: &String| {
            if ids::same(arm, MAIN) { lot.id.clone() } else { format!("{}@{arm}", lot.id) }
        };
        let class = || lot.file.value.class.clone();
        let since = lot.own_since();
        let sample = |arm: &String| Sample {
            name: name(arm),
            class: class(),
            since,
            in_quarantine: lot.is_in_quarantine(arm),
        };
        arms.iter().map(sample).collect()
    };
    let file = book.book_file()?.value;
    let vocabulary = book.vocabulary()?.value;
    let tasters = book.tasters()?.value.tasters;
    Ok(Offer {
        samples: lots.iter().flat_map(of).collect(),
        tasters: tasters.into_iter().filter(|t| t.left.is_none_or(|l| l > day)).collect(),
        recipes: book.recipes()?.value.recipes,
        recipe: file.defaults.recipe,
        families: vocabulary.families,
        terms: vocabulary.terms.into_iter().filter(|t| t.is_asked_on(day)).collect(),
        default_terms: file.defaults.terms,
    })
}

/// A form that nobody has filled in: what the address says, and what must be there.
fn begun(mut fields: Vec<(String, String)>, book: &Book, now: Moment) -> Result<Posted, BookError> {
    let mut give = |name: &str, value: String| {
        if !fields.iter().any(|(n, _)| n == name) {
            fields.push((name.to_owned(), value));
        }
    };
    give("kind", Kind::Profile.word().to_owned());
    give("day", now.day().to_string());
    give("fill", "lots".to_owned());
    give("terms", "default".to_owned());
    let taken = book.session_names()?;
    let free = |n: &String| !taken.iter().any(|t| ids::same(t, &format!("{}-{n}", now.day())));
    let mut names = (1..).map(|i| if i == 1 { "tasting".into() } else { format!("tasting-{i}") });
    give("name", names.find(free).unwrap_or_default());
    let seed = getrandom::u32().map_err(|e| {
        BookError::Refused(format!("the operating system gives no random bits: {e}"))
    })?;
    give("seed", seed.to_string());
    Ok(Posted(fields))
}

/// The form.
pub async fn show(
    State(app): State<Shared>,
    reader: Reader,
    Query(fields): Query<Vec<(String, String)>>,
) -> Response {
    // The form's id is part of its address: whoever comes back to it is told what was planned from it.
    if !fields.iter().any(|(name, _)| name == ONCE) {
        let joint = if reader.at.contains('?') { '&' } else { '?' };
        return go(&format!("{}{joint}{ONCE}={}", reader.at, new_once()));
    }
    if let Some(came) = app.taken.came_of(&once(&reader.at)) {
        return planned_from_it(&app, &reader, &came);
    }
    let (book, now) = (app.book().clone(), app.now());
    let read = aside(move || Ok((offer(&book, now)?, begun(fields, &book, now)?))).await;
    match read {
        Ok(Ok((offer, form))) => shown(&app, &reader, &offer, &form, html! {}, None),
        Ok(Err(e)) => failed(&app, &reader, Part::Sessions, &e),
        Err(response) => response,
    }
}

/// The form that somebody came back to after planning.
fn planned_from_it(app: &Shared, reader: &Reader, came: &CameOf) -> Response {
    let say = reader.say;
    let body = html! {
        div.next {
            @for text in came.told.iter().take(1) { p { (text) } }
            p { (say.of("It was planned from the form that you came back to.", "您返回的表单已用于安排该场次。")) }
            p.buttons {
                a.button href=(came.to) { (say.of("To the session", "前往该场次")) } " "
                a.button.quiet href="/sessions/new" { (say.of("Plan another one", "另外安排一场")) }
            }
        }
    };
    let title = say.of("Plan a session", "安排场次");
    page(app, reader, Part::Sessions, title, with_ours(body)).into_response()
}

/// The picture of what the form would plan, or why it would be refused.
pub async fn preview(State(app): State<Shared>, reader: Reader, form: Posted) -> Response {
    match pictured(&app, reader.say, form).await {
        Ok(picture) => Html(picture.into_string()).into_response(),
        Err(response) => response,
    }
}

/// The picture of a form, whether it follows each change or was asked for.
async fn pictured(app: &Shared, say: Say, form: Posted) -> Result<Markup, Response> {
    if form::names_nothing(&form) {
        return Ok(picture::nothing_yet(say));
    }
    let (book, now) = (app.book().clone(), app.now());
    let seen = aside(move || {
        let request = form::request(&form).map_err(BookError::from)?;
        session::preview(&book, &request, now)
    });
    let seen = seen.await?;
    Ok(picture::markup(say, &seen))
}

/// Plans the session, or only shows it if that was asked.
pub async fn plan(State(app): State<Shared>, reader: Reader, posted: Posted) -> Response {
    if posted.ticked("show") {
        let picture = match pictured(&app, reader.say, posted.clone()).await {
            Ok(picture) => picture,
            Err(response) => return response,
        };
        return again(&app, &reader, &posted, picture, None).await;
    }
    let (of, say, now, form) = (app.clone(), reader.say, app.now(), posted.clone());
    let planned = aside(move || {
        of.taken.once(&form, || -> Result<CameOf, Wrong> {
            let request = form::request(&form)?;
            form::odd_days(&form, &request, (say, now.day()))?;
            let planned = session::plan(of.book(), &request, now, DealSecret::from_system()?)?;
            let mut told = vec![is_planned(say, &planned)];
            told.extend(planned.warnings.iter().map(|w| told::text(say, w)));
            Ok(CameOf { to: format!("/sessions/{}", planned.session), told })
        })
    })
    .await;
    match planned {
        Ok(Ok(Once::Now(came))) => went(&app, came),
        Ok(Ok(Once::Before(came))) => done_before(&app, &reader, &posted, &came),
        Ok(Err(e)) => again(&app, &reader, &posted, html! {}, Some(e)).await,
        Err(response) => response,
    }
}

/// Goes where a form leads, and says there what was done.
pub(super) fn went(app: &App, came: CameOf) -> Response {
    came.told.into_iter().for_each(|text| app.tell(text));
    go(&came.to)
}

/// The page of a form that was done already.
pub(super) fn done_before(app: &App, reader: &Reader, posted: &Posted, came: &CameOf) -> Response {
    let title = reader.say.of("Done already", "已完成");
    let body = with_ours(twice(reader, posted, came));
    (StatusCode::CONFLICT, page(app, reader, Part::Sessions, title, body)).into_response()
}

/// That a session is planned.
pub(super) fn is_planned(say: Say, planned: &Planned) -> String {
    say.of(
        format!("Session {} is planned.", planned.session),
        format!("场次 {} 已安排。", planned.session),
    )
}

async fn again(
    app: &Shared,
    reader: &Reader,
    posted: &Posted,
    picture: Markup,
    wrong: Option<Wrong>,
) -> Response {
    let (book, now) = (app.book().clone(), app.now());
    match aside(move || offer(&book, now)).await {
        Ok(Ok(offer)) => shown(app, reader, &offer, posted, picture, wrong.as_ref()),
        Ok(Err(e)) => failed(app, reader, Part::Sessions, &e),
        Err(response) => response,
    }
}

fn shown(
    app: &Shared,
    reader: &Reader,
    offer: &Offer,
    form: &Posted,
    picture: Markup,
    wrong: Option<&Wrong>,
) -> Response {
    let say = reader.say;
    let body = html! {
        form.plan method="post" action="/sessions/new" data-preview="/sessions/preview" {
            (token(reader))
            div.simple {
                (kinds(reader, form))
                (lots(reader, offer, form))
                (tasters(reader, offer, form))
                div.row {
                    (text_field("name", say.of("Name", "名称"), say.of("Its folder has the day before it.", "文件夹名前有日期。"), form.text("name")))
                    (field("day", say.of("Day", "日期"), "", html! { input id="day" type="date" name="day" value=(form.text("day")) required; }))
                }
                (terms(reader, offer, form))
                (more(reader, offer, form))
            }
            section.picture aria-labelledby="picture-head" {
                h2 id="picture-head" { (say.of("What it will be", "场次预览")) }
                p.hint id="picture-said" role="status" {}
                div id="picture" { (picture) }
                p.buttons {
                    button { (say.of("Plan this session", "安排此场次")) }
                    button.quiet name="show" value="1" { (say.of("Show the picture", "显示预览")) }
                }
            }
            (samples_offered(offer.samples.iter().map(|s| s.name.as_str())))
        }
    };
    let (status, body) = match wrong {
        None => (StatusCode::OK, body),
        Some(wrong) => with_wrong((app, reader), form, wrong, body, &Names::default()),
    };
    let title = say.of("Plan a session", "安排场次");
    (status, page(app, reader, Part::Sessions, title, with_ours(body))).into_response()
}

fn kinds(reader: &Reader, form: &Posted) -> Markup {
    let say = reader.say;
    let chosen = form::kind(form);
    html! {
        fieldset.kinds {
            legend { (say.of("What is asked", "审评方式")) }
            @for kind in Kind::ALL {
                label.pick { input type="radio" name="kind" value=(kind.word()) checked[kind == chosen];
                    span { b { (words::kind(say, kind)) } span.hint { (words::meaning(say, kind)) } } }
            }
        }
    }
}

fn lots(reader: &Reader, offer: &Offer, form: &Posted) -> Markup {
    let say = reader.say;
    let ticked = form.all("lot");
    let is_ticked = |s: &Sample| ticked.iter().any(|t| ids::same(t, &s.name));
    let by_flight = form.text("fill") == "flights";
    let older = |n: usize| match n {
        0 => say.of("Their names, with commas between.", "名称，以逗号分隔。").to_owned(),
        n => say.of(
            format!("{n} older ones: type their names, with commas between."),
            format!("另有 {n} 个较早的批次：输入名称，以逗号分隔。"),
        ),
    };
    // What is ticked is shown, however old it is.
    let (first, rest): (Vec<_>, Vec<_>) =
        offer.samples.iter().enumerate().partition(|(i, s)| *i < OFFERED || is_ticked(s));
    html! {
        fieldset {
            legend { (say.of("Lots", "批次")) }
            @if offer.samples.is_empty() {
                p { (say.of("There is no lot yet. ", "还没有批次。")) a href="/lots" { (say.of("Add lots first", "请先添加批次")) } }
            }
            @else { p.hint { (say.of(format!("{} to choose from, the youngest first", first.len()), format!("可选 {} 个，新的在前", first.len()))) } }
            div.ticks.scroll tabindex="0" role="group" aria-label=(say.of("Lots to tick", "勾选批次")) {
                @for (_, s) in &first {
                    label.pick { input type="checkbox" name="lot" value=(s.name) checked[is_ticked(s)];
                        span { (s.name) span.hint { (class(&s.class, reader.say)) (say.0.comma()) (s.since) @if s.in_quarantine { b.warn { (say.of(", in quarantine", "，隔离中")) } } } } }
                }
            }
            @if !rest.is_empty() || !form.text("lots").is_empty() {
                (sample_field("lots", say.of("Other lots", "其他批次"), &older(rest.len()), form.text("lots")))
            }
            details open[by_flight] {
                summary { (say.of("Name the lots of each flight instead", "改为逐轮指定批次")) }
                label.pick { input type="radio" name="fill" value="lots" checked[!by_flight]; span { (say.of("All ticked lots are in each replicate", "勾选的批次在每次重复中都有")) } }
                label.pick { input type="radio" name="fill" value="flights" checked[by_flight]; span { (say.of("One line a flight", "每行一轮")) } }
                (field("flights", say.of("Flights", "各轮"),
                    say.of("One line a flight, its lots with commas between. A lot in two flights is brewed anew for the second.", "每行一轮，批次以逗号分隔。出现在两轮的批次会重新冲泡。"),
                    html! { textarea id="flights" name="flights" rows="3" aria-describedby="flights-hint" { (form.text("flights")) } }))
            }
        }
    }
}

fn tasters(reader: &Reader, offer: &Offer, form: &Posted) -> Markup {
    let say = reader.say;
    let ticked = form.all("taster");
    html! {
        fieldset {
            legend { (say.of("Tasters", "评茶员")) }
            @if offer.tasters.is_empty() {
                p { (say.of("Nobody tastes yet. ", "还没有评茶员。")) a href="/setup" { (say.of("Add tasters first", "请先添加评茶员")) } }
            }
            div.ticks { @for t in &offer.tasters {
                label.pick { input type="checkbox" name="taster" value=(t.id) checked[ticked.iter().any(|k| ids::same(k, &t.id))];
                    span { (t.name.as_deref().unwrap_or(&t.id)) @if t.name.is_some() { span.hint { (t.id) } } } }
            } }
        }
    }
}

fn terms(reader: &Reader, offer: &Offer, form: &Posted) -> Markup {
    let say = reader.say;
    let chosen = form.text("terms");
    let ticked = form.all("term");
    let pick = |value: &str, text: &str| {
        html! { label.pick { input type="radio" name="terms" value=(value) checked[chosen == value]; span { (text) } } }
    };
    let of_defaults = match offer.default_terms.len() {
        0 => say.of(
            "All terms (the book names none of its own)".to_owned(),
            "全部评语（本册未指定）".to_owned(),
        ),
        n => say.of(format!("The book's own {n}"), format!("本册指定的 {n} 个")),
    };
    html! {
        details.terms data-kinds="profile ranking paired" open[chosen == "these" || matches!(form::kind(form), Kind::Ranking | Kind::Paired)] {
            summary { (say.of("Terms", "评语")) }
            div data-kinds="profile" {
                (pick("default", &of_defaults))
                (pick("all", say.of("All that fit the classes of the lots", "适合这些茶类的全部评语")))
                (pick("these", say.of("Those ticked here", "以下勾选的")))
            }
            p.hint data-kinds="ranking paired" { (say.of("Tick the term by which cups are compared.", "勾选用于比较的评语。")) }
            (term_boxes(say, &offer.families, &offer.terms.iter().collect::<Vec<_>>(), &ticked))
        }
    }
}

fn more(reader: &Reader, offer: &Offer, form: &Posted) -> Markup {
    let say = reader.say;
    let count = |name: &str, label: &str, hint: &str, least: u32| {
        field(
            name,
            label,
            hint,
            html! {
                input id=(name) name=(name) type="number" min=(least) step="1" inputmode="numeric" value=(form.text(name)) aria-describedby=[(!hint.is_empty()).then(|| format!("{name}-hint"))];
            },
        )
    };
    let sample =
        |name: &str, label: &str, hint: &str| sample_field(name, label, hint, form.text(name));
    let tick = |name: &str, label: &str, hint: &str| {
        html! { label.pick { input type="checkbox" name=(name) value="1" checked[form.ticked(name)]; span { (label) span.hint { (hint) } } } }
    };
    let recipe = form.filled("recipe").or(offer.recipe.as_deref()).unwrap_or_default();
    html! {
        details {
            summary { (say.of("How often, and with what", "重复、参照与冲泡")) }
            div.row {
                (count("replicates", say.of("Replicates", "重复次数"), say.of("How often each lot is brewed anew, in a flight of its own.", "每个批次重新冲泡的次数，各占一轮。"), 1))
                div data-kinds="profile ranking" { (count("duplicates", say.of("Second codes", "重复样"), say.of("How many lots of a flight get a second code; which ones is dealt.", "每轮有几个批次得到第二个杯号；抽签决定。"), 0)) }
                div data-kinds="profile ranking" { (field("duplicate-of", say.of("Second codes for", "指定重复样"), say.of("Or name the lots, with commas between.", "或指定批次，以逗号分隔。"), html! { input id="duplicate-of" name="duplicate-of" value=(form.text("duplicate-of")) autocomplete="off" aria-describedby="duplicate-of-hint"; })) }
                div data-kinds="profile ranking duo-trio" { (sample("reference", say.of("Reference", "参照样"), say.of("The frozen sample that every flight has a cup of; in a duo-trio everybody's reference.", "每轮都有一杯的冷冻样；二-三点检验中为全体的对照。"))) }
                (sample("warm-up", say.of("Warm-up cup", "热身杯"), say.of("Poured first in every flight, not scored.", "每轮最先上，不打分。")))
                (field("recipe", say.of("Recipe", "冲泡方法"), "", html! {
                    select id="recipe" name="recipe" {
                        @if offer.recipe.is_none() { option value="" { "—" } }
                        @for r in &offer.recipes { option value=(r.id) selected[ids::same(&r.id, recipe)] { (words::recipe(say, r)) } }
                    } }))
            }
        }
        details {
            summary { (say.of("Days and flights", "日期与轮次")) }
            div.row {
                (text_field("days", say.of("Further days", "其余日期"), say.of("One for each further replicate or flight, with commas between.", "其余每次重复或每轮一天，以逗号分隔。"), form.text("days")))
                (count("flight-size", say.of("Cups in a flight, at most", "每轮最多杯数"), say.of("More cups tire the palate. Empty: the book's limit.", "杯数多会使味觉疲劳。留空：按本册上限。"), 2))
                div data-kinds="profile ranking" { (count("per-taster", say.of("Cups for each taster", "每人杯数"), say.of("Of a flight's cups, shared out evenly. Empty: all.", "从一轮中均匀分得。留空：全部。"), 2)) }
                (text_field("seed", say.of("Order seed", "次序种子"), say.of("Public: it arranges codes and orders, not which lot is which.", "公开：只决定杯号与次序，不决定批次归属。"), form.text("seed")))
            }
        }
        details data-kinds="ranking triangle duo-trio paired" {
            summary { (say.of("Decided beforehand about the test", "事先确定的检验设置")) }
            div.row {
                (text_field("alpha", say.of("Alpha", "显著性水平"), say.of("How often a difference may be claimed where there is none. Empty: 0.05.", "无差异时误判有差异的概率。留空：0.05。"), form.text("alpha")))
                div data-kinds="triangle duo-trio paired" { (text_field("distinguishers", say.of("Likeness: share of people", "相似性：人数比例"), say.of("To show that two lots are alike: the share of people telling them apart that would matter, as 0.3.", "欲证明相似：多大比例的人能区分才算要紧，如 0.3。"), form.text("distinguishers"))) }
                div data-kinds="triangle duo-trio paired" { (text_field("power", say.of("Likeness: power", "相似性：功效"), say.of("How often that share is to be noticed, as 0.9.", "察觉该比例的概率，如 0.9。"), form.text("power"))) }
                div data-kinds="paired" { (sample("expected", say.of("Expected to have more", "预期较强者"), say.of("Makes the test one-sided; sealed in the key.", "使检验为单侧；封存于密钥。"))) }
            }
            div data-kinds="ranking" { (tick("ties", say.of("Cups may share a rank", "允许并列"), "")) }
        }
        details {
            summary { (say.of("Guesses; tasting alone", "猜样；独自审评")) }
            div data-kinds="profile" { (tick("guess", say.of("Ask which lot a cup is thought to be", "请评茶员猜是哪个批次"), say.of("A test of the blindness, not of the tea.", "用于检验盲评，而非茶叶。"))) }
            div data-kinds="profile ranking" { (tick("alone", say.of("One person pours and tastes", "一人冲泡并审评"), say.of("Codes are given to tins on a shelf; the key comes after closing.", "杯号对应架上的茶罐；截止后再填密钥。"))) }
        }
    }
}
