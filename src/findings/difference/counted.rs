//! All that follows from how many answers were right.

use blindsteep_stats::discrimination::repeated::{self, Answers};
use blindsteep_stats::discrimination::{self as stats, Interval, Protocol, Sides};

use super::tasters::{self, OneTaster, RepeatedTasters};
use super::{DPrime, DifferenceTest, LeastCorrect, Likeness, NeededAnswers, Reach};
use crate::findings::{Answer, Estimate, Settings};
use crate::scores::Method;

/// A test in numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The session, or "counts".
    pub name: String,
    /// What was asked.
    pub method: Method,
    /// Whether both directions speak for a difference; paired only.
    pub two_sided: bool,
    /// How often a difference may be claimed where there is none.
    pub alpha: f64,
    /// The share of distinguishers that matters, if it was stated.
    pub share: Option<f64>,
    /// How often it is to be noticed, if that was stated.
    pub power: Option<f64>,
    /// Answers.
    pub n_answers: u64,
    /// Right ones; two-sided: those for the first sample. None if nobody has tasted yet.
    pub n_correct: Option<u64>,
    /// Who answered.
    pub tasting: Tasting,
}

/// Who answered.
#[derive(Debug, Clone, PartialEq)]
pub enum Tasting {
    /// As many tasters as answers.
    OneEach,
    /// So many tasters; who was right is not known.
    Shared(u64),
    /// By name.
    Named(Vec<(String, Answers)>),
}

/// The power that is taken if none is stated.
pub const USUAL_POWER: f64 = 0.8;

/// The protocol of a method.
pub(super) fn protocol(method: Method) -> Protocol {
    match method {
        Method::Triangle => Protocol::Triangle,
        Method::DuoTrio => Protocol::DuoTrio,
        Method::Paired => Protocol::Paired,
    }
}

impl Asked {
    fn sides(&self) -> Sides {
        if self.two_sided { Sides::Two } else { Sides::One }
    }

    pub(super) fn chance(&self) -> f64 {
        protocol(self.method).chance()
    }

    /// Whether somebody answered more than once.
    fn repeats(&self) -> bool {
        match &self.tasting {
            Tasting::OneEach => false,
            Tasting::Shared(n) => *n < self.n_answers,
            Tasting::Named(all) => all.iter().any(|t| t.1.answers > 1),
        }
    }
}

const NOT_YET: &str = "how many were right is not given";
const TWO_WAYS: &str = "which sample has more was not stated beforehand, and tasters may notice the \
                        difference in either direction";

/// The p-value alone.
pub(super) fn p_value(asked: &Asked) -> Answer<f64> {
    match asked.n_correct {
        None => Answer::unknown(NOT_YET),
        Some(k) => Answer::of(stats::p_value(k, asked.n_answers, asked.chance(), asked.sides())),
    }
}

/// The whole test, without what only a session knows.
pub(super) fn test(asked: &Asked, settings: &Settings) -> DifferenceTest {
    let (n, chance, sides) = (asked.n_answers, asked.chance(), asked.sides());
    let least = match stats::least_correct(n, chance, asked.alpha, sides) {
        Err(e) => Answer::unknown(e.to_string()),
        Ok(None) => Answer::unknown(format!(
            "{n} answers are too few: not even all right would show a difference at {}",
            asked.alpha
        )),
        Ok(Some(l)) => Answer::Known(LeastCorrect { correct: l.correct, true_alpha: l.size }),
    };
    let p_value = p_value(asked);
    let one_by_one: Vec<OneTaster> = match &asked.tasting {
        Tasting::Named(all) => tasters::each(all, chance, sides),
        Tasting::OneEach | Tasting::Shared(_) => Vec::new(),
    };
    let repeated = repeated_tasters(asked, settings);
    let unlike = repeated.known().is_some_and(|r| r.unlike);
    DifferenceTest {
        name: asked.name.clone(),
        method: asked.method,
        samples: Answer::unknown("counts alone name no samples"),
        term: Answer::unknown("counts alone name no term"),
        two_sided: asked.two_sided,
        chance,
        alpha: asked.alpha,
        n_answers: n,
        n_correct: asked.n_correct.map_or_else(|| Answer::unknown(NOT_YET), Answer::Known),
        by_luck: n as f64 * chance,
        n_missing: 0,
        n_excluded: 0,
        shown: match (&p_value, &least) {
            (_, Answer::Unknown(u)) => Answer::Unknown(u.clone()),
            (Answer::Known(p), _) => Answer::Known(*p <= asked.alpha),
            (Answer::Unknown(u), _) => Answer::Unknown(u.clone()),
        },
        least,
        p_value,
        p_with_excluded: Answer::unknown("no answer is excluded"),
        d_prime: d_prime(asked, &repeated, unlike, settings),
        distinguishers: distinguishers(asked, &repeated, settings),
        reach: reach(asked, &repeated),
        likeness: likeness(asked),
        tasters: one_by_one,
        repeated,
        circumstances: Vec::new(),
    }
}

fn repeated_tasters(asked: &Asked, settings: &Settings) -> Answer<RepeatedTasters> {
    if !asked.repeats() {
        return Answer::unknown("nobody answered more than once");
    }
    match &asked.tasting {
        Tasting::Named(all) => {
            // Without a right side nothing is guessed: shares are those of the first sample.
            let chance = if asked.two_sided { 0.0 } else { asked.chance() };
            let answers: Vec<Answers> = all.iter().map(|t| t.1).collect();
            tasters::repeated(&answers, chance, settings)
        }
        Tasting::OneEach | Tasting::Shared(_) => {
            Answer::unknown("counts alone do not say which taster was right")
        }
    }
}

/// Limits for independent answers, made as wide as those of repeating tasters if somebody repeats.
fn widened(
    asked: &Asked,
    repeated: &Answer<RepeatedTasters>,
    plain: (f64, f64),
    of_share: impl Fn(f64) -> f64,
) -> Result<(f64, f64), String> {
    if !asked.repeats() {
        return Ok(plain);
    }
    match (&asked.tasting, repeated) {
        // One taster: limits for this taster's own answers.
        (Tasting::Named(all), _) if all.len() == 1 => Ok(plain),
        (_, Answer::Known(r)) => match r.share.known() {
            Some(s) => Ok((plain.0.min(of_share(s.lower)), plain.1.max(of_share(s.upper)))),
            None => Err("too few tasters repeat for limits".to_owned()),
        },
        (_, Answer::Unknown(u)) => Err(format!("answers repeat, and {}", u.reason)),
    }
}

fn d_prime(
    asked: &Asked,
    repeated: &Answer<RepeatedTasters>,
    unlike: bool,
    settings: &Settings,
) -> DPrime {
    let nothing = |why: &str| DPrime {
        value: Answer::unknown(why),
        lower: Answer::unknown(why),
        upper: Answer::unknown(why),
        se: Answer::unknown(why),
    };
    let Some(k) = asked.n_correct else { return nothing(NOT_YET) };
    if unlike {
        return nothing(
            "the tasters differ in how often they notice, so that there is no one d-prime",
        );
    }
    let protocol = protocol(asked.method);
    let found: Result<Interval, _> = if asked.two_sided {
        stats::signed_d_prime(k, asked.n_answers, settings.level)
    } else {
        stats::d_prime(protocol, k, asked.n_answers, settings.level)
    };
    let i = match found {
        Ok(i) => i,
        Err(e) => return nothing(&e.to_string()),
    };
    let of_share = |share: f64| {
        if asked.two_sided {
            stats::signed(share)
        } else {
            protocol.d_prime(stats::share_to_proportion(share, protocol.chance()))
        }
    };
    let finite = |x: f64| {
        if x.is_finite() {
            Answer::Known(x)
        } else {
            Answer::unknown("infinite: answers that are all alike set no bound to it")
        }
    };
    let (lower, upper) = match widened(asked, repeated, (i.lower, i.upper), of_share) {
        Ok((lower, upper)) => (finite(lower), finite(upper)),
        Err(why) => (Answer::unknown(&why), Answer::unknown(why)),
    };
    DPrime {
        value: finite(i.value),
        lower,
        upper,
        se: match i.se {
            _ if asked.repeats() => {
                Answer::unknown("answers of one taster are not independent of each other")
            }
            Some(se) => Answer::Known(se),
            None => Answer::unknown("none at chance and below, or where all answers are alike"),
        },
    }
}

fn distinguishers(
    asked: &Asked,
    repeated: &Answer<RepeatedTasters>,
    settings: &Settings,
) -> Answer<Estimate> {
    let Some(k) = asked.n_correct else { return Answer::unknown(NOT_YET) };
    if asked.two_sided {
        return Answer::unknown(TWO_WAYS);
    }
    match stats::share(k, asked.n_answers, asked.chance(), settings.level) {
        Err(e) => Answer::unknown(e.to_string()),
        Ok(i) => match widened(asked, repeated, (i.lower, i.upper), |share| share) {
            Ok((lower, upper)) => Estimate::of(i.value, lower, upper),
            Err(why) => Answer::unknown(why),
        },
    }
}

fn needed(
    power: f64,
    n: Result<stats::Needed, stats::DiscriminationError>,
) -> Answer<NeededAnswers> {
    Answer::of(n).map(|n| NeededAnswers { power, first: n.first, stable: n.stable })
}

fn reach(asked: &Asked, repeated: &Answer<RepeatedTasters>) -> Reach {
    let (n, chance, sides) = (asked.n_answers, asked.chance(), asked.sides());
    let smallest = match stats::detectable_share(n, chance, asked.alpha, USUAL_POWER, sides) {
        Ok(Some(share)) => Answer::Known(share),
        Ok(None) => Answer::unknown("no share is shown so often by so few answers"),
        Err(e) => Answer::unknown(e.to_string()),
    };
    const NONE: &str = "no share of distinguishers was stated";
    let Some(share) = asked.share else {
        return Reach {
            share_with_power_80: smallest,
            stated_share: Answer::unknown(NONE),
            power: Answer::unknown(NONE),
            power_of_these_tasters: Answer::unknown(NONE),
            needed: Answer::unknown(NONE),
        };
    };
    let wanted = asked.power.unwrap_or(USUAL_POWER);
    let right = stats::share_to_proportion(share, chance);
    let of_these = match (&asked.tasting, repeated) {
        _ if asked.two_sided => Answer::unknown(TWO_WAYS),
        (Tasting::Named(all), Answer::Known(r)) => {
            let each: Vec<u64> = all.iter().map(|t| t.1.answers).collect();
            match stats::least_correct(n, chance, asked.alpha, sides) {
                Ok(Some(least)) => Answer::of(repeated::power(
                    &each,
                    chance,
                    share,
                    r.overdispersion.min(0.999),
                    least.correct,
                )),
                Ok(None) => Answer::Known(0.0),
                Err(e) => Answer::unknown(e.to_string()),
            }
        }
        (_, Answer::Known(_)) => Answer::unknown("counts alone do not say which taster was right"),
        (_, Answer::Unknown(u)) => Answer::Unknown(u.clone()),
    };
    Reach {
        share_with_power_80: smallest,
        stated_share: Answer::Known(share),
        power: Answer::of(stats::power(n, chance, right, asked.alpha, sides)),
        power_of_these_tasters: of_these,
        needed: needed(wanted, stats::answers_needed(chance, share, asked.alpha, wanted, sides)),
    }
}

fn likeness(asked: &Asked) -> Answer<Likeness> {
    let Some(share) = asked.share else {
        return Answer::unknown(
            "no share of distinguishers that would matter was stated beforehand",
        );
    };
    if asked.two_sided {
        return Answer::unknown(TWO_WAYS);
    }
    let (n, chance) = (asked.n_answers, asked.chance());
    let power = asked.power.unwrap_or(USUAL_POWER);
    let beta = 1.0 - power;
    let most = match stats::most_correct(n, chance, share, beta) {
        Ok(Some(most)) => Answer::Known(most),
        Ok(None) => Answer::unknown("not even 0 right answers would rule out so large a share"),
        Err(e) => Answer::unknown(e.to_string()),
    };
    let if_alike = 1.0 - asked.alpha;
    let needed = needed(if_alike, stats::likeness_needed(chance, share, beta, if_alike));
    let shown = match (asked.n_correct, &most, &needed) {
        _ if asked.repeats() => Answer::unknown(
            "tasters answered more than once, and pooled repeats do not hold for likeness (ISO 10399)",
        ),
        (_, _, Answer::Known(needed)) if n < needed.first => Answer::unknown(format!(
            "{n} answers are too few for likeness: {} are needed",
            needed.first
        )),
        (None, ..) => Answer::unknown(NOT_YET),
        (_, Answer::Unknown(u), _) | (_, _, Answer::Unknown(u)) => Answer::Unknown(u.clone()),
        (Some(k), Answer::Known(most), _) => Answer::Known(k <= *most),
    };
    Answer::Known(Likeness { share, beta, most_correct: most, needed, shown })
}
