//! Courses: contrasts of the means of a term's model, tasting by tasting.

use blindsteep_stats::mixed::Contrast;

use super::super::cell_model::{Cell, CellModel, Weights};
use super::super::term_comparison::{LevelNumbers, ends, finite, level};
use super::super::{Answer, count};
use super::forms::{self, CourseOf, Tasted, Together, YEAR};
use super::served::{Followed, Served, TastingOf};
use super::term::Term;
use super::{ArmPair, ArmSession, ArmTerm, Change, Point, SampleAge, Tasting, TermCourse};

/// A straight course needs so many tastings.
const STRAIGHT: usize = 3;

/// A contrast as a change.
pub(super) fn change(c: &Contrast) -> Answer<Change> {
    if !c.estimable {
        return Answer::unknown("this layout says nothing about this difference alone");
    }
    if !finite(&[c.estimate, c.se, c.df, c.lower, c.upper, c.p_value]) {
        return Answer::unknown("too little is left to measure chance by");
    }
    Answer::Known(Change {
        value: c.estimate,
        se: c.se,
        df: c.df,
        lower: c.lower,
        upper: c.upper,
        p_value: c.p_value,
        q_value: None,
    })
}

/// Sums of cell means, one after the other.
fn joined(parts: &[(&Weights, f64)]) -> Weights {
    parts.iter().flat_map(|(w, by)| w.iter().map(move |(at, x)| (*at, x * by))).collect()
}

/// A tasting of a sample in a term.
struct At<'a> {
    tasting: &'a TastingOf,
    pooled: bool,
    /// Its own mean.
    own: Answer<Weights>,
    /// The reference's mean beside it.
    reference: Answer<Weights>,
}

/// What all samples are asked with.
pub struct Asking<'a> {
    pub terms: &'a [Term],
    pub reference: &'a Answer<String>,
    pub project: &'a [f64],
    pub level: f64,
}

impl Asking<'_> {
    /// A sample with all its terms.
    #[must_use]
    pub fn sample(&self, f: &Followed, served: &Served) -> SampleAge {
        let first = f.tastings.first().and_then(|t| t.cell.recipe.clone());
        let tastings = f.tastings.iter().map(|t| {
            let (n_scores, n_tasters) = served.counts(&t.cell);
            Tasting {
                session: t.cell.session.clone(),
                month: t.month - f.time.made,
                sample: t.cell.sample.clone(),
                recipe: t.cell.recipe.clone(),
                pooled: pooled(t, first.as_deref()),
                reference: self.beside(t, served),
                n_scores,
                n_tasters,
            }
        });
        SampleAge {
            sample: f.sample.clone(),
            lot: f.time.lot.clone(),
            arm: f.time.arm.clone(),
            tastings: tastings.collect(),
            terms: self.courses(&f.tastings, f.time.made, first.as_deref()),
            sentences: Vec::new(),
        }
    }

    /// Whether the reference was served beside a tasting.
    fn beside(&self, t: &TastingOf, served: &Served) -> Answer<bool> {
        self.reference.as_ref().and_then(|name| {
            let cell = Cell { sample: name.clone(), ..t.cell.clone() };
            match served.get(&cell) {
                Some(_) => Answer::Known(true),
                None => Answer::unknown(not_beside(name, &t.cell)),
            }
        })
    }

    /// How the panel drifted: the course of the reference. Its months count from the first session.
    #[must_use]
    pub fn drift(&self, served: &Served) -> Answer<Vec<TermCourse>> {
        self.reference.as_ref().map(|name| {
            let tastings = served.tastings(name, &[]);
            let first = tastings.first().and_then(|t| t.cell.recipe.clone());
            let start = tastings.first().map_or(0.0, |t| t.month);
            self.courses(&tastings, start, first.as_deref())
        })
    }

    fn courses(&self, tastings: &[TastingOf], made: f64, recipe: Option<&str>) -> Vec<TermCourse> {
        self.terms
            .iter()
            .map(|t| {
                let scored: Vec<&TastingOf> =
                    tastings.iter().filter(|x| t.n_scores(&x.cell) > 0).collect();
                let is_reference = |x: &TastingOf| Some(&x.cell.sample) == self.reference.known();
                let itself = tastings.iter().any(is_reference);
                let main = self.course(t, &t.model, &scored, (made, recipe), itself);
                let with_excluded = match &t.with_excluded {
                    Answer::Unknown(u) => Answer::Unknown(u.clone()),
                    model => self.course(t, model, &scored, (made, recipe), itself).last_change,
                };
                TermCourse { last_change_with_excluded: with_excluded, ..main }
            })
            .collect()
    }

    fn course(
        &self,
        t: &Term,
        model: &Answer<CellModel>,
        scored: &[&TastingOf],
        (made, recipe): (f64, Option<&str>),
        itself: bool,
    ) -> TermCourse {
        let all: Vec<At<'_>> = scored
            .iter()
            .map(|x| At {
                tasting: x,
                pooled: x.cell.recipe.as_deref() == recipe,
                own: cell(model, &x.cell),
                reference: self.reference_beside(model, &x.cell, itself),
            })
            .collect();
        let line = Line { model, level: self.level, all: &all };
        let held = self.held(model, recipe, itself);
        let (first, last) = line.ends();
        let drift = line.between(first, last, |x| x.reference.clone());
        let together = match self.reference {
            Answer::Known(_) if !itself => {
                line.together(made, CourseOf::Corrected, self.project, corrected)
            }
            _ => line.together(made, CourseOf::AsScored, self.project, |x| x.own.clone()),
        };
        TermCourse {
            term: t.scores.term.id.clone(),
            scale: t.scores.term.scale,
            ends: ends(&t.scores),
            held: line.level(held.clone()).map(|l| l.value),
            points: all
                .iter()
                .enumerate()
                .map(|(i, x)| Point {
                    session: x.tasting.cell.session.clone(),
                    month: x.tasting.month - made,
                    recipe: x.tasting.cell.recipe.clone(),
                    pooled: x.pooled,
                    n_scores: t.n_scores(&x.tasting.cell),
                    raw: line.level(x.own.clone()),
                    beside: line.change(corrected(x)),
                    corrected: line.level(corrected(x).and_then(|own| {
                        held.as_ref().map(|held| joined(&[(&own, 1.0), (held, 1.0)]))
                    })),
                    change_raw: line.between(first, Some(i), |x| x.own.clone()),
                    change: line.between(first, Some(i), corrected),
                    shares: t.shares(&x.tasting.cell),
                })
                .collect(),
            last_change: line.between(first, last, corrected),
            last_change_raw: line.between(first, last, |x| x.own.clone()),
            panel_drift: drift,
            last_change_with_excluded: Answer::unknown("no score is excluded in this term"),
            per_year: line.per_year(corrected),
            per_year_raw: line.per_year(|x| x.own.clone()),
            fit: together.fit,
            first_real: together.first_real,
            since: together.since,
            projection: together.projection,
        }
    }

    fn reference_beside(
        &self,
        model: &Answer<CellModel>,
        at: &Cell,
        itself: bool,
    ) -> Answer<Weights> {
        if itself {
            return Answer::unknown("this is the reference, which shows the panel's drift");
        }
        self.reference.as_ref().and_then(|name| {
            model.as_ref().and_then(|m| match m.at(&Cell { sample: name.clone(), ..at.clone() }) {
                Some(i) => Answer::Known(vec![(i, 1.0)]),
                None => Answer::unknown(not_beside(name, at)),
            })
        })
    }

    /// Where the reference is held: its mean over all sessions in which it was brewed so.
    fn held(
        &self,
        model: &Answer<CellModel>,
        recipe: Option<&str>,
        itself: bool,
    ) -> Answer<Weights> {
        if itself {
            return Answer::unknown("this is the reference, which shows the panel's drift");
        }
        self.reference.as_ref().and_then(|name| {
            model.as_ref().and_then(|m| {
                let own = |c: &Cell| c.sample == *name && c.recipe.as_deref() == recipe;
                let all: Vec<usize> =
                    m.cells.at.iter().filter(|(c, _)| own(c)).map(|(_, i)| *i).collect();
                if all.is_empty() {
                    return Answer::unknown(format!(
                        "the reference {name} was never brewed as in the first tasting"
                    ));
                }
                let share = 1.0 / all.len() as f64;
                Answer::Known(all.into_iter().map(|i| (i, share)).collect())
            })
        })
    }

    /// All pairs of arms of one lot that were served side by side.
    #[must_use]
    pub fn arms(&self, followed: &[Followed], served: &Served) -> Vec<ArmPair> {
        let mut pairs = Vec::new();
        for (i, b) in followed.iter().enumerate() {
            for a in &followed[i + 1..] {
                let of_one_lot = a.time.lot == b.time.lot;
                if !of_one_lot || (a.time.arm.is_none() && b.time.arm.is_none()) {
                    continue;
                }
                let both: Vec<(TastingOf, Cell)> = served
                    .tastings(&a.sample, &[])
                    .into_iter()
                    .filter_map(|t| {
                        let other = Cell { sample: b.sample.clone(), ..t.cell.clone() };
                        served.get(&other).map(|_| (t, other))
                    })
                    .collect();
                if !both.is_empty() {
                    pairs.push(ArmPair {
                        lot: a.time.lot.clone(),
                        a: a.sample.clone(),
                        b: b.sample.clone(),
                        terms: self.terms.iter().map(|t| self.arm_term(t, a, &both)).collect(),
                        sentences: Vec::new(),
                    });
                }
            }
        }
        pairs
    }

    fn arm_term(&self, t: &Term, a: &Followed, both: &[(TastingOf, Cell)]) -> ArmTerm {
        let mut all: Vec<(Weights, &TastingOf)> = Vec::new();
        let model = t.model.as_ref();
        if let Some(m) = model.known() {
            for (own, other) in both {
                if let (Some(i), Some(j)) = (m.at(&own.cell), m.at(other)) {
                    all.push((vec![(i, 1.0), (j, -1.0)], own));
                }
            }
        }
        let share = 1.0 / all.len().max(1) as f64;
        let mean: Weights =
            all.iter().flat_map(|(w, _)| w.iter().map(|(i, x)| (*i, x * share))).collect();
        let asked = |w: &Weights| model.clone().and_then(|m| change(&m.contrast(w, self.level)));
        ArmTerm {
            term: t.scores.term.id.clone(),
            scale: t.scores.term.scale,
            sessions: all
                .iter()
                .map(|(w, x)| ArmSession {
                    session: x.cell.session.clone(),
                    month: x.month - a.time.made,
                    difference: asked(w),
                })
                .collect(),
            mean: if all.is_empty() && model.known().is_some() {
                Answer::unknown("the two were not scored in this term in one session")
            } else {
                asked(&mean)
            },
        }
    }
}

/// The sentence that goes with a tasting without a reference.
fn not_beside(name: &str, at: &Cell) -> String {
    let so = match &at.recipe {
        Some(recipe) => format!(" by {recipe}"),
        None => String::new(),
    };
    format!("the reference {name} was not scored in {}{so}", at.session)
}

fn pooled(t: &TastingOf, first: Option<&str>) -> Answer<bool> {
    match (t.cell.recipe.as_deref(), first) {
        (own, first) if own == first => Answer::Known(true),
        (own, first) => Answer::unknown(format!(
            "brewed by {}, the first tasting by {}: the recipe is part of the score",
            own.unwrap_or("an unnamed recipe"),
            first.unwrap_or("an unnamed recipe")
        )),
    }
}

fn cell(model: &Answer<CellModel>, at: &Cell) -> Answer<Weights> {
    model.as_ref().and_then(|m| match m.at(at) {
        Some(i) => Answer::Known(vec![(i, 1.0)]),
        None => Answer::unknown("there is no score that counts"),
    })
}

/// A tasting's own mean less that of the reference beside it.
fn corrected(x: &At<'_>) -> Answer<Weights> {
    x.own.as_ref().and_then(|own| x.reference.as_ref().map(|r| joined(&[(own, 1.0), (r, -1.0)])))
}

/// The tastings of a sample in a term.
struct Line<'a> {
    model: &'a Answer<CellModel>,
    level: f64,
    all: &'a [At<'a>],
}

impl Line<'_> {
    /// The first and the last tasting that count together.
    fn ends(&self) -> (Option<usize>, Option<usize>) {
        let counts = |x: &At<'_>| x.pooled;
        (self.all.iter().position(counts), self.all.iter().rposition(counts))
    }

    fn level(&self, weights: Answer<Weights>) -> Answer<LevelNumbers> {
        weights.and_then(|w| self.model.as_ref().and_then(|m| level(&m.contrast(&w, self.level))))
    }

    fn change(&self, weights: Answer<Weights>) -> Answer<Change> {
        weights.and_then(|w| self.model.as_ref().and_then(|m| change(&m.contrast(&w, self.level))))
    }

    /// The change between two tastings of what `of` says.
    fn between(
        &self,
        first: Option<usize>,
        last: Option<usize>,
        of: impl Fn(&At<'_>) -> Answer<Weights>,
    ) -> Answer<Change> {
        let (Some(first), Some(last)) = (first, last) else {
            return Answer::unknown("it was not tasted in this term");
        };
        if first == last {
            let pooled = self.all.iter().filter(|x| x.pooled).count();
            return Answer::unknown(match (pooled, self.all.len()) {
                (1, 1) => "tasted once so far: there is nothing to compare it with",
                (1, _) => "tasted once by this recipe: there is nothing to compare it with",
                _ => "this is the first tasting",
            });
        }
        if let Answer::Unknown(u) = pooled(self.all[last].tasting, self.recipe(first)) {
            return Answer::Unknown(u);
        }
        let (from, to) = (of(&self.all[first]), of(&self.all[last]));
        self.change(to.and_then(|to| from.map(|from| joined(&[(&to, 1.0), (&from, -1.0)]))))
    }

    fn recipe(&self, at: usize) -> Option<&str> {
        self.all[at].tasting.cell.recipe.as_deref()
    }

    /// All that is asked of the tastings together that count and have what `of` says.
    fn together(
        &self,
        made: f64,
        course: CourseOf,
        project: &[f64],
        of: impl Fn(&At<'_>) -> Answer<Weights>,
    ) -> Together {
        let model = match self.model {
            Answer::Known(model) => model,
            Answer::Unknown(u) => return Together::unknown(&u.reason),
        };
        let mut why = None;
        let mut counted: Vec<Tasted> = Vec::new();
        for x in self.all.iter().filter(|x| x.pooled) {
            match of(x) {
                Answer::Known(weights) => counted.push(Tasted {
                    session: x.tasting.cell.session.clone(),
                    month: x.tasting.month - made,
                    weights,
                }),
                Answer::Unknown(u) => why = why.or(Some(u.reason)),
            }
        }
        match (counted.is_empty(), why) {
            (true, Some(why)) => Together::unknown(&why),
            (true, None) => Together::unknown("it was not tasted in this term"),
            _ => forms::fit(model, &counted, course, project, self.level),
        }
    }

    /// The slope a year of the line of least squares through all tastings that have what `of` says.
    fn per_year(&self, of: impl Fn(&At<'_>) -> Answer<Weights>) -> Answer<Change> {
        if let Answer::Unknown(u) = self.model.as_ref() {
            return Answer::Unknown(u);
        }
        let counted: Vec<(f64, Weights)> = self
            .all
            .iter()
            .filter(|x| x.pooled)
            .filter_map(|x| Some((x.tasting.month, of(x).known()?.clone())))
            .collect();
        let why =
            self.all.iter().filter(|x| x.pooled).find_map(|x| Some(of(x).reason()?.to_owned()));
        let mut months: Vec<f64> = counted.iter().map(|c| c.0).collect();
        months.dedup();
        if months.len() < STRAIGHT {
            let counts = count(months.len(), "tasting counts", "tastings count");
            return Answer::unknown(match why {
                Some(why) if counted.is_empty() => why,
                Some(why) => format!("a slope needs {STRAIGHT} tastings, and {counts}: {why}"),
                None => format!("a slope needs {STRAIGHT} tastings, and {counts}"),
            });
        }
        let mean = counted.iter().map(|c| c.0).sum::<f64>() / counted.len() as f64;
        let spread: f64 = counted.iter().map(|c| (c.0 - mean).powi(2)).sum();
        let parts: Vec<(&Weights, f64)> =
            counted.iter().map(|(m, w)| (w, YEAR * (m - mean) / spread)).collect();
        self.change(Answer::Known(joined(&parts)))
    }
}
