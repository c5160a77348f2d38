//! The map of the lots: how often a lot's region holds its true place, beside what the program itself
//! measures of its regions and prints.

use blindsteep::findings::Settings;
use blindsteep::findings::against::Wish;
use blindsteep::findings::compare::compare;
use blindsteep_stats::rng::stream;

use crate::draw::{Drawn, Plan, SESSION, draw};
use crate::table::{Columns, scores};
use crate::tally::{Limit, Tally};

const TERMS: [&str; 5] = ["t0", "t1", "t2", "t3", "t4"];
const GROUP: &str = "11 The map: how often 95 % regions hold the true place of a lot";

/// Asks each case with one draw.
pub fn one(draw_number: u64, seed: u64) -> Tally {
    let mut tally = Tally::default();
    let session = Plan { spread: 1.2, lots_drawn: true, ..SESSION };
    let cases = [
        ("6 lots, 5 tasters, 2 cups, five terms", session),
        ("12 lots, 8 tasters, 2 cups, five terms", Plan { shape: (12, 8, 2), ..session }),
    ];
    for (at, (case, plan)) in cases.into_iter().enumerate() {
        let mut draws = stream(seed + 2000 + at as u64, draw_number);
        let drawn: Vec<Drawn> = TERMS.iter().map(|_| draw(&plan, &mut draws)).collect();
        let named: Vec<(&str, &Drawn)> = TERMS.into_iter().zip(&drawn).collect();
        let table = scores(&named, Columns { flight: false, brew: false });
        let settings = Settings { seed: draw_number, n_resamples: 300, ..Settings::default() };
        let found = compare(&table, &Wish::default(), &settings);
        let Some(map) = found.map.known() else { continue };
        if map.weighing != "points" {
            continue;
        }
        // The true place: what the lot truly lies off the mean of all lots, along the directions found.
        let along = |lot: usize, loading: fn(&(f64, f64)) -> f64| -> f64 {
            let of = |arrow: &blindsteep::findings::lot_map::MapArrow| {
                let term = TERMS.iter().position(|t| *t == arrow.term).unwrap_or(0);
                let lots = &drawn[term].lots;
                let mean = lots.iter().sum::<f64>() / lots.len() as f64;
                (lots[lot] - mean) * loading(&(arrow.x, arrow.y))
            };
            map.arrows.iter().map(of).sum()
        };
        let (mut n, mut held) = (0.0, 0.0);
        for point in &map.points {
            let Some(region) = point.region.known() else { continue };
            let lot: usize = point.lot[1..].parse().expect("lots are called by their place");
            let (dx, dy) = (along(lot, |a| a.0) - point.x, along(lot, |a| a.1) - point.y);
            let (sin, cos) = region.angle.sin_cos();
            let part = |d: f64, half: f64| (d / half).powi(2);
            let far =
                part(cos * dx + sin * dy, region.long) + part(cos * dy - sin * dx, region.short);
            n += 1.0;
            held += f64::from(u8::from(far <= 1.0));
        }
        if n > 0.0 {
            tally.add((GROUP, case, "a lot's region"), held / n, Limit::Printed);
        }
        if let Some(own) = map.measured_coverage.known() {
            tally.add((GROUP, case, "what the program says of it"), *own, Limit::Printed);
        }
    }
    tally
}
