//! `due`: what is to be tasted again; a session made of it; a calendar file.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use rand_chacha::rand_core::Rng as _;

use super::session::plan::tell;
use super::sheet::languages_of;
use super::{Context, Failure, charts};
use crate::book::Book;
use crate::book::book_file::clock;
use crate::book::problem::did_you_mean;
use crate::book::store;
use crate::book::time::{Day, Moment};
use crate::findings::Answer;
use crate::findings::due::{Due, SampleDue, SoPlanned, WarningKind, Wish, due_of_book, request};
use crate::session::{self, DealSecret};
use crate::views;

/// So many days ahead are listed if nothing is said, and so many go into a calendar.
const DAYS_LISTED: i64 = 31;
const DAYS_IN_CALENDAR: i64 = 365;

/// What is to be tasted again, with what leaf
#[derive(Debug, Args)]
pub struct DueArgs {
    /// Seen from this day, which is the session's if one is planned (default: today)
    #[arg(long, value_name = "DATE", value_parser = |s: &str| s.parse::<Day>())]
    on: Option<Day>,
    /// List tastings up to this day (default: a month ahead; in a calendar a year)
    #[arg(long, value_name = "DATE", value_parser = |s: &str| s.parse::<Day>())]
    until: Option<Day>,
    /// List tastings up to the end of this month, as 2026-06
    #[arg(long, value_name = "MONTH", conflicts_with = "until", value_parser = end_of_month)]
    month: Option<Day>,
    /// Plan a session of what is due and soon, under this name
    #[arg(long, value_name = "NAME", requires = "tasters")]
    plan: Option<String>,
    /// The tasters of that session
    #[arg(long, value_name = "WHO,…", value_delimiter = ',', requires = "plan")]
    tasters: Vec<String>,
    /// Have these in the session too, though they are not due
    #[arg(long, value_name = "LOT,…", value_delimiter = ',')]
    with: Vec<String>,
    /// The most scored cups in a flight (default: the book's limit)
    #[arg(long, value_name = "N")]
    flight_size: Option<usize>,
    /// The most days of the session (default: as retasting.toml says)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=366))]
    days: Option<u32>,
    /// The public seed that arranges codes and serving orders (default: a random one)
    #[arg(long, value_name = "N", requires = "plan")]
    order_seed: Option<u32>,
    /// Ask which lot a cup is thought to be
    #[arg(long, requires = "plan")]
    guess: bool,
    /// You pour and taste alone: no second codes, the key comes after closing
    #[arg(long)]
    alone: bool,
    /// Write what is due into a calendar file (iCalendar, .ics); keep it from whoever tastes
    #[arg(long, value_name = "FILE", conflicts_with_all = ["plan", "json"])]
    calendar: Option<PathBuf>,
    /// The language of the calendar (default: the book's first)
    #[arg(long, value_enum, requires = "calendar")]
    language: Option<charts::Language>,
    /// All numbers as JSON, the name of its schema first
    #[arg(long, conflicts_with = "plan")]
    json: bool,
}

/// The last day of a month that is written 2026-06.
fn end_of_month(text: &str) -> Result<Day, String> {
    let first = format!("{text}-01").parse::<Day>().ok().filter(|_| text.len() == 7);
    first
        .map(|day| Day(day.0.last_of_month()))
        .ok_or_else(|| format!("\"{text}\" is not a month; write it as 2026-06"))
}

/// Runs the command.
///
/// # Errors
/// If the record is wrong, what is asked does not fit it, or the disk refuses.
pub fn run(args: &DueArgs, context: &mut Context) -> Result<(), Failure> {
    let book = context.book()?;
    let file = book.book_file()?;
    let now = Moment::now().on_clock_of(&clock(&file));
    let on = args.on.unwrap_or_else(|| now.day());
    let ahead = if args.calendar.is_some() { DAYS_IN_CALENDAR } else { DAYS_LISTED };
    let until = args.until.or(args.month).unwrap_or_else(|| on.later(ahead));
    if until < on {
        return Err(Failure::Command(format!(
            "{until} lies before {on}\n  expected: a day from {on} on\n  to mend:  correct --until or \
             --month, or give the day from which it is seen with --on"
        )));
    }
    let finding = found(&book, args, on, until)?;
    if let Some(path) = &args.calendar {
        let lang = match args.language {
            Some(language) => language.into(),
            None => languages_of(None, &file.value.languages)[0],
        };
        let writing = views::calendar::Writing { book: &file.value.title, now, lang };
        return calendar(&finding, path, &writing, context);
    }
    if let Some(name) = &args.plan {
        return plan(&book, &finding, name, args, now, context);
    }
    let text = if args.json { views::json::of(&finding) } else { views::due::text(&finding) };
    context.out.write_all(text.as_bytes())?;
    Ok(())
}

fn found(book: &Book, args: &DueArgs, on: Day, until: Day) -> Result<Due, Failure> {
    let wish = Wish { on, until, with: args.with.clone(), days: args.days, alone: args.alone };
    let finding = due_of_book(book, &wish, args.flight_size)?;
    for word in &args.with {
        let named = |s: &SampleDue| {
            word.eq_ignore_ascii_case(&s.sample) || word.eq_ignore_ascii_case(&s.lot)
        };
        if !finding.samples.iter().any(named) {
            let known = finding.samples.iter().map(|s| s.sample.as_str());
            return Err(Failure::Command(format!(
                "--with {word}: no such sample can be tasted again on {on}\n  expected: a lot, or an \
                 arm as LOT@ARM, that is there on that day and is not the reference\n  to mend:  {}",
                did_you_mean(word, known, "correct the name")
            )));
        }
    }
    Ok(finding)
}

fn calendar(
    finding: &Due,
    path: &Path,
    writing: &views::calendar::Writing<'_>,
    context: &mut Context,
) -> Result<(), Failure> {
    let (text, n) = views::calendar::of(finding, writing);
    // A calendar program is told of what changed by the whole file; nobody's own file is lost.
    let there = path.exists();
    if there {
        let own = |text: String| views::calendar::is_own(&text);
        if !std::fs::read_to_string(path).is_ok_and(own) {
            return Err(Failure::Command(format!(
                "{} exists already, and is no calendar that this program wrote; it is not written \
                 over\n  expected: a new file, or a calendar that `due --calendar` wrote\n  to mend:  \
                 give another name to --calendar, or move that file away",
                path.display()
            )));
        }
        store::replace_bytes(path, text.as_bytes())?;
    } else {
        store::create_new_bytes(path, text.as_bytes())?;
    }
    let cancelled = match n.cancelled {
        0 => String::new(),
        n => format!(", and {n} taken back"),
    };
    writeln!(
        context.out,
        "{}{}: {} {} until {}{cancelled}. Keep it from whoever tastes: it names samples.",
        path.display(),
        if there { ", written anew" } else { "" },
        n.tastings,
        if n.tastings == 1 { "tasting" } else { "tastings" },
        finding.until
    )?;
    Ok(())
}

/// Plans the session that the finding proposes.
fn plan(
    book: &Book,
    finding: &Due,
    name: &str,
    args: &DueArgs,
    now: Moment,
    context: &mut Context,
) -> Result<(), Failure> {
    let sitting = match &finding.sitting {
        Answer::Known(sitting) => sitting,
        Answer::Unknown(why) => {
            return Err(Failure::Command(format!(
                "no session is planned: {}\n  expected: two samples that are due or soon, or one and a \
                 reference\n  to mend:  another day with --on, or name what to taste with --with LOT",
                why.reason
            )));
        }
    };
    let mut rng = Context::rng()?;
    let order_seed = args.order_seed.unwrap_or_else(|| rng.next_u32());
    // Far more bits than flights: what is left over decides nothing.
    let contents = sitting.dealt(|n| (rng.next_u64() % n.max(1) as u64) as usize);
    let so = SoPlanned {
        name: name.to_owned(),
        tasters: args.tasters.clone(),
        order_seed,
        guess: args.guess,
        alone: args.alone,
        flight_size: args.flight_size,
    };
    let request = request(sitting, &contents, so);
    let planned = session::plan(book, &request, now, DealSecret::from_system()?)?;
    tell(&planned, context)?;
    if args.alone && contents.len() > 1 {
        for line in views::due::tins(&planned.plan, &contents, sitting) {
            writeln!(context.out, "{line}")?;
        }
    }
    for line in views::due::left_out(sitting, |_| true) {
        writeln!(context.out, "{line}")?;
    }
    let told = [WarningKind::Reference, WarningKind::ArmsApart];
    for warning in finding.warnings.iter().filter(|w| told.contains(&w.kind)) {
        writeln!(context.out, "warning: {}", warning.text)?;
    }
    Ok(())
}
