//! What the book's descriptions hold, as forms: tasters, terms, parameters, recipes, plans, the book itself,
//! and what a lot is.

use super::tables::{Field, Holds};
use super::{classes, words};
use crate::book::BookError;
use crate::book::parameters::ParameterKind;
use crate::book::reading::{PARAMETERS, RECIPES, TASTERS, VOCABULARY};
use crate::book::retasting::RETASTING;
use crate::desk::App;
use crate::desk::say::Say;

/// A kind of thing that a description holds many of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Thing {
    /// Somebody who tastes.
    Taster,
    /// A group of terms.
    Family,
    /// A word of the panel.
    Term,
    /// Something recorded of a step.
    Parameter,
    /// How cups are brewed.
    Recipe,
    /// When stored lots are tasted again.
    Plan,
}

impl Thing {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Taster, Self::Family, Self::Term, Self::Parameter, Self::Recipe, Self::Plan];

    /// Its name in the file, and in addresses.
    pub fn name(self) -> &'static str {
        match self {
            Self::Taster => "taster",
            Self::Family => "family",
            Self::Term => "term",
            Self::Parameter => "parameter",
            Self::Recipe => "recipe",
            Self::Plan => "plan",
        }
    }

    /// The file that it stands in.
    pub fn file(self) -> &'static str {
        match self {
            Self::Taster => TASTERS,
            Self::Family | Self::Term => VOCABULARY,
            Self::Parameter => PARAMETERS,
            Self::Recipe => RECIPES,
            Self::Plan => RETASTING,
        }
    }

    /// The page that lists them.
    pub fn page(self) -> &'static str {
        match self {
            Self::Taster => "/setup/tasters",
            Self::Family | Self::Term => "/setup/vocabulary",
            Self::Parameter => "/setup/parameters",
            Self::Recipe => "/setup/recipes",
            Self::Plan => "/setup/retasting",
        }
    }

    /// What one is called.
    pub fn word(self, say: Say) -> &'static str {
        match self {
            Self::Taster => say.of("Taster", "评茶员"),
            Self::Family => say.of("Family of terms", "评语组"),
            Self::Term => say.of("Term", "评语"),
            Self::Parameter => say.of("Parameter", "参数"),
            Self::Recipe => say.of("Recipe", "冲泡方法"),
            Self::Plan => say.of("Retasting plan", "复评计划"),
        }
    }

    /// What a form says above its fields.
    pub fn note(self, say: Say) -> &'static str {
        match self {
            Self::Taster => say.of(
                "The id stands on ballots; the name never leaves the book unless asked. Whoever leaves gets a last day and stays in the list.",
                "编号用于评茶单；姓名除非要求不会离开本册。离开者填写离开日期，仍留在名单中。",
            ),
            Self::Term => say.of(
                "A term is never deleted once a session has asked it: it is retired, or merged into another. Sessions keep the words with which they asked.",
                "用过的评语不删除：停用，或并入另一评语。各场次保留当时所用的文字。",
            ),
            Self::Parameter => say.of(
                "A parameter is never deleted once a lot has used it. What its values are, and their unit, cannot change against what lots have logged.",
                "批次用过的参数不删除；其类型与单位不能与已有记录相悖。",
            ),
            Self::Recipe => say.of(
                "Cups of different recipes are never pooled without saying so. Sessions keep the recipe with which they brewed.",
                "不同冲泡方法的茶汤不会不加说明地合并。各场次保留当时的冲泡方法。",
            ),
            Self::Plan => say.of(
                "Of several plans that fit, the most special one counts. A span is 10d, 2w, 6m or 1y.",
                "若有多项计划适用，以最具体者为准。时长写作 10d、2w、6m 或 1y（日、周、月、年）。",
            ),
            Self::Family => say.of("Terms are asked in the order of their families.", "评语按组的顺序列出。"),
        }
    }

    /// Its fields, but for its id.
    ///
    /// # Errors
    /// If the book's other files, from which some fields choose, have mistakes.
    pub fn fields(self, app: &App, say: Say) -> Result<Vec<Field>, BookError> {
        Ok(match self {
            Self::Taster => taster(say),
            Self::Family => {
                vec![Field::new("labels", say.of("Heading", "标题"), "", Holds::Labels)]
            }
            Self::Term => term(app, say)?,
            Self::Parameter => parameter(say),
            Self::Recipe => recipe(say),
            Self::Plan => plan(app, say)?,
        })
    }
}

fn none(say: Say) -> (String, String) {
    (String::new(), say.of("none", "无").to_owned())
}

fn taster(say: Say) -> Vec<Field> {
    vec![
        Field::new("name", say.of("Name", "姓名"), "", Holds::Text),
        Field::new("joined", say.of("Joined on", "加入日期"), "", Holds::Day),
        Field::new("left", say.of("Left on", "离开日期"), "", Holds::Day),
        Field::new("notes", say.of("Notes", "备注"), "", Holds::Long),
    ]
}

fn term(app: &App, say: Say) -> Result<Vec<Field>, BookError> {
    let vocabulary = app.cache.vocabulary()?;
    let v = &vocabulary.value;
    let key = say.key();
    let families =
        v.families.iter().map(|f| (f.id.clone(), f.labels.or(key, &f.id).to_owned())).collect();
    let mut terms = vec![none(say)];
    terms.extend(v.terms.iter().map(|t| (t.id.clone(), t.label(key).to_owned())));
    Ok(vec![
        Field::new("labels", say.of("Word", "名称"), "", Holds::Labels),
        Field::new("family", say.of("Family", "评语组"), "", Holds::OneOf(families)),
        Field::new(
            "definition",
            say.of("Definition", "定义"),
            say.of("what is meant by it", "其含义"),
            Holds::Labels,
        ),
        Field::new(
            "reference",
            say.of("Training reference", "训练参照物"),
            say.of("what it is trained on", "训练时所用的实物"),
            Holds::Text,
        ),
        Field::new(
            "scale",
            say.of("Scale", "标度"),
            say.of(
                "another scale than that of earlier sessions cannot be compared with them",
                "标度改变后不能与以前的场次比较",
            ),
            Holds::Scale,
        ),
        Field::new(
            "classes",
            say.of("For these classes of tea only", "仅用于这些茶类"),
            say.of("as dark, white; empty: for all", "如 dark, white；留空为全部"),
            Holds::Texts,
        ),
        Field::new("source", say.of("Source", "出处"), "", Holds::Text),
        Field::new(
            "retired",
            say.of("Retired from", "停用日期"),
            say.of("from this day on it is not asked any more", "自该日起不再使用"),
            Holds::Day,
        ),
        Field::new(
            "merged_into",
            say.of("Merged into", "并入"),
            say.of("the term that says the same now", "现表达同义的评语"),
            Holds::OneOf(terms),
        ),
    ])
}

fn parameter(say: Say) -> Vec<Field> {
    use ParameterKind::{Category, Moment, Number, Text, Whole, YesNo};
    let kinds = [Number, Whole, Category, YesNo, Moment, Text]
        .map(|k| (words::kind_id(k).to_owned(), words::kind(k, say).to_owned()))
        .to_vec();
    let roles = vec![
        (String::new(), say.of("as is usual for it", "按惯例").to_owned()),
        ("chosen".to_owned(), say.of("chosen: the maker sets it", "可选：由制茶人设定").to_owned()),
        ("given".to_owned(), say.of("given, as the weather is", "给定：如天气").to_owned()),
        (
            "outcome".to_owned(),
            say.of("an outcome of the others", "结果：由其他参数而来").to_owned(),
        ),
    ];
    vec![
        Field::new("labels", say.of("What it is called", "名称"), "", Holds::Labels),
        Field::new("kind", say.of("Its values are", "数值类型"), "", Holds::OneOf(kinds)),
        Field::new(
            "unit",
            say.of("Unit", "单位"),
            say.of("of numbers: h, min, °C, %, kg, g …", "数值单位：h、min、°C、%、kg、g 等"),
            Holds::Text,
        ),
        Field::new("levels", say.of("Kinds", "类别"), "", Holds::Levels),
        Field::new(
            "usual",
            say.of("Usual range", "常见范围"),
            say.of("for guidance: nothing is refused outside of it", "仅供参考，超出不拒绝"),
            Holds::Range,
        ),
        Field::new(
            "limits",
            say.of("What cannot lie outside of", "不可超出的范围"),
            "",
            Holds::Range,
        ),
        Field::new("role", say.of("Role", "作用"), "", Holds::OneOf(roles)),
        Field::new("source", say.of("Source", "出处"), "", Holds::Text),
        Field::new("notes", say.of("Notes", "备注"), "", Holds::Long),
    ]
}

fn recipe(say: Say) -> Vec<Field> {
    vec![
        Field::new("labels", say.of("What it is called", "名称"), "", Holds::Labels),
        Field::new("leaf_g", say.of("Leaf, g", "茶叶，克"), "", Holds::Number),
        Field::new("water_ml", say.of("Water, ml", "水，毫升"), "", Holds::Number),
        Field::new(
            "water_c",
            say.of("Temperature of the water as it is poured, °C", "注水温度，°C"),
            say.of("on a mountain water boils below 100 °C", "高海拔处水在 100 °C 以下沸腾"),
            Holds::Number,
        ),
        Field::new("rinse_s", say.of("Rinse that is thrown away, s", "洗茶，秒"), "", Holds::Whole),
        Field::new(
            "steeps_s",
            say.of("Steeps, s", "各泡时间，秒"),
            say.of("one after the other, with spaces: 15 20 30", "依次填写，以空格分开：15 20 30"),
            Holds::Wholes,
        ),
        Field::new("vessel", say.of("Vessel", "器具"), "", Holds::Text),
        Field::new(
            "vessel_labels",
            say.of("Vessel, by language", "器具，按语言"),
            say.of("empty: as above", "留空则同上"),
            Holds::Labels,
        ),
        Field::new("water", say.of("Source of the water", "水源"), "", Holds::Text),
        Field::new(
            "water_labels",
            say.of("Source of the water, by language", "水源，按语言"),
            say.of("empty: as above", "留空则同上"),
            Holds::Labels,
        ),
        Field::new("source", say.of("Where the figures come from", "数据出处"), "", Holds::Text),
        Field::new("notes", say.of("Notes", "备注"), "", Holds::Long),
    ]
}

fn recipes(app: &App, say: Say) -> Result<Vec<(String, String)>, BookError> {
    let file = app.cache.recipes()?;
    let all = file.value.recipes.iter();
    Ok(all.map(|r| (r.id.clone(), r.labels.or(say.key(), &r.id).to_owned())).collect())
}

fn plan(app: &App, say: Say) -> Result<Vec<Field>, BookError> {
    let mut brews = vec![(String::new(), say.of("the book's own", "本册默认").to_owned())];
    brews.extend(recipes(app, say)?);
    let from = vec![
        (String::new(), say.of("the day it was made", "制成之日").to_owned()),
        ("packed".to_owned(), say.of("the moment it was packed", "包装之时").to_owned()),
    ];
    Ok(vec![
        Field::new(
            "classes",
            say.of("For lots of these classes", "适用茶类"),
            say.of("empty: of all", "留空为全部"),
            Holds::Texts,
        ),
        Field::new(
            "lots",
            say.of("For these lots", "适用批次"),
            say.of("as T26-01, T26-02@humid", "如 T26-01, T26-02@humid"),
            Holds::Texts,
        ),
        Field::new("arms", say.of("For arms of these names", "适用存放组"), "", Holds::Texts),
        Field::new(
            "after",
            say.of("Tasted at these ages", "复评时的存期"),
            say.of("the youngest first: 2w, 2m, 6m", "由短到长：2w, 2m, 6m"),
            Holds::Texts,
        ),
        Field::new("then", say.of("Then again after each", "此后每隔"), "12m", Holds::Text),
        Field::new("until", say.of("Until the age of", "直到存期"), "10y", Holds::Text),
        Field::new("from", say.of("Ages count from", "存期起算"), "", Holds::OneOf(from)),
        Field::new(
            "soon",
            say.of("Called soon before its day by", "提前多久提示"),
            say.of("2w if empty", "留空为 2w"),
            Holds::Text,
        ),
        Field::new(
            "late",
            say.of("Called overdue after its day by", "过后多久算逾期"),
            say.of("2w if empty", "留空为 2w"),
            Holds::Text,
        ),
        Field::new("recipe", say.of("Recipe", "冲泡方法"), "", Holds::OneOf(brews)),
        Field::new(
            "duplicates",
            say.of("Second codes in each flight", "每轮重复样数"),
            say.of("1 if empty", "留空为 1"),
            Holds::Whole,
        ),
        Field::new(
            "replicates",
            say.of("Brewed anew, in flights of their own", "重复次数"),
            say.of("1 if empty", "留空为 1"),
            Holds::Whole,
        ),
        Field::new("notes", say.of("Notes", "备注"), "", Holds::Long),
    ])
}

/// Fields under a heading, or under none.
type Group = (Option<&'static str>, Vec<Field>);

/// The parts of book.toml: the file's own values, and those of its tables.
///
/// # Errors
/// As for [`Thing::fields`].
pub fn book(app: &App, say: Say) -> Result<Vec<Group>, BookError> {
    let vocabulary = app.cache.vocabulary()?;
    let today = app.now().day();
    let terms = vocabulary
        .value
        .terms
        .iter()
        .filter(|t| t.is_asked_on(today))
        .map(|t| (t.id.clone(), t.label(say.key()).to_owned()))
        .collect();
    let mut brews = vec![none(say)];
    brews.extend(recipes(app, say)?);
    let own = vec![
        Field::new("title", say.of("Title", "名称"), "", Holds::Text),
        Field::new("place", say.of("Where the panel tastes", "审评地点"), "", Holds::Text),
        Field::new(
            "altitude_m",
            say.of("Metres above the sea", "海拔，米"),
            say.of("water boils cooler on a mountain", "高海拔处沸点较低"),
            Holds::Number,
        ),
        Field::new("zone", say.of("Time zone", "时区"), "Asia/Shanghai", Holds::Text),
        Field::new(
            "languages",
            say.of("Languages of ballots and sheets", "评茶单与批次单的语言"),
            say.of("the first one first: en, zh", "首选在前：zh, en"),
            Holds::Texts,
        ),
    ];
    let defaults = vec![
        Field::new("recipe", say.of("Recipe", "冲泡方法"), "", Holds::OneOf(brews)),
        Field::new(
            "terms",
            say.of("Terms that a profile session asks", "描述评分所用的评语"),
            "",
            Holds::SomeOf(terms),
        ),
    ];
    let limits = vec![
        Field::new(
            "flight_cups",
            say.of("The most cups in a flight", "每轮最多杯数"),
            "",
            Holds::Whole,
        ),
        Field::new(
            "sheet_half_width",
            say.of("Half-width of a level on a sheet, points", "批次单上水平的半宽，分"),
            say.of(
                "a level is printed when its 95 % interval is at most this far to either side",
                "95 % 区间的半宽不超过此值才印出",
            ),
            Holds::Number,
        ),
        Field::new(
            "moisture_warning_pct",
            say.of("Moisture that is warned of, %", "含水率警戒，%"),
            say.of("wet basis, of packed tea", "湿基，包装后"),
            Holds::Number,
        ),
        Field::new(
            "moisture_block_pct",
            say.of("Moisture from which tea is not served, %", "不可供评的含水率，%"),
            say.of(
                "a rule of our own; food law and a licensed laboratory go before it",
                "为本程序自定；以食品法规与有资质实验室为准",
            ),
            Holds::Number,
        ),
        Field::new(
            "water_activity_block",
            say.of("Water activity from which tea is not served", "不可供评的水分活度"),
            say.of("as above", "同上"),
            Holds::Number,
        ),
        Field::new(
            "store_humidity_pct",
            say.of("Humidity above which hours in store are counted, %", "计时的存放湿度，%"),
            "",
            Holds::Number,
        ),
        Field::new(
            "store_temperature_c",
            say.of("Temperature above which hours in store are counted, °C", "计时的存放温度，°C"),
            "",
            Holds::Number,
        ),
        Field::new(
            "q10",
            say.of(
                "How much faster oxidation runs with 10 °C more",
                "温度每升 10 °C 发酵加快的倍数",
            ),
            say.of("an assumption", "假定值"),
            Holds::Number,
        ),
    ];
    let back = vec![
        (String::new(), say.of("its flight is handed in", "整轮提交").to_owned()),
        ("cup".to_owned(), say.of("its cup is handed in", "该杯提交").to_owned()),
        (
            "flight".to_owned(),
            say.of("its flight is handed in (said in the file)", "整轮提交（已写入文件）")
                .to_owned(),
        ),
    ];
    let ballot = vec![
        Field::new(
            "go_back",
            say.of("An answer may be changed until", "答案可更改至"),
            "",
            Holds::OneOf(back),
        ),
        Field::new(
            "rest_s",
            say.of("Rest between two cups, s", "两杯之间休息，秒"),
            say.of("0 or empty: none", "0 或留空为无"),
            Holds::Whole,
        ),
    ];
    Ok(vec![
        (None, own),
        (Some("defaults"), defaults),
        (Some("ballot"), ballot),
        (Some("limits"), limits),
    ])
}

/// What a lot is.
pub fn lot(app: &App, say: Say) -> Vec<Field> {
    let known = classes::known(app);
    vec![
        Field::new(
            "class",
            words::field("--class", say),
            classes::hint(&known, say),
            Holds::Class(known),
        ),
        Field::new(
            "made",
            words::field("--made", say),
            say.of("the day on which drying ended", "干燥结束之日"),
            Holds::Day,
        ),
        Field::new(
            "picked",
            say.of("Picked on", "采摘日期"),
            say.of("a day, or several with spaces between them", "一日或多日，以空格分开"),
            Holds::Days,
        ),
        Field::new("garden", say.of("Garden", "茶园"), "", Holds::Text),
        Field::new("plot", say.of("Plot", "地块"), "", Holds::Text),
        Field::new("cultivar", say.of("Cultivar", "品种"), "", Holds::Text),
        Field::new("season", say.of("Season", "季节"), "", Holds::Text),
        Field::new("kg", say.of("Made tea, kg", "成茶，公斤"), "", Holds::Number),
        Field::new(
            "trial",
            say.of("Trial", "试验"),
            say.of("if it was made for one", "如为某试验所制"),
            Holds::Text,
        ),
        Field::new("run", say.of("Run of the trial", "试验第几次"), "", Holds::Whole),
        Field::new("notes", say.of("Notes", "备注"), "", Holds::Long),
    ]
}
