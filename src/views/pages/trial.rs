//! What to make next: a proposed trial on one page, and a kept one beside what was made.

use super::Page;
use super::parts::{cautions, figure, head, heading, language, lines_of, list, note, table};
use super::trial_words as said;
use crate::findings::trial::{Moved, Trial, TrialMade};
use crate::findings::{Answer, count};
use crate::views::charts::{Chart, Words};
use crate::views::text::{dash, number, or_dash};

/// So many pairs are shown; the others are in the JSON.
const MOST_PAIRS: usize = 8;
/// Pairs that stay below this before and after are not shown.
const LEAST_R: f64 = 0.5;

/// The page of a proposal, with the charts of the same finding.
#[must_use]
pub fn trial(f: &Trial, drawn: &[Chart], words: &Words) -> Page {
    let title = words.pick("What to make next?", "接下来做什么？");
    let mut out = head(words, title, &basis(f, words));
    list(&mut out, words.pick("In short", "概要"), &said::sentences(f, words));
    batches(&mut out, f, words);
    together(&mut out, f, words);
    for chart in drawn {
        figure(&mut out, chart);
    }
    columns(&mut out, f, words);
    aliases(&mut out, f, words);
    cautions(&mut out, &[], &f.cautions, words);
    // What never varied or is no amount could be no factor: it stands in the JSON.
    let told: Vec<_> =
        f.left_out.iter().filter(|l| l.kind == "lot" || !l.lots.is_empty()).cloned().collect();
    if !told.is_empty() {
        heading(&mut out, words.pick("Left out", "未纳入"));
        lines_of(&mut out, &said::left_out(&told, words), words);
        out.push_str("</section>\n");
    }
    out.push_str("</article>\n");
    Page { title, language: language(words), article: out }
}

fn basis(f: &Trial, words: &Words) -> String {
    if f.lots.is_empty() {
        return words.pick("A trial that stands alone.", "独立的试验，不计已有批次。").to_owned();
    }
    let n = f.lots.len();
    words.pick(
        format!("Builds upon {} made so far.", count(n, "lot", "lots")),
        format!("以已有的 {n} 个批次为基础。"),
    )
}

fn batches(out: &mut String, f: &Trial, words: &Words) {
    let mut heads =
        vec![words.pick("Batch", "批").to_owned(), words.pick("Day", "第几天").to_owned()];
    heads.extend(f.factors.iter().map(|p| words.parameter(&p.parameter)));
    let rows: Vec<Vec<String>> = f
        .batches
        .iter()
        .map(|b| {
            let mut row = vec![b.run.to_string(), b.day.to_string()];
            row.extend(f.factors.iter().map(|p| {
                let unit = p.unit.known().map(String::as_str);
                let level = b.settings.get(&p.parameter);
                level.map_or_else(dash, |l| words.setting(&p.parameter, l, unit))
            }));
            row
        })
        .collect();
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    heading(out, words.pick("The batches, in the order of making", "各批，按制作先后"));
    table(out, &heads, &rows);
    out.push_str("</section>\n");
}

fn together(out: &mut String, f: &Trial, words: &Words) {
    let large = |r: &Answer<f64>| r.known().is_some_and(|r| r.abs() >= LEAST_R);
    let rows: Vec<Vec<String>> = f
        .together
        .iter()
        .filter(|m| m.aside.known().is_none() && (large(&m.before) || large(&m.after)))
        .take(MOST_PAIRS)
        .map(|m: &Moved| {
            let (a, b) = (words.parameter(&m.a), words.parameter(&m.b));
            vec![
                words.pick(format!("{a} and {b}"), format!("{a}与{b}")),
                or_dash(&m.before, |r| number(*r, 2)),
                or_dash(&m.after, |r| number(*r, 2)),
            ]
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    heading(out, words.pick("What moved together", "同步变化的"));
    let heads = words.pick(
        ["Factors", "r before", "r with these batches"],
        ["因子", "此前的 r", "加上这些批次后的 r"],
    );
    table(out, &heads, &rows);
    out.push_str("</section>\n");
}

fn columns(out: &mut String, f: &Trial, words: &Words) {
    let see = words.pick(
        format!("{} seen, of 100 (95 %)", f.wish.see),
        format!("{} 分能看出，每 100 次（95 %）", f.wish.see),
    );
    let heads = words.pick(
        [
            "Factor",
            "Inflation before",
            "Inflation after",
            "Half-width before",
            "Half-width after",
            &see,
        ],
        ["因子", "此前的膨胀", "之后的膨胀", "此前的半宽", "之后的半宽", &see],
    );
    let rows: Vec<Vec<String>> = f
        .columns
        .iter()
        .map(|c| {
            let width = |w: &Answer<f64>| or_dash(w, |w| number(*w, 2));
            let inflation = |v: &Answer<f64>| match v {
                Answer::Known(v) => number(*v, 1),
                Answer::Unknown(u) if u.reason.starts_with("infinite") => {
                    words.pick("infinite", "无穷大").to_owned()
                }
                Answer::Unknown(_) => dash(),
            };
            let power = or_dash(&c.power, |p| {
                let [value, lower, upper] =
                    [p.share.value, p.share.lower, p.share.upper].map(|x| number(100.0 * x, 0));
                words.pick(
                    format!("{value} ({lower} to {upper})"),
                    format!("{value}（{lower} 至 {upper}）"),
                )
            });
            vec![
                words.parameter(&c.column),
                inflation(&c.inflation_before),
                inflation(&c.inflation_after),
                width(&c.half_width_before),
                width(&c.half_width_after),
                power,
            ]
        })
        .collect();
    heading(
        out,
        words.pick(
            "How precise each effect over its range would be, in points",
            "各因子全幅效应的预期精度（分）",
        ),
    );
    table(out, &heads, &rows);
    note(
        out,
        words.pick(
            "Inflation: how many times the variance of an effect is larger than if nothing moved with it. \
             Half-width: of the 95 % interval. Seen: simulated panels in which so large an effect had p < 0.05 \
             in its own test.",
            "膨胀：与无任何同步变化时相比，效应的方差大多少倍。半宽：95 % 区间的一半。能看出：模拟的评茶组中，如此大的效应在单项检验中 p < 0.05 的次数。",
        ),
    );
    out.push_str("</section>\n");
}

fn aliases(out: &mut String, f: &Trial, words: &Words) {
    let Some(told) = f.fraction.known() else { return };
    let colon = words.pick(": ", "：");
    let named = |pair: &String| -> String {
        let all: Vec<String> = pair.split(" × ").map(|p| words.parameter(p)).collect();
        all.join(" × ")
    };
    let items: Vec<String> = told
        .aliases
        .iter()
        .filter(|a| !a.pairs.is_empty())
        .map(|a| {
            let pairs: Vec<String> = a.pairs.iter().map(named).collect();
            format!("{}{colon}{}", words.parameter(&a.factor), pairs.join(words.pick(", ", "、")))
        })
        .collect();
    list(
        out,
        words.pick(
            "What else the effect of a factor may be: two working together",
            "某因子的效应还可能是：两者的共同作用",
        ),
        &items,
    );
    let pairs: Vec<String> =
        told.pairs.iter().map(|p| p.iter().map(named).collect::<Vec<_>>().join(" = ")).collect();
    list(
        out,
        words.pick("Pairs working together that are not told apart", "无法彼此区分的共同作用"),
        &pairs,
    );
}

/// The page of a kept trial: what was planned, what the logs say, what is still to be made.
#[must_use]
pub fn made(f: &TrialMade, words: &Words) -> Page {
    let title = words.pick("A trial: planned and made", "试验：计划与制作");
    let basis = words.pick(
        format!("{}, planned on {}.", f.name, f.planned),
        format!("{}，计划于 {}。", f.name, f.planned),
    );
    let mut out = head(words, title, &basis);
    list(&mut out, words.pick("In short", "概要"), &said::made_sentences(f, words));
    runs(&mut out, f, words);
    list(&mut out, words.pick("Keep in mind", "请注意"), &said::made_cautions(f, words));
    out.push_str("</article>\n");
    Page { title, language: language(words), article: out }
}

/// Run by run, and lot by lot where one was made more than once.
fn runs(out: &mut String, f: &TrialMade, words: &Words) {
    for run in &f.runs {
        let lots = match run.lots.is_empty() {
            true => words.pick("to be made", "尚待制作").to_owned(),
            false => run.lots.join(words.pick(", ", "、")),
        };
        heading(
            out,
            &words.pick(
                format!("Batch {}, day {}: {lots}", run.run, run.day),
                format!("第 {} 批，第 {} 天：{lots}", run.run, run.day),
            ),
        );
        let several = run.lots.len() > 1;
        // Of a batch that is not made nothing is logged.
        let shown = if run.lots.is_empty() { 2 } else { 4 };
        let heads =
            words.pick(["Setting", "Planned", "Logged", "How"], ["参数", "计划", "记录", "情况"]);
        let rows: Vec<Vec<String>> = run
            .settings
            .iter()
            .map(|s| {
                let name = words.parameter(&s.parameter);
                let name = match s.lot.known().filter(|_| several) {
                    Some(lot) => format!("{lot} {name}"),
                    None => name,
                };
                let how = match s.as_planned.known() {
                    Some(true) => words.pick("as planned", "照计划"),
                    Some(false) => words.pick("otherwise", "与计划不同"),
                    None if s.lot.known().is_some() => words.pick("not logged", "未记录"),
                    None => words.pick("to be made", "尚待制作"),
                };
                let mut row = vec![
                    name,
                    words.setting(&s.parameter, &s.planned, s.unit.as_deref()),
                    or_dash(&s.logged, Clone::clone),
                    how.to_owned(),
                ];
                row.truncate(shown);
                row
            })
            .collect();
        table(out, &heads[..shown], &rows);
        out.push_str("</section>\n");
    }
}
