//! The words that sheets print themselves, in English and simplified Chinese, and the cautions.

use serde_json::{Map, Value, json};

use super::Lang;

/// Each word: its key in the templates, English, Chinese.
const WORDS: &[(&str, &str, &str)] = &[
    ("ballot", "Ballot", "评茶单"),
    ("colon", ": ", "："),
    ("session", "Session", "场次"),
    ("taster", "Taster", "评茶员"),
    ("date", "Date", "日期"),
    ("recipe", "Recipe", "冲泡方法"),
    ("flight", "Flight", "轮次"),
    ("cup", "cup", "杯"),
    ("steep", "steep", "泡次"),
    ("decline", "I decline this cup", "此杯不评"),
    ("lost", "cup lost", "此杯作废"),
    ("decline_set", "I decline this set", "本组不评"),
    ("notes", "Notes", "备注"),
    ("guess", "Which lot do you think this is?", "猜是哪个批次？"),
    ("sure", "sure", "有把握"),
    ("unsure", "unsure", "没把握"),
    ("terms", "The terms", "评语释义"),
    ("how", "How to mark", "填写方法"),
    ("cautions", "Please mind", "注意事项"),
    ("sealed", "Key sealed, SHA-256", "密钥封存 SHA-256"),
    ("page", "page", "第"),
    ("of", "of", "页，共"),
    ("page_end", "", "页"),
    ("order", "Taste in this order", "请按此顺序品尝"),
    ("fault_0", "absent", "无"),
    ("fault_1", "trace", "微"),
    ("fault_2", "clear", "明显"),
    ("fault_3", "rejects", "拒收"),
    ("rank", "rank", "名次"),
    ("reference", "reference", "对照"),
    (
        "no_difference_guess",
        "If you cannot tell, guess and mark unsure.",
        "若分辨不出，请猜一个并勾“没把握”。",
    ),
    ("pouring", "Pouring plan", "分杯表"),
    ("pourer", "Poured by", "冲泡人"),
    ("keep", "KEEP FROM THE TASTERS", "切勿让评茶员看到"),
    (
        "keep_why",
        "This is the only paper with lots on it. Whoever reads it cannot taste in this session. Lock it away until the session is closed.",
        "本表是唯一写明批次的纸张。看过本表的人不得参加本场审评。结束前请锁存。",
    ),
    ("code", "Code", "杯号"),
    ("sample", "Sample", "茶样"),
    ("role", "Role", "用途"),
    ("brew", "Brew", "冲泡壶"),
    ("leaf", "Leaf, g", "投茶量，克"),
    ("water", "Water, ml", "注水量，毫升"),
    ("poured", "Poured at", "出汤时刻"),
    ("celsius", "Water, °C", "水温，°C"),
    ("orders", "Serving orders", "各评茶员的品尝顺序"),
    ("totals", "Leaf to weigh out", "各茶样用茶合计"),
    ("total_g", "Total, g", "合计，克"),
    ("cups", "Cups", "杯数"),
];

/// The cautions that stand on every ballot and pouring plan.
///
/// Below 60 °C, spitting, allergens, declining, mould and food safety are common practice and food law;
/// the words are our own.
const CAUTIONS: &[(&str, &str)] = &[
    (
        "Boiling water: keep the table steady and do not reach across. Taste below 60 °C.",
        "沸水：桌面要稳，切勿隔杯伸手。茶汤低于 60 °C 再品尝。",
    ),
    ("Spit: caffeine adds up over the cups.", "请吐出茶汤：多杯的咖啡因会累积。"),
    (
        "Allergens: milk, crackers or other food may stand on the table. Ask before you eat.",
        "过敏原：桌上可能有奶、饼干等食物，食用前请先询问。",
    ),
    (
        "Anyone may decline a cup or stop at any time, without giving a reason.",
        "任何人可随时不评某一杯或退出，无须说明理由。",
    ),
    (
        "A cup that smells musty or mouldy stops the tasting: do not taste it, tell the person who pours.",
        "闻到霉味即停止审评：不要入口，并告知冲泡人。",
    ),
    (
        "Tasting does not show that a tea is safe to drink: follow local food law and use a licensed laboratory.",
        "感官审评不能证明食品安全：请遵守当地食品法规，并送有资质的实验室检验。",
    ),
];

/// The fixed cautions in one language.
pub fn cautions(lang: Lang) -> Vec<&'static str> {
    CAUTIONS.iter().map(|(en, zh)| pick(lang, en, zh)).collect()
}

/// The fixed cautions, each in English and in simplified Chinese.
#[must_use]
pub fn both_cautions() -> &'static [(&'static str, &'static str)] {
    CAUTIONS
}

/// The four words of a fault in one language, from 0 to 3.
#[must_use]
pub fn fault_words(lang: Lang) -> [&'static str; 4] {
    let word = |key: &str| {
        WORDS.iter().find(|(k, _, _)| *k == key).map_or("", |(_, en, zh)| pick(lang, en, zh))
    };
    ["fault_0", "fault_1", "fault_2", "fault_3"].map(word)
}

/// The fixed cautions, each in the languages of a paper.
pub(super) fn cautions_in(languages: &[Lang]) -> Value {
    CAUTIONS.iter().map(|(en, zh)| texts(languages, en, zh)).collect()
}

/// All words of the templates, each as a list of texts in the languages of a paper.
pub(super) fn words_in(languages: &[Lang]) -> Value {
    let map: Map<String, Value> =
        WORDS.iter().map(|(key, en, zh)| ((*key).to_owned(), texts(languages, en, zh))).collect();
    Value::Object(map)
}

/// One text in the languages of a paper.
pub(super) fn texts(languages: &[Lang], en: &str, zh: &str) -> Value {
    languages.iter().map(|lang| json!(pick(*lang, en, zh))).collect()
}

fn pick<'a>(lang: Lang, en: &'a str, zh: &'a str) -> &'a str {
    match lang {
        Lang::En => en,
        Lang::Zh => zh,
    }
}

/// The name that typst gives to a language.
pub(super) fn typst_language(lang: Lang) -> &'static str {
    match lang {
        Lang::En => "en",
        Lang::Zh => "zh",
    }
}
