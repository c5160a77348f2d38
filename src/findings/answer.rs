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

impl Estimate {
    /// A value with its limits, if all are finite.
    pub fn of(value: f64, lower: f64, upper: f64) -> Answer<Self> {
        if [value, lower, upper].iter().all(|x| x.is_finite()) {
            Answer::Known(Self { value, lower, upper })
        } else {
            Answer::unknown("too little varies for an interval")
        }
    }

    /// Whether a value lies outside the interval.
    #[must_use]
    pub fn excludes(&self, x: f64) -> bool {
        x < self.lower || x > self.upper
    }
}
