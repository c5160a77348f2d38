//! `compare`: which lots differ?

use clap::{Args, ValueEnum};

use super::asked::{Asked, View};
use super::table_args;
use super::{Context, Failure};
use crate::book::problem::did_you_mean;
use crate::findings::Settings;
use crate::findings::against::{Better, Wish};
use crate::findings::compare::compare;
use crate::findings::ranking::ranking;
use crate::scores::Scores;
use crate::views;
use crate::views::charts::Words;

/// Which lots differ? Of ranking sessions: which sample has more?
#[derive(Debug, Args)]
pub struct CompareArgs {
    // Before the shared flags, whose last heading all that follows would stand under.
    /// Compare all lots with this one, instead of all pairs
    #[arg(long, value_name = "LOT")]
    control: Option<String>,
    /// Only more (higher) or only less (lower) than the control counts
    #[arg(long, value_enum, requires = "control")]
    better: Option<Way>,
    /// Which lots are the same within so many points: in all terms, or in one
    #[arg(long, value_name = "[TERM=]POINTS")]
    within: Vec<String>,
    #[command(flatten)]
    asked: Asked,
}

/// Which way a difference counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Way {
    /// More than the control
    Higher,
    /// Less than the control
    Lower,
}

/// Runs the command.
///
/// # Errors
/// If the scores cannot be read or the result not be written.
pub fn run(args: &CompareArgs, context: &mut Context) -> Result<(), Failure> {
    if let Some(rankings) = table_args::rankings(&args.asked.table, &args.asked.sessions, context)?
    {
        if args.control.is_some() || args.better.is_some() || !args.within.is_empty() {
            return Err(Failure::Command(
                "--control, --better or --within is given, and ranks have no points\n  expected: a \
                 session in which terms were scored\n  to mend:  leave the flag out"
                    .to_owned(),
            ));
        }
        let finding = ranking(&rankings, &Settings::default());
        let words = Words::of_trials(&rankings, args.asked.drawn.language.into());
        let view = View {
            text: views::ranking::text,
            draw: views::charts::ranking,
            page: Some(views::pages::ranking),
        };
        return args.asked.show(context, &finding, &words, view);
    }
    let scores = args.asked.scores(context)?;
    let wish = wish(args, &scores)?;
    let finding = compare(&scores, &wish, &Settings::default());
    let view = View {
        text: views::compare::text,
        draw: views::charts::compare,
        page: Some(views::pages::compare),
    };
    args.asked.show(context, &finding, &args.asked.words(&scores), view)
}

fn wish(args: &CompareArgs, scores: &Scores) -> Result<Wish, Failure> {
    let lots = scores.words("lot");
    if let Some(control) = args.control.as_ref().filter(|c| !lots.contains(c)) {
        return Err(unknown("--control", control, "lot", &lots));
    }
    let better = match args.better {
        None => Better::Either,
        Some(Way::Higher) => Better::Higher,
        Some(Way::Lower) => Better::Lower,
    };
    let mut wish = Wish { control: args.control.clone(), better, ..Wish::default() };
    let terms: Vec<String> = scores.terms().iter().map(|t| t.id.clone()).collect();
    for word in &args.within {
        let (term, points) = match word.rsplit_once('=') {
            Some((term, points)) => (Some(term), points),
            None => (None, word.as_str()),
        };
        let margin = points.trim().parse::<f64>().ok().filter(|d| d.is_finite() && *d > 0.0);
        let Some(margin) = margin else {
            return Err(Failure::Command(format!(
                "--within {word}: \"{points}\" is no margin\n  expected: points of the scale above \
                 0, with a decimal point, such as 0.5 or {}=0.5\n  to mend:  state how far apart two \
                 lots may lie and still count as the same",
                terms.first().map_or("TERM", String::as_str)
            )));
        };
        match term {
            None if wish.within.is_some() => {
                return Err(Failure::Command(format!(
                    "--within {word}: a margin for all terms is stated twice\n  expected: one, and \
                     others as TERM=POINTS\n  to mend:  take one of the two out"
                )));
            }
            None => wish.within = Some(margin),
            Some(term) if !terms.iter().any(|t| t == term) => {
                return Err(unknown("--within", term, "term", &terms));
            }
            Some(term) if wish.within_term.iter().any(|(t, _)| t == term) => {
                return Err(Failure::Command(format!(
                    "--within {word}: a margin for {term} is stated twice\n  expected: one a \
                     term\n  to mend:  take one of the two out"
                )));
            }
            Some(term) => wish.within_term.push((term.to_owned(), margin)),
        }
    }
    Ok(wish)
}

fn unknown(flag: &str, word: &str, what: &str, known: &[String]) -> Failure {
    /// So many names are listed.
    const MOST: usize = 20;
    let mut listed = known.iter().take(MOST).cloned().collect::<Vec<_>>().join(", ");
    if known.len() > MOST {
        listed.push_str(&format!(" and {} more", known.len() - MOST));
    }
    Failure::Command(format!(
        "{flag} {word}: there is no {what} of this name\n  expected: one of {listed}\n  to mend:  {}",
        did_you_mean(word, known.iter().map(String::as_str), "correct the flag")
    ))
}
