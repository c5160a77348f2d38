//! Straight or curved, by choice of the lots.

use blindsteep_stats::curves::{self, Curve, Curves, DEMAND};
use blindsteep_stats::multiple;
use blindsteep_stats::partial::PartialError;
use schemars::JsonSchema;
use serde::Serialize;

use super::LinkedTerm;
use super::columns::Line;
use super::lot_level::LotLevel;
use super::term_lots::TermLots;
use crate::findings::{ALPHA, Answer};

/// Points of a curve that is drawn.
const DRAWN: usize = 25;

/// The shape of an effect: the straight line against curves, on the lots' means. What is tested is
/// the straight line; curves have a false discovery rate of their own over all that were tried.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Shape {
    /// The shape that is chosen: straight, bent (quadratic) or levelling (1 - exp(-x / length)).
    pub chosen: Form,
    /// AICc of the straight line less that of the best curve.
    pub better_by: f64,
    /// What the best curve must be better by.
    pub demanded: f64,
    /// The chance of a curve at least so much better where the truth is straight.
    pub p_value: f64,
    /// The same among all curves that were tried (Benjamini and Hochberg).
    pub q_value: Answer<f64>,
    /// Whether a curve is chosen and stands out among all that were tried.
    pub seen: bool,
    /// Where a bent curve turns, between the least and the largest value made.
    pub turn: Answer<Turn>,
    /// What was fitted.
    pub fitted: Vec<FittedForm>,
    /// The chosen shape over the range made: points of the scale, less those at the mean.
    pub drawn: Vec<CurvePoint>,
}

/// A shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// As much everywhere.
    Straight,
    /// A parabola.
    Bent,
    /// Less and less.
    Levelling,
}

/// A shape that was fitted.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FittedForm {
    /// Which.
    pub form: Form,
    /// Its AICc, n the lots.
    pub aicc: f64,
    /// Its coefficients, of the parameter less its mean.
    pub coefficients: Vec<f64>,
    /// The length of a levelling one, in the parameter's unit.
    pub length: Answer<f64>,
}

/// The best, or worst, point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Turn {
    /// Where.
    pub at: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Whether the term is highest there, not lowest.
    pub highest: bool,
}

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct CurvePoint {
    /// The parameter.
    pub x: f64,
    /// Points of the scale.
    pub y: f64,
}

fn form(curve: Curve) -> Form {
    match curve {
        Curve::Bent => Form::Bent,
        Curve::Levelling => Form::Levelling,
        Curve::Straight => Form::Straight,
    }
}

/// Whether a parameter is a time or a dose, whose work may level off.
fn levels_off(line: &Line) -> bool {
    let time = line.unit.known().is_some_and(|u| matches!(u.as_str(), "h" | "min" | "s" | "d"));
    time || line.parameter.ends_with("dose")
}

/// The shape of a line's effect on a term.
pub fn of(
    line: &Line,
    tested: usize,
    of: &[usize],
    lots: &TermLots,
    at: &LotLevel,
    level: f64,
) -> Answer<Shape> {
    if line.against.known().is_some() {
        return Answer::unknown("it is a category, not a number");
    }
    let others: Vec<&[f64]> =
        of.iter().filter(|i| **i != tested).map(|i| lots.values[*i].as_slice()).collect();
    let turned = at.turned(&others);
    let beside = at.beside(&turned);
    let mean = lots.means[tested];
    let x: Vec<f64> = lots.values[tested].iter().map(|v| v + mean).collect();
    match curves::curves(at.means(), &x, &beside, at.blocks(), levels_off(line), level) {
        Ok(found) => Answer::Known(said(&found, line)),
        Err(PartialError::TooFewValues { found }) => Answer::unknown(format!(
            "{found} values apart are too few for a curve: five are needed, or three with two lots \
             each"
        )),
        Err(PartialError::TooFew { .. }) => {
            Answer::unknown("beside the other lines too few lots are left for a curve")
        }
        Err(e) => Answer::unknown(e.to_string()),
    }
}

fn said(found: &Curves, line: &Line) -> Shape {
    let chosen = found.chosen;
    let turn = match (chosen, found.turn) {
        (Curve::Bent, Some(t)) => {
            Answer::Known(Turn { at: t.at, lower: t.lower, upper: t.upper, highest: t.highest })
        }
        (Curve::Bent, None) => {
            Answer::unknown("not seen: it turns outside the range made, or nobody knows where")
        }
        _ => Answer::unknown("not seen: the shape does not turn"),
    };
    let step = (line.max - line.min) / (DRAWN - 1) as f64;
    let drawn = (0..DRAWN)
        .filter_map(|i| {
            let x = line.min + step * i as f64;
            Some(CurvePoint { x, y: found.height(chosen, x)? })
        })
        .collect();
    Shape {
        chosen: form(chosen),
        better_by: found.better_by,
        demanded: DEMAND,
        p_value: found.p_value,
        q_value: Answer::unknown("it is not known yet"),
        seen: false,
        turn,
        fitted: found
            .fitted
            .iter()
            .map(|f| FittedForm {
                form: form(f.curve),
                aicc: f.aicc,
                coefficients: f.coefficients.clone(),
                length: Answer::of(f.length.ok_or("the shape has no length")),
            })
            .collect(),
        drawn,
    }
}

/// Fills in which curves are seen among all that were tried; returns how many were tried.
pub fn discovery(terms: &mut [LinkedTerm]) -> usize {
    let shapes = || terms.iter().flat_map(|t| &t.effects).filter_map(|e| e.shape.known());
    let all: Vec<f64> = shapes().map(|s| s.p_value).collect();
    let mut q = multiple::benjamini_hochberg(&all).unwrap_or_default().into_iter();
    for e in terms.iter_mut().flat_map(|t| &mut t.effects) {
        if let Answer::Known(shape) = &mut e.shape
            && let Some(q) = q.next()
        {
            shape.q_value = Answer::Known(q);
            shape.seen = shape.chosen != Form::Straight && q < ALPHA;
        }
    }
    all.len()
}
