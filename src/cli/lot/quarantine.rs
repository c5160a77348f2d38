//! `lot quarantine` and `lot clear`: a lot that is not to be served, and the end of that.

use std::io::Write as _;

use clap::Args;

use super::{lot_and_arm, warn};
use crate::book::Book;
use crate::book::family::family;
use crate::book::fitness::{Fitness, SAFETY, fitness};
use crate::book::quarantine::{Change, change};
use crate::book::time::Moment;
use crate::book::when::When;
use crate::cli::{Context, Failure};

#[derive(Debug, Args)]
pub(super) struct QuarantineArgs {
    /// The lot, or one of its arms, as LOT@ARM
    #[arg(value_name = "LOT[@ARM]")]
    id: String,
    /// What was seen, smelt or measured
    #[arg(long)]
    reason: String,
    /// Who says so
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// Since when, as 2026-05-14T15:04 (by the book's clock), or a day: noon of it (default: now)
    #[arg(long, value_name = "MOMENT")]
    on: Option<When>,
}

#[derive(Debug, Args)]
pub(super) struct ClearArgs {
    /// The lot, or one of its arms, as LOT@ARM
    #[arg(value_name = "LOT[@ARM]")]
    id: String,
    /// Why it may be served again, as what a laboratory found
    #[arg(long)]
    reason: String,
    /// Who answers for it
    #[arg(long, value_name = "WHO")]
    by: String,
    /// Since when, as 2026-05-14T15:04 (by the book's clock), or a day: noon of it (default: now)
    #[arg(long, value_name = "MOMENT")]
    on: Option<When>,
}

pub(super) fn put(args: QuarantineArgs, book: &Book, context: &mut Context) -> Result<(), Failure> {
    let (lot, arm) = lot_and_arm(&args.id);
    let on = args.on.map(|w| w.on_clock_of(book));
    let begins = Change { begins: true, reason: args.reason, by: args.by, on };
    let rng = &mut Context::rng()?;
    let (lot, line) = change(book, (&lot, arm.as_deref()), &begins, Moment::now(), rng)?;
    writeln!(
        context.out,
        "{} is in quarantine (entry {}): no session serves it until it is cleared with a reason.",
        args.id.trim(),
        line.entry
    )?;
    let lots = book.lots().unwrap_or_else(|_| vec![lot.clone()]);
    let children: Vec<String> =
        family(&lot, &lots).descendants.into_iter().map(|r| r.lot).collect();
    if !children.is_empty() {
        writeln!(context.out, "Look at what came of it, too: {}.", children.join(", "))?;
    }
    writeln!(
        context.out,
        "If it is in a session that is planned, `session pour` says so on the pouring plan.\n\
         CAUTION: keep it apart from other tea. {SAFETY}"
    )?;
    Ok(())
}

pub(super) fn clear(args: ClearArgs, book: &Book, context: &mut Context) -> Result<(), Failure> {
    let (id, arm) = lot_and_arm(&args.id);
    let on = args.on.map(|w| w.on_clock_of(book));
    let ends = Change { begins: false, reason: args.reason, by: Some(args.by), on };
    let rng = &mut Context::rng()?;
    let now = Moment::now();
    let (lot, line) = change(book, (&id, arm.as_deref()), &ends, now, rng)?;
    writeln!(
        context.out,
        "{} is cleared (entry {}): it may be served again.\n\
         CAUTION: a clean nose proves nothing, and what moulds leave behind survives brewing. {SAFETY}",
        args.id.trim(),
        line.entry
    )?;
    let limits = book.book_file()?.value.limits;
    let lots = book.lots().unwrap_or_else(|_| vec![lot.clone()]);
    let day = on.map_or(now.day(), |on| on.day().max(now.day()));
    for arm in arm.map_or_else(|| lot.arms(), |arm| vec![arm]) {
        if let Fitness::Block(reasons) = fitness(&lot, &arm, &lots, &limits, day) {
            writeln!(context.out, "Still not to be served: {arm}: {}.", reasons.join("; "))?;
        }
    }
    warn(&lot, &book.book_file()?.value, book, context)
}
