//! What a difference test says, in sentences: the finding's own, or the same in Chinese.

use super::chinese;
use crate::findings::difference::{Circumstance, Difference, DifferenceTest, Likeness};
use crate::findings::{Answer, say, say_p};
use crate::plots::Lang;
use crate::scores::Method;
use crate::views::charts::Words;

/// What a test is called.
pub(super) fn kind(t: &DifferenceTest, words: &Words) -> &'static str {
    match t.method {
        Method::Triangle => words.pick("triangle", "三点检验"),
        Method::DuoTrio => words.pick("duo-trio", "二-三点检验"),
        Method::Paired if t.two_sided => words.pick("two-sided pair", "成对比较（双侧）"),
        Method::Paired => words.pick("pair", "成对比较（单侧）"),
    }
}

/// What a test is called where it stands: its session, or that it is made of counts.
pub(super) fn name(t: &DifferenceTest, words: &Words) -> String {
    match t.samples.known() {
        Some(_) => t.name.clone(),
        None => words.pick("from counts", "由计数").to_owned(),
    }
}

/// The answer, sentence by sentence.
pub(super) fn sentences(f: &Difference, words: &Words) -> Vec<String> {
    match words.lang {
        Lang::En => f.sentences.clone(),
        Lang::Zh => f.tests.iter().flat_map(|t| test(t, words)).collect(),
    }
}

/// A share as so many of 100.
pub(super) fn percent(share: f64) -> String {
    few(100.0 * share)
}

/// A number with one decimal where it needs one.
pub(super) fn few(x: f64) -> String {
    let text = format!("{x:.1}");
    text.strip_suffix(".0").map_or_else(|| text.clone(), str::to_owned)
}

/// Which test of which samples.
fn about(t: &DifferenceTest, words: &Words) -> String {
    let term = t.term.known().map(|term| format!("，{}", words.name(term))).unwrap_or_default();
    match t.samples.known() {
        Some([a, b]) => format!("{}：{a} 与 {b}{term}：", t.name),
        None => String::new(),
    }
}

fn answers(t: &DifferenceTest) -> String {
    let what = match t.method {
        Method::Triangle => "次三点检验",
        Method::DuoTrio => "次二-三点检验",
        Method::Paired => "次成对比较",
    };
    format!("{} {what}", t.n_answers)
}

fn test(t: &DifferenceTest, words: &Words) -> Vec<String> {
    let Some(k) = t.n_correct.known() else { return plan(t, words) };
    let about = about(t, words);
    let what = if t.two_sided {
        let first = t.samples.known().map_or("第一个茶样", |s| s[0].as_str());
        format!("{}中有 {k} 次选 {first}", answers(t))
    } else {
        format!("{}中 {k} 次正确", answers(t))
    };
    let luck = format!("仅凭运气平均 {}", few(t.by_luck));
    let p = t.p_value.known().map_or_else(String::new, |p| format!("，{}", say_p(*p)));
    let mut all = vec![match t.shown.known() {
        Some(true) => {
            let by_luck = t.least.known().map_or_else(String::new, |l| {
                let often = percent(l.true_alpha);
                format!("；100 次这样的检验中，凭运气达到所需的 {} 的有 {often} 次", l.correct)
            });
            format!("{about}能区分：{what}，{luck}{p}{by_luck}。")
        }
        _ => {
            let needed = match (&t.least, t.two_sided) {
                (Answer::Known(l), false) => format!("；达到 {} 才能证实", l.correct),
                (Answer::Known(l), true) => format!("；任一方达到 {} 才能证实", l.correct),
                (Answer::Unknown(u), _) => format!("；{}", chinese::or_as_it_is(&u.reason, words)),
            };
            format!("{about}未显出差异：{what}，{luck}{p}{needed}。")
        }
    }];
    all.extend(how_much(t, words));
    if t.likeness.known().is_none() && t.shown.known() == Some(&false) {
        all.push(not_the_same(t));
    }
    if let Some(l) = t.likeness.known() {
        all.extend(alike(l, words));
    }
    all.extend(tasters(t));
    let matters = t.circumstances.iter().filter(|c| c.matters);
    all.extend(matters.map(|c| {
        let parts: Vec<String> = c
            .parts
            .iter()
            .map(|p| format!("{} {}/{}", part(c, &p.name, words), p.n_correct, p.n_answers))
            .collect();
        let p = c.p_value.known().map_or_else(String::new, |p| format!("，{}", say_p(*p)));
        format!("{}有影响：{}{p}。", by(c, words), parts.join("、"))
    }));
    all
}

/// By what answers are parted.
pub(super) fn by(c: &Circumstance, words: &Words) -> String {
    let zh = match c.by.as_str() {
        "place of the odd cup" => "不同杯所在的位置",
        "sample that was odd" => "哪个茶样是单杯",
        "place of the cup like the reference" => "与对照相同的杯所在的位置",
        "sample that was the reference" => "哪个茶样作对照",
        "sample that was served first" => "哪个茶样先供",
        "how sure the taster was" => "评茶员有无把握",
        other => other,
    };
    words.pick(c.by.as_str(), zh).to_owned()
}

/// What a part of them is called.
pub(super) fn part(c: &Circumstance, name: &str, words: &Words) -> String {
    let zh = match name {
        "sure" => "有把握".to_owned(),
        "guessing" => "猜测".to_owned(),
        _ if c.by.starts_with("place") => format!("第 {name} 杯"),
        name => name.to_owned(),
    };
    words.pick(name.to_owned(), zh)
}

/// How far apart: only where a difference is shown, since it is read as one.
fn how_much(t: &DifferenceTest, words: &Words) -> Option<String> {
    if t.shown.known() != Some(&true) {
        return None;
    }
    let noticed = t.distinguishers.known().map(|d| {
        let (value, lower, upper) = (percent(d.value), percent(d.lower), percent(d.upper));
        format!("100 个回答中约有 {value} 个察觉了差异（{lower} 至 {upper}）")
    });
    let d = t.d_prime.value.known().map(|d| {
        let limits = match (&t.d_prime.lower, &t.d_prime.upper) {
            (Answer::Known(lower), Answer::Known(upper)) => {
                format!("{} 至 {}", say(*lower), say(*upper))
            }
            (Answer::Known(lower), Answer::Unknown(_)) => format!("至少 {}", say(*lower)),
            (Answer::Unknown(_), Answer::Known(upper)) => format!("至多 {}", say(*upper)),
            (Answer::Unknown(u), Answer::Unknown(_)) => {
                format!("无区间：{}", chinese::or_as_it_is(&u.reason, words))
            }
        };
        format!("d′ {}（{limits}）", say(*d))
    });
    let parts: Vec<String> = noticed.into_iter().chain(d).collect();
    let zero = t.distinguishers.known().is_some_and(|d| d.lower == 0.0);
    let why =
        if zero { "。区间是双侧的，检验是单侧的，故区间可及 0" } else { "" };
    (!parts.is_empty()).then(|| format!("{}{why}。", parts.join("；")))
}

fn not_the_same(t: &DifferenceTest) -> String {
    let upper = t.distinguishers.known().map(|d| {
        format!("100 个回答中仍可能有多达 {} 个察觉差异（95 % 区间上限）", percent(d.upper))
    });
    // The power is that of independent answers.
    let alone = t.repeated.known().is_none();
    let reach = t.reach.share_with_power_80.known().filter(|_| alone).map(|s| {
        format!("{}要在五次中四次显出差异，须 100 人中至少有 {} 人能察觉", answers(t), percent(*s))
    });
    let parts: Vec<String> = upper.into_iter().chain(reach).collect();
    match parts.is_empty() {
        true => "这并不说明两者相同。".to_owned(),
        false => format!("这并不说明两者相同：{}。", parts.join("；")),
    }
}

fn alike(l: &Likeness, words: &Words) -> Option<String> {
    let share = format!("100 人中有 {} 人能察觉差异", percent(l.share));
    match (&l.shown, &l.most_correct) {
        (Answer::Known(true), Answer::Known(most)) => Some(format!(
            "在事先写明的限度内相似：不到{share}（至多允许 {most} 个正确；若{share}，100 次这样的检验中至多 {} 次会如此之少）。",
            percent(l.beta)
        )),
        (Answer::Known(false), Answer::Known(most)) => {
            Some(format!("未能证实相似：正确数超过 {most}，不能排除{share}。"))
        }
        (Answer::Unknown(u), _) | (_, Answer::Unknown(u)) => {
            Some(format!("是否相似不作结论：{}。", chinese::or_as_it_is(&u.reason, words)))
        }
    }
}

fn tasters(t: &DifferenceTest) -> Option<String> {
    let r = t.repeated.known()?;
    let p = r.p_unlike.known().map_or_else(String::new, |p| format!("（{}）", say_p(*p)));
    if !r.unlike {
        return Some(format!(
            "{} 位评茶员作答不止一次；区间已按评茶员之间可能的不同放宽，而这种不同未能证实{p}。",
            r.n_tasters
        ));
    }
    let noticing: Vec<String> = t
        .tasters
        .iter()
        .filter(|x| x.p_holm.known().is_some_and(|p| *p <= t.alpha))
        .map(|x| format!("{}（{} 次中 {} 次）", x.taster, x.n_answers, x.n_correct))
        .collect();
    let who = match noticing.is_empty() {
        true => String::new(),
        false => format!("；确定高于运气的：{}", noticing.join("、")),
    };
    Some(format!("各评茶员察觉差异的频度不同{p}{who}。"))
}

/// Nobody has tasted: what the test can do.
fn plan(t: &DifferenceTest, words: &Words) -> Vec<String> {
    let mut all = Vec::new();
    match &t.least {
        Answer::Known(l) => {
            let of = if t.two_sided { "选同一方" } else { "正确" };
            all.push(format!(
                "{}中，{} 次以上{of}即显出差异；仅凭运气平均 {}，100 次这样的检验中凭运气达到 {} 的有 {} 次。",
                answers(t),
                l.correct,
                few(t.by_luck),
                l.correct,
                percent(l.true_alpha)
            ));
        }
        Answer::Unknown(u) => all.push(format!("{}。", chinese::or_as_it_is(&u.reason, words))),
    }
    match (&t.reach.stated_share, &t.reach.power, t.reach.needed.known()) {
        (Answer::Known(share), Answer::Known(power), needed) => {
            all.push(format!(
                "若 100 人中有 {} 人能察觉差异，其余人猜测，则 100 次这样的检验中有 {} 次显出差异。",
                percent(*share),
                percent(*power)
            ));
            all.extend(needed.map(|n| {
                let from = match n.stable == n.first {
                    true => String::new(),
                    false => format!("起，从 {} 个起任何数目都够（功效呈锯齿状上升）", n.stable),
                };
                format!(
                    "要在 100 次中显出 {} 次，需要 {} 个回答{from}。",
                    percent(n.power),
                    n.first
                )
            }));
        }
        _ => all.extend(t.reach.share_with_power_80.known().map(|s| {
            format!(
                "若 100 人中有 {} 人能察觉差异，其余人猜测，则五次这样的检验中有四次显出差异。",
                percent(*s)
            )
        })),
    }
    if let Some(l) = t.likeness.known() {
        match (&l.most_correct, &l.needed) {
            (_, Answer::Known(needed)) if t.n_answers < needed.first => all.push(format!(
                "要证实相似则太少：证实 100 人中不到 {} 人察觉，需要 {} 个回答。",
                percent(l.share),
                needed.first
            )),
            (Answer::Known(most), _)
                if l.shown.reason().is_none_or(|r| r.contains("not given")) =>
            {
                all.push(format!(
                    "若检验为此而设：至多 {most} 个正确即证实 100 人中不到 {} 人察觉（100 次中误判 {} 次）。",
                    percent(l.share),
                    percent(l.beta)
                ));
            }
            _ => {}
        }
    }
    all
}
