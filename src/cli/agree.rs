//! `agree`: do the tasters agree?

use clap::Args;

use super::asked::Asked;
use super::{Context, Failure};
use crate::findings::Settings;
use crate::findings::agree::agree;
use crate::views;

/// Do the tasters agree?
#[derive(Debug, Args)]
pub struct AgreeArgs {
    #[command(flatten)]
    asked: Asked,
}

/// Runs the command.
///
/// # Errors
/// If the scores cannot be read or the result not be written.
pub fn run(args: &AgreeArgs, context: &mut Context) -> Result<(), Failure> {
    let scores = args.asked.scores(context)?;
    if scores.words("taster").is_empty() {
        return Err(Failure::Command(
            "the table does not say who scored\n  expected: --taster COL, the column that names the \
             taster: agreement is between tasters\n  to mend:  name it, or ask `compare`, which \
             does without"
                .to_owned(),
        ));
    }
    let finding = agree(&scores, &Settings::default());
    args.asked.show(context, &scores, &finding, views::agree::text, views::charts::agree)
}
