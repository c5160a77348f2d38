//! What a plan says of a session, in words: how even its orders are, what was decided about a test.

use blindsteep_stats::discrimination::{Sides, least_correct};

use crate::book::session_files::{
    ANSWERS_A_FLIGHT, Kind, Load, SECONDS_AN_ANSWER, SessionFile, TestPlan,
};
use crate::plots::Lang;
use crate::scores::Method;
use crate::session::Balance;
use crate::session::incomplete::BlockBalance;
use crate::session::orders::Imbalance;
use crate::session::sequences::SequenceBalance;

/// What was decided about a test.
#[must_use]
pub fn decided(plan: &SessionFile, test: &TestPlan, one_sided: bool, lang: Lang) -> String {
    let zh = lang == Lang::Zh;
    let sets: usize = plan.flights.iter().map(|f| f.orders.len()).sum();
    let ranking = plan.kind == Kind::Ranking;
    let n = if ranking { sets * plan.terms.len() } else { sets };
    let mut parts = if zh {
        vec![
            format!("{n} 份{}", if ranking { "排序" } else { "回答" }),
            format!("显著性水平 {}", test.alpha),
        ]
    } else {
        let what = if ranking { "rankings" } else { "answers" };
        vec![format!("{n} {what}"), format!("alpha {}", test.alpha)]
    };
    if let (Some(share), Some(power)) = (test.distinguishers, test.power) {
        parts.push(if zh {
            format!("相似性：若能区分两者的人不超过 {share}，以功效 {power} 察觉")
        } else {
            format!(
                "likeness, if at most {share} of people tell the two apart, which is to be noticed with power {power}"
            )
        });
    }
    if plan.kind == Kind::Paired {
        parts.push(
            match (one_sided, zh) {
                (true, false) => "one-sided; what is expected is sealed in the key",
                (true, true) => "单侧；预期已封存在密钥中",
                (false, false) => "two-sided",
                (false, true) => "双侧",
            }
            .to_owned(),
        );
    }
    if test.ties {
        parts.push(if zh { "允许并列" } else { "cups may share a rank" }.to_owned());
    }
    parts.join(if zh { "；" } else { "; " })
}

/// What a session asks of each taster, and about how long that takes.
#[must_use]
pub fn load(plan: &SessionFile, lang: Lang) -> String {
    let loads = plan.loads();
    let range = |of: &dyn Fn(&Load) -> u64| {
        let all = || loads.iter().map(of);
        let (least, most) = (all().min().unwrap_or(0), all().max().unwrap_or(0));
        if least == most { most.to_string() } else { format!("{least}–{most}") }
    };
    let cups = range(&|l| l.cups as u64);
    let steeping = range(&|l| l.steeping_s.div_ceil(60));
    let zh = lang == Lang::Zh;
    let mut text = if zh {
        format!("每人 {cups} 杯；若逐壶冲泡，仅浸泡即需 {steeping} 分钟。")
    } else {
        format!(
            "Each taster: {cups} cups; steeping alone takes {steeping} min if one pot is brewed after \
             another."
        )
    };
    if loads.iter().all(|l| l.answers == 0) {
        return text;
    }
    let answers = range(&|l| l.answers as u64);
    let minutes = range(&|l| l.answering_s().div_ceil(60));
    text.push_str(&if zh {
        format!(
            "每人 {answers} 个回答，约需 {minutes} 分钟（每个 {SECONDS_AN_ANSWER} 秒：通行做法，无出处）。"
        )
    } else {
        format!(
            " {answers} answers each, about {minutes} min ({SECONDS_AN_ANSWER} s an answer: common \
             practice, no source)."
        )
    });
    text
}

/// Where a flight asks for more answers than attention lasts for: what to do about it.
#[must_use]
pub fn too_much(plan: &SessionFile, lang: Lang) -> Option<String> {
    let most =
        plan.loads().into_iter().filter(Load::is_too_much).map(|l| l.answers_in_a_flight).max()?;
    Some(if lang == Lang::Zh {
        format!(
            "一轮 {most} 个回答，超出注意力所及（约 {ANSWERS_A_FLIGHT} 个：通行做法，无出处）：请只选与问题有关的评语，或每人少评几杯。"
        )
    } else {
        format!(
            "{most} answers in a flight are more than attention lasts for (about {ANSWERS_A_FLIGHT}: \
             common practice, no source): choose the terms that the question is about, or give each \
             taster fewer cups."
        )
    })
}

/// Where a test cannot show a difference whatever is answered.
#[must_use]
pub fn hopeless(
    plan: &SessionFile,
    test: &TestPlan,
    one_sided: bool,
    lang: Lang,
) -> Option<String> {
    let n: usize = plan.flights.iter().map(|f| f.orders.len()).sum();
    let method = Method::of_kind(plan.kind)?;
    let sides = if method == Method::Paired && !one_sided { Sides::Two } else { Sides::One };
    let chance = if method == Method::Triangle { 1.0 / 3.0 } else { 0.5 };
    match least_correct(n as u64, chance, test.alpha, sides) {
        Ok(None) if lang == Lang::Zh => {
            Some(format!("{n} 份回答太少：即使全部答对也不能显示差异。请增加重复或评茶员。"))
        }
        Ok(None) => Some(format!(
            "{} too few: not even all right would show a difference. Plan more --replicates or \
             tasters; `difference {} --answers N` says what N answers can show.",
            if n == 1 { "1 answer is".to_owned() } else { format!("{n} answers are") },
            plan.kind.word()
        )),
        _ => None,
    }
}

/// How even orders are, in words and numbers.
#[must_use]
pub fn balance(balance: &Balance, lang: Lang) -> String {
    match (balance, lang) {
        (Balance::Orders(i), Lang::En) => orders(i),
        (Balance::Blocks(b), Lang::En) => blocks(b),
        (Balance::Sequences(s), Lang::En) => sequences(s),
        (Balance::Orders(i), Lang::Zh) => orders_zh(i),
        (Balance::Blocks(b), Lang::Zh) => blocks_zh(b),
        (Balance::Sequences(s), Lang::Zh) => sequences_zh(s),
    }
}

fn times(least: usize, most: usize) -> String {
    match (least, most) {
        (1, 1) => "once".to_owned(),
        _ if least == most => format!("{least} times"),
        _ => format!("{least} to {most} times"),
    }
}

fn times_zh(least: usize, most: usize) -> String {
    if least == most { format!("{least} 次") } else { format!("{least} 至 {most} 次") }
}

/// The sequences of a difference test.
fn sequences(s: &SequenceBalance) -> String {
    let names = s.sequences.join(" ");
    let times = times(s.least, s.most);
    if s.balanced() {
        format!("sequences balanced: whatever the deal, each of {names} comes {times}")
    } else {
        format!(
            "sequences not balanced, which takes a multiple of {} tasters: over all deals each of \
             {names} comes {times}",
            s.n_for_balance
        )
    }
}

fn sequences_zh(s: &SequenceBalance) -> String {
    let names = s.sequences.join(" ");
    let times = times_zh(s.least, s.most);
    if s.balanced() {
        format!("次序均衡：无论如何分配，{names} 各出现 {times}")
    } else {
        format!("次序未均衡（需评茶员人数为 {} 的倍数）：{names} 各出现 {times}", s.n_for_balance)
    }
}

/// Incomplete blocks.
fn blocks(b: &BlockBalance) -> String {
    let of = |(least, most): (usize, usize)| times(least, most);
    let said = format!(
        "each taster has {} of {} cups; each cup is tasted {}, each two by one taster {}, a cup \
         stands at a place {} and follows another {}",
        b.per_taster,
        b.n_cups,
        of(b.times),
        of(b.together),
        of(b.place),
        of(b.follow)
    );
    match b.n_for_balance {
        _ if b.balanced() => format!("blocks balanced: {said}"),
        Some(n) => format!("blocks not balanced, which takes a multiple of {n} tasters: {said}"),
        None => format!("blocks as near to balance as was found: {said}"),
    }
}

fn blocks_zh(b: &BlockBalance) -> String {
    let of = |(least, most): (usize, usize)| times_zh(least, most);
    let said = format!(
        "每人评 {} 杯（共 {} 杯）；每杯被评 {}，每两杯由同一人评 {}，每杯在每个位置 {}，紧随另一杯 {}",
        b.per_taster,
        b.n_cups,
        of(b.times),
        of(b.together),
        of(b.place),
        of(b.follow)
    );
    match b.n_for_balance {
        _ if b.balanced() => format!("区组均衡：{said}"),
        Some(n) => format!("区组未均衡（需评茶员人数为 {n} 的倍数）：{said}"),
        None => format!("区组已尽量接近均衡：{said}"),
    }
}

/// Complete orders.
fn orders(i: &Imbalance) -> String {
    let times = |least: usize, most: usize| {
        if least == most { format!("{least} times") } else { format!("{least} to {most} times") }
    };
    let places = times(i.place_least, i.place_most);
    let follows = times(i.follow_least, i.follow_most);
    if i.balanced() {
        format!(
            "orders balanced: each cup stands {places} at each place and follows each other {follows}"
        )
    } else {
        format!(
            "orders not balanced, which takes a multiple of {} tasters: a cup stands {places} at a \
             place and follows another {follows} (even would be {:.2})",
            i.n_for_balance,
            i.n_rows as f64 / i.n_cups as f64
        )
    }
}

fn orders_zh(i: &Imbalance) -> String {
    let places = times_zh(i.place_least, i.place_most);
    let follows = times_zh(i.follow_least, i.follow_most);
    if i.balanced() {
        format!("次序均衡：每杯在每个位置 {places}，紧随其他每杯 {follows}")
    } else {
        format!(
            "次序未均衡（需评茶员人数为 {} 的倍数）：每杯在某位置 {places}，紧随另一杯 {follows}（均衡值为 {:.2}）",
            i.n_for_balance,
            i.n_rows as f64 / i.n_cups as f64
        )
    }
}
