//! Krippendorff's alpha for any number of observers, gaps allowed.

use crate::rng::{Stream, quantile_of_sorted, replicates};
use serde::Serialize;
use thiserror::Error;

/// How far apart two values are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Metric {
    /// 0 if equal, 1 if not.
    Nominal,
    /// Squared number of values between the two, each end counted half.
    Ordinal,
    /// Squared difference.
    Interval,
    /// Squared difference over squared sum; for values from 0 up.
    Ratio,
}

/// Krippendorff's alpha and what it was made of.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alpha {
    /// `1 - d_o / d_e`.
    pub value: f64,
    /// The metric of the differences.
    pub metric: Metric,
    /// Units with at least two values.
    pub n_units: usize,
    /// Values in those units.
    pub n_pairable: usize,
    /// Mean squared difference within units.
    pub d_o: f64,
    /// Mean squared difference over all pairs of pairable values.
    pub d_e: f64,
}

/// A bootstrap interval of alpha.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlphaInterval {
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Coverage asked for.
    pub level: f64,
    /// Resamples drawn.
    pub n_resamples: usize,
    /// Resamples in which all values were equal, so that alpha has no value; left out.
    pub n_undefined: usize,
    /// The seed of the draw.
    pub seed: u64,
}

/// Why alpha has no value.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum AlphaError {
    /// No unit was judged by two observers.
    #[error("no unit has two values, so there is nothing to compare")]
    NothingPairable,
    /// All pairable values are the same: alpha is 0/0.
    #[error("all {n_pairable} comparable values are equal to {value}, so alpha has no value")]
    NoVariation {
        /// Number of values.
        n_pairable: usize,
        /// The one value.
        value: f64,
    },
    /// A value that is infinite or not a number.
    #[error("unit {unit}, observer {observer}: {found} is not a finite number")]
    NotFinite {
        /// Row, from 0.
        unit: usize,
        /// Column, from 0.
        observer: usize,
        /// What stood there.
        found: f64,
    },
    /// The ratio metric needs values from 0 up.
    #[error("unit {unit}, observer {observer}: {found} is below 0, where a ratio has no meaning")]
    Negative {
        /// Row, from 0.
        unit: usize,
        /// Column, from 0.
        observer: usize,
        /// What stood there.
        found: f64,
    },
    /// A level outside 0 to 1, or no resamples.
    #[error("an interval needs a level between 0 and 1 and at least one resample")]
    BadInterval,
}

/// The pairable values, each replaced by the place of its value among the distinct ones.
struct Pairable {
    distinct: Vec<f64>,
    units: Vec<Vec<u32>>,
}

/// Room for one evaluation, so that resamples do not allocate.
struct Room {
    margins: Vec<f64>,
    places: Vec<f64>,
    in_unit: Vec<f64>,
}

impl Pairable {
    fn new(units: &[Vec<Option<f64>>], metric: Metric) -> Result<Self, AlphaError> {
        for (unit, row) in units.iter().enumerate() {
            for (observer, value) in row.iter().enumerate() {
                match *value {
                    Some(found) if !found.is_finite() => {
                        return Err(AlphaError::NotFinite { unit, observer, found });
                    }
                    Some(found) if metric == Metric::Ratio && found < 0.0 => {
                        return Err(AlphaError::Negative { unit, observer, found });
                    }
                    _ => {}
                }
            }
        }
        let kept: Vec<Vec<f64>> = units
            .iter()
            // Adding 0 makes -0 and 0 one value.
            .map(|row| row.iter().flatten().map(|v| v + 0.0).collect::<Vec<f64>>())
            .filter(|values| values.len() >= 2)
            .collect();
        let mut distinct: Vec<f64> = kept.iter().flatten().copied().collect();
        distinct.sort_by(f64::total_cmp);
        distinct.dedup();
        let units = kept
            .iter()
            .map(|values| {
                values.iter().map(|v| distinct.partition_point(|d| d < v) as u32).collect()
            })
            .collect();
        Ok(Self { distinct, units })
    }

    fn room(&self) -> Room {
        Room {
            margins: vec![0.0; self.distinct.len()],
            places: vec![0.0; self.distinct.len()],
            in_unit: vec![0.0; self.distinct.len()],
        }
    }

    /// Returns `(d_o, d_e, n)` for the units of these numbers (with repeats).
    fn disagreements(&self, which: &[usize], metric: Metric, room: &mut Room) -> (f64, f64, f64) {
        room.margins.fill(0.0);
        let mut n = 0.0;
        for &u in which {
            for &c in &self.units[u] {
                room.margins[c as usize] += 1.0;
            }
            n += self.units[u].len() as f64;
        }
        match metric {
            Metric::Interval => room.places.copy_from_slice(&self.distinct),
            Metric::Ordinal => {
                // The number of values between two, ends counted half, is the distance of
                // their mid-ranks.
                let mut below = 0.0;
                for (place, margin) in room.places.iter_mut().zip(&room.margins) {
                    *place = below + margin / 2.0;
                    below += margin;
                }
            }
            Metric::Nominal | Metric::Ratio => {}
        }
        let mut d_o = 0.0;
        for &u in which {
            let unit = &self.units[u];
            d_o += self.within(unit, metric, room) / (unit.len() as f64 - 1.0);
        }
        let d_e = match metric {
            Metric::Interval | Metric::Ordinal => {
                let first = room.places.first().copied().unwrap_or(0.0);
                let mean = room
                    .margins
                    .iter()
                    .zip(&room.places)
                    .map(|(m, p)| m * (p - first))
                    .sum::<f64>()
                    / n
                    + first;
                2.0 * n
                    * room
                        .margins
                        .iter()
                        .zip(&room.places)
                        .map(|(m, p)| m * (p - mean) * (p - mean))
                        .sum::<f64>()
            }
            Metric::Nominal => n * n - room.margins.iter().map(|m| m * m).sum::<f64>(),
            Metric::Ratio => {
                let mut sum = 0.0;
                for c in 0..self.distinct.len() {
                    for k in 0..c {
                        sum += 2.0
                            * room.margins[c]
                            * room.margins[k]
                            * ratio_delta(self.distinct[c], self.distinct[k]);
                    }
                }
                sum
            }
        };
        (d_o / n, d_e / (n * (n - 1.0)), n)
    }

    /// The sum of squared differences over ordered pairs of one unit.
    fn within(&self, unit: &[u32], metric: Metric, room: &mut Room) -> f64 {
        let m = unit.len() as f64;
        match metric {
            // sum over ordered pairs of (a - b)^2 = 2 m sum (a - mean)^2
            Metric::Interval | Metric::Ordinal => {
                let first = room.places[unit[0] as usize];
                let mean =
                    unit.iter().map(|&c| room.places[c as usize] - first).sum::<f64>() / m + first;
                2.0 * m
                    * unit.iter().map(|&c| (room.places[c as usize] - mean).powi(2)).sum::<f64>()
            }
            Metric::Nominal => {
                for &c in unit {
                    room.in_unit[c as usize] += 1.0;
                }
                let mut equal = 0.0;
                for &c in unit {
                    equal += std::mem::take(&mut room.in_unit[c as usize]).powi(2);
                }
                m * m - equal
            }
            Metric::Ratio => {
                let mut sum = 0.0;
                for (i, &a) in unit.iter().enumerate() {
                    for &b in &unit[..i] {
                        sum +=
                            2.0 * ratio_delta(self.distinct[a as usize], self.distinct[b as usize]);
                    }
                }
                sum
            }
        }
    }
}

fn ratio_delta(a: f64, b: f64) -> f64 {
    if a == b { 0.0 } else { ((a - b) / (a + b)).powi(2) }
}

/// Returns Krippendorff's alpha of a table with one row a unit and one column an observer.
///
/// `alpha = 1 - D_o / D_e`. `D_o` is the mean of the squared differences over the pairs
/// within units, each unit of m values weighing m (its m(m-1) ordered pairs weigh
/// `1/(m-1)` each); `D_e` is the mean over all ordered pairs of the n pairable values.
/// `None` is a gap; units with fewer than two values drop out. Ties are nothing special.
/// 1 is perfect agreement, 0 what chance gives, and it can be negative. A mere offset of
/// one observer lowers it. The unscaled differences of the metric are used, so that only
/// the ratio of `d_o` and `d_e` has a meaning across programs.
///
/// # Errors
/// [`AlphaError::NothingPairable`], [`AlphaError::NoVariation`] (0/0),
/// [`AlphaError::NotFinite`], [`AlphaError::Negative`] (ratio metric).
///
/// # Source
/// Krippendorff K (2011), Computing Krippendorff's Alpha-Reliability, University of
/// Pennsylvania.
pub fn alpha(units: &[Vec<Option<f64>>], metric: Metric) -> Result<Alpha, AlphaError> {
    let data = Pairable::new(units, metric)?;
    value_of(&data, metric)
}

fn value_of(data: &Pairable, metric: Metric) -> Result<Alpha, AlphaError> {
    if data.units.is_empty() {
        return Err(AlphaError::NothingPairable);
    }
    let all: Vec<usize> = (0..data.units.len()).collect();
    let (d_o, d_e, n) = data.disagreements(&all, metric, &mut data.room());
    if data.distinct.len() < 2 {
        return Err(AlphaError::NoVariation { n_pairable: n as usize, value: data.distinct[0] });
    }
    Ok(Alpha {
        value: 1.0 - d_o / d_e,
        metric,
        n_units: data.units.len(),
        n_pairable: n as usize,
        d_o,
        d_e,
    })
}

/// Returns a percentile bootstrap interval of alpha: whole units are drawn with
/// replacement, and both disagreements are computed anew.
///
/// Only the units count as a sample; the observers are taken as they are. With few units
/// (below about ten) it is too narrow. Each resample has its own random stream, so that the
/// result is the same on any number of cores. A resample whose values are all equal has no
/// alpha; it is left out and counted.
///
/// # Errors
/// Those of [`alpha`], and [`AlphaError::BadInterval`].
///
/// # Source
/// Percentile bootstrap: Efron and Tibshirani (1993), An Introduction to the Bootstrap, chapter 13;
/// units drawn whole is our choice.
pub fn alpha_interval(
    units: &[Vec<Option<f64>>],
    metric: Metric,
    level: f64,
    n_resamples: usize,
    seed: u64,
) -> Result<AlphaInterval, AlphaError> {
    if !(level > 0.0 && level < 1.0) || n_resamples == 0 {
        return Err(AlphaError::BadInterval);
    }
    let data = Pairable::new(units, metric)?;
    value_of(&data, metric)?;
    let one = |stream: &mut Stream| {
        let n = data.units.len();
        let which: Vec<usize> = (0..n).map(|_| stream.below(n)).collect();
        let (d_o, d_e, _) = data.disagreements(&which, metric, &mut data.room());
        (d_e > 0.0).then(|| 1.0 - d_o / d_e)
    };
    let drawn = replicates(n_resamples, seed, one);
    let mut values: Vec<f64> = drawn.into_iter().flatten().collect();
    values.sort_by(f64::total_cmp);
    let tail = (1.0 - level) / 2.0;
    match (quantile_of_sorted(&values, tail), quantile_of_sorted(&values, 1.0 - tail)) {
        (Some(lower), Some(upper)) => Ok(AlphaInterval {
            lower,
            upper,
            level,
            n_resamples,
            n_undefined: n_resamples - values.len(),
            seed,
        }),
        _ => Err(AlphaError::BadInterval),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn table(values: &[Option<f64>], n_observers: usize) -> Vec<Vec<Option<f64>>> {
        values.chunks(n_observers).map(<[_]>::to_vec).collect()
    }

    /// Alpha straight from its definition, pair by pair.
    fn by_definition(units: &[Vec<Option<f64>>], metric: Metric) -> f64 {
        let units: Vec<Vec<f64>> = units
            .iter()
            .map(|u| u.iter().flatten().copied().collect::<Vec<_>>())
            .filter(|u| u.len() > 1)
            .collect();
        let all: Vec<f64> = units.iter().flatten().copied().collect();
        let delta = |a: f64, b: f64| match metric {
            Metric::Nominal => f64::from(u8::from(a != b)),
            Metric::Interval => (a - b).powi(2),
            Metric::Ratio if a == b => 0.0,
            Metric::Ratio => ((a - b) / (a + b)).powi(2),
            Metric::Ordinal => {
                let (low, high) = (a.min(b), a.max(b));
                let count = |f: &dyn Fn(f64) -> bool| all.iter().filter(|v| f(**v)).count() as f64;
                let between = count(&|v| v >= low && v <= high);
                (between - (count(&|v| v == low) + count(&|v| v == high)) / 2.0).powi(2)
                    * f64::from(u8::from(a != b))
            }
        };
        let pairs = |values: &[f64]| {
            let mut sum = 0.0;
            for (i, &a) in values.iter().enumerate() {
                for (j, &b) in values.iter().enumerate() {
                    if i != j {
                        sum += delta(a, b);
                    }
                }
            }
            sum
        };
        let n = all.len() as f64;
        let within: f64 = units.iter().map(|u| pairs(u) / (u.len() as f64 - 1.0)).sum();
        1.0 - within / n / (pairs(&all) / (n * (n - 1.0)))
    }

    proptest! {
        #[test]
        fn the_quick_sums_are_the_definition(
            values in proptest::collection::vec(proptest::option::weighted(0.8, 0_u8..6), 12..60),
        ) {
            let values: Vec<Option<f64>> = values.iter().map(|v| v.map(f64::from)).collect();
            let units = table(&values, 4);
            for metric in [Metric::Nominal, Metric::Ordinal, Metric::Interval, Metric::Ratio] {
                if let Ok(got) = alpha(&units, metric) {
                    prop_assert!((got.value - by_definition(&units, metric)).abs() < 1e-10);
                }
            }
        }

        #[test]
        fn any_table_gives_a_number_or_a_reason(
            values in proptest::collection::vec(proptest::option::of(proptest::num::f64::ANY), 0..20),
        ) {
            for metric in [Metric::Nominal, Metric::Ordinal, Metric::Interval, Metric::Ratio] {
                let _ = alpha(&table(&values, 3), metric);
            }
        }
    }

    #[test]
    fn what_has_no_alpha_says_why() {
        let some = |v: f64| Some(v);
        assert_eq!(
            alpha(&[vec![some(1.0), None]], Metric::Interval),
            Err(AlphaError::NothingPairable)
        );
        assert_eq!(
            alpha(&[vec![some(2.0), some(2.0)]], Metric::Interval),
            Err(AlphaError::NoVariation { n_pairable: 2, value: 2.0 })
        );
        assert!(matches!(
            alpha(&[vec![some(-1.0), some(2.0)]], Metric::Ratio),
            Err(AlphaError::Negative { .. })
        ));
    }

    #[test]
    fn the_interval_is_the_same_on_any_number_of_cores_and_holds_the_value() {
        let units: Vec<Vec<Option<f64>>> = (0..20)
            .map(|u| {
                let level = f64::from(u % 7);
                vec![Some(level), Some(level + f64::from(u % 3)), None, Some(level)]
            })
            .collect();
        let run = || alpha_interval(&units, Metric::Interval, 0.95, 500, 4).unwrap();
        let on = |cores| {
            rayon::ThreadPoolBuilder::new().num_threads(cores).build().unwrap().install(run)
        };
        let one = on(1);
        assert_eq!(one, on(3));
        let value = alpha(&units, Metric::Interval).unwrap().value;
        assert!(one.lower < value && value < one.upper);
    }
}
