//! The mixed model of a term: what is fixed, what is random, and what this layout cannot tell
//! apart and is therefore left out.

use std::sync::Arc;

use blindsteep_stats::mixed::{Factor, Fit, FixedPart, Method, MixedError, Model, RandomTerm};

use super::{Answer, Test, VariancePart, count, listed};
use crate::scores::{TermScores, Words};

/// How lots enter a model.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lots {
    /// These lots: for tests, means and differences.
    Fixed,
    /// A sample of lots: for intraclass correlations.
    Random,
}

/// The names of the terms of a model.
pub const LOT: &str = "lot";
pub const TASTER: &str = "taster";
pub const LOT_TASTER: &str = "lot × taster";
pub const SESSION: &str = "session";
pub const FLIGHT: &str = "flight";
pub const BREW: &str = "brew";
pub const SESSION_TASTER: &str = "session × taster";
pub const BATCH: &str = "lots of a session";
pub const RESIDUAL: &str = "residual";

/// What stands in the place of the lots where scores are linked to the making.
#[derive(Debug, Clone, Default)]
pub struct Linked {
    /// The parameters, one value a row; 0 in rows of a reference.
    pub columns: Vec<(String, Vec<f64>)>,
    /// Each reference's rows as 1.
    pub references: Vec<(String, Vec<f64>)>,
    /// What lots of one session share beyond its level, where a reference tells the two apart:
    /// the session of each lot, one level more for the references.
    pub batch: Option<Factor>,
}

/// A fitted model with its story.
#[derive(Debug)]
pub struct Panel {
    /// The fit.
    pub fit: Fit,
    /// The fixed part it was fitted with.
    pub fixed: FixedPart,
    /// The layout it was fitted on.
    pub model: Arc<Model>,
    /// The random terms it was fitted with.
    pub random: Vec<RandomTerm>,
    /// What was left out, in sentences.
    pub notes: Vec<String>,
    /// What is fixed and what random, in words.
    pub formula: String,
    /// The degrees of freedom of pots within lots, where their variance is estimated as zero.
    pub df_of_pots: Option<f64>,
    /// The scores it was fitted to, where they are fewer than the term has.
    fewer: Option<TermScores>,
}

impl Panel {
    /// The scores whose rows are those of the model.
    #[must_use]
    pub fn scores<'a>(&'a self, t: &'a TermScores) -> &'a TermScores {
        self.fewer.as_ref().unwrap_or(t)
    }

    /// The variance of a random term; 0 if the model has no such term.
    #[must_use]
    pub fn variance(&self, name: &str) -> f64 {
        self.fit.components.iter().find(|c| c.name == name).map_or(0.0, |c| c.variance)
    }

    /// The model as it is reported.
    #[must_use]
    pub fn report(&self) -> super::Model {
        let part = |name: &str, variance: f64, n_levels: usize, at_boundary: bool| VariancePart {
            name: name.to_owned(),
            variance,
            sd: variance.sqrt(),
            n_levels,
            at_boundary,
        };
        let mut components: Vec<VariancePart> = self
            .fit
            .components
            .iter()
            .map(|c| part(&c.name, c.variance, c.n_levels, c.at_boundary))
            .collect();
        components.push(part(RESIDUAL, self.fit.sigma2, self.fit.n, false));
        super::Model {
            formula: self.formula.clone(),
            components,
            minus2_log_likelihood: self.fit.minus2_log_likelihood,
            n_scores: self.fit.n,
            evaluations: self.fit.evaluations,
            notes: self.notes.clone(),
        }
    }
}

/// Whether different pots were brewed of the lots, as far as the table says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Brews {
    /// The table does not say which pot a score belongs to.
    NotRecorded,
    /// Every lot was brewed once.
    OneALot,
    /// Lots were brewed more than once.
    Several,
}

/// The pots of a term: the brews, or else the cups.
pub fn pots(t: &TermScores) -> Option<&Words> {
    t.brew.as_ref().or(t.cup.as_ref())
}

/// How often lots were brewed.
#[must_use]
pub fn brews(t: &TermScores) -> Brews {
    match pots(t) {
        None => Brews::NotRecorded,
        Some(p) if crate::scores::cross(&t.lot, p).names.len() > t.lot.names.len() => {
            Brews::Several
        }
        Some(_) => Brews::OneALot,
    }
}

/// Fits the panel's model to a term.
///
/// Fixed: lots (or a mean), recipe and steep where there are several, and sessions if the lots of
/// all sessions hang together through lots that were served in several; random: tasters, lot ×
/// taster, sessions that do not hang together, flights and pots. What cannot be told apart in
/// this layout is left out and said.
#[must_use]
pub fn fit(t: &TermScores, lots: Lots) -> Answer<Panel> {
    let Some(once) = once_a_cell(t) else { return fit_with(t, lots, &Linked::default()) };
    fit_with(&once, lots, &Linked::default()).map(|mut p| {
        p.notes.push(
            "Each taster gave all cups of a lot the same score: repeats show nothing of chance, so that \
             a taster's score of a lot counts once."
                .to_owned(),
        );
        p.fewer = Some(once);
        p
    })
}

/// One score of each taster and lot, where all repeats repeat themselves exactly (in one session,
/// by one recipe and of one steep). Then lot × taster is all there is of chance, and repeats counted beside
/// it would make of few scores many.
#[must_use]
pub fn once_a_cell(t: &TermScores) -> Option<TermScores> {
    let several = |w: &Option<Words>| w.as_ref().is_some_and(|w| w.names.len() > 1);
    if several(&t.session) || several(&t.recipe) || several(&t.steep) {
        return None;
    }
    let cell = Factor::cross(&factor(&t.lot), &factor(t.taster.as_ref()?));
    let mut of: Vec<Option<f64>> = vec![None; cell.n_levels];
    let mut keep = vec![false; t.values.len()];
    for (row, (code, value)) in cell.codes.iter().zip(&t.values).enumerate() {
        let known = of[*code as usize].get_or_insert_with(|| {
            keep[row] = true;
            *value
        });
        if *known != *value {
            return None;
        }
    }
    let once = (cell.n_levels < t.values.len()).then(|| t.only(&keep, str::to_owned))?;
    (once.lot.names == t.lot.names).then_some(once)
}

/// Fits the model in which parameters stand for the lots: as [`fit`] with random lots, and fixed
/// the parameters, in the order in which they are given, and the references. Each taster's own
/// level in each session is random too.
#[must_use]
pub fn fit_linked(t: &TermScores, linked: &Linked) -> Answer<Panel> {
    fit_with(t, Lots::Random, linked)
}

/// Beside a residual variance of 1 a variance of lots that shrinks nothing to speak of: a lot's
/// level is then that of a fixed lot to one part in a million.
const AS_GOOD_AS_FIXED: f64 = 1e6;

/// The level of each lot, by its code, at the variances of another model of the same scores: those
/// of fixed lots in [`fit`], but without a search, and with work that grows with the lots, not with
/// their square.
#[must_use]
pub fn lot_levels(t: &TermScores, other: &Panel) -> Answer<Vec<f64>> {
    if t.values.is_empty() {
        return Answer::unknown("there is no score");
    }
    if t.steep.as_ref().is_some_and(|s| s.names.len() > 1 && !hang_together(&t.lot, s)) {
        return Answer::unknown("not every lot's level can be estimated in this layout");
    }
    let p = match layout(t, Lots::Random, &Linked::default()) {
        Ok(p) => p,
        Err(e) => return Answer::unknown(reason(&e, t)),
    };
    let ratio = |r: &RandomTerm| {
        if r.name == LOT { AS_GOOD_AS_FIXED } else { other.variance(&r.name) / other.fit.sigma2 }
    };
    let ratios: Vec<f64> = p.random.iter().map(ratio).collect();
    match p.model.fit_at(&t.values, &ratios, Method::Reml) {
        Ok(fit) => {
            let mean = fit.beta.first().copied().unwrap_or(f64::NAN);
            let all: Vec<f64> = fit.conditional_modes(LOT).iter().map(|m| mean + m.value).collect();
            let whole = all.len() == t.lot.names.len() && all.iter().all(|v| v.is_finite());
            if whole {
                Answer::Known(all)
            } else {
                Answer::unknown("not every lot's level can be estimated in this layout")
            }
        }
        Err(e) => Answer::unknown(reason(&e, t)),
    }
}

fn fit_with(t: &TermScores, lots: Lots, linked: &Linked) -> Answer<Panel> {
    if t.values.is_empty() {
        return Answer::unknown("there is no score");
    }
    let panel = fitted(&layout(t, lots, linked), t);
    let several_recipes = t.recipe.as_ref().is_some_and(|r| r.names.len() > 1);
    panel.map(|mut p| {
        if several_recipes && lots == Lots::Fixed {
            p.notes.push(recipe_note(t));
        }
        if lots == Lots::Fixed { with_df_of_pots(p, t) } else { p }
    })
}

/// The layout of [`fit_linked`], ready for any scores in these rows.
///
/// # Errors
/// What makes a model of this layout impossible, whatever the scores.
pub fn prepare_linked(t: &TermScores, linked: &Linked) -> Result<Prepared, MixedError> {
    layout(t, Lots::Random, linked)
}

/// What is fixed and what random in the scores of a term.
fn layout(t: &TermScores, lots: Lots, linked: &Linked) -> Result<Prepared, MixedError> {
    let n = t.values.len();
    let lot = factor(&t.lot);
    let mut notes = Vec::new();
    let mut fixed_words = Vec::new();
    let mut random: Vec<RandomTerm> = Vec::new();
    let mut fixed = match lots {
        Lots::Fixed => {
            fixed_words.push("lots".to_owned());
            FixedPart::cell_means(LOT, &lot, &t.lot.names)
        }
        Lots::Random => {
            fixed_words.push("one mean".to_owned());
            random.push(RandomTerm::new(LOT, lot.clone()));
            FixedPart::intercept(n)
        }
    };
    for (name, column) in linked.columns.iter().chain(&linked.references) {
        fixed = fixed.with_column(name, column.clone());
        fixed_words.push(name.clone());
    }
    for (name, words, plural) in [("recipe", &t.recipe, "recipes"), ("steep", &t.steep, "steeps")] {
        if let Some(w) = words.as_ref().filter(|w| w.names.len() > 1) {
            fixed = fixed.with_factor(name, &factor(w), &w.names);
            fixed_words.push(plural.to_owned());
        }
    }
    let mut offered: Vec<RandomTerm> = Vec::new();
    if let Some(s) = t.session.as_ref().filter(|s| s.names.len() > 1) {
        if hang_together(&t.lot, s) {
            fixed = fixed.with_factor(SESSION, &factor(s), &s.names);
            fixed_words.push("sessions".to_owned());
        } else {
            offered.push(RandomTerm::new(SESSION, factor(s)));
            notes.push(
                "No chain of shared lots joins all sessions: lots of different sessions are \
                 compared as if the sessions' levels were drawn by lot."
                    .to_owned(),
            );
        }
    }
    if let Some(w) = t.taster.as_ref().filter(|w| w.names.len() > 1) {
        let who = factor(w);
        random.push(RandomTerm::new(TASTER, who.clone()));
        let cell = Factor::cross(&lot, &who);
        if cell.n_levels == n {
            notes.push(
                "One score a lot and taster: lot × taster cannot be told from the residual."
                    .to_owned(),
            );
        } else {
            random.push(RandomTerm::new(LOT_TASTER, cell));
        }
    }
    if let (false, Some(s), Some(w)) = (linked.columns.is_empty(), &t.session, &t.taster)
        && s.names.len() > 1
        && w.names.len() > 1
    {
        offered.push(RandomTerm::new(SESSION_TASTER, Factor::cross(&factor(s), &factor(w))));
    }
    if let Some(batch) = &linked.batch {
        offered.push(RandomTerm::new(BATCH, batch.clone()));
    }
    if let Some(f) = t.flight.as_ref() {
        let sessions = t.session.as_ref().map_or(1, |s| s.names.len());
        if f.names.len() > sessions {
            offered.push(RandomTerm::new(FLIGHT, factor(f)));
        }
    }
    if brews(t) == Brews::Several
        && let Some(p) = pots(t)
    {
        offered.push(RandomTerm::new(BREW, Factor::cross(&lot, &factor(p))));
    }
    for term in offered {
        if term.factor.n_levels >= n {
            notes.push(format!("One score a {}: it cannot be told from the residual.", term.name));
        } else {
            random.push(term);
        }
    }
    prepare(fixed, &fixed_words, random, notes)
}

/// Where the pots' variance is estimated as zero, the lots' test takes it for known: over all tables 5%
/// tests hold their level, but very small p-values come too often (simulated on a session of twelve
/// pots: p below .001 in 2 to 6 of 1,000 tables of equal lots). So p-values that stand among those of
/// other terms have no more degrees of freedom than pots within lots give.
fn with_df_of_pots(mut p: Panel, t: &TermScores) -> Panel {
    let levels = |name: &str| p.fit.components.iter().find(|c| c.name == name).map(|c| c.n_levels);
    let at_zero = p.fit.components.iter().any(|c| c.name == BREW && c.at_boundary);
    let (true, Some(pots)) = (at_zero, levels(BREW)) else { return p };
    let sessions = t.session.as_ref().map_or(1, |s| s.names.len());
    let blocks = levels(FLIGHT).unwrap_or(sessions).max(1);
    let df = pots.saturating_sub(t.lot.names.len() + blocks - 1).max(1) as f64;
    p.df_of_pots = Some(df);
    p.notes.push(format!(
        "The variance of pots is estimated as 0: a p-value far below 0.05 is less sure than it looks. \
         Among all terms the lots' test counts with the {} df of pots within lots.",
        super::say(df)
    ));
    p
}

/// A layout that is ready for scores.
#[derive(Debug)]
pub struct Prepared {
    model: Arc<Model>,
    fixed: FixedPart,
    random: Vec<RandomTerm>,
    notes: Vec<String>,
    formula: String,
}

/// Makes a layout ready; a random term that it cannot tell apart from others is left out, and
/// that is said.
///
/// # Errors
/// What makes a model of this layout impossible, whatever the scores.
pub fn prepare(
    fixed: FixedPart,
    fixed_words: &[String],
    mut random: Vec<RandomTerm>,
    mut notes: Vec<String>,
) -> Result<Prepared, MixedError> {
    let model = loop {
        match Model::new(&fixed, &random) {
            Ok(model) => break Arc::new(model),
            Err(MixedError::NotIdentified { term, from })
                if random.iter().any(|r| r.name == term) =>
            {
                notes.push(format!(
                    "{term} cannot be told from {from} in this layout and is left out."
                ));
                random.retain(|r| r.name != term);
            }
            Err(e) => return Err(e),
        }
    };
    let random_words: Vec<String> = random.iter().map(|r| r.name.clone()).collect();
    let formula = if random_words.is_empty() {
        format!("fixed: {}", listed(fixed_words))
    } else {
        format!("fixed: {}; random: {}", listed(fixed_words), listed(&random_words))
    };
    Ok(Prepared { model, fixed, random, notes, formula })
}

/// Fits a prepared layout to the scores of a term.
#[must_use]
pub fn fitted(prepared: &Result<Prepared, MixedError>, t: &TermScores) -> Answer<Panel> {
    let p = match prepared {
        Ok(p) => p,
        Err(e) => return Answer::unknown(reason(e, t)),
    };
    match p.model.fit(&t.values, Method::Reml) {
        Ok(fit) => Answer::Known(p.panel(fit)),
        Err(MixedError::NoResidual) => match p.without_lot_taster() {
            Some(simpler) => fitted(&simpler, t),
            None => Answer::unknown(reason(&MixedError::NoResidual, t)),
        },
        Err(e) => Answer::unknown(reason(&e, t)),
    }
}

/// The same with the variance ratios of another fit, as far as both have the random term.
#[must_use]
pub fn fitted_as(
    prepared: &Result<Prepared, MixedError>,
    t: &TermScores,
    other: &Panel,
) -> Answer<Panel> {
    let p = match prepared {
        Ok(p) => p,
        Err(e) => return Answer::unknown(reason(e, t)),
    };
    let ratio = |r: &RandomTerm| other.variance(&r.name) / other.fit.sigma2;
    let ratios: Vec<f64> = p.random.iter().map(ratio).collect();
    match p.model.fit_at(&t.values, &ratios, Method::Reml) {
        Ok(fit) => Answer::Known(p.panel(fit)),
        Err(e) => Answer::unknown(reason(&e, t)),
    }
}

impl Prepared {
    /// The layout itself.
    #[must_use]
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// The fixed part.
    #[must_use]
    pub fn fixed(&self) -> &FixedPart {
        &self.fixed
    }

    /// The random terms that the layout tells apart.
    #[must_use]
    pub fn random(&self) -> &[RandomTerm] {
        &self.random
    }

    /// The same without lot × taster, if it is there: a few scores that repeat would otherwise
    /// pass for all there is of chance.
    fn without_lot_taster(&self) -> Option<Result<Self, MixedError>> {
        let random: Vec<RandomTerm> =
            self.random.iter().filter(|r| r.name != LOT_TASTER).cloned().collect();
        if random.len() == self.random.len() {
            return None;
        }
        let mut notes = self.notes.clone();
        notes.push(
            "What repeats repeats itself exactly: lot × taster is taken together with the residual."
                .to_owned(),
        );
        let fixed_words = self.formula.strip_prefix("fixed: ").unwrap_or(&self.formula);
        let fixed_words = fixed_words.split("; random: ").next().unwrap_or_default().to_owned();
        Some(prepare(self.fixed.clone(), &[fixed_words], random, notes))
    }

    fn panel(&self, fit: Fit) -> Panel {
        Panel {
            fit,
            fixed: self.fixed.clone(),
            model: Arc::clone(&self.model),
            random: self.random.clone(),
            notes: self.notes.clone(),
            formula: self.formula.clone(),
            df_of_pots: None,
            fewer: None,
        }
    }
}

fn recipe_note(t: &TermScores) -> String {
    let both = t.recipe.as_ref().is_some_and(|r| hang_together(&t.lot, r));
    if both {
        "Cups of different recipes are joined by a recipe term.".to_owned()
    } else {
        "Some lots were brewed by one recipe only: between lots of different recipes the \
         difference is lot and recipe together."
            .to_owned()
    }
}

fn reason(e: &MixedError, t: &TermScores) -> String {
    let first = t.values[0];
    if t.values.iter().all(|v| *v == first) {
        if t.values.len() == 1 {
            return "its 1 score says nothing of chance".to_owned();
        }
        let lots = count(t.lot.names.len(), "lot", "lots");
        let sessions = match t.session.as_ref().map_or(1, |s| s.names.len()) {
            0 | 1 => String::new(),
            n => format!(" in {n} sessions"),
        };
        return format!(
            "all {} scores of {lots}{sessions} are equal ({first}), so there is nothing to tell apart",
            t.values.len()
        );
    }
    match e {
        MixedError::TooFewRows { n, n_fixed } => format!(
            "{} for {} leave nothing to measure chance by: repeat the lots, or have more tasters",
            count(*n, "score", "scores"),
            count(*n_fixed, "lot or fixed effect", "lots and fixed effects"),
        ),
        MixedError::NoVariation | MixedError::NoResidual => {
            "beside what is in the model nothing is left to measure chance by: scores repeat \
             themselves, or there are too few lots, tasters or repeats"
                .to_owned()
        }
        other => other.to_string(),
    }
}

pub(crate) fn factor(w: &Words) -> Factor {
    Factor { codes: w.codes.clone(), n_levels: w.names.len() }
}

/// Whether all levels of two factors hang together through rows that share them.
pub(crate) fn hang_together(a: &Words, b: &Words) -> bool {
    let n = a.names.len();
    let mut parent: Vec<usize> = (0..n + b.names.len()).collect();
    fn root(parent: &mut [usize], mut at: usize) -> usize {
        while parent[at] != at {
            parent[at] = parent[parent[at]];
            at = parent[at];
        }
        at
    }
    for (x, y) in a.codes.iter().zip(&b.codes) {
        let (i, j) = (root(&mut parent, *x as usize), root(&mut parent, n + *y as usize));
        parent[i] = j;
    }
    let first = root(&mut parent, 0);
    (0..parent.len()).all(|at| root(&mut parent, at) == first)
}

/// Are the lots equal?
#[must_use]
pub fn lot_test(panel: &Panel) -> Answer<Test> {
    let test = panel.fit.test_term(LOT);
    if test.num_df < 1.0 || test.f.is_nan() {
        return Answer::unknown("there is one lot only, so there is nothing to tell apart");
    }
    let found = Test::of(test.f, test.num_df, test.den_df, test.p_value);
    found.map(|t| match panel.df_of_pots {
        Some(df) if df < t.den_df => {
            Test { p_among_many: blindsteep_stats::dist::f_sf(t.f, t.num_df, df), ..t }
        }
        _ => t,
    })
}
