//! Times of the numerical kernels: `cargo bench -p blindsteep-stats`.

use blindsteep_stats::alpha::{Drawn, Metric, alpha, alpha_interval};
use blindsteep_stats::courses::{Course, from_first};
use blindsteep_stats::icc::{IccComponents, generalised_limits};
use blindsteep_stats::kappa::{Weighting, cohen_kappa};
use blindsteep_stats::kendall::{chance_level, kendall_w, permutation_p};
use blindsteep_stats::mixed::{Factor, Family, FixedPart, Method, Model, RandomTerm};
use blindsteep_stats::ordinal::{self, Integration, Link, OrdinalLayout};
use blindsteep_stats::pls::luck::luck;
use blindsteep_stats::pls::{Folds, Prepared, Scaling, cross_validate};
use blindsteep_stats::range::StudentizedRange;
use blindsteep_stats::rng::stream;
use blindsteep_stats::tasters::{HabitLimits, TasterRow, habits};
use divan::{Bencher, black_box};

fn main() {
    divan::main();
}

/// An invented panel: lots by tasters by replicates, each replicate of a lot one brew in one of
/// two flights, with scores that hold every kind of variation.
struct Panel {
    fixed: FixedPart,
    random: Vec<RandomTerm>,
    y: Vec<f64>,
}

fn panel(n_lots: u32, n_tasters: u32, n_replicates: u32) -> Panel {
    let mut rows = Vec::new();
    for lot in 0..n_lots {
        for replicate in 0..n_replicates {
            for taster in 0..n_tasters {
                // A few cups are lost, so that nothing is balanced.
                if (lot * 7 + replicate * 3 + taster * 5) % 23 != 0 {
                    rows.push((lot, replicate, taster));
                }
            }
        }
    }
    // Scattered numbers without a generator: fractions of multiples of the golden ratio.
    let scatter = |key: u32| (f64::from(key + 1) * 0.618_033_988_749_894_9).fract() - 0.5;
    let y = rows
        .iter()
        .enumerate()
        .map(|(i, &(lot, replicate, taster))| {
            5.0 + f64::from(lot % 4)
                + 2.0 * scatter(taster)
                + 1.5 * scatter(lot * 31 + taster * 17 + 100)
                + scatter(lot * 13 + replicate * 7 + 900)
                + 1.2 * scatter(i as u32 * 29 + 5000)
        })
        .collect();
    let factor = |f: fn(&(u32, u32, u32)) -> u32| Factor::new(rows.iter().map(f).collect());
    let (lot, replicate, taster) = (factor(|r| r.0), factor(|r| r.1), factor(|r| r.2));
    let flight = Factor::new(rows.iter().map(|r| 2 * r.1 + r.0 % 2).collect());
    Panel {
        fixed: FixedPart::cell_means("lot", &lot, &[]),
        random: vec![
            RandomTerm::new("taster", taster.clone()),
            RandomTerm::new("lot by taster", Factor::cross(&lot, &taster)),
            RandomTerm::new("taster by flight", Factor::cross(&taster, &flight)),
            RandomTerm::new("brew", Factor::cross(&lot, &replicate)),
        ],
        y,
    }
}

/// About 200, 1,000 and 5,000 rows.
const PANELS: [(u32, u32, u32); 3] = [(16, 6, 2), (24, 12, 4), (60, 12, 7)];

#[divan::bench(args = PANELS)]
fn mixed_model_layout(bencher: Bencher, (lots, tasters, replicates): (u32, u32, u32)) {
    let panel = panel(lots, tasters, replicates);
    bencher.bench(|| Model::new(black_box(&panel.fixed), &panel.random));
}

#[divan::bench(args = PANELS)]
fn mixed_model_fit(bencher: Bencher, (lots, tasters, replicates): (u32, u32, u32)) {
    let panel = panel(lots, tasters, replicates);
    let model = Model::new(&panel.fixed, &panel.random).expect("the layout is sound");
    bencher.bench(|| model.fit(black_box(&panel.y), Method::Reml));
}

#[divan::bench(args = PANELS)]
fn all_pairs_with_tukey_p(bencher: Bencher, (lots, tasters, replicates): (u32, u32, u32)) {
    let panel = panel(lots, tasters, replicates);
    let model = Model::new(&panel.fixed, &panel.random).expect("the layout is sound");
    let fit = model.fit(&panel.y, Method::Reml).expect("the panel has a fit");
    bencher.bench(|| {
        let range = StudentizedRange::new(lots);
        let p: f64 = fit
            .pairs(0.95)
            .iter()
            .map(|pair| range.sf(pair.difference.t.abs() * 2f64.sqrt(), pair.difference.df))
            .sum();
        p
    });
}

/// An invented record: 25 lots in 10 sessions of 2 or 3 flights, 6 tasters of whom 5 or 6 come, each
/// lot brewed anew in every session that has it, a few served in several: 774 scores or about.
fn record() -> Panel {
    let mut draws = stream(3, 0);
    let sd = |draws: &mut blindsteep_stats::rng::Stream, sd: f64, n: usize| -> Vec<f64> {
        (0..n).map(|_| sd * draws.normal()).collect()
    };
    let (lots, who, cells) =
        (sd(&mut draws, 0.6, 25), sd(&mut draws, 0.7, 6), sd(&mut draws, 0.4, 150));
    let (sessions, flights, pots) =
        (sd(&mut draws, 0.2, 10), sd(&mut draws, 0.2, 30), sd(&mut draws, 0.3, 250));
    let mut rows: Vec<[u32; 5]> = Vec::new();
    let mut y = Vec::new();
    for (session, &level) in sessions.iter().enumerate() {
        let n_flights = if session % 3 == 0 { 3 } else { 2 };
        for cup in 0..12 {
            // The first lot is served in all sessions, others in the next one too.
            let lot = if cup == 0 { 0 } else { (session * 5 / 2 + cup % 5) % 24 + 1 };
            let flight = session * 3 + cup % n_flights;
            let pot = session * 25 + lot;
            for taster in 0..6 {
                if taster != session % 7 {
                    rows.push([lot, taster, session, flight, pot].map(|v| v as u32));
                    y.push(
                        5.0 + lots[lot]
                            + who[taster]
                            + cells[lot * 6 + taster]
                            + level
                            + flights[flight]
                            + pots[pot]
                            + draws.normal(),
                    );
                }
            }
        }
    }
    let factor = |i: usize| Factor::from_labels(&rows.iter().map(|r| r[i]).collect::<Vec<_>>()).0;
    let (lot, taster) = (factor(0), factor(1));
    Panel {
        fixed: FixedPart::intercept(y.len()).with_factor("session", &factor(2), &[]),
        random: vec![
            RandomTerm::new("lot", lot.clone()),
            RandomTerm::new("taster", taster.clone()),
            RandomTerm::new("lot by taster", Factor::cross(&lot, &taster)),
            RandomTerm::new("flight", factor(3)),
            RandomTerm::new("brew", factor(4)),
        ],
        y,
    }
}

#[divan::bench]
fn record_layout(bencher: Bencher) {
    let panel = record();
    bencher.bench(|| Model::new(black_box(&panel.fixed), &panel.random));
}

#[divan::bench]
fn record_fit(bencher: Bencher) {
    let panel = record();
    let model = Model::new(&panel.fixed, &panel.random).expect("the layout is sound");
    bencher.bench(|| model.fit(black_box(&panel.y), Method::Reml));
}

#[divan::bench(sample_count = 20)]
fn record_bootstrap_200(bencher: Bencher) {
    let panel = record();
    let model = Model::new(&panel.fixed, &panel.random).expect("the layout is sound");
    let fit = model.fit(&panel.y, Method::Reml).expect("the record has a fit");
    bencher.bench(|| model.one_step_bootstrap(black_box(&fit), 200, 1));
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

/// Cups by tasters as units with their lots, two cups a lot.
fn cups(n_cups: usize, n_tasters: usize) -> (Vec<Vec<Option<f64>>>, Vec<u32>) {
    let units =
        scores(n_cups, n_tasters).iter().map(|r| r.iter().map(|v| Some(*v)).collect()).collect();
    (units, (0..n_cups as u32).map(|u| u / 2).collect())
}

/// A session: 12 cups by 6 tasters, lots and tasters drawn.
#[divan::bench(sample_count = 20, args = [Metric::Nominal, Metric::Ordinal, Metric::Interval, Metric::Ratio])]
fn alpha_10000_draws_of_a_session(bencher: Bencher, metric: Metric) {
    let (units, lots) = cups(12, 6);
    let draw = (0.95, 10_000, 1);
    bencher
        .bench(|| alpha_interval(black_box(&units), &lots, metric, Drawn::LotsAndObservers, draw));
}

/// How the time of 2,000 draws grows with the cups.
#[divan::bench(sample_count = 20, args = [12, 120, 1200])]
fn alpha_2000_draws_by_cups(bencher: Bencher, n_cups: usize) {
    let (units, lots) = cups(n_cups, 6);
    let draw = (0.95, 2000, 1);
    bencher.bench(|| {
        alpha_interval(black_box(&units), &lots, Metric::Interval, Drawn::LotsAndObservers, draw)
    });
}

#[divan::bench(args = [2, 4, 11])]
fn cohens_kappa_by_categories(bencher: Bencher, k: usize) {
    let mut draws = stream(4, 0);
    let counts: Vec<Vec<u64>> =
        (0..k).map(|_| (0..k).map(|_| draws.below(9) as u64).collect()).collect();
    bencher.bench(|| cohen_kappa(black_box(&counts), &Weighting::Quadratic, 0.95));
}

/// Ordered levels of 6 lots by tasters by 2 scores: lots fixed, tasters and lot by taster random.
#[divan::bench(args = [6, 12, 24])]
fn ordinal_fit_by_tasters(bencher: Bencher, n_tasters: u32) {
    let mut draws = stream(5, 0);
    let n = 6 * n_tasters * 2;
    let lot: Vec<u32> = (0..n).map(|i| i % 6).collect();
    let who: Vec<u32> = (0..n).map(|i| i / 6 % n_tasters).collect();
    let levels: Vec<u32> =
        lot.iter().map(|l| (f64::from(*l) / 3.0 + draws.normal()).clamp(0.0, 3.0) as u32).collect();
    let columns: Vec<Vec<f64>> =
        (1..6).map(|l| lot.iter().map(|c| f64::from(u8::from(*c == l))).collect()).collect();
    let (lot, who) = (Factor::new(lot), Factor::new(who));
    let random = [who.clone(), Factor::cross(&lot, &who)];
    bencher.bench(|| {
        let layout = OrdinalLayout {
            levels: black_box(&levels),
            columns: &columns,
            random: &random,
            offset: &[],
        };
        ordinal::fit(&layout, Link::Logit, Integration::Laplace)
    });
}

/// Limits of the four intraclass correlations of the record, 1,000 draws.
#[divan::bench(sample_count = 20)]
fn record_icc_limits(bencher: Bencher) {
    let panel = record();
    let model = Model::new(&panel.fixed, &panel.random).expect("the layout is sound");
    let fit = model.fit(&panel.y, Method::Reml).expect("the record has a fit");
    bencher.bench(|| {
        let covariance = model.variance_covariance(black_box(&fit)).expect("there is one");
        let mut estimates = vec![fit.sigma2];
        estimates.extend(fit.components.iter().map(|c| c.variance));
        let pick = |v: &[f64]| IccComponents {
            lot: v[1],
            taster: v[2],
            lot_taster: v[3],
            residual: v[0] + v[4] + v[5],
        };
        generalised_limits(&estimates, &covariance, pick, (6, 5.0), (0.95, 1000, 1))
    });
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

#[divan::bench(sample_count = 10)]
fn habits_of_6_tasters_in_12_terms(bencher: Bencher) {
    let terms: Vec<Vec<TasterRow>> = (0..12)
        .map(|term| {
            let mut draws = stream(2, term);
            let mut rows = Vec::new();
            for cup in 0..120_u32 {
                let level = f64::from(cup % 20) / 4.0;
                for taster in 0..6 {
                    rows.push(TasterRow {
                        lot: cup % 20,
                        family: cup % 20,
                        taster,
                        session: cup / 40,
                        flight: cup / 6,
                        cup,
                        position: None,
                        month: Some(f64::from(cup / 40)),
                        value: level + draws.normal(),
                    });
                }
            }
            rows
        })
        .collect();
    let terms: Vec<&[TasterRow]> = terms.iter().map(Vec::as_slice).collect();
    bencher.bench(|| habits(black_box(&terms), &HabitLimits::default(), 0.95));
}

/// 60 rows of 20 columns that move together through two hidden ones, and a response.
fn many() -> (Prepared, Vec<f64>) {
    let mut draws = stream(9, 0);
    let rows: Vec<Vec<f64>> = (0..60)
        .map(|_| {
            let hidden = [draws.normal(), draws.normal()];
            (0..20).map(|j| hidden[j % 2] + 0.7 * draws.normal()).collect()
        })
        .collect();
    let columns: Vec<Vec<f64>> = (0..20).map(|j| rows.iter().map(|r| r[j]).collect()).collect();
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let y = rows.iter().map(|r| r[0] + r[2] + draws.normal()).collect();
    let x = Prepared::new(&columns, &Folds::one_out(60), Scaling::Inside).expect("all vary");
    (x, y)
}

#[divan::bench]
fn pls_each_of_60_rows_left_out_of_20_columns(bencher: Bencher) {
    let (x, y) = many();
    bencher.bench(|| cross_validate(black_box(&x), &y, 6));
}

#[divan::bench(sample_count = 10)]
fn pls_199_orders_of_60_rows_and_20_columns(bencher: Bencher) {
    let (x, y) = many();
    bencher.bench(|| luck(black_box(&x), &y, 6, &[0; 60], 199, 1));
}

/// Ten means a year apart that share a part of their errors and move.
fn ten_years() -> (Vec<f64>, Family) {
    let at: Vec<f64> = (0..10).map(|i| 12.0 * f64::from(i)).collect();
    let mut draws = stream(3, 0);
    let d: Vec<f64> = at.iter().map(|t| 5.0 + 0.03 * t + 0.3 * draws.normal()).collect();
    let v: Vec<Vec<f64>> =
        (0..10).map(|i| (0..10).map(|j| if i == j { 0.14 } else { 0.05 }).collect()).collect();
    let family = Family::scaled(&d, &v, 40.0).expect("a covariance");
    (at, family)
}

#[divan::bench]
fn three_forms_through_ten_means_with_a_band_of_25(bencher: Bencher) {
    let (at, family) = ten_years();
    let ages: Vec<f64> = (0..25).map(|i| 4.5 * f64::from(i)).collect();
    bencher.bench(|| {
        let course = Course::fit(black_box(&at), &family).expect("ten points in time");
        course.values(&ages, 0.95)
    });
}

#[divan::bench]
fn the_first_real_of_nine_changes(bencher: Bencher) {
    let (_, family) = ten_years();
    bencher.bench(|| from_first(black_box(&family), 0.95));
}
