//! Levels that come out beyond the ends of their scale.
//!
//! A mean that makes up for who scored which cups, and for the panel's drift, is a sum of scores with
//! weights of either sign: where nearly all scores stand at an end of the scale it may come out beyond it.
//! What it is an estimate of cannot lie there. So what is printed is cut at the end, value and limits, and
//! marked; the JSON has both. Cutting keeps what an interval holds, since only what cannot be is taken from it
//! (Mandelkern M 2002, Statistical Science 17:149-172, from memory), and it brings the value nearer to
//! whatever the scale allows. Where the whole interval lies beyond, the model's error does not hold, and
//! no level is given.

use blindsteep_stats::mixed::Contrast;
use schemars::JsonSchema;
use serde::Serialize;

use super::Answer;
use super::term_comparison::{LevelNumbers, level};

/// A level as it is printed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct InScale {
    /// The level, or the end of the scale beyond which it came out.
    pub value: f64,
    /// Lower limit, or the end of the scale.
    pub lower: f64,
    /// Upper limit, or the end of the scale.
    pub upper: f64,
}

impl LevelNumbers {
    /// What is printed: cut at the ends of the scale where it came out beyond them.
    #[must_use]
    pub fn shown(&self) -> InScale {
        self.in_scale.unwrap_or(InScale { value: self.value, lower: self.lower, upper: self.upper })
    }
}

/// A level on a scale with these ends, if they are known.
pub(super) fn level_on(c: &Contrast, ends: Option<[f64; 2]>) -> Answer<LevelNumbers> {
    let found = level(c);
    let Some([low, high]) = ends else { return found };
    found.and_then(|l| {
        // What rounding alone puts beyond an end stays.
        let slack = 1e-9 * (high - low);
        if l.lower >= low - slack && l.upper <= high + slack {
            return Answer::Known(l);
        }
        if l.upper <= low || l.lower >= high {
            return Answer::unknown(
                "its whole interval would lie beyond the end of the scale: the model's error does not \
                 hold there",
            );
        }
        let cut = |x: f64| x.clamp(low, high);
        let in_scale = InScale { value: cut(l.value), lower: cut(l.lower), upper: cut(l.upper) };
        Answer::Known(LevelNumbers { in_scale: Some(in_scale), ..l })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn contrast(estimate: f64, se: f64) -> Contrast {
        let reach = 2.0 * se;
        Contrast {
            estimate,
            se,
            df: 60.0,
            t: estimate / se,
            p_value: 0.5,
            lower: estimate - reach,
            upper: estimate + reach,
            estimable: true,
        }
    }

    #[test]
    fn what_lies_beyond_an_end_is_cut_there_and_the_estimate_kept() {
        let of = |value, se| level_on(&contrast(value, se), Some([0.0, 3.0]));
        let Answer::Known(l) = of(-0.05, 0.1) else { panic!("a level") };
        assert_eq!(l.value, -0.05);
        assert_eq!(l.shown(), InScale { value: 0.0, lower: 0.0, upper: -0.05 + 0.2 });
        let Answer::Known(l) = of(2.9, 0.1) else { panic!("a level") };
        assert_eq!((l.shown().value, l.shown().upper), (2.9, 3.0));
        let Answer::Known(l) = of(1.5, 0.1) else { panic!("a level") };
        assert_eq!((l.in_scale, l.shown().lower), (None, 1.3));
        assert!(of(-0.5, 0.1).reason().is_some_and(|why| why.contains("beyond the end")));
        let Answer::Known(l) = level_on(&contrast(-0.05, 0.1), None) else { panic!("a level") };
        assert_eq!(l.in_scale, None, "ends that are not known cut nothing");
    }
}
