//! Ballots on paper: what a taster fills in with a pen. A ballot is given codes, never lots.

use jiff::civil::Date;
use serde_json::{Value, json};

use super::scales::{self, BallotScale};
use super::words::{cautions_in, texts, typst_language, words_in};
use super::{Lang, SheetError, world};

const TEMPLATE: &str = include_str!("typ/ballot.typ");

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BallotKind {
    /// Scores on terms, cup by cup.
    Profile,
    /// The cups of a flight put in order, term by term.
    Ranking,
    /// Three cups, one of them odd.
    Triangle,
    /// A reference, served first, and two cups, one of them the same as the reference.
    DuoTrio,
    /// Two cups: which has more of the first term.
    Paired,
}

/// Cups that are tasted without a long rest.
#[derive(Debug, Clone, PartialEq)]
pub struct BallotFlight {
    /// Name of the flight, such as `Flight 1`.
    pub label: String,
    /// Codes in the serving order of this taster.
    pub cups: Vec<u16>,
    /// How many times the same leaf is brewed; each steep is scored by itself. 1 if it is brewed once.
    pub steeps: u8,
}

/// A term that is asked, its texts in the order of the paper's languages.
#[derive(Debug, Clone, PartialEq)]
pub struct BallotTerm {
    /// Family of the term, such as taste.
    pub family: Vec<String>,
    /// Label.
    pub labels: Vec<String>,
    /// Meaning in short, for the list of terms; may be empty.
    pub definition: Vec<String>,
    /// Scale.
    pub scale: BallotScale,
}

/// Everything on the ballot of one taster.
#[derive(Debug, Clone, PartialEq)]
pub struct BallotPaper {
    /// Title of the book.
    pub book_title: String,
    /// Name of the session.
    pub session: String,
    /// What is asked.
    pub kind: BallotKind,
    /// Name of the taster.
    pub taster_name: String,
    /// Day of the session.
    pub date: Date,
    /// The recipe as brewed, a line each.
    pub recipe: Vec<String>,
    /// Digest of the sealed key.
    pub digest: String,
    /// Cautions of this session, in the main language, printed before the fixed ones.
    pub cautions: Vec<String>,
    /// One or two languages, the main one first.
    pub languages: Vec<Lang>,
    /// The flights.
    pub flights: Vec<BallotFlight>,
    /// The terms in the order in which they are asked.
    pub terms: Vec<BallotTerm>,
    /// Whether the taster is asked to guess the lot.
    pub guess: bool,
    /// Whether cups may share a rank.
    pub ties: bool,
}

/// Sets the ballot of one taster as a PDF on A4.
///
/// # Errors
/// [`SheetError::Incomplete`] if there is no language, flight, cup, digest or needed term, if a term lacks a text for
/// one of the languages, or if a scale makes no sense; [`SheetError::MissingGlyphs`] for characters that cannot be
/// shown.
pub fn ballot_pdf(paper: &BallotPaper) -> Result<Vec<u8>, SheetError> {
    let name = format!("ballot of {}", paper.taster_name);
    check(&name, paper)?;
    let main = paper.languages[0];
    let rows = match paper.kind {
        BallotKind::Profile => scales::rows(&name, &paper.terms)?,
        _ => Vec::new(),
    };
    let mut cautions: Vec<Value> = paper.cautions.iter().map(|text| json!([text])).collect();
    if let Value::Array(fixed) = cautions_in(&paper.languages) {
        cautions.extend(fixed);
    }
    let data = json!({
        "book": paper.book_title,
        "session": paper.session,
        "kind": kind_name(paper.kind),
        "taster": paper.taster_name,
        "date": date_data(paper.date),
        "recipe": paper.recipe,
        "digest": paper.digest,
        "language": typst_language(main),
        "languages": paper.languages.len(),
        "words": words_in(&paper.languages),
        "how": how(paper),
        "cautions": cautions,
        "glossary": glossary(paper),
        "flights": paper.flights.iter().map(|flight| json!({
            "label": flight.label,
            "cups": flight.cups.iter().map(ToString::to_string).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "cups": cups(main, &paper.flights),
        "rows": rows,
        "guess": paper.guess,
        "sets": sets(paper),
    });
    let date = paper.date;
    world::pdf(world::Sheet { name: &name, template: TEMPLATE, data, files: Vec::new(), date })
}

fn check(name: &str, paper: &BallotPaper) -> Result<(), SheetError> {
    let incomplete = |found: String, expected| {
        Err(SheetError::Incomplete { sheet: name.to_owned(), found, expected })
    };
    if paper.languages.is_empty() || paper.languages.len() > 2 {
        let found = format!("{} languages", paper.languages.len());
        return incomplete(found, "one language, or two");
    }
    if paper.flights.is_empty() {
        return incomplete("no flight".into(), "at least one flight");
    }
    if let Some(flight) = paper.flights.iter().find(|flight| flight.cups.is_empty()) {
        return incomplete(
            format!("no cup in {}", flight.label),
            "at least one cup in each flight",
        );
    }
    if paper.digest.trim().is_empty() {
        return incomplete("no digest".into(), "the digest of the sealed key");
    }
    let cups = match paper.kind {
        BallotKind::Profile | BallotKind::Ranking => None,
        BallotKind::Triangle | BallotKind::DuoTrio => Some(3),
        BallotKind::Paired => Some(2),
    };
    if let Some(n) = cups
        && let Some(flight) = paper.flights.iter().find(|flight| flight.cups.len() != n)
    {
        let found = format!("{} cups in {}", flight.cups.len(), flight.label);
        return incomplete(found, "three cups for a triangle or duo-trio, two for a pair");
    }
    let needs_term =
        matches!(paper.kind, BallotKind::Profile | BallotKind::Ranking | BallotKind::Paired);
    if needs_term && paper.terms.is_empty() {
        return incomplete("no term".into(), "at least one term");
    }
    for term in &paper.terms {
        let label = term.labels.first().cloned().unwrap_or_default();
        let n = paper.languages.len();
        if term.labels.len() != n || term.labels.iter().any(|text| text.trim().is_empty()) {
            let found = format!("{} labels for the term {label:?}", term.labels.len());
            return incomplete(found, "a label for each language of the paper");
        }
    }
    Ok(())
}

fn kind_name(kind: BallotKind) -> &'static str {
    match kind {
        BallotKind::Profile => "profile",
        BallotKind::Ranking => "ranking",
        BallotKind::Triangle => "triangle",
        BallotKind::DuoTrio => "duo-trio",
        BallotKind::Paired => "paired",
    }
}

/// A date as a template takes it.
pub(super) fn date_data(date: Date) -> Value {
    json!({ "year": date.year(), "month": date.month(), "day": date.day(), "text": date.to_string() })
}

/// Each cup of each steep, with its place in words.
fn cups(lang: Lang, flights: &[BallotFlight]) -> Vec<Value> {
    let mut cups = Vec::new();
    for (f, flight) in flights.iter().enumerate() {
        let n = flight.cups.len();
        for steep in 1..=flight.steeps.max(1) {
            for (i, code) in flight.cups.iter().enumerate() {
                let mut place = match lang {
                    Lang::En => format!("{} · cup {} of {n}", flight.label, i + 1),
                    Lang::Zh => format!("{} · 第 {} 杯，共 {n} 杯", flight.label, i + 1),
                };
                if flight.steeps > 1 {
                    place.push_str(&match lang {
                        Lang::En => format!(" · steep {steep}"),
                        Lang::Zh => format!(" · 第 {steep} 泡"),
                    });
                }
                cups.push(json!({ "flight": f, "code": code.to_string(), "place": place }));
            }
        }
    }
    cups
}

/// The list of terms with their meanings.
fn glossary(paper: &BallotPaper) -> Vec<Value> {
    paper
        .terms
        .iter()
        .filter(|term| term.definition.iter().any(|text| !text.trim().is_empty()))
        .map(|term| json!({ "label": term.labels, "definition": term.definition }))
        .collect()
}

/// How to mark the scales that are on this paper, and no others.
fn how(paper: &BallotPaper) -> Vec<Value> {
    let say = |en: &str, zh: &str| texts(&paper.languages, en, zh);
    let mut items = Vec::new();
    if paper.kind == BallotKind::Profile {
        let any = |wanted: fn(&BallotScale) -> bool| paper.terms.iter().any(|t| wanted(&t.scale));
        if any(|s| matches!(s, BallotScale::Line { .. } | BallotScale::Bipolar { .. })) {
            items.push(say(
                "Line: one upright stroke through the line where it belongs. A line without a stroke is unanswered; it does not count as the middle.",
                "线段：在相应位置画一竖穿过线段。未画即为未答，不会按中间值计。",
            ));
        }
        if any(|s| matches!(s, BallotScale::Ordered { .. } | BallotScale::Nominal { .. })) {
            items.push(say("Rings: cross one.", "圆圈：只选一个打叉。"));
        }
        if any(|s| matches!(s, BallotScale::Tick)) {
            items.push(say(
                "Boxes: cross whatever you find. Handed in empty, a box counts as not found.",
                "方框：有则打叉。提交时空白即视为没有。",
            ));
        }
        if any(|s| matches!(s, BallotScale::Fault)) {
            items.push(say(
                "Faults: cross 0 absent, 1 trace, 2 clear or 3 rejects the lot. Handed in empty, a fault counts as absent.",
                "缺陷：0 无、1 微、2 明显、3 拒收，选一个打叉。提交时空白即视为无。",
            ));
        }
    }
    match paper.kind {
        BallotKind::Profile => {}
        BallotKind::Ranking => items.push(say(
            "Ranks: a number below each cup. Leave a cup that you would rather not rank without a number.",
            "名次：在每杯下写一个数字。不愿排名的茶杯留空。",
        )),
        BallotKind::Triangle | BallotKind::DuoTrio | BallotKind::Paired => items.push(say(
            "Boxes: cross one in each set, even if you have to guess.",
            "方框：每组只选一个打叉；分辨不出也请猜一个。",
        )),
    }
    items.push(say(
        "To correct, strike out and mark anew. Do not talk about the cups until all ballots are in.",
        "改动请划去后重标。全部评茶单交齐前请勿交谈茶样。",
    ));
    items
}

/// The sets of cups that one question is asked about: each flight, in a ranking for each term.
fn sets(paper: &BallotPaper) -> Vec<Value> {
    let n_terms = match paper.kind {
        BallotKind::Profile => 0,
        BallotKind::Ranking => paper.terms.len(),
        BallotKind::Triangle | BallotKind::DuoTrio | BallotKind::Paired => 1,
    };
    paper
        .flights
        .iter()
        .flat_map(|flight| {
            (0..n_terms).map(move |term| {
                json!({
                    "label": flight.label,
                    "cups": flight.cups.iter().map(ToString::to_string).collect::<Vec<_>>(),
                    "task": task(paper, term),
                })
            })
        })
        .collect()
}

/// The question about a set of cups.
fn task(paper: &BallotPaper, term: usize) -> Value {
    let label = |i: usize| {
        paper.terms.get(term).and_then(|t| t.labels.get(i)).map(String::as_str).unwrap_or_default()
    };
    paper
        .languages
        .iter()
        .enumerate()
        .map(|(i, lang)| {
            let term = label(i);
            json!(match (paper.kind, lang) {
                (BallotKind::Profile, _) => String::new(),
                (BallotKind::Ranking, Lang::En) if paper.ties => format!(
                    "Put the cups in order by: {term}. 1 = most; cups that are alike may share a number."
                ),
                (BallotKind::Ranking, Lang::En) =>
                    format!("Put the cups in order by: {term}. 1 = most; each cup a different number."),
                (BallotKind::Ranking, Lang::Zh) if paper.ties =>
                    format!("请按“{term}”由强到弱排序：1 为最强，相同者可并列。"),
                (BallotKind::Ranking, Lang::Zh) =>
                    format!("请按“{term}”由强到弱排序：1 为最强，每杯名次不同。"),
                (BallotKind::Triangle, Lang::En) =>
                    "Two of these cups are the same tea. Taste from left to right and cross the one that differs.".to_owned(),
                (BallotKind::Triangle, Lang::Zh) =>
                    "三杯中有两杯为同一茶样。请从左到右品尝，在不同的一杯下打叉。".to_owned(),
                (BallotKind::DuoTrio, Lang::En) =>
                    "The first cup is the reference. Cross the one of the other two that is the same tea.".to_owned(),
                (BallotKind::DuoTrio, Lang::Zh) =>
                    "第一杯为对照样。请在其余两杯中与对照样相同的一杯下打叉。".to_owned(),
                (BallotKind::Paired, Lang::En) =>
                    format!("Which cup has more of this: {term}? Taste from left to right and cross it."),
                (BallotKind::Paired, Lang::Zh) =>
                    format!("哪一杯的“{term}”更强？请从左到右品尝，在该杯下打叉。"),
            })
        })
        .collect()
}
