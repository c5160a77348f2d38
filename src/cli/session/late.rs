//! `session late`: answers that phones sent after closing.

use std::io::Write as _;

use clap::Args;

use crate::book::Book;
use crate::book::time::Moment;
use crate::cli::{Context, Failure};
use crate::session::late::{Waiting, admit, waiting};
use crate::session::{Amend, Session, State};

/// Which late answers are admitted, and why.
#[derive(Debug, Args)]
pub struct LateArgs {
    /// The session: its folder or any unique part of it
    session: String,
    /// Admit the late answers of a taster: they count, and stay visible as amendments
    #[arg(long, requires_all = ["taster", "reason"])]
    admit: bool,
    /// Whose
    #[arg(long, requires = "admit")]
    taster: Option<String>,
    /// Why
    #[arg(long, requires = "admit")]
    reason: Option<String>,
    /// Who decides it
    #[arg(long, value_name = "WHO", requires = "admit")]
    by: Option<String>,
}

fn answers(n: usize) -> String {
    if n == 1 { "1 late answer".to_owned() } else { format!("{n} late answers") }
}

/// That answers wait.
pub(super) fn in_words(waiting: &Waiting) -> String {
    let waits = if waiting.n == 1 { "waits" } else { "wait" };
    format!("{} of {} {waits}: see `session late`", answers(waiting.n), waiting.taster)
}

pub(super) fn run(
    args: &LateArgs,
    book: &Book,
    now: Moment,
    context: &mut Context,
) -> Result<(), Failure> {
    let session = Session::open(book, &args.session)?;
    if let (true, Some(taster), Some(reason)) = (args.admit, &args.taster, &args.reason) {
        let amend = Amend { reason: reason.clone(), by: args.by.clone() };
        let n = admit(book, &session.name, taster, &amend, now)?;
        let are = if n == 1 { "is" } else { "are" };
        writeln!(context.out, "{} of {taster} {are} admitted.", answers(n))?;
        return Ok(());
    }
    let all = waiting(&session)?;
    if all.is_empty() {
        writeln!(context.out, "No late answers wait in session {}.", session.name)?;
        return Ok(());
    }
    for w in &all {
        writeln!(context.out, "{}: {}", w.taster, answers(w.n))?;
    }
    let hint = if session.state == State::Revealed {
        "The lots are known: none of them is admitted any more."
    } else {
        "Before the reveal: `session late NAME --admit --taster T --reason WHY`."
    };
    writeln!(context.out, "{hint}")?;
    Ok(())
}

/// Once the lots are known nothing late is admitted: so much is said before.
pub(super) fn before_the_reveal(book: &Book, part: &str, anyway: bool) -> Result<(), Failure> {
    let session = Session::open(book, part)?;
    if anyway || session.state != State::Closed {
        return Ok(());
    }
    let all: Vec<String> = waiting(&session)?.iter().map(in_words).collect();
    if all.is_empty() {
        return Ok(());
    }
    Err(Failure::Command(format!(
        "{}\n  expected: that they are admitted or left before the lots are known\n  to mend:  admit them, or leave them for good with --anyway",
        all.join("\n")
    )))
}
