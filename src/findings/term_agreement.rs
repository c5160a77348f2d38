//! One term: how far do the tasters agree, and does the panel tell the lots apart?

use blindsteep_stats::alpha::{self, Drawn, Metric};
use blindsteep_stats::{anova, kendall};
use schemars::JsonSchema;
use serde::Serialize;

use super::iccs::{self, Iccs};
pub(crate) use super::kappas::cochran_of;
use super::kappas::{self, McNemar, PairKappas};
pub use super::kappas::{Cochran, Kappa};
use super::model_checks::{self, ResidualsOfModel, VarianceTest};
use super::ordinal::{self, OrdinalModel};
use super::panel_model::{self, LOT_TASTER, Lots, Panel, RESIDUAL};
use super::reasons::{self, Reason};
use super::unit_table::{self, UnitTable, Units};
use super::{AnovaLine, Answer, Estimate, FEW_TASTERS, Model, Settings, Test};
use crate::scores::{ScaleKind, TermScores};

/// Agreement in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermAgreement {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// Lots scored.
    pub n_lots: usize,
    /// Tasters who scored.
    pub n_tasters: usize,
    /// Scores used.
    pub n_scores: usize,
    /// Scores that were due and are missing.
    pub n_gaps: usize,
    /// Scores left out with a reason.
    pub n_excluded: usize,
    /// Pots that were brewed.
    pub n_brews: Answer<usize>,
    /// The mixed model: lots fixed, tasters random.
    pub model: Answer<Model>,
    /// Is each of its variances needed?
    pub variance_tests: Answer<Vec<VarianceTest>>,
    /// What it leaves of the scores.
    pub residuals: Answer<ResidualsOfModel>,
    /// Are the lots equal? Satterthwaite's F of the mixed model.
    pub lot_test: Answer<Test>,
    /// The p-value of that test among all terms (Holm).
    pub p_holm: Answer<f64>,
    /// Whether the panel tells the lots apart in this term.
    pub discriminates: Answer<bool>,
    /// The classical analysis of a balanced table, lots tested over lot × taster.
    pub classical: Answer<Classical>,
    /// The interaction split into scale use and disagreement.
    pub mixed_assessor: Answer<MixedAssessor>,
    /// Intraclass correlations.
    pub icc: Answer<Iccs>,
    /// Kendall's W of the tasters who scored every lot.
    pub kendall: Answer<Concordance>,
    /// Krippendorff's alpha.
    pub alpha: Answer<Alpha>,
    /// Fleiss' kappa, for ticks and categories.
    pub kappa: Answer<Kappa>,
    /// Cochran's Q, for ticks.
    pub cochran: Answer<Cochran>,
    /// McNemar's test, for ticks of two lots.
    pub two_lots: Answer<McNemar>,
    /// Every pair of tasters, for ticks, categories and ordered levels.
    pub pairs: Answer<PairKappas>,
    /// The cumulative-link mixed model, for ordered levels.
    pub ordinal: Answer<OrdinalModel>,
    /// The smallest difference of two lots that this panel can see.
    pub smallest_difference: Answer<SmallestDifference>,
    /// Why the scores differ beyond the lots, the largest part first.
    pub reasons: Vec<Reason>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
}

/// The classical analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Classical {
    /// Lots, tasters, lot × taster, and replicates if there are any.
    pub lines: Vec<AnovaLine>,
    /// Lots over lot × taster.
    pub lot_test: Answer<Test>,
    /// Tasters over lot × taster.
    pub taster_test: Answer<Test>,
    /// Lot × taster over replicates.
    pub interaction_test: Answer<Test>,
}

/// The mixed assessor model.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MixedAssessor {
    /// How the squares were split.
    pub method: String,
    /// Lots, scaling, disagreement, error.
    pub lines: Vec<AnovaLine>,
    /// Lots over disagreement.
    pub lot_test: Answer<Test>,
    /// Scaling over disagreement.
    pub scaling_test: Answer<Test>,
    /// Disagreement over error.
    pub disagreement_test: Answer<Test>,
    /// Each taster's slope on the whole panel's lot means; they average 1.
    pub slopes: Vec<NamedSlope>,
}

/// A slope of a taster.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NamedSlope {
    /// The taster.
    pub taster: String,
    /// Points of the taster to one point of the panel.
    pub slope: Answer<f64>,
}

/// Kendall's W.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Concordance {
    /// W with tie correction, 0 to 1.
    pub w: f64,
    /// Lots ranked.
    pub n_lots: usize,
    /// Tasters who scored every lot.
    pub n_tasters: usize,
    /// What W is on average when everybody orders the lots at random.
    pub by_luck_mean: f64,
    /// What luck alone passes in 5 of 100 tables.
    pub by_luck_95: f64,
    /// Chance of a W at least as large by luck alone.
    pub p_value: f64,
    /// How that chance was found.
    pub p_method: String,
    /// Iman and Davenport's F.
    pub f_test: Answer<Test>,
}

/// Krippendorff's alpha.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Alpha {
    /// Alpha.
    pub value: f64,
    /// Alpha with its bootstrap interval.
    pub alpha: Answer<Estimate>,
    /// How far two values lie apart: interval, ordinal or nominal.
    pub metric: String,
    /// Units (cups) judged by at least two tasters.
    pub n_units: usize,
    /// Scores in them.
    pub n_pairable: usize,
    /// What the bootstrap draws anew, and so whom the interval speaks of.
    pub drawn: String,
    /// How often such intervals held what was planted.
    pub measured_coverage: String,
    /// Coverage asked for.
    pub level: f64,
    /// Resamples of the bootstrap.
    pub n_resamples: usize,
    /// The seed of the draws.
    pub seed: u64,
}

/// What difference the panel can see between two lots.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SmallestDifference {
    /// Two lots chosen beforehand: this difference of means reaches p = 0.05.
    pub of_two: f64,
    /// All pairs at once: this difference reaches p = 0.05 by Tukey-Kramer.
    pub of_all_pairs: f64,
    /// A true difference that two lots chosen beforehand would show in 4 of 5 such tastings.
    pub with_power_80: f64,
    /// Standard error of a difference (the median pair's).
    pub se: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// How many lots are compared.
    pub n_lots: usize,
}

/// The agreement in one term; `p_holm` is filled in when all terms are known.
#[must_use]
pub fn of(t: &TermScores, settings: &Settings) -> TermAgreement {
    let table = UnitTable::of(t);
    let units = unit_table::units(t);
    let no_model = no_line(t);
    let panel = match &no_model {
        Some(why) => Answer::unknown(why.clone()),
        None => panel_model::fit(t, Lots::Fixed),
    };
    let lot_test = panel.as_ref().and_then(panel_model::lot_test);
    let cochran = cochran_of(t, table.as_ref(), settings);
    let discriminates = super::discriminates(&lot_test, &cochran);
    let mixed = match (&table, &no_model) {
        (_, Some(why)) => Answer::unknown(why.clone()),
        (None, _) => no_tasters(),
        (Some(u), None) => mixed_assessor(t, u),
    };
    let classical = match (&table, &no_model) {
        (_, Some(why)) => Answer::unknown(why.clone()),
        (None, _) => no_tasters(),
        (Some(u), None) => classical(t, u),
    };
    let icc = match (&table, &no_model) {
        (_, Some(why)) => Answer::unknown(why.clone()),
        (None, _) => no_tasters(),
        (Some(u), None) => iccs::iccs(t, u, settings),
    };
    let reasons = panel.known().map_or_else(Vec::new, |p| {
        reasons::of(p, mixed.known(), icc.known(), discriminates.known().copied())
    });
    TermAgreement {
        term: t.term.id.clone(),
        scale: t.term.scale,
        n_lots: t.lot.names.len(),
        n_tasters: t.taster.as_ref().map_or(0, |w| w.names.len()),
        n_scores: t.values.len(),
        n_gaps: t.term.gaps,
        n_excluded: t.n_excluded,
        n_brews: match panel_model::pots(t) {
            Some(p) => Answer::Known(crate::scores::cross(&t.lot, p).names.len()),
            None => Answer::unknown("the table does not say which pot a score belongs to"),
        },
        smallest_difference: panel.as_ref().and_then(smallest_difference),
        ordinal: ordinal::of(t, &panel, settings),
        model: panel.as_ref().map(Panel::report),
        variance_tests: panel.as_ref().and_then(|p| model_checks::variance_tests(p, t)),
        residuals: panel.as_ref().and_then(|p| model_checks::residuals(p, t)),
        p_holm: Answer::unknown("the lots are not tested in this term"),
        lot_test,
        discriminates,
        classical,
        mixed_assessor: mixed,
        icc,
        kendall: table.as_ref().map_or_else(no_tasters, |u| concordance(t, u, settings)),
        alpha: alpha_of(t, units.as_ref(), settings),
        kappa: kappas::fleiss(t, units.as_ref()),
        cochran,
        two_lots: kappas::two_lots(t, table.as_ref()),
        pairs: kappas::pairs(t, units.as_ref(), settings),
        reasons,
        cautions: super::panel_cautions(t),
    }
}

pub(crate) fn no_tasters<T>() -> Answer<T> {
    Answer::unknown("the table does not say who scored")
}

/// Why the term's scores are not numbers on a line, if they are not.
fn no_line(t: &TermScores) -> Option<String> {
    match t.term.scale {
        ScaleKind::Line | ScaleKind::Ordered => None,
        ScaleKind::Tick => {
            Some("ticks are not numbers on a line: see kappa and Cochran's Q".into())
        }
        ScaleKind::Nominal => Some("categories are not numbers: see kappa and alpha".into()),
    }
}

/// The smallest difference that a fitted panel can see.
pub(crate) fn smallest_difference(panel: &Panel) -> Answer<SmallestDifference> {
    let means = panel.fit.adjusted_means(0.95);
    let mut pairs: Vec<(f64, f64)> = panel
        .fit
        .pairs(0.95)
        .into_iter()
        .filter(|p| p.difference.estimable && p.difference.se > 0.0 && p.difference.df > 0.0)
        .map(|p| (p.difference.se, p.difference.df))
        .collect();
    if pairs.is_empty() {
        return Answer::unknown("there are no two lots whose difference can be estimated");
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (se, df) = pairs[pairs.len() / 2];
    let t = blindsteep_stats::dist::t_quantile_upper(0.025, df);
    let power = blindsteep_stats::dist::t_quantile_upper(0.2, df);
    let q = blindsteep_stats::range::studentized_range_quantile(
        super::ALPHA,
        u32::try_from(means.len()).unwrap_or(u32::MAX),
        df,
    );
    let found = SmallestDifference {
        of_two: t * se,
        of_all_pairs: q * se / std::f64::consts::SQRT_2,
        with_power_80: (t + power) * se,
        se,
        df,
        n_lots: means.len(),
    };
    if [found.of_two, found.of_all_pairs, found.with_power_80].iter().all(|x| x.is_finite()) {
        Answer::Known(found)
    } else {
        Answer::unknown("too little is left to measure chance by")
    }
}

fn line(name: &str, l: &anova::Line) -> AnovaLine {
    AnovaLine { name: name.to_owned(), df: l.df, ss: l.ss, ms: l.ms }
}

fn ratio(f: Option<&anova::FRatio>, why: &str) -> Answer<Test> {
    f.map_or_else(|| Answer::unknown(why), |f| Test::of(f.f, f.df1, f.df2, f.p_value))
}

fn classical(t: &TermScores, u: &UnitTable) -> Answer<Classical> {
    if u.lots.len() < 2 || u.tasters.len() < 2 {
        return Answer::unknown("the classical analysis needs two lots and two tasters");
    }
    if let Some(why) = unit_table::not_plain(t) {
        return Answer::unknown(why);
    }
    if u.n_replicates().is_none() {
        return Answer::unknown(
            "the table is not balanced: not every taster scored every lot equally often",
        );
    }
    Answer::of(anova::two_way_replicated(&u.cells)).map(|a| {
        let mut lines = vec![
            line("lot", &a.lot),
            line("taster", &a.taster),
            line(LOT_TASTER, &a.interaction),
        ];
        if a.error.df > 0.0 {
            lines.push(line(RESIDUAL, &a.error));
        }
        Classical {
            lines,
            lot_test: ratio(a.lot_test.as_ref(), "nothing is left over to test lots with"),
            taster_test: ratio(a.taster_test.as_ref(), "nothing is left over to test tasters with"),
            interaction_test: ratio(
                a.interaction_test.as_ref(),
                "there are no replicates that differ, so lot × taster has nothing to be tested with",
            ),
        }
    })
}

fn mixed_assessor(t: &TermScores, u: &UnitTable) -> Answer<MixedAssessor> {
    if u.lots.len() < 3 || u.tasters.len() < 2 {
        return Answer::unknown("the split needs three lots and two tasters");
    }
    if let Some(why) = unit_table::not_plain(t) {
        return Answer::unknown(why);
    }
    let method = if u.n_replicates().is_some() {
        "balanced table: the split as published".to_owned()
    } else {
        "not balanced: sequential sums of squares (tasters, lots adjusted for tasters, scaling, \
         disagreement), their F tests approximate"
            .to_owned()
    };
    let Some(taster) = &t.taster else { return no_tasters() };
    Answer::of(anova::mixed_assessor(&t.lot.codes, &taster.codes, &t.values)).map(|m| {
        let mut lines = vec![
            line("lot", &m.lot),
            line("scaling", &m.scaling),
            line("disagreement", &m.disagreement),
        ];
        if m.error.df > 0.0 {
            lines.push(line(RESIDUAL, &m.error));
        }
        MixedAssessor {
            method,
            lines,
            lot_test: ratio(m.lot_test.as_ref(), "nothing is left over to test lots with"),
            scaling_test: ratio(m.scaling_test.as_ref(), "nothing is left over to test scaling with"),
            disagreement_test: ratio(
                m.disagreement_test.as_ref(),
                "there are no replicates that differ, so disagreement has nothing to be tested with",
            ),
            slopes: u
                .tasters
                .iter()
                .zip(&m.slopes)
                .map(|(taster, slope)| NamedSlope {
                    taster: taster.clone(),
                    slope: slope.filter(|s| s.is_finite()).map_or_else(
                        || Answer::unknown("the panel's lot means are all alike"),
                        Answer::Known,
                    ),
                })
                .collect(),
        }
    })
}

fn concordance(t: &TermScores, u: &UnitTable, settings: &Settings) -> Answer<Concordance> {
    if matches!(t.term.scale, ScaleKind::Nominal) {
        return Answer::unknown("categories have no order");
    }
    let (rows, who) = u.complete();
    if who.len() < 2 || rows.len() < 2 {
        return Answer::unknown("W needs two lots and two tasters who scored every lot");
    }
    let found = kendall::kendall_w(&rows).and_then(|w| {
        let chance = kendall::chance_level(&rows, settings.n_permutations, settings.seed)?;
        let p = kendall::permutation_p(&rows, settings.n_permutations, settings.seed)?;
        Ok((w, chance, p))
    });
    Answer::of(found).map(|(w, chance, p)| Concordance {
        w: w.w,
        n_lots: w.n_lots,
        n_tasters: w.n_tasters,
        by_luck_mean: chance.mean,
        by_luck_95: chance.point_95,
        p_value: p.p_value,
        p_method: match p.method {
            kendall::PermutationMethod::Exact => "all arrangements of the ranks".to_owned(),
            kendall::PermutationMethod::Random { n_permutations, seed } => {
                format!("{n_permutations} random arrangements of the ranks, seed {seed}")
            }
        },
        f_test: if w.f.is_finite() {
            Test::of(w.f, w.f_df1, w.f_df2, w.f_p)
        } else {
            Answer::unknown("all tasters order the lots alike, so there is no ratio")
        },
    })
}

fn alpha_of(t: &TermScores, units: Option<&Units>, settings: &Settings) -> Answer<Alpha> {
    let Some(units) = units else { return no_tasters() };
    let (metric, name) = match t.term.scale {
        ScaleKind::Line => (Metric::Interval, "interval"),
        ScaleKind::Ordered => (Metric::Ordinal, "ordinal"),
        ScaleKind::Nominal | ScaleKind::Tick => (Metric::Nominal, "nominal"),
    };
    let n_tasters = t.taster.as_ref().map_or(0, |w| w.names.len());
    let (drawn, words, coverage) = if n_tasters > FEW_TASTERS {
        (Drawn::LotsAndObservers, "lots and tasters", alpha::COVERAGE)
    } else {
        (Drawn::Lots, "lots; it holds for these tasters only", alpha::COVERAGE_OF_LOTS)
    };
    let draw = (settings.level, settings.n_resamples, settings.seed);
    Answer::of(alpha::alpha(&units.rows, metric)).map(|a| Alpha {
        value: a.value,
        alpha: Answer::of(alpha::alpha_interval(&units.rows, &units.lots, metric, drawn, draw))
            .and_then(|i| Estimate::of(a.value, i.lower, i.upper)),
        metric: name.to_owned(),
        n_units: a.n_units,
        n_pairable: a.n_pairable,
        drawn: words.to_owned(),
        measured_coverage: coverage.to_owned(),
        level: settings.level,
        n_resamples: settings.n_resamples,
        seed: settings.seed,
    })
}
