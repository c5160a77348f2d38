//! `taster`: who tastes.

use clap::{Args, Subcommand};

use super::{Context, Failure};
use crate::book::time::{Day, Moment};
use crate::book::writing::add_taster;

/// Add and list tasters
#[derive(Debug, Args)]
pub struct Taster {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Add a taster
    Add {
        /// Their id, as on ballots
        id: String,
        /// Their name; it never leaves the book unless asked
        #[arg(long)]
        name: Option<String>,
        /// The day on which they joined (default: today)
        #[arg(long, value_name = "DAY")]
        joined: Option<Day>,
    },
    /// List the tasters
    List,
}

/// Runs the command.
///
/// # Errors
/// If the id is taken or the records are wrong.
pub fn run(args: Taster, context: &mut Context) -> Result<(), Failure> {
    let book = context.book()?;
    match args.verb {
        Verb::Add { id, name, joined } => {
            let joined = joined.unwrap_or_else(|| Moment::now().day());
            add_taster(&book, &id, name.as_deref(), Some(joined))?;
            writeln!(context.out, "taster {id} added to tasters.toml")?;
        }
        Verb::List => {
            let tasters = book.tasters()?.value.tasters;
            if tasters.is_empty() {
                writeln!(context.out, "no tasters yet: `blindsteep taster add ID`")?;
            }
            let width = tasters.iter().map(|t| t.id.len()).max().unwrap_or(0);
            for t in tasters {
                let mut line = format!("{:width$}", t.id);
                for text in [
                    t.name.clone(),
                    t.joined.map(|d| format!("joined {d}")),
                    t.left.map(|d| format!("left {d}")),
                    t.notes.clone(),
                ]
                .into_iter()
                .flatten()
                {
                    line.push_str("  ");
                    line.push_str(&text);
                }
                writeln!(context.out, "{}", line.trim_end())?;
            }
        }
    }
    Ok(())
}
