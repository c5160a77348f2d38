//! `link`: which step did it?

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::{ArgGroup, Args};

use super::asked::{Asked, View};
use super::table_args::TableArgs;
use super::{Context, Failure, table_args};
use crate::book::problem::did_you_mean;
use crate::findings::link::{Batch, PlannedTrial, Setting, Wish, link, setting, settings};
use crate::scores::{Makings, Scores, makings_from_table, of_book};
use crate::views;
use crate::views::charts::parameter_names;

/// Which step of the making did it?
#[derive(Debug, Args)]
#[command(group = ArgGroup::new("drawn").multiple(true))]
pub struct LinkArgs {
    // Before the shared flags, whose last heading all that follows would stand under.
    /// Only these parameters
    #[arg(long, value_name = "ID[,ID]")]
    only: Vec<String>,
    /// Only these terms
    #[arg(long, value_name = "TERM[,TERM]")]
    about: Vec<String>,
    /// Leave out lots without these parameters, so that they can be asked about
    #[arg(long, value_name = "ID[,ID]")]
    complete: Vec<String>,
    /// What this trial was planned for first, then the rest
    #[arg(long, value_name = "NAME", conflicts_with = "table")]
    trial: Option<String>,
    /// Predicts the cup of a planned batch, values in the parameters' units; again for another batch
    #[arg(long, value_name = "ID=VALUE[,ID=VALUE]")]
    predict: Vec<String>,
    #[command(flatten)]
    asked: Asked,
    /// How the lots of the table were made: CSV with one row a lot, the lot's columns called as
    /// in the table, every other column a parameter
    #[arg(long, value_name = "FILE", requires = "table", help_heading = table_args::HEADING)]
    parameters: Option<PathBuf>,
    /// A sample of the table that stayed the same and joins its sessions
    #[arg(long, value_name = "LOT", requires = "table", help_heading = table_args::HEADING)]
    reference: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// If the scores or the parameters cannot be read, or the result not be written.
pub fn run(args: &LinkArgs, context: &mut Context) -> Result<(), Failure> {
    let (scores, makings, names) = read(args, context)?;
    let wish = Wish { trial: trial(args, context)?, ..wish(args, &scores, &makings)? };
    let finding = link(&scores, &makings, &wish, &settings());
    let words = args.asked.words(&scores).with_parameters(names);
    let view =
        View { text: views::link::text, draw: views::charts::link, page: Some(views::pages::link) };
    args.asked.show(context, &finding, &words, view)
}

/// The trial that is named.
fn trial(args: &LinkArgs, context: &Context) -> Result<Option<PlannedTrial>, Failure> {
    let Some(name) = &args.trial else { return Ok(None) };
    let file = context.book()?.trial(name)?.value;
    Ok(Some(PlannedTrial {
        name: file.name,
        factors: file.factors.into_iter().map(|f| f.parameter).collect(),
        terms: file.terms,
        runs: file.runs.iter().map(|r| r.run).collect(),
    }))
}

type Names = BTreeMap<String, String>;

fn read(args: &LinkArgs, context: &Context) -> Result<(Scores, Makings, Names), Failure> {
    if !args.asked.table.is_given() {
        return from_book(args, context);
    }
    let (scores, makings) =
        of_table(&args.asked.table, &args.asked.sessions, args.parameters.as_deref(), context)?;
    Ok((scores, makings, Names::new()))
}

/// The scores of a table, and how its lots were made by another.
///
/// # Errors
/// If either is missing or cannot be read.
pub(super) fn of_table(
    table: &TableArgs,
    sessions: &[String],
    parameters: Option<&Path>,
    context: &Context,
) -> Result<(Scores, Makings), Failure> {
    let Some(path) = parameters else {
        return Err(Failure::Command(
            "--parameters is missing\n  expected: --parameters FILE, a table with one row a lot and \
             one column a parameter\n  to mend:  name it"
                .to_owned(),
        ));
    };
    let scores = table_args::scores(table, sessions, context)?;
    let (lot, delimiter, decimal) = table.shape();
    let mut makings = makings_from_table(path, lot, delimiter, decimal)?;
    // Where both are one file, scores would otherwise explain themselves.
    for term in scores.terms() {
        makings.leave_out(&term.id, "it is a column of scores");
    }
    Ok((scores, makings))
}

/// The sessions that are named, or all that are revealed, with the lots' logs.
fn from_book(args: &LinkArgs, context: &Context) -> Result<(Scores, Makings, Names), Failure> {
    let book = context.book()?;
    let sessions = of_book::named_or_all(&book, &args.asked.sessions)?;
    let (scores, makings) = of_book::first_tastings(&book, sessions)?;
    let parameters = book.parameters()?.value;
    Ok((scores, makings, parameter_names(&parameters, args.asked.drawn.language.into())))
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
        for part in table_args::parts(word, known) {
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
        complete: several(&args.complete, &parameters, "--complete", "parameter")?,
        references: several(&args.reference, &scores.words("lot"), "--reference", "lot")?,
        trial: None,
        predict: batches(&args.predict, makings)?,
    })
}

/// The planned batches of `--predict`.
fn batches(flags: &[String], makings: &Makings) -> Result<Vec<Batch>, Failure> {
    let known: Vec<&str> = makings.parameters.iter().map(|p| p.id.as_str()).collect();
    let one = |(k, flag): (usize, &String)| {
        let wrong = |found: String, expected: String, mend: String| {
            Failure::Command(format!(
                "--predict {flag}: {found}\n  expected: {expected}\n  to mend:  {mend}"
            ))
        };
        let mut settings: Vec<Setting> = Vec::new();
        for part in flag.split(',').map(str::trim) {
            let Some((id, value)) = part.split_once('=') else {
                return Err(wrong(
                    format!("{part:?} is no setting"),
                    "ID=VALUE, several with commas between them, numbers with a decimal point"
                        .to_owned(),
                    "write it so".to_owned(),
                ));
            };
            let id = id.trim();
            let found = setting(makings, id, value).map_err(|found| {
                let mend = if known.contains(&id) {
                    "correct the value".to_owned()
                } else {
                    did_you_mean(id, known.iter().copied(), "correct the parameter")
                };
                let expected = if known.contains(&id) {
                    "a value as the lots have it".to_owned()
                } else {
                    format!("one of {}", known.join(", "))
                };
                wrong(found, expected, mend)
            })?;
            if settings.iter().any(|s| s.parameter == id) {
                return Err(wrong(
                    format!("{id} is named twice"),
                    "each parameter once".to_owned(),
                    "leave one out".to_owned(),
                ));
            }
            settings.push(found);
        }
        let name = if flags.len() > 1 {
            format!("Planned batch {}", k + 1)
        } else {
            "Planned batch".to_owned()
        };
        Ok(Batch { name, settings })
    };
    flags.iter().enumerate().map(one).collect()
}
