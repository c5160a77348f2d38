//! The taster model: offsets, slopes and noises found together, and lots' means corrected.

use blindsteep_stats::rng::{Stream, stream};
use blindsteep_stats::tasters::{JointModel, NotEstimated, TasterRow, joint_model};

use crate::cases::{close, table};

const SLOPES: [f64; 6] = [0.5, 0.8, 1.0, 1.1, 1.3, 1.3];
const OFFSETS: [f64; 6] = [0.0, 1.0, -0.5, 0.3, -0.8, 0.0];
const NOISES: [f64; 6] = [0.5, 0.6, 0.7, 0.8, 1.0, 1.5];

struct Drawn {
    rows: Vec<TasterRow>,
    lots: Vec<f64>,
}

fn draw(n_lots: usize, n_repeats: usize, disagreement: f64, draws: &mut Stream) -> Drawn {
    let lots: Vec<f64> = (0..n_lots).map(|_| draws.normal()).collect();
    let mut rows = Vec::new();
    for (lot, v) in lots.iter().enumerate() {
        for t in 0..6 {
            let view = disagreement * draws.normal();
            for repeat in 0..n_repeats {
                rows.push(TasterRow {
                    lot: lot as u32,
                    family: lot as u32,
                    taster: t as u32,
                    session: 0,
                    flight: repeat as u32,
                    cup: (n_repeats * lot + repeat) as u32,
                    position: None,
                    month: None,
                    value: 5.0 + OFFSETS[t] + SLOPES[t] * v + view + NOISES[t] * draws.normal(),
                });
            }
        }
    }
    Drawn { rows, lots }
}

fn model(rows: &[TasterRow]) -> JointModel {
    joint_model(rows, 0.95).unwrap().unwrap()
}

/// Minus twice the log-likelihood and what is added to it, from the dense covariance of all
/// scores of each lot.
fn dense(rows: &[TasterRow], m: &JointModel, change: (usize, usize, f64)) -> (f64, f64) {
    let of = |t: u32| m.tasters.iter().position(|x| x.taster == t).unwrap();
    let moved =
        |i: usize, which: usize| if (i, which) == (change.0, change.1) { change.2 } else { 0.0 };
    let line = |t: u32| {
        let i = of(t);
        let x = &m.tasters[i];
        let level = m.level + x.offset.as_ref().unwrap().value + moved(i, 0);
        let noise = x.noise.as_ref().unwrap().value.powi(2) * moved(i, 2).exp();
        (level, x.slope.as_ref().unwrap().value + moved(i, 1), noise)
    };
    let disagreement = m.disagreement_sd.map_or(0.0, |s| s * s);
    let mut lots: Vec<u32> = rows.iter().map(|r| r.lot).collect();
    lots.dedup();
    let mut minus2 = 0.0;
    for lot in lots {
        let own: Vec<&TasterRow> = rows.iter().filter(|r| r.lot == lot).collect();
        let n = own.len();
        let mut v = vec![vec![0.0; n]; n];
        let mut y = vec![0.0; n];
        for i in 0..n {
            let (a, b, s2) = line(own[i].taster);
            y[i] = own[i].value - a;
            for j in 0..n {
                v[i][j] = b * line(own[j].taster).1 * m.lot_sd * m.lot_sd;
                if own[i].taster == own[j].taster {
                    v[i][j] += disagreement;
                }
            }
            v[i][i] += s2;
        }
        // Elimination gives the determinant and the weighted square at once.
        for i in 0..n {
            minus2 += v[i][i].ln() + y[i] * y[i] / v[i][i] + (2.0 * std::f64::consts::PI).ln();
            for j in i + 1..n {
                let factor = v[j][i] / v[i][i];
                y[j] -= factor * y[i];
                let (above, below) = v.split_at_mut(j);
                for (x, y) in below[0].iter_mut().zip(&above[i]).skip(i) {
                    *x -= factor * y;
                }
            }
        }
    }
    let noise: Vec<f64> = m.tasters.iter().map(|x| line(x.taster).2).collect();
    let s2 = noise.len() as f64 / noise.iter().map(|x| 1.0 / x).sum::<f64>();
    let added = 2.0 * noise.iter().map(|x| (x / s2).ln() + s2 / x - 1.0).sum::<f64>();
    (minus2, added)
}

// A second route: the likelihood from dense matrices; no published fit of this model is at hand.
#[test]
fn the_likelihood_is_that_of_the_dense_covariance_and_nothing_near_is_better() {
    for (repeats, disagreement) in [(2, 0.3), (1, 0.2), (2, 0.0)] {
        let d = draw(10, repeats, disagreement, &mut stream(5, repeats as u64));
        let m = model(&d.rows);
        assert!(m.converged, "{} steps", m.iterations);
        let still = (99, 0, 0.0);
        let (minus2, added) = dense(&d.rows, &m, still);
        close(m.minus2_log_likelihood, minus2, 1e-9, "-2 log L");
        for taster in 0..6 {
            for which in 0..3 {
                for by in [-0.02, 0.02] {
                    let (near, near_added) = dense(&d.rows, &m, (taster, which, by));
                    assert!(near + near_added > minus2 + added, "{taster} {which} {by}");
                }
            }
        }
        let mean: f64 =
            m.tasters.iter().map(|t| t.slope.as_ref().unwrap().value).sum::<f64>() / 6.0;
        close(mean, 1.0, 1e-12, "mean slope");
    }
}

// Planted truth. Limits: each coverage lies within 3.3 standard errors of 95% (slopes and lots
// of one table hang together: one table counts as 2 independent intervals), noises above 95%.
#[test]
fn intervals_cover_what_was_planted() {
    let (mut slopes, mut offsets, mut noises, mut lots) = ([0; 2], [0; 2], [0; 2], [0; 2]);
    let count = |tally: &mut [i32; 2], lower: f64, upper: f64, truth: f64| {
        tally[0] += i32::from(lower <= truth && truth <= upper);
        tally[1] += 1;
    };
    let (n_tables, mut without) = (120, 0);
    for run in 0..n_tables {
        let d = draw(10, 2, 0.3, &mut stream(77, run));
        // Now and then the lots that were drawn lie too close together without their largest.
        let Ok(m) = joint_model(&d.rows, 0.95).unwrap() else {
            without += 1;
            continue;
        };
        for (t, found) in m.tasters.iter().enumerate() {
            let e = found.slope.as_ref().unwrap();
            count(&mut slopes, e.lower, e.upper, SLOPES[t]);
            let e = found.offset.as_ref().unwrap();
            count(&mut offsets, e.lower, e.upper, OFFSETS[t]);
            let e = found.noise.as_ref().unwrap();
            count(&mut noises, e.lower, e.upper, NOISES[t]);
        }
        let centre = d.lots.iter().sum::<f64>() / 10.0;
        for lot in &m.lots {
            let truth = d.lots[lot.lot as usize] - centre;
            count(&mut lots, lot.effect.lower, lot.effect.upper, truth);
        }
    }
    assert!(without <= 4, "{without} tables without an answer");
    let share = |t: [i32; 2]| f64::from(t[0]) / f64::from(t[1]);
    let slack = 3.3 * (0.95 * 0.05 / (2.0 * n_tables as f64)).sqrt();
    for (what, tally) in [("slopes", slopes), ("offsets", offsets), ("lots", lots)] {
        assert!((share(tally) - 0.95).abs() < slack, "{what}: {}", share(tally));
    }
    assert!(share(noises) > 0.95, "noises: {}", share(noises));
}

// The open television panel (tests/data, g04): slopes with the pull of error taken out lie by
// the slopes of the published split (g16), which are ordinary least squares on the panel's own
// means; they order the assessors alike.
#[test]
fn the_television_panel_keeps_the_order_of_its_published_slopes() {
    let data = table("g04_tvbo_balanced.csv");
    let lots = data.text("Product");
    let mut names = lots.clone();
    names.sort_unstable();
    names.dedup();
    let (who, repeats) = (data.numbers("Assessor"), data.numbers("Repeat"));
    for (term, expected) in
        crate::cases::case("g16_mixed_assessor")["expected"].as_object().unwrap()
    {
        let rows: Vec<TasterRow> = data
            .numbers(term)
            .iter()
            .enumerate()
            .map(|(i, &value)| TasterRow {
                lot: names.iter().position(|n| *n == lots[i]).unwrap() as u32,
                family: names.iter().position(|n| *n == lots[i]).unwrap() as u32,
                taster: who[i] as u32,
                session: 0,
                flight: repeats[i] as u32,
                cup: i as u32,
                position: None,
                month: None,
                value,
            })
            .collect();
        let m = model(&rows);
        let published = crate::cases::numbers(&expected["slope"]);
        for (t, slope) in m.tasters.iter().zip(&published) {
            let e = t.slope.as_ref().unwrap();
            assert!(e.lower < *slope && *slope < e.upper, "{term}: {e:?} {slope}");
        }
        let mean = m.lots.iter().map(|l| l.corrected).sum::<f64>() / m.lots.len() as f64;
        let raw = m.lots.iter().map(|l| l.raw).sum::<f64>() / m.lots.len() as f64;
        assert!((mean - raw).abs() < 0.2, "{term}: {mean} {raw}");
    }
}

#[test]
fn what_cannot_be_told_has_its_reason() {
    let few = draw(3, 2, 0.3, &mut stream(1, 0)).rows;
    assert_eq!(joint_model(&few, 0.95).unwrap(), Err(NotEstimated::TooFewLots));
    let mut two = draw(8, 2, 0.3, &mut stream(1, 1)).rows;
    two.retain(|r| r.taster < 2);
    assert_eq!(joint_model(&two, 0.95).unwrap(), Err(NotEstimated::TooFewOthers));
    let mut alike = draw(8, 2, 0.0, &mut stream(1, 2)).rows;
    let mut draws = stream(1, 3);
    alike.iter_mut().for_each(|r| r.value = 5.0 + draws.normal());
    assert_eq!(joint_model(&alike, 0.95).unwrap(), Err(NotEstimated::LotsAlike));
    // Who gives one score to everything takes no part; the others stand.
    let mut flat = draw(8, 2, 0.3, &mut stream(1, 4)).rows;
    flat.iter_mut().filter(|r| r.taster == 5).for_each(|r| r.value = 4.0);
    let m = model(&flat);
    assert_eq!(m.tasters[5].slope, Err(NotEstimated::NoVariation));
    assert!(m.tasters[..5].iter().all(|t| t.slope.is_ok()));
    // A lot tasted by one person keeps its mean, with a wider interval.
    let mut lone = draw(8, 2, 0.3, &mut stream(1, 5)).rows;
    lone.retain(|r| r.lot != 7 || r.taster == 2);
    let m = model(&lone);
    let se = |i: usize| m.lots[i].effect.se;
    assert!(se(7) > 1.3 * se(0), "{} {}", se(7), se(0));
    // Nothing but lines, without noise: no error could be told, so none is printed as 0.
    let mut exact = draw(8, 2, 0.0, &mut stream(1, 6));
    for r in &mut exact.rows {
        let t = r.taster as usize;
        r.value = 5.0 + OFFSETS[t] + SLOPES[t] * exact.lots[r.lot as usize];
    }
    assert_eq!(joint_model(&exact.rows, 0.95).unwrap(), Err(NotEstimated::NoVariation));
}

#[test]
fn sessions_and_absences_leave_the_lots_in_their_place() {
    // Ten lots in three sessions that share some; the sessions' levels differ by two points.
    let mut draws = stream(9, 0);
    let lots: Vec<f64> = (0..10).map(|_| 1.5 * draws.normal()).collect();
    let mut rows = Vec::new();
    for (session, served) in [[0, 1, 2, 3, 4], [3, 4, 5, 6, 7], [6, 7, 8, 9, 0]].iter().enumerate()
    {
        for &lot in served {
            for t in 0..6_usize {
                if (t + session) % 6 == 0 {
                    continue;
                }
                for repeat in 0..2_u32 {
                    rows.push(TasterRow {
                        lot: lot as u32,
                        family: lot as u32,
                        taster: t as u32,
                        session: session as u32,
                        flight: 2 * session as u32 + repeat,
                        cup: (session * 100 + lot) as u32 * 2 + repeat,
                        position: None,
                        month: None,
                        value: 5.0
                            + OFFSETS[t]
                            + SLOPES[t] * (lots[lot] + 2.0 * session as f64)
                            + 0.3 * draws.normal(),
                    });
                }
            }
        }
    }
    let m = model(&rows);
    assert!(m.sessions_adjusted);
    let centre = lots.iter().sum::<f64>() / 10.0;
    for lot in &m.lots {
        let error = lot.effect.value - (lots[lot.lot as usize] - centre);
        assert!(error.abs() < 0.4, "lot {}: {error}", lot.lot);
    }
}
