//! What follows from a lot's values, and how it was got.

use super::book_file::Limits;
use super::ids;
use super::lots::{How, Lot, LotValue, MAIN};
use super::units;

/// A number that was worked out, or measured, with how it was got.
#[derive(Debug, Clone, PartialEq)]
pub struct Got {
    /// The number.
    pub value: f64,
    /// How it was got, in words.
    pub how: String,
    /// Whether any of the values behind it was estimated.
    pub estimated: bool,
}

/// What follows from a lot's values.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Derived {
    /// Mass lost from fresh leaf to made tea, in percent of the fresh leaf.
    pub mass_loss_pct: Option<Got>,
    /// Moisture of the withered leaf, percent, wet basis.
    pub wither_moisture_pct: Option<Got>,
    /// Moisture of the made tea, percent, wet basis.
    pub moisture_pct: Option<Got>,
    /// Hours of oxidation, from the first roll to the drier where both moments are known.
    pub oxidation_hours: Option<Got>,
    /// Mean temperature of the oxidising leaf, degrees Celsius.
    pub oxidation_c: Option<Got>,
}

impl Derived {
    /// The dose of oxidation `log2(h · q10^((T − 25)/10) / 3)`, with h in hours and T in degrees
    /// Celsius: 0 for three hours at 25 °C, 1 for twice as much. `q10` is an assumption.
    #[must_use]
    pub fn oxidation_dose(&self, q10: f64) -> Option<Got> {
        let (hours, celsius) = (self.oxidation_hours.as_ref()?, self.oxidation_c.as_ref()?);
        let dose = (hours.value * q10.powf((celsius.value - 25.0) / 10.0) / 3.0).log2();
        dose.is_finite().then(|| Got {
            value: dose,
            how: format!(
                "{} h at {} °C, taking the rate to rise {q10} times with 10 degrees",
                shown(hours.value),
                shown(celsius.value)
            ),
            estimated: hours.estimated || celsius.estimated,
        })
    }
}

/// Moisture after a change of mass in which no dry matter is lost:
/// `100 · (1 − (1 − m/100) · mass_in / mass_out)`, all moistures in percent, wet basis.
/// `None` if less than the dry matter came out.
#[must_use]
pub fn moisture_after(moisture_pct: f64, mass_in: f64, mass_out: f64) -> Option<f64> {
    let after = 100.0 * (1.0 - (1.0 - moisture_pct / 100.0) * mass_in / mass_out);
    (0.0..=100.0).contains(&after).then_some(after)
}

impl Lot {
    /// What follows from the lot's values of making.
    #[must_use]
    pub fn derived(&self) -> Derived {
        Derived {
            mass_loss_pct: self.mass_loss(),
            wither_moisture_pct: self.wither_moisture(),
            moisture_pct: self.made_moisture(),
            oxidation_hours: self.oxidation_hours(),
            oxidation_c: self.as_logged("oxidise.temperature", "°C"),
        }
    }

    /// What is to be warned of: tea that is too moist to be stored. The latest measurement of an
    /// arm counts, else the moisture of the made tea.
    #[must_use]
    pub fn warnings(&self, limits: &Limits) -> Vec<String> {
        let limit = limits.moisture_warning_pct;
        let mut warnings = Vec::new();
        for arm in self.arms() {
            let latest = self
                .values
                .iter()
                .filter(|v| ["dry.moisture", "store.moisture"].contains(&v.parameter.as_str()))
                .filter(|v| v.arm.as_ref().is_none_or(|a| ids::same(a, &arm)))
                .filter_map(|v| units::convert(v.value.number()?, v.unit.as_deref()?, "%"))
                .next_back();
            let moisture = latest.or_else(|| self.derived().moisture_pct.map(|got| got.value));
            if let Some(warning) = moisture.and_then(|m| moisture_warning(m, limit)) {
                let of = if arm == MAIN { String::new() } else { format!("@{arm}") };
                warnings.push(format!("{}{of}: {warning}", self.id));
            }
        }
        for arm in self.all_arms() {
            if let Some(r) = self.reserve(&arm).filter(|r| r.kept_g > 0.0 && r.left_g < 0.0) {
                warnings.push(format!(
                    "{}@{arm}: {} g were drawn from a reserve of {} g: weigh what is left, and \
                     correct the log",
                    self.id,
                    shown(r.drawn_g),
                    shown(r.kept_g)
                ));
            }
        }
        warnings
    }

    fn making(&self, parameter: &str) -> Option<&LotValue> {
        self.parameter_of(parameter, MAIN)
    }

    /// A value of making in a unit, whatever unit the parameter has in this book.
    fn number(&self, parameter: &str, unit: &str) -> Option<(f64, bool)> {
        let v = self.making(parameter)?;
        let number = units::convert(v.value.number()?, v.unit.as_deref()?, unit)?;
        Some((number, v.how == How::Estimated))
    }

    fn as_logged(&self, parameter: &str, unit: &str) -> Option<Got> {
        let (value, estimated) = self.number(parameter, unit)?;
        let how = if estimated { "estimated" } else { "measured" };
        Some(Got { value, how: format!("{how} as {parameter}"), estimated })
    }

    fn fresh_mass(&self) -> Option<(f64, bool, &'static str)> {
        ["pluck.mass", "wither.mass-in"].into_iter().find_map(|parameter| {
            let (kg, estimated) = self.number(parameter, "kg")?;
            (kg > 0.0).then_some((kg, estimated, parameter))
        })
    }

    fn made_mass(&self) -> Option<(f64, bool, &'static str)> {
        match self.number("dry.mass-out", "kg") {
            Some((kg, estimated)) => (kg > 0.0).then_some((kg, estimated, "dry.mass-out")),
            // A blend's kilograms say nothing of fresh leaf.
            None if self.file.value.parents.is_empty() => {
                self.file.value.kg.map(|kg| (kg, false, "the lot's kg"))
            }
            None => None,
        }
    }

    fn mass_loss(&self) -> Option<Got> {
        let (fresh, e1, from) = self.fresh_mass()?;
        let (made, e2, to) = self.made_mass()?;
        (made <= fresh).then(|| Got {
            value: 100.0 * (fresh - made) / fresh,
            how: format!("from {} kg ({from}) to {} kg ({to})", shown(fresh), shown(made)),
            estimated: e1 || e2,
        })
    }

    fn wither_moisture(&self) -> Option<Got> {
        if let Some(got) = self.as_logged("wither.moisture", "%") {
            return Some(got);
        }
        let (moisture, e1) = self.number("pluck.moisture", "%")?;
        let (mass_in, e2) = self.number("wither.mass-in", "kg")?;
        let (mass_out, e3) = self.number("wither.mass-out", "kg")?;
        Some(Got {
            value: moisture_after(moisture, mass_in, mass_out)?,
            how: format!(
                "from {} % in the fresh leaf and {} kg that became {} kg",
                shown(moisture),
                shown(mass_in),
                shown(mass_out)
            ),
            estimated: e1 || e2 || e3,
        })
    }

    fn made_moisture(&self) -> Option<Got> {
        if let Some(got) = self.as_logged("dry.moisture", "%") {
            return Some(got);
        }
        let (moisture, e1) = self.number("pluck.moisture", "%")?;
        let (fresh, e2, from) = self.fresh_mass()?;
        let (made, e3, to) = self.made_mass()?;
        Some(Got {
            value: moisture_after(moisture, fresh, made)?,
            how: format!(
                "from {} % in the fresh leaf and {} kg ({from}) that became {} kg ({to}), taking it \
                 that no leaf was lost",
                shown(moisture),
                shown(fresh),
                shown(made)
            ),
            estimated: e1 || e2 || e3,
        })
    }

    fn oxidation_hours(&self) -> Option<Got> {
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
}

/// At most four significant digits behind what is whole.
fn shown(x: f64) -> String {
    format!("{}", (x * 1e4).round() / 1e4)
}

/// The warning for tea that is too moist to be stored, with the safety text.
#[must_use]
pub fn moisture_warning(moisture_pct: f64, limit_pct: f64) -> Option<String> {
    (moisture_pct >= limit_pct).then(|| {
        format!(
            "moisture of {} % (wet basis) is not below {limit_pct} %: mould may grow in store.\n\
             Dry it again and measure again. Never taste leaf that smells musty or shows mould:\n\
             discard it, drying does not save it. Tasting does not establish food safety: follow\n\
             local food law and use a licensed laboratory.",
            shown(moisture_pct)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dry_matter_is_kept_when_water_leaves() {
        // By hand: 100 kg at 75 % hold 25 kg of dry matter; in 62.5 kg these are 40 %.
        assert!((moisture_after(75.0, 100.0, 62.5).unwrap() - 60.0).abs() < 1e-12);
        assert!((moisture_after(75.0, 100.0, 25.0).unwrap()).abs() < 1e-12);
        assert_eq!(moisture_after(75.0, 100.0, 24.0), None);
    }

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

    #[test]
    fn tea_at_the_limit_is_warned_of() {
        assert!(moisture_warning(6.5, 6.5).unwrap().contains("licensed laboratory"));
        assert_eq!(moisture_warning(6.4, 6.5), None);
    }
}
