//! Why something is not known, and what to keep in mind of links and of courses: English and Chinese, as in
//! the lines beside.

/// English and Chinese, sorted by what they are about.
pub(super) const REASONS: &[(&str, &str)] = &[
    // Why a model says nothing.
    (
        "all {} scores of {} lots in {} sessions are equal ({}), so there is nothing to tell apart",
        "{2} 个批次在 {3} 场中的 {1} 个评分全部相同（{4}），无可区分",
    ),
    (
        "all {} scores of {} lots are equal ({}), so there is nothing to tell apart",
        "{2} 个批次的 {1} 个评分全部相同（{3}），无可区分",
    ),
    (
        "all {} scores of 1 lot in {} sessions are equal ({}), so there is nothing to tell apart",
        "1 个批次在 {2} 场中的 {1} 个评分全部相同（{3}），无可区分",
    ),
    (
        "all {} scores of 1 lot are equal ({}), so there is nothing to tell apart",
        "1 个批次的 {1} 个评分全部相同（{2}），无可区分",
    ),
    ("its 1 score says nothing of chance", "只有 1 个评分，无从得知偶然"),
    (
        "{} scores for {} lots and fixed effects leave nothing to measure chance by: repeat the lots, or have more tasters",
        "{1} 个评分对 {2} 个批次与固定效应，无从衡量偶然：请重复供评，或增加评茶员",
    ),
    (
        "{} score for {} lot or fixed effect {} nothing to measure chance by: repeat the lots, or have more tasters",
        "{1} 个评分对 {2} 个批次或固定效应，无从衡量偶然：请重复供评，或增加评茶员",
    ),
    (
        "{} scores for {} lot or fixed effect {} nothing to measure chance by: repeat the lots, or have more tasters",
        "{1} 个评分对 {2} 个批次或固定效应，无从衡量偶然：请重复供评，或增加评茶员",
    ),
    (
        "beside what is in the model nothing is left to measure chance by: scores repeat themselves, or there are too few lots, tasters or repeats",
        "模型之外已无可衡量偶然之处：评分彼此重复，或批次、评茶员、重复太少",
    ),
    (
        "{} rows do not suffice for {} fixed effects and a residual",
        "{1} 个评分不足以估计 {2} 个固定效应与残差",
    ),
    ("{} has {} rows where the model has {}", "{1} 有 {2} 行，模型有 {3} 行"),
    ("{} has a value that is not a finite number, in row {}", "{1} 第 {2} 行的值不是有限的数"),
    (
        "random term {} has a level {} but only {} levels",
        "随机项 {1} 有水平 {2}，却只有 {3} 个水平",
    ),
    (
        "the variance of random term {v} cannot be told apart from {v} in this layout",
        "在此安排下，{1}的方差无法与{2}分开",
    ),
    (
        "the fixed effects fit the scores without remainder, so that there is no variance to estimate",
        "固定效应与评分完全吻合，没有可估计的方差",
    ),
    (
        "the random terms leave no residual variance: scores repeat, or there are too few of them for so many terms",
        "随机项之外没有残差方差：评分彼此重复，或相对于项数太少",
    ),
    ("{} is not offered for a layout {}", "此种安排（{2}）不能求{1}"),
    // Ticks and categories.
    ("Cochran's Q is for ticks", "科克伦 Q 只用于勾选"),
    (
        "no taster ticked or left blank every lot, as Cochran's Q needs it",
        "没有一位评茶员对每个批次都勾选或留空，而科克伦 Q 需要如此",
    ),
    (
        "Cochran's Q needs two lots and two tasters who judged every lot",
        "科克伦 Q 需要两个批次，以及两位评过每个批次的评茶员",
    ),
    ("there is no term on a line with tasters", "没有带评茶员的线性标度评语"),
    // Triangles, pairs, rankings.
    (
        "too few answers, or all alike: there is nothing to deal anew",
        "回答太少或全部相同：无可重新分配",
    ),
    ("counts alone name no samples", "只有计数，未写明茶样"),
    ("counts alone name no term", "只有计数，未写明评语"),
    ("no answer is excluded", "没有剔除的回答"),
    ("nobody answered more than once", "无人作答多于一次"),
    ("counts alone do not say which taster was right", "只有计数，看不出哪位评茶员答对"),
    ("infinite: answers that are all alike set no bound to it", "无穷大：回答全部相同，没有上限"),
    ("answers of one taster are not independent of each other", "同一评茶员的回答彼此不独立"),
    ("none at chance and below, or where all answers are alike", "不高于偶然或回答全部相同时没有"),
    ("no share is shown so often by so few answers", "回答这样少，没有任何比例能如此常地显出"),
    (
        "no share of distinguishers that would matter was stated beforehand",
        "未事先写明多大的区分者比例才算重要",
    ),
    ("no share of distinguishers was stated", "未写明区分者的比例"),
    ("how many were right is not given", "未写明答对数"),
    (
        "which sample has more was not stated beforehand, and tasters may notice the difference in either direction",
        "未事先写明哪个茶样更强，而评茶员可能从任一方向察觉差异",
    ),
    ("no term is asked in such a test", "这类检验不问评语"),
    ("no p-value to adjust", "没有可校正的 p 值"),
    (
        "one taster alone: nothing tells how tasters differ",
        "只有一位评茶员：看不出评茶员之间如何不同",
    ),
    ("all answers are alike, so that there is nothing to deal anew", "回答全部相同，无可重新分配"),
    ("one taster alone", "只有一位评茶员"),
    ("no ranking is excluded", "没有剔除的排序"),
    ("nobody ranked it", "无人给它排名次"),
    ("0 answers: a test needs at least one", "没有回答：检验至少需要一个"),
    (
        "{} of {} right: no more can be right than were given",
        "{2} 个中 {1} 个正确：答对数不能多于回答数",
    ),
    ("{} is {}, expected more than 0 and less than 1", "{1} 为 {2}，应大于 0、小于 1"),
    ("more than {} answers would be needed", "需要多于 {1} 个回答"),
    ("block {} names sample {}, but there are only {}", "第 {1} 组有茶样 {2}，但总共只有 {3} 个"),
    ("block {} has sample {} twice", "第 {1} 组中茶样 {2} 出现两次"),
    ("block {} has {} where a finite number was expected", "第 {1} 组有 {2}，应为有限的数"),
    ("too little varies for an interval", "变化太少，给不出区间"),
    (
        "its limits would fall on one point ({}), which is no sign of sureness: nothing varies about it, or its range ends there",
        "上下限会落在同一点（{1}），这并不表示确定：它毫无变化，或其范围止于此",
    ),
    // Links.
    ("there is no parameter that varied and that was asked", "没有既变动过、又要分析的参数"),
    ("no line varies among the lots of this term", "此评语的批次之间没有参数变动"),
    (
        "among the lots that were scored in this term it cannot be told apart from the others",
        "在此评语有评分的批次中，无法与其他参数分开",
    ),
    ("too little varies to measure chance by", "变化太少，无从衡量偶然"),
    // Trials.
    (
        "no scores say what the panel varies by (name sessions or a table, or give --sd lot=0.3,residual=0.8)",
        "没有评分说明评茶组因何而变化（请选场次或表格，或填写标准差）",
    ),
    ("no variances of {t} are known: {}", "{1}的方差未知：{2}"),
    ("it is not scored on a line", "它不用线性标度评分"),
    ("no lot was made for this run yet", "此处理尚未制作批次"),
    // What to keep in mind of links.
    (
        "First tastings were brewed by {l}: a recipe term stands between them.",
        "首次审评的冲泡方法为 {1}：模型中另有冲泡方法一项。",
    ),
    (
        "The lots come from {} sessions and no reference was served in all of them: the sessions' levels are taken as drawn by lot.",
        "批次来自 {1} 场，没有参照样每场都供评：各场水平视为随机。",
    ),
    ("Sessions are taken in the order of their names, {} first.", "场次按名称排序，以 {1} 为首。"),
    (
        "Each lot counts at its first tasting, {r} months after it was made.",
        "每个批次按首次审评计，为制成后 {1} 个月。",
    ),
    (
        "Each lot counts at its first tasting, but these are not of one age: {r} months after making; {l} had waited longer than the youngest by more than a month.",
        "每个批次按首次审评计，但存期不一：制成后 {1} 个月；{2} 比最早审评的多存放一个月以上。",
    ),
    (
        "its first tasting was not brewed by {}, as those of most lots, and neither a sample served by both nor a second lot can tell what the recipe does",
        "其首次审评不像多数批次那样以 {1} 冲泡，既没有两种方法都冲泡过的茶样，也没有第二个批次能说明冲泡方法的影响",
    ),
    (
        "The sessions' levels are those of {l}, which is held not to have changed.",
        "各场的水平以参照样 {1} 为准，并假定其未曾改变。",
    ),
    (
        "{} is taken as numbers in {}, since its cells carry units.",
        "{1} 的单元格带有单位，按以 {2} 计的数读取。",
    ),
    (
        "logged for an arm alone and left out here: {}; what is done to an arm makes a new lot",
        "只为某存放组记录，此处不计：{1}；对存放组所做的会成为新批次",
    ),
    (
        "logged for an arm alone and left out here: {}; what is done to an arm makes a new lot.",
        "只为某存放组记录，此处不计：{1}；对存放组所做的会成为新批次。",
    ),
    ("nothing is known of the parent {}.", "对来源批次 {1} 一无所知。"),
    ("Not asked about, and so not adjusted for: {q}.", "未要求分析，因而未作校正：{1}。"),
    (
        "{q} varied between the {} sessions and hardly within them: what else set those weeks apart (weather, flush, water) cannot be told from it, and only {} sessions speak about it.",
        "{1}：在 {2} 场之间变化，场内几乎不变；那几周的其他不同（天气、采期、用水）无法与其区分，且只有 {3} 场涉及它。",
    ),
    (
        "Varied partly between sessions: {s}. What else set those weeks apart is partly in its effect; its p by exchange stays within the sessions, and so does the effect within sessions beside it.",
        "部分在场次之间变化：{1}。那几周的其他不同有一部分算在其效应之中；其置换检验的 p 只在场内比较，旁边的场内效应也是如此。",
    ),
    (
        "What is tested is a straight line over the range made; a curve, or a best point in between, is told only where it stands out among all that were tried. Nobody dealt the lots to their making by lot, so whatever else changed with a parameter and was not recorded shows as its effect.",
        "所检验的是制作范围内的直线；只有在全部尝试的曲线中显著时，才报告弯曲或最佳点。批次的制作不是随机分配的：凡与某参数同时改变而未记录的，都会显示为该参数的效应。",
    ),
    (
        "{q} came of other steps and stands beside them in the model: what those steps do is told as for lots alike in it.",
        "{1}是其他工序的结果，在模型中与之并列：所说的那些工序的作用，是就它相同的批次而言。",
    ),
    (
        "Lots have very different numbers of scores: what an effect hangs on, its plot and its shape are worked out with each lot counted alike, and only rough.",
        "各批次的评分数相差很大：效应取决于什么、其图与其形状都按每批同等计算，只是粗略的。",
    ),
    (
        "Estimated, not measured, which mostly weakens their own effects and can shift those of others: {m}.",
        "为估计值而非实测，多半会减弱其自身的效应，也可能使其他效应偏移：{1}。",
    ),
    (
        "No lot was brewed more than once (or the scores do not say so): the differences between lots hold those between pots.",
        "没有批次冲泡多于一次（或评分未写明）：批次之间的差异含有壶与壶之间的差异。",
    ),
    (
        "log2 of the hours over 3, each counted {} times as much for 10 °C above 25: that factor is an assumption (q10 in book.toml); about 3 h near 40 °C and 6 to 8 h at 15 to 20 °C come out alike by common practice (no source), which takes one of 1.3 to 1.6.",
        "为发酵小时数除以 3 后以 2 为底的对数，比 25 °C 每高 10 °C 每小时按 {1} 倍计：这一倍数是假定（book.toml 的 q10）；按通常做法（无出处），约 40 °C 下 3 h 与 15 至 20 °C 下 6 至 8 h 结果相当，对应的倍数为 1.3 至 1.6。",
    ),
    // What to keep in mind of courses.
    (
        "The table does not say who scored: every score counts as one observation of its own. Name the column of tasters with --taster.",
        "表中未写明由谁评分：每个评分各算一次观测。请写明由谁评分。",
    ),
    (
        "Corrected means: the reference {} is held to have stayed the same. That is an assumption; the test of two of its packs, above, questions it.",
        "校正均值：假定参照样 {1} 始终不变。这只是假定；上文其两包之间的检验即在质疑它。",
    ),
    (
        "Corrected means: the reference {} is held to have stayed the same. That is an assumption; a triangle test between two of its packs can question it.",
        "校正均值：假定参照样 {1} 始终不变。这只是假定；可用其两包之间的三点检验来质疑它。",
    ),
    (
        "Corrected means: the references {l} are held to have stayed the same. That is an assumption; the test of two of its packs, above, questions it.",
        "校正均值：假定参照样 {1} 始终不变。这只是假定；上文其两包之间的检验即在质疑它。",
    ),
    (
        "Corrected means: the references {l} are held to have stayed the same. That is an assumption; a triangle test between two of its packs can question it.",
        "校正均值：假定参照样 {1} 始终不变。这只是假定；可用其两包之间的三点检验来质疑它。",
    ),
    (
        "No sample was served as reference: drift and ageing cannot be told apart: a change as scored may be the tea's or the panel's. If a sample stayed the same, name it with --reference; for the time to come, freeze one and serve it in every session.",
        "没有供评参照样，无法区分评茶组的漂移与存放变化：评分的变化可能出自茶，也可能出自评茶组。若有茶样始终不变，请在安排场次时选作参照样；今后请冷冻一份，每场供评。",
    ),
    (
        "The reference {} has no score: drift and ageing cannot be told apart: a change as scored may be the tea's or the panel's. If a sample stayed the same, name it with --reference; for the time to come, freeze one and serve it in every session.",
        "参照样 {1} 没有评分，无法区分评茶组的漂移与存放变化：评分的变化可能出自茶，也可能出自评茶组。若有茶样始终不变，请在安排场次时选作参照样；今后请冷冻一份，每场供评。",
    ),
    ("Levels are taken as equally far apart.", "把各级之间视为等距。"),
    (
        "Each sample was brewed once in a session: changes, the month from which one is real and their limits are between pots, not yet between ages. In simulation pots that differed by 0.3 beside scores that scatter by 0.7 made one term in five that does not move show a change: brew each sample twice.",
        "每个茶样每场只冲泡一次：变化、何时起为真实变化及其区间都是壶与壶之间的，尚不能算作存期之间的。在模拟中，壶间差 0.3、评分离散 0.7 时，五个未变的评语中就有一个显出变化：请每个茶样冲泡两壶。",
    ),
    (
        "Which pot a score belongs to is not recorded. If each sample was brewed once in a session, changes, the month from which one is real and their limits are between pots, not yet between ages: pots that differ then show as change.",
        "未记录评分属于哪一壶。若每个茶样每场只冲泡一次，变化、何时起为真实变化及其区间都是壶与壶之间的，尚不能算作存期之间的：壶的不同会显示为变化。",
    ),
    (
        "A course says nothing beyond the last tasting. Its band holds for each month alone, and where no tasting lies the form of the course speaks, not the panel.",
        "曲线对末次审评之后不作说明。其区间带只对各月单独成立；没有审评之处，说话的是曲线的形状，不是评茶组。",
    ),
    (
        "Tasting does not establish that stored tea is safe. Never taste visibly mouldy or musty-smelling leaf; follow local food law and have a licensed laboratory test what is in doubt.",
        "感官审评不能证明存茶安全。有可见霉变或霉味者切勿品尝；请遵守当地食品法规，有疑问者送有资质的实验室检验。",
    ),
];
