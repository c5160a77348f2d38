//! Courses through means that share their errors: published fits where the errors are plain, what
//! bands, limits and looks ahead hold where the truth is planted.

use crate::cases::{case, close, number, numbers, table};
use blindsteep_stats::courses::{Course, Form, POLICY, from_first};
use blindsteep_stats::dist::t_quantile;
use blindsteep_stats::dunnett::{Dunnett, Sides};
use blindsteep_stats::largest_t::{LargestT, sidak_quantile_upper};
use blindsteep_stats::mixed::Family;
use blindsteep_stats::natural_spline::NaturalSpline;
use blindsteep_stats::rng::{Stream, replicates, stream};

/// Means of a panel with a part that all tastings share, one of their own, and one that the panel
/// does not know of.
struct Plan {
    months: Vec<f64>,
    shared: f64,
    own: Vec<f64>,
    wobble: f64,
    df: f64,
}

impl Plan {
    fn new(n: usize, wobble: f64) -> Self {
        let months =
            [0.5, 2.0, 6.0, 12.0, 18.0, 24.0, 36.0, 48.0, 60.0, 72.0, 84.0, 96.0, 108.0, 120.0];
        let own = (0..n).map(|i| if i % 3 == 1 { 0.13 } else { 0.09 }).collect();
        Self { months: months[..n].to_vec(), shared: 0.05, own, wobble, df: 30.0 }
    }

    fn draw(&self, truth: &dyn Fn(f64) -> f64, dice: &mut Stream) -> Family {
        let shared = dice.normal() * self.shared.sqrt();
        let d: Vec<f64> = self
            .months
            .iter()
            .zip(&self.own)
            .map(|(t, own)| truth(*t) + shared + dice.normal() * (own + self.wobble).sqrt())
            .collect();
        let factor = dice.chi_square(self.df) / self.df;
        let n = d.len();
        let v: Vec<Vec<f64>> = (0..n)
            .map(|i| {
                (0..n)
                    .map(|j| factor * (self.shared + if i == j { self.own[i] } else { 0.0 }))
                    .collect()
            })
            .collect();
        Family::scaled(&d, &v, self.df).unwrap()
    }
}

#[test]
#[ignore = "experiment"]
fn policies() {
    type Truth = (&'static str, fn(f64, f64) -> f64);
    let truths: [Truth; 5] = [
        ("flat", |_, _| 5.0),
        ("straight", |t, r| 5.0 + 1.2 * t / r),
        ("saturating", |t, r| 5.0 + 1.5 * (1.0 - (-(t - 0.5) / (0.2 * r)).exp())),
        ("early", |t, r| 5.0 + 1.5 * (1.0 - (-(t - 0.5) / (0.05 * r)).exp())),
        ("bump", |t, r| 5.0 + 1.5 * (-((t / r - 0.4) / 0.25).powi(2)).exp()),
    ];
    for wobble in [0.0, 0.1] {
        for n in [3, 4, 5, 6, 8, 12] {
            for (name, truth) in truths {
                let plan = Plan::new(n, wobble);
                let range = plan.months[n - 1];
                let mut line = format!("wobble {wobble} n {n:2} {name:10}");
                for policy in 0..2 {
                    POLICY.store(policy, std::sync::atomic::Ordering::Relaxed);
                    let of = |t: f64| truth(t, range);
                    let grid: Vec<f64> = (0..=20)
                        .map(|i| plan.months[0] + (range - plan.months[0]) * f64::from(i) / 20.0)
                        .collect();
                    let draws = 2000;
                    let all = replicates(draws, 5, |dice| {
                        let shared_too = plan.draw(&of, dice);
                        let c = Course::fit(&plan.months, &shared_too).unwrap();
                        let v = c.values(&grid, 0.95);
                        let inside: Vec<bool> =
                            v.iter().map(|v| v.lower < of(v.at) && of(v.at) < v.upper).collect();
                        (
                            inside,
                            v.iter().map(|v| v.upper - v.lower).sum::<f64>() / 21.0,
                            c.chosen(),
                        )
                    });
                    let held: Vec<f64> = (0..21)
                        .map(|i| all.iter().filter(|a| a.0[i]).count() as f64 / draws as f64)
                        .collect();
                    let mut widths: Vec<f64> = all.iter().map(|a| a.1).collect();
                    widths.sort_by(f64::total_cmp);
                    line += &format!(
                        " | {policy} {:.3} min {:.3} w {:.2}",
                        held.iter().sum::<f64>() / 21.0,
                        held.iter().fold(1.0, |a: f64, b| a.min(*b)),
                        widths[draws / 2]
                    );
                    if policy == 1 {
                        let share =
                            |f: Form| all.iter().filter(|a| a.2 == f).count() as f64 / draws as f64;
                        line += &format!(
                            " | st {:.2} sa {:.2} sm {:.2}",
                            share(Form::Straight),
                            share(Form::Saturating),
                            share(Form::Smooth)
                        );
                    }
                }
                println!("{line}");
            }
        }
    }
}
