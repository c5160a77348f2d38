//! Words that the pages of the record share.

use crate::book::lots::{CameBy, How, LogLine};
use crate::book::parameters::{Parameter, ParameterKind, Value};
use crate::desk::say::Say;
pub use crate::desk::told::field;
use crate::plots::Lang;
use crate::sheets::lot::SEASONS;
use crate::views::lot_text::{shown, with_unit};

/// The steps of making that the trade names; others stand as they are written.
const STEPS: [(&str, &str, &str); 7] = [
    ("pluck", "Plucking", "采摘"),
    ("wither", "Withering", "萎凋"),
    ("roll", "Rolling", "揉捻"),
    ("oxidise", "Oxidation", "发酵"),
    ("dry", "Drying", "干燥"),
    ("store", "Storage", "存放"),
    ("reserve", "Reserve for tasting", "审评留样"),
];

/// What a step of making is called.
#[must_use]
pub fn step(step: &str, say: Say) -> String {
    STEPS
        .iter()
        .find(|(id, ..)| *id == step)
        .map_or_else(|| step.to_owned(), |(_, en, zh)| say.of(*en, *zh).to_owned())
}

/// The classes of tea that the trade names, for a field that takes any other too.
pub const CLASSES: [(&str, &str); 6] = [
    ("black", "红茶"),
    ("green", "绿茶"),
    ("white", "白茶"),
    ("oolong", "青茶（乌龙）"),
    ("yellow", "黄茶"),
    ("dark", "黑茶"),
];

/// A class as its reader calls it.
#[must_use]
pub fn class(class: &str, say: Say) -> String {
    let known = CLASSES.iter().find(|(id, _)| *id == class);
    known.map_or_else(|| class.to_owned(), |(en, zh)| say.of(*en, *zh).to_owned())
}

/// A season as its reader calls it.
#[must_use]
pub fn season(season: &str, say: Say) -> String {
    let known = SEASONS.iter().find(|(id, _)| id.eq_ignore_ascii_case(season));
    known.map_or_else(|| season.to_owned(), |(_, zh)| say.of(season, zh).to_owned())
}

/// Measured or estimated.
#[must_use]
pub fn how(how: How, say: Say) -> &'static str {
    match how {
        How::Measured => say.of("measured", "实测"),
        How::Estimated => say.of("estimated", "估计"),
    }
}

/// How a lot came of its parents.
#[must_use]
pub fn came_by(by: Option<CameBy>, say: Say) -> &'static str {
    match by {
        Some(CameBy::Split) => say.of("split off", "分出"),
        Some(CameBy::Blend) => say.of("blended", "拼配"),
        Some(CameBy::Refire) => say.of("fired again", "复火"),
        None => say.of("made", "制成"),
    }
}

/// What is worked out of a lot's values.
#[must_use]
pub fn worked_out(name: &str, say: Say) -> String {
    let zh = match name {
        "mass loss" => "总失重率",
        "lost in withering" => "萎凋失重率",
        "rate of withering" => "萎凋速率",
        "leaf on the withering bed" => "每平方米摊叶量",
        "moisture after withering" => "萎凋叶含水率",
        "moisture of the made tea" => "成茶含水率",
        "rolled under pressure" => "加压揉捻时间",
        "pressure put on and released" => "加压松压次数",
        "oxidation" => "发酵时间（揉捻至干燥）",
        "oxidising leaf" => "发酵叶温",
        "oxidation dose" => "发酵当量",
        other => other,
    };
    say.of(name, zh).to_owned()
}

/// A figure that was worked out, its unit in the reader's language where it is a word.
#[must_use]
pub fn figure(text: &str, say: Say) -> String {
    match say.0 {
        Lang::En => text.to_owned(),
        Lang::Zh => text.replace("% an hour", "%/小时").replace(" times", " 次"),
    }
}

/// A note of a log; the one that the program writes when a session is revealed is in the reader's language.
#[must_use]
pub fn note(text: &str, say: Say) -> String {
    let session = text.strip_prefix("session ").filter(|name| !name.contains(' '));
    session.map_or_else(|| text.to_owned(), |name| say.of(text.to_owned(), format!("场次 {name}")))
}

/// What the dose of oxidation counts, which has no unit.
#[must_use]
pub fn meaning_of_dose(say: Say) -> &'static str {
    say.of(
        "It counts doublings of three hours at 25 °C: 0 is as much as 3 h at 25 °C, 1 as 6 h, −1 as 1.5 h.",
        "以 25 °C 下 3 小时为基准的倍增数：0 相当于 25 °C 下 3 小时，1 相当于 6 小时，−1 相当于 1.5 小时。",
    )
}

/// A value as its reader says it: the word for a category, yes or no, a moment without its seconds' offset.
#[must_use]
pub fn value(value: &Value, unit: Option<&str>, of: Option<&Parameter>, say: Say) -> String {
    match value {
        Value::YesNo(true) => say.of("yes", "是").to_owned(),
        Value::YesNo(false) => say.of("no", "否").to_owned(),
        Value::Category(text) | Value::Text(text) => {
            let level = of.and_then(|p| p.level(text));
            level.map_or(text.as_str(), |l| l.labels.or(say.key(), text)).to_owned()
        }
        Value::Moment(m) => moment(&m.to_string()),
        other => with_unit(&shown(other), unit),
    }
}

/// A moment as a page shows it: day and time on the clock where it was written.
#[must_use]
pub fn moment(text: &str) -> String {
    text.get(..16).map_or_else(|| text.to_owned(), |t| t.replace('T', " "))
}

/// What a line of a log says, before it is settled whether it holds.
#[must_use]
pub fn line(line: &LogLine, of: Option<&Parameter>, say: Say) -> String {
    let Some(text) = &line.value else { return say.of("taken back", "撤回").to_owned() };
    match of.map(|p| p.value_of(text, line.unit.as_deref())) {
        Some(Ok(v)) if v.number().is_none() => value(&v, None, of, say),
        _ => {
            let own = of.and_then(|p| p.unit.as_deref());
            with_unit(text, line.unit.as_deref().or(own))
        }
    }
}

/// What a parameter's values are.
#[must_use]
pub fn kind(kind: ParameterKind, say: Say) -> &'static str {
    match kind {
        ParameterKind::Number => say.of("a number", "数值"),
        ParameterKind::Whole => say.of("a whole number", "整数"),
        ParameterKind::Category => say.of("one of several kinds", "类别"),
        ParameterKind::YesNo => say.of("yes or no", "是／否"),
        ParameterKind::Moment => say.of("a moment", "时刻"),
        ParameterKind::Text => say.of("a text", "文字"),
    }
}

/// The word of a kind as parameters.toml writes it.
#[must_use]
pub fn kind_id(kind: ParameterKind) -> &'static str {
    match kind {
        ParameterKind::Number => "number",
        ParameterKind::Whole => "whole",
        ParameterKind::Category => "category",
        ParameterKind::YesNo => "yes_no",
        ParameterKind::Moment => "moment",
        ParameterKind::Text => "text",
    }
}

/// The unit and the usual range of a parameter, as a hint beside its field.
#[must_use]
pub fn hint(p: &Parameter, say: Say) -> String {
    let usual = p.usual.map(|[low, high]| {
        let unit = p.unit.as_deref().map_or_else(String::new, |u| format!(" {u}"));
        say.of(format!("usually {low} to {high}{unit}"), format!("常见 {low} 至 {high}{unit}"))
    });
    match (&p.unit, usual) {
        (_, Some(usual)) => usual,
        (Some(unit), None) => say.of(format!("in {unit}"), format!("单位 {unit}")),
        (None, None) => String::new(),
    }
}
