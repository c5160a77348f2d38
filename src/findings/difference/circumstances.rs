//! Whether the serving made answers easier.

use std::collections::BTreeMap;

use blindsteep_stats::discrimination::repeated::{Answers, unlike_tasters};
use schemars::JsonSchema;
use serde::Serialize;

use crate::findings::{ALPHA, Answer, Settings};
use crate::scores::{Method, Trial};

/// Answers parted by something about the serving, or by how sure the taster was.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Circumstance {
    /// What they are parted by.
    pub by: String,
    /// The parts.
    pub parts: Vec<Part>,
    /// Chance of parts as unlike as these where it does not matter: answers dealt anew.
    pub p_value: Answer<f64>,
    /// Whether it is shown to matter.
    pub matters: bool,
}

/// Answers of one part.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Part {
    /// Which.
    pub name: String,
    /// Answers.
    pub n_answers: u64,
    /// Right ones; two-sided: those for the first sample.
    pub n_correct: u64,
}

/// All that can be told.
pub(super) fn of(method: Method, trials: &[&Trial], settings: &Settings) -> Vec<Circumstance> {
    let answered: Vec<(&Trial, bool)> =
        trials.iter().filter_map(|t| Some((*t, t.correct?))).collect();
    let mut all = Vec::new();
    let mut add = |by: &str, key: &dyn Fn(&Trial) -> Option<String>| {
        let mut parts: BTreeMap<String, Answers> = BTreeMap::new();
        for (trial, correct) in &answered {
            if let Some(name) = key(trial) {
                let part = parts.entry(name).or_insert(Answers { correct: 0, answers: 0 });
                part.answers += 1;
                part.correct += u64::from(*correct);
            }
        }
        if parts.len() > 1 {
            all.push(circumstance(by, parts, settings));
        }
    };
    match method {
        Method::Triangle => {
            add("place of the odd cup", &|t| odd(t).map(|at| (at + 1).to_string()));
            add("sample that was odd", &|t| odd(t).and_then(|at| t.served.get(at).cloned()));
        }
        Method::DuoTrio => {
            // The reference comes first.
            add("place of the cup like the reference", &|t| {
                let reference = t.served.first()?;
                let at = t.served.iter().skip(1).position(|s| s == reference)?;
                Some((at + 1).to_string())
            });
            add("sample that was the reference", &|t| t.served.first().cloned());
        }
        Method::Paired => {
            add("sample that was served first", &|t| t.served.first().cloned());
        }
    }
    add("how sure the taster was", &|t| {
        t.sure.map(|sure| if sure { "sure".to_owned() } else { "guessing".to_owned() })
    });
    all
}

/// The place, from 0, of the cup that stands alone in a triangle.
fn odd(t: &Trial) -> Option<usize> {
    let alone = |s: &String| t.served.iter().filter(|other| *other == s).count() == 1;
    t.served.iter().position(alone)
}

fn circumstance(by: &str, parts: BTreeMap<String, Answers>, settings: &Settings) -> Circumstance {
    let answers: Vec<Answers> = parts.values().copied().collect();
    let p_value = match unlike_tasters(&answers, settings.n_permutations, settings.seed) {
        Ok(Some(p)) => Answer::Known(p),
        Ok(None) => Answer::unknown("too few answers, or all alike: there is nothing to deal anew"),
        Err(e) => Answer::unknown(e.to_string()),
    };
    Circumstance {
        by: by.to_owned(),
        parts: parts
            .into_iter()
            .map(|(name, a)| Part { name, n_answers: a.answers, n_correct: a.correct })
            .collect(),
        matters: p_value.known().is_some_and(|p| *p <= ALPHA),
        p_value,
    }
}
