//! `age`: how do stored lots move?

use clap::Args;

use super::asked::Asked;
use super::{Context, Failure, table_args};
use crate::book::problem::did_you_mean;
use crate::findings::Settings;
use crate::findings::age::{AgeWish, LotTimes, age_of};
use crate::scores::{Scores, from_revealed, from_table};
use crate::views;

/// How do stored lots move?
#[derive(Debug, Args)]
pub struct AgeArgs {
    #[command(flatten)]
    asked: Asked,
    /// Only these lots, or arms as LOT@ARM
    #[arg(long, value_name = "LOT[,LOT]")]
    of: Vec<String>,
    /// The sample that is held to be the same at all times (of sessions: the one served as such)
    #[arg(long, value_name = "LOT")]
    reference: Option<String>,
    /// Say what a further tasting at this age in months would be, where the tastings carry it
    #[arg(long, value_name = "MONTH[,MONTH]", value_delimiter = ',', value_parser = ahead)]
    project: Vec<f64>,
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
    let (mut scores, times) = match args.of_table()? {
        Some(read) => read,
        None => args.of_sessions(context)?,
    };
    let samples = scores.words("lot");
    if let Some(name) = &args.reference {
        if !samples.contains(name) {
            return Err(no_such("--reference", name, &samples));
        }
        scores.source.references = vec![name.clone()];
    }
    let wish = AgeWish { of: asked_lots(&args.of, &samples)?, project: args.project.clone() };
    let finding = age_of(&scores, &times, &wish, &Settings::default());
    args.asked.show(context, &scores, &finding, views::age::text, views::charts::age)
}

impl AgeArgs {
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

    /// The sessions that are named, or all that are revealed.
    fn of_sessions(&self, context: &Context) -> Result<(Scores, LotTimes), Failure> {
        let book = context.book()?;
        let read = table_args::named_or_all(&self.asked.sessions, &book)?;
        let Some(start) = read.iter().map(|r| r.day).min() else {
            return Err(Failure::Command(
                "no session of this book is revealed\n  expected: at least one, better several, in \
                 which stored lots were tasted\n  to mend:  reveal a closed session with `session \
                 reveal`"
                    .to_owned(),
            ));
        };
        let times = LotTimes::of_lots(&book.lots()?, start);
        let scores = from_revealed(&read).map_err(|e| Failure::Command(e.to_string()))?;
        Ok((scores, times))
    }
}

/// An age that lies ahead.
fn ahead(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(month) if month.is_finite() && month > 0.0 => Ok(month),
        _ => Err("expected an age in months, as 36".to_owned()),
    }
}

/// The lots that are asked for: a name as it stands, or else several with commas between them.
fn asked_lots(words: &[String], samples: &[String]) -> Result<Vec<String>, Failure> {
    let lot = |sample: &String| sample.split('@').next().unwrap_or_default().to_owned();
    let known: Vec<String> = samples.iter().flat_map(|s| [s.clone(), lot(s)]).collect();
    let mut all = Vec::new();
    for word in words {
        for part in table_args::parts(word, &known) {
            if !known.iter().any(|k| k == part) {
                return Err(no_such("--of", part, samples));
            }
            all.push(part.to_owned());
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
