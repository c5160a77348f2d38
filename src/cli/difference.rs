//! `difference`: are two samples told apart?

use blindsteep_stats::discrimination::MOST_ANSWERS;
use clap::{Args, Subcommand};

use super::asked::{Drawn, View};
use super::{Context, Failure};
use crate::findings::difference::{Asked, Difference, Tasting, difference, of_counts};
use crate::findings::{ALPHA, Settings};
use crate::scores::{Method, Trials, of_book, trials_from_revealed};
use crate::views;
use crate::views::charts::Words;

/// Are two samples told apart?
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct DifferenceArgs {
    /// Revealed triangle, duo-trio or paired sessions, by any unique part of their names
    #[arg(value_name = "SESSION")]
    sessions: Vec<String>,
    /// All numbers as JSON, the name of its schema first
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    drawn: Drawn,
    #[command(subcommand)]
    counts: Option<CountsOf>,
}

/// A test from its counts alone.
#[derive(Debug, Subcommand)]
enum CountsOf {
    /// Three cups, two alike: from how many found the odd one
    Triangle(Counts),
    /// A reference and two cups: from how many found the one that is like it
    DuoTrio(Counts),
    /// Two cups: from how many said that the expected one has more
    Paired {
        #[command(flatten)]
        counts: Counts,
        /// Which has more was not stated beforehand: either way speaks for a difference
        #[arg(long)]
        two_sided: bool,
    },
}

/// How many answers there were, and what is asked of them.
#[derive(Debug, Args)]
struct Counts {
    /// How many answered
    #[arg(long, value_name = "N")]
    answers: u64,
    /// How many were right; paired: how many named the one (without: what the test can show)
    #[arg(long, value_name = "K")]
    correct: Option<u64>,
    /// How often a difference may be claimed where there is none
    #[arg(long, value_name = "SHARE", default_value_t = ALPHA)]
    alpha: f64,
    /// The share of people noticing the difference that matters
    #[arg(long, value_name = "SHARE")]
    distinguishers: Option<f64>,
    /// How often so large a share is to be noticed (default: 0.8)
    #[arg(long, value_name = "SHARE", requires = "distinguishers")]
    power: Option<f64>,
    /// How many people gave the answers, if some answered more than once
    #[arg(long, value_name = "N")]
    tasters: Option<u64>,
    /// All numbers as JSON, the name of its schema first
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    drawn: Drawn,
}

/// Runs the command.
///
/// # Errors
/// If the counts make no sense, the sessions cannot be read or the result not be written.
pub fn run(args: &DifferenceArgs, context: &mut Context) -> Result<(), Failure> {
    let (finding, words, json, drawn) = match &args.counts {
        Some(CountsOf::Triangle(c)) => counts_of(Method::Triangle, c, false)?,
        Some(CountsOf::DuoTrio(c)) => counts_of(Method::DuoTrio, c, false)?,
        Some(CountsOf::Paired { counts, two_sided }) => {
            counts_of(Method::Paired, counts, *two_sided)?
        }
        None => {
            let trials = of_sessions(&args.sessions, context)?;
            let found = difference(&trials, &Settings::default());
            let words = Words::of_trials(&trials, args.drawn.language.into());
            (found, words, args.json, &args.drawn)
        }
    };
    let view = View {
        text: views::difference::text,
        draw: views::charts::difference,
        page: Some(views::pages::difference),
    };
    drawn.write(&finding, &words, &view)?;
    let text = if json { views::json::of(&finding) } else { (view.text)(&finding) };
    context.out.write_all(text.as_bytes())?;
    Ok(())
}

/// A test from its counts, its words, and how it is shown.
fn counts_of(
    method: Method,
    counts: &Counts,
    two_sided: bool,
) -> Result<(Difference, Words, bool, &Drawn), Failure> {
    let words = Words { lang: counts.drawn.language.into(), ..Words::default() };
    Ok((counted(method, counts, two_sided)?, words, counts.json, &counts.drawn))
}

fn of_sessions(names: &[String], context: &Context) -> Result<Trials, Failure> {
    if names.is_empty() {
        return Err(Failure::Command(
            "nothing to read is named\n  expected: revealed sessions of the book, or triangle, duo-trio \
             or paired with --answers\n  to mend:  name a session, or say for example `difference \
             triangle --answers 24 --correct 13`"
                .to_owned(),
        ));
    }
    let read = of_book::named_sessions(&context.book()?, names)?;
    let trials = trials_from_revealed(&read).map_err(|e| Failure::Command(e.to_string()))?;
    if trials.trials.is_empty() {
        return Err(Failure::Command(format!(
            "no difference is asked in {names}\n  expected: triangle, duo-trio or paired sessions\n  to \
             mend:  ask `compare {names}` about a ranking",
            names = names.join(" ")
        )));
    }
    Ok(trials)
}

fn refused(flag: &str, found: impl std::fmt::Display, expected: &str, mend: &str) -> Failure {
    Failure::Command(format!("--{flag} is {found}\n  expected: {expected}\n  to mend:  {mend}"))
}

fn counted(method: Method, c: &Counts, two_sided: bool) -> Result<Difference, Failure> {
    if !(1..=MOST_ANSWERS).contains(&c.answers) {
        return Err(refused(
            "answers",
            c.answers,
            &format!("a whole number from 1 to {MOST_ANSWERS}"),
            "give how many answers were, or will be, given",
        ));
    }
    if let Some(correct) = c.correct.filter(|k| *k > c.answers) {
        return Err(refused(
            "correct",
            correct,
            &format!("at most the {} answers", c.answers),
            "give how many of the answers were right",
        ));
    }
    if let Some(tasters) = c.tasters.filter(|n| *n == 0 || *n > c.answers) {
        return Err(refused(
            "tasters",
            tasters,
            &format!("from 1 to the {} answers", c.answers),
            "give how many people answered, or leave it out if each answered once",
        ));
    }
    for (flag, value) in
        [("alpha", Some(c.alpha)), ("distinguishers", c.distinguishers), ("power", c.power)]
    {
        if let Some(found) = value.filter(|x| x.is_nan() || *x <= 0.0 || *x >= 1.0) {
            return Err(refused(
                flag,
                found,
                "more than 0 and less than 1",
                "write 5% as 0.05, 80% as 0.8",
            ));
        }
    }
    let asked = Asked {
        name: "counts".to_owned(),
        method,
        two_sided,
        alpha: c.alpha,
        share: c.distinguishers,
        power: c.power,
        n_answers: c.answers,
        n_correct: c.correct,
        tasting: c.tasters.filter(|n| *n < c.answers).map_or(Tasting::OneEach, Tasting::Shared),
    };
    Ok(of_counts(&asked, &Settings::default()))
}
