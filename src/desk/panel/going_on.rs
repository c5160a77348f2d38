//! A session while it is planned or tasted: progress, ballots, pouring, temperatures, timers.

use maud::{Markup, html};

use super::host::Host;
use super::room::Room;
use super::session::act;
use super::{progress as far, words};
use crate::desk::page::{Reader, field, text_field, token};
use crate::desk::posted::Posted;
use crate::session::State as Stage;

/// All that belongs to a session that still takes scores.
pub fn markup(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let at = room.at();
    html! {
        section {
            h2 { (say.of("Progress", "进度")) }
            p.hint { (say.of("Needed answers, given and in all; the plan counts ticks and faults too, which are 0 when they are left alone. Never what they say.", "只显示应答项的已答数与总数，不显示内容；安排中的回答数还包括勾选与缺陷，未动即为 0。")) }
            div id="progress" data-from={ (at) "/progress" } data-state=(room.session.state.to_string()) { (far::table(say, &room.session, &room.progress)) }
            (timers(reader, room))
            @if room.host.may_see_answers(room.session.state) && !room.session.plan().is_alone() {
                p { a href={ (at) "/answers" } { (say.of("See the answers: only for who does not taste", "查看答案：仅限不参加审评者")) } }
            }
        }
        section {
            h2 { (say.of("Ballots", "评茶单")) }
            p.buttons { a.button.quiet href={ (at) "/join" } { (say.of("Links for phones", "手机链接")) } }
            div.wide tabindex="0" role="region" aria-label=(say.of("Ballots", "评茶单")) { table.stacked { tbody { @for p in &room.progress { tr {
                th scope="row" { (p.name) }
                td { a href={ (at) "/ballot/" (p.of.taster) } download { (say.of("Paper ballot (PDF)", "纸质评茶单（PDF）")) } }
                td { a href={ (at) "/enter/" (p.of.taster) } { (say.of("Type in from paper", "从纸上录入")) } }
            } } } } }
        }
        (pouring(reader, room, typed))
        (temperatures(reader, room, typed))
        @if room.session.state == Stage::Open && !far::all_in(&room.progress) {
            details { summary { (say.of("Close before all is in", "未交齐即截止")) }
                (act(reader, room, "close", html! {
                    p { (say.of("These have not handed in, and would be missing:", "以下评茶单尚未提交，将缺失：")) }
                    ul { @for line in far::missing(say, &room.progress) { li { (line) } } }
                    (far::gaps_told(say, &room.progress))
                    label.pick { input type="checkbox" name="anyway" value="1" required; span { (say.of("Close without them", "不等了，截止")) } }
                    p.buttons { button { (say.of("Close the session", "截止")) } }
                }))
            }
        }
    }
}

fn pouring(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let at = room.at();
    html! {
        section {
            h2 { (say.of("Pouring", "分杯")) }
            p { a href={ (at) "/labels" } download { (say.of("Labels for the cups (PDF)", "杯标签（PDF）")) } }
            @if !room.shelf.is_empty() {
                div.wide tabindex="0" role="region" aria-label=(say.of("Pouring", "分杯")) { table {
                    thead { tr { th scope="col" { (say.of("Flight", "轮次")) } th scope="col" { (say.of("Cup", "杯")) } th scope="col" { (say.of("Tin at place", "茶罐位置")) } } }
                    tbody { @for p in &room.shelf { tr {
                        td { (p.flight) } td { b { (p.code) } @if p.warm_up { " " (say.of("warm-up", "热身")) } } td { (p.shelf) }
                    } } }
                } }
                @if !room.unfit.is_empty() {
                    p.mind { (say.of("Since this was planned these came into quarantine or were found too damp; have somebody else take their tins off, and enter their cups as lost: ", "安排之后，以下茶样被隔离或发现过湿；请他人取走其茶罐，并将这些杯记为作废："))
                        (room.unfit.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")) }
                }
            } @else {
                p { (say.of("The pouring plan is the one paper with lots on it: for whoever pours and does not taste. That it is written is logged.", "分杯表是唯一写明批次的纸张：仅给冲泡且不参加审评的人。写出会记录在案。")) }
                @if let Host::Taster(id) = &room.host {
                    p.mind { (say.of(
                        format!("{} tastes and is at this desk: it does not show the plan. Let whoever pours write it, and look at it somewhere else:", room.name_of(id)),
                        format!("{} 参加审评并在此操作：此处不显示分杯表。请冲泡人用命令写出，并到别处查看：", room.name_of(id)))) }
                    pre lang="en" { "blindsteep session pour " (room.session.name) " --pourer NAME --out FILE" }
                } @else {
                    form method="post" action={ (at) "/pouring" } {
                        (token(reader))
                        (text_field("pourer", say.of("Who pours", "冲泡人"), "", typed.text("pourer")))
                        p.buttons { button.quiet { (say.of("Pouring plan (PDF)", "分杯表（PDF）")) } }
                    }
                }
            }
            p.hint { (say.of("Boiling water scalds. Taste below 60 °C.", "小心沸水烫伤。茶汤低于 60 °C 再品尝。")) }
        }
    }
}

fn temperatures(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    html! {
        details open[typed.text("act") == "pour"] {
            summary { (say.of("Temperatures of cups", "各杯温度")) @if !room.pours.is_empty() { " (" (room.pours.len()) ")" } }
            (act(reader, room, "pour", html! { div.row {
                (field("cup", say.of("Cup", "杯"), "", html! { input id="cup" name="cup" inputmode="numeric" value=(typed.text("cup")) required autocomplete="off"; }))
                (field("temperature", say.of("Temperature, °C", "温度，°C"), say.of("when it is tasted", "品尝时"), html! { input id="temperature" name="temperature" inputmode="decimal" value=(typed.text("temperature")) autocomplete="off" aria-describedby="temperature-hint"; }))
                (field("minutes", say.of("Minutes since pouring", "出汤后，分钟"), "", html! { input id="minutes" name="minutes" inputmode="decimal" value=(typed.text("minutes")) autocomplete="off"; }))
                (text_field("note", say.of("Note", "备注"), "", typed.text("note")))
            } p.buttons { button.quiet { (say.of("Log it", "记录")) } } }))
            @if !room.pours.is_empty() { div.wide tabindex="0" role="region" aria-label=(say.of("Temperatures of cups", "各杯温度")) { table {
                thead { tr { th scope="col" { (say.of("Cup", "杯")) } th scope="col" { "°C" } th scope="col" { (say.of("minutes", "分钟")) } th scope="col" { (say.of("Note", "备注")) } } }
                tbody { @for p in &room.pours { tr {
                    td { (p.cup) } td { (p.temperature_c.map(|t| t.to_string()).unwrap_or_default()) }
                    td { (p.minutes.map(|t| t.to_string()).unwrap_or_default()) } td { (p.note.as_deref().unwrap_or_default()) }
                } } }
            } } }
        }
    }
}

/// So many flights and steeps have a button each to start the timer.
const BUTTONS: usize = 6;

/// The infusion timer of all.
fn timers(reader: &Reader, room: &Room) -> Markup {
    let say = reader.say;
    let plan = room.session.plan();
    let steep = |n: u32| say.of(format!("steep {n}"), format!("第 {n} 泡"));
    let steeps = || (1_u32..).zip(&plan.recipe.steeps_s);
    let few = plan.flights.len() * plan.recipe.steeps_s.len() <= BUTTONS;
    html! {
        h3 { (say.of("Infusion timer for all", "全体冲泡计时")) }
        div id="timer" { (far::timer(say, &room.session, room.timer)) }
        div.buttons {
            @if few { @for f in &plan.flights { @for (i, seconds) in steeps() {
                (act(reader, room, "timer", html! {
                    input type="hidden" name="flight" value=(f.number);
                    input type="hidden" name="steep" value=(i);
                    button.quiet {
                        (say.of("Start: ", "开始：")) (words::flight(say, f.number))
                        @if plan.n_steeps() > 1 { (say.0.comma()) (steep(i)) }
                        ", " (words::time(u64::from(*seconds)))
                    }
                }))
            } } } @else {
                (act(reader, room, "timer", html! {
                    label.beside { (say.of("Flight", "轮次")) " " select name="flight" { @for f in &plan.flights { option value=(f.number) { (f.number) } } } } " "
                    label.beside { (say.of("Steep", "泡次")) " " select name="steep" { @for (i, seconds) in steeps() { option value=(i) { (i) (say.0.comma()) (words::time(u64::from(*seconds))) } } } } " "
                    button.quiet { (say.of("Start", "开始")) }
                }))
            }
            @if room.timer.is_some() { (act(reader, room, "timer-stop", html! { button.quiet { (say.of("Stop the timer", "停止计时")) } })) }
        }
    }
}

/// Answers that came after closing: admitted with a reason, or left.
pub fn late(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let waiting: Vec<_> = room.progress.iter().filter(|p| p.of.late > 0).collect();
    if waiting.is_empty() {
        return html! {};
    }
    let can = room.session.state == Stage::Closed;
    html! {
        section {
            h2 { (say.of("Answers that came after closing", "截止后到的答案")) }
            p.hint { (say.of("They do not count unless they are admitted, with a reason and before the reveal.", "不计入，除非在揭盲前说明理由后接受。")) }
            @for p in &waiting { div {
                p { b { (p.name) } (say.0.colon()) (p.of.late) }
                @if can { (act(reader, room, "late", html! {
                    input type="hidden" name="taster" value=(p.of.taster);
                    @let name = format!("reason-late-{}", p.of.taster);
                    (text_field(&name, say.of("Why they are admitted", "接受理由"), "", typed.text(&name)))
                    p.buttons { button.quiet { (say.of("Admit them", "接受")) } }
                })) }
            } }
        }
    }
}
