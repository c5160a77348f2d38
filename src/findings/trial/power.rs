//! How precise the effects would be, and how often a difference would be seen, by this panel's own
//! variances: the table of lots made and to come is filled in again and again with scores drawn from
//! them, and the model by which effects are linked is fitted to each.

use blindsteep_stats::dist::{proportion_limits, t_quantile_upper, t_two_sided};
use blindsteep_stats::mixed::Method;
use blindsteep_stats::rng::{Stream, replicates, stream};

use super::chosen::Chosen;
use super::factors::Asked;
use super::layout::{Habits, Layout, lay_out};
use super::panel::Panel;
use super::{PanelTaken, Power, SIMULATIONS, Wish};
use crate::findings::link::LEAST_DF;
use crate::findings::link::rows::TermRows;
use crate::findings::panel_model::{self, Prepared};
use crate::findings::{ALPHA, Answer, Estimate, Settings, count, listed};
use crate::scores::ScaleKind;

/// Up to about so many levels of random terms all panels are simulated.
const EASY_LEVELS: f64 = 350.0;
/// However large the table, so many panels are simulated.
const FEWEST_SIMULATIONS: usize = 40;

/// What is known of the layouts before and after.
pub struct Planned {
    /// Without the batches; none if there are no lots.
    pub before: Answer<Layout>,
    /// With them.
    pub after: Layout,
    /// Half-widths before, column by column.
    pub precise_before: Vec<Answer<f64>>,
    /// Half-widths after.
    pub precise_after: Vec<Answer<f64>>,
    /// Power, column by column.
    pub power: Vec<Answer<Power>>,
    /// Contrasts of factors and terms that `link` will ask for this trial.
    pub contrasts: Answer<usize>,
    /// The panel that was taken.
    pub panel: Answer<PanelTaken>,
}

/// Whether effects can be adjusted for one another.
pub fn enough(layout: &Layout) -> Result<(), String> {
    let (n, k) = (layout.rows.len(), layout.kept.len());
    if (n as f64) - 1.0 - (k as f64) < LEAST_DF {
        return Err(format!(
            "{} leave too little beside {} to measure chance by: {} would do",
            count(n, "lot", "lots"),
            count(k, "column of factors", "columns of factors"),
            k + 1 + LEAST_DF as usize
        ));
    }
    Ok(())
}

/// Degrees of freedom of the stratum in which each kept column varies, by the rule by which
/// effects are linked.
fn strata(layout: &Layout) -> Vec<f64> {
    let n_sessions = layout.sessions.iter().max().map_or(0, |m| *m as usize + 1);
    let between: Vec<bool> = layout
        .kept
        .iter()
        .map(|j| {
            let column: Vec<f64> = layout.rows.iter().map(|r| r[j + 1]).collect();
            n_sessions > 1 && share_between(&column, &layout.sessions, n_sessions)
        })
        .collect();
    let of_sessions = between.iter().filter(|b| **b).count();
    let within = between.len() - of_sessions;
    let df_sessions = n_sessions as f64 - 1.0 - of_sessions as f64;
    let df_lots = layout.rows.len() as f64 - n_sessions.max(1) as f64 - within as f64;
    between.iter().map(|b| if *b { df_sessions } else { df_lots }).collect()
}

/// Whether nearly all of a column's variance lies between sessions, adjusted for their number.
fn share_between(values: &[f64], sessions: &[u32], n_sessions: usize) -> bool {
    let n = values.len();
    if n_sessions >= n {
        return true;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let total: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let rest: f64 = (0..n_sessions as u32)
        .map(|s| {
            let own: Vec<f64> =
                values.iter().zip(sessions).filter(|(_, of)| **of == s).map(|(v, _)| *v).collect();
            let m = own.iter().sum::<f64>() / own.len().max(1) as f64;
            own.iter().map(|v| (v - m).powi(2)).sum::<f64>()
        })
        .sum();
    let share = 1.0 - rest / total * (n - 1) as f64 / (n - n_sessions) as f64;
    share >= crate::findings::link::NEAR
}

/// Sessions of the new lots: those of one season in one, as many as a session holds.
fn sessions_of(asked: &Asked, chosen: &Chosen, most: usize) -> Vec<usize> {
    let mut found: Vec<usize> = Vec::with_capacity(chosen.levels.len());
    let (mut session, mut held) = (0, 0);
    for (i, levels) in chosen.levels.iter().enumerate() {
        let other =
            i > 0 && asked.season().is_some_and(|f| !levels[f].same(&chosen.levels[i - 1][f]));
        if other || held >= most {
            session += 1;
            held = 0;
        }
        held += 1;
        found.push(session);
    }
    found
}

/// Lays out what is known before and after, and simulates it.
pub fn plan(
    asked: &Asked,
    chosen: &Chosen,
    panel: Answer<&Panel>,
    wish: &Wish,
    settings: &Settings,
) -> Planned {
    let p = asked.columns.len();
    let known = panel.known();
    let habits =
        known.map_or_else(|| Habits::of(None, wish.tasters, wish.pots), |p| p.habits.clone());
    let place = known.and_then(|p| p.place).unwrap_or(0);
    let base = asked.picked.as_ref().and_then(|p| Some((p, &p.terms.get(place)?.scores)));
    let new: Vec<Vec<f64>> = chosen.levels.iter().map(|l| asked.row(l)).collect();
    let sessions = sessions_of(asked, chosen, habits.lots_a_session);
    let after = lay_out(asked, base, &new, &sessions, &habits);
    let before = match base {
        Some(_) => Answer::Known(lay_out(asked, base, &[], &[], &habits)),
        None => Answer::unknown("no lots were made before"),
    };
    let contrasts = contrasts(asked, &after, wish);
    let nothing = |why: &str| vec![Answer::unknown(why); p];
    let Answer::Known(panel) = panel else {
        let why = panel.reason().unwrap_or_default().to_owned();
        return Planned {
            before,
            after,
            precise_before: nothing(&why),
            precise_after: nothing(&why),
            power: vec![Answer::unknown(why.as_str()); p],
            contrasts,
            panel: Answer::unknown(why),
        };
    };
    let precise_before = match &before {
        Answer::Known(layout) => precise(layout, panel, settings),
        Answer::Unknown(u) => nothing(&u.reason),
    };
    let precise_after = precise(&after, panel, settings);
    let (power, failed, simulations) = simulate(&after, panel, wish, &contrasts, settings);
    let taken = PanelTaken {
        term: Answer::of(panel.term.clone().ok_or("the variances were given")),
        components: panel.components.clone(),
        tasters: habits.tasters.len(),
        pots: habits.pots,
        new_sessions: sessions.last().map_or(0, |s| s + 1),
        simulations,
        failed,
    };
    let panel = Answer::Known(taken);
    Planned { before, after, precise_before, precise_after, power, contrasts, panel }
}

/// How many contrasts `link` will ask for the trial: each column of a factor on each term that it is
/// about, or on all that are scored on a line where none is named.
fn contrasts(asked: &Asked, after: &Layout, wish: &Wish) -> Answer<usize> {
    let lines = after.kept.iter().filter(|j| !asked.columns[**j].is_square()).count();
    let on_a_line =
        |t: &&TermRows| matches!(t.scores.term.scale, ScaleKind::Line | ScaleKind::Ordered);
    let scored = asked.picked.as_ref().map_or(0, |p| p.terms.iter().filter(on_a_line).count());
    let terms = if wish.terms.is_empty() { scored } else { wish.terms.len() };
    if terms * lines == 0 {
        return Answer::unknown("no terms are named with --terms, and none were scored before");
    }
    Answer::Known(terms * lines)
}

/// How many panels are simulated where no number is asked for: the more levels the random terms have,
/// the longer each takes, by about the square of their number.
fn usual_simulations(prepared: &Prepared) -> usize {
    let levels: usize = prepared.random().iter().map(|r| r.factor.n_levels).sum();
    let least = FEWEST_SIMULATIONS as f64;
    let affordable = SIMULATIONS as f64 * (EASY_LEVELS / levels.max(1) as f64).powi(2);
    affordable.clamp(least, SIMULATIONS as f64) as usize
}

/// The standard deviation of each random term of a layout, the residual's last.
fn sds(prepared: &Prepared, panel: &Panel) -> (Vec<f64>, f64) {
    let of = |name: &str| {
        panel.components.iter().find(|c| c.name == name).map_or(0.0, |c| c.variance.max(0.0).sqrt())
    };
    let terms = prepared.random().iter().map(|r| of(&r.name)).collect();
    (terms, of(panel_model::RESIDUAL))
}

/// Scores drawn from the variances; every factor's effect is `over_range` points over its range.
fn draw(
    prepared: &Prepared,
    layout: &Layout,
    (terms, residual): &(Vec<f64>, f64),
    over_range: f64,
    draws: &mut Stream,
) -> Vec<f64> {
    let n = layout.t.values.len();
    let mut y: Vec<f64> = (0..n).map(|_| residual * draws.normal()).collect();
    for (term, sd) in prepared.random().iter().zip(terms) {
        let levels: Vec<f64> = (0..term.factor.n_levels).map(|_| sd * draws.normal()).collect();
        y.iter_mut().zip(&term.factor.codes).for_each(|(y, c)| *y += levels[*c as usize]);
    }
    for (_, column) in &layout.linked.columns {
        // Columns run from -1 to 1, so that a range is two units.
        y.iter_mut().zip(column).for_each(|(y, x)| *y += 0.5 * over_range * x);
    }
    y
}

/// For each column why its own effect is not known; empty if it is. What moves together has no effect
/// of its own, whichever of it stands in the model.
fn unknown_for(layout: &Layout) -> Vec<String> {
    let t = &layout.tellable;
    t.why_not
        .iter()
        .zip(&t.may_be)
        .map(|(why, may_be)| match (why.as_str(), may_be.as_slice()) {
            ("", []) => String::new(),
            ("", others) => format!("it may be the work of {}", listed(others)),
            (why, _) => why.to_owned(),
        })
        .collect()
}

/// Half-widths by the variances as known: the standard error of the mixed model at these variances,
/// and t at the degrees of freedom of the stratum in which a column varies. No draw is in it.
fn precise(layout: &Layout, panel: &Panel, settings: &Settings) -> Vec<Answer<f64>> {
    let why_not = unknown_for(layout);
    let mut found: Vec<Answer<f64>> = why_not.iter().map(|w| Answer::unknown(w.as_str())).collect();
    let own = |j: usize| why_not[j].is_empty();
    let refuse = |found: &mut Vec<Answer<f64>>, why: &str| {
        layout.kept.iter().filter(|j| own(**j)).for_each(|j| found[*j] = Answer::unknown(why));
    };
    if let Err(why) = enough(layout) {
        refuse(&mut found, &why);
        return found;
    }
    let prepared = match panel_model::prepare_linked(&layout.t, &layout.linked) {
        Ok(prepared) => prepared,
        Err(e) => {
            refuse(&mut found, &e.to_string());
            return found;
        }
    };
    let sd = sds(&prepared, panel);
    let ratios: Vec<f64> = sd.0.iter().map(|s| (s / sd.1).powi(2)).collect();
    // Some scores must stand in the table; the standard error in units of the residual's does not
    // depend on them. Satterthwaite's degrees of freedom would, so the stratum's are taken.
    let y = draw(&prepared, layout, &sd, 0.0, &mut stream(0, 0));
    let fit = match prepared.model().fit_at(&y, &ratios, Method::Reml) {
        Ok(fit) => fit,
        Err(e) => {
            refuse(&mut found, &e.to_string());
            return found;
        }
    };
    let scale = sd.1 / fit.sigma2.sqrt();
    for ((place, j), stratum) in layout.kept.iter().enumerate().zip(strata(layout)) {
        if !own(*j) {
            continue;
        }
        let mut weights = vec![0.0; prepared.fixed().columns.len()];
        weights[1 + place] = 2.0;
        let c = fit.contrast(&weights, settings.level);
        found[*j] = if stratum < 1.0 {
            Answer::unknown("too few sessions or lots speak about it")
        } else if !(c.estimable && c.se > 0.0) {
            Answer::unknown("it cannot be told apart from the others")
        } else {
            Answer::Known(t_quantile_upper(0.5 * (1.0 - settings.level), stratum) * c.se * scale)
        };
    }
    found
}

/// Power column by column, how many fits failed, and how many panels were simulated.
fn simulate(
    layout: &Layout,
    panel: &Panel,
    wish: &Wish,
    contrasts: &Answer<usize>,
    settings: &Settings,
) -> (Vec<Answer<Power>>, usize, usize) {
    let why_not = unknown_for(layout);
    let mut found: Vec<Answer<Power>> =
        why_not.iter().map(|w| Answer::unknown(w.as_str())).collect();
    let own = |j: usize| why_not[j].is_empty();
    let refuse = |mut found: Vec<Answer<Power>>, why: &str| {
        layout.kept.iter().filter(|j| own(**j)).for_each(|j| found[*j] = Answer::unknown(why));
        (found, 0, 0)
    };
    if wish.simulations == Some(0) {
        return refuse(found, "no panel was simulated");
    }
    if let Err(why) = enough(layout) {
        return refuse(found, &why);
    }
    let prepared = match panel_model::prepare_linked(&layout.t, &layout.linked) {
        Ok(prepared) => prepared,
        Err(e) => return refuse(found, &e.to_string()),
    };
    let n = wish.simulations.unwrap_or_else(|| usual_simulations(&prepared));
    let sd = sds(&prepared, panel);
    let strata = strata(layout);
    let n_columns = prepared.fixed().columns.len();
    // For each panel and column: its p, and the half-width.
    let panels: Vec<Option<Vec<(f64, f64)>>> = replicates(n, settings.seed, |draws| {
        let y = draw(&prepared, layout, &sd, wish.see, draws);
        let fit = prepared.model().fit(&y, Method::Reml).ok()?;
        let one = |(place, stratum): (usize, &f64)| {
            let mut weights = vec![0.0; n_columns];
            weights[1 + place] = 2.0;
            let c = fit.contrast(&weights, settings.level);
            let df = c.df.min(*stratum);
            let sound = c.estimable && c.se > 0.0 && df >= 1.0;
            let p = if sound { t_two_sided(c.estimate / c.se, df) } else { 1.0 };
            let half = if sound {
                t_quantile_upper(0.5 * (1.0 - settings.level), df) * c.se
            } else {
                f64::NAN
            };
            (p, half)
        };
        Some(strata.iter().enumerate().map(one).collect())
    });
    let failed = panels.iter().filter(|p| p.is_none()).count();
    for (place, j) in layout.kept.iter().enumerate() {
        if !own(*j) {
            continue;
        }
        if strata[place] < 1.0 {
            found[*j] = Answer::unknown("too few sessions or lots speak about it");
            continue;
        }
        let of_panels = || panels.iter().flatten().map(|p| p[place]);
        let below = |alpha: f64| of_panels().filter(|o| o.0 < alpha).count();
        let seen = below(ALPHA);
        let first =
            contrasts.as_ref().and_then(|m| share(below(ALPHA / *m as f64), n, settings.level));
        let mut widths: Vec<f64> = of_panels().map(|o| o.1).filter(|w| w.is_finite()).collect();
        widths.sort_by(f64::total_cmp);
        let Some(half_width) = widths.get(widths.len() / 2).copied() else {
            found[*j] = Answer::unknown("no simulated panel gave an interval");
            continue;
        };
        found[*j] = share(seen, n, settings.level).map(|share| Power {
            share,
            seen,
            of: n,
            first,
            half_width,
        });
    }
    (found, failed, n)
}

/// A share with its interval by Clopper and Pearson (1934), Biometrika 26:404-413.
fn share(seen: usize, n: usize, level: f64) -> Answer<Estimate> {
    let (lower, upper) = proportion_limits(seen as u64, n as u64, 0.5 * (1.0 - level));
    Estimate::of(seen as f64 / n as f64, lower, upper)
}
