//! Difference tests, rankings and trials as charts.

use std::collections::BTreeSet;

use super::{Chart, Words, footnotes};
use crate::findings::FEW_TASTERS;
use crate::findings::difference::{Difference, DifferenceTest};
use crate::findings::ranking::{RankedTerm, Ranking};
use crate::findings::trial::Trial;
use crate::plots::answers::{AnswerRow, Answers, answers};
use crate::plots::precision::{Precision, PrecisionRow, precision};
use crate::plots::ranks::{RankPanel, RankRow, Ranks, ranks};
use crate::plots::{Estimate, PlotError};
use crate::scores::Method;

/// answers.svg: right answers beside luck, and how many noticed.
///
/// # Errors
/// [`PlotError`], if nobody has answered yet or a name has characters that cannot be shown.
pub fn difference(f: &Difference, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let tasters: BTreeSet<&str> =
        f.tests.iter().flat_map(|t| t.tasters.iter().map(|x| x.taster.as_str())).collect();
    let n: u64 = f.tests.iter().map(|t| t.n_answers).sum();
    let level = format!("{:.0} %", 100.0 * f.settings.level);
    let who = match tasters.len() {
        0 => String::new(),
        k => words.pick(format!("{k} tasters, "), format!("{k} 位评茶员，")),
    };
    let svg = answers(&Answers {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Are two samples told apart?", "两个茶样能区分吗？").to_owned(),
        basis: words.pick(
            format!("{who}n = {n} answers. Line: {level} interval of those who noticed, the others guessing."),
            format!("{who}n = {n} 个回答。线段：察觉者（其余为猜测）的 {level} 区间。"),
        ),
        rows: f.tests.iter().filter_map(|t| row(t, words)).collect(),
        footnotes: footnotes((1..=FEW_TASTERS).contains(&tasters.len()), tasters.len(), words),
    })?;
    Ok(vec![Chart::new("answers.svg", svg)])
}

fn row(t: &DifferenceTest, words: &Words) -> Option<AnswerRow> {
    let kind = match t.method {
        Method::Triangle => words.pick("triangle", "三点检验"),
        Method::DuoTrio => words.pick("duo-trio", "二-三点检验"),
        Method::Paired => words.pick("paired comparison", "成对比较"),
    };
    let term = t.term.known().map(|term| words.name(term));
    let label = match t.samples.known() {
        Some([a, b]) => {
            let kind = match &term {
                Some(term) => words.pick(format!("{kind}, {term}"), format!("{kind}，{term}")),
                None => kind.to_owned(),
            };
            words.pick(
                format!("{a} and {b}: {kind} ({})", t.name),
                format!("{a} 与 {b}：{kind}（{}）", t.name),
            )
        }
        None => kind.to_owned(),
    };
    Some(AnswerRow {
        label,
        n: t.n_answers,
        correct: *t.n_correct.known()?,
        by_luck: t.by_luck,
        needed: t.least.known().map(|l| l.correct),
        two_sided: t.two_sided,
        noticed: t.distinguishers.known().map(|d| Estimate {
            value: 100.0 * d.value,
            lower: 100.0 * d.lower,
            upper: 100.0 * d.upper,
        }),
    })
}

/// ranks.svg: rank sums with the distance from which on samples differ.
///
/// # Errors
/// [`PlotError`], if nothing was ranked or a name has characters that cannot be shown.
pub fn ranking(f: &Ranking, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let n: usize = f.terms.iter().map(|t| t.n_rankings).sum();
    let k = f.tasters.len();
    let svg = ranks(&Ranks {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Which sample has more?", "哪个茶样更强？").to_owned(),
        basis: words.pick(
            format!("{k} tasters, n = {n} rankings. Rank 1: the most of it."),
            format!("{k} 位评茶员，n = {n} 组排名。名次 1：最强。"),
        ),
        panels: f.terms.iter().filter_map(|t| panel(t, words)).collect(),
        footnotes: footnotes(f.individual_opinions, k, words),
    })?;
    Ok(vec![Chart::new("ranks.svg", svg)])
}

/// Rank sums where all samples were ranked equally often, else the mean ranks to be expected then.
fn panel(t: &RankedTerm, words: &Words) -> Option<RankPanel> {
    let n = t.samples.len();
    if n < 2 {
        return None;
    }
    let sums = t.samples.iter().all(|s| s.n_rankings == t.n_rankings) && t.n_rankings > 0;
    let rows = t.samples.iter().map(|s| RankRow {
        label: s.sample.clone(),
        rank: match sums {
            true => Some(s.rank_sum),
            false => s.adjusted_mean_rank.known().copied(),
        },
        letters: s.letters.known().cloned(),
    });
    let times = if sums { t.n_rankings as f64 } else { 1.0 };
    Some(RankPanel {
        label: format!("{}{}{}", words.name(&t.term), words.lang.colon(), t.session),
        axis: match sums {
            true => words.pick("rank sum", "名次和"),
            false => words.pick("mean rank, adjusted", "平均名次（已调整）"),
        }
        .to_owned(),
        range: (times, times * n as f64),
        apart: t.least_differences.known().filter(|_| sums).map(|d| d.of_all_pairs),
        rows: rows.collect(),
    })
}

/// precision.svg: how precise each effect is and would be.
///
/// # Errors
/// [`PlotError`], if no precision is known or a name has characters that cannot be shown.
pub fn trial(f: &Trial, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let basis = f.panel.known().map_or_else(String::new, |p| {
        let term = p.term.known().map_or_else(String::new, |t| {
            let t = words.name(t);
            words.pick(format!(", by the variances of {t}"), format!("，以{t}的方差计"))
        });
        words.pick(
            format!("{} tasters, {} pots a lot{term}.", p.tasters, p.pots),
            format!("{} 位评茶员，每批 {} 壶{term}。", p.tasters, p.pots),
        )
    });
    let svg = precision(&Precision {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("How precise would it be?", "能有多精确？").to_owned(),
        basis,
        see: f.wish.see,
        rows: f
            .columns
            .iter()
            .map(|c| PrecisionRow {
                label: words.parameter(&c.column),
                before: c.half_width_before.known().copied(),
                after: c.half_width_after.known().copied(),
            })
            .collect(),
        footnotes: Vec::new(),
    })?;
    Ok(vec![Chart::new("precision.svg", svg)])
}
