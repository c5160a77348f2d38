//! What the demo says on the terminal.

use std::io::Write as _;
use std::path::Path;

use super::{Found, OFFERED};
use crate::book::lots::{Lot, MAIN};
use crate::book::parameters::QUARANTINE;
use crate::cli::{Context, Failure};
use crate::demo::history::TWO_YEARS;
use crate::demo::truth::DAMP;
use crate::session::Revealed;
use crate::views;

/// How many of the sentences of one kind are told.
const SHOWN: usize = 3;

/// Tells what was found and what to open next.
///
/// # Errors
/// If the output cannot be written.
pub fn tell(
    dir: &Path,
    sessions: &[Revealed],
    lots: &[Lot],
    found: &Found,
    context: &mut Context,
) -> Result<(), Failure> {
    let mut lines: Vec<(String, &str)> = Vec::new();
    let say = |lines: &mut Vec<(String, &str)>, text: String| lines.push((text, ""));
    let all = &found.agree_all;
    say(
        &mut lines,
        format!(
            "Tavrinel Garden (all of it invented): 16 lots and a frozen reference, {} blind sessions, \
         a ranking and a triangle in two years, {} tasters, {} answers.",
            sessions.len(),
            all.tasters.len(),
            all.n_scores
        ),
    );
    say(
        &mut lines,
        format!("First session ({}): do the tasters agree? Which lots differ?", sessions[0].day),
    );
    let first = found.agree_first.sentences.iter().take(1).cloned();
    let differ: Vec<String> =
        found.compare_first.sentences.iter().filter(|s| s.contains("furthest")).cloned().collect();
    tell_of(&mut lines, first.chain(some(&differ, "compare-first-session.txt")));

    say_to(
        &mut lines,
        "All sessions: whose habits would have passed for a difference between lots?",
    );
    tell_of(&mut lines, all.sentences.iter().filter(|s| s.starts_with("Taster")).cloned());
    tell_of(
        &mut lines,
        all.exclusions.iter().map(|e| {
            format!("Left out, but kept in the record: {} answers ({}).", e.n_scores, e.reason)
        }),
    );

    say_to(&mut lines, "Which of four lots is sweetest? Can a humid store be told from a dry one?");
    tell_of(&mut lines, found.sweetest.sentences.iter().chain(&found.stores.sentences).cloned());

    say_to(&mut lines, "Which step of the making did it?");
    tell_of(&mut lines, some(&found.link.sentences, "link.txt"));
    tell_of(&mut lines, found.link.not_told_apart.iter().take(2).cloned());

    say_to(&mut lines, "What to make next, to tell that apart?");
    tell_of(&mut lines, found.next.sentences.iter().take(1).cloned());

    say_to(&mut lines, "How do stored lots move?");
    tell_of(&mut lines, found.age.sentences.iter().take(1).cloned());
    let moved: Vec<String> = found
        .age
        .samples
        .iter()
        .flat_map(|s| &s.sentences)
        .filter(|s| s.contains(": more ") || s.contains(": less "))
        .cloned()
        .collect();
    tell_of(&mut lines, some(&moved, "age.txt"));
    tell_of(&mut lines, damp(lots).into_iter());

    say_to(&mut lines, "What is to be tasted again, and is there leaf for it?");
    let due = &found.due;
    let open = due.samples.iter().filter(|s| s.state.is_open()).count();
    tell_of(
        &mut lines,
        std::iter::once(format!(
            "On {}: {open} samples are overdue, due or near: due.txt; a year ahead as a calendar: due.en.ics.",
            due.on
        )),
    );

    say_to(
        &mut lines,
        "And the buyer? Two sheets: levels only where the panel's interval is narrow enough, no \
         names, no overall mark.",
    );
    let out = &mut context.out;
    for (text, indent) in &lines {
        let first = indent.strip_suffix("  ").unwrap_or(indent);
        write!(out, "{}", views::text::paragraph(text, first, indent))?;
    }
    let dir = dir.display();
    let [fresh, stored] = OFFERED.map(|s| s.replace('@', "-"));
    writeln!(
        out,
        "Written:    {dir}/tavrinel (the book) and {dir}/reports\n\
         Open next:  {dir}/reports/sheet-{stored}.en.pdf, then beside it\n            \
         sheet-{fresh}.en.pdf, link.en.html, age.en.html, trial-sheet.en.pdf, due.txt,\n            \
         charts-en/courses-T24-05.svg and map.svg, ballot-ann.en.pdf and practice-eve.en.pdf\n\
         Then ask:   blindsteep --book {dir}/tavrinel age --of T25-11"
    )?;
    Ok(())
}

fn say_to(lines: &mut Vec<(String, &'static str)>, text: &str) {
    lines.push((text.to_owned(), ""));
}

fn tell_of(lines: &mut Vec<(String, &'static str)>, texts: impl Iterator<Item = String>) {
    lines.extend(texts.map(|text| (text, "    ")));
}

/// The first few, and where the others stand.
fn some<'a>(all: &'a [String], file: &str) -> impl Iterator<Item = String> + use<'a> {
    let more = all.len().saturating_sub(SHOWN);
    let rest = (more > 0).then(|| format!("and {more} more: {file}"));
    all.iter().take(SHOWN).cloned().chain(rest)
}

/// The lot that was packed damp: what was warned of when it was packed, and what became of it.
fn damp(lots: &[Lot]) -> Vec<String> {
    let id = TWO_YEARS.lot_id(DAMP);
    let Some(lot) = lots.iter().find(|l| l.id == id) else { return Vec::new() };
    let mut all = Vec::new();
    if let Some(v) = lot.parameter_of("dry.moisture", MAIN).and_then(|v| v.value.number()) {
        all.push(format!(
            "{id} was packed damp ({v} %): `check` and `lot show` warn of it from that day on."
        ));
    }
    if let Some(v) = lot.parameter_of(QUARANTINE, MAIN) {
        let why = v.note.as_ref().map_or_else(String::new, |n| format!(" ({n})"));
        all.push(format!("{id} is in quarantine since {}{why}: no session serves it.", v.at.day()));
    }
    all
}
