//! How long and how warm the leaf oxidised, and the dose that follows.

use super::course::Course;
use super::derived::{Derived, Got, shown};
use super::lots::{How, Lot};

/// The rates of which nobody knows which holds: what is found is looked at under each.
pub const Q10_TRIED: [f64; 3] = [1.5, 2.0, 2.5];

/// The factor per ten degrees under which two ways of oxidising come to the same dose:
/// `(h_cool / h_warm)^(10/(T_warm − T_cool))`, each way as hours and degrees Celsius. `None` if that
/// is no number (the same temperature, or no time).
#[must_use]
pub fn implied_q10(warm: (f64, f64), cool: (f64, f64)) -> Option<f64> {
    let q10 = (cool.0 / warm.0).powf(10.0 / (warm.1 - cool.1));
    (q10.is_finite() && q10 > 0.0).then_some(q10)
}

/// The lowest and the highest factor that makes about 3 h in a warm pile near 40 °C and 6 to 8 h
/// overnight at 15 to 20 °C alike, as they come out by common practice (no source). It checks the
/// dose, and is not taken for the truth.
#[must_use]
pub fn q10_of_practice() -> (f64, f64) {
    let corners = [(6.0, 15.0), (6.0, 20.0), (8.0, 15.0), (8.0, 20.0)];
    let implied = corners.iter().filter_map(|cool| implied_q10((3.0, 40.0), *cool));
    implied.fold((f64::INFINITY, 0.0), |(low, high), q| (q.min(low), q.max(high)))
}

/// `log2(h/3)` of hours at 25 °C.
fn dose(hours_at_25: f64) -> Option<f64> {
    Some((hours_at_25 / 3.0).log2()).filter(|d| d.is_finite())
}

impl Derived {
    /// The dose of oxidation: `log2` of the hours at 25 °C that come to the same, over 3: 0 for three
    /// hours at 25 °C, 1 for twice as much. `∫ q10^((T − 25)/10) dt` over a logger's readings where
    /// there are any, else `h · q10^((T − 25)/10)` with the hours and the mean temperature, in hours
    /// and degrees Celsius. `q10` is an assumption.
    #[must_use]
    pub fn oxidation_dose(&self, q10: f64) -> Option<Got> {
        if let Some(course) = &self.course {
            return Some(Got {
                value: dose(course.hours_at_25(q10))?,
                how: format!(
                    "{} readings over {} h, taking the rate to rise {q10} times with 10 degrees",
                    course.n,
                    shown(course.hours())
                ),
                estimated: self.oxidation_hours.as_ref().is_some_and(|h| h.estimated),
            });
        }
        let (hours, celsius) = (self.oxidation_hours.as_ref()?, self.oxidation_c.as_ref()?);
        Some(Got {
            value: dose(hours.value * q10.powf((celsius.value - 25.0) / 10.0))?,
            how: format!(
                "{} h at {} °C, taking the rate to rise {q10} times with 10 degrees",
                shown(hours.value),
                shown(celsius.value)
            ),
            estimated: hours.estimated || celsius.estimated,
        })
    }
}

impl Lot {
    pub(super) fn oxidation_hours(&self) -> Option<Got> {
        if let (Some(roll), Some(dry)) = (self.making("roll.start"), self.making("dry.start")) {
            let (from, to) = (roll.value.moment()?, dry.value.moment()?);
            let hours = to.hours_since(from);
            return (hours > 0.0).then(|| Got {
                value: hours,
                how: "from the first roll (roll.start) to the drier (dry.start)".to_owned(),
                estimated: roll.how == How::Estimated || dry.how == How::Estimated,
            });
        }
        let (tray, e1) = self.number("oxidise.hours", "h")?;
        if let Some((rolling, e2)) = self.number("roll.minutes", "h") {
            return Some(Got {
                value: rolling + tray,
                how: "roll.minutes and oxidise.hours together; waiting between them is not counted"
                    .to_owned(),
                estimated: e1 || e2,
            });
        }
        Some(Got {
            value: tray,
            how: "oxidise.hours alone: falls short by the time from the first roll".to_owned(),
            estimated: e1,
        })
    }

    /// The mean temperature of the oxidising leaf: of a logger's readings, else as it was logged. A
    /// difference between the two is told in `notes`.
    pub(super) fn oxidation_c(&self, notes: &mut Vec<String>) -> Option<Got> {
        let logged = self.as_logged("oxidise.temperature", "°C");
        let Some(course) = &self.followed.course else { return logged };
        let mean = course.mean_c();
        if let Some(logged) = logged.filter(|l| (l.value - mean).abs() >= 0.05) {
            notes.push(format!(
                "oxidise.temperature is {} °C as logged and {mean:.1} °C by the readings ({}); the \
                 readings count",
                shown(logged.value),
                course.files.join(", ")
            ));
        }
        Some(Got { value: mean, how: of_readings(course), estimated: false })
    }
}

fn of_readings(course: &Course) -> String {
    // What lies between two readings of a regular logger is no gap.
    let usual = 60.0 * course.hours() / course.n.max(1) as f64;
    let gap = if course.longest_gap_minutes > 1.5 * usual {
        format!(", gaps of up to {:.0} min bridged", course.longest_gap_minutes)
    } else {
        String::new()
    };
    format!("mean of {} readings in {}{gap}", course.n, course.files.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_hours_at_twenty_five_degrees_are_a_dose_of_nought() {
        let got = |value| Some(Got { value, how: String::new(), estimated: false });
        let dose = |hours, celsius| {
            Derived { oxidation_hours: got(hours), oxidation_c: got(celsius), ..Derived::default() }
                .oxidation_dose(2.0)
                .unwrap()
                .value
        };
        // By hand: doubling the time, or ten degrees more at a factor of 2, adds 1 each.
        assert!(dose(3.0, 25.0).abs() < 1e-12);
        assert!((dose(6.0, 25.0) - 1.0).abs() < 1e-12);
        assert!((dose(6.0, 35.0) - 2.0).abs() < 1e-12);
    }

    /// Common practice, no source: both ways come out alike. By hand: 6 h at 15 °C against 3 h at 40
    /// °C: 2^(10/25) = 1.3195; 8 h at 20 °C: (8/3)^(10/20) = 1.6330.
    #[test]
    fn a_warm_pile_and_a_cool_night_have_the_same_dose_at_the_rate_that_practice_implies() {
        let (low, high) = q10_of_practice();
        assert!((low - 1.3195).abs() < 5e-5 && (high - 1.6330).abs() < 5e-5, "{low} to {high}");
        let got = |value| Some(Got { value, how: String::new(), estimated: false });
        let dose = |(hours, celsius), q10| {
            Derived { oxidation_hours: got(hours), oxidation_c: got(celsius), ..Derived::default() }
                .oxidation_dose(q10)
                .unwrap()
                .value
        };
        for cool in [(6.0, 15.0), (7.0, 17.5), (8.0, 20.0)] {
            let q10 = implied_q10((3.0, 40.0), cool).unwrap();
            assert!((low..=high).contains(&q10));
            assert!((dose((3.0, 40.0), q10) - dose(cool, q10)).abs() < 1e-12);
            // At any other rate they are not alike.
            assert!((dose((3.0, 40.0), 2.5) - dose(cool, 2.5)).abs() > 0.5);
        }
        assert_eq!(implied_q10((3.0, 40.0), (6.0, 40.0)), None);
    }
}
