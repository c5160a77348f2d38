//! Are two samples told apart? The answer of `difference` on one page.

use std::collections::BTreeSet;

use super::Page;
use super::difference_words::{self as said, kind, name};
use super::parts::{cautions, excluded, figure, head, heading, language, list, note, table};
use crate::findings::difference::{DPrime, Difference, DifferenceTest};
use crate::findings::{Answer, count};
use crate::plots::Lang;
use crate::views::charts::{Chart, Words};
use crate::views::text::{number, or_dash, p_value};

/// The page, with the charts of the same finding.
#[must_use]
pub fn difference(f: &Difference, drawn: &[Chart], words: &Words) -> Page {
    let title = words.pick("Are two samples told apart?", "两个茶样能区分吗？");
    let mut out = head(words, title, &basis(f, words));
    list(&mut out, words.pick("In short", "概要"), &said::sentences(f, words));
    for chart in drawn {
        figure(&mut out, chart);
    }
    // Before anybody has tasted all is said above.
    if f.tests.iter().any(|t| t.n_correct.known().is_some()) {
        tests(&mut out, &f.tests, words);
    }
    for t in &f.tests {
        tasters(&mut out, t, words);
        serving(&mut out, t, words);
    }
    cautions(&mut out, &f.source.notes, &f.cautions, words);
    excluded(&mut out, &f.exclusions, words.pick("answers", "个回答"), words);
    heading(&mut out, words.pick("How it was computed", "计算方法"));
    note(
        &mut out,
        words.pick(
            "Exact binomial tests; limits by the exact limits of the share of right answers, where tasters \
             answered more than once by the profile of a beta-binomial. Noticed: of 100 answers those in which \
             the difference was perceived, if the others are guesses. d′: how far apart the samples are, in \
             standard deviations of a single impression.",
            "精确二项检验；区间由正确比例的精确区间换算，评茶员作答不止一次时用贝塔二项分布的剖面似然。察觉：其余为猜测时，100 \
             个回答中察觉差异的个数。d′：两茶样相距多远，以单次印象的标准差为单位。",
        ),
    );
    out.push_str("</section>\n</article>\n");
    Page { title, language: language(words), article: out }
}

fn basis(f: &Difference, words: &Words) -> String {
    let tasters: BTreeSet<&str> =
        f.tests.iter().flat_map(|t| t.tasters.iter().map(|x| x.taster.as_str())).collect();
    let n: u64 = f.tests.iter().map(|t| t.n_answers).sum();
    if f.source.names.is_empty() {
        return words.pick(format!("From counts: {n} answers."), format!("由计数：{n} 个回答。"));
    }
    let names = f.source.names.join(words.pick(", ", "、"));
    let n = usize::try_from(n).unwrap_or(usize::MAX);
    words.pick(
        format!(
            "{names}. {}, {}, {} (one a taster and set of cups).",
            count(f.tests.len(), "test", "tests"),
            count(tasters.len(), "taster", "tasters"),
            count(n, "answer", "answers")
        ),
        format!(
            "{names}。{} 项检验，{} 位评茶员，{n} 个回答（每位评茶员每组杯一个）。",
            f.tests.len(),
            tasters.len()
        ),
    )
}

fn tests(out: &mut String, all: &[DifferenceTest], words: &Words) {
    let with_excluded = all.iter().any(|t| t.p_with_excluded.known().is_some());
    let mut heads = words.pick(
        vec!["Test", "Kind", "Right", "Needed", "p", "Noticed, of 100 (95 %)", "d′ (95 %)"],
        vec!["检验", "方法", "正确", "所需", "p", "察觉，每 100（95 %）", "d′（95 %）"],
    );
    if with_excluded {
        heads.push(words.pick("p with excluded", "计入剔除者的 p"));
    }
    let rows: Vec<Vec<String>> = all
        .iter()
        .map(|t| {
            let noticed = or_dash(&t.distinguishers, |d| {
                let [value, lower, upper] = [d.value, d.lower, d.upper].map(said::percent);
                between(&value, &lower, &upper, words)
            });
            let mut row = vec![
                name(t, words),
                kind(t, words).to_owned(),
                or_dash(&t.n_correct, |k| {
                    words.pick(format!("{k} of {}", t.n_answers), format!("{k}/{}", t.n_answers))
                }),
                or_dash(&t.least, |l| l.correct.to_string()),
                or_dash(&t.p_value, |p| p_value(*p)),
                noticed,
                d_prime(&t.d_prime, words),
            ];
            if with_excluded {
                row.push(or_dash(&t.p_with_excluded, |p| p_value(*p)));
            }
            row
        })
        .collect();
    heading(out, words.pick("The tests", "检验"));
    table(out, &heads, &rows);
    note(
        out,
        words.pick(
            "Needed: so many right answers, or more, show a difference.",
            "所需：达到这么多正确回答即显出差异。",
        ),
    );
    out.push_str("</section>\n");
}

/// A value with its limits.
fn between(value: &str, lower: &str, upper: &str, words: &Words) -> String {
    words.pick(format!("{value} ({lower} to {upper})"), format!("{value}（{lower} 至 {upper}）"))
}

fn d_prime(d: &DPrime, words: &Words) -> String {
    let end = |x: &Answer<f64>| or_dash(x, |x| number(*x, 2));
    or_dash(&d.value, |value| between(&number(*value, 2), &end(&d.lower), &end(&d.upper), words))
}

fn tasters(out: &mut String, t: &DifferenceTest, words: &Words) {
    if t.tasters.iter().all(|x| x.n_answers < 2) {
        return;
    }
    let right = match t.two_sided {
        true => words.pick("For the first", "选第一个"),
        false => words.pick("Right", "正确"),
    };
    let heads = words.pick(
        ["Taster", "Answers", right, "p", "p among all (Holm)"],
        ["评茶员", "回答数", right, "p", "全部中的 p（Holm）"],
    );
    let rows: Vec<Vec<String>> = t
        .tasters
        .iter()
        .map(|x| {
            vec![
                x.taster.clone(),
                x.n_answers.to_string(),
                x.n_correct.to_string(),
                or_dash(&x.p_value, |p| p_value(*p)),
                or_dash(&x.p_holm, |p| p_value(*p)),
            ]
        })
        .collect();
    heading(out, &words.pick(format!("{}: tasters", t.name), format!("{}：评茶员", t.name)));
    table(out, &heads, &rows);
    out.push_str("</section>\n");
}

fn serving(out: &mut String, t: &DifferenceTest, words: &Words) {
    if t.circumstances.is_empty() {
        return;
    }
    let heads =
        words.pick(["Answers by", "Right of answers", "p"], ["按何区分", "正确数/回答数", "p"]);
    let rows: Vec<Vec<String>> = t
        .circumstances
        .iter()
        .map(|c| {
            let colon = if words.lang == Lang::En { ": " } else { "：" };
            let parts: Vec<String> = c
                .parts
                .iter()
                .map(|p| {
                    let name = said::part(c, &p.name, words);
                    format!("{name}{colon}{}/{}", p.n_correct, p.n_answers)
                })
                .collect();
            let p = or_dash(&c.p_value, |p| p_value(*p));
            vec![said::by(c, words), parts.join(words.pick(", ", "，")), p]
        })
        .collect();
    let title = words.pick("did the serving matter?", "供评方式有无影响？");
    heading(out, &words.pick(format!("{}: {title}", t.name), format!("{}：{title}", t.name)));
    table(out, &heads, &rows);
    note(
        out,
        words.pick(
            "p: chance of parts as unlike as these where it does not matter.",
            "p：若无影响，各部分如此不同的概率。",
        ),
    );
    out.push_str("</section>\n");
}
