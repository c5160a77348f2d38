//! `compare`: which lots differ?

use std::path::PathBuf;

use clap::Args;

use super::table_args::{self, TableArgs};
use super::{Context, Failure, charts};
use crate::findings::Settings;
use crate::findings::compare::compare;
use crate::views;

/// Which lots differ?
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Revealed sessions of the book
    #[arg(value_name = "SESSION")]
    sessions: Vec<String>,
    /// All numbers as JSON (compare/1)
    #[arg(long)]
    json: bool,
    /// Write charts (SVG) into this folder
    #[arg(long, value_name = "DIR")]
    charts: Option<PathBuf>,
    /// The language of the charts
    #[arg(long, value_enum, default_value_t, requires = "charts")]
    language: charts::Language,
    #[command(flatten)]
    table: TableArgs,
}

/// Runs the command.
///
/// # Errors
/// If the scores cannot be read or the result not be written.
pub fn run(args: &CompareArgs, context: &mut Context) -> Result<(), Failure> {
    let scores = table_args::scores(&args.table, &args.sessions, context)?;
    let finding = compare(&scores, &Settings::default());
    if let Some(dir) = &args.charts {
        charts::write(
            dir,
            &views::charts::compare(&finding, &charts::words(&scores, args.language)),
        )?;
    }
    let text = if args.json { views::json::of(&finding) } else { views::compare::text(&finding) };
    context.out.write_all(text.as_bytes())?;
    Ok(())
}
