//! What all parameters together predict of a lot that was left out.
//!
//! Effects one by one say what goes with what; this asks whether a lot that is not yet known could
//! have been foretold from how it was made, by partial least squares. If not, that is the headline.

use std::collections::BTreeMap;

use blindsteep_stats::pls::cross::{cross_validate, jackknife};
use blindsteep_stats::pls::luck::{self, Among, Luck};
use blindsteep_stats::pls::{self, CrossValidated, Folds, Prepared, Scaling, net};
use blindsteep_stats::{dist, rng};
use rayon::prelude::*;

use super::columns::{Column, Line};
use super::many_batch;
use super::many_form::{
    Grouped, PredictedColumn, PredictedTerm, Prediction, Second, Step, TermTogether, Together,
};
use super::many_words as words;
use super::rows::Picked;
use super::{LeftOut, LinkedTerm, Wish};
use crate::findings::{ALPHA, Answer, Estimate, Settings, count};
use crate::scores::Makings;

/// With fewer lots nothing is predicted.
pub const LEAST_LOTS: usize = 6;
/// With fewer sessions none is left out as a whole.
pub const LEAST_SESSIONS: usize = 4;
/// Beyond so many lots they are left out in random groups, not one by one.
const ONE_BY_ONE: usize = 100;
const GROUPS: usize = 10;
/// Random groups, repeated, beside each lot alone.
const REPEATED: (usize, usize) = (5, 20);
/// Most random orders; more would cost more than they tell of a level of 1 in 20.
const MOST_ORDERS: usize = 499;
/// Beyond so many numbers (lots times parameters) fewer orders are drawn.
const MANY_NUMBERS: (usize, usize) = (500, 199);
/// Half of the net's penalty is on absolute values, half on squares, so that parameters that move
/// together are taken together.
const MIX: f64 = 0.5;
const NO_ORDER: &str = "no order was drawn";

/// The lots' means of a term.
#[derive(Clone)]
pub(super) struct Means<'a> {
    pub(super) term: &'a str,
    /// Places among the lots that are linked.
    pub(super) places: Vec<usize>,
    pub(super) y: Vec<f64>,
}

/// What is asked of all terms.
pub(super) struct Asked<'a> {
    pub(super) means: Vec<Means<'a>>,
    pub(super) columns: Vec<&'a Column>,
    pub(super) sessions: &'a [u32],
    pub(super) settings: &'a Settings,
}

/// Works the predictions out.
pub fn prediction(
    terms: &[LinkedTerm],
    picked: &Picked,
    (columns, lines): (&[Column], &[Line]),
    (makings, left_out): (&Makings, &[LeftOut]),
    wish: &Wish,
    settings: &Settings,
) -> Answer<Prediction> {
    let only = |c: &&Column| {
        wish.only.is_empty() || wish.only.contains(&c.parameter) || wish.only.contains(&c.id)
    };
    let columns: Vec<&Column> = columns.iter().filter(only).collect();
    if columns.is_empty() {
        return Answer::unknown("there is no parameter that varied and that was asked");
    }
    let (means, mut not_predicted) = means(terms, picked);
    if means.is_empty() {
        let why = not_predicted.first().map_or("there is no term", |l| l.reason.as_str());
        return Answer::unknown(why);
    }
    let asked = Asked { means, columns, sessions: &picked.sessions, settings };
    let fits = fits(&asked);
    let predicted: Vec<PredictedTerm> =
        fits.terms.par_iter().with_max_len(1).map(|fit| of_term(fit, &asked, lines)).collect();
    for (i, m) in asked.means.iter().enumerate() {
        if fits.terms.iter().all(|f| f.of != i) {
            not_predicted.push(LeftOut {
                kind: "term".to_owned(),
                name: m.term.to_owned(),
                reason: "no parameter varies among the lots that were scored in this term"
                    .to_owned(),
                lots: Vec::new(),
            });
        }
    }
    let mut found = Prediction {
        sentences: Vec::new(),
        columns: asked.columns.iter().map(|c| c.id.clone()).collect(),
        left_out: if picked.lots.len() > ONE_BY_ONE {
            format!("in {GROUPS} random groups")
        } else {
            "each lot alone".to_owned()
        },
        exchanged: exchanged(&blocks(&picked.sessions)),
        n_orders: fits.n_orders,
        n_better: predicted.iter().filter(|t| t.better).count(),
        terms: predicted,
        not_predicted,
        together: together(&asked),
        about_coefficients: words::ABOUT_COEFFICIENTS.to_owned(),
        batches: many_batch::all(&asked, makings, left_out, &wish.predict),
    };
    found.sentences = words::of(&found, &picked.sessions);
    Answer::Known(found)
}

/// The terms that can be asked, and the others.
fn means<'a>(terms: &'a [LinkedTerm], picked: &Picked) -> (Vec<Means<'a>>, Vec<LeftOut>) {
    let (mut all, mut not) = (Vec::new(), Vec::new());
    let place: BTreeMap<&str, usize> =
        picked.lots.iter().enumerate().map(|(i, l)| (l.lot.as_str(), i)).collect();
    for t in terms {
        let mut leave = |reason: String| {
            not.push(LeftOut {
                kind: "term".to_owned(),
                name: t.term.clone(),
                reason,
                lots: Vec::new(),
            });
        };
        let means = match &t.lot_means {
            Answer::Known(m) => m,
            Answer::Unknown(u) => {
                leave(u.reason.clone());
                continue;
            }
        };
        let (mut places, mut y) = (Vec::new(), Vec::new());
        for m in means {
            if let Some(place) = place.get(m.lot.as_str()) {
                places.push(*place);
                y.push(m.mean);
            }
        }
        if y.len() < LEAST_LOTS {
            leave(format!(
                "{} are too few to leave one out and predict it from the others: at least \
                 {LEAST_LOTS} are needed",
                count(y.len(), "lot", "lots")
            ));
        } else if !varies(&y) {
            leave("it is the same for all lots, so there is nothing to predict".to_owned());
        } else {
            all.push(Means { term: &t.term, places, y });
        }
    }
    (all, not)
}

/// Lots are exchanged within their session; those that were alone in theirs among themselves.
pub(super) fn blocks(sessions: &[u32]) -> Vec<u32> {
    let size = |s: u32| sessions.iter().filter(|x| **x == s).count();
    let alone = sessions.iter().max().map_or(0, |m| m + 1);
    sessions.iter().map(|s| if size(*s) > 1 { *s } else { alone }).collect()
}

fn exchanged(blocks: &[u32]) -> String {
    let mut all = blocks.to_vec();
    all.sort_unstable();
    all.dedup();
    if all.len() < 2 { "all lots".to_owned() } else { "lots within their session".to_owned() }
}

/// In how many ways that can be done, as far as it is below a million.
fn ways(blocks: &[u32]) -> u64 {
    let mut sizes = BTreeMap::<u32, u64>::new();
    blocks.iter().fold(1_u64, |all, b| {
        let n = sizes.entry(*b).or_default();
        *n += 1;
        all.saturating_mul(*n).min(1_000_000)
    })
}

/// A model of one term, with its test.
pub(super) struct Fit {
    /// The term's place among those asked.
    pub(super) of: usize,
    pub(super) x: Prepared,
    /// Which of the columns are in it: those that vary among its lots.
    pub(super) used: Vec<usize>,
    pub(super) cross: CrossValidated,
    pub(super) components: usize,
    pub(super) luck: Luck,
    pub(super) among: Among,
    pub(super) better: bool,
}

impl Fit {
    pub(super) fn values(&self, asked: &Asked<'_>) -> Vec<Vec<f64>> {
        let m = &asked.means[self.of];
        self.used.iter().map(|j| at(&m.places, &asked.columns[*j].values)).collect()
    }
}

fn at(places: &[usize], values: &[f64]) -> Vec<f64> {
    places.iter().map(|p| values[*p]).collect()
}

fn refs(columns: &[Vec<f64>]) -> Vec<&[f64]> {
    columns.iter().map(Vec::as_slice).collect()
}

/// The models of all terms.
pub(super) struct Fits {
    pub(super) terms: Vec<Fit>,
    pub(super) n_orders: usize,
}

/// Folds for `n` lots.
fn folds(n: usize, seed: u64) -> Folds {
    if n > ONE_BY_ONE {
        Folds::random(n, GROUPS, &mut rng::stream(seed, u64::MAX))
    } else {
        Folds::one_out(n)
    }
}

/// Fits and tests all terms but those among whose lots no column varies.
pub(super) fn fits(asked: &Asked<'_>) -> Fits {
    let numbers = asked.sessions.len() * asked.columns.len();
    let most = if numbers > MANY_NUMBERS.0 { MANY_NUMBERS.1 } else { MOST_ORDERS };
    let n_orders = asked.settings.n_permutations.min(most);
    let terms: Vec<Option<Fit>> = asked
        .means
        .par_iter()
        .enumerate()
        .with_max_len(1)
        .map(|(of, m)| {
            let own: Vec<(usize, Vec<f64>)> = asked
                .columns
                .iter()
                .map(|c| at(&m.places, &c.values))
                .enumerate()
                .filter(|(_, v)| varies(v))
                .collect();
            let used: Vec<usize> = own.iter().map(|o| o.0).collect();
            let columns: Vec<&[f64]> = own.iter().map(|o| o.1.as_slice()).collect();
            let folds = folds(m.places.len(), asked.settings.seed);
            let x = Prepared::new(&columns, &folds, Scaling::Inside).ok()?;
            let most = x.most_components();
            let cross = cross_validate(&x, &m.y, most).ok()?;
            let sessions: Vec<u32> = m.places.iter().map(|p| asked.sessions[*p]).collect();
            let blocks = blocks(&sessions);
            let luck = luck::luck(&x, &m.y, most, &blocks, n_orders, asked.settings.seed).ok()?;
            let components = cross.chosen().components;
            let among = Among { p_value: 1.0, luck: f64::INFINITY };
            Some(Fit { of, x, used, cross, components, luck, among, better: false })
        })
        .collect();
    let lucks: Vec<Luck> = terms.iter().flatten().map(|f| f.luck.clone()).collect();
    let among = luck::among_all(&lucks, ALPHA);
    let mut terms: Vec<Fit> = terms.into_iter().flatten().collect();
    for (t, among) in terms.iter_mut().zip(among) {
        t.among = among;
        t.better = among.p_value <= ALPHA && t.luck.observed > 0.0;
    }
    Fits { terms, n_orders }
}

fn varies(values: &[f64]) -> bool {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    high - low > 1e-9 * low.abs().max(high.abs())
}

fn of_term(fit: &Fit, asked: &Asked<'_>, lines: &[Line]) -> PredictedTerm {
    let m = &asked.means[fit.of];
    let (a, cross) = (fit.components, &fit.cross);
    let values = fit.values(asked);
    let columns = refs(&values);
    let model = pls::fit(&columns, &[&m.y], cross.press.len() - 1).ok();
    let explained = |k: usize| -> f64 {
        model.as_ref().map_or(0.0, |f| f.y_explained[0].iter().take(k).fold(0.0, |a, e| a + e))
    };
    let steps = (0..cross.press.len())
        .map(|k| Step {
            components: k,
            error: cross.rmsep[k],
            q2: cross.q2[k],
            explained: explained(k),
        })
        .collect();
    let net = second(m, &columns, asked);
    let coefficients = Answer::of(jackknife(&fit.x, &m.y, a));
    let t =
        dist::t_quantile_upper(0.5 * (1.0 - asked.settings.level), fit.x.n_left_out() as f64 - 1.0);
    let mut own: Vec<PredictedColumn> = Vec::new();
    for (k, j) in fit.used.iter().enumerate() {
        let c = asked.columns[*j];
        let range = spread(&values[k]);
        let interval = |by: f64| {
            coefficients.as_ref().and_then(|b| {
                let (value, reach) = (b[k].value * by, t * b[k].se * by);
                Estimate::of(value, value - reach, value + reach)
            })
        };
        own.push(PredictedColumn {
            column: c.id.clone(),
            line: line_of(c, lines),
            per_unit: interval(1.0),
            over_range: interval(range),
            importance: model
                .as_ref()
                .and_then(|f| f.vip.get(a - 1).or(f.vip.last()))
                .map_or(0.0, |v| v[k]),
            net_over_range: net.as_ref().map(|n| n.coefficients[k] * range),
        });
    }
    let taken = net.map(|n| Second {
        penalty: n.penalty,
        mix: n.mix,
        q2: n.q2,
        takes: taken(&fit.used, &n.coefficients, asked, lines),
    });
    let sessions: Vec<u32> = m.places.iter().map(|p| asked.sessions[*p]).collect();
    PredictedTerm {
        term: m.term.to_owned(),
        n_lots: m.y.len(),
        components: a,
        error: cross.rmsep[a],
        error_of_mean: cross.rmsep[0],
        q2: cross.q2[a],
        q2_total: cross.q2_total[a],
        luck: Answer::of(fit.luck.reached(ALPHA).ok_or(NO_ORDER)),
        luck_among_all: if fit.among.luck.is_finite() {
            Answer::Known(fit.among.luck)
        } else {
            Answer::unknown(NO_ORDER)
        },
        p_value: fit.luck.p_value(),
        p_among_all: fit.among.p_value,
        better: fit.better,
        by_components: steps,
        by_session: by_session(&columns, m, &sessions, a),
        repeated: repeated(&columns, m, a, asked.settings.seed),
        columns: own,
        net: taken,
    }
}

fn spread(values: &[f64]) -> f64 {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low
}

fn line_of(c: &Column, lines: &[Line]) -> Answer<String> {
    let line = lines.iter().find(|l| l.members.iter().any(|m| m.column == c.id));
    Answer::of(line.map(|l| l.line.clone()).ok_or("it is in no line that is asked"))
}

/// The lines that a net takes, in words: what is not told apart is named together.
fn taken(used: &[usize], b: &[f64], asked: &Asked<'_>, lines: &[Line]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for (j, _) in used.iter().zip(b).filter(|(_, b)| **b != 0.0) {
        let c = asked.columns[*j];
        let line = lines.iter().find(|l| l.members.iter().any(|m| m.column == c.id));
        let words = line.map_or_else(|| c.id.clone(), Line::words);
        if !all.contains(&words) {
            all.push(words);
        }
    }
    all
}

fn second(m: &Means<'_>, columns: &[&[f64]], asked: &Asked<'_>) -> Answer<net::Net> {
    let n = m.y.len();
    let folds = Folds::random(n, GROUPS, &mut rng::stream(asked.settings.seed, u64::MAX - 1));
    let x = Prepared::new(columns, &folds, Scaling::Inside);
    Answer::of(x.and_then(|x| net::net(&x, &m.y, MIX)))
}

fn by_session(columns: &[&[f64]], m: &Means<'_>, sessions: &[u32], a: usize) -> Answer<Grouped> {
    let folds = Folds::by_group(sessions);
    if folds.held.len() < LEAST_SESSIONS {
        return Answer::unknown(format!(
            "{} are too few to leave one out: at least {LEAST_SESSIONS} are needed",
            count(folds.held.len(), "session", "sessions")
        ));
    }
    if folds.held.len() == sessions.len() {
        return Answer::unknown(
            "each session has one lot: to leave it out is to leave the lot out",
        );
    }
    let n_groups = folds.held.len();
    grouped(columns, m, a, n_groups, std::iter::once(folds))
}

fn repeated(columns: &[&[f64]], m: &Means<'_>, a: usize, seed: u64) -> Answer<Grouped> {
    let (parts, times) = REPEATED;
    let n = m.y.len();
    let all = (0..times as u64).map(|k| Folds::random(n, parts, &mut rng::stream(seed, k)));
    grouped(columns, m, a, parts, all)
}

fn grouped(
    columns: &[&[f64]],
    m: &Means<'_>,
    a: usize,
    n_groups: usize,
    all: impl Iterator<Item = Folds>,
) -> Answer<Grouped> {
    let mut found: Vec<CrossValidated> = Vec::new();
    for folds in all {
        let cross = Prepared::new(columns, &folds, Scaling::Inside)
            .and_then(|x| cross_validate(&x, &m.y, a));
        match cross {
            Ok(c) => found.push(c),
            Err(e) => return Answer::unknown(e.to_string()),
        }
    }
    let n = found.len() as f64;
    let mean = |of: fn(&CrossValidated) -> &Vec<f64>, k: usize| {
        found.iter().map(|c| of(c)[k]).sum::<f64>() / n
    };
    let q2 =
        |start: f64, pick: fn(f64, f64) -> f64| found.iter().map(|c| c.q2[a]).fold(start, pick);
    Answer::Known(Grouped {
        n_groups,
        n_repeats: found.len(),
        error: mean(|c| &c.rmsep, a),
        error_of_mean: mean(|c| &c.rmsep, 0),
        q2: mean(|c| &c.q2, a),
        q2_least: q2(f64::INFINITY, f64::min),
        q2_largest: q2(f64::NEG_INFINITY, f64::max),
    })
}

/// All terms that were scored of the same lots, in one model.
fn together(asked: &Asked<'_>) -> Answer<Together> {
    let Some(first) = asked.means.iter().max_by_key(|m| m.places.len()) else {
        return Answer::unknown("there is no term");
    };
    let same: Vec<&Means<'_>> = asked.means.iter().filter(|m| m.places == first.places).collect();
    if same.len() < 2 {
        return Answer::unknown("only one term was scored of these lots");
    }
    let n = first.y.len();
    let values: Vec<Vec<f64>> =
        asked.columns.iter().map(|c| at(&first.places, &c.values)).filter(|v| varies(v)).collect();
    let columns = refs(&values);
    let y: Vec<&[f64]> = same.iter().map(|m| m.y.as_slice()).collect();
    let folds = folds(n, asked.settings.seed);
    let most = Prepared::new(&columns, &folds, Scaling::Inside).map(|x| x.most_components());
    let found = most.and_then(|most| {
        let cross = pls::cross_validate_together(&columns, &y, &folds, Scaling::Inside, most)?;
        Ok((cross, pls::fit(&columns, &y, most)?))
    });
    let (cross, model) = match found {
        Ok(found) => found,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    // Each term counts alike: its errors over its own spread.
    let n_steps = cross[0].press.len();
    let mut squares = vec![0.0; n_steps * n];
    for c in &cross {
        for (k, errors) in c.errors.iter().enumerate() {
            for (i, e) in errors.iter().enumerate() {
                squares[k * n + i] += e * e / c.press[0];
            }
        }
    }
    let components = pls::cross::choose(&squares, n).components;
    let q2 = 1.0
        - cross.iter().map(|c| c.press[components] / c.press[0]).sum::<f64>() / cross.len() as f64;
    let sum = |v: &[f64]| v.iter().take(components).sum::<f64>();
    Answer::Known(Together {
        n_lots: n,
        components,
        x_explained: sum(&model.x_explained),
        y_explained: sum(&model.y_explained_total),
        q2,
        terms: same
            .iter()
            .zip(&cross)
            .map(|(m, c)| TermTogether {
                term: m.term.to_owned(),
                error: c.rmsep[components],
                q2: c.q2[components],
            })
            .collect(),
    })
}

/// Whether lots can be exchanged in ways enough for a verdict; if not, in how many.
pub(super) fn too_few_ways(sessions: &[u32]) -> Option<u64> {
    let n = ways(&blocks(sessions));
    (n < 20).then_some(n)
}
