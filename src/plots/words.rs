//! The words that charts write themselves.

use super::{Basis, Lang};

/// A number with a true minus sign and at most two decimals, without trailing zeros.
pub(super) fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    let text = if text == "-0" { "0" } else { text };
    text.replace('-', "−")
}

/// A coverage such as 0.95 in percent.
fn percent(lang: Lang, level: f64) -> String {
    let space = if lang == Lang::Zh { " " } else { "" };
    format!("{}{space}%", number(level * 100.0))
}

/// The sentence that says what a chart rests on.
pub(super) fn basis(lang: Lang, basis: &Basis) -> String {
    let (counted, level) = (counted(lang, basis), percent(lang, basis.level));
    match lang {
        Lang::En => format!("{counted} Lines: {level} interval of {}.", basis.of),
        Lang::Zh => format!("{counted}线段：{}的 {level} 区间。", basis.of),
    }
}

/// Of how many tasters and scores a chart is made.
pub(super) fn counted(lang: Lang, basis: &Basis) -> String {
    let Basis { n_tasters, n_scores, .. } = basis;
    match (lang, n_tasters) {
        (Lang::En, 1) => format!("1 taster, n = {n_scores} scores."),
        (Lang::En, _) => format!("{n_tasters} tasters, n = {n_scores} scores."),
        (Lang::Zh, _) => format!("{n_tasters} 位评茶员，n = {n_scores} 个评分。"),
    }
}

/// The sentence of a chart that writes its intervals below their numbers.
pub(super) fn below(lang: Lang, basis: &Basis) -> String {
    let (counted, level) = (counted(lang, basis), percent(lang, basis.level));
    match lang {
        Lang::En => format!("{counted} Below each number: {level} interval of {}.", basis.of),
        Lang::Zh => format!("{counted}各数字下方：{}的 {level} 区间。", basis.of),
    }
}

/// What a screen reader is told of a projection.
pub(super) fn projected(lang: Lang, month: &str, value: &str) -> String {
    match lang {
        Lang::En => format!("projected {month}: {value}"),
        Lang::Zh => format!("推测 {month}：{value}"),
    }
}

/// What a screen reader is told of a difference test.
pub(super) fn answered(
    lang: Lang,
    label: &str,
    (correct, n): (u64, u64),
    (luck, needed): (&str, &str),
) -> String {
    match lang {
        Lang::En => format!("{label}: {correct} of {n}, luck {luck}, needed {needed}."),
        Lang::Zh => format!("{label}：{n} 个中 {correct} 个，偶然值 {luck}，所需 {needed}。"),
    }
}

/// What outlines show.
pub(super) fn regions(lang: Lang, basis: &Basis) -> String {
    let level = percent(lang, basis.level);
    match lang {
        Lang::En => format!("Outlines: {level} region of {}, tasters drawn anew.", basis.of),
        Lang::Zh => format!("轮廓：重新抽取评茶员时{}的 {level} 区域。", basis.of),
    }
}

macro_rules! words {
    ($($(#[$doc:meta])* $name:ident: $en:literal, $zh:literal;)*) => {
        $($(#[$doc])*
        pub(super) fn $name(lang: Lang) -> &'static str {
            match lang {
                Lang::En => $en,
                Lang::Zh => $zh,
            }
        })*
    };
}

words! {
    /// Below a chart with letters of groups.
    letters: "Letters: lots that share a letter were not told apart.", "字母：有相同字母的批次未能区分。";
    /// Between the entries of a list.
    list_gap: "; ", "；";
    /// In place of a remark that is too long for its row.
    see_below: "see below", "见下";
    /// In place of an estimate that is not printed.
    no_estimate: "no estimate", "无估计值";
    /// Below a chart with an open square.
    reference: "Open square: the reference.", "空心方块：参照样。";
    /// Head of the column of offsets.
    offset: "Offset, points", "偏移（分）";
    /// Head of the column of slopes.
    slope: "Slope", "斜率";
    /// Head of the column of noise ratios.
    noise: "Noise, ratio to the panel", "重复误差（与评茶组之比）";
    /// Low end of offsets.
    lower: "scores lower", "打分偏低";
    /// High end of offsets.
    higher: "scores higher", "打分偏高";
    /// Low end of slopes.
    narrower: "narrower scale", "打分幅度偏窄";
    /// High end of slopes.
    wider: "wider scale", "打分幅度偏宽";
    /// Low end of noise.
    steadier: "steadier", "较稳";
    /// High end of noise.
    noisier: "noisier", "较散";
    /// How to read the table of tasters.
    tasters_read: "Each taster against the mean of the others. Dashed: agrees with the others (offset 0, slope 1, noise 1).",
        "每位评茶员与其余人的均值相比。虚线：与其余人一致（偏移 0、斜率 1、重复误差 1）。";
    /// How to read courses.
    courses_read: "Filled: the panel's drift taken off by the reference, on the interval of its distance from the reference. Hollow: as scored.",
        "实心：已按参照样扣除评茶组的漂移，竖线为其与参照样之差的区间。空心：原始评分。";
    /// How to read courses without a reference.
    courses_read_raw: "Hollow: as scored, on its interval.", "空心：原始评分，竖线为其区间。";
    /// How to read a band.
    courses_read_band: "Line and band: the course fitted to the tastings, pointwise.", "曲线与色带：按各次审评拟合的变化，逐点区间。";
    /// How to read the line of the reference.
    courses_read_held: "Dashed across: the reference, held constant.", "横虚线：假定不变的参照样。";
    /// How to read what lies ahead.
    courses_read_ahead: "Dashed on: a projection, its band that of one further tasting.", "延长虚线：推测，色带为再审评一次的区间。";
    /// How to read courses of figures that stand for themselves.
    courses_read_plain: "Each mark is a session, on its interval.", "每个点为一场，竖线为其区间。";
    /// What the axis to the right counts.
    to_the_right: "To the right: ", "横轴：";
    /// How to read then and now.
    then_now_read: "Open: the first tasting. Filled: the last. The change has an interval of its own, without the tasters' offsets.",
        "空心：首次审评。实心：末次审评。变化另有其区间，不含评茶员的偏移。";
    /// Head of the column of changes.
    change: "Change", "变化";
    /// Low end of effects.
    falls: "less", "降低";
    /// High end of effects.
    rises: "more", "升高";
    /// What a screen reader is told of an effect that stands out.
    stands_out: "stands out", "显著";
    /// How to read effects.
    effects_read: "Points of the scale from the least to the largest value made. Filled green: stands out among all that were asked (q below .05). Open: not shown, which does not say that nothing is there.",
        "从实际制作的最小值到最大值，评分的变化（分）。绿色实心点：在所有考察的效应中显著（q 小于 .05）。空心点：未能证实，并不说明没有影响。";
    /// How to read a matrix of effects.
    matrix_read: "Points of the scale from the least to the largest value made. Triangle: stands out among all that were asked (q below .05), pointing up where there is more of it, down where there is less. Dot: not shown, which does not say that nothing is there.",
        "从实际制作的最小值到最大值，评分的变化（分）。三角：在所有考察的效应中显著（q 小于 .05），尖端向上为升高，向下为降低。圆点：未能证实，并不说明没有影响。";
    /// How to read correlations.
    r_read: "Pearson's r over the lots; the larger the mark, the larger |r|. Filled: rise together. Open: one falls as the other rises.",
        "各批次间的皮尔逊相关系数 r；图形越大，|r| 越大。实心：同升同降。空心：一升一降。";
    /// How to read a map.
    map_read: "Lots that lie close together were scored alike. Arrows: terms, pointing to the lots with more of it. Both axes have one scale.",
        "相距近的批次评分相似。箭头：评语，指向该项较高的批次。两轴比例相同。";
    /// How to read courses over steeps.
    steeps_read: "One panel a lot, steeps to the right. Lines: the interval of the level. Grey: the other lots.",
        "每格为一个批次，横轴为冲泡次数。线段：水平的区间。灰线：其余批次。";
    /// What an outline means.
    outlined: "Outlined: these lots cannot tell which of them it was (|r| of .9 or more, or joined by a chain of such).",
        "框内：凭这些批次无法区分是其中哪一项（|r| 达到 .9，或由这样的关系相连）。";
    /// How to read difference tests.
    answers_read: "Dashed: what luck gets on average. Shaded: so many right answers show a difference.",
        "虚线：仅凭运气的平均。着色区：达到这么多正确回答即显出差异。";
    /// Head of the axis of right answers.
    right_answers: "Right answers", "正确回答数";
    /// Head of that axis where either side counts.
    for_the_first: "Answers for the first", "选第一个的回答数";
    /// Head of the axis of those who noticed.
    noticed: "Of 100 answers the difference was noticed in", "每 100 个回答中察觉差异的";
    /// How to read rank sums.
    ranks_read: "Shaded: from the first as far as two rank sums may lie apart by luck, among all pairs at once.",
        "着色区：从首位起，全部配对之中两个名次和凭运气可能相差的范围。";
    /// The end of the axis where there is more.
    most_of_it: "more of it", "较强";
    /// The other end.
    least_of_it: "less of it", "较弱";
    /// Below rankings with letters.
    letters_of_samples: "Letters: samples that share a letter were not told apart.", "字母：有相同字母的茶样未能区分。";
    /// How to read precision.
    precision_read: "Half of the 95 % interval of each effect over its range, in points. Open: with the lots made so far. Filled: with these batches. Dashed: the difference that is to be seen.",
        "各因子全幅效应 95 % 区间的一半（分）。空心：已有批次。实心：加上这些批次。虚线：要看出的差异。";
    /// The right end of that axis.
    less_precise: "less precise", "较不精确";
    /// Below factors that stood still, or moved with another, before.
    no_before: "Without an open mark: with the lots made so far its effect cannot be told.", "无空心点：凭已有批次无法得知其效应。";
}
