//! `due` in the terminal: what to taste next first.

use super::text::{Side, Table, dash, heading, number, or_dash, paragraph};
use crate::book::session_files::SessionFile;
use crate::findings::Answer;
use crate::findings::due::{Due, ReferenceStock, SampleDue, Sitting, State};

/// So many rows of a table are shown; the others are in the JSON.
const MOST: usize = 20;

/// The whole text.
#[must_use]
pub fn text(f: &Due) -> String {
    let plans = match &f.plans_of {
        Answer::Known(file) => format!("plans: {file}"),
        Answer::Unknown(_) => "default plan: common practice, no source".to_owned(),
    };
    let again =
        if f.samples.iter().any(|s| s.state.is_open() && s.is_new()) { "" } else { " again" };
    let mut out = format!("What is to be tasted{again} on {} ({plans})\n", f.on);
    for (state, title) in
        [(State::Overdue, "Overdue"), (State::Due, "Due"), (State::Soon, "Soon, may be tasted now")]
    {
        out.push_str(&open(f, state, title));
    }
    if !f.samples.iter().any(|s| s.state.is_open()) {
        out.push_str(&paragraph(&nothing(f), "  ", "  "));
    }
    out.push_str(&coming(f));
    match &f.sitting {
        Answer::Known(sitting) => out.push_str(&session(f, sitting)),
        // That nothing is due stands above already.
        Answer::Unknown(why) if f.samples.iter().any(|s| s.state.is_open()) => {
            out.push_str(&heading("No session for it"));
            out.push_str(&paragraph(&format!("{}.", why.reason), "  ", "  "));
        }
        Answer::Unknown(_) => {}
    }
    if let Answer::Known(stock) = &f.reference {
        out.push_str(&reference(stock));
    }
    if !f.warnings.is_empty() {
        out.push_str(&heading("Mind"));
        for w in &f.warnings {
            out.push_str(&paragraph(&w.text, "- ", "  "));
        }
    }
    out
}

fn nothing(f: &Due) -> String {
    if f.samples.is_empty() {
        return "The book has no lot yet that could be tasted.".to_owned();
    }
    let later = || f.samples.iter().filter(|s| s.state == State::Later);
    let coming = || later().filter_map(|s| Some((s, s.next.known()?)));
    let Some((first, next)) = coming().min_by_key(|(_, n)| n.counts_from) else {
        return "Nothing, and no plan has a tasting to come.".to_owned();
    };
    let others = match coming().filter(|(_, n)| n.counts_from == next.counts_from).count() - 1 {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    format!(
        "Nothing. Next: {} at {} on {}{others}, from {} on.",
        first.sample, next.words, next.day, next.counts_from
    )
}

fn open(f: &Due, state: State, title: &str) -> String {
    let rows: Vec<&SampleDue> = f.samples.iter().filter(|s| s.state == state).collect();
    if rows.is_empty() {
        return String::new();
    }
    let mut table = Table::new(&[
        ("sample", Side::Left),
        ("tasting", Side::Left),
        ("its day", Side::Left),
        ("months", Side::Right),
        ("last session", Side::Left),
        ("leaf, g", Side::Right),
        ("left, g", Side::Right),
        ("lasts", Side::Right),
    ]);
    for s in rows.iter().take(MOST) {
        let Answer::Known(next) = &s.next else { continue };
        table.row(vec![
            s.sample.clone(),
            next.words.clone(),
            next.day.to_string(),
            number(s.age_months, 1),
            s.last.known().map_or_else(|| "none: its first".to_owned(), |l| l.session.clone()),
            or_dash(&s.need_g, |g| number(*g, 1)),
            or_dash(&s.left_g, |g| number(*g, 1)),
            or_dash(&s.lasts, |n| format!("{n} ×")),
        ]);
    }
    let mut out = heading(title);
    out.push_str(&table.show());
    out.push_str(&more(rows.len()));
    out
}

fn more(n: usize) -> String {
    match n.saturating_sub(MOST) {
        0 => String::new(),
        n => format!("  and {n} more: --json\n"),
    }
}

/// Tastings that come later, by their days.
fn coming(f: &Due) -> String {
    let mut rows = Vec::new();
    for s in f.samples.iter().filter(|s| s.state <= State::Later) {
        rows.extend(s.tastings.iter().filter(|t| t.state == State::Later).map(|t| (t.day, s, t)));
    }
    if rows.is_empty() {
        return String::new();
    }
    rows.sort_by_key(|r| r.0);
    let mut table =
        Table::new(&[("its day", Side::Left), ("sample", Side::Left), ("tasting", Side::Left)]);
    for (day, s, t) in rows.iter().take(MOST) {
        table.row(vec![day.to_string(), s.sample.clone(), t.words.clone()]);
    }
    let mut out = heading(&format!("To come until {}", f.until));
    out.push_str(&table.show());
    out.push_str(&more(rows.len()));
    out
}

fn session(f: &Due, s: &Sitting) -> String {
    let n: usize = s.groups.iter().map(Vec::len).sum();
    let cups = || s.flights.iter().map(|x| x.cups);
    let (least, most) = (cups().min().unwrap_or(0), cups().max().unwrap_or(0));
    let of = if least == most { most.to_string() } else { format!("{least} to {most}") };
    let last = s.flights.last().map_or(f.on, |x| x.day);
    let days = if last == f.on { f.on.to_string() } else { format!("{} to {last}", f.on) };
    let mut out = heading(&format!("A session for it, {days}"));
    let with = or_dash(&s.reference, |r| format!("reference {r}"));
    let with = if with == dash() { "no reference".to_owned() } else { with };
    out.push_str(&paragraph(
        &format!(
            "{n} {} in {} {} of {of} cups, recipe {}, {with}. Which flight has which is dealt.",
            if n == 1 { "sample" } else { "samples" },
            s.flights.len(),
            if s.flights.len() == 1 { "flight" } else { "flights" },
            s.recipe,
        ),
        "  ",
        "  ",
    ));
    // Of what is not fit to be served the warnings tell.
    let unfit =
        |sample: &String| f.samples.iter().any(|s| s.sample == *sample && s.state == State::Unfit);
    for line in left_out(s, |sample| !unfit(sample)) {
        out.push_str(&paragraph(&line, "  ", "    "));
    }
    out.push_str(&format!("  blindsteep due --on {} --plan NAME --tasters A,B,C\n", f.on));
    out
}

/// Those samples that are left out of a session and are to be told, one line a reason.
#[must_use]
pub fn left_out(s: &Sitting, told: impl Fn(&String) -> bool) -> Vec<String> {
    const NAMED: usize = 6;
    let mut by: Vec<(&str, Vec<&str>)> = Vec::new();
    for l in s.left_out.iter().filter(|l| told(&l.sample)) {
        match by.iter_mut().find(|(reason, _)| *reason == l.reason) {
            Some((_, samples)) => samples.push(&l.sample),
            None => by.push((&l.reason, vec![&l.sample])),
        }
    }
    by.into_iter()
        .map(|(reason, samples)| {
            let more = match samples.len().saturating_sub(NAMED) {
                0 => String::new(),
                n => format!(" and {n} more"),
            };
            let named = samples[..samples.len().min(NAMED)].join(", ");
            format!("Left out: {named}{more}: {reason}.")
        })
        .collect()
}

fn reference(r: &ReferenceStock) -> String {
    let mut out = heading(&format!("The reference {}", r.sample));
    let text = format!(
        "{} g left: {} more flights; the plans take {} in the year to come.",
        or_dash(&r.left_g, |g| number(*g, 1)),
        or_dash(&r.flights_left, u32::to_string),
        r.flights_a_year,
    );
    out.push_str(&paragraph(&text, "  ", "  "));
    out
}

/// Who pours and tastes alone fills the tins of each flight, and so must know what goes into it.
#[must_use]
pub fn tins(plan: &SessionFile, contents: &[Vec<String>], sitting: &Sitting) -> Vec<String> {
    let of = |(flight, lots): (&crate::book::session_files::Flight, &Vec<String>)| {
        let places = || flight.shelf.iter();
        let (first, last) = places().min().zip(places().max())?;
        let with: Vec<&str> =
            lots.iter().chain(sitting.reference.known()).map(String::as_str).collect();
        Some(format!(
            "Places {first} to {last}, flight {}: {}, shuffled among themselves.",
            flight.number,
            with.join(", ")
        ))
    };
    plan.flights.iter().zip(contents).filter_map(of).collect()
}
