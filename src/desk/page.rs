//! What all pages of the desk share: the frame, the ways around, notices, fields of forms.

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use maud::{DOCTYPE, Markup, html};

use super::doors::form_token;
use super::guard::Caller;
use super::panel::host;
use super::posted::{CameOf, ONCE, Posted, TOKEN, once};
use super::say::Say;
use super::{App, Shared, assets, told};
use crate::book::BookError;
use crate::plots::Lang;

/// What a page knows of whoever reads it.
#[derive(Debug, Clone)]
pub struct Reader {
    /// Their language.
    pub say: Say,
    /// What their forms carry.
    pub token: String,
    /// The path they asked for, with its question.
    pub at: String,
}

/// The cookie with the language that somebody chose.
const LANGUAGE: &str = "language";

impl FromRequestParts<Shared> for Reader {
    type Rejection = std::convert::Infallible;

    async fn from_request_parts(parts: &mut Parts, app: &Shared) -> Result<Self, Self::Rejection> {
        let cookies = parts.headers.get(header::COOKIE).and_then(|c| c.to_str().ok());
        let chosen = cookies.unwrap_or_default().split(';').find_map(|pair| {
            pair.trim().strip_prefix(LANGUAGE)?.strip_prefix('=').map(str::to_owned)
        });
        let lang = match chosen.as_deref() {
            Some("zh") => Lang::Zh,
            Some("en") => Lang::En,
            _ => app.language(),
        };
        let cookie = parts.extensions.get::<Caller>().map_or("", |c| c.cookie.as_str());
        let at = parts.uri.path_and_query().map_or("/", |p| p.as_str()).to_owned();
        Ok(Self { say: Say(lang), token: form_token(cookie), at })
    }
}

/// Chooses a language and goes back to a page of ours.
pub fn choose_language(code: &str, back: &str) -> Response {
    let code = if code == "zh" { "zh" } else { "en" };
    // Only a path: never to another host.
    let back = if back.starts_with('/')
        && !back.starts_with("//")
        && !back.contains(|c: char| c == '\\' || c.is_control())
    {
        back
    } else {
        "/"
    };
    let cookie = format!("{LANGUAGE}={code}; Path=/; Max-Age=31536000; SameSite=Lax");
    ([(header::SET_COOKIE, cookie)], Redirect::to(back)).into_response()
}

/// The parts of the desk, in the order of the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// What is to be done today.
    Today,
    /// Lots and their making.
    Lots,
    /// Blind sessions.
    Sessions,
    /// Agreement, comparison, links, ageing.
    Questions,
    /// What to make next.
    Trials,
    /// Lot sheets.
    Sheets,
    /// Vocabulary, parameters, recipes, tasters.
    SetUp,
}

impl Part {
    const ALL: [(Self, &'static str, &'static str, &'static str); 7] = [
        (Self::Today, "/", "Today", "今日"),
        (Self::Lots, "/lots", "Lots", "批次"),
        (Self::Sessions, "/sessions", "Sessions", "场次"),
        (Self::Questions, "/questions", "Questions", "分析"),
        (Self::Trials, "/trials", "Next trial", "下一试验"),
        (Self::Sheets, "/sheets", "Lot sheets", "批次单"),
        (Self::SetUp, "/setup", "Set up", "设置"),
    ];
}

/// A page of the desk. What was just done is said on top of it.
pub fn page(app: &App, reader: &Reader, part: Part, title: &str, body: Markup) -> Html<String> {
    page_with(app, reader, part, title, (&[], &[]), body)
}

/// As [`page`], with further styles and scripts.
pub fn page_with(
    app: &App,
    reader: &Reader,
    part: Part,
    title: &str,
    (styles, scripts): (&[&str], &[&str]),
    body: Markup,
) -> Html<String> {
    let styles: Vec<&str> =
        ["base.css", "desk.css", "record.css"].iter().chain(styles).copied().collect();
    let scripts: Vec<&str> = ["desk.js", "record.js"].iter().chain(scripts).copied().collect();
    let say = reader.say;
    let book = app.cache.book_file().map_or_else(|_| String::new(), |b| b.value.title.clone());
    let told = app.told();
    let markup = html! {
        (DOCTYPE)
        html lang=(say.html()) {
            (head(title, &styles, &scripts))
            body {
                a.skip href="#main" { (say.of("To the content", "跳到正文")) }
                header.top {
                    p.book { (book) }
                    nav aria-label=(say.of("Parts of the desk", "工作台各部分")) {
                        ul {
                            @for (p, path, en, zh) in Part::ALL {
                                li { a href=(path) aria-current=[(p == part).then_some("page")] { (say.of(en, zh)) } }
                            }
                        }
                    }
                    (other_language(reader))
                }
                main id="main" tabindex="-1" {
                    h1 { (title) }
                    @if !told.is_empty() {
                        div.told role="status" { @for text in &told { p { (told::markup(reader.say, text)) } } }
                    }
                    (body)
                }
            }
        }
    };
    Html(markup.into_string())
}

/// The head of any page of ours.
#[must_use]
pub fn head(title: &str, styles: &[&str], scripts: &[&str]) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light";
            title { (title) " · blindsteep" }
            link rel="icon" href="data:,";
            @for style in styles { link rel="stylesheet" href=(assets::address(style)); }
            @for script in scripts { script defer src=(assets::address(script)) {} }
        }
    }
}

/// The way to the other language.
#[must_use]
pub fn other_language(reader: &Reader) -> Markup {
    let (code, name, lang) = reader.say.of(("zh", "中文", "zh-Hans"), ("en", "English", "en"));
    html! {
        form.language method="get" action="/language" {
            input type="hidden" name="to" value=(code);
            input type="hidden" name="back" value=(reader.at);
            button.quiet lang=(lang) { (name) }
        }
    }
}

/// The hidden field that every form that writes must have.
#[must_use]
pub fn token(reader: &Reader) -> Markup {
    html! {
        input type="hidden" name=(TOKEN) value=(reader.token);
        input type="hidden" name=(ONCE) value=(once(&reader.at));
    }
}

/// A form that was done already, sent a second time: what came of it, and whether it is meant once more.
#[must_use]
pub fn twice(reader: &Reader, posted: &Posted, before: &CameOf) -> Markup {
    let say = reader.say;
    let path = reader.at.split('?').next().unwrap_or("/");
    let fields = posted.0.iter().filter(|(name, _)| ![TOKEN, ONCE].contains(&name.as_str()));
    html! {
        div.wrong role="alert" {
            h2 { (say.of("This form was done already", "此表单已处理过")) }
            @for text in &before.told { p { (text) } }
            p { (say.of("Nothing was done a second time.", "没有重复执行。")) }
        }
        p { a.button href=(before.to) { (say.of("See what came of it", "查看结果")) } }
        form method="post" action=(path) {
            (token(reader))
            @for (name, value) in fields { input type="hidden" name=(name) value=(value); }
            button.quiet { (say.of("Do it once more", "再执行一次")) }
        }
    }
}

/// What went wrong, where the reader sees it first. The text is that of the commands; it is told in the words of
/// the desk.
#[must_use]
pub fn wrong(reader: &Reader, text: &str) -> Markup {
    html! {
        div.wrong role="alert" {
            h2 { (reader.say.of("This was not done", "未完成")) }
            pre { (told::markup(reader.say, text)) }
        }
    }
}

/// A field of a form with its label, a hint and what is wrong with it.
#[must_use]
pub fn field(name: &str, label: &str, hint: &str, control: Markup) -> Markup {
    html! {
        p.field {
            label for=(name) { (label) }
            (control)
            @if !hint.is_empty() { span.hint id={ (name) "-hint" } { (hint) } }
        }
    }
}

/// A field for a line of text.
#[must_use]
pub fn text_field(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    let described = (!hint.is_empty()).then(|| format!("{name}-hint"));
    field(
        name,
        label,
        hint,
        html! { input id=(name) name=(name) value=(value) autocomplete="off" aria-describedby=[described]; },
    )
}

/// A field for samples: those of the page's [`samples_offered`] are offered while one types.
#[must_use]
pub fn sample_field(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    let described = (!hint.is_empty()).then(|| format!("{name}-hint"));
    let control = html! { input id=(name) name=(name) value=(value) list="samples" autocomplete="off" aria-describedby=[described]; };
    field(name, label, hint, control)
}

/// So many samples are offered while one types.
const OFFERED: usize = 400;

/// What the page's fields for samples offer.
pub fn samples_offered<'s>(samples: impl Iterator<Item = &'s str>) -> Markup {
    html! { datalist id="samples" { @for sample in samples.take(OFFERED) { option value=(sample) {} } } }
}

/// A field for one of several.
#[must_use]
pub fn choice(
    name: &str,
    label: &str,
    hint: &str,
    options: &[(String, String)],
    chosen: &str,
) -> Markup {
    let described = (!hint.is_empty()).then(|| format!("{name}-hint"));
    field(
        name,
        label,
        hint,
        html! {
            select id=(name) name=(name) aria-describedby=[described] {
                @for (value, text) in options {
                    option value=(value) selected[value == chosen] { (text) }
                }
            }
        },
    )
}

/// That phones do not reach what is opened by a link, since the desk is on no network.
pub fn only_here(say: Say) -> Markup {
    html! {
        p.wrong {
            (say.of("Only this machine reaches it: for phones on the Wi-Fi start the desk with ", "目前只有本机能打开：要用同一 Wi-Fi 的手机，启动工作台时请加 "))
            code.whole-word { "--lan" } (say.of(".", "。"))
        }
    }
}

/// Goes to a page of ours after something was written.
pub fn go(to: &str) -> Response {
    Redirect::to(to).into_response()
}

/// An error as the library tells it, without what this desk must not show; [`told`] puts it into the words of a page.
#[must_use]
pub fn shown_error(app: &App, error: &BookError) -> String {
    match error {
        BookError::Records(p) => host::as_shown(app.book(), p.clone()).to_string(),
        other => other.to_string(),
    }
}

/// A page that says why something cannot be shown.
pub fn failed(app: &App, reader: &Reader, part: Part, error: &BookError) -> Response {
    let text = shown_error(app, error);
    let status = match error {
        BookError::Refused(_) | BookError::NotABook(_) => StatusCode::NOT_FOUND,
        BookError::Records(_) => StatusCode::UNPROCESSABLE_ENTITY,
        BookError::Store(_) => StatusCode::INTERNAL_SERVER_ERROR,
    };
    let title = reader.say.of("This cannot be shown", "无法显示");
    let body = html! { div.wrong role="alert" { pre { (told::markup(reader.say, &text)) } } };
    (status, page(app, reader, part, title, body)).into_response()
}

/// Runs work that reads, writes or computes away from the threads that answer.
///
/// # Errors
/// An answer that says that the work broke off, which is a fault of this program.
pub async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Response> {
    tokio::task::spawn_blocking(work).await.map_err(|e| {
        let text = format!("The work broke off: {e}. This is a fault of the program.\n");
        (StatusCode::INTERNAL_SERVER_ERROR, text).into_response()
    })
}
