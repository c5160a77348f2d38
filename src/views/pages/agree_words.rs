//! What `agree` found, in sentences: the finding's own, or the same in Chinese.

use super::chinese;
use crate::findings::agree::Agree;
use crate::findings::guesses::Guesses;
use crate::findings::habits::{Habit, OrderOverall};
use crate::findings::put_right::PutRight;
use crate::findings::reasons::ReasonKind;
use crate::findings::term_agreement::{Cochran, TermAgreement};
use crate::findings::{ALPHA, Answer, Estimate, FEW_TASTERS, Test, say, say_p};
use crate::plots::Lang;
use crate::views::charts::Words;

/// The answer, sentence by sentence.
pub(super) fn sentences(f: &Agree, words: &Words) -> Vec<String> {
    if words.lang == Lang::En {
        return f.sentences.clone();
    }
    let mut all = Vec::new();
    let asked: Vec<&TermAgreement> = f.terms.iter().map(|t| &t.panel).collect();
    let of = |answer: bool| -> Vec<String> {
        let own = asked.iter().filter(|t| t.discriminates.known() == Some(&answer));
        own.map(|t| format!("{}{}", words.name(&t.term), tested(&t.lot_test, &t.cochran))).collect()
    };
    let (yes, no) = (of(true), of(false));
    let n = yes.len() + no.len();
    let who = match f.tasters.len() {
        n if n > FEW_TASTERS => "评茶组",
        2.. => "各评茶员（仅为个人意见）",
        _ => "评分",
    };
    if n > 0 {
        all.push(if yes.is_empty() {
            format!("{who}在 {n} 个评语中均不能区分批次。")
        } else {
            let luck = say(ALPHA * n as f64);
            let k = yes.len();
            format!(
                "{who}在 {n} 个评语中有 {k} 个能区分批次（仅凭运气为 {luck} 个）：{}。",
                yes.join("、")
            )
        });
    }
    if !no.is_empty() {
        all.push(format!("未能区分：{}。", no.join("、")));
    }
    let untested = asked.iter().filter_map(|t| Some((t.term.as_str(), t.discriminates.reason()?)));
    all.extend(untested_terms(untested, words));
    let reasons: Vec<String> = asked.iter().filter_map(|t| reason(t, words)).collect();
    if !reasons.is_empty() {
        all.push("同一批次的评分为何不同：".to_owned());
        all.extend(reasons);
    }
    if let Some(h) = f.habits.known() {
        for t in &h.tasters {
            all.extend(t.habits.iter().map(|h| habit(&t.taster, h, f.individual_opinions, words)));
        }
        if h.tasters.iter().all(|t| t.habits.is_empty()) {
            all.push("在偏移、幅度、重复误差与两词混淆方面，没有评茶员超出偶然。".to_owned());
        }
    }
    all.extend(f.put_right.iter().map(|p| put_right(p, words)));
    all.extend(f.order.known().map(order));
    all.extend(f.guesses.known().map(|g| format!("猜批次：{}", guesses(g, words))));
    all
}

/// The test of a term in brackets.
pub(super) fn tested(test: &Answer<Test>, ticks: &Answer<Cochran>) -> String {
    match (test, ticks) {
        (Answer::Known(t), _) => {
            format!("（F {}，偶然值 {}；{}）", say(t.f), say(t.f_by_luck), say_p(t.p_value))
        }
        (_, Answer::Known(q)) => format!("（科克伦 Q，{}）", say_p(q.p_value)),
        _ => String::new(),
    }
}

/// Terms that are not tested, one sentence a reason.
pub(super) fn untested_terms<'a>(
    terms: impl Iterator<Item = (&'a str, &'a str)>,
    words: &Words,
) -> Vec<String> {
    let mut reasons: Vec<(&str, Vec<String>)> = Vec::new();
    for (term, why) in terms {
        match reasons.iter_mut().find(|r| r.0 == why) {
            Some(known) => known.1.push(words.name(term)),
            None => reasons.push((why, vec![words.name(term)])),
        }
    }
    let said = |(why, terms): (&str, Vec<String>)| {
        format!("{}：未检验，{}。", terms.join("、"), chinese::or_as_it_is(why, words))
    };
    reasons.into_iter().map(said).collect()
}

/// Why scores of one lot differ in a term; a swap is told with its taster.
fn reason(t: &TermAgreement, words: &Words) -> Option<String> {
    let reason = t.reasons.iter().find(|r| r.kind != ReasonKind::Swap)?;
    let told = match chinese::said(&reason.words, words) {
        Some(told) => told,
        None => {
            let (told, who) = reason.words.split_once("; ")?;
            let who: Vec<String> = who
                .split(", ")
                .flat_map(|part| part.split(" and "))
                .map(|part| named(part, words))
                .collect();
            format!("{}；{}", chinese::or_as_it_is(told, words), who.join("、"))
        }
    };
    Some(format!("{}：{told}。", words.name(&t.term)))
}

/// `dee noisy (sd 1.98)`: a taster, a habit, its figure.
fn named(text: &str, words: &Words) -> String {
    let mut parts = text.splitn(3, ' ');
    let (taster, kind) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
    let figure = parts.next().unwrap_or_default();
    let figure = figure.replace('(', "（").replace(')', "）");
    let figure = figure.replace("sd ", "标准差 ").replace("slope ", "斜率 ");
    format!("{taster} {}{figure}", words.habit(kind))
}

/// A habit of a taster in a sentence.
fn habit(taster: &str, h: &Habit, individual: bool, words: &Words) -> String {
    let few = if individual { "（评茶员太少，说不清是谁偏离）" } else { "" };
    format!("评茶员 {taster}：{}{few}。", chinese::or_as_it_is(&h.words, words))
}

fn put_right(p: &PutRight, words: &Words) -> String {
    let unknown = || "未知".to_owned();
    let f = |t: &Answer<Test>| t.known().map_or_else(unknown, |t| say(t.f));
    let icc = |e: &Answer<Estimate>| {
        let said =
            |e: &Estimate| format!("{}（{} 至 {}）", say(e.value), say(e.lower), say(e.upper));
        e.known().map_or_else(unknown, said)
    };
    let sides: Vec<String> = p
        .sides
        .iter()
        .map(|s| {
            format!(
                "{}：F 原为 {}，改正后 {}，ICC(A,1) 为 {}，改正后 {}",
                words.name(&s.term),
                f(&s.lot_test),
                f(&s.lot_test_put_right),
                icc(&s.icc),
                icc(&s.icc_put_right)
            )
        })
        .collect();
    let terms: Vec<String> = p.terms.iter().map(|t| format!("“{}”", words.name(t))).collect();
    format!("仅在此处将评茶员 {} 的{}对调：{}。", p.taster, terms.join("与"), sides.join("；"))
}

fn order(o: &OrderOverall) -> String {
    let part =
        |what: &str, e: &Answer<Estimate>, luck: &Answer<f64>| match (e.known(), luck.known()) {
            (Some(e), Some(luck)) => format!(
                "{what} {}（{} 至 {}；仅凭运气可达 ±{}）",
                say(e.value),
                say(e.lower),
                say(e.upper),
                say(*luck)
            ),
            _ => format!("{what}未知"),
        };
    format!(
        "杯序，{} 个评语合计：每轮首杯与其后各杯之差 {}；前一杯每高 1 分则变 {}。",
        o.n_terms,
        part("", &o.first_cup, &o.first_cup_by_luck).trim_start(),
        part("", &o.carry_over, &o.carry_over_by_luck).trim_start()
    )
}

/// Whether tasters knew the lots.
pub(super) fn guesses(g: &Guesses, words: &Words) -> String {
    if words.lang == Lang::En {
        return g.words.clone();
    }
    let verdict = if g.p_value < ALPHA {
        "认出的多于偶然，批次并非完全盲评"
    } else {
        "没有认出批次的证据"
    };
    let mut told = format!(
        "{} 次猜测中 {} 次猜对，凭运气平均 {}（{:.0} 至 {:.0}），{}：{verdict}。",
        g.n,
        g.right,
        say(g.by_luck_mean),
        g.by_luck_lower,
        g.by_luck_upper,
        say_p(g.p_value)
    );
    if let Some(s) = g.sure.known() {
        told.push_str(&format!(
            "自称有把握的 {} 次中 {} 次猜对，凭运气平均 {}，{}。",
            s.n,
            s.right,
            say(s.by_luck_mean),
            say_p(s.p_value)
        ));
    }
    for s in g.sittings.iter().filter(|s| s.p_adjusted < ALPHA) {
        told.push_str(&format!(
            "{} 在 {}：{} 次中 {} 次猜对，{}。",
            s.taster,
            s.session,
            s.n,
            s.right,
            say_p(s.p_adjusted)
        ));
    }
    told
}
