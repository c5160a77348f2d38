//! `compare`: which lots differ?

use clap::Args;

use super::asked::Asked;
use super::{Context, Failure};
use crate::findings::Settings;
use crate::findings::compare::compare;
use crate::views;

/// Which lots differ?
#[derive(Debug, Args)]
pub struct CompareArgs {
    #[command(flatten)]
    asked: Asked,
}

/// Runs the command.
///
/// # Errors
/// If the scores cannot be read or the result not be written.
pub fn run(args: &CompareArgs, context: &mut Context) -> Result<(), Failure> {
    let scores = args.asked.scores(context)?;
    let finding = compare(&scores, &Settings::default());
    args.asked.show(context, &scores, &finding, views::compare::text, views::charts::compare)
}
