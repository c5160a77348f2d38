//! Parts of a lot's page: masses, storage, reserve, family, tastings, the log.

use maud::{Markup, html};

use super::{lot_page, words};
use crate::book::balance::Balance;
use crate::book::family::{Family, Relative};
use crate::book::ids;
use crate::book::lots::{How, Lot, MAIN};
use crate::book::moves::storage;
use crate::book::parameters::{PACK, PLACE, Parameters};
use crate::book::stays::{By, Measured, Stay};
use crate::book::units::four_digits;
use crate::desk::say::Say;
use crate::desk::told;
use crate::session::reveal::Revealed;

fn kg(kg: f64) -> String {
    format!("{} kg", (kg * 1e4).round() / 1e4)
}

fn kg_or(mass: Option<f64>, say: Say) -> String {
    mass.map_or_else(|| say.of("not said", "未记录").to_owned(), kg)
}

/// Where the kilograms went.
pub fn masses_of(balance: &Balance, say: Say) -> Markup {
    if balance.given.is_empty() && balance.arms.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { (say.of("Masses", "重量去向")) }
            div.wide tabindex="0" role="group" { table.values { tbody {
                @if let Some(made) = balance.made_kg {
                    tr { th scope="row" { (say.of("made", "制成")) } td { strong { (kg(made)) } } td.pale { (told::markup(say, balance.made_by.unwrap_or_default())) } }
                }
                @for given in &balance.given {
                    tr {
                        th scope="row" { (say.of("into ", "转入 ")) a href=(lot_page(&given.lot)) { (given.lot) } }
                        td { strong { (kg_or(given.kg, say)) } }
                        td.pale { @if given.arm != MAIN { (say.of("of ", "取自 ")) (given.arm) } }
                    }
                }
                @for arm in &balance.arms {
                    tr {
                        th scope="row" { (arm.id) }
                        td { strong { (kg(arm.kg)) } }
                        td.pale { (say.of("put in; left: ", "入库；剩余：")) (kg_or(arm.left_kg, say)) }
                    }
                }
                tr {
                    th scope="row" { (say.of("left", "剩余")) }
                    td { strong { (kg_or(balance.left_kg, say)) } }
                    td.pale { (told::markup(say, balance.unknown.as_deref().unwrap_or_default())) }
                }
            } } }
        }
    }
}

/// Where each arm was and in what air, and the moves and readings by hand.
pub fn storage_of(
    lot: &Lot,
    kept: &[(String, Vec<Stay>)],
    lots: &[Lot],
    parameters: &Parameters,
    say: Say,
) -> Markup {
    let told = |s: &&Stay| s.place.is_some() || !s.humidity.is_empty() || !s.temperature.is_empty();
    let any = kept.iter().any(|(_, stays)| stays.iter().any(|s| told(&s)));
    let logged = storage(lot, lots);
    html! {
        section {
            h2 { (say.of("Storage", "存放")) " " a.small href={ (lot_page(&lot.id)) "/move" } { (say.of("move", "移库")) } " " a.small href={ (lot_page(&lot.id)) "/log?step=store" } { (say.of("log", "记录")) span.unseen { (say.0.colon()) (say.of("Storage", "存放")) } } }
            @if any {
                div.wide tabindex="0" role="region" aria-label=(say.of("Where it was kept", "存放经过")) { table.stacked {
                    thead { tr { @for head in stay_heads(say) { th scope="col" { (head) } } } }
                    tbody { @for (arm, stays) in kept { @for stay in stays.iter().filter(told) { (stay_row(arm, stay, parameters, say)) } } }
                } }
            } @else if logged.is_empty() {
                p.pale { (say.of("Nothing is logged of it.", "尚无记录。")) }
            }
            @if !logged.is_empty() {
                details { summary { (say.of(format!("Moves and readings by hand ({})", logged.len()), format!("移库与手工读数（{}）", logged.len()))) }
                    div.wide tabindex="0" role="group" { table.values { tbody {
                        @for k in &logged {
                            tr {
                                td.day { (words::moment(&k.at.to_string())) }
                                td { @if k.lot != lot.id { (k.lot) " " } (k.arm.as_deref().unwrap_or(say.of("whole lot", "整批"))) }
                                td {
                                    @for (i, (id, value, unit)) in k.values.iter().enumerate() {
                                        @let p = parameters.parameter(id);
                                        @if i > 0 { (say.0.semicolon()) }
                                        (p.map_or(id.as_str(), |p| p.label(say.key()))) ": " strong { (words::value(value, unit.as_deref(), p, say)) }
                                    }
                                }
                            }
                        }
                    } } }
                }
            }
        }
    }
}

/// What stands above the columns, and on a phone before each cell.
fn stay_heads(say: Say) -> [&'static str; 6] {
    [
        say.of("Arm", "存放组"),
        say.of("From", "自"),
        say.of("Until", "至"),
        say.of("Place and pack", "存放处与包装"),
        say.of("Humidity, %", "湿度，%"),
        say.of("Temperature, °C", "温度，°C"),
    ]
}

fn stay_row(arm: &str, stay: &Stay, parameters: &Parameters, say: Say) -> Markup {
    let named = |id: &str, text: &str| {
        let known = parameters.parameter(id).and_then(|p| p.level(text));
        known.map_or(text, |l| l.labels.or(say.key(), text)).to_owned()
    };
    let place = stay.place.as_ref().map(|text| named(PLACE, text));
    let pack = stay.pack.as_ref().map(|text| named(PACK, text));
    let heads = stay_heads(say);
    html! {
        tr {
            th scope="row" { @if arm == MAIN { (say.of("whole lot", "整批")) } @else { (arm) } }
            td.day data-head=(heads[1]) { (stay.from.day()) }
            td.day data-head=(heads[2]) { @if stay.goes_on { (say.of("now", "至今")) } @else { (stay.to.day()) } }
            td data-head=(heads[3]) { (place.as_deref().unwrap_or(say.of("not said", "未记录"))) @if let Some(pack) = &pack { (say.of("; ", "；")) (pack) } }
            td data-head=(heads[4]) { @for m in &stay.humidity { (air(m, "%", say)) } }
            td data-head=(heads[5]) { @for m in &stay.temperature { (air(m, "°C", say)) } }
        }
    }
}

/// One quantity by one source: its mean over time, the range, how it was measured, time above limits.
fn air(m: &Measured, unit: &str, say: Say) -> Markup {
    let [low, high] = m.air.range.map(|x| format!("{x:.1}"));
    let n = m.air.n;
    let by = match &m.by {
        By::Log => say.of(format!("{n} logged by hand"), format!("手工记录 {n} 次")),
        By::Loggers(files) => say.of(
            format!(
                "{n} readings, {} files, {:.0} % of the time",
                files.len(),
                100.0 * m.air.known
            ),
            format!("读数 {n} 个，文件 {} 个，占时间 {:.0} %", files.len(), 100.0 * m.air.known),
        ),
    };
    html! {
        p.air {
            strong { (format!("{:.1}", m.air.mean)) } (say.of(" (", "（")) (low) " – " (high) (say.of(")", "）")) br;
            span.pale { (by) }
            @for above in m.above.iter().filter(|a| a.n > 0) {
                br; span.pale {
                    @match above.hours {
                        Some(h) => { (say.of(format!("{h:.1} h "), format!("{h:.1} 小时"))) }
                        None => { (say.of(format!("{} ", above.n), format!("{} 次", above.n))) }
                    }
                    (say.of("above ", "高于 ")) (four_digits(above.limit.value)) " " (unit) (say.of(" (", "（")) (told::markup(say, above.limit.whose)) (say.of(")", "）"))
                }
            }
        }
    }
}

/// The reserve of each arm.
pub fn reserve_of(lot: &Lot, say: Say) -> Markup {
    let arms: Vec<_> =
        lot.all_arms().into_iter().map(|a| (lot.reserve(&a), lot.drawn_g(&a), a)).collect();
    html! {
        section {
            h2 { (say.of("Reserve for tasting", "审评留样")) " " a.small href={ (lot_page(&lot.id)) "/draw" } { (say.of("put in or draw", "存入或取出")) } }
            @if arms.iter().all(|(kept, drawn, _)| kept.is_none() && drawn.is_none()) {
                p.pale { (say.of("None is recorded.", "尚无记录。")) }
            } @else {
                div.wide tabindex="0" role="group" { table {
                    thead { tr {
                        th scope="col" { (say.of("Arm", "存放组")) }
                        th.number scope="col" { (say.of("Kept, g", "存入，克")) }
                        th.number scope="col" { (say.of("Drawn, g", "取出，克")) }
                        th.number scope="col" { (say.of("Left, g", "剩余，克")) }
                    } }
                    tbody {
                        @for (kept, drawn, arm) in arms.iter().filter(|(k, d, _)| k.is_some() || d.is_some()) {
                            tr {
                                td { @if arm == MAIN { (say.of("whole lot", "整批")) } @else { (arm) } }
                                td.number { @if let Some(r) = kept { (four_digits(r.kept_g)) } }
                                td.number { (four_digits(drawn.unwrap_or(0.0))) }
                                td.number { @if let Some(r) = kept { strong { (four_digits(r.left_g)) } } }
                            }
                        }
                    }
                } }
                p.hint { (say.of("What a session that is not revealed yet has drawn is not shown here.", "尚未揭盲的场次所取的茶样不在此显示。")) }
            }
        }
    }
}

/// What a lot came of, and what came of it: each step further in.
pub fn family_of(lot: &Lot, family: &Family, say: Say) -> Markup {
    if family.ancestors.is_empty() && family.descendants.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { (say.of("Family", "来源与去向")) }
            @if !family.ancestors.is_empty() {
                h3 { (say.of("Came of", "来源")) }
                ul.family { @for r in &family.ancestors { (relative(r, say)) } }
            }
            p { strong { (lot.id) } " (" (say.of("this lot", "本批次")) ")" }
            @if !family.descendants.is_empty() {
                h3 { (say.of("Went into", "去向")) }
                ul.family { @for r in &family.descendants { (relative(r, say)) } }
            }
        }
    }
}

fn relative(r: &Relative, say: Say) -> Markup {
    html! {
        li style={ "margin-left: " (1.4 * (r.steps - 1) as f64) "rem" } {
            @if r.steps > 1 { span.unseen { (say.of(format!("{} steps away: ", r.steps), format!("相隔 {} 步：", r.steps))) } }
            @if r.made.is_some() { a href=(lot_page(&r.lot)) { (r.lot) } } @else { (r.lot) " (" (say.of("not in this book", "不在本册")) ")" }
            @if let Some(arm) = &r.arm { " (" (say.of("arm ", "存放组 ")) (arm) ")" }
            ": " (kg_or(r.kg, say)) ", " (words::came_by(r.came_by, say)) " " (r.day)
            @if let Some((class, day)) = &r.made { (say.0.comma()) (words::class(class, say)) (say.0.comma()) (say.of("made ", "制成于 ")) (day) }
            @if r.again { " (" (say.of("see above", "见上")) ")" }
        }
    }
}

/// In which revealed sessions the tea was, as this lot or as what it was split from.
pub fn tastings_of(lot: &Lot, revealed: &[Revealed], say: Say) -> Markup {
    let had: Vec<(&Revealed, Vec<&str>)> = revealed
        .iter()
        .filter_map(|s| {
            let mut arms: Vec<&str> = s
                .cups
                .iter()
                .filter(|c| ids::same(&c.lot, &lot.id))
                .map(|c| c.arm.as_str())
                .collect();
            arms.sort_unstable();
            arms.dedup();
            (!arms.is_empty()).then_some((s, arms))
        })
        .collect();
    html! {
        section {
            h2 { (say.of("Tasted", "审评记录")) }
            @if had.is_empty() {
                p.pale { (say.of("In no session that is revealed.", "尚无已揭盲的场次。")) }
            } @else {
                ul { @for (s, arms) in had {
                    li { a href={ "/sessions/" (s.name) } { (s.name) } @if arms != [MAIN] { (say.of(" (", "（")) (arms.join(say.0.between())) (say.of(")", "）")) } }
                } }
            }
        }
    }
}

/// Every line of the log, corrected or not.
pub fn log_of(lot: &Lot, parameters: &Parameters, say: Say) -> Markup {
    let heads = [
        say.of("When", "时间"),
        say.of("What", "项目"),
        say.of("Value", "数值"),
        say.of("By", "记录人"),
        say.of("Entry", "条目"),
        say.of("Remarks", "说明"),
    ];
    html! {
        section {
            h2 { (say.of("Log", "记录")) }
            @if let Some(torn) = &lot.log.torn {
                p.hint { (say.of("The last line has no line end and does not count: ", "最后一行不完整，不计入：")) (torn) }
            }
            details {
                summary { (say.of(format!("All {} lines, with corrections", lot.log.lines.len()), format!("全部 {} 行，含更正", lot.log.lines.len()))) }
                div.wide tabindex="0" role="region" aria-label=(say.of("Log", "记录")) { table.log.stacked {
                    thead { tr { @for head in heads { th scope="col" { (head) } } } }
                    tbody { @for line in lot.log.values() {
                        @let p = parameters.parameter(&line.parameter);
                        @let newer = lot.log.values().find(|l| l.replaces.as_deref() == Some(line.entry.as_str()));
                        tr.gone[newer.is_some()] {
                            td.day data-head=(heads[0]) { @if lot.is_of_the_day(line.at) { (line.at.day()) } @else { (words::moment(&line.at.to_string())) } }
                            td data-head=(heads[1]) { (p.map_or(line.parameter.as_str(), |p| p.label(say.key()))) @if let Some(arm) = &line.arm { " (" (arm) ")" } }
                            td data-head=(heads[2]) { (words::line(line, p, say)) @if !lot.is_of_the_day(line.at) || line.how != How::Measured { (say.0.comma()) (words::how(line.how, say)) } }
                            td data-head=(heads[3]) { (line.by.as_deref().unwrap_or_default()) }
                            td data-head=(heads[4]) { code { (line.entry) } }
                            td {
                                @if let Some(newer) = newer { (say.of("replaced by ", "已由后条取代：")) code { (newer.entry) } " " }
                                @if let Some(old) = &line.replaces { (say.of("replaces ", "取代 ")) code { (old) } (say.0.colon()) (line.reason.as_deref().unwrap_or_default()) " " }
                                (words::note(line.note.as_deref().unwrap_or_default(), say))
                                @if newer.is_none() && line.value.is_some() { " " a.small href={ (lot_page(&lot.id)) "/correct?entry=" (line.entry) } { (say.of("correct", "更正")) span.unseen { " " (line.entry) } } }
                            }
                        }
                    } }
                } }
            }
        }
    }
}
