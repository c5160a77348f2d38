//! What a test says in sentences.

use super::{DifferenceTest, Likeness};
use crate::findings::{Answer, FEW_TASTERS, agree, count, listed, say, say_p};
use crate::scores::Method;

/// The answer, test by test.
pub(super) fn of(tests: &[DifferenceTest]) -> Vec<String> {
    tests.iter().flat_map(test).collect()
}

/// Which test of which samples.
fn about(t: &DifferenceTest) -> String {
    let term = t.term.known().map(|term| format!(", {term}")).unwrap_or_default();
    match t.samples.known() {
        Some([a, b]) => format!("{}: {a} and {b}{term}: ", t.name),
        None => String::new(),
    }
}

/// A share as so many of 100, without decimals where they say nothing.
fn percent(share: f64) -> String {
    few(100.0 * share)
}

/// A number with one decimal where it needs one.
fn few(x: f64) -> String {
    let text = format!("{x:.1}");
    text.strip_suffix(".0").map_or_else(|| text.clone(), str::to_owned)
}

/// With a capital where a sentence begins.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}", letters.as_str())
}

fn answers(t: &DifferenceTest) -> String {
    let (one, many) = match t.method {
        Method::Triangle => ("triangle", "triangles"),
        Method::DuoTrio => ("duo-trio", "duo-trios"),
        Method::Paired => ("pair", "pairs"),
    };
    count(usize::try_from(t.n_answers).unwrap_or(usize::MAX), one, many)
}

fn test(t: &DifferenceTest) -> Vec<String> {
    let about = about(t);
    let Some(k) = t.n_correct.known() else { return plan(t) };
    let mut all = Vec::new();
    let for_what = if t.two_sided {
        let first = t.samples.known().map_or("the first sample", |s| s[0].as_str());
        format!("{k} of {} for {first}", answers(t))
    } else {
        format!("{k} of {} right", answers(t))
    };
    let luck = format!("luck alone gets {} on average", few(t.by_luck));
    let p = t.p_value.known().map_or_else(String::new, |p| format!(", {}", say_p(*p)));
    let needed = match (&t.least, t.two_sided) {
        (Answer::Known(l), false) => format!("; {} or more would have shown it", l.correct),
        (Answer::Known(l), true) => {
            format!("; {} or more for either would have shown it", l.correct)
        }
        (Answer::Unknown(u), _) => format!("; {}", u.reason),
    };
    all.push(match t.shown.known() {
        Some(true) => {
            let by_luck = t.least.known().map_or_else(String::new, |l| {
                format!(
                    "; luck reaches the {} that are needed in {} of 100 such tests",
                    l.correct,
                    percent(l.true_alpha)
                )
            });
            capital(&format!("{about}told apart: {for_what}, {luck}{p}{by_luck}."))
        }
        _ => capital(&format!("{about}no difference is shown: {for_what}, {luck}{p}{needed}.")),
    });
    all.extend(how_much(t));
    if t.likeness.known().is_none() && t.shown.known() == Some(&false) {
        all.push(not_the_same(t));
    }
    if let Some(likeness) = t.likeness.known() {
        all.push(alike(t, likeness));
    }
    all.extend(tasters(t));
    all.extend(t.circumstances.iter().filter(|c| c.matters).map(|c| {
        let parts: Vec<String> = c
            .parts
            .iter()
            .map(|p| format!("{} {} of {}", p.name, p.n_correct, p.n_answers))
            .collect();
        let p = c.p_value.known().map_or_else(String::new, |p| format!(", {}", say_p(*p)));
        format!("It matters {}: {}{p}.", c.by_words(), listed(&parts))
    }));
    all
}

impl super::Circumstance {
    fn by_words(&self) -> String {
        match self.by.strip_prefix("how ") {
            Some(_) => self.by.clone(),
            None => format!("which was the {}", self.by),
        }
    }
}

/// How far apart: only where a difference is shown, since it is read as one.
fn how_much(t: &DifferenceTest) -> Option<String> {
    if t.shown.known() != Some(&true) {
        return None;
    }
    let noticed = t.distinguishers.known().map(|d| {
        format!(
            "the difference was noticed in {} of 100 answers ({} to {})",
            percent(d.value),
            percent(d.lower),
            percent(d.upper)
        )
    });
    let d = t.d_prime.value.known().map(|d| {
        let limits = match (&t.d_prime.lower, &t.d_prime.upper) {
            (Answer::Known(lower), Answer::Known(upper)) => {
                format!("{} to {}", say(*lower), say(*upper))
            }
            (Answer::Known(lower), Answer::Unknown(_)) => format!("at least {}", say(*lower)),
            (Answer::Unknown(_), Answer::Known(upper)) => format!("at most {}", say(*upper)),
            (Answer::Unknown(u), Answer::Unknown(_)) => format!("no limits: {}", u.reason),
        };
        format!("d-prime {} ({limits})", say(*d))
    });
    let parts: Vec<String> = noticed.into_iter().chain(d).collect();
    let reaches_zero = t.distinguishers.known().is_some_and(|d| d.lower == 0.0);
    (!parts.is_empty()).then(|| {
        format!(
            "{}{}.",
            capital(&parts.join("; ")),
            if reaches_zero {
                ". The limits look both ways and the test one way, so that they may reach 0"
            } else {
                ""
            }
        )
    })
}

fn not_the_same(t: &DifferenceTest) -> String {
    let upper = t.distinguishers.known().map(|d| {
        format!(
            "it may still be noticed in up to {} of 100 answers (upper end of the 95% interval)",
            percent(d.upper)
        )
    });
    // The power is that of independent answers.
    let alone = t.repeated.known().is_none();
    let reach = t.reach.share_with_power_80.known().filter(|_| alone).map(|s| {
        format!(
            "a test of {} shows a difference in 4 of 5 cases only if at least {} of 100 notice it",
            t.n_answers,
            percent(*s)
        )
    });
    let parts: Vec<String> = upper.into_iter().chain(reach).collect();
    if parts.is_empty() {
        "That does not show that they are the same.".to_owned()
    } else {
        format!("That does not show that they are the same: {}.", parts.join("; "))
    }
}

fn alike(t: &DifferenceTest, l: &Likeness) -> String {
    let share = format!("{} of 100 notice a difference", percent(l.share));
    match (&l.shown, &l.most_correct) {
        (Answer::Known(true), Answer::Known(most)) => format!(
            "Alike within what was stated: fewer than {share} (at most {most} right were allowed; if \
             {share}, so few come in at most {} of 100 such tests).",
            percent(l.beta)
        ),
        (Answer::Known(false), Answer::Known(most)) => format!(
            "Likeness is not shown: more than {most} right, so that {} cannot be ruled out.",
            share
        ),
        (Answer::Unknown(u), _) | (_, Answer::Unknown(u)) if t.n_correct.known().is_some() => {
            format!("Nothing is said about likeness: {}.", u.reason)
        }
        _ => String::new(),
    }
}

fn tasters(t: &DifferenceTest) -> Option<String> {
    let r = t.repeated.known()?;
    let p = r.p_unlike.known().map_or_else(String::new, |p| format!(" ({})", say_p(*p)));
    Some(if r.unlike {
        let noticing: Vec<String> = t
            .tasters
            .iter()
            .filter(|x| x.p_holm.known().is_some_and(|p| *p <= t.alpha))
            .map(|x| format!("{} ({} of {})", x.taster, x.n_correct, x.n_answers))
            .collect();
        let who = if noticing.is_empty() {
            String::new()
        } else {
            format!("; surely above luck: {}", listed(&noticing))
        };
        format!("The tasters differ in how often they notice it{p}{who}.")
    } else {
        format!(
            "{} answered more than once; the limits are widened for what tasters may differ by, which is \
             not shown{p}.",
            count(r.n_tasters, "taster", "tasters")
        )
    })
}

/// Nobody has tasted: what the test can do.
fn plan(t: &DifferenceTest) -> Vec<String> {
    let mut all = Vec::new();
    match &t.least {
        Answer::Known(l) => {
            let of = if t.two_sided { " for one of the two" } else { " right" };
            all.push(format!(
                "Of {}, {} or more{of} show a difference; luck alone gets {} on average, and reaches {} \
                 in {} of 100 such tests.",
                answers(t),
                l.correct,
                few(t.by_luck),
                l.correct,
                percent(l.true_alpha)
            ));
        }
        Answer::Unknown(u) => all.push(format!("{}.", u.reason)),
    }
    match (&t.reach.stated_share, &t.reach.power, &t.reach.needed) {
        (Answer::Known(share), Answer::Known(power), needed) => {
            all.push(format!(
                "If {} of 100 notice a difference and the others guess, it is shown in {} of 100 such \
                 tests.",
                percent(*share),
                percent(*power)
            ));
            if let Some(n) = needed.known() {
                all.push(format!(
                    "To show it in {} of 100, {} are needed{}.",
                    percent(n.power),
                    count(usize::try_from(n.first).unwrap_or(usize::MAX), "answer", "answers"),
                    if n.stable == n.first {
                        String::new()
                    } else {
                        format!(
                            " at least, and from {} on any number does (the power goes up like a \
                             saw-tooth)",
                            n.stable
                        )
                    }
                ));
            }
        }
        _ => {
            if let Some(share) = t.reach.share_with_power_80.known() {
                all.push(format!(
                    "They show a difference in 4 of 5 such tests if {} of 100 notice it and the others \
                     guess.",
                    percent(*share)
                ));
            }
        }
    }
    if let Some(l) = t.likeness.known() {
        match (&l.most_correct, &l.needed) {
            (_, Answer::Known(needed)) if t.n_answers < needed.first => all.push(format!(
                "They are too few to show likeness: that fewer than {} of 100 notice takes {} answers.",
                percent(l.share),
                needed.first
            )),
            (Answer::Known(most), _) if l.shown.reason().is_none_or(|r| r.contains("not given")) => {
                all.push(format!(
                    "At most {most} right would show that fewer than {} of 100 notice (in {} of 100 tests \
                     wrongly), if that is what the test is for.",
                    percent(l.share),
                    percent(l.beta)
                ));
            }
            _ => {}
        }
    }
    all
}

/// What to keep in mind.
pub(super) fn cautions(tests: &[DifferenceTest]) -> Vec<String> {
    let mut all = Vec::new();
    let n_tasters = tests.iter().map(|t| t.tasters.len()).max().unwrap_or(0);
    if (1..=FEW_TASTERS).contains(&n_tasters) {
        all.extend(agree::opinions(n_tasters));
    }
    if !tests.is_empty() {
        all.push(
            "What is told apart are the pots that were served. Where each sample was brewed once, and all \
             had the same pots, that is not yet a difference of the samples."
                .to_owned(),
        );
    }
    if tests.iter().any(|t| t.method == Method::Triangle) {
        all.push(
            "A triangle asks for three cups in a row. With strong, astringent or lingering teas a cup \
             covers the next, and the triangle is of limited use (ISO 4120); a pair needs two cups."
                .to_owned(),
        );
    }
    if tests.iter().any(|t| !t.two_sided && t.method == Method::Paired) {
        all.push(
            "One-sided: only many answers for the expected sample count; the direction must have been \
             stated before the tasting."
                .to_owned(),
        );
    }
    if tests.iter().any(|t| t.repeated.known().is_some()) {
        all.push(
            "Where nobody can tell, answers of one taster are as good as those of new tasters, so p holds; \
             but fewer people show a true difference less often, and what is said of its size speaks \
             first of them."
                .to_owned(),
        );
    }
    let n_tested = tests.iter().filter(|t| t.p_value.known().is_some()).count();
    if n_tested > 1 {
        let by_luck: f64 = tests.iter().filter_map(|t| t.least.known()).map(|l| l.true_alpha).sum();
        all.push(format!(
            "Of {n_tested} tests luck alone would show a difference in {}.",
            few(by_luck)
        ));
    }
    let missing: usize = tests.iter().map(|t| t.n_missing).sum();
    if missing > 0 {
        all.push(format!(
            "{} declined or lost; they are left out, not taken as wrong.",
            count(missing, "answer was", "answers were")
        ));
    }
    all
}
