//! What a trial says, in sentences: the finding's own, or the same in Chinese.

use super::chinese;
use crate::book::trials::MadeBy;
use crate::findings::link::LeftOut;
use crate::findings::trial::{Moved, Trial, TrialMade};
use crate::findings::{ALPHA, Answer, Estimate, count, listed, say};
use crate::plots::Lang;
use crate::views::charts::Words;

/// From this correlation on a pair is told as one that moved together.
const TOLD: f64 = 0.7;
/// So many pairs are told in one sentence.
const MOST_PAIRS: usize = 4;

/// The proposal, sentence by sentence.
pub(super) fn sentences(f: &Trial, words: &Words) -> Vec<String> {
    if words.lang == Lang::En {
        return f.sentences.clone();
    }
    let strong = |m: &&Moved, r: &Answer<f64>| m.aside.known().is_none() && big(r);
    let parted: Vec<&Moved> =
        f.together.iter().filter(|m| strong(m, &m.before) && !big(&m.after)).collect();
    let left: Vec<&Moved> = f.together.iter().filter(|m| strong(m, &m.after)).collect();
    let days = f.batches.last().map_or(0, |b| b.day);
    let make = format!("在 {days} 天{}内制作 {} 批", seasons(f, words), f.batches.len());
    let (lots, factors) = (f.lots.len(), f.factors.len());
    let mut all = vec![match f.made_by {
        MadeBy::Additions if parted.is_empty() => {
            format!("{make}：连同已有的 {lots} 个批次，关于 {factors} 个因子所能得到的信息最多。")
        }
        MadeBy::Additions => {
            format!("{make}：把已有 {lots} 个批次中同步变化的分开：{}。", pairs(&parted, words))
        }
        MadeBy::Fraction => format!(
            "{make}：{}，其中每个因子与其余各因子都保持平衡。",
            f.fraction.known().map_or_else(String::new, |t| match t.resolution.known() {
                Some(r) => format!("部分析因 {}，分辨度 {r}", t.name),
                None => format!("完全析因 {}", t.name),
            })
        ),
        MadeBy::Optimal => format!(
            "{make}：在查看过的 {} 个组合中，它们关于 {factors} 个因子的信息最多（D 效率 {}）。",
            f.n_combinations,
            f.d_efficiency.known().map_or_else(|| "未知".to_owned(), |d| format!("{d:.0} %"))
        ),
    }];
    if !left.is_empty() {
        all.push(format!("之后仍同步变化的：{}。", pairs(&left, words)));
    }
    let lost = lost(f, words);
    if !lost.is_empty() {
        all.push(format!("即便如此仍无法分开的：{}。", lost.join("；")));
    }
    all.extend(power(f, words));
    all.extend(among_many(f, words));
    all
}

/// What cannot be told apart, each pair once.
fn lost(f: &Trial, words: &Words) -> Vec<String> {
    let mut told: Vec<(&str, &str)> = Vec::new();
    let mut all = Vec::new();
    for c in &f.columns {
        let others: Vec<String> = c
            .may_be_after
            .iter()
            .filter(|o| !told.contains(&(o.as_str(), c.column.as_str())))
            .map(|o| words.parameter(o))
            .collect();
        told.extend(c.may_be_after.iter().map(|o| (c.column.as_str(), o.as_str())));
        if !others.is_empty() {
            all.push(format!("{}与{}", words.parameter(&c.column), others.join("、")));
        }
    }
    all
}

/// How many days are of which season, where they are of different ones.
fn seasons(f: &Trial, words: &Words) -> String {
    let Some(season) = f.factors.iter().find(|p| p.kept_together) else { return String::new() };
    let mut days: Vec<(String, Vec<u32>)> = Vec::new();
    for b in &f.batches {
        let Some(level) = b.settings.get(&season.parameter) else { continue };
        let own = words.setting(&season.parameter, level, None);
        match days.last_mut().filter(|(name, _)| *name == own) {
            Some((_, all)) if all.last() == Some(&b.day) => {}
            Some((_, all)) => all.push(b.day),
            None => days.push((own, vec![b.day])),
        }
    }
    if days.len() < 2 {
        return String::new();
    }
    let each: Vec<String> =
        days.iter().map(|(name, all)| format!("{name} {} 天", all.len())).collect();
    format!("（{}）", each.join("，"))
}

fn big(r: &Answer<f64>) -> bool {
    r.known().is_some_and(|r| r.abs() >= TOLD - 1e-9)
}

fn pairs(all: &[&Moved], words: &Words) -> String {
    let each: Vec<String> = all
        .iter()
        .take(MOST_PAIRS)
        .map(|m| {
            let how = match (m.before.known(), m.after.known()) {
                (Some(b), Some(a)) => format!("r {}，之后 {}", say(*b), say(*a)),
                (Some(r), None) | (None, Some(r)) => format!("r {}", say(*r)),
                (None, None) => "未知".to_owned(),
            };
            format!("{}与{}（{how}）", words.parameter(&m.a), words.parameter(&m.b))
        })
        .collect();
    match all.len().saturating_sub(MOST_PAIRS) {
        0 => each.join("；"),
        more => format!("{}；另有 {more} 对", each.join("；")),
    }
}

/// A column with how often it is seen among simulated panels.
fn often((column, s): &(&str, &Estimate), words: &Words) -> String {
    let [value, lower, upper] = [s.value, s.lower, s.upper].map(|x| 100.0 * x);
    format!("{}，每 100 次 {value:.0} 次（{lower:.0} 至 {upper:.0}）", words.parameter(column))
}

/// How surely a difference would be seen: the least and the most surely seen factor.
fn power(f: &Trial, words: &Words) -> Option<String> {
    let unknown = |why: &str| Some(format!("精度未知：{}。", chinese::or_as_it_is(why, words)));
    let panel = match &f.panel {
        Answer::Known(p) => p,
        Answer::Unknown(u) => return unknown(&u.reason),
    };
    let mut known: Vec<(&str, &Estimate)> = f
        .columns
        .iter()
        .filter_map(|c| Some((c.column.as_str(), &c.power.known()?.share)))
        .collect();
    known.sort_by(|a, b| a.1.value.total_cmp(&b.1.value));
    let (Some(least), Some(most)) = (known.first(), known.last()) else {
        let why = f.columns.iter().find_map(|c| c.power.reason());
        return unknown(why.unwrap_or("no panel was simulated"));
    };
    let term = panel.term.known().map_or_else(String::new, |t| {
        let why = match f.wish.about {
            None => "（居中的评语：其余评语的偶然变异一半更大、一半更小）",
            Some(_) => "",
        };
        format!("，以{}的方差计{why}", words.name(t))
    });
    let least = match known.len() {
        1 => String::new(),
        _ => format!("；最没有把握的是{}", often(least, words)),
    };
    Some(format!(
        "有 {} 位评茶员、每批 {} 壶{term}，若全幅效应为 {} 分，能看出（单项检验 p < 0.05）最有把握的是{}{least}。",
        panel.tasters,
        panel.pots,
        f.wish.see,
        often(most, words)
    ))
}

/// How surely it would be shown among all that is planned.
fn among_many(f: &Trial, words: &Words) -> Option<String> {
    let mut known: Vec<(&str, &Estimate)> = Vec::new();
    let mut why = None;
    for c in &f.columns {
        match c.power.known().map(|p| &p.first) {
            Some(Answer::Known(first)) => known.push((c.column.as_str(), first)),
            Some(Answer::Unknown(u)) => why = Some(u.reason.as_str()),
            None => {}
        }
    }
    if let Some(why) = why {
        return Some(format!(
            "计划对比（因子×评语，Holm）多时更不易看出；差多少未知：{}。",
            chinese::or_as_it_is(why, words)
        ));
    }
    let m = *f.contrasts.known().filter(|m| **m > 1)?;
    known.sort_by(|a, b| a.1.value.total_cmp(&b.1.value));
    let (least, most) = (known.first()?, known.last()?);
    let least = match known.len() {
        1 => String::new(),
        _ => format!("；{}", often(least, words)),
    };
    let fewer = match f.wish.terms.is_empty() {
        true => "。现在就写明少数几个评语，要求会低些",
        false => "",
    };
    let p = ALPHA / m as f64;
    let places = (2.0 - p.log10().floor()).max(2.0) as usize;
    let p = format!("{p:.places$}");
    let p = p.trim_end_matches('0');
    Some(format!(
        "在 {m} 项计划对比（因子×评语）之中，Holm 法的第一步要求 p < {p}，达到者：{}{least}{fewer}。",
        often(most, words)
    ))
}

/// What was left out, one line a reason; whether the line is in the reader's language.
pub(super) fn left_out(all: &[LeftOut], words: &Words) -> Vec<(String, bool)> {
    let mut seen: Vec<(&str, &[String], Vec<String>)> = Vec::new();
    for l in all {
        let name = match l.kind.as_str() {
            "parameter" => words.parameter(&l.name),
            "term" => words.name(&l.name),
            _ => l.name.clone(),
        };
        match seen.iter_mut().find(|s| s.0 == l.reason && s.1 == l.lots.as_slice()) {
            Some(known) => known.2.push(name),
            None => seen.push((&l.reason, &l.lots, vec![name])),
        }
    }
    seen.into_iter()
        .map(|(reason, lots, names)| {
            let known = match words.lang {
                Lang::En => None,
                Lang::Zh => chinese::said(reason, words),
            };
            let own = words.lang == Lang::En || known.is_some();
            let reason = known.unwrap_or_else(|| reason.to_owned());
            let comma = words.pick(", ", "、");
            let names = names.join(comma);
            let of = lots.join(comma);
            let told = match (words.lang, lots.is_empty()) {
                (Lang::En, true) => format!("{names}: {reason}."),
                (Lang::En, false) => format!("{names}: {reason} ({of})."),
                (Lang::Zh, true) => format!("{names}：{reason}。"),
                (Lang::Zh, false) => format!("{names}：{reason}（{of}）。"),
            };
            (told, own)
        })
        .collect()
}

/// How far a kept trial is.
pub(super) fn made_sentences(f: &TrialMade, words: &Words) -> Vec<String> {
    let settings = || f.runs.iter().flat_map(|r| &r.settings);
    let mut factors: Vec<String> = Vec::new();
    for s in settings() {
        let name = words.parameter(&s.parameter);
        if !factors.contains(&name) {
            factors.push(name);
        }
    }
    let (n, left) = (f.runs.len(), f.still_to_make.len());
    let runs: Vec<String> = f.still_to_make.iter().map(ToString::to_string).collect();
    let mut all = vec![words.pick(
        format!("{} of: {}.", count(n, "batch", "batches"), factors.join("; ")),
        format!("{n} 批，因子为{}。", factors.join("、")),
    )];
    all.push(match (n - left, left) {
        (0, _) => words.pick("None is made yet.", "尚未制作任何一批。").to_owned(),
        (_, 0) => words
            .pick(
                "All are made. When they are tasted, ask “Which step did it?”.",
                "已全部制作。审评之后，请看“是哪一步工艺造成的？”。",
            )
            .to_owned(),
        (made, _) => words.pick(
            format!("{made} of {n} are made; still to be made: {}.", listed(&runs)),
            format!("{n} 批中已制作 {made} 批；尚待制作：{}。", runs.join("、")),
        ),
    });
    let unlike: Vec<String> = settings()
        .filter(|s| s.as_planned.known() == Some(&false))
        .map(|s| {
            let lot = s.lot.known().map_or("", String::as_str);
            let name = words.parameter(&s.parameter);
            let logged = s.logged.known().map_or("", String::as_str);
            let planned = words.setting(&s.parameter, &s.planned, s.unit.as_deref());
            words.pick(
                format!("{lot}: {name} {logged} in the stead of {planned}"),
                format!("{lot} 的{name}为 {logged}，计划 {planned}"),
            )
        })
        .collect();
    if !unlike.is_empty() {
        all.push(words.pick(
            format!("Made otherwise than planned: {}. The log counts.", unlike.join("; ")),
            format!("与计划不同的：{}。以记录为准。", unlike.join("；")),
        ));
    }
    all
}

/// What to keep in mind of a kept trial.
pub(super) fn made_cautions(f: &TrialMade, words: &Words) -> Vec<String> {
    let mut all = Vec::new();
    let missing: Vec<String> = f
        .runs
        .iter()
        .flat_map(|r| &r.settings)
        .filter(|s| s.logged.known().is_none())
        .filter_map(|s| {
            let (lot, name) = (s.lot.known()?, words.parameter(&s.parameter));
            Some(words.pick(format!("{name} of {lot}"), format!("{lot} 的{name}")))
        })
        .collect();
    if !missing.is_empty() {
        all.push(words.pick(
            format!(
                "Still to be logged: {}. What is missing takes its factor out of the analysis.",
                listed(&missing)
            ),
            format!("尚未记录：{}。缺值会使其因子退出分析。", missing.join("、")),
        ));
    }
    let twice: Vec<String> = f
        .runs
        .iter()
        .filter(|r| r.lots.len() > 1)
        .map(|r| {
            words.pick(
                format!("batch {} as {}", r.run, listed(&r.lots)),
                format!("第 {} 批为 {}", r.run, r.lots.join("、")),
            )
        })
        .collect();
    if !twice.is_empty() {
        all.push(words.pick(
            format!("Made more than once: {}; each lot counts.", twice.join("; ")),
            format!("做过不止一次：{}；每个批次都计入。", twice.join("；")),
        ));
    }
    all
}
