//! `check`: every mistake of the whole book.

use clap::Args;

use super::{Context, Failure};
use crate::book::check::check;
use crate::session::check as sessions;

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
    sessions::problems(&book, &mut checked.problems)?;
    for problem in checked.problems.sorted() {
        writeln!(context.out, "{problem}")?;
    }
    let n = checked.problems.len();
    if n == 0 {
        for warning in sessions::all_warnings(&book, &checked)? {
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
