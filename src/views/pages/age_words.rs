//! What both pages of `age`, HTML and PDF, say: the same words for the same numbers.

use super::parts::{self, minus, on_a_page, points};
use crate::findings::age::arms::StorePair;
use crate::findings::age::equal_age::{EqualAge, YearLevel, YearTerm};
use crate::findings::age::summary::settled;
use crate::findings::age::{Age, ArmPair, Change, Form, SampleAge, TermCourse, is_shown};
use crate::findings::term_comparison::LevelNumbers;
use crate::findings::{Answer, Estimate, count, say_p};
use crate::plots::Lang;
use crate::sheets::age::Figures;
use crate::views::charts::{Words, months};

/// The question.
pub fn title(words: &Words) -> &'static str {
    words.pick("How do stored lots move?", "存茶如何变化？")
}

/// Lot by lot the tables of its samples and arms; only lots that have any.
pub fn by_lot<'a>(f: &'a Age, words: &Words) -> Vec<(&'a str, Vec<Figures>)> {
    let tables = |lot: &str| -> Vec<Figures> {
        let samples = f.samples.iter().filter(|s| s.lot == lot);
        let pairs = f.arms.iter().filter(|a| a.lot == lot);
        let samples = samples.filter_map(|s| sample(f, s, words));
        samples.chain(pairs.filter_map(|a| arms(a, words))).collect()
    };
    let all = f.lots().into_iter().map(|lot| (lot, tables(lot)));
    all.filter(|(_, tables)| !tables.is_empty()).collect()
}

/// What the page rests on.
pub fn basis(f: &Age, words: &Words) -> String {
    let (n, tasters, scores) = (f.samples.len(), f.tasters.len(), f.n_scores);
    let few = match f.individual_opinions {
        true => words.pick(" Individual opinions.", "仅为个人意见。"),
        false => "",
    };
    let names = f.source.names.join(words.pick(", ", "、"));
    let stop = words.pick(". ", "。");
    let of = if names.is_empty() { String::new() } else { names + stop };
    words.pick(
        format!(
            "{of}{}, {}, {}.{few}",
            count(n, "sample", "samples"),
            count(tasters, "taster", "tasters"),
            count(scores, "score", "scores")
        ),
        format!("{of}{n} 个茶样，{tasters} 位评茶员，{scores} 个评分。{few}"),
    )
}

fn estimate(c: &Change) -> Estimate {
    Estimate { value: c.value, lower: c.lower, upper: c.upper }
}

fn told(c: &Answer<Change>, words: &Words) -> String {
    c.known().map_or_else(|| "–".to_owned(), |c| points(&estimate(c), words))
}

/// The tastings that count together, first and last.
fn span(s: &SampleAge) -> Option<(f64, f64)> {
    let mut pooled = s.tastings.iter().filter(|t| t.pooled.known().is_some()).map(|t| t.month);
    let first = pooled.next()?;
    Some((first, pooled.next_back()?))
}

/// What was found in all, and one line a sample: what moved beyond luck among all that was asked.
pub fn in_short(f: &Age, words: &Words) -> (String, Vec<String>) {
    let asked = f.n_changes_asked;
    let shown = f
        .samples
        .iter()
        .flat_map(|s| &s.terms)
        .filter(|t| t.last_change.known().is_some_and(is_shown))
        .count();
    let told = if asked > 0 {
        words.pick(
            format!(
                "{shown} of {asked} changes from first to last tasting stand out by more than luck among \
                 so many (q below .05), the panel's drift taken off. The others are not shown, which does \
                 not say that nothing moved."
            ),
            format!(
                "扣除评茶组漂移后，首次至末次审评的 {asked} 项变化中有 {shown} 项超出如此多项比较中的偶然（q \
                 小于 .05）。其余未能证实，并不说明没有变化。"
            ),
        )
    } else {
        words.pick(
            "Without a reference that stayed the same, drift of the panel and ageing cannot be told \
             apart: all numbers are as scored.",
            "没有保持不变的参照样，评茶组的漂移与存放变化无法区分：以下均为原始评分。",
        ).to_owned()
    };
    let mut items = Vec::new();
    for s in &f.samples {
        let Some((first, last)) = span(s) else { continue };
        let mut moved: Vec<(&TermCourse, &Change)> = s
            .terms
            .iter()
            .filter_map(|t| Some((t, t.last_change.known().filter(|c| is_shown(c))?)))
            .collect();
        moved.sort_by(|a, b| b.1.value.abs().total_cmp(&a.1.value.abs()));
        if moved.is_empty() {
            continue;
        }
        let all: Vec<String> =
            moved.iter().map(|(t, c)| more_or_less(&words.name(&t.term), c, words)).collect();
        let all = all.join(words.pick(", ", "，"));
        let (from, to) = (months(first), months(last));
        items.push(words.pick(
            format!("{}, month {from} to {to}: {all}.", s.sample),
            format!("{}，第 {from} 至 {to} 个月：{all}。", s.sample),
        ));
    }
    for s in &f.stores {
        let shown = s
            .terms
            .iter()
            .filter_map(|t| Some((t, t.of_such_lots.known().filter(|c| is_shown(c))?)));
        let all: Vec<String> =
            shown.map(|(t, c)| more_or_less(&words.name(&t.term), c, words)).collect();
        if !all.is_empty() {
            let all = all.join(words.pick(", ", "，"));
            items.push(words.pick(
                format!("{} beside {}, {} lots: {all}.", s.a, s.b, s.lots.len()),
                format!("{} 与 {} 相比（{} 批）：{all}。", s.a, s.b, s.lots.len()),
            ));
        }
    }
    for a in f.years.known().into_iter().flat_map(|y| &y.ages) {
        for later in a.years.iter().skip(1) {
            let shown = a.terms.iter().filter_map(|t| {
                let d = t.differences.iter().find(|d| d.year == later.year)?;
                Some((t, d.less, d.difference.known().filter(|c| is_shown(c))?))
            });
            let told: Vec<(i16, String)> = shown
                .map(|(t, less, c)| (less, more_or_less(&words.name(&t.term), c, words)))
                .collect();
            if let Some((less, _)) = told.first() {
                let all: Vec<&str> = told.iter().map(|t| t.1.as_str()).collect();
                let all = all.join(words.pick(", ", "，"));
                let month = months(later.mean_month);
                items.push(words.pick(
                    format!(
                        "Made in {} less {less}, at month {month}, of these lots: {all}.",
                        later.year
                    ),
                    format!(
                        "{} 年减 {less} 年，第 {month} 个月，就这些批次而言：{all}。",
                        later.year
                    ),
                ));
            }
        }
    }
    let once: Vec<&str> =
        f.samples.iter().filter(|s| s.tastings.len() == 1).map(|s| s.sample.as_str()).collect();
    if !once.is_empty() {
        let once = once.join(words.pick(", ", "、"));
        items.push(
            words.pick(format!("Tasted once so far: {once}."), format!("至今仅审评一次：{once}。")),
        );
    }
    (told, items)
}

fn more_or_less(term: &str, c: &Change, words: &Words) -> String {
    let figures = points(&estimate(c), words);
    match (words.lang, c.value < 0.0) {
        (Lang::En, true) => format!("less {term} {figures}"),
        (Lang::En, false) => format!("more {term} {figures}"),
        (Lang::Zh, true) => format!("{term}降低 {figures}"),
        (Lang::Zh, false) => format!("{term}升高 {figures}"),
    }
}

/// How the panel drifted, in sentences and as a table: what was taken off; none without a drift a
/// year.
pub fn drift(f: &Age, words: &Words) -> Option<(Vec<String>, Figures)> {
    let (name, courses) = (f.reference.known()?, f.drift.known()?);
    let drifts: Vec<&TermCourse> =
        courses.iter().filter(|t| t.per_year_raw.known().is_some()).collect();
    if drifts.is_empty() {
        return None;
    }
    let mut told_all = vec![words.pick(
        format!(
            "The reference {name} is held to have stayed the same (an assumption). What its scores moved \
             by is the panel, not tea, and is taken off session by session."
        ),
        format!("假定参照样 {name} 始终不变：其评分的变化来自评茶组而非茶，已逐场扣除。"),
    )];
    if let Some(s) = f.shared_drift.known() {
        let p = &s.per_year;
        let figures = points(&Estimate { value: p.value, lower: p.lower, upper: p.upper }, words);
        let (n, sessions, tau) = (s.terms.len(), s.n_sessions, minus(s.tau));
        told_all.push(match s.tau > 0.0 {
            true => words.pick(
                format!("Over {n} terms and {sessions} sessions together: {figures} points a year; the drifts of terms differ by {tau} (standard deviation)."),
                format!("{n} 个评语、{sessions} 场合计：每年 {figures} 分；各评语的漂移相差 {tau}（标准差）。"),
            ),
            false => words.pick(
                format!("Over {n} terms and {sessions} sessions together: {figures} points a year; the drifts of terms do not differ beyond their errors, so that this is the drift of each."),
                format!("{n} 个评语、{sessions} 场合计：每年 {figures} 分；各评语的漂移之差未超出误差，故视为共同漂移。"),
            ),
        });
    }
    let row = |t: &&TermCourse| {
        let shared = f.shared_drift.known();
        let with = shared.and_then(|s| s.terms.iter().find(|x| x.term == t.term));
        let with = with.map_or_else(
            || "–".to_owned(),
            |x| {
                let e = &x.with_others;
                points(&Estimate { value: e.value, lower: e.lower, upper: e.upper }, words)
            },
        );
        vec![words.name(&t.term), told(&t.per_year_raw, words), with]
    };
    let heads = words.pick(
        ["term", "points a year, by its own scores", "with the other terms as evidence"],
        ["评语", "每年变化（分），仅凭自身评分", "以其他评语为旁证"],
    );
    Some((
        told_all,
        Figures {
            title: String::new(),
            span: String::new(),
            heads: heads.map(str::to_owned).to_vec(),
            rows: drifts.iter().map(row).collect(),
        },
    ))
}

/// The terms of a sample: as scored, what was drift, and what is left; none if it has no change.
pub fn sample(f: &Age, s: &SampleAge, words: &Words) -> Option<Figures> {
    let (first, last) = span(s)?;
    let (from, to) = (months(first), months(last));
    let known =
        |t: &&TermCourse| t.last_change.known().is_some() || t.last_change_raw.known().is_some();
    let rows: Vec<Vec<String>> = s
        .terms
        .iter()
        .filter(known)
        .map(|t| {
            let (sign, said) = match t.last_change.known().filter(|c| is_shown(c)) {
                Some(c) if c.value > 0.0 => ("▲", words.pick(" (more)", "（升高）")),
                Some(_) => ("▼", words.pick(" (less)", "（降低）")),
                None => ("·", ""),
            };
            vec![
                format!("{sign} {}{said}", words.name(&t.term)),
                told(&t.last_change_raw, words),
                told(&t.panel_drift, words),
                told(&t.last_change, words),
                known_of(f, t, words),
            ]
        })
        .collect();
    let heads = words.pick(
        ["term", "as scored", "drift taken off", "change", "what is known of it"],
        ["评语", "原始评分", "扣除的漂移", "变化", "说明"],
    );
    (!rows.is_empty()).then(|| Figures {
        title: s.sample.clone(),
        span: words.pick(
            format!("from month {from} to month {to}"),
            format!("第 {from} 个月至第 {to} 个月"),
        ),
        heads: heads.map(str::to_owned).to_vec(),
        rows,
    })
}

/// Since when, by which form, how fast.
fn known_of(f: &Age, t: &TermCourse, words: &Words) -> String {
    let mut all: Vec<String> = Vec::new();
    if let Some(first) = t.first_real.known() {
        let month = months(first.month);
        all.push(match first.lasts {
            true => words.pick(
                format!("first beyond luck at month {month}, among this term's tastings"),
                format!("在此评语的各次审评中，第 {month} 个月首次超出偶然"),
            ),
            false => words.pick(
                format!(
                    "beyond luck at month {month} among this term's tastings, gone by the last"
                ),
                format!("在此评语的各次审评中，第 {month} 个月超出偶然，末次已不再"),
            ),
        });
    }
    let shown = t.last_change.known().is_some_and(is_shown);
    if let Some(since) = settled(&t.since).filter(|_| shown) {
        let month = months(since.month);
        let (lower, upper) = (minus(since.change.lower), minus(since.change.upper));
        all.push(words.pick(
            format!("change since month {month}: {lower} to {upper}"),
            format!("自第 {month} 个月以来：{lower} 至 {upper}"),
        ));
    }
    if let Some(fit) = t.fit.known().filter(|_| shown) {
        match fit.chosen {
            Form::Straight => {}
            Form::Saturating => all.push(words.pick("levels off", "趋于平缓").to_owned()),
            Form::Smooth => all.push(words.pick("bends", "弯曲").to_owned()),
        }
        if let Some(h) = fit.half_time.known() {
            let (at, low, high) = (months(h.months), months(h.lower), months(h.upper));
            all.push(words.pick(
                format!("half of the change in {at} months ({low} to {high})"),
                format!("{at} 个月（{low} 至 {high}）完成一半变化"),
            ));
        }
    }
    if let (Some(p), Some(held)) = (t.projection.known(), t.held.known()) {
        let (month, level) = (months(p.month), f.settings.level * 100.0);
        let up = Estimate { value: p.value + held, lower: p.lower + held, upper: p.upper + held };
        let (value, lower, upper) = (minus(up.value), minus(up.lower), minus(up.upper));
        all.push(words.pick(
            format!("projected level at month {month}: {value} ({lower} to {upper}, {level:.0}% for one further tasting)"),
            format!("推测第 {month} 个月的水平：{value}（{lower} 至 {upper}，再审评一次的 {level:.0} % 区间）"),
        ));
    }
    all.join(words.pick("; ", "；"))
}

/// Two arms of a lot within sessions; none if they were not scored side by side.
pub fn arms(pair: &ArmPair, words: &Words) -> Option<Figures> {
    let n = pair.terms.iter().map(|t| t.sessions.len()).max().unwrap_or(0);
    let rows: Vec<Vec<String>> = pair
        .terms
        .iter()
        .filter(|t| t.mean.known().is_some())
        .map(|t| vec![format!("{} {}", sign(&t.mean), words.name(&t.term)), told(&t.mean, words)])
        .collect();
    (!rows.is_empty()).then(|| Figures {
        title: words
            .pick(format!("{} less {}", pair.a, pair.b), format!("{} 减 {}", pair.a, pair.b)),
        span: words.pick(
            format!("at equal age within {n} sessions: drift drops out"),
            format!("存期相同、同场（{n} 场）比较：漂移相互抵消"),
        ),
        heads: Vec::new(),
        rows,
    })
}

/// The sign of a change: filled where it is shown among all asked.
fn sign(c: &Answer<Change>) -> &'static str {
    match c.known().filter(|c| is_shown(c)) {
        Some(c) if c.value > 0.0 => "▲",
        Some(_) => "▼",
        None => "·",
    }
}

/// Lots against each other: ways to store, years at equal age, before and after a firing.
pub fn comparisons(f: &Age, words: &Words) -> Vec<Figures> {
    let mut all: Vec<Figures> = f.stores.iter().filter_map(|s| store(s, words)).collect();
    for r in &f.refires {
        let rows: Vec<Vec<String>> = r
            .terms
            .iter()
            .filter(|t| t.difference.known().is_some())
            .map(|t| {
                let name = format!("{} {}", sign(&t.difference), words.name(&t.term));
                vec![name, told(&t.difference, words)]
            })
            .collect();
        if rows.is_empty() {
            continue;
        }
        let n = r.together.len();
        all.push(Figures {
            title: words.pick(
                format!("{} less {}", r.sample, r.parent),
                format!("{} 减 {}", r.sample, r.parent),
            ),
            span: if n > 0 {
                words.pick(
                    format!("after the firing less before, within {n} sessions"),
                    format!("复火后减复火前，同场（{n} 场）"),
                )
            } else {
                words
                    .pick(
                        "after the firing less before, drift taken off",
                        "复火后减复火前，已扣除漂移",
                    )
                    .to_owned()
            },
            heads: Vec::new(),
            rows,
        });
    }
    if let Some(years) = f.years.known() {
        all.extend(years.ages.iter().filter_map(|a| at_equal_age(a, words)));
    }
    all
}

/// Two ways to store over the lots that were split so.
fn store(s: &StorePair, words: &Words) -> Option<Figures> {
    let rows: Vec<Vec<String>> = s
        .terms
        .iter()
        .filter(|t| t.of_these_lots.known().is_some())
        .map(|t| {
            vec![
                format!("{} {}", sign(&t.of_such_lots), words.name(&t.term)),
                told(&t.of_these_lots, words),
                told(&t.of_such_lots, words),
            ]
        })
        .collect();
    let n = s.lots.len();
    let heads = words.pick(
        ["term", "of these lots", "of such lots"],
        ["评语", "就这些批次而言", "就此类批次而言"],
    );
    (!rows.is_empty()).then(|| Figures {
        title: words.pick(format!("{} less {}", s.a, s.b), format!("{} 减 {}", s.a, s.b)),
        span: words.pick(
            format!("{n} lots, at equal age within sessions: drift drops out"),
            format!("{n} 个批次，存期相同、同场比较：漂移相互抵消"),
        ),
        heads: heads.map(str::to_owned).to_vec(),
        rows,
    })
}

/// Lots of different years at one age.
fn at_equal_age(a: &EqualAge, words: &Words) -> Option<Figures> {
    let figure =
        |l: &LevelNumbers| format!("{} ({} – {})", minus(l.value), minus(l.lower), minus(l.upper));
    let differs = |t: &YearTerm| t.differences.iter().any(|d| d.difference.known().is_some());
    let rows: Vec<Vec<String>> = a
        .terms
        .iter()
        .filter(|t| differs(t))
        .map(|t| {
            let shown = t.differences.iter().find(|d| d.difference.known().is_some_and(is_shown));
            let mark = shown.map_or("·", |d| sign(&d.difference));
            let mut row = vec![format!("{mark} {}", words.name(&t.term))];
            let level = |l: &YearLevel| l.level.known().map_or_else(|| "–".to_owned(), figure);
            row.extend(t.levels.iter().map(level));
            row.extend(t.differences.iter().map(|d| told(&d.difference, words)));
            row
        })
        .collect();
    let first = a.terms.iter().find(|t| differs(t))?;
    let lots = |year: i16| a.years.iter().find(|y| y.year == year).map_or(0, |y| y.lots.len());
    let mut heads = vec![words.pick("term", "评语").to_owned()];
    heads.extend(first.levels.iter().map(|l| {
        let n = lots(l.year);
        words.pick(format!("{} ({n} lots)", l.year), format!("{} 年（{n} 批）", l.year))
    }));
    heads.extend(first.differences.iter().map(|d| {
        words.pick(format!("{} less {}", d.year, d.less), format!("{} 减 {}", d.year, d.less))
    }));
    let kind: Vec<&str> = [&a.class, &a.arm].into_iter().flatten().map(String::as_str).collect();
    let kind = kind.join(", ");
    let (from, to) = (months(a.from_month), months(a.to_month));
    Some(Figures {
        title: words.pick("Years at equal age", "不同年份、相同存期").to_owned(),
        span: words.pick(
            format!(
                "{kind}{}month {from} to {to}; of these lots, not of such years",
                if kind.is_empty() { "" } else { ", " }
            ),
            format!(
                "{kind}{}第 {from} 至 {to} 个月；就这些批次而言，并非此类年份",
                if kind.is_empty() { "" } else { "，" }
            ),
        ),
        heads,
        rows,
    })
}

/// Whether packs were told apart: a sentence a test.
pub fn told_apart(f: &Age, words: &Words) -> Vec<String> {
    let Some(tests) = f.told_apart.known() else { return Vec::new() };
    tests
        .iter()
        .map(|t| {
            let [a, b] = &t.samples;
            let luck = minus(t.by_luck);
            let (n, session) = (t.n_answers, &t.session);
            let right = t.n_correct.known().map_or_else(|| "–".to_owned(), u64::to_string);
            let p = t.p_value.known().map_or_else(|| "p –".to_owned(), |p| say_p(*p));
            let power = t.share_with_power_80.known().map(|s| 100.0 * s);
            let more = power.map_or_else(String::new, |s| {
                words.pick(
                    format!(" So many answers show a difference in 4 of 5 such tests only if {s:.0} of 100 people notice it."),
                    format!("如此多的作答，只有当 100 人中有 {s:.0} 人能察觉时，此类检验才会在 5 次中有 4 次显示差异。"),
                )
            });
            words.pick(
                format!("{a} and {b} ({session}): {right} of {n} right, by luck {luck}; {p}.{more}"),
                format!("{a} 与 {b}（{session}）：{n} 次作答中 {right} 次正确，偶然为 {luck}；{p}。{more}"),
            )
        })
        .collect()
}

/// What to keep in mind.
pub fn cautions(f: &Age, words: &Words) -> Vec<String> {
    parts::told(&f.cautions, words).into_iter().map(|(line, _)| on_a_page(&line)).collect()
}
