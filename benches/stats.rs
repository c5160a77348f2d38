//! How long the kernels of the statistics take: `cargo bench -p blindsteep-stats`.

use blindsteep_stats::alpha::{Metric, alpha, alpha_interval};
use blindsteep_stats::kendall::{chance_level, kendall_w, permutation_p};
use blindsteep_stats::rng::stream;
use divan::{Bencher, black_box};

fn main() {
    divan::main();
}

/// Random half-point scores of 0 to 10, one row a lot and one column a taster.
fn scores(n_lots: usize, n_tasters: usize) -> Vec<Vec<f64>> {
    let mut draws = stream(1, 0);
    (0..n_lots).map(|_| (0..n_tasters).map(|_| draws.below(21) as f64 / 2.0).collect()).collect()
}

#[divan::bench(args = [Metric::Nominal, Metric::Ordinal, Metric::Interval, Metric::Ratio])]
fn alpha_of_120_cups_by_6(bencher: Bencher, metric: Metric) {
    let units: Vec<Vec<Option<f64>>> =
        scores(120, 6).iter().map(|r| r.iter().map(|v| Some(*v)).collect()).collect();
    bencher.bench(|| alpha(black_box(&units), metric));
}

#[divan::bench(sample_count = 20)]
fn alpha_interval_2000_resamples(bencher: Bencher) {
    let units: Vec<Vec<Option<f64>>> =
        scores(120, 6).iter().map(|r| r.iter().map(|v| Some(*v)).collect()).collect();
    bencher.bench(|| alpha_interval(black_box(&units), Metric::Interval, 0.95, 2000, 1));
}

#[divan::bench]
fn kendall_w_of_16_lots_by_6(bencher: Bencher) {
    let lots = scores(16, 6);
    bencher.bench(|| kendall_w(black_box(&lots)));
}

#[divan::bench(sample_count = 20)]
fn kendall_exact_p_of_6_lots_by_4(bencher: Bencher) {
    let lots = scores(6, 4);
    bencher.bench(|| permutation_p(black_box(&lots), 1000, 1));
}

#[divan::bench(sample_count = 20)]
fn kendall_chance_level_10000(bencher: Bencher) {
    let lots = scores(16, 6);
    bencher.bench(|| chance_level(black_box(&lots), 10_000, 1));
}
