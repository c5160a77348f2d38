//! What ballots and pouring plans say: from a session to the inputs of the printed sheets.

use crate::book::labels::Labels;
use crate::book::session_files::{Flight, Kind, SessionFile};
use crate::book::vocabulary::{Ends, Level, Scale};
use crate::book::{Book, BookError};
use crate::sheets::ballots::{BallotFlight, BallotKind, BallotPaper, BallotTerm};
use crate::sheets::pouring::{PourRow, PouringPlan, ServingOrder};
use crate::sheets::{BallotScale, Lang};

use super::pour::Pour;
use super::sample::Role;
use super::state::Session;
use super::unfit::NotToPour;

fn code_of(language: Lang) -> &'static str {
    match language {
        Lang::En => "en",
        Lang::Zh => "zh",
    }
}

fn pick(language: Lang, en: String, zh: String) -> String {
    match language {
        Lang::En => en,
        Lang::Zh => zh,
    }
}

/// The ballot of a taster. It knows codes only.
///
/// # Errors
/// If the book's description or tasters are wrong.
pub fn ballot(
    book: &Book,
    session: &Session,
    taster: &str,
    languages: &[Lang],
) -> Result<BallotPaper, BookError> {
    let plan = session.plan();
    let main = languages.first().copied().unwrap_or_default();
    let flights = plan
        .flights
        .iter()
        .map(|f| BallotFlight {
            label: label_of(plan, f, main),
            cups: f.order_of(taster).to_vec(),
            steeps: u8::try_from(plan.n_steeps()).unwrap_or(u8::MAX),
        })
        .collect();
    let terms = plan
        .terms
        .iter()
        .map(|t| {
            let family = plan.families.iter().find(|f| f.id == t.family);
            BallotTerm {
                family: family.map_or_else(
                    || vec![t.family.clone(); languages.len()],
                    |f| texts(&f.labels, &f.id, languages),
                ),
                labels: texts(&t.labels, &t.id, languages),
                definition: if t.definition.is_empty() {
                    vec![String::new(); languages.len()]
                } else {
                    texts(&t.definition, "", languages)
                },
                scale: scale(&t.scale, languages),
            }
        })
        .collect();
    Ok(BallotPaper {
        book_title: book.book_file()?.value.title,
        session: session.name.clone(),
        kind: match plan.kind {
            Kind::Profile => BallotKind::Profile,
            Kind::Ranking => BallotKind::Ranking,
            Kind::Triangle => BallotKind::Triangle,
            Kind::DuoTrio => BallotKind::DuoTrio,
            Kind::Paired => BallotKind::Paired,
        },
        ties: plan.test.as_ref().is_some_and(|t| t.ties),
        taster_name: name_of(book, taster)?,
        date: plan.day.0,
        recipe: recipe(plan, main),
        digest: digest(plan, main),
        cautions: plan.flights.iter().filter_map(|f| warm_up(f, main)).collect(),
        languages: languages.to_vec(),
        flights,
        terms,
        guess: plan.guess,
    })
}

/// The pouring plan of a session, from what [`super::pour::pouring_plan`] gave out.
///
/// # Errors
/// If the book's description or tasters are wrong.
pub fn pouring(
    book: &Book,
    session: &Session,
    pours: &[Pour],
    pourer: &str,
    languages: &[Lang],
    not_to_pour: &[NotToPour],
) -> Result<PouringPlan, BookError> {
    let plan = session.plan();
    let main = languages.first().copied().unwrap_or_default();
    // A day behind a label is the same in all languages: it is said once.
    let label = |number: u32| {
        let Some(flight) = plan.flights.iter().find(|f| f.number == number) else {
            return number.to_string();
        };
        dated(plan, flight, in_each(languages, " ", |l| number_of(flight, l)))
    };
    let rows = pours
        .iter()
        .map(|p| PourRow {
            flight: label(p.flight),
            code: p.code,
            sample: p.sample.to_string(),
            role: in_each(languages, " ", |l| role(p.role, l).to_owned()),
            brew: p.brew.to_string(),
            leaf_g: plan.recipe.leaf_g,
            water_ml: plan.recipe.water_ml,
        })
        .collect();
    let mut orders = Vec::new();
    for flight in &plan.flights {
        for taster in &plan.tasters {
            orders.push(ServingOrder {
                flight: label(flight.number),
                taster: name_of(book, taster)?,
                cups: flight.warm_up.into_iter().chain(flight.order_of(taster).to_vec()).collect(),
            });
        }
    }
    Ok(PouringPlan {
        book_title: book.book_file()?.value.title,
        session: session.name.clone(),
        pourer: pourer.to_owned(),
        date: plan.day.0,
        recipe: lines_in_each(languages, |l| recipe(plan, l)),
        languages: languages.to_vec(),
        rows,
        orders,
        cautions: cautions(not_to_pour, languages),
        digest: digest(plan, main),
    })
}

/// What is not to be poured, sample by sample.
fn cautions(not_to_pour: &[NotToPour], languages: &[Lang]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for one in not_to_pour {
        let codes: Vec<String> = not_to_pour
            .iter()
            .filter(|n| n.sample == one.sample)
            .map(|n| n.code.to_string())
            .collect();
        let (codes, sample) = (codes.join(", "), &one.sample);
        // The reasons are words of the lot's log, in whatever language they were written.
        let why = one.reasons.join("; ");
        let text = in_each(languages, " ", |l| {
            pick(
                l,
                format!("DO NOT POUR {sample} (cups {codes}): {why}. Enter these cups as lost."),
                format!("请勿冲泡 {sample}（杯号 {codes}）：{why}。请将这些杯记为作废。"),
            )
        });
        if !all.contains(&text) {
            all.push(text);
        }
    }
    all
}

fn name_of(book: &Book, taster: &str) -> Result<String, BookError> {
    let known = book.tasters()?.value;
    Ok(known.taster(taster).and_then(|t| t.name.clone()).unwrap_or_else(|| taster.to_owned()))
}

fn label_of(plan: &SessionFile, flight: &Flight, language: Lang) -> String {
    dated(plan, flight, number_of(flight, language))
}

fn number_of(flight: &Flight, language: Lang) -> String {
    pick(language, format!("Flight {}", flight.number), format!("第 {} 轮", flight.number))
}

/// Flights of another day than the session's say so.
fn dated(plan: &SessionFile, flight: &Flight, label: String) -> String {
    if flight.day == plan.day { label } else { format!("{label}, {}", flight.day) }
}

/// A text in each language; what is the same in all of them stands once.
fn in_each(languages: &[Lang], between: &str, text: impl Fn(Lang) -> String) -> String {
    lines_in_each(languages, |l| vec![text(l)]).join(between)
}

fn lines_in_each(languages: &[Lang], lines: impl Fn(Lang) -> Vec<String>) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for line in languages.iter().flat_map(|l| lines(*l)) {
        if !all.contains(&line) {
            all.push(line);
        }
    }
    all
}

fn warm_up(flight: &Flight, language: Lang) -> Option<String> {
    let code = flight.warm_up?;
    Some(pick(
        language,
        format!("Flight {}: first taste the warm-up cup {code}. It is not scored.", flight.number),
        format!("第 {} 轮：先品尝热身杯 {code}，不打分。", flight.number),
    ))
}

fn digest(plan: &SessionFile, language: Lang) -> String {
    plan.key_digest.clone().unwrap_or_else(|| {
        pick(
            language,
            "none, poured and tasted alone".to_owned(),
            "无（独自冲泡并审评）".to_owned(),
        )
    })
}

fn recipe(plan: &SessionFile, language: Lang) -> Vec<String> {
    let r = &plan.recipe;
    let steeps: Vec<String> = r.steeps_s.iter().map(u32::to_string).collect();
    let mut lines = vec![
        r.labels.or(code_of(language), &r.id).to_owned(),
        pick(
            language,
            format!(
                "{} g in {} ml at {} °C, {} s",
                r.leaf_g,
                r.water_ml,
                r.water_c,
                steeps.join(" + ")
            ),
            format!(
                "{} 克，{} 毫升，{} °C，{} 秒",
                r.leaf_g,
                r.water_ml,
                r.water_c,
                steeps.join(" + ")
            ),
        ),
    ];
    if let Some(rinse) = r.rinse_s {
        lines.push(pick(language, format!("rinsed for {rinse} s"), format!("洗茶 {rinse} 秒")));
    }
    lines
}

fn role(role: Role, language: Lang) -> &'static str {
    match (role, language) {
        (_, Lang::En) => role.word(),
        (Role::Lot, Lang::Zh) => "茶样",
        (Role::Duplicate, Lang::Zh) => "重复样",
        (Role::Reference, Lang::Zh) => "参照样",
        (Role::WarmUp, Lang::Zh) => "热身杯",
    }
}

fn texts(labels: &Labels, id: &str, languages: &[Lang]) -> Vec<String> {
    languages.iter().map(|l| labels.or(code_of(*l), id).to_owned()).collect()
}

fn scale(scale: &Scale, languages: &[Lang]) -> BallotScale {
    let levels =
        |levels: &[Level]| levels.iter().map(|l| texts(&l.labels, &l.id, languages)).collect();
    match scale {
        Scale::Line { low, high, step, ends: words } => {
            BallotScale::Line { low: *low, high: *high, step: *step, ends: ends(words, languages) }
        }
        Scale::Bipolar { low, high, step, ends: words } => BallotScale::Bipolar {
            low: *low,
            high: *high,
            step: *step,
            ends: ends(words, languages),
        },
        Scale::Ordered { levels: l } => BallotScale::Ordered { levels: levels(l) },
        Scale::Nominal { levels: l } => BallotScale::Nominal { levels: levels(l) },
        Scale::Tick => BallotScale::Tick,
        Scale::Fault => BallotScale::Fault,
        Scale::Note => BallotScale::Note,
    }
}

/// The words at the two ends, in each language.
fn ends(words: &Ends, languages: &[Lang]) -> [Vec<String>; 2] {
    let of = |i: usize| {
        languages
            .iter()
            .map(|l| {
                words
                    .get(code_of(*l))
                    .or_else(|| words.get("en"))
                    .or_else(|| words.values().next())
                    .map_or_else(String::new, |w| w[i].clone())
            })
            .collect()
    };
    [of(0), of(1)]
}
