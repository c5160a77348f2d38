//! The course of temperature through a stretch of time, out of a logger's readings.

use super::readings::Readings;
use super::time::Moment;

/// Temperature from one moment to another: straight between the readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// The files that it comes from.
    pub files: Vec<String>,
    /// How many readings lie within it.
    pub n: usize,
    /// The longest gap that was bridged, in minutes.
    pub longest_gap_minutes: f64,
    /// Files that contradict each other, in words.
    pub notices: Vec<String>,
    /// Hours from the beginning and degrees Celsius, both ends among them.
    points: Vec<(f64, f64)>,
}

impl Course {
    /// How long it lasts, in hours.
    #[must_use]
    pub fn hours(&self) -> f64 {
        self.points.last().map_or(0.0, |(h, _)| *h)
    }

    /// The mean temperature over time: `∫ T dt / ∫ dt`, by trapezoids.
    #[must_use]
    pub fn mean_c(&self) -> f64 {
        let area: f64 = self.pieces().map(|(hours, from, to)| hours * (from + to) / 2.0).sum();
        area / self.hours()
    }

    /// Hours at 25 °C that come to the same, if the rate rises `q10` times with ten degrees:
    /// `∫ q10^((T − 25)/10) dt`. Between two readings T is straight, for which the integral is
    /// exactly `Δt · (r₂ − r₁)/ln(r₂/r₁)` with the rates r at both ends.
    #[must_use]
    pub fn hours_at_25(&self, q10: f64) -> f64 {
        let rate = |celsius: f64| q10.powf((celsius - 25.0) / 10.0);
        self.pieces()
            .map(|(hours, from, to)| {
                let (from, to) = (rate(from), rate(to));
                let ratio = (to / from).ln();
                // Where the ends are nearly alike the quotient would lose its digits.
                if ratio.abs() < 1e-6 {
                    hours * (from + to) / 2.0
                } else {
                    hours * (to - from) / ratio
                }
            })
            .sum()
    }

    fn pieces(&self) -> impl Iterator<Item = (f64, f64, f64)> {
        self.points.windows(2).map(|w| (w[1].0 - w[0].0, w[0].1, w[1].1))
    }
}

/// The course between two moments; `None` if no reading lies there, `Err` in words if there are some
/// but with a gap longer than is bridged. Files that overlap are taken together.
pub fn course(
    all: &[Readings],
    from: Moment,
    to: Moment,
    longest_gap_minutes: f64,
) -> Option<Result<Course, String>> {
    let (start, end) = (from.timestamp().as_second(), to.timestamp().as_second());
    let longest = longest_gap_minutes * 60.0;
    let mut found: Vec<(i64, f64)> = Vec::new();
    let mut files: Vec<String> = Vec::new();
    for r in all {
        // One reading on either side lends the value at the ends.
        let first = r.seconds.partition_point(|s| *s < start).saturating_sub(1);
        let last = (r.seconds.partition_point(|s| *s <= end) + 1).min(r.seconds.len());
        let within = |s: i64| (start..=end).contains(&s);
        if !r.seconds[first..last].iter().any(|s| within(*s)) {
            continue;
        }
        files.push(r.file.clone());
        found.extend((first..last).filter_map(|i| Some((r.seconds[i], r.celsius[i]?))));
    }
    if files.is_empty() || end <= start {
        return None;
    }
    found.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    // A reading outside lends nothing if it lies too far away.
    while found.len() > 1 && found[0].0 < start && (found[1].0 - found[0].0) as f64 > longest {
        found.remove(0);
    }
    while let [.., (a, _), (b, _)] = found.as_slice()
        && *b > end
        && (b - a) as f64 > longest
    {
        found.pop();
    }
    let n = found.iter().filter(|(s, _)| (start..=end).contains(s)).count();
    if n == 0 {
        return Some(Err("no temperature was written down there".to_owned()));
    }
    let mut points: Vec<(i64, f64)> = Vec::with_capacity(found.len() + 2);
    let mut gaps: Vec<(i64, i64)> = Vec::new();
    // What the ends lack is held from the nearest reading, within the same limit.
    if let Some((first, celsius)) = found.first().copied().filter(|(s, _)| *s > start) {
        gaps.push((start, first));
        points.push((start, celsius));
    }
    gaps.extend(found.windows(2).map(|w| (w[0].0, w[1].0)));
    points.extend(&found);
    match found.last().copied() {
        Some((last, celsius)) if last < end => {
            gaps.push((last, end));
            points.push((end, celsius));
        }
        _ => {}
    }
    let seconds = |(a, b): (i64, i64)| (b.min(end) - a.max(start)).max(0) as f64;
    let widest = gaps.iter().copied().max_by(|a, b| (a.1 - a.0).cmp(&(b.1 - b.0)));
    if let Some((a, b)) = widest.filter(|(a, b)| (b - a) as f64 > longest) {
        let at = |s: i64| Moment::at(s, from.offset());
        return Some(Err(format!(
            "no temperature from {} to {}: a gap of {:.0} min, more than the {longest_gap_minutes} that \
             are bridged ([readings] longest_gap_minutes in book.toml)",
            at(a),
            at(b),
            (b - a) as f64 / 60.0
        )));
    }
    let longest_gap_minutes = gaps.iter().map(|g| seconds(*g)).fold(0.0, f64::max) / 60.0;
    let points = cut(&points, start, end);
    let used: Vec<&Readings> = all.iter().filter(|r| files.contains(&r.file)).collect();
    let pairs = used.iter().enumerate().flat_map(|(i, a)| used[..i].iter().map(move |b| (*b, *a)));
    let notices = pairs.filter_map(|(a, b)| apart(a, b, [from, to], longest)).collect();
    Some(Ok(Course { files, n, longest_gap_minutes, notices, points }))
}

/// Two loggers in the same leaf differ by no more, in °C: common practice, no source.
const SAME_LEAF_C: f64 = 2.0;

/// Two files that differ by more than that at one moment between `from` and `to`, in words. The second
/// is taken as straight between its readings, but for gaps that are not bridged.
fn apart(a: &Readings, b: &Readings, [from, to]: [Moment; 2], longest: f64) -> Option<String> {
    let known = |r: &Readings| -> Vec<(i64, f64)> {
        r.seconds.iter().zip(&r.celsius).filter_map(|(s, c)| Some((*s, (*c)?))).collect()
    };
    let (a_known, b_known) = (known(a), known(b));
    let (start, end) = (from.timestamp().as_second(), to.timestamp().as_second());
    let (mut n, mut sum, mut most) = (0_u32, 0.0, (start, 0.0_f64));
    for (second, celsius) in a_known.iter().filter(|(s, _)| (start..=end).contains(s)) {
        let next = b_known.partition_point(|(s, _)| s < second);
        let other = match (next.checked_sub(1).map(|i| b_known[i]), b_known.get(next)) {
            (_, Some((s, c))) if s == second => *c,
            (Some((before, low)), Some((after, high))) if (after - before) as f64 <= longest => {
                low + (high - low) * (second - before) as f64 / (after - before) as f64
            }
            _ => continue,
        };
        let by = (celsius - other).abs();
        (n, sum) = (n + 1, sum + by);
        if by > most.1 {
            most = (*second, by);
        }
    }
    (most.1 > SAME_LEAF_C).then(|| {
        format!(
            "{} and {} ran at the same time and differ by up to {:.1} °C (at {}), by {:.1} °C on \
             average: both are taken together; if one did not lie in this leaf, move it out of the folder",
            a.file,
            b.file,
            most.1,
            Moment::at(most.0, from.offset()),
            sum / f64::from(n)
        )
    })
}

/// The points between two moments, with the straight lines cut at both; hours from the first.
fn cut(points: &[(i64, f64)], start: i64, end: i64) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::with_capacity(points.len());
    let hours = |s: i64| (s - start) as f64 / 3600.0;
    for w in points.windows(2) {
        let ((a, at_a), (b, at_b)) = (w[0], w[1]);
        let between = |s: i64| {
            if b == a { at_b } else { at_a + (at_b - at_a) * (s - a) as f64 / (b - a) as f64 }
        };
        let (from, to) = (a.max(start), b.min(end));
        if from > to {
            continue;
        }
        if out.is_empty() {
            out.push((hours(from), between(from)));
        }
        out.push((hours(to), between(to)));
    }
    out
}
