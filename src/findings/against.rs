//! One term: all lots against a control, and lots that are alike within a stated margin.

use blindsteep_stats::dunnett::{Dunnett, Route, Sides};
use blindsteep_stats::equivalence::two_one_sided;
use blindsteep_stats::mixed::Contrast;
use blindsteep_stats::multiple;
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{LOT, Panel};
use super::term_comparison::finite;
use super::{ALPHA, Answer, Settings};
use crate::scores::{ScaleKind, TermScores};

/// Which way a difference from the control counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Better {
    /// More or less.
    #[default]
    Either,
    /// Only more than the control.
    Higher,
    /// Only less.
    Lower,
}

/// What is asked beside which lots differ.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Wish {
    /// The lot with which all others are compared.
    pub control: Option<String>,
    /// Which way a difference from it counts.
    pub better: Better,
    /// Points that still count as the same, in every term that has none of its own.
    pub within: Option<f64>,
    /// The same by term.
    pub within_term: Vec<(String, f64)>,
}

impl Wish {
    fn margin(&self, term: &str, scale: ScaleKind) -> Option<f64> {
        let own = self.within_term.iter().find(|(t, _)| t == term).map(|(_, points)| *points);
        // Half a point of a fault's four levels is no half point of a line.
        own.or(self.within.filter(|_| scale == ScaleKind::Line))
    }
}

/// All lots against the control.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AgainstControl {
    /// The control.
    pub control: String,
    /// Which way a difference counts.
    pub better: Better,
    /// Lots compared with it, all at once.
    pub n_compared: usize,
    /// "products": a deterministic double integral; "lattice": found with an error.
    pub correlations: String,
    /// By how much the adjusted p may be off, relative to it, where it is above .001.
    pub relative_error: Answer<f64>,
    /// The lots.
    pub lots: Vec<LotAgainst>,
}

/// One lot against the control.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LotAgainst {
    /// The lot.
    pub lot: String,
    /// The lot less the control.
    pub difference: Answer<AgainstNumbers>,
}

/// A difference from the control.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AgainstNumbers {
    /// The lot less the control.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Satterthwaite's degrees of freedom.
    pub df: f64,
    /// Value over standard error.
    pub t: f64,
    /// Two-sided p of this lot alone.
    pub p_value: f64,
    /// p among all lots compared (Dunnett), on the side asked.
    pub p_dunnett: f64,
    /// Lower limit that holds for all lots at once.
    pub lower: Answer<f64>,
    /// Upper limit that holds for all lots at once.
    pub upper: Answer<f64>,
    /// Whether it differs from the control among all.
    pub differs: bool,
}

/// Which lots are alike within a margin.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AlikeWithin {
    /// The margin, in points, either way.
    pub margin: f64,
    /// The lot that all are compared with; without one, all pairs are compared.
    pub control: Answer<String>,
    /// Comparisons, among which `p_holm` is adjusted.
    pub n_compared: usize,
    /// The comparisons.
    pub pairs: Vec<Alike>,
}

/// Two lots and a margin.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Alike {
    /// The lot from which the other is taken.
    pub a: String,
    /// The other, or the control.
    pub b: String,
    /// The numbers.
    pub numbers: Answer<AlikeNumbers>,
}

/// How surely a difference lies inside the margin.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AlikeNumbers {
    /// a less b.
    pub value: f64,
    /// Lower end of the 90 % interval of this pair alone.
    pub lower_90: f64,
    /// Its upper end.
    pub upper_90: f64,
    /// The larger p of the two one-sided tests, this pair alone.
    pub p_value: f64,
    /// The same among all comparisons (Holm).
    pub p_holm: f64,
    /// Whether the two are shown to be the same within the margin, among all comparisons.
    pub alike: bool,
}

const NO_SE: &str = "too little is left to measure chance by";
const NOT_JOINED: &str = "nothing in this layout joins the two lots";

/// Columns of the lots in the fixed part.
fn first_column(p: &Panel) -> usize {
    p.fixed.terms.iter().find(|f| f.name == LOT).map_or(0, |f| f.first)
}

fn difference(p: &Panel, a: usize, b: usize, level: f64) -> Contrast {
    let first = first_column(p);
    let mut l = vec![0.0; p.fixed.columns.len()];
    l[first + a] = 1.0;
    l[first + b] = -1.0;
    p.fit.contrast(&l, level)
}

/// All lots against the control that was named.
pub(super) fn against_control(
    p: &Panel,
    t: &TermScores,
    wish: &Wish,
    settings: &Settings,
) -> Answer<AgainstControl> {
    let Some(control) = &wish.control else {
        return Answer::unknown("no control is named: --control LOT");
    };
    let Some(at) = t.lot.names.iter().position(|n| n == control) else {
        return Answer::unknown(format!("the control {control} was not scored in this term"));
    };
    let others: Vec<usize> = (0..t.lot.names.len()).filter(|i| *i != at).collect();
    if others.is_empty() {
        return Answer::unknown("there is no other lot");
    }
    let contrasts: Vec<Contrast> =
        others.iter().map(|i| difference(p, *i, at, settings.level)).collect();
    let usable = |c: &Contrast| c.estimable && c.se > 0.0 && finite(&[c.estimate, c.se, c.df, c.t]);
    let compared: Vec<usize> =
        (0..others.len()).filter(|i| usable(&contrasts[*i])).map(|i| others[i]).collect();
    let first = first_column(p);
    let v = |i: usize, j: usize| p.fit.vcov_beta[(first + i, first + j)];
    let covariance = |i: usize, j: usize| v(i, j) - v(i, at) - v(at, j) + v(at, at);
    let correlations: Vec<Vec<f64>> = compared
        .iter()
        .map(|&i| {
            let of = |j: usize| {
                if i == j {
                    return 1.0;
                }
                covariance(i, j) / (covariance(i, i) * covariance(j, j)).sqrt()
            };
            compared.iter().map(|j| of(*j)).collect()
        })
        .collect();
    let sides = if wish.better == Better::Either { Sides::Two } else { Sides::One };
    let dunnett = match Dunnett::new(&correlations, sides, settings.seed) {
        Ok(d) => d,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let mut bounds: Vec<(f64, f64)> = Vec::new();
    let lots = others
        .iter()
        .zip(&contrasts)
        .map(|(i, c)| LotAgainst {
            lot: t.lot.names[*i].clone(),
            difference: if !c.estimable {
                Answer::unknown(NOT_JOINED)
            } else if usable(c) {
                numbers(c, wish.better, &dunnett, settings, &mut bounds)
            } else {
                Answer::unknown(NO_SE)
            },
        })
        .collect();
    let (correlations, relative_error) = match dunnett.route() {
        Route::Product => {
            ("products", Answer::unknown("a deterministic integral, good to about eight digits"))
        }
        Route::Lattice { error, .. } => ("lattice", Answer::Known(error)),
    };
    Answer::Known(AgainstControl {
        control: control.clone(),
        better: wish.better,
        n_compared: compared.len(),
        correlations: correlations.to_owned(),
        relative_error,
        lots,
    })
}

fn numbers(
    c: &Contrast,
    better: Better,
    dunnett: &Dunnett,
    settings: &Settings,
    bounds: &mut Vec<(f64, f64)>,
) -> Answer<AgainstNumbers> {
    // Balanced tables have one df for all lots: its bound is sought once.
    let bound = match bounds.iter().find(|(df, _)| *df == c.df) {
        Some((_, bound)) => *bound,
        None => {
            let bound = dunnett.quantile_upper(1.0 - settings.level, c.df);
            bounds.push((c.df, bound));
            bound
        }
    };
    let statistic = match better {
        Better::Either => c.t.abs(),
        Better::Higher => c.t,
        Better::Lower => -c.t,
    };
    let p_dunnett = dunnett.sf(statistic, c.df);
    let reach = bound * c.se;
    if !finite(&[p_dunnett, reach, c.p_value]) {
        return Answer::unknown(NO_SE);
    }
    let one_sided = || Answer::unknown("one side only was asked: --better");
    Answer::Known(AgainstNumbers {
        value: c.estimate,
        se: c.se,
        df: c.df,
        t: c.t,
        p_value: c.p_value,
        p_dunnett,
        lower: if better == Better::Lower {
            one_sided()
        } else {
            Answer::Known(c.estimate - reach)
        },
        upper: if better == Better::Higher {
            one_sided()
        } else {
            Answer::Known(c.estimate + reach)
        },
        differs: p_dunnett < ALPHA,
    })
}

/// Which lots are alike within the margin that was stated: with the control, or all pairs.
pub(super) fn alike_within(p: &Panel, t: &TermScores, wish: &Wish) -> Answer<AlikeWithin> {
    let Some(margin) = wish.margin(&t.term.id, t.term.scale) else {
        return Answer::unknown("no margin is stated for this term: --within POINTS");
    };
    let n = t.lot.names.len();
    let control = match &wish.control {
        None => None,
        Some(name) => match t.lot.names.iter().position(|l| l == name) {
            Some(at) => Some(at),
            None => {
                return Answer::unknown(format!("the control {name} was not scored in this term"));
            }
        },
    };
    let pairs: Vec<(usize, usize)> = match control {
        Some(at) => (0..n).filter(|i| *i != at).map(|i| (i, at)).collect(),
        None => (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).collect(),
    };
    if pairs.is_empty() {
        return Answer::unknown("there is one lot only");
    }
    let mut found: Vec<Alike> = pairs
        .iter()
        .map(|(a, b)| {
            let c = difference(p, *a, *b, 1.0 - 2.0 * ALPHA);
            let e = two_one_sided(c.estimate, c.se, c.df, margin, ALPHA);
            let numbers = if !c.estimable {
                Answer::unknown(NOT_JOINED)
            } else if finite(&[c.estimate, e.p_value, e.lower, e.upper]) {
                Answer::Known(AlikeNumbers {
                    value: c.estimate,
                    lower_90: e.lower,
                    upper_90: e.upper,
                    p_value: e.p_value,
                    p_holm: e.p_value,
                    alike: false,
                })
            } else {
                Answer::unknown(NO_SE)
            };
            Alike { a: t.lot.names[*a].clone(), b: t.lot.names[*b].clone(), numbers }
        })
        .collect();
    let p: Vec<f64> = found.iter().filter_map(|a| Some(a.numbers.known()?.p_value)).collect();
    let mut adjusted = multiple::holm(&p).unwrap_or_default().into_iter();
    for alike in &mut found {
        if let Answer::Known(n) = &mut alike.numbers
            && let Some(p) = adjusted.next()
        {
            n.p_holm = p;
            n.alike = p < ALPHA;
        }
    }
    Answer::Known(AlikeWithin {
        margin,
        control: wish.control.clone().map_or_else(
            || Answer::unknown("no control is named, so all pairs are compared"),
            Answer::Known,
        ),
        n_compared: p.len(),
        pairs: found,
    })
}
