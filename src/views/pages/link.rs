//! What goes with what, how sure it is, what cannot be told apart, and what to make next: the
//! answer of `link` on one page.

use std::fmt::Write as _;

use super::Page;
use super::chinese;
use super::parts::{
    cautions, figure, head, heading, language, lines_of, list, points, row_of_heads,
};
use super::trial_words::left_out as left_out_lines;
use crate::book::parameters::Role;
use crate::findings::link::{
    Adjusted, Effect, Form, Line, Link, LinkedTerm, Member, Verdict, plain,
};
use crate::findings::{Estimate, say, say_p};
use crate::sheets::html::escaped;
use crate::views::charts::{self, Chart, Words};

/// The page, with the charts of the same finding.
#[must_use]
pub fn link(f: &Link, drawn: &[Chart], words: &Words) -> Page {
    let title = words.pick("Which step did it?", "是哪一步工艺造成的？");
    let mut out = head(words, title, &basis(f, words));
    // What cannot be told apart stands before what goes with what.
    list(
        &mut out,
        words.pick("What these lots cannot tell apart", "凭这些批次无法区分的"),
        &apart(f, words),
    );
    planned(&mut out, f, words);
    found(&mut out, f, words);
    next(&mut out, f, words);
    foretold(&mut out, f, words);
    charts_of(&mut out, drawn);
    cautions(&mut out, &[], &f.cautions, words);
    left_out(&mut out, f, words);
    out.push_str("</article>\n");
    Page { title, language: language(words), article: out }
}

fn basis(f: &Link, words: &Words) -> String {
    let (lots, tasters, scores) = (f.lots.len(), f.tasters.len(), f.n_scores);
    let names = f.source.names.join(words.pick(", ", "、"));
    let stop = words.pick(". ", "。");
    let of = if names.is_empty() { String::new() } else { names + stop };
    let few = if f.individual_opinions {
        words.pick(" Individual opinions.", "仅为个人意见。")
    } else {
        ""
    };
    words.pick(
        format!(
            "{of}{lots} lots, each at its first tasting; {tasters} tasters, {scores} scores.{few}"
        ),
        format!("{of}{lots} 个批次，各取首次审评；{tasters} 位评茶员，{scores} 个评分。{few}"),
    )
}

/// What stands out, a line after the other, the surest first.
fn found(out: &mut String, f: &Link, words: &Words) {
    heading(out, words.pick("What goes with what", "哪些参数与哪些评语相关"));
    if let Some(why) = f.adjusted.reason() {
        let _ = writeln!(
            out,
            "<p>{}</p>\n</section>",
            escaped(&words.pick(
                format!("Nothing can be linked: {why}."),
                format!("无法建立关联：{}。", chinese::or_as_it_is(why, words)),
            ))
        );
        return;
    }
    let shown = |e: &Effect| e.mark.is_shown() && e.q_value.known().is_some();
    let n_shown = f.terms.iter().flat_map(|t| &t.effects).filter(|e| shown(e)).count();
    let n = f.n_asked;
    let _ = writeln!(
        out,
        "<p>{}</p>",
        escaped(&if n_shown == 0 {
            words.pick(
                format!("Not shown: none of {n} effects asked stands out by more than luck among so many."),
                format!("未能证实：所考察的 {n} 个效应中，没有一个超出如此多项比较中的偶然。"),
            )
        } else {
            words.pick(
                format!(
                    "{n_shown} of {n} effects asked stand out by more than luck among so many (q below \
                     .05). Points of the scale from the least to the largest value made, with {:.0}% \
                     limits. The others are not shown, which does not say that nothing is there.",
                    100.0 * f.settings.level
                ),
                format!(
                    "所考察的 {n} 个效应中有 {n_shown} 个超出如此多项比较中的偶然（q 小于 .05）。数字为从实际\
                     制作的最小值到最大值评分的变化（分），括号内为 {:.0} % 区间。其余未能证实，并不说明没有影响。",
                    100.0 * f.settings.level
                ),
            )
        })
    );
    // The p of the surest, the line's place, and its terms with their p.
    type Group<'a> = (f64, usize, Vec<(f64, &'a LinkedTerm)>);
    let mut groups: Vec<Group<'_>> = Vec::new();
    for i in 0..f.lines.len() {
        let mut own: Vec<(f64, &LinkedTerm)> = f
            .terms
            .iter()
            .filter(|t| shown(&t.effects[i]))
            .filter_map(|t| Some((t.effects[i].test.known()?.p_value, t)))
            .collect();
        own.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((p, _)) = own.first() {
            groups.push((*p, i, own));
        }
    }
    groups.sort_by(|a, b| a.0.total_cmp(&b.0));
    if !groups.is_empty() {
        out.push_str("<div class=\"wide\"><table>\n");
        let heads = words.pick(
            ["in the cup", "points", "among all asked", "how sure"],
            ["杯中表现", "变化（分）", "在全部效应中", "把握程度"],
        );
        row_of_heads(out, &heads);
        for (_, i, own) in groups {
            group(out, &f.lines[i], words);
            for (_, t) in own {
                let e = &t.effects[i];
                let (Some(over), Some(q)) = (e.over_range.known(), e.q_value.known()) else {
                    continue;
                };
                let q = say_p(*q).replacen('p', "q", 1);
                row(out, (&words.name(&t.term), true), over, &q, &how_sure(f, e, words), words);
            }
        }
        let _ = writeln!(
            out,
            "</table></div>\n<p class=\"note\">{}</p>",
            escaped(words.pick(
                "Holds: the interval stays off 0 when any one lot is left out, with each parameter that \
                 moves along put in or taken out, and under other assumptions. Hangs on: it does not \
                 without that. By exchange: the test that deals the lots anew.",
                "稳固：去掉任一批次、加入或去掉任一同步变化的参数、换用其他假设，区间都不含 0。取决于：没有它则\
                 不然。置换检验：将批次重新随机分配的检验。",
            ))
        );
    }
    out.push_str("</section>\n");
}

fn group(out: &mut String, line: &Line, words: &Words) {
    let _ = writeln!(
        out,
        "<tr class=\"of\"><th scope=\"rowgroup\" colspan=\"4\">{} <span class=\"pale\">{}</span></th></tr>",
        escaped(&charts::line_name(line, words)),
        escaped(&charts::line_range(line, words))
    );
}

fn row(
    out: &mut String,
    (term, shown): (&str, bool),
    e: &Estimate,
    q: &str,
    sure: &str,
    words: &Words,
) {
    let (sign, said) = if !shown {
        ("·", "")
    } else if e.value > 0.0 {
        ("▲", words.pick("more", "升高"))
    } else {
        ("▼", words.pick("less", "降低"))
    };
    let _ = writeln!(
        out,
        "<tr><td>{sign} {} <span class=\"pale\">{said}</span></td><td class=\"figure\">{}</td><td \
         class=\"figure\">{}</td><td>{}</td></tr>",
        escaped(term),
        escaped(&points(e, words)),
        escaped(q),
        escaped(sure)
    );
}

/// What strengthens or weakens an effect, in words.
fn how_sure(f: &Link, e: &Effect, words: &Words) -> String {
    let mut all: Vec<String> = Vec::new();
    if let Some(s) = e.sensitivity.known() {
        match s.verdict {
            Verdict::Holds => all.push(words.pick("holds", "稳固").to_owned()),
            Verdict::HangsOn => {
                let names: Vec<String> = s.hangs_on.iter().map(|h| named(f, h, words)).collect();
                let names = names.join(words.pick(", ", "、"));
                all.push(words.pick(format!("hangs on {names}"), format!("取决于{names}")));
            }
            Verdict::NotShown => {}
        }
    }
    if let Some(x) = e.permutation.known() {
        let p = say_p(x.p_value);
        all.push(words.pick(format!("by exchange {p}"), format!("置换检验 {p}")));
    }
    if let Some(w) = e.within_sessions.known() {
        let w = points(w, words);
        all.push(words.pick(format!("within sessions alone {w}"), format!("仅在场内：{w}")));
    }
    if let Some(shape) = e.shape.known().filter(|s| s.seen) {
        all.push(match (shape.chosen, shape.turn.known()) {
            (Form::Bent, Some(turn)) => {
                let at =
                    format!("{} ({}–{})", plain(turn.at), plain(turn.lower), plain(turn.upper));
                match turn.highest {
                    true => words.pick(format!("highest near {at}"), format!("在 {at} 附近最高")),
                    false => words.pick(format!("lowest near {at}"), format!("在 {at} 附近最低")),
                }
            }
            (Form::Bent, None) => words.pick("bends", "弯曲").to_owned(),
            _ => words.pick("levels off", "趋于平缓").to_owned(),
        });
    }
    all.join(words.pick("; ", "；"))
}

/// A lot, or a column by the name of the line it stands in.
fn named(f: &Link, id: &str, words: &Words) -> String {
    f.lines
        .iter()
        .find(|l| l.line == id)
        .map_or_else(|| words.parameter(id), |l| charts::line_name(l, words))
}

/// What a trial was planned for comes before all else.
fn planned(out: &mut String, f: &Link, words: &Words) {
    let Some(p) = f.planned.known() else { return };
    let (name, linked, runs) = (&p.trial, p.n_linked, p.runs.len());
    heading(
        out,
        &words.pick(format!("What the trial {name} asked"), format!("试验“{name}”的问题")),
    );
    let _ = writeln!(
        out,
        "<p>{}</p>\n<div class=\"wide\"><table>",
        escaped(&words.pick(
            format!("{linked} of {runs} runs linked, as their logs say they were made; p among the planned contrasts (Holm)."),
            format!("{runs} 个处理中已关联 {linked} 个，以记录的实际制作为准；p 为计划对比之间的校正值（Holm）。"),
        ))
    );
    for line in &f.lines {
        let own: Vec<_> = p.contrasts.iter().filter(|c| c.line == line.line).collect();
        if own.is_empty() {
            continue;
        }
        group(out, line, words);
        for c in own {
            let (Some(over), Some(p)) = (c.over_range.known(), c.p_holm.known()) else { continue };
            let not = words.pick("not shown", "未能证实");
            let (sure, shown) = if c.shown { ("", true) } else { (not, false) };
            row(out, (&words.name(&c.term), shown), over, &say_p(*p), sure, words);
        }
    }
    out.push_str("</table></div>\n</section>\n");
}

fn apart(f: &Link, words: &Words) -> Vec<String> {
    let mut all = Vec::new();
    let least =
        |members: &mut dyn Iterator<Item = &Member>| members.map(|m| m.r.abs()).fold(1.0, f64::min);
    for line in f.lines.iter().filter(|l| l.rivals().nth(1).is_some()) {
        let name = charts::line_name(line, words);
        let first = line.rivals().next().map_or("", |m| m.column.as_str());
        let how = together(first, least(&mut line.rivals()), words);
        all.push(words.pick(format!("{name}: they {how}."), format!("{name}：{how}。")));
    }
    for line in f.lines.iter().filter(|l| l.came_along().next().is_some()) {
        let (name, how) = (
            words.parameter(&line.line),
            together(&line.line, least(&mut line.came_along()), words),
        );
        let names: Vec<String> = line.came_along().map(|m| words.parameter(&m.column)).collect();
        let names = names.join(words.pick("; ", "；"));
        all.push(words.pick(
            format!("{name}: what came with it ({names}) cannot be told from it, they {how}."),
            format!("{name}：随之而来的（{names}）无法与其区分，{how}。"),
        ));
    }
    for line in f.lines.iter().filter(|l| !l.has_effect && !l.not_told_from.is_empty()) {
        let with: Vec<String> = line.not_told_from.iter().map(|l| named(f, l, words)).collect();
        let (name, with) = (charts::line_name(line, words), with.join(words.pick(", ", "、")));
        all.push(words.pick(
            format!("{name}: not told apart from {with} together."),
            format!("{name}：无法与{with}的共同变化区分。"),
        ));
    }
    if f.adjusted.known() == Some(&Adjusted::OneAtATime) {
        all.push(
            words
                .pick(
                    "Too few lots for so many parameters at once: what looks like one may be any other \
                     that moved with it.",
                    "批次太少，无法同时考察这么多参数：看似某项的影响，也可能来自与其同时变化的其他参数。",
                )
                .to_owned(),
        );
    }
    all
}

/// How closely columns moved with the first.
fn together(first: &str, least: f64, words: &Words) -> String {
    if least >= 1.0 - 1e-9 {
        return words.pick("moved exactly together", "完全同步变化").to_owned();
    }
    words.pick(
        format!("moved together (|r| with {} at least {})", words.parameter(first), say(least)),
        format!("同步变化（与{}的 |r| 至少 {}）", words.parameter(first), say(least)),
    )
}

fn next(out: &mut String, f: &Link, words: &Words) {
    heading(out, words.pick("What to make next", "接下来做什么"));
    out.push_str("<ul>\n");
    let joined: Vec<String> = f
        .lines
        .iter()
        .filter(|l| l.rivals().filter(|m| m.role == Role::Chosen).count() > 1)
        .map(|l| charts::line_name(l, words))
        .collect();
    if joined.is_empty() {
        let _ = writeln!(
            out,
            "<li>{}</li>",
            words.pick(
                "Nothing that was asked is entangled: more lots narrow the limits.",
                "所考察的各项互不纠缠：增加批次可缩小区间。"
            )
        );
    } else {
        let _ = writeln!(
            out,
            "<li>{} <code>blindsteep trial --add 4</code></li>",
            escaped(&words.pick(
                format!(
                    "Four batches that would best tell apart {}: “Next trial” at the desk, or",
                    joined.join("; ")
                ),
                format!("最能区分{}的四个新批次：工作台的“下一试验”，或", joined.join("；"))
            ))
        );
    }
    let mut lots: Vec<&String> = f
        .terms
        .iter()
        .flat_map(|t| &t.effects)
        .filter(|e| e.mark.is_shown())
        .filter_map(|e| e.sensitivity.known()?.without_lot.known())
        .flat_map(|w| w.needed.iter().chain(&w.alone))
        .collect();
    lots.sort();
    lots.dedup();
    if !lots.is_empty() && lots.len() <= 4 {
        let names: Vec<&str> = lots.iter().map(|l| l.as_str()).collect();
        let names = names.join(words.pick(", ", "、"));
        let text = words.pick(
            format!(
                "An effect above hangs on {names}: make another like it before you rely on it."
            ),
            format!("上述某项效应取决于 {names}：在依赖它之前，请再做一批类似的。"),
        );
        let _ = writeln!(out, "<li>{}</li>", escaped(&text));
    }
    out.push_str("</ul>\n</section>\n");
}

/// What all parameters together foretell of a lot that was left out.
fn foretold(out: &mut String, f: &Link, words: &Words) {
    let Some(p) = f.prediction.known() else { return };
    heading(out, words.pick("What the parameters together foretell", "全部参数合起来能预测什么"));
    let (n, all) = (p.n_better, p.terms.len());
    let told = match n {
        0 => words.pick(
            "Of no term is a lot that was left out foretold better than by the mean of the others."
                .to_owned(),
            "没有一个评语能比其余批次的均值更好地预测被留出的批次。".to_owned(),
        ),
        _ => words.pick(
            format!("Of {n} of {all} terms a lot that was left out is foretold better than by the mean of the others:"),
            format!("{all} 个评语中有 {n} 个，对被留出批次的预测优于其余批次的均值："),
        ),
    };
    let _ = writeln!(out, "<p>{}</p>", escaped(&told));
    if n > 0 {
        let heads = words.pick(
            ["term", "missed by, points", "by the mean alone", "p among all terms"],
            ["评语", "预测误差（分）", "仅用均值的误差", "在全部评语中的 p"],
        );
        out.push_str("<div class=\"wide\"><table>\n");
        row_of_heads(out, &heads);
        for t in p.terms.iter().filter(|t| t.better) {
            let _ = write!(out, "<tr><td>{}</td>", escaped(&words.name(&t.term)));
            let figures = [say(t.error), say(t.error_of_mean), say_p(t.p_among_all)];
            for (head, figure) in heads[1..].iter().zip(figures) {
                let (head, figure) = (escaped(head), escaped(&figure));
                let _ = write!(out, "<td class=\"figure\" data-head=\"{head}\">{figure}</td>");
            }
            out.push_str("</tr>\n");
        }
        out.push_str("</table></div>\n");
    }
    out.push_str("</section>\n");
}

fn charts_of(out: &mut String, drawn: &[Chart]) {
    // The effects are in the matrix already.
    for chart in drawn.iter().filter(|c| c.file != "effects.svg") {
        figure(out, chart);
    }
}

/// What was left out, folded away.
fn left_out(out: &mut String, f: &Link, words: &Words) {
    if f.left_out.is_empty() {
        return;
    }
    heading(out, words.pick("Not linked", "未纳入"));
    let of =
        words.pick("lots, parameters and terms, with the reason", "批次、参数与评语，及其理由");
    let _ = writeln!(out, "<details><summary>{} {of}</summary>", f.left_out.len());
    lines_of(out, &left_out_lines(&f.left_out, words), words);
    out.push_str("</details>\n</section>\n");
}
