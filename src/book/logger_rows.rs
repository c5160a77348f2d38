//! The rows of a logger file: put in order, each moment once, with what was odd in them.

use jiff::tz::Offset;

use super::logger_clock::{jumps, jumps_back};
use super::logger_form::Columns;
use super::readings::Readings;
use super::time::Moment;

/// The rows of a logger file as they came.
#[derive(Default)]
pub(super) struct Rows {
    lines: Vec<u32>,
    pub(super) seconds: Vec<i64>,
    celsius: Vec<Option<f64>>,
    humidity_pct: Vec<Option<f64>>,
    pub(super) n_other_clock: usize,
    pub(super) first_other_clock: Option<usize>,
}

impl Rows {
    /// Makes room for so many rows.
    pub(super) fn reserve(&mut self, n: usize) {
        self.lines.reserve(n);
        self.seconds.reserve(n);
        self.celsius.reserve(n);
        self.humidity_pct.reserve(n);
    }

    /// Puts the rows behind these.
    pub(super) fn append(&mut self, mut next: Self) {
        self.lines.append(&mut next.lines);
        self.seconds.append(&mut next.seconds);
        self.celsius.append(&mut next.celsius);
        self.humidity_pct.append(&mut next.humidity_pct);
        self.n_other_clock += next.n_other_clock;
        self.first_other_clock = self.first_other_clock.or(next.first_other_clock);
    }

    pub(super) fn push(
        &mut self,
        line: usize,
        second: i64,
        celsius: Option<f64>,
        humidity: Option<f64>,
    ) {
        self.lines.push(u32::try_from(line).unwrap_or(u32::MAX));
        self.seconds.push(second);
        self.celsius.push(celsius);
        self.humidity_pct.push(humidity);
    }

    /// Puts the rows in order, each moment once, and says what was odd.
    pub(super) fn settle(
        self,
        file: &str,
        columns: &Columns,
        set_gap_minutes: Option<f64>,
        clock: Offset,
    ) -> Readings {
        let n = self.seconds.len();
        let longest_gap_minutes = set_gap_minutes.unwrap_or_else(|| self.gap_minutes());
        let (mut order, runs) = self.in_order((longest_gap_minutes * 60.0).round() as i64);
        let now = Moment::now().timestamp().as_second();
        let mut notices = jumps(file, (&self.seconds, &self.lines), &runs, clock, now);
        // Each with the line of the first reading that it is about.
        let mut tell = |n: usize, first: Option<u32>, what: &str| {
            if let (Some(line), true) = (first, n > 0) {
                let readings = if n == 1 { "reading" } else { "readings" };
                let first = if n == 1 { "" } else { " (this line is the first)" };
                notices.push(format!("{file}:{line}: {n} {readings} {what}{first}"));
            }
        };
        let line = |at: usize| self.lines.get(at).copied();
        let told = |i: usize| runs.iter().any(|(jump, _)| *jump == i);
        let mut back =
            (1..n).filter(|i| self.seconds[*i] < self.seconds[*i - 1]).filter(|i| !told(*i));
        let first = back.next();
        let unsorted = first.map_or(0, |_| 1 + back.count());
        tell(
            unsorted,
            first.and_then(line),
            "stood before earlier ones; all were put in the order of time",
        );
        let wanted: Vec<(&[Option<f64>], &str)> = [
            (columns.celsius.is_some(), &self.celsius, "a temperature"),
            (columns.humidity.is_some(), &self.humidity_pct, "a humidity"),
        ]
        .into_iter()
        .filter_map(|(there, values, what)| there.then_some((values.as_slice(), what)))
        .collect();
        for (values, what) in wanted {
            let missing = values.iter().filter(|c| c.is_none()).count();
            let first = values.iter().position(Option::is_none).and_then(line);
            tell(
                missing,
                first,
                &format!("without {what}; what lies between their neighbours counts"),
            );
        }
        let shown = Moment::at(self.seconds[0], clock);
        let other = format!("with an offset of their own, unlike that of {shown}; it was followed");
        let first = self.first_other_clock.and_then(|l| u32::try_from(l).ok());
        tell(self.n_other_clock, first, &other);
        let in_order = order.len() == n && self.seconds.windows(2).all(|w| w[0] < w[1]);
        if in_order {
            // As nearly all loggers write.
            self.without_unit(file, columns, &mut notices);
            return Readings {
                file: file.to_owned(),
                seconds: self.seconds,
                celsius: self.celsius,
                humidity_pct: self.humidity_pct,
                longest_gap_minutes,
                set_gap_minutes,
                notices,
            };
        }
        order.sort_by_key(|i| self.seconds[*i]);
        let n = order.len();
        let mut settled = Readings {
            file: file.to_owned(),
            seconds: Vec::with_capacity(n),
            celsius: Vec::with_capacity(n),
            humidity_pct: Vec::with_capacity(n),
            longest_gap_minutes,
            set_gap_minutes,
            notices: Vec::new(),
        };
        let (mut twice, mut unlike) = ((0, None), (0, None));
        let mut at = 0;
        while at < n {
            let second = self.seconds[order[at]];
            let mut end = at + 1;
            while end < n && self.seconds[order[end]] == second {
                end += 1;
            }
            settled.seconds.push(second);
            let first = order[at];
            if end == at + 1 {
                settled.celsius.push(self.celsius[first]);
                settled.humidity_pct.push(self.humidity_pct[first]);
            } else {
                let same = &order[at..end];
                twice.0 += same.len() - 1;
                twice.1 = twice.1.or_else(|| line(same[1]));
                let differ = same[1..].iter().filter(|i| {
                    self.celsius[**i] != self.celsius[first]
                        || self.humidity_pct[**i] != self.humidity_pct[first]
                });
                for other in differ {
                    unlike.0 += 1;
                    unlike.1 = unlike.1.or_else(|| line(*other));
                }
                settled.celsius.push(mean(same.iter().filter_map(|i| self.celsius[*i])));
                settled.humidity_pct.push(mean(same.iter().filter_map(|i| self.humidity_pct[*i])));
            }
            at = end;
        }
        tell(twice.0, twice.1, "stood there a second time; each moment counts once");
        tell(unlike.0, unlike.1, "unlike another of the same moment; their mean counts");
        self.without_unit(file, columns, &mut notices);
        settled.notices = notices;
        settled
    }

    fn without_unit(&self, file: &str, columns: &Columns, notices: &mut Vec<String>) {
        if columns.celsius.is_some() && columns.scale.is_none() {
            notices.push(format!("{file}: the header says no unit of temperature; °C was taken"));
        }
    }

    /// The longest gap that is bridged where the book says none: 2.5 times the usual step, so that one
    /// reading may be missing, and half an hour at least. Common practice, no source.
    fn gap_minutes(&self) -> f64 {
        let steps = self.seconds.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|s| *s > 0);
        let mut steps: Vec<i64> = steps.collect();
        let middle = steps.len() / 2;
        if steps.is_empty() {
            return LEAST_GAP_MINUTES;
        }
        let (_, median, _) = steps.select_nth_unstable(middle);
        (2.5 * *median as f64 / 60.0).max(LEAST_GAP_MINUTES)
    }

    /// The rows that count, and the first rows behind a jump back of the clock, each with how many of
    /// its run are left out: those in time that an earlier run knows already, but for plain copies.
    fn in_order(&self, longest_gap: i64) -> (Vec<usize>, Vec<(usize, usize)>) {
        let n = self.seconds.len();
        let starts = jumps_back(&self.seconds);
        let mut kept: Vec<usize> = (0..starts.first().copied().unwrap_or(n)).collect();
        let mut runs = Vec::new();
        for (k, start) in starts.iter().enumerate() {
            kept.sort_by_key(|i| self.seconds[*i]);
            let end = starts.get(k + 1).copied().unwrap_or(n);
            let (mut new, mut left_out) = (Vec::new(), 0);
            for i in *start..end {
                let second = self.seconds[i];
                let next = kept.partition_point(|j| self.seconds[*j] < second);
                let known = match (next.checked_sub(1).map(|b| kept[b]), kept.get(next)) {
                    (_, Some(j)) if self.seconds[*j] == second => {
                        self.celsius[*j] != self.celsius[i]
                            || self.humidity_pct[*j] != self.humidity_pct[i]
                    }
                    (Some(b), Some(j)) => self.seconds[*j] - self.seconds[b] <= longest_gap,
                    _ => false,
                };
                if known {
                    left_out += 1;
                } else {
                    new.push(i);
                }
            }
            kept.extend(new);
            runs.push((*start, left_out));
        }
        (kept, runs)
    }
}

/// So long a gap between two readings is bridged at least. Common practice, no source.
pub(super) const LEAST_GAP_MINUTES: f64 = 30.0;

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut n, mut sum) = (0.0, 0.0);
    for value in values {
        n += 1.0;
        sum += value;
    }
    (n > 0.0).then(|| sum / n)
}
