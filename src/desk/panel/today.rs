//! Today: what is going on, what is due, what comes next.

use std::sync::Arc;

use axum::extract::State as Of;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};

use super::list::{self, InShort};
use super::{with_ours, words};
use crate::book::BookError;
use crate::desk::page::{Part, Reader, aside, failed, page, shown_error};
use crate::desk::say::Say;
use crate::desk::{App, Shared, told};
use crate::findings::due::{Due, State};
use crate::session::State as Stage;

/// So many samples that are due are named.
const NAMED: usize = 6;
/// So many warnings are shown.
const WARNINGS: usize = 5;

struct Seen {
    n_lots: usize,
    n_tasters: usize,
    n_sessions: usize,
    going_on: Vec<InShort>,
    broken: Vec<(String, String)>,
    due: Result<Arc<Due>, String>,
}

fn seen(app: &App) -> Result<Seen, BookError> {
    let (mut going_on, mut broken) = (Vec::new(), Vec::new());
    // Looked at once: each look goes over all their files.
    let read = app.cache.sessions()?;
    let all = list::all(app, &read)?;
    let n_sessions = all.len();
    for (name, one) in all {
        match one {
            Ok(s) if s.state < Stage::Revealed => going_on.push(s),
            Ok(_) => {}
            Err(e) => broken.push((name, shown_error(app, &e))),
        }
    }
    Ok(Seen {
        n_lots: app.cache.lots_and_mistakes()?.lots.len(),
        n_tasters: app.cache.tasters()?.value.tasters.len(),
        n_sessions,
        going_on,
        broken,
        due: app.due_today(&read).map_err(|e| shown_error(app, &e)),
    })
}

/// The page.
pub async fn show(Of(app): Of<Shared>, reader: Reader) -> Response {
    let shared = Arc::clone(&app);
    let seen = match aside(move || seen(&shared)).await {
        Ok(Ok(seen)) => seen,
        Ok(Err(e)) => return failed(&app, &reader, Part::Today, &e),
        Err(response) => return response,
    };
    let say = reader.say;
    let body = html! {
        @if seen.n_sessions == 0 { (first_steps(say, &seen)) }
        @for (name, text) in &seen.broken { div.wrong { h2 { a href={ "/sessions/" (name) } { (name) } } pre { (told::markup(say, text)) } } }
        @if !seen.going_on.is_empty() {
            section { h2 { (say.of("Sessions going on", "进行中的场次")) }
                ul.cards { @for s in &seen.going_on { li.card {
                    h3 { a href={ "/sessions/" (s.name) } { (s.name) } }
                    p { span.state data-state=(s.state.to_string()) { (words::state(say, s.state)) } " " (words::kind(say, s.kind)) " · " span.day { (s.day) } }
                    p.hint { (next_of(say, s.state)) }
                } } }
            }
        }
        @match &seen.due {
            Ok(due) => (is_due(say, due)),
            // What is wrong with a session stands above already.
            Err(text) if seen.broken.is_empty() => { div.wrong { pre { (told::markup(say, text)) } } }
            Err(_) => {}
        }
        @if seen.n_sessions > 0 { p.buttons {
            a.button href="/sessions/new" { (say.of("Plan a session", "安排场次")) } " "
            a.button.quiet href="/sessions" { (say.of("All sessions", "全部场次")) }
        } }
        @if let Some(warnings) = seen.due.as_ref().ok().map(|d| &d.warnings).filter(|w| !w.is_empty()) {
            section { h2 { (say.of("Mind", "注意")) }
                ul { @for w in warnings.iter().take(WARNINGS) { li { (told::markup(say, &w.text)) } } }
                @if warnings.len() > WARNINGS { p { a href="/due" { (say.of(format!("and {} more", warnings.len() - WARNINGS), format!("另有 {} 条", warnings.len() - WARNINGS))) } } }
            }
        }
    };
    page(&app, &reader, Part::Today, say.of("Today", "今日"), with_ours(body)).into_response()
}

fn next_of(say: Say, state: Stage) -> &'static str {
    match state {
        Stage::Planned => say.of("Next: hand out the ballots.", "下一步：发放评茶单。"),
        Stage::Open => say.of("It is being tasted.", "正在审评。"),
        Stage::Closed => say.of("Next: the reveal.", "下一步：揭盲。"),
        Stage::Revealed | Stage::Void => "",
    }
}

fn first_steps(say: Say, seen: &Seen) -> Markup {
    let step = |done: bool, path: &str, text: &str| {
        html! { li { @if done { span aria-hidden="true" { "✓ " } span { (text) } span.hint { (say.of("done", "已完成")) } } @else { a href=(path) { (text) } } } }
    };
    html! {
        section.next { h2 { (say.of("First steps", "第一步")) } ol {
            (step(seen.n_tasters > 0, "/setup", say.of("Name who tastes", "添加评茶员")))
            (step(seen.n_lots > 0, "/lots", say.of("Add the lots, with how they were made", "添加批次及其制作过程")))
            (step(false, "/sessions/new", say.of("Plan the first session: the lots are dealt to codes in secret", "安排第一场：各批次的杯号由秘密抽签决定")))
        } }
    }
}

fn due_word(say: Say, state: State) -> &'static str {
    match state {
        State::Overdue => say.of(state.word(), "已逾期"),
        State::Due => say.of(state.word(), "到期"),
        State::Soon => say.of(state.word(), "可提前评"),
        _ => state.word(),
    }
}

fn is_due(say: Say, due: &Due) -> Markup {
    let open: Vec<_> = due.samples.iter().filter(|s| s.state.is_open()).collect();
    let heading = if open.iter().any(|s| s.is_new()) {
        say.of("To be tasted", "待评")
    } else {
        say.of("To be tasted again", "待复评")
    };
    html! {
        section { h2 { (heading) }
            @if open.is_empty() { p { (say.of("Nothing is due.", "没有到期项。")) " " a href="/due" { (say.of("What comes later", "以后的安排")) } } }
            @else {
                ul.due { @for s in open.iter().take(NAMED) { li {
                    a href={ "/lots/" (s.lot) } { (s.sample) }
                    @if s.is_new() { " " (say.of("not tasted yet: first tasting", "尚未评过：首评")) (say.0.comma()) }
                    @if let Some(next) = s.next.known() { " " (say.of(&next.words, &next.words_zh)) (say.0.comma()) span.day { (next.day) } }
                    " " span.state data-state=(s.state.word()) { (due_word(say, s.state)) }
                } } }
                @if open.len() > NAMED { p.hint { (say.of(format!("and {} more", open.len() - NAMED), format!("另有 {} 个", open.len() - NAMED))) } }
                p.buttons { a.button.quiet href="/sessions/due" { (say.of("Plan what is due", "安排到期复评")) } " " a.button.quiet href="/due" { (say.of("The whole list", "完整列表")) } }
            }
        }
    }
}
