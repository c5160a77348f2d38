//! The pouring plan: the one paper with lots on it, for the person who pours and does not taste.

use jiff::civil::Date;
use serde_json::{Map, Value, json};

use super::ballots::date_data;
use super::words::{cautions_in, typst_language, words_in};
use super::{Lang, SheetError, world};

const PLAN: &str = include_str!("typ/pouring.typ");
const LABELS: &str = include_str!("typ/labels.typ");

/// One cup to pour.
#[derive(Debug, Clone, PartialEq)]
pub struct PourRow {
    /// Name of the flight.
    pub flight: String,
    /// Code under the cup.
    pub code: u16,
    /// Sample: lot, or lot@arm.
    pub sample: String,
    /// Role in the languages of the paper: lot, duplicate, reference, warm-up.
    pub role: String,
    /// Which pot it is poured from.
    pub brew: String,
    /// Leaf in grams for this pot.
    pub leaf_g: f64,
    /// Water in millilitres for this pot.
    pub water_ml: f64,
}

/// Codes of one flight in the order in which one taster gets them.
#[derive(Debug, Clone, PartialEq)]
pub struct ServingOrder {
    /// Name of the flight.
    pub flight: String,
    /// Name of the taster.
    pub taster: String,
    /// Codes, first cup first.
    pub cups: Vec<u16>,
}

/// Everything on the pouring plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PouringPlan {
    /// Title of the book.
    pub book_title: String,
    /// Name of the session.
    pub session: String,
    /// Who pours.
    pub pourer: String,
    /// Day of the session.
    pub date: Date,
    /// The recipe, a line each.
    pub recipe: Vec<String>,
    /// One or two languages, the main one first.
    pub languages: Vec<Lang>,
    /// The cups in pouring order; cups of a flight stand together.
    pub rows: Vec<PourRow>,
    /// Serving orders by taster.
    pub orders: Vec<ServingOrder>,
    /// Cautions of this session, printed before the fixed ones.
    pub cautions: Vec<String>,
    /// Digest of the sealed key.
    pub digest: String,
}

/// Sets the pouring plan as a PDF on A4.
///
/// # Errors
/// [`SheetError::Incomplete`] without cups or languages, with more than two languages, or with a mass or volume that is not above 0;
/// [`SheetError::MissingGlyphs`] for characters that cannot be shown.
pub fn pouring_pdf(plan: &PouringPlan) -> Result<Vec<u8>, SheetError> {
    let name = "pouring plan";
    let incomplete = |found: String, expected| {
        Err(SheetError::Incomplete { sheet: name.to_owned(), found, expected })
    };
    if plan.rows.is_empty() {
        return incomplete("no cup".into(), "at least one cup");
    }
    let sound = |value: f64| value.is_finite() && value > 0.0;
    if let Some(row) = plan.rows.iter().find(|row| !sound(row.leaf_g) || !sound(row.water_ml)) {
        let found = format!("{} g and {} ml for cup {}", row.leaf_g, row.water_ml, row.code);
        return incomplete(found, "masses and volumes above 0");
    }
    let languages = plan.languages.as_slice();
    let main = match languages {
        [main] | [main, _] => *main,
        _ => return incomplete(format!("{} languages", languages.len()), "one language, or two"),
    };
    let mut cautions: Vec<Value> = plan.cautions.iter().map(|text| json!([text])).collect();
    if let Value::Array(fixed) = cautions_in(languages) {
        cautions.extend(fixed);
    }
    let data = json!({
        "book": plan.book_title,
        "session": plan.session,
        "pourer": plan.pourer,
        "date": date_data(plan.date),
        "recipe": plan.recipe,
        "digest": plan.digest,
        "language": typst_language(main),
        "languages": languages.len(),
        "words": words_in(languages),
        "cautions": cautions,
        "flights": flights(plan),
        "totals": totals(&plan.rows),
    });
    world::pdf(world::Sheet { name, template: PLAN, data, files: Vec::new(), date: plan.date })
}

/// Cups and serving orders, gathered by flight in order of appearance.
fn flights(plan: &PouringPlan) -> Vec<Value> {
    let mut names: Vec<&str> = Vec::new();
    for row in &plan.rows {
        if !names.contains(&row.flight.as_str()) {
            names.push(&row.flight);
        }
    }
    names
        .into_iter()
        .map(|name| {
            let rows: Vec<Value> = plan
                .rows
                .iter()
                .filter(|row| row.flight == name)
                .map(|row| {
                    json!([
                        row.code.to_string(),
                        row.sample,
                        row.role,
                        row.brew,
                        amount(row.leaf_g),
                        amount(row.water_ml),
                    ])
                })
                .collect();
            let orders: Vec<Value> = plan
                .orders
                .iter()
                .filter(|order| order.flight == name)
                .map(|order| {
                    let cups: Vec<String> = order.cups.iter().map(ToString::to_string).collect();
                    json!({ "taster": order.taster, "cups": cups })
                })
                .collect();
            json!({ "label": name, "rows": rows, "orders": orders })
        })
        .collect()
}

/// Leaf by sample over all pots: cups that share a pot share its leaf.
fn totals(rows: &[PourRow]) -> Vec<Value> {
    let mut by_sample: Map<String, Value> = Map::new();
    let mut pots: Vec<(&str, &str, &str)> = Vec::new();
    for row in rows {
        let pot = (row.flight.as_str(), row.sample.as_str(), row.brew.as_str());
        let grams = if pots.contains(&pot) { 0.0 } else { row.leaf_g };
        pots.push(pot);
        let before = by_sample.get(&row.sample).and_then(Value::as_f64).unwrap_or(0.0);
        by_sample.insert(row.sample.clone(), json!(before + grams));
    }
    by_sample
        .into_iter()
        .map(|(sample, grams)| {
            let cups = rows.iter().filter(|row| row.sample == sample).count();
            json!([sample, cups.to_string(), amount(grams.as_f64().unwrap_or(0.0))])
        })
        .collect()
}

/// An amount with at most two decimals.
fn amount(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Sets labels with large codes, to be cut out and stuck under the cups, in ascending order so that the sheet tells
/// nothing about the order of pouring.
///
/// # Errors
/// [`SheetError::Incomplete`] without codes; [`SheetError::MissingGlyphs`] for a session's name that cannot be shown.
pub fn cup_labels_pdf(session: &str, date: Date, codes: &[u16]) -> Result<Vec<u8>, SheetError> {
    let name = "cup labels";
    if codes.is_empty() {
        return Err(SheetError::Incomplete {
            sheet: name.to_owned(),
            found: "no code".to_owned(),
            expected: "at least one code",
        });
    }
    let mut codes = codes.to_vec();
    codes.sort_unstable();
    let codes: Vec<String> = codes.iter().map(ToString::to_string).collect();
    let data = json!({ "session": session, "date": date_data(date), "codes": codes });
    world::pdf(world::Sheet { name, template: LABELS, data, files: Vec::new(), date })
}
