//! `check`: every mistake of the whole book.

use clap::Args;

use super::{Context, Failure};
use crate::book::check::check;
use crate::book::lot_warnings;
use crate::book::lots::Lot;
use crate::book::retasting;
use crate::book::time::Moment;
use crate::book::trial_rules;
use crate::session;

/// List every mistake of the whole book, and how to mend it
#[derive(Debug, Args)]
pub struct Check {}

/// Runs the command.
///
/// # Errors
/// If there are mistakes, or the disk refuses.
pub fn run(_: Check, context: &mut Context) -> Result<(), Failure> {
    let book = context.book()?;
    let mut checked = check(&book)?;
    session::check::problems(&book, &mut checked.problems)?;
    for problem in checked.problems.sorted() {
        writeln!(context.out, "{problem}")?;
    }
    let n = checked.problems.len();
    if n == 0 {
        // While there are mistakes, most of what looks like a slip comes of them.
        let all: Vec<&Lot> = checked.lots.iter().collect();
        let limits = book.book_file()?.value.limits;
        let mut warnings = lot_warnings::warnings(&all, &checked.lots, &limits, Moment::now());
        warnings.extend(session::check::warnings(&book, &checked.lots)?);
        let told =
            |l: &Lot| l.derived().notes.into_iter().map(|n| format!("{}: {n}", l.id)).collect();
        warnings.extend(checked.lots.iter().flat_map::<Vec<String>, _>(told));
        warnings.extend(retasting::warnings(&book.retasting(&checked.lots)?, &checked.lots));
        warnings.extend(trial_rules::notices(&checked.lots, &checked.trials));
        for warning in &warnings {
            writeln!(context.out, "warning: {warning}")?;
        }
    }
    for notice in &checked.notices {
        writeln!(context.out, "notice: {notice}")?;
    }
    if n > 0 {
        let mistakes = if n == 1 { "mistake" } else { "mistakes" };
        return Err(Failure::Records(format!("{n} {mistakes} to mend")));
    }
    writeln!(
        context.out,
        "no mistakes in {} {}{} and {} {}",
        checked.n_lots,
        if checked.n_lots == 1 { "lot" } else { "lots" },
        match checked.trials.len() {
            0 => String::new(),
            1 => ", 1 trial".to_owned(),
            n => format!(", {n} trials"),
        },
        checked.n_sessions,
        if checked.n_sessions == 1 { "session" } else { "sessions" },
    )?;
    Ok(())
}
