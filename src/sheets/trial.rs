//! The work sheet of a trial, for the factory: what to make, with boxes for what was really done.

use jiff::civil::Date;
use serde_json::{Value, json};

use super::ballots::date_data;
use super::words::{texts, typst_language};
use super::{Lang, SheetError, world};

const TEMPLATE: &str = include_str!("typ/trial.typ");

/// A setting of a batch: texts in the languages of the paper, the main one first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorkSetting {
    /// What is set.
    pub name: Vec<String>,
    /// To what, with its unit.
    pub level: Vec<String>,
}

/// A batch to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorkBatch {
    /// Its number, in the order of making.
    pub run: u32,
    /// Its day.
    pub day: u32,
    /// Its settings.
    pub settings: Vec<WorkSetting>,
}

/// Everything on the work sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkSheet {
    /// Title of the book; empty without one.
    pub book_title: String,
    /// Name of the trial; empty if it is not kept.
    pub trial: String,
    /// The day of printing.
    pub date: Date,
    /// One or two languages, the main one first.
    pub languages: Vec<Lang>,
    /// The batches, in the order of making.
    pub batches: Vec<WorkBatch>,
    /// What cannot be chosen and is to be measured, each with its unit.
    pub measured: Vec<Vec<String>>,
}

/// Each word: its key in the template, English, Chinese.
const WORDS: &[(&str, &str, &str)] = &[
    ("title", "Work sheet", "试制记录表"),
    ("trial", "Trial", "试验"),
    ("date", "Printed", "打印日期"),
    ("page", "page", "第"),
    ("of", "of", "页，共"),
    ("batch", "Batch", "批"),
    ("day", "day", "第几天"),
    ("lot", "Lot", "批次编号"),
    ("made_on", "Made on", "制作日期"),
    ("setting", "Setting", "项目"),
    ("planned", "Planned", "计划"),
    ("done", "Really done", "实际"),
    ("time", "From – to", "起止时间"),
    ("by", "By", "记录人"),
    ("measure", "To be measured", "须测量"),
    ("weighed", "Masses and moistures", "重量与含水率"),
    ("cautions", "Please mind", "注意事项"),
];

/// What is weighed and measured of every batch.
const WEIGHED: &[(&str, &str)] = &[
    ("fresh leaf, kg", "鲜叶重，公斤"),
    ("withered leaf, kg", "萎凋叶重，公斤"),
    ("withered leaf, %", "萎凋叶含水率，%"),
    ("made tea, kg", "成茶重，公斤"),
    ("made tea, %", "成茶含水率，%"),
];

/// What to mind in the factory: common practice, no source; the words are our own.
const CAUTIONS: &[(&str, &str)] = &[
    (
        "The log counts, not the plan: where leaf, weather or a machine do not allow a setting, make the batch as well as can be and write down what was really done.",
        "以实际记录为准：如鲜叶、天气或设备不允许，尽量做好，并写明实际做法。",
    ),
    (
        "Moving rollers: keep hands, sleeves and hair out. Stop the machine and secure it before you clear it.",
        "揉捻机转动时，手、衣袖、头发勿靠近；清理前须停机断电。",
    ),
    (
        "Hot drier and hot leaf burn: let them cool before you reach in. Heating and wiring are work for licensed people.",
        "烘干机和热叶会烫伤：冷却后再伸手。加热与电气作业须由有资质的人员进行。",
    ),
    (
        "Damp tea goes mouldy: pack nothing that is not dry. Leaf that smells musty is discarded, not dried again.",
        "茶叶受潮会发霉：未干透不得包装。有霉味的茶应丢弃，再烘也无法补救。",
    ),
    ("Local safety and food rules come before this plan.", "当地的安全与食品法规优先于本计划。"),
];

/// Sets the work sheet as a PDF on A4.
///
/// # Errors
/// [`SheetError::Incomplete`] without batches or settings, or with no language or more than two;
/// [`SheetError::MissingGlyphs`] for characters that cannot be shown.
pub fn work_sheet_pdf(sheet: &WorkSheet) -> Result<Vec<u8>, SheetError> {
    let name = "work sheet";
    let incomplete = |found: String, expected| {
        Err(SheetError::Incomplete { sheet: name.to_owned(), found, expected })
    };
    if sheet.batches.is_empty() {
        return incomplete("no batch".to_owned(), "at least one batch");
    }
    if let Some(b) = sheet.batches.iter().find(|b| b.settings.is_empty()) {
        return incomplete(format!("batch {} without settings", b.run), "a setting for each batch");
    }
    let languages = sheet.languages.as_slice();
    let main = match languages {
        [main] | [main, _] => *main,
        _ => return incomplete(format!("{} languages", languages.len()), "one language, or two"),
    };
    let words: serde_json::Map<String, Value> =
        WORDS.iter().map(|(key, en, zh)| ((*key).to_owned(), texts(languages, en, zh))).collect();
    let both = |all: &[(&str, &str)]| -> Vec<Value> {
        all.iter().map(|(en, zh)| texts(languages, en, zh)).collect()
    };
    let batches: Vec<Value> = sheet
        .batches
        .iter()
        .map(|b| {
            let settings: Vec<Value> =
                b.settings.iter().map(|s| json!({ "name": s.name, "level": s.level })).collect();
            json!({ "run": b.run.to_string(), "day": day(b.day, languages), "settings": settings })
        })
        .collect();
    let data = json!({
        "book": sheet.book_title,
        "trial": sheet.trial,
        "date": date_data(sheet.date),
        "language": typst_language(main),
        "words": words,
        "batches": batches,
        "measured": sheet.measured,
        "weighed": both(WEIGHED),
        "cautions": both(CAUTIONS),
    });
    world::pdf(world::Sheet { name, template: TEMPLATE, data, files: Vec::new(), date: sheet.date })
}

fn day(day: u32, languages: &[Lang]) -> Value {
    texts(languages, &format!("day {day}"), &format!("第 {day} 天"))
}
