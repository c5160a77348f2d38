//! What `compare` found, in sentences: the finding's own, or the same in Chinese.

use super::agree_words::{tested, untested_terms};
use crate::findings::against::{AgainstNumbers, Alike, AlikeNumbers, Better};
use crate::findings::compare::Compare;
use crate::findings::term_comparison::{Difference, TermComparison};
use crate::findings::{ALPHA, Answer, say, say_p};
use crate::plots::Lang;
use crate::views::charts::Words;

/// The answer, sentence by sentence.
pub(super) fn sentences(f: &Compare, words: &Words) -> Vec<String> {
    if words.lang == Lang::En {
        return f.sentences.clone();
    }
    let terms = || f.terms.iter().map(|t| &t.lots);
    let mut all: Vec<String> = terms().filter_map(|t| differs(t, words)).collect();
    all.extend(terms().filter_map(|t| alike(t, words)));
    let untested = terms().filter_map(|t| Some((t.term.as_str(), t.discriminates.reason()?)));
    all.extend(untested_terms(untested, words));
    let n = f.n_tested;
    if n > 1 {
        let below = |p: fn(&TermComparison) -> &Answer<f64>| {
            terms().filter(|t| p(t).known().is_some_and(|p| *p < ALPHA)).count()
        };
        all.push(format!(
            "{n} 个评语中，仅凭运气就会有 {} 个显出差异。按 {n} 个校正后：不容一个误报时有 {} 个（Holm），容许其中二十分之一误报时有 \
             {} 个（Benjamini 与 Hochberg）。",
            say(ALPHA * n as f64),
            below(|t| &t.p_holm),
            below(|t| &t.p_benjamini_hochberg)
        ));
    }
    all.extend(terms().filter_map(|t| steeps(t, words)));
    all
}

fn differs(t: &TermComparison, words: &Words) -> Option<String> {
    let (name, test) = (words.name(&t.term), tested(&t.lot_test, &t.cochran));
    let differ = *t.discriminates.known()?;
    if t.against_control.known().is_some() {
        return control(t, &name, &test);
    }
    if !differ {
        return Some(format!("{name}：未能区分批次{test}。"));
    }
    let Some(pairs) = t.differences.known() else {
        return Some(format!("{name}：批次有差异{test}。"));
    };
    let differing: Vec<&Difference> =
        pairs.iter().filter(|d| d.difference.known().is_some_and(|d| d.differs)).collect();
    let largest = differing
        .iter()
        .filter_map(|d| Some((d, d.difference.known()?)))
        .max_by(|a, b| a.1.value.abs().total_cmp(&b.1.value.abs()));
    let n = pairs.len();
    Some(match largest {
        None => format!("{name}：批次有差异{test}，但 {n} 对之中没有一对可以确定。"),
        Some((d, x)) => {
            let (high, low, size, lower, upper) = if x.value >= 0.0 {
                (&d.a, &d.b, x.value, x.tukey_lower, x.tukey_upper)
            } else {
                (&d.b, &d.a, -x.value, -x.tukey_upper, -x.tukey_lower)
            };
            format!(
                "{name}：{n} 对批次中有 {} 对有差异{test}；相差最大的是 {high} 与 {low}，差 {}（{} 至 {}）。",
                differing.len(),
                say(size),
                say(lower),
                say(upper)
            )
        }
    })
}

fn control(t: &TermComparison, name: &str, test: &str) -> Option<String> {
    let c = t.against_control.known()?;
    let known: Vec<(&str, &AgainstNumbers)> =
        c.lots.iter().filter_map(|l| Some((l.lot.as_str(), l.difference.known()?))).collect();
    let differing: Vec<_> = known.iter().filter(|(_, n)| n.differs).collect();
    let how = match c.better {
        Better::Either => format!("与 {} 有差异", c.control),
        Better::Higher => format!("高于 {}", c.control),
        Better::Lower => format!("低于 {}", c.control),
    };
    let n = known.len();
    let Some((lot, x)) =
        differing.iter().max_by(|a, b| a.1.t.abs().total_cmp(&b.1.t.abs())).copied()
    else {
        return Some(format!("{name}：{n} 个批次均未显出{how}（Dunnett；全部批次{test}）。"));
    };
    let limits = match (x.lower.known(), x.upper.known()) {
        (Some(lower), Some(upper)) => format!("{} 至 {}", say(*lower), say(*upper)),
        (Some(lower), None) => format!("至少 {}", say(*lower)),
        (None, Some(upper)) => format!("至多 {}", say(*upper)),
        (None, None) => String::new(),
    };
    Some(format!(
        "{name}：{n} 个批次中有 {} 个{how}{test}；最确定的是 {lot}，差 {}（{limits}）。",
        differing.len(),
        say(x.value)
    ))
}

fn alike(t: &TermComparison, words: &Words) -> Option<String> {
    let a = t.alike_within.known()?;
    let known: Vec<(&Alike, &AlikeNumbers)> =
        a.pairs.iter().filter_map(|p| Some((p, p.numbers.known()?))).collect();
    let shown: Vec<&str> = known.iter().filter(|k| k.1.alike).map(|k| k.0.a.as_str()).collect();
    let (name, margin) = (words.name(&t.term), say(a.margin));
    let (n, rest) = (known.len(), known.len() - shown.len());
    Some(match (a.control.known(), shown.len()) {
        (Some(control), 0) => {
            format!(
                "{name}：未能证实任何批次与 {control} 相差在 ±{margin} 以内；这并不说明有差异。"
            )
        }
        (Some(control), k) => {
            // More names than these make no sentence.
            let who = if k > 8 { format!("{k} 个批次") } else { shown.join("、") };
            let more =
                if rest == 0 { String::new() } else { format!("；其余 {rest} 个未能证实") };
            format!("{name}：{who} 与 {control} 相差在 ±{margin} 以内{more}。")
        }
        (None, k) => format!("{name}：{n} 对批次中有 {k} 对证实相差在 ±{margin} 以内。"),
    })
}

fn steeps(t: &TermComparison, words: &Words) -> Option<String> {
    let s = t.steeps.known()?;
    let test = s.course_test.known()?;
    let told =
        format!("F {}，偶然值 {}；{}", say(test.f), say(test.f_by_luck), say_p(test.p_value));
    let (name, n) = (words.name(&t.term), s.steeps.len());
    Some(if test.differs() {
        format!("{name}：在 {n} 次冲泡之间，各批次的变化不同（{told}）。")
    } else {
        format!("{name}：在 {n} 次冲泡之间，未显出有批次的变化与众不同（{told}）。")
    })
}
