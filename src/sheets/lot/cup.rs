//! The cup on its scales: places of dots, lines and ticks.

use super::page::{CupBlock, ScaleRow, Words, number, tenths};
use crate::book::vocabulary::Ends;
use crate::findings::sheet::{CupRow, Sheet};

/// The block of the cup.
pub(super) fn block(f: &Sheet, w: Words) -> CupBlock {
    CupBlock {
        heading: w.pick("The cup", "茶汤").to_owned(),
        intro: intro(f, w),
        rows: rows(f, w),
        notes: notes(f, w),
    }
}

fn intro(f: &Sheet, w: Words) -> String {
    let t = &f.tasted;
    let (days, age) = (w.days(&t.days), tenths(t.age_months));
    let before = if t.before_the_split {
        w.pick(
            ", before the lot was split for storage: this part was not tasted since",
            "（当时尚未分为存放组，此后未再审评）",
        )
    } else {
        ""
    };
    w.say(
        format!("Tasted under codes on {days}, {age} months after making{before}."),
        format!("{days} 以杯号盲评，制成后 {age} 个月{before}。"),
    )
}

fn rows(f: &Sheet, w: Words) -> Vec<ScaleRow> {
    let all = &f.cup.rows;
    all.iter()
        .enumerate()
        .map(|(i, row)| {
            let last = all.get(i + 1).is_none_or(|next| scale(next) != scale(row));
            let place = |x: f64| ((x - row.low) / (row.high - row.low)).clamp(0.0, 1.0);
            let marks = marks(row.low, row.high);
            let interval = row.interval.known();
            let [low, high] = ends(&row.ends, w);
            ScaleRow {
                label: w.label(&row.labels),
                low,
                high,
                at: place(row.level),
                interval: interval.map(|i| [place(i.lower), place(i.upper)]),
                figures: interval.map_or_else(
                    || tenths(row.level),
                    |i| {
                        let (lower, upper) = (tenths(i.lower), tenths(i.upper));
                        let level = tenths(row.level);
                        w.say(
                            format!("{level} ({lower} to {upper})"),
                            format!("{level}（{lower} 至 {upper}）"),
                        )
                    },
                ),
                ticks: marks.iter().map(|x| place(*x)).collect(),
                axis: if last {
                    marks.iter().map(|x| (place(*x), number(*x, 1))).collect()
                } else {
                    Vec::new()
                },
            }
        })
        .collect()
}

fn scale(row: &CupRow) -> [f64; 2] {
    [row.low, row.high]
}

/// Whole numbers from end to end, at most eleven of them.
fn marks(low: f64, high: f64) -> Vec<f64> {
    let steps = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
    let step =
        steps.into_iter().find(|s| (high - low) / s <= 10.0).unwrap_or_else(|| (high - low) / 10.0);
    let n = ((high - low) / step + 1e-9).floor();
    let mut marks = Vec::new();
    let mut k = 0.0;
    while k <= n {
        marks.push(low + k * step);
        k += 1.0;
    }
    marks
}

fn ends(words: &Ends, w: Words) -> [String; 2] {
    let code = w.pick("en", "zh");
    words
        .get(code)
        .or_else(|| words.get("en"))
        .or_else(|| words.values().next())
        .cloned()
        .unwrap_or_else(|| [w.pick("less", "少").to_owned(), w.pick("more", "多").to_owned()])
}

fn notes(f: &Sheet, w: Words) -> Vec<String> {
    let mut notes = Vec::new();
    let (t, cup) = (&f.tasted, &f.cup);
    if t.n_tasters == 1 {
        notes.push(w.say(
            "One person's opinion: the open dots are that person's means, and no interval says what others would find.".to_owned(),
            "仅为一人的意见：空心点为其均值，没有区间能说明他人的感受。".to_owned(),
        ));
    } else {
        if t.individual_opinions {
            notes.push(w.say(
                format!("Individual opinions of {} tasters, not a panel's.", t.n_tasters),
                format!("{} 位评茶员的个人意见，不代表评茶组。", t.n_tasters),
            ));
        }
        let percent = number(f.settings.level * 100.0, 1);
        if !cup.rows.is_empty() {
            notes.push(w.say(
                format!("Dot: level. Line: its {percent} % interval, these tasters taken as a sample of tasters."),
                format!("圆点为水平值，线段为其 {percent} % 区间（评茶员视为抽样）。"),
            ));
        }
    }
    let n = |why: &str| cup.not_printed.iter().filter(|t| t.why == why).count();
    let limit = number(cup.half_width_limit, 2);
    match n("too-wide") {
        0 => {}
        n => notes.push(w.say(
            format!(
                "{} not printed: the interval is wider than ±{limit} on a scale of 10.",
                w.count(n, "term", "terms", "")
            ),
            format!("另有 {n} 项未列出：其区间宽于 ±{limit}（以 10 分制计）。"),
        )),
    }
    match n("unknown") {
        0 => {}
        n => notes.push(w.say(
            format!(
                "{} not printed: too few scores for an interval.",
                w.count(n, "term", "terms", "")
            ),
            format!("另有 {n} 项未列出：评分过少，无法给出区间。"),
        )),
    }
    match n("no-room") {
        0 => {}
        n => notes.push(w.say(
            format!("{} scored besides.", w.count(n, "more term was", "more terms were", "")),
            format!("另评 {n} 项，限于篇幅未列。"),
        )),
    }
    if cup.rows.is_empty() && cup.not_printed.is_empty() {
        notes
            .push(w.pick("No term was scored on a line.", "没有以线性标度评分的项目。").to_owned());
    }
    if cup.n_tested > 0 && !t.individual_opinions {
        let luck = number(cup.n_by_luck, 1);
        let (apart, tested) = (cup.n_told_apart, cup.n_tested);
        notes.push(w.say(
            format!("The panel told the {} samples of that tasting apart in {apart} of {tested} terms (luck alone: {luck}).", t.n_others + 1),
            format!("该场 {} 个茶样，评茶组在 {tested} 项中的 {apart} 项上能够区分；仅凭运气约为 {luck} 项。", t.n_others + 1),
        ));
    }
    notes
}
