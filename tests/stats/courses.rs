//! Courses through means that share their errors: published fits where the errors are plain, what
//! bands, limits and looks ahead hold where the truth is planted.

use crate::cases::{case, close, number, numbers, table};
use blindsteep_stats::courses::{Course, CourseError, Form, NoHalf, from_first};
use blindsteep_stats::dist::t_quantile;
use blindsteep_stats::dunnett::{Dunnett, Sides};
use blindsteep_stats::largest_t::LargestT;
use blindsteep_stats::mixed::Family;
use blindsteep_stats::natural_spline::NaturalSpline;
use blindsteep_stats::rng::{Stream, replicates};

/// Braking distances over speeds (Ezekiel 1930; R's data set cars), each with the error `sigma`.
fn cars(sigma: f64, df: f64) -> (Vec<f64>, Family) {
    let t = table("g13_cars.csv");
    let (speed, dist) = (t.numbers("speed"), t.numbers("dist"));
    let n = dist.len();
    let v: Vec<Vec<f64>> = (0..n)
        .map(|i| (0..n).map(|j| if i == j { sigma * sigma } else { 0.0 }).collect())
        .collect();
    (speed, Family::scaled(&dist, &v, df).unwrap())
}

// Where all errors are alike and independent, generalised least squares are least squares: the
// slope, its standard error and limits are those of R's lm (g13).
#[test]
fn the_straight_form_is_a_regression_where_errors_are_plain() {
    let expected = &case("g13_ageing")["expected"]["cars_linear"];
    let (speed, family) = cars(number(&expected["sigma"]), 48.0);
    let slope = Course::fit(&speed, &family).unwrap().slope(0.95);
    close(slope.estimate, number(&expected["coef"][1]), 1e-9, "slope");
    close(slope.se, number(&expected["se"][1]), 1e-9, "se");
    close(slope.lower, number(&expected["ci"][1][0]), 1e-9, "lower");
    close(slope.upper, number(&expected["ci"][1][1]), 1e-9, "upper");
}

// R's splines::ns with interior knots 12, 15 and 19 (g13): any basis of the same splines gives the
// same fit. Normal equations in the basis; the limits by t with 45 degrees of freedom.
#[test]
fn natural_splines_span_what_the_published_basis_spans() {
    let expected = &case("g13_ageing")["expected"]["natural_spline"];
    let t = table("g13_cars.csv");
    let (speed, dist) = (t.numbers("speed"), t.numbers("dist"));
    let inner = numbers(&expected["knots"]);
    let ends = numbers(&expected["boundary"]);
    let knots: Vec<f64> = [ends[0]].into_iter().chain(inner).chain([ends[1]]).collect();
    let spline = NaturalSpline::new(&knots).unwrap();
    let rows: Vec<Vec<f64>> = speed.iter().map(|x| spline.row(*x)).collect();
    let p = knots.len();
    let cross: Vec<Vec<f64>> =
        (0..p).map(|i| (0..p).map(|j| rows.iter().map(|r| r[i] * r[j]).sum()).collect()).collect();
    let against: Vec<f64> =
        (0..p).map(|i| rows.iter().zip(&dist).map(|(r, y)| r[i] * y).sum()).collect();
    let b = solve(&cross, &against);
    let fit = |x: f64| spline.row(x).iter().zip(&b).map(|(r, b)| r * b).sum::<f64>();
    let rss: f64 = speed.iter().zip(&dist).map(|(x, y)| (y - fit(*x)).powi(2)).sum();
    close(rss, number(&expected["rss"]), 1e-9, "rss");
    let sigma = (rss / 45.0).sqrt();
    close(sigma, number(&expected["sigma"]), 1e-9, "sigma");
    let (at, values) = (numbers(&expected["at"]), numbers(&expected["fit"]));
    let lower = numbers(&expected["lower"]);
    for i in 0..at.len() {
        close(fit(at[i]), values[i], 1e-8, "fit");
        let row = spline.row(at[i]);
        let turned = solve(&cross, &row);
        let se = sigma * row.iter().zip(&turned).map(|(a, b)| a * b).sum::<f64>().sqrt();
        close(fit(at[i]) - t_quantile(0.975, 45.0) * se, lower[i], 1e-7, "lower");
    }
}

/// Solves `a x = b` by elimination with exchanges.
fn solve(a: &[Vec<f64>], b: &[f64]) -> Vec<f64> {
    let n = b.len();
    let mut m: Vec<Vec<f64>> =
        a.iter().zip(b).map(|(row, b)| row.iter().copied().chain([*b]).collect()).collect();
    for i in 0..n {
        let best = (i..n).max_by(|x, y| m[*x][i].abs().total_cmp(&m[*y][i].abs())).unwrap();
        m.swap(i, best);
        for j in 0..n {
            if j != i {
                let factor = m[j][i] / m[i][i];
                let from = m[i].clone();
                for (own, other) in m[j][i..].iter_mut().zip(&from[i..]) {
                    *own -= factor * other;
                }
            }
        }
    }
    (0..n).map(|i| m[i][n] / m[i][i]).collect()
}

// What lies exactly on a form is found again, whatever the errors share: the length within the
// search's steps, weights almost all on that form, and no widening.
#[test]
fn exact_courses_are_found_again() {
    let plan = Plan { df: f64::INFINITY, ..Plan::new(14, 0.0) };
    let fit = |truth: &dyn Fn(f64) -> f64| {
        let d: Vec<f64> = plan.months.iter().map(|t| truth(*t)).collect();
        Course::fit(&plan.months, &Family::scaled(&d, &plan.covariance(1e-4), 40.0).unwrap())
            .unwrap()
    };
    let saturating = fit(&|t| 3.0 + 2.0 * (1.0 - (-(t - 0.5) / 20.0).exp()));
    assert_eq!(saturating.chosen(), Form::Saturating);
    let half = saturating.half(0.95).unwrap();
    assert!((half.after - 20.0 * 2.0_f64.ln()).abs() < 0.01, "{half:?}");
    assert!(half.lower < half.after && half.after < half.upper && (half.whole - 2.0).abs() < 1e-3);
    let at = saturating.values(&[30.0], 0.95)[0];
    assert!((at.value - (3.0 + 2.0 * (1.0 - (-29.5_f64 / 20.0).exp()))).abs() < 1e-3, "{at:?}");
    let straight = fit(&|t| 3.0 - 0.02 * t);
    assert_eq!(straight.chosen(), Form::Straight);
    assert!((straight.slope(0.95).estimate + 0.02).abs() < 1e-9);
    assert_eq!(straight.half(0.95).unwrap_err(), NoHalf::NotChosen);
    assert!(straight.lack_of_fit().f < 1e-9 && straight.lack_of_fit().widened_by == 1.0);
    let ahead = straight.ahead(&[150.0], 0.95)[0];
    assert!((ahead.value - 0.0).abs() < 1e-3, "{ahead:?}");
    // One further tasting has at least its own error.
    assert!(ahead.se >= (1e-4 * 0.09_f64).sqrt());
    let smooth = fit(&|t| 3.0 + (t / 15.0).sin());
    assert_eq!(smooth.chosen(), Form::Smooth);
    let weights: f64 = smooth.forms().iter().map(|f| f.weight).sum();
    assert!((weights - 1.0).abs() < 1e-12);
}

// n = k + 2: three tastings have one form and no AICc, four one with it, five two, six three.
#[test]
fn the_number_of_tastings_says_which_forms_there_are() {
    for (n, forms) in [(3, 1), (4, 1), (5, 2), (6, 3)] {
        let plan = Plan::new(n, 0.0);
        let family = plan.draw(&|t| 4.0 + 0.01 * t, &mut blindsteep_stats::rng::stream(2, 1));
        let fits = Course::fit(&plan.months, &family).unwrap().forms();
        assert_eq!(fits.len(), forms, "{n}");
        assert_eq!(fits[0].aicc.is_some(), n > 3);
        assert!(fits.iter().skip(1).all(|f| f.aicc.is_some()));
    }
}

#[test]
fn what_carries_no_course_is_refused() {
    let plain = |d: &[f64], variance: f64| {
        let v = (0..d.len())
            .map(|i| (0..d.len()).map(|j| if i == j { variance } else { 0.0 }).collect())
            .collect::<Vec<Vec<f64>>>();
        Family::scaled(d, &v, 10.0).unwrap()
    };
    let refused = |at: &[f64], f: &Family| Course::fit(at, f).unwrap_err();
    assert_eq!(refused(&[1.0], &plain(&[2.0], 1.0)), CourseError::TooFew { found: 1 });
    let two = plain(&[2.0, 3.0, 4.0, 3.5], 1.0);
    assert_eq!(refused(&[1.0, 1.0, 5.0, 5.0], &two), CourseError::TooFew { found: 2 });
    assert_eq!(refused(&[4.0; 4], &two), CourseError::TooFew { found: 1 });
    assert_eq!(refused(&[1.0, 2.0], &two), CourseError::Shapes);
    assert_eq!(refused(&[1.0, 2.0, 3.0, f64::NAN], &two), CourseError::Shapes);
    let none = plain(&[2.0, 2.0, 2.0], 0.0);
    assert_eq!(refused(&[1.0, 2.0, 3.0], &none), CourseError::NoNoise);
    let same = Family::scaled(&[1.0, 1.0, 2.0], &vec![vec![1.0; 3]; 3], 9.0).unwrap();
    assert_eq!(refused(&[1.0, 2.0, 3.0], &same), CourseError::Dependent);
    assert!(from_first(&plain(&[2.0], 1.0), 0.95).is_none());
    assert!(Family::scaled(&[1.0], &[vec![1.0, 0.0]], 9.0).is_none());
}

// Equal correlations of one half are Dunnett's (g08b, independent double integration): the chance at
// his critical values, two-sided, within .001 of what it should be up to 20 comparisons.
#[test]
fn the_largest_t_meets_dunnetts_table() {
    let t = table("g08_dunnett_critical.csv");
    let (side, alpha, k) = (t.text("sided"), t.numbers("alpha"), t.numbers("k"));
    let (df, d) = (t.numbers("df"), t.numbers("d"));
    let (mut n, mut worst) = (0, 0.0_f64);
    for i in 0..d.len() {
        if side[i] != "two" {
            continue;
        }
        let r = equal(k[i] as usize, 0.5);
        let all = LargestT::new(&r).unwrap();
        worst = worst.max((all.sf(d[i], df[i]) - alpha[i]).abs());
        let q = all.quantile_upper(alpha[i], df[i]);
        assert!((all.sf(q, df[i]) - alpha[i]).abs() < 1e-3 * alpha[i], "{i}");
        n += 1;
    }
    println!("{n} critical values, the farthest off by {worst:.5}");
    assert!(n > 100 && worst < 1e-3, "{n} {worst}");
}

fn equal(k: usize, r: f64) -> Vec<Vec<f64>> {
    (0..k).map(|i| (0..k).map(|j| if i == j { 1.0 } else { r }).collect()).collect()
}

// Independent statistics of known errors: 1 - (1 - p)^k exactly; statistics that nearly coincide: one.
// Unequal products by the exact route of `dunnett`.
#[test]
fn the_largest_t_meets_independent_coinciding_and_unequal_statistics() {
    for k in 1..=20 {
        let all = LargestT::new(&equal(k, 0.0)).unwrap();
        let one = 1.0 - 0.95_f64.powf(1.0 / k as f64);
        let bound = t_quantile(1.0 - 0.5 * one, f64::INFINITY);
        assert!((all.sf(bound, f64::INFINITY) - 0.05).abs() < 1e-3, "{k}");
        let one = LargestT::new(&equal(k, 1.0 - 1e-9)).unwrap().quantile_upper(0.05, 17.0);
        assert!((one - t_quantile(0.975, 17.0)).abs() < 0.01, "{k} {one}");
    }
    for k in [2, 5, 9, 14] {
        let l: Vec<f64> = (0..k).map(|i| [0.9, 0.5, 0.75, -0.3, 0.6][i % 5]).collect();
        let r: Vec<Vec<f64>> = (0..k)
            .map(|i| (0..k).map(|j| if i == j { 1.0 } else { l[i] * l[j] }).collect())
            .collect();
        let (own, exact) = (LargestT::new(&r).unwrap(), Dunnett::product(&l, Sides::Two).unwrap());
        for t in [1.0, 2.0, 2.7, 3.5] {
            assert!((own.sf(t, 23.0) - exact.sf(t, 23.0)).abs() < 1.5e-3, "{k} {t}");
        }
    }
    assert!(LargestT::new(&[]).is_err());
    assert!(LargestT::new(&[vec![1.0, 2.0], vec![2.0, 1.0]]).is_err());
}

// No change at all, means whose errors are shared and unequal: any tasting is named in 5 of 100.
// 8,000 panels each, four binomial standard errors are .0098; with degrees of freedom of one factor
// the size is exact but for the lattice.
#[test]
fn the_first_real_change_is_a_false_alarm_in_five_of_a_hundred() {
    for (n, df) in [(2, 12.0), (4, 30.0), (8, 30.0), (12, 200.0)] {
        let plan = Plan { df, ..Plan::new(n, 0.0) };
        let alarms = replicates(8000, 23, |dice| {
            let found = from_first(&plan.draw(&|_| 5.0, dice), 0.95).unwrap();
            (found.first.is_some(), found.critical.is_some())
        });
        let share = alarms.iter().filter(|a| a.0).count() as f64 / 8000.0;
        println!("{n} tastings: false alarms {share:.4}");
        assert!((share - 0.05).abs() < 0.0098, "{n}: {share}");
    }
}

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

    fn covariance(&self, factor: f64) -> Vec<Vec<f64>> {
        let n = self.own.len();
        let own = |i: usize, j: usize| if i == j { self.own[i] } else { 0.0 };
        (0..n).map(|i| (0..n).map(|j| factor * (self.shared + own(i, j))).collect()).collect()
    }

    fn draw(&self, truth: &dyn Fn(f64) -> f64, dice: &mut Stream) -> Family {
        self.draw_with(truth, dice).0
    }

    /// The same with what is true of all tastings of this panel beside the course: what it shares.
    fn draw_with(&self, truth: &dyn Fn(f64) -> f64, dice: &mut Stream) -> (Family, f64) {
        let shared = dice.normal() * self.shared.sqrt();
        let d: Vec<f64> = self
            .months
            .iter()
            .zip(&self.own)
            .map(|(t, own)| truth(*t) + shared + dice.normal() * (own + self.wobble).sqrt())
            .collect();
        let factor = if self.df.is_finite() { dice.chi_square(self.df) / self.df } else { 1.0 };
        (Family::scaled(&d, &self.covariance(factor), self.df).unwrap(), shared)
    }
}

type Truth = (&'static str, fn(f64, f64) -> f64);

/// Courses over a range: their changes are 4 and 5 standard errors of one tasting.
const TRUTHS: [Truth; 5] = [
    ("flat", |_, _| 5.0),
    ("straight", |t, r| 5.0 + 1.2 * t / r),
    ("saturating", |t, r| 5.0 + 1.5 * (1.0 - (-(t - 0.5) / (0.2 * r)).exp())),
    ("early", |t, r| 5.0 + 1.5 * (1.0 - (-(t - 0.5) / (0.05 * r)).exp())),
    ("bump", |t, r| 5.0 + 1.5 * (-((t / r - 0.4) / 0.25).powi(2)).exp()),
];

/// How often a band holds the truth at 21 ages: the mean and the least of them.
fn band_coverage(plan: &Plan, truth: Truth, draws: usize) -> (f64, f64, Vec<Form>) {
    let (first, last) = (plan.months[0], plan.months[plan.months.len() - 1]);
    let of = |t: f64| truth.1(t, last);
    let grid: Vec<f64> = (0..=20).map(|i| first + (last - first) * f64::from(i) / 20.0).collect();
    let all = replicates(draws, 5, |dice| {
        let course = Course::fit(&plan.months, &plan.draw(&of, dice)).unwrap();
        let values = course.values(&grid, 0.95);
        let inside: Vec<bool> =
            values.iter().map(|v| v.lower < of(v.at) && of(v.at) < v.upper).collect();
        (inside, course.chosen())
    });
    let held: Vec<f64> = (0..grid.len())
        .map(|i| all.iter().filter(|a| a.0[i]).count() as f64 / draws as f64)
        .collect();
    let mean = held.iter().sum::<f64>() / held.len() as f64;
    let least = held.iter().fold(1.0, |a: f64, b| a.min(*b));
    (mean, least, all.iter().map(|a| a.1).collect())
}

// Pointwise, where the form is right: on average over the ages above .93, at none below .91, with and without tastings that
// wobble by variance of half as much again (600 panels each, binomial error .009). What bands hold by
// form and number is printed by `bands_by_form`.
#[test]
fn bands_hold_where_their_form_is_right() {
    for wobble in [0.0, 0.05] {
        for (n, truth) in [(4, 1), (8, 1), (8, 0), (12, 2), (12, 3)] {
            let (mean, least, _) = band_coverage(&Plan::new(n, wobble), TRUTHS[truth], 600);
            let told = format!("{} {n} {wobble}: {mean:.3} {least:.3}", TRUTHS[truth].0);
            assert!(mean > 0.93 && least > 0.91, "{told}");
        }
    }
}

// A further tasting of the same panel: in the limits in 95 of 100 where the course goes on as it did.
// Asked only where the change is real and no smooth form leads, as the program asks it.
#[test]
fn a_further_tasting_lies_within_its_limits() {
    for (n, truth, low) in [(4, 1, 0.93), (8, 1, 0.93), (12, 2, 0.92)] {
        let share = ahead_coverage(&Plan::new(n, 0.0), TRUTHS[truth], 3000);
        println!("{} {n}: {share:.3}", TRUTHS[truth].0);
        assert!(share > low, "{} {n}: {share}", TRUTHS[truth].0);
    }
}

fn ahead_coverage(plan: &Plan, truth: Truth, draws: usize) -> f64 {
    let (first, last) = (plan.months[0], plan.months[plan.months.len() - 1]);
    let of = |t: f64| truth.1(t, last);
    let to = last + 0.5 * (last - first);
    let all = replicates(draws, 7, |dice| {
        let (family, shared) = plan.draw_with(&of, dice);
        let course = Course::fit(&plan.months, &family).unwrap();
        let real = from_first(&family, 0.95).unwrap().first.is_some();
        if !real || course.chosen() == Form::Smooth {
            return None;
        }
        let v = course.ahead(&[to], 0.95)[0];
        let further = of(to) + shared + dice.normal() * (0.1 + plan.wobble).sqrt();
        Some(v.lower < further && further < v.upper)
    });
    let told: Vec<bool> = all.into_iter().flatten().collect();
    told.iter().filter(|h| **h).count() as f64 / told.len() as f64
}

// The time to half, where it is told: the planted one within its limits. Told only where the
// saturating form leads and the limits are bounded, which favours panels that saw the bend: the share
// is of those.
#[test]
fn the_time_to_half_lies_within_its_limits() {
    for (n, truth, share_of_range) in [(8, 3, 0.05), (12, 2, 0.2), (12, 3, 0.05)] {
        let (told, held) = half_coverage(&Plan::new(n, 0.0), TRUTHS[truth], share_of_range, 3000);
        println!("{} {n}: told {told:.2}, held {held:.3}", TRUTHS[truth].0);
        assert!(told > 0.2 && held > 0.92, "{} {n}: told {told}, held {held}", TRUTHS[truth].0);
    }
}

fn half_coverage(plan: &Plan, truth: Truth, of_range: f64, draws: usize) -> (f64, f64) {
    let last = plan.months[plan.months.len() - 1];
    let half = of_range * last * 2.0_f64.ln();
    let all = replicates(draws, 9, |dice| {
        let family = plan.draw(&|t| truth.1(t, last), dice);
        let course = Course::fit(&plan.months, &family).unwrap();
        course.half(0.95).ok().map(|h| h.lower <= half && half <= h.upper)
    });
    let told: Vec<bool> = all.into_iter().flatten().collect();
    let held = told.iter().filter(|h| **h).count() as f64 / told.len() as f64;
    (told.len() as f64 / draws as f64, held)
}

/// Prints a table for the reports: what was planted, how often it was held.
#[test]
#[ignore = "prints a table; five minutes"]
fn bands_by_form() {
    println!(
        "| wobble | truth | tastings | band, mean over ages | least | straight / saturating / smooth chosen |"
    );
    println!("|---|---|---|---|---|---|");
    for wobble in [0.0, 0.05, 0.1] {
        for truth in TRUTHS {
            for n in [3, 4, 5, 6, 8, 12] {
                let (mean, least, chosen) = band_coverage(&Plan::new(n, wobble), truth, 4000);
                let share = |f| chosen.iter().filter(|c| **c == f).count() as f64 / 40.0;
                println!(
                    "| {wobble} | {} | {n} | {:.1} | {:.1} | {:.0} / {:.0} / {:.0} |",
                    truth.0,
                    100.0 * mean,
                    100.0 * least,
                    share(Form::Straight),
                    share(Form::Saturating),
                    share(Form::Smooth)
                );
            }
        }
        for (n, truth) in [(4, 1), (6, 1), (8, 1), (12, 1), (8, 2), (12, 2), (12, 3)] {
            let held = ahead_coverage(&Plan::new(n, wobble), TRUTHS[truth], 4000);
            println!("{} {n} wobble {wobble}: a further tasting held {held:.3}", TRUTHS[truth].0);
        }
        for (n, truth, of) in [(6, 3, 0.05), (8, 3, 0.05), (8, 2, 0.2), (12, 2, 0.2), (12, 3, 0.05)]
        {
            let (told, held) = half_coverage(&Plan::new(n, wobble), TRUTHS[truth], of, 4000);
            println!(
                "{} {n} wobble {wobble}: half told {told:.2}, held {held:.3}",
                TRUTHS[truth].0
            );
        }
    }
}
