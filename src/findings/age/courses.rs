//! Courses: contrasts of the means of a term's model, tasting by tasting.

use rayon::prelude::*;

use super::super::Answer;
use super::super::cell_model::{Cell, CellModel, Weights};
use super::super::term_comparison::ends;
use super::forms::CourseOf;
use super::line::{At, Behind, Line, Place, alone};
use super::network::Net;
use super::route::{Places, Route};
use super::served::{Followed, Served, TastingOf};
use super::sums::{asked, mean};
use super::term::Term;
use super::{Correction, LotTimes, Point, SampleAge, Tasting, TermCourse};

/// A sample with what stands behind it, term by term.
pub struct Told {
    /// The sample.
    pub sample: SampleAge,
    /// The node of the network that it is set beside.
    pub anchor: Option<usize>,
    /// Term by term.
    pub behind: Vec<Behind>,
}

/// A term with the network of its references.
pub struct OfTerm<'a> {
    /// The term.
    pub term: &'a Term,
    /// Its network.
    pub net: Answer<Net<'a>>,
    /// The same with excluded scores left in.
    pub net_with_excluded: Answer<Net<'a>>,
}

/// What all samples are asked with.
pub struct Asking<'a> {
    pub terms: Vec<OfTerm<'a>>,
    pub served: &'a Served,
    pub lots: &'a LotTimes,
    pub places: &'a Places<'a>,
    pub project: &'a [f64],
    pub level: f64,
}

/// The network of a term.
fn net<'a>(model: &'a Answer<CellModel>, places: &Places<'a>) -> Answer<Net<'a>> {
    model
        .as_ref()
        .map(|m| Net::of(m.cells.at.iter().map(|(c, i)| (c, *i)), places.nodes, places.sittings))
}

impl<'a> Asking<'a> {
    /// What is asked of these terms.
    #[must_use]
    pub fn of(
        terms: &'a [Term],
        served: &'a Served,
        lots: &'a LotTimes,
        places: &'a Places<'a>,
        (project, level): (&'a [f64], f64),
    ) -> Self {
        let terms = terms
            .iter()
            .map(|term| OfTerm {
                term,
                net: net(&term.model, places),
                net_with_excluded: net(&term.with_excluded, places),
            })
            .collect();
        Self { terms, served, lots, places, project, level }
    }

    /// A sample with all its terms.
    #[must_use]
    pub fn sample(&self, f: &Followed) -> Told {
        let route = Route::of(f, self.places);
        let tastings = f.tastings.iter().enumerate().map(|(i, t)| {
            let (n_scores, n_tasters) = self.served.counts(&t.cell);
            Tasting {
                session: t.cell.session.clone(),
                month: t.month - f.time.made,
                sample: t.cell.sample.clone(),
                recipe: t.cell.recipe.clone(),
                pooled: route.pooled(i),
                bridge: route.bridges[i].clone(),
                reference: route.beside[i].clone(),
                n_scores,
                n_tasters,
            }
        });
        let (terms, behind) = self.terms.iter().map(|t| self.followed(t, f, &route)).unzip();
        let sample = SampleAge {
            sample: f.sample.clone(),
            lot: f.time.lot.clone(),
            arm: f.time.arm.clone(),
            tastings: tastings.collect(),
            terms,
            sentences: Vec::new(),
        };
        Told { sample, anchor: route.anchor().known().copied(), behind }
    }

    /// One term of a sample.
    fn followed(&self, t: &OfTerm<'_>, f: &Followed, route: &Route) -> (TermCourse, Behind) {
        let main = self.line(t.term, (&t.term.model, &t.net), f, route);
        let of = match self.places.references {
            Answer::Known(_) => CourseOf::Corrected,
            Answer::Unknown(_) => CourseOf::AsScored,
        };
        let (course, behind) = self.course(t.term, &main, of, f.time.made);
        let with_excluded = match &t.term.with_excluded {
            Answer::Unknown(u) => Answer::Unknown(u.clone()),
            model => {
                let line = self.line(t.term, (model, &t.net_with_excluded), f, route);
                let (first, last) = line.ends();
                line.between(first, last, Place::corrected)
            }
        };
        (TermCourse { last_change_with_excluded: with_excluded, ..course }, behind)
    }

    /// The tastings of a sample in a term.
    fn line<'m>(
        &self,
        t: &Term,
        (model, net): (&'m Answer<CellModel>, &Answer<Net<'_>>),
        f: &'m Followed,
        route: &Route,
    ) -> Line<'m> {
        let anchor = route.anchor();
        let scored = f.tastings.iter().enumerate().filter(|(_, x)| t.n_scores(&x.cell) > 0);
        let all = scored
            .map(|(i, x)| {
                let plain = cell(model, &x.cell);
                let own = plain.as_ref().and_then(|plain| {
                    let both = model.as_ref().and_then(|m| net.as_ref().map(|n| (m, n)));
                    both.and_then(|(m, n)| route.own(i, plain, m, n))
                });
                let expected = || {
                    let none = || Answer::unknown(self.not_in_term(&x.cell));
                    let beside = route.beside[i].as_ref().and_then(|_| anchor.clone());
                    beside.and_then(|anchor| {
                        net.as_ref().and_then(|net| {
                            net.expected(anchor, &x.cell.session).map_or_else(none, Answer::Known)
                        })
                    })
                };
                At {
                    cell: &x.cell,
                    month: x.month,
                    n_scores: t.n_scores(&x.cell),
                    pooled: route.pooled(i),
                    plain,
                    own,
                    reference: model.as_ref().and_then(|_| expected()),
                }
            })
            .collect();
        let held = model.as_ref().and_then(|_| anchor).and_then(|a| self.held(net, a));
        Line::of(model, all, held, (self.level, t.scores.term.ends))
    }

    /// Where a node is held: its mean over all its sessions.
    #[must_use]
    pub fn held(&self, net: &Answer<Net<'_>>, node: usize) -> Answer<Weights> {
        net.as_ref().and_then(|net| {
            let cells: Vec<Weights> =
                net.cells_of(node).iter().map(|(_, at)| vec![(*at, 1.0)]).collect();
            if cells.is_empty() {
                return Answer::unknown(format!(
                    "the reference {} was not scored in this term",
                    self.places.nodes[node].reference
                ));
            }
            Answer::Known(mean(&cells))
        })
    }

    /// Why a session that is linked over all terms is not linked in one.
    fn not_in_term(&self, at: &Cell) -> String {
        match self.places.references.known().map(Vec::as_slice) {
            Some([one]) => format!("the reference {one} was not scored in {}", at.session),
            _ => format!(
                "in this term no reference was scored in {} that is linked with the others",
                at.session
            ),
        }
    }

    /// What the correction took off in each term: one contrast over all samples.
    #[must_use]
    pub fn correction(&self, told: &[Told]) -> Vec<Correction> {
        self.terms
            .iter()
            .enumerate()
            .map(|(at, t)| {
                let drifts: Vec<Weights> =
                    told.iter().filter_map(|t| t.behind[at].drift.clone()).collect();
                let model = &t.term.model;
                Correction {
                    term: t.term.scores.term.id.clone(),
                    scale: t.term.scores.term.scale,
                    n_samples: drifts.len(),
                    taken_off: self.places.references.as_ref().and_then(|_| {
                        model.as_ref().and_then(|_| match drifts.is_empty() {
                            true => Answer::unknown("no sample's change could be corrected"),
                            false => asked(model, &mean(&drifts), self.level),
                        })
                    }),
                }
            })
            .collect()
    }

    /// How the panel drifted: what the references show, set on the level of the one that was served
    /// in the most sessions. Months count from the first of these sessions.
    #[must_use]
    pub fn drift(&self) -> Answer<Vec<TermCourse>> {
        self.places.references.as_ref().and_then(|_| {
            let Some((part, base)) = self.base() else {
                return Answer::unknown("no reference was scored");
            };
            let node = &self.places.nodes[base];
            let times = self.served.times(&self.places.net.sessions(part), self.lots);
            let start = times.first().map_or(0.0, |t| t.1);
            let tastings: Vec<TastingOf> = times
                .into_iter()
                .map(|(session, month)| TastingOf {
                    cell: Cell {
                        sample: node.reference.clone(),
                        session,
                        recipe: node.recipe.clone(),
                    },
                    month,
                })
                .collect();
            let of = |t: &OfTerm<'_>| self.drift_of(t, base, &tastings, start);
            Answer::Known(self.terms.par_iter().with_max_len(1).map(of).collect())
        })
    }

    /// The part of the network that holds the reference of the most sessions, and its node.
    #[must_use]
    pub fn base(&self) -> Option<(usize, usize)> {
        let part = self.places.net.part_of(0)?;
        Some((part, self.places.net.base(part)?))
    }

    fn drift_of(
        &self,
        t: &OfTerm<'_>,
        base: usize,
        tastings: &[TastingOf],
        start: f64,
    ) -> TermCourse {
        let all = tastings.iter().filter_map(|x| {
            let own = t.net.as_ref().and_then(|net| {
                net.expected(base, &x.cell.session)
                    .map_or_else(|| Answer::unknown(self.not_in_term(&x.cell)), Answer::Known)
            });
            let n_scores = self.n_scores_of_references(t.term, &x.cell.session);
            (n_scores > 0).then(|| At {
                cell: &x.cell,
                month: x.month,
                n_scores,
                pooled: Answer::Known(true),
                plain: own.clone(),
                own,
                reference: Answer::unknown(ITSELF),
            })
        });
        let line = Line::of(
            &t.term.model,
            all.collect(),
            Answer::unknown(ITSELF),
            (self.level, t.term.scores.term.ends),
        );
        let (course, _) = self.course(t.term, &line, CourseOf::AsScored, start);
        let with_excluded = match &t.term.with_excluded {
            Answer::Unknown(u) => Answer::Unknown(u.clone()),
            Answer::Known(_) => Answer::unknown(ITSELF),
        };
        TermCourse { last_change_with_excluded: with_excluded, ..course }
    }

    fn n_scores_of_references(&self, t: &Term, session: &str) -> usize {
        let there = self.places.net.served_in(session);
        let cells = there.iter().map(|node| Cell {
            sample: node.reference.clone(),
            session: session.to_owned(),
            recipe: node.recipe.clone(),
        });
        cells.map(|c| t.n_scores(&c)).sum()
    }

    fn course(&self, t: &Term, line: &Line<'_>, of: CourseOf, made: f64) -> (TermCourse, Behind) {
        let together = line.together(made, of, self.project);
        let (first, last) = line.ends();
        let points =
            line.all
                .iter()
                .enumerate()
                .map(|(i, x)| Point {
                    session: x.cell.session.clone(),
                    month: x.month - made,
                    recipe: x.cell.recipe.clone(),
                    pooled: x.pooled.known().is_some(),
                    n_scores: x.n_scores,
                    raw: line.level(line.places[i].plain.clone().map(alone)),
                    beside: line.change(line.places[i].corrected()),
                    corrected: line.level(line.places[i].corrected().and_then(|sum| {
                        line.held.as_ref().map(|held| [sum, alone(*held)].concat())
                    })),
                    change_raw: line.between(first, Some(i), Place::own),
                    change: line.between(first, Some(i), Place::corrected),
                    shares: t.shares(x.cell),
                })
                .collect();
        let course = TermCourse {
            term: t.scores.term.id.clone(),
            scale: t.scores.term.scale,
            ends: ends(&t.scores),
            held: line.level(line.held.clone().map(alone)).map(|l| l.value),
            points,
            last_change: line.between(first, last, Place::corrected),
            last_change_raw: line.between(first, last, Place::own),
            panel_drift: line.between(first, last, Place::reference),
            last_change_with_excluded: Answer::unknown("no score is excluded in this term"),
            per_year: line.per_year(Place::corrected),
            per_year_raw: line.per_year(Place::own),
            fit: together.fit,
            first_real: together.first_real,
            since: together.since,
            projection: together.projection,
        };
        (course, line.behind())
    }
}

const ITSELF: &str = "this is the reference, which shows the panel's drift";

fn cell(model: &Answer<CellModel>, at: &Cell) -> Answer<Weights> {
    model.as_ref().and_then(|m| match m.at(at) {
        Some(i) => Answer::Known(vec![(i, 1.0)]),
        None => Answer::unknown("there is no score that counts"),
    })
}
