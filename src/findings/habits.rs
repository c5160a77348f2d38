//! Each taster against the others: in one term, and in all terms together.

use std::collections::HashMap;

use blindsteep_stats::tasters::{
    self as stats, Flag, HabitLimits, NotEstimated, OrderEffects, TasterRow, TermFlag,
};
use schemars::JsonSchema;
use serde::Serialize;

use super::answer::on_one_point;
use super::{Answer, Estimate, Test, say, say_p};
use crate::scores::{ScaleKind, TermScores, Words, cross};

/// One taster in one term, always against the mean of the others on the same cups.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TasterInTerm {
    /// The taster.
    pub taster: String,
    /// Cups shared with at least one other.
    pub n_cups: usize,
    /// Lots of those cups.
    pub n_lots: usize,
    /// Own mean less the others', in points; interval over lots.
    pub offset: Answer<Estimate>,
    /// Slope of own lot means on the others' as it is: error in the others' mean pulls it down.
    pub slope: Answer<Estimate>,
    /// Share of the spread of the others' lot means that is not their own disagreement.
    pub reliability_of_others: Answer<f64>,
    /// The slope with that pull taken out.
    pub corrected_slope: Answer<Estimate>,
    /// Correlation of own lot means with the others'.
    pub correlation: Answer<Estimate>,
    /// Standard deviation of own scores of the same lot in the same session.
    pub repeatability: Answer<Estimate>,
    /// That standard deviation over the panel's median, the median taken as it is.
    pub noise_ratio: Answer<Estimate>,
    /// Own scores: are the lots equal?
    pub discrimination: Answer<Test>,
    /// The first cup of a flight against the later ones, in points.
    pub first_cup: Answer<Estimate>,
    /// Change for each point of the cup before.
    pub carry_over: Answer<Estimate>,
    /// Change of own less others' in this term, in points a month.
    pub drift: Answer<Estimate>,
    /// What stands out in this term.
    pub remarks: Vec<String>,
}

/// The order effects of the panel in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PanelOrder {
    /// The first cup of a flight against the later ones, in points.
    pub first_cup: Answer<Estimate>,
    /// Change for each point by which the cup before lay above its flight's mean.
    pub carry_over: Answer<Estimate>,
}

/// The order effects of the panel over all terms on a line.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OrderOverall {
    /// The first cup of a flight against the later ones, in points, the same in all terms.
    pub first_cup: Answer<Estimate>,
    /// How far luck alone reaches in 95 of 100 tables without such an effect, in points.
    pub first_cup_by_luck: Answer<f64>,
    /// Change for each point by which the cup before lay above its flight's mean.
    pub carry_over: Answer<Estimate>,
    /// How far luck alone reaches.
    pub carry_over_by_luck: Answer<f64>,
    /// Flights as one taster had them.
    pub n_servings: usize,
    /// Scores used.
    pub n_scores: usize,
    /// Terms.
    pub n_terms: usize,
    /// In words.
    pub words: String,
}

/// One taster over all terms on a line.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TasterOverall {
    /// The taster.
    pub taster: String,
    /// Scores shared with at least one other.
    pub n_scores: usize,
    /// Lots of those.
    pub n_lots: usize,
    /// Mean of own less others' over all terms, in points.
    pub offset: Answer<Estimate>,
    /// Slope on the others over all terms, corrected for their error.
    pub slope: Answer<Estimate>,
    /// Own repeats: standard deviation over all terms.
    pub noise: Answer<Estimate>,
    /// Own over the others' standard deviation of repeats.
    pub noise_ratio: Answer<Estimate>,
    /// Change of own less others' in points a month.
    pub drift: Answer<Estimate>,
    /// Habits that are both larger than luck and large enough to matter.
    pub habits: Vec<Habit>,
}

/// A habit that is named.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Habit {
    /// offset, narrow, wide, unrelated (a slope whose limits hold 0), against (below 0), noisy, drift,
    /// crossed or swapped.
    pub kind: String,
    /// The terms it is about; empty when all.
    pub terms: Vec<String>,
    /// The chance of it by luck alone, adjusted over the tasters (and terms).
    pub p_adjusted: Answer<f64>,
    /// In words, with the figures.
    pub words: String,
}

/// The rule by which habits are named.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Rule {
    /// Smallest offset, in points.
    pub offset: f64,
    /// A slope below this is narrow.
    pub narrow: f64,
    /// A slope above this is wide.
    pub wide: f64,
    /// Repeatability over the panel's median from which a taster is noisy.
    pub noisy: f64,
    /// Smallest drift over the whole time, in points.
    pub drift: f64,
    /// Level of the adjusted p-values.
    pub alpha: f64,
}

/// All tasters over all terms.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Habits {
    /// One entry a taster.
    pub tasters: Vec<TasterOverall>,
    /// The rule by which habits are named; our own, for scales of 0 to 10.
    pub rule: Rule,
    /// Pairs of tasters and terms for which a swap could be tested.
    pub n_swaps_tested: usize,
    /// The swaps that are named.
    pub swaps: Vec<NamedSwap>,
}

/// A swap that is named, with the correlations behind it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NamedSwap {
    /// The taster.
    pub taster: String,
    /// The two terms.
    pub terms: [String; 2],
    /// Correlation of the own first term with the others' second, and of the own second with
    /// their first.
    pub r_crossed: [f64; 2],
    /// Correlation of each own term with the others' same term.
    pub r_straight: [f64; 2],
    /// Lots.
    pub n_lots: usize,
    /// The chance of it by luck alone, adjusted over tasters and pairs.
    pub p_adjusted: f64,
}

/// Codes of lots and tasters that mean the same in every term.
#[derive(Debug)]
pub struct Codes {
    tasters: Vec<String>,
    lots: HashMap<String, u32>,
    families: HashMap<String, u32>,
    sessions: HashMap<String, u32>,
}

fn numbered<'a>(
    words: impl Iterator<Item = &'a (impl AsRef<str> + ?Sized + 'a)>,
) -> HashMap<String, u32> {
    let mut map = HashMap::new();
    for word in words {
        let next = u32::try_from(map.len()).unwrap_or(u32::MAX);
        map.entry(word.as_ref().to_owned()).or_insert(next);
    }
    map
}

/// The lot as a taster meets it: several steeps of one pot are different drinks.
fn drink(t: &TermScores) -> Words {
    match t.steep.as_ref().filter(|s| s.names.len() > 1) {
        Some(s) => cross(&t.lot, s),
        None => t.lot.clone(),
    }
}

/// The lot of which a sample is one store.
fn family(sample: &str) -> &str {
    sample.split_once('@').map_or(sample, |(lot, _)| lot)
}

impl Codes {
    /// The codes of all terms.
    #[must_use]
    pub fn of(terms: &[TermScores], tasters: Vec<String>) -> Self {
        let drinks: Vec<Words> = terms.iter().map(drink).collect();
        Self {
            tasters,
            lots: numbered(drinks.iter().flat_map(|w| &w.names)),
            families: numbered(terms.iter().flat_map(|t| &t.lot.names).map(|n| family(n))),
            sessions: numbered(
                terms.iter().filter_map(|t| t.session.as_ref()).flat_map(|w| &w.names),
            ),
        }
    }

    /// The name of a taster's code.
    pub(super) fn taster(&self, code: u32) -> &str {
        self.tasters.get(code as usize).map_or("", String::as_str)
    }

    /// The name of a lot's code (with its steep, where there are several).
    pub(super) fn lot(&self, code: u32) -> &str {
        self.lots.iter().find(|(_, c)| **c == code).map_or("", |(name, _)| name)
    }

    /// The scores of a term as rows of codes.
    pub(super) fn rows(&self, t: &TermScores) -> Vec<TasterRow> {
        let Some(taster) = &t.taster else { return Vec::new() };
        let lot = drink(t);
        let inner = [&t.session, &t.replicate, &t.flight, &t.cup, &t.brew];
        let cup = inner.into_iter().flatten().fold(lot.clone(), |all, one| cross(&all, one));
        let who: Vec<u32> = taster
            .names
            .iter()
            .map(|n| self.tasters.iter().position(|x| x == n).unwrap_or(0) as u32)
            .collect();
        let lots: Vec<u32> = lot.names.iter().map(|n| self.lots[n]).collect();
        let session = |at: usize| match &t.session {
            Some(s) => self.sessions[&s.names[s.codes[at] as usize]],
            None => 0,
        };
        // Without flights each session and replicate is one.
        let flights = match (&t.flight, &t.session, &t.replicate) {
            (Some(f), _, _) => Some(f.clone()),
            (None, Some(s), Some(r)) => Some(cross(s, r)),
            (None, one, other) => one.as_ref().or(other.as_ref()).cloned(),
        };
        (0..t.values.len())
            .map(|at| TasterRow {
                lot: lots[lot.codes[at] as usize],
                family: self.families[family(&t.lot.names[t.lot.codes[at] as usize])],
                taster: who[taster.codes[at] as usize],
                session: session(at),
                flight: flights.as_ref().map_or(0, |f| f.codes[at]),
                cup: cup.codes[at],
                position: t
                    .position
                    .as_ref()
                    .map(|p| p[at])
                    .filter(|p| *p >= 0.0 && *p <= 1e6)
                    .map(|p| p.round() as u32),
                month: t.month.as_ref().map(|m| m[at]),
                value: t.values[at],
            })
            .collect()
    }
}

pub(super) fn answer(e: &Result<stats::Estimate, NotEstimated>) -> Answer<Estimate> {
    match e {
        Ok(e) => Estimate::of(e.value, e.lower, e.upper),
        Err(why) => Answer::unknown(why.to_string()),
    }
}

/// The tasters in one term, and the effects of the order of the cups on the panel.
#[must_use]
pub fn in_term(
    t: &TermScores,
    codes: &Codes,
    level: f64,
) -> Answer<(Vec<TasterInTerm>, Answer<PanelOrder>)> {
    if t.taster.is_none() {
        return Answer::unknown("the table does not say who scored");
    }
    if !matches!(t.term.scale, ScaleKind::Line | ScaleKind::Ordered) {
        return Answer::unknown("tasters are compared where scores are numbers on a scale");
    }
    let rows = codes.rows(t);
    let order = if rows.iter().any(|r| r.position.is_some()) {
        Answer::of(stats::order_effects(&rows, level))
    } else {
        Answer::unknown("the order of the cups is not recorded")
    };
    Answer::of(stats::taster_table(&rows, level)).map(|table| {
        let tasters = table.tasters.iter().map(|found| one(found, codes, &order)).collect();
        let panel = order.map(|o| PanelOrder {
            first_cup: answer(&o.first_cup),
            carry_over: answer(&o.carry_over),
        });
        (tasters, panel)
    })
}

fn one(found: &stats::TasterTerm, codes: &Codes, order: &Answer<OrderEffects>) -> TasterInTerm {
    let own =
        order.as_ref().and_then(|o| match o.tasters.iter().find(|t| t.taster == found.taster) {
            Some(own) => Answer::Known(own),
            None => Answer::unknown("the order of this taster's cups is not recorded"),
        });
    let repeatability = match &found.repeatability {
        Ok(r) => Estimate::of(r.sd, r.lower, r.upper),
        Err(why) => Answer::unknown(why.to_string()),
    };
    let noise_ratio = match &found.repeatability {
        Ok(r) if r.panel_median > 0.0 => {
            Estimate::of(r.sd / r.panel_median, r.lower / r.panel_median, r.upper / r.panel_median)
        }
        Ok(_) => Answer::unknown("the panel's median is 0"),
        Err(why) => Answer::unknown(why.to_string()),
    };
    TasterInTerm {
        taster: codes.tasters[found.taster as usize].clone(),
        n_cups: found.n_cups,
        n_lots: found.n_lots,
        offset: answer(&found.offset),
        slope: answer(&found.slope),
        reliability_of_others: match found.reliability_of_others {
            Ok(r) if r.is_finite() => Answer::Known(r),
            Ok(_) => Answer::unknown("nothing varies"),
            Err(why) => Answer::unknown(why.to_string()),
        },
        corrected_slope: answer(&found.corrected_slope),
        correlation: match &found.correlation {
            Ok(c) => Estimate::of(c.r, c.lower, c.upper),
            Err(why) => Answer::unknown(why.to_string()),
        },
        repeatability,
        noise_ratio,
        discrimination: match &found.discrimination {
            Some(f) => Test::of(f.f, f.df1, f.df2, f.p_value),
            None => Answer::unknown(
                "this taster's repeats do not differ, or there are none, so lots have nothing to be \
                 tested with",
            ),
        },
        first_cup: own.as_ref().and_then(|o| answer(&o.first_cup)),
        carry_over: own.as_ref().and_then(|o| answer(&o.carry_over)),
        drift: answer(&found.drift),
        remarks: found.flags.iter().map(|f| remark(*f).to_owned()).collect(),
    }
}

fn remark(flag: TermFlag) -> &'static str {
    match flag {
        TermFlag::Offset => "offset",
        TermFlag::Narrow => "narrow",
        TermFlag::Wide => "wide",
        TermFlag::Noisy => "noisy",
        TermFlag::Crossed => "crossed",
    }
}

/// What the order of the cups does in all terms on a line together.
#[must_use]
pub fn order_over_all(terms: &[TermScores], codes: &Codes, level: f64) -> Answer<OrderOverall> {
    let rows: Vec<Vec<TasterRow>> = terms
        .iter()
        .filter(|t| t.term.scale == ScaleKind::Line && t.taster.is_some() && !t.values.is_empty())
        .map(|t| codes.rows(t))
        .collect();
    if !rows.iter().flatten().any(|r| r.position.is_some()) {
        return Answer::unknown("the order of the cups is not recorded");
    }
    let slices: Vec<&[TasterRow]> = rows.iter().map(Vec::as_slice).collect();
    Answer::of(stats::pooled_order(&slices, level)).map(|o| {
        let luck = |e: &Result<stats::Estimate, NotEstimated>| {
            answer(e).map(|e| 0.5 * (e.upper - e.lower))
        };
        let part = |what: &str, e: &Result<stats::Estimate, NotEstimated>| match e {
            Ok(e) => format!(
                "{what} {} ({} to {}; luck alone reaches ±{})",
                say(e.value),
                say(e.lower),
                say(e.upper),
                say(0.5 * (e.upper - e.lower))
            ),
            Err(why) => format!("{what} not known, {why}"),
        };
        OrderOverall {
            first_cup_by_luck: luck(&o.first_cup),
            carry_over_by_luck: luck(&o.carry_over),
            words: format!(
                "Order of the cups, {} together: {}; {}.",
                super::count(rows.len(), "term", "terms"),
                part("the first of a flight against the later ones", &o.first_cup),
                part("for each point of the cup before", &o.carry_over)
            ),
            first_cup: answer(&o.first_cup),
            carry_over: answer(&o.carry_over),
            n_servings: o.n_servings,
            n_scores: o.n_scores,
            n_terms: rows.len(),
        }
    })
}

/// Habits over all terms on a line.
#[must_use]
pub fn over_all(terms: &[TermScores], codes: &Codes, level: f64) -> Answer<Habits> {
    let lines: Vec<&TermScores> = terms
        .iter()
        .filter(|t| t.term.scale == ScaleKind::Line && t.taster.is_some() && !t.values.is_empty())
        .collect();
    if lines.is_empty() {
        return Answer::unknown("there is no term on a line with tasters");
    }
    let rows: Vec<Vec<TasterRow>> = lines.iter().map(|t| codes.rows(t)).collect();
    let slices: Vec<&[TasterRow]> = rows.iter().map(Vec::as_slice).collect();
    let limits = HabitLimits::default();
    let names: Vec<&str> = lines.iter().map(|t| t.term.id.as_str()).collect();
    Answer::of(stats::habits(&slices, &limits, level)).map(|h| Habits {
        tasters: h.tasters.iter().map(|t| overall(t, &h, codes, &names)).collect(),
        rule: Rule {
            offset: limits.offset,
            narrow: limits.narrow,
            wide: limits.wide,
            noisy: limits.noisy,
            drift: limits.drift,
            alpha: limits.alpha,
        },
        n_swaps_tested: h.swaps.len(),
        swaps: h
            .swaps
            .iter()
            .filter(|s| s.named)
            .map(|s| NamedSwap {
                taster: codes.taster(s.taster).to_owned(),
                terms: [names[s.a].to_owned(), names[s.b].to_owned()],
                r_crossed: [s.of_a.r_crossed, s.of_b.r_crossed],
                r_straight: [s.of_a.r_straight, s.of_b.r_straight],
                n_lots: s.n_lots,
                p_adjusted: s.p_adjusted,
            })
            .collect(),
    })
}

fn overall(
    t: &stats::TasterHabits,
    all: &stats::Habits,
    codes: &Codes,
    names: &[&str],
) -> TasterOverall {
    let noise = t.noise.estimate.as_ref();
    TasterOverall {
        taster: codes.tasters[t.taster as usize].clone(),
        n_scores: t.n_scores,
        n_lots: t.n_lots,
        offset: answer(&t.offset.estimate),
        slope: answer(&t.slope.estimate),
        noise: match noise {
            Ok(r) => Estimate::of(r.sd, r.lower, r.upper),
            Err(why) => Answer::unknown(why.to_string()),
        },
        noise_ratio: match noise {
            Ok(r) => {
                Estimate::of(r.variance_ratio.sqrt(), r.ratio_lower.sqrt(), r.ratio_upper.sqrt())
            }
            Err(why) => Answer::unknown(why.to_string()),
        },
        drift: answer(&t.drift.estimate),
        habits: t.flags.iter().filter_map(|flag| habit(*flag, t, all, names)).collect(),
    }
}

fn habit(
    flag: Flag,
    t: &stats::TasterHabits,
    all: &stats::Habits,
    names: &[&str],
) -> Option<Habit> {
    let p = |p: Option<f64>| {
        p.filter(|p| p.is_finite())
            .map_or_else(|| Answer::unknown("there is no test"), Answer::Known)
    };
    let with_p = |p: Option<f64>| p.map_or(String::new(), |p| format!("; {}", say_p(p)));
    let range = |e: &stats::Estimate| format!("{} to {}", say(e.lower), say(e.upper));
    let habit = |kind: &str, terms: Vec<String>, p_adjusted, words: String| {
        Some(Habit { kind: kind.to_owned(), terms, p_adjusted, words })
    };
    match flag {
        Flag::Offset => {
            let e = t.offset.estimate.as_ref().ok()?;
            let (side, lower, upper) = if e.value > 0.0 {
                ("above", e.lower, e.upper)
            } else {
                ("below", -e.upper, -e.lower)
            };
            let words = format!(
                "scores {} {side} the others ({} to {}{})",
                say(e.value.abs()),
                say(lower),
                say(upper),
                with_p(t.offset.p_adjusted)
            );
            habit("offset", Vec::new(), p(t.offset.p_adjusted), words)
        }
        Flag::Narrow | Flag::Wide => {
            let e = t.slope.estimate.as_ref().ok()?;
            // Somebody whose scores do not go with the others' uses no less of the scale.
            let (kind, how) = match flag {
                Flag::Narrow if e.upper < 0.0 => ("against", "scores against the others"),
                Flag::Narrow if e.lower <= 0.0 => ("unrelated", "does not follow the others"),
                Flag::Narrow => ("narrow", "uses less of the scale"),
                _ => ("wide", "uses more of the scale"),
            };
            let words = if on_one_point(e.lower, e.upper) {
                format!("{how}: one and the same score for all lots of a term")
            } else {
                format!(
                    "{how}: {} points to one of the others ({}{})",
                    say(e.value),
                    range(e),
                    with_p(t.slope.p_adjusted)
                )
            };
            habit(kind, Vec::new(), p(t.slope.p_adjusted), words)
        }
        Flag::Noisy => {
            let r = t.noise.estimate.as_ref().ok()?;
            let words = format!(
                "scatters: repeats lie apart by sd {} ({} to {}), the others' by {}{}",
                say(r.sd),
                say(r.lower),
                say(r.upper),
                say(r.others_sd),
                with_p(t.noise.p_adjusted)
            );
            habit("noisy", Vec::new(), p(t.noise.p_adjusted), words)
        }
        Flag::Drift => {
            let e = t.drift.estimate.as_ref().ok()?;
            let words = format!(
                "moves against the others by {} points a month ({}{})",
                say(e.value),
                range(e),
                with_p(t.drift.p_adjusted)
            );
            habit("drift", Vec::new(), p(t.drift.p_adjusted), words)
        }
        Flag::Crossed { term } => {
            let found = t.terms.iter().find(|c| c.term == term)?;
            let c = found.tested.estimate.as_ref().ok()?;
            let words = format!(
                "{}: high where the others are low, r = {} ({} to {}{})",
                names[term],
                say(c.r),
                say(c.lower),
                say(c.upper),
                with_p(found.tested.p_adjusted)
            );
            habit("crossed", vec![names[term].to_owned()], p(found.tested.p_adjusted), words)
        }
        Flag::Swapped { a, b } => {
            let s = all.swaps.iter().find(|s| s.taster == t.taster && s.a == a && s.b == b)?;
            let words = format!(
                "swaps {} and {}: own {} follows the others' {} (r = {} against {}), own {} their {} \
                 (r = {} against {}); {}",
                names[a],
                names[b],
                names[a],
                names[b],
                say(s.of_a.r_crossed),
                say(s.of_a.r_straight),
                names[b],
                names[a],
                say(s.of_b.r_crossed),
                say(s.of_b.r_straight),
                say_p(s.p_adjusted)
            );
            let terms = vec![names[a].to_owned(), names[b].to_owned()];
            habit("swapped", terms, p(Some(s.p_adjusted)), words)
        }
    }
}
