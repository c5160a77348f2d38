//! `agree`: do the tasters agree?

use std::path::PathBuf;

use clap::Args;

use super::table_args::{self, TableArgs};
use super::{Context, Failure, charts};
use crate::findings::Settings;
use crate::findings::agree::agree;
use crate::views;

/// Do the tasters agree?
#[derive(Debug, Args)]
pub struct AgreeArgs {
    /// Revealed sessions of the book
    #[arg(value_name = "SESSION")]
    sessions: Vec<String>,
    /// All numbers as JSON (agree/1)
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
pub fn run(args: &AgreeArgs, context: &mut Context) -> Result<(), Failure> {
    let scores = table_args::scores(&args.table, &args.sessions, context)?;
    if scores.words("taster").is_empty() {
        return Err(Failure::Command(
            "the table does not say who scored\n  expected: --taster COL, the column that names the \
             taster: agreement is between tasters\n  to mend:  name it, or ask `compare`, which \
             does without"
                .to_owned(),
        ));
    }
    let finding = agree(&scores, &Settings::default());
    if let Some(dir) = &args.charts {
        charts::write(
            dir,
            &views::charts::agree(&finding, &charts::words(&scores, args.language)),
        )?;
    }
    let text = if args.json { views::json::of(&finding) } else { views::agree::text(&finding) };
    context.out.write_all(text.as_bytes())?;
    Ok(())
}
