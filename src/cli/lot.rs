//! `lot`: what each lot is, and what was done with it.

mod parting;
mod quarantine;

use clap::{Args, Subcommand};

use super::{Context, Failure};
use crate::book::balance::balance;
use crate::book::book_file::{BookFile, Limits};
use crate::book::family::family;
use crate::book::fitness::fitness;
use crate::book::lots::{How, Lot, LotFile, Parent};
use crate::book::making::making;
use crate::book::moves::storage;
use crate::book::reading::unknown;
use crate::book::stays::stays;
use crate::book::stores::Loggers;
use crate::book::time::{Day, Moment};
use crate::book::units::kilograms;
use crate::book::when::When;
use crate::book::writing::{Entry, NewLot, add_lot, log_lot};
use crate::book::{Book, BookError, ids, lot_warnings, trial_rules};
use crate::views::kept_text::ArmKept;
use crate::views::lot_text as view;

/// Add lots, log what is done with them, show them
#[derive(Debug, Args)]
pub struct LotCommand {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Add a lot
    Add(Box<Add>),
    /// Log a value: a step of making, a mass, a moisture, a move in store, a draw from the reserve
    Log(Box<LogArgs>),
    /// Split a lot into arms that are stored in different ways, or into lots of their own
    Split(parting::SplitArgs),
    /// Blend lots into a new one
    Blend(Box<parting::BlendArgs>),
    /// Fire a lot again: a new lot of one parent, with its own values of drying
    Refire(Box<parting::RefireArgs>),
    /// Log a move in store: from then on the lot, or one of its arms, is kept in this way
    Move(parting::MoveArgs),
    /// Put a lot, or one of its arms, into quarantine: no session serves it
    Quarantine(quarantine::QuarantineArgs),
    /// Clear a lot, or one of its arms, of its quarantine: it takes a reason, and who answers for it
    Clear(quarantine::ClearArgs),
    /// Show a lot: its identity, family, masses, values, what follows from them, storage, reserve
    Show {
        /// The lot, or one of its arms, as LOT@ARM
        #[arg(value_name = "LOT[@ARM]")]
        id: String,
        /// Every line of its log too, with corrections
        #[arg(long)]
        log: bool,
    },
    /// List the lots
    List,
}

#[derive(Debug, Args)]
struct Add {
    /// Its id: the name of its folder
    id: String,
    /// The class of tea: black, green, white, oolong, yellow, dark
    #[arg(long)]
    class: String,
    /// The day on which drying ended
    #[arg(long, value_name = "DAY")]
    made: Day,
    /// A day of picking; give it for each
    #[arg(long, value_name = "DAY")]
    picked: Vec<Day>,
    /// The garden
    #[arg(long)]
    garden: Option<String>,
    /// The plot
    #[arg(long)]
    plot: Option<String>,
    /// The cultivar
    #[arg(long)]
    cultivar: Option<String>,
    /// The season or flush
    #[arg(long)]
    season: Option<String>,
    /// Kilograms of made tea
    #[arg(long)]
    kg: Option<f64>,
    /// The trial that it was made for
    #[arg(long, value_name = "NAME", requires = "run")]
    trial: Option<String>,
    /// Which run of that trial it is
    #[arg(long, value_name = "N", requires = "trial")]
    run: Option<u32>,
    /// A lot that it was blended or fired again from, with its kilograms; give it for each
    #[arg(long, value_name = "LOT[@ARM][=KG]", value_parser = parent)]
    parent: Vec<Parent>,
    /// Grams put into the reserve for tasting
    #[arg(long, value_name = "GRAMS")]
    reserve: Option<f64>,
    /// A value of its making, as wither.hours=16; give it for each
    #[arg(long, value_name = "STEP.NAME=VALUE", value_parser = setting)]
    set: Vec<(String, String)>,
    /// The values are estimated, not measured
    #[arg(long)]
    estimated: bool,
    /// Who writes
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// Anything else
    #[arg(long)]
    notes: Option<String>,
}

#[derive(Debug, Args)]
struct LogArgs {
    /// The lot, or one of its arms, as LOT@ARM
    #[arg(value_name = "LOT[@ARM]")]
    id: String,
    /// The parameter, as wither.hours (parameters.toml lists them)
    parameter: String,
    /// The value, which may carry its unit: 16, 960min; for a moment also 2026-05-14T8:40, 8:40
    /// (only for a lot made around today) or now; left out, a correction takes one back
    #[arg(allow_negative_numbers = true)]
    value: Option<String>,
    /// Its unit (default: the parameter's own)
    #[arg(long)]
    unit: Option<String>,
    /// When it happened, as 2026-05-14T15:04 (by the book's clock), with an offset of its own behind
    /// it, or a day: noon of it (default: now)
    #[arg(long, value_name = "MOMENT")]
    at: Option<When>,
    /// The arm that it is about (default: the whole lot)
    #[arg(long)]
    arm: Option<String>,
    /// The value is estimated, not measured
    #[arg(long)]
    estimated: bool,
    /// Who writes
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// The entry that this line takes the place of
    #[arg(long, value_name = "ENTRY", requires = "reason")]
    replaces: Option<String>,
    /// Why it takes its place
    #[arg(long, requires = "replaces")]
    reason: Option<String>,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
}

fn setting(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some((name, value)) if !name.trim().is_empty() && !value.trim().is_empty() => {
            Ok((name.trim().to_owned(), value.trim().to_owned()))
        }
        _ => Err("write it as step.name=value, as in wither.hours=16".to_owned()),
    }
}

fn parent(text: &str) -> Result<Parent, String> {
    let (sample, kg) = match text.split_once('=') {
        None => (text, None),
        Some((sample, kg)) => {
            let kg = kilograms(kg);
            (sample, Some(kg.ok_or("write the kilograms behind the =, as in T26-01=3.5")?))
        }
    };
    let (lot, arm) = lot_and_arm(sample);
    Ok(Parent { lot, arm, kg })
}

/// LOT or LOT@ARM.
fn lot_and_arm(text: &str) -> (String, Option<String>) {
    match text.trim().split_once('@') {
        None => (text.trim().to_owned(), None),
        Some((lot, arm)) => (lot.to_owned(), Some(arm.to_owned())),
    }
}

fn how(estimated: bool) -> How {
    if estimated { How::Estimated } else { How::Measured }
}

/// Runs the command.
///
/// # Errors
/// If what is asked does not fit the book, or the records are wrong.
pub fn run(args: LotCommand, context: &mut Context) -> Result<(), Failure> {
    let book = context.book()?;
    match args.verb {
        Verb::Add(add) => {
            let file = LotFile {
                picked: add.picked,
                garden: add.garden,
                plot: add.plot,
                cultivar: add.cultivar,
                season: add.season,
                kg: add.kg,
                notes: add.notes,
                trial: add.trial,
                run: add.run,
                parents: add.parent,
                ..LotFile::new(&add.id, &add.class, add.made)
            };
            let new = NewLot {
                file,
                reserve_g: add.reserve,
                values: add.set,
                how: how(add.estimated),
                by: add.by,
            };
            let lot = add_lot(&book, &new, Moment::now(), &mut Context::rng()?)?;
            let n = lot.log.lines.len();
            writeln!(
                context.out,
                "lot {} added, with {n} {} in its log",
                lot.id,
                if n == 1 { "line" } else { "lines" }
            )?;
            if let (Some(name), Some(number)) = (&lot.file.value.trial, lot.file.value.run) {
                let trial = book.trial(name)?.value;
                let (parameters, file) = (book.parameters()?.value, book.book_file()?.value);
                let run = view::run_of(&lot, &trial, number, &parameters, &file.limits);
                write!(context.out, "{run}")?;
                // Mistakes in other lots are told by `check`.
                if let Some(told) =
                    trial_rules::made_already(&lot, &book.lots().unwrap_or_default())
                {
                    writeln!(context.out, "\nwarning: {told}")?;
                }
            }
            warn(&lot, &book.book_file()?.value, &book, context)?;
        }
        Verb::Log(log) => {
            let (id, arm) = lot_and_arm(&log.id);
            let entry = Entry {
                unit: log.unit,
                at: log.at.map(|w| w.on_clock_of(&book)),
                arm: one_arm(arm, log.arm)?,
                how: how(log.estimated),
                by: log.by,
                replaces: log.replaces,
                reason: log.reason,
                note: log.note,
                ..Entry::new(log.parameter, log.value)
            };
            let line = log_lot(&book, &id, &entry, Moment::now(), &mut Context::rng()?)?;
            let lot = book.lot(&id)?;
            writeln!(context.out, "{}", view::logged(&lot, &line))?;
            warn(&lot, &book.book_file()?.value, &book, context)?;
        }
        Verb::Split(args) => parting::split(args, &book, context)?,
        Verb::Blend(args) => parting::blend(*args, &book, context)?,
        Verb::Refire(args) => parting::refire(*args, &book, context)?,
        Verb::Move(args) => parting::move_in_store(args, &book, context)?,
        Verb::Quarantine(args) => quarantine::put(args, &book, context)?,
        Verb::Clear(args) => quarantine::clear(args, &book, context)?,
        Verb::Show { id, log } => {
            let (id, arm) = lot_and_arm(&id);
            let lot = book.lot(&id)?;
            let arms = match &arm {
                Some(arm) if !lot.has_arm(arm) => {
                    let known = lot.all_arms();
                    return Err(unknown(
                        "arm of this lot",
                        arm,
                        &known,
                        "name one of them behind the @",
                    )
                    .into());
                }
                Some(arm) => vec![arm.clone()],
                None => lot.arms(),
            };
            let (lots, broken) = match book.lots() {
                Ok(lots) => (lots, false),
                // The lot itself can be shown although others have mistakes.
                Err(BookError::Records(_)) => (vec![lot.clone()], true),
                Err(other) => return Err(other.into()),
            };
            let parameters = book.parameters()?.value;
            let file = book.book_file()?.value;
            let now = Moment::now();
            let mut loggers = Loggers::new(&book, &file);
            let kept: Vec<ArmKept> = arms
                .iter()
                .map(|arm| ArmKept {
                    arm: arm.clone(),
                    stays: stays(&lot, arm, &lots, &mut loggers, now),
                    fitness: fitness(&lot, arm, &lots, &file.limits, now.day()),
                })
                .collect();
            let limits = &file.limits;
            let shown = view::Shown {
                family: family(&lot, &lots),
                balance: balance(&lot, &lots),
                storage: storage(&lot, &lots),
                kept,
                making: making(&lot, &lots, limits),
                warnings: warnings(&lot, &lots, limits),
                arm,
                lot: &lot,
            };
            write!(context.out, "{}", view::whole(&shown, &parameters, limits, log))?;
            for notice in loggers.notices() {
                writeln!(context.out, "\nnotice: {notice}")?;
            }
            for problem in loggers.problems.sorted() {
                writeln!(context.out, "\nnotice: the file is left out: {problem}")?;
            }
            if broken {
                writeln!(
                    context.out,
                    "\nnotice: other lots have mistakes (`blindsteep check` lists them), so that \
                     its family is not shown, nor what it has from there"
                )?;
            }
        }
        Verb::List => {
            let lots = book.lots()?;
            if lots.is_empty() {
                writeln!(context.out, "no lots yet: `blindsteep lot add ID --class … --made …`")?;
            }
            write!(context.out, "{}", view::list(&lots))?;
        }
    }
    Ok(())
}

/// What is to be warned of in a lot: damp tea, and what is probably a slip.
fn warnings(lot: &Lot, lots: &[Lot], limits: &Limits) -> Vec<String> {
    lot_warnings::warnings(&[lot], lots, limits, Moment::now())
}

/// The arm that is named behind an @ or with --arm.
fn one_arm(behind: Option<String>, flag: Option<String>) -> Result<Option<String>, Failure> {
    match (behind, flag) {
        (Some(a), Some(b)) if !ids::same(&a, &b) => Err(Failure::Command(format!(
            "the arm is \"{a}\" behind the @ and \"{b}\" with --arm\n  expected: one arm\n  to mend:  \
             leave one of the two out"
        ))),
        (a, b) => Ok(a.or(b)),
    }
}

fn warn(lot: &Lot, file: &BookFile, book: &Book, context: &mut Context) -> Result<(), Failure> {
    // What was written stands, whatever is wrong in other lots.
    let lots = book.lots().unwrap_or_else(|_| vec![lot.clone()]);
    for warning in warnings(lot, &lots, &file.limits) {
        writeln!(context.out, "\nwarning: {warning}")?;
    }
    Ok(())
}
