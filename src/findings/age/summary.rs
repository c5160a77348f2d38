//! How a sample moved, in few words: the parts, so that any language can be made of them, and the
//! English sentences.

use super::super::{Answer, say};
use super::words::{full, interval, say_month};
use super::{Change, SampleAge, Since, TermCourse, is_shown};

/// Since when a term is not shown to have changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Settled {
    /// The age, in months.
    pub month: f64,
    /// The change from there to the last tasting.
    pub change: Change,
}

/// A term that moved beyond luck among all that was asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Moved {
    /// The term.
    pub term: String,
    /// The change from the first to the last tasting, the panel's drift taken off.
    pub change: Change,
    /// The earliest later tasting from which on no change to the last is shown; none where even the
    /// last step is one, or there is no tasting between.
    pub since: Option<Settled>,
}

/// What there is to say of a sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// The age at the first of the tastings that count together, in months.
    pub from_month: f64,
    /// The age at the last.
    pub to_month: f64,
    /// The terms that moved, the largest change first.
    pub moved: Vec<Moved>,
    /// Terms whose change is known and not shown.
    pub n_unmoved: usize,
    /// The widest half of an interval among these: so much could have gone unseen.
    pub widest: f64,
}

/// The parts of the summary.
///
/// Not known, with the reason, where there are no two tastings to compare, or none of them had the reference beside it.
pub fn parts(s: &SampleAge) -> Answer<Summary> {
    let months: Vec<f64> =
        s.tastings.iter().filter(|t| t.pooled.known().is_some()).map(|t| t.month).collect();
    let (Some(from), Some(to)) = (months.first(), months.last()) else {
        return Answer::unknown("it was not tasted");
    };
    if months.len() < 2 {
        return Answer::unknown("tasted once so far");
    }
    let known: Vec<(&TermCourse, &Change)> =
        s.terms.iter().filter_map(|t| Some((t, t.last_change.known()?))).collect();
    if known.is_empty() {
        let why = s.terms.iter().find_map(|t| t.last_change.reason());
        return Answer::unknown(why.unwrap_or("no term was scored"));
    }
    let (shown, other): (Vec<_>, Vec<_>) = known.into_iter().partition(|(_, c)| is_shown(c));
    let mut moved: Vec<Moved> = shown
        .into_iter()
        .map(|(t, c)| Moved { term: t.term.clone(), change: *c, since: settled(&t.since) })
        .collect();
    moved.sort_by(|a, b| b.change.value.abs().total_cmp(&a.change.value.abs()));
    Answer::Known(Summary {
        from_month: *from,
        to_month: *to,
        moved,
        n_unmoved: other.len(),
        widest: other.iter().map(|(_, c)| 0.5 * (c.upper - c.lower)).fold(0.0, f64::max),
    })
}

/// The earliest tasting but the first from which on every change to the last may be none.
fn settled(since: &[Since]) -> Option<Settled> {
    let quiet = |s: &&Since| s.change.known().is_some_and(|c| c.lower <= 0.0 && 0.0 <= c.upper);
    let from = since.iter().skip(1).rev().take_while(quiet).last()?;
    Some(Settled { month: from.month, change: *from.change.known()? })
}

/// The summary in sentences; the reason where there is none.
#[must_use]
pub fn summary(s: &SampleAge) -> Vec<String> {
    let p = match parts(s) {
        Answer::Known(p) => p,
        Answer::Unknown(u) => return vec![format!("How it moved is not told: {}.", u.reason)],
    };
    let span = format!("Month {} to {}", say_month(p.from_month), say_month(p.to_month));
    let mut all = Vec::new();
    if !p.moved.is_empty() {
        let told: Vec<String> = p.moved.iter().map(of_moved).collect();
        all.push(format!("{span}: {}.", told.join("; ")));
    }
    if p.n_unmoved > 0 {
        let which = match (p.moved.is_empty(), p.n_unmoved) {
            (true, 1) => "the one term".to_owned(),
            (true, n) => format!("any of {n} terms"),
            (false, 1) => "the one other term".to_owned(),
            (false, n) => format!("the {n} other terms"),
        };
        all.push(format!(
            "{span}: no change shown in {which}; one of up to {} could have gone unseen.",
            say(p.widest)
        ));
    }
    all
}

fn of_moved(m: &Moved) -> String {
    let way = if m.change.value < 0.0 { "less" } else { "more" };
    let main = format!("{way} {} ({})", m.term, full(&m.change));
    match &m.since {
        Some(s) => {
            format!("{main}, change since month {}: {}", say_month(s.month), interval(&s.change))
        }
        None => main,
    }
}

/// Long times without a tasting, once each.
pub(super) fn gaps(s: &SampleAge) -> Vec<String> {
    let fits = s.terms.iter().filter_map(|t| t.fit.known());
    let mut all: Vec<String> = Vec::new();
    for said in fits.flat_map(|f| &f.gaps).map(|g| g.sentence()) {
        if !all.contains(&said) {
            all.push(said);
        }
    }
    all
}
