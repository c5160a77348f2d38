//! Does what the program says cover what was planted? The demo's garden under many seeds, through
//! the same findings as the commands, against the truth in the estimand that is printed.
//!
//! `cargo bench --profile release --bench planted -- 400 > reports/planted-truth.md`

use std::collections::BTreeMap;

use blindsteep::demo::simulated;
use blindsteep::demo::truth::{SESSIONS, TERMS};
use blindsteep::findings::age::{Age, BandPoint, Change, Point, Tasting, TermCourse, age};
use blindsteep::findings::{Answer, Settings};
use rayon::prelude::*;

/// Bytes of stack of each worker.
const STACK: usize = 64 << 20;

/// Hits among trials, with the bias and the mean half-width.
#[derive(Debug, Clone, Default)]
struct Tally {
    n: u64,
    covered: u64,
    found: u64,
    error: f64,
    half: f64,
    truth: f64,
    /// Coverage seed by seed: what lies in one seed hangs together.
    by_seed: Vec<f64>,
}

impl Tally {
    fn add(&mut self, value: f64, lower: f64, upper: f64, p: f64, truth: f64) {
        self.n += 1;
        self.covered += u64::from(lower <= truth && truth <= upper);
        self.found += u64::from(p < 0.05);
        self.error += value - truth;
        self.half += 0.5 * (upper - lower);
        self.truth += truth;
    }

    fn merge(&mut self, other: &Self) {
        self.n += other.n;
        self.covered += other.covered;
        self.found += other.found;
        self.error += other.error;
        self.half += other.half;
        self.truth += other.truth;
        self.by_seed.extend(&other.by_seed);
    }
}

const HEAD: &str = "# What was planted, and what was found

Made by `cargo bench --profile release --bench planted -- SEEDS`: the invented garden under many
seeds, asked as `age` asks, each interval compared with what was planted (`link` has its own report).
The truth is in the estimand that is printed: the mean that the garden's six tasters write (habits,
swaps, rounding to halves and the ends of the scale counted in).

*coverage*: how often the 95 % interval holds the truth; *luck*: how far 99 of 100 such means over
seeds stray from .95 by themselves (samples of one seed hang together and count as one trial);
*above*, *below*: further than that.

* A **corrected change** and a **slope** should hold. A **raw change** is compared with the tea's
  own change on purpose: the panel's drift (-.02 a month for all, -.05 more for one) is in it, and
  its intervals must fail.
* **Arms** lie above: the model lets each taster see each arm in a way of their own; the garden's
  tasters see both arms of a lot alike. Wider than need be, not narrower.";

type Tallies = BTreeMap<(String, String, String), Tally>;

fn main() {
    // Work that is stolen while a worker waits lies on its stack.
    rayon::ThreadPoolBuilder::new()
        .stack_size(STACK)
        .build_global()
        .expect("no pool was made before");
    let n: u64 = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(200);
    let all: Tallies = (1..=n).into_par_iter().map(one).reduce(Tallies::new, |mut a, b| {
        for (key, tally) in b {
            a.entry(key).or_default().merge(&tally);
        }
        a
    });
    println!("{HEAD}");
    println!("{n} seeds.");
    print(&all);
}

fn term_at(id: &str) -> usize {
    TERMS.iter().position(|t| t.id == id).expect("one of the garden's terms")
}

/// The expected score of a sample in a session, over the flights in which it was served.
fn expected(sample: &str, session: &str, term: usize) -> f64 {
    let served = simulated::served(sample);
    let at = SESSIONS
        .iter()
        .position(|s| simulated::session_name(s.month) == session)
        .expect("one of the garden's sessions");
    let flights: Vec<usize> = (0..SESSIONS[at].flights.len())
        .filter(|f| served.0 == 0 || SESSIONS[at].flights[*f].contains(&served))
        .collect();
    flights.iter().map(|f| simulated::expected(served, term, at, *f)).sum::<f64>()
        / flights.len() as f64
}

/// The same less the reference's.
fn beside_reference(sample: &str, session: &str, term: usize) -> f64 {
    expected(sample, session, term) - expected("REF", session, term)
}

fn one(seed: u64) -> Tallies {
    let settings = Settings::default();
    let scores = simulated::scores(seed);
    let mut tallies = Tallies::new();
    count_ageing(&age(&scores, &simulated::times(), &settings), &mut tallies);
    for t in tallies.values_mut() {
        t.by_seed.push(t.covered as f64 / t.n as f64);
    }
    tallies
}

fn count(tallies: &mut Tallies, key: (&str, &str, &str), c: &Answer<Change>, truth: f64) {
    if let Answer::Known(c) = c {
        let key = (key.0.to_owned(), key.1.to_owned(), key.2.to_owned());
        tallies.entry(key).or_default().add(c.value, c.lower, c.upper, c.p_value, truth);
    }
}

fn count_ageing(found: &Age, tallies: &mut Tallies) {
    for s in &found.samples {
        let pooled: Vec<_> = s.tastings.iter().filter(|t| t.pooled.known().is_some()).collect();
        let (Some(first), Some(last)) = (pooled.first(), pooled.last()) else { continue };
        if pooled.len() < 2 {
            continue;
        }
        for t in &s.terms {
            let term = term_at(&t.term);
            let truth = beside_reference(&last.sample, &last.session, term)
                - beside_reference(&first.sample, &first.session, term);
            count(tallies, ("1 corrected change", &t.term, ""), &t.last_change, truth);
            count(tallies, ("2 raw change", &t.term, ""), &t.last_change_raw, truth);
            bands(t, term, &s.tastings, tallies);
            let drift =
                expected("REF", &last.session, term) - expected("REF", &first.session, term);
            count(tallies, ("5 drift taken off", &t.term, ""), &t.panel_drift, drift);
            let months: Vec<f64> = pooled.iter().map(|p| p.month).collect();
            let mean = months.iter().sum::<f64>() / months.len() as f64;
            let spread: f64 = months.iter().map(|m| (m - mean).powi(2)).sum();
            let slope: f64 = pooled
                .iter()
                .map(|p| (p.month - mean) * beside_reference(&p.sample, &p.session, term))
                .sum::<f64>()
                / spread;
            count(tallies, ("3 corrected slope a year", &t.term, ""), &t.per_year, 12.0 * slope);
        }
    }
    for t in found.drift.known().into_iter().flatten() {
        let term = term_at(&t.term);
        let (Some(first), Some(last)) = (t.points.first(), t.points.last()) else { continue };
        let at = |p: &Point| expected("REF", &p.session, term);
        count(
            tallies,
            ("6 drift, first to last", &t.term, ""),
            &t.last_change_raw,
            at(last) - at(first),
        );
        let mean = t.points.iter().map(|p| p.month).sum::<f64>() / t.points.len() as f64;
        let spread: f64 = t.points.iter().map(|p| (p.month - mean).powi(2)).sum();
        let slope: f64 = t.points.iter().map(|p| (p.month - mean) * at(p)).sum::<f64>() / spread;
        count(tallies, ("7 drift a year", &t.term, ""), &t.per_year_raw, 12.0 * slope);
    }
    for t in found.shared_drift.known().into_iter().flat_map(|s| &s.terms) {
        let term = term_at(&t.term);
        let drift = found.drift.known().into_iter().flatten().find(|d| d.term == t.term);
        let Some(points) = drift.map(|d| &d.points) else { continue };
        let mean = points.iter().map(|p| p.month).sum::<f64>() / points.len() as f64;
        let spread: f64 = points.iter().map(|p| (p.month - mean).powi(2)).sum();
        let at = |p: &Point| expected("REF", &p.session, term);
        let slope: f64 = points.iter().map(|p| (p.month - mean) * at(p)).sum::<f64>() / spread;
        let key =
            ("8 drift a year, other terms as evidence".to_owned(), t.term.clone(), String::new());
        let c = &t.with_others;
        tallies.entry(key).or_default().add(c.value, c.lower, c.upper, c.p_value, 12.0 * slope);
    }
    for pair in &found.arms {
        for t in &pair.terms {
            let term = term_at(&t.term);
            let differences: Vec<f64> = t
                .sessions
                .iter()
                .filter(|s| s.difference.known().is_some())
                .map(|s| expected(&pair.a, &s.session, term) - expected(&pair.b, &s.session, term))
                .collect();
            let truth = differences.iter().sum::<f64>() / differences.len() as f64;
            count(tallies, ("4 arms within sessions", &t.term, ""), &t.mean, truth);
        }
    }
}

/// The band at each tasting against the planted course, by the form that was chosen; and whether
/// something that does not move is said to have changed.
fn bands(t: &TermCourse, term: usize, tastings: &[Tasting], tallies: &mut Tallies) {
    let truth = |session: &str| {
        let served = tastings.iter().find(|x| x.session == session)?;
        Some(beside_reference(&served.sample, session, term))
    };
    if let Some(fit) = t.fit.known() {
        let form = serde_json::to_string(&fit.chosen).unwrap_or_default();
        for p in t.points.iter().filter(|p| p.pooled) {
            let near = |b: &&BandPoint| (b.month - p.month).abs() < 1e-6;
            let (Some(b), Some(truth)) = (fit.band.iter().find(near), truth(&p.session)) else {
                continue;
            };
            let key = (
                "9 bands at the tastings".to_owned(),
                form.replace('"', ""),
                fit.n_tastings.to_string(),
            );
            tallies.entry(key).or_default().add(b.value, b.lower, b.upper, 1.0, truth);
        }
    }
    // What storage does not move in the garden.
    if TERMS[term].store.is_none() && !matches!(TERMS[term].id, "flat" | "bitter") {
        let alarm = t.first_real.known().is_some();
        let asked = t.points.iter().filter(|p| p.pooled).count() > 1;
        if asked {
            let key =
                ("a false alarms: said to have changed".to_owned(), t.term.clone(), String::new());
            let tally = tallies.entry(key).or_default();
            tally.n += 1;
            tally.found += u64::from(alarm);
            tally.covered += u64::from(!alarm);
        }
    }
}

/// The mean coverage over seeds and how far it may lie from 0.95 by luck in 99 of 100 cases.
fn coverage(t: &Tally) -> (f64, f64) {
    let n = t.by_seed.len() as f64;
    let mean = t.by_seed.iter().sum::<f64>() / n;
    let variance = t.by_seed.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / (n - 1.0);
    // One trial a seed: the binomial's own variance at 0.95.
    let single = t.n == t.by_seed.len() as u64;
    let variance = if single { 0.95 * 0.05 } else { variance };
    (mean, 2.576 * (variance / n).sqrt())
}

fn print(all: &Tallies) {
    let mut group = String::new();
    for ((kind, term, line), t) in all {
        if *kind != group {
            group.clone_from(kind);
            println!("\n## {}\n", &kind[2..]);
            println!(
                "| term | line | n | coverage | luck ± | | mean truth | bias | half-width | p < .05 |"
            );
            println!("|---|---|---|---|---|---|---|---|---|---|");
        }
        let n = t.n as f64;
        let (covered, luck) = coverage(t);
        let verdict = match covered - 0.95 {
            d if d.abs() <= luck => "",
            d if d > 0.0 => "above",
            _ => "**below**",
        };
        println!(
            "| {term} | {line} | {} | {covered:.3} | {luck:.3} | {verdict} | {:+.2} | {:+.3} | {:.2} \
             | {:.3} |",
            t.n,
            t.truth / n,
            t.error / n,
            t.half / n,
            t.found as f64 / n,
        );
    }
}
