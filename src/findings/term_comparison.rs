//! One term: which lots differ, and by how much?

use std::collections::BTreeMap;

use blindsteep_stats::mixed::Contrast;
use blindsteep_stats::range::StudentizedRange;
use blindsteep_stats::{kendall, multiple};
use schemars::JsonSchema;
use serde::Serialize;

use super::against::{self, AgainstControl, AlikeWithin, Wish};
use super::in_scale::{InScale, level_on};
use super::lot_map::{self, TermOnMap};
use super::panel_model::{self, LOT, Lots, Panel};
use super::repeats::{self, Repeats};
use super::single_score::{self, Duplicates, SingleScore};
use super::steeps::{self, Steeps};
use super::term_agreement::{Cochran, SmallestDifference, cochran_of, smallest_difference};
use super::unit_table::{UnitTable, mean};
use super::{ALPHA, Answer, FEW_TASTERS, Model, Settings, Test, panel_cautions};
use crate::scores::{ScaleKind, TermScores};

/// The lots in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermComparison {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// The ends of its scale; where they are not known, the lowest and highest score.
    pub ends: Answer<[f64; 2]>,
    /// Lots scored.
    pub n_lots: usize,
    /// Tasters who scored; 0 if the table does not say.
    pub n_tasters: usize,
    /// Scores used.
    pub n_scores: usize,
    /// Scores that were due and are missing.
    pub n_gaps: usize,
    /// Scores left out with a reason.
    pub n_excluded: usize,
    /// The model.
    pub model: Answer<Model>,
    /// Are the lots equal?
    pub lot_test: Answer<Test>,
    /// The p-value of that test among all terms (Holm).
    pub p_holm: Answer<f64>,
    /// The same with the share of false ones among those found kept (Benjamini and Hochberg).
    pub p_benjamini_hochberg: Answer<f64>,
    /// Whether the lots are told apart in this term.
    pub discriminates: Answer<bool>,
    /// The differences of all pairs of lots.
    pub differences: Answer<Vec<Difference>>,
    /// The level of each lot.
    pub levels: Answer<Vec<Level>>,
    /// All lots against the control, if one is named.
    pub against_control: Answer<AgainstControl>,
    /// Lots that are alike within a margin, if one is stated.
    pub alike_within: Answer<AlikeWithin>,
    /// What one score varies by; differences over it are effect sizes.
    pub single_score: Answer<SingleScore>,
    /// The smallest difference that would be seen, from the model.
    pub smallest_difference: Answer<SmallestDifference>,
    /// The same from blind duplicates alone.
    pub duplicates: Answer<Duplicates>,
    /// Whether the ranking repeats from session to session.
    pub repeats: Answer<Repeats>,
    /// The course of the lots over the steeps of the same leaf.
    pub steeps: Answer<Steeps>,
    /// Friedman's test of the tasters' rankings.
    pub ranks: Answer<Ranks>,
    /// How often each tick or category was given to each lot.
    pub shares: Answer<Vec<Shares>>,
    /// Cochran's Q, for ticks.
    pub cochran: Answer<Cochran>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
}

/// Two lots.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Difference {
    /// The lot from which the other is taken.
    pub a: String,
    /// The other.
    pub b: String,
    /// a less b, with the numbers of its interval.
    pub difference: Answer<DifferenceNumbers>,
}

/// The numbers of a difference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct DifferenceNumbers {
    /// a less b.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Satterthwaite's degrees of freedom.
    pub df: f64,
    /// Value over standard error.
    pub t: f64,
    /// Two-sided p of this pair alone, as if it had been chosen beforehand.
    pub p_value: f64,
    /// Lower limit for this pair alone.
    pub lower: f64,
    /// Upper limit for this pair alone.
    pub upper: f64,
    /// p among all pairs (Tukey-Kramer).
    pub p_tukey: f64,
    /// Lower limit that holds for all pairs at once.
    pub tukey_lower: f64,
    /// Upper limit that holds for all pairs at once.
    pub tukey_upper: f64,
    /// Whether the two differ among all pairs.
    pub differs: bool,
    /// Effect size: the difference over the standard deviation of a single score.
    pub effect: f64,
    /// Its lower limit: that of this pair alone, the standard deviation as known.
    pub effect_lower: f64,
    /// Its upper limit.
    pub effect_upper: f64,
}

/// The level of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Level {
    /// The lot.
    pub lot: String,
    /// Its scores.
    pub n_scores: usize,
    /// The plain mean of its scores.
    pub raw_mean: f64,
    /// The adjusted mean with its interval, tasters a sample: their offsets are in it.
    pub adjusted: Answer<LevelNumbers>,
    /// The adjusted mean less the mean of all lots: tasters' offsets are taken out of it.
    pub from_mean: Answer<LevelNumbers>,
    /// The adjusted mean less the mean of the other lots, references left out.
    pub from_others: Answer<LevelNumbers>,
    /// Lots that share a letter could not be told apart; the lowest begins with a.
    pub letters: Answer<String>,
}

/// The numbers of a level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct LevelNumbers {
    /// The level.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Satterthwaite's degrees of freedom.
    pub df: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Value and limits cut at the ends of the scale, where one of them came out beyond.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub in_scale: Option<InScale>,
}

/// Friedman's test.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Ranks {
    /// The statistic, ties corrected.
    pub chi2: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Upper tail of chi-square.
    pub p_value: f64,
    /// The lots' rank sums; rank 1 is the lowest score.
    pub rank_sums: Vec<RankSum>,
    /// Two rank sums chosen beforehand that lie further apart differ; only after a passed test.
    pub least_significant_difference: f64,
    /// Tasters who scored every lot.
    pub n_tasters: usize,
}

/// The rank sum of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RankSum {
    /// The lot.
    pub lot: String,
    /// The sum of its ranks over tasters.
    pub sum: f64,
}

/// The ticks or categories of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Shares {
    /// The lot.
    pub lot: String,
    /// Its answers.
    pub n: usize,
    /// How often each label was given, the most frequent first.
    pub labels: Vec<LabelCount>,
}

/// The label of a tick that was set.
pub const TICKED: &str = "yes";

/// How often a label was given.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LabelCount {
    /// The label.
    pub label: String,
    /// How often.
    pub n: usize,
}

/// The comparison in one term, with what a map needs of it; p among all terms is filled in when
/// all are known.
pub(super) fn of(
    t: &TermScores,
    references: &[String],
    wish: &Wish,
    settings: &Settings,
) -> (TermComparison, Option<TermOnMap>) {
    let line = matches!(t.term.scale, ScaleKind::Line | ScaleKind::Ordered);
    let panel = if line { panel_model::fit(t, Lots::Fixed) } else { no_line() };
    let table = UnitTable::of(t);
    let lot_test = panel.as_ref().and_then(panel_model::lot_test);
    let cochran = cochran_of(t, table.as_ref(), settings);
    let discriminates = super::discriminates(&lot_test, &cochran);
    let n_tasters = t.taster.as_ref().map(|w| w.names.len());
    let single_score = panel.as_ref().and_then(|p| single_score::single_score(p, settings));
    let sd = single_score.known().map_or(f64::NAN, |s| s.sd);
    let differences = panel.as_ref().and_then(|p| differences(p, t, sd, settings));
    let letters = match (&differences, &lot_test) {
        (Answer::Unknown(u), _) => Answer::Unknown(u.clone()),
        _ if n_tasters.is_some_and(|n| n <= FEW_TASTERS) => Answer::unknown(
            "two or three tasters give individual opinions, so no letters are given",
        ),
        (_, Answer::Known(test)) if !test.differs() => {
            Answer::unknown("the lots are not told apart in this term, so no letters are given")
        }
        (_, Answer::Unknown(u)) => Answer::Unknown(u.clone()),
        (Answer::Known(d), _) => panel.as_ref().and_then(|p| letters(p, d, t.lot.names.len())),
    };
    let on_map = match (&panel, &discriminates) {
        (Answer::Known(p), Answer::Known(true)) => lot_map::of_term(p, t),
        _ => None,
    };
    let comparison = TermComparison {
        term: t.term.id.clone(),
        scale: t.term.scale,
        ends: ends(t),
        n_lots: t.lot.names.len(),
        n_tasters: n_tasters.unwrap_or(0),
        n_scores: t.values.len(),
        n_gaps: t.term.gaps,
        n_excluded: t.n_excluded,
        levels: panel.as_ref().map(|p| levels(p, t, references, settings, &letters)),
        against_control: panel
            .as_ref()
            .and_then(|p| against::against_control(p, t, wish, settings)),
        alike_within: panel.as_ref().and_then(|p| against::alike_within(p, t, wish)),
        single_score,
        smallest_difference: panel.as_ref().and_then(smallest_difference),
        duplicates: if line { single_score::duplicates(t) } else { no_line() },
        repeats: if line { repeats::repeats(t, settings) } else { no_line() },
        steeps: if line { steeps::steeps(t, settings) } else { no_line() },
        model: panel.as_ref().map(Panel::report),
        lot_test,
        p_holm: Answer::unknown("the lots are not tested in this term"),
        p_benjamini_hochberg: Answer::unknown("the lots are not tested in this term"),
        discriminates,
        differences,
        ranks: ranks(t, table.as_ref(), settings),
        shares: shares(t),
        cochran,
        cautions: panel_cautions(t),
    };
    (comparison, on_map)
}

fn no_line<T>() -> Answer<T> {
    Answer::unknown("ticks and categories have no mean: how often each was given stands in --json")
}

pub(super) fn ends(t: &TermScores) -> Answer<[f64; 2]> {
    if let Some(ends) = t.term.ends {
        return Answer::Known(ends);
    }
    let low = t.values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = t.values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if low < high {
        Answer::Known([low, high])
    } else {
        Answer::unknown("all scores are equal, and the ends of the scale are not known")
    }
}

pub(super) fn finite(numbers: &[f64]) -> bool {
    numbers.iter().all(|x| x.is_finite())
}

fn differences(p: &Panel, t: &TermScores, sd: f64, settings: &Settings) -> Answer<Vec<Difference>> {
    let n = t.lot.names.len();
    if n < 2 {
        return Answer::unknown("there is one lot only");
    }
    let range = StudentizedRange::new(u32::try_from(n).unwrap_or(u32::MAX));
    // Balanced tables have one df for all pairs: its quantile is sought once.
    let mut quantiles: BTreeMap<u64, f64> = BTreeMap::new();
    let pairs = p.fit.pairs(settings.level).into_iter().map(|pair| {
        let d = pair.difference;
        let difference = if d.estimable {
            let q = *quantiles
                .entry(d.df.to_bits())
                .or_insert_with(|| range.quantile_upper(1.0 - settings.level, d.df));
            let p_tukey = range.sf(d.t.abs() * std::f64::consts::SQRT_2, d.df);
            let reach = q * d.se / std::f64::consts::SQRT_2;
            let all =
                [d.estimate, d.se, d.df, d.t, d.p_value, d.lower, d.upper, p_tukey, reach, sd];
            if finite(&all) {
                Answer::Known(DifferenceNumbers {
                    value: d.estimate,
                    se: d.se,
                    df: d.df,
                    t: d.t,
                    p_value: d.p_value,
                    lower: d.lower,
                    upper: d.upper,
                    p_tukey,
                    tukey_lower: d.estimate - reach,
                    tukey_upper: d.estimate + reach,
                    differs: p_tukey < ALPHA,
                    effect: d.estimate / sd,
                    effect_lower: d.lower / sd,
                    effect_upper: d.upper / sd,
                })
            } else {
                Answer::unknown("too little is left to measure chance by")
            }
        } else {
            Answer::unknown("nothing in this layout joins the two lots")
        };
        Difference { a: t.lot.names[pair.a].clone(), b: t.lot.names[pair.b].clone(), difference }
    });
    Answer::Known(pairs.collect())
}

fn letters(p: &Panel, differences: &[Difference], n: usize) -> Answer<Vec<String>> {
    let means: Vec<f64> = p.fit.adjusted_means(0.95).iter().map(|m| m.estimate).collect();
    if !finite(&means) {
        return Answer::unknown("not every lot's level can be estimated, so no letters are given");
    }
    let mut matrix = vec![vec![f64::NAN; n]; n];
    // Differences stand in the order (1, 2), (1, 3), …, (2, 3), …
    let places = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j)));
    for ((i, j), d) in places.zip(differences) {
        let Some(d) = d.difference.known() else {
            return Answer::unknown("not every pair can be compared, so no letters are given");
        };
        matrix[i][j] = d.p_tukey;
        matrix[j][i] = d.p_tukey;
    }
    Answer::of(multiple::compact_letters(&means, &matrix, ALPHA)).map(|sets| {
        sets.into_iter()
            .map(|s| if s.iter().any(|l| l.len() > 1) { s.join(" ") } else { s.concat() })
            .collect()
    })
}

fn levels(
    p: &Panel,
    t: &TermScores,
    references: &[String],
    settings: &Settings,
    letters: &Answer<Vec<String>>,
) -> Vec<Level> {
    let n = t.lot.names.len();
    let first = p.fixed.terms.iter().find(|f| f.name == LOT).map_or(0, |f| f.first);
    let served: Vec<usize> = (0..n).filter(|j| !references.contains(&t.lot.names[*j])).collect();
    p.fit
        .adjusted_means(settings.level)
        .iter()
        .enumerate()
        .map(|(i, adjusted)| {
            let mut l = vec![0.0; p.fixed.columns.len()];
            for j in 0..n {
                l[first + j] = if i == j { 1.0 } else { 0.0 } - 1.0 / n as f64;
            }
            let others: Vec<usize> = served.iter().copied().filter(|j| *j != i).collect();
            let mut beside = vec![0.0; p.fixed.columns.len()];
            beside[first + i] = 1.0;
            for j in &others {
                beside[first + j] = -1.0 / others.len() as f64;
            }
            let mut own: Vec<f64> = (t.lot.codes.iter().zip(&t.values))
                .filter(|(c, _)| **c as usize == i)
                .map(|(_, v)| *v)
                .collect();
            own.sort_by(f64::total_cmp);
            Level {
                lot: t.lot.names[i].clone(),
                n_scores: own.len(),
                raw_mean: mean(&own).unwrap_or_default(),
                adjusted: level_on(adjusted, t.term.ends),
                from_mean: if n > 1 {
                    level(&p.fit.contrast(&l, settings.level))
                } else {
                    Answer::unknown("there is one lot only")
                },
                from_others: if others.is_empty() {
                    Answer::unknown("no other lot was scored beside it")
                } else {
                    level(&p.fit.contrast(&beside, settings.level))
                },
                letters: letters.as_ref().map(|all| all[i].clone()),
            }
        })
        .collect()
}

pub(super) fn level(c: &Contrast) -> Answer<LevelNumbers> {
    if !c.estimable {
        return Answer::unknown("this layout says nothing about the level of this lot alone");
    }
    if !finite(&[c.estimate, c.se, c.df, c.lower, c.upper]) {
        return Answer::unknown("too little is left to measure chance by");
    }
    Answer::Known(LevelNumbers {
        value: c.estimate,
        se: c.se,
        df: c.df,
        lower: c.lower,
        upper: c.upper,
        in_scale: None,
    })
}

fn ranks(t: &TermScores, table: Option<&UnitTable>, settings: &Settings) -> Answer<Ranks> {
    if t.term.scale == ScaleKind::Nominal {
        return Answer::unknown("categories have no order");
    }
    let Some(u) = table else {
        return Answer::unknown("the table does not say who scored");
    };
    let (rows, who) = u.complete();
    if who.len() < 2 || rows.len() < 2 {
        return Answer::unknown("rankings need two lots and two tasters who scored every lot");
    }
    Answer::of(kendall::friedman(&rows, 1.0 - settings.level)).and_then(|f| {
        if !finite(&[f.chi2, f.p_value, f.least_significant_difference]) {
            return Answer::unknown("all tasters order the lots alike, so there is no ratio");
        }
        Answer::Known(Ranks {
            chi2: f.chi2,
            df: f.df,
            p_value: f.p_value,
            rank_sums: u
                .lots
                .iter()
                .zip(f.rank_sums)
                .map(|(lot, sum)| RankSum { lot: lot.clone(), sum })
                .collect(),
            least_significant_difference: f.least_significant_difference,
            n_tasters: who.len(),
        })
    })
}

fn shares(t: &TermScores) -> Answer<Vec<Shares>> {
    let label = |v: f64| match t.term.scale {
        ScaleKind::Tick => (if v > 0.5 { TICKED } else { "no" }).to_owned(),
        _ => t.labels.get(v as usize).cloned().unwrap_or_else(|| v.to_string()),
    };
    if !matches!(t.term.scale, ScaleKind::Tick | ScaleKind::Nominal) {
        return Answer::unknown("shares are for ticks and categories");
    }
    let mut counts: Vec<BTreeMap<String, usize>> = vec![BTreeMap::new(); t.lot.names.len()];
    for (lot, value) in t.lot.codes.iter().zip(&t.values) {
        *counts[*lot as usize].entry(label(*value)).or_default() += 1;
    }
    let shares = t.lot.names.iter().zip(counts).map(|(lot, counts)| {
        let mut labels: Vec<LabelCount> =
            counts.into_iter().map(|(label, n)| LabelCount { label, n }).collect();
        labels.sort_by(|a, b| b.n.cmp(&a.n).then_with(|| a.label.cmp(&b.label)));
        Shares { lot: lot.clone(), n: labels.iter().map(|l| l.n).sum(), labels }
    });
    Answer::Known(shares.collect())
}
