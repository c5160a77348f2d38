//! What the book is set up with, and the way to each part of it.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};

use super::tables::{tables, text_of};
use super::things::Thing;
use super::{Body, asked, shown, words};
use crate::book::proposed::ONCE;
use crate::book::retasting::RETASTING;
use crate::book::vocabulary::{Term, Vocabulary};
use crate::book::{BookError, ids, starter};
use crate::desk::page::{Part, Reader};
use crate::desk::say::Say;
use crate::desk::{App, Shared};

/// The page.
pub async fn setup(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, |app, reader| {
        let say = reader.say;
        let count = |of: Result<usize, BookError>| of.map_or_else(|_| String::new(), |n| format!(" ({n})"));
        let cache = &app.cache;
        let parts = [
            ("/setup/edit/book", say.of("The book", "本册"), say.of("title, place, languages, what is taken by default, the panel's limits", "名称、地点、语言、默认值、评茶组的限值"), String::new()),
            ("/setup/tasters", say.of("Tasters", "评茶员"), say.of("who tastes", "由谁审评"), count(cache.tasters().map(|t| t.value.tasters.len()))),
            ("/setup/vocabulary", say.of("Vocabulary", "评语"), say.of("the words of the panel, and how each is answered", "评茶组的用词及其标度"), count(cache.vocabulary().map(|v| v.value.terms.len()))),
            ("/setup/parameters", say.of("Parameters", "参数"), say.of("what is recorded of making and storage", "制作与存放中记录的项目"), count(cache.parameters().map(|p| p.value.parameters.len()))),
            ("/setup/recipes", say.of("Recipes", "冲泡方法"), say.of("how cups are brewed", "如何冲泡"), count(cache.recipes().map(|r| r.value.recipes.len()))),
            ("/setup/retasting", say.of("Retasting plans", "复评计划"), say.of("when stored tea is tasted again", "存茶何时复评"), String::new()),
        ];
        let body = html! {
            ul.parts {
                @for (to, name, what, n) in &parts {
                    li { a href=(to) { (name) (n) } span.pale { (what) } }
                }
                li { a href="/workshop" { (say.of("Step clock for the workshop", "车间计时")) } span.pale { (say.of("its link, for phones in the workshop", "链接，供车间手机使用")) } }
            }
            h2 { (say.of("Check", "检查")) }
            p { (say.of("Every mistake of the whole book, with its place, and what is to be looked at.", "列出全册的错误及其位置，以及需要注意之处。")) }
            p { a.button.quiet href="/check" { (say.of("Check the whole book", "检查全册")) } }
            h2 { (say.of("The files as texts", "各文件的文本")) }
            p { (say.of("All of it is plain text: what is edited here, by hand or by a command is the same.", "全部为纯文本：在此编辑、手工编辑或用命令编辑均相同。")) }
            ul.choices { @for file in ONCE { li { a.button.quiet href={ "/setup/text/" (file) } { (file) } } } }
        };
        Ok((say.of("Set up", "设置").to_owned(), body))
    })
    .await
}

fn edit(thing: Thing, id: &str) -> String {
    format!("/setup/edit/{}?id={}", thing.name(), asked(id))
}

fn ways(things: &[Thing], say: Say) -> Markup {
    let file = things[0].file();
    html! {
        p.ways {
            a.button.quiet href="/setup" { (say.of("All of the set-up", "全部设置")) }
            @for thing in things {
                a.button href={ "/setup/edit/" (thing.name()) } { (say.of("Add: ", "新增：")) (thing.word(say)) }
            }
            a.button.quiet href={ "/setup/text/" (file) } { (say.of("as text", "文本")) }
        }
    }
}

/// The tasters.
pub async fn tasters(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, |app, reader| {
        let say = reader.say;
        let file = app.cache.tasters()?;
        let body = html! {
            (ways(&[Thing::Taster], say))
            p.hint { (Thing::Taster.note(say)) }
            @if file.value.tasters.is_empty() { p { (say.of("Nobody yet.", "还没有。")) } } @else {
                div.wide tabindex="0" role="region" aria-label=(say.of("Tasters", "评茶员")) { table {
                    thead { tr {
                        th scope="col" { (say.of("Id", "编号")) }
                        th scope="col" { (say.of("Name", "姓名")) }
                        th scope="col" { (say.of("Joined", "加入")) }
                        th scope="col" { (say.of("Left", "离开")) }
                    } }
                    tbody { @for t in &file.value.tasters {
                        tr {
                            th scope="row" { a.row href=(edit(Thing::Taster, &t.id)) { (t.id) } }
                            td { (t.name.as_deref().unwrap_or_default()) }
                            td.day { @if let Some(day) = t.joined { (day) } }
                            td.day { @if let Some(day) = t.left { (day) } }
                        }
                    } }
                } }
            }
        };
        Ok((say.of("Tasters", "评茶员").to_owned(), body))
    })
    .await
}

/// The vocabulary, family by family.
pub async fn vocabulary(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, |app, reader| {
        let say = reader.say;
        let file = app.cache.vocabulary()?;
        let v = &file.value;
        let body = html! {
            (ways(&[Thing::Term, Thing::Family], say))
            p.hint { (Thing::Term.note(say)) }
            @for family in &v.families {
                h2 { (family.labels.or(say.key(), &family.id)) " " a.small href=(edit(Thing::Family, &family.id)) { (say.of("edit", "编辑")) span.unseen { " " (family.id) } } }
                div.wide tabindex="0" role="group" { table.values { tbody {
                    @for t in v.terms.iter().filter(|t| ids::same(&t.family, &family.id)) { (term_row(t, v, app, say)) }
                } } }
            }
        };
        Ok((say.of("Vocabulary", "评语").to_owned(), body))
    })
    .await
}

fn term_row(t: &Term, v: &Vocabulary, app: &App, say: Say) -> Markup {
    let key = say.key();
    let gone = !t.is_asked_on(app.now().day());
    let kind = match t.scale.kind().word() {
        "line" => say.of("line", "线性标度"),
        "bipolar" => say.of("bipolar", "双极标度"),
        "ordered" => say.of("ordered levels", "有序等级"),
        "nominal" => say.of("kinds", "无序类别"),
        "tick" => say.of("tick", "勾选"),
        "fault" => say.of("fault", "缺陷"),
        _ => say.of("note", "备注"),
    };
    html! {
        tr {
            th scope="row" { a.row href=(edit(Thing::Term, &t.id)) { (t.label(key)) } }
            td { (kind) @if let Some((low, high)) = t.scale.range() { (say.0.comma()) (low) "–" (high) } }
            td.pale {
                @if let Some(other) = &t.merged_into {
                    strong { (say.of("merged into ", "并入 ")) (v.term(other).map_or(other.as_str(), |o| o.label(key))) }
                    " "
                } @else if let Some(day) = t.retired {
                    strong { @if gone { (say.of("retired since ", "停用自 ")) } @else { (say.of("to be retired on ", "将停用于 ")) } (day) }
                    " "
                }
                (t.definition.get(key).unwrap_or_default())
            }
        }
    }
}

/// The parameters, step by step.
pub async fn parameters(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, |app, reader| {
        let say = reader.say;
        let file = app.cache.parameters()?;
        let mut steps: Vec<&str> = Vec::new();
        for p in &file.value.parameters {
            if !steps.contains(&p.step()) {
                steps.push(p.step());
            }
        }
        let body = html! {
            (ways(&[Thing::Parameter], say))
            p.hint { (Thing::Parameter.note(say)) }
            @for step in steps {
                h2 { (words::step(step, say)) }
                div.wide tabindex="0" role="group" { table.values { tbody {
                    @for p in file.value.parameters.iter().filter(|p| p.step() == step) {
                        tr {
                            th scope="row" { a.row href=(edit(Thing::Parameter, &p.id)) { (p.label(say.key())) } }
                            td { code { (p.id) } }
                            td { (words::kind(p.kind, say)) @if let Some(unit) = &p.unit { (say.0.comma()) (unit) } }
                            td.pale { @if p.usual.is_some() { (words::hint(p, say)) } }
                        }
                    }
                } } }
            }
        };
        Ok((say.of("Parameters", "参数").to_owned(), body))
    })
    .await
}

/// The recipes.
pub async fn recipes(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, |app, reader| {
        let say = reader.say;
        let file = app.cache.recipes()?;
        let own = app.cache.book_file()?.value.defaults.recipe.clone();
        let heads = [
            say.of("Recipe", "冲泡方法"),
            say.of("Leaf, g", "茶叶，克"),
            say.of("Water, ml", "水，毫升"),
            "°C",
            say.of("Steeps, s", "各泡，秒"),
            say.of("Vessel", "器具"),
        ];
        let body = html! {
            (ways(&[Thing::Recipe], say))
            p.hint { (Thing::Recipe.note(say)) }
            div.wide tabindex="0" role="region" aria-label=(say.of("Recipes", "冲泡方法")) { table.stacked {
                thead { tr { @for (i, head) in heads.iter().enumerate() { th.number[(1..4).contains(&i)] scope="col" { (head) } } } }
                tbody { @for r in &file.value.recipes {
                    tr {
                        th scope="row" {
                            a.row href=(edit(Thing::Recipe, &r.id)) { (r.labels.or(say.key(), &r.id)) }
                            @if own.as_ref().is_some_and(|o| ids::same(o, &r.id)) { " " span.pale { (say.of("(the book's own)", "（本册默认）")) } }
                        }
                        td.number data-head=(heads[1]) { (r.leaf_g) }
                        td.number data-head=(heads[2]) { (r.water_ml) }
                        td.number data-head=(heads[3]) { (r.water_c) }
                        td data-head=(heads[4]) { (r.steeps_s.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")) }
                        td data-head=(heads[5]) { (r.vessel_in(say.key()).unwrap_or_default()) }
                    }
                } }
            } }
        };
        Ok((say.of("Recipes", "冲泡方法").to_owned(), body))
    })
    .await
}

/// The plans of retasting.
pub async fn retasting(State(app): State<Shared>, reader: Reader) -> Response {
    shown(app, reader, Part::SetUp, plans).await
}

fn plans(app: &App, reader: &Reader) -> Result<Body, BookError> {
    let say = reader.say;
    let lots = app.cache.lots_and_mistakes()?.lots;
    let plans = app.book().retasting(&lots)?;
    let text = match app.book().text_of(RETASTING)? {
        t if t.digest.is_some() => t.text,
        _ => starter::RETASTING.to_owned(),
    };
    let doc: toml_edit::DocumentMut = text.parse().unwrap_or_default();
    let heads = [
        say.of("Plan", "计划"),
        say.of("For", "适用"),
        say.of("At the ages of", "存期"),
        say.of("Then each", "此后每隔"),
        say.of("Until", "直到"),
    ];
    let body = html! {
        (ways(&[Thing::Plan], say))
        p.hint { (Thing::Plan.note(say)) }
        @if plans.by_default { p { (say.of("The book has no plans of its own: these are those of a new book. They are written when you save one.", "本册没有自己的计划：以下为新册的默认计划，保存时写入。")) } }
        div.wide tabindex="0" role="region" aria-label=(say.of("Retasting plans", "复评计划")) { table.stacked {
            thead { tr { @for head in heads { th scope="col" { (head) } } } }
            tbody { @for t in tables(&doc, "plan") {
                @let id = text_of(t, "id");
                @let of = ["lots", "arms", "classes"].map(|k| text_of(t, k)).into_iter().filter(|x| !x.is_empty()).collect::<Vec<_>>().join("; ");
                tr {
                    th scope="row" { a.row href=(edit(Thing::Plan, &id)) { (id) } }
                    td data-head=(heads[1]) { @if of.is_empty() { (say.of("all", "全部")) } @else { (of) } }
                    td data-head=(heads[2]) { (text_of(t, "after")) }
                    td data-head=(heads[3]) { (text_of(t, "then")) }
                    td data-head=(heads[4]) { (text_of(t, "until")) }
                }
            } }
        } }
        p { (say.of(
            format!("At most {} flights a day and {} days a session; the reference: {}.", plans.value.flights_a_day, plans.value.days_a_session, plans.value.reference.as_deref().unwrap_or("the one served as such last")),
            format!("每日最多 {} 轮，每场最多 {} 天；参照样：{}。", plans.value.flights_a_day, plans.value.days_a_session, plans.value.reference.as_deref().unwrap_or("最近一次所用")),
        )) " " a href="/setup/text/retasting.toml" { (say.of("Change that in the text.", "在文本中更改。")) } }
    };
    Ok((say.of("Retasting plans", "复评计划").to_owned(), body))
}
