//! A horizontal axis of one panel: places, ticks, and estimates drawn as a dot on a line.

use super::canvas::{Anchor, Canvas};
use super::palette::{HAIRLINE, INK, Marker, PALE_INK};
use super::words::number;
use super::{Estimate, PlotError, font};
use plotters::style::RGBColor;

/// On an axis below this width, numbers stand closer to each other.
const NARROWEST: f64 = 110.0;

/// Maps values of a range to pixels from `left` to `right`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    pub(super) range: (f64, f64),
    pub(super) left: f64,
    pub(super) right: f64,
}

impl Axis {
    pub(super) fn x(&self, value: f64) -> f64 {
        let share = (value - self.range.0) / (self.range.1 - self.range.0);
        self.left + share * (self.right - self.left)
    }

    /// Round values inside the range, about one for every 36 pixels; closer where there is room for few.
    pub(super) fn ticks(&self) -> Vec<f64> {
        let wide = self.right - self.left;
        let apart = if wide < NARROWEST { 18.0 } else { 36.0 };
        ticks(self.range, (wide / apart).floor().max(2.0))
    }

    /// Vertical hairlines from `top` to `bottom` with their numbers below, and the two ends named below those.
    pub(super) fn draw(
        &self,
        canvas: &mut Canvas,
        top: f64,
        bottom: f64,
        ends: (&str, &str),
        place: &str,
    ) {
        for tick in self.ticks() {
            let x = self.x(tick);
            canvas.line((x, top), (x, bottom), 1.0, HAIRLINE);
            canvas.text(
                place,
                &number(tick),
                (x, bottom + 9.0),
                11.0,
                Anchor::Middle,
                PALE_INK,
                60.0,
            );
        }
        canvas.line((self.left, bottom), (self.right, bottom), 1.0, INK);
        // The two ends share the line: each gets what the other leaves, and no less than half of it.
        let whole = self.right - self.left - 12.0;
        let (low, high) = (format!("← {}", ends.0), format!("{} →", ends.1));
        let (low_width, high_width) = (font::text_width(&low, 11.0), font::text_width(&high, 11.0));
        let low_room = (whole - high_width).max(whole / 2.0);
        let high_room = (whole - low_width).max(whole / 2.0);
        let y = bottom + 25.0;
        if !ends.0.is_empty() {
            canvas.check(&format!("{place}, low end"), ends.0);
            canvas.text(place, &low, (self.left, y), 11.0, Anchor::Start, PALE_INK, low_room);
        }
        if !ends.1.is_empty() {
            canvas.check(&format!("{place}, high end"), ends.1);
            canvas.text(place, &high, (self.right, y), 11.0, Anchor::End, PALE_INK, high_room);
        }
    }

    /// An estimate as a dot on the line of its interval, with end marks; an interval that leaves the axis ends in a point.
    pub(super) fn estimate(
        &self,
        canvas: &mut Canvas,
        y: f64,
        estimate: &Estimate,
        marker: Marker,
        colour: RGBColor,
    ) {
        let (low, high) = self.range;
        let from = self.x(estimate.lower.clamp(low, high));
        let to = self.x(estimate.upper.clamp(low, high));
        canvas.line((from, y), (to, y), 1.6, INK);
        for (end, x, outside, way) in [
            (estimate.lower, from, estimate.lower < low, -1.0),
            (estimate.upper, to, estimate.upper > high, 1.0),
        ] {
            if outside {
                canvas.polygon(vec![(x + 6.0 * way, y), (x, y - 3.5), (x, y + 3.5)], INK);
            } else if end >= low && end <= high {
                canvas.line((x, y - 4.0), (x, y + 4.0), 1.6, INK);
            }
        }
        // A level of 0 may come as minus nothing: rounding must not take a dot off the chart.
        let rounding = 1e-9 * (high - low);
        if (low - rounding..=high + rounding).contains(&estimate.value) {
            let value = estimate.value.clamp(low, high);
            canvas.marker((self.x(value), y), 4.2, marker, colour);
        }
    }
}

/// Round values within a range, at most about `count` steps of 1, 2 or 5 times a power of ten.
pub(super) fn ticks((low, high): (f64, f64), count: f64) -> Vec<f64> {
    let raw = (high - low) / count;
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= raw * 0.999)
        .unwrap_or(raw);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}

/// Checks that a range goes upwards and is finite.
pub(super) fn check_range(place: &str, range: (f64, f64)) -> Result<(), PlotError> {
    if range.0.is_finite() && range.1.is_finite() && range.0 < range.1 {
        return Ok(());
    }
    Err(PlotError::BadNumber {
        place: format!("{place}, range of the axis"),
        found: format!("{} to {}", range.0, range.1),
        expected: "two finite numbers, the lower first",
    })
}

/// Checks that an estimate is finite and lies within its interval.
pub(super) fn check_estimate(place: &str, estimate: &Estimate) -> Result<(), PlotError> {
    let Estimate { value, lower, upper } = *estimate;
    if [value, lower, upper].iter().all(|v| v.is_finite()) && lower <= value && value <= upper {
        return Ok(());
    }
    Err(PlotError::BadNumber {
        place: place.to_owned(),
        found: format!("{value} with the interval {lower} to {upper}"),
        expected: "finite numbers with the value inside its interval",
    })
}
