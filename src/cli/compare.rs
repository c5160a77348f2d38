//! `compare`: which lots differ?

use clap::Args;

use super::asked::Asked;
use super::table_args;
use super::{Context, Failure};
use crate::findings::Settings;
use crate::findings::compare::compare;
use crate::findings::ranking::ranking;
use crate::views;

/// Which lots differ? Of ranking sessions: which sample has more?
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
    if let Some(rankings) = table_args::rankings(&args.asked.table, &args.asked.sessions, context)?
    {
        if args.asked.charts.is_some() {
            return Err(Failure::Command(
                "--charts is given, and rankings have no charts\n  expected: text or --json\n  to mend:  \
                 leave --charts out"
                    .to_owned(),
            ));
        }
        let finding = ranking(&rankings, &Settings::default());
        return args.asked.show_text(context, &finding, views::ranking::text);
    }
    let scores = args.asked.scores(context)?;
    let finding = compare(&scores, &Settings::default());
    args.asked.show(context, &scores, &finding, views::compare::text, views::charts::compare)
}
