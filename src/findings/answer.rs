//! A number that may not be known, with the reason why not.

use schemars::JsonSchema;
use serde::Serialize;

/// Something that is known, or the reason why it is not. In JSON an unknown one is
/// `{"value": null, "reason": "…"}`: a null never stands without its reason.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Answer<T> {
    /// It is known.
    Known(T),
    /// It is not.
    Unknown(Unknown),
}

/// Why something is not known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Unknown {
    /// Always null.
    pub value: (),
    /// Why.
    pub reason: String,
}

impl<T> Answer<T> {
    /// Not known, and why.
    pub fn unknown(reason: impl Into<String>) -> Self {
        Self::Unknown(Unknown { value: (), reason: reason.into() })
    }

    /// What is known.
    pub fn known(&self) -> Option<&T> {
        match self {
            Self::Known(value) => Some(value),
            Self::Unknown(_) => None,
        }
    }

    /// Why it is not known.
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Known(_) => None,
            Self::Unknown(u) => Some(&u.reason),
        }
    }

    /// Goes on with what is known.
    pub fn and_then<U>(self, next: impl FnOnce(T) -> Answer<U>) -> Answer<U> {
        match self {
            Self::Known(value) => next(value),
            Self::Unknown(u) => Answer::Unknown(u),
        }
    }

    /// Turns what is known into something else.
    pub fn map<U>(self, next: impl FnOnce(T) -> U) -> Answer<U> {
        self.and_then(|value| Answer::Known(next(value)))
    }

    /// A look at what is known.
    pub fn as_ref(&self) -> Answer<&T> {
        match self {
            Self::Known(value) => Answer::Known(value),
            Self::Unknown(u) => Answer::Unknown(u.clone()),
        }
    }

    /// A result, its error as the reason.
    pub fn of<E: std::fmt::Display>(result: Result<T, E>) -> Self {
        match result {
            Ok(value) => Self::Known(value),
            Err(e) => Self::unknown(e.to_string()),
        }
    }
}

/// A value with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Whether two limits are one but for rounding.
pub(super) fn on_one_point(lower: f64, upper: f64) -> bool {
    upper - lower <= 1e-12_f64.max(1e-9 * lower.abs().max(upper.abs()))
}

impl Estimate {
    /// A value with its limits, if all are finite and they are two. Limits on one point are what a formula
    /// gives where nothing varied in what it was given: too little was seen then, and nothing is sure.
    pub fn of(value: f64, lower: f64, upper: f64) -> Answer<Self> {
        if ![value, lower, upper].iter().all(|x| x.is_finite()) {
            Answer::unknown("too little varies for an interval")
        } else if on_one_point(lower, upper) {
            Answer::unknown(format!(
                "its limits would fall on one point ({}), which is no sign of sureness: nothing varies \
                 about it, or its range ends there",
                super::say(value)
            ))
        } else {
            Answer::Known(Self { value, lower, upper })
        }
    }

    /// Whether a value lies outside the interval.
    #[must_use]
    pub fn excludes(&self, x: f64) -> bool {
        x < self.lower || x > self.upper
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_on_one_point_are_none() {
        let found = Estimate::of(0.0, 0.0, 0.0);
        assert!(found.reason().is_some_and(|why| why.contains("0.00")), "{found:?}");
        assert!(Estimate::of(1.0, 1.0 - 1e-12, 1.0).known().is_none());
        assert!(Estimate::of(1.0, 0.98, 1.0).known().is_some());
        assert!(Estimate::of(1e-7, 0.0, 2e-7).known().is_some());
    }
}
