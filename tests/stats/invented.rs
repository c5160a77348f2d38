//! Invented panels with known habits, to see whether they are found: ten sessions of two
//! flights, four lots with one duplicate and a reference in each, six tasters, twelve line
//! terms. All of it is invented; a test judges by how often a habit is named.

use blindsteep_stats::rng::{Stream, stream};
use blindsteep_stats::tasters::TasterRow;

pub const BITTER: usize = 4;
pub const ASTRINGENT: usize = 3;
pub const N_TERMS: usize = 12;

/// How a taster scores.
#[derive(Clone, Copy)]
pub struct Habit {
    pub offset: f64,
    pub slope: f64,
    pub noise: f64,
    pub drift: f64,
    pub swaps: bool,
    pub absent: f64,
}

pub const SOUND: Habit =
    Habit { offset: 0.0, slope: 1.0, noise: 0.6, drift: 0.0, swaps: false, absent: 0.0 };

/// Sound, narrow, high, noisy, swapping, and drifting with absences.
pub fn six_habits() -> [Habit; 6] {
    [
        SOUND,
        Habit { slope: 0.45, noise: 0.35, ..SOUND },
        Habit { offset: 1.3, ..SOUND },
        Habit { noise: 1.7, ..SOUND },
        Habit { swaps: true, ..SOUND },
        Habit { offset: -0.2, noise: 0.7, drift: -0.05, absent: 0.3, ..SOUND },
    ]
}

// Base, and effects of wither, oxidation, its square, temperature, rolling, drying, season.
const TERMS: [[f64; 8]; N_TERMS] = [
    [6.0, -0.2, -0.8, -0.3, -0.5, 0.0, 0.0, 0.0],
    [5.2, -0.5, -0.7, 0.0, 0.0, 0.0, 0.0, 0.2],
    [5.0, -0.2, 0.7, 0.0, 0.0, 0.5, 0.0, 0.0],
    [4.8, -0.3, -0.8, 0.0, 0.0, 0.4, 0.0, 0.0],
    [3.4, 0.0, -0.2, 0.0, 0.0, 0.3, 0.0, -0.4],
    [4.2, 0.4, 0.6, 0.0, 0.0, 0.0, 0.3, 0.0],
    [4.4, 0.9, 0.0, -0.4, -0.3, 0.0, 0.0, 0.4],
    [3.6, 0.0, 0.6, 0.0, 0.0, 0.0, -0.8, 0.0],
    [3.0, -0.6, -0.8, 0.0, 0.0, 0.0, 0.0, 0.0],
    [2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.6, 0.0],
    [1.8, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    [2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
];

// Season, wither, oxidation hours, temperature, rolling, drying.
const LOTS: [[f64; 6]; 16] = [
    [1.0, -1.0, 1.75, 21.1, -1.0, 1.0],
    [1.0, -1.0, 5.0, 21.8, 1.0, 1.0],
    [1.0, 1.0, 1.75, 22.0, 1.0, 1.0],
    [1.0, 1.0, 5.0, 21.2, -1.0, 1.0],
    [-1.0, -1.0, 1.75, 26.1, 1.0, 0.0],
    [-1.0, -1.0, 5.0, 26.8, -1.0, 0.0],
    [-1.0, 1.0, 1.75, 27.0, -1.0, 0.0],
    [-1.0, 1.0, 5.0, 26.2, 1.0, 0.0],
    [1.0, -1.0, 1.75, 21.6, 1.0, 1.0],
    [1.0, -1.0, 5.0, 22.3, -1.0, 1.0],
    [1.0, 1.0, 1.75, 22.5, -1.0, 0.0],
    [1.0, 1.0, 5.0, 21.7, 1.0, 1.0],
    [-1.0, -1.0, 1.75, 25.6, -1.0, 0.0],
    [-1.0, -1.0, 5.0, 26.3, 1.0, 1.0],
    [-1.0, 1.0, 1.75, 26.5, 1.0, 0.0],
    [-1.0, 1.0, 5.0, 25.7, -1.0, 0.0],
];

const REFERENCE: usize = 16;

fn true_cups(draws: &mut Stream) -> Vec<[f64; N_TERMS]> {
    let mut cups: Vec<[f64; N_TERMS]> = LOTS
        .iter()
        .map(|&[season, wither, hours, temperature, rolling, drying]| {
            let x = (hours * 2_f64.powf((temperature - 25.0) / 10.0) / 3.0).log2();
            let t5 = (temperature - 24.0) / 5.0;
            let by = [1.0, wither, x, x * x, t5, rolling, drying, season];
            TERMS.map(|effects| {
                let made: f64 = effects.iter().zip(by).map(|(e, b)| e * b).sum();
                made + 0.25 * draws.normal()
            })
        })
        .collect();
    cups.push(TERMS.map(|effects| effects[0]));
    cups
}

/// The rows of each term. Lots are 0 to 15 and the reference 16; codes of tasters are their
/// places in `panel`.
pub fn panel_rows(panel: &[Habit], n_sessions: usize, seed: u64) -> Vec<Vec<TasterRow>> {
    let mut draws = stream(seed, 0);
    let truth = true_cups(&mut draws);
    let liking: Vec<Vec<[f64; N_TERMS]>> = panel
        .iter()
        .map(|_| (0..=REFERENCE).map(|_| [0.0; N_TERMS].map(|_| 0.3 * draws.normal())).collect())
        .collect();
    let mut rows = vec![Vec::new(); N_TERMS];
    let mut cup_code = 0;
    for session in 0..n_sessions {
        let month = 2.4 * session as f64;
        let day = [0.0; N_TERMS].map(|_| 0.15 * draws.normal());
        let present: Vec<bool> = panel.iter().map(|h| draws.uniform() >= h.absent).collect();
        for flight in 0..2 {
            let first = 4 * (session % 4);
            let served = [first, first + 1, first + 2, first + 3, first, REFERENCE];
            let cups: Vec<[f64; N_TERMS]> = served
                .iter()
                .map(|&lot| {
                    let mut cup = truth[lot];
                    cup.iter_mut().for_each(|v| *v += 0.2 * draws.normal());
                    cup
                })
                .collect();
            let flight_mean = cups.iter().map(|c| c[ASTRINGENT]).sum::<f64>() / 6.0;
            for (t, habit) in panel.iter().enumerate() {
                let mut order: Vec<usize> = (0..6).collect();
                draws.shuffle(&mut order);
                for (position, &at) in order.iter().enumerate() {
                    for term in 0..N_TERMS {
                        let meant = match (habit.swaps, term) {
                            (true, BITTER) => ASTRINGENT,
                            (true, ASTRINGENT) => BITTER,
                            _ => term,
                        };
                        let mut value = cups[at][meant] + day[term] - 0.02 * month;
                        if term == ASTRINGENT {
                            value += match position {
                                0 => 0.4,
                                _ => -0.1 * (cups[order[position - 1]][term] - flight_mean),
                            };
                        }
                        let base = TERMS[term][0];
                        value = base + habit.offset + habit.slope * (value - base);
                        value += habit.drift * month + liking[t][served[at]][term];
                        value += habit.noise * draws.normal();
                        if present[t] {
                            rows[term].push(TasterRow {
                                lot: served[at] as u32,
                                family: served[at] as u32,
                                taster: t as u32,
                                session: session as u32,
                                flight: (2 * session + flight) as u32,
                                cup: (cup_code + at) as u32,
                                position: Some(position as u32 + 1),
                                month: Some(month),
                                value: ((value * 2.0).round() / 2.0).clamp(0.0, 10.0),
                            });
                        }
                    }
                }
            }
            cup_code += 6;
        }
    }
    rows
}
