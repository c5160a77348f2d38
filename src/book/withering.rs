//! What withering did: how much mass was lost, how fast, and how thick the leaf lay.

use super::derived::{Got, shown};
use super::lots::{How, Lot};

impl Lot {
    /// Mass lost in withering, in percent of what was put to wither:
    /// `100 · (mass_in − mass_out) / mass_in`.
    pub(super) fn wither_loss(&self) -> Option<Got> {
        let (mass_in, e1) = self.number("wither.mass-in", "kg").filter(|(kg, _)| *kg > 0.0)?;
        let (mass_out, e2) = self.number("wither.mass-out", "kg")?;
        (mass_out <= mass_in).then(|| Got {
            value: 100.0 * (mass_in - mass_out) / mass_in,
            how: format!("{} kg that became {} kg in withering", shown(mass_in), shown(mass_out)),
            estimated: e1 || e2,
        })
    }

    /// How fast it was lost: percentage points of the mass put to wither, an hour.
    pub(super) fn wither_rate(&self) -> Option<Got> {
        let loss = self.wither_loss()?;
        let (hours, estimated, from) = self.wither_hours().filter(|(h, _, _)| *h > 0.0)?;
        Some(Got {
            value: loss.value / hours,
            how: format!("{} over {} h ({from})", loss.how, shown(hours)),
            estimated: loss.estimated || estimated,
        })
    }

    fn wither_hours(&self) -> Option<(f64, bool, &'static str)> {
        if let Some((hours, estimated)) = self.number("wither.hours", "h") {
            return Some((hours, estimated, "wither.hours"));
        }
        let (start, roll) = (self.making("wither.start")?, self.making("roll.start")?);
        let hours = roll.value.moment()?.hours_since(start.value.moment()?);
        let estimated = start.how == How::Estimated || roll.how == How::Estimated;
        Some((hours, estimated, "wither.start to roll.start"))
    }

    /// How much leaf lay on a square metre: `mass_in / area`, in kg/m².
    pub(super) fn wither_load(&self) -> Option<Got> {
        let (mass_in, e1) = self.number("wither.mass-in", "kg")?;
        let (area, e2) = self.number("wither.area", "m²").filter(|(m2, _)| *m2 > 0.0)?;
        Some(Got {
            value: mass_in / area,
            how: format!("{} kg on {} m²", shown(mass_in), shown(area)),
            estimated: e1 || e2,
        })
    }
}
