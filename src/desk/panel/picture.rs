//! The picture of a plan: who has which cup when, how even that is, how much leaf and time it takes.

use maud::{Markup, html};

use super::words;
use crate::book::BookError;
use crate::desk::say::Say;
use crate::desk::told;
use crate::session::Planned;
use crate::session::plan::LeafNeed;
use crate::views::planned::{balance, decided, hopeless, load, too_much};

/// The picture, or why such a session would not be planned.
pub fn markup(say: Say, seen: &Result<Planned, BookError>) -> Markup {
    match seen {
        Ok(planned) => html! { div data-said=(in_short(say, planned)) { (picture(say, planned)) } },
        Err(e) => {
            let text = told::text(say, &e.to_string());
            let first = text.lines().next().unwrap_or_default();
            let said = say.of(format!("Not yet a plan: {first}"), format!("尚不能安排：{first}"));
            html! { div.not-yet data-said=(said) { p { (say.of("Not yet a plan:", "尚不能安排：")) } pre { (text) } } }
        }
    }
}

/// What stands there before anything is named.
pub fn nothing_yet(say: Say) -> Markup {
    let text = say.of(
        "Tick two lots or more, and who tastes: what the session will be shows here.",
        "请勾选两个以上批次与评茶员：此处显示场次预览。",
    );
    html! { div data-said="" { p.hint { (text) } } }
}

/// What is read aloud as one edits.
fn in_short(say: Say, planned: &Planned) -> String {
    let plan = &planned.plan;
    let (flights, tasters) = (plan.flights.len(), plan.tasters.len());
    let cups: usize = plan.flights.iter().map(|f| f.cups.len()).sum();
    say.of(
        format!("Flights: {flights}. Cups: {cups}. Tasters: {tasters}."),
        format!("{flights} 轮，{cups} 杯，{tasters} 位评茶员。"),
    )
}

fn picture(say: Say, planned: &Planned) -> Markup {
    let plan = &planned.plan;
    html! {
        p { (words::recipe(say, &plan.recipe)) }
        @for (flight, even) in plan.flights.iter().zip(&planned.balances) {
            h3 { (words::flight(say, flight.number)) (say.0.comma()) (flight.day) }
            div.wide tabindex="0" role="region" aria-label=(words::flight(say, flight.number)) {
                table.orders {
                    @let most = plan.tasters.iter().map(|t| flight.order_of(t).len()).max().unwrap_or(0);
                    thead { tr {
                        th scope="col" { (say.of("Taster", "评茶员")) }
                        @if flight.warm_up.is_some() { th scope="col" { (say.of("warm-up", "热身")) } }
                        @for i in 1..=most { th scope="col" { (i) } }
                    } }
                    tbody { @for taster in &plan.tasters { tr {
                        th scope="row" { (taster) }
                        @if let Some(code) = flight.warm_up { td.pale { (code) } }
                        @for code in flight.order_of(taster) {
                            td { (code) @if flight.references.contains(code) { span.hint { (say.of("reference", "对照")) } } }
                        }
                    } } }
                }
            }
            p.hint { (sentence(&balance(even, say.0))) (say.of(".", "。")) }
        }
        p.hint { (say.of("The codes stand for cups; which lot goes to which is dealt in secret once the session is planned.", "杯号代表各杯；哪个批次对应哪个杯号，在场次安排好之后秘密抽签决定。")) }
        @if let Some(test) = &plan.test {
            p { (say.of("Decided beforehand: ", "事先确定：")) (decided(plan, test, planned.one_sided, say.0)) "." }
            @if let Some(text) = hopeless(plan, test, planned.one_sided, say.0) { p.mind { (text) } }
        }
        p { (load(plan, say.0)) }
        @if let Some(text) = too_much(plan, say.0) { p.mind { (text) } }
        (leaf(say, &planned.leaf))
        @for warning in &planned.warnings { p.mind { (told::markup(say, warning)) } }
        p.hint { (say.of("Boiling water scalds; taste below 60 °C; spit, for caffeine adds up over cups. Name allergens that are on the table. Anyone may decline a cup without a reason.", "小心沸水烫伤；茶汤低于 60 °C 再品尝；请吐出茶汤：多杯的咖啡因会累积。请说明桌上有哪些过敏原。任何人都可以不评某一杯，无须说明理由。")) }
    }
}

/// A sentence begins with a capital letter, where there are any.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |c| c.to_uppercase().chain(letters).collect())
}

fn leaf(say: Say, needs: &[LeafNeed]) -> Markup {
    html! {
        h3 { (say.of("Leaf, at most", "用茶上限")) }
        div.wide tabindex="0" role="region" aria-label=(say.of("Leaf, at most", "用茶上限")) {
            table {
                thead { tr { th scope="col" { (say.of("Sample", "茶样")) } th.number scope="col" { (say.of("needed, g", "需要，克")) } th.number scope="col" { (say.of("left, g", "剩余，克")) } } }
                tbody { @for LeafNeed { sample, need_g, left_g } in needs { tr {
                    th scope="row" { (sample) }
                    td.number { (format!("{need_g:.1}")) }
                    td.number { @match left_g { Some(g) => { (format!("{g:.1}")) } None => { span.pale { (say.of("no reserve recorded", "未记录留样")) } } } }
                } } }
            }
        }
    }
}
