//! What is predicted, in words.

use super::many::too_few_ways;
use super::many_form::{PredictedTerm, Prediction};
use crate::findings::{count, listed, say};

/// What a coefficient of partial least squares is.
pub const ABOUT_COEFFICIENTS: &str = "coefficients say how the prediction moves: parameters that move together share what any of \
     them does, pulled towards 0; the interval (jackknife over lots) is for what this model finds in \
     such lots, not for what a parameter does: for that see the effects";

/// The headline and what belongs to it.
pub fn of(f: &Prediction, sessions: &[u32]) -> Vec<String> {
    let mut all = headline(f);
    if let Some(ways) = too_few_ways(sessions) {
        all.push(format!(
            "Lots can be exchanged within their sessions in {} only: too few to show that a \
             prediction is better than the mean.",
            count(ways as usize, "way", "ways")
        ));
    }
    let between: Vec<String> = f
        .terms
        .iter()
        .filter(|t| !t.better)
        .filter_map(|t| Some((t, t.by_session.known().filter(|s| s.q2 >= BETWEEN)?)))
        .map(|(t, s)| format!("{} (Q² {})", t.term, say(s.q2)))
        .collect();
    if !between.is_empty() {
        all.push(format!(
            "The test exchanges lots within their session and cannot judge what varies between sessions: \
             with whole sessions left out, {} {} foretold, from few sessions.",
            listed(&between),
            if between.len() == 1 { "is" } else { "are" }
        ));
    }
    let lost: Vec<String> = f
        .terms
        .iter()
        .filter(|t| t.better && t.by_session.known().is_some_and(|s| s.q2 <= 0.0))
        .map(|t| t.term.clone())
        .collect();
    if !lost.is_empty() {
        all.push(format!(
            "With whole sessions left out, {} {} predicted no better than by the mean: for a day not \
             yet tasted do not count on it.",
            listed(&lost),
            if lost.len() == 1 { "is" } else { "are" }
        ));
    }
    all
}

/// A Q² of whole sessions left out that is worth a word where the test cannot speak.
const BETWEEN: f64 = 0.3;

/// So many terms are said in words; the others stand in the table.
const SAID: usize = 3;

fn headline(f: &Prediction) -> Vec<String> {
    let columns = count(f.columns.len(), "column", "columns");
    let sure = |a: &&PredictedTerm, b: &&PredictedTerm| {
        a.p_among_all.total_cmp(&b.p_among_all).then(b.q2.total_cmp(&a.q2))
    };
    if f.n_better == 0 {
        let none = format!(
            "No term is shown to be predicted better than by its mean: {columns} of parameters \
             together are not shown to tell what a lot left out is like."
        );
        let nearest =
            f.terms.iter().min_by(sure).map(|t| format!("The nearest is {}", of_term(t, f)));
        return std::iter::once(none).chain(nearest).collect();
    }
    let mut better: Vec<&PredictedTerm> = f.terms.iter().filter(|t| t.better).collect();
    better.sort_by(sure);
    let names: Vec<String> = better.iter().map(|t| t.term.clone()).collect();
    let others = match f.terms.len() - f.n_better {
        0 => String::new(),
        1 => "; the other term is not shown to be".to_owned(),
        n => format!("; the other {n} terms are not shown to be"),
    };
    let first = format!(
        "Predicted better than by the mean, from {columns} of parameters together: {}{others}.",
        listed(&names)
    );
    std::iter::once(first).chain(better.iter().take(SAID).map(|t| of_term(t, f))).collect()
}

fn of_term(t: &PredictedTerm, f: &Prediction) -> String {
    let luck = t.luck_among_all.known().map_or_else(String::new, |q| {
        let among = match f.terms.len() {
            1 => String::new(),
            n => format!(" among {n} terms"),
        };
        format!("; luck{among} reaches {} in 1 of 20", say(*q))
    });
    format!(
        "{}: a lot left out is missed by {} points, by the mean alone {} ({}, Q² {}{luck}).",
        t.term,
        say(t.error),
        say(t.error_of_mean),
        count(t.n_lots, "lot", "lots"),
        say(t.q2),
    )
}
