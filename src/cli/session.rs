//! `blindsteep session`: plan, taste, close and reveal blind sessions.

mod enter;
mod late;
mod papers;
pub(super) mod plan;
mod show;

use std::io::Write as _;
use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{Context, Failure};
use crate::book::store;
use crate::book::time::Moment;
use crate::session::musty::to_quarantine;
use crate::session::pour::{PourNote, log_pour, shelf_plan};
use crate::session::unfit::unfit_since_planned;
use crate::session::{self, DealSecret, Scope};

/// What to do with sessions.
#[derive(Debug, Subcommand)]
pub enum SessionCommand {
    /// Plan a session: give lots to codes, seal the key
    Plan(Box<plan::PlanArgs>),
    /// Print the ballots, one a taster, as PDF
    Papers {
        /// The session: its folder or any unique part of it
        session: String,
        /// Where to (default: papers/ in the session's folder)
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// The language (default: the book's first)
        #[arg(long, value_enum)]
        language: Option<papers::Languages>,
    },
    /// Write what a taster answers: cup by cup at a prompt, or from a table
    Enter(Box<enter::EnterArgs>),
    /// Write the pouring plan, the one paper with lots on it, for whoever does not taste; list
    /// which cup is poured from which tin (alone); or log a cup's temperature
    Pour(PourArgs),
    /// Close a session: no more scores
    Close {
        /// The session: its folder or any unique part of it
        session: String,
        /// Close although ballots have not been handed in
        #[arg(long)]
        anyway: bool,
    },
    /// Give the key of a session that you poured and tasted alone, after closing
    Key {
        /// The session: its folder or any unique part of it
        session: String,
        /// A table with the columns shelf,lot or code,lot
        #[arg(long, value_name = "FILE")]
        from: PathBuf,
        /// The frozen sample among the lots
        #[arg(long, value_name = "LOT")]
        reference: Option<String>,
    },
    /// List answers that came after closing; admit them before the reveal, with a reason
    Late(late::LateArgs),
    /// Open the key of a closed session
    Reveal {
        /// The session: its folder or any unique part of it
        session: String,
        /// Reveal although late answers wait: they are not admitted any more
        #[arg(long)]
        anyway: bool,
    },
    /// Give a session up: nothing of it counts
    Void {
        /// The session: its folder or any unique part of it
        session: String,
        /// Why
        #[arg(long)]
        reason: String,
        /// Its leaf was brewed and is taken from the reserves (else: if anything was answered)
        #[arg(long, conflicts_with = "not_brewed")]
        brewed: bool,
        /// Nothing was brewed: the reserves stay as they are
        #[arg(long)]
        not_brewed: bool,
    },
    /// Leave answers out of the results, or take an exclusion back; the answers stay in the record
    Exclude(ExcludeArgs),
    /// List the sessions of the book
    List,
    /// Show a session: its state, cups, ballots and changes, and its lots once they are revealed
    Show {
        /// The session: its folder or any unique part of it
        session: String,
    },
}

/// What is poured.
#[derive(Debug, Args)]
pub struct PourArgs {
    /// The session: its folder or any unique part of it
    session: String,
    /// Who pours (alone: whoever tastes)
    #[arg(long, value_name = "WHO")]
    pourer: Option<String>,
    /// The PDF file to write; not inside the book
    #[arg(long, value_name = "FILE", conflicts_with = "cup")]
    out: Option<PathBuf>,
    /// The language of the plan (default: the book's first)
    #[arg(long, value_enum, requires = "out")]
    language: Option<papers::Languages>,
    /// Log this cup
    #[arg(long, value_name = "CODE", conflicts_with = "pourer")]
    cup: Option<u16>,
    /// Its temperature in °C when it is tasted
    #[arg(long, value_name = "C", requires = "cup")]
    temperature: Option<f64>,
    /// Minutes since it was poured
    #[arg(long, requires = "cup")]
    minutes: Option<f64>,
    /// Anything else
    #[arg(long, requires = "cup")]
    note: Option<String>,
}

/// What is excluded.
#[derive(Debug, Args)]
pub struct ExcludeArgs {
    /// The session: its folder or any unique part of it
    session: String,
    /// Answers of this taster
    #[arg(long)]
    taster: Option<String>,
    /// Answers in this flight
    #[arg(long)]
    flight: Option<u32>,
    /// Answers about this cup
    #[arg(long, value_name = "CODE")]
    cup: Option<u16>,
    /// Answers about this steep
    #[arg(long)]
    steep: Option<u32>,
    /// Answers to this term
    #[arg(long)]
    term: Option<String>,
    /// Take back the exclusion with this entry
    #[arg(long, value_name = "ENTRY", conflicts_with_all = ["taster", "flight", "cup", "steep", "term"])]
    undo: Option<String>,
    /// Why
    #[arg(long)]
    reason: String,
    /// Who decides it
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
}

/// Runs a session command.
///
/// # Errors
/// Why it did not end well.
pub fn run(command: SessionCommand, context: &mut Context) -> Result<(), Failure> {
    let book = context.book()?;
    let now = Moment::now();
    match command {
        SessionCommand::Plan(args) => plan::run(*args, &book, now, context),
        SessionCommand::Papers { session, out, language } => {
            papers::ballots(&session, out, language, &book, context)
        }
        SessionCommand::Enter(args) => enter::run(*args, &book, context),
        SessionCommand::Pour(args) => pour(args, &book, now, context),
        SessionCommand::Close { session, anyway } => {
            let closed = session::close(&book, &session, anyway, now)?;
            let name = book.session_name(&session)?;
            writeln!(context.out, "Session {name} is closed: no more scores are taken.")?;
            if !closed.missing.is_empty() {
                let list: Vec<String> = closed
                    .missing
                    .iter()
                    .map(|m| format!("{}, flight {}", m.taster, m.flight))
                    .collect();
                writeln!(context.out, "Not handed in: {}.", list.join("; "))?;
            }
            Ok(())
        }
        SessionCommand::Key { session, from, reference } => {
            let text = store::read_text(&from)?;
            let file = from.display().to_string();
            let secret = DealSecret::from_system()?;
            session::write_key(&book, &session, &file, &text, reference.as_deref(), secret, now)?;
            let name = book.session_name(&session)?;
            writeln!(
                context.out,
                "The key of session {name} is written. It was not committed beforehand, and reports say so."
            )?;
            Ok(())
        }
        SessionCommand::Late(args) => late::run(&args, &book, now, context),
        SessionCommand::Reveal { session, anyway } => {
            late::before_the_reveal(&book, &session, anyway)?;
            let revealed = session::reveal(&book, &session, now)?;
            show::revealed_cups(&revealed, context)?;
            for warning in to_quarantine(&revealed, &book.lots()?) {
                writeln!(context.out, "\nCAUTION: {warning}")?;
            }
            Ok(())
        }
        SessionCommand::Void { session, reason, brewed, not_brewed } => {
            let said = match (brewed, not_brewed) {
                (true, _) => Some(true),
                (_, true) => Some(false),
                _ => None,
            };
            let file = session::void(&book, &session, &reason, said, now)?;
            let name = book.session_name(&session)?;
            let leaf = if file.brewed {
                "its leaf is taken from the reserves"
            } else {
                "nothing was brewed: the reserves stay as they are"
            };
            writeln!(context.out, "Session {name} is void; {leaf}.")?;
            Ok(())
        }
        SessionCommand::Exclude(args) => exclude(args, &book, now, context),
        SessionCommand::List => show::list(&book, context),
        SessionCommand::Show { session } => show::show(&book, &session, context),
    }
}

fn pour(
    args: PourArgs,
    book: &crate::book::Book,
    now: Moment,
    context: &mut Context,
) -> Result<(), Failure> {
    if let Some(cup) = args.cup {
        let note = PourNote {
            cup,
            temperature_c: args.temperature,
            minutes: args.minutes,
            note: args.note,
        };
        let caution = log_pour(book, &args.session, &note, now)?;
        writeln!(context.out, "Cup {cup} is logged.")?;
        if let Some(caution) = caution {
            writeln!(context.out, "{caution}")?;
        }
        return Ok(());
    }
    let pourer = match args.pourer {
        Some(pourer) => pourer,
        None => {
            let session = session::Session::open(book, &args.session)?;
            // Alone, whoever tastes pours; a sealed plan is handed to a named person only.
            if !session.plan().is_alone() {
                return Err(Failure::Command(format!(
                    "nobody is named who pours for session {}\n  to mend:  name who pours with --pourer, and the plan's file with --out",
                    session.name
                )));
            }
            session.plan().tasters.first().cloned().unwrap_or_default()
        }
    };
    if let Some(file) = &args.out {
        return papers::pouring(&args.session, &pourer, file, args.language, book, now, context);
    }
    let mut flight = 0;
    for pour in shelf_plan(book, &args.session, &pourer)? {
        if pour.flight != flight {
            flight = pour.flight;
            writeln!(context.out, "Flight {flight}")?;
        }
        let first = if pour.warm_up { "  (warm-up, poured first)" } else { "" };
        writeln!(context.out, "  cup {} from the tin at place {}{first}", pour.code, pour.shelf)?;
    }
    let unfit = unfit_since_planned(book, &args.session, now)?;
    if !unfit.is_empty() {
        let names: Vec<String> = unfit.iter().map(ToString::to_string).collect();
        writeln!(
            context.out,
            "CAUTION: since this session was planned {} came into quarantine or {} found too damp. \
             If a tin of it stands on the shelf, have somebody else take it off, and enter its cups \
             as lost.",
            names.join(", "),
            if names.len() == 1 { "was" } else { "were" }
        )?;
    }
    writeln!(context.out, "Boiling water scalds. Taste below 60 °C.")?;
    Ok(())
}

fn exclude(
    args: ExcludeArgs,
    book: &crate::book::Book,
    now: Moment,
    context: &mut Context,
) -> Result<(), Failure> {
    let by = args.by.as_deref();
    if let Some(entry) = &args.undo {
        session::readmit(book, &args.session, entry, &args.reason, by, now)?;
        writeln!(context.out, "The exclusion {entry} is taken back.")?;
        return Ok(());
    }
    let scope = Scope {
        taster: args.taster,
        flight: args.flight,
        cup: args.cup,
        steep: args.steep,
        term: args.term,
    };
    let entry = session::exclude(book, &args.session, &scope, &args.reason, by, now)?;
    writeln!(
        context.out,
        "Excluded ({entry}). The answers stay in the record, and results are shown with and without them."
    )?;
    Ok(())
}
