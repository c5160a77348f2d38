//! The tastings of one sample in one term, and what is asked of them.

use super::super::cell_model::{Cell, CellModel, Weights};
use super::super::in_scale::level_on;
use super::super::term_comparison::LevelNumbers;
use super::super::{Answer, count};
use super::Change;
use super::forms::{self, CourseOf, Tasted, Together, YEAR};
use super::sums::{Sum, Sums, a_year, change, told};

/// A straight course needs so many tastings.
const STRAIGHT: usize = 3;

/// A tasting in a term.
pub struct At<'a> {
    pub cell: &'a Cell,
    pub month: f64,
    pub n_scores: usize,
    pub pooled: Answer<bool>,
    /// Its mean as it was scored.
    pub plain: Answer<Weights>,
    /// The same by the recipe of the first tasting.
    pub own: Answer<Weights>,
    /// What the references say of the session.
    pub reference: Answer<Weights>,
}

/// What stands behind a course, for what is asked of several samples together.
#[derive(Debug, Clone, Default)]
pub struct Behind {
    /// What the panel's drift added to the change from the first to the last tasting.
    pub drift: Option<Weights>,
    /// Tasting by tasting.
    pub points: Vec<BehindPoint>,
}

/// A tasting that counts.
#[derive(Debug, Clone)]
pub struct BehindPoint {
    /// The session.
    pub session: String,
    /// Its mean by the first recipe less the reference.
    pub beside: Option<Weights>,
}

/// A sum of one place of the basis.
pub fn alone(at: usize) -> Sum {
    vec![(at, 1.0)]
}

/// Where the sums of a tasting stand in the basis.
pub struct Place {
    pub plain: Answer<usize>,
    own: Answer<usize>,
    reference: Answer<usize>,
}

impl Place {
    pub fn own(&self) -> Answer<Sum> {
        self.own.clone().map(alone)
    }

    pub fn reference(&self) -> Answer<Sum> {
        self.reference.clone().map(alone)
    }

    /// A tasting's own mean less that of the reference beside it.
    pub fn corrected(&self) -> Answer<Sum> {
        self.own
            .as_ref()
            .and_then(|own| self.reference.as_ref().map(|r| vec![(*own, 1.0), (*r, -1.0)]))
    }
}

/// The tastings of a sample in a term.
pub struct Line<'a> {
    sums: Answer<Sums<'a>>,
    pub all: Vec<At<'a>>,
    pub places: Vec<Place>,
    pub held: Answer<usize>,
    /// The ends of the scale, where they are known.
    scale: Option<[f64; 2]>,
}

impl<'a> Line<'a> {
    pub fn of(
        model: &'a Answer<CellModel>,
        all: Vec<At<'a>>,
        held: Answer<Weights>,
        (level, scale): (f64, Option<[f64; 2]>),
    ) -> Self {
        let mut basis: Vec<Weights> = Vec::new();
        let mut put = |w: &Weights| {
            // Most tastings are their own mean both ways, and sessions share their reference.
            basis.iter().position(|b| b == w).unwrap_or_else(|| {
                basis.push(w.clone());
                basis.len() - 1
            })
        };
        let places = all
            .iter()
            .map(|x| Place {
                plain: x.plain.as_ref().map(&mut put),
                own: x.own.as_ref().map(&mut put),
                reference: x.reference.as_ref().map(&mut put),
            })
            .collect();
        let held = held.as_ref().map(&mut put);
        let sums = model.as_ref().map(|m| Sums::of(m, basis, level));
        Self { sums, all, places, held, scale }
    }

    /// The first and the last tasting that count together.
    pub fn ends(&self) -> (Option<usize>, Option<usize>) {
        let counts = |x: &At<'_>| x.pooled.known().is_some();
        (self.all.iter().position(counts), self.all.iter().rposition(counts))
    }

    /// A level on the term's scale.
    pub fn level(&self, sum: Answer<Sum>) -> Answer<LevelNumbers> {
        let on = |s: &Sums<'_>, sum: &Sum| level_on(&s.ask(sum), self.scale);
        self.sums.as_ref().and_then(|s| sum.and_then(|sum| on(s, &sum)))
    }

    pub fn change(&self, sum: Answer<Sum>) -> Answer<Change> {
        self.sums.as_ref().and_then(|s| sum.and_then(|sum| change(&s.ask(&sum))))
    }

    /// The change between two tastings of what `of` says.
    pub fn between(
        &self,
        first: Option<usize>,
        last: Option<usize>,
        of: impl Fn(&Place) -> Answer<Sum>,
    ) -> Answer<Change> {
        let (Some(first), Some(last)) = (first, last) else {
            return Answer::unknown("it was not tasted in this term");
        };
        if first == last {
            let pooled = self.all.iter().filter(|x| x.pooled.known().is_some()).count();
            return Answer::unknown(match (pooled, self.all.len()) {
                (1, 1) => "tasted once so far: there is nothing to compare it with",
                (1, _) => "tasted once by this recipe: there is nothing to compare it with",
                _ => "this is the first tasting",
            });
        }
        if let Answer::Unknown(u) = &self.all[last].pooled {
            return Answer::Unknown(u.clone());
        }
        self.change(self.difference(first, last, of))
    }

    pub fn difference(
        &self,
        first: usize,
        last: usize,
        of: impl Fn(&Place) -> Answer<Sum>,
    ) -> Answer<Sum> {
        let (from, to) = (of(&self.places[first]), of(&self.places[last]));
        to.and_then(|to| {
            from.map(|from| {
                to.into_iter().chain(from.into_iter().map(|(at, w)| (at, -w))).collect()
            })
        })
    }

    /// What stands behind the course.
    pub fn behind(&self) -> Behind {
        let Some(sums) = self.sums.known() else { return Behind::default() };
        let (first, last) = self.ends();
        let drift = match (first, last) {
            (Some(first), Some(last)) if first != last => {
                let both = self.difference(first, last, Place::corrected);
                let drift = self.difference(first, last, Place::reference);
                both.and_then(|_| drift).known().map(|sum| sums.weights(sum))
            }
            _ => None,
        };
        let points = self.all.iter().zip(&self.places).filter_map(|(x, place)| {
            x.pooled.known()?;
            Some(BehindPoint {
                session: x.cell.session.clone(),
                beside: place.corrected().known().map(|sum| sums.weights(sum)),
            })
        });
        Behind { drift, points: points.collect() }
    }

    /// All that is asked of the tastings together that count and have what `course` is of.
    pub fn together(&self, made: f64, course: CourseOf, project: &[f64]) -> Together {
        let sums = match &self.sums {
            Answer::Known(sums) => sums,
            Answer::Unknown(u) => return Together::unknown(&u.reason),
        };
        let mut why = None;
        let (mut tasted, mut counted) = (Vec::new(), Vec::new());
        for (x, place) in self.all.iter().zip(&self.places) {
            if x.pooled.known().is_none() {
                continue;
            }
            let sum = match course {
                CourseOf::Corrected => place.corrected(),
                CourseOf::AsScored => place.own(),
            };
            match sum {
                Answer::Known(sum) => {
                    tasted.push(Tasted { session: x.cell.session.clone(), month: x.month - made });
                    counted.push(sum);
                }
                Answer::Unknown(u) => why = why.or(Some(u.reason)),
            }
        }
        match (counted.is_empty(), why) {
            (true, Some(why)) => Together::unknown(&why),
            (true, None) => Together::unknown("it was not tasted in this term"),
            _ => forms::fit(&sums.family(&counted), &tasted, course, project, sums.level),
        }
    }

    /// The slope a year of the line of least squares through all tastings that have what `of` says.
    pub fn per_year(&self, of: impl Fn(&Place) -> Answer<Sum>) -> Answer<Change> {
        if let Answer::Unknown(u) = self.sums.as_ref() {
            return Answer::Unknown(u);
        }
        let pooled = || {
            let both = self.all.iter().zip(&self.places);
            both.filter(|(x, _)| x.pooled.known().is_some())
        };
        let counted: Vec<(f64, Sum)> =
            pooled().filter_map(|(x, place)| Some((x.month, of(place).known()?.clone()))).collect();
        let why = pooled().find_map(|(_, place)| Some(of(place).reason()?.to_owned()));
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
        let slope = counted.iter().flat_map(|(month, sum)| {
            let by = YEAR * (month - mean) / spread;
            sum.iter().map(move |(at, w)| (*at, w * by))
        });
        let change = self.change(Answer::Known(slope.collect()));
        change.map(|c| self.widened(c, &counted))
    }

    /// A slope with the error that the tastings show about it, where that is larger than the model's:
    /// what a panel does from day to day is no error of the model's means.
    fn widened(&self, c: Change, counted: &[(f64, Sum)]) -> Change {
        /// Two degrees of freedom, or the error about the slope says nothing.
        const LEAST: usize = 4;
        let (Some(sums), true) = (self.sums.known(), counted.len() >= LEAST) else { return c };
        let points: Vec<(f64, f64)> =
            counted.iter().map(|(month, sum)| (*month, sums.ask(sum).estimate)).collect();
        let wider = a_year(&points).ok().filter(|s| s.se > c.se);
        let wider = wider.and_then(|s| told(c.value, s.se, s.df, sums.level).known().copied());
        wider.unwrap_or(c)
    }
}
