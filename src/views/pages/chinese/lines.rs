//! The lines that are known, English and Chinese; holes are those of the module above.

/// English and Chinese, sorted by what they are about.
pub(super) const LINES: &[(&str, &str)] = &[
    // Where the scores come from.
    ("nobody scored anything.", "没有任何评分。"),
    ("nobody answered anything.", "无人作答。"),
    (
        "served twice in a flight under two codes, pooled as further cups: {l}.",
        "同一轮次中以两个杯号供评，作为另外的杯一并计入：{1}。",
    ),
    ("{l} is the reference.", "参照样为 {1}。"),
    ("{} of {} planned tasters left no answer.", "计划的 {2} 位评茶员中有 {1} 位未作答。"),
    ("which lot was in which cup was not committed beforehand.", "各杯是哪一批次，事先未封存。"),
    ("1 change was made after the lots were known.", "揭盲之后有 1 处改动。"),
    ("{} changes were made after the lots were known.", "揭盲之后有 {1} 处改动。"),
    (
        "{} of {} lots were tasted in several sessions; each counts as one lot here, whatever its age was.",
        "{2} 个批次中有 {1} 个在多场中审评；此处各计为一个批次，不论其存期。",
    ),
    // Few tasters, gaps, pots.
    ("One taster: an individual opinion, not a panel's.", "一位评茶员：个人意见，不代表评茶组。"),
    ("Two tasters: individual opinions, not a panel's.", "两位评茶员：个人意见，不代表评茶组。"),
    ("Three tasters: individual opinions, not a panel's.", "三位评茶员：个人意见，不代表评茶组。"),
    (
        "{} of {} scores that were due {} missing ({t}); {} left out, not taken as 0.",
        "应有的 {2} 个评分中缺 {1} 个（{4}）；缺者不计，不当作 0。",
    ),
    (
        "{} of {} score that was due {} missing ({t}); {} left out, not taken as 0.",
        "应有的 {2} 个评分中缺 {1} 个（{4}）；缺者不计，不当作 0。",
    ),
    (
        "One brew a lot: differences are between pots, not yet between lots.",
        "每批只冲泡一次：差异是壶与壶之间的，尚不能算作批次之间的。",
    ),
    (
        "Which pot a score belongs to is not recorded. If each lot was brewed once, differences are between pots, not yet between lots.",
        "未记录评分属于哪一壶。若每批只冲泡一次，差异是壶与壶之间的，尚不能算作批次之间的。",
    ),
    (
        "Levels are taken as equally far apart in the mixed model; W, alpha and the model of ordered levels use their order only.",
        "混合模型把各级之间视为等距；W、alpha 与有序模型只用其次序。",
    ),
    (
        "The table does not say who scored: every score counts as one observation of its own. If tasters scored several lots, name their column with --taster.",
        "表中未写明由谁评分：每个评分各算一次观测。若评茶员评了多个批次，请写明由谁评分。",
    ),
    (
        "A taster is always compared with the mean of the others; error in that mean pulls slopes down, the corrected slope takes the pull out.",
        "每位评茶员总是与其余人的均值相比；该均值的误差会压低斜率，校正后的斜率已去除此影响。",
    ),
    (
        "One session shows only large habits. Of 200 invented panels (six tasters, six cups twice, twelve terms) all had an offset of 1.3 points named, and a noise of nearly three times the others'; a slope of 0.45 was named in 99, swapped words in none (that needs six lots or more). Of 200 sound panels none was accused.",
        "单独一场只能显出较大的习惯。在 200 个虚构的评茶组（6 位评茶员、6 杯各两次、12 个评语）中，1.3 分的偏移与近三倍于他人的重复误差全部被指出；斜率 0.45 在 99 个中被指出，两词混淆则没有（需六个批次以上）。200 个正常的评茶组无一被误指。",
    ),
    // Why a term is not tested.
    ("categories are not numbers: see kappa and alpha", "分类不是数值：请看 kappa 与 alpha"),
    (
        "ticks are not numbers on a line: see kappa and Cochran's Q",
        "勾选不是标度上的数值：请看 kappa 与科克伦 Q",
    ),
    (
        "ticks and categories have no mean: how often each was given stands in --json",
        "勾选与分类没有均值：各答案的次数见下表",
    ),
    ("there is one lot only, so there is nothing to tell apart", "只有一个批次，无可区分"),
    ("there is one lot only", "只有一个批次"),
    ("there is no score", "没有评分"),
    (
        "its whole interval would lie beyond the end of the scale: the model's error does not hold there",
        "其整个区间都在标度之外：模型的误差在那里不成立",
    ),
    ("no test", "无检验"),
    ("the table does not say who scored", "表中未写明由谁评分"),
    (
        "not every lot's level can be estimated in this layout",
        "在此安排下并非每个批次的水平都能估计",
    ),
    (
        "nothing varies within the lots, so there is no ratio to test",
        "批次之内毫无变化，没有可检验的比值",
    ),
    ("lots are tested where scores are numbers on a scale", "只有标度上的数值才检验批次"),
    // Why scores of one lot differ.
    ("offset: tasters' levels differ by sd {} ({})", "偏移：评茶员水平之间的标准差为 {1}（{2}）"),
    (
        "scale use: tasters spread the same lots by {} to {} of the panel's spread ({})",
        "标度用法：同样的批次，各人拉开的幅度为评茶组的 {1} 至 {2} 倍（{3}）",
    ),
    (
        "disagreement: tasters see the lots differently by sd {} ({})",
        "看法不一：评茶员对批次看法之间的标准差为 {1}（{2}）",
    ),
    (
        "disagreement or scale use: tasters see the lots differently by sd {} ({})",
        "看法不一或标度用法：评茶员对批次看法之间的标准差为 {1}（{2}）",
    ),
    (
        "noise: the same taster scores the same lot anew with sd {} ({})",
        "重复误差：同一评茶员再评同一批次，标准差为 {1}（{2}）",
    ),
    (
        "noise and disagreement, not to be told apart without replicates: sd {} ({})",
        "重复误差与看法不一（没有重复，无法分开）：标准差为 {1}（{2}）",
    ),
    (
        "lots alike: lots differ by sd {}, scores of one lot by sd {}",
        "批次相似：批次之间的标准差为 {1}，同一批次评分的标准差为 {2}",
    ),
    (
        "lots alike: the lots cannot be told apart; scores of one lot differ by sd {}",
        "批次相似：批次无法区分；同一批次评分的标准差为 {1}",
    ),
    ("flight: levels differ by sd {} ({})", "轮次：水平之间的标准差为 {1}（{2}）"),
    ("session: levels differ by sd {} ({})", "场次：水平之间的标准差为 {1}（{2}）"),
    ("day: levels differ by sd {} ({})", "日期：水平之间的标准差为 {1}（{2}）"),
    ("{}: levels differ by sd {} ({})", "供评（{1}）：水平之间的标准差为 {2}（{3}）"),
    // Habits of tasters.
    ("scores {} above the others ({r})", "打分比其余人高 {1} 分（{2}）"),
    ("scores {} below the others ({r})", "打分比其余人低 {1} 分（{2}）"),
    (
        "scores against the others: {} points to one of the others ({r})",
        "打分与其余人相反：其余人变 1 分时变 {1} 分（{2}）",
    ),
    (
        "does not follow the others: one and the same score for all lots of a term",
        "不随他人变化：同一评语的各批次都是同一分",
    ),
    (
        "does not follow the others: {} points to one of the others ({r})",
        "打分不随其余人变化：其余人变 1 分时变 {1} 分（{2}）",
    ),
    (
        "uses less of the scale: {} points to one of the others ({r})",
        "标度用得窄：其余人变 1 分时变 {1} 分（{2}）",
    ),
    (
        "uses more of the scale: {} points to one of the others ({r})",
        "标度用得宽：其余人变 1 分时变 {1} 分（{2}）",
    ),
    (
        "scatters: repeats lie apart by sd {} ({r}), the others' by {r}",
        "重复打分分散：标准差 {1}（{2}），其余人为 {3}",
    ),
    ("moves against the others by {} points a month ({r})", "相对其余人每月移动 {1} 分（{2}）"),
    ("{t}: high where the others are low, r = {} ({r})", "{1}：其余人打低处打高，r = {2}（{3}）"),
    (
        "swaps {t} and {t}: own {t} follows the others' {t} (r = {} against {}), own {t} their {t} (r = {} against {}); {}",
        "混淆“{1}”与“{2}”：本人的{3}随其余人的{4}变化（r = {5}，正配为 {6}），本人的{7}随其余人的{8}变化（r = {9}，正配为 {10}）；{10}",
    ),
    // Triangles, pairs, rankings.
    (
        "What is told apart are the pots that were served. Where each sample was brewed once, and all had the same pots, that is not yet a difference of the samples.",
        "区分的是所供的各壶。若每个茶样只冲泡一次且众人同壶，尚不能算作茶样之间的差异。",
    ),
    (
        "A triangle asks for three cups in a row. With strong, astringent or lingering teas a cup covers the next, and the triangle is of limited use (ISO 4120); a pair needs two cups.",
        "三点检验须连品三杯。茶味浓、涩或余味长时，前杯会掩盖后杯，三点检验的用处有限（ISO 4120）；成对比较检验只需两杯。",
    ),
    (
        "One-sided: only many answers for the expected sample count; the direction must have been stated before the tasting.",
        "单侧：只有选中预期茶样的回答多才算数；方向须在审评之前写明。",
    ),
    (
        "Where nobody can tell, answers of one taster are as good as those of new tasters, so p holds; but fewer people show a true difference less often, and what is said of its size speaks first of them.",
        "若无人能区分，同一评茶员的多次回答与新评茶员的回答等价，故 p 成立；但人数越少，真实差异越不易显出，所给的大小首先只代表这些人。",
    ),
    (
        "Of {} tests luck alone would show a difference in {}.",
        "{1} 项检验中，仅凭运气就会有 {2} 项显出差异。",
    ),
    (
        "1 answer was declined or lost; they are left out, not taken as wrong.",
        "1 个回答为不评或作废，不计，不当作错误。",
    ),
    (
        "{} answers were declined or lost; they are left out, not taken as wrong.",
        "{1} 个回答为不评或作废，不计，不当作错误。",
    ),
    (
        "the direction was not sealed before the tasting; a one-sided p-value is then half of what it should be.",
        "方向在审评之前未封存；单侧 p 值因此只有应有的一半。",
    ),
    (
        "{} answers are too few: not even all right would show a difference at {}",
        "{1} 个回答太少：即使全部正确，也不足以在 {2} 水平上显出差异",
    ),
    ("{} answers are too few for likeness: {} are needed", "{1} 个回答不足以证实相似：需要 {2} 个"),
    (
        "not even 0 right answers would rule out so large a share",
        "即使正确数为 0，也不能排除如此大的比例",
    ),
    (
        "tasters answered more than once, and pooled repeats do not hold for likeness (ISO 10399)",
        "评茶员作答不止一次，合并的重复回答不能用于证实相似（ISO 10399）",
    ),
    (
        "What is put in order are the pots of each flight: where each sample was brewed once, pots differ, not yet samples.",
        "排序的是各轮次的壶：若每个茶样只冲泡一次，差异是壶的，尚不能算作茶样的。",
    ),
    (
        "A sample that had two codes in a flight counts once, with the mean of its ranks.",
        "同一轮次中有两个杯号的茶样只计一次，取其名次的均值。",
    ),
    (
        "Who ranked several sets counts as often: p holds where nobody can tell the samples apart; one taster's own steady order, repeated, can pass for the panel's.",
        "排过多组者按组数计：若无人能区分茶样，p 成立；但一人固定的次序反复出现，可能被当作评茶组的次序。",
    ),
    ("1 cup was not ranked; they are left out, not put last.", "1 杯未排名次，不计，不当作最末。"),
    (
        "{} cups were not ranked; they are left out, not put last.",
        "{1} 杯未排名次，不计，不当作最末。",
    ),
    ("the samples as a whole do not differ", "各茶样整体上没有差异"),
    (
        "samples were not ranked equally often with each other, so that every pair has its own least difference",
        "各茶样同组排名的次数不等，每对各有其最小差异",
    ),
    ("too few tasters repeat for limits", "重复作答的评茶员太少，给不出区间"),
    (
        "the tasters differ in how often they notice, so that there is no one d-prime",
        "各评茶员察觉的频度不同，没有统一的 d′",
    ),
    ("{} samples: an order needs two", "{1} 个茶样：排序至少需要两个"),
    ("no taster put any two samples in order", "没有一位评茶员分出任何两个茶样的先后"),
    (
        "the samples fall into groups that nobody compared with each other",
        "茶样分成若干组，组与组之间无人比较过",
    ),
    // Trials.
    (
        "{p} cannot be chosen and moved with {p} (r {}); if it comes as under the same season before, r stays about {}: what the one seems to do may be the other's work. Measure it.",
        "{1}不能选定，且与{2}同步变化（r {3}）；若仍如以往同季，r 约为 {4}：看似一方的作用，可能出自另一方。请测量并记录。",
    ),
    (
        "{p} was not asked for and moved with {p} (r {}): what the one seems to do may be the other's work.",
        "{1}未列入，且与{2}同步变化（r {3}）：看似一方的作用，可能出自另一方。",
    ),
    ("No factors, since they follow from the others: {o}.", "随其他参数而定，不作因子：{1}。"),
    (
        "What is no factor here (1 parameter that varied: given, outcomes, or not asked for) is not in the simulated model; `link` will have it, so that its intervals may be wider than these.",
        "此处不作因子的（1 个变动过的参数：不能选定、随之而来或未列入）不在模拟模型之中；分析工艺关联时会计入，故其区间可能比这里的宽。",
    ),
    (
        "What is no factor here ({} parameters that varied: given, outcomes, or not asked for) is not in the simulated model; `link` will have it, so that its intervals may be wider than these.",
        "此处不作因子的（{1} 个变动过的参数：不能选定、随之而来或未列入）不在模拟模型之中；分析工艺关联时会计入，故其区间可能比这里的宽。",
    ),
    (
        "The table is large: {} panels were simulated in the stead of {}; --simulations asks for more, which takes longer.",
        "数据量大：只模拟了 {1} 个评茶组，而非 {2} 个。",
    ),
    (
        "No choice of so many batches tells all factors apart; the batches tell apart what can be.",
        "这个批数无论怎样选择都不能分开全部因子；所给批次已分开其中能分开的。",
    ),
    (
        "There are more combinations of levels than can be tried: {} were drawn by lot.",
        "水平的组合太多，无法逐一尝试：随机抽取了 {1} 个。",
    ),
    (
        "Batches of one season stand together; which season comes first is the calendar's. One season is one season: weather, flush and water of that year come with it.",
        "同季的批次排在一起；哪一季在先由时令决定。一季只是一季：当年的天气、采期与用水都随之而来。",
    ),
    (
        "The panel's variance of {v} was found to be 0, which is hardly so: the figures for precision are the better side of what to expect.",
        "评茶组的{1}方差估计为 0，实际未必如此：所给精度偏于乐观。",
    ),
    (
        "A reference that stays the same is taken to be served in every session: without it sessions cannot be compared.",
        "假定每场都供评同一个保持不变的参照样：没有它，各场之间无法比较。",
    ),
    (
        "The log counts, not the plan: write down what was really done. Batches are dealt to days and places by lot; keep that order where leaf and weather let you.",
        "以记录为准，而非计划：请写下实际做法。批次的日期与先后是随机分配的；在鲜叶与天气允许时请照此次序。",
    ),
    (
        "no terms are named with --terms, and none were scored before",
        "未写明针对哪些评语，也没有以往的评分",
    ),
    ("too few sessions or lots speak about it", "涉及它的场次或批次太少"),
    ("it cannot be told apart from the others", "无法与其他因子分开"),
    ("no panel was simulated", "未作模拟"),
    ("no simulated panel gave an interval", "没有一次模拟给出区间"),
    ("the variances were given", "方差是给定的"),
    ("no term is scored on a line", "没有用线性标度评分的评语"),
    ("the panel's variances are not known: {}", "评茶组的方差未知：{1}"),
    ("no lot that is linked has a value", "所用批次都没有此值"),
    ("it is missing for some lots", "部分批次缺此值"),
    ("it never varied: {} in every lot", "从未变动：每批都是 {1}"),
    // What is not linked.
    (
        "ticks and categories have no mean that could rise with a parameter",
        "勾选与分类没有可随参数升降的均值",
    ),
    ("a moment is no amount; what follows from it is", "时刻不是数量；由它得出的才是"),
    ("a mass says how much was made, not how", "质量说明做了多少，而非怎样做"),
    (
        "an area says how much was made; how thick the leaf lay is worked out",
        "面积说明做了多少；摊叶厚度另行算出",
    ),
    ("nothing is recorded of its making in {}", "{1} 中没有其制作记录"),
    (
        "of its making less than half is recorded of what is of most lots",
        "其制作记录不到多数批次的一半",
    ),
    (
        "it was tasted before the day on which it was made: one of the two days is wrong",
        "它的审评早于其制成日期：两个日期有一个不对",
    ),
    ("it was not tasted in these scores", "这些评分中未审评它"),
    (
        "it is of one tea with a lot that is linked, split off from it or with it",
        "它与已纳入的某批次是同一茶，由其分出或一同分出",
    ),
    ("it has no value of all that is to be complete ({})", "要求齐全的各项（{1}）它没有全部的值"),
    (
        "as a reference it was not served in every session that is used",
        "作为参照样，它并非每场都供评",
    ),
    ("it was not asked for", "未要求分析"),
    ("in every lot it is {p} as recorded", "每批都与所记录的{1}相同"),
    (
        "it never varied in the lots that have it: {}; it is missing for",
        "在有此值的批次中从未变动：{1}；缺此值的",
    ),
    (
        "it never varied in the lots that have it: {}; it is missing for some lots",
        "在有此值的批次中从未变动：{1}；部分批次缺此值",
    ),
    ("infinite: the other columns explain it wholly", "无穷大：其他各列可完全推出它"),
    ("no lots were made before", "此前没有批次"),
    ("it does not vary", "没有变动"),
];
