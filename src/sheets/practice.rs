//! A taster's own page: what goes well, and what to practise next, in plain sentences with the
//! number behind each. Nobody else's name stands on it.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::ballots::date_data;
use super::words::{cautions, typst_language, words_in};
use super::{Lang, SheetError, world};
use crate::findings::practice::{Page, Point};
use crate::findings::{Answer, Estimate};

const PAGE: &str = include_str!("typ/practice.typ");

/// What a page needs beside its numbers.
#[derive(Debug, Clone, Default)]
pub struct Frame {
    /// Title of the book, or the table's file.
    pub title: String,
    /// The sessions, in a line.
    pub sessions: String,
    /// What terms are called, by their ids.
    pub terms: BTreeMap<String, String>,
    /// What terms are trained on, by their ids.
    pub references: BTreeMap<String, String>,
    /// Whether there are so few tasters that nobody can say who is off.
    pub individual_opinions: bool,
    /// Coverage of the intervals.
    pub level: f64,
}

/// Sets a taster's page as a PDF on A4.
///
/// # Errors
/// [`SheetError::MissingGlyphs`] for characters that cannot be shown.
pub fn practice_pdf(
    page: &Page,
    frame: &Frame,
    lang: Lang,
    date: Date,
) -> Result<Vec<u8>, SheetError> {
    let say = Say { lang, frame };
    let mut notes = Vec::new();
    if frame.individual_opinions {
        notes.push(say.pick(
            "With so few tasters nobody can say who is off: take this as something to talk over.",
            "评茶员很少，无法判断是谁偏离：请把本页当作讨论的话题。",
        ));
    }
    notes.push(say.pick(
        "A mark is not right or wrong. You are compared with the mean of the others on the same cups; the ranges in brackets say how far each number can be trusted.",
        "评分无所谓对错。此处是与其余各位在相同茶杯上的均值相比；括号内的范围表示数字的可靠程度。",
    ));
    let mut mind: Vec<&str> = Vec::new();
    if page.next.iter().any(|p| say.uses_reference(p)) {
        mind.push(say.pick(
            "Training solutions: food grade only, weighed, weak, and spat out. Whoever avoids caffeine or quinine leaves those out.",
            "训练用溶液：仅用食品级原料，称量、稀释，品后吐出。须避免咖啡因或奎宁者请勿使用。",
        ));
    }
    mind.extend(cautions(lang));
    let points = |all: &[Point]| -> Vec<Value> {
        all.iter()
            .map(|p| {
                let (head, text, exercise) = say.point(p);
                json!({ "head": head, "text": text, "exercise": exercise })
            })
            .collect()
    };
    let data = json!({
        "language": typst_language(lang),
        "words": words_in(&[lang]),
        "title": say.pick("What to practise next", "下一步练什么"),
        "for": page.taster,
        "for_word": say.pick("for", "致"),
        "book": frame.title,
        "sessions": frame.sessions,
        "date": date_data(date),
        "basis": say.basis(page),
        "well_word": say.pick("What goes well", "做得好的"),
        "next_word": say.pick("What to practise next", "接下来练习"),
        "how_word": say.pick("How", "怎么练"),
        "well": points(&page.well),
        "next": points(&page.next),
        "notes": notes,
        "mind_word": say.pick("Please mind", "注意事项"),
        "mind": mind,
    });
    let name = format!("practice page of {}", page.taster);
    world::pdf(world::Sheet { name: &name, template: PAGE, data, files: Vec::new(), date })
}

struct Say<'a> {
    lang: Lang,
    frame: &'a Frame,
}

/// What the starter vocabulary trains on, in Chinese.
const KNOWN: [(&str, &str); 2] = [
    (
        "caffeine or quinine in water (common practice, no source)",
        "咖啡因或奎宁的水溶液（通行做法，无出处）",
    ),
    (
        "alum or tannic acid in water (common practice, no source)",
        "明矾或单宁酸的水溶液（通行做法，无出处）",
    ),
];

fn number(x: f64) -> String {
    let text = format!("{x:.2}");
    if text.chars().all(|c| matches!(c, '-' | '0' | '.')) { text.replace('-', "") } else { text }
}

impl Say<'_> {
    fn pick<'b>(&self, en: &'b str, zh: &'b str) -> &'b str {
        match self.lang {
            Lang::En => en,
            Lang::Zh => zh,
        }
    }

    fn both(&self, en: String, zh: String) -> String {
        match self.lang {
            Lang::En => en,
            Lang::Zh => zh,
        }
    }

    fn term(&self, id: &str) -> String {
        self.frame.terms.get(id).cloned().unwrap_or_else(|| id.to_owned())
    }

    fn terms(&self, ids: &[String]) -> String {
        let names: Vec<String> = ids.iter().map(|id| self.term(id)).collect();
        match self.lang {
            Lang::En => crate::findings::listed(&names),
            Lang::Zh => names.join("、"),
        }
    }

    fn range(&self, e: &Estimate) -> String {
        let (value, low, high) = (number(e.value), number(e.lower), number(e.upper));
        self.both(format!("{value} ({low} to {high})"), format!("{value}（{low} 至 {high}）"))
    }

    fn basis(&self, page: &Page) -> String {
        let level = number(100.0 * self.frame.level).trim_end_matches(".00").to_owned();
        let (n, lots) = (page.n_scores, page.n_lots);
        self.both(
            format!("From {n} of your scores of {lots} lots that others scored too. In brackets: {level}% intervals."),
            format!("依据你对 {lots} 个批次的 {n} 个评分（均有他人评分可比）。括号内为 {level} % 区间。"),
        )
    }

    fn reference(&self, id: &str) -> Option<String> {
        let text = self.frame.references.get(id)?;
        let known = KNOWN.iter().find(|(en, _)| en == text);
        Some(match (self.lang, known) {
            (Lang::Zh, Some((_, zh))) => (*zh).to_owned(),
            _ => text.clone(),
        })
    }

    fn uses_reference(&self, p: &Point) -> bool {
        let has = |id: &String| self.frame.references.contains_key(id);
        match p {
            Point::Swapped { swap } => swap.terms.iter().any(has),
            Point::Crossed { term, .. } => has(term),
            Point::NotTold { terms, .. } => terms.iter().any(has),
            _ => false,
        }
    }

    /// What each of the terms is trained on, as far as the vocabulary says.
    fn trained_on(&self, ids: &[String]) -> String {
        let all: Vec<String> =
            ids.iter()
                .filter_map(|id| {
                    let on = self.reference(id)?;
                    Some(self.both(
                        format!("{}: {on}", self.term(id)),
                        format!("{}：{on}", self.term(id)),
                    ))
                })
                .collect();
        if all.is_empty() {
            return String::new();
        }
        self.both(
            format!(" To train on: {}.", all.join("; ")),
            format!("训练参照物——{}。", all.join("；")),
        )
    }

    /// Head, sentence, exercise (empty where there is none).
    fn point(&self, p: &Point) -> (String, String, String) {
        let three = |a: &str, b: String, c: String| (a.to_owned(), b, c);
        match p {
            Point::TellsApart { terms, of } => three(
                self.pick("You tell lots apart", "你能区分批次"),
                self.both(
                    format!("In {} of the {of} terms in which the panel tells the lots apart, your own marks do so too: {}.", terms.len(), self.terms(terms)),
                    format!("评茶组能区分批次的 {of} 个评语中，你自己的评分在 {} 个中也做到了：{}。", terms.len(), self.terms(terms)),
                ),
                String::new(),
            ),
            Point::Repeats { sd, ratio } => three(
                self.pick("Your marks repeat", "你的评分重复得好"),
                self.both(
                    format!("Two cups of one lot in one session get marks that lie apart by sd {} points, {} times what the others have.", self.range(sd), self.range(ratio)),
                    format!("同场同批次的两杯，你的评分标准差为 {} 分，是他人的 {} 倍。", self.range(sd), self.range(ratio)),
                ),
                String::new(),
            ),
            Point::Width { slope } => three(
                self.pick("You use the scale as widely as the others", "你使用标度的幅度与他人相当"),
                self.both(
                    format!("Where the others move by one point you move by {}.", self.range(slope)),
                    format!("他人变化一分时，你变化 {} 分。", self.range(slope)),
                ),
                String::new(),
            ),
            Point::Level { offset } => three(
                self.pick("You sit at the others' level", "你的评分水平与他人一致"),
                self.both(
                    format!("Over all terms your marks lie {} points from theirs.", self.range(offset)),
                    format!("全部评语合计，你与他人相差 {} 分。", self.range(offset)),
                ),
                String::new(),
            ),
            Point::TookPart => three(
                self.pick("You took part", "你参加了审评"),
                self.pick("Every cup you scored is in the record and counts.", "你评的每一杯都已记录在案，都算数。").to_owned(),
                String::new(),
            ),
            Point::Swapped { swap } => {
                let [a, b] = [self.term(&swap.terms[0]), self.term(&swap.terms[1])];
                let [ca, cb] = swap.r_crossed.map(number);
                let [sa, sb] = swap.r_straight.map(number);
                let p = if swap.p_adjusted < 0.001 { "p < 0.001".to_owned() } else { format!("p = {:.3}", swap.p_adjusted) };
                (
                    self.both(format!("“{a}” against “{b}”"), format!("“{a}”与“{b}”")),
                    self.both(
                        format!("Your “{a}” goes with what the others call “{b}” (correlation {ca}; with their “{a}” {sa}), and your “{b}” with their “{a}” ({cb}; with their “{b}” {sb}). Over {} lots; {p} by luck alone.", swap.n_lots),
                        format!("你的“{a}”随他人的“{b}”变化（相关 {ca}；与他人的“{a}”为 {sa}），你的“{b}”随他人的“{a}”变化（{cb}；与“{b}”为 {sb}）。共 {} 个批次；纯属偶然的概率 {p}。", swap.n_lots),
                    ),
                    self.both(
                        format!("Three cups of plain water: leave one plain, make one “{a}” and one “{b}”, weak and then weaker; have them served blind until you name six of six.{}", self.trained_on(&swap.terms)),
                        format!("三杯清水：一杯不加，一杯做出“{a}”，一杯做出“{b}”，由浓到淡；请人盲样递送，直到六次全部说对。{}", self.trained_on(&swap.terms)),
                    ),
                )
            }
            Point::Crossed { term, r } => {
                let name = self.term(term);
                let r = match r {
                    Answer::Known(r) => self.range(r),
                    Answer::Unknown(_) => "–".to_owned(),
                };
                let ids = std::slice::from_ref(term);
                (
                    self.both(format!("Which way “{name}” runs"), format!("“{name}”的方向")),
                    self.both(
                        format!("Where the others mark “{name}” high you mark it low: correlation {r} over the lots."),
                        format!("他人给“{name}”高分时你给低分：各批次相关系数 {r}。"),
                    ),
                    self.both(
                        format!("Read the definition and the two ends of the line aloud together, then mark a weak and a strong cup.{}", self.trained_on(ids)),
                        format!("与大家一起读出定义和标度两端的含义，再评一杯弱的、一杯强的。{}", self.trained_on(ids)),
                    ),
                )
            }
            Point::Noisy { sd, ratio } => three(
                self.pick("The same tea twice", "同一茶样评两次"),
                self.both(
                    format!("Two cups of one lot in one session get marks that lie apart by sd {} points, {} times what the others have.", self.range(sd), self.range(ratio)),
                    format!("同场同批次的两杯，你的评分标准差为 {} 分，是他人的 {} 倍。", self.range(sd), self.range(ratio)),
                ),
                self.pick(
                    "Four cups, two lots twice, blind: find the pairs, then mark them. Slow down, rinse and wait between cups, one term at a time.",
                    "四杯盲样，两个批次各两杯：先找出成对的，再评分。放慢速度，杯间漱口、稍候，一次只评一个评语。",
                ).to_owned(),
            ),
            Point::Narrow { slope } => three(
                self.pick("The whole length of the line", "用足标度的长度"),
                self.both(
                    format!("Where the others move by one point you move by {}.", self.range(slope)),
                    format!("他人变化一分时，你变化 {} 分。", self.range(slope)),
                ),
                self.pick(
                    "Before the next session taste a very weak and a very strong cup of a term and agree where on the line each belongs; then dare to leave the middle.",
                    "下次审评前，先品尝一杯很弱的和一杯很强的，共同商定各在标度何处；然后大胆离开中间。",
                ).to_owned(),
            ),
            Point::Wide { slope } => three(
                self.pick("Smaller steps on the line", "标度上的步子小一些"),
                self.both(
                    format!("Where the others move by one point you move by {}.", self.range(slope)),
                    format!("他人变化一分时，你变化 {} 分。", self.range(slope)),
                ),
                self.pick(
                    "Before the next session taste a very weak and a very strong cup of a term and agree where on the line each belongs; keep the ends for those.",
                    "下次审评前，先品尝一杯很弱的和一杯很强的，共同商定各在标度何处；两端只留给这样的茶。",
                ).to_owned(),
            ),
            Point::OneScore => three(
                self.pick("The whole length of the line", "用足标度的长度"),
                self.pick(
                    "Where the others move you stay: your marks of a term are all the same.",
                    "他人评分变化时，你的不变：同一评语的各杯你都给同一分。",
                ).to_owned(),
                self.pick(
                    "Before the next session taste a very weak and a very strong cup of a term and agree where on the line each belongs; then dare to leave the middle.",
                    "下次审评前，先品一杯很弱的和一杯很强的，共同商定各在标度何处；然后大胆离开中间。",
                ).to_owned(),
            ),
            Point::Unrelated { slope } => three(
                self.pick("The words of the panel", "评茶组的评语"),
                self.both(
                    format!("Where the others move by one point you move by {}: your marks do not go with theirs.", self.range(slope)),
                    format!("他人变化一分时，你变化 {} 分：你的评分不随他人变化。", self.range(slope)),
                ),
                self.pick(
                    "Go through the definitions with the panel over two open cups, one term at a time, before scoring blind again.",
                    "再次盲评之前，与评茶组一起对着两杯明样，逐个评语核对定义。",
                ).to_owned(),
            ),
            Point::Offset { offset } => three(
                self.pick("Where the line begins", "标度的起点"),
                self.both(
                    format!("Over all terms your marks lie {} points {} the others'.", self.range(&upright(offset)), if offset.value > 0.0 { "above" } else { "below" }),
                    format!("全部评语合计，你的评分比他人{} {} 分。", if offset.value > 0.0 { "高" } else { "低" }, self.range(&upright(offset))),
                ),
                self.pick(
                    "Lots are compared all the same: your level is taken off. To meet the others, taste the reference openly before a session and hear what the panel gives it.",
                    "不影响批次比较：你的水平会被扣除。若要与他人接近，审评前明着品尝一次参照样，听听评茶组给它多少分。",
                ).to_owned(),
            ),
            Point::Drift { per_month } => three(
                self.pick("The same level from month to month", "逐月保持同一水平"),
                self.both(
                    format!("Against the others your marks move by {} points a month.", self.range(per_month)),
                    format!("与他人相比，你的评分每月移动 {} 分。", self.range(per_month)),
                ),
                self.pick(
                    "Taste the reference openly at the beginning of each session, with your own marks of the last time beside it.",
                    "每场开始时明着品尝一次参照样，旁边放着自己上次的评分。",
                ).to_owned(),
            ),
            Point::NotTold { terms, p_above } => three(
                self.pick("Differences that the panel finds", "评茶组能发现的差异"),
                self.both(
                    format!("In {} the panel tells the lots apart; your own marks do not yet (p {} or more).", self.terms(terms), number(*p_above)),
                    format!("在“{}”上评茶组能区分批次，你自己的评分尚不能（p 不小于 {}）。", self.terms(terms), number(*p_above)),
                ),
                self.both(
                    format!("Take the two lots that lie furthest apart in one of these terms, openly first, then blind.{}", self.trained_on(terms)),
                    format!("取其中一个评语上相差最大的两个批次，先明样、后盲样练习。{}", self.trained_on(terms)),
                ),
            ),
            Point::KeepOn => three(
                self.pick("Keep it up", "保持下去"),
                self.pick(
                    "Nothing stands out by more than luck. That does not say that there is nothing: few scores show only large habits.",
                    "没有超出偶然的偏差。这并不说明没有：评分少时只能看出大的习惯。",
                ).to_owned(),
                self.pick(
                    "One blind duplicate in each flight keeps the senses honest.",
                    "每轮放一个不告知的重复样，可保持感官可靠。",
                ).to_owned(),
            ),
        }
    }
}

/// A distance below as a length.
fn upright(e: &Estimate) -> Estimate {
    if e.value < 0.0 { Estimate { value: -e.value, lower: -e.upper, upper: -e.lower } } else { *e }
}
