//! What was counted, and the limits that stand before it is counted.

use std::collections::BTreeMap;
use std::process::ExitCode;

use rayon::prelude::*;

/// Bytes of stack of each worker: work that is stolen while a worker waits lies on its stack.
const STACK: usize = 64 << 20;

/// Makes the pool on which all is asked.
pub fn make_pool() {
    rayon::ThreadPoolBuilder::new()
        .stack_size(STACK)
        .build_global()
        .expect("no pool was made before");
}

/// What a figure must keep to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// Between two figures, both fixed.
    Within(f64, f64),
    /// At most this.
    AtMost(f64),
    /// At most this, and what luck adds to it in 99 of 100 such runs.
    Size(f64),
    /// At least this.
    AtLeast(f64),
    /// At least this, less what luck takes from it in 99 of 100 such runs.
    Coverage(f64),
    /// None: the figure is printed.
    Printed,
}

/// Mixed-model contrasts where every variance lies above 0.
pub const CONTRASTS: Limit = Limit::Within(0.93, 0.97);
/// Tests that claim 5 %: exact ones, and families of comparisons.
pub const SIZE: Limit = Limit::Size(0.05);
/// Intervals that claim 95 % exactly.
pub const EXACT: Limit = Limit::Coverage(0.95);
/// A habit is named where it is.
pub const NAMED: Limit = Limit::AtLeast(0.90);
/// A habit is named where it is not.
pub const FALSELY: Limit = Limit::AtMost(0.05);

/// Panels for which the limits are made. Fewer get what luck may add or take besides.
pub const ENOUGH: u64 = 2000;
/// 99 of 100 lie within so many standard errors.
const LUCK: f64 = 2.58;

/// One figure: shares of panels.
#[derive(Debug, Clone)]
pub struct Figure {
    n: u64,
    sum: f64,
    squares: f64,
    limit: Limit,
    note: String,
    /// Sums of estimate, truth and half-width, where they are kept.
    beside: [f64; 3],
}

impl Figure {
    fn mean(&self) -> f64 {
        self.sum / self.n as f64
    }

    fn se(&self) -> f64 {
        let n = self.n as f64;
        ((self.squares / n - self.mean().powi(2)).max(0.0) / n).sqrt()
    }

    fn holds(&self) -> bool {
        let n = self.n as f64;
        let luck = |p: f64| LUCK * (p * (1.0 - p) / n).sqrt();
        let few = |p: f64| if self.n < ENOUGH { luck(p) } else { 0.0 };
        let m = self.mean();
        match self.limit {
            Limit::Within(low, high) => m >= low - few(low) && m <= high + few(high),
            Limit::AtMost(p) => m <= p + few(p),
            Limit::AtLeast(p) => m >= p - few(p),
            Limit::Size(p) => m <= p + luck(p),
            Limit::Coverage(p) => m >= p - luck(p),
            Limit::Printed => true,
        }
    }

    fn remark(&self) -> String {
        let [value, truth, half] = self.beside.map(|s| s / self.n as f64);
        let luck = LUCK * (0.95 * 0.05 / self.n as f64).sqrt();
        let mut words = self.note.clone();
        if self.beside != [0.0; 3] {
            words = format!("mean {value:+.3}, truth {truth:+.3}, half-width {half:.3}");
            if self.mean() > 0.95 + luck {
                words.push_str("; wider than need be");
            }
        }
        words
    }

    fn said(&self) -> String {
        let luck = |p: f64| LUCK * (p * (1.0 - p) / self.n as f64).sqrt();
        match self.limit {
            Limit::Within(low, high) => format!("{low} to {high}"),
            Limit::AtMost(p) => format!("≤ {p}"),
            Limit::AtLeast(p) => format!("≥ {p}"),
            Limit::Size(p) => format!("≤ {p} + {:.3}", luck(p)),
            Limit::Coverage(p) => format!("≥ {p} − {:.3}", luck(p)),
            Limit::Printed => String::new(),
        }
    }
}

/// A group of the table, a case, and what is asked there.
type Key = (String, String, String);

/// All figures.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    figures: BTreeMap<Key, Figure>,
}

impl Tally {
    /// Counts a share (0 or 1 for one question) of one panel.
    pub fn add(&mut self, key: (&str, &str, &str), share: f64, limit: Limit) {
        self.add_noted(key, share, limit, "");
    }

    /// The same with a remark.
    pub fn add_noted(&mut self, key: (&str, &str, &str), share: f64, limit: Limit, note: &str) {
        let key = (key.0.to_owned(), key.1.to_owned(), key.2.to_owned());
        let empty =
            Figure { n: 0, sum: 0.0, squares: 0.0, limit, note: note.to_owned(), beside: [0.0; 3] };
        let figure = self.figures.entry(key).or_insert(empty);
        figure.n += 1;
        figure.sum += share;
        figure.squares += share * share;
    }

    /// Keeps estimate, truth and half-width beside a share that was just counted.
    pub fn beside(&mut self, key: (&str, &str, &str), three: [f64; 3]) {
        let key = (key.0.to_owned(), key.1.to_owned(), key.2.to_owned());
        if let Some(figure) = self.figures.get_mut(&key) {
            figure.beside.iter_mut().zip(three).for_each(|(sum, x)| *sum += x);
        }
    }

    /// Asks one question of so many draws, on all cores, and says how long it took.
    pub fn of(name: &str, n: u64, ask: &(dyn Fn(u64) -> Self + Sync)) -> Self {
        let start = std::time::Instant::now();
        let found = (0..n).into_par_iter().map(ask).reduce(Self::default, Self::merge);
        eprintln!("{name}: {:.0} s", start.elapsed().as_secs_f64());
        found
    }

    /// Prints the tables; a limit that was missed ends the run as a failure.
    pub fn end(&self) -> ExitCode {
        match self.print() {
            0 => ExitCode::SUCCESS,
            missed => {
                println!("\n{missed} missed.");
                ExitCode::FAILURE
            }
        }
    }

    /// Puts two together.
    pub fn merge(mut self, other: Self) -> Self {
        for (key, figure) in other.figures {
            match self.figures.get_mut(&key) {
                Some(own) => {
                    own.n += figure.n;
                    own.sum += figure.sum;
                    own.squares += figure.squares;
                    own.beside.iter_mut().zip(figure.beside).for_each(|(a, b)| *a += b);
                }
                None => {
                    self.figures.insert(key, figure);
                }
            }
        }
        self
    }

    /// The tables, and how many limits were missed.
    fn print(&self) -> usize {
        let mut group = "";
        let mut missed = 0;
        for ((of, case, what), f) in &self.figures {
            if of != group {
                group = of;
                println!("\n## {}\n", of.split_once(' ').map_or(of.as_str(), |g| g.1));
                println!("| case | what | panels | measured | ± | limit | | |");
                println!("|---|---|---|---|---|---|---|---|");
            }
            let verdict = match (f.limit, f.holds()) {
                (Limit::Printed, _) => "",
                (_, true) => "holds",
                (_, false) => {
                    missed += 1;
                    "**MISS**"
                }
            };
            println!(
                "| {case} | {what} | {} | {:.3} | {:.3} | {} | {verdict} | {} |",
                f.n,
                f.mean(),
                LUCK * f.se(),
                f.said(),
                f.remark()
            );
        }
        missed
    }
}
