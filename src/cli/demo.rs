//! `demo`: the whole job on an invented garden.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;

use super::charts::{self, Language};
use super::{Context, Failure};
use crate::book::{Book, store};
use crate::demo::book::{SEED, next_free, write};
use crate::findings::Settings;
use crate::findings::agree::{Agree, agree};
use crate::findings::compare::{Compare, compare};
use crate::scores::{Scores, from_revealed};
use crate::session::{Revealed, Session, all_revealed, papers};
use crate::sheets::Lang;
use crate::sheets::ballots::ballot_pdf;
use crate::views;

/// Write an invented garden's book, work through the job on it and say what was found
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// A folder that does not exist yet (default: the next free blindsteep-demo here)
    #[arg(value_name = "DIR")]
    dir: Option<PathBuf>,
}

/// What the demo shows of its first session and of all ten.
struct Found {
    first: Scores,
    agree_first: Agree,
    compare_first: Compare,
    agree_all: Agree,
}

/// Runs the command.
///
/// # Errors
/// If the folder is there already or cannot be written.
pub fn run(args: &DemoArgs, context: &mut Context) -> Result<(), Failure> {
    let dir = match &args.dir {
        Some(dir) => dir.clone(),
        None => next_free(Path::new(""), "blindsteep-demo")?,
    };
    if dir.try_exists().map_err(store::io("look for", &dir))? {
        return Err(Failure::Command(format!(
            "{} exists already: the demo writes over nothing\n  to mend:  name a new folder",
            dir.display()
        )));
    }
    store::make_folder(&dir)?;
    let book = write(&dir.join("tavrinel"), SEED)?;
    let sessions = all_revealed(&book)?;
    let (found, ballots) = rayon::join(|| find(&sessions), || ballots(&book, &sessions[0].name));
    let (found, ballots) = (found?, ballots?);
    let reports = dir.join("reports");
    write_reports(&reports, &found)?;
    write_charts(&reports, &found)?;
    for (name, pdf) in ballots {
        store::create_new_bytes(&reports.join(name), &pdf)?;
    }
    tell(&dir, &sessions, &found, context)
}

fn find(sessions: &[Revealed]) -> Result<Found, Failure> {
    let settings = Settings::default();
    let table = |of: &[Revealed]| from_revealed(of).map_err(|e| Failure::Ours(e.to_string()));
    let first = table(&sessions[..1])?;
    let all = table(sessions)?;
    Ok(Found {
        agree_first: agree(&first, &settings),
        compare_first: compare(&first, &settings),
        agree_all: agree(&all, &settings),
        first,
    })
}

fn write_reports(dir: &Path, found: &Found) -> Result<(), Failure> {
    store::make_folder(dir)?;
    let file = |name: &str, text: String| store::create_new(&dir.join(name), &text);
    file("agree-first-session.txt", views::agree::text(&found.agree_first))?;
    file("agree-first-session.json", views::json::of(&found.agree_first))?;
    file("compare-first-session.txt", views::compare::text(&found.compare_first))?;
    file("compare-first-session.json", views::json::of(&found.compare_first))?;
    file("agree-all-sessions.txt", views::agree::text(&found.agree_all))?;
    file("agree-all-sessions.json", views::json::of(&found.agree_all))?;
    Ok(())
}

fn write_charts(dir: &Path, found: &Found) -> Result<(), Failure> {
    for (language, name) in [(Language::En, "charts-en"), (Language::Zh, "charts-zh")] {
        let words = charts::words(&found.first, language);
        let dir = dir.join(name);
        charts::write(&dir, &views::charts::agree(&found.agree_first, &words))?;
        charts::write(&dir, &views::charts::compare(&found.compare_first, &words))?;
    }
    Ok(())
}

/// One taster's ballot of a session, in both languages: the file's name and its bytes.
fn ballots(book: &Book, session: &str) -> Result<Vec<(&'static str, Vec<u8>)>, Failure> {
    let session = Session::open(book, session)?;
    [(Lang::En, "ballot-ann.en.pdf"), (Lang::Zh, "ballot-ann.zh.pdf")]
        .into_iter()
        .map(|(language, name)| {
            Ok((name, ballot_pdf(&papers::ballot(book, &session, "ann", &[language])?)?))
        })
        .collect()
}

fn tell(
    dir: &Path,
    sessions: &[Revealed],
    found: &Found,
    context: &mut Context,
) -> Result<(), Failure> {
    let out = &mut context.out;
    let mut say = |text: &str, indent: &str| {
        let first = indent.strip_suffix("  ").unwrap_or(indent);
        write!(out, "{}", views::text::paragraph(text, first, indent))
    };
    let all = &found.agree_all;
    say(
        &format!(
            "Tavrinel Garden (all of it invented): 16 lots and a frozen reference, {} blind sessions \
             in two years, {} tasters, {} answers.",
            sessions.len(),
            all.tasters.len(),
            all.n_scores
        ),
        "",
    )?;
    say(
        &format!("First session ({}): do the tasters agree? Which lots differ?", sessions[0].day),
        "",
    )?;
    for sentence in found.agree_first.sentences.iter().take(1) {
        say(sentence, "    ")?;
    }
    let differ: Vec<&String> =
        found.compare_first.sentences.iter().filter(|s| s.contains("furthest")).collect();
    for sentence in differ.iter().take(SHOWN) {
        say(sentence, "    ")?;
    }
    if differ.len() > SHOWN {
        say(
            &format!("and {} more terms: compare-first-session.txt", differ.len() - SHOWN),
            "    ",
        )?;
    }
    say("All sessions: whose habits would have passed for a difference between lots?", "")?;
    for sentence in all.sentences.iter().filter(|s| s.starts_with("Taster")) {
        say(sentence, "    ")?;
    }
    for e in &all.exclusions {
        let text =
            format!("Left out, but kept in the record: {} answers ({}).", e.n_scores, e.reason);
        say(&text, "    ")?;
    }
    let dir = dir.display();
    writeln!(
        out,
        "Written:    {dir}/tavrinel (the book) and {dir}/reports\n\
         Open next:  {dir}/reports/charts-en/levels.svg, then tasters.svg beside it and \
         ballot-ann.en.pdf\n\
         Then ask:   blindsteep --book {dir}/tavrinel compare month-13"
    )?;
    Ok(())
}

/// How many of the terms in which lots differ are told on the terminal.
const SHOWN: usize = 3;
