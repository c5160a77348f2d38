//! `age`: how do stored lots move?

use std::path::PathBuf;

use clap::Args;

use super::asked::{Asked, View};
use super::{Context, Failure, charts, table_args};
use crate::book::problem::did_you_mean;
use crate::book::store;
use crate::book::time::Moment;
use crate::findings::Settings;
use crate::findings::age::{Age, AgeRecord, AgeWish, LotTimes, age_of_record};
use crate::scores::{AgesFrom, Scores, Trials, from_table, of_book};
use crate::views;
use crate::views::charts::Words;

/// How do stored lots move?
#[derive(Debug, Args)]
pub struct AgeArgs {
    #[command(flatten)]
    asked: Asked,
    /// Only these lots, or arms as LOT@ARM
    #[arg(long, value_name = "LOT[,LOT]")]
    of: Vec<String>,
    /// What is held to be the same at all times (of sessions: what was served as such)
    #[arg(long, value_name = "LOT[,LOT]")]
    reference: Vec<String>,
    /// From when ages count: made, packed (store.packed) or opened (store.opened)
    #[arg(long, value_name = "MOMENT", default_value = "made", value_parser = moment, conflicts_with = "table")]
    from: AgesFrom,
    /// Compare lots of different years at equal age
    #[arg(long, conflicts_with = "table")]
    years: bool,
    /// Say what a further tasting at this age in months would be, where the tastings carry it
    #[arg(long, value_name = "MONTH[,MONTH]", value_delimiter = ',', value_parser = ahead)]
    project: Vec<f64>,
    /// Write the answer on paper: a PDF, lot after lot
    #[arg(long, value_name = "FILE", group = "drawn")]
    pdf: Option<PathBuf>,
    /// The age in months; without --session each month is a session
    #[arg(
        long,
        value_name = "COL",
        requires = "table",
        help_heading = "A plain table instead of sessions"
    )]
    month: Option<String>,
    /// The date, as 2026-05-14, in place of --month
    #[arg(
        long,
        value_name = "COL",
        requires = "table",
        conflicts_with = "month",
        help_heading = "A plain table instead of sessions"
    )]
    date: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// If the scores cannot be read, a lot that is named is not among them, or the result not be
/// written.
pub fn run(args: &AgeArgs, context: &mut Context) -> Result<(), Failure> {
    let (mut scores, times, trials) = match args.of_table()? {
        Some((scores, times)) => (scores, times, None),
        None => args.of_sessions(context)?,
    };
    let samples = scores.words("lot");
    if !args.reference.is_empty() {
        scores.source.references = named("--reference", &args.reference, &samples, &samples)?;
    }
    let wish = AgeWish {
        of: asked_lots(&args.of, &samples)?,
        project: args.project.clone(),
        years: args.years,
    };
    let record = AgeRecord { scores: &scores, lots: &times, trials: trials.as_ref() };
    let finding = age_of_record(&record, &wish, &Settings::default());
    let words = args.asked.words(&scores);
    args.write_pdf(context, &words, &finding)?;
    let view =
        View { text: views::age::text, draw: views::charts::age, page: Some(views::pages::age) };
    args.asked.show(context, &finding, &words, view)?;
    // The program ends here: to give back the memory of many lots piece by piece would only take time.
    std::mem::forget((scores, finding));
    Ok(())
}

impl AgeArgs {
    /// Writes the answer on paper, if that was asked for.
    fn write_pdf(&self, context: &Context, words: &Words, finding: &Age) -> Result<(), Failure> {
        let Some(file) = &self.pdf else { return Ok(()) };
        let drawn = charts::drawn(views::charts::age(finding, words))?;
        let book = match self.asked.table.is_given() {
            true => String::new(),
            false => context.book()?.book_file()?.value.title,
        };
        let today = Moment::now().day().0;
        let pdf = views::papers::age(finding, &drawn, words, (&book, today))?;
        store::replace_bytes(file, &pdf)?;
        Ok(())
    }

    fn of_table(&self) -> Result<Option<(Scores, LotTimes)>, Failure> {
        let Some(mut options) = self.asked.table.options() else { return Ok(None) };
        if !self.asked.sessions.is_empty() {
            return Err(Failure::Command(
                "both a table and sessions are named\n  expected: one of the two\n  to mend:  \
                 leave --table out, or the sessions"
                    .to_owned(),
            ));
        }
        if self.month.is_none() && self.date.is_none() {
            return Err(Failure::Command(
                "the table does not say when its scores were given\n  expected: --month COL, or \
                 --date COL with dates as 2026-05-14\n  to mend:  name the column"
                    .to_owned(),
            ));
        }
        options.month.clone_from(&self.month);
        options.date.clone_from(&self.date);
        let clock = match &self.month {
            Some(column) => format!("months as {column} in the table says"),
            None => "months since the first date in the table".to_owned(),
        };
        Ok(Some((from_table(&options)?, LotTimes::of_table(&clock))))
    }

    /// The sessions that are named, or all that are revealed, and all that asked whether two samples
    /// are told apart.
    fn of_sessions(
        &self,
        context: &Context,
    ) -> Result<(Scores, LotTimes, Option<Trials>), Failure> {
        let stored = of_book::stored(&context.book()?, &self.asked.sessions, self.from)?;
        Ok((stored.scores, stored.times, stored.trials))
    }
}

/// An age that lies ahead.
fn ahead(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(month) if month.is_finite() && month > 0.0 => Ok(month),
        _ => Err("expected an age in months, as 36".to_owned()),
    }
}

/// A moment from which ages count.
fn moment(word: &str) -> Result<AgesFrom, String> {
    let names: Vec<&str> = AgesFrom::NAMES.iter().map(|n| n.0).collect();
    let known = AgesFrom::NAMES.into_iter().find(|n| n.0 == word);
    known.map(|n| n.1).ok_or_else(|| format!("expected one of {}", names.join(", ")))
}

/// The lots that are asked for: a name as it stands, or else several with commas between them.
fn asked_lots(words: &[String], samples: &[String]) -> Result<Vec<String>, Failure> {
    let lot = |sample: &String| sample.split('@').next().unwrap_or_default().to_owned();
    let known: Vec<String> = samples.iter().flat_map(|s| [s.clone(), lot(s)]).collect();
    named("--of", words, &known, samples)
}

/// What the words of a flag name, each once.
fn named(
    flag: &str,
    words: &[String],
    known: &[String],
    samples: &[String],
) -> Result<Vec<String>, Failure> {
    let mut all: Vec<String> = Vec::new();
    for word in words {
        for part in table_args::parts(word, known) {
            if !known.iter().any(|k| k == part) {
                return Err(no_such(flag, part, samples));
            }
            if !all.iter().any(|a| a == part) {
                all.push(part.to_owned());
            }
        }
    }
    Ok(all)
}

fn no_such(flag: &str, name: &str, samples: &[String]) -> Failure {
    const MOST: usize = 30;
    let shown: Vec<&str> = samples.iter().take(MOST).map(String::as_str).collect();
    let more = samples.len().saturating_sub(MOST);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    Failure::Command(format!(
        "{flag} {name}: no such lot was scored\n  expected: one of {}{more}\n  to mend:  {}",
        shown.join(", "),
        did_you_mean(name, samples.iter().map(String::as_str), "correct the name")
    ))
}
