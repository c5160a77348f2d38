//! Leaving answers out, taking that back, giving a session up.

use maud::{Markup, html};

use super::room::Room;
use super::session::act;
use super::words;
use crate::book::session_files::Change;
use crate::desk::page::{Reader, field, text_field};
use crate::desk::posted::Posted;
use crate::desk::told;
use crate::session::State as Stage;
use crate::session::changes::exclusions;
use crate::session::sets::set_terms;

/// Answers are left out of the results.
pub fn leave_out(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let plan = room.session.plan();
    let from = |name: &str, label: &str, options: Vec<(String, String)>| {
        // Other forms of the page have fields of these names too.
        let id = format!("not-{name}");
        field(
            &id,
            label,
            "",
            html! { select id=(id) name=(name) {
                option value="" { (say.of("any", "任意")) }
                @for (value, text) in &options { option value=(value) selected[typed.text(name) == value] { (text) } }
            } },
        )
    };
    let same = |texts: Vec<String>| texts.into_iter().map(|t| (t.clone(), t)).collect::<Vec<_>>();
    let tasters = room.progress.iter().map(|p| (p.of.taster.clone(), p.name.clone())).collect();
    let flights = same(plan.flights.iter().map(|f| f.number.to_string()).collect());
    let cups = same(plan.flights.iter().flat_map(|f| f.cups.iter().map(u16::to_string)).collect());
    let steeps = same((1..=plan.n_steeps()).map(|s| s.to_string()).collect());
    let terms: Vec<(String, String)> = set_terms(plan)
        .into_iter()
        .map(|id| {
            let label = plan.term(id).map_or(id, |t| t.label(say.key()));
            (id.to_owned(), label.to_owned())
        })
        .collect();
    html! {
        details open[typed.text("act") == "exclude"] {
            summary { (say.of("Leave answers out", "剔除答案")) }
            p.hint { (say.of("They stay in the record, and results are shown with and without them.", "答案仍留在记录中，结果将同时显示含与不含。")) }
            (act(reader, room, "exclude", html! {
                div.row {
                    (from("taster", say.of("Taster", "评茶员"), tasters))
                    (from("flight", say.of("Flight", "轮次"), flights))
                    (from("cup", say.of("Cup", "杯"), cups))
                    @if plan.n_steeps() > 1 { (from("steep", say.of("Steep", "泡次"), steeps)) }
                    (from("term", say.of("Term", "评语"), terms))
                }
                (text_field("reason", say.of("Why", "理由"), "", typed.text("reason")))
                (text_field("by", say.of("Who decides it", "决定人"), "", typed.text("by")))
                p.buttons { button.quiet { (say.of("Leave them out", "剔除")) } }
            }))
        }
    }
}

/// What was done to the session: corrections, exclusions.
pub fn what_was_done(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    if room.changes.is_empty() {
        return html! {};
    }
    let standing: Vec<&str> = exclusions(&room.changes).map(|c| c.entry.as_str()).collect();
    html! {
        section {
            h2 { (say.of("What was done", "变更记录")) }
            ul.changes { @for c in &room.changes {
                @let stands = standing.contains(&c.entry.as_str());
                @let about = [c.taster.as_deref().map(|t| room.name_of(t).to_owned()), c.flight.map(|f| words::flight(say, f)),
                    c.cup.map(|c| say.of(format!("cup {c}"), format!("{c} 号杯"))), c.steep.map(|s| say.of(format!("steep {s}"), format!("第 {s} 泡"))), c.term.clone()];
                @let about: Vec<String> = about.into_iter().flatten().collect();
                li {
                    b { (words::change(say, c.change)) } " " (about.join(say.0.comma())) (say.0.colon()) (told::markup(say, &c.reason))
                    span.hint { (if c.after_reveal { say.of("after the reveal", "揭盲后") } else { say.of("before the reveal", "揭盲前") })
                        @if let Some(by) = &c.by { (say.0.comma()) (by) } (say.0.comma()) (c.at)
                        @if c.change == Change::Exclusion && !stands { " · " (say.of("taken back", "已恢复")) } }
                    @if stands && room.session.state != Stage::Void {
                        @let again = typed.text("entry") == c.entry;
                        (act(reader, room, "readmit", html! {
                            input type="hidden" name="entry" value=(c.entry);
                            label.beside { span.hint { (say.of("Take it back, because", "恢复，理由")) } input name="reason" value=(if again { typed.text("reason") } else { "" }) autocomplete="off"; } " "
                            button.quiet { (say.of("Take back", "恢复")) }
                        }))
                    }
                }
            } }
        }
    }
}

/// The session is given up.
pub fn give_up(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    let chosen = typed.text("brewed");
    html! {
        details open[typed.text("act") == "void"] {
            summary { (say.of("Give the session up", "作废本场")) }
            (act(reader, room, "void", html! {
                p.hint { (say.of("For good: nothing of it counts.", "不可撤回：全部不计。")) }
                (text_field("reason-void", say.of("Why", "理由"), "", typed.text("reason-void")))
                div.ticks {
                    @for (value, text) in [("", say.of("Its leaf was brewed if anything was answered", "若已有答案，则茶已冲泡")), ("yes", say.of("Its leaf was brewed", "茶已冲泡")), ("no", say.of("Nothing was brewed", "未冲泡"))] {
                        label.pick { input type="radio" name="brewed" value=(value) checked[chosen == value]; span { (text) } }
                    }
                }
                p.buttons { button.quiet { (say.of("Give it up", "作废")) } }
            }))
        }
    }
}
