//! Do the tasters agree? The answer of `agree` on one page.

use std::fmt::Write as _;

use super::Page;
use super::agree_words as said;
use super::parts::{
    basis, cautions, excluded, figure, head, heading, language, list, note, points, table,
};
use crate::findings::agree::{Agree, TermOfPanel};
use crate::findings::habits::TasterOverall;
use crate::findings::{ALPHA, Answer, Estimate};
use crate::sheets::html::escaped;
use crate::views::charts::{Chart, Words};
use crate::views::text::{number, or_dash, p_value};

/// The page, with the charts of the same finding.
#[must_use]
pub fn agree(f: &Agree, drawn: &[Chart], words: &Words) -> Page {
    let title = words.pick("Do the tasters agree?", "评茶员意见一致吗？");
    let numbers = (f.lots.len(), f.tasters.len(), f.n_scores, f.n_gaps);
    let mut out =
        head(words, title, &basis(&f.source.names, numbers, f.individual_opinions, words));
    in_short(&mut out, f, words);
    terms(&mut out, f, words);
    for chart in drawn {
        figure(&mut out, chart);
    }
    tasters(&mut out, f, words);
    if let Answer::Known(g) = &f.guesses {
        heading(&mut out, words.pick("Was it blind?", "盲评是否有效？"));
        let _ = writeln!(out, "<p>{}</p></section>", escaped(&said::guesses(g, words)));
    }
    cautions(&mut out, &f.source.notes, &f.cautions, words);
    excluded(&mut out, &f.exclusions, words.pick("scores", "个评分"), words);
    out.push_str("</article>\n");
    Page { title, language: language(words), article: out }
}

/// The terms that the panel tells apart, with luck's share; on English pages the finding's own sentences.
fn in_short(out: &mut String, f: &Agree, words: &Words) {
    heading(out, words.pick("In short", "概要"));
    let named = |keep: &dyn Fn(&TermOfPanel) -> bool| -> Vec<String> {
        f.terms.iter().filter(|t| keep(t)).map(|t| words.name(&t.panel.term)).collect()
    };
    let own = named(&|t| t.panel.discriminates.known() == Some(&true));
    let adjusted = named(&|t| t.panel.p_holm.known().is_some_and(|p| *p < ALPHA));
    let n = f.terms.iter().filter(|t| t.panel.discriminates.known().is_some()).count();
    let luck = number(ALPHA * n as f64, 2);
    let behind = |all: &[String]| match all {
        [] => String::new(),
        all => words.pick(format!(": {}", all.join(", ")), format!("：{}", all.join("、"))),
    };
    let line = words.pick(
        format!(
            "Term by term the panel tells the lots apart in {} of {n} (luck alone: {luck} on average){}. \
             Adjusted for asking {n} at once, in {}{}.",
            own.len(),
            behind(&own),
            adjusted.len(),
            behind(&adjusted)
        ),
        format!(
            "逐个评语检验，{n} 个中有 {} 个能区分批次（仅凭运气平均 {luck} 个）{}。按同时检验 {n} 个校正后为 {} 个{}。",
            own.len(),
            behind(&own),
            adjusted.len(),
            behind(&adjusted)
        ),
    );
    let _ = writeln!(out, "<p>{}</p>", escaped(&line));
    out.push_str("</section>\n");
    list(out, words.pick("What was found", "结论"), &said::sentences(f, words));
}

fn terms(out: &mut String, f: &Agree, words: &Words) {
    let rows: Vec<Vec<String>> = f
        .terms
        .iter()
        .map(|TermOfPanel { panel, .. }| {
            let test = panel.lot_test.known();
            let q = panel.cochran.known();
            let p = test.map(|t| t.p_value).or(q.map(|q| q.p_value));
            vec![
                words.name(&panel.term),
                p.map_or_else(|| "–".to_owned(), p_value),
                or_dash(&panel.p_holm, |p| p_value(*p)),
                or_dash(&panel.icc, |i| within(&i.agreement_mean, words)),
                or_dash(&panel.kendall, |k| {
                    let (w, luck) = (number(k.w, 2), number(k.by_luck_95, 2));
                    words.pick(format!("{w} ({luck})"), format!("{w}（{luck}）"))
                }),
                or_dash(&panel.alpha, |a| number(a.value, 2)),
                or_dash(&panel.smallest_difference, |d| number(d.of_all_pairs, 2)),
            ]
        })
        .collect();
    heading(out, words.pick("Term by term", "逐个评语"));
    let heads = words.pick(
        [
            "Term",
            "p",
            "p among all (Holm)",
            "ICC(A,k), 95 %",
            "W (luck: 95 %)",
            "alpha",
            "seen from",
        ],
        [
            "评语",
            "p",
            "全部中的 p（Holm）",
            "ICC(A,k)，95 %",
            "W（偶然值：95 %）",
            "alpha",
            "可见差异",
        ],
    );
    table(out, &heads, &rows);
    let read = words.pick(
        "p: chance of lots so far apart where all are alike. ICC(A,k): how far the panel's mean can be trusted, 1 at best. \
         W: Kendall's concordance of the tasters, behind it what luck exceeds in 5 of 100. alpha: Krippendorff's. Seen from: the smallest \
         difference of two lots that would stand out among all pairs.",
        "p：批次全部相同时出现如此差异的概率。ICC(A,k)：评茶组均值的可靠度，最高为 1。W：肯德尔和谐系数，括号内为偶然情况下百次中有五次超过的值。\
         alpha：克里彭多夫系数。可见差异：两批次在所有配对中可显出的最小差异（分）。",
    );
    note(out, read);
    out.push_str("</section>\n");
}

/// A value with its limits in the signs of the language; a dash where it is not known.
fn within(answer: &Answer<Estimate>, words: &Words) -> String {
    or_dash(answer, |e| {
        let [value, lower, upper] = [e.value, e.lower, e.upper].map(|x| number(x, 2));
        words
            .pick(format!("{value} ({lower} to {upper})"), format!("{value}（{lower} 至 {upper}）"))
    })
}

fn tasters(out: &mut String, f: &Agree, words: &Words) {
    let Answer::Known(habits) = &f.habits else { return };
    let known = |answer: &Answer<Estimate>| or_dash(answer, |e| points(e, words));
    let named = |t: &TasterOverall| {
        let all: Vec<String> = t.habits.iter().map(|h| words.habit(&h.kind).to_owned()).collect();
        if all.is_empty() { "–".to_owned() } else { all.join(words.pick(", ", "、")) }
    };
    let rows: Vec<Vec<String>> = habits
        .tasters
        .iter()
        .map(|t| {
            vec![
                t.taster.clone(),
                known(&t.offset),
                within(&t.slope, words),
                within(&t.noise, words),
                named(t),
            ]
        })
        .collect();
    heading(out, words.pick("Taster by taster, against the others", "逐位评茶员，与其他人相比"));
    let heads = words.pick(
        ["Taster", "Offset, points", "Slope (1: as the others)", "Own repeats, sd", "Named habits"],
        ["评茶员", "偏移（分）", "斜率（1：与他人相同）", "自身重复，标准差", "可命名的习惯"],
    );
    table(out, &heads, &rows);
    out.push_str("</section>\n");
}
