//! What follows from a lot's values, and how it was got.

use super::course::Course;
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
    /// Mean temperature of the oxidising leaf, degrees Celsius: of readings, else as logged.
    pub oxidation_c: Option<Got>,
    /// The temperature of the oxidising leaf by a logger's readings.
    pub course: Option<Course>,
    /// Mass lost in withering, in percent of what was put to wither.
    pub wither_loss_pct: Option<Got>,
    /// How fast it was lost, in percentage points an hour.
    pub wither_rate: Option<Got>,
    /// How much leaf lay on a square metre, in kilograms.
    pub wither_load: Option<Got>,
    /// Minutes of rolling under pressure.
    pub press_minutes: Option<Got>,
    /// How often pressure was put on and released.
    pub press_cycles: Option<Got>,
    /// What contradicts itself or could not be worked out, in words.
    pub notes: Vec<String>,
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
        let mut notes = self.followed.notes.clone();
        let oxidation_c = self.oxidation_c(&mut notes);
        let pressed = self.pressed(&mut notes);
        Derived {
            mass_loss_pct: self.mass_loss(),
            wither_moisture_pct: self.wither_moisture(),
            moisture_pct: self.made_moisture(),
            oxidation_hours: self.oxidation_hours(),
            oxidation_c,
            course: self.followed.course.clone(),
            wither_loss_pct: self.wither_loss(),
            wither_rate: self.wither_rate(),
            wither_load: self.wither_load(),
            press_minutes: pressed.minutes,
            press_cycles: pressed.cycles,
            notes,
        }
    }

    pub(super) fn making(&self, parameter: &str) -> Option<&LotValue> {
        self.parameter_of(parameter, MAIN)
    }

    /// A value of making in a unit, whatever unit the parameter has in this book.
    pub(super) fn number(&self, parameter: &str, unit: &str) -> Option<(f64, bool)> {
        let v = self.making(parameter)?;
        let number = units::convert(v.value.number()?, v.unit.as_deref()?, unit)?;
        Some((number, v.how == How::Estimated))
    }

    pub(super) fn as_logged(&self, parameter: &str, unit: &str) -> Option<Got> {
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

    pub(super) fn made_moisture(&self) -> Option<Got> {
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
}

/// At most four significant digits behind what is whole.
pub(super) fn shown(x: f64) -> String {
    // The sum of nothing is -0.
    format!("{}", (x * 1e4).round() / 1e4 + 0.0)
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
}
