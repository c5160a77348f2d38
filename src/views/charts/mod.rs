//! Findings as charts: which number goes into which row, and nothing computed.

mod age;

pub use age::{TOGETHER as AGE_TOGETHER, age, file_name as age_file, month as months};
mod compare;
mod link;
mod monitor;
mod names;
mod sets;

use std::collections::BTreeMap;

use crate::findings::agree::Agree;
use crate::findings::compare::Compare;
use crate::findings::habits::{TasterInTerm, TasterOverall};
use crate::findings::in_scale::InScale;
use crate::findings::term_comparison::{Level, TermComparison};
use crate::findings::{Answer, Estimate};
use crate::plots::dots::{DotRow, DotRows, Panel, dot_rows};
use crate::plots::tasters::{TasterPanel, TasterRow, TasterRows, taster_rows};
use crate::plots::{self, Basis, Lang, Paper, PlotError};
use crate::scores::ScaleKind;

pub use link::{line_name, line_range, link};
pub use monitor::monitor;
pub use names::{category, parameter_names};
pub use sets::{difference, ranking, trial};

/// A chart with the name of its file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chart {
    /// The file's name.
    pub file: String,
    /// The drawing.
    pub svg: String,
    /// The same for a phone, where it was asked for.
    pub narrow: Option<String>,
}

impl Chart {
    fn new(file: impl Into<String>, svg: String) -> Self {
        Self { file: file.into(), svg, narrow: None }
    }
}

/// From a finding and the words of the reader to its charts.
pub type Draw<F> = fn(&F, &Words) -> Result<Vec<Chart>, PlotError>;

/// The charts of a page: each also as a phone shows it.
///
/// # Errors
/// As `draw` has them.
pub fn for_page<F>(draw: Draw<F>, finding: &F, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let mut wide = draw(finding, words)?;
    let narrow = draw(finding, &Words { paper: Paper::Narrow, ..words.clone() })?;
    for chart in narrow {
        if let Some(own) = wide.iter_mut().find(|c| c.file == chart.file) {
            own.narrow = Some(chart.svg);
        }
    }
    Ok(wide)
}

/// What a chart calls its terms, in its language.
#[derive(Debug, Clone, Default)]
pub struct Words {
    /// The language.
    pub lang: Lang,
    /// What is drawn on.
    pub paper: Paper,
    /// For a term's id its name and the words at the ends of its scale, where there are any.
    pub terms: BTreeMap<String, (String, Option<(String, String)>)>,
    /// For a term and a level of its scale the level's name.
    pub levels: BTreeMap<(String, String), String>,
    /// For a parameter's id, or `id=category`, its name.
    pub parameters: BTreeMap<String, String>,
}

impl Words {
    /// The same words with names of parameters.
    #[must_use]
    pub fn with_parameters(mut self, parameters: BTreeMap<String, String>) -> Self {
        self.parameters = parameters;
        self
    }

    /// What a parameter is called, or one of its categories.
    #[must_use]
    pub fn parameter(&self, id: &str) -> String {
        if let Some(known) = self.parameters.get(id) {
            return known.clone();
        }
        // A category that has no name of its own stands behind that of its parameter.
        match id.rsplit_once('=').and_then(|(p, c)| Some((self.parameters.get(p)?, c))) {
            Some((parameter, category)) => format!("{parameter}{}{category}", self.lang.colon()),
            None => id.to_owned(),
        }
    }

    /// What a term is called.
    #[must_use]
    pub fn name(&self, id: &str) -> String {
        self.terms.get(id).map_or_else(|| id.to_owned(), |(name, _)| name.clone())
    }

    fn ends(&self, id: &str) -> (String, String) {
        self.terms.get(id).and_then(|(_, ends)| ends.clone()).unwrap_or_else(|| {
            let (low, high) = self.pick(("less", "more"), ("少", "多"));
            (low.to_owned(), high.to_owned())
        })
    }

    /// Of two wordings that in the language.
    pub fn pick<T>(&self, en: T, zh: T) -> T {
        match self.lang {
            Lang::En => en,
            Lang::Zh => zh,
        }
    }

    /// The word for a habit.
    #[must_use]
    pub fn habit<'a>(&self, kind: &'a str) -> &'a str {
        match (self.lang, kind) {
            (Lang::En, kind) => kind,
            (Lang::Zh, "offset") => "偏移",
            (Lang::Zh, "narrow") => "幅度窄",
            (Lang::Zh, "wide") => "幅度宽",
            (Lang::Zh, "unrelated") => "与他人无关",
            (Lang::Zh, "against") => "与他人相反",
            (Lang::Zh, "noisy") => "重复性差",
            (Lang::Zh, "drift") => "漂移",
            (Lang::Zh, "crossed") => "方向相反",
            (Lang::Zh, "swapped") => "两词混淆",
            (Lang::Zh, kind) => kind,
        }
    }
}

/// tasters.svg: each taster against the others, over all terms and term by term.
///
/// # Errors
/// [`PlotError`], if there is no taster to draw or a name has characters that cannot be shown.
pub fn agree(f: &Agree, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let mut panels = Vec::new();
    let mut counted = Counted::default();
    if let Some(h) = f.habits.known() {
        panels.push(TasterPanel {
            label: words.pick("all terms on a line", "全部线性标度评语").to_owned(),
            rows: h.tasters.iter().map(|t| over_all(t, words)).collect(),
        });
    }
    for t in &f.terms {
        let tasters = t.tasters.known().filter(|_| t.panel.model.known().is_some());
        let p = &t.panel;
        counted.term((&p.term, p.scale, p.n_scores), tasters.is_some(), words);
        let Some(tasters) = tasters else { continue };
        panels.push(TasterPanel {
            label: words.name(&t.panel.term),
            rows: tasters.iter().map(|t| in_term(t, words)).collect(),
        });
    }
    let mut notes = footnotes(f.individual_opinions, f.tasters.len(), words);
    let why = ("tasters are not compared in it", "其中不比较评茶员");
    notes.extend(counted.said(f.n_scores, why, words));
    let svg = taster_rows(&TasterRows {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Do the tasters agree?", "评茶员意见一致吗？").to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores: counted.drawn,
            level: f.settings.level,
            of: words
                .pick("each taster against the mean of the others", "每位评茶员与其余各位均值之比")
                .to_owned(),
        },
        panels,
        footnotes: notes,
    })?;
    Ok(vec![Chart::new("tasters.svg", svg)])
}

/// levels.svg: the lots as dots on their intervals, term by term; map.svg and steeps.svg where
/// there are a map and several steeps.
///
/// # Errors
/// [`PlotError`], if no term has levels or a name has characters that cannot be shown.
pub fn compare(f: &Compare, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let mut counted = Counted::default();
    let mut panels: Vec<Panel> = Vec::new();
    for t in &f.terms {
        let panel = panel(&t.lots, &f.source.references, words);
        let t = &t.lots;
        counted.term((&t.term, t.scale, t.n_scores), panel.is_some(), words);
        panels.extend(panel);
    }
    let of = if f.tasters.is_empty() {
        words.pick("each lot's mean", "各批次均值")
    } else {
        words.pick("each lot's adjusted mean, tasters a sample", "各批次调整均值（评茶员视为抽样）")
    };
    let mut footnotes = footnotes(f.individual_opinions, f.tasters.len(), words);
    let why = ("no level is known", "没有水平");
    footnotes.extend(counted.said(f.n_scores, why, words));
    footnotes.push(
        words
            .pick(
                "Overlapping lines do not show that lots are alike: differences have intervals of \
                 their own, without the tasters' offsets.",
                "线段重叠并不说明批次相同：差异另有其区间，不含评茶员的偏移。",
            )
            .to_owned(),
    );
    let svg = dot_rows(&DotRows {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Which lots differ?", "哪些批次有差异？").to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores: counted.drawn,
            level: f.settings.level,
            of: of.to_owned(),
        },
        panels,
        footnotes,
    })?;
    let mut charts = vec![Chart::new("levels.svg", svg)];
    for more in [compare::map(f, words), compare::steeps(f, words)].into_iter().flatten() {
        charts.push(more?);
    }
    Ok(charts)
}

fn footnotes(individual_opinions: bool, n_tasters: usize, words: &Words) -> Vec<String> {
    let note = match n_tasters {
        1 => words.pick("One taster: an individual opinion.", "一位评茶员：个人意见。"),
        _ => words.pick("Two or three tasters: individual opinions.", "两三位评茶员：个人意见。"),
    };
    if individual_opinions { vec![note.to_owned()] } else { Vec::new() }
}

/// What a chart's count of scores is made of.
#[derive(Default)]
struct Counted {
    /// Of the terms that are drawn.
    drawn: usize,
    /// Ticks and categories of terms that are not.
    ticks: usize,
    /// Of terms that are scored on a scale and are not drawn, by their names.
    others: (usize, Vec<String>),
}

impl Counted {
    /// Adds a term.
    fn term(&mut self, (term, scale, n): (&str, ScaleKind, usize), drawn: bool, words: &Words) {
        match scale {
            _ if drawn => self.drawn += n,
            ScaleKind::Tick | ScaleKind::Nominal => self.ticks += n,
            _ if n > 0 => {
                self.others.0 += n;
                self.others.1.push(words.name(term));
            }
            _ => {}
        }
    }

    /// Why a chart counts fewer scores than the finding: what the others are, and how many of each. `why` says why a
    /// term is not drawn.
    fn said(&self, all: usize, why: (&str, &str), words: &Words) -> Option<String> {
        let rest = all.checked_sub(self.drawn).filter(|n| *n > 0)?;
        let mut parts = Vec::new();
        if self.ticks > 0 {
            let n = self.ticks;
            parts.push(
                words.pick(format!("{n} are ticks or categories"), format!("{n} 个为勾选或分类")),
            );
        }
        let (n, names) = &self.others;
        if *n > 0 {
            parts.push(words.pick(
                format!("{n} are of {} ({})", names.join(", "), why.0),
                format!("{n} 个属于{}（{}）", names.join("、"), why.1),
            ));
        }
        let left = rest.saturating_sub(self.ticks + n);
        if left > 0 {
            parts.push(words.pick(format!("{left} were left out"), format!("{left} 个已剔除")));
        }
        Some(words.pick(
            format!(
                "n: the scores of the terms drawn here; of the other {rest} of {all}: {}.",
                parts.join("; ")
            ),
            format!("n：此图所绘评语的评分；{all} 个中其余 {rest} 个：{}。", parts.join("；")),
        ))
    }
}

/// A level as it is drawn: within its scale.
fn drawn(l: &InScale) -> plots::Estimate {
    plots::Estimate { value: l.value, lower: l.lower, upper: l.upper }
}

fn mark(answer: &Answer<Estimate>) -> Option<plots::Estimate> {
    answer.known().map(|e| plots::Estimate { value: e.value, lower: e.lower, upper: e.upper })
}

/// A ratio is drawn on an axis of ratios, which has no place for 0.
fn mark_ratio(answer: &Answer<Estimate>) -> Option<plots::Estimate> {
    mark(answer).filter(|e| e.lower > 0.0)
}

fn over_all(t: &TasterOverall, words: &Words) -> TasterRow {
    let habits: Vec<String> = t
        .habits
        .iter()
        .map(|h| match h.terms.as_slice() {
            [] => words.habit(&h.kind).to_owned(),
            terms => {
                let names: Vec<String> = terms.iter().map(|t| words.name(t)).collect();
                words.pick(
                    format!("{} ({})", words.habit(&h.kind), names.join(", ")),
                    format!("{}（{}）", words.habit(&h.kind), names.join("、")),
                )
            }
        })
        .collect();
    TasterRow {
        taster: t.taster.clone(),
        offset: mark(&t.offset),
        slope: mark(&t.slope),
        noise: mark_ratio(&t.noise_ratio),
        remark: Some(habits.join(words.lang.between())).filter(|r| !r.is_empty()),
    }
}

fn in_term(t: &TasterInTerm, words: &Words) -> TasterRow {
    TasterRow {
        taster: t.taster.clone(),
        offset: mark(&t.offset),
        slope: mark(&t.slope),
        noise: mark_ratio(&t.noise_ratio),
        remark: Some(
            t.remarks.iter().map(|r| words.habit(r)).collect::<Vec<_>>().join(words.lang.between()),
        )
        .filter(|r| !r.is_empty()),
    }
}

fn panel(t: &TermComparison, references: &[String], words: &Words) -> Option<Panel> {
    let (levels, ends) = (t.levels.known()?, t.ends.known()?);
    Some(Panel {
        label: words.name(&t.term),
        ends: words.ends(&t.term),
        range: (ends[0], ends[1]),
        rows: levels.iter().map(|l| row(l, references)).collect(),
    })
}

fn row(l: &Level, references: &[String]) -> DotRow {
    DotRow {
        label: l.lot.clone(),
        estimate: l.adjusted.known().map(|a| drawn(&a.shown())),
        letters: l.letters.known().cloned(),
        note: l.adjusted.reason().map(str::to_owned),
        reference: references.contains(&l.lot),
    }
}
