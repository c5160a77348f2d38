//! A taster's drift over a record in which the lots of the beginning are not those of the end.

use blindsteep_stats::dist::binomial_at_most;
use blindsteep_stats::rng::{Stream, stream};
use blindsteep_stats::tasters::{HabitLimits, TasterRow, habits};

/// Lots of each session, and its month: stored lots come back, new ones come in.
const SESSIONS: [(f64, &[u32]); 8] = [
    (0.0, &[1, 2, 3, 4]),
    (3.0, &[1, 2, 3, 4]),
    (6.0, &[1, 2, 5, 6]),
    (9.0, &[5, 6, 7, 8]),
    (12.0, &[5, 6, 7, 8]),
    (15.0, &[7, 8, 9, 10]),
    (18.0, &[9, 10, 11, 12]),
    (21.0, &[9, 10, 11, 12]),
];
const N_TERMS: usize = 6;
const N_TASTERS: u32 = 6;

/// Six tasters, the second narrow, none of whom drifts: a month changes nothing beside the tea and
/// what all share. Each has a view of each lot that comes back with it.
fn rows(draws: &mut Stream) -> Vec<Vec<TasterRow>> {
    let mut terms = Vec::new();
    for _ in 0..N_TERMS {
        let lots: Vec<f64> = (0..13).map(|_| draws.normal()).collect();
        let views: Vec<f64> = (0..13 * N_TASTERS).map(|_| 0.4 * draws.normal()).collect();
        let mut rows = Vec::new();
        let mut cup = 0;
        for (session, (month, served)) in SESSIONS.iter().enumerate() {
            let day = 0.15 * draws.normal() - 0.02 * month;
            for lot in *served {
                for _ in 0..2 {
                    let level = lots[*lot as usize] + 0.2 * draws.normal() + day;
                    for taster in 0..N_TASTERS {
                        let (slope, noise) = if taster == 1 { (0.45, 0.35) } else { (1.0, 0.6) };
                        let view = views[(*lot * N_TASTERS + taster) as usize];
                        rows.push(TasterRow {
                            lot: *lot,
                            family: *lot,
                            taster,
                            session: session as u32,
                            flight: session as u32,
                            cup,
                            position: None,
                            month: Some(*month),
                            value: 5.0 + slope * level + view + noise * draws.normal(),
                        });
                    }
                    cup += 1;
                }
            }
        }
        terms.push(rows);
    }
    terms
}

#[test]
fn the_interval_of_a_drift_covers_although_lots_change_with_time() {
    let n = 300;
    let mut hits = [0_u64; N_TASTERS as usize];
    let mut named = 0;
    for i in 0..n {
        let terms = rows(&mut stream(21, i));
        let slices: Vec<&[TasterRow]> = terms.iter().map(Vec::as_slice).collect();
        let found = habits(&slices, &HabitLimits::default(), 0.95).unwrap();
        for (count, t) in hits.iter_mut().zip(&found.tasters) {
            let e = t.drift.estimate.as_ref().unwrap();
            *count += u64::from(e.lower <= 0.0 && 0.0 <= e.upper);
        }
        named += u64::from(found.tasters.iter().any(|t| t.drift.named));
    }
    for (taster, hits) in hits.into_iter().enumerate() {
        assert!(binomial_at_most(hits, n, 0.95) > 1e-4, "taster {taster}: {hits} of {n}");
    }
    assert!(blindsteep_stats::dist::binomial_at_least(named, n, 0.05) > 1e-4, "{named} of {n}");
}
