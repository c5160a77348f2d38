//! What was served when, and as what.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

use super::super::Answer;
use super::super::cell_model::{self, Cell, Cells};
use super::network::Sittings;
use crate::scores::{Before, LotTimes, SampleTime, Scores, TermScores, by_nature};

/// A sample in a session, over all terms.
#[derive(Debug, Clone, Default)]
pub struct ServedCell {
    months: Vec<f64>,
    tasters: BTreeSet<String>,
    n_scores: usize,
}

impl ServedCell {
    /// When it was served, on the axis of the scores.
    #[must_use]
    pub fn month(&self) -> f64 {
        self.months.iter().sum::<f64>() / self.months.len().max(1) as f64
    }
}

/// All that was served.
#[derive(Debug, Default)]
pub struct Served {
    cells: BTreeMap<Cell, ServedCell>,
    /// Whether a session is one of a book, which has one recipe and one day.
    of_book: bool,
}

/// The order of two sessions, each with its month: by time; on one day by the moment at which they
/// began, those of which it is not known last; then by their names.
fn in_time(a: (f64, &str), b: (f64, &str), lots: &LotTimes) -> Ordering {
    let began = |s: &str| lots.began.get(s).copied().unwrap_or(i64::MAX);
    a.0.total_cmp(&b.0).then_with(|| began(a.1).cmp(&began(b.1))).then_with(|| by_nature(a.1, b.1))
}

/// A tasting of a sample that is followed.
#[derive(Debug, Clone)]
pub struct TastingOf {
    /// What was served, where and how.
    pub cell: Cell,
    /// When, on the axis of the scores.
    pub month: f64,
}

/// A sample that is followed through its tastings.
#[derive(Debug, Clone)]
pub struct Followed {
    /// The sample.
    pub sample: String,
    /// Its time.
    pub time: SampleTime,
    /// Its tastings, by time.
    pub tastings: Vec<TastingOf>,
}

impl Served {
    /// Gathers what was served from the scores that count. Scores without a month are left out:
    /// nothing can be said of their time.
    #[must_use]
    pub fn of(scores: &Scores, terms: &[TermScores]) -> Self {
        let mut cells: BTreeMap<Cell, ServedCell> = BTreeMap::new();
        let (firsts, of) = cell_model::kinds(&terms.iter().collect::<Vec<_>>());
        for (kind, first) in firsts.into_iter().enumerate() {
            let t = &terms[first];
            let (Some(_), Some(months)) = (&t.session, &t.month) else { continue };
            let Some(own) = Cells::of(t) else { continue };
            let n_terms = of.iter().filter(|k| **k == kind).count();
            // By number first: names are looked up once a cell, not once a score.
            let mut met: Vec<(Vec<f64>, BTreeSet<u32>)> =
                vec![(Vec::new(), BTreeSet::new()); own.cells.len()];
            for (row, month) in months.iter().enumerate() {
                let (all, tasters) = &mut met[own.codes[row] as usize];
                if !all.contains(month) {
                    all.push(*month);
                }
                if let Some(w) = &t.taster {
                    tasters.insert(w.codes[row]);
                }
            }
            for ((cell, n_scores), (months, tasters)) in
                own.cells.into_iter().zip(own.n_scores).zip(met)
            {
                let served = cells.entry(cell).or_default();
                served.n_scores += n_terms * n_scores;
                for month in months {
                    if !served.months.contains(&month) {
                        served.months.push(month);
                    }
                }
                if let Some(w) = &t.taster {
                    served
                        .tasters
                        .extend(tasters.iter().map(|code| w.names[*code as usize].clone()));
                }
            }
        }
        // Flights of one session may lie on several days; a session of a book has one day, its first.
        let of_book = scores.source.kind == "sessions";
        if of_book {
            let mut days: BTreeMap<String, f64> = BTreeMap::new();
            for (cell, served) in &cells {
                let first = served.months.iter().copied().fold(f64::INFINITY, f64::min);
                let day = days.entry(cell.session.clone()).or_insert(first);
                *day = day.min(first);
            }
            for (cell, served) in &mut cells {
                served.months = days.get(&cell.session).copied().into_iter().collect();
            }
        }
        Self { cells, of_book }
    }

    /// A cell, if it was served.
    #[must_use]
    pub fn get(&self, cell: &Cell) -> Option<&ServedCell> {
        self.cells.get(cell)
    }

    /// Scores and tasters of a cell.
    #[must_use]
    pub fn counts(&self, cell: &Cell) -> (usize, usize) {
        self.get(cell).map_or((0, 0), |c| (c.n_scores, c.tasters.len()))
    }

    /// All cells.
    pub fn cells(&self) -> impl Iterator<Item = &Cell> {
        self.cells.keys()
    }

    /// Which sessions share a shift.
    #[must_use]
    pub fn sittings(&self) -> Sittings {
        let mut all: BTreeMap<String, (f64, BTreeSet<Option<String>>)> = BTreeMap::new();
        for (cell, served) in &self.cells {
            let own = all.entry(cell.session.clone()).or_insert((served.month(), BTreeSet::new()));
            own.1.insert(cell.recipe.clone());
        }
        Sittings::of(&all, self.of_book)
    }

    /// The references: those that were served, the one of the most sessions first.
    #[must_use]
    pub fn references(&self, named: &[String]) -> Answer<Vec<String>> {
        let sessions = |sample: &String| {
            let all: BTreeSet<&String> =
                self.cells.keys().filter(|c| c.sample == *sample).map(|c| &c.session).collect();
            all.len()
        };
        let mut all: Vec<(&String, usize)> = named.iter().map(|n| (n, sessions(n))).collect();
        all.retain(|(_, n)| *n > 0);
        // The first named of those that were served as often.
        all.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
        match (all.is_empty(), named.first()) {
            (false, _) => Answer::Known(all.into_iter().map(|(name, _)| name.clone()).collect()),
            (true, Some(name)) => Answer::unknown(format!(
                "the reference {name} has no score: drift and ageing cannot be told apart"
            )),
            (true, None) => Answer::unknown(
                "no sample was served as reference: drift and ageing cannot be told apart",
            ),
        }
    }

    /// When the sessions of these cells were held, by time: session and month.
    #[must_use]
    pub fn times(&self, sessions: &BTreeSet<&String>, lots: &LotTimes) -> Vec<(String, f64)> {
        let mut all: BTreeMap<&String, f64> = BTreeMap::new();
        for (cell, served) in self.cells.iter().filter(|(c, _)| sessions.contains(&c.session)) {
            let month = all.entry(&cell.session).or_insert(f64::INFINITY);
            *month = month.min(served.month());
        }
        let mut all: Vec<(String, f64)> = all.into_iter().map(|(s, m)| (s.clone(), m)).collect();
        all.sort_by(|a, b| in_time((a.1, &a.0), (b.1, &b.0), lots));
        all
    }

    /// What was served of a sample.
    fn of_sample(&self, sample: &str) -> impl Iterator<Item = (&Cell, &ServedCell)> {
        let first = Cell { sample: sample.to_owned(), session: String::new(), recipe: None };
        let sample = first.sample.clone();
        self.cells.range(first..).take_while(move |(cell, _)| cell.sample == sample)
    }

    /// When a sample was tasted, by time.
    #[must_use]
    pub fn tastings(&self, sample: &str, before: &[Before], lots: &LotTimes) -> Vec<TastingOf> {
        let own: BTreeSet<&String> = self.of_sample(sample).map(|(c, _)| &c.session).collect();
        let as_itself = self.of_sample(sample);
        // On the day of a split it still was what it was before, but where it was served itself.
        let was = before.iter().filter(|b| b.sample != sample).flat_map(|b| {
            self.of_sample(&b.sample).filter(|(cell, served)| {
                let month = served.month();
                month < b.until || (month == b.until && !own.contains(&cell.session))
            })
        });
        let mut found: Vec<(&Cell, &ServedCell)> = as_itself.chain(was).collect();
        // It may have been the same sample before in two ways.
        found.sort_by_key(|(cell, _)| *cell);
        found.dedup_by_key(|(cell, _)| *cell);
        let mut all: Vec<TastingOf> = found
            .into_iter()
            .map(|(cell, served)| TastingOf { cell: cell.clone(), month: served.month() })
            .collect();
        all.sort_by(|a, b| in_time((a.month, &a.cell.session), (b.month, &b.cell.session), lots));
        all
    }

    /// The samples that are followed: all but the references, and but those that were split and go
    /// on as their arms.
    #[must_use]
    pub fn samples(&self, lots: &LotTimes, references: &[String]) -> Vec<Followed> {
        let mut names: Vec<&String> = self.cells.keys().map(|c| &c.sample).collect();
        names.sort_by(|a, b| by_nature(a, b));
        names.dedup();
        let times: Vec<(&String, SampleTime)> =
            names.iter().map(|name| (*name, self.time(name, &names, lots))).collect();
        let goes_on = |name: &String, tastings: &[TastingOf]| {
            times.iter().any(|(other, time)| {
                *other != name
                    && time
                        .before
                        .iter()
                        .any(|b| b.sample == *name && tastings.iter().all(|t| t.month <= b.until))
            })
        };
        times
            .iter()
            .filter(|(name, _)| !references.contains(name))
            .filter_map(|(name, time)| {
                let tastings = self.tastings(name, &time.before, lots);
                (!goes_on(name, &tastings)).then(|| Followed {
                    sample: (*name).clone(),
                    time: time.clone(),
                    tastings,
                })
            })
            .collect()
    }

    /// The time of a sample. An arm of which no book tells when it was split was its lot until
    /// just before an arm of that lot was first tasted.
    fn time(&self, sample: &str, names: &[&String], lots: &LotTimes) -> SampleTime {
        let mut time = lots.of(sample);
        if lots.samples.contains_key(sample) || time.arm.is_none() {
            return time;
        }
        let is_arm = |name: &str| {
            let other = lots.of(name);
            other.lot == time.lot && other.arm.is_some()
        };
        let first = self
            .cells
            .iter()
            .filter(|(cell, _)| is_arm(&cell.sample))
            .map(|(_, served)| served.month())
            .fold(f64::INFINITY, f64::min);
        if names.iter().any(|n| **n == time.lot) {
            let until = first.next_down();
            time.before.push(Before { sample: time.lot.clone(), until });
        }
        time
    }
}
