//! `link`: which step did it?

use std::path::PathBuf;

use clap::Args;

use super::asked::Asked;
use super::{Context, Failure};
use crate::book::problem::did_you_mean;
use crate::findings::Settings;
use crate::findings::link::{Wish, link};
use crate::scores::{Makings, Scores, makings_from_table};
use crate::views;

/// Which step of the making did it?
#[derive(Debug, Args)]
pub struct LinkArgs {
    #[command(flatten)]
    asked: Asked,
    /// How the lots of the table were made: CSV with one row a lot, the lot's columns called as
    /// in the table, every other column a parameter
    #[arg(long, value_name = "FILE", requires = "table", help_heading = super::table_args::HEADING)]
    parameters: Option<PathBuf>,
    /// A sample of the table that stayed the same and joins its sessions
    #[arg(long, value_name = "LOT", requires = "table", help_heading = super::table_args::HEADING)]
    reference: Vec<String>,
    /// Only these parameters
    #[arg(long, value_name = "ID[,ID]")]
    only: Vec<String>,
    /// Only these terms
    #[arg(long, value_name = "TERM[,TERM]")]
    about: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// If the scores or the parameters cannot be read, or the result not be written.
pub fn run(args: &LinkArgs, context: &mut Context) -> Result<(), Failure> {
    let (scores, makings, names) = read(args, context)?;
    let wish = wish(args, &scores, &makings)?;
    let finding = link(&scores, &makings, &wish, &Settings::default());
    args.asked.show(context, &scores, &finding, views::link::text, |f, words| {
        views::charts::link(f, &words.clone().with_parameters(names))
    })
}

type Names = std::collections::BTreeMap<String, String>;

fn read(args: &LinkArgs, context: &Context) -> Result<(Scores, Makings, Names), Failure> {
    let table = &args.asked.table;
    if !table.is_given() {
        return Err(Failure::Command(
            "nothing to read is named\n  expected: --table FILE --lot COL --value COL,COL \
             --parameters LOTS.csv\n  to mend:  name a table"
                .to_owned(),
        ));
    }
    let Some(path) = &args.parameters else {
        return Err(Failure::Command(
            "--parameters is missing\n  expected: --parameters FILE, a table with one row a lot and \
             one column a parameter\n  to mend:  name it"
                .to_owned(),
        ));
    };
    let scores = args.asked.scores(context)?;
    let (lot, delimiter, decimal) = table.shape();
    let makings = makings_from_table(path, lot, delimiter, decimal)?;
    Ok((scores, makings, Names::new()))
}

/// The words of a flag: each a known name as it stands, or several with commas between them.
fn several(
    flags: &[String],
    known: &[String],
    flag: &str,
    what: &str,
) -> Result<Vec<String>, Failure> {
    let mut all: Vec<String> = Vec::new();
    for word in flags {
        let parts: Vec<&str> = if known.contains(word) {
            vec![word]
        } else {
            word.split(',').map(str::trim).filter(|p| !p.is_empty()).collect()
        };
        for part in parts {
            if !known.iter().any(|k| k == part) {
                let names = known.iter().map(String::as_str);
                return Err(Failure::Command(format!(
                    "{flag} {part}: there is no {what} of this name\n  expected: one of {}\n  to \
                     mend:  {}",
                    known.join(", "),
                    did_you_mean(part, names, "correct the flag")
                )));
            }
            if !all.iter().any(|a| a == part) {
                all.push(part.to_owned());
            }
        }
    }
    Ok(all)
}

fn wish(args: &LinkArgs, scores: &Scores, makings: &Makings) -> Result<Wish, Failure> {
    let parameters: Vec<String> = makings
        .parameters
        .iter()
        .map(|p| p.id.clone())
        .chain(makings.not_taken.iter().map(|n| n.id.clone()))
        .collect();
    let terms: Vec<String> = scores.terms().iter().map(|t| t.id.clone()).collect();
    Ok(Wish {
        only: several(&args.only, &parameters, "--only", "parameter")?,
        about: several(&args.about, &terms, "--about", "term")?,
        references: several(&args.reference, &scores.words("lot"), "--reference", "lot")?,
    })
}
