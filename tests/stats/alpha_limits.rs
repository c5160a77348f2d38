//! Limits of Krippendorff's alpha where the truth was planted.

use blindsteep_stats::alpha::{Drawn, Metric, alpha, alpha_interval};
use blindsteep_stats::rng::{Stream, stream};

/// Scores of lots by observers, each lot in so many units; the variances are of lots, observers, their
/// interaction and the rest; at last cut into levels if asked.
struct World {
    shape: (usize, usize, usize),
    variances: [f64; 4],
    cuts: &'static [f64],
}

impl World {
    fn table(&self, draws: &mut Stream) -> (Vec<Vec<Option<f64>>>, Vec<u32>) {
        let (n_lots, n_observers, times) = self.shape;
        let sd = self.variances.map(f64::sqrt);
        let mut some =
            |n: usize, sd: f64| -> Vec<f64> { (0..n).map(|_| sd * draws.normal()).collect() };
        let (lots, who) = (some(n_lots, sd[0]), some(n_observers, sd[1]));
        let cells = some(n_lots * n_observers, sd[2]);
        let noise = some(n_lots * times * n_observers, sd[3]);
        let value = |u: usize, o: usize| {
            let lot = u / times;
            let hidden =
                lots[lot] + who[o] + cells[lot * n_observers + o] + noise[u * n_observers + o];
            if self.cuts.is_empty() {
                hidden
            } else {
                self.cuts.iter().filter(|c| **c < hidden).count() as f64
            }
        };
        let units = 0..n_lots * times;
        let table = units.clone().map(|u| (0..n_observers).map(|o| Some(value(u, o))).collect());
        (table.collect(), units.map(|u| (u / times) as u32).collect())
    }

    /// Alpha of endless lots and observers: exact for uncut scores, else of a very large table.
    fn truth(&self, metric: Metric) -> f64 {
        if self.cuts.is_empty() {
            return self.variances[0] / self.variances.iter().sum::<f64>();
        }
        let large = World { shape: (1500, 150, 1), ..*self };
        alpha(&large.table(&mut stream(1, 0)).0, metric).unwrap().value
    }

    fn coverage(&self, metric: Metric, n_tables: u64, n_resamples: usize) -> [f64; 3] {
        let truth = self.truth(metric);
        let mut counts = [0.0; 3];
        let mut n = 0.0;
        for at in 0..n_tables {
            let (units, lots) = self.table(&mut stream(79, at));
            let both = Drawn::LotsAndObservers;
            let Ok(got) = alpha_interval(&units, &lots, metric, both, (0.95, n_resamples, at))
            else {
                continue;
            };
            n += 1.0;
            counts[if got.upper < truth {
                1
            } else if got.lower > truth {
                2
            } else {
                0
            }] += 1.0;
        }
        counts.map(|c| c / n)
    }
}

// 300 tables: below 0.91 would be more than three binomial standard errors (.0126) under .95.
#[test]
fn limits_hold_what_was_planted() {
    let scores = World { shape: (6, 6, 2), variances: [1.0, 0.5, 0.3, 1.0], cuts: &[] };
    let ticks = World { cuts: &[0.3], ..scores };
    for (world, metric) in [(scores, Metric::Interval), (ticks, Metric::Nominal)] {
        let [held, low, high] = world.coverage(metric, 300, 400);
        assert!(held > 0.91, "{metric:?}: {held} {low} {high}");
    }
}

/// Prints the coverage that the documentation states.
#[test]
#[ignore = "slow; run it when the limits change"]
fn coverage_of_many_tables() {
    for (shape, variances, cuts, metric) in [
        ((6, 4, 1), [1.0, 0.5, 0.3, 1.0], &[][..], Metric::Interval),
        ((6, 6, 2), [1.0, 0.5, 0.3, 1.0], &[], Metric::Interval),
        ((6, 6, 2), [0.1, 0.5, 0.3, 1.0], &[], Metric::Interval),
        ((6, 6, 2), [1.0, 0.0, 0.0, 1.0], &[], Metric::Interval),
        ((12, 6, 2), [1.0, 0.5, 0.3, 1.0], &[], Metric::Interval),
        ((30, 12, 1), [1.0, 0.5, 0.3, 1.0], &[], Metric::Interval),
        ((6, 6, 2), [1.0, 0.5, 0.3, 1.0], &[-1.0, 0.0, 1.5], Metric::Ordinal),
        ((12, 6, 2), [1.0, 0.5, 0.3, 1.0], &[-1.0, 0.0, 1.5], Metric::Ordinal),
        ((6, 6, 2), [1.0, 0.5, 0.3, 1.0], &[0.3], Metric::Nominal),
        ((12, 6, 2), [1.0, 0.5, 0.3, 1.0], &[1.5], Metric::Nominal),
    ] {
        let world = World { shape, variances, cuts };
        let [held, low, high] = world.coverage(metric, 1500, 1000);
        println!(
            "{shape:?} {variances:?} {cuts:?} {metric:?}: {held:.3}, too low {low:.3}, too high {high:.3}"
        );
        assert!(held > 0.88, "{held}");
    }
}

// With these observers only, the truth is alpha of endless lots: the observers' offsets stay.
#[test]
#[ignore = "slow; run it when the limits change"]
fn coverage_for_these_observers() {
    for (n_lots, n_observers, times) in [(6, 2, 2), (6, 3, 2), (12, 3, 2), (25, 3, 2)] {
        let (mut held, n) = (0.0, 1500);
        for at in 0..n {
            let mut draws = stream(80, at);
            let who: Vec<f64> = (0..n_observers).map(|_| 0.5_f64.sqrt() * draws.normal()).collect();
            let mut apart = 0.0;
            for a in &who {
                for b in &who {
                    apart += (a - b).powi(2);
                }
            }
            let j = n_observers as f64;
            let (within, rest) = (apart / (j * (j - 1.0)), 2.0 * (0.3 + 1.0));
            let truth = 1.0 - (within + rest) / (apart / (j * j) + rest + 2.0);
            let table = World {
                shape: (n_lots, n_observers, times),
                variances: [1.0, 0.0, 0.3, 1.0],
                cuts: &[],
            };
            let (mut units, lots) = table.table(&mut draws);
            for unit in &mut units {
                for (v, offset) in unit.iter_mut().zip(&who) {
                    *v = v.map(|v| v + offset);
                }
            }
            let got =
                alpha_interval(&units, &lots, Metric::Interval, Drawn::Lots, (0.95, 1000, at))
                    .unwrap();
            held += f64::from(u8::from(got.lower <= truth && truth <= got.upper)) / n as f64;
        }
        println!("{n_lots} lots, these {n_observers} observers, {times} times: {held:.3}");
        assert!(held > 0.7, "{held}");
    }
}
