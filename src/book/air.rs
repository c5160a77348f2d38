//! The air in which tea was kept: means over time, and hours above a limit.

/// What a logger, or somebody who read an instrument, wrote down of a stretch of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Air {
    /// How many readings lie within the stretch.
    pub n: usize,
    /// The first and the last of them, in seconds since 1970.
    pub between: [i64; 2],
    /// The mean over the time that is known: `∫ x dt / ∫ dt`, straight between neighbours. Where no
    /// two neighbours are near enough, the plain mean of the readings.
    pub mean: f64,
    /// The least and the greatest reading.
    pub range: [f64; 2],
    /// Hours that are known: between neighbours that are no further apart than is bridged.
    pub hours: f64,
    /// The share of the stretch that is known, 0 to 1.
    pub known: f64,
    /// Gaps that are not bridged, those at both ends among them.
    pub gaps: usize,
    /// The longest of them: from, to, in seconds since 1970.
    pub longest_gap: Option<[i64; 2]>,
}

/// Readings of one quantity by their seconds, in the order of time, each second once.
#[derive(Debug, Clone, PartialEq)]
pub struct Series<'a> {
    points: &'a [(i64, f64)],
    /// The stretch of time, in seconds since 1970.
    from: i64,
    to: i64,
    /// The longest gap that is bridged, in seconds; none: all are.
    longest: Option<i64>,
}

impl<'a> Series<'a> {
    /// Readings within a stretch of time, and their neighbours outside, which lend the values at
    /// both ends. `longest` is the longest gap, in seconds, that is bridged by a straight line;
    /// none: every gap is (readings by hand, days apart).
    #[must_use]
    pub fn new(points: &'a [(i64, f64)], [from, to]: [i64; 2], longest: Option<i64>) -> Self {
        Self { points, from, to, longest }
    }

    fn within(&self) -> &'a [(i64, f64)] {
        let first = self.points.partition_point(|(s, _)| *s < self.from);
        let last = self.points.partition_point(|(s, _)| *s <= self.to);
        &self.points[first..last.max(first)]
    }

    /// The bridged pieces, cut at both ends: hours, and the values at both ends.
    fn pieces(&self) -> impl Iterator<Item = (f64, f64, f64)> + use<'a> {
        let (from, to, longest) = (self.from, self.to, self.longest);
        // One reading on either side lends the value at the ends.
        let first = self.points.partition_point(|(s, _)| *s < from).saturating_sub(1);
        let last = (self.points.partition_point(|(s, _)| *s <= to) + 1).min(self.points.len());
        self.points[first..last.max(first)].windows(2).filter_map(move |w| {
            let ((a, at_a), (b, at_b)) = (w[0], w[1]);
            if longest.is_some_and(|longest| b - a > longest) {
                return None;
            }
            let (start, end) = (a.max(from), b.min(to));
            if start >= end {
                return None;
            }
            let at = |s: i64| at_a + (at_b - at_a) * (s - a) as f64 / (b - a) as f64;
            Some(((end - start) as f64 / 3600.0, at(start), at(end)))
        })
    }

    /// What the readings say of the stretch; none if no reading lies in it.
    #[must_use]
    pub fn air(&self) -> Option<Air> {
        let within = self.within();
        let (first, last) = (within.first()?.0, within.last()?.0);
        let (mut hours, mut area) = (0.0, 0.0);
        for (h, a, b) in self.pieces() {
            hours += h;
            area += h * (a + b) / 2.0;
        }
        let range =
            within.iter().fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], (_, x)| {
                [low.min(*x), high.max(*x)]
            });
        let plain = within.iter().map(|(_, x)| x).sum::<f64>() / within.len() as f64;
        let whole = (self.to - self.from) as f64 / 3600.0;
        let gaps = self.gaps();
        Some(Air {
            n: within.len(),
            between: [first, last],
            mean: if hours > 0.0 { area / hours } else { plain },
            range,
            hours,
            known: if whole > 0.0 { (hours / whole).clamp(0.0, 1.0) } else { 0.0 },
            gaps: gaps.len(),
            longest_gap: gaps.into_iter().max_by_key(|[a, b]| b - a),
        })
    }

    /// Hours above a limit among those that are known: between two readings on both sides of it
    /// from where the straight line crosses it.
    #[must_use]
    pub fn hours_above(&self, limit: f64) -> f64 {
        let above = |(hours, a, b): (f64, f64, f64)| match (a > limit, b > limit) {
            (true, true) => hours,
            (false, false) => 0.0,
            (true, false) => hours * (a - limit) / (a - b),
            (false, true) => hours * (b - limit) / (b - a),
        };
        // An empty sum of floats is −0.
        self.pieces().map(above).fold(0.0, |sum, h| sum + h)
    }

    /// How many readings of the stretch lie above a limit.
    #[must_use]
    pub fn n_above(&self, limit: f64) -> usize {
        self.within().iter().filter(|(_, x)| *x > limit).count()
    }

    /// The gaps of the stretch that are longer than is bridged.
    fn gaps(&self) -> Vec<[i64; 2]> {
        let Some(longest) = self.longest else { return Vec::new() };
        let first = self.points.partition_point(|(s, _)| *s < self.from).saturating_sub(1);
        let last = (self.points.partition_point(|(s, _)| *s <= self.to) + 1).min(self.points.len());
        let around = &self.points[first..last.max(first)];
        let mut gaps: Vec<[i64; 2]> = around
            .windows(2)
            .filter(|w| w[1].0 - w[0].0 > longest)
            .map(|w| [w[0].0.max(self.from), w[1].0.min(self.to)])
            .collect();
        // Before the first and behind the last reading nothing is known at all.
        if let Some((s, _)) = around.first().filter(|(s, _)| *s > self.from) {
            gaps.push([self.from, *s]);
        }
        if let Some((s, _)) = around.last().filter(|(s, _)| *s < self.to) {
            gaps.push([*s, self.to]);
        }
        gaps.retain(|[a, b]| a < b);
        gaps
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3600;

    #[test]
    fn a_mean_is_the_area_over_the_time() {
        // By hand: 60 rising to 70 in one hour, 70 for two: (65 + 2·70)/3; above 65 for half an hour
        // and two more.
        let points = [(0, 60.0), (HOUR, 70.0), (3 * HOUR, 70.0)];
        let series = Series::new(&points, [0, 3 * HOUR], Some(2 * HOUR));
        let air = series.air().unwrap();
        assert!((air.mean - 205.0 / 3.0).abs() < 1e-12);
        assert_eq!((air.n, air.range, air.hours, air.known), (3, [60.0, 70.0], 3.0, 1.0));
        assert_eq!((air.gaps, air.longest_gap), (0, None));
        assert!((series.hours_above(65.0) - 2.5).abs() < 1e-12);
        assert_eq!((series.hours_above(70.0), series.n_above(65.0)), (0.0, 2));
    }

    #[test]
    fn a_gap_is_left_out_and_told_and_the_ends_are_cut() {
        // By hand: cut at 0:30 (65) and at 4:30; the gap from 1:00 to 4:00 is not bridged.
        let points = [(0, 60.0), (HOUR, 70.0), (4 * HOUR, 30.0), (5 * HOUR, 50.0)];
        let series = Series::new(&points, [HOUR / 2, 4 * HOUR + HOUR / 2], Some(HOUR));
        let air = series.air().unwrap();
        // (67.5 · ½ + 35 · ½) / 1.
        assert!((air.mean - 51.25).abs() < 1e-12);
        assert_eq!((air.n, air.hours, air.known), (2, 1.0, 0.25));
        assert_eq!((air.gaps, air.longest_gap), (1, Some([HOUR, 4 * HOUR])));
        // Bridged, the mean is another one: ½·67.5 + 3·50 + ½·35 = 201.25, over 4.
        let all = Series::new(&points, [HOUR / 2, 4 * HOUR + HOUR / 2], None).air().unwrap();
        assert!((all.mean - 50.3125).abs() < 1e-12);
        assert_eq!((all.hours, all.gaps), (4.0, 0));
    }

    #[test]
    fn nothing_is_made_up_before_the_first_and_behind_the_last_reading() {
        let points = [(HOUR, 60.0), (2 * HOUR, 62.0)];
        let air = Series::new(&points, [0, 10 * HOUR], Some(HOUR)).air().unwrap();
        assert_eq!((air.hours, air.known, air.gaps), (1.0, 0.1, 2));
        assert_eq!(air.longest_gap, Some([2 * HOUR, 10 * HOUR]));
        // One reading alone: its value, and no hour.
        let one = Series::new(&points[..1], [0, 10 * HOUR], None).air().unwrap();
        assert_eq!((one.n, one.mean, one.hours), (1, 60.0, 0.0));
        assert_eq!(Series::new(&points, [3 * HOUR, 4 * HOUR], None).air(), None);
        assert_eq!(Series::new(&[], [0, HOUR], None).air(), None);
    }

    #[test]
    fn a_fine_sum_gives_the_same_mean_and_hours() {
        // Second route: the straight lines between readings at uneven times, summed in seconds.
        let points: Vec<(i64, f64)> = (0..200)
            .map(|i: i64| (i * 300 + (i * i) % 97, 60.0 + 9.0 * (i as f64 * 0.3).sin()))
            .collect();
        let (from, to) = (1000, 50_000);
        let series = Series::new(&points, [from, to], Some(HOUR));
        let value = |s: i64| {
            let next = points.partition_point(|(t, _)| *t <= s);
            let ((a, x), (b, y)) = (points[next - 1], points[next]);
            x + (y - x) * ((s - a) as f64 + 0.5) / (b - a) as f64
        };
        let n = (to - from) as f64;
        let mean = (from..to).map(value).sum::<f64>() / n;
        let above = (from..to).filter(|s| value(*s) > 65.0).count() as f64 / 3600.0;
        assert!((series.air().unwrap().mean - mean).abs() < 1e-4);
        assert!((series.hours_above(65.0) - above).abs() < 0.01);
    }
}
