//! A map of cases by their first two principal components, with the region in which each lies.
//!
//! The regions come from resampling the judges: each resample gives every case another mean, which
//! is put on the map as it stands (its axes are held). What they hold is the place of the true mean
//! on this map; how often they do is measured on simulated panels of the same layout and given
//! with the result.

use crate::dist::f_quantile_upper;
use crate::pca::{Components, PcaError, Weighing, components, project};
use crate::rng::{Stream, quantile_of_sorted, replicates};
use serde::Serialize;
use thiserror::Error;

/// Resamples in each simulated panel.
const INNER: usize = 200;
/// The fewest judges from whom a region is drawn.
pub const FEWEST_JUDGES: usize = 4;

/// What the map is made of.
#[derive(Debug, Clone)]
pub struct Layout {
    /// `means[case][variable]`.
    pub means: Vec<Vec<f64>>,
    /// `deviations[judge][case][variable]`: how far a judge's own mean of a case lies from the
    /// case's mean, the judge's level over all cases taken off; none where there is no score.
    pub deviations: Vec<Vec<Vec<Option<f64>>>>,
    /// `shared[case][variable]`: variance of a case's mean that all judges share (the portion they
    /// were served from), 0 if it is not known.
    pub shared: Vec<Vec<f64>>,
    /// How the variables are weighed.
    pub weighing: Weighing,
}

/// How the resampling is done.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Draws {
    /// Resamples.
    pub n_resamples: usize,
    /// Simulated panels on which coverage is measured.
    pub n_panels: usize,
    /// The seed of all draws.
    pub seed: u64,
    /// Coverage that the regions are made for.
    pub level: f64,
}

/// An ellipse about a point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ellipse {
    /// Long half-axis.
    pub long: f64,
    /// Short half-axis.
    pub short: f64,
    /// Angle of the long one from the first component towards the second, radians, from -pi/2 to
    /// pi/2.
    pub angle: f64,
}

/// The map.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Map {
    /// All components.
    pub components: Components,
    /// Region of each case; none where fewer than [`FEWEST_JUDGES`] judged it in some variable.
    pub regions: Vec<Option<Ellipse>>,
    /// Share of the regions that held the true place, over all cases and simulated panels.
    pub coverage: Option<f64>,
    /// The share of the first two components that panels of this layout pass in 5 of 100 where no
    /// case differs from another.
    pub share_by_luck: Option<f64>,
    /// How it was drawn.
    pub draws: Draws,
}

/// Why there is no map.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum MapError {
    /// Too few cases or variables.
    #[error(
        "{n_cases} cases by {n_variables} variables: a map needs three cases and two variables"
    )]
    TooSmall {
        /// Rows.
        n_cases: usize,
        /// Columns.
        n_variables: usize,
    },
    /// A part of the layout does not have the shape of the means.
    #[error("{what} does not have one entry for each case and variable")]
    Shape {
        /// Which part.
        what: &'static str,
    },
    /// There are no components.
    #[error(transparent)]
    Components(#[from] PcaError),
}

/// Returns the map of a layout.
///
/// Each resample draws judges with replacement and adds to every case's mean the mean deviation of
/// those drawn (widened by `sqrt(n / (n - 1))`, n the judges of that cell, for the freedom that
/// centring took) and a normal draw of the shared variance. The covariance of a case's resampled
/// places, n times, is averaged over all cases, as the model behind the means takes it to be one;
/// the region of a case is `(x - m)' (C / n)^-1 (x - m) <= 2 v / (v - 1) F(level; 2, v - 1)` with
/// `v = (judges - 1)(cases - 1)` (Hotelling 1931, Annals of Mathematical Statistics 2:360-378, from
/// memory).
///
/// Simulated panels have the means found here for truth, deviations that are normal with the
/// covariances found here, and go through the same steps, components included.
///
/// # Errors
/// [`MapError`].
///
/// # Source
/// Resampling with axes held ("partial bootstrap"): Lebart L (2007), in Selected Contributions in
/// Data Analysis and Classification, 253-266 (from memory).
pub fn map(layout: &Layout, draws: Draws) -> Result<Map, MapError> {
    let n_cases = layout.means.len();
    let n_variables = layout.means.first().map_or(0, Vec::len);
    if n_cases < 3 || n_variables < 2 {
        return Err(MapError::TooSmall { n_cases, n_variables });
    }
    let square =
        |rows: &[Vec<f64>]| rows.len() == n_cases && rows.iter().all(|r| r.len() == n_variables);
    if !square(&layout.shared) {
        return Err(MapError::Shape { what: "the shared variance" });
    }
    let judged =
        |j: &Vec<Vec<Option<f64>>>| j.len() == n_cases && j.iter().all(|r| r.len() == n_variables);
    if !layout.deviations.iter().all(judged) {
        return Err(MapError::Shape { what: "the deviations of a judge" });
    }
    let components = components(&layout.means, layout.weighing)?;
    let panel = Panel::of(layout);
    let places = panel.resampled(&components, draws.n_resamples, draws.level, draws.seed);
    let (coverage, share_by_luck) = if places.iter().any(Option::is_some) && draws.n_panels > 0 {
        let (held, luck) = measured(layout, &panel, draws);
        (held, luck)
    } else {
        (None, None)
    };
    Ok(Map { components, regions: places, coverage, share_by_luck, draws })
}

/// Deviations ready for resampling.
struct Panel {
    /// `[judge][case][variable]`, so weighed that their mean over all judges drawn is the mean over
    /// those who judged the cell; 0 where there is none.
    weighed: Vec<Vec<Vec<f64>>>,
    /// The same before weighing, widened only.
    widened: Vec<Vec<Vec<f64>>>,
    /// Judges of each case in the variable that has fewest.
    n_judges: Vec<usize>,
    /// `[case][variable]`: root of the shared variance.
    shared_sd: Vec<Vec<f64>>,
}

impl Panel {
    fn of(layout: &Layout) -> Self {
        let (n_cases, k) = (layout.means.len(), layout.means[0].len());
        let n_all = layout.deviations.len() as f64;
        let count =
            |i: usize, j: usize| layout.deviations.iter().filter(|d| d[i][j].is_some()).count();
        let counts: Vec<Vec<usize>> =
            (0..n_cases).map(|i| (0..k).map(|j| count(i, j)).collect()).collect();
        let made = |weigh: bool| -> Vec<Vec<Vec<f64>>> {
            let cell = |d: &[Vec<Option<f64>>], i: usize, j: usize| {
                let n = counts[i][j] as f64;
                let factor = if n > 1.0 { (n / (n - 1.0)).sqrt() } else { 0.0 };
                let factor = if weigh && n > 0.0 { factor * n_all / n } else { factor };
                d[i][j].map_or(0.0, |v| v * factor)
            };
            let judge = |d: &Vec<Vec<Option<f64>>>| {
                (0..n_cases).map(|i| (0..k).map(|j| cell(d, i, j)).collect()).collect()
            };
            layout.deviations.iter().map(judge).collect()
        };
        Self {
            weighed: made(true),
            widened: made(false),
            n_judges: counts.iter().map(|c| c.iter().copied().min().unwrap_or(0)).collect(),
            shared_sd: layout
                .shared
                .iter()
                .map(|r| r.iter().map(|v| v.max(0.0).sqrt()).collect())
                .collect(),
        }
    }

    /// The regions on the map of these components.
    fn resampled(&self, c: &Components, n: usize, level: f64, seed: u64) -> Vec<Option<Ellipse>> {
        let n_cases = self.n_judges.len();
        let judges = self.weighed.len();
        let drawn_from: Vec<usize> =
            (0..n_cases).filter(|i| self.n_judges[*i] >= FEWEST_JUDGES).collect();
        if drawn_from.is_empty() {
            return vec![None; n_cases];
        }
        let flat = |row: &[f64]| -> [f64; 2] {
            let scaled: Vec<f64> = row.iter().zip(&c.scale).map(|(v, s)| v / s).collect();
            let p = project(&scaled, &c.loadings, 2);
            [p[0], p[1]]
        };
        // The map is linear: judges are put on it once, and resamples only add up places.
        let placed: Vec<Vec<[f64; 2]>> =
            self.weighed.iter().map(|d| d.iter().map(|row| flat(row)).collect()).collect();
        let shares: Vec<[f64; 3]> = self.shared_sd.iter().map(|sd| shared(sd, c)).collect();
        let sums = replicates(n, seed, |dice| {
            let picks: Vec<usize> = (0..judges).map(|_| dice.below(judges)).collect();
            let mut rows: Vec<[f64; 2]> = (0..n_cases)
                .map(|i| {
                    let sum = |axis: usize| picks.iter().map(|t| placed[*t][i][axis]).sum::<f64>();
                    [sum(0) / judges as f64, sum(1) / judges as f64]
                })
                .collect();
            centre(&mut rows);
            rows
        });
        // Covariance about the map's own point, n judges times, over all cases.
        let mut pooled = [0.0; 3];
        for rows in &sums {
            for &i in &drawn_from {
                let [x, y] = rows[i];
                let m = self.n_judges[i] as f64 / (n * drawn_from.len()) as f64;
                for (sum, part) in pooled.iter_mut().zip([x * x, x * y, y * y]) {
                    *sum += part * m;
                }
            }
        }
        let v = ((judges - 1) * (n_cases - 1)) as f64;
        let reach = 2.0 * v / (v - 1.0) * f_quantile_upper(1.0 - level, 2.0, v - 1.0);
        (0..n_cases)
            .map(|i| {
                if self.n_judges[i] < FEWEST_JUDGES {
                    return None;
                }
                let m = self.n_judges[i] as f64;
                let own: Vec<f64> = pooled.iter().zip(shares[i]).map(|(p, s)| p / m + s).collect();
                ellipse([own[0], own[1], own[2]], reach)
            })
            .collect()
    }
}

/// The shared variance of a case on the map: xx, xy, yy.
fn shared(sd: &[f64], c: &Components) -> [f64; 3] {
    let mut sum = [0.0; 3];
    for ((sd, scale), l) in sd.iter().zip(&c.scale).zip(&c.loadings) {
        let v = (sd / scale).powi(2);
        for (s, part) in sum.iter_mut().zip([l[0] * l[0], l[0] * l[1], l[1] * l[1]]) {
            *s += v * part;
        }
    }
    sum
}

fn centre(rows: &mut [[f64; 2]]) {
    let n = rows.len() as f64;
    for axis in 0..2 {
        let mean = rows.iter().map(|r| r[axis]).sum::<f64>() / n;
        rows.iter_mut().for_each(|r| r[axis] -= mean);
    }
}

/// The ellipse of a covariance (xx, xy, yy) at a squared distance; none if it is not finite.
fn ellipse([xx, xy, yy]: [f64; 3], reach: f64) -> Option<Ellipse> {
    let middle = 0.5 * (xx + yy);
    let spread = (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
    let half = |variance: f64| (reach * variance.max(0.0)).sqrt();
    let found = Ellipse {
        long: half(middle + spread),
        short: half(middle - spread),
        angle: 0.5 * (2.0 * xy).atan2(xx - yy),
    };
    [found.long, found.short, found.angle].iter().all(|v| v.is_finite()).then_some(found)
}

impl Ellipse {
    /// Returns whether a point `dx`, `dy` from the centre lies inside, in units of the map:
    /// `(along / long)² + (across / short)² <= 1` in the ellipse's own axes (definition); a
    /// half-axis of 0 holds 0 only.
    pub fn holds(&self, dx: f64, dy: f64) -> bool {
        let (sin, cos) = self.angle.sin_cos();
        let along = cos * dx + sin * dy;
        let across = cos * dy - sin * dx;
        let part = |d: f64, half: f64| {
            if half > 0.0 {
                (d / half).powi(2)
            } else if d.abs() < 1e-12 {
                0.0
            } else {
                f64::INFINITY
            }
        };
        part(along, self.long) + part(across, self.short) <= 1.0
    }
}

/// Coverage on simulated panels, and what the first two components hold by luck.
fn measured(layout: &Layout, panel: &Panel, draws: Draws) -> (Option<f64>, Option<f64>) {
    let no_difference = vec![vec![0.0; layout.means[0].len()]; layout.means.len()];
    let found = replicates(draws.n_panels, draws.seed ^ 0x6d61_7073, |dice| {
        let (means, again) = simulated(layout, panel, dice);
        let moved = |truth: &[Vec<f64>]| -> Vec<Vec<f64>> {
            truth
                .iter()
                .zip(&means)
                .map(|(t, m)| t.iter().zip(m).map(|(a, b)| a + b).collect())
                .collect()
        };
        let luck = components(&moved(&no_difference), layout.weighing)
            .ok()
            .map(|c| c.shares[0] + c.shares[1]);
        let seen = moved(&layout.means);
        let Ok(c) = components(&seen, layout.weighing) else { return (0, 0, luck) };
        let regions = again.resampled(&c, INNER, draws.level, draws.seed);
        let mut truth: Vec<[f64; 2]> = layout
            .means
            .iter()
            .map(|row| {
                let scaled: Vec<f64> = row.iter().zip(&c.scale).map(|(v, s)| v / s).collect();
                let p = project(&scaled, &c.loadings, 2);
                [p[0], p[1]]
            })
            .collect();
        centre(&mut truth);
        let (mut n, mut held) = (0usize, 0usize);
        for ((region, at), t) in regions.iter().zip(&c.scores).zip(&truth) {
            if let Some(e) = region {
                n += 1;
                held += usize::from(e.holds(t[0] - at[0], t[1] - at[1]));
            }
        }
        (n, held, luck)
    });
    let n: usize = found.iter().map(|f| f.0).sum();
    let held: usize = found.iter().map(|f| f.1).sum();
    let mut luck: Vec<f64> = found.iter().filter_map(|f| f.2).collect();
    luck.sort_by(f64::total_cmp);
    ((n > 0).then(|| held as f64 / n as f64), quantile_of_sorted(&luck, 0.95))
}

/// How far the means of a simulated panel lie from the truth, and its deviations.
fn simulated(layout: &Layout, panel: &Panel, dice: &mut Stream) -> (Vec<Vec<f64>>, Panel) {
    let judges = panel.widened.len();
    let (n_cases, k) = (layout.means.len(), layout.means[0].len());
    // Normal sums of the judges' own tables have exactly their covariances.
    let mut made: Vec<Vec<Vec<Option<f64>>>> = Vec::with_capacity(judges);
    for who in 0..judges {
        let weights: Vec<f64> = (0..judges).map(|_| dice.normal()).collect();
        let mut table = vec![vec![None; k]; n_cases];
        for i in 0..n_cases {
            for j in 0..k {
                if layout.deviations[who][i][j].is_some() {
                    let n = layout.deviations.iter().filter(|d| d[i][j].is_some()).count();
                    let sum: f64 =
                        weights.iter().zip(&panel.widened).map(|(g, d)| g * d[i][j]).sum();
                    table[i][j] = Some(sum / (n as f64).sqrt());
                }
            }
        }
        made.push(table);
    }
    let mut means = vec![vec![0.0; k]; n_cases];
    for i in 0..n_cases {
        for j in 0..k {
            let own: Vec<f64> = made.iter().filter_map(|d| d[i][j]).collect();
            if own.is_empty() {
                continue;
            }
            let mean = own.iter().sum::<f64>() / own.len() as f64;
            means[i][j] = mean + dice.normal() * panel.shared_sd[i][j];
            for d in &mut made {
                if let Some(v) = &mut d[i][j] {
                    *v -= mean;
                }
            }
        }
    }
    let again = Layout {
        means: means.clone(),
        deviations: made,
        shared: layout.shared.clone(),
        weighing: layout.weighing,
    };
    (means, Panel::of(&again))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const DRAWS: Draws = Draws { n_resamples: 300, n_panels: 0, seed: 1, level: 0.95 };

    /// Six cases in four variables, six judges whose deviations are correlated between variables.
    fn panel(dice: &mut Stream, truth: &[Vec<f64>], n_judges: usize) -> Layout {
        let (n, k) = (truth.len(), truth[0].len());
        let mut scores = vec![vec![vec![0.0; k]; n]; n_judges];
        for judge in &mut scores {
            for row in judge.iter_mut() {
                let common = dice.normal();
                row.iter_mut().for_each(|v| *v = 0.5 * common + 0.8 * dice.normal());
            }
        }
        let mut means = truth.to_vec();
        let mut deviations = vec![vec![vec![None; k]; n]; n_judges];
        for j in 0..k {
            let own: Vec<f64> =
                scores.iter().map(|s| s.iter().map(|r| r[j]).sum::<f64>() / n as f64).collect();
            for i in 0..n {
                let level = own.iter().sum::<f64>() / n_judges as f64;
                let mean = scores.iter().map(|s| s[i][j]).sum::<f64>() / n_judges as f64;
                means[i][j] += mean - level;
                for t in 0..n_judges {
                    deviations[t][i][j] = Some(scores[t][i][j] - own[t] - mean + level);
                }
            }
        }
        Layout { means, deviations, shared: vec![vec![0.0; k]; n], weighing: Weighing::Covariance }
    }

    fn truth() -> Vec<Vec<f64>> {
        vec![
            vec![-2.0, -1.0, 0.5, 0.0],
            vec![-1.0, 1.0, 1.0, 0.5],
            vec![0.0, 2.0, -1.0, -0.5],
            vec![0.5, -2.0, 0.0, 1.0],
            vec![1.0, 0.0, -1.5, 0.0],
            vec![1.5, 0.0, 1.0, -1.0],
        ]
    }

    // Planted places: 400 panels of six judges; what the regions hold is the truth on the map seen.
    // 2400 regions that hang together within a panel: between .91 and .98 is asked.
    #[test]
    fn regions_hold_the_planted_places() {
        let truth = truth();
        let held = replicates(400, 11, |dice| {
            let layout = panel(dice, &truth, 6);
            let found = map(&layout, DRAWS).unwrap();
            let c = &found.components;
            let mut places: Vec<[f64; 2]> = truth
                .iter()
                .map(|r| {
                    let p = project(r, &c.loadings, 2);
                    [p[0], p[1]]
                })
                .collect();
            centre(&mut places);
            let inside = |i: usize| {
                let (dx, dy) = (places[i][0] - c.scores[i][0], places[i][1] - c.scores[i][1]);
                found.regions[i].unwrap().holds(dx, dy)
            };
            (0..6).filter(|i| inside(*i)).count()
        });
        let share = held.iter().sum::<usize>() as f64 / 2400.0;
        assert!((0.91..=0.98).contains(&share), "{share}");
    }

    #[test]
    fn the_measured_coverage_comes_with_the_map_and_with_the_seed() {
        let layout = panel(&mut crate::rng::stream(4, 0), &truth(), 6);
        let draws = Draws { n_panels: 200, ..DRAWS };
        let found = map(&layout, draws).unwrap();
        let coverage = found.coverage.unwrap();
        assert!((0.85..=1.0).contains(&coverage), "{coverage}");
        let luck = found.share_by_luck.unwrap();
        assert!(luck > 0.5 && luck < 1.0, "{luck}");
        assert_eq!(map(&layout, draws).unwrap(), found);
    }

    #[test]
    fn few_judges_have_no_region_and_two_cases_no_map() {
        let layout = panel(&mut crate::rng::stream(4, 0), &truth(), 3);
        assert!(map(&layout, DRAWS).unwrap().regions.iter().all(Option::is_none));
        let mut small = layout.clone();
        small.means.truncate(2);
        assert_eq!(map(&small, DRAWS), Err(MapError::TooSmall { n_cases: 2, n_variables: 4 }));
        let mut bad = layout;
        bad.shared.pop();
        assert!(matches!(map(&bad, DRAWS), Err(MapError::Shape { .. })));
    }

    #[test]
    fn an_ellipse_has_the_axes_of_its_covariance() {
        let e = ellipse([4.0, 0.0, 1.0], 1.0).unwrap();
        assert!((e.long - 2.0).abs() < 1e-12 && (e.short - 1.0).abs() < 1e-12 && e.angle == 0.0);
        assert!(e.holds(1.99, 0.0) && !e.holds(2.01, 0.0) && !e.holds(0.0, 1.01));
        let tilted = ellipse([2.5, 1.5, 2.5], 1.0).unwrap();
        assert!((tilted.angle - std::f64::consts::FRAC_PI_4).abs() < 1e-12);
        assert!(tilted.holds(1.4, 1.4) && !tilted.holds(1.4, -1.4));
    }
}
