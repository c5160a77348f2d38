//! Panels with planted truth: numbers only, so that the statistics' own tests draw them as well.

use blindsteep_stats::dist::normal_cdf;
use blindsteep_stats::rng::Stream;

/// How one taster scores.
#[derive(Debug, Clone, Copy)]
pub struct Habit {
    /// Added to every score.
    pub offset: f64,
    /// Points to one point of the truth, about the middle.
    pub slope: f64,
    /// Standard deviation of one score.
    pub noise: f64,
}

/// A panel and what is planted in it. Standard deviations are in points of a scale of 0 to 10.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    /// Lots, tasters, and how often each tastes each lot.
    pub shape: (usize, usize, usize),
    /// Standard deviation of the lots' levels; 0 makes them alike.
    pub spread: f64,
    /// Whether the lots' levels are drawn anew in each panel, not equally far apart.
    pub lots_drawn: bool,
    /// The level of a middling lot.
    pub middle: f64,
    /// Between tasters.
    pub offset: f64,
    /// Between the tasters' slopes.
    pub slope: f64,
    /// Between a taster's own views of the lots.
    pub view: f64,
    /// Between pots.
    pub pot: f64,
    /// Whether the replicates come from one pot.
    pub one_pot: bool,
    /// Between flights; each replicate is a flight.
    pub flight: f64,
    /// Of one score.
    pub noise: f64,
    /// The first taster, if that one has a habit.
    pub first: Option<Habit>,
    /// Chance of a taster to miss a flight.
    pub absent: f64,
    /// Whether scores are rounded to halves and kept between 0 and 10.
    pub halves: bool,
}

/// A session of five tasters, six lots, two cups of each: all variances well above 0.
pub const SESSION: Plan = Plan {
    shape: (6, 5, 2),
    spread: 0.0,
    lots_drawn: false,
    middle: 5.0,
    offset: 0.8,
    slope: 0.0,
    view: 0.8,
    pot: 0.0,
    one_pot: false,
    flight: 0.0,
    noise: 0.6,
    first: None,
    absent: 0.0,
    halves: false,
};

/// One score.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    pub lot: usize,
    pub taster: usize,
    pub replicate: usize,
    pub pot: usize,
    pub value: f64,
}

/// A drawn panel.
#[derive(Debug, Clone)]
pub struct Drawn {
    pub rows: Vec<Row>,
    /// What the panel writes of each lot on average, over everything random but these lots (and
    /// the habit that was planted).
    pub lots: Vec<f64>,
    /// The variance of the offsets that these tasters have, with the planted habit.
    pub offsets: f64,
}

/// Draws a panel.
pub fn draw(plan: &Plan, draws: &mut Stream) -> Drawn {
    let (n_lots, n_tasters, n_replicates) = plan.shape;
    let levels = levels(plan, draws);
    let habits: Vec<Habit> = (0..n_tasters)
        .map(|t| match (t, plan.first) {
            (0, Some(habit)) => habit,
            _ => Habit {
                offset: plan.offset * draws.normal(),
                slope: 1.0 + plan.slope * draws.normal(),
                noise: plan.noise,
            },
        })
        .collect();
    let mut table = |sd: f64, n: usize, m: usize| -> Vec<Vec<f64>> {
        (0..n).map(|_| (0..m).map(|_| sd * draws.normal()).collect()).collect()
    };
    let views = table(plan.view, n_lots, n_tasters);
    let pots = table(plan.pot, n_lots, n_replicates);
    let flights = table(plan.flight, 1, n_replicates);
    let mut rows = Vec::new();
    for (replicate, flight) in flights[0].iter().enumerate() {
        for (taster, habit) in habits.iter().enumerate() {
            if plan.absent > 0.0 && draws.uniform() < plan.absent {
                continue;
            }
            for (lot, level) in levels.iter().enumerate() {
                let pot = if plan.one_pot { 0 } else { replicate };
                let cup = level - plan.middle + pots[lot][pot] + flight;
                let felt = habit.offset + habit.slope * cup + views[lot][taster];
                let value = plan.middle + felt + habit.noise * draws.normal();
                rows.push(Row { lot, taster, replicate, pot, value: written(plan, value) });
            }
        }
    }
    let mean = habits.iter().map(|h| h.offset).sum::<f64>() / n_tasters as f64;
    let squares: f64 = habits.iter().map(|h| (h.offset - mean).powi(2)).sum();
    let lots = levels.iter().map(|l| on_average(plan, *l)).collect();
    Drawn { rows, lots, offsets: squares / (n_tasters as f64 - 1.0) }
}

fn levels(plan: &Plan, draws: &mut Stream) -> Vec<f64> {
    let n = plan.shape.0;
    if plan.lots_drawn {
        return (0..n).map(|_| plan.middle + plan.spread * draws.normal()).collect();
    }
    // Equally far apart: the variance of 0, 1, … n − 1 is (n² − 1)/12.
    let sd = ((n * n - 1) as f64 / 12.0).sqrt();
    (0..n).map(|i| plan.middle + plan.spread * (i as f64 - (n - 1) as f64 / 2.0) / sd).collect()
}

fn written(plan: &Plan, value: f64) -> f64 {
    if plan.halves { ((2.0 * value).round() / 2.0).clamp(0.0, 10.0) } else { value }
}

/// The mean of what the tasters write of a lot.
fn on_average(plan: &Plan, level: f64) -> f64 {
    let others = Habit { offset: 0.0, slope: 1.0, noise: plan.noise };
    let of = |habit: Habit, offset_sd: f64| {
        let cup = level - plan.middle;
        let mean = plan.middle + habit.offset + habit.slope * cup;
        if !plan.halves {
            return mean;
        }
        let cups = plan.pot.powi(2) + plan.flight.powi(2);
        let sd = (offset_sd.powi(2)
            + (plan.slope * cup).powi(2)
            + habit.slope.powi(2) * cups
            + plan.view.powi(2)
            + habit.noise.powi(2))
        .sqrt();
        // E = half a point times the sum over the steps of the chance to lie above each.
        (0..20).map(|i| 0.5 * (1.0 - normal_cdf((0.5 * f64::from(i) + 0.25 - mean) / sd))).sum()
    };
    let n = plan.shape.1 as f64;
    match plan.first {
        Some(habit) => (of(habit, 0.0) + (n - 1.0) * of(others, plan.offset)) / n,
        None => of(others, plan.offset),
    }
}
