//! Where a lot's kilograms went.

use super::ids;
use super::lots::{Lot, MAIN};
use super::units;

/// The masses of a lot.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// Kilograms of made tea: kg of lot.toml, else dry.mass-out of the log.
    pub made_kg: Option<f64>,
    /// Which of the two it is.
    pub made_by: Option<&'static str>,
    /// What went into other lots.
    pub given: Vec<Given>,
    /// Kilograms that went into other lots, as far as they are known.
    pub given_kg: f64,
    /// Kilograms left: made less given; none if either is not wholly known.
    pub left_kg: Option<f64>,
    /// Why no kilograms left are told.
    pub unknown: Option<String>,
    /// The arms into which a known mass was put.
    pub arms: Vec<ArmMass>,
}

/// What was put into an arm.
#[derive(Debug, Clone, PartialEq)]
pub struct ArmMass {
    /// The arm.
    pub id: String,
    /// Kilograms put into it.
    pub kg: f64,
    /// Kilograms left of these; none if it is not said how much went from it into another lot.
    pub left_kg: Option<f64>,
}

/// What went into another lot.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// The lot that came of it.
    pub lot: String,
    /// From which arm.
    pub arm: String,
    /// Kilograms.
    pub kg: Option<f64>,
}

impl Balance {
    /// Kilograms that went from an arm into other lots.
    #[must_use]
    pub fn given_of(&self, arm: &str) -> f64 {
        self.given.iter().filter(|g| ids::same(&g.arm, arm)).filter_map(|g| g.kg).sum()
    }

    /// Kilograms left of what was put into an arm, if both are known; of "main" what was neither
    /// put into arms of known mass nor given away before.
    #[must_use]
    pub fn left_of(&self, arm: &str) -> Option<f64> {
        if ids::same(arm, MAIN) {
            let put: f64 = self.arms.iter().map(|a| a.kg).sum();
            return self.made_kg.map(|made| rounded(made - put - self.given_of(MAIN)));
        }
        self.arms.iter().find(|a| ids::same(&a.id, arm)).and_then(|a| a.left_kg)
    }
}

/// Whether one mass is more than another, beyond what binary arithmetic adds.
#[must_use]
pub fn more_than(a: f64, b: f64) -> bool {
    a > b + b.abs().max(1.0) * 1e-9
}

/// The masses of a lot among the others.
#[must_use]
pub fn balance(lot: &Lot, lots: &[Lot]) -> Balance {
    let file = &lot.file.value;
    let logged = || {
        let v = lot.parameter_of("dry.mass-out", MAIN)?;
        units::convert(v.value.number()?, v.unit.as_deref()?, "kg").filter(|kg| *kg > 0.0)
    };
    let (made_kg, made_by) = match (file.kg, logged()) {
        (Some(kg), _) => (Some(kg), Some("kg of lot.toml")),
        (None, Some(kg)) => (Some(kg), Some("dry.mass-out of its log")),
        (None, None) => (None, None),
    };
    let given: Vec<Given> = lots
        .iter()
        .flat_map(|child| child.file.value.parents.iter().map(move |p| (child, p)))
        .filter(|(_, p)| ids::same(&p.lot, &lot.id))
        .map(|(child, p)| Given {
            lot: child.id.clone(),
            arm: p.arm.clone().unwrap_or_else(|| MAIN.to_owned()),
            kg: p.kg,
        })
        .collect();
    let given_kg: f64 = given.iter().filter_map(|g| g.kg).sum();
    let unweighed: Vec<&str> =
        given.iter().filter(|g| g.kg.is_none()).map(|g| g.lot.as_str()).collect();
    let unknown = if made_kg.is_none() {
        Some("neither kg of lot.toml nor dry.mass-out says how much was made".to_owned())
    } else if unweighed.is_empty() {
        None
    } else {
        Some(format!("it is not said how much went into {}", unweighed.join(", ")))
    };
    let left_kg = made_kg.filter(|_| unknown.is_none()).map(|made| rounded(made - given_kg));
    let arms = file
        .arms
        .iter()
        .filter_map(|a| {
            let mine = || given.iter().filter(|g| ids::same(&g.arm, &a.id));
            let kg = a.kg?;
            let out: Option<f64> = mine().map(|g| g.kg).sum();
            let left_kg = out.map(|out| rounded(kg - out));
            Some(ArmMass { id: a.id.clone(), kg, left_kg })
        })
        .collect();
    Balance { made_kg, made_by, given, given_kg: rounded(given_kg), left_kg, unknown, arms }
}

/// 0.3 − 0.1 are 0.2: without what binary arithmetic adds behind the twelfth digit.
fn rounded(kg: f64) -> f64 {
    (kg * 1e9).round() / 1e9
}
