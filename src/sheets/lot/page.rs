//! The sheet of a lot as words and places on paper, the same for PDF, PNG and HTML.

use serde::Serialize;

use super::super::Lang;
use super::{cup, tasting, words};
use crate::book::labels::Labels;
use crate::book::time::Day;
use crate::findings::sheet::Sheet;

/// A page in one language.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Page {
    /// Its language: en, zh.
    pub lang: &'static str,
    /// What it is: lot sheet.
    pub kicker: &'static str,
    /// Who issues it.
    pub issuer: String,
    /// Where.
    pub place: String,
    /// The sample.
    pub name: String,
    /// What tea it is.
    pub subtitle: String,
    /// What stands above all else.
    pub alerts: Vec<Alert>,
    /// What it is.
    pub identity: Block,
    /// How it was made.
    pub making: Block,
    /// The cup on its scales.
    pub cup: CupBlock,
    /// The cup in words and counts.
    pub found: Block,
    /// How it is stored and what that did.
    pub store: Block,
    /// Who tasted, and how blind.
    pub panel: Block,
    /// How to brew and keep it.
    pub brewing: Block,
    /// Please mind.
    pub cautions: Block,
    /// The version and its day.
    pub version: String,
    /// The digest of the finding in full, with what it is.
    pub digest: String,
}

/// A warning.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alert {
    /// In capitals.
    pub head: String,
    /// In sentences.
    pub text: String,
}

/// A block of the page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Block {
    /// Its heading.
    pub heading: String,
    /// What is said of what.
    pub rows: Vec<(String, String)>,
    /// Sentences below.
    pub notes: Vec<String>,
}

/// The cup on its scales.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CupBlock {
    /// Its heading.
    pub heading: String,
    /// When and how it was tasted.
    pub intro: String,
    /// A row a term.
    pub rows: Vec<ScaleRow>,
    /// Sentences below.
    pub notes: Vec<String>,
}

/// A term on its scale. Places go from 0, the low end, to 1.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScaleRow {
    /// The term.
    pub label: String,
    /// The word at the low end.
    pub low: String,
    /// The word at the high end.
    pub high: String,
    /// Where the dot stands.
    pub at: f64,
    /// From where to where the interval goes, cut at the ends of the scale; none: an open dot.
    pub interval: Option<[f64; 2]>,
    /// Level and interval in figures.
    pub figures: String,
    /// Places of the ticks.
    pub ticks: Vec<f64>,
    /// Labels below the ticks, where this row is the last one on such a scale.
    pub axis: Vec<(f64, String)>,
}

/// What a page bears besides the finding.
#[derive(Debug, Clone, Copy)]
pub struct Issue<'a> {
    /// The day of issue, or on which it is looked at.
    pub day: Day,
    /// Whether it is issued: a preview says that it is none.
    pub issued: bool,
    /// SHA-256 of the finding's JSON.
    pub digest: &'a str,
}

/// So many characters of the digest name a version.
pub const VERSION: usize = 8;

/// The page in a language.
#[must_use]
pub fn page(f: &Sheet, issue: &Issue<'_>, lang: Lang) -> Page {
    let w = Words { lang };
    let version: String = issue.digest.chars().take(VERSION).collect();
    Page {
        lang: match lang {
            Lang::En => "en",
            Lang::Zh => "zh",
        },
        kicker: match issue.issued {
            true => w.pick("Lot sheet", "批次单"),
            false => w.pick("Lot sheet: a preview, not issued", "批次单：预览，未签发"),
        },
        issuer: f.issuer.title.clone(),
        place: place(f, w),
        name: f.sample.clone(),
        subtitle: words::subtitle(f, w),
        alerts: words::alerts(f, w),
        identity: words::identity(f, w),
        making: words::making(f, w),
        cup: cup::block(f, w),
        found: tasting::found(f, w),
        store: tasting::store(f, w),
        panel: tasting::panel(f, w),
        brewing: words::brewing(f, w),
        cautions: words::cautions(f, w),
        version: match issue.issued {
            true => w.say(
                format!("Version {version}, issued {}", issue.day),
                format!("版本 {version}，签发日期 {}", issue.day),
            ),
            false => w.say(
                format!(
                    "Preview of {}, not issued; as version {version} if nothing changes",
                    issue.day
                ),
                format!("{} 的预览，未签发；若无变动，版本为 {version}", issue.day),
            ),
        },
        digest: w.say(
            format!("SHA-256 of all its figures: {}", issue.digest),
            format!("全部数据的 SHA-256：{}", issue.digest),
        ),
    }
}

fn place(f: &Sheet, w: Words) -> String {
    let altitude = f.issuer.altitude_m.map(|m| {
        w.say(format!("altitude {} m", number(m, 0)), format!("海拔 {} 米", number(m, 0)))
    });
    let parts: Vec<String> = f.issuer.place.clone().into_iter().chain(altitude).collect();
    parts.join(w.pick(", ", "，"))
}

/// The language of a page.
#[derive(Debug, Clone, Copy)]
pub(super) struct Words {
    /// Which one.
    pub lang: Lang,
}

impl Words {
    pub fn pick(self, en: &'static str, zh: &'static str) -> &'static str {
        match self.lang {
            Lang::En => en,
            Lang::Zh => zh,
        }
    }

    pub fn say(self, en: String, zh: String) -> String {
        match self.lang {
            Lang::En => en,
            Lang::Zh => zh,
        }
    }

    pub fn label(self, labels: &Labels) -> String {
        let code = self.pick("en", "zh");
        labels.get(code).unwrap_or_default().to_owned()
    }

    /// The label of a row: it begins with a capital, whatever its parameter is called.
    pub fn head(self, labels: &Labels) -> String {
        let label = self.label(labels);
        let mut chars = label.chars();
        chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
    }

    /// A list of things.
    pub fn list(self, items: &[String]) -> String {
        items.join(self.pick(", ", "、"))
    }

    pub fn count(self, n: usize, one: &str, many: &str, zh: &str) -> String {
        match self.lang {
            Lang::En => format!("{n} {}", if n == 1 { one } else { many }),
            Lang::Zh => format!("{n} {zh}"),
        }
    }

    /// Days, one after the other.
    pub fn days(self, days: &[Day]) -> String {
        let days: Vec<String> = days.iter().map(ToString::to_string).collect();
        self.list(&days)
    }
}

/// A number with at most so many decimals, a true minus sign and no minus zero.
pub(super) fn number(x: f64, decimals: usize) -> String {
    let text = format!("{x:.decimals$}");
    let text =
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.replace('-', "−") }
}

/// A number with one decimal, always, so that figures below each other line up.
pub(super) fn tenths(x: f64) -> String {
    let text = format!("{x:.1}");
    if text == "-0.0" { "0.0".to_owned() } else { text.replace('-', "−") }
}

/// As [`tenths`], with the sign of what is above 0; what tenths would make 0 gets as many decimals as it
/// needs, up to four, so that an interval that leaves 0 out is seen to do so.
pub(super) fn signed(x: f64) -> String {
    let text = (1..=4)
        .map(|decimals| format!("{x:.decimals$}"))
        .find(|text| text.contains(|c: char| ('1'..='9').contains(&c)))
        .map_or_else(|| "0.0".to_owned(), |text| text.replace('-', "−"));
    if x > 0.0 && text != "0.0" { format!("+{text}") } else { text }
}
