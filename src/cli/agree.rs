//! `agree`: do the tasters agree?

use std::path::PathBuf;

use clap::Args;

use super::asked::{Asked, View};
use super::{Context, Failure, practice};
use crate::findings::Settings;
use crate::findings::agree::agree;
use crate::findings::monitor::monitor;
use crate::views;

/// Do the tasters agree?
#[derive(Debug, Args)]
pub struct AgreeArgs {
    #[command(flatten)]
    asked: Asked,
    /// How each taster does from session to session, in the terms that the panel tells apart (all
    /// sessions of the book if none is named)
    #[arg(long)]
    monitor: bool,
    /// Write a page for each taster into this folder: what goes well, what to practise next (from
    /// all sessions of the book if none is named)
    #[arg(long, value_name = "DIR", group = "drawn", conflicts_with = "monitor")]
    practice: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// If the scores cannot be read or the result not be written.
pub fn run(args: &AgreeArgs, context: &mut Context) -> Result<(), Failure> {
    let scores = if args.monitor || args.practice.is_some() {
        args.asked.scores_or_all(context)?
    } else {
        args.asked.scores(context)?
    };
    if scores.words("taster").is_empty() {
        return Err(Failure::Command(
            "the table does not say who scored\n  expected: --taster COL, the column that names the \
             taster: agreement is between tasters\n  to mend:  name it, or ask `compare`, which \
             does without"
                .to_owned(),
        ));
    }
    let settings = Settings::default();
    if args.monitor {
        if scores.words("session").len() < 2 {
            return Err(Failure::Command(
                "--monitor is about several sessions\n  expected: two revealed sessions or more, or a \
                 table with --session COL\n  to mend:  name them, or ask `agree` without --monitor"
                    .to_owned(),
            ));
        }
        let finding = monitor(&scores, &settings);
        let view = View { text: views::monitor::text, draw: views::charts::monitor, page: None };
        return args.asked.show(context, &finding, &args.asked.words(&scores), view);
    }
    let finding = agree(&scores, &settings);
    if let Some(folder) = &args.practice {
        return practice::write(folder, &scores, &finding, &args.asked, context);
    }
    let view = View {
        text: views::agree::text,
        draw: views::charts::agree,
        page: Some(views::pages::agree),
    };
    args.asked.show(context, &finding, &args.asked.words(&scores), view)
}
