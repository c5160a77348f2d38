//! `lot`: what each lot is, and what was done with it.

use clap::{Args, Subcommand};

use super::lot_text as view;
use super::{Context, Failure};
use crate::book::lots::{How, LotFile, Parent};
use crate::book::time::{Day, Moment};
use crate::book::units;
use crate::book::writing::{Entry, NewArm, NewLot, add_lot, log_lot, split_lot};

/// Add lots, log what is done with them, show them
#[derive(Debug, Args)]
pub struct Lot {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Add a lot
    Add(Box<Add>),
    /// Log a value: a step of making, a mass, a moisture, a move in store, a draw from the reserve
    Log(Box<LogArgs>),
    /// Split a lot into arms that are stored in different ways
    Split {
        /// The lot
        id: String,
        /// An arm, named by how it is stored: dry, humid, or dry=10kg; give it for each
        #[arg(long = "arm", value_name = "ARM[=KG]", required = true, value_parser = new_arm)]
        arms: Vec<NewArm>,
        /// The day of the split (default: today)
        #[arg(long, value_name = "DAY")]
        on: Option<Day>,
    },
    /// Show a lot: its identity, its values, what follows from them, its reserve
    Show {
        /// The lot
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
    /// The lot
    id: String,
    /// The parameter, as wither.hours (parameters.toml lists them)
    parameter: String,
    /// The value, which may carry its unit: 16, 960min; left out, a correction takes one back
    #[arg(allow_negative_numbers = true)]
    value: Option<String>,
    /// Its unit (default: the parameter's own)
    #[arg(long)]
    unit: Option<String>,
    /// When it happened, as 2026-05-14T15:04:05+08:00 (default: now)
    #[arg(long, value_name = "MOMENT")]
    at: Option<Moment>,
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

fn kilograms(text: &str) -> Option<f64> {
    let (number, unit) = units::number_and_unit(text)?;
    units::convert(number, unit.unwrap_or("kg"), "kg").filter(|kg| kg.is_finite() && *kg > 0.0)
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

fn new_arm(text: &str) -> Result<NewArm, String> {
    let Some((id, kg)) = text.split_once('=') else { return Ok(text.trim().into()) };
    let kg = kilograms(kg).ok_or("write the kilograms behind the =, as in dry=10")?;
    Ok(NewArm { id: id.trim().to_owned(), kg: Some(kg) })
}

fn how(estimated: bool) -> How {
    if estimated { How::Estimated } else { How::Measured }
}

/// Runs the command.
///
/// # Errors
/// If what is asked does not fit the book, or the records are wrong.
pub fn run(args: Lot, context: &mut Context) -> Result<(), Failure> {
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
            warn(&lot, &book.book_file()?.value, context)?;
        }
        Verb::Log(log) => {
            let entry = Entry {
                unit: log.unit,
                at: log.at,
                arm: log.arm,
                how: how(log.estimated),
                by: log.by,
                replaces: log.replaces,
                reason: log.reason,
                note: log.note,
                ..Entry::new(log.parameter, log.value)
            };
            let line = log_lot(&book, &log.id, &entry, Moment::now(), &mut Context::rng()?)?;
            let lot = book.lot(&log.id)?;
            writeln!(context.out, "{}", view::logged(&lot, &line))?;
            warn(&lot, &book.book_file()?.value, context)?;
        }
        Verb::Split { id, arms, on } => {
            split_lot(&book, &id, &arms, on.unwrap_or_else(|| Moment::now().day()))?;
            let arms: Vec<&str> = arms.iter().map(|a| a.id.as_str()).collect();
            writeln!(context.out, "lot {id} is split into {}", arms.join(" and "))?;
        }
        Verb::Show { id, log } => {
            let lot = book.lot(&id)?;
            let parameters = book.parameters()?.value;
            let limits = book.book_file()?.value.limits;
            write!(context.out, "{}", view::whole(&lot, &parameters, &limits, log))?;
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

fn warn(
    lot: &crate::book::lots::Lot,
    book: &crate::book::book_file::BookFile,
    context: &mut Context,
) -> Result<(), Failure> {
    for warning in lot.warnings(&book.limits) {
        writeln!(context.out, "\nwarning: {warning}")?;
    }
    Ok(())
}
