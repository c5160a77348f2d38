//! What a reveal tells: which lot each cup was, what tasters guessed, what is to be put apart.

use maud::{Markup, html};

use super::room::Room;
use super::session::act;
use super::words;
use crate::book::fitness::SAFETY;
use crate::book::ids;
use crate::book::lots::MAIN;
use crate::desk::page::{Reader, text_field};
use crate::desk::posted::Posted;
use crate::desk::told;
use crate::session::{Guess, Revealed};

fn sample(lot: &str, arm: &str) -> String {
    if ids::same(arm, MAIN) { lot.to_owned() } else { format!("{lot}@{arm}") }
}

/// The part of a session's page that stands there once it is revealed.
pub fn markup(reader: &Reader, room: &Room, of: &Revealed, typed: &Posted) -> Markup {
    let say = reader.say;
    html! {
        (musty(reader, room, typed))
        section {
            h2 { (say.of("What was in the cups", "各杯批次")) }
            p.hint {
                @if of.committed_beforehand { (say.of("The key is the one that was sealed beforehand: ", "密钥即事先封存者：")) }
                @else { (say.of("The key was not committed beforehand: ", "密钥事先未封存：")) }
                code { (of.digest) }
            }
            div.wide tabindex="0" role="region" aria-label=(say.of("What was in the cups", "各杯批次")) { table {
                thead { tr { th scope="col" { (say.of("Flight", "轮次")) } th scope="col" { (say.of("Cup", "杯")) } th scope="col" { (say.of("Lot", "批次")) } th scope="col" { (say.of("Role", "用途")) } } }
                tbody { @for cup in &of.cups { tr {
                    td { (cup.flight) } td { b { (cup.code) } }
                    td { a href={ "/lots/" (cup.lot) } { (sample(&cup.lot, &cup.arm)) } } td { (words::role(say, cup.role)) }
                } } }
            } }
            @if let Some(expected) = &of.expected { p { (say.of("Expected beforehand to have more: ", "事先预期较强：")) (expected) } }
        }
        @if !of.guesses.is_empty() { (guesses(reader, room, of)) }
    }
}

/// What was guessed, and what it was. Whether that is more than luck the agreement says.
fn guesses(reader: &Reader, room: &Room, of: &Revealed) -> Markup {
    let say = reader.say;
    let was = |guess: &Guess| {
        of.cups
            .iter()
            .find(|c| c.code == guess.cup)
            .map(|c| sample(&c.lot, &c.arm))
            .unwrap_or_default()
    };
    html! {
        details {
            summary { (say.of("Guesses", "猜样")) " (" (of.guesses.len()) ")" }
            p { a href={ "/questions/agree?session=" (room.session.name) } { (say.of("Whether they are more than luck", "是否超出偶然")) } }
            div.wide tabindex="0" role="region" aria-label=(say.of("Guesses", "猜样")) { table {
                thead { tr { th scope="col" { (say.of("Taster", "评茶员")) } th scope="col" { (say.of("Cup", "杯")) } th scope="col" { (say.of("guessed", "猜")) } th scope="col" { (say.of("it was", "实为")) } } }
                tbody { @for g in &of.guesses { tr {
                    td { (room.name_of(&g.taster)) } td { (g.cup) }
                    td { (g.lot) @if let Some(arm) = &g.arm { "@" (arm) } @match g.sure { Some(true) => { span.hint { (say.of("sure", "有把握")) } } Some(false) => { span.hint { (say.of("unsure", "没把握")) } } None => {} } }
                    td { (was(g)) }
                } } }
            } }
        }
    }
}

fn musty(reader: &Reader, room: &Room, typed: &Posted) -> Markup {
    let say = reader.say;
    html! {
        @for found in &room.musty {
            @let name = found.sample.to_string();
            div.wrong role="alert" {
                h2 { (say.of("Musty or mouldy", "霉味或霉变")) (say.0.colon()) (name) }
                p { (say.of(
                    format!("{} of {} tasters found {name} clearly musty or mouldy. Put it into quarantine, so that nobody is served it again.", found.n, found.of),
                    format!("{} 人中有 {} 人认为 {name} 有明显霉味或霉变。请隔离，以免再供评。", found.of, found.n))) }
                (act(reader, room, "quarantine", html! {
                    input type="hidden" name="sample" value=(name);
                    @let said = if typed.text("sample") == name { typed.text("reason-musty").to_owned() } else {
                        say.of(format!("clearly musty or mouldy to {} of {} tasters of {}", found.n, found.of, room.session.name), format!("{}：{} 人中有 {} 人认为有明显霉味或霉变", room.session.name, found.of, found.n)) };
                    (text_field("reason-musty", say.of("Why", "理由"), "", &said))
                    p.buttons { button { (say.of("Put it into quarantine", "隔离")) } }
                }))
                p.hint { (told::markup(say, SAFETY)) }
            }
        }
    }
}
