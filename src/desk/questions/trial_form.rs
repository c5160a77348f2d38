//! The form of a further trial: what may be varied and what it is to be about, of the book, to be ticked.

use maud::{Markup, html};

use crate::book::making::{OF_EACH_LOT, unit_in};
use crate::book::parameters::{Parameter, ParameterKind, Parameters, Role};
use crate::book::vocabulary::{Scale, Term, Vocabulary};
use crate::book::{Book, BookError, ids};
use crate::desk::page::{field, text_field};
use crate::desk::posted::Posted;
use crate::desk::record::step;
use crate::desk::say::Say;
use crate::desk::terms::term_boxes;
use crate::findings::trial::{MOST_BATCHES, Wish, WishedFactor, WishedLevels};
use crate::views::charts::parameter_names;

/// Steps of which nothing is chosen for a batch.
const NOT_OF_MAKING: [&str; 2] = ["store", "reserve"];

/// What the form offers.
pub struct Offer {
    parameters: Parameters,
    vocabulary: Vocabulary,
}

impl Offer {
    /// What a book has.
    ///
    /// # Errors
    /// If its descriptions have mistakes.
    pub fn of(book: &Book) -> Result<Self, BookError> {
        Ok(Self { parameters: book.parameters()?.value, vocabulary: book.vocabulary()?.value })
    }
}

fn refused(found: String, expected: &str) -> BookError {
    BookError::Refused(format!("{found}\n  expected: {expected}\n  to mend:  correct it"))
}

/// What a form asks for.
///
/// # Errors
/// If a number is none, or levels are no levels.
pub fn wish(asked: &Posted) -> Result<Wish, BookError> {
    let batches = asked.text("batches");
    let batches =
        batches.parse().ok().filter(|n| (1..=MOST_BATCHES).contains(n)).ok_or_else(|| {
            refused(format!("\"{batches}\" batches"), &format!("a number from 1 to {MOST_BATCHES}"))
        })?;
    let see = match asked.filled("see") {
        None => Wish::default().see,
        Some(text) => {
            text.parse().ok().filter(|x: &f64| x.is_finite() && *x > 0.0).ok_or_else(|| {
                refused(format!("\"{text}\" points"), "points above 0, as 1 or 0.5")
            })?
        }
    };
    let factors = varied(asked).into_iter().map(|id| factor(id, asked));
    Ok(Wish {
        batches,
        fresh: asked.ticked("fresh"),
        factors: factors.collect::<Result<_, _>>()?,
        see,
        terms: asked.all("term"),
        ..Wish::default()
    })
}

/// What is ticked, and what levels are said of: each once.
fn varied(asked: &Posted) -> Vec<&str> {
    let mut all: Vec<&str> = Vec::new();
    for (name, value) in asked.0.iter().filter(|(_, v)| !v.is_empty()) {
        let id = match name.as_str() {
            "factor" => Some(value.as_str()),
            other => other.strip_prefix("levels:"),
        };
        if let Some(id) = id.filter(|id| !all.iter().any(|known| ids::same(known, id))) {
            all.push(id);
        }
    }
    all
}

/// A factor with its levels: those ticked or written, as `40, 75` or `40..75`, else those that were made.
fn factor(id: &str, asked: &Posted) -> Result<WishedFactor, BookError> {
    let texts = asked.all(&format!("levels:{id}"));
    let levels = match texts.as_slice() {
        [] => WishedLevels::Made,
        [one] => match one.split_once("..") {
            Some((low, high)) => {
                let number = |t: &str| t.trim().parse::<f64>().ok().filter(|x| x.is_finite());
                match number(low).zip(number(high)) {
                    Some((low, high)) if low < high => WishedLevels::Between(low, high),
                    _ => return Err(refused(format!("\"{one}\""), "40..75, the lower end first")),
                }
            }
            None => {
                let parts = one.split([',', '，', '、']).map(str::trim);
                WishedLevels::These(parts.filter(|p| !p.is_empty()).map(str::to_owned).collect())
            }
        },
        several => WishedLevels::These(several.to_vec()),
    };
    Ok(WishedFactor { parameter: id.to_owned(), levels })
}

/// Something that may be varied.
struct Varied<'a> {
    id: &'a str,
    label: String,
    unit: Option<String>,
    parameter: Option<&'a Parameter>,
}

/// What may be varied, by steps: what is chosen of the making, what is worked out of that, what a lot is.
fn by_steps(parameters: &Parameters, say: Say) -> Vec<(&str, Vec<Varied<'_>>)> {
    let names = parameter_names(parameters, say.0);
    let is_factor = |p: &&Parameter| {
        p.role() == Role::Chosen
            && !matches!(p.kind, ParameterKind::Moment | ParameterKind::Text)
            && !NOT_OF_MAKING.contains(&p.step())
    };
    let logged = parameters.parameters.iter().filter(is_factor).map(|p| (p.id.as_str(), Some(p)));
    let is_set = |id: &&&str| Role::usual(id) == Role::Chosen;
    let beside = OF_EACH_LOT.iter().filter(is_set).map(|id| (*id, None));
    let mut steps: Vec<(&str, Vec<Varied<'_>>)> = Vec::new();
    for (id, parameter) in logged.chain(beside) {
        let step = id.split_once('.').map_or(id, |(step, _)| step);
        let label = names.get(id).cloned().unwrap_or_else(|| id.to_owned());
        let one = Varied { id, label, unit: unit_in(parameters, id), parameter };
        match steps.iter_mut().find(|(s, _)| *s == step) {
            Some((_, list)) => list.push(one),
            None => steps.push((step, vec![one])),
        }
    }
    steps
}

fn name_of(id: &str, say: Say) -> String {
    match id {
        "lot" => say.of("What the lot is", "批次本身").to_owned(),
        "derived" => say.of("Worked out of what is logged", "由记录算得").to_owned(),
        other => step(other, say),
    }
}

/// The form.
pub fn form(offer: &Offer, asked: &Posted, say: Say) -> Markup {
    let batches = asked.filled("batches").unwrap_or("4");
    // As `link` tells effects in points: of these alone.
    let in_points = |t: &&Term| {
        let words = matches!(t.scale, Scale::Nominal { .. } | Scale::Tick | Scale::Note);
        t.merged_into.is_none() && !words
    };
    let terms = offer.vocabulary.terms.iter().filter(in_points);
    let ticked = asked.all("term");
    html! {
        form.asked method="get" {
            (text_field("batches", say.of("Batches", "批数"), "", batches))
            label.box { input type="checkbox" name="fresh" value="1" checked[asked.ticked("fresh")]; " " (say.of("Stands alone, without the lots made so far", "独立试验，不计已有批次")) }
            fieldset {
                legend { (say.of("What is varied", "变动的参数")) }
                p.hint { (say.of(
                    "Nothing ticked: all that is chosen and has varied. Levels are written as 40, 75 or as a range 40..75; left empty: those that were made.",
                    "不勾选：所有可选且变动过的参数。水平写作 40, 75 或范围 40..75；留空：已做过的水平。",
                )) }
                @let varied = varied(asked);
                @for (step, list) in by_steps(&offer.parameters, say) {
                    @let is_on = |v: &Varied<'_>| varied.iter().any(|id| ids::same(id, v.id));
                    details open[list.iter().any(is_on)] {
                        summary { (name_of(step, say)) }
                        div.varied { @for v in &list { (of_parameter(v, is_on(v), asked, say)) } }
                    }
                }
            }
            (text_field("see", say.of("Difference to be seen, points", "要看出的差异（分）"), "", asked.filled("see").unwrap_or("1")))
            details open[!ticked.is_empty()] {
                summary { (say.of("Terms it is about", "针对的评语")) }
                p.hint { (say.of("Name them before you look. Nothing ticked: all.", "请在查看结果之前勾选。不勾选为全部。")) }
                (term_boxes(say, &offer.vocabulary.families, &terms.collect::<Vec<_>>(), &ticked))
            }
            p { button { (say.of("Look for the batches that tell the most", "寻找最有用的批次")) } }
        }
    }
}

/// A parameter to be ticked, and its levels.
fn of_parameter(v: &Varied<'_>, on: bool, asked: &Posted, say: Say) -> Markup {
    let name = format!("levels:{}", v.id);
    let label =
        v.unit.as_ref().map_or_else(|| v.label.clone(), |unit| format!("{}, {unit}", v.label));
    let kind = v.parameter.map(|p| p.kind);
    let written = asked.all(&name);
    let levels = v.parameter.map(|p| p.levels.as_slice()).unwrap_or_default();
    html! {
        div {
            label.pick { input type="checkbox" name="factor" value=(v.id) checked[on]; span { (label) } }
            @if !levels.is_empty() {
                div.ticks { @for l in levels {
                    label.pick { input type="checkbox" name=(name) value=(l.id) checked[written.iter().any(|w| ids::same(w, &l.id))]; span { (l.labels.or(say.key(), &l.id)) } }
                } }
            } @else if kind != Some(ParameterKind::YesNo) {
                (field(&name, say.of("Levels", "水平"), "", html! {
                    input id=(name) name=(name) value=(written.join(", ")) autocomplete="off" aria-label=(format!("{}: {label}", say.of("Levels", "水平")));
                }))
            }
        }
    }
}
