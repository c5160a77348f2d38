//! One term: how far do the tasters agree, and does the panel tell the lots apart?

use blindsteep_stats::alpha::{self, Metric};
use blindsteep_stats::icc::{self, IccComponents, SimulatedPart};
use blindsteep_stats::{anova, kendall, ticks};
use schemars::JsonSchema;
use serde::Serialize;

use super::panel_model::{self, Brews, LOT, LOT_TASTER, Lots, Panel, RESIDUAL, TASTER};
use super::reasons::{self, Reason};
use super::unit_table::{self, UnitTable};
use super::{AnovaLine, Answer, Estimate, Model, Settings, Test};
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

/// Intraclass correlations with their intervals.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Iccs {
    /// What one score is here, and over what a mean is taken.
    pub unit: String,
    /// ICC(A,1): a single score, offsets count against it.
    pub agreement_single: Answer<Estimate>,
    /// ICC(C,1): a single score, offsets forgiven.
    pub consistency_single: Answer<Estimate>,
    /// ICC(A,k): the mean of the panel, offsets count against it.
    pub agreement_mean: Answer<Estimate>,
    /// ICC(C,k): the mean of the panel, offsets forgiven.
    pub consistency_mean: Answer<Estimate>,
    /// Tasters in the mean.
    pub k: usize,
    /// Scores a taster in the mean.
    pub n_replicates: f64,
    /// How values and intervals were found.
    pub method: String,
    /// The variances, lots and tasters random.
    pub components: Answer<Model>,
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
    /// Alpha and its bootstrap interval over units.
    pub alpha: Answer<Estimate>,
    /// How far two values lie apart: interval, ordinal or nominal.
    pub metric: String,
    /// Units (cups) judged by at least two tasters.
    pub n_units: usize,
    /// Scores in them.
    pub n_pairable: usize,
    /// Resamples of the bootstrap.
    pub n_resamples: usize,
}

/// Fleiss' kappa.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Kappa {
    /// Kappa: 0 is what luck gives, 1 perfect agreement.
    pub kappa: f64,
    /// Its distance from 0 in standard errors of no agreement.
    pub z: f64,
    /// Share of agreeing pairs of tasters.
    pub observed: f64,
    /// Share expected by luck.
    pub expected: f64,
    /// Units judged by every taster.
    pub n_units: usize,
    /// Tasters.
    pub n_tasters: usize,
}

/// Cochran's Q.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Cochran {
    /// The statistic.
    pub q: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Chance of a Q at least as large where lots are ticked alike.
    pub p_value: f64,
    /// Tasters who ticked some lots and not others.
    pub n_informative: usize,
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
    let no_model = no_line(t);
    let panel = match &no_model {
        Some(why) => Answer::unknown(why.clone()),
        None => panel_model::fit(t, Lots::Fixed),
    };
    let lot_test = panel.as_ref().and_then(panel_model::lot_test);
    let cochran = cochran_of(t, table.as_ref());
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
        (Some(u), None) => iccs(t, u, settings),
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
        model: panel.as_ref().map(Panel::report),
        p_holm: Answer::unknown("the lots are not tested in this term"),
        lot_test,
        discriminates,
        classical,
        mixed_assessor: mixed,
        icc,
        kendall: table.as_ref().map_or_else(no_tasters, |u| concordance(t, u, settings)),
        alpha: alpha_of(t, settings),
        kappa: kappa(t),
        cochran,
        reasons,
        cautions: super::panel_cautions(t),
    }
}

fn no_tasters<T>() -> Answer<T> {
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

/// Why a table is not a plain lot × taster table, if it is not.
fn not_plain(t: &TermScores) -> Option<String> {
    for (words, several) in [(&t.recipe, "recipes"), (&t.steep, "steeps"), (&t.session, "sessions")]
    {
        if let Some(w) = words.as_ref().filter(|w| w.names.len() > 1) {
            return Some(format!("the scores come from {} {several}", w.names.len()));
        }
    }
    None
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
    if let Some(why) = not_plain(t) {
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
    if let Some(why) = not_plain(t) {
        return Answer::unknown(why);
    }
    if u.n_replicates().is_none() {
        return Answer::unknown("the table is not balanced: the split is made for balanced tables");
    }
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

fn iccs(t: &TermScores, u: &UnitTable, settings: &Settings) -> Answer<Iccs> {
    if u.lots.len() < 2 || u.tasters.len() < 2 {
        return Answer::unknown("an intraclass correlation needs two lots and two tasters");
    }
    let k = u.tasters.len();
    if u.n_replicates() == Some(1) && not_plain(t).is_none() {
        return one_score_a_cell(u, settings);
    }
    let panel = match panel_model::fit(t, Lots::Random) {
        Answer::Known(panel) => panel,
        Answer::Unknown(u) => return Answer::Unknown(u),
    };
    let r = u.mean_replicates();
    let (n, how) = match balanced_refit(t, u) {
        Some(_) => (settings.n_resamples, "mean squares"),
        None => (settings.n_refits, "REML"),
    };
    let parts = components(&panel);
    let values = match icc::from_components(&parts, k, r) {
        Ok(values) => values,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let limits = bootstrap(t, &panel, (k, r), settings);
    let with = |value: f64, pick: fn(&icc::IccIntervals) -> [f64; 2]| match &limits {
        Answer::Known(l) => Estimate::of(value, pick(l)[0], pick(l)[1]),
        Answer::Unknown(u) => Answer::Unknown(u.clone()),
    };
    Answer::Known(Iccs {
        unit: format!(
            "one score of one taster; means over {k} tasters with {} {} each",
            super::say(r),
            if r == 1.0 { "score" } else { "scores" }
        ),
        agreement_single: with(values.agreement_single, |l| l.agreement_single),
        consistency_single: with(values.consistency_single, |l| l.consistency_single),
        agreement_mean: with(values.agreement_mean, |l| l.agreement_mean),
        consistency_mean: with(values.consistency_mean, |l| l.consistency_mean),
        k,
        n_replicates: r,
        method: format!(
            "variance components by REML, lots and tasters random; percentile limits of {n} simulated \
             tables, refitted by {how}"
        ),
        components: Answer::Known(panel.report()),
    })
}

fn one_score_a_cell(u: &UnitTable, settings: &Settings) -> Answer<Iccs> {
    let (rows, _) = u.complete();
    Answer::of(icc::shrout_fleiss(&rows, settings.level)).map(|six| {
        let form = |at: usize| {
            let i = &six.forms[at];
            Estimate::of(i.value, i.lower, i.upper)
        };
        Iccs {
            unit: format!("one score of one taster; means over {} tasters", u.tasters.len()),
            agreement_single: form(1),
            consistency_single: form(2),
            agreement_mean: form(4),
            consistency_mean: form(5),
            k: u.tasters.len(),
            n_replicates: 1.0,
            method:
                "mean squares of a complete table, one score a cell; limits of Shrout and Fleiss \
                     (1979)"
                    .to_owned(),
            components: Answer::unknown("found from mean squares, not from a model"),
        }
    })
}

/// Whatever is neither lot, taster nor lot × taster changes from score to score.
fn components(panel: &Panel) -> IccComponents {
    let other: f64 = panel
        .fit
        .components
        .iter()
        .filter(|c| ![LOT, TASTER, LOT_TASTER].contains(&c.name.as_str()))
        .map(|c| c.variance)
        .sum();
    IccComponents {
        lot: panel.variance(LOT),
        taster: panel.variance(TASTER),
        lot_taster: panel.variance(LOT_TASTER),
        residual: panel.fit.sigma2 + other,
    }
}

/// The scores a cell of a balanced table, whose components follow from its mean squares.
fn balanced_refit(t: &TermScores, u: &UnitTable) -> Option<usize> {
    let only_plain =
        not_plain(t).is_none() && t.flight.is_none() && panel_model::brews(t) != Brews::Several;
    u.n_replicates().filter(|r| only_plain && *r > 1)
}

fn bootstrap(
    t: &TermScores,
    panel: &Panel,
    (k, r): (usize, f64),
    settings: &Settings,
) -> Answer<icc::IccIntervals> {
    let parts: Vec<SimulatedPart> = panel
        .random
        .iter()
        .map(|term| SimulatedPart {
            codes: term.factor.codes.clone(),
            n_levels: term.factor.n_levels,
            variance: panel.variance(&term.name),
        })
        .collect();
    let n = t.values.len();
    let interval = |n_tables| (settings.level, n_tables, settings.seed);
    let table = UnitTable::of(t);
    if let (Some(u), Some(taster)) = (&table, &t.taster)
        && let Some(r_cell) = balanced_refit(t, u)
    {
        let (lots, who) = (&t.lot.codes, &taster.codes);
        let shape = (u.lots.len(), u.tasters.len());
        let refit = |y: &[f64]| {
            let mut cells = vec![vec![Vec::with_capacity(r_cell); shape.1]; shape.0];
            for ((lot, w), value) in lots.iter().zip(who).zip(y) {
                cells[*lot as usize][*w as usize].push(*value);
            }
            let a = anova::two_way_replicated(&cells).ok()?;
            Some(at_least_zero(&a))
        };
        return Answer::of(icc::parametric_bootstrap(
            &parts,
            panel.fit.sigma2,
            n,
            (k, r),
            interval(settings.n_resamples),
            refit,
        ));
    }
    let design = match panel.design() {
        Ok(design) => design,
        Err(e) => return Answer::unknown(e.to_string()),
    };
    let names: Vec<&str> = panel.random.iter().map(|term| term.name.as_str()).collect();
    let refit = |y: &[f64]| {
        let fit = design.fit(y, blindsteep_stats::mixed::Method::Reml).ok()?;
        let mut c = IccComponents { lot: 0.0, taster: 0.0, lot_taster: 0.0, residual: fit.sigma2 };
        for (name, part) in names.iter().zip(&fit.components) {
            match *name {
                LOT => c.lot = part.variance,
                TASTER => c.taster = part.variance,
                LOT_TASTER => c.lot_taster = part.variance,
                _ => c.residual += part.variance,
            }
        }
        Some(c)
    };
    Answer::of(icc::parametric_bootstrap(
        &parts,
        panel.fit.sigma2,
        n,
        (k, r),
        interval(settings.n_refits),
        refit,
    ))
}

/// The mean squares' components of a balanced table, a negative one set to 0; where lot × taster
/// is negative its squares join the error, as REML has it.
fn at_least_zero(a: &anova::TwoWay) -> IccComponents {
    let r = a.n_replicates as f64;
    let (mut int, mut err) = (a.interaction.ms, a.error.ms);
    if int < err {
        let df = a.interaction.df + a.error.df;
        err = (a.interaction.ss + a.error.ss) / df;
        int = err;
    }
    let n_lots = a.lot.df + 1.0;
    let n_tasters = a.taster.df + 1.0;
    IccComponents {
        lot: ((a.lot.ms - int) / (r * n_tasters)).max(0.0),
        taster: ((a.taster.ms - int) / (r * n_lots)).max(0.0),
        lot_taster: (int - err) / r,
        residual: err,
    }
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

fn alpha_of(t: &TermScores, settings: &Settings) -> Answer<Alpha> {
    let Some(units) = unit_table::units(t) else { return no_tasters() };
    let (metric, name) = match t.term.scale {
        ScaleKind::Line => (Metric::Interval, "interval"),
        ScaleKind::Ordered => (Metric::Ordinal, "ordinal"),
        ScaleKind::Nominal | ScaleKind::Tick => (Metric::Nominal, "nominal"),
    };
    Answer::of(alpha::alpha(&units, metric)).map(|a| Alpha {
        alpha: Answer::of(alpha::alpha_interval(
            &units,
            metric,
            settings.level,
            settings.n_resamples,
            settings.seed,
        ))
        .and_then(|i| Estimate::of(a.value, i.lower, i.upper)),
        metric: name.to_owned(),
        n_units: a.n_units,
        n_pairable: a.n_pairable,
        n_resamples: settings.n_resamples,
    })
}

fn kappa(t: &TermScores) -> Answer<Kappa> {
    if !matches!(t.term.scale, ScaleKind::Nominal | ScaleKind::Tick) {
        return Answer::unknown("kappa is for ticks and categories");
    }
    let Some(units) = unit_table::units(t) else { return no_tasters() };
    let n_categories = t.values.iter().fold(0.0_f64, |m, v| m.max(*v)) as usize + 1;
    let rows: Vec<Vec<u64>> = units
        .iter()
        .filter(|row| row.iter().all(Option::is_some))
        .map(|row| {
            let mut counts = vec![0; n_categories.max(2)];
            for value in row.iter().flatten() {
                counts[*value as usize] += 1;
            }
            counts
        })
        .collect();
    Answer::of(ticks::fleiss_kappa(&rows)).map(|k| Kappa {
        kappa: k.kappa,
        z: k.z,
        observed: k.observed,
        expected: k.expected,
        n_units: k.n_subjects,
        n_tasters: k.n_raters as usize,
    })
}

/// Cochran's Q of a term of ticks.
pub(crate) fn cochran_of(t: &TermScores, table: Option<&UnitTable>) -> Answer<Cochran> {
    let Some(u) = table else { return no_tasters() };
    if t.term.scale != ScaleKind::Tick {
        return Answer::unknown("Cochran's Q is for ticks");
    }
    if u.n_replicates() != Some(1) {
        return Answer::unknown("Cochran's Q needs one tick of every taster for every lot");
    }
    let rows: Vec<Vec<bool>> =
        (0..u.tasters.len()).map(|j| u.cells.iter().map(|row| row[j][0] > 0.5).collect()).collect();
    Answer::of(ticks::cochran_q(&rows)).map(|q| Cochran {
        q: q.q,
        df: q.df,
        p_value: q.p_value,
        n_informative: q.n_informative,
    })
}
