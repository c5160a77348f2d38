//! What the sheet says of the tasting: the cup in words and counts, the store, the panel.

use super::page::{Block, Words, signed, tenths};
use super::words::value;
use crate::findings::Answer;
use crate::findings::sheet::{Fault, Sheet};

/// The cup in words and counts.
pub(super) fn found(f: &Sheet, w: Words) -> Block {
    let mut rows = Vec::new();
    let none = || w.pick("none", "无").to_owned();
    let labels: Vec<String> = f.cup.best.iter().map(|b| w.label(&b.labels)).collect();
    rows.push((
        w.pick("Best words", "主要特征").to_owned(),
        if labels.is_empty() { none() } else { w.list(&labels) },
    ));
    let mut compared = false;
    for (above, label) in [
        (true, w.pick("More than the other lots", "高于同场其他茶样")),
        (false, w.pick("Less than the other lots", "低于同场其他茶样")),
    ] {
        let words: Vec<String> = f
            .cup
            .compared
            .known()
            .into_iter()
            .flatten()
            .filter(|c| c.above == above)
            .map(|c| {
                let (d, lower, upper) = (signed(c.from_others), signed(c.lower), signed(c.upper));
                let label = w.label(&c.labels);
                w.say(
                    format!("{label} {d} ({lower} to {upper})"),
                    format!("{label} {d}（{lower} 至 {upper}）"),
                )
            })
            .collect();
        if !words.is_empty() {
            rows.push((label.to_owned(), w.list(&words)));
            compared = true;
        }
    }
    let of = |n: usize, all: usize| w.say(format!("{n} of {all}"), format!("{n}/{all}"));
    let ticked: Vec<String> = f
        .ticks
        .iter()
        .filter(|t| t.n_ticked > 0)
        .map(|t| format!("{} {}", w.label(&t.labels), of(t.n_ticked, t.n)))
        .collect();
    if !f.ticks.is_empty() {
        let label = w.pick("Ticked, of answers", "勾选次数/作答数").to_owned();
        rows.push((label, if ticked.is_empty() { none() } else { w.list(&ticked) }));
    }
    for c in &f.categories {
        let levels: Vec<String> =
            c.levels.iter().map(|l| format!("{} {}", w.label(&l.labels), of(l.n, c.n))).collect();
        rows.push((w.label(&c.labels), w.list(&levels)));
    }
    for fault in &f.faults {
        let label = w.label(&fault.labels);
        rows.push((w.say(format!("Fault: {label}"), format!("缺陷：{label}")), faults(fault, w)));
    }
    for e in &f.earlier_faults {
        let label = w.label(&e.fault.labels);
        rows.push((
            w.say(format!("Fault: {label}, on {}", e.day), format!("缺陷：{label}（{}）", e.day)),
            faults(&e.fault, w),
        ));
    }
    let mut notes = Vec::new();
    if compared {
        notes.push(
            w.pick(
                "More, less: points from the mean of the other samples of that tasting, the reference left out, with the interval.",
                "高于、低于：与该场其他茶样（不含参照样）均值之差（分）及其区间。",
            )
            .to_owned(),
        );
    }
    if f.faults.is_empty() {
        notes.push(w.pick("No fault was asked about.", "未评任何缺陷。").to_owned());
    }
    Block { heading: w.pick("In words", "评语").to_owned(), rows, notes }
}

pub(super) fn faults(f: &Fault, w: Words) -> String {
    let found = f.n_trace + f.n_clear + f.n_rejects;
    if found == 0 {
        return w.say(
            format!("none of {}", w.count(f.n, "answer", "answers", "")),
            format!("{} 次作答均无", f.n),
        );
    }
    let parts: Vec<String> = [
        (f.n_trace, w.pick("trace", "微")),
        (f.n_clear, w.pick("clear", "明显")),
        (f.n_rejects, w.pick("rejects", "拒收")),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, word)| w.say(format!("{n} {word}"), format!("{word} {n} 次")))
    .collect();
    w.say(
        format!("{}, of {}", w.list(&parts), w.count(f.n, "answer", "answers", "")),
        format!("{} 次作答中{}", f.n, w.list(&parts)),
    )
}

pub(super) fn store(f: &Sheet, w: Words) -> Block {
    let mut rows: Vec<(String, String)> = Vec::new();
    rows.push((
        w.pick("Age", "存期").to_owned(),
        w.say(
            format!("{} months when last tasted", tenths(f.tasted.age_months)),
            format!("末次审评时 {} 个月", tenths(f.tasted.age_months)),
        ),
    ));
    for c in &f.stored.conditions {
        let since = w.say(format!(" (since {})", c.since), format!("（自 {}）", c.since));
        rows.push((w.head(&c.what.labels), format!("{}{since}", value(&c.what, w))));
    }
    let mut notes = Vec::new();
    match &f.movement {
        Answer::Known(m) => {
            let (from, to) = (tenths(m.from_month), tenths(m.to_month));
            let moved: Vec<String> = m
                .moved
                .iter()
                .map(|c| {
                    let (d, lower, upper) = (signed(c.change), signed(c.lower), signed(c.upper));
                    let label = w.label(&c.labels);
                    let since = c.settled.as_ref().map_or_else(String::new, |s| {
                        let (month, lower, upper) =
                            (tenths(s.month), signed(s.lower), signed(s.upper));
                        w.say(
                            format!("; change since month {month}: {lower} to {upper}"),
                            format!("；自第 {month} 个月以来：{lower} 至 {upper}"),
                        )
                    });
                    let (more, less) = (c.change > 0.0, c.change < 0.0);
                    let way = w.pick(
                        if more {
                            "more "
                        } else if less {
                            "less "
                        } else {
                            ""
                        },
                        if more {
                            "升高 "
                        } else if less {
                            "降低 "
                        } else {
                            ""
                        },
                    );
                    w.say(
                        format!("{way}{label} ({d}, {lower} to {upper}){since}"),
                        format!("{label}{way}（{d}，{lower} 至 {upper}）{since}"),
                    )
                })
                .collect();
            rows.push((
                w.say(
                    format!("After {to} months, from {from}"),
                    format!("{from} 至 {to} 个月的变化"),
                ),
                if moved.is_empty() {
                    w.pick("no change beyond luck was seen", "未见超出偶然的变化").to_owned()
                } else {
                    w.list(&moved)
                },
            ));
            let others = m.n_terms - m.moved.len();
            let (one, many) =
                if moved.is_empty() { ("term", "terms") } else { ("other term", "other terms") };
            notes.push(w.say(
                format!("Change in points with its interval, the panel's drift taken off by a reference that is held to stay the same. In {} no change was shown.", w.count(others, one, many, "")),
                format!("变化以分计并附区间，已用视为不变的参照样扣除评茶组的漂移。{}{others} 项未显示变化。", if moved.is_empty() { "共" } else { "另 " }),
            ));
        }
        Answer::Unknown(_) if f.tasted.n_sessions < 2 => notes.push(
            w.pick(
                "Tasted once: nothing can be said of how it moves.",
                "仅审评过一次，无法说明其变化。",
            )
            .to_owned(),
        ),
        Answer::Unknown(_) => notes.push(
            w.pick(
                "How it moved since its first tasting cannot be told from these tastings.",
                "根据现有审评无法说明其自首次审评以来的变化。",
            )
            .to_owned(),
        ),
    }
    if f.stored.conditions.is_empty() {
        notes.push(w.pick("Nothing is recorded of its storage.", "未记录存放条件。").to_owned());
    }
    Block { heading: w.pick("In store", "存放").to_owned(), rows, notes }
}

pub(super) fn panel(f: &Sheet, w: Words) -> Block {
    let t = &f.tasted;
    let mut rows = vec![
        (
            w.pick("Tasters", "评茶员").to_owned(),
            w.say(
                format!("{}, none of them named here", t.n_tasters),
                format!("{} 位（不列姓名）", t.n_tasters),
            ),
        ),
        (
            w.pick("Scores", "评分").to_owned(),
            w.say(
                format!(
                    "{} of {}{}, {}",
                    w.count(t.n_cups, "cup", "cups", ""),
                    w.count(t.n_pots, "pot", "pots", ""),
                    if t.n_steeps > 1 {
                        format!(", {} steeps each", t.n_steeps)
                    } else {
                        String::new()
                    },
                    w.count(t.n_answers, "answer", "answers", "")
                ),
                format!(
                    "{} 壶 {} 杯{}，{} 次作答",
                    t.n_pots,
                    t.n_cups,
                    if t.n_steeps > 1 {
                        format!("，各 {} 泡", t.n_steeps)
                    } else {
                        String::new()
                    },
                    t.n_answers
                ),
            ),
        ),
        (w.pick("Tasted on", "审评日期").to_owned(), w.days(&t.days)),
        (
            w.pick("Beside it", "同场茶样").to_owned(),
            w.say(
                format!(
                    "{}{}",
                    w.count(t.n_others, "other sample", "other samples", ""),
                    if t.reference_served {
                        ", the reference that stays the same among them"
                    } else {
                        ", no reference"
                    }
                ),
                format!(
                    "其他茶样 {} 个，{}",
                    t.n_others,
                    if t.reference_served { "其中含固定参照样" } else { "无参照样" }
                ),
            ),
        ),
        (
            w.pick("Blind", "盲评").to_owned(),
            if t.committed_beforehand {
                w.say(
                    format!("coded; key sealed until {}", t.revealed),
                    format!("以杯号审评；密钥封存至 {}", t.revealed),
                )
            } else {
                w.say(
                    format!("coded; which code was which sample was not committed beforehand (told on {})", t.revealed),
                    format!("以杯号审评；杯号与茶样的对应未事先封存（{} 揭盲）", t.revealed),
                )
            },
        ),
    ];
    rows.push((w.pick("Key, SHA-256", "密钥 SHA-256").to_owned(), t.key_digest.clone()));
    if t.n_left_out > 0 {
        rows.push((
            w.pick("Left out", "未计入").to_owned(),
            w.say(
                format!(
                    "{}, with a reason in the book",
                    w.count(t.n_left_out, "answer", "answers", "")
                ),
                format!("{} 次作答，理由见记录", t.n_left_out),
            ),
        ));
    }
    let mut notes = Vec::new();
    if t.n_late_changes > 0 {
        notes.push(w.say(
            format!(
                "{} made after the samples were known.",
                w.count(t.n_late_changes, "change was", "changes were", "")
            ),
            format!("揭盲后另有 {} 处改动。", t.n_late_changes),
        ));
    }
    if t.n_pots == 1 {
        notes.push(
            w.pick(
                "One pot: what differs may be the pot, not yet the lot.",
                "仅一壶：差异可能来自冲泡，不一定来自批次。",
            )
            .to_owned(),
        );
    }
    Block { heading: w.pick("Who tasted, and how", "审评方式").to_owned(), rows, notes }
}
