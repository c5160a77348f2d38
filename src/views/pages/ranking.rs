//! Which sample has more? Rankings on one page.

use super::Page;
use super::chinese;
use super::parts::{cautions, excluded, figure, head, heading, language, list, note, table};
use crate::findings::ranking::{RankedTerm, Ranking};
use crate::findings::{ALPHA, Answer, count, say, say_p};
use crate::plots::Lang;
use crate::views::charts::{Chart, Words};
use crate::views::text::{number, or_dash, p_value};

/// The page, with the charts of the same finding.
#[must_use]
pub fn ranking(f: &Ranking, drawn: &[Chart], words: &Words) -> Page {
    let title = words.pick("Which sample has more?", "哪个茶样更强？");
    let mut out = head(words, title, &basis(f, words));
    list(&mut out, words.pick("In short", "概要"), &sentences(f, words));
    for chart in drawn {
        figure(&mut out, chart);
    }
    for t in &f.terms {
        term(&mut out, t, words);
    }
    cautions(&mut out, &f.source.notes, &f.cautions, words);
    excluded(&mut out, &f.exclusions, words.pick("rankings", "组排名"), words);
    heading(&mut out, words.pick("How it was computed", "计算方法"));
    note(
        &mut out,
        words.pick(
            "Friedman's test where every taster ranked all samples, Durbin's in balanced incomplete blocks, \
             Skillings and Mack's elsewhere; p by dealing every taster's ranks anew.",
            "每位评茶员排全部茶样时用 Friedman 检验，平衡不完全区组用 Durbin 检验，其余用 Skillings–Mack 检验；p 由重新随机分配各评茶员的名次得出。",
        ),
    );
    out.push_str("</section>\n</article>\n");
    Page { title, language: language(words), article: out }
}

fn basis(f: &Ranking, words: &Words) -> String {
    let n: usize = f.terms.iter().map(|t| t.n_rankings).sum();
    let few = match f.individual_opinions {
        true => words.pick(" Individual opinions.", "仅为个人意见。"),
        false => "",
    };
    let names = f.source.names.join(words.pick(", ", "、"));
    words.pick(
        format!(
            "{names}. {}, {} (one a taster, set of cups and term).{few}",
            count(f.tasters.len(), "taster", "tasters"),
            count(n, "ranking", "rankings")
        ),
        format!(
            "{names}。{} 位评茶员，{n} 组排名（每位评茶员每组杯每个评语一组）。{few}",
            f.tasters.len()
        ),
    )
}

fn sentences(f: &Ranking, words: &Words) -> Vec<String> {
    if words.lang == Lang::En {
        return f.sentences.clone();
    }
    let mut all: Vec<String> = f.terms.iter().map(|t| sentence(t, words)).collect();
    let n = f.terms.iter().filter(|t| t.test.known().is_some()).count();
    if n > 1 {
        let luck = say(ALPHA * n as f64);
        all.push(format!("{n} 项排名中，仅凭运气就会有 {luck} 项显出差异。"));
    }
    all
}

fn sentence(t: &RankedTerm, words: &Words) -> String {
    let about = format!("{}，{}", t.session, words.name(&t.term));
    let test = match &t.test {
        Answer::Known(test) => test,
        Answer::Unknown(u) => {
            return format!("{about}：未检验，{}。", chinese::or_as_it_is(&u.reason, words));
        }
    };
    let told = format!(
        "{} {}，凭运气平均 {}；{}；{} 组排名",
        test.name,
        say(test.statistic),
        say(test.df),
        say_p(test.p_value),
        t.n_rankings
    );
    if !test.differs {
        return format!("{about}：未显出茶样之间的次序（{told}）。");
    }
    let (n, differing) = (t.pairs.len(), t.pairs.iter().filter(|p| p.differs).count());
    let surest = t.pairs.iter().max_by(|a, b| a.z.total_cmp(&b.z));
    match surest.filter(|p| p.differs) {
        Some(p) => format!(
            "{about}：{n} 对中有 {differing} 对有差异（{told}）；最确定的是 {} 强于 {}（全部配对中 {}）。",
            p.more,
            p.less,
            say_p(p.p_all_pairs)
        ),
        None => format!("{about}：茶样有差异（{told}），但 {n} 对之中没有一对可以确定。"),
    }
}

fn term(out: &mut String, t: &RankedTerm, words: &Words) {
    let heads = words.pick(
        ["Sample", "Rankings", "Rank sum", "Mean rank", "Adjusted", "Letters"],
        ["茶样", "排名组数", "名次和", "平均名次", "调整名次", "字母"],
    );
    let rows: Vec<Vec<String>> = t
        .samples
        .iter()
        .map(|s| {
            vec![
                s.sample.clone(),
                s.n_rankings.to_string(),
                number(s.rank_sum, 1),
                or_dash(&s.mean_rank, |r| number(*r, 2)),
                or_dash(&s.adjusted_mean_rank, |r| number(*r, 2)),
                or_dash(&s.letters, String::clone),
            ]
        })
        .collect();
    let name = words.name(&t.term);
    heading(
        out,
        &words.pick(
            format!("{}, {name}: most of it first (rank 1)", t.session),
            format!("{}，{name}：最强者在前（名次 1）", t.session),
        ),
    );
    table(out, &heads, &rows);
    if t.samples.iter().any(|s| s.n_rankings < t.n_rankings) {
        note(
            out,
            words.pick(
                "Adjusted: as if every ranking had held every sample; it may lie beyond the ranks that were given.",
                "调整名次：假如每组排名都有全部茶样时的名次；可能超出实际给出的名次。",
            ),
        );
    }
    match &t.least_differences {
        Answer::Known(d) => {
            let (one, all) = (number(d.of_a_pair, 1), number(d.of_all_pairs, 1));
            let level = number(d.level, 2);
            note(out, &words.pick(
                format!("Rank sums differ from {one} on for two samples chosen beforehand, from {all} on among all pairs (p {level})."),
                format!("名次和之差：事先选定的两个茶样达到 {one}、全部配对之中达到 {all} 即为有差异（p {level}）。"),
            ));
        }
        Answer::Unknown(u) => why(out, ("No least difference: ", "无最小差异："), &u.reason, words),
    }
    if let Some(reason) = t.samples.iter().find_map(|s| s.letters.reason()) {
        why(out, ("No letters: ", "无字母："), reason, words);
    }
    if let Some(p) = t.p_with_excluded.known() {
        let p = p_value(*p);
        note(
            out,
            &words.pick(
                format!("With excluded rankings left in: p {p}."),
                format!("计入已剔除的排名：p {p}。"),
            ),
        );
    }
    out.push_str("</section>\n");
}

/// Why something is not there.
fn why(out: &mut String, head: (&str, &str), reason: &str, words: &Words) {
    let told = match words.lang {
        Lang::En => format!("{}{reason}.", head.0),
        Lang::Zh => format!("{}{}。", head.1, chinese::or_as_it_is(reason, words)),
    };
    note(out, &told);
}
