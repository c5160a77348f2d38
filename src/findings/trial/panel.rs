//! The panel whose variances are taken: of what has been scored, or as they are given.

use rayon::prelude::*;

use super::factors::{self, Asked};
use super::layout::{Habits, lay_out};
use super::power::enough;
use super::{TrialError, Wish};
use crate::book::parameters::Parameters;
use crate::findings::link::rows::Picked;
use crate::findings::panel_model;
use crate::findings::{Answer, VariancePart};
use crate::scores::{Makings, ScaleKind, Scores};

/// The names by which standard deviations are given, with those of the model.
const NAMES: [(&str, &str); 8] = [
    ("lot", panel_model::LOT),
    ("taster", panel_model::TASTER),
    ("lot-taster", panel_model::LOT_TASTER),
    ("session", panel_model::SESSION),
    ("session-taster", panel_model::SESSION_TASTER),
    ("session-lots", panel_model::BATCH),
    ("pot", panel_model::BREW),
    ("residual", panel_model::RESIDUAL),
];

/// A panel that can be simulated.
pub struct Panel {
    /// The term whose variances these are.
    pub term: Option<String>,
    /// The variances.
    pub components: Vec<VariancePart>,
    /// How it goes about its work.
    pub habits: Habits,
    /// The place of the term among those picked.
    pub place: Option<usize>,
}

/// The panel whose variances are taken.
///
/// # Errors
/// A term that is not there, or standard deviations that cannot be.
pub fn panel(
    scores: Option<&Scores>,
    makings: Option<&Makings>,
    parameters: Option<&Parameters>,
    asked: &Asked,
    wish: &Wish,
) -> Result<Answer<Panel>, TrialError> {
    let given = given_sds(wish)?;
    // A trial from nothing takes the variances of what the panel has scored before.
    let own = Wish { simulations: Some(0), ..Wish::default() };
    let earlier = match (&asked.picked, scores) {
        (None, Some(_)) if makings.is_some() => {
            factors::factors(scores, makings, parameters, &own, &mut Vec::new()).ok()
        }
        _ => None,
    };
    let source = earlier.as_ref().unwrap_or(asked);
    let named = wish.about.iter().map(|a| ("--about", a));
    let named = named.chain(wish.terms.iter().map(|t| ("--terms", t)));
    for (flag, term) in named {
        let Some(s) = scores else { continue };
        let known: Vec<String> = s.terms().iter().map(|t| t.id.clone()).collect();
        if !known.contains(term) {
            return Err(TrialError::new(
                format!("{flag} {term}: there is no term of this name in the scores"),
                format!("one of {}", known.join(", ")),
                crate::book::problem::did_you_mean(
                    term,
                    known.iter().map(String::as_str),
                    "correct the flag",
                ),
            ));
        }
    }
    let Some(picked) = &source.picked else {
        if given.is_empty() {
            return Ok(Answer::unknown(
                "no scores say what the panel varies by (name sessions or a table, or give --sd \
                 lot=0.3,residual=0.8)",
            ));
        }
        needed(&given)?;
        let habits = Habits::of(None, wish.tasters, wish.pots);
        return Ok(Answer::Known(Panel {
            term: None,
            components: parts(&given),
            habits,
            place: None,
        }));
    };
    let fitted = fit_all(source, picked);
    let known: Vec<&(usize, Vec<VariancePart>)> = fitted.iter().filter_map(Answer::known).collect();
    let term_of = |place: usize| &picked.terms[place].scores.term.id;
    let taken = match &wish.about {
        Some(about) => {
            let place = picked.terms.iter().position(|t| t.scores.term.id == *about);
            let found = known.iter().find(|k| Some(k.0) == place).copied();
            if found.is_none() {
                let why = place
                    .and_then(|p| fitted[p].reason())
                    .unwrap_or("no lot that is linked was scored in it");
                return Ok(Answer::unknown(format!("no variances of {about} are known: {why}")));
            }
            found
        }
        None => {
            // The term in the middle of what one lot's mean varies by.
            let noise = |k: &(usize, Vec<VariancePart>)| {
                let v =
                    |name: &str| k.1.iter().find(|c| c.name == name).map_or(0.0, |c| c.variance);
                let n =
                    picked.terms[k.0].scores.taster.as_ref().map_or(1, |w| w.names.len()) as f64;
                v(panel_model::LOT)
                    + v(panel_model::BATCH)
                    + (v(panel_model::LOT_TASTER) + v(panel_model::RESIDUAL)) / n
                    + v(panel_model::BREW)
            };
            let mut sorted = known.clone();
            sorted.sort_by(|a, b| noise(a).total_cmp(&noise(b)).then_with(|| a.0.cmp(&b.0)));
            sorted.get(sorted.len() / 2).copied()
        }
    };
    let Some((place, components)) = taken else {
        let why = fitted.iter().find_map(|f| f.reason()).unwrap_or("no term is scored on a line");
        return Ok(Answer::unknown(format!("the panel's variances are not known: {why}")));
    };
    let mut components = components.clone();
    for (name, variance) in &given {
        components.retain(|c| c.name != *name);
        components.extend(parts(&[(*name, *variance)]));
    }
    let t = &picked.terms[*place].scores;
    Ok(Answer::Known(Panel {
        term: Some(term_of(*place).clone()),
        components,
        habits: Habits::of(Some((picked, t)), wish.tasters, wish.pots),
        place: asked.picked.as_ref().map(|_| *place),
    }))
}

/// The variances that are given, by the model's names.
fn given_sds(wish: &Wish) -> Result<Vec<(&'static str, f64)>, TrialError> {
    wish.sds
        .iter()
        .map(|(name, sd)| {
            let known: Vec<&str> = NAMES.iter().map(|n| n.0).collect();
            let Some((_, own)) = NAMES.iter().find(|n| n.0 == name.as_str()) else {
                return Err(TrialError::new(
                    format!("--sd {name}={sd}: there is no variance of this name"),
                    format!("one of {}", known.join(", ")),
                    crate::book::problem::did_you_mean(name, known, "correct the flag"),
                ));
            };
            if !(sd.is_finite() && *sd >= 0.0) {
                return Err(TrialError::new(
                    format!("--sd {name}={sd}"),
                    "a standard deviation in points, not below 0",
                    "correct the number",
                ));
            }
            Ok((*own, sd * sd))
        })
        .collect()
}

fn needed(given: &[(&str, f64)]) -> Result<(), TrialError> {
    let above = |name: &str| given.iter().any(|g| g.0 == name && g.1 > 0.0);
    if above(panel_model::RESIDUAL) && given.iter().any(|g| g.0 == panel_model::LOT) {
        return Ok(());
    }
    Err(TrialError::new(
        "--sd leaves out what single scores or lots vary by",
        "lot and residual, the latter above 0; what is not named counts as 0",
        "give both, for instance --sd lot=0.3,residual=0.8",
    ))
}

fn parts(given: &[(&str, f64)]) -> Vec<VariancePart> {
    given
        .iter()
        .map(|(name, variance)| VariancePart {
            name: (*name).to_owned(),
            variance: *variance,
            sd: variance.sqrt(),
            n_levels: 0,
            at_boundary: false,
        })
        .collect()
}

/// The variances of all terms, in their order.
fn fit_all(asked: &Asked, picked: &Picked) -> Vec<Answer<(usize, Vec<VariancePart>)>> {
    (0..picked.terms.len())
        .into_par_iter()
        .with_max_len(1)
        .map(|place| {
            let t = &picked.terms[place].scores;
            if !matches!(t.term.scale, ScaleKind::Line | ScaleKind::Ordered) {
                return Answer::unknown("it is not scored on a line");
            }
            let habits = Habits::of(Some((picked, t)), None, None);
            let layout = lay_out(asked, Some((picked, t)), &[], &[], &habits);
            if let Err(why) = enough(&layout) {
                return Answer::unknown(why);
            }
            panel_model::fit_linked(&layout.t, &layout.linked)
                .map(|p| (place, p.report().components))
        })
        .collect()
}
